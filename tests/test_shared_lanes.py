"""Lanes that slots take from each other: what a slot has beside what is filled, and plans that keep to it.

The rule is stated here a second time, by hand: of all that a slot's `lanes_while` says and that applies, the fewest
lanes count. What a whole plan may reach is held against plans of plain sheets in which no slot takes anything.
"""

from __future__ import annotations

from itertools import chain, combinations
from random import Random
from typing import TYPE_CHECKING, Final

import msgspec
import pytest
from msgspec.structs import replace

from agent.model.expected import Need
from agent.planner.build import arrangement_of, build
from agent.planner.plan import plan
from agent.planner.problem import allowed, score
from agent.planner.result import LanesTaken
from agent.planner.search import search
from agent.report.plan_data import plan as plan_form
from agent.report.planning import plan as page
from agent.sheets.lanes import slot_with, states
from agent.sheets.reading import parse
from agent.sheets.sheet import DrivePlace, LanesWhile, Placement
from agent.sheets.writing import with_placement
from tests.brute import arrangements
from tests.machines import FIXTURES
from tests.small_sheets import FOUR_WAYS, card, drive, drives, passive, sheet, slot, socket, switch

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet, SlotSpec

X8: Final = LanesWhile(("SLOT2",), 8, ((4, 4),))


def lanes_by_hand(place: SlotSpec, filled: Collection[str]) -> int:
    """The lanes that a slot has beside what is filled, worked out on its own."""
    taken = [one.lanes for one in place.lanes_while if all(label in filled for label in one.filled)]
    return min([place.lanes, *taken])


def subsets(labels: Collection[str]) -> Iterator[frozenset[str]]:
    """Every set of these."""
    return map(frozenset, chain.from_iterable(combinations(labels, size) for size in range(len(labels) + 1)))


# --- One slot --------------------------------------------------------------------------------------------------


def test_of_all_that_applies_the_fewest_lanes_count() -> None:
    """A slot of sixteen lanes in a group of three: eight beside one of the others, four beside both."""
    taken = (LanesWhile(("B",), 8), LanesWhile(("C",), 8), LanesWhile(("B", "C"), 4))
    first = slot("A", 16, splits=FOUR_WAYS, lanes_while=taken)
    left = {filled: slot_with(first, filled).lanes for filled in subsets(("B", "C"))}
    assert {frozenset(): 16, frozenset("B"): 8, frozenset("C"): 8, frozenset("BC"): 4} == left


def test_of_the_splits_of_a_slot_those_are_left_that_its_lanes_are_enough_for() -> None:
    """Without splits of its own an entry leaves those that fit; with them, those alone."""
    first = slot("A", 16, splits=(*FOUR_WAYS, (4, 4)), lanes_while=(LanesWhile(("B",), 8),))
    assert ((4, 4),) == slot_with(first, {"B"}).splits
    other = replace(first, lanes_while=(LanesWhile(("B",), 8, ()),))
    assert () == slot_with(other, {"B"}).splits
    assert (*FOUR_WAYS, (4, 4)) == slot_with(other, {"C"}).splits


def random_slot(random: Random, label: str, others: list[str]) -> SlotSpec:
    """A slot with up to four things said of what others take."""
    lanes = random.choice((16, 8, 4))
    taken: dict[tuple[str, ...], int] = {}
    for _ in range(random.randint(0, 4)):
        names = tuple(sorted(random.sample(others, random.randint(1, min(3, len(others))))))
        taken[names] = random.choice([left for left in (0, 1, 2, 4, 8) if left < lanes])
    return slot(label, lanes, lanes_while=tuple(LanesWhile(*one) for one in taken.items()))


def test_each_set_of_filled_slots_is_in_just_one_state() -> None:
    """The states of a slot leave no set of filled slots out and have none twice, with its lanes as by hand."""
    random = Random(14)  # noqa: S311 - repeatable problems, no secrets
    several = 0
    for _ in range(300):
        labels = ["B", "C", "D", "E"]
        first = random_slot(random, "A", labels)
        always = set(random.sample(labels, random.choice((0, 0, 1, 2))))
        found = list(states(first, always))
        several += len(found) > 1
        for filled in subsets(labels):
            if always <= filled:
                mine = [one for one in found if one.filled <= filled and one.empty.isdisjoint(filled)]
                assert [lanes_by_hand(first, filled)] == [one.slot.lanes for one in mine]
    assert several > 100


