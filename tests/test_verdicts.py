"""Every verdict of the comparer, both ways: where it must be given, and the nearest case where it must not.

Names of registers and files beside the checks: the PCI Express Base Specification and the Linux kernel (6.12), whose
readings of the same registers are the second opinion here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.findings import Rate, Severity, Verdict
from knowledge import pcie
from knowledge.phrasing import plain
from tests.build import build, edit, facts, set_link
from tests.judging import CARD, ENDS, PORT, all_judged, judged_at, seen_again, tower
from tests.machines import MACHINES
from tests.parts import Disk, Function, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch

if TYPE_CHECKING:
    from agent.model.judged import Judged
    from tests.parts import Rate as Can
    from tests.tree import Tree

EMULATED: Final = 0x1B36
PARAVIRTUAL: Final = 0x1AF4

as_root_and_as_user = pytest.mark.parametrize("privileged", [True, False], ids=["root", "user"])


def words(judged: Judged) -> str:
    """All that a verdict says: its sentence and its evidence."""
    shown = (f"{one.source}: {one.read} ({one.expected})" for one in judged.evidence)
    return "\n".join((judged.why, *shown))


def network(can: Can = (4, 4), **more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A card of a class that never rests by itself."""
    return card("network", can, **more)


# --- What the two ends can do, and what the link does ------------------------------------------------------------


@as_root_and_as_user
@pytest.mark.parametrize(
    ("port", "fitted", "now", "verdict"),
    [
        ((4, 16), (4, 4), None, Verdict.FULL),
        ((4, 4), (4, 4), None, Verdict.FULL),
        ((3, 16), (1, 1), None, Verdict.FULL),  # a one-lane card in a sixteen-lane slot has nothing to gain
        ((6, 16), (5, 4), None, Verdict.FULL),
        ((6, 16), (6, 16), None, Verdict.FULL),
        ((3, 4), (4, 4), None, Verdict.SLOT_LIMITED),  # speed
        ((4, 4), (4, 8), None, Verdict.SLOT_LIMITED),  # width
        ((3, 4), (4, 8), None, Verdict.SLOT_LIMITED),  # both
        ((5, 16), (6, 16), None, Verdict.SLOT_LIMITED),
        ((4, 16), (4, 4), (4, 2), Verdict.NARROW),
        ((4, 16), (4, 4), (4, 1), Verdict.NARROW),
        ((4, 16), (4, 16), (4, 8), Verdict.NARROW),
        ((3, 4), (4, 8), (3, 2), Verdict.NARROW),  # below the best of both, not only below the card's own
        ((4, 16), (4, 4), (2, 2), Verdict.NARROW),  # below best both ways
        ((3, 4), (4, 8), (1, 1), Verdict.NARROW),
    ],
)
def test_best_is_what_both_ends_can_do(
    port: Can,
    fitted: Can,
    now: Can | None,
    verdict: Verdict,
    privileged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """The lower width and the fastest common speed of both ends are best; the same for root and for an ordinary user.

    Source: drivers/pci/pcie/bwctrl.c pcie_bwctrl_select_speed; common practice for the width.
    """
    judged = judged_at(tower(network(fitted), port, now=now), privileged=privileged)
    assert verdict is judged.verdict
    assert Rate(min(port[0], fitted[0]), min(port[1], fitted[1])) == judged.best
    assert Rate(*(now or (min(port[0], fitted[0]), min(port[1], fitted[1])))) == judged.now
    assert (Rate(*port), Rate(*fitted)) == (judged.port_can, judged.device_can)


def test_each_verdict_has_the_severity_of_the_design() -> None:
    """What a verdict asks of the reader is fixed: only lost lanes, lost speed and a dark slot are faults."""
    assert {
        "full": "ok",
        "slot-limited": "limit",
        "narrow": "fault",
        "slow": "fault",
        "set-slow": "limit",
        "resting": "note",
        "dark": "fault",
        "empty": "ok",
        "virtual": "ok",
        "unknown": "unknown",
    } == {str(verdict): str(verdict.severity) for verdict in Verdict}


@as_root_and_as_user
@pytest.mark.parametrize("name", sorted(MACHINES))
def test_every_verdict_shows_its_evidence(name: str, privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """No verdict comes without a reading: where it was taken, what it was, and what was expected."""
    setup = MACHINES[name]()
    for judged in all_judged(setup.tree, setup.looks, setup.again, privileged=privileged).values():
        assert judged.why
        assert judged.evidence
        assert [] == [one for one in judged.evidence if not (one.source and one.read and one.expected)]


def test_a_narrow_link_names_both_readings() -> None:
    """The evidence of a narrow link holds the rate as read, the rate expected, and the register it came from."""
    judged = judged_at(tower(network((4, 4)), now=(4, 2)))
    first = judged.evidence[0]
    assert (f"{CARD} Link Status", "16 GT/s (Gen 4) x2", "16 GT/s (Gen 4) x4") == (
        first.source,
        first.read,
        first.expected,
    )


def test_below_best_both_ways_is_narrow_with_the_speed_in_its_words() -> None:
    """A link that lost lanes and speed is narrow, and both losses are told."""
    judged = judged_at(tower(network((4, 4)), now=(1, 1)))
    assert Verdict.NARROW is judged.verdict
    assert "1 of 4 lanes" in judged.why
    assert "2.5 GT/s" in judged.why
    assert "16 GT/s" in judged.why


# --- Speeds ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("port", "fitted", "best"),
    [
        ((1, 2, 4), (1, 2, 3, 4), 4),
        ((1, 2, 3), (1, 2, 4), 2),  # a gap: 16 GT/s without 8 GT/s
        ((1, 2, 4), (1, 2, 3), 2),
        ((1,), (1, 2, 3), 1),
        ((2,), (3,), 1),  # nothing in common: 2.5 GT/s, as the kernel takes it
    ],
)
def test_the_supported_speeds_vector_decides_what_is_common(
    port: tuple[int, ...], fitted: tuple[int, ...], best: int
) -> None:
    """Best speed is the highest bit set in both vectors, not the lower of two maxima.

    Source: Link Capabilities 2, Supported Link Speeds Vector; drivers/pci/pcie/bwctrl.c pcie_bwctrl_select_speed.
    """
    fit = network((max(fitted), 4), vector=fitted, now=(best, 4))
    judged = judged_at(tower(fit, (max(port), 16), vector=port, now=(best, 4)))
    assert Rate(best, 4) == judged.best
    assert (Verdict.FULL if best == max(fitted) else Verdict.SLOT_LIMITED) is judged.verdict


def test_an_empty_vector_is_made_from_the_maximum_speed() -> None:
    """An old card whose vector reads 0 can do all speeds up to its Max Link Speed.

    Source: drivers/pci/pci.c pcie_get_supported_speeds.
    """
    old = network((2, 4), registers={pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0}})
    judged = judged_at(tower(old, now=(1, 4)))
    assert (Rate(2, 4), Verdict.SLOW) == (judged.best, judged.verdict)


def test_a_vector_counts_only_up_to_the_maximum_speed() -> None:
    """A vector that names more than Max Link Speed is cut there, as the kernel cuts it.

    Source: drivers/pci/pci.c pcie_get_supported_speeds.
    """
    odd = network((3, 4), registers={pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0b0001_1111}})
    judged = judged_at(tower(odd))
    assert (Rate(3, 4), Verdict.FULL) == (judged.device_can, judged.verdict)


