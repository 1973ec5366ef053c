"""Structures that an NVMe drive returns, as data, each with its source: Identify Controller, logs 02h and 03h.

Numbers are layouts whose home is the structure; text is a `TextField`. Holds no logic but one product (power);
`probes/decode.py` reads bytes by these layouts. Temperatures are kelvin, 0 where the drive gives none.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from knowledge.layout import Field, Layout, Reserved

_KERNEL: Final = "Linux include/linux/nvme.h"
_UNUSED: Final = "not decoded here"

IDENTIFY_CONTROLLER_SIZE: Final = 4096
LOG_SIZE: Final = 512


class TextField(Struct, frozen=True):
    """ASCII text of `size` bytes at `offset` of a structure, padded with spaces."""

    name: str
    offset: int
    size: int
    source: str


def _identify(name: str, offset: int, size: int, *fields: Field | Reserved) -> Layout:
    """Give a number of Identify Controller; without fields it is one field of the layout's own name."""
    source = f"NVM Express Base, Identify Controller data structure; {_KERNEL} struct nvme_id_ctrl"
    fields = fields or (Field(name, 0, 8 * size),)
    return Layout(name, home="identify controller", offset=offset, size=size, source=source, fields=fields)


def _health(name: str, offset: int, size: int, *fields: Field | Reserved) -> Layout:
    source = f"NVM Express Base, SMART / Health Information log page; {_KERNEL} struct nvme_smart_log"
    fields = fields or (Field(name, 0, 8 * size),)
    return Layout(name, home="log 02", offset=offset, size=size, source=source, fields=fields)


def _state(name: str, offset: int, size: int, *fields: Field | Reserved) -> Layout:
    source = f"NVM Express Base, Power State Descriptor data structure; {_KERNEL} struct nvme_id_power_state"
    fields = fields or (Field(name, 0, 8 * size),)
    return Layout(name, home="power state", offset=offset, size=size, source=source, fields=fields)


# --- Identify Controller (CNS 01h, 4,096 bytes) --------------------------------------------------------------

_IDENTIFY_TEXT: Final = f"NVM Express Base, Identify Controller data structure; {_KERNEL} struct nvme_id_ctrl"
SERIAL_NUMBER: Final = TextField("serial_number", 4, 20, _IDENTIFY_TEXT)
MODEL_NUMBER: Final = TextField("model_number", 24, 40, _IDENTIFY_TEXT)
FIRMWARE_REVISION: Final = TextField("firmware_revision", 64, 8, _IDENTIFY_TEXT)
# UTF-8 by its definition, but made of ASCII letters only; ended by a zero byte.
NVM_SUBSYSTEM_NAME: Final = TextField("nvm_subsystem_name", 768, 256, _IDENTIFY_TEXT)

