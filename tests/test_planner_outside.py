"""The planner against other ways to the same answers: what an arrangement is worth, and which one is best.

Outside sources, named beside each check: SciPy's HiGHS mixed-integer and linear solvers, SciPy's assignment solver,
networkx, and the plain enumeration of `tests/brute.py`.
"""

from __future__ import annotations

from math import floor
from random import Random
from typing import TYPE_CHECKING, Final

import networkx as nx
import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment, linprog

from agent.model.throughput import Flow, Hop, together
from agent.planner.problem import READ, WRITE, NeedOf, PlacingProblem, allowed, met, score, uplinks_of
from agent.planner.search import search
from tests import brute, milp
from tests.placing import PAYLOAD_BYTES, random_arrangement, random_made, random_problem, shared_problem
from tests.placing_odd import odd_problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.planner.problem import Arrangement, Score
    from agent.planner.search import Answer
    from tests.placing import Made

    Look = tuple[tuple[int, ...], ...]

TINY: Final = 1e-6
FEW: Final = 6  # holders of which every set is tried
SIZES: Final = ((1, 1, 2), (2, 2, 3), (3, 3, 4), (3, 3, 4), (3, 4, 5), (4, 3, 4))


def small_problems(number: int) -> Iterator[tuple[str, PlacingProblem]]:
    """Small problems of each sort, with words that lead back to each."""
    for seed in range(number):
        size = SIZES[seed % len(SIZES)]
        for make in (random_problem, odd_problem, shared_problem):
            yield f"{make.__name__}({seed}, *{size})", make(seed, *size)


def some_arrangement(seed: int, problem: PlacingProblem) -> Arrangement:
    """A random allowed arrangement, from almost empty to as full as random choices make it."""
    return random_arrangement(Random(seed), problem, zeal=(1.0, 0.8, 0.4)[seed % 3])  # noqa: S311 - repeatable


def drives_of(arrangement: Arrangement) -> list[tuple[int, int]]:
    """Each placed drive: (class, holder)."""
    return [(kind, number) for kind, number, count in arrangement.drives for _ in range(count)]


def links_of(problem: PlacingProblem, number: int, direction: int) -> list[tuple[str, int]]:
    """The shared links from a holder to the processor, with what they carry."""
    holder = problem.holders[number]
    own = [] if holder.link is None else [(f"holder {number}", holder.link[direction])]
    ups = [(f"uplink {up}", problem.uplinks[up][0][direction]) for up in uplinks_of(problem, holder.slot)]
    return own + ups


# --- What an arrangement is worth ------------------------------------------------------------------------------


def flows(made: Made, arrangement: Arrangement) -> tuple[list[Flow], dict[str, Hop]]:
    """Each placed drive with its links, and the links, as the throughput model wants them."""
    hops: dict[str, Hop] = {}
    loads: list[Flow] = []

    def hop(key: str, link: tuple[int, int] | None) -> str:
        assert link is not None
        return hops.setdefault(key, Hop(key, *link, PAYLOAD_BYTES)).key

    for number, (kind, at) in enumerate(drives_of(arrangement)):
        way = [hop(f"drive {number}", made.bay_links[at][kind])]
        if made.card_links[at] is not None:
            way.append(hop(f"holder {at}", made.card_links[at]))
        ups = uplinks_of(made.problem, made.problem.holders[at].slot)
        way += [hop(f"uplink {up}", made.uplink_links[up]) for up in ups]
        loads.append(Flow(f"drive {number}", tuple(way), made.limits[kind][READ]))
    return loads, hops


def test_worst_and_total_are_those_of_the_throughput_model() -> None:
    """The worst-off share is the model's, rounded down; the total is the model's but for the rounding of each rate."""
    drives = 0
    for seed in range(200):
        made = random_made(seed, 6, 6, 14)
        arrangement = some_arrangement(seed, made.problem)
        loads, hops = flows(made, arrangement)
        fair = [10 * share.high for share in together(loads, hops).values()]
        worth = score(made.problem, arrangement)
        assert floor(min(fair, default=0) + TINY) == worth.worst, seed
        assert -TINY <= sum(fair) - worth.total <= len(loads) + len(hops), seed
        drives += len(loads)
    assert drives > 800