def test_a_first_version_capability_has_no_vector_and_no_target() -> None:
    """What stands where version 2 has its vector and target is not taken for them.

    Source: drivers/pci/access.c pcie_cap_has_lnkctl2.
    """
    old = network((1, 1), version=1)
    port_registers = {pcie.LINK_CONTROL_2: {"target_link_speed": 1}}
    machine = tower(old, (1, 1), version=1, registers=port_registers)
    assert Verdict.FULL is judged_at(machine).verdict


# --- Slow, set-slow, resting -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("target", "verdict"),
    [(1, Verdict.SLOW), (2, Verdict.SET_SLOW), (3, Verdict.SLOW), (4, Verdict.SLOW)],
)
def test_set_slow_needs_a_target_equal_to_the_speed(target: int, verdict: Verdict) -> None:
    """Only a Target Link Speed equal to the speed at which the link runs explains it.

    Source: Link Control 2, Target Link Speed: the highest speed the port may train to.
    """
    judged = judged_at(tower(network((4, 4)), now=(2, 4), target=target))
    assert verdict is judged.verdict
    assert f"{PORT} Link Control 2: Target Link Speed" in words(judged)


def test_the_cards_own_target_explains_nothing() -> None:
    """The port's end decides about the Target Link Speed; a card whose own target is low is still slow."""
    judged = judged_at(tower(network((4, 4), target=2), now=(2, 4)))
    assert Verdict.SLOW is judged.verdict


def test_a_target_at_best_is_no_setting() -> None:
    """A port set to just the speed that the card can do limits nothing."""
    assert Verdict.FULL is judged_at(tower(network((3, 4)), (4, 16), target=3)).verdict
    assert Verdict.SLOT_LIMITED is judged_at(tower(network((4, 4)), (3, 16), target=3)).verdict


def test_lost_lanes_are_not_excused_by_a_setting_or_by_rest() -> None:
    """Width is hardly ever power saving: a narrow link stays narrow whatever explains its speed."""
    excused = tower(card("display", (4, 16)), now=(1, 8), target=1)
    port = excused.buses["0000:00"][0]
    port.registers = {pcie.LINK_STATUS: {"link_autonomous_bandwidth_status": 1}}
    assert Verdict.NARROW is judged_at(excused).verdict


@as_root_and_as_user
@pytest.mark.parametrize(
    ("kind", "verdict"),
    [("display", Verdict.RESTING), ("network", Verdict.SLOW), ("audio", Verdict.SLOW), ("nvme", Verdict.SLOW)],
)
def test_display_cards_rest_at_idle(kind: str, verdict: Verdict, privileged: bool) -> None:  # noqa: FBT001 - a column
    """A display card at 2.5 GT/s and full width is resting; the same of any other class is slow, or not told.

    Source: facts of idle display cards published by their makers' drivers; class codes as in include/linux/pci_ids.h.
    """
    nvme = Nvme() if kind == "nvme" else None
    judged = judged_at(tower(card(kind, (4, 16), drive=nvme), now=(1, 16)), privileged=privileged)
    expected = Verdict.UNKNOWN if verdict is Verdict.SLOW and not privileged else verdict
    assert expected is judged.verdict
    assert (expected is Verdict.UNKNOWN) == judged.needs_root


def _with_own_switch(*components: Function) -> Function:
    """A card with a packet switch of its own; each component sits on its own port, at the best of both."""
    return switch((4, 16), [downstream_port((4, 16), [component]) for component in components])


def test_a_display_card_behind_its_own_switch_rests_too() -> None:
    """The slot's link is one or two levels above the display function; its class still explains the speed.

    Source: drivers/gpu/drm/amd/amdgpu/amdgpu_device.c amdgpu_device_partner_bandwidth looks past the card's switch.
    """
    once = _with_own_switch(card("display", (4, 16)))
    twice = switch((4, 16), [downstream_port((4, 16), [_with_own_switch(card("display", (4, 16)))])])
    for fitted in (once, twice):
        judged = judged_at(tower(fitted, now=(1, 16)))
        assert (Verdict.RESTING, Rate(1, 16)) == (judged.verdict, judged.now)


def test_a_switch_that_serves_others_too_is_not_excused_by_a_display_card() -> None:
    """A carrier with a display card and a drive is no display card: its slow uplink is slow."""
    fitted = _with_own_switch(card("display", (4, 16)), drive((4, 4)))
    assert Verdict.SLOW is judged_at(tower(fitted, now=(1, 16))).verdict
    without = _with_own_switch(drive((4, 4)))
    assert Verdict.SLOW is judged_at(tower(without, now=(1, 16))).verdict


def test_a_setting_comes_before_rest() -> None:
    """A display card in a slot set to its present speed would not rise under load: that is set-slow, not resting."""
    assert Verdict.SET_SLOW is judged_at(tower(card("display", (4, 16)), now=(1, 16), target=1)).verdict


@pytest.mark.parametrize(
    ("bits", "verdict"),
    [
        ({}, Verdict.SLOW),
        ({"link_autonomous_bandwidth_status": 1}, Verdict.RESTING),
        ({"link_bandwidth_management_status": 1}, Verdict.SLOW),
        ({"link_autonomous_bandwidth_status": 1, "link_bandwidth_management_status": 1}, Verdict.RESTING),
    ],
    ids=["neither", "autonomous", "management", "both"],
)
def test_the_two_bandwidth_bits_mean_different_things(bits: dict[str, int], verdict: Verdict) -> None:
    """Link Autonomous Bandwidth Status is a change of the hardware's own will, Link Bandwidth Management Status is not.

    Source: PCI Express Base, Link Status Register; drivers/pci/pci.c pcie_retrain_link on the latter.
    """
    machine = tower(network((4, 4)), now=(2, 4), registers={pcie.LINK_STATUS: bits})
    assert verdict is judged_at(machine).verdict


def test_the_bandwidth_bits_are_the_ports() -> None:
    """Endpoints hardwire both bits to 0; one that shows them does not speak for the link."""
    fitted = network((4, 4), registers={pcie.LINK_STATUS: {"link_autonomous_bandwidth_status": 1}})
    assert Verdict.SLOW is judged_at(tower(fitted, now=(2, 4))).verdict


def test_an_autonomous_change_seen_in_a_later_look_counts() -> None:
    """The bit may be set only when the link is looked at again."""
    tree = build(tower(network((4, 4)), now=(2, 4)))
    later = tree.copy()
    edit(later, PORT, pcie.LINK_STATUS, link_autonomous_bandwidth_status=1)
    assert Verdict.RESTING is judged_at(tree, [(1.0, later)]).verdict
    assert Verdict.SLOW is judged_at(tree, [(1.0, tree)]).verdict


FROZEN: Final = {pcie.LINK_CONTROL_2: {"hardware_autonomous_speed_disable": 1}}
CHANGED: Final = {pcie.LINK_STATUS: {"link_autonomous_bandwidth_status": 1}}


def test_a_card_that_may_not_change_its_speed_does_not_rest() -> None:
    """Hardware Autonomous Speed Disable at the card freezes a low speed: it will not rise under load.

    Source: Link Control 2, Hardware Autonomous Speed Disable.
    """
    for fitted in (network((4, 16), registers=FROZEN), card("display", (4, 16), registers=FROZEN)):
        judged = judged_at(tower(fitted, now=(2, 16), registers=CHANGED))
        assert Verdict.SLOW is judged.verdict
        assert "Hardware Autonomous Speed Disable" in words(judged)
    assert Verdict.RESTING is judged_at(tower(network((4, 16)), now=(2, 16), registers=CHANGED)).verdict


