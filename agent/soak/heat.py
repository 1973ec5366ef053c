"""Whether a drive was seen to keep itself cool, by its speed and its temperatures alone: the surest of all signs."""

from __future__ import annotations

from array import array
from math import nan
from typing import TYPE_CHECKING, Final

from msgspec import structs

from agent.soak.analysed import Limit
from agent.soak.held import held
from agent.soak.loop import dips, loop
from agent.soak.series import COLDEST, HOTTEST
from agent.soak.speed import levels, speeds, steps, weight_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Loop
    from agent.soak.series import Blocks, Series
    from probes.samples import Track

TIGHTER: Final = 0.6  # of the scatter at its first sensor: then its hottest one decides
BELOW_KELVIN: Final = 3.0  # so far below the limit that it tells, one that was observed is the one to hold it against


def heat(of: Series, cells: Blocks, track: Track, links: Sequence[tuple[float, float]]) -> Loop | None:
    """How a drive keeps itself cool, as sure as can be told; None where nothing hints at it.

    `links` are the times, from and to, at which its link got worse or counted errors.
    """
    weight = weight_of(of)
    speed = speeds(of, weight or 1.0)
    seen = levels(of, speed)
    stepped = list(steps(of, seen, weighed=weight is not None))
    found = []
    for celsius, hottest in _sensors(of, track):
        candidate = loop(of, celsius, seen, dips(of, celsius, seen, stepped, links))
        if candidate is not None:
            found.append(structs.replace(candidate, hottest=hottest))
    holds = held(of, cells, speed, weight or 1.0) if not links else None
    return _surest([*found, *([holds] if holds is not None else [])])


def _sensors(of: Series, track: Track) -> Iterator[tuple[Sequence[float], bool]]:
    """The temperatures of its first sensor, then those of its hottest one where that is another."""
    yield of.celsius, False
    if len(track.head.sensors) > 1 and len(track.hottest) == len(of.seconds) and track.hottest != track.celsius:
        yield array("d", [value if COLDEST < value < HOTTEST else nan for value in track.hottest]), True


def _surest(found: Sequence[Loop]) -> Loop | None:
    """The loop by which to judge: a sure one, by its first sensor unless the hottest one is much more alike."""
    ordered = sorted(found, key=_doubt)
    best = [candidate for candidate in ordered if _doubt(candidate) == _doubt(ordered[0])]
    tighter = [
        candidate
        for candidate in found
        if candidate.hottest and _doubt(candidate) <= _doubt(best[0]) and candidate.scatter < TIGHTER * best[0].scatter
    ]
    return next(iter((*tighter, *best)), None)


def _doubt(candidate: Loop) -> tuple[bool, bool, bool, int]:
    """How far from sure: one that comes back is surer than one that is held."""
    return not candidate.sure, not candidate.open, candidate.held, len(candidate.against)


def observed(told: Limit | None, found: Loop | None) -> Limit | None:
    """The limit to hold a drive against: the one at which it was seen to slow itself, where that is well below its own.

    A temperature of its hottest sensor is none that its first one could be held against.
    """
    if found is None or not found.sure or found.hottest:
        return told
    if told is not None and found.onset > told.celsius - BELOW_KELVIN:
        return told
    return Limit(found.onset, "observed")
