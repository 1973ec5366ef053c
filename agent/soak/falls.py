"""Times in which a drive was slower than before although its load went on, and what each looks like: heat or cache.

Telling them apart (common practice): heat has the temperature at a limit and a rate that comes back as the drive cools;
a filled write cache has a rate that steps down after much writing with the temperature not at a limit; a load that
ends or asks for less leaves the drive idle for more of the time.
"""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.soak import wording
from agent.soak.analysed import Fall
from agent.soak.by_loop import NO_CACHE, ONE_SECONDS, PAUSE_BLOCKS, by_loop
from agent.soak.series import LOADED_MBPS, limits_of, median
from knowledge.phrasing import mbps_fine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import FallKind, Limit, Loop
    from agent.soak.series import Blocks, Series

AT_LIMIT_KELVIN: Final = 3.0  # so close below a limit, a drive may slow itself: sensors scatter by 1 K, steps are 1 K
FALLEN: Final = 0.75  # of the rate before: less than that is a fall (published drops: 2.4 to 1.4 GB/s)
BACK: Final = 0.85  # of the rate before: more than that is a recovery
STARTS_BELOW: Final = 0.9  # of the rate before: where a fall began
BUSY_STAYS: Final = 0.8  # a drive that slows itself down is busy for as much of the time as before
MIX_STAYS: Final = 0.3  # share of writing; more change than that is another load
MOSTLY_WRITING: Final = 0.5
SAME_VOLUME: Final = 0.2  # volumes of two falls that differ by less are the same
COOLED_KELVIN: Final = 1.0
COOL_KELVIN: Final = 10.0  # so much cooler than it was, a drive that slows itself has long gone back (common practice)
COOL_BLOCKS: Final = 6  # so long it stays that cool without going faster: a minute
SEVERAL_KELVIN: Final = 3.0  # temperatures that far apart are several
HOTTER_KELVIN: Final = 2.0  # a drive that worked at its full speed while so much hotter does not slow itself here
HOTTER_BLOCKS: Final = 3
LONG_BLOCKS: Final = 12  # two minutes at its full speed, as warm as when it fell: that is no temperature to slow at
MOST_ASKED: Final = 60  # falls that are held against all else the drive did
NEAR_SECONDS: Final = 15.0  # so close to the beginning of a fall, a change of the link is why


class _Open(Struct):
    """A fall that is still going on: where it began, the first block seen low, the rate and the mix before."""

    onset: int
    seen: int
    before: float
    share: float
    written: float


