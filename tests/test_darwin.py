"""The Darwin probe: each rule for reading the I/O Registry, and what becomes of lists that are not as they should be.

Sources: IOPCIFamily (keys, forms, releases), IOKitTools (the printer), IOStorageFamily (drives) of the open sources of
the system; masks of registers are written out from include/uapi/linux/pci_regs.h of the Linux kernel.
"""

from __future__ import annotations

from typing import Any, Final

import pytest

from agent.audit import audit
from agent.model import machine
from agent.model.findings import Verdict
from knowledge import pcie
from probes import collect
from probes.answers import failed
from probes.darwin import PLATFORM
from probes.darwin import collecting as darwin
from probes.darwin import functions as darwin_functions
from probes.decode import NOT_GIVEN
from probes.reads import Recorded
from probes.unread import Unread
from tests.plists import (
    BRIDGE,
    CAPABILITIES,
    DOWNSTREAM,
    ENDPOINT,
    EXPRESS,
    GEN_3_X4,
    INTEGRATED,
    NVME,
    ROOT_PORT,
    STATUS,
    TO_PCI,
    UPSTREAM,
    Keys,
    drive,
    entry,
    express,
    facts,
    function,
    one,
    reads,
    root,
    word,
)

STATUS_FIELDS: Final = ("current_link_speed", "negotiated_link_width")


def status(found: Any) -> tuple[object, object]:  # noqa: ANN401 - a function of the facts
    """Speed code and lanes of a function's Link Status, or the reason why there are none, twice."""
    told = [found.registers.read(pcie.LINK_STATUS, field) for field in STATUS_FIELDS]
    return tuple(value.why if isinstance(value, Unread) else value for value in told)  # type: ignore[return-value]


# --- Rule 1: every form of a value ---


FORMS: Final[tuple[Any, ...]] = (0x1043, 0x1043 - 2**32, b"\x43\x10\0\0", b"\x43\x10", "0x1043", "4163")


@pytest.mark.parametrize("form", FORMS)
def test_a_register_is_the_same_in_every_form(form: object) -> None:
    """Link Status and Link Capabilities mean the same as an integer, as data and as digits."""
    found = one(function(1, (1, 0, 0), NVME, more=express(ENDPOINT, form, form)))
    assert status(found) == (3, 4)
    assert found.registers.read(pcie.LINK_CAPABILITIES, "maximum_link_width") == 4


def test_identity_is_data_with_the_least_significant_byte_first() -> None:
    """Vendor, device, class, revision and subsystem are four bytes each; class bytes 00 04 06 00 are a bridge."""
    told = {
        "vendor-id": b"\xb2\xf1\0\0",
        "device-id": b"\x31\x08\0\0",
        "class-code": b"\x00\x04\x06\x00",
        "revision-id": b"\xab\0\0\0",
        "subsystem-vendor-id": b"\x34\x12\0\0",
        "subsystem-id": b"\x78\x56\0\0",
    }
    found = one(function(1, (0, 1, 0), BRIDGE, more=told))
    assert (found.vendor_id, found.device_id, found.class_code) == (0xF1B2, 0x0831, 0x060400)
    assert (found.revision, found.subsystem_vendor_id, found.subsystem_id) == (0xAB, 0x1234, 0x5678)


def test_a_subsystem_that_is_left_out_is_zero() -> None:
    """The system leaves out the subsystem's numbers where they are zero (IOPCIFamily)."""
    found = one(function(1, (0, 1, 0), BRIDGE))
    assert (found.subsystem_vendor_id, found.subsystem_id) == (0, 0)


def test_identity_that_is_not_there_or_no_number_is_unread() -> None:
    """A missing number is not given, one of an odd form is said to be no number; neither becomes zero."""
    keys = function(1, (0, 1, 0), BRIDGE, more={"vendor-id": [1], "subsystem-id": {}})
    del keys["device-id"]
    found = one(keys)
    assert found.vendor_id == Unread("vendor-id of 00:01.0", "is no number")
    assert found.subsystem_id == Unread("subsystem-id of 00:01.0", "is no number")
    assert found.device_id == Unread("device-id of 00:01.0", NOT_GIVEN)


