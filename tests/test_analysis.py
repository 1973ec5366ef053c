"""The analysis of a soak, on invented drives whose heat, caches and links are known.

What heat and a full cache look like is common practice of the trade (facts of published tests: a fall from 2.4 to
1.4 GB/s at 80 C); which counters prove heat is the NVMe health log (02h, offsets 192 to 228).
"""

from __future__ import annotations

from array import array
from math import inf, isclose, nan
from statistics import median, quantiles
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from agent.model.findings import Severity
from agent.soak.analysis import analyse
from agent.soak.headline import headline
from probes.answers import ASLEEP
from probes.samples import Counters, End, Event, Missed
from probes.unread import Unread
from tests.soaks import READING, REST, Work, changed, cool, hot, one, soak

if TYPE_CHECKING:
    from agent.soak.analysed import DriveAnalysis
    from probes.samples import Soak, Track

TIMED = End(1.0, "time", None)


# --- Temperatures and rates ------------------------------------------------------------------------------------------


def test_least_most_and_mean_are_those_of_the_readings() -> None:
    """Least, most and mean temperature are those of the readings, and the first moment of the most is told."""
    made = soak(cool())
    found = one(made).temperatures
    assert found is not None
    values = list(made.tracks[0].celsius)
    assert (min(values), max(values)) == (found.least, found.most)
    assert isclose(sum(values) / len(values), found.mean, abs_tol=0.01)
    assert values.index(max(values)) == found.most_at
    assert 0.0 == found.above_warning == found.above_critical == found.near


def test_time_above_limits_is_that_of_the_readings() -> None:
    """Seconds at or above each limit, and within 5 C of it, are counted from the readings."""
    made = soak(hot(slows_at=None))
    found = one(made).temperatures
    assert found is not None
    values = list(made.tracks[0].celsius)
    assert sum(value >= 81.85 for value in values) == found.above_warning
    assert sum(value >= 84.85 for value in values) == found.above_critical
    assert sum(76.85 <= value < 81.85 for value in values) == found.near


def test_rates_are_the_median_and_quarters_under_load() -> None:
    """Median and quarters are of the time under load alone, rest left out (statistics.quantiles of Python)."""
    made = soak(cool(wavers=0.3))
    load = one(made).load
    assert load is not None
    assert load.read is not None
    working = [value for value in made.tracks[0].read_mbps if value > 0.0]
    low, _, high = quantiles(working, method="inclusive")
    assert median(working) == load.read.median
    assert isclose(low, load.read.low_quarter, rel_tol=0.005)
    assert isclose(high, load.read.high_quarter, rel_tol=0.005)
    assert (600.0, None) == (load.seconds, load.write)
    assert isclose(sum(working) * 1e6, load.read_bytes)


def test_bytes_written_are_those_of_the_drive() -> None:
    """Bytes written from the rates are what the track itself has counted."""
    made = soak(cool(plan=(REST, Work(300.0, write=1234.0, read=100.0))))
    load = one(made).load
    assert load is not None
    assert isclose(made.tracks[0].written_bytes[-1], load.written_bytes)
    assert load.either is not None
    assert 1334.0 == load.either.median


# --- Throttling ------------------------------------------------------------------------------------------------------


def test_counters_that_rise_prove_it() -> None:
    """A rise of the drive's own counters proves that it slowed itself, with each rise as evidence."""
    found = one(soak(hot(counts=True))).throttling
    assert "proved" == found.kind
    first, second = found.evidence[:2]
    assert ("light thermal management, times", "no more") == (first.source, first.expected)
    assert int(first.read.split()[0]) > 5
    assert "seconds" in second.source
    assert "its rate fell from 3,000 MB/s" in found.words
    assert all(span.end > 120.0 for span in found.spans)


def test_minutes_above_the_warning_temperature_are_heat_and_no_slowing() -> None:
    """Minutes that a drive counts above its warning temperature prove heat, not that it slowed itself."""
    before = Counters(100, 0, 0, 0, 0, 0)
    made = changed(
        soak(cool()), counters=((0.0, before), (600.0, before), (900.0, structs.replace(before, warning_minutes=104)))
    )
    found = one(made).throttling
    assert "none" == found.kind
    assert "at or above its warning temperature for 4 min" in found.words
    assert "heat did not lower its rate" in found.words
    assert "did not move" not in found.words


