"""What is a change and what it is called: parts, links, rates, sets, firmware, temperatures, health, findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.whole import compare
from agent.model.findings import Severity
from probes import capture, collect
from probes.tokens import Known
from probes.unread import Unread
from tests.boards import (
    REEL_3,
    bench_1,
    bench_2,
    bench_3,
    carrier,
    display,
    folio,
    gigabit,
    reel_3,
    reel_4,
    scanner,
    ten_gigabit,
)
from tests.build import build, capture_bytes, facts, set_link
from tests.machines import MACHINES
from tests.parts import Disk, Function, Machine, Nvme, downstream_port, drive, root_port, switch
from tests.raid import Raid, put_set

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Change, Comparison
    from probes.facts import Facts
    from tests.tree import Tree

NOTHING: Final = "Nothing changed."


def seen(described: Machine | Tree, *, privileged: bool = True) -> Audit:
    """The audit of a machine."""
    tree = build(described) if isinstance(described, Machine) else described
    return audit(facts(tree, privileged=privileged))


def known(name: str, *, privileged: bool = True) -> Audit:
    """The audit of a machine of the list."""
    made = MACHINES[name]()
    return audit(facts(made.tree, made.looks, made.again, privileged=privileged))


def parts(found: Comparison) -> list[tuple[str, str, str, str]]:
    """Each part that changed: how, its name, where it was, where it is."""
    told: list[tuple[str, str, str, str]] = []
    for one in found.parts:
        part = one.after or one.before
        assert part is not None
        places = [side.place if side is not None else "" for side in (one.before, one.after)]
        told.append((one.kind, part.name, places[0], places[1]))
    return told


def rows(found: Comparison, topic: str = "") -> list[tuple[str, str, str, str]]:
    """Each row of a topic: what, before, after, direction."""
    return [(one.what, one.before, one.after, one.direction) for one in found.changes if topic in {"", one.topic}]


def gains(found: Comparison) -> list[tuple[str, str, str]]:
    """Each finding that changed: how, its rule, direction."""
    told: list[tuple[str, str, str]] = []
    for one in found.findings:
        finding = one.after or one.before
        assert finding is not None
        told.append((one.kind, finding.rule, one.direction))
    return told


def row(found: Comparison, topic: str, what: str) -> Change:
    """The one row of a topic and a word."""
    (one,) = [change for change in found.changes if (change.topic, change.what) == (topic, what)]
    return one


def worked(serial: str, **log: int) -> Function:
    """A drive whose own log has these figures."""
    return reel_3("", nvme=Nvme(model=REEL_3, serial=serial, firmware="RL3A1.07", kelvin=313, log=log))


def warm(kelvin: int, *, warning: int = 343) -> Machine:
    """A tower with one drive at a temperature."""
    return bench_2({"PCIE3": [reel_3("", nvme=Nvme(serial="A-0001", kelvin=kelvin, warning=warning))]})


def unnamed(number: int = 0, **more: Any) -> Function:  # noqa: ANN401 - fields of Nvme
    """A drive that tells no serial number, hotter by `number` than its like."""
    return drive((4, 4), Nvme(serial=" ", kelvin=310 + number, **more))


# --- Parts ---------------------------------------------------------------------------------------------------------


def test_a_drive_that_moved_is_told_by_its_serial_number() -> None:
    """A drive taken from a slow slot to a fast one has moved, and is neither gone nor new."""
    before, after = bench_1({"SLOT4": [reel_4("RL4-1")]}), bench_1({"SLOT3": [reel_4("RL4-1")]})
    found = compare(seen(before), seen(after))
    assert [("moved", "Ostrayne Reel 4 2TB", "SLOT4", "SLOT3")] == parts(found)
    assert found.parts[0].after is not None
    assert "serial number" == found.parts[0].after.identity
    assert not found.worse


def test_alike_drives_that_changed_places_have_moved() -> None:
    """Two drives of one model that changed slots are known by their serial numbers."""
    before = bench_1({"M2_1": [reel_4("RL4-1")], "M2_2": [reel_4("RL4-2")]})
    after = bench_1({"M2_1": [reel_4("RL4-2")], "M2_2": [reel_4("RL4-1")]})
    assert [
        ("moved", "Ostrayne Reel 4 2TB", "M2_2", "M2_1"),
        ("moved", "Ostrayne Reel 4 2TB", "M2_1", "M2_2"),
    ] == parts(compare(seen(before), seen(after)))


def test_drives_that_cannot_be_told_apart_have_not_changed_places() -> None:
    """Two drives of one model without serial numbers are taken to be where they were."""
    tower = bench_1({"M2_1": [unnamed()], "M2_2": [unnamed()]})
    other = bench_1({"M2_1": [unnamed(1)], "M2_2": [unnamed(2)]})
    found = compare(seen(tower), seen(other))
    assert (NOTHING, []) == (found.verdict, parts(found))


def test_of_alike_drives_the_one_whose_place_is_free_is_gone() -> None:
    """Of three drives that cannot be told apart, the one whose slot is empty now was taken out."""
    three: dict[str, list[Function]] = {"M2_1": [unnamed()], "M2_2": [unnamed()], "SLOT3": [unnamed()]}
    two: dict[str, list[Function]] = {"M2_1": [unnamed()], "SLOT3": [unnamed()]}
    found = compare(seen(bench_1(three)), seen(bench_1(two)))
    assert [("removed", "Ostrayne Reel 4 2TB", "M2_2", "")] == parts(found)
    assert found.parts[0].before is not None
    assert "place" == found.parts[0].before.identity
    assert found.worse
    assert "Worse than before: nvme2 (Ostrayne Reel 4 2TB) in M2_2 is missing." == found.verdict


def test_a_carrier_takes_its_drives_along() -> None:
    """Drives that stay on their carrier have not moved when the carrier did."""
    drives = ["RL3-1", "RL3-2"]
    before = bench_1({"SLOT1": [carrier((3, 8), [reel_3(one) for one in drives])]})
    after = bench_1({"SLOT2": [carrier((3, 8), [reel_3(one) for one in drives])]})
    found = compare(seen(before), seen(after))
    assert [("moved", "Packet switch PS-12", "SLOT1", "SLOT2")] == parts(found)


def test_of_two_alike_carriers_each_is_known_by_its_drives() -> None:
    """Two carriers without a number of their own that changed slots with their drives have moved, not the drives."""

    def rack(*serials: str) -> list[Function]:
        return [carrier((3, 8), [reel_3(one) for one in serials])]

    before = bench_1({"SLOT1": rack("A-1", "A-2"), "SLOT2": rack("B-1", "B-2")})
    after = bench_1({"SLOT1": rack("B-1", "B-2"), "SLOT2": rack("A-1", "A-2")})
    assert [
        ("moved", "Packet switch PS-12", "SLOT2", "SLOT1"),
        ("moved", "Packet switch PS-12", "SLOT1", "SLOT2"),
    ] == parts(compare(seen(before), seen(after)))


def test_a_card_put_in_before_others_moves_none_of_them() -> None:
    """A carrier in the first slot takes bus numbers, so that all that follow are called anew: only it is new."""
    fitted: dict[str, list[Function]] = {"SLOT2": display(), "SLOT4": ten_gigabit(), "M2_1": [folio("QF1-1", (4, 4))]}
    before = bench_1(dict(fitted))
    after = bench_1(
        {"SLOT2": display(), "SLOT4": ten_gigabit(), "M2_1": [folio("QF1-1", (4, 4))], "SLOT1": [carrier((4, 16), [])]}
    )
    found = compare(seen(before), seen(after))
    assert [("added", "Packet switch PS-12", "", "SLOT1")] == parts(found)
    assert [] == rows(found)
    assert "The upgrade delivers: the new card at full link; one new note." == found.verdict
    assert [("gained", "switch-without-drive", "other")] == gains(found)


def test_another_model_in_the_same_slot_is_another_drive() -> None:
    """A drive replaced by one of another model is gone, and the other is new."""
    found = compare(seen(bench_1({"M2_1": [reel_4("A-1")]})), seen(bench_1({"M2_1": [folio("A-2", (4, 4))]})))
    assert [
        ("added", "Quillmark Folio 1TB", "", "M2_1"),
        ("removed", "Ostrayne Reel 4 2TB", "M2_1", ""),
    ] == parts(found)


def test_the_same_model_with_another_serial_number_is_another_drive() -> None:
    """A drive replaced by its like is told by the serial number alone."""
    found = compare(seen(bench_1({"M2_1": [reel_4("A-1")]})), seen(bench_1({"M2_1": [reel_4("A-2")]})))
    assert ["added", "removed"] == [one.kind for one in found.parts]


def test_disks_that_are_listed_in_another_order_are_the_same() -> None:
    """SATA disks are told by serial numbers; their names go by the order in which they are found."""
    before, after = bench_2({}), bench_2({})
    for one in after.buses["0000:00"]:
        if one.disks:
            one.disks = [
                Disk(serial=disk.serial, port=port) for disk, port in zip(reversed(one.disks), (1, 3), strict=True)
            ]
    found = compare(seen(before), seen(after))
    assert NOTHING == found.verdict


def test_what_is_part_of_the_board_never_moves() -> None:
    """A firmware that gives the board's network port and devices other numbers has moved none of them."""
    before = facts(build(bench_1({})))
    new = {"0000:00:1c.0": "0000:00:1c.1", "0000:00:1f.3": "0000:00:1f.2", "0000:00:14.2": "0000:00:14.3"}
    found = compare(audit(before), audit(_renamed(before, new)))
    assert (NOTHING, ()) == (found.verdict, found.parts)


