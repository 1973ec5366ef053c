"""The speed of a drive over a soak as levels, and where it stepped from one level to the next, at single samples.

Speed is what a drive moves while it is busy: a load that asks for less leaves it idle for longer and changes nothing.
Reading and writing count by what each reaches alone, so that work which changes between them is one level.
"""

from __future__ import annotations

from itertools import pairwise
from math import exp, isnan, log
from operator import add
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.soak.series import LOADED_BUSY, LOADED_MBPS, STANDS_FOR, all_known, median

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.series import Series

FALLEN: Final = 0.85  # of a speed: less is no more that speed
LEAST_STEP: Final = log(1.0 / FALLEN)
LEAST_WORK: Final = log(1.0 / 0.9)  # the same of what is done in all
MOST_STEP: Final = log(2.0)  # where the load scatters more than that, nothing is told
LEAP: Final = log(1.0 / 0.7)  # a level of one sample alone is that far from those beside it
LEAPS: Final = 1.5  # steps; the same
SCATTERS: Final = 4.0  # standard deviations of single samples that make a step
PIECE: Final = 32  # samples that are passed over together where all are of one level
BEGINNING: Final = 12  # samples by which the speed of a level is told while it goes on
MOST_READ: Final = 24  # samples of a level by which its speed is told in the end
FEWEST: Final = 20  # samples of one kind of work by which its own speed is told
MOST_WEIGHED: Final = 20_000  # samples that are looked at for them
ALONE: Final = 0.1  # share of writing below which a drive only reads, and the other way round
USUAL: Final = 0.9  # of the samples of one kind of work are slower than what it reaches
BUSY_STAYS: Final = 0.8  # a drive that is slower by itself is busy for as much of the time as before
LEAST_BUSY: Final = 0.1  # share of time; the clocks of the counts are not finer
MIX_STAYS: Final = 0.3  # share of writing; more change than that is another load
QUIET: Final = 0.3  # of the differences between samples; the greater ones may be steps
OF_QUIET: Final = 0.3853 * 2.0**0.5  # below that lies the same share of differences of two normal values, in deviations
LOOKED_AT: Final = 2000  # pairs of samples by which the scatter is told


class Level(Struct, frozen=True):
    """Samples [first, last] of about one speed; MB/s while busy, MB/s moved, and shares of time busy and of writing."""

    first: int
    last: int
    speed: float
    rate: float
    busy: float
    share: float

    @property
    def work(self) -> float:
        """What is done in all of the time: a drive that is slower and merely busier for it does as much."""
        return self.speed if isnan(self.busy) else self.speed * max(LEAST_BUSY, min(1.0, self.busy))

    def goes_on_from(self, before: Level) -> bool:
        """Whether nothing lies between another level and this one."""
        return before.last + 1 == self.first


class SpeedStep(Struct, frozen=True):
    """The load went on and the speed changed: the levels before and after, and the first sample after it."""

    before: Level
    after: Level

    @property
    def at(self) -> int:
        """The first sample after it."""
        return self.after.first

    @property
    def down(self) -> bool:
        """Whether the drive got slower."""
        return self.after.speed < self.before.speed


def while_busy(work: float, busy: float) -> float:
    """What is moved by the time in which it is; where that is not known, by all of the time."""
    return work / (busy if LEAST_BUSY < busy < 1.0 else LEAST_BUSY if busy <= LEAST_BUSY else 1.0)


