"""Lines for a terminal of some width: paragraphs, headings, columns. Knows nothing of what they say."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.table import Table
from rich.text import Text

from agent.model.findings import Severity

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Mapping, Sequence

# Colours that can be read on a dark and on a light ground alike; a word always says the same.
STYLES: Final = {
    Severity.FAULT: "bold red",
    Severity.LIMIT: "magenta",
    Severity.NOTE: "bold",
    Severity.UNKNOWN: "bold magenta",
    Severity.OK: "green",
}
HEADING: Final = "bold"
QUIET: Final = "dim"
INDENT: Final = 7
LONGEST_WORD: Final = 20  # columns; a longer word is broken rather than that a table goes
SHORT_CELL: Final = 13  # columns; what is no wider is best left on one line
NARROWEST: Final = 12  # columns; a last cell with less is not worth a column of its own


class Page:
    """Lines that are being put together for one width (columns)."""

    def __init__(self, width: int) -> None:
        """`width` is the widest a line may be."""
        self.width = max(width, 40)
        self.lines: list[Text] = []
        self.said: set[str] = set()
        self.told: dict[str, int] = {}  # steps that stand on the page, by the number of their block
        self._measure = Console(width=self.width, file=io.StringIO())

    def add(self, text: str | Text = "", *, indent: int = 0, hang: int | None = None, style: str = "") -> None:
        """A paragraph; its first line is indented by `indent`, the others by `hang` (default: the same)."""
        hang = indent if hang is None else hang
        whole = text if isinstance(text, Text) else Text(text, style)
        if not whole.plain:
            self.lines.append(Text(""))
            return
        for number, line in enumerate(whole.wrap(self._measure, self.width - max(indent, hang), tab_size=1)):
            line.rstrip()
            self.lines.append(Text(" " * (hang if number else indent)) + line)

    def heading(self, text: str) -> None:
        """A heading, with an empty line above it."""
        if self.lines:
            self.lines.append(Text(""))
        self.add(text, style=HEADING)

    def columns(self, rows: Sequence[Sequence[str]], styles: Sequence[str] = (), *, cut: bool = False) -> None:
        """Rows under each other; the last cell takes what is left of the width, continued below itself or `cut`.

        Where next to nothing is left, each row is a paragraph instead.
        """
        if not rows:
            return
        last = len(rows[0]) - 1
        widths = [max(cell_len(row[column]) for row in rows) for column in range(last)]
        offset = 2 + sum(widths) + 2 * last
        room = self.width - offset
        for number, row in enumerate(rows):
            if room < NARROWEST:
                whole = Text(row[0], styles[number] if styles else "")
                self.add(whole.append("".join(f"  {cell}" for cell in row[1:] if cell), ""), indent=2, hang=4)
                continue
            head = Text("  ")
            for column in range(last):
                style = styles[number] if styles and column == 0 else ""
                head.append(row[column], style).append(" " * (widths[column] - cell_len(row[column]) + 2))
            if cut and cell_len(row[last]) > room:
                head.append(set_cell_size(row[last], room - 3).rstrip() + "...")
                self.lines.append(head)
                continue
            for line, part in enumerate(Text(row[last]).wrap(self._measure, room, tab_size=1)):
                part.rstrip()
                self.lines.append(Text(" " * offset) + part if line else head.append_text(part))
            if not row[last]:
                self.lines.append(head)

    def table(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        styles: Sequence[str] = (),
        *,
        right: Container[int] = (),
        indent: int = 2,
    ) -> None:
        """Rows whose cells are compared, below a head; what does not fit wraps inside its cell, nothing is cut.

        `styles` are those of the first cell of each row, `right` the numbers of columns that are flush right. A column
        that is empty in all rows is left out, its head as well.
        """
        kept = [column for column in range(len(head)) if any(row[column] for row in rows)]
        least = {column: _longest_word((head[column], *(row[column] for row in rows))) for column in kept}
        if indent + sum(least.values()) + 2 * (len(kept) - 1) > self.width:
            self._listed(head, rows, styles, kept, indent)
            return
        widths = _widths(head, rows, least, self.width - indent - 2 * (len(kept) - 1))
        grid = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=QUIET, show_header=any(head))
        for column in kept:
            grid.add_column(
                Text(head[column]),
                justify="right" if column in right else "left",
                overflow="fold",
                width=widths[column],
            )
        for number, row in enumerate(rows):
            style = styles[number] if styles else ""
            grid.add_row(*(Text(row[column], style if column == kept[0] else "") for column in kept))
        room = self._measure.options.update(width=self.width - indent, height=None)
        for line in self._measure.render_lines(grid, room, pad=False) if rows else ():
            text = Text(" " * indent).append_text(Text.assemble(*((part.text, part.style or "") for part in line)))
            text.rstrip()
            self.lines.append(text)

    def _listed(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        styles: Sequence[str],
        kept: Sequence[int],
        indent: int,
    ) -> None:
        """The rows as paragraphs, where a table has no room."""
        for number, row in enumerate(rows):
            line = Text(row[kept[0]], styles[number] if styles else "")
            for column in kept[1:]:
                name = head[column].replace("\n", " ")
                if row[column]:
                    line.append(f"  {name + ' ' if name else ''}{row[column]}", "")
            self.add(line, indent=indent, hang=indent + 2)

    def beside(self, labels: Sequence[str], columns: Sequence[Sequence[str]], styles: Sequence[str] = ()) -> None:
        """A table with one column a thing, its name on top, each cell wrapped; `styles` are those of the names.

        `labels` name the rows below the names. Where the columns do not fit beside each other, the things stand below
        each other.
        """
        first = max(cell_len(label) for label in labels)
        # The figures and names of the longest column decide; sentences may wrap.
        least = max(NARROWEST, *(cell_len(word) for column in columns for cell in column for word in cell.split()))
        room = (self.width - 2 - first) // len(columns) - 2
        if room < least:
            for number, column in enumerate(columns):
                self.add(column[0], indent=2, style=styles[number] if styles else "")
                for label, cell in zip(labels, column[1:], strict=True):
                    self.add(f"{label}: {cell}", indent=4, hang=6)
            return
        names, *rows = ([column[row] for column in columns] for row in range(len(labels) + 1))
        self.table(["", *names], [[label, *cells] for label, cells in zip(labels, rows, strict=True)])


def _widths(head: Sequence[str], rows: Sequence[Sequence[str]], least: Mapping[int, int], room: int) -> dict[int, int]:
    """How wide each column is: as its widest cell, or less where there is no room; the widest columns give way."""
    widths = {
        column: max(cell_len(line) for row in (head, *rows) for line in (row[column].split("\n") or [""]))
        for column in least
    }
    while sum(widths.values()) > room:
        widest = max(widths, key=lambda column: _gives_way(widths[column], least[column]))
        widths[widest] -= 1
    return widths


def _gives_way(width: int, least: int) -> tuple[bool, bool, int]:
    """How soon a column gives way: not below its longest word, and names and sentences before short figures."""
    return width > least, width > SHORT_CELL, width


def _longest_word(cells: Iterable[str]) -> int:
    """The columns that the longest word of some cells takes, as far as a column should be as wide for it."""
    words = (word for cell in cells for word in cell.split())
    return min(max(map(cell_len, words), default=1), LONGEST_WORD)


def show(page: Page, console: Console) -> None:
    """Print a page as it is: no second wrapping, no markup, no links."""
    console.print(Text("\n").join(page.lines), soft_wrap=True, markup=False, highlight=False, emoji=False)
