"""Arrangements to begin the search with: what is fitted today, and what a simple hand makes of it. Proves nothing."""

from __future__ import annotations

from itertools import takewhile
from typing import TYPE_CHECKING

from agent.model.grouping import grouped
from agent.planner.fills import reach
from agent.planner.problem import READ, Arrangement, PlacingProblem, allowed
from agent.planner.refitted import counts_of, settled, with_drives

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


def today(problem: PlacingProblem) -> Arrangement:
    """What is fitted today, as far as it keeps to the limits."""
    here = grouped(
        (holder.home, number)
        for number, holder in enumerate(problem.holders)
        if holder.card is None or problem.card_today[holder.card] == holder.slot
    )
    drives = [
        (kind, number, min(count, problem.holders[number].bays))
        for kind, drive_class in enumerate(problem.classes)
        for home, count in sorted(drive_class.today.items())
        for number in here.get(home, ())
        if problem.holders[number].rates[kind][READ]
    ]
    cards = [
        number
        for number, holder in enumerate(problem.holders)
        if holder.card is not None and problem.card_today[holder.card] == holder.slot
    ]
    drives.sort(key=lambda drive: problem.holders[drive[1]].card is not None)  # slots that are filled take lanes
    bare = _with_cards(problem, Arrangement((), ()), cards)
    whole = with_drives(problem, bare, {(kind, number): count for kind, number, count in drives})
    return whole if allowed(problem, whole) else _with_drives(problem, bare, drives)


def filled(problem: PlacingProblem, arrangement: Arrangement, running: Callable[[], bool]) -> Arrangement:
    """An arrangement and more of what is not placed: wanted cards, then carriers, then drives, the fast ones first.

    As much of that as there is time for.
    """
    if not running():
        return arrangement
    numbers = range(len(problem.holders))
    cards = sorted(
        (number for number in numbers if problem.holders[number].card is not None),
        key=lambda number: (not _wanted(problem, number), -reach(problem.holders[number]), number),
    )
    arrangement = _with_cards(problem, arrangement, takewhile(lambda _: running(), cards))
    drives = sorted(
        (-holder.rates[kind][READ], kind, number)
        for kind in range(len(problem.classes))
        for number, holder in enumerate(problem.holders)
        if holder.rates[kind][READ] and (holder.card is None or number in arrangement.holders)
    )
    places = ((kind, number, problem.holders[number].bays) for _, kind, number in drives)
    return _with_drives(problem, arrangement, takewhile(lambda _: running(), places))


def _wanted(problem: PlacingProblem, number: int) -> bool:
    card = problem.holders[number].card
    return card is not None and problem.must[card]


def _with_cards(problem: PlacingProblem, arrangement: Arrangement, numbers: Iterable[int]) -> Arrangement:
    holders = [problem.holders[number] for number in arrangement.holders]
    slots, cards = {holder.slot for holder in holders}, {holder.card for holder in holders}
    for number in numbers:
        holder = problem.holders[number]
        if holder.slot in slots or holder.card in cards:
            continue
        tried = settled(problem, Arrangement(tuple(sorted((*arrangement.holders, number))), arrangement.drives))
        if allowed(problem, tried):
            arrangement = tried
            slots.add(holder.slot)
            cards.add(holder.card)
    return arrangement


def _with_drives(
    problem: PlacingProblem, arrangement: Arrangement, drives: Iterable[tuple[int, int, int]]
) -> Arrangement:
    """An arrangement with these drives too (class, holder, at most so many), as far as it is allowed."""
    counts = counts_of(arrangement)
    left = [drive_class.count for drive_class in problem.classes]
    free = {number: holder.bays for number, holder in enumerate(problem.holders)}
    for (kind, number), count in counts.items():
        left[kind] -= count
        free[number] -= count
    for kind, number, most in drives:
        if problem.holders[number].card is not None and number not in arrangement.holders:
            continue
        for count in range(min(most, left[kind], free[number]), 0, -1):
            more = {**counts, (kind, number): counts.get((kind, number), 0) + count}
            tried = with_drives(problem, arrangement, more)
            if allowed(problem, tried):
                arrangement, counts = tried, more
                left[kind] -= count
                free[number] -= count
                break
    return arrangement
