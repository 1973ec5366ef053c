"""The command `report`: which files it takes for what, what it writes where, and what it refuses in one sentence."""

from __future__ import annotations

import gzip
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from click.testing import CliRunner

from agent.cli import main
from probes.samples import DriveSample, End, Moment
from probes.soaklog import Writer
from tests import shown
from tests.lab.need import cannot
from tests.machines import FIXTURES
from tests.test_quiet import Tracer, offences

if TYPE_CHECKING:
    from click.testing import Result

BEFORE: Final = str(FIXTURES / "bench-1-slot-limited" / "capture.json")
AFTER: Final = str(FIXTURES / "bench-1-upgraded" / "capture.json")
OTHER: Final = str(FIXTURES / "bench-2-worn-riser" / "capture.json")


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No notes of whoever runs the tests take part."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def run(*arguments: str | Path) -> Result:
    """The command in this process."""
    return CliRunner().invoke(main, ["report", *map(str, arguments)])


def logged(place: Path) -> Path:
    """A log of a soak of three minutes."""
    head = shown.drive_head("nvme0", sensors=("Composite",))
    log = Writer(str(place), shown.head(head), b"{}")
    for second in range(180):
        seen = DriveSample(
            celsius=(40.0 + second / 10,),
            read_bytes=second * 10**9,
            write_bytes=0,
            reads=second,
            writes=0,
            busy_ms=second * 900,
            link=(4, 4),
            errors=0,
            counters=None,
        )
        log.add(Moment(seconds=float(second), late=0.0, drives=(seen,)))
    log.close(End(180.0, "time", None))
    return place


# --- What is written -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "begins"), [("r.html", "<!DOCTYPE html>"), ("r.HTM", "<!DOCTYPE html>"), ("r.md", "# ")]
)
def test_the_name_says_the_form(tmp_path: Path, name: str, begins: str) -> None:
    """A name that ends in .html gives a page, one that ends in .md Markdown, in letters of either case."""
    done = run(tmp_path / name, OTHER)
    assert (0, "") == (done.exit_code, done.stdout)
    assert f'Wrote the report to "{tmp_path / name}".' in done.stderr
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert text.startswith(begins)
    assert "of 8 lanes" in text


def test_files_are_told_apart_by_what_is_in_them(tmp_path: Path) -> None:
    """A soak's log is known under any name, and so is a capture, also a compressed one, in any order."""
    log = logged(tmp_path / "evening.json")
    packed = tmp_path / "tower.sqlite"
    packed.write_bytes(gzip.compress(Path(OTHER).read_bytes()))
    done = run(tmp_path / "r.html", log, packed)
    assert 0 == done.exit_code, done.stderr
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Soak of bench-1" in text
    assert "PCIE1" in text


def test_a_soak_alone_is_a_report(tmp_path: Path) -> None:
    """With logs alone no machine is read; the report is about the soaks, in both forms."""
    log = logged(tmp_path / "soak.sqlite")
    for name in ("r.html", "r.md"):
        assert 0 == run(tmp_path / name, log).exit_code
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert "Soak of bench-1" in text
        assert "Findings" not in text


@pytest.mark.parametrize("name", ["r.html", "r.md"])
def test_two_captures_of_a_machine_are_compared(tmp_path: Path, name: str) -> None:
    """Before and after of one machine are held against each other; two machines are not."""
    assert 0 == run(tmp_path / name, BEFORE, AFTER).exit_code
    assert "The upgrade delivers" in (tmp_path / name).read_text(encoding="utf-8")
    assert 0 == run("--force", tmp_path / name, BEFORE, OTHER).exit_code
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert "The upgrade delivers" not in text
    assert "bench-1" in text
    assert "bench-2" in text