def test_a_frozen_card_that_was_seen_faster_rests_all_the_same() -> None:
    """What was seen outweighs what a bit promises."""
    tree = build(tower(network((4, 16), registers=FROZEN), now=(2, 16)))
    assert Verdict.RESTING is judged_at(tree, seen_again(tree, (4, 16))).verdict
    assert Verdict.SLOW is judged_at(tree, seen_again(tree, (2, 16))).verdict


@pytest.mark.parametrize(
    ("state", "verdict"),
    [
        ("D0", Verdict.SLOW),
        ("D1", Verdict.RESTING),
        ("D3hot", Verdict.RESTING),
        ("unknown", Verdict.SLOW),
        ("error", Verdict.SLOW),
    ],
)
def test_a_sleeping_card_rests(state: str, verdict: Verdict) -> None:
    """A card in a low-power state explains a low speed; power_state says which (Documentation/ABI sysfs-bus-pci)."""
    assert verdict is judged_at(tower(network((4, 4), power_state=state), now=(1, 4))).verdict


@pytest.mark.parametrize("kind", ["network", "display"])
def test_a_card_without_power_is_not_judged(kind: str) -> None:
    """In D3cold nothing is asked, and what the port remembers of the link is no reading of both ends."""
    judged = judged_at(tower(card(kind, (4, 4), power_state="D3cold"), now=(1, 4)))
    assert Verdict.UNKNOWN is judged.verdict
    assert "asleep" in words(judged)
    assert not judged.needs_root


# --- More than one look ------------------------------------------------------------------------------------------


@as_root_and_as_user
@pytest.mark.parametrize(
    ("first", "later", "verdict", "now"),
    [
        ((1, 4), [(4, 4)], Verdict.RESTING, (1, 4)),
        ((1, 4), [(1, 4), (2, 4), (1, 4)], Verdict.RESTING, (1, 4)),
        ((4, 4), [(1, 4)], Verdict.RESTING, (1, 4)),  # at first faster
        ((1, 4), [(1, 4), (1, 4)], Verdict.SLOW, (1, 4)),
        ((2, 4), [(1, 4)], Verdict.RESTING, (1, 4)),
        ((4, 2), [(4, 4), (4, 4)], Verdict.FULL, (4, 4)),  # the link settled after the first look
        ((4, 2), [(4, 4)], Verdict.NARROW, (4, 2)),  # one later look is not enough to say so
        ((4, 2), [(4, 4), (4, 2)], Verdict.NARROW, (4, 2)),  # lanes come and go
        ((4, 4), [(4, 2)], Verdict.NARROW, (4, 2)),  # lanes were lost while one looked
        ((4, 4), [(4, 4), (4, 1)], Verdict.NARROW, (4, 1)),
        ((4, 4), [(4, 2), (4, 4)], Verdict.NARROW, (4, 2)),
        ((4, 4), [(4, 2), (4, 2)], Verdict.NARROW, (4, 2)),
        ((4, 2), [(4, 2)], Verdict.NARROW, (4, 2)),
        ((1, 2), [(4, 2)], Verdict.NARROW, (1, 2)),
    ],
)
def test_later_looks_decide_between_rest_and_fault(
    first: Can,
    later: list[Can],
    verdict: Verdict,
    now: Can,
    privileged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """A speed that was seen higher is rest; lanes that are missing at any look are a fault, unless the link settled."""
    tree = build(tower(network((4, 4)), now=first))
    judged = judged_at(tree, seen_again(tree, *later), privileged=privileged)
    expected = Verdict.UNKNOWN if verdict is Verdict.SLOW and not privileged else verdict
    assert expected is judged.verdict
    assert Rate(*now) == judged.now
    assert [(0.0, Rate(*first)), *((0.5 * place, Rate(*rate)) for place, rate in enumerate(later, 1))] == list(
        judged.looks
    )


def test_ends_that_disagree_for_a_moment_are_looked_at_again() -> None:
    """A link that changes while it is read contradicts itself once; the later look tells."""
    tree = build(tower(network((4, 4))))
    set_link(tree, (CARD,), (1, 4))
    settled = tree.copy()
    set_link(settled, ENDS, (4, 4))
    assert Verdict.UNKNOWN is judged_at(tree).verdict
    assert Verdict.FULL is judged_at(tree, [(0.5, settled)]).verdict


# --- Contradictions and unreadable ends --------------------------------------------------------------------------


@as_root_and_as_user
@pytest.mark.parametrize("rate", [(4, 2), (3, 4), (1, 1)])
def test_ends_that_contradict_each_other_are_unknown(rate: Can, privileged: bool) -> None:  # noqa: FBT001 - a column
    """Port and card that say different rates of one link give no verdict, and both readings are shown."""
    tree = build(tower(network((4, 4))))
    set_link(tree, (CARD,), rate)
    judged = judged_at(tree, privileged=privileged)
    assert Verdict.UNKNOWN is judged.verdict
    assert judged.contradicts
    assert PORT in words(judged)
    assert CARD in words(judged)
    assert "contradict" in judged.why


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize(
    "attributes",
    [
        {"current_link_width": "2"},
        {"current_link_speed": "8.0 GT/s PCIe"},
        {"max_link_width": "8"},
        {"max_link_speed": "8.0 GT/s PCIe"},
    ],
    ids=str,
)
def test_attribute_and_register_that_contradict_are_unknown(end: str, attributes: dict[str, str | None]) -> None:
    """Both come from one register; where they differ, one of them is not of this moment or not of this device."""
    machine = tower(network((4, 4)), (4, 4))
    port = machine.buses["0000:00"][0]
    function = port if end == PORT else port.below[0]
    function.attributes = attributes
    judged = judged_at(machine)
    assert Verdict.UNKNOWN is judged.verdict
    assert judged.contradicts
    assert not judged.needs_root


def test_a_link_that_runs_above_its_best_is_unknown() -> None:
    """No link can be faster or wider than both of its ends: then something was read wrong."""
    for now in ((4, 8), (5, 4)):
        judged = judged_at(tower(network((4, 4)), now=now))
        assert Verdict.UNKNOWN is judged.verdict
        assert judged.contradicts


NOTHING: Final = {"max_link_speed": 0, "maximum_link_width": 0}


@as_root_and_as_user
@pytest.mark.parametrize("shown", ["0", "255"])
def test_a_port_capability_of_zero_is_unknown_not_zero(shown: str, privileged: bool) -> None:  # noqa: FBT001 - a column
    """A port whose Link Capabilities read 0 can do nobody knows what; a card at its own best is full all the same.

    Source: drivers/pci/pci.c pcie_get_width_cap gives 255 (unknown) where Link Capabilities read 0.
    """

    def link(now: Can) -> Judged:
        attributes: dict[str, str | None] = {"max_link_speed": "Unknown", "max_link_width": shown}
        registers = {pcie.LINK_CAPABILITIES: NOTHING, pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0}}
        machine = tower(network((4, 4)), now=now, registers=registers, attributes=attributes)
        return judged_at(machine, privileged=privileged)

    assert (Verdict.FULL, None) == (link((4, 4)).verdict, link((4, 4)).port_can)
    for now in ((2, 4), (4, 2), (1, 1)):
        judged = link(now)
        assert (Verdict.UNKNOWN, None, Rate(*now)) == (judged.verdict, judged.best, judged.now)


def test_a_card_that_reads_zero_is_unknown() -> None:
    """A card whose capability reads 0 cannot be said to run at its best."""
    attributes: dict[str, str | None] = {"max_link_speed": "Unknown", "max_link_width": "255"}
    fitted = network((4, 4), registers={pcie.LINK_CAPABILITIES: NOTHING}, attributes=attributes)
    assert Verdict.UNKNOWN is judged_at(tower(fitted)).verdict


