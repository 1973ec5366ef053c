"""The form for terminals: plain words, worst first, one line a healthy link. Every colour is doubled by a word.

Fits 80 columns and grows with the terminal. All device text passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.report import words
from agent.report.advice import add_findings, add_remarks
from agent.report.paper import QUIET, STYLES, Page, show
from agent.report.sections import drives, functions, head, stripes, unread
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.judged import Judged
__all__ = ["Page", "check", "show"]


def check(audit: Audit, width: int, source: str) -> Page:
    """The page of `check`; `source` says where the readings come from ("this machine", a capture's name)."""
    page = Page(width)
    head(page, audit, source)
    summary = Text()
    for part, severity in words.summary(audit):
        summary.append(part, STYLES[severity] if severity is not None else "")
    page.add(summary)
    _links(page, audit)
    for group in words.by_subject(words.findings(audit)):
        add_findings(page, group, audit)
    add_remarks(page, audit)
    drives(page, audit)
    stripes(page, audit)
    if all(judged.link.device is None for judged in audit.links):
        functions(page, audit, "What was seen")
    _firmware(page, audit)
    unread(page, audit)
    more = words.explained(audit)
    if more:
        page.add()
        page.add(more, style=QUIET, hang=2)
    return page


# --- Links and drives ------------------------------------------------------------------------------------------


def _links(page: Page, audit: Audit) -> None:
    if not audit.links:
        return
    page.heading("Links, worst first")
    fitted = [judged for judged in words.ranked(audit) if words.is_fitted(judged)]
    rows = [
        (
            judged.verdict.value,
            plain(words.port(judged), 24),
            judged.device_address or "",
            words.rate_now(judged),
            f"{_more(judged)}{words.leads_to(judged, audit)}",
        )
        for judged in fitted
    ]
    page.columns(rows, [STYLES[judged.verdict.severity] for judged in fitted], cut=True)
    for verdict, alike in words.without(audit):
        page.columns([(verdict.value, alike)], [STYLES[verdict.severity]])
    for line in words.asides(audit):
        page.add(line, indent=2, hang=4)


def _more(judged: Judged) -> str:
    """What a link could do where that is more than it does: "of x8: ", "of Gen 4: "; else nothing."""
    now, could = judged.now, words.could(judged)
    if now is None or could is None:
        return ""
    lanes = f"x{could.width}" if could.width > now.width else ""
    speed = f"Gen {could.speed}" if could.speed > now.speed else ""
    return f"of {' '.join(part for part in (speed, lanes) if part)}: "


def _firmware(page: Page, audit: Audit) -> None:
    rows = list(words.firmware(audit))
    if rows:
        page.heading("Firmware on record")
    for part, version in rows:
        page.add(f"{part}: {version}", indent=2, hang=4)
