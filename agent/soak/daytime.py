"""The time of day at a moment of a soak, as the log has it: what a person compares with other records of that day."""

from __future__ import annotations

from bisect import bisect_right
from datetime import UTC, datetime
from math import isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from probes.samples import Soak


class Daytime:
    """Tells the time of day of moments of one soak; None where its log does not."""

    def __init__(self, soak: Soak) -> None:
        """Takes what the log has of each sample."""
        self._moments = soak.moments
        self._walls = soak.walls
        self._last: tuple[float, str | None] | None = None

    def at(self, seconds: float) -> str | None:
        """UTC in milliseconds (ISO 8601, RFC 3339): that of the latest sample by then, and the time since."""
        if self._last is None or self._last[0] != seconds:
            unix = self._unix(seconds)
            self._last = (seconds, None if unix is None else text(unix))
        return self._last[1]

    def _unix(self, seconds: float) -> float | None:
        if not self._moments or not self._walls:
            return None
        place = max(0, bisect_right(self._moments, seconds) - 1)
        unix = self._walls[place] + seconds - self._moments[place]
        return None if isnan(unix) else unix


def text(unix: float) -> str | None:
    """Seconds since 1970 as a date and time of UTC in milliseconds; None for one that no calendar has."""
    try:
        told = datetime.fromtimestamp(unix, UTC)
    except (ValueError, OverflowError, OSError):
        return None
    return told.isoformat(timespec="milliseconds").replace("+00:00", "Z")
