"""Sheets written from what is fitted, of all fixture machines and small ones; places written into a user's text."""

from __future__ import annotations

import tomllib
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from agent.audit import Audit, audit
from agent.model.findings import Verdict
from agent.model.machine import drives_display
from agent.sheets.paths import flows, links, today
from agent.sheets.places import harmless
from agent.sheets.reading import parse
from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, Placement, SlotSpec, Uplink
from agent.sheets.writing import from_audit, quoted, with_placement
from agent.toml.tables import LINE_LIMIT
from knowledge.problems import BadInput
from probes.unread import Unread
from tests.boards import carrier, display, gigabit, reel_3
from tests.build import Machine, Slot, build, capture_bytes, card, downstream_port, drive, facts, root_port, switch
from tests.firmware import BoardSlotWords
from tests.hostile import HOSTILE
from tests.parts import Nvme
from tests.sheets import BENCH_1
from tests.test_machines import FOLDERS, audited, replayed

if TYPE_CHECKING:
    from agent.sheets.sheet import Sheet
    from tests.parts import Function

every_folder = pytest.mark.parametrize("name", FOLDERS)


@cache
def text_of(name: str) -> str:
    """The sheet that is written of a fixture machine."""
    return from_audit(audited(name), f"{name}.json")


@cache
def sheet_of(name: str) -> Sheet:
    """The same, read again."""
    return parse(text_of(name), f"{name}.toml")


def comments(text: str) -> str:
    """All comments of a text in one line."""
    return " ".join(line.removeprefix("#").strip() for line in text.splitlines() if line.startswith("#"))


def audit_of(ports: list[Function], **more: Any) -> Audit:  # noqa: ANN401 - fields of Machine
    """The audit of a machine with these root ports."""
    return audit(facts(build(Machine(**{"name": "bench-1", "buses": {"0000:00": ports}, **more}))))


def written(ports: list[Function], **more: Any) -> tuple[str, Sheet]:  # noqa: ANN401 - fields of Machine
    """The sheet of a machine with these root ports: its text, and the same read again."""
    text = from_audit(audit_of(ports, **more), "bench-1.json")
    return text, parse(text, "bench-1.toml")


def slot(number: int, name: str, **more: Any) -> Slot:  # noqa: ANN401 - fields of Slot
    """A slot that the firmware describes."""
    return Slot(**{"number": number, "name": name, **more})


def socket(number: int, name: str, generation: int = 4) -> Slot:
    """A socket for a drive."""
    return Slot(number=number, name=name, kind="m.2", connector=4, wired=4, generation=generation, watts=0)


# --- Laws over all machines --------------------------------------------------------------------------------------


@every_folder
def test_every_machine_gives_a_sheet_that_can_be_read(name: str) -> None:
    """What is written of a machine is read again without complaint, and each drive that it places works there."""
    sheet = sheet_of(name)
    found, _ = flows(sheet, today(sheet))
    assert [drive.name for drive in sheet.drives] == [flow.name for flow in found]


@every_folder
def test_every_drive_is_named(name: str) -> None:
    """Each NVMe drive is an entry, or is named among what is left out; no drive is lost in silence."""
    named = {drive.name for drive in sheet_of(name).drives}
    left = {seen.drive.name for seen in audited(name).drives if seen.drive.kind == "nvme"} - named
    assert [one for one in left if one not in comments(text_of(name))] == []


@every_folder
def test_every_slot_is_named(name: str) -> None:
    """Each slot for cards or drives that the firmware describes is an entry, but for those with a made-up link."""
    seen, sheet = audited(name), sheet_of(name)
    made_up = {one.link.slot.board for one in seen.links if one.link.slot and one.verdict is Verdict.VIRTUAL}
    described = () if isinstance(seen.facts.board_slots, Unread) else seen.facts.board_slots
    wanted = [one for one in described if one.kind in {"card", "m.2", "u.2"} and one not in made_up]
    assert {harmless(one.designation, 60) for one in wanted} <= {one.label for one in sheet.slots}


