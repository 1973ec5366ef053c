"""A drive held at a temperature: its speed gives way there, and there alone, so that the temperature stands still.

So it looks where a drive slows itself bit by bit, or back and forth faster than samples are taken. A full cache or
another load may come to rest at one temperature too, by chance, but at one speed: there it is left open.
"""

from __future__ import annotations

from itertools import pairwise
from math import isnan, sqrt
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.soak.analysed import Loop, TimeSpan
from agent.soak.series import LOADED_BUSY, LOADED_MBPS, median
from agent.soak.speed import ALONE, BUSY_STAYS, FALLEN, while_busy

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.series import Blocks, Series

BAND_KELVIN: Final = 5.5  # below its highest temperature: there it is held
FEWEST: Final = 3  # blocks below the band, by which its full speed is told
HELD_BLOCKS: Final = 8
HELD_SECONDS: Final = 120.0
LONG_SECONDS: Final = 180.0
LONG_KELVIN: Final = 0.6  # standard deviation; held so well for so long it is not by chance
STILL_KELVIN: Final = 1.0  # from where it was as it first fell
FEWEST_READS: Final = 8  # samples
SLOW_ELSEWHERE: Final = 0.08  # of the blocks below the band that may be slow
SELDOM: Final = 0.25  # of the time at that temperature or above in which it is at its full speed
LESS: Final = 0.9  # of what it does in all of the time: less is done while held
RISE_KELVIN: Final = 2.0  # by so much it still warmed in the time before it was first held
RISE_SECONDS: Final = 120.0
SINKS: Final = 0.3  # of the whole fall of the speed that is still to come after its first block
SLOWER: Final = 0.95  # of its speed while hottest: less than that is slower
COMES_BACK: Final = 0.1  # of the samples while held that are at full speed
STAYS_AWAY: Final = 0.1  # of them that are slow


class _Hold(Struct, frozen=True):
    """The blocks in which it is slow within the band, those below the band, and the speed of each that counts.

    `full` is its full speed, `as_fast` the share of the time while so warm in which it works at that all the same.
    """

    stays: Sequence[int]
    cool: Sequence[int]
    pace: dict[int, float]
    full: float
    as_fast: float


def held(of: Series, cells: Blocks, speed: Sequence[float], weight: float) -> Loop | None:
    """The hold of a drive, with what speaks against heat; None where its speed gave way elsewhere too, or not at all.

    `speed` is that of each sample.
    """
    hold = _hold(cells, weight)
    if hold is None:
        return None
    warmth = [cells.celsius[place] for place in hold.stays]
    onset = _middle(warmth)
    scatter = sqrt(sum((value - onset) ** 2 for value in warmth) / len(warmth))
    return Loop(
        onset=onset,
        scatter=scatter,
        back=None,
        times=1 + sum(later - place > 2 for place, later in pairwise(hold.stays)),  # noqa: PLR2004 - one falls out
        returns=0,
        before_mbps=_middle([cells.rate[place] for place in hold.cool]),
        during_mbps=_middle([cells.rate[place] for place in hold.stays]),
        against=tuple(dict.fromkeys(_against(of, cells, speed, hold, scatter))),
        spans=tuple(TimeSpan(cells.start[place], cells.end[place]) for place in hold.stays),
        held=True,
    )


def _hold(cells: Blocks, weight: float) -> _Hold | None:
    whole = _whole(cells)
    if len(whole) < HELD_BLOCKS + FEWEST:
        return None
    work = [_work(cells, place, weight) for place in whole]
    if min(work) > LESS * max(work):
        return None  # it does as much all the time, as most do
    pace = {place: while_busy(_work(cells, place, weight), cells.busy[place]) for place in whole}
    bottom = max(cells.celsius[place] for place in whole) - BAND_KELVIN
    cool = [place for place in whole if cells.celsius[place] < bottom]
    if len(cool) < FEWEST:
        return None
    full, busy = _middle([pace[place] for place in cool]), _middle([cells.busy[place] for place in cool])
    least = LESS * _middle([_work(cells, place, weight) for place in cool])
    slow = [place for place in whole if pace[place] < FALLEN * full and not cells.busy[place] < BUSY_STAYS * busy]
    stays = [place for place in slow if cells.celsius[place] >= bottom]
    lasted = sum(cells.end[place] - cells.start[place] for place in stays)
    elsewhere = len(slow) - len(stays)
    if stays and _middle([_work(cells, place, weight) for place in stays]) > least:
        return None  # it is merely busier
    if len(stays) < HELD_BLOCKS or lasted < HELD_SECONDS or elsewhere > SLOW_ELSEWHERE * len(cool):
        return None
    onset = _middle([cells.celsius[place] for place in stays])
    warm = sum(cells.celsius[place] >= onset for place in whole)
    as_fast = warm - sum(cells.celsius[place] >= onset for place in stays)
    return _Hold(stays, cool, pace, full, as_fast / warm)


