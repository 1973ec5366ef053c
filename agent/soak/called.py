"""What is read during a soak, in words for people, and how a drive that gives nothing is told of. Data only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.samples import (
    COUNTERS,
    CRITICAL_LIMIT,
    ERRORS,
    LINK,
    RATES,
    TEMPERATURE,
    WARNING_LIMIT,
    other,
    sensor,
)

if TYPE_CHECKING:
    from probes.samples import DriveHead, Head

IS_GONE: Final = "the drive is gone"
HANGS: Final = "the drive does not answer in time; it is skipped until it does"
TOLD_ELSEWHERE: Final = frozenset({IS_GONE, HANGS})  # by an event of its own
_NAMES: Final = {
    TEMPERATURE: "its temperature",
    RATES: "its rates",
    LINK: "its link",
    ERRORS: "the error counters of its link",
    COUNTERS: "its thermal counters",
    WARNING_LIMIT: "its warning temperature",
    CRITICAL_LIMIT: "its critical temperature",
}
# The same of all drives, as far as a soak needs one of them.
OF_DRIVES: Final = {
    TEMPERATURE: "temperatures",
    RATES: "rates",
    ERRORS: "error counters of links",
    COUNTERS: "the drives' thermal counters",
}


def names_of(drive: DriveHead) -> dict[str, str]:
    """What is read of a drive, by the word for it, in words for people."""
    further = {sensor(place): f"the temperature of its {label}" for place, label in enumerate(drive.sensors) if place}
    return {**_NAMES, **further}


def names_of_others(head: Head) -> dict[str, str]:
    """The temperatures beside the drives' own in words for people."""
    return {other(place): f"the temperature of {name}" for place, name in enumerate(head.others)}
