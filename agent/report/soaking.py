"""The analysis of a soak for terminals: the answer first, then each drive, then what happened when; and lists of logs.

Shows what the analysis says and decides nothing. All text of logs passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.model.findings import Severity
from agent.report import soak_words
from agent.report.advice import add_steps
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import machine_named
from agent.report.soak_words import BAD, FAIR, GOOD, SENTENCE, UNSURE
from agent.report.words import moment
from agent.soak import wording
from agent.soak.headline import ORDER, headline
from knowledge.phrasing import begun, plain, quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.findings import Evidence
    from agent.soak.analysed import Analysis, DriveAnalysis, LoadRates
    from probes.samples import DriveHead, End, Event, Head

__all__ = ["analysis", "ending", "logs", "show"]

LABEL: Final = 14  # columns
MOST_EVENTS: Final = 30
MOST_LINES: Final = 8  # of one kind, for one drive
FEW_EVENTS: Final = 4  # of a short page
FEW_LINES: Final = 2
FEW_STEPS: Final = 2
MOST_COMMAND: Final = 600  # characters
COOLS: Final = "cooling"
COST: Final = "cost of heat"
NOTE: Final = "note"
MISSING: Final = "missing"

# How each verdict looks, worst first.
THROTTLING: Final = {"proved": BAD, "inferred": BAD, "unclear": FAIR, "unknown": UNSURE, "none": GOOD}
SURENESS: Final = {"proved": "proved", "inferred": "inferred", "unclear": "unclear", "unknown": "not known"}
COOLING: Final = {
    "both": ("needs a heatsink and moving air", BAD),
    "heatsink": ("needs a heatsink", BAD),
    "air": ("needs moving air", BAD),
    "neighbour": ("needs more distance", FAIR),
    "unknown": ("not known", UNSURE),
    "enough": ("enough", GOOD),
}
AT_RISK: Final = frozenset({"stop-load", "back-up"})  # steps without which data may be lost
NEEDS: Final = frozenset(COOLING) - {"unknown", "enough"}
FORECAST: Final = {"reaches": BAD, "close": FAIR, "none": QUIET, "settles": GOOD, "steady": GOOD}


def analysis(found: Analysis, width: int, source: str) -> Page:
    """The short page of a soak: the answer, a table of drives, what to do; `source` is the log's name for people."""
    page = Page(width)
    page.add(_answer(found))
    _head(page, found, source)
    for note in found.notes:
        page.add(f"{begun(plain(note, SENTENCE))}.")
    if found.drives:
        page.add()
        _table(page, _worst_first(found), found.seconds)
    for drive in _worst_first(found):
        _short(page, drive, found.seconds)
    _rested(page, found.drives, found.seconds)
    _events(page, found.events, FEW_EVENTS)
    if found.drives:
        page.add()
        page.add("--full shows all readings, forecasts and steps.", style=QUIET)
    return page


def whole(found: Analysis, width: int, source: str) -> Page:
    """The whole page of a soak, with all readings, steps and events."""
    page = Page(width)
    page.add(_answer(found))
    _head(page, found, source)
    for note in found.notes:
        words = plain(note, SENTENCE)
        page.add(f"{begun(words)}.")
    if len(found.drives) > 1:
        page.add()
        _table(page, _worst_first(found), found.seconds)
    alike = _alike(found.drives)
    if alike:
        page.add()
        page.add(f"{_naming(found.drives, len(found.drives))} alike", style=HEADING)
        for label, words, style in alike:
            _row(page, label, words, style)
        if any(label == COOLS for label, *_ in alike):
            _steps(page, found.drives[0])
    for drive in _worst_first(found):
        _drive(page, drive, alike, found.seconds)
    _others(page, found)
    _events(page, found.events, MOST_EVENTS)
    return page


