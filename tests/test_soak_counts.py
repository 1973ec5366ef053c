"""Under which names the bytes of a drive are counted: a 0 that means "not counted here" is never taken for a count.

Sources: drivers/nvme/host/core.c and multipath.c of the Linux kernel (names of paths; which of them count since when),
Documentation/ABI/stable/sysfs-block (queue/iostats: 1 counts, 0 does not).
"""

from __future__ import annotations

import time
from array import array
from math import nan
from typing import Final

import msgspec
import pytest

from agent.soak.sampling import Sampler
from probes import collect
from probes.linux.counts import counted, traffic
from probes.unread import Unread
from tests.build import TreeReads
from tests.soaks import changed, cool, one
from tests.soaks import soak as one_soak
from tests.tree import Tree
from tests.watched import STARTED, WatchedReads, head_of, set_counts, two_drives

WORK: Final = (1000, 2000, 10, 20, 5)
NONE: Final = (0, 0, 0, 0, 0)


def machine(iostats: dict[str, str], **counts: tuple[int, int, int, int, int]) -> TreeReads:
    """Block devices with their counts, and what stands in queue/iostats of those that tell it."""
    tree = Tree()
    for name, text in iostats.items():
        tree.put(f"/sys/block/{name}/queue/iostats", text)
    set_counts(tree, **counts)
    return TreeReads(tree)


PATH: Final = "nvme1c2n1"  # of subsystem 1 through controller 2 to namespace 1
WHOLE: Final = "nvme1n1"


@pytest.mark.parametrize(
    ("iostats", "counts", "names"),
    [
        # Linux 6.1: the path counts, the whole does not. Later: both do.
        ({PATH: "1", WHOLE: "0"}, {PATH: WORK, WHOLE: NONE}, (PATH,)),
        ({PATH: "1", WHOLE: "1"}, {PATH: WORK, WHOLE: WORK}, (PATH,)),
        ({PATH: "1", WHOLE: "1"}, {PATH: NONE, WHOLE: NONE}, (PATH,)),
        # Counting was switched off for the path, or for both.
        ({PATH: "0", WHOLE: "1"}, {PATH: WORK, WHOLE: WORK}, (WHOLE,)),
        ({PATH: "0", WHOLE: "0"}, {PATH: WORK, WHOLE: NONE}, ()),
        # The table has no line of the path.
        ({PATH: "1", WHOLE: "0"}, {WHOLE: NONE}, ()),
        ({PATH: "1", WHOLE: "1"}, {WHOLE: WORK}, (WHOLE,)),
        # Nothing says whether counting is on: what has counts counts.
        ({}, {PATH: WORK, WHOLE: NONE}, (PATH,)),
        ({}, {PATH: WORK, WHOLE: WORK}, (PATH,)),
        ({}, {PATH: NONE, WHOLE: WORK}, (WHOLE,)),
        ({}, {PATH: NONE, WHOLE: NONE}, ()),
        # Two paths: what the whole counts is of both, and no one's own.
        ({PATH: "1"}, {PATH: NONE, "nvme1c3n1": WORK, WHOLE: WORK}, (PATH,)),
        ({PATH: "0", WHOLE: "1"}, {PATH: NONE, "nvme1c3n1": WORK, WHOLE: WORK}, ()),
        ({PATH: "0", WHOLE: "1", "nvme1c3n1": "1"}, {PATH: NONE, WHOLE: WORK}, ()),
        # Paths to other namespaces and subsystems are no paths to this one; nor is a partition.
        ({}, {WHOLE: NONE, "nvme1c2n11": WORK, "nvme11c2n1": WORK, "nvme1c2n1p1": WORK}, (WHOLE,)),
    ],
)
def test_a_drive_of_several_paths_is_counted_where_its_count_is_one(
    iostats: dict[str, str], counts: dict[str, tuple[int, int, int, int, int]], names: tuple[str, ...]
) -> None:
    """The path's own count comes first, then that of a whole with one path; none where neither can be told."""
    assert names == counted(machine(iostats, **counts), "nvme2", (WHOLE,))


