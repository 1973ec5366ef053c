"""What the Linux kernel counts of block devices: its table of them, and under which name it counts those of a drive.

Opens nothing itself. Sources: Documentation/admin-guide/iostats.rst, Documentation/ABI/stable/sysfs-block
(queue/iostats) and drivers/nvme/host/multipath.c of the Linux kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.linux_words import MOST_DIGITS
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from probes.facts import Drive
    from probes.reads import Reads

Counts = dict[str, dict[str, int]]

TABLE: Final = "/proc/diskstats"
SECTOR: Final = 512  # bytes, whatever the device's own blocks are
# Where in a line each count stands, with what its unit is in ours: the fields are numbered from 1 behind the name.
NAME: Final = 2
FIELDS: Final = {
    "busy_time": (NAME + 10, 1),
    "read_bytes": (NAME + 3, SECTOR),
    "read_count": (NAME + 1, 1),
    "write_bytes": (NAME + 7, SECTOR),
    "write_count": (NAME + 5, 1),
}
LEAST: Final = NAME + 12  # words of a line: eleven fields; lines of fewer count less


def table(text: str) -> Counts:
    """The counts of each block device by its name, from the kernel's table; lines of another form are left out."""
    found: Counts = {}
    for line in text.splitlines():
        words = line.split()
        if len(words) >= LEAST and all(_is_count(words[place]) for place, _ in FIELDS.values()):
            found[words[NAME]] = {name: int(words[place]) * unit for name, (place, unit) in FIELDS.items()}
    return dict(sorted(found.items()))


def _is_count(word: str) -> bool:
    return word.isascii() and word.isdigit() and len(word) <= MOST_DIGITS


def counts(reads: Reads) -> Counts:
    """What is counted of each block device now; nothing where there is no answer."""
    from msgspec import MsgspecError, json

    answer = reads.psutil("disk_io_counters")
    if isinstance(answer, Unread):
        return {}
    try:
        return json.decode(answer, type=Counts)
    except MsgspecError:
        return {}


def total(devices: Sequence[dict[str, int]], name: str) -> int | None:
    """A count of several devices as one sum; None where there is no device, or one of them does not have it."""
    return sum(one[name] for one in devices) if devices and all(name in one for one in devices) else None


# --- Which of them are a drive's -------------------------------------------------------------------------------


def counted(reads: Reads, drive: str, blocks: Iterable[str]) -> tuple[str, ...]:
    """The names under which the kernel counts what a drive does; none where that of one of its `blocks` is not counted.

    A drive that the kernel runs as one of several paths, nvmeC, has its bytes counted on nvme<S>c<C>n<N>, which nobody
    can open. What programs use, nvme<S>n<N>, may stay at 0 for ever, as it does before Linux 6.4, or count the bytes of
    all paths together.
    """
    now = counts(reads)
    names = [_counted(reads, drive, block, now) for block in dict.fromkeys(blocks)]
    known = tuple(name for name in names if name is not None)
    return known if len(known) == len(names) else ()


def traffic(reads: Reads, drives: Iterable[Drive]) -> Callable[[], dict[str, tuple[int, int]]]:
    """What tells the bytes (read, written) of each block device since the system started, by the name programs use.

    Where the kernel counts those of `drives` is looked up once, so that two answers can be held against each other. A
    device that several drives lead to has the sum of its paths, and none where one of them is not counted.
    """
    paths: dict[str, list[tuple[str, ...]]] = {}
    for drive in drives:
        for block in readable(drive.blocks) or ():
            paths.setdefault(block.name, []).append(counted(reads, drive.name, (block.name,)))
    parts = {block: set().union(*found) if all(found) else set[str]() for block, found in paths.items()}

    def now() -> dict[str, tuple[int, int]]:
        table = counts(reads)
        sums = {}
        for block in table.keys() | parts.keys():
            devices = [table.get(name, {}) for name in parts.get(block, {block})]
            read, written = total(devices, "read_bytes"), total(devices, "write_bytes")
            if read is not None and written is not None:
                sums[block] = read, written
        return sums

    return now


def _counted(reads: Reads, drive: str, block: str, now: Counts) -> str | None:
    """The name for one block device, None where no count is known to be that of this drive."""
    paths = _paths(reads, drive, block, now)
    own = _path(drive, block)
    if not paths:
        return None if _is_on(reads, block) is False else block
    if own in paths and _tells(reads, own, now):
        return own
    # Of a single path all that the whole does is its own.
    return block if paths == {own} and _tells(reads, block, now) else None


def _path(drive: str, block: str) -> str:
    """What the part of `block` that goes through `drive` is called; "" for what is no NVMe drive's."""
    subsystem, _, namespace = block.removeprefix("nvme").partition("n")
    number = drive.removeprefix("nvme")
    is_nvme = drive.startswith("nvme") and block.startswith("nvme")
    return f"nvme{subsystem}c{number}n{namespace}" if is_nvme and subsystem.isdigit() and number.isdigit() else ""


def _paths(reads: Reads, drive: str, block: str, now: Counts) -> set[str]:
    """All paths to what programs use as `block`; none for a block device that is its own only one."""
    lists = [reads.names("/sys/block"), reads.names(f"/sys/class/nvme/{drive}"), tuple(now)]
    names = {name for one in lists if not isinstance(one, Unread) for name in one}
    subsystem, _, namespace = block.removeprefix("nvme").partition("n")
    before, after = f"nvme{subsystem}c", f"n{namespace}"
    return {
        name
        for name in names
        if name.startswith(before) and name.endswith(after) and name.removeprefix(before).removesuffix(after).isdigit()
    }


def _tells(reads: Reads, name: str, now: Counts) -> bool:
    """Whether the count of a device is one: a 0 may also mean that nothing is counted."""
    if name not in now:
        return False
    is_on = _is_on(reads, name)
    return any(now[name].values()) if is_on is None else is_on


def _is_on(reads: Reads, name: str) -> bool | None:
    """Whether the kernel is set to count what a device does; None where it does not tell."""
    return {"0": False, "1": True}.get(str(reads.text(f"/sys/block/{name}/queue/iostats")))
