"""The bytes of one PCI function's configuration space, made from the register layouts. Test help only.

What the layouts do not hold (base addresses, list headers, single-root virtualization) is put at the offsets of the
kernel's include/uapi/linux/pci_regs.h.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from probes.decode import Registers, encode

if TYPE_CHECKING:
    from knowledge.layout import Layout
    from probes.unread import Unread

HEADER_SIZE: Final = 0x40
SPACE_SIZE: Final = 0x100
EXTENDED_SIZE: Final = 0x1000
CAPABILITY_POINTER: Final = 0x34
STATUS: Final = 0x06
CAPABILITY_LIST: Final = 0x10

# Version and bytes of each extended capability as laid out here (16 lanes where it counts by lane).
EXTENDED: Final[dict[int, tuple[int, int]]] = {
    0x01: (2, 0x48),  # Advanced Error Reporting
    0x03: (1, 0x0C),  # Device Serial Number
    0x0B: (1, 0x10),  # Vendor-Specific
    0x0D: (1, 0x08),  # Access Control Services
    0x10: (1, 0x40),  # Single Root I/O Virtualization
    0x18: (1, 0x08),  # Latency Tolerance Reporting
    0x19: (1, 0x2C),  # Secondary PCI Express
    0x1D: (1, 0x10),  # Downstream Port Containment
    0x1E: (1, 0x10),  # L1 PM Substates
    0x25: (1, 0x0C),  # Data Link Feature
    0x26: (1, 0x30),  # Physical Layer 16.0 GT/s
    0x27: (1, 0x48),  # Lane Margining at the Receiver
    0x2A: (1, 0x30),  # Physical Layer 32.0 GT/s
}


class Space:
    """Configuration space under construction; `size` is 256 or 4096 bytes."""

    def __init__(self, size: int) -> None:
        """All zero at first."""
        self.data = bytearray(size)
        self._places: dict[str, int] = {"header": 0}
        self._last: int | None = None
        self._last_extended: int | None = None
        self._free = SPACE_SIZE

    def put(self, offset: int, form: str, *numbers: int) -> None:
        """Little-endian numbers at `offset`, by a form of the `struct` module."""
        struct.pack_into(f"<{form}", self.data, offset, *numbers)

    def capability(self, identifier: int, offset: int) -> int:
        """Add a capability at `offset` to the list and give the offset."""
        self.put(offset, "BB", identifier, 0)
        self.data[CAPABILITY_POINTER if self._last is None else self._last + 1] = offset
        self.data[STATUS] |= CAPABILITY_LIST
        self._last = offset
        self._places.setdefault(f"capability {identifier:02X}", offset)
        return offset

    def extended(self, identifier: int) -> int:
        """Add an extended capability after the last one and give its offset."""
        version, size = EXTENDED[identifier]
        place = self._free
        self.put(place, "I", identifier | version << 16)
        if self._last_extended is not None:
            (head,) = struct.unpack_from("<I", self.data, self._last_extended)
            self.put(self._last_extended, "I", head | place << 20)
        self._last_extended = place
        self._free = place + size
        self._places.setdefault(f"extended {identifier:04X}", place)
        return place

    def set(self, layout: Layout, **fields: int) -> None:
        """Set fields of a register; what is not named stays as it is. KeyError if the capability is missing."""
        start = self._places[layout.home] + layout.offset
        end = start + layout.size
        self.data[start:end] = encode(layout, fields, bytes(self.data[start:end]))


def rewritten(config: bytes, layout: Layout, **fields: int) -> bytes:
    """The same configuration space with fields of one register set anew."""
    start = layout.offset if layout.home == "header" else Registers(config).places[layout.home] + layout.offset
    end = start + layout.size
    return config[:start] + encode(layout, fields, config[start:end]) + config[end:]


def field(config: bytes, layout: Layout, name: str) -> int | Unread:
    """One field of one register."""
    return Registers(config).read(layout, name)
