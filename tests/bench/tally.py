"""A tally of 10,000 captures of 60 functions: time a capture against decoding and auditing one, and peak memory.

`python -m tests.bench.tally [CAPTURES]`. The captures are variations of one tower: links full, narrow and slow, packed
with gzip or not, each with a host name, serial numbers, firmware and a moment of its own. Time and memory are those of
whole processes, their start included; memory is the sum over all processes at the same moment, sampled, in which pages
that they share count once for each. The other side of the ratio is timed in between, in this process. Where others use
the processors as well, the ratio by the clock says little, and that of processor time remains.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path
from typing import Final

import psutil
from msgspec import Struct

from agent.audit import audit
from knowledge import pcie
from probes import collect
from probes.capture import load_file, recorded
from tests.bench.measure import LANEWRIGHT
from tests.boards import bench_1, carrier, display, folio, reel_4, ten_gigabit
from tests.build import build, capture_bytes

CAPTURES: Final = 10_000
PLAIN: Final = 2_000  # captures that are not packed; of these 0.4 MB each would fill a disk
ROUNDS: Final = 2
LOOP: Final = 150
JOBS: Final = (1, 2)
GOAL: Final = 1.5
LIMIT_BYTES: Final = 250_000_000
EVERY: Final = 0.02  # seconds between two looks at memory
GZIP_WINDOW: Final = 31


class Ran(Struct, frozen=True):
    """A tally that ended.

    Seconds by the clock, seconds of processors that all its processes took, and the most bytes that these had in use
    at once.
    """

    seconds: float
    processor_seconds: float
    memory_bytes: int


def towers() -> list[bytes]:
    """Captures of 60 functions: as it should be, with a narrow drive, with a slow one, and seen by an ordinary user."""
    made = []
    for now, privileged in (((4, 4), True), ((4, 2), True), ((2, 4), True), ((4, 4), False)):
        drives = [reel_4(f"RL4-1000{number}") for number in range(1, 6)]
        tower = bench_1(
            {
                **{f"SLOT1{part}": [one] for part, one in zip(("", "b", "c", "d"), drives, strict=False)},
                "SLOT2": display(),
                "SLOT3": [carrier((4, 4), [drives[4]], bays=2, down=(4, 4))],
                "SLOT4": ten_gigabit(),
                "M2_1": [folio("QF1-10001", (4, 4))],
            },
            split=True,
        )
        port = next(one for one in tower.buses["0000:00"] if one.at == "01.0")
        port.now = now
        if now != (4, 4):
            port.registers[pcie.LINK_STATUS] = {"link_bandwidth_management_status": 1}
        made.append(capture_bytes(build(tower), privileged=privileged))
    return made


def variation(made: list[bytes], number: int) -> bytes:
    """The capture of one machine of many."""
    data = made[number % len(made)]
    data = data.replace(b'hostname":{"text":"bench-1"', b'hostname":{"text":"bench-%d"' % number)
    data = data.replace(b'"text":"RL4-1000', b'"text":"RL4-%05d-' % number)
    data = data.replace(b'"text":"QF1-10001', b'"text":"QF1-%05d' % number)
    data = data.replace(b'"text":"RL4B2.10"', b'"text":"RL4B2.%02d"' % (number % 7))
    moment = b'"taken_at":"2026-%02d-%02dT%02d:00:00+00:00"' % (number % 9 + 1, number % 28 + 1, number % 24)
    return data.replace(b'"taken_at":"2026-03-02T09:00:00+00:00"', moment)


def write(folder: Path, count: int, *, packed: bool) -> list[str]:
    """Write so many captures; their places."""
    made = towers()
    places = []
    for number in range(count):
        place = folder / f"{number:05d}.json{'.gz' if packed else ''}"
        data = variation(made, number)
        place.write_bytes(zlib.compress(data, 1, GZIP_WINDOW) if packed else data)
        places.append(str(place))
    return places


def one_by_one(places: list[str]) -> tuple[float, float]:
    """Seconds for decoding and auditing a capture, by the clock and of the processor, in a loop over some."""
    start, processor = time.perf_counter(), time.process_time()
    for place in places:
        capture = load_file(place)
        first, looks = recorded(capture)
        audit(collect(first, looks, capture.taken_at))
    return (time.perf_counter() - start) / len(places), (time.process_time() - processor) / len(places)


def tally(folder: Path, jobs: int) -> Ran:
    """Run the command over a folder."""
    start = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *LANEWRIGHT, "tally", str(folder), "--jobs", str(jobs), "--format", "json"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    process = psutil.Process(child.pid)
    most = 0
    while True:
        ended, status, usage = os.wait4(child.pid, os.WNOHANG)
        if ended:
            break
        most = max(most, _in_use(process))
        time.sleep(EVERY)
    seconds = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        raise RuntimeError(f"tally ended with {child.returncode}")
    return Ran(seconds, usage.ru_utime + usage.ru_stime, most)


def _in_use(process: psutil.Process) -> int:
    """Resident bytes of a process and all below it."""
    total = 0
    try:
        for one in (process, *process.children(recursive=True)):
            total += one.memory_info().rss
    except psutil.Error:
        return total
    return total


def compare(folder: Path, places: list[str]) -> None:
    """Time the command and the loop in turn, and print the medians."""
    step = max(1, len(places) // LOOP)
    some = places[::step][:LOOP]
    one_by_one(some)
    loops: list[tuple[float, float]] = []
    ran: dict[int, list[Ran]] = {jobs: [] for jobs in JOBS}
    for _ in range(ROUNDS):
        for jobs in JOBS:
            loops.append(one_by_one(some))
            ran[jobs].append(tally(folder, jobs))
            loops.append(one_by_one(some))
    alone, busy = (statistics.median(loop[place] for loop in loops) for place in (0, 1))
    print(f"  decode and audit of one, in a loop: {alone * 1000:.2f} ms, {busy * 1000:.2f} ms of a processor")
    for jobs, runs in ran.items():
        seconds = statistics.median(run.seconds for run in runs)
        memory = max(run.memory_bytes for run in runs)
        own = seconds / len(places)
        ratio = own / (alone / min(jobs, os.cpu_count() or 1))
        time_word = "within" if ratio <= GOAL else "ABOVE"
        memory_word = "within" if memory <= LIMIT_BYTES else "ABOVE"
        print(f"  --jobs {jobs}: {seconds:.1f} s, {own * 1000:.2f} ms a capture")
        print(f"    against the loop divided by the jobs: ratio {ratio:.2f}, {time_word} the goal of {GOAL:g}")
        work = statistics.median(run.processor_seconds for run in runs) / len(places)
        print(f"    of processors, all processes together: {work * 1000:.2f} ms a capture, ratio {work / busy:.2f}")
        limit = f"{memory_word} the goal of {LIMIT_BYTES / 1e6:.0f} MB"
        print(f"    all processes together: at most {memory / 1e6:.0f} MB, {limit}")


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else CAPTURES
    for packed, number in ((True, max(1, count // 10)), (True, count), (False, min(count, PLAIN))):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            places = write(folder, number, packed=packed)
            print(f"{number:,} captures of 60 functions, {'packed with gzip' if packed else 'not packed'}")
            compare(folder, places)


if __name__ == "__main__":
    main()