class Finder:
    """Goes over the blocks once and keeps the falls that are none of the load's own."""

    def __init__(
        self,
        of: Series,
        cells: Blocks,
        limits: Sequence[float],
        held: Limit | None,
        link: Sequence[tuple[float, float]],
    ) -> None:
        """`limits` are all temperatures at which the drive may slow itself, `held` the one that words name.

        `link` are the times, from and to, at which its link got worse or counted errors.
        """
        self.of = of
        self.cells = cells
        self.link = link
        self.limits = limits
        self.held = held
        self.found: list[Fall] = []
        self.reference: float | None = None
        self.share = 0.0
        self.since = 0  # block where this load began
        self.written = 0.0  # bytes since the last pause
        self.rest = 0
        self.open: _Open | None = None
        self.closed = 0  # block before which the last fall ended

    def run(self) -> list[Fall]:
        """All falls, in time."""
        cells = self.cells
        rates = cells.rate
        for place, rate in enumerate(rates):
            if place and cells.start[place] - cells.end[place - 1] > 2.0 * cells.length:
                self._stop(place)
            if not cells.loaded(place):
                self._resting(place)
                continue
            self.rest = 0
            if isnan(rate):  # busy, but how fast is not known
                self._stop(place)
                continue
            self._working(place, rate)
            wrote = cells.write[place]
            self.written += wrote * (cells.end[place] - cells.start[place]) * 1e6 if wrote == wrote else 0.0  # noqa: PLR0124
        self._stop(len(rates))
        return self.found

    def _resting(self, place: int) -> None:
        self._stop(place)
        self.rest += 1
        if self.rest >= PAUSE_BLOCKS:
            self.written = 0.0

    def _stop(self, place: int) -> None:
        """The load ends before that block."""
        if self.open is not None:
            self._close(place, recovered=False)
        self.reference = None

    def _working(self, place: int, rate: float) -> None:
        """One block under load."""
        share = self.cells.write[place] / rate if rate > 0.0 else self.share
        if self.reference is None:
            self._begin(place, rate, share)
            return
        if abs(share - self.share) > MIX_STAYS:
            if self.open is not None:
                self._close(place, recovered=False)
            self._begin(place, rate, share)
            return
        if self.open is not None:
            if rate >= BACK * self.reference:
                self._close(place, recovered=True)
            return
        if rate < FALLEN * self.reference:
            self._fallen(place, rate, share)
        elif place > self.since:  # two blocks in a row count: one alone may be a leap
            self.reference = max(self.reference, min(rate, self.cells.rate[place - 1]))

    def _begin(self, place: int, rate: float, share: float) -> None:
        self.reference, self.share, self.since = rate, share, place

    def _fallen(self, place: int, rate: float, share: float) -> None:
        """A low block: the beginning of a fall if the load is still there."""
        assert self.reference is not None
        cells = self.cells
        after = place + 1
        if after >= len(cells.rate) or not cells.loaded(after):
            return  # the load ends inside this block or right after it
        again = cells.rate[after] < FALLEN * self.reference
        if not again and not self._at_limit(place - 1, place):
            return
        onset = place
        while onset > max(self.since, self.closed) + 1 and cells.rate[onset - 1] < STARTS_BELOW * self.reference:
            onset -= 1
        if self._asks_for_less(onset, place, place + 2):
            self._begin(place, rate, share)
            return
        self.open = _Open(onset, place, self.reference, self.share, self.written)

    def _asks_for_less(self, onset: int, first: int, after: int) -> bool:
        """Whether the drive rests for more of the time than before: then it is the load that fell."""
        before = median(value for value in self.cells.busy[max(self.since, onset - 6) : onset] if value == value)  # noqa: PLR0124
        during = median(value for value in self.cells.busy[first:after] if value == value)  # noqa: PLR0124 - nan
        return before is not None and during is not None and during < BUSY_STAYS * before

    def _at_limit(self, first: int, last: int) -> bool:
        hottest = _most(self.cells.celsius[max(0, first) : last + 1])
        return hottest is not None and any(hottest >= limit - AT_LIMIT_KELVIN for limit in self.limits)

    def _close(self, place: int, *, recovered: bool) -> None:
        """End the fall before that block and say what it looks like."""
        fall, cells = self.open, self.cells
        assert fall is not None
        self.open = None
        self.closed = place
        if not recovered and self._asks_for_less(fall.onset, fall.seen, place):
            return
        during = self._floor(fall, place)
        known = _mean(cells.busy[fall.seen : place]) is not None
        then = cells.celsius[place] if recovered else float("nan")
        celsius_then = then if then == then else None  # noqa: PLR0124 - nan
        hottest = _most(cells.celsius[max(0, fall.onset - 1) : fall.seen + 2])
        peak = _most(cells.celsius[max(0, fall.onset - 1) : place])
        cooled = peak is not None and celsius_then is not None and celsius_then <= peak - COOLED_KELVIN
        kind = self._kind(fall, hottest, cooled=cooled, sure_of_load=known or recovered)
        reads = kind == "unclear" and fall.share < MOSTLY_WRITING
        maybe = (kind == "heat" or reads) and hottest is not None and not recovered
        stays = maybe and self._stayed_cool(fall.seen, place, hottest)
        kind = "unclear" if stays else kind
        made = Fall(
            kind=kind,
            start=cells.start[fall.onset],
            end=cells.end[place - 1],
            before_mbps=fall.before,
            during_mbps=during if during is not None else 0.0,
            celsius=hottest,
            celsius_then=celsius_then,
            written_bytes=fall.written,
            recovered=recovered,
            words="",
        )
        self.found.append(structs.replace(made, words=self._words(made, cooled=cooled, stays=stays)))

    def _floor(self, fall: _Open, after: int) -> float | None:
        """The middle rate of the samples of a fall that are low: it may come and go faster than blocks show."""
        first, last = self.cells.first[fall.seen], self.cells.first[after]
        rates = [self.of.read[at] + self.of.write[at] for at in range(first, last)]
        return median(rate for rate in rates if LOADED_MBPS <= rate < FALLEN * fall.before) or median(
            rate
            for rate in rates
            if rate == rate  # noqa: PLR0124 - nan
        )

    def _stayed_cool(self, first: int, after: int, hottest: float | None) -> bool:
        """Whether it cooled far down in a fall that did not end for it: heat alone does not hold a cool drive back."""
        assert hottest is not None
        return sum(value <= hottest - COOL_KELVIN for value in self.cells.celsius[first:after]) >= COOL_BLOCKS

    def _as_fast_at(self, fall: _Open, celsius: float) -> int:
        """In how many blocks it was as fast as before that fall, as warm as that or warmer; `LONG_BLOCKS` at most."""
        cells, seen = self.cells, 0
        if len(self.found) >= MOST_ASKED:
            return 0
        fast = BACK * fall.before
        for place, (rate, warmth) in enumerate(zip(cells.rate, cells.celsius, strict=True)):
            if rate >= fast and warmth >= celsius:
                seen += abs(cells.write[place] / rate - fall.share) <= MIX_STAYS
                if seen >= LONG_BLOCKS:
                    break
        return seen

    def _kind(self, fall: _Open, hottest: float | None, *, cooled: bool, sure_of_load: bool) -> FallKind:
        writing = fall.share >= MOSTLY_WRITING
        begin, end = self.cells.start[fall.onset] - NEAR_SECONDS, self.cells.end[fall.seen] + NEAR_SECONDS
        if any(start <= end and begin <= stop for start, stop in self.link):
            return "link"
        if hottest is None:
            return "unclear"
        if any(hottest >= limit - AT_LIMIT_KELVIN for limit in self.limits):
            held_back = cooled or (sure_of_load and not writing)
            return "heat" if held_back and self._as_fast_at(fall, hottest) < LONG_BLOCKS else "unclear"
        if not self.limits and self._as_fast_at(fall, hottest + HOTTER_KELVIN) < HOTTER_BLOCKS:
            return "unclear"
        return "cache" if writing and fall.written >= NO_CACHE else "other"

    def _words(self, fall: Fall, *, cooled: bool, stays: bool) -> str:
        """One sentence for one fall."""
        rates = f"fell from {mbps_fine(fall.before_mbps)} to {mbps_fine(fall.during_mbps)}"
        where = "at an unknown temperature" if fall.celsius is None else f"at {wording.celsius(fall.celsius)}"
        if fall.celsius is not None and self.held is not None:
            apart = self.held.celsius - fall.celsius
            below = wording.below(fall.celsius, self.held)
            where += f", {below}" if apart >= 0.5 else f", at or above {wording.limit(self.held)}"  # noqa: PLR2004 - rounds
        volume = f"after {wording.amount(fall.written_bytes)} written"
        match fall.kind:
            case "heat":
                back = " and came back as it cooled" if cooled else ""
                return f"{rates} {where}{back}"
            case "cache":
                return f"{rates} {volume}, {where}, as when a write cache is full"
            case "link":
                return f"{rates} {where}, as its link changed or counted errors"
            case "unclear" if fall.celsius is not None and self.limits:
                cooled_off = f", and did not come back although it cooled by {COOL_KELVIN:.0f} C and more: heat, or a "
                other = f", {volume}: heat or a full write cache" if fall.written_bytes else ": heat, or another load"
                cause = f"{cooled_off}load that asks for less" if stays else other
                return f"{rates} {where}{cause}; the log does not show which"
            case "unclear":
                return f"{rates} {where}; without a temperature and a limit, heat is neither shown nor ruled out"
            case _:
                return f"{rates} {where}; nothing in the log says why"


