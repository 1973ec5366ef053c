"""Explanations for a terminal: one word with all its parts, or the list of all words. Says nothing of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.manual.chapters import titles
from agent.model.findings import Severity
from agent.report.paper import HEADING, QUIET, STYLES, Page

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from agent.explain import Explanation

TITLES: Final = {
    "verdict": "Verdicts on a link",
    "severity": "Severities",
    "rule": "Rules, by what they look at",
    "step": "Steps, least invasive first",
    "word": "Words",
}
WIDE: Final = 72  # columns; in fewer a line each would leave nothing of the words
HELPED: Final = "how to tell"
RESTS_ON: Final = "rests on"


def explained(found: Sequence[Explanation], width: int, _name: str) -> Page:
    """The page of one word; it has several explanations where kinds share the word."""
    page = Page(width)
    for number, one in enumerate(found):
        if number:
            page.add()
        _explanation(page, one)
    return page


def listed(found: Sequence[Explanation], width: int, _name: str) -> Page:
    """The page of all words, by kind, one line each."""
    page = Page(width)
    longest = max(len(one.word) for one in found)
    for kind, title in TITLES.items():
        alike = [one for one in found if one.kind == kind]
        if alike:
            page.heading(title)
            rows = [(f"{one.word:<{longest}}", one.title) for one in alike]
            page.columns(rows, [_style(one) for one in alike], cut=width >= WIDE)
    _chapters(page, titles())
    page.add()
    page.add("lanewright explain WORD says more of each.", style=QUIET)
    return page


def contents(found: Mapping[str, str], width: int, _name: str) -> Page:
    """The page of all chapters of the manual."""
    page = Page(width)
    _chapters(page, found)
    page.add()
    page.add("lanewright explain CHAPTER shows one.", style=QUIET)
    return page


def _chapters(page: Page, found: Mapping[str, str]) -> None:
    page.heading("Chapters of the manual")
    page.columns(list(found.items()), cut=page.width >= WIDE)


def _explanation(page: Page, one: Explanation) -> None:
    kind = f"{one.kind}, {one.severity}" if one.severity is not None else one.kind
    page.add(Text().append(one.word, HEADING).append(f" ({kind})", ""))
    if one.cautions:
        page.add("Before this step:", style="bold", indent=2)
        for caution in one.cautions:
            page.add(f"! {caution}", indent=4, hang=6)
        page.add()
    page.add(one.title, indent=2)
    page.add()
    page.add(one.meaning, indent=2)
    page.add()
    page.columns(list(_parts(one)))


def _parts(one: Explanation) -> Iterator[tuple[str, str]]:
    """Each part of an explanation after its meaning, with its label."""
    yield (HELPED if one.kind == "step" else RESTS_ON), one.evidence
    for number, cause in enumerate(one.causes):
        yield ("usual causes" if number == 0 else ""), f"- {cause}"
    yield "cannot tell", one.cannot_tell
    yield "source", one.source
    if one.steps:
        yield "steps", ", ".join(one.steps)
    if one.rules:
        yield "rules", ", ".join(one.rules)
    if one.see_also:
        yield "see also", ", ".join(one.see_also)


def _style(one: Explanation) -> str:
    """The colour of a severity, or of what has one; the word says it too."""
    name = one.word if one.kind == "severity" else one.severity
    return STYLES[Severity(name)] if name is not None else ""
