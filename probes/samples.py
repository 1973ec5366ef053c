"""What a soak is made of: its head, its samples, its events, and the same as one track a drive. Data only.

Times are seconds since the start of the soak by a clock that never jumps; temperatures are degrees Celsius; rates are
MB/s (10^6 bytes per second). `None` means that a value could not be read at that moment; in arrays it is nan.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from array import array


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
    watched. `expected` is the range in MB/s that it should reach when read alone.
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


class Head(Struct, frozen=True, kw_only=True):
    """A soak as it was begun. `command` is what the user ran, () for none; `every` seconds lie between samples.

    `others` are temperatures beside the drives' own (processor, board), by name.
    """

    started_at: str
    agent: str
    platform: str
    machine: str | None
    every: float
    command: tuple[str, ...]
    drives: tuple[DriveHead, ...]
    others: tuple[str, ...] = ()


class DriveSample(Struct, frozen=True):
    """One drive at one moment. Counts of bytes, operations and busy milliseconds are since the start of the system.

    `celsius` goes with `DriveHead.sensors`. `link` is (generation, lanes). `errors` is the sum of the link's error
    counters. `counters` is asked for now and then only.
    """

    celsius: tuple[float | None, ...]
    read_bytes: int | None = None
    write_bytes: int | None = None
    reads: int | None = None
    writes: int | None = None
    busy_ms: int | None = None
    link: tuple[int, int] | None = None
    errors: int | None = None
    counters: Counters | None = None


class Sample(Struct, frozen=True):
    """All drives at one moment, in the order of the head. `late` is how many seconds after its time it was taken."""

    seconds: float
    late: float
    drives: tuple[DriveSample, ...]
    others: tuple[float | None, ...] = ()


class Event(Struct, frozen=True):
    """What happened: `kind` is "link", "errors", "vanished", "returned", "limit", "clock", "command" or "log".

    `drive` is the drive's name, None where it concerns none. "vanished" also stands for a drive that is there but does
    not answer, "log" for a log that cannot be written any more.
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
    wherever they changed, `errors` (seconds, count) likewise, `counters` (seconds, counters).
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


class Soak(Struct, frozen=True, kw_only=True):
    """A whole log. `end` is None where the soak still runs or was cut off; `capture` is the machine's capture file.

    `thinned` is 1 where all samples are in it, and 7, say, where a log was too long and only each seventh was read.
    `samples` counts those that are in it, `seconds` is the time of the last one; both also where there is no drive.
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
