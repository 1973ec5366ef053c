"""The tries that find how large requests are and how many at once: short loads within the limits of the run.

What a try read is not read again by the next, as a drive keeps what it gave before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.measure import choosing
from agent.measure.loaded import MeasureProgress
from agent.measure.measured import Chosen, ReadSize, Try
from probes.blocks import ALIGNED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.measure.loaded import Around, Loaded
    from agent.measure.measured import Ended, MeasureRequest

SHARE: Final = 0.3  # of the time and bytes of a run, for all its tries
LONGEST_SEARCH: Final = 15.0  # seconds
TRY_SHARE: Final = 0.025  # of the time of a run, for one try
SHORTEST: Final = 0.05  # seconds of a try
LONGEST: Final = 0.5
FEWEST: Final = 4  # tries; a run that has no time for them has none
FEWEST_IN_FLIGHT: Final = 8  # times as much as the first try has in flight: with fewer bytes no rate can be seen


def worth_it(asked: MeasureRequest, pair: ReadSize) -> bool:
    """Whether anything is left to be found, with time and bytes for it."""
    return _open(asked) and not _why_not(asked, pair)


def _open(asked: MeasureRequest) -> bool:
    """Whether a size or a number is to be found."""
    return "flat" in choosing.whys(asked, "flat")


def try_bytes(asked: MeasureRequest) -> int | None:
    """How many bytes of a target all its tries may read, None where there is no limit."""
    return None if asked.max_bytes is None else int(asked.max_bytes * SHARE) // ALIGNED * ALIGNED


def _why_not(asked: MeasureRequest, pair: ReadSize) -> Ended | None:
    most = try_bytes(asked)
    if most is not None and most < FEWEST_IN_FLIGHT * pair.in_flight:
        return "bytes"
    return "time" if asked.seconds * SHARE < FEWEST * SHORTEST else None


def find(group: Sequence[Loaded], asked: MeasureRequest, around: Around, place: tuple[int, int]) -> Chosen:
    """Choose a size and depth for targets that are read at once, and make them ready to be read with it.

    Those that failed or got too hot meanwhile have ended. `place` is the number of this run, and of how many.
    """
    at_once = len(group)
    pair = choosing.first(asked, at_once)
    if not _open(asked):
        return Chosen(pair, *choosing.whys(asked, "set"))
    why = _why_not(asked, pair)
    if why is not None:
        return Chosen(pair, *choosing.whys(asked, why))
    tries = _Tries(group, asked, around, place)
    most = min(timed.load.size for timed in group)
    chosen = choosing.choose(asked, tries.seconds, most, at_once, tries.one)
    for timed in group:
        if timed.ended is None:
            timed.again(chosen.pair, timed.left())
    return chosen


class _Tries:
    """The tries of a search, each a short load of all targets."""

    def __init__(self, group: Sequence[Loaded], asked: MeasureRequest, around: Around, place: tuple[int, int]) -> None:
        self.seconds = min(LONGEST, max(SHORTEST, asked.seconds * TRY_SHARE))
        self._group, self._around, self._place = group, around, place
        self._begun = around.clock()
        self._time = min(LONGEST_SEARCH, asked.seconds * SHARE)
        self._fresh = True

    def one(self, pair: ReadSize) -> Try | Ended:
        """Read with this size and depth for a moment; the rate, or why there is none."""
        if self._around.clock() - self._begun + self.seconds > self._time:
            return "time"
        if not self._ready(pair):
            return "bytes"
        self._around.show(self._doing(pair))
        before = self._read()
        start = self._around.clock()
        self._read_for(start)
        seconds = self._around.clock() - start
        if any(timed.ended is not None for timed in self._group):
            return "failed"
        read = self._read() - before
        if seconds < self.seconds * choosing.PATIENCE:
            return "bytes"  # a limit, or the end of random places, cut it short
        return Try(pair, read / seconds / 1e6, read, seconds)

    def _ready(self, pair: ReadSize) -> bool:
        """Begin a load of this size and depth on each target; False where too few bytes are left for a rate."""
        if self._fresh:  # the first loads are there, unused
            self._fresh = False
            return True
        left = [timed.left(SHARE) for timed in self._group]
        if any(most is not None and most < FEWEST_IN_FLIGHT * pair.in_flight for most in left):
            return False
        for timed, most in zip(self._group, left, strict=True):
            timed.again(pair, None if most is None else most // ALIGNED * ALIGNED)
        return True

    def _read(self) -> int:
        return sum(timed.read_bytes for timed in self._group)

    def _read_for(self, start: float) -> None:
        """Let all targets be read for the time of a try, and wait for what is in flight."""
        from threading import Event

        changed = Event()
        for timed in self._group:
            if timed.ended is None:
                timed.load.start(changed)
        while any(timed.load.running for timed in self._group):
            left = start + self.seconds - self._around.clock()
            if left <= 0:
                break
            self._around.wait(changed, left)
            changed.clear()
        for timed in self._group:
            timed.look()
            if timed.finish():
                timed.stop("failed")

    def _doing(self, pair: ReadSize) -> MeasureProgress:
        part = min(1.0, (self._around.clock() - self._begun) / self._time)
        return MeasureProgress(tuple(timed.target.name for timed in self._group), *self._place, part, pair)
