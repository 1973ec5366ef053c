"""The log of a soak: what goes in comes out, whatever happens to the writer, the disk or the file."""

from __future__ import annotations

import math
import os
import random
import re
import resource
import signal
import sqlite3
import subprocess
import sys
import textwrap
from array import array
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knowledge.problems import BadInput
from probes import soaklog
from probes.samples import Counters, DriveHead, DriveSample, End, Event, Head, Missed, Moment
from probes.soaklog import reading, schema
from probes.soaklog.writing import AND_NOW_AND_THEN, MOST_TURNS
from probes.unread import Unread
from tests.spent import within

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

HERE: Final = Path(__file__).resolve().parent.parent
SOON: Final = 10.0  # seconds of processor time; what is given up takes some hundredths
NOON: Final = 1_772_452_800.0  # 2026-03-02T12:00:00Z
CAPTURE: Final = b'{"format": "lanewright-capture"}'
HEAT: Final = Counters(1, 2, 3, 4, 5, 6)


def drive_head(name: str, sensors: tuple[str, ...] = ("Composite", "Sensor 1")) -> DriveHead:
    """The head of a drive."""
    return DriveHead(
        name=name,
        address="0000:01:00.0",
        model="Ostrayne Reel 4",
        firmware="RL4B2.10",
        serial="OS-1",
        sensors=sensors,
        warning_celsius=80.0,
        critical_celsius=85.0,
        blocks=(f"{name}n1",),
        link=(4, 4),
        ports=("0000:00:01.0",),
        expected=(5900.0, 7200.0),
    )


def head(drives: int = 2, others: tuple[str, ...] = ("board",)) -> Head:
    """The head of a soak of so many drives."""
    return Head(
        started_at="2026-03-02T08:30:00Z",
        agent="1.0",
        platform="linux",
        machine="bench-1",
        every=1.0,
        command=("render", "--all"),
        drives=tuple(drive_head(f"nvme{number}") for number in range(drives)),
        others=others,
    )


def sample(second: float, written: int = 0) -> Moment:
    """A sample of two drives."""
    first = DriveSample((40.85, 44.85), 1_000_000 * int(second), written, 1, 2, 500 * int(second), (4, 4), 0)
    return Moment(second, 0.001, (first, DriveSample((None, 51.85), link=(3, 4), errors=int(second))), (27.8,))


def written(path: Path, samples: Sequence[Moment], end: End | None = None, soak_head: Head | None = None) -> Path:
    """A log of these samples, cut off where it has no end."""
    log = soaklog.Writer(str(path), soak_head or head(), CAPTURE)
    for one in samples:
        log.add(one)
    log.commit()
    if end is not None:
        log.close(end)
    else:
        log._file.close()  # noqa: SLF001 - what the end of a process would do
    return path


# --- In and out ------------------------------------------------------------------------------------------------


def test_a_log_gives_back_what_was_written(tmp_path: Path) -> None:
    """Every sample, event, head, capture and the end come out of a log as they went in."""
    samples = [sample(float(second)) for second in range(5)]
    samples[3] = Moment(3.5, 0.5, (DriveSample((None, None), counters=HEAT), DriveSample((20.0, None))), (None,))
    end = End(5.25, "command", 3)
    path = tmp_path / "a.sqlite"
    log = soaklog.Writer(str(path), head(), CAPTURE)
    for one in samples:
        log.add(one)
    event = Event(3.5, "link", "nvme0", "the link went from 4 lanes to 2")
    log.event(event)
    log.close(end)
    assert samples == list(soaklog.samples(str(path)))
    soak = soaklog.read(str(path))
    assert (head(), CAPTURE, (event,), end, 1) == (soak.head, soak.capture, soak.events, soak.end, soak.thinned)
    assert ["a.sqlite"] == os.listdir(tmp_path)  # a finished log is one single file


def test_tracks_are_worked_out_by_hand(tmp_path: Path) -> None:
    """Rates are bytes by the seconds between, busy time is a share of them, changes stand where they came."""
    drives = [
        DriveSample((40.85, 44.85), 0, 500, busy_ms=0, link=(4, 4), errors=2),
        DriveSample((41.85, None), 3_000_000, 500, busy_ms=750, link=(4, 4), errors=2, counters=HEAT),
        DriveSample((None, 46.85), 3_000_000, 8_000_500, busy_ms=3000, link=(1, 4), errors=7),
    ]
    seconds = (0.0, 1.5, 3.5)
    samples = [Moment(at, 0.0, (drive,)) for at, drive in zip(seconds, drives, strict=True)]
    path = written(tmp_path / "a.sqlite", samples, soak_head=head(1, ()))
    (track,) = soaklog.read(str(path)).tracks
    assert array("d", seconds) == track.seconds
    assert same([40.85, 41.85, math.nan], track.celsius)
    assert same([44.85, 41.85, 46.85], track.hottest)
    assert same([math.nan, 2.0, 0.0], track.read_mbps)  # 3 MB in 1.5 s
    assert same([math.nan, 0.0, 4.0], track.write_mbps)  # 8 MB in 2 s
    assert same([math.nan, 0.5, 1.0], track.busy)  # 0.75 s of 1.5 s; 2.25 s of 2 s is all of it
    assert same([0.0, 0.0, 8_000_000.0], track.written_bytes)
    assert ((0.0, 4, 4), (3.5, 1, 4)) == track.links
    assert ((0.0, 2), (3.5, 7)) == track.errors
    assert ((1.5, HEAT),) == track.counters


