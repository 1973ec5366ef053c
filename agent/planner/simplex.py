"""A linear program over columns that are made as they are needed: the primal simplex method with an explicit inverse.

Figures are floating-point, so nothing here proves anything: what is proved is worked out from the prices in whole
numbers (`agent.planner.model`). Every row has a way out at a high price, so a program always has an answer. Whatever
the price, a trace of a way out can cost less than what it makes possible: `dearer` raises it.
"""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

PRICE: Final = 10_000.0  # what it costs at first to break a row, beside columns that are worth about 1
DEARER: Final = 1_000.0  # how many times as much it costs when that was too little
DEAREST: Final = 1e10  # a millionth of this is more than all columns are worth together; beyond it digits are lost
TRACE: Final = 1e-6  # amounts below this are 0
CLOSE: Final = 1e-7
TIE: Final = 1e-11
REFRESH: Final = 120  # pivots after which the inverse is worked out anew
NUDGE: Final = 1e-8  # rows are moved apart by about this much, so that ties do not hold the method up


class Constraint(Struct, frozen=True):
    """A sum of columns that is at most `most`, or (`exact`) equal to it; `step` is the least that breaks it."""

    most: float
    exact: bool = False
    step: float = 1.0


class Column(Struct, frozen=True, eq=False):
    """A variable from 0 up: its entries by row, and its worth. `option` and `fill` tell what it stands for.

    A way out has no worth but what the price of breaking a row makes of it.
    """

    entries: tuple[tuple[int, float], ...]
    worth: float
    option: int = -1
    fill: tuple[int, ...] | None = None
    way_out: bool = False


class Simplex:
    """The rows, and the columns that are now in use: as many as rows, each with its amount."""

    def __init__(self, rows: Sequence[Constraint]) -> None:
        """Begin with the slack of each row, or with its way out."""
        self._most = [row.most + NUDGE * (1 + number * 7 % 13) for number, row in enumerate(rows)]
        self._exact = [row.exact for row in rows]
        self._steps = [row.step for row in rows]
        self.slacks = [Column(((number, 1.0),), 0.0) for number in range(len(rows))]
        self._pivots = 0
        self.price = PRICE
        self._restart()

    def _restart(self) -> None:
        size = len(self._most)
        self.columns: list[Column] = []
        self.amounts: list[float] = []
        self._inverse = [[0.0] * size for _ in range(size)]
        for number, most in enumerate(self._most):
            entry = 1.0 if most >= 0 else -1.0
            if self._exact[number] or most < 0:
                entry *= self._steps[number]
                self.columns.append(Column(((number, entry),), 0.0, way_out=True))
            else:
                self.columns.append(self.slacks[number])
            self._inverse[number][number] = 1 / entry
            self.amounts.append(most / entry)

    def prices(self, excluded: Collection[Column]) -> list[float]:
        """What a unit of each row is worth; a column in `excluded` costs as much as a broken row."""
        total = [0.0] * len(self.columns)
        broken = -self.price
        for column, line in zip(self.columns, self._inverse, strict=True):
            worth = broken if column.way_out or column in excluded else column.worth
            if worth:
                total = [value + worth * part for value, part in zip(total, line, strict=True)]
        return total

    def cheap(self) -> None:
        """Begin with the price at which a row is broken at first."""
        self.price = PRICE

    def dearer(self, excluded: Collection[Column]) -> bool:
        """Raise the price of breaking a row where one is broken, or a column in `excluded` is taken; whether it was."""
        broken = any(
            amount > TRACE and (column.way_out or column in excluded)
            for column, amount in zip(self.columns, self.amounts, strict=True)
        )
        if not broken or self.price * DEARER > DEAREST:
            return False
        self.price *= DEARER
        return True

    def enter(self, column: Column) -> list[float] | None:
        """Bring in a column instead of the one that it drives to 0; how prices change for each unit that it gains.

        None where nothing holds the column.
        """
        inverse, amounts = self._inverse, self.amounts
        along = self._along(column)
        leaving, least = -1, float("inf")
        for place, rate in enumerate(along):
            if rate > CLOSE:
                step = amounts[place] / rate
                if step < least - TIE or (step < least + TIE and rate > along[leaving]):
                    leaving, least = place, min(step, least)
        if leaving < 0:
            return None
        pivot = along[leaving]
        step = max(0.0, amounts[leaving] / pivot)
        lead = [value / pivot for value in inverse[leaving]]
        for place, rate in enumerate(along):
            if rate:
                inverse[place] = [value - rate * part for value, part in zip(inverse[place], lead, strict=True)]
                amounts[place] -= step * rate
        inverse[leaving], amounts[leaving], self.columns[leaving] = lead, step, column
        self._pivots += 1
        if self._pivots % REFRESH == 0:
            self.refresh()
        return lead

    def _along(self, column: Column) -> list[float]:
        """How the amounts of the columns in use fall for each unit of another."""
        places = [place for place, _ in column.entries]
        factors = [factor for _, factor in column.entries]
        return [sum(map(mul, [line[place] for place in places], factors)) for line in self._inverse]

    def worth(self, excluded: Collection[Column]) -> float:
        """What all amounts are worth together."""
        pairs = zip(self.columns, self.amounts, strict=True)
        return sum(
            (-self.price if column.way_out or column in excluded else column.worth) * amount for column, amount in pairs
        )

    def refresh(self) -> None:
        """Work the inverse out anew from the columns in use, to shed rounding errors; or else begin anew."""
        size = len(self.columns)
        table = [[0.0] * size + [float(place == number) for place in range(size)] for number in range(size)]
        for number, column in enumerate(self.columns):
            for place, factor in column.entries:
                table[place][number] = factor
        for number in range(size):
            best = max(range(number, size), key=lambda place: abs(table[place][number]))
            if abs(table[best][number]) < CLOSE:
                self._restart()
                return
            table[number], table[best] = table[best], table[number]
            pivot = table[number][number]
            lead = table[number] = [value / pivot for value in table[number]]
            for place in range(size):
                factor = table[place][number]
                if factor and place != number:
                    table[place] = [value - factor * part for value, part in zip(table[place], lead, strict=True)]
        self._inverse = [line[size:] for line in table]
        amounts = [sum(map(mul, line, self._most)) for line in self._inverse]
        if min(amounts, default=0.0) < -CLOSE:
            self._restart()
        else:
            self.amounts = [max(0.0, amount) for amount in amounts]
