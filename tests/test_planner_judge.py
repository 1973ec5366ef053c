"""The planner against a second judge: the constraint solver CP-SAT, on the problems that the other judges have too.

`ortools` is part of no extra, as it weighs 170 MB with what it brings; `.ci/run` installs it. These tests are skipped
without it.
"""

from __future__ import annotations

from typing import Any, Final

import pytest

from agent.planner.problem import allowed
from agent.planner.search import search
from tests import brute, milp
from tests.bench.planning import roomy_problem
from tests.cpsat import Judged
from tests.placing import random_problem
from tests.test_planner_outside import LARGER, small_problems

pytestmark = pytest.mark.long

ROOMY: Final = [(seed, 6, 6, 10) for seed in range(8)]


@pytest.fixture(scope="module")
def solver() -> Any:  # noqa: ANN401 - a module without types
    """The solver."""
    return pytest.importorskip(
        "ortools.sat.python.cp_model", reason="ortools is not installed, so CP-SAT judges nothing"
    )


def test_the_search_agrees_with_the_constraint_solver(solver: Any) -> None:  # noqa: ANN401 - as above
    """CP-SAT proves the same best score of small problems of both sorts."""
    for words, problem in small_problems(120):
        assert search(problem).score == Judged(solver, problem).best(), words


@pytest.mark.parametrize("most_moves", [0, 2])
def test_both_agree_on_a_limit_on_moves(solver: Any, most_moves: int) -> None:  # noqa: ANN401 - as above
    """CP-SAT proves the same with a limit on moves, or within the fewest that are possible."""
    for words, problem in small_problems(30):
        limit = max(most_moves, brute.fewest_moves(problem))
        assert search(problem, most_moves=most_moves).score == Judged(solver, problem).best(limit), words


@pytest.mark.parametrize("case", [*LARGER, *ROOMY], ids=str)
def test_all_three_agree_on_larger_machines(solver: Any, case: tuple[int, int, int, int]) -> None:  # noqa: ANN401 - as above
    """Of machines of 6 to 8 slots the search and CP-SAT prove the same, and HiGHS has it too where few things fit."""
    problem = (random_problem if case in LARGER else roomy_problem)(*case)
    answer = search(problem)
    assert answer.proved
    assert allowed(problem, answer.best)
    assert answer.score == Judged(solver, problem).best()
    if case in LARGER[:3]:
        found = milp.best(problem)
        assert found is not None
        assert answer.score == found[0]
