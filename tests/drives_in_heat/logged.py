"""A run as the log of a soak has it: samples of counts and of whole kelvins, late, missed, or not read at all."""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec import Struct

from knowledge.problems import BadInput
from probes.samples import (
    COUNTERS,
    CRITICAL_LIMIT,
    TEMPERATURE,
    WARNING_LIMIT,
    Counters,
    DriveHead,
    End,
    Head,
    Missed,
    Soak,
)
from probes.soaklog.tracks import MISSING, Columns, Times, track
from probes.unread import Unread
from tests.drives_in_heat.physics import ZERO_CELSIUS

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from probes.samples import Track
    from tests.drives_in_heat.running import Run

    Values = NDArray[np.float64]

SECTOR: Final = 512  # bytes; what the kernel counts in (Documentation/block/stat.rst)
MINUTE: Final = 60.0
NEEDS_ROOT: Final = "only the super-user may ask the drive"
BAD: Final = BadInput("a simulated log must be sound")


class Reading(Struct, frozen=True, kw_only=True):
    """How a drive is read.

    `every` seconds lie between samples. `late` is by how many seconds a shown temperature lags, `hold` how often the
    drive makes a new one, `scatter` its noise in K before it is rounded to whole kelvins (NVM Express: temperatures
    are kelvins). `missed` is the share of samples that are not there, `failed` that of failing temperatures.
    """

    every: float = 1.0
    late: float = 0.0
    hold: float = 0.0
    scatter: float = 0.0
    missed: float = 0.0
    failed: float = 0.0
    knows_busy: bool = True


class Known(Struct, frozen=True, kw_only=True):
    """What is known of a drive: its limits in degrees Celsius, whether its own counters are read, its link's turns.

    `counts` tells that it counts its slowing itself; others leave their counters at 0 (those with a policy of their own
    may; common practice). `silent` tells that what is not known was never asked for, so that nothing says why it is not
    there. `links` are (seconds, generation, lanes). `expected` is the range that its reads should reach.
    """

    warning: float | None = None
    critical: float | None = None
    limits: bool = False
    counters: bool = False
    counts: bool = False
    silent: bool = False
    links: tuple[tuple[float, int, int], ...] = ((0.0, 4, 4),)
    expected: tuple[float, float] | None = None


def moments(chance: Generator, reading: Reading, last: float) -> Values:
    """The times of the samples, seconds: even, each some milliseconds late, some of them missed, a gap among those."""
    due = np.arange(0.0, last, reading.every)
    times = due + chance.exponential(0.004, len(due)).clip(0.0, 0.3 * reading.every)
    keep = chance.random(len(due)) >= reading.missed
    if reading.missed:
        gap = chance.uniform(0.2, 0.8) * last
        keep &= (times < gap) | (times > gap + chance.uniform(5.0, 40.0))
    keep[:1] = True
    return np.asarray(times[keep])


def summed(run: Run, values: Values, times: Values) -> Values:
    """A sum of a run at these times."""
    return np.asarray(np.interp(times, np.append(0.0, run.times), np.append(0.0, values)))


def shown(chance: Generator, run: Run, values: Values, times: Values, reading: Reading) -> Values:
    """What a sensor reads, degrees Celsius in steps of a kelvin."""
    seen = np.maximum(times - reading.late, run.times[0])
    if reading.hold:
        seen = np.floor(seen / reading.hold) * reading.hold
    exact = np.interp(seen, run.times, values) + chance.normal(0.0, reading.scatter or 1e-9, len(times))
    return np.asarray(np.round(exact + ZERO_CELSIUS) - ZERO_CELSIUS).round(2)


