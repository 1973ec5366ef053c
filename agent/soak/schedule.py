"""When samples are taken: evenly, without drift, whatever a sample costs. The clock and the sleep are arguments."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

LOOK_UP: Final = 0.25  # seconds between two looks whether to stop
LEAST: Final = 1e-6  # seconds between two samples, whatever the clock says


class Schedule:
    """Moments that lie `every` seconds apart, counted from the first. Iterate for (seconds, late) of each, as it comes.

    A moment that was missed whole, while the machine slept or was too busy, is left out: none is made up for. The
    seconds always rise, also where the clock does not.
    """

    def __init__(
        self, every: float, clock: Callable[[], float], sleep: Callable[[float], None], stop: Callable[[], bool]
    ) -> None:
        """`clock` counts seconds; `stop` is asked whether to go on, at least each quarter of a second."""
        self._every = every
        self._clock = clock
        self._sleep = sleep
        self._stop = stop
        self._start = self._read = clock()
        self.last = -LEAST  # the latest moment given

    def now(self) -> float:
        """Seconds since the start; a clock that was put back goes on from where it was."""
        read = self._clock()
        if read < self._read:
            self._start -= self._read - read
        self._read = read
        return read - self._start

    def moment(self) -> float:
        """The time now as that of a sample: later than that of any before."""
        self.last = max(self.now(), self.last + LEAST)
        return self.last

    def __iter__(self) -> Iterator[tuple[float, float]]:
        """Each moment when it has come, until it is time to stop; the first comes at once."""
        number = 0
        while True:
            due = number * self._every
            if not self._wait_until(due):
                return
            seconds = self.moment()
            yield seconds, max(0.0, seconds - due)
            number = max(number + 1, int(self.now() / self._every))

    def _wait_until(self, due: float) -> bool:
        """Wait; False where it is time to stop."""
        while not self._stop():
            left = due - self.now()
            if left <= 0:
                return True
            self._sleep(min(left, LOOK_UP))
        return False
