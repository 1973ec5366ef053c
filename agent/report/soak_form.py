"""What the JSON form of a soak's analysis looks like, and its schema. Keys are added, never renamed, within a version.

Times are seconds since the start of the soak, temperatures degrees Celsius, rates MB/s (10^6 bytes per second).
"""

from __future__ import annotations

from typing import Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.report.data import EvidenceData, RateData, StepData  # noqa: TC001 - the schema looks them up

VERSION: Final = 1


class EndData(Struct, frozen=True):
    """How the soak ended: "command", "time", "interrupt" or "fault", and the exit status of its command."""

    seconds: float
    reason: str
    status: int | None


class SpanData(Struct, frozen=True):
    """A stretch of time; `end` is null where it lasts until the end of what it belongs to."""

    start: float
    end: float | None


class LimitData(Struct, frozen=True):
    """The limit that a drive is held against: its "warning" or its "critical" temperature."""

    celsius: float
    kind: str


class TemperaturesData(Struct, frozen=True, kw_only=True):
    """A drive's first sensor; `hottest` is of any of its sensors. Seconds at, above and close below its limits."""

    least: float
    most: float
    most_at: float
    mean: float
    hottest: float | None
    known_seconds: float
    above_warning_seconds: float | None
    above_critical_seconds: float | None
    near_seconds: float | None


class RatesData(Struct, frozen=True):
    """Rates under load, MB/s: the middle one, between which two half of the time lay, the most."""

    median: float
    low_quarter: float
    high_quarter: float
    most: float
    seconds: float


class LoadData(Struct, frozen=True, kw_only=True):
    """What a drive was asked to do; `busy` is a share of time, 0 to 1."""

    read: RatesData | None
    write: RatesData | None
    either: RatesData | None
    read_bytes: int
    written_bytes: int
    seconds: float
    known_seconds: float
    busy: float | None


class ThrottlingData(Struct, frozen=True):
    """Whether the drive slowed itself down: "proved", "inferred", "unclear", "none" or "unknown"."""

    kind: str
    words: str
    evidence: tuple[EvidenceData, ...]
    spans: tuple[SpanData, ...]


class FallData(Struct, frozen=True, kw_only=True):
    """A time in which a drive was slower under load: for "heat", a filled "cache", its "link", "unclear" or "other".

    `times` counts falls of a kind that followed closely and are told as one.
    """

    kind: str
    start: float
    end: float | None
    before_mbps: float
    during_mbps: float
    celsius: float | None
    celsius_then: float | None
    written_bytes: int
    recovered: bool
    words: str
    times: int


class LinkChangeData(Struct, frozen=True, kw_only=True):
    """The link changed its speed or width; null is what is not known."""

    seconds: float
    before: RateData | None
    after: RateData | None
    before_mbps: float | None
    after_mbps: float | None
    severity: str
    words: str


class ErrorBurstData(Struct, frozen=True, kw_only=True):
    """Link errors counted close after one another."""

    start: float
    end: float
    count: int
    before_mbps: float | None
    during_mbps: float | None
    severity: str
    words: str


class ForecastData(Struct, frozen=True, kw_only=True):
    """Where the temperature goes: "reaches" its limit, "close" to it, "settles", "steady", or "none", as words say."""

    kind: str
    words: str
    settled: float | None
    error: float | None
    margin: float | None
    after_seconds: tuple[float, float] | None


class FitData(Struct, frozen=True, kw_only=True):
    """T(t) = start + rise (1 - exp(-t / tau)), t in seconds from `from_seconds` of the soak on."""

    from_seconds: float
    start: float
    rise: float
    tau: float
    settled: float
    settled_error: float
    points: int
    quality: float
    seconds: float


class PhaseData(Struct, frozen=True, kw_only=True):
    """A stretch of steady load or of rest."""

    start: float
    end: float
    loaded: bool
    read_mbps: float
    write_mbps: float
    first_celsius: float | None
    last_celsius: float | None
    fit: FitData | None
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
    spans: tuple[SpanData, ...]


class SoakDriveData(Struct, frozen=True, kw_only=True):
    """One drive over the soak. `errors` are those counted as far as the counters could be read (see `unread`)."""

    name: str
    address: str | None
    model: str | None
    firmware: str | None
    link_at_start: RateData | None
    expected_mbps: tuple[float, float] | None
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
    unread: tuple[MissingData, ...]


class OtherData(Struct, frozen=True):
    """A temperature beside the drives' own."""

    name: str
    least: float
    most: float
    mean: float


class EventData(Struct, frozen=True):
    """What happened; `drive` is null where it concerns none."""

    seconds: float
    kind: str
    drive: str | None
    words: str


class SoakData(Struct, frozen=True, kw_only=True):
    """The analysis of one soak. `end` is null where it still runs or was cut off; `command` is empty for none."""

    format: Literal["lanewright-soak"] = "lanewright-soak"
    version: int = VERSION
    log: str
    started_at: str
    agent: str
    platform: str
    machine: str | None
    every_seconds: float
    command: tuple[str, ...]
    end: EndData | None
    seconds: float
    samples: int
    drives: tuple[SoakDriveData, ...]
    others: tuple[OtherData, ...]
    events: tuple[EventData, ...]
    notes: tuple[str, ...]
    unread: tuple[MissingData, ...]


class LogData(Struct, frozen=True, kw_only=True):
    """A log in the list."""

    log: str
    started_at: str
    machine: str | None
    command: tuple[str, ...]
    drives: int
    seconds: float
    end: EndData | None


class LogsData(Struct, frozen=True, kw_only=True):
    """The logs in a folder, latest first."""

    format: Literal["lanewright-soaks"] = "lanewright-soaks"
    version: int = VERSION
    folder: str
    logs: tuple[LogData, ...]


FORMS: Final[dict[str, type[Struct]]] = {"soak": SoakData, "soaks": LogsData}


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of one form ("soak" or "soaks")."""
    found = msgspec.json.schema(FORMS[name])
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found}
