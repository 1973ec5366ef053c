"""The Markdown of a check: its order, its cautions, and that no name of a device marks anything up in it.

That it says what the other forms say is held by test_forms.py. Read by an independent parser (markdown-it-py).
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec.structs import replace

from agent.audit import audit
from agent.report import markdown, marks, step_blocks, words
from agent.report.drive_words import all_expected
from agent.report.page.machine import machine
from agent.report.unnamed import without_serials
from knowledge.phrasing import plain
from knowledge.steps import POWER_OFF
from probes.tokens import Known
from probes.unread import Unread
from tests.build import Disk, Function, Machine, Nvme, build, drive, facts, root_port
from tests.forms_marked import blocks, made_markdown
from tests.machines import FIXTURES
from tests.shown import HOSTILE
from tests.test_cli import run
from tests.test_imports import loaded
from tests.test_machines import FOLDERS, audited, machines_with
from tests.test_report import in_one

if TYPE_CHECKING:
    from pathlib import Path

    from agent.audit import Audit

every_folder = pytest.mark.parametrize("name", FOLDERS)
SECTIONS: Final = (
    "Links, worst first",
    "Findings, worst first",
    "For the record",
    "Drives, and what each should reach",
    "Stripe sets, and what each should reach as one",
    "What was seen",
    "Firmware on record",
    "Not read",
    "What root would add",
)


def sections(audit: Audit) -> list[str]:
    """The headings of the second level."""
    return [texts[0] for kind, texts in blocks(made_markdown(audit)) if kind == "h2"]


@every_folder
def test_the_summary_stands_first(name: str) -> None:
    """After the machine's name comes the answer, then what to do first, as in the text, then where it was read."""
    (first, title), *said = blocks(made_markdown(audited(name)))[:4]
    to_do = words.first_step(audited(name))
    wanted = ["".join(part for part, _ in words.summary(audited(name))), *([to_do] if to_do else [])]
    assert "h1" == first
    assert title[0].startswith(in_one(words.title(audited(name), "this machine")[0]))
    assert [("p", [in_one(line)]) for line in wanted] == said[: len(wanted)]
    assert said[len(wanted)][1][0].startswith("this machine")


@every_folder
def test_sections_stand_in_one_order(name: str) -> None:
    """Links, findings, drives and the rest follow each other as in the text; none is empty, none stands twice."""
    found = sections(audited(name))
    assert [one for one in SECTIONS if one in found] == found
    kinds = [kind for kind, _ in blocks(made_markdown(audited(name)))]
    assert [] == [pair for pair in pairwise(kinds) if pair == ("h2", "h2")]
    assert kinds[-1] != "h2"


@every_folder
def test_it_is_made_of_few_kinds_of_blocks(name: str) -> None:
    """Headings, paragraphs, lists and tables; no HTML, no code, no link or picture, whatever devices are called."""
    found = blocks(made_markdown(audited(name)))
    assert {kind for kind, _ in found} <= {"h1", "h2", "h3", "p", "li", "row"}
    known = {text for kind, texts in found for text in texts if re.search(r"<(link|image|html)\w* ", text)}
    assert set() == known


@machines_with(FOLDERS, lambda found: any(one.steps for one in words.findings(found)))
def test_every_step_has_its_cautions_before_it(name: str) -> None:
    """A step stands after all its cautions, in full, however many findings share them."""
    lines = [in_one(text) for _, texts in blocks(made_markdown(audited(name))) for text in texts]
    for finding in words.findings(audited(name)):
        for step in finding.steps:
            at = next(
                place for place, line in enumerate(lines) if line.startswith(in_one(plain(step.text, step_blocks.STEP)))
            )
            assert [] == [one for one in step.cautions if in_one(one) not in lines[:at]]


@machines_with(FOLDERS, lambda found: found.links or found.drives)
def test_a_table_has_as_many_cells_in_every_row(name: str) -> None:
    """No name breaks a table."""
    widths: list[int] = []
    for kind, texts in blocks(made_markdown(audited(name))):
        if kind != "row":
            widths = []
            continue
        widths.append(len(texts))
        assert {widths[0]} == set(widths)


any_name = st.one_of(st.sampled_from(HOSTILE), st.text(max_size=40))


@given(any_name, any_name, any_name)
@example("| a |\n| --- |", "**b**", "[c](http://example.invalid)")
def test_no_name_marks_anything_up(drive_name: str, model: str, host: str) -> None:
    """Names of drives, models and the machine come back as they are, and the document keeps its shape."""
    found = audited("bench-2-worn-riser")
    first, *rest = found.drives
    named = replace(first, drive=replace(first.drive, name=drive_name, model=model))
    machine = replace(found.facts, host=replace(found.facts.host, name=host))
    usual = blocks(made_markdown(found))
    odd = blocks(made_markdown(replace(found, drives=(named, *rest), facts=machine)))
    assert [kind for kind, _ in usual if kind != "li"] == [kind for kind, _ in odd if kind != "li"]
    assert in_one(plain(drive_name)).strip() in {texts[0] for kind, texts in odd if kind == "row"}


