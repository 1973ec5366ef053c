"""Which part is which, step by step, and what took the place of what is gone: the cases that only one step decides."""

from __future__ import annotations

from typing import Final

import pytest
from msgspec.structs import replace

from agent.audit import audit
from agent.compare.doubts import Doubts
from agent.compare.fitted import FittedMachine
from agent.compare.losses import NONE_LOST, lost
from agent.compare.matching import MatchedMachines, depth_of, may_be, roots
from agent.compare.whole import compare
from knowledge import pcie
from probes.decode import Registers
from probes.unread import Unread
from tests import kept
from tests.boards import bench_1, carrier, gigabit, reel_3, reel_4
from tests.build import build, facts
from tests.parts import Function, Machine, Slot, root_port
from tests.test_compare import NOTHING, parts, seen, unnamed
from tests.test_compare_losses import lost as lost_parts
from tests.test_compare_losses import told

ROOT: Final = Unread("what was asked for", "given to the super-user only", needs_root=True)


def ports(*fitted: tuple[str, str, Function | None]) -> Machine:
    """A machine with ports by their position and the name of their slot ("": none), and what sits there."""
    return Machine(
        name="bench-9",
        buses={
            "0000:00": [
                root_port(
                    at,
                    (4, 16),
                    [] if part is None else [part],
                    slot=Slot(number=int(slot[-1]), name=slot) if slot else None,
                )
                for at, slot, part in fitted
            ]
        },
    )


# --- Which is which ------------------------------------------------------------------------------------------------


def test_a_drive_alone_does_not_tell_its_carrier() -> None:
    """Two alike carriers with a drive each, and the drives changed places: the drives moved, and no carrier did."""
    before, after = (
        bench_1({"SLOT1": [carrier((3, 8), [reel_3(one)])], "SLOT2": [carrier((3, 8), [reel_3(two)])]})
        for one, two in (("A-1", "A-2"), ("A-2", "A-1"))
    )
    moves = {(kind, name.partition(" (")[0]) for kind, name, _, _ in parts(compare(seen(before), seen(after)))}
    assert {("moved", "Ostrayne Reel 3 2TB")} == moves


def test_a_carrier_is_known_before_the_drives_on_it() -> None:
    """Of two drives without numbers on one of two alike carriers one is gone: the other is still in its bay."""

    def rack(*drives: list[Function]) -> Machine:
        card = carrier((3, 8), [unnamed(), unnamed()])
        bays = [port for port in card.below if port.below]
        for bay, fitted in zip(bays, drives, strict=True):
            bay.below[:] = fitted
        return bench_1({"SLOT1": [carrier((3, 8), [])], "SLOT2": [card]})

    found = compare(seen(rack([unnamed()], [unnamed()])), seen(rack([], [unnamed()])))
    assert [("removed", "port 1 of the card in SLOT2", "")] == [one[:1] + one[2:] for one in parts(found)]


def test_slots_tell_more_than_the_numbers_of_their_ports() -> None:
    """A firmware numbered two ports the other way round: what is in each slot is what was in it."""
    fast, slow = reel_3(" "), reel_3(" ", now=(3, 2))
    before = ports(("01.0", "SLOT1", fast), ("02.0", "SLOT2", slow))
    after = ports(("02.0", "SLOT1", reel_3(" ")), ("01.0", "SLOT2", reel_3(" ", now=(3, 2))))
    assert NOTHING == compare(seen(before), seen(after)).verdict


@pytest.mark.parametrize(
    ("given", "found"),
    [
        ({}, 3),
        ({pcie.LANE_ERROR_STATUS: ROOT}, 2),
        ({pcie.LINK_STATUS: ROOT}, 1),
        ({pcie.LINK_STATUS: ROOT, pcie.LANE_ERROR_STATUS: ROOT}, 1),
    ],
)
def test_the_depth_of_a_link_is_the_least_that_was_read(given: dict[object, Unread], found: int) -> None:
    """What only root is given tells how deep the reading went; of several functions the least deep counts."""
    one = kept.function("01:00.0", kept.NVME, registers=Registers.of(given))  # type: ignore[arg-type]
    other = kept.function("00:01.0", kept.BRIDGE, registers=Registers.of({}))
    assert [found] * 3 == [depth_of((one,)), depth_of((one, other)), depth_of((other, one))]
    assert 3 == depth_of(())


def test_two_serial_numbers_are_two_parts() -> None:
    """A number that differs speaks against two parts being one; a number that one side lacks does not."""
    things = [
        next(one for one in FittedMachine(audit(kept.facts(kept.port(), kept.device(), drives=(drive,)))).things)
        for drive in (kept.drive(serial="A-1"), kept.drive(serial="A-2"), kept.drive(serial=None))
    ]
    told = [may_be(things[0], other) for other in things]
    assert [True, False, True] == told


