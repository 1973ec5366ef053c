"""What a soak is made of: its head, its samples, its events, and the same as one track a drive. Data only.

Times are seconds since the start of the soak by a clock that never jumps; temperatures are degrees Celsius; rates are
MB/s (10^6 bytes per second). A value is itself, `Unread` with the reason where it could not be read at that moment, or
None where there is none or it was not asked for; in arrays both are nan, and the reasons stand beside them as `Missed`.

What an `Unread` of a sample, a head or a `Missed` is about is one of these words: "temperature" (a drive's first
sensor), "sensor_2" to "sensor_9" (its further ones), "rates" (the counts of bytes and operations), "link", "errors" (of
the link), "counters" (the drive's own, of its heat), "warning limit", "critical limit", and "other_1" to "other_16"
(temperatures beside the drives' own). A head has sentences of its own for the machine as a whole.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, field

from probes.unread import Unread

if TYPE_CHECKING:
    from array import array

TEMPERATURE: Final = "temperature"
RATES: Final = "rates"
LINK: Final = "link"
ERRORS: Final = "errors"
COUNTERS: Final = "counters"
WARNING_LIMIT: Final = "warning limit"
CRITICAL_LIMIT: Final = "critical limit"


def sensor(place: int) -> str:
    """The word for a temperature of a drive, by its place among them."""
    return f"sensor_{place + 1}" if place else TEMPERATURE


def other(place: int) -> str:
    """The word for a temperature beside the drives' own, by its place among them."""
    return f"other_{place + 1}"


class Counters(Struct, frozen=True):
    """What a drive counts by itself of its heat (NVMe SMART / Health log 02h, offsets 192 to 228).

    Minutes at or above the warning and the critical temperature; transitions to light and heavy thermal management
    and the seconds spent in them.
    """

    warning_minutes: int
    critical_minutes: int
    light_count: int
    heavy_count: int
    light_seconds: int
    heavy_seconds: int


class DriveHead(Struct, frozen=True, kw_only=True):
    """A drive of a soak, as it was at the start. `sensors` are the labels of its temperatures, the composite first.

    `blocks` are the block devices under whose names the system counts its bytes, none where it does not. `link` is
    (generation, lanes) of its own link at the start, `ports` the addresses of the functions whose error counters are
    watched. `expected` is the range in MB/s that it should reach when read alone. `unread` is what could not be looked
    up at the start. `limits_from` says where limits that could not be read were known from, by the word for the limit.
    """

    name: str
    address: str | None
    model: str | None
    firmware: str | None
    serial: str | None
    sensors: tuple[str, ...]
    warning_celsius: float | None
    critical_celsius: float | None
    blocks: tuple[str, ...]
    link: tuple[int, int] | None
    ports: tuple[str, ...] = ()
    expected: tuple[float, float] | None = None
    unread: tuple[Unread, ...] = ()
    limits_from: dict[str, str] = field(default_factory=dict)


class Head(Struct, frozen=True, kw_only=True):
    """A soak as it was begun. `command` is what the user ran, () for none; `every` seconds lie between samples.

    `others` are temperatures beside the drives' own (processor, board), by name. `unread` is what could not be looked
    up of the machine: which drives or temperatures there are.
    """

    started_at: str
    agent: str
    platform: str
    machine: str | None
    every: float
    command: tuple[str, ...]
    drives: tuple[DriveHead, ...]
    others: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()


