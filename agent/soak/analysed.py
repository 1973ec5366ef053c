"""What an analysis of a soak says, drive by drive: the words for it. Data only; nothing is decided here.

Times are seconds since the start of the soak, temperatures degrees Celsius, rates MB/s (10^6 bytes per second). `None`
means that a thing could not be told; the words beside it say why. `words` are whole sentences for people, without the
drive's name before them. They hold no text of devices but names of drives, and what was read where that made no sense.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from agent.model.findings import Evidence, Rate, Severity, Step
    from agent.soak.thermal import Fit
    from probes.samples import DriveHead, End, Event, Head

LimitKind = Literal["warning", "critical", "observed"]
FallKind = Literal["heat", "cache", "link", "unclear", "other"]
ThrottlingKind = Literal["proved", "inferred", "unclear", "none", "unknown"]
OPEN: Final = frozenset(
    {"warm", "rhythm", "few", "loose", "cache", "level", "as fast", "drifts", "one speed"}
)  # what leaves heat open, see `Loop`
ForecastKind = Literal["reaches", "close", "settles", "steady", "none"]
CoolingKind = Literal["enough", "heatsink", "air", "both", "neighbour", "unknown"]


class TimeSpan(Struct, frozen=True):
    """A stretch of time, both ends in seconds."""

    start: float
    end: float

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return self.end - self.start


class Missing(Struct, frozen=True, kw_only=True):
    """Something that could not be read, and why; `spans` are from the first sample without it to the first with it.

    `what` is a word of `probes/samples.py`, `name` the same for people. The last span goes on `to_the_end` where it was
    not read any more; `whole` tells that it was never read. `weighs` tells that a verdict may hang on it, `needs_root`
    that the super-user may read it.
    """

    what: str
    name: str
    why: str
    spans: tuple[TimeSpan, ...]
    to_the_end: bool
    whole: bool
    needs_root: bool
    weighs: bool


class Limit(Struct, frozen=True):
    """The limit that a drive is held against: its own warning temperature, else its critical one.

    Where it was seen to slow itself well below these, or they are not known, it is the temperature "observed" then.
    `source` says where it was read if not from the drive itself, "" if it was.
    """

    celsius: float
    kind: LimitKind
    source: str = ""


class DriveTemperatures(Struct, frozen=True, kw_only=True):
    """A drive's first sensor over the soak. `most_at` is when it was hottest first.

    `hottest` is the greatest reading of any of its sensors. The mean is over time. `above_warning`, `above_critical`
    and `near` are seconds at or above the limits, and close below the limit held against; None where there is none.
    """

    least: float
    most: float
    most_at: float
    mean: float
    hottest: float | None
    known_seconds: float
    above_warning: float | None
    above_critical: float | None
    near: float | None


class LoadRates(Struct, frozen=True):
    """Rates under load, MB/s: the middle one, between which two half of the time lay, the most, and the seconds."""

    median: float
    low_quarter: float
    high_quarter: float
    most: float
    seconds: float


class DriveLoad(Struct, frozen=True, kw_only=True):
    """What a drive was asked to do. Rates are of the time in which it read, wrote or did either; bytes of the soak.

    `seconds` is the time under load, `known_seconds` the time in which the load is known, `busy` the mean share of time
    with a request under way while under load.
    """

    read: LoadRates | None
    write: LoadRates | None
    either: LoadRates | None
    read_bytes: float
    written_bytes: float
    seconds: float
    known_seconds: float
    busy: float | None


class Fall(Struct, frozen=True, kw_only=True):
    """A time in which a drive was slower than before although its load went on; `end` None: until the load ended.

    "heat": it sat at a limit; "cache": it had written much and was not at a limit; "link": its link changed or counted
    errors then; "unclear": heat or cache, or the temperature is not known; "other": none of these. `written_bytes` is
    what was written from the last pause up to the fall. `recovered` tells that the rate came back under load,
    `celsius_then` how warm the drive was at that moment. Falls of a kind that follow closely are one, `times` says of
    how many; `during_mbps` is the middle rate while low.
    """

    kind: FallKind
    start: float
    end: float
    before_mbps: float
    during_mbps: float
    celsius: float | None
    celsius_then: float | None
    written_bytes: float
    recovered: bool
    words: str
    times: int = 1

    def meets(self, span: TimeSpan) -> bool:
        """Whether a part of it lies in a stretch of time."""
        return self.start < span.end and self.end > span.start


class Loop(Struct, frozen=True, kw_only=True):
    """How a drive keeps itself cool: it slows at `onset` and, cooled, goes on at `back` (None: not seen, or `held`).

    `scatter` is the standard deviation of the onsets in K, `times` counts the falls at that temperature and `returns`
    those that ended as it had cooled. `held` tells that its speed gave way so that the temperature stood still.
    `hottest` tells that it is the temperature of its hottest sensor. `against` is what speaks against heat or leaves
    something else open: empty, it is sure.
    """

    onset: float
    scatter: float
    back: float | None
    times: int
    returns: int
    before_mbps: float
    during_mbps: float
    against: tuple[str, ...]
    spans: tuple[TimeSpan, ...]
    held: bool = False
    hottest: bool = False

    @property
    def sure(self) -> bool:
        """Whether nothing but heat explains it."""
        return not self.against

    @property
    def open(self) -> bool:
        """Whether it may be heat, and something else as well: nothing speaks against it."""
        return bool(self.against) and OPEN.issuperset(self.against)


class Throttling(Struct, frozen=True):
    """Whether a drive slowed itself down to stay cool.

    "proved" by its own counters, "inferred" from rate and temperature (a `Loop`, or falls at a limit), "unclear": the
    rate fell and heat may be why, "none": no sign of it, "unknown": it cannot be told, as `words` say. `counted` tells
    that a verdict of "none" rests on the drive's own counters too.
    """

    kind: ThrottlingKind
    words: str
    evidence: tuple[Evidence, ...] = ()
    spans: tuple[TimeSpan, ...] = ()
    counted: bool = True


class Cost(Struct, frozen=True, kw_only=True):
    """What heat cost: what was moved less than at full speed while slowed, and the seconds that takes more.

    `settled_mbps` is the rate to expect for hours. Unslowed it would settle at `unslowed_celsius`, and its rise above
    rest would have to become `resistance_share` of what it is. None: not known.
    """

    lost_bytes: float
    unslowed_bytes: float
    longer_seconds: float
    settled_mbps: float | None
    words: str
    unslowed_celsius: float | None = None
    resistance_share: float | None = None


class LinkChange(Struct, frozen=True, kw_only=True):
    """The link changed its speed or width. Rates are medians of the half minute before and after; None: not known."""

    seconds: float
    before: Rate | None
    after: Rate | None
    before_mbps: float | None
    after_mbps: float | None
    severity: Severity
    words: str


class ErrorBurst(Struct, frozen=True, kw_only=True):
    """Link errors counted close after one another, and the rate before and during."""

    start: float
    end: float
    count: int
    before_mbps: float | None
    during_mbps: float | None
    severity: Severity
    words: str


class Forecast(Struct, frozen=True, kw_only=True):
    """Where the temperature goes at one load.

    "reaches" its limit, is too "close" to it to tell, "settles" below it (or no limit is told), stayed "steady" as
    measured, or "none" with the reason in `words`. `error` is one standard deviation of `settled`. `margin` is from
    `settled` up to the limit, below 0 above it. `after_seconds` is from the start of the phase, earliest and latest.
    """

    kind: ForecastKind
    words: str
    settled: float | None = None
    error: float | None = None
    margin: float | None = None
    after_seconds: tuple[float, float] | None = None


class Phase(Struct, frozen=True, kw_only=True):
    """A stretch of steady load or of rest. `fit` counts its time from `fit_start`; without one `forecast` says why."""

    start: float
    end: float
    loaded: bool
    read_mbps: float
    write_mbps: float
    first_celsius: float | None
    last_celsius: float | None
    fit: Fit | None
    fit_start: float
    forecast: Forecast


class Cooling(Struct, frozen=True):
    """What cooling a drive needs for the load it had; `evidence` are the figures.

    `steps` go from easy to hard and hold those for all else that was found of the drive as well, its link and the like.
    """

    kind: CoolingKind
    words: str
    evidence: tuple[Evidence, ...] = ()
    steps: tuple[Step, ...] = ()


class DriveAnalysis(Struct, frozen=True, kw_only=True):
    """One drive over the whole soak.

    `phases` are in time and hold those of a minute or more; `forecast` is the one that counts: of the load that runs
    now, else of the hottest one. `gaps` are times without samples, `lost` times between a "vanished" and a "returned".
    `samples` counts those in which the temperature is known. `loop` is how it was seen to keep itself cool, surely or
    maybe, `cost` what heat took. `errors` are link errors counted during the soak, as far as the counters could be
    read. `missing` is all that could not be read.
    """

    head: DriveHead
    limit: Limit | None
    samples: int
    temperatures: DriveTemperatures | None
    load: DriveLoad | None
    throttling: Throttling
    falls: tuple[Fall, ...]
    link_changes: tuple[LinkChange, ...]
    error_bursts: tuple[ErrorBurst, ...]
    errors: int | None
    phases: tuple[Phase, ...]
    forecast: Forecast
    cooling: Cooling
    gaps: tuple[TimeSpan, ...] = ()
    lost: tuple[TimeSpan, ...] = ()
    notes: tuple[str, ...] = ()
    missing: tuple[Missing, ...] = ()
    loop: Loop | None = None
    cost: Cost | None = None


class Other(Struct, frozen=True):
    """A temperature beside the drives' own (processor, board) over the soak."""

    name: str
    least: float
    most: float
    mean: float


class Analysis(Struct, frozen=True, kw_only=True):
    """A whole soak. `end` None: it still runs or was cut off, which a log alone does not tell apart.

    `seconds` is the time of the last sample or the end, `samples` the greatest number of samples of a drive. `missing`
    is what could not be read of the machine beside its drives; `notes` tell of it.
    """

    source: str
    head: Head
    end: End | None
    seconds: float
    samples: int
    drives: tuple[DriveAnalysis, ...]
    others: tuple[Other, ...]
    events: tuple[Event, ...]
    notes: tuple[str, ...] = ()
    missing: tuple[Missing, ...] = ()
