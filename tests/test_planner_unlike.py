"""The search where a carrier can be filled in countless ways: unlike drives, big backplanes, drives that are alike.

Outside sources: the plain enumeration of `tests/brute.py`, and SciPy's HiGHS mixed-integer solver (`tests/milp.py`).
"""

from __future__ import annotations

from itertools import product
from random import Random
from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.model.expected import Need
from agent.planner import fills
from agent.planner.alike import Alike
from agent.planner.packing import NEAR, Packing, Room
from agent.planner.plan import plan
from agent.planner.problem import DriveClass, Holder, NeedOf, PlacingProblem, allowed, score
from agent.planner.search import search
from tests import brute, milp
from tests.placing import random_arrangement, random_problem
from tests.placing_odd import odd_problem
from tests.placing_unlike import backplane_problem, unlike
from tests.small_sheets import drive, patience, sheet, slot, switch

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.planner.problem import Score

UNIT: Final = 1 << 30  # prices are multiples of a fraction of it

# --- One holder ------------------------------------------------------------------------------------------------


class Filling:
    """A small holder with prices, all random, and what is worth most in it by plain enumeration."""

    def __init__(self, seed: int) -> None:
        """Draw everything."""
        random = Random(seed)  # noqa: S311 - repeatable
        kinds = range(random.randint(1, 5))
        alike = random.random() < 0.4
        self.limits = Room(
            bays=random.randint(1, 5),
            most=tuple(random.randint(0, 3) for _ in kinds),
            groups=tuple(
                (frozenset(random.sample(kinds, random.randint(1, len(kinds)))), random.randint(0, 4))
                for _ in range(random.choice([0, 0, 1, 2]))
            ),
            budget=random.choice([None, random.randint(0, 9)]),
            watts=tuple(2 if alike else random.randint(0, 4) for _ in kinds),
        )
        self.rates = [random.randint(1, 9) * 10 for _ in kinds]
        self.link = random.choice([None, random.randint(1, 12) * 10])
        self.today = [random.choice([0, 0, 1, 2]) for _ in kinds]
        self.drives = [
            random.choice([random.randint(-60 * UNIT, 60 * UNIT), random.randint(-6, 6) * 10 * UNIT]) for _ in kinds
        ]
        self.carry = random.choice([0, random.randint(0, 2 * UNIT)])
        self.stay = random.choice([0, random.randint(0, 20 * UNIT)])
        self.ranges = {
            kind: (low, low + random.randint(0, 2))
            for kind in kinds
            if random.random() < 0.2
            for low in (random.randint(0, 3),)
        }

    def worth(self, counts: Sequence[int]) -> int:
        """What some drives are worth."""
        read = sum(count * rate for count, rate in zip(counts, self.rates, strict=True))
        carried = read if self.link is None else min(read, self.link)
        own = sum(count * each for count, each in zip(counts, self.drives, strict=True))
        return own + self.carry * carried + self.stay * sum(map(min, counts, self.today))

    def all(self) -> Iterator[tuple[int, ...]]:
        """All counts of drives by class that the holder takes."""
        limits = self.limits
        for counts in product(*(range(most + 1) for most in limits.most)):
            watts = sum(count * each for count, each in zip(counts, limits.watts, strict=True))
            if (
                sum(counts) <= limits.bays
                and (limits.budget is None or watts <= limits.budget)
                and all(sum(counts[kind] for kind in group) <= most for group, most in limits.groups)
                and all(low <= counts[kind] <= high for kind, (low, high) in self.ranges.items())
            ):
                yield counts


def test_the_best_drives_of_a_holder_are_those_of_an_enumeration() -> None:
    """The bound is no less than the best of all fillings, and a sure answer is worth as much, but for a trifle."""
    held, empty = 0, 0
    for seed in range(3000):
        case = Filling(seed)
        packing = Packing(case.limits, case.rates, case.link, case.today)
        ways = list(case.all())
        for sure in (True, False):
            found = packing.best(case.drives, case.carry, case.stay, case.ranges, sure=sure)
            if found is None:
                assert not ways, seed
                empty += 1
                continue
            bound, counts = found
            assert counts in ways, seed
            assert max(map(case.worth, ways)) <= bound, seed
            assert not sure or bound <= case.worth(counts) + NEAR, seed
            held += sure
    assert held > 2000
    assert empty > 100


# --- Drives that are alike -------------------------------------------------------------------------------------


def unlike_problems(number: int) -> Iterator[tuple[str, PlacingProblem]]:
    """Small problems of both sorts with every drive a class of its own, some of them alike after all."""
    for seed in range(number):
        yield f"unlike random {seed}", unlike(seed, random_problem(seed, 3, 3, 4))
        yield f"unlike odd {seed}", unlike(seed, odd_problem(seed, 3, 3, 4))


def test_drives_told_apart_again_are_worth_the_same() -> None:
    """Whatever is placed of drives that are alike is allowed and worth the same, moves too, with their own names."""
    merged = 0
    for words, problem in unlike_problems(150):
        alike = Alike(problem)
        merged += alike.problem is not problem
        for zeal in (1.0, 0.6):
            placed = random_arrangement(Random(words), alike.problem, zeal)  # noqa: S311 - repeatable
            apart = alike.apart(placed)
            assert allowed(problem, apart), words
            assert score(alike.problem, placed) == score(problem, apart), words
    assert merged > 50


