"""The loop of a soak, the command beside it, and the log that both leave behind."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import resource
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest

from agent.child import NotStarted, Run, find
from agent.soak import sampling
from agent.soak.running import soak
from knowledge.problems import BadInput
from probes import soaklog
from probes.reads import Live
from probes.samples import DriveHead, End, Event
from tests.watched import HANG_LIMIT, SECOND_SENSOR, FakeClock, WatchedReads, head_of, set_counts, two_drives

if TYPE_CHECKING:
    from probes.samples import Head, Moment
    from probes.unread import Unread

HERE: Final = Path(__file__).resolve().parent.parent


class Soaked:
    """A soak on a clock of its own, for so many seconds."""

    def __init__(self, path: Path, **more: Any) -> None:  # noqa: ANN401 - arguments of `soak`
        """It logs to `path`."""
        self.clock = FakeClock()
        self.reads: WatchedReads = more.pop("reads", None) or WatchedReads(two_drives())
        self.head: Head = more.pop("head", None) or head_of(self.reads.tree)
        self.until: float = 1000.0 + more.pop("seconds", 10.0)
        self.path = str(path)
        self.events: list[Event] = []
        self.samples: list[Moment] = []
        self.more = {"deadline": HANG_LIMIT, **more}

    def run(self, log: soaklog.Writer | None = None) -> End:
        """Run it, and close the log."""
        log = log or soaklog.Writer(self.path, self.head, b"{}")
        end = soak(
            self.reads,
            log,
            self.head,
            clock=self.clock,
            sleep=self.clock.sleep,
            stop=lambda: self.clock.time >= self.until,
            on_sample=self.samples.append,
            on_event=self.events.append,
            **self.more,
        )
        log.close(end)
        return end


def test_a_soak_samples_until_it_is_stopped(tmp_path: Path) -> None:
    """A soak of ten seconds has a sample each second and one at its end, all of them in the log."""
    soaked = Soaked(tmp_path / "a.sqlite")
    end = soaked.run()
    assert [float(second) for second in range(10)] == pytest.approx([one.seconds for one in soaked.samples[:-1]])
    assert 10.0 == pytest.approx(soaked.samples[-1].seconds, abs=0.3)
    assert soaked.samples == list(soaklog.samples(soaked.path))
    assert (end, "time", None) == (soaklog.read(soaked.path).end, end.reason, end.status)


def test_a_drives_own_counters_are_asked_each_minute_and_at_the_end(tmp_path: Path) -> None:
    """The counters of heat are in the first sample, in one each minute, and in the last one."""
    soaked = Soaked(tmp_path / "a.sqlite", seconds=150.0)
    soaked.run()
    at = [one.seconds for one in soaked.samples if one.drives[0].counters is not None]
    assert [0.0, 60.0, 120.0, 150.0] == pytest.approx(at, abs=0.3)
    assert at == [second for second, _ in soaklog.read(soaked.path).tracks[0].counters]


def test_what_happens_is_told_and_logged(tmp_path: Path) -> None:
    """A drive that vanishes amid a soak is told of, is in the log, and the soak goes on."""
    reads = WatchedReads(two_drives())
    soaked = Soaked(tmp_path / "a.sqlite", reads=reads)
    samples = soaked.samples

    class Noting(list[Any]):
        def append(self, one: Any) -> None:  # noqa: ANN401 - a sample
            super().append(one)
            if one.seconds >= 4 and reads.tree.nodes.get("/sys/class/nvme/nvme1"):
                reads.tree.remove("/sys/class/nvme/nvme1")
                reads.tree.remove("/sys/class/hwmon/hwmon2")
                set_counts(reads.tree, nvme0n1=(1, 1, 1, 1, 1))

    soaked.samples = samples = Noting()
    soaked.run()
    assert [("vanished", "nvme1")] == [(event.kind, event.drive) for event in soaked.events]
    assert tuple(soaked.events) == soaklog.read(soaked.path).events
    assert 11 == len(samples)
    assert 40.85 == samples[-1].drives[0].celsius[0]
    assert {"the drive is gone"} == {one.why for one in samples[-1].drives[1].unread.values()}


class SlowReads(WatchedReads):
    """Drives that answer each question for their own counters only after some seconds."""

    seconds = 0.5

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        time.sleep(self.seconds)
        return super().nvme(subject)


def test_slow_drives_have_their_first_and_last_counters(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Drives that take longer to give their counters than lies between samples have them in first and last samples."""
    monkeypatch.setattr(sampling, "PATIENCE", HANG_LIMIT)
    soaked = Soaked(tmp_path / "a.sqlite", reads=SlowReads(two_drives()), seconds=3.0, deadline=0.1)
    soaked.head = msgspec.structs.replace(soaked.head, every=0.25)
    soaked.run()
    for place in (0, 1):
        drives = [one.drives[place] for one in soaked.samples]
        assert all(isinstance(drives[number].celsius[0], float) for number in (0, -1))
        assert [place for place, drive in enumerate(drives) if drive.counters is not None] == [0, len(drives) - 1]


