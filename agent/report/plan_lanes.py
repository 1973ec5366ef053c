"""The lanes that slots of a plan take from each other, in words that all forms share. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from agent.planner.result import LanesTaken


def taken_words(one: LanesTaken) -> str:
    """What a slot has left, why, and what that costs."""
    left = f"{one.lanes} of {quantity(one.wired, 'lane')}" if one.lanes else f"none of {quantity(one.wired, 'lane')}"
    are = "is" if len(one.by) == 1 else "are"
    return f"{left} left, as {listed(one.by)} {are} filled; {one.costs}"