def _renamed(seen_before: Facts, new: dict[str, str]) -> Facts:
    """The same facts with other addresses of some ports."""
    return replace(
        seen_before,
        functions=tuple(
            replace(one, address=new.get(one.address, one.address), parent=new.get(str(one.parent), one.parent))
            for one in seen_before.functions
        ),
    )


def test_a_slot_is_the_same_when_its_port_has_another_number() -> None:
    """Ports that a firmware numbers anew lead to the same slots: nothing has moved, and a dark slot stays that one."""
    made = MACHINES["bench-3-dark-slot"]()
    before = facts(made.tree)
    after = _renamed(before, {"0000:00:1c.0": "0000:00:1c.2", "0000:00:01.0": "0000:00:01.1"})
    found = compare(audit(before), audit(after))
    assert [("slot-dark", "0000:00:1c.0"), ("slot-dark", "0000:00:1c.2")] == [
        (one.rule, one.subject)
        for side in (found.before, found.after)
        for one in side.findings
        if one.rule == "slot-dark"
    ]
    assert (NOTHING, ()) == (found.verdict, found.doubts)


def test_root_buses_are_told_by_what_is_on_them() -> None:
    """Drives that nothing tells apart, on root buses that have other numbers after a restart, have not moved."""

    def server(first: str, second: str) -> Machine:
        bridge = [Function(kind="host bridge", at="00.0", device=number) for number in (0x2020, 0x2021)]
        ports = [root_port("01.0", (4, 4), [unnamed()]) for _ in range(2)]
        buses = {first: [bridge[0], ports[0]], second: [bridge[1], ports[1]]}
        return Machine(name="hall", buses=buses)

    before = seen(server("0000:00", "0000:40"))
    for second in ("0000:80", "0000:c0"):
        found = compare(before, seen(server("0000:00", second)))
        assert (NOTHING, ()) == (found.verdict, found.parts)
    other = compare(before, seen(server("0000:40", "0000:00")))
    assert NOTHING == other.verdict


