"""One stage of the search: branch and bound over a model, with a linear program at each step.

A part of the search is closed only by a bound in whole numbers, never by a floating-point figure.
"""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.planner.model import EMPTY, SHIFT, Limits, Model, Priced
from agent.planner.simplex import TRACE, Column, Simplex

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.planner.choices import Taken
    from agent.planner.packing import Fill

CLOSE: Final = 1e-3  # amounts this near to a whole number are taken for it; what comes of that is scored, not believed
GAIN: Final = 1e-8  # columns that promise less than this are left out
MOST_ROUNDS: Final = 400
AT_ONCE: Final = 8  # columns brought in at most before all are looked at again; twice as many where a look takes long
ENDLESS: Final = 1 << 200


class Closed(Struct, frozen=True):
    """How a stage ended: no arrangement has more than `bound`; `done` unless time was up."""

    bound: int
    done: bool


class Stage:
    """The search for the best value of a model's goal."""

    def __init__(
        self, model: Model, found: Callable[[Taken], int], running: Callable[[], bool], *, floor: int, enough: int
    ) -> None:
        """`found` is told of arrangements and gives the value of each; only more than `floor` is of interest.

        The search ends early when it has found `enough`.
        """
        self._model, self._found, self._running = model, found, running
        self._floor, self._enough = floor, enough
        rows = model.rows()
        self._simplex = Simplex(rows)
        self._others = [slack for slack, row in zip(self._simplex.slacks, rows, strict=True) if not row.exact]
        self._others += model.extras()
        self._excluded: set[Column] = set()
        self.steps = 0

    def run(self) -> Closed:
        """Search all there is, or until time is up or there is enough."""
        stack = [(self._model.every(), ENDLESS)]
        while stack and self._floor < self._enough:
            limits, bound = stack.pop()
            if bound <= self._floor:
                continue
            if not self._running():
                return Closed(max([bound, *(column for _, column in stack)]), done=False)
            self.steps += 1
            stack += self._step(limits, bound)
        return Closed(self._floor, done=True)

    def _step(self, limits: Limits, above: int) -> list[tuple[Limits, int]]:
        """Look at a part of the search: nothing where it is closed, or else smaller parts, the best one last."""
        priced = self._solve(limits)
        bound = min(above, priced.bound >> SHIFT)
        if bound <= self._floor:
            return []
        taken = self._amounts()
        whole = self._whole(taken)
        if whole is not None:
            self._floor = max(self._floor, self._found(whole))
            if bound <= self._floor:
                return []
        self._rule_out(limits, priced)
        return [(part, bound) for part in self._parts(limits, taken)]

    # --- The linear program -------------------------------------------------------------------------------------

    def _solve(self, limits: Limits) -> Priced:
        """Solve the linear program within some limits, or only until its bound closes this part or time is up."""
        self._simplex.cheap()
        self._forbid(limits)
        rounds, trusted, sure = 0, False, not self._model.packs
        while True:
            rounds += 1
            prices = self._simplex.prices(self._excluded)
            priced = self._model.priced(prices, limits, sure=sure)
            if priced.bound >> SHIFT <= self._floor or rounds == MOST_ROUNDS or not self._running():
                return priced
            if self._improve(prices, priced):
                sure = not self._model.packs
                continue
            agreed = self._model.agrees(priced, self._simplex.worth(self._excluded))
            if not (agreed or sure):
                sure = True
            elif not (agreed or trusted):
                trusted = True
                self._simplex.refresh()
                self._forbid(limits)
            elif self._simplex.dearer(self._excluded):
                sure = not self._model.packs
            else:
                return priced

    def _forbid(self, limits: Limits) -> None:
        """Make the columns in use cost too much that this part of the search does not allow."""
        self._excluded = {
            column for column in self._simplex.columns if column.option >= 0 and not self._allows(limits, column)
        }
        slots = zip(self._simplex.slacks, limits.allowed, strict=False)  # the first rows are those of the slots
        self._excluded |= {slack for slack, allowed in slots if not allowed & EMPTY}

    def _allows(self, limits: Limits, column: Column) -> bool:
        place, bit = self._model.place_of[column.option]
        fill = column.fill or ()
        within = (pair[0] <= fill[kind] <= pair[1] for (slot, kind), pair in limits.counts.items() if slot == place)
        return bool(limits.allowed[place] & bit) and all(within)

    def _improve(self, prices: Sequence[float], priced: Priced) -> bool:
        """Bring in the columns that gain most; whether there were any."""
        columns = [*self._best_columns(priced), *self._others]
        gains = sorted(((self._gain(column, prices), -place) for place, column in enumerate(columns)), reverse=True)
        moved = False
        for before, place in gains[: 2 * AT_ONCE if self._model.packs else AT_ONCE]:
            if before <= GAIN:
                break
            column = columns[-place]
            gain = self._gain(column, prices)
            change = self._simplex.enter(column) if gain > GAIN and column not in self._simplex.columns else None
            if change is not None:
                moved = True
                prices = [price + gain * part for price, part in zip(prices, change, strict=True)]
        return moved

    def _best_columns(self, priced: Priced) -> Iterator[Column]:
        """The column that is worth most to each slot, where one is."""
        for numbers in self._model.choices.by_slot:
            filled = [(*priced.worth[number], number) for number in numbers if priced.worth[number][1] is not None]
            if filled:
                _, fill, number = max(filled, key=lambda one: one[0])
                assert fill is not None
                yield self._model.column(number, fill)

    def _gain(self, column: Column, prices: Sequence[float]) -> float:
        worth = -self._simplex.price if column in self._excluded else column.worth
        return worth - sum(factor * prices[row] for row, factor in column.entries)

    def _amounts(self) -> dict[int, dict[Fill, float]]:
        """How much of each option is taken, by fill."""
        taken: dict[int, dict[Fill, float]] = {}
        for column, amount in zip(self._simplex.columns, self._simplex.amounts, strict=True):
            if column.fill is not None and amount > TRACE and column not in self._excluded:
                taken.setdefault(column.option, {})[column.fill] = amount
        return taken

    # --- Parts --------------------------------------------------------------------------------------------------

    def _rule_out(self, limits: Limits, priced: Priced) -> None:
        """Take out the options with which even the bound would not be better than what is found."""
        for place, numbers in enumerate(self._model.choices.by_slot):
            rest = priced.bound - priced.best[place]
            keep = EMPTY if rest >> SHIFT > self._floor else 0
            for number in numbers:
                value, fill = priced.worth[number]
                if fill is not None and (rest + value) >> SHIFT > self._floor:
                    keep |= self._model.place_of[number][1]
            limits.allowed[place] &= keep

    def _whole(self, taken: dict[int, dict[Fill, float]]) -> Taken | None:
        """The arrangement that the linear program found, where it is one."""
        found: Taken = []
        for option, amounts in taken.items():
            total = sum(amounts.values())
            counts = self._counts(amounts)
            if any(abs(count - round(count)) > CLOSE for count in (total, *counts)):
                return None
            if round(total):
                found.append((option, tuple(round(count) for count in counts)))
        return found

    def _counts(self, amounts: dict[Fill, float]) -> list[float]:
        """How many drives of each class an option has."""
        kinds = range(len(self._model.problem.classes))
        return [sum(fill[kind] * amount for fill, amount in amounts.items()) for kind in kinds]

    def _parts(self, limits: Limits, taken: dict[int, dict[Fill, float]]) -> list[Limits]:
        """Two parts that make up this one, in neither of which the linear program's answer is what it was.

        Each is smaller than this one, as the other holds something too: no part comes back, and so the search ends.
        None where all is settled, which leaves one arrangement to look at.
        """
        for parts in self._splits(limits, taken):
            if len(parts) > 1:
                return parts
        self._floor = max(self._floor, self._found(self._settled(limits)))
        return []

    def _splits(self, limits: Limits, taken: dict[int, dict[Fill, float]]) -> Iterator[list[Limits]]:
        """The ways to split a part, the best first; those with one part only are none.

        An option that is taken in part is taken or not, first where most hangs on it; then a class of drives of which
        a slot has a part is split.
        Traces are parts as well: of two arrangements a great deal of one and a trace of the other can seem good enough.
        At last anything that is open: for answers that seemed whole but were not as good as promised.
        """
        for near in (CLOSE, 2 * TRACE):
            totals = {option: sum(amounts.values()) for option, amounts in taken.items()}
            torn = [option for option, total in totals.items() if total < 1 - near]
            for option in self._weightiest_first(torn, totals):
                yield self._either(limits, *self._model.place_of[option])
            for option, amounts in taken.items():
                for kind, count in enumerate(self._counts(amounts)):
                    if abs(count - round(count)) > near:
                        yield self._counted(limits, self._model.place_of[option][0], kind, floor(count))
        for place, bit in [*(self._model.place_of[option] for option in taken), *self._lowest(limits)]:
            yield self._either(limits, place, bit)
        kinds = range(len(self._model.problem.classes))
        for place, kind in (
            (place, kind) for place, bits in enumerate(limits.allowed) if bits != EMPTY for kind in kinds
        ):
            yield self._counted(limits, place, kind, sum(self._drives_of(limits, place, kind)) // 2)

    def _weightiest_first(self, torn: list[int], totals: dict[int, float]) -> list[int]:
        """The options that are most in doubt first, weighed with what their drives could read."""
        return sorted(
            torn,
            key=lambda column: (-min(totals[column], 1 - totals[column]) * (1 + self._model.reach[column]), column),
        )

    def _drives_of(self, limits: Limits, place: int, kind: int) -> tuple[int, int]:
        """The least and most drives of a class that a slot may have."""
        most = max((holder.bays for holder in self._model.problem.holders), default=0)
        return limits.counts.get((place, kind), (0, min(most, self._model.problem.classes[kind].count)))

    def _settled(self, limits: Limits) -> Taken:
        """The arrangement of a part in which every slot has one choice."""
        kinds = range(len(self._model.problem.classes))
        return [
            (number, tuple(self._drives_of(limits, place, kind)[0] for kind in kinds))
            for place, numbers in enumerate(self._model.choices.by_slot)
            for number in numbers
            if limits.allowed[place] & self._model.place_of[number][1]
        ]

    def _lowest(self, limits: Limits) -> Iterator[tuple[int, int]]:
        for place, allowed in enumerate(limits.allowed):
            yield place, allowed & -allowed

    def _either(self, limits: Limits, place: int, bit: int) -> list[Limits]:
        """Without this choice for a slot, and with it."""
        allowed = limits.allowed
        return [
            Limits([*allowed[:place], bits, *allowed[place + 1 :]], limits.counts)
            for bits in (allowed[place] & ~bit, allowed[place] & bit)
            if bits
        ]

    def _counted(self, limits: Limits, place: int, kind: int, count: int) -> list[Limits]:
        """With at most so many drives of a class in a slot, and with more."""
        low, high = self._drives_of(limits, place, kind)
        return [
            Limits(list(limits.allowed), {**limits.counts, (place, kind): pair})
            for pair in ((low, min(high, count)), (max(low, count + 1), high))
            if pair[0] <= pair[1]
        ]
