"""Drives of a Darwin machine, made of the entries of its I/O Registry. Asks nothing and judges nothing.

An NVMe drive is its controller, with a block device for each namespace; a SATA drive is a block device. Drives of
outside connections, disks in images and optical drives are not of this trade; of those behind USB it is said that they
are there, as one who looks for a drive would miss it. Internal storage of newer machines hangs
on the processor's own fabric: it has no PCI function, and its interconnect says so.

Source: IOStorageFamily, IOStorageDeviceCharacteristics.h, IOStorageProtocolCharacteristics.h, IOMedia.h,
IOBlockStorageDevice.h and its descendants for optical drives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, field
from msgspec.structs import replace

from probes.darwin import WITHOUT
from probes.darwin.cut import Cutter
from probes.darwin.lists import CHILDREN, ID
from probes.darwin.values import MOST, NO_NUMBER, Told, masked, number, text
from probes.decode import NOT_GIVEN
from probes.facts import BlockDevice, Drive, Gap
from probes.unread import Unread, of, readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from probes.darwin.lists import Entries, RegistryEntry

# What is read of an answer with controllers or block devices.
CUTTER: Final = Cutter(
    "Model Number|Firmware Revision|NVMe Revision Supported|Serial Number|Product Name|Product Revision Level"
    "|Physical Interconnect(?: Location)?|device-type|IOObjectClass|BSD Name|Whole|Size",
    tables="Device Characteristics|Protocol Characteristics",
)

HEALTH: Final = Unread("health", WITHOUT["health"])
LIMITS: Final = Unread("limits", WITHOUT["limits"])
NVME_REVISION: Final = "NVMe Revision Supported"
# Solid-state drive with the NVMe interface; storage controller of another kind, as which some NVMe controllers come.
NVME_CLASSES: Final = frozenset({0x010802, 0x018002})
# Base classes of a PCI function behind which drives are outside, or cards to be taken out: serial buses; card readers.
OUTSIDE_CLASSES: Final = frozenset({0x0C, 0x08})
OUTSIDE: Final = frozenset({"usb", "firewire", "secure digital", "virtual interface", "atapi"})
OPTICAL: Final = frozenset({"cd", "dvd", "bd"})
SATA: Final = frozenset({"sata", "ata", "serial ata"})
FABRIC: Final = "fabric"  # in the interconnect of storage on the processor's own, which has no PCI function
USB: Final = "usb"
BEHIND_USB: Final = "behind USB: no PCI Express link of its own"
NOT_FOUND: Final = "it hangs on PCI by its interconnect, and no PCI function above it was found"
TRAITS: Final = "Device Characteristics"
PROTOCOL: Final = "Protocol Characteristics"
INTERCONNECT: Final = "Physical Interconnect"
LOCATION: Final = "Physical Interconnect Location"
NAME: Final = "BSD Name"
WHOLE: Final = "Whole"
SIZE: Final = "Size"
MOST_MEDIA: Final = 10_000  # entries below one block device that are looked through for its medium


class FunctionTree(Struct, frozen=True):
    """PCI functions: their addresses by entry id, the nearest one above each entry, class codes by address.

    `lost` tells why there are none, where they could not be read.
    """

    named: Mapping[int, str]
    ups: Mapping[int, int | None]
    classes: Mapping[str, int | Unread]
    lost: Unread | None = None

    def above(self, ident: int) -> tuple[str | Unread | None, int | Unread | None]:
        """Address and class code of the PCI function that an entry hangs on, None where it hangs on none."""
        if self.lost is not None:
            return self.lost, None
        if ident > MOST:
            return Unread(f"{ID} of an entry", NO_NUMBER, vital=True), None
        up = self.ups.get(ident)
        address = None if up is None else self.named[up]
        return address, None if address is None else self.classes.get(address)


class Lists(Struct, frozen=True):
    """What is known of drives: trees of block devices and controllers, Unread where they could not be read."""

    devices: Entries | Unread
    controllers: Entries | Unread
    tree: FunctionTree


class _Found(Struct):
    """A drive in the making: where it hangs, what it is, its controller and its block devices."""

    address: str | Unread | None
    code: int | Unread | None
    ident: int
    nvme: bool
    controller: Mapping[str, object] | None = None
    devices: list[Mapping[str, object]] = field(default_factory=list)


class _Making:
    """The drives in the making, and what joins a block device to its controller."""

    def __init__(self) -> None:
        """Begin with none."""
        self.every: list[_Found] = []
        self._at: dict[str, _Found] = {}
        self._by_serial: dict[str, _Found] = {}

    def add_controller(self, address: str | Unread | None, code: int | Unread | None, entry: RegistryEntry) -> None:
        """An NVMe drive by its controller; one that is told twice is one."""
        serial = text(entry.keys.get("Serial Number"))
        known = self._at.get(address) if isinstance(address, str) else self._by_serial.get(serial or "")
        made = known or _Found(address, code, entry.ident, nvme=True, controller=entry.keys)
        if known is None:
            self.every.append(made)
        if isinstance(address, str):
            self._at[address] = made
        if serial is not None:
            self._by_serial.setdefault(serial, made)

    def known(self, address: str | Unread | None, told: Told) -> _Found | None:
        """The NVMe drive that a block device is a namespace of, where that is known; None for a drive of its own.

        Where no function is above one of the two, or none that is known, the serial number tells, else the model of a
        block device if one controller alone has it.
        """
        if isinstance(address, str) and address in self._at:
            return self._at[address]
        traits = told.table(TRAITS).keys
        serial, model = text(traits.get("Serial Number")), text(traits.get("Product Name"))
        numbered = self._by_serial.get(serial or "")
        if isinstance(address, str):
            return None if numbered is None or isinstance(numbered.address, str) else numbered
        alike = [found for found in self.every if _may_be_of(found, serial, model)]
        return numbered or (alike[0] if len(alike) == 1 else None)

    def add_device(
        self, known: _Found | None, address: str | Unread | None, code: int | Unread | None, entry: RegistryEntry
    ) -> None:
        """A block device: one more of a known drive, or a drive of its own."""
        made = known or _Found(address, code, entry.ident, nvme=code in NVME_CLASSES)
        if known is None:
            self.every.append(made)
        if isinstance(address, str) and not isinstance(made.address, str):
            made.address, made.code = address, code
        if isinstance(address, str) and made.nvme:
            self._at[address] = made
        made.devices.append(entry.keys)


def _may_be_of(found: _Found, serial: str | None, model: str | None) -> bool:
    """Whether a controller without a block device may be that of one of this model, as one of them tells no number."""
    keys = found.controller
    if keys is None or found.devices or isinstance(found.address, str) or model is None:
        return False
    return model == text(keys.get("Model Number")) and None in {serial, text(keys.get("Serial Number"))}


def drives(lists: Lists, unread: list[Unread], gaps: list[Gap]) -> tuple[Drive, ...]:
    """Every drive inside the machine, in the order of their names, by the trees of block devices and controllers.

    What is told of one and cannot be used is added to `unread`; a block device of which nobody knows whether it is
    such a drive is a gap.
    """
    making = _Making()
    for entry in _entries(lists.controllers):
        if NVME_REVISION in entry.keys:
            making.add_controller(*lists.tree.above(entry.ident), entry)
    for entry in _entries(lists.devices):
        if entry.parent is not None:
            continue  # partitions, media and drivers of the tree of a block device
        address, code = lists.tree.above(entry.ident)
        told = Told(entry.keys, _name(entry.keys, entry.ident))
        known = making.known(address, told)
        outside = _outside(told, address, code, known=known is not None)
        if isinstance(outside, Unread):
            why = of(f"what kind of disk {told.name} is (I/O Registry)", outside)
            gaps.append(Gap("drives", replace(why, vital=True), told.name, "disk"))
        elif not outside:
            making.add_device(known, address, code, entry)
        else:
            unread += _behind_usb(told)
    made_drives = [_drive(found, lists, unread) for found in making.every]
    return tuple(sorted(made_drives, key=lambda made_drive: (len(made_drive.name), made_drive.name)))


def _entries(found: Entries | Unread) -> Iterable[RegistryEntry]:
    return () if isinstance(found, Unread) else found.values()


def _outside(told: Told, address: str | Unread | None, code: int | Unread | None, *, known: bool) -> bool | Unread:
    """Whether a block device is none of the drives inside the machine, Unread where that cannot be told."""
    protocol = told.table(PROTOCOL)
    words, place, kind = protocol.text(INTERCONNECT), protocol.text(LOCATION), told.text("device-type")
    word, location = ((readable(value) or "").lower() for value in (words, place))
    if word in OUTSIDE or location == "file" or (readable(kind) or "").lower() in OPTICAL:
        return True
    if isinstance(kind, Unread):
        return kind
    if isinstance(address, str):
        if isinstance(code, int):
            return code >> 16 in OUTSIDE_CLASSES
        return code if isinstance(code, Unread) and not (word or known) else False
    inside = location.startswith("internal")
    if address is None:
        return place if isinstance(place, Unread) and not known else not (inside or known)
    return False if known or _by_pci(word) or (word and inside) else address


def _behind_usb(told: Told) -> Iterator[Unread]:
    """That a disk is there behind USB, by its name and model; nothing of a slot for cards without one."""
    medium = _medium(told.keys)
    if isinstance(medium, dict) and (readable(told.table(PROTOCOL).text(INTERCONNECT)) or "").lower() == USB:
        model = readable(told.table(TRAITS).text("Product Name"))
        yield Unread(f"{told.name} ({model})" if model else told.name, BEHIND_USB)


def _by_pci(interconnect: str) -> bool:
    """Whether these words of an interconnect lead by way of PCI."""
    return interconnect.lower().startswith("pci") or interconnect.lower() in SATA


def _drive(found: _Found, lists: Lists, unread: list[Unread]) -> Drive:
    first: Mapping[str, object] = found.devices[0] if found.devices else {}
    devices = _not_there(lists.devices) if not found.devices else None
    controllers = _not_there(lists.controllers) if found.controller is None else None
    name = _name(first, found.ident)
    controller, device = Told(found.controller or {}, name), Told(first, name, devices)
    traits, protocol = device.table(TRAITS), device.table(PROTOCOL)

    def told(of_controller: str, of_device: str) -> str | Unread:
        answers = controller.text(of_controller), traits.text(of_device)
        words = next((answer for answer in answers if isinstance(answer, str)), None)
        lost = next((answer for answer in answers if isinstance(answer, Unread)), controllers)
        why = lost.why if lost is not None else NOT_GIVEN
        return words or Unread(f"{of_device} of {name}", why)

    interconnect = _first(protocol.text(INTERCONNECT), controller.text(INTERCONNECT))
    kind = _kind(readable(interconnect) or "", found, certain=controllers is None)
    limits, health = (LIMITS, HEALTH) if kind == "nvme" else (None, None)
    made = Drive(
        name=name,
        kind=kind,
        address=_address(found.address, readable(interconnect) or "", name),
        model=told("Model Number", "Product Name"),
        firmware=told("Firmware Revision", "Product Revision Level"),
        serial=told("Serial Number", "Serial Number"),
        state=None,
        blocks=devices if devices is not None else _blocks(found, name, unread),
        warning_celsius=limits,
        critical_celsius=limits,
        max_watts=limits,
        health=health,
        firmware_slots=health,
        interconnect=interconnect,
    )
    if isinstance(made.address, Unread) and lists.tree.lost is None:
        unread.append(made.address)
    unread += device.problems()
    unread += controller.problems()
    return made


def _not_there(list_of: Entries | Unread) -> Unread | None:
    """Why nothing of a drive stands in a list that could not be read."""
    return list_of if isinstance(list_of, Unread) else None


def _first(*answers: str | Unread | None) -> str | Unread | None:
    """The first text; where there is none, why one could not be read."""
    words = next((answer for answer in answers if isinstance(answer, str)), None)
    return words or next((answer for answer in answers if answer is not None), None)


def _address(address: str | Unread | None, interconnect: str, name: str) -> str | Unread | None:
    """The PCI function of a drive: None where it hangs on none, Unread where nobody knows on which."""
    if isinstance(address, Unread) and FABRIC in interconnect.lower():
        return None
    what = f"which PCI function {name} hangs on"
    if isinstance(address, Unread):
        return of(what, address)
    return Unread(what, NOT_FOUND, vital=True) if address is None and _by_pci(interconnect) else address


def _kind(interconnect: str, found: _Found, *, certain: bool) -> str:
    """What a drive is, by its interface: "nvme", "sata", or "scsi" for all others.

    Where no PCI function tells, or the controllers could not be read, the class of its block device does.
    """
    certain = certain and isinstance(found.address, str) and isinstance(found.code, int)
    name = (text(found.devices[0].get("IOObjectClass")) or "") if found.devices else ""
    if found.nvme or (not certain and "nvme" in name.lower()):
        return "nvme"
    return "sata" if interconnect.lower() in SATA else "scsi"


def _name(keys: Mapping[str, object], ident: int) -> str:
    """What the system calls the whole medium of a block device, else the id of its entry."""
    medium = _medium(keys)
    named = None if medium is None or isinstance(medium, Unread) else text(medium.get(NAME))
    return named or f"entry-{ident:x}"


def _blocks(found: _Found, name: str, unread: list[Unread]) -> tuple[BlockDevice, ...] | Unread:
    """The whole media of a drive's block devices, Unread where one cannot be told."""
    blocks = []
    for keys in found.devices:
        medium = _medium(keys)
        if isinstance(medium, Unread):
            lost = of(f"block devices of {name}", medium)
            unread.append(lost)
            return lost
        if medium is not None:
            told = Told(medium, text(medium.get(NAME)) or f"entry-{masked(medium.get(ID), 64) or 0:x}")
            told.text(NAME)
            blocks.append(BlockDevice(told.name, _size(told)))
            unread += told.problems()
    return tuple(blocks)


def _medium(keys: Mapping[str, object]) -> Mapping[str, object] | Unread | None:
    """The whole medium of a block device: the nearest one below it, as volumes made of its partitions are whole too."""
    waiting: list[object] = [keys]
    for node in waiting:
        if len(waiting) > MOST_MEDIA:
            return Unread(WHOLE, f"not found among the first {MOST_MEDIA} entries below it")
        if not isinstance(node, dict):
            continue
        if WHOLE in node or NAME in node:
            whole = Told(node, "a medium").flag(WHOLE) if WHOLE in node else Unread(WHOLE, NOT_GIVEN)
            if isinstance(whole, Unread):
                return whole
            if whole:
                return node
        below = node.get(CHILDREN)
        waiting += below if isinstance(below, list) else (below,)
    return None


def _size(told: Told) -> int | Unread:
    """The bytes of a medium."""
    if SIZE not in told.keys:
        return told.lost(SIZE, NOT_GIVEN)
    size = number(told.keys[SIZE])
    if size is None:
        return told.lost(SIZE, NO_NUMBER)
    return told.lost(SIZE, f"reads {size}") if size < 0 else size