def test_drives_that_differ_where_a_need_asks_are_not_alike() -> None:
    """Two drives that read the same behind a slow link are alike, unless a need asks for more writing than one does."""
    rates = ((30, 9), (30, 15))
    classes = (DriveClass(1, 0, {}), DriveClass(1, 0, {}))
    bare = PlacingProblem((1,), (None,), (), (Holder(0, 0, 2, (40, 40), None, rates),), (False,), (None,), classes, ())
    for each, expected in (((0, 0), 1), ((30, 5), 1), ((0, 10), 2)):
        problem = replace(bare, needs=(NeedOf((0, 1), each),))
        assert expected == len(Alike(problem).problem.classes), each


# --- The search ------------------------------------------------------------------------------------------------


@pytest.fixture
def packed(monkeypatch: pytest.MonkeyPatch) -> None:
    """No fillings are listed but those of sockets."""
    monkeypatch.setattr(fills, "MOST_LISTED", 0)


def agrees(words: str, problem: PlacingProblem) -> None:
    """Assert that the search proves the best that plain enumeration finds, and the two next best."""
    answer = search(problem, also=2)
    assert allowed(problem, answer.best), words
    assert answer.proved, words
    scores = brute.best_of_each(problem)
    assert max(scores.values()) == answer.score == score(problem, answer.best), words
    looks: dict[tuple[tuple[int, ...], ...], Score] = {}
    for holders, worth in scores.items():
        look = brute.look(problem, holders)
        looks[look] = max(worth, looks.get(look, worth))
    assert answer.others_proved, words
    expected = sorted(looks.values(), reverse=True)[1:3]
    assert expected == [score(problem, other) for other in answer.others], words


@pytest.mark.usefixtures("packed")
def test_the_search_proves_the_best_without_a_list_of_fillings() -> None:
    """With unlike drives and without any list the search is as good as plain enumeration."""
    for words, problem in unlike_problems(12):
        agrees(words, problem)


@pytest.mark.long
@pytest.mark.usefixtures("packed")
def test_the_search_proves_the_best_of_many_problems_without_a_list() -> None:
    """The same for more problems, those with several drives of a class too."""
    for words, problem in unlike_problems(60):
        agrees(words, problem)
    for seed in range(60):
        agrees(f"odd {seed}", odd_problem(seed, 3, 4, 6))
        agrees(f"random {seed}", random_problem(seed, 3, 4, 5))


@pytest.mark.long
@pytest.mark.parametrize("seed", range(6))
def test_unlike_drives_agree_with_the_mixed_integer_program(seed: int) -> None:
    """With every drive a class of its own SciPy's HiGHS solver finds the same best score."""
    problem = unlike(seed, random_problem(seed, 6, 6, 10))
    holds_outside(problem)


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, 2, 4])
def test_backplanes_agree_with_the_mixed_integer_program(seed: int) -> None:
    """With dozens of drives in carriers of 24 bays SciPy's HiGHS solver finds the same best score."""
    holds_outside(backplane_problem(seed, 60, 3 + seed))


def holds_outside(problem: PlacingProblem) -> None:
    """Assert that the mixed-integer program has the score that the search proves."""
    answer, found = search(problem), milp.best(problem)
    assert answer.proved
    assert found is not None
    assert found[0] == answer.score == score(problem, answer.best)


# --- Sheets ----------------------------------------------------------------------------------------------------


def test_sixteen_drives_that_differ_a_little_all_have_a_place() -> None:
    """Sixteen drives whose read rates differ by 10 MB/s each, in carriers of 16 and 8 bays: all fit, proved."""
    slots = [slot("SLOT1", 16, 4), slot("SLOT2", 16, 4)]
    cards = [switch("big", 16, 16, 4), switch("small", 8, 16, 4)]
    unequal = tuple(drive(f"drive-{number}", 4, read_mbps=6000 + 10 * number, power_watts=2.0) for number in range(16))
    found = plan(sheet(slots, cards, unequal), patience(), others=0)
    assert found.proved
    assert not [one for one in found.unplaced if one.name.startswith("drive")]


def test_a_need_is_met_firmly_on_big_backplanes() -> None:
    """Sixty drives of five kinds in three carriers of 24 bays: a need that can be met firmly is said to be met."""
    slots = [slot(f"SLOT{number}", 16, 4, power_watts=300.0) for number in (1, 2, 3)]
    cards = [switch(f"backplane-{number}", 24, 16, 4, cable_watts=300.0) for number in (1, 2, 3)]
    fitted = tuple(
        drive(f"drive-{kind}-{number}", 4, read_mbps=3000.0 + 700 * kind, power_watts=5.0 + kind)
        for kind in range(5)
        for number in range(12)
    )
    fast = tuple(one.name for one in fitted if one.name.startswith("drive-4"))
    need = Need(name="fast", drives=fast, read_mbps=3000)
    found = plan(sheet(slots, cards, fitted, needs=(need,)), patience(), others=0)
    assert found.proved
    assert [("fast", "met")] == [(one.name, one.answer) for one in found.needs]
    assert not found.unplaced
