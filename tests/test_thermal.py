"""The thermal fit against SciPy's curve_fit and against traces whose truth is known, with noise and 1 K steps.

Sources: SciPy's `scipy.optimize.curve_fit` (least squares of the same model), and the closed form of first-order heat
flow: 63.21 % of the rise at tau, 86.47 % at 2 tau, 95.02 % at 3 tau, 99.33 % at 5 tau.
"""

from __future__ import annotations

import random
from math import exp, isclose, nan
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from agent.soak.thermal import MOST_ERROR_KELVIN, Fit, NoFit, fit, steady

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def trace(  # noqa: PLR0913 - a trace has so many parts
    *,
    start: float = 40.0,
    rise: float = 30.0,
    tau: float = 120.0,
    seconds: float = 600.0,
    every: float = 1.0,
    noise: float = 0.0,
    step: float = 1.0,
    seed: int = 1,
) -> tuple[list[float], list[float]]:
    """Times and temperatures of a drive that warms or cools, as a sensor with steps gives them."""
    chance = random.Random(seed)  # noqa: S311 - noise of sensors
    times = [place * every for place in range(int(seconds / every) + 1)]
    exact = [start + rise * (1.0 - exp(-when / tau)) + chance.gauss(0.0, noise) for when in times]
    return times, [round(value / step) * step if step else value for value in exact]


def fitted(times: Sequence[float], values: Sequence[float]) -> Fit:
    """The fit, which must be one."""
    found = fit(times, values)
    assert isinstance(found, Fit), found
    return found


def reason(times: Sequence[float], values: Sequence[float]) -> str:
    """Why there is no fit."""
    found = fit(times, values)
    assert isinstance(found, NoFit), found
    return found.why


def first_order(when: Array, start: float, rise: float, tau: float) -> Array:
    """The model as SciPy is given it."""
    return start + rise * (1.0 - np.exp(-when / tau))


# --- Traces without noise --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("taus", "share"), [(1.0, 0.632), (2.0, 0.865), (3.0, 0.950), (5.0, 0.993)])
def test_the_curve_has_gone_the_published_share_of_its_way(taus: float, share: float) -> None:
    """A fit has gone 63.2 % of its rise after tau, 95.0 % after three."""
    found = fitted(*trace(start=40.0, rise=30.0, tau=120.0, step=0.0))
    assert share == round((found.at(taus * found.tau) - found.start) / found.rise, 3)


@pytest.mark.parametrize("rise", [30.0, -30.0])
@pytest.mark.parametrize("tau", [30.0, 120.0, 480.0])
def test_an_exact_trace_gives_its_own_figures_back(rise: float, tau: float) -> None:
    """Without noise and steps the fit finds start, settled temperature and tau of what warms and what cools."""
    found = fitted(*trace(start=60.0, rise=rise, tau=tau, seconds=5.0 * tau, step=0.0))
    assert isclose(found.start, 60.0, abs_tol=0.01)
    assert isclose(found.settled, 60.0 + rise, abs_tol=0.01)
    assert isclose(found.tau, tau, rel_tol=0.001)
    assert found.settled_error >= (1.0 / 12.0) ** 0.5  # one step of 1 K, evenly spread


def test_the_time_to_a_limit_is_that_of_the_closed_form() -> None:
    """A drive that warms from 40 C towards 90 C with tau 300 s is at 82 C after 300 ln(50 / 8) = 549.8 s."""
    found = Fit(
        start=40.0, rise=50.0, tau=300.0, settled=90.0, settled_error=0.3, points=600, quality=0.3, seconds=600.0
    )
    reached = found.reaches(82.0)
    assert reached is not None
    assert round(reached, 1) == 549.8
    assert isclose(found.at(reached), 82.0)
    assert found.reaches(90.0) is None
    assert found.reaches(95.0) is None
    assert found.reaches(40.0) == 0.0


# --- Against SciPy ---------------------------------------------------------------------------------------------------


@settings(max_examples=400, deadline=None)
@given(
    start=st.floats(20.0, 60.0),
    rise=st.one_of(st.floats(2.0, 60.0), st.floats(-50.0, -2.0)),
    tau=st.floats(20.0, 900.0),
    taus=st.floats(0.3, 8.0),
    every=st.sampled_from([1.0, 1.0, 2.0, 5.0]),
    noise=st.sampled_from([0.0, 0.2, 0.5, 0.8]),
    seed=st.integers(0, 2**32),
)
def test_a_settled_temperature_is_right_or_not_given(
    start: float, rise: float, tau: float, taus: float, every: float, noise: float, seed: int
) -> None:
    """On noisy traces with 1 K steps the settled temperature is within 2 K of the truth, or there is no fit."""
    times, values = trace(
        start=start,
        rise=rise,
        tau=tau,
        seconds=min(7200.0, taus * tau),
        every=every,
        noise=noise,
        seed=seed,
    )
    found = fit(times, values)
    if isinstance(found, NoFit):
        assert found.why
        return
    assert abs(found.settled - (start + rise)) <= 2.0
    assert found.settled_error <= MOST_ERROR_KELVIN


@settings(max_examples=200, deadline=None)
@given(
    start=st.floats(20.0, 60.0),
    rise=st.one_of(st.floats(15.0, 60.0), st.floats(-50.0, -15.0)),
    tau=st.floats(30.0, 600.0),
    taus=st.floats(2.5, 8.0),
    noise=st.sampled_from([0.2, 0.5]),
    seed=st.integers(0, 2**32),
)
def test_the_fit_agrees_with_curve_fit(
    start: float, rise: float, tau: float, taus: float, noise: float, seed: int
) -> None:
    """Where it is given, the settled temperature is that of SciPy's curve_fit within half a step, tau within 5 %."""
    times, values = trace(start=start, rise=rise, tau=tau, seconds=max(90.0, taus * tau), noise=noise, seed=seed)
    found = fit(times, values)
    if isinstance(found, NoFit):
        return
    reference, _ = curve_fit(first_order, np.array(times), np.array(values), p0=(values[0], rise, tau))
    assert abs(found.settled - float(reference[0] + reference[1])) <= 0.5
    assert isclose(found.tau, float(reference[2]), rel_tol=0.05)


