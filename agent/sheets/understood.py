"""What a build sheet says, in a few lines for whoever has just answered its questions. Words only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge.phrasing import counted, listed, mbps, plain, quantity, slot_words
from knowledge.rates import describe

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.expected import Need
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec


def understood(sheet: Sheet) -> Iterator[str]:
    """One line for each thing of a sheet, under headings that end in a colon."""
    uplinks = [f"{link.name}: {describe(link.generation)} x{link.lanes}" for link in sheet.uplinks]
    for heading, lines in (
        ("Links that slots share", uplinks),
        ("Slots", [slot_line(slot) for slot in sheet.slots]),
        ("Cards", [_card(card) for card in sheet.cards]),
        ("Drives", [_drive(drive) for drive in sheet.drives]),
        ("Sets", [f"{one.name}: RAID {one.raid} of {listed(one.drives, most=6)}" for one in sheet.stripes]),
        ("Needs", [_need(need) for need in sheet.needs]),
    ):
        if lines:
            yield f"{heading}:"
            yield from (f"  {plain(line)}" for line in lines)


def slot_line(slot: SlotSpec) -> str:
    """A slot in one line."""
    said = [f"{quantity(slot.lanes, 'lane')} of {describe(slot.generation)}"]
    if slot.kind == "card":
        said[:0] = [f"x{slot.connector} connector{' with an open end' if slot.open_end else ''}"]
        said.append("splits " + listed(("+".join(map(str, way)) for way in slot.splits), "or") if slot.splits else "")
    else:
        said[:0] = [f"{slot.kind.upper()} socket"]
    said.append(f"at most {slot.power_watts:g} W" if slot.power_watts is not None else "")
    said.append(f"behind {slot.uplink}" if slot.uplink is not None else "")
    said += [
        f"{quantity(one.lanes, 'lane') if one.lanes else 'no lanes'} while {listed(one.filled)}"
        f" {'is' if len(one.filled) == 1 else 'are'} filled"
        for one in slot.lanes_while
    ]
    said.append(f"hides {listed(slot.covers)} below a wide card" if slot.covers else "")
    return f"{slot.label}: {', '.join(word for word in said if word)}"


def _card(card: CardSpec) -> str:
    bays = f"{counted(card.bays, 'bay')} {'behind a switch' if card.carrier == 'switch' else 'without a switch'}"
    said = [
        f"{describe(card.generation)} x{card.lanes}",
        bays if card.bays else "",
        f"{card.wide} places wide" if card.wide > 1 else "",
        "to be fitted" if card.slot is None else f"in {slot_words(card.slot)}",
        "stays there" if card.stays else "",
    ]
    return f"{card.name}: {', '.join(word for word in said if word)}"


def _drive(drive: DriveSpec) -> str:
    if drive.slot is not None:
        place = f"in {slot_words(drive.slot)}"
    elif drive.card is not None:
        place = f"on {drive.card}" if drive.bay is None else f"in bay {drive.bay} of {drive.card}"
    else:
        place = "to be fitted"
    rate = f"reads {mbps(drive.read_mbps)}, " if drive.read_mbps is not None else ""
    link = f"{drive.form.upper()}, {describe(drive.generation)} x{drive.lanes}"
    return f"{drive.name}: {link}, {rate}{place}{', stays there' if drive.stays else ''}"


def _need(need: Need) -> str:
    of = need.stripe or listed((*need.drives, *need.cards), most=6)
    asked = [
        f"reads {mbps(need.read_mbps)}" if need.read_mbps is not None else "",
        f"writes {mbps(need.write_mbps)}" if need.write_mbps is not None else "",
        "not behind a switch" if need.not_behind_switch else "",
        "not on a split slot" if need.not_on_split else "",
        f"in {slot_words(need.in_slot)}" if need.in_slot is not None else "",
    ]
    return f"{need.name}: {of}, {', '.join(word for word in asked if word)}"