def test_without_a_capture_it_is_about_this_machine(tmp_path: Path) -> None:
    """Without files the report is about the files below --root, or this machine."""
    from tests.build import Machine, build, drive, root_port

    tower = Machine(name="bench-9", buses={"0000:00": [root_port("01.0", (4, 4), [drive((4, 4))])]})
    (tmp_path / "root").mkdir()
    build(tower).write_below(tmp_path / "root")
    done = run(tmp_path / "r.html", "--root", tmp_path / "root")
    assert 0 == done.exit_code, done.stderr
    assert "bench-9" in (tmp_path / "r.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["r.html", "r.md"])
def test_no_folder_of_whoever_made_it_stands_in_a_report(tmp_path: Path, name: str) -> None:
    """Captures and logs are told of by their own names; the folders they lie in are nowhere in the file."""
    place = tmp_path / "private-folder"
    place.mkdir()
    log = logged(place / "evening.sqlite")
    for file, source in (("old.json", BEFORE), ("new.json", AFTER)):
        shutil.copy(source, place / file)
    assert 0 == run(tmp_path / name, place / "old.json", place / "new.json", log).exit_code
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert "private-folder" not in text
    assert all(part in text for part in ("old.json (capture)", "new.json (capture)", "evening.sqlite (log)"))


@pytest.mark.parametrize("name", ["r.html", "r.md"])
def test_captures_of_one_name_are_told_apart_by_their_folder(tmp_path: Path, name: str) -> None:
    """Where two files have one name the folder of each stands before it, and no more of the way to it."""
    for folder, source in (("spring", BEFORE), ("autumn", AFTER)):
        (tmp_path / "private" / folder).mkdir(parents=True)
        shutil.copy(source, tmp_path / "private" / folder / "capture.json")
    places = [tmp_path / "private" / folder / "capture.json" for folder in ("spring", "autumn")]
    assert 0 == run(tmp_path / name, *places).exit_code
    text = (tmp_path / name).read_text(encoding="utf-8")
    assert all(f"{folder}/capture.json (capture)" in text for folder in ("spring", "autumn"))
    assert "private" not in text


def test_of_three_captures_of_a_machine_the_first_and_the_last_are_compared(tmp_path: Path) -> None:
    """Three captures of one machine are told apart by their dates, and the change from first to last stands first."""
    for day, source in enumerate((BEFORE, BEFORE, AFTER), 1):
        kept = json.loads(Path(source).read_bytes())
        kept["taken_at"] = f"2026-03-0{day}T09:00:00+00:00"
        (tmp_path / f"{day}.json").write_text(json.dumps(kept), encoding="utf-8")
    assert 0 == run(tmp_path / "r.md", *(tmp_path / f"{day}.json" for day in (3, 2, 1))).exit_code
    text = (tmp_path / "r.md").read_text(encoding="utf-8")
    assert "The upgrade delivers" in text
    titles = re.findall(r"^## bench-1, (\w+).*\(read 2026-03-0([0-9])[T ]", text, re.MULTILINE)
    assert [("after", "3"), ("before", "1"), ("between", "2")] == titles


def test_three_machines_are_three_sections(tmp_path: Path) -> None:
    """More captures than two make a section each, with anchors of their own."""
    assert 0 == run(tmp_path / "r.html", BEFORE, AFTER, OTHER).exit_code
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert [1, 1, 1, 0] == [text.count(f'<h2 id="machine-{number}">') for number in range(1, 5)]
    assert "What changed" not in text


# --- What is refused -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["r.pdf", "r", "html", "r.html.gz"])
def test_another_form_is_refused(tmp_path: Path, name: str) -> None:
    """A name whose ending is no form is refused before anything is read."""
    done = run(tmp_path / name, tmp_path / "not-there.json")
    assert 2 == done.exit_code
    assert "ends in neither .html nor .md" in done.stderr
    assert [] == list(tmp_path.iterdir())


def test_a_file_is_not_overwritten_unasked(tmp_path: Path) -> None:
    """A file that is there stays as it is without --force, and is replaced whole with it."""
    place = tmp_path / "r.html"
    place.write_text("mine", encoding="utf-8")
    done = run(place, OTHER)
    assert 2 == done.exit_code
    assert "--force" in done.stderr
    assert "mine" == place.read_text(encoding="utf-8")
    assert 0 == run(place, OTHER, "--force").exit_code
    assert place.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("content", [b"", b"{", b"SQLite format 3\x00", b"\x1f\x8b\x08", b"[]", b"\xff" * 100])
def test_damaged_files_are_told_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    """A file that is neither a capture nor a log is refused by its name in one sentence, and nothing is written."""
    place = tmp_path / "damaged.json"
    place.write_bytes(content)
    done = run(tmp_path / "r.html", place)
    assert 2 == done.exit_code
    assert "damaged.json" in done.stderr
    assert "Traceback" not in done.stderr
    assert 1 == len(done.stderr.strip().splitlines())
    assert not (tmp_path / "r.html").exists()


def test_what_does_not_go_together_is_refused(tmp_path: Path) -> None:
    """Standard input given twice, a folder that is not there and more files than a report takes are refused."""
    out = tmp_path / "r.html"
    for arguments, words in (
        (("-", "-"), "only once"),
        (("--root", tmp_path / "nowhere"), "no such directory"),
        ([OTHER] * 65, "64 files at most"),
        ((tmp_path / "nowhere.json",), "nowhere.json"),
        ((tmp_path,), "not a regular file"),
    ):
        done = run(out, *arguments)
        assert 2 == done.exit_code
        assert words in done.stderr
    assert not out.exists()


def test_a_capture_comes_from_standard_input(tmp_path: Path) -> None:
    """A capture sent to standard input is taken with -, beside files."""
    done = subprocess.run(
        [sys.executable, "-m", "agent", "report", str(tmp_path / "r.html"), "-"],
        input=Path(OTHER).read_bytes(),
        capture_output=True,
        check=False,
        cwd=FIXTURES.parent,
    )
    assert 0 == done.returncode, done.stderr
    assert "standard input (capture)" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_names_of_files_do_nothing_in_a_report(tmp_path: Path) -> None:
    """A capture whose file's name is markup stands in page and Markdown as text."""
    hostile = tmp_path / "<script>alert(1)<!-- ![x](y) `.json"
    shutil.copy(OTHER, hostile)
    for name in ("r.html", "r.md"):
        assert 0 == run(tmp_path / name, hostile).exit_code
    assert "<script" not in (tmp_path / "r.html").read_text(encoding="utf-8")
    text = (tmp_path / "r.md").read_text(encoding="utf-8")
    assert r"\<script" in text
    assert None is re.search(r"(?<!\\)(<script|<!--|!\[|`\.json)", text)


def test_a_live_report_writes_its_file_and_nothing_else(tmp_path: Path) -> None:
    """On this machine, whatever it is, a report changes nothing but the folder it is written to, and calls nobody."""
    if shutil.which("strace") is None:
        cannot("strace is missing (Debian package strace)")
    (tmp_path / "out").mkdir()
    status, found = Tracer(tmp_path / "calls")("-m", "agent", "report", str(tmp_path / "out" / "r.html"))
    assert status in {0, 3}
    assert [] == [call for call in offences(found) if str(tmp_path / "out") not in call.arguments]
    assert (["r.html"] if status == 0 else []) == [place.name for place in (tmp_path / "out").iterdir()]
