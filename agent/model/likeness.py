"""How alike two parts are by what was read of them: yes, no, or (None) not to be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.facts import PciFunction

    Both = tuple[object, object]


def same(reading: object, other: object) -> bool | None:
    """Whether two readings are the same; None where one is not known."""
    return None if reading is None or other is None else reading == other


def is_one(serials: Both, others: Iterable[Both]) -> bool | None:
    """Whether two parts are one: by their serial numbers where both tell them, else by whatever else both tell."""
    by_serial = same(*serials)
    if by_serial is not None:
        return by_serial
    told = [answer for answer in (same(*pair) for pair in others) if answer is not None]
    return all(told) if told else None


def number_pair(vendor: object, device: object) -> str | None:
    """Two numbers as people write them, "f1c4:3110"; None where one was not read."""
    return f"{vendor:04x}:{device:04x}" if isinstance(vendor, int) and isinstance(device, int) else None


def pci_id(function: PciFunction) -> str | None:
    """Maker and model number of a function, None where they were not read."""
    return number_pair(function.vendor_id, function.device_id)
