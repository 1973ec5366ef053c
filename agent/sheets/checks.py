"""What a build sheet says as a whole: names that must be found, figures that must agree, parts that are there twice.

Whether a part fits where it should go is the planner's to say. Here a sheet is refused only where it contradicts
itself. Every complaint names file, line and key. Needs are held in needs.py.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.throughput import PAIRS, STRIPE_LEAST
from agent.sheets.lanes_checks import check_lanes, check_splits
from agent.sheets.needs import check_needs
from agent.sheets.wording import Say
from knowledge.phrasing import counted, mbps, quoted
from knowledge.rates import describe, lane_mbps
from knowledge.slots import goes_in

if TYPE_CHECKING:
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec

_OF_CARD_SLOTS: Final = ("open_end", "splits", "covers", "longest_mm", "height")
_OF_BAYS: Final = ("bay_lanes", "bay_generation", "bay_lengths", "bay_form")


def check(sheet: Sheet) -> None:
    """Raise BadInput for the first thing found that the sheet cannot mean."""
    say = Say(sheet)
    say.once("uplink", "name", [uplink.name for uplink in sheet.uplinks])
    say.once("slot", "label", [slot_data.label for slot_data in sheet.slots])
    say.once("card", "name", [spec.name for spec in sheet.cards])
    say.once("drive", "name", [spec.name for spec in sheet.drives])
    say.once("stripe", "name", [stripe.name for stripe in sheet.stripes])
    say.once("need", "name", [need.name for need in sheet.needs])
    _check_uplinks(say)
    for number, slot in enumerate(sheet.slots):
        _check_slot(say, f"slot[{number}]", slot)
    check_lanes(say)
    say.once("slot", "port", [slot_data.port for slot_data in sheet.slots])
    for number, card in enumerate(sheet.cards):
        _check_card(say, f"card[{number}]", card)
    _check_cards_today(say)
    for number, drive in enumerate(sheet.drives):
        _check_drive(say, f"drive[{number}]", drive)
        _check_place(say, f"drive[{number}]", drive)
    _check_drives_today(say)
    _check_stripes(say)
    check_needs(say)


# --- Uplinks ---------------------------------------------------------------------------------------------------


def _check_uplinks(say: Say) -> None:
    above = {uplink.name: uplink.above for uplink in say.sheet.uplinks}
    for number, uplink in enumerate(say.sheet.uplinks):
        key = f"uplink[{number}].above"
        say.known(key, uplink.above, "uplink", above)
        way = [uplink.name]
        while (upper := above.get(way[-1])) is not None:
            if upper == uplink.name:
                names = ", ".join(quoted(name) for name in way)
                raise say.wrong(
                    key, f"uplinks must lead to the processor, and this leads back to itself by way of {names}"
                )
            if upper in way:
                break  # a loop that this one is not part of: told at one that is
            way.append(upper)


# --- Slots -----------------------------------------------------------------------------------------------------


def _check_slot(say: Say, key: str, slot: SlotSpec) -> None:
    if slot.lanes > slot.connector:
        raise say.wrong(f"{key}.lanes", f"{slot.lanes} lanes cannot be wired to a connector of {slot.connector}")
    refused = [name for name in _OF_CARD_SLOTS if slot.kind != "card" and say.has(f"{key}.{name}")]
    if refused:
        raise say.wrong(
            f"{key}.{refused[0]}", f"only slots for cards have this, and {quoted(slot.label)} takes a drive"
        )
    if slot.kind != "m.2" and slot.lengths:
        raise say.wrong(f"{key}.lengths", f"only M.2 sockets have this, and {quoted(slot.label)} is none")
    check_splits(say, f"{key}.splits", slot.splits, slot.lanes)
    if slot.uplink is not None:
        say.known(f"{key}.uplink", slot.uplink, "uplink", [uplink.name for uplink in say.sheet.uplinks])
    for number, label in enumerate(slot.covers):
        place = f"{key}.covers[{number}]"
        if label == slot.label:
            raise say.wrong(place, f"{quoted(label)} cannot cover itself: a card always takes its own slot")
        say.known(place, label, "slot", [slot_data.label for slot_data in say.sheet.slots])
    say.listed_once(f"{key}.covers", slot.covers)


# --- Cards -----------------------------------------------------------------------------------------------------


def _check_card(say: Say, key: str, card: CardSpec) -> None:
    if card.lanes > card.connector:
        raise say.wrong(say.one_of(key, "lanes", "connector"), _too_short(card.lanes, card.connector))
    if card.wants_assumed and card.wants_mbps is None:
        raise say.wrong(
            f"{key}.wants_assumed", "no wants_mbps is given that could be assumed; write it, or leave this out"
        )
    if card.carrier == "none":
        refused = [name for name in _OF_BAYS if say.has(f"{key}.{name}")]
        if card.bays or refused:
            here = "bays" if card.bays else refused[0]
            raise say.wrong(f"{key}.{here}", 'bays are on carriers; write carrier = "passive" or "switch" too')
    else:
        _check_carrier(say, key, card)
    if card.stays and card.slot is None:
        raise say.wrong(f"{key}.stays", f"{quoted(card.name)} is in no slot where it could stay; write slot too")
    if card.slot is not None:
        say.known(f"{key}.slot", card.slot, "slot", [slot_data.label for slot_data in say.sheet.slots])
        slot = next(slot_data for slot_data in say.sheet.slots if slot_data.label == card.slot)
        if slot.kind != "card":
            raise say.wrong(f"{key}.slot", f"{quoted(slot.label)} takes a drive ({slot.kind}), not a card")
        if not goes_in(card.connector, slot.connector, slot.open_end):
            here = f"{quoted(slot.label)}, a closed slot of x{slot.connector}"
            words = f"an edge of x{card.connector} cannot be in {here}"
            raise say.wrong(f"{key}.slot", f"{words}; if its end is open, write open_end = true there")
    _check_rate(say, f"{key}.wants_mbps", card.wants_mbps, card)


def _check_carrier(say: Say, key: str, card: CardSpec) -> None:
    if not card.bays:
        raise say.wrong(say.one_of(key, "bays", "carrier"), "a carrier has at least one bay; write bays too")
    needs = (card.bays - 1) * card.bay_lanes
    if card.carrier == "passive" and needs >= card.lanes:
        here = say.one_of(key, "bays", "bay_lanes", "lanes", "carrier")
        words = (
            f"{card.bays} bays of {card.bay_lanes} lanes without a switch need more than the card's {card.lanes} lanes"
        )
        raise say.wrong(here, words)
    if card.bay_form != "m.2" and card.bay_lengths:
        raise say.wrong(f"{key}.bay_lengths", "only bays for M.2 drives have this, and these are for U.2 drives")
    if say.has(f"{key}.wants_mbps"):
        raise say.wrong(f"{key}.wants_mbps", "a carrier wants what its drives want; leave this out")


def _check_cards_today(say: Say) -> None:
    """Refuse two cards in one slot, and a card in a slot that a wide one hides."""
    held: dict[str, str] = {}
    for number, card in enumerate(say.sheet.cards):
        if card.slot in held:
            words = f"{quoted(card.slot)} holds {quoted(held[card.slot])} already"
            raise say.wrong(f"card[{number}].slot", f"{words}, and a slot takes one card")
        if card.slot is not None:
            held[card.slot] = card.name
    covers = {slot.label: slot.covers for slot in say.sheet.slots}
    for number, card in enumerate(say.sheet.cards):
        hidden = covers[card.slot] if card.slot is not None and card.wide > 1 else ()
        for label in hidden:
            if label in held:
                words = f"{quoted(card.name)} is {card.wide} places wide and hides {quoted(label)}"
                raise say.wrong(f"card[{number}].slot", f"{words}, where {quoted(held[label])} is")


# --- Drives ----------------------------------------------------------------------------------------------------


def _check_drive(say: Say, key: str, drive: DriveSpec) -> None:
    if drive.form != "m.2" and drive.length is not None:
        raise say.wrong(f"{key}.length", "only M.2 drives have a length code, and this is a U.2 drive")
    _check_rate(say, f"{key}.read_mbps", drive.read_mbps, drive)
    _check_rate(say, f"{key}.write_mbps", drive.write_mbps, drive)


def _check_rate(say: Say, key: str, rate: float | None, part: CardSpec | DriveSpec) -> None:
    """Refuse a rate, if the sheet itself gives it, that the part's own link cannot carry."""
    most = lane_mbps(part.generation) * part.lanes
    if rate is not None and rate > most and say.has(key):
        link = f"{describe(part.generation)} x{part.lanes}"
        raise say.wrong(key, f"{mbps(rate)} are more than its own link carries ({mbps(most)} at {link})")


