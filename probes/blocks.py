"""Reads data from a block device or an ordinary file, to see how fast it comes: opened for reading only, never written.

The only place that opens a drive for its data. What is read is thrown away. Several requests are in flight at once, one
a thread: the system call gives up the interpreter's lock while it waits. Takes no time and judges nothing.

Sources: open(2), O_DIRECT, its notes on alignment; preadv(2); posix_fadvise(2), POSIX_FADV_DONTNEED.
"""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from knowledge.phrasing import quoted
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from threading import Event

Kind = Literal["block", "file"]
Pattern = Literal["sequential", "random"]

# Sectors of drives are 512 or 4096 bytes; a multiple of the larger suits both.
ALIGNED: Final = 4096
MOST_IN_FLIGHT: Final = 256
MOST_MEMORY: Final = 1024 * 1024 * 1024
_HELD_BYTES: Final = 512  # of which st_blocks counts (stat(2))
_MIX: Final = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)
_64_BITS: Final = 0xFFFF_FFFF_FFFF_FFFF
_FOREVER: Final = 1 << 62
_NO_RIGHTS: Final = frozenset({errno.EACCES, errno.EPERM})
_GONE: Final = frozenset({errno.ENODEV, errno.ENXIO, errno.ESHUTDOWN})


class ReadTarget(Struct, frozen=True):
    """Something that can be read. `number` is "MAJOR:MINOR": of the device itself, or of what holds the file."""

    path: str
    kind: Kind
    number: str
    has_holes: bool = False


class ReadPlan(Struct, frozen=True):
    """How to read: bytes of a request, requests in flight, in what order, how many bytes in all (None: no end).

    `begin` is the byte at which reading in sequence begins: a multiple of 4,096.
    """

    block: int
    depth: int
    pattern: Pattern = "sequential"
    max_bytes: int | None = None
    seed: int = 0
    begin: int = 0


class Failure(Struct, frozen=True):
    """Why reading ended too early: an errno name, "" where the data ended before its end; and the place in bytes.

    `gone` tells that the device does not answer any more.
    """

    name: str
    offset: int
    gone: bool


# --- What can be read ------------------------------------------------------------------------------------------


def place(path: str) -> ReadTarget:
    """What a path leads to, if it can be measured; all else is refused unopened (BadInput)."""
    import stat

    try:
        real = os.path.realpath(path)
        found = os.stat(real)
        kernels = {os.stat(folder).st_dev for folder in ("/sys", "/proc") if os.path.isdir(folder)}
    except (OSError, ValueError) as error:
        raise BadInput(f"{quoted(path)} cannot be measured ({_reason(error)}); check the name") from None
    mode = found.st_mode
    if stat.S_ISBLK(mode):
        return ReadTarget(real, "block", f"{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}")
    if not stat.S_ISREG(mode):
        raise BadInput(f"{quoted(path)} is {_what(mode)}; give a drive (nvme0, sda) or an ordinary file")
    if found.st_dev in kernels:
        raise BadInput(f"{quoted(path)} is a file of the kernel that is on no drive; give an ordinary file")
    holes = found.st_blocks * _HELD_BYTES < found.st_size
    return ReadTarget(real, "file", f"{os.major(found.st_dev)}:{os.minor(found.st_dev)}", holes)


def _what(mode: int) -> str:
    """The kind of a file that is not read, for people."""
    import stat

    if stat.S_ISDIR(mode):
        return "a folder"
    if stat.S_ISCHR(mode):
        return "a character device, and reading from one may do anything"
    return "a pipe" if stat.S_ISFIFO(mode) else "a socket" if stat.S_ISSOCK(mode) else "nothing that can be read"


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return "the name is not one a file can have"


def _refused(place: ReadTarget, error: OSError) -> BadInput:
    """The sentence for a place that could not be opened or does not answer."""
    name = quoted(place.path)
    if error.errno in _NO_RIGHTS and place.kind == "block" and os.geteuid() == 0:
        return BadInput(
            f"{name} cannot be read: the system refused it even to root ({_reason(error)}), as containers and "
            "sandboxes do; run this outside of them"
        )
    if error.errno in _NO_RIGHTS and place.kind == "block":
        return BadInput(
            f"{name} cannot be read: only root may read the whole device; "
            "run this as root, or name an ordinary file on the drive"
        )
    if error.errno in _NO_RIGHTS:
        return BadInput(f"{name} cannot be read: permission is missing; check whose file it is")
    return BadInput(f"{name} cannot be read ({_reason(error)}); look at the drive with check")


