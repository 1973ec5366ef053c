"""A track made fit for judging: readings no drive can mean left out, time in order, means of short blocks.

Whole arrays go through functions written in C (map, compress, sum), as a day of eight drives is 700,000 samples.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from itertools import chain, compress, islice, pairwise, repeat
from math import isfinite, isnan, nan
from operator import add, eq, lt, mul, or_, sub
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.soak.analysed import DriveLoad, DriveTemperatures, Limit, LoadRates, TimeSpan
from agent.soak.events import JUMP_KELVIN, JUMP_SECONDS
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS
from probes.samples import CRITICAL_LIMIT, WARNING_LIMIT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.soak.analysed import LimitKind
    from probes.samples import DriveHead, Track

COLDEST: Final = 0.0  # no drive works beyond these: rubbish of a sensor, as 65261.85 for a limit that is not set
HOTTEST: Final = 200.0
FASTEST_MBPS: Final = 1e6
LOADED_MBPS: Final = 5.0  # below that a system's own logs and the like, not a workload (common practice)
LOADED_BUSY: Final = 0.3  # share of time with a request under way: small random requests move few bytes
BLOCK_SECONDS: Final = 10.0
STANDS_FOR: Final = 3.0  # a sample stands for the time since the one before, at most for so many intervals


class Series(Struct, frozen=True):
    """A drive over the soak, lists of equal length; nan where a thing is not known.

    `since` are the seconds since the last sample, `lasted` those for which a sample stands.
    """

    head: DriveHead
    every: float
    seconds: list[float]
    celsius: list[float]
    read: list[float]
    write: list[float]
    busy: list[float]
    since: list[float]
    lasted: list[float]


class Blocks(Struct, frozen=True):
    """Means over blocks of some seconds, lists of equal length; `first` is each block's first sample, one more at last.

    `rate` is reading and writing together. Blocks without samples are left out.
    """

    length: float
    first: list[int]
    start: list[float]
    end: list[float]
    celsius: list[float]
    read: list[float]
    write: list[float]
    rate: list[float]
    busy: list[float]

    def loaded(self, place: int) -> bool:
        """Whether the drive worked in that block; what is not known counts as rest."""
        return self.rate[place] >= LOADED_MBPS or self.busy[place] >= LOADED_BUSY


def series(track: Track, every: float) -> Series:
    """A track without rubbish and with time in order."""
    seconds = track.seconds.tolist()
    columns: list[array[float]] = [track.celsius, track.read_mbps, track.write_mbps, track.busy]
    ordered = all(map(lt, seconds, islice(seconds, 1, None)))
    if not ordered or not all(map(isfinite, (*seconds[:1], *seconds[-1:]))):
        kept = _ascending(seconds)
        seconds = [seconds[place] for place in kept]
        columns = [array("d", [column[place] for place in kept]) for column in columns]
    celsius = _steady(_within(columns[0], COLDEST, HOTTEST), seconds)
    read, write = _within(columns[1], 0.0, FASTEST_MBPS), _within(columns[2], 0.0, FASTEST_MBPS)
    since = list(chain([every][: len(seconds)], map(sub, islice(seconds, 1, None), seconds)))
    longest = STANDS_FOR * every
    lasted = since if not since or max(since) <= longest else [min(time, longest) for time in since]
    return Series(track.head, every, seconds, celsius, read, write, _within(columns[3], 0.0, 10.0), since, lasted)


def blocks(of: Series, length: float = BLOCK_SECONDS) -> Blocks:
    """Means over blocks, which are never shorter than the time between samples."""
    length = max(length, of.every)
    seconds, count = of.seconds, len(of.seconds)
    first, start, end = [], [], []
    begin = 0
    while begin < count:
        bound = (seconds[begin] // length + 1.0) * length
        after = bisect_left(seconds, bound, begin + 1)
        first.append(begin)
        start.append(seconds[begin] - of.lasted[begin])
        end.append(seconds[after - 1])
        begin = after
    first.append(count)
    read, write = _means(of.read, first), _means(of.write, first)
    return Blocks(
        length=length,
        first=first,
        start=start,
        end=end,
        celsius=_means(of.celsius, first),
        read=read,
        write=write,
        rate=[a + b for a, b in zip(read, write, strict=True)],
        busy=_means(of.busy, first),
    )


def limits_of(head: DriveHead) -> tuple[Limit, ...]:
    """The limits that a drive tells and can mean, above freezing and below what any drive stands; warning first."""
    told: tuple[tuple[float | None, LimitKind, str], ...] = (
        (head.warning_celsius, "warning", WARNING_LIMIT),
        (head.critical_celsius, "critical", CRITICAL_LIMIT),
    )
    return tuple(
        Limit(celsius, kind, head.limits_from.get(word, ""))
        for celsius, kind, word in told
        if celsius is not None and COLDEST < celsius < HOTTEST
    )


def limit_of(head: DriveHead) -> Limit | None:
    """The limit to hold a drive against: its own warning limit, else its critical one, if it can mean them."""
    return next(iter(limits_of(head)), None)


def near_of(limit: Limit) -> float:
    """How far below a limit a drive is close to it, in kelvin."""
    return NEAR_CRITICAL_CELSIUS if limit.kind == "critical" else NEAR_LIMIT_CELSIUS


def temperatures(of: Series, track: Track, limit: Limit | None) -> DriveTemperatures | None:
    """Least, most, mean and the time near and above the limits; None where no temperature is known."""
    whole = all_known(of.celsius)
    known = of.celsius if whole else [value for value in of.celsius if value == value]  # noqa: PLR0124 - nan
    if not known:
        return None
    most = max(known)
    lasted = of.lasted if whole else list(compress(of.lasted, map(eq, of.celsius, of.celsius)))
    total = sum(lasted)
    hottest = track.hottest
    if not all_known(hottest) or not COLDEST < min(hottest, default=nan) <= max(hottest, default=nan) < HOTTEST:
        hottest = array("d", [value if COLDEST < value < HOTTEST else nan for value in hottest])
    if len(hottest) == len(of.seconds):
        hottest = array("d", _steady(hottest.tolist(), of.seconds))
    if not all_known(hottest):
        hottest = array("d", [value for value in hottest if isfinite(value)])

    def above(least: float) -> float:
        return sum(compress(lasted, map(float(least).__le__, known))) if most >= least else 0.0

    times = {limit.kind: above(limit.celsius) for limit in limits_of(of.head)}
    return DriveTemperatures(
        least=min(known),
        most=most,
        most_at=of.seconds[of.celsius.index(most)],
        mean=sum(map(mul, known, lasted)) / total if total > 0.0 else sum(known) / len(known),
        hottest=max(hottest, default=None),
        known_seconds=total,
        above_warning=times.get("warning"),
        above_critical=times.get("critical"),
        near=above(limit.celsius - near_of(limit)) - above(limit.celsius) if limit is not None else None,
    )


def load(of: Series) -> DriveLoad | None:
    """What the drive was asked to do; None where no rate is known. Where it only read or only wrote, either is that."""
    either = list(map(add, of.read, of.write))
    known = list(map(eq, either, either))
    if not any(known):
        return None
    working = list(map(or_, map(LOADED_MBPS.__le__, either), map(LOADED_BUSY.__le__, of.busy)))
    busy = [value for value in compress(of.busy, working) if value == value]  # noqa: PLR0124 - nan
    read, write = _rates(of.read, of.lasted), _rates(of.write, of.lasted)
    return DriveLoad(
        read=read,
        write=write,
        either=_rates(either, of.lasted) if (read is None) == (write is None) else read or write,
        read_bytes=_bytes(of.read, of.since),
        written_bytes=_bytes(of.write, of.since),
        seconds=sum(compress(of.lasted, working)),
        known_seconds=sum(compress(of.lasted, known)),
        busy=min(1.0, sum(busy) / len(busy)) if busy else None,
    )


def gaps(of: Series) -> tuple[TimeSpan, ...]:
    """Times without samples, longer than a late one explains."""
    longest = STANDS_FOR * of.every
    if not of.since or max(of.since) <= longest:
        return ()
    pairs = zip(of.seconds, of.seconds[1:], strict=False)
    return tuple(TimeSpan(earlier, later) for earlier, later in pairs if later - earlier > longest)


def middle_rate(of: Series, begin: float, end: float) -> float | None:
    """The median rate, reading and writing together, of the samples in (begin, end]; None where none is known."""
    low, high = bisect_left(of.seconds, begin), bisect_left(of.seconds, end)
    both = map(add, of.read[low:high], of.write[low:high])
    return median([rate for rate in both if rate == rate])  # noqa: PLR0124 - nan


def median(values: Iterable[float]) -> float | None:
    """The middle value; None of none."""
    ordered = sorted(values)
    if not ordered:
        return None
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0


def _within(values: array[float], low: float, high: float) -> list[float]:
    """Values with nan for whatever is not between the bounds. The first may be nan, as rates need a sample before."""
    column = values.tolist()
    rest = column[1:] if column and column[0] != column[0] else column
    if not rest or (all_known(rest) and low <= min(rest) and max(rest) <= high):
        return column
    return [value if low <= value <= high else nan for value in column]


def _steady(values: list[float], seconds: Sequence[float]) -> list[float]:
    """Temperatures with nan for those that are too far from the last one before, as a sensor gives now and then."""
    if not any(map(lt, repeat(JUMP_KELVIN), map(abs, map(sub, islice(values, 1, None), values)))):
        return values
    found, last, since = [], nan, 0.0
    for value, at in zip(values, seconds, strict=True):
        if abs(value - last) > JUMP_KELVIN and at - since < JUMP_SECONDS:
            found.append(nan)
            continue
        found.append(value)
        if isfinite(value):
            last, since = value, at
    return found


def all_known(values: Sequence[float]) -> bool:
    """Whether no value is nan (nor are there infinite ones of both signs)."""
    total = sum(values)
    return total == total  # noqa: PLR0124 - nan


def count_known(values: Sequence[float]) -> int:
    """How many values are not nan."""
    return len(values) if all_known(values) else sum(map(eq, values, values))


def _ascending(seconds: Sequence[float]) -> list[int]:
    """The places of samples that come after all samples before them."""
    kept, last = [], float("-inf")
    for place, when in enumerate(seconds):
        if last < when < float("inf"):
            kept.append(place)
            last = when
    return kept


def _means(values: Sequence[float], first: Sequence[int]) -> list[float]:
    """The mean of each block, of what is known of it."""
    found = []
    for begin, end in pairwise(first):
        part = values[begin:end]
        mean = sum(part) / (end - begin)
        if isnan(mean):
            known = [value for value in part if value == value]  # noqa: PLR0124 - nan
            mean = sum(known) / len(known) if known else nan
        found.append(mean)
    return found


def _rates(values: Sequence[float], lasted: Sequence[float]) -> LoadRates | None:
    working = list(map(LOADED_MBPS.__le__, values))
    ordered = sorted(compress(values, working))
    if not ordered:
        return None
    last = len(ordered) - 1
    half = median(ordered)
    assert half is not None
    seconds = sum(compress(lasted, working))
    return LoadRates(half, ordered[round(last * 0.25)], ordered[round(last * 0.75)], ordered[-1], seconds)


def _bytes(values: Sequence[float], since: Sequence[float]) -> float:
    """Bytes of rates over the time since the last sample; what is not known counts nothing."""
    total = float(sum(map(mul, values[1:], since[1:])))  # the first is the rate before the first sample
    total += values[0] * since[0] if values and not isnan(values[0]) else 0.0
    if isnan(total):
        total = sum(rate * time for rate, time in zip(values, since, strict=True) if rate == rate)  # noqa: PLR0124 - nan
    return total * 1e6