@pytest.mark.parametrize("width", [3, 5, 31, 63])
def test_a_width_that_no_link_has_is_no_reading(width: int) -> None:
    """Lanes come as 1, 2, 4, 8, 12, 16 or 32; other codes are reserved and never a verdict's ground.

    Source: PCI Express Base, Link Capabilities and Link Status; include/linux/pci.h enum pcie_link_width.
    """
    attributes: dict[str, str | None] = {"max_link_width": str(width)}
    can = network((4, 4), attributes=attributes, registers={pcie.LINK_CAPABILITIES: {"maximum_link_width": width}})
    judged = judged_at(tower(can))
    assert (Verdict.UNKNOWN, None) == (judged.verdict, judged.device_can)
    judged = judged_at(tower(network((4, 4)), (4, 32), now=(4, width)))
    assert (Verdict.UNKNOWN, None) == (judged.verdict, judged.now)


@pytest.mark.parametrize("code", [0, 8, 15])
def test_a_speed_code_that_names_no_speed_is_no_reading(code: int) -> None:
    """Codes 0 and 8 to 15 are reserved (drivers/pci/probe.c pcie_link_speed: unknown)."""
    attributes: dict[str, str | None] = {"current_link_speed": "Unknown"}
    registers = {pcie.LINK_STATUS: {"current_link_speed": code}}
    machine = tower(
        network((4, 4), registers=registers, attributes=attributes), registers=registers, attributes=attributes
    )
    judged = judged_at(machine)
    assert (Verdict.UNKNOWN, None) == (judged.verdict, judged.now)


# --- Root and ordinary user --------------------------------------------------------------------------------------


def test_an_unreadable_target_is_never_slow() -> None:
    """Without the port's Target Link Speed a low speed is unknown, and says that root may tell."""
    for target, expected in ((2, Verdict.SET_SLOW), (4, Verdict.SLOW)):
        machine = tower(network((4, 4)), now=(2, 4), target=target)
        assert expected is judged_at(machine).verdict
        judged = judged_at(machine, privileged=False)
        assert (Verdict.UNKNOWN, True) == (judged.verdict, judged.needs_root)
        assert "root" in judged.why
        assert (Rate(2, 4), Rate(4, 4)) == (judged.now, judged.best)


@pytest.mark.parametrize("name", sorted(MACHINES))
def test_an_ordinary_user_gets_the_verdict_of_root_or_is_told_to_ask_root(name: str) -> None:
    """On every machine each link with a card has root's verdict, or none with the reason that root may tell."""
    setup = MACHINES[name]()
    root = all_judged(setup.tree, setup.looks, setup.again)
    user = all_judged(setup.tree, setup.looks, setup.again, privileged=False)
    assert list(root) == list(user)
    other = {
        key: (str(root[key].verdict), str(found.verdict))
        for key, found in user.items()
        if found.device_address is not None and found.verdict is not root[key].verdict and not found.needs_root
    }
    assert {} == other
    rest_on_attributes = {Verdict.FULL, Verdict.SLOT_LIMITED, Verdict.NARROW}
    assert {} == {
        key: str(user[key].verdict)
        for key, found in root.items()
        if found.verdict in rest_on_attributes and user[key].verdict is not found.verdict
    }


# --- What a verdict shows ------------------------------------------------------------------------------------------

# Source, what was read, what was expected: each reading that a verdict rests on, in the order in which they are told.
Shown = tuple[str, str, str]
VECTOR: Final = "Link Capabilities and supported-speeds vector"
TARGET_IS_FREE: Final = (f"{PORT} Link Control 2: Target Link Speed", "16 GT/s (Gen 4)", "16 GT/s (Gen 4) or more")
MANAGED: Final = {pcie.LINK_STATUS: {"link_bandwidth_management_status": 1}}
WAS_MANAGED: Final = (
    f"{PORT} Link Status: Link Bandwidth Management Status",
    "1, changed to keep it reliable or trained anew (set at some time since it was last cleared)",
    "0",
)
BARE: Final = "0000:00:05.0"
UNREAD: Final = {pcie.LINK_STATUS: {"current_link_speed": 0}}
NO_FIGURES: Final[dict[str, Any]] = {
    "registers": {pcie.LINK_CAPABILITIES: NOTHING, pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0}},
    "attributes": {"max_link_speed": "Unknown", "max_link_width": "255"},
}


def runs_at(read: str, expected: str, end: str = CARD) -> Shown:
    """What the Link Status of an end says."""
    return (f"{end} Link Status", read, expected)


def can_do(end: str, most: str, best: str = "16 GT/s (Gen 4) x4") -> Shown:
    """What an end can do, beside the best of both, or what the card can do where the port limits it."""
    return (f"{end} {VECTOR}", f"up to {most}", f"{best} or more")


ENDS_OF_X4: Final = (can_do(PORT, "16 GT/s (Gen 4) x16"), can_do(CARD, "16 GT/s (Gen 4) x4"))
HIDDEN: Final = (f"{BARE}: port above", "not visible from here", "the port's own registers")
EMULATED_PORT: Final = (
    f"{PORT} Link Capabilities: Maximum Link Width",
    "x32, an emulated port",
    "the true port's own registers",
)