PCI_VENDOR_ID: Final = _identify("pci_vendor_id", 0, 2)
PCI_SUBSYSTEM_VENDOR_ID: Final = _identify("pci_subsystem_vendor_id", 2, 2)
# The largest transfer is 2^n of the smallest memory page; 0 is no limit.
MAXIMUM_DATA_TRANSFER_SIZE: Final = _identify("maximum_data_transfer_size", 77, 1)
CONTROLLER_ID: Final = _identify("controller_id", 78, 2)
VERSION: Final = _identify(
    *("version", 80, 4),
    Field("tertiary_version_number", 0, 8),
    Field("minor_version_number", 8, 8),
    Field("major_version_number", 16, 16),
)
# Microseconds.
RTD3_RESUME_LATENCY: Final = _identify("rtd3_resume_latency", 84, 4)
RTD3_ENTRY_LATENCY: Final = _identify("rtd3_entry_latency", 88, 4)
CONTROLLER_ATTRIBUTES: Final = _identify("controller_attributes", 96, 4)
OPTIONAL_ADMIN_COMMAND_SUPPORT: Final = _identify("optional_admin_command_support", 256, 2)
FIRMWARE_UPDATES: Final = _identify(
    *("firmware_updates", 260, 1),
    Field("first_firmware_slot_read_only", 0),
    Field("number_of_firmware_slots", 1, 3),
    Field("firmware_activation_without_reset", 4),
    Reserved(5, 3, why=_UNUSED),
)
LOG_PAGE_ATTRIBUTES: Final = _identify("log_page_attributes", 261, 1)
# One less than the number of power states.
NUMBER_OF_POWER_STATES: Final = _identify("number_of_power_states", 263, 1)
AUTONOMOUS_POWER_STATE_TRANSITION_ATTRIBUTES: Final = _identify(
    *("autonomous_power_state_transition_attributes", 265, 1),
    Field("autonomous_power_state_transitions_supported", 0),
    Reserved(1, 7),
)
WARNING_TEMPERATURE: Final = _identify("warning_composite_temperature_threshold", 266, 2)
CRITICAL_TEMPERATURE: Final = _identify("critical_composite_temperature_threshold", 268, 2)
# Bytes.
TOTAL_NVM_CAPACITY: Final = _identify("total_nvm_capacity", 280, 16)
HOST_CONTROLLED_THERMAL_MANAGEMENT_ATTRIBUTES: Final = _identify(
    *("host_controlled_thermal_management_attributes", 322, 2),
    Field("host_controlled_thermal_management_supported", 0),
    Reserved(1, 15),
)
MINIMUM_THERMAL_MANAGEMENT_TEMPERATURE: Final = _identify("minimum_thermal_management_temperature", 324, 2)
MAXIMUM_THERMAL_MANAGEMENT_TEMPERATURE: Final = _identify("maximum_thermal_management_temperature", 326, 2)
NUMBER_OF_NAMESPACES: Final = _identify("number_of_namespaces", 516, 4)
VOLATILE_WRITE_CACHE: Final = _identify(
    *("volatile_write_cache", 525, 1),
    Field("volatile_write_cache_present", 0),
    Reserved(1, 7, why=_UNUSED),
)

# --- Power state descriptors (32 of 32 bytes in Identify Controller) -------------------------------------------

POWER_STATES_OFFSET: Final = 2048
POWER_STATE_SIZE: Final = 32
POWER_STATE_COUNT: Final = 32

MAXIMUM_POWER: Final = _state("maximum_power", 0, 2)
POWER_STATE_FLAGS: Final = _state(
    *("power_state_flags", 3, 1),
    Field("max_power_scale", 0),
    Field("non_operational_state", 1),
    Reserved(2, 6),
)
# Microseconds.
ENTRY_LATENCY: Final = _state("entry_latency", 4, 4)
EXIT_LATENCY: Final = _state("exit_latency", 8, 4)
# Rank among the power states: lower is faster.
RELATIVE_READ_THROUGHPUT: Final = _state(
    "relative_read_throughput", 12, 1, Field("relative_read_throughput", 0, 5), Reserved(5, 3)
)
RELATIVE_READ_LATENCY: Final = _state(
    "relative_read_latency", 13, 1, Field("relative_read_latency", 0, 5), Reserved(5, 3)
)
RELATIVE_WRITE_THROUGHPUT: Final = _state(
    "relative_write_throughput", 14, 1, Field("relative_write_throughput", 0, 5), Reserved(5, 3)
)
RELATIVE_WRITE_LATENCY: Final = _state(
    "relative_write_latency", 15, 1, Field("relative_write_latency", 0, 5), Reserved(5, 3)
)
IDLE_POWER: Final = _state("idle_power", 16, 2)
IDLE_POWER_SCALE: Final = _state("idle_power_scale", 18, 1, Reserved(0, 6), Field("idle_power_scale", 6, 2))
ACTIVE_POWER: Final = _state("active_power", 20, 2)
ACTIVE_POWER_SCALE: Final = _state(
    "active_power_scale", 22, 1, Reserved(0, 6, why=_UNUSED), Field("active_power_scale", 6, 2)
)