def same(expected: Sequence[float], actual: Sequence[float]) -> bool:
    """Whether the numbers agree, nan with nan."""
    return len(expected) == len(actual) and all(
        math.isclose(one, other) or (math.isnan(one) and math.isnan(other))
        for one, other in zip(expected, actual, strict=True)
    )


def test_a_count_that_falls_or_is_missing_gives_no_rate(tmp_path: Path) -> None:
    """After a drive's return its counts begin anew: no rate there, nothing negative, and the sum goes on."""
    counts = [1_000_000, 3_000_000, None, 500_000, 1_500_000, 0, 2_000_000]
    samples = [Moment(float(at), 0.0, (DriveSample((40.0,), write_bytes=count),)) for at, count in enumerate(counts)]
    path = written(tmp_path / "a.sqlite", samples, soak_head=head(1, ()))
    (track,) = soaklog.read(str(path)).tracks
    nan = math.nan
    assert same([nan, 2.0, nan, nan, 1.0, nan, 2.0], track.write_mbps)
    assert same([0.0, 2e6, nan, 2e6, 3e6, 3e6, 5e6], track.written_bytes)
    assert same([nan] * 7, track.read_mbps)


_celsius = st.none() | st.floats(-60, 250).map(lambda value: round(value, 2))
_count = st.none() | st.integers(0, 2**63 - 1)
_small = st.integers(0, 2**32 - 1)
_drive = st.builds(
    DriveSample,
    st.tuples(_celsius, _celsius),
    *[_count] * 5,
    st.none() | st.tuples(st.integers(0, 7), st.integers(0, 32)),
    _count,
    st.none() | st.builds(Counters, *[_small] * 6),
)


@settings(max_examples=40)  # each makes a file
@given(st.lists(st.tuples(st.floats(0.001, 100), _drive, _drive, _celsius), max_size=12))
def test_any_samples_come_out_as_they_went_in(
    tmp_path_factory: pytest.TempPathFactory, found: list[tuple[float, DriveSample, DriveSample, float | None]]
) -> None:
    """Whatever the drives say, a log gives it back, and its tracks are as long as the log."""
    samples, now = [], 0.0
    for step, first, second, other in found:
        now += step
        samples.append(Moment(now, 0.0, (first, second), (other,)))
    path = written(tmp_path_factory.mktemp("logs") / "a.sqlite", samples, End(now, "time", None))
    assert samples == list(soaklog.samples(str(path)))
    soak = soaklog.read(str(path))
    assert [len(samples)] * 14 == [
        len(column)
        for track in soak.tracks
        for column in (
            *(track.seconds, track.celsius, track.hottest, track.read_mbps, track.write_mbps),
            *(track.busy, track.written_bytes),
        )
    ]
    assert not any(share > 1 for track in soak.tracks for share in track.busy)
    path.unlink()


def test_counts_past_what_a_file_can_hold_are_none(tmp_path: Path) -> None:
    """A count of more than 63 bits, which no drive of this world has, is not known."""
    path = written(
        tmp_path / "a.sqlite", [Moment(0.0, 0.0, (DriveSample((1.0,), 2**63, 2**64, errors=2**70),))], None, head(1, ())
    )
    (one,) = soaklog.samples(str(path))
    assert DriveSample((1.0, None)) == one.drives[0]


def test_words_of_any_kind_can_be_written(tmp_path: Path) -> None:
    """Broken names in a command, and events of great length, are written so that the log can be read."""
    command = ("render", os.fsdecode(b"reel-\xff.mov"), "a\0b")
    log = soaklog.Writer(str(tmp_path / "a.sqlite"), msgspec.structs.replace(head(), command=command), CAPTURE)
    log.event(Event(0.0, "command", None, os.fsdecode(b"\xff") + "x" * 10_000))
    log.close(End(1.0, "command", 0))
    soak = soaklog.read(str(tmp_path / "a.sqlite"))
    assert ("render", "reel-?.mov", "a\0b") == soak.head.command
    assert ["?" + "x" * 4095] == [event.words for event in soak.events]


