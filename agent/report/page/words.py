"""Sentences about a machine for the page: the verdict on it, what a drive should reach, its way to the processor.

Decides nothing. All text of devices passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.ends import rate_text
from agent.findings import Severity, Verdict
from agent.report.plain import describe, describe_link, mbps_range, place, plain, told
from knowledge.rates import celsius_text
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.audit import Audit, DriveSeen
    from agent.findings import Rate
    from agent.judged import Judged
    from agent.machine import Link

SEVERITIES: Final = {
    Severity.FAULT: ("fault", "faults", "act on it"),
    Severity.LIMIT: ("limit", "limits", "works as built, could be better"),
    Severity.NOTE: ("note", "notes", "worth knowing"),
    Severity.UNKNOWN: ("open question", "open questions", "could not be told"),
    Severity.OK: ("remark", "remarks", "for the record"),
}
ROOT: Final = "needs-root"
NAME: Final = 60  # characters of a name in a line of its own
SHORT: Final = 40


def count(number: int, one: str, many: str = "") -> str:
    """A number of things: "1 drive", "2,000 drives"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def sentence(words: str) -> str:
    """Words with a capital and an end, as a sentence has them."""
    whole = f"{words[:1].upper()}{words[1:]}"
    return whole if whole.endswith((".", "!", "?")) else f"{whole}."


def listed(names: Iterable[str], most: int = 6) -> str:
    """Names in a row; of very many the first ones, and how many more there are."""
    found = list(names)
    if len(found) <= most:
        return ", ".join(found)
    return f"{', '.join(found[:most])} and {len(found) - most} more"


# --- The machine -----------------------------------------------------------------------------------------------


def name(audit: Audit) -> str:
    """The machine's name, or words for its absence."""
    return plain(told(audit.facts.host.name, "A machine without a name"), NAME)


def product(audit: Audit) -> str:
    """Maker and product, "" where neither is told."""
    host = audit.facts.host
    return " ".join(plain(part, NAME) for part in (host.maker, host.product) if part)


def counts(audit: Audit) -> dict[Severity, int]:
    """How many findings there are of each severity, worst first; what root would add is no finding here."""
    found = dict.fromkeys(Severity, 0)
    for one in audit.findings:
        if one.rule != ROOT:
            found[one.severity] += 1
    return found


def verdict(audit: Audit) -> str:
    """The first sentence: what there is to do, of how much."""
    judged = [one for one in audit.links if one.link.device is not None]
    total = f"{count(len(judged), 'link')}, {count(len(audit.drives), 'drive')}"
    found = {one: number for one, number in counts(audit).items() if number and one is not Severity.OK}
    rest = _silent(audit)
    if not judged:
        return f"{_without_a_card(audit)}{_to_do(found)}{rest}"
    if not found:
        full = all(one.verdict is Verdict.FULL for one in judged)
        why = ": every link with a card runs at the best its card can do" if full else ""
        return f"Nothing to do{why} ({total}).{rest}"
    return f"{_parts(found)}; {total}.{rest}"


def _to_do(found: dict[Severity, int]) -> str:
    return f" {sentence(_parts(found))}" if found else ""


def _parts(found: dict[Severity, int]) -> str:
    ends = {
        Severity.FAULT: " to act on",
        Severity.LIMIT: " that could be better",
        Severity.NOTE: " worth knowing",
        Severity.UNKNOWN: " that could not be told",
    }
    return ", ".join(f"{count(number, *SEVERITIES[one][:2])}{ends[one]}" for one, number in found.items())


def _silent(audit: Audit) -> str:
    silent = sum(one.verdict is Verdict.UNKNOWN and not one.notable for one in audit.links if one.link.device is None)
    if not silent:
        return ""
    holds = "holds" if silent == 1 else "hold"
    return f" Whether {count(silent, 'more port', 'more ports')} {holds} a card could not be told."


def _without_a_card(audit: Audit) -> str:
    seen = len(audit.facts.functions)
    where = " It runs under a hypervisor, which hides them." if audit.facts.host.virtual is True else ""
    seen_words = (
        f"{count(seen, 'PCI function')} {'was' if seen == 1 else 'were'} seen" if seen else "no PCI function was"
    )
    return f"No PCI Express link with a card is visible on this machine; {seen_words}.{where}"


def host_firmware(audit: Audit) -> str:
    """The machine's own firmware."""
    host = audit.facts.host
    if host.firmware_version is None:
        return "not known"
    dated = f" of {plain(host.firmware_date, SHORT)}" if host.firmware_date else ""
    maker = f"{plain(host.firmware_maker, SHORT)} " if host.firmware_maker else ""
    return f"{maker}{plain(host.firmware_version, NAME)}{dated}"


# --- A link ----------------------------------------------------------------------------------------------------


def where(link: Link) -> str:
    """A link's slot or port; one that is not visible is called so."""
    if link.port is None and link.slot is None and not link.integrated:
        return "port not visible"
    return place(link)


def what(judged: Judged, audit: Audit) -> str:
    """What sits at the end of a link: a drive by its name and model, a card by its model."""
    device = judged.link.device
    if device is None:
        return "a card is felt, nothing answers" if judged.verdict is Verdict.DARK else "nothing fitted"
    drive = audit.nvme_at.get(device.address)
    if drive is not None:
        return f"{plain(drive.name, SHORT)}, {plain(told(drive.model, 'NVMe drive'), NAME)}"
    return plain(device.model_name, NAME) if device.model_name else describe(device, audit)


def now(judged: Judged) -> str:
    """The rate of a link now, or what there is in its place."""
    if judged.link.device is None:
        return "no link"
    if judged.verdict is Verdict.VIRTUAL:
        return "no wires"
    return "not known" if judged.now is None else rate_text(judged.now)


def could(judged: Judged) -> Rate | None:
    """What a link could do by its better end: the card's best in a better slot, else the best of both ends."""
    return judged.device_can if judged.verdict is Verdict.SLOT_LIMITED else judged.best


def subject(audit: Audit, address: str) -> tuple[str, str]:
    """A finding's subject for people: its slot or name with its address, and what is there ("" where no more is)."""
    for judged in audit.links:
        if address and address in {judged.device_address, judged.port_address}:
            there = describe_link(judged.link, audit) if judged.link.device is not None else ""
            at = place(judged.link)
            return (f"{at}, {plain(address)}" if at != address else plain(address)), there
    for drive in audit.facts.drives:
        if drive.name == address:
            return plain(address), told(drive.model, "drive")
    return plain(address), ""


# --- A drive ---------------------------------------------------------------------------------------------------


def temperature(seen: DriveSeen) -> str:
    """A drive's temperature with the limit it has."""
    if isinstance(seen.celsius, Unread):
        return f"temperature not known ({plain(seen.celsius.why)})"
    if seen.celsius is None:
        return "no temperature offered"
    limits = ((seen.warning_celsius, "warning"), (seen.critical_celsius, "critical"))
    told_ones = [f"{kind} at {celsius_text(limit)}" for limit, kind in limits if limit is not None]
    return f"{celsius_text(seen.celsius)} ({', '.join(told_ones) or 'no limit told'})"


def without_rates(seen: DriveSeen) -> str:
    """Why no rate can be told of a drive."""
    if seen.drive.kind != "nvme":
        return "The drive's own interface decides its rate, not the PCI Express link."
    return "No rate can be told: its path has no link, or one whose rate is not known."


def rates(found: tuple[float, float] | None) -> str:
    """A range of rates, or that it is not known."""
    return "not known" if found is None else mbps_range(found)
