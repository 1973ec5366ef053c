"""What one placement gains and loses against another: parts, needs and drives by name. Chooses and words nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.throughput import SAME
from agent.planner.result import PlanChange, Slower

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.figures import Rated
    from agent.planner.result import NeedSeen

    Seen = tuple[Rated, Sequence[NeedSeen]]  # a placement, and how the needs of its sheet are met there

MEASURABLE: Final = 0.03  # a gain below this share is lost in what repeated measurements differ by (common practice)
RANKS: Final = {"not met": 0, "at best": 1, "met": 2}


def measurable(kept: float, gained: float) -> bool:
    """Whether a rate is so much more than another one that a measurement shows it."""
    return gained > kept and gained >= kept * (1 + MEASURABLE)


def change(before: Seen, after: Seen) -> PlanChange:
    """What the second of two placements of one sheet gains and loses against the first."""
    (old, asked), (new, answered) = before, after
    had, has = _working(old), _working(new)
    ranks = [(need.name, RANKS[was.answer], RANKS[need.answer]) for was, need in zip(asked, answered, strict=True)]
    return PlanChange(
        parts_gained=tuple(name for name in has if name not in had),
        parts_lost=tuple(name for name in had if name not in has),
        needs_gained=tuple(name for name, was, now in ranks if not was and now),
        needs_at_best=tuple(name for name, was, now in ranks if not was and now == RANKS["at best"]),
        needs_lost=tuple(name for name, was, now in ranks if was and not now),
        needs_firmer=tuple(name for name, was, now in ranks if 0 < was < now),
        needs_weaker=tuple(name for name, was, now in ranks if 0 < now < was),
        slower=tuple(slower(old, new)),
    )


def _working(rated: Rated) -> list[str]:
    """The cards that are wanted for their own sake, and the drives that work."""
    cards = [card.name for card in rated.sheet.cards if card.carrier == "none" and card.name in rated.placement.cards]
    return [*cards, *rated.by_name]


def slower(old: Rated, new: Rated) -> list[Slower]:
    """The drives that read less, with all drives at work."""
    was, now = ({name: share.high for name, share in one.shares("to_host").items()} for one in (old, new))
    return [Slower(name, was[name], now[name]) for name in now if name in was and now[name] < was[name] * (1 - SAME)]
