"""What is said of a machine, its links and its findings, in the words that all forms for people share.

Plain text without looks: every text of a device has passed `plain`. Decides nothing. Drives: `drive_words.py`.
"""

from __future__ import annotations

import contextlib
from datetime import datetime
from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Severity, Verdict
from agent.model.judged import Judged
from agent.report.plain import NOT_READ, as_of, describe, describe_link, place, told, without_lanes
from agent.report.step_blocks import steps_of
from agent.source import REPLAYED
from knowledge.phrasing import mbps, plain, quantity
from knowledge.steps import FIRMWARE, POWER_OFF

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.findings import Evidence, Finding, Rate
    from probes.facts import PciFunction

ROOT: Final = "needs-root"  # told at the end, not among the findings
SHORT: Final = 90  # characters
HEADLINE: Final = 400  # characters


# --- Head and summary ------------------------------------------------------------------------------------------


def title(audit: Audit, source: str) -> tuple[str, str]:
    """The machine's name, and its maker and product ("" where neither is told)."""
    host = audit.facts.host
    missing = "a machine without a recorded name" if source.endswith(REPLAYED) else "this machine"
    return told(host.name, missing), " ".join(told(part, "") for part in (host.maker, host.product) if part)


def origin(audit: Audit, source: str) -> str:
    """Where and when the readings were made, and what they are held against."""
    when = f", read {moment(audit.facts.taken_at)}" if audit.facts.taken_at else ""
    against = f"; held against {plain(audit.against)}" if audit.against is not None else ""
    return f"{plain(source)}{when}{against}"


def moment(taken_at: str) -> str:
    """A time of a capture to the minute, as ISO 8601 has it but for the words of its zone; what is none as it is."""
    with contextlib.suppress(ValueError):
        when = datetime.fromisoformat(taken_at)
        zone = when.strftime("%z") if when.utcoffset() else "UTC" if when.tzinfo is not None else ""
        return f"{when:%Y-%m-%d %H:%M} {zone}".strip()
    return plain(taken_at)


def day(told: str) -> str:
    """The date of a machine's firmware as ISO 8601 has it; what is none as it is.

    Source: System Management BIOS (DSP0134) 7.1, BIOS Information (type 0), release date: mm/dd/yyyy.
    """
    month, _, rest = told.strip().partition("/")
    day, _, year = rest.partition("/")
    with contextlib.suppress(ValueError):
        return datetime.fromisoformat(f"{year}-{month}-{day}").date().isoformat()
    return plain(told)


def findings(audit: Audit) -> list[Finding]:
    """What is told as a finding, worst first: all but remarks for the record and what root would add."""
    return [finding for finding in audit.findings if finding.severity is not Severity.OK and finding.rule != ROOT]


def remarks(audit: Audit) -> list[Finding]:
    """What is no finding, but better said: for the record, with what to look at."""
    return [finding for finding in audit.findings if finding.severity is Severity.OK and finding.steps]


def explained(audit: Audit) -> str:
    """How to learn what the rules mean that spoke up, "" where none did."""
    rules = list(dict.fromkeys(finding.rule for finding in findings(audit)))
    if len(rules) == 1:
        return f"lanewright explain {rules[0]} says what this finding means, and what it cannot tell."
    names = ", ".join(rules)
    return f"lanewright explain WORD says what these mean, and what they cannot tell: {names}." if rules else ""


def answer(audit: Audit) -> tuple[str, Severity]:
    """The first line, what there is to do, and how bad it is: the worst finding whole, then how many more there are."""
    found = findings(audit)
    judged = [link for link in audit.links if link.link.device is not None]
    if not found:
        return _nothing_found(audit, judged)
    worst, rest = found[0], _counted(found)
    blind = "; more may hide in what could not be read" if audit.blind else ""
    told = _worst(worst, audit)
    if rest:
        return f"{told}. {rest}{blind}.", worst.severity
    return f"{told}{blind}.", worst.severity


def _worst(worst: Finding, audit: Audit) -> str:
    """The worst finding in a sentence without its end, with its cause and what it costs."""
    name = who(worst.subject, audit)
    if at_risk(worst):
        return f"Back up {name} now: it {brief(worst)}"
    alone = len(findings(audit)) == 1
    kind = _COUNTED[worst.severity][0]
    calm = "No fault. " if worst.severity in {Severity.LIMIT, Severity.NOTE} and not audit.blind else ""
    kind = f"{calm}1 {kind}" if alone else f"{calm}{kind.capitalize()}"
    kind = "Not certain" if worst.severity is Severity.UNKNOWN else kind
    cause = f" ({plain(worst.cause, SHORT)})" if worst.cause else ""
    costs = f"; it costs up to {mbps(worst.costs_mbps)}" if worst.costs_mbps else ""
    what = brief(worst) if worst.steps else "; ".join(headline(worst).split("; ")[:2])
    return f"{kind}: {name} {what}{cause}{costs}"


