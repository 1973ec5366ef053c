"""Places that may hold a drive and do not answer: when the two rules speak, and above all when they do not.

What they say on whole machines stands in the `about.toml` of those. Presence is told by the Slot Status Register of
the PCI Express Base Specification; parts of a slot by its Physical Slot Number and by the peer groups of System Slots
(type 9) of DMTF DSP0134. How slots are split, and what carriers look like, is common practice.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.whole import compare
from agent.model.expected import CardExpected, DriveExpected, Expectations
from agent.model.findings import Severity
from knowledge import pcie
from knowledge.steps import HANDS, STEPS
from probes import collect
from probes.facts import Gap
from probes.unread import Unread
from tests.boards import bench_1, bench_2, carrier, display, reel_3, reel_4, ten_gigabit
from tests.build import DEVICES, build, edit, facts
from tests.firmware import BoardSlotWords
from tests.machines import MACHINES
from tests.parts import Function, Machine, Slot, card, downstream_port, drive, root_port, switch
from tests.registry import Release, Tower
from tests.registry_machines import FIRST_TYPELESS, LIVE, RegistrySetup, downstream, host_bridge, upstream
from tests.registry_machines import root_port as root_port_entry

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.model.findings import Finding
    from tests.tree import Tree

PART: Final = "slot-part-silent"
SWITCH: Final = "switch-without-drive"
TABLE: Final = "/sys/firmware/dmi/tables/DMI"
PARTS: Final = tuple(f"0000:00:01.{number}" for number in range(4))
FELT: Final = {pcie.SLOT_STATUS: {"presence_detect_state": 1}}


def seen(described: Machine | Tree, *, privileged: bool = True, planned: Expectations | None = None) -> Audit:
    """The audit of a machine."""
    tree = build(described) if isinstance(described, Machine) else described
    return audit(facts(tree, privileged=privileged), planned=planned)


def of(found: Audit, rule: str) -> list[Finding]:
    """The findings of one rule."""
    return [one for one in found.findings if one.rule == rule]


def absent(found: Audit) -> list[str]:
    """The headlines of both rules."""
    return [one.headline for one in found.findings if one.rule in {PART, SWITCH}]


def counted(headline: str) -> str:
    """A headline from its first number on; of a split slot how many of its parts show drives, and the rest."""
    split = re.fullmatch(r"is split into (\d+) and shows drives in (\d+) of them(.*)", headline)
    if split:
        return f"{split[2]} of {split[1]} parts{split[3]}"
    return headline[headline.index(next(letter for letter in headline if letter.isdigit())) :]


def not_told(found: Audit, word: str) -> list[Unread]:
    """What could not be told, of all that bears this word."""
    return [one for one in found.unread if word in one.what]


def config(tree: Tree, address: str) -> str:
    """The place of a function's configuration space in a tree."""
    return f"{tree.resolve(f'{DEVICES}/{address}')}/config"


def split(drives: str, **slot: int) -> Machine:
    """The first tower with a drive ("#") or nothing (".") in each of the four parts of SLOT1; `slot` is said of it."""
    names = ("SLOT1", "SLOT1b", "SLOT1c", "SLOT1d")
    tower = bench_1({name: [reel_4("")] for name, here in zip(names, drives, strict=True) if here == "#"}, split=True)
    for port in ports(tower):
        for field, value in slot.items():
            setattr(port.slot, field, value)
    return tower


def ports(tower: Machine) -> list[Function]:
    """The ports of the parts of SLOT1, in their order."""
    return [one for one in tower.buses["0000:00"] if one.at.startswith("01.")]


def with_peers(tower: Machine, *, at_ports: bool = False) -> Machine:
    """The same tower whose firmware names the parts of SLOT1 as peers, by their cards or by the ports above these."""
    build(tower)  # which gives the addresses
    for number, port in enumerate(ports(tower)):
        assert port.slot is not None
        port.slot.number = 11 + number
        if at_ports:
            port.slot.points_at = "port"
    cards = [f"0000:{port.secondary:02x}:00.0" for port in ports(tower)]
    first = ports(tower)[0].slot
    assert first is not None
    first.peers = tuple((address, 4) for address in (PARTS if at_ports else cards)[1:])
    return tower


# --- Parts of a split slot -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("drives", "headline"),
    [
        ("##.#", "3 of 4 parts; if a drive is fitted at {2}, it does not answer"),
        (".##.", "2 of 4 parts; if drives are fitted at {0} and {3}, they do not answer"),
        ("#...", "1 of 4 parts; if drives are fitted at {1}, {2} and {3}, they do not answer"),
    ],
)
def test_parts_that_do_not_answer_are_counted_and_named(drives: str, headline: str) -> None:
    """A slot some of whose parts answer is one calm note that names the others, with what was felt at each."""
    found = seen(split(drives))
    (finding,) = of(found, PART)
    assert (headline.format(*PARTS), Severity.NOTE) == (counted(finding.headline), finding.severity)
    assert Severity.NOTE is found.worst
    silent = [address for address, here in zip(PARTS, drives, strict=True) if here == "."]
    felt = {one.source: one.read for one in finding.evidence if "Presence Detect State" in one.source}
    assert {f"{address} Slot Status: Presence Detect State": "0" for address in silent} == felt
    assert finding.subject == silent[-1]


