"""The analysis of a soak for terminals: the answer first, then each drive, then what happened when; and lists of logs.

Shows what the analysis says and decides nothing. All text of logs passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.findings import Severity
from agent.report.advice import add_steps
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import mbps_range, plain
from agent.soak import wording

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.findings import Evidence
    from agent.soak.analysed import Analysis, DriveAnalysis, ErrorBurst, Fall, LinkChange, Rates, Span, Temperatures
    from agent.soak.samples import DriveHead, End, Event, Head

__all__ = ["analysis", "ending", "logs", "show"]

GOOD: Final = STYLES[Severity.OK]
FAIR: Final = STYLES[Severity.LIMIT]
BAD: Final = STYLES[Severity.FAULT]
UNSURE: Final = STYLES[Severity.UNKNOWN]
SENTENCE: Final = 600  # characters
LABEL: Final = 14  # columns
HALF_STEP: Final = 0.5  # K, of a sensor
MOST_EVENTS: Final = 30
MOST_LINES: Final = 8  # of one kind, for one drive
MOST_COMMAND: Final = 120  # characters

# What became of a drive, worst first: the word, how it looks, and how many drives share it in the answer.
THROTTLING: Final = {
    "proved": ("throttled", BAD),
    "inferred": ("throttled", BAD),
    "unclear": ("unclear", FAIR),
    "unknown": ("not known", UNSURE),
    "none": ("no throttling", GOOD),
}
SURENESS: Final = {"proved": "proved", "inferred": "inferred", "unclear": "unclear", "unknown": "not known"}
COOLING: Final = {
    "both": ("heatsink and air wanted", BAD),
    "heatsink": ("heatsink wanted", BAD),
    "air": ("moving air wanted", BAD),
    "neighbour": ("distance wanted", FAIR),
    "unknown": ("not known", UNSURE),
    "enough": ("enough", GOOD),
}
FORECAST: Final = {"reaches": BAD, "close": FAIR, "none": QUIET, "settles": GOOD, "steady": GOOD}
FALLS: Final = {
    "heat": "heat",
    "cache": "write cache filled",
    "link": "its link",
    "unclear": "unclear",
    "other": "other",
}


def analysis(found: Analysis, width: int, source: str) -> Page:
    """The page of a soak; `source` is the log's name for people."""
    page = Page(width)
    _head(page, found, source)
    page.add()
    page.add(_answer(found))
    for note in found.notes:
        words = plain(note, SENTENCE)
        page.add(f"{words[:1].upper()}{words[1:]}.")
    for drive in sorted(found.drives, key=_order):
        _drive(page, drive)
    _others(page, found)
    _events(page, found.events)
    return page


def logs(found: Sequence[tuple[str, Head, End | None, float]], width: int, folder: str) -> Page:
    """The page of `--list`: each log by its path, latest first."""
    page = Page(width)
    page.add(f"Soaks in {plain(folder, SENTENCE)}", style=HEADING)
    if not found:
        page.add("None yet. A soak is logged there unless --log names another file.")
    for path, head, end, seconds in found:
        name = path.rpartition("/")[2]
        line = Text().append(plain(name), HEADING).append(f"  {_of_machine(head)}, {wording.lasting(seconds)}, ", "")
        page.add(line.append(_drives(len(head.drives)), "").append(f"; {ending(end, bool(head.command))}"), hang=2)
        if head.command:
            page.add(f"command: {command_words(head)}", indent=2, hang=4, style=QUIET)
    if found:
        page.add()
        page.add("To see one: lanewright soak --show NAME, or --show last for the first of these.", style=QUIET)
    return page


# --- Head and answer -------------------------------------------------------------------------------------------


def _head(page: Page, found: Analysis, source: str) -> None:
    head = found.head
    page.add(f"Soak of {plain(head.machine) if head.machine else 'a machine without a name'}", style=HEADING)
    page.add(f"{plain(source, SENTENCE)} (log), begun {plain(head.started_at, 40)}", style=QUIET)
    if head.command:
        page.add(f"command: {command_words(head)}", hang=2, style=QUIET)
    samples = f"{found.samples:,} sample{'' if found.samples == 1 else 's'}"
    lasted = f"{wording.lasting(found.seconds)}, {samples}, one each {head.every:g} s"
    page.add(f"{lasted}; {ending(found.end, bool(head.command))}")


def command_words(head: Head) -> str:
    """The command of a soak on one line."""
    return plain(" ".join(head.command), MOST_COMMAND)


def ending(end: End | None, command: bool) -> str:  # noqa: FBT001 - whether there was one
    """How a soak ended, in words."""
    if end is None:
        return "still running, or cut off"
    status = f" with status {end.status}" if end.status is not None else ""
    ways = {
        "command": f"the command ended{status}",
        "time": "its time was over",
        "interrupt": "ended by hand",
        "fault": "ended by a fault",
    }
    words = ways.get(end.reason, f"ended: {plain(end.reason, 60)}")
    return f"{words}, the command{status}" if command and status and end.reason != "command" else words


def _of_machine(head: Head) -> str:
    return plain(head.machine or "a machine without a name", 60)


