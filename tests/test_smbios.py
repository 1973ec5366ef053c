"""Firmware tables: each field by hand, every cut, every lie, and tables that another program made.

Offsets and codes are those of DMTF DSP0134, System Management BIOS Reference Specification 3.5, System Slots (Type 9),
Onboard Devices Extended Information (Type 41), BIOS Information (Type 0), System (Type 1) and Baseboard (Type 2)
Information, as EDK II MdePkg/Include/IndustryStandard/SmBios.h has them.
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
from pathlib import Path
from shutil import which
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from knowledge import smbios
from knowledge.layout import Field, Layout
from knowledge.rates import WIDTHS
from probes.facts import BoardDevice, BoardSlot, Host
from probes.smbios import (
    MOST_PROBLEMS,
    MOST_STRUCTURES,
    board_devices,
    board_identity,
    board_slots,
    problems,
    structures,
)
from tests.smbios_table import (
    DEVICE_LENGTH,
    END,
    NOWHERE,
    SLOT_LENGTH,
    device_structure,
    slot_body,
    slot_structure,
    structure,
    table,
)

KINDS: Final = {"card", "m.2", "u.2", "edsff", "mini card", "ocp", "other"}
TABLES: Final = Path("/sys/firmware/dmi/tables/DMI")
IDENTITY: Final = Path("/sys/class/dmi/id")
EMULATOR: Final = "qemu-system-x86_64"


def slot(*, length: int | None = None, **fields: object) -> BoardSlot:
    """The one slot of a table with these fields."""
    (found,) = board_slots(table(slot_structure(slot_body(**fields), length=length)))  # type: ignore[arg-type]
    return found


def why(content: bytes) -> list[str]:
    """The sentences about what is broken in a table."""
    return [problem.why for problem in problems(content)]


# --- Layouts ---------------------------------------------------------------------------------------------------

# Layout, field, offset from the start of the structure, first bit, bits.
PLACES: Final = [
    (smbios.SLOT, "designation", 0x04, 0, 8),
    (smbios.SLOT, "slot_type", 0x05, 0, 8),
    (smbios.SLOT, "data_bus_width", 0x06, 0, 8),
    (smbios.SLOT, "current_usage", 0x07, 0, 8),
    (smbios.SLOT, "slot_length", 0x08, 0, 8),
    (smbios.SLOT, "slot_id", 0x09, 0, 16),
    (smbios.SLOT, "provides_5_volts", 0x0B, 1, 1),
    (smbios.SLOT, "provides_3_3_volts", 0x0B, 2, 1),
    (smbios.SLOT, "opening_is_shared", 0x0B, 3, 1),
    (smbios.SLOT, "power_management_event", 0x0C, 0, 1),
    (smbios.SLOT, "hot_plug", 0x0C, 1, 1),
    (smbios.SLOT, "smbus", 0x0C, 2, 1),
    (smbios.SLOT, "bifurcation", 0x0C, 3, 1),
    (smbios.SLOT, "surprise_removal", 0x0C, 4, 1),
    (smbios.SLOT, "cxl_1", 0x0C, 5, 1),
    (smbios.SLOT, "cxl_3", 0x0C, 7, 1),
    (smbios.SLOT, "segment", 0x0D, 0, 16),
    (smbios.SLOT, "bus", 0x0F, 0, 8),
    (smbios.SLOT, "function", 0x10, 0, 3),
    (smbios.SLOT, "device", 0x10, 3, 5),
    (smbios.SLOT, "base_width", 0x11, 0, 8),
    (smbios.SLOT, "peer_groups", 0x12, 0, 8),
    (smbios.PEER_GROUP, "segment", 0x13, 0, 16),
    (smbios.PEER_GROUP, "bus", 0x15, 0, 8),
    (smbios.PEER_GROUP, "function", 0x16, 0, 3),
    (smbios.PEER_GROUP, "device", 0x16, 3, 5),
    (smbios.PEER_GROUP, "width", 0x17, 0, 8),
    (smbios.SLOT_AFTER_PEERS, "slot_information", 0x13, 0, 8),
    (smbios.SLOT_AFTER_PEERS, "physical_width", 0x14, 0, 8),
    (smbios.SLOT_AFTER_PEERS, "pitch", 0x15, 0, 16),
    (smbios.SLOT_AFTER_PEERS, "height", 0x17, 0, 8),
    (smbios.ONBOARD_DEVICE, "designation", 0x04, 0, 8),
    (smbios.ONBOARD_DEVICE, "device_type", 0x05, 0, 7),
    (smbios.ONBOARD_DEVICE, "enabled", 0x05, 7, 1),
    (smbios.ONBOARD_DEVICE, "instance", 0x06, 0, 8),
    (smbios.ONBOARD_DEVICE, "segment", 0x07, 0, 16),
    (smbios.ONBOARD_DEVICE, "bus", 0x09, 0, 8),
    (smbios.ONBOARD_DEVICE, "function", 0x0A, 0, 3),
    (smbios.ONBOARD_DEVICE, "device", 0x0A, 3, 5),
    (smbios.FIRMWARE, "vendor", 0x04, 0, 8),
    (smbios.FIRMWARE, "version", 0x05, 0, 8),
    (smbios.FIRMWARE, "date", 0x08, 0, 8),
    (smbios.FIRMWARE, "release_major", 0x14, 0, 8),
    (smbios.FIRMWARE, "release_minor", 0x15, 0, 8),
    (smbios.FIRMWARE, "controller_release_major", 0x16, 0, 8),
    (smbios.FIRMWARE, "controller_release_minor", 0x17, 0, 8),
    (smbios.SYSTEM, "manufacturer", 0x04, 0, 8),
    (smbios.SYSTEM, "product_name", 0x05, 0, 8),
    (smbios.SYSTEM, "version", 0x06, 0, 8),
    (smbios.BOARD, "manufacturer", 0x04, 0, 8),
    (smbios.BOARD, "product", 0x05, 0, 8),
    (smbios.BOARD, "version", 0x06, 0, 8),
]


@pytest.mark.parametrize(("layout", "name", "offset", "first", "width"), PLACES)
def test_every_field_is_where_the_specification_has_it(
    layout: Layout, name: str, offset: int, first: int, width: int
) -> None:
    """A field stands at its offset and bit, and is as wide as the specification says."""
    field = layout.index[name]
    assert (8 * (offset - layout.offset) + first, width) == (field.bit, field.width)


@pytest.mark.parametrize("layout", smbios.ALL_LAYOUTS, ids=repr)
def test_every_layout_is_whole_and_has_a_source(layout: Layout) -> None:
    """Fields and reserved bits cover a layout once, without gap; the source names section and open text."""
    expected = 0
    for part in layout.fields:
        assert (expected, True) == (part.bit, part.width > 0)
        expected += part.width
    assert expected == 8 * layout.size
    assert re.fullmatch(r"DMTF DSP0134, [\w ()]+; EDK II MdePkg/Include/IndustryStandard/SmBios\.h", layout.source)
    assert [part for part in layout.fields if not isinstance(part, Field) and not part.why] == []


def test_tables_of_codes_are_sorted_and_sane() -> None:
    """Codes are in order and one byte each; kinds are the known ones; lanes are widths that a link can have."""
    for codes in (smbios.SLOT_TYPES, smbios.WIDTH_CODES, smbios.USAGES, smbios.LENGTHS):
        assert list(codes) == sorted(codes)
        assert all(0 < code <= 0xFF for code in codes)
    assert {kind for kind, _, _ in smbios.SLOT_TYPES.values()} | {"other"} == KINDS
    assert {lanes for _, _, lanes in smbios.SLOT_TYPES.values()} <= {0, *WIDTHS}
    assert tuple(smbios.WIDTH_CODES.values()) == WIDTHS


# --- Slots: codes ----------------------------------------------------------------------------------------------

SLOT_TYPES: Final = [
    *((code, "m.2", 0, 0) for code in (0x14, 0x15, 0x16, 0x17)),
    *((0x1F, "u.2", 2, 0), (0x20, "u.2", 3, 0), (0x24, "u.2", 4, 0), (0x25, "u.2", 5, 0)),
    *((code, "mini card", 0, 0) for code in (0x21, 0x22, 0x23)),
    *((code, "ocp", 0, 0) for code in (0x26, 0x27, 0x28)),
    *((0xA5, "card", 0, 0), (0xA6, "card", 0, 1), (0xA7, "card", 0, 2)),
    *((0xA8, "card", 0, 4), (0xA9, "card", 0, 8), (0xAA, "card", 0, 16)),
    *((0xAB, "card", 2, 0), (0xAC, "card", 2, 1), (0xAD, "card", 2, 2)),
    *((0xAE, "card", 2, 4), (0xAF, "card", 2, 8), (0xB0, "card", 2, 16)),
    *((0xB1, "card", 3, 0), (0xB2, "card", 3, 1), (0xB3, "card", 3, 2)),
    *((0xB4, "card", 3, 4), (0xB5, "card", 3, 8), (0xB6, "card", 3, 16)),
    *((0xB8, "card", 4, 0), (0xB9, "card", 4, 1), (0xBA, "card", 4, 2)),
    *((0xBB, "card", 4, 4), (0xBC, "card", 4, 8), (0xBD, "card", 4, 16)),
    *((0xBE, "card", 5, 0), (0xBF, "card", 5, 1), (0xC0, "card", 5, 2)),
    *((0xC1, "card", 5, 4), (0xC2, "card", 5, 8), (0xC3, "card", 5, 16)),
    *((0xC4, "card", 0, 0), (0xC5, "edsff", 0, 0), (0xC6, "edsff", 0, 0)),
]


@pytest.mark.parametrize(("code", "kind", "generation", "lanes"), SLOT_TYPES)
def test_slot_types_say_kind_generation_and_lanes(code: int, kind: str, generation: int, lanes: int) -> None:
    """A slot of an old firmware is known by its type code alone."""
    found = slot(kind=code, length=0x11)
    assert (code, kind, generation, lanes) == (
        *(found.type_code, found.kind),
        *(found.generation, found.connector_lanes),
    )


def test_all_other_slot_types_say_nothing_of_lanes() -> None:
    """Conventional PCI, older buses, graphics modules and codes not given out are of another kind."""
    known = {code for code, *_ in SLOT_TYPES}
    assert known == set(smbios.SLOT_TYPES)
    for code in set(range(256)) - known:
        found = slot(kind=code, length=0x11)
        assert (found.kind, found.generation, found.connector_lanes) == ("other", 0, 0)


@pytest.mark.parametrize(
    ("code", "lanes"),
    [(0x08, 1), (0x09, 2), (0x0A, 4), (0x0B, 8), (0x0C, 12), (0x0D, 16), (0x0E, 32), (0x01, 0), (0x05, 0), (0xFF, 0)],
)
def test_width_codes_are_lanes(code: int, lanes: int) -> None:
    """A width code gives lanes; codes that count bits of older buses, and unknown ones, give none."""
    assert lanes == slot(width=code, length=0x11).wired_lanes
    assert lanes == slot(kind=0xB1, physical_width=code).connector_lanes


@pytest.mark.parametrize(
    ("code", "usage"),
    [(1, "other"), (2, "unknown"), (3, "free"), (4, "in use"), (5, "unavailable"), (0, "unknown"), (6, "unknown")],
)
def test_usage_codes_are_words(code: int, usage: str) -> None:
    """Usage is one of five words; codes not given out are unknown."""
    assert usage == slot(usage=code).usage


@pytest.mark.parametrize(
    ("code", "length"), [(1, "other"), (2, "unknown"), (3, "short"), (4, "long"), (0, "unknown"), (0x77, "unknown")]
)
def test_length_codes_are_words(code: int, length: str) -> None:
    """Length is one of four words; codes not given out are unknown."""
    assert length == slot(slot_length=code).length


@pytest.mark.parametrize(
    ("kind", "information", "generation"),
    [
        (0xB6, 3, 3),
        (0xB6, 4, 4),  # the younger field is the more exact one
        (0xB6, 0, 3),  # not stated: the type says it
        (0xAA, 1, 1),
        (0xB0, 1, 2),  # some firmware writes 1 for generation 2: the type is believed
        (0xC4, 6, 6),
        (0xC4, 0, 0),
        (0xC4, 7, 0),  # not given out in 3.5
        (0x17, 4, 4),
    ],
)
def test_the_generation_is_that_of_slot_information_or_type(kind: int, information: int, generation: int) -> None:
    """Slot information names the generation where it can; else the slot type does; else it is not stated."""
    assert generation == slot(kind=kind, information=information).generation


def test_a_long_slot_may_be_wired_with_fewer_lanes() -> None:
    """The physical width is that of the connector, the data bus width that of the lanes behind it."""
    found = slot(kind=0xB4, width=0x0A, physical_width=0x0D)
    assert (found.connector_lanes, found.wired_lanes) == (16, 4)


def test_the_slot_type_stands_in_for_an_unknown_physical_width() -> None:
    """Code 2, unknown, as the physical width leaves the width of the slot type."""
    assert slot(kind=0xB5, physical_width=0x02).connector_lanes == 8


@pytest.mark.parametrize(
    ("bits", "hot_plug", "can_split"), [(0x00, False, False), (0x02, True, False), (0x08, False, True)]
)
def test_the_second_characteristics_say_what_a_slot_can(bits: int, hot_plug: bool, can_split: bool) -> None:  # noqa: FBT001 - a table
    """Bit 1 is hot-plug, bit 3 bifurcation."""
    found = slot(characteristics=(0xFF, bits))
    assert (found.hot_plug, found.can_split) == (hot_plug, can_split)


# --- Slots: where they end -------------------------------------------------------------------------------------


def test_a_slot_before_3_2_has_no_width_field_and_cannot_say_whether_it_splits() -> None:
    """Length 0x11 ends before the base width: what follows are strings, and a clear bit 3 says nothing."""
    found = slot(length=0x11, width=0x0A, place=(0, 3, 0), information=5)
    assert found == BoardSlot(
        designation="SLOT1",
        type_code=0xB6,
        kind="card",
        generation=3,
        wired_lanes=4,
        connector_lanes=16,
        length="long",
        usage="free",
        slot_id=1,
        can_split=None,
        hot_plug=False,
        address="0000:03:00.0",
        peers=(),
    )
    (read,) = [one for one in structures(table(slot_structure(slot_body(), length=0x11))) if one.kind == 9]
    assert "base_width" not in read.fields(smbios.SLOT)
    assert read.fields(smbios.SLOT_AFTER_PEERS) == {}


def test_a_bifurcation_bit_set_before_its_time_is_believed() -> None:
    """A firmware that sets bit 3 means it, whatever the length of its structure."""
    assert slot(length=0x11, characteristics=(0, 8)).can_split is True


def test_fields_after_the_peers_move_with_their_number() -> None:
    """Without peers the pitch is at 0x15 and the height at 0x17 of 0x18 bytes; with three the height is at 0x26."""
    bare = slot_structure(slot_body(pitch=1250, height=4))
    assert bare[1] == SLOT_LENGTH == 0x18
    assert (struct.unpack_from("<H", bare, 0x15), bare[0x17]) == ((1250,), 4)
    peers = [(0, 0x40 + one, 0, 4) for one in range(3)]
    split = slot_structure(slot_body(pitch=1250, height=4, peers=peers, information=5, physical_width=0x0C))
    assert (split[1], split[0x26]) == (0x27, 4)
    for made, shift in ((bare, 0), (split, 15)):
        (read,) = [one for one in structures(table(made)) if one.kind == 9]
        after = read.fields(smbios.SLOT_AFTER_PEERS, shift)
        assert (after["pitch"], after["height"]) == (1250, 4)
    (found,) = board_slots(table(split))
    assert (found.generation, found.connector_lanes) == (5, 12)


def test_a_slot_at_every_length() -> None:
    """At each length the fields within it are as in the whole slot, and the others are not stated."""
    body = slot_body(
        characteristics=(0x0C, 0x0A), width=0x02, base_width=4, place=(0, 0x41, 8), peers=[(0, 0x42, 0, 4)] * 3
    )
    whole = slot_structure(body)
    (full,) = board_slots(table(whole))
    assert full.wired_lanes == 16  # 4 and three times 4: the width code says "unknown"
    absent = structs.replace(full, designation="SLOT1", usage="unknown", length="unknown", slot_id=0, peers=())
    absent = structs.replace(absent, can_split=None, hot_plug=None, address=None, wired_lanes=0)
    reached = {0x08: {"usage"}, 0x09: {"length"}, 0x0B: {"slot_id"}, 0x0D: {"can_split", "hot_plug"}, 0x11: {"address"}}
    stated: set[str] = set()
    for length in range(6, 0x13):
        stated |= reached.get(length, set())
        expected = structs.replace(absent, **{name: getattr(full, name) for name in stated})
        if length >= 0x12:
            expected = structs.replace(expected, wired_lanes=4)
        (found,) = board_slots(table(slot_structure(body, length=length)))
        assert found == expected, f"{length:#x}"
        assert [] == why(table(slot_structure(body, length=length)))
    for length in range(0x13, whole[1] + 1):
        (found,) = board_slots(table(slot_structure(body, length=length)))
        groups = min((length - 0x13) // 5, 3)
        assert len(found.peers) == groups, f"{length:#x}"
        assert bool(why(table(slot_structure(body, length=length)))) is (groups < 3)
        # 4, 8, 12 and 16 lanes are all widths.
        assert found.wired_lanes == 4 + 4 * groups


@pytest.mark.parametrize("length", [4, 5])
def test_a_slot_without_a_type_is_none(length: int) -> None:
    """A structure too short to say what kind of slot it is gives no slot but a problem."""
    content = table(slot_structure(slot_body(), length=length))
    assert board_slots(content) == ()
    assert why(content) == ["the structure at byte 0 is broken: it is too short for its slot type"]


# --- Slots: addresses and peers --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "address"),
    [
        (NOWHERE, None),
        ((0x0000, 0xFF, 0xFF), None),
        ((0xFFFF, 0x03, 0x00), None),
        ((0, 0x03, 0x00), "0000:03:00.0"),
        ((0, 0, 0), "0000:00:00.0"),
        ((0, 0x00, 0x0B), "0000:00:01.3"),
        ((0, 0xFF, 0x08), "0000:ff:01.0"),
        ((0x10, 0xC1, 0xFA), "0010:c1:1f.2"),
    ],
)
def test_addresses_are_written_as_linux_writes_them(place: tuple[int, int, int], address: str | None) -> None:
    """Segment, bus, device and function; what names nothing is no address (Linux dmi_scan.c, dmi_save_dev_pciaddr)."""
    assert address == slot(place=place).address
    (device,) = board_devices(table(device_structure(b"LAN", place=place)))
    assert address == device.address


def test_peers_of_a_split_slot_are_its_further_groups() -> None:
    """Each peer has address and lanes; one without an address is left out, one with an odd width has no lanes."""
    peers = [(0, 0x02, 0x00, 4), (0xFFFF, 0xFF, 0xFF, 4), (0, 0x04, 0x01, 5)]
    found = slot(width=0x0D, base_width=4, place=(0, 1, 0), peers=peers)
    assert found.peers == (("0000:02:00.0", 4), ("0000:04:00.1", 0))
    assert found.wired_lanes == 16


@pytest.mark.parametrize(
    ("base", "peers", "lanes"), [(8, [8], 16), (4, [4, 4, 4], 16), (4, [], 4), (8, [4], 12), (5, [], 0), (0, [], 0)]
)
def test_the_groups_of_a_slot_add_up_where_its_width_code_says_nothing(base: int, peers: list[int], lanes: int) -> None:
    """Base width and the peers' widths are plain numbers; a sum that is no width of a link is not stated."""
    groups = [(0, 2 + number, 0, width) for number, width in enumerate(peers)]
    assert lanes == slot(width=0x02, base_width=base, peers=groups).wired_lanes