def test_other_tools_can_read_a_log(tmp_path: Path) -> None:
    """Plain SQL sees the readings of each drive by its name."""
    path = written(tmp_path / "a.sqlite", [sample(0.0), sample(1.0, 5)], End(2.0, "time", None))
    with sqlite3.connect(path) as file:
        found = file.execute("SELECT seconds, drive, celsius, hottest, write_bytes, sensor_2 FROM readings").fetchall()
        assert [(1,), ("lanewright-soak",)] == file.execute(
            "SELECT value FROM meta WHERE key IN ('format', 'version') ORDER BY key DESC"
        ).fetchall()
    file.close()
    assert [
        (0.0, "nvme0", 40.85, 44.85, 0, 44.85),
        (0.0, "nvme1", None, 51.85, None, 51.85),
        (1.0, "nvme0", 40.85, 44.85, 5, 44.85),
        (1.0, "nvme1", None, 51.85, None, 51.85),
    ] == found


def test_a_log_without_drives_or_samples_is_one(tmp_path: Path) -> None:
    """A log of no drives, and one of no samples, are read."""
    empty = soaklog.read(str(written(tmp_path / "a.sqlite", [])))
    assert ([0, 0], None) == ([len(track.seconds) for track in empty.tracks], empty.end)
    none = soaklog.read(str(written(tmp_path / "b.sqlite", [Moment(0.0, 0.0, (), (9.0,))], None, head(0))))
    assert ((), (("board", array("d", [9.0])),)) == (none.tracks, none.others)


def test_a_log_that_is_too_long_is_thinned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a log of more samples than are held, each third is read, with mean rates over the time between."""
    path = written(tmp_path / "a.sqlite", [sample(float(second)) for second in range(10)])
    monkeypatch.setattr(reading, "MOST_SAMPLES", 8)
    soak = soaklog.read(str(path))
    assert (3, [0.0, 3.0, 6.0, 9.0]) == (soak.thinned, list(soak.tracks[0].seconds))
    assert same([math.nan, 1.0, 1.0, 1.0], soak.tracks[0].read_mbps)
    assert tuple((float(second), second) for second in range(10)) == soak.tracks[1].errors


# --- What could not be read ---------------------------------------------------------------------------------------

WHY: Final = "the device gave an input/output error (EIO)"


def lost(what: str, why: str = WHY, *, needs_root: bool = False) -> Unread:
    """A reading that failed."""
    return Unread(what, why, needs_root)


def test_reasons_come_out_as_they_went_in(tmp_path: Path) -> None:
    """Why a value could not be read is in each sample that lacks it; of counters in the first after they were read."""
    whole = DriveSample((40.85, 44.85), 1, 2, 3, 4, 5, (4, 4), 0)
    celsius = (lost("temperature"), None)
    dark = DriveSample(celsius, link=lost("link"), errors=lost("errors"), counters=lost("counters", "no"))
    names = ("read_bytes", "write_bytes", "reads", "writes", "busy_ms")
    dark = msgspec.structs.replace(dark, **dict.fromkeys(names, lost("rates", "not there")))
    again = DriveSample((lost("temperature", "another"), 44.85), 1, 2, 3, 4, 5, (4, 4), 0)
    refused = msgspec.structs.replace(whole, counters=lost("counters", "no right", needs_root=True))
    drives = (whole, dark, again, whole, refused)
    boards: tuple[float | Unread, ...] = (20.0, lost("other_1"), lost("other_1"), 21.0, 20.0)
    samples = [
        Moment(float(at), 0.0, (drive, whole), (board,))
        for at, (drive, board) in enumerate(zip(drives, boards, strict=True))
    ]
    path = written(tmp_path / "a.sqlite", samples, End(9.0, "time", None))
    assert samples == list(soaklog.samples(str(path)))
    soak = soaklog.read(str(path))
    assert (Missed("other_1", WHY, 1.0, 3.0),) == soak.unread
    assert {
        Missed("temperature", WHY, 1.0, 2.0),
        Missed("temperature", "another", 2.0, 3.0),
        *(Missed(what, WHY, 1.0, 2.0) for what in ("link", "errors")),
        Missed("rates", "not there", 1.0, 2.0),
        Missed("counters", "no", 1.0, 4.0),
        Missed("counters", "no right", 4.0, None, needs_root=True),
    } == set(soak.tracks[0].unread)
    assert () == soak.tracks[1].unread


def test_counters_that_are_not_asked_for_are_not_read_again(tmp_path: Path) -> None:
    """Counters that failed count as lost until they are read, not until a sample that does not ask for them."""
    drives = [DriveSample((40.0,), counters=found) for found in (lost("counters"), None, lost("counters"), None, HEAT)]
    samples = [Moment(float(at), 0.0, (drive,)) for at, drive in enumerate(drives)]
    (track,) = soaklog.read(str(written(tmp_path / "a.sqlite", samples, soak_head=head(1, ())))).tracks
    assert (Missed("counters", WHY, 0.0, 4.0),) == track.unread


def test_a_reading_that_flickers_for_days_is_noted_a_bounded_number_of_times(tmp_path: Path) -> None:
    """Of a reading that fails each other sample the log notes some hundred times, the last of which says so."""
    values = (lost("temperature") if at % 2 else 40.0 for at in range(4 * MOST_TURNS))
    samples = [Moment(float(at), 0.0, (DriveSample((value,)),)) for at, value in enumerate(values)]
    (track,) = soaklog.read(str(written(tmp_path / "a.sqlite", samples, soak_head=head(1, ())))).tracks
    assert MOST_TURNS == len(track.unread)
    last = track.unread[-1]
    assert (WHY + AND_NOW_AND_THEN, 2.0 * MOST_TURNS - 1, None) == (last.why, last.start, last.end)


def test_what_could_not_be_looked_up_is_in_the_head(tmp_path: Path) -> None:
    """What failed at the start, of a drive and of the machine, comes out of the head with its reason."""
    drive = msgspec.structs.replace(drive_head("nvme0", ()), unread=(lost("temperature"), lost("rates")))
    whole = msgspec.structs.replace(head(1), drives=(drive,), unread=(lost("which NVMe drives there are"),))
    path = written(tmp_path / "a.sqlite", [], soak_head=whole)
    assert whole == soaklog.read(str(path)).head


def test_a_log_of_the_first_releases_is_read(tmp_path: Path) -> None:
    """A log without the table of reasons, and with a head that has none, is read as before: what is missing is so."""
    samples = [sample(0.0), Moment(1.0, 0.0, (DriveSample((None, None)), DriveSample((40.0, 41.0))), (27.8,))]
    path = written(tmp_path / "a.sqlite", samples, End(2.0, "time", None))
    bare = re.sub(r', ?"unread": ?\[\]', "", old_head(path))
    with sqlite3.connect(path) as file:
        for table in schema.OPTIONAL:
            file.execute(f"DROP TABLE {table}")
        file.execute("UPDATE meta SET value = ? WHERE key = 'head'", (bare,))
    file.close()
    assert "unread" not in old_head(path)
    assert samples == list(soaklog.samples(str(path)))
    soak = soaklog.read(str(path))
    assert ((), (), ()) == (soak.unread, *(track.unread for track in soak.tracks))
    assert (None, None) == (soak.moments, soak.walls)


def at_noon(second: float) -> Moment:
    """A sample with a time of day: that of a clock that runs beside the seconds."""
    return msgspec.structs.replace(sample(second), wall=NOON + second)


def test_each_sample_has_its_time_of_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The time of day is kept with each sample, nan where it was not told, also in a log that is thinned."""
    samples = [sample(0.0) if not second else at_noon(float(second)) for second in range(9)]
    path = written(tmp_path / "a.sqlite", samples, End(9.0, "time", None))
    assert samples == list(soaklog.samples(str(path)))
    soak = soaklog.read(str(path))
    assert soak.moments is not None
    assert soak.walls is not None
    assert [float(second) for second in range(9)] == list(soak.moments)
    assert math.isnan(soak.walls[0])
    assert [NOON + second for second in range(1, 9)] == list(soak.walls[1:])
    monkeypatch.setattr(reading, "MOST_SAMPLES", 6)
    thin = soaklog.read(str(path))
    assert 3 == thin.thinned
    assert thin.walls is not None
    assert [NOON + 3, NOON + 6] == list(thin.walls[1:])


