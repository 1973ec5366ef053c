"""One soak as the page shows it: the answer, the drawing with its words, each drive's conclusions, what happened.

Shows what the analysis says and decides nothing. All text of logs passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report import soak_words, soaking, step_blocks
from agent.report.page import words
from agent.report.page.plot import drawn_drives, plots
from agent.report.plain import machine_named
from agent.report.plot_points import MOST_EVENTS
from agent.report.soak_words import SENTENCE
from agent.report.words import moment
from agent.soak import wording
from agent.soak.headline import ORDER, headline
from agent.soak.throttling import untold
from knowledge.phrasing import plain, some

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.findings import Evidence, Step
    from agent.report.page.plot import Plot
    from agent.report.step_blocks import StepBlock
    from agent.soak.analysed import Analysis, DriveAnalysis
    from probes.samples import Soak

MOST_LISTED: Final = 200  # events
MOST_LINES: Final = 20  # of one kind, for one drive


class SoakRow(Struct, frozen=True):
    """A label, what belongs to it, and what that rests on."""

    label: str
    words: str
    evidence: tuple[Evidence, ...] = ()


class SoakDriveShown(Struct, frozen=True, kw_only=True):
    """A drive of a soak."""

    name: str
    what: str
    severity: str
    headline: str
    rows: tuple[SoakRow, ...]
    steps: tuple[Step, ...]
    blocks: tuple[StepBlock, ...]


class EventShown(Struct, frozen=True):
    """Something that happened; `number` is its number in the drawing, "" where it is not drawn."""

    number: str
    when: str
    words: str


class SoakShown(Struct, frozen=True, kw_only=True):
    """All that the page says of one soak. `prefix` begins all its anchors."""

    prefix: str
    machine: str
    label: str
    verdict: str
    source: str
    begun: str
    command: str
    lasted: str
    worst: str
    notes: tuple[str, ...]
    plots: tuple[Plot, ...]
    drawn: tuple[str, ...]
    left_out: int
    summary: tuple[str, ...]
    drives: tuple[SoakDriveShown, ...]
    others: tuple[tuple[str, str], ...]
    events: tuple[EventShown, ...]
    more_events: int


def soak(source: str, log: Soak, found: Analysis, number: int) -> SoakShown:
    """The soak of a log, the `number`th of the page; `source` says where the log is."""
    head = found.head
    drives = _worst_first(found)
    samples = f"{found.samples:,} sample{'' if found.samples == 1 else 's'}, one every {head.every:g} s"
    ending = soaking.ending(found.end, bool(head.command))
    drawn = drawn_drives(log, found)
    said: set[str] = set()
    return SoakShown(
        prefix=f"soak-{number}",
        machine=machine_named(head.machine),
        label=machine_named(head.machine),
        verdict=_verdict(drives, found.seconds),
        source=plain(source),
        begun=moment(plain(head.started_at, words.SHORT)),
        command=soaking.command_words(head) if head.command else "",
        lasted=f"{wording.lasting(found.seconds)}, {samples}; {ending}",
        worst=headline(drives[0], found.seconds)[0].value if drives else "unknown",
        notes=tuple(words.sentence(plain(note, SENTENCE)) for note in found.notes),
        plots=plots(log, found),
        drawn=drawn,
        left_out=len(found.drives) - len(drawn),
        summary=tuple(_summary(drive, found.seconds) for drive in drives),
        drives=tuple(_drive(drive, found.seconds, said) for drive in drives),
        others=tuple(
            (plain(other.name, words.NAME), _other(other.least, other.most, other.mean)) for other in found.others
        ),
        events=tuple(_events(found)),
        more_events=max(0, len(found.events) - MOST_LISTED),
    )


def _worst_first(found: Analysis) -> list[DriveAnalysis]:
    return sorted(found.drives, key=lambda drive: ORDER.index(headline(drive, found.seconds)[0]))


def _verdict(drives: Sequence[DriveAnalysis], seconds: float) -> str:
    """In one sentence what became of the drives, worst first."""
    groups: dict[str, list[str]] = {}
    for drive in drives:
        groups.setdefault(headline(drive, seconds)[1], []).append(plain(drive.head.name, words.SHORT))
    said = "; ".join(f"{some(names, 8)}: {what}" for what, names in groups.items())
    return f"{said}." if said else "No drives were seen."


def told_apart(soaks: Sequence[SoakShown]) -> list[SoakShown]:
    """The soaks; those of one machine are told apart by when they began, and by what they were read from."""
    from msgspec import structs

    machines = [soak_shown.machine for soak_shown in soaks]
    dated = [
        soak_shown
        if machines.count(soak_shown.machine) == 1
        else structs.replace(soak_shown, label=f"{soak_shown.machine}, started {soak_shown.begun}")
        for soak_shown in soaks
    ]
    labels = [shown.label for shown in dated]
    return [
        shown
        if labels.count(shown.label) == 1
        else structs.replace(shown, label=f"{shown.label}, {shown.source}, {number}")
        for number, shown in enumerate(dated, 1)
    ]


def _other(least: float, most: float, mean: float) -> str:
    return f"{wording.celsius(least)} to {wording.celsius(most)}, mean {wording.celsius(mean)}"


def _events(found: Analysis) -> Iterator[EventShown]:
    for number, event in enumerate(found.events[:MOST_LISTED], 1):
        drive = f"{plain(event.drive, words.SHORT)}: " if event.drive else ""
        shown = str(number) if number <= MOST_EVENTS else ""
        yield EventShown(shown, wording.moment(event.seconds), f"{drive}{plain(event.words, SENTENCE)}")


# --- One drive -------------------------------------------------------------------------------------------------


def _summary(drive: DriveAnalysis, seconds: float) -> str:
    """The drawing of a drive in words, for those who do not see it."""
    name, (_, what) = plain(drive.head.name, words.SHORT), headline(drive, seconds)
    warm = "temperature not read"
    if drive.temperatures is not None:
        warm = soak_words.temperatures(drive.temperatures, drive)
    limit = "" if drive.limit is None else f", {wording.limit(drive.limit).removeprefix('its ')}"
    return f"{name}: {what}; {warm}{limit}"


def _drive(drive: DriveAnalysis, seconds: float, said: set[str]) -> SoakDriveShown:
    """A drive with its steps; cautions in `said` stand above already."""
    severity, what = headline(drive, seconds)
    model = plain(drive.head.model, words.NAME) if drive.head.model else ""
    place = plain(drive.head.address, words.SHORT) if drive.head.address else ""
    return SoakDriveShown(
        name=plain(drive.head.name, words.SHORT),
        what=", ".join(part for part in (model, place) if part),
        severity=severity.value,
        headline=what,
        rows=tuple(_rows(drive)),
        steps=drive.cooling.steps,
        blocks=tuple(step_blocks.blocks(drive.cooling.steps, said, each_gain=True)),
    )


def _rows(drive: DriveAnalysis) -> Iterator[SoakRow]:
    """All that is said of a drive, as in the form for terminals."""
    yield from _warmth(drive)
    if drive.load is None or not drive.load.seconds:
        yield SoakRow("Load", "could not be read" if drive.load is None else "none that counts")
    for label, said in soak_words.rates(drive):
        yield SoakRow(label.capitalize(), said)
    slowed = drive.throttling
    sure = "" if slowed.kind == "none" else f"{soaking.SURENESS[slowed.kind]}: "
    yield SoakRow("Throttling", f"{sure}{plain(slowed.words, SENTENCE)}", slowed.evidence)
    yield from _some("Slowed", [soak_words.fall_words(fall) for fall in untold(slowed, drive.falls)])
    yield from _some("Link", [soak_words.change_words(change) for change in drive.link_changes])
    yield from _some("Link errors", [soak_words.burst_words(burst) for burst in drive.error_bursts])
    if drive.cost is not None:
        yield SoakRow("Cost of heat", plain(drive.cost.words, SENTENCE))
    yield SoakRow("Forecast", plain(drive.forecast.words, SENTENCE))
    cooling = drive.cooling
    shown = (
        ()
        if cooling.kind == "enough"
        else tuple(evidence for evidence in cooling.evidence if evidence not in slowed.evidence)
    )
    yield SoakRow("Cooling", f"{soaking.COOLING[cooling.kind][0]}: {plain(cooling.words, SENTENCE)}", shown)
    yield from _some("Missing", [*soak_words.missing(drive), *soak_words.unread(drive)])
    yield from _some("Note", [plain(note, SENTENCE) for note in drive.notes])


def _warmth(drive: DriveAnalysis) -> Iterator[SoakRow]:
    if drive.temperatures is None:
        yield SoakRow("Temperature", "could not be read")
        return
    yield SoakRow("Temperature", soak_words.temperatures(drive.temperatures, drive))
    yield SoakRow("Limit", soak_words.limit(drive)[0])


def _some(label: str, lines: Sequence[str]) -> Iterator[SoakRow]:
    """Rows of one kind, as many as people read."""
    yield from (SoakRow(label, line) for line in lines[:MOST_LINES])
    if len(lines) > MOST_LINES:
        yield SoakRow(label, f"and {len(lines) - MOST_LINES} more in the log")
