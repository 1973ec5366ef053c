"""Kinds of soaks: what is drawn for each. A sketch is drawn for all, and each kind changes what makes it that kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from tests.drives_in_heat import loads
from tests.drives_in_heat.cache import Cache
from tests.drives_in_heat.logged import Reading
from tests.drives_in_heat.policies import Holding, HostManaged, Pulsed, Stepped, Switched
from tests.drives_in_heat.running import Sensor

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.random import Generator
    from numpy.typing import NDArray

    from tests.drives_in_heat.policies import Policy

    Values = NDArray[np.float64]
    Shape = Callable[[Generator, Values], loads.Work]
    MakePolicy = Callable[[float], Policy]  # of the onset, degrees Celsius as the policy sees them

KNOWS: Final = ("root", "limits", "ordinary")  # limits and counters, limits from elsewhere, neither


class Sketch(Struct, frozen=True, kw_only=True):
    """What is drawn of a soak before its drive is made.

    `peak` is where the watched temperature would stay under the mean load unslowed, degrees Celsius. `depth` is where
    the onset lies: a share of the way from rest to that; above 1 a policy that is never asked. `seconds` is the whole,
    `start` and `stop` those of the load. `air_steps` are (share of the time, K), `fans` (share of the time, flow).
    `limit_above` is the warning limit above the shown onset (or above the hottest, where it never slows).
    `link_falls` is (share of the time, generation, lanes), `neighbour` (share of the time, share of the drive's rate
    that it leaves of a shared link, whether it is in the log, K that it warms the air by). `cache` has its size as a
    share of what the drive would write over its load at full rate. `least_reads` MB/s it reads at least. `steady` tells
    that load and air stay the same, so that its temperature settles. `begun` seconds after the drive slowed itself for
    the first time the log begins; None: with the soak. It comes back `returns` times at least.
    `at` degrees Celsius the policy begins, whatever `depth` says, and `reads` MB/s it reads, where those are given.
    `spares_reads` and `threads` are those of `Drive`.
    """

    form: str
    air: float
    peak: float
    depth: float
    seconds: float
    start: float
    stop: float
    shape: Shape
    policy: MakePolicy
    name: str
    shown: Sensor
    further: Sensor | None
    watched: str
    reading: Reading
    knows: str
    counts: bool
    cache: Cache | None = None
    step: float = 0.25
    drift: float = 0.0
    period: float = 1200.0
    air_steps: tuple[tuple[float, float], ...] = ()
    fans: tuple[tuple[float, float], ...] = ()
    noise: float = 0.015
    dips: float = 0.0
    limit_above: float = 1.0
    link_falls: tuple[float, int, int] | None = None
    neighbour: tuple[float, float, bool, float] | None = None
    job: bool = False
    steady: bool = False
    least_reads: float = 0.0
    begun: float | None = None
    returns: int = 0
    at: float | None = None
    reads: float | None = None
    spares_reads: bool = False
    threads: int = 1


class Kind(Struct, frozen=True):
    """A kind of soak: whether heat slows its drives, and what it changes of a sketch."""

    slows: bool
    change: Callable[[Generator, Sketch], Sketch]


# --- What is drawn for all ---------------------------------------------------------------------------------------


def sketched(chance: Generator, *, slows: bool) -> Sketch:
    """A sketch: any form of drive, any air, a queue of reads, an on-off policy, an ordinary user or root."""
    form = str(chance.choice(["bare", "sink", "case", "card"], p=[0.45, 0.3, 0.15, 0.1]))
    # How long it takes to warm: rules of thumb of the trade, from memory.
    seconds = float(chance.uniform(*{"bare": (700, 1700), "sink": (1200, 2600)}.get(form, (1800, 3600))))
    start = float(chance.choice([0.0, chance.uniform(20.0, 160.0)], p=[0.2, 0.8]))
    stop = seconds - float(chance.choice([0.0, chance.uniform(30.0, 250.0)], p=[0.4, 0.6]))
    onset_depth = float(chance.uniform(0.5, 0.88)) if slows else float(chance.uniform(1.12, 1.6))
    two = bool(chance.random() < 0.3)
    make, name = any_policy(chance, onset_depth)
    return Sketch(
        form=form,
        air=float(chance.uniform(21.0, 43.0)),
        peak=float(chance.uniform(82.0, 112.0) if slows else chance.uniform(45.0, 76.0)),
        depth=onset_depth,
        seconds=seconds,
        start=start,
        stop=stop,
        shape=loads.steady(reading=float(chance.choice([1.0, 0.0, chance.uniform(0.2, 0.8)], p=[0.5, 0.2, 0.3]))),
        policy=make,
        name=name,
        shown=any_sensor(chance),
        further=Sensor(weights=(1.0, 0.0, 0.0, 0.0)) if two else None,
        watched=str(chance.choice(["controller", "shown"])),
        reading=any_reading(chance),
        knows=str(chance.choice(KNOWS)),
        counts=False,
        drift=float(chance.choice([0.0, chance.uniform(0.3, 1.5)])),
        period=float(chance.uniform(500.0, 3000.0)),
        noise=float(chance.choice([0.005, 0.015, 0.04])),
        threads=int(chance.choice([1, 2, 6])),
        limit_above=float(chance.choice([0.0, 1.0, 2.0, 4.0, -3.0]) if slows else chance.uniform(3.0, 20.0)),
    )


def any_sensor(chance: Generator) -> Sensor:
    """A first sensor: of the controller, of the flash, of the board between, or a mixture; smoothed at times."""
    weights = [(1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.3, 0.7, 0.0), (0.4, 0.4, 0.2, 0.0)]
    return Sensor(
        weights=weights[int(chance.choice(4, p=[0.35, 0.2, 0.15, 0.3]))],
        offset=float(chance.uniform(-6.0, 4.0)),
        smooth=float(chance.choice([0.0, chance.uniform(1.0, 4.0)])),
    )


def any_reading(chance: Generator) -> Reading:
    """A way of sampling: each second mostly, up to ten; temperatures that lag, are held, or are noisy at times."""
    return Reading(
        every=float(chance.choice([1.0, 2.0, 5.0, 10.0], p=[0.55, 0.2, 0.15, 0.1])),
        late=float(chance.choice([0.0, chance.uniform(1.0, 3.0)], p=[0.7, 0.3])),
        hold=float(chance.choice([0.0, 1.0, 2.0, 5.0], p=[0.6, 0.2, 0.1, 0.1])),
        scatter=float(chance.choice([0.0, 0.15, 0.4])),
        missed=float(chance.choice([0.0, 0.02], p=[0.8, 0.2])),
        knows_busy=bool(chance.random() < 0.85),
    )


def any_policy(chance: Generator, depth: float) -> tuple[MakePolicy, str]:
    """One of all policies, with its name."""
    makers = (switched, stepped, holding, summing)
    return makers[int(chance.choice(4, p=[0.45, 0.2, 0.15, 0.2]))](chance, depth)


def switched(chance: Generator, depth: float) -> tuple[MakePolicy, str]:
    """On and off, some kelvins apart; what is left of the work lets most drives cool down as far as `back`."""
    apart, dwell = chance.uniform(2.0, 7.0), chance.choice([0.0, 2.0, 8.0])
    low = min(0.75, depth * chance.uniform(0.15, 1.0))
    return lambda onset: Switched(onset, onset - apart, float(low), float(dwell)), "switched"


def stepped(chance: Generator, depth: float) -> tuple[MakePolicy, str]:
    """Two to four steps, the onsets a kelvin or more apart."""
    count = int(chance.integers(2, 5))
    apart, below, dwell = chance.uniform(0.5, 2.5), chance.uniform(1.5, 5.0), chance.uniform(1.0, 20.0)
    lows = [min(0.85, depth * float(chance.uniform(0.8, 1.2)))]
    lows += [lows[0] * float(factor) for factor in chance.uniform(0.4, 0.75, count - 1).cumprod()]
    return lambda onset: Stepped([onset + apart * place for place in range(count)], lows, below, dwell), "stepped"


def holding(chance: Generator, depth: float) -> tuple[MakePolicy, str]:  # noqa: ARG001 - as any policy
    """In proportion to the kelvins above."""
    gain, floor = chance.uniform(0.06, 0.25), chance.uniform(0.08, 0.3)
    return lambda onset: Holding(onset, float(gain), 0.0, float(floor)), "in proportion"


def summing(chance: Generator, depth: float) -> tuple[MakePolicy, str]:  # noqa: ARG001 - as any policy
    """In proportion, and with the sum of what was above."""
    gain, adding, floor = chance.uniform(0.02, 0.08), chance.uniform(0.0005, 0.004), chance.uniform(0.08, 0.3)
    return lambda onset: Holding(onset, float(gain), float(adding), float(floor)), "holding"


def cache_of(chance: Generator, share: float, low: float | None = None) -> Cache:
    """A write cache that fills after that share of the load, and recovers in pauses alone."""
    return Cache(
        megabytes=share,
        low=float(chance.uniform(0.15, 0.5)) if low is None else low,
        folding=float(chance.uniform(200.0, 900.0)),
        resume=float(chance.uniform(0.3, 0.9)),
    )


def set_reading(sketch: Sketch, **fields: float) -> Reading:
    """The sketch's way of sampling with other figures."""
    return structs.replace(sketch.reading, **fields)


