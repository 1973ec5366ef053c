"""Words that the parts of a comparison share: a part that is in both, counts, figures. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.compare.fitted import name, short
from agent.model.findings import Severity

if TYPE_CHECKING:
    from agent.compare.changes import Direction
    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines


def subject(matched: MatchedMachines, before: Thing, after: Thing) -> str:
    """A part that is in both: "nvme0 (Ostrayne Reel 4 2TB) in M2_1"; only words that hold on both sides.

    A name of the system that changed is left out; of a part that moved, both places are named.
    """
    drive, other = before.drive, after.drive
    words = name(after)
    if drive is not None and other is not None and drive.name == other.name:
        words = f"{short(drive.name)} ({words})"
    here, there = matched.before.place(before), matched.after.place(after)
    if matched.moved(before, after):
        return f"{words} ({_placed(here)} before, {_placed(there)} now)"
    return f"{words} {_placed(there)}"


def alone(matched: MatchedMachines, thing: Thing, side: int) -> str:
    """A part that is in one of the two only."""
    drive = thing.drive
    words = f"{short(drive.name)} ({name(thing)})" if drive is not None else name(thing)
    return f"{words} {_placed(matched.sides[side].place(thing))}"


def _placed(place: str) -> str:
    if place.startswith(("on ", "at ")):
        return place
    return f"at {place}" if place.startswith("port ") else f"in {place}"


def direction(before: float, after: float, *, least: float = 0.0) -> Direction:
    """Which way a figure went of which more is better; "other" where it is the same within `least`."""
    if abs(after - before) <= least:
        return "other"
    return "better" if after > before else "worse"


def by_severity(before: Severity, after: Severity) -> Direction:
    """Which way a severity went."""
    return direction(_weight(before), _weight(after))


def _weight(severity: Severity) -> int:
    """What a severity counts for: only faults and limits are bad; what is not known is no worse than a note."""
    return {Severity.FAULT: 0, Severity.LIMIT: 1}.get(severity, 2)
