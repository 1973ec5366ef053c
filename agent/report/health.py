"""What drives say of their own health, for every form: as data for programs, as lines for people. Judges nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

from msgspec import Struct

from agent.model.serving import serving_unread, serving_words
from agent.report.form import By
from knowledge.phrasing import bytes_text, plain
from probes.facts import FirmwareSlots, Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from probes.facts import Drive

GIGABYTE: Final = 10**9


class HealthData(Struct, frozen=True):
    """What an NVMe drive says of its own health, counted over its whole life; null where it says nothing that can be.

    `warnings` are its critical warnings by name. `used_percent` is the share of the life that its maker predicts; it
    may pass 100. `sensors_celsius` are its sensors 1 to 8. `light_count` and `heavy_count` are times that it slowed
    itself down for heat.
    """

    warnings: Annotated[tuple[str, ...], By(_warnings)]
    celsius: float | None
    sensors_celsius: tuple[float | None, ...]
    spare_percent: int | None
    spare_threshold_percent: int | None
    used_percent: int | None
    read_bytes: int | None
    written_bytes: int | None
    read_commands: int | None
    write_commands: int | None
    busy_minutes: int | None
    power_cycles: int | None
    power_on_hours: int | None
    unsafe_shutdowns: int | None
    media_errors: int | None
    error_entries: int | None
    warning_minutes: int | None
    critical_minutes: int | None
    light_count: int | None
    heavy_count: int | None
    light_seconds: int | None
    heavy_seconds: int | None


class FirmwareSlotsData(Struct, frozen=True):
    """The firmware slots of an NVMe drive. `after_reset` is the slot that the next reset switches to, null for none.

    `revisions` are of slots 1 to 7, null where a slot is empty or not there; `count` is how many slots there are.
    """

    active: int | None
    after_reset: int | None
    revisions: tuple[str | None, ...]
    count: int | None
    first_read_only: bool | None
    without_reset: bool | None


# The critical warnings of a drive, by the fields of `Health`, and their words.
WARNINGS: Final = {
    "spare_low": "spare low",
    "temperature_past_threshold": "temperature past threshold",
    "reliability_degraded": "reliability degraded",
    "read_only": "read only",
    "backup_failed": "power-loss protection lost",
    "memory_region_unreliable": "persistent memory region unreliable",
}


def _warnings(found: Health) -> Iterator[str]:
    return (name for name in WARNINGS if getattr(found, name))


def lines(drive: Drive) -> Iterator[str]:
    """What an NVMe drive says of itself, for an inventory: its life, its wear, its firmware slots.

    Whether it serves is said before, beside its rates, unless that could not be read.
    """
    if serving_unread(drive) is not None:
        yield plain(serving_words(drive))
    yield from life_and_wear(drive)
    if isinstance(drive.firmware_slots, FirmwareSlots):
        yield f"firmware slots: {slots(drive.firmware_slots)}"


def life_and_wear(drive: Drive) -> Iterator[str]:
    """What an NVMe drive says of its health."""
    if isinstance(drive.health, Health):
        yield ", ".join(_life(drive.health))
        yield ", ".join(_wear(drive.health))


def _life(health: Health) -> Iterator[str]:
    yield f"powered on for {_number(health.power_on_hours)} h in {_number(health.power_cycles)} starts"
    yield f"{_number(health.unsafe_shutdowns)} unsafe shutdowns"
    yield f"{_amount(health.read_bytes)} read"
    yield f"{_amount(health.written_bytes)} written"


def _wear(health: Health) -> Iterator[str]:
    yield f"{_number(health.used_percent)} % of its predicted life used"
    spare, threshold = health.spare_percent, health.spare_threshold_percent
    if spare == threshold == 0:
        yield "spare not told"
    else:
        yield f"spare {_number(spare)} % (at least {_number(threshold)} % wanted)"
    yield f"{_number(health.media_errors)} media errors"
    yield from (f"warns: {WARNINGS[name]}" for name in _warnings(health))


def slots(found: FirmwareSlots) -> str:
    """Firmware slots that hold something or are known to be there, and what the next reset changes."""
    known = [number for number, revision in enumerate(found.revisions, 1) if revision or number <= (found.count or 0)]
    named = []
    for number in known:
        notes = ["in use"] if number == found.active else []
        notes += ["after the next reset"] if number == found.after_reset != found.active else []
        notes += ["cannot be written"] if number == 1 and found.first_read_only else []
        revision = plain(found.revisions[number - 1] or "empty", 20)
        named.append(f"{number} {revision} ({', '.join(notes)})" if notes else f"{number} {revision}")
    return ", ".join(named) or "none reported"


HEAD: Final = (
    *("Hours on", "Starts", "Unsafe shutdowns", "Read", "Written", "Life used", "Spare", "Media errors", "Warnings"),
)


def row(health: Health) -> tuple[str, ...]:
    """What an NVMe drive says of its health, under the names of `HEAD`."""
    untold = health.spare_percent == health.spare_threshold_percent == 0
    return (
        _number(health.power_on_hours),
        _number(health.power_cycles),
        _number(health.unsafe_shutdowns),
        _amount(health.read_bytes),
        _amount(health.written_bytes),
        _percent(health.used_percent),
        "not reported"
        if untold
        else f"{_percent(health.spare_percent)} (threshold {_percent(health.spare_threshold_percent)})",
        _number(health.media_errors),
        ", ".join(WARNINGS[name] for name in _warnings(health)) or "none",
    )


def _percent(figure: int | Unread) -> str:
    return f"{figure} %" if isinstance(figure, int) else "not known"


def _number(figure: int | Unread) -> str:
    return f"{figure:,}" if isinstance(figure, int) else "not known"


def _amount(figure: int | Unread) -> str:
    if isinstance(figure, Unread):
        return "not known"
    return bytes_text(figure) if figure >= GIGABYTE else f"{figure / 1e6:,.0f} MB"