def falls(
    of: Series,
    cells: Blocks,
    held: Limit | None,
    link: Sequence[tuple[float, float]] = (),
    loop: Loop | None = None,
) -> tuple[Fall, ...]:
    """All falls of a drive, those of a kind close together as one; of a cache also whether its volume is always alike.

    `held` is the limit that words name; `link` are the times, from and to, at which its link got worse or counted
    errors; `loop` is how the drive was seen to keep itself cool.
    """
    limits = [limit.celsius for limit in limits_of(of.head)]
    if loop is not None and loop.sure and not loop.hottest:
        limits.append(loop.onset)
    found = Finder(of, cells, limits, held, link).run()
    found = by_loop(found if limits else _by_volume(found), cells, loop, limits)
    volumes = [fall.written_bytes for fall in found if fall.kind == "cache"]
    if alike(volumes):
        each = f"; {len(volumes)} times, each after about as much"
        found = [structs.replace(fall, words=fall.words + each) if fall.kind == "cache" else fall for fall in found]
    joined: list[Fall] = []
    for fall in found:
        if joined and _goes_on(joined[-1], fall):
            joined[-1] = _joined(joined[-1], fall)
        else:
            joined.append(fall)
    return tuple(_told(fall) for fall in joined)


def alike(volumes: Sequence[float]) -> bool:
    """Whether several volumes are about the same."""
    return len(volumes) > 1 and max(volumes) - min(volumes) <= SAME_VOLUME * max(volumes)


