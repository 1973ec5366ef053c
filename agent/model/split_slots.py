"""Slots of the board, and which ports are parts of one slot that is split, as far as the machine tells. Judges nothing.

Firmware gives unlike slots one number or address now and then: ports are one slot only where more speaks for it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from agent.model.grouping import grouped
from agent.model.machine import REGISTRY_NAME, device_place, is_bridge
from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping, Sequence

    from agent.model.judged import Judged
    from agent.model.machine import Link, Machine
    from probes.facts import BoardSlot, PciFunction

    Parts = Sequence[Judged]

# Lanes of the slots that are split (common practice); smaller ones hold one drive.
SPLIT_LANES: Final = frozenset({8, 16})


def is_board_slot(machine: Machine, link: Link) -> bool:
    """Whether this is a slot of the board, not a bay on a carrier or a device without a slot.

    Where the firmware describes the board's slots, only those count.
    """
    if link.port is None or link.slot is None:
        return False
    if link.slot.board is not None:
        return True
    if machine.facts.described:
        return False
    return machine.kinds.get(link.port.address) == pcie.ROOT_PORT


def alike(machine: Machine, links: Iterable[Judged]) -> list[list[Judged]]:
    """The ports of the board's slots, those together that are named as one, by address; most slots have but one."""
    groups = grouped((_key(judged.link), judged) for judged in links if is_board_slot(machine, judged.link))
    return [sorted(group, key=by_port) for key, group in groups.items() if key is not None]


def by_port(judged: Judged) -> str:
    """The address of a link's port, to sort by."""
    return judged.link.key


def _key(link: Link) -> Hashable:
    """What ports of one slot have in common: the firmware's description, a name, a number. None: nothing is known."""
    port, slot = link.port, link.slot
    if port is None or slot is None or link.onboard:
        return None
    if slot.board is not None:
        return (_bus(port.address), id(slot.board))
    if slot.source == REGISTRY_NAME:
        return (_bus(port.address), slot.name)
    number = _number(port)
    return (device_place(port.address), number) if isinstance(number, int) and number else None


def _bus(address: str) -> str:
    """The bus that a port is on: ports of one slot hang below one bridge, or on one root bus."""
    return device_place(address).rpartition(":")[0] + address[len(address.partition("@")[0]) :]


def _number(port: PciFunction) -> int | Unread:
    """The number of the slot below a port, 0 where it has none."""
    return port.registers.read(pcie.SLOT_CAPABILITIES, "physical_slot_number")


def source(parts: Parts) -> str:
    """What says that these ports are one slot."""
    slot = parts[0].link.slot
    if slot is not None and (slot.board is not None or slot.source == REGISTRY_NAME):
        return slot.source
    return "Slot Capabilities: Physical Slot Number"


def is_one_slot(machine: Machine, parts: Parts) -> bool:
    """Whether ports that are named alike are the parts of one slot.

    Addresses of peers that the firmware gives are believed unless something contradicts them. Numbers are believed
    where the lanes of the ports add up to those of the slot; where the firmware does not describe the slot, to those of
    a slot that is split, at functions of one device in a row.
    """
    board, total = parts[0].link.board, _lanes(parts)
    if board is not None and _contradicted(machine, board, parts):
        return False
    if board is not None and board.peers:
        most = max(board.wired_lanes, board.connector_lanes)
        return most == 0 or total <= most
    if any(part.port_can is None for part in parts):
        return False
    if board is not None:
        return total == board.wired_lanes
    return source(parts) == REGISTRY_NAME or (total in SPLIT_LANES and _in_a_row(parts))


def _lanes(parts: Parts) -> int:
    """The lanes of all these ports together, as far as they are known."""
    return sum(part.port_can.width for part in parts if part.port_can is not None)


def _contradicted(machine: Machine, board: BoardSlot, parts: Parts) -> bool:
    """Whether a port bears the number of another slot that the firmware describes: then an address is out of date."""
    others = {slot.slot_id for slot in machine.facts.described if slot is not board}
    numbers = {_number(part.link.port) for part in parts if part.link.port is not None}
    return not (numbers - {board.slot_id, 0}).isdisjoint(others)


def _in_a_row(parts: Parts) -> bool:
    """Whether ports of one device are functions that follow each other, as those of a split slot do."""
    numbers = [(part.port_address or "").rpartition(".")[2] for part in parts]
    return all(
        number.isdecimal() and other.isdecimal() and int(other) - int(number) == 1
        for number, other in pairwise(numbers)
    )


def maybe_ports(machine: Machine) -> dict[str, list[PciFunction]]:
    """By bus, the functions of it that are bridges or may be."""
    return grouped(
        (_bus(function.address), function)
        for function in machine.functions.values()
        if is_bridge(function) or isinstance(function.class_code, Unread)
    )


def further(
    machine: Machine, parts: Parts, maybe_ports: Mapping[str, Sequence[PciFunction]]
) -> tuple[tuple[PciFunction, ...], Unread | None]:
    """Ports (of `maybe_ports`) that may be more parts of a slot of which lanes are missing, and why nobody knows."""
    board, port = parts[0].link.board, parts[0].link.port
    if port is None or (len(parts) == 1 if board is None else _lanes(parts) >= board.wired_lanes):
        return (), None
    known = {part.port_address for part in parts}
    beside = [function for function in maybe_ports.get(_bus(port.address), ()) if function.address not in known]
    if board is not None and board.peers:  # those are found by the bus below them
        asked = [(function, _bus_below(function)) for function in beside if function.address not in machine.below]
    else:
        near = device_place(port.address)
        asked = [(function, _number(function)) for function in beside if device_place(function.address) == near]
    silent = [(function, told) for function, told in asked if isinstance(told, Unread)]
    return tuple(function for function, _ in silent), silent[0][1] if silent else None


def _bus_below(port: PciFunction) -> int | Unread:
    return port.registers.read(pcie.SECONDARY_BUS_NUMBER, "secondary_bus_number")
