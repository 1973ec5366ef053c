"""Other arrangements beside the plan: in what each differs, and what it would cost or spare. Chooses nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.planner.build import placement_of
from agent.planner.clock import at_ease
from agent.planner.figures import Rated, figures, needs_seen
from agent.planner.gains import change
from agent.planner.phrases import few, losses
from agent.planner.problem import Score, score
from agent.planner.result import Alternative
from agent.sheets.paths import drives_on, shifted
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from agent.planner.build import Built
    from agent.planner.gains import Seen
    from agent.planner.problem import Arrangement
    from agent.sheets.sheet import Placement

SAME: Final = "the same by every measure"
FEWEST: Final = "Fewest moves"
BEST: Final = "Best by the figures alone"
MOST_NAMED: Final = 3  # differences that are written out


def alternatives(
    built: Built,
    best: Arrangement,
    plan: Seen,
    others: Iterable[Arrangement],
    named: tuple[str, Arrangement | None],
    check: Callable[[], None] = at_ease,
) -> tuple[Alternative, ...]:
    """The other arrangements that differ for people; the one that is `named` last, or where it is one of them.

    One that is better by the figures than the plan comes first. None that leaves out what has a place. `plan` is the
    plan's placement with its needs. `check` raises where there is no time for more.
    """
    placement = plan[0].placement
    placed = score(built.problem, best).placed
    seen = {_looks(built, placement)}
    found = []
    heading, one = named
    looks_named = None if one is None else _looks(built, placement_of(built, one, placement))
    more = () if one is None else (one,)
    for other in (*more, *others) if heading == BEST else (*others, *more):
        check()
        there = placement_of(built, other, placement)
        looks = _looks(built, there)
        if looks in seen or score(built.problem, other).placed < placed:
            continue
        seen.add(looks)
        found.append(_alternative(built, (best, plan), (other, there), heading if looks == looks_named else ""))
    return tuple(found)


def _alternative(
    built: Built, best: tuple[Arrangement, Seen], other: tuple[Arrangement, Placement], heading: str
) -> Alternative:
    mine, its = (_worth(built, *one) for one in ((best[0], best[1][0].placement), other))
    what = few(differences(built, best[1][0].placement, other[1]), MOST_NAMED)
    rated = Rated(built.sheet, other[1])
    needs = needs_seen(built, rated)
    changed = change(best[1], (rated, needs))
    return Alternative(
        what=f"{heading}: {what}" if heading else what,
        costs=", ".join(losses(mine, its, changed)) or SAME,
        figures=figures(rated, needs, -its.moves),
        placement=other[1],
        change=changed,
    )


def _worth(built: Built, arrangement: Arrangement, placement: Placement) -> Score:
    """What an arrangement is worth, with the moves from bay to bay of one card, which the search has none of."""
    worth = score(built.problem, arrangement)
    return replace(worth, moves=worth.moves - shifted(built.sheet, placement))


def _looks(built: Built, placement: Placement) -> object:
    """What people see of a placement: in each slot what kind of part, with what kinds of drives."""
    cards = {card.name: card for card in built.sheet.cards}
    kinds = {name: kind for kind, names in enumerate(built.members) for name in names}
    found = []
    for name, slot in placement.cards.items():
        alike = replace(cards[name], name="", slot=None, pci_id=None)
        drives = sorted(kinds[drive] for drive in drives_on(placement, name))
        found.append((slot, repr(alike), tuple(drives)))
    found += [(place.holder, "", (kinds[one],)) for one, place in placement.drives.items() if place.bay is None]
    return tuple(sorted(found))


def differences(built: Built, best: Placement, other: Placement) -> list[str]:
    """In what another placement differs from the best one: cards first, then drives that are with another holder."""
    found = []
    for card in built.sheet.cards:
        mine, its = best.cards.get(card.name), other.cards.get(card.name)
        if mine != its and its is None:
            found.append(f"{card.name} left out")
        elif mine != its:
            found.append(f"{card.name} in {its}" + (f" instead of {mine}" if mine is not None else ""))
    groups: dict[str, list[str]] = {}
    for drive in built.sheet.drives:
        mine_at, its_at = best.drives.get(drive.name), other.drives.get(drive.name)
        if its_at is None and mine_at is not None:
            groups.setdefault("left out", []).append(drive.name)
        elif its_at is not None and (mine_at is None or its_at.holder != mine_at.holder):
            where = f"on {its_at.holder}" if its_at.bay is not None else f"in {its_at.holder}"
            instead = f" instead of {mine_at.holder}" if mine_at is not None else ""
            groups.setdefault(f"{where}{instead}", []).append(drive.name)
    return [*found, *(f"{listed(names)} {where}" for where, names in groups.items())]


def gap(worth: Score, bound: Score) -> str:
    """How much better an arrangement could at most be than the best one found, in words; "" where none can be."""
    words = {
        "placed": f"at most {quantity(bound.placed - worth.placed, 'part')} more could have a place",
        "needs": f"at most {quantity(bound.needs - worth.needs, 'need')} more could be met, or met firmly",
        "worst": f"the slowest drive could read at most {mbps_fine((bound.worst - worth.worst) / 10)} more",
        "total": f"all drives together could read at most {mbps_fine((bound.total - worth.total) / 10)} more",
        "moves": f"the same could be had with at most {quantity(bound.moves - worth.moves, 'move')} fewer",
        "room": "the same could perhaps be had in smaller slots",
    }
    if bound <= worth:
        return ""
    return next(words[part] for part in words if getattr(bound, part) != getattr(worth, part))
