"""What drives say of their health, from bytes to findings: pages are packed by hand, at offsets of outside sources.

Offsets: Linux include/linux/nvme.h, struct nvme_smart_log, nvme_fw_slot_info_log and nvme_id_ctrl; meanings: NVM
Express Base, SMART / Health Information and Firmware Slot Information log pages.
"""

from __future__ import annotations

import json
import struct
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Severity
from agent.report import data
from agent.report.health import lines
from agent.rules import RULES
from agent.rules import health_log as family
from knowledge.steps import FIRMWARE
from probes import collect
from probes.facts import FirmwareSlots, Health
from probes.health import firmware_slots, health, problems
from probes.reads import Recorded
from probes.redact import redact
from probes.unread import Unread
from tests.build import Machine, build, drive, facts, record, root_port
from tests.machines import MACHINES
from tests.test_rules import facts_of

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from tests.tree import Tree

COUNTS: Final = {  # 128 bits each
    "read_bytes": 32,
    "written_bytes": 48,
    "read_commands": 64,
    "write_commands": 80,
    "busy_minutes": 96,
    "power_cycles": 112,
    "power_on_hours": 128,
    "unsafe_shutdowns": 144,
    "media_errors": 160,
    "error_entries": 176,
}
SHORT_COUNTS: Final = {  # 32 bits each
    "warning_minutes": 192,
    "critical_minutes": 196,
    "light_count": 216,
    "heavy_count": 220,
    "light_seconds": 224,
    "heavy_seconds": 228,
}
WARNINGS: Final = (
    "spare_low",
    "temperature_past_threshold",
    "reliability_degraded",
    "read_only",
    "backup_failed",
    "memory_region_unreliable",
)
BYTES_A_UNIT: Final = 512_000  # 1,000 units of 512 bytes
UNIT_COUNTS: Final = frozenset({"read_bytes", "written_bytes"})
LARGEST: Final = 2**63 - 1  # the largest figure given on


def page(
    *,
    warning: int = 0,
    kelvin: int = 313,
    spare: int = 100,
    threshold: int = 10,
    used: int = 2,
    **counts: int,
) -> bytes:
    """A health log page of 512 bytes; the temperature is at byte 1, unaligned."""
    log = bytearray(512)
    struct.pack_into("<BHBBBB", log, 0, warning, kelvin, spare, threshold, used, 0)
    for name, count in counts.items():
        if name in COUNTS:
            struct.pack_into("<QQ", log, COUNTS[name], count % 2**64, count >> 64)
        else:
            struct.pack_into("<I", log, SHORT_COUNTS[name], count)
    return bytes(log)


def with_sensors(log: bytes, *kelvin: int) -> bytes:
    """The page with these readings of sensors 1 to 8, two bytes each from byte 200."""
    return log[:200] + struct.pack(f"<{len(kelvin)}H", *kelvin) + log[200 + 2 * len(kelvin) :]


def told(log: bytes) -> Health:
    """The health in a page."""
    found = health(log, "nvme0")
    assert isinstance(found, Health)
    return found


# --- From bytes to figures -------------------------------------------------------------------------------------


def test_every_figure_stands_at_its_own_place() -> None:
    """With a different number in every counter each comes out as what it is; a data unit is 512,000 bytes."""
    counts = {name: number for number, name in enumerate((*COUNTS, *SHORT_COUNTS), 1000)}
    found = told(with_sensors(page(kelvin=318, spare=97, threshold=5, used=13, **counts), 320, 0, 301))
    expected = {name: count * (BYTES_A_UNIT if name in UNIT_COUNTS else 1) for name, count in counts.items()}
    assert expected == {name: getattr(found, name) for name in expected}
    assert (97, 5, 13) == (found.spare_percent, found.spare_threshold_percent, found.used_percent)
    assert found.celsius == 44.85
    assert found.sensors_celsius == (46.85, None, 27.85, None, None, None, None, None)
    assert set(expected) | {*WARNINGS, "celsius", "sensors_celsius"} | {
        "spare_percent",
        "spare_threshold_percent",
        "used_percent",
    } == set(Health.__struct_fields__)


@pytest.mark.parametrize(("bit", "name"), list(enumerate(WARNINGS)))
def test_each_critical_warning_has_its_bit(bit: int, name: str) -> None:
    """Bits 0 to 4: enum NVME_SMART_CRIT_* of the kernel's header; bit 5: NVM Express Base 1.4."""
    found = told(page(warning=1 << bit))
    assert [name] == [one for one in WARNINGS if getattr(found, one)]


