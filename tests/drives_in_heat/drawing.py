"""From a sketch to a drive, its runs with throttling on and off, its log and what is true of it.

Figures of drives are of the order of public data sheets and reviews (rates up to 97 % of the link, 2 to 25 W); those of
capacities come from masses (a 2280 module weighs 6 to 10 g and has some 10 J/K, aluminium 0.9 J/(g K)), from memory.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Final

import numpy as np
from msgspec import Struct, structs
from scipy.optimize import brentq

from tests.drives_in_heat import loads
from tests.drives_in_heat.kinds import KINDS, sketched
from tests.drives_in_heat.logged import Known, Reading, logged, moments, soak
from tests.drives_in_heat.physics import ZERO_CELSIUS, Body, Heat, Surface
from tests.drives_in_heat.policies import Never
from tests.drives_in_heat.running import Drive, Run, Sensor, run
from tests.drives_in_heat.truth import Truth, true_of

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from probes.samples import Soak, Track
    from tests.drives_in_heat.kinds import Sketch
    from tests.drives_in_heat.physics import Bodies, Watts

    Values = NDArray[np.float64]

ATTEMPTS: Final = 60
# MB/s a lane that payload can reach (PCI Express: coded rate less packet overhead at payloads of 256 bytes; Gen4 x4
# 7201.8), and what makers' data sheets give of it (3,500 of 3,600, 7,000 of 7,200, 14,000 of 14,400 MB/s).
LANE: Final = {2: 440.0, 3: 900.2, 4: 1800.4, 5: 3600.9}
REACHED: Final = 0.97
# Where drives begin to slow themselves, degrees Celsius as they show it. Public documents have 70 (recommended warning
# temperature), 76 (a server drive, document E65386), 77 (public notes on a specification of data centres), 80 (tests of
# one module), 81 to 85 (a white paper of 2020 on composite temperature); here it is drawn wider.
SHOWN: Final = (48.0, 92.0)
LEAST: Final = 4  # samples that heat must slow, so that a soak of that kind has something to tell
MOST: Final = 0.95  # of the loaded time; what is always slow was never seen quick
HOTTEST: Final = 90.0  # degrees Celsius shown where nothing slows
SILENT: Final = 0.25  # of the logs whose limits or counters are not known do not say why
NOTHING: Final = 0.02  # the greatest share of a sample that may be lost where nothing is said to slow


class Case(Struct, frozen=True, kw_only=True):
    """A drawn soak: its log, whose first drive is the judged one, and what is true of that drive.

    `sketch`, `drive`, `run` and `off` are what it was made of: the runs with throttling on and off.
    """

    kind: str
    seed: int
    log: Soak
    truth: Truth
    sketch: Sketch
    drive: Drive
    run: Run
    off: Run


class NotSo(Exception):  # noqa: N818 - nothing went wrong: what chance drew is not what was asked for
    """What was drawn cannot be, or is not of its kind; draw again."""


def drawn(kind: str, seed: int) -> Case:
    """The soak of this kind and seed, always the same."""
    name = zlib.crc32(kind.encode())
    for attempt in range(ATTEMPTS):
        try:
            return _attempt(np.random.default_rng([name, seed, attempt]), kind, seed)
        except NotSo:
            continue
    raise LookupError(f"no soak of the kind {kind!r} with seed {seed} was found in {ATTEMPTS} attempts")


def _attempt(chance: Generator, kind: str, seed: int) -> Case:
    slows = KINDS[kind].slows
    sketch = KINDS[kind].change(chance, sketched(chance, slows=slows))
    drive, generation = _drive(chance, sketch)
    off = run(drive, Never())
    if sketch.job:
        drive = structs.replace(drive, job=float(off.moved[-1]) * float(chance.uniform(0.35, 0.6)))
        off = run(drive, Never())
    onset = _onset(sketch, drive, off)
    first = float(off.shown[int(np.argmax(off.watched >= onset))]) if slows else float(off.shown.max())
    if not SHOWN[0] <= first <= SHOWN[1] and (slows or first > HOTTEST):
        raise NotSo
    on = off if onset > off.watched.max() else run(drive, sketch.policy(onset))
    if sketch.job and (on.done is None or on.done + 30.0 > sketch.seconds):
        raise NotSo
    if sketch.begun is not None:
        begins = float(on.times[int(np.argmax(on.held < 1.0))]) + sketch.begun
        on, off = on.after(begins), off.after(begins)
    times = moments(chance, sketch.reading, float(on.times[-1]) if on.done is None else on.done + 30.0)
    settled = _settled(sketch, drive, off) if sketch.steady else None
    truth = true_of(on, off, times, sketch.reading, sketch.name, settled)
    _check(truth, sketch, drive, slows=slows)
    known = _known(chance, sketch, drive, on, truth, generation)
    track = logged(chance, "nvme0", on, times, sketch.reading, known)
    tracks = (track, *_neighbours(chance, sketch, times))
    log = soak(
        tracks,
        sketch.reading.every,
        _others(chance, drive, times),
        timed=bool(chance.random() < 0.5),
        running=bool(chance.random() < 0.1),
    )
    return Case(kind=kind, seed=seed, log=log, truth=truth, sketch=sketch, drive=drive, run=on, off=off)


# --- The drive ---------------------------------------------------------------------------------------------------


def _drive(chance: Generator, sketch: Sketch) -> tuple[Drive, int]:
    """A drive whose watched temperature would settle at the sketch's peak, and the generation of its link."""
    body, heat = _body(chance, sketch.form), _heat(chance, sketch.form)
    reads, writes, generation = _rates(chance, sketch)
    times = sketch.step * np.arange(1.0, int(sketch.seconds / sketch.step) + 1.0)
    work = loads.between(sketch.shape, sketch.start, sketch.stop)(chance, times)
    world = _world(chance, sketch, times, reads, LANE[generation] * 4 * REACHED)
    inside = (times >= sketch.start) & (times < sketch.stop)
    busy = np.maximum(1.0, work.read + work.write)
    means = [
        float(np.minimum(rate * use * work.ease / busy, world.link)[inside].mean())
        for rate, use in ((reads, work.read), (writes, work.write))
    ]
    cache = sketch.cache
    if cache is not None:
        cache = structs.replace(cache, megabytes=cache.megabytes * means[1] * float(inside.sum()) * sketch.step)
        means[1] *= 0.6
    body = _cooled(sketch, body, heat, means)
    start = body.settled(lambda bodies: heat.watts(bodies, 0.0, 0.0, 0.0), float(world.air[0]))
    drive = Drive(
        body=body,
        heat=heat,
        reads=reads,
        writes=writes,
        cache=cache,
        work=work,
        world=world,
        shown=sketch.shown,
        further=sketch.further,
        watched=sketch.watched,
        spares_reads=sketch.spares_reads,
        threads=sketch.threads,
        step=sketch.step,
        start=(start[0], start[1], start[2], start[3]),
    )
    return drive, generation


