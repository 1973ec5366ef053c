"""A soak as rows for other programs: csv for spreadsheets, jsonl (one JSON object a line) for everything else.

Rows come in order of time, drives in the order of the soak. Names come from the machine and may be hostile: in csv no
cell can begin a formula, and neither form holds a character that acts on a terminal.
"""

from __future__ import annotations

from heapq import merge
from math import inf
from typing import TYPE_CHECKING, Final

from msgspec.structs import astuple

from agent.soak.daytime import Daytime
from knowledge.phrasing import cell
from probes.samples import ERRORS, LINK, Missed, other

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from probes.samples import Event, Soak, Track

Value = str | float | int | None
_Row = tuple[float, int, tuple[Value, ...]]  # seconds, place among the streams, values of the first columns

# Column: what it holds, with its unit. `kind` says which rows fill the others.
COLUMNS: Final = {
    "seconds": "time since the start of the soak, s",
    "time": "time of day, UTC, ISO 8601; none in a log of the first releases",
    "kind": "drive: a sample of a drive; other: a temperature beside the drives' own; event: something that happened",
    "name": "the drive, the sensor, or for an event the drive that it concerns",
    "celsius": "temperature, degrees Celsius; of a drive its first sensor",
    "hottest_celsius": "the greatest of all temperatures of the drive, degrees Celsius",
    "read_mbps": "rate of reading since the last sample, MB/s (10^6 bytes per second)",
    "write_mbps": "rate of writing since the last sample, MB/s",
    "busy_share": "share of that time with a request under way, 0 to 1",
    "written_bytes": "bytes written since the first sample",
    "link_generation": "speed of the drive's link as its generation, 1 to 7",
    "link_lanes": "lanes of the drive's link",
    "link_errors": "error count of the drive's link",
    "warning_minutes": "drive's own count: minutes at or above its warning temperature; where it was asked for",
    "critical_minutes": "drive's own count: minutes at or above its critical temperature",
    "light_count": "drive's own count: times it began to slow itself lightly",
    "heavy_count": "drive's own count: times it began to slow itself heavily",
    "light_seconds": "drive's own count: seconds slowed lightly",
    "heavy_seconds": "drive's own count: seconds slowed heavily",
    "event": "kind of event: link, errors, vanished, returned, limit, clock, command, log or unread",
    "words": "the event in words",
    "unread": "what could not be read at that time, and why; several are parted by semicolons",
}
_NAMES: Final = tuple(COLUMNS)
_EVENT: Final = _NAMES.index("event")
_UNREAD: Final = _NAMES.index("unread")
# Columns that each row of a kind has, also where there is nothing in them.
_OWN: Final = {
    "drive": _NAMES[: _NAMES.index("warning_minutes")],
    "other": _NAMES[: _NAMES.index("hottest_celsius")],
    "event": _NAMES[: _NAMES.index("celsius")],
}


def csv_rows(soak: Soak) -> Iterator[str]:
    """The soak as csv (RFC 4180), a line a row, its end included; the first line names the columns."""
    from knowledge.csv_lines import csv_lines

    empty = (None,) * len(_NAMES)
    return csv_lines(_NAMES, (values + empty[len(values) :] for _, _, values in _rows(soak, cell)))


def jsonl_rows(soak: Soak) -> Iterator[str]:
    """The soak as JSON objects, one a line, its end included; the first is the head of the soak, the last its end.

    Keys are those of the csv's columns; what is not known is null, and what a row does not have is left out. All text
    is ASCII with escapes.
    """
    from json import dumps

    from msgspec import to_builtins

    head = to_builtins(soak.head)
    yield dumps({"kind": "head", "format": "lanewright-soak", "version": 1, **head}) + "\n"
    for _, _, values in _rows(soak, str):
        row = dict(zip(_NAMES, values, strict=False))
        own = _OWN[str(row["kind"])]
        if len(row) > len(own):
            row = {name: value for name, value in row.items() if value is not None or name in own}
        yield dumps(row) + "\n"
    if soak.end is not None:
        yield dumps({"kind": "end", **to_builtins(soak.end)}) + "\n"


def _rows(soak: Soak, text: Callable[[str], str]) -> Iterator[_Row]:
    """All rows in order of time; of rows at the same time drives come first, then others, then events.

    Values go with the first columns; those that are left out at the end are empty. `text` is done to all text.
    """
    day = Daytime(soak)
    streams = [_drive_rows(place, track, text, day) for place, track in enumerate(soak.tracks)]
    if soak.tracks:
        streams += [
            _other_rows(
                len(soak.tracks) + place,
                text(name),
                zip(soak.tracks[0].seconds, values, strict=False),
                _Reasons([missed for missed in soak.unread if missed.what == other(place)], text),
                day,
            )
            for place, (name, values) in enumerate(soak.others)
        ]
    streams.append(_event_rows(len(streams), soak.events, text, day))
    return merge(*streams)