def test_minutes_at_the_critical_temperature_are_told_as_at_or_above_it() -> None:
    """The count is of minutes at or above the limit. Source: NVM Express Base, Critical Composite Temperature Time."""
    before = Counters(100, 7, 0, 0, 0, 0)
    made = changed(soak(cool()), counters=((0.0, before), (900.0, structs.replace(before, critical_minutes=9))))
    found = one(made).throttling
    assert "by its own count it was at or above its critical temperature for 2 min" in found.words
    assert [("minutes at or above the critical temperature", "2 more")] == [
        (reading.source, reading.read) for reading in found.evidence
    ]


def test_old_counts_prove_nothing() -> None:
    """Counts of earlier days that stay as they are prove nothing of this soak."""
    old = Counters(5000, 300, 70, 8, 90000, 400)
    found = one(changed(soak(cool()), counters=((0.0, old), (900.0, old)))).throttling
    assert "none" == found.kind
    assert "did not move" in found.words


def test_counts_that_fall_back_prove_nothing() -> None:
    """A drive that comes back with lower counts is another one or was reset: the difference proves nothing."""
    big, small = Counters(50, 0, 70, 0, 900, 0), Counters(60, 0, 1, 0, 2, 0)
    assert "none" == one(changed(soak(cool()), counters=((0.0, big), (900.0, small)))).throttling.kind


@pytest.mark.parametrize("direction", ["read", "write"])
def test_a_rate_that_falls_at_the_limit_and_comes_back_is_heat(direction: str) -> None:
    """A rate that falls at the limit under load and comes back on cooling is inferred to be heat, read or written."""
    work = Work(1200.0, read=3000.0) if direction == "read" else Work(1200.0, write=3000.0)
    found = one(soak(hot(plan=(REST, work, Work(300.0)), scatter=0.3)))
    assert "inferred" == found.throttling.kind
    assert {"heat"} == {fall.kind for fall in found.falls}
    first = found.falls[0]
    assert first.recovered
    assert first.times > 5
    assert isclose(1200.0, first.during_mbps)
    assert first.celsius is not None
    assert first.celsius > 78.0
    assert "not read, so this is not proved" in found.throttling.words


def test_a_read_rate_held_down_at_the_limit_is_heat_without_coming_back() -> None:
    """A drive that is read at a lower rate at its limit, as busy as before, is slowed by heat: reads fill no cache."""
    found = one(soak(hot(hysteresis=60.0, slow_share=0.7, plan=(REST, READING))))
    assert "inferred" == found.throttling.kind
    assert not found.falls[0].recovered


def test_a_rate_that_does_not_come_back_as_the_drive_cools_is_unclear() -> None:
    """A rate that falls at the limit and stays low for minutes although the drive is cool again is not laid to heat."""
    work = (Work(400.0, read=3000.0), Work(300.0, read=800.0, busy=0.9))
    found = one(soak(cool(plan=(REST, *work), kelvin=15.0, tau=60.0, warning=79.85)))
    assert "unclear" == found.throttling.kind
    assert "did not come back although it cooled" in found.throttling.words
    assert "held back" not in found.forecast.words


def test_falls_close_below_an_only_critical_limit_are_heat() -> None:
    """A drive whose warning limit is not known and that slows again and again 4 C below its critical one is hot."""
    found = one(soak(hot(warning=None)))
    assert "inferred" == found.throttling.kind
    assert "it slows itself at about 81 C (observed)" in found.throttling.words
    assert "enough" != found.cooling.kind


