"""The command `notes`, and `check --notes`, as users run them: exit statuses, streams, forms and their schemas."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from click.testing import CliRunner

from agent.cli import main
from knowledge.steps import FIRMWARE
from tests.json_schema import problems
from tests.notes import GOOD, HEAD

if TYPE_CHECKING:
    from click.testing import Result

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
NOTED: Final = str(FIXTURES / "bench-2-noted-parts" / "capture.json")
CALM: Final = str(FIXTURES / "bench-1-upgraded" / "capture.json")
FIRM: Final = "nvme-suspend-race-22301111"


def run(*words: str, data: Path | None = None, send: str | None = None) -> Result:
    """Run the program in this process, with this folder as the user's data folder."""
    env = {"COLUMNS": "80", "NO_COLOR": "1", "XDG_DATA_HOME": str(data or "/no/such/folder")}
    done = CliRunner().invoke(main, list(words), env=env, input=send)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def form(name: str, *words: str, data: Path | None = None) -> Any:  # noqa: ANN401 - a JSON form
    """What a command prints as JSON, held against the schema of that name."""
    done = run(*words, "--format", "json", data=data)
    found = msgspec.json.decode(done.stdout)
    told = msgspec.json.decode(run("schema", name).stdout)
    assert [] == problems(told, found, told)
    assert [] != problems(told, {"format": "other"}, told)
    return found


@pytest.fixture
def good(tmp_path: Path) -> Path:
    """A file with one good note."""
    place = tmp_path / "good.toml"
    place.write_text(HEAD + GOOD, encoding="utf-8")
    return place


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    """A file with a fault in its line 16."""
    place = tmp_path / "bad.toml"
    place.write_text(HEAD + GOOD.replace('"narrow"', '"\u202egnp"'), encoding="utf-8")
    return place


# --- list, show ------------------------------------------------------------------------------------------------


def test_list_names_every_note(good: Path) -> None:
    """`notes list` names the notes of the program and of the folders that are named, in both forms, status 0."""
    done = run("notes", "list", "--notes", str(good))
    assert (0, "") == (done.exit_code, done.stderr)
    assert FIRM in done.stdout
    assert "reel-in-short-socket" in done.stdout
    found = form("notes", "notes", "list", "--notes", str(good))
    assert {"the program", str(good)} == {one["origin"] for one in found["notes"]}


def test_list_tells_of_damaged_notes_of_ones_own(bad: Path, tmp_path: Path) -> None:
    """A damaged file of the user's own does not keep the list from being shown, and is told with its line."""
    place = tmp_path / "data" / "lanewright" / "notes"
    place.mkdir(parents=True)
    bad.rename(place / "bad.toml")
    done = run("notes", "list", data=tmp_path / "data")
    assert 0 == done.exit_code
    assert "line 16" in " ".join(done.stdout.split())
    assert "\u202e" not in done.stdout
    assert 1 == len(form("notes", "notes", "list", data=tmp_path / "data")["damaged"])


def test_show_tells_all_of_a_note_with_the_caution_before_the_step() -> None:
    """`notes show` tells conditions, sightings, evidence and steps, the firmware caution before the update."""
    done = run("notes", "show", FIRM)
    words = " ".join(done.stdout.split())
    assert 0 == done.exit_code
    assert "Linux 6.1.192, drivers/nvme/host/core.c" in words
    assert 0 < words.index(" ".join(FIRMWARE.split())[:60]) < words.index("update-firmware:")
    found = form("note", "notes", "show", FIRM)
    assert [[FIRMWARE]] == [step["cautions"] for step in found["steps"]]


@pytest.mark.parametrize("command", ["show", "test"])
def test_an_unknown_note_ends_with_2_and_the_nearest(command: str) -> None:
    """A name that no note has ends with status 2 and one sentence that names the nearest."""
    more = ["--replay", NOTED] if command == "test" else []
    done = run("notes", command, FIRM.replace("suspend", "suspent"), *more)
    assert (2, "") == (done.exit_code, done.stdout)
    assert done.stderr.startswith("lanewright: no field note is called")
    assert FIRM in done.stderr


# --- test ------------------------------------------------------------------------------------------------------


def test_test_says_condition_by_condition_whether_a_note_holds() -> None:
    """`notes test` tells each condition of the part that it holds for, with what was read; status 0."""
    done = run("notes", "test", FIRM, "--replay", NOTED)
    assert 0 == done.exit_code
    assert "yes         firmware: 22301111; wanted 22301111" in done.stdout
    found = form("note-test", "notes", "test", FIRM, "--replay", NOTED)
    assert ["nvme0"] == [one["subject"] for one in found["holds"]]