def test_total_is_the_greatest_flow() -> None:
    """The total is exactly the maximum flow of networkx through the tree of links."""
    for seed in range(200):
        for problem in (random_problem(seed, 6, 6, 14), odd_problem(seed, 5, 5, 9)):
            arrangement = some_arrangement(seed, problem)
            each = [problem.holders[number].rates[kind][READ] for kind, number in drives_of(arrangement)]
            assert greatest_flow(problem, arrangement, each, READ) == score(problem, arrangement).total, seed


def greatest_flow(problem: PlacingProblem, arrangement: Arrangement, each: list[int], direction: int) -> int:
    """What networkx sends from the drives, `each` at most, to the processor."""
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(["drives", "processor"])
    for number, ((_, at), rate) in enumerate(zip(drives_of(arrangement), each, strict=True)):
        graph.add_edge("drives", f"drive {number}", capacity=rate)
        here = f"drive {number}"
        for key, capacity in links_of(problem, at, direction):
            graph.add_edge(here, f"into {key}")
            graph.add_edge(f"into {key}", f"out of {key}", capacity=capacity)
            here = f"out of {key}"
        graph.add_edge(here, "processor")
    value, _ = nx.maximum_flow(graph, "drives", "processor")
    return int(value)


def test_worst_is_the_best_that_all_can_have() -> None:
    """The worst-off share is the greatest rate that all drives can have at once, by SciPy's HiGHS linear solver."""
    for seed in range(150):
        for problem in (random_problem(seed, 6, 6, 14), odd_problem(seed, 5, 5, 9)):
            arrangement = some_arrangement(seed, problem)
            expected = floor(common_rate(problem, drives_of(arrangement), READ) + TINY)
            assert expected == score(problem, arrangement).worst, seed


def common_rate(problem: PlacingProblem, drives: list[tuple[int, int]], direction: int) -> float:
    """The greatest rate that each of these drives can have while only they work: a linear program."""
    if not drives:
        return 0
    crossing: dict[str, tuple[int, list[int]]] = {}
    for number, (_, at) in enumerate(drives):
        for key, capacity in links_of(problem, at, direction):
            crossing.setdefault(key, (capacity, []))[1].append(number)
    rows = np.zeros((len(drives) + len(crossing), len(drives) + 1))
    most = np.zeros(len(rows))
    for number in range(len(drives)):  # the common rate (the last variable) is at most each drive's flow
        rows[number, [number, -1]] = -1, 1
    for number, (capacity, members) in enumerate(crossing.values(), start=len(drives)):
        rows[number, members] = 1
        most[number] = capacity
    limits = [(0, problem.holders[at].rates[kind][direction]) for kind, at in drives]
    costs = np.zeros(len(drives) + 1)
    costs[-1] = -1
    answer = linprog(costs, A_ub=rows, b_ub=most, bounds=[*limits, (0, None)], method="highs")
    assert answer.status == 0, answer.message
    assert answer.x is not None
    return float(answer.x[-1])


def test_a_need_is_met_up_to_the_rate_that_its_drives_can_have() -> None:
    """A need for a rate is met up to what SciPy's HiGHS linear solver gives its drives alone, and not above."""
    asked = 0
    for seed in range(150):
        for problem in (random_problem(seed, 5, 6, 8), odd_problem(seed, 4, 5, 5)):
            arrangement = some_arrangement(seed, problem)
            placed = [(kind, at) for kind, at in drives_of(arrangement) if (seed + kind) % 4]
            classes = tuple(sorted({kind for kind, _ in placed}))
            whole = len(placed) == sum(problem.classes[kind].count for kind in classes)
            for direction in (READ, WRITE):
                reached = floor(common_rate(problem, placed, direction) + TINY)
                for rate in (reached, reached + 1):
                    need = NeedOf(classes, (rate, 0) if direction == READ else (0, rate))
                    expected = whole and (rate == reached or not placed)
                    assert expected == met(problem, arrangement, need), (seed, rate)
                    asked += whole and bool(placed)
    assert asked > 200


