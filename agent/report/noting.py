"""Field notes for a terminal: the list, one note whole, one held against a machine, what is wrong with files.

All text of notes and devices passes `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.model.findings import Severity
from agent.notes import versions
from agent.notes.matching import text_words
from agent.notes.seen import link_words
from agent.report.paper import HEADING, QUIET, STYLES, Page
from knowledge.phrasing import mbps, plain, quantity
from knowledge.steps import STEPS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.notebook.catalogue import Catalogue, Kept, Linted
    from agent.notebook.trying import Tried
    from agent.notes.matching import Condition, Match
    from knowledge.fieldnotes import Note, SeenThen, When

SENTENCE: Final = 2000  # characters; the longest text of a note
CARDS: Final = 400  # characters of a list of numbers
ANSWERS: Final = {True: "yes", False: "no", None: "cannot tell"}
LOOKS: Final = {True: STYLES[Severity.OK], False: "", None: STYLES[Severity.UNKNOWN]}


def listed(found: Catalogue, width: int, _source: str) -> Page:
    """All notes, one line each."""
    page = Page(width)
    used = [note for note in found.notes if not note.hidden_by]
    page.add(f"{quantity(len(used), 'field note')}; lanewright notes show NOTE tells all of one.")
    page.add()
    rows = [(kept.note.id, kept.note.confidence, plain(kept.note.title)) for kept in used]
    page.columns(rows, [STYLES[Severity(kept.note.severity)] for kept in used])
    others = sorted({kept.origin for kept in used} - {"the program"})
    if others:
        page.heading("Not of the program")
        for kept in used:
            if kept.origin != "the program":
                page.add(f"{kept.note.id}: from {plain(kept.origin)}", indent=2, hang=4)
    hidden = [note for note in found.notes if note.hidden_by]
    if hidden:
        page.heading("Not used, as another note of the same id goes before it")
        for kept in hidden:
            page.add(
                f"{kept.note.id} of {plain(kept.origin)}: that of {plain(kept.hidden_by)} counts", indent=2, hang=4
            )
    if found.damaged:
        page.heading("Not read")
        for damage in found.damaged:
            page.add(f"{damage.what}: {plain(damage.why, SENTENCE)}", indent=2, hang=4)
    return page


def shown(kept: Kept, width: int, _source: str) -> Page:
    """One note whole, its steps with their cautions before them."""
    page = Page(width)
    note = kept.note
    page.add(Text().append(note.id, HEADING).append(f": {plain(note.title)}", ""), hang=2)
    page.add(f"{note.confidence}, makes a {note.severity}; from {plain(kept.origin)}", style=QUIET)
    page.add()
    page.add(plain(" ".join(note.text.split()), SENTENCE))
    page.heading("When")
    for name, words in conditions(note.when):
        page.add(f"{name}: {plain(words, CARDS)}", indent=2, hang=4)
    page.heading("Seen")
    for words in sightings(note.seen):
        page.add(plain(words, SENTENCE), indent=2, hang=4)
    page.heading("Evidence")
    for proof in note.evidence:
        capture = "" if proof.capture is None else f", capture {proof.capture}"
        page.add(f"{plain(proof.source)}, {proof.date.isoformat()}{capture}", indent=2, hang=4)
    _steps(page, note)
    return page


def _steps(page: Page, note: Note) -> None:
    if not note.advises:
        return
    page.heading("Advises")
    for kind in sorted((STEPS[action] for action in note.advises), key=lambda kind: kind.rank):
        for caution in kind.cautions:
            page.add(f"! {caution}", indent=2, hang=4, style="bold")
        page.add(f"{kind.action}: {_general(kind.text)}", indent=2, hang=4)


def _general(text: str) -> str:
    """A step's words where no part of a machine fills them in."""
    for name, words in (("{subject}", "the part"), ("{here}", "its slot"), ("{slot}", "its slot"), ("{other}", "")):
        text = text.replace(name, words)
    text = text.replace("{advice}", "do what the text above says")
    return text.replace("{setup}", "the firmware setup").replace("{rate}", "its best rate")