def test_the_order_in_which_ports_are_listed_changes_nothing() -> None:
    """Parts and bays are named by address, however the system lists its functions."""
    for tower in (split("#.#."), on_card(bay(), bay(number=102))):
        read = facts(build(tower))
        (first,), (second,) = (
            [one for one in audit(replace(read, functions=order)).findings if one.rule in {PART, SWITCH}]
            for order in (read.functions, read.functions[::-1])
        )
        assert first == second


def test_the_steps_of_a_silent_part_begin_with_a_count() -> None:
    """Before hands go inside, the drives are counted; those steps bear the cautions of the trade."""
    (finding,) = of(seen(split("##.#")), PART)
    assert ["count-drives", "reseat-drive", "try-drive-elsewhere"] == [step.action for step in finding.steps]
    assert "As many as answer: nothing to do" in finding.steps[0].verify
    assert [step.cautions for step in finding.steps if STEPS[step.action].hardware] == [HANDS, HANDS]


@pytest.mark.parametrize("drives", ["####", "...."])
def test_a_slot_of_one_mind_is_no_news(drives: str) -> None:
    """All parts that answer are as they should be, and a slot in which nothing answers is an empty slot."""
    assert [] == absent(seen(split(drives)))


def test_a_slot_that_is_not_split_has_no_parts() -> None:
    """One drive below one port is another rule's matter."""
    assert [] == absent(seen(bench_1({"SLOT1": [reel_4("A")]})))
    assert [] == absent(seen(MACHINES["bench-2-unsplit-slot"]().tree))


def test_a_dark_part_has_its_own_fault() -> None:
    """What is felt and does not answer is not said a second time, and the parts beside it are still told."""
    tower = split("###.")
    ports(tower)[3].registers = FELT
    assert ([], ["slot-dark"]) == (
        absent(seen(tower)),
        [one.rule for one in seen(tower).findings if one.subject == PARTS[3]],
    )
    tower = split("##..")
    ports(tower)[3].registers = FELT
    expected = "2 of 4 parts; if a drive is fitted at 0000:00:01.2, it does not answer"
    assert [expected] == [counted(one) for one in absent(seen(tower))]


def test_a_part_whose_port_keeps_trying_has_its_own_finding() -> None:
    """A port that trains without end may have a drive below it: it is not said to have none."""
    tower = split("###.")
    ports(tower)[3].registers = {pcie.LINK_STATUS: {"link_training": 1, "link_bandwidth_management_status": 1}}
    found = seen(tower)
    assert ([], ["link-unread"]) == (absent(found), [one.rule for one in found.findings if one.subject == PARTS[3]])
    assert [] == not_told(found, "of SLOT1")


def test_parts_are_told_without_the_firmwares_tables() -> None:
    """Ports of one device in a row that bear one slot number are one slot, and so the kernel's names do not matter."""
    tower = split("##.#")
    tower.tables = False
    (finding,) = of(seen(tower), PART)
    assert counted(finding.headline).startswith("3 of 4 parts;")
    assert "Slot Capabilities: Physical Slot Number" == finding.evidence[0].source
    for number, port in enumerate(ports(tower)):
        assert port.slot is not None
        port.slot.kernel_name = "1" if number == 0 else f"1-{number}"
    assert [finding.headline] == absent(seen(tower))


@pytest.mark.parametrize("at_ports", [False, True], ids=["cards", "ports"])
def test_parts_are_told_by_the_firmwares_peers(at_ports: bool) -> None:  # noqa: FBT001 - a column of the table
    """The firmware's peer groups name the parts, whether it gives the cards' addresses or those of the ports."""
    tower = with_peers(split("#.##"), at_ports=at_ports)
    expected = "3 of 4 parts; if a drive is fitted at 0000:00:01.1, it does not answer"
    assert [expected] == [counted(one) for one in absent(seen(tower))]


def test_a_sata_controller_on_a_carrier_is_a_drive_too() -> None:
    """What drives hang on counts as what they are."""
    tower = split("....")
    ports(tower)[0].below = [card("sata", (3, 2))]
    assert ["1 of 4 parts;"] == [counted(one).partition(" if")[0] for one in absent(seen(tower))]


def test_a_slot_without_any_drive_is_not_counted() -> None:
    """A display or network card in one part of a slot says nothing of drives in the others."""
    for fitted in (display((4, 4)), ten_gigabit()):
        tower = split("....")
        ports(tower)[0].below = fitted
        assert [] == absent(seen(tower))


