"""Facts to an audit: the one call behind every command. Reads nothing, prints nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NoReturn

from msgspec import Struct, structs

from agent import advisor, rules
from agent.model import better_slots, drive_rates, judged_machine
from agent.model.findings import Finding, Severity
from knowledge.phrasing import plain
from knowledge.problems import BadInput, NothingRead
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from agent.model.drive_rates import DriveSeen
    from agent.model.expected import Expectations
    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.model.sheet_parts import MatchedSheet
    from agent.model.shelf import Shelf
    from agent.model.stripes import StripeSeen
    from probes.facts import Drive, Facts


SEGMENT: Final = "0000:"  # of nearly all machines; pages leave it out where it is the only one
MOST_NAMED: Final = 12  # in a message


class Given(Struct, frozen=True):
    """What an audit was given beside the facts: see `audit`."""

    planned: Expectations | None = None
    limits: Mapping[str, tuple[float | None, float | None]] = {}
    notes: Shelf | None = None


class Audit(Struct, frozen=True):
    """Everything found out about one machine; findings worst first.

    `by_key` finds a link by its key, `nvme_at` the NVMe drive of a function by its address; both know the whole
    machine, also where all else is but the `part` of it that was asked for ("": all of it). `against` names the
    build sheet that the machine was held against, if one was given, and `matched` has what its parts are there;
    `as_planned` tells that each part of it was told and is in its place. `given` is what it was made with. `subjects`
    has what findings are about by what they call it: a link by its card's or its port's address, a drive by its name.
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
    matched: MatchedSheet | None = None
    as_planned: bool = False
    given: Given = Given()
    subjects: dict[str, Judged | Drive] = {}

    def again(self, facts: Facts) -> Audit:
        """The same audit of other facts."""
        return audit(facts, self.given.planned, self.given.limits, self.given.notes)

    @property
    def blind(self) -> tuple[Unread, ...]:
        """What was asked for in vain and may hide a fault: with any of these nobody can say that all is well."""
        return tuple(unread for unread in self.unread if unread.vital)

    def status(self, least: Severity) -> int:
        """The exit status: 1 where something is as bad as `least` or worse, 3 where that could not be told, else 0."""
        if self.worst.rank <= least.rank:
            return 1
        return 3 if self.blind else 0

    @property
    def worst(self) -> Severity:
        """The worst severity of any finding or verdict; a link as narrow as the build sheet has it is what is found."""
        found = [finding.severity for finding in self.findings]
        planned = {
            finding.subject
            for finding in self.findings
            if finding.rule == "link-narrow" and finding.severity is Severity.NOTE
        }
        verdicts = (judged.verdict.severity for judged in self.links if judged.subject not in planned)
        return min(
            (*found, *verdicts),
            key=lambda severity: severity.rank,
            default=Severity.OK,
        )


def audit(
    facts: Facts,
    planned: Expectations | None = None,
    limits: Mapping[str, tuple[float | None, float | None]] | None = None,
    notes: Shelf | None = None,
) -> Audit:
    """Judge every link, run every rule, add the steps.

    `planned` is what a build sheet expects; `limits` are what drives can give and take themselves, by their names,
    (read, write) in MB/s; `notes` are field notes of the user's own, beside those that come with the program.
    """
    seen, rates = judged_machine.judge(facts, planned, limits or {})
    seen = structs.replace(seen, notes=notes, moves=better_slots.moves(seen))
    found_by_rank: list[tuple[tuple[int, bool, bool, float], Finding]] = []
    guest = facts.host.virtual is True
    unread = list(facts.unread)
    if isinstance(facts.board_slots, Unread):
        unread.append(facts.board_slots)
    as_planned = planned is not None
    for rule, found in rules.run(seen):
        as_planned = as_planned and rule.id not in rules.OF_SHEET
        if isinstance(found, Unread):
            unread.append(found)
            continue
        severity = found.severity or rule.severity
        finding = Finding(
            rule.id,
            severity,
            found.subject,
            found.headline,
            found.evidence,
            advisor.steps(rule, found, guest, facts.platform),
            found.also,
            rule.cause if found.cause is None else found.cause,
            rule.data_at_risk,
        )
        # Worst first: data that may be lost, then what has a way out, of that what costs the most MB/s, then the rest
        # in the order of the rules.
        rank = (severity.rank, not rule.data_at_risk, not finding.steps, -(found.gain_mbps or 0.0))
        found_by_rank.append((rank, finding))
    found_by_rank.sort(key=lambda ranked: ranked[0])
    return Audit(
        facts=facts,
        machine=seen.machine,
        links=seen.judged,
        drives=tuple(drive_rates.drives(seen.machine, seen.by_key, rates)),
        findings=tuple(finding for _, finding in found_by_rank),
        unread=tuple(dict.fromkeys(unread)),
        by_key=seen.by_key,
        nvme_at={
            drive.address: drive for drive in facts.drives if isinstance(drive.address, str) and drive.kind == "nvme"
        },
        stripes=seen.stripes,
        as_planned=as_planned,
        against=planned.source if planned is not None else None,
        matched=seen.matched,
        given=Given(planned, limits or {}, notes),
        subjects=_subjects(seen.judged, facts.drives),
    )


def _subjects(links: Iterable[Judged], drives: Iterable[Drive]) -> dict[str, Judged | Drive]:
    """What findings may be about, by what they call it; of several the first, links before drives."""
    found: dict[str, Judged | Drive] = {}
    for judged in links:
        for address in (judged.device_address, judged.port_address):
            if address:
                found.setdefault(address, judged)
    for drive in drives:
        found.setdefault(drive.name, drive)
    return found


