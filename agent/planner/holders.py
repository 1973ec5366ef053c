"""Who can hold what: every card in every slot that it can be in, every slot of drives, with their rates and power.

Settles what is hard about single places, and what parts that stay take away from others. Chooses nothing.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, floor
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.throughput import DIRECTIONS, expected_mbps
from agent.planner.fits import (
    bay_refusal,
    card_refusal,
    hidden,
    hidden_slots,
    limit_watts,
    own_watts,
    slot_refusal,
)
from agent.planner.problem import Holder
from agent.planner.states import states_of
from agent.sheets.lanes import kept_slots, slot_with, states
from agent.sheets.paths import bay_offers, bays_of, end_to_end, slot_link, today
from agent.sheets.reading import drive_watts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.planner.problem import Rates
    from agent.sheets.lanes import State
    from agent.sheets.paths import Link
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec

Home = tuple[str, int]  # ("card", number) or ("slot", number)

# What a float may be off by where a figure in tenths or hundredths is meant (0.29 x 100 is 28.999...).
ROUNDING: Final = 1e-6
NOTHING: Final = -(1 << 60)  # less power than can be missing anywhere
FIGURES: Final = 20_000  # worked out in some hundredths of a second
NOWHERE: Final[Rates] = (0, 0, 0, 0)  # the rates of a drive where it cannot be


# --- Figures ---------------------------------------------------------------------------------------------------


def tenths(mbps: float) -> int:
    """A rate that can be had, in whole tenths of MB/s."""
    return floor(10 * mbps + ROUNDING)


def tenths_asked(mbps: float) -> int:
    """A rate that is asked for, in whole tenths of MB/s."""
    return ceil(10 * mbps - ROUNDING)


def hundredths(watts: float) -> int:
    """Power that there is, in whole hundredths of a watt."""
    return floor(100 * watts + ROUNDING)


def hundredths_taken(watts: float) -> int:
    """Power that is taken, in whole hundredths of a watt."""
    return ceil(100 * watts - ROUNDING)


def rates_of(sheet: Sheet, link: Link, drive: DriveSpec | None = None) -> Rates:
    """What a link carries, reading and writing, at best, then firmly; at most what the drive does, if given."""
    limits = (None, None) if drive is None else (drive.read_mbps, drive.write_mbps)
    return _rates(link, sheet.machine.payload_bytes, limits)


@lru_cache(maxsize=4096)  # the same few links and drives again and again, in every slot and card
def _rates(link: Link, payload_bytes: int, limits: tuple[float | None, float | None]) -> Rates:
    firm, best = [], []
    for direction, limit in zip(DIRECTIONS, limits, strict=True):
        ends = expected_mbps(*link, payload_bytes, direction)
        low, high = (max(1, tenths(end if limit is None else min(end, limit))) for end in ends)
        firm.append(low)
        best.append(high)
    return (*best, *firm)


class DrivesAlike(Struct):
    """Drives that are alike: one of them, where they stay (None: anywhere), and all their names.

    `reached` are the slots, each with its lanes then, with which the bays have lanes that those of a card stay in, None
    for drives without such bays.
    """

    like: DriveSpec
    home: Home | None
    reached: frozenset[tuple[str, int]] | None
    names: list[str]
    today: dict[Home, int]


# --- Holders ---------------------------------------------------------------------------------------------------


def card_holders(
    sheet: Sheet, slots: dict[str, int], classes: Sequence[DrivesAlike], *, now: bool, check: Callable[[], None]
) -> Iterator[Holder]:
    """Every card in every state of every slot that it can be in, or (`now`) of that alone in which it is.

    `check` is asked before each card once there are so many figures that they take time.
    """
    figures = 0
    kept, gone = kept_slots(sheet), hidden_slots(sheet)
    offered = open_states(sheet)
    for number, card in enumerate(sheet.cards):
        if figures > FIGURES:
            check()
        fixed = Fixed.of(sheet, card)
        places: list[State] = []
        for slot in sheet.slots:
            if slot.kind != "card":
                continue
            if now or (card.stays and card.slot is not None):
                possible = slot.label == card.slot
            else:
                taken = slot.label in kept or slot.label in gone or not kept.keys().isdisjoint(hidden(slot, card))
                possible = not taken and card_refusal(slot, card) is None
            if possible:
                places += offered[slot.label]
        figures += len(places) * len(classes)
        going = _going(classes, ("card", number), card)
        for state in [place for place in places if fixed.fit(place.slot, card)] or places:
            slot = state.slot
            watts = _watts(slot, card, fixed)
            bays, split = bays_of(slot, card)
            free = len(set(bays) - set(fixed.bays))
            left = watts - hundredths_taken(fixed.watts) if free else -1
            offers = bay_offers(slot, card, min(bays.values(), default=0))
            yield Holder(
                card=number,
                slot=slots[slot.label],
                bays=len(bays),
                link=rates_of(sheet, slot_link(slot, card)) if card.carrier == "switch" else None,
                watts=watts,
                rates=tuple(
                    rates_of(sheet, end_to_end(offers, drives_alike.like), drives_alike.like)
                    if bays
                    and takes is not None
                    and takes <= left
                    and (drives_alike.reached is None or (slot.label, slot.lanes) in drives_alike.reached)
                    else NOWHERE
                    for drives_alike, takes in zip(classes, going, strict=True)
                ),
                split=split,
                switch=card.carrier == "switch",
                covers=tuple(
                    slots[label]
                    for label in dict.fromkeys((*hidden(slot, card), *sorted(state.empty)))
                    if label not in kept
                ),
                beside=tuple(slots[label] for label in sorted(state.filled)),
            )


def open_states(sheet: Sheet) -> dict[str, tuple[State, ...]]:
    """The states of each slot, those left out in which what stays would not work though it can."""
    cards = {card.slot: card for card in sheet.cards if card.stays}

    def works(slot: SlotSpec) -> bool:
        card = cards.get(slot.label)
        return slot.lanes > 0 and (card is None or set(Fixed.of(sheet, card).bays) <= set(bays_of(slot, card)[0]))

    return states_of(sheet, works)


def slot_of(sheet: Sheet, holder: Holder) -> SlotSpec:
    """A holder's slot, with the lanes that it has then."""
    beside = {sheet.slots[number].label for number in holder.beside}
    return slot_with(sheet.slots[holder.slot], beside | kept_slots(sheet).keys())


