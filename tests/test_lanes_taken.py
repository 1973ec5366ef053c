"""A link at half of its lanes beside a slot that is filled: a likely reason without a sheet, planned or not with one.

That boards give lanes of one slot to the next while it is filled is common practice; the board's manual is the judge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Severity, Verdict
from agent.model.neighbours import beside_words
from agent.sheets.reading import parse
from knowledge import pcie
from tests.against import audit_against
from tests.boards import bench_2, display, reel_3, ten_gigabit
from tests.build import build, facts
from tests.machines import FIXTURES

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from probes.facts import Facts
    from tests.boards import Fitted

SHEET: Final = (FIXTURES / "bench-2-lanes-taken" / "sheet.toml").read_text()
X8: Final = (3, 8)


def tower(fitted: Fitted, now: tuple[int, int] = X8, *, felt: str | None = None, privileged: bool = True) -> Facts:
    """bench-2 with a display card in PCIE1 whose link runs so; `felt` is a port that detects a card."""
    shown = display()
    machine = bench_2({"PCIE1": shown, **fitted})
    ports = {one.at: one for one in machine.buses["0000:00"]}
    for end in (ports["01.0"], *shown):
        end.now = now
    if felt is not None:
        ports[felt].registers[pcie.SLOT_STATUS] = {"presence_detect_state": 1}
    return facts(build(machine), privileged=privileged)


def narrow(seen: Audit) -> Finding:
    """What is said of the narrow link."""
    return next(one for one in seen.findings if one.rule == "link-narrow")


def asked(finding: Finding) -> list[str]:
    """The steps that ask the board's manual about a neighbour."""
    return [step.text for step in finding.steps if step.action == "check-neighbour"]


# --- Without a sheet -------------------------------------------------------------------------------------------


def test_a_filled_neighbour_is_a_likely_reason_and_no_verdict() -> None:
    """Half of the slot's lanes beside a filled slot: still a fault, but the board's manual is asked before hands."""
    finding = narrow(audit(tower({"PCIE2": ten_gigabit()})))
    (text,) = asked(finding)
    assert text.startswith("PCIE2 beside it is filled.")
    assert "(common practice)" in text
    assert "board's manual whether PCIE1" in text
    assert Severity.FAULT is finding.severity
    assert "check-neighbour" == finding.steps[0].action


@pytest.mark.parametrize(
    ("fitted", "now"),
    [
        ({}, X8),  # PCIE2 is empty
        ({"PCIE3": [reel_3("RL3-1")]}, X8),  # not the slot beside it
        ({"PCIE2": ten_gigabit()}, (3, 4)),  # not half
        ({"PCIE2": ten_gigabit()}, (3, 2)),
    ],
)
def test_nothing_is_said_of_neighbours_where_they_explain_nothing(fitted: Fitted, now: tuple[int, int]) -> None:
    """An empty neighbour, a filled slot farther off and a link of other than half the lanes lead to no such step."""
    assert [] == asked(narrow(audit(tower(fitted, now))))


def test_a_neighbour_that_does_not_answer_is_filled_all_the_same() -> None:
    """A card that is detected and does not answer takes its lanes too."""
    finding = narrow(audit(tower({}, felt="02.0")))
    assert ["PCIE2 beside it is filled"] == [text.partition(".")[0] for text in asked(finding)]


def test_a_neighbour_that_could_not_be_looked_into_is_not_empty() -> None:
    """To an ordinary user the board's slots are not told: the step says that they could not be read, and asks."""
    (text,) = asked(narrow(audit(tower({}, privileged=False))))
    assert text.startswith("Which slots are beside it could not be read (permission denied")


def test_a_neighbour_whose_presence_could_not_be_read_is_named_so() -> None:
    """A slot next in the board's list that may hold something is told apart from an empty one."""
    seen = audit(tower({}))
    first = seen.by_key["0000:00:01.0"]
    unread = (
        replace(one, verdict=Verdict.UNKNOWN, why="no answer") if one.port_address == "0000:00:02.0" else one
        for one in seen.links
    )
    words = beside_words(first, tuple(unread), seen.facts)
    assert "Whether PCIE2 beside it is filled could not be read (no answer)" == words


