"""What an NVMe drive returns to Identify and Get Log Page, made from a few words. Test help only.

Offsets: include/linux/nvme.h of the kernel (struct nvme_id_ctrl, nvme_smart_log, nvme_fw_slot_info_log).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from tests.parts import Function, Nvme


def identify(nvme: Nvme, function: Function) -> bytes:
    """Identify Controller. Offsets: include/linux/nvme.h struct nvme_id_ctrl."""
    data = bytearray(4096)
    struct.pack_into("<HH", data, 0, function.vendor, function.subsystem[0])
    for offset, size, text in ((4, 20, nvme.serial), (24, 40, nvme.model), (64, 8, nvme.firmware)):
        data[offset : offset + size] = text.encode("utf-8", "surrogateescape")[:size].ljust(size)
    struct.pack_into("<BHI", data, 77, 7, 1, 0x00010400)
    struct.pack_into("<HH", data, 266, nvme.warning, nvme.critical)
    data[260] = len(nvme.slots) << 1  # bits 3:1, the number of firmware slots
    struct.pack_into("<QQ", data, 280, nvme.size, 0)
    struct.pack_into("<I", data, 516, 1)
    struct.pack_into("<H", data, 2048, 850)
    return bytes(data)


# Where a figure of the health log stands: offset and form. Source: include/linux/nvme.h struct nvme_smart_log.
LOG_PLACES: Final = {
    "critical_warning": (0, "B"),
    "available_spare": (3, "B"),
    "spare_threshold": (4, "B"),
    "percentage_used": (5, "B"),
    "data_units_read": (32, "Q"),
    "data_units_written": (48, "Q"),
    "power_cycles": (112, "Q"),
    "power_on_hours": (128, "Q"),
    "unsafe_shutdowns": (144, "Q"),
    "media_errors": (160, "Q"),
    "error_log_entries": (176, "Q"),
    "warning_minutes": (192, "I"),
    "critical_minutes": (196, "I"),
    "light_throttles": (216, "I"),
    "heavy_throttles": (220, "I"),
    "light_throttle_seconds": (224, "I"),
    "heavy_throttle_seconds": (228, "I"),
}
USUAL_LOG: Final = {
    "available_spare": 100,
    "spare_threshold": 10,
    "percentage_used": 2,
    "data_units_read": 41_000_000,
    "data_units_written": 23_000_000,
    "power_cycles": 210,
    "power_on_hours": 3100,
    "unsafe_shutdowns": 4,
}


def health_log(nvme: Nvme) -> bytes:
    """SMART / Health Information (log page 02h)."""
    data = bytearray(512)
    struct.pack_into("<H", data, 1, nvme.kelvin)
    for name, figure in (USUAL_LOG | nvme.log).items():
        offset, form = LOG_PLACES[name]
        struct.pack_into(f"<{form}", data, offset, figure)
    for number, kelvin in enumerate(nvme.sensors):
        struct.pack_into("<H", data, 200 + 2 * number, kelvin)
    return bytes(data)


def firmware_log(nvme: Nvme) -> bytes:
    """Firmware Slot Information (log page 03h): slot 1 active; bits 6:4 of its first byte, that of the next reset."""
    data = bytearray(512)
    data[0] = nvme.next_slot << 4 | 1
    for number, revision in enumerate(nvme.slots or (nvme.firmware,), 1):
        data[8 * number : 8 * number + 8] = revision.encode("utf-8", "surrogateescape")[:8].ljust(8)
    return bytes(data)
