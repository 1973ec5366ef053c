"""The rules about the whole machine and its sets: firmware on record, what root would add, sets that lack members."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Severity
from probes.facts import StripeSet
from probes.unread import Unread
from tests.kept import device, drive, facts, port

if TYPE_CHECKING:
    from agent.model.findings import Finding
    from probes.facts import Drive, Facts

BROKEN: Final = Unread("what was asked for", "the device gave an error", vital=True)
ROOT: Final = Unread("what was asked for", "root may read it", needs_root=True)


def of_rule(seen: Facts, rule: str) -> list[Finding]:
    """What one rule finds."""
    return [one for one in audit(seen).findings if one.rule == rule]


def shown(finding: Finding) -> list[tuple[str, str]]:
    """Source and reading of each piece of evidence."""
    return [(one.source, one.read) for one in finding.evidence]


# --- Firmware ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "read"),
    [
        ({"firmware_version": "2.07"}, "2.07"),
        ({"firmware_version": "2.07", "firmware_maker": "Tidmarel"}, "Tidmarel 2.07"),
        ({"firmware_version": "2.07", "firmware_date": "2025-11-03"}, "2.07 of 2025-11-03"),
        ({"firmware_version": BROKEN, "firmware_maker": "Tidmarel"}, None),
        ({"firmware_maker": "Tidmarel"}, None),
    ],
)
def test_the_firmware_of_the_machine_is_on_record_as_it_was_read(fields: dict[str, Any], read: str | None) -> None:
    """Maker and date stand beside a version that was read, and nothing in place of one that was not."""
    whole = facts()
    found = of_rule(replace(whole, host=replace(whole.host, **fields)), "firmware-listed")
    assert ([] if read is None else [("machine firmware", read)]) == [one for each in found for one in shown(each)]


def test_the_firmware_of_each_drive_is_on_record() -> None:
    """A drive whose model failed is listed all the same; one whose firmware failed, or is empty, is not."""
    drives = (
        drive("disk0"),
        drive("disk1", model=BROKEN, firmware="QF-2.3.1"),
        drive("disk2", firmware=BROKEN),
        drive("disk3", firmware=""),
    )
    (finding,) = of_rule(facts(drives=drives), "firmware-listed")
    assert "2 firmware versions" in finding.headline
    assert [
        ("disk0 (Ostrayne Reel 3 1TB) firmware", "RL3A1.07"),
        ("disk1 (model not read) firmware", "QF-2.3.1"),
    ] == shown(finding)
    (finding,) = of_rule(facts(drives=drives[:1]), "firmware-listed")
    assert "1 firmware version " in finding.headline


# --- Root ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drives", "sources"),
    [
        ((drive(),), []),
        ((drive(warning_celsius=ROOT),), ["warning temperature of disk0"]),
        ((drive(warning_celsius=BROKEN),), []),
        ((drive(firmware_slots=ROOT),), ["firmware slots of disk0"]),
        ((drive(health=ROOT),), ["wear, spare, hours, error counts and firmware slots of disk0"]),
        (
            (drive(health=ROOT, firmware_slots=ROOT),),
            ["wear, spare, hours, error counts and firmware slots of disk0"],
        ),
        (
            (drive(warning_celsius=ROOT), drive("disk1", warning_celsius=ROOT, firmware_slots=ROOT)),
            ["warning temperature of disk0, disk1", "firmware slots of disk1"],
        ),
    ],
)
def test_what_root_would_add_is_said_once_for_all_drives(drives: tuple[Drive, ...], sources: list[str]) -> None:
    """Each kind of reading is one line with the drives that it is of; slots go with the health that hides them."""
    found = of_rule(facts(drives=drives), "needs-root")
    assert sources == [source for finding in found for source, _ in shown(finding)]
    count = len(sources)
    assert [Severity.UNKNOWN][:count] == [one.severity for one in found]
    assert all(f" {count} kind{'s' if count > 1 else ''} of reading" in one.headline for one in found)
    health = any(source.startswith("wear") for source in sources)
    assert all(health == ("drive health" in one.headline) for one in found)


def test_readings_that_only_root_gets_are_listed_and_failed_ones_are_not() -> None:
    """A list that was refused is root's to read; one that broke is not."""
    (finding,) = of_rule(facts(unread=(replace(ROOT, what="the list"), replace(BROKEN, what="another"))), "needs-root")
    assert [("the list", "root may read it")] == shown(finding)


