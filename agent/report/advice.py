"""Findings for a terminal: the readings they rest on, the steps they lead to, the cautions before them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.report import words
from agent.report.paper import HEADING, INDENT, QUIET, STYLES, Page
from knowledge.phrasing import begun, mbps, plain
from knowledge.steps import SHORT

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
    steps = words.steps_of(group)
    gains = words.gains(steps)
    if steps:
        brings = f"; the step that helps should bring up to {mbps(*gains)} more" if len(gains) == 1 else ""
        page.add(f"What to do, least invasive first{brings}:", indent=INDENT + 1)
    add_steps(page, steps, each_gain=len(gains) > 1)


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
    number = 0
    for cautions, together in words.runs(steps):
        if cautions:
            _cautions(page, cautions, words.which(number + 1, number + len(together)), indent)
        for index, step in enumerate(together):
            number += 1
            brings = f" Should bring up to {mbps(step.gain_mbps)} more." if step.gain_mbps and each_gain else ""
            page.add(f"{number}. {plain(step.text, words.STEP)}{brings}", indent=indent, hang=indent + 3)
            if index + 1 == len(together) or together[index + 1].verify != step.verify:
                page.add(f"Then: {plain(step.verify, words.VERIFY)}", indent=indent + 3, style=QUIET)


def _cautions(page: Page, cautions: Sequence[str], which: str, indent: int) -> None:
    """The cautions before the steps from one number to another."""
    again = [SHORT.get(caution, caution) for caution in cautions if caution in page.said]
    brief = f" as above, {', '.join(again)}." if again else ""
    page.add(f"Before {which}:{brief}", indent=indent, hang=indent + 2, style="bold")
    for caution in cautions:
        if caution not in page.said:
            page.add(f"! {caution}", indent=indent + 2, hang=indent + 4)
    page.said.update(cautions)
