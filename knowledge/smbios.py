"""What firmware says of its slots and itself (SMBIOS structures 0, 1, 2, 9 and 41): layouts and codes as data.

A layout begins at `offset` bytes from the start of its structure. A structure ends where its own length byte says:
a field past that end is not stated, whatever stands there. String fields hold the number of a string, 0 for none.

Sources: DMTF DSP0134, System Management BIOS Reference Specification, by the sections named below; the open text to
look offsets and codes up in is EDK II MdePkg/Include/IndustryStandard/SmBios.h.
"""

from __future__ import annotations

from typing import Final

from knowledge.layout import Field, Layout, Reserved

FIRMWARE_TYPE: Final = 0
SYSTEM_TYPE: Final = 1
BOARD_TYPE: Final = 2
SLOT_TYPE: Final = 9
ONBOARD_DEVICE_TYPE: Final = 41
END_TYPE: Final = 127

# What the sections of the specification are called; each is followed by the place of the same in the open text.
_SECTION: Final = "DMTF DSP0134, {}; EDK II MdePkg/Include/IndustryStandard/SmBios.h"
_SLOTS: Final = _SECTION.format("System Slots (Type 9)")

# Type, length of the fixed part (with these four bytes) and handle. Source: DSP0134, Structure header format.
HEADER: Final = "<BBH"
HEADER_SIZE: Final = 4

# The fixed beginning of a slot. Since 2.0; characteristics 2 since 2.1, the address since 2.6, base width and the
# number of peer groups since 3.2.
SLOT: Final = Layout(
    "system_slot",
    home="structure 09",
    offset=0x04,
    size=15,
    source=_SLOTS,
    fields=(
        Field("designation", 0, 8),
        Field("slot_type", 8, 8),
        Field("data_bus_width", 16, 8),
        Field("current_usage", 24, 8),
        Field("slot_length", 32, 8),
        Field("slot_id", 40, 16),
        # Characteristics 1.
        Field("characteristics_unknown", 56),
        Field("provides_5_volts", 57),
        Field("provides_3_3_volts", 58),
        Field("opening_is_shared", 59),
        Reserved(60, 4, "PC Card sockets, which no workstation slot is"),
        # Characteristics 2.
        Field("power_management_event", 64),
        Field("hot_plug", 65),
        Field("smbus", 66),
        Field("bifurcation", 67),
        Field("surprise_removal", 68),
        Field("cxl_1", 69),
        Field("cxl_2", 70),
        Field("cxl_3", 71),
        Field("segment", 72, 16),
        Field("bus", 88, 8),
        Field("function", 96, 3),
        Field("device", 99, 5),
        Field("base_width", 104, 8),
        Field("peer_groups", 112, 8),
    ),
)

# One further group of a split slot, since 3.2; as many as `peer_groups` says follow each other from here.
PEER_GROUP: Final = Layout(
    "peer_group",
    home="structure 09",
    offset=0x13,
    size=5,
    source=_SLOTS,
    fields=(
        Field("segment", 0, 16),
        Field("bus", 16, 8),
        Field("function", 24, 3),
        Field("device", 27, 5),
        Field("width", 32, 8),
    ),
)

# What follows the last peer group, since 3.4 (the height since 3.5); the offset is that of a slot without peers.
SLOT_AFTER_PEERS: Final = Layout(
    "slot_after_peers",
    home="structure 09",
    offset=0x13,
    size=5,
    source=_SLOTS,
    fields=(
        Field("slot_information", 0, 8),
        Field("physical_width", 8, 8),
        Field("pitch", 16, 16),
        Field("height", 32, 8),
    ),
)

# Since 2.6.
ONBOARD_DEVICE: Final = Layout(
    "onboard_device",
    home="structure 29",
    offset=0x04,
    size=7,
    source=_SECTION.format("Onboard Devices Extended Information (Type 41)"),
    fields=(
        Field("designation", 0, 8),
        Field("device_type", 8, 7),
        Field("enabled", 15),
        Field("instance", 16, 8),
        Field("segment", 24, 16),
        Field("bus", 40, 8),
        Field("function", 48, 3),
        Field("device", 51, 5),
    ),
)

# Since 2.0; the releases since 2.4.
FIRMWARE: Final = Layout(
    "firmware",
    home="structure 00",
    offset=0x04,
    size=20,
    source=_SECTION.format("BIOS Information (Type 0)"),
    fields=(
        Field("vendor", 0, 8),
        Field("version", 8, 8),
        Reserved(16, 16, "start address of the firmware in low memory"),
        Field("date", 32, 8),
        Reserved(40, 88, "size and characteristics of the firmware"),
        Field("release_major", 128, 8),
        Field("release_minor", 136, 8),
        Field("controller_release_major", 144, 8),
        Field("controller_release_minor", 152, 8),
    ),
)

