"""Drives of a Darwin machine, made of the entries of its I/O Registry. Asks nothing and judges nothing.

An NVMe drive is its controller, with a block device for each namespace; a SATA drive is a block device. Drives of
outside connections, disks in images and optical drives are not of this trade. Internal storage of newer machines hangs
on the processor's own fabric: it has no PCI function, and its interconnect says so.

Source: IOStorageFamily, IOStorageDeviceCharacteristics.h, IOStorageProtocolCharacteristics.h, IOMedia.h,
IOBlockStorageDevice.h and its descendants for optical drives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, field

from probes.darwin_cut import Cutter
from probes.darwin_lists import CHILDREN
from probes.darwin_words import flag, number, text
from probes.decode import NOT_GIVEN
from probes.facts import BlockDevice, Drive
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from probes.darwin_lists import Entries

# What is read of an answer with controllers or block devices.
CUTTER: Final = Cutter(
    "Model Number|Firmware Revision|NVMe Revision Supported|Serial Number|Product Name|Product Revision Level"
    "|Physical Interconnect(?: Location)?|device-type|IOObjectClass|BSD Name|Whole|Size",
    tables="Device Characteristics|Protocol Characteristics",
)

HEALTH: Final = Unread("health", "drives tell of it through plug-ins of the system, which are not asked")
LIMITS: Final = Unread("limits", HEALTH.why)
NVME_REVISION: Final = "NVMe Revision Supported"
# Solid-state drive with the NVMe interface; storage controller of another kind, as which some NVMe controllers come.
NVME_CLASSES: Final = frozenset({0x010802, 0x018002})
# Base classes of a PCI function behind which drives are outside, or cards to be taken out: serial buses; card readers.
OUTSIDE_CLASSES: Final = frozenset({0x0C, 0x08})
OUTSIDE: Final = frozenset({"usb", "firewire", "secure digital", "virtual interface", "atapi"})
OPTICAL: Final = frozenset({"cd", "dvd", "bd"})
SATA: Final = frozenset({"sata", "ata", "serial ata"})
MOST_MEDIA: Final = 10_000  # entries below one block device that are looked through for its medium


class Tree(Struct, frozen=True):
    """PCI functions: their addresses by entry id, the nearest one above each entry, class codes by address."""

    named: Mapping[int, str]
    ups: Mapping[int, int | None]
    classes: Mapping[str, object]

    def above(self, ident: int) -> tuple[str | None, object]:
        """Address and class code of the PCI function that an entry hangs on, None where it hangs on none."""
        up = self.ups.get(ident)
        address = None if up is None else self.named[up]
        return address, None if address is None else self.classes.get(address)


class _Found(Struct):
    """A drive in the making: where it hangs, what it is, its controller and its block devices."""

    address: str | None
    nvme: bool
    controller: Mapping[str, object] = field(default_factory=dict)
    devices: list[Mapping[str, object]] = field(default_factory=list)
    ident: int = 0


def drives(devices: Entries, controllers: Entries, tree: Tree) -> tuple[Drive, ...]:
    """Every drive inside the machine, in the order of their names, by the trees of block devices and controllers."""
    found: dict[object, _Found] = {}
    for ident, entry in controllers.items():
        if NVME_REVISION not in entry.keys:
            continue
        address, _ = tree.above(ident)
        serial = text(entry.keys.get("Serial Number"))
        made = found.setdefault(address or serial or ident, _Found(address, nvme=True, ident=ident))
        made.controller = made.controller or entry.keys
    for ident, entry in devices.items():
        if entry.parent is not None:
            continue  # partitions, media and drivers of the tree of a block device
        address, code = tree.above(ident)
        if not _outside(entry.keys, address, code):
            key = _key(address, code, entry.keys, found) or ident
            made = found.setdefault(key, _Found(address, nvme=code in NVME_CLASSES, ident=ident))
            made.devices.append(entry.keys)
    made_drives = [_drive(one) for one in found.values()]
    return tuple(sorted(made_drives, key=lambda one: (len(one.name), one.name)))


def _key(address: str | None, code: object, keys: Mapping[str, object], found: Mapping[object, _Found]) -> object:
    """What the NVMe drive of a block device is kept under, if it is one; None for a drive of its own."""
    if address is not None:
        return address if code in NVME_CLASSES or address in found else None
    serial = text(_part(keys, "Device Characteristics").get("Serial Number"))
    return serial if serial in found else None


def _outside(keys: Mapping[str, object], address: str | None, code: object) -> bool:
    """Whether a block device is none of the drives inside the machine."""
    protocol = _part(keys, "Protocol Characteristics")
    words = (text(protocol.get("Physical Interconnect")) or "").lower()
    location = (text(protocol.get("Physical Interconnect Location")) or "").lower()
    if words in OUTSIDE or location == "file" or (text(keys.get("device-type")) or "").lower() in OPTICAL:
        return True
    if address is not None:
        return isinstance(code, int) and code >> 16 in OUTSIDE_CLASSES
    return not location.startswith("internal")


def _interconnect(words: str | None, address: str | None) -> str | None:
    """How a drive hangs, in the system's words; None where they lead by way of PCI and none is above it."""
    by_pci = words is not None and (words.lower().startswith("pci") or words.lower() in SATA)
    return None if by_pci and address is None else words


