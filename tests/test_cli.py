"""The program as its users run it: exit statuses, streams, widths, signals, forms that agree. Each run is a process."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from click.testing import CliRunner
from msgspec import Struct
from rich.cells import cell_len

from agent import __version__
from agent.audit import audit, only_at
from agent.cli import SCHEMAS, main
from agent.model.findings import Severity, Verdict
from agent.report import data, drive_words
from agent.report.link_names import called, names
from agent.report.words import title
from agent.source import Source
from knowledge.phrasing import celsius_text, plain
from knowledge.problems import BadInput
from probes import collect
from probes.answers import failed
from probes.capture import CaptureFile, load_file
from probes.reads import Recorded
from tests.build import build, capture_bytes
from tests.json_schema import problems
from tests.judging import tower
from tests.machines import CAPTURED, FIXTURES
from tests.parts import Function, Machine, Nvme, Slot, drive, root_port

if TYPE_CHECKING:
    from collections.abc import Mapping

    from agent.source import Clock
    from probes.facts import Facts
    from tests.tree import Tree

HERE: Final = Path(__file__).resolve().parent.parent
COMMANDS: Final = ("check", "inventory", "capture", "plan", "schema")
ESCAPES: Final = re.compile(rb"[\x00-\x08\x0b-\x1f\x7f]|\xc2[\x80-\x9f]")  # all control characters but tab and newline
PATIENCE: Final = 180.0
NARROW: Final = FIXTURES / "bench-2-worn-riser" / "capture.json"
CALM: Final = FIXTURES / "bench-1-upgraded" / "capture.json"
LIMITED: Final = FIXTURES / "bench-1-slot-limited" / "capture.json"
RESTING: Final = FIXTURES / "bench-3-idle" / "capture.json"
UNKNOWN: Final = FIXTURES / "bench-3-two-ends" / "capture.json"


def load_facts(machine: str) -> Facts:
    """The facts of a machine of the fixtures."""
    return Source(str(FIXTURES / machine / "capture.json"), None, "", unasked).facts(0.0)


def unasked() -> Clock:
    """No clock: a replay takes no time."""
    raise AssertionError


class Run(Struct, frozen=True):
    """What became of one run."""

    status: int
    output: str
    errors: str


def environment(**more: str) -> dict[str, str]:
    """A plain environment: no terminal, no colour wish of whoever runs the tests."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in {"PATH", "HOME", "LANG", "PYTHONPATH", "XDG_DATA_HOME"}
    }
    return {**kept, **more}


def run(*words: str | Path, send: bytes | None = None, env: Mapping[str, str] | None = None) -> Run:
    """Run the program with these arguments; `send` is its standard input."""
    done = subprocess.run(
        [sys.executable, "-m", "agent", *map(str, words)],
        cwd=HERE,
        env=environment(**(env or {})),
        input=b"" if send is None else send,
        capture_output=True,
        check=False,
        timeout=PATIENCE,
    )
    return Run(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))


def replay(command: str, place: Path | str, *words: str, env: Mapping[str, str] | None = None) -> Run:
    """Run a command on a capture."""
    return run(command, "--replay", place, *words, env=env)


def one_line(errors: str) -> str:
    """The one sentence on standard error; fails where there is more, or a traceback."""
    lines = errors.splitlines()
    assert 1 == len(lines)
    assert lines[0].startswith("lanewright: ")
    return lines[0]


def usage_error(errors: str) -> str:
    """The one sentence on wrong words, below how the command is used; a list of choices in it may take more lines."""
    assert "Traceback" not in errors
    usage, told = errors.strip().split("\n\n")
    assert "agent" in usage.splitlines()[0]
    return " ".join(told.split())


def not_named(told: str, errors: str) -> list[str]:
    """Which of these names and values, with blanks between them, the one sentence on wrong words lacks."""
    sentence = usage_error(errors)
    return [word for word in told.split() if not re.search(rf"(?<![\w-]){re.escape(word)}(?!\w)", sentence)]


@cache
def shown(name: str, command: str = "check", form: str = "text", columns: str = "80", more: str = "") -> Run:
    """A fixture in one form, read once, and in this process for speed; its streams are kept apart all the same."""
    words = [command, "--replay", str(FIXTURES / name / "capture.json"), "--format", form, *more.split()]
    done = CliRunner().invoke(main, words, env={"COLUMNS": columns, "NO_COLOR": "1"})
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return Run(done.exit_code, done.stdout, done.stderr)


@pytest.mark.parametrize("form", ["text", "json"])
@pytest.mark.parametrize("command", ["check", "inventory"])
def test_a_run_in_this_process_is_like_any_other(command: str, form: str) -> None:
    """What the tests below read in this process is what a process of its own prints."""
    name = "bench-2-worn-riser"
    own = replay(command, FIXTURES / name / "capture.json", "--format", form)
    here = shown(name, command, form)
    assert (own.status, own.output, own.errors) == (here.status, here.output.replace("\r\n", "\n"), here.errors)