# --- Addresses ---


@pytest.mark.parametrize(
    ("keys", "address"),
    [
        ({"reg": word(0x00051B00) + bytes(96)}, "05:03.3"),
        ({"reg": word(0x82FFFF10)}, "ff:1f.7"),
        ({"reg": 0x00051B00}, "05:03.3"),
        ({"reg": 0x80051B00 - 2**32}, "05:03.3"),
        ({"reg": b"", "pcidebug": "5:3:3"}, "05:03.3"),
        ({"reg": None, "pcidebug": "16:31:7(17:40)"}, "10:1f.7"),
        ({"reg": None, "pcidebug": b"5:3:3\0"}, "05:03.3"),
        ({"reg": None, "pcidebug": "256:0:0"}, "entry-41f"),
        ({"reg": None, "pcidebug": "5:3"}, "entry-41f"),
        ({"reg": None, "pcidebug": "-1:0:0"}, "entry-41f"),
        ({"reg": True, "pcidebug": "no"}, "entry-41f"),
        ({"reg": None}, "entry-41f"),
    ],
)
def test_an_address_is_bus_device_and_function(keys: Keys, address: str) -> None:
    """The first word of `reg` is npt000ss bbbbbbbb dddddfff rrrrrrrr; then `pcidebug` is asked, then the id."""
    made = function(0x41F, (0, 0, 0), NVME, more={name: value for name, value in keys.items() if value is not None})
    if keys.get("reg", b"") is None:
        del made["reg"]
    assert one(made).address == address


def test_addresses_that_collide_bear_their_entry_id() -> None:
    """The segment is not told, so two functions may share bus, device and function: all after the first are marked."""
    found = facts(drive(ident=0x10000041F), drive(ident=0x1000002A0), drive(ident=0x10000043A))
    assert [made.address for made in found.functions] == ["01:00.0", "01:00.0@10000041f", "01:00.0@10000043a"]


def test_functions_stand_in_the_order_of_their_addresses() -> None:
    """Functions are sorted by bus, device and function; those without an address come last."""
    lost = drive(ident=7)
    del lost["reg"]
    found = facts(lost, drive((9, 0, 0), 5), drive((0, 2, 1), 6), drive((0, 2, 0), 8), drive((16, 0, 0), 9))
    expected = ["00:02.0", "00:02.1", "09:00.0", "10:00.0", "entry-7"]
    assert expected == [made.address for made in found.functions]


def test_children_that_collide_stay_below_their_own_port() -> None:
    """Two segments with the same bus numbers keep their links apart, as parents go by entry id."""
    ports = [
        function(0x200 + 16 * place, (0, 1, 0), BRIDGE, drive((1, 0, 0), 0x201 + 16 * place), more=express(ROOT_PORT))
        for place in range(2)
    ]
    built = machine.build(facts(*ports))
    pairs = [(link.port and link.port.address, link.device and link.device.address) for link in built.links]
    assert pairs == [("00:01.0", "01:00.0"), ("00:01.0@210", "01:00.0@211")]


# --- Rule 2: pairs ---


def switch(kinds: tuple[int, int, int, int], told: bool = True) -> Keys:  # noqa: FBT001, FBT002 - one word in a call
    """A root port, a switch with one downstream port, and a drive; with port types, or as releases before 10.9."""

    def registers(kind: int) -> Keys:
        made = express(kind)
        return made if told else {key: made[key] for key in (CAPABILITIES, STATUS)}

    fitted = function(0x204, (3, 0, 0), NVME, more=registers(kinds[3]))
    down = function(0x203, (2, 0, 0), BRIDGE, fitted, more=registers(kinds[2]))
    up = function(0x202, (1, 0, 0), BRIDGE, down, more=registers(kinds[1]))
    return function(0x201, (0, 1, 0), BRIDGE, entry(0x300, up, IOObjectClass="IOPP"), more=registers(kinds[0]))