def _drives(count: int) -> str:
    return f"{count} drive{'' if count == 1 else 's'}"


def _answer(found: Analysis) -> Text:
    """In one sentence what became of the drives, worst first."""
    if not found.drives:
        return Text("No drives were seen.", UNSURE)
    groups: dict[str, list[DriveAnalysis]] = {}
    for drive in sorted(found.drives, key=_order):
        groups.setdefault(_word(drive)[0], []).append(drive)
    line = Text()
    for number, (word, drives) in enumerate(groups.items()):
        line.append("; " if number else "").append(_naming(drives, len(found.drives)))
        line.append(": ").append(word, _word(drives[0])[1])
    return line.append(".")


def _naming(drives: Sequence[DriveAnalysis], of: int) -> str:
    """Drives by their names; where there are many, by their number."""
    if len(drives) == of > 1:
        return "Both drives" if of == 2 else f"All {of} drives"  # noqa: PLR2004 - both
    if len(drives) > MOST_LINES:
        return _drives(len(drives))
    return ", ".join(_name(drive.head) for drive in drives)


def _word(drive: DriveAnalysis) -> tuple[str, str]:
    """What became of a drive in a word or two, with its style."""
    kind = drive.throttling.kind
    if kind == "none" and drive.load is not None and drive.load.seconds == 0:
        return "no load", QUIET
    word, style = THROTTLING[kind]
    return {"inferred": "throttled, by all signs", "unclear": "may have throttled"}.get(kind, word), style


def _order(drive: DriveAnalysis) -> tuple[int, int]:
    """Worst first."""
    return list(THROTTLING).index(drive.throttling.kind), list(COOLING).index(drive.cooling.kind)


# --- One drive -------------------------------------------------------------------------------------------------


def _name(head: DriveHead) -> str:
    return plain(head.name, 40)


def _drive(page: Page, drive: DriveAnalysis) -> None:
    page.add()
    word, style = _word(drive)
    line = Text().append(_name(drive.head), HEADING).append(f"{_what(drive.head)}: ").append(word, style)
    page.add(line, hang=2)
    if drive.temperatures is not None:
        _row(page, "temperature", _temperatures(drive.temperatures, drive))
        _row(page, "limit", *_limit(drive))
    else:
        _row(page, "temperature", "could not be read", UNSURE)
    for label, words in _load(drive):
        _row(page, label, words)
    sure = "" if drive.throttling.kind == "none" else f"{SURENESS[drive.throttling.kind]}: "
    _row(page, "throttling", f"{sure}{plain(drive.throttling.words, SENTENCE)}", THROTTLING[drive.throttling.kind][1])
    _readings(page, drive.throttling.evidence)
    _some(page, "slowed", [_fall(fall) for fall in drive.falls if not _told(fall, drive)], FAIR)
    _some(page, "link", [_change(change) for change in drive.link_changes], FAIR)
    _some(page, "link errors", [_burst(burst) for burst in drive.error_bursts], BAD)
    _row(page, "forecast", plain(drive.forecast.words, SENTENCE), FORECAST[drive.forecast.kind])
    word, style = COOLING[drive.cooling.kind]
    _row(page, "cooling", f"{word}: {plain(drive.cooling.words, SENTENCE)}", style)
    if drive.cooling.kind != "enough":
        _readings(page, [one for one in drive.cooling.evidence if one not in drive.throttling.evidence])
    for words in _missing(drive):
        _row(page, "missing", words, UNSURE)
    for note in drive.notes:
        _row(page, "note", plain(note, SENTENCE))
    if drive.cooling.steps:
        page.add("What to do, least invasive first:", indent=2)
        add_steps(page, drive.cooling.steps, each_gain=False, indent=2)


def _what(head: DriveHead) -> str:
    """Model and place of a drive, where they are known."""
    model = f" {plain(head.model)}" if head.model else ""
    return f"{model} ({plain(head.address, 40)})" if head.address else model


def _row(page: Page, label: str, words: str, style: str = "") -> None:
    """A label and what belongs to it; only the label of a coloured row has the colour."""
    page.columns([(f"{label:<{LABEL - 2}}", words)], [style or QUIET])


def _some(page: Page, label: str, rows: Sequence[str], style: str) -> None:
    """Rows of one kind, as many as people read."""
    for row in rows[:MOST_LINES]:
        _row(page, label, row, style)
    if len(rows) > MOST_LINES:
        _row(page, label, f"and {len(rows) - MOST_LINES} more; --format json has all", style)


def _readings(page: Page, evidence: Sequence[Evidence]) -> None:
    """What a judgement rests on."""
    for one in evidence:
        words = f"{plain(one.source)}: {plain(one.read)}{_expected(one.expected)}"
        page.add(words, indent=LABEL + 4, hang=LABEL + 6, style=QUIET)


def _told(fall: Fall, drive: DriveAnalysis) -> bool:
    """Whether the row about throttling has told of this fall."""
    return fall.kind == "heat" and any(
        span.start <= fall.start and fall.end <= span.end for span in drive.throttling.spans
    )


def _expected(words: str) -> str:
    return f"; expected {plain(words)}" if words else ""


