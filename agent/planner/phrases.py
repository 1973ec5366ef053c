"""Words that several parts of a plan share: numbers, places, and how two arrangements differ in worth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Rate
from knowledge.phrasing import mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.problem import Score
    from agent.sheets.paths import Link
    from agent.sheets.sheet import Placement

NUMBERS: Final = {2: "two", 3: "three", 4: "four", 6: "six", 8: "eight"}
TENTH: Final = 10


def few(items: Sequence[str], most: int) -> str:
    """A list of at most so many items, and how many more there are."""
    if len(items) <= most + 1:
        return "; ".join(items)
    return f"{'; '.join(items[:most])}; and {len(items) - most} more"


def link_words(link: Link) -> str:
    """A link: "8 GT/s (Gen 3) x4"."""
    return rate_text(Rate(*link))


def place_words(placement: Placement, drive: str) -> str | None:
    """Where a drive is: "bay 2 of carrier-a in SLOT3", "M2_1"; None where it is not fitted."""
    place = placement.drives.get(drive)
    if place is None:
        return None
    if place.bay is None:
        return place.holder
    slot = placement.cards.get(place.holder)
    return f"bay {place.bay} of {place.holder}" + (f" in {slot}" if slot is not None else ", which is not fitted")


def losses(best: Score, other: Score, needs: int, firmly: int) -> list[str]:
    """What another arrangement costs and spares against the best one, in the order of what counts most.

    `needs` and `firmly` are how many needs more it meets at all, and firmly.
    """
    found = []
    if other.placed != best.placed:
        found.append(f"{_count_change(other.placed - best.placed, 'part')} in place")
    if needs:
        found.append(f"{_count_change(needs, 'need')} met")
    if firmly and firmly * needs <= 0:
        found.append(f"{_count_change(firmly, 'need')} met firmly")
    if other.worst != best.worst:
        found.append(f"{_change(other.worst - best.worst)} for the worst-off drive")
    if other.total != best.total:
        found.append(f"{_change(other.total - best.total)} together")
    if other.moves != best.moves:
        found.append(_count_change(best.moves - other.moves, "move"))
    if other.room != best.room:
        found.append(f"{'more' if other.room < best.room else 'less'} of the slots' lanes taken up")
    return found


def _count_change(number: int, word: str) -> str:
    return f"{quantity(abs(number), word)} {'more' if number > 0 else 'fewer'}"


def _change(tenths: int) -> str:
    return f"{mbps_fine(abs(tenths) / TENTH)} {'more' if tenths > 0 else 'less'}"
