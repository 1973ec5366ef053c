"""A fact that was not read is not asserted: where a reading fails, the sentence that rested on it says so instead.

Each test makes one reading of a whole machine fail, as the kernel would let it fail, and looks for the sentence that
denied or affirmed what nobody read, and for the one that stands in its place.
"""

from __future__ import annotations

import io
import json
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from click.testing import CliRunner
from msgspec.structs import replace
from rich.console import Console

from agent import cli
from agent.audit import Audit, audit
from agent.model.findings import Severity, Verdict
from agent.model.shelf import Shelf
from agent.notebook.learning import learned
from agent.notebook.trying import tried
from agent.notes.matching import NotablePart, match
from agent.report import data, drive_words, inventory_text, markdown, noting, text, words
from agent.report.page import machine as page
from agent.report.tally_data import form as tally_form
from agent.report.tally_words import remarks
from agent.sheets.reading import parse as parse_sheet
from agent.sheets.writing import from_audit
from agent.tally.gathering import of_audit
from agent.tally.merging import Tally
from agent.tally.running import TallyRun
from agent.tally.table import Choice, table
from probes import collect
from probes.answers import failed
from probes.capture import load_file, recorded
from probes.facts import FirmwareSlots, Gap, Health
from probes.reads import Recorded, Recording
from probes.unread import Unread
from tests.against import audit_against, sheet_of
from tests.build import build, facts, root_port
from tests.judging import PORT, tower
from tests.notes import note
from tests.parts import Machine, Slot, drive

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.model.findings import Finding
    from agent.model.judged import Judged
    from agent.report.paper import Page
    from agent.tally.table import Table
    from knowledge.fieldnotes import Note
    from probes.capture import Capture
    from probes.facts import Facts

FIXTURES: Final = Path(__file__).parent.parent / "fixtures"
PCI: Final = "/sys/bus/pci/devices"
DMI: Final = "bytes /sys/firmware/dmi/tables/DMI"
NVME: Final = "list /sys/class/nvme"
BROKEN: Final = "the device gave an input/output error (EIO)"
LOST: Final = Unread("what was asked for", BROKEN, vital=True)


@cache
def capture_of(name: str) -> Capture:
    """The capture of a machine of `fixtures/`."""
    return load_file(str(FIXTURES / name / "capture.json"))


def facts_of(name: str, *keys: str, error: str = "EIO") -> Facts:
    """The facts of a machine of `fixtures/` of which the readings `keys`, which it has, fail."""
    capture = capture_of(name)
    first, looks = recorded(capture)
    if not keys:
        return collect(first, looks, capture.taken_at)
    missing = [key for key in keys if isinstance(capture.reads.get(key, Unread("", "")), Unread)]
    assert [] == missing
    spoiled = Recorded({**capture.reads, **{key: failed(key, error) for key in keys}}, capture.platform)
    later = [(offset, Recorded(look.answers, capture.platform, spoiled)) for offset, look in looks]
    return collect(spoiled, later, capture.taken_at)


def audited(name: str, *keys: str, error: str = "EIO") -> Audit:
    """The audit of such a machine, held against its sheet where it has one."""
    return audit_against(facts_of(name, *keys, error=error), sheet_of(name))


def changed(whole: Facts, address: str, **fields: Any) -> Facts:  # noqa: ANN401 - fields of a function
    """The same facts with one function changed."""
    functions = tuple(replace(one, **fields) if one.address == address else one for one in whole.functions)
    assert functions != whole.functions
    return replace(whole, functions=functions)


def with_drive(whole: Facts, name: str, **fields: Any) -> Facts:  # noqa: ANN401 - fields of a drive
    """The same facts with one drive changed."""
    drives = tuple(replace(one, **fields) if one.name == name else one for one in whole.drives)
    assert drives != whole.drives
    return replace(whole, drives=drives)


def link(found: Audit, key: str) -> Judged:
    """The judged link of a port, or of a card whose port is not known."""
    return found.by_key[key]


def findings(found: Audit, rule: str) -> list[Finding]:
    """What one rule found."""
    return [one for one in found.findings if one.rule == rule]


def one_of(found: Audit, rule: str) -> Finding:
    """The only thing that one rule found."""
    (finding,) = findings(found, rule)
    return finding


def shown(form: Callable[[Audit, int, str], Page], found: Audit) -> str:
    """A form for terminals, wide enough that no line breaks."""
    output = io.StringIO()
    text.show(form(found, 2000, "x"), Console(file=output, width=2000, color_system=None))
    return output.getvalue()


def everything(found: Audit) -> str:
    """All that is said of a machine, in every form."""
    page_of = page.machine("x", found, 1)
    forms = (data.encode(data.check(found)).decode(), data.encode(data.inventory(found)).decode(), repr(page_of))
    return "\n".join(
        (
            *forms,
            shown(text.whole, found),
            shown(text.check, found),
            shown(inventory_text.inventory, found),
            markdown.check(found, "x"),
        )
    )


def config(address: str) -> str:
    """The question for the configuration space of a function."""
    return f"bytes {PCI}/{address}/config"


# --- Slots -----------------------------------------------------------------------------------------------------


def limited(**more: Any) -> Machine:  # noqa: ANN401 - fields of the port
    """A drive for 16 GT/s below a port for 8 GT/s."""
    return Machine(
        name="bench-9", tables=False, buses={"0000:00": [root_port("01.0", (3, 4), [drive((4, 4))], **more)]}
    )


