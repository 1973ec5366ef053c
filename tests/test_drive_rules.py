"""The rules about drives: temperatures against their own limits, states in which they serve nothing, unclaimed ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Severity
from probes.facts import Sensor
from probes.unread import Unread
from tests.kept import CARD, NETWORK, device, drive, facts, port

if TYPE_CHECKING:
    from agent.audit import Audit
    from probes.facts import Drive, PciFunction

BROKEN: Final = Unread("what was asked for", "the device gave an error", vital=True)
WARM: Final = "disk0 temperature (Composite)"


def seen(*drives: Drive, sensors: tuple[Sensor, ...] = (), card: PciFunction | None = None) -> Audit:
    """The audit of a machine with one NVMe function and these drives."""
    whole = facts(port(), card or device(), drives=drives, platform="linux")
    return audit(replace(whole, sensors=sensors))


def told(found: Audit, rule: str) -> list[tuple[Severity, str, str]]:
    """Severity, subject and headline of all that a rule found."""
    return [(one.severity, one.subject, one.headline) for one in found.findings if one.rule == rule]


def shown(found: Audit, rule: str) -> list[tuple[str, str, str]]:
    """The evidence of the one thing that a rule found."""
    (finding,) = [one for one in found.findings if one.rule == rule]
    return [(one.source, one.read, one.expected) for one in finding.evidence]


# --- Temperatures --------------------------------------------------------------------------------------------------


def at(
    celsius: float | Unread, warning: float | None = None, critical: float | None = None, of: str = "disk0"
) -> Sensor:
    """A drive's composite temperature and its limits."""
    return Sensor("nvme", "Composite", of, CARD, celsius, warning, critical)


@pytest.mark.parametrize(
    ("sensor", "severity", "says", "expected"),
    [
        (at(64.9, 70.0, 85.0), None, "", ""),
        (
            at(65.0, 70.0, 85.0),
            Severity.NOTE,
            "is at 65.0 C, 5.0 C below its warning limit",
            "5 C or more below its warning limit",
        ),
        (
            at(69.9, 70.0, 85.0),
            Severity.NOTE,
            "is at 69.9 C, 0.1 C below its warning limit",
            "5 C or more below its warning limit",
        ),
        (
            at(70.0, 70.0, 85.0),
            Severity.FAULT,
            "is at 70.0 C, at or above its warning limit of 70.0 C",
            "below its warning limit of 70.0 C",
        ),
        (
            at(85.0, 70.0, 85.0),
            Severity.FAULT,
            "is at 85.0 C, at or above its critical limit of 85.0 C",
            "below its critical limit of 85.0 C",
        ),
        (at(74.9, None, 85.0), None, "", ""),
        (
            at(75.0, None, 85.0),
            Severity.NOTE,
            "is at 75.0 C, 10.0 C below its critical limit",
            "10 C or more below its critical limit",
        ),
        (at(84.0, 95.0, 85.0), None, "", ""),  # near its critical limit, and far from the one that warns
        (at(90.0), None, "", ""),
    ],
)
def test_a_temperature_is_held_against_the_drives_own_limits(
    sensor: Sensor, severity: Severity | None, says: str, expected: str
) -> None:
    """At a limit it is a fault; 5 C below the one that warns, or 10 C below a critical one alone, it is a note."""
    found = seen(drive(), sensors=(sensor,))
    assert ([] if severity is None else [(severity, "disk0", says)]) == told(found, "drive-hot")
    if severity is not None:
        assert [(WARM, says[len("is at ") :].partition(",")[0], expected)] == shown(found, "drive-hot")


def test_the_temperature_of_another_drive_is_not_its_own() -> None:
    """Each drive is held against its own sensors."""
    found = seen(drive(), drive("disk1", None), sensors=(at(90.0, 70.0, of="disk1"), at(30.0, 70.0)))
    assert ["disk1"] == [subject for _, subject, _ in told(found, "drive-hot")]


def test_a_temperature_that_failed_is_said_to_be_unread() -> None:
    """A sensor that could not be read is no cool drive."""
    found = seen(drive(), sensors=(at(BROKEN, 70.0),))
    assert [] == told(found, "drive-hot")
    assert ("temperature of disk0 (Composite)", BROKEN.why) in [(one.what, one.why) for one in found.unread]


