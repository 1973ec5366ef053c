"""Columns of numbers of a soak's log to one track a drive: rates, shares of time, what is missing. Reads nothing.

All work on whole columns is done by functions of the interpreter that are written in C; there is no loop over samples
but where something is missing.
"""

from __future__ import annotations

from array import array
from itertools import accumulate, repeat
from math import inf, isnan, nan
from operator import gt, sub, truediv
from typing import TYPE_CHECKING, Final

from msgspec import structs

from probes.samples import Missed, Track

if TYPE_CHECKING:
    from collections.abc import Iterable

    from knowledge.problems import BadInput
    from probes.samples import Counters, DriveHead

MISSING: Final = inf  # how a query gives what is missing; no number of a log is so large
LOWEST: Final = -273.15  # degrees Celsius
HIGHEST: Final = 1e6
LARGEST: Final = 2.0**64  # of a count
LONGEST: Final = 1e12  # seconds
MEGA: Final = 1e6
MILLI: Final = 1e3  # milliseconds in a second


class Columns:
    """The numbers of one drive, a column each, in the order of the ticks; filled piece by piece."""

    NAMES: Final = ("celsius", "hottest", "read_bytes", "write_bytes", "busy_ms")

    def __init__(self) -> None:
        """Empty columns."""
        self.columns = tuple(array("d") for _ in self.NAMES)

    def extend(self, flat: array[float], first: int, stride: int) -> None:
        """Take this drive's numbers out of rows that lie one after the other, `stride` numbers a tick."""
        for place, column in enumerate(self.columns):
            column.extend(flat[first + place :: stride])


class Times:
    """The moments of the samples, seconds, with the time between them; raises BadInput where they do not rise."""

    def __init__(self, seconds: array[float], damaged: BadInput) -> None:
        """`damaged` is what to raise."""
        later = seconds[1:]
        if not all(map(gt, later, seconds)) or (seconds and not 0 <= seconds[0] <= seconds[-1] <= LONGEST):
            raise damaged
        self.seconds = seconds
        self.between = array("d", map(sub, later, seconds))
        self.mega = array("d", map(MEGA.__mul__, self.between))
        self.milli = array("d", map(MILLI.__mul__, self.between))


def temperatures(column: array[float], damaged: BadInput) -> array[float]:
    """The column with nan for what is missing; raises `damaged` where a number is no temperature."""
    if not column or (min(column) >= LOWEST and max(column) <= HIGHEST):
        return column
    if any(not LOWEST <= value <= HIGHEST for value in column if value != MISSING):
        raise damaged
    return array("d", [nan if value == MISSING else value for value in column])


class Count:
    """A count that a drive keeps: by how much it rose at each sample but the first, nan where that is not known.

    A count that fell, as after a drive's return, says nothing of what came in between.
    """

    def __init__(self, column: array[float], damaged: BadInput) -> None:
        """Raises `damaged` where a number is no count."""
        rises = array("d", map(sub, column[1:], column))
        self.any = bool(column)
        self.rises = rises
        self.missing: list[bool] | None = None
        if not column or (MISSING not in column and min(rises, default=0.0) >= 0 <= column[0] and column[-1] < LARGEST):
            return
        if any(not 0 <= value < LARGEST for value in column if value != MISSING):
            raise damaged
        self.missing = [value == MISSING for value in column]
        self.rises = array("d", [rise if 0 <= rise < LARGEST else nan for rise in rises])

    def over(self, time: array[float]) -> array[float]:
        """Rates: nan for the first sample, then each rise by its time."""
        found = array("d", (nan,) * self.any)
        found.extend(map(truediv, self.rises, time))
        return found

    def summed(self) -> array[float]:
        """What came together since the first sample; a rise that is not known adds nothing."""
        if not self.any:
            return array("d")
        if self.missing is None:
            return array("d", accumulate(self.rises, initial=0.0))
        total = accumulate((0.0 if isnan(rise) else rise for rise in self.rises), initial=0.0)
        return array("d", [nan if gone else so_far for gone, so_far in zip(self.missing, total, strict=True)])


def missed(turns: Iterable[tuple[float, int | None, str, str | None, int | None]]) -> tuple[Missed, ...]:
    """The times in which something could not be read of one drive, or of what is no drive's.

    `turns` are (seconds, place, what, why, needs_root) in time, why being None where it is read again.
    """
    found: list[Missed] = []
    still: dict[str, Missed] = {}
    for seconds, _, what, why, needs_root in turns:
        before = still.pop(what, None)
        if before is not None:
            found.append(structs.replace(before, end=seconds))
        if why is not None:
            still[what] = Missed(what, why, seconds, None, bool(needs_root))
    return tuple(sorted((*found, *still.values()), key=lambda gap: gap.start))


def track(  # noqa: PLR0913 - what a log has of a drive, each by its name
    head: DriveHead,
    times: Times,
    columns: Columns,
    damaged: BadInput,
    links: Iterable[tuple[float, int, int]],
    errors: Iterable[tuple[float, int]],
    counters: Iterable[tuple[float, Counters]],
    *,
    unread: tuple[Missed, ...] = (),
) -> Track:
    """One drive over the whole soak."""
    celsius, hottest, read_bytes, write_bytes, busy_ms = columns.columns
    written = Count(write_bytes, damaged)
    busy = Count(busy_ms, damaged).over(times.milli)
    return Track(
        head=head,
        seconds=times.seconds,
        celsius=temperatures(celsius, damaged),
        hottest=temperatures(hottest, damaged),
        read_mbps=Count(read_bytes, damaged).over(times.mega),
        write_mbps=written.over(times.mega),
        busy=array("d", map(min, busy, repeat(1.0))),
        written_bytes=written.summed(),
        links=tuple(links),
        errors=tuple(errors),
        counters=tuple(counters),
        unread=unread,
    )
