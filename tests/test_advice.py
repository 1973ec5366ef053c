"""What a page must not leave out and must not promise: silence about a bad link, and advice that would mislead.

Each machine here once got a page that was wrong at the bench, though every verdict on it was right by itself.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit, only_at
from agent.model.findings import Rate, Severity, Verdict
from agent.model.throughput import ceiling_mbps
from agent.report import data
from knowledge import pcie
from knowledge.steps import SAVE, STEPS
from probes import collect
from probes.capture import parse, recorded
from tests.boards import bench_1, bench_2, carrier, display, reel_3, reel_4
from tests.build import build, edit, facts, set_counters
from tests.judging import CARD, PORT, judged_at, seen_again, tower
from tests.machines import MACHINES
from tests.parts import Disk, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from tests.parts import Function

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
TRAINING = {pcie.LINK_STATUS: {"link_bandwidth_management_status": 1, "link_training": 1}}


def audited(machine: Machine) -> Audit:
    """The audit of a machine as the super-user sees it."""
    return audit(facts(build(machine)))


def port(machine: Machine, at: str) -> Function:
    """The root port at a place ("01.0") of a machine."""
    return next(one for one in machine.buses["0000:00"] if one.at == at)


def of_rule(found: Audit, rule: str) -> list[Finding]:
    """The findings of one rule."""
    return [finding for finding in found.findings if finding.rule == rule]


# --- Not silent ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "later", [((4, 4), (4, 4), (4, 8)), ((4, 4), (4, 8), (4, 4), (4, 8)), ((4, 8), (4, 4), (4, 8))]
)
def test_lanes_that_come_and_go_are_narrow(later: tuple[tuple[int, int], ...]) -> None:
    """A link seen with half its lanes in some looks is at fault, whatever its last look says."""
    tree = build(tower(card("network", (4, 8)), (4, 16)))
    judged = judged_at(tree, seen_again(tree, *later))
    assert Verdict.NARROW is judged.verdict
    assert Rate(4, 4) == judged.now
    assert "come and go" in judged.why


def test_a_link_that_settled_after_the_first_look_is_full() -> None:
    """Lanes missing in the first look alone are a link that was still training."""
    tree = build(tower(card("network", (4, 8)), (4, 16), now=(4, 4)))
    judged = judged_at(tree, seen_again(tree, (4, 8), (4, 8), (4, 8)))
    assert Verdict.FULL is judged.verdict


@pytest.mark.parametrize("part", ["nvme0", "0000:03:00.0", "101"])
def test_a_part_has_the_faults_of_its_whole_path(part: str) -> None:
    """A drive behind a narrow uplink is shown with that fault, by whatever name one asks for it."""
    found = only_at(audit(facts(MACHINES["bench-2-worn-riser"]().tree)), part)
    assert [Verdict.NARROW, Verdict.FULL] == [judged.verdict for judged in found.links]
    assert Severity.FAULT is found.worst
    assert of_rule(found, "link-narrow")


def test_a_link_that_is_up_without_a_function_is_told() -> None:
    """A port whose link is active but below which nothing answers gets a finding with that reason."""
    machine = bench_1({"SLOT2": display()})
    port(machine, "1d.0").registers = {
        pcie.LINK_STATUS: {"data_link_layer_link_active": 1},
        pcie.SLOT_STATUS: {"presence_detect_state": 1},
    }
    (finding,) = of_rule(audited(machine), "link-unread")
    assert "link up" in finding.headline


@pytest.mark.parametrize("at", ["1d.0", "1d.4"])
def test_a_port_that_keeps_training_is_told(at: str) -> None:
    """With or without a slot, a port whose training bits are set while the link is down is not simply empty.

    Source: drivers/pci/quirks.c pcie_failed_link_retrain: an empty port has both bits clear.
    """
    machine = bench_1({"SLOT2": display()})
    port(machine, at).registers = TRAINING
    (finding,) = of_rule(audited(machine), "link-unread")
    assert "train" in finding.headline


def test_a_carrier_in_a_slot_without_the_split_flag_is_remarked() -> None:
    """One drive in a wide slot of which the firmware does not say that it can be split: a remark, not a note."""
    machine = bench_1({"SLOT2": [reel_4("A")]})
    (finding,) = of_rule(audited(machine), "slot-unsplit")
    assert Severity.OK is finding.severity
    assert ["count-drives", "set-split"] == [step.action for step in finding.steps]


# --- Worst first, and a way out --------------------------------------------------------------------------------


def test_the_link_that_costs_most_comes_first() -> None:
    """Of two faults of one kind the one with more MB/s lost goes first, wherever it stands in the machine."""
    ports = [
        root_port(f"{place}.0", (4, 4), [reel_4(serial, now=(4, lanes))], now=(4, lanes), slot=Slot(number=number))
        for number, (place, serial, lanes) in enumerate((("01", "A", 2), ("02", "B", 1)), 1)
    ]
    found = of_rule(audited(Machine(name="bench-9", buses={"0000:00": ports})), "link-narrow")
    assert ["0000:02:00.0", "0000:01:00.0"] == [one.subject for one in found]
    lost = [max(step.gain_mbps or 0 for step in one.steps) for one in found]
    assert sorted(lost, reverse=True) == lost
    assert lost[0] > lost[1]


@pytest.mark.parametrize(
    ("fitted", "port_can", "lower"),
    [
        pytest.param(card("network", (4, 4), now=(2, 4)), (4, 16), "8 GT/s (Gen 3)", id="one below the best"),
        pytest.param(card("network", (2, 4), now=(1, 4)), (4, 16), "2.5 GT/s (Gen 1)", id="the slowest there is"),
    ],
)
def test_a_slow_link_may_be_settled_one_generation_lower(
    fitted: Function, port_can: tuple[int, int], lower: str
) -> None:
    """As people of the trade do with a riser: the speed is named, nothing is promised, the setup's caution comes first.

    Common practice.
    """
    assert fitted.now is not None
    (finding,) = of_rule(audited(tower(fitted, port_can, now=fitted.now)), "link-slow")
    (step,) = [one for one in finding.steps if one.action == "lower-speed"]
    assert lower in step.text
    assert (None, True) == (step.gain_mbps, bool(step.cautions))
    actions = [one.action for one in finding.steps]
    assert actions.index("remove-riser") < actions.index("lower-speed") < actions.index("replace")


def test_a_link_of_the_slowest_speed_has_none_below_it() -> None:
    """At 2.5 GT/s there is nothing to go down to."""
    noisy = card("network", (1, 4), now=(1, 4), counters={"RxErr": 50})
    tree = build(tower(noisy, (1, 16), now=(1, 4), counters={}))
    later = tree.copy()
    set_counters(later, CARD, {"RxErr": 60})
    found = audit(facts(tree, ((1.0, later),), (PORT, CARD)))
    (finding,) = of_rule(found, "link-errors")
    assert Severity.FAULT is finding.severity
    assert "reseat" in [step.action for step in finding.steps]
    assert "lower-speed" not in [step.action for step in finding.steps]


@pytest.mark.parametrize(
    ("name", "rule", "actions"),
    [
        ("bench-1-switch-carrier", "uplink-shared", ["spread-drives"]),
        ("bench-1-stripe-set", "stripe-held-back", ["spread-drives"]),
        ("bench-2-other-sets", "stripe-degraded", ["back-up", "find-member", "restore-member"]),
        ("bench-2-dead-drive", "drive-unclaimed", ["see-log"]),
        ("bench-1-payload", "payload-low", ["free-payload", "set-payload"]),
        ("bench-1-ordinary-user", "needs-root", ["look-as-root"]),
    ],
)
def test_what_works_as_built_has_a_way_out_too(name: str, rule: str, actions: list[str]) -> None:
    """Shared links, sets without a member and drives without a driver lead to what would help."""
    capture = parse((FIXTURES / name / "capture.json").read_bytes(), name)
    first, looks = recorded(capture)
    (finding, *_) = of_rule(audit(collect(first, looks, capture.taken_at)), rule)
    assert actions == [step.action for step in finding.steps]
    assert [] == [step.text for step in finding.steps if "{" in step.text + step.verify + step.brief]


def test_a_dead_drive_gets_a_full_power_off_before_hands() -> None:
    """Open work and the other drives come first, then power off; no load on what does not answer (common practice)."""
    (finding,) = of_rule(audit(facts(MACHINES["bench-2-dead-drive"]().tree)), "drive-not-serving")
    assert ["power-cycle", "reseat", "update-firmware", "replace"] == [step.action for step in finding.steps]
    assert SAVE in finding.steps[0].cautions
    assert [] == [step.text for step in finding.steps if "load" in step.text]


def test_an_event_that_may_be_over_is_nothing_to_do_now() -> None:
    """The step in brief says no more than the whole one: there is nothing to do now."""
    step = STEPS["read-event-again"]
    assert "nothing needs doing" in step.brief.lower()
    assert "nothing needs doing" in " ".join(step.text.lower().split())


# --- Not too much promised -------------------------------------------------------------------------------------


def test_what_another_hop_holds_back_is_not_promised() -> None:
    """A carrier's lost lanes bring its one drive nothing, as the drive's own link is no wider."""
    machine = bench_2({"PCIE1": [carrier((3, 8), [reel_3("A")], bays=1)]})
    port(machine, "01.0").now = (3, 4)
    (finding,) = of_rule(audited(machine), "link-narrow")
    assert {None} == {step.gain_mbps for step in finding.steps}
    assert "gain nothing" in finding.headline


def test_a_gain_is_what_the_drives_behind_get_together() -> None:
    """Two drives behind an uplink at half width get their other half back: by the one throughput model."""
    machine = bench_2({"PCIE1": [carrier((3, 8), [reel_3("A"), reel_3("B")], bays=2)]})
    port(machine, "01.0").now = (3, 4)
    (finding,) = of_rule(audited(machine), "link-narrow")
    gains = {step.gain_mbps for step in finding.steps if step.gain_mbps is not None}
    assert {round(ceiling_mbps(3, 4, 256), 1)} == gains


def test_a_slow_drive_beside_quick_ones_is_worth_mending() -> None:
    """A drive gains by its own link although its neighbours then share with it: nobody is told to leave it as it is."""
    machine = bench_2({"PCIE1": [carrier((3, 8), [reel_3(name) for name in "ABCD"], bays=4)]})
    slow = port(machine, "01.0").below[0].below[1]
    slow.now = (1, 4)
    (finding,) = of_rule(audited(machine), "link-slow")
    gains = {step.gain_mbps for step in finding.steps if step.gain_mbps is not None}
    # A quarter of the uplink, less what the link gives now: PCI Express Base, line coding of 8 and 2.5 GT/s.
    assert {round(ceiling_mbps(3, 8, 256) / 4 - ceiling_mbps(1, 4, 256), 1)} == gains
    assert "gain nothing" not in finding.headline


def test_no_slot_is_given_to_two_cards() -> None:
    """Several drives that would gain in a better slot are sent to different ones."""
    machine = bench_1({"SLOT4": [reel_4("A")], "M2_1": [reel_4("B")], "M2_2": [reel_4("C")]})
    port(machine, "06.0").can = (3, 4)
    port(machine, "1b.4").can = (3, 4)
    steps = [step for one in of_rule(audited(machine), "slot-limited") for step in one.steps if step.action == "move"]
    places = [step.text.partition(" to ")[2].partition(",")[0] for step in steps]
    assert len(places) == len(set(places)) == 3


def test_parts_of_the_board_are_not_pulled() -> None:
    """A device that the firmware lists as part of the board is neither moved nor reseated."""
    nic = card("network", (3, 4), vendor=0xF1D0, device=0x1010, maker="Linnhaven", model="Onboard 10G")
    machine = bench_1({"SLOT2": display()}, more=[root_port("1f.6", (3, 4), [nic], slot=Slot(number=12), now=(3, 2))])
    machine.onboard.append(("Onboard 10G", 5, nic))
    (finding,) = of_rule(audited(machine), "link-narrow")
    hands = {"reseat", "clean", "remove-riser", "try-other-slot", "move", "swap"}
    assert not hands & {step.action for step in finding.steps}


def test_a_slot_that_lost_lanes_is_said_to_share_them() -> None:
    """A port that offers fewer lanes than the firmware calls wired sends people to the board's manual first."""
    machine = bench_1({"SLOT2": display((4, 16))})
    port(machine, "05.0").can = (4, 8)
    (finding,) = of_rule(audited(machine), "slot-limited")
    assert "check-sharing" == finding.steps[0].action
    assert "16 lanes" in finding.headline


