"""The command `tally` as its users run it: names, exit statuses, streams, processes that stop or die."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import psutil
import pytest
from msgspec import json

from agent.commands.tallying import Progress, usable, words
from agent.source import Clock
from agent.tally.pool import answers
from probes import platform
from tests.machines import FIXTURES
from tests.tallies import five, put
from tests.test_cli import HERE, PATIENCE, environment, not_named, one_line, run
from tests.test_imports import loaded

if TYPE_CHECKING:
    from collections.abc import Sequence

FORK: Final = platform(sys.platform).starts_by_fork
CUT: Final = b'{"format": "lanewright-capture"'  # the beginning of a capture
UPGRADED: Final = FIXTURES / "bench-1-upgraded" / "capture.json"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with five captures of three machines."""
    put(tmp_path, {f"captures/{name}": data for name, data in five().items()})
    return tmp_path / "captures"


# --- Names, forms, exit status ---------------------------------------------------------------------------------


def test_a_folder_gives_a_table(folder: Path) -> None:
    """A folder of captures gives a table on standard output, nothing on standard error, and status 0."""
    done = run("tally", folder)
    assert (0, "") == (done.status, done.errors)
    assert done.output.startswith("3 machines of 2 kinds, in 5 captures")


@pytest.mark.long
@pytest.mark.parametrize("form", ["text", "json", "csv", "markdown"])
def test_each_form_is_the_same_for_any_jobs(folder: Path, form: str) -> None:
    """Every form is byte for byte the same from one process and from several."""
    first, *others = (run("tally", folder, UPGRADED, "--format", form, "--jobs", jobs) for jobs in ("1", "2", "4"))
    assert 0 == first.status
    assert len(first.output) > 500
    assert [first, first] == others


@pytest.mark.parametrize("end", ["\n", "\0"])
def test_names_are_read_from_standard_input(folder: Path, end: str) -> None:
    """- reads names of files and folders; beside it others can be named."""
    names = end.join(str(folder / name) for name in ("a.json", "b.json")) + end
    done = run("tally", "-", folder / "c.json", "--format", "json", send=names.encode())
    assert (0, 3) == (done.status, json.decode(done.output)["captures"])


def test_damaged_and_foreign_files_are_passed_over(folder: Path) -> None:
    """Files that are no captures are named in one sentence each, the rest counts; --strict makes the status 2."""
    put(folder, {"bad.json": CUT, "cut.json.gz": b"\x1f\x8b\x08", "empty.json": b""})
    for more, status in ((), 0), (("--strict",), 2):
        done = run("tally", folder, folder / "none.json", "--format", "json", *more)
        assert status == done.status
        *named, total = done.errors.splitlines()
        assert ["bad.json", "cut.json.gz", "empty.json", "none.json"] == [
            re.findall(r'passed over: ".*?([^/]*)"', line)[0] for line in named
        ]
        assert "lanewright: 4 of 9 names gave no capture" == total
        form = json.decode(done.output)
        assert (5, 4) == (form["captures"], form["passed_over"]["count"])
        assert [str(folder / "bad.json"), str(folder / "none.json")] == [
            form["passed_over"]["first"][place]["file"] for place in (0, 3)
        ]


def test_one_file_that_is_none_is_one_sentence(tmp_path: Path) -> None:
    """The only file named is told of once; there is nothing to count."""
    put(tmp_path, {"bad.json": CUT})
    assert "bad.json" in run("tally", tmp_path / "bad.json").errors
    assert 1 == len(run("tally", tmp_path / "bad.json").errors.splitlines())


def test_of_many_bad_files_the_first_are_named(folder: Path) -> None:
    """Ten files are named, in order of their names, and all are counted."""
    put(folder, {f"bad-{number:02d}.json": CUT for number in range(40)})
    done = run("tally", folder, "--jobs", "2")
    lines = done.errors.splitlines()
    assert 11 == len(lines)
    assert [f"bad-{number:02d}" in line for number, line in enumerate(lines[:10])] == [True] * 10
    assert "lanewright: 40 of 45 names gave no capture; the first 10 are named above" == lines[-1]


def test_other_json_in_a_folder_is_one_line(folder: Path) -> None:
    """JSON of another form beside captures is counted in one line; named by itself, each such file has its sentence."""
    others = {f"notes-{number:02d}.json": form for number, form in enumerate((b"{}", b"[1]", b'{"format": "x"}'))}
    put(folder, {**others, "zero.json": CUT})
    done = run("tally", folder, "--format", "json")
    listed, damaged, total = done.errors.splitlines()
    assert "3 files" in listed
    assert [True, True, False] == [name in listed for name in others]
    assert ("zero.json" in damaged, "4 of 9" in total) == (True, True)
    told = json.decode(done.output)["passed_over"]
    assert (4, 3, 4) == (told["count"], told["other_json"], len(told["first"]))
    assert 2 == run("tally", folder, "--strict").status
    named = run("tally", folder / "a.json", *(folder / name for name in others), "--format", "json")
    assert 3 == len(re.findall("passed over: ", named.errors))
    assert 0 == json.decode(named.output)["passed_over"]["other_json"]


