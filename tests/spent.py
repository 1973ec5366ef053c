"""Processor time that something takes, whatever else the machine does meanwhile."""

from __future__ import annotations

import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def seconds(do: Callable[[], object]) -> float:
    """Seconds of processor time that `do` takes."""
    begin = time.process_time()
    do()
    return time.process_time() - begin


@contextmanager
def within(limit: float) -> Iterator[None]:
    """Fail where what is done in it takes more seconds of processor time."""
    begin = time.process_time()
    yield
    assert time.process_time() - begin < limit