def test_moves_are_the_fewest_that_named_drives_need() -> None:
    """Drives that are alike are told apart in the way that moves fewest: SciPy's assignment solver agrees."""
    for seed in range(200):
        for problem in (random_problem(seed, 6, 6, 14), odd_problem(seed, 5, 5, 9)):
            arrangement = some_arrangement(seed, problem)
            now = {problem.holders[number].card: problem.holders[number].slot for number in arrangement.holders}
            moves = sum(now.get(card) != today for card, today in enumerate(problem.card_today))
            for kind, one in enumerate(problem.classes):
                before = [place for place, count in one.today.items() for _ in range(count)]
                after = [
                    ("slot", holder.slot) if holder.card is None else ("card", holder.card)
                    for holder in (problem.holders[at] for other, at in drives_of(arrangement) if other == kind)
                ]
                size = max(len(before), len(after))
                costs = np.ones((size, size), int)
                for row, place in enumerate(before):
                    for column, other in enumerate(after):
                        costs[row, column] = place != other
                moves += int(costs[linear_sum_assignment(costs)].sum()) if size else 0
            assert -moves == score(problem, arrangement).moves, seed


# --- The two references against each other ---------------------------------------------------------------------


def test_the_enumeration_leaves_nothing_out() -> None:
    """The arrangements listed are those that `allowed` lets through among all sets of holders with all counts."""
    shared = [shared_problem(seed, 2, 2, 2) for seed in range(60)]
    small = [one for one in shared if len(one.holders) <= FEW and any(holder.beside for holder in one.holders)]
    assert len(small) > 5
    for seed in range(60):
        for problem in (random_problem(seed, 2, 2, 2), odd_problem(seed, 2, 2, 3), *small[seed : seed + 1]):
            expected = sorted((one.holders, one.drives) for one in brute.every_allowed(problem))
            assert expected == sorted((one.holders, one.drives) for one in brute.arrangements(problem)), seed


@pytest.mark.long
@pytest.mark.parametrize("most_moves", [None, 2])
def test_the_enumeration_and_the_mixed_integer_program_agree(most_moves: int | None) -> None:
    """SciPy's HiGHS mixed-integer solver finds the score that is best of all arrangements."""
    for words, problem in small_problems(40):
        scores = brute.best_of_each(problem, most_moves)
        found = milp.best(problem, most_moves=most_moves)
        assert max(scores.values(), default=None) == (None if found is None else found[0]), words
        if found is not None:
            assert allowed(problem, found[1]), words
            assert found[0] == score(problem, found[1]), words


@pytest.mark.long
def test_the_next_best_of_both_agree() -> None:
    """SciPy's HiGHS mixed-integer solver finds the best that is left when what looks like the best does not count."""
    for words, problem in small_problems(12):
        before: list[Look] = []
        for _, expected in next_best(problem, brute.best_of_each(problem))[:3]:
            answer = milp.best(problem, without=before)
            assert answer is not None, words
            assert expected == answer[0], words
            before.append(brute.look(problem, answer[1].holders))


def next_best(problem: PlacingProblem, scores: dict[tuple[int, ...], Score]) -> list[tuple[Look, Score]]:
    """The best score of each look, by falling score."""
    found: dict[Look, Score] = {}
    for holders, worth in scores.items():
        look = brute.look(problem, holders)
        found[look] = max(worth, found.get(look, worth))
    return sorted(found.items(), key=lambda pair: pair[1], reverse=True)