def _check_place(say: Say, key: str, drive: DriveSpec) -> None:
    if drive.card is not None and drive.slot is not None:
        words = f"{quoted(drive.name)} cannot be in a slot and on the card {quoted(drive.card)} at once"
        raise say.wrong(f"{key}.slot", f"{words}; write slot for a drive that a slot holds itself")
    if drive.card is None and drive.bay is not None:
        raise say.wrong(f"{key}.bay", "a bay is one of a card; write card too")
    if drive.stays and drive.card is None and drive.slot is None:
        raise say.wrong(
            f"{key}.stays", f"{quoted(drive.name)} has no place where it could stay; write slot, or card and bay"
        )
    if drive.card is not None:
        say.known(f"{key}.card", drive.card, "card", [card.name for card in say.sheet.cards])
        _check_bay(say, key, drive, next(card for card in say.sheet.cards if card.name == drive.card))
    if drive.slot is not None:
        say.known(f"{key}.slot", drive.slot, "slot", [slot_data.label for slot_data in say.sheet.slots])
        slot = next(slot_data for slot_data in say.sheet.slots if slot_data.label == drive.slot)
        if slot.kind == "card":
            raise say.wrong(
                f"{key}.slot", f"{quoted(slot.label)} takes cards; write the card and bay that the drive is in"
            )
        if slot.kind != drive.form:
            raise say.wrong(
                f"{key}.slot", f"{quoted(slot.label)} takes {slot.kind.upper()} drives, not {drive.form.upper()}"
            )


