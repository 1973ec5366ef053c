"""Decoding of registers: each vector fed whole, cut, with bytes left over and written back; lists that lie.

The vectors are computed by hand with the masks of Linux include/uapi/linux/pci_regs.h and the offsets of Linux
include/linux/nvme.h, if not said otherwise beside them.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from knowledge import nvme, pcie
from probes import decode as engine
from probes.decode import NO_ANSWER, NOT_GIVEN, NOT_OFFERED, Registers, decode, encode, set_bits, text, value
from probes.unread import Unread
from tests.spent import within

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from types import FrameType

    from knowledge.layout import Layout

LAYOUTS: Final = (*pcie.ALL_LAYOUTS, *nvme.ALL_LAYOUTS)
SHORT: Final = "this many bytes are given to an ordinary user"

VECTORS: Final[tuple[tuple[Layout, int, dict[str, int]], ...]] = (
    (pcie.CLASS_CODE, 0x010802, {"class_code": 0x010802}),
    (pcie.HEADER_TYPE, 0x81, {"header_layout": 1, "multi_function": 1}),
    (pcie.STATUS, 0x0010, {"capabilities_list": 1, "interrupt_status": 0}),
    (pcie.PCI_EXPRESS_CAPABILITIES, 0x0002, {"capability_version": 2, "device_port_type": pcie.ENDPOINT}),
    (
        pcie.PCI_EXPRESS_CAPABILITIES,
        0x0142,
        {"capability_version": 2, "device_port_type": pcie.ROOT_PORT, "slot_implemented": 1},
    ),
    (pcie.DEVICE_CAPABILITIES, 0x00008002, {"max_payload_size_supported": 2, "role_based_error_reporting": 1}),
    # 25.0 W: 250 x 0.1.
    (
        pcie.DEVICE_CAPABILITIES,
        0x07E88002,
        {"captured_slot_power_limit_value": 250, "captured_slot_power_limit_scale": 1},
    ),
    (pcie.DEVICE_CONTROL, 0x1000, {"max_payload_size": 0, "max_read_request_size": 1}),
    (
        pcie.DEVICE_CONTROL,
        0x2936,
        {
            "max_payload_size": 1,
            "max_read_request_size": 2,
            "enable_relaxed_ordering": 1,
            "extended_tag_field_enable": 1,
        },
    ),
    (
        pcie.DEVICE_STATUS,
        0x000B,
        {
            "correctable_error_detected": 1,
            "non_fatal_error_detected": 1,
            "fatal_error_detected": 0,
            "unsupported_request_detected": 1,
        },
    ),
    # Published: adapter troubleshooting guide NE0154601-00 C, page 96: 5 GT/s, x8.
    (pcie.LINK_CAPABILITIES, 0x00000482, {"max_link_speed": 2, "maximum_link_width": 8}),
    (
        pcie.LINK_CAPABILITIES,
        0x00477844,
        {
            "max_link_speed": 4,
            "maximum_link_width": 4,
            "active_state_power_management_support": 2,
            "clock_power_management": 1,
            "port_number": 0,
            "data_link_layer_link_active_reporting_capable": 0,
        },
    ),
    (
        pcie.LINK_CAPABILITIES,
        0x01736904,
        {
            "max_link_speed": 4,
            "maximum_link_width": 16,
            "active_state_power_management_support": 2,
            "data_link_layer_link_active_reporting_capable": 1,
            "link_bandwidth_notification_capability": 1,
            "port_number": 1,
        },
    ),
    (
        pcie.LINK_CAPABILITIES,
        0x00733D05,
        {"max_link_speed": 5, "maximum_link_width": 16, "active_state_power_management_support": 3},
    ),
    (
        pcie.LINK_STATUS,
        0x1043,
        {
            "current_link_speed": 3,
            "negotiated_link_width": 4,
            "slot_clock_configuration": 1,
            "data_link_layer_link_active": 0,
        },
    ),
    (
        pcie.LINK_STATUS,
        0x7043,
        {
            "current_link_speed": 3,
            "negotiated_link_width": 4,
            "data_link_layer_link_active": 1,
            "link_bandwidth_management_status": 1,
            "link_autonomous_bandwidth_status": 0,
        },
    ),
    (
        pcie.LINK_STATUS,
        0xB043,
        {
            "data_link_layer_link_active": 1,
            "link_bandwidth_management_status": 0,
            "link_autonomous_bandwidth_status": 1,
        },
    ),
    (
        pcie.LINK_STATUS,
        0x5011,
        {
            "current_link_speed": 1,
            "negotiated_link_width": 1,
            "data_link_layer_link_active": 0,
            "link_bandwidth_management_status": 1,
        },
    ),
    (pcie.LINK_STATUS, 0x0000, {"current_link_speed": 0, "negotiated_link_width": 0}),
    (
        pcie.SLOT_CAPABILITIES,
        0x00180C80,
        {"physical_slot_number": 3, "slot_power_limit_value": 25, "slot_power_limit_scale": 0},
    ),
    (
        pcie.SLOT_CAPABILITIES,
        0x0018FD60,
        {
            "physical_slot_number": 3,
            "slot_power_limit_value": 250,
            "slot_power_limit_scale": 1,
            "hot_plug_surprise": 1,
            "hot_plug_capable": 1,
        },
    ),
    (
        pcie.SLOT_CAPABILITIES,
        0x00602580,
        {"physical_slot_number": 12, "slot_power_limit_value": 75, "slot_power_limit_scale": 0},
    ),
    (pcie.SLOT_CAPABILITIES, 0x00087900, {"physical_slot_number": 1, "slot_power_limit_value": 0xF2}),
    (pcie.SLOT_CAPABILITIES, 0x00107F00, {"physical_slot_number": 2, "slot_power_limit_value": 0xFE}),
    (pcie.SLOT_STATUS, 0x0042, {"power_fault_detected": 1, "presence_detect_state": 1, "mrl_sensor_state": 0}),
    (pcie.LINK_CAPABILITIES_2, 0x0000001E, {"supported_link_speeds_vector": 0b1111, "crosslink_supported": 0}),
    # Retimer bits: EDK II MdePkg/Include/IndustryStandard/PciExpress21.h.
    (
        pcie.LINK_CAPABILITIES_2,
        0x01800000,
        {"retimer_presence_detect_supported": 1, "two_retimers_presence_detect_supported": 1},
    ),
    (pcie.LINK_CONTROL_2, 0x0023, {"target_link_speed": 3, "hardware_autonomous_speed_disable": 1}),
    (
        pcie.LINK_STATUS_2,
        0x041E,
        {
            "equalization_8gt_complete": 1,
            "equalization_8gt_phase_1_successful": 1,
            "equalization_8gt_phase_2_successful": 1,
            "equalization_8gt_phase_3_successful": 1,
            "link_equalization_request_8gt": 0,
            "flit_mode_status": 1,
        },
    ),
    (
        pcie.CORRECTABLE_ERROR_STATUS,
        0x000020C1,
        {"receiver_error_status": 1, "bad_tlp_status": 1, "bad_dllp_status": 1, "advisory_non_fatal_error_status": 1},
    ),
    (pcie.DEVICE_SERIAL_NUMBER, 0x0123456789ABCDEF, {"serial_number": 0x0123456789ABCDEF}),
    (pcie.VENDOR_SPECIFIC_HEADER, 0x01810002, {"vsec_id": 2, "vsec_revision": 1, "vsec_length": 0x18}),
    (pcie.LANE_ERROR_STATUS, 0x00000105, {"lanes": 0x105}),
    (
        pcie.STATUS_16GT,
        0x00000017,
        {
            "equalization_complete": 1,
            "phase_1_successful": 1,
            "phase_2_successful": 1,
            "phase_3_successful": 0,
            "link_equalization_request": 1,
        },
    ),
    # 1.4.0: Linux include/linux/nvme.h NVME_VS.
    (
        nvme.VERSION,
        0x00010400,
        {"major_version_number": 1, "minor_version_number": 4, "tertiary_version_number": 0},
    ),
    (nvme.WARNING_TEMPERATURE, 343, {"warning_composite_temperature_threshold": 343}),
    (nvme.FIRMWARE_UPDATES, 0x17, {"number_of_firmware_slots": 3, "first_firmware_slot_read_only": 1}),
    (nvme.CRITICAL_WARNING, 0x0A, {"temperature_past_threshold": 1, "media_read_only": 1}),
    (nvme.COMPOSITE_TEMPERATURE, 323, {"composite_temperature": 323}),
    (nvme.DATA_UNITS_READ, 1 << 100, {"data_units_read": 1 << 100}),
    (nvme.ACTIVE_FIRMWARE_INFO, 0x21, {"active_firmware_slot": 1, "next_reset_firmware_slot": 2}),
)
over_vectors: Final = pytest.mark.parametrize(
    ("layout", "number", "expected"), VECTORS, ids=[f"{layout.name} {number:#x}" for layout, number, _ in VECTORS]
)


def raw(layout: Layout, number: int) -> bytes:
    """A register as it stands in memory."""
    return number.to_bytes(layout.size, "little")


# --- One register ------------------------------------------------------------------------------------------------


@over_vectors
def test_a_register_is_decoded(layout: Layout, number: int, expected: dict[str, int]) -> None:
    """Each field of a whole register has its value."""
    found = decode(layout, raw(layout, number))
    assert expected == {name: found[name] for name in expected}
    assert list(layout.index) == list(found)


@over_vectors
def test_bytes_left_over_change_nothing(layout: Layout, number: int, expected: dict[str, int]) -> None:
    """What follows a register in memory is not part of it."""
    whole = decode(layout, raw(layout, number))
    assert whole == decode(layout, raw(layout, number) + b"\xff\x00\xff")
    assert expected == {name: whole[name] for name in expected}


@pytest.mark.parametrize(("layout", "number"), [(layout, number) for layout, number, _ in VECTORS])
def test_a_cut_register_gives_what_there_is(layout: Layout, number: int) -> None:
    """At every length, fields past the end are unread and say so, and the others are unchanged."""
    whole = decode(layout, raw(layout, number))
    for length in range(layout.size):
        for name, found in decode(layout, raw(layout, number)[:length]).items():
            field = layout.index[name]
            what = f"{layout.name.replace('_', ' ')}, {name.replace('_', ' ')}"
            there = field.bit + field.width <= 8 * length
            assert (whole[name] if there else Unread(what, engine.TOO_SHORT)) == found, length


@over_vectors
def test_a_register_is_written_back(layout: Layout, number: int, expected: dict[str, int]) -> None:
    """Encoding what was decoded gives the bytes again: reserved bits from the base, or 0."""
    data = raw(layout, number)
    found = {name: one for name, one in decode(layout, data).items() if isinstance(one, int)}
    fields = encode(layout, {name: (1 << field.width) - 1 for name, field in layout.index.items()})
    assert data == encode(layout, found, data)
    assert bytes(a & b for a, b in zip(data, fields, strict=True)) == encode(layout, found)
    assert {**found, **expected} == decode(layout, encode(layout, expected, data))


# Bits that the kernel's header does not name.
# Source: EDK II MdePkg/Include/IndustryStandard, PciExpress21.h, PciExpress30.h, PciExpress40.h, PciExpress50.h and
# PciExpress60.h; those of Link Status 2, the secondary capability and the 16 GT/s physical layer agree with a header
# of device registers in the Linux kernel's tree (asic_reg/nbif/nbif_6_3_1_sh_mask.h).
OTHER_MASKS: Final = (
    (pcie.PCI_EXPRESS_CAPABILITIES, "flit_mode_supported", 0x8000),
    (pcie.DEVICE_STATUS, "emergency_power_reduction_detected", 0x0040),
    (pcie.LINK_CONTROL, "flit_mode_disable", 0x2000),
    (pcie.LINK_CAPABILITIES_2, "retimer_presence_detect_supported", 0x00800000),
    (pcie.LINK_CAPABILITIES_2, "two_retimers_presence_detect_supported", 0x01000000),
    (pcie.LINK_CAPABILITIES_2, "drs_supported", 0x80000000),
    (pcie.LINK_STATUS_2, "current_de_emphasis_level", 0x0001),
    (pcie.LINK_STATUS_2, "equalization_8gt_complete", 0x0002),
    (pcie.LINK_STATUS_2, "equalization_8gt_phase_1_successful", 0x0004),
    (pcie.LINK_STATUS_2, "equalization_8gt_phase_2_successful", 0x0008),
    (pcie.LINK_STATUS_2, "equalization_8gt_phase_3_successful", 0x0010),
    (pcie.LINK_STATUS_2, "link_equalization_request_8gt", 0x0020),
    (pcie.LINK_STATUS_2, "retimer_presence_detected", 0x0040),
    (pcie.LINK_STATUS_2, "two_retimers_presence_detected", 0x0080),
    (pcie.LINK_STATUS_2, "crosslink_resolution", 0x0300),
    (pcie.LINK_STATUS_2, "downstream_component_presence", 0x7000),
    (pcie.LINK_STATUS_2, "drs_message_received", 0x8000),
    (pcie.LINK_CONTROL_3, "perform_equalization", 0x1),
    (pcie.LINK_CONTROL_3, "link_equalization_request_interrupt_enable", 0x2),
    *(
        (layout, name, mask)
        for layout in (pcie.STATUS_16GT, pcie.STATUS_32GT, pcie.STATUS_64GT)
        for name, mask in (
            ("equalization_complete", 0x01),
            ("phase_1_successful", 0x02),
            ("phase_2_successful", 0x04),
            ("phase_3_successful", 0x08),
            ("link_equalization_request", 0x10),
        )
    ),
    (pcie.STATUS_32GT, "modified_ts_received", 0x020),
    (pcie.STATUS_32GT, "transmitter_precoding_on", 0x100),
    (pcie.STATUS_32GT, "no_equalization_needed_received", 0x400),
    (pcie.STATUS_64GT, "transmitter_precoding_on", 0x20),
    (pcie.STATUS_64GT, "no_equalization_needed_received", 0x80),
    (pcie.DATA_LINK_FEATURE_CAPABILITIES, "local_scaled_flow_control_supported", 0x1),
    (pcie.DATA_LINK_FEATURE_STATUS, "remote_scaled_flow_control_supported", 0x1),
    (pcie.DATA_LINK_FEATURE_STATUS, "remote_data_link_feature_supported_valid", 0x80000000),
)
# Source: as above; the serial number: Linux drivers/pci/pci.c pci_get_dsn.
OTHER_PLACES: Final = {
    pcie.DEVICE_SERIAL_NUMBER: ("extended 0003", 0x04, 8),
    pcie.LINK_CONTROL_3: ("extended 0019", 0x04, 4),
    pcie.LANE_ERROR_STATUS: ("extended 0019", 0x08, 4),
    pcie.DATA_LINK_FEATURE_STATUS: ("extended 0025", 0x08, 4),
    pcie.STATUS_16GT: ("extended 0026", 0x0C, 4),
    pcie.LOCAL_DATA_PARITY_MISMATCH_16GT: ("extended 0026", 0x10, 4),
    pcie.FIRST_RETIMER_DATA_PARITY_MISMATCH_16GT: ("extended 0026", 0x14, 4),
    pcie.SECOND_RETIMER_DATA_PARITY_MISMATCH_16GT: ("extended 0026", 0x18, 4),
    pcie.STATUS_32GT: ("extended 002A", 0x0C, 4),
    pcie.STATUS_64GT: ("extended 0031", 0x0C, 4),
}


@pytest.mark.parametrize(("layout", "name", "mask"), OTHER_MASKS)
def test_bits_that_the_kernel_does_not_name(layout: Layout, name: str, mask: int) -> None:
    """Fields known from other headers cover exactly the bits of those headers."""
    assert raw(layout, mask) == encode(layout, {name: (1 << layout.index[name].width) - 1})


def test_places_that_the_kernel_does_not_name() -> None:
    """Registers known from other headers stand where those headers have them."""
    assert {one: (one.home, one.offset, one.size) for one in OTHER_PLACES} == OTHER_PLACES


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_each_field_is_written_alone(layout: Layout) -> None:
    """Setting one field to all ones sets that field and no other."""
    for name, field in layout.index.items():
        most = (1 << field.width) - 1
        assert {**dict.fromkeys(layout.index, 0), name: most} == decode(layout, encode(layout, {name: most}))
        ones = decode(layout, encode(layout, {name: 0}, b"\xff" * layout.size))
        assert [name] == [one for one, number in ones.items() if number == 0]


def test_a_value_that_does_not_fit_is_refused() -> None:
    """A number too large for its field, or below 0, raises ValueError and names the field."""
    for number in (64, -1):
        with pytest.raises(ValueError, match=r"does not fit the 6 bits of link_status\.negotiated_link_width"):
            encode(pcie.LINK_STATUS, {"negotiated_link_width": number})


def test_a_field_that_does_not_exist_is_a_defect() -> None:
    """A field name that the register lacks raises KeyError, whether or not there are bytes."""
    with pytest.raises(KeyError):
        value(pcie.LINK_STATUS, "width", b"")
    with pytest.raises(KeyError):
        Registers(b"").read(pcie.LINK_STATUS, "width")
    with pytest.raises(KeyError):
        encode(pcie.LINK_STATUS, {"width": 1})


def test_the_reason_for_a_cut_register_is_the_callers() -> None:
    """The reason for a field past the end can be given with the question."""
    found = value(pcie.LINK_STATUS, "current_link_speed", b"", SHORT)
    assert Unread("link status, current link speed", SHORT) == found


@pytest.mark.parametrize(
    ("number", "first", "expected"),
    [(0, 0, ()), (0x105, 0, (0, 2, 8)), (0x80000000, 0, (31,)), (0b1111, 1, (1, 2, 3, 4)), (0b0100110, 1, (2, 3, 6))],
)
def test_set_bits_are_counted_from_the_lowest(number: int, first: int, expected: tuple[int, ...]) -> None:
    """The bits of a vector are named by their places: lanes from 0, link speeds from 1.

    Source: PCI Express Base, Lane Error Status Register; Link Capabilities 2 Register, Supported Link Speeds Vector.
    """
    assert expected == set_bits(number, first)


@given(st.sampled_from(LAYOUTS), st.binary(max_size=20))
def test_any_bytes_give_numbers_or_reasons(layout: Layout, data: bytes) -> None:
    """Whatever the bytes, every field is a number of its width or unread."""
    for name, found in decode(layout, data).items():
        assert isinstance(found, Unread) or 0 <= found < 1 << layout.index[name].width


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"Fieldgate 4  ", "Fieldgate 4"),
        (b"   HLA-0007\0\0", "HLA-0007"),
        (b"", ""),
        (b"    ", ""),
        (b"\x1b[31mred\r\n", "\N{REPLACEMENT CHARACTER}[31mred" + 2 * "\N{REPLACEMENT CHARACTER}"),
        (b"a\0b\x7f\x9b\xff", "a" + "\N{REPLACEMENT CHARACTER}" + "b" + 3 * "\N{REPLACEMENT CHARACTER}"),
    ],
)
def test_text_is_printable(data: bytes, expected: str) -> None:
    """Text of a drive loses its padding, and nothing that is not printable ASCII gets through."""
    assert expected == text(data)


@given(st.binary(max_size=64))
def test_any_text_is_printable(data: bytes) -> None:
    """Whatever the bytes, the text holds printable ASCII and the replacement character only."""
    assert {letter for letter in text(data) if not " " <= letter <= "~"} <= {"\N{REPLACEMENT CHARACTER}"}


# --- Meanings ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "scale", "watts"),
    [
        (25, 0, 25.0),
        (75, 0, 75.0),
        (0xEF, 0, 239.0),
        (0xF0, 0, 250.0),
        (0xF1, 0, 275.0),
        (0xF2, 0, 300.0),
        (0xF3, 0, 325.0),
        (0xFE, 0, 600.0),
        (0xFF, 0, None),
        (0, 0, None),
        (0, 2, None),
        (250, 1, 25.0),
        (0xFF, 1, 25.5),
        (0xF0, 2, 2.4),
        (0xF0, 3, 0.24),
    ],
)
def test_slot_power_is_in_watts(number: int, scale: int, watts: float | None) -> None:
    """The slot power limit is value times scale, but for the special codes at scale 0; nothing stated is None.

    Source: Linux drivers/pci/of.c of_pci_get_slot_power_limit.
    """
    assert watts == pcie.slot_power_watts(number, scale)


def test_power_of_a_drive_is_in_watts() -> None:
    """Power of a power state is scaled to watts; nothing stated is None.

    Source: NVM Express Base, Power State Descriptor (maximum power: 0.01 W or 0.0001 W by its scale bit; idle and
    active power: scale 1 is 0.0001 W, 2 is 0.01 W, 0 is not reported).
    """
    assert (
        nvme.max_power_watts(825, 0),
        nvme.max_power_watts(2500, 0),
        nvme.max_power_watts(500, 1),
        nvme.max_power_watts(0, 0),
    ) == (8.25, 25.0, 0.05, None)
    assert (
        nvme.power_watts(500, 1),
        nvme.power_watts(500, 2),
        nvme.power_watts(500, 0),
        nvme.power_watts(500, 3),
    ) == (0.05, 5.0, None, None)


# --- Configuration space -------------------------------------------------------------------------------------------


def space(
    *,
    size: int = 4096,
    capabilities: Mapping[int, int] | None = None,
    extended: Iterable[tuple[int, int]] = (),
    header: int = 0,
    put: Mapping[int, bytes] | None = None,
    pointer: int = 0x34,
) -> bytes:
    """Build configuration space by hand: offset to identifier for the list, (offset, identifier) for the extended one.

    Nothing of `probes.decode` is used, so that an error there cannot hide itself.
    """
    data = bytearray(max(size, 256))
    data[0:4] = b"\xd4\x1e\x07\x20"
    data[0x0E] = header
    previous = pointer
    for place, identifier in (capabilities or {}).items():
        data[0x06] = 0x10
        data[previous] = place
        data[place] = identifier
        previous = place + 1
    following = list(extended)
    for index, (place, identifier) in enumerate(following):
        after = following[index + 1][0] if index + 1 < len(following) else 0
        data[place : place + 4] = (identifier | 1 << 16 | after << 20).to_bytes(4, "little")
    for place, some in (put or {}).items():
        data[place : place + len(some)] = some
    return bytes(data[:size])


EXPRESS: Final = 0x70
# Version 2, endpoint; 32 GT/s, x16; running at 8 GT/s, x4.
REGISTERS: Final = {
    EXPRESS + 0x02: b"\x02\x00",
    EXPRESS + 0x0C: b"\x05\x3d\x73\x00",
    EXPRESS + 0x12: b"\x43\x10",
    EXPRESS + 0x14: b"\x80\x25\x60\x00",
    EXPRESS + 0x30: b"\x03\x00",
    0x108: b"\x00\x00\x00\x00",
    0x110: b"\x40\x00\x00\x00",
    0x204: b"\x02\x00\x81\x01",
    0x304: b"\x01\x00\x00\x01",
}
CAPABILITIES: Final = {0x40: 0x01, 0x50: 0x05, EXPRESS: 0x10, 0xB0: 0x11}
EXTENDED: Final = ((0x100, 0x01), (0x200, 0x0B), (0x300, 0x0B), (0x340, 0x19))
DRIVE: Final = space(capabilities=CAPABILITIES, extended=EXTENDED, put=REGISTERS)


def port(kind: int, *, slot: bool = False, version: int = 2, header: int = 1, size: int = 4096) -> Registers:
    """A function of some port type whose registers all read as those of `DRIVE`."""
    flags = (version | kind << 4 | slot << 8).to_bytes(2, "little")
    put = {**REGISTERS, EXPRESS + 0x02: flags}
    return Registers(space(capabilities=CAPABILITIES, extended=EXTENDED, header=header, put=put, size=size))


def test_capabilities_are_found() -> None:
    """Both lists are walked, and registers are read where the lists say they are."""
    drive = Registers(DRIVE)
    assert drive.places == {
        "capability 01": 0x40,
        "capability 05": 0x50,
        "capability 10": 0x70,
        "capability 11": 0xB0,
        "extended 0001": 0x100,
        "extended 000B": 0x200,
        "extended 0019": 0x340,
    }
    assert drive.problems == ()
    assert drive.read(pcie.VENDOR_ID, "vendor_id") == 0x1ED4
    assert drive.read(pcie.LINK_STATUS, "current_link_speed") == 3
    assert drive.read(pcie.LINK_CAPABILITIES, "maximum_link_width") == 16
    assert drive.read(pcie.CORRECTABLE_ERROR_STATUS, "bad_tlp_status") == 1
    assert drive.raw(pcie.LINK_STATUS) == b"\x43\x10"
    assert drive.config == DRIVE


def test_all_vendor_specific_capabilities_are_named() -> None:
    """Of several vendor-specific capabilities each gives its identifier; registers are those of the first."""
    drive = Registers(DRIVE)
    assert drive.vendor_specific == (2, 1)
    assert drive.read(pcie.VENDOR_SPECIFIC_HEADER, "vsec_length") == 0x18


def test_an_absent_capability_is_not_offered() -> None:
    """A register whose capability is in neither list is not offered by the device, and nobody needs root for it."""
    drive = Registers(DRIVE)
    assert Unread("dpc status", NOT_OFFERED) == drive.read(pcie.DPC_STATUS, "dpc_trigger_status")
    assert Unread("dpc status", NOT_OFFERED) == drive.raw(pcie.DPC_STATUS)
    assert (drive.has(pcie.LINK_STATUS), drive.has(pcie.DPC_STATUS)) == (True, False)


def test_a_function_without_a_list_has_no_capabilities() -> None:
    """Where the Status register says that there is no list, the pointer is not followed."""
    for size in (64, 256, 4096):
        plain = Registers(space(size=size, put={0x34: b"\x40", 0x40: b"\x10\x00"} if size > 64 else {0x34: b"\x40"}))
        assert plain.places == {}
        assert Unread("link status", NOT_OFFERED) == plain.read(pcie.LINK_STATUS, "current_link_speed")
        assert Unread("lane error status", NOT_OFFERED) == plain.read(pcie.LANE_ERROR_STATUS, "lanes")


@pytest.mark.parametrize("kind", [0, 1, 4, 5, 6, 7, 8])
def test_ports_and_endpoints_have_link_registers(kind: int) -> None:
    """All port types but the integrated ones have a link. Source: Linux drivers/pci/access.c."""
    assert port(kind).read(pcie.LINK_STATUS, "current_link_speed") == 3
    assert port(kind).read(pcie.LINK_CONTROL_2, "target_link_speed") == 3


@pytest.mark.parametrize("kind", [9, 10, 15])
def test_integrated_functions_have_no_link_registers(kind: int) -> None:
    """What stands in the place of link registers of an integrated function is not read as a link."""
    for layout in pcie.LINK_REGISTERS:
        assert False is port(kind, header=0).has(layout)
    assert port(kind, header=0).read(pcie.DEVICE_CONTROL, "max_payload_size") == 0


@pytest.mark.parametrize(
    ("kind", "slot", "expected"),
    [(4, True, True), (6, True, True), (8, True, True), (4, False, False), (0, True, False), (5, True, False)],
)
def test_slot_registers_need_a_slot(kind: int, slot: bool, expected: bool) -> None:  # noqa: FBT001
    """Only downstream-facing ports that say they have a slot have slot registers.

    Source: Linux drivers/pci/access.c pcie_cap_has_sltctl.
    """
    found = port(kind, slot=slot).read(pcie.SLOT_CAPABILITIES, "physical_slot_number")
    assert (12 if expected else Unread("slot capabilities", NOT_OFFERED)) == found
    assert expected is port(kind, slot=slot).has(pcie.SLOT_CAPABILITIES_2)


@pytest.mark.parametrize(("kind", "expected"), [(4, True), (10, True), (0, False), (6, False)])
def test_root_registers_need_a_root_port(kind: int, expected: bool) -> None:  # noqa: FBT001
    """Only root ports and event collectors have root registers. Source: drivers/pci/access.c pcie_cap_has_rtctl."""
    assert expected is port(kind).has(pcie.ROOT_STATUS)


def test_the_first_version_has_no_second_registers() -> None:
    """A version 1 capability ends before Device Capabilities 2; what stands there belongs to others.

    Source: Linux drivers/pci/access.c pcie_cap_has_lnkctl2.
    """
    old = port(4, slot=True, version=1)
    for layout in pcie.SECOND_GENERATION_REGISTERS:
        assert Unread(layout.name.replace("_", " "), NOT_OFFERED) == old.raw(layout)
    assert old.read(pcie.LINK_STATUS, "current_link_speed") == 3


def test_bus_numbers_belong_to_bridges_and_subsystems_to_devices() -> None:
    """Registers that depend on the kind of header are read only where they are. Source: PCI Express Base, headers."""
    put = {0x19: b"\x07", 0x2C: b"\xd4\x1e"}
    device, bridge = (Registers(space(header=header, put=put)) for header in (0x80, 0x01))
    assert bridge.read(pcie.SECONDARY_BUS_NUMBER, "secondary_bus_number") == 7
    assert False is device.has(pcie.SECONDARY_BUS_NUMBER)
    assert device.read(pcie.SUBSYSTEM_VENDOR_ID, "subsystem_vendor_id") == 0x1ED4
    assert False is bridge.has(pcie.SUBSYSTEM_VENDOR_ID)


def test_a_bridge_names_its_subsystem_in_a_capability() -> None:
    """The subsystem of a bridge is read from capability 0D. Source: pci_regs.h PCI_SSVID_VENDOR_ID."""
    bridge = Registers(space(header=1, capabilities={0x40: 0x0D}, put={0x44: b"\xd4\x1e\x34\x12"}))
    assert bridge.read(pcie.BRIDGE_SUBSYSTEM_VENDOR_ID, "subsystem_vendor_id") == 0x1ED4
    assert bridge.read(pcie.BRIDGE_SUBSYSTEM_ID, "subsystem_id") == 0x1234


def test_a_cardbus_bridge_keeps_its_list_elsewhere() -> None:
    """The list of a CardBus bridge begins at 14h, and 128 bytes of it are given to anybody.

    Sources: pci_regs.h PCI_CB_CAPABILITY_LIST; Linux drivers/pci/pci-sysfs.c pci_read_config.
    """
    bridge = space(header=2, pointer=0x14, capabilities={0x60: 0x01, 0xA0: 0x05}, size=128)
    assert Registers(bridge, SHORT).places == {"capability 01": 0x60}
    assert (Unread("capability list", SHORT, needs_root=True),) == Registers(bridge, SHORT).problems
    assert Registers(bridge).read(pcie.CARDBUS_CAPABILITIES_POINTER, "capabilities_pointer") == 0x60
    assert False is Registers(bridge).has(pcie.CAPABILITIES_POINTER)


# --- Less than everything ------------------------------------------------------------------------------------------


def test_an_ordinary_user_is_told_to_ask_root() -> None:
    """Of the 64 bytes an ordinary user gets the header is read, and all else needs root."""
    some = Registers(DRIVE[:64], SHORT)
    assert some.read(pcie.VENDOR_ID, "vendor_id") == 0x1ED4
    for layout in (pcie.LINK_STATUS, pcie.SLOT_STATUS, pcie.LANE_ERROR_STATUS):
        expected = Unread(layout.name.replace("_", " "), SHORT, needs_root=True)
        assert expected == some.raw(layout)
        assert expected == some.has(layout)
    assert (Unread("capability list", SHORT, needs_root=True),) == some.problems


def test_a_short_space_gives_what_it_holds() -> None:
    """Cut at any length, a register reads as in the whole space or is unread, and never differs."""
    whole = Registers(DRIVE)
    asked = [(layout, name) for layout in pcie.ALL_LAYOUTS for name in layout.index]
    known = {one: whole.read(*one) for one in asked}
    for length in (*range(0x90), *range(0xF0, 0x120), 0x206, 0x345, 0x34B, 4095):
        cut = Registers(DRIVE[:length], SHORT)
        for one in asked:
            found = cut.read(*one)
            if isinstance(found, Unread) and not isinstance(known[one], Unread):
                assert found.why in {SHORT, engine.NOT_REACHABLE}, (one, length)
                assert (length in {64, 128}) == found.needs_root, (one, length)
            elif not isinstance(found, Unread):
                assert known[one] == found, (one, length)


def test_a_register_cut_in_the_middle_gives_its_first_fields() -> None:
    """Where the space ends within a register, the fields before the end are read and the others are not."""
    cut = Registers(DRIVE[: EXPRESS + 0x0C + 2], SHORT)
    assert cut.read(pcie.LINK_CAPABILITIES, "max_link_speed") == 5
    assert Unread("link capabilities", SHORT) == cut.read(pcie.LINK_CAPABILITIES, "port_number")
    assert Unread("link capabilities", SHORT) == cut.raw(pcie.LINK_CAPABILITIES)
    assert True is cut.has(pcie.LINK_CAPABILITIES)


def test_an_unreachable_extended_space_is_said_to_be_so() -> None:
    """Where the kernel gives 256 bytes of a PCI Express function, extended capabilities are not called absent."""
    found = Registers(DRIVE[:256]).read(pcie.LANE_ERROR_STATUS, "lanes")
    assert Unread("lane error status", engine.NOT_REACHABLE) == found
    conventional = Registers(space(capabilities={0x40: 0x01}, size=256))
    assert Unread("lane error status", NOT_OFFERED) == conventional.read(pcie.LANE_ERROR_STATUS, "lanes")


def test_an_unread_space_gives_its_own_reason() -> None:
    """Where configuration space could not be read, every register is unread for that reason."""
    reason = Unread("bytes /sys/bus/pci/devices/0000:01:00.0/config", "the device is asleep (D3cold)")
    asleep = Registers(reason)
    assert reason == asleep.read(pcie.LINK_STATUS, "current_link_speed")
    assert reason == asleep.has(pcie.VENDOR_ID)
    assert reason == asleep.config
    assert (asleep.problems, asleep.vendor_specific, asleep.places) == ((), (), {})


@pytest.mark.parametrize("size", [1, 64, 256, 4096])
def test_a_device_that_is_gone_does_not_answer(size: int) -> None:
    """All ones in the header are no values: the device does not answer."""
    for data in (b"\xff" * size, b"\xff" * min(size, 64) + bytes(max(size - 64, 0))):
        gone = Registers(data)
        assert Unread("vendor id", NO_ANSWER) == gone.read(pcie.VENDOR_ID, "vendor_id")
        assert Unread("link status", NO_ANSWER) == gone.has(pcie.LINK_STATUS)
        assert Unread("lane error status", NO_ANSWER) == gone.raw(pcie.LANE_ERROR_STATUS)


def test_a_virtual_function_answers() -> None:
    """A virtual function reads FFFFh for vendor and device, and the rest of it is right.

    Source: PCI Express Base, single root I/O virtualization, VF Vendor ID and Device ID registers.
    """
    virtual = Registers(b"\xff\xff\xff\xff" + DRIVE[4:])
    assert virtual.read(pcie.VENDOR_ID, "vendor_id") == 0xFFFF
    assert virtual.read(pcie.LINK_CAPABILITIES, "maximum_link_width") == 16
    assert virtual.problems == ()
    assert "extended 0019" in virtual.places


# --- Lists that lie ------------------------------------------------------------------------------------------------


def broken(space_name: str, trouble: str) -> tuple[Unread, ...]:
    """The one problem of a broken list."""
    return (Unread(f"{space_name} list", f"the {space_name} list is broken: {trouble}"),)


@pytest.mark.parametrize(
    ("data", "places", "trouble"),
    [
        (space(capabilities={0x40: 1}, put={0x41: b"\x40"}), {"capability 01": 0x40}, "it loops at 40h"),
        (space(capabilities={0x40: 1, 0x48: 5}, put={0x49: b"\x43"}), None, "it loops at 40h"),
        (
            space(capabilities={0x40: 1}, put={0x41: b"\x20"}),
            {"capability 01": 0x40},
            "it points into the header, at 20h",
        ),
        (space(capabilities={0x40: 1}, put={0x34: b"\x05"}), {}, "it points into the header, at 04h"),
        (space(capabilities={0x40: 1}, put={0x41: b"\x80", 0x80: b"\xff\xff"}), None, "its entry at 80h reads FFh"),
        (space(capabilities={0x40: 1}, header=3), {}, "the header has the unknown layout 3"),
    ],
)
def test_a_broken_list_is_a_problem(data: bytes, places: dict[str, int] | None, trouble: str) -> None:
    """A list that loops or points to nowhere is told, keeps what was found, and calls nothing else absent."""
    registers = Registers(data)
    assert broken("capability", trouble) == registers.problems
    if places is not None:
        assert places == {home: place for home, place in registers.places.items() if home.startswith("capability")}
    found = registers.has(pcie.LINK_STATUS)
    assert Unread("link status", f"the capability list is broken: {trouble}") == found


def test_low_bits_of_a_pointer_are_cleared() -> None:
    """The two low bits of a pointer are reserved and do not count. Source: PCI Local Bus 3.0, capability pointer."""
    assert Registers(space(capabilities={0x40: 0x10}, put={0x34: b"\x43"})).places == {"capability 10": 0x40}
    assert Registers(space(capabilities={0x40: 0x10}, put={0x41: b"\x03"})).problems == ()


def test_low_bits_of_an_extended_pointer_are_cleared() -> None:
    """The two low bits of an extended pointer are reserved too. Source: Linux pci_regs.h PCI_EXT_CAP_NEXT."""
    odd = Registers(space(extended=[(0x100, 0x01), (0x140, 0x19)], put={0x102: b"\x31\x14"}))
    assert {"extended 0001": 0x100, "extended 0019": 0x140} == odd.places
    assert () == odd.problems


def test_a_space_of_zeros_has_no_lists() -> None:
    """Zeros are an empty list, not a space that repeats itself."""
    assert ({}, ()) == (Registers(bytes(4096)).places, Registers(bytes(4096)).problems)


def test_the_first_of_two_capabilities_counts() -> None:
    """Where a capability is listed twice, its registers are those of the first entry, as for the kernel."""
    twice = Registers(space(capabilities={0x60: 0x10, 0xA0: 0x10}, put={0x72: b"\x43\x00", 0xB2: b"\x11\x00"}))
    assert twice.places["capability 10"] == 0x60
    assert twice.read(pcie.LINK_STATUS, "negotiated_link_width") == 4


def test_a_register_past_the_end_of_its_space_is_not_taken_from_the_next() -> None:
    """A capability too near to the end of its space has no register beyond it."""
    late = Registers(space(capabilities={0xF8: 0x10}, extended=((0x100, 0x01), (0xFFC, 0x0B)), put={0xFA: b"\x02\x00"}))
    assert Unread("link status", engine.PAST_THE_END) == late.read(pcie.LINK_STATUS, "current_link_speed")
    assert Unread("vendor specific header", engine.PAST_THE_END) == late.raw(pcie.VENDOR_SPECIFIC_HEADER)
    assert late.vendor_specific == ()


def chain(places: Iterable[int]) -> bytes:
    """An extended list that visits these places, all of one capability."""
    return space(extended=[(place, 0x0B) for place in places])


@pytest.mark.parametrize(
    ("data", "trouble"),
    [
        (space(extended=[(0x100, 1)], put={0x102: b"\x01\x10"}), "it loops at 100h"),
        (space(extended=[(0x100, 1), (0x140, 0x19)], put={0x142: b"\x01\x14"}), "it loops at 140h"),
        (space(extended=[(0x100, 1)], put={0x102: b"\x01\x04"}), "it points below 100h, at 40h"),
        (space(put={0x100: b"\xff" * 64}), "its entry at 100h does not answer (all bits read 1)"),
        (space(extended=[(0x100, 1), (0x200, 3)], put={0x200: b"\xff" * 4}), None),
        (
            space(put=dict.fromkeys(range(0, 0x1000, 0x100), b"\xff" * 4)),
            "its entry at 100h does not answer (all bits read 1)",
        ),
        (chain(range(0x100, 0x1000, 4)), "it has more than 480 entries"),
        (chain(range(0x100, 0x100 + 4 * 481, 4)), "it has more than 480 entries"),
        (DRIVE[:256] * 16, "it only repeats the first 256 bytes"),
        (DRIVE[:256] * 16 + bytes(256), "it only repeats the first 256 bytes"),
    ],
)
def test_a_broken_extended_list_is_a_problem(data: bytes, trouble: str | None) -> None:
    """An extended list that loops, points to nowhere or only repeats the first bytes is told and ends there."""
    registers = Registers(data)
    trouble = trouble or "its entry at 200h does not answer (all bits read 1)"
    assert broken("extended capability", trouble) == registers.problems
    found = registers.has(pcie.DPC_STATUS)
    assert Unread("dpc status", f"the extended capability list is broken: {trouble}") == found


def test_an_aliased_space_keeps_its_first_bytes() -> None:
    """Where the extended space repeats the first 256 bytes, those are still right.

    Source: Linux drivers/pci/probe.c pci_ext_cfg_is_aliased.
    """
    aliased = Registers(DRIVE[:256] * 16)
    assert aliased.read(pcie.LINK_STATUS, "current_link_speed") == 3
    assert [home for home in aliased.places if home.startswith("extended")] == []


def test_long_lists_that_are_whole_are_walked_to_the_end() -> None:
    """48 entries below 256 bytes and 480 above are no problem. Source: Linux drivers/pci/pci.c."""
    full = dict.fromkeys(range(0x40, 0x100, 4), 0x09)
    data = bytearray(space(capabilities=full, extended=[(place, 0x0B) for place in range(0x100, 0x100 + 8 * 480, 8)]))
    data[0xFC] = 0x10
    registers = Registers(bytes(data))
    assert registers.problems == ()
    assert registers.places["capability 10"] == 0xFC
    assert len(registers.vendor_specific) == 480


# --- Single registers ----------------------------------------------------------------------------------------------


def test_single_registers_read_as_given() -> None:
    """Registers that a platform gives one by one are decoded, and all others are not given by this platform."""
    reason = Unread("IOPCIExpressLinkCapabilities", "not a number")
    some = Registers.of({pcie.LINK_STATUS: 0x1043, pcie.LINK_CAPABILITIES: reason})
    assert some.read(pcie.LINK_STATUS, "negotiated_link_width") == 4
    assert some.raw(pcie.LINK_STATUS) == b"\x43\x10"
    assert True is some.has(pcie.LINK_STATUS)
    assert reason == some.read(pcie.LINK_CAPABILITIES, "maximum_link_width")
    assert Unread("slot status", NOT_GIVEN) == some.has(pcie.SLOT_STATUS)
    assert Unread("configuration space", NOT_GIVEN) == some.config
    assert (some.problems, some.vendor_specific, some.places) == ((), (), {})


@pytest.mark.parametrize("number", [-1, 0x10000])
def test_a_figure_larger_than_its_register_is_not_taken(number: int) -> None:
    """A figure that cannot be the register's is unread."""
    found = Registers.of({pcie.LINK_STATUS: number}).read(pcie.LINK_STATUS, "negotiated_link_width")
    assert Unread("link status", "the figure given does not fit the register") == found


