"""Stretches of steady load or rest, the thermal fit of each, and where its temperature goes, in words."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.soak import wording
from agent.soak.analysed import Forecast, Phase
from agent.soak.series import LOADED_MBPS, blocks
from agent.soak.thermal import MOST_ERROR_KELVIN, Fit, NoFit, fit, steady, unsure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import Fall, Limit
    from agent.soak.series import Blocks, Series

SHORTEST: Final = 60.0  # seconds of a phase that is told of
FEWEST_BLOCKS: Final = 3  # alike, one after the other, make a steady load
STEADY_SHARE: Final = 0.25  # by so much of its own level a steady load may waver, from block to block
COARSE_SECONDS: Final = 60.0  # where a load comes in bursts, it may still be steady by the minute
FITTED_SECONDS: Final = 7200.0  # of a phase; after that rooms warm and cool, and drives have settled
FAST_SECONDS: Final = 20.0  # chip and board warm faster than the drive (facts of published M.2 models)
STEADY_SECONDS: Final = 600.0  # so long a temperature must hold to be called steady
MOST_FITTED: Final = 10  # phases a drive, the longest ones and the last
ROUGH_KELVIN: Final = 3.0  # of one standard deviation, where only "above the limit" is said
SOON: Final = 1.25  # of the length of the phase
_SURE: Final = 2.0  # standard deviations
_LEAST_MARGIN: Final = 1.0  # one step of the sensor
_WIDE: Final = 1.5  # a latest time so much beyond the earliest is told as a range


class Stretch(Struct, frozen=True):
    """Samples [first, last] of steady load and their mean rates."""

    first: int
    last: int
    read: float
    write: float

    @property
    def loaded(self) -> bool:
        """Whether there was work."""
        return self.read + self.write >= LOADED_MBPS


class _Level:
    """The mean rates of a stretch that grows, block by block."""

    def __init__(self, cells: Blocks, begin: int) -> None:
        self.cells = cells
        self.begin = begin
        self.count = 0
        self.read_sum = self.write_sum = 0.0
        self.take(begin)

    def take(self, place: int) -> None:
        """One block more."""
        self.count += 1
        self.read_sum += self.cells.read[place]
        self.write_sum += self.cells.write[place]

    def fits(self, place: int) -> bool:
        """Whether a block has the load of this stretch."""
        if place >= len(self.cells.rate):
            return False
        read, write = self.read_sum / self.count, self.write_sum / self.count
        apart = abs(self.cells.read[place] - read) + abs(self.cells.write[place] - write)
        return apart <= max(LOADED_MBPS, STEADY_SHARE * (read + write))


def stretches(of: Series, cells: Blocks) -> list[Stretch]:
    """The stretches of steady load of a minute or more, in time. One block that falls out is passed over."""
    found: list[Stretch] = []
    level: _Level | None = None
    last = -1
    before: _Level | None = None
    for place, rate in enumerate(cells.rate):
        known = rate == rate  # noqa: PLR0124 - nan
        apart = place > 0 and cells.start[place] - cells.end[place - 1] > 2.0 * cells.length
        if level is not None and known and not apart:
            if level.fits(place):
                level.take(place)
                last = place
                continue
            if level.fits(place + 1) and level.count > 2:  # noqa: PLR2004 - a stretch of its own by now
                last = place
                continue
        if level is not None:
            _close(of, level, last, before, found)
            before = level if not apart else None
        level, last = (_Level(cells, place), place) if known else (None, place)
        before = before if known else None
    if level is not None:
        _close(of, level, last, before, found)
    return found


def _close(of: Series, level: _Level, last: int, before: _Level | None, found: list[Stretch]) -> None:
    """Take down a stretch that ends, from the sample where its load began, if it is long enough."""
    cells = level.cells
    read, write = level.read_sum / level.count, level.write_sum / level.count
    first = _began(of, level, before, read, write)
    end = cells.first[last + 1] - 1
    if found and found[-1].last > first:
        found[-1] = structs.replace(found[-1], last=first)
    if level.count < FEWEST_BLOCKS:
        return
    if of.seconds[end] - of.seconds[first] >= SHORTEST:
        found.append(Stretch(first, end, read, write))


def _began(of: Series, level: _Level, before: _Level | None, read: float, write: float) -> int:
    """The sample at which the load changed: the last one before the rates are nearer to the new level than the old."""
    cells = level.cells
    begin = cells.first[level.begin]
    if before is None:
        return begin
    old_read, old_write = before.read_sum / before.count, before.write_sum / before.count
    for place in range(cells.first[max(0, level.begin - 1)], min(cells.first[level.begin + 1], len(of.seconds))):
        new = abs(of.read[place] - read) + abs(of.write[place] - write)
        old = abs(of.read[place] - old_read) + abs(of.write[place] - old_write)
        if new < old:
            return max(0, place - 1)
    return begin


def phases(of: Series, cells: Blocks, limit: Limit | None, falls: Sequence[Fall]) -> tuple[Phase, ...]:
    """The phases with their fits. Where none under load tells anything, they are taken by the minute."""
    parts = stretches(of, cells)
    found = _phases(of, parts, limit, falls)
    if _telling(found) or cells.length >= COARSE_SECONDS or not any(map(cells.loaded, range(len(cells.rate)))):
        return found
    coarse = stretches(of, blocks(of, COARSE_SECONDS))
    if _longest(of, coarse) <= _longest(of, parts):
        return found
    by_minute = _phases(of, coarse, limit, falls)
    return by_minute if _telling(by_minute) or not any(part.loaded for part in parts) else found


def _telling(found: Sequence[Phase]) -> bool:
    """Whether a phase under load says where its temperature goes."""
    return any(phase.loaded and phase.forecast.settled is not None for phase in found)


def _phases(of: Series, parts: Sequence[Stretch], limit: Limit | None, falls: Sequence[Fall]) -> tuple[Phase, ...]:
    chosen = sorted(parts, key=lambda part: of.seconds[part.first] - of.seconds[part.last])[:MOST_FITTED]
    fitted = {part.first for part in (*chosen, *parts[-1:])}
    return tuple(_phase(of, part, limit, falls, fitted=part.first in fitted) for part in parts)


def _longest(of: Series, parts: Sequence[Stretch]) -> float:
    return max((of.seconds[part.last] - of.seconds[part.first] for part in parts if part.loaded), default=0.0)


def _phase(of: Series, part: Stretch, limit: Limit | None, falls: Sequence[Fall], *, fitted: bool) -> Phase:
    """One phase with its forecast."""
    start, end = of.seconds[part.first], of.seconds[part.last]
    after = min(part.last + 1, bisect_right(of.seconds, start + FITTED_SECONDS))
    seconds, celsius = of.seconds[part.first : after], of.celsius[part.first : after]
    known = [value for value in of.celsius[part.first : part.last + 1] if value == value]  # noqa: PLR0124 - nan
    held_back = slowed(falls, start, end)
    found: Fit | NoFit
    fit_start = start
    if not known:
        found = NoFit("its temperature is not known")
    elif held_back:
        found = NoFit("the drive was slowed, apparently by heat, so its temperature shows nothing of the full load")
    elif not fitted:
        found = NoFit("longer phases were looked at first")
    else:
        found, fit_start = _fitted(seconds, celsius)
        found = _sure(found, limit)
    if isinstance(found, Fit):
        forecast = _forecast(found, limit, fit_start - start, max(known))
    elif held_back:
        forecast = Forecast(kind="none", words=f"no forecast: {found.why}")
    else:
        forecast = _without(found, of, part, limit)
    return Phase(
        start=start,
        end=end,
        loaded=part.loaded,
        read_mbps=part.read,
        write_mbps=part.write,
        first_celsius=known[0] if known else None,
        last_celsius=known[-1] if known else None,
        fit=found if isinstance(found, Fit) else None,
        fit_start=fit_start,
        forecast=forecast,
    )


def slowed(falls: Sequence[Fall], start: float, end: float) -> bool:
    """Whether heat, or maybe heat, held the drive back for a good part of that time."""
    shared = sum(
        max(0.0, min(end, fall.end) - max(start, fall.start)) for fall in falls if fall.kind in {"heat", "unclear"}
    )
    return shared > 0.1 * (end - start)


def _fitted(seconds: Sequence[float], celsius: Sequence[float]) -> tuple[Fit | NoFit, float]:
    """The fit of a phase and where it begins; without the first seconds where they follow a curve of their own."""
    found = fit(seconds, celsius, ROUGH_KELVIN)
    if isinstance(found, Fit) or seconds[-1] - seconds[0] < 6.0 * FAST_SECONDS:
        return found, seconds[0]
    later = bisect_left(seconds, seconds[0] + FAST_SECONDS)
    again = fit(seconds[later:], celsius[later:], MOST_ERROR_KELVIN)
    return (again, seconds[later]) if isinstance(again, Fit) else (found, seconds[0])


def _sure(found: Fit | NoFit, limit: Limit | None) -> Fit | NoFit:
    """A fit that is sure enough of where it settles, or that it gets above the limit soon after the phase.

    A drive that slows itself down ends its own phase: it is then known to reach its limit, and not what lies beyond.
    """
    if isinstance(found, NoFit) or found.settled_error <= MOST_ERROR_KELVIN:
        return found
    if found.rise > 0.0 and limit is not None:
        late = found.reaches(limit.celsius, found.settled - _SURE * found.settled_error)
        if late is not None and late <= SOON * found.seconds:
            return found
    return NoFit(unsure(found.settled_error))


def _forecast(found: Fit, limit: Limit | None, began: float, most: float) -> Forecast:
    """What a fit says of the limit; `began` is how long after the start of the phase its time begins.

    `most` is the highest temperature of the phase: a limit that was reached is said to have been.
    """
    settled, error = found.settled, found.settled_error
    words = wording.celsius(settled)
    if limit is None:
        where = "settles at" if found.rise >= 0.0 else "cools down to"
        text = f"{where} {words} at this load; its limit is not known"
        return Forecast(kind="settles", words=text, settled=settled, error=error)
    margin = limit.celsius - settled
    unsure = max(_SURE * error, _LEAST_MARGIN)
    if abs(margin) <= unsure:
        text = f"settles at about {words}, too close to {wording.limit(limit)} to tell whether it reaches it"
        if most >= limit.celsius:
            text = f"settles at about {words}, close to {wording.limit(limit)}, which it has reached"
        return Forecast(kind="close", words=text, settled=settled, error=error, margin=margin)
    if margin > 0.0:
        where = "settles at" if found.rise >= 0.0 else "cools down to"
        below = wording.below(settled, limit)
        return Forecast(kind="settles", words=f"{where} {words}, {below}", settled=settled, error=error, margin=margin)
    if found.rise < 0.0:
        text = f"cools down to {words} only, {wording.celsius(-margin)} above {wording.limit(limit)}"
        return Forecast(
            kind="reaches", words=text, settled=settled, error=error, margin=margin, after_seconds=(0.0, 0.0)
        )
    soon, late = (found.reaches(limit.celsius, settled + sign * _SURE * error) for sign in (1.0, -1.0))
    middle = found.reaches(limit.celsius)
    assert soon is not None
    assert late is not None
    assert middle is not None
    times = (soon + began, late + began)
    when = f"after about {wording.lasting(middle + began)}"
    if times[1] > _WIDE * times[0]:
        when = f"after {wording.lasting(times[0])} to {wording.lasting(times[1])}"
    if times[1] <= 0.0:
        when = "from the start"
    text = f"reaches {wording.limit(limit)} {when} at this load"
    return Forecast(kind="reaches", words=text, settled=settled, error=error, margin=margin, after_seconds=times)


def _without(found: NoFit, of: Series, part: Stretch, limit: Limit | None) -> Forecast:
    """What was measured where the temperature held steady, else that there is no forecast and why."""
    begin = bisect_left(of.seconds, of.seconds[part.last] - 2.0 * STEADY_SECONDS)
    begin = max(begin, part.first)
    level = steady(of.seconds[begin : part.last + 1], of.celsius[begin : part.last + 1], STEADY_SECONDS)
    if level is None:
        return Forecast(kind="none", words=f"no forecast: {found.why}")
    text = f"stayed at {wording.celsius(level)} for the last {wording.lasting(STEADY_SECONDS)} of this load"
    margin = None
    if limit is not None:
        margin = limit.celsius - level
        text += f", {wording.below(level, limit)}" if margin > 0.0 else f", at or above {wording.limit(limit)}"
    return Forecast(kind="steady", words=text, settled=level, error=_LEAST_MARGIN / 2.0, margin=margin)


def counting(found: Sequence[Phase], *, running: bool) -> Forecast:
    """The forecast that counts for a drive: of the load that runs now, else of the one that ends hottest.

    Where no loaded phase has one, the reason is that of the longest.
    """
    loaded = [phase for phase in found if phase.loaded]
    if not loaded:
        return Forecast(kind="none", words="no forecast: no load was steady for a minute")
    told = [phase for phase in loaded if phase.forecast.settled is not None]
    if running and found[-1].loaded and (found[-1] in told or not told):
        return found[-1].forecast
    if told:
        return max(told, key=lambda phase: phase.forecast.settled or 0.0).forecast
    return max(loaded, key=lambda phase: phase.end - phase.start).forecast