def test_a_payload_too_large_is_not_cured_by_a_larger_one() -> None:
    """Where the card sends more than its port takes, the step is to match them."""
    (finding,) = of_rule(audit(facts(MACHINES["bench-1-payload-mismatch"]().tree)), "payload-mismatch")
    assert ["match-payload"] == [step.action for step in finding.steps]


def test_a_port_set_to_the_lowest_speed_may_be_the_kernels_doing() -> None:
    """Target Link Speed 2.5 GT/s may be a setting or what the kernel fell back to; both are named.

    Source: drivers/pci/quirks.c pcie_failed_link_retrain.
    """
    judged = judged_at(tower(drive((4, 4)), (4, 4), target=1, now=(1, 4)))
    assert Verdict.SET_SLOW is judged.verdict
    assert "kernel" in judged.why


def test_every_slot_is_listed_once() -> None:
    """A split slot is one slot, and the kernel's name for a slot that the firmware names is no further slot."""
    upgraded = data.inventory(audit(facts(MACHINES["bench-1-upgraded"]().tree))).slots
    (split,) = [slot for slot in upgraded if slot.name == "SLOT1"]
    assert 4 == len(split.devices)
    riser = data.inventory(audit(facts(MACHINES["bench-2-worn-riser"]().tree))).slots
    assert {"kernel slot name"} & {slot.named_by for slot in riser if not slot.ports} == set()


