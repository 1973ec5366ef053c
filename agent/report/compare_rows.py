"""What all forms of a comparison show: sections of the same rows, in words.

A form decides looks only; how it escapes text is given.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.phrasing import LONGEST, plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.compare.changes import Change, Comparison, Direction, FindingChange, Part, PartChange
    from agent.model.findings import Finding

    Escape = Callable[[str, int], str]

SENTENCE: Final = 1_500  # characters of the verdict, device text included
SUBJECT: Final = 300
HEADLINE: Final = 400
NOT_THERE: Final = "not there"
LOST: Final = "lost"  # gone, and nothing took its place
WITH_PART: Final = "gone with its part"
ON_BOARD: Final = "on the board"
FEW: Final = 3  # devices of the board that are still told one by one
OTHER_MACHINE: Final = "These may not be the same machine"
# Headings of the topics, in the order of the page.
TOPICS: Final = {
    "link": "Links",
    "stripe set": "Stripe sets",
    "rate": "What drives should reach",
    "firmware": "Firmware",
    "temperature": "Temperatures",
    "health": "Health of drives",
    "machine": "The machine",
}
DIRECTIONS: Final = {"better": "better", "worse": "worse", "other": "changed"}
HEAD_PARTS: Final = ("Change", "Part", "Before", "After", "Told by")
HEAD_CHANGES: Final = ("", "Of", "What", "Before", "After")
HEAD_FINDINGS: Final = ("", "Change", "Of", "Before", "After")
# What became of something that has one side only, and which side that is: 0 before, 1 after.
ONE_SIDED: Final = {"added": 1, "gained": 1, "removed": 0, LOST: 0, "cleared": 0, WITH_PART: 0}


class ChangeRow(Struct, frozen=True, kw_only=True):
    """A row in words: what became of something, and which way that is.

    `cells` are all that a table shows, the word first. A form without tables shows `line` after the word, below the
    `subject` that it is of ("" for none). `evidence` are the readings that it rests on.
    """

    cells: tuple[str, ...]
    way: Direction
    line: str
    subject: str = ""
    evidence: tuple[str, ...] = ()


class ChangeSection(Struct, frozen=True):
    """Rows with their heading, and the heads of their columns.

    `folds` tells that a subject is named once for all its rows. The page has a `key` for each section, a `caption` for
    readers of screens, and may have another heading, `on_page`.
    """

    key: str
    title: str
    head: tuple[str, ...]
    rows: tuple[ChangeRow, ...]
    caption: str
    folds: bool = False
    on_page: str = ""


def sections(found: Comparison, escape: Escape = plain) -> Iterator[ChangeSection]:
    """Parts, then each topic, then findings, as far as there are any."""
    parts = tuple(_parts(found, escape))
    if parts:
        yield ChangeSection("parts", "Parts", HEAD_PARTS, parts, "Parts that came, went or moved")
    for number, (title, changes) in enumerate(_topics(found), 1):
        rows = tuple(_change(change, escape) for change in changes)
        yield ChangeSection(str(number), title, HEAD_CHANGES, rows, f"{title}, before and after", folds=True)
    findings = tuple(_finding(finding_change, escape) for finding_change in found.findings)
    if findings:
        caption, on_page = "Findings that came, went or differ", "Findings gained and cleared"
        yield ChangeSection("findings", "Findings", HEAD_FINDINGS, findings, caption, on_page=on_page)


def _topics(found: Comparison) -> Iterator[tuple[str, list[Change]]]:
    """Heading and changes of each topic that has any; of each topic what got worse stands first."""
    order = ["worse", *(way for way in DIRECTIONS if way != "worse")]
    for topic, title in TOPICS.items():
        some = [change for change in found.changes if change.topic == topic]
        if some:
            yield title, sorted(some, key=lambda change: order.index(change.direction))


def doubts(found: Comparison, escape: Escape = plain) -> Iterator[tuple[str, str]]:
    """What could not be compared, and why."""
    for doubt in found.doubts:
        yield escape(doubt.what, HEADLINE), escape(doubt.why, HEADLINE)


def _figures(kind: str, before: str, after: str) -> str:
    side = ONE_SIDED.get(kind)
    return f"{before} -> {after}" if side is None else (before, after)[side]


# --- Parts -----------------------------------------------------------------------------------------------------


def _parts(found: Comparison, escape: Escape) -> Iterator[ChangeRow]:
    """A row for each part: the change, the part, its place before and after, by what it is told.

    Many devices of the board that came or went together are one row: another board, or another setting of it.
    """
    folded = {kind: _of_board(found, kind) for kind in ("added", "removed")}
    for part_change in found.parts:
        part = part_change.part
        alike = folded.get(part_change.kind, ()) if part.on_board else ()
        if len(alike) <= FEW:
            kind = LOST if part_change.direction == "worse" else part_change.kind
            places = _place(part_change.before, escape), _place(part_change.after, escape)
            yield _part_row(kind, escape(f"{part.kind} {part.name}", SUBJECT), places, part.identity)
        elif part_change is alike[0]:
            places = (NOT_THERE, ON_BOARD) if part_change.kind == "added" else (ON_BOARD, NOT_THERE)
            yield _part_row(part_change.kind, f"{len(alike)} devices of the board", places, "model or place")


def _part_row(kind: str, name: str, places: tuple[str, str], told_by: str) -> ChangeRow:
    return ChangeRow(
        cells=(kind, name, *places, told_by),
        way="worse" if kind == LOST else "other",
        line=f"{name}: {_figures(kind, *places)} (told by its {told_by})",
    )


def _of_board(found: Comparison, kind: str) -> list[PartChange]:
    return [part for part in found.parts if part.kind == kind and part.part.on_board]


def _place(part: Part | None, escape: Escape) -> str:
    return NOT_THERE if part is None else escape(part.place, SUBJECT)


# --- Changes and findings --------------------------------------------------------------------------------------


def _change(change: Change, escape: Escape) -> ChangeRow:
    """Of what, what, before and after."""
    subject, what, before, after = (
        escape(text, SUBJECT) for text in (change.subject, change.what, change.before, change.after)
    )
    return ChangeRow(
        cells=(DIRECTIONS[change.direction], subject, what, before, after),
        way=change.direction,
        line=f"{what}: {before} -> {after}",
        subject=subject,
    )


def _finding(change: FindingChange, escape: Escape) -> ChangeRow:
    """What became of it, of what, before and after, with the readings of one that is there."""
    before, after = (_headline(side, escape) for side in (change.before, change.after))
    kind = WITH_PART if change.kind == "gone" else change.kind
    subject = escape(change.subject, SUBJECT)
    readings = change.after.evidence if change.after is not None else ()
    told = (
        [escape(text, LONGEST) for text in (reading.source, reading.read, reading.expected)] for reading in readings
    )
    return ChangeRow(
        cells=(DIRECTIONS[change.direction], kind, subject, before, after),
        way=change.direction,
        line=f"{kind}: {_figures(kind, before, after)}",
        subject=subject,
        evidence=tuple(f"{source}: {read}; expected {expected}" for source, read, expected in told),
    )


def _headline(found: Finding | None, escape: Escape) -> str:
    return "none" if found is None else f"{found.severity.value}: {escape(found.headline, HEADLINE)}"
