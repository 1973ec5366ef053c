"""A target while it is read: its load, where that goes on, its temperature, how it ended. Takes no time itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.measure.measured import Measured
from knowledge.phrasing import celsius_text, quoted
from knowledge.problems import BadInput
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS
from probes.blocks import ALIGNED, ReadLoad, ReadPlan
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from threading import Event

    from agent.measure.measured import Chosen, MeasureRequest, ReadSize, Reason, Spread, Target
    from probes.blocks import Failure, ReadTarget

    Temperature = Callable[[str], float | Unread | None]
    Links = Callable[[Sequence[str]], Mapping[str, tuple[int, int] | Unread]]
    BytesMoved = tuple[int, int] | Unread
    Traffic = Callable[[], Mapping[str, BytesMoved] | Unread]

STOP_CELSIUS: Final = 2.0  # below the warning limit
STOP_CRITICAL_CELSIUS: Final = 5.0  # below the critical limit, where the drive tells no other
GRACE: Final = 10.0  # seconds for requests in flight to come back


class MeasureProgress(Struct, frozen=True):
    """What a run does just now, for whoever shows it: which of how many targets, how far, what is being tried.

    `part` is the share of its time that is over; `trying` is None once sizes are chosen.
    """

    names: tuple[str, ...]
    number: int
    of: int
    part: float
    trying: ReadSize | None = None


class Around(Struct, frozen=True):
    """What a run is told by its surroundings.

    `clock` counts seconds and never jumps. `temperature` is that of a drive by its name (None: no sensor), `links` the
    state of hops by their keys, `traffic` the bytes (read, written) of each block device since the system started.
    `load` begins to read a place, `wait` waits for an event for so many seconds, `show` is told what is being done.
    """

    clock: Callable[[], float]
    temperature: Temperature = lambda _: None
    links: Links = lambda _: {}
    traffic: Traffic = dict
    load: Callable[[ReadTarget, ReadPlan], ReadLoad] = ReadLoad
    wait: Callable[[Event, float], object] = lambda event, seconds: event.wait(seconds)
    show: Callable[[MeasureProgress], None] = lambda _: None


def _limit(target: Target, *, hot: bool) -> tuple[float, float, float, str] | None:
    """The limit that a run keeps away from, how far before it starts and stops, and its name; None: none is known."""
    if target.warning_celsius is not None and not hot:
        return target.warning_celsius, NEAR_LIMIT_CELSIUS, STOP_CELSIUS, "warning"
    if target.critical_celsius is not None:
        return target.critical_celsius, NEAR_CRITICAL_CELSIUS, STOP_CRITICAL_CELSIUS, "critical"
    return None


def too_hot(target: Target, celsius: float | None, asked: MeasureRequest) -> str:
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


class Loaded:
    """One target in a run: its loads, one after another, its temperature, how it ended."""

    def __init__(
        self,
        target: Target,
        asked: MeasureRequest,
        around: Around,
        celsius: float | Unread | None,
        begin: tuple[ReadSize, int | None],
    ) -> None:
        """`begin` are the first size and depth, and how many bytes are read with them at most."""
        self.target = target
        self.read_before = self.requests_before = 0
        self._asked, self._around = asked, around
        self.load = self._opened(*begin)
        if self.load.size < begin[0].block:
            self.load.close()
            raise BadInput(
                f"{quoted(target.place.path)} holds {self.load.size:,} bytes, less than one request of "
                f"{begin[0].block:,}, which tells nothing of a drive; name a larger file, or a smaller --block"
            )
        self.first_bytes = self.load.read_bytes
        self.ended: Reason | None = None
        self.words = ""
        self.end: tuple[float, int] | None = None
        self.measured: Measured | None = None
        self.lost = 0
        self._celsius_lost = celsius if isinstance(celsius, Unread) else None
        self._start = self._highest = None if isinstance(celsius, Unread) else celsius
        self._limit = _limit(target, hot=asked.hot)

    def _opened(self, pair: ReadSize, most: int | None) -> ReadLoad:
        """A load that goes on where the one before it left off."""
        begin = self.read_before % self.load.size // ALIGNED * ALIGNED if self.read_before else 0
        seed = self._asked.seed + self.requests_before
        plan = ReadPlan(pair.block, pair.depth, self._asked.pattern, most, seed, begin)
        return self._around.load(self.target.place, plan)

    @property
    def read_bytes(self) -> int:
        """All bytes that were read, with this load and those before it."""
        return self.read_before + self.load.read_bytes

    @property
    def requests(self) -> int:
        """All requests that were answered."""
        return self.requests_before + self.load.requests

    def left(self, share: float = 1.0) -> int | None:
        """How many bytes may still be read of this share of the limit, None where there is no limit."""
        if self._asked.max_bytes is None:
            return None
        return max(0, int(self._asked.max_bytes * share) - self.read_bytes)

    def again(self, pair: ReadSize, most: int | None) -> None:
        """Go on reading with another size and depth, where this load, which has ended, left off."""
        before = self.read_before, self.requests_before
        self.read_before, self.requests_before = self.read_bytes, self.requests
        self.load.close()
        try:
            self.load = self._opened(pair, most)
        except BadInput as problem:
            self.read_before, self.requests_before = before
            self.ended, self.words = "failed", str(problem)
        self.first_bytes = self.load.read_bytes

    def finish(self) -> int:
        """Wait for what is in flight; how a load that failed ended, and how many requests did not come back."""
        self.lost = self.load.finish(GRACE)
        failure = self.load.failure
        if failure is not None and self.ended is None:
            self.ended, self.words = "gone" if failure.gone else "failed", _failed(failure)
        return self.lost

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

    def close(
        self,
        chosen: Chosen | None,
        rates: tuple[float, ...] = (),
        spread: Spread | None = None,
        left_out: float = 0.0,
        links: Mapping[str, tuple[int, int] | Unread] | None = None,
    ) -> None:
        """Wait for what is in flight and put together what came of it."""
        self.finish()
        seconds, total = self.end or (0.0, self.load.read_bytes)
        self.measured = Measured(
            target=self.target,
            size_bytes=self.load.size,
            direct=self.load.direct,
            read_bytes=self.read_bytes,
            requests=self.requests,
            seconds=seconds,
            mean=(total - self.first_bytes) / seconds / 1e6 if seconds > 0 and total > self.first_bytes else None,
            spread=spread,
            rates=rates,
            left_out=left_out,
            celsius=None if self._start is None or self._highest is None else (self._start, self._highest),
            celsius_lost=self._celsius_lost,
            links={key: rate for key, rate in (links or {}).items() if key in self.target.hops},
            chosen=chosen,
            ended=self.ended or "bytes",
            words=self.words,
            lost=self.lost,
        )


def _failed(failure: Failure) -> str:
    """What happened to a load that failed, for people."""
    if failure.gone:
        return f"the drive went away while it was read ({failure.name or 'it holds nothing any more'})"
    if not failure.name:
        return f"the data ended early, at byte {failure.offset:,}: it was made shorter meanwhile"
    return f"it could not be read at byte {failure.offset:,} ({failure.name})"
