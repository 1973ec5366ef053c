"""The run: loads are started, looked at in intervals, and stopped. Takes no time itself and judges no rate.

The clock, the temperature of a drive and the state of links come from arguments. What was measured before a drive
went away, got hot or the user stopped is kept.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.interrupt import raised
from agent.measure.choosing import first
from agent.measure.loaded import Loaded, MeasureProgress, too_hot
from agent.measure.measured import WARM_UP, Measured, Spread
from agent.measure.trying import find, try_bytes, worth_it
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.measure.loaded import Around, BytesMoved
    from agent.measure.measured import Chosen, MeasureRequest, Target

FEWEST: Final = 4  # intervals; of fewer no spread is told
CELSIUS_EVERY: Final = 1.0
LINKS_AT: Final = 2  # the interval after which links are looked at: they are awake by then
LEAST_INTERVAL: Final = 0.5  # of an interval; what is shorter, at the end, is left out


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
    cool: dict[str, Loaded] = {}
    found: dict[str, Measured] = {}
    pair = first(asked, len(targets) if asked.together else 1)
    most = try_bytes(asked) if worth_it(asked, pair) else asked.max_bytes
    try:
        for target in targets:
            start = around.temperature(target.drive) if target.drive is not None else None
            warm = None if isinstance(start, Unread) else start
            refusal = too_hot(target, warm, asked)
            if refusal:
                found[target.name] = Measured(
                    target=target, celsius=None if warm is None else (warm, warm), ended="hot", words=refusal
                )
            else:
                cool[target.name] = Loaded(target, asked, around, start, (pair, most))
    except BaseException:
        for timed in cool.values():
            timed.load.close()
        raise
    groups = [list(cool.values())] if asked.together and cool else [[timed] for timed in cool.values()]
    sums: tuple[float, ...] = ()
    interrupted = False
    for number, group in enumerate(groups):
        run = _Run(group, asked, around, (number + 1, len(groups)))
        interrupted = run.go()
        found.update({timed.target.name: timed.measured for timed in group if timed.measured is not None})
        if asked.together and len(group) > 1:
            sums = run.sums()
        if interrupted:
            for later in groups[number + 1 :]:
                later[0].load.close()
            break
    return tuple(found[target.name] for target in targets if target.name in found), sums, interrupted


class _Run:
    """Loads that run at the same time, and what they had read at each tick."""

    def __init__(self, group: Sequence[Loaded], asked: MeasureRequest, around: Around, place: tuple[int, int]) -> None:
        """`place` is the number of this run, and of how many."""
        self._group, self._asked, self._around, self._place = group, asked, around, place
        self._running: list[Loaded] = []
        self._chosen: Chosen | None = None
        self._ticks: list[tuple[float, tuple[int, ...]]] = []
        self._links: dict[str, tuple[int, int] | Unread] = {}

    def go(self) -> bool:
        """Run to the end; whether the user stopped it."""
        begun = self._around.clock()
        interrupted = False
        start, before = begun, None
        try:
            with raised():
                self._chosen = find(self._group, self._asked, self._around, self._place)
                self._running = [timed for timed in self._group if timed.ended is None]
                before = self._around.traffic()
                start = self._around.clock()
                self._loop(start, max(self._asked.interval, begun + self._asked.seconds - start))
        except KeyboardInterrupt:
            interrupted = True
        for timed in self._running or self._group:
            if timed.load.running or (interrupted and not self._running):
                timed.stop("interrupt" if interrupted else "time")
        self._mark_ends(start)
        for timed in self._group:
            if timed in self._running:
                rates, left_out = self._rates(self._running.index(timed))
                timed.close(self._chosen, rates, spread_of(rates), left_out, self._links)
            else:
                timed.close(self._chosen)
        if before is not None:
            self._count_others(before, start)
        return interrupted

    def _loop(self, start: float, seconds: float) -> None:
        from threading import Event

        changed, clock, interval = Event(), self._around.clock, self._asked.interval
        self._tick(start, start)
        for timed in self._running:
            timed.load.start(changed)
        number, next_look = 1, start + CELSIUS_EVERY
        while any(timed.load.running for timed in self._running):
            self._around.wait(changed, max(0.0, min(start + number * interval, start + seconds) - clock()))
            changed.clear()
            now = clock()
            self._mark_ends(start)
            over = now - start >= seconds
            if over or now >= start + number * interval:
                self._tick(now, start)
                self._around.show(self._doing((now - start) / seconds))
                number = int((now - start) / interval) + 1
            if over:
                return
            if len(self._ticks) == LINKS_AT + 1 and not self._links:
                self._links = dict(self._around.links([key for timed in self._running for key in timed.target.hops]))
            if now >= next_look:
                for timed in self._running:
                    timed.look()
                next_look = now + CELSIUS_EVERY

    def _doing(self, part: float) -> MeasureProgress:
        return MeasureProgress(tuple(timed.target.name for timed in self._running), *self._place, min(1.0, part))

    def _tick(self, now: float, start: float) -> None:
        self._ticks.append((now - start, tuple(timed.load.read_bytes for timed in self._running)))

    def _mark_ends(self, start: float) -> None:
        """Note when the loads that have ended did so, and how much they had read."""
        for timed in self._running:
            if timed.end is None and (timed.ended is not None or not timed.load.running):
                timed.end = (self._around.clock() - start, timed.load.read_bytes)

    def _rates(self, number: int) -> tuple[tuple[float, ...], float]:
        """Rates of the intervals of one load until its end, and the seconds at its start that were left out."""
        end = self._running[number].end
        marks = [(at, read[number]) for at, read in self._ticks if end is None or at <= end[0]]
        if end is not None:
            marks.append(end)
        return self._between(marks)

    def sums(self) -> tuple[float, ...]:
        """Rates of the intervals in which all loads ran."""
        if len(self._running) < len(self._group):
            return ()  # one was lost while sizes were tried
        until = min(timed.end[0] for timed in self._running if timed.end is not None)
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

    def _count_others(self, before: Mapping[str, BytesMoved] | Unread, start: float) -> None:
        """What others read and wrote meanwhile, by the system's own counters."""
        after = self._around.traffic()
        seconds = self._around.clock() - start
        own: dict[str, int] = {}
        for timed in self._running:
            if timed.target.whole is not None:
                own[timed.target.whole] = own.get(timed.target.whole, 0) + timed.load.read_bytes - timed.first_bytes
        others, lost = between(before, after, own, seconds)
        for timed in self._running:
            if timed.measured is not None:
                timed.measured = replace(timed.measured, others_mbps=others, others_lost=lost)


def between(
    before: Mapping[str, BytesMoved] | Unread,
    after: Mapping[str, BytesMoved] | Unread,
    own: Mapping[str, int],
    seconds: float,
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
