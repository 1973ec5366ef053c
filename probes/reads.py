"""The only door to the machine: every question that is put to it, live, recorded or being recorded.

A question has a kind and a subject, and the two together are its key in a capture:

    text PATH    a small text file, without white space at its end
    bytes PATH   a binary file, as many bytes as are given
    list PATH    the names in a directory, sorted
    link PATH    where a symbolic link leads, as written in it
    udev NAME    what the udev hardware database calls a PCI function ("MAKER<newline>MODEL")
    udev pci     the addresses of all PCI functions that udev lists
    psutil NAME  one figure of psutil ("boot_time", "virtual_memory.total", "cpu_count"), or a table of it as JSON:
                 "disk_io_counters" {DEVICE: {COUNT: number}}, "sensors_temperatures" {CHIP: [[LABEL, degrees C]]};
                 below a root psutil is not asked, and the first of these is made of the kernel's table there
    nvme STRUCTURE PATH   what a drive returns for Identify or Get Log Page ("nvme identify /dev/nvme0")
    registry NAME  what the system's printer of the I/O Registry writes (Darwin; names in `probes/registry.py`): a
                 property list as text, as bytes where it is not UTF-8, "" where nothing matched

Nothing here is opened for writing, and no other device command can be sent: see `NVME_QUESTIONS`.
An answer that failed is an `Unread`, and is recorded and replayed as such.
"""

from __future__ import annotations

import errno
import os
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from knowledge.phrasing import encodable
from probes.answers import NAMES_LIMIT, NOT_RECORDED, NOTHING_GIVEN, errno_name, failed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from probes.registry import Printer

Answer = str | bytes | tuple[str, ...] | Unread
_Given = TypeVar("_Given", bound=Answer)

TEXT_LIMIT: Final = 64 * 1024
BYTES_LIMIT: Final = 1024 * 1024
MOST_KEPT: Final = 64 * 1024 * 1024  # characters of all answers together, as a capture holds them
MAY_BE_EMPTY: Final = ("/md/level", "/md/layout")  # of a set that rests the kernel gives no level
_PART: Final = 8192  # bytes of one read: enough for nearly everything, and cheap to set aside


class Reads(Protocol):
    """Everything that may be asked of a machine. Answers never raise: what fails is an `Unread`."""

    platform: str

    def text(self, path: str) -> str | Unread:
        """A small text file, trailing white space removed."""

    def data(self, path: str) -> bytes | Unread:
        """A binary file, as many bytes as the kernel gives this user."""

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """The names in a directory, sorted."""

    def target(self, path: str) -> str | Unread:
        """Where a symbolic link leads, as written in it."""

    def udev(self, subject: str) -> str | Unread:
        """What udev says: "pci" for the list of functions, an address for its maker and model, a line each."""

    def psutil(self, subject: str) -> str | Unread:
        """One figure of psutil, as text."""

    def nvme(self, subject: str) -> bytes | Unread:
        """What a drive returns: "identify /dev/nvme0", "log-02 /dev/nvme0", "log-03 /dev/nvme0"."""

    def registry(self, name: str) -> str | bytes | Unread:
        """What the printer of the I/O Registry writes: "pci", "drives", "controllers", "host", "firmware"."""


# Structure asked for: (opcode, command dword 10, namespace, bytes returned). Identify is 06h, Get Log Page 02h;
# for the latter bit 15 (retain asynchronous event) is set so that reading clears nothing.
# Source: NVM Express Base, Identify (CNS 01h) and Get Log Page; include/uapi/linux/nvme_ioctl.h.
NVME_QUESTIONS: Final = {
    "identify": (0x06, 0x01, 0, 4096),
    "log-02": (0x02, 0x007F8002, 0xFFFFFFFF, 512),
    "log-03": (0x02, 0x007F8003, 0xFFFFFFFF, 512),
}
_ADMIN_COMMAND: Final = 0xC0484E41
_ADMIN_TIMEOUT_MS: Final = 5000
_LONGEST_PATH: Final = 1024  # MAXPATHLEN of Darwin, sys/syslimits.h


