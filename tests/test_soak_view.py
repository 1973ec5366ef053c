"""The view of a soak holds up nothing: a terminal or a pipe that nobody reads costs no sample and no end of the log."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import termios
import time
from contextlib import suppress
from threading import Event as Signal
from typing import TYPE_CHECKING, Final

import pytest

from agent.commands.aside import MOST_WAITING, Aside
from knowledge.problems import BadInput
from probes import soaklog
from probes.samples import Event, Moment

if TYPE_CHECKING:
    from pathlib import Path

PATIENCE: Final = 60.0  # seconds; far more than any of it takes


class Shown:
    """A view that notes what it is told, and waits at its first sample for as long as `goes_on` is not set."""

    def __init__(self, goes_on: Signal, error: Exception | None = None) -> None:
        """`error` is raised at the first sample."""
        self.told: list[object] = []
        self._goes_on, self._error = goes_on, error

    def sample(self, sample: Moment) -> None:
        """See `View`."""
        self._goes_on.wait(PATIENCE)
        if self._error is not None:
            raise self._error
        self.told.append(sample.seconds)

    def event(self, event: Event) -> None:
        """See `View`."""
        self.told.append(event.words)

    def close(self) -> None:
        """See `View`."""
        self.told.append("closed")


def moment(seconds: float) -> Moment:
    """A sample of no drive."""
    return Moment(seconds, 0.0, (), ())


def test_all_is_shown_where_there_is_time() -> None:
    """In order, to the end."""
    goes_on = Signal()
    goes_on.set()
    shown = Shown(goes_on)
    view = Aside(lambda: shown, ends=PATIENCE)
    view.sample(moment(0.0))
    view.event(Event(0.5, "log", None, "something"))
    view.sample(moment(1.0))
    view.close()
    assert [0.0, "something", 1.0, "closed"] == shown.told
    assert view.fault is None


def test_a_view_that_stands_still_holds_up_nothing() -> None:
    """Thousands of samples are taken meanwhile, and the end comes; what had room is shown when it goes on."""
    goes_on = Signal()
    shown = Shown(goes_on)
    view = Aside(lambda: shown, ends=0.0)
    for number in range(5000):
        view.sample(moment(float(number)))
    view.close()
    assert [] == shown.told
    goes_on.set()
    view._thread.join(PATIENCE)  # noqa: SLF001 - to see what it does when nobody waits for it
    assert "closed" == shown.told[-1]
    assert 0.0 == shown.told[0]
    assert 1 < len(shown.told) <= MOST_WAITING + 2


def test_a_view_that_fails_ends_alone() -> None:
    """It is told why, and no sample is held up by it."""
    goes_on = Signal()
    goes_on.set()
    view = Aside(lambda: Shown(goes_on, ValueError("drawn")), ends=PATIENCE)
    for number in range(3):
        view.sample(moment(float(number)))
    view.close()
    assert isinstance(view.fault, ValueError)


@pytest.mark.parametrize("kind", ["pipe", "terminal"])
def test_a_soak_whose_view_nobody_reads_is_logged_to_its_end(tmp_path: Path, kind: str) -> None:
    """Standard error is full from the start, or a terminal on which output was stopped: each sample is logged."""
    log = tmp_path / "log.sqlite"
    reader, writer = os.pipe() if kind == "pipe" else pty.openpty()
    try:
        if kind == "pipe":
            os.set_blocking(writer, False)
            with suppress(BlockingIOError):
                while True:
                    os.write(writer, b"x" * 4096)
            os.set_blocking(writer, True)
        else:
            termios.tcflow(writer, termios.TCOOFF)
        view = ["--view", "live"] if kind == "terminal" else []
        words = ["soak", "--for", "1s", "--every", "0.1s", "--log", str(log), "--out", str(tmp_path / "a.json")]
        with subprocess.Popen(
            [sys.executable, "-m", "agent", *words, "--format", "json", *view],
            stderr=writer,
            stdout=subprocess.DEVNULL,
            env={**os.environ, "TERM": "xterm"},
        ) as soak:
            try:
                ended = _ended(log)
            finally:
                soak.kill()  # it waits for somebody to read its last words
        assert ended >= 2  # how many there is time for is the machine's matter
    finally:
        os.close(reader)
        os.close(writer)


def _ended(log: Path) -> int:
    """How many samples a log has when it is finished; 0 where it does not get there."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        with suppress(BadInput):  # it is just being made
            found = soaklog.read(str(log))
            if found.end is not None:
                return found.samples
        time.sleep(0.1)
    return 0
