"""The topology: what hangs below what, which links there are, how slots are named, and each drive's way home."""

from __future__ import annotations

import posixpath
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.model import machine as topology
from agent.model.findings import Verdict
from knowledge import pcie
from probes.linux import collecting as linux
from probes.reads import Recorded
from tests.build import DEVICES, build, facts, record
from tests.firmware import BoardSlotWords
from tests.judging import CARD, PORT, all_judged, tower
from tests.parts import Disk, Function, Machine, Slot, card, downstream_port, drive, root_port, switch
from tests.tree import Directory, Link, Tree

if TYPE_CHECKING:
    from agent.model.machine import Machine as Topology
    from probes.facts import Facts
    from probes.reads import Answer

FIRMWARE: Final = "firmware slot description (SMBIOS)"
KERNEL: Final = "kernel slot name"
REGISTER: Final = "Slot Capabilities register"


def built(described: Machine | Tree, *, privileged: bool = True) -> Topology:
    """The topology of a described machine."""
    tree = build(described) if isinstance(described, Machine) else described
    return topology.build(facts(tree, privileged=privileged))


def links(found: Topology) -> dict[str, tuple[str, ...]]:
    """Each link's key and the functions below it."""
    return {link.key: tuple(function.address for function in link.functions) for link in found.links}


def paths(found: Topology) -> dict[str, list[str]]:
    """Each drive's name and the keys of its hops, from the drive to the processor."""
    return {path.drive.name: [hop.key for hop in path.hops] for path in found.paths}


def slots(found: Topology) -> dict[str, tuple[str, str] | None]:
    """Each link's key, and the name of its slot with its source."""
    return {link.key: (link.slot.name, link.slot.source) if link.slot else None for link in found.links}


def machine(*functions: Function, **more: Any) -> Machine:  # noqa: ANN401 - fields of Machine
    """A machine with these functions on its first bus."""
    return Machine(name="bench-9", buses={"0000:00": list(functions)}, **more)


as_root_and_as_user = pytest.mark.parametrize("privileged", [True, False], ids=["root", "user"])


# --- Links -------------------------------------------------------------------------------------------------------


