"""One stage of the search: branch and bound over a model, with a linear program at each step.

A part of the search is closed only by a bound in whole numbers, never by a floating-point figure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.planner.model import EMPTY, SHIFT, Limits, Model, Priced
from agent.planner.simplex import Column, Simplex

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    Taken = list[tuple[int, tuple[int, ...]]]  # options and their fills

NEAR: Final = 1e-5
GAIN: Final = 1e-6  # columns that promise less than this are left out
MOST_ROUNDS: Final = 400


class Closed(Struct, frozen=True):
    """How a stage ended: no arrangement has more than `bound`; `done` unless time was up."""

    bound: int
    done: bool


class Stage:
    """The search for the best value of a model's goal."""

    def __init__(
        self,
        model: Model,
        found: Callable[[Taken], int],
        running: Callable[[], bool],
        floor: int,
        enough: int | None = None,
    ) -> None:
        """`found` takes an arrangement and gives the best value yet; only better than `floor` counts."""
        self._model, self._found, self._running = model, found, running
        self._floor = floor
        self._enough = enough
        self._simplex = Simplex(model.rows())
        self._extras = model.extras()
        self._extra_rows = model.rows()
        self._dear: set[Column] = set()
        self.steps = 0
        self.rounds = 0

    def run(self) -> Closed:
        """Search all there is, or until time is up or `enough` is reached."""
        model = self._model
        allowed = []
        for numbers in model.choices.by_slot:
            bits = EMPTY
            for place, number in enumerate(numbers):
                bits |= (2 << place) if model.possible[number] else 0
            allowed.append(bits)
        ceiling = 1 << 200
        stack = [(Limits(allowed, {}), ceiling)]
        while stack:
            limits, bound = stack.pop()
            if bound <= self._floor:
                continue
            if self._enough is not None and self._floor >= self._enough:
                break
            if not self._running():
                return Closed(max([bound, self._floor, *(one for _, one in stack)]), done=False)
            self.steps += 1
            stack += self._step(limits, bound)
        return Closed(self._floor, done=True)

    def _step(self, limits: Limits, above: int) -> list[tuple[Limits, int]]:
        """Look at a part of the search: nothing where it is closed, or else the smaller parts, the best one last."""
        priced = self._solve(limits)
        if priced is None:
            return []
        bound = min(above, priced.bound >> SHIFT)
        self._fix(limits, priced)
        taken = self._amounts()
        whole = self._whole(taken, limits)
        if whole is not None:
            self._floor = max(self._floor, self._found(whole))
            if bound <= self._floor:
                return []
        return [(one, bound) for one in self._branches(limits, taken)]

    # --- The linear program -------------------------------------------------------------------------------------

    def _solve(self, limits: Limits) -> Priced | None:
        """Solve the linear program within some limits; None where its bound closes this part."""
        model, simplex = self._model, self._simplex
        self._forbid(limits)
        priced = None
        for _ in range(MOST_ROUNDS):
            self.rounds += 1
            prices = simplex.prices(self._dear)
            priced = model.priced(prices, limits)
            if priced.bound >> SHIFT <= self._floor:
                return None
            if not self._improve(prices, priced, limits):
                break
        return priced

    def _improve(self, prices: Sequence[float], priced: Priced, limits: Limits) -> bool:
        """Bring in the columns that gain most; whether there were any."""
        model, simplex = self._model, self._simplex
        wanted = []
        for place, numbers in enumerate(model.choices.by_slot):
            best = None
            bit = EMPTY
            for number in numbers:
                bit <<= 1
                if limits.allowed[place] & bit and priced.worth[number][1] >= 0:
                    value, fill = priced.worth[number]
                    if best is None or value > best[0]:
                        best = value, number, fill
            if best is not None:
                column = model.column(best[1], best[2])
                wanted.append((self._gain(column, prices), column))
        for number, column in enumerate(simplex.slacks):
            if not self._extra_rows[number].exact:
                wanted.append((self._gain(column, prices), column))
        wanted += [(self._gain(column, prices), column) for column in self._extras]
        wanted = sorted((one for one in wanted if one[0] > GAIN), key=lambda one: -one[0])
        moved = False
        for gain, column in wanted[:8]:
            if moved:
                prices = simplex.prices(self._dear)
                gain = self._gain(column, prices)
            if gain > GAIN and column not in simplex.basis:
                moved |= simplex.enter(column)
        return moved

    def _gain(self, column: Column, prices: Sequence[float]) -> float:
        worth = -1e4 if column in self._dear else column.worth
        return worth - sum(factor * prices[row] for row, factor in column.entries)

    def _forbid(self, limits: Limits) -> None:
        """Make the columns in use dear that this part of the search does not allow."""
        self._dear = {
            column for column in self._simplex.basis if column.option >= 0 and not self._allows(limits, column)
        }
        self._dear |= {self._simplex.slacks[place] for place, bits in enumerate(limits.allowed) if not bits & EMPTY}

    def _allows(self, limits: Limits, column: Column) -> bool:
        model = self._model
        slot = self._place(column.option)
        place = model.choices.by_slot[slot].index(column.option)
        if not limits.allowed[slot] & (2 << place):
            return False
        fill = model.fills[column.fill]
        return all(low <= fill[kind] <= high for (one, kind), (low, high) in limits.counts.items() if one == slot)

    def _place(self, option: int) -> int:
        return next(place for place, numbers in enumerate(self._model.choices.by_slot) if option in numbers)

    def _amounts(self) -> dict[int, dict[int, float]]:
        """How much of each option is taken, by fill."""
        taken: dict[int, dict[int, float]] = {}
        for column, amount in zip(self._simplex.basis, self._simplex.amounts, strict=True):
            if column.option >= 0 and amount > NEAR and column not in self._dear:
                taken.setdefault(column.option, {})[column.fill] = amount
        return taken

    # --- Parts --------------------------------------------------------------------------------------------------

    def _fix(self, limits: Limits, priced: Priced) -> None:
        """Rule out options with which the bound would not be better than what is found."""
        if not priced.best:
            return
        for place, numbers in enumerate(self._model.choices.by_slot):
            rest = priced.bound - priced.best[place]
            allowed = limits.allowed[place]
            if allowed & EMPTY and rest >> SHIFT <= self._floor:
                allowed &= ~EMPTY
            for which, number in enumerate(numbers):
                if allowed & (2 << which):
                    value, fill = priced.worth[number]
                    if fill < 0 or (rest + value) >> SHIFT <= self._floor:
                        allowed &= ~(2 << which)
            limits.allowed[place] = allowed

    def _whole(self, taken: dict[int, dict[int, float]], limits: Limits) -> Taken | None:
        """The arrangement that the linear program found, where it is one."""
        del limits
        found: Taken = []
        for option, amounts in taken.items():
            total = sum(amounts.values())
            if abs(total - round(total)) > 100 * NEAR:
                return None
            if round(total) == 0:
                continue
            counts = self._counts(amounts)
            if any(abs(count - round(count)) > 100 * NEAR for count in counts):
                return None
            fill = tuple(round(count) for count in counts)
            if fill not in self._model.numbers:
                return None
            found.append((option, fill))
        return found

    def _counts(self, amounts: dict[int, float]) -> list[float]:
        fills = self._model.fills
        return [
            sum(fills[fill][kind] * amount for fill, amount in amounts.items())
            for kind in range(len(self._model.problem.classes))
        ]

    def _branches(self, limits: Limits, taken: dict[int, dict[int, float]]) -> Iterable[Limits]:
        """Two parts that cover this one and in which the linear program's answer is no more."""
        model = self._model
        choice = None
        for option, amounts in taken.items():
            total = sum(amounts.values())
            if total < 1 - 100 * NEAR and (choice is None or total > choice[0]):
                choice = total, option
        if choice is not None:
            slot = self._place(choice[1])
            return self._either(limits, slot, 2 << model.choices.by_slot[slot].index(choice[1]))
        for option, amounts in taken.items():
            for kind, count in enumerate(self._counts(amounts)):
                if abs(count - round(count)) > 100 * NEAR:
                    return self._counted(limits, self._place(option), kind, int(count))
        for option, amounts in taken.items():
            slot = self._place(option)
            bit = 2 << model.choices.by_slot[slot].index(option)
            if sum(amounts.values()) > 0.5 and limits.allowed[slot] != bit:
                return self._either(limits, slot, bit)
        for slot, allowed in enumerate(limits.allowed):
            if allowed & (allowed - 1):
                return self._either(limits, slot, allowed & -allowed)
        for slot in range(len(limits.allowed)):
            for kind in range(len(model.problem.classes)):
                low, high = limits.counts.get((slot, kind), (0, max(one.bays for one in model.problem.holders)))
                if low < high:
                    return self._counted(limits, slot, kind, (low + high) // 2)
        return []

    def _either(self, limits: Limits, slot: int, bit: int) -> list[Limits]:
        """With this choice for a slot last (it is looked at first), and without it."""
        found = []
        for allowed in (limits.allowed[slot] & ~bit, limits.allowed[slot] & bit):
            if allowed:
                found.append(
                    Limits([*limits.allowed[:slot], allowed, *limits.allowed[slot + 1 :]], dict(limits.counts))
                )
        return found

    def _counted(self, limits: Limits, slot: int, kind: int, count: int) -> list[Limits]:
        """With at most so many drives of a class on a slot, and with more."""
        low, high = limits.counts.get((slot, kind), (0, 1 << 20))
        return [
            Limits(list(limits.allowed), {**limits.counts, (slot, kind): pair})
            for pair in ((low, min(high, count)), (max(low, count + 1), high))
            if pair[0] <= pair[1]
        ]
