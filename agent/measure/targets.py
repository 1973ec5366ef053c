"""From the names that the user gives to what is measured: drives, partitions, sets, other block devices, files.

Opens nothing and loads nothing.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from agent.measure.measured import Target
from knowledge.phrasing import printable, quoted
from knowledge.problems import BadInput, NothingRead
from probes.blocks import place
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.measure.measured import What
    from agent.model.drive_rates import DriveSeen
    from probes.blocks import ReadTarget
    from probes.facts import Drive
    from probes.reads import Reads

DEVICES: Final = "/dev/"
LISTED: Final = ("nvme", "sd")  # how the names of drives begin
IN_MEMORY: Final = frozenset({"tmpfs", "ramfs"})
FILE: Final = "a file shows what its file system gives, and says nothing of links"
SET: Final = "what is measured is the set as a whole"
PARTITION: Final = "only this partition was read; the start of a turning disk is faster than its end"
HOLES: Final = "part of the file is not stored (holes, or compression), so no drive had to be read for that"
CACHED_FILE: Final = "whether it is a file that is read through the page cache"
LIMITS: Final = ("its warning temperature", "its critical temperature")
LOOP: Final = "the loop device reads its file through the page cache, so the rate may be that of memory"


def targets(names: Sequence[str], found: Audit, reads: Reads, unlisted: tuple[Unread, ...] = ()) -> tuple[Target, ...]:
    """What the names lead to; a name of nothing that can be measured, or given twice, is refused (BadInput).

    `unlisted` are the lists of drives that could not be read; a drive that may be on one of them is not said to be
    none (NothingRead).
    """
    made: dict[tuple[str, str], Target] = {}
    for name in names:
        there = _place(name, found, unlisted)
        key = (there.kind, there.number if there.kind == "block" else there.path)
        if key in made:
            raise BadInput(f"{quoted(name)} and {quoted(made[key].name)} are the same; name it once")
        made[key] = target_of(name, there, found, reads, unlisted)
    return tuple(made.values())


def _place(name: str, found: Audit, unlisted: Sequence[Unread]) -> ReadTarget:
    """What a name leads to; what is none of this machine's as far as that is known is refused."""
    try:
        return place(_path(name, found))
    except BadInput:
        bare = name.removeprefix(DEVICES)
        known = os.path.exists(name) and not bare.startswith(LISTED)
        if not unlisted or known or "/" in bare or bare in {seen.drive.name for seen in found.drives}:
            raise
    reasons = "; ".join(f"{unread.what} could not be read: {unread.why}" for unread in unlisted)
    raise NothingRead(f"{quoted(name)} cannot be found, as {reasons}")


def _path(name: str, found: Audit) -> str:
    """The path behind a name: a drive's name or address, a device's name, or a path as it is."""
    bare = name.removeprefix(DEVICES)
    for seen in found.drives:
        drive = seen.drive
        if bare == drive.name or (name.lower() == drive.address and drive.kind == "nvme"):
            there = readable(drive.blocks) or ()
            sized = [(block.size_bytes, block) for block in there if isinstance(block.size_bytes, int)]
            blocks = [block for _, block in sorted(sized, key=lambda pair: pair[0], reverse=True)] or there
            if isinstance(drive.blocks, Unread):
                why = f"its block devices could not be read: {drive.blocks.why}"
                raise NothingRead(f"the drive {printable(name)} cannot be measured, as {why}")
            if not blocks:
                raise BadInput(f"the drive {printable(name)} has no block device to read from; look at it with check")
            return DEVICES + blocks[0].name
    if "/" not in name and os.path.exists(DEVICES + name):
        return DEVICES + name
    if "/" not in name and not os.path.exists(name):
        known = ", ".join(printable(seen.drive.name, 20) for seen in found.drives[:12])
        more = f"the drives are {known}" if known else "no drive of this machine is known"
        raise BadInput(f"{quoted(name)} is not a drive, block device or file here; {more}")
    return name


def _block_names(drive: Drive) -> set[str]:
    return {part.name for part in readable(drive.blocks) or ()}


