"""From a placement to links, flows and hops: what each placed drive crosses on its way to the processor.

Reads nothing and judges nothing: whether a card fits its slot, or may take that much power, is settled elsewhere.
Links are (generation, lanes). Keys of hops are "bay of DRIVE" (a drive's own link, also where its slot holds it
itself), "card CARD" (the link that the drives of a switch carrier share) and "uplink NAME".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.throughput import Flow, Hop
from agent.sheets.lanes import slots_with
from agent.sheets.sheet import DrivePlace, Placement
from knowledge.phrasing import slot_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec, Uplink

Link = tuple[int, int]


# --- One card in one slot --------------------------------------------------------------------------------------


def slot_link(slot: SlotSpec, part: CardSpec | DriveSpec) -> Link:
    """Generation and lanes of the link of a card, or of a drive itself (M.2, U.2), in a slot: what both can do."""
    return min(slot.generation, part.generation), min(slot.lanes, part.lanes)


def bays_of(slot: SlotSpec, card: CardSpec) -> tuple[dict[int, int], bool]:
    """The bays (from 1) of a card that work in a slot with their lanes, and whether that takes a split slot.

    Behind a switch all work. A passive carrier gives bay i the lanes from (i - 1) x `bay_lanes` on; a bay works where a
    group of the slot's lanes starts there. Of the ways to split, the one with most bays counts, then most lanes.
    """
    if card.carrier == "none" or not slot.lanes:
        return {}, False
    if card.carrier == "switch":
        return dict.fromkeys(range(1, card.bays + 1), card.bay_lanes), False
    ways = [_bays_split(slot, card, split) for split in ((slot.lanes,), *slot.splits)]
    best = max(ways, key=lambda bays: (len(bays), sum(bays.values())))
    return best, len(best) > 1


def _bays_split(slot: SlotSpec, card: CardSpec, split: tuple[int, ...]) -> dict[int, int]:
    """The bays of a passive carrier that work with one way to split the slot."""
    found = {}
    first = 0
    for group in split:
        bay, beside = divmod(first, card.bay_lanes)
        lanes = min(group, card.bay_lanes, card.lanes - first, slot.lanes - first)
        if not beside and bay < card.bays and lanes > 0:
            found[bay + 1] = lanes
        first += group
    return found


def bay_link(slot: SlotSpec, card: CardSpec, drive: DriveSpec, bay: int | None = None) -> Link:
    """Generation and lanes of a drive's link in a bay (from 1; None: the narrowest one that works there).

    Behind a switch the drive talks to the switch alone; on a passive carrier to the slot. ValueError where the bay
    does not work in this slot.
    """
    bays, _ = bays_of(slot, card)
    if not bays or (bay is not None and bay not in bays):
        raise ValueError(f"bay {bay} of {card.name} does not work in {slot.label}")
    return end_to_end(bay_offers(slot, card, min(bays.values()) if bay is None else bays[bay]), drive)


def bay_offers(slot: SlotSpec, card: CardSpec, lanes: int) -> Link:
    """Generation and lanes that a bay of so many lanes offers to any drive."""
    if card.carrier == "switch":
        return card.generation if card.bay_generation is None else card.bay_generation, lanes
    speed = min(slot.generation, card.generation)
    return speed if card.bay_generation is None else min(speed, card.bay_generation), lanes


def end_to_end(offers: Link, drive: DriveSpec) -> Link:
    """Generation and lanes of the link between a bay and a drive."""
    return min(offers[0], drive.generation), min(offers[1], drive.lanes)


# --- A placement -----------------------------------------------------------------------------------------------


def shifted(sheet: Sheet, placement: Placement) -> int:
    """How many drives stay on their card and change the bay, as the one of today gets no lanes."""
    now = today(sheet)
    pairs = ((now.drives.get(name), place) for name, place in placement.drives.items())
    return sum(was is not None and was != place and was.holder == place.holder for was, place in pairs)


def today(sheet: Sheet) -> Placement:
    """Where the sheet says that everything is now.

    A drive on a card that is not fitted is placed on it all the same, as it moves with it. Where the sheet names a card
    but no bay, the drive has the first bay that no other drive has.
    """
    drives: dict[str, DrivePlace] = {}
    taken = {(drive.card, drive.bay) for drive in sheet.drives}
    for drive in sheet.drives:
        if drive.card is not None:
            bay = drive.bay
            if bay is None:
                bay = next(number for number in range(1, len(taken) + 2) if (drive.card, number) not in taken)
                taken.add((drive.card, bay))
            drives[drive.name] = DrivePlace(drive.card, bay)
        elif drive.slot is not None:
            drives[drive.name] = DrivePlace(drive.slot, None)
    return Placement({card.name: card.slot for card in sheet.cards if card.slot is not None}, drives)


def drives_on(placement: Placement, card: str) -> dict[str, DrivePlace]:
    """The drives in bays of a card, also of bays that do not work; a slot of drives may have the same name."""
    return {name: place for name, place in placement.drives.items() if place.bay is not None and place.holder == card}


def uplinks_of(sheet: Sheet, slot: SlotSpec) -> Iterator[Uplink]:
    """The shared uplinks from a slot to the processor, nearest first."""
    by_name = {uplink.name: uplink for uplink in sheet.uplinks}
    name = slot.uplink
    while name is not None and name in by_name:
        uplink = by_name.pop(name)
        yield uplink
        name = uplink.above


def links(sheet: Sheet, placement: Placement) -> dict[str, Link]:
    """Every link of the build by its key: uplinks, cards that have a link of their own, and drives that work."""
    slots = slots_with(sheet, placement)
    found = {f"uplink {uplink.name}": (uplink.generation, uplink.lanes) for uplink in sheet.uplinks}
    for card in sheet.cards:
        slot = slots.get(placement.cards.get(card.name, ""))
        if slot is not None and slot.lanes and card.carrier != "passive":
            found[f"card {card.name}"] = slot_link(slot, card)
    for drive, link, _, _ in _working(sheet, placement):
        found[f"bay of {drive.name}"] = link
    return found


def flows(sheet: Sheet, placement: Placement) -> tuple[tuple[Flow, ...], dict[str, Hop]]:
    """Every placed drive that works, in the order of the sheet, and every link of the build as a hop by its key.

    A drive in a bay that the slot does not reach, or on a card that is not fitted, does not work.
    """
    payload = sheet.machine.payload_bytes
    hops = {key: Hop(key, speed, lanes, payload) for key, (speed, lanes) in links(sheet, placement).items()}
    found = []
    for drive, _, slot, card in _working(sheet, placement):
        keys = [f"bay of {drive.name}"]
        if card is not None and card.carrier == "switch":
            keys.append(f"card {card.name}")
        keys += [f"uplink {uplink.name}" for uplink in uplinks_of(sheet, slot)]
        found.append(Flow(drive.name, tuple(keys), drive.read_mbps, drive.write_mbps))
    return tuple(found), hops


def _working(sheet: Sheet, placement: Placement) -> Iterator[tuple[DriveSpec, Link, SlotSpec, CardSpec | None]]:
    """The drives that work, with their own link, their slot, and the card they are on (None: the slot itself)."""
    slots = slots_with(sheet, placement)
    cards = {card.name: card for card in sheet.cards}
    for drive in sheet.drives:
        place = placement.drives.get(drive.name)
        if place is None:
            continue
        if place.bay is None:
            slot = slots[place.holder]
            if not slot.lanes:
                continue
            yield drive, slot_link(slot, drive), slot, None
            continue
        card = cards[place.holder]
        label = placement.cards.get(card.name)
        if label is not None and place.bay in bays_of(slots[label], card)[0]:
            yield drive, bay_link(slots[label], card, drive, place.bay), slots[label], card


def key_words(key: str, sheet: Sheet, placement: Placement) -> str:
    """What a hop is called in a sentence: "the link of carrier 1 in SLOT2", "the shared uplink chipset"."""
    kind, _, name = key.partition(" ")
    if kind == "uplink":
        return f"the shared uplink {name}"
    if kind == "card":
        return f"the link of {name} in {slot_words(placement.cards[name])}"
    name = name.removeprefix("of ")
    place = placement.drives[name]
    if place.bay is None:
        return f"the link of {name} in {slot_words(place.holder)}"
    where = f"the link of {name} in bay {place.bay} of {place.holder}"
    slot = placement.cards.get(place.holder)
    passive = any(card.name == place.holder and card.carrier == "passive" for card in sheet.cards)
    return f"{where} in {slot_words(slot)}" if passive and slot is not None else where
