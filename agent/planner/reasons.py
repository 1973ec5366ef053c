"""Why a part has no place, in one sentence that names the slots: from the hard limits, grouped by reason.

Decides nothing. A sentence is written to stand after the part's name and a colon.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.phrasing import listed
from agent.planner.fits import (
    bay_refusal,
    card_refusal,
    hidden,
    hidden_slots,
    kept_slots,
    limit_watts,
    own_watts,
    slot_refusal,
)
from agent.planner.holders import Fixed
from agent.planner.phrases import NUMBERS, counted
from agent.planner.result import Unplaced
from agent.sheets.paths import bays_of, drives_on, flows
from agent.sheets.reading import drive_watts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.planner.fits import Refusal
    from agent.sheets.sheet import CardSpec, DriveSpec, Placement, Sheet, SlotSpec

# How the reason begins for a carrier that nothing is lost without: it has no place because it wants none.
NOT_NEEDED: Final = "not needed"
PLURALS: Final = {"is": "are", "has": "have", "gives": "give", "needs": "need"}


def spares_apart(found: Sequence[Unplaced]) -> tuple[tuple[Unplaced, ...], tuple[Unplaced, ...]]:
    """Parts that should have a place, then carriers that nothing is lost without."""
    spare = [unplaced_part.why.startswith(NOT_NEEDED) for unplaced_part in found]
    pairs = list(zip(found, spare, strict=True))
    return tuple(unplaced_part for unplaced_part, left in pairs if not left), tuple(
        unplaced_part for unplaced_part, left in pairs if left
    )


def unplaced(sheet: Sheet, placement: Placement) -> tuple[Unplaced, ...]:
    """Every part of the sheet that has no place, cards first, each with the reason.

    A drive that stays in a bay without lanes has none either, as it does not work there.
    """
    seen = PlacedSheet(sheet, placement)
    cards = [Unplaced(card.name, seen.card(card)) for card in sheet.cards if card.name not in placement.cards]
    drives = [Unplaced(drive.name, seen.drive(drive)) for drive in sheet.drives if drive.name not in seen.working]
    return (*cards, *drives)


class PlacedSheet:
    """A sheet and a placement, looked at for reasons."""

    def __init__(self, sheet: Sheet, placement: Placement) -> None:
        """Note what holds and hides which slot."""
        self.sheet = sheet
        self.placement = placement
        self.slots = {slot.label: slot for slot in sheet.slots}
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
        places = [slot for slot in self.sheet.slots if slot.kind == "card"]
        if not places:
            return "the sheet has no slot for cards"
        refused = {slot.label: card_refusal(slot, card) for slot in places}
        fits = [slot for slot in places if refused[slot.label] is None]
        blocks = {slot.label: self.block(slot, card) for slot in fits}
        if card.carrier != "none" and (fits or self._all_placed()) and self._spare(card, blocks):
            return self._not_needed()
        taken = _grouped(blocks)
        if fits and {refusal.why for refusal in refused.values() if refusal is not None} == {"connector"}:
            return f"its x{card.connector} connector fits {listed(slot.label for slot in fits)} only{_which(taken)}"
        clauses = [*_card_clauses(card, refused), *(_clause(words, labels) for words, labels in taken)]
        return "; ".join(clauses)

    def block(self, slot: SlotSpec, card: CardSpec) -> str | None:
        """What is in the way of a card in a slot that it fits, said of the slot ("is ..."); None where nothing is."""
        over = [label for label in hidden(slot, card) if label in self.kept or label in self.held]
        if slot.label in self.kept:
            words = f"is held by {self.kept[slot.label]}, which stays"
        elif slot.label in self.gone:
            words = f"is hidden by {self.gone[slot.label]}, which stays"
        elif over:
            owner = self.kept.get(over[0]) or self.held[over[0]]
            words = f"is no place for it, as it would hide {over[0]}, which {owner} holds"
        elif not Fixed.of(self.sheet, card).fit(slot, card):
            words = "is no place for it, as the drives that stay on it would not all work there"
        elif slot.label in self.held:
            words = f"is taken by {self.held[slot.label]}"
        elif slot.label in self.covered:
            words = f"is hidden by {self.covered[slot.label]}"
        else:
            return None
        return words

    def _all_placed(self) -> bool:
        return all(drive.name in self.working for drive in self.sheet.drives)

    def _spare(self, card: CardSpec, blocks: dict[str, str | None]) -> bool:
        """Whether nothing is lost by leaving a carrier out: no drive waits for it, or none that waits goes into it."""
        waiting = [drive for drive in self.sheet.drives if drive.name not in self.working]
        if any(drive.card == card.name and drive.stays for drive in waiting):
            return False
        if not any(bay_refusal(card, drive) is None for drive in waiting):
            return True
        return bool(blocks) and None in blocks.values()

    def _not_needed(self) -> str:
        if self._all_placed():
            return f"{NOT_NEEDED}: without it every drive has a place, and none has a better one with it"
        return f"{NOT_NEEDED}: no drive that has no place would have one in its bays"

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
            return f"it stays in {where}: {card.name} {self._split(card)}{'' if self.slots[label].splits else able}"
        return f"it stays on {card.name}, which in {label} has bays and power for {counted(len(bays), 'drive')} at most"

    def _slots_for(self, drive: DriveSpec) -> list[str]:
        """What is in the way in slots of drives of its form."""
        refused: dict[str, Refusal | None] = {}
        blocks: dict[str, str | None] = {}
        for slot in self.sheet.slots:
            why = slot_refusal(slot, drive)
            if why is not None and why.why == "form":
                continue
            refused[slot.label] = why
            if why is not None:
                continue
            if slot.label in self.kept:
                blocks[slot.label] = f"is held by {self.kept[slot.label]}, which stays"
            elif slot.label in self.gone or slot.label in self.covered:
                blocks[slot.label] = f"is hidden by {self.gone.get(slot.label) or self.covered[slot.label]}"
            elif slot.power_watts is not None and drive_watts(drive) > slot.power_watts:
                blocks[slot.label] = f"gives {slot.power_watts:g} W, {_takes(drive)}"
            elif slot.label in self.held:
                blocks[slot.label] = f"is taken by {self.held[slot.label]}"
        return [*_length_clauses(drive, refused), *(_clause(words, labels) for words, labels in _grouped(blocks))]

    def _bays_for(self, drive: DriveSpec) -> list[str]:
        """What is in the way in carriers with bays of its form."""
        refused: dict[str, Refusal | None] = {}
        blocks: dict[str, str | None] = {}
        for card in self.sheet.cards:
            why = None if card.carrier == "none" else bay_refusal(card, drive)
            if card.carrier == "none" or (why is not None and why.why == "form"):
                continue
            refused[card.name] = why
            if why is None:
                blocks[card.name] = self._bay_block(card, drive)
        full = [name for name, words in blocks.items() if words == ""]
        others = {name: words for name, words in blocks.items() if words}
        clauses = _length_clauses(drive, refused)
        if full:
            clauses.append(f"no bay of {listed(full, 'or')} is free")
        return [*clauses, *(_clause(words, names) for words, names in _grouped(others))]

    def _bay_block(self, card: CardSpec, drive: DriveSpec) -> str:
        """What is in the way in a carrier that takes such drives; "" where it is simply full."""
        label = self.placement.cards.get(card.name)
        if label is None:
            return "has no place either"
        slot = self.slots[label]
        bays, _ = bays_of(slot, card)
        there = [name for name, place in drives_on(self.placement, card.name).items() if place.bay in bays]
        if len(there) >= len(bays):
            return self._split(card) if len(bays) < card.bays else ""
        limit = limit_watts(slot, card)
        taken = own_watts(card) + sum(drive_watts(spec) for spec in self.sheet.drives if spec.name in there)
        if taken + drive_watts(drive) > limit:
            left = f"{max(0.0, limit - taken):g} W of {limit:g} W left"
            return f"has {left} in {label}, {_takes(drive)}"
        return ""

    def _split(self, card: CardSpec) -> str:
        """What a passive carrier needs for all of its bays, and which of the slots that it fits do not offer it."""
        fits = [slot for slot in self.sheet.slots if slot.kind == "card" and card_refusal(slot, card) is None]
        good = [slot for slot in fits if len(bays_of(slot, card)[0]) == card.bays]
        poor = [slot.label for slot in fits if slot not in good]
        needs = f"needs a {NUMBERS.get(card.bays, str(card.bays))}-way split for all bays"
        offers = f"{listed(poor)} {'offers' if len(poor) == 1 else 'offer'} none" if poor else ""
        blocks = {slot.label: self.block(slot, card) for slot in good}
        taken = _grouped({label: words for label, words in blocks.items() if words is not None})
        better = f"{listed(slot.label for slot in good)} {'offers' if len(good) == 1 else 'offer'} it" if good else ""
        if better and taken:
            better = f"{better}{_which(taken)}"
        return "; ".join(words for words in (needs, offers, better) if words)


# --- Clauses ---------------------------------------------------------------------------------------------------


def _grouped(blocks: Mapping[str, str | None]) -> list[tuple[str, list[str]]]:
    """(words, places) with the places that the same words hold for together."""
    groups: dict[str, list[str]] = {}
    for place, words in blocks.items():
        if words:
            groups.setdefault(words, []).append(place)
    return list(groups.items())


def _clause(words: str, places: list[str]) -> str:
    """Words that begin with a verb, said of one place or of several."""
    if len(places) > 1:
        verb, _, rest = words.partition(" ")
        words = f"{PLURALS[verb]} {rest}"
    return f"{listed(places)} {words}"


def _which(taken: list[tuple[str, list[str]]]) -> str:
    """What is in the way in places that have just been named: in all of them, or in each."""
    if len(taken) == 1:
        words, places = taken[0]
        return f", which {_clause(words, places).removeprefix(listed(places)).lstrip()}"
    return ": " + "; ".join(_clause(words, places) for words, places in taken)


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
