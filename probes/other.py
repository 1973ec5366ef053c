"""The floor: a platform that nothing is known of. It reads nothing and says so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.facts import Facts, Host
from probes.platforms import Platform
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from probes.reads import Reads, Recorded

PLATFORM: Final = Platform(module=__name__, offers={}, without={"everything": "lanewright does not know this platform"})


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """No facts, and the reason."""
    del looks
    missing = Unread("everything", f"lanewright does not know the platform {reads.platform[:40]!r}")
    return Facts(
        platform=reads.platform,
        taken_at=taken_at,
        host=Host(missing, missing, *(None,) * 9, missing, missing, missing, missing),
        functions=(),
        kernel_slots=(),
        board_slots=missing,
        board_devices=(),
        drives=(),
        sensors=(),
        looks=(),
        unread=(missing,),
    )


def look(reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
    """Nothing to look at."""
    del reads, addresses
    return first
