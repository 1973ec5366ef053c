"""Findings as the page shows them: all of one subject together, what they rest on, then the steps that cure them.

Keeps the order, the words and the figures of the audit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.report import step_blocks
from agent.report import words as shared
from agent.report.page import words
from knowledge.phrasing import begun, plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.findings import Evidence, Finding
    from agent.report.step_blocks import StepBlock


class FindingShown(Struct, frozen=True, kw_only=True):
    """One finding; `anchor` is its place on the page, `brief` the line that leads there, `cause` the usual one."""

    anchor: str
    rule: str
    severity: str
    brief: str
    headline: str
    cause: str
    evidence: tuple[Evidence, ...]


class SubjectShown(Struct, frozen=True, kw_only=True):
    """The findings of one subject with all their steps, under the cautions that come before them.

    `brings` says what the step that helps should bring, where that is one figure for all, "" otherwise.
    """

    severity: str
    where: str
    what: str
    findings: tuple[FindingShown, ...]
    brings: str
    blocks: tuple[StepBlock, ...]


def subjects(found: Sequence[Finding], audit: Audit, prefix: str, said: set[str]) -> Iterator[SubjectShown]:
    """Findings by what they are of, the worst first; `prefix` keeps the anchors of machines apart.

    Cautions that are in `said` were told above and are told in brief; those told here are added to it.
    """
    number = 0
    for group in shared.by_subject(found):
        where, what = shared.subject_and_what(group[0].subject, audit)
        steps = step_blocks.steps_of(group)
        yield SubjectShown(
            severity=group[0].severity.value,
            where=where,
            what=what,
            findings=tuple(_finding(finding, audit, f"{prefix}-{at}") for at, finding in enumerate(group, number + 1)),
            brings=step_blocks.brings(steps),
            blocks=tuple(step_blocks.blocks(steps, said, each_gain=len(step_blocks.gains(steps)) > 1)),
        )
        number += len(group)


def _finding(finding: Finding, audit: Audit, anchor: str) -> FindingShown:
    return FindingShown(
        anchor=anchor,
        rule=finding.rule,
        severity=finding.severity.value,
        brief=f"{shared.who(finding.subject, audit)} {shared.brief(finding)}",
        headline=words.sentence(shared.headline(finding)),
        cause=begun(plain(finding.cause, shared.SHORT)),
        evidence=finding.evidence,
    )
