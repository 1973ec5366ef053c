"""The steps of a plan, carried out one by one on a machine of names: they are possible, and they lead there."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as some
from msgspec.structs import replace

from agent.planner import moves
from agent.planner.fits import hidden
from agent.planner.moves import steps
from agent.planner.result import NeedSeen, Unplaced
from agent.sheets.paths import today
from agent.sheets.sheet import DrivePlace, Placement, StripeSpec
from knowledge.steps import BACKUP, HANDS, LICENSED, MANUAL, SETUP
from tests.small_sheets import FOUR_WAYS, card, drive, drives, passive, sheet, slot, socket, switch

if TYPE_CHECKING:
    from agent.model.findings import Step
    from agent.sheets.sheet import Sheet

PATTERNS = {
    moves.TAKE_CARD: r"Take (?P<card>\S+) out of (?P<start>[^\s.;,]+)",
    moves.FIT_CARD: r"Fit (?P<card>\S+) into (?P<slot>\S+)\.",
    moves.MOVE_CARD: r"Move (?P<card>\S+) from (?P<start>\S+) to (?P<slot>\S+)\.",
    moves.TAKE_DRIVE: r"Take (?P<drive>\S+) out of (?:bay (?P<bay>\d+) of )?(?P<start>[^\s.;,]+)",
    moves.FIT_DRIVE: r"Fit (?P<drive>\S+) into (?:bay (?P<bay>\d+) of )?(?P<holder>[^\s.(]+)",
    moves.MOVE_DRIVE: r"Move (?P<drive>\S+) from (?:bay \d+ of )?\S+ to (?:bay (?P<bay>\d+) of )?(?P<holder>[^\s.(]+)",
}


class Bench:
    """A machine that does what the steps say and refuses what hands could not do."""

    def __init__(self, one: Sheet) -> None:
        """Begin with today."""
        now = today(one)
        self.cards, self.drives = dict(now.cards), dict(now.drives)
        self.slots = {place.label: place for place in one.slots}
        self.specs = {part.name: part for part in one.cards}

    def do(self, step: Step) -> None:
        """One step; those without hands on parts do nothing here."""
        pattern = PATTERNS.get(step.action)
        if pattern is None:
            return
        words = re.match(pattern, step.text)
        assert words is not None, step.text
        said = words.groupdict()
        if step.action == moves.TAKE_CARD:
            assert said["start"] == self.cards.pop(said["card"])
        elif step.action == moves.TAKE_DRIVE:
            del self.drives[said["drive"]]
        elif "card" in said:
            assert (step.action == moves.MOVE_CARD) == (said["card"] in self.cards)
            self.cards.pop(said["card"], None)
            self._must_be_free({said["slot"], *hidden(self.slots[said["slot"]], self.specs[said["card"]])})
            self.cards[said["card"]] = said["slot"]
        else:
            assert (step.action == moves.MOVE_DRIVE) == (said["drive"] in self.drives)
            place = DrivePlace(said["holder"], int(said["bay"]) if said["bay"] else None)
            assert place not in self.drives.values()
            if place.bay is None:
                assert place.holder not in self._hidden()
            self.drives[said["drive"]] = place

    def _hidden(self) -> set[str]:
        return {one for name, label in self.cards.items() for one in hidden(self.slots[label], self.specs[name])}

    def _must_be_free(self, labels: set[str]) -> None:
        used = {*self.cards.values(), *self._hidden()}
        used |= {place.holder for place in self.drives.values() if place.bay is None}
        assert labels.isdisjoint(used)


def carried_out(one: Sheet, after: Placement) -> list[str]:
    """The actions that lead to a placement, after they have been carried out and have led there."""
    bench = Bench(one)
    found = steps(one, after, {})
    for step in found:
        bench.do(step)
    assert (after.cards, after.drives) == (bench.cards, bench.drives)
    return [step.action for step in found]


FOUR = [slot("SLOT1", 16), slot("SLOT2", 16), slot("SLOT3", 16), slot("SLOT4", 16)]


def test_a_ring_of_cards_is_opened_by_taking_one_out() -> None:
    """Three cards that go round need one to be taken out, two moves and a fitting."""
    cards = [card(f"c{number}", slot=f"SLOT{number}") for number in (1, 2, 3)]
    after = Placement({"c1": "SLOT2", "c2": "SLOT3", "c3": "SLOT1"}, {})
    actions = carried_out(sheet(FOUR[:3], cards), after)
    expected = [moves.TAKE_CARD, moves.MOVE_CARD, moves.MOVE_CARD, moves.FIT_CARD]
    assert [moves.NOTE_PLACES, moves.OPEN, *expected, moves.CLOSE, moves.PROVE] == actions


def test_a_chain_of_cards_moves_from_its_free_end() -> None:
    """Where the last slot of a chain is free, each card moves once and none is laid aside."""
    cards = [card(f"c{number}", slot=f"SLOT{number}") for number in (1, 2, 3)]
    after = Placement({"c1": "SLOT2", "c2": "SLOT3", "c3": "SLOT4"}, {})
    assert [moves.MOVE_CARD] * 3 == carried_out(sheet(FOUR, cards), after)[2:-2]


def test_a_ring_of_drives_is_opened_by_taking_one_out() -> None:
    """Two drives change places in sockets by way of the table."""
    fitted = [drive("d1", slot="M1"), drive("d2", slot="M2")]
    after = Placement({}, {"d1": DrivePlace("M2", None), "d2": DrivePlace("M1", None)})
    actions = carried_out(sheet([socket("M1"), socket("M2")], [], fitted), after)
    assert [moves.TAKE_DRIVE, moves.MOVE_DRIVE, moves.FIT_DRIVE] == actions[2:-2]


def test_a_drive_under_a_wide_card_is_reached_first() -> None:
    """A wide card that moves is taken out before a drive goes into the socket it hides."""
    slots = [slot("SLOT1", 16, covers=("M1",)), slot("SLOT2", 16), socket("M1")]
    wide = card("display", 16, wide=2, slot="SLOT1")
    after = Placement({"display": "SLOT2"}, {"d1": DrivePlace("M1", None)})
    actions = carried_out(sheet(slots, [wide], [drive("d1")]), after)
    assert [moves.TAKE_CARD, moves.FIT_DRIVE, moves.FIT_CARD] == actions[2:-2]


def test_a_wide_card_waits_for_what_it_will_hide() -> None:
    """A drive leaves its socket, and a neighbour its slot, before a wide card hides them."""
    slots = [slot("SLOT1", 16, covers=("SLOT2", "M1")), slot("SLOT2"), slot("SLOT3"), socket("M1"), socket("M2")]
    cards = [card("display", 16, wide=2), card("net", slot="SLOT2")]
    after = Placement({"display": "SLOT1", "net": "SLOT3"}, {"d1": DrivePlace("M2", None)})
    actions = carried_out(sheet(slots, cards, [drive("d1", slot="M1")]), after)
    assert [moves.MOVE_DRIVE, moves.MOVE_CARD, moves.FIT_CARD] == actions[2:-2]


def test_what_has_no_place_comes_out() -> None:
    """Cards and drives without a place are taken out before others are fitted."""
    slots = [slot("SLOT1", 16), socket("M1")]
    fitted = [drive("old", slot="M1"), drive("new")]
    after = Placement({"two": "SLOT1"}, {"new": DrivePlace("M1", None)})
    actions = carried_out(sheet(slots, [card("one", slot="SLOT1"), card("two")], fitted), after)
    assert [moves.TAKE_CARD, moves.TAKE_DRIVE, moves.FIT_DRIVE, moves.FIT_CARD] == actions[2:-2]


@given(some.data())
def test_any_change_of_places_can_be_carried_out(data: some.DataObject) -> None:
    """From any placing to any other, wide cards and rings included, the steps are possible and lead there."""
    slots = [
        slot(f"SLOT{number}", 16, covers=(f"SLOT{number + 1}",) if number < 5 else ("M1",)) for number in range(1, 6)
    ]
    slots += [socket("M1"), socket("M2"), socket("M3")]
    names = [f"c{number}" for number in range(1, 5)]
    cards = {name: switch(name, 2, wide=2 if name == "c1" else 1) for name in names}
    parts = [f"d{number}" for number in range(1, 6)]

    def placing() -> Placement:
        labels = data.draw(some.permutations([one.label for one in slots if one.kind == "card"]))
        where = dict(zip(names, labels[: data.draw(some.integers(0, 4))], strict=False))
        by_label = {one.label: one for one in slots}
        gone = {one for name, label in where.items() for one in hidden(by_label[label], cards[name])}
        where = {name: label for name, label in where.items() if label not in gone}
        spots = [DrivePlace(name, bay) for name in where for bay in (1, 2)]
        spots += [DrivePlace(one.label, None) for one in slots if one.kind == "m.2" and one.label not in gone]
        chosen = data.draw(some.permutations(spots)) if spots else []
        return Placement(where, dict(zip(parts, chosen[: data.draw(some.integers(0, 5))], strict=False)))

    before, after = placing(), placing()
    fitted_cards = [switch(name, 2, wide=cards[name].wide, slot=before.cards.get(name)) for name in names]
    fitted = []
    for name in parts:
        place = before.drives.get(name)
        if place is None:
            fitted.append(drive(name))
        elif place.bay is None:
            fitted.append(drive(name, slot=place.holder))
        else:
            fitted.append(drive(name, card=place.holder, bay=place.bay))
    carried_out(sheet(slots, fitted_cards, fitted), after)


# --- Cautions, records, setup, proof -----------------------------------------------------------------------------


def moved(**more: object) -> tuple[Step, ...]:
    """A passive carrier with two drives that goes from a whole slot to one that can be split; a display comes there."""
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS), slot("SLOT2", 16, splits=FOUR_WAYS)]
    cards = [passive("rack", slot="SLOT1"), card("display", 16, cable_watts=150.0)]
    fitted = [drive("d1", card="rack", bay=1), drive("d2", card="rack", bay=2)]
    after = Placement({"rack": "SLOT2", "display": "SLOT1"}, {"d1": DrivePlace("rack", 1), "d2": DrivePlace("rack", 2)})
    return steps(sheet(slots, cards, fitted, **more), after, {"d1": 3600.0, "d2": 3500.0})


def test_cautions_stand_on_the_steps_that_need_them() -> None:
    """Hands go inside with all cautions of the trade, settings with theirs, supply cables with the licensed one."""
    by_action = {step.action: step for step in moved()}
    assert (BACKUP,) == by_action[moves.NOTE_PLACES].cautions
    for action in (moves.OPEN, moves.MOVE_CARD, moves.FIT_CARD):
        assert HANDS == by_action[action].cautions
    assert (*HANDS, LICENSED) == by_action[moves.CABLE].cautions
    assert (SETUP, BACKUP, MANUAL) == by_action[moves.SPLIT].cautions
    assert (SETUP, MANUAL) == by_action[moves.JOIN].cautions
    assert () == by_action[moves.PROVE].cautions
    assert all(step.verify for step in moved())


def test_the_split_goes_with_the_carrier() -> None:
    """The new slot is split, which brings the second drive; the old one is set back for the card that comes there."""
    by_action = {step.action: step for step in moved()}
    assert "SLOT2 into 4+4+4+4" in by_action[moves.SPLIT].text
    assert 3500.0 == by_action[moves.SPLIT].gain_mbps
    assert "set SLOT1 back" in by_action[moves.JOIN].text
    order = [step.action for step in moved()]
    assert [moves.JOIN, moves.SPLIT, moves.PROVE] == order[-3:]


def test_a_split_that_is_there_is_left_alone() -> None:
    """A carrier that stays with its drives needs no setting; another drive in a slot already split neither."""
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS)]
    fitted = [drive("d1", card="rack", bay=1), drive("d2", card="rack", bay=2), drive("d3")]
    after = Placement({"rack": "SLOT1"}, {f"d{bay}": DrivePlace("rack", bay) for bay in (1, 2, 3)})
    actions = carried_out(sheet(slots, [passive("rack", slot="SLOT1")], fitted), after)
    hands = [moves.TAKE_CARD, moves.FIT_DRIVE, moves.FIT_CARD]
    assert [moves.NOTE_PLACES, moves.OPEN, *hands, moves.CLOSE, moves.PROVE] == actions


@pytest.mark.parametrize(("bays", "splits"), [(1, 0), (2, 1)])
def test_one_drive_needs_no_split(bays: int, splits: int) -> None:
    """A slot is split only for drives beyond the first bay."""
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS)]
    after = Placement({"rack": "SLOT1"}, {f"drive-{bay}": DrivePlace("rack", bay) for bay in range(1, bays + 1)})
    assert splits == carried_out(sheet(slots, [passive("rack")], drives(bays)), after).count(moves.SPLIT)


def test_a_drive_in_a_slot_of_the_same_name_is_not_on_the_carrier() -> None:
    """A slot of drives that is called as the carrier is asks for no split: its drive has lanes of its own."""
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS), socket("rack")]
    after = Placement({"rack": "SLOT1"}, {"drive-1": DrivePlace("rack", 1), "drive-2": DrivePlace("rack", None)})
    assert 0 == carried_out(sheet(slots, [passive("rack")], drives(2)), after).count(moves.SPLIT)


def test_places_and_stripes_are_noted_first() -> None:
    """The first step records where each part sits, which drives belong together, and the boot order."""
    stripes = (StripeSpec("scratch", 0, ("d1", "d2")),)
    first = moved(stripes=stripes)[0]
    assert moves.NOTE_PLACES == first.action
    for words in ("rack in SLOT1", "d2 in bay 2 of rack in SLOT1", "scratch (d1 and d2)", "boot order"):
        assert words in first.text


def test_nothing_to_move_leaves_the_proof_alone() -> None:
    """A plan that changes nothing has one step, and no parts have none."""
    still = sheet([slot("SLOT1", 16)], [card("net", slot="SLOT1")])
    assert [moves.PROVE] == [step.action for step in steps(still, today(still), {})]
    assert () == steps(sheet([slot("SLOT1", 16)]), Placement({}, {}), {})


def test_the_machine_is_closed_before_its_firmware_setup() -> None:
    """The setup comes after the machine is closed and started into it; where no hands went in, nothing is closed."""
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS)]
    new = sheet(slots, [passive("rack")], drives(2))
    after = Placement({"rack": "SLOT1"}, {"drive-1": DrivePlace("rack", 1), "drive-2": DrivePlace("rack", 2)})
    found = steps(new, after, {})
    actions = [step.action for step in found]
    assert [moves.FIT_CARD, moves.CLOSE, moves.SPLIT, moves.PROVE] == actions[-4:]
    assert "Close the machine, plug it in and start it into its firmware setup." == found[-3].text
    assert () == found[-3].cautions
    whole = steps(new, replace(after, drives={"drive-1": DrivePlace("rack", 1)}), {})
    assert "Close the machine, plug it in and start it." == whole[-2].text
    fitted = [drive("a", card="rack", bay=1), drive("b", card="rack", bay=2)]
    done = sheet(slots, [passive("rack", slot="SLOT1")], fitted)
    assert moves.CLOSE not in [step.action for step in steps(done, today(done), {})]


def test_a_card_that_comes_out_for_its_bays_is_told_in_plain_words() -> None:
    """A card that moves comes out with what is on it, and what for stands apart from that."""
    slots = [slot("SLOT1", 4, connector=16), slot("SLOT2", 16)]
    one = sheet(slots, [switch("rack", slot="SLOT1")], [drive("a", card="rack", bay=1), drive("b")])
    after = Placement({"rack": "SLOT2"}, {"a": DrivePlace("rack", 1), "b": DrivePlace("rack", 2)})
    texts = [step.text for step in steps(one, after, {})]
    assert "Take rack out of SLOT1, with its drive, to get at its bays." in texts


def test_supply_cables_come_off_before_their_card_moves() -> None:
    """A card with cables of its own is disconnected before it leaves its slot, with all cautions."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 16), slot("SLOT3", 16)]
    cards = [card("display", 16, cable_watts=150.0, slot="SLOT1"), card("net", slot="SLOT2")]
    moved_on = steps(sheet(slots, cards), Placement({"display": "SLOT3", "net": "SLOT2"}, {}), {})
    order = [step.action for step in moved_on]
    assert [moves.UNPLUG, moves.MOVE_CARD, moves.CABLE] == order[2:-2]
    assert (*HANDS, LICENSED) == next(step.cautions for step in moved_on if step.action == moves.UNPLUG)
    swapped = [
        step.action for step in steps(sheet(slots, cards), Placement({"display": "SLOT2", "net": "SLOT1"}, {}), {})
    ]
    assert swapped.index(moves.UNPLUG) < min(swapped.index(moves.TAKE_CARD), swapped.index(moves.MOVE_CARD))
    out = [step.action for step in steps(sheet(slots, cards), Placement({"net": "SLOT2"}, {}), {})]
    assert [moves.UNPLUG, moves.TAKE_CARD] == out[2:-2]


