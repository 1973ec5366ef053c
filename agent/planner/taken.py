"""The lanes that slots take from each other in a plan, and what that costs the parts in them. Chooses nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.planner.figures import Rated
from agent.planner.result import LanesTaken
from agent.sheets.lanes import filled, slot_with, taking
from agent.sheets.paths import bays_of, slot_link
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.sheets.sheet import CardSpec, Sheet, SlotSpec

SMALLEST: Final = 0.05  # MB/s; less is a matter of rounding


def lanes_taken(rated: Rated) -> tuple[LanesTaken, ...]:
    """Every slot that has fewer lanes than are wired since others are filled, in the order of the sheet."""
    full = filled(rated.placement)
    found = []
    for slot in rated.sheet.slots:
        one = taking(slot, full)
        if one is not None:
            costs = "; ".join(_costs(rated, slot, slot_with(slot, full)))
            found.append(LanesTaken(slot.label, one.lanes, slot.lanes, one.filled, costs))
    return tuple(found)


def _costs(rated: Rated, slot: SlotSpec, now: SlotSpec) -> Iterator[str]:
    """What a slot loses, in words: nothing where it is empty, or where its part has no use for more."""
    card = next((card for card in rated.sheet.cards if rated.placement.cards.get(card.name) == slot.label), None)
    held = [name for name, place in rated.placement.drives.items() if place.bay is None and place.holder == slot.label]
    if card is None and not held:
        yield "nothing is in it" if now.lanes else "nothing can be in it"
        return
    found = [*(_card_costs(card, slot, now) if card is not None else ()), *_rate_costs(rated, slot)]
    yield from found or ["costs nothing: what is in it could not use more"]


def _card_costs(card: CardSpec, slot: SlotSpec, now: SlotSpec) -> Iterator[str]:
    """What a card has less of: its link, or bays."""
    if not now.lanes:
        yield f"{card.name} does not work there"
        return
    if card.carrier == "passive":
        more = len(bays_of(slot, card)[0]) - len(bays_of(now, card)[0])
        if more > 0:
            yield f"{quantity(more, 'bay')} of {card.name} {'has' if more == 1 else 'have'} no lanes"
    elif (lanes := slot_link(now, card)[1]) != (whole := slot_link(slot, card)[1]):
        of = "its" if whole == card.lanes else "the"
        could = "" if whole == card.lanes else " that it could have there"
        yield f"{card.name} runs with {lanes} of {of} {quantity(whole, 'lane')}{could}"


def _rate_costs(rated: Rated, slot: SlotSpec) -> Iterator[str]:
    """What all drives together would read more if the slot had all of its lanes."""
    whole = Rated(_with_all_lanes(rated.sheet, slot), rated.placement)
    more, now = (sum(share.high for share in one.shares("to_host").values()) for one in (whole, rated))
    if more - now > SMALLEST:
        yield f"with all of its lanes the drives together would read {mbps_fine(more - now)} more"
    lost = [flow.name for flow in whole.flows if flow.name not in rated.by_name]
    if lost:
        yield f"{listed(lost)} {'does' if len(lost) == 1 else 'do'} not work there"


def _with_all_lanes(sheet: Sheet, slot: SlotSpec) -> Sheet:
    """The sheet in which this slot loses nothing."""
    slots = tuple(replace(other, lanes_while=()) if other is slot else other for other in sheet.slots)
    return replace(sheet, slots=slots)
