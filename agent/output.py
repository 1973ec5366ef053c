"""Standard output: bytes, pages for a terminal of any width, sheets. Decides nothing; knows no command.

Apart from sentences for people on standard error, this is the only module that prints.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any, Final

from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.report.paper import Page

NARROWEST: Final = 40  # columns; no page is made for less
USUAL_WIDTH: Final = 80  # where the width is told as 0


def form(data: Any) -> None:  # noqa: ANN401 - any of the JSON forms, or a schema
    """Print JSON."""
    from agent.report.data import encode

    whole(encode(data))


def page(make: Callable[..., Page], found: object, name: str) -> None:
    """Print a page as wide as the terminal; `name` says what it was made from."""
    from rich.console import Console

    from agent.report.paper import show

    console = Console(markup=False, highlight=False, emoji=False, soft_wrap=True)
    if console.width < NARROWEST:
        console.width = NARROWEST if console.width > 0 else USUAL_WIDTH
    made = make(found, console.width, name)
    _print(lambda: show(made, console))


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
        import contextlib

        with contextlib.suppress(OSError):
            sys.stdout.close()  # what is left in it would fail once more at the end
        reason = (error.strerror or "it failed").lower()
        raise BadInput(f"standard output cannot be written ({reason}); send it to another place") from None