def weight_of(of: Series) -> float | None:
    """How much a written byte counts: the speed of reading alone by that of writing alone; None where not both are."""
    if not (any(map(LOADED_MBPS.__le__, of.read)) and any(map(LOADED_MBPS.__le__, of.write))):
        return None
    reads, writes = [], []
    for at in range(0, len(of.read), max(1, len(of.read) // MOST_WEIGHED)):
        read, write = of.read[at], of.write[at]
        if read + write >= LOADED_MBPS and write <= ALONE * read:
            reads.append(while_busy(read, of.busy[at]))
        elif read + write >= LOADED_MBPS and read <= ALONE * write:
            writes.append(while_busy(write, of.busy[at]))
    if min(len(reads), len(writes)) < FEWEST:
        return None
    return sorted(reads)[int(USUAL * len(reads))] / sorted(writes)[int(USUAL * len(writes))]


def speeds(of: Series, weight: float) -> list[float]:
    """MB/s while busy for each sample, written bytes times their weight; 0 at rest, -1 where not known."""
    rates = list(map(add, of.read, of.write))
    work = rates if weight == 1.0 else list(map(add, of.read, map(weight.__mul__, of.write)))
    known = all_known(rates[1:])
    found = [
        moved / (busy if LEAST_BUSY < busy < 1.0 else LEAST_BUSY if busy <= LEAST_BUSY else 1.0)
        if rate >= LOADED_MBPS or busy >= LOADED_BUSY
        else 0.0
        for rate, moved, busy in zip(rates, work, of.busy, strict=True)
    ]
    if known:
        return [-1.0, *found[1:]] if rates and isnan(rates[0]) else found
    return [-1.0 if isnan(rate) else value for rate, value in zip(rates, found, strict=True)]


def scatter(speed: Sequence[float]) -> float:
    """The standard deviation of the logarithm of the speed from one sample to the next; steps are too few to count."""
    stride = max(1, len(speed) // LOOKED_AT)
    apart = sorted(
        abs(log(speed[at + 1] / speed[at]))
        for at in range(0, len(speed) - 1, stride)
        if speed[at] > 0.0 and speed[at + 1] > 0.0
    )
    return apart[int(QUIET * len(apart))] / OF_QUIET if apart else 0.0


def levels(of: Series, speed: Sequence[float]) -> list[Level]:
    """All levels under load, in time; none where the load scatters too much."""
    step = max(LEAST_STEP, SCATTERS * scatter(speed))
    if step > MOST_STEP:
        return []
    found: list[Level] = []
    at = 0
    while at < len(speed):
        if speed[at] <= 0.0:
            at += 1
            continue
        last = _end(speed, at, step)
        found.append(_level(of, speed, at, last))
        at = last + 1
    return _whole(found)


def _end(speed: Sequence[float], first: int, step: float) -> int:
    """The last sample of the level that begins there."""
    middle = _middle(speed[first : first + 3])
    if abs(log(speed[first] / middle)) > step:
        return first  # a single one that stands apart from the two after it
    low, high = middle * exp(-step), middle * exp(step)
    count, at = len(speed), first + 1
    while at < count:
        if not low <= speed[at] <= high and _leaves(speed, at, low, high):
            return at - 1
        at += 1
        if at - first == BEGINNING:
            middle = _middle(speed[first:at])
            low, high = middle * exp(-step), middle * exp(step)
        while at - first >= BEGINNING and at < count:  # most of a soak is passed over here
            piece = speed[at : at + PIECE]
            if min(piece) < low or max(piece) > high:
                break
            at += len(piece)
    return count - 1


def _leaves(speed: Sequence[float], at: int, low: float, high: float) -> bool:
    """Whether a level of such bounds ends there: the load does, the next sample is beyond too, or this one leaps."""
    if speed[at] <= 0.0:
        return True
    after = speed[at + 1] if at + 1 < len(speed) else 0.0
    beyond = abs(log(speed[at] / (low * high) ** 0.5))
    return not low <= after <= high or beyond > max(LEAPS * log(high / low) / 2.0, LEAP)


def _middle(values: Sequence[float]) -> float:
    found = median(value for value in values if value > 0.0)
    assert found is not None
    return found


def _level(of: Series, speed: Sequence[float], first: int, last: int) -> Level:
    """A level by the middle of its samples; of very many some are looked at."""
    begin = first + 1 if last - first > 1 else first  # the load may have changed within the first
    places = slice(begin, last + 1, max(1, (last - begin) // MOST_READ))
    written = sum(of.write[places])
    moved = sum(of.read[places]) + written
    busy = of.busy[places]
    return Level(
        first=first,
        last=last,
        speed=_middle(speed[places]),
        rate=moved / len(busy),
        busy=sum(busy) / len(busy),
        share=written / moved if moved > 0.0 else 0.0,
    )


def _whole(found: Sequence[Level]) -> list[Level]:
    """The levels without the single samples within which the speed changed: they lie between the two beside them."""
    kept: list[Level] = []
    for place, level in enumerate(found):
        if kept and place + 1 < len(found) and _between(kept[-1], level, found[place + 1]):
            kept[-1] = structs.replace(kept[-1], last=level.last)
        else:
            kept.append(level)
    return kept


def _between(before: Level, level: Level, after: Level) -> bool:
    alone = level.first == level.last and level.goes_on_from(before) and after.goes_on_from(level)
    return alone and (before.speed - level.speed) * (level.speed - after.speed) > 0.0


def steps(of: Series, found: Sequence[Level], *, weighed: bool) -> Iterator[SpeedStep]:
    """Where the speed changed by the drive's own doing, or may have: the load went on and asked for no less.

    Where reading and writing are not weighed against each other (`weighed`), another mix of them is another load.
    """
    for before, after in pairwise(found):
        if not after.goes_on_from(before) or of.since[after.first] > STANDS_FOR * of.every:
            continue
        same_mix = weighed or abs(after.share - before.share) <= MIX_STAYS
        idle = after.busy < BUSY_STAYS * before.busy or before.busy < BUSY_STAYS * after.busy
        apart = abs(log(after.speed / before.speed)) >= LEAST_STEP
        if same_mix and not idle and apart and abs(log(after.work / before.work)) >= LEAST_WORK:
            yield SpeedStep(before, after)