def old_head(path: Path) -> str:
    """The head of a log as it stands in the file."""
    with sqlite3.connect(path) as file:
        (found,) = file.execute("SELECT value FROM meta WHERE key = 'head'").fetchone()
    file.close()
    return str(found)


# --- While it is written, and after ------------------------------------------------------------------------------


def test_a_log_is_read_while_it_is_written(tmp_path: Path) -> None:
    """A reader sees what was committed, no half of what was not, and the writer is not disturbed."""
    path = str(tmp_path / "a.sqlite")
    log = soaklog.Writer(path, head(), CAPTURE)
    log.add(sample(0.0))
    assert [] == list(soaklog.samples(path))
    log.commit()
    assert [0.0] == list(soaklog.read(path).tracks[0].seconds)
    before = soaklog.samples(path)
    next(before)
    log.add(sample(1.0))
    log.commit()
    assert [] == list(before)  # it reads the log as it stood when it was opened
    assert ([0.0, 1.0], None) == (list(soaklog.read(path).tracks[0].seconds), soaklog.read(path).end)
    log.close(End(2.0, "interrupt", 130))
    assert End(2.0, "interrupt", 130) == soaklog.read(path).end


ENDLESS: Final = """
    import sys
    from tests.test_soak_log import head, sample, CAPTURE
    from probes.soaklog import Writer
    from knowledge.problems import BadInput
    from probes.samples import End
    import resource, time
    path, limit, pause = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    log = Writer(path, head(), CAPTURE)
    if limit:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    second = 0
    try:
        while True:
            for _ in range(20):
                log.add(sample(float(second), second))
                second += 1
            log.commit()
            print(second, flush=True)
            time.sleep(pause)
    except BadInput as fault:
        print("fault", fault, flush=True)
        try:
            log.close(End(float(second), "fault", None))
        except BadInput as again:
            print("again", again, flush=True)
"""


def endless(path: Path, limit: int = 0, pause: float = 0.0) -> subprocess.Popen[str]:
    """A process that writes a log and prints how many samples are committed."""
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(ENDLESS), str(path), str(limit), str(pause)],
        cwd=HERE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("commits", [1, 7, 60])