def test_a_limit_of_an_ordinary_user_stays_one_where_the_slot_was_not_read() -> None:
    """Whether a card sits in a slot is for root to read: that it cannot be moved is not said, but what would tell."""
    tree = build(limited(slot=Slot(number=3)))
    found = one_of(audit(facts(tree, privileged=False)), "slot-limited")
    assert Severity.LIMIT is found.severity
    assert "not in a slot" not in found.headline
    assert "whether it sits in a slot could not be read (only the first bytes are given" in found.headline
    assert "a register of its port, or a name that firmware or kernel give it, would tell" in found.headline
    assert f"whether {PORT} leads to a slot" in [one.source for one in found.evidence]
    root = one_of(audit(facts(tree)), "slot-limited")
    assert (Severity.LIMIT, False) == (root.severity, "could not be read" in root.headline)


def test_a_card_that_is_read_to_be_in_no_slot_cannot_be_moved() -> None:
    """Where the port itself says that it leads to no slot, the card stays where it is, and the limit is a note."""
    found = one_of(audit(facts(build(limited()))), "slot-limited")
    assert Severity.NOTE is found.severity
    assert found.headline.endswith("it is not in a slot, so it cannot be moved")


def test_a_release_that_names_no_slots_denies_none() -> None:
    """A system that gives neither registers of slots nor their names does not say that a card is in none."""
    found = one_of(audited("tower-1-untyped-carrier"), "slot-limited")
    assert Severity.LIMIT is found.severity
    assert "it is not in a slot" not in found.headline
    assert "whether it sits in a slot could not be read (not given by this platform)" in found.headline


def test_a_free_slot_is_not_said_to_be_undescribed_where_the_description_failed() -> None:
    """The step that names a better slot says whether the firmware's word on it could be read at all."""
    said = one_of(audited("bench-1-slot-limited", DMI), "slot-limited").steps[0].text
    assert "The firmware does not describe that slot" not in said
    assert "What the firmware says of that slot could not be read" in said


@pytest.mark.parametrize("error", ["EIO", "EACCES"])
def test_whether_a_slot_can_be_split_is_not_called_untold_where_it_was_not_read(error: str) -> None:
    """The firmware's word on splitting is missing for a reason, and that is given; the note becomes a remark."""
    found = one_of(audited("bench-2-unsplit-slot", DMI, error=error), "slot-unsplit")
    (told,) = [one.read for one in found.evidence if "bifurcation" in one.source]
    assert told.startswith("could not be read: ")
    assert Severity.OK is found.severity


# --- Verdicts --------------------------------------------------------------------------------------------------


def test_a_low_speed_is_no_fault_where_the_target_speed_could_not_be_read() -> None:
    """Nothing is known to explain a low speed where the register that might explain it failed: unknown, and why."""
    whole, found = audited("bench-2-slow-link"), audited("bench-2-slow-link", config("0000:00:03.0"))
    assert Verdict.SLOW is link(whole, "0000:00:03.0").verdict
    judged = link(found, "0000:00:03.0")
    assert Verdict.UNKNOWN is judged.verdict
    assert judged.why.endswith(f"whether a setting, power saving or a fault does that could not be read: {BROKEN}")
    assert [] == [one.rule for one in found.findings if one.severity is Severity.FAULT]
    assert Severity.UNKNOWN is one_of(found, "link-unread").severity


@pytest.mark.parametrize("field", ["class_code", "power_state"])
def test_a_low_speed_is_no_fault_where_what_might_rest_could_not_be_read(field: str) -> None:
    """A card whose class, or whose sleep, could not be read may be at rest."""
    found = audit(changed(facts_of("bench-2-slow-link"), "0000:03:00.0", **{field: LOST}))
    judged = link(found, "0000:00:03.0")
    assert Verdict.UNKNOWN is judged.verdict
    assert f"could not be read: {BROKEN}" in judged.why


def test_what_a_system_never_gives_was_not_missed() -> None:
    """A kernel that has no word for sleep leaves a slow link slow: that is no reading that failed."""
    told = Unread("power state", "not offered by this kernel")
    found = audit(changed(facts_of("bench-2-slow-link"), "0000:03:00.0", power_state=told))
    assert Verdict.SLOW is link(found, "0000:00:03.0").verdict


def placeless(name: str, address: str) -> Facts:
    """A machine with a function of which nobody knows where it hangs."""
    return changed(facts_of(name), address, parent=LOST, root=LOST)


def test_a_port_that_could_not_be_found_is_not_called_invisible() -> None:
    """A card whose place could not be read is not held against its own ability as if it were passed through."""
    found = audit(placeless("bench-2-slow-link", "0000:03:00.0"))
    judged = link(found, "0000:03:00.0")
    assert Verdict.UNKNOWN is judged.verdict
    assert "not visible from here" not in judged.why
    assert "what both ends can do is not known: where 0000:03:00.0 is connected could not be read" in judged.why
    assert "Judged by the card's own end alone" not in shown(text.whole, found)
    full = link(audit(placeless("bench-2-slow-link", "0000:02:00.0")), "0000:02:00.0")
    assert (Verdict.FULL, False) == (full.verdict, "not visible" in full.why)
    unnamed = link(audit(placeless("bench-2-slow-link", "0000:05:00.0")), "0000:05:00.0")
    assert "port not read" == words.port(unnamed)


@pytest.mark.parametrize(
    ("name", "card_address", "port", "denied"),
    [
        ("bench-2-slow-link", "0000:05:00.0", "0000:00:1c.0", "nothing answers below"),
        ("bench-2-slow-link", "0000:03:00.0", "0000:00:03.0", "no function answers below it"),
    ],
)
def test_a_port_is_not_empty_where_what_is_below_could_not_be_read(
    name: str, card_address: str, port: str, denied: str
) -> None:
    """A function that answers somewhere may be the one below a port: then nobody says that nothing is there."""
    judged = link(audit(placeless(name, card_address)), port)
    assert Verdict.UNKNOWN is judged.verdict
    assert denied not in judged.why
    assert "what answers below it could not be read" in judged.why


