"""What to ask of a Linux machine about its sets of software RAID, and what the answers mean. Decides nothing.

Only sets that the list of block devices names are asked, and only attributes whose reading does nothing but answer.

Sources, all of the Linux kernel: Documentation/admin-guide/md.rst (level, raid_disks, layout, array_state, degraded,
dev-XXX/slot); drivers/md/md.c level_show, raid_disks_show, layout_show, slot_show; block/partitions/core.c (the name of
a partition).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.answers import NOT_RECORDED, NOTHING_GIVEN
from probes.facts import Gap, StripeSet
from probes.linux.listed import FolderFiles
from probes.linux.values import count, named, whole
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.facts import Drive
    from probes.reads import Reads

SECTOR_BYTES: Final = 512
# States in which a set has a level. Source: Documentation/admin-guide/md.rst, array_state (Linux kernel).
RUNNING: Final = frozenset({"readonly", "read-auto", "clean", "active", "write-pending", "active-idle"})
MOST_MEMBERS: Final = 4096  # more than any set of the kernel's formats holds; ends the work on a damaged capture


def stripe_sets(
    reads: Reads, names: Iterable[str], drives: Iterable[Drive], unread: list[Unread], gaps: list[Gap]
) -> tuple[StripeSet, ...]:
    """The sets of software RAID among the block devices `names`, their members as names of `drives`."""
    owners: dict[str, str] = {}
    for drive in reversed(tuple(drives)):
        owners.update((block.name, drive.name) for block in (() if isinstance(drive.blocks, Unread) else drive.blocks))
    found = []
    for name in names:
        asked = FolderFiles(reads, f"/sys/block/{name}/md")
        if isinstance(asked.listed, Unread):
            # Not asked then (an older capture), or no set of software RAID after all: nothing to tell.
            if not asked.listed.absent and asked.listed.why != NOT_RECORDED:
                gaps.append(Gap("stripe sets", of(f"what set {name} is ({asked.place})", asked.listed), name))
            continue
        found.append(_stripe_set(asked, name, owners, unread))
    return tuple(found)


def _stripe_set(asked: FolderFiles, name: str, owners: dict[str, str], unread: list[Unread]) -> StripeSet:
    place, text = asked.place, asked.text
    level = text("level")
    disks = _first(text("raid_disks"), f"text {place}/raid_disks")
    sectors = whole(asked.reads.text(f"/sys/block/{name}/size"), f"text /sys/block/{name}/size")
    if isinstance(sectors, Unread):
        asked.problem(sectors.minor)
    members, idle, unplaced = _members(asked)
    layout = text("layout") if level == "raid10" else None
    state, missing = named(text("array_state")), text("degraded")
    if not level and state in RUNNING:
        level = asked.problem(Unread(f"text {place}/level", NOTHING_GIVEN, vital=True))
    if asked.problems:
        reasons = "; ".join(dict.fromkeys(problem.why for problem in asked.problems))
        root, vital = (
            all(problem.needs_root for problem in asked.problems),
            any(problem.vital for problem in asked.problems),
        )
        unread.append(Unread(name, reasons, root, vital=vital))
    return StripeSet(
        name=name,
        level="" if level is None else level,
        places=disks,
        layout=None if layout is None else _first(layout, f"text {place}/layout"),
        members=tuple(_owner(block, owners) or "" for block in members),
        blocks=tuple(members),
        idle=tuple(idle),
        state=state,
        missing=count(missing, f"text {place}/degraded"),
        size_bytes=sectors if isinstance(sectors, Unread) else sectors * SECTOR_BYTES,
        unplaced=tuple(unplaced),
        not_active=tuple(dict.fromkeys(filter(None, (_owner(block, owners) for block in (*idle, *unplaced))))),
    )


def _first(answer: str | Unread | None, key: str) -> int | Unread:
    """A number; while a set is being rebuilt in another form, the older number follows in brackets."""
    if answer is None:
        return Unread(key, "not offered")
    return answer if isinstance(answer, Unread) else whole(answer.partition(" ")[0], key)


def _members(asked: FolderFiles) -> tuple[list[str], list[str], list[str]]:
    """The block devices of a set in the order of their places, those in it without a place, and those not known to be.

    Without a place are spares, failed members and a journal.
    """
    placed, idle, unplaced = [], [], []
    entries = asked.beginning("dev-")
    assert not isinstance(entries, Unread)
    for entry in entries[:MOST_MEMBERS]:
        block = entry.removeprefix("dev-").replace("!", "/")
        key = f"{asked.place}/{entry}/slot"
        slot = asked.reads.text(key)
        if isinstance(slot, Unread) or not slot:
            asked.problem(slot or Unread(f"text {key}", NOTHING_GIVEN, vital=True))
            unplaced.append(block)
        elif slot.isascii() and slot.isdigit():
            placed.append((int(slot[:6]), block))
        else:
            idle.append(block)
    return [block for _, block in sorted(placed)], idle, unplaced


def _owner(block: str, owners: dict[str, str]) -> str | None:
    """The drive that a block device belongs to: its own, or the one that it is a partition of."""
    if block in owners:
        return owners[block]
    disk = block.rstrip("0123456789")
    if disk == block:
        return None
    if disk.endswith("p") and disk[:-1][-1:].isdigit():  # a name that ends in a digit has a "p" before the partition
        return owners.get(disk[:-1])
    return owners.get(disk)
