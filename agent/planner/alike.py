"""Drives that are alike for a problem though their figures differ: they become one class, and are told apart again.

They differ only where no figure decides: in what some hop on their way does not let through, in rates that no need asks
for, in power where there is enough for any. Whatever is placed is worth exactly the same (`score`), moves included.
"""

from __future__ import annotations

from operator import ge
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.grouping import grouped
from agent.planner.problem import READ, Arrangement, DriveClass, PlacingProblem, uplinks_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.planner.problem import Holder, Rates

Home = tuple[str, int]

ENDLESS: Final = 1 << 62  # more than any rate


class Alike:
    """A problem with drives that are alike in one class each: `problem`, and the way back."""

    def __init__(self, original: PlacingProblem) -> None:
        """Put alike classes together; `problem` is the original where there are none."""
        self._original = original
        scarce = [_scarce(original, holder) for holder in original.holders]
        hops = [_carried(original, holder) for holder in original.holders]
        pairs = ((_key(original, kind, scarce, hops), kind) for kind in range(len(original.classes)))
        self._members = [tuple(kinds) for kinds in grouped(pairs).values()]
        self.problem = original
        if len(self._members) < len(original.classes):
            self.problem = self._merged(scarce)

    def _merged(self, scarce: list[bool]) -> PlacingProblem:
        original, members = self._original, self._members
        return replace(
            original,
            holders=tuple(
                replace(
                    holder,
                    rates=tuple(holder.rates[kinds[0]] for kinds in members),
                    watts=holder.watts if short else None,
                )
                for holder, short in zip(original.holders, scarce, strict=True)
            ),
            classes=tuple(_together([original.classes[kind] for kind in kinds]) for kinds in members),
            needs=tuple(
                replace(
                    need,
                    classes=tuple(number for number, kinds in enumerate(members) if kinds[0] in need.classes),
                )
                for need in original.needs
            ),
        )

    def apart(self, arrangement: Arrangement) -> Arrangement:
        """An arrangement in the classes of the original: those stay that can, of the others fitted ones go first."""
        if self.problem is self._original:
            return arrangement
        drives: dict[tuple[int, int], int] = {}
        for number, kinds in enumerate(self._members):
            here = [(at, count) for kind, at, count in arrangement.drives if kind == number]
            for kind, at in self._each(kinds, here):
                drives[kind, at] = drives.get((kind, at), 0) + 1
        return Arrangement(arrangement.holders, tuple(sorted((*pair, count) for pair, count in drives.items())))

    def _each(self, kinds: tuple[int, ...], here: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
        """The class and holder of each drive of some alike classes, given the holders and how many are on each."""
        classes = self._original.classes
        fitted = {(kind, home): count for kind in kinds for home, count in classes[kind].today.items()}
        spare = {kind: classes[kind].count - sum(classes[kind].today.values()) for kind in kinds}
        left: list[int] = []
        for at, count in here:
            home = self._original.holders[at].home
            missing = count
            for kind in kinds:
                stay = min(missing, fitted.get((kind, home), 0))
                if stay:
                    fitted[kind, home] -= stay
                    missing -= stay
                    yield from [(kind, at)] * stay
            left += [at] * missing
        line = [kind for (kind, _), count in fitted.items() for _ in range(count)]
        line += [kind for kind, count in spare.items() for _ in range(count)]
        yield from zip(line, left, strict=False)


def _together(classes: list[DriveClass]) -> DriveClass:
    today: dict[Home, int] = {}
    for one in classes:
        for home, count in one.today.items():
            today[home] = today.get(home, 0) + count
    return DriveClass(sum(one.count for one in classes), classes[0].watts, today)


def _key(problem: PlacingProblem, kind: int, scarce: list[bool], hops: list[Rates]) -> object:
    """All that decides about the drives of a class, holder by holder."""
    one = problem.classes[kind]
    if sum(one.today.values()) > one.count:
        return kind
    needs = [number for number, need in enumerate(problem.needs) if kind in need.classes]
    rows = []
    for holder, hop in zip(problem.holders, hops, strict=True):
        rates = tuple(map(min, holder.rates[kind], hop))
        reaches = (all(map(ge, rates, problem.needs[number].each)) for number in needs)
        rows.append((holder.rates[kind][READ] > 0, rates[READ], *reaches))
    counts = any(short and holder.rates[kind][READ] for short, holder in zip(scarce, problem.holders, strict=True))
    return tuple(needs), tuple(rows), one.watts if counts else None


def _carried(problem: PlacingProblem, holder: Holder) -> Rates:
    """What the hops that the drives of a holder share with others all carry."""
    hops = [problem.uplinks[uplink][0] for uplink in uplinks_of(problem, holder.slot)]
    hops += [] if holder.link is None else [holder.link]
    return tuple(map(min, *hops, hops[0])) if hops else (ENDLESS,) * max(map(len, holder.rates), default=0)


def _scarce(problem: PlacingProblem, holder: Holder) -> bool:
    """Whether the power for drives of a holder may not be enough for every drive that has a bay."""
    if holder.watts is None:
        return False
    units = [
        one.watts
        for one, rates in zip(problem.classes, holder.rates, strict=True)
        if rates[READ]
        for _ in range(min(one.count, holder.bays))
    ]
    return sum(sorted(units, reverse=True)[: holder.bays]) > holder.watts