@pytest.mark.parametrize(
    ("machine", "shown"),
    [
        pytest.param(
            tower(network((4, 4)), now=(4, 2), registers=MANAGED),
            [runs_at("16 GT/s (Gen 4) x2", "16 GT/s (Gen 4) x4"), *ENDS_OF_X4, WAS_MANAGED],
            id="narrow",
        ),
        pytest.param(
            tower(network((4, 4)), now=(2, 4), target=4, registers=MANAGED),
            [TARGET_IS_FREE, runs_at("5 GT/s (Gen 2) x4", "16 GT/s (Gen 4) x4"), *ENDS_OF_X4, WAS_MANAGED],
            id="slow",
        ),
        pytest.param(
            tower(network((4, 4)), now=(2, 4), target=2),
            [
                (TARGET_IS_FREE[0], "5 GT/s (Gen 2)", TARGET_IS_FREE[2]),
                runs_at("5 GT/s (Gen 2) x4", "16 GT/s (Gen 4) x4"),
                *ENDS_OF_X4,
            ],
            id="set-slow",
        ),
        pytest.param(
            tower(network((4, 4), power_state="D1"), now=(1, 4)),
            [
                (f"{CARD} power state", "D1", "D0"),
                TARGET_IS_FREE,
                runs_at("2.5 GT/s (Gen 1) x4", "16 GT/s (Gen 4) x4"),
                *ENDS_OF_X4,
            ],
            id="resting",
        ),
        pytest.param(
            tower(network((4, 4), registers=FROZEN), now=(2, 4)),
            [
                (f"{CARD} Link Control 2: Hardware Autonomous Speed Disable", "1", "0"),
                TARGET_IS_FREE,
                runs_at("5 GT/s (Gen 2) x4", "16 GT/s (Gen 4) x4"),
                *ENDS_OF_X4,
            ],
            id="slow for good",
        ),
        pytest.param(
            tower(network((4, 8)), (3, 4)),
            [
                runs_at("8 GT/s (Gen 3) x4", "8 GT/s (Gen 3) x4"),
                can_do(PORT, "8 GT/s (Gen 3) x4", "16 GT/s (Gen 4) x8"),
                can_do(CARD, "16 GT/s (Gen 4) x8", "16 GT/s (Gen 4) x8"),
            ],
            id="slot-limited",
        ),
        pytest.param(
            tower(network((4, 4)), now=(5, 4)),
            [runs_at("32 GT/s (Gen 5) x4", "16 GT/s (Gen 4) x4"), *ENDS_OF_X4],
            id="above best",
        ),
        pytest.param(
            tower(network((4, 4), attributes={"max_link_width": "8"})),
            [
                (f"{CARD} {VECTOR}", "up to 16 GT/s (Gen 4) x4", "the same from every source"),
                (
                    f"{CARD} attributes max_link_speed, max_link_width",
                    "up to 16 GT/s (Gen 4) x8",
                    "the same from every source",
                ),
            ],
            id="an end that contradicts itself",
        ),
        pytest.param(
            tower(network((4, 4)), now=(2, 4), **NO_FIGURES),
            [
                runs_at("5 GT/s (Gen 2) x4", "16 GT/s (Gen 4) x4"),
                ENDS_OF_X4[1],
                (f"{PORT} Link Capabilities", "speed code 0, width 0", "a speed and a width"),
            ],
            id="a port that says nothing",
        ),
        pytest.param(
            tower(network((4, 4)), **NO_FIGURES),
            [runs_at("16 GT/s (Gen 4) x4", "16 GT/s (Gen 4) x4"), ENDS_OF_X4[1]],
            id="full below a port that says nothing",
        ),
        pytest.param(
            tower(network((4, 4), power_state="D3cold")), [(f"{CARD} power state", "D3cold", "D0")], id="asleep"
        ),
        pytest.param(
            tower(drive((4, 4)), (4, 32), vendor=EMULATED, now=(3, 4), target=3),
            [runs_at("8 GT/s (Gen 3) x4", "16 GT/s (Gen 4) x4"), ENDS_OF_X4[1], EMULATED_PORT],
            id="below an emulated port",
        ),
        pytest.param(
            Machine(name="guest", virtual=True, buses={"0000:00": [drive((4, 4), at="05.0", now=(3, 4), target=3)]}),
            [
                runs_at("8 GT/s (Gen 3) x4", "16 GT/s (Gen 4) x4", BARE),
                can_do(BARE, "16 GT/s (Gen 4) x4"),
                HIDDEN,
            ],
            id="passed through",
        ),
        pytest.param(
            Machine(name="guest", buses={"0000:00": [network((1, 1), at="05.0", vendor=PARAVIRTUAL, vector=(1,))]}),
            [(f"{BARE} Link Capabilities", "emulated device: its link figures are made up", "a wired link")],
            id="emulated",
        ),
        pytest.param(
            Machine(name="bench-9", buses={"0000:00": [drive(None, at="05.0", integrated=True)]}),  # type: ignore[arg-type]
            [(f"{BARE} PCI Express Capabilities: Device/Port Type", "integrated endpoint", "no link")],
            id="integrated",
        ),
    ],
)
def test_a_verdict_shows_each_reading_that_it_rests_on(machine: Machine, shown: list[Shown]) -> None:
    """Every verdict names register or attribute, the value as read and the value expected, and nothing else."""
    (judged,) = all_judged(machine).values()
    assert shown == [(one.source, one.read, one.expected) for one in judged.evidence]


def test_an_ordinary_user_is_shown_what_root_would_read() -> None:
    """What an ordinary user cannot read stands last, after all that was read; a place speaks for a register."""
    (judged,) = all_judged(tower(network((4, 4)), now=(2, 4)), privileged=False).values()
    assert [
        f"{CARD} attributes current_link_speed, current_link_width",
        f"{PORT} attributes max_link_speed, max_link_width",
        f"{CARD} attributes max_link_speed, max_link_width",
        f"{PORT} Link Control 2: Target Link Speed",
    ] == [one.source for one in judged.evidence]
    assert judged.why.endswith(
        "whether a setting, power saving or a fault does that takes registers that root may read"
    )
    inside = Machine(name="bench-9", buses={"0000:00": [drive(None, at="05.0", integrated=True)]})  # type: ignore[arg-type]
    (judged,) = all_judged(inside, privileged=False).values()
    assert [f"{BARE} place in the tree"] == [one.source for one in judged.evidence]


@pytest.mark.parametrize(
    ("rates", "why", "told"),
    [
        ([(1, 4), (1, 4), (4, 4), (4, 4), (1, 4)], "seen at 16 GT/s (Gen 4) 1.0 s later", "4 more looks within 2.0 s"),
        ([(4, 4), (1, 4)], "it was seen at 16 GT/s (Gen 4) at first", "1 more look within 0.5 s"),
        ([(4, 4), (4, 2)], "its lanes come and go from look to look", "1 more look within 0.5 s"),
        ([(4, 2), (4, 4), (4, 4)], "", "2 more looks within 1.0 s"),
        ([(4, 4), (4, 4), (4, 4)], "", ""),
    ],
)
def test_what_was_seen_later_is_told_once_for_all_looks(rates: list[Can], why: str, told: str) -> None:
    """Later looks are one line in their order, equal ones in a row told once, and none where nothing ever varied."""
    tree = build(tower(network((4, 4)), now=rates[0]))
    judged = judged_at(tree, seen_again(tree, *rates[1:]))
    assert judged.why.endswith(why)
    assert ("its lanes come and go" in judged.why) == ("lanes come and go" in why)
    lines = [(one.source, one.read) for one in judged.evidence if " more look" in one.source]
    names = {1: "2.5 GT/s (Gen 1)", 4: "16 GT/s (Gen 4)"}
    later = [f"{names[speed]} x{width}" for speed, width in rates[1:]]
    in_order = [rate for number, rate in enumerate(later) if number == 0 or later[number - 1] != rate]
    assert lines == ([(told, ", then ".join(in_order))] if told else [])


@pytest.mark.parametrize(
    ("machine", "why"),
    [
        (tower(network((4, 4)), now=(4, 2)), "runs with 2 of 4 lanes"),
        (
            tower(network((4, 4)), now=(2, 2)),
            "runs with 2 of 4 lanes, at 5 GT/s (Gen 2) instead of 16 GT/s (Gen 4)",
        ),
        (tower(network((4, 4)), now=(2, 4)), "runs at 5 GT/s (Gen 2) instead of 16 GT/s (Gen 4)"),
        (
            tower(network((4, 4)), now=(2, 4), target=2),
            "is set to 5 GT/s (Gen 2) at its port, can do 16 GT/s (Gen 4)",
        ),
        (
            tower(network((4, 4)), now=(1, 4), target=1),
            (
                "is set to 2.5 GT/s (Gen 1) at its port, can do 16 GT/s (Gen 4); set by the firmware, or by the kernel "
                "after link training failed"
            ),
        ),
        (
            tower(network((4, 4), registers=FROZEN), now=(2, 4)),
            (
                "runs at 5 GT/s (Gen 2) instead of 16 GT/s (Gen 4); its own end may not change its speed by itself, so "
                "it may stay slow"
            ),
        ),
        (
            tower(network((4, 4)), now=(4, 8)),
            "runs at 16 GT/s (Gen 4) x8, more than both ends say they can do (16 GT/s (Gen 4) x4)",
        ),
        (
            tower(network((4, 4)), now=(2, 4), **NO_FIGURES),
            (
                "runs at 5 GT/s (Gen 2) x4, the card alone can do 16 GT/s (Gen 4) x4; what both ends can do is "
                f"not known: Link Capabilities of {PORT} read speed code 0, width 0"
            ),
        ),
        (
            tower(network((4, 8)), (3, 4)),
            "runs at 8 GT/s (Gen 3) x4, the card can do 16 GT/s (Gen 4) x8; this slot can do no more",
        ),
        (
            tower(network((4, 8)), (3, 4), slot=None),
            "runs at 8 GT/s (Gen 3) x4, the card can do 16 GT/s (Gen 4) x8; its port can do no more",
        ),
    ],
)
def test_a_verdict_says_in_one_sentence_what_falls_short(machine: Machine, why: str) -> None:
    """What runs, of what could be, and what explains it: each is said where it holds, and only there."""
    assert why == judged_at(machine).why


