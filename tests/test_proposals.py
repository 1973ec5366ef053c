"""What `plan` is asked for and answers, without a process: what is added, what counts as whole, whose time it is."""

from __future__ import annotations

from typing import Final

import msgspec
import pytest

from agent.planner.clock import Time
from agent.planner.result import NeedSeen, Unplaced
from agent.proposals import PlanRequest, compared, complete, proposed, written
from agent.sheets.reading import parse
from knowledge.problems import BadInput
from tests.machines import FIXTURES
from tests.test_plan_report import make_plan

PARTS: Final = str(FIXTURES / "sheets" / "bench-2-parts.toml")


@pytest.mark.parametrize(
    ("answers", "unplaced", "whole"),
    [((), 0, True), (("met", "at best"), 0, True), (("met", "not met"), 0, False), ((), 1, False)],
)
def test_a_plan_is_complete_with_all_parts_in_place_and_all_needs_met(
    answers: tuple[str, ...],
    unplaced: int,
    whole: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    """A need that only the upper end of a range reaches is met; one that is not, or a part left over, is a lack."""
    needs = tuple(NeedSeen("need", answer, "") for answer in answers)
    found = make_plan(needs=needs, unplaced=(Unplaced("part", "no slot"),) * unplaced)
    assert whole == complete(found)


def test_a_written_sheet_says_what_was_planned() -> None:
    """The sheet that is written has the parts that were added, and everything where the plan puts it."""
    proposal = proposed(PlanRequest(PARTS, cards=("network-1g",), drives=("2xgen3",)), Time())
    sheet = parse(written(proposal), "written")
    assert [card.name for card in proposal.plan.sheet.cards] == [card.name for card in sheet.cards]
    assert [drive.name for drive in proposal.plan.sheet.drives] == [drive.name for drive in sheet.drives]
    assert proposal.plan.placement.cards == {card.name: card.slot for card in sheet.cards if card.slot is not None}
    held = {name: place.holder for name, place in proposal.plan.placement.drives.items()}
    assert held == {one.name: one.card or one.slot for one in sheet.drives if one.card or one.slot}


def test_nothing_added_is_the_sheet_as_it_is() -> None:
    """Without parts to add the sheet of the plan is the user's own."""
    proposal = proposed(PlanRequest(PARTS), Time())
    assert ((), ()) == (proposal.cards, proposal.drives)
    assert proposal.plan.sheet == parse(proposal.text, PARTS)


def test_each_kind_that_is_tried_has_its_own_time() -> None:
    """The clock of the search is started once for each kind, so that no kind pays for the one before it."""
    started: list[int] = []

    def clock() -> Time:
        started.append(len(started))
        return Time()

    kinds = ("carrier-1-x4-gen3", "switch-carrier-4-x8-gen3", "split-carrier-4-x16-gen3")
    tried = compared(PlanRequest(PARTS, drives=("1xgen3",), tried=kinds), clock)
    assert list(kinds) == [one.kind for one in tried]
    assert [0, 1, 2] == started


def test_a_card_that_is_added_is_there_for_every_kind_that_is_tried() -> None:
    """With cards added and kinds tried, each kind is planned beside the added cards."""
    tried = compared(PlanRequest(PARTS, cards=("network-1g",), tried=("carrier-1-x4-gen3",)), Time)
    assert "new network-1g" in {card.name for card in tried[0].plan.sheet.cards}


def test_a_sheet_is_read_before_any_time_is_spent() -> None:
    """A sheet that is not there is refused before the search is begun."""
    with pytest.raises(BadInput):
        compared(
            msgspec.structs.replace(PlanRequest(PARTS), sheet="/no/such.toml"), lambda: pytest.fail("time was taken")
        )
