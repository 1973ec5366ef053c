"""Where functions sit whose own link could not be followed, by what others tell. Loaded only where that happens.

All functions of a bus hang below the same bridge, the one whose secondary bus it is; a bus that is no bridge's is a
root bus. Source: PCI-to-PCI Bridge Architecture 1.2, Secondary and Subordinate Bus Number Registers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from probes.facts import PciFunction

BRIDGES: Final = frozenset({0x0604, 0x0607})  # PCI to PCI, PCI to CardBus


def placed(found: Sequence[PciFunction], troubles: dict[str, list[Unread]]) -> list[PciFunction]:
    """The same, with parent and root bus where they follow; in `troubles` a link that nobody misses is a minor one."""
    buses = _Buses(found)
    made = []
    for pci_function in found:
        followed = buses.above(pci_function) if isinstance(pci_function.root, Unread) else None
        if followed is None:
            made.append(pci_function)
            continue
        made.append(replace(pci_function, parent=followed[0], root=followed[1]))
        key = f"link /sys/bus/pci/devices/{pci_function.address}"
        troubles[pci_function.address] = [
            lost.minor if lost.what == key else lost for lost in troubles[pci_function.address]
        ]
    return made


class _Buses:
    """Where each bus hangs, by functions whose links could be followed, and by bridges."""

    def __init__(self, found: Sequence[PciFunction]) -> None:
        self._told: dict[str, tuple[str | None, str]] = {}
        self._bridged: dict[str, tuple[str | None, str]] = {}
        self._dark: set[str] = set()
        for pci_function in found:
            # A virtual function may have a bus number that lies past its port's own bus.
            if (
                isinstance(pci_function.root, str)
                and not isinstance(pci_function.parent, Unread)
                and pci_function.physical_function is None
            ):
                self._told[_bus(pci_function.address)] = pci_function.parent, pci_function.root
            if _is_bridge(pci_function):
                self._add(pci_function)

    def _add(self, bridge: PciFunction) -> None:
        """Note the bus below a bridge; a domain with a bridge that does not tell its bus is in the dark."""
        domain = bridge.address.split(":")[0]
        below = bridge.registers.read(pcie.SECONDARY_BUS_NUMBER, "secondary_bus_number")
        if isinstance(below, Unread) or isinstance(bridge.root, Unread):
            self._dark.add(domain)
        if isinstance(below, int) and isinstance(bridge.root, str):
            self._bridged[f"{domain}:{below:02x}"] = bridge.address, bridge.root

    def above(self, lost: PciFunction) -> tuple[str | None, str] | None:
        """Parent and root bus of a function whose own link could not be followed, None where they do not follow."""
        bus = _bus(lost.address)
        found = self._told.get(bus) or self._bridged.get(bus)
        if found is not None or bus.split(":")[0] in self._dark - {_domain_of_bridge(lost)}:
            return found
        return None, f"pci{bus}"


def _domain_of_bridge(function: PciFunction) -> str:
    """The domain of a function that is a bridge itself: its own bus cannot lie below it."""
    return function.address.split(":")[0] if _is_bridge(function) else ""


def _is_bridge(function: PciFunction) -> bool:
    """Whether it is a bridge, or may be one."""
    return not isinstance(function.class_code, int) or function.class_code >> 8 in BRIDGES


def _bus(address: str) -> str:
    """Domain and bus of an address."""
    return address.rpartition(":")[0]