# --- Plans -----------------------------------------------------------------------------------------------------


def random_sheet(seed: int) -> Sheet:
    """A small machine of which half of the slots lose lanes, with a card, carriers and drives; nothing is fitted."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    slots = [
        slot("SLOT1", 16, 4, splits=random.choice((FOUR_WAYS, ()))),
        slot("SLOT2", 8, 4, splits=random.choice((((4, 4),), ()))),
        slot("SLOT3", 4, 3),
        socket("M2_1", 4),
    ][: random.choice((3, 4, 4))]
    labels = [one.label for one in slots]
    dead: set[str] = set()
    for number in random.sample(range(len(slots)), len(slots) // 2):
        place = slots[number]
        others = [label for label in labels if label != place.label]
        taken = []
        for label in random.sample(others, random.choice((1, 1, 2))):
            fewer = [lanes for lanes in (0, 2, 4, 8) if lanes < place.lanes]
            left = random.choice(fewer[1:] if label in dead else fewer)
            dead |= set() if left else {place.label}
            taken.append(LanesWhile((label,), left))
        slots[number] = replace(place, lanes_while=tuple(taken))
    cards = [
        *random.choice(([], [card("net", 8, 3, wants_mbps=random.choice((None, 5000.0)))])),
        *random.choice(([passive("four", 4, 16, 4)], [switch("four", 4, 8, 3)], [passive("two", 2, 8, 4)])),
        *random.choice(([], [passive("one", 1, 4, 4)])),
    ]
    return sheet(slots, cards, drives(random.randint(1, 4), generation=random.choice((3, 4))))


def plain(build_sheet: Sheet, filled: frozenset[str]) -> Sheet:
    """The sheet with just these slots, with the lanes that are left to them while all of them are filled."""
    slots = []
    for place in build_sheet.slots:
        lanes = lanes_by_hand(place, filled)
        if place.label in filled and lanes:
            splits = tuple(split for split in place.splits if sum(split) <= lanes)
            slots.append(replace(place, lanes=lanes, splits=splits, lanes_while=()))
    return replace(build_sheet, slots=tuple(slots))


def test_no_plan_of_a_plain_sheet_is_better_and_the_best_of_them_is_as_good() -> None:
    """The best arrangement is the best of those of plain sheets, one for each set of slots that are filled.

    A plain sheet gives each slot the lanes that it has with all of the set filled; where some then stay empty, another
    set gives as many or more. What free slots are worth is left out, as lanes that are taken make them worth less.
    """
    shared = 0
    for seed in range(60):
        whole = random_sheet(seed)
        built = build(whole)
        answer = search(built.problem)
        assert answer.proved, seed
        found = [score(one.problem, search(one.problem).best) for one in map(build, plains(whole))]
        best = max(replace(one, room=0) for one in found)
        assert best == replace(answer.score, room=0), seed
        assert answer.score == max(score(built.problem, one) for one in arrangements(built.problem)), seed
        filled = {whole.slots[built.problem.holders[number].slot].label for number in answer.best.holders}
        shared += any(lanes_by_hand(place, filled) < place.lanes for place in whole.slots if place.label in filled)
    assert shared > 10


def plains(whole: Sheet) -> Iterator[Sheet]:
    """The plain sheets of all sets of slots."""
    return (plain(whole, filled) for filled in subsets([place.label for place in whole.slots]))


def eight_and_eight() -> list[SlotSpec]:
    """Two slots that share sixteen lanes as sixteen, or as eight and eight."""
    return [slot("SLOT1", 16, splits=FOUR_WAYS, lanes_while=(X8,)), slot("SLOT2", 8)]


def test_a_carrier_of_four_has_two_bays_beside_a_card_that_takes_eight_lanes() -> None:
    """With the network card in SLOT2 the carrier in SLOT1 has two bays of four; without the card all of them work."""
    carrier = passive("quad")
    found = plan(sheet(eight_and_eight(), [carrier], drives(4)))
    assert 4 == found.figures.placed
    net = card("net", 8, slot="SLOT2", stays=True)
    both = plan(sheet(eight_and_eight(), [replace(carrier, slot="SLOT1", stays=True), net], drives(4)))
    assert {"quad": "SLOT1", "net": "SLOT2"} == both.placement.cards
    assert {1, 2} == {place.bay for place in both.placement.drives.values()}
    assert (3, 8) == next(one.link for one in both.cards if one.name == "quad")


def test_a_card_that_wants_all_lanes_keeps_its_neighbour_empty() -> None:
    """A card that wants sixteen lanes has them: the drive goes to the socket and not to the slot beside it."""
    display = card("display", 16, wants_mbps=15_000.0)
    slots = [*eight_and_eight(), socket("M2_1", 2)]
    found = plan(sheet(slots, [display, passive("one", 1, 4)], [drive("reel")]))
    assert ["met"] == [need.answer for need in found.needs]
    assert {"reel": DrivePlace("M2_1", None)} == found.placement.drives
    assert {"display": "SLOT1"} == found.placement.cards


def dead_beside() -> list[SlotSpec]:
    """A slot that has no lanes while the socket beside it is filled."""
    return [slot("SLOT4", 4, lanes_while=(LanesWhile(("M2_2",), 0),)), socket("M2_2", 4)]


def test_a_slot_without_lanes_holds_nothing_and_the_reason_is_told() -> None:
    """Of a network card and a drive only one has a place; the other is told who takes its lanes."""
    first = (Need(name="net stays", cards=("net",), in_slot="SLOT4"),)
    found = plan(sheet(dead_beside(), [card("net", slot="SLOT4")], [drive("reel")], needs=first))
    (missing,) = found.unplaced
    assert "reel" == missing.name
    assert "M2_2 is free, but would take lanes of SLOT4, which net holds" == missing.why
    other = plan(sheet(dead_beside(), [card("net")], [drive("reel", slot="M2_2")]))
    assert ("net", "SLOT4 has no lanes, as M2_2 is filled") == (other.unplaced[0].name, other.unplaced[0].why)


def test_a_socket_that_would_take_lanes_is_not_called_hidden() -> None:
    """A drive on a carrier is told whose lanes the free socket takes, or who has taken the socket's own."""
    carrier = passive("one", 1, 4, slot="SLOT1", stays=True)
    first = (Need(name="net stays", cards=("net",), in_slot="SLOT4"),)
    net = card("net", slot="SLOT4")
    found = plan(sheet([slot("SLOT1", 4), *dead_beside()], [carrier, net], [drive("reel")], needs=first))
    assert ["M2_2 would take it, but takes lanes of SLOT4, which net holds"] == [one.why for one in found.drives]
    dead = [slot("SLOT1", 4), slot("SLOT4", 4), socket("M2_2", 4, lanes_while=(LanesWhile(("SLOT4",), 0),))]
    found = plan(sheet(dead, [carrier, net], [drive("reel")], needs=first))
    assert ["M2_2 would take it, but has no lanes, as SLOT4 is filled"] == [one.why for one in found.drives]


