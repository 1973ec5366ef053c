"""Two soaks beside each other, for terminals and in Markdown: the verdict, then each drive with what it rests on.

Decides nothing. All text of logs passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Severity
from agent.report.marks import bullets, escaped, heading
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plain import machine_named
from agent.report.words import moment
from agent.soak import wording
from agent.soak.pairs import WORDS
from knowledge.phrasing import plain, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.soak.analysed import Analysis
    from agent.soak.pairs import DrivePair, SoakPair

__all__ = ["markdown", "page", "show"]

LONGEST: Final = 600  # characters
LOOKS: Final = {
    "worse": STYLES[Severity.FAULT],
    "better": STYLES[Severity.OK],
    "alike": HEADING,
    "unknown": STYLES[Severity.UNKNOWN],
}
ORDER: Final = tuple(WORDS)


def page(found: tuple[SoakPair, str, str], width: int, source: str) -> Page:
    """The page of two soaks and of what their logs are called; `source` is the name of the second."""
    pair, before_name, after_name = found
    shown = Page(width)
    shown.add(plain(pair.verdict, LONGEST), style=LOOKS[_worst(pair)])
    shown.add()
    for words in _sides(pair, before_name, after_name or source, plain):
        shown.add(words, hang=2, style=QUIET)
    for note in _around(pair, plain):
        shown.add(note, hang=2)
    for drive in _ordered(pair):
        shown.add()
        shown.add(f"{_name(drive, plain)}: {WORDS[drive.direction]}", style=LOOKS[drive.direction])
        for words in (*drive.words, *drive.doubts):
            shown.add(sentence(plain(words, LONGEST)), indent=2, hang=2)
    return shown


def markdown(pair: SoakPair, before_name: str, after_name: str) -> str:
    """The same as a Markdown document."""
    return "".join(
        (
            heading(1, "Two soaks beside each other"),
            f"**{escaped(pair.verdict, LONGEST)}**\n\n",
            bullets((*_sides(pair, before_name, after_name, escaped), *_around(pair, escaped))),
            *(
                heading(2, f"{_name(drive, escaped)}: {WORDS[drive.direction]}")
                + bullets(sentence(escaped(words, LONGEST)) for words in (*drive.words, *drive.doubts))
                for drive in _ordered(pair)
            ),
        )
    )


def _worst(pair: SoakPair) -> str:
    return min((drive.direction for drive in pair.drives), key=ORDER.index, default="unknown")


def _ordered(pair: SoakPair) -> list[DrivePair]:
    return sorted(pair.drives, key=lambda drive: ORDER.index(drive.direction))


def _name(drive: DrivePair, harmless: Callable[..., str]) -> str:
    before = f" ({harmless(drive.before_name)} before)" if drive.before_name != drive.name else ""
    return f"{harmless(drive.name)}{before}"


def _sides(pair: SoakPair, before_name: str, after_name: str, harmless: Callable[..., str]) -> Iterator[str]:
    sides: tuple[tuple[str, str, Analysis], ...] = (
        ("Before", before_name, pair.before),
        ("After", after_name, pair.after),
    )
    for word, name, side in sides:
        machine = harmless(machine_named(side.head.machine))
        lasted = wording.lasting(side.seconds)
        started = harmless(moment(side.head.started_at), 40)
        yield f"{word}: {harmless(name, LONGEST)}, {machine}, started {started}, {lasted}"


def _around(pair: SoakPair, harmless: Callable[..., str]) -> Iterator[str]:
    """What was not alike around the drives, and drives of one soak alone."""
    for note in pair.notes:
        yield sentence(harmless(note, LONGEST))
    for names, which in ((pair.only_before, "first"), (pair.only_after, "second")):
        if names:
            yield f"In the {which} soak alone: {', '.join(harmless(name) for name in names)}."
