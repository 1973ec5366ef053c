"""One machine as the page shows it: its name and counts, findings, links, drives, sets, firmware, health, unread.

Puts what the audit says into the shape of the page; decides nothing. All text of devices passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

from agent.model.abilities import rate_text
from agent.model.findings import Severity, Verdict
from agent.report import drive_words, health
from agent.report import words as shared
from agent.report.drive_words import where
from agent.report.page import bars, words
from agent.report.page.drawing import drawings
from agent.report.page.findings import subjects
from agent.report.page.map import chart
from agent.report.plain import board, size, told
from knowledge.phrasing import mbps, plain, quantity, some
from probes.facts import FirmwareSlots, Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.judged import Judged
    from agent.report.page.bars import Bar
    from agent.report.page.drawing import Drawing
    from agent.report.page.findings import SubjectShown
    from agent.report.page.map import MapEntry
    from probes.facts import Drive

GIBIBYTE: Final = 2**30
ON_THE_WAY: Final = Severity.NOTE.rank  # what is no worse holds no drive back for good


class LinkRow(Struct, frozen=True, kw_only=True):
    """A row of the table of links."""

    where: str
    address: str
    what: str
    now: str
    could: str
    port_could: str
    verdict: str
    severity: str
    why: str
    rate: str


class HopShown(Struct, frozen=True):
    """A link on a drive's way; `mark` says that it holds the drive back, "" if it does not."""

    rate: str
    where: str
    mark: str


class Member(Struct, frozen=True):
    """One of several drives that are alike: its name, where it sits, its temperature."""

    name: str
    place: str
    temperature: str


class DriveShown(Struct, frozen=True, kw_only=True):
    """A drive, or several alike, with their way and the bars of each; `note` says what the bars cannot.

    `no_way` stands in the place of a way of which nothing is known.
    """

    name: str
    model: str
    size: str
    members: tuple[Member, ...]
    hops: tuple[HopShown, ...]
    end: str
    no_way: str
    bars: tuple[Bar, ...]
    ceiling: str
    note: str


class StripeShown(Struct, frozen=True, kw_only=True):
    """A stripe set with its bars."""

    name: str
    kind: str
    bars: tuple[Bar, ...]
    narrowest: str
    note: str


class FirmwareRow(Struct, frozen=True):
    """The firmware of the machine or of drives that are alike; `slots` are firmware slots of drives in words."""

    part: str
    what: str
    version: str
    slots: str


class HealthRow(Struct, frozen=True):
    """What a drive says of its own health, by the columns of `health.HEAD`; `lost` says why nothing could be read."""

    name: str
    cells: tuple[str, ...]
    lost: str


class UnreadRow(Struct, frozen=True):
    """What could not be read, and why."""

    what: str
    why: str


class MachineShown(Struct, frozen=True, kw_only=True):
    """All that the page says of one machine. `prefix` begins all its anchors; `label` tells it from others.

    `role` is "before", "between" or "after" where captures of one machine are compared, else "". `answer` is the first
    line of a check, `worst` how bad it is, `first` what to do first.
    """

    prefix: str
    name: str
    label: str
    product: str
    role: str
    source: str
    taken_at: str
    against: str
    answer: str
    worst: str
    first: str
    facts: tuple[tuple[str, str], ...]
    subjects: tuple[SubjectShown, ...]
    remarks: tuple[SubjectShown, ...]
    links: tuple[LinkRow, ...]
    drives: tuple[DriveShown, ...]
    stripes: tuple[StripeShown, ...]
    cautions: tuple[str, ...]
    map: tuple[Drawing, ...]
    chart: tuple[MapEntry, ...]
    left_out: int
    asides: tuple[str, ...]
    functions: tuple[tuple[str, str], ...]
    map_words: str
    firmware: tuple[FirmwareRow, ...]
    health: tuple[HealthRow, ...]
    unread: tuple[UnreadRow, ...]
    with_root: tuple[str, ...]