def logs(found: Sequence[tuple[str, Head, End | None, float]], width: int, folder: str) -> Page:
    """The page of `--list`: each log by its path, latest first."""
    page = Page(width)
    page.add(f"Soaks in {plain(folder, SENTENCE)}", style=HEADING)
    if not found:
        page.add("None yet. A soak is logged there unless --log names another file.")
    for path, head, end, seconds in found:
        name = path.rpartition("/")[2]
        line = (
            Text()
            .append(plain(name), HEADING)
            .append(f"  {machine_named(head.machine)}, {wording.lasting(seconds)}, ", "")
        )
        page.add(line.append(_drives(len(head.drives)), "").append(f"; {ending(end, bool(head.command))}"), hang=2)
        if head.command:
            page.add(f"command: {command_words(head)}", indent=2, hang=4, style=QUIET)
    if found:
        page.add()
        page.add("See one with lanewright soak --show NAME; --show last is the first of these.", style=QUIET)
    return page


# --- Head and answer -------------------------------------------------------------------------------------------


def _head(page: Page, found: Analysis, source: str) -> None:
    head = found.head
    page.add(
        f"Soak of {machine_named(head.machine)}, started {moment(plain(head.started_at, 40))}", hang=2, style=QUIET
    )
    samples = quantity(found.samples, "sample")
    lasted = f"{wording.lasting(found.seconds)}, {samples}, one every {head.every:g} s"
    page.add(f"{lasted}; {ending(found.end, bool(head.command))}", hang=2, style=QUIET)
    if head.command:
        page.add(f"command: {command_words(head)}", hang=2, style=QUIET)
    page.add(f"log: {plain(source, SENTENCE)}", hang=2, style=QUIET)


def command_words(head: Head) -> str:
    """The command of a soak on one line."""
    return plain(" ".join(head.command), MOST_COMMAND)


def ending(end: End | None, command: bool) -> str:  # noqa: FBT001 - whether there was one
    """How a soak ended, in words."""
    if end is None:
        return "still running, or cut off"
    status = f" with {wording.status(end.status)}" if end.status is not None else ""
    ways = {
        "command": f"the command ended{status}",
        "time": "its time was up",
        "interrupt": "stopped by hand",
        "fault": "ended by a fault",
    }
    words = ways.get(end.reason, f"ended: {plain(end.reason, 60)}")
    return f"{words}, the command{status}" if command and status and end.reason != "command" else words


def _drives(count: int) -> str:
    return f"{count} drive{'' if count == 1 else 's'}"


def _answer(found: Analysis) -> Text:
    """In one sentence what became of the drives, worst first."""
    if not found.drives:
        return Text("No drives were seen.", UNSURE)
    groups: dict[str, list[DriveAnalysis]] = {}
    for drive in _worst_first(found):
        groups.setdefault(_word(drive, found.seconds)[0], []).append(drive)
    line = Text()
    firsts = (drive.cooling.steps[0] for drive in _worst_first(found) if drive.cooling.steps)
    for step in (step for step in firsts if step.action in AT_RISK):
        line.append(f"{plain(step.brief, SENTENCE)}. ", BAD)
    for number, (word, drives) in enumerate(groups.items()):
        line.append("; " if number else "").append(_naming(drives, len(found.drives)))
        line.append(": ").append(word, _word(drives[0], found.seconds)[1])
        needs = {COOLING[drive.cooling.kind][0] for drive in drives if drive.cooling.kind in NEEDS}
        if len(needs) == 1 and all(drive.cooling.kind in NEEDS for drive in drives):
            line.append(f", {min(needs)}")
    return line.append(".")


def _naming(drives: Sequence[DriveAnalysis], of: int) -> str:
    """Drives by their names; where there are many, by their number."""
    if len(drives) == of > 1:
        return "Both drives" if of == 2 else f"All {of} drives"  # noqa: PLR2004 - both
    if len(drives) > MOST_LINES:
        return _drives(len(drives))
    return ", ".join(_name(drive.head) for drive in drives)


