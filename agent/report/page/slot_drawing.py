"""The slots of a machine drawn before and after: a box for each slot, for wide and for narrow screens. Makes places.

Lengths are CSS pixels where nothing is scaled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.drawing import LARGE, LETTERS, SMALL, Box, Words
from agent.report.page.fitting import BOLD, fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.report.plan_parts import SlotPart, SlotShown

WIDE: Final = 800.0
NARROW: Final = 300.0
GAP: Final = 20.0  # between the two columns
APART: Final = 8.0  # between boxes
HEAD: Final = 24.0
INSET: Final = 12.0
INSIDE: Final = 14.0  # how much farther in a drive in a bay stands
TOP: Final = 40.0  # of a box, with the slot's own two lines
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
        sheet.text(left, 14.0, column.title, wide, "name")
    top = HEAD
    for number, slot in enumerate(slots):
        tall = TOP + LETTERS * max(len(column.parts[number]) for column in columns)
        for left, column in zip(lefts, columns, strict=True):
            sheet.slot(slot, column.parts[number], (left, top), (wide, tall))
        top += tall + APART
    return sheet.done(top)


def _below(slots: Sequence[SlotShown], columns: Sequence[SlotColumn]) -> SlotDrawing:
    """One column below the other."""
    sheet = _Drawn("narrow", NARROW)
    top = 0.0
    for column in columns:
        sheet.text(0.0, top + 14.0, column.title, NARROW, "name")
        top += HEAD
        for slot, parts in zip(slots, column.parts, strict=True):
            tall = TOP + LETTERS * len(parts)
            sheet.slot(slot, parts, (0.0, top), (NARROW, tall))
            top += tall + APART
        top += APART
    return sheet.done(top)


class _Drawn:
    """A drawing in the making."""

    def __init__(self, kind: str, width: float) -> None:
        self.kind = kind
        self.width = width
        self.boxes: list[Box] = []
        self.words: list[Words] = []

    def text(self, x: float, y: float, text: str, room: float, role: str) -> None:
        """A text in so much room."""
        size = LARGE * BOLD if role in {"name", "slot"} else SMALL * BOLD if role.startswith("held") else SMALL
        self.words.append(Words(round(x, 1), round(y, 1), fitted(text, room, size), role))

    def slot(
        self, slot: SlotShown, parts: Sequence[SlotPart], corner: tuple[float, float], size: tuple[float, float]
    ) -> None:
        """The box of a slot with all that is in it."""
        (left, top), (wide, tall) = corner, size
        kind = "empty" if any(part.words == EMPTY for part in parts) else "link"
        self.boxes.append(Box(x=left + 1, y=top, width=wide - 2, height=tall, severity="ok", kind=kind))
        x, room = left + INSET, wide - 2 * INSET
        self.text(x, top + 17.0, slot.label, room, "slot")
        self.text(x, top + 33.0, slot.what, room, "what")
        for number, part in enumerate(parts):
            inset = INSIDE if part.inside else 0.0
            words, role = (f"{part.word}: {part.words}", "held note") if part.word else (part.words, "rate")
            self.text(x + inset, top + TOP + 10.0 + LETTERS * number, words, room - inset, role)

    def done(self, height: float) -> SlotDrawing:
        """The drawing as it is now."""
        return SlotDrawing(
            kind=self.kind,
            width=self.width,
            height=round(height, 1),
            boxes=tuple(self.boxes),
            words=tuple(self.words),
        )