@as_root_and_as_user
def test_a_link_is_a_port_and_the_component_below_it(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """Root ports and a switch's downstream ports have links, a switch's upstream port has none of its own.

    Source: PCI Express Base, terms: a link connects two components; a switch is one component.
    """
    inner = switch((4, 4), [downstream_port((4, 4), [drive((4, 4))]), downstream_port((4, 4))])
    outer = switch((4, 8), [downstream_port((4, 4), [inner]), downstream_port((4, 4), [drive((4, 4))])])
    found = built(machine(root_port("01.0", (4, 16), [outer]), root_port("1c.0", (3, 1))), privileged=privileged)
    expected: dict[str, tuple[str, ...]] = {
        "0000:00:01.0": ("0000:01:00.0",),
        "0000:00:1c.0": (),
        "0000:02:00.0": ("0000:03:00.0",),
        "0000:02:01.0": ("0000:07:00.0",),
        "0000:04:00.0": ("0000:05:00.0",),
        "0000:04:01.0": (),
    }
    assert expected == links(found)
    assert {
        "nvme0": ["0000:04:00.0", "0000:02:00.0", "0000:00:01.0"],
        "nvme1": ["0000:02:01.0", "0000:00:01.0"],
    } == paths(found)


@as_root_and_as_user
def test_function_0_speaks_for_a_card_with_several_functions(privileged: bool) -> None:  # noqa: FBT001 - a column
    """All functions of a card share one link; function 0 stands for them (drivers/pci/probe.c, downtraining report)."""
    found = built(tower([card("network", (3, 4)) for _ in range(4)]), privileged=privileged)
    assert {PORT: tuple(f"0000:01:00.{number}" for number in range(4))} == links(found)
    assert [CARD] == [link.device.address for link in found.links if link.device is not None]


@as_root_and_as_user
def test_a_switch_with_a_second_function_is_one_component(privileged: bool) -> None:  # noqa: FBT001 - a column
    """A switch whose upstream port has a neighbour for its own copying engine still has one link to the slot."""
    up = switch((4, 8), [downstream_port((4, 4), [drive((4, 4))])])
    found = built(tower([up, card("encryption", (4, 8))]), privileged=privileged)
    assert {PORT: (CARD, "0000:01:00.1"), "0000:02:00.0": ("0000:03:00.0",)} == links(found)
    assert {"nvme0": ["0000:02:00.0", PORT]} == paths(found)


@as_root_and_as_user
def test_functions_past_the_eighth_belong_to_the_same_card(privileged: bool) -> None:  # noqa: FBT001 - a column
    """With alternative routing a card has more than eight functions; function 8 is shown as device 1, function 0.

    Source: PCI Express Base, Alternative Routing-ID Interpretation.
    """
    places = [*(f"00.{number}" for number in range(8)), "01.0", "01.1", "02.7"]
    found = built(tower([card("network", (4, 8), at=place) for place in places]), privileged=privileged)
    assert {PORT: tuple(f"0000:01:{place}" for place in places)} == links(found)


@as_root_and_as_user
def test_virtual_functions_are_no_part_of_a_link(privileged: bool) -> None:  # noqa: FBT001 - a column of the table
    """Virtual functions have no link figures of their own; the physical function's link is theirs.

    Source: PCI Express Base, SR-IOV: Link Status of a virtual function is reserved.
    """
    found = built(tower(card("network", (4, 8), virtual=3)), privileged=privileged)
    virtual = [name for name, function in found.functions.items() if function.physical_function == CARD]
    assert len(virtual) == 3
    assert {PORT: (CARD,)} == links(found)
    judged = all_judged(tower(card("network", (4, 8), virtual=3)), privileged=privileged)
    assert {PORT: Verdict.FULL} == {key: one.verdict for key, one in judged.items()}


def test_a_drive_on_a_virtual_function_takes_the_way_of_its_physical_one() -> None:
    """A virtual function hangs beside its physical function; the drive's path goes over that one's link."""
    seen = facts(build(tower(drive((4, 4), virtual=2))))
    one = replace(seen.drives[0], address="0000:01:01.0")
    assert {"nvme0": [PORT]} == paths(topology.build(replace(seen, drives=(one,))))


def _passed_through(*virtual: str) -> Facts:
    """A guest with a two-function card on its first bus, whose port is not visible, and virtual functions of it."""
    cards = [card("network", (3, 8), at=f"05.{number}") for number in range(2)]
    seen = facts(build(machine(*cards, virtual=True)))
    more = tuple(replace(seen.functions[0], address=address, physical_function="0000:00:05.0") for address in virtual)
    return replace(seen, functions=tuple(sorted((*seen.functions, *more), key=lambda one: one.address)))


def test_a_card_without_a_visible_port_is_one_link_of_its_own() -> None:
    """All functions that share bus and device number are one component, its virtual functions apart."""
    found = topology.build(_passed_through("0000:00:05.2", "0000:00:05.7"))
    assert {"0000:00:05.0": ("0000:00:05.0", "0000:00:05.1")} == links(found)
    assert [None] == [link.port for link in found.links]


@as_root_and_as_user
def test_a_bridge_to_conventional_pci_has_a_link_and_what_is_behind_it_has_none(
    privileged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """The PCI Express side of such a bridge is judged; a disk behind it reaches the processor over that link."""
    old = Function(kind="sata", conventional=True, disks=[Disk()])
    bridge = Function(kind="pci bridge", can=(1, 1), below=[Function(kind="usb", conventional=True), old])
    found = built(tower(bridge, (2, 1)), privileged=privileged)
    assert {PORT: (CARD,)} == links(found)
    assert {"sda": [PORT]} == paths(found)


def test_a_machine_of_conventional_pci_has_no_links() -> None:
    """Bridges and cards without a PCI Express capability are functions, not links."""
    bridge = Function(kind="pci bridge", at="1e.0", conventional=True, below=[Function(kind="usb", conventional=True)])
    found = built(machine(Function(kind="host bridge", at="00.0"), bridge))
    assert {} == links(found)
    assert 3 == len(found.functions)


@as_root_and_as_user
def test_an_integrated_endpoint_with_a_drive_is_shown_as_integrated(privileged: bool) -> None:  # noqa: FBT001 - a column
    """A drive inside the root complex has no hop; other integrated endpoints are no links."""
    inside = Function(kind="nvme", at="0e.0", integrated=True, drive=drive((4, 4)).drive)
    found = built(machine(inside, Function(kind="system peripheral", at="08.0")), privileged=privileged)
    assert [("0000:00:0e.0", True, None)] == [(link.key, link.integrated, link.port) for link in found.links]
    assert {"nvme0": []} == paths(found)


def test_a_disk_of_the_boards_own_controller_has_no_hop() -> None:
    """A SATA controller on the first bus is reached without any link."""
    found = built(machine(Function(kind="sata", at="17.0", conventional=True, disks=[Disk(), Disk(port=2)])))
    assert {"sda": [], "sdb": []} == paths(found)
    assert {} == links(found)


@as_root_and_as_user
@pytest.mark.parametrize("name", ["root", "upstream", "bridge", "endpoint", "integrated"])
def test_the_kind_of_a_function_is_the_same_for_everybody(name: str, privileged: bool) -> None:  # noqa: FBT001
    """Without the register of the device's kind, class, place and attributes tell what an ordinary user must know.

    Values: PCI Express Base, Device/Port Type; drivers/pci/access.c on what an integrated endpoint shows.
    """
    bridge = Function(kind="pci bridge", can=(1, 1), below=[Function(kind="usb", conventional=True)])
    up = switch((4, 8), [downstream_port((4, 4), [drive((4, 4))]), downstream_port((4, 4), [bridge])])
    found = built(
        machine(root_port("01.0", (4, 16), [up]), Function(kind="system peripheral", at="08.0")), privileged=privileged
    )
    expected = {
        "root": ("0000:00:01.0", pcie.ROOT_PORT),
        "upstream": ("0000:01:00.0", pcie.SWITCH_UPSTREAM_PORT),
        "bridge": ("0000:04:00.0", pcie.BRIDGE_TO_PCI),
        "endpoint": ("0000:03:00.0", pcie.ENDPOINT),
        "integrated": ("0000:00:08.0", pcie.INTEGRATED_ENDPOINT),
    }
    address, kind = expected[name]
    assert kind == found.kinds[address]
    assert pcie.SWITCH_DOWNSTREAM_PORT == found.kinds["0000:02:00.0"]


# --- Storage behind a hidden domain ------------------------------------------------------------------------------


def moved(tree: Tree, old: str, new: str) -> Tree:
    """The same tree with the directory `old` at `new`; links into and out of it still lead where they led."""

    def at(path: str) -> str:
        return new + path[len(old) :] if path == old or path.startswith(f"{old}/") else path

    made = Tree()
    for path, node in tree.nodes.items():
        if isinstance(node, Link):
            target = posixpath.normpath(posixpath.join(posixpath.dirname(path), node.target))
            made.link(at(path), at(target))
        elif isinstance(node, Directory):
            made.directory(at(path))
        else:
            made.put(at(path), node)
    made.root_only, made.short = {at(path) for path in tree.root_only}, {at(key): n for key, n in tree.short.items()}
    made.udev, made.psutil, made.nvme = tree.udev, tree.psutil, tree.nvme
    return made


@as_root_and_as_user
def test_drives_behind_a_hidden_domain_have_their_own_root_ports(privileged: bool) -> None:  # noqa: FBT001 - a column
    """Behind some storage controllers the kernel makes a domain of five digits with root ports of its own.

    Such a drive's path ends at its root port: the controller is inside the processor. Path and address form:
    Documentation/ABI/testing/sysfs-bus-pci, drivers/pci/controller/vmd.c.
    """
    described = Machine(
        name="bench-9",
        buses={
            "0000:00": [Function(kind="system peripheral", at="0e.0"), root_port("01.0", (4, 16))],
            "10000:e0": [root_port("06.0", (4, 4), [drive((4, 4))]), root_port("07.0", (4, 4))],
        },
    )
    place = "/sys/devices/pci0000:00/0000:00:0e.0/pci10000:e0"
    tree = moved(build(described), "/sys/devices/pci10000:e0", place)
    seen = facts(tree, privileged=privileged)
    found = topology.build(seen)
    assert (0 if privileged else 1) == len(seen.unread)
    assert "10000:e0:06.0" in found.functions
    assert (None, "pci10000:e0") == (found.functions["10000:e0:06.0"].parent, found.functions["10000:e0:06.0"].root)
    assert "10000:e0:06.0" == found.functions["10000:e1:00.0"].parent
    assert {"0000:00:01.0": (), "10000:e0:06.0": ("10000:e1:00.0",), "10000:e0:07.0": ()} == links(found)
    assert {"nvme0": ["10000:e0:06.0"]} == paths(found)
    assert ["10000:e1:00.0"] == [one.address for one in seen.drives]
    assert ["nvme0"] == [one.drive for one in seen.sensors]


# --- Hostile captures --------------------------------------------------------------------------------------------


def replayed(answers: dict[str, Answer], **places: str) -> Facts:
    """The facts of recorded answers with some functions moved below others (":" and "." are "_" in the names)."""
    changed = dict(answers)
    for name, above in places.items():
        address = ":".join(name.strip("_").split("_")[:-1]) + "." + name.rpartition("_")[2]
        changed[f"link {DEVICES}/{address}"] = f"../../../devices/pci0000:00/{above}/{address}"
    return linux.collect(Recorded(changed, "linux"))


@pytest.mark.parametrize(
    "places",
    [
        {"_0000_00_01_0": "0000:01:00.0"},  # the port below its own card
        {"_0000_00_01_0": "0000:00:01.0"},  # a port below itself
        {"_0000_01_00_0": "0000:01:00.0"},  # a card below itself
        {"_0000_00_01_0": "0000:03:00.0"},  # a port below a drive that is below it
        {"_0000_01_00_0": "0000:02:00.0"},  # a switch below its own port
        {"_0000_00_01_0": "0000:02:00.0", "_0000_02_00_0": "0000:00:01.0"},
        {"_0000_03_00_0": "0000:ff:1f.7"},  # below what is not there
    ],
    ids=str,
)
def test_parents_that_loop_end_every_walk(places: dict[str, str]) -> None:
    """Only a damaged or hostile capture has loops of parents; each walk over them ends, and every link is judged."""
    fitted = switch((4, 8), [downstream_port((4, 4), [drive((4, 4))])])
    answers, _ = record(build(tower(fitted)))
    found = audit(replayed(answers, **places))
    assert 4 == len(found.machine.functions)
    assert len(found.links) >= 1
    assert all(len(path.hops) <= 4 for path in found.machine.paths)


def test_a_long_chain_of_bridges_is_walked_without_recursion() -> None:
    """As many bridges below each other as a capture can name give a topology, not an overflow."""
    seen = facts(build(tower([])))
    port = seen.functions[0]
    chain = [port]
    for number in range(1, 3000):
        address = f"{number:04x}:00:01.0"
        chain.append(replace(port, address=address, parent=chain[-1].address))
    found = topology.build(replace(seen, functions=tuple(chain)))
    assert 3000 == len(found.links)


@pytest.mark.parametrize("physical", ["0000:01:00.0", "0000:01:01.0", "nowhere", "0000:00:01.0"])
def test_a_virtual_function_of_nothing_good_ends_every_walk(physical: str) -> None:
    """A physical function that is the virtual one itself, another virtual one, a port or nothing harms nobody."""
    seen = facts(build(tower(drive((4, 4), virtual=2))))
    functions = tuple(
        replace(one, physical_function=physical) if one.address != PORT else one for one in seen.functions
    )
    found = audit(replace(seen, functions=functions))
    assert ["nvme0"] == [path.drive.name for path in found.machine.paths]


def test_a_drive_of_an_address_that_is_not_there_has_no_hop() -> None:
    """A drive may name a function that is not listed, or none."""
    seen = facts(build(tower(drive((4, 4)))))
    for address in ("0000:09:00.0", "", None):
        one = replace(seen.drives[0], address=address)
        assert {"nvme0": []} == paths(topology.build(replace(seen, drives=(one,))))


# --- Names of slots ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slot", "expected"),
    [
        (Slot(number=3, name="SLOT3", kernel_name="3-1", points_at="card"), ("SLOT3", FIRMWARE)),
        (Slot(number=3, name="SLOT3", kernel_name="3-1", points_at="port"), ("SLOT3", FIRMWARE)),
        (Slot(number=3, name="SLOT3", kernel_name="3-1", points_at="nothing"), ("SLOT3", FIRMWARE)),  # by its number
        (Slot(number=3, name="SLOT3", version=2), ("SLOT3", FIRMWARE)),  # a structure too old for an address
        (Slot(number=3, kernel_name="3-1"), ("3-1", KERNEL)),
        (Slot(number=3), ("3", REGISTER)),
        (Slot(number=0), None),  # 0 is for devices on the board (PCI Express Base, Slot Capabilities Register)
        (None, None),
    ],
)
@pytest.mark.parametrize("fitted", [True, False], ids=["fitted", "empty"])
def test_a_slot_has_the_best_name_that_there_is(
    slot: Slot | None,
    expected: tuple[str, str] | None,
    fitted: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """The firmware's designation goes before the kernel's name, and that before the number in Slot Capabilities.

    Source: DMTF DSP0134 type 9; drivers/pci/slot.c; PCI Express Base, Physical Slot Number.
    """
    found = built(tower([drive((4, 4))] if fitted else [], slot=slot))
    assert {PORT: expected} == slots(found)


def test_an_ordinary_user_has_the_kernels_name() -> None:
    """Firmware tables and Slot Capabilities are the super-user's; /sys/bus/pci/slots is everybody's."""
    named = tower(drive((4, 4)), slot=Slot(number=3, name="SLOT3", kernel_name="3-1"))
    assert {PORT: ("3-1", KERNEL)} == slots(built(named, privileged=False))
    assert {PORT: None} == slots(built(tower(drive((4, 4)), slot=Slot(number=3)), privileged=False))


@pytest.mark.parametrize("address", ["0000:00:00.0", "0000:01:00.0", "0000:00:01.0"])
def test_an_address_that_several_slots_share_names_none_of_them(address: str) -> None:
    """Boards that write one address into all their slots are not believed; the slot number still tells."""
    wrong = [BoardSlotWords(designation=f"X{number}", number=number, address=address) for number in (7, 8)]
    bridge = Function(kind="host bridge", at="00.0")
    for number, expected in ((3, ("3", REGISTER)), (8, ("X8", FIRMWARE))):
        port = root_port("01.0", (4, 16), [drive((4, 4))], slot=Slot(number=number))
        assert {PORT: expected} == slots(built(machine(bridge, port, extra_slots=wrong)))


def test_a_number_that_several_slots_share_names_none_of_them() -> None:
    """Slots of one number and no address are not told apart."""
    twice = [BoardSlotWords(designation=name, number=3) for name in ("A", "B")]
    port = root_port("01.0", (4, 16), [drive((4, 4))], slot=Slot(number=3))
    assert {PORT: ("3", REGISTER)} == slots(built(machine(port, extra_slots=twice)))


def test_the_parts_of_a_split_slot_share_its_name() -> None:
    """The peer groups of a split slot name all its cards; each port of it has the slot's name (DSP0134 7.10.9)."""
    peers = tuple((f"0000:{bus:02x}:00.0", 4) for bus in (2, 3, 4))
    parts = [
        root_port(
            *(f"01.{number}", (4, 4), [drive((4, 4))]),
            slot=Slot(number=10 + number, name="SLOT1" if number == 0 else "", can_split=True, peers=peers),
        )
        for number in range(4)
    ]
    assert [("SLOT1", FIRMWARE)] * 4 == list(slots(built(machine(*parts))).values())


def test_a_slot_with_two_addresses_on_one_bus_is_one_slot() -> None:
    """A peer group beside the slot's own address, on the same bus, makes nothing ambiguous."""
    slot = Slot(name="SLOT1", peers=(("0000:01:00.1", 8),))
    found = built(tower([card("network", (4, 8)) for _ in range(2)], slot=slot))
    assert {PORT: ("SLOT1", FIRMWARE)} == slots(found)


def test_a_card_that_counts_its_own_slots_does_not_take_the_boards_names() -> None:
    """The bays of a carrier are numbered by the carrier; only ports of the board itself match by number."""
    bays = [downstream_port((4, 4), [drive((4, 4))], slot=Slot(number=number)) for number in (1, 2)]
    carrier = root_port("01.0", (4, 16), [switch((4, 8), bays)], slot=Slot(number=1, name="SLOT1"))
    free = root_port("05.0", (4, 16), slot=Slot(number=2, name="SLOT2", points_at="nothing"))
    expected = {
        "0000:00:01.0": ("SLOT1", FIRMWARE),
        "0000:00:05.0": ("SLOT2", FIRMWARE),
        "0000:02:00.0": ("1", REGISTER),
        "0000:02:01.0": ("2", REGISTER),
    }
    assert expected == slots(built(machine(carrier, free)))


def test_slots_behind_a_switch_of_the_board_match_by_number() -> None:
    """A switch that sits on the board, below a port without a slot, leads to the board's own slots."""
    ports = [
        downstream_port((4, 4), slot=Slot(number=number, name=f"SLOT{number}", points_at="nothing"))
        for number in (5, 6)
    ]
    found = built(machine(root_port("01.0", (4, 16), [switch((4, 16), ports)])))
    assert {PORT: None, "0000:02:00.0": ("SLOT5", FIRMWARE), "0000:02:01.0": ("SLOT6", FIRMWARE)} == slots(found)


def test_a_slot_without_a_designation_keeps_the_next_best_name() -> None:
    """A firmware that describes a slot without naming it leaves it to the kernel; the description still counts."""
    unnamed = [BoardSlotWords(designation="", number=3, wired=4, address=CARD)]
    port = root_port("01.0", (4, 16), [drive((4, 4))], slot=Slot(number=3, kernel_name="3-1"))
    found = built(machine(port, extra_slots=unnamed))
    slot = found.links[0].slot
    assert slot is not None
    assert ("3-1", KERNEL) == (slot.name, slot.source)
    assert slot.board is not None
    assert 4 == slot.board.wired_lanes


def test_a_passed_through_card_may_have_a_kernel_slot() -> None:
    """Where no port is visible, the kernel's slot is that of the device itself."""
    tree = build(machine(drive((4, 4), at="05.0"), virtual=True))
    tree.texts("/sys/bus/pci/slots/7", address="0000:00:05")
    assert {"0000:00:05.0": ("7", KERNEL)} == slots(built(tree))
