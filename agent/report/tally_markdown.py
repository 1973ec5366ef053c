"""The Markdown form of `tally`: a summary and one table. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.report import tally_words as words
from agent.report.marks import bullets, escaped, heading, paragraph, table
from knowledge.phrasing import celsius_text

if TYPE_CHECKING:
    from agent.tally.table import Table, TallyLine

HEAD: Final = (
    *("Card", "Machine", "State", "Links", "Machines", "Best rate", "Typical rate"),
    *("Hottest reading", "Drive firmware", "Host firmware", "Card number"),
)


def page(found: Table) -> str:
    """The whole document."""
    lines = table(HEAD, map(_row, found.lines)) or paragraph(words.no_line(found))
    remarks = bullets(escaped(remark, len(remark)) for remark in words.remarks(found))
    return f"{heading(1, 'Cards and how they run')}{escaped(words.summary(found))}\n\n{lines}{remarks}"


def _row(line: TallyLine) -> tuple[str, ...]:
    return (
        words.card_words(line, escaped),
        words.machine_words(line.machine, escaped),
        words.status(line),
        words.verdicts(line),
        f"{line.machines:,}",
        words.rate_words(line.best),
        words.typical(line),
        "" if line.hottest is None else celsius_text(line.hottest),
        words.counted(line.firmware, escaped),
        words.counted(line.host_firmware, escaped),
        words.card_id(line.card),
    )
