"""What became of a drive in a few words, the worst first: for the first line that people read. Decides no style."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity
from agent.soak import wording
from probes.samples import ERRORS, LINK, TEMPERATURE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.soak.analysed import DriveAnalysis

THROTTLED: Final = {
    "proved": (Severity.FAULT, "throttled"),
    "inferred": (Severity.FAULT, "throttled (inferred)"),
    "unclear": (Severity.LIMIT, "may have throttled"),
    "unknown": (Severity.UNKNOWN, "throttling not known"),
    "none": (Severity.OK, "no throttling"),
}
UNCOUNTED: Final = "no sign of throttling{} (its own counters not read)"


def headline(drive: DriveAnalysis, seconds: float) -> tuple[Severity, str]:
    """How bad it is, and why in words; `seconds` is how long the soak lasted."""
    away = stays_away(drive, seconds)
    found = [*_worse(drive, away=away), _throttled(drive, away=away)]
    worst = min((severity for severity, _ in found), key=ORDER.index)
    parts = [words for severity, words in found if severity is worst]
    last = found[-1][1]
    if last not in parts:
        parts.append(last)
    return worst, ", ".join(parts)


# What is said of readings that failed; all else of heat leaves open whether a drive throttled, which is said anyway.
UNREAD: Final = {TEMPERATURE: "temperature", LINK: "link", ERRORS: "link errors"}
ORDER: Final = (Severity.FAULT, Severity.LIMIT, Severity.UNKNOWN, Severity.NOTE, Severity.OK)


def stays_away(drive: DriveAnalysis, seconds: float) -> bool:
    """Whether nothing came from the drive any more before the soak ended."""
    return bool(drive.lost) and drive.lost[-1].end >= seconds - LAST_SECONDS


LAST_SECONDS: Final = 1.5  # between the last sample and the end


def _throttled(drive: DriveAnalysis, *, away: bool) -> tuple[Severity, str]:
    kind = drive.throttling.kind
    rested = drive.load is not None and drive.load.seconds == 0
    blind = any(missing.weighs and missing.what not in {LINK, ERRORS} for missing in drive.missing)
    if kind in {"none", "unknown"} and rested and not blind:
        return Severity.NOTE, "no load"
    severity, words = THROTTLED[kind]
    if drive.loop is not None and drive.loop.sure and kind in {"proved", "inferred"}:
        words = f"throttled at about {wording.celsius(drive.loop.onset)}{' (observed)' if kind == 'inferred' else ''}"
    until = " until then" if away and kind == "none" else ""
    return severity, f"{words}{until}" if drive.throttling.counted else UNCOUNTED.format(until)


def _worse(drive: DriveAnalysis, *, away: bool) -> Iterator[tuple[Severity, str]]:
    """What else went wrong or came close to it."""
    if drive.lost:
        yield Severity.FAULT, "dropped out" if away else "dropped out and came back"
    yield from _warmth(drive)
    if any(change.severity is Severity.FAULT for change in drive.link_changes):
        yield Severity.FAULT, "link fault"
    if any(burst.severity is Severity.FAULT for burst in drive.error_bursts):
        yield Severity.FAULT, "link errors"
    for missing in drive.missing:
        if missing.weighs and missing.what in UNREAD:
            yield Severity.UNKNOWN, f"{UNREAD[missing.what]} not read{'' if missing.whole else ' all the time'}"


def _warmth(drive: DriveAnalysis) -> Iterator[tuple[Severity, str]]:
    """How it stood to its limits."""
    seen = drive.temperatures
    if seen is None:
        return
    if seen.above_critical:
        yield Severity.FAULT, "above its critical limit"
    elif seen.above_warning:
        yield Severity.LIMIT, "above its warning limit"
    elif seen.near:
        yield Severity.LIMIT, "close to its limit"
