"""A report as Markdown, for forums and tickets: what changed, each machine, each soak. Decides nothing.

Puts the Markdown forms of its parts together under one heading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict
from agent.report import compare_markdown, markdown, step_blocks
from agent.report.marks import bullets, escaped, heading, paragraph, step_list, table
from agent.report.page.machine import machine
from agent.report.page.overview import overview, overview_title
from agent.report.page.roles import WHAT_WAS_TO_DO, as_of_then, in_order, told_apart, uncompared
from agent.report.page.soaks import soak
from agent.report.page.soaks import told_apart as soaks_told_apart
from agent.report.words import moment

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from agent.report.page.machine import MachineShown
    from agent.report.page.overview import OverviewLine
    from agent.report.page.soaks import SoakDriveShown, SoakShown
    from agent.soak.analysed import Analysis
    from probes.samples import Soak

SENTENCE: Final = 600  # characters


def report(
    machines: Sequence[tuple[str, Audit]],
    soaks: Sequence[tuple[str, Soak, Analysis]],
    comparison: Comparison | None,
    made_at: str,
) -> str:
    """The whole document of machines and soaks, each with what it was read from, and of what changed between two."""
    parts = [
        heading(1, "Slots, links and drives: a survey"),
        paragraph(f"Made {escaped(moment(made_at), 40)} by lanewright."),
    ]
    ordered = in_order(machines, comparison)
    labelled = told_apart([(role, machine(source, audit, at)) for at, (role, source, audit) in enumerate(ordered, 1)])
    shown = soaks_told_apart([soak(source, log, found, number) for number, (source, log, found) in enumerate(soaks, 1)])
    lines = overview(labelled, shown)
    if lines:
        parts += [
            heading(2, overview_title(labelled)),
            bullets(map(_brief, lines)),
            paragraph(uncompared(machines, comparison)),
        ]
    if comparison is not None:
        names = [
            source for audit in (comparison.before, comparison.after) for source, name in machines if name is audit
        ]
        made = compare_markdown.compare(comparison, names[0], names[1], level=2)
        parts.append(f"{made.rstrip()}\n\n")
    parts += [_machine(name, audit, source) for name, (_, source, audit) in zip(labelled, ordered, strict=True)]
    parts += ["".join(_soak(name)) for name in shown]
    parts.append(_legend([audit for _, audit in machines]))
    return f"{''.join(parts).rstrip()}\n"


def _legend(audits: Sequence[Audit]) -> str:
    """A line for each verdict that is shown, "" where there is none."""
    used = {judged.verdict for audit in audits for judged in audit.links}
    lines = bullets(f"**{verdict.value}**: {escaped(verdict.meaning)}" for verdict in Verdict if verdict in used)
    return f"{heading(2, 'What the verdicts mean')}{lines}" if lines else ""


def _brief(line: OverviewLine) -> str:
    return f"**{line.severity.upper()}** {escaped(line.name, SENTENCE)}: {escaped(line.sentence, SENTENCE)}"


def _machine(shown: MachineShown, audit: Audit, source: str) -> str:
    """A machine under its heading, with its role; what an earlier reading asked for is told as of then."""
    beside = f" ({shown.product})" if shown.product else ""
    then = as_of_then(shown.role, shown.taken_at)
    to_do = WHAT_WAS_TO_DO if then else markdown.ALONE.to_do
    place = markdown.Standing(2, f"{shown.label}{beside}", then, to_do)
    return f"{markdown.check(audit, source, place).rstrip()}\n\n"


def _soak(shown: SoakShown) -> Iterator[str]:
    yield heading(2, f"Soak of {escaped(shown.label, SENTENCE)}")
    yield paragraph(f"**{escaped(shown.verdict, SENTENCE)}**")
    command = f"; command: {escaped(shown.command)}" if shown.command else ""
    yield paragraph(
        f"{escaped(shown.source)}, started {escaped(shown.begun)}{command}. {escaped(shown.lasted, SENTENCE)}."
    )
    yield bullets(escaped(note, SENTENCE) for note in shown.notes)
    yield table(
        ("Drive", "What became of it", "Severity"),
        (
            (escaped(soak_drive_shown.name), escaped(soak_drive_shown.headline, SENTENCE), soak_drive_shown.severity)
            for soak_drive_shown in shown.drives
        ),
    )
    for drive in shown.drives:
        yield from _drive(drive)
    if shown.others:
        yield heading(3, "Other temperatures")
        yield table(("Sensor", "Range"), ((escaped(name), escaped(words)) for name, words in shown.others))
    if shown.events:
        yield heading(3, "What happened")
        more = [f"and {shown.more_events} more in the log"] if shown.more_events else []
        yield bullets([*(f"at {event.when}: {escaped(event.words, SENTENCE)}" for event in shown.events), *more])


def _drive(drive: SoakDriveShown) -> Iterator[str]:
    yield heading(3, f"{escaped(drive.name)}: {escaped(drive.headline, SENTENCE)}")
    if drive.what:
        yield paragraph(escaped(drive.what))
    yield bullets(_rows(drive))
    if drive.steps:
        yield heading(4, "What to do, least invasive first")
        yield from step_list(step_blocks.blocks(drive.steps, set(), each_gain=True, escape=escaped))


def _rows(drive: SoakDriveShown) -> Iterator[str]:
    for row in drive.rows:
        rests = "; ".join(
            f"{escaped(evidence.source)}: {escaped(evidence.read)}"
            + (f", expected {escaped(evidence.expected)}" if evidence.expected else "")
            for evidence in row.evidence
        )
        yield f"**{row.label}:** {escaped(row.words, SENTENCE)}{f' ({rests})' if rests else ''}"