@pytest.fixture(scope="module")
def rooted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory that holds the files of a machine with a narrow and a full link."""
    place = tmp_path_factory.mktemp("root")
    ports = [
        root_port("01.0", (4, 16), [drive((4, 4))], slot=Slot(number=1), now=(4, 2)),
        root_port("02.0", (4, 4), [drive((4, 4))], slot=Slot(number=2)),
    ]
    build(Machine(name="bench-9", buses={"0000:00": ports})).write_below(place)
    return place


# --- Exit status ---------------------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize(
    ("place", "statuses"),
    [
        # --fail-on fault, limit, note, unknown
        (NARROW, (1, 1, 1, 1)),
        (CALM, (0, 0, 0, 0)),
        (LIMITED, (0, 1, 1, 1)),
        (RESTING, (0, 0, 1, 1)),
        (UNKNOWN, (0, 0, 0, 1)),
    ],
    ids=lambda value: value.parent.name if isinstance(value, Path) else "",
)
def test_check_ends_with_1_for_what_is_as_bad_or_worse(place: Path, statuses: tuple[int, ...]) -> None:
    """Severities go fault, limit, note, unknown; --fail-on names the least bad one that counts."""
    levels = ("fault", "limit", "note", "unknown")
    assert statuses == tuple(replay("check", place, "--fail-on", level).status for level in levels)
    assert statuses[0] == replay("check", place).status


@pytest.mark.parametrize("form", ["text", "json"])
def test_the_form_does_not_change_the_status(form: str) -> None:
    """Text and JSON end alike."""
    assert 1 == shown("bench-2-worn-riser", form=form).status
    assert 0 == shown("bench-1-upgraded", form=form).status


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("check", "--bogus"), "--bogus"),
        (("check", "--fail-on", "ok"), "--fail-on ok"),
        (("check", "--fail-on", "warning"), "--fail-on warning"),
        (("check", "--format", "xml"), "--format xml"),
        (("check", "--settle", "-1"), "--settle -1"),
        (("check", "--settle", "601"), "--settle 601"),
        (("check", "--settle", "soon"), "--settle soon"),
        (("check", "--settle", "nan"), "--settle nan"),
        (("check", "--settle", "inf"), "--settle inf"),
        (("check", "extra"), "extra"),
        (("check", "--root", "/no/such/directory"), "--root /no/such/directory"),
        (("check", "--root", "/etc/passwd"), "--root /etc/passwd"),
        (("check", "--replay", str(CALM), "--root", "/"), "--replay --root"),
        (("inventory", "--replay", str(CALM), "--root", "/"), "--replay --root"),
        (("capture", "x.json", "--replay", str(CALM), "--root", "/"), "--replay --root"),
        (("capture",), "FILE"),
        (("capture", "a", "b"), "b"),
        (("schema",), "candidates capture check"),
        (("schema", "report"), "report"),
        (("nonsense",), "nonsense"),
    ],
    ids=lambda words: " ".join(words) if isinstance(words, tuple) else "",
)
def test_wrong_words_end_with_2_and_one_sentence(words: tuple[str, ...], told: str) -> None:
    """Bad use is status 2, a usage line, one sentence that names what was wrong, and nothing on standard output."""
    done = run(*words)
    assert (2, "") == (done.status, done.output)
    assert [] == not_named(told, done.errors)


@pytest.mark.parametrize("command", ["check", "inventory"])
@pytest.mark.parametrize(
    "content", [None, b"", b"{}", b"nonsense", b"\x1f\x8b", b"\xff\xfe", b'{"format":"lanewright-check","version":1}']
)
def test_a_file_that_is_no_capture_ends_with_2_and_one_line(
    command: str, content: bytes | None, tmp_path: Path
) -> None:
    """A missing, empty or foreign file is one sentence that names it, without a traceback."""
    place = tmp_path / "x.json"
    if content is not None:
        place.write_bytes(content)
    done = replay(command, place)
    assert (2, "") == (done.status, done.output)
    assert "x.json" in one_line(done.errors)


def test_a_folder_in_place_of_a_capture_ends_with_2(tmp_path: Path) -> None:
    """A directory, a pipe, a device: none is a capture, and none is waited for."""
    os.mkfifo(tmp_path / "pipe")
    for place in (tmp_path, tmp_path / "pipe", Path("/dev/zero"), Path("/dev/null")):
        done = replay("check", place)
        assert 2 == done.status
        assert one_line(done.errors)


def test_nothing_read_ends_with_3(tmp_path: Path) -> None:
    """Where there are no files of a machine at all, nothing was read: status 3, in a sentence, for every command."""
    for words in (("check",), ("inventory",), ("capture", tmp_path / "x.json"), ("check", "--format", "json")):
        done = run(*words, "--root", tmp_path / ".")
        assert (3, "") == (done.status, done.output)
        assert "nothing could be read" in one_line(done.errors)
    assert [] == list(tmp_path.iterdir())


def test_a_machine_without_functions_is_no_failure(tmp_path: Path) -> None:
    """A machine whose list of functions is there and empty was read: it says that it has no link, status 0."""
    (tmp_path / "sys/bus/pci/devices").mkdir(parents=True)
    done = run("check", "--root", tmp_path)
    assert 0 == done.status
    assert "No PCI Express link" in done.output


def test_an_empty_capture_ends_with_3() -> None:
    """A capture without a list of devices holds nothing of a machine."""
    empty = {"format": "lanewright-capture", "version": 1, "platform": "linux", "taken_at": "2026-03-02T09:00:00Z"}
    content = msgspec.json.encode({**empty, "agent": "0.1.0", "redacted": True, "reads": {}, "samples": []})
    done = run("check", "--replay", "-", send=content)
    assert 3 == done.status
    assert "not in this capture" in one_line(done.errors)


# --- Where the readings come from ----------------------------------------------------------------------------------


def test_standard_input_is_a_capture() -> None:
    """`-` reads the capture from standard input, packed or not, with the same result as from the file."""
    import gzip

    content = NARROW.read_bytes()
    expected = replay("check", NARROW, "--format", "json")
    for sent in (content, gzip.compress(content)):
        done = run("check", "--replay", "-", "--format", "json", send=sent)
        assert (expected.status, expected.output) == (done.status, done.output)


def test_an_empty_standard_input_ends_with_2() -> None:
    """Nothing sent is nothing to read."""
    done = run("check", "--replay", "-")
    assert 2 == done.status
    assert "standard input is empty" in one_line(done.errors)


def test_a_root_a_capture_of_it_and_standard_input_agree(rooted: Path, tmp_path: Path) -> None:
    """Files below a root give the same audit as the capture made of them."""
    place = tmp_path / "x.json.gz"
    assert 0 == run("capture", place, "--root", rooted, "--settle", "0").status
    live = msgspec.json.decode(run("check", "--root", rooted, "--settle", "0", "--format", "json").output)
    kept = msgspec.json.decode(replay("check", place, "--format", "json").output)
    for one in (live, kept):
        one.pop("taken_at")
        one.pop("host")  # the host's name is a token in a capture
        for fitted in one["drives"]:
            fitted.pop("serial")
    assert live == kept
    assert ["narrow", "full"] == [link["verdict"] for link in live["links"]]


def test_below_best_is_looked_at_again(rooted: Path, tmp_path: Path) -> None:
    """With --settle a link below its best is looked at again within that time, and the looks are in the capture."""
    place = tmp_path / "x.json"
    begin = time.monotonic()
    assert 0 == run("capture", place, "--root", rooted, "--settle", "0.4").status
    assert time.monotonic() - begin >= 0.4
    offsets = [offset for offset, _ in load_file(str(place)).samples]
    assert 6 == len(offsets)
    assert offsets == sorted(offsets)
    assert 0 < offsets[0] < 0.4 <= offsets[-1]
    found = msgspec.json.decode(replay("check", place, "--format", "json").output)
    assert [6, 0] == [len(link["looks"]) for link in found["links"]]


def test_nothing_below_best_is_nothing_to_wait_for(tmp_path: Path) -> None:
    """A machine at its best is looked at once, however long --settle is."""
    build(tower(drive((4, 4)))).write_below(tmp_path)
    done = run("check", "--root", tmp_path, "--settle", "600")  # longer than `run` waits
    assert 0 == done.status


def test_this_very_machine_is_read() -> None:
    """A live run on the machine that runs the tests ends with 0 and says what it saw."""
    for words in (("check", "--settle", "0"), ("inventory",)):
        done = run(*words)
        assert (0, "") == (done.status, done.errors)
        assert "this machine" in done.output
    found = msgspec.json.decode(run("check", "--settle", "0", "--format", "json").output)
    assert ("lanewright-check", sys.platform) == (found["format"], found["platform"])


# --- A part of the machine -----------------------------------------------------------------------------------------


def parts(only: str, place: Path = CALM, command: str = "check") -> dict[str, Any]:
    """The JSON of one part of a machine."""
    done = replay(command, place, "--format", "json", "--only", only)
    assert "" == done.errors
    found: dict[str, Any] = msgspec.json.decode(done.output)
    return found


@pytest.mark.parametrize(
    ("only", "links", "drives"),
    [
        ("SLOT2", ["0000:00:05.0"], []),  # a slot
        ("slot2", ["0000:00:05.0"], []),
        ("slot SLOT2", ["0000:00:05.0"], []),
        ("0000:00:05.0", ["0000:00:05.0"], []),  # its port
        ("0000:05:00.0", ["0000:00:05.0"], []),  # its card
        ("0000:05:00.1", ["0000:00:05.0"], []),  # the card's second function
        ("SLOT3", ["0000:00:1b.0", "0000:08:00.0"], ["nvme5"]),  # a carrier, with the drive on it
        ("101", ["0000:00:1b.0", "0000:08:00.0"], ["nvme5"]),  # its bay, and the hop above it
        ("nvme5", ["0000:00:1b.0", "0000:08:00.0"], ["nvme5"]),  # the drive, with its whole path
        ("0000:09:00.0", ["0000:00:1b.0", "0000:08:00.0"], ["nvme5"]),
        ("M2_2", ["0000:00:1b.4"], []),  # an empty socket
        ("sda", [], ["sda"]),
        ("0000:00:17.0", [], ["sda", "sdb"]),  # the controller of the disks
        ("0000:00:14.0", [], []),  # a function without a link
    ],
)
def test_only_shows_a_part_by_any_of_its_names(only: str, links: list[str], drives: list[str]) -> None:
    """Slot, port, card, function and drive each name their part, and nothing else is shown."""
    found = parts(only)
    assert (links, drives) == ([one["port"] for one in found["links"]], [one["name"] for one in found["drives"]])


def test_only_shows_the_findings_of_its_part() -> None:
    """Findings of other parts are left out, those of the part are all there, and the exit status goes by them."""
    found = parts("PCIE1", NARROW)
    whole = msgspec.json.decode(shown("bench-2-worn-riser", form="json").output)["findings"]
    assert [one for one in whole if one["subject"] in {"0000:01:00.0", "0000:00:01.0"}] == found["findings"]
    assert "link-narrow" in {one["rule"] for one in found["findings"]}
    assert 1 == replay("check", NARROW, "--only", "PCIE1").status
    assert 0 == replay("check", NARROW, "--only", "PCIE2").status
    assert [] == parts("PCIE2", NARROW)["findings"]


OTHER_SETS: Final = FIXTURES / "bench-2-other-sets" / "capture.json"


@pytest.mark.parametrize(
    ("only", "sets"),
    [
        ("nvme0", ["md10", "md13"]),  # at work in it
        ("nvme2", ["md11", "md13"]),  # in it, and no more active
        ("MD13", ["md13"]),  # the set itself
        ("nvme3", ["md12"]),
    ],
)
def test_what_threatens_a_set_is_told_of_each_of_its_drives(only: str, sets: list[str]) -> None:
    """A drive shows its sets, active in them or not, with their findings; the exit status goes by them."""
    found = parts(only, OTHER_SETS)
    assert sets == [one["name"] for one in found["stripes"]]
    assert ("md13" in sets) == ("stripe-degraded" in {one["rule"] for one in found["findings"]})
    assert ("md13" in sets) == replay("check", OTHER_SETS, "--only", only).status


def test_a_set_shows_its_drives() -> None:
    """A set comes with all of its drives, and the one that is not active is not left out."""
    assert ["nvme0", "nvme1", "nvme2"] == [one["name"] for one in parts("md13", OTHER_SETS)["drives"]]


@pytest.mark.parametrize("machine", ["bench-1-parts-missing", "bench-2-other-sets", "tower-3-tunnelled-dock"])
def test_only_takes_each_name_that_pages_print(machine: str) -> None:
    """Whatever a page calls a link by, with a port of a split slot or of a card, names that link."""
    whole = audit(load_facts(machine))
    for key, told in called(whole).items():
        for name in told:
            assert key in {judged.link.key for judged in only_at(whole, name.upper(), called(whole)).links}


def test_a_port_of_a_split_slot_is_one_link_and_keeps_its_name() -> None:
    """One port of four is shown alone, and is called as among all four."""
    whole = audit(load_facts("bench-1-parts-missing"))
    port = only_at(whole, "SLOT1 port 3", called(whole))
    assert ["0000:00:01.2"] == [judged.port_address for judged in port.links]
    assert names(whole) == names(port)
    assert len(set(names(whole).values())) == len(whole.links)


def test_an_unknown_part_is_answered_with_the_names_that_can_be_asked_for() -> None:
    """The slots of a message are called as in the table, so that each of them can be typed; sets are named too."""
    whole = audit(load_facts("bench-1-parts-missing"))
    with pytest.raises(BadInput) as refused:
        only_at(whole, "SLOT99", called(whole))
    assert "SLOT1 port 3" in str(refused.value)
    sets = audit(load_facts("bench-2-other-sets"))
    with pytest.raises(BadInput) as refused:
        only_at(sets, "SLOT99", called(sets))
    assert "md13" in str(refused.value)


def test_a_disk_without_a_link_is_told_with_what_is_known_of_it() -> None:
    """Of a disk alone its model, its temperature and what decides its rate are told, not its controller alone."""
    place = FIXTURES / "bench-2-failing-drives" / "capture.json"
    told = " ".join(replay("check", place, "--only", "sda").output.split())
    (disk,) = [seen for seen in audit(load_facts("bench-2-failing-drives")).drives if seen.drive.name == "sda"]
    assert isinstance(disk.celsius, float)
    for word in (disk.drive.model, celsius_text(disk.celsius), drive_words.without_rates(disk)):
        assert word
        assert str(word) in told


def test_a_machine_is_this_one_only_where_it_was_read_live() -> None:
    """A capture that has no host name is not called the machine that the reader sits at."""
    nameless = FIXTURES / "tower-3-tunnelled-dock" / "capture.json"
    for command in ("check", "inventory"):
        for form in ("text", "markdown"):
            assert "this machine" not in replay(command, nameless, "--format", form).output
    found = audit(load_facts("tower-3-tunnelled-dock"))
    live, recorded = (title(found, source)[0] for source in ("this machine", "x.json (capture)"))
    assert ("this machine", True) == (live, recorded != live)


def test_the_inventory_of_a_part_is_of_that_part() -> None:
    """Functions, slots and drives of other parts are not listed, and nothing is said of them."""
    found = parts("SLOT4", command="inventory")
    assert ["SLOT4"] == [one["name"] for one in found["slots"]]
    assert {"0000:00:1d.0", "0000:0e:00.0", "0000:0e:00.1"} == {one["address"] for one in found["functions"]}
    assert [] == found["drives"]
    text = replay("inventory", CALM, "--only", "SLOT4").output
    assert "not matched" not in text
    assert "SLOT1" not in text


def test_a_part_without_a_link_is_not_a_machine_without_links() -> None:
    """Of a part without a link it is said that the part has none, never that the machine has none."""
    for only in ("sda", "0000:00:14.0", "M2_2"):
        text = replay("check", CALM, "--only", only).output
        assert f"belongs to {only}." in text
        assert "visible on this machine" not in text
    dark = replay("check", FIXTURES / "bench-3-dark-slot" / "capture.json", "--only", "J2")
    assert 1 == dark.status
    assert dark.output.startswith("1 fault: slot J2 ")


@pytest.mark.long
@pytest.mark.parametrize("only", ["SLOT99", "", " ", "0000:ff:00.0", "nvme", "\x1b[31m", "None", "x" * 5000])
@pytest.mark.parametrize("command", ["check", "inventory"])
def test_a_part_that_is_not_there_ends_with_2_and_one_line(only: str, command: str) -> None:
    """An unknown name is one sentence that lists the slots, harmless whatever the name."""
    done = replay(command, CALM, "--only", only)
    assert (2, "") == (done.status, done.output)
    line = one_line(done.errors)
    assert not ESCAPES.search(line.encode())
    assert len(line) < 1000


# --- What is shown -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(CAPTURED))
def test_text_and_json_show_every_finding_with_the_same_severity(name: str) -> None:
    """No form leaves out a finding or gives it another weight; those that ask nothing have a place of their own."""
    found = msgspec.json.decode(shown(name, form="json").output, type=data.CheckData)
    page = shown(name, columns="500", more="--full").output
    text = re.sub(r"\s+", " ", page)
    for one in found.findings:
        if one.severity == "ok":
            assert "Firmware on record" in text
        elif one.rule == "needs-root":
            assert "What root would add" in text
        else:
            headline = re.sub(r"\s+", " ", plain(one.headline, 400))
            assert f"{one.severity.upper()} {headline}".lower() in text.lower()
    for severity in (one for one in Severity if one is not Severity.OK):
        count = sum(one.severity == severity and one.rule != "needs-root" for one in found.findings)
        assert count == len(re.findall(rf"^   {severity.value.upper()} ", page, re.MULTILINE))


def short(address: str | None) -> str:
    """An address as a table has it where all are in segment 0."""
    return str(address).removeprefix("0000:")


@pytest.mark.parametrize("name", sorted(CAPTURED))
def test_text_shows_every_link_with_its_verdict_and_worst_first(name: str) -> None:
    """Each card has its line with its verdict; faults stand above limits, limits above what is well."""
    found = msgspec.json.decode(shown(name, form="json").output, type=data.CheckData)
    lines = shown(name, columns="200", more="--full").output.splitlines()
    fitted = [link for link in found.links if link.device is not None]
    verdicts = []
    for line in lines:
        words = line.split()
        if line.startswith("  ") and words and words[0] in {str(one) for one in Verdict}:
            verdicts.append(words[0])
            shown_here = [link for link in fitted if short(link.device) in words]
            assert all(link.verdict == words[0] for link in shown_here)
    for link in fitted:
        assert any(line.split()[:1] == [link.verdict] and short(link.device) in line for line in lines)
    ranks = [Verdict(verdict).severity.rank for verdict in verdicts]
    empty = [rank for rank, verdict in zip(ranks, verdicts, strict=True) if verdict not in {"empty", "unknown"}]
    assert empty == sorted(empty)


@pytest.mark.parametrize("command", ["check", "inventory"])
@pytest.mark.parametrize("width", [40, 60, 80, 100, 200])
@pytest.mark.parametrize(
    "name", ["bench-1-slot-limited", "bench-2-noisy-link", "bench-3-swap-wanted", "guest-passthrough", "hostile-names"]
)
def test_text_keeps_to_the_width(name: str, width: int, command: str) -> None:
    """No line is wider than COLUMNS says, wide characters counted as two; a wider terminal is used."""
    done = shown(name, command, columns=str(width))
    widest = max(cell_len(line) for line in done.output.splitlines())
    assert widest <= width
    assert widest > 0.7 * min(width, 100)


def test_a_pipe_is_80_columns_wide() -> None:
    """Without a terminal and without COLUMNS a page is 80 columns wide; absurd widths do no harm."""
    plain = replay("check", NARROW).output
    assert plain == replay("check", NARROW, env={"COLUMNS": "80"}).output
    for columns in ("0", "-5", "x", "", "1", "100000"):
        done = replay("check", NARROW, env={"COLUMNS": columns})
        assert (1, "") == (done.status, done.errors)
        assert "narrow" in done.output


@pytest.mark.long
@pytest.mark.parametrize("command", ["check", "inventory"])
@pytest.mark.parametrize("form", ["text", "json"])
@pytest.mark.parametrize("env", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}, {"TERM": "xterm-256color"}], ids=str)
def test_what_is_piped_holds_no_escape_sequence(command: str, form: str, env: dict[str, str]) -> None:
    """Piped output is plain text, also of a machine whose parts have escape sequences for names."""
    place = FIXTURES / "hostile-names" / "capture.json"
    done = replay(command, place, "--format", form, env=env)
    assert None is ESCAPES.search(done.output.encode("utf-8"))
    assert "" == done.errors


def on_terminal(*words: str | Path, env: Mapping[str, str]) -> bytes:
    """What the program writes to a terminal (a pseudo-terminal of 100 columns)."""
    import pty
    import termios

    reader, writer = pty.openpty()
    termios.tcsetwinsize(writer, (40, 100))
    process = subprocess.Popen(
        [sys.executable, "-m", "agent", *map(str, words)],
        cwd=HERE,
        env=environment(**env),
        stdin=subprocess.DEVNULL,
        stdout=writer,
        stderr=writer,
    )
    os.close(writer)
    found = bytearray()
    try:
        while part := os.read(reader, 65536):
            found += part
    except OSError:  # the other end is closed
        pass
    os.close(reader)
    process.wait(PATIENCE)
    return bytes(found)


def test_a_terminal_gets_colour_unless_it_is_not_wanted() -> None:
    """On a terminal the verdicts are coloured; with NO_COLOR set there is no colour (no-color.org), the words stay."""
    term = {"TERM": "xterm-256color"}
    coloured = on_terminal("check", "--replay", NARROW, env=term)
    plain = on_terminal("check", "--replay", NARROW, env={**term, "NO_COLOR": "1"})
    assert re.search(rb"\x1b\[[0-9;]*31m", coloured)  # red: ECMA-48, SGR 31
    assert None is re.search(rb"\x1b\[[0-9;]*3[0-7]m", plain)
    assert b"narrow" in plain

    def words(raw: bytes) -> list[bytes]:
        return re.sub(rb"\x1b\[[0-9;]*m", b"", raw).split()

    assert words(coloured) == words(plain)


def test_names_of_parts_do_not_act_on_a_terminal() -> None:
    """On a terminal only colours are written, whatever a part calls itself."""
    raw = on_terminal("check", "--replay", FIXTURES / "hostile-names" / "capture.json", env={"TERM": "xterm-256color"})
    left = re.sub(rb"\x1b\[[0-9;]*m", b"", raw).replace(b"\r\n", b"\n")
    assert None is ESCAPES.search(left)


def test_progress_goes_to_a_terminal_only(rooted: Path) -> None:
    """While links are looked at again, a terminal is told so; a pipe is not."""
    words = ("check", "--root", rooted, "--settle", "0.1")
    assert b"Looking again" in on_terminal(*words, env={"TERM": "dumb"})
    assert "" == run(*words).errors


@pytest.mark.parametrize(
    "env", [{"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}, {"PYTHONIOENCODING": "ascii"}]
)
def test_a_terminal_that_knows_only_ascii_gets_ascii(env: dict[str, str]) -> None:
    """Letters that the output cannot take come out as escapes, not as a traceback."""
    done = replay("inventory", FIXTURES / "hostile-names" / "capture.json", env=env)
    assert (0, "") == (done.status, done.errors)
    assert done.output.isascii()


def test_the_version_is_the_packages() -> None:
    """--version says the name and the version, and nothing else."""
    assert Run(0, f"lanewright {__version__}\n", "") == run("--version")


@pytest.mark.parametrize("words", [(), *((command,) for command in COMMANDS)], ids=lambda words: " ".join(words) or "-")
@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_every_command_has_help(words: tuple[str, ...], flag: str) -> None:
    """Help names every option with a sentence, and ends with 0."""
    done = run(*words, flag)
    assert (0, "") == (done.status, done.errors)
    assert done.output.startswith("Usage: ")
    assert "--help" in done.output
    expected = {
        "check": ("--replay", "--root", "--format", "--settle", "--fail-on", "--only", "--against"),
        "inventory": ("--replay", "--root", "--format", "--only"),
        "capture": ("--replay", "--root", "--format", "--settle", "--keep-serials", "--force"),
        "plan": (
            *("--new", "--template", "--sheet-from", "--add", "--drives", "--compare", "--seconds", "--write"),
            *("--force", "--kinds"),
        ),
    }
    for option in expected.get(words[0] if words else "", ()):
        assert option in done.output


def test_help_of_the_program_lists_all_commands() -> None:
    """The first help names each command."""
    assert [] == [command for command in COMMANDS if f"\n  {command} " not in run("--help").output]


def test_without_a_command_there_is_help() -> None:
    """No command is bad use: status 2, and the list of commands."""
    done = run()
    assert 2 == done.status
    assert "check" in done.output + done.errors


@pytest.mark.parametrize("group", [(), ("notes",)])
def test_the_first_help_has_its_lines(group: tuple[str, ...]) -> None:
    """Without a command, or one of notes, each line of the help is a line, as it is with --help."""
    first, asked = run(*group), run(*group, "--help")
    assert asked.output.split("\n") == (first.output + first.errors).split("\n")
    assert len(asked.output.splitlines()) > 10


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_can_complete(shell: str) -> None:
    """The installed program gives a shell's completion script as click makes it, and completes commands and options."""
    program = shutil.which("lanewright", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}")
    start = [program] if program else [sys.executable, "-c", "from agent.cli import main; main(prog_name='lanewright')"]

    def completed(**env: str) -> str:
        done = subprocess.run(
            start, cwd=HERE, env=environment(**env), capture_output=True, check=False, timeout=PATIENCE
        )
        return done.stdout.decode("utf-8")

    if shell == "bash" and shutil.which("bash") is None:
        pytest.skip("no bash on this machine")
    assert "lanewright" in completed(_LANEWRIGHT_COMPLETE=f"{shell}_source")
    words = {"COMP_WORDS": "lanewright che", "COMP_CWORD": "1" if shell != "fish" else "che"}
    assert "check" in completed(_LANEWRIGHT_COMPLETE=f"{shell}_complete", **words)
    words = {"COMP_WORDS": "lanewright check --fail-on ", "COMP_CWORD": "3" if shell != "fish" else ""}
    answer = completed(_LANEWRIGHT_COMPLETE=f"{shell}_complete", **words)
    assert [] == [level for level in ("fault", "limit", "note", "unknown") if level not in answer]


