"""What slots have while others are filled: the lanes that one slot takes from another, as the sheet says it.

A slot is filled while it holds a card, or a drive itself; whether what is in it works makes no difference. Of all that
a slot says and that applies, the fewest lanes count.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from agent.sheets.sheet import CardSpec, DriveSpec, LanesWhile, Placement, Sheet, SlotSpec


class State(Struct, frozen=True):
    """A slot as it is while some others are empty and some are filled. With no lanes it does not work."""

    slot: SlotSpec
    empty: frozenset[str]
    filled: frozenset[str]


def filled(placement: Placement) -> frozenset[str]:
    """The labels of the slots that hold something."""
    return frozenset(placement.cards.values()) | {
        place.holder for place in placement.drives.values() if place.bay is None
    }


def kept_slots(sheet: Sheet) -> dict[str, str]:
    """The slots whose card or drive stays, with its name."""
    parts: tuple[CardSpec | DriveSpec, ...] = (*sheet.cards, *sheet.drives)
    return {part.slot: part.name for part in parts if part.stays and part.slot is not None}


def taking(slot: SlotSpec, others: Collection[str]) -> LanesWhile | None:
    """What decides the lanes of a slot while these are filled; None where it has all of them."""
    apply = [one for one in slot.lanes_while if set(one.filled) <= set(others)]
    return min(apply, key=lambda one: one.lanes, default=None)


def slot_with(slot: SlotSpec, others: Collection[str]) -> SlotSpec:
    """The slot as it is while these are filled: its lanes, and the ways to split them."""
    one = taking(slot, others)
    if one is None:
        return slot
    splits = one.splits
    if splits is None:
        splits = tuple(split for split in slot.splits if sum(split) <= one.lanes)
    return replace(slot, lanes=one.lanes, splits=splits)


def slots_with(sheet: Sheet, placement: Placement) -> dict[str, SlotSpec]:
    """Every slot by its label, as it is with a placement."""
    others = filled(placement)
    return {slot.label: slot_with(slot, others) for slot in sheet.slots}


def lanes_words(sheet: Sheet, label: str, placement: Placement) -> str:
    """The lanes of a slot that others take lanes from, and who does: "8 of its 16 lanes, as SLOT2 is filled"."""
    slot = next(slot for slot in sheet.slots if slot.label == label)
    return taken_words(slot, filled(placement))


def taken_words(slot: SlotSpec, others: Collection[str]) -> str:
    """The same for a slot while these are filled."""
    one = taking(slot, others)
    if one is None:
        return f"all of its {quantity(slot.lanes, 'lane')}"
    left = f"{one.lanes} of its {quantity(slot.lanes, 'lane')}" if one.lanes else "no lanes"
    return f"{left}, as {listed(one.filled)} {'is' if len(one.filled) == 1 else 'are'} filled"


def robbing_words(sheet: Sheet, label: str, placement: Placement) -> str:
    """The filled slots that would lose lanes if this free one was filled: "SLOT1, which net holds"; "" for none."""
    others = filled(placement)
    held = {slot: card for card, slot in placement.cards.items()}
    held |= {place.holder: name for name, place in placement.drives.items() if place.bay is None}
    poorer = [
        f"{slot.label}, which {held[slot.label]} holds"
        for slot in sheet.slots
        if slot.label in held and slot_with(slot, {*others, label}).lanes < slot_with(slot, others).lanes
    ]
    return ", and ".join(poorer)


def states(slot: SlotSpec, always: Collection[str] = ()) -> Iterator[State]:
    """Every state of a slot, each set of filled slots in just one of them; slots in `always` are filled in any case."""
    yield from _states(slot, frozenset(), frozenset(), frozenset(always))


def _states(slot: SlotSpec, empty: frozenset[str], full: frozenset[str], always: frozenset[str]) -> Iterator[State]:
    """The states in which some slots are empty and some filled, the next slot that matters taken both ways."""
    here = slot_with(slot, full | always)
    open_to = (
        label
        for one in slot.lanes_while
        if one.lanes < here.lanes and empty.isdisjoint(one.filled)
        for label in one.filled
        if label not in full and label not in always
    )
    label = next(open_to, None)
    if label is None:
        yield State(here, empty, full)
        return
    yield from _states(slot, empty | {label}, full, always)
    yield from _states(slot, empty, full | {label}, always)