def test_test_says_why_a_note_does_not_hold() -> None:
    """On another machine it tells the parts that come nearest and which condition fails; status 0 all the same."""
    done = run("notes", "test", FIRM, "--replay", CALM)
    assert 0 == done.exit_code
    assert "does not hold" in done.stdout
    assert "no          firmware: RL4B2.10; wanted 22301111" in done.stdout
    assert 8 >= len(form("note-test", "notes", "test", FIRM, "--replay", CALM)["nearest"]) > 0


def test_test_tells_where_nothing_comes_near(good: Path) -> None:
    """Where no condition holds for any part the conditions are told, and that no part meets one."""
    done = run("notes", "test", "link-retrain-bit-stays", "--replay", CALM)
    assert 0 == done.exit_code
    assert "No part that was seen meets a single one" in done.stdout
    assert "12d8:e110" in done.stdout
    found = run("notes", "test", "reel-in-short-socket", "--replay", NOTED, "--notes", str(good))
    assert "does not hold" in found.stdout


# --- lint ------------------------------------------------------------------------------------------------------


def test_lint_of_good_notes_ends_with_0(good: Path) -> None:
    """Files without fault are said to be right, status 0."""
    done = run("notes", "lint", str(good))
    assert (0, "") == (done.exit_code, done.stderr)
    assert "1 note in 1 file right; nothing wrong." in done.stdout


def test_lint_of_bad_notes_ends_with_1_and_the_lines(bad: Path, good: Path) -> None:
    """Faults are told with their lines, in both forms, and the status is 1; nothing hostile is shown as it is."""
    done = run("notes", "lint", str(bad), str(good))
    assert 1 == done.exit_code
    assert "line 16, note[0].seen.verdict" in " ".join(done.stdout.split())
    assert "\u202e" not in done.stdout
    found = form("notes-lint", "notes", "lint", str(bad))
    assert [16] == [one["line"] for one in found["wrong"]]


def test_lint_of_what_was_never_notes_says_that_alone(bad: Path, tmp_path: Path) -> None:
    """A text of another kind is one sentence and status 1; one that means to be notes keeps the line of its fault."""
    other = tmp_path / "read-me.md"
    other.write_text("# A text\n\nof another kind.\n", encoding="utf-8")
    done = run("notes", "lint", str(other))
    assert (1, "") == (done.exit_code, done.stderr)
    told = " ".join(done.stdout.split())
    assert "is not a file of notes" in told
    assert "0 notes" not in told
    assert " right" not in told
    both = " ".join(run("notes", "lint", str(other), str(bad)).stdout.split())
    assert "is not a file of notes" in both
    assert "line 16" in both
    meant = tmp_path / "meant.toml"
    meant.write_text('[[note]]\nid = "x\n', encoding="utf-8")
    assert "line 2" in " ".join(run("notes", "lint", str(meant)).stdout.split())


def test_lint_of_a_missing_file_ends_with_1() -> None:
    """A name of nothing is one thing wrong."""
    done = run("notes", "lint", "/no/such/file.toml")
    assert 1 == done.exit_code
    assert "cannot be read" in done.stdout


def test_lint_without_a_name_looks_into_the_users_folder(good: Path, tmp_path: Path) -> None:
    """Without a name it is the user's own folder, which may not be there."""
    assert "There is no file of notes" in run("notes", "lint").stdout
    place = tmp_path / "data" / "lanewright" / "notes"
    place.mkdir(parents=True)
    good.rename(place / "good.toml")
    assert "1 note in 1 file" in run("notes", "lint", data=tmp_path / "data").stdout


# --- learn -----------------------------------------------------------------------------------------------------


def test_learn_then_lint_then_test_then_check(tmp_path: Path) -> None:
    """What learn writes lints clean, holds on the capture it was learned from, and is no news of a check there."""
    place = tmp_path / "learned.toml"
    done = run("notes", "learn", CALM, NOTED, "--write", str(place))
    assert (0, "") == (done.exit_code, done.stdout)
    assert 0 == run("notes", "lint", str(place)).exit_code
    found = form("notes-learned", "notes", "learn", CALM, NOTED)
    for one in found["notes"]:
        tests = [
            form("note-test", "notes", "test", one["id"], "--notes", str(place), "--replay", path)["holds"]
            for path in (CALM, NOTED)
        ]
        assert any(tests), one["id"]
    seen = run("check", "--full", "--replay", CALM, "--notes", str(place))
    assert 0 == seen.exit_code
    assert "seen-" not in seen.stdout.partition("\nNot read\n")[0]