def test_bays_of_two_carriers_may_have_the_same_numbers() -> None:
    """A bay is told with the card that it is on, so that two cards with as many bays do not mix them up."""
    racks = {"SLOT1": [carrier((3, 8), [reel_3("A-1")], bays=2)], "SLOT2": [carrier((3, 8), [reel_3("B-1")], bays=2)]}
    found = compare(seen(bench_1({})), seen(bench_1(racks)))
    places = {part.after.place for part in found.parts if part.after is not None and part.after.kind == "drive"}
    assert {"port 1 of the card in SLOT1", "port 1 of the card in SLOT2"} == places


def test_functions_of_one_card_are_one_part() -> None:
    """A display card with its sound function, and a network card with two ports, are a part each."""
    found = compare(seen(bench_1({})), seen(bench_1({"SLOT2": display(), "SLOT4": ten_gigabit()})))
    assert [
        ("added", "display card Frescade 12", "", "SLOT2"),
        ("added", "LN-10 network card, two ports", "", "SLOT4"),
    ] == parts(found)


def test_a_card_that_lost_a_function_is_the_same_card() -> None:
    """A display card whose sound function was switched off has another number of functions."""
    found = compare(seen(bench_1({"SLOT2": display()})), seen(bench_1({"SLOT2": display()[:1]})))
    assert ([], [("functions", "2", "1", "other")]) == (parts(found), rows(found))


def test_kept_and_redacted_serial_numbers_are_the_same() -> None:
    """A capture with serial numbers, and one in which tokens stand for them, show the same drives and machine."""
    tree = build(bench_1({"M2_1": [reel_4("RL4-10001")], "M2_2": [reel_4("RL4-10002")], "SLOT4": ten_gigabit()}))
    audits = []
    for redact in (False, True):
        kept = capture.parse(capture_bytes(tree, redact=redact), "x")
        first, later = capture.recorded(kept)
        audits.append(audit(collect(first, later, kept.taken_at)))
    assert audits[0].facts.drives[0].serial != audits[1].facts.drives[0].serial
    for before, after in ((0, 1), (1, 0), (1, 1)):
        found = compare(audits[before], audits[after])
        assert (NOTHING, ()) == (found.verdict, found.doubts)


def test_a_token_is_matched_with_the_number_that_it_stands_for() -> None:
    """A drive that moved is the same where one capture tells its number and the other its token."""
    before, after = bench_1({"M2_1": [reel_4("RL4-77001")]}), bench_1({"M2_2": [reel_4("RL4-77001")]})
    there = facts(build(after))
    token = Known().word("RL4-77001")
    hidden = replace(
        there, drives=tuple(replace(one, serial=token) if one.serial == "RL4-77001" else one for one in there.drives)
    )
    assert [("moved", "Ostrayne Reel 4 2TB", "M2_1", "M2_2")] == parts(compare(seen(before), audit(hidden)))


# --- Links ---------------------------------------------------------------------------------------------------------


def _at_rate(now: tuple[int, int]) -> Audit:
    """A drive's link in PCIE1 at some rate."""
    card = reel_3("RL3-1")
    tree = build(bench_2({"PCIE1": [card]}))
    set_link(tree, ("0000:00:01.0", card.address), now)
    return seen(tree)


def test_a_link_that_lost_lanes_is_worse() -> None:
    """Fewer lanes are worse: the link, its verdict, the drive's rates, a fault gained, and the exit status."""
    found = compare(_at_rate((3, 4)), _at_rate((3, 2)))
    assert [("lanes", "x4", "x2", "worse"), ("verdict", "full", "narrow", "worse")] == rows(found, "link")
    lanes = row(found, "link", "lanes")
    assert ((4.0,), (2.0,), "lanes") == (lanes.before_values, lanes.after_values, lanes.unit)
    assert [("gained", "link-narrow", "worse")] == gains(found)
    assert {"worse"} == {one.direction for one in found.changes}
    assert found.worse
    start = "Worse than before: nvme0 (Ostrayne Reel 3 2TB) in PCIE1: lanes from x4 to x2"
    assert f"{start}." == found.verdict