@pytest.mark.parametrize(("drive", "block"), [("nvme0", "nvme0n1"), ("sda", "sda")])
@pytest.mark.parametrize(("iostats", "known"), [("1", True), (None, True), ("0", False)])
def test_a_drive_for_which_counting_is_off_has_no_counts(
    drive: str,
    block: str,
    iostats: str | None,
    known: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A drive of one path is counted under its own name, unless the kernel is set not to count what it does."""
    reads = machine({} if iostats is None else {block: iostats}, **{block: NONE})
    assert ((block,) if known else ()) == counted(reads, drive, (block,))


def test_of_several_namespaces_all_are_counted_or_none() -> None:
    """A sum without one of its parts is none: where one namespace is not counted the drive is not."""
    reads = machine({"nvme0n2": "0"}, nvme0n1=WORK, nvme0n2=NONE, nvme0n3=WORK)
    assert ("nvme0n1", "nvme0n3") == counted(reads, "nvme0", ("nvme0n1", "nvme0n3"))
    assert () == counted(reads, "nvme0", ("nvme0n1", "nvme0n2"))


@pytest.mark.parametrize(
    ("path", "whole", "expected"),
    [(WORK, NONE, (1000, 2000)), (WORK, WORK, (1000, 2000)), (None, NONE, (None, None))],
)
def test_a_sample_has_the_paths_bytes_once(
    path: tuple[int, int, int, int, int] | None,
    whole: tuple[int, int, int, int, int],
    expected: tuple[int | None, int | None],
) -> None:
    """A sample of a drive of several paths has what its path counts, not the sum with the whole, and no 0 for none."""
    tree = two_drives()
    place = tree.resolve("/sys/class/nvme/nvme0")
    tree.remove(f"{place}/nvme0n1")
    tree.texts(f"{place}/nvme0c0n1", size=8)
    tree.put("/sys/block/nvme0n1/queue/iostats", "1" if any(whole) else "0")
    if path is not None:
        tree.put("/sys/block/nvme0c0n1/queue/iostats", "1")
    set_counts(tree, nvme0n1=whole, nvme1n1=NONE, **({} if path is None else {"nvme0c0n1": path}))
    sampler = Sampler(WatchedReads(tree), head_of(tree), time.monotonic)
    sample, _ = sampler.take(0.0, 0.0)
    sampler.close()
    assert [expected, (0, 0)] == [(one.read_bytes, one.write_bytes) for one in sample.drives]


@pytest.mark.parametrize(
    ("paths", "whole", "expected"),
    [
        ({"nvme0c0n1": WORK}, NONE, (1000, 2000)),
        ({"nvme0c0n1": WORK}, WORK, (1000, 2000)),
        ({}, WORK, (1000, 2000)),
        ({}, NONE, None),
        # One of both drives is the other's second path: each counts a part of what is done.
        ({"nvme0c0n1": WORK, "nvme0c1n1": (1, 2, 3, 4, 5)}, NONE, (1001, 2002)),
        ({"nvme0c0n1": WORK, "nvme0c1n1": NONE}, NONE, None),
    ],
)
def test_what_others_do_to_a_drive_of_several_paths_is_no_zero(
    paths: dict[str, tuple[int, int, int, int, int]],
    whole: tuple[int, int, int, int, int],
    expected: tuple[int, int] | None,
) -> None:
    """By the name programs use there is what its paths count, and nothing where a 0 may mean that none counts."""
    tree = two_drives()
    for number, drive in enumerate(("nvme0", "nvme1")):
        place = tree.resolve(f"/sys/class/nvme/{drive}")
        if number == 0 or "nvme0c1n1" in paths:
            tree.remove(f"{place}/{drive}n1")
            tree.texts(f"{place}/nvme0c{number}n1", size=8)
    tree.put("/sys/block/nvme0n1/queue/iostats", "1" if any(whole) else "0")
    set_counts(tree, nvme0n1=whole, nvme1n1=NONE, sda=(7, 8, 9, 10, 11), **paths)
    reads = WatchedReads(tree)
    now = traffic(reads, collect(reads, (), STARTED).drives)
    others = () if "nvme0c1n1" in paths else ("nvme1n1",)
    found = now()
    assert not isinstance(found, Unread)
    assert {"nvme0n1": expected, "sda": (7, 8), **dict.fromkeys(others, (0, 0))} == {
        name: found.get(name) for name in ("nvme0n1", "sda", *others)
    }
    # What is counted later is looked up under the same names.
    more = {name: (counts[0] + 5, counts[1], *counts[2:]) for name, counts in paths.items()}
    set_counts(tree, nvme0n1=whole, nvme1n1=NONE, **more)
    later = None if expected is None else (expected[0] + 5 * len(paths), expected[1])
    found = now()
    assert not isinstance(found, Unread)
    assert later == found.get("nvme0n1")


def test_a_drive_that_is_not_counted_says_so() -> None:
    """Where the system counts no bytes of a drive its analysis has no load, and a note that says why."""
    made = one_soak(cool())
    track = made.tracks[0]
    unknown = array("d", [nan] * len(track.seconds))
    bare = msgspec.structs.replace(track.head, blocks=())
    found = one(changed(made, head=bare, read_mbps=unknown, write_mbps=unknown, busy=unknown))
    assert found.load is None
    assert "the system does not count the bytes that it reads and writes" in found.notes
    assert () == one(made).notes
