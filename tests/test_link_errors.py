"""The rules about errors on a link: what is counted, over which ends, in which looks, and what is only remarked.

Names of errors and registers: PCI Express Base Specification, Advanced Error Reporting, Lane Error Status, Link Status
2 and the Physical Layer 16, 32 and 64 GT/s capabilities; the threshold of 20 is common practice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit
from agent.model.findings import Severity
from knowledge import pcie
from tests.build import build, facts, set_counters
from tests.judging import CARD, ENDS, PORT, tower
from tests.parts import Function, Machine, card

if TYPE_CHECKING:
    from agent.audit import Audit
    from knowledge.layout import Layout
    from tests.tree import Tree

EMULATED: Final = 0x1AF4
PORTS_COUNT: Final = (f"{PORT} error counters", "Bad DLLP 5", "20 or fewer, not rising")
CARDS_COUNT: Final = (f"{CARD} error counters", "Receiver Error 16", "20 or fewer, not rising")
SINCE: Final = "since start-up in 114.5 hours"


def network(**more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A card of x4 at 16 GT/s that never rests by itself."""
    return card("network", (4, 4), **more)


def seen(described: Machine | Tree, *looks: tuple[float, Tree]) -> Audit:
    """The audit of a machine, of which the ends of one link were looked at again."""
    return audit(facts(build(described) if isinstance(described, Machine) else described, looks, ENDS))


def told(found: Audit, rule: str = "link-errors") -> list[tuple[Severity, str]]:
    """Severity and headline of all that a rule found."""
    return [(one.severity, one.headline) for one in found.findings if one.rule == rule]


def shown(found: Audit, rule: str = "link-errors") -> list[tuple[str, str, str]]:
    """The evidence of the one thing that a rule found."""
    (finding,) = [one for one in found.findings if one.rule == rule]
    return [(one.source, one.read, one.expected) for one in finding.evidence]


def counting(at_card: dict[str, int] | None, at_port: dict[str, int] | None, **more: Any) -> Machine:  # noqa: ANN401 - fields of Function
    """One link whose ends have counted these errors, by the kernel's names."""
    return tower(network(counters=at_card, **more), counters=at_port)


def later(tree: Tree, at_card: int, at_port: int) -> Tree:
    """The same machine when its ends have counted so many."""
    copy = tree.copy()
    set_counters(copy, CARD, {"RxErr": at_card})
    set_counters(copy, PORT, {"BadDLLP": at_port})
    return copy


# --- Counters ------------------------------------------------------------------------------------------------------


def test_up_to_twenty_errors_since_start_up_pass_without_a_word() -> None:
    """Links that train or wake make some; one more than twenty, summed over both ends, is a note."""
    assert [] == told(seen(counting({"RxErr": 15}, {"BadDLLP": 5})))
    found = seen(counting({"RxErr": 16}, {"BadDLLP": 5}))
    assert [(Severity.NOTE, f"counted 21 link errors {SINCE}")] == told(found)
    assert [PORTS_COUNT, CARDS_COUNT] == shown(found)


def test_an_end_without_errors_is_no_evidence() -> None:
    """Only the counters that counted are shown."""
    assert [(f"{CARD} error counters", "Receiver Error 30", CARDS_COUNT[2])] == shown(seen(counting({"RxErr": 30}, {})))


@pytest.mark.parametrize(
    ("looks", "severity", "says"),
    [
        ([(16, 5)], Severity.NOTE, f"counted 21 link errors {SINCE}; no new ones from look to look"),
        (
            [(3, 5)],
            Severity.NOTE,
            (
                f"counted 21 link errors {SINCE}; the counters were reset between looks, so new errors may have been "
                "missed"
            ),
        ),
        (
            [(16, 5), (3, 5)],
            Severity.NOTE,
            (
                f"counted 21 link errors {SINCE}; the counters were reset between looks, so new errors may have been "
                "missed"
            ),
        ),
        ([(16, 5), (17, 5)], Severity.FAULT, "counted 1 new link error within 1.0 s"),
        ([(17, 5), (18, 5)], Severity.FAULT, "counted 2 new link errors within 1.0 s"),
        ([(16, 5), (16, 1100)], Severity.FAULT, "counted 1,095 new link errors within 1.0 s"),
    ],
)
def test_what_comes_while_one_looks_is_a_fault(looks: list[tuple[int, int]], severity: Severity, says: str) -> None:
    """The last look is held against the first: rising is a fault, resting and falling are told beside the count."""
    tree = build(counting({"RxErr": 16}, {"BadDLLP": 5}))
    found = seen(tree, *((0.5 * number, later(tree, *counts)) for number, counts in enumerate(looks, 1)))
    assert [(severity, says)] == told(found)
    last = sum(looks[-1])
    rise = (f"errors of both ends, {0.5 * len(looks):.1f} s later", f"{last:,} (was 21)", "no rise")
    assert [*([rise] if severity is Severity.FAULT else []), PORTS_COUNT, CARDS_COUNT] == shown(found)


