"""What a command can do on a platform and with what was read of a machine, said before it begins. Reads nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge.problems import NothingRead
from probes import platform as platform_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from probes.facts import Facts
    from probes.unread import Unread


def check_followed(command: str, platform: str) -> None:
    """Refuse a command that follows drives at work where that cannot be done (NothingRead)."""
    system = platform_of(platform)
    if system.not_followed:
        else_here = "; lanewright check and capture work here" if system.offers else ""
        raise NothingRead(f"{command} needs to follow drives while they work, and {system.not_followed}{else_here}")


def unlisted(facts: Facts) -> tuple[Unread, ...]:
    """What could not be read of which drives there are."""
    return tuple(gap.why for gap in facts.gaps if gap.of == "drives")


def check_listed(what: str, lost: Sequence[Unread]) -> None:
    """Refuse what no drive could be found for, where a list of drives was `lost` (NothingRead).

    `what` is that as the beginning of a sentence: "no drive can be watched".
    """
    if lost:
        reasons = "; ".join(f"{unread.what} could not be read: {unread.why}" for unread in lost)
        raise NothingRead(f"{what}, as {reasons}")
