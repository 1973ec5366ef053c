"""Max-min fair rates by linear programs, solved by SciPy's HiGHS: a reference that shares nothing with the product.

Each program raises the least rate of all that may still rise; those that its dual values show to be held are fixed
there, and the next program goes on with the others (progressive filling as successive programs, after Bertsekas and
Gallager, Data Networks, section 6.5.2).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import linprog

if TYPE_CHECKING:
    from collections.abc import Sequence

HELD: Final = 1e-6  # of a sum of dual values of one; below this a program's answer is rounding
TOLERANCE: Final = 1e-9


def fair_rates(uses: Sequence[Sequence[float]], capacities: Sequence[float], limits: Sequence[float]) -> list[float]:
    """The fair rate of each variable; `uses` has a row for each capacity, and what each variable takes of it."""
    count = len(limits)
    scale = max(capacities, default=1.0)
    matrix = np.array(uses, dtype=float).reshape(len(capacities), count)
    fixed: dict[int, float] = {}
    while len(fixed) < count:
        least, held = _raise(matrix, np.array(capacities) / scale, [limit / scale for limit in limits], fixed)
        fixed.update(dict.fromkeys(held, least))
    return [fixed[number] * scale for number in range(count)]


def _raise(
    matrix: np.ndarray[tuple[int, int], np.dtype[np.float64]],
    capacities: np.ndarray[tuple[int], np.dtype[np.float64]],
    limits: Sequence[float],
    fixed: dict[int, float],
) -> tuple[float, list[int]]:
    """The most that all variables not fixed can have, and which of them can have no more than that."""
    count = len(limits)
    rising = [number for number in range(count) if number not in fixed]
    rows = np.zeros((len(rising), count + 1))  # the last variable is the least rate: least - rate <= 0
    rows[:, count] = 1.0
    rows[range(len(rising)), rising] = -1.0
    within = np.hstack([matrix, np.zeros((len(capacities), 1))])
    bounds = [(fixed.get(number, 0.0), fixed.get(number, limits[number])) for number in range(count)]
    done = linprog(
        [0.0] * count + [-1.0],
        A_ub=np.vstack([within, rows]),
        b_ub=np.concatenate([capacities, np.zeros(len(rising))]),
        bounds=[*bounds, (0.0, None)],
        method="highs",
        options={"primal_feasibility_tolerance": TOLERANCE, "dual_feasibility_tolerance": TOLERANCE},
    )
    assert done.status == 0, done.message
    assert done.x is not None
    duals = done.ineqlin.marginals[len(capacities) :]
    return float(done.x[count]), [number for number, dual in zip(rising, duals, strict=True) if dual < -HELD]