# --- Schemas -------------------------------------------------------------------------------------------------------


@cache
def schema(name: str) -> dict[str, Any]:
    """A schema as the program prints it."""
    done = run("schema", name)
    assert (0, "") == (done.status, done.errors)
    found: dict[str, Any] = msgspec.json.decode(done.output)
    return found


@pytest.mark.parametrize("command", ["check", "inventory"])
@pytest.mark.parametrize("name", sorted(CAPTURED))
def test_outputs_are_as_their_schema_says(name: str, command: str) -> None:
    """What check and inventory print is valid by the schema that the program prints, and decodes strictly."""
    output = shown(name, command, "json").output
    assert [] == problems(schema(command), msgspec.json.decode(output), schema(command))
    form: Any = {"check": data.CheckData, "inventory": data.InventoryData}[command]
    assert f"lanewright-{command}" == msgspec.json.decode(output, type=form).format


@pytest.mark.parametrize("name", ["bench-1-upgraded", "bench-3-idle", "hostile-names"])
def test_captures_are_as_their_schema_says(name: str) -> None:
    """A capture is valid by the schema that the program prints."""
    content = (FIXTURES / name / "capture.json").read_bytes()
    assert [] == problems(schema("capture"), msgspec.json.decode(content), schema("capture"))
    assert "linux" == msgspec.json.decode(content, type=CaptureFile).platform