def _body(chance: Generator, form: str) -> Body:
    """A module with a label, one under a heatsink, a drive in a case, or a card."""

    def some(least: float, most: float) -> float:
        return float(chance.uniform(least, most))

    covers = {"bare": (0.8, 2.0), "sink": (15.0, 60.0), "case": (50.0, 140.0), "card": (40.0, 160.0)}
    through = {"bare": (0.05, 0.2), "sink": (0.4, 1.2), "case": (0.5, 1.5), "card": (0.6, 1.5)}[form]
    boards = {"bare": (6.0, 10.0), "sink": (6.0, 10.0), "case": (15.0, 30.0), "card": (30.0, 60.0)}
    # W/K of both surfaces together before they are fitted, and m2: 8 W/(m2 K) and some flow on areas of the form.
    losing = {"bare": 0.1, "sink": 0.25, "case": 0.4, "card": 0.35}[form]
    area = {"bare": 0.0035, "sink": 0.012, "case": 0.016, "card": 0.03}[form]
    over = 0.4 if form == "bare" else 0.8
    return Body(
        controller=some(1.2, 2.8),
        flash=some(1.5, 4.0),
        board=some(*boards[form]),
        cover=some(*covers[form]),
        controller_to_board=some(0.4, 1.0),
        flash_to_board=some(0.5, 1.2),
        controller_to_cover=some(*through),
        flash_to_cover=some(*through),
        board_to_cover=some(0.1, 0.3),
        under=Surface(
            losing * (1 - over) * some(0.3, 0.6), losing * (1 - over) * some(0.3, 0.7), 0.02 * losing, 0.2 * area
        ),
        over=Surface(0.0, losing * over * some(0.2, 0.9), losing * over * some(0.03, 0.25), area * some(0.05, 0.3)),
    )