@pytest.mark.parametrize("direction", ["read", "write"])
def test_falls_at_one_temperature_far_below_the_limit_are_heat(direction: str) -> None:
    """Falls always at 70 C that end as the drive cools are heat, whatever limits it tells: it is held against 70 C."""
    work = Work(1200.0, read=3000.0) if direction == "read" else Work(1200.0, write=3000.0)
    found = one(soak(hot(slows_at=70.0, hysteresis=3.0, plan=(REST, work, Work(300.0)))))
    assert "inferred" == found.throttling.kind
    assert "it slows itself at about 70 C (observed)" in found.throttling.words
    assert {"heat"} == {fall.kind for fall in found.falls}
    assert found.limit is not None
    assert ("observed", 70) == (found.limit.kind, round(found.limit.celsius))
    assert (Severity.FAULT, "throttled at about 70 C (observed)") == headline(found, 1620.0)


def test_falls_that_the_drive_counts_are_laid_to_heat() -> None:
    """Falls far below the limit in which its own count of slowing rose are heat, at the temperature they came at."""
    found = one(soak(hot(slows_at=70.0, hysteresis=3.0, counts=True)))
    assert ("proved", {"heat"}) == (found.throttling.kind, {fall.kind for fall in found.falls})
    assert "at about 70 C" in found.falls[0].words
    assert "told apart" not in found.falls[0].words
    verifies = {step.verify for step in found.cooling.steps}
    assert {"Run the same soak again: at the same load its own count of slowing no longer rises."} == verifies


def test_a_limit_that_was_reached_is_said_to_have_been() -> None:
    """A load that ends at the limit says that the rate fell with its load, and that the limit has been reached."""
    plan = (REST, Work(600.0, read=3000.0), Work(300.0, read=500.0, busy=0.2))
    found = one(soak(cool(plan=plan, kelvin=15.2, tau=100.0)))
    assert "its rate fell only with its load" in found.throttling.words
    assert "which it has reached" in found.forecast.words


def test_falls_at_any_temperature_are_of_no_limit() -> None:
    """Falls that come at temperatures far apart hint at no limit of the drive's own."""
    plan = tuple(
        part
        for rate in (1000.0, 2000.0, 3000.0)
        for part in (Work(300.0, read=rate), Work(60.0, read=0.4 * rate), Work(60.0, read=rate), Work(60.0))
    )
    found = one(soak(cool(plan=(REST, *plan))))
    assert {"other"} == {fall.kind for fall in found.falls}
    assert "none" == found.throttling.kind


def test_a_write_rate_held_down_at_the_limit_is_unclear() -> None:
    """A write rate that falls at the limit and stays low may be heat or a full cache, and both are said."""
    found = one(soak(hot(hysteresis=60.0, plan=(REST, Work(1200.0, write=3000.0)))))
    assert "unclear" == found.throttling.kind
    assert "heat or a full write cache" in found.throttling.words


def test_a_full_write_cache_is_told_apart() -> None:
    """A write rate that steps down after much writing, far from the limit, is a full cache and no heat."""
    plan = (REST, Work(300.0, write=2000.0), Work(60.0), Work(300.0, write=2000.0), Work(60.0))
    found = one(soak(cool(plan=plan, kelvin=8.0, cache_bytes=100e9)))
    assert "none" == found.throttling.kind
    assert ["cache", "cache"] == [fall.kind for fall in found.falls]
    for fall in found.falls:
        assert isclose(100e9, fall.written_bytes, rel_tol=0.1)
        assert (2000.0, 600.0) == (fall.before_mbps, fall.during_mbps)
        assert "each after about as much" in fall.words


def test_reads_that_fall_far_from_the_limit_are_not_explained() -> None:
    """A read rate that halves while the drive is cool and just as busy is told, with no cause."""
    found = one(soak(cool(plan=(REST, Work(300.0, read=2000.0), Work(300.0, read=900.0)))))
    assert ["other"] == [fall.kind for fall in found.falls]
    assert "nothing in the log says why" in found.falls[0].words
    assert "none" == found.throttling.kind


@pytest.mark.parametrize("kelvin", [12.0, 17.0])
def test_a_load_that_asks_for_less_is_no_fall(kelvin: float) -> None:
    """A load that lowers itself leaves the drive idle for more of the time: no fall, however warm the drive is."""
    plan = (REST, Work(900.0, read=3000.0), Work(300.0, read=1000.0, busy=0.4))
    found = one(soak(cool(plan=plan, kelvin=kelvin)))
    assert () == found.falls
    assert "none" == found.throttling.kind