# --- With a sheet ----------------------------------------------------------------------------------------------

BUILT: Final[Fitted] = {"PCIE2": ten_gigabit(), "PCIE3": [reel_3("RL3-20101")]}


def held(fitted: Fitted, now: tuple[int, int] = X8, sheet: str = SHEET) -> Audit:
    """The tower held against the sheet of the fixture."""
    return audit_against(tower(fitted, now), parse(sheet, "sheet.toml"))


def test_lanes_that_the_sheet_gives_to_a_neighbour_are_no_fault() -> None:
    """The link is as narrow as the sheet has it: a note without steps, and the machine is no fault for it."""
    seen = held(BUILT)
    finding = narrow(seen)
    assert Severity.NOTE is finding.severity
    assert "as the sheet has it; PCIE1 has 8 of its 16 lanes while PCIE2 is filled" in finding.headline
    assert () == finding.steps
    assert Severity.FAULT is not seen.worst
    assert Verdict.NARROW is seen.by_key["0000:00:01.0"].verdict


@pytest.mark.parametrize(
    ("fitted", "now"),
    [
        ({"PCIE3": [reel_3("RL3-20101")]}, X8),  # nothing takes them
        (BUILT, (3, 4)),  # fewer than the sheet leaves
    ],
)
def test_fewer_lanes_than_the_sheet_leaves_are_a_fault(fitted: Fitted, now: tuple[int, int]) -> None:
    """With the neighbour empty, or with still fewer lanes, the link is blamed as ever."""
    seen = held(fitted, now)
    assert Severity.FAULT is narrow(seen).severity
    assert Severity.FAULT is seen.worst


def test_lanes_that_are_not_taken_are_told() -> None:
    """A link with all lanes beside a slot that should have taken half: the sheet is wrong, and that is a note."""
    found = [one for one in held(BUILT, (3, 16)).findings if one.rule == "plan-lanes-more"]
    assert {"0000:01:00.0", "0000:03:00.0"} == {one.subject for one in found}
    assert {Severity.NOTE} == {one.severity for one in found}
    first = next(one for one in found if one.subject == "0000:01:00.0")
    assert "8 GT/s (Gen 3) x16, more than the sheet leaves it; PCIE1 has 8 of its 16 lanes" in first.headline


def test_a_part_that_the_sheet_does_not_have_takes_lanes_as_well() -> None:
    """With a card in PCIE2 that is not planned, the link falls below the plan, and the sheet's own words say why."""
    without = SHEET.replace('kind = "network-10g"\nslot = "PCIE2"', 'kind = "network-10g"')
    assert without != SHEET
    seen = held(BUILT, sheet=without)
    below = next(one for one in seen.findings if one.rule == "plan-link-below")
    assert "x8 where the sheet expects 8 GT/s (Gen 3) x16; " in below.headline
    assert "; by the sheet PCIE1 has 8 of its 16 lanes" in below.headline
    assert Severity.LIMIT is below.severity
    assert Severity.NOTE is narrow(seen).severity


def test_a_slot_that_could_not_be_found_is_taken_as_the_sheet_has_it() -> None:
    """Where nobody can tell whether the neighbour is filled, the sheet's word is taken, and that is said."""
    other = SHEET.replace('"PCIE2"', '"PCIE9"')
    finding = narrow(held(BUILT, sheet=other))
    assert "PCIE9 is taken to be filled as on the sheet: what is in it could not be read" in finding.headline


def test_a_part_in_a_slot_without_lanes_is_missing_for_that_reason() -> None:
    """Where the sheet leaves a slot no lanes beside what is filled, that is said of the part that does not answer."""
    dead = SHEET.replace('{filled = ["M2A"], lanes = 2}', '{filled = ["M2A"], lanes = 0}')
    missing = next(
        one for one in held({"PCIE2": ten_gigabit()}, sheet=dead).findings if one.rule == "plan-part-missing"
    )
    assert "by the sheet PCIE3 has no lanes while M2A is filled" in missing.headline
