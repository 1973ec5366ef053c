"""Carriers that lanewright knows the kind of, and that would take drives which a plan has no place for.

Each kind is planned with in earnest, so what is said of it holds in this machine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.planner.build import build, needs_met, placement_of
from agent.planner.figures import Rated, needs_seen
from agent.planner.fits import bay_refusal, card_refusal
from agent.planner.gains import change
from agent.planner.problem import score
from agent.planner.result import CarrierFound
from agent.planner.search import search
from agent.sheets.names import Names
from agent.sheets.paths import bays_of, flows
from agent.sheets.reading import card_of
from knowledge.parts import CardKind, kinds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.planner.build import Built
    from agent.planner.gains import Seen
    from agent.planner.problem import Arrangement
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet

MOST: Final = 3  # kinds that are named


def carriers(
    built: Built, best: Arrangement, plan: Seen, running: Callable[[], bool], check: Callable[[], None]
) -> tuple[CarrierFound, ...]:
    """The kinds that take most of the drives without a place: by the needs met with them, then by what drives read.

    Of those that give the same, those of the fewest bays come first.

    None that costs a need or the place of a part that is wanted. `check` raises where there is no time for more.
    """
    sheet, placement = built.sheet, plan[0].placement
    working = {flow.name for flow in flows(sheet, placement)[0]}
    waiting = [drive for drive in sheet.drives if drive.name not in working and not drive.stays]
    if not waiting:
        return ()
    found = []
    for card in _candidates(sheet, waiting):
        check()
        one = _tried(built, best, plan, card, waiting, running)
        if one is not None:
            found.append(one)
    most = max((len(one.drives) for _, one in found), default=0)
    found.sort(key=lambda pair: pair[0], reverse=True)  # stable
    return tuple(one for _, one in found if len(one.drives) == most)[:MOST]


def _candidates(sheet: Sheet, waiting: list[DriveSpec]) -> Iterator[CardSpec]:
    """Of carriers that differ in their speed alone the one next to a slot that it fits; few bays first, no switch."""
    name = Names({card.name for card in sheet.cards} | {drive.name for drive in sheet.drives}).unique("carrier")
    families: dict[tuple[str, int, int, str], list[tuple[int, int, CardSpec]]] = {}
    for kind in kinds().values():
        if not isinstance(kind, CardKind) or kind.carrier == "none":
            continue
        card = card_of(kind.name, name)
        fits = [slot for slot in sheet.slots if card_refusal(slot, card) is None and bays_of(slot, card)[0]]
        if fits and any(bay_refusal(card, drive) is None for drive in waiting):
            off = min(abs(slot.generation - card.generation) for slot in fits)
            family = (card.carrier, card.bays, card.connector, card.bay_form)
            families.setdefault(family, []).append((off, card.generation, card))
    chosen = (min(cards, key=lambda one: one[:2])[2] for cards in families.values())
    yield from sorted(chosen, key=lambda card: (card.bays, card.carrier == "switch", card.connector))


def _tried(
    built: Built,
    best: Arrangement,
    plan: Seen,
    card: CardSpec,
    waiting: list[DriveSpec],
    running: Callable[[], bool],
) -> tuple[tuple[int, int, int], CarrierFound] | None:
    """What a carrier takes, and what makes room for it; None where that is nothing, or costs more than it gives.

    Before it stands what the build with it is worth beside those with other carriers.
    """
    placement = plan[0].placement
    with_it = build(replace(built.sheet, cards=(*built.sheet.cards, card)))
    answer = search(with_it.problem, running).best
    there = placement_of(with_it, answer, placement)
    slot = there.cards.get(card.name)
    worth = score(with_it.problem, answer)
    if slot is None or worth.placed <= score(built.problem, best).placed:
        return None
    if any(not kept <= given for kept, given in zip(needs_met(built, best), needs_met(with_it, answer), strict=True)):
        return None
    working = {flow.name for flow in flows(with_it.sheet, there)[0]}
    out = tuple(name for name in placement.cards if name not in there.cards)
    taken = tuple(drive.name for drive in waiting if drive.name in working)
    if not taken:
        return None
    rated = Rated(with_it.sheet, there)
    needs = needs_seen(with_it, rated)
    unmet = tuple(need.name for need in needs if need.answer == "not met")
    found = CarrierFound(card.kind or "", slot, taken, out, change(plan, (rated, needs)), unmet)
    return (worth.needs, worth.worst, worth.total), found
