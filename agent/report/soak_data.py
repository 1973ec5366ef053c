"""The JSON forms of `soak`: an analysis and the list of logs; and their schemas. Keys are added, never renamed.

Times are seconds since the start of the soak, temperatures degrees Celsius, rates MB/s (10^6 bytes per second).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.report.data import EvidenceData, RateOrNull, StepData  # noqa: TC001 - the forms' fields are read at work
from agent.report.form import By, From, MbpsRange, Rounded, Seconds, build

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Analysis, Missing, Phase
    from probes.samples import End, Head

VERSION: Final = 1
Figure = Annotated[float, Rounded(2)]
Bytes = Annotated[int, Rounded(None)]


class EndData(Struct, frozen=True):
    """How the soak ended: "command", "time", "interrupt" or "fault", and the exit status of its command."""

    seconds: Seconds
    reason: str
    status: int | None


class SpanData(Struct, frozen=True):
    """A stretch of time; `end` is null where it lasts until the end of what it belongs to."""

    start: Seconds
    end: Seconds | None


class LimitData(Struct, frozen=True):
    """The limit that a drive is held against: "warning", "critical", or "observed" where it was seen to slow itself.

    `source` says where it was read if not from the drive itself; "" if it was.
    """

    celsius: Figure
    kind: str
    source: str


class TemperaturesData(Struct, frozen=True, kw_only=True):
    """A drive's first sensor; `hottest` is of any of its sensors. Seconds at, above and close below its limits."""

    least: Figure
    most: Figure
    most_at: Seconds
    mean: Figure
    hottest: Figure | None
    known_seconds: Seconds
    above_warning_seconds: Annotated[Seconds | None, From("above_warning")]
    above_critical_seconds: Annotated[Seconds | None, From("above_critical")]
    near_seconds: Annotated[Seconds | None, From("near")]


class RatesData(Struct, frozen=True):
    """Rates under load, MB/s: the middle one, between which two half of the time lay, the most."""

    median: Figure
    low_quarter: Figure
    high_quarter: Figure
    most: Figure
    seconds: Seconds


class LoadData(Struct, frozen=True, kw_only=True):
    """What a drive was asked to do; `busy` is a share of time, 0 to 1."""

    read: RatesData | None
    write: RatesData | None
    either: RatesData | None
    read_bytes: Bytes
    written_bytes: Bytes
    seconds: Seconds
    known_seconds: Seconds
    busy: Annotated[float, Rounded(4)] | None


class LoopData(Struct, frozen=True, kw_only=True):
    """How the drive was seen to keep itself cool: it slows at `onset` and goes on at `back`, degrees Celsius.

    `scatter` is the standard deviation of the onsets, `times` counts falls and `returns` those that ended as it had
    cooled. `held` tells that its speed gave way so that the temperature stood still, `hottest` that all this is of its
    hottest sensor. `against` holds what leaves something else open; where it is empty only heat explains it. "few"
    falls; "warm": hardly seen at work while cooler; "loose" onsets; "rhythm": falls after equal times or volumes;
    "cache": written, and no return under load; held at "one speed", at a "level" temperature before, with a
    temperature that "drifts" after, or "as fast" at times though as warm.
    """

    onset: Figure
    scatter: Figure
    back: Figure | None
    times: int
    returns: int
    before_mbps: Figure
    during_mbps: Figure
    against: tuple[str, ...]
    spans: tuple[SpanData, ...]
    held: bool
    hottest: bool


class CostData(Struct, frozen=True, kw_only=True):
    """What heat cost: bytes not moved while slowed, of those at full speed, the seconds that takes more.

    `settled_mbps` is the rate to expect for hours; unslowed the drive would settle at `unslowed_celsius`, and its rise
    above rest (its thermal resistance) would have to become `resistance_share` of what it is. Null: not known.
    """

    lost_bytes: Bytes
    unslowed_bytes: Bytes
    longer_seconds: Seconds
    settled_mbps: Figure | None
    words: str
    unslowed_celsius: Figure | None
    resistance_share: Figure | None


class ThrottlingData(Struct, frozen=True):
    """Whether the drive slowed itself down: "proved", "inferred", "unclear", "none" or "unknown".

    `counted` is false where "none" rests on rate and temperature alone, without the drive's own counters.
    """

    kind: str
    words: str
    evidence: tuple[EvidenceData, ...]
    spans: tuple[SpanData, ...]
    counted: bool


class FallData(Struct, frozen=True, kw_only=True):
    """A time in which a drive was slower under load: for "heat", a filled "cache", its "link", "unclear" or "other".

    `times` counts falls of a kind that followed closely and are told as one.
    """

    kind: str
    start: Seconds
    end: Seconds | None
    before_mbps: Figure
    during_mbps: Figure
    celsius: Figure | None
    celsius_then: Figure | None
    written_bytes: Bytes
    recovered: bool
    words: str
    times: int


class LinkChangeData(Struct, frozen=True, kw_only=True):
    """The link changed its speed or width; null is what is not known."""

    seconds: Seconds
    before: RateOrNull
    after: RateOrNull
    before_mbps: Figure | None
    after_mbps: Figure | None
    severity: str
    words: str


class ErrorBurstData(Struct, frozen=True, kw_only=True):
    """Link errors counted close after one another."""

    start: Seconds
    end: Seconds
    count: int
    before_mbps: Figure | None
    during_mbps: Figure | None
    severity: str
    words: str


class ForecastData(Struct, frozen=True, kw_only=True):
    """Where the temperature goes: "reaches" its limit, "close" to it, "settles", "steady", or "none", as words say."""

    kind: str
    words: str
    settled: Figure | None
    error: Figure | None
    margin: Figure | None
    after_seconds: tuple[Seconds, Seconds] | None