@pytest.mark.parametrize("told", [True, False])
def test_a_switch_is_never_paired_with_itself(told: bool) -> None:  # noqa: FBT001 - a case
    """Root port and upstream port are a pair, downstream port and drive are one; types told or inferred."""
    built = machine.build(facts(switch((ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT), told)))
    pairs = [(link.port and link.port.address, link.device and link.device.address) for link in built.links]
    assert pairs == [("00:01.0", "01:00.0"), ("02:00.0", "03:00.0")]
    assert [
        built.kinds[one.address] for one in facts(switch((ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT))).functions
    ] == [
        pcie.ROOT_PORT,
        pcie.SWITCH_UPSTREAM_PORT,
        pcie.SWITCH_DOWNSTREAM_PORT,
        pcie.ENDPOINT,
    ]


@pytest.mark.parametrize("told", [True, False])
def test_the_device_end_tells_the_status_of_a_link(told: bool) -> None:  # noqa: FBT001 - a case
    """A port's own status is left out, as it is kept up to date in its children alone; the device's is as read."""
    found = facts(switch((ROOT_PORT, UPSTREAM, DOWNSTREAM, ENDPOINT), told)).functions
    kept = darwin_functions.KEPT_BELOW
    assert [status(one) for one in found] == [(kept, kept), (3, 4), (kept, kept), (3, 4)]


def test_ports_take_turns_below_each_other_where_no_type_is_told() -> None:
    """A switch behind a switch: root, upstream, downstream, upstream, downstream; every second one faces down."""
    below = drive((5, 0, 0), 0x205)
    del below[EXPRESS]
    for level in range(4, -1, -1):
        below = function(0x200 + level, (level, 0, 0), BRIDGE, below, more={CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4})
    built = machine.build(facts(below))
    pairs = [(link.port and link.port.address, link.device and link.device.address) for link in built.links]
    assert pairs == [("00:00.0", "01:00.0"), ("02:00.0", "03:00.0"), ("04:00.0", "05:00.0")]


def test_a_conventional_bridge_below_a_root_port_is_the_device_of_its_link() -> None:
    """A bridge to conventional PCI ends the link above it, and what is below has none."""
    plain = function(0x203, (2, 0, 0), 0x0C0010)
    bridge = function(0x202, (1, 0, 0), BRIDGE, plain, more={CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4})
    port = function(0x201, (0, 1, 0), BRIDGE, bridge, more={CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4})
    found = facts(port)
    built = machine.build(found)
    pairs = [(link.port and link.port.address, link.device and link.device.address) for link in built.links]
    assert pairs == [("00:01.0", "01:00.0")]
    assert built.kinds["01:00.0"] == pcie.BRIDGE_TO_PCI
    assert found.functions[2].link is None


@pytest.mark.parametrize("capabilities", [GEN_3_X4, None])
def test_an_endpoint_on_the_host_bus_has_a_link_if_it_says_so(capabilities: int | None) -> None:
    """Without port types, what is on the host bus and tells no lanes is in the processor; else its port is hidden."""
    told = {STATUS: GEN_3_X4} if capabilities is None else {STATUS: GEN_3_X4, CAPABILITIES: capabilities}
    built = machine.build(facts(function(1, (0, 1, 0), NVME, more=told)))
    expected = pcie.INTEGRATED_ENDPOINT if capabilities is None else pcie.ENDPOINT
    assert built.kinds == {"00:01.0": expected}


def test_the_parent_is_the_nearest_function_above() -> None:
    """Drivers between two functions are passed over, however many; on a host bus there is no parent."""
    inner = entry(0x301, entry(0x302, drive()), IOObjectClass="IOPCI2PCIBridge")
    found = facts(function(0x201, (0, 1, 0), BRIDGE, inner, more=express(ROOT_PORT))).functions
    assert [(made.address, made.parent, made.root) for made in found] == [
        ("00:01.0", None, "host bus"),
        ("01:00.0", "00:01.0", "host bus"),
    ]


def test_a_bridge_to_pci_by_its_type_faces_up() -> None:
    """A bridge from PCI Express to conventional PCI is the device of the link above, and keeps its status."""
    bridge = function(0x202, (1, 0, 0), BRIDGE, more=express(TO_PCI))
    found = facts(function(0x201, (0, 1, 0), BRIDGE, bridge, more=express(ROOT_PORT))).functions
    assert status(found[1]) == (3, 4)


