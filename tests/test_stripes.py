"""Sets of software RAID: what is read of them, what they should give, and what is said of them.

What the kernel offers is from Documentation/admin-guide/md.rst and drivers/md/md.c (Linux kernel); named at each test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.audit import audit, only_at
from agent.model.drive_rates import paths_of_drives
from agent.report import data, inventory_text, text
from knowledge import pcie
from knowledge.steps import STRIPE_CAUTION
from probes import capture
from probes.facts import StripeSet
from probes.linux import collecting as linux
from probes.reads import Recorded, Recording
from probes.unread import Unread
from tests.boards import bench_1, carrier, display, folio, reel_3
from tests.build import build, facts, record, set_link
from tests.raid import Raid, put_set
from tests.tree import TreeReads

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.stripes import StripeSeen
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
    assert [one for one in seen.unread if one.what == "what set md0 is (/sys/block/md0/md)"]
    assert "stripe sets" == seen.gaps[0].of


@pytest.mark.parametrize("slot", ["9" * 30, "-1", "none", "journal", "²", "1_0"])
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


# --- What a set should reach -----------------------------------------------------------------------------------


def seen_set(*sets: Raid) -> StripeSeen:
    """The only set of the tower, with its rates."""
    (found,) = audit(facts(tower(*sets))).stripes
    return found


def rounded(rates: tuple[float, float] | None) -> tuple[int, int] | None:
    """A range in whole MB/s."""
    return None if rates is None else (round(rates[0]), round(rates[1]))


# Worked out by hand for the x8 uplink at 8 GT/s (7,876.9 MB/s) and drives with x4 (3,938.5): three quarters are common
# practice; the high end is link rate x 256 / (256 + 24) read and x 256 / (256 + 20) written (knowledge/rates.py). What
# a level makes of it: Patterson, Gibson and Katz, SIGMOD 1988, and common practice for 0 and 10.
RATES: Final = {
    "raid0 of two": (Raid(members=["nvme0n1", "nvme1n1"]), (5908, 7202), (5908, 7306)),
    "raid0 of four": (Raid(members=[f"nvme{one}n1" for one in range(4)]), (5908, 7202), (5908, 7306)),
    "raid1 of two": (Raid(level="raid1", members=["nvme0n1", "nvme1n1"]), (2954, 7202), (2954, 3653)),
    "raid5 of three": (Raid(level="raid5", members=[f"nvme{one}n1" for one in range(3)]), (3938, 4801), (3938, 4871)),
    "raid10 of four": (Raid(level="raid10", members=[f"nvme{one}n1" for one in range(4)]), (5908, 7202), (2954, 3653)),
}


@pytest.mark.parametrize(("raid", "read", "written"), RATES.values(), ids=RATES)
def test_a_set_reaches_what_its_members_and_their_shared_link_allow(
    raid: Raid, read: tuple[int, int], written: tuple[int, int]
) -> None:
    """Four drives with 3,601 MB/s each behind an uplink with 7,202: what the set gives when read and when written."""
    found = seen_set(raid)
    assert (read, written) == (rounded(found.alone), rounded(found.alone_write))


def test_with_all_drives_at_work_a_set_has_its_part_of_the_shared_link() -> None:
    """Two of four drives behind one uplink are a set: while the others are read too, it has half of the uplink."""
    found = seen_set(Raid(members=["nvme0n1", "nvme1n1"]))
    assert ((2954, 3601), (2954, 3653)) == (rounded(found.together), rounded(found.together_write))
    assert found.narrowest == "0000:00:01.0"


WHY: Final = {
    "a level that is not modelled": (Raid(level="raid6", members=[f"nvme{one}n1" for one in range(4)]), "raid6"),
    "not running": (Raid(level="", members=["nvme0n1"], state="inactive"), "not running"),
    "stopped": (Raid(members=["nvme0n1", "nvme1n1"], state="clear"), "not running"),
    "a member missing": (Raid(level="raid5", members=["nvme0n1", "nvme1n1"], places=3), "1 of its members is missing"),
    "places empty": (Raid(members=["nvme0n1", "nvme1n1"], places=4), "2 of its members are missing"),
    "disks": (Raid(level="raid1", members=["sda1", "sdb1"]), "the interface of sda, sdb decides"),
    "a volume": (Raid(members=["dm-0", "nvme0n1"]), "nothing is known of the rate of dm-0"),
    "one drive twice": (Raid(members=["nvme0n1p1", "nvme0n1p2"]), "twice"),
    "one member": (Raid(members=["nvme0n1"]), "at least 2"),
    "three copies": (
        Raid(level="raid10", members=[f"nvme{one}n1" for one in range(4)], layout=0x103),
        "two copies of each piece",
    ),
    "an odd number": (Raid(level="raid10", members=[f"nvme{one}n1" for one in range(3)]), "at least 4"),
}


@pytest.mark.parametrize(("raid", "why"), WHY.values(), ids=WHY)
def test_where_no_rate_can_be_told_the_reason_is(raid: Raid, why: str) -> None:
    """A set without a rate says why, in every form, and no rule speaks of it."""
    seen = audit(facts(tower(raid)))
    (found,) = seen.stripes
    assert (None, None, None, None) == (found.alone, found.together, found.alone_write, found.together_write)
    assert why in found.why
    assert why in data.check(seen).stripes[0].why
    assert why in " ".join("\n".join(line.plain for line in text.whole(seen, 200, "x").lines).split())
    assert [] == [one.rule for one in seen.findings if one.rule == "stripe-held-back"]


@pytest.mark.parametrize("layout", [0x102, 0x201, 0x10201])
def test_two_copies_are_two_copies_however_they_lie(layout: int) -> None:
    """Near, far and offset copies are modelled alike. Source: drivers/md/raid10.c setup_geo (Linux kernel)."""
    raid = Raid(level="raid10", members=[f"nvme{one}n1" for one in range(4)], layout=layout)
    assert (5908, 7202) == rounded(seen_set(raid).alone)


# --- What is said ----------------------------------------------------------------------------------------------


def held_back(seen: Audit) -> list[str]:
    """What the rule about sets says."""
    return [one.headline for one in seen.findings if one.rule == "stripe-held-back"]


def test_a_set_that_its_shared_link_holds_back_is_told_with_figures() -> None:
    """Three members could read 10,802 MB/s (3 x 3,601); their uplink carries 7,202."""
    (said,) = held_back(audit(facts(tower(Raid(members=[f"nvme{one}n1" for one in range(3)])))))
    assert "5,908 to 7,202 MB/s" in said
    assert "8,862 to 10,803 MB/s" in said


def test_a_set_that_its_members_themselves_limit_is_left_alone() -> None:
    """Two members fill the uplink just as well as links of their own would."""
    assert [] == held_back(audit(facts(tower(Raid(members=["nvme0n1", "nvme1n1"])))))


def test_own_limits_of_members_free_the_shared_link() -> None:
    """Four drives that give 1,500 MB/s each are not held back by an uplink that carries 7,202."""
    limits = {f"nvme{one}": (1500.0, 1000.0) for one in range(4)}
    seen = audit(facts(tower(Raid(members=[f"nvme{one}n1" for one in range(4)]))), limits=limits)
    assert [] == held_back(seen)
    assert ((5908, 6000), (4000, 4000)) == (rounded(seen.stripes[0].alone), rounded(seen.stripes[0].alone_write))


@pytest.mark.parametrize(("each", "told"), [(2401.0, False), (2410.0, True)])
def test_a_loss_of_a_thousandth_is_a_matter_of_rounding(each: float, told: bool) -> None:  # noqa: FBT001 - a parameter
    """Three members share 7,201.8 MB/s: 7,203 that they could give is no loss, 7,230 is one of four thousandths."""
    limits = {f"nvme{one}": (each, 1000.0) for one in range(3)}
    seen = audit(facts(tower(Raid(members=[f"nvme{one}n1" for one in range(3)]))), limits=limits)
    assert "0000:00:01.0" == seen.stripes[0].narrowest_alone
    assert told == bool(held_back(seen))


def narrow_tower(up: tuple[int, int]) -> Tree:
    """A set of two drives with x4 each behind a carrier whose uplink may have fewer lanes than they have together."""
    drives = [reel_3("RL3-12001"), reel_3("RL3-12002")]
    tree = build(bench_1({"SLOT1": [carrier(up, drives, bays=2)]}))
    put_set(tree, Raid(members=["nvme0n1", "nvme1n1"]))
    return tree


@pytest.mark.parametrize(("up", "told"), [((3, 4), True), ((3, 8), False)])
def test_two_members_are_enough_to_share_a_link(up: tuple[int, int], told: bool) -> None:  # noqa: FBT001 - a parameter
    """Two drives with four lanes each are held back by an uplink of four lanes, and not by one of eight."""
    said = held_back(audit(facts(narrow_tower(up))))
    assert told == any("2,954 to 3,601 MB/s" in one and "5,908 to 7,202 MB/s" in one for one in said)
    assert told == bool(said)


def test_a_link_below_its_best_is_no_measure_of_a_carrier() -> None:
    """An uplink of eight lanes that trained at four is a finding by itself; how the carrier is built is not blamed."""
    tree = narrow_tower((3, 8))
    set_link(tree, ("0000:00:01.0", "0000:01:00.0"), (3, 4))
    seen = audit(facts(tree))
    assert ["0000:01:00.0"] == [one.subject for one in seen.findings if one.rule == "link-narrow"]
    assert "0000:00:01.0" == seen.stripes[0].narrowest_alone
    assert [] == held_back(seen)


def test_a_stripe_comes_with_its_caution_once() -> None:
    """Risk of loss and starting from it are said beside the rates, once for all sets of a kind."""
    first = Raid(members=["nvme0n1p1", "nvme1n1p1"])
    second = Raid(name="md1", members=["nvme2n1p1", "nvme3n1p1"])
    seen = audit(facts(tower(first, second)))
    lines = " ".join("\n".join(line.plain for line in text.whole(seen, 100, "x").lines).split())
    assert lines.count(STRIPE_CAUTION) == 1
    assert {one.caution for one in data.check(seen).stripes} == {STRIPE_CAUTION}
    assert "common practice" in STRIPE_CAUTION


def test_an_inventory_shows_sets_too() -> None:
    """Both commands show the same sets."""
    seen = audit(facts(tower(Raid(members=["nvme0n1", "nvme1n1"]))))
    assert data.inventory(seen).stripes == data.check(seen).stripes
    assert "Stripe sets" in "\n".join(line.plain for line in inventory_text.inventory(seen, 100, "x").lines)


def test_only_shows_the_sets_of_its_drives() -> None:
    """`--only` keeps the sets that a drive of the part belongs to, and no other."""
    first, second = Raid(members=["nvme0n1", "nvme1n1"]), Raid(name="md1", level="raid1", members=["sda1", "sdb1"])
    seen = audit(facts(tower(first, second)))
    assert ["md0"] == [one.stripe.name for one in only_at(seen, "nvme1").stripes]
    assert [] == [one.stripe.name for one in only_at(seen, "SLOT2").stripes]


@pytest.mark.parametrize("slot", ["none", None])
def test_a_drive_that_is_not_active_still_belongs_to_its_set(slot: str | None) -> None:
    """A spare or failed member, or one whose place could not be read, shows its set and what is not known of it."""
    tree = tower(Raid(level="raid1", members=["nvme0n1p1", "nvme1n1p1"]))
    place = f"{MD}/md/dev-nvme1n1p1"
    tree.texts(place, slot="none")
    if slot is None:
        tree.fail(f"{place}/slot", "EIO")
    found = only_at(audit(facts(tree)), "nvme1")
    assert [("nvme0",)] == [one.stripe.members for one in found.stripes]
    assert [("nvme1",)] == [one.stripe.not_active for one in found.stripes]
    assert (slot is None) == any("md0" in one.what for one in found.unread)


# --- Writing, and both ways ------------------------------------------------------------------------------------


def test_drives_tell_what_they_take_and_both_ways_at_once() -> None:
    """Written by hand for an x4 drive at 8 GT/s behind a x8 uplink of four: 3,653 alone, 1,827 of the uplink.

    3,938.5 x 256 / (256 + 20), and a fourth of twice as much. Both ways at once is never more than one way,
    and less for what is read: the requests for what is written take their part of the way to the host.
    """
    (found, *_) = data.check(audit(facts(tower()))).drives
    assert ((2953.8, 3653.1), (1476.9, 1826.5)) == (found.alone_write_mbps, found.together_write_mbps)
    for both, one in ((found.both_read_mbps, found.together_mbps), (found.both_write_mbps, found.together_write_mbps)):
        assert both is not None
        assert one is not None
        assert both[0] <= one[0]
        assert both[1] <= one[1]
    assert found.both_read_mbps is not None
    assert found.together_mbps is not None
    assert found.both_read_mbps[1] < found.together_mbps[1]


def test_an_inventory_has_a_line_for_each_way() -> None:
    """Read, written, and both at once; a check has the reading alone."""
    seen = audit(facts(tower()))
    inventory = "\n".join(line.plain for line in inventory_text.inventory(seen, 120, "x").lines)
    check = "\n".join(line.plain for line in text.whole(seen, 120, "x").lines)
    for words in ("read alone 2,954 to 3,601 MB/s", "written alone 2,954 to 3,653 MB/s", "read and written at once"):
        assert words in inventory
        assert words not in check


@pytest.mark.parametrize(("code", "size"), [(0, 128), (2, 512), (5, 4096), (7, None)])
def test_the_size_of_read_requests_is_that_of_the_drive(code: int, size: int | None) -> None:
    """A drive's Max Read Request Size counts on its way, the smallest one where drives share a hop.

    Source: PCI Express Base, Device Control Register: 0 is 128 bytes, each step twice as much, 6 and 7 are reserved.
    """
    asking = reel_3("RL3-1", registers={pcie.DEVICE_CONTROL: {"max_read_request_size": code}})
    seen = audit(facts(build(bench_1({"SLOT1": [carrier((3, 8), [asking, reel_3("RL3-2")], bays=2)]}))))
    flows, hops = paths_of_drives(seen.machine, seen.by_key, {})
    own, shared = (hops[key] for key in flows[0].hops)
    other = hops[flows[1].hops[0]].request_bytes
    assert own.request_bytes == size
    assert other is not None
    assert shared.request_bytes == (None if size is None else min(size, other))