def test_a_card_across_the_slot_leaves_no_other_part() -> None:
    """One card that could use more lanes than its part has sits across the slot; beside others it does not."""
    tower = split("....")
    ports(tower)[0].below = [drive((4, 8))]
    assert [] == absent(seen(tower))
    ports(tower)[2].below = [reel_4("B")]
    assert 1 == len(absent(seen(tower)))


# --- Ports that are not one slot -------------------------------------------------------------------------------


@pytest.mark.parametrize(("second", "lanes"), [("1b.4", 4), ("1c.0", 4), ("1c.1", 4), ("1b.1", 1)])
@pytest.mark.parametrize("tables", [True, False])
def test_chipset_ports_of_one_number_are_not_one_slot(second: str, lanes: int, tables: bool) -> None:  # noqa: FBT001
    """Firmware that gives two sockets one number does not make one of them the absent half of the other."""
    sockets = [
        root_port(at, (4, lanes), fitted, slot=Slot(number=7), device=0x7A40)
        for at, fitted in (("1b.0", [drive((4, lanes))]), (second, []))
    ]
    assert [] == absent(seen(Machine(name="bench-9", buses={"0000:00": sockets}, tables=tables)))


def test_a_described_slot_is_split_only_where_the_lanes_add_up() -> None:
    """Ports with the number of a slot of four lanes, and more lanes than that, are not its parts."""
    assert [] == absent(seen(split("##.#", wired=4, connector=4)))
    assert [] == absent(seen(with_peers(split("##.#", wired=4, connector=4))))
    unknown = split("##..")
    unknown.tables = False
    assert 1 == len(absent(seen(unknown)))
    for port in ports(unknown)[2:]:
        port.registers = {pcie.LINK_CAPABILITIES: {"maximum_link_width": 0}}
        port.attributes = {"max_link_width": None, "current_link_width": None}
    assert [] == absent(seen(unknown))


def test_a_device_of_the_board_is_no_part() -> None:
    """Where the firmware lists what answers as a device of the board, the ports beside it are no slot of drives."""
    fitted = [[reel_4("A")], [], [], []]
    sockets = [
        root_port(f"01.{number}", (4, 4), below, slot=Slot(number=7), device=0x7A40)
        for number, below in enumerate(fitted)
    ]
    tower = Machine(name="bench-9", buses={"0000:00": sockets})
    assert 1 == len(absent(seen(tower)))
    build(tower)
    tower.onboard = [("Storage", 9, sockets[0].below[0])]
    assert [] == absent(seen(tower))


@pytest.mark.parametrize("tables", [True, False])
def test_a_whole_slot_has_no_further_parts(tables: bool) -> None:  # noqa: FBT001 - a column of the table
    """A port beside a slot of which no lane is missing is no part of it, also where that port's number was not read."""
    slots = [Slot(number=one, name=f"SLOT{one}") for one in (1, 2)]
    beside = [root_port(f"01.{one}", (4, 16), [reel_4("A")] if one == 0 else [], slot=slots[one]) for one in (0, 1)]
    tree = build(Machine(name="bench-9", buses={"0000:00": beside}, tables=tables))
    tree.fail(config(tree, PARTS[1]), "EIO")
    assert ([], []) == (absent(seen(tree)), not_told(seen(tree), "parts of"))


def test_an_address_that_is_out_of_date_makes_no_part() -> None:
    """A peer address that leads to a port with the number of another described slot is not believed."""
    tower = with_peers(split("##.#"))
    stray = ports(tower)[2].slot
    assert stray is not None
    stray.number = 9
    assert 1 == len(absent(seen(tower)))
    tower.extra_slots = [BoardSlotWords(designation="SLOT9", number=9)]
    assert [] == absent(seen(tower))


def test_a_machine_that_is_not_there_has_no_empty_places() -> None:
    """In a guest, and below emulated or tunnelled ports, ports are made as they are asked for."""
    guest = split("##.#")
    guest.virtual = True
    emulated, tunnelled = split("##.#"), split("##.#")
    ports(emulated)[2].vendor = 0x1B36
    ports(tunnelled)[2].vendor_specific = 0x1234
    assert [[], [], []] == [absent(seen(one)) for one in (guest, emulated, tunnelled)]


# --- Presence that was not read --------------------------------------------------------------------------------


def test_an_ordinary_user_is_told_no_part() -> None:
    """Neither slots nor presence are given to an ordinary user; the check says so, and no part is said to be silent."""
    found = seen(split("##.#"), privileged=False)
    assert [] == absent(found)
    (root,) = of(found, "needs-root")
    assert [one.source for one in root.evidence if PARTS[2] in one.source and "verdict" in one.source]


def test_presence_that_root_alone_reads_is_not_absence() -> None:
    """Where the firmware's tables are open to all, and registers are not, parts are counted, and none is blamed."""
    tree = build(with_peers(split("##..")))
    tree.root_only.discard(TABLE)
    found = seen(tree, privileged=False)
    assert [] == absent(found)
    (told,) = not_told(found, "of SLOT1")
    assert "0000:00:01.2 and 0000:00:01.3 of SLOT1" == told.what
    assert told.why.startswith("2 of the 4 parts of SLOT1 answer; whether the other 2 hold drives could not be read: ")
    assert told.needs_root


