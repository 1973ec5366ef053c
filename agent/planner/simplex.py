"""A linear program over columns that are made as they are needed: the primal simplex method with an explicit inverse.

Figures are floating-point, so nothing here proves anything: what is proved is worked out from the prices in whole
numbers (`agent.planner.model`). Every row has a way out at a high price, so a program always has an answer.
"""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Sequence

DEAR: Final = 10_000.0  # what it costs to break a row, beside column worths of about 1
CLOSE: Final = 1e-7
REFRESH: Final = 120  # pivots after which the inverse is worked out anew
NUDGE: Final = 1e-7  # rows are moved apart by about this much, so that ties do not hold up the method


class Row(Struct, frozen=True):
    """A sum of columns that is at most `most`, or (`exact`) equal to it."""

    most: float
    exact: bool = False


class Column(Struct, frozen=True, eq=False):
    """A variable from 0 up: its entries by row, and its worth. `option` and `fill` tell what it stands for."""

    entries: tuple[tuple[int, float], ...]
    worth: float
    option: int = -1
    fill: int = -1


class Simplex:
    """The rows and the columns that are now in use (as many as rows)."""

    def __init__(self, rows: Sequence[Row]) -> None:
        """Begin with the slack of each row, or with its way out."""
        self._most = [row.most + NUDGE * (1 + number * 7 % 13) for number, row in enumerate(rows)]
        self.slacks = [Column(((number, 1.0),), 0.0) for number in range(len(rows))]
        self._exact = [row.exact for row in rows]
        self._pivots = 0
        self.restart()

    def restart(self) -> None:
        """Begin anew."""
        size = len(self._most)
        self.basis: list[Column] = []
        self._inverse = [[0.0] * size for _ in range(size)]
        self.amounts = [abs(most) for most in self._most]
        for number, most in enumerate(self._most):
            sign = 1.0 if most >= 0 else -1.0
            out = self._exact[number] or most < 0
            self.basis.append(Column(((number, sign),), -DEAR) if out else self.slacks[number])
            self._inverse[number][number] = sign

    def prices(self, dear: set[Column]) -> list[float]:
        """What a unit of each row is worth. Columns in `dear` are not wanted and cost as much as a broken row."""
        total = [0.0] * len(self.basis)
        for column, line in zip(self.basis, self._inverse, strict=True):
            worth = -DEAR if column in dear else column.worth
            if worth:
                total = [value + worth * part for value, part in zip(total, line, strict=True)]
        return total

    def enter(self, column: Column) -> bool:
        """Bring a column in and the one that it drives to 0 out. False where nothing holds it or figures are poor."""
        inverse, amounts = self._inverse, self.amounts
        places = [place for place, _ in column.entries]
        factors = [factor for _, factor in column.entries]
        along = [sum(map(mul, [line[place] for place in places], factors)) for line in inverse]
        leaving, least = -1, float("inf")
        for place, rate in enumerate(along):
            if rate > CLOSE:
                step = amounts[place] / rate
                if step < least - CLOSE or (step < least + CLOSE and leaving >= 0 and rate > along[leaving]):
                    leaving, least = place, min(step, least)
        if leaving < 0:
            return False
        pivot = along[leaving]
        step = max(0.0, amounts[leaving] / pivot)
        row = [value / pivot for value in inverse[leaving]]
        for place, rate in enumerate(along):
            if rate and place != leaving:
                inverse[place] = [value - rate * part for value, part in zip(inverse[place], row, strict=True)]
                amounts[place] -= step * rate
        inverse[leaving] = row
        amounts[leaving] = step
        self.basis[leaving] = column
        self._pivots += 1
        if self._pivots % REFRESH == 0:
            self._refresh()
        return True

    def _refresh(self) -> None:
        """Work the inverse out anew from the columns in use, to shed rounding errors."""
        size = len(self.basis)
        table = [[0.0] * size + [1.0 if place == number else 0.0 for place in range(size)] for number in range(size)]
        for number, column in enumerate(self.basis):
            for place, factor in column.entries:
                table[place][number] = factor
        for number in range(size):
            best = max(range(number, size), key=lambda place: abs(table[place][number]))
            if abs(table[best][number]) < CLOSE:
                self.restart()
                return
            table[number], table[best] = table[best], table[number]
            pivot = table[number][number]
            lead = [value / pivot for value in table[number]]
            table[number] = lead
            for place in range(size):
                factor = table[place][number]
                if factor and place != number:
                    table[place] = [value - factor * part for value, part in zip(table[place], lead, strict=True)]
        self._inverse = [line[size:] for line in table]
        self.amounts = [max(0.0, sum(map(mul, line, self._most))) for line in self._inverse]
