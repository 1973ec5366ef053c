"""A soak as rows for other programs: csv for spreadsheets, jsonl (one JSON object a line) for everything else.

Rows come in order of time, drives in the order of the soak. Names come from the machine and may be hostile: in csv no
cell can begin a formula, and neither form holds a character that acts on a terminal.
"""

from __future__ import annotations

from bisect import bisect_right
from heapq import merge
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from probes.samples import Soak, Track

Value = str | float | int | None

# Column: what it holds, with its unit. `kind` says which rows fill the others.
COLUMNS: Final = {
    "seconds": "time since the start of the soak, s",
    "kind": "drive: a sample of a drive; other: a temperature beside the drives' own; event: something that happened",
    "name": "the drive, the sensor, or for an event the drive that it concerns",
    "celsius": "temperature, degrees Celsius; of a drive its first sensor",
    "hottest_celsius": "the greatest of all temperatures of the drive, degrees Celsius",
    "read_mbps": "rate of reading since the sample before, MB/s (10^6 bytes per second)",
    "write_mbps": "rate of writing since the sample before, MB/s",
    "busy_share": "share of that time with a request under way, 0 to 1",
    "written_bytes": "bytes written since the first sample",
    "link_generation": "speed of the drive's link as its generation, 1 to 7",
    "link_lanes": "lanes of the drive's link",
    "link_errors": "error count of the drive's link",
    "warning_minutes": "drive's own count: minutes at or above its warning temperature; where it was asked for",
    "critical_minutes": "drive's own count: minutes above its critical temperature",
    "light_count": "drive's own count: times it began to slow itself lightly",
    "heavy_count": "drive's own count: times it began to slow itself heavily",
    "light_seconds": "drive's own count: seconds slowed lightly",
    "heavy_seconds": "drive's own count: seconds slowed heavily",
    "event": "kind of event: link, errors, vanished, returned, limit, clock or command",
    "words": "the event in words",
}
_COUNTERS: Final = (
    *("warning_minutes", "critical_minutes", "light_count"),
    *("heavy_count", "light_seconds", "heavy_seconds"),
)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")  # what spreadsheets take for a formula or command


def csv_rows(soak: Soak) -> Iterator[str]:
    """The soak as csv (RFC 4180), a line a row, its end included; the first line names the columns."""
    import csv

    echo = csv.writer(_Echo())
    yield str(echo.writerow(COLUMNS))
    for row in _rows(soak):
        yield str(echo.writerow([_cell(row.get(column)) for column in COLUMNS]))


def jsonl_rows(soak: Soak) -> Iterator[str]:
    """The soak as JSON objects, one a line, its end included; the first is the head of the soak, the last its end.

    Keys are those of the csv's columns; what is not known is null, and what a row does not have is left out. All text
    is ASCII with escapes.
    """
    from json import dumps

    from msgspec import to_builtins

    head = to_builtins(soak.head)
    yield dumps({"kind": "head", "format": "lanewright-soak", "version": 1, **head}) + "\n"
    for row in _rows(soak):
        yield dumps(row) + "\n"
    if soak.end is not None:
        yield dumps({"kind": "end", **to_builtins(soak.end)}) + "\n"


class _Echo:
    """What the csv writer writes to: it hands each line back."""

    @staticmethod
    def write(line: str) -> str:
        """The line."""
        return line


def _cell(value: Value) -> Value:
    """A cell that no spreadsheet takes for a formula and no terminal for a command; numbers stay numbers."""
    if not isinstance(value, str):
        return value
    if not value.isprintable():
        value = "".join(letter if letter.isprintable() else _escape(letter) for letter in value)
    return f"'{value}" if value.lstrip().startswith(_FORMULA) else value


def _escape(letter: str) -> str:
    return letter.encode("unicode_escape").decode("ascii")


def _rows(soak: Soak) -> Iterator[dict[str, Value]]:
    """All rows in order of time; of rows at the same time drives come first, then others, then events."""
    streams = [_drive_rows(place, track) for place, track in enumerate(soak.tracks)]
    if soak.tracks:
        streams += [
            _other_rows(len(soak.tracks) + place, name, soak.tracks[0].seconds, values)
            for place, (name, values) in enumerate(soak.others)
        ]
    streams.append(_event_rows(len(streams), soak))
    for _, _, row in merge(*streams, key=_order):
        yield row


_Placed = tuple[float, int, dict[str, Value]]


def _order(placed: _Placed) -> tuple[float, int]:
    return placed[:2]


def _drive_rows(place: int, track: Track) -> Iterator[_Placed]:
    """The samples of one drive; link and errors as they were at that time, counters where they were asked for."""
    link_times = [when for when, _, _ in track.links]
    error_times = [when for when, _ in track.errors]
    counters = dict(track.counters)
    columns = (track.celsius, track.hottest, track.read_mbps, track.write_mbps, track.busy)
    for at, seconds in enumerate(track.seconds):
        celsius, hottest, read, write, busy = (_number(column[at]) for column in columns)
        written = track.written_bytes[at]
        link = bisect_right(link_times, seconds) - 1
        _, generation, lanes = track.links[link] if link >= 0 else (0.0, *(track.head.link or (None, None)))
        errors = bisect_right(error_times, seconds) - 1
        row: dict[str, Value] = {
            "seconds": round(seconds, 3),
            "kind": "drive",
            "name": track.head.name,
            "celsius": celsius,
            "hottest_celsius": hottest,
            "read_mbps": read,
            "write_mbps": write,
            "busy_share": busy,
            "written_bytes": int(written) if abs(written) < float("inf") else None,
            "link_generation": generation,
            "link_lanes": lanes,
            "link_errors": track.errors[errors][1] if errors >= 0 else None,
        }
        asked = counters.get(seconds)
        if asked is not None:
            row.update((name, getattr(asked, name)) for name in _COUNTERS)
        yield seconds, place, row


def _other_rows(place: int, name: str, times: Sequence[float], values: Sequence[float]) -> Iterator[_Placed]:
    """A temperature beside the drives' own."""
    for seconds, value in zip(times, values, strict=False):
        yield seconds, place, {"seconds": round(seconds, 3), "kind": "other", "name": name, "celsius": _number(value)}


def _event_rows(place: int, soak: Soak) -> Iterator[_Placed]:
    for event in sorted(soak.events, key=lambda event: event.seconds):
        row: dict[str, Value] = {
            "seconds": round(event.seconds, 3),
            "kind": "event",
            "name": event.drive,
            "event": event.kind,
            "words": event.words,
        }
        yield event.seconds, place, row


def _number(value: float) -> float | None:
    """A number to three places; None for nan and what JSON has no number for."""
    return round(value, 3) if abs(value) < float("inf") else None
