"""The Markdown form of a comparison, for forums and tickets. Decides nothing; shows the rows of all forms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.report import compare_rows as rows
from agent.report.marks import bullets, escaped, heading, table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.compare.changes import Comparison


def compare(found: Comparison, before_name: str, after_name: str, level: int = 1) -> str:
    """The whole document; the names say where each side comes from ("before.json (capture)").

    `level` is that of its first heading, 2 where it is a part of another document.
    """
    return "".join(_pieces(found, before_name, after_name, level))


def _pieces(found: Comparison, before_name: str, after_name: str, level: int) -> Iterator[str]:
    yield heading(level, "Before and after")
    if found.other_machine:
        yield f"**{rows.OTHER_MACHINE}: {escaped(found.other_machine, rows.SENTENCE)}.**\n\n"
    yield f"**{escaped(found.verdict, rows.SENTENCE)}**\n\n"
    yield bullets((_side("Before", before_name, found.before), _side("After", after_name, found.after)))
    parts = table(rows.HEAD_PARTS, rows.parts(found, escaped))
    if parts:
        yield heading(level + 1, "Parts") + parts
    for title, changes in rows.topics(found):
        yield heading(level + 1, title) + table(rows.HEAD_CHANGES, [rows.change(change, escaped) for change in changes])
    if found.findings:
        yield heading(level + 1, "Findings") + table(
            rows.HEAD_FINDINGS, [rows.finding(finding, escaped) for finding in found.findings]
        )
        yield bullets(_evidence(found))
    doubts = [f"{what}: {why}" for what, why in rows.doubts(found, escaped)]
    if doubts:
        yield heading(level + 1, "What could not be compared") + bullets(doubts)


def _side(word: str, name: str, audit: Audit) -> str:
    when = f", read {escaped(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    return f"{word}: {escaped(name)}{when}"


def _evidence(found: Comparison) -> Iterator[str]:
    """The readings that findings gained or changed rest on."""
    for finding in found.findings:
        for reading in finding.after.evidence if finding.after is not None else ():
            words = f"{escaped(reading.source)}: {escaped(reading.read)}; expected {escaped(reading.expected)}"
            yield f"{escaped(finding.subject, rows.SUBJECT)}: {words}"