# --- The search ------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_the_search_proves_the_best_of_all_arrangements() -> None:
    """The search's answer is allowed, proved, and worth exactly the best that plain enumeration finds."""
    for words, problem in small_problems(150):
        answer = search(problem)
        assert allowed(problem, answer.best), words
        assert max(brute.best_of_each(problem).values()) == answer.score == score(problem, answer.best), words
        assert answer.proved, words
        assert answer.score == answer.bound, words


@pytest.mark.long
def test_the_search_proves_the_next_best() -> None:
    """The others differ by more than alike cards, and are worth what plain enumeration finds next best, in order."""
    for words, problem in small_problems(50):
        holds_next_best(words, problem, search(problem, also=4), brute.best_of_each(problem), 4)


def holds_next_best(
    words: str, problem: PlacingProblem, answer: Answer, scores: dict[tuple[int, ...], Score], also: int
) -> None:
    """Assert that an answer and its others are the best of these scores, each with another look."""
    assert answer.proved, words
    assert answer.others_proved, words
    found = [answer.best, *answer.others]
    assert all(allowed(problem, one) for one in found), words
    assert answer.score == score(problem, answer.best), words
    expected = next_best(problem, scores)[: also + 1]
    assert [worth for _, worth in expected] == [score(problem, one) for one in found], words
    assert len(expected) == len({brute.look(problem, one.holders) for one in found}), words


@pytest.mark.long
@pytest.mark.parametrize("most_moves", [0, 1, 3])
def test_the_search_keeps_to_a_limit_on_moves(most_moves: int) -> None:
    """With a limit on moves all answers are what plain enumeration finds within it, or within what is possible."""
    for words, problem in small_problems(24):
        limit = max(most_moves, brute.fewest_moves(problem))
        answer = search(problem, also=2, most_moves=most_moves)
        holds_next_best(words, problem, answer, brute.best_of_each(problem, limit), 2)


class _Clock:
    """Time that is up after it was looked at so many times."""

    def __init__(self, looks: int) -> None:
        self._looks = looks

    def __call__(self) -> bool:
        self._looks -= 1
        return self._looks >= 0


def test_a_search_out_of_time_says_so_and_bounds_what_could_be() -> None:
    """Stopped early, the answer is allowed and honest: its bound is no less than the best, proved only if equal."""
    stopped = 0
    for words, problem in small_problems(20):
        best = max(brute.best_of_each(problem).values())
        for looks in (0, 1, 2, 5, 20):
            answer = search(problem, _Clock(looks))
            assert allowed(problem, answer.best), words
            assert score(problem, answer.best) == answer.score <= best <= answer.bound, words
            assert answer.proved == (answer.score == answer.bound), words
            stopped += not answer.proved
    assert stopped > 0


LARGER: Final = [(seed, slots, 8, drives) for seed in range(4) for slots, drives in ((6, 12), (7, 14), (8, 16))]


@pytest.mark.long
@pytest.mark.parametrize("case", LARGER, ids=str)
def test_the_search_agrees_with_the_mixed_integer_program(case: tuple[int, int, int, int]) -> None:
    """On machines of 6 to 8 slots, 8 cards and 12 to 16 drives, SciPy's HiGHS solver finds the same best score."""
    for problem in (random_problem(*case), shared_problem(*case)):
        answer = search(problem)
        found = milp.best(problem)
        assert found is not None
        assert found[0] == answer.score == score(problem, answer.best)
        assert allowed(problem, answer.best)
        assert answer.proved


@pytest.mark.parametrize("seed", range(3))
def test_the_next_best_agree_with_the_mixed_integer_program(seed: int) -> None:
    """On larger machines too, what comes next is the best that SciPy's HiGHS solver finds without those before."""
    problem = random_problem(seed, 6, 8, 12)
    answer = search(problem, also=2)
    before = [brute.look(problem, answer.best.holders)]
    for other in answer.others:
        found = milp.best(problem, without=before)
        assert found is not None
        assert found[0] == score(problem, other)
        before.append(brute.look(problem, other.holders))
    assert len(set(before)) == 3
    assert answer.others_proved
