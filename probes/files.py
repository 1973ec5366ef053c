"""Files that the user names: read within limits, written whole or not at all. Knows nothing of their content.

Every failure is a `BadInput` of one sentence that names the file and what to try.
"""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING, Final

from knowledge.phrasing import quoted
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable

_PIECE: Final = 256 * 1024
_KERNEL_FOLDERS: Final = ("/sys", "/dev", "/proc")
_NO_HARD_LINKS: Final = frozenset({errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK})


# --- Words -----------------------------------------------------------------------------------------------------


def _reason(error: OSError | ValueError) -> str:
    """Why a file could not be used, in the system's words."""
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return "the name is not one a file can have"


# --- Reading ---------------------------------------------------------------------------------------------------


def read_whole(path: str, limit: int) -> bytes | bytearray:
    """All of a regular file, or the first `limit` + 1 bytes of a larger one.

    Nothing else is opened, so that nothing is waited for and no device is touched.
    """
    import stat

    try:
        regular = stat.S_ISREG(os.stat(path).st_mode)
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY) if regular else -1
    except (OSError, ValueError) as error:
        raise BadInput(
            f"{quoted(path)} cannot be read ({_reason(error)}); check the name and your rights to it"
        ) from None
    if not regular:
        raise BadInput(f"{quoted(path)} is not a regular file; give the name of a file, or - to read standard input")
    try:
        return _all_of(lambda size: os.read(handle, size), limit, os.fstat(handle).st_size)
    except OSError as error:
        raise BadInput(
            f"{quoted(path)} cannot be read ({_reason(error)}); copy it again from where it was made"
        ) from None
    finally:
        os.close(handle)


def read_standard_input(limit: int) -> bytes | bytearray:
    """All that is sent to standard input, or the first `limit` + 1 bytes; a terminal is not waited for."""
    import sys

    try:
        if sys.stdin is None or sys.stdin.isatty():
            raise BadInput("nothing is sent to standard input; send a file to it, or give the name of a file")
        return _all_of(sys.stdin.buffer.read, limit)
    except (OSError, ValueError):
        raise BadInput("standard input cannot be read; give the name of a file") from None


def _all_of(read: Callable[[int], bytes], limit: int, size: int = 0) -> bytes | bytearray:
    """What `read` gives until its end or past the limit; a file as large as its `size` says is not copied."""
    first = read(min(max(size, _PIECE), limit) + 1)
    part = read(_PIECE) if first and len(first) <= limit else b""
    if not part:
        return first
    whole = bytearray(first)
    while part and len(whole) <= limit:
        whole += part
        part = read(_PIECE)
    return whole


def names_in(folder: str, suffix: str, most: int) -> list[str]:
    """The files of a folder whose names end so, as paths in order of name; [] where there is no such folder.

    Names that begin with a dot are left out. More than `most` are refused, as is a folder that cannot be listed.
    """
    try:
        names = os.listdir(folder)
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise BadInput(f"the folder {quoted(folder)} cannot be listed ({_reason(error)}); check the name") from None
    found = sorted(name for name in names if name.endswith(suffix) and not name.startswith("."))
    if len(found) > most:
        raise BadInput(
            f"the folder {quoted(folder)} has {len(found):,} files in {suffix}, and {most:,} are read at most"
        )
    return [os.path.join(folder, name) for name in found]


# --- Writing ---------------------------------------------------------------------------------------------------


def check_place(path: str, *, force: bool) -> None:
    """Refuse a place where no file may be written; call it before work is spent on the content."""
    import stat

    try:
        folder = os.path.realpath(os.path.dirname(path) or ".")
        if any(folder == refused or folder.startswith(f"{refused}/") for refused in _KERNEL_FOLDERS):
            raise BadInput(
                f"{quoted(path)} is in a folder of the kernel, where nothing is written; choose another folder"
            )
        if os.path.isdir(path) or not os.path.basename(path):
            raise BadInput(f"{quoted(path)} is a folder; add the name of a file")
        mode = os.lstat(path).st_mode
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None
    if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
        raise BadInput(f"{quoted(path)} exists and is not a regular file; choose another name")
    if not force:
        raise _exists(path)


def write_whole(path: str, data: bytes, *, force: bool) -> None:
    """Write a file so that its name never stands for a part of it; one that exists is replaced only with `force`.

    The content goes to a nameless neighbour first. Signals that end a program wait until that is in place or
    gone, so that nothing is left behind.
    """
    check_place(path, force=force)
    folder = os.path.dirname(path) or "."
    try:
        with _Undisturbed():
            _write(folder, path, data, force=force)
    except FileExistsError:
        raise _exists(path) from None
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None


def _write(folder: str, path: str, data: bytes, *, force: bool) -> None:
    neighbour = os.path.join(folder, f".lanewright-{os.urandom(8).hex()}.part")
    handle = os.open(neighbour, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    try:
        try:
            left = memoryview(data)
            while left:
                left = left[os.write(handle, left) :]
            os.fsync(handle)
        finally:
            os.close(handle)
        if force:
            os.replace(neighbour, path)
        else:
            _name_new(neighbour, path)
    except BaseException:
        _remove(neighbour)
        raise
    _keep_name(folder)


def _name_new(neighbour: str, path: str) -> None:
    """Give the written file its name, unless that is taken (FileExistsError)."""
    try:
        os.link(neighbour, path)
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
    else:
        _remove(neighbour)
        return
    # A file system without hard links, as on most memory sticks: take the name first, then move the file there.
    os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666))
    try:
        os.replace(neighbour, path)
    except BaseException:
        _remove(path)
        raise


def _remove(path: str) -> None:
    import contextlib

    with contextlib.suppress(OSError):
        os.unlink(path)


def _keep_name(folder: str) -> None:
    """Let the new name survive a loss of power, where the file system can promise that."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        return
    finally:
        os.close(handle)


class _Undisturbed:
    """Holds back the signals that end a program; they arrive when the block is left."""

    def __enter__(self) -> None:
        import signal

        self._before = signal.pthread_sigmask(
            signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT}
        )

    def __exit__(self, *_: object) -> None:
        import signal

        signal.pthread_sigmask(signal.SIG_SETMASK, self._before)


def _exists(path: str) -> BadInput:
    return BadInput(f"{quoted(path)} exists already; choose another name, or replace it with --force")


def _unwritable(path: str, error: OSError | ValueError) -> BadInput:
    return BadInput(f"{quoted(path)} cannot be written ({_reason(error)}); choose another folder or name")
