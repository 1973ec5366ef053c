"""What a build sheet expects of the machine it is held against, and whether it is the sheet of this machine at all.

Works out links and rates by the one throughput model; the rules hold the machine against them. Reads nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import asdict

from agent.model.expected import (
    CardExpected,
    DriveExpected,
    Expectations,
    LanesExpected,
    NeedExpected,
    as_written,
    named,
)
from agent.model.likeness import same
from agent.model.throughput import alone, together
from agent.sheets.lanes import filled, slots_with
from agent.sheets.paths import flows, links, slot_link, today
from agent.sheets.places import LONGEST_LABEL, harmless
from agent.sheets.sheet import fail
from probes.tokens import Known, is_word_token

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.expected import Need
    from agent.model.throughput import Share
    from agent.sheets.sheet import DrivePlace, DriveSpec, Sheet
    from probes.facts import Facts

Limits = tuple[float | None, float | None]


def expected(sheet: Sheet) -> Expectations:
    """What should be fitted where, with which links and rates.

    Parts that the sheet does not place are not expected; where it places nothing at all, it only lists what should be
    fitted, and every part is expected anywhere.
    """
    placement = today(sheet)
    anywhere = not placement.cards and not placement.drives
    found, hops = flows(sheet, placement)
    one = {flow.name: alone(flow, hops) for flow in found}
    at_once = together(found, hops)
    has = links(sheet, placement)
    slots = slots_with(sheet, placement)
    cards = []
    for card in sheet.cards:
        slot = slots[placement.cards[card.name]] if card.name in placement.cards else None
        if slot is None and not anywhere:
            continue
        link = None if slot is None or not slot.lanes or card.carrier == "passive" else slot_link(slot, card)
        port = slot.port if slot is not None else None
        cards.append(
            CardExpected(
                name=card.name,
                slot=slot.label if slot is not None else None,
                port=port,
                pci_id=card.pci_id,
                carrier=card.carrier,
                bays=card.bays,
                link=link,
            )
        )
    placed = {card.name for card in cards}
    drives = []
    for drive in sheet.drives:
        place = placement.drives.get(drive.name)
        if not anywhere and (place is None or (place.bay is not None and place.holder not in placed)):
            continue
        drives.append(
            _drive(drive, place, has.get(f"bay of {drive.name}"), one.get(drive.name), at_once.get(drive.name))
        )
    ports = {slot.label: slot.port for slot in sheet.slots if slot.port is not None}
    needs = tuple(_need(sheet, need) for need in sheet.needs)
    return Expectations(
        source=sheet.source,
        ports=ports,
        cards=tuple(cards),
        drives=tuple(drives),
        needs=needs,
        lanes={
            slot.label: LanesExpected(slot.lanes, tuple((one.filled, one.lanes) for one in slot.lanes_while))
            for slot in sheet.slots
            if slot.lanes_while
        },
        filled=filled(placement),
    )


def _drive(
    drive: DriveSpec, place: DrivePlace | None, link: tuple[int, int] | None, share: Share | None, at_once: Share | None
) -> DriveExpected:
    in_bay = place is not None and place.bay is not None
    return DriveExpected(
        name=drive.name,
        card=place.holder if place is not None and in_bay else None,
        bay=place.bay if place is not None else None,
        slot=place.holder if place is not None and not in_bay else None,
        model=drive.model,
        serial=drive.serial,
        link=link,
        alone=share.span if share is not None else None,
        together=at_once.span if at_once is not None else None,
    )


def _need(sheet: Sheet, need: Need) -> NeedExpected:
    stripe = next((spec for spec in sheet.stripes if spec.name == need.stripe), None)
    if stripe is None:
        return NeedExpected(**asdict(need))
    return NeedExpected(**{**asdict(need), "raid": stripe.raid, "drives": stripe.drives})


# --- The drives of the machine -----------------------------------------------------------------------------------


def limits(sheet: Sheet, audit: Audit) -> dict[str, Limits]:
    """The sheet's own limits (read, write), MB/s, of the drives that are fitted, by their names there.

    A drive is known by its serial number, else by its place, else by its model: by these two only where all drives of
    the sheet that it could be have the same limits. Drives without limits are left out.
    """
    found = {}
    for seen in audit.drives:
        if seen.drive.kind != "nvme":
            continue
        one = _limits_of(sheet, audit, seen)
        if one is not None and one != (None, None):
            found[seen.drive.name] = one
    return found


def _limits_of(sheet: Sheet, audit: Audit, seen: DriveSeen) -> Limits | None:
    serial, model = as_written(seen.drive.serial), as_written(seen.drive.model)
    compared = [(drive, same_serial(drive.serial, serial)) for drive in sheet.drives]
    if any(is_it for _, is_it in compared):
        return _agreed(drive for drive, is_it in compared if is_it)
    maybe = [drive for drive, is_it in compared if is_it is None]
    holders = _holders(sheet, audit, seen)
    here = [drive for drive in maybe if (drive.card if drive.card is not None else drive.slot) in holders]
    here = [drive for drive in here if same(drive.model, model) is not False]
    return _agreed(here) or _agreed(drive for drive in maybe if same(drive.model, model))


def same_serial(written: str | None, read: str | None) -> bool | None:
    """Whether a serial number of a sheet is the one that was read; either may be the token of a redacted capture.

    None where it cannot be told, as one of them is missing.
    """
    if written is not None and read is not None and is_word_token(written) != is_word_token(read):
        written, read = (Known().word(serial, remember=False) for serial in (written, read))
    return same(written, read)


def _holders(sheet: Sheet, audit: Audit, seen: DriveSeen) -> set[str]:
    """The slot that a fitted drive hangs on, by the sheet's label, and the carriers that the sheet has in it."""
    labels = {slot.label for slot in sheet.slots if slot.port in seen.path}
    if not labels:  # a port of a split slot other than its first, or a sheet that names no ports
        here = (audit.by_key[key].link.slot for key in seen.path)
        names = {harmless(slot.name, LONGEST_LABEL) for slot in here if slot is not None}
        labels = {slot.label for slot in sheet.slots if slot.label in names}
    return labels | {card.name for card in sheet.cards if card.slot in labels}


def _agreed(drives: Iterable[DriveSpec]) -> Limits | None:
    """The limits of all of these drives, None where they differ or there are none."""
    found = {(drive.read_mbps, drive.write_mbps) for drive in drives}
    return found.pop() if len(found) == 1 else None


# --- The machine itself ------------------------------------------------------------------------------------------


def same_machine(sheet: Sheet, facts: Facts) -> None:
    """Refuse (BadInput) a sheet that was made for another machine, by what both tell of product, board and name."""
    host, spec = facts.host, sheet.machine
    for key, what, wanted, actual in (
        ("product", "product", spec.product, named(host.product)),
        ("board", "board", spec.board, named(host.board)),
        ("name", "machine", spec.name, named(host.name)),
    ):
        if wanted is None or actual is None or is_word_token(wanted) or wanted.casefold() == actual.casefold():
            continue
        raise fail(
            sheet,
            f"machine.{key}",
            f'the sheet is for the {what} "{harmless(wanted, LONGEST_LABEL)}",'
            f' and this is "{harmless(actual, LONGEST_LABEL)}"; take the sheet of this machine',
        )