def machine(source: str, audit: Audit, number: int) -> MachineShown:
    """The machine of an audit, the `number`th of the page; `source` says what it was read from."""
    prefix = f"machine-{number}"
    loads = {seen.drive.name: tuple(bars.loads_of_drive(seen, audit)) for seen in audit.drives}
    scale = bars.longest(
        [
            *(bar for found in loads.values() for bar in found),
            *(load for seen in audit.stripes for load in bars.loads_of_stripe(seen)),
        ]
    )
    drawn = chart(audit)
    said: set[str] = set()
    return MachineShown(
        prefix=prefix,
        name=words.name(audit),
        label=words.name(audit),
        product=words.beside(audit),
        role="",
        source=plain(source),
        taken_at=shared.moment(plain(audit.facts.taken_at, words.SHORT)),
        against=plain(audit.against) if audit.against is not None else "",
        answer="".join(part for part, _ in shared.summary(audit)).strip(),
        worst=shared.answer(audit)[1].value,
        first=shared.first_step(audit),
        facts=tuple(_facts(audit)),
        subjects=tuple(subjects(shared.findings(audit), audit, f"{prefix}-finding", said)),
        remarks=tuple(subjects(shared.remarks(audit), audit, f"{prefix}-remark", said)),
        links=tuple(_links(audit)),
        drives=tuple(_alike([_drive(seen, audit, loads[seen.drive.name], scale) for seen in audit.drives])),
        stripes=tuple(_stripes(audit, scale)),
        cautions=drive_words.stripe_cautions(audit),
        map=drawings(drawn),
        chart=drawn.entries,
        left_out=drawn.left_out,
        asides=tuple(map(words.sentence, shared.asides(audit))),
        functions=() if any(link.link.device is not None for link in audit.links) else tuple(shared.functions(audit)),
        map_words=_map_words(audit),
        firmware=tuple(_firmware(audit)),
        health=tuple(_health(audit)),
        unread=tuple(UnreadRow(plain(unread.asked), plain(unread.why)) for unread in audit.unread),
        with_root=tuple(shared.root_would_add(audit)),
    )


def _map_words(audit: Audit) -> str:
    """What the map shows as a whole."""
    held = [link for link in audit.links if link.link.device is not None and link.verdict.severity.rank < ON_THE_WAY]
    names = some(f"{shared.port(judged)} ({judged.verdict.value})" for judged in held)
    fitted = [link for link in audit.links if link.link.device is not None]
    untold = sum(judged.verdict is Verdict.UNKNOWN for judged in fitted)
    none = f"None is known to be held back, {untold} could not be judged." if untold else "None is held back."
    gap = audit.facts.gap("functions")
    more = "" if gap is None else f" There may be more: {plain(gap.what)} could not be read."
    return f"{quantity(len(fitted), 'link')} with a card. " + (f"Held back: {names}." if held else none) + more


def _as_far(gap: Unread | None) -> str:
    """What to say beside a count where there may be more than was seen."""
    return "" if gap is None else f" seen; there may be more ({plain(gap.what)} could not be read)"


def _facts(audit: Audit) -> Iterator[tuple[str, str]]:
    """The machine as a whole, label by label."""
    host = audit.facts.host
    yield "Board", board(host)
    yield "Firmware", shared.host_firmware(audit)
    yield "Kernel", told(host.kernel)
    yield "Processors", str(host.processors) if isinstance(host.processors, int) else "not known"
    memory = host.memory_bytes
    yield "Memory", f"{memory / GIBIBYTE:.1f} GiB" if isinstance(memory, int) else "not known"
    seen = f"{sum(link.link.device is not None for link in audit.links):,}"
    yield "Links with a card", f"{seen}{_as_far(audit.facts.gap('functions'))}"
    yield "Drives", f"{len(audit.drives):,}{_as_far(audit.facts.gap('drives'))}"
    if host.virtual is True:
        yield "Runs", "under a hypervisor"


# --- Links and drives ------------------------------------------------------------------------------------------


def _links(audit: Audit) -> Iterator[LinkRow]:
    """The links, worst first."""
    for judged in shared.ranked(audit):
        could = shared.best(judged)
        device = judged.device_address
        yield LinkRow(
            where=shared.port(judged),
            address=device or judged.port_address or "",
            what=words.what(judged, audit),
            now=words.now(judged),
            could="" if could is None else rate_text(could),
            port_could=rate_text(judged.port_can) if device is None and judged.port_can is not None else "",
            verdict=judged.verdict.value,
            severity=judged.verdict.severity.value,
            why=_why(judged),
            rate="" if judged.mbps is None else mbps(judged.mbps),
        )


def _why(judged: Judged) -> str:
    """Why a link was judged so, "" where the figures of its row say it all."""
    if judged.verdict is Verdict.EMPTY or judged.why == f"runs at {words.now(judged)}, the best the card can do":
        return ""
    return words.sentence(plain(judged.why or judged.verdict.meaning))


def _drive(seen: DriveSeen, audit: Audit, loads: tuple[bars.RangeBar, ...], scale: float) -> DriveShown:
    drive = seen.drive
    note = drive_words.without_rates(seen)
    if note:
        loads = ()
    if loads and seen.payload_bytes is None:
        note = drive_words.AT_MOST
    return DriveShown(
        name=plain(drive.name, words.SHORT),
        model=plain(told(drive.model, "model not known"), words.NAME),
        size=size(drive),
        members=(Member(plain(drive.name, words.SHORT), _place(seen, audit), words.temperature(seen)),),
        hops=tuple(_hop(audit.by_key[key], seen) for key in seen.path),
        end=_end(seen, audit),
        no_way=_no_way(seen),
        bars=bars.bars(loads, scale),
        ceiling=bars.ceilings(loads),
        note=words.sentence(note),
    )