class Fixed(Struct, frozen=True):
    """The drives that stay on a card: their bays, and what they take together, watts."""

    bays: tuple[int, ...]
    watts: float

    @classmethod
    def of(cls, sheet: Sheet, card: CardSpec) -> Fixed:
        """Those of one card."""
        places = today(sheet).drives
        drives = [drive for drive in sheet.drives if drive.stays and drive.card == card.name]
        bays = [places[drive.name].bay for drive in drives]
        return cls(tuple(bay for bay in bays if bay is not None), sum(drive_watts(drive) for drive in drives))

    def fit(self, slot: SlotSpec, card: CardSpec) -> bool:
        """Whether the card has their bays and their power in this slot."""
        return set(self.bays) <= set(bays_of(slot, card)[0]) and self.watts <= limit_watts(slot, card) - own_watts(card)


def slots_of_lanes(sheet: Sheet, drive: DriveSpec) -> frozenset[tuple[str, int]] | None:
    """The slots, by label and lanes, with which the bay has lanes that a drive stays in; None where it has no bay."""
    if drive.card is None or not drive.stays:
        return None
    card = next(card for card in sheet.cards if card.name == drive.card)
    bay = today(sheet).drives[drive.name].bay
    return frozenset(
        (slot.label, state.slot.lanes)
        for slot in sheet.slots
        if slot.kind == "card"
        for state in states(slot, kept_slots(sheet))
        if bay in bays_of(state.slot, card)[0]
    )


def _watts(slot: SlotSpec, card: CardSpec, fixed: Fixed) -> int:
    """What drives may take on a card in a slot: what is left of the limit, and never less than what stays there."""
    left = hundredths(max(0.0, limit_watts(slot, card) - own_watts(card)))
    return max(left, hundredths_taken(fixed.watts)) if card.stays else left


def _going(classes: Sequence[DrivesAlike], home: Home, card: CardSpec) -> list[int | None]:
    """What a drive of each class must have left in watts to go into the bays of a card; None where it may not.

    Those that stay on it ask for nothing: they are there.
    """
    return [
        (NOTHING if alike.home == home else None)
        if alike.home is not None
        else (hundredths_taken(drive_watts(alike.like)) if bay_refusal(card, alike.like) is None else None)
        for alike in classes
    ]


def slot_holders(sheet: Sheet, slots: dict[str, int], classes: Sequence[DrivesAlike]) -> Iterator[Holder]:
    """Every slot that takes a drive itself and that some drive can be in."""
    kept, gone = kept_slots(sheet), hidden_slots(sheet)
    offered = open_states(sheet)
    for number, slot in enumerate(sheet.slots):
        if slot.kind == "card" or slot.label in gone:
            continue
        watts = None if slot.power_watts is None else hundredths(slot.power_watts)
        stay = [drives_alike for drives_alike in classes if drives_alike.home == ("slot", number)]
        if watts is not None and stay:
            watts = max(watts, *(hundredths_taken(drive_watts(alike.like)) for alike in stay))
        going = []
        for drives_alike in classes:
            if slot.label in kept or drives_alike.home is not None:
                goes = drives_alike in stay
            else:
                goes = slot_refusal(slot, drives_alike.like) is None
                goes = goes and (watts is None or hundredths_taken(drive_watts(drives_alike.like)) <= watts)
            going.append(goes)
        for state in offered[slot.label] if any(going) else ():
            yield Holder(
                card=None,
                slot=number,
                bays=1,
                link=None,
                watts=watts,
                rates=tuple(
                    rates_of(sheet, slot_link(state.slot, drives_alike.like), drives_alike.like) if goes else NOWHERE
                    for drives_alike, goes in zip(classes, going, strict=True)
                ),
                covers=tuple(slots[label] for label in sorted(state.empty) if label not in kept),
                beside=tuple(slots[label] for label in sorted(state.filled)),
            )