class Live:
    """Asks this machine. With `root`, asks only for files below that directory and nothing of the host."""

    def __init__(
        self, root: str | None = None, platform: str = "linux", waiting: Callable[[str], None] | None = None
    ) -> None:
        """`root` is a directory with another machine's `/sys` and `/proc`; `waiting` is told what takes long."""
        self.platform = platform
        self._waiting = waiting
        self._printer: Printer | None = None
        self._root = _true_folder(root) if root is not None else None
        self._directories: dict[str, str] = {}
        self._udev_context: object = None

    def _inside(self, place: str) -> str:
        """The true place of a path below the root; no link may lead out of it (OSError)."""
        return self._checked(os.path.realpath(place))

    def _checked(self, real: str) -> str:
        """A true place, if it is below the root (OSError)."""
        assert self._root is not None
        if real != self._root and not real.startswith(self._root.rstrip("/") + "/"):
            raise OSError(errno.ELOOP, "leads out of the given root")
        return real

    def _directory(self, path: str) -> str:
        """A directory to look into; below a root its true place, looked up once."""
        if self._root is None:
            return path
        found = self._directories.get(path)
        if found is None:
            found = self._directories[path] = self._inside(self._root + path)
        return found

    def _beside(self, path: str) -> str:
        """The path by the true place of its directory, its own last name not followed."""
        head, _, tail = path.rpartition("/")
        return f"{self._directory(head)}/{tail}"

    def _open(self, path: str) -> int:
        """A file opened for reading; below a root a link is followed only to a place inside."""
        flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY
        if self._root is None:
            return os.open(path, flags)
        place = self._beside(path)
        try:
            return self._held(place, flags | os.O_NOFOLLOW)
        except OSError as error:
            if error.errno != errno.ELOOP:
                raise
        return self._held(self._inside(place), flags | os.O_NOFOLLOW)

    def _held(self, place: str, flags: int) -> int:
        """What is opened below the root, and is there: a folder may have become a link since it was looked up."""
        handle = os.open(place, flags)
        try:
            self._checked(_true_place(handle))
        except BaseException:
            os.close(handle)
            raise
        return handle

    @contextmanager
    def _folder(self, path: str) -> Iterator[int | str]:
        """A directory to look into: below a root one that is held open."""
        if self._root is None:
            yield path
            return
        handle = self._held(self._directory(path), os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECTORY)
        try:
            yield handle
        finally:
            os.close(handle)

    def _file(self, path: str, limit: int) -> bytes:
        """The bytes of a file, `limit` at most; a read that gave little is no end of it, one that gave nothing is."""
        handle = self._open(path)
        try:
            if self._root is not None and not _regular(handle):
                raise OSError(errno.EINVAL, "not a regular file")
            parts = [os.read(handle, min(limit, _PART))]
            size = len(parts[0])
            while parts[-1] and size < limit:
                parts.append(os.read(handle, min(limit - size, _PART)))
                size += len(parts[-1])
            return b"".join(parts)
        finally:
            os.close(handle)

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        try:
            found = self._file(path, TEXT_LIMIT)
            if not found and self._root is None and not path.endswith(MAY_BE_EMPTY):
                return Unread(f"text {path}", NOTHING_GIVEN, vital=True)
            return found.decode("utf-8", "replace").rstrip()
        except (OSError, ValueError) as error:
            return failed(f"text {path}", _name(error))

    def data(self, path: str) -> bytes | Unread:
        """See `Reads`."""
        try:
            return self._file(path, BYTES_LIMIT)
        except (OSError, ValueError) as error:
            return failed(f"bytes {path}", _name(error))

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """See `Reads`."""
        try:
            with self._folder(path) as folder:
                found = os.listdir(folder)
        except (OSError, ValueError) as error:
            return failed(f"list {path}", _name(error))
        if len(found) > NAMES_LIMIT:
            return failed(f"list {path}", "EFBIG")
        return tuple(sorted(name.encode("utf-8", "replace").decode("utf-8") for name in found))

    def target(self, path: str) -> str | Unread:
        """See `Reads`."""
        try:
            if self._root is None:
                found = os.readlink(path)
            else:
                head, _, tail = path.rpartition("/")
                with self._folder(head) as folder:
                    found = os.readlink(tail, dir_fd=folder if isinstance(folder, int) else None)
            return found.encode("utf-8", "replace").decode("utf-8")
        except (OSError, ValueError) as error:
            return failed(f"link {path}", _name(error))

    def udev(self, subject: str) -> str | Unread:
        """See `Reads`."""
        key = f"udev {subject}"
        if self._root is not None:
            return failed(key, "ENOTSUP")
        try:
            context = self._udev_context
            if context is None:
                context = self._udev_context = _open_udev()
            return _ask_udev(context, subject)
        except ImportError:
            return failed(key, "ENOSYS")
        except Exception as error:  # noqa: BLE001 - pyudev raises its own errors and plain ones; one odd device costs one line
            return Unread(key, f"udev did not answer ({type(error).__name__})")

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        key = f"psutil {subject}"
        if self._root is not None:
            return self._disks_below(key) if subject == "disk_io_counters" else failed(key, "ENOTSUP")
        ask = _PSUTIL.get(subject)
        if ask is None:
            return failed(key, "ENOSYS")
        try:
            return ask()
        except ImportError:
            return failed(key, "ENOSYS")
        except OSError as error:
            return failed(key, errno_name(error)).minor
        except (RuntimeError, LookupError, ValueError, AttributeError) as error:
            return Unread(key, f"psutil did not answer ({type(error).__name__})", small=True)

    def _disks_below(self, key: str) -> str | Unread:
        """The kernel's table of block devices below the root, in psutil's form."""
        from probes.disk_table import TABLE, table

        try:
            found = self._file(TABLE, BYTES_LIMIT)
        except (OSError, ValueError) as error:
            return failed(key, _name(error))
        return _as_json(table(found.decode("utf-8", "replace")))

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        key = f"nvme {subject}"
        if self._root is not None:
            return failed(key, "ENOTSUP")
        structure, _, path = subject.partition(" ")
        try:
            return _send_nvme(structure, path)
        except ImportError:
            return failed(key, "ENOSYS")
        except OSError as error:
            return failed(key, errno_name(error))

    def registry(self, name: str) -> str | bytes | Unread:
        """See `Reads`."""
        key = f"registry {name}"
        if self._root is not None:
            return failed(key, "ENOTSUP")
        if self.platform != "darwin":
            return failed(key, "ENOSYS")
        if self._printer is None:
            from probes.registry import Printer

            self._printer = Printer(waiting=self._waiting)
        return self._printer.ask(name)