class FitData(Struct, frozen=True, kw_only=True):
    """The curve T(t) = start + rise (1 - exp(-t / tau)); t is in seconds, from `from_seconds` of the soak on."""

    from_seconds: Seconds
    start: Figure
    rise: Figure
    tau: Figure
    settled: Figure
    settled_error: Figure
    points: int
    quality: Annotated[float, Rounded(3)]
    seconds: Seconds


class PhaseData(Struct, frozen=True, kw_only=True):
    """A stretch of steady load or of rest."""

    start: Seconds
    end: Seconds
    loaded: bool
    read_mbps: Figure
    write_mbps: Figure
    first_celsius: Figure | None
    last_celsius: Figure | None
    fit: Annotated[FitData | None, By(_fit)]
    forecast: ForecastData


class CoolingData(Struct, frozen=True):
    """What cooling a drive needs: "enough", "heatsink", "air", "both", "neighbour" or "unknown"."""

    kind: str
    words: str
    evidence: tuple[EvidenceData, ...]
    steps: tuple[StepData, ...]


class MissingData(Struct, frozen=True, kw_only=True):
    """Something that could not be read, why, and when: from the first sample without it to the first with it.

    `what` is "temperature", "sensor_2" and so on, "rates", "link", "errors", "counters", "warning limit", "critical
    limit", "other_1" and so on (in the order of the log), or what could not be looked up of the machine; `name` is the
    same for people. The `end` of the last span is null where it was not read any more. `weighs` tells that a verdict
    may hang on it, `needs_root` that the super-user may read it.
    """

    what: str
    name: str
    why: str
    needs_root: bool
    weighs: bool
    spans: Annotated[tuple[SpanData, ...], By(_spans)]


class SoakDriveData(Struct, frozen=True, kw_only=True):
    """One drive over the soak. `errors` are those counted as far as the counters could be read (see `unread`)."""

    name: Annotated[str, From("head.name")]
    address: Annotated[str | None, From("head.address")]
    model: Annotated[str | None, From("head.model")]
    firmware: Annotated[str | None, From("head.firmware")]
    link_at_start: Annotated[RateOrNull, From("head.link")]
    expected_mbps: Annotated[MbpsRange | None, From("head.expected")]
    limit: LimitData | None
    samples: int
    temperatures: TemperaturesData | None
    load: LoadData | None
    throttling: ThrottlingData
    falls: tuple[FallData, ...]
    link_changes: tuple[LinkChangeData, ...]
    error_bursts: tuple[ErrorBurstData, ...]
    errors: int | None
    phases: tuple[PhaseData, ...]
    forecast: ForecastData
    cooling: CoolingData
    gaps: tuple[SpanData, ...]
    lost: tuple[SpanData, ...]
    notes: tuple[str, ...]
    unread: Annotated[tuple[MissingData, ...], From("missing")]
    loop: LoopData | None
    cost: CostData | None


class OtherData(Struct, frozen=True):
    """A temperature beside the drives' own."""

    name: str
    least: float
    most: float
    mean: Figure


class EventData(Struct, frozen=True):
    """What happened; `drive` is null where it concerns none."""

    seconds: Seconds
    kind: str
    drive: str | None
    words: str


class SoakData(Struct, frozen=True, kw_only=True):
    """The analysis of one soak. `end` is null where it still runs or was cut off; `command` is empty for none."""

    format: Literal["lanewright-soak"] = "lanewright-soak"
    version: int = VERSION
    log: Annotated[str, From("source")]
    started_at: Annotated[str, From("head.started_at")]
    agent: Annotated[str, From("head.agent")]
    platform: Annotated[str, From("head.platform")]
    machine: Annotated[str | None, From("head.machine")]
    every_seconds: Annotated[float, From("head.every")]
    command: Annotated[tuple[str, ...], From("head.command")]
    end: EndData | None
    seconds: Seconds
    samples: int
    drives: tuple[SoakDriveData, ...]
    others: tuple[OtherData, ...]
    events: tuple[EventData, ...]
    notes: tuple[str, ...]
    unread: Annotated[tuple[MissingData, ...], From("missing")]


class LogData(Struct, frozen=True, kw_only=True):
    """A log in the list."""

    log: str
    started_at: str
    machine: str | None
    command: tuple[str, ...]
    drives: Annotated[int, By(_drives)]
    seconds: Seconds
    end: EndData | None


class LogsData(Struct, frozen=True, kw_only=True):
    """The logs in a folder, latest first."""

    format: Literal["lanewright-soaks"] = "lanewright-soaks"
    version: int = VERSION
    folder: str
    logs: tuple[LogData, ...]


def soak(found: Analysis) -> SoakData:
    """The form of a soak's analysis."""
    return build(SoakData, found)


def logs(found: Sequence[tuple[str, Head, End | None, float]], folder: str) -> LogsData:
    """The form of `soak --list`."""
    listed = (build(LogData, head, log=path, seconds=seconds, end=end) for path, head, end, seconds in found)
    return LogsData(folder=folder, logs=tuple(listed))


def _drives(head: Head) -> int:
    return len(head.drives)


def _fit(phase: Phase) -> FitData | None:
    return None if phase.fit is None else build(FitData, phase.fit, from_seconds=phase.fit_start)


def _spans(missing: Missing) -> Iterator[SpanData]:
    """The spans; the last has no end where it was not read any more."""
    for place, span in enumerate(missing.spans, 1):
        lasts = missing.to_the_end and place == len(missing.spans)
        yield build(SpanData, span, end=None if lasts else span.end)
