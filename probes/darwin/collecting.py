"""What to ask of a Darwin machine, and what its I/O Registry means. Decides nothing, and opens no file.

The registry is asked through the system's own printer (`probes/registry.py`),
five times, each time for a small part:

- `pci`: the trees below PCI functions. Without the option for all properties only the functions carry theirs, and what
  hangs below them, controllers and block devices too, comes with its header: that is how a drive finds its function.
- `drives`: block devices with all below them, for their traits and for the names and sizes of their media.
- `controllers`: what has the property that NVMe controllers have, as their class names differ by release.
- `host`: the plane of the device tree down to its second level: the registry's root, which tells the system's version,
  and the one node below it, which is the product. Of the nodes below that, one holds the firmware's variables, some of
  which are secret: the depth is the printer's to keep, so they never reach this program. Without the option for all
  properties a plane is printed with headers alone.
- `firmware`: the node that a machine with classic firmware has for it, and nothing else.

The whole registry is never asked for: it has megabytes, and on many releases values of it break the printer's XML.

Sources: IOKitTools (ioreg.tproj/ioreg.c), IOPCIFamily, IOStorageFamily, IOKitUser. All of this was written from those
sources and was not tried on a live machine, which is why every form is taken that a value might have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from knowledge.pcie import PCI_EXPRESS_CAPABILITIES
from probes.bounds import check_looks
from probes.darwin import WITHOUT, storage
from probes.darwin import functions as pci
from probes.darwin.functions import addresses, freshness, functions, is_bridge, is_function
from probes.darwin.lists import ask, nearest
from probes.darwin.storage import NVME_CLASSES, FunctionTree, Lists, drives
from probes.darwin.values import Told, number, text
from probes.decode import NOT_GIVEN
from probes.facts import Facts, Gap, Host, Look
from probes.hosts import lost_of_host
from probes.reads import Recorded, Recording
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from probes.darwin.cut import Cutter
    from probes.darwin.lists import Entries
    from probes.facts import Drive, Listed, PciFunction
    from probes.reads import Reads

SLOTS: Final = Unread("slots described by the firmware (SMBIOS)", "not asked for here")
NO_PRESENCE: Final = Unread("presence", "not told by this release, which has no registers of slots")
NO_LINKS: Final = Unread("links", "not told by this release, which has no registers of links")

VERSION: Final = "IOKitBuildVersion"

# What each list tells, where it could not be read: the kind of thing, the question in words, whose drives.
LISTS: Final[dict[str, tuple[Listed, str, str]]] = {
    "pci": ("functions", "which PCI functions there are (I/O Registry)", ""),
    "drives": ("drives", "which disks there are (I/O Registry)", "disk"),
    "controllers": ("drives", "which NVMe drives there are (I/O Registry)", "nvme"),
}
HOST: Final = "what machine this is, and which release it runs (I/O Registry)"
FIRMWARE: Final = "which firmware the machine has (I/O Registry)"
NOTHING: Final = "nothing was given, where every machine of this platform has some"


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """Ask everything once and give the facts; `looks` are later readings (seconds, reads)."""
    unread: list[Unread] = []
    gaps: list[Gap] = []
    devices = _listed(reads, "drives", storage.CUTTER, gaps)
    controllers = _listed(reads, "controllers", storage.CUTTER, gaps)
    tree = _listed(reads, "pci", pci.CUTTER, gaps, _at_top(devices, controllers))
    words = _Words(reads)
    entries = {} if isinstance(tree, Unread) else tree
    named = addresses(entries)
    ups = nearest(entries, named)
    found = functions(entries, named, ups, freshness(words.release, entries), unread)
    classes = {function.address: function.class_code for function in found}
    above = FunctionTree(named, ups, classes, tree if isinstance(tree, Unread) else None)
    made = drives(Lists(devices, controllers, above), unread, gaps)
    gaps += _unseen(found, made, devices)
    check_looks(len(found) * sum("registry pci" in recorded.answers for _, recorded in looks))
    seen = tuple(_look(offset, recorded, words.release, unread) for offset, recorded in looks)
    host = _host(reads, words, taken_at)
    unread += lost_of_host(host, words.lost())
    unread += [Unread(kind, why) for kind, why in WITHOUT.items()]
    unread += _lacking(found)
    return Facts(
        platform=reads.platform,
        taken_at=taken_at,
        host=host,
        functions=found,
        kernel_slots=(),
        board_slots=SLOTS,
        board_devices=(),
        drives=made,
        sensors=(),
        looks=seen,
        unread=(*(gap.why for gap in gaps), *unread),
        gaps=tuple(gaps),
    )


def _listed(
    reads: Reads, name: str, cutter: Cutter, gaps: list[Gap], idents: frozenset[str] | None = None
) -> Entries | Unread:
    """One of the `LISTS`; one that could not be read is a gap, and so is what lies beyond the limit of one.

    A machine may have no NVMe controller. It starts from some block device, if only an image, and has PCI functions.
    """
    beyond: list[Unread] = []
    found = ask(reads, name, cutter, idents, beyond)
    sort, what, kind = LISTS[name]
    gaps += (Gap(sort, of(what, lost), kind=kind) for lost in beyond)
    missing = name == "drives" and found == {}
    if name == "pci" and not isinstance(found, Unread):
        missing = not any(map(is_function, found.values()))
    if missing:
        found = Unread(f"registry {name}", NOTHING)
    if isinstance(found, Unread):
        found = replace(of(what, found), vital=True)
        gaps.append(Gap(sort, found, kind=kind))
    return found


def _unseen(found: Sequence[PciFunction], made: Sequence[Drive], devices: Entries | Unread) -> Iterator[Gap]:
    """NVMe functions without a controller that is known, where the block devices that may be theirs were not read."""
    if isinstance(devices, Unread):
        seen = {drive.address for drive in made}
        for pci_function in found:
            if pci_function.class_code in NVME_CLASSES and pci_function.address not in seen:
                yield Gap(
                    "drives",
                    of(f"what drive {pci_function.address} is (I/O Registry)", devices),
                    pci_function.address,
                    "nvme",
                )


def _at_top(*lists: Entries | Unread) -> frozenset[str]:
    """The ids of block devices and controllers, as they are written in a list."""
    known = (listed for listed in lists if not isinstance(listed, Unread))
    return frozenset(str(ident) for found in known for ident, entry in found.items() if entry.parent is None)


def look(reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
    """Ask for the functions again where this release reads their links anew; all else is as in the `first` reading."""
    recording = Recording(reads)
    wanted = frozenset(addresses)
    if any(function.fresh == "live" and function.address in wanted for function in collect(first).functions):
        recording.registry("pci")
    return Recorded(recording.answers, reads.platform, first)


def _look(offset: float, recorded: Recorded, release: int | None, unread: list[Unread]) -> Look:
    tree = ask(recorded, "pci", pci.CUTTER, frozenset()) if "registry pci" in recorded.answers else {}
    if isinstance(tree, Unread):
        unread.append(of(f"the links {offset:g} s after the first reading (I/O Registry)", tree).minor)
        return Look(offset, {})
    named = addresses(tree)
    found = functions(tree, named, nearest(tree, named), freshness(release, tree))
    return Look(offset, {function.address: function for function in found})


def _lacking(found: Sequence[PciFunction]) -> Iterator[Unread]:
    """Kinds of fact that this release does not give, though later ones do."""
    if not found:
        return
    bridges = tuple(function for function in found if is_bridge(function.class_code))
    if bridges and all(function.link is None for function in found):
        yield NO_LINKS
    elif bridges and all(_is_not_given(function.registers.has(PCI_EXPRESS_CAPABILITIES)) for function in bridges):
        yield NO_PRESENCE


def _is_not_given(told: bool | Unread) -> bool:  # noqa: FBT001 - an answer
    return isinstance(told, Unread) and told.why == NOT_GIVEN


# --- Host ------------------------------------------------------------------------------------------------------


class _Words:
    """What the device tree tells of the machine: the registry's root, the product below it, and the firmware."""

    def __init__(self, reads: Reads) -> None:
        """Ask for both."""
        plane, rom = ask(reads, "host"), ask(reads, "firmware")
        if plane == {}:
            plane = Unread("registry host", NOTHING)
        self._asked = [
            of(what, answer) for what, answer in ((HOST, plane), (FIRMWARE, rom)) if isinstance(answer, Unread)
        ]
        self.root = _told(plane, {VERSION}, "the system", HOST)
        self.product = _told(plane, {"model", "manufacturer", "board-id"}, "the machine", HOST)
        self.firmware = _told(rom, {"version", "vendor", "release-date"}, "the firmware", FIRMWARE)

    @property
    def release(self) -> int | None:
        """The first figure of the kernel's version: 22 of "Darwin Kernel Version 22.6.0: ..."."""
        words = (text(self.root.keys.get(VERSION)) or "").split()
        for word in words:
            first, dot, _ = word.partition(".")
            if dot and first.isascii() and first.isdigit() and len(first) <= 3:  # noqa: PLR2004 - digits of a release
                return int(first)
        return None

    def lost(self) -> Iterator[Unread]:
        """What could not be read."""
        yield from self._asked
        for told in (self.root, self.product, self.firmware):
            yield from told.problems()