# --- Not a good card pulled ------------------------------------------------------------------------------------


def test_a_swap_names_two_cards() -> None:
    """The step of a swap sends the limited card to the slot of the other one, whichever of the two it is told of."""
    found = audit(facts(MACHINES["bench-3-swap-wanted"]().tree))
    steps = [step for rule in ("slot-limited", "slot-swap") for one in of_rule(found, rule) for step in one.steps]
    assert 2 == len(steps)
    assert {"Swap the card in slot J2 (0000:02:00.0) with the card in slot J1 (0000:01:00.0)."} == {
        step.text for step in steps
    }


def test_disks_on_a_controller_are_no_load_for_an_uplink() -> None:
    """What a SATA controller's link could carry is not what its disks can move."""
    hub = switch((4, 4), [downstream_port((4, 16), [card("sata", (4, 16), disks=[Disk(serial="a")])])])
    found = audited(tower(hub, (4, 4)))
    assert [] == of_rule(found, "uplink-shared")
    assert [] == of_rule(found, "payload-low")


def test_a_part_of_a_split_slot_is_not_free_while_a_card_fills_the_slot() -> None:
    """A carrier with two drives in a slot split in four leaves no room for another card."""
    fitted = {"SLOT1": [reel_4("A")], "SLOT1b": [reel_4("B")], "SLOT4": [reel_4("C")], "SLOT3": [reel_4("D")]}
    machine = bench_1({**fitted, "M2_1": [reel_4("E")], "M2_2": [reel_4("F")], "SLOT2": display()}, split=True)
    texts = [step.text for one in of_rule(audited(machine), "slot-limited") for step in one.steps]
    assert not [text for text in texts if "SLOT1," in text]


