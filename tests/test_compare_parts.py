"""The parts of one machine as a comparison has them: what they are called, where they are, what tells them apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from agent.audit import audit
from agent.compare.fitted import LONGEST_NAME, FittedMachine, short
from probes.facts import BlockDevice
from probes.unread import Unread
from tests import kept
from tests.boards import bench_1, carrier, gigabit, reel_3, reel_4, scanner
from tests.build import build, facts
from tests.parts import Disk, Function, Machine, Nvme, Slot, downstream_port, drive, root_port, switch

if TYPE_CHECKING:
    from agent.compare.changes import Part
    from agent.compare.fitted import Thing

LOST: Final = Unread("what was asked for", "the device gave an error", vital=True)


def fitted(described: Machine) -> FittedMachine:
    """The parts of a described machine."""
    return FittedMachine(audit(facts(build(described))))


def of(*functions: Any, **more: Any) -> FittedMachine:  # noqa: ANN401 - arguments of `facts`
    """The parts of a machine of these functions and drives."""
    return FittedMachine(audit(kept.facts(*functions, **more)))


def parts(machine: FittedMachine) -> dict[str, Part]:
    """Each part by its place."""
    return {machine.place(thing): machine.part(thing) for thing in machine.things}


def below(*fitted_parts: Function, **slot: Any) -> Machine:  # noqa: ANN401 - fields of Slot
    """A machine with one port in whose slot these sit."""
    port = root_port("01.0", (4, 16), list(fitted_parts), slot=Slot(number=1, name="SLOT1", **slot))
    return Machine(name="bench-9", buses={"0000:00": [port]})


# --- Places --------------------------------------------------------------------------------------------------------


def test_parts_are_where_slots_and_cards_have_them() -> None:
    """A slot by its name, a bay by its carrier, a part of a split slot by its port, a disk by its controller."""
    tower = bench_1(
        {"SLOT1": [reel_4("A")], "SLOT1c": [reel_4("B")], "SLOT2": [carrier((3, 8), [reel_3("C")])]},
        split=True,
        disks=1,
    )
    found = parts(fitted(tower))
    places = {place: part.name for place, part in found.items() if not part.on_board}
    assert {
        "SLOT1, port 1 of 4": "Ostrayne Reel 4 2TB",
        "SLOT1, port 3 of 4": "Ostrayne Reel 4 2TB",
        "SLOT2": "Packet switch PS-12",
        "port 1 of the card in SLOT2": "Ostrayne Reel 3 2TB",
        "on the SATA controller": "Holmsey Vault 8",
    } == places
    assert "on the board, at 0000:00:17.0" in found


def test_cards_behind_cards_are_named_up_to_four_deep() -> None:
    """Each card on the way is told; past four of them only how many there are."""
    fit: Function = drive((4, 4))
    for _ in range(6):
        fit = switch((4, 4), [downstream_port((4, 4), [fit])])
    assert [
        "SLOT1",
        "port 1 of the card in SLOT1",
        "port 1 of the card in port 1 of the card in SLOT1",
        "port 1 of the card in port 1 of the card in port 1 of the card in SLOT1",
        f"{'port 1 of the card in ' * 4}SLOT1",
        "port 1 behind 5 cards",
        "port 1 behind 6 cards",
    ] == list(parts(fitted(below(fit))))


def test_a_port_without_a_slot_goes_by_its_address() -> None:
    """Where nothing names the slot, the port does; a card whose port is not visible goes by its own address."""
    port = root_port("01.0", (4, 16), [drive((4, 4))])
    bare = drive((4, 4), at="05.0")
    found = parts(fitted(Machine(name="guest", virtual=True, buses={"0000:00": [port, bare]})))
    assert {"port 0000:00:01.0", "at 0000:00:05.0"} == set(found)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"address": None, "interconnect": "USB"}, "USB"),
        ({"address": None, "interconnect": None}, "place not told"),
        ({"address": None, "interconnect": LOST}, "place not told"),
        ({"address": LOST, "interconnect": "USB"}, "USB"),
        ({"address": "00:1f.2"}, "on the SATA controller (maker f1c4, model 0042)"),
    ],
)
def test_a_disk_is_where_it_is_told_to_be(fields: dict[str, Any], place: str) -> None:
    """On its controller, or on what the platform says it hangs on, or nowhere that is told."""
    controller = kept.function("00:1f.2", 0x010601)
    assert place in parts(of(controller, drives=(kept.drive("disk1", kind="sata", **fields),)))


def test_a_part_of_the_board_is_one_without_a_link_or_on_the_firmwares_list() -> None:
    """Devices of the chipset and what the firmware calls onboard stay where they are; cards and drives do not."""
    found = parts(fitted(bench_1({"SLOT2": [reel_4("A")]})))
    assert found["on the board, at 0000:00:14.0"].on_board
    (network,) = [part for part in found.values() if part.name == "LN-1 network card"]
    assert (True, True) == (network.on_board, network.place.startswith("on the board, at "))
    assert not found["SLOT2"].on_board
    assert not found["on the SATA controller"].on_board
    assert not parts(fitted(below(gigabit((1, 1)))))["SLOT1"].on_board


# --- Names ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"model_name": "LN-10"}, "network card LN-10"),
        ({"model_name": "Network card LN-10"}, "Network card LN-10"),
        ({}, "network card (maker f1c4, model 0042)"),
        ({"vendor_id": LOST}, "network card"),
        ({"device_id": LOST}, "network card"),
        ({"class_code": LOST}, "device (maker f1c4, model 0042)"),
        ({"class_code": kept.BRIDGE}, "packet switch (maker f1c4, model 0042)"),
        ({"model_name": "N" * 81, "class_code": LOST}, f"device {'N' * 77}..."),
    ],
)
def test_a_card_is_called_what_is_known_of_it(fields: dict[str, Any], name: str) -> None:
    """Kind and model, said once where the model says the kind; numbers where nothing names it; the kind alone."""
    card = kept.device(**{"class_code": kept.NETWORK, **fields})
    assert name in [part.name for part in parts(of(kept.port(), card)).values()]


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"model": " Reel 3 "}, "Reel 3"),
        ({"model": ""}, "NVMe drive (maker f1c4, model 0042)"),
        ({"model": LOST}, "NVMe drive (maker f1c4, model 0042)"),
        ({"model": LOST, "address": None}, "drive whose model is not known"),
    ],
)
def test_a_drive_is_called_by_its_model(fields: dict[str, Any], name: str) -> None:
    """A drive whose model is not known goes by the numbers of its function, where it has one."""
    machine = of(kept.port(), kept.device(), drives=(kept.drive(**fields),))
    assert name in [machine.part(thing).name for thing in machine.things if thing.kind == "drive"]


def test_names_are_cut_to_what_a_sentence_can_bear() -> None:
    """Eighty characters stand; of more the last three are dots."""
    assert ["x" * LONGEST_NAME, "x" * (LONGEST_NAME - 3) + "..."] == [short("x" * 80), short("x" * 81)]


# --- What tells a part from its like ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drives", "identities"),
    [
        ([Nvme(serial="RL4-1"), Nvme(serial="RL4-2")], ["serial number", "serial number"]),
        ([Nvme(serial="RL4-1"), Nvme(serial="RL4-1")], ["place", "place"]),
        ([Nvme(serial=" "), Nvme(serial=" ")], ["place", "place"]),
        ([Nvme(serial=" "), Nvme(serial=" ", model="Quillmark Folio 1TB")], ["model", "model"]),
        ([Nvme(serial=" "), Nvme(serial=" ", size=1_000_204_886_016)], ["model", "model"]),
        ([Nvme(serial="RL4-1"), Nvme(serial=" ")], ["serial number", "place"]),
    ],
)
def test_a_drive_is_told_by_the_best_that_is_its_own(drives: list[Nvme], identities: list[str]) -> None:
    """A serial number that no other has, else model and size that no other has, else the place alone."""
    ports = [
        root_port(f"0{number}.0", (4, 4), [drive((4, 4), one)], slot=Slot(number=number, name=f"SLOT{number}"))
        for number, one in enumerate(drives, 1)
    ]
    machine = fitted(Machine(name="bench-9", buses={"0000:00": ports}))
    assert identities == [machine.identity(thing) for thing in machine.things]


def test_cards_alike_are_told_by_their_places() -> None:
    """Two cards of one kind without serial numbers have nothing but their slots; a single one has its model."""
    one, two = bench_1({"SLOT2": [scanner()]}), bench_1({"SLOT2": [scanner()], "SLOT3": [scanner()]})
    for tower, identity in ((one, "model"), (two, "place")):
        assert identity == parts(fitted(tower))["SLOT2"].identity


# --- Drives and their functions --------------------------------------------------------------------------------------


def sized(*blocks: int | Unread) -> tuple[BlockDevice, ...]:
    """Block devices of these sizes."""
    return tuple(BlockDevice(f"block{number}", size) for number, size in enumerate(blocks))


@pytest.mark.parametrize(
    ("blocks", "size"),
    [(sized(1000), 1000), (sized(1000, 500), 1500), (sized(1000, LOST), 1000), (sized(LOST), None), (LOST, None)],
)
def test_the_size_of_a_drive_is_that_of_its_block_devices(
    blocks: tuple[BlockDevice, ...] | Unread, size: int | None
) -> None:
    """Sizes that were read are summed; a drive of which none was read has none."""
    (thing,) = things(of(kept.port(), kept.device(), drives=(kept.drive(blocks=blocks),)), "drive")
    assert size == thing.bytes


def things(machine: FittedMachine, kind: str) -> list[Thing]:
    """The parts of a kind."""
    return [thing for thing in machine.things if thing.kind == kind]


def test_two_drives_of_one_function_are_two_parts() -> None:
    """The first goes with the function, the next is a part by itself on it."""
    machine = of(kept.port(), kept.device(), drives=(kept.drive("disk0"), kept.drive("disk1")))
    assert [("disk0", "01:00.0"), ("disk1", None)] == [
        (thing.drive.name if thing.drive else "", thing.address) for thing in things(machine, "drive")
    ]


def test_a_disk_on_an_nvme_function_is_not_its_drive() -> None:
    """Only an NVMe drive is one with its function; a disk that claims the address is a part on it."""
    machine = of(kept.port(), kept.device(), drives=(kept.drive("disk0", kind="sata"),))
    assert [None, "disk0"] == [thing.drive and thing.drive.name for thing in things(machine, "drive")]


def test_an_unclaimed_nvme_function_is_a_drive() -> None:
    """What its class calls an NVMe drive is one, though the system has none there."""
    machine = of(kept.port(), kept.device())
    assert [("01:00.0", None)] == [(thing.address, thing.drive) for thing in things(machine, "drive")]
    assert [] == things(of(kept.port(), kept.device(class_code=kept.NETWORK)), "drive")


def test_a_controller_with_disks_is_a_card() -> None:
    """Disks on a controller are parts on it, and the controller is no drive."""
    machine = fitted(below(Function(kind="sata", can=(3, 2), disks=[Disk(serial="A"), Disk(serial="B", port=2)])))
    assert ["card", "drive", "drive"] == [thing.kind for thing in machine.things]
    assert [None, 0, 0] == [thing.holder for thing in machine.things]