# Since 2.0. Serial numbers are not for this agent to read.
SYSTEM: Final = Layout(
    "system",
    home="structure 01",
    offset=0x04,
    size=4,
    source=_SECTION.format("System Information (Type 1)"),
    fields=(
        Field("manufacturer", 0, 8),
        Field("product_name", 8, 8),
        Field("version", 16, 8),
        Reserved(24, 8, "serial number"),
    ),
)

# Since 2.0.
BOARD: Final = Layout(
    "board",
    home="structure 02",
    offset=0x04,
    size=4,
    source=_SECTION.format("Baseboard Information (Type 2)"),
    fields=(
        Field("manufacturer", 0, 8),
        Field("product", 8, 8),
        Field("version", 16, 8),
        Reserved(24, 8, "serial number"),
    ),
)

ALL_LAYOUTS: Final = (SLOT, PEER_GROUP, SLOT_AFTER_PEERS, ONBOARD_DEVICE, FIRMWARE, SYSTEM, BOARD)

# An address that names nothing. Source: Linux drivers/firmware/dmi_scan.c dmi_save_dev_pciaddr.
NO_SEGMENT: Final = 0xFFFF
NO_BUS: Final = 0xFF
NO_PLACE: Final = (0x1F, 7)

# A release that the firmware does not state. Source: DSP0134, BIOS Information; Linux dmi_scan.c dmi_save_release.
NO_RELEASE: Final = 0xFF


def _ladder(first: int, generation: int) -> dict[int, tuple[str, int, int]]:
    """Six codes in a row: any width, then x1, x2, x4, x8 and x16."""
    return {code: ("card", generation, lanes) for code, lanes in enumerate((0, 1, 2, 4, 8, 16), first)}


# Slot type codes to kind, generation and lanes; 0 where the code does not say. Codes A5 to AA are older than the
# second generation and name none. C4 is "generation 6 and beyond": the slot information says which. Codes that are
# not here (conventional PCI and older buses, graphics modules) are of kind "other".
# Source: DSP0134, System Slots, Slot Type field.
SLOT_TYPES: Final[dict[int, tuple[str, int, int]]] = {
    0x14: ("m.2", 0, 0),  # socket 1-DP, key A
    0x15: ("m.2", 0, 0),  # socket 1-SD, key E
    0x16: ("m.2", 0, 0),  # socket 2, key B
    0x17: ("m.2", 0, 0),  # socket 3, key M
    0x1F: ("u.2", 2, 0),
    0x20: ("u.2", 3, 0),
    0x21: ("mini card", 0, 0),  # 52 pins, with keep-outs below the card
    0x22: ("mini card", 0, 0),  # 52 pins, without
    0x23: ("mini card", 0, 0),  # 76 pins
    0x24: ("u.2", 4, 0),
    0x25: ("u.2", 5, 0),
    0x26: ("ocp", 0, 0),  # OCP NIC 3.0, small form factor
    0x27: ("ocp", 0, 0),  # OCP NIC 3.0, large form factor
    0x28: ("ocp", 0, 0),  # before 3.0
    **_ladder(0xA5, 0),
    **_ladder(0xAB, 2),
    **_ladder(0xB1, 3),
    **_ladder(0xB8, 4),
    **_ladder(0xBE, 5),
    0xC4: ("card", 0, 0),
    0xC5: ("edsff", 0, 0),  # E1
    0xC6: ("edsff", 0, 0),  # E3
}
OTHER_SLOT: Final = ("other", 0, 0)

# Width codes to lanes, for the data bus width and the physical width; the codes below 08 count bits of older buses.
# Source: DSP0134, System Slots, Slot Data Bus Width field.
WIDTH_CODES: Final = {0x08: 1, 0x09: 2, 0x0A: 4, 0x0B: 8, 0x0C: 12, 0x0D: 16, 0x0E: 32}

# Source: DSP0134, System Slots, Current Usage field.
USAGES: Final = {1: "other", 2: "unknown", 3: "free", 4: "in use", 5: "unavailable"}

# Source: DSP0134, System Slots, Slot Length field.
LENGTHS: Final = {1: "other", 2: "unknown", 3: "short", 4: "long"}

# Values of the slot information that name a generation of PCI Express. Some firmware writes 1 for a slot of
# generation 2, as the open header once listed it; a slot type that says more is then believed.
# Source: DSP0134, System Slots, Slot Information field.
GENERATIONS: Final = (1, 2, 3, 4, 5, 6)