def test_what_stays_keeps_its_lanes() -> None:
    """No drive goes into the socket that would take all lanes of a card that stays, however much it would read."""
    found = plan(sheet(dead_beside(), [card("net", slot="SLOT4", stays=True)], drives(2, generation=4)))
    assert {"net": "SLOT4"} == found.placement.cards
    assert {} == found.placement.drives
    kept = passive("two", 2, 8, slot="SLOT1", stays=True)
    fitted = [drive(f"old-{bay}", card="two", bay=bay, stays=True) for bay in (1, 2)]
    slots = [slot("SLOT1", 8, splits=((4, 4),), lanes_while=(LanesWhile(("M2_1",), 4),)), socket("M2_1", 4)]
    other = plan(sheet(slots, [kept], [*fitted, *drives(1, generation=4)]))
    assert {"old-1", "old-2"} == set(other.placement.drives)


@pytest.mark.parametrize(
    ("kept", "fitted"),
    [
        (card("net", slot="SLOT4", stays=True, power_watts=60.0), ()),  # the slot gives 25 W
        (
            passive(
                "two", 2, 4, bay_lanes=2, slot="SLOT4", stays=True
            ),  # bay 2 has no lanes in a slot that is not split
            (drive("old", card="two", bay=2, stays=True),),
        ),
    ],
)
def test_what_stays_against_the_figures_keeps_its_lanes_too(kept: CardSpec, fitted: tuple[DriveSpec, ...]) -> None:
    """A card that stays where the sheet's own figures forbid it is not left out for drives in the socket."""
    found = plan(sheet(dead_beside(), [kept], [*fitted, *drives(2)]))
    assert {kept.name: "SLOT4"} == found.placement.cards
    assert "M2_2" not in {place.holder for place in found.placement.drives.values()}


