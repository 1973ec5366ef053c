"""Whether a drive serves reads and writes, in words that findings and inventories share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from probes.unread import Unread

if TYPE_CHECKING:
    from probes.facts import Drive


def not_serving(drive: Drive) -> str | Unread:
    """What keeps a drive from serving, "" where it serves or is of a kind that has no state."""
    if drive.kind != "nvme" or drive.state in {None, "live"}:
        return ""
    if isinstance(drive.state, Unread):
        return drive.state
    return f"serves no reads or writes: its controller is {drive.state}"


def serving_words(drive: Drive) -> str:
    """The same for people, also where it could not be read."""
    found = not_serving(drive)
    return f"whether it serves could not be read: {found.why}" if isinstance(found, Unread) else found