def test_a_rise_from_nothing_is_a_fault() -> None:
    """The first error counts where it comes while one looks, however few there are."""
    tree = build(counting({}, {}))
    assert [(Severity.FAULT, "counted 1 new link error within 0.5 s")] == told(seen(tree, (0.5, later(tree, 1, 0))))


@pytest.mark.parametrize(
    ("machine", "whose"),
    [
        (counting(None, {"BadDLLP": 50}), PORT),
        (counting({"RxErr": 50}, None), CARD),
        (counting({"RxErr": 50}, {"BadDLLP": 50}, power_state="D3cold"), PORT),
    ],
    ids=["the port", "the card", "the card sleeps"],
)
def test_counts_of_one_end_are_told_as_those_of_one_end(machine: Machine, whose: str) -> None:
    """Where one end keeps no counters, or has no power, the count is that of the other, which is named."""
    found = seen(machine)
    assert [(Severity.NOTE, f"counted 50 link errors {SINCE} at one of its ends ({whose})")] == told(found)
    assert [f"{whose} error counters"] == [source for source, _, _ in shown(found)]


def test_a_rise_at_one_end_is_told_as_that_of_one_end() -> None:
    """The line of the later look names the end that counts."""
    tree = build(counting({"RxErr": 16}, None))
    after = tree.copy()
    set_counters(after, CARD, {"RxErr": 18})
    assert (f"errors of {CARD}, 0.5 s later", "18 (was 16)", "no rise") == shown(seen(tree, (0.5, after)))[0]


def test_counters_that_failed_in_part_are_named_and_the_others_count() -> None:
    """An end of which one kind of counters failed still tells the others."""
    tree = build(counting({"RxErr": 50}, {}))
    tree.fail(tree.resolve(f"/sys/bus/pci/devices/{CARD}/aer_dev_fatal"), "EIO")
    ((severity, says),) = told(seen(tree))
    assert (Severity.NOTE, True) == (severity, says.startswith("counted 50 link errors"))
    assert f"; not all counters could be read (text /sys/bus/pci/devices/{CARD}/aer_dev_fatal: " in says


def test_links_of_which_neither_end_counts_are_named_once() -> None:
    """Silence is not zero: what tells no errors is listed, with the reasons that there may be."""
    silent = seen(counting(None, None))
    assert [] == told(silent)
    assert [f"error counters of {PORT}"] == [one.what for one in silent.unread if "error counters" in one.what]
    assert [] == [one.what for one in seen(counting({}, {})).unread if "error counters" in one.what]


def test_only_links_with_lanes_and_a_card_make_errors() -> None:
    """A port with nothing below and a link whose figures are made up are not asked for errors."""
    made_up = card("network", (1, 1), vendor=EMULATED, vector=(1,), counters={"RxErr": 50})
    for machine in (tower([], counters={"BadDLLP": 50}), tower(made_up, counters={"BadDLLP": 50})):
        found = seen(machine)
        assert [] == told(found)
        assert [] == [one.what for one in found.unread if "error counters" in one.what]


# --- Lanes ---------------------------------------------------------------------------------------------------------


# The bits are of type RW1CS: PCI Express Base Specification, Lane Error Status Register.
LATCHED: Final = "(set at some time since it was last cleared)"


def lanes(bits: int) -> dict[Layout, dict[str, int]]:
    """A Lane Error Status Register with these bits set."""
    return {pcie.LANE_ERROR_STATUS: {"lanes": bits}}


def test_lanes_with_errors_are_named_at_each_end() -> None:
    """Lanes in use, or that could be, are told; on a link at its best they are a remark for the record."""
    both = tower(network(registers=lanes(0b1100_0110)), registers=lanes(0b0001))
    found = seen(both)
    assert [
        (f"{PORT} Lane Error Status", f"lanes 0 of 4 {LATCHED}", "no lane"),
        (f"{CARD} Lane Error Status", f"lanes 1, 2 of 4 {LATCHED}", "no lane"),
    ] == shown(found, "lane-errors")
    assert [Severity.OK] == [severity for severity, _ in told(found, "lane-errors")]
    assert [()] == [one.steps for one in found.findings if one.rule == "lane-errors"]  # a restart would change nothing


