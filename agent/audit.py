"""Facts to an audit: the one call behind every command. Reads nothing, prints nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct, structs

from agent import advisor, rules
from agent.model import machine, throughput, verdicts
from agent.model.findings import Finding, Severity, Verdict
from agent.model.throughput import Flow, Hop, Share
from agent.rules.drives import by_drive, limits
from agent.rules.links import payloads, request_bytes
from agent.rules.stripes import stripe_sets
from knowledge.problems import BadInput, NothingRead
from probes.decode import NOT_GIVEN
from probes.facts import Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from agent.model.expected import Planned
    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.notes.shelf import Shelf
    from agent.rules.plan.parts import Matched
    from agent.rules.rule import StripeSeen
    from probes.facts import Drive, Facts


class DriveSeen(Struct, frozen=True):
    """A drive with what it should reach. Rates are (low, high) in MB/s, None where its path says nothing of rates.

    `alone` and `together` are of reading, `alone_write` and `together_write` of writing; `both` are reading and writing
    while all drives are read and written at once.

    `path` is made of link keys from the drive to the processor; `narrowest` is the key of the hop that
    decides its share when all drives read at once. Temperatures are degrees Celsius. `payload_bytes` is the payload
    size that the upper figures rest on, None where it could not be read and the largest is taken for a bound.
    `verdict` is that of the drive's own link, `Verdict.VIRTUAL` where it hangs on no PCI function, None where it has
    no link of its own or none that is known.
    """

    drive: Drive
    path: tuple[str, ...]
    celsius: float | Unread | None
    warning_celsius: float | None
    critical_celsius: float | None
    alone: tuple[float, float] | None
    together: tuple[float, float] | None
    narrowest: str | None
    narrowest_alone: str | None
    payload_bytes: int | None
    alone_write: tuple[float, float] | None = None
    together_write: tuple[float, float] | None = None
    both: tuple[tuple[float, float], tuple[float, float]] | None = None
    verdict: Verdict | None = None


class Given(Struct, frozen=True):
    """What an audit was given beside the facts: see `audit`."""

    planned: Planned | None = None
    limits: Mapping[str, tuple[float | None, float | None]] = {}
    notes: Shelf | None = None


class Audit(Struct, frozen=True):
    """Everything found out about one machine; findings worst first.

    `by_key` finds a link by its key, `nvme_at` the NVMe drive of a function by its address; both know the whole
    machine, also where all else is but the `part` of it that was asked for ("": all of it). `against` names the
    build sheet that the machine was held against, if one was given, and `matched` has what its parts are there.
    `given` is what it was made with.
    """

    facts: Facts
    machine: Machine
    links: tuple[Judged, ...]
    drives: tuple[DriveSeen, ...]
    findings: tuple[Finding, ...]
    unread: tuple[Unread, ...]
    by_key: dict[str, Judged]
    nvme_at: dict[str, Drive]
    stripes: tuple[StripeSeen, ...] = ()
    against: str | None = None
    part: str = ""
    matched: Matched | None = None
    given: Given = Given()

    def again(self, facts: Facts) -> Audit:
        """The same audit of other facts."""
        return audit(facts, self.given.planned, self.given.limits, self.given.notes)

    @property
    def blind(self) -> tuple[Unread, ...]:
        """What was asked for in vain and may hide a fault: with any of these nobody can say that all is well."""
        return tuple(one for one in self.unread if one.vital)

    def status(self, least: Severity) -> int:
        """The exit status: 1 where something is as bad as `least` or worse, 3 where that could not be told, else 0."""
        if self.worst.rank <= least.rank:
            return 1
        return 3 if self.blind else 0

    @property
    def worst(self) -> Severity:
        """The worst severity of any finding or verdict."""
        found = [finding.severity for finding in self.findings]
        return min(
            (*found, *(judged.verdict.severity for judged in self.links)), key=lambda one: one.rank, default=Severity.OK
        )


def audit(
    facts: Facts,
    planned: Planned | None = None,
    limits: Mapping[str, tuple[float | None, float | None]] | None = None,
    notes: Shelf | None = None,
) -> Audit:
    """Judge every link, run every rule, add the steps.

    `planned` is what a build sheet expects; `limits` are what drives can give and take themselves, by their names,
    (read, write) in MB/s; `notes` are field notes of the user's own, beside those that come with the program.
    """
    built = machine.build(facts)
    judged = verdicts.judge(built)
    by_key = {one.link.key: one for one in judged}
    flows, hops = paths_of_drives(built, by_key, limits or {})
    rates = _Rates(flows, hops)
    sets = tuple(stripe_sets(built, flows, hops)) if facts.stripes else ()
    seen = rules.Seen(built, judged, by_key, flows, hops, rates.alone, rates.together, sets, planned)
    if notes is not None:
        seen = structs.replace(seen, notes=notes)
    if planned is not None and built.functions:
        from agent.rules.plan.matching import matched

        seen = structs.replace(seen, matched=matched(seen, planned))
    seen = structs.replace(seen, moves=rules.slots.moves(seen))
    findings = []
    guest = facts.host.virtual is True
    unread = list(facts.unread)
    if isinstance(facts.board_slots, Unread):
        unread.append(facts.board_slots)
    for rule, found in rules.run(seen):
        if isinstance(found, Unread):
            unread.append(found)
            continue
        severity = found.severity or rule.severity
        findings.append(
            Finding(
                rule.id,
                severity,
                found.subject,
                found.headline,
                found.evidence,
                advisor.steps(rule, found, guest, facts.platform),
            )
        )
    findings.sort(key=lambda finding: finding.severity.rank)
    return Audit(
        facts=facts,
        machine=built,
        links=judged,
        drives=tuple(_drives(built, judged, rates)),
        findings=tuple(findings),
        unread=tuple(dict.fromkeys(unread)),
        by_key=by_key,
        nvme_at={
            drive.address: drive for drive in facts.drives if isinstance(drive.address, str) and drive.kind == "nvme"
        },
        stripes=sets,
        against=planned.source if planned is not None else None,
        matched=seen.matched,
        given=Given(planned, limits or {}, notes),
    )


def below_best(facts: Facts) -> tuple[str, ...]:
    """Addresses worth another look: both ends of each link below its best, or with errors counted."""
    built = machine.build(facts)
    found: list[str] = []
    for judged in verdicts.judge(built):
        ends = judged.link.ends
        noisy = judged.verdict is not Verdict.VIRTUAL and any(rules.errors.link_error_count(end) for end in ends)
        if judged.below_best or (noisy and judged.link.device is not None):
            found += [end.address for end in ends]
    return tuple(dict.fromkeys(found))


def paths_of_drives(
    built: Machine, by_key: dict[str, Judged], limits: Mapping[str, tuple[float | None, float | None]]
) -> tuple[tuple[Flow, ...], dict[str, Hop]]:
    """The drives as flows, and the hops they cross, for the throughput model.

    A drive on a path with a hop whose rate is not known, or says nothing of lanes, is left out; so is a SATA or SAS
    drive, whose own interface decides.
    """
    hops: dict[str, Hop] = {}
    flows = []
    for path in built.paths:
        found = [by_key[hop.key] for hop in path.hops]
        if path.drive.kind != "nvme" or not found or any(one.now is None or one.mbps is None for one in found):
            continue
        sizes = payloads(path)
        asked = request_bytes(path)
        for one in found:
            assert one.now is not None
            key, payload, request = one.link.key, sizes[0] if sizes else None, asked
            known = hops.get(key)
            if known is not None:  # a shared hop carries the packets of all its drives: the smallest counts
                payload = None if payload is None or known.payload_bytes is None else min(payload, known.payload_bytes)
                request = None if request is None or known.request_bytes is None else min(request, known.request_bytes)
            hops[key] = Hop(key, one.now.speed, one.now.width, payload, request)
        flows.append(
            Flow(path.drive.name, tuple(one.link.key for one in found), *limits.get(path.drive.name, (None, None)))
        )
    return tuple(flows), hops


class _Rates:
    """What each drive should reach, by its name: read and written, alone and together, and both ways at once."""

    def __init__(self, flows: tuple[Flow, ...], hops: dict[str, Hop]) -> None:
        self.hops = hops
        self.alone = {flow.name: throughput.alone(flow, hops) for flow in flows}
        self.together = throughput.together(flows, hops)
        self.alone_write = {flow.name: throughput.alone(flow, hops, "to_drive") for flow in flows}
        self.together_write = throughput.together(flows, hops, "to_drive")
        self.both = throughput.both(flows, hops)


def _drives(built: Machine, judged: tuple[Judged, ...], rates: _Rates) -> Iterator[DriveSeen]:
    leads_to = {function.address: one for one in judged for function in one.link.functions}
    sensors = by_drive(built.facts.sensors)
    for path in built.paths:
        name = path.drive.name
        mine = sensors.get(name, [])
        main = next((sensor for sensor in mine if sensor.label.lower() == "composite"), mine[0] if mine else None)
        warning, critical = limits(path.drive, main)
        one, all_at_once, both = rates.alone.get(name), rates.together.get(name), rates.both.get(name)
        own = rates.hops.get(path.hops[0].key) if path.hops else None
        yield DriveSeen(
            drive=path.drive,
            path=tuple(hop.key for hop in path.hops),
            celsius=main.celsius if main is not None else _by_health_log(path.drive, built.facts),
            warning_celsius=warning,
            critical_celsius=critical,
            alone=_ends(one),
            together=_ends(all_at_once),
            narrowest=all_at_once.narrowest if all_at_once else None,
            narrowest_alone=one.narrowest if one else None,
            payload_bytes=own.payload_bytes if own is not None and one is not None else None,
            alone_write=_ends(rates.alone_write.get(name)),
            together_write=_ends(rates.together_write.get(name)),
            both=((both[0].low, both[0].high), (both[1].low, both[1].high)) if both else None,
            verdict=_own_verdict(path.drive, leads_to),
        )


def _own_verdict(drive: Drive, leads_to: Mapping[str, Judged]) -> Verdict | None:
    """The verdict of the link that leads straight to a drive; a disk on a cable has none of its own."""
    if drive.address is None:
        return Verdict.VIRTUAL if isinstance(drive.interconnect, str) else None
    own = leads_to.get(drive.address) if isinstance(drive.address, str) else None
    return None if own is None or drive.kind != "nvme" else own.verdict


def _ends(share: Share | None) -> tuple[float, float] | None:
    return None if share is None else (share.low, share.high)


def _by_health_log(drive: Drive, facts: Facts) -> float | Unread | None:
    """The composite temperature that the drive's own log gives, where no sensor gives one; Unread where none could."""
    if isinstance(drive.health, Health):
        return drive.health.celsius
    never = any(one.what == "temperatures" for one in facts.unread)
    return Unread(f"temperature of {drive.name}", NOT_GIVEN) if never else None


