"""Where everything stands on the drawn map of a machine, for wide and for narrow screens. Makes places, not marks.

From the processor on the left a line goes to each card, and on from a switch to what is behind it. A line is as broad
as its lanes; under it lies a bed as broad as the lanes that could be. Lengths are CSS pixels where nothing is scaled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.lettering import LETTERS, Lettered, Lines, Words, lined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.report.page.map import Chart, MapEntry

BROAD: Final = {0: 2.0, 1: 3.0, 2: 5.0, 4: 8.0, 8: 14.0, 12: 18.0, 16: 22.0, 32: 28.0}  # by lanes
MANY_LEVELS: Final = 3
MARGIN: Final = 20.0  # of a box, both sides together
ABOVE: Final = 15.0  # of a line of words above a link
UNDER: Final = 14.0  # of one below it
INSET: Final = 9.0  # from the begin of a link to its words
MARK: Final = 24.0  # width of a triangle


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


# At 800 pixels of a screen 718 are left for a map, so that letters of 12 come out as 11 or more.
WIDE: Final = Form(kind="wide", width=780.0, trunk=34.0, line=168.0, box=176.0, least=234.0, row=40.0, gap=3.0)
DEEP: Final = Form(kind="wide", width=780.0, trunk=34.0, line=118.0, box=112.0, least=168.0, row=40.0, gap=3.0)
NARROW: Final = Form(kind="narrow", width=300.0, trunk=12.0, line=28.0, box=0.0, least=0.0, row=16.0, gap=2.0)


class Label(Struct, frozen=True):
    """What stands at a link: its slot above, its rate below; `reach` is from the middle of its line to the edge."""

    reach: float
    slot: tuple[tuple[str, str], ...]
    rate: tuple[tuple[str, str], ...]

    @property
    def above(self) -> float:
        """The room of what stands above the line."""
        return ABOVE * len(self.slot) + 5.0

    @property
    def height(self) -> float:
        """The room of all of it."""
        return self.above + 2 * self.reach + UNDER * len(self.rate) + 3.0


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

    @property
    def is_deep(self) -> bool:
        """Whether it has more levels than fit into the usual width."""
        return self.width > WIDE.width


def drawings(found: Chart) -> tuple[Drawing, ...]:
    """The map for wide and for narrow screens."""
    return _Wide(WIDE).drawing(found), _Narrow(NARROW).drawing(found)


def _broad(lanes: int) -> float:
    return BROAD.get(lanes, BROAD[max(known for known in BROAD if known <= max(0, lanes))])


class _Sheet(Lettered):
    """A drawing in the making."""

    def __init__(self, form: Form) -> None:
        super().__init__()
        self.form = form
        self.width = form.width
        self.links: list[LinkLine] = []
        self.boxes: list[Box] = []
        self.marks: list[tuple[float, float, str]] = []

    def line(self, entry: MapEntry, x: float, end: float, y: float) -> None:
        """The line of an entry, with its mark where it is held back."""
        broad, bed = _broad(entry.lanes), _broad(entry.bed)
        self.links.append(
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

    def done(self, height: float, trunk: Box) -> Drawing:
        """The drawing as it is now."""
        return Drawing(
            kind=self.form.kind,
            width=self.width,
            height=round(height, 1),
            trunk=trunk,
            lines=tuple(self.links),
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
            label = self._label(entry)
            bottom = max(below, top + max(self.form.row, LETTERS * len(inside) + 12.0, label.height + 6.0))
            self._entry(entry, left, (top, bottom), inside, label)
            top = bottom
        return top

    def _label(self, entry: MapEntry) -> Label:
        room = self.form.line - 2 * INSET - (MARK if entry.mark else 0.0)
        reach = max(_broad(entry.lanes), _broad(entry.bed)) / 2
        return Label(reach, tuple(lined(entry.slot, room, "slot")), tuple(lined(entry.rate, room, "rate")))

    def _wide(self, entry: MapEntry, left: float) -> float:
        """How wide the box of an entry is, which begins at `left`."""
        return self.form.box if entry.below else self.width - left

    def _entry(self, entry: MapEntry, left: float, rows: tuple[float, float], inside: Lines, label: Label) -> None:
        """A line, what stands at it, and the box at its end, which begins at `left` and fills the rows."""
        form = self.form
        top, bottom = rows
        middle = (top + bottom) / 2
        x = left - form.line
        height = middle - label.height / 2 + label.above + label.reach
        self.line(entry, x, left, height)
        self.boxes.append(
            Box(
                x=left,
                y=top + form.gap,
                width=self._wide(entry, left),
                height=bottom - top - 2 * form.gap,
                severity=entry.severity,
                kind=entry.kind,
            )
        )
        self._place(x + INSET, height, label)
        first = middle - (len(inside) - 1) * LETTERS / 2 + 5.0
        self.lines(left + 12.0, first, inside)

    def _place(self, x: float, y: float, label: Label) -> None:
        """The words of a label above and below its link at height `y`."""
        self.lines(x, y - label.reach - 5.0 - ABOVE * (len(label.slot) - 1), label.slot, ABOVE)
        self.lines(x, y + label.reach + 12.0, label.rate, UNDER)


def _inside(entry: MapEntry, room: float) -> Lines:
    """What stands in a box with so much room, line by line, with the look of each line."""
    held = f"held {entry.severity}"
    parts = (entry.name, "name"), (entry.what, "what"), (entry.also, "what"), (entry.held, held), (entry.could, held)
    return [line for text, role in parts for line in lined(text, room, role)]


class _Narrow(_Sheet):
    """Row after row downwards; what hangs on a card is below it, farther to the right."""

    def drawing(self, found: Chart) -> Drawing:
        """The whole."""
        form = self.form
        top = 24.0
        self.lines(0.0, 14.0, [("processor", "slot")])
        bottom, last = self._rows(found.entries, 0.0, top)
        trunk = Box(x=0.0, y=top, width=form.trunk, height=last - top + 10.0, severity="ok", kind="trunk")
        return self.done(max(bottom, top + 3 * form.row), trunk)

    def _rows(self, entries: Sequence[MapEntry], x: float, top: float) -> tuple[float, float]:
        """Rows from `top` on: where they end, and at which height the last line leaves the block on the left."""
        form = self.form
        last = top
        for entry in entries:
            middle = top + 22.0
            left = x + form.trunk + form.line
            self.line(entry, x + form.trunk, left, middle)
            words = self._words(entry, left + 8.0)
            self.lines(left + 8.0, top + 18.0, words, form.row)
            tall = form.row * (1 + len(words))
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

    def _words(self, entry: MapEntry, x: float) -> Lines:
        """What stands at an entry, beginning at `x`, line by line."""
        under = f"{entry.slot}: {entry.rate}" if entry.rate else entry.slot
        named = f"{entry.name}, {entry.what}" if entry.what else entry.name
        parts = (named, "name"), (under, "rate"), (entry.mark, f"held {entry.severity}")
        return [line for text, role in parts for line in lined(text, self.width - x, role)]


def _levels(entries: Sequence[MapEntry]) -> int:
    return 1 + max(_levels(entry.below) for entry in entries) if entries else 0