@pytest.mark.parametrize(("form", "taken_out"), [("m.2", True), ("u.2", False)])
def test_a_card_comes_out_where_its_bays_are_on_it(form: str, taken_out: bool) -> None:  # noqa: FBT001 - a case
    """Bays of M.2 drives are reached with the card on the table (common practice), drives on cables without that."""
    rack = switch("rack", slot="SLOT1", bay_form=form)
    one = sheet([slot("SLOT1", 16)], [rack], [drive("a", form=form, card="rack", bay=1), drive("b", form=form)])
    after = Placement({"rack": "SLOT1"}, {"a": DrivePlace("rack", 1), "b": DrivePlace("rack", 2)})
    hands = [moves.TAKE_CARD, moves.FIT_DRIVE, moves.FIT_CARD] if taken_out else [moves.FIT_DRIVE]
    assert hands == carried_out(one, after)[2:-2]


def test_labels_are_looked_for_only_where_they_were_asked_for() -> None:
    """The first step ends with labels where drives belong together, and it asks for them there; else with neither."""
    one = sheet([socket("M1"), socket("M2")], [], [drive("a"), drive("b")])
    after = Placement({}, {"a": DrivePlace("M1", None), "b": DrivePlace("M2", None)})
    for stripes in ((), (StripeSpec("pair", 0, ("a", "b")),)):
        step = steps(replace(one, stripes=stripes), after, {})[0]
        assert bool(stripes) == ("Label " in step.text) == ("label" in step.verify)


def test_the_last_step_promises_only_what_the_plan_holds() -> None:
    """Needs that are not met or at best, and parts without a place, are named in the last step, and nothing else is."""
    one = sheet([socket("M1")], [], [drive("a"), drive("b")])
    needs = (NeedSeen("quiet", "met", ""), NeedSeen("fast", "not met", ""), NeedSeen("near", "at best", ""))
    after = Placement({}, {"a": DrivePlace("M1", None)})
    last = steps(one, after, {}, needs, (Unplaced("b", "M1 is held by a"),))[-1]
    told = 'not meet the need "fast", meets the need "near" at best only and has no place for b'
    assert told in last.verify
    assert "quiet" not in last.verify
    assert "no place" not in steps(one, after, {}, needs[:1])[-1].verify
