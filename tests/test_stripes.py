"""Sets of software RAID: what is read of them, what they should give, and what is said of them.

What the kernel offers is from Documentation/admin-guide/md.rst and drivers/md/md.c (Linux kernel); named at each test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from probes import capture, linux
from probes.facts import StripeSet
from probes.reads import Recorded, Recording
from probes.unread import Unread
from tests.boards import bench_1, carrier, display, folio, reel_3
from tests.build import build, facts, record
from tests.raid import Raid, put_set
from tests.tree import TreeReads

if TYPE_CHECKING:
    from tests.tree import Tree

MD: Final = "/sys/devices/virtual/block/md0"


def tower(*sets: Raid) -> Tree:
    """Four drives for 8 GT/s on a switch carrier, a system drive (nvme4), two SATA disks, and these sets."""
    drives = [reel_3(f"RL3-1200{number}") for number in range(1, 5)]
    fitted = {"SLOT1": [carrier((3, 8), drives)], "SLOT2": display(), "M2_1": [folio("QF1-12001", (4, 4))]}
    tree = build(bench_1(fitted))
    for one in sets:
        put_set(tree, one)
    return tree


def set_of(tree: Tree) -> StripeSet:
    """The only set of a machine."""
    (found,) = facts(tree).stripes
    return found


# --- What is read ----------------------------------------------------------------------------------------------


def test_a_set_is_read_with_its_members_in_order() -> None:
    """Level, places, state, size and the drives of the members, in the order of their places and not of their names.

    Source: md.rst, "level", "raid_disks", "array_state", "dev-XXX/slot"; size is in sectors of 512 bytes
    (Documentation/ABI/stable/sysfs-block).
    """
    found = set_of(tower(Raid(members=["nvme3n1", "nvme1n1"], size=4_000_000_000_000)))
    expected = StripeSet(
        name="md0",
        level="raid0",
        places=2,
        layout=None,
        members=("nvme3", "nvme1"),
        blocks=("nvme3n1", "nvme1n1"),
        idle=(),
        state="clean",
        missing=None,
        size_bytes=4_000_000_000_000,
    )
    assert expected == found


def test_a_member_may_be_a_partition() -> None:
    """A partition belongs to its disk: a "p" stands before the number where the disk's name ends in a digit.

    Source: block/partitions/core.c, the name of a partition.
    """
    found = set_of(tower(Raid(level="raid1", members=["nvme0n1p2", "sda3"])))
    assert ("nvme0", "sda") == found.members


def test_a_member_that_is_no_drive_is_told_as_a_block_device() -> None:
    """Sets over other sets, loops and volumes have members that belong to no drive of the list."""
    found = set_of(tower(Raid(members=["loop0", "dm-0", "nvme0n1"])))
    assert (("", "", "nvme0"), ("loop0", "dm-0", "nvme0n1")) == (found.members, found.blocks)


def test_spares_and_failed_members_are_told_apart() -> None:
    """A member without a place is idle, and the kernel counts what the set has lost.

    Source: md.rst, "slot" ('none' if the device is not active in the array), "degraded".
    """
    raid = Raid(level="raid5", members=["nvme0n1", "nvme1n1"], places=3, idle={"nvme2n1": "faulty"})
    found = set_of(tower(raid))
    assert (("nvme0", "nvme1"), ("nvme2n1",), 3, 1) == (found.members, found.idle, found.places, found.missing)


def test_a_set_that_changes_its_form_gives_the_number_in_force() -> None:
    """While a set is reshaped the kernel writes the number in force and the older one in brackets.

    Source: drivers/md/md.c raid_disks_show.
    """
    tree = tower(Raid(level="raid5", members=["nvme0n1", "nvme1n1", "nvme2n1"]))
    tree.texts(f"{MD}/md", raid_disks="4 (3)")
    assert set_of(tree).places == 4


def test_a_set_that_does_not_run_has_no_level() -> None:
    """The kernel leaves the level of a set that is not running empty. Source: drivers/md/md.c level_show."""
    found = set_of(tower(Raid(level="", members=["nvme0n1"], state="inactive")))
    assert ("", "inactive") == (found.level, found.state)


def test_only_answers_are_asked_of_a_set() -> None:
    """No attribute is read that starts, clears or lists anything but what the set is; none is asked below a disk."""
    answers, _ = record(tower(Raid(level="raid10", members=["nvme0n1", "nvme1n1", "nvme2n1", "nvme3n1"])))
    asked = {key for key in answers if "/md0" in key}
    own = {f"text /sys/block/md0/md/{name}" for name in ("level", "raid_disks", "layout", "array_state", "degraded")}
    slots = {f"text /sys/block/md0/md/dev-nvme{number}n1/slot" for number in range(4)}
    assert {"list /sys/block/md0/md", "text /sys/block/md0/size", *own, *slots} == asked


def test_a_machine_without_sets_is_asked_nothing_of_them() -> None:
    """Where no block device is a set, nothing is asked that was not asked before."""
    answers, _ = record(tower())
    assert [key for key in answers if "/md" in key.replace("/sys/firmware/dmi", "")] == []


def test_a_capture_from_before_replays_without_noise() -> None:
    """A capture whose block devices name a set, but that never asked for it, gives no set and no complaint."""
    answers, _ = record(tower(Raid(members=["nvme0n1", "nvme1n1"])))
    older = {key: answer for key, answer in answers.items() if "/md0" not in key}
    seen = linux.collect(Recorded(older, "linux"))
    plain = linux.collect(Recorded(record(tower())[0], "linux"))
    assert ((), plain.unread) == (seen.stripes, seen.unread)


def test_what_cannot_be_read_of_a_set_is_said_once() -> None:
    """A set whose level and places fail is kept, with one line that names it."""
    tree = tower(Raid(members=["nvme0n1", "nvme1n1"]))
    tree.fail(f"{MD}/md/level", "EIO")
    tree.fail(f"{MD}/md/raid_disks", "EIO")
    seen = facts(tree)
    (found,) = seen.stripes
    assert isinstance(found.level, Unread)
    assert [one.why for one in seen.unread if one.what == "md0"] == ["the device gave an input/output error (EIO)"]


def test_a_set_that_refuses_to_be_listed_is_named() -> None:
    """Anything but "not there" is worth a line."""
    tree = tower(Raid(members=["nvme0n1", "nvme1n1"]))
    tree.fail(f"{MD}/md", "EIO")
    seen = facts(tree)
    assert () == seen.stripes
    assert [one for one in seen.unread if one.what == "list /sys/block/md0/md"]


@pytest.mark.parametrize("slot", ["9" * 30, "-1", "none", "journal", "", "²", "1_0"])
def test_a_place_that_is_no_number_is_none(slot: str) -> None:
    """Whatever a capture says of a member's place, the set is read and the member counts or is idle."""
    tree = tower(Raid(members=["nvme0n1", "nvme1n1"]))
    tree.texts(f"{MD}/md/dev-nvme1n1", slot=slot)
    found = set_of(tree)
    placed = slot == "9" * 30
    assert (("nvme0", "nvme1") if placed else ("nvme0",)) == found.members
    assert (() if placed else ("nvme1n1",)) == found.idle


def test_a_capture_of_a_set_holds_what_a_replay_asks_and_no_secret() -> None:
    """Redacting a capture leaves everything that is said of a set."""
    tree = tower(Raid(members=["nvme0n1", "nvme1n1p1"]))
    answers, _ = record(tree)
    content = capture.encode(
        platform="linux", taken_at="2026-03-02T09:00:00Z", agent="0", answers=answers, samples=[], keep_serials=False
    )
    kept = capture.parse(content, "capture.json")
    again = Recording(Recorded(kept.reads, "linux"))
    assert linux.collect(TreeReads(tree)).stripes == linux.collect(again).stripes
    assert set(kept.reads) == set(again.answers)
