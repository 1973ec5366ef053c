"""Limits of drives that were read elsewhere: as root once, in a capture, an earlier soak, or written in a build sheet.

An ordinary user on Linux cannot read a drive's warning temperature. Drives of one model with one firmware have the same
limits (common practice); where two sources differ over them none is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from probes.samples import CRITICAL_LIMIT, WARNING_LIMIT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.sheets.sheet import Sheet
    from probes.facts import Facts
    from probes.samples import DriveHead, Head, Soak
    from probes.unread import Unread


class KnownLimit(Struct, frozen=True):
    """The limits of one kind of drive, degrees Celsius, and where they were read, in words.

    `firmware` is None where the source does not say for which it holds.
    """

    model: str
    firmware: str | None
    warning: float | None
    critical: float | None
    source: str


def of_facts(facts: Facts, source: str) -> list[KnownLimit]:
    """Those of a machine's drives."""
    return [
        KnownLimit(
            drive.model, _text(drive.firmware), _number(drive.warning_celsius), _number(drive.critical_celsius), source
        )
        for drive in facts.drives
        if isinstance(drive.model, str)
    ]


def of_head(head: Head, source: str) -> list[KnownLimit]:
    """Those that an earlier soak has read itself."""
    return [
        KnownLimit(
            drive.model,
            drive.firmware,
            None if WARNING_LIMIT in drive.limits_from else drive.warning_celsius,
            None if CRITICAL_LIMIT in drive.limits_from else drive.critical_celsius,
            source,
        )
        for drive in head.drives
        if drive.model is not None
    ]


def of_sheet(sheet: Sheet, source: str) -> list[KnownLimit]:
    """Those that a build sheet gives."""
    return [
        KnownLimit(drive.model, drive.firmware, drive.warning_celsius, drive.critical_celsius, source)
        for drive in sheet.drives
        if drive.model is not None
    ]


def completed(head: Head, known: Sequence[KnownLimit]) -> Head:
    """The head with the limits that its drives do not have and the same kind of drive has elsewhere."""
    return replace(head, drives=tuple(_completed(drive, known) for drive in head.drives)) if known else head


def with_limits(soak: Soak, known: Sequence[KnownLimit]) -> Soak:
    """The same for a log that was read."""
    head = completed(soak.head, known)
    tracks = (replace(track, head=drive) for track, drive in zip(soak.tracks, head.drives, strict=True))
    return replace(soak, head=head, tracks=tuple(tracks))


def _completed(drive: DriveHead, known: Sequence[KnownLimit]) -> DriveHead:
    alike = [limit for limit in known if limit.model == drive.model and limit.firmware in {None, drive.firmware}]
    found = dict(drive.limits_from)
    values = {WARNING_LIMIT: drive.warning_celsius, CRITICAL_LIMIT: drive.critical_celsius}
    told = {
        WARNING_LIMIT: [(limit.warning, limit.source) for limit in alike],
        CRITICAL_LIMIT: [(limit.critical, limit.source) for limit in alike],
    }
    for word, pairs in told.items():
        celsius = _agreed(value for value, _ in pairs)
        if values[word] is None and celsius is not None:
            values[word] = celsius
            found[word] = next(source for value, source in pairs if value is not None)
    return replace(
        drive, warning_celsius=values[WARNING_LIMIT], critical_celsius=values[CRITICAL_LIMIT], limits_from=found
    )


def _agreed(values: Iterable[float | None]) -> float | None:
    """The value that all who know one agree on."""
    known = {value for value in values if value is not None}
    return known.pop() if len(known) == 1 else None


def _text(value: str | Unread | None) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: float | Unread | None) -> float | None:
    return value if isinstance(value, float) and value > 0 else None