def test_a_link_that_was_repaired_is_better() -> None:
    """From 5 GT/s to 8 GT/s: better in all ways, and the fault is cleared."""
    found = compare(_at_rate((2, 4)), _at_rate((3, 4)))
    speed = row(found, "link", "speed")
    assert ((5.0,), (8.0,), "GT/s", "better") == (speed.before_values, speed.after_values, speed.unit, speed.direction)
    assert [("cleared", "link-slow", "better")] == gains(found)
    assert not found.worse
    drive = "nvme0 (Ostrayne Reel 3 2TB) in PCIE1"
    assert (
        f"Better than before: {drive}: speed from 5 GT/s (Gen 2) to 8 GT/s (Gen 3); one fault cleared." == found.verdict
    )


def test_rates_are_those_of_the_throughput_model() -> None:
    """An x4 link at 8 GT/s gives 3,938 MB/s after line coding, at 5 GT/s 2,000; three quarters of that are expected.

    Line rates: PCI Express Base, 8b/10b and 128b/130b; three quarters: common practice.
    """
    found = compare(_at_rate((2, 4)), _at_rate((3, 4)))
    read = row(found, "rate", "read alone")
    assert pytest.approx(0.75 * 4 * 500) == read.before_values[0]
    assert pytest.approx(0.75 * 4 * 8000 * 128 / 130 / 8) == read.after_values[0]
    assert "MB/s" == read.unit
    assert ["read alone", "read together", "write alone", "write together"] == [one[0] for one in rows(found, "rate")]


def test_a_link_at_rest_is_no_worse() -> None:
    """A display card that saves power in one of two captures has not changed; its speed under load is in doubt."""
    awake = seen(bench_3({"J1": display((3, 16)), "J2": [scanner()]}))
    for pair in ((awake, known("bench-3-idle")), (known("bench-3-idle"), awake)):
        found = compare(*pair)
        assert ([], [], [], False) == (parts(found), rows(found), gains(found), found.worse)
        assert ["rate under load of display card Frescade 12 in slot J1"] == [one.what for one in found.doubts]
        assert "Nothing changed in what could be compared; one kind of reading could not." == found.verdict


def test_a_slot_that_went_dark_is_worse() -> None:
    """A slot that was empty and now detects a card without a link is worse."""
    found = compare(seen(bench_3({"J1": display((3, 16))})), known("bench-3-dark-slot"))
    assert [("verdict", "empty", "dark", "worse")] == rows(found, "link")
    assert [("gained", "slot-dark", "worse")] == gains(found)


def test_a_slot_that_was_split_is_told() -> None:
    """Four ports of four lanes in place of one of sixteen are told as the slot's own change."""
    found = compare(seen(bench_1({})), seen(bench_1({}, split=True)))
    assert [("lanes per port", "x16", "x4, x4, x4, x4", "other")] == rows(found)
    assert "SLOT1" == found.changes[0].subject
    assert "Changed: SLOT1: lanes per port from x16 to x4, x4, x4, x4." == found.verdict


# --- Rates and sets ------------------------------------------------------------------------------------------------


def test_a_smaller_share_of_the_same_link_is_no_worse() -> None:
    """Drives added beside another take a share of its uplink: what it has alone is as before, and nothing is worse."""
    before = bench_1({"SLOT1": [carrier((3, 8), [reel_3("A-1")])]})
    after = bench_1({"SLOT1": [carrier((3, 8), [reel_3("A-1"), reel_3("A-2"), reel_3("A-3")])]})
    found = compare(seen(before), seen(after))
    assert {("read together", "other"), ("write together", "other")} == {
        (one[0], one[3]) for one in rows(found, "rate")
    }
    assert not found.worse
    assert found.verdict.startswith("The upgrade delivers: 2 of 2 new drives at full link; ")


def test_a_drive_that_got_a_link_of_its_own_is_faster() -> None:
    """What a drive has beside others is better once it moved off a shared uplink, and worse once it moved there."""
    before = bench_1({"SLOT4": [carrier((3, 4), [reel_3("A-1"), reel_3("A-2")])]})
    after = bench_1({"SLOT4": [carrier((3, 4), [reel_3("A-1")])], "SLOT3": [reel_3("A-2")]})
    moved = "Ostrayne Reel 3 2TB (at port 2 of the card in SLOT4 before, in SLOT3 now)"
    for pair, way in (((before, after), "better"), ((after, before), "worse")):
        found = compare(seen(pair[0]), seen(pair[1]))
        told = {
            (one.subject.rpartition("(")[2].startswith(("in ", "at ")), one.what, one.direction)
            for one in found.changes
        }
        assert {
            (True, "read together", way),
            (True, "write together", way),
            (False, "read together", "other"),
            (False, "write together", "other"),
        } == told
    assert moved in {one.subject for one in compare(seen(before), seen(after)).changes}


