"""The form of `tally` for terminals: a few lines for each card kind in each machine kind. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.report import tally_words as words
from agent.report.paper import HEADING, QUIET, STYLES, Page
from knowledge.phrasing import celsius_text, plain, quantity

if TYPE_CHECKING:
    from agent.tally.table import Table, TallyLine

INDENT: Final = 4


def page(found: Table, width: int, source: str) -> Page:
    """The page; `source` is not shown, as there are many."""
    del source
    page = Page(width)
    page.add(words.summary(found), style=HEADING)
    for line in found.lines:
        page.add()
        _line(page, line)
    if not found.lines:
        page.add("No line is as it was asked for." if found.of else "No link with a card was met.")
    page.add()
    for remark in words.remarks(found):
        page.add(remark, style=QUIET)
    return page


def _line(page: Page, line: TallyLine) -> None:
    head = Text(words.status(line), STYLES[words.severity(line)])
    head.append(f"  {words.card_id(line.card)}  ", "").append(words.card_words(line, plain), HEADING)
    page.add(head, hang=INDENT)
    page.add(f"in {words.machine_words(line.machine, plain)}", indent=INDENT, hang=INDENT + 2)
    how_many = f"{quantity(line.machines, 'machine')}, {quantity(line.links, 'link')}: {words.verdicts(line)}"
    page.add(f"{how_many}; {_rates(line)}", indent=INDENT, hang=INDENT + 2)
    rest = []
    if line.hottest is not None:
        rest.append(f"hottest reading {celsius_text(line.hottest)}")
    if line.firmware:
        rest.append(f"drive firmware {words.counted(line.firmware, plain)}")
    if line.host_firmware:
        rest.append(f"host firmware {words.counted(line.host_firmware, plain)}")
    if rest:
        page.add("; ".join(rest), indent=INDENT, hang=INDENT + 2)


def _rates(line: TallyLine) -> str:
    """The best and the typical rate, once where they are the same."""
    if line.best is None:
        return "no rate known"
    some = "" if line.rated == line.links else f" (of {line.rated:,} whose rate is known)"
    if line.best == line.typical:
        return f"best and typical {words.rate_words(line.best)}{some}"
    return f"best {words.rate_words(line.best)}; typical {words.rate_words(line.typical)}{some}"
