"""The best that is left when a part is forced to another place: what holding on to its place is worth.

Asks the search with fewer places; what it cannot settle in the effort that is left stays unsaid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from agent.planner.problem import Arrangement, PlacingProblem
from agent.planner.search import search

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from agent.planner.build import Built


class Effort:
    """Whether there is any time left, and how often that was asked: a measure of work that is alike on all machines."""

    def __init__(self, running: Callable[[], bool]) -> None:
        """Nothing is asked yet."""
        self._running = running
        self.looks = 0

    def __call__(self) -> bool:
        """Whether there is any time left."""
        self.looks += 1
        return self._running()

    def at_most(self, looks: int) -> Callable[[], bool]:
        """The same, but for so many looks from now on."""
        end = self.looks + looks
        return lambda: self.looks < end and self()


class Instead:
    """A problem, asked for the best that is left with some places closed."""

    def __init__(self, built: Built, running: Callable[[], bool]) -> None:
        """Nothing is searched yet."""
        self._built = built
        self.problem = built.problem
        self._running = running
        self._known: dict[frozenset[int], Arrangement | None] = {}

    def card(self, card: int, slots: Collection[int]) -> Arrangement | None:
        """The best with a card in none but these slots; None where that is not known. It may have no place at all."""
        gone = {
            number
            for number, holder in enumerate(self.problem.holders)
            if holder.card == card and holder.slot not in slots
        }
        return self._best(gone)

    def given(self, card: int, slot: int) -> Arrangement | None:
        """The best with a slot kept for a card, and all in its way gone from there; None where that is not known.

        A card that is wanted for its own sake is in that slot then, as it takes nothing from others any more.
        """
        holders = self.problem.holders
        mine = [set(holder.covers) for holder in holders if (holder.card, holder.slot) == (card, slot)]
        # What is to stay empty for its lanes alone is not in its way.
        hides = set.intersection(*mine) if mine else set()
        gone = {
            number
            for number, holder in enumerate(holders)
            if (holder.card == card) != (holder.slot == slot) or holder.slot in hides or slot in holder.covers
        }
        return self._best(gone)

    def _best(self, gone: Collection[int]) -> Arrangement | None:
        """The best without some holders: what was settled once is not searched for again."""
        places = frozenset(gone)
        if places not in self._known:
            if not self._running():
                return None
            self._known[places] = self._searched(places)
        return self._known[places]

    def _searched(self, gone: Collection[int]) -> Arrangement | None:
        fewer, numbers = closed(self.problem, gone)
        found = search(fewer, self._running)
        if not found.proved:
            return None
        return renumbered(found.best, numbers)


def closed(problem: PlacingProblem, gone: Collection[int]) -> tuple[PlacingProblem, Sequence[int]]:
    """A problem without some of its holders, and the number that each of those left had."""
    left = [number for number in range(len(problem.holders)) if number not in gone]
    places = {number: place for place, number in enumerate(left)}
    needs = tuple(
        replace(need, cards=tuple((card, frozenset(_kept(there, places))) for card, there in need.cards))
        for need in problem.needs
    )
    return replace(problem, holders=tuple(problem.holders[number] for number in left), needs=needs), left


def _kept(numbers: Iterable[int], places: Mapping[int, int]) -> list[int]:
    return [places[number] for number in numbers if number in places]


def renumbered(arrangement: Arrangement, numbers: Sequence[int]) -> Arrangement:
    """An arrangement with holders numbered as before."""
    return Arrangement(
        tuple(sorted(numbers[number] for number in arrangement.holders)),
        tuple(sorted((kind, numbers[number], count) for kind, number, count in arrangement.drives)),
    )
