"""From one arrangement to better ones by small changes, until none helps: a good start saves the proof much work.

Proves nothing: what comes out is at least as good as what went in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.planner.problem import READ, Arrangement, allowed, score

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.planner.problem import Problem

Counts = dict[tuple[int, int], int]  # drives by class and holder


def climbed(problem: Problem, arrangement: Arrangement, running: Callable[[], bool]) -> Arrangement:
    """The arrangement after every change that made it better, the first one found each time."""
    best = score(problem, arrangement)
    line = _neighbours(problem, arrangement)
    while running():
        other = next(line, None)
        if other is None:
            return arrangement
        if allowed(problem, other) and (worth := score(problem, other)) > best:
            arrangement, best = other, worth
            line = _neighbours(problem, arrangement)
    return arrangement


def _neighbours(problem: Problem, arrangement: Arrangement) -> Iterator[Arrangement]:
    """Arrangements with one change: a card in another slot or in exchange, a drive in another place or in exchange."""
    yield from _cards_changed(problem, arrangement)
    yield from _drives_changed(problem, arrangement)


def _cards_changed(problem: Problem, arrangement: Arrangement) -> Iterator[Arrangement]:
    by_pair = {(holder.card, holder.slot): number for number, holder in enumerate(problem.holders)}
    in_slot = {problem.holders[number].slot: number for number in arrangement.holders}
    for here in arrangement.holders:
        mine = problem.holders[here]
        for there, holder in enumerate(problem.holders):
            if mine.card is None or holder.card != mine.card or there == here:
                continue
            changes: dict[int, int | None] = {here: there}
            other = in_slot.get(holder.slot)
            if other is not None:
                back = problem.holders[other].card
                changes[other] = None if back is None else by_pair.get((back, mine.slot))
                if changes[other] is None:
                    continue
            yield _changed(arrangement, changes)


def _changed(arrangement: Arrangement, changes: dict[int, int | None]) -> Arrangement:
    """With holders changed for others, their drives with them."""

    def now(number: int) -> int:
        other = changes.get(number)
        return number if other is None else other

    return Arrangement(
        tuple(sorted(now(number) for number in arrangement.holders)),
        tuple(sorted((kind, now(number), count) for kind, number, count in arrangement.drives)),
    )


def _drives_changed(problem: Problem, arrangement: Arrangement) -> Iterator[Arrangement]:
    counts: Counts = {(kind, number): count for kind, number, count in arrangement.drives}
    for kind, here in counts:
        for there, holder in enumerate(problem.holders):
            if there == here or not holder.rates[kind][READ]:
                continue
            if holder.card is not None and there not in arrangement.holders:
                continue
            yield _arranged(problem, arrangement, _moved(counts, (kind, here, there)))
            for other in [one for one, place in counts if place == there and one > kind]:
                if problem.holders[here].rates[other][READ]:
                    changed = _moved(_moved(counts, (kind, here, there)), (other, there, here))
                    yield _arranged(problem, arrangement, changed)


def _moved(counts: Counts, move: tuple[int, int, int]) -> Counts:
    """With one drive of a class moved from one holder to another."""
    kind, here, there = move
    return {**counts, (kind, here): counts[kind, here] - 1, (kind, there): counts.get((kind, there), 0) + 1}


def _arranged(problem: Problem, arrangement: Arrangement, counts: Counts) -> Arrangement:
    """With these drives; slots of drives are in use where they hold one."""
    cards = {number for number in arrangement.holders if problem.holders[number].card is not None}
    used = {number for (_, number), count in counts.items() if count}
    drives = tuple((kind, number, count) for (kind, number), count in sorted(counts.items()) if count)
    return Arrangement(tuple(sorted(cards | used)), drives)