def _work(cells: Blocks, place: int, weight: float) -> float:
    return cells.read[place] + weight * cells.write[place]


def _whole(cells: Blocks) -> list[int]:
    """The blocks through which the load went on, and whose temperature is known."""
    loaded = [rate >= LOADED_MBPS or busy >= LOADED_BUSY for rate, busy in zip(cells.rate, cells.busy, strict=True)]
    threes = zip(loaded, loaded[1:], loaded[2:], strict=False)
    return [
        place
        for place, three in enumerate(threes, 1)
        if all(three) and cells.rate[place] > 0.0 and not isnan(cells.celsius[place])
    ]


def _against(of: Series, cells: Blocks, speed: Sequence[float], hold: _Hold, scatter: float) -> Iterator[str]:
    """What speaks against heat, or leaves another reason open."""
    begin = hold.stays[0]
    earlier = [cells.celsius[at] for at in range(begin) if cells.start[begin] - RISE_SECONDS <= cells.start[at]]
    if not earlier or not cells.celsius[begin] - min(earlier) >= RISE_KELVIN:
        yield "level"
    if hold.as_fast > SELDOM:
        yield "as fast"
    if _slows_though_cooler(cells, hold):
        yield "drifts"
    samples = [at for place in hold.stays for at in range(cells.first[place], cells.first[place + 1])]
    if _sinks([hold.pace[place] for place in hold.stays], hold.full) or _comes_back(speed, samples, hold.full):
        return
    reached = max(cells.celsius[max(0, begin - 1) : begin + 2])
    later = hold.stays[len(hold.stays) // 2 :]
    drifts = abs(sum(cells.celsius[place] for place in later) / len(later) - reached) > STILL_KELVIN
    if drifts or scatter > LONG_KELVIN:
        yield "drifts"
    if len(samples) * of.every < LONG_SECONDS or not _reads_less(of, speed, samples, hold.full):
        yield "one speed"


def _slows_though_cooler(cells: Blocks, hold: _Hold) -> bool:
    """Whether it got slower still while it cooled down: a drive that heat holds back gets faster then."""
    quarter = max(1, len(hold.stays) // 4)
    hottest = sorted(hold.stays, key=lambda place: -cells.celsius[place])[:quarter]
    last = hold.stays[-quarter:]
    cooled = _middle([cells.celsius[place] for place in hottest]) - _middle([cells.celsius[place] for place in last])
    slower = _middle([hold.pace[place] for place in last]) < SLOWER * _middle([hold.pace[place] for place in hottest])
    return cooled > STILL_KELVIN and slower


def _reads_less(of: Series, speed: Sequence[float], samples: Sequence[int], full: float) -> bool:
    """Whether it is slow where it only reads, and busy with that: no cache is in the way then."""
    reading = [at for at in samples if of.write[at] <= ALONE * of.read[at] and of.busy[at] > 0.0]
    return len(reading) >= FEWEST_READS and _middle([speed[at] for at in reading]) < FALLEN * full


def _sinks(pace: Sequence[float], full: float) -> bool:
    """Whether the speed gave way bit by bit; within the first block it may have fallen at once."""
    settled = _middle(pace[len(pace) // 2 :])
    return pace[1] - settled >= SINKS * (full - settled)


def _comes_back(speed: Sequence[float], samples: Sequence[int], full: float) -> bool:
    """Whether the speed goes back and forth within the samples."""
    back = sum(speed[at] >= FALLEN * full for at in samples)
    away = sum(0.0 < speed[at] < FALLEN * FALLEN * full for at in samples)
    return back >= COMES_BACK * len(samples) and away >= STAYS_AWAY * len(samples)


def _middle(values: Sequence[float]) -> float:
    found = median(values)
    assert found is not None
    return found