# --- Rule 3: childless ports ---


@pytest.mark.parametrize("told", [True, False])
def test_a_port_without_a_child_is_no_link(told: bool) -> None:  # noqa: FBT001 - a case
    """A childless port reads x4 at 2.5 GT/s (0x1041), and gives neither a rate nor a verdict on one."""
    registers = express(ROOT_PORT, GEN_3_X4, 0x1041)
    if not told:
        del registers[EXPRESS]
    seen = audit(facts(function(1, (0, 1, 0), BRIDGE, more=registers))).links
    assert [(judged.device_address, judged.now, judged.link_up) for judged in seen] == [(None, None, False)]
    assert seen[0].verdict in {Verdict.EMPTY, Verdict.UNKNOWN}


# --- Rule 4: what is no status ---


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (0, "reads 0"),
        (0xFFFF, "did not answer"),
        (-1, "did not answer"),
        ({}, "not active"),
        ({"speed": 3}, "not active"),
        (0x1040, "speed code 0"),
        (0x1047, "speed code 7"),
        (0x104F, "speed code 15"),
        (0x1003, "0 lanes"),
        (0x1033, "3 lanes"),
        (0x1243, "36 lanes"),
        ("soon", "no number"),
        ([], "no number"),
        (3.5, "no number"),
    ],
)
def test_a_status_that_no_link_can_have_is_rejected(value: object, why: str) -> None:
    """0, all ones, a dictionary, a speed code outside 1 to 6 and an odd number of lanes are no rate, and say why."""
    found = one(function(1, (1, 0, 0), NVME, more=express(ENDPOINT, GEN_3_X4, value)))
    speed, width = status(found)
    assert speed == width
    assert why in str(speed)


@pytest.mark.parametrize("lanes", [1, 2, 4, 8, 12, 16, 32])
@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6])
def test_a_status_that_a_link_can_have_is_kept(code: int, lanes: int) -> None:
    """Speed codes 1 to 6 with 1, 2, 4, 8, 12, 16 or 32 lanes are read as they are."""
    found = one(function(1, (1, 0, 0), NVME, more=express(ENDPOINT, GEN_3_X4, code | lanes << 4)))
    assert status(found) == (code, lanes)


def test_capabilities_of_zero_say_that_there_is_no_link() -> None:
    """From 13.0 on every function has Link Capabilities, and 0 stands for no PCI Express capability."""
    found = one(function(1, (0, 31, 3), 0x0C0500, more={CAPABILITIES: 0, STATUS: 0}))
    assert found.link is None
    assert found.registers.read(pcie.LINK_STATUS, "current_link_speed") == Unread("link status", NOT_GIVEN)


def test_integrated_endpoints_have_no_link() -> None:
    """Type 9 is part of the processor's own bus, whatever its registers of a link read."""
    seen = machine.build(facts(function(1, (0, 2, 0), NVME, more=express(INTEGRATED, GEN_3_X4))))
    assert seen.links == ()
    assert seen.kinds == {"00:02.0": pcie.INTEGRATED_ENDPOINT}


@pytest.mark.parametrize("code", [0x040300, 0x088000, 0x080020])
@pytest.mark.parametrize("capabilities", [GEN_3_X4, 0xC00])
@pytest.mark.parametrize("told", [0, 0x1000])
def test_without_types_a_device_on_the_host_bus_with_no_rate_is_integrated(
    code: int, capabilities: int, told: int
) -> None:
    """It answers with speed 0 and no lanes, which no link has: bits 3:0 and 9:4 of Link Status are a link's rate.

    Source: PCI Express Base Specification, Link Status Register; bit 12 is no part of the rate.
    """
    seen = machine.build(facts(function(1, (0, 27, 0), code, more={CAPABILITIES: capabilities, STATUS: told})))
    assert ((), {"00:1b.0": pcie.INTEGRATED_ENDPOINT}) == (seen.links, seen.kinds)


