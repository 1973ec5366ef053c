"""What to ask of a Linux machine about its sets of software RAID, and what the answers mean. Decides nothing.

Only sets that the list of block devices names are asked, and only attributes whose reading does nothing but answer.

Sources, all of the Linux kernel: Documentation/admin-guide/md.rst (level, raid_disks, layout, array_state, degraded,
dev-XXX/slot); drivers/md/md.c level_show, raid_disks_show, layout_show, slot_show; block/partitions/core.c (the name of
a partition).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.facts import StripeSet
from probes.linux_words import optional, optional_integer, whole
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.facts import Drive
    from probes.reads import Reads

SECTOR_BYTES: Final = 512
MOST_MEMBERS: Final = 4096  # more than any set of the kernel's formats holds; ends the work on a damaged capture
# Not asked then (an older capture), or no set of software RAID after all: nothing to tell.
SILENT: Final = ("not in this capture", "(ENOENT)")


def stripe_sets(
    reads: Reads, names: Iterable[str], drives: Iterable[Drive], unread: list[Unread]
) -> tuple[StripeSet, ...]:
    """The sets of software RAID among the block devices `names`, their members as names of `drives`."""
    owners = {block.name: drive.name for drive in reversed(tuple(drives)) for block in drive.blocks}
    found = []
    for name in names:
        offered = reads.names(f"/sys/block/{name}/md")
        if isinstance(offered, Unread):
            if not offered.why.endswith(SILENT):
                unread.append(offered)
            continue
        found.append(_stripe_set(reads, name, frozenset(offered), owners, unread))
    return tuple(found)


def _stripe_set(
    reads: Reads, name: str, offered: frozenset[str], owners: dict[str, str], unread: list[Unread]
) -> StripeSet:
    place = f"/sys/block/{name}/md"

    def text(attribute: str) -> str | Unread | None:
        return reads.text(f"{place}/{attribute}") if attribute in offered else None

    level = text("level")
    disks = _first(text("raid_disks"), f"text {place}/raid_disks")
    sectors = whole(reads.text(f"/sys/block/{name}/size"), f"text /sys/block/{name}/size")
    members, idle = _members(reads, place, offered)
    lost = [one for one in (level, disks, sectors) if isinstance(one, Unread)]
    if lost:
        reasons = "; ".join(dict.fromkeys(one.why for one in lost))
        unread.append(Unread(name, reasons, all(one.needs_root for one in lost)))
    layout = _first(text("layout"), "") if level == "raid10" else None
    return StripeSet(
        name=name,
        level="" if level is None else level,
        places=disks,
        layout=None if isinstance(layout, Unread) else layout,
        members=tuple(_owner(block, owners) or "" for block in members),
        blocks=tuple(members),
        idle=tuple(idle),
        state=optional(text("array_state")),
        missing=optional_integer(text("degraded")),
        size_bytes=sectors if isinstance(sectors, Unread) else sectors * SECTOR_BYTES,
    )


def _first(answer: str | Unread | None, key: str) -> int | Unread:
    """A number; while a set is being rebuilt in another form, the older number follows in brackets."""
    if answer is None:
        return Unread(key, "not offered")
    return answer if isinstance(answer, Unread) else whole(answer.partition(" ")[0], key)


def _members(reads: Reads, place: str, offered: frozenset[str]) -> tuple[list[str], list[str]]:
    """The block devices of a set in the order of their places, and those that are in it without a place.

    Without a place are spares, failed members and a journal. A member whose place cannot be read counts as one at work.
    """
    placed, idle = [], []
    for entry in sorted(name for name in offered if name.startswith("dev-"))[:MOST_MEMBERS]:
        block = entry.removeprefix("dev-").replace("!", "/")
        slot = reads.text(f"{place}/{entry}/slot")
        if isinstance(slot, str) and not (slot.isascii() and slot.isdigit()):
            idle.append(block)
        else:
            placed.append((MOST_MEMBERS if isinstance(slot, Unread) else int(slot[:6]), block))
    return [block for _, block in sorted(placed)], idle


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
