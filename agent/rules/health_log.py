"""Rules about what drives say of their own health: log pages 02h and 03h. Drives that say nothing are passed over.

Counts are of a drive's whole life: how they grow is for comparing captures, and for soaks. What each figure means:
NVM Express Base, SMART / Health Information and Firmware Slot Information log pages.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity
from agent.model.temperature_limits import by_drive, limits
from agent.rules.rule import Compared, Found, Rule
from knowledge.phrasing import celsius_text, quantity
from knowledge.steps import BELOW_LIMIT, WELL
from probes.facts import FirmwareSlots, Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from knowledge.layout import Layout
    from probes.facts import Drive, Sensor

# Of the life that its maker predicts, percent: used up, and near that (common practice).
USED_UP: Final = 100
NEARLY_USED_UP: Final = 90
# Power lost without notice: as a rule of the machine, not an accident (common practice).
MANY_SHUTDOWNS: Final = 10
MANY_OF_STARTS: Final = 0.25
MINUTES_AN_HOUR: Final = 60
LOAD: Final = ("look-under-load",)  # no step for a drive that is too hot already


@Rule(
    id="drive-media-errors",
    severity=Severity.FAULT,
    title="A drive had unrecoverable read errors: it could not give back what was written to it",
    cause="worn or failing flash",
    data_at_risk=True,
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("back-up", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive counts reads whose data it could not restore. The drive could not correct an error: what "
            "was stored there is lost, and more may follow. The count covers its whole life and never falls; a "
            "count that grows between two readings is the worse sign."
        ),
        evidence="Media and Data Integrity Errors of the health log (02h), above zero.",
        causes=(
            "Worn or failing flash",
            "Power that was lost during a write",
            "Now and then a fault in the drive's own memory",
        ),
        cannot_tell="Which file it was, and whether anyone has noticed.",
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("back-up", "drive-spare-low", "drive-unreliable"),
    ),
)
def _drive_media_errors(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import MEDIA_AND_DATA_INTEGRITY_ERRORS

    for drive, health, make in _told(seen):
        errors = health.media_errors
        if isinstance(errors, int) and errors:
            evidence = Evidence(_bytes(drive, MEDIA_AND_DATA_INTEGRITY_ERRORS), f"{errors:,} in its whole life", "0")
            yield make(f"had {quantity(errors, 'unrecoverable read error')}; back it up now", evidence)


@Rule(
    id="drive-read-only",
    severity=Severity.FAULT,
    title="A drive has put itself into read-only mode",
    cause="spare blocks used up, or an inner fault",
    data_at_risk=True,
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded",),
    steps=("back-up", "update-firmware", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive refuses all writes by its own decision. Mostly it does so to save what it holds; it may "
            "stop reading next."
        ),
        evidence="Critical Warning bit 3 of the health log (02h): media in read-only mode.",
        causes=(
            "Spare blocks that are used up",
            "A fault inside that made the drive save what it can",
        ),
        cannot_tell=(
            "How long it will go on reading. A read-only file system by choice does not set this bit, nor does write "
            "protection."
        ),
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("back-up", "drive-spare-low"),
    ),
)
def _drive_read_only(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for drive, health, make in _told(seen):
        if health.read_only:
            yield make(
                "made itself read-only; copy what it holds now",
                _warning(drive, "media_read_only"),
            )


@Rule(
    id="drive-unreliable",
    severity=Severity.FAULT,
    title="A drive says that it is no longer reliable",
    cause="many media errors, or a failing controller",
    data_at_risk=True,
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded",),
    steps=("back-up", "update-firmware", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive sets the warning bit by which it calls its own working degraded. The cause is media "
            "errors or a fault inside it; or only its persistent memory region, which few machines use, has "
            "become unreliable."
        ),
        evidence=(
            "Critical Warning bit 2 (reliability degraded) or bit 5 (persistent memory region) of the health log (02h)."
        ),
        causes=(
            "Many errors of the media",
            "A fault of the controller or of its memory",
        ),
        cannot_tell="What is wrong: the drive gives its verdict without its reasons.",
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("drive-media-errors", "back-up"),
    ),
)
def _drive_unreliable(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for drive, health, make in _told(seen):
        if health.reliability_degraded:
            headline = "says that it is no longer reliable; back it up now"
            yield make(headline, _warning(drive, "nvm_subsystem_reliability_degraded"))
        elif health.memory_region_unreliable:
            headline = "says that its persistent memory region is read-only or no longer reliable"
            yield make(headline, _warning(drive, "persistent_memory_region_unreliable"))


@Rule(
    id="drive-spare-low",
    severity=Severity.FAULT,
    title="A drive has less spare left than the threshold that its maker set",
    cause="wear near the end of its life",
    data_at_risk=True,
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("back-up", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive has nearly used up the blocks that it keeps to stand in for worn ones. Once they are gone "
            "the drive stops taking writes or fails. Where spare and threshold both read 0, an emulated drive "
            "is saying nothing."
        ),
        evidence="Available Spare and its threshold in the health log (02h), and Critical Warning bit 0.",
        causes=(
            "Wear near the end of the drive's life",
            "A batch of bad blocks, also early in its life",
        ),
        cannot_tell="How long it will last. Some drives go on for months below the threshold, others stop at once.",
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("drive-worn", "drive-read-only", "back-up"),
    ),
)
def _drive_spare_low(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import AVAILABLE_SPARE, AVAILABLE_SPARE_THRESHOLD

    for drive, health, make in _told(seen):
        spare, threshold = health.spare_percent, health.spare_threshold_percent
        evidence, headline = [], "says that its spare blocks run out"
        if isinstance(spare, int) and isinstance(threshold, int) and spare < threshold:
            evidence = [
                Evidence(_bytes(drive, AVAILABLE_SPARE), f"{spare} %", f"{threshold} % or more"),
                Evidence(_bytes(drive, AVAILABLE_SPARE_THRESHOLD), f"{threshold} %", f"{threshold} %"),
            ]
            headline = f"has {spare} % of its spare blocks left, below the {threshold} % that its maker set"
        if health.spare_low:
            evidence.append(_warning(drive, "available_spare_below_threshold"))
        if evidence:
            yield make(f"{headline}; it may fail soon", *evidence)


@Rule(
    id="drive-backup-failed",
    severity=Severity.FAULT,
    title="A drive's power-loss protection has failed",
    cause="aged capacitors",
    data_at_risk=True,
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded",),
    steps=("back-up", "update-firmware", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A drive reports that the store of energy which carries its writes through a power cut no longer "
            "works. Until now the drive could finish its writes after a cut; from here on a power cut can lose "
            "them."
        ),
        evidence="Critical Warning bit 4 of the health log (02h): the volatile memory backup device has failed.",
        causes=(
            "Capacitors of the drive that have aged",
            "A fault in their charging circuit",
        ),
        cannot_tell="How much is at risk: that depends on what is still in the drive's memory when the power goes.",
        source=(
            "NVM Express Base Specification, SMART / Health Information log page (02h); capacitors: common practice."
        ),
        see_also=("drive-power-lost", "back-up"),
    ),
)
def _drive_backup_failed(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for drive, health, make in _told(seen):
        if health.backup_failed:
            headline = "has lost its power-loss protection; a power cut can now lose unwritten data"
            yield make(headline, _warning(drive, "volatile_memory_backup_failed"))


@Rule(
    id="drive-heat-warning",
    severity=Severity.FAULT,
    title="A drive warns of its temperature itself, or its own log has it at a limit where no sensor can be read",
    cause="no airflow, or a heatsink not making contact",
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded", "bench-2-hot-drive"),
    steps=("cool",),
    compared=Compared(rests_on="health log", own_rows=True, told_as="drive-hot"),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive's own log says that it is too hot now. The warning says that some temperature in the "
            "drive is past its threshold. A drive whose sensors already read at or above a limit is reported "
            "for that instead."
        ),
        evidence=(
            "Critical Warning bit 1 of the health log (02h); and where the system reads no sensor, the composite "
            "temperature of that log against the drive's own limits."
        ),
        causes=(
            "As for any hot drive: poor airflow, a heatsink without contact, a hot card beside it",
            "A threshold that somebody set lower than the drive's own",
        ),
        cannot_tell=(
            "Which sensor is past which threshold, as the bit stands for all of them; it also stands for one that is "
            "too cold."
        ),
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("drive-hot", "cool"),
    ),
)
def _drive_heat_warning(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import COMPOSITE_TEMPERATURE

    sensors = by_drive(seen.machine.facts.sensors)
    for drive, health, make in _told(seen):
        mine = sensors.get(drive.name, ())
        if _is_hot(drive, mine):
            continue
        told = health.celsius if isinstance(health.celsius, float) else None
        evidence: list[Evidence] = []
        headline = ""
        if told is not None and not any(isinstance(sensor.celsius, float) for sensor in mine):
            for name, limit in (("critical", drive.critical_celsius), ("warning", drive.warning_celsius)):
                if isinstance(limit, float) and told >= limit > 0 and not evidence:
                    words = f"{name} limit of {celsius_text(limit)}"
                    evidence.append(Evidence(_bytes(drive, COMPOSITE_TEMPERATURE), _kelvin(told), f"below its {words}"))
                    headline = f"is at {celsius_text(told)}, at or above its {words}"
        if health.temperature_past_threshold:
            evidence.append(_warning(drive, "temperature_past_threshold"))
            headline = headline or f"warns of its own temperature: past a threshold set in it, {_composite(health)}"
        if evidence:
            yield make(headline, *evidence)


def _composite(health: Health) -> str:
    """The composite temperature in words."""
    if isinstance(health.celsius, Unread):
        return f"its composite temperature could not be read ({health.celsius.why})"
    return (
        "its composite temperature is not told"
        if health.celsius is None
        else f"composite at {celsius_text(health.celsius)}"
    )


@Rule(
    id="drive-was-hot",
    severity=Severity.NOTE,
    title="A drive counts minutes that it spent at or above its warning or critical temperature",
    cause="long writes without enough air",
    fires_on=("bench-2-hot-drive", "bench-2-failing-drives"),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("look-under-load", "cool"),
    load=BELOW_LIMIT,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive has been too hot before, and counts for how many minutes. The count covers the drive's "
            "whole life, in other machines and seasons too. Check again under load to see whether it grows."
        ),
        evidence="Warning and Critical Composite Temperature Time of the health log (02h), in minutes.",
        causes=(
            "Long writes with too little airflow",
            "An earlier machine, or a hot summer",
        ),
        cannot_tell=("When it was: last year's minutes look like this morning's. Two captures tell them apart."),
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("drive-hot", "drive-throttled", "soak"),
    ),
)
def _drive_was_hot(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import CRITICAL_COMPOSITE_TEMPERATURE_TIME, WARNING_COMPOSITE_TEMPERATURE_TIME

    for drive, health, make in _told(seen):
        counts = (
            (health.critical_minutes, CRITICAL_COMPOSITE_TEMPERATURE_TIME, "critical"),
            (health.warning_minutes, WARNING_COMPOSITE_TEMPERATURE_TIME, "warning"),
        )
        spent = [(minutes, layout, name) for minutes, layout, name in counts if isinstance(minutes, int) and minutes]
        if spent:
            words = " and ".join(f"{quantity(minutes, 'minute')} at its {name} limit" for minutes, _, name in spent)
            total = sum(minutes for minutes, _, _ in spent)
            evidence = [
                Evidence(_bytes(drive, layout), quantity(entry, "minute"), "none") for entry, layout, _ in spent
            ]
            without = LOAD if _too_hot(seen, drive, health) else ()
            headline = f"spent {words} or above{_share_of_life(health, total)}"
            yield make(headline, *evidence, without=without)


@Rule(
    id="drive-throttled",
    severity=Severity.NOTE,
    title="A drive counts times that it slowed itself down for heat",
    cause="work that is hotter than its cooling allows",
    fires_on=("bench-2-hot-drive", "bench-2-failing-drives"),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("look-under-load", "cool"),
    load=BELOW_LIMIT,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive has lowered its own rate before, so as to stay cool, and counts how often. A drive slows "
            "down lightly to hold its temperature, and heavily to bring it down at any cost. Some drives do it "
            "by rules of their own and count nothing."
        ),
        evidence=(
            "Thermal Management Temperature 1 and 2 Transition Count and their total times, of the health log (02h): "
            "1 is the light kind, 2 the heavy kind."
        ),
        causes=(
            "More work than its cooling allows",
            "Heat thresholds set low",
        ),
        cannot_tell=("Slowing down by the drive's own rules, which most drives have too and do not count."),
        source="NVM Express Base Specification, Host Controlled Thermal Management, and the log page 02h.",
        see_also=("drive-hot", "soak", "cool"),
    ),
)
def _drive_throttled(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge import nvme

    for drive, health, make in _told(seen):
        counts = (
            (
                *("heavily", health.heavy_count, nvme.THERMAL_MANAGEMENT_TEMPERATURE_2_TRANSITION_COUNT),
                *(health.heavy_seconds, nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_2),
            ),
            (
                *("lightly", health.light_count, nvme.THERMAL_MANAGEMENT_TEMPERATURE_1_TRANSITION_COUNT),
                *(health.light_seconds, nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_1),
            ),
        )
        evidence, words, total = [], [], 0
        for how, times, layout, seconds, seconds_layout in counts:
            if not isinstance(times, int) or not times:
                continue
            evidence.append(Evidence(_bytes(drive, layout), quantity(times, "time"), "none"))
            words.append(f"{how} {quantity(times, 'time')}")
            total += times
            if isinstance(seconds, int) and seconds:
                evidence.append(Evidence(_bytes(drive, seconds_layout), quantity(seconds, "second"), "none"))
                words[-1] += f" ({_duration(seconds)} in all)"
        if evidence:
            without = LOAD if _too_hot(seen, drive, health) else ()
            often = quantity(total, "time")
            headline = f"slowed itself down for heat {often}; {', '.join(words)}{_how_often(health, total)}"
            yield make(headline, *evidence, without=without)


@Rule(
    id="drive-worn",
    severity=Severity.LIMIT,
    title="A drive has used up its rated life, or nearly so",
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded",),
    steps=("back-up", "have-ready", "replace-drive"),
    shows=WELL,
    compared=Compared(rests_on="health log", own_rows=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A drive gives 90 % or more of the writing that it is rated for as used. The figure is an estimate "
            "from what was written so far. Drives often go on long after 100 %, but with no promise. A note "
            "from 90 % on, a limit from 100 %; the figure stops at 255 %."
        ),
        evidence="Percentage Used of the health log (02h); with what was written so far, where the drive says it.",
        causes=(
            "Years of writing, or a few months of heavy writing",
            "A small or simple drive that is written to all day",
        ),
        cannot_tell="When it will fail. Percentage Used is the maker's estimate and no more.",
        source=(
            "NVM Express Base Specification, SMART / Health Information log page (02h); the threshold of 90 % is "
            "common practice."
        ),
        see_also=("drive-spare-low", "have-ready"),
    ),
)
def _drive_worn(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import PERCENTAGE_USED

    for drive, health, make in _told(seen):
        used = health.used_percent
        if not isinstance(used, int) or used < NEARLY_USED_UP:
            continue
        reading = "255 % or more" if used == 0xFF else f"{used} %"  # noqa: PLR2004 - where the figure stops
        over = used >= USED_UP
        severity, without = (Severity.LIMIT, ()) if over else (Severity.NOTE, ("replace-drive",))
        evidence = Evidence(_bytes(drive, PERCENTAGE_USED), reading, f"below {USED_UP if over else NEARLY_USED_UP} %")
        headline = f"has used {reading} of its rated life"
        yield make(f"{headline}{_written(health)}", evidence, severity=severity, without=without)


@Rule(
    id="drive-power-lost",
    severity=Severity.NOTE,
    title="A drive often lost power without warning (unsafe shutdowns)",
    cause="hard switch-offs, or mains that fail",
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("find-power-loss",),
    compared=Compared(rests_on="health log", own_rows=True),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A drive was switched off many times before it was told to get ready for it. Each time it may lose "
            "what it had not written yet. Often means ten times or more and a quarter of all starts (common "
            "practice), over its whole life."
        ),
        evidence="Unsafe Shutdowns and Power Cycles of the health log (02h).",
        causes=(
            "A machine switched off hard",
            "Mains failures without a backup supply",
            "A loose contact or an overloaded supply",
        ),
        cannot_tell=(
            "When it was, and in which machine. Sleep or hot removal may count too, as some systems cut the "
            "power without telling the drive."
        ),
        source="NVM Express Base Specification, SMART / Health Information log page (02h).",
        see_also=("find-power-loss", "drive-backup-failed"),
    ),
)
def _drive_power_lost(seen: JudgedMachine) -> Iterator[Found | Unread]:
    from knowledge.nvme import POWER_CYCLES, UNSAFE_SHUTDOWNS

    for drive, health, make in _told(seen):
        lost, starts = health.unsafe_shutdowns, health.power_cycles
        if not isinstance(lost, int) or not isinstance(starts, int) or lost < MANY_SHUTDOWNS:
            continue
        if lost >= MANY_OF_STARTS * starts:
            evidence = (
                Evidence(_bytes(drive, UNSAFE_SHUTDOWNS), f"{lost:,}", "a small part of its starts"),
                Evidence(_bytes(drive, POWER_CYCLES), f"{starts:,}", "for comparison"),
            )
            yield make(f"lost power without warning {quantity(lost, 'time')} in {quantity(starts, 'start')}", *evidence)


@Rule(
    id="drive-firmware-pending",
    severity=Severity.NOTE,
    title="A drive will start other firmware at its next reset",
    cause="an update that waits for the next restart",
    fires_on=("bench-2-failing-drives",),
    quiet_on=("bench-1-upgraded", "lab-one-drive"),
    steps=("expect-firmware",),
    compared=Compared(rests_on="firmware record", own_rows=True),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A drive runs one firmware now and has another one selected for its next start. Somebody has "
            "loaded firmware into another slot and selected it; it takes effect at the next restart. Ask "
            "before then: new firmware at a bad moment is a risk of its own."
        ),
        evidence=(
            "Active Firmware Info of the log page 03h: the slot in use, the slot for the next reset, and the "
            "revision in each."
        ),
        causes=(
            "An update waiting for the restart",
            "A tool of the maker or of the system that loads firmware by itself",
        ),
        cannot_tell="Who did it, and whether the new firmware suits the drive.",
        source="NVM Express Base Specification, Firmware Slot Information log page (03h).",
        see_also=("expect-firmware", "firmware-listed"),
    ),
)
def _drive_firmware_pending(seen: JudgedMachine) -> Iterator[Found | Unread]:
    own = seen.own_links()
    for drive in seen.machine.facts.drives:
        slots = drive.firmware_slots
        if not isinstance(slots, FirmwareSlots) or slots.after_reset in {None, slots.active}:
            continue
        after, now = slots.after_reset, slots.active
        assert after is not None
        coming = slots.revisions[after - 1]
        running = slots.revisions[now - 1] if isinstance(now, int) else None
        if coming is not None and coming == running:
            continue  # the same firmware from another slot
        evidence = (
            Evidence(
                f"{drive.name} log page 03h, byte 0, bits 6:4 (next reset firmware slot)",
                f"slot {after}",
                "no change pending",
            ),
            Evidence(
                f"{drive.name} log page 03h, bytes {8 * after} to {8 * after + 7} (revision in slot {after})",
                coming or "nothing told",
                f"{running or 'the firmware in use'}, if no change is meant",
            ),
        )
        comes = f"{coming or 'not told which'} from slot {after}"
        headline = f"will start other firmware at its next reset: {comes}"
        if isinstance(now, Unread):
            headline = f"will start firmware {comes} at its next reset; which it runs now could not be read ({now.why})"
        yield Found(
            drive.name, headline, evidence, judged=own.get(drive.name), drive=True, place=f"firmware slot {after}"
        )


# --- Common to these rules -------------------------------------------------------------------------------------


class _Make(Protocol):
    """Makes what was found of one drive."""

    def __call__(
        self, headline: str, *evidence: Evidence, severity: Severity | None = None, without: tuple[str, ...] = ()
    ) -> Found:
        """The drive's name and its own link are known."""


