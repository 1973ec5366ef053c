"""Fills: how many drives of each class a holder can be given, and which fills are wanted.

Where they are few they are listed, and known by their numbers: taking a drive out of a fill leaves a fill, so what they
are worth is added up drive by drive. Where they are many only the limits are given (`agent.planner.packing`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.planner.packing import Fill, Room
from agent.planner.problem import READ, Holder, NeedOf, PlacingProblem

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from agent.planner.wanted import Wanted

MOST_LISTED: Final = 1500


class Fills:
    """All fills of a problem's holders."""

    def __init__(self, problem: PlacingProblem) -> None:
        """List the fills of each sort of holder."""
        self._problem = problem
        self._none: Fill = (0,) * len(problem.classes)
        self.numbers: dict[Fill, int] = {self._none: 0}
        self.all: list[Fill] = [self._none]
        self.parents: list[tuple[int, int]] = []  # of each but the first: the fill without one drive, and its class
        self._of_sort: dict[object, list[int]] = {}
        self._wanted: dict[object, list[int] | Room] = {}

    def of(self, holder: Holder) -> list[int]:
        """The fills that a holder takes by its bays, rates and power."""
        sort = holder.bays, holder.watts, tuple(bool(rates[READ]) for rates in holder.rates)
        known = self._of_sort.get(sort)
        if known is None:
            known = self._of_sort[sort] = self._listed(holder)
        return known

    def _listed(self, holder: Holder) -> list[int]:
        """Fills with one drive more, again and again, each reached by adding drives in the order of classes."""
        classes = self._problem.classes
        budget = holder.watts
        found = [0]
        line = [(self._none, 0, 0)]  # fill, its last class, its power
        for _ in range(holder.bays):
            longer = []
            for fill, last, watts in line:
                for kind in range(last, len(classes)):
                    power = watts + classes[kind].watts
                    full = fill[kind] == classes[kind].count or not holder.rates[kind][READ]
                    if not full and (budget is None or power <= budget):
                        longer.append(((*fill[:kind], fill[kind] + 1, *fill[kind + 1 :]), kind, power))
            found += [self._number(fill, kind) for fill, kind, _ in longer]
            line = longer
        return found

    def _number(self, fill: Fill, kind: int) -> int:
        known = self.numbers.get(fill)
        if known is None:
            known = self.numbers[fill] = len(self.all)
            self.all.append(fill)
            self.parents.append((self.numbers[*fill[:kind], fill[kind] - 1, *fill[kind + 1 :]], kind))
        return known

    def sums(self, each: Sequence[int]) -> list[int]:
        """The sum over each fill's drives of what each class counts."""
        found = [0]
        for parent, kind in self.parents:
            found.append(found[parent] + each[kind])
        return found

    def wanted(self, holder: Holder, wanted: Wanted) -> list[int] | Room:
        """The fills of a holder that leave its drives the worst share, and that the needs allow; or their limits."""
        sort = holder.bays, holder.watts, holder.link, holder.rates, holder.split, holder.switch, holder.card is None
        key = sort, wanted.worst, wanted.needs
        known = self._wanted.get(key)
        if known is None:
            limits = self._limits(holder, wanted)
            known = self._wanted[key] = limits if self.many(holder) else self._chosen(holder, limits)
        return known

    def many(self, holder: Holder) -> bool:
        """Whether the fills of a holder are too many to be listed: many bays, and drives of many classes for them."""
        ways = [1] + [0] * holder.bays  # fills of so many drives, class by class
        for drive_class, rates in zip(self._problem.classes, holder.rates, strict=True):
            if rates[READ]:
                ways = [sum(ways[max(0, drives - drive_class.count) : drives + 1]) for drives in range(holder.bays + 1)]
        return holder.card is not None and sum(ways) > MOST_LISTED

    def _limits(self, holder: Holder, wanted: Wanted) -> Room:
        problem, link = self._problem, holder.link
        needs = [problem.needs[number] for number in wanted.needs]
        groups: list[tuple[frozenset[int], int]] = []
        if link is not None:
            groups += [
                (frozenset(need.classes), link[direction] // each)
                for need in needs
                for direction, each in enumerate(need.each)
                if each
            ]
            if wanted.worst:
                groups.append((frozenset(range(len(holder.rates))), link[READ] // wanted.worst))
        most = tuple(
            min(one.count, holder.bays)
            if rates[READ] >= max(1, wanted.worst) and all(_suits(need, kind, holder) for need in needs)
            else 0
            for kind, (one, rates) in enumerate(zip(problem.classes, holder.rates, strict=True))
        )
        return Room(holder.bays, most, tuple(groups), holder.watts, tuple(one.watts for one in problem.classes))

    def _chosen(self, holder: Holder, limits: Room) -> list[int]:
        shut = [kind for kind, most in enumerate(limits.most) if not most]
        groups: list[tuple[Collection[int], int]] = [(shut, 0), *limits.groups]
        return [
            number
            for number in self.of(holder)
            if (number or holder.card is not None)
            and all(sum(self.all[number][kind] for kind in kinds) <= most for kinds, most in groups)
        ]


def reach(holder: Holder) -> int:
    """What the drives of a holder read together at most."""
    rate = holder.bays * max((rates[READ] for rates in holder.rates), default=0)
    return rate if holder.link is None else min(rate, holder.link[READ])


def _suits(need: NeedOf, kind: int, holder: Holder) -> bool:
    """Whether a need lets a drive of a class go on a holder."""
    if kind not in need.classes:
        return True
    refused = (need.no_split and holder.split) or (need.no_switch and holder.switch)
    return not refused and all(rate >= each for rate, each in zip(holder.rates[kind], need.each, strict=True))
