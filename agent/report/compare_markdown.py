"""The Markdown form of a comparison, for forums and tickets. Decides nothing; shows the rows of all forms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.report import compare_rows as rows
from agent.report.marks import bullets, escaped, heading, table
from agent.report.words import moment

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
    for section in rows.sections(found, escaped):
        yield heading(level + 1, section.title) + table(section.head, [row.cells for row in section.rows])
        yield bullets(f"{row.subject}: {reading}" for row in section.rows for reading in row.evidence)
    doubts = [f"{what}: {why}" for what, why in rows.doubts(found, escaped)]
    if doubts:
        yield heading(level + 1, "What could not be compared") + bullets(doubts)


def _side(word: str, name: str, audit: Audit) -> str:
    when = f", read {escaped(moment(audit.facts.taken_at))}" if audit.facts.taken_at else ""
    return f"{word}: {escaped(name)}{when}"
