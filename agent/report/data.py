"""The JSON forms of `check` and `inventory`, and their schemas. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Struct

from agent.report.form import Through
from agent.report.health import FirmwareSlotsData, HealthData, firmware_slots, health
from agent.report.plain import block_sizes, describe, describe_link, stripe_caution
from knowledge.rates import GTPS
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.findings import Evidence, Finding, Rate, Step
    from agent.model.judged import Judged
    from agent.model.stripes import StripeSeen
    from probes.facts import BoardSlot, Facts, Host, PciFunction

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

    port: str | None
    device: str | None
    slot: str | None
    slot_named_by: str | None
    what: str
    now: RateData | None
    port_can: RateData | None
    device_can: RateData | None
    best: RateData | None
    verdict: str
    severity: str
    mbps: float | None
    why: str
    evidence: tuple[EvidenceData, ...]
    looks: tuple[LookData, ...]
    status_as_of: Literal["live", "refreshed", "start-up"]


class DriveData(Struct, frozen=True):
    """One drive; rates are MB/s, [low, high]; temperatures are degrees Celsius.

    `alone_mbps` and `together_mbps` are of reading; `both_read_mbps` and `both_write_mbps` of all drives being read and
    written at once. `health` and `firmware_slots` are null where they were not read, or the drive has none. `verdict`
    is that of the drive's own link: "virtual" where it hangs on no PCI function, null where it has no link of its own
    or none that is known. `interconnect` is how the platform words what it hangs on, null where it does not tell.
    """

    name: str
    kind: str
    address: str | None
    model: str | None
    firmware: str | None
    serial: str | None
    bytes: int | None
    celsius: float | None
    warning_celsius: float | None
    critical_celsius: float | None
    alone_mbps: tuple[float, float] | None
    together_mbps: tuple[float, float] | None
    narrowest_hop: str | None
    path: tuple[str, ...]
    payload_bytes: int | None
    alone_write_mbps: tuple[float, float] | None
    together_write_mbps: tuple[float, float] | None
    both_read_mbps: tuple[float, float] | None
    both_write_mbps: tuple[float, float] | None
    health: HealthData | None
    firmware_slots: FirmwareSlotsData | None
    interconnect: str | None
    verdict: str | None


class StripeData(Struct, frozen=True, kw_only=True):
    """A stripe set of the system; rates are MB/s of the whole set, [low, high], null where `why` says so.

    `drives` are those of the members at work, in order, `blocks` their block devices; `idle` are spares and failed
    ones. `copies_read` says what the ends of the range of reading differ in, where copies are held.
    """

    name: str
    level: str | None
    raid: int | None
    state: str | None
    bytes: int | None
    drives: tuple[str | None, ...]
    blocks: tuple[str, ...]
    idle: tuple[str, ...]
    places: int | None
    missing: int | None
    alone_mbps: tuple[float, float] | None
    together_mbps: tuple[float, float] | None
    alone_write_mbps: tuple[float, float] | None
    together_write_mbps: tuple[float, float] | None
    narrowest_hop: str | None
    copies_read: str
    why: str
    caution: str


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
    firmware: str | None
    firmware_date: str | None
    kernel: str | None
    virtual: bool | None
    processors: int | None
    memory_bytes: int | None


class CheckData(Struct, frozen=True, kw_only=True):
    """The audit of one machine; `against` names the build sheet it was held against, null where none was given."""

    format: Literal["lanewright-check"] = "lanewright-check"
    version: int = VERSION
    taken_at: str
    platform: str
    host: HostData
    against: str | None
    links: tuple[LinkData, ...]
    drives: tuple[DriveData, ...]
    stripes: tuple[StripeData, ...]
    findings: tuple[FindingData, ...]
    unread: tuple[UnreadData, ...]


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
    kind: str | None
    connector_lanes: int | None
    wired_lanes: int | None
    generation: int | None
    usage: str | None
    can_split: bool | None


class InventoryData(Struct, frozen=True, kw_only=True):
    """What is fitted in one machine."""

    format: Literal["lanewright-inventory"] = "lanewright-inventory"
    version: int = VERSION
    taken_at: str
    platform: str
    host: HostData
    slots: tuple[SlotData, ...]
    links: tuple[LinkData, ...]
    drives: tuple[DriveData, ...]
    stripes: tuple[StripeData, ...]
    functions: tuple[FunctionData, ...]
    unread: tuple[UnreadData, ...]


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


FORMS: Final[dict[str, type[Struct]]] = {"check": CheckData, "inventory": InventoryData}


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of one form ("check" or "inventory")."""
    found = msgspec.json.schema(FORMS[name])
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found}