def _told(seen: JudgedMachine) -> Iterator[tuple[Drive, Health, _Make]]:
    """The drives whose health was read, each with what makes a finding of it."""
    own = seen.own_links()
    for drive in seen.machine.facts.drives:
        if isinstance(drive.health, Health):
            yield drive, drive.health, _make(own.get(drive.name), drive.name)


def _make(own: Judged | None, name: str) -> _Make:
    def make(
        headline: str, *evidence: Evidence, severity: Severity | None = None, without: tuple[str, ...] = ()
    ) -> Found:
        return Found(name, headline, evidence, severity=severity, judged=own, drive=True, without=without)

    return make


def _too_hot(seen: JudgedMachine, drive: Drive, health: Health) -> bool:
    """Whether a drive is at or above a limit of its own now, by a sensor, by its log, or by its own warning."""
    sensors = by_drive(seen.machine.facts.sensors).get(drive.name, ())
    if health.temperature_past_threshold or _is_hot(drive, sensors):
        return True
    known = [limit for limit in limits(drive, None) if limit is not None]
    return bool(known) and isinstance(health.celsius, float) and health.celsius >= min(known)


def _is_hot(drive: Drive, sensors: Iterable[Sensor]) -> bool:
    """Whether a sensor of the drive reads at or above a limit of its own."""
    for sensor in sensors:
        known = [limit for limit in limits(drive, sensor) if limit is not None]
        if known and isinstance(sensor.celsius, float) and sensor.celsius >= min(known):
            return True
    return False