# --- Which piece comes when ------------------------------------------------------------------------------------


def pieces(size: int, wanted: ReadPlan) -> Callable[[int], tuple[int, int]]:
    """What gives the offset and length of the request of a number (0, 1, 2 ...); length 0: all has been asked for.

    Sequential reading begins again at the start of the data after its end. Random places are spread evenly, and follow
    from the number and the seed alone (the mixing of splitmix64: Steele, Lea and Flood, OOPSLA 2014).
    """
    block, most = wanted.block, _FOREVER if wanted.max_bytes is None else wanted.max_bytes
    if wanted.pattern == "sequential":
        count, begin = -(-size // block), wanted.begin
        first_turn = -(-(size - begin) // block)

        def sequential(number: int) -> tuple[int, int]:
            if number < first_turn:
                offset = begin + number * block
                return offset, max(0, min(block, size - offset, most - number * block))
            turn, index = divmod(number - first_turn, count)
            offset = index * block
            return offset, max(0, min(block, size - offset, most - (size - begin) - turn * size - offset))

        return sequential
    count, start = max(1, size // block), wanted.seed & _64_BITS
    step, first, second = _MIX

    def random(number: int) -> tuple[int, int]:
        mixed = (start + (number + 1) * step) & _64_BITS
        mixed = ((mixed ^ (mixed >> 30)) * first) & _64_BITS
        mixed = ((mixed ^ (mixed >> 27)) * second) & _64_BITS
        offset = (mixed ^ (mixed >> 31)) % count * block
        return offset, max(0, min(block, size - offset, most - number * block))

    return random


def aligned(offset: int, length: int, size: int) -> int:
    """The length to ask for where the page cache is bypassed: up at the end of the data, down at a limit before it."""
    if length % ALIGNED == 0:
        return length
    return length + -length % ALIGNED if offset + length == size else length - length % ALIGNED


# --- Reading ---------------------------------------------------------------------------------------------------


class ReadLoad:
    """Requests to one place, kept in flight from `start` until `stop`, until all is read or until one fails.

    `direct` tells that the page cache is bypassed; `size` is in bytes. The first request is made here, before any
    thread is there: what cannot be read at all is refused (BadInput).
    """

    def __init__(
        self, place: ReadTarget, wanted: ReadPlan, read: Callable[[int, Sequence[memoryview], int], int] | None = None
    ) -> None:
        """`read` does as `os.preadv` (None: it is that)."""
        if wanted.block % ALIGNED or not 0 < wanted.depth <= MOST_IN_FLIGHT:
            raise ValueError("blocks are multiples of 4096 bytes, and 1 to 256 requests are in flight")
        from itertools import count
        from threading import Event, Lock

        self.place, self.wanted = place, wanted
        self.failure: Failure | None = None
        self._read = os.preadv if read is None else read
        self._bytes, self._requests = [0] * wanted.depth, [0] * wanted.depth
        self._stopping = False
        self._left, self._lock = 0, Lock()
        self._ended = Event()
        self._ended.set()
        self._next = count().__next__
        try:
            self._handle, self.direct = self._opened()
        except OSError as error:
            raise _refused(place, error) from None
        self._begin()

    def _opened(self) -> tuple[int, bool]:
        """The open file, and whether it bypasses the page cache."""
        bypass = getattr(os, "O_DIRECT", 0)  # not on every platform
        try:
            return self._open(bypass), bool(bypass)
        except OSError as error:
            if not bypass or error.errno not in {errno.EINVAL, errno.EOPNOTSUPP}:
                raise
        return self._open(0), False

    def _open(self, more: int) -> int:
        """Open for reading; what the path leads to must be what it was.

        O_NONBLOCK keeps the opening of a pipe from waiting; on files and block devices it has no effect (open(2)).
        """
        import stat

        handle = os.open(self.place.path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY | more)
        mode = os.fstat(handle).st_mode
        if not (stat.S_ISBLK(mode) if self.place.kind == "block" else stat.S_ISREG(mode)):
            os.close(handle)
            raise OSError(errno.ESTALE, "another file by now")
        return handle

    def _begin(self) -> None:
        """Find out the size and make the first request."""
        try:
            self.size = os.lseek(self._handle, 0, os.SEEK_END)
            if self.size:
                self._piece = pieces(self.size, self.wanted)
                self._first_request(self._next())
        except OSError as error:
            self.close()
            raise _refused(self.place, error) from None
        if not self.size:
            self.close()
            raise BadInput(f"{quoted(self.place.path)} is empty, so there is nothing to measure")

    def _first_request(self, number: int) -> None:
        """Make a request; where it is refused because it bypasses the page cache, do without that."""
        buffer = self._buffer()
        try:
            self._request(number, buffer, 0)
        except OSError as error:
            if not self.direct or error.errno not in {errno.EINVAL, errno.EOPNOTSUPP}:
                raise
            os.close(self._handle)
            self._handle, self.direct = -1, False
            self._handle = self._open(0)
            self._request(number, buffer, 0)
        if not self.direct:
            self._drop(0, 0)

    def _buffer(self) -> memoryview:
        """Memory for one request, on a page's boundary."""
        import mmap

        return memoryview(mmap.mmap(-1, self.wanted.block, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS))

    def _request(self, number: int, buffer: memoryview, worker: int) -> bool:
        """Read one piece and count it; False where nothing is left to ask for."""
        offset, length = self._piece(number)
        asked = aligned(offset, length, self.size) if self.direct else length
        length = min(length, asked)
        if not length:
            return False
        done = self._read(self._handle, [buffer[:asked] if asked < len(buffer) else buffer], offset)
        while 0 < done < length and not self._stopping:  # a part of it came
            if self.direct and done % ALIGNED:
                break  # only the end of the data is no whole sector
            more = self._read(self._handle, [buffer[:asked][done:]], offset + done)
            if not more:
                break
            done += more
        self._bytes[worker] += done
        self._requests[worker] += 1
        if not self.direct:
            self._drop(offset, length)
        if done < length and not self._stopping:
            self.failure = self.failure or Failure("", offset + done, gone=self._emptied())
            self._stopping = True
            return False
        return True

    def _emptied(self) -> bool:
        """Whether this is a block device that holds nothing any more: the kernel makes so of a drive that is gone."""
        try:
            return self.place.kind == "block" and not os.lseek(self._handle, 0, os.SEEK_END)
        except OSError:
            return True

    def _drop(self, offset: int, length: int) -> None:
        """Ask the system to forget what it keeps of these bytes (of all: 0, 0); it need not."""
        import contextlib

        advise = getattr(os, "posix_fadvise", None)
        if advise is not None:
            with contextlib.suppress(OSError):
                advise(self._handle, offset, length, os.POSIX_FADV_DONTNEED)

    def start(self, changed: Event) -> None:
        """Put the requests in flight; `changed` is set when none is left."""
        from threading import Thread

        self._left = self.wanted.depth
        self._ended.clear()
        for worker in range(self.wanted.depth):  # a thread that hangs in a drive must not keep the program from ending
            Thread(target=self._work, args=(worker, changed), daemon=True).start()

    def _work(self, worker: int, changed: Event) -> None:
        number = 0
        try:
            buffer = self._buffer()
            whole, buffers, read, handle = self.wanted.block, [buffer], self._read, self._handle
            following, piece, direct = self._next, self._piece, self.direct
            while not self._stopping:
                number = following()
                offset, length = piece(number)
                # The usual case, kept short: the interpreter's lock is held while these lines run.
                if direct and length == whole and read(handle, buffers, offset) == whole:
                    self._bytes[worker] += whole
                    self._requests[worker] += 1
                elif not self._request(number, buffer, worker):
                    break
        except OSError as error:
            name = errno.errorcode.get(error.errno or 0, "EIO")
            self.failure = self.failure or Failure(
                name, self._piece(number)[0], gone=error.errno in _GONE or self._emptied()
            )
            self._stopping = True
        finally:
            with self._lock:
                self._left -= 1
                if not self._left:
                    self._ended.set()
                    changed.set()

    @property
    def running(self) -> bool:
        """Whether requests are in flight."""
        return not self._ended.is_set()

    @property
    def read_bytes(self) -> int:
        """The bytes that were read so far."""
        return sum(self._bytes)

    @property
    def requests(self) -> int:
        """The requests that were answered so far."""
        return sum(self._requests)

    def stop(self) -> None:
        """Let no new request be made."""
        self._stopping = True

    def finish(self, seconds: float) -> int:
        """Wait this long for what is in flight, and close; the number of requests that did not come back by then."""
        self.stop()
        if not self._ended.wait(seconds):
            return self._left  # the open file is left to them
        self.close()
        return 0

    def close(self) -> None:
        """Close the file."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
