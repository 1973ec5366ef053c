"""The JSON form of `tally`, and its schema. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.model.findings import Verdict
from agent.report import tally_words as words
from agent.report.data import RateOrNull  # noqa: TC001 - the forms' fields are read at work
from agent.report.form import By, From, Through, build

if TYPE_CHECKING:
    from agent.tally.table import Table, TallyLine

VERSION: Final = 1


class CardKindData(Struct, frozen=True):
    """The numbers of a card; null for one that could not be read. `id` has them in hexadecimal digits."""

    id: Annotated[str, By(words.card_id)]
    vendor_id: Annotated[int | None, From("vendor")]
    device_id: Annotated[int | None, From("device")]
    subsystem_vendor_id: Annotated[int | None, From("subsystem_vendor")]
    subsystem_id: Annotated[int | None, From("subsystem")]


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


Counts = tuple[Annotated[CountData, Through(lambda pair: CountData(*pair))], ...]
LinkMbps = Annotated[float | None, Through(lambda link: None if link is None else words.rate_mbps(link))]
Time = Annotated[str | None, Through(words.when)]


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
    names: Counts
    machine: MachineKindData
    machines: int
    links: int
    confirmed: bool
    worst: str
    severity: Annotated[str, By(words.severity)]
    full: Annotated[int, By(_full)]
    narrow: Annotated[int, By(_narrow)]
    slow: Annotated[int, By(_slow)]
    other: Annotated[int, By(words.other_verdicts)]
    verdicts: Annotated[dict[str, int], By(_verdicts)]
    best: RateOrNull
    best_mbps: Annotated[LinkMbps, From("best")]
    typical: RateOrNull
    typical_mbps: Annotated[LinkMbps, From("typical")]
    rated_links: Annotated[int, From("rated")]
    hottest_celsius: Annotated[float | None, From("hottest")]
    drive_firmware: Annotated[Counts, From("firmware")]
    host_firmware: Counts
    at_start: int


class RefusedData(Struct, frozen=True):
    """A name that gave no capture, and why."""

    file: str
    why: str


class PassedOverData(Struct, frozen=True):
    """How many names gave no capture; `first` are the first of them in order of their names.

    `other_json` of them are JSON of another form that lay in a folder, unnamed; `first` has the first of these and the
    first of the rest.
    """

    count: int
    first: tuple[RefusedData, ...]
    other_json: int


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
    captures: Annotated[int, From("counts.captures")]
    machines: Annotated[int, From("counts.machines")]
    machines_without_name: Annotated[int, From("counts.nameless")]
    machine_kinds: Annotated[int, From("kinds")]
    oldest: Annotated[Time, From("counts.oldest")]
    newest: Annotated[Time, From("counts.newest")]
    dark_slots: Annotated[int, From("dark")]
    passed_over: Annotated[PassedOverData, By(_passed_over)]
    choice: ChoiceData
    lines_in_all: Annotated[int, From("of")]
    lines: tuple[LineData, ...]
    silent_ports: Annotated[int, From("silent")]
    machines_read_in_part: Annotated[int, From("partly")]


def form(found: Table) -> TallyData:
    """The form of `tally`."""
    return build(TallyData, found)


def _full(line: TallyLine) -> int:
    return line.count(Verdict.FULL)


def _narrow(line: TallyLine) -> int:
    return line.count(Verdict.NARROW)


def _slow(line: TallyLine) -> int:
    return line.count(Verdict.SLOW)


def _verdicts(line: TallyLine) -> dict[str, int]:
    return {verdict.value: count for verdict, count in line.verdicts}


def _passed_over(found: Table) -> PassedOverData:
    refused = tuple(RefusedData(name, why) for name, why in sorted((*found.refused, *found.others)))
    return PassedOverData(found.passed_over, refused, found.other)
