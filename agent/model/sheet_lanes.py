"""The lanes that a slot of the machine should have by the sheet, beside what is really filled there.

A slot whose neighbours take lanes while they are filled is judged by what is in them now, not by what was planned.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model.neighbours import is_filled
from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from agent.model.expected import Expectations
    from agent.model.judged import Judged
    from agent.model.sheet_parts import MatchedSheet


class LanesLeft(Struct, frozen=True):
    """What the sheet leaves a slot beside what is filled: `lanes` of `of`, as `by` are filled (none: all of them).

    `unread` says which of these is taken to be as the sheet has it, since what is in it could not be read.
    """

    slot: str
    lanes: int
    of: int
    by: tuple[str, ...] = ()
    unread: str = ""

    @property
    def words(self) -> str:
        """The same for people, to follow "the sheet has it so:"."""
        if not self.by:
            return f"{self.slot} has all of its {quantity(self.of, 'lane')}{self.unread}"
        left = f"{self.lanes} of its {quantity(self.of, 'lane')}" if self.lanes else "no lanes"
        are = "is" if len(self.by) == 1 else "are"
        return f"{self.slot} has {left} while {listed(self.by)} {are} filled{self.unread}"


def lanes_left(matched: MatchedSheet, expected: Expectations, judged: Judged) -> LanesLeft | None:
    """What the sheet leaves the slot of a link; None where the link is in no slot that loses lanes to others."""
    label = matched.spots.at(judged)
    slot = expected.lanes.get(label) if label is not None else None
    if label is None or slot is None:
        return None
    others = dict.fromkeys(other for labels, _ in slot.taken for other in labels)
    there = {other: _is_filled(matched, other) for other in others}
    unknown = [other for other, full in there.items() if full is None]
    full = {other for other in others if there[other] or (there[other] is None and other in expected.filled)}
    apply = [(lanes, labels) for labels, lanes in slot.taken if full.issuperset(labels)]
    lanes, by = min(apply, default=(slot.lanes, ()))
    return LanesLeft(label, lanes, slot.lanes, by, _untold(unknown, expected) if unknown else "")


def _is_filled(matched: MatchedSheet, label: str) -> bool | None:
    """Whether something is in a slot of the machine; None where that is not known, or the slot was not found."""
    spot = matched.spots.of(label, None)
    if spot is None:
        return None
    each = [is_filled(link) for link in spot.links]
    return True if True in each else None if None in each else False


def _untold(unknown: list[str], expected: Expectations) -> str:
    """What is said of slots of which it is not known whether they are filled."""
    planned = [f"{label} is taken to be {'filled' if label in expected.filled else 'empty'}" for label in unknown]
    return f" ({listed(planned)} as on the sheet: what is in it could not be read)"