@pytest.mark.parametrize(("count", "named"), [(1, 1), (5, 5), (6, 5), (8, 5)])
def test_links_that_root_would_judge_are_named_up_to_five(count: int, named: int) -> None:
    """The first five go by their ports, the rest by their number."""
    ends = [
        end
        for number in range(1, count + 1)
        for end in (
            port(f"00:{number:02x}.0"),
            device(now=ROOT, address=f"{number:02x}:00.0", parent=f"00:{number:02x}.0"),
        )
    ]
    (finding,) = of_rule(facts(*ends), "needs-root")
    keys = ", ".join(f"00:{number:02x}.0" for number in range(1, named + 1))
    more = f" and {count - named} more" if count > named else ""
    assert [f"verdict of {keys}{more}"] == [source for source, _ in shown(finding) if source.startswith("verdict of")]


# --- Sets of drives ------------------------------------------------------------------------------------------------


def of_set(**fields: Any) -> StripeSet:  # noqa: ANN401 - fields of StripeSet
    """A set of three drives, of which it lacks one."""
    return StripeSet(
        **{
            "name": "md0",
            "level": "raid5",
            "places": 3,
            "layout": None,
            "members": ("disk0", "disk1"),
            "blocks": ("block0", "block1"),
            "idle": (),
            "state": "clean",
            "missing": 1,
            "size_bytes": 2**40,
            **fields,
        }
    )


ONE: Final = "one of its 3 members"


@pytest.mark.parametrize(
    ("fields", "says", "read"),
    [
        ({}, ONE, "1 missing, 2 at work of 3"),
        (
            {"missing": 2, "places": 4},
            "2 of its 4 members",
            "2 missing, 2 at work of 4",
        ),
        ({"places": BROKEN}, "one of its members", "1 missing, 2 at work"),
        ({"missing": BROKEN}, ONE, "1 missing, 2 at work of 3"),  # by its places
        ({"unplaced": ("block2",)}, ONE, "1 missing, 2 at work of 3, and block2 in a place that could not be read"),
        ({"missing": 0, "places": 2}, "", ""),
        ({"missing": None, "level": "raid0", "places": 2}, "", ""),
        ({"level": ""}, "", ""),  # it does not run
        ({"state": "inactive"}, "", ""),
        ({"state": "suspended"}, "", ""),
    ],
)
def test_a_running_set_that_lacks_a_member_is_a_fault(fields: dict[str, Any], says: str, read: str) -> None:
    """How many are lost, at work and wanted is told as far as it was read; a set at rest or whole is not spoken of."""
    found = of_rule(replace(facts(), stripes=(of_set(**fields),)), "stripe-degraded")
    assert [(Severity.FAULT, "md0", True)][: bool(says)] == [
        (one.severity, one.subject, one.data_at_risk) for one in found
    ]
    for finding in found:
        assert f"without {says};" in finding.headline
        assert finding.data_at_risk
        assert [("md0 md/degraded, md/raid_disks", read)] == shown(finding)


@pytest.mark.parametrize(
    ("idle", "named"), [((), []), (("block7",), ["block7"]), (("block7", "block9"), ["block7", "block9"])]
)
def test_what_is_not_at_work_in_a_set_is_named_to_look_at(idle: tuple[str, ...], named: list[str]) -> None:
    """A block device that stands in the set and is not at work is the first to look at, in brief and in full."""
    (finding,) = of_rule(replace(facts(), stripes=(of_set(idle=idle),)), "stripe-degraded")
    (step,) = [one for one in finding.steps if one.action == "find-member"]
    for said in (step.brief, step.text):
        assert named == re.findall(r"block[79]", said)
        assert "{" not in said


@pytest.mark.parametrize(
    "fields",
    [{"level": BROKEN}, {"state": BROKEN}, {"missing": BROKEN, "places": BROKEN}],
    ids=["level", "state", "missing"],
)
def test_a_set_of_which_a_reading_failed_may_lack_a_member(fields: dict[str, Any]) -> None:
    """What was not read of a set leaves open whether it lacks a member, and no fault is made of it."""
    seen = audit(replace(facts(), stripes=(of_set(**fields),)))
    assert [] == [one.rule for one in seen.findings if one.rule == "stripe-degraded"]
    assert [("whether md0 lacks a member", BROKEN.why)] == [
        (one.what, one.why) for one in seen.unread if one.what.startswith("whether md0")
    ]


def test_a_set_that_lacks_nothing_leaves_nothing_open() -> None:
    """Where no member is missing, a level that failed raises no question about members."""
    seen = audit(replace(facts(), stripes=(of_set(level=BROKEN, missing=0, places=2),)))
    assert [] == [one.what for one in seen.unread if one.what.startswith("whether md0")]
