"""Rules about errors on a link: counters, lanes, equalization."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import speed_text
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.latched import latched
from agent.model.link_errors import link_error_count, link_error_counts
from agent.rules.rule import EXTENDED, Compared, Found, Rule
from knowledge import pcie
from knowledge.phrasing import quantity
from knowledge.rates import FEW_ERRORS
from knowledge.steps import CONTACT
from probes.decode import set_bits
from probes.unread import Unread

BOTH: Final = 2  # ends

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.judged_machine import JudgedMachine
    from agent.model.machine import Link, Machine
    from knowledge.layout import Layout
    from probes.facts import PciFunction


@Rule(
    id="link-errors",
    severity=Severity.FAULT,
    title="A link makes errors: its counters rise from look to look, or have grown large since start-up",
    cause="contacts, riser, cable or noise",
    fires_on=("bench-2-noisy-link",),
    quiet_on=("bench-1-upgraded",),
    steps=("look-under-load", *CONTACT, "lower-speed", "update-firmware", "replace"),
    host_knows_more=True,
    shows="lanewright check --settle 60 counts no new errors on this link while it works",
    load="a count that keeps rising is worth acting on; a count that stays is history",
    compared=Compared(rests_on="counters", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A link drops or repeats packets, and the two ends count it. Each end counts the errors it sees, "
            "so both are added up. A count that rises between two looks is a fault. Up to 20 since start-up "
            "are ignored, as links make some when they train or wake; more than that are a note as long as the "
            "count stays still."
        ),
        evidence=(
            "The system's counters of correctable and uncorrectable errors that belong to the link itself (receiver "
            "errors, bad packets, replays, surprise down and the like), of both ends, at first and in each later "
            "look."
        ),
        causes=(
            "A poor contact, riser or cable",
            "A card or board at its limit for the speed",
            "Electrical noise or a weak supply",
        ),
        cannot_tell=(
            "When the errors of before the first look happened, and anything where reporting is off or kept by "
            "the firmware: the count is then shown as not read, not as zero."
        ),
        source=(
            "PCI Express Base Specification, Advanced Error Reporting; Linux Documentation/ABI, aer_dev_correctable "
            "and its kin; the threshold of 20 is common practice."
        ),
        see_also=("lane-errors", "settle", "link-slow"),
    ),
)
def _link_errors(seen: JudgedMachine) -> Iterator[Found | Unread]:
    silent = []
    for judged in seen.judged:
        if judged.verdict is Verdict.VIRTUAL or judged.device_address is None:
            continue
        ends = [end for end in judged.link.ends if _counts(end)]
        if not ends:
            silent.append(judged.link.key)
            continue
        first = sum(link_error_count(end) for end in ends)
        series = _series(seen.machine, ends)
        evidence = tuple(_counters(end) for end in ends if link_error_count(end))
        if series and series[-1][1] > first:
            offset, last = series[-1]
            whose = "both ends" if len(ends) == BOTH else ends[0].address
            rise = Evidence(f"errors of {whose}, {offset:.1f} s later", f"{last:,} (was {first:,})", "no rise")
            counted = f"{quantity(last - first, 'new link error')} within {offset:.1f} s"
            headline = f"counted {counted}{_who(judged.link, ends)}{_unread_counts(judged.link)}"
            yield Found(judged.subject, headline, (rise, *evidence), judged=judged)
        elif first > FEW_ERRORS:
            after = "; no new ones from look to look" if series else ""
            if series and series[-1][1] < first:
                after = "; the counters were reset between looks, so new errors may have been missed"
            hours = seen.machine.facts.host.up_seconds
            since = f" in {hours / 3600:,.1f} hours" if isinstance(hours, float) else ""
            counted = f"{first:,} link errors since start-up{since}"
            headline = f"counted {counted}{_who(judged.link, ends)}{after}{_unread_counts(judged.link)}"
            yield Found(judged.subject, headline, evidence, severity=Severity.NOTE, judged=judged)
    if silent and not any(unread.what == "errors" for unread in seen.machine.facts.unread):
        what = f"error counters of {', '.join(silent)}"
        yield Unread(
            what, "neither end tells any: reporting is absent, switched off, kept by the firmware or not readable"
        )


def _who(link: Link, ends: Sequence[PciFunction]) -> str:
    """Whose count it is, where it is not that of both ends."""
    return "" if len(ends) == len(link.ends) == BOTH else f" at one of its ends ({ends[0].address})"


def _unread_counts(link: Link) -> str:
    """What to say of counters that could not be read: there may be more errors than were counted."""
    lost = next((counter for end in link.ends for counter in _counters_of(end) if isinstance(counter, Unread)), None)
    return f"; not all counters could be read ({lost.what}: {lost.why})" if lost is not None else ""


def _counters_of(end: PciFunction) -> tuple[dict[str, int] | Unread, ...]:
    counted = end.errors
    return () if counted is None else (counted.correctable, counted.nonfatal, counted.fatal)


def _counts(end: PciFunction | None) -> bool:
    """Whether this end told its counters in this look."""
    if end is None or end.errors is None or end.power_state == "D3cold":
        return False
    return any(not isinstance(counter, Unread) for counter in _counters_of(end))


def _series(machine: Machine, ends: list[PciFunction]) -> list[tuple[float, int]]:
    """(offset, errors of both ends) of each later look in which these ends, which told at first, tell again."""
    found = []
    for look in machine.looks_at(*ends):
        later = [look.functions.get(end.address) for end in ends]
        if all(_counts(function) for function in later):
            found.append((look.offset, sum(link_error_count(function) for function in later if function is not None)))
    return found


def _counters(function: PciFunction) -> Evidence:
    named = ", ".join(f"{words} {count:,}" for words, count in link_error_counts(function))
    return Evidence(f"{function.address} error counters", named, f"{FEW_ERRORS} or fewer, not rising")


@Rule(
    id="lane-errors",
    severity=Severity.NOTE,
    title="Some lanes of a link have their error bit set",
    cause="link training at start-up, or a contact",
    fires_on=("bench-2-lane-errors",),
    quiet_on=("bench-1-upgraded",),
    steps=("look-again",),
    compared=Compared(depth=EXTENDED),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A register of the link marks single lanes on which errors were seen. The bits stay set until "
            "cleared and may date from training at start-up; on a narrow or slow link they point at the lanes "
            "to look at. On a link at its best they are only noted for the record."
        ),
        evidence="The Lane Error Status Register of both ends, for lanes that are in use or could be.",
        causes=(
            "Training at start-up, which is harmless",
            "A bad contact or trace on those lanes",
        ),
        cannot_tell="When the bits were set: they have no time and no count.",
        source=(
            "PCI Express Base Specification, Secondary PCI Express Extended Capability, Lane Error Status Register."
        ),
        see_also=("link-narrow", "equalization-failed", "lane"),
    ),
)
def _lane_errors(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.judged:
        if judged.now is None or judged.verdict is Verdict.VIRTUAL:
            continue
        evidence = []
        used = max(judged.now.width, judged.best.width if judged.best is not None else 0)
        for end in judged.link.ends:
            bits = end.registers.read(pcie.LANE_ERROR_STATUS, "lanes")
            lanes = [lane for lane in set_bits(bits) if lane < used] if isinstance(bits, int) else []
            if lanes:
                named = ", ".join(map(str, lanes))
                told = latched(end, f"lanes {named} of {used}")
                evidence.append(Evidence(f"{end.address} Lane Error Status", told, "no lane"))
        if evidence:
            severity = Severity.OK if judged.verdict.kind.card_at_best else None
            headline = "has error bits set on lanes in use; they may be left from link training at start-up"
            without = ("look-again",) if judged.verdict.kind.at_best else ()  # a newer reading would change nothing
            yield Found(judged.subject, headline, tuple(evidence), severity=severity, judged=judged, without=without)


# Generation: (register, prefix of its fields). Source: Link Status 2 and the Physical Layer 16, 32 and 64 GT/s
# capabilities of the PCI Express Base Specification.
EQUALIZATION: dict[int, tuple[Layout, str, str]] = {
    3: (pcie.LINK_STATUS_2, "equalization_8gt_complete", "equalization_8gt_phase_{}_successful"),
    4: (pcie.STATUS_16GT, "equalization_complete", "phase_{}_successful"),
    5: (pcie.STATUS_32GT, "equalization_complete", "phase_{}_successful"),
    6: (pcie.STATUS_64GT, "equalization_complete", "phase_{}_successful"),
}


@Rule(
    id="equalization-failed",
    severity=Severity.FAULT,
    title="A slow or narrow link failed equalization at a higher speed",
    cause="a riser or cable too long for the speed",
    fires_on=("bench-2-lane-errors",),
    quiet_on=("bench-1-upgraded", "bench-2-slow-link"),
    steps=(*CONTACT, "lower-speed", "update-firmware", "replace"),
    host_knows_more=True,
    compared=Compared(depth=EXTENDED),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A link that is slow or narrow tried to tune itself for a higher speed and did not get through. "
            "The two ends could not tune their signals for that speed, because of a riser, cable, contact or "
            "firmware."
        ),
        evidence=(
            "For each speed above the present one: equalization marked complete, with one of its three phases not "
            "successful, in Link Status 2 or the status registers for 16, 32 and 64 GT/s, of either end."
        ),
        causes=(
            "A riser or cable that is too long or too poor for the speed",
            "A dirty or worn contact",
            "A card or board whose firmware tunes badly",
        ),
        cannot_tell=(
            "Which end failed: each says only that the phase did not succeed. Links at their best are not checked."
        ),
        source=(
            "PCI Express Base Specification, Link Status 2 Register, and the Physical Layer 16, 32 and 64 GT/s "
            "Extended Capabilities; the causes are common practice."
        ),
        see_also=("link-slow", "link-narrow", "lane-errors"),
    ),
)
def _equalization_failed(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.judged:
        if judged.verdict not in {Verdict.SLOW, Verdict.NARROW} or judged.now is None or judged.best is None:
            continue
        failed = {
            speed: evidence
            for speed in range(judged.now.speed + 1, judged.best.speed + 1)
            if speed in EQUALIZATION
            for evidence in [[failed_phase for end in judged.link.ends for failed_phase in _failed_phases(end, speed)]]
            if evidence
        }
        if failed:
            speeds = " and ".join(speed_text(speed) for speed in failed)
            evidence = tuple(item for found in failed.values() for item in found)
            yield Found(judged.subject, f"failed equalization at {speeds}", evidence, judged=judged)


def _failed_phases(end: PciFunction, speed: int) -> Iterator[Evidence]:
    layout, complete, phase = EQUALIZATION[speed]
    if end.registers.read(layout, complete) != 1:
        return
    for number in (1, 2, 3):
        if end.registers.read(layout, phase.format(number)) == 0:
            source = f"{end.address} equalization at {speed_text(speed)}: phase {number} successful"
            yield Evidence(source, "0 (equalization complete)", "1")