def _no_way(seen: DriveSeen) -> str:
    lost = seen.way_lost
    if lost is None:
        return "No PCI Express link of its own."
    return words.sentence(f"Its path could not be read: {plain(lost.why)}")


def _place(seen: DriveSeen, audit: Audit) -> str:
    """Where a drive sits: its slot or port, else what it hangs on."""
    if seen.path:
        return shared.port(audit.by_key[seen.path[0]])
    return plain(where(seen.drive), words.NAME)


def _alike(drives: Sequence[DriveShown]) -> Iterator[DriveShown]:
    """The drives in their order, those that are alike together: of one model, on like ways, with the same rates."""
    groups: dict[object, list[DriveShown]] = {}
    for drive in drives:
        way = tuple((hop.rate, hop.mark) for hop in drive.hops)
        key = (drive.model, drive.size, way, drive.end, drive.no_way, drive.bars, drive.ceiling, drive.note)
        groups.setdefault(key, []).append(drive)
    for together in groups.values():
        first = together[0]
        hops = zip(*(drive.hops for drive in together), strict=True)
        yield structs.replace(
            first,
            name=some([drive.name for drive in together], 8),
            members=tuple(member for drive in together for member in drive.members),
            hops=tuple(
                HopShown(alike[0].rate, some(dict.fromkeys(hop.where for hop in alike), 4), alike[0].mark)
                for alike in hops
            ),
        )


def _hop(judged: Judged, seen: DriveSeen) -> HopShown:
    mark = ""
    if judged.link.key == seen.narrowest and len(seen.path) > 1:
        mark = "narrowest"
    if judged.verdict.severity.rank < ON_THE_WAY:
        mark = f"{mark}, {judged.verdict.value}" if mark else judged.verdict.value
    return HopShown(words.now(judged), shared.port(judged), mark)


def _end(seen: DriveSeen, audit: Audit) -> str:
    """Where a drive's way ends."""
    return drive_words.end(seen, audit) if seen.path else ""


def _stripes(audit: Audit, scale: float) -> Iterator[StripeShown]:
    """The sets, their bars on the scale of the drives' bars, so that both can be held against each other."""
    loads = {seen.stripe.name: tuple(bars.loads_of_stripe(seen)) for seen in audit.stripes}
    for seen in audit.stripes:
        note = f"rate not known: {plain(seen.why)}" if seen.why else seen.copies_read
        yield StripeShown(
            name=plain(seen.stripe.name, words.SHORT),
            kind=drive_words.stripe(seen),
            bars=bars.bars(loads[seen.stripe.name], scale),
            narrowest=words.sentence(drive_words.stripe_hop(seen, audit)),
            note=words.sentence(note),
        )


# --- Firmware and health ---------------------------------------------------------------------------------------


def _firmware(audit: Audit) -> Iterator[FirmwareRow]:
    yield FirmwareRow("machine", words.product(audit) or "product not known", shared.host_firmware(audit), "")
    alike: dict[tuple[str, str, str], list[str]] = {}
    for drive in (seen.drive for seen in audit.drives):
        key = (plain(told(drive.model), words.NAME), told(drive.firmware), _slots(drive))
        alike.setdefault(key, []).append(plain(drive.name, words.SHORT))
    for (model, version, slots), names in alike.items():
        yield FirmwareRow(some(names, 8), model, version, slots)


def _health(audit: Audit) -> Iterator[HealthRow]:
    """A row for each drive that tells of its health; those of which it was lost for one reason have one row."""
    lost: dict[str, list[str]] = {}
    for drive in (seen.drive for seen in audit.drives):
        if isinstance(drive.health, Health):
            yield HealthRow(plain(drive.name, words.SHORT), health.row(drive.health), "")
        elif isinstance(drive.health, Unread):
            lost.setdefault(plain(drive.health.why), []).append(plain(drive.name, words.SHORT))
    for why, names in lost.items():
        yield HealthRow(", ".join(names), (), f"not known ({why})")


def _slots(drive: Drive) -> str:
    """What a drive says of its firmware slots, "" where it says nothing of them."""
    if isinstance(drive.firmware_slots, FirmwareSlots):
        return health.slots(drive.firmware_slots)
    return "not known" if isinstance(drive.firmware_slots, Unread) else ""
