"""Slowing by heat told by the loop of rate and temperature, on invented drives that tell no limit and count nothing.

What a drive does to keep itself cool is the standard's (NVM Express Base, Host Controlled Thermal Management: at one
temperature it slows, until it is below it again); that caches, loads and housekeeping are not tied to a temperature is
common practice of the trade.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from msgspec import structs

from agent.model.findings import Severity
from agent.soak.headline import headline
from tests.soaks import REST, Make, Work, changed, cool, hot, one, soak

if TYPE_CHECKING:
    from probes.samples import Soak

READS: Final = Work(1200.0, read=2800.0)
WRITES: Final = Work(1200.0, write=2200.0)


def unlimited(*plan: Work, **fields: object) -> Make:
    """A drive that tells no limit, slows itself at 70 C to a third and goes on at 67 C."""
    told = {"warning": None, "critical": None, "slows_at": 70.0, "hysteresis": 3.0, "slow_share": 0.32, "wavers": 0.1}
    return hot(plan=(REST, *plan), scatter=0.2, **{**told, **fields})


def calm(*plan: Work, **fields: object) -> Make:
    """A drive that tells no limit and never slows itself."""
    return unlimited(*plan, **{"slows_at": None, **fields})


SLOWS: Final[dict[str, tuple[Soak, float, float | None]]] = {
    "reads in a clean saw-tooth": (soak(unlimited(READS)), 70.0, 67.0),
    "writes in a clean saw-tooth": (soak(unlimited(WRITES, kelvin=28.0)), 70.0, 67.0),
    "share of time busy not known": (soak(unlimited(READS, knows_busy=False)), 70.0, 67.0),
    "reads and writes by turns": (
        soak(unlimited(*(Work(20.0, read=2800.0), Work(20.0, write=1800.0)) * 30)),
        70.0,
        67.0,
    ),
    "work of a minute, then rest": (
        soak(unlimited(*(Work(60.0, read=2800.0), Work(30.0)) * 15, kelvin=30.0)),
        70.0,
        67.0,
    ),
    "in two steps": (soak(unlimited(READS, slow_share=0.6, slows_more_at=72.0, tau=60.0, kelvin=30.0)), 72.0, 69.0),
    "a sample each five seconds": (soak(unlimited(Work(2400.0, read=2800.0)), every=5.0), 70.0, 67.0),
    "cycles of a few seconds": (soak(unlimited(READS, hysteresis=1.0, tau=60.0)), 70.0, 69.0),
    "faster than its samples": (soak(unlimited(READS, hysteresis=1.0, tau=60.0), every=4.0), 70.0, None),
    "bit by bit": (soak(unlimited(READS, gives_way=6.0)), 72.0, None),
    "bit by bit, written": (soak(unlimited(WRITES, kelvin=28.0, gives_way=6.0)), 72.0, None),
    "far below the limit that it tells": (soak(unlimited(READS, warning=84.85)), 70.0, 67.0),
}


@pytest.mark.parametrize("story", SLOWS)
def test_what_comes_back_at_a_pair_of_temperatures_is_heat(story: str) -> None:
    """A drive that slows at one temperature and goes on at another is told to, with both, whatever it tells itself."""
    made, onset, back = SLOWS[story]
    found = one(made)
    assert "inferred" == found.throttling.kind
    assert found.loop is not None
    assert abs(found.loop.onset - onset) <= 2.0
    assert back is None or found.loop.back is None or abs(found.loop.back - back) <= 2.0
    assert found.limit is not None
    assert ("observed", found.loop.onset) == (found.limit.kind, found.limit.celsius)
    assert Severity.FAULT is headline(found, made.seconds)[0]
    assert f"throttled at about {found.loop.onset:.0f} C (observed)" in headline(found, made.seconds)[1]
    assert "cache" not in {fall.kind for fall in found.falls}


def test_the_rates_of_a_loop_are_those_of_its_samples() -> None:
    """A drive that comes and goes within seconds is told by its floor, not by a mean of both."""
    found = one(soak(unlimited(READS)))
    assert found.loop is not None
    assert abs(found.loop.before_mbps - 2800.0) < 100.0
    assert abs(found.loop.during_mbps - 900.0) < 40.0
    assert {True} == {abs(fall.during_mbps - 900.0) < 40.0 for fall in found.falls}
    assert "from 2,7" in found.throttling.words


def test_the_floor_of_falls_at_a_limit_is_that_of_its_samples() -> None:
    """Also where too few falls come to make a loop, what is told is the rate while slow."""
    work = Work(45.0, read=3000.0)
    found = one(soak(hot(plan=(REST, Work(245.0, read=3000.0), REST, work), hysteresis=4.0, tau=120.0)))
    assert [] != list(found.falls)
    assert {1200} == {round(fall.during_mbps) for fall in found.falls}


STAYS: Final[dict[str, Soak]] = {
    "a load of two levels": soak(calm(*(Work(60.0, read=2800.0), Work(30.0, read=900.0)) * 20)),
    "such a load that is fast": soak(calm(*(Work(20.0, read=2800.0), Work(10.0, read=900.0)) * 60)),
    "a long level first": soak(calm(Work(500.0, read=2800.0), *(Work(20.0, read=900.0), Work(20.0, read=2800.0)) * 30)),
    "housekeeping": soak(calm(*(Work(31.0, read=2800.0), Work(3.0, read=900.0)) * 40)),
    "a cache that fills again and again": soak(
        calm(*(Work(200.0, write=2200.0), Work(60.0)) * 8, cache_bytes=300e9, kelvin=15.0)
    ),
    "a cache that fills while warm": soak(calm(Work(900.0, write=2200.0), cache_bytes=600e9, kelvin=20.0)),
    "work and rest": soak(calm(*(Work(60.0, read=2800.0), Work(30.0)) * 20)),
    "reads and writes by turns": soak(calm(*(Work(20.0, read=2800.0), Work(20.0, write=1800.0)) * 30)),
    "less is asked for": soak(calm(Work(600.0, read=2800.0), Work(600.0, read=900.0, busy=0.4))),
    "levels at any temperature": soak(calm(*(Work(90.0 + 7.0 * at, read=(2800.0, 1100.0)[at % 2]) for at in range(9)))),
}


@pytest.mark.parametrize("story", STAYS)
def test_what_is_tied_to_no_temperature_is_not_heat(story: str) -> None:
    """Caches, loads and housekeeping are never laid to heat for sure, however often they come."""
    found = one(STAYS[story])
    assert found.throttling.kind in {"none", "unclear"}
    assert found.limit is None
    assert "throttled" not in headline(found, 1e9)[1].replace("may have throttled", "")


@pytest.mark.parametrize("story", ["a load of two levels", "housekeeping", "a cache that fills again and again"])
def test_falls_at_several_temperatures_are_cleared_of_heat(story: str) -> None:
    """A drive that fell in the same way while it was cooler is said not to have slowed itself, without any limit."""
    found = one(STAYS[story])
    assert "none" == found.throttling.kind
    assert "its rate fell, but not because of heat" in found.throttling.words or not found.falls


def test_a_rhythm_at_one_temperature_from_the_start_is_left_open() -> None:
    """Falls of one length at one temperature, never seen from cold, may be heat or the load: both are said."""
    plan = (Work(20.0, read=2800.0), Work(10.0, read=900.0)) * 60
    warm = calm(*plan, tau=60.0)
    whole = soak(structs.replace(warm, plan=plan))
    track = whole.tracks[0]
    columns = ("seconds", "celsius", "hottest", "read_mbps", "write_mbps", "busy", "written_bytes")
    found = one(changed(whole, **{name: getattr(track, name)[600:] for name in columns}))
    assert "unclear" == found.throttling.kind
    assert "the log does not show which" in found.throttling.words
    assert found.loop is not None
    assert {"warm", "rhythm"} & set(found.loop.against)


def test_a_drive_that_worked_as_fast_while_hotter_did_not_slow_itself() -> None:
    """A fall at a temperature that the drive worked beyond at full speed is not of heat, though no limit is known."""
    found = one(soak(calm(Work(150.0, read=2800.0), Work(150.0, read=1100.0), Work(600.0, read=2800.0))))
    assert ["other"] == [fall.kind for fall in found.falls]
    assert "none" == found.throttling.kind


def test_the_hottest_sensor_may_be_the_one() -> None:
    """A drive whose first sensor is slow and whose hottest one decides is told by that one, and gets no limit of it."""
    made = soak(unlimited(READS))
    fast = made.tracks[0].celsius
    slow = type(fast)("d", fast)
    for at in range(1, len(slow)):
        slow[at] = slow[at - 1] + (fast[at] - 15.0 - slow[at - 1]) / 90.0
    head = structs.replace(made.tracks[0].head, sensors=("Composite", "Sensor 1"))
    found = one(changed(made, celsius=slow, hottest=fast, head=head))
    assert found.loop is not None
    assert found.loop.hottest
    assert abs(found.loop.onset - 70.0) <= 2.0
    assert "at its hottest sensor" in found.throttling.words
    assert found.limit is None


def test_a_known_limit_close_by_stays_the_limit() -> None:
    """Falls right below the limit that a drive tells are told as observed, and its own limit is what counts."""
    found = one(soak(hot()))
    assert found.loop is not None
    assert found.limit is not None
    assert ("warning", 81.85) == (found.limit.kind, found.limit.celsius)


def test_a_cool_drive_has_no_loop() -> None:
    """A drive that never slows has none, and heat cost it nothing."""
    found = one(soak(cool()))
    assert (None, None) == (found.loop, found.cost)


def test_what_heat_cost_is_what_the_same_drive_moves_without_it() -> None:
    """Bytes not moved, time and rate are those of the same drive that does not slow itself; heat goes with the rate.

    Source of where it would settle: first-order heat flow, air and rest 36 C and 22 K for each 1,000 MB/s.
    """
    slowed, free = one(soak(unlimited(READS))), one(soak(calm(READS)))
    assert slowed.load is not None
    assert free.load is not None
    assert slowed.cost is not None
    lost = free.load.read_bytes - slowed.load.read_bytes
    assert abs(slowed.cost.lost_bytes - lost) < 0.05 * lost
    assert abs(slowed.cost.longer_seconds - lost / 2800e6) < 0.05 * lost / 2800e6
    assert slowed.cost.settled_mbps is not None
    assert abs(slowed.cost.settled_mbps - 2800.0 * 32.5 / 61.6) < 60.0  # its mean temperature is 68.5 C, 32.5 K above
    assert slowed.cost.unslowed_celsius is not None
    assert abs(slowed.cost.unslowed_celsius - 97.6) < 2.5
    assert slowed.cost.resistance_share is not None
    assert abs(slowed.cost.resistance_share - 29.0 / 61.6) < 0.03
    assert "expect about 1,4" in slowed.cost.words
    assert free.cost is None


def test_a_drive_that_slows_in_two_steps_is_costed_from_the_first() -> None:
    """The speed that is missed is that before the lighter step, not that between the two."""
    made, *_ = SLOWS["in two steps"]
    found = one(made)
    assert found.load is not None
    assert found.cost is not None
    lost = 2800e6 * 1200.0 - found.load.read_bytes
    assert abs(found.cost.lost_bytes - lost) < 0.07 * lost


def test_a_drive_that_was_never_seen_at_rest_has_no_figure_for_its_cooling() -> None:
    """Without its temperature at rest, what heat took is told, and not how much less resistance it needs."""
    whole = soak(unlimited(READS)).tracks[0]
    columns = ("seconds", "celsius", "hottest", "read_mbps", "write_mbps", "busy", "written_bytes")
    found = one(changed(soak(unlimited(READS)), **{name: getattr(whole, name)[125:] for name in columns}))
    assert found.cost is not None
    assert (None, None) == (found.cost.unslowed_celsius, found.cost.resistance_share)
    assert "thermal resistance" not in found.cost.words
