"""Explanations for a terminal: one word with all its parts, or the list of all words. Says nothing of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.manual.chapters import titles
from agent.model.findings import Severity
from agent.report.paper import HEADING, STYLES, Page

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
HELPED: Final = "how to tell"
RESTS_ON: Final = "rests on"
READ_FROM: Final = "read from"


def explained(found: Sequence[Explanation], width: int, _name: str) -> Page:
    """The page of one word; it has several explanations where kinds share the word."""
    page = Page(width)
    for number, explanation in enumerate(found):
        if number:
            page.add()
        _explanation(page, explanation)
    return page


def listed(found: Sequence[Explanation], width: int, _name: str) -> Page:
    """The page of all words, by kind."""
    page = Page(width)
    page.add(f"lanewright explain WORD explains any of these {len(found)} words; chapters of the manual stand last.")
    for kind, title in TITLES.items():
        alike = [explanation for explanation in found if explanation.kind == kind]
        if alike:
            page.heading(title)
            rows = [(explanation.word, explanation.brief or explanation.title) for explanation in alike]
            page.columns(rows, [_style(explanation) for explanation in alike])
    _chapters(page, titles())
    return page


def contents(found: Mapping[str, str], width: int, _name: str) -> Page:
    """The page of all chapters of the manual."""
    page = Page(width)
    page.add("lanewright explain CHAPTER shows a chapter.")
    _chapters(page, found)
    return page


def _chapters(page: Page, found: Mapping[str, str]) -> None:
    page.heading("Chapters of the manual")
    page.columns(list(found.items()))


def _explanation(page: Page, explanation: Explanation) -> None:
    kind = f"{explanation.kind}, {explanation.severity}" if explanation.severity is not None else explanation.kind
    head = Text().append(explanation.word, HEADING).append(f" ({kind}): ", "")
    if explanation.cautions:
        page.add(head.append("before this step", HEADING), hang=2)
        for caution in explanation.cautions:
            page.add(f"! {caution}", indent=4, hang=6)
        page.add()
        page.add(explanation.title, indent=2)
    else:
        page.add(head.append(explanation.title), hang=2)
    page.add()
    page.add(explanation.meaning, indent=2)
    page.add()
    page.columns(list(_parts(explanation)))


def _parts(explanation: Explanation) -> Iterator[tuple[str, str]]:
    """Each part of an explanation after its meaning, with its label."""
    if explanation.also:
        yield "also under", ", ".join(explanation.also)
    if explanation.evidence:
        yield _label(explanation), explanation.evidence
    for number, cause in enumerate(explanation.causes):
        yield ("usual causes" if number == 0 else ""), f"- {cause}"
    if explanation.cannot_tell:
        yield "cannot tell", explanation.cannot_tell
    yield "source", explanation.source
    if explanation.steps:
        yield "steps", ", ".join(explanation.steps)
    if explanation.rules:
        yield "rules", ", ".join(explanation.rules)
    if explanation.see_also:
        yield "see also", ", ".join(explanation.see_also)


def _label(explanation: Explanation) -> str:
    """What the evidence of an explanation is called."""
    return {"step": HELPED, "word": READ_FROM}.get(explanation.kind, RESTS_ON)


def _style(explanation: Explanation) -> str:
    """The colour of a severity, or of what has one; the word says it too."""
    name = explanation.word if explanation.kind == "severity" else explanation.severity
    return STYLES[Severity(name)] if name is not None else ""