def test_a_time_of_day_that_jumps_disturbs_nothing(tmp_path: Path) -> None:
    """While the time of day jumps by an hour and back the seconds go on evenly, and both jumps are told."""
    clock_events = []
    soaked = Soaked(tmp_path / "a.sqlite")

    def wall() -> float:
        return soaked.clock.time + (3600.0 if 1003 <= soaked.clock.time < 1006 else 0.0)

    soaked.more["wall"] = wall
    soaked.run()
    clock_events = [(event.kind, round(event.seconds)) for event in soaked.events]
    assert [("clock", 3), ("clock", 6)] == clock_events
    assert [float(second) for second in range(10)] == pytest.approx([one.seconds for one in soaked.samples[:-1]])


def test_a_clock_that_jumps_back_disturbs_nothing(tmp_path: Path) -> None:
    """A counting clock that is put back gives rising seconds all the same, and the soak ends."""
    soaked = Soaked(tmp_path / "a.sqlite")
    times = {"back": 0.0}

    def broken() -> float:
        if soaked.clock.time >= 1005:
            times["back"] = 4000.0
        return soaked.clock.time - times["back"]

    log = soaklog.Writer(soaked.path, soaked.head, b"{}")
    end = soak(
        *(soaked.reads, log, soaked.head),
        clock=broken,
        sleep=soaked.clock.sleep,
        stop=lambda: soaked.clock.time >= 1010,
        on_sample=soaked.samples.append,
    )
    log.close(end)
    seconds = [one.seconds for one in soaked.samples]
    assert sorted(set(seconds)) == seconds
    assert 10 <= len(seconds) <= 11
    assert seconds == list(soaklog.read(soaked.path).tracks[0].seconds)


def test_the_first_sample_comes_before_the_command(tmp_path: Path) -> None:
    """What is to be watched begins after the first sample, so that all it reads and writes is counted."""
    soaked = Soaked(tmp_path / "a.sqlite")
    before: list[int] = []
    soaked.more["begin"] = lambda: before.append(len(soaked.samples))
    soaked.run()
    assert [1] == before


def test_a_command_that_does_not_start_leaves_no_log(tmp_path: Path) -> None:
    """Where the command cannot be started after all, there is no log of it."""
    soaked = Soaked(tmp_path / "a.sqlite")

    def begin() -> None:
        raise NotStarted("no", 126)

    soaked.more["begin"] = begin
    with pytest.raises(NotStarted):
        soaked.run()
    assert [] == os.listdir(tmp_path)


