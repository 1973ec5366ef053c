"""Where everything stands on the drawn map of a machine, for wide and for narrow screens. Makes places, not marks.

From the processor on the left a line goes to each card, and on from a switch to what is behind it. A line is as broad
as its lanes; under it lies a bed as broad as the lanes that could be. Lengths are CSS pixels where nothing is scaled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.fitting import BOLD, fitted, width, wrapped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.report.page.map import Chart, MapEntry

BROAD: Final = {0: 2.0, 1: 3.0, 2: 5.0, 4: 8.0, 8: 14.0, 12: 18.0, 16: 22.0, 32: 28.0}  # by lanes
LARGE: Final = 14.0  # size of letters
SMALL: Final = 12.0
MANY_LEVELS: Final = 3
MARGIN: Final = 20.0  # of a box, both sides together
LETTERS: Final = 17.0  # from one line of words to the next


class Form(Struct, frozen=True, kw_only=True):
    """A layout: how wide, how high a row, where boxes are, how long lines are."""

    kind: str
    width: float
    trunk: float  # width of the processor's block
    line: float  # length of a line
    box: float  # width of a box that others hang on
    least: float  # width of a box at the end
    row: float
    gap: float


WIDE: Final = Form(kind="wide", width=920.0, trunk=40.0, line=204.0, box=208.0, least=220.0, row=60.0, gap=4.0)
DEEP: Final = Form(kind="wide", width=920.0, trunk=40.0, line=158.0, box=150.0, least=190.0, row=60.0, gap=4.0)
NARROW: Final = Form(kind="narrow", width=300.0, trunk=12.0, line=28.0, box=0.0, least=0.0, row=64.0, gap=2.0)


class Words(Struct, frozen=True):
    """A text with its place; `role` is its look."""

    x: float
    y: float
    text: str
    role: str


class LinkLine(Struct, frozen=True, kw_only=True):
    """A link: from `x` to `end` at height `y`, so broad, in a bed so broad."""

    x: float
    end: float
    y: float
    broad: float
    bed: float
    severity: str
    kind: str
    held: bool


class Box(Struct, frozen=True, kw_only=True):
    """What a line leads to."""

    x: float
    y: float
    width: float
    height: float
    severity: str
    kind: str


class Drawing(Struct, frozen=True, kw_only=True):
    """A whole map for one width."""

    kind: str
    width: float
    height: float
    trunk: Box
    lines: tuple[LinkLine, ...]
    boxes: tuple[Box, ...]
    words: tuple[Words, ...]
    marks: tuple[tuple[float, float, str], ...]


def drawings(found: Chart) -> tuple[Drawing, ...]:
    """The map for wide and for narrow screens."""
    return _Wide(WIDE).drawing(found), _Narrow(NARROW).drawing(found)


def _broad(lanes: int) -> float:
    return BROAD.get(lanes, BROAD[max(known for known in BROAD if known <= max(0, lanes))])


class _Sheet:
    """A drawing in the making."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self.width = form.width
        self.lines: list[LinkLine] = []
        self.boxes: list[Box] = []
        self.words: list[Words] = []
        self.marks: list[tuple[float, float, str]] = []

    def line(self, entry: MapEntry, x: float, end: float, y: float) -> None:
        """The line of an entry, with its mark where it is held back."""
        broad, bed = _broad(entry.lanes), _broad(entry.bed)
        self.lines.append(
            LinkLine(
                x=x,
                end=end,
                y=y,
                broad=broad,
                bed=max(broad, bed),
                severity=entry.severity,
                kind=entry.kind,
                held=bool(entry.mark) and not entry.at_end,
            )
        )
        if entry.mark:
            self.marks.append((end - 16.0, y, entry.severity))

    def text(self, x: float, y: float, text: str, room: float, role: str) -> None:
        """A text in so much room."""
        if text:
            size = LARGE * BOLD if role in {"name", "slot"} else SMALL * BOLD if role.startswith("held") else SMALL
            self.words.append(Words(round(x, 1), round(y, 1), fitted(text, room, size), role))

    def done(self, height: float, trunk: Box) -> Drawing:
        """The drawing as it is now."""
        return Drawing(
            kind=self.form.kind,
            width=self.width,
            height=round(height, 1),
            trunk=trunk,
            lines=tuple(self.lines),
            boxes=tuple(self.boxes),
            words=tuple(self.words),
            marks=tuple(self.marks),
        )