def test_more_peers_than_there_is_room_for() -> None:
    """A slot that claims 255 peers has those that its length holds, and nothing after them; a problem says so."""
    body = slot_body(peers=[(0, 2, 0, 8)], peer_count=255, information=5, physical_width=0x08)
    content = table(slot_structure(body))
    (found,) = board_slots(content)
    # The five bytes after the only true peer are read as a second one: the structure says that they are.
    assert found.peers[0] == ("0000:02:00.0", 8)
    assert len(found.peers) == 2
    assert (found.generation, found.connector_lanes) == (3, 16)
    assert why(content) == ["the structure at byte 0 is broken: it is too short for its 255 peer groups"]


# --- Strings ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"PCIE1", "PCIE1"),
        (b"  PCIE1 \t", "PCIE1"),
        ("Ständer 2".encode(), "Ständer 2"),
        ("Ständer 2".encode("latin-1"), "Ständer 2"),
        (b"\xff\xfe", "ÿþ"),
        (b"\x1b[31mred", "\x1b[31mred"),
        (b"   ", ""),
    ],
)
def test_strings_are_utf_8_or_one_character_a_byte(raw: bytes, text: str) -> None:
    """Text of any encoding is read; the spaces around it are not part of it."""
    (found,) = board_slots(table(slot_structure(slot_body(), raw)))
    assert text == found.designation