@pytest.mark.parametrize(
    ("at", "code", "more"),
    [
        ((0, 1, 0), BRIDGE, {CAPABILITIES: GEN_3_X4, STATUS: 0}),  # a port without a card
        ((0, 2, 0), NVME, express(ENDPOINT, GEN_3_X4, 0)),  # its type says that it has a link
        ((0, 2, 0), NVME, {CAPABILITIES: GEN_3_X4, STATUS: 0xFFFF}),  # it did not answer
        ((0, 2, 0), NVME, {CAPABILITIES: GEN_3_X4, STATUS: 0x1040}),  # lanes, and a speed that is none
    ],
)
def test_what_may_have_a_link_stays_one(at: tuple[int, int, int], code: int, more: Keys) -> None:
    """Ports, devices that tell their type, and readings that failed are no integrated devices."""
    (link,) = machine.build(facts(function(1, at, code, more=more))).links
    assert not link.integrated


@pytest.mark.parametrize("kind", [ENDPOINT, ROOT_PORT, None])
def test_a_host_bridge_is_no_link(kind: int | None) -> None:
    """Whatever type it calls itself: what is above it is the processor, and its link to the chipset is in the board."""
    told = {CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4} if kind is None else express(kind)
    assert () == machine.build(facts(function(1, (0, 0, 0), 0x060000, more=told))).links


def test_a_function_without_any_register_is_conventional() -> None:
    """No key of PCI Express at all is no link."""
    assert one(function(1, (0, 31, 0), 0x060100)).link is None


@pytest.mark.parametrize("key", ["IOPCIExpressSlotStatus", "IOPCIExpressSlotCapabilities", EXPRESS, CAPABILITIES])
def test_registers_that_do_not_answer_are_unread(key: str) -> None:
    """All bits set is what nobody answers reads as, in every register."""
    found = one(function(1, (0, 1, 0), BRIDGE, more=express(ROOT_PORT) | {key: -1}))
    layout = darwin_functions.RAW[key]
    assert found.registers.has(layout) == Unread(f"{key} of 00:01.0", darwin_functions.NO_ANSWER)


# --- Rule 5: lanes, tunnels, displays ---


@pytest.mark.parametrize(
    ("value", "lanes"),
    [(8, 8), (b"\x04\0\0\0", 4), ("2", 2), (None, None)],
)
def test_wired_lanes_are_as_told(value: object, lanes: int | None) -> None:
    """A slot narrower than its port is told by the override; without one there is nothing to tell."""
    more = {} if value is None else {"IOPCIExpressMaxLinkWidthOverride": value}
    assert one(function(1, (0, 1, 0), BRIDGE, more=express(ROOT_PORT) | more)).wired_lanes == lanes


@pytest.mark.parametrize(("value", "why"), [(0, "reads 0"), (3, "reads 3"), ("x", "no number"), (-8, "reads 42949672")])
def test_wired_lanes_that_cannot_be_are_unread(value: object, why: str) -> None:
    """A figure that is no number of lanes is not used, and said."""
    more = express(ROOT_PORT) | {"IOPCIExpressMaxLinkWidthOverride": value}
    found = one(function(1, (0, 1, 0), BRIDGE, more=more)).wired_lanes
    assert isinstance(found, Unread)
    assert why in found.why


def pair(port: Keys, device: Keys, code: int = NVME) -> Verdict:
    """The verdict on the link of a root port and a card with these keys beside both ends' registers."""
    card = function(0x202, (1, 0, 0), code, more=express(ENDPOINT) | device)
    slot = function(0x201, (0, 1, 0), BRIDGE, card, more=express(ROOT_PORT) | port)
    (judged,) = audit(facts(slot)).links
    return judged.verdict


def test_best_is_the_lower_of_both_ends_and_the_wired_lanes() -> None:
    """x4 of a x16 card is narrow below a x16 port, and the slot's limit where four lanes are wired."""
    wide, wired = {CAPABILITIES: 0x103}, {CAPABILITIES: 0x103, "IOPCIExpressMaxLinkWidthOverride": 4}
    assert pair(wide, wide) is Verdict.NARROW
    assert pair(wired, wide) is Verdict.SLOT_LIMITED