@every_folder
def test_every_link_is_the_best_of_both_ends(name: str) -> None:
    """The links of the sheet are what the audit, by the registers of both ends, says that they can be at best."""
    seen, sheet = audited(name), sheet_of(name)
    best = {
        f"bay of {one.drive.name}": seen.by_key[one.path[0]].best
        for one in seen.drives
        if one.path and f"bay of {one.drive.name}" in links(sheet, today(sheet))
    }
    actual = links(sheet, today(sheet))
    expected = {key: (rate.speed, rate.width) for key, rate in best.items() if rate is not None}
    assert expected == {key: link for key, link in actual.items() if key in expected}


@every_folder
def test_no_card_wants_more_than_it_has(name: str) -> None:
    """A card without bays wants the link rate that it has now, or at rest will have; a display card half of it."""
    seen, sheet = audited(name), sheet_of(name)
    by_port = {one.port_address: one for one in seen.links}
    slots = {one.label: one.port for one in sheet.slots}
    for one in sheet.cards:
        judged = by_port[slots[one.slot or ""]]
        if one.wants_mbps is not None and judged.verdict is not Verdict.RESTING:
            assert judged.mbps is not None
            whole = judged.mbps / 2 if drives_display(judged.link, seen.machine.below) is not None else judged.mbps
            assert whole - 1 < one.wants_mbps <= whole
        assert one.carrier == "none" or one.wants_mbps is None


@every_folder
def test_nothing_that_a_machine_says_can_act(name: str) -> None:
    """Every character of a sheet can be shown, no line is too long, and each line is a comment, a heading or a key."""
    lines = text_of(name).split("\n")
    assert [line for line in lines if not line.isprintable() or len(line) > LINE_LIMIT] == []
    other = [line for line in lines if line and not line.startswith(("#", "["))]
    assert [line for line in other if not line.partition(" = ")[0].replace("_", "").isalpha()] == []


@every_folder
def test_writing_the_places_of_today_changes_nothing(name: str) -> None:
    """A plan that moves nothing leaves every character of the sheet as it is."""
    assert text_of(name) == with_placement(text_of(name), today(sheet_of(name)), name)


# --- Single machines, worked out by hand --------------------------------------------------------------------------


def test_a_split_slot_is_one_slot_with_that_split() -> None:
    """Four ports of one slot become a slot of x16 that is known to split in four, and their drives share a carrier."""
    sheet = sheet_of("bench-1-upgraded")
    assert sheet.slots[0] == SlotSpec(
        label="SLOT1",
        connector=16,
        lanes=16,
        generation=4,
        splits=((4, 4, 4, 4),),
        power_watts=75.0,
        port="0000:00:01.0",
    )
    assert sheet.cards[0] == CardSpec(
        name="carrier", connector=16, lanes=16, generation=4, carrier="passive", bays=4, slot="SLOT1"
    )
    assert {f"nvme{n}": DrivePlace("carrier", n + 1) for n in range(4)}.items() <= today(sheet).drives.items()


def test_a_switch_with_drives_is_a_carrier() -> None:
    """A packet switch in a slot is a carrier; bays without a drive count, and the sheet has what each end can do."""
    sheet = sheet_of("bench-1-upgraded")
    assert sheet.cards[2] == CardSpec(
        name="Packet switch PS-12",
        connector=4,
        lanes=4,
        generation=4,
        carrier="switch",
        bays=2,
        bay_generation=4,
        slot="SLOT3",
        pci_id="f1b2:0480",
    )
    assert today(sheet).drives["nvme5"] == DrivePlace("Packet switch PS-12", 1)


def test_a_drive_says_what_it_is_and_takes() -> None:
    """A drive has the kernel's name, model and serial as read, its own end's ability, and what it takes at most."""
    assert sheet_of("bench-1-upgraded").drives[4] == DriveSpec(
        name="nvme4",
        generation=4,
        power_watts=8.5,  # 850 hundredths of a watt in tests/drives.py
        slot="M2_1",
        model="Quillmark Folio 1TB",
        serial="QF1-10001",
        firmware="QF-2.3.1",
        warning_celsius=74.85,
        critical_celsius=79.85,
    )


