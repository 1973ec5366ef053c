"""A soak to its analysis: what each drive went through, whether it slowed itself down, where its temperature goes.

Works on finished, running and interrupted soaks alike, with as much as there is. Reads nothing and takes no time.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.soak import links
from agent.soak.analysed import Analysis, DriveAnalysis, Other, Span
from agent.soak.cooling import COMFORT_KELVIN, Case, cooling
from agent.soak.falls import falls
from agent.soak.neighbours import hottest_neighbour
from agent.soak.phases import counting, phases
from agent.soak.series import COLDEST, HOTTEST, blocks, gaps, limit_of, load, plausible, series, temperatures
from agent.soak.throttling import throttling

if TYPE_CHECKING:
    from array import array
    from collections.abc import Sequence

    from agent.soak.analysed import Limit, Temperatures
    from agent.soak.neighbours import Neighbour
    from agent.soak.series import Blocks, Series
    from probes.samples import Event, Soak, Track

SHORTEST_INTERVAL: Final = 0.05  # seconds; a head may claim anything

__all__ = ["Analysis", "analyse"]


class _Prepared(Struct, frozen=True):
    """A track with its series and blocks, made once and used by its neighbours as well."""

    track: Track
    of: Series
    cells: Blocks


def analyse(soak: Soak) -> Analysis:
    """All that a soak tells."""
    every = soak.head.every if soak.head.every >= SHORTEST_INTERVAL else 1.0
    prepared = []
    for track in soak.tracks:
        of = series(track, every)
        prepared.append(_Prepared(track, of, blocks(of)))
    drives = tuple(_drive(soak, place, prepared) for place in range(len(prepared)))
    last = max((one.of.seconds[-1] for one in prepared if len(one.of.seconds)), default=0.0)
    return Analysis(
        source=soak.source,
        head=soak.head,
        end=soak.end,
        seconds=max(last, soak.end.seconds) if soak.end is not None else last,
        samples=max((len(one.of.seconds) for one in prepared), default=0),
        drives=drives,
        others=tuple(other for name, values in soak.others if (other := _other(name, values)) is not None),
        events=soak.events,
        notes=tuple(_notes(soak, prepared)),
    )


def _drive(soak: Soak, place: int, prepared: Sequence[_Prepared]) -> DriveAnalysis:
    """One drive."""
    one = prepared[place]
    track, of, cells = one.track, one.of, one.cells
    head = track.head
    limit = limit_of(head)
    warmth, work = temperatures(of, track, limit), load(of)
    limits = [
        value for value in (head.warning_celsius, head.critical_celsius) if value is not None and plausible(value)
    ]
    slow = falls(cells, limits, limit)
    slowed = throttling(track.counters, slow, work, warmth, limit)
    parts = phases(of, cells, limit, slow)
    forecast = counting(parts, running=soak.end is None)
    case = Case(
        name=head.name,
        limit=limit,
        temperatures=warmth,
        load=work,
        throttling=slowed,
        phases=parts,
        forecast=forecast,
        neighbour=_neighbour(place, prepared, warmth, limit),
        hottest_at_rest=_hottest_at_rest(one, warmth),
        finished=soak.end is not None and soak.end.reason == "command",
    )
    return DriveAnalysis(
        head=head,
        limit=limit,
        samples=sum(map(float.__eq__, of.celsius, of.celsius)),
        temperatures=warmth,
        load=work,
        throttling=slowed,
        falls=slow,
        link_changes=links.changes(of, track.links),
        error_bursts=links.bursts(of, track.errors),
        errors=links.counted(track.errors),
        phases=parts,
        forecast=forecast,
        cooling=cooling(case),
        gaps=gaps(of),
        lost=_lost(head.name, soak.events, of),
        notes=tuple(_drive_notes(one, warmth, limit)),
    )


def _neighbour(
    place: int, prepared: Sequence[_Prepared], warmth: Temperatures | None, limit: Limit | None
) -> Neighbour | None:
    """A neighbour that may heat this drive, asked for only where the drive is warm enough for it to matter."""
    if warmth is None or limit is None or warmth.most < limit.celsius - COMFORT_KELVIN:
        return None
    others = [(one.track.head.name, one.cells) for at, one in enumerate(prepared) if at != place]
    return hottest_neighbour(prepared[place].cells, others)


def _hottest_at_rest(one: _Prepared, warmth: Temperatures | None) -> bool:
    """Whether the drive had no load at its hottest moment, nor in the minutes before it."""
    if warmth is None:
        return False
    cells = one.cells
    place = min(bisect_left(cells.end, warmth.most_at), len(cells.end) - 1)
    before = range(max(0, place - 30), place + 1)
    known = [at for at in before if cells.rate[at] == cells.rate[at]]
    return bool(known) and not any(cells.loaded(at) for at in known)


def _lost(name: str, events: Sequence[Event], of: Series) -> tuple[Span, ...]:
    """Times between a "vanished" and a "returned" of that drive; one that stayed away is lost to the last sample."""
    found: list[Span] = []
    gone: float | None = None
    for event in events:
        if event.drive != name:
            continue
        if event.kind == "vanished" and gone is None:
            gone = event.seconds
        elif event.kind == "returned" and gone is not None:
            found.append(Span(gone, event.seconds))
            gone = None
    if gone is not None:
        found.append(Span(gone, max(gone, of.seconds[-1] if len(of.seconds) else gone)))
    return tuple(found)


def _other(name: str, values: array[float]) -> Other | None:
    known = [value for value in values if COLDEST < value < HOTTEST]
    return Other(name, min(known), max(known), sum(known) / len(known)) if known else None


def _drive_notes(one: _Prepared, warmth: Temperatures | None, limit: Limit | None) -> list[str]:
    """What the reader of a drive's figures should know of them."""
    found = []
    count = len(one.of.seconds)
    if not count:
        found.append("no sample of this drive was taken")
    elif count == 1:
        found.append("one sample only: no rate and nothing over time can be told")
    dropped = len(one.track.seconds) - count
    if dropped:
        found.append(f"{dropped} samples were out of order in time and are left out")
    rubbish = sum(1 for value in one.track.celsius if not COLDEST < value < HOTTEST and value == value)  # noqa: PLR0124
    if rubbish:
        found.append(f"{rubbish} readings were no temperature that a drive can have and are left out")
    if count and warmth is None:
        found.append("its temperature could not be read")
    if limit is None:
        found.append("it tells no warning and no critical temperature, so no margin is given")
    return found


def _notes(soak: Soak, prepared: Sequence[_Prepared]) -> list[str]:
    """What the reader of the whole should know of it."""
    found = []
    if not prepared:
        found.append("the soak watched no drive")
    elif not any(len(one.of.seconds) for one in prepared):
        found.append("no sample was taken")
    if soak.end is None:
        found.append("the log has no end: the soak still runs, or it was cut off")
    jumps = sum(event.kind == "clock" for event in soak.events)
    if jumps:
        times = "once" if jumps == 1 else f"{jumps} times"
        found.append(f"the clock of the machine jumped {times}; the times given here are of one that does not")
    return found
