"""The rules about slots: what limits a card there, splits, swaps, power faults and latches, both ways."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit
from agent.model.findings import Severity, Verdict
from agent.report.words import is_met
from knowledge import pcie
from knowledge.steps import STEPS
from tests.build import build, facts, set_link
from tests.judging import CARD, PORT, judged_at, tower
from tests.parts import Function, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding

NOTHING: Final[dict[str, Any]] = {
    "registers": {
        pcie.LINK_CAPABILITIES: {"max_link_speed": 0, "maximum_link_width": 0},
        pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0},
    },
    "attributes": {"max_link_speed": "Unknown", "max_link_width": "255"},
}


def seen(described: Machine) -> Audit:
    """The audit of a machine."""
    return audit(facts(build(described)))


def of_rule(found: Audit, rule: str) -> list[Finding]:
    """What one rule found."""
    return [one for one in found.findings if one.rule == rule]


def shown(finding: Finding) -> list[tuple[str, str, str]]:
    """The evidence of a finding."""
    return [(one.source, one.read, one.expected) for one in finding.evidence]


# --- A slot that limits --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("connector", "wired", "told", "shares"),
    [
        (16, 4, ["x16 connector wired with 4 lanes"], False),
        (16, 8, ["x16 connector wired with 8 lanes", "8 lanes wired"], True),
        (8, 8, ["8 lanes wired"], True),
        (4, 4, [], False),
        (16, 0, [], False),
    ],
)
def test_a_limit_names_what_the_firmware_says_of_the_slot(
    connector: int,
    wired: int,
    told: list[str],
    shares: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A longer connector and lanes that the port does not offer now are told; what the firmware leaves out is not."""
    slot = Slot(number=1, name="SLOT1", connector=connector, wired=wired)
    (finding,) = of_rule(seen(tower(drive((4, 8)), (4, 4), slot=slot)), "slot-limited")
    firmware = [one for one in finding.evidence if one.source.startswith("firmware slot description")]
    assert told == [one.read for one in firmware]
    assert ("a neighbour or a split may have taken" in finding.headline) == shares
    if shares:
        assert "4 that the port offers now" == firmware[-1].expected


def test_a_swap_names_who_holds_the_better_slot_wherever_it_stands() -> None:
    """The finding is about the card that needs less, which may stand behind the one that would gain."""
    parts = [
        root_port("01.0", (3, 4), [drive((4, 4))], slot=Slot(number=1, name="SLOT1")),
        root_port("02.0", (4, 16), [card("network", (1, 1))], slot=Slot(number=2, name="SLOT2")),
    ]
    (finding,) = of_rule(seen(Machine(name="bench-9", buses={"0000:00": parts})), "slot-swap")
    assert "0000:02:00.0" == finding.subject
    assert [
        (
            "0000:00:02.0 ability of the port",
            "16 GT/s (Gen 4) x16",
            "a card that can use as much; its own can do 2.5 GT/s (Gen 1) x1",
        ),
        ("0000:01:00.0 ability of the card", "16 GT/s (Gen 4) x4", "a slot that can do as much"),
    ] == shown(finding)


def test_a_port_that_limits_is_held_against_the_card() -> None:
    """What falls short is the ability of the port; the card's own is what is asked of it."""
    judged = judged_at(tower(drive((4, 4)), (3, 4)))
    assert Verdict.SLOT_LIMITED is judged.verdict
    asked = {one.source.partition(" ")[0]: one.expected for one in judged.evidence if "Capabilities" in one.source}
    assert {PORT: "16 GT/s (Gen 4) x4 or more", CARD: "16 GT/s (Gen 4) x4 or more"} == asked
    (short,) = [one.source for one in judged.evidence if "Capabilities" in one.source and not is_met(one)]
    assert short.startswith(PORT)


# --- Slots that are not split --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("port", "fitted", "drives"),
    [
        ((4, 16), (4, 4), 4),
        ((4, 8), (4, 4), 2),
        ((4, 16), (4, 8), 2),
        ((4, 8), (4, 2), 4),
        ((4, 8), (4, 8), 0),
        ((4, 4), (4, 4), 0),
        ((4, 4), (4, 2), 0),  # a slot of x4 holds one drive
    ],
)
def test_a_wide_slot_with_one_drive_may_hold_more(port: tuple[int, int], fitted: tuple[int, int], drives: int) -> None:
    """A slot of x8 or more that has lanes for at least two such drives, and shows one, is remarked."""
    found = of_rule(seen(tower(drive(fitted), port)), "slot-unsplit")
    assert drives == (int(found[0].evidence[1].expected.split()[2]) if found else 0)
    for finding in found:
        lanes = f"({drives} x{fitted[1]})"
        assert finding.headline.endswith(f"the slot is not split {lanes}")
        assert (f"{PORT} Link Capabilities: Maximum Link Width", f"x{port[1]}", f"x{fitted[1]} once split") == shown(
            finding
        )[0]