class _Wide(_Sheet):
    """Level after level to the right; a box stands beside all that hangs on it."""

    def drawing(self, found: Chart) -> Drawing:
        """The whole; with more levels than usual each is made narrower."""
        levels = _levels(found.entries)
        form = self.form = self.form if levels < MANY_LEVELS else DEEP
        self.width = max(
            form.width, form.trunk + levels * form.line + (levels - 1) * form.box + (form.least if levels else 0.0)
        )
        bottom = self._column(found.entries, form.trunk, 0.0)
        height = max(bottom, form.row * 2)
        trunk = Box(x=0.0, y=2.0, width=form.trunk, height=height - 4.0, severity="ok", kind="trunk")
        return self.done(height, trunk)

    def _column(self, entries: Sequence[MapEntry], x: float, top: float) -> float:
        """Entries under each other from `top` on; where they end."""
        left = x + self.form.line
        for entry in entries:
            below = self._column(entry.below, left + self.form.box, top) if entry.below else top
            inside = _inside(entry, self._wide(entry, left) - MARGIN)
            bottom = max(below, top + max(self.form.row, LETTERS * len(inside) + 18.0))
            self._entry(entry, left, (top, bottom), inside)
            top = bottom
        return top

    def _wide(self, entry: MapEntry, left: float) -> float:
        """How wide the box of an entry is, which begins at `left`."""
        return self.form.box if entry.below else self.width - left

    def _entry(
        self, entry: MapEntry, left: float, rows: tuple[float, float], inside: Sequence[tuple[str, str]]
    ) -> None:
        """A line, what stands at it, and the box at its end, which begins at `left` and fills the rows."""
        form = self.form
        top, bottom = rows
        middle = (top + bottom) / 2
        x, wide = left - form.line, self._wide(entry, left)
        self.line(entry, x, left, middle)
        self.boxes.append(
            Box(
                x=left,
                y=top + form.gap,
                width=wide,
                height=bottom - top - 2 * form.gap,
                severity=entry.severity,
                kind=entry.kind,
            )
        )
        room = form.line - 18.0 - (24.0 if entry.mark else 0.0)
        reach = max(_broad(entry.lanes), _broad(entry.bed)) / 2
        self.text(x + 9.0, middle - reach - 5.0, entry.slot, room, "slot")
        self.text(x + 9.0, middle + reach + 13.0, entry.rate, room, "rate")
        first = middle - (len(inside) - 1) * LETTERS / 2 + 5.0
        for number, (text, role) in enumerate(inside):
            self.text(left + 12.0, first + LETTERS * number, text, wide - MARGIN, role)


def _inside(entry: MapEntry, room: float) -> list[tuple[str, str]]:
    """What stands in a box with so much room, line by line, with the look of each line."""
    lines = [
        *((line, "name") for line in wrapped(entry.name, room, LARGE * BOLD)),
        (entry.what, "what"),
        (entry.also, "what"),
        (entry.held, f"held {entry.severity}"),
        (entry.could, f"held {entry.severity}"),
    ]
    return [line for line in lines if line[0]]


class _Narrow(_Sheet):
    """Row after row downwards; what hangs on a card is below it, farther to the right."""

    def drawing(self, found: Chart) -> Drawing:
        """The whole."""
        form = self.form
        top = 24.0
        self.text(0.0, 14.0, "processor", self.width, "slot")
        bottom, last = self._rows(found.entries, 0.0, top)
        trunk = Box(x=0.0, y=top, width=form.trunk, height=last - top + 10.0, severity="ok", kind="trunk")
        return self.done(max(bottom, top + form.row), trunk)

    def _rows(self, entries: Sequence[MapEntry], x: float, top: float) -> tuple[float, float]:
        """Rows from `top` on: where they end, and at which height the last line leaves the block on the left."""
        form = self.form
        last = top
        for entry in entries:
            middle = top + 22.0
            left = x + form.trunk + form.line
            self.line(entry, x + form.trunk, left, middle)
            tall = form.row - (0.0 if entry.mark else 16.0)
            self._words(entry, left + 8.0, top + 18.0)
            last = middle
            if entry.below:
                begin = top + 30.0
                top, end = self._rows(entry.below, left - form.trunk, top + tall)
                self.boxes.append(
                    Box(
                        x=left - form.trunk,
                        y=begin - 18.0,
                        width=form.trunk,
                        height=end - begin + 28.0,
                        severity=entry.severity,
                        kind="stem",
                    )
                )
            else:
                self.boxes.append(
                    Box(
                        x=left - 6.0,
                        y=middle - 10.0,
                        width=8.0,
                        height=20.0,
                        severity=entry.severity,
                        kind=f"end {entry.kind}",
                    )
                )
                top += tall
        return top, last

    def _words(self, entry: MapEntry, x: float, y: float) -> None:
        room = self.width - x
        self.text(x, y, entry.name if not entry.what else f"{entry.name}, {entry.what}", room, "name")
        under = f"{entry.slot}: {entry.rate}" if entry.rate else entry.slot
        if width(under, SMALL) > room and entry.rate:
            under = entry.rate if entry.slot.count(":") else f"{fitted(entry.slot, room / 3, SMALL)}: {entry.rate}"
        self.text(x, y + 16.0, under, room, "rate")
        self.text(x, y + 32.0, entry.mark, room, f"held {entry.severity}")


def _levels(entries: Sequence[MapEntry]) -> int:
    return 1 + max(_levels(entry.below) for entry in entries) if entries else 0