def test_a_log_that_cannot_be_written_ends_the_soak(tmp_path: Path) -> None:
    """A full disk ends a soak with one event of one sentence; what was committed is read."""
    soaked = Soaked(tmp_path / "a.sqlite", seconds=1e6)
    log = soaklog.Writer(soaked.path, soaked.head, b"{}")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, before[1]))
    try:
        end = soak(
            *(soaked.reads, log, soaked.head),
            clock=soaked.clock,
            sleep=soaked.clock.sleep,
            stop=lambda: False,
            on_sample=soaked.samples.append,
            on_event=soaked.events.append,
        )
        with contextlib.suppress(BadInput):  # the end may still have room, or not
            log.close(end)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert ("fault", "log") == (end.reason, soaked.events[-1].kind)
    assert soaked.events[-1].words.endswith("; make room, or name another place with --log")
    kept = list(soaklog.samples(soaked.path))
    assert soaked.samples[: len(kept)] == kept
    assert kept


class SlowLog:
    """A log on a disk that commits nothing before it is told to."""

    def __init__(self, log: soaklog.Writer) -> None:
        """The log that is slow to commit."""
        self._log = log
        self.go_on = threading.Event()
        self.waited: list[bool] = []
        self.add, self.event, self.discard = log.add, log.event, log.discard

    def commit(self) -> None:
        """Wait, then commit."""
        self.waited.append(self.go_on.wait(HANG_LIMIT))
        self._log.commit()


@pytest.mark.long
def test_a_slow_log_and_a_drive_that_hangs_delay_nothing(tmp_path: Path) -> None:
    """While the first commit takes longer than all the samples, and a drive hangs, samples come on time."""
    reads = WatchedReads(two_drives())
    head = msgspec.structs.replace(head_of(reads.tree), every=0.05)
    path = str(tmp_path / "a.sqlite")
    log = soaklog.Writer(path, head, b"{}")
    slow = SlowLog(log)
    clock = FakeClock()
    found: list[Moment] = []

    def on_sample(sample: Moment) -> None:
        found.append(sample)
        reads.hangs = SECOND_SENSOR
        if len(found) == 40:
            assert 1 == reads.hanging
            reads.release.set()
            slow.go_on.set()

    end: Any = soak(
        *(reads, slow, head),  # type: ignore[arg-type]
        clock=clock,
        sleep=clock.sleep,
        stop=lambda: len(found) >= 40,
        on_sample=on_sample,
    )
    log.close(end)
    assert slow.waited
    assert all(slow.waited)
    assert [0.05 * number for number in range(40)] == pytest.approx([one.seconds for one in found[:40]])
    assert [0.0] * 40 == pytest.approx([one.late for one in found[:40]], abs=1e-6)
    assert len(found) == len(soaklog.read(path).tracks[0].seconds)


# --- The command -----------------------------------------------------------------------------------------------

BESIDE: Final = """
    import json, os, sys, time
    from agent.child import Run, find
    from knowledge.problems import Problem
    command = tuple(sys.argv[1:])
    try:
        find(command, os.environ) if command else None
        with Run(command, time.monotonic) as run:
            run.start()
            print("started", file=sys.stderr, flush=True)
            while not run.over:
                run.pause(0.2)
            print(json.dumps([run.status, run.signals]), file=sys.stderr, flush=True)
    except Problem as problem:
        print(json.dumps([problem.exit_status, str(problem)]), file=sys.stderr)
"""


def beside(*command: str, **more: Any) -> subprocess.Popen[bytes]:  # noqa: ANN401 - of Popen
    """A process that runs a command as a soak does, and then tells [status, signals]."""
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(BESIDE), *command],
        cwd=HERE,
        **{"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more},
    )


def ended(process: subprocess.Popen[bytes]) -> tuple[bytes, Any]:
    """What the command wrote, and what became of it."""
    output, told = process.communicate(timeout=HANG_LIMIT)
    return output, json.loads(told.splitlines()[-1])


@pytest.mark.parametrize(
    ("script", "status"),
    [
        ("exit 0", 0),
        ("exit 7", 7),
        # 128 and the number of the signal: POSIX Shell Command Language, 2.8.2, as common shells have it.
        ("kill -KILL $$", 137),
        ("kill -SEGV $$", 139),
    ],
)
def test_the_exit_status_is_kept(script: str, status: int) -> None:
    """The command's exit status is kept as shells have it."""
    with beside("sh", "-c", script) as process:
        assert [status, []] == ended(process)[1]


