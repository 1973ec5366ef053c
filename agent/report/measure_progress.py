"""The progress of a measurement on a terminal: which drive of how many, what is being tried, how far it is.

Draws on the terminal that it is given and decides nothing. Text of devices passes `plain`; markup is off.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Column

from agent.model.findings import Severity
from agent.report.paper import QUIET, STYLES
from knowledge.phrasing import listed, plain, request_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.measure.loaded import MeasureProgress

NAME: Final = 40
MOST_NAMES: Final = 3


class ProgressView:
    """One line that is redrawn in place and goes away at the end."""

    def __init__(self, console: Console) -> None:
        """Nothing is drawn before something is done."""
        self._bars = Progress(
            TextColumn("{task.description}", markup=False, table_column=Column(overflow="fold")),
            BarColumn(bar_width=20, style=QUIET, complete_style="bold", finished_style=STYLES[Severity.OK]),
            console=console,
            transient=True,
        )
        self._task = self._bars.add_task("", total=1.0, visible=False)

    def show(self, doing: MeasureProgress) -> None:
        """Draw what is being done; a terminal that is gone ends the view and nothing else."""
        with contextlib.suppress(OSError):
            self._bars.update(self._task, description=progress_words(doing), completed=doing.part, visible=True)

    @contextlib.contextmanager
    def shown(self) -> Iterator[ProgressView]:
        """Within it the view is on the terminal."""
        with contextlib.suppress(OSError):
            self._bars.start()
        try:
            yield self
        finally:
            with contextlib.suppress(OSError):
                self._bars.stop()


def progress_words(doing: MeasureProgress) -> str:
    """What is being done, on one line."""
    names = listed((plain(name, NAME) for name in doing.names), most=MOST_NAMES)
    where = f"Drive {doing.number} of {doing.of}: {names}" if doing.of > 1 else names
    if doing.trying is None:
        return f"{where}, reading"
    return f"{where}, trying {request_size(doing.trying.block)}, {doing.trying.depth} in flight"


def on_terminal() -> ProgressView:
    """A view on the terminal of standard error."""
    return ProgressView(Console(stderr=True, markup=False, highlight=False, emoji=False))