def test_a_narrow_link_is_written_as_what_the_parts_can_do() -> None:
    """The carrier on the worn riser runs with four lanes and is written with its eight."""
    found = sheet_of("bench-2-worn-riser").cards[0]
    assert (found.carrier, found.lanes, found.generation) == ("switch", 8, 3)
    assert links(sheet_of("bench-2-worn-riser"), today(sheet_of("bench-2-worn-riser")))[f"card {found.name}"] == (3, 8)


def test_a_lone_drive_in_a_wide_slot_raises_the_question_of_its_carrier() -> None:
    """One drive in a slot of x16 is on a carrier of at least one bay; how the slot splits is asked, not told."""
    text, sheet = text_of("bench-2-unsplit-slot"), sheet_of("bench-2-unsplit-slot")
    assert (sheet.cards[0].carrier, sheet.cards[0].bays, sheet.cards[0].slot) == ("passive", 1, "PCIE1")
    assert sheet.slots[0].splits == ()
    assert "can be split, but not how" in comments(text)
    assert '# splits = ["4+4+4+4", "8+8"]\n' in text
    assert "Count its bays" in comments(text)


def test_a_drive_without_a_driver_is_written_too() -> None:
    """A function that is a drive by its class has an entry by its address, with what its link registers say."""
    found = next(one for one in sheet_of("bench-2-dead-drive").drives if one.name == "drive at 0000:02:00.0")
    assert (found.generation, found.lanes, found.card, found.model) == (3, 4, "carrier of drive at 0000:02:00.0", None)
    assert "No driver has claimed it" in comments(text_of("bench-2-dead-drive"))


@pytest.mark.parametrize("name", ["bench-3-dark-slot", "bench-3-asleep"])
def test_what_does_not_answer_keeps_its_slot(name: str) -> None:
    """A card that is dark or asleep is written with its slot's figures, stays, and is told to be checked."""
    found = next(one for one in sheet_of(name).cards if one.slot == "J2")
    assert (found.lanes, found.generation, found.stays, found.wants_mbps) == (4, 2, True, None)
    assert "of the slot. Check them." in comments(text_of(name)) or "its slot can do. Check it." in comments(
        text_of(name)
    )


def test_without_slot_descriptions_slots_are_named_by_their_ports() -> None:
    """An ordinary user's sheet names slots by addresses, and says that power and payload are not known."""
    text, sheet = text_of("bench-1-ordinary-user"), sheet_of("bench-1-ordinary-user")
    assert sheet.slots[0].label == "0000:00:01.0" == sheet.slots[0].port
    assert {one.power_watts for one in sheet.slots} | {one.power_watts for one in sheet.drives} == {None}
    assert "payload_bytes = " not in text
    assert all(one.stays for one in sheet.cards if one.carrier == "none")
    assert "the super-user may read it" in comments(text)
    assert "port 0000:00:1c.4: nothing answers below it" in comments(text)
    assert "0000:00:01.1, 0000:00:01.2, 0000:00:01.3. If they are parts of one split slot" in comments(text)


def test_tunnelled_and_emulated_links_are_left_out() -> None:
    """A dock's drives and an emulated drive have links that say nothing of lanes, and stand in a comment alone."""
    assert "slot 9 with nvme1: its link is tunnelled" in comments(text_of("bench-1-tunnelled-dock"))
    assert [one.name for one in sheet_of("bench-1-tunnelled-dock").drives] == ["nvme0"]
    assert "PCIE1 with nvme0" in comments(text_of("lab-one-drive"))
    assert sheet_of("lab-one-drive").slots == ()


