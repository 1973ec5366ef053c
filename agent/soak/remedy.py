"""What to do of all but warmth: a drive that dropped out, one above its critical limit, a link that got worse."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity, Step
from knowledge.steps import STEPS, StepKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import DriveAnalysis

STOP: Final = StepKind(
    "stop-load",
    0,
    "Stop the load on {subject} and let it cool",
    "Stop the load on {subject} and let it cool, then copy what is on it to another drive before it works on: above "
    "its critical limit a drive may fail or lose data.",
    "It is well below its limits, and the copy reads back.",
)
SHOWS: Final = "the same soak runs through, with the link as it was at the start and no more errors"


def with_remedies(drive: DriveAnalysis, steps: Sequence[Step], ranks: dict[str, StepKind]) -> tuple[Step, ...]:
    """The steps of cooling (`ranks` are their kinds) and those for all else, from easy to hard."""
    kinds = {**ranks, **STEPS, STOP.action: STOP}
    more = [_step(kinds[action], drive.head.name) for action in _actions(drive)]
    return tuple(sorted((*more, *steps), key=lambda step: kinds[step.action].rank))


def _actions(drive: DriveAnalysis) -> tuple[str, ...]:
    found: list[str] = []
    if drive.temperatures is not None and drive.temperatures.above_critical:
        found.append(STOP.action)
    if drive.lost:
        found += ["back-up", "reseat-drive", "try-drive-elsewhere"]
    severities = [link_change.severity for link_change in drive.link_changes] + [
        error_burst.severity for error_burst in drive.error_bursts
    ]
    if Severity.FAULT in severities:
        found += ["reseat-drive", "clean", "try-drive-elsewhere"]
    return tuple(dict.fromkeys(found))


def _step(kind: StepKind, subject: str) -> Step:
    words = {"subject": subject, "shows": SHOWS}
    return Step(
        action=kind.action,
        text=kind.text.format_map(words),
        cautions=kind.cautions,
        gain_mbps=None,
        verify=kind.verify.format_map(words),
        brief=kind.brief.format_map(words),
    )
