"""What goes where by the figures of a sheet: one part and one place at a time, each refusal with its reason.

Judges single pairs alone. What several parts do to each other (a slot held, a neighbour hidden, power shared) is
settled by the problem that `agent.planner.build` makes of the sheet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from agent.model.throughput import link_mbps
from agent.sheets.lanes import kept_slots
from agent.sheets.paths import slot_link, uplinks_of
from knowledge.slots import card_watts, goes_in

if TYPE_CHECKING:
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec

Why = Literal["connector", "height", "length", "power", "form"]
Whose = Literal["sheet", "slot rule", "card rule"]


class Refusal(Struct, frozen=True):
    """Why a part does not go into a place: the kind of reason, and what the place offers, in a few words."""

    why: Why
    offers: str


# --- Cards -----------------------------------------------------------------------------------------------------


def card_refusal(slot: SlotSpec, card: CardSpec) -> Refusal | None:
    """Why a card does not go into a slot for cards; None where it does.

    A card of full height has a bracket that a slot for low cards has no room for; a low card goes into both.
    """
    if not goes_in(card.connector, slot.connector, open_end=slot.open_end):
        return Refusal("connector", f"x{slot.connector}")
    if card.height == "full" and slot.height == "low":
        return Refusal("height", "low cards only")
    if card.length_mm is not None and slot.longest_mm is not None and card.length_mm > slot.longest_mm:
        return Refusal("length", f"{slot.longest_mm} mm")
    if own_watts(card) > limit_watts(slot, card):
        return Refusal("power", limit_words(slot, card))
    return None


def refusal_words(slot: SlotSpec, card: CardSpec, refused: Refusal) -> str:
    """Why a card does not go into a slot, in words that stand after the card's name."""
    return {
        "connector": f"its x{card.connector} connector does not go into {slot.label} ({refused.offers})",
        "height": f"it is of full height and {slot.label} takes low cards only",
        "length": f"it is {card.length_mm} mm long and {slot.label} takes {refused.offers}",
        "power": f"it takes {own_watts(card):g} W and {slot.label} gives {refused.offers}",
    }[refused.why]


def limit_watts(slot: SlotSpec, card: CardSpec) -> float:
    """What a card and its drives may take in a slot, watts: the least of slot and card rules, and its own cables.

    A slot need not give more than a card of its own size may ask for, unless its maker says so.
    """
    return _slot_watts(slot, card)[0] + card.cable_watts


def limit_from(slot: SlotSpec, card: CardSpec) -> Whose:
    """Whose figure the power of a card in a slot ends at: the sheet's for the slot, or the rule for slot or card."""
    return _slot_watts(slot, card)[1]


def _slot_watts(slot: SlotSpec, card: CardSpec) -> tuple[float, Whose]:
    """What a card may take from a slot, watts, and whose figure that is."""
    rule = card_watts(card.connector, card.height)
    if slot.power_watts is not None and slot.power_watts < rule:
        return slot.power_watts, "sheet"
    if slot.power_watts is None and card_watts(slot.connector, slot.height) < rule:
        return card_watts(slot.connector, slot.height), "slot rule"
    return rule, "card rule"


def limit_words(slot: SlotSpec, card: CardSpec) -> str:
    """What a card and its drives may take in a slot, and whose figure that is."""
    watts, whose = _slot_watts(slot, card)
    a = "a low" if (slot if whose == "slot rule" else card).height == "low" else "an"
    words = {
        "sheet": "by the sheet",
        "slot rule": f"the rule for {a} x{slot.connector} slot",
        "card rule": f"the rule for {a} x{card.connector} card",
    }[whose]
    if not card.cable_watts:
        return f"{watts:g} W ({words})"
    return f"{watts + card.cable_watts:g} W ({watts:g} W {words}, {card.cable_watts:g} W by its own cables)"


def own_watts(card: CardSpec) -> float:
    """What a card itself takes, watts; 0 is counted where the sheet does not say."""
    return 0.0 if card.power_watts is None else card.power_watts


def hidden(slot: SlotSpec, card: CardSpec) -> tuple[str, ...]:
    """The slots that a card hides beside its own. A wide card hides what its slot is said to cover, else nothing."""
    return slot.covers if card.wide > 1 else ()


def card_mbps(sheet: Sheet, slot: SlotSpec, card: CardSpec) -> tuple[float, str | None]:
    """The link rate of a card in a slot up to the processor, MB/s, and the shared uplink that decides it, if one does.

    Nothing is taken off for what drives behind the same uplink do: how much a card moves, and when, is not known.
    """
    rate, narrowest = link_mbps(*slot_link(slot, card)), None
    for uplink in uplinks_of(sheet, slot):
        carries = link_mbps(uplink.generation, uplink.lanes)
        if carries < rate:
            rate, narrowest = carries, uplink.name
    return rate, narrowest


# --- Drives ----------------------------------------------------------------------------------------------------


def bay_refusal(card: CardSpec, drive: DriveSpec) -> Refusal | None:
    """Why a drive does not go into the bays of a card; None where it does."""
    return _drive_refusal(card.bay_form, card.bay_lengths, drive)


def slot_refusal(slot: SlotSpec, drive: DriveSpec) -> Refusal | None:
    """Why a drive does not go into a slot of its own; None where it does."""
    if slot.kind == "card":
        return Refusal("form", "cards")
    return _drive_refusal(slot.kind, slot.lengths, drive)


def _drive_refusal(form: str, lengths: tuple[str, ...], drive: DriveSpec) -> Refusal | None:
    """Form and length against a bay or slot. A length that either side does not state is not held against it."""
    if drive.form != form:
        return Refusal("form", f"{form.upper()} drives")
    if drive.length is not None and lengths and drive.length not in lengths:
        return Refusal("length", " or ".join(lengths))
    return None


# --- What stays ------------------------------------------------------------------------------------------------


def hidden_slots(sheet: Sheet) -> dict[str, str]:
    """The slots that wide cards which stay hide for good, with the card's name; those held all the same left out."""
    slots = {slot.label: slot for slot in sheet.slots}
    kept = kept_slots(sheet)
    return {
        label: card.name
        for card in sheet.cards
        if card.stays and card.slot is not None
        for label in hidden(slots[card.slot], card)
        if label not in kept
    }