def test_good_traces_do_get_a_fit() -> None:
    """Of 200 traces of three time constants or more, with noise and steps, 19 in 20 have a fit within 1 K."""
    chance = random.Random(4)  # noqa: S311 - noise of sensors
    close = 0
    for seed in range(200):
        rise, tau = chance.uniform(10.0, 50.0), chance.uniform(30.0, 400.0)
        times, values = trace(rise=rise, tau=tau, seconds=chance.uniform(3.0, 6.0) * tau, noise=0.4, seed=seed)
        found = fit(times, values)
        close += isinstance(found, Fit) and abs(found.settled - 40.0 - rise) <= 1.0
    assert close >= 190


def test_the_stated_error_covers_what_it_says() -> None:
    """Of 300 fits at most 5 % miss the truth by more than two of their own standard deviations."""
    chance = random.Random(9)  # noqa: S311 - noise of sensors
    fits = missed = 0
    for seed in range(300):
        rise, tau = chance.uniform(8.0, 50.0), chance.uniform(30.0, 400.0)
        times, values = trace(rise=rise, tau=tau, seconds=chance.uniform(1.2, 6.0) * tau, noise=0.5, seed=seed)
        found = fit(times, values)
        if isinstance(found, Fit):
            fits += 1
            missed += abs(found.settled - 40.0 - rise) > 2.0 * found.settled_error
    assert fits > 150
    assert missed <= 0.05 * fits


# --- Refusals --------------------------------------------------------------------------------------------------------


def test_too_short_a_phase_has_no_fit() -> None:
    """Less than a minute, or fewer than twenty readings, is too short."""
    assert "too short" in reason(*trace(seconds=50.0))
    assert "too short" in reason(*trace(seconds=180.0, every=10.0))
    assert "too short" in reason([], [])


def test_too_little_change_has_no_fit() -> None:
    """A temperature that changes by less than 4 C has no fit."""
    assert "less than 4 C" in reason(*trace(rise=2.0))
    assert "less than 4 C" in reason(*trace(rise=0.0))


def test_a_phase_far_shorter_than_tau_has_no_fit() -> None:
    """A phase of half a time constant does not tell where the temperature goes."""
    assert reason(*trace(rise=60.0, tau=900.0, seconds=450.0))


def test_a_straight_line_has_no_fit() -> None:
    """A temperature that rises at the same pace to the end is far from settling."""
    times = [float(second) for second in range(600)]
    assert "far from settling" in reason(times, [40.0 + round(second / 20.0) for second in times])


def test_saw_teeth_have_no_fit() -> None:
    """A temperature that rises and falls again and again follows no such curve."""
    times = [float(second) for second in range(900)]
    assert reason(times, [60.0 + round(abs(second % 120.0 - 60.0) / 4.0) for second in times])


def test_noise_beyond_a_sensor_s_has_no_fit() -> None:
    """A scatter of 4 K about the curve is said as it is."""
    assert "scatters" in reason(*trace(rise=20.0, noise=4.0))


def test_a_second_slow_warming_has_no_fit_once_it_shows() -> None:
    """A room that warms under the drive by 8 C in the second half does not pass for one curve."""
    times, values = trace(rise=20.0, tau=60.0, seconds=900.0)
    warmed = [value + max(0.0, when - 450.0) / 56.0 for when, value in zip(times, values, strict=True)]
    assert reason(times, warmed)


# --- What is missing -------------------------------------------------------------------------------------------------


def test_missing_readings_are_left_out() -> None:
    """Readings that are nan change nothing but the number of points."""
    times, values = trace()
    gaps = [nan if 100 <= place < 160 or place % 7 == 0 else value for place, value in enumerate(values)]
    found, whole = fitted(times, gaps), fitted(times, values)
    assert abs(found.settled - whole.settled) < 0.5
    assert found.points == sum(value == value for value in gaps)  # noqa: PLR0124 - nan
    assert reason(times, [nan] * len(times))


@settings(max_examples=200, deadline=None)
@given(values=st.lists(st.one_of(st.floats(-60.0, 200.0), st.just(nan)), min_size=0, max_size=300))
def test_any_readings_give_a_fit_or_a_reason(values: list[float]) -> None:
    """Whatever the readings are, the answer is a fit or a reason, never an error."""
    found = fit([float(place) for place in range(len(values))], values)
    assert isinstance(found, Fit) or found.why


# --- Steady ----------------------------------------------------------------------------------------------------------


def test_a_temperature_that_holds_is_measured() -> None:
    """Ten minutes that scatter by a step about one temperature are called steady, at their mean."""
    chance = random.Random(3)  # noqa: S311 - noise of sensors
    times = [float(second) for second in range(700)]
    level = steady(times, [61.0 + chance.choice([0.0, 0.0, 1.0]) for _ in times])
    assert level is not None
    assert 61.2 < level < 61.5


def test_a_temperature_that_moves_or_is_short_is_not_steady() -> None:
    """A rise of 2 C in ten minutes, or five minutes alone, is not called steady."""
    times = [float(second) for second in range(700)]
    assert steady(times, [61.0 + round(second / 300.0) for second in times]) is None
    assert steady(times[:300], [61.0] * 300) is None