def test_a_felt_card_is_not_dark_where_it_may_answer_unseen() -> None:
    """Presence alone makes no slot dark, where the card may be the function whose place could not be read."""
    whole = facts_of("tower-6-live")
    port = next(one for one in audit(whole).links if one.verdict is Verdict.DARK)
    assert "detects a card that does not answer" == port.why
    lost = changed(whole, "07:00.0", parent=LOST, root=LOST)
    judged = link(audit(lost), port.link.key)
    assert Verdict.UNKNOWN is judged.verdict
    assert "detects a card; what answers below it could not be read" == judged.why


def test_no_link_is_denied_where_its_bit_was_not_read() -> None:
    """That there is no link is said where the port's own bit says so, not where the system keeps it to itself."""
    dark = {name: next(one.why for one in audited(name).links if one.verdict is Verdict.DARK) for name in DARK}
    assert {name: words in dark[name] for name, words in DARK.items()} == dict.fromkeys(DARK, True)
    assert "no link" not in dark["tower-6-live"]


DARK: Final = {"tower-6-live": "does not answer", "bench-3-dark-slot": "no link"}


def test_a_bridge_of_unread_class_is_one_by_what_hangs_below_it() -> None:
    """A switch whose class could not be read still has its drives behind it, for an ordinary user too."""
    whole = facts_of("bench-1-ordinary-user")
    lost = audit(changed(whole, "0000:07:00.0", class_code=LOST))
    assert {one.link.key for one in audit(whole).links} == {one.link.key for one in lost.links}


def test_a_drive_of_unread_class_is_a_drive() -> None:
    """What the kernel drives as an NVMe drive is one, also where its class could not be read: with its temperature."""
    whole = facts_of("bench-2-unsplit-slot")
    found = audit(changed(whole, "0000:01:00.0", class_code=LOST))
    assert link(found, "0000:00:01.0").is_drive
    assert findings(found, "slot-unsplit")
    (seen,) = [one for one in found.drives if one.drive.address == "0000:01:00.0"]
    assert (Verdict.FULL, True) == (seen.verdict, isinstance(seen.celsius, float))
    assert "[[drive]]" in from_audit(found, "x")
    assert "carrier of nvme" in from_audit(found, "x")


# --- Rules -----------------------------------------------------------------------------------------------------


def test_drives_are_not_said_to_gain_nothing_where_not_all_are_known() -> None:
    """Whether another hop holds back what is behind a link takes all drives that may be behind it."""
    name, key = "bench-3-set-slow", "link-set-slow"
    nothing = "its drives would gain nothing"
    assert nothing in one_of(audited(name), key).headline
    whole = facts_of(name)
    other = replace(whole.drives[0], name="nvme9", address=LOST)
    said = one_of(audit(replace(whole, drives=(*whole.drives, other))), key).headline
    assert nothing not in said
    assert f"what its drives would gain is not known: what was asked for: {BROKEN}" in said


def test_a_limit_stays_one_where_what_would_gain_is_not_known() -> None:
    """A card of which all known drives would gain nothing may hold others that would."""
    whole = facts_of("tower-3-calm-display")
    plainly = {one.severity for one in findings(audit(whole), "slot-limited")}
    assert {Severity.NOTE} == plainly
    gap = Gap("drives", Unread("which drives there are", BROKEN, vital=True))
    found = findings(audit(replace(whole, gaps=(gap,))), "slot-limited")
    assert {Severity.LIMIT} == {one.severity for one in found}
    assert [] == [one.headline for one in found if "would gain nothing" in one.headline]


def test_counters_of_one_end_are_not_said_to_be_of_both() -> None:
    """Errors are summed over the ends that told them, and the counters that failed are named."""
    name, end = "bench-2-noisy-link", "0000:03:00.0"
    assert one_of(audited(name), "link-errors").headline.startswith("counted 30 new link errors")
    keys = [f"text {PCI}/{end}/aer_dev_{kind}" for kind in ("correctable", "nonfatal", "fatal")]
    found = one_of(audited(name, *keys), "link-errors")
    assert " at one of its ends (0000:00:03.0); " in found.headline
    assert f"; not all counters could be read (text {PCI}/{end}/aer_dev_correctable: {BROKEN})" in found.headline
    assert "errors of 0000:00:03.0, 2.0 s later" in [one.source for one in found.evidence]


def test_the_firmware_in_use_is_not_called_another_where_it_was_not_read() -> None:
    """A drive that will start from a slot is not said to change its firmware where nobody read which it runs."""
    whole = facts_of("bench-2-failing-drives")
    pending = next(one for one in findings(audit(whole), "drive-firmware-pending"))
    assert "other firmware" in pending.headline
    (of_drive,) = [one for one in whole.drives if one.name == pending.subject]
    assert isinstance(of_drive.firmware_slots, FirmwareSlots)
    lost = with_drive(whole, of_drive.name, firmware_slots=replace(of_drive.firmware_slots, active=LOST))
    said = one_of(audit(lost), "drive-firmware-pending").headline
    assert "other firmware" not in said
    assert said.endswith(f"which it runs now could not be read ({BROKEN})")


