"""The command `soak` as its users run it: beside a command, for a time, until it is stopped; logs looked at afterwards.

Each run is a process. The machine is one of files below a directory, whose drives have temperatures but no counts; the
lab boots real ones. Exit statuses are those of shells: POSIX Shell Command Language, 2.8.2.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import shlex
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import termios
import time
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest

from agent.commands import soak as soak_command
from agent.report import schemas
from tests.json_schema import problems
from tests.test_cli import HERE, PATIENCE, Run, environment, one_line, usage_error
from tests.test_imports import loaded
from tests.watched import two_drives

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

ESCAPE: Final = "\x1b"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with a machine in `machine`, and an empty state folder beside it."""
    two_drives().write_below(tmp_path / "machine")
    return tmp_path


def words(*more: str) -> list[str]:
    """The program and its arguments for a soak of that machine."""
    return [sys.executable, "-m", "agent", "soak", *more]


def around(place: Path, **more: str) -> dict[str, str]:
    """The environment of a run."""
    return environment(XDG_STATE_HOME=str(place / "state"), COLUMNS="80", **more)


def soak(place: Path, *more: str, run: bool = True, env: dict[str, str] | None = None) -> Run:
    """A soak of that machine (`run`), or a look at its logs; as short as can be."""
    given = ["--root", str(place / "machine"), "--every", "0.2", *more] if run else list(more)
    done = subprocess.run(
        words(*given),
        cwd=HERE,
        env={**around(place), **(env or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=PATIENCE,
    )
    return Run(done.returncode, done.stdout.decode(), done.stderr.decode())


def started(place: Path, command: list[str]) -> subprocess.Popen[str]:
    """A command that goes on, with both its streams as text."""
    return subprocess.Popen(
        command, cwd=HERE, env=around(place), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def logging_until_told(place: Path) -> subprocess.Popen[str]:
    """A soak without a command or a time, half a second after it said that it logs."""
    process = started(place, words("--root", str(place / "machine"), "--every", "0.2"))
    assert process.stderr is not None
    assert process.stderr.readline().startswith("Logging 2 drives")
    time.sleep(0.5)
    return process


def look(place: Path, *more: str) -> Run:
    """A look at logs."""
    return soak(place, *more, run=False)


def logs(place: Path) -> list[Path]:
    """The logs in the usual folder, with all that lies beside them."""
    return sorted((place / "state" / "lanewright" / "soaks").glob("*"))


def form(place: Path, *more: str) -> dict[str, Any]:
    """The JSON of a look."""
    done = look(place, *more, "--format", "json")
    assert (0, "") == (done.status, done.errors)
    found: dict[str, Any] = msgspec.json.decode(done.output)
    return found


def flat(text: str) -> str:
    """Words with single spaces, as wrapping does not matter."""
    return re.sub(r"\s+", " ", text)


def until(what: Callable[[], bool]) -> None:
    """Wait until something is so."""
    end = time.monotonic() + PATIENCE
    while not what():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


# --- With a command ------------------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("status", [0, 1, 7, 255])
def test_the_command_keeps_its_streams_and_its_status(place: Path, status: int) -> None:
    """What a command writes and how it ends is as without the soak, whose own words all go to standard error."""
    script = f"printf 'out\\000\\377'; printf 'err\\n' >&2; sleep 0.5; exit {status}"
    done = subprocess.run(
        words("--root", str(place / "machine"), "--every", "0.2", "--", "sh", "-c", script),
        cwd=HERE,
        env=around(place),
        capture_output=True,
        check=False,
        timeout=PATIENCE,
    )
    assert (status, b"out\x00\xff") == (done.returncode, done.stdout)
    errors = done.stderr.decode()
    assert "err" in errors.splitlines()
    assert f"The command ended with status {status}." in errors
    assert "nvme0 Ostrayne Reel 4 2TB" in errors
    assert {"reason": "command", "status": status} == {
        key: value for key, value in form(place, "--show", "last")["end"].items() if key != "seconds"
    }


def test_a_command_needs_no_dashes_before_it(place: Path) -> None:
    """Options after the name of the command are the command's own, with and without the two dashes."""
    for dashes in ((), ("--",)):
        done = soak(place, *dashes, "sh", "-c", 'echo "$@"', "sh", "--help", "--", "--for", "-x")
        assert (0, "--help -- --for -x\n") == (done.status, done.output)


def test_a_command_that_a_signal_ends_has_the_status_of_shells(place: Path) -> None:
    """A command that SIGTERM ended gives 128 and the signal's number."""
    done = soak(place, "--", "sh", "-c", "kill -TERM $$")
    assert 128 + signal.SIGTERM == done.status
    assert "The command ended with status 143 (killed by signal 15, as shells tell it). The log is " in done.errors


def test_the_end_tells_how_to_see_it_again(place: Path) -> None:
    """The last line is a command line that shows the log, whatever its name."""
    name = place / "reel 4's.sqlite"
    done = soak(place, "--log", str(name), "--", "true")
    again = done.errors.splitlines()[-1].removeprefix("To see it again: ")
    assert ["lanewright", "soak", "--show", str(name)] == shlex.split(again)
    assert 0 == look(place, *shlex.split(again)[2:]).status


@pytest.mark.parametrize(("command", "status"), [("no-such-command-here", 127), ("/", 126), ("./README.md", 126)])
def test_a_command_that_cannot_be_run_leaves_no_log(place: Path, command: str, status: int) -> None:
    """A command that is not found, or is no program, is one sentence and the status of shells; nothing is logged."""
    done = soak(place, "--", command)
    assert (status, "") == (done.status, done.output)
    assert "command" in one_line(done.errors)
    assert [] == logs(place)


def test_json_beside_a_command_goes_to_a_file(place: Path) -> None:
    """Standard output is the command's: JSON needs a file then, and has one."""
    refused = soak(place, "--format", "json", "--", "echo", "mine")
    assert (2, "") == (refused.status, refused.output)
    assert "--out" in usage_error(refused.errors)
    done = soak(place, "--format", "json", "--out", str(place / "soak.json"), "--", "echo", "mine")
    assert (0, "mine\n") == (done.status, done.output)
    assert "lanewright-soak" == msgspec.json.decode((place / "soak.json").read_bytes())["format"]


def test_nothing_is_said_while_it_runs_where_that_is_wanted(place: Path) -> None:
    """With --view none the only words before the end are the command's."""
    done = soak(place, "--view", "none", "--", "sh", "-c", "sleep 0.5; echo done >&2")
    assert done.errors.startswith("done\nBoth drives: ")


def test_signals_go_to_the_command(place: Path) -> None:
    """SIGTERM is passed on; the command decides how it ends, and the log and the analysis are made all the same."""
    script = "trap 'exit 9' TERM; echo up; while :; do sleep 0.1; done"
    process = started(place, words("--root", str(place / "machine"), "--every", "0.2", "--", "sh", "-c", script))
    assert process.stdout is not None
    assert "up\n" == process.stdout.readline()
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate(timeout=PATIENCE)
    assert 9 == process.returncode
    assert "The command ended with status 9." in errors
    assert 9 == form(place, "--show", "last")["end"]["status"]


def test_a_log_that_cannot_be_written_leaves_the_command_alone(place: Path) -> None:
    """When the log can grow no more one sentence says that it ended; the command runs on, and signals still reach it.

    Its exit status is kept, and what was logged until then is analysed.
    """
    script = "trap 'echo caught; exit 9' TERM; while :; do sleep 0.1; done"
    run = words("--root", str(place / "machine"), "--every", "0.1", "--", "sh", "-c", script)
    process = started(place, ["sh", "-c", 'ulimit -f 300; exec "$@"', "sh", *run])  # POSIX ulimit: units of 512 bytes
    assert process.stderr is not None
    before: list[str] = []
    while not before or "the log ends here" not in before[-1]:
        before.append(process.stderr.readline())
        assert before[-1], before
    assert before[-1].endswith("  the log ends here; the command goes on without it\n")
    assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    output, errors = process.communicate(timeout=PATIENCE)
    assert (9, "caught\n") == (process.returncode, output)
    told = [line for line in errors.splitlines() if line.startswith("lanewright: ")]
    assert [True] == [re.fullmatch(CUT_OFF, line) is not None for line in told]
    assert "ended by a fault, the command with status 9" in flat(errors)


CUT_OFF: Final = (
    r"lanewright: the log ended after \S+ s, as it could not be written any more; "
    r"the command was left to go on to its own end"
)


def test_a_log_that_is_gone_changes_no_status(place: Path) -> None:
    """A log that cannot be read again at the end is one sentence, and the exit status is the command's all the same."""
    log = place / "one.sqlite"
    done = soak(place, "--log", str(log), "--view", "none", "--", "sh", "-c", f"rm -f {log}*; exit 5")
    assert 5 == done.status
    told = [line for line in done.errors.splitlines() if line.startswith("lanewright: ")]
    assert 1 == len(told)
    assert "one.sqlite" in told[0]


def test_the_help_and_the_manual_warn_of_disks_that_should_sleep(place: Path) -> None:
    """Both say that to read a SATA disk's temperature may keep it from spinning down.

    Source: Documentation/hwmon/drivetemp.rst of the Linux kernel, "Reading the drive temperature may reset the spin
    down timer on some drives".
    """
    for text in (
        look(place, "--help").output,
        (HERE / "knowledge" / "manual" / "soaking.md").read_text(encoding="utf-8"),
    ):
        assert re.search(r"SATA disk( each second)? may keep it from spinning down", flat(text))


# --- Where nothing can be read --------------------------------------------------------------------------------------


def unreadable(place: Path, *paths: str) -> None:
    """Files and folders of the machine of which reading fails: a folder in a file's place, a file in a folder's."""
    for path in paths:
        there = (place / "machine").joinpath(*path.split("/")).resolve()
        assert there.exists()
        if there.is_dir():
            shutil.rmtree(there)
            there.write_text("")
        else:
            there.unlink()
            there.mkdir()


def nothing_left(place: Path, done: Run) -> str:
    """The one sentence of a soak that could read nothing: its command was not run, and there is no log."""
    assert (3, "") == (done.status, done.output)
    assert [] == logs(place)
    assert not (place / "ran").exists()
    return one_line(done.errors)


def test_a_machine_whose_drives_cannot_be_listed_is_one_sentence(place: Path) -> None:
    """Where no drive is known as the list of them could not be read, that is said with the reason, status 3."""
    unreadable(place, "sys/class/nvme")
    said = nothing_left(place, soak(place, "--", "touch", str(place / "ran")))
    reason = "which NVMe drives there are (/sys/class/nvme) could not be read: not a directory (ENOTDIR)"
    assert f"no drive can be watched, as {reason}" in said


def test_a_machine_without_drives_is_watched_as_before(place: Path) -> None:
    """Where no list failed, a machine without drives is no machine that could not be read."""
    shutil.rmtree(place / "machine" / "sys" / "class" / "nvme")
    done = soak(place, "--", "true")
    assert 0 == done.status
    assert "Logging no drives (none can be seen here)" in done.errors


def test_drives_of_which_nothing_can_be_read_are_one_sentence(place: Path) -> None:
    """Where drives are listed but no temperature and no counter of any can be read, that is said, status 3."""
    sensors = [f"sys/class/hwmon/hwmon{number}/temp{which}_input" for number in (1, 2) for which in (1, 2)]
    functions = [f"sys/bus/pci/devices/0000:0{bus}:0{at}" for bus, at in (("0", "1.0"), ("0", "2.0"))]
    functions += ["sys/bus/pci/devices/0000:01:00.0", "sys/bus/pci/devices/0000:02:00.0"]
    errors = [f"{at}/aer_dev_{kind}" for at in functions for kind in ("correctable", "nonfatal", "fatal")]
    unreadable(place, *sensors, "sys/class/hwmon/hwmon0/temp1_input", *errors)
    said = nothing_left(place, soak(place, "--", "touch", str(place / "ran")))
    assert "neither temperatures nor counters of any drive could be read: " in said
    assert "temperatures: the kernel refused the read (EINVAL); " in said
    assert "rates: not there (ENOENT)" in said


def test_one_reading_is_enough_for_a_soak(place: Path) -> None:
    """A drive of which a single thing can be read is watched, and all else is told with its reason."""
    unreadable(place, *(f"sys/class/hwmon/hwmon{number}/temp1_input" for number in (0, 1, 2)))
    done = soak(place, "--", "true")
    assert 0 == done.status
    assert "its temperature could not be read: the kernel refused the read (EINVAL)" in flat(done.errors)


# --- Without a command ---------------------------------------------------------------------------------------------


def test_a_soak_for_a_time_ends_with_its_page(place: Path) -> None:
    """For the time that was given drives are logged; then the page is on standard output, and the status is 0."""
    before = time.monotonic()
    done = soak(place, "--for", "1s")
    assert time.monotonic() - before >= 1.0
    assert 0 == done.status
    assert "its time was up" in flat(done.output)
    assert "nvme1 Ostrayne Reel 4 2TB" in done.output
    assert "Logging 2 drives every 0.2 s to " in done.errors
    assert 1 == len(logs(place))
    found = form(place, "--show", "last")
    assert 0.2 == found["every_seconds"]
    assert 2 <= found["samples"] <= 8  # a busy machine skips some
    # The tree's composites are 314 and 323 K; hwmon shows them less 273.15.
    assert [pytest.approx(40.85, abs=0.01), pytest.approx(49.85, abs=0.01)] == [
        drive["temperatures"]["most"] for drive in found["drives"]
    ]


def test_a_soak_without_drives_counts_its_samples(place: Path) -> None:
    """Where there is no drive the samples of the other temperatures are counted, and the time is that of the soak."""
    tree = two_drives()
    for number in (0, 1):
        for path in (f"/sys/class/nvme/nvme{number}", f"/sys/class/hwmon/hwmon{number + 1}"):
            tree.remove(path)
    tree.write_below(place / "bare")
    log = str(place / "bare.sqlite")
    done = look(place, "--root", str(place / "bare"), "--every", "0.2", "--for", "1s", "--log", log)
    assert 0 == done.status
    assert "No drives were seen." in done.output
    found = form(place, "--show", log)
    assert [] == found["drives"]
    assert 2 <= found["samples"] <= 8  # a busy machine skips some
    with closing(sqlite3.connect(log)) as file, file:
        file.execute("DELETE FROM ends")
    cut_off = form(place, "--show", log)
    assert (None, found["samples"]) == (cut_off["end"], cut_off["samples"])
    assert cut_off["seconds"] == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_soak_without_end_ends_by_hand(place: Path, number: signal.Signals) -> None:
    """Without a command and without a time a soak runs until it is told to stop; that is no failure."""
    process = logging_until_told(place)
    process.send_signal(number)
    output, _ = process.communicate(timeout=PATIENCE)
    assert 0 == process.returncode
    assert "stopped by hand" in flat(output)


@pytest.mark.long
@pytest.mark.parametrize("wait", [0.0, 0.03, 0.3])
def test_a_soak_that_is_told_to_end_twice_closes_its_log(place: Path, wait: float) -> None:
    """A second SIGTERM soon after the first, as one sent to a group as well, ends neither log nor report."""
    process = logging_until_told(place)
    for _ in range(3):
        process.send_signal(signal.SIGTERM)
        time.sleep(wait)
    output, _ = process.communicate(timeout=PATIENCE)
    assert 0 == process.returncode
    assert "stopped by hand" in flat(output)
    assert "interrupt" == form(place, "--show", "last")["end"]["reason"]


def test_a_soak_that_is_killed_can_be_looked_at(place: Path) -> None:
    """While it runs and after it is killed a log is shown, exported and listed, and said to have no end."""
    process = subprocess.Popen(
        words("--root", str(place / "machine"), "--every", "0.2"),
        cwd=HERE,
        env=around(place),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )

    def has_samples() -> bool:
        return bool(logs(place)) and look(place, "--export", "jsonl", "last").output.count('"kind": "drive"') >= 4

    until(has_samples)
    assert form(place, "--show", "last")["end"] is None
    process.kill()
    process.wait()
    found = form(place, "--show", "last")
    assert found["end"] is None
    assert found["samples"] >= 2
    assert "still running, or cut off" in look(place, "--list").output


def test_serial_numbers_and_names_stay_out_of_the_log(place: Path) -> None:
    """A log holds tokens in place of serial numbers and the host name, unless they are asked for."""
    numbers = [path.read_bytes().strip() for path in (place / "machine").rglob("serial")]
    assert [] != numbers
    host = (place / "machine" / "proc" / "sys" / "kernel" / "hostname").read_bytes().strip()
    soak(place, "--for", "0.3s")
    (log,) = logs(place)
    data = log.read_bytes()
    assert [] == [number for number in (*numbers, host) if number in data]
    soak(place, "--for", "0.3s", "--keep-serials", "--log", str(place / "kept.sqlite"))
    kept = (place / "kept.sqlite").read_bytes()
    assert all(number in kept for number in (*numbers, host))


def test_the_capture_in_a_log_can_be_replayed(place: Path) -> None:
    """The capture that a log holds is one that `check` takes."""
    soak(place, "--for", "0.3s", "--log", str(place / "one.sqlite"))
    with closing(sqlite3.connect(place / "one.sqlite")) as file:
        ((capture,),) = file.execute("SELECT value FROM meta WHERE key = 'capture'")
    (place / "capture.json").write_bytes(capture)
    done = subprocess.run(
        [sys.executable, "-m", "agent", "inventory", "--replay", str(place / "capture.json")],
        cwd=HERE,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert 0 == done.returncode
    assert "nvme0" in done.stdout


# --- Logs ----------------------------------------------------------------------------------------------------------


def test_a_log_is_found_by_its_file_its_name_and_as_the_last(place: Path) -> None:
    """--show takes a file, a name from --list with or without its ending, and "last"."""
    soak(place, "--for", "0.3s")
    (log,) = logs(place)
    shown = [form(place, "--show", name) for name in (str(log), log.name, log.stem, "last")]
    assert all(one == shown[0] for one in shown)
    assert log.name in look(place, "--list").output
    assert [str(log)] == [one["log"] for one in form(place, "--list")["logs"]]


def test_the_forms_are_as_their_schemas_say(place: Path) -> None:
    """The JSON of a log and of the list of logs fits what `lanewright schema` prints."""
    soak(place, "--for", "0.3s")
    for name, given in (("soak", ("--show", "last")), ("soaks", ("--list",))):
        done = subprocess.run(
            [sys.executable, "-m", "agent", "schema", name],
            cwd=HERE,
            env=environment(),
            capture_output=True,
            check=True,
        )
        schema = msgspec.json.decode(done.stdout)
        assert schemas.schema(name) == schema
        assert [] == problems(schema, form(place, *given), schema)


def test_exports_go_to_other_programs(place: Path) -> None:
    """Exports come on standard output or in a file, the same bytes, as csv and as jsonl."""
    soak(place, "--for", "0.5s")
    for kind, start in (("csv", "seconds,time,kind,name,"), ("jsonl", '{"kind": "head"')):
        done = look(place, "--export", kind, "last")
        assert (0, "") == (done.status, done.errors)
        assert done.output.startswith(start)
        target = place / f"soak.{kind}"
        assert "" == look(place, "--export", kind, "last", "--out", str(target)).output
        assert done.output == target.read_bytes().decode()


@pytest.mark.long
def test_a_picture_is_drawn_at_the_end_and_later(place: Path) -> None:
    """--plot draws a soak that was run, and one that is shown; a file that is there is kept unless --force is given."""
    picture = place / "soak.svg"
    assert 0 == soak(place, "--for", "0.5s", "--plot", str(picture)).status
    assert picture.read_bytes().startswith(b"<?xml")
    later = place / "later.PNG"
    assert 0 == look(place, "--show", "last", "--plot", str(later)).status
    assert later.read_bytes().startswith(b"\x89PNG")
    kept = look(place, "--show", "last", "--plot", str(later))
    assert (2, "") == (kept.status, kept.output)
    assert "--force" in one_line(kept.errors)
    assert 0 == look(place, "--show", "last", "--plot", str(later), "--force").status


def test_a_log_is_never_overwritten(place: Path) -> None:
    """A file that is there is no place for a log; --force is for pictures and exports, and the command is not run."""
    taken = place / "taken"
    taken.write_text("precious", encoding="utf-8")
    done = soak(place, "--log", str(taken), "--", "touch", str(place / "ran"))
    assert 2 == done.status
    assert "never overwritten" in one_line(done.errors)
    forced = soak(place, "--log", str(taken), "--force", "--", "touch", str(place / "ran"))
    assert (2, "") == (forced.status, forced.output)
    assert "precious" == taken.read_text(encoding="utf-8")
    assert not (place / "ran").exists()


def test_a_log_from_a_newer_version_is_refused(place: Path) -> None:
    """A log of a later version is one sentence that says to update."""
    soak(place, "--for", "0.3s", "--log", str(place / "one.sqlite"))
    with closing(sqlite3.connect(place / "one.sqlite")) as file, file:
        file.execute("UPDATE meta SET value = 99 WHERE key = 'version'")
    done = look(place, "--show", str(place / "one.sqlite"))
    assert (2, "") == (done.status, done.output)
    assert "update lanewright" in one_line(done.errors)


@pytest.mark.parametrize(
    "given",
    [
        ("--show", "README.md"),
        ("--show", "no-such-log"),
        ("--show", "last"),
        ("--show", ""),
        ("--show", "\x1b[2J"),
        ("--export", "csv", "README.md"),
        ("--for", "1s", "--log", "/no/such/folder/log"),
        ("--for", "1s", "--log", "/sys/log"),
        ("--for", "1s", "--plot", "/no/such/folder/soak.png"),
    ],
)
def test_what_is_no_log_is_one_sentence(place: Path, given: tuple[str, ...]) -> None:
    """A file that is no log, a name that is none, a place that cannot be written: one sentence, exit status 2."""
    done = look(place, *given)
    assert (2, "") == (done.status, done.output)
    assert ESCAPE not in one_line(done.errors)


@pytest.mark.long
@pytest.mark.parametrize(
    ("given", "told"),
    [
        (("--for", "soon"), "not a length of time"),
        (("--for", "0"), "not between 0.1s and 60d"),
        (("--for", "0.05s"), "not between 0.1s and 60d"),
        (("--for", "-5m"), "not a length of time"),
        (("--for", "nan"), "not a length of time"),
        (("--for", "999d"), "not between"),
        (("--every", "nan"), "not a length of time"),
        (("--every", "0"), "not between 0.1s and 1h"),
        (("--every", "2h"), "not between 0.1s and 1h"),
        (("--for", "5m", "--", "true"), "cannot go together"),
        (("--list", "--show", "last"), "one of these"),
        (("--list", "--for", "5m"), "--for"),
        (("--show", "last", "--", "true"), "COMMAND"),
        (("--show", "last", "--log", "x"), "--log"),
        (("--show", "last", "--every", "2"), "--every"),
        (("--export", "xml", "last"), "xml"),
        (("--export", "csv", "last", "--format", "json"), "csv or jsonl"),
        (("--list", "--plot", "x.png"), "--plot"),
        (("--plot", "x.gif"), "neither .png nor .svg"),
        (("--show", "last", "--out", "x"), "--out"),
        (("--view", "live", "--for", "1s"), "terminal"),
        (("--root", "/no/such/place"), "no such directory"),
        (("--force",), "--plot or --out"),
        (("--force", "--for", "1s"), "--plot or --out"),
    ],
)
def test_words_that_make_no_sense_are_refused(place: Path, given: tuple[str, ...], told: str) -> None:
    """Options that do not go together, and values that are none, are refused in one sentence; nothing is logged."""
    done = look(place, *given)
    assert (2, "") == (done.status, done.output)
    assert told in usage_error(done.errors)
    assert [] == logs(place)


@pytest.mark.parametrize(("text", "seconds"), [("90s", "90 s"), ("30m", "30 min"), ("1h30m", "90 min"), ("45", "45 s")])
def test_times_are_as_people_write_them(place: Path, text: str, seconds: str) -> None:
    """A time may have units, several of them, or none for seconds."""
    process = subprocess.Popen(
        words("--root", str(place / "machine"), "--for", text),
        cwd=HERE,
        env=around(place),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert f"ends after {seconds}, or with Ctrl-C." in process.stderr.readline()
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=PATIENCE)
    assert 0 == process.returncode


# --- On a terminal -------------------------------------------------------------------------------------------------


class Terminal:
    """A run on a terminal of its own, 80 columns wide."""

    def __init__(self, place: Path, *given: str, columns: int = 80, **env: str) -> None:
        """Start it."""
        self.text = ""
        pid, self.handle = pty.fork()
        if pid == 0:
            os.chdir(HERE)
            kept = {
                name: value for name, value in around(place, **{"TERM": "xterm", **env}).items() if name != "COLUMNS"
            }
            line = words("--root", str(place / "machine"), "--every", "0.2", *given)
            os.execve(sys.executable, line, kept)  # noqa: S606 - as a shell would
        self.pid = pid
        fcntl.ioctl(self.handle, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))

    def read_until(self, found: Callable[[str], bool]) -> None:
        """Read what it shows until something is there."""
        end = time.monotonic() + PATIENCE
        while not found(self.text):
            assert time.monotonic() < end, self.text
            if select.select([self.handle], [], [], 0.1)[0]:
                try:
                    self.text += os.read(self.handle, 65536).decode("utf-8", "replace")
                except OSError:
                    return

    def press(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.handle, keys)

    def end(self) -> int:
        """Read to the end; the exit status."""
        self.read_until(lambda _: False)
        os.close(self.handle)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


@pytest.fixture
def terminal(place: Path) -> Iterator[Callable[..., Terminal]]:
    """Starts runs on terminals, and ends those that are left."""
    started: list[Terminal] = []

    def start(*given: str, **more: Any) -> Terminal:  # noqa: ANN401 - as Terminal has it
        started.append(Terminal(place, *given, **more))
        return started[-1]

    yield start
    for one in started:
        try:
            os.kill(one.pid, signal.SIGKILL)
            os.waitpid(one.pid, 0)
        except (ProcessLookupError, ChildProcessError):
            continue


def test_a_terminal_has_a_live_view(terminal: Callable[..., Terminal]) -> None:
    """On a terminal drives are drawn in place while a soak runs; Ctrl-C ends it with the page and the status 0."""
    run = terminal()
    run.read_until(lambda text: text.count("nvme0") >= 4)
    assert "Soak 0:00:0" in run.text
    assert f"{ESCAPE}[1A" in run.text  # drawn over what was there
    run.press(b"\x03")
    assert 0 == run.end()
    assert f"{ESCAPE}[?25h" in run.text  # the cursor is back
    assert "stopped by hand" in flat(run.text)


def test_a_terminal_without_colour_has_none(terminal: Callable[..., Terminal]) -> None:
    """With NO_COLOR neither the view nor the page has a colour. Source: ECMA-48, 8.3.117, parameters 30 to 37."""
    run = terminal("--for", "0.8s", NO_COLOR="1")
    assert 0 == run.end()
    assert "nvme0" in run.text
    assert [] == re.findall(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7])m", run.text)


def test_a_command_has_the_terminal_for_itself(terminal: Callable[..., Terminal]) -> None:
    """Beside a command nothing is drawn in place, and Ctrl-C is the command's matter."""
    run = terminal("--", "sh", "-c", "trap 'echo caught; exit 5' INT; echo up; while :; do sleep 0.1; done")
    run.read_until(lambda text: "up" in text)
    run.press(b"\x03")
    assert 5 == run.end()
    assert f"{ESCAPE}[1A" not in run.text
    assert 1 == run.text.count("caught\r\n")
    assert "The command ended with status 5." in run.text


def test_a_line_is_not_broken_inside_a_name(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    """On a narrow terminal a line a minute is broken between words; elsewhere it stays one line."""
    words = "1:00  nvme0 reads 2,900, writes 12 MB/s; Ostrayne-Reel-4-carrier-bay-11 41.9 C; nvme2 no reading"
    monkeypatch.setattr(os, "get_terminal_size", lambda _: os.terminal_size((36, 24)))
    for terminal, lines in ((True, 4), (False, 1)):
        monkeypatch.setattr(soak_command, "on_terminal", lambda terminal=terminal: terminal)
        soak_command._say_folded(words)  # noqa: SLF001 - what a running soak says its lines by
        said = capfd.readouterr().err
        assert lines == len(said.splitlines())
        assert words.split() == said.split()
        assert not terminal or max(map(len, said.splitlines())) <= 36


def test_a_terminal_that_can_do_nothing_has_lines(terminal: Callable[..., Terminal]) -> None:
    """A terminal that says it is dumb gets no view that is drawn in place."""
    run = terminal("--for", "0.8s", TERM="dumb")
    assert 0 == run.end()
    assert f"{ESCAPE}[1A" not in run.text


# --- What is loaded ------------------------------------------------------------------------------------------------


def test_a_soak_loads_no_pictures(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without --plot nothing of the library for pictures is loaded."""
    monkeypatch.setenv("XDG_STATE_HOME", str(place / "state"))
    status, names = loaded("soak", "--root", str(place / "machine"), "--for", "0.3s", "--format", "json")
    assert 0 == status
    assert "agent.soak.running" in names
    assert [] == [name for name in names if name.split(".")[0] in {"matplotlib", "numpy", "rich"}]