def test_a_string_is_found_by_its_number() -> None:
    """Number 0 is no string, the first is number 1; a number too many is no string either, but a problem."""
    names = (b"ONE", b"TWO", b"THREE")
    found = {number: table(slot_structure(slot_body(designation=number), *names)) for number in (0, 1, 2, 3, 4, 255)}
    expected = {0: "", 1: "ONE", 2: "TWO", 3: "THREE", 4: "", 255: ""}
    assert expected == {number: board_slots(content)[0].designation for number, content in found.items()}
    assert [why(found[number]) for number in range(4)] == [[], [], [], []]
    assert why(found[4]) == ["the structure at byte 0 is broken: its designation is string 4, which it does not have"]


def test_a_structure_without_strings_has_none() -> None:
    """Two zero bytes follow the fixed part; the next structure begins after them."""
    content = table(structure(9, slot_body()), slot_structure(slot_body(), b"PCIE2"))
    assert [found.designation for found in board_slots(content)] == ["", "PCIE2"]


# --- Devices and identity --------------------------------------------------------------------------------------


def test_devices_on_the_board_are_read() -> None:
    """The highest bit of the type says enabled, the rest which kind; order is that of the table."""
    content = table(
        device_structure(b"Onboard LAN", kind=0x85, place=(0, 0, 0x28)),
        device_structure(b"Onboard SATA", kind=0x09, place=(0, 0, 0xFA)),
    )
    assert board_devices(content) == (
        BoardDevice("Onboard LAN", 5, enabled=True, address="0000:00:05.0"),
        BoardDevice("Onboard SATA", 9, enabled=False, address="0000:00:1f.2"),
    )


