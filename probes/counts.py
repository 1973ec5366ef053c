"""What a system counts of its block devices, as psutil tells it on every platform. Opens nothing itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.samples import RATES
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from probes.reads import Reads

Counts = dict[str, dict[str, int]]


def counts(reads: Reads) -> Counts | Unread:
    """What is counted of each block device now."""
    from msgspec import MsgspecError, json

    answer = reads.psutil("disk_io_counters")
    if isinstance(answer, Unread):
        return of_rates(answer)
    try:
        return json.decode(answer, type=Counts)
    except MsgspecError:
        return Unread(RATES, "the table of what is counted of block devices has another form")


def total(devices: Sequence[dict[str, int]], name: str) -> int | None:
    """A count of several devices as one sum; None where there is no device, or one of them does not have it."""
    return sum(device[name] for device in devices) if devices and all(name in device for device in devices) else None


def of_devices(now: Counts | Unread, names: Iterable[str]) -> list[dict[str, int]] | Unread:
    """What a table has of some devices; Unread where it has nothing of one of them."""
    if isinstance(now, Unread):
        return now
    wanted = tuple(names)
    missing = next((name for name in wanted if name not in now), None)
    if missing is not None:
        return Unread(RATES, f"{missing} is not among the block devices that are counted")
    return [now[name] for name in wanted]


def of_rates(lost: Unread) -> Unread:
    """The same reason for the rates of a drive."""
    return Unread(RATES, lost.why, lost.needs_root)