def encode(form: Any) -> bytes:  # noqa: ANN401 - any of the forms, or a schema
    """JSON, two spaces a level; every character that is not printable comes out as an escape."""
    data = msgspec.json.format(msgspec.json.encode(form), indent=2) + b"\n"
    if data.isascii() and b"\x7f" not in data:
        return data
    return "".join(map(_escaped, data.decode())).encode()


def _escaped(character: str) -> str:
    if character.isprintable() or character == "\n":
        return character
    units = character.encode("utf-16-be")
    return "".join(f"\\u{units[place]:02x}{units[place + 1]:02x}" for place in range(0, len(units), 2))


def check(audit: Audit) -> CheckData:
    """The form of `check`."""
    return CheckData(
        taken_at=audit.facts.taken_at,
        platform=audit.facts.platform,
        host=_host(audit.facts.host),
        against=audit.against,
        links=tuple(_link(judged, audit) for judged in audit.links),
        drives=tuple(_drive(drive) for drive in audit.drives),
        stripes=tuple(map(_stripe, audit.stripes)),
        findings=tuple(_finding(finding) for finding in audit.findings),
        unread=_unread(audit),
    )


def inventory(audit: Audit) -> InventoryData:
    """The form of `inventory`."""
    return InventoryData(
        taken_at=audit.facts.taken_at,
        platform=audit.facts.platform,
        host=_host(audit.facts.host),
        slots=tuple(slots(audit)),
        links=tuple(_link(judged, audit) for judged in audit.links),
        drives=tuple(_drive(drive) for drive in audit.drives),
        stripes=tuple(map(_stripe, audit.stripes)),
        functions=tuple(_function(function, audit) for function in audit.facts.functions),
        unread=_unread(audit),
    )


def written(file: str, facts: Facts, readings: int, looks: int, *, redacted: bool) -> WrittenData:
    """The form of `capture`, said after the file is written."""
    return WrittenData(
        file=file,
        taken_at=facts.taken_at,
        functions=len(facts.functions),
        readings=readings,
        looks=looks,
        redacted=redacted,
    )


def _rate(rate: Rate | None) -> RateData | None:
    return None if rate is None else RateData(GTPS[rate.speed], rate.width)


def _evidence(found: tuple[Evidence, ...]) -> tuple[EvidenceData, ...]:
    return tuple(EvidenceData(one.source, one.read, one.expected) for one in found)


def _host(host: Host) -> HostData:
    return HostData(
        name=readable(host.name),
        maker=readable(host.maker),
        product=readable(host.product),
        board=readable(host.board),
        firmware=readable(host.firmware_version),
        firmware_date=readable(host.firmware_date),
        kernel=readable(host.kernel),
        virtual=readable(host.virtual),
        processors=readable(host.processors),
        memory_bytes=readable(host.memory_bytes),
    )


def _link(judged: Judged, audit: Audit) -> LinkData:
    slot = judged.link.slot
    return LinkData(
        port=judged.port_address,
        device=judged.device_address,
        slot=slot.name if slot is not None else None,
        slot_named_by=slot.source if slot is not None else None,
        what=describe_link(judged.link, audit),
        now=_rate(judged.now),
        port_can=_rate(judged.port_can),
        device_can=_rate(judged.device_can),
        best=_rate(judged.best),
        verdict=judged.verdict.value,
        severity=judged.verdict.severity.value,
        mbps=None if judged.mbps is None else round(judged.mbps, 1),
        why=judged.why,
        evidence=_evidence(judged.evidence),
        looks=tuple(LookData(offset, _rate(rate)) for offset, rate in judged.looks[1:]),
        status_as_of=judged.fresh,
    )


