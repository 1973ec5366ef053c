"""The JSON form of `tally`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.model.findings import Verdict
from agent.report import tally_words as words
from agent.report.data import RateData
from knowledge.rates import GTPS

if TYPE_CHECKING:
    from agent.model.findings import Rate
    from agent.tally.table import Counted, Line, Table

VERSION: Final = 1


class CardKindData(Struct, frozen=True):
    """The numbers of a card; null for one that could not be read. `id` has them in hexadecimal digits."""

    id: str
    vendor_id: int | None
    device_id: int | None
    subsystem_vendor_id: int | None
    subsystem_id: int | None


class MachineKindData(Struct, frozen=True):
    """The make of a machine as read; null for what it does not tell."""

    platform: str
    maker: str | None
    product: str | None
    board: str | None


class CountData(Struct, frozen=True):
    """A name or a version, and how often it was met."""

    text: str
    count: int


class LineData(Struct, frozen=True, kw_only=True):
    """A card kind in a machine kind, and how many machines and links stand behind it.

    `full`, `narrow`, `slow` and `other` count links; `verdicts` counts each of its kind. Rates are of the link, MB/s
    (10^6 bytes, one direction, after line coding): `typical` is what half of the `rated_links` reach or pass. `names`
    counts the models that links gave, `drive_firmware` drives, `host_firmware` machines. `confirmed` tells that every
    link runs at the best that both of its ends can do. `at_start` counts links whose rate the system gave as it was
    when it started: a restart before the capture would have shown what they do now.
    """

    card: CardKindData
    what: str
    names: tuple[CountData, ...]
    machine: MachineKindData
    machines: int
    links: int
    confirmed: bool
    worst: str
    severity: str
    full: int
    narrow: int
    slow: int
    other: int
    verdicts: dict[str, int]
    best: RateData | None
    best_mbps: float | None
    typical: RateData | None
    typical_mbps: float | None
    rated_links: int
    hottest_celsius: float | None
    drive_firmware: tuple[CountData, ...]
    host_firmware: tuple[CountData, ...]
    at_start: int


class RefusedData(Struct, frozen=True):
    """A name that gave no capture, and why."""

    file: str
    why: str


class PassedOverData(Struct, frozen=True):
    """How many names gave no capture; `first` are the first of them in order of their names."""

    count: int
    first: tuple[RefusedData, ...]


class ChoiceData(Struct, frozen=True):
    """Which lines were asked for, and in which order."""

    sort: str
    only: str | None
    least: int
    confirmed: bool


class TallyData(Struct, frozen=True, kw_only=True):
    """Many captures as one table; `lines_in_all` counts those that were not asked for as well.

    `dark_slots` counts slots with a card that gives no link, which stand in no line. `silent_ports` counts slots and
    ports of which it could not be read whether something is there, and `machines_read_in_part` machines of which
    readings failed: what these have beyond what was read is counted nowhere, and as absent neither.
    """

    format: Literal["lanewright-tally"] = "lanewright-tally"
    version: int = VERSION
    captures: int
    machines: int
    machines_without_name: int
    machine_kinds: int
    oldest: str | None
    newest: str | None
    dark_slots: int
    passed_over: PassedOverData
    choice: ChoiceData
    lines_in_all: int
    lines: tuple[LineData, ...]
    silent_ports: int
    machines_read_in_part: int


def schema() -> dict[str, Any]:
    """The JSON Schema of the form."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(TallyData)}


def form(found: Table) -> TallyData:
    """The form of `tally`."""
    counts = found.counts
    return TallyData(
        captures=counts.captures,
        machines=counts.machines,
        machines_without_name=counts.nameless,
        machine_kinds=found.kinds,
        oldest=words.when(counts.oldest),
        newest=words.when(counts.newest),
        dark_slots=found.dark,
        passed_over=PassedOverData(
            found.passed_over, tuple(RefusedData(_encodable(name), why) for name, why in found.refused)
        ),
        choice=ChoiceData(
            found.choice.sort,
            None if found.choice.only is None else _encodable(found.choice.only),
            found.choice.least,
            found.choice.confirmed,
        ),
        lines_in_all=found.of,
        lines=tuple(map(_line, found.lines)),
        silent_ports=found.silent,
        machines_read_in_part=found.partly,
    )


def _line(line: Line) -> LineData:
    card, kind = line.card, line.machine
    return LineData(
        card=CardKindData(words.card_id(card), card.vendor, card.device, card.subsystem_vendor, card.subsystem),
        what=line.what,
        names=_counted(line.names),
        machine=MachineKindData(kind.platform, kind.maker, kind.product, kind.board),
        machines=line.machines,
        links=line.links,
        confirmed=line.confirmed,
        worst=line.worst.value,
        severity=words.severity(line).value,
        full=line.count(Verdict.FULL),
        narrow=line.count(Verdict.NARROW),
        slow=line.count(Verdict.SLOW),
        other=words.other_verdicts(line),
        verdicts={verdict.value: count for verdict, count in line.verdicts},
        best=_rate(line.best),
        best_mbps=_mbps(line.best),
        typical=_rate(line.typical),
        typical_mbps=_mbps(line.typical),
        rated_links=line.rated,
        hottest_celsius=line.hottest,
        drive_firmware=_counted(line.firmware),
        host_firmware=_counted(line.host_firmware),
        at_start=line.at_start,
    )


def _counted(counts: Counted) -> tuple[CountData, ...]:
    return tuple(CountData(text, count) for text, count in counts)


def _rate(rate: Rate | None) -> RateData | None:
    return None if rate is None else RateData(GTPS[rate.speed], rate.width)


def _mbps(rate: Rate | None) -> float | None:
    return None if rate is None else words.rate_mbps(rate)


def _encodable(name: str) -> str:
    """The name of a file; bytes of it that are no UTF-8 are spelt out."""
    return name.encode("utf-8", "backslashreplace").decode()