def _word(drive: DriveAnalysis, seconds: float) -> tuple[str, str]:
    """What became of a drive in a few words, with its style."""
    severity, words = headline(drive, seconds)
    return words, STYLES[severity]


def _worst_first(found: Analysis) -> list[DriveAnalysis]:
    """The drives, worst first."""

    def order(drive: DriveAnalysis) -> tuple[int, int, int]:
        bad = ORDER.index(headline(drive, found.seconds)[0])
        return bad, list(THROTTLING).index(drive.throttling.kind), list(COOLING).index(drive.cooling.kind)

    return sorted(found.drives, key=order)


def _table(page: Page, drives: Sequence[DriveAnalysis], seconds: float) -> None:
    """The drives side by side, worst first."""
    rows, styles = [], []
    for drive in drives:
        word, style = _word(drive, seconds)
        seen, load = drive.temperatures, drive.load
        rows.append(
            (
                _name(drive.head),
                word,
                "unread" if seen is None else wording.celsius(seen.most),
                "unknown" if drive.limit is None else wording.celsius(drive.limit.celsius),
                "" if drive.forecast.settled is None else wording.celsius(drive.forecast.settled),
                _median(None if load is None else load.read),
                _median(None if load is None else load.write),
            )
        )
        styles.append(style)
    head = ("drive", "", "hottest", "limit", "settles", "read MB/s", "write MB/s")
    page.table(head, rows, styles, right=(2, 3, 4, 5, 6))


def _median(rates: LoadRates | None) -> str:
    return "" if rates is None else f"{rates.median:,.0f}"


# --- One drive -------------------------------------------------------------------------------------------------


def _name(head: DriveHead) -> str:
    return plain(head.name, 40)


def _sentences(drive: DriveAnalysis) -> Iterator[tuple[str, str, str]]:
    """What is said of a drive in whole sentences: label, words and style."""
    if drive.temperatures is None:
        yield "temperature", "could not be read", UNSURE
    if drive.load is None or not drive.load.seconds:
        yield "load", "could not be read" if drive.load is None else "none that counts", ""
    sure = "" if drive.throttling.kind == "none" else f"{SURENESS[drive.throttling.kind]}: "
    yield "throttling", f"{sure}{plain(drive.throttling.words, SENTENCE)}", THROTTLING[drive.throttling.kind]
    if drive.cost is not None:
        yield COST, plain(drive.cost.words, SENTENCE), FAIR
    yield "forecast", plain(drive.forecast.words, SENTENCE), FORECAST[drive.forecast.kind]
    word, style = COOLING[drive.cooling.kind]
    yield COOLS, f"{word}: {plain(drive.cooling.words, SENTENCE)}", style
    for words in soak_words.unread(drive):
        yield MISSING, words, UNSURE
    for note in drive.notes:
        yield NOTE, plain(note, SENTENCE), ""


def _alike(drives: Sequence[DriveAnalysis]) -> list[tuple[str, str, str]]:
    """The sentences that are the same for all of several drives, so that they are said once."""
    if len(drives) == 1 or not drives:
        return []
    first, *others = drives
    said = [set(_sentences(drive)) for drive in others]
    differ = {COOLS} if any(drive.cooling.steps != first.cooling.steps for drive in others) else set()
    return [
        sentence
        for sentence in _sentences(first)
        if sentence[0] not in differ and all(sentence in other for other in said)
    ]


def _short(page: Page, drive: DriveAnalysis, seconds: float) -> None:
    """What is not as it should be with a drive, or was not read, and the first steps; of one that is well nothing."""
    rested = headline(drive, seconds)[0] is Severity.NOTE
    rows = [*_short_rows(drive, seconds), *_what_came(drive), *_not_read(drive)]
    steps = () if rested else drive.cooling.steps
    if not rows and not steps:
        return
    page.add()
    page.add(Text().append(_name(drive.head), HEADING).append(_what(drive.head)), hang=2)
    for label, words, style in rows:
        _row(page, label, words, style)
    shown = steps[:FEW_STEPS]
    more = f" Then {quantity(len(steps) - len(shown), 'more step')}." if len(steps) > len(shown) else ""
    add_steps(page, shown, each_gain=False, indent=2, brief=True, more=more)


