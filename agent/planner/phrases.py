"""Words that several parts of a plan share: numbers, places, and how two arrangements differ in worth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Rate
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.problem import Score
    from agent.planner.result import PlanChange
    from agent.sheets.paths import Link
    from agent.sheets.sheet import Placement

NUMBERS: Final = {2: "two", 3: "three", 4: "four", 6: "six", 8: "eight"}
TENTH: Final = 10
NAMED: Final = 4  # parts or needs that are written out in one clause


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


def losses(best: Score, other: Score, change: PlanChange) -> list[str]:
    """What another arrangement costs and spares against the best one, in the order of what counts most."""
    found = [
        f"{listed(names, most=NAMED)} {words}"
        for names, words in (
            (change.parts_lost, "without a place"),
            (change.parts_gained, "with a place"),
        )
        if names
    ]
    found += [f"{needs_named(names)} {words}" for names, words in needs_changed(change) if names]
    if other.worst != best.worst:
        found.append(f"{_change(other.worst - best.worst)} for the slowest drive")
    if other.total != best.total:
        found.append(f"{_change(other.total - best.total)} together")
    if other.moves != best.moves:
        found.append(_count_change(best.moves - other.moves, "move"))
    if other.room != best.room:
        found.append(f"takes up {'more' if other.room < best.room else 'fewer'} of the slots' lanes")
    return found


def needs_changed(change: PlanChange) -> tuple[tuple[tuple[str, ...], str], ...]:
    """The needs that are lost and gained, each sort with what becomes of them."""
    return (
        (change.needs_lost, "not met"),
        (change.needs_weaker, "met at best only"),
        (firmly_gained(change), "met"),
        (change.needs_at_best, "met at best"),
        (change.needs_firmer, "met firmly"),
    )


def firmly_gained(change: PlanChange) -> tuple[str, ...]:
    """The needs that come to be met by the whole of the range."""
    return tuple(name for name in change.needs_gained if name not in change.needs_at_best)


def needs_named(names: Sequence[str]) -> str:
    """Needs by name in a sentence: the need "a"; the needs "a", "b" and 3 more."""
    quoted = listed((f'"{name}"' for name in names), most=NAMED)
    return f"{'the need' if len(names) == 1 else 'the needs'} {quoted}"


def _count_change(number: int, word: str) -> str:
    return f"{quantity(abs(number), word)} {'more' if number > 0 else 'fewer'}"


def _change(tenths: int) -> str:
    return f"{mbps_fine(abs(tenths) / TENTH)} {'more' if tenths > 0 else 'less'}"