def test_registers_of_the_same_bytes_are_equal() -> None:
    """Two readings are equal exactly if their bytes or figures are."""
    assert Registers(DRIVE) == Registers(bytes(bytearray(DRIVE)))
    assert hash(Registers(DRIVE)) == hash(Registers(bytes(bytearray(DRIVE))))
    assert Registers(DRIVE) != Registers(DRIVE[:64])
    assert Registers.of({pcie.LINK_STATUS: 1}) == Registers.of({pcie.LINK_STATUS: 1})
    assert Registers.of({pcie.LINK_STATUS: 1}) != Registers.of({pcie.LINK_STATUS: 2})
    assert Registers(DRIVE) != DRIVE
    assert repr(Registers(DRIVE)) == "Registers(4096 bytes)"


# --- The promise ---------------------------------------------------------------------------------------------------


def hold_the_promise(config: bytes) -> None:
    """Ask everything of some bytes: numbers of the right width or reasons, no more entries than fit, and soon."""
    with within(10.0):
        hold_whatever_is_asked(config)


def hold_whatever_is_asked(config: bytes) -> None:
    """Ask everything of some bytes."""
    registers = Registers(config, SHORT)
    for layout in pcie.ALL_LAYOUTS:
        offered = registers.has(layout)
        data = registers.raw(layout)
        assert isinstance(offered, bool | Unread)
        assert isinstance(data, Unread) or len(data) == layout.size
        assert (offered is True) or isinstance(data, Unread)
        for name, field in layout.index.items():
            found = registers.read(layout, name)
            assert isinstance(found, Unread) or 0 <= found < 1 << field.width
            assert isinstance(data, Unread) or found == decode(layout, data)[name]
    assert all(64 <= place < 4096 for place in registers.places.values())
    assert len(registers.vendor_specific) <= 480
    assert len(registers.problems) <= 2
    assert all(problem.why for problem in registers.problems)


