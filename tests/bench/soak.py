"""What a soak of eight drives costs: share of one core, memory, flatness over a day, lateness; reading such a log."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import textwrap
import time
from array import array
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agent.audit import audit
from agent.soak.running import soak
from agent.soak.sampling import head
from probes import collect, soaklog
from probes.reads import Live
from tests.build import Machine, Nvme, build, drive, root_port

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.samples import Head, Moment
    from probes.unread import Unread

DRIVES: Final = 8
DAY: Final = 86_400
SECONDS: Final = 20.0
PAGE: Final = os.sysconf("SC_PAGE_SIZE")


class DayClock:
    """Seconds that pass only when somebody sleeps; keeps nothing."""

    def __init__(self) -> None:
        """It is 0 s."""
        self.time = 0.0

    def __call__(self) -> float:
        """The seconds."""
        return self.time

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.time += max(seconds, 1e-6)


class BelowRoot(Live):
    """The files of a tree on disk, with the counts of this machine's own block devices beside them."""

    def __init__(self, root: str) -> None:
        """`root` holds the tree."""
        super().__init__(root)
        self._host = Live()

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return self._host.psutil(subject)


def machine(folder: Path) -> tuple[BelowRoot, Head]:
    """Eight drives of three sensors each, as files; the head of a soak of them."""
    drives = [drive((4, 4), Nvme(kelvin=314, sensors=(318, 325)), counters={}) for _ in range(DRIVES)]
    ports = [root_port(f"{number:02x}.0", (4, 4), [one], counters={}) for number, one in enumerate(drives, 1)]
    build(Machine(name="bench-1", buses={"0000:00": ports})).write_below(folder)
    reads = BelowRoot(str(folder))
    found = audit(collect(reads, (), "2026-03-02T08:30:00Z"))
    return reads, head(found, reads, started_at="2026-03-02T08:30:00Z", agent="1.0", every=1.0, command=())


def resident_mb() -> float:
    """Memory of this process now, MB (10^6 bytes). Source: proc(5), statm, second field, pages."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * PAGE / 1e6


def percentile(values: array[float], share: float) -> float:
    """The value below which that share of them lies."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def one_soak(
    folder: Path, name: str, clock: Callable[[], float], sleep: Callable[[float], None], seconds: float
) -> tuple[array[float], list[float], float, str]:
    """Run a soak; lateness of each sample, memory now and then, processor seconds used, the log."""
    reads, found = machine(folder / "tree")
    path = str(folder / name)
    log = soaklog.Writer(path, found, b"{}")
    late = array("d")
    memory: list[float] = []
    until = clock() + seconds

    def on_sample(sample: Moment) -> None:
        late.append(sample.late)
        if len(late) % max(1, int(seconds / 24)) == 0:
            memory.append(resident_mb())

    begin = time.process_time()
    end = soak(reads, log, found, clock=clock, sleep=sleep, stop=lambda: clock() >= until, on_sample=on_sample)
    used = time.process_time() - begin
    log.close(end)
    return late, memory, used, path


def live(folder: Path) -> None:
    """Eight drives once a second on the real clock."""
    late, memory, used, _ = one_soak(folder, "live.sqlite", time.monotonic, time.sleep, SECONDS)
    share = 100 * used / SECONDS
    print(f"{DRIVES} drives once a second for {SECONDS:g} s: {share:.2f} % of one core (goal under 0.5 %)")
    print(f"  memory {memory[-1]:.1f} MB (goal under 60 MB; this process has the tests' tools loaded as well)")
    print(f"  late by {1e3 * percentile(late, 0.5):.2f} ms at the median, {1e3 * percentile(late, 0.99):.2f} ms at p99")
    print(f"  (goal under 20 ms at p99); load of this machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def day(folder: Path) -> str:
    """A simulated day on a clock that does not wait."""
    clock = DayClock()
    late, memory, used, path = one_soak(folder, "day.sqlite", clock, clock.sleep, float(DAY))
    size = os.stat(path).st_size / 1e6
    each = 1e3 * used / len(late)
    print(f"a simulated day, {len(late):,} samples of {DRIVES} drives: {each:.2f} ms of processor time a sample")
    print(f"  memory after 1/24 of it {memory[0]:.1f} MB, at the end {memory[-1]:.1f} MB, at most {max(memory):.1f} MB")
    print(f"  the log has {size:.1f} MB")
    return path


def reading(path: str) -> None:
    """Read the day's log in a process of its own, five times."""
    script = """
        import resource, sys, time
        from probes import soaklog
        spent = []
        for _ in range(5):
            begin = time.perf_counter(), time.process_time()
            soak = soaklog.read(sys.argv[1])
            spent.append((time.perf_counter() - begin[0], time.process_time() - begin[1]))
        count = sum(len(track.seconds) for track in soak.tracks)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(f"reading it: {count:,} samples in {sorted(spent)[2][0]:.2f} s at the median "
              f"(goal about 1 s), {min(cpu for _, cpu in spent):.2f} s of processor time; {peak:.0f} MB at the peak")
    """
    subprocess.run([sys.executable, "-c", textwrap.dedent(script), path], check=True)


def main() -> None:
    """Measure all of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        live(folder)
    with tempfile.TemporaryDirectory() as name:
        reading(day(Path(name)))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(f"this benchmark itself: {peak:.0f} MB at the peak")


if __name__ == "__main__":
    main()
