"""Where things stand in the picture of a soak: points of lines, times of bars, places of names. Draws nothing."""

from __future__ import annotations

from math import isfinite, nan
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import DriveAnalysis

MOST_POINTS: Final = 1500  # across the picture; more could not be told apart


def thinned(times: Sequence[float], values: Sequence[float], *, most: bool) -> tuple[list[float], list[float]]:
    """As many points as a picture can show: of each stretch the greatest value (`most`) or the mean, nan for none."""
    count = len(times)
    if count <= MOST_POINTS:
        return list(times), [value if isfinite(value) else nan for value in values]
    size = -(-count // MOST_POINTS)
    shown_times, shown = [], []
    for start in range(0, count, size):
        known = [value for value in values[start : start + size] if isfinite(value)]
        shown_times.append(times[start])
        shown.append(nan if not known else max(known) if most else sum(known) / len(known))
    return shown_times, shown


def slowed_times(drive: DriveAnalysis) -> list[tuple[float, float]]:
    """The times in which a drive throttled. A drive's counters are asked now and then: from its first fall in between.

    Where its rate did not fall in between it is the whole time between the two questions.
    """
    found = []
    for span in drive.throttling.spans:
        falls = [fall.start for fall in drive.falls if fall.meets(span)]
        found.append((max(span.start, min(falls)) if falls else span.start, span.end))
    return found


def apart(places: Sequence[float], gap: float) -> list[float]:
    """Places from 0 to 1 moved as little as need be so that `gap` lies between neighbours, order kept.

    Where they cannot all keep the gap they are spread evenly.
    """
    count = len(places)
    gap = min(gap, 1.0 / max(1, count - 1))
    order = sorted(range(count), key=lambda place: (places[place], place))
    moved = [min(1.0, max(0.0, places[place])) for place in order]
    for place in range(1, count):
        moved[place] = max(moved[place], moved[place - 1] + gap)
    if moved and moved[-1] > 1.0:
        moved[-1] = 1.0
        for place in range(count - 2, -1, -1):
            moved[place] = min(moved[place], moved[place + 1] - gap)
    found = [0.0] * count
    for place, value in zip(order, moved, strict=True):
        found[place] = value
    return found