# Parts of a watt, by scale. Source: NVM Express Base, Power State Descriptor data structure (MXPS; IPS and APS).
MAX_POWER_DIVISORS: Final = {0: 100, 1: 10_000}
POWER_DIVISORS: Final = {1: 10_000, 2: 100}

# --- Log 02h: SMART / Health Information (512 bytes) ------------------------------------------------------------

CRITICAL_WARNING: Final = _health(
    *("critical_warning", 0, 1),
    Field("available_spare_below_threshold", 0),
    Field("temperature_past_threshold", 1),
    Field("nvm_subsystem_reliability_degraded", 2),
    Field("media_read_only", 3),
    Field("volatile_memory_backup_failed", 4),
    Field("persistent_memory_region_unreliable", 5),
    Reserved(6, 2),
)
COMPOSITE_TEMPERATURE: Final = _health("composite_temperature", 1, 2)
# Percent. Percentage used may pass 100 and stops at 255.
AVAILABLE_SPARE: Final = _health("available_spare", 3, 1)
AVAILABLE_SPARE_THRESHOLD: Final = _health("available_spare_threshold", 4, 1)
PERCENTAGE_USED: Final = _health("percentage_used", 5, 1)
ENDURANCE_GROUP_CRITICAL_WARNING_SUMMARY: Final = _health("endurance_group_critical_warning_summary", 6, 1)
# Units of 512,000 bytes, rounded up.
DATA_UNIT_BYTES: Final = 512_000
DATA_UNITS_READ: Final = _health("data_units_read", 32, 16)
DATA_UNITS_WRITTEN: Final = _health("data_units_written", 48, 16)
HOST_READ_COMMANDS: Final = _health("host_read_commands", 64, 16)
HOST_WRITE_COMMANDS: Final = _health("host_write_commands", 80, 16)
# Minutes.
CONTROLLER_BUSY_TIME: Final = _health("controller_busy_time", 96, 16)
POWER_CYCLES: Final = _health("power_cycles", 112, 16)
# Hours.
POWER_ON_HOURS: Final = _health("power_on_hours", 128, 16)
UNSAFE_SHUTDOWNS: Final = _health("unsafe_shutdowns", 144, 16)
MEDIA_AND_DATA_INTEGRITY_ERRORS: Final = _health("media_and_data_integrity_errors", 160, 16)
NUMBER_OF_ERROR_INFORMATION_LOG_ENTRIES: Final = _health("number_of_error_information_log_entries", 176, 16)
# Minutes at or above the warning threshold and below the critical one; minutes at or above the critical one.
WARNING_COMPOSITE_TEMPERATURE_TIME: Final = _health("warning_composite_temperature_time", 192, 4)
CRITICAL_COMPOSITE_TEMPERATURE_TIME: Final = _health("critical_composite_temperature_time", 196, 4)
TEMPERATURE_SENSORS: Final = tuple(
    _health(f"temperature_sensor_{number}", 198 + 2 * number, 2) for number in range(1, 9)
)
THERMAL_MANAGEMENT_TEMPERATURE_1_TRANSITION_COUNT: Final = _health(
    "thermal_management_temperature_1_transition_count", 216, 4
)
THERMAL_MANAGEMENT_TEMPERATURE_2_TRANSITION_COUNT: Final = _health(
    "thermal_management_temperature_2_transition_count", 220, 4
)
# Seconds.
TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_1: Final = _health(
    "total_time_for_thermal_management_temperature_1", 224, 4
)
TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_2: Final = _health(
    "total_time_for_thermal_management_temperature_2", 228, 4
)

# --- Log 03h: Firmware Slot Information (512 bytes) -------------------------------------------------------------

_FIRMWARE_LOG: Final = f"NVM Express Base, Firmware Slot Information log page; {_KERNEL} struct nvme_fw_slot_info_log"
ACTIVE_FIRMWARE_INFO: Final = Layout(
    "active_firmware_info",
    home="log 03",
    offset=0,
    size=1,
    source=_FIRMWARE_LOG,
    fields=(
        Field("active_firmware_slot", 0, 3),
        Reserved(3),
        Field("next_reset_firmware_slot", 4, 3),
        Reserved(7),
    ),
)
FIRMWARE_SLOT_REVISIONS: Final = tuple(
    TextField(f"firmware_revision_for_slot_{number}", 8 * number, 8, _FIRMWARE_LOG) for number in range(1, 8)
)