def test_the_commands_output_and_input_are_untouched() -> None:
    """Bytes pass to and from the command as they are."""
    sent = bytes(range(256)) * 300
    with beside("cat", stdin=subprocess.PIPE) as process:
        output, told = process.communicate(sent, timeout=HANG_LIMIT)
    assert sent == output
    assert [0, []] == json.loads(told.splitlines()[-1])


def program(path: Path, content: str, mode: int) -> str:
    """A file to run."""
    path.write_text(content, encoding="utf-8")
    path.chmod(mode)
    return str(path)


def test_a_command_that_is_not_there_is_127(tmp_path: Path) -> None:
    """A command that is nowhere has status 127 and one sentence."""
    for name in ("no-such-command-here", str(tmp_path / "nothing"), ""):
        with pytest.raises(NotStarted, match=r"^there is no command .*; check its name") as problem:
            find((name,), os.environ)
        assert 127 == problem.value.exit_status
    with beside("no-such-command-here") as process:
        assert 127 == ended(process)[1][0]


def test_a_command_that_is_not_executable_is_126(tmp_path: Path) -> None:
    """A folder, a file without the right to run it, and a file that is no program have status 126."""
    for name in (str(tmp_path), program(tmp_path / "a", "#!/bin/sh\n", 0o644)):
        with pytest.raises(NotStarted, match=r"cannot be run .*; make it executable$") as problem:
            find((name,), os.environ)
        assert 126 == problem.value.exit_status
    nonsense = program(tmp_path / "b", "\x00\x01\x02 no program", 0o755)
    find((nonsense,), os.environ)
    with beside(nonsense) as process:
        status, words = ended(process)[1]
    assert 126 == status
    assert "(exec format error)" in words


def test_commands_are_found_as_the_system_finds_them(tmp_path: Path) -> None:
    """A command without a slash is looked for along PATH, and passed over where it cannot be run."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    program(tmp_path / "one" / "render", "#!/bin/sh\n", 0o644)
    program(tmp_path / "two" / "render", "#!/bin/sh\n", 0o755)
    find(("render",), {"PATH": f"{tmp_path}/one:{tmp_path}/two"})
    with pytest.raises(NotStarted):
        find(("render",), {"PATH": f"{tmp_path}/one"})


# A command that writes a line for each signal that comes, and ends half a second after the first.
COUNTS_SIGNALS: Final = """
import signal, sys, time
came = []
for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(one, lambda number, frame: came.append(number))
print("ready", flush=True)
end = time.monotonic() + 120
while time.monotonic() < end and not came:
    time.sleep(0.02)
time.sleep(0.5)
print(came, flush=True)
sys.exit(9)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signals_are_passed_on(number: signal.Signals) -> None:
    """A signal sent to the agent reaches the command once; the command decides, and its status is kept."""
    with beside(sys.executable, "-c", COUNTS_SIGNALS, start_new_session=True) as process:
        assert process.stdout is not None
        assert b"ready\n" == process.stdout.readline()
        process.send_signal(number)
        output, told = ended(process)
    assert f"[{int(number)}]\n".encode() == output
    assert [9, [int(number)]] == told


# Signals are held back and fetched: one that came between a look for signals and a pause would be told of too late.
NOTES_SIGNALS: Final = """
import signal, sys
numbers = {signal.SIGTERM, *map(int, sys.argv[1:])}
signal.pthread_sigmask(signal.SIG_BLOCK, numbers)
print("ready", flush=True)
number = None
while number != signal.SIGTERM:
    number = signal.sigwait(numbers)
    print(int(number), flush=True)
sys.exit(3)
"""