def test_parts_that_are_known_by_number_alone_need_it_read() -> None:
    """Where the numbers of ports beside a slot are not read, how many parts it has is not known."""
    tree = build(split("##.."))
    tree.root_only.discard(TABLE)
    found = seen(tree, privileged=False)
    assert [] == absent(found)
    (told,) = not_told(found, "parts of SLOT1")
    assert told.why.startswith("whether 0000:00:01.1, 0000:00:01.2 and 0000:00:01.3 belong to it could not be read: ")
    assert told.needs_root


def test_a_driver_tells_an_ordinary_user_of_presence() -> None:
    """A hot-plug driver's word is as good as the register."""
    tower = with_peers(split("###."))
    for number, port in enumerate(ports(tower)):
        assert port.slot is not None
        port.slot.kernel_name, port.slot.adapter = f"1-{number}", True
    tree = build(tower)
    tree.root_only.discard(TABLE)
    (finding,) = of(seen(tree, privileged=False), PART)
    assert counted(finding.headline).startswith("3 of 4 parts;")
    assert ("kernel slot SLOT1: adapter", "0") in [(one.source, one.read) for one in finding.evidence]


@pytest.mark.parametrize("errno", ["EIO", "EACCES", "ENODEV"])
def test_one_port_that_fails_is_counted_apart(errno: str) -> None:
    """A port whose registers cannot be read is no empty part, and the others are still told."""
    tree = build(with_peers(split("##..")))
    place = config(tree, PARTS[3])
    whole = tree.read(place)
    tree.put(place, whole[:64])
    found = seen(tree)
    (headline,) = absent(found)
    assert counted(headline).startswith("2 of 4 parts; if a drive is fitted at 0000:00:01.2, it does not ")
    assert headline.endswith("; whether 0000:00:01.3 holds one is not known")
    tree.fail(place, errno)
    found = seen(tree)
    assert [] == absent(found)
    (told,) = not_told(found, "parts of SLOT1")
    assert told.why.startswith("whether 0000:00:01.3 belongs to it could not be read: ")
    assert errno in told.why


def test_a_part_at_another_device_that_fails_is_missed() -> None:
    """Peers need not be functions of one device; one whose bus was not read makes the number of parts unknown."""
    peers = tuple((f"0000:{bus:02x}:00.0", 4) for bus in (2, 3, 4))
    parts = [
        root_port(
            *(f"{3 + number:02x}.0", (4, 4), [reel_4("A")] if number == 0 else []),
            slot=Slot(number=11 + number, name="" if number else "SLOT1", peers=() if number else peers),
        )
        for number in range(4)
    ]
    tree = build(Machine(name="bench-9", buses={"0000:00": parts}))
    assert ["1 of 4 parts"] == [counted(one).partition(";")[0] for one in absent(seen(tree))]
    tree.fail(config(tree, "0000:00:06.0"), "EIO")
    assert [] == absent(seen(tree))
    (told,) = not_told(seen(tree), "parts of SLOT1")
    assert told.why.startswith("whether 0000:00:06.0 belongs to it could not be read: ")


def test_a_part_that_fails_makes_no_smaller_slot() -> None:
    """Two parts that are left over from four are not taken for a slot of two."""
    tree = build(split("#..."))
    for address in PARTS[2:]:
        tree.fail(config(tree, address), "EIO")
    for tables in (True, False):
        if not tables:
            tree.remove(TABLE)
        assert [] == absent(seen(tree))
        assert 1 == len(not_told(seen(tree), "parts of "))


def test_what_answers_and_is_not_known_may_be_a_drive() -> None:
    """Where a class code could not be read, whether drives answer is not known, and that is said."""
    tower = split("....")
    ports(tower)[0].below = [card("network", (4, 4))]
    tree = build(tower)
    assert [] == not_told(seen(tree), "drives in")
    device = ports(tower)[0].below[0].address
    tree.fail(f"{tree.resolve(f'{DEVICES}/{device}')}/class", "EIO")
    served = build(split("#..."))
    served.fail(f"{served.resolve(f'{DEVICES}/0000:01:00.0')}/class", "EIO")
    assert 1 == len(absent(seen(served)))  # the system serves it as a drive
    (told,) = not_told(seen(tree), "drives in")
    assert "drives in SLOT1" == told.what
    assert told.why.startswith(f"what {device} is could not be read: ")


