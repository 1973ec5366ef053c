"""Why a part of a build sheet could not be seen, where a reading failed: it is then neither missing nor in its place.

Finds reasons, says what became of no part: `agent/model/sheet_matching.py` does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model import unseen_parts
from agent.model.expected import named
from agent.model.upwards import upwards
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.model.sheet_parts import CardMatch, DriveMatch, FittedDrive
    from probes.facts import Drive


class Unseen:
    """What of a machine could not be read, as far as it hides parts. `functions` and `drives` are of their lists.

    `slots` is why a slot may be called what no slot was seen to be called.
    """

    def __init__(self, machine: Machine, judged: Iterable[Judged]) -> None:
        """Look through the facts once."""
        facts = machine.facts
        self._functions = machine.functions
        hanging = (
            of(f"where {pci_function.address} is connected", reading)
            for pci_function in unseen_parts.placeless(facts.functions)
            for reading in (pci_function.parent, pci_function.physical_function)
            if isinstance(reading, Unread)
        )
        self.functions = facts.gap("functions") or next(hanging, None)
        self.drives = unseen_parts.drives(facts)
        kernel = (kernel_slot.address for kernel_slot in facts.kernel_slots if isinstance(kernel_slot.address, Unread))
        numbers_lost = (link.link.slot_lost for link in judged if link.link.slot_lost is not None)
        number = next((unread for unread in numbers_lost if unread.failed), None)
        self.slots = unseen_parts.missed(facts.board_slots) or facts.gap("slots") or next(kernel, None) or number

    def way(self, chain: Sequence[Judged]) -> Unread | None:
        """Why a link may have more links above it than were seen."""
        if not chain:
            return None
        last = chain[-1].link
        if last.port is None:
            return last.port_lost
        for function in upwards(self._functions.get(last.port.address), self._functions):
            if isinstance(function.parent, Unread):
                return of(f"where {function.address} is connected", function.parent)
        return None

    def drive(self, drive: Drive | None) -> Unread | None:
        """Why it is not known which drive, or none, answers at a link, or where a drive is."""
        if drive is None:
            return self.drives
        if isinstance(drive.address, Unread):
            return of(f"where {drive.name} is connected", drive.address)
        model = unseen_parts.missed(drive.model)
        return None if model is None else of(f"model of {drive.name}", model)


def hidden(links: Iterable[Judged]) -> Unread | None:
    """Why one of these links may hold a drive, or anything, though none was seen there."""
    for link in links:
        device = link.link.device
        if link.link.below_lost is not None:
            return link.link.below_lost
        if link.link.slot_lost is not None and link.link.slot_lost.failed:
            return link.link.slot_lost  # a part of the slot or none: how its parts count is not known
        if device is not None and isinstance(device.class_code, Unread) and not link.link.driven:
            return of(f"class code of {device.address}", device.class_code)
    return None


def numbers(judged: Judged) -> Unread | None:
    """Why the maker and model number of what answers below a link are not known."""
    device = judged.link.device
    if device is None:
        return None
    unread = unseen_parts.missed(device.vendor_id) or unseen_parts.missed(device.device_id)
    return None if unread is None else of(f"maker and model number of {device.address}", unread)


def of_card(card: CardMatch) -> Unread | None:
    """Why it is not known that a card in its place is the sheet's."""
    return numbers(card.found) if card.found is not None and card.card.pci_id is not None else None


def of_drive(match: DriveMatch, found: FittedDrive) -> Unread | None:
    """Why it is not known that a drive in its place is the sheet's: what the sheet names it by could not be read."""
    drive, serial = found.drive, named(match.drive.serial)
    if serial is not None and found.serial == serial:
        return None
    if drive is None:
        return found.lost if serial is not None or match.drive.model is not None else None
    unread = unseen_parts.missed(drive.serial) if serial is not None else None
    if unread is not None:
        return of(f"serial number of {drive.name}", unread)
    return found.lost if match.drive.model is not None else None
