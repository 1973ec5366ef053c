"""The form of `tally` for terminals: one table, a row for each kind of card in each kind of machine. Decides nothing.

A narrow terminal shows what a person compares; a wide one, and every other form, has the rest too.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from agent.report import tally_words as words
from agent.report.paper import HEADING, QUIET, STYLES, Page
from knowledge.phrasing import celsius_text, plain

if TYPE_CHECKING:
    from agent.tally.seen import MachineKind
    from agent.tally.table import Sort, Table, TallyLine

HEAD: Final = ("Card", "Machine", "Links", "Machines")
SHORT: Final = ("Typical MB/s",)
LONG: Final = ("Typical rate", "Best rate", "Hottest", "Drive firmware", "Host firmware", "Card number")
SORTED_BY: Final = {"hottest": ("Hottest",), "card": ("Card number",)}  # in the place of SHORT
LONGEST_NAME: Final = 60  # characters of a name in a narrow column; the other forms have all of it
WIDE: Final = 140  # columns from which there is room for all of it
RIGHT: Final = (HEAD.index("Machines"), len(HEAD))
SAME: Final = "the same"
NARROW: Final = "All columns, and long names whole: on a terminal of {} columns, and by --format markdown, csv or json."


def page(found: Table, width: int, source: str) -> Page:
    """The page; `source` is not shown, as there are many."""
    del source
    page = Page(width)
    wide = width >= WIDE
    page.add(words.summary(found), style=HEADING)
    page.add()
    names = _machines(found, wide=wide)
    if found.lines:
        looks = [STYLES[words.severity(line)] for line in found.lines]
        sort = found.choice.sort
        rows = [
            (*_row(line, names, wide=wide), *(_all(line) if wide else _figures(line, sort))) for line in found.lines
        ]
        head = LONG if wide else SORTED_BY.get(sort, SHORT)
        page.table((*HEAD, *head), rows, looks, right=RIGHT[:1] if wide else RIGHT)
    else:
        page.add(words.no_line(found))
    page.add()
    for remark in (*words.remarks(found), *([] if wide or not found.lines else [NARROW.format(WIDE)])):
        page.add(remark, style=QUIET)
    return page


def _machines(found: Table, *, wide: bool) -> dict[MachineKind, str]:
    """What each machine kind is called: by product and board alone on a narrow terminal, where that is no other's."""
    short = {
        line.machine: ", ".join(_short(part) for part in (line.machine.product, line.machine.board) if part is not None)
        for line in found.lines
    }
    alike = Counter(short.values())
    return {
        kind: words.machine_words(kind, plain) if wide or kind.product is None or alike[name] > 1 else name
        for kind, name in short.items()
    }


def _row(line: TallyLine, names: dict[MachineKind, str], *, wide: bool) -> tuple[str, ...]:
    return (
        words.card_words(line, plain if wide else _short),
        names[line.machine],
        f"{words.verdicts(line)} ({words.status(line)})" if line.confirmed else words.verdicts(line),
        f"{line.machines:,}",
    )


def _figures(line: TallyLine, sort: Sort) -> tuple[str, ...]:
    """The figure of a narrow terminal: what the lines are sorted by, where that is in no other column."""
    if sort == "hottest":
        return (_hottest(line) or "not known",)
    if sort == "card":
        return (words.card_id(line.card),)
    return ("not known" if line.typical is None else f"{words.rate_mbps(line.typical):,.0f}",)


def _hottest(line: TallyLine) -> str:
    return "" if line.hottest is None else celsius_text(line.hottest)


def _short(text: str) -> str:
    """Text of a machine for a narrow column: escapes make a name of a few letters long."""
    return plain(plain(text), LONGEST_NAME)


def _all(line: TallyLine) -> tuple[str, ...]:
    return (
        words.typical(line),
        SAME if line.best == line.typical and line.best is not None else words.rate_words(line.best),
        _hottest(line),
        words.counted(line.firmware, plain),
        words.counted(line.host_firmware, plain),
        words.card_id(line.card),
    )
