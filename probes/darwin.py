"""What to ask of a Darwin machine, and what its I/O Registry means. Decides nothing, and opens no file.

The registry is asked through the system's own printer (`probes/registry.py`), five times, each time for a small part:

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

from knowledge.pcie import PCI_EXPRESS_CAPABILITIES
from probes import darwin_drives, darwin_functions
from probes.darwin_drives import HEALTH, LIMITS, Tree, drives
from probes.darwin_functions import addresses, freshness, functions, is_bridge
from probes.darwin_lists import ask, nearest
from probes.darwin_words import number, text
from probes.decode import NOT_GIVEN
from probes.facts import Facts, Host, Look
from probes.reads import Recorded, Recording
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from probes.darwin_cut import Cutter
    from probes.darwin_lists import Entries, Entry
    from probes.facts import PciFunction
    from probes.reads import Reads

OFFERS: Final = {
    "functions": "PCI functions with identity and the registers of their links",
    "links": "link width and speed of both ends; how current they are differs by release",
    "slots": "slots by the firmware's name, where it gives one",
    "presence": "cards detected in slots without a link (from 10.9 on)",
    "drives": "NVMe and SATA drives with model and firmware",
    "names": "model names, where firmware or driver give them",
}
WITHOUT: Final = {
    "configuration space": "the I/O Registry holds single registers of it alone",
    "errors": "error counters are not in the I/O Registry",
    "temperatures": "psutil has none here, and drives tell them through plug-ins of the system, which are not asked",
    "limits": LIMITS.why,
    "health": HEALTH.why,
    "stripes": "sets of software RAID are not looked for here",
}
SLOTS: Final = Unread("slots described by the firmware (SMBIOS)", "not asked for here")
NO_PRESENCE: Final = Unread("presence", "not told by this release, which has no registers of slots")
NO_LINKS: Final = Unread("links", "not told by this release, which has no registers of links")

VERSION: Final = "IOKitBuildVersion"


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """Ask everything once and give the facts; `looks` are later readings (seconds, reads)."""
    unread: list[Unread] = []

    def asked(name: str, cutter: Cutter | None = None, idents: frozenset[str] | None = None) -> Entries:
        found = ask(reads, name, cutter, idents)
        if isinstance(found, Unread):
            unread.append(found)
            return {}
        return found

    devices, controllers = asked("drives", darwin_drives.CUTTER), asked("controllers", darwin_drives.CUTTER)
    hanging = (ident for found in (devices, controllers) for ident, entry in found.items() if entry.parent is None)
    tree = asked("pci", darwin_functions.CUTTER, frozenset(str(ident) for ident in hanging))
    root, product = _root_and_product(asked("host"))
    named = addresses(tree)
    ups = nearest(tree, named)
    found = functions(tree, named, ups, freshness(_kernel_release(root), tree))
    classes = {function.address: function.class_code for function in found}
    made = drives(devices, controllers, Tree(named, ups, classes))
    firmware = next((entry for entry in asked("firmware").values() if "version" in entry.keys), None)
    unread += [Unread(kind, why) for kind, why in WITHOUT.items()]
    unread += _lacking(found)
    return Facts(
        platform=reads.platform,
        taken_at=taken_at,
        host=_host(reads, root, product, firmware, taken_at),
        functions=found,
        kernel_slots=(),
        board_slots=SLOTS,
        board_devices=(),
        drives=made,
        sensors=(),
        looks=tuple(_look(offset, recorded, root) for offset, recorded in looks),
        unread=tuple(unread),
    )


def look(reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
    """Ask for the functions again where this release reads their links anew; all else is as in the `first` reading."""
    recording = Recording(reads)
    wanted = frozenset(addresses)
    if any(function.fresh == "live" and function.address in wanted for function in collect(first).functions):
        recording.registry("pci")
    return Recorded(recording.answers, reads.platform, first)


def _look(offset: float, recorded: Recorded, root: Entry | None) -> Look:
    tree = ask(recorded, "pci", darwin_functions.CUTTER, frozenset()) if "registry pci" in recorded.answers else {}
    if isinstance(tree, Unread):
        return Look(offset, {})
    named = addresses(tree)
    found = functions(tree, named, nearest(tree, named), freshness(_kernel_release(root), tree))
    return Look(offset, {function.address: function for function in found})


def _lacking(found: Sequence[PciFunction]) -> Iterator[Unread]:
    """Kinds of fact that this release does not give, though later ones do."""
    if not found:
        return
    bridges = tuple(function for function in found if is_bridge(function.class_code))
    if bridges and all(function.link is None for function in found):
        yield NO_LINKS
    elif bridges and not any(function.registers.has(PCI_EXPRESS_CAPABILITIES) is True for function in bridges):
        yield NO_PRESENCE


# --- Host ------------------------------------------------------------------------------------------------------


def _root_and_product(plane: Entries) -> tuple[Entry | None, Entry | None]:
    """The registry's root and the node of the product below it."""
    entries = tuple(plane.values())
    root = next((entry for entry in entries if VERSION in entry.keys), None)
    product = next((entry for entry in entries if "model" in entry.keys), None)
    return root, product


def _kernel_release(root: Entry | None) -> int | None:
    """The first figure of the kernel's version: 22 of "Darwin Kernel Version 22.6.0: ..."."""
    words = (text(root.keys.get(VERSION)) or "").split() if root is not None else []
    for word in words:
        first, dot, _ = word.partition(".")
        if dot and first.isascii() and first.isdigit() and len(first) <= 3:  # noqa: PLR2004 - digits of a release
            return int(first)
    return None


def _host(reads: Reads, root: Entry | None, product: Entry | None, firmware: Entry | None, taken_at: str) -> Host:
    of_root: Mapping[str, object] = {} if root is None else root.keys
    of_product: Mapping[str, object] = {} if product is None else product.keys
    of_firmware: Mapping[str, object] = {} if firmware is None else firmware.keys
    return Host(
        name=Unread("host name", NOT_GIVEN),
        kernel=text(of_root.get(VERSION)) or Unread(VERSION, NOT_GIVEN),
        maker=text(of_product.get("manufacturer")),
        product=text(of_product.get("model")),
        product_version=text(of_product.get("version")),
        board_maker=None,
        board=text(of_product.get("board-id")),
        firmware_maker=text(of_firmware.get("vendor")),
        firmware_version=text(of_firmware.get("version")),
        firmware_date=text(of_firmware.get("release-date")),
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