@pytest.mark.parametrize("seconds", [900.0, 903.0, 907.0, 909.0])
def test_a_load_that_ends_at_the_limit_is_no_fall(seconds: float) -> None:
    """A load that simply ends while the drive is at its limit is no fall, wherever its last second lies."""
    found = one(soak(cool(plan=(REST, Work(seconds, read=3000.0), Work(300.0)), kelvin=17.0)))
    assert found.temperatures is not None
    assert found.temperatures.most > 81.0
    assert () == found.falls
    assert "none" == found.throttling.kind


def test_without_limits_a_fall_is_unclear() -> None:
    """A drive that tells no limit and slows down once has an unclear fall, and no claim of heat."""
    work = Work(1200.0, write=3000.0)
    found = one(soak(hot(warning=None, critical=None, hysteresis=60.0, slow_share=0.7, plan=(REST, work))))
    assert {"unclear"} == {fall.kind for fall in found.falls}
    assert "unclear" == found.throttling.kind
    assert "without a temperature and a limit" in found.throttling.words


def test_without_load_nothing_is_said_of_throttling() -> None:
    """A drive that only rested was not tried."""
    found = one(soak(cool(plan=(Work(600.0),))))
    assert "unknown" == found.throttling.kind
    assert "no load" in found.throttling.words


# --- Readings that failed --------------------------------------------------------------------------------------------

EIO: Final = "the device gave an input/output error (EIO)"
ROOT: Final = "permission denied; the super-user may read it (EACCES)"


def lacking(of: Soak, *missed: Missed, counters: tuple[float, ...] = (0.0, 600.0, 1020.0)) -> DriveAnalysis:
    """The drive of a soak whose own counters stood still when they were read, and of which this could not be."""
    still = Counters(5, 0, 3, 0, 70, 0)
    return one(changed(of, counters=tuple((at, still) for at in counters), unread=missed))


@pytest.mark.parametrize(
    ("missed", "counters"),
    [
        (Missed("counters", EIO, 0.0, 600.0), (600.0, 1020.0)),
        (Missed("counters", EIO, 540.0, 600.0), (0.0, 600.0, 1020.0)),
        (Missed("counters", EIO, 1020.0, None), (0.0, 600.0)),
        (Missed("counters", ROOT, 0.0, None, needs_root=True), ()),
    ],
    ids=["start", "middle", "end", "never"],
)
def test_counters_that_could_not_be_read_leave_it_open(missed: Missed, counters: tuple[float, ...]) -> None:
    """A drive whose own counters failed, whenever that was, is not said to have held its rate by itself."""
    assert "none" == lacking(soak(cool())).throttling.kind
    found = lacking(soak(cool()), missed, counters=counters)
    assert ("unknown", "unknown") == (found.throttling.kind, found.cooling.kind)
    for words in (found.throttling.words, found.cooling.words):
        assert "its thermal counters could not be read" in words
        assert missed.why.removesuffix(")").replace(" (", ", ") in words
    assert found.throttling.words.endswith("so there is no verdict; what was read shows no sign of it")
    assert (Severity.UNKNOWN, "throttling not known") == headline(found, 1020.0)


def test_without_counters_no_sign_is_no_proof() -> None:
    """Where the drive's own counters were never read the first line says so; with them it says that none was seen."""
    bare = one(soak(cool()))
    assert (Severity.OK, "none", False) == (headline(bare, 1020.0)[0], bare.throttling.kind, bare.throttling.counted)
    assert "its own counters not read" in headline(bare, 1020.0)[1]
    assert (Severity.OK, "no throttling") == headline(lacking(soak(cool())), 1020.0)


@pytest.mark.parametrize("name", ["warning", "critical"])
def test_what_was_never_close_to_a_limit_is_not_said_to_be(name: str) -> None:
    """A drive is "close to" its limit where it was within the margin that other lines tell of, and nowhere else."""
    none = {"warning": None, "critical": None}
    found = {near: one(soak(cool(**{**none, name: limit}))) for near, limit in ((True, 62.0), (False, 90.0))}
    for near, drive in found.items():
        assert drive.temperatures is not None
        assert near == bool(drive.temperatures.near or drive.temperatures.above_warning)
        assert ("none", near) == (drive.throttling.kind, "close to" in drive.throttling.words)
    assert "below its" in found[False].throttling.words


