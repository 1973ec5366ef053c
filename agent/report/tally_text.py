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
    from agent.tally.table import Table, TallyLine

HEAD: Final = ("Card", "Machine", "Links", "Machines")
SHORT: Final = ("Typical MB/s",)
LONG: Final = ("Typical rate", "Best rate", "Hottest", "Drive firmware", "Host firmware", "Card number")
WIDE: Final = 140  # columns from which there is room for all of it
RIGHT: Final = (HEAD.index("Machines"), len(HEAD))
SAME: Final = "the same"
NARROW: Final = (
    "Makers, best rates, hottest readings, firmware and card numbers: on a terminal of {} columns, and by --format"
    " markdown, csv or json."
)


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
        rows = [(*_row(line, names), *(_all(line) if wide else _figures(line))) for line in found.lines]
        page.table((*HEAD, *(LONG if wide else SHORT)), rows, looks, right=RIGHT[:1] if wide else RIGHT)
    else:
        page.add("No row fits what was asked for." if found.of else "No link with a card was found.")
    page.add()
    for remark in (*words.remarks(found), *([] if wide or not found.lines else [NARROW.format(WIDE)])):
        page.add(remark, style=QUIET)
    return page


def _machines(found: Table, *, wide: bool) -> dict[MachineKind, str]:
    """What each machine kind is called: by product and board alone on a narrow terminal, where that is no other's."""
    kinds = {line.machine for line in found.lines}
    alike = Counter((kind.product, kind.board) for kind in kinds)
    return {
        kind: words.machine_words(kind, plain)
        if wide or kind.product is None or alike[kind.product, kind.board] > 1
        else ", ".join(plain(part) for part in (kind.product, kind.board) if part is not None)
        for kind in kinds
    }


def _row(line: TallyLine, names: dict[MachineKind, str]) -> tuple[str, ...]:
    return (
        words.card_words(line, plain),
        names[line.machine],
        f"{words.verdicts(line)} ({words.status(line)})" if line.confirmed else words.verdicts(line),
        f"{line.machines:,}",
    )


def _figures(line: TallyLine) -> tuple[str, ...]:
    return ("not known" if line.typical is None else f"{words.rate_mbps(line.typical):,.0f}",)


def _all(line: TallyLine) -> tuple[str, ...]:
    return (
        words.typical(line),
        SAME if line.best == line.typical and line.best is not None else words.rate_words(line.best),
        "" if line.hottest is None else celsius_text(line.hottest),
        words.counted(line.firmware, plain),
        words.counted(line.host_firmware, plain),
        words.card_id(line.card),
    )
