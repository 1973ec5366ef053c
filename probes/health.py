"""What a drive says of its own health: log pages 02h and 03h with what Identify adds, as figures. No judgement here.

Sources: NVM Express Base, SMART / Health Information and Firmware Slot Information log pages; the layouts are in
`knowledge/nvme.py`. A figure that no drive can mean is `Unread` with what was read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge import nvme
from probes.decode import decode, text, value
from probes.facts import FirmwareSlots, Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from knowledge.layout import Layout

KELVIN: Final = 273.15
# What a drive can mean by a temperature, kelvin: -60 to 250 degrees Celsius, as for its sensors.
PLAUSIBLE_KELVIN: Final = range(214, 524)
ABSENT_KELVIN: Final = frozenset({0, 0xFFFF})
# Above this no count of bytes, commands, hours or events can be meant; it is also what other programs can hold.
MOST_COUNTED: Final = 2**63 - 1
ALL_ONES: Final = 0xFFFFFFFF
WHOLE_PERCENT: Final = 100
SLOTS: Final = len(nvme.FIRMWARE_SLOT_REVISIONS)


def health(page: bytes | Unread, drive: str) -> Health | Unread:
    """Log page 02h of a drive; Unread where it was not given whole, or holds nothing."""
    if isinstance(page, Unread):
        return page
    empty = _empty(page, f"{drive} health log (log page 02h)")
    if empty is not None:
        return empty
    flags = decode(nvme.CRITICAL_WARNING, page)

    def count(layout: Layout, each: int = 1) -> int | Unread:
        return _count(drive, layout, page, each)

    return Health(
        spare_low=flags["available_spare_below_threshold"] == 1,
        temperature_past_threshold=flags["temperature_past_threshold"] == 1,
        reliability_degraded=flags["nvm_subsystem_reliability_degraded"] == 1,
        read_only=flags["media_read_only"] == 1,
        backup_failed=flags["volatile_memory_backup_failed"] == 1,
        memory_region_unreliable=flags["persistent_memory_region_unreliable"] == 1,
        celsius=_celsius(drive, nvme.COMPOSITE_TEMPERATURE, page),
        sensors_celsius=tuple(_celsius(drive, layout, page) for layout in nvme.TEMPERATURE_SENSORS),
        spare_percent=_share(drive, nvme.AVAILABLE_SPARE, page),
        spare_threshold_percent=_share(drive, nvme.AVAILABLE_SPARE_THRESHOLD, page),
        used_percent=_number(nvme.PERCENTAGE_USED, page),
        read_bytes=count(nvme.DATA_UNITS_READ, nvme.DATA_UNIT_BYTES),
        written_bytes=count(nvme.DATA_UNITS_WRITTEN, nvme.DATA_UNIT_BYTES),
        read_commands=count(nvme.HOST_READ_COMMANDS),
        write_commands=count(nvme.HOST_WRITE_COMMANDS),
        busy_minutes=count(nvme.CONTROLLER_BUSY_TIME),
        power_cycles=count(nvme.POWER_CYCLES),
        power_on_hours=count(nvme.POWER_ON_HOURS),
        unsafe_shutdowns=count(nvme.UNSAFE_SHUTDOWNS),
        media_errors=count(nvme.MEDIA_AND_DATA_INTEGRITY_ERRORS),
        error_entries=count(nvme.NUMBER_OF_ERROR_INFORMATION_LOG_ENTRIES),
        warning_minutes=count(nvme.WARNING_COMPOSITE_TEMPERATURE_TIME),
        critical_minutes=count(nvme.CRITICAL_COMPOSITE_TEMPERATURE_TIME),
        light_count=count(nvme.THERMAL_MANAGEMENT_TEMPERATURE_1_TRANSITION_COUNT),
        heavy_count=count(nvme.THERMAL_MANAGEMENT_TEMPERATURE_2_TRANSITION_COUNT),
        light_seconds=count(nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_1),
        heavy_seconds=count(nvme.TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_2),
    )


def problems(found: Health | FirmwareSlots) -> Iterator[Unread]:
    """The figures of a log page that no drive can mean."""
    for name in found.__struct_fields__:
        figure = getattr(found, name)
        for one in figure if isinstance(figure, tuple) else (figure,):
            if isinstance(one, Unread):
                yield one


def firmware_slots(page: bytes | Unread, identify: bytes | Unread, drive: str) -> FirmwareSlots | Unread:
    """Log page 03h of a drive, with what Identify Controller says of its firmware slots."""
    if isinstance(page, Unread):
        return page
    empty = _empty(page, f"{drive} firmware slots (log page 03h)")
    if empty is not None:
        return empty
    info = decode(nvme.ACTIVE_FIRMWARE_INFO, page)
    active, after = info["active_firmware_slot"], info["next_reset_firmware_slot"]
    what = f"{drive} firmware slot in use (log page 03h, byte 0)"
    return FirmwareSlots(
        active=active or Unread(what, "reads 0, which is no slot"),
        after_reset=after if isinstance(after, int) and after else None,
        revisions=tuple(
            text(page[text_field.offset : text_field.offset + text_field.size]) or None
            for text_field in nvme.FIRMWARE_SLOT_REVISIONS
        ),
        count=_of_identify(identify, "number_of_firmware_slots") or None,
        first_read_only=_yes_or_no(_of_identify(identify, "first_firmware_slot_read_only")),
        without_reset=_yes_or_no(_of_identify(identify, "firmware_activation_without_reset")),
    )


def _empty(page: bytes, what: str) -> Unread | None:
    """Why a page tells nothing: cut, or the same byte throughout."""
    if len(page) < nvme.LOG_SIZE:
        return Unread(what, f"only {len(page)} of {nvme.LOG_SIZE} bytes were given")
    first = page[0]
    if first in {0, 0xFF} and page.count(first) == len(page):
        return Unread(what, f"all of its bytes read {first:02X}h")
    return None


def _number(layout: Layout, page: bytes) -> int | Unread:
    return value(layout, layout.name, page[layout.offset : layout.offset + layout.size])


def _count(drive: str, layout: Layout, page: bytes, each: int) -> int | Unread:
    """A counter of `each` so many things."""
    number = _number(layout, page)
    if isinstance(number, Unread):
        return number
    if number * each > MOST_COUNTED or (number == ALL_ONES and layout.size == 4):  # noqa: PLR2004 - a counter of 32 bits
        return Unread(_name(drive, layout), f"reads {number}, more than a drive can have counted")
    return number * each


def _share(drive: str, layout: Layout, page: bytes) -> int | Unread:
    number = _number(layout, page)
    if isinstance(number, int) and number > WHOLE_PERCENT:
        return Unread(_name(drive, layout), f"reads {number} %, more than all of it")
    return number


def _celsius(drive: str, layout: Layout, page: bytes) -> float | Unread | None:
    """A temperature in degrees Celsius; None where the drive gives none."""
    kelvin = _number(layout, page)
    if isinstance(kelvin, Unread):
        return kelvin
    if kelvin in ABSENT_KELVIN:
        return None
    if kelvin not in PLAUSIBLE_KELVIN:
        return Unread(_name(drive, layout), f"reads {kelvin} K, which is no temperature")
    return round(kelvin - KELVIN, 2)


def _name(drive: str, layout: Layout) -> str:
    return f"{drive} {layout.name.replace('_', ' ')}"


def _of_identify(identify: bytes | Unread, field: str) -> int | None:
    if isinstance(identify, Unread):
        return None
    found = value(nvme.FIRMWARE_UPDATES, field, identify[nvme.FIRMWARE_UPDATES.offset :])
    return None if isinstance(found, Unread) else found


def _yes_or_no(bit: int | None) -> bool | None:
    return None if bit is None else bit == 1
