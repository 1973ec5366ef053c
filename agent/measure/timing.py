"""The run: loads are started, looked at in intervals, and stopped. Takes no time itself and judges no rate.

The clock, the temperature of a drive and the state of links come from arguments. What was measured before a drive
went away, got hot or the user stopped is kept.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.interrupt import raised
from agent.measure.measured import WARM_UP, Measured, Reason, Spread
from knowledge.phrasing import celsius_text, quoted
from knowledge.problems import BadInput
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS
from probes.blocks import ReadLoad, ReadPlan
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from agent.measure.measured import MeasureRequest, Target
    from probes.blocks import Failure

    Temperature = Callable[[str], float | Unread | None]
    Links = Callable[[Sequence[str]], Mapping[str, tuple[int, int] | Unread]]
    _Bytes = tuple[int, int] | Unread
    Traffic = Callable[[], Mapping[str, _Bytes] | Unread]

FEWEST: Final = 4  # intervals; of fewer no spread is told
STOP_CELSIUS: Final = 2.0  # below the warning limit
STOP_CRITICAL_CELSIUS: Final = 5.0  # below the critical limit, where the drive tells no other
CELSIUS_EVERY: Final = 1.0
LINKS_AT: Final = 2  # the interval after which links are looked at: they are awake by then
GRACE: Final = 10.0  # seconds for requests in flight to come back
LEAST_INTERVAL: Final = 0.5  # of an interval; what is shorter, at the end, is left out


class Around(Struct, frozen=True):
    """What a run is told by its surroundings.

    `clock` counts seconds and never jumps. `temperature` is that of a drive by its name (None: no sensor), `links` the
    state of hops by their keys, `traffic` the bytes (read, written) of each block device since the system started.
    `read` does as `os.preadv` (None: it is that).
    """

    clock: Callable[[], float]
    temperature: Temperature = lambda _: None
    links: Links = lambda _: {}
    traffic: Traffic = dict
    read: Callable[[int, Sequence[memoryview], int], int] | None = None


def spread_of(rates: Sequence[float]) -> Spread | None:
    """The spread of some rates; None where they are too few to have one.

    Quantiles lie between the two nearest values in proportion (type 7 of Hyndman and Fan, 1996).
    """
    if len(rates) < FEWEST:
        return None
    ranked = sorted(rates)

    def quantile(part: float) -> float:
        place = part * (len(ranked) - 1)
        below = int(place)
        above = min(below + 1, len(ranked) - 1)
        return ranked[below] + (ranked[above] - ranked[below]) * (place - below)

    return Spread(
        quantile(0.5),
        (quantile(0.25), quantile(0.75)),
        (quantile(0.1), quantile(0.9)),
        (ranked[0], ranked[-1]),
        len(ranked),
    )


def measure(
    targets: Sequence[Target], asked: MeasureRequest, around: Around
) -> tuple[tuple[Measured, ...], tuple[float, ...], bool]:
    """Measure the targets in turn, or all at once; what came of each, rates of the sum, whether the user stopped it.

    A place that cannot be read at all is refused before anything is loaded (BadInput). The rates of the sum are those
    of the intervals in which all were read, and () where targets are measured in turn.
    """
    cool: dict[str, _One] = {}
    found: dict[str, Measured] = {}
    try:
        for target in targets:
            start = around.temperature(target.drive) if target.drive is not None else None
            warm = None if isinstance(start, Unread) else start
            refusal = _too_hot(target, warm, asked)
            if refusal:
                found[target.name] = Measured(
                    target=target, celsius=None if warm is None else (warm, warm), ended="hot", words=refusal
                )
            else:
                cool[target.name] = _One(target, asked, around, start)
    except BaseException:
        for timed in cool.values():
            timed.load.close()
        raise
    groups = [list(cool.values())] if asked.together and cool else [[timed] for timed in cool.values()]
    sums: tuple[float, ...] = ()
    interrupted = False
    for number, group in enumerate(groups):
        run = _Run(group, asked, around)
        interrupted = run.go()
        found.update({timed.target.name: timed.measured for timed in group if timed.measured is not None})
        if asked.together and len(group) > 1:
            sums = run.sums()
        if interrupted:
            for later in groups[number + 1 :]:
                later[0].load.close()
            break
    return tuple(found[target.name] for target in targets if target.name in found), sums, interrupted


def _limit(target: Target, *, hot: bool) -> tuple[float, float, float, str] | None:
    """The limit that a run keeps away from, how far before it starts and stops, and its name; None: none is known."""
    if target.warning_celsius is not None and not hot:
        return target.warning_celsius, NEAR_LIMIT_CELSIUS, STOP_CELSIUS, "warning"
    if target.critical_celsius is not None:
        return target.critical_celsius, NEAR_CRITICAL_CELSIUS, STOP_CRITICAL_CELSIUS, "critical"
    return None


def _too_hot(target: Target, celsius: float | None, asked: MeasureRequest) -> str:
    """Why a drive is not measured, "" where it may be."""
    limit = _limit(target, hot=asked.hot)
    if celsius is None or limit is None:
        return ""
    degrees, near, _, name = limit
    if asked.hot:
        near = STOP_CRITICAL_CELSIUS
    if celsius < degrees - near:
        return ""
    if celsius >= degrees:
        where = f"at or above its {name} limit of {celsius_text(degrees)}"
    else:
        where = f"{celsius_text(degrees - celsius)} below its {name} limit of {celsius_text(degrees)}"
    then = "let it cool" if asked.hot else "let it cool, or measure it all the same with --hot"
    return f"not measured: it is at {celsius_text(celsius)}, {where}; {then}"


class _One:
    """One target in a run: its load, its temperature, how it ended."""

    def __init__(self, target: Target, asked: MeasureRequest, around: Around, celsius: float | Unread | None) -> None:
        self.target = target
        wanted = ReadPlan(asked.block, asked.depth, asked.pattern, asked.max_bytes, asked.seed)
        self.load = ReadLoad(target.place, wanted, around.read)
        if self.load.size < asked.block:
            self.load.close()
            raise BadInput(
                f"{quoted(target.place.path)} holds {self.load.size:,} bytes, less than one request of "
                f"{asked.block:,}, which tells nothing of a drive; name a larger file, or a smaller --block"
            )
        self.first_bytes = self.load.read_bytes
        self.ended: Reason | None = None
        self.words = ""
        self.end: tuple[float, int] | None = None
        self.measured: Measured | None = None
        self._asked, self._around = asked, around
        self._celsius_lost = celsius if isinstance(celsius, Unread) else None
        self._start = self._highest = None if isinstance(celsius, Unread) else celsius
        self._limit = _limit(target, hot=asked.hot)

    def look(self) -> None:
        """Ask for the temperature; stop the load where it is too high."""
        if self.target.drive is None:
            return
        now = self._around.temperature(self.target.drive)
        if isinstance(now, Unread):
            self._celsius_lost = now
        if now is None or isinstance(now, Unread):
            return
        self._start = now if self._start is None else self._start
        self._highest = now if self._highest is None else max(now, self._highest)
        if self._limit is not None and now >= self._limit[0] - self._limit[2] and self.ended is None:
            limit, _, _, name = self._limit
            self.stop("hot", f"stopped at {celsius_text(now)}, close to its {name} limit of {celsius_text(limit)}")

    def stop(self, reason: Reason, words: str = "") -> None:
        """Let the load end for this reason, if it has not ended for another."""
        if self.ended is None:
            self.ended, self.words = reason, words
        self.load.stop()

    def close(self, rates: tuple[float, ...], left_out: float, links: Mapping[str, tuple[int, int] | Unread]) -> None:
        """Wait for what is in flight and put together what came of it."""
        lost = self.load.finish(GRACE)
        failure = self.load.failure
        if failure is not None and self.ended is None:
            self.ended, self.words = "gone" if failure.gone else "failed", _failed(failure)
        seconds, total = self.end or (0.0, self.load.read_bytes)
        self.measured = Measured(
            target=self.target,
            size_bytes=self.load.size,
            direct=self.load.direct,
            read_bytes=self.load.read_bytes,
            requests=self.load.requests,
            seconds=seconds,
            mean=(total - self.first_bytes) / seconds / 1e6 if seconds > 0 and total > self.first_bytes else None,
            spread=spread_of(rates),
            rates=rates,
            left_out=left_out,
            celsius=None if self._start is None or self._highest is None else (self._start, self._highest),
            celsius_lost=self._celsius_lost,
            links={key: rate for key, rate in links.items() if key in self.target.hops},
            ended=self.ended or "bytes",
            words=self.words,
            lost=lost,
        )


def _failed(failure: Failure) -> str:
    """What happened to a load that failed, for people."""
    if failure.gone:
        return f"the drive went away while it was read ({failure.name or 'it holds nothing any more'})"
    if not failure.name:
        return f"the data ended early, at byte {failure.offset:,}: it was made shorter meanwhile"
    return f"it could not be read at byte {failure.offset:,} ({failure.name})"


class _Run:
    """Loads that run at the same time, and what they had read at each tick."""

    def __init__(self, group: Sequence[_One], asked: MeasureRequest, around: Around) -> None:
        self._group, self._asked, self._around = group, asked, around
        self._ticks: list[tuple[float, tuple[int, ...]]] = []
        self._links: dict[str, tuple[int, int] | Unread] = {}

    def go(self) -> bool:
        """Run to the end; whether the user stopped it."""
        before = self._around.traffic()
        interrupted = False
        start = self._around.clock()
        try:
            with raised():
                self._loop(start)
        except KeyboardInterrupt:
            interrupted = True
        for timed in self._group:
            if timed.load.running:
                timed.stop("interrupt" if interrupted else "time")
        self._mark_ends(start)
        for number, timed in enumerate(self._group):
            rates, left_out = self._rates(number)
            timed.close(rates, left_out, self._links)
        self._count_others(before, start)
        return interrupted

    def _loop(self, start: float) -> None:
        from threading import Event

        changed, clock, interval = Event(), self._around.clock, self._asked.interval
        self._tick(start, start)
        for timed in self._group:
            timed.load.start(changed)
        number, next_look = 1, start + CELSIUS_EVERY
        while any(timed.load.running for timed in self._group):
            changed.wait(max(0.0, min(start + number * interval, start + self._asked.seconds) - clock()))
            changed.clear()
            now = clock()
            self._mark_ends(start)
            over = now - start >= self._asked.seconds
            if over or now >= start + number * interval:
                self._tick(now, start)
                number = int((now - start) / interval) + 1
            if over:
                return
            if len(self._ticks) == LINKS_AT + 1 and not self._links:
                self._links = dict(self._around.links([key for timed in self._group for key in timed.target.hops]))
            if now >= next_look:
                for timed in self._group:
                    timed.look()
                next_look = now + CELSIUS_EVERY

    def _tick(self, now: float, start: float) -> None:
        self._ticks.append((now - start, tuple(timed.load.read_bytes for timed in self._group)))

    def _mark_ends(self, start: float) -> None:
        """Note when the loads that have ended did so, and how much they had read."""
        for timed in self._group:
            if timed.end is None and (timed.ended is not None or not timed.load.running):
                timed.end = (self._around.clock() - start, timed.load.read_bytes)

    def _rates(self, number: int) -> tuple[tuple[float, ...], float]:
        """Rates of the intervals of one load until its end, and the seconds at its start that were left out."""
        end = self._group[number].end
        marks = [(at, read[number]) for at, read in self._ticks if end is None or at <= end[0]]
        if end is not None:
            marks.append(end)
        return self._between(marks)

    def sums(self) -> tuple[float, ...]:
        """Rates of the intervals in which all loads ran."""
        until = min(timed.end[0] for timed in self._group if timed.end is not None)
        return self._between([(at, sum(read)) for at, read in self._ticks if at <= until])[0]

    def _between(self, marks: Sequence[tuple[float, int]]) -> tuple[tuple[float, ...], float]:
        least = self._asked.interval * LEAST_INTERVAL
        rates = [
            (after - before) / (to - since) / 1e6
            for (since, before), (to, after) in pairwise(marks)
            if to - since >= least
        ]
        if len(rates) <= WARM_UP:
            return (), 0.0
        return tuple(rates[WARM_UP:]), marks[WARM_UP][0]

    def _count_others(self, before: Mapping[str, _Bytes] | Unread, start: float) -> None:
        """What others read and wrote meanwhile, by the system's own counters."""
        after = self._around.traffic()
        seconds = self._around.clock() - start
        own: dict[str, int] = {}
        for timed in self._group:
            if timed.target.whole is not None:
                own[timed.target.whole] = own.get(timed.target.whole, 0) + timed.load.read_bytes - timed.first_bytes
        others, lost = between(before, after, own, seconds)
        for timed in self._group:
            if timed.measured is not None:
                timed.measured = replace(timed.measured, others_mbps=others, others_lost=lost)


def between(
    before: Mapping[str, _Bytes] | Unread, after: Mapping[str, _Bytes] | Unread, own: Mapping[str, int], seconds: float
) -> tuple[dict[str, tuple[float, float] | Unread], Unread | None]:
    """Rates of others by block device, less what was read by this program itself; and why there are none at all."""
    if isinstance(before, Unread):
        return {}, before
    if isinstance(after, Unread):
        return {}, after
    others: dict[str, tuple[float, float] | Unread] = {}
    for name in before if seconds > 0 else ():
        first, last = before[name], after.get(name, Unread(name, "it was not counted any more"))
        if isinstance(first, Unread):
            others[name] = first
            continue
        if isinstance(last, Unread):
            others[name] = last
            continue
        read, written = (last[way] - first[way] for way in (0, 1))
        if read < 0 or written < 0 or (own.get(name) and not read):
            continue  # a count that fell, or a device that counts nothing, tells nothing
        others[name] = max(0, read - own.get(name, 0)) / seconds / 1e6, written / seconds / 1e6
    return others, None