def test_a_device_at_every_length() -> None:
    """A device whose structure ends before its address has none; one without a type is none."""
    for length in range(4, DEVICE_LENGTH + 1):
        content = table(device_structure(b"LAN", place=(0, 2, 0), length=length))
        address = "0000:02:00.0" if length == DEVICE_LENGTH else None
        expected = (BoardDevice("LAN", 5, enabled=True, address=address),) if length > 5 else ()
        assert expected == board_devices(content), length


def firmware(release: tuple[int, int] = (4, 12), length: int | None = None, date: bytes = b"02/14/2025") -> bytes:
    """A structure about the firmware (type 0)."""
    body = struct.pack("<BBHBBQHBBBB", 1, 2, 0xE800, 3, 0xFF, 8, 0x0D03, *release, 0xFF, 0xFF)
    return structure(0, body, b"Hollin Firmware", b"H4.2", date, length=length)


def identity_table(*more: bytes) -> bytes:
    """Firmware, system and board of an invented machine."""
    system = structure(1, bytes((1, 2, 3, 4)) + bytes(19), b"Thornwick", b"T-8", b"r2", b"secret")
    board = structure(2, bytes((1, 2, 3, 4, 0, 9, 0, 0, 0, 10, 0)), b"Thornwick", b"TB8", b"1.1", b"secret")
    return table(firmware(), system, board, *more)