@pytest.mark.parametrize("name", ["check", "inventory", "capture"])
def test_a_schema_refuses_what_is_none(name: str) -> None:
    """The check above can fail: another form, a missing key, a value of another type."""
    assert [] != problems(schema(name), {"format": "lanewright-other"}, schema(name))
    assert [] != problems(schema(name), [], schema(name))
    if name == "check":
        whole = msgspec.json.decode(shown("bench-1-upgraded", form="json").output)
        assert [] != problems(schema(name), {**whole, "version": "1"}, schema(name))
        whole["links"][0].pop("verdict")
        assert [] != problems(schema(name), whole, schema(name))


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_object_and_key_of_a_schema_has_a_title(name: str) -> None:
    """Each object is named by what it is, no two alike, and each key in words with its unit and no underscore."""
    made = schema(name)
    objects = [one["title"] for one in made["$defs"].values()]
    keys = [value["title"] for one in made["$defs"].values() for value in one.get("properties", {}).values()]
    assert keys
    assert len(objects) == len(set(objects))
    assert [] == [title for title in (*objects, *keys) if not title or "_" in title or title != title.strip()]


def test_a_title_has_the_unit_of_its_key() -> None:
    """A key that ends in a unit has it in its title."""
    keys = schema("check")["$defs"]["DriveData"]["properties"]
    assert ("MB/s", "degrees Celsius") == tuple(
        keys[key]["title"].rpartition(", ")[2] for key in ("alone_mbps", "warning_celsius")
    )


