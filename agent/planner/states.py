"""The states that each slot of a sheet can be in: its lanes while others are empty or filled, beside what stays.

What stays must go on working, so no state is offered in which others take its lanes. Judges no card and no drive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from agent.sheets.lanes import kept_slots, states
from agent.sheets.sheet import LanesWhile

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.sheets.lanes import State
    from agent.sheets.sheet import Sheet, SlotSpec


def states_of(sheet: Sheet, works: Callable[[SlotSpec], bool]) -> dict[str, tuple[State, ...]]:
    """The states of each slot in which it has lanes, by its label.

    `works` says of a slot in which something stays whether all of it works with the lanes that the slot is given with.
    Where it never does, by the sheet's own figures, the slot must keep some lanes.
    """
    kept = kept_slots(sheet)
    forbidden: dict[str, list[LanesWhile]] = {slot.label: [] for slot in sheet.slots}
    for slot in sheet.slots:
        found = [one for one in states(slot, kept) if slot.label in kept]
        whole = any(works(one.slot) for one in found)
        for one in found:
            if one.filled and not (works(one.slot) if whole else one.slot.lanes):
                first, *rest = sorted(one.filled)
                forbidden[first].append(LanesWhile(tuple(rest), 0))
    return {
        slot.label: tuple(
            one
            for one in states(replace(slot, lanes_while=(*slot.lanes_while, *forbidden[slot.label])), kept)
            if one.slot.lanes
        )
        for slot in sheet.slots
    }
