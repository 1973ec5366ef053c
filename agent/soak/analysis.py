"""A soak to its analysis: what each drive went through, whether it slowed itself down, where its temperature goes.

Works on finished, running and interrupted soaks alike, with as much as there is. Reads nothing and takes no time.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.model.findings import Severity
from agent.soak import links, missed, wording
from agent.soak.analysed import Analysis, Cooling, DriveAnalysis, Forecast, Other, TimeSpan
from agent.soak.cooling import COMFORT_KELVIN, STEPS, Case, cooling
from agent.soak.cost import cost
from agent.soak.falls import falls
from agent.soak.headline import stays_away
from agent.soak.heat import heat, observed
from agent.soak.neighbours import hottest_neighbour
from agent.soak.phases import counting, phases
from agent.soak.remedy import with_remedies
from agent.soak.series import (
    COLDEST,
    HOTTEST,
    blocks,
    count_known,
    gaps,
    limit_of,
    load,
    series,
    temperatures,
)
from agent.soak.silent import unread
from agent.soak.throttling import by_count, throttling
from probes.samples import CRITICAL_LIMIT, RATES, TEMPERATURE, WARNING_LIMIT

if TYPE_CHECKING:
    from array import array
    from collections.abc import Sequence

    from agent.soak.analysed import DriveTemperatures, Limit, Missing
    from agent.soak.neighbours import Neighbour
    from agent.soak.series import Blocks, Series
    from probes.samples import Event, Soak, Track

SHORTEST_INTERVAL: Final = 0.05  # seconds; a head may claim anything

__all__ = ["Analysis", "analyse"]


class _Seen(Struct, frozen=True):
    """A drive with all but the verdict on its cooling, which looks at its neighbours too; `cells` are its blocks."""

    drive: DriveAnalysis
    cells: Blocks
    last: float
    count: int


def analyse(soak: Soak) -> Analysis:
    """All that a soak tells."""
    every = soak.head.every if soak.head.every >= SHORTEST_INTERVAL else 1.0
    seen = [_drive(soak, track, every) for track in soak.tracks]
    beside = missed.of_others(soak)
    last = max((sighting.last for sighting in seen), default=soak.seconds)
    return Analysis(
        source=soak.source,
        head=soak.head,
        end=soak.end,
        seconds=max(last, soak.end.seconds) if soak.end is not None else last,
        samples=max((sighting.count for sighting in seen), default=soak.samples),
        drives=tuple(_cooled(soak, place, seen) for place in range(len(seen))),
        others=tuple(other for name, values in soak.others if (other := _other(name, values)) is not None),
        events=soak.events,
        notes=tuple(_notes(soak, seen, beside)),
        missing=beside,
    )


def _drive(soak: Soak, track: Track, every: float) -> _Seen:
    """One drive by itself."""
    of = series(track, every)
    cells = blocks(of)
    head = track.head
    changes, bursts = links.changes(of, track.links), links.bursts(of, track.errors)
    worse = [(change.seconds, change.seconds) for change in changes if change.severity is Severity.FAULT]
    worse += [(burst.start, burst.end) for burst in bursts]
    found = heat(of, cells, track, worse)
    limit = observed(limit_of(head), found)
    warmth, work = temperatures(of, track, limit), load(of)
    slow = by_count(falls(of, cells, limit, worse, found), track.counters)
    parts = phases(of, cells, limit, slow)
    last = of.seconds[-1] if of.seconds else 0.0
    missing = missed.of_drive(track, every)
    drive = DriveAnalysis(
        head=head,
        limit=limit,
        samples=count_known(of.celsius),
        temperatures=warmth,
        load=work,
        throttling=throttling(track.counters, slow, work, warmth, limit, missing, found),
        falls=slow,
        link_changes=changes,
        error_bursts=bursts,
        errors=links.counted(track.errors),
        phases=parts,
        forecast=_doubted(counting(parts, running=soak.end is None), missing),
        cooling=Cooling("unknown", ""),
        gaps=gaps(of),
        lost=_lost(head.name, soak.events, last, unread(of)),
        notes=tuple(_drive_notes(track, of, warmth, limit, {part.what for part in missing})),
        missing=missing,
        loop=found if found is not None and (found.sure or found.open) else None,
        cost=cost(of, slow, found),
    )
    return _Seen(drive, cells, last, len(of.seconds))


def _doubted(forecast: Forecast, missing: Sequence[Missing]) -> Forecast:
    """A forecast; none that is good where the drive may have been hotter than anybody saw."""
    blind = missed.weighing(missing, frozenset({TEMPERATURE}))
    if blind and forecast.kind in {"settles", "steady"}:
        return Forecast(kind="none", words=f"no forecast: {missed.phrase(blind)}; what was read {forecast.words}")
    limits = missed.weighing(missing, missed.LIMITS)
    if limits and forecast.kind in {"settles", "steady"}:
        return structs.replace(forecast, words=f"{forecast.words}; {missed.phrase(limits)}")
    return forecast


def _cooled(soak: Soak, place: int, seen: Sequence[_Seen]) -> DriveAnalysis:
    """The drive with the verdict on its cooling."""
    drive, cells = seen[place].drive, seen[place].cells
    away = drive.lost[-1].start if stays_away(drive, seen[place].last) else None
    case = Case(
        name=drive.head.name,
        limit=drive.limit,
        temperatures=drive.temperatures,
        load=drive.load,
        throttling=drive.throttling,
        phases=drive.phases,
        forecast=drive.forecast,
        neighbour=_neighbour(place, seen),
        hottest_at_rest=_hottest_at_rest(cells, drive.temperatures),
        finished=soak.end is not None and soak.end.reason == "command",
        away=away,
        missing=drive.missing,
    )
    verdict = cooling(case)
    verdict = structs.replace(verdict, steps=with_remedies(drive, verdict.steps, STEPS))
    judged = drive.throttling
    if away is not None:
        text = f"{judged.words}; from {wording.moment(away)} on it was gone, and nothing is known of it"
        judged = structs.replace(judged, words=text)
    return structs.replace(drive, cooling=verdict, throttling=judged)


def _neighbour(place: int, seen: Sequence[_Seen]) -> Neighbour | None:
    """A neighbour that may heat this drive, asked for only where the drive is warm enough for it to matter."""
    drive = seen[place].drive
    warmth, limit = drive.temperatures, drive.limit
    if warmth is None or limit is None or warmth.most < limit.celsius - COMFORT_KELVIN:
        return None
    others = [(__seen.drive.head.name, __seen.cells) for at, __seen in enumerate(seen) if at != place]
    return hottest_neighbour(seen[place].cells, others)


def _hottest_at_rest(cells: Blocks, warmth: DriveTemperatures | None) -> bool:
    """Whether the drive had no load at its hottest moment, nor in the minutes before it."""
    if warmth is None:
        return False
    place = min(bisect_left(cells.end, warmth.most_at), len(cells.end) - 1)
    before = range(max(0, place - 30), place + 1)
    known = [at for at in before if cells.rate[at] == cells.rate[at]]
    return bool(known) and not any(cells.loaded(at) for at in known)


def _lost(name: str, events: Sequence[Event], last: float, silent: Sequence[TimeSpan]) -> tuple[TimeSpan, ...]:
    """Times between a "vanished" and a "returned" of that drive; one that stayed away is lost to the last sample.

    `silent` are times in which nothing could be read from it; those that no event explains are lost as well.
    """
    found: list[TimeSpan] = []
    gone: float | None = None
    for event in events:
        if event.drive != name:
            continue
        if event.kind == "vanished" and gone is None:
            gone = event.seconds
        elif event.kind == "returned" and gone is not None:
            found.append(TimeSpan(gone, event.seconds))
            gone = None
    if gone is not None:
        found.append(TimeSpan(gone, max(gone, last)))
    told = tuple(found)
    found += [
        time_span
        for time_span in silent
        if not any(time_span.start <= span.end and span.start <= time_span.end for span in told)
    ]
    return tuple(sorted(found, key=lambda span: span.start))


def _other(name: str, values: array[float]) -> Other | None:
    known = [value for value in values if COLDEST < value < HOTTEST]
    return Other(name, min(known), max(known), sum(known) / len(known)) if known else None


def _drive_notes(
    track: Track, of: Series, warmth: DriveTemperatures | None, limit: Limit | None, told: set[str]
) -> list[str]:
    """What the reader of a drive's figures should know of them; `told` is what is known to have failed, and why."""
    found = []
    count = len(of.seconds)
    if not count:
        found.append("no sample of this drive was taken")
    elif count == 1:
        found.append("one sample only: too few for rates")
    dropped = len(track.seconds) - count
    if dropped:
        found.append(f"{dropped} samples were out of order in time and are left out")
    rubbish = 0 if dropped else count_known(track.celsius) - count_known(of.celsius)
    if rubbish:
        found.append(f"{rubbish} readings were no possible temperature and are left out")
    if count and warmth is None and TEMPERATURE not in told:
        found.append("its temperature could not be read")
    blind = sum(span.seconds for span in unread(of, rates=False))
    if warmth is not None and blind and TEMPERATURE not in told:
        found.append(f"its temperature was not read for {wording.lasting(blind)} of the soak")
    if not track.head.blocks and RATES not in told:
        found.append("the system does not count the bytes that it reads and writes")
    if limit is None and not told.intersection({WARNING_LIMIT, CRITICAL_LIMIT}):
        found.append("it reports no warning and no critical temperature, so its margin is unknown")
    return found


def _notes(soak: Soak, seen: Sequence[_Seen], beside: Sequence[Missing]) -> list[str]:
    """What the reader of the whole should know of it; `beside` is what could not be read of the machine itself."""
    found = list(map(missed.said, beside))
    if not seen:
        found.append("the soak watched no drive")
    elif not any(__seen.count for __seen in seen):
        found.append("no sample was taken")
    if soak.end is None:
        found.append("the log has no end: the soak still runs, or it was cut off")
    jumps = sum(event.kind == "clock" for event in soak.events)
    if jumps:
        times = "once" if jumps == 1 else f"{jumps} times"
        found.append(f"the clock of the machine jumped {times}; the times given here do not")
    return found
