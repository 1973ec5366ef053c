"""What is measured, what came of it, and what that says beside the prediction. Data only.

Rates are MB/s (10^6 bytes per second), temperatures degrees Celsius, times seconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from probes.unread import Unread

if TYPE_CHECKING:
    from probes.blocks import Pattern, ReadTarget

What = Literal["drive", "partition", "set", "device", "file"]
Reason = Literal["time", "bytes", "hot", "gone", "failed", "interrupt"]
Verdict = Literal["delivers", "short", "none"]

SECONDS: Final = 10.0
WARM_UP: Final = 1  # intervals at the start that are left out


class MeasureRequest(Struct, frozen=True, kw_only=True):
    """How to measure. `hot` measures a drive that is near its limit of temperature all the same.

    `max_bytes` is for each target. Where `block` (bytes of a request) or `depth` (requests in flight) is None, it is
    found by trying. `seed` decides which places random requests go to.
    """

    seconds: float = SECONDS
    max_bytes: int | None = None
    block: int | None = None
    depth: int | None = None
    pattern: Pattern = "sequential"
    together: bool = False
    hot: bool = False
    seed: int = 0

    @property
    def interval(self) -> float:
        """Length of one interval: half a second, less in a short run, so that it has some.

        Bytes come in lumps (a slice of a tenth of a second where the kernel caps a rate); over many of them a rate is
        even.
        """
        return min(0.5, max(0.05, self.seconds / 10))


# Why a size or a depth is what it is: the user set it; small random reads are of the smallest size that every drive
# takes; the rate no longer rose; more would only have waited; the greatest was reached; time or bytes ran out; a read
# failed, or the drive got too hot.
Why = Literal["set", "smallest", "flat", "waits", "most", "time", "bytes", "failed"]
Ended = Literal["time", "bytes", "failed"]
STOPS: Final[frozenset[str]] = frozenset({"time", "bytes", "failed"})
SETTLED: Final = frozenset({"set", "smallest", "flat", "waits"})


class ReadSize(Struct, frozen=True):
    """Bytes of a request, and requests in flight."""

    block: int
    depth: int

    @property
    def in_flight(self) -> int:
        """The bytes that are asked for at any time."""
        return self.block * self.depth


class Try(Struct, frozen=True):
    """What came of a size and a depth: MB/s of all targets that were read, the bytes, the seconds."""

    pair: ReadSize
    mbps: float
    read_bytes: int
    seconds: float


class Chosen(Struct, frozen=True):
    """The size and depth that were read with, why each, and all tries in their order."""

    pair: ReadSize
    block_why: Why = "set"
    depth_why: Why = "set"
    tries: tuple[Try, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether the rate is that of the drive: it did not rise any more, or nothing was left to be found."""
        return {self.block_why, self.depth_why} <= SETTLED


class Target(Struct, frozen=True, kw_only=True):
    """One thing to measure, as the user named it. `what` is "device" for a block device that is no drive of ours.

    `drive` is the drive that is read, `whole` the block device that a partition is part of (or the device itself),
    `hops` the keys of the links on the way. `cached` tells that what is read comes from
    memory, or may, however it is opened. `remarks` say what the figures may not be taken for, `unread` what could not
    be looked up of it.
    """

    name: str
    place: ReadTarget
    what: What
    drive: str | None = None
    whole: str | None = None
    hops: tuple[str, ...] = ()
    warning_celsius: float | None = None
    critical_celsius: float | None = None
    cached: bool = False
    remarks: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()


class Spread(Struct, frozen=True):
    """Rates of equal intervals as a distribution: median, quartiles, 10th and 90th percentile, least and most."""

    median: float
    quartiles: tuple[float, float]
    tenths: tuple[float, float]
    ends: tuple[float, float]
    intervals: int


class Measured(Struct, frozen=True, kw_only=True):
    """What came of one target. `spread` is None where there were too few intervals; `mean` is of all that was read.

    `rates` are those of the intervals, the first of them (`left_out`) not. `direct` tells that the page cache was
    bypassed. `celsius` are (at the start, highest), None where no sensor told; `celsius_lost` is why it could not be
    read, or not all the time. `links` are (generation, lanes) of hops as they were under load; what is not in it was
    not looked at. `chosen` is how it was read; the bytes and requests of tries count, their rates do not.
    `others_mbps` are (read, written) by others meanwhile, by block device, `others_lost` why none could
    be read; what is not in it is not counted. `lost` counts requests that never came back.
    """

    target: Target
    size_bytes: int | None = None
    direct: bool = False
    read_bytes: int = 0
    requests: int = 0
    seconds: float = 0.0
    mean: float | None = None
    spread: Spread | None = None
    rates: tuple[float, ...] = ()
    left_out: float = 0.0
    celsius: tuple[float, float] | None = None
    celsius_lost: Unread | None = None
    links: dict[str, tuple[int, int] | Unread] = {}
    chosen: Chosen | None = None
    others_mbps: dict[str, tuple[float, float] | Unread] = {}
    others_lost: Unread | None = None
    ended: Reason = "time"
    words: str = ""
    lost: int = 0

    @property
    def unlinked(self) -> tuple[Unread, ...]:
        """The links on its way that could not be read under load."""
        return tuple(
            Unread(f"the link {key} under load", rate.why, rate.needs_root)
            for key, rate in self.links.items()
            if isinstance(rate, Unread)
        )

    @property
    def unread(self) -> tuple[Unread, ...]:
        """All that could not be read of it, by the words that people have for it."""
        found = [*self.target.unread, *self.unlinked]
        if self.celsius_lost is not None:
            often = "" if self.celsius is None else " all the time"
            found.append(Unread(f"its temperature{often}", self.celsius_lost.why, self.celsius_lost.needs_root))
        own = self.others_mbps.get(self.target.whole or "")
        others = own if isinstance(own, Unread) else self.others_lost
        if others is not None:
            found.append(Unread("what others read and wrote meanwhile", others.why, others.needs_root))
        return tuple(found)


class Delivery(Struct, frozen=True, kw_only=True):
    """A rate beside its prediction. "none": there is no prediction, or nothing to hold against it; `why` says which.

    `short_percent` is how much the median lacks to the low end. `narrowest` is the key of the hop that decides the
    range. `reasons` explain a shortfall, or say what holds a range down; `rules` are the findings among them. `unread`
    is what could not be read and without which there is no verdict.
    """

    verdict: Verdict
    expected: tuple[float, float] | None = None
    short_percent: int | None = None
    narrowest: str | None = None
    why: str = ""
    reasons: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    unread: tuple[Unread, ...] = ()


class Shared(Struct, frozen=True):
    """A hop that several targets share: its key, their names, the sum of their medians, what it should carry."""

    key: str
    names: tuple[str, ...]
    mbps: float
    expected: tuple[float, float]


class Measurement(Struct, frozen=True, kw_only=True):
    """All of a run. `total` and `sum_delivery` are of targets that were read at once; `shared` the hops they share."""

    asked: MeasureRequest
    measured: tuple[Measured, ...]
    deliveries: tuple[Delivery, ...]
    total: Spread | None = None
    sum_delivery: Delivery | None = None
    shared: tuple[Shared, ...] = ()
    interrupted: bool = False
