"""Small changes that make an arrangement better: never worse, always allowed, and there are cases that they solve."""

from __future__ import annotations

from random import Random

from agent.planner.climb import climbed
from agent.planner.clock import always
from agent.planner.problem import Arrangement, DriveClass, Holder, PlacingProblem, allowed, score
from tests.brute import arrangements
from tests.placing import random_arrangement, random_problem, shared_problem
from tests.placing_odd import odd_problem


def test_a_climb_never_ends_lower_nor_where_it_is_not_allowed() -> None:
    """From any allowed arrangement the climb ends in one with as many parts that is allowed and no worse."""
    better = 0
    for seed in range(200):
        for problem in (random_problem(seed, 5, 5, 9), odd_problem(seed, 4, 4, 7), shared_problem(seed, 5, 5, 9)):
            start = random_arrangement(Random(seed), problem, zeal=0.8)  # noqa: S311 - repeatable
            end = climbed(problem, start, always)
            assert allowed(problem, end), seed
            assert score(problem, end) >= score(problem, start), seed
            assert sum(count for *_, count in start.drives) == sum(count for *_, count in end.drives), seed
            better += end != start
    assert better > 100


def exchange() -> PlacingProblem:
    """Two carriers of one bay in each other's slots, and a drive that reads more in the bay of the other."""
    fast, slow = ((90,) * 2, (20,) * 2), ((40,) * 2, (20,) * 2)
    holders = (
        Holder(0, 0, 1, None, None, slow),
        Holder(0, 1, 1, None, None, fast),
        Holder(1, 0, 1, None, None, slow),
        Holder(1, 1, 1, None, None, slow),
    )
    classes = (DriveClass(1, 0, {}), DriveClass(1, 0, {}))
    return PlacingProblem((1, 1), (None, None), (), holders, (False, False), (None, None), classes, ())


def test_cards_and_drives_in_each_others_places_are_exchanged() -> None:
    """Both carriers and both drives have to change places, one after the other: the climb finds the best there is."""
    problem = exchange()
    best = max(arrangements(problem), key=lambda one: score(problem, one))
    assert Arrangement((1, 2), ((0, 1, 1), (1, 2, 1))) == best
    for start in (Arrangement((0, 3), ((0, 0, 1), (1, 3, 1))), Arrangement((1, 2), ((0, 2, 1), (1, 1, 1)))):
        assert best == climbed(problem, start, always)


def test_a_climb_ends_when_time_is_up() -> None:
    """Without time nothing changes."""
    start = Arrangement((0, 3), ((0, 0, 1), (1, 3, 1)))
    assert start == climbed(exchange(), start, lambda: False)