def test_a_temperature_that_failed_is_not_called_untold() -> None:
    """A drive that warns of its heat and whose own temperature makes no sense is not said to tell none."""
    whole = facts_of("bench-2-failing-drives")
    name = next(one.name for one in whole.drives if isinstance(one.health, Health))
    health = next(one.health for one in whole.drives if one.name == name)
    assert isinstance(health, Health)
    warned = with_drive(whole, name, health=replace(health, temperature_past_threshold=True, celsius=LOST))
    cold = replace(warned, sensors=tuple(one for one in warned.sensors if one.drive != name))
    (said,) = [one.headline for one in findings(audit(cold), "drive-heat-warning") if one.subject == name]
    assert said.endswith(f"its composite temperature could not be read ({BROKEN})")


def test_an_unclaimed_drive_is_told_where_only_disks_could_not_be_listed() -> None:
    """A list of disks that failed is no reason to doubt which NVMe drives there are; that of these drives is one."""
    name = "bench-2-dead-drive"
    assert 1 == len(findings(audited(name, "list /sys/block"), "drive-unclaimed"))
    lost = audited(name, NVME)
    assert [] == findings(lost, "drive-unclaimed")
    assert [one for one in lost.unread if one.what.startswith("whether the system has a drive at ")]


@pytest.mark.parametrize("file", ["bios_version", "bios_vendor", "bios_date"])
def test_firmware_that_was_not_read_is_not_on_record(file: str) -> None:
    """The firmware on record has what was read of it, and nothing of the value that stands for what was not."""
    found = one_of(audited("bench-1-ordinary-user", f"text /sys/class/dmi/id/{file}"), "firmware-listed")
    assert [] == [one.read for one in found.evidence if "Unread" in one.read]
    assert (file != "bios_version") == any(one.source == "machine firmware" for one in found.evidence)


def test_the_places_of_a_set_are_not_made_up() -> None:
    """A set that lacks a member, and whose number of places could not be read, is told by what was read."""
    keys = ("text /sys/block/md13/md/raid_disks",)
    (reading,) = one_of(audited("bench-2-other-sets", *keys), "stripe-degraded").evidence
    assert ("1 missing, 2 at work", "0 missing") == (reading.read, reading.expected)
    slot = "text /sys/block/md13/md/dev-nvme0n1p3/slot"
    found = audited("bench-2-other-sets", slot)
    (reading,) = one_of(found, "stripe-degraded").evidence
    assert "1 at work of 3, and nvme0n1p3 in a place that could not be read" in reading.read
    assert "in a place that could not be read: nvme0n1p3" in shown(text.whole, found)


def test_a_set_of_unread_places_has_members_that_may_be_at_work() -> None:
    """A set of which the place of its only member could not be read is not said to have none at work."""
    said = shown(text.whole, audited("bench-2-other-sets", "text /sys/block/md12/md/dev-nvme3n1p3/slot"))
    assert "no active member" not in said
    assert "no member known to be active" in said


# --- Forms -----------------------------------------------------------------------------------------------------


SENSOR: Final = "link /sys/class/hwmon/hwmon6"
DISK: Final = "list /sys/class/hwmon/hwmon6/device/block"


@pytest.mark.parametrize("keys", [("list /sys/class/hwmon",), (SENSOR, DISK)])
def test_a_temperature_is_not_said_to_be_missing_where_sensors_failed(keys: tuple[str, ...]) -> None:
    """A disk whose sensor may be the one that could not be read is not said to offer no temperature."""
    name = "bench-1-upgraded"
    said = {
        seen.drive.name: drive_words.temperature(seen) for found in (audited(name, *keys),) for seen in found.drives
    }
    assert [] == [one for one in said.values() if one == "no temperature reported"]
    assert said["sda"] == f"temperature not known ({BROKEN})"


def test_a_limit_is_not_said_to_be_missing_where_it_was_not_read() -> None:
    """A drive without a limit that could be read may have one, which only root may read."""
    whole = facts_of("bench-1-ordinary-user")
    bare = replace(
        whole, sensors=tuple(replace(one, critical_celsius=None, warning_celsius=None) for one in whole.sensors)
    )
    found = audit(bare)
    said = [drive_words.temperature(seen) for seen in found.drives if seen.drive.kind == "nvme"]
    assert said
    assert [] == [one for one in said if "no limit reported" in one or "limits not known: permission denied" not in one]


def test_the_way_of_a_drive_is_not_made_up() -> None:
    """A drive whose place could not be read has no rate, no end of its way and no link of its own that is denied."""
    found = audited("bench-1-upgraded", "link /sys/class/nvme/nvme0")
    (seen,) = [one for one in found.drives if one.drive.name == "nvme0"]
    said = f"rate not known: its path could not be read ({BROKEN})"
    assert said == drive_words.expected(seen) == drive_words.without_rates(seen)
    made = page.machine("x", found, 1)
    (drawn,) = [one for one in made.drives if one.name == "nvme0"]
    assert drawn.no_way == f"Its path could not be read: {BROKEN}."
    assert "own interface" not in [one.rate for one in made.chart if one.name == "nvme0"]


def test_a_way_that_breaks_off_does_not_end_at_the_processor() -> None:
    """Where a bridge on the way could not be placed, the way is not said to be whole, nor what it carries."""
    whole = facts_of("bench-1-switch-carrier")
    found = audit(changed(whole, "0000:01:00.0", parent=LOST, root=LOST))
    (seen,) = [one for one in found.drives if one.drive.name == "nvme0"]
    assert drive_words.path(seen, found).endswith("> a place that could not be read")
    assert drive_words.expected(seen).startswith("rate not known: its path could not be read")
    assert [] == [one.bars for one in page.machine("x", found, 1).drives if "nvme0" in one.name and one.bars]


