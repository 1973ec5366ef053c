"""Every arrangement of a small placing problem, one by one, and the best of them: slow, and too plain to be wrong.

Uses the definition of the objective (`allowed`, `score`) and nothing of the planner's search.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

from msgspec.structs import replace

from agent.planner.problem import READ, Arrangement, PlacingProblem, Score, allowed, score

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


def every_allowed(problem: PlacingProblem) -> Iterator[Arrangement]:
    """Every allowed arrangement of a tiny problem: all sets of holders with all counts, each asked of `allowed`."""
    numbers = range(len(problem.holders))
    for used in product((False, True), repeat=len(numbers)):
        holders = tuple(number for number in numbers if used[number])
        pairs = [(kind, number) for kind in range(len(problem.classes)) for number in holders]
        for counts in product(*(range(problem.classes[kind].count + 1) for kind, _ in pairs)):
            drives = tuple((*pair, count) for pair, count in zip(pairs, counts, strict=True) if count)
            arrangement = Arrangement(holders, drives)
            if allowed(problem, arrangement):
                yield arrangement


def arrangements(problem: PlacingProblem) -> Iterator[Arrangement]:
    """The same without a look at what cannot be: slot by slot, then holder by holder and class by class."""
    for holders in holder_sets(problem):
        for drives in fillings(problem, holders):
            yield Arrangement(holders, drives)


def holder_sets(problem: PlacingProblem) -> Iterator[tuple[int, ...]]:
    """Every set of holders that can be used at once, sorted."""

    def rest(slot: int, chosen: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        if slot == len(problem.sizes):
            if all(_has_beside(problem, chosen, number) for number in chosen):
                yield tuple(sorted(chosen))
            return
        yield from rest(slot + 1, chosen)
        for number, holder in enumerate(problem.holders):
            if holder.slot == slot and _goes_with(problem, chosen, number):
                yield from rest(slot + 1, (*chosen, number))

    yield from rest(0, ())


def _goes_with(problem: PlacingProblem, chosen: Sequence[int], number: int) -> bool:
    """Whether a holder can be used beside those chosen: its card is free, and neither covers the other's slot."""
    holder = problem.holders[number]
    return all(
        (other.card is None or other.card != holder.card)
        and other.slot not in holder.covers
        and holder.slot not in other.covers
        for other in (problem.holders[one] for one in chosen)
    )


def _has_beside(problem: PlacingProblem, chosen: Sequence[int], number: int) -> bool:
    """Whether each slot that must hold something beside a holder does so."""
    return all(any(problem.holders[other].slot == slot for other in chosen) for slot in problem.holders[number].beside)


def fillings(problem: PlacingProblem, holders: Sequence[int]) -> Iterator[tuple[tuple[int, int, int], ...]]:
    """Every way to put drives on these holders, as (class, holder, count), sorted; none of a socket stays empty."""
    spots = [
        (kind, number)
        for number in holders
        for kind in range(len(problem.classes))
        if problem.holders[number].rates[kind][READ]
    ]
    left = [one.count for one in problem.classes]
    bays = {number: problem.holders[number].bays for number in holders}
    watts = {number: problem.holders[number].watts for number in holders}
    sockets = [number for number in holders if problem.holders[number].card is None]
    drives: list[tuple[int, int, int]] = []

    def rest(spot: int) -> Iterator[tuple[tuple[int, int, int], ...]]:
        if spot == len(spots):
            if all(bays[number] < problem.holders[number].bays for number in sockets):
                yield tuple(sorted(drives))
            return
        kind, number = spots[spot]
        yield from rest(spot + 1)
        budget = watts[number]
        each = problem.classes[kind].watts
        for count in range(1, min(left[kind], bays[number]) + 1):
            if budget is not None and each * count > budget:
                break
            left[kind] -= count
            bays[number] -= count
            watts[number] = None if budget is None else budget - each * count
            drives.append((kind, number, count))
            yield from rest(spot + 1)
            drives.pop()
            left[kind] += count
            bays[number] += count
            watts[number] = budget

    yield from rest(0)


def best_of_each(problem: PlacingProblem, most_moves: int | None = None) -> dict[tuple[int, ...], Score]:
    """The best score that each set of holders can have with at most so many moves; sets that cannot are left out.

    As what is placed counts first, fillings with fewer drives than others of the same set are not scored.
    """
    best: dict[tuple[int, ...], Score] = {}
    for holders in holder_sets(problem):
        ways = sorted(
            ((sum(count for *_, count in drives), drives) for drives in fillings(problem, holders)), reverse=True
        )
        reached = -1
        for placed, drives in ways:
            if placed < reached:
                break
            worth = score(problem, Arrangement(holders, drives))
            if most_moves is None or -worth.moves <= most_moves:
                reached = placed
                best[holders] = max(worth, best.get(holders, worth))
    return best


def fewest_moves(problem: PlacingProblem) -> int:
    """The least number of moves that any allowed arrangement takes."""
    return min(-score(problem, one).moves for one in arrangements(problem))


# --- Cards that are alike --------------------------------------------------------------------------------------


def look(problem: PlacingProblem, holders: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """What a set of holders looks like where alike cards are not told apart.

    For each holder all those in its slot that have the same card or one that is alike.
    """
    return tuple(sorted(_twins(problem, number) for number in holders))


def _twins(problem: PlacingProblem, number: int) -> tuple[int, ...]:
    mine = problem.holders[number]
    return tuple(
        other
        for other, one in enumerate(problem.holders)
        if one.slot == mine.slot
        and (
            other == number or (one.card is not None and mine.card is not None and _alike(problem, one.card, mine.card))
        )
    )


def _alike(problem: PlacingProblem, one: int, other: int) -> bool:
    """Whether a problem stays the same, today's places aside, when two cards change their numbers."""
    return _renamed(problem, {}) == _renamed(problem, {one: other, other: one})


def _renamed(problem: PlacingProblem, names: dict[int, int]) -> tuple[object, ...]:
    """A problem with other card numbers, in a form that does not depend on the order of holders."""
    cards = range(len(problem.must))
    holders = [
        replace(holder, card=None if holder.card is None else names.get(holder.card, holder.card))
        for holder in problem.holders
    ]
    needs = [
        {(names.get(card, card), frozenset(holders[number] for number in numbers)) for card, numbers in need.cards}
        for need in problem.needs
    ]
    return {names.get(card, card): problem.must[card] for card in cards}, set(holders), needs