@pytest.mark.parametrize("form", ["text", "csv", "json"])
def test_no_capture_at_all_is_status_2(tmp_path: Path, form: str) -> None:
    """Where nothing could be read the status is 2; JSON says what was passed over all the same."""
    put(tmp_path, {"bad.json": b"{}"})
    done = run("tally", tmp_path, "--format", form)
    assert 2 == done.status
    assert (form == "json") == bool(done.output)
    assert "Traceback" not in done.errors


def test_an_empty_list_is_told() -> None:
    """A list of no names is one sentence and status 2."""
    done = run("tally", "-", send=b"\n")
    assert (2, "") == (done.status, done.output)
    assert "no file was named" in one_line(done.errors)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ((), "CAPTURE"),
        (("-", "-"), "-"),
        (("x", "--jobs", "0"), "--jobs 0"),
        (("x", "--jobs", "two"), "--jobs two"),
        (("x", "--least", "0"), "--least 0"),
        (("x", "--sort", "y"), "--sort y"),
    ],
)
def test_wrong_words_are_refused(wrong: Sequence[str], told: str) -> None:
    """Words that make no sense are a usage error of one sentence, before any file is read."""
    done = run("tally", *wrong)
    assert 2 == done.status
    assert [] == not_named(told, done.errors)


def test_words_that_fit_nothing_are_one_sentence(folder: Path) -> None:
    """--only that fits no line is one sentence and status 2."""
    done = run("tally", folder, "--only", "\x1b[2J")
    assert (2, "") == (done.status, done.output)
    assert "VENDOR:DEVICE" in one_line(done.errors)
    assert "\x1b" not in done.errors


def test_hostile_names_of_files_are_shown_as_escapes(tmp_path: Path) -> None:
    """A file's name acts nowhere, and bytes in it that are no UTF-8 stop nothing."""
    place = os.fsencode(tmp_path) + b"/\x1b[2J\xff\n.json"
    Path(os.fsdecode(place)).write_bytes(CUT)
    put(tmp_path, five())
    for jobs in ("1", "2"):
        done = run("tally", tmp_path, "--format", "json", "--jobs", jobs)
        assert 0 == done.status
        assert "\x1b" not in done.errors + done.output
        assert 2 == len(done.errors.splitlines())
        assert "\\udcff" in json.decode(done.output)["passed_over"]["first"][0]["file"]


def test_the_schema_is_there() -> None:
    """`schema tally` prints the schema of the form."""
    done = run("schema", "tally")
    assert (0, "") == (done.status, done.errors)
    assert json.decode(done.output)["$schema"].endswith("2020-12/schema")


def test_jobs_are_as_many_as_processors_may_be_used() -> None:
    """Without --jobs there is a process for each processor that this one may use, and no more."""
    assert len(os.sched_getaffinity(0)) == usable()


def test_one_job_is_this_process_alone(folder: Path) -> None:
    """With one job, nothing that makes processes is loaded, nor for JSON the terminal library."""
    status, names = loaded("tally", str(folder), "--jobs", "1", "--format", "json")
    assert 0 == status
    assert "agent.tally.pool" in names
    assert [name for name in names if name.split(".")[0] in {"multiprocessing", "concurrent", "rich", "psutil"}] == []


# --- Processes -------------------------------------------------------------------------------------------------


def dies(piece: Sequence[str]) -> bytes:
    """A worker that is killed at a certain piece, as by a system without memory."""
    if "bad" in piece:
        os.kill(os.getpid(), signal.SIGKILL)
    return "+".join(piece).encode()


def test_answers_come_from_all_processes() -> None:
    """Each piece is answered once, by one process or several, and none is left."""
    pieces = [(f"{number}", "x") for number in range(20)]
    expected = [(piece, "+".join(piece).encode()) for piece in sorted(pieces)]
    for jobs in (1, 2, 30):
        assert expected == sorted(answers(dies, pieces, jobs, fork=FORK))
    assert [] == list(answers(dies, [], 2, fork=FORK))
    assert [] == [child for child in psutil.Process().children() if "python" in child.name()]


@pytest.mark.parametrize("jobs", [2, 7])
def test_a_file_that_workers_die_of_costs_no_more_than_itself(jobs: int) -> None:
    """Its piece is tried again file by file: all others are answered, once each, and that one is told."""
    pieces = [("a",), ("c", "bad", "b"), *((f"{number}", "x") for number in range(50))]
    found = dict(answers(dies, pieces, jobs, fork=FORK))
    assert found.pop(("bad",)) is None
    assert {("c",): b"c", ("b",): b"b"}.items() <= found.items()
    assert Counter(name for piece in pieces for name in piece if name != "bad") == Counter(
        name for answer in found.values() if answer is not None for name in answer.decode().split("+")
    )
    assert [] == [child for child in psutil.Process().children() if "python" in child.name()]


