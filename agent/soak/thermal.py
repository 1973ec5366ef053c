"""The first-order thermal fit T(t) = T0 + dT (1 - exp(-t / tau)) on a phase of steady load. Numbers in, numbers out.

For a given tau the model is a straight line in x = 1 - exp(-t / tau), so T0 and dT come from linear least squares and
only tau is searched (variable projection). The fit refuses where it would only sound sure: it then says why.

Source of the model: heat flow of first order through one resistance into one capacity; published work on M.2 drives
uses sums of such terms. Thresholds are common practice, tried on thousands of made-up traces (tests/test_thermal.py).
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp, hypot, inf, log, sqrt
from operator import mul
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

FEWEST_POINTS: Final = 20
SHORTEST_SECONDS: Final = 60.0
LEAST_CHANGE_KELVIN: Final = 4.0  # four steps of a sensor; below that the curve cannot be told from its noise
LEAST_TIME_CONSTANTS: Final = 1.0  # a phase shorter than that leaves more than 37 % of the way to guess
MOST_LEFT_KELVIN: Final = 1.2  # root mean square; sensors scatter by up to 1 K and round to 1 K
MOST_BIAS_KELVIN: Final = 0.75  # mean of what is left over a whole stretch; rounding alone stays within 0.5 K
MOST_ERROR_KELVIN: Final = 0.6  # one standard deviation of the settled temperature
STEP_VARIANCE: Final = 1.0 / 12.0  # of values rounded to 1 K: an even spread over one step

_GROWTH: Final = 30.0  # a bin is as wide as its time divided by this: the beginning is seen sharply
_STRETCHES: Final = 12
_BEGINNING: Final = 0.25  # of a phase, left out when the fit is held against its end
_SHORTEST_TAU: Final = 4.0
_GRID: Final = 20
_GOLDEN: Final = (sqrt(5.0) - 1.0) / 2.0
_GOLDEN_STEPS: Final = 16
MOVED: Final = "the temperature does not follow one such curve: something else than this load moved it"


class Fit(Struct, frozen=True, kw_only=True):
    """A fit that holds. T(t) = start + rise (1 - exp(-t / tau)), t in seconds from the first value.

    `settled` is start + rise; `settled_error` its standard deviation, with the 1 K steps of sensors taken in. `points`
    is the number of values used, `quality` the root mean square of what the fit leaves over, in K. `seconds` is how
    long the phase lasted.
    """

    start: float
    rise: float
    tau: float
    settled: float
    settled_error: float
    points: int
    quality: float
    seconds: float

    def at(self, seconds: float) -> float:
        """The temperature so long after the first value."""
        return self.settled - self.rise * exp(-seconds / self.tau)

    def reaches(self, celsius: float, settled: float | None = None) -> float | None:
        """When the warming drive is at `celsius`, seconds after the first value; None: never.

        `settled` may stand in for the fit's own, to try both ends of its uncertainty.
        """
        end = self.settled if settled is None else settled
        if self.start >= celsius:
            return 0.0
        return -self.tau * log((end - celsius) / (end - self.start)) if end > celsius else None


class NoFit(Struct, frozen=True):
    """No fit that holds, and why, in words that go on after "no forecast: "."""

    why: str


class _Bins(Struct, frozen=True):
    """Values gathered: mean time, mean temperature less `middle` (the mean of all), number of values.

    `within` and `between` are the sums of squares inside the bins and of their means, `total` the number of values.
    """

    times: list[float]
    kelvin: list[float]
    weights: list[float]
    middle: float
    within: float
    between: float
    total: float


class _Line(Struct, frozen=True):
    """The best line at one tau: T0 less the middle, dT, and the sum of squares left over."""

    start: float
    rise: float
    left: float


def fit(seconds: Sequence[float], celsius: Sequence[float], most_error: float = MOST_ERROR_KELVIN) -> Fit | NoFit:
    """The first-order fit of one phase, heating or cooling, or why there is none. nan values are left out.

    `most_error` is the standard deviation of the settled temperature that is still accepted, in K.
    """
    pairs = [(when, value) for when, value in zip(seconds, celsius, strict=True) if value == value]  # noqa: PLR0124 - nan
    if len(pairs) < FEWEST_POINTS or pairs[-1][0] - pairs[0][0] < SHORTEST_SECONDS:
        lasted = pairs[-1][0] - pairs[0][0] if pairs else 0.0
        return NoFit(f"the phase is too short ({len(pairs)} readings over {lasted:.0f} s)")
    lasted = pairs[-1][0] - pairs[0][0]
    bins = _gather(pairs)
    if max(bins.kelvin) - min(bins.kelvin) < LEAST_CHANGE_KELVIN - 1.0:
        return NoFit(f"the temperature changed by less than {LEAST_CHANGE_KELVIN:.0f} C, too little for a curve")
    tau = _best_tau(bins, lasted)
    line = _line(bins, tau)
    if tau * LEAST_TIME_CONSTANTS > lasted:
        slow = _judged(bins, tau, line, lasted, inf)
        if isinstance(slow, NoFit):  # it stood still and warmed anew, or scatters: no slow warming
            return slow
        return NoFit(
            f"the temperature is still far from settling after {lasted / 60:.1f} min, too early to say where it settles"
        )
    if abs(line.rise) * (1.0 - exp(-lasted / tau)) < LEAST_CHANGE_KELVIN:
        return NoFit(f"the temperature changed by less than {LEAST_CHANGE_KELVIN:.0f} C, too little for a curve")
    found = _judged(bins, tau, line, lasted, most_error)
    return found if isinstance(found, NoFit) else _held_against_its_end(found, pairs, most_error)


def unsure(error: float) -> str:
    """Why a fit with that standard deviation is no forecast."""
    return f"the settled temperature would be uncertain by {2.0 * error:.1f} C"


def _held_against_its_end(found: Fit, pairs: Sequence[tuple[float, float]], most_error: float) -> Fit | NoFit:
    """The fit, less sure by how far the phase without its beginning says otherwise.

    Chip and board warm faster than the drive, and a load may step up: then beginning and end follow two curves.
    """
    begin = pairs[0][0] + found.seconds * _BEGINNING
    bins = _gather([pair for pair in pairs if pair[0] >= begin])
    line = _line(bins, _best_tau(bins, found.seconds * (1.0 - _BEGINNING)))
    apart = bins.middle + line.start + line.rise - found.settled
    error = hypot(found.settled_error, apart / 2.0)
    if error > most_error:
        if error > 2.0 * found.settled_error:
            return NoFit("the beginning and the end of the phase point to different temperatures")
        return NoFit(unsure(error))
    return structs.replace(found, settled_error=error)


def _judged(bins: _Bins, tau: float, line: _Line, lasted: float, most_error: float) -> Fit | NoFit:
    """The fit if what it leaves over looks like noise and the settled temperature is sure enough."""
    points = int(bins.total)
    left = [
        value - line.start - line.rise * (1.0 - exp(-when / tau))
        for when, value in zip(bins.times, bins.kelvin, strict=True)
    ]
    quality = sqrt((bins.within + line.left) / points)
    if quality > MOST_LEFT_KELVIN and sqrt(bins.within / points) <= MOST_LEFT_KELVIN:
        return NoFit(MOVED)  # neighbouring readings are alike, so it is the curve that is wrong
    if quality > MOST_LEFT_KELVIN:
        return NoFit(f"the temperature scatters by {quality:.1f} C about any such curve")
    stretches = _stretches(left, bins.weights)
    worst = max(abs(mean) - 2.0 * quality / sqrt(weight) for mean, weight in stretches)
    if worst > MOST_BIAS_KELVIN:
        return NoFit(MOVED)
    error = _settled_error(bins, tau, line, left, stretches)
    if error > most_error:
        return NoFit(unsure(error))
    start = line.start + bins.middle
    return Fit(
        start=start,
        rise=line.rise,
        tau=tau,
        settled=start + line.rise,
        settled_error=error,
        points=points,
        quality=quality,
        seconds=lasted,
    )


def _gather(pairs: Sequence[tuple[float, float]]) -> _Bins:
    """Values in bins that widen with time, so that a day costs little more than an hour."""
    zero = pairs[0][0]
    times = [when - zero for when, _ in pairs]
    values = [value for _, value in pairs]
    middle = sum(values) / len(values)
    squares = sum(value * value for value in values) - middle * middle * len(values)
    means, kelvin, weights = [], [], []
    begin = 0
    while begin < len(times):
        end = bisect_right(times, times[begin] * (1.0 + 1.0 / _GROWTH), begin)
        count = end - begin
        means.append(sum(times[begin:end]) / count)
        kelvin.append(sum(values[begin:end]) / count - middle)
        weights.append(float(count))
        begin = end
    between = sum(weight * value * value for weight, value in zip(weights, kelvin, strict=True))
    return _Bins(means, kelvin, weights, middle, max(0.0, squares - between), between, float(len(times)))


def _line(bins: _Bins, tau: float) -> _Line:
    """T0 and dT by weighted linear least squares at one tau."""
    x = [1.0 - exp(-when / tau) for when in bins.times]
    weighted = list(map(mul, bins.weights, x))
    mean_x = sum(weighted) / bins.total
    spread = sum(map(mul, weighted, x)) - bins.total * mean_x * mean_x
    if spread <= 1e-12 * bins.total:
        return _Line(0.0, 0.0, bins.between)
    both = sum(map(mul, weighted, bins.kelvin))  # the temperatures' own mean is 0
    rise = both / spread
    return _Line(-rise * mean_x, rise, max(0.0, bins.between - rise * both))


def _best_tau(bins: _Bins, lasted: float) -> float:
    """The tau that leaves least over: a grid over its logarithm, then golden sections around the best of it."""
    low, high = log(_SHORTEST_TAU), log(max(5.0 * lasted, 2.0 * _SHORTEST_TAU))
    step = (high - low) / (_GRID - 1)
    best = min((low + place * step for place in range(_GRID)), key=lambda place: _line(bins, exp(place)).left)
    return exp(_lowest(lambda place: _line(bins, exp(place)).left, max(low, best - step), min(high, best + step)))


def _lowest(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a function of one valley is lowest between two places (golden sections)."""
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_left, at_right = function(left), function(right)
    for _ in range(_GOLDEN_STEPS):
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - _GOLDEN * (high - low)
            at_left = function(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + _GOLDEN * (high - low)
            at_right = function(right)
    return left if at_left <= at_right else right


def _stretches(left: Sequence[float], weights: Sequence[float]) -> list[tuple[float, float]]:
    """What is left over as means of stretches in time, each with its weight."""
    size = max(1, -(-len(left) // _STRETCHES))
    found = []
    for begin in range(0, len(left), size):
        heavy = weights[begin : begin + size]
        weight = sum(heavy)
        found.append((sum(map(mul, heavy, left[begin : begin + size])) / weight, weight))
    return found


def _settled_error(
    bins: _Bins,
    tau: float,
    line: _Line,
    left: Sequence[float],
    stretches: Sequence[tuple[float, float]],
) -> float:
    """The standard deviation of T0 + dT, from the covariance of the three together, never below that of 1 K steps.

    Errors of neighbouring readings go together where a sensor rounds, so the scatter is taken at the scale where it is
    greatest: of single readings, of bins, or of whole stretches.
    """
    scatter = max(
        (bins.within + line.left) / max(1.0, bins.total - 3.0),
        sum(w * value * value for w, value in zip(bins.weights, left, strict=True)) / max(1, len(left) - 3),
        sum(w * mean * mean for mean, w in stretches) / max(1, len(stretches) - 3),
        STEP_VARIANCE,
    )
    matrix = [[0.0] * 3 for _ in range(3)]
    for when, weight in zip(bins.times, bins.weights, strict=True):
        decay = exp(-when / tau)
        row = (1.0, 1.0 - decay, -line.rise * when / tau * decay)  # by T0, dT and log tau
        for i in range(3):
            for j in range(3):
                matrix[i][j] += weight * row[i] * row[j]
    share = _solve(matrix, [1.0, 1.0, 0.0])
    if share is None:
        return float("inf")
    return sqrt(scatter * max(0.0, share[0] + share[1]) + STEP_VARIANCE)


def _solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float] | None:
    """The solution of a few linear equations (Gauss, greatest pivot first); None where there is none."""
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    size = len(rows)
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(rows[row][column]))
        if abs(rows[pivot][column]) < 1e-12 * max(1.0, abs(rows[0][0])):
            return None
        rows[column], rows[pivot] = rows[pivot], rows[column]
        for row in range(size):
            if row != column:
                factor = rows[row][column] / rows[column][column]
                rows[row] = [value - factor * top for value, top in zip(rows[row], rows[column], strict=True)]
    return [rows[place][size] / rows[place][place] for place in range(size)]


def steady(seconds: Sequence[float], celsius: Sequence[float], least_seconds: float = 600.0) -> float | None:
    """The temperature at which a phase stayed for its last `least_seconds`, measured; None where it still moved.

    Held steady: its two halves differ by half a step at most and no reading leaves the mean by more than 1.5 K. A drive
    with a time constant of 15 min (a slow one, common practice) then has about 1.5 K to go at most.
    """
    pairs = [(when, value) for when, value in zip(seconds, celsius, strict=True) if value == value]  # noqa: PLR0124 - nan
    if len(pairs) < FEWEST_POINTS or pairs[-1][0] - pairs[0][0] < least_seconds:
        return None
    begin = pairs[-1][0] - least_seconds
    last = [value for when, value in pairs if when >= begin]
    if len(last) < FEWEST_POINTS:
        return None
    half = len(last) // 2
    first_half, second_half = sum(last[:half]) / half, sum(last[half:]) / (len(last) - half)
    mean = sum(last) / len(last)
    moved = abs(second_half - first_half) > 0.5  # noqa: PLR2004 - half a step
    wide = max(last) - mean > 1.5 or mean - min(last) > 1.5  # noqa: PLR2004 - one step and a half
    return None if moved or wide else mean
