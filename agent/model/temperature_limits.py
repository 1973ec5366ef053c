"""The sensors of each drive, and the limits that hold for a temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.grouping import grouped
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.facts import Drive, Sensor


def by_drive(sensors: Iterable[Sensor]) -> dict[str, list[Sensor]]:
    """The sensors of each drive, by its name."""
    return grouped((sensor.drive, sensor) for sensor in sensors if isinstance(sensor.drive, str))


def limits(drive: Drive, sensor: Sensor | None) -> tuple[float | None, float | None]:
    """Warning and critical limit, degrees Celsius; the drive's own limits are of its composite temperature alone.

    Without a sensor they are the drive's own: it is the composite temperature that its log gives.
    """
    own: tuple[float | None, float | None] = (None, None)
    if sensor is None or sensor.label.lower() in {"composite", "temp1"}:
        own = _plausible(drive.warning_celsius), _plausible(drive.critical_celsius)
    if sensor is None:
        return own
    return _plausible(sensor.warning_celsius) or own[0], _plausible(sensor.critical_celsius) or own[1]


def _plausible(limit: float | Unread | None) -> float | None:
    """A limit that a drive can mean: one at or below freezing is none."""
    return limit if limit is not None and not isinstance(limit, Unread) and limit > 0 else None
