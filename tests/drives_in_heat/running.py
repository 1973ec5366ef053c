"""A drive at work, step by step: what it moves, what it would have moved unslowed, how warm it is and what it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec import Struct, structs

from tests.drives_in_heat.cache import Cache, Filling
from tests.drives_in_heat.physics import ZERO_CELSIUS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.drives_in_heat.loads import Work, World
    from tests.drives_in_heat.physics import Bodies, Body, Heat
    from tests.drives_in_heat.policies import Policy

    Values = NDArray[np.float64]

SUMS: Final = ("read", "written", "free", "worked")
PAST_CACHE: Final = 0.5  # what is written past a full cache costs so much of what folding it would, too


class Sensor(Struct, frozen=True, kw_only=True):
    """What a drive shows of its bodies: their weights (controller, flash, board, cover), an offset in K, smoothing.

    A composite temperature is built from several places and need not be that of any (published reviews with a thermal
    camera: from 8 K above to 23 K below the hottest spot). `smooth` is the time constant of its filter in seconds, 0:
    none.
    """

    weights: tuple[float, float, float, float] = (1.0, 0.0, 0.0, 0.0)
    offset: float = 0.0
    smooth: float = 0.0

    def of(self, bodies: Bodies) -> float:
        """What it would show in the end, were the bodies to stay as warm as they are."""
        weights = self.weights
        return (
            weights[0] * bodies[0]
            + weights[1] * bodies[1]
            + weights[2] * bodies[2]
            + weights[3] * bodies[3]
            + self.offset
        )


class Drive(Struct, frozen=True, kw_only=True):
    """A drive with all that it meets in a soak.

    `reads` and `writes` are its rates unslowed, MB/s. `watched` is what its policy goes by: "controller" or "shown",
    the latter in whole kelvins as the drive reports it. `job` MB end the load when they are moved; None: time does.
    `spares_reads` tells that it slows its writes alone. `threads` of the host ask by themselves, so that a load that is
    no queue keeps the drive busy for longer than its use.
    """

    body: Body
    heat: Heat
    reads: float
    writes: float
    cache: Cache | None
    work: Work
    world: World
    shown: Sensor
    further: Sensor | None
    watched: str
    step: float
    start: tuple[float, float, float, float]
    job: float | None = None
    spares_reads: bool = False
    threads: int = 1


class Run(Struct, frozen=True, kw_only=True):
    """What came of it; arrays with a value at the end of each step, sums from the start.

    `read`, `written`, `free` and `worked` are sums: MB, MB, the MB that the drive would have moved in these very steps
    had it slowed nothing, and seconds with work under way. `shown` and `further` are what its sensors give unrounded,
    `watched` what its policy went by, `held` the share that it allowed, `counts` its light and heavy transitions and
    the seconds in them. `joules` is all its heat, `lost_joules` what it gave to the air. `done` is when the job was
    done, `full_seconds` how long its cache was full.
    """

    times: Values
    read: Values
    written: Values
    free: Values
    worked: Values
    shown: Values
    further: Values
    watched: Values
    held: Values
    counts: NDArray[np.float64]
    joules: float
    lost_joules: float
    last: tuple[float, float, float, float]
    done: float | None
    full_seconds: float

    def after(self, seconds: float) -> Run:
        """The rest of it from some seconds on, as a log has it that is begun then."""
        place = int(np.searchsorted(self.times, seconds))
        sums = {name: getattr(self, name)[place:] - getattr(self, name)[place - 1] for name in SUMS}
        rest = {name: getattr(self, name)[place:] for name in ("shown", "further", "watched", "held")}
        times = self.times[: len(self.times) - place]
        return structs.replace(self, times=times, counts=self.counts[:, place:], **sums, **rest)

    @property
    def moved(self) -> Values:
        """MB read and written since the start."""
        return self.read + self.written


def run(drive: Drive, policy: Policy) -> Run:
    """Let it work. Each step: what is asked, what is allowed, what is moved, what heat that is, where the heat goes.

    One long loop, as calls are most of what a step of some microseconds takes.
    """
    body, heat, step, shown = drive.body, drive.heat, drive.step, drive.shown
    further = drive.further or shown
    bodies = list(drive.start)
    reading, second = shown.of(bodies), further.of(bodies)
    follows = min(1.0, step / shown.smooth) if shown.smooth else 1.0
    follows_second = min(1.0, step / further.smooth) if further.smooth else 1.0
    by_controller = drive.watched == "controller"
    filling = Filling(drive.cache)
    job = drive.job
    read_sum = write_sum = free_sum = work_sum = joules = lost = full_seconds = 0.0
    done = None
    rows = []
    world, work = drive.world, drive.work
    given = zip(
        *(
            values.tolist()
            for values in (work.read, work.write, work.ease, world.air, world.flow, world.link, world.strength)
        ),
        strict=True,
    )
    for place, (read_use, write_use, ease, air, flow, link, strength) in enumerate(given):
        watched = bodies[0] if by_controller else float(round(reading + ZERO_CELSIUS)) - ZERO_CELSIUS
        share = policy.share(watched, step)
        read = write = free = 0.0
        if read_use + write_use > 0.0 and (job is None or read_sum + write_sum < job):
            can_read, can_write = drive.reads * ease * strength, drive.writes * ease * strength
            want_read, want_write = min(read_use * can_read, link), min(write_use * can_write, link)
            can_write *= filling.low if filling.full else 1.0
            use = want_read / can_read + want_write / can_write
            free_scale = scale = min(1.0, 1.0 / use)
            if share < 1.0:
                scale = min(1.0, share / use)
            read = want_read * (free_scale if drive.spares_reads else scale)
            write = want_write * scale
            free = (want_read + want_write) * free_scale
            work_sum += step * (1.0 - (1.0 - min(1.0, use / share)) ** drive.threads)
        elif job is not None and done is None and read_sum + write_sum >= job:
            done = place * step
        fold = filling.go_on(write, read, step)
        if filling.full:
            full_seconds += step
            fold += PAST_CACHE * write
        watts = heat.watts(bodies, read, write, fold)
        joules += (watts[0] + watts[1]) * step
        lost += body.warm(bodies, watts, air, flow, step)
        reading += (shown.of(bodies) - reading) * follows
        second = reading if further is shown else second + (further.of(bodies) - second) * follows_second
        read_sum += read * step
        write_sum += write * step
        free_sum += free * step
        sums = read_sum, write_sum, free_sum, work_sum
        rows.append((*sums, reading, second, watched, policy.held, *policy.light, *policy.heavy))
    columns = np.array(rows).T
    return Run(
        times=step * np.arange(1.0, len(rows) + 1.0),
        read=columns[0],
        written=columns[1],
        free=columns[2],
        worked=columns[3],
        shown=columns[4],
        further=columns[5],
        watched=columns[6],
        held=columns[7],
        counts=columns[8:],
        joules=joules,
        lost_joules=lost,
        last=(bodies[0], bodies[1], bodies[2], bodies[3]),
        done=done,
        full_seconds=full_seconds,
    )
