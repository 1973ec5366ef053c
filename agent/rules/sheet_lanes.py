"""Lanes that slots take from each other by the build sheet, held against the links of the machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Severity
from agent.model.sheet_lanes import lanes_left
from agent.rules.rule import Found

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.expected import Expectations
    from agent.model.judged import Judged
    from agent.model.sheet_lanes import LanesLeft
    from agent.model.sheet_parts import MatchedSheet


def as_the_sheet_has_it(matched: MatchedSheet, expected: Expectations, judged: Judged) -> Found | None:
    """A note on a link that has just the lanes that the sheet leaves to it; None where that is not so."""
    left = lanes_left(matched, expected, judged)
    if left is None or judged.now is None or not left.by or left.lanes != judged.now.width:
        return None
    headline = f"runs at {rate_text(judged.now)}, as the sheet has it; {left.words}"
    evidence = (*judged.evidence, _evidence(judged, left, matched.source))
    return Found(judged.subject, headline, evidence, severity=Severity.NOTE, judged=judged, cause="")


def more_lanes(matched: MatchedSheet, expected: Expectations) -> Iterator[Found]:
    """Links that have more lanes than the sheet leaves to their slot beside what is filled."""
    for judged in (link for spot in _spots(matched, expected) for link in spot):
        left = lanes_left(matched, expected, judged)
        if left is not None and left.by and judged.now is not None and judged.now.width > left.lanes:
            words = f"runs at {rate_text(judged.now)}, more than the sheet leaves it; {left.words}"
            yield Found(judged.subject, words, (_evidence(judged, left, matched.source),), judged=judged)


def _spots(matched: MatchedSheet, expected: Expectations) -> Iterator[tuple[Judged, ...]]:
    """The links of each slot that loses lanes to others; a split slot has several, which say nothing of the whole."""
    for label in expected.lanes:
        spot = matched.spots.of(label, None)
        if spot is not None and len(spot.links) == 1:
            yield spot.links


def _evidence(judged: Judged, left: LanesLeft, source: str) -> Evidence:
    now = f"x{judged.now.width}" if judged.now is not None else "not known"
    return Evidence(f"{judged.link.key} lanes now", now, f"x{left.lanes} ({source}: {left.words})")