# --- Drives that serve nothing -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "severity"),
    [
        ({"state": "live"}, None),
        ({"state": None}, None),
        ({"state": "dead"}, Severity.FAULT),
        ({"state": "resetting"}, Severity.NOTE),
        ({"state": "connecting"}, Severity.NOTE),
        ({"state": "dead", "kind": "sata"}, None),  # the states are those of NVMe controllers
    ],
)
def test_a_state_other_than_live_serves_nothing(fields: dict[str, Any], severity: Severity | None) -> None:
    """A dead controller is a fault; the other states pass, and are worth a second look.

    Source: Linux drivers/nvme/host/sysfs.c, the states of a controller.
    """
    found = seen(drive(**fields))
    said = told(found, "drive-not-serving")
    assert ([] if severity is None else [(severity, "disk0")]) == [one[:2] for one in said]
    if severity is not None:
        assert said[0][2].endswith(f" {fields['state']}")
        assert [("disk0 state", fields["state"], "live")] == shown(found, "drive-not-serving")


def test_a_state_that_failed_is_said_to_be_unread() -> None:
    """Whether a drive serves is not known where its state could not be read."""
    found = seen(drive(state=BROKEN))
    assert [] == told(found, "drive-not-serving")
    assert ("whether disk0 serves", BROKEN.why) in [(one.what, one.why) for one in found.unread]


# --- Drives that nobody claims -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "driver"),
    [
        ({}, "none"),
        ({"driver": "set-aside"}, "set-aside"),
        ({"driver": BROKEN}, "could not be read"),
        ({"power_state": "D3cold"}, None),  # nothing was asked of it
        ({"physical_function": "00:09.0"}, None),  # a virtual function is its guest's
        ({"class_code": NETWORK}, None),
    ],
)
def test_a_drive_by_its_class_that_the_system_does_not_have_is_noted(
    fields: dict[str, Any], driver: str | None
) -> None:
    """The finding names the driver that holds it, that there is none, or that this could not be read."""
    found = seen(card=device(**fields))
    words = f"is an NVMe drive that the system does not use (driver: {driver})"
    assert ([] if driver is None else [(Severity.NOTE, CARD, words)]) == told(found, "drive-unclaimed")
    if driver is not None:
        assert [
            (f"{CARD} class code", "NVMe drive", "a drive of the system"),
            (f"{CARD} driver", driver, "the NVMe driver, unless set aside on purpose"),
        ] == shown(found, "drive-unclaimed")
    assert [] == told(seen(drive(), card=device(**fields)), "drive-unclaimed")


def test_a_drive_that_its_driver_holds_is_one_to_look_up_in_the_log() -> None:
    """Held by the NVMe driver and not listed, a drive lacks no driver: it was not brought up.

    Source: Linux drivers/nvme/host/pci.c, the driver's name in struct pci_driver nvme_driver.
    """
    (finding,) = [one for one in seen(card=device(driver="nvme")).findings if one.rule == "drive-unclaimed"]
    assert "driver nvme" in finding.headline
    assert ["see-log"] == [step.action for step in finding.steps]
    assert "no driver" not in finding.cause
    (other,) = [one for one in seen(card=device(driver=BROKEN)).findings if one.rule == "drive-unclaimed"]
    assert ["see-driver"] == [step.action for step in other.steps]


@pytest.mark.parametrize(("state", "first"), [("dead", "power-cycle"), ("resetting", "look-later")])
def test_only_a_dead_controller_is_powered_off(state: str, first: str) -> None:
    """The other states pass within a minute, and are looked at again."""
    (finding,) = [one for one in seen(drive(state=state)).findings if one.rule == "drive-not-serving"]
    assert first == finding.steps[0].action
    assert not {"power-cycle", "look-later"} - {first} & {step.action for step in finding.steps}


def test_a_platform_that_tells_no_driver_says_so() -> None:
    """Where the platform does not name drivers, that is said, and no driver is denied."""
    found = audit(facts(port(), device(), platform="darwin"))
    ((_, _, says),) = told(found, "drive-unclaimed")
    assert says.endswith("(driver: not told)")
    assert [] == [one.what for one in found.unread if "has a drive at" in one.what]
