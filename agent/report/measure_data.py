"""The JSON form of `measure`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.report.data import RateData, UnreadData
from knowledge.rates import GTPS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.measure.measured import Asked, Delivery, Measured, Measurement, Shared, Spread

VERSION: Final = 1
Range = tuple[float, float]


class AskedData(Struct, frozen=True):
    """How it was measured. `max_bytes` is null where no end was asked for; `interval` is in seconds."""

    seconds: float
    max_bytes: int | None
    block_bytes: int
    depth: int
    pattern: str
    together: bool
    interval: float


class SpreadData(Struct, frozen=True):
    """Rates of intervals as a distribution, MB/s; ranges are [low, high]."""

    median: float
    middle_half: Range
    tenth_to_ninetieth: Range
    least_to_most: Range
    intervals: int


class DeliveryData(Struct, frozen=True):
    """A rate beside its prediction: "delivers", "short" or "none", and then `why` there is no verdict.

    `short_percent` is what the median lacks to the low end; `rules` are the findings among the `reasons`. `unread` is
    what could not be read and without which there is no verdict.
    """

    verdict: str
    expected_mbps: Range | None
    short_percent: int | None
    narrowest_hop: str | None
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


class MeasuredData(Struct, frozen=True, kw_only=True):
    """One target. Rates are MB/s, temperatures degrees Celsius, `seconds_left_out` the warm-up of `rates`.

    `ended` is "time", "bytes", "hot", "gone", "failed" or "interrupt", and `words` says more. `requests_lost` never
    came back. `unread` is all that could not be read beside the data.
    """

    name: str
    path: str
    what: str
    drive: str | None
    bytes: int | None
    page_cache_bypassed: bool
    read_bytes: int
    requests: int
    requests_lost: int
    seconds: float
    mean_mbps: float | None
    spread_mbps: SpreadData | None
    rates_mbps: tuple[float, ...]
    seconds_left_out: float
    start_celsius: float | None
    highest_celsius: float | None
    warning_celsius: float | None
    critical_celsius: float | None
    links: tuple[LinkData, ...]
    ended: str
    words: str
    remarks: tuple[str, ...]
    unread: tuple[UnreadData, ...]
    delivery: DeliveryData


class SharedData(Struct, frozen=True):
    """A hop that several targets share: what it carried of them, and what it should carry."""

    hop: str
    names: tuple[str, ...]
    mbps: float
    expected_mbps: Range


class MeasureData(Struct, frozen=True, kw_only=True):
    """One run. `sum_mbps` and `sum_delivery` are null where targets were measured in turn."""

    format: Literal["lanewright-measure"] = "lanewright-measure"
    version: int = VERSION
    taken_at: str
    platform: str
    asked: AskedData
    interrupted: bool
    measured: tuple[MeasuredData, ...]
    sum_mbps: SpreadData | None
    sum_delivery: DeliveryData | None
    shared: tuple[SharedData, ...]


def schema() -> dict[str, Any]:
    """The JSON Schema of the form."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(MeasureData)}


def form(found: Measurement, audit: Audit) -> MeasureData:
    """The form of `measure`."""
    pairs = zip(found.measured, found.deliveries, strict=True)
    return MeasureData(
        taken_at=audit.facts.taken_at,
        platform=audit.facts.platform,
        asked=_asked(found.asked),
        interrupted=found.interrupted,
        measured=tuple(_measured(one, delivery) for one, delivery in pairs),
        sum_mbps=_spread(found.total),
        sum_delivery=None if found.sum_delivery is None else _delivery(found.sum_delivery),
        shared=tuple(map(_shared, found.shared)),
    )


def _asked(asked: Asked) -> AskedData:
    return AskedData(
        seconds=asked.seconds,
        max_bytes=asked.max_bytes,
        block_bytes=asked.block,
        depth=asked.depth,
        pattern=asked.pattern,
        together=asked.together,
        interval=asked.interval,
    )


def _range(rates: Range) -> Range:
    return round(rates[0], 1), round(rates[1], 1)


def _spread(spread: Spread | None) -> SpreadData | None:
    if spread is None:
        return None
    return SpreadData(
        median=round(spread.median, 1),
        middle_half=_range(spread.quartiles),
        tenth_to_ninetieth=_range(spread.tenths),
        least_to_most=_range(spread.ends),
        intervals=spread.intervals,
    )


def _delivery(delivery: Delivery) -> DeliveryData:
    return DeliveryData(
        verdict=delivery.verdict,
        expected_mbps=None if delivery.expected is None else _range(delivery.expected),
        short_percent=delivery.short_percent,
        narrowest_hop=delivery.narrowest,
        why=delivery.why,
        reasons=delivery.reasons,
        rules=delivery.rules,
        unread=_unread(delivery.unread),
    )


def _unread(unread: Sequence[Unread]) -> tuple[UnreadData, ...]:
    return tuple(UnreadData(one.what, one.why) for one in unread)


def _measured(one: Measured, delivery: Delivery) -> MeasuredData:
    target = one.target
    return MeasuredData(
        name=target.name,
        path=target.place.path,
        what=target.what,
        drive=target.drive,
        bytes=one.size_bytes,
        page_cache_bypassed=one.direct and not target.cached,
        read_bytes=one.read_bytes,
        requests=one.requests,
        requests_lost=one.lost,
        seconds=round(one.seconds, 3),
        mean_mbps=None if one.mean is None else round(one.mean, 1),
        spread_mbps=_spread(one.spread),
        rates_mbps=tuple(round(rate, 1) for rate in one.rates),
        seconds_left_out=round(one.left_out, 3),
        start_celsius=one.celsius[0] if one.celsius is not None else None,
        highest_celsius=one.celsius[1] if one.celsius is not None else None,
        warning_celsius=target.warning_celsius,
        critical_celsius=target.critical_celsius,
        links=tuple(_link(key, rate) for key, rate in one.links.items()),
        ended=one.ended,
        words=one.words,
        remarks=target.remarks,
        unread=_unread(one.unread),
        delivery=_delivery(delivery),
    )


def _link(key: str, rate: tuple[int, int] | Unread) -> LinkData:
    if isinstance(rate, Unread):
        return LinkData(key, None, rate.why)
    speed, width = rate
    return LinkData(key, RateData(GTPS[speed], width) if speed in GTPS and width else None)


def _shared(one: Shared) -> SharedData:
    return SharedData(one.key, one.names, round(one.mbps, 1), _range(one.expected))