def _check_bay(say: Say, key: str, drive: DriveSpec, card: CardSpec) -> None:
    if not card.bays:
        raise say.wrong(f"{key}.card", f"{quoted(card.name)} has no bays")
    if drive.bay is not None and drive.bay > card.bays:
        raise say.wrong(
            f"{key}.bay", f"there is no bay {drive.bay}: {quoted(card.name)} has {counted(card.bays, 'bay')}"
        )
    if drive.form != card.bay_form:
        words = f"the bays of {quoted(card.name)} take {card.bay_form.upper()} drives, not {drive.form.upper()}"
        raise say.wrong(f"{key}.card", words)


def _check_drives_today(say: Say) -> None:
    """Refuse two drives in one place, and more drives on a card than it has bays."""
    slots: dict[str, str] = {}
    bays: dict[tuple[str, int], str] = {}
    counts = dict.fromkeys((card.name for card in say.sheet.cards), 0)
    most = {card.name: card.bays for card in say.sheet.cards}
    for number, drive in enumerate(say.sheet.drives):
        if drive.slot is not None:
            before = slots.setdefault(drive.slot, drive.name)
            if before != drive.name:
                raise say.wrong(f"drive[{number}].slot", f"{quoted(drive.slot)} holds {quoted(before)} already")
        if drive.card is None:
            continue
        if drive.bay is not None:
            before = bays.setdefault((drive.card, drive.bay), drive.name)
            if before != drive.name:
                words = f"bay {drive.bay} of {quoted(drive.card)} holds {quoted(before)} already"
                raise say.wrong(f"drive[{number}].bay", words)
        counts[drive.card] += 1
        if counts[drive.card] > most[drive.card]:
            words = f"{quoted(drive.card)} has {counted(most[drive.card], 'bay')}, and more drives are said to be on it"
            raise say.wrong(f"drive[{number}].card", words)


# --- Stripes ---------------------------------------------------------------------------------------------------


def _check_stripes(say: Say) -> None:
    """A drive may be in several stripes, as partitions of it can be; but only once in each."""
    names = [drive.name for drive in say.sheet.drives]
    for number, stripe in enumerate(say.sheet.stripes):
        key = f"stripe[{number}].drives"
        for place, name in enumerate(stripe.drives):
            say.known(f"{key}[{place}]", name, "drive", names)
        say.listed_once(key, stripe.drives)
        least = STRIPE_LEAST[stripe.raid]
        named = f"{len(stripe.drives)} {'is' if len(stripe.drives) == 1 else 'are'} named"
        if len(stripe.drives) < least:
            raise say.wrong(key, f"RAID {stripe.raid} takes at least {least} drives, and {named}")
        if stripe.raid == PAIRS and len(stripe.drives) % 2:
            raise say.wrong(key, f"RAID {PAIRS} takes drives in pairs, and {named}")


def _too_short(lanes: int, connector: int) -> str:
    return f"{lanes} lanes do not fit on a card's edge of size {connector}"