def _nothing_found(audit: Audit, judged: Sequence[Judged]) -> tuple[str, Severity]:
    """The first line where no rule spoke up."""
    if audit.blind:
        first = f"{plain(audit.blind[0].asked, SHORT)}: {plain(audit.blind[0].why, SHORT)}"
        more = f", and {len(audit.blind) - 1} more" if len(audit.blind) > 1 else ""
        return f"Not passed: faults may hide in what could not be read ({first}{more}).", Severity.UNKNOWN
    if not judged:
        return _without_a_card(audit), Severity.UNKNOWN if _without_a_card(audit) else Severity.OK
    seen = f"{quantity(len(judged), 'link')}, {_drives(audit)}"
    if audit.as_planned and not audit.part:
        seen += f"; every part of {plain(audit.against or '')} is in its place"
    full = all(link.verdict.kind.card_at_best for link in judged)
    if audit.facts.host.virtual is True:
        return f"No fault seen, but from inside a virtual machine one end of a link is hidden ({seen}).", Severity.OK
    why = "every card runs at full speed and width" if full else "no link falls short"
    return f"Nothing to do: {why} ({seen}).", Severity.OK


def at_risk(finding: Finding) -> bool:
    """Whether what a drive or set holds may be lost."""
    return finding.severity is Severity.FAULT and finding.data_at_risk


def counts(audit: Audit) -> dict[Severity, int]:
    """How many findings there are of each severity but ok, worst first."""
    found = [finding.severity for finding in findings(audit)]
    return {severity: found.count(severity) for severity in Severity if severity is not Severity.OK}


def _counted(found: Sequence[Finding]) -> str:
    """How many findings there are beside the worst, "" for none: "2 more faults, 1 note"."""
    worst, told = found[0].severity, [finding.severity for finding in found[1:]]
    return ", ".join(
        f"{told.count(severity)} {'more ' if severity is worst else ''}{one if told.count(severity) == 1 else many}"
        for severity, (one, many) in _COUNTED.items()
        if severity in told
    )


def first_step(audit: Audit) -> str:
    """What to do first about the worst finding that has steps, in a sentence; "" where none has."""
    groups = by_subject(findings(audit))
    group, step = next(((group, steps[0]) for group in groups for steps in (steps_of(group),) if steps), (None, None))
    if step is None:
        seen = any(link.link.device is not None for link in audit.links)
        return HOST_FIRST if seen and audit.facts.host.virtual is True and not audit.part else ""
    before = next((words for caution, words in _BEFORE.items() if caution in step.cautions), "")
    told = plain(step.brief or step.text, HEADLINE).rstrip(".")
    where = "" if group is groups[0] or group is None else f" for {who(group[0].subject, audit)}"
    return f"Do first{where}: {before}{told[:1].lower()}{told[1:]}."


HOST_FIRST: Final = "Do first: run lanewright check on the host, which sees both ends of each link."
_BEFORE: Final = {
    POWER_OFF: "power off and unplug, then ",
    FIRMWARE: "after a backup, ",
}


def provisos(audit: Audit) -> Iterator[str]:
    """What the first line does not vouch for."""
    silent = sum(
        link.verdict is Verdict.UNKNOWN and not link.notable for link in audit.links if link.link.device is None
    )
    if audit.facts.host.virtual is True and findings(audit) and not audit.part:
        yield "This is a virtual machine: a check of its host sees both ends of each link."
    if silent:
        yield f"Whether {quantity(silent, 'more port')} hold{'s' if silent == 1 else ''} a card is not known."


def brief(finding: Finding) -> str:
    """What was found in one clause: all that matters most of its headline."""
    return headline(finding).split("; ", 1)[0]


def who(name: str, audit: Audit) -> str:
    """A subject in a sentence: a slot with what is in it, a drive with its slot."""
    if name == "host":
        return "this machine"
    found = audit.subjects.get(name)
    if isinstance(found, Judged):
        named = audit.nvme_at.get(found.device_address or "")
        inside = plain(named.name, 40) if named is not None else ""
        if not inside and found.link.device is not None and isinstance(found.link.device.model_name, str):
            inside = plain(found.link.device.model_name, 40)
        return f"{place(found.link)} ({inside})" if inside else place(found.link)
    at = next((link for link in audit.links if found is not None and link.device_address == found.address), None)
    slotted = at is not None and (at.link.slot is not None or at.link.on_card)
    return f"{plain(name, 40)} in {place(at.link)}" if at is not None and slotted else plain(name, 40)


