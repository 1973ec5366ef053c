"""Measures things side by side: in turn, several rounds, medians. Says nothing of what is measured."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

ROUNDS: Final = 7
LANEWRIGHT: Final = ("-c", "import sys; from agent.cli import start; sys.exit(start())")


class Run(Struct, frozen=True):
    """A process that ended: seconds from start to end, most memory in use in bytes, exit status."""

    seconds: float
    memory_bytes: int
    status: int


def side_by_side(subjects: Mapping[str, Callable[[], float]], rounds: int = ROUNDS) -> dict[str, float]:
    """The median of what each subject gives, asked in turn (A B A B ...) after one round that does not count."""
    for subject in subjects.values():
        subject()
    found: dict[str, list[float]] = {name: [] for name in subjects}
    for _ in range(rounds):
        for name, subject in subjects.items():
            found[name].append(subject())
    return {name: statistics.median(values) for name, values in found.items()}


def python(arguments: Sequence[str]) -> Run:
    """Run this Python with `arguments` as a user would: compiled modules are kept, output goes nowhere."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, *arguments],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    return Run(seconds, usage.ru_maxrss * 1024, child.returncode)


def seconds_of(function: Callable[[], object]) -> Callable[[], float]:
    """A subject that gives the seconds which one call of `function` takes."""

    def subject() -> float:
        start = time.perf_counter()
        function()
        return time.perf_counter() - start

    return subject


def process(*arguments: str, statuses: Sequence[int] = (0,)) -> Callable[[], float]:
    """A subject that gives the seconds of a whole process of this Python; it must end with one of `statuses`."""

    def subject() -> float:
        run = python(arguments)
        if run.status not in statuses:
            raise RuntimeError(f"python {' '.join(arguments)} ended with {run.status}")
        return run.seconds

    return subject


def compare(medians: Mapping[str, float], subject: str, base: str, goal: float) -> None:
    """Print both medians, their ratio, and whether it is within the goal."""
    ratio = medians[subject] / medians[base]
    word = "within" if ratio <= goal else "ABOVE"
    print(f"{subject}: {medians[subject] * 1000:.1f} ms")
    print(f"  against {base}: {medians[base] * 1000:.1f} ms; ratio {ratio:.2f}, {word} the goal of {goal:g}")