def test_a_port_that_the_firmware_calls_no_slot_is_no_place_for_a_card() -> None:
    """Where the firmware describes the board's slots, a port with a slot number alone may have no connector."""
    ports = [
        root_port("01.0", (3, 4), [reel_4("A")], slot=Slot(number=1, name="SLOT1", wired=4, generation=3)),
        root_port("02.0", (4, 4), [], slot=Slot(number=77)),
    ]
    (finding,) = of_rule(audited(Machine(name="bench-9", buses={"0000:00": ports})), "slot-limited")
    assert ["plan-places"] == [step.action for step in finding.steps]


def test_a_drive_goes_only_where_its_form_goes() -> None:
    """An M.2 drive does not fit a U.2 bay."""
    ports = [
        root_port("01.0", (4, 2), [reel_4("A")], slot=Slot(number=1, name="M2_1", kind="m.2", wired=2, connector=4)),
        root_port("02.0", (4, 4), [], slot=Slot(number=2, name="BAY1", kind="u.2", wired=4, connector=4)),
    ]
    (finding,) = of_rule(audited(Machine(name="bench-9", buses={"0000:00": ports})), "slot-limited")
    assert ["plan-places"] == [step.action for step in finding.steps]


def test_a_limit_at_freezing_is_none() -> None:
    """A drive that states limits no drive can mean is not called hot."""
    assert [] == of_rule(audited(tower(drive((4, 4), Nvme(warning=1, critical=2)))), "drive-hot")