def _true_place(handle: int) -> str:
    """Where what is open truly is (OSError). Sources: proc(5), "/proc/pid/fd"; fcntl(2) of Darwin, F_GETPATH."""
    if sys.platform == "darwin":
        import fcntl

        found: bytes = fcntl.fcntl(handle, fcntl.F_GETPATH, bytes(_LONGEST_PATH))
        return os.fsdecode(found.rstrip(b"\0"))
    return os.readlink(f"/proc/self/fd/{handle}")


def _true_folder(path: str) -> str:
    """Where a folder truly is, told in the same way as of what is opened below it."""
    real = os.path.realpath(path)
    try:
        handle = os.open(real, os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECTORY)
    except OSError:
        return real  # what is asked for there will say why
    try:
        return _true_place(handle)
    except OSError:
        return real
    finally:
        os.close(handle)


def _regular(handle: int) -> bool:
    import stat

    return stat.S_ISREG(os.fstat(handle).st_mode)


def _name(error: OSError | ValueError) -> str:
    return errno_name(error) if isinstance(error, OSError) else "EINVAL"


def _open_udev() -> object:
    """A pyudev context, made without the child process that looks for the C library.

    pyudev asks `ctypes.util.find_library`, which runs the linker's tools; the library's name is fixed by
    its interface version, so it is answered here.
    """
    import ctypes.util

    find = ctypes.util.find_library

    def known(name: str) -> str | None:
        return "libudev.so.1" if name == "udev" else find(name)

    ctypes.util.find_library = known
    try:
        import pyudev  # type: ignore[import-untyped]
        from pyudev._ctypeslib import utils  # type: ignore[import-untyped]

        utils.find_library = known
        return pyudev.Context()
    finally:
        ctypes.util.find_library = find


