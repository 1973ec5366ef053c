"""The live view of a soak: drives as they are now, redrawn with each sample, and events above it as they happen.

Draws on the terminal that it is given and decides nothing. Text of devices has passed `plain`; markup is off.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.live import Live
from rich.text import Text

from agent.model.findings import Severity
from agent.report.paper import HEADING, QUIET, STYLES
from agent.report.watching import LEVELS, PLAIN_LEVELS, DriveNow, event_words, hottest, rate_words
from agent.soak import wording
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from probes.samples import Event, Head, Moment
    from probes.unread import Unread

STATES: Final = {
    "over": STYLES[Severity.FAULT],
    "close": STYLES[Severity.LIMIT],
    "below": STYLES[Severity.OK],
    "unknown": STYLES[Severity.UNKNOWN],
}
LEAST_HISTORY: Final = 8  # columns; a shorter line says nothing
MOST_HISTORY: Final = 40
AROUND: Final = 3  # lines beside those of drives: head, what is left out, and the one below all


class LiveView:
    """A view that is redrawn in place; on a terminal that cannot do that it should not be used."""

    def __init__(self, head: Head, console: Console, lasts: float | None) -> None:
        """`lasts` is how many seconds the soak is to run, None where only its command or the user ends it."""
        self._head = head
        self._lasts = lasts
        self._console = console
        self._drives = [DriveNow(drive) for drive in head.drives]
        encoding = console.encoding.lower()
        self._levels = LEVELS if encoding.startswith("utf") else PLAIN_LEVELS
        self._widest = (0, 0, 0, 0)
        self._live = Live(
            console=console, auto_refresh=False, transient=True, redirect_stdout=False, redirect_stderr=False
        )
        self._live.start()

    def sample(self, sample: Moment) -> None:
        """Take in a sample, and draw."""
        for seen, drive in zip(self._drives, sample.drives, strict=True):
            seen.see(sample.seconds, drive)
        with _undisturbed():
            self._live.update(self.drawn(sample.seconds, sample.others), refresh=True)

    def event(self, event: Event) -> None:
        """Show what happened above the view; it stays there."""
        with _undisturbed():
            self._console.print(Text(event_words(event)), markup=False, highlight=False, emoji=False)

    def close(self) -> None:
        """Take the view away."""
        with _undisturbed():
            self._live.stop()

    def drawn(self, seconds: float, others: tuple[float | Unread | None, ...] = ()) -> Text:
        """The view as it is now."""
        width, height = self._console.width, self._console.height
        rows = 1 if width >= self._one_line() else 2
        shown = hottest(self._drives, max(1, (height - AROUND) // rows))
        lines = [self._top(seconds, width)]
        for seen in shown:
            lines += self._drive(seen, width) if rows == 1 else self._narrow(seen, width)
        left = len(self._drives) - len(shown)
        if left:
            lines.append(Text(f"  and {left} more, further below their limits", QUIET))
        warm = max((value for value in others if isinstance(value, float)), default=None)
        if not self._drives:
            lines.append(Text("  no drives"))
        elif warm is not None and not left:
            lines.append(Text(f"  hottest elsewhere in the machine: {wording.celsius(warm)}", QUIET))
        return Text("\n").join(_cut(line, width) for line in lines)

    # --- Lines -------------------------------------------------------------------------------------------------

    def _top(self, seconds: float, width: int) -> Text:
        of = f" of {wording.moment(self._lasts)}" if self._lasts is not None else ""
        line = Text().append(f"Soak {wording.moment(seconds)}{of}", HEADING)
        hints = ["Ctrl-C ends it", "Ctrl-C"]
        if self._head.command:
            hints = [plain(" ".join(self._head.command)), "with its command"]
        room = width - 1 - cell_len(line.plain) - 2
        hint = next((words for words in hints if cell_len(words) <= room), "")
        return line.append(f"  {hint}", QUIET) if hint else line

    def _columns(self) -> tuple[int, int, int, int]:
        """The widths of name, temperature, margin and rate; none shrinks again, so that the view keeps still."""
        cells = [
            (cell_len(seen.name), len(seen.temperature), len(seen.margin_words), len(rate_words(seen.read, seen.write)))
            for seen in self._drives
        ]
        name, temperature, margin, rates = (max(column) for column in zip(self._widest, *cells, strict=True))
        self._widest = name, temperature, margin, rates
        return self._widest

    def _one_line(self) -> int:
        """The columns that a drive on one line needs."""
        return sum(self._columns()) + 2 * 5 + LEAST_HISTORY

    def _drive(self, seen: DriveNow, width: int) -> list[Text]:
        name, temperature, margin, rates = self._columns()
        line = self._begin(seen, name).append(f"{seen.temperature:>{temperature}}  ", STATES[seen.state])
        line.append(f"{seen.margin_words:<{margin}}  ", STATES[seen.state])
        line.append(f"{rate_words(seen.read, seen.write):<{rates}}  ")
        return [line.append(self._history(seen, width - cell_len(line.plain)), QUIET)]

    def _narrow(self, seen: DriveNow, width: int) -> list[Text]:
        first = self._begin(seen, cell_len(seen.name)).append(seen.temperature, STATES[seen.state])
        if seen.margin_words:
            first.append(f", {seen.margin_words}", STATES[seen.state])
        second = Text(f"    {rate_words(seen.read, seen.write)}  ")
        room = width - cell_len(second.plain)
        return [first, second.append(self._history(seen, room), QUIET) if room >= LEAST_HISTORY else second]

    def _begin(self, seen: DriveNow, width: int) -> Text:
        return Text("  ").append(set_cell_size(seen.name, width), HEADING).append("  ")

    def _history(self, seen: DriveNow, room: int) -> str:
        return seen.history.line(min(room, MOST_HISTORY), seen.limit, self._levels)


def on_terminal(head: Head, lasts: float | None) -> LiveView:
    """A view on the terminal of standard error."""
    return LiveView(head, Console(stderr=True, markup=False, highlight=False, emoji=False), lasts)


def _cut(line: Text, width: int) -> Text:
    """The line in one row; the last column is left free, as some terminals go on to the next row there."""
    line.truncate(max(1, width - 1))
    return line


def _undisturbed() -> contextlib.suppress:
    """A terminal that is gone ends the view and nothing else: the soak goes on."""
    return contextlib.suppress(OSError)