def test_a_kernel_slot_is_not_said_to_be_below_no_port_where_that_was_not_read() -> None:
    """A slot whose address failed is somewhere; one that no port matches may be below a port that failed."""
    name, denied = "bench-2-slow-link", "but below no PCI Express port"
    lost = shown(inventory_text.inventory, audited(name, "text /sys/bus/pci/slots/1/address"))
    assert denied not in lost
    assert "named by the kernel, where they are could not be read: 1" in lost
    blind = shown(inventory_text.inventory, audited(name, config("0000:00:01.0")))
    assert denied not in blind
    assert "named by the kernel, but matched to no port, as not all ports could be read: 1" in blind


def test_a_port_of_unknown_presence_is_not_drawn_empty() -> None:
    """On the page a port below which a card may be is neither called empty nor without a link."""
    made = page.machine("x", audited("bench-2-slow-link", config("0000:00:01.0")), 1)
    (row,) = [one for one in made.links if one.address == "0000:00:01.0"]
    assert ("not known whether a card is there", "not known") == (row.what, row.now)
    assert [] == [one.name for one in made.chart if one.slot == row.where and one.name == "empty"]


def test_a_card_felt_or_not_is_drawn_as_not_known() -> None:
    """The map writes of a port with a slot and unread presence that it is not known."""
    found = audit(facts(build(tower([], slot=Slot(number=1, kernel_name="1"))), privileged=False))
    chart = page.machine("x", found, 1).chart
    assert ("not known", "a card may be there") in [(one.name, one.what) for one in chart]
    assert "empty" not in [one.name for one in chart]


def test_no_link_is_cleared_that_could_not_be_judged() -> None:
    """The words of the map do not say that no link is held back where one could not be judged, or lists failed."""
    made = page.machine("x", audited("bench-2-slow-link", config("0000:00:03.0")), 1)
    assert "None is known to be held back, 1 could not be judged." in made.map_words
    lost = page.machine("x", audited("bench-2-slow-link", f"list {PCI}"), 1)
    assert f"There may be more: which PCI functions there are ({PCI}) could not be read." in lost.map_words
    facts_shown = dict(lost.facts)
    assert facts_shown["Links with a card"].startswith("0 seen; there may be more (which PCI functions there are")


def test_drives_that_could_not_be_listed_are_not_counted_as_none() -> None:
    """The page says beside the number of drives that more may be there."""
    made = dict(page.machine("x", audited("bench-1-upgraded", NVME), 1).facts)
    assert (
        "2 seen; there may be more (which NVMe drives there are (/sys/class/nvme) could not be read)" == made["Drives"]
    )


def test_firmware_slots_that_were_not_read_are_not_said_to_be_none() -> None:
    """What an ordinary user may not read of a drive's firmware slots is not known, on the page too."""
    made = page.machine("x", audited("bench-1-ordinary-user"), 1)
    told = {one.part: one.slots for one in made.firmware}
    assert {"not known"} == {slots for part, slots in told.items() if part.startswith("nvme")}
    assert "" == told["machine"]


def test_a_size_is_whole_or_is_not_given() -> None:
    """Of a drive with a namespace whose size failed, programs get no size and people what it has at least."""
    whole = facts_of("bench-2-slow-link")
    first = next(one for one in whole.drives if one.kind == "nvme")
    assert not isinstance(first.blocks, Unread)
    lost = replace(first.blocks[0], name="nvme0n2", size_bytes=LOST)
    found = audit(with_drive(whole, first.name, blocks=(*first.blocks, lost)))
    (form,) = [one for one in data.check(found).drives if one.name == first.name]
    assert form.bytes is None
    assert "at least 2.0 TB" in shown(text.whole, found)


def test_a_name_that_could_not_be_read_is_not_said_to_be_missing() -> None:
    """A machine without a name is one that has none, not one whose name could not be read."""
    made = page.machine("x", audited("bench-1-upgraded", "text /proc/sys/kernel/hostname"), 1)
    assert "its name could not be read" == made.product


SMALL: Final = "lab-one-drive"


def asked_of(name: str) -> tuple[str, ...]:
    """All questions of a machine that had an answer."""
    first, looks = recorded(capture_of(name))
    recording = Recording(first)
    collect(recording, looks, "")
    return tuple(key for key, answer in recording.answers.items() if not isinstance(answer, Unread))


@pytest.mark.parametrize("key", asked_of(SMALL))
def test_no_form_shows_the_value_that_stands_for_an_unread_one(key: str) -> None:
    """Whichever reading fails, people and programs get words for it, never the name of a type."""
    assert "Unread(" not in everything(audited(SMALL, key)).replace("UnreadRow(", "").replace("UnreadData(", "")


@pytest.mark.parametrize(
    "key",
    [key for key in asked_of("bench-2-other-sets") if "/md/" in key or "/dmi/" in key or "/sys/block" in key],
)
def test_no_form_of_sets_and_machines_shows_it_either(key: str) -> None:
    """The same for sets of software RAID and for the machine as a whole."""
    said = everything(audited("bench-2-other-sets", key)).replace("UnreadRow(", "").replace("UnreadData(", "")
    assert "Unread(" not in said


# --- Field notes -----------------------------------------------------------------------------------------------


def noted(whole: Facts, *notes: Note) -> Audit:
    """The audit with notes of the user's own."""
    return audit(whole, notes=Shelf(notes))


def test_a_condition_on_an_unread_value_neither_holds_nor_fails() -> None:
    """A note whose only condition is on numbers that failed cannot be told, whatever kind of condition it is."""
    whole = facts_of("bench-1-upgraded")
    function = next(one for one in whole.functions if one.address == "0000:06:00.0")
    lost = replace(function, vendor_id=LOST)
    assert None is match(note(), NotablePart("x", lost), "linux", whole.host).holds
    assert False is match(note(), NotablePart("x", function), "linux", whole.host).holds