def test_a_resting_card_wants_what_it_has_at_work() -> None:
    """A display card that rests at 2.5 GT/s x16 wants half of its 8 GT/s x16: 15753.8 MB/s (published link rates)."""
    assert next(one.wants_mbps for one in sheet_of("bench-3-idle").cards) == 7876.0


def test_sets_of_software_raid_come_along() -> None:
    """A RAID 0 of drives on the sheet is a stripe of it; what a sheet cannot hold is named as left out."""
    (stripe,) = sheet_of("bench-1-stripe-set").stripes
    assert ("md0", 0, ("nvme0", "nvme1", "nvme2", "nvme3")) == (stripe.name, stripe.raid, stripe.drives)
    assert "md1, a set of software RAID: " in comments(text_of("bench-1-stripe-set"))
    assert all(one.raid in {0, 1, 5, 10} for one in sheet_of("bench-2-other-sets").stripes)


def test_devices_on_the_board_are_no_cards() -> None:
    """What the firmware lists as on the board, or in no slot that it names, is no card of the sheet."""
    assert "LN-1 network card" not in text_of("bench-1-upgraded")
    assert "network card at 0000:03:00.0: in no slot that the firmware names" in comments(text_of("bench-3-idle"))


def test_a_redacted_capture_keeps_its_tokens() -> None:
    """The name of the machine is left out, and a serial number stays the token that it is in the capture."""
    tree = build(Machine(name="bench-1", buses={"0000:00": [root_port("01.0", (4, 4), [drive((4, 4), SERIAL)])]}))
    text = from_audit(replayed(capture_bytes(tree, redact=True)), "capture.json")
    sheet = parse(text, "bench-1.toml")
    assert sheet.machine.name is None
    assert sheet.machine.product == "Editing tower"
    assert (sheet.drives[0].serial or "").startswith("~")
    assert "QX-77120" not in text


SERIAL: Final = Nvme(serial="QX-77120")


def test_sockets_behind_a_switch_on_the_board_share_its_uplink() -> None:
    """Slots below a switch that sits in no slot hang on its link, which is written as an uplink that can be read."""
    below = [
        downstream_port((3, 4), [reel_3("R1")], slot=socket(7, "M2_7", 3)),
        downstream_port((3, 4), [], slot=socket(8, "M2_8", 3)),
    ]
    _, sheet = written([root_port("1c.0", (4, 4), [switch((4, 2), below)])])
    assert sheet.uplinks == (Uplink("port 0000:00:1c.0", 2, 4),)
    assert [(one.label, one.kind, one.uplink) for one in sheet.slots] == [
        ("M2_7", "m.2", "port 0000:00:1c.0"),
        ("M2_8", "m.2", "port 0000:00:1c.0"),
    ]
    assert sheet.cards == ()
    assert today(sheet).drives == {"nvme0": DrivePlace("M2_7", None)}


def test_drives_in_an_uneven_split_have_the_bays_of_their_lanes() -> None:
    """In a slot split 8+4+4 the drive of the last four lanes is in bay 4, and the empty group is a bay too."""
    ports = [
        root_port("01.0", (4, 8), [drive((4, 4))], slot=Slot(number=1, name="SLOT1", can_split=True)),
        root_port("01.1", (4, 4), [], slot=Slot(number=1)),
        root_port("01.2", (4, 4), [drive((3, 4))], slot=Slot(number=1)),
    ]
    _, sheet = written(ports)
    assert sheet.slots[0].splits == ((8, 4, 4),)
    assert today(sheet).drives == {"nvme0": DrivePlace("carrier", 1), "nvme1": DrivePlace("carrier", 4)}
    assert links(sheet, today(sheet)) == {"bay of nvme0": (4, 4), "bay of nvme1": (3, 4)}


