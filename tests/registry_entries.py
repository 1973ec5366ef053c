"""Entries of an invented I/O Registry, and its printer: what it gives of them as property lists. Drives among them.

Sources: IOKitTools (the printer's form), IOKitUser (numbers), IOStorageFamily (keys of drives).
"""

from __future__ import annotations

import plistlib
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct, field

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

Properties = dict[str, Any]

FIRST_ID: Final = 0x100000140


class Entry(Struct, kw_only=True):
    """An entry of the registry. `kinds` are the classes it inherits from; an `id` of 0 is yet to be given."""

    name: str
    kind: str
    kinds: tuple[str, ...] = ()
    location: str | None = None
    properties: Properties = field(default_factory=dict)
    children: list[Entry] = field(default_factory=list)
    service: bool = True
    id: int = 0

    def isa(self, kind: str) -> bool:
        """Whether the entry is of this class, or of one that inherits from it."""
        return kind == self.kind or kind in self.kinds


def number_entries(entries: Sequence[Entry]) -> None:
    """Give every entry its id, in order of their levels as the kernel finds them; a given id stays."""
    taken = {entry.id for entry in walk(entries)}
    free = FIRST_ID
    level = list(entries)
    while level:
        for entry in level:
            while free in taken:
                free += 1
            if not entry.id:
                entry.id = free
                taken.add(free)
        level = [child for entry in level for child in entry.children]


def walk(entries: Sequence[Entry]) -> Iterator[Entry]:
    """Every entry of these trees."""
    waiting = list(entries)
    while waiting:
        entry = waiting.pop()
        yield entry
        waiting += entry.children


# --- Drives ------------------------------------------------------------------------------------------------------


class Disk(Struct, frozen=True, kw_only=True):
    """A drive as the registry tells of it. `interconnect` and `location` are the words of its protocol."""

    media: str
    model: str
    serial: str
    firmware: str
    size: int
    interconnect: str = "PCI-Express"
    location: str = "Internal"
    solid: bool = True

    def characteristics(self) -> Properties:
        """What the block device says: its texts are padded with spaces."""
        return {
            "Device Characteristics": {
                "Product Name": f"{self.model:<40}",
                "Product Revision Level": f"{self.firmware:<8}",
                "Serial Number": f"{self.serial:<20}",
                "Medium Type": "Solid State" if self.solid else "Rotational",
                "Vendor Name": "",
                "Logical Block Size": 512,
            },
            "Protocol Characteristics": {
                "Physical Interconnect": self.interconnect,
                "Physical Interconnect Location": self.location,
            },
        }


def _media(disk: Disk) -> Entry:
    """The driver of a block device with the whole media, its partition map and one partition."""
    part = Entry(
        name="Reels",
        kind="IOMedia",
        location="2",
        properties={"BSD Name": f"{disk.media}s2", "Whole": False, "Size": disk.size - 209_735_680, "Leaf": True},
    )
    scheme = Entry(name="IOGUIDPartitionScheme", kind="IOGUIDPartitionScheme", children=[part])
    whole = Entry(
        name=f"{disk.model} Media",
        kind="IOMedia",
        properties={
            "BSD Name": disk.media,
            "BSD Major": 1,
            "Whole": True,
            "Size": disk.size,
            "Writable": True,
            "Ejectable": False,
            "Content": "GUID_partition_scheme",
            "Leaf": False,
        },
        children=[scheme],
    )
    statistics = {"Statistics": {"Operations (Read)": 41_777, "Bytes (Read)": 1_204_224_000, "Errors (Read)": 0}}
    return Entry(name="IOBlockStorageDriver", kind="IOBlockStorageDriver", properties=statistics, children=[whole])


