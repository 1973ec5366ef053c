"""A plan keeps its time: what there is none for is left out and said to be, and what stands there is whole.

No test looks at a clock: time is up after so many looks at one, or when a figure says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.planner import holders
from agent.planner.clock import GRACE, SEARCHING, Telling, always, for_seconds
from agent.planner.plan import UNKNOWN, plan
from agent.planner.whatif import compare
from agent.report import plan_data, planning
from agent.sheets.paths import today
from agent.sheets.reading import drives_of
from tests.small_sheets import card, drive, drives, patience, sheet, slot, socket, switch
from tests.test_plan_report import flat

if TYPE_CHECKING:
    from collections.abc import Callable

    import pytest

    from agent.planner.result import Plan
    from agent.sheets.sheet import Sheet

PARTS: Final[dict[str, Callable[[Plan], tuple[object, ...]]]] = {  # what can be left out, by the words for it
    "why parts have no place": lambda found: tuple(part.why for part in found.unplaced),
    "the steps": lambda found: found.steps,
    "other arrangements": lambda found: found.alternatives,
    "why parts are where they are": lambda found: (
        *(one.why for one in found.cards),
        *(one.why for one in found.drives),
    ),
}


def crowded() -> Sheet:
    """Six drives, two of them fitted, for a carrier of four bays in one of three slots; one card fits nowhere."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 16, generation=4), slot("SLOT3", 8, connector=16)]
    fitted = [drive("reel-a", card="rack", bay=1), drive("reel-b", card="rack", bay=2), *drives(4, read_mbps=900.0)]
    cards = [switch("rack", slot="SLOT3"), card("scan", slot="SLOT2"), card("lid", length_mm=300)]
    return sheet([replace(one, longest_mm=200) for one in slots], cards, fitted)


def test_whatever_is_left_out_is_said_to_be() -> None:
    """With ever more time ever more of a plan stands there: each part is as in the whole plan, or it is left out."""
    whole = plan(crowded())
    assert "" == whole.left_out
    assert all(part(whole) for part in PARTS.values())
    named = ["nothing yet"]
    while named[-1]:
        looks = len(named) - 1
        assert looks < 5000
        found = plan(crowded(), telling=patience(looks))
        for words, part in PARTS.items():
            told = list(zip(part(found), part(whole), strict=False))
            if words in found.left_out:
                assert any(not why for why, _ in told) or not told, (looks, words)
                told = [(why, other) for why, other in told if why]
            else:
                assert part(found) == part(whole), (looks, words)
            assert all(why == other for why, other in told), (looks, words)
        assert (whole.placement, whole.proved) == (found.placement, found.proved)
        named.append(found.left_out)
    assert all(words in named[1] for words in (*PARTS, "the fewest moves"))
    assert len(set(named)) >= len(PARTS)


def test_all_forms_say_what_was_left_out() -> None:
    """The page and the JSON have the sentence, also the candidates; a plan that is whole has none."""
    found = plan(crowded(), telling=patience(0))
    assert found.left_out in flat(planning.plan(found, 100, "x"))
    assert found.left_out == plan_data.plan(found).left_out
    (tried,) = compare(crowded(), ["switch-carrier-4-x8-gen3"], drives_of("2xgen3"), always, patience(0))
    assert "the steps" in tried.plan.left_out
    assert tried.plan.left_out in flat(planning.candidates([tried], 100, "x"))
    assert "Left out" not in flat(planning.plan(plan(crowded()), 100, "x"))


def test_a_sheet_that_cannot_be_laid_out_in_time_stays_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a sheet too large for its time the plan is what is fitted today, and nothing is said to be known beyond it."""
    monkeypatch.setattr(holders, "FIGURES", 0)
    found = plan(crowded(), patience(0), telling=patience(0))
    now = today(crowded())
    assert (now.cards, now.drives) == (found.placement.cards, found.placement.drives)
    assert (False, UNKNOWN) == (found.proved, found.gap)
    assert "all places but today's" in found.left_out
    assert plan(crowded()) == plan(crowded(), telling=patience())


def test_a_small_sheet_is_laid_out_whatever_the_time() -> None:
    """Without any time a small sheet has a plan all the same, with a true bound."""
    found = plan(crowded(), patience(0), telling=patience(0))
    assert "today's" not in found.left_out
    assert found.proved == (found.gap == "")
    assert UNKNOWN != found.gap


def test_what_was_not_tried_is_not_called_taken_or_useless() -> None:
    """Of a plan that is not proved no free place is said to be taken, and no carrier to be of no use."""
    slots = [slot("SLOT1", 16, power_watts=75.0), slot("SLOT2", 16), socket("M2_1")]
    parts = [switch("rack", slot="SLOT1"), switch("other"), card("net")]
    one = sheet(slots, parts, [drive("reel-a", card="rack", bay=1), drive("reel-b")])
    found = plan(one, patience(0), telling=always)
    assert not found.proved
    free = "is free: the search ended before it was tried"
    told = {part.name: part.why for part in found.unplaced}
    assert f"M2_1 {free}; rack {free}; other has no place either" == told["reel-b"]
    assert f"SLOT1 is held by rack; SLOT2 {free}" == told["net"]
    assert all(all(part.limits.values()) for part in found.unplaced)
    assert ["left out so far: the search ended before it was known whether anything is gained with it"] == [
        part.why for part in found.spares
    ]
    assert ["not needed: without it every drive has a place, and none has a better one with it"] == [
        part.why for part in plan(one).spares
    ]


def test_the_search_leaves_time_for_what_is_said() -> None:
    """Seconds count from the first look on; the search has four fifths, the rest until all are gone and hardly more."""
    seconds = 100.0
    time = for_seconds(10.0, lambda: seconds)
    seconds = 200.0  # nobody has looked yet
    assert time.searching()
    seconds = 200.0 + 10 * SEARCHING - 0.01
    assert time.searching()
    seconds = 200.0 + 10 * SEARCHING
    assert not time.searching()
    seconds = 210.0
    assert time.telling()
    seconds = 210.0 + GRACE
    assert not time.telling()
    assert GRACE < 0.1


def test_time_that_is_up_stays_up() -> None:
    """Once a part was left out none is begun any more, whatever a clock that was set back says."""
    answers = iter((True, False, True, True))
    tell = Telling(lambda: next(answers))
    assert ["a", "", ""] == [tell.part(words, lambda: "a", "") for words in ("one", "two", "three")]
    assert "Left out, as time was up: two and three." == tell.left_out
