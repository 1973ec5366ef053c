"""Sets of software RAID for a tree that was built, as Linux shows them below /sys/block. Test help only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, field

if TYPE_CHECKING:
    from tests.tree import Tree

# Levels that keep copies or parity, and so tell how many members are lost. Source: drivers/md/md.c md_redundancy_group.
REDUNDANT: Final = frozenset({"raid1", "raid4", "raid5", "raid6", "raid10"})


class Raid(Struct, kw_only=True):
    """A set of software RAID. `members` are block devices in the order of their places ("nvme0n1", or a partition).

    `idle` maps block devices in the set without a place to their state ("spare", "faulty"). `layout` is of raid10:
    258 is the kernel's usual one, two copies side by side (drivers/md/raid10.c setup_geo).
    """

    name: str = "md0"
    level: str = "raid0"
    members: list[str]
    idle: dict[str, str] = field(default_factory=dict)
    layout: int = 258
    places: int | None = None
    state: str = "clean"
    size: int = 8_000_000_000_000


def put_set(tree: Tree, raid: Raid) -> None:
    """A set of software RAID. Source: Documentation/admin-guide/md.rst; drivers/md/md.c md_default_attrs."""
    device = f"/sys/devices/virtual/block/{raid.name}"
    place = f"{device}/md"
    tree.link(f"/sys/block/{raid.name}", device)
    tree.texts(device, size=raid.size // 512 if raid.level else 0, removable=0)
    places = len(raid.members) if raid.places is None else raid.places
    layout = {"raid10": raid.layout, "raid5": 2, "raid6": 2}.get(raid.level, 0)
    tree.texts(place, level=raid.level, raid_disks=places, layout=layout, chunk_size=524288, metadata_version="1.2")
    tree.texts(place, array_state=raid.state, reshape_position="none", safe_mode_delay="0.000")
    if raid.level in REDUNDANT:
        lost = places - len(raid.members)
        tree.texts(place, degraded=lost, sync_action="idle", sync_completed="none", mismatch_cnt=0)
    placed = [(block, str(number), "in_sync") for number, block in enumerate(raid.members)]
    for block, slot, state in (*placed, *((block, "none", state) for block, state in raid.idle.items())):
        here = f"{place}/dev-{block}"
        tree.texts(here, slot=slot, state=state, errors=0, offset=264192, size=raid.size // 1024, bad_blocks="")
        tree.link(f"{here}/block", _block_place(tree, block))
        tree.link(f"{device}/slaves/{block}", _block_place(tree, block))
        if slot != "none":
            tree.link(f"{place}/rd{slot}", here)


def _block_place(tree: Tree, block: str) -> str:
    """Where a block device is; a partition is below its disk, and is made if it is not there."""
    if block in tree.listed("/sys/block"):
        return tree.resolve(f"/sys/block/{block}")
    stem = block.rstrip("0123456789")
    disk = stem[:-1] if stem.endswith("p") and stem[-2].isdigit() else stem
    if disk not in tree.listed("/sys/block"):
        return f"/sys/devices/virtual/block/{block}"
    place = f"{tree.resolve(f'/sys/block/{disk}')}/{block}"
    tree.texts(place, partition=block.removeprefix(stem), start=2048, size=1_000_000)
    return place