def _drive(found: _Found) -> Drive:
    first: Mapping[str, object] = found.devices[0] if found.devices else {}
    traits = _part(first, "Device Characteristics")
    protocol = _part(first, "Protocol Characteristics")
    blocks = tuple(block for one in found.devices for block in _blocks(one))
    name = next((block.name for block in blocks), f"entry-{found.ident:x}")

    def told(of_controller: str, of_device: str) -> str | Unread:
        words = text(found.controller.get(of_controller)) or text(traits.get(of_device))
        return words or Unread(f"{of_device} of {name}", NOT_GIVEN)

    interconnect = text(protocol.get("Physical Interconnect")) or text(found.controller.get("Physical Interconnect"))
    nvme = found.nvme or NVME_REVISION in found.controller
    return Drive(
        name=name,
        kind=_kind(interconnect, found, nvme=nvme),
        address=found.address,
        model=told("Model Number", "Product Name"),
        firmware=told("Firmware Revision", "Product Revision Level"),
        serial=told("Serial Number", "Serial Number"),
        state=None,
        blocks=blocks,
        warning_celsius=LIMITS if nvme else None,
        critical_celsius=LIMITS if nvme else None,
        max_watts=LIMITS if nvme else None,
        health=HEALTH if nvme else None,
        firmware_slots=HEALTH if nvme else None,
        interconnect=_interconnect(interconnect, found.address),
    )


def _kind(interconnect: str | None, found: _Found, *, nvme: bool) -> str:
    """What a drive is, by its interface: "nvme", "sata", or "scsi" for all others."""
    name = (text(found.devices[0].get("IOObjectClass")) or "") if found.devices else ""
    if nvme or (found.address is None and "nvme" in name.lower()):
        return "nvme"
    return "sata" if (interconnect or "").lower() in SATA else "scsi"


def _blocks(device: Mapping[str, object]) -> Iterator[BlockDevice]:
    """The whole medium of a block device: the nearest one below it, as volumes made of its partitions are whole too."""
    waiting: list[object] = [device]
    for node in waiting:
        if not isinstance(node, dict) or len(waiting) > MOST_MEDIA:
            continue
        name = text(node.get("BSD Name"))
        if name is not None and flag(node.get("Whole")):
            size = number(node.get("Size"))
            known = size is not None and size >= 0
            yield BlockDevice(name, size if known and size is not None else Unread(f"size of {name}", NOT_GIVEN))
            return
        below = node.get(CHILDREN)
        waiting += below if isinstance(below, list) else (below,)


def _part(keys: Mapping[str, object], name: str) -> Mapping[str, object]:
    """A table among the properties, empty where there is none."""
    found = keys.get(name)
    return found if isinstance(found, dict) else {}
