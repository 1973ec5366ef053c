"""The JSON form of a comparison, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.compare.changes import Change, Part  # noqa: TC001 - msgspec looks up the types of fields
from agent.report.data import EvidenceData, FindingData, StepData, UnreadData
from probes.unread import readable

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Comparison, PartChange
    from agent.model.findings import Finding

VERSION: Final = 1


class SideData(Struct, frozen=True):
    """One of the two: where it comes from, when it was read, of what machine; null where that was not read."""

    source: str
    taken_at: str
    platform: str
    name: str | None
    product: str | None
    board: str | None


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
    against: str | None
    before: SideData
    after: SideData
    parts: tuple[PartChangeData, ...]
    changes: tuple[Change, ...]
    findings: tuple[FindingChangeData, ...]
    doubts: tuple[UnreadData, ...]


def schema() -> dict[str, Any]:
    """The JSON Schema of the form."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(CompareData)}


def compare(found: Comparison, before_name: str, after_name: str) -> CompareData:
    """The form; the names say where each side comes from."""
    return CompareData(
        verdict=found.verdict,
        worse=found.worse,
        nothing_changed=found.nothing_changed,
        other_machine=found.other_machine,
        against=found.after.against,
        before=_side(found.before, before_name),
        after=_side(found.after, after_name),
        parts=tuple(map(_part, found.parts)),
        changes=found.changes,
        findings=tuple(
            FindingChangeData(one.kind, one.subject, one.direction, _finding(one.before), _finding(one.after))
            for one in found.findings
        ),
        doubts=tuple(UnreadData(one.what, one.why) for one in found.doubts),
    )


def _side(audit: Audit, source: str) -> SideData:
    host = audit.facts.host
    name = host.name if isinstance(host.name, str) else None
    return SideData(
        source, audit.facts.taken_at, audit.facts.platform, name, readable(host.product), readable(host.board)
    )


def _part(one: PartChange) -> PartChangeData:
    return PartChangeData(one.kind, one.before, one.after, one.direction)


def _finding(finding: Finding | None) -> FindingData | None:
    if finding is None:
        return None
    return FindingData(
        rule=finding.rule,
        severity=finding.severity.value,
        subject=finding.subject,
        headline=finding.headline,
        evidence=tuple(EvidenceData(one.source, one.read, one.expected) for one in finding.evidence),
        steps=tuple(
            StepData(step.action, step.text, step.cautions, step.gain_mbps, step.verify) for step in finding.steps
        ),
    )