IDENTITY_OF_THE_TABLE: Final = {
    "firmware_maker": "Hollin Firmware",
    "firmware_version": "H4.2",
    "firmware_date": "02/14/2025",
    "firmware_release": "4.12",
    "maker": "Thornwick",
    "product": "T-8",
    "product_version": "r2",
    "board_maker": "Thornwick",
    "board": "TB8",
}


def test_identity_is_read_by_the_names_of_the_host() -> None:
    """Makers, names, versions and dates are read, serial numbers are not; the first of each type counts."""
    other = structure(2, bytes((1, 2, 3, 4)), b"Somebody", b"Else", b"9", b"secret")
    assert board_identity(identity_table(other)) == IDENTITY_OF_THE_TABLE
    assert set(IDENTITY_OF_THE_TABLE) <= set(Host.__struct_fields__)


def test_what_is_not_stated_is_not_in_the_identity() -> None:
    """A release of 255.255, one past the end of an old structure, and empty strings are left out."""
    assert "firmware_release" not in board_identity(table(firmware((0xFF, 0xFF))))
    assert "firmware_release" not in board_identity(table(firmware(length=0x14)))
    assert board_identity(table(firmware((0, 0))))["firmware_release"] == "0.0"
    assert "firmware_date" not in board_identity(table(firmware(date=b" ")))
    assert board_identity(END) == {}