def test_lanes_that_no_slot_can_have_are_made_up_to_the_next() -> None:
    """Ports of one and two lanes are parts of a slot of four, split in these two groups, and that is remarked."""
    ports = [
        root_port("01.0", (4, 1), [drive((4, 4))], slot=Slot(number=1, name="SLOT1", wired=4)),
        root_port("01.1", (4, 2), [drive((4, 4))], slot=Slot(number=1)),
    ]
    text, sheet = written(ports)
    assert (sheet.slots[0].lanes, sheet.slots[0].splits) == (4, ((1, 2),))
    assert "Its ports show 3 lanes" in comments(text)


def test_a_carrier_that_works_has_the_power_that_it_needs() -> None:
    """Four drives of 8.5 W on an x8 card take more than the 25 W of its edge, so 9 W come another way.

    Source: PCI Express Card Electromechanical Specification, 25 W for x4 and x8 cards.
    """
    text, sheet = text_of("bench-1-switch-carrier"), sheet_of("bench-1-switch-carrier")
    assert (sheet.cards[0].connector, sheet.cards[0].cable_watts) == (8, 9.0)
    assert "Its drives may take 34 W, and its edge gives 25 W at most." in comments(text)
    assert {one.cable_watts for one in sheet_of("bench-1-upgraded").cards} == {0.0}


def test_a_carrier_whose_drives_say_nothing_of_power_is_taken_with_typical_ones() -> None:
    """An ordinary user's sheet of the same machine counts 9 W for each drive, as of the kind nvme-gen4."""
    ports = [root_port("01.0", (4, 8), [carrier((4, 8), [drive((4, 4)) for _ in range(4)], down=(4, 4))])]
    seen = audit(facts(build(Machine(name="bench-1", buses={"0000:00": ports})), privileged=False))
    assert parse(from_audit(seen, "x"), "x").cards[0].cable_watts == 11.0  # 4 x 9 - 25


def test_a_card_wider_than_its_connector_shows_that_the_end_is_open() -> None:
    """A x16 card in a slot told to have an x4 connector can only be there if the end is open, and that is remarked."""
    text, sheet = written([root_port("01.0", (3, 4), display((4, 16)), slot=slot(1, "S1", connector=4, wired=4))])
    assert (sheet.slots[0].connector, sheet.slots[0].open_end) == (4, True)
    assert "its end must be open. Check it." in comments(text)


def test_a_display_card_with_a_switch_of_its_own_is_a_card() -> None:
    """A switch that leads to a display is part of that card, not a carrier."""
    bridge = switch((4, 16), [downstream_port((4, 16), display())], model="Frescade 20")
    _, sheet = written([root_port("01.0", (4, 16), [bridge], slot=slot(1, "S1"))])
    assert [(one.name, one.carrier, one.wants_mbps) for one in sheet.cards] == [("Frescade 20", "none", 15753.0)]


def test_an_empty_switch_carrier_is_one() -> None:
    """A switch below which nothing at all is fitted is a carrier with free bays."""
    _, sheet = written([root_port("01.0", (3, 8), [carrier((3, 8), [])], slot=slot(1, "S1"))])
    assert [(one.carrier, one.bays, one.bay_lanes, one.bay_generation) for one in sheet.cards] == [("switch", 4, 4, 3)]


def test_what_sits_beside_drives_on_a_switch_is_told() -> None:
    """A carrier that also holds a network port is a carrier, and what has no place in a sheet is named."""
    ports = [downstream_port((3, 4), [reel_3("R1")]), downstream_port((3, 1), [gigabit()])]
    text, sheet = written([root_port("01.0", (3, 8), [switch((3, 8), ports)], slot=slot(1, "S1"))])
    assert [(one.carrier, one.bays) for one in sheet.cards] == [("switch", 1)]
    assert "what this sheet has no place for: network card" in comments(text)


def test_several_cards_in_a_split_slot_stay() -> None:
    """Two network ports in a slot split in two need that split, which a sheet cannot say, so the card stays."""
    ports = [
        root_port("01.0", (4, 4), [gigabit((3, 4))], slot=Slot(number=1, name="SLOT1", wired=8, can_split=True)),
        root_port("01.1", (4, 4), [gigabit((3, 4))], slot=Slot(number=1)),
    ]
    _, sheet = written(ports)
    assert [(one.carrier, one.lanes, one.stays) for one in sheet.cards] == [("none", 8, True)]
    assert sheet.slots[0].splits == ((4, 4),)


