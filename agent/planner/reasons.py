"""Why a part has no place, in one sentence that names the slots: from the hard limits, grouped by reason.

Decides nothing. A sentence is written to stand after the part's name and a colon.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.planner.clock import Telling, always
from agent.planner.fits import (
    bay_refusal,
    card_refusal,
    hidden,
    hidden_slots,
    limit_watts,
    limit_words,
    own_watts,
    slot_refusal,
)
from agent.planner.holders import Fixed
from agent.planner.phrases import NUMBERS
from agent.planner.result import Unplaced
from agent.sheets.lanes import filled, kept_slots, robbing_words, slots_with, taken_words
from agent.sheets.paths import bays_of, drives_on, flows
from agent.sheets.reading import drive_watts
from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.planner.fits import Refusal
    from agent.planner.whys import Whys
    from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, Placement, Sheet, SlotSpec

WHY: Final = "why parts have no place"
PLURALS: Final = {"is": "are", "has": "have", "gives": "give", "needs": "need"}


class Block(Struct, frozen=True):
    """What is in the way at a place, said of it: a verb, and what follows the verb; `limit` is what sort it is of."""

    verb: str
    rest: str
    limit: str

    def of(self, places: Sequence[str]) -> str:
        """The same said of so many places."""
        return f"{self.verb if len(places) == 1 else PLURALS[self.verb]} {self.rest}"


UNTRIED: Final = Block("is", "free: the search ended before it was tried", "")  # no limit, so that none is told


def unplaced(
    sheet: Sheet, placement: Placement, whys: Whys | None = None, tell: Telling | None = None, *, searched: bool = True
) -> tuple[tuple[Unplaced, ...], tuple[Unplaced, ...]]:
    """Every part that should have a place and has none, cards first, then carriers that nothing is lost without.

    Each has its reason if there is time for it. A drive that stays in a bay without lanes has no place either, as it
    does not work there. `whys` knows of a plan that is proved what would be lost with a part in the place of another;
    `searched` is false of one that is not proved, where a place may be free and a carrier of use.
    """
    tell = Telling(always) if tell is None else tell
    seen = PlacedSheet(sheet, placement, whys, searched=searched)
    cards = [card for card in sheet.cards if card.name not in placement.cards]
    spares = [card for card in cards if seen.is_spare(card)]
    without = [card for card in cards if card not in spares]
    missing = [
        Unplaced(card.name, tell.part(WHY, partial(seen.card, card), ""), seen.card_limits(card)) for card in without
    ]
    waiting = [drive for drive in sheet.drives if drive.name not in seen.working]
    missing += [
        Unplaced(drive.name, tell.part(WHY, partial(seen.drive, drive), ""), seen.drive_limits(drive))
        for drive in waiting
    ]
    return tuple(missing), tuple(Unplaced(card.name, seen.not_needed()) for card in spares)


class PlacedSheet:
    """A sheet and a placement, looked at for reasons."""

    def __init__(self, sheet: Sheet, placement: Placement, whys: Whys | None = None, *, searched: bool = True) -> None:
        """Note what holds and hides which slot."""
        self.sheet = sheet
        self.searched = searched
        self._whys = whys
        self.placement = placement
        self.slots = slots_with(sheet, placement)
        self.filled = filled(placement)
        self.card_slots = [slot for slot in self.slots.values() if slot.kind == "card"]
        self.cards = {card.name: card for card in sheet.cards}
        self.kept = kept_slots(sheet)
        self.gone = hidden_slots(sheet)
        self.working = {flow.name for flow in flows(sheet, placement)[0]}
        self.held = {label: name for name, label in placement.cards.items()}
        self.held |= {place.holder: name for name, place in placement.drives.items() if place.bay is None}
        self.covered = {
            label: name
            for name, slot in placement.cards.items()
            for label in hidden(self.slots[slot], self.cards[name])
        }

    # --- Cards -------------------------------------------------------------------------------------------------

    def card(self, card: CardSpec) -> str:
        """Why a card has no place."""
        if not self.card_slots:
            return "the sheet has no slot for cards"
        refused = {slot.label: card_refusal(slot, card) for slot in self.card_slots}
        fits = self._fitting(card)
        taken = _grouped(self._blocks(card))
        if fits and {refusal.why for refusal in refused.values() if refusal is not None} == {"connector"}:
            return f"its x{card.connector} connector fits {listed(slot.label for slot in fits)} only{_which(taken)}"
        clauses = [*_card_clauses(card, refused), *(_clause(words, labels) for words, labels in taken)]
        return "; ".join(clauses)

    def _fitting(self, card: CardSpec) -> list[SlotSpec]:
        return [slot for slot in self.card_slots if card_refusal(slot, card) is None]

    def card_limits(self, card: CardSpec) -> dict[str, str]:
        """What is in the way of a card in each slot for cards."""
        refused = ((slot.label, card_refusal(slot, card)) for slot in self.card_slots)
        found: dict[str, str] = {label: refusal.why for label, refusal in refused if refusal is not None}
        return found | {label: block.limit for label, block in self._blocks(card).items() if block and block.limit}

    def _blocks(self, card: CardSpec) -> dict[str, Block | None]:
        return {slot.label: self.block(slot, card) for slot in self._fitting(card)}

    def block(self, slot: SlotSpec, card: CardSpec) -> Block | None:
        """What is in the way of a card in a slot that it fits; None where nothing is."""
        over = [label for label in hidden(slot, card) if label in self.kept or label in self.held]
        limit = "held"
        if not Fixed.of(self.sheet, card).fit(slot, card):
            words, limit = "no place for it, as the drives that stay on it would not all work there", "bays"
        elif slot.label in self.kept:
            words = f"held by {self.kept[slot.label]}, which stays"
        elif slot.label in self.gone:
            words, limit = f"hidden by {self.gone[slot.label]}, which stays", "hidden"
        elif over:
            owner = self.kept.get(over[0]) or self.held[over[0]]
            words = f"no place for it, as it would hide {over[0]}, which {owner} holds"
            words += self._lost(card, slot, owner) if over[0] not in self.kept else ", which stays"
            limit = "hidden"
        elif slot.label in self.held:
            owner = self.held[slot.label]
            words = f"held by {owner}{self._lost(card, slot, owner)}"
        elif slot.label in self.covered:
            owner = self.covered[slot.label]
            words, limit = f"hidden by {owner}{self._lost(card, slot, owner)}", "hidden"
        else:
            return self._lanes(slot)
        return Block("is", words, limit)

    def _lost(self, card: CardSpec, slot: SlotSpec, owner: str) -> str:
        """What giving a slot to a card would cost, after the name of the part that has it; "" where it is not known."""
        return "" if self._whys is None else self._whys.card_in(card, slot, owner)

    def _lanes(self, slot: SlotSpec) -> Block | None:
        """What lanes have to do with it that a slot stays free: it has none, or would take them from others."""
        if not slot.lanes:
            return Block("has", taken_words(slot, self.filled), "lanes")
        words = robbing_words(self.sheet, slot.label, self.placement)
        return Block("is", f"free, but would take lanes of {words}", "lanes") if words else self._untried()

    def _untried(self) -> Block | None:
        """What is in the way where nothing else is: of a plan that is proved nothing."""
        return None if self.searched else UNTRIED

    def _all_placed(self) -> bool:
        return all(drive.name in self.working for drive in self.sheet.drives)

    def is_spare(self, card: CardSpec) -> bool:
        """Whether nothing is lost by leaving a carrier out: no drive waits for it, or none that waits goes into it."""
        if card.carrier == "none" or not (self._fitting(card) or (self.card_slots and self._all_placed())):
            return False
        waiting = [drive for drive in self.sheet.drives if drive.name not in self.working]
        if any(drive.card == card.name and drive.stays for drive in waiting):
            return False
        free = [drive for drive in waiting if not (drive.stays and (drive.card is not None or drive.slot is not None))]
        if not any(bay_refusal(card, drive) is None for drive in free):
            return True
        return any(block in {None, UNTRIED} for block in self._blocks(card).values())

    def not_needed(self) -> str:
        """Why a spare carrier has no place: it wants none, as far as that is known."""
        if not self.searched:
            return "left out so far: the search ended before it was known whether anything is gained with it"
        if self._all_placed():
            return "not needed: without it every drive has a place, and none has a better one with it"
        return "not needed: no drive that has no place would have one in its bays"

    # --- Drives ------------------------------------------------------------------------------------------------

    def drive(self, drive: DriveSpec) -> str:
        """Why a drive has no place."""
        if drive.stays and (drive.card is not None or drive.slot is not None):
            return self._stuck(drive)
        clauses = [*self._slots_for(drive), *self._bays_for(drive)]
        return "; ".join(clauses) if clauses else f"nothing on the sheet takes {_form(drive)} drives"

    def _stuck(self, drive: DriveSpec) -> str:
        """Why a drive that stays does not work where it is."""
        if drive.card is None:
            return f"it stays in {drive.slot}, which takes no drive there"
        label = self.placement.cards.get(drive.card)
        if label is None:
            return f"it stays on {drive.card}, which has no place"
        card = self.cards[drive.card]
        bays, _ = bays_of(self.slots[label], card)
        if drive.bay is not None and drive.bay not in bays:
            where = f"bay {drive.bay} of {card.name}, which {label} has no lanes for"
            able = f"; if the firmware can split {label}, write that into its splits"
            able = "" if self.slots[label].splits else able
            return f"it stays in {where}: {card.name} {self._split(card).of([label])}{able}"
        return (
            f"it stays on {card.name}, which in {label} has bays and power for {quantity(len(bays), 'drive')} at most"
        )

    def drive_limits(self, drive: DriveSpec) -> dict[str, str]:
        """What is in the way of a drive in each slot and carrier of its form."""
        if drive.stays and (drive.card is not None or drive.slot is not None):
            return {}
        found: dict[str, str] = {}
        for refused, blocks in (self._slot_blocks(drive), self._bay_blocks(drive)):
            found |= {place: refusal.why for place, refusal in refused.items() if refusal is not None}
            limits = {place: "bays" if block is None else block.limit for place, block in blocks.items()}
            found |= {place: limit for place, limit in limits.items() if limit}
        return found

    def _slots_for(self, drive: DriveSpec) -> list[str]:
        """What is in the way in slots of drives of its form, in words."""
        refused, blocks = self._slot_blocks(drive)
        return [*_length_clauses(drive, refused), *(_clause(words, labels) for words, labels in _grouped(blocks))]

    def _slot_blocks(self, drive: DriveSpec) -> tuple[dict[str, Refusal | None], dict[str, Block | None]]:
        """What is in the way in slots of drives of its form."""
        refused: dict[str, Refusal | None] = {}
        blocks: dict[str, Block | None] = {}
        for slot in self.slots.values():
            why = slot_refusal(slot, drive)
            if why is not None and why.why == "form":
                continue
            refused[slot.label] = why
            if why is not None:
                continue
            block = self._slot_block(slot, drive)
            if block is not None:
                blocks[slot.label] = block
        return refused, blocks

    def _slot_block(self, slot: SlotSpec, drive: DriveSpec) -> Block | None:
        """What is in the way of a drive in a slot that takes it; None where nothing is."""
        if slot.label in self.kept:
            return Block("is", f"held by {self.kept[slot.label]}, which stays", "held")
        if slot.label in self.gone or slot.label in self.covered:
            return Block("is", f"hidden by {self.gone.get(slot.label) or self.covered[slot.label]}", "hidden")
        if slot.power_watts is not None and drive_watts(drive) > slot.power_watts:
            return Block("gives", f"{slot.power_watts:g} W (by the sheet), {_takes(drive)}", "power")
        if slot.label in self.held:
            lost = "" if self._whys is None else self._whys.drive_in(drive, slot.label, card=False)
            return Block("is", f"held by {self.held[slot.label]}{lost}", "held")
        return self._lanes(slot)

    def _bays_for(self, drive: DriveSpec) -> list[str]:
        """What is in the way in carriers with bays of its form, in words."""
        refused, blocks = self._bay_blocks(drive)
        full = [name for name, block in blocks.items() if block is None]
        clauses = _length_clauses(drive, refused)
        if full:
            clauses.append(f"no bay of {listed(full, 'or')} is free{self._all_stay(full)}")
        return [*clauses, *(_clause(words, names) for words, names in _grouped(blocks))]

    def _all_stay(self, cards: Sequence[str]) -> str:
        """That all drives on some cards stay; "" where one may move."""
        there = [drive for drive in self.sheet.drives if any(drive.name in self._there(name) for name in cards)]
        return ", as the drives there stay" if all(drive.stays for drive in there) else ""

    def _there(self, card: str) -> dict[str, DrivePlace]:
        return drives_on(self.placement, card)

    def _bay_blocks(self, drive: DriveSpec) -> tuple[dict[str, Refusal | None], dict[str, Block | None]]:
        """What is in the way in carriers with bays of its form; None for those whose bays are just all in use."""
        refused: dict[str, Refusal | None] = {}
        blocks: dict[str, Block | None] = {}
        for card in self.sheet.cards:
            why = None if card.carrier == "none" else bay_refusal(card, drive)
            if card.carrier == "none" or (why is not None and why.why == "form"):
                continue
            refused[card.name] = why
            if why is None:
                blocks[card.name] = self._bay_block(card, drive)
        return refused, blocks

    def _bay_block(self, card: CardSpec, drive: DriveSpec) -> Block | None:
        """What is in the way in a carrier that takes such drives; None where it is simply full."""
        label = self.placement.cards.get(card.name)
        if label is None:
            return Block("has", "no place either", "no slot")
        slot = self.slots[label]
        bays, _ = bays_of(slot, card)
        there = [name for name, place in drives_on(self.placement, card.name).items() if place.bay in bays]
        full_up = len(there) >= len(bays)
        lost = "" if self._whys is None else self._whys.drive_in(drive, card.name, card=True, full=full_up)
        if full_up:
            full = Block("is", f"full{lost}", "bays") if lost else None
            return self._split(card) if len(bays) < card.bays else full
        limit = limit_watts(slot, card)
        taken = own_watts(card) + sum(drive_watts(spec) for spec in self.sheet.drives if spec.name in there)
        if taken + drive_watts(drive) > limit:
            left = f"{max(0.0, limit - taken):g} W left of {limit_words(slot, card)} in {label}"
            return Block("has", f"{left}, {_takes(drive)}{lost}", "power")
        return self._untried()

    def _split(self, card: CardSpec) -> Block:
        """What a passive carrier needs for all of its bays, and which of the slots that it fits do not offer it."""
        fits = self._fitting(card)
        good = [slot for slot in fits if len(bays_of(slot, card)[0]) == card.bays]
        poor = [slot.label for slot in fits if slot not in good]
        needs = f"a {NUMBERS.get(card.bays, str(card.bays))}-way split for all bays"
        offers = f"{listed(poor)} {'offers' if len(poor) == 1 else 'offer'} none" if poor else ""
        blocks = {slot.label: self.block(slot, card) for slot in good}
        taken = _grouped(blocks)
        better = f"{listed(slot.label for slot in good)} {'offers' if len(good) == 1 else 'offer'} it" if good else ""
        if better and taken:
            better = f"{better}{_which(taken)}"
        return Block("needs", "; ".join(words for words in (needs, offers, better) if words), "split")


# --- Clauses ---------------------------------------------------------------------------------------------------


def _grouped(blocks: Mapping[str, Block | None]) -> list[tuple[Block, list[str]]]:
    """What is in the way, with the places that the same holds for together."""
    groups: dict[Block, list[str]] = {}
    for place, block in blocks.items():
        if block is not None:
            groups.setdefault(block, []).append(place)
    return list(groups.items())


def _clause(block: Block, places: list[str]) -> str:
    """What is in the way, said of one place or of several."""
    return f"{listed(places)} {block.of(places)}"


def _which(taken: list[tuple[Block, list[str]]]) -> str:
    """What is in the way in places that have just been named: in all of them, or in each."""
    if len(taken) == 1:
        block, places = taken[0]
        return f", which {block.of(places)}"
    return ": " + "; ".join(_clause(block, places) for block, places in taken)


def _card_clauses(card: CardSpec, refused: dict[str, Refusal | None]) -> list[str]:
    """One clause for each kind of physical refusal, with the slots that it holds for."""
    found = []
    groups = _by_reason(refused)
    edges = [label for (why, _), labels in groups.items() if why == "connector" for label in labels]
    if edges:
        found.append(f"its x{card.connector} connector does not go into {listed(edges, 'or')}")
    for (why, offers), labels in groups.items():
        gives = "gives" if len(labels) == 1 else "give"
        takes = "takes" if len(labels) == 1 else "take"
        if why == "height":
            found.append(f"it is of full height, {listed(labels)} {takes} {offers}")
        elif why == "length":
            found.append(f"it is {card.length_mm} mm long, {listed(labels)} {takes} {offers}")
        elif why == "power":
            found.append(f"it takes {own_watts(card):g} W, {listed(labels)} {gives} {offers}")
    return found


def _length_clauses(drive: DriveSpec, refused: dict[str, Refusal | None]) -> list[str]:
    groups = {offers: places for (why, offers), places in _by_reason(refused).items() if why == "length"}
    if groups and all(refused.values()):
        return [f"no bay or slot of {listed(refused)} takes a {drive.length} drive"]
    return [
        f"{listed(places)} {'takes' if len(places) == 1 else 'take'} {offers} drives, not {drive.length}"
        for offers, places in groups.items()
    ]


def _by_reason(refused: dict[str, Refusal | None]) -> dict[tuple[str, str], list[str]]:
    groups: dict[tuple[str, str], list[str]] = {}
    for place, refusal in refused.items():
        if refusal is not None:
            groups.setdefault((refusal.why, refusal.offers), []).append(place)
    return groups


def _form(drive: DriveSpec) -> str:
    return drive.form.upper()


def _takes(drive: DriveSpec) -> str:
    """What a drive takes; a figure that the sheet does not give is named as what it is."""
    typical = "" if drive.power_watts is not None else " (typical of its generation, as the sheet does not say)"
    return f"it takes {drive_watts(drive):g} W{typical}"