class DriveSample(Struct, frozen=True):
    """One drive at one moment. Counts of bytes, operations and busy milliseconds are since the start of the system.

    `celsius` goes with `DriveHead.sensors`. `link` is (generation, lanes). `errors` is the sum of the link's error
    counters. `counters` is asked for now and then only. The counts come from one table: where that cannot be read none
    of them can.
    """

    celsius: tuple[float | Unread | None, ...]
    read_bytes: int | Unread | None = None
    write_bytes: int | Unread | None = None
    reads: int | Unread | None = None
    writes: int | Unread | None = None
    busy_ms: int | Unread | None = None
    link: tuple[int, int] | Unread | None = None
    errors: int | Unread | None = None
    counters: Counters | Unread | None = None

    @property
    def unread(self) -> dict[str, Unread]:
        """What could not be read, by the word for it."""
        found = {sensor(place): value for place, value in enumerate(self.celsius) if isinstance(value, Unread)}
        counts = (self.read_bytes, self.write_bytes, self.reads, self.writes, self.busy_ms)
        lost = next((value for value in counts if isinstance(value, Unread)), None)
        rest = ((RATES, lost), (LINK, self.link), (ERRORS, self.errors), (COUNTERS, self.counters))
        return {**found, **{what: value for what, value in rest if isinstance(value, Unread)}}


class Moment(Struct, frozen=True):
    """All drives at one moment, in the order of the head. `late` is how many seconds after its time it was taken.

    `wall` is the time of day then: seconds since 1970 in UTC, None where it is not known.
    """

    seconds: float
    late: float
    drives: tuple[DriveSample, ...]
    others: tuple[float | Unread | None, ...] = ()
    wall: float | None = None


class Missed(Struct, frozen=True):
    """A time in which something could not be read, and why: from the first sample without it to the first with it.

    `end` is None where it was not read any more. `needs_root` is that of `Unread`.
    """

    what: str
    why: str
    start: float
    end: float | None
    needs_root: bool = False


class Event(Struct, frozen=True):
    """What happened.

    `kind` is "link", "errors", "vanished", "returned", "limit", "clock", "command", "log" or "unread". `drive` is the
    drive's name, None where it concerns none. "vanished" also stands for a drive that is there but does not answer,
    "log" for a log that cannot be written any more, "unread" for readings that begin to fail or are there again.
    """

    seconds: float
    kind: str
    drive: str | None
    words: str


class End(Struct, frozen=True):
    """How a soak ended: `reason` is "command", "time", "interrupt" or "fault"; `status` is that of the command."""

    seconds: float
    reason: str
    status: int | None


class Track(Struct, frozen=True, kw_only=True):
    """One drive over a whole soak, arrays of equal length ("d"); what could not be read is nan.

    `celsius` is its first sensor (the composite), `hottest` the greatest of all its sensors. Rates are means over the
    time since the sample before, nan for the first. `busy` is the share of that time in which a request was under way,
    0 to 1. `written_bytes` counts what was written since the first sample. `links` are (seconds, generation, lanes)
    wherever they changed, `errors` (seconds, count) likewise, `counters` (seconds, counters). `unread` says why what is
    missing could not be read.
    """

    head: DriveHead
    seconds: array[float]
    celsius: array[float]
    hottest: array[float]
    read_mbps: array[float]
    write_mbps: array[float]
    busy: array[float]
    written_bytes: array[float]
    links: tuple[tuple[float, int, int], ...] = ()
    errors: tuple[tuple[float, int], ...] = ()
    counters: tuple[tuple[float, Counters], ...] = ()
    unread: tuple[Missed, ...] = ()


class Soak(Struct, frozen=True, kw_only=True):
    """A whole log. `end` is None where the soak still runs or was cut off; `capture` is the machine's capture file.

    `thinned` is 1 where all samples are in it, and 7, say, where a log was too long and only each seventh was read.
    `samples` counts those that are in it, `seconds` is the time of the last one; both also where there is no drive.
    `unread` are those of `others` that could not be read. `moments` are the seconds of each sample, `walls` the
    times of day then as seconds since 1970 in UTC, nan where one is not known; both None for a log that was begun
    before this was kept.
    """

    source: str
    head: Head
    tracks: tuple[Track, ...]
    others: tuple[tuple[str, array[float]], ...]
    events: tuple[Event, ...]
    end: End | None
    capture: bytes
    thinned: int = 1
    samples: int = 0
    seconds: float = 0.0
    unread: tuple[Missed, ...] = ()
    moments: array[float] | None = None
    walls: array[float] | None = None