def test_lanes_that_a_narrow_link_lost_are_told_too() -> None:
    """Of a link with two of its four lanes the other two may be those with errors: then it is a note."""
    found = seen(tower(network(now=(4, 2), registers=lanes(0b11100)), now=(4, 2)))
    assert [(f"{CARD} Lane Error Status", f"lanes 2, 3 of 4 {LATCHED}", "no lane")] == shown(found, "lane-errors")
    assert [Severity.NOTE] == [severity for severity, _ in told(found, "lane-errors")]


def test_where_the_best_is_not_known_lanes_in_use_count() -> None:
    """A port that says nothing of its ability leaves the lanes that the link runs with."""
    nothing = {"max_link_speed": 0, "maximum_link_width": 0}
    vector = {"supported_link_speeds_vector": 0}
    unknown: dict[str, Any] = {
        "registers": {pcie.LINK_CAPABILITIES: nothing, pcie.LINK_CAPABILITIES_2: vector},
        "attributes": {"max_link_speed": "Unknown", "max_link_width": "255"},
    }
    found = seen(tower(network(registers=lanes(0b11110)), **unknown))
    assert [(f"{CARD} Lane Error Status", f"lanes 1, 2, 3 of 4 {LATCHED}", "no lane")] == shown(found, "lane-errors")


# --- Equalization --------------------------------------------------------------------------------------------------

FAILED: Final[dict[int, tuple[Layout, str, str, str]]] = {
    3: (
        pcie.LINK_STATUS_2,
        "equalization_8gt_complete",
        "equalization_8gt_phase_{}_successful",
        "8 GT/s (Gen 3)",
    ),
    4: (pcie.STATUS_16GT, "equalization_complete", "phase_{}_successful", "16 GT/s (Gen 4)"),
    5: (pcie.STATUS_32GT, "equalization_complete", "phase_{}_successful", "32 GT/s (Gen 5)"),
}


def equalized(speed: int, bad: int, *, complete: int = 1) -> dict[Layout, dict[str, int]]:
    """A status register that says equalization is complete, with one phase (0: none) without success."""
    layout, done, phase, _ = FAILED[speed]
    return {layout: {done: complete, **{phase.format(number): int(number != bad) for number in (1, 2, 3)}}}


@pytest.mark.parametrize("bad", [1, 2, 3])
@pytest.mark.parametrize("speed", FAILED)
@pytest.mark.parametrize("end", ENDS)
def test_a_phase_without_success_explains_a_low_speed(speed: int, bad: int, end: str) -> None:
    """Each phase of each speed above the present one, of either end, is told where it failed."""
    registers = equalized(speed, bad)
    fitted = card("network", (5, 4), registers=registers if end == CARD else {})
    found = seen(tower(fitted, (5, 16), now=(speed - 1, 4), registers=registers if end == PORT else {}))
    words = FAILED[speed][3]
    assert [(Severity.FAULT, f"failed equalization at {words}")] == told(found, "equalization-failed")
    source = f"{end} equalization at {words}: phase {bad} successful"
    assert [(source, "0 (equalization complete)", "1")] == shown(found, "equalization-failed")


@pytest.mark.parametrize(
    ("can", "now", "registers"),
    [
        (5, (3, 4), equalized(4, 0)),  # all phases succeeded
        (5, (3, 4), equalized(4, 2, complete=0)),  # it never came to its end
        (5, (4, 4), equalized(4, 2)),  # the link runs at that speed
        (4, (3, 4), equalized(5, 2)),  # the port cannot do that speed
        (5, (5, 4), equalized(5, 2)),  # at its best a link is not looked at
    ],
)
def test_equalization_that_explains_nothing_is_not_told(
    can: int, now: tuple[int, int], registers: dict[Layout, dict[str, int]]
) -> None:
    """Only speeds between the present one and the best, complete and without success, are told."""
    found = seen(tower(card("network", (5, 4), registers=registers), (can, 16), now=now))
    assert [] == told(found, "equalization-failed")


def test_a_narrow_link_tells_each_speed_that_failed() -> None:
    """Two speeds without success are two lines of evidence and one sentence."""
    registers = {**equalized(4, 1), **equalized(5, 3)}
    found = seen(tower(card("network", (5, 4), registers=registers), (5, 16), now=(3, 2)))
    words = "failed equalization at 16 GT/s (Gen 4) and 32 GT/s (Gen 5)"
    assert [(Severity.FAULT, words)] == told(found, "equalization-failed")
    assert 2 == len(shown(found, "equalization-failed"))