def test_a_drive_with_half_its_lanes_is_narrow() -> None:
    """x2 between two ends of x4, as was seen on real machines."""
    assert pair({}, {STATUS: 0x1023}) is Verdict.NARROW


def test_a_display_at_low_speed_is_not_slow() -> None:
    """All slow links of displays and their audio functions that were seen read 2.5 GT/s: idle, or as of start-up."""
    assert pair({}, {STATUS: 0x1041}) is Verdict.SLOW
    assert pair({}, {STATUS: 0x1041}, 0x030000) is Verdict.RESTING


def test_tunnelled_links_are_virtual() -> None:
    """Below a tunnel the figures of a link say nothing of lanes."""
    assert pair({"IOPCITunnelled": True}, {"IOPCITunnelled": True, STATUS: 0x1041}) is Verdict.VIRTUAL


@pytest.mark.parametrize(("keys", "expected"), [({"IOPCITunnelled": True}, True), ({}, False)])
def test_a_tunnel_is_told_by_its_key(keys: Keys, expected: bool) -> None:  # noqa: FBT001 - a case
    """The key is there below a tunnel and nowhere else."""
    assert one(function(1, (1, 0, 0), NVME, more=express(ENDPOINT) | keys)).tunnelled is expected


def test_slot_and_model_names_are_as_read() -> None:
    """A slot's name and a model may be data that ends in a zero byte, or strings."""
    found = one(function(1, (1, 0, 0), 0x030000, more={"AAPL,slot-name": b"Slot-2\0", "model": "Frescade 12"}))
    assert (found.slot_name, found.model_name) == ("Slot-2", "Frescade 12")


# --- Rule 6: identity ---


def test_an_entry_that_is_printed_twice_is_one() -> None:
    """An entry with several parents is printed under each, and functions also on their own."""
    shared = drive((1, 0, 0), 0x210)
    port = function(0x201, (0, 1, 0), BRIDGE, shared, more=express(ROOT_PORT))
    expected = facts(port).functions
    assert expected == facts(port, shared).functions
    assert expected == facts(shared, port).functions
    assert expected == facts(port, port).functions


def test_a_header_alone_is_completed_by_the_entry_itself() -> None:
    """Where an entry is met with its header first, its properties are taken from where they are."""
    header = entry(0x210, IOObjectClass="IOPCIDevice")
    port = function(0x201, (0, 1, 0), BRIDGE, header, more=express(ROOT_PORT))
    assert [made.address for made in facts(port, drive((1, 0, 0), 0x210)).functions] == ["00:01.0", "01:00.0"]


def test_a_loop_of_entries_is_no_loop_of_parents() -> None:
    """A list that has an entry above itself gives functions that have an end above them."""
    inner = function(0x201, (0, 1, 0), BRIDGE, more=express(ROOT_PORT))
    outer = function(0x202, (1, 0, 0), BRIDGE, inner, more=express(UPSTREAM))
    found = facts(function(0x201, (0, 1, 0), BRIDGE, outer, more=express(ROOT_PORT))).functions
    assert [(made.address, made.parent) for made in found] == [("00:01.0", None), ("01:00.0", "00:01.0")]


def test_entries_without_an_id_are_kept_apart() -> None:
    """A function without an entry id is still a function of its own."""
    nameless = [drive((1, 0, 0)), drive((2, 0, 0))]
    for made in nameless:
        del made["IORegistryEntryID"]
    assert [made.address for made in facts(*nameless).functions] == ["01:00.0", "02:00.0"]


# --- How current ---