Row = tuple[str, str, str]  # a label, words, the style of the label


def _short_rows(drive: DriveAnalysis, seconds: float) -> Iterator[Row]:
    """What is said of a drive's heat, each in its first part; of a drive that is well, or rested, nothing."""
    slowed, cooling, seen = drive.throttling, drive.cooling, drive.temperatures
    well = headline(drive, seconds)[0] in {Severity.OK, Severity.NOTE}
    if slowed.kind != "none" and not well:
        yield "throttling", f"{SURENESS[slowed.kind]}: {_first(slowed.words)}", THROTTLING[slowed.kind]
    borrowed = drive.limit is not None and drive.limit.source
    if seen is not None and (seen.near or seen.above_warning or seen.above_critical or borrowed):
        yield "limit", *soak_words.limit(drive)
    if drive.cost is not None:
        yield COST, _first(drive.cost.words), FAIR
    if drive.forecast.kind in {"reaches", "close"}:
        yield "forecast", _first(drive.forecast.words), FORECAST[drive.forecast.kind]
    if cooling.kind in NEEDS or (cooling.kind == "unknown" and not well):
        word, style = COOLING[cooling.kind]
        yield COOLS, f"{word}: {_reason(cooling.words)}", style


def _what_came(drive: DriveAnalysis) -> Iterator[Row]:
    """The first falls, changes of the link and errors of a drive, and how many more there were."""
    from agent.soak.throttling import untold  # a list of logs has no use for it

    for label, lines, style in (
        ("slowed", [soak_words.fall_words(fall) for fall in untold(drive.throttling, drive.falls)], FAIR),
        ("link", [soak_words.change_words(change) for change in drive.link_changes], FAIR),
        ("link errors", [soak_words.burst_words(burst) for burst in drive.error_bursts], BAD),
    ):
        yield from ((label, line, style) for line in lines[:FEW_LINES])
        if len(lines) > FEW_LINES:
            yield label, f"and {len(lines) - FEW_LINES} more", style


def _not_read(drive: DriveAnalysis) -> Iterator[Row]:
    """What is missing of a drive, and its notes."""
    if drive.temperatures is None:
        yield "temperature", "could not be read", UNSURE
    if drive.load is None:
        yield "load", "could not be read", UNSURE
    yield from ((MISSING, words, UNSURE) for words in (*soak_words.missing(drive), *soak_words.unread(drive)))
    yield from ((NOTE, plain(note, SENTENCE), "") for note in drive.notes)


def _rested(page: Page, drives: Sequence[DriveAnalysis], seconds: float) -> None:
    """What to do of the drives that had no load, once for all."""
    idle = [drive for drive in drives if headline(drive, seconds)[0] is Severity.NOTE and drive.cooling.steps]
    if idle:
        page.add()
        brief = idle[0].cooling.steps[0].brief or idle[0].cooling.steps[0].text
        page.add(f"{_naming(idle, len(drives))}, without load: {plain(brief, SENTENCE)}.", hang=2)


def _first(words: str) -> str:
    """The first part of some words, which says what matters."""
    return plain(words.partition(";")[0], SENTENCE)


def _reason(words: str) -> str:
    """The first part of why, without what to do, which the steps say."""
    first = words.partition(";")[0]
    return plain(first.partition(": ")[2] or first, SENTENCE)


