"""Whether a drive slowed itself down to stay cool: proved by its own counters, or inferred from rate and heat."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from msgspec import structs

from agent.model.findings import Evidence
from agent.soak import missed, wording
from agent.soak.analysed import Throttling, TimeSpan
from agent.soak.series import near_of
from knowledge.phrasing import mbps_fine
from probes.samples import COUNTERS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import DriveLoad, DriveTemperatures, Fall, Limit, Loop, Missing
    from probes.samples import Counters

# What each counter of the drive's health log (NVMe, log 02h) counts: words with the rise, and its name as evidence.
COUNTS: Final = {
    "light_count": ("began to slow itself lightly {}", "light thermal management, times"),
    "heavy_count": ("began to slow itself heavily {}", "heavy thermal management, times"),
    "light_seconds": ("slowed itself lightly for {}", "light thermal management, seconds"),
    "heavy_seconds": ("slowed itself heavily for {}", "heavy thermal management, seconds"),
    "warning_minutes": (
        "was at or above its warning temperature for {}",
        "minutes at or above the warning temperature",
    ),
    "critical_minutes": (
        "was at or above its critical temperature for {}",
        "minutes at or above the critical temperature",
    ),
}
BY_HEAT: Final = frozenset({"heat", "unclear"})  # falls that are, or may be, the drive's own doing to stay cool
MOST_READINGS: Final = 3  # falls that are told as readings
HALF_STEP: Final = 0.5  # K; sensors have steps of 1 K
UNMOVED: Final = "; its thermal counters did not move, as with drives that slow by a policy of their own"
SLOWING: Final = ("light_count", "heavy_count", "light_seconds", "heavy_seconds")


def throttling(
    counters: Sequence[tuple[float, Counters]],
    falls: Sequence[Fall],
    load: DriveLoad | None,
    temperatures: DriveTemperatures | None,
    limit: Limit | None,
    missing: Sequence[Missing] = (),
    loop: Loop | None = None,
) -> Throttling:
    """The verdict on a drive; `missing` is what could not be read of it, `loop` how it was seen to keep itself cool."""
    rises, spans = _rises(counters)
    uncounted = missed.weighing(missing, frozenset({COUNTERS}))
    if any(name in rises for name in SLOWING):
        return _proved(rises, spans, falls, uncounted)
    told = _by_falls(counters, falls, loop, uncounted)
    if told is None:
        told = _open(_quiet(counters, falls, load, temperatures, limit), load, missed.weighing(missing))
    return _warm(told, rises) if rises else told


def _by_falls(
    counters: Sequence[tuple[float, Counters]],
    falls: Sequence[Fall],
    loop: Loop | None,
    uncounted: Sequence[Missing],
) -> Throttling | None:
    """What the falls of its rate say; None where no fall may be of heat."""
    hot = [fall for fall in falls if fall.kind == "heat"]
    if hot:
        sure = loop if loop is not None and loop.sure else None
        text = f"its rate {hot[0].words}" if len(hot) == 1 else _many(hot)
        readings = tuple(_evidence(hot))
        if sure is not None:
            text, readings = _observed(sure), (*_of_loop(sure), *readings)
        return Throttling("inferred", text + _of_counters(counters, uncounted), readings, _spans(hot))
    maybe = [fall for fall in falls if fall.kind == "unclear"]
    if maybe:
        text = f"its rate {maybe[0].words}" + _of_counters(counters, uncounted)
        return Throttling("unclear", text, tuple(_evidence(maybe)), _spans(maybe))
    return None


def _warm(told: Throttling, rises: dict[str, int]) -> Throttling:
    """The verdict on a drive that counted time at its limits and none in which it slowed itself: hot, and no more."""
    words = told.words.removesuffix(UNMOVED).replace("its thermal counters did not move, and ", "")
    evidence = _readings(rises)
    return structs.replace(told, words=f"{words}; {_counted(rises)}", evidence=(*evidence, *told.evidence))


def _open(told: Throttling, load: DriveLoad | None, missing: Sequence[Missing]) -> Throttling:
    """A verdict of no sign, which does not stand where something could not be read that may have been one."""
    if not missing:
        return told
    text = f"{missed.phrase(missing)}, so there is no verdict"
    if told.kind == "none":
        text += "; what was read shows no sign of it"
    elif load is not None and load.seconds == 0.0:
        text += "; no load was seen"
    return Throttling("unknown", text)


def untold(told: Throttling, falls: Sequence[Fall]) -> Iterator[Fall]:
    """The falls that a verdict tells of neither in its words nor as readings; one that is inferred sums up all of them.

    Its words and its readings are of the first ones that meet its times.
    """
    left = len(falls) if told.kind == "inferred" else MOST_READINGS
    for fall in falls:
        if left and fall.kind in BY_HEAT and any(map(fall.meets, told.spans)):
            left -= 1
        else:
            yield fall


def by_count(falls: Sequence[Fall], counters: Sequence[tuple[float, Counters]]) -> tuple[Fall, ...]:
    """The falls, with those laid to heat that nothing else explains and in which the drive's own count of slowing rose.

    A full cache and a link are causes of their own: what a drive counts in the same minute does not undo them.
    """
    spans = _slowing(counters)
    return tuple(
        structs.replace(fall, kind="heat", words=_counted_words(fall))
        if fall.kind in {"other", "unclear"} and any(map(fall.meets, spans))
        else fall
        for fall in falls
    )


def _slowing(counters: Sequence[tuple[float, Counters]]) -> list[TimeSpan]:
    """Times between two readings of the counters in which one of slowing rose."""
    return [
        TimeSpan(begin, end)
        for (begin, before), (end, after) in pairwise(counters)
        if min(now - then for then, now in zip(structs.astuple(before), structs.astuple(after), strict=True)) >= 0
        and any(getattr(after, name) > getattr(before, name) for name in SLOWING)
    ]


def _counted_words(fall: Fall) -> str:
    """The words of a fall whose cause its drive counted, without any that say it is not known."""
    words = fall.words
    for doubt in (
        ";",
        ", always at",
        ", and did not come back although",
        f", after {wording.amount(fall.written_bytes)}",
    ):
        words = words.partition(doubt)[0]
    at = "" if fall.celsius is None else f" at about {wording.celsius(fall.celsius)}"
    often = "" if fall.times == 1 else f", at least {fall.times} times"
    return f"{words}{often}, where it slowed itself down{at} by its own count"


def _rises(counters: Sequence[tuple[float, Counters]]) -> tuple[dict[str, int], list[TimeSpan]]:
    """By how much each counter rose during the soak, and between which readings.

    A reading in which any of them fell is of another drive, or of one that was reset: nothing is taken from it.
    """
    rises: dict[str, int] = {}
    spans: list[TimeSpan] = []
    for (begin, before), (end, after) in pairwise(counters):
        if before == after:
            continue
        apart = [now - then for then, now in zip(structs.astuple(before), structs.astuple(after), strict=True)]
        if min(apart) < 0:
            continue
        for name, rise in zip(before.__struct_fields__, apart, strict=True):
            if rise:
                rises[name] = rises.get(name, 0) + rise
        if spans and spans[-1].end == begin:
            spans[-1] = TimeSpan(spans[-1].start, end)
        else:
            spans.append(TimeSpan(begin, end))
    return rises, spans


def _proved(
    rises: dict[str, int], spans: Sequence[TimeSpan], falls: Sequence[Fall], uncounted: Sequence[Missing]
) -> Throttling:
    """By the drive's own counters, with the fall of the rate that goes with it, if one was seen."""
    text = _counted(rises)
    seen = [fall for fall in falls if fall.kind in BY_HEAT and any(map(fall.meets, spans))]
    if seen:
        text += f"; its rate {seen[0].words}"
    if uncounted:
        text += f"; {missed.phrase(uncounted)}, so it may be more"
    return Throttling("proved", text, (*_readings(rises), *_evidence(seen)), tuple(spans))


