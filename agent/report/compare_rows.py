"""What the forms of a comparison show: the same rows in each, in words. Decides looks of words only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.phrasing import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.compare.changes import Change, Comparison, FindingChange, Part, PartChange
    from agent.model.findings import Finding

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

Escape = "Callable[[str, int], str]"


def parts(found: Comparison, escape: Callable[[str, int], str] = plain) -> Iterator[tuple[str, ...]]:
    """A row for each part: the change, the part, its place before and after, by what it is told.

    Many devices of the board that came or went together are one row: another board, or another setting of it.
    """
    folded = {kind: _of_board(found, kind) for kind in ("added", "removed")}
    for part_change in found.parts:
        part = _part(part_change)
        if part.on_board and len(folded.get(part_change.kind, ())) > FEW:
            if part_change is folded[part_change.kind][0]:
                places = (NOT_THERE, ON_BOARD) if part_change.kind == "added" else (ON_BOARD, NOT_THERE)
                yield (
                    part_change.kind,
                    f"{len(folded[part_change.kind])} devices of the board",
                    *places,
                    "model or place",
                )
            continue
        name = escape(f"{part.kind} {part.name}", SUBJECT)
        kind = LOST if part_change.direction == "worse" else part_change.kind
        yield kind, name, _place(part_change.before, escape), _place(part_change.after, escape), part.identity


def _of_board(found: Comparison, kind: str) -> list[PartChange]:
    return [part for part in found.parts if part.kind == kind and _part(part).on_board]


def _part(one: PartChange) -> Part:
    part = one.after if one.after is not None else one.before
    assert part is not None
    return part


def _place(part: Part | None, escape: Callable[[str, int], str]) -> str:
    return NOT_THERE if part is None else escape(part.place, SUBJECT)


def topics(found: Comparison) -> Iterator[tuple[str, tuple[Change, ...]]]:
    """Heading and rows of each topic that has any; of each topic what got worse stands first."""
    order = list(DIRECTIONS)
    order.insert(0, order.pop(order.index("worse")))
    for topic, title in TOPICS.items():
        some = [link_change for link_change in found.changes if link_change.topic == topic]
        if some:
            yield title, tuple(sorted(some, key=lambda finding_change: order.index(finding_change.direction)))


def change(finding_change: Change, escape: Callable[[str, int], str] = plain) -> tuple[str, ...]:
    """A row: its direction in a word, of what, what, before and after."""
    words = (
        escape(text, SUBJECT)
        for text in (finding_change.subject, finding_change.what, finding_change.before, finding_change.after)
    )
    return DIRECTIONS[finding_change.direction], *words


def finding(one: FindingChange, escape: Callable[[str, int], str] = plain) -> tuple[str, ...]:
    """A row: its direction in a word, what became of it, of what, before and after."""
    before, after = (_headline(side, escape) for side in (one.before, one.after))
    kind = WITH_PART if one.kind == "gone" else one.kind
    return DIRECTIONS[one.direction], kind, escape(one.subject, SUBJECT), before, after


def _headline(found: Finding | None, escape: Callable[[str, int], str]) -> str:
    return "none" if found is None else f"{found.severity.value}: {escape(found.headline, HEADLINE)}"


def doubts(found: Comparison, escape: Callable[[str, int], str] = plain) -> Iterator[tuple[str, str]]:
    """What could not be compared, and why."""
    for doubt in found.doubts:
        yield escape(doubt.what, HEADLINE), escape(doubt.why, HEADLINE)