class Running:
    """The command at work on captures that take a while, in a session of its own."""

    def __init__(self, names: Sequence[str | Path], **streams: int) -> None:
        """Start it, and wait until two workers are at work."""
        self.child = subprocess.Popen(
            [sys.executable, "-m", "agent", "tally", *map(str, names), "--jobs", "2"],
            cwd=HERE,
            env=environment(TERM="xterm"),
            stdin=subprocess.DEVNULL,
            stdout=streams.get("stdout", subprocess.PIPE),
            stderr=streams.get("stderr", subprocess.PIPE),
            start_new_session=True,
        )
        until = time.monotonic() + PATIENCE
        while len(self.workers()) < 2 and self.child.poll() is None and time.monotonic() < until:
            time.sleep(0.01)
        self.met = self.workers()

    def workers(self) -> list[psutil.Process]:
        """The processes below it."""
        try:
            return psutil.Process(self.child.pid).children(recursive=True)
        except psutil.NoSuchProcess:
            return []

    def left(self) -> list[psutil.Process]:
        """The workers that still run a while after it ended."""
        _, alive = psutil.wait_procs(self.met, timeout=PATIENCE)
        return [one for one in alive if one.status() != psutil.STATUS_ZOMBIE]


@pytest.fixture
def many(tmp_path: Path) -> Sequence[Path]:
    """Names of captures that take some seconds to read."""
    for number in range(1500):
        (tmp_path / f"{number:04d}.json").symlink_to(UPGRADED)
    return [tmp_path]


def test_ctrl_c_ends_all_without_a_traceback(many: Sequence[Path]) -> None:
    """Ctrl-C, which the terminal sends to all processes, gives one sentence and status 130, and leaves none running."""
    running = Running(many)
    os.killpg(running.child.pid, signal.SIGINT)
    output, errors = running.child.communicate(timeout=PATIENCE)
    assert (130, b"", "lanewright: stopped before it was done") == (
        running.child.returncode,
        output,
        errors.decode().strip(),
    )
    assert 2 == len(running.met)
    assert [] == running.left()


def test_a_killed_worker_loses_no_capture(many: Sequence[Path]) -> None:
    """What a worker that the system kills had in hand is read again, and the output is whole."""
    running = Running(many)
    running.met[0].kill()
    output, errors = running.child.communicate(timeout=PATIENCE)
    assert (0, b"") == (running.child.returncode, errors)
    assert b"in 1,500 captures" in output
    assert [] == running.left()


@pytest.mark.long
def test_workers_do_not_outlive_the_program(many: Sequence[Path]) -> None:
    """Where the program itself is killed, its workers end by themselves."""
    running = Running(many)
    running.child.kill()
    running.child.communicate(timeout=PATIENCE)
    assert 2 == len(running.met)
    assert [] == running.left()


# --- Progress --------------------------------------------------------------------------------------------------


def test_progress_is_told_in_words() -> None:
    """Count, rate and the time that is left are told; before there is a rate, the count alone."""
    assert "0 of 10 files read" == words(0, 10, 0.0)
    assert "4,000 of 10,000 files read, 400 a second, 15 s to go" == words(4000, 10_000, 10.0)
    assert "100 of 10,000 files read, 10 a second, 16 min 30 s to go" == words(100, 10_000, 10.0)


def test_progress_is_throttled_and_cleared_away(capsys: pytest.CaptureFixture[str]) -> None:
    """A line is written at most five times a second, over the one before, and nothing is left of it at the end."""
    now = 0.0
    clock = Clock(now=lambda: "", running=lambda: now, sleep=lambda _: None)
    progress = Progress(1000, clock, terminal=True)
    for number in range(1000):
        now = number / 1000
        progress.told(number + 1)
    progress.end()
    written = capsys.readouterr().err
    assert 5 >= written.count("files read")
    assert written.count("files read") >= 4
    *_, last, end = written.split("\r")
    assert ("", "") == (last.strip(), end)


def test_no_progress_without_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """Where standard error is a file or a pipe nothing is said of progress."""
    now = iter(range(100))
    clock = Clock(now=lambda: "", running=lambda: float(next(now)), sleep=lambda _: None)
    progress = Progress(10, clock, terminal=False)
    progress.told(5)
    progress.end()
    assert "" == capsys.readouterr().err


def test_progress_shows_on_a_terminal(many: Sequence[Path]) -> None:
    """On a terminal the count goes on while captures are read, and the output is that of a run without one."""
    ours, theirs = pty.openpty()
    running = Running(many, stderr=theirs)
    os.close(theirs)
    shown = b""
    until = time.monotonic() + PATIENCE
    while b"files read" not in shown and time.monotonic() < until:
        shown += os.read(ours, 4096)
    os.killpg(running.child.pid, signal.SIGINT)
    running.child.communicate(timeout=PATIENCE)
    os.close(ours)
    assert re.search(rb"\r[0-9,]+ of 1,500 files read, [0-9,]+ a second, ", shown)
    assert 130 == running.child.returncode