def _counted(rises: dict[str, int]) -> str:
    """What a drive counted, in one sentence."""
    parts = [text.format(_rise(name, rises[name])) for name, (text, _) in COUNTS.items() if name in rises]
    return "by its own count it " + (", ".join(parts[:-1]) + " and " if parts[1:] else "") + parts[-1]


def _readings(rises: dict[str, int]) -> Iterator[Evidence]:
    """The same as readings."""
    return (Evidence(name, f"{rises[key]} more", "no more") for key, (_, name) in COUNTS.items() if key in rises)


def _rise(name: str, rise: int) -> str:
    if name.endswith("_count"):
        return "once" if rise == 1 else f"{rise} times"
    return wording.lasting(rise * (60.0 if name.endswith("_minutes") else 1.0)) if name.endswith("s") else str(rise)


def _observed(loop: Loop) -> str:
    """A loop in one sentence."""
    at = wording.celsius(loop.onset) + (" at its hottest sensor" if loop.hottest else "")
    rates = f"from {mbps_fine(loop.before_mbps)} to {mbps_fine(loop.during_mbps)}"
    text = f"it slows itself at about {at} (observed): "
    if loop.held:
        return f"{text}there, and not while it was cooler, its rate gave way {rates}, so that it grew no hotter"
    times = "once" if loop.times == 1 else f"{loop.times} times"
    text += f"its rate fell {times}, {rates}, always at that temperature and not while it was cooler"
    if loop.back is not None:
        text += f", and came back as it had cooled to about {wording.celsius(loop.back)}"
    return text


