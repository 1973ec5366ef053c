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
_SHARED: Final = 0o022  # rights by which others than its owner change a file or a folder
_PRIVATE: Final = 0o600
_DESCRIPTORS: Final = frozenset({"/dev/fd", "/proc/self/fd"})
_LONGEST_NUMBER: Final = 9
_BEGINNING: Final = 4096  # bytes; more than that is read for good
SQLITE: Final = b"SQLite format 3\x00"  # how such a file begins: SQLite, Database File Format, section 1.3
_NO_HARD_LINKS: Final = frozenset({errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK})


# --- Words -----------------------------------------------------------------------------------------------------


def _reason(error: OSError | ValueError) -> str:
    """Why a file could not be used, in the system's words."""
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return "the name is not one a file can have"


# --- Reading ---------------------------------------------------------------------------------------------------

_taken_in: set[tuple[int, int]] = set()  # device and file number of what this run has read
# What has been read of a pipe to see how it begins, by its device and file number; None where it was read to its end.
_begun: dict[tuple[int, int], bytes | None] = {}
_asked_by: int | None = None


def begin_run(asked_by: str = "") -> None:
    """Forget what an earlier run in this process has read; `asked_by` is the number of the user behind sudo, if any.

    Source: sudo(8), "ENVIRONMENT", SUDO_UID.
    """
    global _asked_by  # noqa: PLW0603 - of the process, as its user is
    _taken_in.clear()
    _begun.clear()
    _asked_by = int(asked_by) if asked_by.isascii() and asked_by.isdigit() else None


def taken_in(status: os.stat_result) -> None:
    """Keep in mind a file that is read, so that nothing is written over it in the same run."""
    _taken_in.add((status.st_dev, status.st_ino))


def read_whole(path: str, limit: int, *, own: bool = False) -> bytes | bytearray:
    """All of a regular file, or the first `limit` + 1 bytes of a larger one; one of our `own` may be written over.

    The same of a pipe that whoever started this process laid to it (`/dev/fd/63`), which may be looked into first.
    Nothing else is opened, so that nothing is waited for and no device is touched.
    """
    import stat

    number = pipe(path)
    if number is not None:
        return _of_pipe(path, number, limit)
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
        status = os.fstat(handle)
        if not own:
            taken_in(status)
        return _all_of(lambda size: os.read(handle, size), limit, status.st_size)
    except OSError as error:
        raise BadInput(
            f"{quoted(path)} cannot be read ({_reason(error)}); copy it again from where it was made"
        ) from None
    finally:
        os.close(handle)


def pipe(path: str) -> int | None:
    """The number of the open pipe that a name stands for, as shells name it for `<(...)`; None for any other file.

    Source: proc_pid_fd(5) of Linux, fd(4) of Darwin.
    """
    import stat

    folder, _, word = path.rpartition("/")
    if path == "/dev/stdin":
        word = "0"
    elif folder not in _DESCRIPTORS or not (word.isascii() and word.isdigit() and len(word) <= _LONGEST_NUMBER):
        return None
    try:
        mode = os.fstat(int(word)).st_mode
    except OSError:
        return None
    return int(word) if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) else None


def _of_pipe(path: str, number: int, limit: int) -> bytes | bytearray:
    """What a pipe gives; the little that is asked to see how it begins is given again."""
    try:
        status = os.fstat(number)
        key = (status.st_dev, status.st_ino)
        begun = _begun.get(key, b"")
        if begun is None:
            raise BadInput(f"{quoted(path)} is a pipe, which can be read once; give the name of a file")
        left = memoryview(begun)

        def read(size: int) -> bytes:
            nonlocal left
            if left:
                part, left = bytes(left[:size]), left[size:]
                return part
            return os.read(number, size)

        whole = _all_of(read, limit)
    except OSError as error:
        raise BadInput(f"{quoted(path)} cannot be read ({_reason(error)}); give the name of a file") from None
    _begun[key] = bytes(whole) + bytes(left) if limit <= _BEGINNING else None
    return whole