def test_a_drive_of_eight_lanes_is_a_drive_all_the_same() -> None:
    """A drive that is a whole card of x8 sits on a carrier with one bay of eight lanes, so that it is not lost."""
    _, sheet = written([root_port("01.0", (4, 16), [drive((4, 8))], slot=slot(1, "S1"))])
    assert (sheet.cards[0].bays, sheet.cards[0].bay_lanes, sheet.drives[0].lanes) == (1, 8, 8)
    assert links(sheet, today(sheet)) == {"bay of nvme0": (4, 8)}


def test_slots_of_one_name_are_told_apart() -> None:
    """Two slots that the firmware calls the same have labels of their own."""
    ports = [root_port(f"0{n}.0", (4, 4), [drive((4, 4))], slot=socket(n, "M2")) for n in (1, 2)]
    _, sheet = written(ports)
    assert [one.label for one in sheet.slots] == ["M2", "M2 2"]


def test_fewer_lanes_than_are_wired_are_told() -> None:
    """A port that offers eight of sixteen wired lanes gives a slot of eight, and a remark where the rest may be."""
    text, sheet = written([root_port("01.0", (4, 8), [], slot=slot(1, "S1"))])
    assert (sheet.slots[0].lanes, sheet.slots[0].connector) == (8, 16)
    assert "16 lanes are wired, but the port offers 8: a neighbour or a split" in comments(text)


def test_a_slot_wired_with_fewer_lanes_than_its_port_has_those() -> None:
    """A port that could do x16 in a slot wired with four lanes gives a slot of four."""
    _, sheet = written([root_port("01.0", (4, 16), [], slot=slot(1, "S1", wired=4))])
    assert (sheet.slots[0].lanes, sheet.slots[0].connector) == (4, 16)


def test_a_socket_that_holds_no_drive_is_left_out() -> None:
    """A drive's socket with a network card in it is no place for a drive."""
    text, sheet = written([root_port("01.0", (3, 4), [gigabit()], slot=socket(1, "M2_1"))])
    assert (sheet.slots, sheet.cards) == ((), ())
    assert "M2_1 with network card: it holds no NVMe drive" in comments(text)


def test_a_slot_that_the_firmware_calls_unusable_is_left_out() -> None:
    """A slot of usage "unavailable" is named among what is left out."""
    text, sheet = written([root_port("01.0", (3, 4), [], slot=slot(1, "S1", usage="unavailable"))])
    assert sheet.slots == ()
    assert "slot S1: the firmware says that it cannot be used" in comments(text)


def test_slots_that_no_port_matches_have_the_figures_of_the_firmware() -> None:
    """A free slot that only the firmware names is an entry to be checked; one that says too little is left out."""
    extra = [
        BoardSlotWords(designation="S7", connector=16, wired=8, generation=3, number=7),
        BoardSlotWords(designation="S8", number=8, usage="in use"),
        BoardSlotWords(designation="O1", number=9, kind="ocp"),
        BoardSlotWords(designation="M2_9", number=10, kind="m.2", generation=4, connector=4, wired=4),
    ]
    text, sheet = written([root_port("01.0", (4, 4), [drive((4, 4))], slot=socket(1, "M2_1"))], extra_slots=extra)
    assert [(one.label, one.kind, one.connector, one.lanes, one.generation, one.port) for one in sheet.slots[1:]] == [
        ("S7", "card", 16, 8, 3, None),
        ("M2_9", "m.2", 4, 4, 4, None),
    ]
    assert "No port could be matched to it; the figures are the firmware's." in comments(text)
    assert "slot S8: no port could be matched to it, and the firmware says that it is in use" in comments(text)
    assert "slot O1: no port could be matched to it, and it is for other things" in comments(text)


