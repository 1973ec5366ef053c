"""A view of a soak that is drawn in a thread of its own, so that a terminal that is not read holds up no sample."""

from __future__ import annotations

import contextlib
from queue import Empty, Full, Queue
from threading import Event as Signal
from threading import Thread
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.commands.session import View
    from probes.samples import Event, Moment

MOST_WAITING: Final = 64  # samples and events that wait to be shown; more of them are left out
BEGINS: Final = 0.5  # seconds in which what is said at the start is to be said before the command speaks
ENDS: Final = 2.0  # seconds that are given to what still waits at the end


class Aside:
    """Hands all that it is told on to another view, which is made in the thread; what that cannot show in time is lost.

    The log has it all. A view that fails shows nothing more, and the soak goes on; `fault` is why.
    """

    def __init__(self, make: Callable[[], View], begins: float = BEGINS, ends: float = ENDS) -> None:
        """`make` may write, and so wait, as well."""
        self.fault: Exception | None = None
        self._ends = ends
        self._waiting: Queue[Callable[[View], None] | None] = Queue(MOST_WAITING)
        self._made = Signal()
        self._thread = Thread(target=self._show, args=(make,), name="view", daemon=True)
        self._thread.start()
        self._made.wait(begins)

    def sample(self, sample: Moment) -> None:
        """See `View`."""
        self._tell(lambda view: view.sample(sample))

    def event(self, event: Event) -> None:
        """See `View`."""
        self._tell(lambda view: view.event(event))

    def close(self) -> None:
        """See `View`. What waits for a terminal that nobody reads is left to wait."""
        while not self._tell(None):
            with contextlib.suppress(Empty):
                self._waiting.get_nowait()
        self._thread.join(self._ends)

    def _tell(self, what: Callable[[View], None] | None) -> bool:
        """Have it shown when there is time; whether there is room for it to wait."""
        try:
            self._waiting.put_nowait(what)
        except Full:
            return False
        return True

    def _show(self, make: Callable[[], View]) -> None:
        try:
            view = make()
            self._made.set()
            while (what := self._waiting.get()) is not None:
                what(view)
            view.close()
        except Exception as fault:  # noqa: BLE001 - whatever it is, no soak ends by its view
            self.fault = fault
            self._made.set()
