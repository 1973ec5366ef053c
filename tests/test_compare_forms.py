"""The forms of a comparison, and the command: the same rows in each, harmless text, any width, exit statuses."""

from __future__ import annotations

import io
import re
from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final
from unicodedata import combining

import msgspec
import pytest
from markdown_it import MarkdownIt
from rich.cells import cell_len
from rich.console import Console

from agent.report import compare_data, compare_markdown, compare_rows, comparing, schemas
from agent.report.data import encode
from knowledge.phrasing import plain
from tests.boards import bench_1, reel_4
from tests.build import build, capture_bytes
from tests.json_schema import problems
from tests.machines import FIXTURES
from tests.test_cli import ESCAPES, Run, one_line, run, usage_error
from tests.test_compare_same import FOLDERS, audit_of, compared
from tests.test_imports import loaded

if TYPE_CHECKING:
    from pathlib import Path

    from agent.compare.changes import Comparison
    from tests.conftest import Golden

CALM: Final = "bench-1-upgraded"
# Before, after, and how the command ends.
PAIRS: Final = {
    ("bench-1-upgraded", "bench-1-upgraded"): 0,
    ("bench-1-slot-limited", "bench-1-upgraded"): 0,
    ("bench-1-upgraded", "bench-1-misplaced"): 1,
    ("bench-1-ordinary-user", "bench-1-upgraded"): 0,
    ("bench-2-worn-riser", "bench-2-failing-drives"): 1,
    ("bench-1-switch-carrier", "bench-1-stripe-set"): 0,
    ("bench-1-upgraded", "hostile-names"): 0,
    ("hostile-names", "bench-1-upgraded"): 1,
    ("hostile-names", "bench-2-worn-riser"): 1,
}
every_pair = pytest.mark.parametrize("pair", PAIRS, ids="->".join)
MARKS: Final = MarkdownIt("commonmark").enable("table")


def place(name: str) -> Path:
    """The capture of a machine of `fixtures/`."""
    return FIXTURES / name / "capture.json"


