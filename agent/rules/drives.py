"""Rules about drives: temperature against their own limits, drives that do not serve, drives nobody claims."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity
from agent.model.serving import not_serving, serving_unread, serving_words
from agent.model.temperature_limits import by_drive, limits
from agent.model.unseen_parts import drives as missing_drives
from agent.rules.rule import Compared, Found, Rule
from knowledge.phrasing import celsius_text
from knowledge.rates import NEAR_CRITICAL_CELSIUS, NEAR_LIMIT_CELSIUS
from probes import platform
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from probes.facts import Drive, PciFunction, Sensor

NVME_CLASS: Final = 0x010802
NVME_DRIVER: Final = "nvme"  # Source: Linux drivers/nvme/host/pci.c, struct pci_driver nvme_driver


@Rule(
    id="drive-hot",
    severity=Severity.FAULT,
    title="A drive is near or above a temperature limit of its own",
    cause="no airflow, or a heatsink not making contact",
    fires_on=("bench-2-hot-drive",),
    quiet_on=("bench-1-upgraded",),
    steps=("cool",),
    compared=Compared(rests_on="limits", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive reads a temperature at one of its limits, or a few degrees below it. At its warning limit "
            "a drive slows itself down; at its critical limit it may stop. A reading at or above a limit is a "
            "fault. Within 5 C below the warning limit it is a note; for a drive that names a critical limit "
            "alone, within 10 C below that."
        ),
        evidence=(
            "Each sensor of the drive that the system reads, compared with the sensor's own limits; the "
            "composite temperature also against the limits that the drive itself names (Identify Controller, "
            "WCTEMP and CCTEMP)."
        ),
        causes=(
            "Poor airflow over the drive, behind a long card for instance",
            "A heatsink whose thermal pad makes no contact, or no heatsink",
            "A hot card beside it, or a warm room",
        ),
        cannot_tell=(
            "How hot the parts inside are: the composite value is made from several sensors, and published "
            "comparisons with a thermal camera found it between 8 C above and 23 C below the hottest spot. Nor "
            "whether it would stay cool in another workload."
        ),
        source=(
            "NVM Express Base Specification, Identify Controller; the kernel's hwmon attributes; the margins of 5 "
            "and 10 C are common practice; comparisons with cameras: published drive reviews."
        ),
        see_also=("drive-was-hot", "drive-throttled", "soak"),
    ),
)
def _drive_hot(seen: JudgedMachine) -> Iterator[Found | Unread]:
    facts = seen.machine.facts
    sensors = by_drive(facts.sensors)
    own = seen.own_links()
    for drive in facts.drives:
        for sensor in sensors.get(drive.name, ()):
            yield from _against_limits(drive, sensor, own.get(drive.name))


@Rule(
    id="drive-not-serving",
    severity=Severity.FAULT,
    title="A drive does not serve: its controller is dead or in transition",
    cause="a drive that stopped answering",
    fires_on=("bench-2-dead-drive",),
    quiet_on=("bench-1-upgraded",),
    steps=("power-cycle", "look-later", "reseat", "update-firmware", "replace"),
    shows="the drive serves, and lanewright check no longer names it",
    compared=Compared(),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive's controller is in a state in which it takes no commands. "
            '"dead" means that the kernel gave up on the controller. The other states pass; check again.'
        ),
        evidence="The controller's state in the kernel, where it is anything but live.",
        causes=(
            "A drive that stopped answering",
            "A drive that is being reset, set up or removed right now",
            "A firmware fault that a power cycle clears",
        ),
        cannot_tell="Why the controller stopped: the kernel's log says more than the state does.",
        source="Linux drivers/nvme/host/sysfs.c, the states of a controller; the causes are common practice.",
        see_also=("drive-unclaimed", "power-cycle"),
    ),
)
def _drive_not_serving(seen: JudgedMachine) -> Iterator[Found | Unread]:
    own = seen.own_links()
    for drive in seen.machine.facts.drives:
        lost = serving_unread(drive)
        if lost is not None:
            yield of(f"whether {drive.name} serves", lost)
        if not not_serving(drive):
            continue
        evidence = (Evidence(f"{drive.name} state", str(drive.state), "live"),)
        dead = drive.state == "dead"
        severity, without = (None, ("look-later",)) if dead else (Severity.NOTE, ("power-cycle",))
        headline = serving_words(drive)
        link = own.get(drive.name)
        yield Found(drive.name, headline, evidence, severity=severity, judged=link, drive=True, without=without)


@Rule(
    id="drive-unclaimed",
    severity=Severity.NOTE,
    title="An NVMe drive answers, but the system does not use it",
    cause="no driver, or set aside for a virtual machine",
    fires_on=("bench-2-dead-drive",),
    quiet_on=("bench-1-upgraded",),
    steps=("see-driver", "see-log"),
    compared=Compared(),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A function of the NVMe class is on the bus, and the system's list of drives does not have it. The "
            "link may be perfect; what is missing is a drive that the system can use."
        ),
        evidence=(
            "The class code of the function (010802h, an NVMe controller) and the driver that holds it, if any does."
        ),
        causes=(
            "No driver for it is loaded",
            "A driver that tried and gave up, because the drive did not become ready",
            "A drive reserved for a virtual machine on purpose",
        ),
        cannot_tell=("Whether the drive works, as nothing talks to it. The kernel's log shows which cause it is."),
        source=(
            "PCI Code and ID Assignment Specification, class 01h, subclass 08h, interface 02h; Linux "
            "include/linux/pci_ids.h."
        ),
        see_also=("drive-not-serving",),
    ),
)
def _drive_unclaimed(seen: JudgedMachine) -> Iterator[Found | Unread]:
    facts = seen.machine.facts
    lost = missing_drives(facts)
    claimed = {drive.address for drive in facts.drives}
    unsure: list[str] = []
    for function in facts.functions:
        if function.class_code != NVME_CLASS or function.address in claimed or function.physical_function is not None:
            continue
        if function.power_state == "D3cold":
            continue  # nothing was asked of it, and the link says so
        if lost is not None:
            unsure.append(function.address)
            continue
        yield _unclaimed(function, function.driver or platform(facts.platform).no_driver)
    if lost is not None and unsure:
        yield of(f"whether the system has a drive at {', '.join(unsure)}", lost.minor)


def _unclaimed(function: PciFunction, driver: str | Unread) -> Found:
    """What there is to say of a drive that the system does not list: the driver that holds it, if one does."""
    read = "could not be read" if isinstance(driver, Unread) else driver
    evidence = (
        Evidence(f"{function.address} class code", "NVMe drive", "a drive of the system"),
        Evidence(f"{function.address} driver", read, "the NVMe driver, unless set aside on purpose"),
    )
    if function.driver == NVME_DRIVER:
        headline, cause = (
            f"holds an NVMe drive that driver {read} did not bring up",
            "a drive that did not become ready",
        )
        return Found(function.address, headline, evidence, cause=cause, without=("see-driver",))
    headline = f"is an NVMe drive that the system does not use (driver: {read})"
    return Found(function.address, headline, evidence, without=("see-log",))


def _against_limits(drive: Drive, sensor: Sensor, own: Judged | None) -> Iterator[Found | Unread]:
    warning, critical = limits(drive, sensor)
    now = sensor.celsius
    if isinstance(now, Unread):
        yield of(f"temperature of {drive.name} ({sensor.label})", now)
        return
    source = f"{drive.name} temperature ({sensor.label})"
    for name, limit, margin in (
        ("critical", critical, NEAR_CRITICAL_CELSIUS),
        ("warning", warning, NEAR_LIMIT_CELSIUS),
    ):
        if limit is None:
            continue
        if now >= limit:
            evidence = (Evidence(source, celsius_text(now), f"below its {name} limit of {celsius_text(limit)}"),)
            headline = f"is at {celsius_text(now)}, at or above its {name} limit of {celsius_text(limit)}"
            yield Found(drive.name, headline, evidence, judged=own, drive=True)
            return
        if now >= limit - margin and (name == "warning" or warning is None):
            evidence = (Evidence(source, celsius_text(now), f"{margin:.0f} C or more below its {name} limit"),)
            headline = f"is at {celsius_text(now)}, {celsius_text(limit - now)} below its {name} limit"
            yield Found(drive.name, headline, evidence, severity=Severity.NOTE, judged=own, drive=True)
            return