def test_a_writer_that_is_killed_loses_nothing_committed(tmp_path: Path, commits: int) -> None:
    """After SIGKILL amid writing a log opens, holds all that was committed, in order, and says that it has no end."""
    path = tmp_path / "a.sqlite"
    with endless(path) as process:
        assert process.stdout is not None
        committed = [int(process.stdout.readline()) for _ in range(commits)][-1]
        process.send_signal(signal.SIGKILL)
    assert -signal.SIGKILL == process.returncode
    soak = soaklog.read(str(path))
    count = len(soak.tracks[0].seconds)
    assert count >= committed
    assert 0 == count % 20  # whole commits only
    assert [float(second) for second in range(count)] == list(soak.tracks[0].seconds)
    assert soak.end is None
    assert CAPTURE == soak.capture


def held(path: Path, process: subprocess.Popen[str]) -> None:
    """Wait for a writer that ran out of room, and hold what it left against what it said."""
    output, _ = process.communicate(timeout=120)
    lines = output.splitlines()
    committed = max(int(line) for line in lines if line.isdigit())
    (fault,) = [line for line in lines if line.startswith("fault")]
    assert f'the log "{path}" cannot be written (' in fault
    assert fault.endswith("; make room, or name another place with --log")
    soak = soaklog.read(str(path))
    assert [float(second) for second in range(committed)] == list(soak.tracks[0].seconds)
    assert soak.end in {None, End(float(committed + 20), "fault", None)}


def test_a_disk_that_is_full_costs_no_more_than_the_last_commit(tmp_path: Path) -> None:
    """Where a disk is full the writer says so in one sentence, and the log holds all that was committed before."""
    disk = tmp_path / "disk"
    disk.mkdir()
    try:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(disk)], check=False, capture_output=True
        )
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if mounted.returncode:
        pytest.skip("no small disk may be made here (needs root)")
    try:
        with endless(disk / "a.sqlite") as process:
            held(disk / "a.sqlite", process)
        assert list(soaklog.samples(str(disk / "a.sqlite")))
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_file_that_may_not_grow_costs_no_more_than_the_last_commit(tmp_path: Path) -> None:
    """The same where the size of files is limited."""
    with endless(tmp_path / "a.sqlite", limit=400_000) as process:
        held(tmp_path / "a.sqlite", process)


def test_after_a_failure_nothing_more_is_taken(tmp_path: Path) -> None:
    """A log that could not be written once says the same again, and never holds half of a sample."""
    path = str(tmp_path / "a.sqlite")
    log = soaklog.Writer(path, head(), CAPTURE)
    log.add(sample(0.0))
    log.commit()
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (os.stat(f"{path}-wal").st_size, before[1]))
    try:
        log.add(sample(1.0))
        with pytest.raises(BadInput, match="cannot be written") as first:
            log.commit()
        with pytest.raises(BadInput, match="cannot be written") as second:
            log.add(sample(2.0))
        assert str(first.value) == str(second.value)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    log.close(End(3.0, "fault", None))  # there is room again
    soak = soaklog.read(path)
    assert ([0.0], End(3.0, "fault", None)) == (list(soak.tracks[0].seconds), soak.end)


# --- Places ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        # XDG Base Directory Specification: $HOME/.local/state where unset, empty or relative.
        ({"XDG_STATE_HOME": "/var/state", "HOME": "/home/mira"}, "/var/state/lanewright/soaks"),
        ({"HOME": "/home/mira"}, "/home/mira/.local/state/lanewright/soaks"),
        ({"XDG_STATE_HOME": "", "HOME": "/home/mira"}, "/home/mira/.local/state/lanewright/soaks"),
        ({"XDG_STATE_HOME": "state", "HOME": "/home/mira"}, "/home/mira/.local/state/lanewright/soaks"),
    ],
)
def test_logs_go_to_the_state_folder(environ: dict[str, str], expected: str) -> None:
    """Logs without a place of their own go where the specification says."""
    assert expected == soaklog.default_folder(environ)
    assert soaklog.default_folder({}).endswith("/.local/state/lanewright/soaks")


def test_new_places_are_not_taken(tmp_path: Path) -> None:
    """A place for a new log makes its folder, is named by the start, and is never one that is there."""
    folder = str(tmp_path / "state" / "soaks")
    first = soaklog.new_place(folder, "2026-03-02T08:30:00Z")
    assert f"{folder}/2026-03-02-083000Z.sqlite" == first
    assert 0o700 == os.stat(folder).st_mode & 0o777
    Path(first).touch()
    assert f"{folder}/2026-03-02-083000Z-2.sqlite" == soaklog.new_place(folder, "2026-03-02T08:30:00Z")
    with pytest.raises(BadInput, match="name a file with --log"):
        soaklog.new_place(f"{first}/below", "2026-03-02T08:30:00Z")


