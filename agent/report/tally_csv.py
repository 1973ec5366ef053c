"""The CSV form of `tally` (RFC 4180): a header, then a row for each card kind in each machine kind.

Names come from machines and may be hostile: no cell can begin a formula, and none holds a character that acts on a
terminal. Numbers of cards are written with 0x, so that no spreadsheet takes one for a count or a time of day.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Verdict
from agent.report import tally_words as words
from knowledge.phrasing import cell
from knowledge.rates import GTPS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.findings import Rate
    from agent.tally.table import Counted, Table, TallyLine

Value = str | int | float | None

# Column: what it holds, with its unit.
COLUMNS: Final = {
    "names": "models met, and in how many links",
    "what": "class of the card in words",
    "platform": "platform of the machines",
    "maker": "maker of the machines, as they tell it",
    "product": "product, as they tell it",
    "board": "board, as they tell it",
    "machines": "number of machines behind the row",
    "links": "number of links behind the row",
    "confirmed": "yes where every link is at the best that both of its ends can do, else no",
    "worst": "worst verdict of any link",
    "full": "links that run at the best the card can do",
    "narrow": "links with fewer lanes than both ends can do",
    "slow": "links of lower speed than both ends can do",
    "other": "links with any other verdict",
    "verdicts": "each verdict met, and in how many links",
    "best_gtps": "speed of the best link, GT/s",
    "best_lanes": "lanes of the best link",
    "best_mbps": "link rate of the best link, MB/s (10^6 bytes per second)",
    "typical_gtps": "speed that belongs to the typical rate, GT/s",
    "typical_lanes": "lanes that belong to the typical rate",
    "typical_mbps": "link rate that half of the links reach or pass, MB/s",
    "rated_links": "number of links whose rate is known",
    "hottest_celsius": "hottest reading of the cards and the drives on them, degrees Celsius",
    "drive_firmware": "firmware versions met, and in how many drives",
    "host_firmware": "firmware versions of the machines, and in how many",
    "at_start": "links whose rate the system gave as it was when it started",
    "vendor": "number of the card's maker, hexadecimal; empty where it could not be read",
    "device": "number of the card's model, hexadecimal",
    "subsystem_vendor": "number of the maker of the card as sold, hexadecimal",
    "subsystem": "number of the card as sold, hexadecimal",
}


def rows(found: Table) -> Iterator[str]:
    """The table, a line a row with its end; the first names the columns."""
    from knowledge.csv_lines import csv_lines

    return csv_lines(COLUMNS, ([_cell(value) for value in _values(line)] for line in found.lines))


def _values(line: TallyLine) -> tuple[Value, ...]:
    card, kind = line.card, line.machine
    return (
        *(_counted(line.names), line.what),
        *(kind.platform, kind.maker, kind.product, kind.board),
        *(line.machines, line.links, "yes" if line.confirmed else "no", line.worst.value),
        *(line.count(verdict) for verdict in (Verdict.FULL, Verdict.NARROW, Verdict.SLOW)),
        *(words.other_verdicts(line), "; ".join(f"{verdict.value} ({count})" for verdict, count in line.verdicts)),
        *(*_rate(line.best), *_rate(line.typical), line.rated, line.hottest),
        *(_counted(line.firmware), _counted(line.host_firmware), line.at_start),
        *(None if number is None else f"0x{number:04x}" for number in (card.vendor, card.device)),
        *(None if number is None else f"0x{number:04x}" for number in (card.subsystem_vendor, card.subsystem)),
    )


def _counted(counts: Counted) -> str:
    return "; ".join(f"{text} ({count})" for text, count in counts)


def _rate(rate: Rate | None) -> tuple[Value, Value, Value]:
    return (None, None, None) if rate is None else (GTPS[rate.speed], rate.width, words.rate_mbps(rate))


def _cell(value: Value) -> Value:
    """A value that no spreadsheet takes for a formula and no terminal for a command."""
    return cell(value) if isinstance(value, str) else value