@pytest.mark.parametrize(
    ("kernel", "expected"),
    [
        ("9.8.0", "start-up"),
        ("10.8.0", "start-up"),
        ("21.6.0", "start-up"),
        ("22.0.0", "refreshed"),
        ("24.6.0", "refreshed"),
        ("25.0.0", "live"),
        ("31.1.0", "live"),
    ],
)
def test_how_current_a_status_is_goes_by_the_release(kernel: str, expected: str) -> None:
    """Up to 12.x (kernel 21) as of start-up, from 13.0 (kernel 22) refreshed, from 26.0 (kernel 25) live."""
    assert one(drive(), host=root(kernel)).fresh == expected


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({}, "start-up"),
        ({CAPABILITIES: 0}, "refreshed"),
        ({"IOPCIExpressLinkCapabilities2": 14}, "live"),
        ({"IOPCIExpressDeviceCapabilities": 0x8001}, "live"),
    ],
)
@pytest.mark.parametrize("host", ["", failed("registry host", "ETIMEDOUT"), root("of old")])
def test_without_a_release_the_keys_tell_how_current_a_status_is(keys: Keys, expected: str, host: object) -> None:
    """Capabilities of zero are there from 13.0 on, further registers from 26.0 on."""
    other = function(0x220, (0, 31, 3), 0x0C0500, more=keys)
    assert {made.fresh for made in facts(drive(), other, host=host).functions} == {expected}


def test_only_live_values_are_asked_for_again() -> None:
    """A later look asks for the functions where the system reads them anew, and for nothing else."""
    later = reads(pci=[drive(more={STATUS: 0x1021})])
    first = reads(pci=[drive()], host=root("25.0.0"))
    again = darwin.look(later, first, ["01:00.0"])
    assert list(again.answers) == ["registry pci"]
    assert [dict(look.functions)["01:00.0"].parent for look in collect(first, [(0.5, again)]).looks] == [None]
    assert list(darwin.look(later, first, ["02:00.0"]).answers) == []
    assert list(darwin.look(later, first, []).answers) == []
    assert list(darwin.look(later, reads(pci=[drive()], host=root("24.0.0")), ["01:00.0"]).answers) == []


def test_a_later_look_is_judged_with_the_first() -> None:
    """A link that reads slow once and fast later is at rest at times, and no fault."""

    def machine_at(value: int) -> Recorded:
        card = function(0x202, (1, 0, 0), NVME, more=express(ENDPOINT, GEN_3_X4, value))
        return reads(
            pci=[function(0x201, (0, 1, 0), BRIDGE, card, more=express(ROOT_PORT))],
            host=root("25.0.0"),
        )

    first = machine_at(0x1041)
    look = darwin.look(machine_at(0x1043), first, ["01:00.0"])
    (judged,) = audit(collect(first, [(0.5, look)])).links
    assert judged.verdict is Verdict.RESTING


# --- The machine ---


def test_the_host_is_told_by_root_product_and_firmware() -> None:
    """Maker, model, board and firmware are of the device tree, the kernel is the version of the root."""
    product = entry(
        0x110,
        more={"model": b"Grading tower 7A\0", "manufacturer": b"Harrow Lane Archive\0", "board-id": b"HLA-7\0"},
    )
    host = entry(0x100, product, IOKitBuildVersion="Darwin Kernel Version 22.6.0: made for tests")
    firmware = entry(
        0x112, version=b"HT71.0004.B02\0", vendor=b"Harrow Lane Archive\0", more={"release-date": "03/18/2024"}
    )
    found = facts(drive(), host=host, firmware=[firmware]).host
    assert (found.maker, found.product, found.board) == ("Harrow Lane Archive", "Grading tower 7A", "HLA-7")
    assert found.kernel == "Darwin Kernel Version 22.6.0: made for tests"
    assert (found.firmware_version, found.firmware_date) == ("HT71.0004.B02", "03/18/2024")
    assert isinstance(found.name, Unread)


@pytest.mark.parametrize(
    ("booted", "taken_at", "expected"),
    [
        ("1772440800.0", "2026-03-02T09:00:00+00:00", 1200.0),
        ("1772440800.0", "2026-03-02T10:00:00+01:00", 1200.0),
        ("1772440800.0", "", None),
        ("never", "2026-03-02T09:00:00+00:00", None),
        ("nan", "2026-03-02T09:00:00+00:00", None),
        ("1e300", "2026-03-02T09:00:00+00:00", None),
        (failed("psutil boot_time", "ENOSYS"), "2026-03-02T09:00:00+00:00", None),
    ],
)
def test_up_time_is_from_the_start_to_the_reading(booted: str, taken_at: str, expected: float | None) -> None:
    """Seconds since 1970 at the start, as psutil has them, are held against the moment of the reading."""
    answers = {**reads().answers, "psutil boot_time": booted, "psutil cpu_count": "16"}
    found = collect(Recorded(answers, "darwin"), (), taken_at).host
    assert found.processors == 16
    assert isinstance(found.memory_bytes, Unread)
    assert isinstance(found.up_seconds, Unread) if expected is None else expected == found.up_seconds


