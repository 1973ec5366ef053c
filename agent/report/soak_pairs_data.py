"""The JSON form of two soaks beside each other, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.report.form import From, Rounded, build
from agent.soak.pairs import Direction  # noqa: TC001 - msgspec looks up the types of fields

if TYPE_CHECKING:
    from agent.soak.pairs import SoakPair

VERSION: Final = 1
Figure = Annotated[float, Rounded(2)]


class SoakSideData(Struct, frozen=True, kw_only=True):
    """One of the two logs."""

    source: str
    started_at: Annotated[str, From("head.started_at")]
    machine: Annotated[str | None, From("head.machine")]
    command: Annotated[tuple[str, ...], From("head.command")]
    seconds: Figure


class WarmthData(Struct, frozen=True, kw_only=True):
    """Where a drive settles under one load, degrees Celsius.

    `change` is by how many K the second is warmer, with one standard deviation; `over_rest` tells that it is the change
    of the rise above the temperature at rest. The load is in MB/s.
    """

    before: Figure
    after: Figure
    change: Figure
    error: Figure
    over_rest: bool
    sure: bool
    read_mbps: Figure
    write_mbps: Figure


class SlowingData(Struct, frozen=True):
    """The share of the time under load in which a drive slowed itself by heat, 0 to 1; null where not told."""

    before: Figure | None
    after: Figure | None


class DrivePairData(Struct, frozen=True, kw_only=True):
    """One drive in both soaks. `doubts` are what forbids to say more."""

    name: str
    before_name: str
    direction: Direction
    words: tuple[str, ...]
    doubts: tuple[str, ...]
    warmth: WarmthData | None
    slowing: SlowingData
    before_mbps: Figure | None
    after_mbps: Figure | None


class SoakPairData(Struct, frozen=True, kw_only=True):
    """Two soaks beside each other; `verdict` says it in a sentence. `worse` tells that a drive got worse."""

    format: Literal["lanewright-compare-soaks"] = "lanewright-compare-soaks"
    version: int = VERSION
    verdict: str
    worse: bool
    before: SoakSideData
    after: SoakSideData
    drives: tuple[DrivePairData, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    notes: tuple[str, ...]


def pair(found: SoakPair, before_name: str, after_name: str) -> SoakPairData:
    """The form; the names say where each side comes from."""
    before = build(SoakSideData, found.before, source=before_name)
    return build(SoakPairData, found, before=before, after=build(SoakSideData, found.after, source=after_name))
