"""Which needs come with which: one that is met firmly is met at best as well. Only sorting, for the search.

Of needs that come with each other (the same twice) one stands for all of them, with their number as its weight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Sequence

    from agent.planner.problem import NeedOf, PlacingProblem


class Needs:
    """The needs of a problem that stand for all: `order` has none before those that come with it.

    `weights` is how many needs each stands for, `below` the others that come with it.
    """

    def __init__(self, problem: PlacingProblem) -> None:
        """Sort them."""
        self._problem = problem
        self._least = self._lesser_rates()
        numbers = range(len(problem.needs))
        brings = {
            number: {other for other in numbers if self._brings(problem.needs[number], problem.needs[other])}
            for number in numbers
        }
        stands = {number: min(other for other in brings[number] if number in brings[other]) for number in numbers}
        self.weights = {stand: list(stands.values()).count(stand) for stand in stands.values()}
        self.below = {weight: {stands[other] for other in brings[weight]} - {weight} for weight in self.weights}
        self.order = sorted(self.weights, key=lambda weight: (len(self.below[weight]), weight))

    def _lesser_rates(self) -> set[tuple[int, int]]:
        """Pairs of places in rates where the first is never more than the second."""
        problem = self._problem
        rows = [rates for holder in problem.holders for rates in holder.rates]
        rows += [holder.link for holder in problem.holders if holder.link is not None]
        rows += [rates for rates, _ in problem.uplinks]
        places = range(max((len(row) for row in rows), default=0))
        return {(place, other) for place in places for other in places if all(row[place] <= row[other] for row in rows)}

    def _brings(self, need_of: NeedOf, other: NeedOf) -> bool:
        """Whether whatever meets one need meets the other too."""
        if (
            not set(other.classes) <= set(need_of.classes)
            or other.no_split > need_of.no_split
            or other.no_switch > need_of.no_switch
        ):
            return False
        rates = all(
            any(
                (at == place or (at, place) in self._least) and faster >= each for at, faster in enumerate(need_of.each)
            )
            for place, each in enumerate(other.each)
            if each
        )
        cards = all(any(mine == card and on <= there for mine, on in need_of.cards) for card, there in other.cards)
        return rates and cards

    def sets(
        self, numbers: Sequence[int], worth: int, apart: Collection[tuple[int, int]], running: Callable[[], bool]
    ) -> Iterator[tuple[int, ...]]:
        """The sets of some needs, all that comes with them included, that have a worth and no pair that is apart.

        Given are only the needs that bring all others of their set; not all sets where time is up.
        """
        left = [sum(self.weights[number] for number in numbers[place:]) for place in range(len(numbers) + 1)]

        def rest(place: int, chosen: tuple[int, ...], missing: int) -> Iterator[tuple[int, ...]]:
            if not missing:
                brought = {below for one in chosen for below in self.below[one]}
                yield tuple(sorted(one for one in chosen if one not in brought))
            elif left[place] >= missing and running():
                one = numbers[place]
                fits = self.weights[one] <= missing and self.below[one] <= set(chosen)
                if fits and not any((one, other) in apart for other in chosen):
                    yield from rest(place + 1, (*chosen, one), missing - self.weights[one])
                yield from rest(place + 1, chosen, missing)

        return rest(0, (), worth)