@given(st.binary(max_size=600))
@example(b"")
@example(b"\x00" * 4096)
@example(b"\xff" * 4096)
@example(b"\x00\x00\x00\x00\x00\x00\x10" + b"\x40" * 4089)
@example(DRIVE * 2)
def test_any_bytes_are_configuration_space(config: bytes) -> None:
    """Any bytes as configuration space give numbers or reasons: no exception, no endless walk."""
    hold_the_promise(config)


patches: Final = st.lists(st.tuples(st.integers(0, 4095), st.binary(min_size=1, max_size=8)), max_size=20)
pointers: Final = st.lists(
    st.tuples(
        st.sampled_from((0x06, 0x0E, 0x14, 0x34, 0x41, 0x51, 0x71, 0xB1, 0x102, 0x202, 0x302)), st.binary(max_size=2)
    ),
    max_size=6,
)


@given(patches, pointers, st.integers(0, 4200))
def test_a_spoiled_space_is_configuration_space(
    spoiled: list[tuple[int, bytes]], redirected: list[tuple[int, bytes]], size: int
) -> None:
    """A real space with bytes changed and pointers led astray gives numbers or reasons too."""
    data = bytearray(DRIVE)
    for place, some in (*spoiled, *redirected):
        data[place : place + len(some)] = some
    hold_the_promise(bytes(data[:size]))


@pytest.mark.parametrize(
    "config",
    [
        DRIVE,
        chain(range(0x100, 0x1000, 4)),
        chain([0x100, *range(0xFFC, 0x100, -4)]),
        space(capabilities=dict.fromkeys(range(0x40, 0x100, 4), 0x09), put={0xFD: b"\x40"}),
        bytes(range(256)) * 16,
    ],
    ids=["a drive", "upward", "downward", "a full circle", "a ramp"],
)
def test_walks_are_bounded(config: bytes) -> None:
    """The longest lists that fit are walked in a few lines of code an entry: nothing is visited over and over."""
    lines = 0

    def count(frame: FrameType, event: str, _: object) -> object:
        nonlocal lines
        if frame.f_code.co_filename != engine.__file__:
            return None
        lines += event == "line"
        return count

    before = sys.gettrace()
    sys.settrace(count)  # type: ignore[arg-type]
    try:
        Registers(config).places  # noqa: B018
    finally:
        sys.settrace(before)
    assert 0 < lines < 20 * (48 + 480)