@pytest.mark.parametrize("lost_list", [False, True], ids=["one function", "the list"])
def test_what_is_listed_without_its_place_may_be_there(lost_list: bool) -> None:  # noqa: FBT001 - a column of the table
    """A port that feels no presence is not said to be empty while something that was not placed may be below it."""
    tower = split("####")
    for port in ports(tower):
        port.registers = {pcie.PCI_EXPRESS_CAPABILITIES: {"slot_implemented": 0}}
    tree = build(with_peers(tower))
    edit(tree, PARTS[3], pcie.LINK_STATUS, data_link_layer_link_active=0)
    read, drive_there = facts(tree), ports(tower)[3].below[0].address
    others = tuple(one for one in read.functions if one.address != drive_there)
    assert 1 == len(absent(audit(replace(read, functions=others))))
    lost = Unread("link", "failed", vital=True)
    astray = next(replace(one, parent=lost, root=lost) for one in read.functions if one.address == drive_there)
    damaged = replace(read, functions=others, gaps=(Gap("functions", lost),))
    if not lost_list:
        damaged = replace(read, functions=(*others, astray))
    found = audit(damaged)
    assert [] == absent(found)
    (told,) = not_told(found, f"{PARTS[3]} of SLOT1")
    why = "3 of the 4 parts of SLOT1 answer; whether the other one holds a drive could not be read: failed"
    assert (why, True) == (told.why, told.vital)


def test_a_part_that_is_felt_and_answers_unseen_is_not_empty() -> None:
    """A link that is up, with something below that was not placed, has a finding of its own and is not said twice."""
    tower = split("####")
    read = facts(build(with_peers(tower)))
    lost, there = Unread("link", "failed", vital=True), ports(tower)[3].below[0].address
    astray = [replace(one, parent=lost, root=lost) if one.address == there else one for one in read.functions]
    found = audit(replace(read, functions=tuple(astray)))
    assert ([], []) == (absent(found), not_told(found, "of SLOT1"))
    assert ["link-unread"] == [one.rule for one in found.findings if one.subject == PARTS[3]]


# --- Switches --------------------------------------------------------------------------------------------------


def on_card(*bays: Function, slot: Slot | None = None, beside: tuple[Function, ...] = (), **port: Any) -> Machine:  # noqa: ANN401
    """A machine with one slot and a packet switch in it; `bays` are its ports, `port` fields of the port above."""
    there = slot if slot is not None else Slot(number=3, name="SLOT3")
    above = root_port("01.0", (4, 8), [switch((4, 8), list(bays)), *beside], slot=there, **port)
    return Machine(name="bench-9", buses={"0000:00": [above]})


def bay(*fitted: Function, number: int = 101, hot_plug: bool = False, **more: Any) -> Function:  # noqa: ANN401
    """A port of a switch with what is in its bay."""
    return downstream_port((4, 4), list(fitted), slot=Slot(number=number, hot_plug=hot_plug), **more)


def test_a_switch_without_a_drive_is_named() -> None:
    """A carrier that answers, with nothing behind it, is one calm note that names its slot and its ports."""
    found = seen(on_card(bay(), bay(number=102)))
    (finding,) = of(found, SWITCH)
    assert (Severity.NOTE, "0000:01:00.0") == (finding.severity, finding.subject)
    assert Severity.NOTE is found.worst
    assert (
        "shows no drive behind its packet switch; if one is fitted at one of its 2 ports, it does not answer"
        == finding.headline
    )
    felt = {one.source: one.read for one in finding.evidence if "Presence Detect State" in one.source}
    assert {f"0000:02:0{number}.0 Slot Status: Presence Detect State": "0" for number in range(2)} == felt
    actions = ["count-drives", "reseat-drive", "check-supply", "try-drive-elsewhere"]
    assert actions == [step.action for step in finding.steps]
    assert all(step.cautions for step in finding.steps[1:])


def test_a_switch_below_a_switch_is_one_finding() -> None:
    """A carrier with two switches has no drive once, and all its ports are named."""
    inner = downstream_port((4, 8), [switch((4, 8), [bay(number=103), bay(number=104)])])
    (finding,) = of(seen(on_card(inner, bay())), SWITCH)
    assert "one of its 3 ports" in finding.headline
    assert "0000:01:00.0" == finding.subject


@pytest.mark.parametrize("kind", ["nvme", "sata", "usb", "network", "display", "encryption"])
def test_anything_behind_a_switch_makes_it_one_at_work(kind: str) -> None:
    """A drive behind one port, or a device of any other kind, and the free ports are no news."""
    assert [] == absent(seen(on_card(bay(card(kind, (4, 4))), bay(number=102))))


def test_a_display_card_with_a_switch_of_its_own_is_no_carrier() -> None:
    """Its switch leads to the display function; where that is gone, ports without a slot tell nothing of drives."""
    own = downstream_port((4, 8), display((4, 8)))
    assert [] == absent(seen(on_card(own)))
    found = seen(on_card(downstream_port((4, 8))))
    assert [] == absent(found)
    (told,) = not_told(found, "the packet switch")
    assert "drives behind the packet switch 0000:01:00.0 in SLOT3" == told.what
    assert "lead to no slot" in told.why


