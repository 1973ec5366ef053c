"""The slots of a machine drawn before and after: a box for each slot, for wide and for narrow screens. Makes places.

Lengths are CSS pixels where nothing is scaled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.drawing import Box
from agent.report.page.lettering import LETTERS, Lettered, Lines, Words, lined

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.report.plan_parts import SlotPart, SlotShown

WIDE: Final = 780.0
NARROW: Final = 300.0
GAP: Final = 20.0  # between the two columns
APART: Final = 8.0  # between boxes
HEAD: Final = 24.0
INSET: Final = 12.0
INSIDE: Final = 14.0  # how much farther in a drive in a bay stands
BELOW: Final = 6.0  # the last line of a box
EMPTY: Final = "empty"


class SlotDrawing(Struct, frozen=True, kw_only=True):
    """The slots, drawn for one width."""

    kind: str
    width: float
    height: float
    boxes: tuple[Box, ...]
    words: tuple[Words, ...]


class SlotColumn(Struct, frozen=True):
    """One time: its heading, and the parts of each slot then."""

    title: str
    parts: tuple[tuple[SlotPart, ...], ...]


def drawings(slots: Sequence[SlotShown]) -> tuple[SlotDrawing, ...]:
    """The slots for wide and for narrow screens; one column where nothing changes."""
    planned = tuple(slot.planned for slot in slots)
    before = tuple(slot.today for slot in slots)
    changed = any(part.word for parts in planned + before for part in parts)
    columns = [SlotColumn("As planned" if changed else "Today, and as planned", planned)]
    if changed:
        columns.insert(0, SlotColumn("Today", before))
    return _side_by_side(slots, columns), _below(slots, columns)


def _side_by_side(slots: Sequence[SlotShown], columns: Sequence[SlotColumn]) -> SlotDrawing:
    """A column beside the other, each slot at one height."""
    sheet = _Drawn("wide", WIDE)
    wide = (WIDE - GAP) / 2
    lefts = [number * (wide + GAP) for number in range(len(columns))]
    for left, column in zip(lefts, columns, strict=True):
        sheet.title(left, 0.0, column.title)
    top = HEAD
    for number, slot in enumerate(slots):
        tall = max(_tall(slot, column.parts[number], wide) for column in columns)
        for left, column in zip(lefts, columns, strict=True):
            sheet.slot(slot, column.parts[number], (left, top), (wide, tall))
        top += tall + APART
    return sheet.done(top)


def _below(slots: Sequence[SlotShown], columns: Sequence[SlotColumn]) -> SlotDrawing:
    """One column below the other."""
    sheet = _Drawn("narrow", NARROW)
    top = 0.0
    for column in columns:
        sheet.title(0.0, top, column.title)
        top += HEAD
        for slot, parts in zip(slots, column.parts, strict=True):
            tall = _tall(slot, parts, NARROW)
            sheet.slot(slot, parts, (0.0, top), (NARROW, tall))
            top += tall + APART
        top += APART
    return sheet.done(top)


def _inside(slot: SlotShown, parts: Sequence[SlotPart], wide: float) -> Iterator[tuple[float, Lines]]:
    """What stands in a box so wide: each text in its lines, and how far in it stands."""
    yield INSET, lined(slot.label, wide - 2 * INSET, "slot") + lined(slot.what, wide - 2 * INSET, "what")
    for part in parts:
        inset = INSET + (INSIDE if part.inside else 0.0)
        words, role = (f"{part.word}: {part.words}", "held note") if part.word else (part.words, "rate")
        yield inset, lined(words, wide - INSET - inset, role)


def _tall(slot: SlotShown, parts: Sequence[SlotPart], wide: float) -> float:
    """How tall a box so wide is with all that is in it."""
    return BELOW + LETTERS * sum(len(lines) for _, lines in _inside(slot, parts, wide))


class _Drawn(Lettered):
    """A drawing in the making."""

    def __init__(self, kind: str, width: float) -> None:
        super().__init__()
        self.kind = kind
        self.width = width
        self.boxes: list[Box] = []

    def title(self, left: float, top: float, text: str) -> None:
        """The heading of a column."""
        self.lines(left, top + 14.0, [(text, "name")])

    def slot(
        self, slot: SlotShown, parts: Sequence[SlotPart], corner: tuple[float, float], size: tuple[float, float]
    ) -> None:
        """The box of a slot with all that is in it."""
        (left, top), (wide, tall) = corner, size
        kind = "empty" if any(part.words == EMPTY for part in parts) else "link"
        self.boxes.append(Box(x=left + 1, y=top, width=wide - 2, height=tall, severity="ok", kind=kind))
        y = top + LETTERS
        for inset, lines in _inside(slot, parts, wide):
            self.lines(left + inset, y, lines)
            y += LETTERS * len(lines)

    def done(self, height: float) -> SlotDrawing:
        """The drawing as it is now."""
        return SlotDrawing(
            kind=self.kind,
            width=self.width,
            height=round(height, 1),
            boxes=tuple(self.boxes),
            words=tuple(self.words),
        )
