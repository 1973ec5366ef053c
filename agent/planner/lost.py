"""What would be lost if another arrangement was chosen, in one clause: the first thing in which it differs in worth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.planner.build import needs_met, placement_of
from agent.planner.gains import MEASURABLE, measurable
from agent.planner.phrases import NAMED, needs_named
from agent.planner.problem import score
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.planner.build import Built
    from agent.planner.problem import Arrangement
    from agent.sheets.sheet import Placement

Decides = Literal["placed", "needs", "worst", "total", "moves", "room", ""]

FIELDS: Final[tuple[Decides, ...]] = ("placed", "needs", "worst", "total", "moves", "room")


class Lost(Struct, frozen=True):
    """The field of the score that decides ("" for none), and what follows "with it there" in a sentence."""

    decides: Decides
    words: str


class Losses:
    """A plan, held against other arrangements."""

    def __init__(self, built: Built, arrangement: Arrangement, placement: Placement) -> None:
        """Keep what it is worth."""
        self.built = built
        self.arrangement = arrangement
        self.placement = placement
        self.score = score(built.problem, arrangement)

    def of(self, other: Arrangement) -> Lost:
        """What another arrangement loses, by what counts first."""
        mine, its = self.score, score(self.built.problem, other)
        decides: Decides = next((field for field in FIELDS if getattr(mine, field) != getattr(its, field)), "")
        words: dict[Decides, Callable[[], str]] = {
            "placed": lambda: f"{self._out(other)} would have no place",
            "needs": lambda: self._needs(other),
            "worst": lambda: f"the slowest drive would read {_less(mine.worst, its.worst)}",
            "total": lambda: f"all drives together would read {_less(mine.total, its.total)}",
            "moves": lambda: f"it would do as well, with {quantity(mine.moves - its.moves, 'move')} more",
            "room": lambda: f"it would do as well, but take up {self._room(other)} slot",
            "": lambda: "it would do as well",
        }
        return Lost(decides, words[decides]())

    def _room(self, other: Arrangement) -> str:
        return "one more" if len(other.holders) > len(self.arrangement.holders) else "a bigger"

    def out(self, other: Arrangement) -> list[str]:
        """The parts with a place in the plan and none in another arrangement; alike drives count alike."""
        there = placement_of(self.built, other, self.placement)
        cards = [
            card.name
            for card in self.built.sheet.cards
            if card.carrier == "none" and card.name in self.placement.cards and card.name not in there.cards
        ]
        return [*cards, *(name for name in self.placement.drives if name not in there.drives)]

    def _out(self, other: Arrangement) -> str:
        return listed(self.out(other), most=NAMED) or "another part"

    def _needs(self, other: Arrangement) -> str:
        """The needs that another arrangement does not meet, or only at best."""
        mine, its = needs_met(self.built, self.arrangement), needs_met(self.built, other)
        for before, after, end in zip(mine, its, ("not be met", "be met at best"), strict=True):
            lost = [self.built.needs[number] for number in sorted(before - after)]
            if lost:
                return f"{needs_named(lost)} would {end}"
        return "a drive that stays would be left out"


def _less(mine: int, other: int) -> str:
    if other < mine:
        return f"{mbps_fine((mine - other) / 10)} less"
    little = "" if measurable(mine, other) else f", less than the {MEASURABLE:.0%} that can be measured"
    return f"{mbps_fine((other - mine) / 10)} more{little}"
