"""Under which names the Linux kernel counts what a drive does.

Opens nothing itself. What could not be read is `Unread` with the reason; a device that is not counted has none.
Sources: Documentation/ABI/stable/sysfs-block
(queue/iostats) and drivers/nvme/host/multipath.c of the Linux kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.counts import counts, of_devices, of_rates, total
from probes.samples import RATES
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from probes.counts import Counts
    from probes.facts import Drive
    from probes.reads import Reads

# --- Which of them are a drive's -------------------------------------------------------------------------------


def counted(reads: Reads, drive: str, blocks: Iterable[str]) -> tuple[str, ...] | Unread:
    """The names under which the kernel counts what a drive does; none where that of one of its `blocks` is not counted.

    A drive that the kernel runs as one of several paths, nvmeC, has its bytes counted on nvme<S>c<C>n<N>, which nobody
    can open. What programs use, nvme<S>n<N>, may stay at 0 for ever, as it does before Linux 6.4, or count the bytes of
    all paths together. Unread where a reading failed that this rests on.
    """
    now = counts(reads)
    names = [_counted(reads, drive, block, now) for block in dict.fromkeys(blocks)]
    lost = next((name for name in names if isinstance(name, Unread)), None)
    known = tuple(name for name in names if isinstance(name, str))
    return known if len(known) == len(names) else () if None in names or lost is None else lost


def traffic(reads: Reads, drives: Iterable[Drive]) -> Callable[[], dict[str, tuple[int, int] | Unread] | Unread]:
    """What tells the bytes (read, written) of each block device since the system started, by the name programs use.

    Where the kernel counts those of `drives` is looked up once, so that two answers can be held against each other. A
    device that several drives lead to has the sum of its paths, and none where one of them is not counted.
    """
    paths: dict[str, list[tuple[str, ...] | Unread]] = {}
    for drive in drives:
        for block in readable(drive.blocks) or ():
            paths.setdefault(block.name, []).append(counted(reads, drive.name, (block.name,)))
    parts = {block: _joined(found) for block, found in paths.items()}

    def now() -> dict[str, tuple[int, int] | Unread] | Unread:
        table = counts(reads)
        if isinstance(table, Unread):
            return table
        sums: dict[str, tuple[int, int] | Unread] = {}
        for block in table.keys() | parts.keys():
            names = parts.get(block, {block})
            devices = names if isinstance(names, Unread) else of_devices(table, sorted(names))
            if isinstance(devices, Unread):
                sums[block] = devices
                continue
            read, written = total(devices, "read_bytes"), total(devices, "write_bytes")
            if read is not None and written is not None:
                sums[block] = read, written
        return sums

    return now


def _joined(found: Sequence[tuple[str, ...] | Unread]) -> set[str] | Unread:
    """The names of all paths to a device: none where one of them is not counted."""
    lost = next((names for names in found if isinstance(names, Unread)), None)
    if lost is not None:
        return lost
    known = [names for names in found if not isinstance(names, Unread)]
    return set[str]().union(*known) if all(known) else set()


def _counted(reads: Reads, drive: str, block: str, now: Counts | Unread) -> str | Unread | None:
    """The name for one block device, None where no count is known to be that of this drive."""
    own = _path(drive, block)
    paths, lost = _paths(reads, drive, block, now) if own else (set[str](), None)
    if own in paths:
        tells = _tells(reads, own, now)
        if tells is True:
            return own
        lost = tells if isinstance(tells, Unread) else lost
    if lost is not None:
        return lost
    if paths:  # of a single path all that the whole does is its own
        tells = _tells(reads, block, now) if paths == {own} else False
    else:
        is_on = _is_on(reads, block)
        tells = True if is_on is None else is_on
    return tells if isinstance(tells, Unread) else block if tells else None


def _path(drive: str, block: str) -> str:
    """What the part of `block` that goes through `drive` is called; "" for what is no NVMe drive's."""
    subsystem, _, namespace = block.removeprefix("nvme").partition("n")
    number = drive.removeprefix("nvme")
    is_nvme = drive.startswith("nvme") and block.startswith("nvme")
    return f"nvme{subsystem}c{number}n{namespace}" if is_nvme and subsystem.isdigit() and number.isdigit() else ""


def _paths(reads: Reads, drive: str, block: str, now: Counts | Unread) -> tuple[set[str], Unread | None]:
    """All paths to what programs use as `block`, none for a block device that is its own only one; and what was lost.

    A list that failed may have named another path. One that is not there names none.
    """
    lists = [reads.names("/sys/block"), reads.names(f"/sys/class/nvme/{drive}")]
    lost = next((listed for listed in lists if isinstance(listed, Unread) and not listed.absent), None)
    names = {name for listed in (*lists, now) if not isinstance(listed, Unread) for name in listed}
    subsystem, _, namespace = block.removeprefix("nvme").partition("n")
    before, after = f"nvme{subsystem}c", f"n{namespace}"
    found = {
        name
        for name in names
        if name.startswith(before) and name.endswith(after) and name.removeprefix(before).removesuffix(after).isdigit()
    }
    return found, None if lost is None else of_rates(lost)


def _tells(reads: Reads, name: str, now: Counts | Unread) -> bool | Unread:
    """Whether the count of a device is one: a 0 may also mean that nothing is counted."""
    if isinstance(now, Unread):
        return now
    if name not in now:
        return False
    is_on = _is_on(reads, name)
    return any(now[name].values()) if is_on is None else is_on


def _is_on(reads: Reads, name: str) -> bool | Unread | None:
    """Whether the kernel is set to count what a device does; None where it does not tell."""
    answer = reads.text(f"/sys/block/{name}/queue/iostats")
    if isinstance(answer, Unread):
        return None if answer.absent else of_rates(answer)
    if answer not in {"0", "1"}:
        return Unread(RATES, f'whether {name} is counted reads "{answer[:40]}"')
    return answer == "1"