# --- Broken tables ---------------------------------------------------------------------------------------------


def whole_table() -> bytes:
    """A table with all the types that are read, and one that is not."""
    return identity_table(
        structure(17, bytes(36), b"DIMM 1"),
        slot_structure(slot_body(place=(0, 1, 0), peers=[(0, 2, 0, 4)]), b"PCIE1"),
        slot_structure(slot_body(kind=0x17, width=0x0A), b"M2_1"),
        device_structure(b"Onboard LAN", place=(0, 0, 0x28)),
    )


def test_a_table_cut_at_every_byte_keeps_what_comes_before() -> None:
    """Structures before the cut are as they were; the one that is cut is told of, and has only what is left of it."""
    whole = whole_table()
    marks = [one.start for one in structures(whole)]
    for end in range(len(whole)):
        cut = whole[:end]
        before = [one for one in structures(whole) if one.start + len(one.data) + len(one.texts) + 2 <= end]
        read = list(structures(cut))
        assert read[: len(before)] == before
        assert len(read) <= len(before) + 1
        rest = end - (before[-1].start + len(before[-1].data) + len(before[-1].texts) + 2 if before else 0)
        # Fewer bytes than a header are left over, or the end mark lacks its two zeros: nothing is lost.
        lost = rest >= 4 and marks[len(before)] != marks[-1]
        assert bool([one for one in problems(cut) if "table ends" in one.why or "strings do" in one.why]) is lost, end
        slots = [one for one in before if one.kind == 9]
        assert board_slots(cut)[: len(slots)] == board_slots(whole)[: len(slots)]
        assert len(board_slots(cut)) <= len(slots) + 1