@pytest.mark.parametrize("name", sorted(CAPTURED))
def test_the_head_of_the_json_of_check_sums_up_the_rest(name: str) -> None:
    """Worst severity and counts are those of the findings and verdicts below; the exit status follows the worst."""
    done = shown(name, form="json")
    found = msgspec.json.decode(done.output)
    assert ["format", "version", "answer", "worst", "counts"] == [*found][:5]
    told = [Severity(one["severity"]) for one in found["findings"]]
    assert {level: told.count(Severity(level)) for level in found["counts"]} == found["counts"]
    assert {*Severity} - {Severity.OK} == {Severity(level) for level in found["counts"]}
    worst = Severity(found["worst"])
    assert worst.rank <= min((level.rank for level in told), default=Severity.OK.rank)
    assert (done.status == 1) == (worst is Severity.FAULT)
    assert found["answer"].isprintable()
    assert found["answer"] == " ".join(shown(name).output.split("\n\n")[0].split())[: len(found["answer"])]


def test_what_could_not_be_read_is_never_well_in_the_head_of_the_json() -> None:
    """Of a machine of which a reading failed that may hide a fault, the worst severity is not "ok"."""
    kept = load_file(str(CALM))
    reads = {**kept.reads, "list /sys/class/nvme": failed("list /sys/class/nvme", "EIO")}
    seen = audit(collect(Recorded(reads, kept.platform), (), kept.taken_at))
    assert "ok" == data.check(audit(collect(Recorded(kept.reads, kept.platform), (), kept.taken_at))).worst
    assert seen.blind
    assert "unknown" == data.check(seen).worst


