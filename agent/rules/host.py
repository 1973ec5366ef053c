"""Rules about the machine as a whole: firmware on record, and what root would add."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity
from agent.rules.rule import Compared, Found, Rule
from knowledge.phrasing import quantity, some
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged_machine import JudgedMachine

MOST_NAMES: Final = 5


@Rule(
    id="firmware-listed",
    severity=Severity.OK,
    title="The firmware versions of the machine and its drives, with dates where there are any",
    fires_on=("bench-1-upgraded",),
    quiet_on=("guest-plain",),
    steps=(),
    compared=Compared(left_out=True),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A list of every firmware version that was read. It is for the record, and to compare with the "
            "maker's list, and does not mean that an update is needed."
        ),
        evidence=(
            "The machine's firmware maker, version and date by System Management BIOS; the revision that each drive "
            "gives."
        ),
        causes=("Every machine that shows its versions gets this line",),
        cannot_tell="Whether a version is the latest, or faulty: see the maker's release notes.",
        source=(
            "System Management BIOS Reference Specification, type 0; NVM Express Base Specification, Identify "
            "Controller."
        ),
        see_also=("update-firmware", "drive-firmware-pending"),
    ),
)
def _firmware_listed(seen: JudgedMachine) -> Iterator[Found | Unread]:
    facts = seen.machine.facts
    host = facts.host
    evidence = []
    if isinstance(host.firmware_version, str):
        maker = f"{host.firmware_maker} " if isinstance(host.firmware_maker, str) else ""
        dated = f" of {host.firmware_date}" if isinstance(host.firmware_date, str) else ""
        evidence.append(Evidence("machine firmware", f"{maker}{host.firmware_version}{dated}", "for the record"))
    for drive in facts.drives:
        if not isinstance(drive.firmware, Unread) and drive.firmware:
            model = drive.model if isinstance(drive.model, str) else "model not read"
            evidence.append(Evidence(f"{drive.name} ({model}) firmware", drive.firmware, "for the record"))
    if evidence:
        count = len(evidence)
        yield Found("host", f"has {quantity(count, 'firmware version')} on record", tuple(evidence))


@Rule(
    id="guest-sees-little",
    severity=Severity.OK,
    title="The machine is a virtual machine, whose host hides slots and links from it",
    fires_on=("guest-passthrough",),
    quiet_on=("bench-1-upgraded", "guest-plain"),
    steps=("look-from-host",),
    compared=Compared(left_out=True),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A guest sees the devices that its host lends it, and nothing of how they are attached. Cards that "
            "are passed through come without their ports, slots and neighbours. The host has all of it."
        ),
        evidence="The system's word that it runs under a hypervisor.",
        causes=("A virtual machine, which is quite all right",),
        cannot_tell="How the host is built, and what else works on its links.",
        source="The hypervisor bit and product names that the system hands on; common practice.",
        see_also=("virtual", "look-from-host"),
    ),
)
def _guest_sees_little(seen: JudgedMachine) -> Iterator[Found | Unread]:
    # Of a guest without any link the first line of a check says as much.
    if seen.machine.facts.host.virtual is True and any(judged.link.device is not None for judged in seen.judged):
        evidence = (Evidence("machine by its system", "a virtual machine", "the host, to see slots and links"),)
        headline = "is a virtual machine; run lanewright check on its host, which sees the slots and links"
        yield Found("host", headline, evidence, part="this machine's devices")


@Rule(
    id="needs-root",
    severity=Severity.UNKNOWN,
    title="Some readings are given to root only",
    fires_on=("bench-1-ordinary-user",),
    quiet_on=("bench-1-upgraded",),
    steps=("look-as-root",),
    compared=Compared(left_out=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A run without root was refused some of the readings that the system keeps for root. Nothing here "
            "needs root; this says once what root would add."
        ),
        evidence="Every reading refused for lack of permission, by what it would have told.",
        causes=("A run as an ordinary user, which is fine",),
        cannot_tell="Whether root would change a verdict; the lines concerned say so themselves.",
        source="The errors EACCES and EPERM as the system gives them (POSIX).",
        see_also=("root", "look-as-root"),
    ),
)
def _needs_root(seen: JudgedMachine) -> Iterator[Found | Unread]:
    facts = seen.machine.facts
    missing = [unread for unread in facts.unread if unread.needs_root]
    if isinstance(facts.board_slots, Unread) and facts.board_slots.needs_root:
        missing.append(facts.board_slots)
    limits = [
        drive.name
        for drive in facts.drives
        if isinstance(drive.warning_celsius, Unread) and drive.warning_celsius.needs_root
    ]
    if limits:
        missing.append(Unread(f"warning temperature of {', '.join(limits)}", "the drive answers the super-user only"))
    silent = [drive.name for drive in facts.drives if isinstance(drive.health, Unread) and drive.health.needs_root]
    slots = [
        drive.name
        for drive in facts.drives
        if isinstance(drive.firmware_slots, Unread) and drive.firmware_slots.needs_root and drive.name not in silent
    ]
    if slots:
        missing.append(Unread(f"firmware slots of {', '.join(slots)}", "the drive answers the super-user only"))
    if silent:
        what = f"wear, spare, hours, error counts and firmware slots of {', '.join(silent)}"
        missing.append(Unread(what, "the drive answers the super-user only"))
    blocked = [judged for judged in seen.judged if judged.needs_root]
    if blocked:
        keys = some((judged.link.key for judged in blocked), 5)
        missing.append(Unread(f"verdict of {keys}", "rests on registers given to the super-user only"))
    if missing:
        evidence = tuple(
            Evidence(
                f"readings of {unread.what}" if unread.what in seen.machine.functions else unread.what,
                unread.why,
                "readable by root",
            )
            for unread in missing
        )
        kinds = quantity(len(missing), "kind")
        most = next((word for word, here in (("drive health", silent), ("link verdicts", blocked)) if here), "")
        first = f", {most} first of all" if most else ""
        yield Found("host", f"keeps {kinds} of reading for root{first}; run sudo lanewright check", evidence)
