"""The only door to a machine. `PLATFORMS` names one package or module a platform; it is imported when it is needed."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final, cast

if TYPE_CHECKING:
    from collections.abc import Sequence

    from probes.facts import Facts
    from probes.platforms import Platform
    from probes.reads import Reads, Recorded

# A `sys.platform` value to where its `PLATFORM` stands; everything else goes to the floor, `probes.other`.
PLATFORMS: Final[dict[str, str]] = {"darwin": "probes.darwin", "linux": "probes.linux"}
FLOOR: Final = "probes.other"


def platform(name: str) -> Platform:
    """The platform of a `sys.platform` value; the floor for one that is not known."""
    return cast("Platform", import_module(PLATFORMS.get(name, FLOOR)).PLATFORM)


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """The facts of the machine behind `reads`, as its platform gives them; BadInput if no machine is so large."""
    from probes.bounds import check

    facts = platform(reads.platform).collect(reads, looks, taken_at)
    check(facts)
    return facts
