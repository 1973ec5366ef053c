"""What disappears is told as loss: a part whose place is empty, a fault gone with its part, captures in disorder."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.whole import compare
from agent.sheets.expected import expected
from agent.sheets.reading import parse
from agent.sheets.writing import from_audit
from probes import collect
from probes.capture import parse as parse_capture
from probes.capture import recorded
from tests.boards import bench_1, carrier, gigabit, reel_3, reel_4
from tests.build import build, capture_bytes
from tests.machines import FIXTURES
from tests.test_cli import run
from tests.test_compare import known, seen

if TYPE_CHECKING:
    from pathlib import Path

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from tests.parts import Function

Fitted = dict[str, "list[Function]"]


def told(before: Fitted, after: Fitted) -> Comparison:
    """Two states of bench-1."""
    return compare(seen(bench_1(before)), seen(bench_1(after)))


def lost(found: Comparison) -> list[tuple[str, str]]:
    """The place and the direction of each part that is gone."""
    return [(one.before.place, one.direction) for one in found.parts if one.after is None and one.before is not None]


def test_a_drive_whose_place_is_empty_is_worse() -> None:
    """Nothing took its place, so it may as well have died."""
    found = told({"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}, {"M2_1": [reel_4("A-1")]})
    assert [("M2_2", "worse")] == lost(found)
    assert found.worse
    assert found.verdict.startswith("Worse than before: ")


def test_a_card_whose_place_is_empty_is_worse() -> None:
    """The same holds for a card that is no drive."""
    found = told({"SLOT4": [gigabit()], "M2_1": [reel_4("A-1")]}, {"M2_1": [reel_4("A-1")]})
    assert [("SLOT4", "worse")] == lost(found)
    assert found.worse


@pytest.mark.parametrize("new", [reel_4("B-1"), gigabit()], ids=["a drive", "a card"])
def test_what_took_its_place_replaces_a_drive(new: Function) -> None:
    """Another drive, or a card, in the same slot is an exchange and no loss."""
    found = told({"SLOT3": [reel_4("A-1")]}, {"SLOT3": [new]})
    assert [("SLOT3", "other")] == lost(found)
    assert not found.worse


def test_a_place_without_a_name_is_found_by_its_port() -> None:
    """An ordinary user reads no names of slots: what came to the same port replaces a drive all the same."""
    before = seen(bench_1({"M2_1": [reel_4("A-1")]}))
    found = compare(before, seen(bench_1({"M2_1": [reel_4("B-1")]}), privileged=False))
    assert [("M2_1", "other")] == lost(found)
    assert not found.worse


def test_a_port_without_a_card_is_empty_by_any_name() -> None:
    """A drive that an ordinary user finds no more at its port is missing, whatever else came elsewhere."""
    before = seen(bench_1({"M2_1": [reel_4("A-1")]}))
    found = compare(before, seen(bench_1({"M2_2": [reel_4("B-1")]}), privileged=False))
    assert [("M2_1", "worse")] == lost(found)


def test_a_place_that_is_not_to_be_found_is_a_doubt() -> None:
    """The port is gone, and what came sits at one that was not there: without names nobody can tell if it is the same.

    Where nothing came, the drive is missing.
    """
    before = seen(bench_1({"M2_1": [reel_4("A-1")]}))
    port = next(one.link.key for one in before.links if one.device_address == before.facts.drives[0].address)
    nothing = bench_1({})
    for after, privileged, ways in (
        (bench_1({"M2_1": [reel_4("B-1")]}), False, ["other"]),
        (nothing, False, ["worse"]),
    ):
        told = capture_bytes(build(after), privileged=privileged).replace(port.encode(), b"0000:00:17.5")
        assert b"0000:00:17.5" in told
        first, later = recorded(parse_capture(told, "after"))
        found = compare(before, audit(collect(first, later)))
        assert ways == [way for place, way in lost(found) if place == "M2_1"]
        assert ("worse" in ways) == found.worse
        assert ("other" in ways) == any("M2_1" in doubt.what for doubt in found.doubts)
        assert "delivers" not in found.verdict
        assert "M2_1" in found.verdict.partition(";")[0]


def test_a_drive_that_moved_into_the_place_replaces_it_too() -> None:
    """The old drive is gone, and the one beside it sits in its slot now."""
    found = told({"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}, {"M2_1": [reel_4("A-2")]})
    assert [("M2_1", "other")] == lost(found)
    assert not found.worse


def test_a_bigger_carrier_replaces_the_drives_of_the_old_one() -> None:
    """Four new drives on a new carrier in the slot stand for the two of the old one."""
    before: Fitted = {"SLOT3": [carrier((3, 8), [reel_3("A-1"), reel_3("A-2")])]}
    after: Fitted = {"SLOT3": [carrier((3, 16), [reel_3(f"B-{number}") for number in range(4)])]}
    found = told(before, after)
    assert {"other"} == {direction for _, direction in lost(found)}


def test_one_new_drive_does_not_stand_for_two() -> None:
    """On the new carrier one drive came where two were: one is lost."""
    before: Fitted = {"SLOT3": [carrier((3, 8), [reel_3("A-1"), reel_3("A-2")])]}
    found = told(before, {"SLOT3": [carrier((3, 8), [reel_3("B-1")])]})
    assert ["other", "worse"] == sorted(direction for _, direction in lost(found))
    assert found.worse


def test_a_carrier_whose_drives_went_elsewhere_is_no_loss() -> None:
    """All that sat on it is still there."""
    before: Fitted = {"SLOT3": [carrier((3, 8), [reel_3("A-1"), reel_3("A-2")])]}
    found = told(before, {"M2_1": [reel_3("A-1")], "M2_2": [reel_3("A-2")]})
    assert [("SLOT3", "other")] == lost(found)
    assert not found.worse


def _against(found: Audit, sheet: str) -> Audit:
    return audit(found.facts, planned=expected(parse(sheet, "sheet.toml")))


def test_a_part_that_the_sheet_no_longer_has_is_no_loss() -> None:
    """Held against the sheet of what should be there now, taking a drive out is as planned."""
    before = seen(bench_1({"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}))
    after = seen(bench_1({"M2_1": [reel_4("A-1")]}))
    assert compare(before, after).worse
    sheet = from_audit(after, "after")
    assert not compare(_against(before, sheet), _against(after, sheet)).worse


def test_a_part_that_the_sheet_still_has_is_missed() -> None:
    """Held against the sheet of what was there before, the drive is missing."""
    before = seen(bench_1({"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}))
    after = seen(bench_1({"M2_1": [reel_4("A-1")]}))
    sheet = from_audit(before, "before")
    assert compare(_against(before, sheet), _against(after, sheet)).worse


def test_a_fault_that_left_with_its_part_is_not_cleared() -> None:
    """Pulling a failing drive mends nothing: the fault is gone with its part."""
    before = known("bench-2-failing-drives")
    failing = next(one for one in before.facts.drives if one.name == "nvme1")
    after = audit(
        replace(
            before.facts,
            drives=tuple(one for one in before.facts.drives if one != failing),
            functions=tuple(one for one in before.facts.functions if one.address != failing.address),
        )
    )
    found = compare(before, after)
    left = [one for one in found.findings if one.before is not None and one.before.subject == "nvme1"]
    assert left
    assert {("gone", "other")} == {(one.kind, one.direction) for one in left}
    assert "cleared" not in found.verdict
    assert found.worse


# --- The order of two captures -------------------------------------------------------------------------------------


def dated(folder: Path, name: str, when: str) -> str:
    """A stored capture with another date."""
    content: dict[str, Any] = json.loads((FIXTURES / name / "capture.json").read_text())
    place = folder / f"{when[:10]}.json"
    place.write_text(json.dumps({**content, "taken_at": when}))
    return str(place)


def test_an_after_that_is_older_is_refused(tmp_path: Path) -> None:
    """The wrong way round, what broke would be praised: one sentence, and how to do it all the same."""
    late = dated(tmp_path, "bench-1-upgraded", "2026-04-01T09:00:00+00:00")
    early = dated(tmp_path, "bench-1-upgraded", "2026-03-01T23:00:00-02:00")
    refused = run("compare", late, early)
    assert 2 == refused.status
    assert 1 == len(refused.errors.strip().splitlines())
    assert "--as-given" in refused.errors
    assert 0 == run("compare", early, late).status
    assert 0 == run("compare", "--as-given", late, early).status


def test_dates_of_two_machines_are_of_no_matter(tmp_path: Path) -> None:
    """Two machines are no before and after."""
    late = dated(tmp_path, "bench-1-upgraded", "2026-04-01T09:00:00+00:00")
    other = dated(tmp_path, "bench-2-worn-riser", "2026-03-01T09:00:00+00:00")
    assert 2 != run("compare", late, other).status
