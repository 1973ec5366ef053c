"""What all forms of a comparison show: sections of the same rows, in words.

A form decides looks only; how it escapes text is given.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.phrasing import LONGEST, listed, plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.compare.changes import Change, Comparison, Direction, FindingChange, Part, PartChange
    from agent.model.findings import Finding

    Escape = Callable[[str, int], str]

SENTENCE: Final = 1_500  # characters of the verdict, device text included
SUBJECT: Final = 300
HEADLINE: Final = 400
NOT_THERE: Final = "not there"
LOST: Final = "missing"  # nothing took its place
WITH_PART: Final = "part removed"
WITH_LOST: Final = "part missing"
ON_BOARD: Final = "on the board"
UNMATCHED: Final = "nothing"  # what is on one side only
FEW: Final = 3  # devices of the board that are still told one by one
RUN: Final = 3  # numbers in a row that are told by the first and the last of them
PORT: Final = re.compile(r"(.*?)\bport ([0-9]+)(?![0-9:])(.*)", re.DOTALL)
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
HEAD_PARTS: Final = ("Change", "Part", "Before", "After", "Matched by")
HEAD_CHANGES: Final = ("", "Of", "What", "Before", "After")
HEAD_FINDINGS: Final = ("", "Change", "Of", "Before", "After")
BECAME: Final = {"gained": "new", "cleared": "cleared", "gone": WITH_PART, "changed": "changed"}


class ChangeRow(Struct, frozen=True, kw_only=True):
    """A row in words: what became of something, and which way that is.

    `cells` are all that a table shows, the word first; `subject` is what it is of ("" for none), and `evidence` the
    readings that it rests on.
    """

    cells: tuple[str, ...]
    way: Direction
    subject: str = ""
    evidence: tuple[str, ...] = ()


class ChangeSection(Struct, frozen=True):
    """Rows with their heading, and the heads of their columns.

    The page has a `key` for each section, a `caption` for readers of screens, and may have another heading, `on_page`.
    """

    key: str
    title: str
    head: tuple[str, ...]
    rows: tuple[ChangeRow, ...]
    caption: str
    on_page: str = ""


def sections(found: Comparison, escape: Escape = plain) -> Iterator[ChangeSection]:
    """Parts, then each topic, then findings, as far as there are any."""
    parts = tuple(_parts(found, escape))
    if parts:
        yield ChangeSection("parts", "Parts", HEAD_PARTS, parts, "Parts that came, went or moved")
    for number, (title, changes) in enumerate(_topics(found), 1):
        rows = tuple(_change(change, escape) for change in changes)
        yield ChangeSection(str(number), title, HEAD_CHANGES, rows, f"{title}, before and after")
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


# --- Parts -----------------------------------------------------------------------------------------------------


def _parts(found: Comparison, escape: Escape) -> Iterator[ChangeRow]:
    """A row for each part, or for all alike that came or went, worst first.

    Many devices of the board that came or went together are one row: another board, or another setting of it.
    """
    folded = {kind: _of_board(found, kind) for kind in ("added", "removed")}
    groups: dict[tuple[object, ...], list[PartChange]] = {}
    for number, part_change in enumerate(found.parts):
        part = part_change.part
        alike = folded.get(part_change.kind, ()) if part.on_board else ()
        if len(alike) > FEW:
            if part_change is alike[0]:
                groups[number, "board"] = list(alike)
            continue
        word = LOST if part_change.direction == "worse" else part_change.kind
        own = number if word == "moved" else None
        groups.setdefault((word, part.kind, part.name, part.identity, own), []).append(part_change)
    yield from sorted((_part_row(alike, escape) for alike in groups.values()), key=lambda row: row.way != "worse")


def _part_row(alike: list[PartChange], escape: Escape) -> ChangeRow:
    first = alike[0]
    worse = first.direction == "worse"
    if first.part.on_board and len(alike) > FEW:
        name = f"{len(alike)} on-board devices"
        places = (NOT_THERE, ON_BOARD) if first.kind == "added" else (ON_BOARD, NOT_THERE)
    else:
        name = escape(_named(first.part, len(alike)), SUBJECT)
        places = (
            _places([change.before for change in alike], escape),
            _places([change.after for change in alike], escape),
        )
    word = LOST if worse else first.kind
    told_by = first.part.identity if first.kind == "moved" else UNMATCHED
    return ChangeRow(cells=(word, name, *places, told_by), way="worse" if worse else "other")


def _named(part: Part, count: int) -> str:
    """Parts of one name with what they are, unless the name says it: "4 drives Reel 4", "Packet switch PS-12"."""
    if part.kind == "card" or part.kind in part.name.lower():
        return part.name if count == 1 else f"{part.name}, {count} of them"
    return f"{part.kind} {part.name}" if count == 1 else f"{count} {part.kind}s {part.name}"


def _places(parts: list[Part | None], escape: Escape) -> str:
    """Where alike parts are, ports of one slot or card together: "SLOT1, ports 1 to 4 of 4; M2_1"."""
    ports: dict[tuple[str, ...], list[int]] = {}
    for place in (part.place for part in parts if part is not None):
        found = PORT.fullmatch(place)
        if found is None or len(found[2]) > RUN:
            ports[(place,)] = []
        else:
            ports.setdefault((found[1], found[3]), []).append(int(found[2]))
    if not ports:
        return NOT_THERE
    return "; ".join(escape(_numbered(words, numbers), SUBJECT) for words, numbers in ports.items())


def _numbered(words: tuple[str, ...], numbers: list[int]) -> str:
    """A place with its ports put in between the words: "port 2", "ports 1 and 2", "ports 1 to 4"."""
    if not numbers:
        return words[0]
    ordered = sorted(numbers)
    if len(ordered) >= RUN and ordered == list(range(ordered[0], ordered[-1] + 1)):
        told = f"{ordered[0]} to {ordered[-1]}"
    else:
        told = listed(map(str, ordered))
    return f"{words[0]}port{'s' if len(ordered) > 1 else ''} {told}{words[1]}"


def _of_board(found: Comparison, kind: str) -> list[PartChange]:
    return [part for part in found.parts if part.kind == kind and part.part.on_board]


# --- Changes and findings --------------------------------------------------------------------------------------


def _change(change: Change, escape: Escape) -> ChangeRow:
    """Of what, what, before and after."""
    subject, what, before, after = (
        escape(text, SUBJECT) for text in (change.subject, change.what, change.before, change.after)
    )
    return ChangeRow(
        cells=(DIRECTIONS[change.direction], subject, what, before, after),
        way=change.direction,
        subject=subject,
    )


def _finding(change: FindingChange, escape: Escape) -> ChangeRow:
    """What became of it, of what, before and after, with the readings of one that is there."""
    before, after = (_headline(side, escape) for side in (change.before, change.after))
    kind = became(change)
    subject = escape(change.subject, SUBJECT)
    readings = change.after.evidence if change.after is not None else ()
    told = (
        [escape(text, LONGEST) for text in (reading.source, reading.read, reading.expected)] for reading in readings
    )
    return ChangeRow(
        cells=(DIRECTIONS[change.direction], kind, subject, before, after),
        way=change.direction,
        subject=subject,
        evidence=tuple(f"{source}: {read}; expected {expected}" for source, read, expected in told),
    )


def became(change: FindingChange) -> str:
    """What became of a finding, in a word or two."""
    return WITH_LOST if change.missed else BECAME[change.kind]


def _headline(found: Finding | None, escape: Escape) -> str:
    return "none" if found is None else f"{found.severity.value}: {escape(found.headline, HEADLINE)}"