@pytest.mark.parametrize("length", [0, 1, 2, 3])
def test_a_structure_shorter_than_its_header_ends_the_table(length: int) -> None:
    """Nothing can be found after a length that leads nowhere; what came before stays."""
    first = slot_structure(slot_body(), b"PCIE1")
    content = table(first, structure(9, slot_body(), b"LOST", length=length), slot_structure(slot_body(), b"LOST"))
    assert [found.designation for found in board_slots(content)] == ["PCIE1"]
    place = len(first)
    assert why(content)[0] == (
        f"the structure at byte {place} is broken: its length is {length}, less than that of its header"
    )


def test_strings_without_an_end() -> None:
    """The last structure counts although its strings do not end."""
    content = slot_structure(slot_body(), b"PCIE1")[:-1]
    assert [found.designation for found in board_slots(content)] == ["PCIE1"]
    assert why(content) == ["the structure at byte 0 is broken: its strings do not end"]


def test_a_length_past_the_end() -> None:
    """A structure that claims more bytes than there are has the fields that are there."""
    content = slot_structure(slot_body())[:0x0A]
    (found,) = board_slots(content)
    assert (found.kind, found.usage, found.slot_id, found.designation) == ("card", "free", 0, "")
    assert why(content) == [
        "the structure at byte 0 is broken: the table ends within it",
        "the structure at byte 0 is broken: its designation is string 1, which it does not have",
    ]


def test_nothing_is_read_after_the_end_mark() -> None:
    """What follows the end mark is not part of the table."""
    assert board_slots(END + slot_structure(slot_body())) == ()
    assert why(END + slot_structure(slot_body())) == []


@pytest.mark.parametrize("content", [b"", b"\0", b"\x09\x18\x00"])
def test_a_table_without_structures_says_so(content: bytes) -> None:
    """Too few bytes for a header hold nothing."""
    assert (board_slots(content), board_devices(content), board_identity(content)) == ((), (), {})
    assert why(content) == ["there is no structure in it"]


def test_an_endless_table_is_read_to_a_limit() -> None:
    """A mebibyte of the smallest structures, or of slots, is left at the limit; few sentences tell of it."""
    smallest = structure(9, b"") * (2**20 // 6)
    many = slot_structure(slot_body(peer_count=255)) * (2**20 // 32)
    for content in (smallest, many, b"\x09\xff" * 2**19):
        assert len(board_slots(content)) <= MOST_STRUCTURES
        assert len(problems(content)) <= MOST_PROBLEMS + 2
        board_devices(content)
        board_identity(content)
    assert f"no more than {MOST_STRUCTURES:,} of its structures are read" in why(many)


def holds_the_promise(content: bytes) -> None:
    """All functions give facts of the right kinds, and structures lie in order within the bytes."""
    last = -1
    for one in structures(content):
        assert last < one.start <= len(content) - 4
        last = one.start
    for found in board_slots(content):
        assert found.kind in KINDS
        assert found.usage in smbios.USAGES.values()
        assert found.length in smbios.LENGTHS.values()
        assert {found.wired_lanes, found.connector_lanes} <= {0, *WIDTHS}
        assert 0 <= found.generation <= 6
        for address in (found.address, *(peer for peer, _ in found.peers)):
            assert address is None or re.fullmatch(r"[0-9a-f]{4}:[0-9a-f]{2}:[01][0-9a-f]\.[0-7]", address)
    for device in board_devices(content):
        assert 0 <= device.kind_code < 128
    assert all(name in Host.__struct_fields__ and text for name, text in board_identity(content).items())
    assert all(len(problem.why) < 200 for problem in problems(content))


@given(st.binary(max_size=400))
def test_any_bytes_give_facts(content: bytes) -> None:
    """Bytes of any kind give facts and problems, never an exception."""
    holds_the_promise(content)


@given(st.data())
def test_a_damaged_table_gives_facts(data: st.DataObject) -> None:
    """A table with some bytes changed gives facts and problems, never an exception."""
    content = bytearray(whole_table())
    for _ in range(data.draw(st.integers(1, 8))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    holds_the_promise(bytes(content))


@given(st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=60), st.lists(st.binary(max_size=9), max_size=3))))
def test_structures_that_were_written_are_read(written: list[tuple[int, bytes, list[bytes]]]) -> None:
    """Whatever well-formed structures are in a table, they come back as they are, up to the first end mark."""
    clean = [(kind, body, [text.replace(b"\0", b"?") or b"?" for text in texts]) for kind, body, texts in written]
    content = table(*(structure(kind, body, *texts) for kind, body, texts in clean))
    expected = []
    for kind, body, texts in clean:
        expected.append((kind, body, texts))
        if kind == 127:
            break
    actual = [(one.kind, one.data[4:], one.strings) for one in structures(content)]
    assert actual[: len(expected)] == expected
    assert len(actual) - len(expected) == (expected[-1][0] != 127 if expected else 1)


