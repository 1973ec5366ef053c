"""What a sheet says of the lanes of its slots, held against itself: splits, and lanes that others take (`lanes_while`).

Every complaint names file, line and key.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.sheets.lanes import kept_slots, slot_with
from knowledge.phrasing import listed, quantity, quoted

if TYPE_CHECKING:
    from agent.sheets.sheet import LanesWhile, SlotSpec
    from agent.sheets.wording import Say

# Groups of lanes that a slot can be split into: those that a link can have and a connector is made for, but x12.
GROUPS: Final = (1, 2, 4, 8, 16)


def check_splits(
    say: Say, key: str, splits: tuple[tuple[int, ...], ...], lanes: int, wired: str = "the slot is wired with {}"
) -> None:
    """Refuse groups that no slot has, or that take more lanes than there are, and a split that stands twice."""
    for number, split in enumerate(splits):
        odd = [part for part in split if part not in GROUPS]
        if odd:
            words = f"a slot cannot be split into a group of {odd[0]} lanes; groups have 1, 2, 4, 8 or 16"
            raise say.wrong(f"{key}[{number}]", words)
        if sum(split) > lanes:
            words = f"the groups have {sum(split)} lanes together, and {wired.format(lanes)}"
            raise say.wrong(f"{key}[{number}]", words)
    say.listed_once(key, ["+".join(map(str, split)) for split in splits])


def check_lanes(say: Say) -> None:
    """Refuse what slots cannot lose to others: slots must be there, figures agree, and nobody gain by both losing."""
    for number, slot in enumerate(say.sheet.slots):
        for place, one in enumerate(slot.lanes_while):
            _check_one(say, f"slot[{number}].lanes_while[{place}]", slot, one)
            _check_beside(say, f"slot[{number}].lanes_while[{place}]", one, slot.lanes_while[:place])
    _check_loops(say)
    _check_kept(say)


def _check_one(say: Say, key: str, slot: SlotSpec, one: LanesWhile) -> None:
    """One entry by itself."""
    for place, label in enumerate(one.filled):
        if label == slot.label:
            words = f"{quoted(label)} cannot take lanes from itself; name the slots that take them"
            raise say.wrong(f"{key}.filled[{place}]", words)
        say.known(f"{key}.filled[{place}]", label, "slot", [other.label for other in say.sheet.slots])
    say.listed_once(f"{key}.filled", one.filled)
    if one.lanes > slot.lanes:
        words = f"{quoted(slot.label)} has {quantity(slot.lanes, 'lane')}, and no more can be left of them"
        raise say.wrong(f"{key}.lanes", words)
    if one.lanes == slot.lanes:
        words = f"{quoted(slot.label)} has {quantity(slot.lanes, 'lane')} anyway; write what is left, or leave this out"
        raise say.wrong(f"{key}.lanes", words)
    if one.splits is not None:
        if slot.kind != "card":
            words = f"only slots for cards have this, and {quoted(slot.label)} takes a drive"
            raise say.wrong(f"{key}.splits", words)
        check_splits(say, f"{key}.splits", one.splits, one.lanes, "only {} are left")


def _check_beside(say: Say, key: str, one: LanesWhile, before: tuple[LanesWhile, ...]) -> None:
    """One entry beside those before it: none twice, none that another one makes idle."""
    for other in before:
        mine, its = set(one.filled), set(other.filled)
        names = listed(quoted(label) for label in other.filled)
        if mine == its:
            raise say.wrong(f"{key}.filled", f"the lanes that are left beside {names} stand here twice")
        if (mine > its and one.lanes >= other.lanes) or (mine < its and one.lanes <= other.lanes):
            fewer, more = (other, one) if mine > its else (one, other)
            most, least = (listed(quoted(label) for label in part.filled) for part in (more, fewer))
            words = f"{quantity(fewer.lanes, 'lane')} can be left beside {least} alone"
            raise say.wrong(f"{key}.lanes", f"{words}, so beside {most} it must be fewer")
        if one.lanes == other.lanes and one.splits != other.splits:
            words = f"{quantity(one.lanes, 'lane')} are left beside {names} too; write the same splits at both"
            raise say.wrong(f"{key}.lanes", words)


def _check_loops(say: Say) -> None:
    """Refuse slots that leave each other no lanes, directly or in a ring: one of them must keep its own."""
    dead_by = {
        slot.label: [label for one in slot.lanes_while if not one.lanes for label in one.filled]
        for slot in say.sheet.slots
    }
    for number, slot in enumerate(say.sheet.slots):
        ways = [[slot.label]]
        seen = set()
        for way in ways:
            for label in dead_by[way[-1]]:
                if label == slot.label:
                    place = next(place for place, one in enumerate(slot.lanes_while) if way[1] in one.filled)
                    names = listed(quoted(name) for name in way)
                    words = (
                        f"{names} would leave each other without lanes; write 0 only at the one that gives way, by the "
                        "board's manual"
                    )
                    raise say.wrong(f"slot[{number}].lanes_while[{place}].lanes", words)
                if label not in seen:
                    seen.add(label)
                    ways.append([*way, label])


def _check_kept(say: Say) -> None:
    """Refuse what stays in a slot that has no lanes beside what stays in others."""
    kept = kept_slots(say.sheet)
    for number, slot in enumerate(say.sheet.slots):
        if slot.label in kept and not slot_with(slot, kept).lanes:
            place = next(
                place for place, one in enumerate(slot.lanes_while) if not one.lanes and set(one.filled) <= kept.keys()
            )
            takes = listed(quoted(kept[label]) for label in slot.lanes_while[place].filled)
            words = f"{quoted(kept[slot.label])} stays here without lanes, as {takes} {{}} too; let one of them move"
            stay = "stays" if len(slot.lanes_while[place].filled) == 1 else "stay"
            raise say.wrong(f"slot[{number}].lanes_while[{place}].lanes", words.format(stay))
