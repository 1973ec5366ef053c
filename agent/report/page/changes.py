"""What changed between two captures, in the shape of the page: the same rows as in all forms. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report import compare_rows as rows
from agent.report.page import words
from agent.report.words import moment
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.compare.changes import Comparison

# How the word of a direction looks.
LOOKS: Final = {"better": "ok", "worse": "fault", "changed": "plainly"}


class ChangesShown(Struct, frozen=True, kw_only=True):
    """All that the page says of a comparison."""

    verdict: str
    worse: bool
    other_machine: str
    before: str
    after: str
    sections: tuple[rows.ChangeSection, ...]
    doubts: tuple[tuple[str, str], ...]
    looks: dict[str, str]


def changes(found: Comparison) -> ChangesShown:
    """The comparison for the page."""
    other = f"{rows.OTHER_MACHINE}: {plain(found.other_machine, rows.SENTENCE)}"
    return ChangesShown(
        verdict=words.sentence(plain(found.verdict, rows.SENTENCE)),
        worse=found.worse,
        other_machine=words.sentence(other) if found.other_machine else "",
        before=_when(found.before),
        after=_when(found.after),
        sections=tuple(rows.sections(found)),
        doubts=tuple(rows.doubts(found)),
        looks=LOOKS,
    )


def _when(audit: Audit) -> str:
    return moment(plain(audit.facts.taken_at, words.SHORT)) or "at a time not known"