def test_notes_test_says_that_it_cannot_be_told() -> None:
    """`notes test` says "cannot be told" where the part's numbers, or the list of parts, could not be read."""
    lost = audited("bench-1-upgraded", *(f"text {PCI}/0000:06:00.0/{name}" for name in ("vendor", "device")))
    only = note(when={"card": ["ffff:0001"]})
    assert [None] == [one.holds for one in tried(only, lost).unknown]
    assert "cannot be told" in page_of_note(only, lost)
    drives = note(when={"model": {"contains": "Nothing of the kind"}})
    assert "does not hold" in page_of_note(drives, audited("bench-1-upgraded"))
    unlisted = page_of_note(drives, audited("bench-1-upgraded", NVME))
    assert "does not hold" not in unlisted
    assert (
        f"There may be more parts than were seen: which NVMe drives there are (/sys/class/nvme): {BROKEN}." in unlisted
    )


def page_of_note(one: Note, found: Audit) -> str:
    """What `notes test` prints."""
    output = io.StringIO()
    text.show(noting.tested(tried(one, found), 400, "x"), Console(file=output, width=400, color_system=None))
    return output.getvalue()


def test_parts_that_cannot_be_named_are_told_once() -> None:
    """A function whose numbers failed, or a drive whose model did, may be what any note is of: one line says so."""
    numbers = noted(facts_of("bench-1-upgraded", f"text {PCI}/0000:06:00.0/vendor"), note())
    assert ["which field notes hold for 0000:06:00.0"] == named(numbers)
    many = [note(id=f"n{number}", when={"model": {"contains": f"x{number}"}}) for number in range(3)]
    model = noted(facts_of("bench-1-upgraded", "text /sys/class/nvme/nvme4/model"), *many)
    assert ["which field notes hold for nvme4"] == named(model)
    assert [] == named(noted(facts_of("bench-1-upgraded"), *many))


def named(found: Audit) -> list[str]:
    """What is said of notes that cannot be told for want of a name."""
    return [one.what for one in found.unread if one.what.startswith("which field notes")]


def test_a_drive_that_could_not_be_listed_is_not_said_to_be_missing() -> None:
    """A note on a drive's firmware cannot be told where the list of drives failed; no drive is denied."""
    about = note(when={"card": ["f1c5:0210"], "firmware": {"below": "9"}})
    found = noted(facts_of("bench-1-upgraded", NVME), about)
    (said,) = [one.why for one in found.unread if one.what.startswith("field note reel-is-full")]
    assert "the system has no drive there" not in said
    assert f"whether the system has a drive there is not known: {BROKEN}" in said


@pytest.mark.parametrize("kinds", [["card"], ["not told"]])
def test_the_kind_of_a_slot_is_not_known_where_the_description_failed(kinds: list[str]) -> None:
    """A slot whose description could not be read is neither of a kind nor of none that is told."""
    about = note(when={"card": ["f1c4:4210"], "slot_kind": kinds})
    found = noted(facts_of("bench-1-upgraded", DMI), about)
    assert [] == [one.headline for one in findings(found, "field-note")]
    assert [one for one in found.unread if one.what.startswith("field note reel-is-full")]


def test_a_drive_of_unread_place_is_not_said_to_be_in_no_slot() -> None:
    """A note on a model in a kind of slot cannot be told of a drive of which nobody knows where it hangs."""
    about = note(when={"model": {"contains": "Folio"}, "slot_kind": ["m.2"]})
    found = noted(facts_of("bench-1-upgraded", "link /sys/class/nvme/nvme4"), about)
    assert [] == findings(found, "field-note")
    assert ["field note reel-is-full for nvme4"] == [one.what for one in found.unread if "field note reel" in one.what]


def test_needed_firmware_is_not_held_against_that_of_the_machine() -> None:
    """Where no drive is known at an NVMe function, its firmware is not known, and the machine's is not taken for it."""
    about = note(when={"card": ["f1c5:0210"]}, seen={"firmware_needed": "0.1"})
    found = one_of(noted(facts_of("bench-1-upgraded", NVME), about), "field-note")
    assert "the firmware that it needs is there" not in found.headline


def test_a_kind_of_slot_that_was_not_read_is_not_learned() -> None:
    """What is learned where the description of slots failed holds in any slot, and says so."""
    found = learned([(capture_of("bench-1-upgraded"), audited("bench-1-upgraded", DMI))])
    assert found.notes
    assert {None} == {one.when.slot_kind for one in found.notes}
    assert [] == [one.title for one in found.notes if "no kind is told" in one.title]


# --- Held against a sheet --------------------------------------------------------------------------------------

PLANNED: Final = "bench-1-as-planned"


def plan_words(found: Audit) -> dict[str, str]:
    """What could not be told of the parts of the sheet, by part."""
    return {one.what.removesuffix(" of sheet.toml"): one.why for one in found.unread if one.what.endswith(".toml")}


def missing(found: Audit) -> list[str]:
    """Everything that the rules of the sheet find."""
    return [one.headline for one in found.findings if one.rule.startswith("plan-")]


def test_the_whole_machine_is_as_planned() -> None:
    """Nothing is found and nothing is untold where all was read: what follows changes one reading of this."""
    found = audited(PLANNED)
    assert ([], {}) == (missing(found), plan_words(found))
    assert "every part of sheet.toml is in its place" in shown(text.whole, found)


