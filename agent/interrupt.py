"""Ctrl-C: ends the program at once and in one sentence, from its first moment on, wherever it is.

A handler that raises would be raised within whatever runs, also within a module that is just being loaded, and its
traceback shown. What is written meanwhile holds signals back (`probes/files.py`), so nothing is left half done.
"""

from __future__ import annotations

import os
import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, NoReturn

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

STATUS: Final = 130  # as shells have it: 128 and the number of the signal (POSIX Shell Command Language, 2.8.2)
WORDS: Final = "lanewright: stopped before it was done"


def from_now_on() -> None:
    """Let Ctrl-C end this program; where it was ignored, as for what runs in the background, it stays so."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _end)


def _end(_number: int, _frame: FrameType | None) -> None:
    ended(WORDS, STATUS)


def ended(words: str, status: int) -> NoReturn:
    """End this process at once, with a line on standard error if that takes it."""
    try:
        before = os.get_blocking(2)
        os.set_blocking(2, False)  # a terminal that is not read holds up no end
        try:
            os.write(2, f"{words}\n".encode())
        finally:
            os.set_blocking(2, before)  # others have it open as well
    except OSError:
        pass
    finally:
        os._exit(status)


@contextmanager
def raised() -> Iterator[None]:
    """Within it Ctrl-C raises KeyboardInterrupt: for what has workers to end, or something to show of what was done."""
    before = signal.getsignal(signal.SIGINT)
    if before is _end:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        if before is _end:
            signal.signal(signal.SIGINT, before)
