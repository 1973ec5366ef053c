"""Which needs come with which, and the sets of them: held to arrangements and to every subset, tried one by one."""

from __future__ import annotations

from itertools import combinations
from random import Random

from msgspec.structs import replace

from agent.planner.clock import always
from agent.planner.needs import Needs
from agent.planner.problem import NeedOf, PlacingProblem, met
from tests.placing import random_arrangement, random_problem
from tests.placing_odd import odd_problem


def needy(seed: int) -> PlacingProblem:
    """A small random problem with needs, some of them twice."""
    problem = (random_problem if seed % 2 else odd_problem)(seed, 3, 3, 5)
    return replace(problem, needs=(*problem.needs, *problem.needs[: seed % 3]))


def test_what_comes_with_a_need_is_met_where_it_is() -> None:
    """No arrangement meets a need but not one that comes with it."""
    pairs = kept = 0
    for seed in range(400):
        problem = needy(seed)
        needs = Needs(problem)
        assert len(problem.needs) == sum(needs.weights.values()), seed
        random = Random(seed)  # noqa: S311 - repeatable
        for _ in range(10):
            arrangement = random_arrangement(random, problem)
            seen = [met(problem, arrangement, need) for need in problem.needs]
            kept += sum(seen[one] for one in needs.order if needs.below[one])
            assert all(seen[other] for one in needs.order if seen[one] for other in needs.below[one]), seed
        pairs += sum(map(len, needs.below.values()))
    assert pairs > 100
    assert kept > 100


def test_firm_rates_bring_those_at_best() -> None:
    """A rate that the lower ends reach brings the same rate of the upper ends, and lower ones, but not higher ones."""
    wants = [(30, 0, 0, 0), (0, 0, 30, 0), (20, 0, 0, 0), (40, 0, 0, 0)]
    problem = random_problem(1, 3, 3, 5)
    needs = Needs(replace(problem, needs=tuple(NeedOf(classes=(0,), each=each) for each in wants)))
    assert {0: {2}, 1: {0, 2}, 2: set(), 3: {0, 2}} == needs.below
    assert dict.fromkeys(range(4), 1) == needs.weights


def test_sets_are_all_that_there_are() -> None:
    """The sets of a worth are all subsets that hold what comes with each need, are worth that, and no pair apart."""
    seen = 0
    for seed in range(200):
        needs = Needs(needy(seed))
        random = Random(seed)  # noqa: S311 - repeatable
        pairs = [pair for pair in combinations(needs.order, 2) if random.random() < 0.1]
        apart = {(one, other) for pair in pairs for one, other in (pair, pair[::-1])}
        every = [set(some) for size in range(len(needs.order) + 1) for some in combinations(needs.order, size)]
        for worth in range(1, sum(needs.weights.values()) + 1):
            expected = [
                some
                for some in every
                if worth == sum(needs.weights[one] for one in some)
                and all(needs.below[one] <= some for one in some)
                and not any(pair in apart for pair in combinations(some, 2))
            ]
            found = [
                {*some, *(low for one in some for low in needs.below[one])}
                for some in needs.sets(needs.order, worth, apart, always)
            ]
            assert sorted(map(sorted, expected)) == sorted(map(sorted, found)), seed
            seen += len(found)
    assert seen > 500
