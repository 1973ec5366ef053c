"""A reading that fails is never silence and never good news, on every stored machine: see `tests/law.py`."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Evidence, Finding, Severity
from tests.law import Patient, Spoilt, one_of_each
from tests.machines import CAPTURED

if TYPE_CHECKING:
    from agent.audit import Audit
    from probes.facts import Facts

# Machines that have between them all families of reads; all machines are held to the law by the long tests.
FEW: Final = (
    *("bench-1-ordinary-user", "bench-1-tunnelled-dock", "bench-2-failing-drives", "bench-2-other-sets"),
    *("bench-3-dark-slot", "bench-3-idle", "guest-passthrough", "lab-narrowed", "tower-1-untyped-carrier"),
)


@cache
def patient(name: str) -> Patient:
    """A stored machine."""
    return Patient(name)


def rotated(found: Patient) -> list[Spoilt]:
    """Of each family of reads one failure, each in another way than the one before."""
    families: dict[str, list[Spoilt]] = {}
    for one in one_of_each(found):
        families.setdefault(one.family, []).append(one)
    return [ways[number % len(ways)] for number, ways in enumerate(families.values())]


@pytest.mark.parametrize("name", FEW)
def test_a_reading_that_fails_is_never_silence(name: str) -> None:
    """One failure of each family of reads, each in its way."""
    found = patient(name)
    failures = rotated(found)
    assert len(failures) >= 5
    assert [] == [str(broken) for one in failures for broken in found.breaches(one)]


@pytest.mark.long
@pytest.mark.parametrize("name", sorted(CAPTURED))
def test_no_machine_breaks_the_law(name: str) -> None:
    """On every stored machine, of each family of reads one failure in every way."""
    found = patient(name)
    failures = list(one_of_each(found))
    assert len(failures) >= 15
    assert [] == [str(broken) for one in failures for broken in found.breaches(one)]


@st.composite
def pairs(draw: st.DrawFn) -> tuple[str, Spoilt, Spoilt]:
    """A machine and two of its readings that fail."""
    name = draw(st.sampled_from(FEW))
    failures = list(one_of_each(patient(name)))
    return name, draw(st.sampled_from(failures)), draw(st.sampled_from(failures))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(drawn=pairs())
def test_two_readings_that_fail_together_are_no_silence_either(drawn: tuple[str, Spoilt, Spoilt]) -> None:
    """One failure must not take along what another one left to tell."""
    name, one, other = drawn
    assert [] == [str(broken) for broken in patient(name).breaches(one, other)]


# --- The law can be broken -----------------------------------------------------------------------------------------

BROKEN: Final = "bench-2-failing-drives"


def silent(facts: Facts) -> Audit:
    """A program that keeps to itself what it could not read."""
    found = audit(replace(facts, unread=(), gaps=()))
    quiet = tuple(one for one in found.findings if one.severity is not Severity.UNKNOWN)
    return replace(found, unread=(), findings=quiet)


@pytest.mark.parametrize(
    ("name", "start"),
    [
        *((BROKEN, f"list /sys/{folder}") for folder in ("bus/pci/devices", "class/nvme", "class/hwmon", "block")),
        *((BROKEN, f"link /sys/{folder}/") for folder in ("class/nvme", "block")),
        *((BROKEN, f"nvme {page}") for page in ("identify", "log-02", "log-03")),
        *((BROKEN, f"text /sys/{folder}/") for folder in ("class/nvme", "class/hwmon", "bus/pci/devices")),
        *((BROKEN, start) for start in ("bytes /sys/block/", "udev ", "text /proc/", "psutil ")),
        ("bench-3-dark-slot", "bytes /sys/bus/pci/devices/"),
        ("bench-2-other-sets", "text /sys/block/"),
        ("bench-2-other-sets", "list /sys/block/"),
        ("bench-1-ordinary-user", "link /sys/class/hwmon/"),
        ("tower-1-untyped-carrier", "registry "),
    ],
)
def test_silence_breaks_the_law(name: str, start: str) -> None:
    """What is lost and not said is found, whatever sort of reading it is."""
    found = Patient(name, silent)
    some = [one for one in found.failures() if one.key.startswith(start) and one.how == "EIO"]
    assert some
    assert "said with its reason" in {broken.clause for one in some for broken in found.breaches(one)}


def forgetful(facts: Facts) -> Audit:
    """A program for which a list that fails is an empty one."""
    return audit(replace(facts, gaps=(), unread=tuple(one for one in facts.unread if not one.failed)))


def test_an_empty_list_in_place_of_one_that_failed_breaks_the_law() -> None:
    """Drives that could not be listed are then told as gone, and their faults as cleared."""
    found = Patient(BROKEN, forgetful)
    clauses = {broken.clause for broken in found.breaches(Spoilt("list /sys/class/nvme", "EIO"))}
    assert {"said with its reason", "compare", "the exit status tells"} <= clauses


def content(facts: Facts) -> Audit:
    """A program that says what it could not read, and that all is well."""
    found = audit(facts)
    return replace(found, unread=tuple(replace(one, vital=False) for one in found.unread))


def test_a_machine_whose_drives_were_not_listed_has_not_passed() -> None:
    """A first line and an exit status that say all is well break the law."""
    found = Patient(BROKEN, content)
    clauses = {broken.clause for broken in found.breaches(Spoilt("list /sys/class/nvme", "EIO"))}
    assert {"the exit status tells", "the first line tells"} <= clauses


def anxious(facts: Facts) -> Audit:
    """A program that calls a fault what it could not read."""
    found = audit(facts)
    if not any("(EIO)" in one.why for one in found.unread):
        return found
    made_up = Finding("link-narrow", Severity.FAULT, "0000:01:00.0", "x", (Evidence("a", "b", "c"),))
    return replace(found, findings=(made_up, *found.findings))


def test_a_false_alarm_breaks_the_law() -> None:
    """A reading that fails is no fault of a link."""
    found = Patient(BROKEN, anxious)
    failure = Spoilt("text /sys/class/nvme/nvme0/model", "EIO")
    assert "no false alarm" in {broken.clause for broken in found.breaches(failure)}


def brittle(facts: Facts) -> Audit:
    """A program that raises where a reading fails."""
    if any("(EIO)" in one.why for one in facts.unread):
        raise ValueError("could not be read")
    return audit(facts)


def test_an_exception_breaks_the_law() -> None:
    """A reading that fails never ends the program."""
    found = Patient(BROKEN, brittle)
    failure = Spoilt("text /sys/class/nvme/nvme0/model", "EIO")
    assert ["no exception"] == [broken.clause for broken in found.breaches(failure)]