def _range(rates: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if rates is None else (round(rates[0], 1), round(rates[1], 1))


def _drive(seen: DriveSeen) -> DriveData:
    drive = seen.drive
    sizes, whole = block_sizes(drive)
    return DriveData(
        name=drive.name,
        kind=drive.kind,
        address=readable(drive.address),
        model=readable(drive.model),
        firmware=readable(drive.firmware),
        serial=readable(drive.serial),
        bytes=sum(sizes) if sizes and whole else None,
        celsius=readable(seen.celsius),
        warning_celsius=seen.warning_celsius,
        critical_celsius=seen.critical_celsius,
        alone_mbps=_range(seen.alone),
        together_mbps=_range(seen.together),
        narrowest_hop=seen.narrowest,
        path=seen.path,
        payload_bytes=seen.payload_bytes,
        alone_write_mbps=_range(seen.alone_write),
        together_write_mbps=_range(seen.together_write),
        both_read_mbps=_range(seen.both[0]) if seen.both is not None else None,
        both_write_mbps=_range(seen.both[1]) if seen.both is not None else None,
        health=health(drive.health),
        firmware_slots=firmware_slots(drive.firmware_slots),
        interconnect=readable(drive.interconnect),
        verdict=None if seen.verdict is None else seen.verdict.value,
    )


def _stripe(seen: StripeSeen) -> StripeData:
    stripe = seen.stripe
    return StripeData(
        name=stripe.name,
        level=readable(stripe.level) or None,
        raid=seen.raid,
        state=readable(stripe.state),
        bytes=readable(stripe.size_bytes),
        drives=tuple(name or None for name in stripe.members),
        blocks=stripe.blocks,
        idle=stripe.idle,
        places=readable(stripe.places),
        missing=readable(stripe.missing),
        alone_mbps=_range(seen.alone),
        together_mbps=_range(seen.together),
        alone_write_mbps=_range(seen.alone_write),
        together_write_mbps=_range(seen.together_write),
        narrowest_hop=seen.narrowest,
        copies_read=seen.copies_read,
        why=seen.why,
        caution=stripe_caution(seen),
    )


def _finding(finding: Finding) -> FindingData:
    return FindingData(
        rule=finding.rule,
        severity=finding.severity.value,
        subject=finding.subject,
        headline=finding.headline,
        evidence=_evidence(finding.evidence),
        steps=tuple(map(_step, finding.steps)),
    )


def _step(step: Step) -> StepData:
    return StepData(step.action, step.text, step.cautions, step.gain_mbps, step.verify)


def _unread(audit: Audit) -> tuple[UnreadData, ...]:
    return tuple(UnreadData(one.asked, one.why) for one in audit.unread)


def _function(function: PciFunction, audit: Audit) -> FunctionData:
    return FunctionData(
        address=function.address,
        what=describe(function, audit),
        vendor_name=readable(function.vendor_name),
        model_name=readable(function.model_name),
        vendor_id=readable(function.vendor_id),
        device_id=readable(function.device_id),
        subsystem_vendor_id=readable(function.subsystem_vendor_id),
        subsystem_id=readable(function.subsystem_id),
        class_code=readable(function.class_code),
        revision=readable(function.revision),
        driver=readable(function.driver),
        parent=readable(function.parent),
        physical_function=readable(function.physical_function),
        numa_node=readable(function.numa_node),
        power_state=readable(function.power_state),
    )


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
    ports = tuple(one.port_address for one in links if one.port_address is not None)
    devices = tuple(one.device_address for one in links if one.device_address is not None)
    return SlotData(
        name=name,
        named_by=source,
        port=ports[0] if ports else None,
        device=devices[0] if devices else None,
        ports=ports,
        devices=devices,
        kind=board.kind if board is not None else None,
        connector_lanes=(board.connector_lanes or None) if board is not None else None,
        wired_lanes=(board.wired_lanes or None) if board is not None else None,
        generation=(board.generation or None) if board is not None else None,
        usage=board.usage if board is not None else None,
        can_split=board.can_split if board is not None else None,
    )
