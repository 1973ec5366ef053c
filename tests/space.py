"""The bytes of one PCI function's configuration space, made from the register layouts. Test help only.

What the layouts do not hold (base addresses, list headers, single-root virtualization) is put at the offsets of the
kernel's include/uapi/linux/pci_regs.h.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from knowledge import pcie
from probes.decode import Registers, encode
from tests.parts import BRIDGES, CONVENTIONAL, KINDS, PORTS

if TYPE_CHECKING:
    from knowledge.layout import Layout
    from probes.unread import Unread
    from tests.parts import Function

PAYLOAD_CODES: Final = {128: 0, 256: 1, 512: 2, 1024: 3, 2048: 4, 4096: 5}
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


# --- Configuration space ---------------------------------------------------------------------------------------


def config_space(function: Function) -> bytes:
    """The function's configuration space: 4096 bytes, or 256 for a conventional one."""
    express = function.port_type != CONVENTIONAL
    space = Space(EXTENDED_SIZE if express else SPACE_SIZE)
    _header(space, function)
    space.put(space.capability(0x01, 0x40) + 2, "H", 0x0003)
    space.capability(0x05, 0x50)
    if express:
        space.capability(0x10, 0x70)
        _express(space, function)
    if function.kind in BRIDGES:
        space.put(space.capability(0x0D, 0xC0) + 4, "HH", *function.subsystem)
    if function.has_link:
        _extended(space, function)
    for layout, fields in function.registers.items():
        space.set(layout, **fields)
    return bytes(space.data)


def _header(space: Space, function: Function) -> None:
    code = KINDS[function.kind][0]
    space.put(0x00, "HHHH", function.vendor, function.device, 0x0406, 0x0010)
    space.put(0x08, "I", code << 8 | 0x01)
    bridge = function.kind in BRIDGES
    space.put(0x0E, "B", bridge | (not function.at.endswith(".0")) << 7)
    if bridge:
        bus = int(function.address.split(":")[1], 16)
        space.put(0x18, "BBB", bus, function.secondary, function.subordinate)
    else:
        space.put(0x10, "I", 0xF0000004 | _devfn(function.at) << 16)
        space.put(0x2C, "HH", *function.subsystem)


def _devfn(at: str) -> int:
    """Device and function number in one byte, as registers hold them."""
    device, number = at.split(".")
    return int(device, 16) << 3 | int(number)


def _express(space: Space, function: Function) -> None:
    kind, slot = function.port_type, function.slot
    code = PAYLOAD_CODES[function.payload]
    space.set(
        pcie.PCI_EXPRESS_CAPABILITIES,
        capability_version=function.version,
        device_port_type=kind,
        slot_implemented=int(slot is not None),
    )
    space.set(pcie.DEVICE_CAPABILITIES, max_payload_size_supported=code, role_based_error_reporting=1)
    space.set(
        pcie.DEVICE_CONTROL,
        enable_relaxed_ordering=1,
        enable_no_snoop=1,
        max_payload_size=PAYLOAD_CODES[function.payload_now],
        max_read_request_size=2,
    )
    if function.has_link:
        _link(space, function)
    if kind in PORTS:
        _slot(space, function)


def _link(space: Space, function: Function) -> None:
    assert function.can is not None
    assert function.now is not None
    speed, width = function.can
    port = function.port_type in PORTS
    up = bool(function.below) and function.now[1] > 0
    space.set(
        pcie.LINK_CAPABILITIES,
        max_link_speed=speed,
        maximum_link_width=width,
        active_state_power_management_support=2,
        l1_exit_latency=4,
        aspm_optionality_compliance=1,
        data_link_layer_link_active_reporting_capable=int(port),
        link_bandwidth_notification_capability=int(port),
        surprise_down_error_reporting_capable=int(port),
        clock_power_management=int(not port),
        port_number=_devfn(function.at) if port else 0,
    )
    space.set(pcie.LINK_CONTROL, common_clock_configuration=1, active_state_power_management_control=2)
    space.set(
        pcie.LINK_STATUS,
        current_link_speed=function.now[0],
        negotiated_link_width=function.now[1],
        slot_clock_configuration=1,
        data_link_layer_link_active=int(port and up),
    )
    if function.version >= 2:  # the second version of the capability added the second registers
        vector = function.vector or tuple(range(1, speed + 1))
        space.set(pcie.LINK_CAPABILITIES_2, supported_link_speeds_vector=sum(1 << one - 1 for one in vector))
        space.set(pcie.LINK_CONTROL_2, target_link_speed=function.target or speed)
        done = int(function.now[0] >= 3)  # equalization began with 8 GT/s
        space.set(
            pcie.LINK_STATUS_2,
            equalization_8gt_complete=done,
            equalization_8gt_phase_1_successful=done,
            equalization_8gt_phase_2_successful=done,
            equalization_8gt_phase_3_successful=done,
        )


def _slot(space: Space, function: Function) -> None:
    slot = function.slot
    if slot is None:
        # Presence is hardwired to 1 on ports that lead to no slot: PCI Express Base, Presence Detect State.
        space.set(pcie.SLOT_STATUS, presence_detect_state=1)
        return
    space.set(
        pcie.SLOT_CAPABILITIES,
        physical_slot_number=slot.number,
        slot_power_limit_value=slot.watts if slot.watts < 0xF0 else 0xF0 + (slot.watts - 250) // 25,
        hot_plug_capable=int(slot.hot_plug),
        hot_plug_surprise=int(slot.hot_plug),
        power_controller_present=int(slot.power_controller),
        mrl_sensor_present=int(slot.latch),
    )
    space.set(pcie.SLOT_STATUS, presence_detect_state=int(bool(function.below)))


def _extended(space: Space, function: Function) -> None:
    """The extended capabilities that parts of this speed have."""
    assert function.can is not None
    assert function.now is not None
    port = function.port_type in PORTS
    speed = function.can[0]
    if function.counters is not None:
        space.extended(0x01)
    if function.serial is not None:
        space.extended(0x03)
        space.set(pcie.DEVICE_SERIAL_NUMBER, serial_number=function.serial)
    if port:
        space.extended(0x0D)
    elif not function.kind.endswith("port"):
        space.extended(0x18)
    if function.kind == "root port" and speed >= 3:  # containment came with ports of 8 GT/s
        space.extended(0x1D)
    space.extended(0x1E)
    if function.vendor_specific is not None:
        space.extended(0x0B)
        space.set(pcie.VENDOR_SPECIFIC_HEADER, vsec_id=function.vendor_specific, vsec_revision=1, vsec_length=0x10)
    if function.virtual:
        at = space.extended(0x10)
        total = function.virtual
        space.put(at + 0x08, "HHHHHHHHHH", 1, 0, total, total, total, 0, 8, 1, 0, function.device + 1)
    _physical_layers(space, function, speed)


def _physical_layers(space: Space, function: Function, speed: int) -> None:
    assert function.now is not None
    if speed >= 3:  # 8 GT/s
        space.extended(0x19)
    if speed >= 4:  # 16 GT/s
        space.extended(0x25)
        space.extended(0x26)
        space.extended(0x27)
        if function.now[0] >= 4:  # 16 GT/s
            space.set(pcie.STATUS_16GT, **_EQUALIZED)
    if speed >= 5:  # 32 GT/s
        space.extended(0x2A)
        if function.now[0] >= 5:  # 32 GT/s
            space.set(pcie.STATUS_32GT, **_EQUALIZED)


_EQUALIZED: Final = {
    "equalization_complete": 1,
    "phase_1_successful": 1,
    "phase_2_successful": 1,
    "phase_3_successful": 1,
}
