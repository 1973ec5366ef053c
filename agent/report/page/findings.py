"""Findings as the page shows them: where, how bad, what they rest on, and the steps with their cautions before them.

Keeps the order, the words and the figures of the audit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.report import step_blocks
from agent.report import words as shared
from agent.report.page import words
from knowledge.phrasing import mbps, plain
from knowledge.steps import SHORT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.findings import Evidence, Finding, Step


class StepShown(Struct, frozen=True, kw_only=True):
    """One step; `again` are the cautions before it in brief, `gain` what it should bring, "" for nothing told."""

    number: int
    text: str
    again: str
    gain: str
    verify: str


class StepRun(Struct, frozen=True):
    """Neighbouring steps with the same cautions, which stand before them in full; `which` names the steps."""

    cautions: tuple[str, ...]
    which: str
    steps: tuple[StepShown, ...]


class FindingShown(Struct, frozen=True, kw_only=True):
    """One finding; `anchor` is its place on the page."""

    anchor: str
    rule: str
    severity: str
    where: str
    what: str
    headline: str
    evidence: tuple[Evidence, ...]
    runs: tuple[StepRun, ...]


def findings(audit: Audit, prefix: str) -> Iterator[FindingShown]:
    """All findings of an audit, worst first as it has them; `prefix` keeps the anchors of machines apart."""
    for number, finding in enumerate(audit.findings, 1):
        yield _finding(finding, audit, f"{prefix}-finding-{number}")


def _finding(finding: Finding, audit: Audit, anchor: str) -> FindingShown:
    where, what = shared.subject_and_what(finding.subject, audit)
    return FindingShown(
        anchor=anchor,
        rule=finding.rule,
        severity=finding.severity.value,
        where=where,
        what=what,
        headline=words.sentence(shared.headline(finding)),
        evidence=finding.evidence,
        runs=tuple(runs(finding.steps)),
    )


def runs(steps: Sequence[Step]) -> Iterator[StepRun]:
    """Steps in their order, neighbours with the same cautions together."""
    together: list[Step] = []
    first = 1
    for step in steps:
        if together and together[0].cautions != step.cautions:
            yield _run(together, first)
            first += len(together)
            together = []
        together.append(step)
    if together:
        yield _run(together, first)


def _run(together: Sequence[Step], first: int) -> StepRun:
    cautions = together[0].cautions
    last = first + len(together) - 1
    brief = ", ".join(SHORT.get(caution, plain(caution)) for caution in cautions)
    return StepRun(
        tuple(plain(caution, step_blocks.STEP) for caution in cautions),
        step_blocks.which(first, last),
        tuple(
            StepShown(
                number=first + place,
                text=plain(step.text, step_blocks.STEP),
                again=brief,
                gain="" if step.gain_mbps is None else f"up to {mbps(step.gain_mbps)} more",
                verify=plain(step.verify, step_blocks.VERIFY),
            )
            for place, step in enumerate(together)
        ),
    )