def test_counters_that_failed_prove_what_they_counted() -> None:
    """Counters that rose prove it also where some readings of them failed; that it may be more is said."""
    counters = ((0.0, Counters(0, 0, 1, 0, 5, 0)), (1020.0, Counters(0, 0, 9, 0, 80, 0)))
    found = one(changed(soak(cool()), counters=counters, unread=(Missed("counters", EIO, 60.0, 1020.0),)))
    assert "proved" == found.throttling.kind
    assert found.throttling.words.endswith("(the device gave an input/output error, EIO), so it may be more")


def test_a_fall_is_inferred_whatever_its_counters_say() -> None:
    """Rates that fall at the limit are bad news that stands, with why its own counters prove nothing."""
    found = lacking(soak(hot()), Missed("counters", EIO, 0.0, None), counters=())
    assert "inferred" == found.throttling.kind
    assert "its thermal counters could not be read (the device gave an input/output error, EIO), so this is not" in (
        found.throttling.words
    )


@pytest.mark.parametrize(("what", "word"), [("temperature", "temperature"), ("link", "link")])
def test_a_short_gap_is_bridged_and_a_long_one_is_not(what: str, word: str) -> None:
    """Ten seconds of what was read before and after leave no verdict open; a longer gap, and one to the end, do."""
    for start, end, bridged in ((300.0, 309.0, True), (300.0, 320.0, False), (1019.0, None, False)):
        found = lacking(soak(cool()), Missed(what, EIO, start, end))
        told = (Severity.OK, "no throttling") == headline(found, 1020.0)
        assert bridged == told
        assert bridged or f"{word} not read all the time" in headline(found, 1020.0)[1]
        assert [EIO] == [one.why for one in found.missing]


def test_gaps_for_several_reasons_are_one_gap() -> None:
    """A temperature that fails for one reason after the other is lost for as long as both together."""
    parts = [Missed("temperature", (EIO, ROOT)[at % 2], 300.0 + 6 * at, 306.0 + 6 * at) for at in range(4)]
    found = lacking(soak(cool()), *parts)
    assert {EIO, ROOT} == {one.why for one in found.missing}
    assert all(one.weighs for one in found.missing)
    alone = lacking(soak(cool()), *parts[::2])
    assert [False] == [one.weighs for one in alone.missing]
    assert [(300.0, 306.0), (312.0, 318.0)] == [(span.start, span.end) for span in alone.missing[0].spans]


def test_error_counts_bridge_any_gap_but_those_at_the_ends() -> None:
    """A count that only grows is held from its first reading to its last: what lies before and after is not known."""
    for start, end, known in ((300.0, 600.0, True), (0.0, 5.0, False), (1010.0, None, False)):
        found = lacking(soak(cool()), Missed("errors", EIO, start, end))
        assert known == (Severity.OK is headline(found, 1020.0)[0])


def test_what_sleeps_has_not_failed() -> None:
    """A link that is asleep is told of, and leaves no verdict open."""
    found = lacking(soak(cool()), Missed("link", ASLEEP, 300.0, None))
    assert (Severity.OK, "no throttling") == headline(found, 1020.0)
    assert [ASLEEP] == [one.why for one in found.missing]


def test_a_forecast_of_half_the_readings_is_none() -> None:
    """Where the temperature was not read for long, a forecast that would be good says what was read, and no more."""
    whole = lacking(soak(cool()))
    found = lacking(soak(cool()), Missed("temperature", EIO, 400.0, 500.0))
    assert ("settles", "none") == (whole.forecast.kind, found.forecast.kind)
    assert found.forecast.words.endswith(f"what was read {whole.forecast.words}")
    bad = Missed("temperature", EIO, 5.0, 30.0)
    assert "reaches" == lacking(soak(hot(slows_at=None)), bad).forecast.kind


