"""The system's own printer of the I/O Registry (Darwin): started, bounded, read. The only module here that starts one.

It is run by its absolute path, without a shell, with no input, in a small fixed environment and in a process group of
its own. It gets some seconds and may write some bytes; whatever goes past either is ended. Of what it writes to
standard error the first line is told where it fails; else it is dropped, as it tells there of single entries that it
could not print, and ends well all the same.

Source: IOKitTools, ioreg.tproj/ioreg.c.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from threading import Thread
from typing import IO, TYPE_CHECKING, Final

from knowledge.phrasing import plain
from probes.answers import CUT, REGISTRY_LIMIT, errno_name, failed
from probes.files import deaf
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

PROGRAM: Final = ("/usr/sbin/ioreg",)
SECONDS: Final = 15.0
GRACE: Final = 2.0  # seconds in which a program that has told everything, or was ended, has to be gone
MOMENT: Final = 0.25  # the same where another one has cost the time of all
ENVIRONMENT: Final = {"PATH": "/usr/bin:/bin:/usr/sbin:/sbin", "LC_ALL": "C"}
NO_LISTS: Final = "those of releases before 2011 cannot print property lists"
PATIENCE: Final = 2.0  # seconds until it is said what is waited for
WAITING: Final = "Waiting for the system's printer of the I/O Registry, for up to {seconds:g} s ..."
_PIECE: Final = 256 * 1024
_MOST_SAID: Final = 4096  # bytes of complaints that are kept
_LONGEST_SAID: Final = 120  # characters of them that are told

# Each question with the printer's options: -a a property list, -c entries of a class and of those derived from it,
# -d levels, -k entries that have a property, -l all properties, -n entries of a name, -p a plane, -r trees of what
# matches alone. Why just these is told in `probes/darwin/collecting.py`.
QUESTIONS: Final = {
    "pci": ("-a", "-r", "-c", "IOPCIDevice"),
    "drives": ("-a", "-r", "-l", "-c", "IOBlockStorageDevice"),
    "controllers": ("-a", "-r", "-d", "1", "-k", "NVMe Revision Supported"),
    "host": ("-a", "-l", "-d", "2", "-p", "IODeviceTree"),
    "firmware": ("-a", "-r", "-d", "1", "-p", "IODeviceTree", "-n", "rom"),
}


class Printer:
    """The questions of one reading, all asked side by side as soon as the first is put.

    So a printer that hangs costs the time of one question. Once one had no answer in time, what is still without one is
    ended too, and nothing is asked again. `waiting` is told once, in words, where an answer takes long.
    """

    def __init__(
        self,
        program: Sequence[str] = PROGRAM,
        seconds: float = SECONDS,
        limit: int = REGISTRY_LIMIT,
        waiting: Callable[[str], None] | None = None,
        together: Iterable[str] = tuple(QUESTIONS),
    ) -> None:
        """Start nothing yet; the questions `together` will start at once."""
        self._program = program
        self._seconds = seconds
        self._limit = limit
        self._waiting = waiting
        self._together = together
        self._begun: dict[str, _Asked | Unread] | None = None
        self._late = False

    def ask(self, name: str) -> str | bytes | Unread:
        """The answer to one of `QUESTIONS`; one that is put again is asked anew, alone."""
        if name not in QUESTIONS:
            return failed(f"registry {name}", "ENOSYS")
        try:
            asked = self._asked(name)
            return asked if isinstance(asked, Unread) else self._answer(asked)
        except BaseException:  # an interrupt reaches this program alone, as the children have groups of their own
            self._end_all()
            raise

    def _asked(self, name: str) -> _Asked | Unread:
        if self._begun is None:
            self._begun = {}
            for question in self._together:
                self._begun[question] = _begin(question, self._program, self._limit)
        if name in self._begun:
            return self._begun.pop(name)
        return failed(f"registry {name}", "ETIMEDOUT") if self._late else _begin(name, self._program, self._limit)

    def _answer(self, asked: _Asked) -> str | bytes | Unread:
        try:
            return self._in_time(asked)
        except BaseException:
            asked.end(GRACE)
            raise

    def _in_time(self, asked: _Asked) -> str | bytes | Unread:
        seconds = 0.0 if self._late else self._seconds
        first = min(PATIENCE, seconds)
        asked.output.join(first)
        if asked.output.is_alive() and seconds > first:
            if self._waiting is not None:
                self._waiting(WAITING.format(seconds=self._seconds))
                self._waiting = None
            asked.output.join(seconds - first)
        late = self._late
        answer, timed_out = asked.answer(MOMENT if late else GRACE)
        if timed_out and not late:
            self._late = True
            for other in self._unanswered():
                other.give_up()
        return answer

    def _unanswered(self) -> list[_Asked]:
        return [one for one in (self._begun or {}).values() if isinstance(one, _Asked) and one.output.is_alive()]

    def _end_all(self) -> None:
        waiting = self._unanswered()
        for asked in waiting:
            asked.give_up()
        for asked in waiting:
            asked.end(GRACE)


def ask(
    name: str, program: Sequence[str] = PROGRAM, seconds: float = SECONDS, limit: int = REGISTRY_LIMIT
) -> str | bytes | Unread:
    """What the printer writes for one of `QUESTIONS`, asked alone: text where it is UTF-8, else bytes.

    Nothing matched: "". `program` is run with the options of the question, for at most so many `seconds`, and for at
    most `limit` bytes; of a longer list comes what was written so far, with `CUT` at its end.
    """
    return Printer(program, seconds, limit, together=()).ask(name)


def _begin(name: str, program: Sequence[str], limit: int) -> _Asked | Unread:
    """Start the printer for one question."""
    key = f"registry {name}"
    try:
        child = subprocess.Popen(  # noqa: S603 - an absolute path, options that stand above, no shell
            [*program, *QUESTIONS[name]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=ENVIRONMENT,
            cwd="/",
            bufsize=0,
            start_new_session=True,
        )
    except OSError as error:
        return failed(key, errno_name(error))
    asked = _Asked(key, child, limit)
    try:
        asked.start()
    except RuntimeError:  # no thread can be started
        asked.end(GRACE)
        return failed(key, "EAGAIN")
    except BaseException:
        asked.end(GRACE)
        raise
    return asked


class _Stream(Thread):
    """Reads what a child writes to one stream, up to a limit; a thread, so that one that goes on can be left alone."""

    def __init__(self, stream: IO[bytes], limit: int, *, drain: bool = False) -> None:
        """Where `drain`, what comes after the limit is read and dropped, so that the child can go on."""
        super().__init__(name="registry", daemon=True)
        self.found = bytearray()
        self.too_large = False
        self.whole = False  # the end was read
        self.failure = "EIO"
        self._stream = stream
        self._limit = limit
        self._drain = drain

    def run(self) -> None:
        deaf()
        try:
            with self._stream as stream:
                while self._drain or not self.too_large:
                    piece = stream.read(_PIECE)
                    if not piece:
                        self.whole = True
                        return
                    self.found += piece[: self._limit + 1 - len(self.found)]
                    self.too_large = len(self.found) > self._limit
        except (OSError, MemoryError) as error:
            self.failure = errno_name(error)


class _Asked:
    """A question that was put: the child that answers it, and what it writes."""

    def __init__(self, key: str, child: subprocess.Popen[bytes], limit: int) -> None:
        assert child.stdout is not None
        assert child.stderr is not None
        self.key = key
        self.child = child
        self.output = _Stream(child.stdout, limit)
        self._complaints = _Stream(child.stderr, _MOST_SAID, drain=True)
        self._limit = limit
        self._overdue = False

    def start(self) -> None:
        """Begin to read what the child writes (RuntimeError)."""
        self.output.start()
        self._complaints.start()

    def answer(self, grace: float) -> tuple[str | bytes | Unread, bool]:
        """What came, and whether it did not come in time; the child is gone then, or was ended."""
        late = self.output.is_alive()
        try:
            # One that has closed its output is about to end; all else is ended.
            status = None if late or self.output.too_large else self.child.wait(grace)
        except subprocess.TimeoutExpired:
            status, late = None, True
        if status is None:
            self.end(grace)
            self.output.join(grace)
        if self.output.too_large:
            return _cut(self.key, bytes(self.output.found), self._limit), False
        if late or status is None or self._overdue:
            return failed(self.key, "ETIMEDOUT"), True
        return self._ended(status), False

    def _ended(self, status: int) -> str | bytes | Unread:
        if status < 0:
            return Unread(self.key, f"the registry printer was ended by signal {-status}", vital=True)
        if status:
            self._complaints.join(GRACE)
            return Unread(self.key, _refusal(status, self._said()), vital=True)
        return _text(bytes(self.output.found)) if self.output.whole else failed(self.key, self.output.failure)

    def _said(self) -> str:
        """The first line of what the child complained of, else of what it wrote that is no list."""
        for data in (self._complaints.found, self.output.found):
            lines = bytes(data[:_MOST_SAID]).decode("utf-8", "replace").split("\n")
            words = next((line.strip() for line in lines if line.strip()), "")
            if words and not words.startswith("<"):
                return plain(words, _LONGEST_SAID)
        return ""

    def give_up(self) -> None:
        """End the child as one that had its time, without waiting for it."""
        self._overdue = True
        self.kill()

    def kill(self) -> None:
        """End the child and all of its group, without waiting for it."""
        with contextlib.suppress(OSError):
            os.killpg(self.child.pid, signal.SIGKILL)

    def end(self, grace: float) -> None:
        """End the child and all of its group, and wait a while for it."""
        self.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.child.wait(grace)


def _refusal(status: int, said: str) -> str:
    """Why there is no answer, by what the printer said; old ones complain of an option: getopt(3), sysexits.h."""
    words = f'and said "{said}"' if said else "and said nothing of why"
    of_options = status == os.EX_USAGE or any(word in said.lower() for word in ("option", "usage"))
    return f"the registry printer ended with status {status} {words}{f'; {NO_LISTS}' if of_options else ''}"


def _cut(key: str, data: bytes, limit: int) -> str | Unread:
    """The beginning of a list that is larger than it may be, up to the end of a tag; Unread where it is no list.

    An eighth is left free, as a list may grow by the tokens that take the place of secrets.
    """
    end = data.rfind(b">", 0, limit - limit // 8 - len(CUT)) + 1
    if not end or not data.lstrip().startswith(b"<"):
        return failed(key, "EFBIG")
    return data[:end].decode("utf-8", "replace") + CUT


def _text(data: bytes) -> str | bytes:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data