def logged(chance: Generator, name: str, run: Run, times: Values, reading: Reading, known: Known) -> Track:
    """The track of a drive, made of counts as a log's reader makes it."""
    celsius = shown(chance, run, run.shown, times, reading)
    hottest = np.maximum(celsius, shown(chance, run, run.further, times, reading))
    failed = chance.random(len(times)) < reading.failed
    celsius, hottest = np.where(failed, MISSING, celsius), np.where(failed, MISSING, hottest)
    columns = Columns()
    counts = (_bytes(run, run.read, times), _bytes(run, run.written, times), _busy(run, times, reading))
    for column, values in zip(columns.columns, (celsius, hottest, *counts), strict=True):
        column.extend(values.tolist())
    head = _head(name, known, two=bool(np.any(run.further != run.shown)))
    unread = [] if known.counters or known.silent else [Missed(COUNTERS, NEEDS_ROOT, 0.0, None, needs_root=True)]
    unread += _failures(times, failed)
    own = _counters(run, times, known) if known.counters else ()
    return track(
        head,
        Times(array("d", times.tolist()), BAD),
        columns,
        BAD,
        known.links,
        ((0.0, 0),),
        own,
        unread=tuple(sorted(unread, key=lambda one: one.start)),
    )


def _bytes(run: Run, megabytes: Values, times: Values) -> Values:
    return np.asarray(np.floor(summed(run, megabytes, times) * 1e6 / SECTOR) * SECTOR)


def _busy(run: Run, times: Values, reading: Reading) -> Values:
    if not reading.knows_busy:
        return np.full(len(times), MISSING)
    return np.asarray(np.floor(985.0 * summed(run, run.worked, times)))


def _failures(times: Values, failed: NDArray[np.bool_]) -> list[Missed]:
    """A `Missed` from each first sample without a temperature to the next with one."""
    found = []
    begin: float | None = None
    for time, lost in zip(times.tolist(), failed.tolist(), strict=True):
        if lost and begin is None:
            begin = time
        elif not lost and begin is not None:
            found.append(Missed(TEMPERATURE, "the drive did not answer", begin, time))
            begin = None
    return found if begin is None else [*found, Missed(TEMPERATURE, "the drive did not answer", begin, None)]


def _counters(run: Run, times: Values, known: Known) -> tuple[tuple[float, Counters], ...]:
    """What the drive counts by itself, asked for once a minute and at the end; zeros of a drive that counts nothing."""
    asked = sorted({*(float(time) for time in times if time % MINUTE < times[1] - times[0]), float(times[-1])})
    step = float(run.times[0])
    hot = np.cumsum(run.shown >= (known.warning or 1e3)) * step
    hotter = np.cumsum(run.shown >= (known.critical or 1e3)) * step
    found = []
    for time in asked:
        place = min(len(run.times) - 1, int(time / step))
        own = run.counts[:, place] if known.counts else np.zeros(4)
        minutes = int((hot[place] - hotter[place]) // MINUTE), int(hotter[place] // MINUTE)
        found.append((time, Counters(*minutes, int(own[0]), int(own[2]), int(own[1]), int(own[3]))))
    return tuple(found)


def _head(name: str, known: Known, *, two: bool) -> DriveHead:
    lost = () if known.limits or known.silent else (WARNING_LIMIT, CRITICAL_LIMIT)
    first = known.links[0] if known.links else None
    return DriveHead(
        name=name,
        address="0000:01:00.0",
        model="Fen Row test drive",
        firmware="F7",
        serial=None,
        sensors=("Composite", "Sensor 1") if two else ("Composite",),
        warning_celsius=known.warning if known.limits else None,
        critical_celsius=known.critical if known.limits else None,
        blocks=(f"{name}n1",),
        link=None if first is None else (first[1], first[2]),
        expected=known.expected,
        unread=tuple(Unread(what, NEEDS_ROOT, needs_root=True) for what in lost),
    )


def soak(
    tracks: tuple[Track, ...], every: float, others: tuple[tuple[str, Values], ...], *, timed: bool, running: bool
) -> Soak:
    """The whole log."""
    last = tracks[0].seconds[-1]
    return Soak(
        source="drawn.sqlite",
        head=Head(
            started_at="2026-03-02T09:00:00+00:00",
            agent="0",
            platform="linux",
            machine="bench-1",
            every=every,
            command=() if timed else ("ingest", "reel-9"),
            drives=tuple(one.head for one in tracks),
            others=tuple(name for name, _ in others),
        ),
        tracks=tracks,
        others=tuple((name, array("d", values.tolist())) for name, values in others),
        events=(),
        end=None if running else End(last, "time" if timed else "command", None if timed else 0),
        capture=b"",
        samples=len(tracks[0].seconds),
        seconds=last,
    )