def summary(audit: Audit) -> list[tuple[str, Severity | None]]:
    """The answer, and what it does not vouch for, in parts, each with the severity that it tells of."""
    return [answer(audit), *((f" {line}", None) for line in provisos(audit))]


def _drives(audit: Audit) -> str:
    """How many drives there are, as far as they could be listed."""
    count = len(audit.drives)
    words = f"{quantity(count, 'drive')}"
    if audit.facts.gap("drives", "functions") is None:
        return words
    return f"{words} or more" if count else "drives not listed"


_COUNTED: Final = {
    Severity.FAULT: ("fault", "faults"),
    Severity.LIMIT: ("limit", "limits"),
    Severity.NOTE: ("note", "notes"),
    Severity.UNKNOWN: ("unknown", "unknowns"),
}


def _without_a_card(audit: Audit) -> str:
    """What there is to say of a machine, or a part of one, where no card answers below a port."""
    if audit.part:
        return f"No PCI Express link with a card belongs to {plain(audit.part)}."
    if audit.facts.gap("functions") is not None:
        return "Which links there are could not be read."
    if audit.facts.host.virtual is True:
        return "This is a virtual machine, which hides PCI Express links: run lanewright check on its host."
    return "No PCI Express link with a card is visible on this machine."


# --- Links -----------------------------------------------------------------------------------------------------


def ranked(audit: Audit) -> list[Judged]:
    """The links, worst first."""
    verdicts = list(Verdict)
    return sorted(audit.links, key=lambda link: (link.verdict.severity.rank, verdicts.index(link.verdict)))


def is_fitted(judged: Judged) -> bool:
    """Whether a link has a line of its own: something answers there, or is felt."""
    return judged.link.device is not None or judged.verdict is Verdict.DARK


def port(judged: Judged) -> str:
    """The slot or port of a link; a port that is not visible is called so."""
    link = judged.link
    if link.port is not None or link.slot is not None or link.integrated:
        return place(link)
    return "hidden port" if link.port_lost is None else "port not read"


def rate_now(judged: Judged) -> str:
    """The rate of a link now, or what there is in its place."""
    if judged.verdict is Verdict.VIRTUAL:
        return without_lanes(judged)
    if judged.now is None:
        return "no link" if judged.verdict is Verdict.DARK else "not known"
    return rate_text(judged.now)


def leads_to(judged: Judged, audit: Audit) -> str:
    """What a link leads to: a drive by its name and model, a card by its model."""
    device = judged.link.device
    if device is None:
        return "card detected"
    named = audit.nvme_at.get(device.address)
    if named is not None:
        return f"{plain(named.name)}, {told(named.model, 'NVMe drive')}"
    return plain(device.model_name) if isinstance(device.model_name, str) else describe(device, audit)


def best(judged: Judged) -> Rate | None:
    """What a link could do: the card's best in a better slot, else the best of both ends."""
    return judged.device_can if judged.verdict is Verdict.SLOT_LIMITED else judged.best


def could(judged: Judged) -> Rate | None:
    """What a link could do where that is more than it does now, by the card in a better slot or by both ends."""
    now = judged.now
    if now is None or judged.verdict.kind.card_at_best or judged.verdict is Verdict.VIRTUAL:
        return None
    possible = best(judged)
    return possible if possible is not None and (possible.width > now.width or possible.speed > now.speed) else None


def offers(judged: Judged) -> str:
    """What a free slot offers: its connector and its lanes, "" where neither is told."""
    board, can = judged.link.board, judged.port_can
    connector = f"x{board.connector_lanes} connector" if board is not None and board.connector_lanes else ""
    lanes = f"{quantity(can.width, 'lane')} of Gen {can.speed}" if can is not None else ""
    return ", ".join(filter(None, (connector, lanes)))


def without(audit: Audit, most: int | None = None) -> Iterator[tuple[Verdict, str]]:
    """Ports below which nothing answers, all that are alike together: their verdict, and why and where in words.

    `most` is how many of them are named, None for all.
    """
    groups: dict[tuple[Verdict, str], list[Judged]] = {}
    for judged in ranked(audit):
        if not is_fitted(judged):
            groups.setdefault((judged.verdict, _why_without(judged)), []).append(judged)
    for (verdict, why), alike in groups.items():
        named = ", ".join(place(judged.link) for judged in alike[:most])
        more = f" and {len(alike) - len(alike[:most])} more" if alike[:most] != alike else ""
        yield verdict, f"{quantity(len(alike), 'port')}, {why}: {named}{more}"


def _why_without(judged: Judged) -> str:
    """Why nothing answers below a port; all that is empty is alike."""
    return "nothing fitted" if judged.verdict is Verdict.EMPTY else plain(judged.why)