ALL_LAYOUTS: Final = (
    PCI_VENDOR_ID,
    PCI_SUBSYSTEM_VENDOR_ID,
    MAXIMUM_DATA_TRANSFER_SIZE,
    CONTROLLER_ID,
    VERSION,
    RTD3_RESUME_LATENCY,
    RTD3_ENTRY_LATENCY,
    CONTROLLER_ATTRIBUTES,
    OPTIONAL_ADMIN_COMMAND_SUPPORT,
    FIRMWARE_UPDATES,
    LOG_PAGE_ATTRIBUTES,
    NUMBER_OF_POWER_STATES,
    AUTONOMOUS_POWER_STATE_TRANSITION_ATTRIBUTES,
    WARNING_TEMPERATURE,
    CRITICAL_TEMPERATURE,
    TOTAL_NVM_CAPACITY,
    HOST_CONTROLLED_THERMAL_MANAGEMENT_ATTRIBUTES,
    MINIMUM_THERMAL_MANAGEMENT_TEMPERATURE,
    MAXIMUM_THERMAL_MANAGEMENT_TEMPERATURE,
    NUMBER_OF_NAMESPACES,
    VOLATILE_WRITE_CACHE,
    MAXIMUM_POWER,
    POWER_STATE_FLAGS,
    ENTRY_LATENCY,
    EXIT_LATENCY,
    RELATIVE_READ_THROUGHPUT,
    RELATIVE_READ_LATENCY,
    RELATIVE_WRITE_THROUGHPUT,
    RELATIVE_WRITE_LATENCY,
    IDLE_POWER,
    IDLE_POWER_SCALE,
    ACTIVE_POWER,
    ACTIVE_POWER_SCALE,
    CRITICAL_WARNING,
    COMPOSITE_TEMPERATURE,
    AVAILABLE_SPARE,
    AVAILABLE_SPARE_THRESHOLD,
    PERCENTAGE_USED,
    ENDURANCE_GROUP_CRITICAL_WARNING_SUMMARY,
    DATA_UNITS_READ,
    DATA_UNITS_WRITTEN,
    HOST_READ_COMMANDS,
    HOST_WRITE_COMMANDS,
    CONTROLLER_BUSY_TIME,
    POWER_CYCLES,
    POWER_ON_HOURS,
    UNSAFE_SHUTDOWNS,
    MEDIA_AND_DATA_INTEGRITY_ERRORS,
    NUMBER_OF_ERROR_INFORMATION_LOG_ENTRIES,
    WARNING_COMPOSITE_TEMPERATURE_TIME,
    CRITICAL_COMPOSITE_TEMPERATURE_TIME,
    *TEMPERATURE_SENSORS,
    THERMAL_MANAGEMENT_TEMPERATURE_1_TRANSITION_COUNT,
    THERMAL_MANAGEMENT_TEMPERATURE_2_TRANSITION_COUNT,
    TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_1,
    TOTAL_TIME_FOR_THERMAL_MANAGEMENT_TEMPERATURE_2,
    ACTIVE_FIRMWARE_INFO,
)
ALL_TEXTS: Final = (
    SERIAL_NUMBER,
    MODEL_NUMBER,
    FIRMWARE_REVISION,
    NVM_SUBSYSTEM_NAME,
    *FIRMWARE_SLOT_REVISIONS,
)


def max_power_watts(power: int, scale: int) -> float | None:
    """Maximum power of a power state in watts; None where the drive states none (0)."""
    return power / MAX_POWER_DIVISORS[scale] if power else None


def power_watts(power: int, scale: int) -> float | None:
    """Idle or active power of a power state in watts; None where the drive states none (scale 0 or reserved)."""
    divisor = POWER_DIVISORS.get(scale)
    return power / divisor if divisor else None