def only_at(found: Audit, name: str) -> Audit:
    """The part of an audit that belongs to one slot, port, card, function or drive (BadInput if nothing does)."""
    wanted = name.strip().lower()
    links = tuple(judged for judged in found.links if wanted in _names(judged))
    drives = {seen.drive.name for seen in found.drives if wanted in {seen.drive.name.lower(), seen.drive.address}}
    keys = {judged.link.key for judged in links}
    drives |= {seen.drive.name for seen in found.drives if keys & set(seen.path)}
    keys |= {key for seen in found.drives if seen.drive.name in drives for key in seen.path}
    links = tuple(judged for judged in found.links if judged.link.key in keys)
    unlisted = tuple(gap.why for gap in found.facts.gaps)
    functions = {function.address for judged in links for function in judged.link.functions}
    facts = _facts_at(found.facts, wanted, links, {*functions, wanted}, drives)
    if not (links or drives or facts.functions or facts.kernel_slots or facts.board_slots):
        if unlisted:
            first = unlisted[0]
            raise NothingRead(
                f"--only {name}: nothing of that name was seen; {first.what} could not be read: {first.why}"
            )
        known = sorted({judged.link.slot.name for judged in found.links if judged.link.slot is not None})
        more = f"; the slots are {', '.join(known[:12])}" if known else ""
        raise BadInput(f"--only {name}: no slot, port, card or drive of this machine is called that{more}")
    ports = {judged.port_address for judged in links if judged.port_address is not None}
    subjects = {*drives, *functions, *ports, wanted}
    return structs.replace(
        found,
        part=name.strip(),
        facts=facts,
        links=links,
        drives=tuple(seen for seen in found.drives if seen.drive.name in drives),
        stripes=tuple(one for one in found.stripes if not drives.isdisjoint(one.stripe.members)),
        findings=tuple(one for one in found.findings if one.subject in subjects or _is_noted(one, subjects)),
        unread=tuple(
            one
            for one in found.unread
            if one in unlisted or not subjects.isdisjoint(one.what.replace("/", " ").replace(",", " ").split())
        ),
    )


