"""Whether a drive serves reads and writes, in words that findings and inventories share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.unread import Unread

if TYPE_CHECKING:
    from probes.facts import Drive


def not_serving(drive: Drive) -> bool:
    """Whether the system says that the drive's controller is not at work; what could not be read is no such word."""
    return drive.kind == "nvme" and isinstance(drive.state, str) and drive.state != "live"


def serving_unread(drive: Drive) -> Unread | None:
    """Why it is not known whether a drive serves, None where it is."""
    return drive.state if drive.kind == "nvme" and isinstance(drive.state, Unread) else None


def serving_words(drive: Drive) -> str:
    """What keeps a drive from serving, or from being known to, "" for nothing."""
    lost = serving_unread(drive)
    if lost is not None:
        return f"whether it serves reads and writes could not be read: {lost.why}"
    return f"serves no reads or writes: its controller is {drive.state}" if not_serving(drive) else ""