def test_learn_prints_a_file_of_notes() -> None:
    """Without --write the notes go to standard output, and `-` reads a capture from standard input."""
    done = run("notes", "learn", CALM)
    assert 0 == done.exit_code
    assert 'format = "lanewright-notes"' in done.stdout
    assert done.stdout == run("notes", "learn", "-", send=Path(CALM).read_text(encoding="utf-8")).stdout


def test_learn_overwrites_nothing(good: Path) -> None:
    """A file that is there is left as it is, unless --force is given."""
    before = good.read_bytes()
    assert 2 == run("notes", "learn", CALM, "--write", str(good)).exit_code
    assert before == good.read_bytes()
    assert 0 == run("notes", "learn", CALM, "--write", str(good), "--force").exit_code
    assert before != good.read_bytes()


@pytest.mark.parametrize("words", [("learn",), ("learn", "/no/such/capture.json"), ("learn", "-", "-"), ("nonsense",)])
def test_wrong_words_end_with_2(words: tuple[str, ...]) -> None:
    """Bad use and captures that cannot be read end with status 2 and nothing on standard output."""
    done = run("notes", *words)
    assert (2, "") == (done.exit_code, done.stdout)


def test_a_capture_without_cards_teaches_nothing() -> None:
    """Where no link trained there is nothing to learn, and it is said in one sentence."""
    done = run("notes", "learn", str(FIXTURES / "guest-plain" / "capture.json"))
    assert 2 == done.exit_code
    assert "nothing to learn" in done.stderr


# --- check -----------------------------------------------------------------------------------------------------


def test_check_applies_named_notes(tmp_path: Path, good: Path) -> None:
    """A note of a named folder is a finding with its source, date, token and confidence, in text and JSON."""
    done = run("check", "--full", "--replay", CALM, "--notes", str(good))
    words = " ".join(done.stdout.split())
    assert 0 == done.exit_code
    assert "field note reel-in-short-socket, reported: own bench, 2026-03-02, capture ~0123456789abcdef" in words
    assert str(tmp_path) not in done.stdout
    found = msgspec.json.decode(run("check", "--replay", CALM, "--notes", str(good), "--format", "json").stdout)
    assert ["field-note"] == [one["rule"] for one in found["findings"] if one["severity"] == "note"]


def test_a_confirmed_limit_counts_for_the_status(tmp_path: Path) -> None:
    """A note that is confirmed may be a limit, and ends check with 1 where limits do; it is never a fault."""
    place = tmp_path / "n.toml"
    limit = 'confidence = "confirmed"\nseverity = "limit"'
    quirk = 'quirk = "resets under load"'
    content = HEAD + GOOD.replace('confidence = "reported"', limit).replace('verdict = "narrow"', quirk)
    place.write_text(content, encoding="utf-8")
    assert 0 == run("check", "--replay", CALM, "--notes", str(place)).exit_code
    assert 1 == run("check", "--replay", CALM, "--notes", str(place), "--fail-on", "limit").exit_code


def test_notes_do_not_come_from_standard_input() -> None:
    """Standard input may be the capture, so that notes are never read from it."""
    done = run("check", "--replay", CALM, "--notes", "-", send=HEAD)
    assert (2, "") == (done.exit_code, done.stdout)


def test_check_with_damaged_named_notes_ends_with_2(bad: Path) -> None:
    """A damaged file that was named ends check with status 2 and one sentence with file and line."""
    done = run("check", "--replay", CALM, "--notes", str(bad))
    assert (2, "") == (done.exit_code, done.stdout)
    assert 1 == len(done.stderr.splitlines())
    assert f"{bad}, line 16" in done.stderr


def test_check_with_damaged_notes_of_ones_own_goes_on(bad: Path, tmp_path: Path) -> None:
    """A damaged file of the user's own is told among what was not read, and the status is that of the machine."""
    place = tmp_path / "data" / "lanewright" / "notes"
    place.mkdir(parents=True)
    bad.rename(place / "bad.toml")
    done = run("check", "--replay", CALM, data=tmp_path / "data")
    assert 0 == done.exit_code
    assert "a file of your own field notes" in " ".join(done.stdout.split())
