"""Limits that today's places break: a machine that runs all the same has a wrong figure on its sheet, or is in danger.

Judges what is fitted by the figures of the sheet, part by part; the plan keeps to the same limits but for what stays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from agent.planner.fits import (
    bay_refusal,
    card_refusal,
    limit_watts,
    limit_words,
    own_watts,
    refusal_words,
    slot_refusal,
)
from agent.planner.result import LimitBroken
from agent.sheets.lanes import lanes_words, slots_with
from agent.sheets.paths import bays_of, drives_on, today
from agent.sheets.reading import drive_watts
from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.sheets.sheet import CardSpec, DriveSpec, Placement, Sheet, SlotSpec


def broken(sheet: Sheet, planned: Placement) -> tuple[LimitBroken, ...]:
    """Every limit that is broken today, cards first, and whether it is no more with what is planned."""
    still = {(limit.limit, limit.part) for limit in _Placed(sheet, planned).all()}
    limits = _Placed(sheet, today(sheet)).all()
    return tuple(replace(limit, mended=(limit.limit, limit.part) not in still) for limit in limits)


class _Placed:
    """Parts in their places, today's or others."""

    def __init__(self, sheet: Sheet, now: Placement) -> None:
        self.sheet = sheet
        self.now = now
        self.slots = slots_with(sheet, self.now)
        self.cards = {card.name: card for card in sheet.cards}

    def all(self) -> Iterator[LimitBroken]:
        for name, label in self.now.cards.items():
            yield from self._card(self.cards[name], self.slots[label])
        for drive in self.sheet.drives:
            yield from self._drive(drive)

    def _card(self, card: CardSpec, slot: SlotSpec) -> Iterator[LimitBroken]:
        """What is against a card in its slot, and against all of its drives together."""
        refused = card_refusal(slot, card)
        if refused is not None:
            yield LimitBroken(
                "power" if refused.why == "power" else "fit",
                card.name,
                slot.label,
                f"{card.name}: {refusal_words(slot, card, refused)}",
            )
        there = drives_on(self.now, card.name)
        if refused is None or refused.why != "power":
            drives = sum(drive_watts(drive) for drive in self.sheet.drives if drive.name in there)
            taken = own_watts(card) + drives
            if taken > limit_watts(slot, card):
                why = f"{card.name} and {quantity(len(there), 'drive')} on it take {taken:g} W in {slot.label}"
                yield LimitBroken("power", card.name, slot.label, f"{why}, which gives {limit_words(slot, card)}")
        if slot.lanes:
            yield from self._dark(card, slot)
        else:
            yield self._dead(card.name, slot)

    def _dead(self, name: str, slot: SlotSpec) -> LimitBroken:
        """A part in a slot whose lanes others have taken."""
        words = lanes_words(self.sheet, slot.label, self.now)
        return LimitBroken("lanes", name, slot.label, f"{name} does not work, as {slot.label} has {words}")

    def _dark(self, card: CardSpec, slot: SlotSpec) -> Iterator[LimitBroken]:
        """Drives in bays of a card that get no lanes: for want of a split, or as there are too few lanes."""
        bays, _ = bays_of(slot, card)
        dark = {name: place.bay for name, place in drives_on(self.now, card.name).items() if place.bay not in bays}
        lanes = min(slot.lanes, card.lanes)
        for reach in (True, False):
            names = [name for name, bay in dark.items() if ((bay or 1) * card.bay_lanes <= lanes) == reach]
            if not names:
                continue
            why = f"{listed(names)} on {card.name} {'gets' if len(names) == 1 else 'get'} no lanes in {slot.label}, "
            why += "which cannot be split so" if reach else f"which has {quantity(slot.lanes, 'lane')}"
            yield LimitBroken("split" if reach else "lanes", card.name, slot.label, why)

    def _drive(self, drive: DriveSpec) -> Iterator[LimitBroken]:
        """What is against a drive in its bay or slot."""
        place = self.now.drives.get(drive.name)
        if place is None:
            return
        slot = self.slots[place.holder] if place.bay is None else None
        refused = bay_refusal(self.cards[place.holder], drive) if slot is None else slot_refusal(slot, drive)
        if refused is not None:
            what = f"a {drive.length} drive" if refused.why == "length" else f"a {drive.form.upper()} drive"
            why = f"{drive.name} is {what}, and {place.holder} takes {refused.offers}"
            yield LimitBroken("fit", drive.name, place.holder, why)
        if slot is not None and slot.power_watts is not None and drive_watts(drive) > slot.power_watts:
            why = f"{drive.name} takes {drive_watts(drive):g} W, and {slot.label} gives {slot.power_watts:g} W"
            yield LimitBroken("power", drive.name, slot.label, f"{why} (by the sheet)")
        if slot is not None and not slot.lanes:
            yield self._dead(drive.name, slot)
