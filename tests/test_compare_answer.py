"""What the first sentence of a comparison says first, and what it praises: nothing with a fault, nothing unread."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.audit import audit
from agent.compare.doubts import Doubts
from agent.compare.whole import compare
from agent.model.findings import Severity, Verdict
from agent.report import compare_rows, words
from agent.sheets.expected import expected
from agent.sheets.reading import parse
from knowledge.phrasing import mbps
from probes.unread import Unread
from tests.boards import bench_1, bench_2, carrier, folio, gigabit, reel_3, reel_4
from tests.build import build, set_link
from tests.machines import FIXTURES
from tests.test_compare import NOTHING, seen
from tests.test_compare_forms import shown
from tests.test_compare_same import audit_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.compare.changes import FindingChange
    from agent.model.findings import Finding

ROOT: Final = Unread("", "", needs_root=True)


def gained(found: Iterable[FindingChange]) -> list[Finding]:
    """The findings that came."""
    return [one.after for one in found if one.kind == "gained" and one.after is not None]


# --- New parts -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after"),
    [("bench-2-noted-parts", "bench-2-dead-drive"), ("bench-2-noisy-link", "bench-2-failing-drives")],
)
def test_a_new_drive_with_a_fault_is_no_gain(before: str, after: str) -> None:
    """Its link may be full: what came with a fault is not praised, and its link is told as a link."""
    found = compare(audit_of(before), audit_of(after))
    assert Severity.FAULT in {one.severity for one in gained(found.findings)}
    assert [] == [part for part in found.verdict.split("; ") if part.startswith("better: ")]
    assert "drives at full link" not in found.verdict
    assert "links of the new drives: full" in found.verdict


def test_new_drives_without_a_fault_are_a_gain() -> None:
    """The same sentence praises those that came well, and a fault that stays what it was takes nothing from them."""
    narrow = reel_3("RL3-1")
    audits = []
    for more in ({}, {"PCIE3": [reel_3("RL3-2")]}):
        tree = build(bench_2({"PCIE1": [narrow], **more}))
        set_link(tree, ("0000:00:01.0", narrow.address), (3, 1))
        audits.append(seen(tree))
    found = compare(*audits)
    assert [] == gained(found.findings)
    assert found.verdict.startswith("The upgrade delivers: the new drive at full link")


def test_planned_drives_that_are_elsewhere_are_told_by_their_places() -> None:
    """All links are full, and two drives are in each other's places: it is the places that do not hold."""
    name = "bench-1-need-broken"
    sheet = expected(parse((FIXTURES / name / "sheet.toml").read_text(encoding="utf-8"), "sheet.toml"))
    after = audit(audit_of(name).facts, planned=sheet)
    assert after.matched is not None
    assert [4, 2] == [sum(one.how == how for one in after.matched.drives) for how in ("here", "elsewhere")]
    found = compare(audit_of("bench-1-upgraded"), after)
    assert "4 of 6 planned drives in their places" in found.verdict
    assert "full link" not in found.verdict


@pytest.mark.parametrize(
    ("before", "after"), [("bench-1-before", "bench-1-misplaced"), ("bench-3-idle", "bench-3-set-slow")]
)
def test_an_upgrade_that_falls_short_says_first_which_part_does(before: str, after: str) -> None:
    """The part, what its link does and what that costs come before how many parts are well."""
    found = compare(audit_of(before), audit_of(after))
    limits = [one for one in found.findings if one.after is not None and one.after.severity is Severity.LIMIT]
    assert 1 == len(limits)
    assert limits[0].after is not None
    lead, _, told = found.verdict.partition(": ")
    assert "The upgrade falls short" == lead
    assert told.startswith(f"{limits[0].subject} {limits[0].after.headline.partition(';')[0]}")
    assert (limits[0].after.costs_mbps is not None) == (mbps(limits[0].after.costs_mbps or 0) in told)
    assert "new limit" not in told


def test_of_many_limits_the_first_are_named_and_the_rest_counted() -> None:
    """Four new drives that one slot each holds back: three by name, and how many more."""
    fitted = {f"PCIE{slot}": [reel_4(f"A-{slot}")] for slot in (1, 2, 3)}
    found = compare(seen(bench_2({})), seen(bench_2({**fitted, "M2A": [reel_4("A-4")]})))
    limits = [one for one in gained(found.findings) if one.severity is Severity.LIMIT]
    named = sum(one.headline.partition(";")[0] in part for one in limits for part in found.verdict.split("; ")[:4])
    assert len(limits) > 3
    assert named >= 3
    assert f"{len(limits) - 3} more new limit".replace("1 more", "one more") in found.verdict


# --- What got worse ------------------------------------------------------------------------------------------------


def test_the_worst_new_finding_is_named_as_a_check_names_it() -> None:
    """A slot that went dark is told with its cause, not with a word of ours; its other faults are counted."""
    found = compare(audit_of("bench-2-noisy-link"), audit_of("bench-2-power-fault"))
    faults = [one for one in gained(found.findings) if one.severity is Severity.FAULT]
    assert 3 == len(faults)
    first = next(part for part in found.verdict.split("; ") if "PCIE2" in part)
    assert faults[0].headline.partition(";")[0] in first
    assert faults[0].cause
    assert f"({faults[0].cause})" in first
    assert "; 2 more new faults" in found.verdict
    assert Verdict.DARK.value not in found.verdict