def target_of(name: str, there: ReadTarget, found: Audit, reads: Reads, unlisted: tuple[Unread, ...] = ()) -> Target:
    """What a place is of this machine; `unlisted` are the lists of drives that could not be read."""
    lost: list[Unread] = []
    block, whole = _block(there, reads, lost)
    seen = next((drive for drive in found.drives if whole in _block_names(drive.drive)), None)
    system = _file_system(there.number, reads, lost) if there.kind == "file" else ""
    sets = {stripe.stripe.name for stripe in found.stripes}
    what: What = "device"
    remarks = []
    if there.kind == "file":
        what = "file"
        remarks.append(FILE)
    elif whole in sets:
        what = "set"
        remarks.append(SET)
    elif block != whole:
        what = "partition"
    elif seen is not None:
        what = "drive"
    if there.kind == "block" and block != whole:
        remarks.append(PARTITION)
    between = _between(there, whole, system, reads, lost)
    if what == "device":
        blocks = ((drive.drive.name, drive.drive.blocks) for drive in found.drives)
        lost += [Unread(f"the block devices of {name}", why.why) for name, why in blocks if isinstance(why, Unread)]
        lost += unlisted
    if seen is not None:
        lost += _unlimited(seen)
    return Target(
        name=name,
        place=there,
        what=what,
        drive=seen.drive.name if seen is not None else None,
        whole=whole,
        hops=_hops(seen, whole, found) if there.kind == "block" else (),
        warning_celsius=seen.warning_celsius if seen is not None else None,
        critical_celsius=seen.critical_celsius if seen is not None else None,
        cached=system in IN_MEMORY or LOOP in between,
        remarks=(*remarks, *between),
        unread=tuple(lost),
    )


def _unlimited(seen: DriveSeen) -> Iterator[Unread]:
    """The limits of temperature that could not be read, so that a run cannot keep away from them."""
    limits = (
        (seen.warning_celsius, seen.drive.warning_celsius),
        (seen.critical_celsius, seen.drive.critical_celsius),
    )
    for what, (known, told) in zip(LIMITS, limits, strict=True):
        if known is None and isinstance(told, Unread):
            yield Unread(what, told.why, told.needs_root)


def _kept(answer: str | Unread, what: str, lost: list[Unread]) -> str | None:
    """An answer, None where there is none; one that failed is kept among the `lost`."""
    if isinstance(answer, str):
        return answer
    if not answer.absent:
        lost.append(Unread(what, answer.why, answer.needs_root))
    return None


def _block(there: ReadTarget, reads: Reads, lost: list[Unread]) -> tuple[str | None, str | None]:
    """The block device of a place by the kernel's name, and the one that it is a partition of (or itself).

    Source: Documentation/ABI/testing/sysfs-dev, /sys/dev/block/MAJOR:MINOR (Linux kernel).
    """
    led = _kept(reads.target(f"/sys/dev/block/{there.number}"), f"which block device {there.number} is", lost)
    if led is None:
        name = os.path.basename(there.path) if there.kind == "block" else None
        return name, name
    parts = led.split("/")
    number = _kept(reads.text(f"/sys/dev/block/{there.number}/partition"), f"whether {parts[-1]} is a partition", lost)
    return parts[-1], parts[-2] if number is not None and len(parts) > 1 else parts[-1]


def _hops(seen: DriveSeen | None, whole: str | None, found: Audit) -> tuple[str, ...]:
    """The keys of the links on the way; of a set those of all its members."""
    if seen is not None:
        return seen.path
    stripe = next((stripe_set.stripe for stripe_set in found.stripes if stripe_set.stripe.name == whole), None)
    paths = [drive.path for drive in found.drives if stripe is not None and drive.drive.name in stripe.members]
    return tuple(dict.fromkeys(key for path in paths for key in path))


def _between(there: ReadTarget, whole: str | None, system: str, reads: Reads, lost: list[Unread]) -> list[str]:
    """What stands between the reading and a drive."""
    remarks = []
    if there.kind == "file":
        if system in IN_MEMORY:
            remarks.append(f"the file lies in memory ({system}): no drive is read")
        if there.has_holes:
            remarks.append(HOLES)
    elif whole is not None:
        answer = reads.text(f"/sys/block/{whole}/loop/dio")
        if _kept(answer, CACHED_FILE, lost) == "0":
            remarks.append(LOOP)
    return remarks


def _file_system(number: str, reads: Reads, lost: list[Unread]) -> str:
    """The kind of file system of a device number, "" where it is not known.

    Source: Documentation/filesystems/proc.rst, /proc/PID/mountinfo: field 3 is the number, the kind follows " - ".
    """
    mounts = _kept(reads.text("/proc/self/mountinfo"), "what kind of file system it lies on", lost)
    for line in (mounts or "").splitlines():
        before, _, after = line.partition(" - ")
        if before.split(" ")[2:3] == [number]:
            return after.partition(" ")[0]
    return ""