def test_unknown_warnings_are_not_taken_for_known_ones() -> None:
    """Reserved bits 6 and 7 set none of the warnings."""
    found = told(page(warning=0xC0))
    assert [] == [one for one in WARNINGS if getattr(found, one)]


@pytest.mark.parametrize(
    ("kelvin", "celsius"), [(323, 49.85), (300, 26.85), (343, 69.85), (273, -0.15), (0, None), (0xFFFF, None)]
)
def test_kelvin_become_degrees_as_the_kernel_converts(kelvin: int, celsius: float | None) -> None:
    """Kelvin x 1000 - 273150 (include/linux/units.h): 323 K reads 49850 there; 0 and FFFFh are no temperature."""
    found = told(with_sensors(page(kelvin=kelvin), kelvin))
    assert celsius == found.celsius == found.sensors_celsius[0]
    if celsius is not None:
        assert kelvin * 1000 - 273150 == round(celsius * 1000)


def test_a_temperature_that_no_drive_can_have_is_unread() -> None:
    """20,000 K is said as read, and is no temperature."""
    found = told(page(kelvin=20_000))
    assert isinstance(found.celsius, Unread)
    assert "20000 K" in found.celsius.why


@pytest.mark.parametrize("name", COUNTS)
def test_counters_have_128_bits(name: str) -> None:
    """All 16 bytes count: a bit of the upper eight makes a figure that no drive can mean, said to the last digit."""
    number = (5 << 64) + 7
    found = getattr(told(page(**{name: number})), name)
    assert isinstance(found, Unread)
    assert f"reads {number}," in found.why


@given(
    st.fixed_dictionaries({name: st.integers(0, 2**128 - 1) | st.integers(0, 2**64) for name in COUNTS}),
    st.fixed_dictionaries({name: st.integers(0, 2**32 - 1) for name in SHORT_COUNTS}),
)
def test_counters_come_out_exact_or_unread(counts: dict[str, int], short: dict[str, int]) -> None:
    """A counter is given to the last digit, or not at all; what is not given is listed as a problem."""
    found = told(page(**counts, **short))
    lost = 0
    for name, count in {**counts, **short}.items():
        exact = count * (BYTES_A_UNIT if name in UNIT_COUNTS else 1)
        figure = getattr(found, name)
        given_on = exact <= LARGEST and not (name in SHORT_COUNTS and count == 2**32 - 1)
        assert (figure == exact) if given_on else isinstance(figure, Unread)
        lost += not given_on
    assert lost == len(list(problems(found)))


@pytest.mark.parametrize("spare", [101, 255])
def test_a_spare_of_more_than_all_is_unread(spare: int) -> None:
    """Spare and its threshold are shares, 0 to 100 percent; the share of life used may pass 100 and stops at 255."""
    found = told(page(spare=spare, threshold=spare, used=255))
    assert isinstance(found.spare_percent, Unread)
    assert isinstance(found.spare_threshold_percent, Unread)
    assert found.used_percent == 255


@pytest.mark.parametrize("log", [b"", page()[:511], bytes(512), b"\xff" * 512], ids=["none", "cut", "zeros", "ones"])
def test_a_page_that_tells_nothing_is_unread(log: bytes) -> None:
    """A cut page, and one of a single value throughout, give no healthy-looking figure."""
    assert isinstance(health(log, "nvme0"), Unread)
    assert isinstance(firmware_slots(log, bytes(4096), "nvme0"), Unread)


def slots_page(first: int, *revisions: str) -> bytes:
    """A firmware slot page: byte 0 is active slot (bits 2:0) and next one (6:4), revisions begin at byte 8."""
    log = bytearray(512)
    log[0] = first
    for number, revision in enumerate(revisions, 1):
        log[8 * number : 8 * number + 8] = revision.encode().ljust(8)
    return bytes(log)


def slots_told(log: bytes, firmware_updates: int | None = None) -> FirmwareSlots:
    """The firmware slots in a page; FRMW is byte 260 of Identify Controller."""
    identify: bytes | Unread = Unread("identify", "no answer")
    if firmware_updates is not None:
        words = bytearray(4096)
        words[260] = firmware_updates
        identify = bytes(words)
    found = firmware_slots(log, identify, "nvme0")
    assert isinstance(found, FirmwareSlots)
    return found