def test_logs_are_listed_latest_first(tmp_path: Path) -> None:
    """The logs of a folder are listed with their heads, ends and lengths; what is no log is left out."""
    early, late = head(), msgspec.structs.replace(head(), started_at="2026-03-03T09:00:00Z")
    written(tmp_path / "a.sqlite", [sample(0.0), sample(7.0)], None, early)
    written(tmp_path / "b.sqlite", [sample(0.0)], End(90.5, "time", None), late)
    written(tmp_path / "c.other", [sample(0.0)])
    (tmp_path / "d.sqlite").write_text("no log", encoding="utf-8")
    (tmp_path / "e.sqlite").mkdir()
    assert [
        (str(tmp_path / "b.sqlite"), late, End(90.5, "time", None), 90.5),
        (str(tmp_path / "a.sqlite"), early, None, 7.0),
    ] == soaklog.listed(str(tmp_path))
    assert [] == soaklog.listed(str(tmp_path / "nowhere"))


@pytest.mark.parametrize(
    "name", ["a?mode=memory.sqlite", "100%25 #3.sqlite", ":memory:", "file:x.sqlite", "-é\n.sqlite"]
)
def test_names_say_nothing_to_sqlite(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A file of any name is that file."""
    monkeypatch.chdir(tmp_path)
    written(Path(name), [sample(0.0)], End(1.0, "time", None))
    assert [name] == os.listdir(tmp_path)
    assert End(1.0, "time", None) == soaklog.read(name).end


class Fussy(sqlite3.Connection):
    """A file on a file system that lacks something: what it lacks fails as SQLite says it does."""

    lacks: str = ""

    def execute(self, sql: str, *more: Any) -> sqlite3.Cursor:  # noqa: ANN401 - as sqlite3 has it
        """Fails where it needs what is lacking."""
        if self.lacks and sql.startswith(self.lacks):
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMMAP
            raise error
        return super().execute(sql, *more)


@pytest.mark.parametrize(
    ("lacks", "modes"),
    [
        ("PRAGMA journal_mode = WAL", ["mode=rw", "mode=rw"]),
        ("PRAGMA journal_mode", ["mode=rw", "mode=rw", "mode=rw&nolock=1"]),
    ],
)
def test_a_log_is_written_on_any_file_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lacks: str, modes: list[str]
) -> None:
    """Where a file system has no memory to share, or no locks, the log is written in a way that needs neither.

    Sources: sqlite.org/wal.html (a write-ahead log needs shared memory), sqlite.org/rescode.html (SQLITE_IOERR_SHMMAP).
    """
    asked = []

    def connect(place: str, **more: Any) -> sqlite3.Connection:  # noqa: ANN401 - as sqlite3 has it
        asked.append(place.rpartition("?")[2])
        monkeypatch.setattr(Fussy, "lacks", "" if "nolock" in place else lacks)
        return opened(place, **more, factory=Fussy)

    path, opened = tmp_path / "a.sqlite", sqlite3.connect
    samples = [sample(0.0), sample(1.0)]
    with monkeypatch.context() as patched:
        patched.setattr(sqlite3, "connect", connect)
        written(path, samples, End(2.0, "time", None))
    assert modes == asked
    assert samples == list(soaklog.samples(str(path)))
    assert [path.name] == [found.name for found in tmp_path.iterdir()]


def test_a_log_that_no_file_system_bears_is_no_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing can be written at all, one sentence says so and nothing is left."""
    monkeypatch.setattr(Fussy, "lacks", "PRAGMA")
    opened = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda place, **more: opened(place, **more, factory=Fussy))
    with pytest.raises(BadInput, match="cannot be written"):
        soaklog.Writer(str(tmp_path / "a.sqlite"), head(), CAPTURE)
    assert [] == list(tmp_path.iterdir())


def test_a_log_never_replaces_a_file(tmp_path: Path) -> None:
    """A place that is taken, a folder, or one below a file is refused in one sentence; what is there stays."""
    taken = tmp_path / "a.sqlite"
    taken.write_text("precious", encoding="utf-8")
    for place in (taken, tmp_path, taken / "b.sqlite", Path("/sys/a.sqlite"), tmp_path / "no" / "a.sqlite"):
        with pytest.raises(BadInput):
            soaklog.Writer(str(place), head(), CAPTURE)
    assert "precious" == taken.read_text(encoding="utf-8")
    assert ["a.sqlite"] == os.listdir(tmp_path)


def test_a_log_can_be_taken_back(tmp_path: Path) -> None:
    """A log that is discarded leaves nothing."""
    log = soaklog.Writer(str(tmp_path / "a.sqlite"), head(), CAPTURE)
    log.add(sample(0.0))
    log.commit()
    log.discard()
    assert [] == os.listdir(tmp_path)


# --- Bad input -------------------------------------------------------------------------------------------------


def refused(path: Path) -> str:
    """The sentence with which both readers refuse a file."""
    with pytest.raises(BadInput) as problem:
        soaklog.read(str(path))
    with pytest.raises(BadInput) as other:
        list(soaklog.samples(str(path)))
    assert "\n" not in str(problem.value)
    assert str(path) in str(problem.value)
    assert str(problem.value).split(";")[0] == str(other.value).split(";")[0]
    return str(problem.value)