def _by_volume(found: Sequence[Fall]) -> list[Fall]:
    """The falls; those that came after one volume at several temperatures, where no limit is known, are of a cache."""
    full = [fall for fall in found if fall.kind in {"cache", "unclear"} and fall.written_bytes >= NO_CACHE]
    warmth = [fall.celsius for fall in full if fall.celsius is not None]
    if not alike([fall.written_bytes for fall in full]) or max(warmth) - min(warmth) < SEVERAL_KELVIN:
        return list(found)
    return [_of_cache(fall) if fall.kind == "unclear" and fall in full else fall for fall in found]


def _of_cache(fall: Fall) -> Fall:
    rates, _, rest = fall.words.partition(" at ")
    where = rest.partition(";")[0].partition(", after")[0]
    volume = wording.amount(fall.written_bytes)
    words = f"{rates} after {volume} written, at {where}, as when a write cache is full"
    return structs.replace(fall, kind="cache", words=words)


def _goes_on(first: Fall, then: Fall) -> bool:
    """Whether one fall goes on from another: the same kind, soon after, the load still there. A cache fills anew.

    What is unclear by itself goes on from heat, if it comes right after it.
    """
    return (
        (first.kind == then.kind != "cache" or (first.kind, then.kind) == ("heat", "unclear"))
        and then.start - first.end <= ONE_SECONDS
        and (first.recovered or then.start <= first.end)
    )


def _joined(first: Fall, then: Fall) -> Fall:
    """Two falls as one; its rates are the higher one before and the lower one during."""
    warmest = [value for value in (first.celsius, then.celsius) if value is not None]
    return structs.replace(
        first,
        end=then.end,
        before_mbps=max(first.before_mbps, then.before_mbps),
        during_mbps=min(first.during_mbps, then.during_mbps),
        celsius=max(warmest) if warmest else None,
        celsius_then=then.celsius_then,
        recovered=first.recovered or then.recovered,
        times=first.times + then.times,
    )


def _told(fall: Fall) -> Fall:
    """A joined fall says how often; shorter ones than a block may have been missed."""
    if fall.times == 1:
        return fall
    when = f"{wording.moment(fall.start)} to {wording.moment(fall.end)}"
    return structs.replace(fall, words=f"{fall.words}, at least {fall.times} times from {when}")


def _mean(values: Sequence[float]) -> float | None:
    known = [value for value in values if value == value]  # noqa: PLR0124 - nan
    return sum(known) / len(known) if known else None


def _most(values: Sequence[float]) -> float | None:
    known = [value for value in values if value == value]  # noqa: PLR0124 - nan
    return max(known) if known else None
