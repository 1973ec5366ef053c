"""Run inside a guest: puts a file over another that answers with an error, or gives its content piece by piece.

The kernel's own interface for file systems of programs is spoken here: a file system of one file, its root. So an error
is one of the kernel's, and a read may give less than was asked for before the end of the file, which neither sysfs nor
a copy that is mounted over one of its files ever does. Numbers and structures are those of include/uapi/linux/fuse.h.
Uses nothing of ours.
"""

from __future__ import annotations

import ctypes
import errno
import os
import signal
import struct
from typing import Final, NamedTuple

# Operations, and the answer to each that is neither refused nor without words.
GET_ATTRIBUTES: Final = 3
OPEN: Final = 14
READ: Final = 15
RELEASE: Final = 18
FLUSH: Final = 25
INIT: Final = 26
FORGET: Final = 2
INTERRUPT: Final = 36
DESTROY: Final = 38
UNANSWERED: Final = frozenset({FORGET, INTERRUPT})

HEADER: Final = "<IIQQIIII"  # struct fuse_in_header: length, operation, number, node, user, group, process, padding
ANSWER: Final = "<IiQ"  # struct fuse_out_header: length, error, number
DIRECT: Final = 1  # FOPEN_DIRECT_IO: reads come as they are made, and end where an answer is short
LONGEST: Final = 1 << 17
REGULAR: Final = 0o100444
READ_ONLY: Final = 1 | 2 | 4  # mount(2): MS_RDONLY, MS_NOSUID, MS_NODEV


class Fault(NamedTuple):
    """What is wrong with a file: the names of the errors at its opening, at a read of its start, and past its start.

    A read gives `size` bytes at most. The errors come as many `times`, then all is well.
    """

    opening: str = ""
    start: str = ""
    later: str = ""
    size: int = LONGEST
    times: int = 1 << 30

    def at(self, operation: int, offset: int) -> str:
        """The error of an operation, "" where it goes well."""
        if operation == OPEN:
            return self.opening
        return (self.later if offset else self.start) if operation == READ else ""


class Served(NamedTuple):
    """A file that is served: by which process, and the pipe that holds a byte for each read and each error."""

    process: int
    counted: int

    def end(self) -> str:
        """Stop serving; a letter for each answer that was given: r for a read, e for an error."""
        os.kill(self.process, signal.SIGKILL)
        os.waitpid(self.process, 0)
        return os.read(self.counted, 1 << 16).decode()


def cover(path: str, content: bytes, fault: Fault) -> Served:
    """Mount over `path` a file of this content and with this fault."""
    device = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    options = f"fd={device},rootmode={REGULAR:o},user_id=0,group_id=0,allow_other"
    library = ctypes.CDLL(None, use_errno=True)
    if library.mount(b"lab", os.fsencode(path), b"fuse", READ_ONLY, options.encode()):
        raise OSError(ctypes.get_errno(), f"nothing can be mounted over {path}")
    counted, count = os.pipe2(os.O_CLOEXEC)
    process = os.fork()
    if process == 0:
        try:
            serve(device, content, fault, count)
        finally:
            os._exit(0)
    os.close(device)
    os.close(count)
    os.set_blocking(counted, False)
    return Served(process, counted)


def serve(device: int, content: bytes, fault: Fault, count: int) -> None:
    """Answer the kernel until the file is no longer mounted."""
    left = fault.times
    while True:
        try:
            asked = os.read(device, LONGEST + 4096)
        except OSError as error:
            if error.errno in {errno.ENOENT, errno.EINTR}:  # a question that was taken back
                continue
            return
        _, operation, number, *_ = struct.unpack_from(HEADER, asked)
        if operation in UNANSWERED:
            continue
        words = asked[struct.calcsize(HEADER) :]
        _, offset, wanted = struct.unpack_from("<QQI", words) if operation == READ else (0, 0, 0)  # struct fuse_read_in
        name = fault.at(operation, offset) if left else ""
        left -= bool(name)
        piece = content[offset : offset + min(fault.size, wanted)]
        code, answer = (getattr(errno, name), b"") if name else answered(operation, piece, len(content))
        if name or operation == READ:
            os.write(count, b"e" if name else b"r")
        os.write(device, struct.pack(ANSWER, struct.calcsize(ANSWER) + len(answer), -code, number) + answer)
        if operation == DESTROY:
            return


def answered(operation: int, piece: bytes, size: int) -> tuple[int, bytes]:
    """The error (0 for none) and the words of an answer about a file of this size; `piece` are the bytes of a read."""
    if operation == INIT:  # struct fuse_init_out: version 7.31, nothing that is optional
        return 0, struct.pack("<IIIIHHIIHH8I", 7, 31, 0, 0, 0, 0, LONGEST, 1, 0, 0, *[0] * 8)
    if operation == GET_ATTRIBUTES:  # struct fuse_attr_out: valid for no time, then struct fuse_attr
        return 0, struct.pack("<QII6Q10I", 0, 0, 0, 1, size, 1, 0, 0, 0, 0, 0, 0, REGULAR, 1, *[0] * 3, 4096, 0)
    if operation == OPEN:  # struct fuse_open_out
        return 0, struct.pack("<QII", 0, DIRECT, 0)
    if operation == READ:
        return 0, piece
    return (0, b"") if operation in {FLUSH, RELEASE, DESTROY} else (errno.ENOSYS, b"")
