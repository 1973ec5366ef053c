"""The first-order thermal fit T(t) = T0 + dT (1 - exp(-t / tau)) on a phase of steady load. Numbers in, numbers out.

Source of the model: facts of heat flow of first order (63.2 % of the rise after tau, 95.0 % after 3 tau).
"""

from __future__ import annotations

from msgspec import Struct


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


class NoFit(Struct, frozen=True):
    """No fit that holds, and why, in words that go on after "no forecast: "."""

    why: str