def _heat(chance: Generator, form: str) -> Heat:
    least, most = (0.8, 2.0) if form in {"bare", "sink"} else (2.5, 6.0)
    more = 1.0 if form in {"bare", "sink"} else float(chance.uniform(1.0, 1.7))  # more flash to drive
    return Heat(
        resting=float(chance.uniform(least, most)),
        read=more * float(chance.uniform(0.7, 1.3)),
        write=more * float(chance.uniform(0.9, 1.8)),
        fold=more * float(chance.uniform(1.2, 2.5)),
        to_flash=float(chance.uniform(0.3, 0.55)),
        leak=float(chance.uniform(0.0, 0.008)),
    )


def _rates(chance: Generator, sketch: Sketch) -> tuple[float, float, int]:
    """Rates of reading and writing, MB/s, and the generation of the link of four lanes."""
    generation = 4 if sketch.least_reads or sketch.reads else int(chance.choice([3, 4, 5], p=[0.3, 0.55, 0.15]))
    most = LANE[generation] * 4 * REACHED
    reads = float(chance.uniform(max(0.4 * most, sketch.least_reads), most)) if sketch.reads is None else sketch.reads
    return reads, reads * float(chance.uniform(0.45, 0.95)), generation


def _cooled(sketch: Sketch, body: Body, heat: Heat, means: list[float]) -> Body:
    """The body with surfaces such that the watched temperature settles at the peak; raises NotSo where none can do."""

    def above(exponent: float) -> float:
        bodies = body.cooled(float(np.exp(exponent))).settled(watts, sketch.air)
        return (bodies[0] if sketch.watched == "controller" else sketch.shown.of(bodies)) - sketch.peak

    def watts(bodies: Bodies) -> Watts:
        return heat.watts(bodies, means[0], means[1], 0.0)

    try:
        exponent, found = brentq(above, np.log(0.25), np.log(5.0), xtol=0.01, full_output=True)
    except (ValueError, ArithmeticError):
        raise NotSo from None
    if not found.converged:
        raise NotSo
    return body.cooled(float(np.exp(exponent)))


def _world(chance: Generator, sketch: Sketch, times: Values, reads: float, link: float) -> loads.World:
    """The air with its drift, steps and neighbour, the fans, the link and the noise."""
    count, step, seconds = len(times), sketch.step, sketch.seconds
    turn = chance.uniform(0.0, 2.0 * np.pi)
    air = sketch.air + sketch.drift * np.sin(2.0 * np.pi * times / sketch.period + turn)
    if not sketch.steady:
        air += loads.wavering(chance, count, step, 0.25, 90.0)
    for at, kelvin in sketch.air_steps:
        air = air + np.where(times > at * seconds, kelvin * (1.0 - np.exp(-(times - at * seconds) / 60.0)), 0.0)
    flow = np.ones(count)
    for at, factor in sketch.fans:
        flow = np.where(times > at * seconds, factor, flow)
    links = np.full(count, link)
    if sketch.link_falls is not None:
        at, generation, lanes = sketch.link_falls
        links = np.where(times > at * seconds, LANE[generation] * lanes * REACHED, links)
    if sketch.neighbour is not None:
        at, left, _, kelvin = sketch.neighbour
        after = np.maximum(0.0, times - at * seconds)
        air = air + kelvin * (1.0 - np.exp(-after / 120.0))
        links = np.where((after > 0.0) & (left < 1.0), np.minimum(links, left * reads), links)
    strength = 1.0 + loads.wavering(chance, count, step, sketch.noise, 2.0).clip(-0.5, 0.5)
    return loads.World(air, flow, links, strength * _dips(chance, sketch, times))


def _dips(chance: Generator, sketch: Sketch, times: Values) -> Values:
    """The share of its strength that housekeeping leaves a drive: short dips at any time."""
    left = np.ones(len(times))
    if sketch.dips:
        for begin in np.cumsum(chance.exponential(sketch.dips, int(sketch.seconds / sketch.dips) + 5)).tolist():
            left[(times >= begin) & (times < begin + chance.uniform(1.0, 12.0))] = chance.uniform(0.3, 0.75)
    return left


