"""Makes invented Darwin machines for tests: an I/O Registry, and what its printer gives of it as property lists.

A machine is what its hardware is: PCI functions on host bridges, each with what the kernel hangs below it, and drives.
`Tower.answers` prints it as the registry printer of the system would, for each question of the probe. What a release
of the system writes down, and what it leaves out, is in `Release`. Register bits are put together here by hand, not
with the tables of `knowledge`, so that a fault in those shows.

Sources: the open sources of the system: IOPCIFamily (which keys a PCI device has, and since when), IOKitUser (signed
numbers). Bits: PCI Express Base Specification. The printer and the drives are in `tests/registry_entries.py`.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from msgspec import Struct, field

from tests.registry_entries import Entry, Properties, number_entries, subtrees, whole

if TYPE_CHECKING:
    from collections.abc import Iterator

Rate = tuple[int, int]

# Device/Port Type (PCI Express Base, PCI Express Capabilities Register, bits 7:4).
ENDPOINT: Final = 0x0
LEGACY_ENDPOINT: Final = 0x1
ROOT_PORT: Final = 0x4
UPSTREAM: Final = 0x5
DOWNSTREAM: Final = 0x6
TO_PCI: Final = 0x7
INTEGRATED: Final = 0x9

EMPTY_PORT: Final = (1, 4)  # "x4 at 2.5 GT/s": what most ports without a child read
_SIGN: Final = 0x80000000


class Release(Struct, frozen=True, kw_only=True):
    """What a release of the system writes down. `kernel` is the version of its kernel, whose major number counts."""

    kernel: str

    @property
    def major(self) -> int:
        """The kernel's major number: 10 is release 10.6, 13 is 10.9, 22 is 13, 25 is 26."""
        return int(self.kernel.partition(".")[0])

    @property
    def port_types(self) -> bool:
        """Whether PCI Express Capabilities, Slot Capabilities and Slot Status are written; names are data then."""
        return self.major >= 13

    @property
    def debug(self) -> bool:
        """Whether `pcidebug` is written."""
        return self.major >= 12

    @property
    def zero_capabilities(self) -> bool:
        """Whether a device without PCI Express has Link Capabilities too, which read 0."""
        return self.major >= 22

    @property
    def live(self) -> bool:
        """Whether the link status may be read live, and Link Capabilities 2 and Device Capabilities are written."""
        return self.major >= 25


class Pci(Struct, kw_only=True):
    """A PCI function and what hangs below it.

    `at` is (bus, device, function); `buses` the secondary and subordinate bus of a bridge. `port` is its Device/Port
    Type, None for conventional PCI. `can` and `now` are (generation, lanes); `status` is what is written in place of
    the status that `now` would give. `slot` is the physical slot number where a slot is implemented; `present` its
    presence bit. `number` is the port number in Link Capabilities: from 128 on the register is negative as printed.
    `power_controller` tells that the slot has one, `latched` are bits of Slot Status that events have set.
    `drivers` are the entries of drivers below it, that are no PCI functions.
    """

    at: tuple[int, int, int]
    name: str
    code: int
    vendor: int = 0xF1A0
    device: int = 0x0100
    subsystem: tuple[int, int] | None = None
    revision: int = 1
    port: int | None = None
    can: Rate | None = None
    now: Rate | None = None
    status: object = None
    buses: tuple[int, int] | None = None
    slot: int | None = None
    present: bool = False
    power_controller: bool = False
    latched: int = 0
    number: int = 0
    reports_active: bool = False
    hot_plug: int = 0
    slot_name: str | None = None
    model: str | None = None
    tunnelled: bool = False
    override: int | None = None
    kind: str = "IOPCIDevice"
    below: list[Pci] = field(default_factory=list)
    drivers: list[Entry] = field(default_factory=list)
    id: int = 0


# --- Registers ---------------------------------------------------------------------------------------------------


def signed(register: int) -> int:
    """A register as the printer has it: numbers of up to 32 bits are signed."""
    return register - 2 * _SIGN if register & _SIGN else register


def link_capabilities(can: Rate, *, number: int = 0, reports_active: bool = False) -> int:
    """Bits 3:0 speed, 9:4 width, 11:10 power saving, 20 link-active reporting, 31:24 port number."""
    speed, width = can
    return speed | width << 4 | 0b11 << 10 | reports_active << 20 | number << 24


def link_status(now: Rate, *, active: bool = False) -> int:
    """Bits 3:0 speed, 9:4 width, 12 slot clock, 13 link active."""
    speed, width = now
    return speed | width << 4 | 1 << 12 | active << 13