def test_a_narrower_uplink_is_worse_for_all_drives_together() -> None:
    """Half the lanes of an uplink leave a drive alone as it was, and are worse for drives together and their set."""
    trees = []
    for lanes in (8, 4):
        up = carrier((3, 8), [reel_3("A-1"), reel_3("A-2")])
        tree = build(bench_1({"SLOT1": [up]}))
        set_link(tree, ("0000:00:01.0", up.address), (3, lanes))
        put_set(tree, Raid(members=["nvme0n1", "nvme1n1"], size=4_000_000_000_000))
        trees.append(tree)
    found = compare(seen(trees[0]), seen(trees[1]))
    told = {(one.what, one.direction) for one in found.changes if one.topic == "rate"}
    assert {("read together", "worse"), ("write together", "worse")} == told
    assert {"worse"} == {one.direction for one in found.changes if one.topic == "stripe set"}
    assert found.worse
    first = "Worse than before: Packet switch PS-12 in SLOT1: lanes from x8 to x4; stripe set md0 should read "
    assert found.verdict.startswith(first)
    assert "; the rates of 2 drives fell" in found.verdict


def _set(fitted: dict[str, list[Function]], members: list[str], name: str = "md0") -> Audit:
    tree = build(bench_1(fitted))
    put_set(tree, Raid(name=name, members=members, size=4_000_000_000_000))
    return seen(tree)


