"""Where temperatures go and what links do over a soak, on invented drives whose heat and links are known.

The closed form of first-order heat flow gives the times that are expected.
"""

from __future__ import annotations

from itertools import pairwise
from math import isclose, nan

import pytest
from msgspec import structs

from agent.model.findings import Rate, Severity
from agent.soak.analysis import analyse
from probes.samples import End
from tests.soaks import REST, Work, cool, hot, one, soak

TIMED = End(1.0, "time", None)


# --- Phases and forecasts --------------------------------------------------------------------------------------------


def test_a_drive_that_settles_below_its_limit_is_forecast_so() -> None:
    """A drive that warms towards 60 C is said to settle there, 22 C below its limit of 82 C."""
    found = one(soak(cool(scatter=0.3, wavers=0.1)))
    assert "settles" == found.forecast.kind
    assert "settles at 60 C, 22 C below its limit" == found.forecast.words
    assert found.forecast.settled is not None
    assert abs(found.forecast.settled - 60.0) <= 1.0
    warming = next(phase for phase in found.phases if phase.loaded)
    assert (120.0, 719.0) == (warming.start, warming.end)
    assert warming.fit is not None
    assert isclose(120.0, warming.fit.tau, rel_tol=0.1)


def test_a_drive_that_will_reach_its_limit_is_forecast_so_before_it_does() -> None:
    """A running soak says when the limit is reached: here after 400 ln(60 / 14.15) = 578 s, said at 72 C."""
    found = one(soak(cool(plan=(REST, Work(440.0, read=3000.0)), kelvin=20.0, tau=400.0), running=True))
    assert found.temperatures is not None
    assert found.temperatures.most < 78.0
    assert "reaches" == found.forecast.kind
    assert "reaches its limit of 82 C after about 10 min at this load" == found.forecast.words
    assert found.forecast.after_seconds is not None
    soon, late = found.forecast.after_seconds
    assert soon <= 578.0 <= late
    assert late - soon < 120.0


def test_too_close_to_the_limit_is_said() -> None:
    """A drive that settles within a step of its limit is too close to tell."""
    found = one(soak(cool(plan=(REST, Work(900.0, read=3000.0)), kelvin=15.0)))
    assert "close" == found.forecast.kind
    assert "too close to its limit of 82 C to tell" in found.forecast.words


def test_a_phase_too_short_for_its_warming_has_no_forecast() -> None:
    """A slow drive under a short load has no forecast, and it is said that it is too early."""
    found = one(soak(cool(plan=(REST, Work(100.0, read=2000.0)), tau=500.0)))
    assert "none" == found.forecast.kind
    assert found.forecast.words.startswith("no forecast: ")
    assert found.forecast.settled is None


def test_two_warmings_under_one_load_are_no_slow_one() -> None:
    """A drive that stood still for minutes and then warmed anew is not said to be far from settling."""
    steady = structs.replace(cool(), plan=(Work(60.0), Work(2400.0, read=500.0)), kelvin=10.0, warms=0.75)
    worker = structs.replace(cool(), name="nvme1", plan=(Work(900.0), Work(1500.0, read=3000.0)), kelvin=15.0)
    found = analyse(soak(steady, worker)).drives[0].forecast
    assert "no forecast: the temperature does not follow one such curve" in found.words
    slow = one(soak(cool(plan=(REST, Work(200.0, read=3000.0)), tau=600.0, scatter=0.3))).forecast
    assert "far from settling" in slow.words


def test_a_drive_that_slows_itself_is_forecast_from_before_it_did() -> None:
    """The phase up to the first fall says that the limit is reached; none is made of the time held back."""
    found = one(soak(hot()))
    assert "reaches" == found.forecast.kind
    assert all(phase.fit is None for phase in found.phases if phase.loaded and phase.start > 400.0)


def test_a_long_level_load_is_measured() -> None:
    """A load under which the temperature has long settled is told as measured, not as a forecast."""
    found = one(soak(cool(plan=(Work(1800.0, read=2000.0),), air=54.0, at_rest=6.0, kelvin=0.0)))
    assert "steady" == found.forecast.kind
    assert "stayed at 60 C for the last 10 min of this load, 22 C below its limit" == found.forecast.words


def test_bursts_are_a_steady_load_by_the_minute() -> None:
    """A load in bursts of ten seconds is one phase, with the mean of its rates, and gets a forecast."""
    plan = (REST, *(Work(6.0, read=3000.0), Work(4.0, read=400.0)) * 90)
    found = one(soak(cool(plan=plan, tau=200.0)))
    loaded = [phase for phase in found.phases if phase.loaded]
    assert 1 == len(loaded)
    assert isclose(1960.0, loaded[0].read_mbps, rel_tol=0.02)
    assert "settles" == found.forecast.kind