def test_lanes_that_are_not_in_use_make_no_errors() -> None:
    """Error bits of a wide port above a narrow card's lanes say nothing; those on its lanes are told."""
    tree = build(tower(drive((4, 4)), (4, 16)))
    edit(tree, PORT, pcie.LANE_ERROR_STATUS, lanes=0xFFF0)
    assert [] == of_rule(audit(facts(tree)), "lane-errors")
    edit(tree, PORT, pcie.LANE_ERROR_STATUS, lanes=0xFFF2)
    (finding,) = of_rule(audit(facts(tree)), "lane-errors")
    assert (Severity.OK, "lanes 1 of 4") == (finding.severity, finding.evidence[0].read.partition(" (")[0])


def test_a_wired_link_below_a_tunnel_controller_is_judged() -> None:
    """The mark of a tunnel on a port that links faster than a tunnel says it can do leaves the link a wired one."""
    judged = judged_at(tower(drive((3, 4)), (3, 4), vendor_specific=0x1234, now=(3, 2)))
    assert Verdict.NARROW is judged.verdict


def test_counters_that_a_later_look_could_not_read_are_no_news() -> None:
    """Errors are not said to have stopped, or gone back, where a later look could not read them."""
    tree = build(tower(drive((4, 4), counters={"BadTLP": 90})))
    later = tree.copy()
    for name in ("correctable", "nonfatal", "fatal"):
        later.fail(later.resolve(f"/sys/bus/pci/devices/{CARD}/aer_dev_{name}"), "EIO")
    (finding,) = of_rule(audit(facts(tree, [(1.0, later)], (PORT, CARD))), "link-errors")
    assert "looking" not in finding.headline


def test_a_passed_through_card_is_looked_at_from_the_host_first() -> None:
    """Where the port is hidden no hands go inside: only the host can tell slot from fault."""
    machine = Machine(name="guest", buses={"0000:00": [drive((4, 4), at="05.0", now=(4, 2))]}, virtual=True)
    (finding,) = of_rule(audited(machine), "link-narrow")
    assert "look-from-host" in {step.action for step in finding.steps}
    assert not [step for step in finding.steps if step.cautions]


def test_a_card_that_sleeps_as_a_whole_is_told_once() -> None:
    """A display card with a switch of its own, all of it asleep, is one open question, not one a link."""
    asleep: dict[str, Any] = {"power_state": "D3cold"}
    inner = downstream_port((4, 16), [card("display", (4, 16), **asleep)], **asleep)
    found = audited(tower(switch((4, 16), [inner], **asleep), **asleep))
    (finding,) = of_rule(found, "link-unread")
    assert CARD == finding.subject
    assert ["wake"] == [step.action for step in finding.steps]