def test_a_switch_of_the_board_is_no_carrier() -> None:
    """Without a slot above it, or with slots of the board below it, a switch belongs to the board."""
    soldered = Machine(
        name="bench-9", buses={"0000:00": [root_port("01.0", (4, 8), [switch((4, 8), [bay(), bay(number=102)])])]}
    )
    assert [] == absent(seen(soldered))
    slots = [downstream_port((4, 4), slot=Slot(number=5 + one, name=f"SLOT{5 + one}")) for one in range(2)]
    assert [] == absent(seen(on_card(*slots)))
    tower = on_card(bay(), bay(number=102))
    tower.onboard = [("Storage", 9, tower.buses["0000:00"][0].below[0])]
    tower.buses["0000:00"][0].slot = Slot(number=3)
    assert [] == absent(seen(tower))


def test_a_port_that_the_firmware_leaves_out_is_no_slot_of_the_board() -> None:
    """Where the firmware describes the board's slots, only a switch in one of them is a card."""
    tower = on_card(bay(), bay(number=102), slot=Slot(number=3))
    assert 1 == len(absent(seen(tower)))
    tower.extra_slots = [BoardSlotWords(designation="SLOT9", number=9)]
    assert [] == absent(seen(tower))


def test_ports_for_hot_plug_may_be_empty() -> None:
    """Ports that are made for plugging while the machine runs may lead outside, where nothing is plugged in."""
    assert [] == absent(seen(on_card(bay(hot_plug=True), bay(number=102))))


def test_docks_and_guests_have_no_empty_places() -> None:
    """A dock on a cable, a host controller for one, an emulated switch and a guest are left alone."""
    dock = on_card(bay(), slot=Slot(number=9, hot_plug=True), vendor_specific=0x1234, vector=(1,))
    removable = on_card(bay(removable="removable"))
    emulated = on_card(bay(vendor=0x1B36))
    guest = on_card(bay())
    guest.virtual = True
    assert [[]] * 4 == [absent(seen(one)) for one in (dock, removable, emulated, guest)]


def test_a_drive_that_is_felt_has_its_own_fault() -> None:
    """Where a port of the switch is dark, that is the finding."""
    tower = on_card(bay(registers=FELT), bay(number=102))
    found = seen(tower)
    assert [] == absent(found)
    assert "slot-dark" in [one.rule for one in found.findings]
    trying = {pcie.LINK_STATUS: {"link_training": 1, "link_bandwidth_management_status": 1}}
    found = seen(on_card(bay(registers=trying), bay(number=102)))
    assert ([], []) == (absent(found), not_told(found, "the packet switch"))
    assert "link-unread" in [one.rule for one in found.findings]


def test_what_a_switch_has_beside_it() -> None:
    """A switch's own function for copying is part of it; a function of another kind makes it another card."""
    own = card("system peripheral", (4, 8), attributes={"class": "0x088000"})
    own.kind = "encryption"
    assert 1 == len(absent(seen(on_card(bay(), beside=(own,)))))
    assert [] == absent(seen(on_card(bay(), beside=(card("network", (4, 8)),))))


def test_an_ordinary_user_is_told_no_switch_without_a_drive() -> None:
    """Presence behind a switch is not given to an ordinary user: where its slot has a name, that is said."""
    tower = bench_2({"PCIE1": [carrier((3, 16), [], bays=2)]})
    found = seen(tower, privileged=False)
    assert [] == absent(found)
    (told,) = not_told(found, "the packet switch")
    assert "drives behind the packet switch 0000:01:00.0 in slot 1" == told.what
    assert told.why.startswith("nothing answers; whether 0000:02:00.0 and 0000:02:01.0 hold drives could not be read: ")
    assert told.needs_root


def test_one_port_of_a_switch_that_fails_leaves_it_open() -> None:
    """A port whose registers fail may have a drive, so the switch is not said to have none."""
    tower = on_card(bay(), bay(number=102))
    tree = build(tower)
    tree.fail(config(tree, "0000:02:01.0"), "EIO")
    assert [] == absent(seen(tree))
    (told,) = not_told(seen(tree), "the packet switch")
    assert told.why.startswith("nothing answers; whether 0000:02:01.0 holds a drive could not be read: ")
    tree.fail(f"{tree.resolve(f'{DEVICES}/0000:02:01.0')}/class", "EIO")
    assert [] == absent(seen(tree))
    (told,) = not_told(seen(tree), "the packet switch")
    assert told.why.startswith("what 0000:02:01.0 is could not be read: ")
    tree = build(tower)
    tree.put(config(tree, "0000:02:00.0"), tree.read(config(tree, "0000:02:00.0"))[:64])
    tree.fail(config(tree, "0000:02:01.0"), "EIO")
    (told,) = not_told(seen(tree), "the packet switch")  # root might learn one of the two at most
    assert (False, True) == (told.needs_root, told.vital)
    tree = build(tower)
    tree.fail(f"{tree.resolve(f'{DEVICES}/0000:02:01.0')}/class", "EIO")
    assert 1 == len(absent(seen(tree)))  # its register says that it is a port