def test_no_limit_claims_no_margin() -> None:
    """A drive without limits gets no margin, and it is said why."""
    found = one(soak(cool(warning=None, critical=None)))
    assert found.limit is None
    assert found.forecast.margin is None
    assert "limit is not known" in found.forecast.words
    assert "unknown" == found.cooling.kind
    assert any("its margin is unknown" in note for note in found.notes)


def test_the_critical_limit_stands_in_for_the_warning() -> None:
    """A drive that tells only a critical limit is held against that, by name."""
    found = one(soak(cool(warning=None)))
    assert found.limit is not None
    assert ("critical", 84.85) == (found.limit.kind, found.limit.celsius)
    assert "25 C below its critical limit" in found.forecast.words


@pytest.mark.parametrize("limit", [0.0, -273.15, 65261.85, nan])
def test_limits_no_drive_can_mean_are_none(limit: float) -> None:
    """Limits that are not set (0 K, 65535 K as hwmon shows them) are taken as none."""
    assert one(soak(cool(warning=limit, critical=limit))).limit is None


@pytest.mark.parametrize("seconds", [300.0, 304.0, 307.0])
def test_phases_end_where_the_next_begins(seconds: float) -> None:
    """Phases do not overlap, and each begins within two seconds of the change of load."""
    plan = (Work(120.0), Work(seconds, read=2000.0), Work(300.0, read=3000.0), Work(120.0))
    phases = one(soak(cool(plan=plan))).phases
    changes = [0.0, 120.0, 120.0 + seconds, 420.0 + seconds]
    assert [True] * 4 == [abs(phase.start - when) <= 2.0 for phase, when in zip(phases, changes, strict=True)]
    assert all(earlier.end <= later.start for earlier, later in pairwise(phases))


def test_a_short_load_is_no_phase_by_the_minute() -> None:
    """Three quarters of a minute of load between rests is no steady load of a minute."""
    found = one(soak(cool(plan=(Work(100.0), Work(45.0, write=1500.0), Work(140.0)))))
    assert [] == [phase for phase in found.phases if phase.loaded]
    assert "no forecast: no load was steady for a minute" == found.forecast.words


# --- Links -----------------------------------------------------------------------------------------------------------


def test_a_link_that_narrows_explains_the_fall() -> None:
    """A link that loses lanes under load is a fault with both rates, and the fall of the rate is laid to it."""
    plan = (REST, Work(300.0, read=3000.0), Work(300.0, read=1500.0))
    found = one(soak(cool(plan=plan, links=((420.0, 4, 2),), kelvin=8.0)))
    (change,) = found.link_changes
    assert (Rate(4, 4), Rate(4, 2), Severity.FAULT) == (change.before, change.after, change.severity)
    assert (3000.0, 1500.0) == (change.before_mbps, change.after_mbps)
    assert "16 GT/s (Gen 4) x4 to 16 GT/s (Gen 4) x2, and its rate fell from 3,000 MB/s to 1,500 MB/s" in change.words
    assert ["link"] == [fall.kind for fall in found.falls]
    assert "none" == found.throttling.kind


def test_a_link_that_rests_is_a_note() -> None:
    """A link that lowers its speed while nothing is read saves power; its return is a note as well."""
    found = one(soak(cool(links=((30.0, 1, 4), (119.0, 4, 4)))))
    assert [Severity.NOTE, Severity.NOTE] == [change.severity for change in found.link_changes]
    assert "to save power" in found.link_changes[0].words


def test_a_link_that_rests_after_its_load_ended_is_a_note() -> None:
    """A link that lowers its speed seconds after the load ended saves power, and cost no rate."""
    (change,) = one(soak(cool(plan=(REST, Work(200.0, read=2000.0), Work(300.0)), links=((330.0, 1, 4),)))).link_changes
    assert Severity.NOTE == change.severity
    assert change.words.endswith("while it rested, as to save power")


def test_errors_are_told_in_bursts() -> None:
    """Errors within half a minute are one burst; the count from before the soak is none of its own."""
    found = one(soak(cool(errors=((0.0, 500), (300.0, 510), (310.0, 540), (600.0, 541)))))
    assert [(300.0, 310.0, 40, Severity.FAULT), (600.0, 600.0, 1, Severity.NOTE)] == [
        (burst.start, burst.end, burst.count, burst.severity) for burst in found.error_bursts
    ]
    assert 41 == found.errors
    assert "its rate stayed at 2,000 MB/s" in found.error_bursts[0].words


def test_errors_that_were_never_read_are_not_none() -> None:
    """A drive whose error counters cannot be read has no count, not a count of 0."""
    assert one(soak(cool())).errors is None