@pytest.mark.parametrize(
    "machine",
    [
        tower(card("network", (4, 4)), (4, 16)),
        tower(drive((4, 4)), (4, 16), **NOTHING),
        tower(drive((4, 4), **NOTHING), (4, 16)),
        tower(switch((4, 16), [downstream_port((4, 16), [drive((4, 4))])]), (4, 16)),
        tower(drive((4, 4)), (4, 16), slot=Slot(number=1, name="BAY1", kind="m.2")),
        Machine(name="guest", virtual=True, buses={"0000:00": [drive((4, 4), at="05.0")]}),
    ],
    ids=["no drive", "a silent port", "a silent drive", "behind a switch", "a bay for one drive", "no port"],
)
def test_a_drive_that_is_no_sign_of_a_split_is_left_alone(machine: Machine) -> None:
    """Only a drive right below a port of the processor, whose lanes are known, in a slot for cards tells of a split."""
    assert [] == of_rule(seen(machine), "slot-unsplit")


@pytest.mark.parametrize(("can_split", "severity"), [(True, Severity.NOTE), (False, Severity.OK)])
def test_the_firmwares_word_makes_a_remark_a_note(can_split: bool, severity: Severity) -> None:  # noqa: FBT001 - a column
    """Where the firmware says that the slot can be split, one drive in it is worth a look."""
    slot = Slot(number=1, name="SLOT1", can_split=can_split)
    (finding,) = of_rule(seen(tower(drive((4, 4)), (4, 16), slot=slot)), "slot-unsplit")
    assert severity is finding.severity


# --- Power and latches ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slot", "status", "rules"),
    [
        ({"power_controller": True}, {"power_fault_detected": 1}, ["slot-power-fault"]),
        ({"power_controller": True}, {}, []),
        ({}, {"power_fault_detected": 1}, []),  # the bit means nothing without a power controller
        ({"latch": True}, {"presence_detect_state": 1, "mrl_sensor_state": 1}, ["slot-latch-open"]),
        ({"latch": True}, {"presence_detect_state": 1}, []),
        ({"latch": True}, {"presence_detect_state": 0, "mrl_sensor_state": 1}, []),  # an open latch of an empty slot
        ({}, {"presence_detect_state": 1, "mrl_sensor_state": 1}, []),  # there is no such sensor
    ],
)
def test_a_slot_tells_of_its_power_and_latch_where_it_has_them(
    slot: dict[str, bool], status: dict[str, int], rules: list[str]
) -> None:
    """Bits of Slot Status count only where Slot Capabilities has the part that they speak of.

    Source: PCI Express Base Specification, Slot Capabilities and Slot Status Registers.
    """
    fitted: Function = drive((4, 4), Nvme())
    machine = tower(fitted, slot=Slot(number=1, **slot), registers={pcie.SLOT_STATUS: status})  # type: ignore[arg-type]
    found = [one for one in seen(machine).findings if one.rule in {"slot-power-fault", "slot-latch-open"}]
    assert rules == [one.rule for one in found]
    assert [PORT] * len(rules) == [one.subject for one in found]
    assert CARD == fitted.address


NOTED: Final = {"power_fault_detected": 1, "presence_detect_state": 1}


@pytest.mark.parametrize(
    ("fitted", "now", "verdict", "severity"),
    [
        (drive((4, 4), Nvme()), (4, 4), Verdict.FULL, Severity.NOTE),
        (drive((4, 4), Nvme()), (4, 2), Verdict.NARROW, Severity.FAULT),
        (drive((4, 4), Nvme()), (1, 4), Verdict.SLOW, Severity.FAULT),
        (card("display", (4, 16)), (1, 16), Verdict.RESTING, Severity.NOTE),
        (card("display", (4, 16)), (1, 8), Verdict.NARROW, Severity.FAULT),
    ],
)
def test_a_latched_power_fault_is_a_fault_only_beside_a_link_that_is_not_well(
    fitted: Function, now: tuple[int, int], verdict: Verdict, severity: Severity
) -> None:
    """The bit is latched (type RW1C): beside a link at its best it is history, beside a poor one it may be why.

    Source: PCI Express Base Specification, Slot Status Register, Power Fault Detected.
    """
    slot = Slot(number=1, power_controller=True)
    tree = build(tower(fitted, slot=slot, registers={pcie.SLOT_STATUS: NOTED}))
    set_link(tree, (PORT, CARD), now)
    found = audit(facts(tree))
    (finding,) = of_rule(found, "slot-power-fault")
    assert (verdict, severity) == (found.by_key[PORT].verdict, finding.severity)
    assert "at some time since it was last cleared" in finding.evidence[0].read
    hands = [step.action for step in finding.steps if STEPS[step.action].hardware]
    assert bool(hands) is (severity is Severity.FAULT)


