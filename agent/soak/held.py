"""A drive held at a temperature: its speed gives way there, and there alone, so that the temperature stands still.

So it looks where a drive slows itself bit by bit, or back and forth faster than samples are taken. A full cache or
another load may come to rest at one temperature too, by chance, but at one speed: there it is left open.
"""

from __future__ import annotations

from itertools import pairwise
from math import isnan, sqrt
from typing import TYPE_CHECKING, Final

from agent.soak.analysed import Loop, TimeSpan
from agent.soak.series import LOADED_BUSY, LOADED_MBPS, median
from agent.soak.speed import FALLEN, while_busy

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.series import Blocks

BAND_KELVIN: Final = 5.5  # below its highest temperature: there it is held
FEWEST: Final = 3  # blocks below the band, by which its full speed is told
HELD_BLOCKS: Final = 8
HELD_SECONDS: Final = 120.0
SLOW_ELSEWHERE: Final = 0.08  # of the blocks below the band that may be slow
RISE_KELVIN: Final = 3.0  # by so much it still warmed in the minute before it was first held
RISE_SECONDS: Final = 60.0
SINKS: Final = 0.3  # of the whole fall of the speed that is still to come after its first block
COMES_BACK: Final = 0.1  # of the samples while held that are at full speed
STAYS_AWAY: Final = 0.1  # of them that are slow


def held(cells: Blocks, speed: Sequence[float], weight: float) -> Loop | None:
    """The hold of a drive, with what speaks against heat; None where its speed gave way elsewhere too, or not at all.

    `speed` is that of each sample.
    """
    whole = _whole(cells)
    if len(whole) < HELD_BLOCKS + FEWEST:
        return None
    pace = {place: while_busy(cells.read[place] + weight * cells.write[place], cells.busy[place]) for place in whole}
    bottom = max(cells.celsius[place] for place in whole) - BAND_KELVIN
    cool = [place for place in whole if cells.celsius[place] < bottom]
    full = median(pace[place] for place in cool)
    if full is None or len(cool) < FEWEST:
        return None
    slow = [place for place in whole if pace[place] < FALLEN * full]
    stays = [place for place in slow if cells.celsius[place] >= bottom]
    if len(stays) < HELD_BLOCKS or sum(cells.end[place] - cells.start[place] for place in stays) < HELD_SECONDS:
        return None
    if len(slow) - len(stays) > SLOW_ELSEWHERE * len(cool):
        return None
    onset, rate = median(cells.celsius[place] for place in stays), median(cells.rate[place] for place in cool)
    during = median(cells.rate[place] for place in stays)
    assert onset is not None
    assert rate is not None
    assert during is not None
    return Loop(
        onset=onset,
        scatter=sqrt(sum((cells.celsius[place] - onset) ** 2 for place in stays) / len(stays)),
        back=None,
        times=1 + sum(later - place > 2 for place, later in pairwise(stays)),  # noqa: PLR2004 - one that falls out
        returns=0,
        before_mbps=rate,
        during_mbps=during,
        against=tuple(_against(cells, speed, stays, [pace[place] for place in stays], full)),
        spans=tuple(TimeSpan(cells.start[place], cells.end[place]) for place in stays),
        held=True,
    )


def _whole(cells: Blocks) -> list[int]:
    """The blocks through which the load went on, and whose temperature is known."""
    loaded = [rate >= LOADED_MBPS or busy >= LOADED_BUSY for rate, busy in zip(cells.rate, cells.busy, strict=True)]
    threes = zip(loaded, loaded[1:], loaded[2:], strict=False)
    return [
        place
        for place, three in enumerate(threes, 1)
        if all(three) and cells.rate[place] > 0.0 and not isnan(cells.celsius[place])
    ]


def _against(
    cells: Blocks, speed: Sequence[float], stays: Sequence[int], pace: Sequence[float], full: float
) -> Iterator[str]:
    """What speaks against heat, or leaves another reason open."""
    begin = stays[0]
    earlier = [at for at in range(begin) if cells.start[begin] - RISE_SECONDS <= cells.start[at]]
    if not earlier or not cells.celsius[begin] - cells.celsius[earlier[0]] >= RISE_KELVIN:
        yield "settled"
    if not _sinks(pace, full) and not _comes_back(cells, speed, stays, full):
        yield "one speed"


def _sinks(pace: Sequence[float], full: float) -> bool:
    """Whether the speed gave way bit by bit; within the first block it may have fallen at once."""
    settled = median(pace[len(pace) // 2 :])
    assert settled is not None
    return pace[1] - settled >= SINKS * (full - settled)


def _comes_back(cells: Blocks, speed: Sequence[float], stays: Sequence[int], full: float) -> bool:
    """Whether the speed goes back and forth within the samples."""
    samples = [speed[at] for place in stays for at in range(cells.first[place], cells.first[place + 1])]
    back = sum(value >= FALLEN * full for value in samples)
    away = sum(0.0 < value < FALLEN * FALLEN * full for value in samples)
    return back >= COMES_BACK * len(samples) and away >= STAYS_AWAY * len(samples)
