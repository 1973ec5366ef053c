"""A comparison for terminals: the verdict, then parts, links, rates, the rest, each with a word for its direction.

Fits 40 to 200 columns. All device text passes `plain`; rich's own markup is off. Decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.model.findings import Severity
from agent.report import compare_rows as rows
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import told
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Comparison

__all__ = ["page", "show"]

LOOKS: Final = {"better": STYLES[Severity.OK], "worse": STYLES[Severity.FAULT], "other": ""}
WORD: Final = max(len(word) for word in rows.DIRECTIONS.values()) + 2


def page(found: tuple[Comparison, str, str], width: int, source: str) -> Page:
    """The page of a comparison and of what its two sides are called; `source` is the name of the second."""
    comparison, before_name, after_name = found
    page = Page(width)
    _verdict(page, comparison)
    _side(page, "Before", before_name, comparison.before)
    _side(page, "After", after_name or source, comparison.after)
    for section in rows.sections(comparison):
        page.heading(section.title)
        above = ""
        for row in section.rows:
            _row(page, row, row.subject if row.subject != above else "")
            above = row.subject if section.folds else ""
    doubts = list(rows.doubts(comparison))
    if doubts:
        page.heading("What could not be compared")
        for what, why in doubts:
            page.add(f"{what}: {why}", indent=2, hang=4)
    return page


def _verdict(page: Page, found: Comparison) -> None:
    if found.other_machine:
        words = f"{rows.OTHER_MACHINE}: {plain(found.other_machine, rows.SENTENCE)}."
        page.add(words, style=STYLES[Severity.UNKNOWN])
    look = LOOKS["worse"] if found.worse else HEADING if found.nothing_changed else LOOKS["better"]
    page.add(plain(found.verdict, rows.SENTENCE), style=look if found.other_machine == "" or found.worse else HEADING)
    page.add()


def _side(page: Page, word: str, name: str, audit: Audit) -> None:
    host = told(audit.facts.host.name, "a machine without a name")
    when = f", read {plain(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    against = f", held against {plain(audit.against)}" if audit.against is not None and word == "After" else ""
    page.add(f"{word}: {plain(name)}, {host}{when}{against}", hang=2, style=QUIET)


def _row(page: Page, row: rows.ChangeRow, subject: str) -> None:
    """A row: whose it is ("": as the row above), then the word of what became of it and the figures."""
    if subject:
        page.add(subject, indent=2, hang=4)
    line = Text().append(f"{row.cells[0]:<{WORD}}", LOOKS[row.way]).append(row.line, "")
    page.add(line, indent=4, hang=4 + WORD)
    for reading in row.evidence:
        page.add(reading, indent=4 + WORD, hang=6 + WORD, style=QUIET)
