"""Every search ends: thousands of random problems, with next best arrangements and limits on moves.

No test looks at a clock: a search is stopped after far more looks at its own than any of them needs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.planner.branch import ENDLESS, Closed, Stage
from agent.planner.choices import arranged, choices
from agent.planner.fills import Fills
from agent.planner.model import Model
from agent.planner.problem import allowed, score
from agent.planner.search import search
from agent.planner.wanted import Wanted
from tests import brute
from tests.placing import random_problem
from tests.placing_odd import odd_problem

if TYPE_CHECKING:
    from agent.planner.choices import Choices, Taken
    from agent.planner.model import Limits, Priced
    from agent.planner.problem import PlacingProblem
    from agent.planner.wanted import Goal

LOOKS: Final = 20_000  # at the clock; the most that any of these problems needs is some 600
LEAST: Final = -(1 << 60)  # less than any arrangement has of a goal
SIZES: Final = ((1, 1, 2), (2, 2, 3), (3, 3, 4), (2, 3, 3))
PARTS: Final = 100  # of the long test


class Looks:
    """Time that is up after so many looks at the clock."""

    def __init__(self) -> None:
        """Nobody has looked yet."""
        self.number = 0

    def __call__(self) -> bool:
        """Whether there is time left."""
        self.number += 1
        return self.number <= LOOKS


def ends(problem: PlacingProblem, also: int, most_moves: int | None) -> bool:
    """Whether a search proves all that it is asked for long before its time is up."""
    looks = Looks()
    answer = search(problem, looks, also=also, most_moves=most_moves)
    return answer.proved and answer.others_proved and looks.number < LOOKS


@pytest.mark.parametrize(
    ("seed", "size", "also", "most_moves"),
    [(1583, (3, 3, 4), 3, None), (365, (4, 3, 4), 3, None), (1570, (3, 4, 5), 1, 2)],
    ids=str,
)
def test_what_never_ended_ends(seed: int, size: tuple[int, int, int], also: int, most_moves: int | None) -> None:
    """Problems in which a trace of what a part forbids cost less than a move, so that the part came back for ever."""
    assert ends(random_problem(seed, *size), also, most_moves)


def sooner_or_later(seeds: range) -> list[str]:
    """The problems of some seeds with which a search does not end, in words that lead back; the ways by turns."""
    return [
        f"{make.__name__}({seed}, *{size}), {also=}, {most_moves=}"
        for seed in seeds
        for size in [SIZES[seed % len(SIZES)]]
        for also, most_moves in [((2, None), (1, 2), (1, 0), (0, 1))[seed // len(SIZES) % 4]]
        for make in (random_problem, odd_problem)
        if not ends(make(seed, *size), also, most_moves)
    ]


def test_hundreds_of_searches_end() -> None:
    """Small problems of both sorts, each with another number of next best ones and limit on moves, are all settled."""
    assert [] == sooner_or_later(range(150))


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_twenty_thousand_searches_end(part: int) -> None:
    """The same for a hundred times as many."""
    assert [] == sooner_or_later(range(part * 100, part * 100 + 100))


# --- Why they end ----------------------------------------------------------------------------------------------


class Watched(Stage):
    """A stage that holds each part against the one that it was split from."""

    def _step(self, limits: Limits, above: int) -> list[tuple[Limits, int]]:
        before = list(limits.allowed), dict(limits.counts)
        parts = super()._step(limits, above)
        for part, _ in parts:
            assert before != (part.allowed, part.counts)
            assert all(bits & ~whole == 0 for bits, whole in zip(part.allowed, before[0], strict=True))
        return parts


class Blind(Watched):
    """A stage whose linear program says nothing: no prices, and nothing taken."""

    def _solve(self, limits: Limits) -> Priced:
        return self._model.priced([0.0] * len(self._model.rows()), limits)


@pytest.mark.parametrize("goal", ["placed", "moves", "room"])
def test_no_part_comes_back(goal: Goal) -> None:
    """Each part is smaller than the one it is split from, so that even without prices the best of all is proved."""
    steps = 0
    for seed in range(24):
        problem = odd_problem(seed, 2, 2, 3) if seed % 2 else random_problem(seed, 2, 2, 2)
        listed = choices(problem, fine=True, original=problem)

        def worth(taken: Taken, problem: PlacingProblem = problem, listed: Choices = listed) -> int:
            arrangement = arranged(listed, taken)
            return int(getattr(score(problem, arrangement), goal)) if allowed(problem, arrangement) else LEAST

        expected = max(getattr(score(problem, one), goal) for one in brute.arrangements(problem))
        for kind in (Watched, Blind):
            model = Model(listed, Fills(problem), Wanted(), goal)
            stage = kind(model, worth, Looks(), floor=LEAST, enough=ENDLESS)
            assert Closed(expected, done=True) == stage.run(), (seed, kind)
            steps += stage.steps
    assert steps >= 48