def test_the_json_of_check_has_the_keys_of_the_design() -> None:
    """The keys that others rely on within version 1 are all there."""
    found = msgspec.json.decode(shown("bench-2-worn-riser", form="json").output)
    assert {"format", "version", "taken_at", "platform", "host", "links", "drives", "findings", "unread"} <= set(found)
    link = {"port", "device", "slot", "what", "now", "port_can", "device_can", "best", "verdict", "severity", "mbps"}
    assert link <= set(found["links"][0])
    assert {"gtps", "width"} == set(found["links"][0]["now"])
    drive_keys = {
        "address",
        "model",
        "firmware",
        "celsius",
        "warning_celsius",
        "alone_mbps",
        "together_mbps",
        "narrowest_hop",
    }
    assert drive_keys <= set(found["drives"][0])
    finding = next(one for one in found["findings"] if one["rule"] == "link-narrow")
    assert {"rule", "severity", "subject", "headline", "evidence", "steps"} <= set(finding)
    assert {"source", "read", "expected"} == set(finding["evidence"][0])
    assert {"action", "text", "cautions", "gain_mbps", "verify"} <= set(finding["steps"][0])
    assert ("lanewright-check", 1) == (found["format"], found["version"])


# --- capture -------------------------------------------------------------------------------------------------------