def test_every_kind_that_is_not_given_is_told_with_its_reason() -> None:
    """What this platform cannot give stands among what was not read, each kind once."""
    found = facts(drive()).unread
    assert set(PLATFORM.without.items()) <= {(one.what, one.why) for one in found}
    assert len(found) == len(set(found))
    assert not set(PLATFORM.without) & set(PLATFORM.offers)


def test_an_old_release_says_that_it_tells_nothing_of_presence() -> None:
    """Before 10.9 there are no registers of slots, so whether a slot holds a card is not known."""
    told = {CAPABILITIES: GEN_3_X4, STATUS: GEN_3_X4}
    assert darwin.NO_PRESENCE in facts(function(1, (0, 1, 0), BRIDGE, more=told)).unread
    assert darwin.NO_PRESENCE not in facts(function(1, (0, 1, 0), BRIDGE, more=express(ROOT_PORT))).unread
    assert darwin.NO_LINKS in facts(function(1, (0, 1, 0), BRIDGE)).unread


# --- Names of slots ------------------------------------------------------------------------------------------------


def named_links(*functions: Keys) -> list[machine.Link]:
    """The links of a machine with these trees of PCI functions."""
    return list(machine.build(facts(*functions)).links)


@pytest.mark.parametrize(
    ("name", "words"),
    [("Cable Slot 1", "Cable Slot 1"), ("Slot-2", "Slot-2"), ("PCIE_SLOT3", "PCIE_SLOT3"), ("J4", "slot J4")],
)
def test_a_slot_is_said_to_be_one_once(name: str, words: str) -> None:
    """A name that says that it is a slot, wherever it does, is not called a slot again."""
    port = function(0x201, (0, 1, 0), BRIDGE, drive(more={"AAPL,slot-name": name}), more=express(ROOT_PORT))
    (link,) = named_links(port)
    assert link.slot is not None
    assert link.slot.words == words


def test_two_links_of_one_slot_name_are_told_apart() -> None:
    """Where the registry gives two ports one name each is shown with its address; a name of its own stays as it is."""
    ports = [
        function(
            0x201 + at,
            (0, at, 0),
            BRIDGE,
            drive((at, 0, 0), 0x210 + at, more={"AAPL,slot-name": name}),
            more=express(ROOT_PORT),
        )
        for at, name in enumerate(("Slot-1", "Slot-1", "Slot-2"), 1)
    ]
    found = [link.slot for link in named_links(*ports) if link.slot is not None]
    assert [slot.words for slot in found] == ["Slot-1 (00:01.0)", "Slot-1 (00:02.0)", "Slot-2"]
    assert [slot.name for slot in found] == ["Slot-1", "Slot-1", "Slot-2"]


@pytest.mark.parametrize(
    ("told", "number"),
    [({"IOPCIHPType": 0x30}, None), ({"IOPCITunnelled": True}, None), ({"IOPCIHPType": 0x20}, "7"), ({}, "7")],
)
def test_a_port_of_a_tunnel_is_no_empty_slot(told: Keys, number: str | None) -> None:
    """A port for the cable of a tunnel leads to no slot, whatever its register counts; one for hot-plug does.

    A slot is implemented: PCI_EXP_FLAGS_SLOT 0100h; its number is 7: PCI_EXP_SLTCAP_PSN FFF80000h
    (include/uapi/linux/pci_regs.h).
    """
    slot = {"IOPCIExpressSlotCapabilities": 7 << 19, "IOPCIExpressSlotStatus": 0}
    port = function(0x201, (0, 1, 0), BRIDGE, more=express(ROOT_PORT | 0x100) | slot | told)
    (link,) = named_links(port)
    assert (None if link.slot is None else link.slot.name) == number
    assert link.slot_lost is None