def _ask_udev(context: object, subject: str) -> str:
    from pyudev import Context, Devices

    assert isinstance(context, Context)
    if subject == "pci":
        return "\n".join(sorted(device.sys_name for device in context.list_devices(subsystem="pci")))
    properties = Devices.from_name(context, "pci", subject).properties
    return "\n".join(properties.get(f"ID_{part}_FROM_DATABASE", "") for part in ("VENDOR", "MODEL"))


def _boot_time() -> str:
    import psutil

    return repr(psutil.boot_time())


def _memory() -> str:
    import psutil

    return str(psutil.virtual_memory().total)


def _processors() -> str:
    import psutil

    return str(psutil.cpu_count() or 0)


# What is counted of a block device since the system started: operations, bytes, milliseconds at work.
_DISK_COUNTS: Final = ("busy_time", "read_bytes", "read_count", "write_bytes", "write_count")


def _disks() -> str:
    import psutil

    # Without `nowrap` psutil keeps nothing from call to call: a count that falls is seen to fall.
    counters = psutil.disk_io_counters(perdisk=True, nowrap=False)
    return _as_json(
        {
            name: {count: getattr(found, count) for count in _DISK_COUNTS if hasattr(found, count)}
            for name, found in sorted(counters.items())
        }
    )


def _temperatures() -> str:
    import psutil

    chips = psutil.sensors_temperatures()
    return _as_json(
        {
            encodable(chip): [(encodable(shwtemp.label), shwtemp.current) for shwtemp in chips[chip]]
            for chip in sorted(chips)
        }
    )


def _as_json(table: object) -> str:
    from msgspec import json

    return json.encode(table).decode()


_PSUTIL: Final[dict[str, Callable[[], str]]] = {
    "boot_time": _boot_time,
    "virtual_memory.total": _memory,
    "cpu_count": _processors,
    "disk_io_counters": _disks,
    "sensors_temperatures": _temperatures,
}


def _send_nvme(structure: str, path: str) -> bytes:
    """Send one of `NVME_QUESTIONS` to a drive opened for reading; raises OSError with the errno.

    The command is `struct nvme_admin_cmd`, 72 bytes (include/uapi/linux/nvme_ioctl.h).
    """
    import ctypes
    import fcntl
    import struct

    opcode, dword10, namespace, length = NVME_QUESTIONS.get(structure, (0, 0, 0, 0))
    if opcode not in (0x02, 0x06):
        raise OSError(errno.ENOSYS, "only Identify and Get Log Page are ever sent")
    answer = ctypes.create_string_buffer(length)
    command = struct.pack(
        "<BBHIIIQQIIIIIIIIII",
        *(opcode, 0, 0, namespace, 0, 0, 0, ctypes.addressof(answer), 0, length),
        *(dword10, 0, 0, 0, 0, 0, _ADMIN_TIMEOUT_MS, 0),
    )
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        status = fcntl.ioctl(handle, _ADMIN_COMMAND, bytearray(command))
    finally:
        os.close(handle)
    if status:
        raise OSError(errno.EIO, f"the drive answered with status {status:#x}")
    return answer.raw