def _is_noted(finding: Finding, subjects: set[str]) -> bool:
    """Whether a field note holds for one of these too; what several parts have in common is one finding."""
    return finding.rule == "field-note" and any(one.source.partition(" ")[0] in subjects for one in finding.evidence)


def _facts_at(facts: Facts, wanted: str, links: tuple[Judged, ...], functions: set[str], drives: set[str]) -> Facts:
    """The functions, slots and drives that belong to these links, functions and drives."""
    ends = functions | {judged.link.key for judged in links}
    ends |= {drive.address for drive in facts.drives if drive.name in drives and isinstance(drive.address, str)}
    slots = [judged.link.slot for judged in links if judged.link.slot is not None]
    names = {wanted, wanted.removeprefix("slot "), *(slot.name.lower() for slot in slots)}
    boards = {slot.board for slot in slots}
    described = () if isinstance(facts.board_slots, Unread) else facts.board_slots
    return structs.replace(
        facts,
        functions=tuple(one for one in facts.functions if one.address in ends or one.physical_function in ends),
        drives=tuple(one for one in facts.drives if one.name in drives),
        kernel_slots=tuple(one for one in facts.kernel_slots if one.name.lower() in names),
        board_slots=tuple(one for one in described if one in boards or one.designation.lower() in names),
    )


def _names(judged: Judged) -> set[str]:
    """All that a link may be called by."""
    link = judged.link
    names = {judged.port_address, judged.device_address, *(function.address for function in link.functions)}
    if link.slot is not None:
        names |= {link.slot.name.lower(), f"slot {link.slot.name.lower()}"}
    return {one for one in names if one}