def changed(path: Path, *statements: str) -> Path:
    """A log of three samples to which something was done with SQL."""
    written(path, [sample(float(second)) for second in range(3)], End(3.0, "time", None))
    with sqlite3.connect(path) as file:
        for statement in statements:
            file.execute(statement)
    file.close()
    return path


def text(path: Path) -> Path:
    """A text file."""
    path.write_text("Bread, milk and a longer cable." * 50, encoding="utf-8")
    return path


def empty(path: Path) -> Path:
    """An empty file."""
    path.touch()
    return path


def other_database(path: Path) -> Path:
    """A database of something else."""
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE meta (key TEXT PRIMARY KEY, value)")
        file.execute("CREATE TABLE recipes (name)")
    file.close()
    return path


@pytest.mark.parametrize("make", [text, empty, other_database])
def test_what_is_no_log_is_refused(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    """A file of something else is no log of a soak."""
    path = make(tmp_path / "a.sqlite")
    assert f'"{path}" is not a soak log; give a file that lanewright soak wrote' == refused(path)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    """A folder, a pipe and nothing at all are refused, and none is waited for."""
    os.mkfifo(tmp_path / "pipe")
    assert "is not a regular file" in refused(tmp_path)
    assert "is not a regular file" in refused(tmp_path / "pipe")
    assert "cannot be read (no such file or directory)" in refused(tmp_path / "nothing")
    with pytest.raises(BadInput):
        soaklog.read("a\0b")


def test_a_newer_log_is_refused_with_its_version(tmp_path: Path) -> None:
    """A log from a newer version is refused, also where its tables are others."""
    path = changed(
        tmp_path / "a.sqlite",
        "UPDATE meta SET value = 2 WHERE key = 'version'",
        "DROP TABLE ends",
        "DROP VIEW readings",
    )
    assert "was written by a newer lanewright (log version 2, this one reads 1); update lanewright" in refused(path)


DAMAGES: Final = {
    "text as a temperature": "UPDATE samples SET celsius = 'hot' WHERE id = 3",
    "bytes as a count": "UPDATE samples SET read_bytes = x'00' WHERE id = 2",
    "text as a count": "UPDATE samples SET busy_ms = '12 ' || x'41' WHERE id = 2",
    "a temperature out of this world": "UPDATE samples SET celsius = -1e300 WHERE id = 3",
    "a hot board": "UPDATE ticks SET other_1 = 1e300 WHERE id = 1",
    "a negative count": "UPDATE samples SET write_bytes = -5 WHERE id = 4",
    "text as seconds": "UPDATE ticks SET seconds = 'noon' WHERE id = 1",
    "no seconds": "UPDATE ticks SET seconds = NULL WHERE id = 1",
    "seconds that fall": "UPDATE ticks SET seconds = -1 WHERE id = 1",
    "endless seconds": "UPDATE ticks SET seconds = 9e999 WHERE id = 2",
    "an absurd number of samples": "INSERT INTO ticks (id, seconds) VALUES (9223372036854775807, 9)",
    "many missing samples": "INSERT INTO ticks (id, seconds) VALUES (900, 9)",
    "a negative tick": "UPDATE ticks SET id = -1 WHERE id = 0",
    "a missing reading": "DELETE FROM samples WHERE id = 3",
    "a reading too many": "INSERT INTO samples (id) VALUES (6)",
    "a link of text": "UPDATE links SET lanes = 'four'",
    "a link of nobody": "UPDATE links SET drive = 99999",
    "a link of a negative drive": "UPDATE links SET drive = -1",
    "a count of errors as text": "UPDATE errors SET count = 'many'",
    "an event of numbers": "INSERT INTO events VALUES (1, 1.0, x'07', 'nvme0', 'x')",
    "an event of great length": "INSERT INTO events VALUES (1, 1.0, 'link', 'nvme0', printf('%.5000c', 'x'))",
    "an end of text": "UPDATE ends SET status = 'fine'",
    "a head of nonsense": "UPDATE meta SET value = '{}' WHERE key = 'head'",
    "a head that is no JSON": "UPDATE meta SET value = x'ff' WHERE key = 'head'",
    "a head of other drives": "UPDATE meta SET value = replace(value, '\"nvme1\"', '7') WHERE key = 'head'",
    "a version of text": "UPDATE meta SET value = '1' WHERE key = 'version'",
    "a version of nothing": "UPDATE meta SET value = 0 WHERE key = 'version'",
    "no capture": "UPDATE meta SET value = 5 WHERE key = 'capture'",
    "a lost table": "DROP TABLE events",
    "a time of day that is none": "INSERT INTO walls VALUES (0, 'noon')",
    "a time of day before there were any": "INSERT INTO walls VALUES (0, -1e300)",
    "another table of times of day": "ALTER TABLE walls ADD COLUMN more",
    "a reason of nobody": "INSERT INTO unread VALUES (1, 1, 99999, 'link', 'gone', 0)",
    "a reason of bytes": "INSERT INTO unread VALUES (1, 1, 0, 'link', x'07', 0)",
    "a reason of great length": "INSERT INTO unread VALUES (1, 1, 0, 'link', printf('%.5000c', 'x'), 0)",
    "another table of reasons": "ALTER TABLE unread ADD COLUMN more",
    "another column": "ALTER TABLE samples ADD COLUMN more",
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_log_that_was_tampered_with_is_refused(tmp_path: Path, damage: str) -> None:
    """A log whose tables hold what no soak writes is damaged, in one sentence."""
    path = changed(tmp_path / "a.sqlite", DAMAGES[damage])
    with pytest.raises(BadInput) as problem:
        soaklog.read(str(path))
    assert f'"{path}" is damaged; keep a copy, and run the soak again' == str(problem.value)


def test_tables_that_run_something_are_not_asked(tmp_path: Path) -> None:
    """A view in the place of a table, which would count for ever, is never run."""
    endless_view = (
        "CREATE VIEW ticks AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT x AS id FROM n"
    )
    path = changed(tmp_path / "a.sqlite", "DROP VIEW readings", "DROP TABLE ticks", endless_view)
    with within(SOON):
        assert "is damaged" in refused(path)


@pytest.mark.long
def test_damaged_pages_are_refused_or_read(tmp_path: Path) -> None:
    """Whatever bytes of a log are changed, it is read or refused in one sentence, and soon."""
    whole = written(
        tmp_path / "a.sqlite", [sample(float(at)) for at in range(400)], End(400.0, "time", None)
    ).read_bytes()
    chance = random.Random(4)  # noqa: S311 - which bytes are hit is no secret
    refusals = 0
    for number in range(300):
        damaged = bytearray(whole)
        for _ in range(chance.choice((1, 4, 40))):
            place = chance.randrange(0, 200) if number % 3 == 0 else chance.randrange(len(damaged))
            damaged[place] = chance.choice((0, 255, chance.randrange(256)))
        path = tmp_path / f"b{number}.sqlite"
        path.write_bytes(damaged)
        with within(SOON):
            try:
                soaklog.read(str(path))
                list(soaklog.samples(str(path)))
            except BadInput as problem:
                refusals += 1
                assert "\n" not in str(problem)  # noqa: PT017 - either outcome is right; this one has a sentence
        path.unlink()
    assert 20 < refusals < 300


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_log_that_was_cut_is_refused(tmp_path: Path, share: float) -> None:
    """A file that was not copied whole is refused in one sentence."""
    whole = written(
        tmp_path / "a.sqlite", [sample(float(at)) for at in range(400)], End(400.0, "time", None)
    ).read_bytes()
    path = tmp_path / "b.sqlite"
    path.write_bytes(whole[: int(len(whole) * share)])
    assert "is damaged" in refused(path)


def test_pages_that_lead_in_circles_end(tmp_path: Path) -> None:
    """A table whose pages name each other again and again is given up soon.

    Source: sqlite.org/fileformat2.html, 1.6: an interior table page (05h) holds cells of a page number and a key.
    """
    log = written(tmp_path / "a.sqlite", [sample(float(at)) for at in range(3000)], End(3000.0, "time", None))
    with sqlite3.connect(log) as file:
        (root,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'samples'").fetchone()
        (size,) = file.execute("PRAGMA page_size").fetchone()
    file.close()
    data = bytearray(log.read_bytes())
    start = (root - 1) * size
    assert 0x05 == data[start]
    cells = int.from_bytes(data[start + 3 : start + 5], "big")
    for cell in range(cells):
        place = start + int.from_bytes(data[start + 12 + 2 * cell : start + 14 + 2 * cell], "big")
        data[place : place + 4] = root.to_bytes(4, "big")
    log.write_bytes(data)
    with within(SOON):
        assert "is damaged" in refused(log)


def test_a_finished_log_is_read_where_nothing_may_be_written(tmp_path: Path) -> None:
    """A finished log leaves no trace where it is read."""
    path = written(tmp_path / "a.sqlite", [sample(0.0)], End(1.0, "time", None))
    before = (os.listdir(tmp_path), path.read_bytes())
    soaklog.read(str(path))
    assert before == (os.listdir(tmp_path), path.read_bytes())


def test_the_tables_of_version_1_stay() -> None:
    """What version 1 of the file is stands fast: another layout is another version."""
    assert 1 == schema.VERSION
    assert [
        *("meta", "ticks", "samples", "links", "errors", "counters", "events", "ends"),
    ] == list(schema.TABLES)
    assert (16, 9) == (schema.OTHERS, schema.SENSORS)
    documented = soaklog.__doc__
    assert documented is not None
    assert ["unread", "walls"] == list(schema.OPTIONAL)
    kept = (*schema.TABLES, *schema.OPTIONAL)
    assert [] == [name for name in kept if f"\n    {name} " not in documented]