def _temperatures(seen: Temperatures, drive: DriveAnalysis) -> str:
    least, most = wording.celsius(seen.least), wording.celsius(seen.most)
    words = f"{most} all the time"
    if least != most:
        words = f"{least} to {most} (first at {wording.moment(seen.most_at)}), {wording.celsius(seen.mean)} in the mean"
    if seen.hottest is not None and seen.hottest > seen.most and len(drive.head.sensors) > 1:
        words += f"; hottest of its {len(drive.head.sensors)} sensors {wording.celsius(seen.hottest)}"
    return words


def _limit(drive: DriveAnalysis) -> tuple[str, str]:
    """The limits of a drive, the time spent above them, and how it looks."""
    seen = drive.temperatures
    assert seen is not None
    if drive.limit is None:
        return "not known", UNSURE
    held, margin = drive.limit, drive.limit.celsius - seen.most
    if abs(margin) < HALF_STEP:
        side = "reached"
    else:
        side = f"{wording.celsius(margin)} left" if margin > 0 else f"passed by {wording.celsius(-margin)}"
    times = [
        f"{wording.lasting(seconds)} {words}"
        for seconds, words in (
            (seen.above_warning, "at or above its warning temperature"),
            (seen.above_critical, "at or above its critical temperature"),
            (seen.near, "close below"),
        )
        if seconds
    ]
    style = BAD if seen.above_warning or seen.above_critical else FAIR if seen.near else GOOD
    kept = "; ".join(times) or "never close to it"
    return f"{wording.celsius(held.celsius)} ({held.kind}), {side}; {kept}", style


def _load(drive: DriveAnalysis) -> Iterator[tuple[str, str]]:
    load = drive.load
    if load is None:
        yield "load", "could not be read"
        return
    if not load.seconds:
        yield "load", "none that counts"
    for rates, label, size in ((load.read, "read", load.read_bytes), (load.write, "written", load.written_bytes)):
        if rates is not None:
            yield label, f"{wording.amount(size)}{_in_time(rates)}: {_rates(rates)}"
    if load.busy is not None and load.seconds:
        yield "busy", f"{load.busy:.0%} of {wording.lasting(load.seconds)} under load"
    if drive.head.expected is not None and load.read is not None:
        yield "should reach", f"{mbps_range(drive.head.expected)} when read alone"


def _in_time(rates: Rates) -> str:
    return f" in {wording.lasting(rates.seconds)}" if rates.seconds else ""


def _rates(rates: Rates) -> str:
    """The middle rate and the spread."""
    half = f"half of the time between {rates.low_quarter:,.0f} and {wording.mbps(rates.high_quarter)}"
    return f"{wording.mbps(rates.median)} in the middle, {half}, {wording.mbps(rates.most)} at most"


def _span(start: float, end: float | None) -> str:
    first = f"at {wording.moment(start)}"
    return first if end is None else f"{first} for {wording.lasting(end - start)}"


def _fall(fall: Fall) -> str:
    when = _span(fall.start, fall.end)
    return f"{when} ({FALLS[fall.kind]}): {plain(fall.words, SENTENCE)}"


def _change(change: LinkChange) -> str:
    return f"at {wording.moment(change.seconds)} {change.severity.value}: {plain(change.words, SENTENCE)}"


def _burst(burst: ErrorBurst) -> str:
    return f"{_span(burst.start, burst.end)} {burst.severity.value}: {plain(burst.words, SENTENCE)}"


def _missing(drive: DriveAnalysis) -> Iterator[str]:
    """Times of which nothing is known."""
    for spans, words in ((drive.gaps, "no samples"), (drive.lost, "the drive was gone or did not answer")):
        if spans:
            yield f"{words} {_times(spans)}"


def _times(spans: Sequence[Span]) -> str:
    shown = ", ".join(_span(span.start, span.end) for span in spans[:MOST_LINES])
    return f"{shown}, and {len(spans) - MOST_LINES} more times" if len(spans) > MOST_LINES else shown


# --- The rest --------------------------------------------------------------------------------------------------


def _others(page: Page, found: Analysis) -> None:
    if found.others:
        page.heading("Other temperatures")
        for one in found.others:
            page.add(
                f"{plain(one.name, 60)}: {wording.celsius(one.least)} to {wording.celsius(one.most)}, "
                f"{wording.celsius(one.mean)} in the mean",
                indent=2,
                hang=4,
            )


def _events(page: Page, events: Sequence[Event]) -> None:
    """What happened, in time; of very many the first and the last."""
    if not events:
        return
    page.heading("What happened")
    half = MOST_EVENTS // 2
    parts = [events] if len(events) <= MOST_EVENTS else [events[:half], events[-half:]]
    for number, part in enumerate(parts):
        if number:
            page.add(f"... {len(events) - 2 * half:,} more; --export jsonl has all ...", indent=2, style=QUIET)
        page.columns([(wording.moment(event.seconds), _event(event)) for event in part])


def _event(event: Event) -> str:
    drive = f"{plain(event.drive, 40)}: " if event.drive else ""
    return f"{drive}{plain(event.words, SENTENCE)}"