def test_a_power_fault_of_a_card_that_does_not_answer_is_a_fault() -> None:
    """A card that is felt and has no link, below a slot that reports a power fault just now, is a present fault."""
    machine = tower([], slot=Slot(number=1, power_controller=True), registers={pcie.SLOT_STATUS: NOTED})
    found = seen(machine)
    (finding,) = of_rule(found, "slot-power-fault")
    assert (Verdict.DARK, Severity.FAULT) == (found.by_key[PORT].verdict, finding.severity)
    assert "read-event-again" not in [step.action for step in finding.steps]


def test_a_power_fault_that_an_empty_slot_noted_is_history() -> None:
    """Nothing is fitted, so there is no card whose supply may be cut."""
    status = {**NOTED, "presence_detect_state": 0}
    found = seen(tower([], slot=Slot(number=1, power_controller=True), registers={pcie.SLOT_STATUS: status}))
    (finding,) = of_rule(found, "slot-power-fault")
    assert (Verdict.EMPTY, Severity.NOTE) == (found.by_key[PORT].verdict, finding.severity)


# --- Links and uplinks ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "words"), [(1, " for a drive "), (2, " for 2 drives ")])
def test_an_uplink_counts_the_drives_behind_it(count: int, words: str) -> None:
    """What they could move together is held against what the uplink carries, in singular and plural."""
    bays = [downstream_port((4, 4), [drive((4, 4))]) for _ in range(count)]
    (finding,) = of_rule(seen(tower(switch((3, 4), bays), (3, 4))), "uplink-shared")
    assert words in finding.headline
    assert (" together" in finding.headline) == (count > 1)
    assert "read" not in finding.headline  # the sum is one of link rates, not of what drives read
    assert ["spread-drives"] * (count > 1) == [step.action for step in finding.steps]  # one drive shares with nobody
    assert finding.evidence[1].source.startswith("own links of " if count > 1 else "own link of ")
    assert finding.evidence[1].expected.endswith(f"this is {2 * count:.1f} times as much")


def test_an_uplink_that_feeds_its_drives_is_no_finding() -> None:
    """One that carries just what they could move holds nobody back."""
    bays = [downstream_port((3, 4), [drive((3, 4))]) for _ in range(2)]
    assert [] == of_rule(seen(tower(switch((3, 8), bays), (3, 8))), "uplink-shared")


@pytest.mark.parametrize(
    ("sent", "accepted", "told"),
    [(512, 256, True), (256, 256, False), (128, 256, False)],
)
def test_a_card_may_not_send_more_than_its_port_accepts(sent: int, accepted: int, told: bool) -> None:  # noqa: FBT001 - a column
    """Larger packets than the port is set to are malformed to it (PCI Express Base, Device Control Register)."""
    machine = tower(drive((4, 4), payload_now=sent), payload_now=accepted)
    found = of_rule(seen(machine), "payload-mismatch")
    assert told == bool(found)
    for finding in found:
        assert [
            (f"{CARD} Device Control: Max_Payload_Size", f"{sent} bytes", f"{accepted} bytes"),
            (f"{PORT} Device Control: Max_Payload_Size", f"{accepted} bytes", "the same or more"),
        ] == shown(finding)


@pytest.mark.parametrize(
    ("in_force", "supported", "told"), [(256, 512, True), (128, 512, True), (512, 512, False), (128, 128, False)]
)
def test_small_packets_are_told_where_the_whole_path_takes_larger_ones(
    in_force: int,
    supported: int,
    told: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """The size in force is held against the smallest that every end on the way supports."""
    fitted = drive((4, 4), payload_now=in_force, payload=512)
    found = of_rule(seen(tower(fitted, payload_now=in_force, payload=supported)), "payload-low")
    assert told == bool(found)
    for finding in found:
        assert f"{in_force} bytes where the whole path supports {supported}" in finding.headline
