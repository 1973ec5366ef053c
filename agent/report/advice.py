"""Findings for a terminal: the readings they rest on, the steps they lead to, the cautions before them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.report import step_blocks, words
from agent.report.paper import HEADING, INDENT, QUIET, STYLES, Page
from knowledge.phrasing import begun, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.model.findings import Evidence, Finding, Step


def add_findings(page: Page, group: Sequence[Finding], audit: Audit) -> None:
    """Findings of one subject with their readings, then all their steps together."""
    page.add()
    for number, finding in enumerate(group):
        line = Text().append(f"{finding.severity.value.upper():<{INDENT}} ", STYLES[finding.severity])
        if number == 0:
            line.append(f"{words.subject(finding.subject, audit)} ", HEADING)
        headline = words.headline(finding)
        line.append(headline if number == 0 else begun(headline))
        page.add(line, hang=INDENT + 1)
        for evidence in finding.evidence:
            page.add(_reading(evidence), indent=INDENT + 1, hang=INDENT + 3, style=QUIET)
    steps = step_blocks.steps_of(group)
    if steps:
        page.add(step_blocks.lead("What to do", steps), indent=INDENT + 1)
    add_steps(page, steps, each_gain=len(step_blocks.gains(steps)) > 1)


def add_remarks(page: Page, audit: Audit) -> None:
    """What is no finding, but better said: for the record, with what to look at."""
    for number, remark in enumerate(words.remarks(audit)):
        if not number:
            page.heading("For the record")
        page.add(f"{words.subject(remark.subject, audit)} {words.headline(remark)}", indent=2, hang=4)


def _reading(evidence: Evidence) -> str:
    """One reading; what was expected is left out where the reading meets it word for word."""
    line = f"{plain(evidence.source)}: {plain(evidence.read)}"
    return line if words.is_met(evidence) else f"{line}; expected {plain(evidence.expected)}"


def add_steps(page: Page, steps: Sequence[Step], *, each_gain: bool, indent: int = INDENT + 1) -> None:
    """Numbered steps; cautions stand before the first step they belong to, in full once a page, then in brief.

    A way to verify that several neighbours share stands once, after the last of them.
    """
    for block in step_blocks.blocks(steps, page.said, each_gain=each_gain):
        if block.before:
            page.add(f"{block.before}{block.again}", indent=indent, hang=indent + 2, style="bold")
        for caution in block.cautions:
            page.add(f"! {caution}", indent=indent + 2, hang=indent + 4)
        for step in block.steps:
            page.add(f"{step.number}. {step.text}", indent=indent, hang=indent + 3)
            if not step.shared:
                page.add(f"Then: {step.verify}", indent=indent + 3, style=QUIET)