def uniform(chance: Generator, least: float, most: float) -> float:
    """A number between two."""
    return float(chance.uniform(least, most))


# --- It slows ----------------------------------------------------------------------------------------------------


def _limit_known(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = switched(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows=str(chance.choice(["root", "limits"])), returns=2)


def _limit_unknown(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = switched(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows="ordinary", returns=2)


def _steps_known(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = stepped(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows=str(chance.choice(["root", "limits"])))


def _steps_unknown(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = stepped(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows="ordinary")


def _proportional(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = holding(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows="ordinary")


def _holds(chance: Generator, sketch: Sketch) -> Sketch:
    make, name = summing(chance, sketch.depth)
    return structs.replace(sketch, policy=make, name=name, knows="ordinary")


def _pulsed(chance: Generator, sketch: Sketch) -> Sketch:
    inner, _ = (holding, summing, switched)[int(chance.integers(3))](chance, sketch.depth)
    period = uniform(chance, 0.3, 1.3)
    return structs.replace(
        sketch, policy=lambda onset: Pulsed(inner(onset), period), name="pulsed", knows="ordinary", step=0.1
    )


def _host_managed(chance: Generator, sketch: Sketch) -> Sketch:
    apart, below = uniform(chance, 1.0, 6.0), uniform(chance, 1.0, 4.0)
    lows = (uniform(chance, 0.5, 0.85), uniform(chance, 0.15, 0.4))
    return structs.replace(
        sketch,
        policy=lambda onset: HostManaged(float(round(onset)), float(round(onset)) + apart, lows, below),
        name="host managed",
        watched="shown",
        knows="root",
        counts=True,
    )


def _host_managed_unknown(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(_host_managed(chance, sketch), knows="ordinary")


def _once(chance: Generator, sketch: Sketch) -> Sketch:
    """It slows once, far enough down that it does not return within the soak; the load ends first."""
    low, far = uniform(chance, 0.3, 0.7), uniform(chance, 18.0, 40.0)
    return structs.replace(
        sketch,
        policy=lambda onset: Switched(onset, onset - far, low),
        name="once",
        depth=uniform(chance, 0.6, 0.85),
        knows="ordinary",
        stop=sketch.seconds - uniform(chance, 0.0, 20.0),
    )


def _quick(chance: Generator, sketch: Sketch) -> Sketch:
    """Cycles of some seconds: a policy by the controller alone, two kelvins wide or so."""
    apart, low = uniform(chance, 1.0, 3.0), uniform(chance, 0.05, 0.5)
    return structs.replace(
        sketch,
        policy=lambda onset: Switched(onset, onset - apart, low),
        name="quick",
        returns=5,
        watched="controller",
        shown=Sensor(weights=(1.0, 0.0, 0.0, 0.0), offset=sketch.shown.offset),
        knows="ordinary",
        step=0.1,
        reading=set_reading(sketch, every=float(chance.choice([1.0, 2.0, 4.0])), hold=0.0),
    )


def _periodic_work(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.periodic(uniform(chance, 15.0, 200.0), uniform(chance, 5.0, 60.0), float(chance.choice([0.0, 0.1])))
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), depth=uniform(chance, 0.5, 0.85))


def _alternating(chance: Generator, sketch: Sketch) -> Sketch:
    shape = loads.alternating(uniform(chance, 3.0, 120.0), uniform(chance, 3.0, 120.0), float(chance.choice([0, 10])))
    return structs.replace(sketch, shape=shape, depth=uniform(chance, 0.5, 0.8))


def _bursty(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.bursts(uniform(chance, 10.0, 60.0), uniform(chance, 2.0, 15.0))
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), depth=uniform(chance, 0.5, 0.8))


def _random_mixed(chance: Generator, sketch: Sketch) -> Sketch:
    shape = loads.steady(reading=uniform(chance, 0.3, 0.9), ease=uniform(chance, 0.3, 0.7))
    return structs.replace(sketch, shape=shape, noise=uniform(chance, 0.03, 0.08))


def _other_body(chance: Generator, sketch: Sketch) -> Sketch:
    """It watches its controller and shows its flash or its board, smoothed and late."""
    weights = [(0.0, 1.0, 0.0, 0.0), (0.0, 0.3, 0.7, 0.0), (0.0, 0.4, 0.3, 0.3)]
    shown = Sensor(
        weights=weights[int(chance.integers(3))], offset=sketch.shown.offset, smooth=uniform(chance, 1.0, 4.0)
    )
    return structs.replace(
        sketch, watched="controller", shown=shown, knows="ordinary", reading=set_reading(sketch, late=2.0)
    )


def _two_sensors(chance: Generator, sketch: Sketch) -> Sketch:
    weights = (0.0, uniform(chance, 0.3, 1.0), 0.0, 0.0)
    weights = (0.0, weights[1], 1.0 - weights[1], 0.0)
    return structs.replace(
        sketch,
        watched="controller",
        shown=Sensor(weights=weights, offset=sketch.shown.offset),
        further=Sensor(weights=(1.0, 0.0, 0.0, 0.0), smooth=uniform(chance, 0.0, 2.0)),
    )


def _cache_and_heat(chance: Generator, sketch: Sketch) -> Sketch:
    """Writes that fill the cache first, and heat that slows what is left."""
    return structs.replace(
        sketch,
        shape=loads.steady(reading=uniform(chance, 0.0, 0.3)),
        cache=cache_of(chance, uniform(chance, 0.05, 0.3), low=uniform(chance, 0.4, 0.7)),
        depth=uniform(chance, 0.45, 0.65),
    )


def _sampled_coarsely(chance: Generator, sketch: Sketch) -> Sketch:
    every = float(chance.choice([5.0, 10.0]))
    return structs.replace(sketch, reading=set_reading(sketch, every=every, missed=uniform(chance, 0.02, 0.06)))


def _samples_missed(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(
        sketch, reading=set_reading(sketch, missed=uniform(chance, 0.03, 0.08), failed=uniform(chance, 0.01, 0.04))
    )


def _air_moves(chance: Generator, sketch: Sketch) -> Sketch:
    at = uniform(chance, 0.4, 0.75)
    return structs.replace(
        sketch,
        drift=uniform(chance, 1.5, 4.0),
        fans=((at, uniform(chance, 1.3, 2.5)),),
        air_steps=((uniform(chance, 0.2, 0.8), uniform(chance, -4.0, 4.0)),),
        depth=uniform(chance, 0.45, 0.7),
    )


def _neighbour_warms(chance: Generator, sketch: Sketch) -> Sketch:
    """A neighbour in the log starts to work and takes the air above what the drive can bear at full rate."""
    return structs.replace(
        sketch, neighbour=(uniform(chance, 0.2, 0.5), 1.0, True, uniform(chance, 4.0, 12.0)), depth=0.85
    )


def _ramps_up(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(
        sketch, shape=loads.gated(sketch.shape, loads.ramp(uniform(chance, 0.05, 0.3), 1.0)), depth=0.7
    )


def _stops_early(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(sketch, stop=uniform(chance, 0.45, 0.75) * sketch.seconds, depth=uniform(chance, 0.45, 0.75))


def _job(chance: Generator, sketch: Sketch) -> Sketch:
    """A job of so many MB that takes longer for heat; the log goes on to its end."""
    return structs.replace(sketch, job=True, stop=sketch.seconds, depth=uniform(chance, 0.5, 0.75))


def _begun_late(chance: Generator, sketch: Sketch) -> Sketch:
    """A log that was begun when the drive was hot and slow already; it came and goes again."""
    make, name = switched(chance, 0.6 * sketch.depth)
    return structs.replace(sketch, begun=uniform(chance, 1.0, 60.0), returns=1, policy=make, name=name)


def _writes_alone(chance: Generator, sketch: Sketch) -> Sketch:
    """It slows its writes alone; reads go on beside them."""
    return structs.replace(
        sketch,
        spares_reads=True,
        shape=loads.steady(reading=uniform(chance, 0.0, 0.4)),
        depth=uniform(chance, 0.5, 0.8),
    )


def _link_and_heat(chance: Generator, sketch: Sketch) -> Sketch:
    """Heat slows it, and late in the soak its link falls: below what heat leaves at times."""
    return structs.replace(
        sketch,
        shape=loads.steady(),
        link_falls=(uniform(chance, 0.75, 0.9), *((4, 2), (3, 4), (4, 1))[int(chance.integers(3))]),
        least_reads=4500.0,
        depth=uniform(chance, 0.45, 0.7),
    )


def _published_module(chance: Generator, sketch: Sketch) -> Sketch:
    """One module in random reads: 2.4 GB/s cold, 1.4 GB/s once at 80 C. Source: public notes, nvme_randread.txt."""
    ease, apart = uniform(chance, 0.4, 0.8), uniform(chance, 2.0, 8.0)
    return structs.replace(
        sketch,
        form="bare",
        shape=loads.steady(ease=ease),
        reads=2400.0 / ease,
        policy=lambda onset: Switched(onset, onset - apart, 1.4 / 2.4),
        name="published",
        watched="shown",
        at=80.0,
        knows="ordinary",
    )


def _published_server_drive(chance: Generator, sketch: Sketch) -> Sketch:
    """A server drive: full speed to 70 C, writes slowed at 76 C and stopped at 83 C. Source: its maker, E65386."""
    low, below = uniform(chance, 0.3, 0.6), uniform(chance, 2.0, 6.0)
    return structs.replace(
        sketch,
        form="case",
        seconds=2.0 * sketch.seconds,
        stop=2.0 * sketch.seconds - 60.0,
        shape=loads.steady(reading=uniform(chance, 0.0, 0.3)),
        policy=lambda onset: Stepped([onset, onset + 7.0], [low, 0.02], below, 2.0),
        name="published",
        spares_reads=True,
        watched="shown",
        at=76.0,
        limit_above=-6.0,
    )


# --- It does not slow ----------------------------------------------------------------------------------------------


def _steady(chance: Generator, sketch: Sketch) -> Sketch:
    use = float(chance.choice([loads.QUEUED, chance.uniform(0.3, 0.9)]))
    shape = loads.steady(use=use, reading=float(chance.choice([1.0, 0.0, 0.6])), ease=float(chance.choice([1.0, 0.5])))
    return structs.replace(sketch, shape=shape, stop=sketch.seconds, steady=True, drift=0.0)


def _steady_hot(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(_steady(chance, sketch), peak=uniform(chance, 74.0, 86.0))


def _cache_cool(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(
        sketch,
        peak=uniform(chance, 42.0, 56.0),
        shape=loads.steady(reading=0.0),
        cache=cache_of(chance, uniform(chance, 0.05, 0.7)),
    )


def _cache_warm(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(
        _cache_cool(chance, sketch), peak=uniform(chance, 70.0, 86.0), knows="ordinary", depth=uniform(chance, 1.1, 1.3)
    )


def _cache_above_warning(chance: Generator, sketch: Sketch) -> Sketch:
    """Its warning limit is the recommended one of about 70 C, which it passes without slowing: that comes later.

    Such drives are in public documents: full speed to 70, slower from 76 C on (a server drive, document E65386).
    """
    return structs.replace(
        _cache_warm(chance, sketch),
        knows=str(chance.choice(["root", "limits"])),
        limit_above=uniform(chance, -5.0, 2.0),
    )


def _cache_comes_and_goes(chance: Generator, sketch: Sketch) -> Sketch:
    """A cache that is folded while it is written to: a saw-tooth of rates that heat has no part in."""
    cache = structs.replace(
        cache_of(chance, uniform(chance, 0.02, 0.08)),
        meanwhile=uniform(chance, 400.0, 1500.0),
        resume=uniform(chance, 0.5, 0.85),
    )
    return structs.replace(sketch, shape=loads.steady(reading=0.0), cache=cache, peak=uniform(chance, 55.0, 80.0))


def _cache_recovers(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.periodic(uniform(chance, 60.0, 240.0), uniform(chance, 30.0, 120.0))
    return structs.replace(
        sketch,
        shape=loads.gated(loads.steady(reading=0.0), gate),
        cache=cache_of(chance, uniform(chance, 0.02, 0.06)),
        peak=uniform(chance, 50.0, 78.0),
    )


def _less_load(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.lessened(uniform(chance, 0.3, 0.7), uniform(chance, 0.25, 0.7))
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), peak=uniform(chance, 50.0, 84.0))


def _loads_change(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.stairs(int(chance.integers(3, 9)))
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), peak=uniform(chance, 50.0, 84.0))


def _periodic_cool(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.periodic(
        uniform(chance, 5.0, 200.0), uniform(chance, 5.0, 90.0), float(chance.choice([0.0, 0.1, 0.4]))
    )
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), peak=uniform(chance, 50.0, 80.0))


def _bursts_cool(chance: Generator, sketch: Sketch) -> Sketch:
    gate = loads.bursts(uniform(chance, 4.0, 40.0), uniform(chance, 3.0, 30.0))
    return structs.replace(sketch, shape=loads.gated(sketch.shape, gate), peak=uniform(chance, 50.0, 80.0))


def _alternating_cool(chance: Generator, sketch: Sketch) -> Sketch:
    shape = loads.alternating(uniform(chance, 3.0, 120.0), uniform(chance, 3.0, 120.0), float(chance.choice([0, 10])))
    return structs.replace(sketch, shape=shape, peak=uniform(chance, 50.0, 80.0))


def _host_limited(chance: Generator, sketch: Sketch) -> Sketch:
    shape = loads.steady(use=uniform(chance, 0.2, 0.7), reading=float(chance.choice([1.0, 0.0, 0.5])))
    return structs.replace(
        sketch, shape=shape, noise=uniform(chance, 0.02, 0.1), peak=uniform(chance, 50.0, 80.0), drift=0.0, steady=True
    )


def _ramps_down(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(
        sketch,
        shape=loads.gated(loads.steady(use=0.95), loads.ramp(1.0, uniform(chance, 0.1, 0.5))),
        peak=uniform(chance, 50.0, 80.0),
    )


def _link_falls(chance: Generator, sketch: Sketch) -> Sketch:
    generation, lanes = ((4, 2), (3, 4), (2, 4), (4, 1))[int(chance.integers(4))]
    return structs.replace(
        sketch,
        shape=loads.steady(),
        link_falls=(uniform(chance, 0.25, 0.75), generation, lanes),
        least_reads=4500.0,
        peak=uniform(chance, 50.0, 80.0),
    )


def _link_shared(chance: Generator, sketch: Sketch) -> Sketch:
    """A neighbour takes a part of the shared link; it is in the log, or is no drive at all and nobody sees it."""
    return structs.replace(
        sketch,
        shape=loads.steady(),
        neighbour=(uniform(chance, 0.25, 0.7), uniform(chance, 0.35, 0.7), bool(chance.random() < 0.6), 0.5),
        peak=uniform(chance, 50.0, 80.0),
    )


def _housekeeping(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(sketch, dips=uniform(chance, 30.0, 200.0), peak=uniform(chance, 50.0, 82.0))


def _air_moves_cool(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(_air_moves(chance, sketch), depth=1.5, peak=uniform(chance, 50.0, 78.0))


def _stops_early_cool(chance: Generator, sketch: Sketch) -> Sketch:
    return structs.replace(sketch, stop=uniform(chance, 0.4, 0.75) * sketch.seconds, peak=uniform(chance, 50.0, 82.0))


def _takes_nothing(chance: Generator, sketch: Sketch) -> Sketch:
    """The drive slows itself, but not below what its host asks for: nobody loses anything."""
    use = uniform(chance, 0.15, 0.35)
    return structs.replace(
        sketch,
        shape=loads.steady(use=use, reading=1.0),
        policy=lambda onset: Switched(onset, onset - 4.0, 1.3 * use),
        name="takes nothing",
        noise=0.01,
        depth=uniform(chance, 0.6, 0.9),
        knows=str(chance.choice(["limits", "ordinary"])),
        peak=uniform(chance, 78.0, 92.0),
    )


KINDS: Final = {
    "slows, limit known": Kind(slows=True, change=_limit_known),
    "slows, limit not known": Kind(slows=True, change=_limit_unknown),
    "slows in steps, limit known": Kind(slows=True, change=_steps_known),
    "slows in steps, limit not known": Kind(slows=True, change=_steps_unknown),
    "slows in proportion": Kind(slows=True, change=_proportional),
    "slows to hold a temperature": Kind(slows=True, change=_holds),
    "slows in pulses": Kind(slows=True, change=_pulsed),
    "slows, host managed, counted": Kind(slows=True, change=_host_managed),
    "slows, host managed, not known": Kind(slows=True, change=_host_managed_unknown),
    "slows once": Kind(slows=True, change=_once),
    "slows in cycles of seconds": Kind(slows=True, change=_quick),
    "slows, periodic work": Kind(slows=True, change=_periodic_work),
    "slows, reads and writes alternating": Kind(slows=True, change=_alternating),
    "slows, bursts": Kind(slows=True, change=_bursty),
    "slows, random and mixed": Kind(slows=True, change=_random_mixed),
    "slows, another body shown": Kind(slows=True, change=_other_body),
    "slows, two sensors": Kind(slows=True, change=_two_sensors),
    "slows, cache fills as well": Kind(slows=True, change=_cache_and_heat),
    "slows, sampled coarsely": Kind(slows=True, change=_sampled_coarsely),
    "slows, samples missed": Kind(slows=True, change=_samples_missed),
    "slows, air moves": Kind(slows=True, change=_air_moves),
    "slows, a neighbour warms it": Kind(slows=True, change=_neighbour_warms),
    "slows, load rises": Kind(slows=True, change=_ramps_up),
    "slows, load stops early": Kind(slows=True, change=_stops_early),
    "slows, a job takes longer": Kind(slows=True, change=_job),
    "slows, log begun late": Kind(slows=True, change=_begun_late),
    "slows its writes alone": Kind(slows=True, change=_writes_alone),
    "slows, link falls as well": Kind(slows=True, change=_link_and_heat),
    "slows, a published module": Kind(slows=True, change=_published_module),
    "slows, a published server drive": Kind(slows=True, change=_published_server_drive),
    "steady": Kind(slows=False, change=_steady),
    "steady and hot": Kind(slows=False, change=_steady_hot),
    "cache fills while cool": Kind(slows=False, change=_cache_cool),
    "cache fills while warm": Kind(slows=False, change=_cache_warm),
    "cache fills above the warning limit": Kind(slows=False, change=_cache_above_warning),
    "cache comes and goes": Kind(slows=False, change=_cache_comes_and_goes),
    "cache recovers in pauses": Kind(slows=False, change=_cache_recovers),
    "less load": Kind(slows=False, change=_less_load),
    "loads change": Kind(slows=False, change=_loads_change),
    "periodic": Kind(slows=False, change=_periodic_cool),
    "bursts": Kind(slows=False, change=_bursts_cool),
    "reads and writes alternating": Kind(slows=False, change=_alternating_cool),
    "host-limited": Kind(slows=False, change=_host_limited),
    "load falls evenly": Kind(slows=False, change=_ramps_down),
    "link falls": Kind(slows=False, change=_link_falls),
    "link shared": Kind(slows=False, change=_link_shared),
    "housekeeping": Kind(slows=False, change=_housekeeping),
    "air moves": Kind(slows=False, change=_air_moves_cool),
    "load stops early": Kind(slows=False, change=_stops_early_cool),
    "slowing that takes nothing": Kind(slows=False, change=_takes_nothing),
}
