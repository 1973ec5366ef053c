"""Standard output: bytes, pages for a terminal of any width, sheets. Decides nothing; knows no command.

Apart from sentences for people on standard error, this is the only module that prints.
"""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING, Any, Final

from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from agent.report.paper import Page

NARROWEST: Final = 40  # columns; no page is made for less
USUAL_WIDTH: Final = 80  # where the width is told as 0


def form(data: Any) -> None:  # noqa: ANN401 - any of the JSON forms, or a schema
    """Print JSON."""
    from agent.report.data import encode

    whole(encode(data))


def page(make: Callable[..., Page], found: object, name: str, *, aside: bool = False) -> None:
    """Print a page as wide as the terminal; `name` says what it was made from.

    `aside` prints it to standard error, where standard output belongs to another program.
    """
    from rich.console import Console

    from agent.report.paper import show

    console = Console(markup=False, highlight=False, emoji=False, soft_wrap=True, stderr=aside)
    if console.width < NARROWEST:
        console.width = NARROWEST if console.width > 0 else USUAL_WIDTH
    made = make(found, console.width, name)
    if aside:
        with contextlib.suppress(OSError):
            show(made, console)
        return
    _print(lambda: show(made, console))


def rows(lines: Iterable[str]) -> None:
    """Print lines as they come, each with its end."""

    def write() -> None:
        for line in lines:
            sys.stdout.buffer.write(line.encode())

    _print(write)


def whole(data: bytes) -> None:
    """Print bytes as they are."""
    _print(lambda: sys.stdout.buffer.write(data))


def _print(write: Callable[[], object]) -> None:
    """Write to standard output. What goes wrong there is for the user to mend; a reader who left is click's matter."""
    if sys.stdout is None:
        raise BadInput("standard output is closed, so nothing can be shown; leave it open, or send it to a file")
    try:
        write()
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        with contextlib.suppress(OSError):
            sys.stdout.close()  # what is left in it would fail once more at the end
        reason = (error.strerror or "it failed").lower()
        raise BadInput(f"standard output cannot be written ({reason}); send it to another place") from None
