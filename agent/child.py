"""The user's command beside a soak: started, waited for, signals passed on. The only module that starts a process.

The command has this program's own standard streams, so that its output is untouched; its exit status is kept as shells
have it. The signals that end a program do not end this one while the command runs: the command decides. Those that mean
something to some programs are passed on as well.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from threading import Event, RLock, Thread
from typing import TYPE_CHECKING, Final

from knowledge.phrasing import quoted
from knowledge.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import FrameType
    from typing import Self

    _Handler = Callable[[int, FrameType | None], object] | int

NOT_FOUND: Final = 127  # exit statuses as shells have them: POSIX Shell Command Language, 2.8.2
NOT_EXECUTABLE: Final = 126
BY_SIGNAL: Final = 128  # and the signal's number
ENDING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
PASSED_ON: Final = (signal.SIGUSR1, signal.SIGUSR2, signal.SIGQUIT, signal.SIGCONT, signal.SIGWINCH)
SAME: Final = 1.0  # seconds in which a second interrupt is taken for the first: some send theirs to the group as well
FROM_KERNEL: Final = 0  # greater codes of a signal say that the kernel sent it: siginfo.h, SI_USER and SI_KERNEL


class NotStarted(Problem):
    """The command cannot be run; `exit_status` is 127 where there is none of that name, else 126."""

    def __init__(self, words: str, exit_status: int) -> None:
        """One sentence for people."""
        super().__init__(words)
        self.exit_status = exit_status


def find(command: tuple[str, ...], environ: Mapping[str, str]) -> None:
    """Raise NotStarted where a command cannot be run as it is; nothing is started."""
    name = command[0]
    places = [name] if "/" in name else [os.path.join(folder or ".", name) for folder in os.get_exec_path(environ)]
    there = [place for place in places if os.path.exists(place)]
    if not there or not name:
        raise _not_found(name)
    if not any(os.path.isfile(place) and os.access(place, os.X_OK) for place in there):
        raise _not_executable(name, "it is not a program, or you may not run it")


def _not_found(name: str) -> NotStarted:
    return NotStarted(f"there is no command {quoted(name)}; check its name, or give its whole path", NOT_FOUND)


def _not_executable(name: str, reason: str) -> NotStarted:
    return NotStarted(f"the command {quoted(name)} cannot be run ({reason}); make it executable", NOT_EXECUTABLE)


class Run:
    """A command, if there is one, and the signals that end a program, for as long as the block lasts.

    With a command each such signal is passed on to it, as are those of PASSED_ON, and the run is over when it has
    ended. Without one the run is over at the first signal. Signals that were ignored before stay so. After a run that
    had a signal to end, what is still to be done is ended by a later Ctrl-C only.
    """

    def __init__(self, command: tuple[str, ...], clock: Callable[[], float]) -> None:
        """Starts nothing yet; () is no command. `clock` counts seconds; `signals` are those to end that came."""
        self.command = command
        self.signals: list[int] = []
        self._clock = clock
        self._last = 0.0
        self._process: subprocess.Popen[bytes] | None = None
        self._status: int | None = None
        self._early: list[int] = []
        self._order = RLock()  # a signal may come in the listener just as the main thread learns of the command
        self._waiter: Thread | None = None
        self._wake = Event()
        self._leaving = False
        self._caught: tuple[signal.Signals, ...] = ()
        self._before: dict[signal.Signals, _Handler | None] = {}
        self._listener: Thread | None = None

    # --- Signals -----------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        """Catch the signals from now on; call it in the main thread, before other threads are started."""
        wanted = (*ENDING, *PASSED_ON) if self.command else ENDING
        self._caught = tuple(signals for signals in wanted if signal.getsignal(signals) is not signal.SIG_IGN)
        for signals in self._caught:
            self._before[signals] = signal.signal(signals, self._came_in_between)
        signal.pthread_sigmask(signal.SIG_BLOCK, self._caught)
        self._listener = Thread(target=self._listen, name="signals", daemon=True)
        self._listener.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Give the signals back. A command that still runs is left to itself."""
        self._leaving = True
        listener = self._listener
        if listener is not None and listener.ident is not None and listener.is_alive():
            # Any of the caught signals wakes it, and only it; it then sees that it should go.
            with contextlib.suppress(ProcessLookupError):
                if self._caught:
                    signal.pthread_kill(listener.ident, self._caught[0])
            listener.join()
        for signals, before in self._before.items():
            signal.signal(signals, self._after(signals, before))
        signal.pthread_sigmask(signal.SIG_UNBLOCK, self._caught)

    def _after(self, signals: signal.Signals, before: _Handler | None) -> _Handler:
        """What a signal does when the run is over, and its log is still to be closed and told of."""
        meant_for_command = signals in {signal.SIGUSR1, signal.SIGUSR2}
        if not meant_for_command and (signals not in ENDING or not self.signals):
            return before if before is not None else signal.SIG_DFL
        return self._interrupted if signals is signal.SIGINT else signal.SIG_IGN

    def _interrupted(self, _number: int, _frame: FrameType | None) -> None:
        """Ctrl-C after the run: another than that which ended it ends the program."""
        if self._clock() - self._last >= SAME:
            raise KeyboardInterrupt

    def _listen(self) -> None:
        while self._caught:
            from_kernel: bool
            if hasattr(signal, "sigwaitinfo"):
                found = signal.sigwaitinfo(self._caught)
                number, from_kernel = found.si_signo, found.si_code > FROM_KERNEL
            else:
                number = signal.sigwait(self._caught)
                from_kernel = number == signal.SIGINT
            if self._leaving:
                return
            self._came(number, passed_on=from_kernel)

    def _came_in_between(self, number: int, _frame: FrameType | None) -> None:
        """For the moment in which the command is started, when the signals are not held back."""
        self._came(number, passed_on=False)

    def _came(self, number: int, *, passed_on: bool) -> None:
        """A signal came. What the terminal sends goes to the command as well (`passed_on`): it is not sent twice."""
        if number in ENDING:
            self.signals.append(number)
            self._last = self._clock()
        with self._order:
            if self._process is None:
                self._early.append(number)
            elif not passed_on:
                with contextlib.suppress(OSError):
                    self._process.send_signal(number)
        self._wake.set()

    # --- The command -------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the command; raises NotStarted. Without a command nothing happens."""
        if not self.command:
            return
        # A child inherits what is held back, and the command should have nothing held back.
        signal.pthread_sigmask(signal.SIG_UNBLOCK, self._caught)
        try:
            process = subprocess.Popen(self.command)  # noqa: S603 - the user's own command, as given
        except FileNotFoundError:
            raise _not_found(self.command[0]) from None
        except (OSError, ValueError) as error:
            reason = os.strerror(error.errno).lower() if isinstance(error, OSError) and error.errno else "its words"
            raise _not_executable(self.command[0], reason) from None
        finally:
            signal.pthread_sigmask(signal.SIG_BLOCK, self._caught)
        with self._order:
            self._process = process
            while self._early:  # those that came before there was a command to have them
                process.send_signal(self._early.pop(0))
        self._waiter = Thread(target=self._wait, name="command", daemon=True)
        self._waiter.start()

    def _wait(self) -> None:
        assert self._process is not None
        ended = self._process.wait()
        self._status = BY_SIGNAL - ended if ended < 0 else ended
        self._wake.set()

    @property
    def status(self) -> int | None:
        """The command's exit status, 128 and the signal's number where one ended it; None while it runs."""
        return self._status

    @property
    def over(self) -> bool:
        """Whether the command has ended; without one, whether a signal came."""
        return self._status is not None if self.command else bool(self.signals)

    def pause(self, seconds: float) -> None:
        """Wait for so many seconds, or until the command has ended or a signal came."""
        if self._wake.wait(seconds) and not self.over:
            self._wake.clear()

    def wait(self) -> int | None:
        """Wait for the command to end; its status, None where there is none."""
        if self._waiter is not None:
            self._waiter.join()
        return self._status
