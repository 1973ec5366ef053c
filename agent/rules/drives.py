"""Rules about drives: their temperature against their own limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.findings import Evidence, Severity
from agent.rules.rule import Found, Seen, rule
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from probes.facts import Drive, Sensor


@rule("drive-hot", Severity.FAULT, fires_on=("bench-2-hot-drive",), quiet_on=("bench-1-upgraded",))
def drive_hot(seen: Seen) -> Iterator[Found | Unread]:
    """A drive is near or above a temperature limit of its own.

    At its warning limit a drive slows itself down; at its critical limit it may stop.
    """
    facts = seen.machine.facts
    sensors = by_drive(facts.sensors)
    for drive in facts.drives:
        for sensor in sensors.get(drive.name, ()):
            yield from _against_limits(drive, sensor)


def by_drive(sensors: Iterable[Sensor]) -> dict[str, list[Sensor]]:
    """The sensors of each drive, by its name."""
    found: dict[str, list[Sensor]] = {}
    for sensor in sensors:
        if sensor.drive is not None:
            found.setdefault(sensor.drive, []).append(sensor)
    return found


def limits(drive: Drive, sensor: Sensor) -> tuple[float | None, float | None]:
    """Warning and critical limit, degrees Celsius; the drive's own limits are of its composite temperature alone."""
    composite = sensor.label.lower() in {"composite", "temp1"}
    warning, critical = sensor.warning_celsius, sensor.critical_celsius
    if composite and warning is None and isinstance(drive.warning_celsius, float):
        warning = drive.warning_celsius
    if composite and critical is None and isinstance(drive.critical_celsius, float):
        critical = drive.critical_celsius
    return warning, critical


def _against_limits(drive: Drive, sensor: Sensor) -> Iterator[Found | Unread]:
    warning, critical = limits(drive, sensor)
    now = sensor.celsius
    if isinstance(now, Unread):
        yield Unread(f"temperature of {drive.name} ({sensor.label})", now.why, now.needs_root)
        return
    source = f"{drive.name} temperature ({sensor.label})"
    for name, limit, margin in (
        ("critical", critical, NEAR_CRITICAL_CELSIUS),
        ("warning", warning, NEAR_LIMIT_CELSIUS),
    ):
        if limit is None:
            continue
        if now >= limit:
            evidence = (Evidence(source, f"{now:.1f} C", f"below its {name} limit of {limit:.1f} C"),)
            headline = f"is at {now:.1f} C, at or above its {name} limit of {limit:.1f} C"
            yield Found(drive.name, headline, evidence)
            return
        if now >= limit - margin and (name == "warning" or warning is None):
            evidence = (Evidence(source, f"{now:.1f} C", f"{margin:.0f} C or more below its {name} limit"),)
            headline = f"is at {now:.1f} C, {limit - now:.1f} C below its {name} limit"
            yield Found(drive.name, headline, evidence, severity=Severity.NOTE)
            return