def _of_loop(loop: Loop) -> Iterator[Evidence]:
    """A loop as readings."""
    error = f"give or take {max(HALF_STEP, loop.scatter):.1f} C"
    where = "temperature at which it was held" if loop.held else f"temperature of {loop.times} falls of its rate"
    yield Evidence(where, f"{loop.onset:.1f} C, {error}", "various temperatures, if heat were not the cause")
    if loop.back is not None:
        yield Evidence(
            f"temperature of {loop.returns} returns",
            f"{loop.back:.1f} C",
            "various temperatures, if heat were not the cause",
        )


def _many(falls: Sequence[Fall]) -> str:
    """Several falls in one sentence."""
    low, high = min(fall.celsius or 0.0 for fall in falls), max(fall.celsius or 0.0 for fall in falls)
    where = wording.celsius(high) if round(low) == round(high) else f"{low:.0f} to {wording.celsius(high)}"
    times = sum(fall.times for fall in falls)
    before = max(fall.before_mbps for fall in falls)
    during = min(fall.during_mbps for fall in falls)
    back = (
        "and came back as it cooled" if all(fall.recovered for fall in falls) else "and mostly came back as it cooled"
    )
    back = back if any(fall.recovered for fall in falls) else "and did not come back under load"
    rates = f"from {mbps_fine(before)} to as little as {mbps_fine(during)}"
    return f"its rate fell at least {times} times at {where}, {rates}, {back}"


def _of_counters(counters: Sequence[tuple[float, Counters]], uncounted: Sequence[Missing]) -> str:
    """What the drive's own counters say where they say nothing of it."""
    if uncounted:
        return f"; {missed.phrase(uncounted)}, so this is not proved"
    if len(counters) > 1:
        return UNMOVED
    return "; its thermal counters were not read, so this is not proved"


def _evidence(falls: Sequence[Fall]) -> Iterator[Evidence]:
    """The first few falls as readings."""
    for fall in falls[:MOST_READINGS]:
        at = "" if fall.celsius is None else f" at {wording.celsius(fall.celsius)}"
        source = f"rate from {wording.moment(fall.start)} to {wording.moment(fall.end)}"
        yield Evidence(source, f"{mbps_fine(fall.during_mbps)}{at}", mbps_fine(fall.before_mbps))


def _spans(falls: Sequence[Fall]) -> tuple[TimeSpan, ...]:
    return tuple(TimeSpan(fall.start, fall.end) for fall in falls)


def _quiet(
    counters: Sequence[tuple[float, Counters]],
    falls: Sequence[Fall],
    load: DriveLoad | None,
    temperatures: DriveTemperatures | None,
    limit: Limit | None,
) -> Throttling:
    """No sign of it, or nothing to tell it by."""
    counted = len(counters) > 1
    if load is not None and load.seconds == 0.0:
        return Throttling("unknown", "the drive had no load, so this soak shows nothing of throttling")
    if counted:
        return Throttling("none", "no sign of it: its thermal counters did not move" + _rate_words(load))
    if load is None:
        return Throttling("unknown", "its rate is not known, and its thermal counters were not read")
    if temperatures is None:
        return Throttling("unknown", "neither its temperature nor its thermal counters were read")
    if limit is None:
        rate = "its rate fell, but not because of heat" if falls else "its rate held"
        text = f"no sign of it: {rate}; its limit and its thermal counters could not be read"
        return Throttling("none", text, counted=False)
    if temperatures.most >= limit.celsius - near_of(limit):
        rate = f"close to {wording.limit(limit)} its rate fell only with its load"
    else:
        rate = f"at its hottest it was {wording.below(temperatures.most, limit)}"
    return Throttling("none", f"no sign of it: {rate}; its thermal counters were not read", counted=False)


def _rate_words(load: DriveLoad | None) -> str:
    return "" if load is None else ", and heat did not lower its rate"