def test_limits_that_could_not_be_read_are_no_drive_without_limits() -> None:
    """A drive whose limits could not be read is not said to tell none; what was not held against them is said."""
    made = soak(cool(warning=None, critical=None))
    limits = tuple(Unread(f"{name} limit", ROOT, needs_root=True) for name in ("warning", "critical"))
    found = lacking(changed(made, head=structs.replace(made.tracks[0].head, unread=limits)))
    assert ("unknown", "unknown") == (found.throttling.kind, found.cooling.kind)
    assert "its warning temperature and its critical temperature could not be read" in found.forecast.words
    assert not any("warning" in note for note in found.notes)
    assert any("warning" in note for note in one(made).notes)


# --- What is missing -------------------------------------------------------------------------------------------------


def test_a_drive_that_vanished_and_returned_is_told() -> None:
    """The time away is told, gaps change no other figure, and what stayed away is lost to the end."""
    events = (Event(300.0, "vanished", "nvme0", "gone"), Event(400.0, "returned", "nvme0", "back"))
    found = one(soak(cool(unread=((300.0, 400.0),)), events=events))
    assert [(300.0, 400.0)] == [(span.start, span.end) for span in found.lost]
    assert 921 == found.samples
    assert "settles" == found.forecast.kind
    assert () == found.falls
    stays = one(soak(cool(unread=((300.0, 2000.0),)), events=events[:1]))
    assert [(300.0, 1020.0)] == [(span.start, span.end) for span in stays.lost]


def test_a_gap_in_time_is_told_and_counts_for_nothing() -> None:
    """Minutes without a sample are a gap; they add nothing to the time above a limit."""
    whole = soak(hot(slows_at=None, plan=(REST, READING)))
    kept = [place for place, when in enumerate(whole.tracks[0].seconds) if not 900.0 < when < 1100.0]
    columns = ("seconds", "celsius", "hottest", "read_mbps", "write_mbps", "busy", "written_bytes")
    parts = {name: array("d", [getattr(whole.tracks[0], name)[place] for place in kept]) for name in columns}
    found = one(changed(whole, **parts))
    assert [(900.0, 1100.0)] == [(span.start, span.end) for span in found.gaps]
    before = one(whole).temperatures
    assert before is not None
    assert found.temperatures is not None
    assert before.above_warning is not None
    assert found.temperatures.above_warning == before.above_warning - 200.0 + 3.0


def test_a_running_soak_and_one_cut_off_say_so() -> None:
    """A log without an end is still running or was cut off; both are said, as a log does not tell them apart."""
    found = analyse(soak(cool(), running=True))
    assert found.end is None
    assert any("still runs, or it was cut off" in note for note in found.notes)
    assert 1020.0 == found.seconds


def test_the_forecast_of_a_running_soak_is_of_the_load_that_runs() -> None:
    """While a soak runs the forecast is of the present load, afterwards of the hottest one."""
    plan = (REST, Work(600.0, read=3500.0), Work(600.0, read=1000.0))
    running, over = one(soak(cool(plan=plan), running=True)), one(soak(cool(plan=plan)))
    assert running.forecast.settled is not None
    assert over.forecast.settled is not None
    assert abs(running.forecast.settled - 48.0) < 1.5
    assert abs(over.forecast.settled - 78.0) < 1.5


def test_one_sample_or_none_is_said() -> None:
    """A soak of one sample, of none, or of no drive has an analysis that says so."""
    single = one(soak(cool(plan=())))
    assert 1 == single.samples
    assert any("one sample only" in note for note in single.notes)
    assert single.load is None
    empty = array("d")
    columns = ("seconds", "celsius", "hottest", "read_mbps", "write_mbps", "busy", "written_bytes")
    none = changed(soak(cool(plan=())), **dict.fromkeys(columns, empty))
    assert "no sample was taken" in analyse(none).notes
    assert one(none).temperatures is None
    assert "the soak watched no drive" in analyse(soak()).notes