def test_of_two_findings_of_a_part_the_worse_one_is_named() -> None:
    """The order is that of a check, not that of the alphabet, and what is not named is counted."""
    found = compare(audit_of("bench-2-noisy-link"), audit_of("bench-2-failing-drives"))
    faults = [one for one in gained(found.findings) if one.severity is Severity.FAULT]
    assert faults[0].headline.partition(";")[0] in found.verdict.partition(";")[0]
    assert f"; {len(faults) - 3} more new faults" in found.verdict


def test_a_finding_that_left_with_a_missing_part_is_no_longer_seen() -> None:
    """Nobody removed the drive: its fault is not gone, it is only not seen any more."""
    found = compare(audit_of("bench-2-noisy-link"), audit_of("bench-2-power-fault"))
    assert [("gone", True)] == [(one.kind, one.missed) for one in found.findings if one.after is None]
    assert "one fault no longer seen, as its part is missing" in found.verdict
    section = list(compare_rows.sections(found))[-1]
    assert compare_rows.WITH_LOST == section.rows[-1].cells[1]
    assert "removed." not in found.verdict
    other = compare(audit_of("bench-2-noted-parts"), audit_of("bench-2-dead-drive"))
    assert [("gone", False)] == [(one.kind, one.missed) for one in other.findings if one.after is None]


def test_lanes_that_were_not_told_before_are_told_as_that() -> None:
    """A guest that saw no lanes and sees too few now has a fault at a price, which nobody can call new."""
    found = compare(audit_of("lab-one-drive"), audit_of("lab-narrowed"))
    (fault,) = gained(found.findings)
    assert fault.costs_mbps
    price = mbps(fault.costs_mbps)
    assert price in words.answer(audit_of("lab-narrowed"))[0]
    assert price in found.verdict
    assert "new fault" not in found.verdict
    assert "before was not told" in found.verdict
    assert ["lanes and speed"] == [one.what.partition(" of ")[0] for one in found.doubts if "lanes" in one.what]
    assert [] == [one for one in compare(found.after, found.after).doubts if "lanes" in one.what]


# --- Two machines, and what could not be compared ------------------------------------------------------------------


def test_of_two_machines_a_device_of_the_board_is_no_card_of_the_other() -> None:
    """A network card in a slot and one of the board may be of one model: neither came from there."""
    found = compare(audit_of("bench-3-dark-slot"), audit_of("bench-1-upgraded"))
    assert found.other_machine
    models = [{one.part.name for one in found.parts if one.kind == kind} for kind in ("added", "removed")]
    assert found.parts
    assert [] == [one for one in found.parts if one.before and one.after and one.before.on_board != one.after.on_board]
    assert "LN-1 network card" in models[0] & models[1]


def test_of_two_machines_nothing_is_said_beside_nothing() -> None:
    """Where the second is neither better nor worse, what differs is said without a word before it."""
    found = compare(audit_of("bench-1-after"), audit_of("bench-2-noted-parts"))
    assert found.other_machine
    assert not found.worse
    assert "also" not in found.verdict
    assert "better" not in found.verdict
    both = compare(audit_of("bench-1-before"), audit_of("bench-2-noisy-link"))
    assert both.verdict.index("worse: ") < both.verdict.index("also: ")


def test_kinds_of_reading_are_counted_one_by_one() -> None:
    """Several kinds that root alone reads are one line and as many kinds; one kind of two parts is one."""
    doubts = Doubts()
    for kind, part in (("health", "nvme0"), ("health", "nvme1"), ("link registers", "nvme0")):
        doubts.add(kind, part, 1, ROOT)
    doubts.add("rates", "nvme0", 0, "not known")
    doubts.add("rates", "nvme1", 0, "not told")
    assert 3 == doubts.kinds()
    assert 3 == len(list(doubts.result()))


def test_an_ordinary_users_second_look_counts_all_that_it_lacks() -> None:
    """The number in the sentence is that of the kinds listed below it."""
    tower = bench_1({"M2_1": [reel_4("A-1")], "SLOT4": [gigabit()]})
    found = compare(seen(tower), seen(tower, privileged=False))
    (doubt,) = found.doubts
    listed = doubt.what.replace(" and ", ", ").split(", ")
    assert len(listed) > 1
    assert f"{len(listed)} kinds of reading could not" in found.verdict
    assert NOTHING != found.verdict


# --- What parts are matched by -------------------------------------------------------------------------------------


def test_a_part_of_one_side_is_matched_by_nothing() -> None:
    """Parts that came or went matched nothing; one that moved says by what."""
    before = seen(bench_1({"M2_1": [folio("QF1-1", (4, 4))], "SLOT4": [gigabit()]}))
    after = seen(bench_1({"M2_2": [folio("QF1-1", (4, 4))], "SLOT1": [carrier((4, 16), [])]}))
    cells = [row.cells for row in next(compare_rows.sections(compare(before, after))).rows]
    told = {row[0]: row[-1] for row in cells}
    assert {"added": compare_rows.UNMATCHED, "missing": compare_rows.UNMATCHED, "moved": "serial number"} == told
    came = compare(audit_of("bench-3-idle"), audit_of("bench-3-set-slow"))
    assert {"added", "removed"} == {one.kind for one in came.parts}
    assert "atched by" not in shown(came, 120)