@pytest.mark.parametrize(("state", "serves"), [("live", True), ("dead", False), ("connecting", False)])
def test_a_drive_that_serves_nothing_has_no_rates(state: str, *, serves: bool) -> None:
    """A drive whose controller is not at work stands in no row of rates, and its line says so; nor has it bars."""
    found = audited("bench-2-dead-drive")
    seen = replace(found.drives[0], drive=replace(found.drives[0].drive, state=state))
    odd = replace(found, drives=(seen, *found.drives[1:]))
    made = made_markdown(odd)
    assert serves == ("| nvme0 | " in made)
    (line,) = [line for line in made.splitlines() if line.startswith("- nvme0: ")]
    assert serves == ("serves no reads or writes" not in line)
    assert "| nvme1 | " in made
    shown = {drive.name: drive.bars for drive in machine("x", odd, 1).drives}
    assert (serves, True) == (bool(shown["nvme0"]), bool(shown["nvme1"]))
    words = " ".join(all_expected(seen))
    assert serves == ("MB/s" in words)


def test_a_drive_whose_state_could_not_be_read_keeps_its_rates() -> None:
    """A state that nobody could read takes no rates away."""
    found = audited("bench-2-dead-drive")
    seen = replace(found.drives[0], drive=replace(found.drives[0].drive, state=Unread("state", "EIO")))
    assert "| nvme0 | " in made_markdown(replace(found, drives=(seen, *found.drives[1:])))


def test_a_drive_without_rates_says_why() -> None:
    """A disk on a cable, and a drive on a path that is not known, have their line, and no row of rates."""
    ports = [
        root_port("01.0", (4, 4), [drive((4, 4), Nvme(serial="S1"))]),
        Function(kind="sata", at="17.0", conventional=True, disks=[Disk(celsius=30)]),
    ]
    made = made_markdown(audit(facts(build(Machine(name="bench-9", buses={"0000:00": ports})))))
    found = blocks(made)
    assert ["drive", "nvme0"] == [texts[0] for kind, texts in found if kind == "row" and len(texts) == 7][-2:]
    lines = [texts[0] for kind, texts in found if kind == "li"]
    assert [] != [line for line in lines if line.startswith("sda: ") and "its own interface" in line]


def test_the_command_prints_it_without_the_terminal_library() -> None:
    """`check --format markdown` prints the document; it needs no library for terminals."""
    status, names = loaded(
        "check", "--replay", str(FIXTURES / "bench-1-upgraded" / "capture.json"), "--format", "markdown"
    )
    assert 0 == status
    assert "agent.report.markdown" in names
    assert [] == [one for one in names if one.partition(".")[0] in {"rich", "markdown_it", "jinja2"}]


def test_the_command_tells_no_name_unless_asked() -> None:
    """What is put into a forum has a token as its title, the one of a redacted capture; all else is the same."""
    words = ("check", "--replay", str(FIXTURES / "bench-1-misplaced" / "capture.json"), "--format", "markdown")
    hidden, kept = run(*words).output.splitlines(), run(*words, "--keep-serials").output.splitlines()
    assert kept[0].startswith("# bench-1 (")
    assert hidden[0] == kept[0].replace("bench-1", f"\\{Known().word('bench-1')}")
    assert hidden[1:] == kept[1:]


def test_a_comparison_tells_no_name_unless_asked(tmp_path: Path) -> None:
    """A machine that was named anew in between: neither name is told, but that they differ."""
    before = FIXTURES / "bench-1-upgraded" / "capture.json"
    after = tmp_path / "after.json"
    after.write_text(before.read_text().replace('"bench-1"', '"cuttingroom"'))
    words = ("compare", str(before), str(after), "--as-given", "--format", "markdown")
    hidden, kept = (run(*words, *more).output.partition("## ")[2] for more in ((), ("--keep-serials",)))
    assert "cuttingroom" in kept
    assert "cuttingroom" not in hidden
    assert kept.count("\n") == hidden.count("\n")


def test_serial_numbers_are_taken_out_wherever_a_document_has_them() -> None:
    """As they are, and as Markdown; what was not read is none."""
    found = without_serials("of HLA0042QX7, `hla0042qx7` and 12 x4", ["HLA0042QX7 ", None, Unread("x", "y"), "x4", ""])
    token = Known().word("HLA0042QX7")
    assert found == f"of {token}, `{token}` and 12 x4"


@pytest.mark.parametrize("serial", ["QX70", "12345", "aaabbb"])
def test_plain_serial_numbers_are_taken_out_as_words_of_their_own(serial: str) -> None:
    """Also those that could be anything where nobody says what they are; not within other words."""
    found = without_serials(f"serial number {serial.lower()}; expected no other. x{serial}y", [serial])
    token = Known().word(serial)
    assert found == f"serial number {token}; expected no other. x{serial}y"


def test_it_ends_with_one_line_end() -> None:
    """A document is lines, the last one with its end."""
    made = markdown.check(audited("bench-1-upgraded"), "bench-1.json")
    assert made.endswith("\n")
    assert not made.endswith("\n\n")


def test_each_section_has_its_cautions_in_full() -> None:
    """What belongs to one drive can go into a ticket: its cautions stand in full, and each step has its check."""
    found = audited("bench-2-failing-drives")
    parts = markdown.check(found, "capture.json").split("\n### ")[1:]
    groups = words.by_subject(words.findings(found))
    opening = [
        part
        for part, group in zip(parts, groups, strict=True)
        if any(POWER_OFF in step.cautions for one in group for step in one.steps)
    ]
    assert len(opening) > 1
    assert [part for part in opening if marks.escaped(POWER_OFF) not in part] == []
    steps = [line for part in parts for line in part.splitlines() if re.match(r"[0-9]+\. ", line)]
    assert [line for line in steps if "*Then:*" not in line] == []
