"""Why a part of the topology could not be told: a port, what is below it, its slot. None where the machine told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge import pcie
from probes.decode import NOT_GIVEN, NOT_OFFERED
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from probes.facts import Facts, PciFunction

# What tells whether a card sits in a slot.
TELLS_OF_SLOTS: Final = "a register of its port, or a name that firmware or kernel give it, would tell"
HIDDEN: Final = Unread("its port", "not visible from here")


def missed(reading: object) -> Unread | None:
    """A reading that was tried and failed, or is given to the super-user alone; what is never given was not missed."""
    return reading if isinstance(reading, Unread) and (reading.failed or reading.needs_root) else None


def drives(facts: Facts) -> Unread | None:
    """Why there may be more NVMe drives than were seen, or drives of which nobody knows where they hang."""
    listed = next((gap.why for gap in facts.gaps if gap.of == "drives" and gap.kind != "disk"), None)
    if listed is not None:
        return listed
    for drive in facts.drives:
        if drive.kind == "nvme" and isinstance(drive.address, Unread):
            return of(f"where {drive.name} is connected", drive.address)
    return None


def placeless(functions: Iterable[PciFunction]) -> tuple[PciFunction, ...]:
    """The functions of which nobody can tell below which port they are, or whether they are cards of their own."""
    return tuple(
        function
        for function in functions
        if isinstance(function.physical_function, Unread)
        or (function.physical_function is None and isinstance(function.parent, Unread))
    )


def below(port: PciFunction, bus: str, anywhere: Iterable[PciFunction], facts: Facts) -> Unread | None:
    """Why a function may answer below a port though none was seen there: one whose own place could not be read.

    `bus` is the domain and number of the bus below the port, "" where it is not known; `anywhere` are the `placeless`.
    """
    for function in anywhere:
        if isinstance(function.parent, Unread):
            if bus in {"", function.address.rpartition(":")[0]}:
                return of(f"whether {function.address} is below {port.address}", function.parent)
        elif function.parent == port.address and isinstance(function.physical_function, Unread):
            what = f"whether {function.address} is a card of its own or a virtual function"
            return of(what, function.physical_function)
    return facts.gap("functions")


def port(function: PciFunction, functions: Mapping[str, PciFunction], kinds: Mapping[str, int | None]) -> Unread | None:
    """Why the port above a function is not known, though it may be there."""
    parent = function.parent
    if isinstance(parent, str) and parent in functions and kinds[parent] is None:
        parent = functions[parent].parent
    return of(f"where {function.address} is connected", parent) if isinstance(parent, Unread) else None


def named(*functions: PciFunction) -> Unread | None:
    """Why what the platform calls the slot of a port or a card could not be read, though it has a name for it."""
    names = (function.slot_name for function in functions)
    told = next((name for name in names if isinstance(name, Unread) and name.why != NOT_GIVEN), None)
    return None if told is None else of(f"which slot {functions[-1].address} sits in", told)


def slot(port: PciFunction) -> Unread | None:
    """Why nobody can tell whether a port without a slot's name leads to a slot: the port tells it (Slot Implemented).

    That no slot of the firmware's list matches says little, as it may be matched by the number in the port alone.
    """
    told = port.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented")
    if isinstance(told, Unread):
        return None if told.why == NOT_OFFERED else of(f"whether {port.address} leads to a slot", told)
    number = port.registers.read(pcie.SLOT_CAPABILITIES, "physical_slot_number")
    return of(f"which slot {port.address} leads to", number) if told and isinstance(number, Unread) else None