def nvme(disk: Disk, *, controller: str = "IONVMeController") -> Entry:
    """The controller of an NVMe drive with its block device."""
    block = Entry(
        name="IONVMeBlockStorageDevice",
        kind="IONVMeBlockStorageDevice",
        kinds=("IOBlockStorageDevice",),
        location="1",
        properties={**disk.characteristics(), "NamespaceID": 1},
        children=[_media(disk)],
    )
    return Entry(
        name=controller,
        kind=controller,
        kinds=("IONVMeController",),
        properties={
            "Model Number": f"{disk.model:<40}",
            "Firmware Revision": f"{disk.firmware:<8}",
            "Serial Number": f"{disk.serial:<20}",
            "NVMe Revision Supported": "1.30",
            "Physical Interconnect": disk.interconnect,
        },
        children=[block],
    )


def ahci(*disks: Disk) -> Entry:
    """The driver of a SATA controller with its disks, each on a port of its own."""
    ports = []
    for number, disk in enumerate(disks):
        block = Entry(
            name="IOAHCIBlockStorageDevice",
            kind="IOAHCIBlockStorageDevice",
            kinds=("IOBlockStorageDevice",),
            properties=disk.characteristics(),
            children=[_media(disk)],
        )
        driver = Entry(name="IOAHCIBlockStorageDriver", kind="IOAHCIBlockStorageDriver", children=[block])
        ports.append(Entry(name="PRT", kind="IOAHCIDevice", location=str(number), children=[driver]))
    return Entry(name="IOAHCIController", kind="IOAHCIController", children=ports)


def other_block(disk: Disk, kind: str) -> Entry:
    """A block device of another kind: on a universal serial bus, a disk image."""
    return Entry(
        name=kind,
        kind=kind,
        kinds=("IOBlockStorageDevice",),
        properties=disk.characteristics(),
        children=[_media(disk)],
    )


# --- The printer -------------------------------------------------------------------------------------------------


def subtrees(
    entries: Sequence[Entry], wanted: Callable[[Entry], bool], *, everything: bool = False, depth: int | None = None
) -> str:
    """The trees below the entries that are wanted, as an array; nothing at all where there is none.

    Only a wanted entry carries its properties, with `everything` each one does. `depth` is the most levels of a tree.
    """
    found = [_dictionary(entry, wanted, everything, depth) for entry in _outermost(entries, wanted)]
    return printed(found) if found else ""


def whole(root: Entry, *, depth: int) -> str:
    """The tree of one entry with all properties, as a dictionary."""
    return printed(_dictionary(root, lambda _: True, everything=True, depth=depth))


def printed(what: Properties | list[Properties]) -> str:
    """A property list as the printer has it: XML of version 1, keys in order."""
    return plistlib.dumps(what, fmt=plistlib.FMT_XML, sort_keys=True).decode("utf-8")


def _outermost(entries: Sequence[Entry], wanted: Callable[[Entry], bool]) -> Iterator[Entry]:
    for entry in entries:
        if wanted(entry):
            yield entry
        else:
            yield from _outermost(entry.children, wanted)


def _dictionary(
    entry: Entry,
    wanted: Callable[[Entry], bool],
    everything: bool,  # noqa: FBT001 - passed on
    depth: int | None,
) -> Properties:
    """An entry as the printer has it: its header, its properties if it is asked for, its children."""
    made: Properties = dict(entry.properties) if everything or wanted(entry) else {}
    made |= {
        "IORegistryEntryName": entry.name,
        "IORegistryEntryID": entry.id,
        "IOObjectClass": entry.kind,
        "IOObjectRetainCount": 5 + len(entry.children),
    }
    if entry.location is not None:
        made["IORegistryEntryLocation"] = entry.location
    if entry.service:
        made |= {"IOServiceState": 30, "IOServiceBusyState": 0, "IOServiceBusyTime": 7_004_133}
    deeper = None if depth is None else depth - 1
    if entry.children and deeper != 0:
        made["IORegistryEntryChildren"] = [_dictionary(child, wanted, everything, deeper) for child in entry.children]
    return made