def on_root(root: str, *places: str, parent: str | None = None) -> list[object]:
    """Functions on a root bus."""
    return [kept.function(f"{place}", kept.NETWORK, parent, root=root) for place in places]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            on_root("a", "00:01.0", "00:02.0"),
            on_root("x", "01:01.0", "01:02.0") + on_root("y", *(f"02:0{n}.0" for n in range(1, 7))),
        ),
        (
            on_root("a", "00:01.0") + on_root("a", "03:08.0", "03:09.0", parent="00:01.0"),
            on_root("x", "01:01.0") + on_root("y", "02:05.0") + on_root("y", "04:08.0", "04:09.0", parent="02:05.0"),
        ),
    ],
    ids=["share of all that is there", "on the bus itself"],
)
def test_a_root_bus_is_the_one_with_the_most_in_common(before: list[object], after: list[object]) -> None:
    """What counts is the share of what sits on both, not how much there is, and only what sits on the bus itself."""
    found = roots(audit(kept.facts(*before)), audit(kept.facts(*after)))  # type: ignore[arg-type]
    assert "a" == found.get("x")


# --- What is gone --------------------------------------------------------------------------------------------------


def rack(*serials: str) -> Function:
    """A carrier with drives of these numbers, one a bay; an empty one leaves its bay without."""
    card = carrier((3, 8), [reel_3(serial or "x") for serial in serials])
    for bay, serial in zip(card.below, serials, strict=False):
        if not serial:
            bay.below.clear()
    return card


def test_a_drive_replaces_the_one_of_its_own_bay_first() -> None:
    """Of two drives on a carrier both are gone, and a new one came into the second bay: the first is lost.

    A card was put in before it, so that all parts have other numbers.
    """
    found = told({"SLOT3": [rack("A-1", "A-2")]}, {"SLOT1": [gigabit()], "SLOT3": [rack("", "B-1")]})
    assert [("port 1 of the card in SLOT3", "worse"), ("port 2 of the card in SLOT3", "other")] == sorted(
        lost_parts(found)
    )


def test_a_drive_in_another_bay_of_the_same_carrier_replaces_one() -> None:
    """One is gone from the first bay and a new one came into the second: an exchange, as both sit in one slot."""
    found = told({"SLOT3": [rack("A-1", "")]}, {"SLOT3": [rack("", "B-1")]})
    assert [("port 1 of the card in SLOT3", "other")] == lost_parts(found)


def test_ports_without_a_slot_are_told_by_their_positions() -> None:
    """Two drives at ports without slots are gone, and one came to the second port: the first is lost."""
    before = ports(("01.0", "", reel_3("A-1")), ("02.0", "", reel_3("A-2")))
    after = ports(("01.0", "", None), ("02.0", "", reel_3("B-1")))
    assert [("port 0000:00:01.0", "worse"), ("port 0000:00:02.0", "other")] == lost_parts(
        compare(seen(before), seen(after))
    )


def test_a_carrier_of_which_one_drive_is_lost_is_lost_too() -> None:
    """Only where all that sat on a carrier went elsewhere has it been emptied; here one drive did not come along."""
    found = told({"SLOT3": [carrier((3, 8), [reel_3("A-1"), reel_3("A-2")])]}, {"M2_1": [reel_3("A-1")]})
    assert [("SLOT3", "worse"), ("port 2 of the card in SLOT3", "worse")] == lost_parts(found)


def test_a_new_drive_elsewhere_replaces_none() -> None:
    """A drive came into one slot while that of another is gone: it may as well have died."""
    found = told(
        {"M2_1": [reel_4("A-1")], "M2_2": [reel_4("A-2")]}, {"M2_1": [reel_4("A-1")], "SLOT3": [reel_3("B-1")]}
    )
    assert [("M2_2", "worse")] == lost_parts(found)


def test_a_device_of_the_board_that_is_gone_is_no_loss() -> None:
    """Nobody takes it out, and nothing comes in its place: a setting of the firmware hides it."""
    before = facts(build(bench_1({})))
    hidden = next(one for one in before.functions if one.address == "0000:00:14.2")
    after = replace(before, functions=tuple(one for one in before.functions if one != hidden))
    pair = MatchedMachines(audit(before), audit(after))
    assert ["0000:00:14.2"] == [thing.address for thing in pair.removed()]
    assert NONE_LOST == lost(pair, Doubts())