def asides(audit: Audit) -> Iterator[str]:
    """What is to be said of the links as a whole: how current their rates are, which are judged by one end."""
    yield from as_of(audit.links)
    hidden = [
        place(judged.link)
        for judged in ranked(audit)
        if judged.port_hidden and judged.verdict is not Verdict.VIRTUAL and is_fitted(judged)
    ]
    if hidden:
        yield f"Judged by the card's own end alone, as the port is not visible from here: {', '.join(hidden)}"


# --- Findings --------------------------------------------------------------------------------------------------


def by_subject(found: Sequence[Finding]) -> list[list[Finding]]:
    """Findings of one subject together, in the order of the worst of each."""
    groups: dict[str, list[Finding]] = {}
    for finding in found:
        groups.setdefault(finding.subject, []).append(finding)
    return list(groups.values())


def subject(name: str, audit: Audit) -> str:
    """A subject for people: its slot or name, then its address, and what it is."""
    return f"{', '.join(filter(None, subject_and_what(name, audit)))}:"


def subject_and_what(name: str, audit: Audit) -> tuple[str, str]:
    """A subject by its slot or name with its address, and what is there ("" where no more is)."""
    found = audit.subjects.get(name)
    if isinstance(found, Judged):
        there = describe_link(found.link, audit) if found.link.device is not None else ""
        where = place(found.link)
        return (f"{where}, {plain(name)}" if where != name else plain(name)), there
    if found is not None:
        return plain(name), told(found.model, "drive")
    return plain(name), ""


def headline(finding: Finding) -> str:
    """What was found, in one sentence without its end."""
    return plain(finding.headline, HEADLINE)


def is_met(evidence: Evidence) -> bool:
    """Whether a reading meets what was expected word for word, so that saying both would say it twice."""
    read, expected = evidence.read, evidence.expected
    return expected in {read, f"{read} or more", f"{read.removeprefix('up to ')} or more"}


# --- The rest --------------------------------------------------------------------------------------------------


def host_firmware(audit: Audit) -> str:
    """The firmware of the machine itself."""
    host = audit.facts.host
    if not isinstance(host.firmware_version, str):
        return told(host.firmware_version)
    dated = f" of {day(host.firmware_date)}" if isinstance(host.firmware_date, str) else ""
    return f"{told(host.firmware_maker, '')} {plain(host.firmware_version)}{dated}".strip()


def firmware(audit: Audit) -> Iterator[tuple[str, str]]:
    """Firmware on record: the machine's, then that of drives, those that are alike together; nothing where none is."""
    if audit.facts.host.firmware_version is None and not audit.drives:
        return
    yield "machine", host_firmware(audit)
    alike: dict[tuple[str, str], list[str]] = {}
    for drive in (seen.drive for seen in audit.drives):
        alike.setdefault((told(drive.model), told(drive.firmware)), []).append(plain(drive.name, 40))
    for (model, version), names in alike.items():
        yield f"{', '.join(names)} ({model})", version


def functions(audit: Audit) -> Iterator[tuple[str, str]]:
    """Every function but virtual ones: its address, and what it is, whose, where, its driver, its sleep."""
    virtual: dict[str, int] = {}
    for function in audit.facts.functions:
        if isinstance(function.physical_function, str):
            virtual[function.physical_function] = virtual.get(function.physical_function, 0) + 1
    for function in audit.facts.functions:
        if not isinstance(function.physical_function, str):
            yield function.address, ", ".join(_of_function(function, audit, virtual.get(function.address, 0)))


def _of_function(function: PciFunction, audit: Audit, virtual: int) -> Iterator[str]:
    yield describe(function, audit)
    if isinstance(function.vendor_name, str):
        yield f"by {plain(function.vendor_name, 60)}"
    onboard = next(
        (board_device for board_device in audit.facts.board_devices if board_device.address == function.address), None
    )
    if onboard is not None and onboard.designation:
        yield f"on the board as {plain(onboard.designation, 40)}"
    elif isinstance(function.label, str):
        yield f"labelled {plain(function.label, 40)}"
    if function.driver is not None:
        yield f"driver {plain(function.driver, 40) if isinstance(function.driver, str) else NOT_READ}"
    if virtual:
        yield quantity(virtual, "virtual function")
    if function.power_state not in {"D0", "unknown"} and isinstance(function.power_state, str):
        yield f"asleep in {plain(function.power_state, 20)}"


def unread(audit: Audit) -> Iterator[str]:
    """What could not be read, and why; what root would add stands apart."""
    for silence in audit.unread:
        if not silence.needs_root:
            yield f"{plain(silence.asked)}: {plain(silence.why)}"


def root_would_add(audit: Audit) -> Iterator[str]:
    """The readings that the super-user would get as well."""
    for finding in audit.findings:
        if finding.rule == ROOT:
            yield from (plain(evidence.source, 300) for evidence in finding.evidence)