# --- What is seen of it ------------------------------------------------------------------------------------------


def _onset(sketch: Sketch, drive: Drive, off: Run) -> float:
    """Where the policy begins, by what it would watch with nothing slowed, degrees Celsius."""
    loaded = drive.work.loaded
    rest = float(off.watched[int(np.argmax(loaded))])
    if sketch.at is not None:
        return sketch.at
    if sketch.depth > 1.0:
        top = float(off.watched.max())
        return top + max(3.0, (sketch.depth - 1.0) * (top - rest))
    return rest + sketch.depth * (float(np.percentile(off.watched[loaded], 97)) - rest)


def _settled(sketch: Sketch, drive: Drive, off: Run) -> float:
    """What the first sensor would show in the end under the load of the whole time."""
    begin, end = int(sketch.start / sketch.step), int(sketch.stop / sketch.step) - 1
    spent = float(off.times[end] - off.times[begin])
    read, write = (float(sums[end] - sums[begin]) / spent for sums in (off.read, off.written))
    bodies = drive.body.settled(
        lambda bodies: drive.heat.watts(bodies, read, write, 0.0),
        float(drive.world.air[-1]),
        float(drive.world.flow[-1]),
    )
    return drive.shown.of(bodies)


def _check(truth: Truth, sketch: Sketch, drive: Drive, *, slows: bool) -> None:
    """Raise NotSo where the soak is not of its kind, or could not be."""
    good = truth.most_lost <= NOTHING
    if slows:
        seconds = truth.share * (sketch.stop - sketch.start)
        good = truth.slows and truth.onset is not None and SHOWN[0] <= truth.onset <= SHOWN[1]
        good = good and seconds >= LEAST * sketch.reading.every and truth.share <= MOST
        good = good and truth.returns >= sketch.returns
    if not good or (drive.cache is not None and not truth.full_seconds):
        raise NotSo


def _known(chance: Generator, sketch: Sketch, drive: Drive, on: Run, truth: Truth, generation: int) -> Known:
    """What a reader knows of the drive: limits about where it slows, or above its hottest."""
    top = float(on.shown.max()) if truth.onset is None else truth.onset
    warning = float(round(top + sketch.limit_above + ZERO_CELSIUS)) - ZERO_CELSIUS
    links = [(0.0, generation, 4)]
    if sketch.link_falls is not None:
        at, to, lanes = sketch.link_falls
        links.append((at * sketch.seconds + float(chance.uniform(0.0, sketch.reading.every)), to, lanes))
    return Known(
        warning=round(warning, 2),
        critical=round(warning + float(chance.integers(3, 13)), 2),
        limits=sketch.knows in {"root", "limits"},
        counters=sketch.knows == "root",
        counts=sketch.counts,
        silent=bool(chance.random() < SILENT),
        links=tuple(links),
        expected=(0.85 * drive.reads, 1.05 * drive.reads) if chance.random() < 0.7 else None,
    )


def _neighbours(chance: Generator, sketch: Sketch, times: Values) -> tuple[Track, ...]:
    """The track of the neighbour, where it is a drive of the log: it reads from its moment on, and stays cool."""
    if sketch.neighbour is None or not sketch.neighbour[2]:
        return ()
    other = structs.replace(
        sketch,
        form="sink",
        peak=60.0,
        air=30.0,
        start=sketch.neighbour[0] * sketch.seconds,
        shape=loads.steady(),
        cache=None,
        neighbour=None,
        link_falls=None,
        shown=Sensor(),
        further=None,
        watched="shown",
        step=0.25,
        least_reads=0.0,
        threads=1,
    )
    drive, generation = _drive(chance, other)
    reading = Reading(every=sketch.reading.every)
    known = Known(links=((0.0, generation, 4),))
    return (logged(chance, "nvme1", run(drive, Never()), times, reading, known),)


def _others(chance: Generator, drive: Drive, times: Values) -> tuple[tuple[str, Values], ...]:
    """At times a temperature of the board, some kelvins above the air, in steps of a kelvin."""
    if chance.random() < 0.6:
        return ()
    steps = drive.step * np.arange(1.0, len(drive.world.air) + 1.0)
    return (("board", np.round(np.interp(times, steps, drive.world.air) + float(chance.uniform(1.0, 6.0)))),)
