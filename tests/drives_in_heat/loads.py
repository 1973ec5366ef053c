"""What is asked of a drive over time, and what it is asked in: air, fans, links.

Work is told as use: the share of time that reading and writing would take of a drive that is not slowed; more than 1 in
sum is a queue that never runs dry, less is a host that asks for so much and no more. Arrays hold a value a step.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.random import Generator
    from numpy.typing import NDArray

    Values = NDArray[np.float64]
    Shape = Callable[[Generator, Values], "Work"]
    Gate = Callable[[Generator, Values], Values]

QUEUED: Final = 1.2  # use of a queue that never runs dry


class Work(Struct, frozen=True):
    """Use by reading and writing; `ease` is the share of the sequential rate that such work can reach at all."""

    read: Values
    write: Values
    ease: Values

    @property
    def loaded(self) -> NDArray[np.bool_]:
        """The steps in which anything is asked."""
        return self.read + self.write > 0.0


def steady(use: float = QUEUED, reading: float = 1.0, ease: float = 1.0) -> Shape:
    """The same all the time; `reading` is the share of the reads."""

    def made(chance: Generator, times: Values) -> Work:  # noqa: ARG001 - as any shape
        all_of = np.full_like(times, use)
        return Work(all_of * reading, all_of * (1.0 - reading), np.full_like(times, ease))

    return made


def gated(shape: Shape, gate: Gate) -> Shape:
    """A shape times what a gate lets through, 0 to 1."""

    def made(chance: Generator, times: Values) -> Work:
        work, through = shape(chance, times), gate(chance, times)
        return Work(work.read * through, work.write * through, work.ease)

    return made


def periodic(on: float, off: float, rest: float = 0.0) -> Gate:
    """On for some seconds, then at `rest` for some."""

    def gate(chance: Generator, times: Values) -> Values:
        moved = times + chance.uniform(0.0, on + off)
        return np.where(moved % (on + off) < on, 1.0, rest)

    return gate


def bursts(on: float, off: float) -> Gate:
    """On and off for times that chance draws, seconds at the mean."""

    def gate(chance: Generator, times: Values) -> Values:
        count = int(3 * times[-1] / (on + off)) + 20
        pairs = np.stack([chance.exponential(on, count), chance.exponential(off, count)], axis=1) + 0.5
        edges = np.cumsum(pairs.ravel())
        return np.where(np.searchsorted(edges, times) % 2 == 0, 1.0, 0.0)

    return gate


def ramp(first: float, last: float) -> Gate:
    """From one share to another, evenly, over the whole time."""

    def gate(chance: Generator, times: Values) -> Values:  # noqa: ARG001 - as any gate
        return np.asarray(first + (last - first) * times / times[-1])

    return gate


def lessened(at: float, to: float) -> Gate:
    """All, and only `to` of it after the share `at` of the time."""

    def gate(chance: Generator, times: Values) -> Values:  # noqa: ARG001 - as any gate
        return np.where(times < at * times[-1], 1.0, to)

    return gate


def stairs(levels: int) -> Gate:
    """Loads that change now and then, as those of a host with several jobs."""

    def gate(chance: Generator, times: Values) -> Values:
        edges = np.sort(chance.uniform(0.0, times[-1], levels - 1))
        return np.asarray(chance.uniform(0.25, 1.0, levels))[np.searchsorted(edges, times)]

    return gate


def alternating(read_for: float, write_for: float, pause: float = 0.0) -> Shape:
    """Reads, then writes, then rests, seconds each."""

    def made(chance: Generator, times: Values) -> Work:
        place = (times + chance.uniform(0.0, read_for + write_for + pause)) % (read_for + write_for + pause)
        reads, writes = place < read_for, (place >= read_for) & (place < read_for + write_for)
        return Work(np.where(reads, QUEUED, 0.0), np.where(writes, QUEUED, 0.0), np.ones_like(times))

    return made


def between(shape: Shape, start: float, stop: float) -> Shape:
    """A shape with rest before `start` and from `stop` on, seconds."""

    def made(chance: Generator, times: Values) -> Work:
        inside = (times >= start) & (times < stop)
        work = shape(chance, np.maximum(times - start, 0.0))
        return Work(work.read * inside, work.write * inside, work.ease)

    return made


def wavering(chance: Generator, count: int, step: float, deviation: float, seconds: float) -> Values:
    """Noise around 0 with memory: its standard deviation, and the seconds over which it forgets."""
    keep = float(np.exp(-step / seconds))
    pushes = chance.normal(0.0, deviation * float(np.sqrt(1.0 - keep * keep)), count)
    found = np.empty(count)
    value = float(chance.normal(0.0, deviation))
    for place, push in enumerate(pushes.tolist()):
        value = keep * value + push
        found[place] = value
    return found


class World(Struct, frozen=True):
    """What is around a drive: the air, degrees Celsius; the flow of air, 1 at the start; what its link lets by, MB/s.

    `strength` is the share of its rates that the drive has at all at that step, without any heat: noise and
    housekeeping.
    """

    air: Values
    flow: Values
    link: Values
    strength: Values