@pytest.mark.parametrize(("again", "told"), [((PORT,), True), ((CARD,), True), (ENDS, True), ((), False)])
def test_a_later_look_counts_where_either_end_was_looked_at(again: tuple[str, ...], told: bool) -> None:  # noqa: FBT001 - a column
    """One end is enough to see a link again; a look at other functions says nothing of it."""
    tree = build(tower(network((4, 4)), now=(1, 4)))
    judged = all_judged(tree, seen_again(tree, (4, 4)), again)[PORT]
    assert (Verdict.RESTING if told else Verdict.SLOW) is judged.verdict
    assert [0.0, *([0.5] if told else [])] == [offset for offset, _ in judged.looks]


def test_a_passed_through_card_is_looked_at_again_by_its_own_end() -> None:
    """Later looks need no port: one that was seen faster rests, one that was not is slow."""
    bare = Machine(name="guest", virtual=True, buses={"0000:00": [network((4, 4), at="05.0", now=(1, 4), target=1)]})
    tree = build(bare)
    for later, verdict in (((4, 4), Verdict.RESTING), ((1, 4), Verdict.SLOW)):
        looks = seen_again(tree, later, ends=(BARE,))
        assert verdict is all_judged(tree, looks, (BARE,))[BARE].verdict


def test_a_later_look_without_a_rate_says_why() -> None:
    """Ends that contradict each other, or a device that sleeps, stand among the later looks as what they are."""
    tree = build(tower(network((4, 4)), now=(1, 4)))
    torn, asleep = tree.copy(), tree.copy()
    set_link(torn, (CARD,), (4, 4))
    asleep.put(f"/sys/bus/pci/devices/{CARD}/power_state", "D3cold")
    judged = judged_at(tree, [(0.5, torn), (1.0, asleep), (1.5, tree)])
    (line,) = [one for one in judged.evidence if " more look" in one.source]
    assert "ends that contradict each other, then not read, then 2.5 GT/s (Gen 1) x4" == line.read
    assert [Rate(1, 4), None, None, Rate(1, 4)] == [rate for _, rate in judged.looks]


@pytest.mark.parametrize(
    "port",
    [{"version": 1}, {"registers": {pcie.LINK_CONTROL_2: {"target_link_speed": 0}}}],
    ids=["no such register", "a code for no speed"],
)
def test_a_port_without_a_target_explains_nothing(port: dict[str, Any]) -> None:
    """Where no Target Link Speed can be, or it names no speed, a low speed is slow and nothing is said of a setting."""
    judged = judged_at(tower(network((2, 4)), (2, 16), now=(1, 4), **port))
    assert (Verdict.SLOW, False) == (judged.verdict, "Target Link Speed" in words(judged))
    assert "set" not in judged.why


def test_one_emulated_end_is_enough() -> None:
    """An emulated card below a port that is none, on a machine that does not call itself a guest, is virtual."""
    judged = judged_at(tower(network((1, 1), vendor=PARAVIRTUAL, vector=(1,)), (4, 16)))
    assert Verdict.VIRTUAL is judged.verdict
    assert "emulated device" in judged.why


@pytest.mark.parametrize(
    ("fitted", "verdict"),
    [
        (network((1, 1)), Verdict.VIRTUAL),
        (network((2, 1)), Verdict.FULL),  # emulators make up 2.5 GT/s x1
        (network((1, 2)), Verdict.FULL),
        (network((1, 1), now=(1, 0), attributes={"current_link_speed": "Unknown"}), Verdict.UNKNOWN),
    ],
)
def test_a_guests_link_is_made_up_where_ability_and_status_are(fitted: Function, verdict: Verdict) -> None:
    """In a guest only 2.5 GT/s x1, in capability and in status, is what an emulator makes up; all else is a drive's."""
    port = tower(fitted, (4, 32), vendor=EMULATED, now=fitted.now or fitted.can, registers=UNREAD if fitted.now else {})
    port.virtual = True
    assert verdict is judged_at(port).verdict


def test_an_emulated_ports_own_contradictions_do_not_count() -> None:
    """A port that is not the true one is not asked: what it says of itself makes no drive below it unknown."""
    port = tower(drive((4, 4)), (4, 32), vendor=EMULATED, now=(4, 4), attributes={"max_link_width": "8"})
    assert Verdict.FULL is judged_at(port).verdict


def test_an_emulated_device_without_a_port_has_its_own_end_only() -> None:
    """A paravirtual device on a root bus is virtual with the rate it makes up, and no port is made up for it."""
    bare = Machine(name="guest", buses={"0000:00": [network((1, 1), at="05.0", vendor=PARAVIRTUAL, vector=(1,))]})
    judged = judged_at(bare, key=BARE)
    assert (Verdict.VIRTUAL, None, Rate(1, 1), Rate(1, 1)) == (
        judged.verdict,
        judged.port_can,
        judged.device_can,
        judged.now,
    )


# --- Links that are no wires -------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["port", "card"])
def test_a_tunnelled_link_is_known_by_its_vendor_specific_capability(end: str) -> None:
    """A vendor-specific capability 1234h marks ports that tunnel: their 2.5 GT/s is not what the cable carries.

    Source: drivers/pci/probe.c set_pcie_thunderbolt (PCI_VSEC_ID_INTEL_TBT).
    """
    mark = {"vendor_specific": 0x1234}
    fitted = switch((1, 4), [], **(mark if end == "card" else {}))
    judged = judged_at(tower(fitted, (1, 4), **(mark if end == "port" else {})))
    assert (Verdict.VIRTUAL, None) == (judged.verdict, judged.mbps)
    other = switch((1, 4), [], vendor_specific=0x1235)
    assert Verdict.FULL is judged_at(tower(other, (1, 4))).verdict


@as_root_and_as_user
def test_a_removable_device_at_the_lowest_speed_is_tunnelled(privileged: bool) -> None:  # noqa: FBT001 - a column
    """What the kernel calls removable and what says 2.5 GT/s at most hangs on a cable that carries more than it says.

    The port speaks for the link: behind it a drive may well be able to do more. Source: linux-pci, ports used for
    tunnelling advertise 2.5 GT/s (USB4 specification); Documentation/ABI/testing/sysfs-devices-removable.
    """
    slow = switch((1, 4), [], removable="removable")
    fast = drive((3, 4), removable="removable")
    for fitted in (slow, fast):
        assert Verdict.VIRTUAL is judged_at(tower(fitted, (1, 4)), privileged=privileged).verdict
    for settled in ("fixed", "unknown", None):
        plugged = drive((3, 4), removable=settled)
        assert Verdict.SLOT_LIMITED is judged_at(tower(plugged, (1, 4)), privileged=privileged).verdict


