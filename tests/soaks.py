"""Soaks of invented drives in few words: a heat model with 1 K steps, slowing by heat, a write cache, links.

A drive warms as one body over one resistance: dT/dt = (air + own heat + neighbour's heat - T) / tau, stepped finely.
"""

from __future__ import annotations

import random
from array import array
from math import exp, nan
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.soak.analysis import analyse
from probes.samples import Counters, DriveHead, End, Event, Head, Soak, Track

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import DriveAnalysis

KELVIN: Final = 0.15  # kelvin readings end in .85 degrees Celsius


class Work(Struct, frozen=True):
    """What is asked of a drive for so many seconds, MB/s; `busy` is the share of time that it takes unslowed."""

    seconds: float
    read: float = 0.0
    write: float = 0.0
    busy: float = 0.97


class Make(Struct, frozen=True, kw_only=True):
    """A drive: its heat, its limits, how it slows, its cache.

    `kelvin` is the rise above the air at 1,000 MB/s, `at_rest` that without work. `slows_at` degrees Celsius it goes on
    at `slow_share` of the rate until it is `hysteresis` cooler, and `slows_more_at` at half of that until it is as much
    cooler; where it `gives_way` it is slower in proportion instead, and at `slow_share` so many kelvin above. `counts`
    says that it counts so itself. After
    `cache_bytes` written it writes at `cache_share`, until ten seconds of rest. `warms` is how much of each other
    drive's rise it takes on. `scatter` is the sensor's noise in kelvin, `wavers` that of the load as a share.
    """

    name: str
    plan: tuple[Work, ...]
    air: float = 30.0
    kelvin: float = 12.0
    at_rest: float = 6.0
    tau: float = 120.0
    warning: float | None = 81.85
    critical: float | None = 84.85
    slows_at: float | None = None
    slow_share: float = 0.4
    slows_more_at: float | None = None
    gives_way: float | None = None
    hysteresis: float = 4.0
    counts: bool = False
    cache_bytes: float | None = None
    cache_share: float = 0.3
    warms: float = 0.0
    scatter: float = 0.0
    wavers: float = 0.0
    step: float = 1.0
    links: tuple[tuple[float, int, int], ...] = ()
    errors: tuple[tuple[float, int], ...] = ()
    unread: tuple[tuple[float, float], ...] = ()
    knows_busy: bool = True