def test_something_behind_a_switch_whose_nature_is_not_read() -> None:
    """What answers and does not say what it is may be a drive; one that the system serves as a drive is one."""
    tower = on_card(bay(card("network", (4, 4))), bay(number=102))
    tree = build(tower)
    tree.fail(f"{tree.resolve(f'{DEVICES}/0000:03:00.0')}/class", "EIO")
    assert [] == absent(seen(tree))
    (told,) = not_told(seen(tree), "the packet switch")
    assert told.why.startswith("what 0000:03:00.0 is could not be read: ")
    tree = build(on_card(bay(reel_4("A")), bay(number=102)))
    tree.fail(f"{tree.resolve(f'{DEVICES}/0000:03:00.0')}/class", "EIO")
    assert ([], []) == (absent(seen(tree)), not_told(seen(tree), "the packet switch"))


def test_a_carrier_that_sleeps_is_not_said_to_have_no_drive() -> None:
    """Without power nothing answers that could be read."""
    tower = on_card(bay(power_state="D3cold"), bay(number=102, power_state="D3cold"))
    tower.buses["0000:00"][0].below[0].power_state = "D3cold"
    found = seen(tower)
    assert [] == absent(found)
    assert 1 == len(not_told(found, "the packet switch"))


def registry_carrier(release: Release) -> Audit:
    """The audit of a Darwin tower of a release, with an empty switch carrier in its first slot."""
    bays = [downstream((2, bay, 0), (3, 4), 3 + bay, [], slot=101 + bay) for bay in range(2)]
    there = upstream((1, 0, 0), (3, 16), (2, 4), bays, slot_name="Slot-1")
    port = root_port_entry((0, 1, 0), "CPB0", (3, 16), (1, 4), [there], slot=1)
    setup = RegistrySetup(Tower(release=release, model="Grading tower 6A", bridges=[[host_bridge(), port]]))
    return audit(collect(setup.reads()))


def test_a_release_without_registers_of_slots_leaves_it_open() -> None:
    """Darwin's registry tells of presence from some release on; before, a carrier is not said to be empty."""
    assert 1 == len(of(registry_carrier(LIVE), SWITCH))
    found = registry_carrier(FIRST_TYPELESS)
    assert [] == absent(found)
    (told,) = not_told(found, "the packet switch")
    assert "drives behind the packet switch 01:00.0 in Slot-1" == told.what
    assert told.why.startswith("nothing answers; whether 02:00.0 and 02:01.0 hold drives could not be read: ")


# --- Beside a build sheet --------------------------------------------------------------------------------------


def expected(slot: str, carrier_kind: str, bays: int) -> Expectations:
    """A sheet with a carrier of so many drives in a slot."""
    named: dict[str, Any] = {"port": None, "pci_id": None, "link": None}
    rack = CardExpected(name="rack", slot=slot, carrier=carrier_kind, bays=4, **named)
    nothing: dict[str, Any] = dict.fromkeys(("slot", "model", "serial", "link", "alone", "together"))
    drives = tuple(DriveExpected(name=f"reel-{one}", card="rack", bay=one, **nothing) for one in range(1, bays + 1))
    return Expectations(source="sheet.toml", ports={}, cards=(rack,), drives=drives, needs=())


@pytest.mark.parametrize("bays", [0, 3, 4])
def test_a_sheet_says_what_should_answer_in_its_slots(bays: int) -> None:
    """Where the sheet has a part, what is missing is the plan's matter; a slot that it leaves out is still told."""
    tower = split("###.")
    found = seen(tower, planned=expected("SLOT1", "passive", bays))
    assert [] == absent(found)
    assert (bays > 3) == ("plan-part-missing" in [one.rule for one in found.findings])
    assert 1 == len(absent(seen(tower, planned=expected("SLOT2", "passive", 1))))


@pytest.mark.parametrize("bays", [0, 2])
def test_a_sheet_says_what_should_be_behind_its_switch(bays: int) -> None:
    """A carrier of the sheet has the drives that the sheet gives it, and it is the plan's matter if it has none."""
    tower = on_card(bay(), bay(number=102))
    found = seen(tower, planned=expected("SLOT3", "switch", bays))
    assert [] == absent(found)
    assert (bays > 0) == ("plan-part-missing" in [one.rule for one in found.findings])
    assert 1 == len(absent(seen(tower, planned=expected("SLOT9", "none", 0))))


# --- In a comparison -------------------------------------------------------------------------------------------


def gains(before: Audit, after: Audit) -> list[tuple[str, str, str]]:
    """How each finding of the two rules changed: kind, rule, direction."""
    told = [(one.kind, one.after or one.before, one.direction) for one in compare(before, after).findings]
    return [(kind, one.rule, way) for kind, one, way in told if one is not None and one.rule in {PART, SWITCH}]