@as_root_and_as_user
def test_a_removable_drive_on_real_wires_is_judged(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """A removable device below a port that can do more than 2.5 GT/s has lanes, and they count."""
    for now, verdict in ((None, Verdict.FULL), ((3, 2), Verdict.NARROW)):
        machine = tower(drive((3, 4), removable="removable"), (3, 4), now=now)
        assert verdict is judged_at(machine, privileged=privileged).verdict


def test_a_removable_device_of_which_neither_end_says_anything_is_unknown() -> None:
    """Being removable alone is no evidence of a tunnel."""
    nothing: dict[str, str | None] = {"max_link_speed": "Unknown", "max_link_width": "255"}
    registers = {pcie.LINK_CAPABILITIES: NOTHING, pcie.LINK_CAPABILITIES_2: {"supported_link_speeds_vector": 0}}
    fitted = drive((3, 4), removable="removable", attributes=nothing, registers=registers)
    judged = judged_at(tower(fitted, (3, 4), attributes=nothing, registers=registers))
    assert Verdict.UNKNOWN is judged.verdict


@as_root_and_as_user
def test_an_emulated_device_is_virtual(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """Emulated devices say 2.5 GT/s x1 in capability and status whatever they move (QEMU hw/pci/pcie.c)."""
    machine = tower(network((1, 1), vendor=PARAVIRTUAL, vector=(1,)), (4, 32), vendor=EMULATED)
    machine.virtual = True
    assert Verdict.VIRTUAL is judged_at(machine, privileged=privileged).verdict


@as_root_and_as_user
def test_a_real_one_lane_card_is_no_emulated_one(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """On a machine that is no guest a card for 2.5 GT/s x1 is what it says."""
    assert Verdict.FULL is judged_at(tower(network((1, 1)), (3, 1)), privileged=privileged).verdict


@as_root_and_as_user
@pytest.mark.parametrize(
    ("now", "verdict"),
    [((4, 4), Verdict.FULL), ((4, 2), Verdict.NARROW), ((3, 4), Verdict.SLOW)],
)
def test_a_passed_through_device_is_judged_by_its_own_end(
    now: Can,
    verdict: Verdict,
    privileged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """In a guest the port above a real drive is not visible, or is an emulated one of 32 lanes: the drive alone speaks.

    Its own end says nothing of a setting of the port, so a low speed is never called one. QEMU
    hw/pci-bridge/gen_pcie_root_port.c: 16 GT/s x32 by default.
    """
    bare = Machine(name="guest", virtual=True, buses={"0000:00": [drive((4, 4), at="05.0", now=now, target=now[0])]})
    port = tower(drive((4, 4), now=now, target=now[0]), (4, 32), vendor=EMULATED, now=now, target=now[0])
    port.virtual = True
    for machine, key in ((bare, "0000:00:05.0"), (port, PORT)):
        judged = judged_at(machine, key=key, privileged=privileged)
        assert judged.port_hidden
        assert Rate(4, 4) == judged.best
        assert verdict is judged.verdict
        assert "not visible" in words(judged)


def test_integrated_devices_are_no_links_unless_a_drive_hangs_on_them() -> None:
    """A drive inside the root complex is virtual; other integrated endpoints are no links at all.

    Source: drivers/pci/access.c: an integrated endpoint has no link registers.
    """
    machine = Machine(
        name="bench-9",
        buses={
            "0000:00": [
                drive(None, at="0e.0", integrated=True),  # type: ignore[arg-type]
                Function(kind="system peripheral", at="08.0"),
                Function(kind="event collector", at="0a.0"),
            ]
        },
    )
    for privileged in (True, False):
        found = all_judged(machine, privileged=privileged)
        assert {"0000:00:0e.0": Verdict.VIRTUAL} == {key: one.verdict for key, one in found.items()}


# --- Nothing below a port ----------------------------------------------------------------------------------------


def vacant(**port: Any) -> Judged:  # noqa: ANN401 - fields of Function
    """The verdict on a port with nothing below."""
    return judged_at(tower([], **port))


def test_presence_without_a_link_is_dark_and_without_presence_is_empty() -> None:
    """Presence Detect State tells a dark slot from an empty one (Slot Status; drivers/pci/hotplug/pciehp_hpc.c)."""
    dark = vacant(registers={pcie.SLOT_STATUS: {"presence_detect_state": 1}})
    assert (Verdict.DARK, Severity.FAULT) == (dark.verdict, dark.verdict.severity)
    assert "Presence Detect State" in words(dark)
    empty = vacant()
    assert (Verdict.EMPTY, Severity.OK) == (empty.verdict, empty.verdict.severity)


def test_a_port_without_a_slot_is_empty_though_its_presence_bit_reads_one() -> None:
    """Where no slot is implemented, Presence Detect State is hardwired to 1 and tells nothing.

    Source: PCI Express Base, Slot Status Register; PCI Express Capabilities Register, Slot Implemented.
    """
    judged = vacant(slot=None, registers={pcie.SLOT_STATUS: {"presence_detect_state": 1}})
    assert Verdict.EMPTY is judged.verdict
    assert "Slot Implemented" in words(judged)


def test_a_port_without_a_slot_that_failed_to_train_is_not_called_empty() -> None:
    """Link Bandwidth Management Status with the link down means that training was tried and failed.

    Source: drivers/pci/quirks.c pcie_failed_link_retrain.
    """
    tried = {pcie.LINK_STATUS: {"link_bandwidth_management_status": 1}}
    assert Verdict.UNKNOWN is vacant(slot=None, registers=tried).verdict


@pytest.mark.parametrize(
    ("register", "field", "reason"),
    [
        (pcie.LINK_CONTROL, "link_disable", "switched off"),
        (pcie.SLOT_CONTROL, "power_controller_control", "power is off"),
        (pcie.LINK_STATUS, "link_training", "training"),
        (pcie.LINK_STATUS, "link_bandwidth_management_status", "failed"),
    ],
)
def test_a_dark_slot_says_what_the_port_says(register: Any, field: str, reason: str) -> None:  # noqa: ANN401 - a Layout
    """A link switched off, a slot without power, a port that trains or tried to: each is told with its register."""
    slot = Slot(number=1, power_controller=True)
    present = {pcie.SLOT_STATUS: {"presence_detect_state": 1}}
    judged = vacant(slot=slot, registers={**present, register: {field: 1}})
    plainly = vacant(slot=slot, registers=present)
    assert (Verdict.DARK, Verdict.DARK) == (judged.verdict, plainly.verdict)
    assert reason in judged.why
    assert reason not in plainly.why
    assert len(judged.evidence) == len(plainly.evidence) + 1
    absent = vacant(slot=slot, registers={register: {field: 1}})
    assert Verdict.EMPTY is absent.verdict


def test_a_port_that_keeps_trying_without_presence_is_not_called_empty() -> None:
    """Link Training together with Link Bandwidth Management Status is a card that is not felt, not an empty slot.

    Source: drivers/pci/quirks.c pcie_failed_link_retrain; both bits are clear at an empty port.
    """
    trying = {pcie.LINK_STATUS: {"link_bandwidth_management_status": 1, "link_training": 1}}
    judged = vacant(registers=trying)
    assert Verdict.UNKNOWN is judged.verdict
    assert "Link Training" in words(judged)
    assert not judged.needs_root


def test_a_power_bit_without_a_power_controller_means_nothing() -> None:
    """Power Controller Control counts only where Slot Capabilities has a Power Controller Present."""
    registers = {pcie.SLOT_STATUS: {"presence_detect_state": 1}, pcie.SLOT_CONTROL: {"power_controller_control": 1}}
    judged = vacant(slot=Slot(number=1), registers=registers)
    assert Verdict.DARK is judged.verdict
    assert "power" not in judged.why


def test_a_live_link_without_a_function_is_unknown() -> None:
    """Data Link Layer Link Active with nobody answering below is neither dark nor empty."""
    active = {pcie.LINK_STATUS: {"data_link_layer_link_active": 1}}
    present = {pcie.SLOT_STATUS: {"presence_detect_state": 1}}
    for registers in (active, {**active, **present}):
        judged = vacant(registers=registers)
        assert Verdict.UNKNOWN is judged.verdict
        assert "Link Active" in words(judged)


def test_link_active_counts_only_where_the_port_reports_it() -> None:
    """The bit means nothing without Data Link Layer Link Active Reporting Capable in Link Capabilities."""
    registers = {
        pcie.LINK_CAPABILITIES: {"data_link_layer_link_active_reporting_capable": 0},
        pcie.LINK_STATUS: {"data_link_layer_link_active": 1},
    }
    assert Verdict.EMPTY is vacant(registers=registers).verdict


def test_an_emulated_port_that_reports_its_own_ability_is_empty() -> None:
    """An empty emulated port shows 16 GT/s x32 as its link; presence and link-active, both 0, tell (QEMU pcie.c)."""
    judged = vacant(can=(4, 32), now=(4, 32), vendor=EMULATED)
    assert (Verdict.EMPTY, None) == (judged.verdict, judged.mbps)


def test_a_pulled_drive_whose_port_still_shows_the_old_rate_is_empty() -> None:
    """A rate in the port's Link Status is no card: presence reads 0."""
    assert Verdict.EMPTY is vacant(can=(4, 4), now=(4, 4)).verdict


@pytest.mark.parametrize(
    ("adapter", "verdict", "needs_root"),
    [
        ("1", Verdict.DARK, False),
        ("0", Verdict.EMPTY, False),
        (None, Verdict.UNKNOWN, True),
        ("?", Verdict.UNKNOWN, True),
    ],
)
def test_without_root_only_a_hot_plug_driver_tells_of_presence(
    adapter: str | None,
    verdict: Verdict,
    needs_root: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """An ordinary user has no Slot Status; the kernel's `adapter` file (pci_hotplug_core.c) tells, if it is there."""
    tree = build(tower([], slot=Slot(number=1, kernel_name="1", adapter=adapter is not None, hot_plug=True)))
    if adapter is not None:
        tree.put("/sys/bus/pci/slots/1/adapter", adapter)
    judged = judged_at(tree, privileged=False)
    assert (verdict, needs_root) == (judged.verdict, judged.needs_root)


def test_without_root_an_empty_port_without_a_slot_is_not_called_dark() -> None:
    """What presence means there takes a register that an ordinary user does not get."""
    judged = judged_at(tower([], slot=None), privileged=False)
    assert (Verdict.UNKNOWN, True) == (judged.verdict, judged.needs_root)


# --- Slots ---------------------------------------------------------------------------------------------------------


@as_root_and_as_user
def test_a_long_slot_wired_with_four_lanes_limits_a_wide_card(privileged: bool) -> None:  # noqa: FBT001 - a column
    """The port's Maximum Link Width is what is wired, whatever the connector's length: x4 is the slot's best."""
    slot = Slot(number=1, name="SLOT1", connector=16, wired=4)
    judged = judged_at(tower(network((3, 8)), (3, 4), slot=slot), privileged=privileged)
    assert (Verdict.SLOT_LIMITED, Rate(3, 4)) == (judged.verdict, judged.best)
    assert Verdict.FULL is judged_at(tower(network((3, 4)), (3, 4), slot=slot), privileged=privileged).verdict


def test_each_part_of_a_split_slot_is_judged_by_itself() -> None:
    """Of a slot split into four, each port of x4 has its own link, its own lanes and its own fault."""
    parts = [
        root_port(f"01.{number}", (4, 4), [drive((4, 4))], slot=Slot(number=1), now=now)
        for number, now in enumerate([None, (4, 2), None, (2, 4)])
    ]
    found = all_judged(Machine(name="bench-9", buses={"0000:00": parts}))
    assert [Verdict.FULL, Verdict.NARROW, Verdict.FULL, Verdict.SLOW] == [one.verdict for one in found.values()]


def test_a_disk_behind_a_card_is_no_link() -> None:
    """Disks have their own interface: a SATA card is judged, its disks are not."""
    sata = Function(kind="sata", can=(3, 2), disks=[Disk(), Disk(port=2)])
    assert {PORT: Verdict.FULL} == {key: one.verdict for key, one in all_judged(tower(sata)).items()}


# --- A law over many links -----------------------------------------------------------------------------------------

RATES: Final = st.tuples(st.integers(1, 6), st.sampled_from((1, 2, 4, 8, 16)))


@st.composite
def links(draw: st.DrawFn) -> Tree:
    """Any link that can be: two ends, a rate that is not above either, and anything that may explain it."""
    port, fitted = draw(RATES), draw(RATES)
    best = (min(port[0], fitted[0]), min(port[1], fitted[1]))
    widths = [width for width in (1, 2, 4, 8, 16) if width <= best[1]]
    now = (draw(st.integers(1, best[0])), draw(st.sampled_from(widths)))
    bit = st.integers(0, 1)
    state = draw(st.sampled_from(("D0", "D0", "D3hot")))
    fit = card(
        draw(st.sampled_from(("network", "display", "usb"))),
        fitted,
        power_state=state,
        registers={pcie.LINK_CONTROL_2: {"hardware_autonomous_speed_disable": draw(bit)}},
    )
    status = {"link_autonomous_bandwidth_status": draw(bit), "link_bandwidth_management_status": draw(bit)}
    target = draw(st.integers(0, 6))
    return build(tower(fit, port, now=now, target=target, registers={pcie.LINK_STATUS: status}))


@given(links())
def test_any_link_is_judged_by_the_design(tree: Tree) -> None:
    """Lanes come first, then speed; a fault needs a shortfall, and an ordinary user is never given a guess."""
    judged, user = judged_at(tree), judged_at(tree, privileged=False)
    now, best, can = judged.now, judged.best, judged.device_can
    assert now is not None
    assert best is not None
    if now.width < best.width:
        assert Verdict.NARROW is judged.verdict
    elif now.speed < best.speed:
        assert judged.verdict in {Verdict.SLOW, Verdict.SET_SLOW, Verdict.RESTING}
    else:
        assert (Verdict.FULL if now == can else Verdict.SLOT_LIMITED) is judged.verdict
    if user.verdict is not judged.verdict:
        told_less = user.verdict is Verdict.UNKNOWN and user.needs_root
        assert told_less or user.verdict is Verdict.RESTING
        assert now.speed < best.speed
        assert now.width == best.width
    assert all(plain(one.read) for one in judged.evidence)
    assert facts(tree).unread == ()


def test_an_attribute_that_names_the_fastest_of_the_vector_does_not_contradict() -> None:
    """Kernels before 6.13 took the fastest speed of the vector even past Max Link Speed; the register's end counts.

    Source: drivers/pci/pci.c pcie_get_supported_speeds, with and without the cut at Max Link Speed.
    """
    card = network((3, 4), vector=(1, 2, 3, 4), attributes={"max_link_speed": "16.0 GT/s PCIe"})
    judged = judged_at(tower(card, (4, 4), now=(3, 4)))
    assert (Verdict.FULL, False) == (judged.verdict, judged.contradicts)
    assert Rate(3, 4) == judged.device_can


def test_attributes_speak_where_configuration_space_gives_an_error() -> None:
    """A device whose configuration space cannot be read is still judged by what the kernel's attributes say of it."""
    tree = build(tower(network((4, 8)), (4, 16), now=(4, 4)))
    tree.fail(tree.resolve(f"/sys/bus/pci/devices/{CARD}/config"), "EIO")
    judged = judged_at(tree)
    assert (Verdict.NARROW, Rate(4, 8)) == (judged.verdict, judged.best)