def test_a_faster_stripe_set_is_named_in_the_verdict() -> None:
    """Members that got links of their own make a set faster: the verdict says from what to what."""
    before = _set({"SLOT4": [carrier((3, 4), [reel_3("A-1"), reel_3("A-2")])]}, ["nvme0n1", "nvme1n1"])
    after = _set({"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}, ["nvme0n1", "nvme1n1"])
    found = compare(before, after)
    read = row(found, "stripe set", "read alone")
    assert "better" == read.direction
    assert pytest.approx(2 * read.before_values[0]) == read.after_values[0]
    assert "stripe set md0 should read 5,908 MB/s or more (was 2,954)" in found.verdict
    assert found.verdict.startswith("The upgrade delivers: ")


def test_a_set_that_is_called_another_name_is_the_same() -> None:
    """A set is told by its members: the system may number it anew at a restart."""
    fitted: dict[str, list[Function]] = {"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}
    again: dict[str, list[Function]] = {"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}
    found = compare(_set(fitted, ["nvme0n1", "nvme1n1"]), _set(again, ["nvme0n1", "nvme1n1"], "md127"))
    assert NOTHING == found.verdict


def test_a_set_that_lost_a_member_is_worse() -> None:
    """A mirror that misses one of its members is worse than a whole one."""
    trees = []
    for members in (["nvme0n1", "nvme1n1"], ["nvme0n1"]):
        tree = build(bench_1({"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}))
        put_set(tree, Raid(level="raid1", members=members, places=2, size=2_000_000_000_000))
        trees.append(tree)
    found = compare(seen(trees[0]), seen(trees[1]))
    assert ("missing members", "0", "1", "worse") in rows(found, "stripe set")
    assert found.worse


# --- Firmware, temperature, health -----------------------------------------------------------------------------------


def test_firmware_of_machine_and_drive_is_told_without_a_judgement() -> None:
    """Whether other firmware is better is not known: it is told, and nothing is worse."""
    before = bench_2({"PCIE3": [reel_3("A-1")]})
    after = bench_2(
        {"PCIE3": [reel_3("", nvme=Nvme(model=REEL_3, serial="A-1", firmware="RL3A2.00", kelvin=313))]}, firmware="2.10"
    )
    found = compare(seen(before), seen(after))
    assert [
        ("firmware", "2.08", "2.10", "other"),
        ("firmware", "RL3A1.07", "RL3A2.00", "other"),
    ] == rows(found, "firmware")
    assert ([], False) == (gains(found), found.worse)
    assert "Changed: 2 parts have different firmware." == found.verdict


@pytest.mark.parametrize(
    ("kelvin", "expected"),
    [
        ((320, 323), []),  # three degrees: no change
        ((320, 328), ["other"]),  # eight degrees, far from any limit
        ((342, 344), ["worse"]),  # two degrees, across the warning limit of 343 K
        ((344, 342), ["better"]),
        ((344, 350), ["other"]),  # above the limit on both sides
    ],
)
def test_temperatures_count_past_a_few_degrees_or_across_a_limit(kelvin: tuple[int, int], expected: list[str]) -> None:
    """A drive's temperature is a change past five degrees, and bad only where it passed its warning limit."""
    found = compare(seen(warm(kelvin[0])), seen(warm(kelvin[1])))
    assert expected == [one.direction for one in found.changes if one.topic == "temperature"]
    assert ("worse" in expected) == found.worse


def test_a_drive_that_came_near_its_limit_by_a_degree_has_not_changed() -> None:
    """A note that a drive is near its limit comes and goes with a degree, and is no change."""
    found = compare(seen(warm(337)), seen(warm(339)))
    assert (NOTHING, ()) == (found.verdict, found.findings)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ({}, {"media_errors": 3}, [("unrecoverable read errors", "0", "3", "worse")]),
        ({"media_errors": 3}, {"media_errors": 5}, [("unrecoverable read errors", "3", "5", "worse")]),
        ({}, {"percentage_used": 7}, [("life used up", "2 %", "7 %", "other")]),
        ({"percentage_used": 85}, {"percentage_used": 91}, [("life used up", "85 %", "91 %", "worse")]),
        ({}, {"available_spare": 96}, [("spare left", "100 %", "96 %", "other")]),
        (
            {"available_spare": 20},
            {"available_spare": 4, "critical_warning": 1},
            [("warns that its spare runs low", "no", "yes", "worse"), ("spare left", "20 %", "4 %", "worse")],
        ),
        ({}, {"critical_warning": 0x08}, [("is read-only", "no", "yes", "worse")]),
        ({}, {"warning_minutes": 12}, [("minutes at its warning temperature", "0", "12", "worse")]),
        ({}, {"light_throttles": 2}, [("times slowed lightly by heat", "0", "2", "other")]),
        ({}, {"power_cycles": 230, "power_on_hours": 3400, "data_units_written": 24_000_000}, []),
    ],
)
def test_health_figures_that_rose(
    before: dict[str, int], after: dict[str, int], expected: list[tuple[str, str, str, str]]
) -> None:
    """Errors, wear past a limit, and warnings are worse; hours, starts and what was written are no change."""
    found = compare(
        seen(bench_2({"PCIE3": [worked("A-1", **before)]})), seen(bench_2({"PCIE3": [worked("A-1", **after)]}))
    )
    assert expected == rows(found, "health")
    assert any(one[3] == "worse" for one in expected) == found.worse


# --- Findings ------------------------------------------------------------------------------------------------------


def test_a_limit_of_a_new_part_is_how_it_works() -> None:
    """A new drive that its slot holds back brings a limit: told in the verdict, and nothing that was there is worse."""
    before = bench_1({"M2_1": [folio("QF1-1", (4, 4))]})
    after = bench_1({"M2_1": [folio("QF1-1", (4, 4))], "SLOT4": [reel_4("A-1")], "SLOT3": [reel_4("A-2")]})
    found = compare(seen(before), seen(after))
    assert [("gained", "slot-limited", "other")] == gains(found)
    assert not found.worse
    told = found.verdict.removeprefix("The upgrade falls short: ").split("; ")
    assert 2 == len(told)
    assert "SLOT4 runs at 8 GT/s (Gen 3) x4" in told[0]
    assert "1 of 2 new drives at full link." == told[1]


def test_a_limit_of_a_part_that_was_there_is_worse() -> None:
    """A drive moved into a worse slot has a new limit, and that is worse."""
    found = compare(seen(bench_1({"SLOT3": [reel_4("A-1")]})), seen(bench_1({"SLOT4": [reel_4("A-1")]})))
    assert ("gained", "slot-limited", "worse") in gains(found)
    assert found.worse


def test_a_fault_of_a_new_part_is_worse() -> None:
    """A new drive whose link is narrow is a fault that was not there, and is named first."""
    card = reel_3("RL3-1")
    tree = build(bench_2({"PCIE1": [card], "PCIE3": [reel_3("RL3-2")]}))
    set_link(tree, ("0000:00:01.0", card.address), (3, 1))
    found = compare(seen(bench_2({"PCIE3": [reel_3("RL3-2")]})), seen(tree))
    assert [("gained", "link-narrow", "worse"), ("gained", "slot-unsplit", "other")] == gains(found)
    start = "Worse than before: new fault: nvme0 (Ostrayne Reel 3 2TB) in PCIE1 "
    assert found.verdict.startswith(start)


def test_findings_are_matched_by_part_and_not_by_address() -> None:
    """A fault of a drive stays the same fault when a new card gives the drive another address."""
    addresses = []
    audits = []
    for more in ({}, {"PCIE1": [carrier((3, 16), [])]}):
        slow = reel_3("RL3-1")
        tree = build(bench_2({"PCIE3": [slow], **more}))
        set_link(tree, ("0000:00:03.0", slow.address), (2, 4))
        addresses.append(slow.address)
        audits.append(seen(tree))
    found = compare(*audits)
    assert addresses[0] != addresses[1]
    assert Severity.FAULT in {one.severity for one in audits[0].findings}
    assert ([("gained", "switch-without-drive", "other")], False) == (gains(found), found.worse)


@pytest.mark.parametrize(
    ("up", "expected", "doubts"),
    [((90_000.0, 3_600.0), [], 1), ((3_600.0, 90_000.0), [("cleared", "link-errors", "other")], 0)],
)
def test_errors_are_counted_anew_from_each_start(
    up: tuple[float, float], expected: list[tuple[str, str, str]], doubts: int
) -> None:
    """Errors that are gone as the machine just started are in doubt; where it was up for longer they are gone."""
    sides = []
    for seconds, counters in zip(up, ({"BadTLP": 300}, {}), strict=True):
        there = facts(build(bench_2({"PCIE3": [reel_3("A-1", counters=counters)]})))
        sides.append(audit(replace(there, host=replace(there.host, up_seconds=seconds))))
    found = compare(*sides)
    assert expected == gains(found)
    assert doubts == len(found.doubts)


# --- Doubts and other machines -------------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("name", sorted(MACHINES))
@pytest.mark.parametrize("root_first", [True, False])
def test_what_an_ordinary_user_does_not_read_is_a_doubt(name: str, *, root_first: bool) -> None:
    """The same machine read by root and by an ordinary user has not changed; what root adds is said in one line."""
    sides = [known(name, privileged=root_first), known(name, privileged=not root_first)]
    found = compare(*sides)
    assert ([], [], [], False) == (parts(found), rows(found), gains(found), found.worse)
    assert len(found.doubts) <= 1
    for doubt in found.doubts:
        which = "after" if root_first else "before"
        assert doubt.needs_root
        assert doubt.why.startswith(f"{which}: ")


def test_a_real_change_is_seen_by_an_ordinary_user_too() -> None:
    """Lanes that were lost between a capture of root and one of an ordinary user are no doubt."""
    card = reel_3("RL3-1")
    tree = build(bench_2({"PCIE1": [card]}))
    whole = seen(tree)
    set_link(tree, ("0000:00:01.0", card.address), (3, 2))
    found = compare(whole, seen(tree, privileged=False))
    assert ("lanes", "x4", "x2", "worse") in rows(found, "link")
    assert ("gained", "link-narrow", "worse") in gains(found)


def test_a_reading_that_failed_is_a_doubt() -> None:
    """A temperature that one side could not read is no change, and the reason is told."""
    there = facts(build(warm(320)))
    failed = replace(
        there,
        sensors=tuple(replace(one, celsius=Unread("t", "the drive did not answer")) for one in there.sensors),
    )
    found = compare(audit(there), audit(failed))
    assert [] == rows(found)
    (doubt,) = found.doubts
    assert doubt.what.startswith("temperature of nvme0 (Ostrayne Reel 4 2TB) in PCIE3, ")
    assert "after: the drive did not answer" == doubt.why


def test_another_board_is_another_machine() -> None:
    """Two boards are told as that, in words, and are compared all the same."""
    found = compare(seen(bench_1({"M2_1": [reel_4("A-1")]})), seen(bench_2({"M2A": [reel_4("A-1")]})))
    assert 'the board is "WS-7" before and "WS-5" after' == found.other_machine
    assert ("moved", "Ostrayne Reel 4 2TB", "M2_1", "M2A") in parts(found)


def test_another_name_is_another_machine_unless_a_part_says_otherwise() -> None:
    """A machine with another name and the same drives was called anew; without a common part it may be another."""
    same = bench_1({"M2_1": [reel_4("A-1")]}, disks=0)
    called = bench_1({"M2_1": [reel_4("A-1")]}, disks=0, name="bench-7")
    other = bench_1({"M2_1": [reel_4("A-2")]}, disks=0, name="bench-7")
    found = compare(seen(same), seen(called))
    assert ("", [("name", '"bench-1"', '"bench-7"', "other")]) == (found.other_machine, rows(found))
    doubted = compare(seen(same), seen(other))
    assert 'the name is "bench-1" before and "bench-7" after, and no part with a serial number is in both' == (
        doubted.other_machine
    )


def test_memory_counts_where_a_module_came_or_went() -> None:
    """A system's memory differs a little from start to start; a module more is a change."""
    host = facts(build(bench_1({})))
    size = host.host.memory_bytes
    assert isinstance(size, int)
    for factor, expected in ((1.004, []), (1.25, ["memory"])):
        other = replace(host, host=replace(host.host, memory_bytes=int(size * factor)))
        assert expected == [one[0] for one in rows(compare(audit(host), audit(other)))]


def test_numbers_in_the_verdict_are_singular_and_plural() -> None:
    """One drive and two drives are counted as such."""
    before = bench_1({"SLOT4": [gigabit()]})
    one = compare(seen(before), seen(bench_1({"SLOT4": [gigabit()], "SLOT3": [reel_4("A-1")]})))
    two = compare(seen(before), seen(bench_1({"SLOT3": [reel_4("A-1")], "M2_1": [reel_4("A-2")]})))
    assert "The upgrade delivers: the new drive at full link." == one.verdict
    gone = "LN-1 network card in SLOT4 is missing"
    assert f"Worse than before: {gone}; better: 2 of 2 new drives at full link." == two.verdict


def test_a_display_card_with_a_switch_of_its_own_is_one_part() -> None:
    """A switch, a port and a display function on one card are one card, called by what it is for."""
    own = switch((4, 16), [downstream_port((4, 16), display())])
    found = compare(seen(bench_1({})), seen(bench_1({"SLOT2": [own]})))
    assert [("added", "display card Frescade 12", "", "SLOT2")] == parts(found)
    assert NOTHING == compare(found.after, found.after).verdict


def test_a_set_that_stopped_is_worse() -> None:
    """A set that is not at work any more is worse, whatever it should reach."""
    audits = []
    for state in ("clean", "inactive"):
        tree = build(bench_1({"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}))
        put_set(tree, Raid(members=["nvme0n1", "nvme1n1"], state=state, size=4_000_000_000_000))
        audits.append(seen(tree))
    found = compare(*audits)
    assert ("is running", "yes", "no", "worse") in rows(found, "stripe set")
    assert found.worse


def test_a_drive_that_no_driver_claims_any_more_is_the_same_drive() -> None:
    """A drive set aside for a virtual machine is in its place as before, and the note about it is gained."""
    before = facts(build(bench_1({"M2_1": [reel_4("A-1")]})))
    after = replace(
        before,
        drives=tuple(one for one in before.drives if one.kind != "nvme"),
        sensors=tuple(one for one in before.sensors if not str(one.drive).startswith("nvme")),
        functions=tuple(replace(one, driver="vfio-pci") if one.driver == "nvme" else one for one in before.functions),
    )
    found = compare(audit(before), audit(after))
    assert [] == parts(found)
    assert [("driver", "nvme", "vfio-pci", "other")] == rows(found)
    assert [("gained", "drive-unclaimed", "other")] == gains(found)


def test_two_drives_that_answer_with_one_serial_number_are_told_by_their_places() -> None:
    """A serial number that two drives bear names neither: nothing has changed, and nothing has moved."""
    tower = bench_1({"M2_1": [reel_4("SAME-1")], "M2_2": [reel_4("SAME-1")]})
    again = bench_1({"M2_1": [reel_4("SAME-1")], "M2_2": [reel_4("SAME-1")], "SLOT1": [carrier((4, 16), [])]})
    found = compare(seen(tower), seen(again))
    assert [("added", "Packet switch PS-12", "", "SLOT1")] == parts(found)


def test_slot_names_of_two_sources_say_nothing_of_each_other() -> None:
    """What the firmware calls a slot and what the kernel calls another may be the same word: places decide then."""
    named = {"PCIE1": {"name": "2"}, "PCIE2": {"name": "1"}}
    narrow = unnamed()
    tree = build(bench_2({"PCIE1": [narrow], "PCIE2": [unnamed()]}, words=named))
    set_link(tree, ("0000:00:01.0", narrow.address), (3, 2))
    found = compare(seen(tree), seen(tree, privileged=False))
    for side, first in ((found.before, "2"), (found.after, "1")):
        slot = side.by_key["0000:00:01.0"].link.slot
        assert slot is not None
        assert first == slot.name
    assert ([], [], []) == (parts(found), rows(found), gains(found))


def test_an_upgrade_is_told_in_one_sentence() -> None:
    """New drives, a set that became faster, a limit and what moved: counted, named and in this order."""
    members = ["nvme0n1", "nvme1n1"]
    before = _set({"SLOT4": [carrier((3, 4), [reel_3("A-1"), reel_3("A-2")])]}, members)
    tree = build(
        bench_1({"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")], "M2_2": [reel_4("B-1")], "SLOT4": [reel_4("B-2")]})
    )
    names = {one.serial: one.name for one in facts(tree).drives}
    put_set(tree, Raid(members=[f"{names['A-1']}n1", f"{names['A-2']}n1"], size=4_000_000_000_000))
    found = compare(before, seen(tree))
    assert found.verdict.startswith("The upgrade falls short: nvme3 (Ostrayne Reel 4 2TB) in SLOT4 runs at 8 GT/s")
    assert (
        "1 of 2 new drives at full link; stripe set md0 should read 5,908 MB/s or more (was 2,954); "
        "2 drives faster; Packet switch PS-12 in SLOT4 removed; 2 drives moved; 2 notes gone with the parts removed."
    ) == found.verdict.partition("; ")[2]


def test_a_new_set_is_told_with_its_rate() -> None:
    """A set that was not there is named in the verdict with what it should reach, and one that went is named."""
    fitted: dict[str, list[Function]] = {"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}
    without = seen(bench_1(dict(fitted)))
    having = _set({"SLOT3": [reel_3("A-1")], "M2_1": [reel_3("A-2")]}, ["nvme0n1", "nvme1n1"])
    new = compare(without, having)
    assert "Changed: new stripe set md0 (raid0 of 2 drives, should read 5,908 to 7,202 MB/s)." == new.verdict
    assert "Changed: stripe set md0 is gone." == compare(having, without).verdict


def test_a_new_card_at_rest_does_not_fall_short() -> None:
    """A display card that saves power is told as at rest, and the upgrade is not called one in part."""
    found = compare(seen(bench_3({"J2": [scanner()]})), known("bench-3-idle"))
    assert "The upgrade delivers: the link of the new card at rest; one new note." == found.verdict


def test_a_new_card_that_was_not_read_is_not_called_short() -> None:
    """A card that sleeps has a link that is not known, and that is what the verdict says."""
    found = compare(seen(bench_3({"J1": display((3, 16))})), known("bench-3-asleep"))
    start = "The upgrade falls short: the link of the new card not known; one new unknown."
    assert start == found.verdict


def test_two_machines_are_no_upgrade_of_each_other() -> None:
    """Of captures of two machines the second is told beside the first, and devices of the boards by their number."""
    found = compare(known("bench-2-worn-riser"), known("bench-1-upgraded"))
    assert found.other_machine
    assert found.verdict.startswith("Two machines, the second against the first: ")
    assert "33 on-board devices more; 10 on-board devices fewer" in found.verdict
    assert "upgrade" not in found.verdict


def test_a_lost_drive_comes_before_what_got_better() -> None:
    """Where a drive is gone and none came in its place, that stands first and nothing is praised."""
    before = known("bench-2-worn-riser")
    gone = next(one for one in before.facts.drives if one.name == "nvme1")
    after = audit(
        replace(
            before.facts,
            drives=tuple(one for one in before.facts.drives if one != gone),
            functions=tuple(one for one in before.facts.functions if one.address != gone.address),
        )
    )
    verdict = compare(before, after).verdict
    assert verdict.startswith(("Changed: ", "Worse than before: "))
    assert "nvme1" in verdict.partition(";")[0]
    assert "missing" in verdict.partition(";")[0]
    assert "delivers" not in verdict
