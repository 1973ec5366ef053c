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
    for number, explanation in enumerate(found):
        if number:
            page.add()
        _explanation(page, explanation)
    return page


def listed(found: Sequence[Explanation], width: int, _name: str) -> Page:
    """The page of all words, by kind, one line each."""
    page = Page(width)
    longest = max(len(explanation.word) for explanation in found)
    for kind, title in TITLES.items():
        alike = [explanation for explanation in found if explanation.kind == kind]
        if alike:
            page.heading(title)
            rows = [(f"{explanation.word:<{longest}}", explanation.title) for explanation in alike]
            page.columns(rows, [_style(explanation) for explanation in alike], cut=width >= WIDE)
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


def _explanation(page: Page, explanation: Explanation) -> None:
    kind = f"{explanation.kind}, {explanation.severity}" if explanation.severity is not None else explanation.kind
    page.add(Text().append(explanation.word, HEADING).append(f" ({kind})", ""))
    if explanation.cautions:
        page.add("Before this step:", style="bold", indent=2)
        for caution in explanation.cautions:
            page.add(f"! {caution}", indent=4, hang=6)
        page.add()
    page.add(explanation.title, indent=2)
    page.add()
    page.add(explanation.meaning, indent=2)
    page.add()
    page.columns(list(_parts(explanation)))


def _parts(explanation: Explanation) -> Iterator[tuple[str, str]]:
    """Each part of an explanation after its meaning, with its label."""
    yield (HELPED if explanation.kind == "step" else RESTS_ON), explanation.evidence
    for number, cause in enumerate(explanation.causes):
        yield ("usual causes" if number == 0 else ""), f"- {cause}"
    yield "cannot tell", explanation.cannot_tell
    yield "source", explanation.source
    if explanation.steps:
        yield "steps", ", ".join(explanation.steps)
    if explanation.rules:
        yield "rules", ", ".join(explanation.rules)
    if explanation.see_also:
        yield "see also", ", ".join(explanation.see_also)


def _style(explanation: Explanation) -> str:
    """The colour of a severity, or of what has one; the word says it too."""
    name = explanation.word if explanation.kind == "severity" else explanation.severity
    return STYLES[Severity(name)] if name is not None else ""