def test_what_stays_in_two_slots_takes_from_a_third_whatever_else_is_done() -> None:
    """A drive that stays in the socket has taken the lanes of the slot for good."""
    problem = build(sheet(dead_beside(), [card("net")], [drive("boot", slot="M2_2", stays=True)])).problem
    assert [None] == [holder.card for holder in problem.holders]


def test_three_slots_in_a_group_leave_a_part_that_stays_the_lanes_it_needs() -> None:
    """Where two others together would take all lanes of a card that stays, either of them is filled, not both."""
    taken = (LanesWhile(("M2_1", "M2_2"), 0),)
    slots = [slot("SLOT1", 4, lanes_while=taken), socket("M2_1"), socket("M2_2")]
    found = plan(sheet(slots, [card("net", slot="SLOT1", stays=True)], drives(2)))
    assert {"net": "SLOT1"} == found.placement.cards
    assert 1 == len(found.placement.drives)
    loose = plan(sheet(slots, [passive("one", 1, slot="SLOT1")], drives(2)))
    assert 2 == len(loose.placement.drives)


def test_both_slots_of_a_pair_can_lose_lanes_to_each_other() -> None:
    """A slot and a socket share four lanes: alone each has four, together they have two each."""
    pair = [
        slot("SLOT4", 4, 4, lanes_while=(LanesWhile(("M2_2",), 2),)),
        socket("M2_2", 4, lanes_while=(LanesWhile(("SLOT4",), 2),)),
    ]
    both = plan(sheet(pair, [passive("one", 1, 4, 4)], drives(2, generation=4)))
    alone = plan(sheet(pair, [passive("one", 1, 4, 4)], drives(1, generation=4)))
    # 2 lanes of 16 GT/s: 2 x 16 x 128 / 130 / 8 GB/s, of which 256 / 280 are data; 4 lanes twice that.
    assert [3600.9] * 2 == [round(one.together[1], 1) for one in both.drives]
    assert [7201.8] == [round(one.together[1], 1) for one in alone.drives]


def test_a_placement_of_today_is_rated_with_the_lanes_that_it_leaves() -> None:
    """A card in a slot whose lanes are taken is no arrangement, and a drive there does not work today."""
    fitted = [drive("a", card="one", bay=1), drive("b", slot="M2_2")]
    now = sheet(dead_beside(), [passive("one", 1, 4, slot="SLOT4")], fitted)
    found = plan(now)
    assert found.today is not None
    assert 1 == found.today.placed
    built = build(now)
    placement = Placement({"one": "SLOT4"}, {"b": DrivePlace("M2_2", None)})
    arrangement = arrangement_of(built, placement)
    assert arrangement is not None
    assert not allowed(built.problem, arrangement)


# --- The page --------------------------------------------------------------------------------------------------

CHAPTER: Final = FIXTURES.parent / "knowledge" / "manual" / "planning.md"
SHARED: Final = FIXTURES / "sheets" / "bench-2-shared-lanes.toml"


