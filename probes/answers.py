"""How a question to a machine fails, and in which words: what `reads` and the platforms share. Asks nothing."""

from __future__ import annotations

import errno
from typing import Final

from probes.unread import Unread

NAMES_LIMIT: Final = 10_000  # in one directory
REGISTRY_LIMIT: Final = 4 * 1024 * 1024  # bytes of one answer; those of real machines have up to a third of it
CUT: Final = "<!-- cut: larger than it may be -->"  # ends what is kept of a larger answer of the registry printer
NEEDS_ROOT: Final = frozenset({"EACCES", "EPERM"})
# What the kernel keeps for the super-user among what is asked; texts, lists and links are open to everybody.
OF_ROOT: Final = ("bytes /sys/firmware/dmi/", "bytes /sys/bus/pci/devices/", "nvme ")
# The kernel ends each text with a new line, so that no bytes at all are no text.
MOST_DIGITS: Final = 20  # of a 64-bit count
NOTHING_GIVEN: Final = "nothing was given"
ASLEEP: Final = "the device is asleep (D3cold) and was not woken"
NOT_RECORDED: Final = "not in this capture"
GONE: Final = frozenset({"ENOENT", "ENODEV", "ENXIO"})
# Not asked, not there, not kept: nothing went wrong. All other errors are of readings that should have worked.
NOT_TRIED: Final = frozenset({"ENOENT", "ENOTSUP", "ENODATA", "ENOSYS"})
REASONS: Final = {
    "EACCES": "permission denied; the super-user may read it",
    "EPERM": "not permitted; the super-user may read it",
    "ENOENT": "not there",
    "ENODEV": "the device is gone",
    "ENXIO": "the device is gone",
    "EIO": "the device gave an input/output error",
    "EINVAL": "the kernel refused the read",
    "EINTR": "the read was interrupted",
    "EAGAIN": "the device is busy",
    "EBUSY": "the device is busy",
    "ELOOP": "a link that leads nowhere good",
    "ENOTDIR": "not a directory",
    "EISDIR": "a directory, not a file",
    "EFBIG": "larger than it may be",
    "ENOTSUP": "not asked: only files below the given root are read",
    "ENODATA": "no answer in this capture",
    "ENOSYS": "not offered on this machine",
    "ETIMEDOUT": "no answer in time",
}


def failed(key: str, name: str) -> Unread:
    """The value for a question that ended in the error `name` (an errno name such as "EACCES")."""
    reason, needs_root = REASONS.get(name), name in NEEDS_ROOT
    return Unread(
        key,
        f"{reason} ({name})" if reason else f"failed with {name}",
        needs_root,
        absent=name == "ENOENT",
        vital=name not in NOT_TRIED and not (needs_root and key.startswith(OF_ROOT)),
        code=name,
    )


def errno_name(error: OSError | MemoryError) -> str:
    """The name of an error's number, "EIO" where it has none; memory that ran out is ENOMEM."""
    number = error.errno if isinstance(error, OSError) else errno.ENOMEM
    return errno.errorcode.get(number or 0, "EIO")