def test_a_bay_of_another_kind_takes_a_drive_itself() -> None:
    """A drive in a slot that the firmware calls edsff is in a slot for drives, with a word on what it is called."""
    text, sheet = written([root_port("01.0", (4, 4), [drive((4, 4))], slot=slot(1, "E1", kind="edsff", wired=4))])
    assert [(one.label, one.kind) for one in sheet.slots] == [("E1", "u.2")]
    assert [(one.slot, one.form) for one in sheet.drives] == [("E1", "u.2")]
    assert "The firmware calls it edsff" in comments(text)


def test_a_drive_where_the_firmware_names_no_slot_has_one_by_its_port() -> None:
    """A drive that sits in no described slot is not lost: its place is called by the port's address."""
    ports = [
        root_port("01.0", (4, 16), display(), slot=slot(1, "S1")),
        root_port("02.0", (4, 4), [drive((4, 4))]),
    ]
    text, sheet = written(ports)
    assert [(one.label, one.kind) for one in sheet.slots] == [("S1", "card"), ("0000:00:02.0", "m.2")]
    assert "The firmware does not describe it" in comments(text)


@pytest.mark.parametrize("key", sorted(HOSTILE))
def test_hostile_names_are_read_again(key: str) -> None:
    """Whatever a drive and its slot are called, the sheet is read again, with the same drive in the same slot."""
    nvme = Nvme(model=HOSTILE[key], serial=HOSTILE[key])
    named = slot(1, HOSTILE[key].replace("\x00", ""), kind="m.2", connector=4, wired=4)
    _, sheet = written([root_port("01.0", (4, 4), [drive((4, 4), nvme)], slot=named)], name=HOSTILE[key])
    assert today(sheet).drives == {"nvme0": DrivePlace(sheet.slots[0].label, None)}


def test_a_card_without_a_name_has_its_kind() -> None:
    """A card that no list of models names is called by its class."""
    _, sheet = written([root_port("01.0", (4, 4), [card("network", (3, 4), model=" ")], slot=slot(1, "S1"))])
    assert [one.name for one in sheet.cards] == ["network card"]


# --- Text --------------------------------------------------------------------------------------------------------


@given(st.text())
@example("." * 40)
@example('quote " backslash \\ tab \t')
def test_a_quoted_text_is_the_same_when_read(text: str) -> None:
    """Any text comes back from the standard library's TOML reader, but for what no TOML text can hold."""
    line = quoted(text)
    assert line.isprintable()
    assert tomllib.loads(f"x = {line}") == {"x": text}


def test_half_a_surrogate_pair_is_replaced() -> None:
    """A lone surrogate, which no TOML text can hold, is read as U+FFFD."""
    assert tomllib.loads(f"x = {quoted('a' + chr(0xDCFF))}") == {"x": "a\ufffd"}


@given(st.text(), st.integers(10, 200))
def test_harmless_text_is_one_short_printable_line(text: str, limit: int) -> None:
    """Text made harmless can be shown, is no longer than asked, and plain text stays as it is."""
    shown = harmless(text, limit)
    assert shown.isprintable()
    assert len(shown) <= limit
    assert shown == text.strip() or not text.isprintable() or len(text.strip()) > limit


@given(st.text())
@example("line\nbreak = 1")
@example("a" * 3000)
def test_a_source_never_leaves_its_comment(text: str) -> None:
    """Whatever the file was called, its name stays in comments: the keys of the sheet are the same."""
    seen = audited("bench-1-upgraded")
    assert tomllib.loads(from_audit(seen, text)) == tomllib.loads(text_of("bench-1-upgraded"))


# --- The user's own text -----------------------------------------------------------------------------------------