def test_signals_that_mean_something_to_the_command_reach_it() -> None:
    """The signals that a user may send to a program that works are the command's, and end neither it nor the run."""
    numbers = [signal.SIGUSR1, signal.SIGUSR2, signal.SIGQUIT, signal.SIGCONT, signal.SIGWINCH]
    command = (sys.executable, "-c", NOTES_SIGNALS, *(str(int(number)) for number in numbers))
    with beside(*command, start_new_session=True) as process:
        assert process.stdout is not None
        assert b"ready\n" == process.stdout.readline()
        for number in numbers:
            process.send_signal(number)
            assert f"{int(number)}\n".encode() == process.stdout.readline()
        process.send_signal(signal.SIGTERM)
        assert [3, [15]] == ended(process)[1]


CLOSING: Final = """
    import os, signal, sys, time
    from agent.child import Run
    with Run((), time.monotonic) as run:
        os.kill(os.getpid(), int(sys.argv[1]))
        while not run.over:
            run.pause(0.2)
    time.sleep(float(sys.argv[3]))
    try:
        os.kill(os.getpid(), int(sys.argv[2]))
        time.sleep(0.05)
        print("closed")
    except KeyboardInterrupt:
        print("interrupted")
"""


@pytest.mark.long
@pytest.mark.parametrize(
    ("first", "second", "seconds", "said"),
    [
        (signal.SIGTERM, signal.SIGTERM, 0.0, "closed"),
        (signal.SIGTERM, signal.SIGTERM, 1.2, "closed"),
        (signal.SIGHUP, signal.SIGTERM, 0.0, "closed"),
        (signal.SIGINT, signal.SIGINT, 0.0, "closed"),
        (signal.SIGINT, signal.SIGINT, 1.2, "interrupted"),
        (signal.SIGTERM, signal.SIGINT, 1.2, "interrupted"),
    ],
)
def test_only_a_later_interrupt_ends_what_is_to_be_done_after_a_run(
    first: signal.Signals, second: signal.Signals, seconds: float, said: str
) -> None:
    """A signal that is sent twice does not end the closing of the log; a Ctrl-C later on does."""
    given = [str(int(first)), str(int(second)), str(seconds)]
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(CLOSING), *given],
        cwd=HERE,
        capture_output=True,
        text=True,
        check=False,
        timeout=HANG_LIMIT,
    )
    assert (0, f"{said}\n", "") == (done.returncode, done.stdout, done.stderr)


def test_a_command_that_a_signal_ends_has_its_status() -> None:
    """A command that does not mind its signals ends by them, long before it would of itself."""
    with beside("sleep", "3000") as process:
        assert process.stderr is not None
        assert b"started\n" == process.stderr.readline()
        process.send_signal(signal.SIGTERM)
        assert [143, [15]] == ended(process)[1]


def test_the_terminals_interrupt_comes_once() -> None:
    """Control-C on a terminal reaches agent and command; the agent does not send it a second time."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(HERE)
        script = textwrap.dedent(BESIDE)
        os.execv(sys.executable, [sys.executable, "-c", script, sys.executable, "-c", COUNTS_SIGNALS])  # noqa: S606
    shown = b""
    for expected in (b"ready", b"[9, [2]]"):
        while expected not in shown:
            shown += os.read(terminal, 1024)
        if expected == b"ready":
            os.write(terminal, b"\x03")
    os.waitpid(child, 0)
    os.close(terminal)
    assert b"[2]\r\n" in shown
    assert b"[2, 2]" not in shown


def test_signals_that_were_ignored_stay_so() -> None:
    """Under nohup a hang-up reaches neither the agent nor the command."""
    script = "import signal, os, time; print(signal.getsignal(1) == signal.SIG_IGN, flush=True); time.sleep(0.5)"
    with beside(
        *(sys.executable, "-c", script),
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN),
    ) as process:
        assert process.stdout is not None
        assert b"True\n" == process.stdout.readline()
        process.send_signal(signal.SIGHUP)
        assert [0, []] == ended(process)[1]


def test_a_command_has_no_signal_held_back() -> None:
    """The command starts with no signal blocked. Source: proc(5), SigBlk."""
    with beside("grep", "SigBlk", "/proc/self/status") as process:
        output, _ = ended(process)
    assert 0 == int(output.split()[1], 16)


def test_without_a_command_the_first_signal_ends_the_run() -> None:
    """A soak without a command is over at the first signal, and says which."""
    with beside() as process:
        assert process.stderr is not None
        assert b"started\n" == process.stderr.readline()
        process.send_signal(signal.SIGINT)
        assert [None, [2]] == ended(process)[1]


# --- Bytes -----------------------------------------------------------------------------------------------------


@pytest.fixture
def disk(tmp_path: Path) -> tuple[Path, str]:
    """A folder on a disk whose bytes are counted, and the name of its block device."""
    device = os.stat(tmp_path).st_dev
    try:
        name = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}").resolve(strict=True).name
    except OSError:
        pytest.skip("the tests' folder is on no block device")
    table = Live().psutil("disk_io_counters")
    if not isinstance(table, str) or name not in json.loads(table):
        pytest.skip(f"no bytes are counted of {name}")
    return tmp_path, name


WRITES_AND_READS: Final = """
import mmap, os, sys
path, size = sys.argv[1], int(sys.argv[2])
handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
block = os.urandom(1 << 20)
for _ in range(size >> 20):
    os.write(handle, block)