def read_if_there(path: str, limit: int) -> bytes | bytearray | None:
    """As `read_whole`, of a file of our own; None where nothing has that name, refused where another user laid it."""
    if not os.path.lexists(path):
        return None
    _refuse_anothers(path)
    return read_whole(path, limit, own=True)


def is_terminal() -> bool:
    """Whether standard input is a terminal, where a person can be asked."""
    import sys

    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:
        return False


def read_standard_input(limit: int) -> bytes | bytearray:
    """All that is sent to standard input, or the first `limit` + 1 bytes; a terminal is not waited for."""
    import sys

    try:
        if sys.stdin is None or sys.stdin.isatty():
            raise BadInput("nothing is sent to standard input; send a file to it, or name one")
        return _all_of(sys.stdin.buffer.read, limit)
    except (OSError, ValueError):
        raise BadInput("standard input cannot be read; give the name of a file") from None


def read_line(limit: int) -> bytes | None:
    """The next line of standard input, of which no more than `limit` bytes are kept; None at its end."""
    import sys

    try:
        if sys.stdin is None:
            return None
        line = rest = sys.stdin.buffer.readline(limit)
        while len(rest) == limit and not rest.endswith(b"\n"):
            rest = sys.stdin.buffer.readline(limit)
    except (OSError, ValueError):  # the terminal is gone
        return None
    return line or None


def _all_of(read: Callable[[int], bytes], limit: int, size: int = 0) -> bytes | bytearray:
    """All that `read` gives until its end or past the limit; a file as large as its `size` says is not copied."""
    first = read(min(max(size, _PIECE), limit) + 1)
    part = read(_PIECE) if first and len(first) <= limit else b""
    if not part:
        return first
    whole = bytearray(first)
    while part:
        whole += part
        part = read(_PIECE) if len(whole) <= limit else b""
    return whole


def names_in(folder: str, suffix: str, most: int, each: int, together: int) -> list[str]:
    """The files of a folder whose names end so, as paths in order of name; [] where there is no such folder.

    Names that begin with a dot are left out. More than `most` are refused, as are files with more than `together`
    bytes, of which no more than `each` count of one, and a folder that cannot be listed.
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
    paths = [os.path.join(folder, name) for name in found]
    if sum(min(each, _size(path)) for path in paths) > together:
        raise BadInput(
            f"the files in {suffix} of the folder {quoted(folder)} have more than {together // 1024:,} KiB together; "
            "take those away that are no longer needed"
        )
    return paths


def _size(path: str) -> int:
    """The bytes of a file, 0 where that cannot be told: to read it says why."""
    try:
        return os.stat(path).st_size
    except (OSError, ValueError):
        return 0


def made_anew(path: str) -> None:
    """Let a file that was read be replaced after all, by what was made of it: a sheet with its places changed."""
    try:
        status = os.stat(path)
    except (OSError, ValueError):
        return
    _taken_in.discard((status.st_dev, status.st_ino))


# --- Writing ---------------------------------------------------------------------------------------------------


def check_place(path: str, *, force: bool) -> None:
    """Refuse a place where no file may be written; call it before work is spent on the content."""
    import stat

    try:
        folder = os.path.realpath(os.path.dirname(path) or ".")
        if any(folder == refused or folder.startswith(f"{refused}/") for refused in _KERNEL_FOLDERS):
            raise BadInput(f"{quoted(path)} is in a folder of the kernel; choose another folder")
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
    _check_replaced(path)


def _check_replaced(path: str) -> None:
    """Refuse to replace what another user has laid where others may lay something, what this run has read, a log."""
    _refuse_anothers(path)
    try:
        status = os.stat(path)
    except (OSError, ValueError):  # a link to nothing
        return
    if (status.st_dev, status.st_ino) in _taken_in:
        raise BadInput(f"{quoted(path)} is an input of this command; choose another name for the output")
    if _begin_of(path, len(SQLITE)) == SQLITE:
        raise BadInput(f"{quoted(path)} is a database such as a log, which is never overwritten; choose another name")


def _refuse_anothers(path: str) -> None:
    """Refuse a file, or link, that another user has laid into a folder that is another's or that others may change."""
    try:
        laid, folder = os.lstat(path), os.stat(os.path.dirname(path) or ".")
    except (OSError, ValueError):
        return
    ours = owners()
    if laid.st_uid not in ours and (folder.st_mode & _SHARED or folder.st_uid not in ours):
        raise BadInput(f"{quoted(path)} belongs to another user; choose another name")