OWN: Final = """\
# the refit
format = "lanewright-sheet"
version = 1

[[slot]]
label = "SLOT1"
connector = 16
lanes = 16
generation = 4

[[card]]
name = "scanner link"   # keep it cool
connector = 4
lanes = 4
generation = 3

# what comes next is the carrier
[[card]]
name = "carrier"
connector = 8
lanes = 8
generation = 3
carrier = "switch"
bays = 2
slot = "SLOT9" # for now

# drives
[[drive]]
name = "reel-1"
generation = 3
card = "carrier"  # in the front
bay = 1
model = "Reel"

[[drive]]
name = "reel-2"
generation = 3
slot = "M2_1\""""


def test_places_are_written_where_a_person_would_write_them() -> None:
    """Keys are changed in place with their comments, added after the last key of their entry, or taken away."""
    placement = Placement(
        {"scanner link": "SLOT2", "carrier": "SLOT1"},
        {"reel-1": DrivePlace("M2_1", None), "reel-2": DrivePlace("carrier", 2)},
    )
    expected = (
        OWN.replace("generation = 3\n\n# what comes next is", 'generation = 3\nslot = "SLOT2"\n\n# what comes next is')
        .replace('"SLOT9" # for now', '"SLOT1" # for now')
        .replace('card = "carrier"  # in the front\nbay = 1\nmodel = "Reel"\n', 'model = "Reel"\nslot = "M2_1"\n')
        .replace('generation = 3\nslot = "M2_1"', 'generation = 3\ncard = "carrier"\nbay = 2\n')
    )
    expected = expected.replace('model = "Reel"\nslot = "M2_1"\n', 'model = "Reel"\nslot = "M2_1"\n', 1)
    assert expected == with_placement(OWN, placement, "own.toml")


def test_parts_without_a_place_are_written_as_not_fitted() -> None:
    """A placement that has nothing takes every place out of the text and nothing else."""
    kept = [line for line in OWN.splitlines() if not line.startswith(("slot =", "card =", "bay ="))]
    assert kept == with_placement(OWN, Placement({}, {}), "own.toml").splitlines()


@given(st.data())
def test_what_is_written_is_what_is_read(data: st.DataObject) -> None:
    """Any placement written into a sheet of many comments and kinds is today's placing when it is read again."""
    sheet = parse(BENCH_1, "bench-1.toml")
    slots = [one.label for one in sheet.slots if one.kind == "card"]
    sockets = [one.label for one in sheet.slots if one.kind == "m.2"]
    labels = data.draw(st.permutations([*slots, *[None] * len(sheet.cards)]))
    cards = {one.name: label for one, label in zip(sheet.cards, labels, strict=False) if label is not None}
    stays = {one.name: one.slot for one in sheet.cards if one.stays and one.slot is not None}
    cards = {name: label for name, label in cards.items() if name not in stays and label not in stays.values()} | stays
    bays = [DrivePlace(one.name, bay) for one in sheet.cards for bay in range(1, one.bays + 1)]
    places = data.draw(st.permutations([*bays, *(DrivePlace(label, None) for label in sockets), *[None] * len(bays)]))
    drives = {one.name: place for one, place in zip(sheet.drives, places, strict=False) if place is not None}
    placement = Placement(cards, drives)
    again = with_placement(BENCH_1, placement, "bench-1.toml")
    assert placement == today(parse(again, "bench-1.toml"))
    kept = [line for line in BENCH_1.splitlines() if line.startswith("#")]
    assert kept == [line for line in again.splitlines() if line.startswith("#")]


def test_entries_written_as_inline_tables_are_changed_too() -> None:
    """A sheet that lists its parts in one array has its places written there."""
    text = 'card = [{name = "a", slot = "S1"}, {name = "b"}]\n'
    changed = with_placement(text, Placement({"b": "S1"}, {}), "own.toml")
    assert tomllib.loads(changed) == {"card": [{"name": "a"}, {"name": "b", "slot": "S1"}]}


def test_text_that_is_no_toml_is_refused() -> None:
    """A text that is not TOML is refused in one sentence that names the file."""
    with pytest.raises(BadInput, match=r"own\.toml, line 1: this is not TOML"):
        with_placement("slot = = 1", Placement({}, {}), "own.toml")
