"""Sheets of machines that nobody thought of: random boards and cards, and machines whose readings are broken."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.audit import audit
from agent.sheets.expected import expected, limits, same_machine
from agent.sheets.paths import flows, links, today
from agent.sheets.reading import parse
from agent.sheets.writing import from_audit, with_placement
from tests.boards import display, gigabit
from tests.build import Machine, Slot, build, card, downstream_port, drive, facts, root_port, switch
from tests.test_properties import GOOD_CARD, GOOD_PORT, PAIR, broken_trees, spoilt
from tests.tree import Failure

if TYPE_CHECKING:
    from agent.sheets.sheet import Sheet
    from probes.facts import Facts
    from tests.parts import Function
    from tests.tree import Tree

RATES: Final = st.tuples(st.sampled_from((1, 2, 3, 4, 5, 6)), st.sampled_from((1, 2, 4, 8, 12, 16, 32)))
KINDS: Final = st.sampled_from(("card", "card", "card", "m.2", "m.2", "u.2", "edsff", "mini card", "ocp", "other"))
NAMES: Final = st.sampled_from(("", "", "S1", "S2", "SLOT 3", " ", "\x1b[31m", "0000:00:01.0"))


def hold(seen: Facts) -> Sheet:
    """The sheet of a machine, held to what is true of all: it can be read, is its own, and today's places stay."""
    found = audit(seen)
    text = from_audit(found, "capture.json")
    sheet = parse(text, "made.toml")
    assert text == with_placement(text, today(sheet), "made.toml")
    same_machine(sheet, seen)
    planned = expected(sheet)
    assert {drive.name for drive in planned.drives} == {drive.name for drive in sheet.drives}
    assert limits(sheet, found) == {}
    comments = " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))
    named = {drive.name for drive in sheet.drives}
    for one in found.drives:
        assert one.drive.kind != "nvme" or one.drive.name in named or one.drive.name in comments
    return sheet


@st.composite
def fitted(draw: st.DrawFn, depth: int = 0) -> list[Function]:
    """What may be below a port."""
    kind = draw(
        st.sampled_from(("nothing", "drive", "drive", "network", "display", "gigabit", *["switch"] * (2 - depth)))
    )
    can = draw(RATES)
    if kind == "switch":
        ports = [
            downstream_port(draw(RATES), draw(fitted(depth + 1)), slot=draw(st.none() | slots()))
            for _ in range(draw(st.integers(1, 5)))
        ]
        return [switch(can, ports, model=draw(NAMES))]
    made: dict[str, list[Function]] = {
        "nothing": [],
        "drive": [drive(can)],
        "network": [card("network", can)],
        "display": display(can),
        "gigabit": [gigabit(can)],
    }
    return made[kind]


@st.composite
def slots(draw: st.DrawFn) -> Slot:
    """What firmware and port may say of a slot."""
    return Slot(
        number=draw(st.integers(0, 4)),
        name=draw(NAMES),
        kind=draw(KINDS),
        generation=draw(st.sampled_from((2, 3, 4, 5))),
        connector=draw(st.sampled_from((1, 4, 8, 16))),
        wired=draw(st.sampled_from((1, 4, 8, 16))),
        can_split=draw(st.booleans()),
        watts=draw(st.sampled_from((0, 10, 25, 75))),
        usage=draw(st.sampled_from((None, None, None, "unavailable"))),
        points_at=draw(st.sampled_from(("card", "port", "nothing"))),
    )


@st.composite
def split_slot(draw: st.DrawFn) -> list[Function]:
    """The ports of one slot that is split, with drives in some of its groups and now and then something else."""
    widths = draw(
        st.sampled_from(((4, 4, 4, 4), (8, 8), (8, 4, 4), (4, 4), (2, 2), (1, 2), (12, 4), (4, 4, 8), (4, 2)))
    )
    below = st.sampled_from((True, True, False)).flatmap(lambda full: RATES.map(lambda can: [drive(can)] * full))
    return [
        root_port(
            f"05.{number}",
            (draw(st.sampled_from((3, 4, 5))), width),
            draw(below | fitted(depth=2)),
            slot=Slot(number=9, name="SPLIT" if number == 0 else "", can_split=True, wired=16),
        )
        for number, width in enumerate(widths)
    ]


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """A machine of up to eight root ports, and often a split slot."""
    places = [f"{device:02x}.{function}" for device in range(1, 5) for function in range(2)]
    ports = [
        root_port(at, draw(RATES), draw(fitted()), slot=draw(st.none() | slots() | slots()))
        for at in draw(st.lists(st.sampled_from(places), min_size=1, max_size=8, unique=True).map(sorted))
    ]
    ports += draw(st.just([]) | split_slot())
    return Machine(name="bench-9", buses={"0000:00": ports}, tables=draw(st.booleans() | st.just(value=True)))


@pytest.mark.long
@settings(max_examples=200)
@given(machines(), st.booleans())
def test_any_machine_gives_a_sheet_that_can_be_read(machine: Machine, privileged: bool) -> None:  # noqa: FBT001
    """Whatever sits in whatever slots, the sheet is read again, each drive works where it is, and none is lost."""
    sheet = hold(facts(build(machine), privileged=privileged))
    found, _ = flows(sheet, today(sheet))
    assert [drive.name for drive in sheet.drives] == [flow.name for flow in found]
    assert {f"card {one.name}" for one in sheet.cards if one.carrier != "passive"} <= set(links(sheet, today(sheet)))


@pytest.mark.long
@settings(max_examples=100)
@given(broken_trees(), st.booleans())
def test_a_machine_with_broken_readings_gives_a_sheet(tree: Tree, privileged: bool) -> None:  # noqa: FBT001
    """Files that fail, vanish or turn into something else cost entries, not the sheet."""
    hold(facts(tree, privileged=privileged))


@settings(max_examples=100)
@given(spoilt(GOOD_PORT), spoilt(GOOD_CARD))
def test_any_bytes_as_configuration_space_give_a_sheet(port: bytes, below: bytes) -> None:
    """Whatever both ends of a link hold in configuration space, what is written can be read."""
    tree = PAIR.copy()
    for address, config in (("0000:00:01.0", port), ("0000:01:00.0", below)):
        tree.put(f"{tree.resolve(f'/sys/bus/pci/devices/{address}')}/config", config)
    hold(facts(tree))


def test_a_drive_that_answers_nothing_still_has_its_place() -> None:
    """A drive whose every question fails is an entry with what its link says, and a remark on its power."""
    tree = PAIR.copy()
    tree.nvme["identify /dev/nvme0"] = Failure("EIO")
    sheet = hold(facts(tree))
    assert [(one.name, one.generation, one.power_watts) for one in sheet.drives] == [("nvme0", 4, None)]
    assert "could not be read (" in from_audit(audit(facts(tree)), "x")
