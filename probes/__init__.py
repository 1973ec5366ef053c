"""The only door to a machine. `PLATFORMS` names one module a platform; it is imported when it is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol, cast

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from probes.facts import Facts
    from probes.reads import Reads, Recorded

# A `sys.platform` value to its module; everything else goes to the floor, `probes.other`.
PLATFORMS: Final[dict[str, str]] = {"darwin": "probes.darwin", "linux": "probes.linux"}
FLOOR: Final = "probes.other"


class Platform(Protocol):
    """What a platform's module offers.

    `OFFERS` names the kinds of fact it can give, and how; `WITHOUT` those it cannot give, and why.
    """

    OFFERS: Mapping[str, str]
    WITHOUT: Mapping[str, str]

    def collect(self, reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
        """Ask everything once and give the facts."""

    def look(self, reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
        """Ask again what can change of some functions."""


def platform(name: str) -> Platform:
    """The module for a `sys.platform` value; the floor for one that is not known."""
    from importlib import import_module

    return cast("Platform", import_module(PLATFORMS.get(name, FLOOR)))


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """The facts of the machine behind `reads`, by the module of its platform."""
    return platform(reads.platform).collect(reads, looks, taken_at)