class Recorded:
    """Answers from a capture: what was not asked then is `Unread`, "not in this capture". Never asks the host."""

    def __init__(self, answers: Mapping[str, Answer], platform: str, first: Recorded | None = None) -> None:
        """`answers` maps a key to its answer; what a later look did not ask again, the `first` reading answers."""
        self.platform = platform
        self.answers = answers
        self._first = first

    def _answer(self, key: str) -> Answer:
        found = self.answers.get(key)
        if found is not None:
            return found
        return Unread(key, NOT_RECORDED) if self._first is None else self._first._answer(key)  # noqa: SLF001

    def _words(self, key: str) -> str | Unread:
        answer = self._answer(key)
        return answer if isinstance(answer, str | Unread) else _wrong_form(key)

    def _bytes(self, key: str) -> bytes | Unread:
        answer = self._answer(key)
        return answer if isinstance(answer, bytes | Unread) else _wrong_form(key)

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        return self._words(f"text {path}")

    def data(self, path: str) -> bytes | Unread:
        """See `Reads`."""
        return self._bytes(f"bytes {path}")

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """See `Reads`."""
        key = f"list {path}"
        answer = self._answer(key)
        return answer if isinstance(answer, tuple | Unread) else _wrong_form(key)

    def target(self, path: str) -> str | Unread:
        """See `Reads`."""
        return self._words(f"link {path}")

    def udev(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return self._words(f"udev {subject}")

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return self._words(f"psutil {subject}")

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        return self._bytes(f"nvme {subject}")

    def registry(self, name: str) -> str | bytes | Unread:
        """See `Reads`."""
        key = f"registry {name}"
        answer = self._answer(key)
        return answer if isinstance(answer, str | bytes | Unread) else _wrong_form(key)


def _wrong_form(key: str) -> Unread:
    return Unread(key, "the capture holds an answer of another form")


class Recording:
    """Passes every question on and keeps each answer in `answers`, ready for a capture."""

    def __init__(self, inner: Reads) -> None:
        """`inner` is asked; asking twice keeps the later answer."""
        self.platform = inner.platform
        self._inner = inner
        self.answers: dict[str, Answer] = {}
        self._size = 0

    def _kept(self, key: str, answer: _Given) -> _Given:
        """Keep an answer; of more than a capture can hold none is asked for (BadInput)."""
        if isinstance(answer, str | bytes):
            self._size += len(answer) * (2 if isinstance(answer, bytes) else 1)  # two digits a byte
            if self._size > MOST_KEPT:
                from knowledge.problems import BadInput

                raise BadInput("this machine says more than can be held of one; check what is read")
        self.answers[key] = answer
        return answer

    def text(self, path: str) -> str | Unread:
        """See `Reads`."""
        return self._kept(f"text {path}", self._inner.text(path))

    def data(self, path: str) -> bytes | Unread:
        """See `Reads`."""
        return self._kept(f"bytes {path}", self._inner.data(path))

    def names(self, path: str) -> tuple[str, ...] | Unread:
        """See `Reads`."""
        return self._kept(f"list {path}", self._inner.names(path))

    def target(self, path: str) -> str | Unread:
        """See `Reads`."""
        return self._kept(f"link {path}", self._inner.target(path))

    def udev(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return self._kept(f"udev {subject}", self._inner.udev(subject))

    def psutil(self, subject: str) -> str | Unread:
        """See `Reads`."""
        return self._kept(f"psutil {subject}", self._inner.psutil(subject))

    def nvme(self, subject: str) -> bytes | Unread:
        """See `Reads`."""
        return self._kept(f"nvme {subject}", self._inner.nvme(subject))

    def registry(self, name: str) -> str | bytes | Unread:
        """See `Reads`."""
        return self._kept(f"registry {name}", self._inner.registry(name))