def test_firmware_slots_are_told_apart() -> None:
    """Active and next slot, the revisions of all seven, and the slots there are by FRMW (bits 3:1; 0; 4)."""
    names = ("A1", "B2", "", "D4", "E5", "F6", "G7654321")
    found = slots_told(slots_page(0x52, *names), firmware_updates=0b1_0111)
    assert (2, 5, ("A1", "B2", None, "D4", "E5", "F6", "G7654321")) == (
        found.active,
        found.after_reset,
        found.revisions,
    )
    assert (3, True, True) == (found.count, found.first_read_only, found.without_reset)
    alone = slots_told(slots_page(0x01, "A1"))
    assert (1, None, ("A1", *(None,) * 6)) == (alone.active, alone.after_reset, alone.revisions)
    assert (None, None, None) == (alone.count, alone.first_read_only, alone.without_reset)


def test_a_drive_that_names_no_slot_in_use_is_not_guessed_for() -> None:
    """Slots are numbered from 1: an active slot of 0 is unread."""
    found = slots_told(slots_page(0x20, "A1", "B2"))
    assert isinstance(found.active, Unread)
    assert found.after_reset == 2


def test_revisions_cannot_act_on_a_terminal() -> None:
    """What is not printable ASCII in a revision is replaced."""
    found = slots_told(slots_page(1, "\x1b[31mA"))
    assert found.revisions[0] is not None
    assert "\x1b" not in found.revisions[0]


# --- From a machine to findings --------------------------------------------------------------------------------


def tree_of(log: bytes | None = None, slots: bytes | None = None, **nvme: Any) -> Tree:  # noqa: ANN401
    """A machine with one drive that gives these pages."""
    one = drive((4, 4))
    assert one.drive is not None
    for name, value in nvme.items():
        setattr(one.drive, name, value)
    tree = build(Machine(name="bench-1", buses={"0000:00": [root_port("01.0", (4, 4), [one])]}))
    if log is not None:
        tree.nvme["log-02 /dev/nvme0"] = log
    if slots is not None:
        tree.nvme["log-03 /dev/nvme0"] = slots
    return tree


def audited(log: bytes | None = None, slots: bytes | None = None, *, root: bool = True, **nvme: Any) -> Audit:  # noqa: ANN401
    """The audit of that machine."""
    return audit(facts(tree_of(log, slots, **nvme), privileged=root))


def found_by(log: bytes | None = None, slots: bytes | None = None, **nvme: Any) -> dict[str, Finding]:  # noqa: ANN401
    """What is found of that drive, by rule; "firmware-listed" is said of any."""
    return {one.rule: one for one in audited(log, slots, **nvme).findings if one.severity is not Severity.OK}


def test_a_healthy_drive_is_not_spoken_of() -> None:
    """No rule of this family fires on usual figures, nor on all that is still within bounds."""
    assert {} == found_by(page())
    fine = page(spare=10, threshold=10, used=89, unsafe_shutdowns=9, power_cycles=9, error_entries=5000)
    assert {} == found_by(fine)


@pytest.mark.parametrize(
    ("log", "rule", "severity"),
    [
        (page(warning=0x01), "drive-spare-low", Severity.FAULT),
        (page(spare=9), "drive-spare-low", Severity.FAULT),
        (page(spare=0, threshold=0, warning=0x01), "drive-spare-low", Severity.FAULT),
        (page(warning=0x02), "drive-heat-warning", Severity.FAULT),
        (page(warning=0x04), "drive-unreliable", Severity.FAULT),
        (page(warning=0x08), "drive-read-only", Severity.FAULT),
        (page(warning=0x10), "drive-backup-failed", Severity.FAULT),
        (page(warning=0x20), "drive-unreliable", Severity.FAULT),
        (page(used=90), "drive-worn", Severity.NOTE),
        (page(used=99), "drive-worn", Severity.NOTE),
        (page(used=100), "drive-worn", Severity.LIMIT),
        (page(used=255), "drive-worn", Severity.LIMIT),
        (page(media_errors=1), "drive-media-errors", Severity.FAULT),
        (page(warning_minutes=1), "drive-was-hot", Severity.NOTE),
        (page(critical_minutes=1), "drive-was-hot", Severity.NOTE),
        (page(light_count=1), "drive-throttled", Severity.NOTE),
        (page(heavy_count=1), "drive-throttled", Severity.NOTE),
        (page(unsafe_shutdowns=10, power_cycles=40), "drive-power-lost", Severity.NOTE),
    ],
)
def test_each_sign_has_one_finding(log: bytes, rule: str, severity: Severity) -> None:
    """A sign of trouble, at the least that counts, is found by its rule, with its severity, and by no other."""
    assert {rule: severity} == {name: one.severity for name, one in found_by(log).items()}