def express(kind: int, *, slot: bool) -> int:
    """Bits 3:0 version 2, 7:4 type, 8 slot implemented."""
    return 0x2 | kind << 4 | slot << 8


def _registers(one: Pci, release: Release) -> Properties:
    """The registers that this release writes down for the function."""
    if one.port is None or one.can is None:
        nothing: Properties = {"IOPCIExpressLinkCapabilities": 0} if release.zero_capabilities else {}
        if one.port is not None:
            nothing |= {"IOPCIExpressLinkCapabilities": 0, "IOPCIExpressLinkStatus": 0}
            if release.port_types:
                nothing["IOPCIExpressCapabilities"] = express(one.port, slot=False)
        return nothing
    facing_down = one.port in {ROOT_PORT, DOWNSTREAM}
    now = one.now or (EMPTY_PORT if facing_down and not one.below else one.can)
    told: Properties = {
        "IOPCIExpressLinkCapabilities": signed(
            link_capabilities(one.can, number=one.number, reports_active=one.reports_active)
        ),
        "IOPCIExpressLinkStatus": link_status(now, active=one.reports_active and bool(one.below)),
    }
    if one.status is not None:
        told["IOPCIExpressLinkStatus"] = one.status
    if release.port_types:
        told["IOPCIExpressCapabilities"] = express(one.port, slot=one.slot is not None)
        if one.slot is not None:
            told["IOPCIExpressSlotCapabilities"] = signed(
                one.slot << 19 | bool(one.hot_plug) << 6 | one.power_controller << 1
            )
            told["IOPCIExpressSlotStatus"] = (one.present or bool(one.below)) << 6 | one.latched
    if one.override is not None:
        told["IOPCIExpressMaxLinkWidthOverride"] = one.override
    if release.live:
        told["IOPCIExpressLinkCapabilities2"] = sum(1 << speed for speed in range(1, one.can[0] + 1))
        told["IOPCIExpressDeviceCapabilities"] = 1 << 15 | 0x1
    return told


# --- Entries of PCI functions ------------------------------------------------------------------------------------


def _word(number: int) -> bytes:
    return struct.pack("<I", number)


def reg(at: tuple[int, int, int], *, bars: int = 1) -> bytes:
    """Cells of 20 bytes; the first one is configuration space, the others are windows of memory (space 2, 64 KiB)."""
    bus, device, function = at
    place = bus << 16 | device << 11 | function << 8
    first = struct.pack("<5I", place, 0, 0, 0, 0)
    more = (struct.pack("<5I", 0x82000000 | place | 0x10 + 4 * bar, 0, 0, 0, 0x10000) for bar in range(bars))
    return first + b"".join(more)


def _text(text: str, release: Release) -> str | bytes:
    """A name: a string, or data that ends in a zero byte from 10.9 on."""
    return text.encode() + b"\0" if release.port_types else text


def pci_entry(one: Pci, release: Release) -> Entry:
    """The registry's entry of a function, with drivers and further functions below."""
    bus, device, function = one.at
    bridge = one.code >> 8 == 0x0604
    told: Properties = {
        "vendor-id": _word(one.vendor),
        "device-id": _word(one.device),
        "class-code": _word(one.code),
        "revision-id": _word(one.revision),
        "reg": reg(one.at, bars=0 if bridge else 2),
        "IOName": "pci-bridge" if bridge else "display" if one.code >> 16 == 3 else f"pci{one.vendor:x},{one.device:x}",
        "name": _text("pci-bridge" if bridge else f"pci{one.vendor:x},{one.device:x}", release),
        "compatible": f"pci{one.vendor:x},{one.device:x}\0pciclass,{one.code:06x}\0".encode(),
        "acpi-path": f"IOACPIPlane:/_SB/PCI0@0/{one.name}@{device << 16 | function:x}",
        "IOPCIResourced": True,
        "IOPowerManagement": {"CurrentPowerState": 2, "MaxPowerState": 3, "ChildrenPowerState": 2},
        **_registers(one, release),
    }
    if one.subsystem is not None:
        told |= {"subsystem-vendor-id": _word(one.subsystem[0]), "subsystem-id": _word(one.subsystem[1])}
    if release.debug:
        buses = f"({one.buses[0]}:{one.buses[1]})" if one.buses else ""
        told["pcidebug"] = f"{bus}:{device}:{function}{buses}"
    if one.port is not None:
        told["pci-aspm-default"] = 0
    if one.hot_plug:
        told["IOPCIHPType"] = one.hot_plug
    if one.slot_name is not None:
        told["AAPL,slot-name"] = one.slot_name.encode() + b"\0"
    if one.model is not None:
        told["model"] = _text(one.model, release)
    if one.tunnelled:
        told["IOPCITunnelled"] = True
    below = [pci_entry(child, release) for child in one.below]
    if below:
        below = [Entry(name="IOPP", kind="IOPCI2PCIBridge", kinds=("IOPCIBridge",), children=below)]
    return Entry(
        name=one.name,
        kind=one.kind,
        kinds=("IOPCIDevice",),
        location=f"{device:X},{function:X}" if function else f"{device:X}",
        properties=told,
        children=[*below, *one.drivers],
        id=one.id,
    )