# --- Tables of others ------------------------------------------------------------------------------------------

FIRMWARE_FILES: Final = 0x19  # the directory of what the emulator hands to a firmware; docs/specs/fw_cfg
SELECT: Final = 0x510
DATA: Final = 0x511


def emulator_tables(*arguments: str) -> bytes:
    """The SMBIOS tables that an emulated machine hands to its firmware, read through its test port.

    Sources: QEMU docs/specs/fw_cfg (the interface), docs/devel/testing/qtest (the test port).
    """
    command = [EMULATOR, "-machine", "q35", "-m", "64", "-S", "-display", "none", "-nodefaults", "-qtest", "stdio"]
    with subprocess.Popen(
        [*command, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as machine:
        assert machine.stdin is not None
        assert machine.stdout is not None

        def ask(*requests: str) -> list[str]:
            assert machine.stdin is not None
            assert machine.stdout is not None
            machine.stdin.write("".join(f"{request}\n" for request in requests))
            machine.stdin.flush()
            answers: list[str] = []
            while len(answers) < len(requests):
                line = machine.stdout.readline()
                assert line, "the emulator ended"
                if line.startswith("OK"):
                    answers.append(line)
            return answers

        def read(number: int, size: int) -> bytes:
            answers = ask(f"outw {SELECT} {number}", *[f"inb {DATA}"] * size)
            return bytes(int(answer.split()[1], 16) for answer in answers[1:])

        try:
            (count,) = struct.unpack(">I", read(FIRMWARE_FILES, 4))
            for entry in struct.iter_unpack(">IHH56s", read(FIRMWARE_FILES, 4 + 64 * count)[4:]):
                if entry[3].rstrip(b"\0") == b"etc/smbios/smbios-tables":
                    return read(entry[1], entry[0])
        finally:
            machine.kill()
    raise AssertionError("the emulator hands out no SMBIOS tables")


@pytest.mark.skipif(
    which(EMULATOR) is None and os.environ.get("LANEWRIGHT_LAB") != "require",
    reason=f"{EMULATOR}, which makes tables of its own, is not installed",
)
def test_tables_that_an_emulator_makes_are_read() -> None:
    """Identity and devices are those that the emulator was told to put into its tables; nothing is broken in them."""
    content = emulator_tables(
        *("-smbios", "type=0,vendor=Hollin Firmware,version=H4.2,date=02/14/2025,release=4.12"),
        *("-smbios", "type=1,manufacturer=Thornwick,product=T-8,version=r2,serial=secret"),
        *("-smbios", "type=2,manufacturer=Thornwick,product=TB8,version=1.1,serial=secret"),
        *("-device", "pci-testdev,id=lan,addr=05.3,multifunction=on"),
        *("-device", "pci-testdev,addr=05.0,multifunction=on"),
        *("-smbios", "type=41,designation=Onboard LAN,kind=ethernet,instance=1,pcidev=lan"),
        *("-smbios", "type=41,designation=Onboard Video,kind=video,instance=1"),
    )
    assert problems(content) == ()
    assert board_identity(content) == IDENTITY_OF_THE_TABLE
    assert board_devices(content) == (
        BoardDevice("Onboard LAN", 5, enabled=True, address="0000:00:05.3"),
        BoardDevice("Onboard Video", 3, enabled=True, address="0000:00:00.0"),
    )
    assert [one.kind for one in structures(content)][-1] == 127


@pytest.mark.skipif(
    not (IDENTITY.is_dir() and os.access(TABLES, os.R_OK)),
    reason="this machine has no SMBIOS tables, or shows them to root alone",
)
def test_this_machine_is_called_what_its_kernel_calls_it() -> None:
    """What is read of this machine's own table is what its kernel read (Linux drivers/firmware/dmi-id.c)."""
    names = {
        "firmware_maker": "bios_vendor",
        "firmware_version": "bios_version",
        "firmware_date": "bios_date",
        "firmware_release": "bios_release",
        "maker": "sys_vendor",
        "product": "product_name",
        "product_version": "product_version",
        "board_maker": "board_vendor",
        "board": "board_name",
    }
    told = {ours: IDENTITY / kernels for ours, kernels in names.items() if (IDENTITY / kernels).is_file()}
    expected = {ours: text for ours, file in told.items() if (text := file.read_text(errors="replace").strip())}
    actual = board_identity(TABLES.read_bytes())
    assert expected == {name: text for name, text in actual.items() if name in expected}
