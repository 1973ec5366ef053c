"""An arrangement with a few things changed: cards in other slots, drives in other places. Judges nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.planner.problem import Arrangement

if TYPE_CHECKING:
    from collections.abc import Mapping

    from agent.planner.problem import Holder, PlacingProblem

Counts = dict[tuple[int, int], int]  # drives by class and holder


def counts_of(arrangement: Arrangement) -> Counts:
    """The drives of an arrangement."""
    return {(kind, number): count for kind, number, count in arrangement.drives}


def moved(counts: Counts, kind: int, here: int, there: int) -> Counts:
    """With one drive of a class moved from one holder to another."""
    return {**counts, (kind, here): counts[kind, here] - 1, (kind, there): counts.get((kind, there), 0) + 1}


def with_drives(problem: PlacingProblem, arrangement: Arrangement, counts: Counts) -> Arrangement:
    """The arrangement's cards with these drives; slots of drives are in use where they hold one."""
    cards = {number for number in arrangement.holders if problem.holders[number].card is not None}
    used = {number for (_, number), count in counts.items() if count}
    drives = tuple((kind, number, count) for (kind, number), count in sorted(counts.items()) if count)
    return settled(problem, Arrangement(tuple(sorted(cards | used)), drives))


def settled(problem: PlacingProblem, arrangement: Arrangement) -> Arrangement:
    """The arrangement with each part on the holder that goes with what is filled, where its slot has several."""
    filled = {problem.holders[number].slot for number in arrangement.holders}
    changes = {}
    for number in arrangement.holders:
        mine = problem.holders[number]
        if not _goes_with(filled, mine):
            same = (
                other
                for other, holder in enumerate(problem.holders)
                if (holder.card, holder.slot) == (mine.card, mine.slot) and _goes_with(filled, holder)
            )
            changes[number] = next(same, number)
    return with_holders(arrangement, changes) if changes else arrangement


def _goes_with(filled: set[int], holder: Holder) -> bool:
    return filled.isdisjoint(holder.covers) and filled.issuperset(holder.beside)


def with_holders(arrangement: Arrangement, changes: Mapping[int, int]) -> Arrangement:
    """The arrangement with holders changed for others, their drives with them."""
    return Arrangement(
        tuple(sorted(changes.get(number, number) for number in arrangement.holders)),
        tuple(sorted((kind, changes.get(number, number), count) for kind, number, count in arrangement.drives)),
    )