@pytest.mark.parametrize(
    ("key", "part", "why"),
    [
        (f"text {PCI}/0000:05:00.0/vendor", 'the card "frescade"', "maker and model number of 0000:05:00.0"),
        ("text /sys/class/nvme/nvme0/serial", 'the drive "reel-1"', "serial number of nvme0"),
        ("text /sys/class/nvme/nvme4/model", 'the drive "system"', "model of nvme4"),
        (NVME, 'the drive "system"', "which NVMe drives there are (/sys/class/nvme)"),
    ],
)
def test_a_part_whose_name_failed_is_neither_missing_nor_in_its_place(key: str, part: str, why: str) -> None:
    """What the sheet knows a part by could not be read: it could not be told, and all is not as planned."""
    found = audited(PLANNED, key)
    assert [] == missing(found)
    said = "a part is in its place, but whether it is this one could not be read"
    assert f"{said}: {why}: {BROKEN}" == plan_words(found)[part]
    assert "every part" not in shown(text.whole, found)


def test_a_drive_of_unread_place_is_not_in_another() -> None:
    """A drive that is known by its serial number and hangs nobody knows where is not said to be out of its place."""
    found = audited(PLANNED, "link /sys/class/nvme/nvme0")
    assert [] == missing(found)
    assert plan_words(found)['the drive "reel-1"'].startswith("it answers, but whether it is in its place could not be")
    assert f"where nvme0 is connected: {BROKEN}" in plan_words(found).values()


def test_a_slot_whose_name_failed_is_not_said_to_be_missing() -> None:
    """Parts of slots that cannot be found are not missing, not unplanned and not in another place."""
    found = audited(PLANNED, DMI)
    assert [] == missing(found)
    assert f"it could not be seen: which slot is called SLOT1: {BROKEN}" == plan_words(found)['the drive "reel-4"']
    assert "which slot is called M2_1" in plan_words(found)['the drive "system"']


def test_an_ordinary_user_is_not_told_that_a_slot_is_called_otherwise() -> None:
    """A part that names itself and answers nowhere is missing; that no slot is called so is not said."""
    whole = facts_of("bench-1-parts-missing")
    refused = Unread("slots described by the firmware", "permission denied", needs_root=True)
    bare = tuple(replace(one, slot_name=None) for one in whole.functions)
    found = audit_against(replace(whole, board_slots=refused, functions=bare), sheet_of("bench-1-parts-missing"))
    (said,) = [one for one in missing(found) if '"system"' in one]
    unread = "which slot is called M2_1 could not be read (permission denied), and it answers in none"
    assert said.endswith(f'the drive "system" of the sheet; {unread}')


def test_a_part_behind_a_function_of_unread_place_could_not_be_seen() -> None:
    """A card that may be the function whose place failed is neither missing nor unplanned."""
    whole = facts_of(PLANNED)
    for address in ("0000:0e:00.0", "0000:0e:00.1"):
        whole = changed(whole, address, parent=LOST, root=LOST)
    found = audit_against(replace(whole, board_slots=LOST), sheet_of(PLANNED))
    assert [] == [one for one in missing(found) if "scan network" in one]
    said = plan_words(found)['the card "scan network"']
    assert said.startswith(
        "it answers, but whether it is in its place could not be read: where 0000:0e:00.0 is connected: "
    )


def test_a_virtual_function_that_shows_itself_to_be_none_is_a_card() -> None:
    """Where only the link of a virtual function could not be asked for, its registers tell that it is none."""
    whole = facts_of(PLANNED)
    doubtful = changed(whole, "0000:05:00.0", physical_function=LOST)
    found = audit_against(doubtful, sheet_of(PLANNED))
    assert [] == missing(found)
    assert link(audit(whole), "0000:00:05.0").device_address == link(found, "0000:00:05.0").device_address
    assert "0000:05:00.0" in [address for address, _ in words.functions(found)]


def test_a_part_that_may_be_another_is_not_said_to_be_missing() -> None:
    """A card that answers nowhere may be the one whose numbers failed; neither is it said to be unplanned."""
    name = "bench-1-misplaced"
    assert [one for one in missing(audited(name)) if "scan network" in one]
    found = audited(name, f"text {PCI}/0000:07:00.0/vendor")
    assert [] == [one for one in missing(found) if "scan network" in one]
    assert (
        "it could not be seen: maker and model number of 0000:07:00.0" in plan_words(found)['the card "scan network"']
    )


def test_a_drive_that_may_be_planned_is_not_said_to_be_unplanned() -> None:
    """What no list shows to be a drive of the sheet may be one where its model failed."""
    name = "bench-1-misplaced"
    whole = audited(name)
    (unplanned,) = findings(whole, "plan-unplanned")
    found = audited(name, f"text /sys/class/nvme/{unplanned.subject}/model")
    assert [] == findings(found, "plan-unplanned")
    assert [one for one in found.unread if one.what == f"whether {unplanned.subject} is a part of sheet.toml"]


def test_bays_are_not_counted_where_a_port_may_be_one_of_them() -> None:
    """Of a split slot with a port that failed, no drive is said to be missing from a bay that nobody can count."""
    found = audited("bench-1-parts-missing", config("0000:00:01.3"))
    assert [] == [one for one in missing(found) if "reel-4" in one or "reel-3" in one]
    assert "whether 0000:00:01.3 leads to a slot" in plan_words(found)['the drive "reel-4"']


# --- A sheet made from what is fitted --------------------------------------------------------------------------


