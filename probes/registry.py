"""The system's own printer of the I/O Registry (Darwin): started, bounded, read. The only module here that starts one.

It is run by its absolute path, without a shell, with no input, in a small fixed environment and in a process group of
its own. It gets some seconds and may write some bytes; whatever goes past either is ended. What it writes to standard
error is dropped: it tells there of single entries that it could not print, and ends well all the same.

Source: IOKitTools, ioreg.tproj/ioreg.c.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from threading import Thread
from typing import TYPE_CHECKING, Final

from probes.answers import REGISTRY_LIMIT, errno_name, failed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Sequence

PROGRAM: Final = ("/usr/sbin/ioreg",)
SECONDS: Final = 15.0
GRACE: Final = 2.0  # seconds in which a program that has told everything, or was ended, has to be gone
ENVIRONMENT: Final = {"PATH": "/usr/bin:/bin:/usr/sbin:/sbin", "LC_ALL": "C"}
NO_LISTS: Final = "those of releases before 2011 cannot print property lists"
_PIECE: Final = 256 * 1024

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


def ask(
    name: str, program: Sequence[str] = PROGRAM, seconds: float = SECONDS, limit: int = REGISTRY_LIMIT
) -> str | bytes | Unread:
    """What the printer writes for one of `QUESTIONS`: text where it is UTF-8, else bytes; nothing matched: "".

    `program` is run with the options of the question, for at most so many `seconds`, and for at most `limit` bytes.
    """
    key = f"registry {name}"
    options = QUESTIONS.get(name)
    if options is None:
        return failed(key, "ENOSYS")
    try:
        child = subprocess.Popen(  # noqa: S603 - an absolute path, options that stand above, no shell
            [*program, *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=ENVIRONMENT,
            cwd="/",
            bufsize=0,
            start_new_session=True,
        )
    except OSError as error:
        return failed(key, errno_name(error))
    try:
        return _answer(key, _Output(child, limit), seconds)
    except RuntimeError:  # no thread can be started
        _end(child)
        return failed(key, "EAGAIN")
    except BaseException:  # an interrupt reaches this program alone, as the child has a group of its own
        _end(child)
        raise


class _Output(Thread):
    """Reads what a child writes, up to the limit; a thread, so that one that goes on and on can be left alone."""

    def __init__(self, child: subprocess.Popen[bytes], limit: int) -> None:
        super().__init__(name="registry", daemon=True)
        self.child = child
        self.too_large = False
        self.whole: bytes | None = None  # all that the child wrote, once its end was read
        self.failure = "EIO"
        self._limit = limit

    def run(self) -> None:
        assert self.child.stdout is not None
        found = bytearray()
        try:
            with self.child.stdout as stream:
                while len(found) <= self._limit:
                    piece = stream.read(_PIECE)
                    if not piece:
                        self.whole = bytes(found)
                        return
                    found += piece
            self.too_large = True
        except (OSError, MemoryError) as error:
            self.failure = errno_name(error)


def _answer(key: str, output: _Output, seconds: float) -> str | bytes | Unread:
    child = output.child
    output.start()
    output.join(seconds)
    late = output.is_alive()
    try:
        # One that has closed its output is about to end; all else is ended.
        status = None if late or output.too_large else child.wait(GRACE)
    except subprocess.TimeoutExpired:
        status, late = None, True
    if status is None:
        _end(child)
        output.join(GRACE)
    if output.too_large:
        return failed(key, "EFBIG")
    if late or status is None:
        return failed(key, "ETIMEDOUT")
    if status < 0:
        return Unread(key, f"the registry printer was ended by signal {-status}", vital=True)
    if status:
        return Unread(key, f"the registry printer ended with status {status}; {NO_LISTS}", vital=True)
    return failed(key, output.failure) if output.whole is None else _text(output.whole)


def _end(child: subprocess.Popen[bytes]) -> None:
    """End a child and all of its group, and wait a while for it."""
    with contextlib.suppress(OSError):
        os.killpg(child.pid, signal.SIGKILL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.wait(GRACE)


def _text(data: bytes) -> str | bytes:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data