@pytest.mark.parametrize(
    "log",
    [
        page(spare=0, threshold=0),
        page(spare=255, threshold=255),
        page(unsafe_shutdowns=10, power_cycles=41),
        page(media_errors=2**127),
        page(warning_minutes=2**32 - 1),
    ],
    ids=["emulated", "no share", "a few of many starts", "no count", "no minutes"],
)
def test_what_says_nothing_is_no_alarm(log: bytes) -> None:
    """An emulated drive's spare of 0 with threshold 0, and figures that cannot be, alarm nobody."""
    assert {} == found_by(log)


def test_a_figure_that_cannot_be_is_said() -> None:
    """It is listed as not read, with what was read, and is null in the JSON."""
    seen = audited(page(media_errors=2**127, spare=200))
    said = {one.what: one.why for one in seen.unread}
    assert str(2**127) in said["nvme0 media and data integrity errors"]
    assert "200 %" in said["nvme0 available spare"]
    form = json.loads(data.encode(data.check(seen)))["drives"][0]["health"]
    assert form["media_errors"] is None
    assert form["spare_percent"] is None


def test_heat_is_said_once() -> None:
    """With a sensor at the limit the warning bit adds no second alarm; without sensors the log gives the alarm."""
    hot = page(warning=0x02, kelvin=345)
    assert {"drive-hot"} == set(found_by(hot, kelvin=345))
    unsensed = found_by(hot, sensed=False)
    assert {"drive-heat-warning"} == set(unsensed)
    assert "71.9 C" in unsensed["drive-heat-warning"].headline
    assert {} == found_by(page(kelvin=342), sensed=False)
    assert {"drive-heat-warning"} == set(found_by(page(kelvin=343), sensed=False))
    assert "critical limit" in found_by(page(kelvin=358), sensed=False)["drive-heat-warning"].headline


@pytest.mark.parametrize("sensed", [True, False])
def test_a_drive_that_is_too_hot_is_not_put_to_work(sensed: bool) -> None:  # noqa: FBT001 - one of two machines
    """What heat has done so far is looked at again under load, but not while the drive is at its limit now."""
    for kelvin, again in ((323, True), (345, False)):
        found = found_by(page(kelvin=kelvin, warning_minutes=9, light_count=3), sensed=sensed, kelvin=kelvin)
        for rule in ("drive-was-hot", "drive-throttled"):
            assert again == ("look-under-load" in [step.action for step in found[rule].steps])
            assert "cool" in [step.action for step in found[rule].steps]


def test_without_sensors_the_log_tells_the_temperature() -> None:
    """The temperature shown for a drive that the kernel gives no sensor for is that of its own log."""
    seen = audited(page(kelvin=323), sensed=False)
    assert [49.85] == [one.celsius for one in seen.drives]


def test_a_limit_that_no_drive_can_mean_is_not_shown_without_sensors() -> None:
    """Limits of the drive are held to the same bounds whether a sensor or its own log gives its temperature."""
    usual = audited(page(kelvin=323), sensed=False).drives
    assert [(69.85, 84.85)] == [(one.warning_celsius, one.critical_celsius) for one in usual]
    seen = audited(page(kelvin=323), sensed=False, warning=1, critical=2).drives
    assert [(None, None)] == [(one.warning_celsius, one.critical_celsius) for one in seen]


def test_the_drives_own_warning_is_believed_below_its_limits() -> None:
    """A threshold may be set anywhere in the drive: the warning counts though the composite temperature is low."""
    found = found_by(page(warning=0x02, kelvin=313))["drive-heat-warning"]
    assert "39.9 C" in found.headline
    assert [("1", "0")] == [(one.read, one.expected) for one in found.evidence]


