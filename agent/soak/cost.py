"""What heat cost a drive that slowed itself: what it moved less, how much longer that takes, what cooling must do.

The rise of a drive above its temperature at rest goes with what it moves (first-order heat flow, as in the fits): from
the rate and the temperature at which it keeps itself follows where it would settle at its full speed.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from math import isnan
from typing import TYPE_CHECKING, Final

from msgspec import structs

from agent.soak import wording
from agent.soak.analysed import Cost
from agent.soak.series import LOADED_BUSY, LOADED_MBPS
from knowledge.phrasing import mbps_fine
from knowledge.rates import NEAR_LIMIT_CELSIUS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import Fall, Loop
    from agent.soak.series import Series

LONG_SECONDS: Final = 120.0  # of slowed work, by which the rate to expect is told
LEAST_LOST: Final = 0.01  # of what would have been moved
LEAST_REST: Final = 20.0  # seconds at rest, by the end of which its temperature is that at rest
LEAST_RISE: Final = 5.0  # kelvin above that, from which anything can be told


def cost(of: Series, falls: Sequence[Fall], loop: Loop | None) -> Cost | None:
    """What heat took from the rates in the falls that are laid to it; None where there is none, or next to nothing."""
    lost = unslowed = 0.0
    last: list[int] = []
    for fall in falls:
        if fall.kind == "heat":
            places = _worked(of, fall)
            wanted = fall.before_mbps * sum(of.lasted[at] for at in places)
            unslowed += wanted
            lost += max(0.0, wanted - sum((of.read[at] + of.write[at]) * of.lasted[at] for at in places))
            last = places if len(places) >= len(last) else last
    if not last or lost < LEAST_LOST * unslowed:
        return None
    before = max(fall.before_mbps for fall in falls if fall.kind == "heat")
    rate = _kept_rate(of, last)
    found = Cost(
        lost_bytes=lost * 1e6, unslowed_bytes=unslowed * 1e6, longer_seconds=lost / before, settled_mbps=rate, words=""
    )
    return _with_cooling(of, found, last, loop, before)


def _worked(of: Series, fall: Fall) -> list[int]:
    """The samples of a fall in which the drive worked."""
    begin, end = bisect_right(of.seconds, fall.start), bisect_right(of.seconds, fall.end)
    return [at for at in range(begin, end) if of.read[at] + of.write[at] >= LOADED_MBPS or of.busy[at] >= LOADED_BUSY]


def _kept_rate(of: Series, places: Sequence[int]) -> float | None:
    """The mean rate of the later half of the longest fall, pauses left out: what to expect for hours."""
    later = [at for at in places[len(places) // 2 :] if not isnan(of.read[at] + of.write[at])]
    seconds = sum(of.lasted[at] for at in later)
    if seconds < LONG_SECONDS / 2.0:
        return None
    return sum((of.read[at] + of.write[at]) * of.lasted[at] for at in later) / seconds


def _with_cooling(of: Series, found: Cost, places: Sequence[int], loop: Loop | None, before: float) -> Cost:
    """The cost in words, with what cooling would have to do where the drive was seen at rest and at its own level."""
    longer = wording.lasting(found.longer_seconds)
    text = (
        f"heat cost {wording.amount(found.lost_bytes)} of the {wording.amount(found.unslowed_bytes)} that it would "
        f"have moved at full speed: the same work takes {longer} longer"
    )
    if found.settled_mbps is not None:
        text += f"; over hours expect about {mbps_fine(found.settled_mbps)} of {mbps_fine(before)}"
    needed = _needed(of, found, places, loop, before)
    if needed is None:
        return structs.replace(found, words=text)
    settles, share = needed
    text += (
        f"; at full speed it would settle at about {wording.celsius(settles)}; to stay {NEAR_LIMIT_CELSIUS:.0f} C "
        f"below where it slows itself it may keep at most {share:.0%} of its present thermal resistance to the air "
        "(K/W): a heatsink, moving air or both"
    )
    return structs.replace(found, words=text, unslowed_celsius=settles, resistance_share=share)


def _needed(
    of: Series, found: Cost, places: Sequence[int], loop: Loop | None, before: float
) -> tuple[float, float] | None:
    """Where it would settle unslowed, and the share of its rise that it may keep; None where that cannot be told."""
    rest = _at_rest(of, places[0])
    later = [of.celsius[at] for at in places[len(places) // 2 :] if not isnan(of.celsius[at])]
    if rest is None or not later or loop is None or not loop.sure or loop.hottest or not found.settled_mbps:
        return None
    rise = sum(later) / len(later) - rest
    allowed = loop.onset - NEAR_LIMIT_CELSIUS - rest
    whole = rise * before / found.settled_mbps
    if min(rise, allowed) < LEAST_RISE or allowed >= whole:
        return None
    return rest + whole, allowed / whole


def _at_rest(of: Series, first: int) -> float | None:
    """The temperature at the end of the rest before the work that ends at that sample; None where it had none."""
    at = first
    while at > 0 and of.read[at] + of.write[at] >= LOADED_MBPS:
        at -= 1
    begin = bisect_left(of.seconds, of.seconds[at] - LEAST_REST)
    rests = all(of.read[place] + of.write[place] < LOADED_MBPS for place in range(max(1, begin), at + 1))
    known = [value for value in of.celsius[begin : at + 1] if not isnan(value)]
    if not rests or not known or of.seconds[at] - of.seconds[0] < LEAST_REST:
        return None
    return sum(known) / len(known)