def only_at(found: Audit, name: str, called: Mapping[str, tuple[str, ...]] | None = None) -> Audit:
    """The part of an audit that belongs to one slot, port, card, function, drive or set (BadInput if nothing does).

    `called` has what pages call the links, by their keys. A set belongs to each of its drives, active in it or not.
    """
    called = called or {}
    wanted = _whole_address(name.strip().lower(), found)
    asked = {seen.stripe.name for seen in found.stripes if wanted in _said(seen.stripe.name)}
    keys = {judged.link.key for judged in found.links if wanted in _names(judged, called)}
    drives = {seen.drive.name for seen in found.drives if wanted in {*_said(seen.drive.name), seen.drive.address}}
    drives |= {seen.drive.name for seen in found.drives if keys & set(seen.path)}
    drives |= {drive for seen in found.stripes if seen.stripe.name in asked for drive in _drives_of(seen)}
    keys |= {key for seen in found.drives if seen.drive.name in drives for key in seen.path}
    links = tuple(judged for judged in found.links if judged.link.key in keys)
    stripes = tuple(
        seen
        for seen in found.stripes
        if (seen.stripe.name in asked if asked else not drives.isdisjoint(_drives_of(seen)))
    )
    unlisted = tuple(gap.why for gap in found.facts.gaps)
    functions = {function.address for judged in links for function in judged.link.functions}
    facts = _facts_at(found.facts, wanted, links, {*functions, wanted}, drives)
    if not (links or drives or stripes or facts.functions or facts.kernel_slots or facts.board_slots):
        _refuse(found, name, called)
    ports = {judged.port_address for judged in links if judged.port_address is not None}
    subjects = {*drives, *functions, *ports, *(seen.stripe.name for seen in stripes), wanted}
    return structs.replace(
        found,
        part=name.strip(),
        facts=facts,
        links=links,
        subjects=_subjects(links, facts.drives),
        drives=tuple(seen for seen in found.drives if seen.drive.name in drives),
        stripes=stripes,
        findings=tuple(
            finding for finding in found.findings if not subjects.isdisjoint((finding.subject, *finding.also))
        ),
        unread=tuple(
            unread
            for unread in found.unread
            if unread in unlisted or not subjects.isdisjoint(unread.what.replace("/", " ").replace(",", " ").split())
        ),
    )


def _refuse(found: Audit, name: str, called: Mapping[str, tuple[str, ...]]) -> NoReturn:
    """Say that nothing of a name is there, and what is; where something was not listed, that it may be there."""
    if found.facts.gaps:
        first = found.facts.gaps[0].why
        raise NothingRead(f"--only {name}: nothing of that name was seen; {first.what} could not be read: {first.why}")
    slotted = (judged.link for judged in found.links if judged.link.slot is not None or judged.link.on_card)
    slots = sorted({called[link.key][0] if link.key in called else link.slot.name for link in slotted if link.slot})
    sets = sorted(seen.stripe.name for seen in found.stripes)
    known = "".join(f"; the {kind} are {_listed(names)}" for kind, names in (("slots", slots), ("sets", sets)) if names)
    raise BadInput(f"--only {name}: this machine has no slot, port, card, drive or set of that name{known}")


def _listed(names: Sequence[str]) -> str:
    """Names, and how many more there are than are worth a line."""
    rest = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def _whole_address(wanted: str, found: Audit) -> str:
    """An address that stands without its segment, as pages show it, as it is in full."""
    whole = f"{SEGMENT}{wanted}"
    return whole if whole in found.machine.functions else wanted


def _said(name: str) -> set[str]:
    """A name of the system's as people may type it: as it is, or as pages show it."""
    return {told for told in (name.lower(), plain(name).lower()) if told}


def _drives_of(seen: StripeSeen) -> tuple[str, ...]:
    """The drives of a set, active in it or not."""
    return tuple(drive for drive in (*seen.stripe.members, *seen.stripe.not_active) if drive)


def _facts_at(facts: Facts, wanted: str, links: tuple[Judged, ...], functions: set[str], drives: set[str]) -> Facts:
    """The functions, slots and drives that belong to these links, functions and drives."""
    ends = functions | {judged.link.key for judged in links}
    ends |= {drive.address for drive in facts.drives if drive.name in drives and isinstance(drive.address, str)}
    slots = [judged.link.slot for judged in links if judged.link.slot is not None]
    names = {wanted, wanted.removeprefix("slot "), *(slot.name.lower() for slot in slots)}
    boards = {slot.board for slot in slots}
    return structs.replace(
        facts,
        functions=tuple(
            function for function in facts.functions if function.address in ends or function.physical_function in ends
        ),
        drives=tuple(drive for drive in facts.drives if drive.name in drives),
        kernel_slots=tuple(kernel_slot for kernel_slot in facts.kernel_slots if kernel_slot.name.lower() in names),
        board_slots=tuple(
            board_slot
            for board_slot in facts.described
            if board_slot in boards or board_slot.designation.lower() in names
        ),
    )


def _names(judged: Judged, called: Mapping[str, tuple[str, ...]]) -> set[str]:
    """All that a link may be called by."""
    link = judged.link
    names = {judged.port_address, judged.device_address, *(function.address for function in link.functions)}
    names |= {told.lower() for told in called.get(link.key, ())}
    if link.slot is not None:
        names |= {link.slot.name.lower(), f"slot {link.slot.name.lower()}"}
    return {name for name in names if name}
