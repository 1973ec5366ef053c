"""Rates as bars: what a drive or a stripe set should reach, held against the ceiling of the best that its links can do.

Gives places in percent of the longest bar of a machine; draws nothing itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.throughput import ceiling_mbps
from agent.report.page import words
from knowledge.phrasing import mbps

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.stripes import StripeSeen
    from agent.model.throughput import Direction

Range = tuple[float, float]
LENGTH: Final = 1000.0  # of the longest bar, in units of its own
ALL: Final = "all drives at once"
EITHER: Final = "alone or all at once"


class Bar(Struct, frozen=True, kw_only=True):
    """One bar: from 0 to `sure` what should be reached, on to `most` what may be, `bed` the ceiling (None: none known).

    All in thousandths of the longest bar. `figures` says the same in words.
    """

    label: str
    figures: str
    sure: float
    most: float
    bed: float | None


class RangeBar(Struct, frozen=True):
    """A way to work with a drive, the range that it should reach then, and the ceiling over it, MB/s."""

    label: str
    rates: tuple[float, float]
    ceiling: float | None
    way: str = "reading"


def loads_of_drive(seen: DriveSeen, audit: Audit) -> Iterator[RangeBar]:
    """All that is told of a drive's rates, with the ceiling of its own link at the best of both its ends."""
    read, write = (_ceiling(seen, audit, way) for way in ("to_host", "to_drive"))
    both_read, both_write = seen.both if seen.both is not None else (None, None)
    for label, rates, ceiling, way in (
        *((label, rates, read, "reading") for label, rates in _told("read", seen.alone, seen.together)),
        *((label, rates, write, "writing") for label, rates in _told("written", seen.alone_write, seen.together_write)),
        ("read (all read and written)", both_read, read, "reading"),
        ("written (all read and written)", both_write, write, "writing"),
    ):
        if rates is not None:
            yield RangeBar(label, rates, ceiling, way)


def _told(way: str, alone: Range | None, together: Range | None) -> Iterator[tuple[str, Range | None]]:
    """A rate alone and with all drives at work; both in one where they are the same to people."""
    if words.rates(alone) == words.rates(together):
        yield f"{way}, {EITHER}", alone
    else:
        yield from ((f"{way} alone", alone), (f"{way}, {ALL}", together))


def loads_of_stripe(seen: StripeSeen) -> Iterator[RangeBar]:
    """All that is told of a stripe set's rates."""
    for label, rates in (
        *_told("read", seen.alone, seen.together),
        *_told("written", seen.alone_write, seen.together_write),
    ):
        if rates is not None:
            yield RangeBar(label, rates, None)


def _ceiling(seen: DriveSeen, audit: Audit, way: Direction) -> float | None:
    """The most that the drive's own link could carry at the best of both its ends."""
    judged = audit.by_key.get(seen.path[0]) if seen.path else None
    if judged is None or seen.alone is None:
        return None
    rate = judged.best or judged.now
    return None if rate is None else ceiling_mbps(rate.speed, rate.width, seen.payload_bytes, way)


def ceilings(loads: Sequence[RangeBar]) -> str:
    """The ceilings of reading and of writing in words, "" where none is known."""
    found = {load.way: load.ceiling for load in loads if load.ceiling is not None}
    return " and ".join(f"{mbps(rate)} {way}" for way, rate in found.items())


def longest(loads: Sequence[RangeBar]) -> float:
    """The rate, MB/s, that the longest bar stands for."""
    return max((max(load.rates[1], load.ceiling or 0.0) for load in loads), default=0.0)


def bars(loads: Sequence[RangeBar], scale: float) -> tuple[Bar, ...]:
    """The bars of these loads; `scale` is the rate, MB/s, of the longest one."""

    def long(rate: float) -> float:
        return round(min(1.0, rate / scale) * LENGTH, 1) if scale > 0 else 0.0

    return tuple(
        Bar(
            label=load.label,
            figures=words.rates(load.rates),
            sure=long(load.rates[0]),
            most=long(load.rates[1]),
            bed=None if load.ceiling is None else long(load.ceiling),
        )
        for load in loads
    )
