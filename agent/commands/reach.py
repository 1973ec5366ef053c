"""What a command can do on a platform, said before it begins. Reads nothing."""

from __future__ import annotations

from typing import Final

from knowledge.problems import NothingRead

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