# --- The machine -------------------------------------------------------------------------------------------------


class Tower(Struct, kw_only=True):
    """A machine: its release, what it calls itself, its host bridges, and drives that hang on none of these."""

    release: Release
    model: str
    bridges: list[list[Pci]]
    fabric: list[Entry] = field(default_factory=list)
    firmware: tuple[str, str, str] | None = ("Harrow Lane Archive", "HL start 88", "03/18/2019")
    build: str = "lane 18-40"
    memory: int = 34_359_738_368
    processors: int = 16

    def answers(self) -> dict[str, str]:
        """What the printer gives for each question of the probe, by the question's name."""
        bridges = [
            Entry(
                name=f"PCI{number}",
                kind="IOACPIPlatformDevice",
                children=[
                    Entry(
                        name="IOPCIHostBridge",
                        kind="IOPCIHostBridge",
                        kinds=("IOPCIBridge",),
                        children=[pci_entry(one, self.release) for one in functions],
                    )
                ],
            )
            for number, functions in enumerate(self.bridges)
        ]
        every = [*bridges, *self.fabric]
        number_entries(every)
        return {
            "pci": subtrees(every, lambda entry: entry.isa("IOPCIDevice")),
            "drives": subtrees(every, lambda entry: entry.isa("IOBlockStorageDevice"), everything=True),
            "controllers": subtrees(every, lambda entry: "NVMe Revision Supported" in entry.properties, depth=1),
            "host": self._host(),
            "firmware": self._firmware(),
        }

    def _host(self) -> str:
        product = Entry(
            name=self.model,
            kind="IOPlatformExpertDevice",
            properties={
                "model": self.model.encode() + b"\0",
                "manufacturer": b"Harrow Lane Archive\0",
                "product-name": self.model.encode() + b"\0",
                "board-id": b"HLA board 31\0",
                "compatible": self.model.encode() + b"\0",
                "IOPlatformSerialNumber": "HLA04417TWR",
                "IOPlatformUUID": "4C1F8D52-0B7E-5A39-9D60-7E51C0FFEE04",
                "clock-frequency": _word(2_900_000_000),
            },
            id=0x100000110,
        )
        version = f"Darwin Kernel Version {self.release.kernel}: Tue Mar 4 09:12:40 2025; root:xnu/RELEASE_X86_64"
        root = Entry(
            name="Root",
            kind="IORegistryEntry",
            service=False,
            properties={
                "IOKitBuildVersion": version,
                "OS Build Version": self.build,
                "IORegistryPlanes": {"IOService": "IOService", "IODeviceTree": "IODeviceTree"},
                "IOConsoleUsers": [{"kCGSSessionUserNameKey": "edda", "kCGSSessionUserIDKey": 501}],
            },
            children=[product],
            id=0x100000100,
        )
        return whole(root, depth=2)

    def _firmware(self) -> str:
        if self.firmware is None:
            return ""
        maker, version, date = self.firmware
        rom = Entry(
            name="rom",
            kind="IOService",
            location="0",
            properties={
                "vendor": maker.encode() + b"\0",
                "version": version.encode() + b"\0",
                "release-date": date.encode() + b"\0",
                "fv-main-address": _word(0xFF990000),
            },
            id=0x100000112,
        )
        return subtrees([rom], lambda entry: entry.name == "rom", depth=1)

    def figures(self) -> dict[str, str]:
        """What psutil says of the machine."""
        return {
            "boot_time": "1772000000.0",
            "virtual_memory.total": str(self.memory),
            "cpu_count": str(self.processors),
        }


def functions(tower: Tower) -> Iterator[Pci]:
    """Every PCI function of a tower, each before what is below it."""
    waiting = [one for bridge in reversed(tower.bridges) for one in reversed(bridge)]
    while waiting:
        one = waiting.pop()
        yield one
        waiting += reversed(one.below)
