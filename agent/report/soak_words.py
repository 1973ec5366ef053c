"""What is known of one drive of a soak, in words: its temperature, limit and load, what happened, what is missing.

Shows nothing itself. All text of logs passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity
from agent.report.paper import STYLES
from agent.soak import wording
from knowledge.phrasing import mbps_fine, mbps_range, plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import DriveAnalysis, DriveTemperatures, ErrorBurst, Fall, LinkChange, LoadRates, TimeSpan

GOOD: Final = STYLES[Severity.OK]
FAIR: Final = STYLES[Severity.LIMIT]
BAD: Final = STYLES[Severity.FAULT]
UNSURE: Final = STYLES[Severity.UNKNOWN]
SENTENCE: Final = 600  # characters
HALF_STEP: Final = 0.5  # K, of a sensor
MOST_TIMES: Final = 8  # of one kind, for one drive
FALLS: Final = {
    "heat": "heat",
    "cache": "write cache filled",
    "link": "its link",
    "unclear": "unclear",
    "other": "other",
}


def temperatures(seen: DriveTemperatures, drive: DriveAnalysis) -> str:
    """Least, most and mean, and its hottest sensor."""
    least, most = wording.celsius(seen.least), wording.celsius(seen.most)
    words = f"{most} all the time"
    if least != most:
        words = f"{least} to {most} (first at {wording.moment(seen.most_at)}), mean {wording.celsius(seen.mean)}"
    if seen.hottest is not None and seen.hottest > seen.most and len(drive.head.sensors) > 1:
        words += f"; hottest of its {len(drive.head.sensors)} sensors {wording.celsius(seen.hottest)}"
    return words


def limit(drive: DriveAnalysis) -> tuple[str, str]:
    """The limits of a drive, the time spent above them, and how it looks."""
    from agent.soak.series import limits_of, near_of  # a list of logs has no use for it

    seen = drive.temperatures
    assert seen is not None
    if drive.limit is None:
        return "unknown", UNSURE
    held, margin = drive.limit, drive.limit.celsius - seen.most
    if abs(margin) < HALF_STEP:
        side = "reached"
    else:
        side = f"{wording.celsius(margin)} left" if margin > 0 else f"exceeded by {wording.celsius(-margin)}"
    times = [
        f"{wording.lasting(seconds)} {words}"
        for seconds, words in (
            (seen.above_warning, "at or above its warning temperature"),
            (seen.above_critical, "at or above its critical temperature"),
            (seen.near, f"within {near_of(held):.0f} C of it"),
        )
        if seconds
    ]
    style = BAD if seen.above_warning or seen.above_critical else FAIR if seen.near else GOOD
    kept = "; ".join(times) or f"never within {near_of(held):.0f} C of it"
    others = (
        f"; {known.kind} {wording.celsius(known.celsius)}" for known in limits_of(drive.head) if known.kind != held.kind
    )
    source = f", as {plain(held.source, SENTENCE)} has it" if held.source else ""
    return f"{wording.celsius(held.celsius)} ({held.kind}{source}{''.join(others)}), {side}; {kept}", style


def rates(drive: DriveAnalysis) -> Iterator[tuple[str, str]]:
    """What was read and written and how fast, and what should be reached, each with its label."""
    load = drive.load
    if load is None:
        return
    for found, label, size in ((load.read, "read", load.read_bytes), (load.write, "written", load.written_bytes)):
        if found is not None:
            yield label, f"{wording.amount(size)}{_in_time(found)}: {_rates(found)}"
    if load.busy is not None and load.seconds:
        yield "busy", f"{load.busy:.0%} of {wording.lasting(load.seconds)} under load"
    if drive.head.expected is not None and load.read is not None:
        yield "should reach", f"{mbps_range(drive.head.expected)} when read alone"


def _in_time(rates: LoadRates) -> str:
    return f" in {wording.lasting(rates.seconds)}" if rates.seconds else ""


def _rates(rates: LoadRates) -> str:
    """The median rate and the spread."""
    half = f"middle half {rates.low_quarter:,.0f} to {mbps_fine(rates.high_quarter)}"
    return f"median {mbps_fine(rates.median)}, {half}, highest {mbps_fine(rates.most)}"


_MOMENT: Final = 0.5  # seconds; what is shorter is told as a moment


def _span(start: float, end: float | None) -> str:
    first = f"at {wording.moment(start)}"
    return first if end is None or end - start < _MOMENT else f"{first} for {wording.lasting(end - start)}"


def fall_words(fall: Fall) -> str:
    """When the rate fell, why, and how far."""
    when = _span(fall.start, fall.end)
    return f"{when} ({FALLS[fall.kind]}): {plain(fall.words, SENTENCE)}"


def change_words(change: LinkChange) -> str:
    """When the link changed, and how."""
    return f"at {wording.moment(change.seconds)} {change.severity.value}: {plain(change.words, SENTENCE)}"


def burst_words(burst: ErrorBurst) -> str:
    """When errors came, and how many."""
    return f"{_span(burst.start, burst.end)} {burst.severity.value}: {plain(burst.words, SENTENCE)}"


def missing(drive: DriveAnalysis) -> Iterator[str]:
    """Times of which nothing is known."""
    for spans, words in ((drive.gaps, "no samples"), (drive.lost, "the drive was gone or did not answer")):
        if spans:
            yield f"{words} {_times(spans)}"


def unread(drive: DriveAnalysis) -> Iterator[str]:
    """What could not be read of a drive, when and why."""
    from agent.soak import missed  # a list of logs has no use for it

    for part in drive.missing:
        yield plain(missed.said(part), SENTENCE)


def _times(spans: Sequence[TimeSpan]) -> str:
    shown = ", ".join(_span(span.start, span.end) for span in spans[:MOST_TIMES])
    return f"{shown}, and {len(spans) - MOST_TIMES} more times" if len(spans) > MOST_TIMES else shown