class _Drive:
    """One drive as it works, second by second."""

    def __init__(self, make: Make, chance: random.Random) -> None:
        self.make = make
        self.chance = chance
        self.celsius = make.air + make.at_rest
        self.slowed = self.slowed_more = False
        self.in_cache = 0.0
        self.rest = 0.0
        self.written = 0.0
        self.light_count = 0
        self.light_seconds = 0.0
        self.warning_seconds = 0.0

    def tick(self, asked: Work, seconds: float, foreign: float) -> tuple[float, float, float]:
        """Go on by some seconds; the rates of reading and writing, and the share of time busy."""
        make = self.make
        wave = 1.0 + make.wavers * self.chance.uniform(-1.0, 1.0)
        read, write, busy = asked.read * wave, asked.write * wave, asked.busy
        share = 1.0
        if make.slows_at is not None:
            if not self.slowed and self.celsius >= make.slows_at and read + write > 0.0:
                self.slowed, self.light_count = True, self.light_count + 1
            elif self.slowed and self.celsius <= make.slows_at - make.hysteresis:
                self.slowed = False
            share = self._share(make.slows_at) if read + write > 0.0 else 1.0
        if make.cache_bytes is not None and self.in_cache >= make.cache_bytes:
            write *= make.cache_share
            busy = 1.0
        if share < 1.0:
            read, write, busy = read * share, write * share, 1.0
            self.light_seconds += seconds
        idle = read + write <= 0.0
        self.rest = self.rest + seconds if idle else 0.0
        self.in_cache = 0.0 if self.rest >= 10.0 else self.in_cache + write * seconds * 1e6
        self.written += write * seconds * 1e6
        goal = make.air + make.at_rest + make.kelvin * (read + write) / 1000.0 + make.warms * foreign
        self.celsius = goal + (self.celsius - goal) * exp(-seconds / make.tau)
        if make.warning is not None and self.celsius >= make.warning:
            self.warning_seconds += seconds
        return read, write, 0.0 if idle else busy

    def _share(self, slows_at: float) -> float:
        """The share of its speed that it works at."""
        make = self.make
        if make.gives_way is not None:
            over = min(1.0, max(0.0, (self.celsius - slows_at) / make.gives_way))
            return 1.0 - over * (1.0 - make.slow_share)
        if make.slows_more_at is not None and self.celsius >= make.slows_more_at:
            self.slowed_more = True
        elif make.slows_more_at is not None and self.celsius <= make.slows_more_at - make.hysteresis:
            self.slowed_more = False
        if not self.slowed:
            return 1.0
        return make.slow_share * (0.5 if self.slowed_more else 1.0)

    def shown(self) -> float:
        """The temperature as the sensor gives it, in steps."""
        value = self.celsius + self.chance.gauss(0.0, self.make.scatter)
        return round((value + KELVIN) / self.make.step) * self.make.step - KELVIN if self.make.step else value

    def counters(self) -> Counters:
        """What it counts by itself."""
        return Counters(
            warning_minutes=int(self.warning_seconds // 60.0),
            critical_minutes=0,
            light_count=self.light_count if self.make.counts else 0,
            heavy_count=0,
            light_seconds=int(self.light_seconds) if self.make.counts else 0,
            heavy_seconds=0,
        )


def head(make: Make) -> DriveHead:
    """The head of an invented drive."""
    return DriveHead(
        name=make.name,
        address="0000:01:00.0",
        model="Harrow Lane test drive",
        firmware="H1",
        serial=None,
        sensors=("Composite",),
        warning_celsius=make.warning,
        critical_celsius=make.critical,
        blocks=(f"{make.name}n1",),
        link=(4, 4),
        expected=(5000.0, 7000.0),
    )


def soak(
    *makes: Make,
    every: float = 1.0,
    end: End | None = None,
    running: bool = False,
    events: Sequence[Event] = (),
    seed: int = 1,
) -> Soak:
    """The soak of these drives, as long as the longest plan. Without `end` it ended as its command did."""
    chance = random.Random(seed)  # noqa: S311 - noise of sensors
    drives = [_Drive(make, chance) for make in makes]
    length = max((sum(work.seconds for work in make.plan) for make in makes), default=0.0)
    count = int(length / every) + 1
    rows: list[list[tuple[float, ...]]] = [[] for _ in makes]
    counters: list[list[tuple[float, Counters]]] = [[] for _ in makes]
    for tick in range(count):
        seconds = tick * every
        rises = [drive.celsius - drive.make.air - drive.make.at_rest for drive in drives]
        for place, drive in enumerate(drives):
            foreign = sum(rises) - rises[place]
            rates = drive.tick(_asked(drive.make.plan, seconds), every, foreign) if tick else (nan, nan, nan)
            rows[place].append((seconds, drive.shown(), *rates, drive.written))
            if drive.make.counts and (tick % 60 == 0 or tick == count - 1):
                counters[place].append((seconds, drive.counters()))
    tracks = tuple(_track(make, row, tuple(counted)) for make, row, counted in zip(makes, rows, counters, strict=True))
    last = (count - 1) * every
    return Soak(
        source="soak.db",
        head=Head(
            started_at="2026-03-02T09:00:00+00:00",
            agent="0",
            platform="linux",
            machine="bench-1",
            every=every,
            command=("ingest", "reel-4"),
            drives=tuple(head(make) for make in makes),
        ),
        tracks=tracks,
        others=(),
        events=tuple(events),
        end=None if running else end or End(last, "command", 0),
        capture=b"",
    )


def _asked(plan: Sequence[Work], seconds: float) -> Work:
    """What the plan asks for in the second that ends then."""
    for work in plan:
        if seconds <= work.seconds:
            return work
        seconds -= work.seconds
    return Work(0.0)


def _track(make: Make, rows: Sequence[tuple[float, ...]], counters: tuple[tuple[float, Counters], ...]) -> Track:
    seconds, celsius, read, write, busy, written = (array("d", column) for column in zip(*rows, strict=True))
    for begin, end in make.unread:
        for place, when in enumerate(seconds):
            if begin <= when < end:
                celsius[place] = read[place] = write[place] = busy[place] = written[place] = nan
    if not make.knows_busy:
        busy = array("d", [nan] * len(seconds))
    return Track(
        head=head(make),
        seconds=seconds,
        celsius=celsius,
        hottest=celsius,
        read_mbps=read,
        write_mbps=write,
        busy=busy,
        written_bytes=written,
        links=((0.0, 4, 4), *make.links),
        errors=make.errors,
        counters=counters,
    )


# --- What tests have in common -------------------------------------------------------------------------------------

REST = Work(120.0)
READING = Work(1200.0, read=3000.0)


def one(made: Soak) -> DriveAnalysis:
    """The analysis of the only drive."""
    (drive,) = analyse(made).drives
    return drive


def changed(made: Soak, **fields: object) -> Soak:
    """The soak with other columns in its first track."""
    first = structs.replace(made.tracks[0], **fields)
    return structs.replace(made, tracks=(first, *made.tracks[1:]))


def cool(**fields: object) -> Make:
    """A drive that settles at 60 C while it reads at 2,000 MB/s."""
    plan = (REST, Work(600.0, read=2000.0), Work(300.0))
    return structs.replace(Make(name="nvme0", plan=plan), **fields)


def hot(**fields: object) -> Make:
    """A drive that would settle at 102 C and slows itself at 81 C, a degree below its limit."""
    made = Make(name="nvme0", plan=(REST, READING, Work(300.0)), kelvin=22.0, slows_at=81.0, tau=200.0)
    return structs.replace(made, **fields)
