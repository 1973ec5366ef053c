"""The JSON form of `measure`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.report.data import RateData, UnreadData, rate
from agent.report.form import By, From, Mbps, MbpsRange, Seconds, build
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.measure.measured import Measured, Measurement

VERSION: Final = 1


class AskedData(Struct, frozen=True):
    """How it was measured. `max_bytes` is null where no end was asked for; `interval` is in seconds.

    `block_bytes` and `depth` are null where they were to be found by trying: see `chosen` of what was measured.
    """

    seconds: float
    max_bytes: int | None
    block_bytes: Annotated[int | None, From("block")]
    depth: int | None
    pattern: str
    together: bool
    interval: float


class SpreadData(Struct, frozen=True):
    """Rates of intervals as a distribution, MB/s; ranges are [low, high]."""

    median: Mbps
    middle_half: Annotated[MbpsRange, From("quartiles")]
    tenth_to_ninetieth: Annotated[MbpsRange, From("tenths")]
    least_to_most: Annotated[MbpsRange, From("ends")]
    intervals: int


class DeliveryData(Struct, frozen=True):
    """A rate beside its prediction: "delivers", "short" or "none", and then `why` there is no verdict.

    `short_percent` is what the median lacks to the low end; `rules` are the findings among the `reasons`. `unread` is
    what could not be read and without which there is no verdict.
    """

    verdict: str
    expected_mbps: Annotated[MbpsRange | None, From("expected")]
    short_percent: int | None
    narrowest_hop: Annotated[str | None, From("narrowest")]
    why: str
    reasons: tuple[str, ...]
    rules: tuple[str, ...]
    unread: tuple[UnreadData, ...]


class LinkData(Struct, frozen=True):
    """A link on the way as it was under load; `hop` is the key of the link as in `check`.

    `now` is null where that could not be read, or is no rate of a link; `why` says why it could not.
    """

    hop: str
    now: RateData | None
    why: str = ""


class TryData(Struct, frozen=True):
    """One try: bytes of a request, requests in flight, and what came of all that was read at once."""

    block_bytes: Annotated[int, From("pair.block")]
    depth: Annotated[int, From("pair.depth")]
    mbps: Mbps
    read_bytes: int
    seconds: Seconds


class ChosenData(Struct, frozen=True):
    """How it was read, and why.

    Each reason is "set" by hand, "smallest" that every drive takes, "flat" where the rate no longer rose, "waits" where
    more requests would only have waited, "most" where it still rose at the greatest, or "time", "bytes" or "failed"
    where that ended the tries. `settled`: no more is to be had of other sizes.
    """

    block_bytes: Annotated[int, From("pair.block")]
    depth: Annotated[int, From("pair.depth")]
    block_why: str
    depth_why: str
    settled: bool
    tries: tuple[TryData, ...]


class MeasuredData(Struct, frozen=True, kw_only=True):
    """One target. Rates are MB/s, temperatures degrees Celsius, `seconds_left_out` the warm-up of `rates`.

    `ended` is "time", "bytes", "hot", "gone", "failed" or "interrupt", and `words` says more. `requests_lost` never
    came back. `chosen` is how it was read; what its tries read counts, their rates do not. `unread` is all that could
    not be read beside the data.
    """

    name: Annotated[str, From("target.name")]
    path: Annotated[str, From("target.place.path")]
    what: Annotated[str, From("target.what")]
    drive: Annotated[str | None, From("target.drive")]
    bytes: Annotated[int | None, From("size_bytes")]
    page_cache_bypassed: Annotated[bool, By(_bypassed)]
    read_bytes: int
    requests: int
    requests_lost: Annotated[int, From("lost")]
    seconds: Seconds
    mean_mbps: Annotated[Mbps | None, From("mean")]
    spread_mbps: Annotated[SpreadData | None, From("spread")]
    rates_mbps: Annotated[tuple[Mbps, ...], From("rates")]
    seconds_left_out: Annotated[Seconds, From("left_out")]
    start_celsius: Annotated[float | None, By(_start)]
    highest_celsius: Annotated[float | None, By(_highest)]
    warning_celsius: Annotated[float | None, From("target.warning_celsius")]
    critical_celsius: Annotated[float | None, From("target.critical_celsius")]
    links: Annotated[tuple[LinkData, ...], By(_links)]
    chosen: ChosenData | None
    ended: str
    words: str
    remarks: Annotated[tuple[str, ...], From("target.remarks")]
    unread: tuple[UnreadData, ...]
    delivery: DeliveryData


class SharedData(Struct, frozen=True):
    """A hop that several targets share: what it carried of them, and what it should carry."""

    hop: Annotated[str, From("key")]
    names: tuple[str, ...]
    mbps: Mbps
    expected_mbps: Annotated[MbpsRange, From("expected")]


class MeasureData(Struct, frozen=True, kw_only=True):
    """One run. `sum_mbps` and `sum_delivery` are null where targets were measured in turn."""

    format: Literal["lanewright-measure"] = "lanewright-measure"
    version: int = VERSION
    taken_at: str
    platform: str
    asked: AskedData
    interrupted: bool
    measured: tuple[MeasuredData, ...]
    sum_mbps: Annotated[SpreadData | None, From("total")]
    sum_delivery: DeliveryData | None
    shared: tuple[SharedData, ...]


def form(found: Measurement, audit: Audit) -> MeasureData:
    """The form of `measure`."""
    pairs = zip(found.measured, found.deliveries, strict=True)
    measured = (build(MeasuredData, measurement, delivery=delivery) for measurement, delivery in pairs)
    return build(MeasureData, found, measured=measured, taken_at=audit.facts.taken_at, platform=audit.facts.platform)


def _bypassed(measured: Measured) -> bool:
    return measured.direct and not measured.target.cached


def _start(measured: Measured) -> float | None:
    return None if measured.celsius is None else measured.celsius[0]


def _highest(measured: Measured) -> float | None:
    return None if measured.celsius is None else measured.celsius[1]


def _links(measured: Measured) -> Iterator[LinkData]:
    for key, link in measured.links.items():
        if isinstance(link, Unread):
            yield LinkData(key, None, link.why)
        else:
            yield LinkData(key, rate(link) if link[1] else None)