def _bytes(drive: Drive, layout: Layout) -> str:
    """Where a figure of the health log stands."""
    last = layout.offset + layout.size - 1
    place = f"byte {last}" if layout.size == 1 else f"bytes {layout.offset} to {last}"
    return f"{drive.name} log page 02h, {place} ({layout.name.replace('_', ' ')})"


def _warning(drive: Drive, field: str) -> Evidence:
    """A critical warning of the health log that is set."""
    from knowledge.nvme import CRITICAL_WARNING

    bit = CRITICAL_WARNING.index[field].bit
    return Evidence(f"{drive.name} log page 02h, byte 0, bit {bit} ({field.replace('_', ' ')})", "1", "0")


def _kelvin(celsius: float) -> str:
    """A temperature as a drive gives it, and as people read it."""
    return f"{celsius + 273.15:.0f} K ({celsius_text(celsius)})"


def _duration(seconds: int) -> str:
    """Seconds for people, in the largest unit that says something."""
    for unit, length in (("hour", 3600), ("minute", 60)):
        if seconds >= 2 * length:
            return quantity(seconds // length, unit)
    return quantity(seconds, "second")


def _share_of_life(health: Health, minutes: int) -> str:
    hours = health.power_on_hours
    if not isinstance(hours, int) or not hours:
        return ""
    share = minutes / (hours * MINUTES_AN_HOUR)
    words = f"{share:.1%}" if share >= 0.001 else "less than 0.1%"  # noqa: PLR2004 - where one decimal says nothing
    return f"; {words.replace('%', ' %')} of the {quantity(hours, 'hour')} that it was powered on"


def _how_often(health: Health, times: int) -> str:
    hours = health.power_on_hours
    if not isinstance(hours, int) or not hours:
        return ""
    every = f"once in {quantity(hours // times, 'hour')}" if hours >= times else f"{times / hours:.0f} times an hour"
    return f"; {every} on average in the {quantity(hours, 'hour')} that it was powered on"


def _written(health: Health) -> str:
    written = health.written_bytes
    return f" ({written / 1e12:,.1f} TB written)" if isinstance(written, int) and written else ""
