"""`measure` against plain loops that read the same file with the same block size and as many requests in flight.

The loops are `dd` of GNU coreutils, one process a request in flight, each with its own part of the file; and a small C
program with a thread a request, where a compiler is there. All bypass the page cache. Turns: A B C A B C ..., medians.
A figure of at least 90 % of the faster loop is wanted.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agent.measure.loaded import Around
from agent.measure.measured import MeasureRequest, Target
from agent.measure.timing import measure
from probes.blocks import place

if TYPE_CHECKING:
    from collections.abc import Callable

    from probes.blocks import Pattern

ROUNDS: Final = 9
SIZE: Final = 512 * 1024 * 1024
RANDOM_BYTES: Final = 128 * 1024 * 1024
WANTED: Final = 0.9
LOOP: Final = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>
static int file, at_random;
static uint64_t size, block, total;
static atomic_ullong next;
static void *work(void *unused) {
    void *buffer;
    if (posix_memalign(&buffer, 4096, block)) exit(2);
    for (;;) {
        uint64_t number = atomic_fetch_add(&next, 1), place = number * block % size;
        if (number * block >= total) return unused;
        if (at_random) {
            uint64_t mixed = (number + 1) * 0x9E3779B97F4A7C15u;
            mixed = (mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9u;
            mixed = (mixed ^ mixed >> 27) * 0x94D049BB133111EBu;
            place = (mixed ^ mixed >> 31) % (size / block) * block;
        }
        if (pread(file, buffer, block, place) != (ssize_t)block) exit(3);
    }
}
int main(int count, char **words) {
    if (count != 6 || (file = open(words[1], O_RDONLY | O_DIRECT)) < 0) return 1;
    block = strtoull(words[2], 0, 10);
    int depth = atoi(words[3]);
    total = strtoull(words[4], 0, 10);
    at_random = atoi(words[5]);
    size = lseek(file, 0, SEEK_END);
    pthread_t threads[256];
    for (int n = 0; n < depth; n++) pthread_create(&threads[n], 0, work, 0);
    for (int n = 0; n < depth; n++) pthread_join(threads[n], 0);
    return 0;
}
"""


def of_dd(path: Path, block: int, depth: int) -> Callable[[], float]:
    """MB/s of several `dd`, each with its part of the file."""
    part = SIZE // block // depth

    def run() -> float:
        start = time.perf_counter()
        commands = [
            ["dd", f"if={path}", "of=/dev/null", f"bs={block}", f"skip={number * part}", f"count={part}"]
            for number in range(depth)
        ]
        children = [subprocess.Popen([*words, "iflag=direct", "status=none"]) for words in commands]
        statuses = [child.wait() for child in children]
        seconds = time.perf_counter() - start
        if any(statuses):
            raise RuntimeError("dd cannot read the file past the page cache")
        return part * depth * block / seconds / 1e6

    return run


def of_loop(program: Path, path: Path, *figures: int) -> Callable[[], float]:
    """MB/s of the C program; `figures` are block, depth, bytes in all, whether at random."""

    def run() -> float:
        start = time.perf_counter()
        subprocess.run([program, path, *map(str, figures)], check=True)
        return figures[2] / (time.perf_counter() - start) / 1e6

    return run


def of_measure(path: Path, block: int, depth: int, most: int, pattern: Pattern) -> Callable[[], float]:
    """MB/s of a measurement of so many bytes, as it tells them on the whole."""
    target = Target(name="file", place=place(str(path)), what="file")

    def run() -> float:
        asked = MeasureRequest(seconds=600.0, max_bytes=most, block=block, depth=depth, pattern=pattern)
        (one,), _, _ = measure([target], asked, Around(time.perf_counter))
        if not one.direct or one.mean is None:
            raise RuntimeError("the file cannot be read past the page cache")
        return one.mean

    return run


def compare(title: str, subjects: dict[str, Callable[[], float]]) -> bool:
    """Measure in turn and print; whether `measure` reaches what is wanted of each reference."""
    rounds: dict[str, list[float]] = {name: [] for name in subjects}
    for _ in range(ROUNDS):
        for name, run in subjects.items():
            rounds[name].append(run())
    print(title)
    medians = {name: statistics.median(rates) for name, rates in rounds.items()}
    reached = True
    for name, rate in medians.items():
        share = medians["measure"] / rate
        pairs = statistics.median(mine / other for mine, other in zip(rounds["measure"], rounds[name], strict=True))
        ratio = "" if name == "measure" else f"   measure reaches {share:.2f} of it (median of the pairs {pairs:.2f})"
        print(f"  {name:10} {rate:8,.0f} MB/s{ratio}")
        reached = reached and max(share, pairs) >= WANTED
    return reached


def main() -> None:
    """Measure and print."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.gettempdir())
    with tempfile.TemporaryDirectory(dir=folder) as inside:
        path, program = Path(inside) / "reel", Path(inside) / "loop"
        with path.open("wb") as made:
            for _ in range(SIZE // (16 * 1024 * 1024)):
                made.write(os.urandom(16 * 1024 * 1024))
            made.flush()
            os.fsync(made.fileno())
        compiler = shutil.which("gcc") or shutil.which("cc")
        if compiler is not None:
            source = Path(inside) / "loop.c"
            source.write_text(LOOP, encoding="ascii")
            subprocess.run([compiler, "-O2", "-pthread", "-o", program, source], check=True)
        reached = []
        for block, depth in ((1024 * 1024, 1), (1024 * 1024, 8), (128 * 1024, 8)):
            subjects = {"measure": of_measure(path, block, depth, SIZE, "sequential"), "dd": of_dd(path, block, depth)}
            if compiler is not None:
                subjects["C loop"] = of_loop(program, path, block, depth, SIZE, 0)
            reached.append(compare(f"in sequence, {block // 1024} KiB, {depth} in flight", subjects))
        block, depth = 4096, 32
        if compiler is not None:
            subjects = {
                "measure": of_measure(path, block, depth, RANDOM_BYTES, "random"),
                "C loop": of_loop(program, path, block, depth, RANDOM_BYTES, 1),
            }
            reached.append(compare(f"at random, {block // 1024} KiB, {depth} in flight", subjects))
    print("every figure is reached" if all(reached) else f"some figures are below {WANTED:.0%}")


if __name__ == "__main__":
    main()