def _begin_of(path: str, size: int) -> bytes:
    """How a regular file begins; nothing where that cannot be read."""
    import stat

    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError:
        return b""
    try:
        return os.read(handle, size) if stat.S_ISREG(os.fstat(handle).st_mode) else b""
    except OSError:
        return b""
    finally:
        os.close(handle)


def owners() -> frozenset[int]:
    """The users whose files are ours: this one, and where this is root the one who asked for it by sudo."""
    here = os.geteuid()
    return frozenset({here} if here or _asked_by is None else {here, _asked_by})


def write_whole(path: str, data: bytes, *, force: bool, private: bool = False) -> None:
    """Write a file so that its name never stands for a part of it; one that exists is replaced only with `force`.

    The content goes to a nameless neighbour first. Signals that end a program wait until that is in place or
    gone, so that nothing is left behind. A `private` file is its owner's alone to read; none gets rights that the one
    it replaces did not give.
    """
    check_place(path, force=force)
    folder = os.path.dirname(path) or "."
    try:
        with Undisturbed():
            _write(folder, path, data, force=force, private=private)
    except FileExistsError:
        raise _exists(path) from None
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None


def drop(path: str) -> None:
    """Remove a file that has served its purpose; one that is gone, or must stay, is no matter."""
    _remove(path)


def _write(folder: str, path: str, data: bytes, *, force: bool, private: bool) -> None:
    neighbour = os.path.join(folder, f".lanewright-{os.urandom(8).hex()}.part")
    rights = _rights(path, private=private)
    handle = os.open(neighbour, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, rights)
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


def _rights(path: str, *, private: bool) -> int:
    """The rights of a new file: no wider than those of the file that it replaces."""
    import stat

    rights = _PRIVATE if private else 0o666
    try:
        status = os.lstat(path)
    except OSError:
        return rights
    return rights & status.st_mode if stat.S_ISREG(status.st_mode) else rights


def _name_new(neighbour: str, path: str) -> None:
    """Give the written file its name, unless that is taken (FileExistsError)."""
    try:
        if os.link in os.supports_follow_symlinks:
            os.link(neighbour, path, follow_symlinks=False)  # of what somebody else may have laid there meanwhile
        else:
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


def deaf() -> None:
    """Keep the signals that end a program from the thread that calls this, for good: they are the main thread's."""
    import signal

    signal.pthread_sigmask(signal.SIG_BLOCK, _ending())


def _ending() -> set[int]:
    import signal

    return {signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT}


class Undisturbed:
    """Holds back the signals that end a program; they arrive when the block is left.

    It is this thread that holds them back: others must be `deaf`.
    """

    def __enter__(self) -> None:
        """Hold them back."""
        import signal

        self._before = signal.pthread_sigmask(signal.SIG_BLOCK, _ending())

    def __exit__(self, *_: object) -> None:
        """Let them come."""
        import signal

        signal.pthread_sigmask(signal.SIG_SETMASK, self._before)


def _exists(path: str) -> BadInput:
    return BadInput(f"{quoted(path)} exists; choose another name, or overwrite it with --force")


def _unwritable(path: str, error: OSError | ValueError) -> BadInput:
    return BadInput(f"{quoted(path)} cannot be written ({_reason(error)}); choose another folder or name")