def test_a_part_that_answers_again_is_cleared() -> None:
    """A drive more in the slot is one finding less, and a change without praise or blame."""
    half, whole = seen(split("###.")), seen(split("####"))
    assert [("cleared", PART, "other")] == gains(half, whole)
    assert [("gained", PART, "other")] == gains(whole, half)
    assert [("changed", PART, "other")] == gains(seen(split("##..")), half)


def test_a_switch_that_gets_its_drives_is_cleared() -> None:
    """The first drive behind a carrier clears the note."""
    bare, fitted = (seen(bench_2({"PCIE1": [carrier((3, 16), drives)]})) for drives in ([], [reel_3("A")]))
    assert [("cleared", SWITCH, "other")] == gains(bare, fitted)
    assert [("gained", SWITCH, "other")] == gains(fitted, bare)


@pytest.mark.parametrize("name", ["bench-1-half-carrier", "bench-2-bare-switch"])
def test_what_one_side_could_not_read_is_neither_gained_nor_cleared(name: str) -> None:
    """An ordinary user's reading has none of these notes, which is no change of the machine."""
    tree = MACHINES[name]().tree
    root, user = seen(tree), seen(tree, privileged=False)
    assert absent(root)
    assert ([], []) == (gains(root, user), gains(user, root))


def test_one_port_that_fails_on_one_side_is_neither_gained_nor_cleared() -> None:
    """Where the part that the note names could not be read, the note is not cleared."""
    tree = build(with_peers(split("###.")))
    whole = seen(tree)
    tree.put(config(tree, PARTS[3]), tree.read(config(tree, PARTS[3]))[:64])
    torn = seen(tree)
    assert (1, 0) == (len(absent(whole)), len(absent(torn)))
    assert ([], []) == (gains(whole, torn), gains(torn, whole))


# --- Odd carriers ----------------------------------------------------------------------------------------------


def in_slot(*fitted: Function, lanes: int = 8) -> Machine:
    """A machine with one slot and what is in it."""
    port = root_port("01.0", (4, lanes), list(fitted), slot=Slot(number=1, name="SLOT1"))
    return Machine(name="bench-9", buses={"0000:00": [port]})


def test_a_switch_behind_a_switch_has_the_bays_of_the_last() -> None:
    """Ports that lead to the next switch are no bays; those at the end of the way are."""
    (finding,) = of(
        seen(in_slot(switch((4, 8), [downstream_port((4, 8), [switch((4, 8), [bay(), bay(number=102)])])]))), SWITCH
    )
    assert "if one is fitted at one of its 2 ports" in finding.headline
    assert "nothing behind 0000:04:00.0 and 0000:04:01.0" == finding.evidence[0].read


def test_a_switch_that_ends_in_a_switch_without_ports_is_left_alone() -> None:
    """Where no port is at the end of the way, nothing is claimed, and nothing was missed."""
    found = seen(in_slot(switch((4, 8), [downstream_port((4, 8), [switch((4, 8), [])])])))
    assert ([], []) == (absent(found), not_told(found, "drives behind"))


def test_a_switch_below_a_port_of_an_emulator_is_left_alone() -> None:
    """No slot has 32 lanes: what hangs there is made as it is asked for (common practice)."""
    assert [] == absent(seen(in_slot(switch((4, 8), [bay()]), lanes=32)))
    assert 1 == len(absent(seen(in_slot(switch((4, 8), [bay()]), lanes=16))))


def test_a_switch_with_something_unread_beside_it_may_be_a_device() -> None:
    """A second function of the card, of which nobody knows what it is, may be the device: nothing is claimed."""
    whole = facts(build(in_slot(switch((4, 8), [bay()]), card("encryption", (4, 8)))))
    lost = Unread("class", "the device gave an error")
    spoilt = tuple(replace(one, class_code=lost) if one.address.endswith("01:00.1") else one for one in whole.functions)
    assert [] == absent(audit(replace(whole, functions=spoilt)))


def test_a_drive_wider_than_its_part_may_sit_across_the_slot() -> None:
    """A drive of eight lanes in a part with four takes the lanes of the next: no other part is said to be silent."""
    wide, fits = drive((4, 8)), drive((4, 4))
    assert [[], 1] == [absent(seen(bench_1({"SLOT1": [wide]}, split=True))), len(absent(seen(split("#..."))))]
    assert 1 == len(absent(seen(bench_1({"SLOT1": [fits]}, split=True))))


def test_a_drive_of_unread_class_is_a_drive_by_the_systems_word() -> None:
    """Where the class of the only function that answers failed, the drive that the system has there tells."""
    tree = build(split("#..."))
    (whole, lost) = facts(tree), Unread("class", "the device gave an error")
    address = next(one.address for one in whole.drives if one.kind == "nvme" and isinstance(one.address, str))
    spoilt = tuple(replace(one, class_code=lost) if one.address == address else one for one in whole.functions)
    assert absent(seen(tree)) == absent(audit(replace(whole, functions=spoilt)))