def conditions(when: When) -> Iterator[tuple[str, str]]:
    """The conditions of a note in words."""
    for name, listed_words in (("card", when.card), ("subsystem", when.subsystem), ("class", when.classes)):
        if listed_words is not None:
            yield name, ", ".join(listed_words)
    if when.model is not None:
        yield "model", text_words(when.model)
    if when.firmware is not None:
        yield "firmware of the drive", versions.words(when.firmware)
    if when.slot_kind is not None:
        yield "kind of slot", ", ".join(when.slot_kind)
    if when.machine is not None and when.machine.maker is not None:
        yield "maker of the machine", text_words(when.machine.maker)
    if when.machine is not None and when.machine.product is not None:
        yield "machine", text_words(when.machine.product)
    if when.host_firmware is not None:
        yield "firmware of the machine", versions.words(when.host_firmware)
    if when.platform is not None:
        yield "system", ", ".join(when.platform)


def sightings(seen: SeenThen) -> Iterator[str]:
    """What a note has seen, in words."""
    if seen.quirk is not None:
        yield " ".join(seen.quirk.split())
    if seen.verdict is not None:
        yield f"verdict on its link: {seen.verdict}"
    if seen.link is not None:
        yield f"trained at {link_words(seen.link)}"
    if seen.rate_mbps is not None:
        yield f"{mbps(seen.rate_mbps)} alone"
    if seen.boots is not None:
        yield "a machine starts with it" if seen.boots else "a machine does not start with it"
    if seen.firmware_needed is not None:
        yield f"needs firmware {seen.firmware_needed} or later"


# --- A note on a machine ---------------------------------------------------------------------------------------


def tested(found: Tried, width: int, source: str) -> Page:
    """A note held against a machine, condition by condition."""
    page = Page(width)
    name = found.note.id
    if found.holds:
        first = f"{name} holds for {quantity(len(found.holds), 'part')} of {plain(source)}."
    elif found.unknown or found.unseen is not None:
        first = f"Whether {name} holds on {plain(source)} cannot be told."
    else:
        first = f"{name} does not hold on {plain(source)}; {quantity(found.looked_at, 'part')} looked at."
    page.add(first, style=HEADING)
    if found.unseen is not None:
        page.add(f"There may be more parts than were seen: {plain(found.unseen.what)}: {plain(found.unseen.why)}.")
    for match in (*found.holds, *found.unknown, *found.nearest):
        _match(page, match)
    if not (found.holds or found.unknown or found.nearest):
        page.add("No part that was seen meets a single one of its conditions, which are:")
        for condition, words in conditions(found.note.when):
            page.add(f"{condition}: {plain(words, CARDS)}", indent=2, hang=4)
    return page


def _match(page: Page, match: Match) -> None:
    page.add()
    page.add(f"{plain(match.part.subject)}: {ANSWERS[match.holds]}", style=LOOKS[match.holds])
    for condition in match.conditions:
        page.add(_condition(condition), indent=2, hang=4)


def _condition(condition: Condition) -> str:
    words = f"{ANSWERS[condition.holds]:<12}{condition.name}: {plain(condition.read)}; wanted {plain(condition.wanted)}"
    return f"{words} ({plain(condition.why)})" if condition.holds is None else words


# --- Files -----------------------------------------------------------------------------------------------------


def linted(found: Linted, width: int, source: str) -> Page:
    """What is wrong with files of notes."""
    page = Page(width)
    notes = sum(count for _, count in found.files)
    if not found.files:
        page.add(f"There is no file of notes in {plain(source)}.")
        return page
    alone = not notes and len(found.files) == len(found.wrong) == 1
    if not alone:  # then what is wrong says it all
        files = quantity(len(found.files), "file")
        looked = f"{quantity(notes, 'note')} in {files} right" if notes else f"No note in {files} is right"
        wrong = f"{quantity(len(found.wrong), 'thing')} wrong" if found.wrong else "nothing wrong"
        page.add(f"{looked}; {wrong}.", style=STYLES[Severity.FAULT if found.wrong else Severity.OK])
    for problem in found.wrong:
        page.add(plain(problem.words, 600), indent=2, hang=4)
    if found.remarks:
        page.heading("Worth knowing")
        for remark in found.remarks:
            page.add(plain(remark.words, 600), indent=2, hang=4)
    return page