def _drive(page: Page, drive: DriveAnalysis, told: Sequence[tuple[str, str, str]], seconds: float) -> None:
    """All of a drive but the sentences that are told already."""
    from agent.soak.throttling import untold  # a list of logs has no use for it

    page.add()
    word, style = _word(drive, seconds)
    line = Text().append(_name(drive.head), HEADING).append(f"{_what(drive.head)}: ").append(word, style)
    page.add(line, hang=2)
    own = [sentence for sentence in _sentences(drive) if sentence not in told]
    _say(page, own, "temperature")
    if drive.temperatures is not None:
        _row(page, "temperature", soak_words.temperatures(drive.temperatures, drive))
        _row(page, "limit", *soak_words.limit(drive))
    _say(page, own, "load")
    for label, words in soak_words.rates(drive):
        _row(page, label, words)
    _say(page, own, "throttling", drive.throttling.evidence)
    _some(page, "slowed", [soak_words.fall_words(fall) for fall in untold(drive.throttling, drive.falls)], FAIR)
    _some(page, "link", [soak_words.change_words(change) for change in drive.link_changes], FAIR)
    _some(page, "link errors", [soak_words.burst_words(burst) for burst in drive.error_bursts], BAD)
    _say(page, own, COST)
    _say(page, own, "forecast")
    enough = drive.cooling.kind == "enough"
    _say(
        page,
        own,
        COOLS,
        []
        if enough
        else [evidence for evidence in drive.cooling.evidence if evidence not in drive.throttling.evidence],
    )
    for words in soak_words.missing(drive):
        _row(page, MISSING, words, UNSURE)
    _say(page, own, MISSING)
    _say(page, own, NOTE)
    if any(label == COOLS for label, *_ in own):
        _steps(page, drive)


def _say(page: Page, sentences: Sequence[tuple[str, str, str]], label: str, evidence: Sequence[Evidence] = ()) -> None:
    """The sentences of a label and what they rest on; of one that was told already what it rests on here."""
    rows = [(words, style) for name, words, style in sentences if name == label]
    for words, style in rows:
        _row(page, label, words, style)
    for number, item in enumerate(evidence):
        if rows or number:
            page.add(_reading(item), indent=LABEL + 4, hang=LABEL + 6, style=QUIET)
        else:
            _row(page, label, _reading(item))


def _steps(page: Page, drive: DriveAnalysis) -> None:
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


def _some(page: Page, label: str, rows: Sequence[str], style: str, most: int = MOST_LINES) -> None:
    """Rows of one kind, as many as people read."""
    for row in rows[:most]:
        _row(page, label, row, style)
    if len(rows) > most:
        _row(page, label, f"and {len(rows) - most} more; --format json has all", style)


def _reading(evidence: Evidence) -> str:
    """What a judgement rests on."""
    return f"{plain(evidence.source)}: {plain(evidence.read)}{_expected(evidence.expected)}"


def _expected(words: str) -> str:
    return f"; expected {plain(words)}" if words else ""


# --- The rest --------------------------------------------------------------------------------------------------


def _others(page: Page, found: Analysis) -> None:
    if found.others:
        page.heading("Other temperatures")
        for other in found.others:
            page.add(
                f"{plain(other.name, 60)}: {wording.celsius(other.least)} to {wording.celsius(other.most)}, "
                f"mean {wording.celsius(other.mean)}",
                indent=2,
                hang=4,
            )


def _events(page: Page, events: Sequence[Event], most: int) -> None:
    """What happened, in time; of very many the first and the last."""
    if not events:
        return
    page.heading("What happened")
    half = most // 2
    parts = [events] if len(events) <= most else [events[:half], events[-half:]]
    for number, part in enumerate(parts):
        if number:
            page.add(f"{len(events) - 2 * half:,} more between; --export jsonl has all", indent=2, style=QUIET)
        page.columns([(wording.moment(event.seconds), _event(event)) for event in part])


def _event(event: Event) -> str:
    drive = f"{plain(event.drive, 40)}: " if event.drive else ""
    return f"{drive}{plain(event.words, SENTENCE)}"