def test_counts_are_weighed_by_the_life_of_the_drive() -> None:
    """Minutes and transitions are given beside the hours of its life: 60 of 100 h is 1 %, 50 in 100 h one in 2 h."""
    was_hot = found_by(page(warning_minutes=60, power_on_hours=100))["drive-was-hot"]
    assert "1.0 % of the 100 hours" in was_hot.headline
    throttled = found_by(page(light_count=50, power_on_hours=100, light_seconds=7200))["drive-throttled"]
    assert "once in 2 hours" in throttled.headline
    assert "(2 hours in all)" in throttled.headline
    often = found_by(page(heavy_count=300, power_on_hours=100))["drive-throttled"]
    assert "3 times an hour" in often.headline
    assert "hours" not in found_by(page(warning_minutes=60))["drive-was-hot"].headline


@pytest.mark.parametrize(
    ("first", "revisions", "says"),
    [
        (0x21, ("A1", "B2"), "B2 from slot 2"),
        (0x31, ("A1", "A1", ""), "not told which from slot 3"),
        (0x20, ("A1", "B2"), "B2 from slot 2"),
        (0x11, ("A1", "B2"), None),
        (0x01, ("A1", "B2"), None),
        (0x21, ("A1", "A1"), None),
    ],
)
def test_pending_firmware_is_told_before_the_reset(first: int, revisions: tuple[str, ...], says: str | None) -> None:
    """A next slot with other firmware is a note; none, the slot in use, or the same firmware elsewhere is not."""
    found = found_by(page(), slots_page(first, *revisions))
    assert (says is None) == (found == {})
    if says is not None:
        assert says in found["drive-firmware-pending"].headline
        assert all(FIRMWARE in step.cautions for step in found["drive-firmware-pending"].steps)


def test_data_is_saved_before_hands_reach_in() -> None:
    """Where a drive is failing the first step is a copy of what it holds, and the last a new drive."""
    for log in (page(spare=1), page(used=100), page(media_errors=1), page(warning=0x08), page(warning=0x14)):
        for one in found_by(log).values():
            assert one.steps[0].action == "back-up"
            assert one.steps[-1].action == "replace-drive"


def test_evidence_names_page_place_value_and_what_was_expected() -> None:
    """Each reading names the log page, the bytes in it, what they read and what they should."""
    everything = page(
        warning=0x3F,
        spare=3,
        used=120,
        **dict.fromkeys(("warning_minutes", "critical_minutes", "light_count", "heavy_count", "media_errors"), 7),
        unsafe_shutdowns=70,
        power_cycles=80,
        power_on_hours=9,
    )
    found = found_by(everything, slots_page(0x21, "A1", "B2"))
    ours = {name for name, rule in RULES.items() if rule.run.__module__ == family.__name__}
    assert ours == set(found)
    for one in found.values():
        for reading in one.evidence:
            assert reading.source.startswith(("nvme0 log page 02h, byte", "nvme0 log page 03h, byte"))
            assert reading.read
            assert reading.expected


# --- Who may see it --------------------------------------------------------------------------------------------


def test_an_ordinary_user_is_told_once_what_root_would_add() -> None:
    """Without root health and firmware slots are unread, no finding is made of them, and one line says so."""
    seen = audited(page(media_errors=5), root=False)
    only = seen.facts.drives[0]
    assert isinstance(only.health, Unread)
    assert only.health.needs_root
    assert isinstance(only.firmware_slots, Unread)
    (finding,) = (one for one in seen.findings if one.rule == "needs-root")
    assert 1 == sum("wear" in one.source and "nvme0" in one.source for one in finding.evidence)
    assert {"needs-root", "firmware-listed"} == {one.rule for one in seen.findings}
    assert [] == list(lines(only))
    assert data.check(seen).drives[0].health is None


def test_a_drive_that_refuses_is_not_read_and_said() -> None:
    """A page that a drive does not give is one line among what was not read, and everything else goes on."""
    tree = tree_of()
    del tree.nvme["log-03 /dev/nvme0"]
    seen = audit(facts(tree))
    assert isinstance(seen.facts.drives[0].firmware_slots, Unread)
    assert isinstance(seen.facts.drives[0].health, Health)
    assert 1 == sum("nvme0" in one.what or "log-03" in one.what for one in seen.unread)


def test_disks_of_other_kinds_have_no_such_pages() -> None:
    """Only NVMe drives have them: None is not the same as unread."""
    disks = [one for one in facts(MACHINES["bench-2-hot-drive"]().tree).drives if one.kind == "sata"]
    assert [(None, None)] * 2 == [(one.health, one.firmware_slots) for one in disks]