def sheet_text(name: str, *keys: str) -> str:
    """A sheet made from a machine, its comments in one line each."""
    made = from_audit(audit(facts_of(name, *keys)), "x")
    parse_sheet(made, "sheet.toml")
    return " ".join(line.removeprefix("#").strip() for line in made.splitlines())


def test_a_sheet_says_which_lists_failed() -> None:
    """What a list would have brought is not left out in silence."""
    said = sheet_text("bench-1-upgraded", NVME)
    assert f"Could not be read: which NVMe drives there are (/sys/class/nvme) ({BROKEN})." in said
    assert "What it would have shown is missing here: add it." in said
    assert "No driver has claimed it" not in said
    assert f"Whether a driver has it could not be read ({BROKEN})" in said
    assert "Could not be read" not in sheet_text("bench-1-upgraded")


def test_a_sheet_says_which_readings_failed() -> None:
    """A reading of one part that failed is a remark, and so is a slot of the kernel that nobody could place."""
    said = sheet_text("bench-2-slow-link", "text /sys/bus/pci/slots/1/address")
    assert "slot 1: where it is could not be read" in said
    assert "Check what rests on it." in said


def test_a_sheet_does_not_take_an_unread_slot_for_an_empty_one() -> None:
    """A slot below whose port a card may be has a remark; an empty one has none."""
    said = sheet_text("bench-2-slow-link", config("0000:00:01.0"))
    denied = "What is in it is not known: nothing answers below; whether a card is present could not be read."
    assert denied in said
    assert denied not in sheet_text("bench-2-slow-link")


def test_a_sheet_does_not_deny_what_it_did_not_read() -> None:
    """A drive of unread place, a set of unread members, a split of which nothing was read: each says so."""
    assert f"drive nvme0: where it is attached could not be read ({BROKEN})" in sheet_text(
        "bench-1-upgraded", "link /sys/class/nvme/nvme0"
    )
    sets = sheet_text("bench-2-other-sets", "text /sys/block/md10/md/dev-nvme0n1p2/slot")
    assert "md10, a set of software RAID: the place of nvme0n1p2 in it could not be read" in sets
    split = sheet_text("bench-2-unsplit-slot", DMI)
    assert "Whether it can be split is not told" not in split
    assert f"Whether it can be split could not be read ({BROKEN})" in split


def test_a_sheet_of_described_machines_names_ports_that_may_hold_something() -> None:
    """A port without a slot's name, below which a function may be, is named among what is left out."""
    made = from_audit(audit(placeless("bench-2-slow-link", "0000:05:00.0")), "x")
    assert "port 0000:00:1c.0: what answers below it could not be read" in made


def test_a_card_is_not_said_to_be_in_no_slot_in_a_sheet() -> None:
    """A card of which nobody read whether it sits in a slot stays, and the sheet says why."""
    made = from_audit(audited("tower-1-untyped-carrier"), "x")
    said = " ".join(line.removeprefix("#").strip() for line in made.splitlines())
    assert "No slot is named here" not in said
    assert "Whether it is in a slot could not be read (not given by this platform): it may be part of the board" in said


def test_plan_makes_a_sheet_of_a_machine_read_in_part(tmp_path: Path) -> None:
    """`plan --sheet-from` of a capture with failed readings gives a sheet that names them."""
    raw = json.loads((FIXTURES / "bench-1-as-planned" / "capture.json").read_text(encoding="utf-8"))
    raw["reads"][NVME] = {"error": "EIO"}
    place = tmp_path / "capture.json"
    place.write_text(json.dumps(raw), encoding="utf-8")
    made = CliRunner().invoke(cli.main, ["plan", "--sheet-from", str(place)])
    assert 0 == made.exit_code, made.output
    assert "which NVMe drives there are" in made.output


# --- Many machines ---------------------------------------------------------------------------------------------


def tallied(*found: Audit) -> Table:
    """The table of some machines."""
    return table(TallyRun(Tally(map(of_audit, found)), 0, ()), Choice())


def test_a_tally_says_how_many_machines_were_read_in_part() -> None:
    """A machine whose list of drives failed is counted, and is said to be read in part; a whole one is not."""
    whole, half = audited("bench-1-upgraded"), audited("bench-2-slow-link", NVME)
    form = tally_form(tallied(whole, half))
    assert (2, 1) == (form.machines, form.machines_read_in_part)
    assert 0 == tally_form(tallied(whole)).machines_read_in_part
    said = " ".join(remarks(tallied(whole, half)))
    assert "1 machine could only be read in part" in said
    assert "in part" not in " ".join(remarks(tallied(whole)))


def test_a_tally_takes_no_unread_port_for_an_empty_one() -> None:
    """Ports of unknown presence are counted apart from slots whose card gives no link."""
    found = tallied(audited("bench-1-ordinary-user"))
    count = sum(one.link.device is None for one in audited("bench-1-ordinary-user").links)
    assert count == tally_form(found).silent_ports > 0
    assert f"Whether {count} more slots and ports hold a card could not be read" in " ".join(remarks(found))
    assert 0 == tally_form(tallied(audited("bench-1-upgraded"))).silent_ports


def test_a_newer_reading_in_part_takes_no_link_away() -> None:
    """Links of an older capture stay where the newer one could not list the drives."""
    old = facts_of("bench-1-upgraded")
    later = replace(facts_of("bench-1-upgraded", NVME), taken_at="2031-01-01T00:00:00+00:00")
    both = tallied(audit(old), audit(later))
    assert tally_form(tallied(audit(old))).machines == tally_form(both).machines == 1
    kinds = {line.card for line in tallied(audit(old)).lines}
    assert kinds <= {line.card for line in both.lines}
    assert 1 == tally_form(both).machines_read_in_part