def _told(entries: Entries | Unread, keys: set[str], name: str, what: str) -> Told:
    """What the first entry with one of these keys tells; all of it is missing where the list could not be read."""
    if isinstance(entries, Unread):
        return Told({}, name, of(what, entries))
    found = next((entry.keys for entry in entries.values() if not keys.isdisjoint(entry.keys)), {})
    return Told(found, name)


def _host(reads: Reads, words: _Words, taken_at: str) -> Host:
    def needed(told: Told, key: str) -> str | Unread:
        return told.text(key) or Unread(key, NOT_GIVEN)

    product, firmware = words.product, words.firmware
    return Host(
        name=Unread("host name", NOT_GIVEN),
        kernel=needed(words.root, VERSION),
        maker=needed(product, "manufacturer"),
        product=needed(product, "model"),
        product_version=product.text("version"),
        board_maker=None,
        board=product.text("board-id"),
        firmware_maker=firmware.text("vendor"),
        firmware_version=firmware.text("version"),
        firmware_date=firmware.text("release-date"),
        firmware_release=None,
        virtual=Unread("whether this is a virtual machine", NOT_GIVEN),
        up_seconds=_up_seconds(reads.psutil("boot_time"), taken_at),
        processors=_whole(reads.psutil("cpu_count"), "psutil cpu_count"),
        memory_bytes=_whole(reads.psutil("virtual_memory.total"), "psutil virtual_memory.total"),
    )


def _whole(answer: str | Unread, key: str) -> int | Unread:
    """A figure of psutil as a whole number."""
    if isinstance(answer, Unread):
        return answer
    found = number(answer)
    return Unread(key, f'reads "{answer[:40]}", not a number') if found is None or found < 0 else found


def _up_seconds(booted: str | Unread, taken_at: str) -> float | Unread:
    """Seconds from the start of the system, which psutil gives in seconds since 1970, to the reading."""
    if isinstance(booted, Unread):
        return booted
    from datetime import datetime

    try:
        seconds = datetime.fromisoformat(taken_at).timestamp() - float(booted)
    except (ValueError, OverflowError, OSError):
        seconds = -1.0
    return seconds if 0 <= seconds < MOST_SECONDS else Unread("psutil boot_time", f'reads "{booted[:40]}"')


MOST_SECONDS: Final = 1e12  # 30,000 years