def _drive_rows(place: int, track: Track, text: Callable[[str], str], day: Daytime) -> Iterator[_Row]:
    """The samples of one drive; link and errors as they were at that time, counters where they were asked for."""
    name = text(track.head.name)
    reasons = _Reasons((*_at_the_start(track), *track.unread), text)
    links = _Steps([(when, link) for when, *link in track.links], list(track.head.link or (None, None)))
    errors = _Steps([(when, [count]) for when, count in track.errors], [None])
    counters = dict(track.counters)
    columns = (track.celsius, track.hottest, track.read_mbps, track.write_mbps, track.busy, track.written_bytes)
    for seconds, celsius, hottest, read, write, busy, written in zip(track.seconds, *columns, strict=True):
        asked = counters.get(seconds)
        lost = reasons.at(seconds)
        unread = {missed.what for missed in lost}
        values = (
            *(round(seconds, 3), day.at(seconds), "drive", name, _number(celsius), _number(hottest)),
            *(_number(read), _number(write), _number(busy), int(written) if abs(written) < inf else None),
            *((None, None) if LINK in unread else links.at(seconds)),
            *((None,) if ERRORS in unread else errors.at(seconds)),
        )
        yield seconds, place, reasons.beside(values if asked is None else (*values, *astuple(asked)), lost)


def _at_the_start(track: Track) -> Iterator[Missed]:
    """What could not be looked up at the start, which was missing all the time; a link may have been read later."""
    for unread in track.head.unread:
        yield Missed(unread.what, unread.why, -inf, track.links[0][0] if unread.what == LINK and track.links else None)


class _Reasons:
    """Why something is missing, asked for at times that only rise."""

    def __init__(self, missed: Sequence[Missed], text: Callable[[str], str]) -> None:
        self._left = sorted(missed, key=lambda gap: gap.start)
        self._next = 0
        self._now: list[Missed] = []
        self._text = text

    def at(self, seconds: float) -> list[Missed]:
        """What could not be read at that time."""
        while self._next < len(self._left) and self._left[self._next].start <= seconds:
            self._now.append(self._left[self._next])
            self._next += 1
        if self._now:
            self._now = [missed for missed in self._now if missed.end is None or missed.end > seconds]
        return self._now

    def beside(self, values: tuple[Value, ...], lost: Sequence[Missed]) -> tuple[Value, ...]:
        """The values of the first columns, with what could not be read in its own."""
        if not lost:
            return values
        words = self._text("; ".join(f"{missed.what}: {missed.why}" for missed in lost))
        return (*values, *(None,) * (_UNREAD - len(values)), words)


class _Steps:
    """A thing that changes now and then, asked for at times that only rise."""

    def __init__(self, changes: Sequence[tuple[float, list[int]]], before: Sequence[int | None]) -> None:
        self._changes = sorted(changes, key=lambda change: change[0])
        self._next = 0
        self._now: Sequence[int | None] = before

    def at(self, seconds: float) -> Sequence[int | None]:
        """What it was at that time."""
        while self._next < len(self._changes) and self._changes[self._next][0] <= seconds:
            self._now = self._changes[self._next][1]
            self._next += 1
        return self._now


def _other_rows(
    place: int, name: str, values: Iterable[tuple[float, float]], reasons: _Reasons, day: Daytime
) -> Iterator[_Row]:
    """A temperature beside the drives' own, by its times."""
    for seconds, value in values:
        row = (round(seconds, 3), day.at(seconds), "other", name, _number(value))
        yield seconds, place, reasons.beside(row, reasons.at(seconds))


def _event_rows(place: int, events: Sequence[Event], text: Callable[[str], str], day: Daytime) -> Iterator[_Row]:
    for event in sorted(events, key=lambda event: event.seconds):
        name = None if event.drive is None else text(event.drive)
        start = (round(event.seconds, 3), day.at(event.seconds), "event", name)
        yield event.seconds, place, (*start, *(None,) * (_EVENT - len(start)), text(event.kind), text(event.words))


def _number(value: float) -> float | None:
    """A number to three places; None for nan and what JSON has no number for."""
    return round(value, 3) if -inf < value < inf else None