def test_an_inventory_tells_the_life_of_a_drive() -> None:
    """Hours, starts, data read and written, wear, spare and firmware slots stand in the lines of the drive."""
    log = page(power_on_hours=3100, power_cycles=210, read_bytes=41_000_000, written_bytes=1, unsafe_shutdowns=4)
    told_lines = " | ".join(lines(facts(tree_of(log, slots_page(0x21, "A1", "B2"))).drives[0]))
    wanted = ("3,100 h", "210 starts", "4 unsafe", "21.0 TB read", "1 MB written", "2 %", "spare 100 %", "10 %")
    assert [] == [one for one in (*wanted, "1 A1 (in use)", "2 B2 (after the next reset)") if one not in told_lines]
    nothing = " | ".join(lines(facts(tree_of(page(spare=0, threshold=0))).drives[0]))
    assert "spare not told" in nothing


@settings(max_examples=60, deadline=None)
@given(st.binary(min_size=512, max_size=512) | st.binary(max_size=600), st.binary(max_size=600))
def test_any_bytes_give_a_report(log: bytes, slots: bytes) -> None:
    """Whatever a drive, or a capture, gives for both pages: each form is made, and no text of it can act."""
    seen = audited(log, slots)
    json.loads(data.encode(data.check(seen)))
    json.loads(data.encode(data.inventory(seen)))
    said = [*lines(seen.facts.drives[0]), *(one.headline for one in seen.findings), *(one.why for one in seen.unread)]
    assert [] == [words for words in said if not words.isprintable()]
    assert all(one.rule.startswith(("drive-", "firmware-")) for one in seen.findings)


def test_redaction_leaves_the_figures_as_they_are() -> None:
    """Log pages hold no serial number: a redacted capture gives the same health and firmware slots."""
    log, slots = page(media_errors=5, written_bytes=12), slots_page(0x21, "A1", "B2")
    tree = tree_of(log, slots, serial="RL4-SECRET-77")
    kept = facts(tree).drives[0]
    answers, _ = redact(record(tree)[0], ())
    again = collect(Recorded(answers, "linux")).drives[0]
    assert (kept.health, kept.firmware_slots) == (again.health, again.firmware_slots)
    assert kept.serial != again.serial


# --- Figures that a log leaves out -----------------------------------------------------------------------------


def said_of(rule: str, **fields: Any) -> list[str]:  # noqa: ANN401 - fields of Health
    """What a rule says of a drive without sensors whose log has these figures and is calm otherwise."""
    whole = facts_of("bench-1-upgraded")
    first = next(one for one in whole.drives if isinstance(one.health, Health))
    assert isinstance(first.health, Health)
    worn = replace(first, health=replace(first.health, **fields))
    sensors = tuple(one for one in whole.sensors if one.drive != first.name)
    seen = audit(replace(whole, drives=(worn,), sensors=sensors))
    return [one.headline for one in seen.findings if one.rule == rule]


def test_a_warning_of_heat_without_a_temperature_says_that_none_is_told() -> None:
    """The drive's own warning counts though its log gives no composite temperature, or one that could not be read."""
    words = "warns of its own temperature: past a threshold set in it, "
    lost = Unread("temperature", "no drive can have it")
    for celsius, told in (
        (None, "its composite temperature is not told"),
        (lost, "its composite temperature could not be read (no drive can have it)"),
        (40.0, "composite at 40.0 C"),
    ):
        assert [f"{words}{told}"] == said_of("drive-heat-warning", temperature_past_threshold=True, celsius=celsius)


@pytest.mark.parametrize("hours", [0, Unread("hours", "is too large")], ids=["none", "unread"])
def test_times_of_a_drive_of_unknown_age_stand_alone(hours: int | Unread) -> None:
    """Without the hours of its life there is nothing to hold time and counts against, and nothing is said of it."""
    (hot,) = said_of("drive-was-hot", warning_minutes=5, power_on_hours=hours)
    assert "5 minutes at its warning limit" in hot
    (slowed,) = said_of("drive-throttled", light_count=3, power_on_hours=hours)
    assert not [word for word in ("powered on", "None") if word in hot + slowed]


def test_counts_that_could_not_be_read_are_no_finding() -> None:
    """Lost power is told where both counts were read, and only then."""
    lost = Unread("count", "is too large")
    assert 1 == len(said_of("drive-power-lost", unsafe_shutdowns=100, power_cycles=300))
    assert [] == said_of("drive-power-lost", unsafe_shutdowns=lost, power_cycles=300)
    assert [] == said_of("drive-power-lost", unsafe_shutdowns=100, power_cycles=lost)