def test_a_capture_is_not_overwritten_without_force(rooted: Path, tmp_path: Path) -> None:
    """A file that exists stays as it is, and is refused before anything is read; --force replaces it."""
    place = tmp_path / "x.json"
    place.write_bytes(b"mine")
    done = run("capture", place, "--root", rooted, "--settle", "600")  # longer than `run` waits
    assert (2, b"mine") == (done.status, place.read_bytes())
    assert "--force" in one_line(done.errors)
    assert 0 == run("capture", place, "--root", rooted, "--settle", "0", "--force").status
    assert b"lanewright-capture" in place.read_bytes()
    assert ["x.json"] == [one.name for one in tmp_path.iterdir()]


@pytest.mark.parametrize("place", ["/sys/x.json", "/proc/x.json", "/dev/x.json", "no/such/folder/x.json", "."])
def test_a_place_where_nothing_may_be_written_ends_with_2(rooted: Path, place: str) -> None:
    """Folders of the kernel, folders that are not there, folders themselves: one sentence."""
    done = run("capture", place, "--root", rooted, "--settle", "0")
    assert (2, "") == (done.status, done.output)
    assert one_line(done.errors)


@pytest.mark.long
@pytest.mark.parametrize(
    ("which", "status", "said"),
    [(signal.SIGINT, 130, b"lanewright: stopped before it was done"), (signal.SIGTERM, -signal.SIGTERM, b"")],
)
def test_a_capture_that_is_stopped_leaves_nothing(
    rooted: Path, tmp_path: Path, which: signal.Signals, status: int, said: bytes
) -> None:
    """A signal in the middle of a capture ends it without a file, whole or half, with the status that shells expect."""
    told = "time.sleep = lambda seconds, real=time.sleep: (print('waits', flush=True), real(seconds))"
    waits = f"import time; {told}; from agent.__main__ import start; start()"
    process = subprocess.Popen(
        [sys.executable, "-c", waits, "capture", str(tmp_path / "x.json"), "--root", str(rooted), "--settle", "60"],
        cwd=HERE,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),  # noqa: PLW1509 - as a shell starts it
    )
    assert process.stdout is not None
    assert b"waits\n" == process.stdout.readline()
    process.send_signal(which)
    output, errors = process.communicate(timeout=PATIENCE)
    assert (status, b"", said) == (process.returncode, output, errors.strip())
    assert [] == list(tmp_path.iterdir())


def test_a_capture_goes_to_standard_output(rooted: Path) -> None:
    """`-` writes the capture to standard output, where nothing else is written, and it replays."""
    done = run("capture", "-", "--root", rooted, "--settle", "0")
    assert (0, "") == (done.status, done.errors)
    again = run("check", "--replay", "-", send=done.output.encode("utf-8"))
    assert (1, "") == (again.status, again.errors)


def test_a_capture_says_what_it_wrote(rooted: Path, tmp_path: Path) -> None:
    """On standard error in words, or as JSON on standard output."""
    words = run("capture", tmp_path / "x.json", "--root", rooted, "--settle", "0")
    assert ("", True) == (words.output, words.errors.startswith("Wrote "))
    form = run("capture", tmp_path / "y.json", "--root", rooted, "--settle", "0", "--format", "json")
    found = msgspec.json.decode(form.output)
    assert ("lanewright-written", 4, 0, True) == (
        found["format"],
        found["functions"],
        found["looks"],
        found["redacted"],
    )
    assert found["readings"] == len(load_file(str(tmp_path / "y.json")).reads)


