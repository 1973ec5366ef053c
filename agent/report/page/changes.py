"""What changed between two captures, in the shape of the page. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.report.page import words
from agent.report.page.findings import HEADLINE
from agent.report.plain import asked, plain

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.compare.changes import Comparison, FindingChange, Part, PartChange
    from agent.findings import Finding


class PartRow(Struct, frozen=True):
    """A part that came, went or moved."""

    kind: str
    name: str
    before: str
    after: str
    told_by: str


class ChangeRow(Struct, frozen=True):
    """A figure or word that differs; `direction` is "better", "worse" or "other"."""

    topic: str
    subject: str
    what: str
    before: str
    after: str
    direction: str


class FindingRow(Struct, frozen=True):
    """A finding that came, went or differs."""

    kind: str
    subject: str
    before: str
    after: str
    direction: str


class ChangesShown(Struct, frozen=True, kw_only=True):
    """All that the page says of a comparison."""

    verdict: str
    worse: bool
    nothing: bool
    other_machine: str
    before: str
    after: str
    parts: tuple[PartRow, ...]
    changes: tuple[ChangeRow, ...]
    findings: tuple[FindingRow, ...]
    doubts: tuple[tuple[str, str], ...]


def changes(found: Comparison) -> ChangesShown:
    """The comparison for the page."""
    return ChangesShown(
        verdict=words.sentence(plain(found.verdict, HEADLINE)),
        worse=found.worse,
        nothing=found.nothing_changed,
        other_machine=plain(found.other_machine, HEADLINE),
        before=plain(found.before.facts.taken_at, words.SHORT) or "at a time that is not told",
        after=plain(found.after.facts.taken_at, words.SHORT) or "at a time that is not told",
        parts=tuple(map(_part, found.parts)),
        changes=tuple(
            ChangeRow(
                one.topic,
                plain(one.subject),
                plain(one.what),
                plain(one.before),
                plain(one.after),
                one.direction,
            )
            for one in found.changes
        ),
        findings=tuple(_findings(found)),
        doubts=tuple((plain(asked(one)), plain(one.why)) for one in found.doubts),
    )


def _part(change: PartChange) -> PartRow:
    part = change.after or change.before
    return PartRow(
        change.kind,
        plain(part.name) if part is not None else "",
        _place(change.before),
        _place(change.after),
        plain(part.identity) if part is not None else "",
    )


def _place(part: Part | None) -> str:
    return "not there" if part is None else plain(part.place)


def _findings(found: Comparison) -> Iterator[FindingRow]:
    for one in found.findings:
        yield _finding(one)


def _finding(change: FindingChange) -> FindingRow:
    return FindingRow(change.kind, plain(change.subject), _words(change.before), _words(change.after), change.direction)


def _words(finding: Finding | None) -> str:
    return "none" if finding is None else f"{finding.severity.value}: {plain(finding.headline, HEADLINE)}"
