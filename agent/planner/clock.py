"""The time that a plan may take: some of it for the search, the rest for all that is said of its answer.

Takes no time itself: `now` is an argument. What there is no time for is left out, and said to be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

from msgspec import Struct

from knowledge.phrasing import listed

if TYPE_CHECKING:
    from collections.abc import Callable

Given = TypeVar("Given")

SEARCHING: Final = 0.8  # of all seconds: a search that is not done by then would leave none for the reasons
GRACE: Final = 0.05  # seconds that what is said may take beyond the end, so that small plans are never cut short


def always() -> bool:
    """There is always time."""
    return True


def at_ease() -> None:
    """Ask no clock."""


class Time(Struct, frozen=True):
    """What tells whether there is time left: to search, and to say what was found."""

    searching: Callable[[], bool] = always
    telling: Callable[[], bool] = always


def for_seconds(seconds: float, now: Callable[[], float]) -> Time:
    """So many seconds from the first look at the clock on, so that starting and reading the sheet do not count."""
    start: float | None = None

    def past() -> float:
        nonlocal start
        time = now()
        start = time if start is None else start
        return time - start

    return Time(searching=lambda: past() < SEARCHING * seconds, telling=lambda: past() < seconds + GRACE)


def once_up(running: Callable[[], bool]) -> Callable[[], bool]:
    """The same, but once time is up it stays up."""
    up = False

    def clock() -> bool:
        nonlocal up
        up = up or not running()
        return not up

    return clock


class TimeUp(Exception):  # noqa: N818 - no error: what it ends is left out
    """There is no time left."""


def checked(running: Callable[[], bool]) -> Callable[[], None]:
    """What raises TimeUp where there is no time left."""

    def check() -> None:
        if not running():
            raise TimeUp

    return check


class Telling:
    """What is said of an answer, part by part, as long as there is time; `left_out` names what was not said."""

    def __init__(self, running: Callable[[], bool]) -> None:
        """All is said so far."""
        self.check = checked(once_up(running))
        self._missing: dict[str, None] = {}

    def part(self, words: str, make: Callable[[], Given], without: Given, *, asks: bool = False) -> Given:
        """What `make` gives, or `without` where there is no time for it. What `asks` by itself is begun at any time."""
        try:
            if not asks:
                self.check()
            return make()
        except TimeUp:
            self._missing[words] = None
            return without

    @property
    def left_out(self) -> str:
        """All that was not said, in one sentence; "" where nothing was left out."""
        return f"Left out, as time was up: {listed(self._missing)}." if self._missing else ""