os.fsync(handle)
os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
os.close(handle)
handle = os.open(path, os.O_RDONLY | os.O_DIRECT)
buffer = mmap.mmap(-1, 1 << 20)
while os.readv(handle, [buffer]):
    pass
"""


def counted(folder: Path, device: str, command: tuple[str, ...]) -> tuple[float, float]:
    """The bytes that a soak counts as read and as written while a command runs."""
    drive = DriveHead(
        name=device,
        address=None,
        model=None,
        firmware=None,
        serial=None,
        sensors=(),
        warning_celsius=None,
        critical_celsius=None,
        blocks=(device,),
        link=None,
    )
    head = msgspec.structs.replace(head_of(two_drives()), every=0.1, drives=(drive,), others=(), command=command)
    path = soaklog.new_place(str(folder), "2026-03-02T08:30:00Z")
    log = soaklog.Writer(path, head, b"{}")
    with Run(command, time.monotonic) as run:
        end = soak(
            *(Live(), log, head),
            clock=time.monotonic,
            sleep=run.pause,
            stop=lambda: run.over,
            on_sample=_nothing,
            begin=run.start,
        )
        assert 0 == run.status
    log.close(end)
    (track,) = soaklog.read(path).tracks
    steps = zip(track.read_mbps[1:], track.seconds, track.seconds[1:], strict=False)
    return 1e6 * sum(rate * (later - earlier) for rate, earlier, later in steps), track.written_bytes[-1]


def sectors(device: str) -> tuple[int, int]:
    """Bytes read from and written to a block device since the system started, as the kernel itself counts them.

    Source: Documentation/block/stat.rst of the Linux kernel: fields 3 and 7, sectors of 512 bytes.
    """
    fields = Path(f"/sys/class/block/{device}/stat").read_text(encoding="ascii").split()
    return int(fields[2]) * 512, int(fields[6]) * 512


def test_a_soak_counts_the_bytes_of_its_command(disk: tuple[Path, str]) -> None:
    """A soak counts what its command is known to write and to read past the page cache.

    What else uses the disk meanwhile is counted too: no more than the kernel counts from before to after the soak.
    """
    folder, device = disk
    size = 64 << 20
    command = (sys.executable, "-c", WRITES_AND_READS, str(folder / "film"), str(size))
    before = sectors(device)
    found = counted(folder, device, command)
    most = [after - earlier for after, earlier in zip(sectors(device), before, strict=True)]
    for bytes_counted, upper in zip(found, most, strict=True):
        assert size - 1 <= bytes_counted <= upper + 1  # a rate times its time may lose the last bit


def _nothing(_: object) -> None:
    """Nobody looks."""
