"""A comparison for terminals: the verdict, the two sides, then a table for parts, for each topic and for findings.

Fits 40 to 200 columns. All device text passes `plain`; rich's own markup is off. Decides nothing. Short: what was read
behind a finding stands in the other forms, and rows that are alike are told together.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity
from agent.report import compare_rows as rows
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import told
from agent.report.words import moment
from knowledge.phrasing import listed, plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.compare.changes import Comparison, FindingChange
    from agent.model.findings import Finding

__all__ = ["page", "show"]

LOOKS: Final = {"better": STYLES[Severity.OK], "worse": STYLES[Severity.FAULT], "other": ""}
WAYS: Final = {word: LOOKS[way] for way, word in rows.DIRECTIONS.items()} | {rows.LOST: LOOKS["worse"]}
WORDS: Final = rows.DIRECTIONS | {"other": ""}  # that a row changed, its place in a table of changes says
NONE: Final = "-"
TOGETHER: Final = "; "

Cells = tuple[str, ...]


def page(found: tuple[Comparison, str, str], width: int, source: str) -> Page:
    """The page of a comparison and of what its two sides are called; `source` is the name of the second."""
    comparison, before_name, after_name = found
    page = Page(width)
    _verdict(page, comparison)
    _side(page, "Before", before_name, comparison.before)
    _side(page, "After", after_name or source, comparison.after)
    for section in rows.sections(comparison):
        page.heading(section.title)
        if section.key == "parts":
            _parts(page, [row.cells for row in section.rows])
        elif section.key == "findings":
            _findings(page, comparison.findings)
        else:
            _changes(page, section.rows)
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
    when = f", read {moment(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    against = f", held against {plain(audit.against)}" if audit.against is not None and word == "After" else ""
    page.add(f"{word}: {plain(name)}, {host}{when}{against}", hang=2, style=QUIET)


def _table(page: Page, head: Cells, cells: Sequence[Cells]) -> None:
    """A table whose first cells are words of what became of something, coloured by the way that this is."""
    page.table(head, cells, [WAYS.get(row[0], "") for row in cells])


def _parts(page: Page, cells: Sequence[Cells]) -> None:
    """Parts with their places; by what those in both are matched is said once, and beside those with another sign."""
    signs = Counter(row[-1] for row in cells if row[-1] != rows.UNMATCHED)
    usual = signs.most_common(1)[0][0] if signs else rows.UNMATCHED
    _table(
        page,
        rows.HEAD_PARTS[:-1],
        [
            (
                row[0],
                row[1] if row[-1] in {usual, rows.UNMATCHED} else f"{row[1]} (matched by {row[-1]})",
                *(NONE if place == rows.NOT_THERE else place for place in row[2:-1]),
            )
            for row in cells
        ],
    )
    if signs:
        page.add(f"Matched by {usual}.", indent=2, style=QUIET)


def _changes(page: Page, changed_rows: Sequence[rows.ChangeRow]) -> None:
    """Figures before and after; those of one part that change alike in one row, and parts that change alike, too."""
    merged: dict[Cells, list[str]] = {}
    for row in changed_rows:
        _, of, what, before, after = row.cells
        merged.setdefault((WORDS[row.way], of, before, after), []).append(what)
    by_part: dict[str, list[Cells]] = {}
    for (way, of, before, after), whats in merged.items():
        by_part.setdefault(of, []).append((way, listed(whats), before, after))
    alike: dict[tuple[Cells, ...], list[str]] = {}
    for of, changed in by_part.items():
        alike.setdefault(tuple(changed), []).append(of)
    shown = [
        (way, "" if number else TOGETHER.join(parts), *rest)
        for changed, parts in alike.items()
        for number, (way, *rest) in enumerate(changed)
    ]
    _table(page, rows.HEAD_CHANGES, shown)


def _findings(page: Page, found: Sequence[FindingChange]) -> None:
    """Findings that came, went or differ, by what comes first in their headlines."""
    shown = [
        (
            WORDS[change.direction],
            rows.became(change),
            plain(change.subject, rows.SUBJECT),
            " -> ".join(_brief(side) for side in (change.before, change.after) if side is not None),
        )
        for change in found
    ]
    _table(page, ("", "Change", "Of", "Finding"), shown)


def _brief(finding: Finding) -> str:
    return f"{finding.severity.value}: {plain(finding.headline.partition(';')[0], rows.HEADLINE)}"
