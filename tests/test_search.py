"""The exact search on machines small enough to work out by hand; figures are in the problem's own units.

The outside checks (plain enumeration, SciPy's mixed-integer solver) are in `tests/test_planner_outside.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.planner.problem import Arrangement, DriveClass, Holder, NeedOf, PlacingProblem, Score, allowed, score
from agent.planner.search import Answer, search
from tests.placing import random_problem

if TYPE_CHECKING:
    from collections.abc import Callable

BARE: Final = Arrangement((), ())


def carrier(card: int, slot: int, *rates: int, link: int | None = None, watts: int | None = None) -> Holder:
    """A carrier of two bays that reads each class at these rates and writes at half of them."""
    pair = None if link is None else (link, link // 2)
    return Holder(card, slot, 2, pair, watts, tuple((rate, rate // 2) for rate in rates), switch=link is not None)


def socket(slot: int, *rates: int) -> Holder:
    """A slot that takes a drive itself."""
    return Holder(None, slot, 1, None, None, tuple((rate, rate // 2) for rate in rates))


def drives(count: int, watts: int = 0, **today: int) -> DriveClass:
    """A class of drives; `card0=2` tells that two of them are on card 0 today, `slot1=1` that one is in slot 1."""
    return DriveClass(count, watts, {(place.rstrip("0123456789"), int(place[4:])): n for place, n in today.items()})


def machine(
    *holders: Holder,
    classes: tuple[DriveClass, ...],
    sizes: tuple[int, ...] = (1, 1, 1),
    today: tuple[int | None, ...] | None = None,
    needs: tuple[NeedOf, ...] = (),
) -> PlacingProblem:
    """A machine without uplinks; cards without bays are wanted."""
    cards = 1 + max((one.card for one in holders if one.card is not None), default=-1)
    must = tuple(any(one.card == card and not one.bays for one in holders) for card in range(cards))
    return PlacingProblem(sizes, (None,) * len(sizes), (), holders, must, today or (None,) * cards, classes, needs)


def holds(expected: Score, arrangement: Arrangement, problem: PlacingProblem) -> Answer:
    """Assert that the search proves this arrangement with this score the best; its answer."""
    answer = search(problem)
    assert allowed(problem, answer.best)
    assert expected == score(problem, arrangement)
    assert (arrangement, expected) == (answer.best, answer.score)
    assert (True, expected) == (answer.proved, answer.bound)
    return answer


# --- Each part of the score decides once -----------------------------------------------------------------------


def test_more_in_place_beats_all_else() -> None:
    """Two slow drives are placed rather than one fast one, though a need is then not met."""
    problem = machine(
        carrier(0, 0, 10),
        carrier(1, 0, 90, watts=5),
        classes=(drives(2, watts=4),),
        needs=(NeedOf(cards=((1, frozenset({1})),)),),
    )
    holds(Score(2, 0, 10, 20, -3, -1), Arrangement((0,), ((0, 0, 2),)), problem)


def test_needs_come_before_the_worst_share() -> None:
    """A drive that must not hang on a switch goes to the slower place."""
    problem = machine(
        carrier(0, 0, 90, link=90),
        carrier(1, 0, 30),
        classes=(drives(1),),
        needs=(NeedOf(classes=(0,), no_switch=True),),
    )
    holds(Score(1, 1, 30, 30, -2, -1), Arrangement((1,), ((0, 1, 1),)), problem)


def test_the_worst_share_comes_before_the_total() -> None:
    """A carrier with which both drives reach 40 beats one with which one reaches 100 and the other 10."""
    problem = machine(carrier(0, 0, 100, 10), carrier(1, 0, 40, 40), classes=(drives(1), drives(1)))
    holds(Score(2, 0, 40, 80, -3, -1), Arrangement((1,), ((0, 1, 1), (1, 1, 1))), problem)


def test_the_total_comes_before_moves() -> None:
    """A card moves where one drive gains and the worst-off one does not lose."""
    problem = machine(
        carrier(0, 0, 40, 50),
        carrier(0, 1, 40, 60),
        classes=(drives(1, card0=1), drives(1, card0=1)),
        today=(0,),
    )
    holds(Score(2, 0, 40, 100, -1, -1), Arrangement((1,), ((0, 1, 1), (1, 1, 1))), problem)


def test_moves_come_before_room() -> None:
    """A card stays in a big slot though a small one would do as well; a carrier without drives stays too."""
    problem = machine(
        carrier(0, 0, 40),
        carrier(0, 1, 40),
        carrier(1, 2, 40),
        classes=(drives(2, card0=2),),
        sizes=(9, 1, 5),
        today=(0, 2),
    )
    holds(Score(2, 0, 40, 80, 0, -14), Arrangement((0, 2), ((0, 0, 2),)), problem)


def test_big_slots_are_kept_free_at_last() -> None:
    """Where nothing else differs the smaller slot is used, and a carrier without drives is left out."""
    problem = machine(carrier(0, 0, 40), carrier(0, 1, 40), carrier(1, 2, 40), classes=(drives(2),), sizes=(9, 1, 5))
    holds(Score(2, 0, 40, 80, -3, -1), Arrangement((1,), ((0, 1, 2),)), problem)


# --- What ties slots together ----------------------------------------------------------------------------------


def test_shared_uplinks_are_shared() -> None:
    """Of two drives behind an uplink of 100 and two beside it, none gets less than 50; a third one there would."""
    problem = replace(
        machine(carrier(0, 0, 80), carrier(1, 1, 80), carrier(2, 2, 70), classes=(drives(4),)),
        above=(1, 0, None),
        uplinks=(((100, 50), None), ((90, 45), 0)),
    )
    # Each carrier has two bays. Both drives of one carrier behind the uplinks share 90 or 100, those beside have 70.
    holds(Score(4, 0, 50, 240, -6, -2), Arrangement((1, 2), ((0, 1, 2), (0, 2, 2))), problem)


def test_the_least_share_behind_a_link_is_rounded_down() -> None:
    """Two drives on a link of 75 have 37 each, and carry 75 together."""
    problem = machine(carrier(0, 0, 50, link=75), classes=(drives(2),))
    holds(Score(2, 0, 37, 75, -3, -1), Arrangement((0,), ((0, 0, 2),)), problem)


def test_power_covers_and_sockets_limit() -> None:
    """A slot feeds one drive, the card in it covers the next slot, and the other drive goes to a socket."""
    problem = machine(
        replace(carrier(0, 0, 40, watts=7), covers=(1,)),
        carrier(1, 1, 90, watts=3),
        socket(2, 20),
        classes=(drives(2, watts=4),),
        sizes=(4, 4, 0),
    )
    holds(Score(2, 0, 20, 60, -3, -4), Arrangement((0, 2), ((0, 0, 1), (0, 2, 1))), problem)


def test_as_many_needs_as_can_be_are_met() -> None:
    """Of three needs for one slot two go together, and those are met."""
    problem = machine(
        carrier(0, 0, 40),
        carrier(1, 0, 60),
        classes=(drives(1),),
        needs=(
            NeedOf(cards=((1, frozenset({1})),)),
            NeedOf(cards=((0, frozenset({0})),)),
            NeedOf(classes=(0,), each=(50, 30)),
        ),
    )
    holds(Score(1, 2, 60, 60, -2, -1), Arrangement((1,), ((0, 1, 1),)), problem)


def test_a_need_for_writing_counts_the_writing_rate() -> None:
    """A need for 25 written is met by 50 read and 25 written, one for 26 is not."""
    for each, expected in ((25, 1), (26, 0)):
        problem = machine(carrier(0, 0, 50), classes=(drives(1),), needs=(NeedOf(classes=(0,), each=(0, each)),))
        holds(Score(1, expected, 50, 50, -2, -1), Arrangement((0,), ((0, 0, 1),)), problem)


# --- Nothing to place ------------------------------------------------------------------------------------------

EMPTY: Final = {
    "nothing at all": (machine(classes=(), sizes=()), Score(0, 0, 0, 0, 0, 0)),
    "no cards and no sockets": (machine(classes=(drives(2),)), Score(0, 0, 0, 0, 0, 0)),
    "no drives": (machine(carrier(0, 0), classes=()), Score(0, 0, 0, 0, 0, 0)),
    "a class without drives": (machine(carrier(0, 0, 5), classes=(drives(0),)), Score(0, 0, 0, 0, 0, 0)),
    "drives that fit nowhere": (machine(carrier(0, 0, 0), classes=(drives(1),)), Score(0, 0, 0, 0, 0, 0)),
    "a card that covers its own slot": (
        machine(replace(carrier(0, 0, 5), covers=(0,)), classes=(drives(1),), needs=(NeedOf(),)),
        Score(0, 1, 0, 0, 0, 0),
    ),
}


@pytest.mark.parametrize("case", EMPTY, ids=str)
def test_the_empty_arrangement_is_an_answer(case: str) -> None:
    """Where nothing can be placed the answer is nothing, proved, and there are no others but an idle carrier."""
    problem, expected = EMPTY[case]
    holds(expected, BARE, problem)
    answer = search(problem, also=2)
    assert answer.others_proved
    assert all(not one.drives for one in answer.others)


# --- Limits on moves, and what comes next ----------------------------------------------------------------------


def moved() -> PlacingProblem:
    """Two drives on a card in a slow slot; each of two faster slots is reached with one move."""
    return machine(
        carrier(0, 0, 20),
        carrier(0, 1, 50),
        carrier(0, 2, 40),
        classes=(drives(2, card0=2),),
        today=(0,),
    )


@pytest.mark.parametrize(("most", "expected"), [(0, 20), (1, 50), (None, 50)])
def test_a_limit_on_moves_is_kept(most: int | None, expected: int) -> None:
    """Without a move all stays as it is; with one the card goes where its drives are fastest."""
    answer = search(moved(), most_moves=most)
    assert (expected, True) == (answer.score.worst, answer.proved)


def test_without_a_way_to_keep_the_limit_the_fewest_moves_are_made() -> None:
    """Drives that cannot stay where they are today move though no move was wanted; the card stays."""
    problem = machine(
        carrier(0, 0, 0), carrier(1, 1, 50), carrier(1, 2, 60), classes=(drives(2, card0=2),), today=(0, 1)
    )
    answer = search(problem, most_moves=0)
    assert Score(2, 0, 50, 100, -2, -2) == answer.score
    assert answer.proved


def test_what_comes_next_has_other_holders() -> None:
    """The next best arrangements follow in order, and there are as many as there are sets of holders."""
    problem = moved()
    answer = search(problem, also=9)
    worths = [score(problem, one) for one in (answer.best, *answer.others)]
    assert [50, 40, 20, 0] == [one.worst for one in worths]
    assert sorted(worths, reverse=True) == worths
    assert answer.others_proved


def test_alike_cards_make_no_other_arrangement() -> None:
    """Two alike carriers for one slot give one arrangement with a carrier, whichever is there today."""
    problem = machine(carrier(0, 0, 30), carrier(1, 0, 30), classes=(drives(1),), today=(None, 0))
    answer = search(problem, also=5)
    assert Arrangement((1,), ((0, 1, 1),)) == answer.best
    assert (BARE,) == answer.others
    assert answer.others_proved


# --- Time and order --------------------------------------------------------------------------------------------


def times(count: int) -> Callable[[], bool]:
    """A clock that says so many times that there is time left."""
    left = iter(range(count))
    return lambda: next(left, None) is not None


def test_drives_of_very_many_classes_are_placed_with_proof() -> None:
    """Forty different drives for a card of twelve bays have countless ways: those that read most are proved."""
    rates = tuple((100 + kind, 50) for kind in range(40))
    problem = machine(Holder(0, 0, 12, None, None, rates), classes=(drives(1),) * 40)
    best = Arrangement((0,), tuple((kind, 0, 1) for kind in range(28, 40)))
    holds(Score(12, 0, 128, 12 * 128 + 66, -13, -1), best, problem)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(4))
def test_a_search_out_of_time_bounds_what_could_be(seed: int) -> None:
    """However early time is up the answer is allowed, and nothing exceeds its bound; with time enough it is proved."""
    problem = random_problem(seed, 4, 5, 10)
    best = search(problem).score
    proved = []
    for count in range(60):
        answer = search(problem, running=times(count))
        assert allowed(problem, answer.best)
        assert answer.score == score(problem, answer.best)
        assert answer.score <= best <= answer.bound
        assert answer.proved == (answer.score == answer.bound)
        proved.append(answer.proved)
    assert not proved[0]
    assert search(problem, running=times(10_000)).proved


def test_the_same_problem_has_the_same_answer() -> None:
    """Two searches give the same arrangements, others included, also out of time."""
    for seed in range(6):
        problem = random_problem(seed, 5, 6, 12)
        assert search(problem, also=2) == search(problem, also=2)
        assert search(problem, times(7), also=2) == search(problem, times(7), also=2)


def test_the_order_of_holders_does_not_matter() -> None:
    """A problem with its holders in reverse order has the same best score."""
    for seed in range(12):
        problem = replace(random_problem(seed, 4, 5, 9), needs=())
        assert search(problem).score == search(replace(problem, holders=problem.holders[::-1])).score