def test_serial_numbers_stay_only_when_they_are_to(tmp_path: Path) -> None:
    """Serial numbers and the host's name are tokens in a capture, unless --keep-serials is given."""
    tree = build(tower(drive((4, 4), Nvme(serial="HLA-SERIAL-77"))))
    tree.put("/proc/sys/kernel/hostname", "harrow-lane-bench-9")
    tree.write_below(tmp_path / "root")
    run("capture", tmp_path / "x.json", "--root", tmp_path / "root")
    run("capture", tmp_path / "y.json", "--root", tmp_path / "root", "--keep-serials")
    for secret in (b"HLA-SERIAL-77", b"harrow-lane-bench-9"):
        assert secret not in (tmp_path / "x.json").read_bytes()
        assert secret in (tmp_path / "y.json").read_bytes()
    run("capture", tmp_path / "z.json", "--replay", tmp_path / "x.json", "--keep-serials")
    assert load_file(str(tmp_path / "z.json")).redacted  # what is gone cannot be kept


def test_a_capture_of_a_capture_is_the_same(tmp_path: Path) -> None:
    """Captured again, a capture keeps its moment, its answers and its looks."""
    done = run("capture", tmp_path / "x.json", "--replay", RESTING)
    assert 0 == done.status
    first, second = load_file(str(RESTING)), load_file(str(tmp_path / "x.json"))
    assert (first.taken_at, len(first.samples), set(first.reads)) == (
        second.taken_at,
        len(second.samples),
        set(second.reads),
    )


# --- Outputs that fail ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [(), ("--format", "json")], ids=["text", "json"])
@pytest.mark.parametrize("command", ["check", "inventory"])
def test_a_reader_that_leaves_does_no_harm(command: str, words: tuple[str, ...]) -> None:
    """A pipe that is closed early ends the program without a word."""
    large = FIXTURES / "hostile-names" / "capture.json"
    process = subprocess.Popen(
        [sys.executable, "-m", "agent", command, "--replay", str(large), *words],
        cwd=HERE,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    assert b"" == process.stderr.read()
    process.stderr.close()
    assert process.wait(PATIENCE) in {0, 1}


@pytest.mark.parametrize("words", [("check",), ("check", "--format", "json"), ("inventory",)], ids=" ".join)
def test_an_output_that_is_full_or_closed_is_one_sentence(words: tuple[str, ...]) -> None:
    """A disk without room, a standard output that is closed: status 2 and one line, no traceback."""
    command = [sys.executable, "-m", "agent", *words, "--replay", str(NARROW)]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            command, cwd=HERE, env=environment(), stdout=full, stderr=subprocess.PIPE, check=False, timeout=PATIENCE
        )
    assert 2 == done.returncode
    assert "no space left" in one_line(done.stderr.decode("utf-8"))
    closed = subprocess.run(
        ["/bin/sh", "-c", 'exec "$@" >&-', "sh", *command],
        cwd=HERE,
        env=environment(),
        stderr=subprocess.PIPE,
        check=False,
        timeout=PATIENCE,
    )
    assert 2 == closed.returncode
    assert "closed" in one_line(closed.stderr.decode("utf-8"))


# --- Machines with little to see -----------------------------------------------------------------------------------


def replayed(tree: Tree, tmp_path: Path, *words: str) -> Run:
    """The check of a tree's capture."""
    (tmp_path / "x.json").write_bytes(capture_bytes(tree))
    return replay("check", tmp_path / "x.json", *words)


def test_a_plain_guest_says_that_it_sees_no_link(tmp_path: Path) -> None:
    """A machine without visible links says so in a sentence, lists what it saw, and ends with 0."""
    functions = [
        Function(kind="host bridge", at="00.0"),
        Function(kind="network", at="03.0", conventional=True, vendor=0x1AF4, model="Guest network card"),
    ]
    done = replayed(build(Machine(name="guest", buses={"0000:00": functions}, virtual=True)), tmp_path)
    assert (0, "") == (done.status, done.errors)
    text = re.sub(r"\s+", " ", done.output)
    assert text.startswith("This is a virtual machine, ")
    assert "on its host" in text
    assert "0000:00:03.0" in text
    assert "Guest network card" in text


def test_a_machine_of_empty_ports_lists_what_it_saw(tmp_path: Path) -> None:
    """Ports with nothing in them are no links with a card: functions are listed where that is said."""
    ports = [root_port("01.0", (4, 16), slot=Slot(number=1)), Function(kind="usb", at="14.0", conventional=True)]
    done = replayed(build(Machine(name="bench-9", buses={"0000:00": ports})), tmp_path)
    assert 0 == done.status
    assert done.output.startswith("No PCI Express link with a card is visible")
    assert "0000:00:14.0" in done.output
    assert "free: slot 1 (" in done.output


def test_what_root_would_add_is_said_once(tmp_path: Path) -> None:
    """An ordinary user's run says at its end, once, what root would add."""
    (tmp_path / "x.json").write_bytes(capture_bytes(build(tower(drive((4, 4)))), privileged=False))
    done = replay("check", tmp_path / "x.json")
    assert 0 == done.status
    assert 1 == " ".join(done.output.split()).count("Run as root, this adds: ")
    assert done.output.index("Read as an ordinary") > done.output.index("Links, worst first")
    assert "Run as root" not in shown("bench-1-upgraded").output


@pytest.mark.parametrize(
    "words",
    [
        ["check", "\x1b[31m"],
        ["--\x1b[31m"],
        ["\x1b[31m"],
        ["check", "--root", "/x\x1b[31m\n"],
        ["check", "--fail-on", "\x1b[31m"],
    ],
)
def test_what_was_typed_is_repeated_harmlessly(words: list[str]) -> None:
    """Messages of the library of commands repeat it as well: nothing of it acts on a terminal."""
    done = run(*words)
    assert 2 == done.status
    assert "\x1b" not in done.errors
    assert "x1b[31m" in done.errors