def shown(found: Comparison, width: int) -> str:
    """The page for terminals."""
    console = Console(file=io.StringIO(), width=width, color_system=None)
    comparing.show(comparing.page((found, "before.json", "after.json"), width, "after.json"), console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def flat(text: str) -> str:
    """Text without the breaks and spaces that its width asks for, and without accents, which take no room."""
    return "".join(letter for letter in text if not letter.isspace() and not combining(letter))


def said(found: Comparison, *, short: bool = False) -> list[str]:
    """All that every form has to say, as it is read; a `short` form tells of findings what comes first."""
    words = [found.verdict, *([found.other_machine] if found.other_machine else [])]
    board = [part.kind for part in found.parts if (part.after or part.before).on_board]  # type: ignore[union-attr] # one is there
    for change in found.parts:
        if (change.after or change.before).on_board and board.count(change.kind) > compare_rows.FEW:  # type: ignore[union-attr]
            words.append(f"{board.count(change.kind)} on-board devices")
            continue
        sides = [side for side in (change.before, change.after) if side is not None]
        words += [sides[-1].name, *(re.split(r"\bport [0-9]+", side.place)[-1] for side in sides)]
    for row in found.changes:
        words += [row.subject, row.what, row.before, row.after]
    for gain in found.findings:
        words.append(gain.subject)
        headlines = [side.headline for side in (gain.before, gain.after) if side is not None]
        words += [headline.partition(";")[0] if short else headline for headline in headlines]
    for doubt in found.doubts:
        words += [doubt.what, doubt.why]
    return words


# Before and after of the goldens beside the capture of the machine after: what a comparison says of each of them.
TOLD: Final = (
    ("bench-1-slot-limited", "bench-1-upgraded"),
    ("bench-1-upgraded", "bench-1-misplaced"),
    ("bench-1-ordinary-user", "bench-1-upgraded"),
    ("bench-1-switch-carrier", "bench-1-stripe-set"),
    ("bench-1-stripe-set", "bench-1-switch-carrier"),
    ("bench-1-half-carrier", "bench-1-upgraded"),
    ("bench-1-tunnelled-dock", "bench-1-payload-mismatch"),
    ("bench-2-worn-riser", "bench-2-failing-drives"),
    ("bench-2-hot-drive", "bench-2-noisy-link"),
    ("bench-2-noisy-link", "bench-2-lane-errors"),
    ("bench-2-other-sets", "bench-2-power-fault"),
    ("bench-3-idle", "bench-3-asleep"),
    ("bench-3-dark-slot", "bench-3-swap-wanted"),
    ("bench-3-set-slow", "bench-3-two-ends"),
    ("tower-2-narrow-drive", "tower-2-narrow-carrier"),
    ("tower-3-calm-display", "tower-3-tunnelled-dock"),
)


def limit(found: Comparison, text: str) -> int:
    """How much of a text the forms show."""
    return compare_rows.SENTENCE if text in {found.verdict, found.other_machine} else 300


@pytest.mark.parametrize(("before", "after"), TOLD, ids="->".join)
def test_what_people_read_of_two_machines_is_what_was_reviewed(before: str, after: str, golden: Golden) -> None:
    """The text of `compare` at 100 columns without colour is the golden one."""
    golden(FIXTURES / after / f"compare-{before}.txt", shown(compared(before, after), 100))


def neighbours() -> list[tuple[str, str]]:
    """Each machine of a family beside the next of them, both ways, and beside the third from it."""
    pairs = []
    for family in ("bench-1", "bench-2", "bench-3", "tower"):
        names = [name for name in FOLDERS if name.startswith(family)]
        pairs += [pair for one, other in pairwise(names) for pair in ((one, other), (other, one))]
        pairs += zip(names, names[3:], strict=False)
    return pairs


def test_verdicts_on_many_pairs_are_what_was_reviewed(golden: Golden) -> None:
    """The sentence that a comparison begins with, for many pairs of machines, is the golden one."""
    told = [f"{before} -> {after}: {compared(before, after).verdict}" for before, after in neighbours()]
    golden(FIXTURES / "compare-verdicts.txt", "\n".join([*told, ""]))


@every_pair
def test_every_form_shows_every_row(pair: tuple[str, str]) -> None:
    """Text, Markdown and JSON show the verdict, parts, figures, findings and doubts, each of them."""
    found = compared(*pair)
    text = flat(shown(found, 5_000))
    markdown = flat(_read(compare_markdown.compare(found, "before.json", "after.json")))
    data: Any = msgspec.json.decode(encode(compare_data.compare(found, "before.json", "after.json")))
    for form, short in (text, True), (markdown, False):
        for words in said(found, short=short):
            cut = words if len(words) <= limit(found, words) else words[: limit(found, words) - 3]
            assert flat(plain(cut, 5_000)) in form
    assert len(found.parts) == len(data["parts"])
    assert [(one.topic, one.subject, one.before, one.after, one.direction) for one in found.changes] == [
        (one["topic"], one["subject"], one["before"], one["after"], one["direction"]) for one in data["changes"]
    ]
    assert [(one.kind, one.subject, one.direction) for one in found.findings] == [
        (one["kind"], one["subject"], one["direction"]) for one in data["findings"]
    ]
    assert [(one.what, one.why) for one in found.doubts] == [(one["what"], one["why"]) for one in data["doubts"]]
    assert (found.verdict, found.worse) == (data["verdict"], data["worse"])


def _read(markdown: str) -> str:
    """The text that a reader of Markdown sees, by CommonMark 0.31 and its tables extension as a library has them."""
    read = []
    for token in MARKS.parse(markdown):
        for part in token.children or ():
            assert part.type in {"text", "text_special", "softbreak", "strong_open", "strong_close"}, part
            read.append(part.content)
    return "".join(read)


def test_alike_parts_are_one_row_with_their_ports() -> None:
    """Drives of one model that came together are counted, and all their ports told; what moved keeps its own row."""
    rows = next(section for section in compare_rows.sections(compared("bench-1-slot-limited", CALM))).rows
    cells = [row.cells for row in rows]
    where = "SLOT1, ports 1 to 4 of 4; port 1 of the card in SLOT3"
    assert ("added", "5 drives Ostrayne Reel 4 2TB", "not there", where, compare_rows.UNMATCHED) == cells[0]
    moved = next(section for section in compare_rows.sections(compared(CALM, "bench-1-misplaced"))).rows
    assert 2 == [row.cells[0] for row in moved].count("moved")


def test_what_is_missing_comes_first() -> None:
    """Of all parts those that nothing replaced stand on top."""
    found = compared("bench-2-other-sets", "bench-2-power-fault")
    ways = [row.way for row in next(compare_rows.sections(found)).rows]
    assert ["worse", "other", "other"] == ways


def test_a_table_says_once_what_matched_its_parts() -> None:
    """What holds for most of those that moved is said below, and beside the others what matched them."""
    found = compared("bench-1-as-planned", "bench-2-lane-errors")
    moved = Counter(part.part.identity for part in found.parts if part.kind == "moved")
    assert 2 == len(moved)
    (usual, _), (other, count) = moved.most_common()
    lines = [line.strip() for line in shown(found, 200).splitlines()]
    assert 1 == lines.count(f"Matched by {usual}.")
    assert count == sum(f"(matched by {other})" in line for line in lines)


@pytest.mark.parametrize("width", [60, 80, 120])
@every_pair
def test_nothing_is_cut_with_dots(pair: tuple[str, str], width: int) -> None:
    """No cell of the page ends in dots that the readings do not have."""
    found = compared(*pair)
    told = " ".join(said(found))
    assert ("..." in told) == ("..." in shown(found, width))


@every_pair
def test_directions_stand_beside_their_rows_as_words(pair: tuple[str, str]) -> None:
    """As many rows are called better, worse and changed in the page as the comparison has."""
    found = compared(*pair)
    tokens = MARKS.parse(compare_markdown.compare(found, "a", "b"))
    first = [tokens[place + 2].content for place, token in enumerate(tokens) if token.type == "tr_open"]
    for direction, word in compare_rows.DIRECTIONS.items():
        told: list[str] = [*(one.direction for one in found.changes), *(one.direction for one in found.findings)]
        assert told.count(direction) == first.count(word)


@every_pair
@pytest.mark.parametrize("width", [40, 60, 80, 100, 200])
def test_the_page_fits_its_width(pair: tuple[str, str], width: int) -> None:
    """No line is wider than the terminal, and none holds a control character."""
    text = shown(compared(*pair), width)
    assert [] == [line for line in text.splitlines() if cell_len(line) > width]
    assert ESCAPES.search(text.encode()) is None


@pytest.mark.parametrize("name", FOLDERS)
def test_nothing_changed_is_all_that_is_said(name: str) -> None:
    """A page of no change is its verdict and the two sources."""
    lines = shown(compared(name, name), 100).splitlines()
    assert "Nothing changed." == lines[0]
    assert "" == lines[1]
    assert lines[2].startswith("Before: ")
    assert "Parts" not in lines


@every_pair
def test_json_is_as_its_schema_says(pair: tuple[str, str]) -> None:
    """The JSON of a comparison holds against its own schema (JSON Schema 2020-12)."""
    schema = schemas.schema("compare")
    data = msgspec.json.decode(encode(compare_data.compare(compared(*pair), "a", "b")))
    assert [] == problems(schema, data, schema)
    assert ("lanewright-compare", 1) == (data["format"], data["version"])


def test_text_of_devices_marks_nothing_up() -> None:
    """Names that would end a table, make a heading, a link or an image in Markdown are shown as they are."""
    markdown = compare_markdown.compare(compared(CALM, "hostile-names"), "a|b", "<img src=x>")
    kinds = {part.type for token in MARKS.parse(markdown) for part in token.children or ()}
    assert kinds <= {"text", "text_special", "softbreak", "strong_open", "strong_close"}
    assert "<img src=x>" in _read(markdown)


# --- The command ---------------------------------------------------------------------------------------------------


def command(*words: str | Path, send: bytes | None = None) -> Run:
    """Run `compare`."""
    return run("compare", *words, send=send)


@pytest.mark.long
@pytest.mark.parametrize(("pair", "status"), PAIRS.items(), ids=str)
def test_the_command_ends_with_1_where_something_got_worse(pair: tuple[str, str], status: int) -> None:
    """0 for nothing worse, 1 for something; the first line is the verdict, or why these may be two machines."""
    done = command(*map(place, pair))
    assert (status, "") == (done.status, done.errors)
    found = compared(*pair)
    start = compare_rows.OTHER_MACHINE if found.other_machine else plain(found.verdict, 1_500)
    assert done.output.startswith(start[:40])
    assert bool(status) == found.worse


def test_the_command_takes_each_form() -> None:
    """--format json and markdown print what the forms make."""
    pair = ("bench-1-slot-limited", "bench-1-upgraded")
    data = msgspec.json.decode(command(*map(place, pair), "--format", "json").output)
    assert compared(*pair).verdict == data["verdict"]
    assert f"{place(pair[0])} (capture)" == data["before"]["source"]
    assert command(*map(place, pair), "--format", "markdown").output.startswith("# Before and after\n\n**The upgrade")


def test_one_side_may_come_from_standard_input() -> None:
    """- reads one of the captures from standard input, on either side; both cannot come from there."""
    content = place(CALM).read_bytes()
    assert 0 == command("-", place(CALM), send=content).status
    assert 0 == command(place(CALM), "-", send=content).status
    assert "standard input can be read only once" in usage_error(command("-", "-", send=content).errors)


def test_a_capture_is_held_against_the_machine_below_a_directory(tmp_path: Path) -> None:
    """BEFORE alone is compared with the live machine, here the files below --root."""
    before = tmp_path / "before.json"
    before.write_bytes(capture_bytes(build(bench_1({"SLOT4": [reel_4("RL4-1")]})), redact=True))
    build(bench_1({"SLOT3": [reel_4("RL4-1")]})).write_below(tmp_path / "root")
    done = command(before, "--root", tmp_path / "root", "--settle", "0", "--format", "json")
    data = msgspec.json.decode(done.output)
    assert (0, ["moved"]) == (done.status, [one["kind"] for one in data["parts"]])
    assert f"files below {tmp_path / 'root'}" == data["after"]["source"]


def test_a_build_sheet_counts_the_planned_drives() -> None:
    """Held against its sheet, the verdict counts planned drives, and what was missing before is cleared."""
    folder = FIXTURES / "bench-1-as-planned"
    done = command(place("bench-1-parts-missing"), place("bench-1-as-planned"), "--against", folder / "sheet.toml")
    start = "The upgrade delivers: 6 of 6 planned drives at full link; the new card at full link;"
    assert done.output.replace("\n", " ").startswith(start)
    assert re.search(r"better +cleared .* fault:", done.output)
    assert 0 == done.status


def test_a_first_machine_that_a_sheet_is_not_for_goes_without(tmp_path: Path) -> None:
    """A sheet is for the machine as it is now: another one before goes without it, another one after is refused."""
    sheet = FIXTURES / "bench-1-as-planned" / "sheet.toml"
    done = command(place("bench-2-worn-riser"), place("bench-1-as-planned"), "--against", sheet)
    assert "planned drives at full link" in done.output.replace("\n", " ")
    refused = command(place("bench-1-as-planned"), place("bench-2-worn-riser"), "--against", sheet)
    assert 2 == refused.status
    assert "the sheet is for the product" in one_line(refused.errors)
    assert [] == list(tmp_path.iterdir())


def test_bad_use_is_refused_in_a_sentence(tmp_path: Path) -> None:
    """A capture that is not there, or is none, and options that do not go together end with 2 and one sentence."""
    gone = command(tmp_path / "none.json", place(CALM))
    assert 2 == gone.status
    assert "none.json" in one_line(gone.errors)
    (tmp_path / "broken.json").write_text("{", encoding="utf-8")
    broken = command(place(CALM), tmp_path / "broken.json")
    assert 2 == broken.status
    assert "broken.json" in one_line(broken.errors)
    both = command(place(CALM), place(CALM), "--root", "/")
    assert 2 == both.status
    assert "--root and AFTER cannot go together" in usage_error(both.errors)


def test_a_machine_of_which_nothing_can_be_read_ends_with_3(tmp_path: Path) -> None:
    """An empty directory in place of the machine is told as that."""
    done = command(place(CALM), "--root", tmp_path)
    assert 3 == done.status
    assert "nothing could be read" in one_line(done.errors)


def test_the_schema_is_printed() -> None:
    """`schema compare` prints the schema of the JSON form."""
    printed = msgspec.json.decode(run("schema", "compare").output)
    assert msgspec.json.decode(encode(schemas.schema("compare"))) == printed


def test_the_sides_of_a_comparison_are_named() -> None:
    """The page says where each side comes from and when it was read."""
    output = command(place(CALM), place("bench-1-misplaced")).output.replace("\n  ", " ")
    for word, name in (("Before", CALM), ("After", "bench-1-misplaced")):
        taken = audit_of(name).facts.taken_at
        when = f"{taken[:10]} {taken[11:16]}"
        assert f"{word}: {place(name)} (capture), bench-1, read {when} UTC" in output


def test_json_and_markdown_load_no_terminal_library() -> None:
    """Forms that need no terminal load nothing of it, nor what asks a live machine, nor sheets that nobody gave."""
    for form in ("json", "markdown"):
        status, names = loaded("compare", str(place(CALM)), str(place(CALM)), "--format", form)
        assert 0 == status
        assert [] == [one for one in ("rich", "psutil", "pyudev", "agent.sheets", "agent.planner") if one in names]
