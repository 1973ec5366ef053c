"""What a soak is drawn of, for picture and page: its drives, points of lines, times of bars, places. Draws nothing."""

from __future__ import annotations

from math import isfinite, nan
from typing import TYPE_CHECKING, Final, TypeVar

from msgspec import Struct

from agent.soak import wording
from agent.soak.series import limits_of
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Analysis, DriveAnalysis, Limit
    from probes.samples import Soak, Track

    Points = tuple[list[float], list[float]]

MOST_EVENTS: Final = 9
MOST_POINTS: Final = 1500  # across the picture; more could not be told apart
MOST_FALLS: Final = 500  # that are drawn one by one
LEAST_RATE: Final = 0.1  # MB/s; a line that never rises above it is not drawn


class DriveDrawn(Struct, frozen=True):
    """A drive that is drawn; `number` counts from 1, `curve` are its temperatures."""

    number: int
    name: str
    track: Track
    drive: DriveAnalysis
    curve: Points

    def limits(self) -> list[Limit]:
        """The limits that it tells, and the one it was held against."""
        known, held = limits_of(self.drive.head), self.drive.limit
        return [*known, *([held] if held is not None and held not in known else [])]

    def rates(self) -> Iterator[Points]:
        """What it read, then what it wrote."""
        for values in (self.track.read_mbps, self.track.write_mbps):
            yield thinned(self.track.seconds, values, most=False)


Drawn = TypeVar("Drawn", bound=DriveDrawn)


def drives_drawn(soak: Soak, found: Analysis, most: int) -> list[DriveDrawn]:
    """The drives that are drawn; of more than `most` those that came nearest to their limits."""
    pairs = list(zip(soak.tracks, found.drives, strict=True))
    places = sorted(range(len(pairs)), key=lambda place: _margin(pairs[place][1]))[:most]
    return [
        DriveDrawn(
            number,
            plain(pairs[place][1].head.name, 16),
            *pairs[place],
            thinned(pairs[place][0].seconds, pairs[place][0].celsius, most=True),
        )
        for number, place in enumerate(sorted(places), 1)
    ]


def _margin(drive: DriveAnalysis) -> float:
    if drive.temperatures is None:
        return 1e9
    return (1e6 if drive.limit is None else drive.limit.celsius) - drive.temperatures.most


def shared_limits(drives: Sequence[Drawn]) -> dict[tuple[float, str], list[Drawn]]:
    """The limits, degrees Celsius and kind, lowest first, each with the drives that share it."""
    shared: dict[tuple[float, str], list[Drawn]] = {}
    for drive in drives:
        for limit in drive.limits():
            shared.setdefault((limit.celsius, limit.kind), []).append(drive)
    return dict(sorted(shared.items()))


def time_unit(seconds: float) -> tuple[float, str, str]:
    """The unit for a time axis so long, in seconds, with its sign and its name."""
    if seconds <= 5 * wording.MINUTE:
        return 1.0, "s", "seconds"
    return (wording.MINUTE, "min", "minutes") if seconds <= 5 * wording.HOUR else (wording.HOUR, "h", "hours")


def last_known(values: Sequence[float]) -> float | None:
    """The last value of a line that is known."""
    return next((value for value in reversed(values) if isfinite(value)), None)


def middle_loaded(values: Sequence[float]) -> float | None:
    """The middle of what a line shows under load."""
    known = [value for value in values if isfinite(value)]
    loaded = sorted(value for value in known if value >= max(known) / 10)
    return loaded[len(loaded) // 2] if loaded else None


def rises(values: Sequence[float]) -> bool:
    """Whether a line of rates is worth drawing."""
    return any(value >= LEAST_RATE for value in values)


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

    Where its rate did not fall in between it is the whole time between the two questions. Where it was seen to keep
    itself cool each fall is one.
    """
    if drive.loop is not None and drive.loop.sure and len(drive.loop.spans) <= MOST_FALLS:
        return [(span.start, span.end) for span in drive.loop.spans]
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
