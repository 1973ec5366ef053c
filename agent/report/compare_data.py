"""The JSON form of a comparison, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.compare.changes import Change, Part  # noqa: TC001 - msgspec looks up the types of fields
from agent.report.data import FindingData, UnreadData  # noqa: TC001 - as above
from agent.report.form import From, build

if TYPE_CHECKING:
    from agent.compare.changes import Comparison

VERSION: Final = 1


class SideData(Struct, frozen=True):
    """One of the two: where it comes from, when it was read, of what machine; null where that was not read."""

    source: str
    taken_at: Annotated[str, From("facts.taken_at")]
    platform: Annotated[str, From("facts.platform")]
    name: Annotated[str | None, From("facts.host.name")]
    product: Annotated[str | None, From("facts.host.product")]
    board: Annotated[str | None, From("facts.host.board")]


class PartChangeData(Struct, frozen=True):
    """A part "added" (`before` is null), "removed" (`after` is null) or "moved".

    `direction` is "worse" for one that is gone while nothing took its place, else "other".
    """

    kind: str
    before: Part | None
    after: Part | None
    direction: str


class FindingChangeData(Struct, frozen=True):
    """A finding "gained" (`before` is null), "cleared" or "gone" with its part (`after` is null), or "changed".

    `direction` is "better", "worse" or "other".
    """

    kind: str
    subject: str
    direction: str
    before: FindingData | None
    after: FindingData | None


class CompareData(Struct, frozen=True, kw_only=True):
    """What differs between two readings of a machine; `verdict` says it in a sentence.

    `worse` tells that something got worse, `nothing_changed` that nothing differs. `other_machine` says why the two
    may not be one machine, "" where they seem to be. `doubts` are what could not be compared, and why.
    """

    format: Literal["lanewright-compare"] = "lanewright-compare"
    version: int = VERSION
    verdict: str
    worse: bool
    nothing_changed: bool
    other_machine: str
    against: Annotated[str | None, From("after.against")]
    before: SideData
    after: SideData
    parts: tuple[PartChangeData, ...]
    changes: tuple[Change, ...]
    findings: tuple[FindingChangeData, ...]
    doubts: tuple[UnreadData, ...]


def compare(found: Comparison, before_name: str, after_name: str) -> CompareData:
    """The form; the names say where each side comes from."""
    before = build(SideData, found.before, source=before_name)
    return build(CompareData, found, before=before, after=build(SideData, found.after, source=after_name))