def test_the_page_says_which_lanes_are_taken_and_what_that_costs() -> None:
    """Text and JSON name the slot, what is left to it, who takes the rest, and the bays or lanes that are lost."""
    found = plan(parse(SHARED.read_text(), "shared.toml"))
    bays, dead = found.lanes_taken
    assert LanesTaken("PCIE1", 8, 16, ("PCIE2",), "2 bays of rack have no lanes") == bays
    assert LanesTaken("PCIE3", 0, 4, ("M2B",), "nothing can be in it") == dead
    text = "\n".join(line.plain for line in page(found, 200, "shared.toml").lines)
    assert "taken  PCIE1: 8 of 16 lanes left, as PCIE2 is filled; 2 bays of rack have no lanes" in text
    assert "taken  PCIE3: none of 4 lanes left, as M2B is filled; nothing can be in it" in text
    told = msgspec.json.decode(msgspec.json.encode(plan_form(found)))["lanes_taken"]
    assert ["PCIE1", "PCIE3"] == [one["slot"] for one in told]
    assert {"slot": "PCIE3", "lanes": 0, "wired": 4, "by": ["M2B"], "costs": "nothing can be in it"} == told[1]
    plain_sheet = replace(found.sheet, slots=tuple(replace(one, lanes_while=()) for one in found.sheet.slots))
    assert () == plan(plain_sheet).lanes_taken


def test_the_manual_shows_what_the_program_says() -> None:
    """The example of the manual's chapter on plans stands on the page of its sheet, line by line."""
    _, _, after = CHAPTER.read_text().partition("bench-2-shared-lanes.toml")
    example = after.partition("```text\n")[2].partition("```")[0].splitlines()
    shown = [line.plain.rstrip() for line in page(plan(parse(SHARED.read_text(), "shared.toml")), 80, "here").lines]
    assert "Lanes that slots take from each other" == example[0]
    start = shown.index(example[0])
    assert shown[start : start + len(example)] == example


def test_a_link_and_the_rates_that_taken_lanes_cost_are_told() -> None:
    """A carrier with a switch has half its link: lanes are counted, and what its drives would read more."""
    slots = [slot("SLOT1", 4, 4, lanes_while=(LanesWhile(("M2_1",), 2),)), socket("M2_1", 4)]
    rack = switch("rack", 2, 4, 4, slot="SLOT1", stays=True)
    fitted = [
        drive("a", 4, card="rack", bay=1),
        drive("b", 4, card="rack", bay=2),
        drive("c", 4, slot="M2_1", stays=True),
    ]
    (one,) = plan(sheet(slots, [rack], fitted)).lanes_taken
    # 2 lanes of 16 GT/s carry 2 x 16 x 128 / 130 / 8 GB/s, of which 256 / 280 are data.
    words = "rack runs with 2 of its 4 lanes; "
    assert f"{words}with all of its lanes the drives together would read 3,601 MB/s more" == one.costs


# --- The file --------------------------------------------------------------------------------------------------

WRITTEN: Final = """\
format = "lanewright-sheet"
version = 1

[[slot]]
label = "SLOT1"
connector = 16
lanes = 16
generation = 3
splits = ["4+4+4+4"]
lanes_while = [  # the manual, page 24
  {filled = ["SLOT2"], lanes = 8, splits = ["4+4"]},
  {filled = ["SLOT2", "M2_1"], lanes = 4},
]

[[slot]]
label = "SLOT2"
connector = 8
lanes = 8
generation = 3

[[slot]]
label = "M2_1"
kind = "m.2"
lanes = 4
generation = 3

[[card]]
name = "net"
kind = "network-10g"
"""


def test_what_is_said_of_taken_lanes_is_read_and_stays_when_places_are_written() -> None:
    """The entries are read as they are written, and a plan's places leave them and their comments alone."""
    found = parse(WRITTEN, "here.toml").slots[0].lanes_while
    assert (X8, LanesWhile(("SLOT2", "M2_1"), 4)) == found
    written = with_placement(WRITTEN, Placement({"net": "SLOT2"}, {}), "here.toml")
    assert f'{WRITTEN}slot = "SLOT2"\n' == written


@pytest.mark.parametrize("lanes", [0, 4])
def test_a_ring_of_slots_is_refused_only_where_each_is_left_without_lanes(lanes: int) -> None:
    """Three slots in a ring may each lose lanes to the next; that all would die of each other is refused elsewhere."""
    ring = WRITTEN.replace('{filled = ["SLOT2", "M2_1"], lanes = 4}', f'{{filled = ["M2_1"], lanes = {lanes}}}')
    assert lanes == parse(ring, "here.toml").slots[0].lanes_while[1].lanes
