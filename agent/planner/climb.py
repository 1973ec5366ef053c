"""From one arrangement to better ones by small changes, until none helps: a good start saves the proof much work.

Proves nothing: what comes out is at least as good as what went in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.planner.problem import READ, allowed, score
from agent.planner.refitted import counts_of, moved, settled, with_drives, with_holders

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.planner.problem import Arrangement, PlacingProblem


def climbed(problem: PlacingProblem, arrangement: Arrangement, running: Callable[[], bool]) -> Arrangement:
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


def _neighbours(problem: PlacingProblem, arrangement: Arrangement) -> Iterator[Arrangement]:
    """Arrangements with one change: a card in another slot or in exchange, a drive in another place or in exchange."""
    yield from _cards_changed(problem, arrangement)
    yield from _drives_changed(problem, arrangement)


def _cards_changed(problem: PlacingProblem, arrangement: Arrangement) -> Iterator[Arrangement]:
    by_pair = {(holder.card, holder.slot): number for number, holder in enumerate(problem.holders)}
    in_slot = {problem.holders[number].slot: number for number in arrangement.holders}
    for here in arrangement.holders:
        mine = problem.holders[here]
        for there, holder in enumerate(problem.holders):
            if mine.card is None or holder.card != mine.card or holder.slot == mine.slot:
                continue
            changes = {here: there}
            other = in_slot.get(holder.slot)
            if other is not None:
                back = problem.holders[other].card
                exchanged = None if back is None else by_pair.get((back, mine.slot))
                if exchanged is None:
                    continue
                changes[other] = exchanged
            yield settled(problem, with_holders(arrangement, changes))


def _drives_changed(problem: PlacingProblem, arrangement: Arrangement) -> Iterator[Arrangement]:
    counts = counts_of(arrangement)
    for kind, here in counts:
        for there, holder in enumerate(problem.holders):
            if there == here or not holder.rates[kind][READ]:
                continue
            if holder.card is not None and there not in arrangement.holders:
                continue
            yield with_drives(problem, arrangement, moved(counts, kind, here, there))
            for other in [one for one, place in counts if place == there and one > kind]:
                if problem.holders[here].rates[other][READ]:
                    changed = moved(moved(counts, kind, here, there), other, there, here)
                    yield with_drives(problem, arrangement, changed)
