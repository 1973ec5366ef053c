"""What a command can do on a platform and with what was read of a machine, said before it begins. Reads nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.problems import NothingRead

if TYPE_CHECKING:
    from collections.abc import Sequence

    from probes.facts import Facts
    from probes.unread import Unread

# Platforms on which a machine can be looked at, but its drives cannot be followed while they work, and why.
_NOT_FOLLOWED: Final = {
    "darwin": "this platform gives no temperatures, and neither the rates of drives nor the state of links for as long"
    " as they work"
}


def check_followed(command: str, platform: str) -> None:
    """Refuse a command that follows drives at work where that cannot be done (NothingRead)."""
    why = _NOT_FOLLOWED.get(platform)
    if why is not None:
        raise NothingRead(
            f"{command} needs to follow drives while they work, and {why}; lanewright check and capture work here"
        )


def unlisted(facts: Facts) -> tuple[Unread, ...]:
    """What could not be read of which drives there are."""
    return tuple(gap.why for gap in facts.gaps if gap.of == "drives")


def check_listed(what: str, lost: Sequence[Unread]) -> None:
    """Refuse what no drive could be found for, where a list of drives was `lost` (NothingRead).

    `what` is that as the beginning of a sentence: "no drive can be watched".
    """
    if lost:
        reasons = "; ".join(f"{one.what} could not be read: {one.why}" for one in lost)
        raise NothingRead(f"{what}, as {reasons}")
