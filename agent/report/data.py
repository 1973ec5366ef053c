"""The JSON forms of `check` and `inventory`, and their schemas. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Struct

from agent.model.findings import Severity
from agent.report.form import By, From, Mbps, MbpsRange, Through, build
from agent.report.health import FirmwareSlotsData, HealthData  # noqa: TC001 - the forms' fields are read at work
from agent.report.plain import block_sizes, describe, describe_link, stripe_caution
from knowledge.phrasing import encodable
from knowledge.rates import GTPS
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.findings import Rate
    from agent.model.judged import Judged
    from agent.model.stripes import StripeSeen
    from probes.facts import BoardSlot, Facts

VERSION: Final = 1
Value = TypeVar("Value")


class RateData(Struct, frozen=True):
    """A link rate: GT/s and lanes."""

    gtps: float
    width: int


def rate(link: Rate | tuple[int, int] | None) -> RateData | None:
    """The form of a link rate; null for a generation that there is not."""
    if link is None:
        return None
    speed, width = link if isinstance(link, tuple) else (link.speed, link.width)
    return RateData(GTPS[speed], width) if speed in GTPS else None


RateOrNull = Annotated[RateData | None, Through(rate)]


def _unless_empty(value: Value | Unread | None) -> Value | None:
    return readable(value) or None


TextOrNull = Annotated[str | None, Through(_unless_empty)]
CountOrNull = Annotated[int | None, Through(_unless_empty)]


class EvidenceData(Struct, frozen=True):
    """One reading: source, value as read, value expected."""

    source: str
    read: str
    expected: str


class LookData(Struct, frozen=True):
    """A later look at a link, seconds after the first; `now` is null where both ends did not agree."""

    seconds: float
    now: RateData | None


class LinkData(Struct, frozen=True):
    """One link. `mbps` is the link rate now in MB/s (10^6 bytes, one direction, after line coding).

    `status_as_of` tells how current `now` is: "live" (read just now), "refreshed" (when the link last trained or its
    port told of a change) or "start-up" (when the system started or the device was plugged in).
    """

    port: Annotated[str | None, From("port_address")]
    device: Annotated[str | None, From("device_address")]
    slot: Annotated[str | None, From("link.slot.name")]
    slot_named_by: Annotated[str | None, From("link.slot.source")]
    what: str
    now: RateOrNull
    port_can: RateOrNull
    device_can: RateOrNull
    best: RateOrNull
    verdict: str
    severity: Annotated[str, From("verdict.severity")]
    mbps: Mbps | None
    why: str
    evidence: tuple[EvidenceData, ...]
    looks: Annotated[tuple[LookData, ...], By(_looks)]
    status_as_of: Annotated[Literal["live", "refreshed", "start-up"], From("fresh")]


class DriveData(Struct, frozen=True):
    """One drive; rates are MB/s, [low, high]; temperatures are degrees Celsius.

    `alone_mbps` and `together_mbps` are of reading; `both_read_mbps` and `both_write_mbps` of all drives being read and
    written at once. `health` and `firmware_slots` are null where they were not read, or the drive has none. `verdict`
    is that of the drive's own link: "virtual" where it hangs on no PCI function, null where it has no link of its own
    or none that is known. `interconnect` is how the platform words what it hangs on, null where it does not tell.
    `state` is that of its controller: one that is not "live" serves nothing; null where it has none, or none was read.
    """

    name: Annotated[str, From("drive.name")]
    kind: Annotated[str, From("drive.kind")]
    address: Annotated[str | None, From("drive.address")]
    model: Annotated[str | None, From("drive.model")]
    firmware: Annotated[str | None, From("drive.firmware")]
    serial: Annotated[str | None, From("drive.serial")]
    bytes: Annotated[int | None, By(_bytes)]
    celsius: float | None
    warning_celsius: float | None
    critical_celsius: float | None
    alone_mbps: Annotated[MbpsRange | None, From("alone")]
    together_mbps: Annotated[MbpsRange | None, From("together")]
    narrowest_hop: Annotated[str | None, From("narrowest")]
    path: tuple[str, ...]
    payload_bytes: int | None
    alone_write_mbps: Annotated[MbpsRange | None, From("alone_write")]
    together_write_mbps: Annotated[MbpsRange | None, From("together_write")]
    both_read_mbps: Annotated[MbpsRange | None, By(_both_read)]
    both_write_mbps: Annotated[MbpsRange | None, By(_both_write)]
    health: Annotated[HealthData | None, From("drive.health")]
    firmware_slots: Annotated[FirmwareSlotsData | None, From("drive.firmware_slots")]
    interconnect: Annotated[str | None, From("drive.interconnect")]
    verdict: str | None
    state: Annotated[str | None, From("drive.state")]


class StripeData(Struct, frozen=True, kw_only=True):
    """A stripe set of the system; rates are MB/s of the whole set, [low, high], null where `why` says so.

    `drives` are those of the members at work, in order, `blocks` their block devices; `idle` are spares and failed
    ones. `copies_read` says what the ends of the range of reading differ in, where copies are held.
    """

    name: Annotated[str, From("stripe.name")]
    level: Annotated[TextOrNull, From("stripe.level")]
    raid: int | None
    state: Annotated[str | None, From("stripe.state")]
    bytes: Annotated[int | None, From("stripe.size_bytes")]
    drives: Annotated[tuple[str | None, ...], By(_members)]
    blocks: Annotated[tuple[str, ...], From("stripe.blocks")]
    idle: Annotated[tuple[str, ...], From("stripe.idle")]
    places: Annotated[int | None, From("stripe.places")]
    missing: Annotated[int | None, From("stripe.missing")]
    alone_mbps: Annotated[MbpsRange | None, From("alone")]
    together_mbps: Annotated[MbpsRange | None, From("together")]
    alone_write_mbps: Annotated[MbpsRange | None, From("alone_write")]
    together_write_mbps: Annotated[MbpsRange | None, From("together_write")]
    narrowest_hop: Annotated[str | None, From("narrowest")]
    copies_read: str
    why: str
    caution: Annotated[str, By(stripe_caution)]


class StepData(Struct, frozen=True):
    """One step; read its cautions first. `gain_mbps` is what it should bring at most."""

    action: str
    text: str
    cautions: tuple[str, ...]
    gain_mbps: float | None
    verify: str


class FindingData(Struct, frozen=True):
    """One finding with its evidence and steps, least invasive first."""

    rule: str
    severity: str
    subject: str
    headline: str
    evidence: tuple[EvidenceData, ...]
    steps: tuple[StepData, ...]


class UnreadData(Struct, frozen=True):
    """Something that could not be read, and why."""

    what: str
    why: str


class HostData(Struct, frozen=True):
    """The machine; null where it could not be read or is not told."""

    name: str | None
    maker: str | None
    product: str | None
    board: str | None
    firmware: Annotated[str | None, From("firmware_version")]
    firmware_date: str | None
    kernel: str | None
    virtual: bool | None
    processors: int | None
    memory_bytes: int | None


class CountsData(Struct, frozen=True):
    """How many of `findings` there are of each severity but ok, worst first."""

    fault: int
    limit: int
    note: int
    unknown: int


class CheckData(Struct, frozen=True, kw_only=True):
    """The audit of one machine; `against` names the build sheet it was held against, null where none was given.

    `answer` is what people read first. `worst` is the worst severity of all findings and verdicts, as `--fail-on` has
    it; where a reading failed that may hide a fault it is "unknown" or worse, never "ok".
    """

    format: Literal["lanewright-check"] = "lanewright-check"
    version: int = VERSION
    answer: Annotated[str, By(_answer)]
    worst: Annotated[Literal["fault", "limit", "note", "unknown", "ok"], By(_worst)]
    counts: Annotated[CountsData, By(_counts)]
    taken_at: Annotated[str, From("facts.taken_at")]
    platform: Annotated[str, From("facts.platform")]
    host: Annotated[HostData, From("facts.host")]
    against: str | None
    links: Annotated[tuple[LinkData, ...], By(_links)]
    drives: tuple[DriveData, ...]
    stripes: tuple[StripeData, ...]
    findings: tuple[FindingData, ...]
    unread: tuple[Annotated[UnreadData, Through(_asked)], ...]


class FunctionData(Struct, frozen=True):
    """One PCI function."""

    address: str
    what: str
    vendor_name: str | None
    model_name: str | None
    vendor_id: int | None
    device_id: int | None
    subsystem_vendor_id: int | None
    subsystem_id: int | None
    class_code: int | None
    revision: int | None
    driver: str | None
    parent: str | None
    physical_function: str | None
    numa_node: int | None
    power_state: str | None


class SlotData(Struct, frozen=True):
    """One slot, as the firmware describes it or as the kernel names it; a split slot has several ports and devices."""

    name: str
    named_by: str
    port: str | None
    device: str | None
    ports: tuple[str, ...]
    devices: tuple[str, ...]
    kind: Annotated[str | None, From("kind")]
    connector_lanes: Annotated[CountOrNull, From("connector_lanes")]
    wired_lanes: Annotated[CountOrNull, From("wired_lanes")]
    generation: Annotated[CountOrNull, From("generation")]
    usage: Annotated[str | None, From("usage")]
    can_split: Annotated[bool | None, From("can_split")]


class InventoryData(Struct, frozen=True, kw_only=True):
    """What is fitted in one machine."""

    format: Literal["lanewright-inventory"] = "lanewright-inventory"
    version: int = VERSION
    taken_at: Annotated[str, From("facts.taken_at")]
    platform: Annotated[str, From("facts.platform")]
    host: Annotated[HostData, From("facts.host")]
    slots: Annotated[tuple[SlotData, ...], By(slots)]
    links: Annotated[tuple[LinkData, ...], By(_links)]
    drives: tuple[DriveData, ...]
    stripes: tuple[StripeData, ...]
    functions: Annotated[tuple[FunctionData, ...], By(_functions)]
    unread: tuple[Annotated[UnreadData, Through(_asked)], ...]


class WrittenData(Struct, frozen=True, kw_only=True):
    """What `capture` wrote: where, how many readings of how many functions, how many later looks."""

    format: Literal["lanewright-written"] = "lanewright-written"
    version: int = VERSION
    file: str
    taken_at: str
    functions: int
    readings: int
    looks: int
    redacted: bool


def encode(form: Any) -> bytes:  # noqa: ANN401 - any of the forms, or a schema
    """JSON, two spaces a level; every character that is not printable comes out as an escape."""
    try:
        packed = msgspec.json.encode(form)
    except UnicodeEncodeError:  # a name of the user's that is no UTF-8
        packed = msgspec.json.encode(_encodable(msgspec.to_builtins(form)))
    data = msgspec.json.format(packed, indent=2) + b"\n"
    if data.isascii() and b"\x7f" not in data:
        return data
    return "".join(map(_escaped, data.decode())).encode()


def _encodable(value: Any) -> Any:  # noqa: ANN401 - any JSON
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, dict):
        return {_encodable(key): _encodable(inner) for key, inner in value.items()}
    return [_encodable(inner) for inner in value] if isinstance(value, list | tuple) else value


def _escaped(character: str) -> str:
    if character.isprintable() or character == "\n":
        return character
    units = character.encode("utf-16-be")
    return "".join(f"\\u{units[place]:02x}{units[place + 1]:02x}" for place in range(0, len(units), 2))


def check(audit: Audit) -> CheckData:
    """The form of `check`."""
    return build(CheckData, audit)


def inventory(audit: Audit) -> InventoryData:
    """The form of `inventory`."""
    return build(InventoryData, audit)


def written(file: str, facts: Facts, readings: int, looks: int, *, redacted: bool) -> WrittenData:
    """The form of `capture`, said after the file is written."""
    functions = len(facts.functions)
    return build(WrittenData, facts, file=file, functions=functions, readings=readings, looks=looks, redacted=redacted)


def _answer(audit: Audit) -> str:
    from agent.report.words import answer

    return answer(audit)[0]


def _worst(audit: Audit) -> Severity:
    """What `--fail-on` is held against; where something may hide a fault, nothing is well."""
    return Severity.UNKNOWN if audit.blind and audit.worst is Severity.OK else audit.worst


def _counts(audit: Audit) -> CountsData:
    found = [finding.severity for finding in audit.findings]
    return CountsData(**{name: found.count(Severity(name)) for name in CountsData.__struct_fields__})


def _links(audit: Audit) -> Iterator[LinkData]:
    return (build(LinkData, judged, what=describe_link(judged.link, audit)) for judged in audit.links)


def _looks(judged: Judged) -> Iterator[LookData]:
    return (LookData(offset, rate(seen)) for offset, seen in judged.looks[1:])


def _functions(audit: Audit) -> Iterator[FunctionData]:
    return (build(FunctionData, function, what=describe(function, audit)) for function in audit.facts.functions)


def _asked(unread: Unread) -> UnreadData:
    return UnreadData(unread.asked, unread.why)


def _bytes(seen: DriveSeen) -> int | None:
    sizes, whole = block_sizes(seen.drive)
    return sum(sizes) if sizes and whole else None


def _both_read(seen: DriveSeen) -> tuple[float, float] | None:
    return None if seen.both is None else seen.both[0]


def _both_write(seen: DriveSeen) -> tuple[float, float] | None:
    return None if seen.both is None else seen.both[1]


def _members(seen: StripeSeen) -> Iterator[str | None]:
    return (name or None for name in seen.stripe.members)


def slots(audit: Audit) -> Iterator[SlotData]:
    """Every slot once: those that links lead to, then what only the firmware or only the kernel names."""
    groups: dict[BoardSlot | str, list[Judged]] = {}
    matched = set()
    for judged in audit.links:
        slot = judged.link.slot
        if slot is not None:
            groups.setdefault(slot.board if slot.board is not None else judged.link.key, []).append(judged)
            matched.add(slot.kernel_address)
    for together in groups.values():
        slot = together[0].link.slot
        if slot is not None:
            yield _slot(slot.name, slot.source, slot.board, together)
    described = audit.facts.board_slots
    for board in () if isinstance(described, Unread) else described:
        if board not in groups:
            yield _slot(board.designation, "firmware slot description (SMBIOS)", board, ())
    for kernel in audit.facts.kernel_slots:
        if kernel.address not in matched:
            yield _slot(kernel.name, "kernel slot name", None, ())


def _slot(name: str, source: str, board: BoardSlot | None, links: Sequence[Judged]) -> SlotData:
    ports = tuple(link.port_address for link in links if link.port_address is not None)
    devices = tuple(link.device_address for link in links if link.device_address is not None)
    port, device = (found[0] if found else None for found in (ports, devices))
    return build(SlotData, board, name=name, named_by=source, port=port, device=device, ports=ports, devices=devices)
