"""Arrangements to begin the search with: what is fitted today, and what a simple hand makes of it. Proves nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.planner.fills import reach
from agent.planner.problem import READ, Arrangement, PlacingProblem, allowed
from agent.planner.refitted import counts_of, settled, with_drives

if TYPE_CHECKING:
    from collections.abc import Iterable


def today(problem: PlacingProblem) -> Arrangement:
    """What is fitted today, as far as it keeps to the limits."""
    drives = [
        (kind, number, min(count, holder.bays))
        for kind, drive_class in enumerate(problem.classes)
        for number, holder in enumerate(problem.holders)
        if (count := drive_class.today.get(holder.home, 0)) and holder.rates[kind][READ]
        if holder.card is None or problem.card_today[holder.card] == holder.slot
    ]
    cards = [
        number
        for number, holder in enumerate(problem.holders)
        if holder.card is not None and problem.card_today[holder.card] == holder.slot
    ]
    drives.sort(key=lambda drive: problem.holders[drive[1]].card is not None)  # slots that are filled take lanes
    return _with_drives(problem, _with_cards(problem, Arrangement((), ()), cards), drives)


def filled(problem: PlacingProblem, arrangement: Arrangement) -> Arrangement:
    """An arrangement and more of what is not placed: wanted cards, then carriers, then drives, the fast ones first."""
    numbers = range(len(problem.holders))
    cards = sorted(
        (number for number in numbers if problem.holders[number].card is not None),
        key=lambda number: (not _wanted(problem, number), -reach(problem.holders[number]), number),
    )
    arrangement = _with_cards(problem, arrangement, cards)
    drives = sorted(
        (-holder.rates[kind][READ], kind, number)
        for kind in range(len(problem.classes))
        for number, holder in enumerate(problem.holders)
        if holder.rates[kind][READ] and (holder.card is None or number in arrangement.holders)
    )
    return _with_drives(
        problem, arrangement, [(kind, number, problem.holders[number].bays) for _, kind, number in drives]
    )


def _wanted(problem: PlacingProblem, number: int) -> bool:
    card = problem.holders[number].card
    return card is not None and problem.must[card]


def _with_cards(problem: PlacingProblem, arrangement: Arrangement, numbers: Iterable[int]) -> Arrangement:
    for number in numbers:
        tried = settled(problem, Arrangement(tuple(sorted({*arrangement.holders, number})), arrangement.drives))
        if allowed(problem, tried):
            arrangement = tried
    return arrangement


def _with_drives(
    problem: PlacingProblem, arrangement: Arrangement, drives: Iterable[tuple[int, int, int]]
) -> Arrangement:
    """An arrangement with these drives too (class, holder, at most so many), as far as it is allowed."""
    for kind, number, most in drives:
        for _ in range(most):
            if problem.holders[number].card is not None and number not in arrangement.holders:
                break
            counts = counts_of(arrangement)
            tried = with_drives(problem, arrangement, {**counts, (kind, number): counts.get((kind, number), 0) + 1})
            if not allowed(problem, tried):
                break
            arrangement = tried
    return arrangement