def test_rubbish_of_a_sensor_is_left_out_and_counted() -> None:
    """Readings that no drive can have change no figure and are counted."""
    made = soak(cool())
    celsius = array("d", made.tracks[0].celsius)
    for place, rubbish in ((200, 65261.85), (201, -5.0), (202, inf), (300, 12.0), (400, 131.0), (401, 131.0)):
        celsius[place] = rubbish
    found = one(changed(made, celsius=celsius, hottest=celsius))
    clean = one(made)
    assert found.temperatures is not None
    assert clean.temperatures is not None
    assert (clean.temperatures.most, clean.temperatures.hottest) == (
        found.temperatures.most,
        found.temperatures.hottest,
    )
    assert any("6 readings" in note for note in found.notes)


def test_a_temperature_that_stays_where_it_went_is_believed() -> None:
    """Readings that are far from those before are left out for some seconds only."""
    made = soak(cool())
    celsius = array("d", made.tracks[0].celsius)
    place = len(celsius) // 2
    for later in range(place, len(celsius)):
        celsius[later] += 40.0
    found = one(changed(made, celsius=celsius, hottest=celsius))
    assert found.temperatures is not None
    assert max(celsius) == found.temperatures.most
    assert any("4 readings" in note for note in found.notes)


def test_a_clock_that_jumped_is_told() -> None:
    """Jumps of the machine's clock are counted in a note."""
    events = [Event(30.0, "clock", None, "jumped"), Event(60.0, "clock", None, "jumped")]
    assert any("jumped 2 times" in note for note in analyse(soak(cool(), events=events)).notes)


def test_time_that_runs_back_is_left_out() -> None:
    """Samples that come before their predecessor are left out and counted; the rest is judged."""
    made = soak(cool())
    seconds = array("d", made.tracks[0].seconds)
    seconds[500], seconds[501] = 3.0, nan
    found = one(changed(made, seconds=seconds))
    assert any("2 samples were out of order" in note for note in found.notes)
    assert "settles" == found.forecast.kind


def test_slow_sampling_is_judged_too() -> None:
    """A sample every half minute gives forecasts and falls as well."""
    found = one(soak(cool(plan=(Work(600.0), Work(3000.0, read=2000.0)), tau=400.0), every=30.0))
    assert "settles" == found.forecast.kind
    assert abs((found.forecast.settled or 0.0) - 60.0) < 1.5


# --- Anything at all -------------------------------------------------------------------------------------------------

NUMBERS = st.one_of(st.floats(0.0, 5000.0), st.floats(0.0, 100.0), st.just(nan), st.just(0.0), st.floats())


@pytest.mark.long
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_track_has_an_analysis(data: st.DataObject) -> None:
    """Whatever a log holds, the analysis answers, with times inside the soak and no margin without a limit."""
    count = data.draw(st.integers(0, 120))
    base: Track = soak(cool(plan=())).tracks[0]

    def column() -> array[float]:
        return array("d", data.draw(st.lists(NUMBERS, min_size=count, max_size=count)))

    gaps = data.draw(st.lists(st.floats(0.001, 300.0), min_size=count, max_size=count))
    seconds = array("d", [sum(gaps[: place + 1]) for place in range(count)])
    small = st.integers(0, 9)
    track = structs.replace(
        base,
        head=structs.replace(base.head, warning_celsius=data.draw(st.one_of(st.none(), st.floats(-300.0, 70000.0)))),
        seconds=seconds,
        celsius=column(),
        hottest=column(),
        read_mbps=column(),
        write_mbps=column(),
        busy=column(),
        written_bytes=column(),
        links=tuple(data.draw(st.lists(st.tuples(st.floats(0.0, 900.0), small, small), max_size=4))),
        errors=tuple(data.draw(st.lists(st.tuples(st.floats(0.0, 900.0), small), max_size=4))),
        counters=tuple(
            data.draw(st.lists(st.tuples(st.floats(0.0, 900.0), st.builds(Counters, *[small] * 6)), max_size=4))
        ),
    )
    made = structs.replace(soak(cool(plan=())), tracks=(track,))
    found = one(made)
    for phase in found.phases:
        assert 0.0 <= phase.start < phase.end <= seconds[-1]
    for fall in found.falls:
        assert fall.start < fall.end <= seconds[-1]
        assert fall.words
    assert found.throttling.words
    assert found.cooling.words
    assert found.forecast.words
    if found.limit is None:
        assert found.forecast.margin is None
