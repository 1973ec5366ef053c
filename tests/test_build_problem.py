"""The planner's problem, made of build sheets by hand: every hard limit once kept and once broken, and the way back.

Rates are held against figures computed by hand from the link rate (128b/130b) and 24 bytes of overhead a packet
(Neugebauer et al., SIGCOMM 2018): x4 at 8 GT/s carries 3,938.46 MB/s, of which 256 / 280 are data: 3,600.8 MB/s.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from msgspec.structs import replace

from agent.model.expected import Need
from agent.planner.build import Built, arrangement_of, build, member_mbps, placement_of
from agent.planner.holders import hundredths, tenths_asked
from agent.planner.problem import Arrangement, allowed, score
from agent.sheets.paths import today
from agent.sheets.sheet import DrivePlace, Placement, StripeSpec, Uplink
from tests.brute import arrangements
from tests.small_sheets import FOUR_WAYS, card, drive, drives, passive, sheet, slot, socket, switch

if TYPE_CHECKING:
    from agent.sheets.sheet import CardSpec, Sheet, SlotSpec

X4_GEN3_READ = 36008  # tenths of MB/s: 4 x 8 GT/s x 128 / 130 / 8 x 256 / 280
X4_GEN3_WRITE = 36530  # the same x 256 / 276
X4_GEN3_FIRM = 29538  # 4 x 8 GT/s x 128 / 130 / 8 x 3 / 4: the rule of thumb (common practice), read and written
X4_GEN3 = (X4_GEN3_READ, X4_GEN3_WRITE, X4_GEN3_FIRM, X4_GEN3_FIRM)


def places(built: Built, name: str) -> list[str]:
    """The slots that a card can be in."""
    number = next(number for number, card in enumerate(built.sheet.cards) if card.name == name)
    return [built.sheet.slots[holder.slot].label for holder in built.problem.holders if holder.card == number]


def best(built: Built) -> Arrangement:
    """The best arrangement, by trying them all."""
    return max(arrangements(built.problem), key=lambda one: (score(built.problem, one), one))


# --- Hard limits -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "part", "goes"),
    [
        (slot("SLOT1", 8), card("net", 8), True),
        (slot("SLOT1", 8), card("net", 4), True),
        (slot("SLOT1", 4), card("net", 8), False),
        (slot("SLOT1", 4, open_end=True), card("net", 8), True),
        (slot("SLOT1", 4, connector=16), card("net", 16), True),
        (slot("SLOT1", 8, height="low"), card("net", 8), False),
        (slot("SLOT1", 8, height="low"), card("net", 8, height="low"), True),
        (slot("SLOT1", 8, longest_mm=170), card("net", 8, length_mm=170), True),
        (slot("SLOT1", 8, longest_mm=170), card("net", 8, length_mm=171), False),
        (slot("SLOT1", 8, longest_mm=170), card("net", 8), True),
        (slot("SLOT1", 8, power_watts=25.0), card("net", 8, power_watts=25.0), True),
        (slot("SLOT1", 8, power_watts=10.0), card("net", 8, power_watts=11.0), False),
        (slot("SLOT1", 8, power_watts=None), card("net", 8, power_watts=26.0), False),  # card rule: x8 takes 25 W
        (slot("SLOT1", 8), card("net", 8, power_watts=90.0, cable_watts=75.0), True),
        (slot("SLOT1", 8), card("net", 8, power_watts=101.0, cable_watts=75.0), False),
        (socket("M2_1"), card("net", 4), False),
    ],
)
def test_a_card_goes_where_connector_height_length_and_power_allow(
    place: SlotSpec, part: CardSpec, *, goes: bool
) -> None:
    """A card has a place exactly where its edge, bracket, length and own power fit."""
    assert ([place.label] if goes else []) == places(build(sheet([place], [part])), "net")


def test_a_wide_card_hides_what_its_slot_covers() -> None:
    """A double-width card keeps the slots empty that its own slot covers, and a single-width card none."""
    slots = [slot("SLOT1", 16, covers=("SLOT2",)), slot("SLOT2")]
    problem = build(sheet(slots, [card("display", 16, wide=2, power_watts=60.0), card("net")])).problem
    display, in_first, in_second = problem.holders
    assert ((1,), (), ()) == (display.covers, in_first.covers, in_second.covers)
    assert not allowed(problem, Arrangement((0, 2), ()))
    narrow = build(sheet(slots, [card("display", 16, power_watts=60.0), card("net")])).problem
    assert allowed(narrow, Arrangement((0, 2), ()))


def test_a_wide_card_hides_nothing_where_the_sheet_does_not_say() -> None:
    """A double-width card in a slot without `covers` leaves its neighbours free."""
    slots = [slot("SLOT1", 16), slot("SLOT2")]
    problem = build(sheet(slots, [card("display", 16, wide=2)])).problem
    assert [()] == [holder.covers for holder in problem.holders]


@pytest.mark.parametrize(("splits", "bays", "split"), [((), 1, False), (((8, 8),), 2, True), (FOUR_WAYS, 4, True)])
def test_a_passive_carrier_has_the_bays_that_the_slot_can_split_off(
    splits: tuple[tuple[int, ...], ...], bays: int, *, split: bool
) -> None:
    """Of four bays of a passive carrier those work where a group of the slot's lanes starts."""
    holder = build(sheet([slot("SLOT1", 16, splits=splits)], [passive("carrier")], drives(4))).problem.holders[0]
    assert (bays, split, None) == (holder.bays, holder.split, holder.link)


def test_a_switch_carrier_shares_the_link_of_its_slot() -> None:
    """All bays of a switch carrier work, each with its own link, under the rate that card and slot have in common."""
    holder = build(sheet([slot("SLOT1", 8, connector=16)], [switch("carrier")], drives(4))).problem.holders[0]
    assert (4, True, False) == (holder.bays, holder.switch, holder.split)
    assert tuple(2 * rate for rate in X4_GEN3) == tuple(rate // 2 * 2 for rate in holder.link or ())
    assert (X4_GEN3,) == holder.rates


def test_rates_are_the_lesser_of_link_and_drive() -> None:
    """A drive's rate in a bay is floored to tenths and never above its own limits."""
    fitted = [drive("fast"), drive("slow", read_mbps=2100.58, write_mbps=900.0), drive("narrow", lanes=2)]
    holder = build(sheet([socket("M2_1", 4)], [], fitted)).problem.holders[0]
    assert (X4_GEN3, (21005, 9000) * 2, tuple(rate // 2 for rate in X4_GEN3)) == holder.rates


def test_drives_share_the_power_that_the_card_leaves() -> None:
    """A card and its drives together stay below the lesser of slot limit and card rule; cables add to it."""
    slots = [slot("SLOT1", 8, connector=16, power_watts=30.0)]
    one = build(sheet(slots, [switch("carrier", power_watts=12.5)], drives(4, power_watts=8.5)))
    assert [1750] == [holder.watts for holder in one.problem.holders]
    assert allowed(one.problem, Arrangement((0,), ((0, 0, 2),)))
    assert not allowed(one.problem, Arrangement((0,), ((0, 0, 3),)))
    fed = build(sheet(slots, [switch("carrier", power_watts=12.5, cable_watts=75.0)], drives(4, power_watts=8.5)))
    assert allowed(fed.problem, Arrangement((0,), ((0, 0, 4),)))
    tall = build(sheet([slot("SLOT1", 16, power_watts=None)], [switch("carrier", power_watts=10.0)], drives(1)))
    assert [6500] == [holder.watts for holder in tall.problem.holders]


def test_a_drive_goes_where_form_and_length_allow() -> None:
    """A drive has no rate in a bay or slot of another form or for other lengths only."""
    slots = [slot("SLOT1"), socket("M2_1", lengths=("2280", "22110")), socket("M2_2"), socket("U2_1", kind="u.2")]
    fitted = [drive("short", length="2230"), drive("long", length="22110"), drive("flat", form="u.2"), drive("any")]
    carrier = passive("carrier", 1, 4, bay_lengths=("2230", "2280"))
    built = build(sheet(slots, [carrier], fitted))
    goes = {
        built.sheet.slots[holder.slot].label: [
            names[0] for names, rates in zip(built.members, holder.rates, strict=True) if rates[0]
        ]
        for holder in built.problem.holders
    }
    expected = {"SLOT1": ["short", "any"], "M2_1": ["long", "any"], "M2_2": ["short", "long", "any"], "U2_1": ["flat"]}
    assert expected == goes


def test_a_slot_of_drives_has_its_own_power_limit() -> None:
    """A drive that takes more than its slot gives has no rate there."""
    fitted = [drive("cool", power_watts=7.0), drive("hot", power_watts=9.0)]
    holder = build(sheet([socket("M2_1", power_watts=8.0)], [], fitted)).problem.holders[0]
    assert [True, False] == [rates[0] > 0 for rates in holder.rates]


def test_uplinks_are_shared_and_stand_above_each_other() -> None:
    """Slots know their uplink, and uplinks the one above them, with rates of both directions."""
    uplinks = (Uplink("chipset", 4, 3), Uplink("hub", 2, 3, above="chipset"))
    slots = [slot("SLOT1", uplink="hub"), slot("SLOT2", uplink="chipset"), slot("SLOT3")]
    problem = build(sheet(slots, uplinks=uplinks)).problem
    assert (1, 0, None) == problem.above
    chipset, hub = problem.uplinks
    assert (X4_GEN3, None) == chipset
    assert (tuple(rate // 2 for rate in X4_GEN3), 0) == hub


def test_free_slots_are_worth_their_link_rate() -> None:
    """What a slot is worth free is its link rate in tenths (x4 at 8 GT/s: 3,938.46 MB/s), be it for cards or drives."""
    assert (39384, 39384) == build(sheet([slot("SLOT1"), socket("M2_1")])).problem.sizes


# --- What stays ------------------------------------------------------------------------------------------------


def test_a_card_that_stays_has_one_place_and_keeps_others_out() -> None:
    """A card that stays is in its slot alone, and no other card can be there."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 16)]
    built = build(sheet(slots, [card("display", 16, slot="SLOT1", stays=True), card("net", 4)]))
    assert (["SLOT1"], ["SLOT2"]) == (places(built, "display"), places(built, "net"))


def test_a_card_that_stays_is_right_where_the_figures_are_wrong() -> None:
    """A card that stays keeps its slot even where connector, length and power forbid it."""
    slots = [slot("SLOT1", 4, longest_mm=100, power_watts=10.0), slot("SLOT2", 16)]
    long = card("display", 16, slot="SLOT1", stays=True, length_mm=300, power_watts=60.0)
    assert ["SLOT1"] == places(build(sheet(slots, [long])), "display")


def test_a_wide_card_goes_nowhere_where_it_would_hide_what_stays() -> None:
    """A wide card has no place beside a neighbour, or over a socket, whose part stays."""
    slots = [slot("SLOT1", 16, covers=("SLOT2",)), slot("SLOT2"), slot("SLOT3", 16, covers=("M2_1",)), socket("M2_1")]
    wide = card("display", 16, wide=2)
    fixed_card, fixed_drive = card("net", slot="SLOT2", stays=True), drive("boot", slot="M2_1", stays=True)
    assert ["SLOT1", "SLOT3"] == places(build(sheet(slots, [wide])), "display")
    assert ["SLOT3"] == places(build(sheet(slots, [wide, fixed_card])), "display")
    assert [] == places(build(sheet(slots, [wide, fixed_card], [fixed_drive])), "display")


def test_what_a_wide_card_that_stays_hides_is_gone() -> None:
    """No part has a place in a slot that a wide card hides which stays."""
    slots = [slot("SLOT1", 16, covers=("SLOT2", "M2_1")), slot("SLOT2"), socket("M2_1")]
    wide = card("display", 16, wide=2, slot="SLOT1", stays=True)
    built = build(sheet(slots, [wide, card("net")], drives(1)))
    assert (["SLOT1"], []) == (places(built, "display"), places(built, "net"))
    assert 1 == len(built.problem.holders)


def test_two_parts_that_stay_where_one_hides_the_other_both_stay() -> None:
    """Parts that stay are where they are, though the sheet says that one of them hides the other."""
    slots = [slot("SLOT1", 16, covers=("SLOT2",)), slot("SLOT2")]
    wide = card("display", 16, wide=2, slot="SLOT1", stays=True)
    built = build(sheet(slots, [wide, card("net", slot="SLOT2", stays=True)]))
    assert allowed(built.problem, Arrangement((0, 1), ()))


def test_a_drive_that_stays_has_one_place_and_keeps_others_out() -> None:
    """A drive that stays in a socket is there alone; one on a card stays on it, wherever the card goes."""
    slots = [slot("SLOT1"), slot("SLOT2"), socket("M2_1")]
    fitted = [
        drive("boot", slot="M2_1", stays=True),
        drive("old", card="carrier", bay=1, stays=True),
        drive("new"),
    ]
    built = build(sheet(slots, [passive("carrier", 1, 4, slot="SLOT1")], fitted))
    goes = {(one.card, one.slot): [rates[0] > 0 for rates in one.rates] for one in built.problem.holders}
    assert {
        (0, 0): [False, True, False],
        (0, 1): [False, True, False],
        (None, 2): [True, False, False],
    } == goes


def test_drives_that_stay_are_not_left_out_for_faster_ones() -> None:
    """With fewer bays than drives, the drives that stay have theirs, though others would do better there."""
    slow = drives(2, card="carrier", stays=True, read_mbps=500.0)
    fast = [drive(f"fast-{number}") for number in range(1, 4)]
    needs = tuple(Need(name=f"fast {number}", drives=("fast-1",), read_mbps=3000.0 + number) for number in range(3))
    built = build(sheet([slot("SLOT1", 16)], [switch("carrier", 3)], [*slow, *fast], needs=needs))
    placed = placement_of(built, best(built)).drives
    assert {"drive-1", "drive-2", "fast-1"} == set(placed)


def test_a_carrier_goes_only_where_its_drives_that_stay_work() -> None:
    """A passive carrier is not moved to a slot without the split, or the power, that its drives need which stay."""
    slots = [
        slot("SLOT1", 16),
        slot("SLOT2", 16, splits=FOUR_WAYS),
        slot("SLOT3", 16, splits=FOUR_WAYS, power_watts=12.0),
    ]
    fitted = drives(2, card="carrier", stays=True)
    assert ["SLOT2"] == places(build(sheet(slots, [passive("carrier")], fitted)), "carrier")
    assert ["SLOT1", "SLOT2", "SLOT3"] == places(build(sheet(slots, [passive("carrier")], drives(2))), "carrier")


def test_the_machine_is_right_about_the_power_of_what_stays() -> None:
    """Drives that stay on a card that stays have their power there, whatever the sheet's limits say."""
    fitted = drives(3, card="carrier", stays=True)
    carrier = switch("carrier", 4, 8, slot="SLOT1", stays=True, power_watts=8.0)
    built = build(sheet([slot("SLOT1", 8)], [carrier], [*fitted, drive("new")]))
    assert [2400] == [holder.watts for holder in built.problem.holders]
    assert allowed(built.problem, Arrangement((0,), ((0, 0, 3),)))
    assert [True, False] == [rates[0] > 0 for rates in built.problem.holders[0].rates]


# --- Classes and needs -----------------------------------------------------------------------------------------


def test_drives_that_are_alike_are_one_class() -> None:
    """Drives of one kind form a class with today's places counted; needs, lengths and staying set drives apart."""
    slots = [slot("SLOT1", 16), socket("M2_1")]
    fitted = [
        drive("a", card="carrier", bay=1),
        drive("b", card="carrier", bay=2),
        drive("c", slot="M2_1"),
        drive("d"),
        drive("named"),
        drive("fixed", card="carrier", bay=3, stays=True),
        drive("long", length="22110"),
    ]
    needs = (Need(name="named one", drives=("named",), not_behind_switch=True),)
    built = build(sheet(slots, [switch("carrier", slot="SLOT1")], fitted, needs=needs))
    assert (("a", "b", "c", "d"), ("named",), ("fixed",), ("long",)) == built.members
    assert {("card", 0): 2, ("slot", 1): 1} == built.problem.classes[0].today
    assert [4, 1, 1, 1] == [one.count for one in built.problem.classes]


def test_a_need_of_a_stripe_is_asked_of_each_member() -> None:
    """A stripe's rates are divided over its members by the way in which its RAID reads and writes."""
    fitted = drives(4)
    stripes = (StripeSpec("scratch", 0, tuple(one.name for one in fitted)),)
    needs = (Need(name="scratch", stripe="scratch", read_mbps=10000.1, write_mbps=8000.0),)
    built = build(sheet([slot("SLOT1", 16)], [switch("carrier")], fitted, stripes=stripes, needs=needs))
    best, firm = built.problem.needs
    assert ((0,), (25001, 20000, 0, 0)) == (best.classes, best.each)
    assert ((0,), (0, 0, 25001, 20000)) == (firm.classes, firm.each)


@pytest.mark.parametrize(
    ("raid", "reads", "writes"), [(0, 300.0, 300.0), (1, 300.0, 1200.0), (5, 300.0, 400.0), (10, 300.0, 600.0)]
)
def test_members_do_their_part(raid: int, reads: float, writes: float) -> None:
    """For 1,200 MB/s of four drives: all read; copies and parity are written besides (SIGMOD 1988, RAID 1 and 5)."""
    stripe = StripeSpec("scratch", raid, ("a", "b", "c", "d"))
    assert (reads, writes) == (member_mbps(stripe, 1200.0, "to_host"), member_mbps(stripe, 1200.0, "to_drive"))
    assert writes == member_mbps(stripe, 1200.0, "to_drive", firm=True)


@pytest.mark.parametrize(("raid", "reads"), [(0, 300.0), (1, 1200.0), (5, 300.0), (10, 600.0)])
def test_one_copy_is_enough_for_a_firm_rate(raid: int, reads: float) -> None:
    """Where data is held twice, a firm rate of reading does not count on both copies being read at once."""
    stripe = StripeSpec("scratch", raid, ("a", "b", "c", "d"))
    assert reads == member_mbps(stripe, 1200.0, "to_host", firm=True)


def test_needs_of_drives_and_cards_are_taken_over() -> None:
    """Rates of each drive, splits, switches, the slot of a card and the link that it wants become needs."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 4, connector=16)]
    cards = [card("display", 16, wants_mbps=7000.0), passive("carrier", 1, 4)]
    needs = (
        Need(
            name="boot",
            drives=("boot",),
            read_mbps=3000.0,
            write_mbps=1000.0,
            not_on_split=True,
            not_behind_switch=True,
        ),
        Need(name="display first", cards=("display",), in_slot="SLOT2"),
    )
    built = build(sheet(slots, cards, [drive("boot")], needs=needs))
    boot, first, wants, *firm = built.problem.needs
    assert [replace(boot, each=(0, 0, 30000, 10000)), first, wants] == firm
    assert ((0,), (30000, 10000, 0, 0), True, True, ()) == (
        boot.classes,
        boot.each,
        boot.no_split,
        boot.no_switch,
        boot.cards,
    )
    assert ((0, frozenset({built.by_pair[0, 1]})),) == first.cards
    assert ((0, frozenset({built.by_pair[0, 0]})),) == wants.cards
    assert ("boot", "display first", "link of display") == built.needs


def test_cards_without_bays_are_wanted_for_their_own_sake() -> None:
    """A carrier may be left out, other cards may not; today's slots are numbered."""
    problem = build(sheet([slot("SLOT1", 16)], [card("net", slot="SLOT1"), switch("carrier")])).problem
    assert ((True, False), (0, None)) == (problem.must, problem.card_today)


def test_figures_are_rounded_to_the_safe_side() -> None:
    """What is asked rounds up and what there is rounds down, but not by the error of a float."""
    assert (29, 30, 3) == (hundredths(0.29), tenths_asked(3.0), tenths_asked(0.21))


# --- The way back ----------------------------------------------------------------------------------------------


def way_back() -> Sheet:
    """A carrier with two of four bays taken, a socket, a spare slot with a split."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 16, splits=FOUR_WAYS), socket("M2_1")]
    fitted = [drive("a", card="carrier", bay=3), drive("b", slot="M2_1"), drive("c"), drive("d")]
    return sheet(slots, [passive("carrier", slot="SLOT1")], fitted)


def test_a_placement_and_its_arrangement_are_the_same() -> None:
    """Numbers back to names give the bays that drives keep, and the first free ones for others."""
    built = build(way_back())
    arrangement = Arrangement((built.by_pair[0, 1], built.by_pair[None, 2]), ((0, 1, 3), (0, 2, 1)))
    placement = placement_of(built, arrangement)
    drives_there = {
        "a": DrivePlace("carrier", 3),
        "b": DrivePlace("M2_1", None),
        "c": DrivePlace("carrier", 1),
        "d": DrivePlace("carrier", 2),
    }
    assert Placement({"carrier": "SLOT2"}, drives_there) == placement
    assert arrangement == arrangement_of(built, placement)


def test_a_drive_leaves_a_bay_that_does_not_work_in_the_new_slot() -> None:
    """A drive stays on its card but goes to a bay that the slot's lanes reach."""
    built = build(way_back())
    placement = placement_of(built, Arrangement((built.by_pair[0, 0],), ((0, built.by_pair[0, 0], 1),)))
    assert {"a": DrivePlace("carrier", 1)} == placement.drives


def test_a_placement_that_cannot_be_has_no_arrangement() -> None:
    """A card in a slot that it does not go into has no number in the problem."""
    built = build(sheet([slot("SLOT1", 4)], [card("net", 8, slot="SLOT1")]))
    assert arrangement_of(built, today(built.sheet)) is None


def test_score_counts_only_real_moves() -> None:
    """What is in its place today costs no move when it goes back from numbers to names."""
    slots = [slot("SLOT1", 16), socket("M2_1")]
    fitted = [drive("a", card="carrier", bay=3), drive("b", slot="M2_1")]
    built = build(sheet(slots, [switch("carrier", slot="SLOT1")], fitted))
    now = arrangement_of(built, today(built.sheet))
    assert now is not None
    assert 0 == score(built.problem, now).moves
    assert today(built.sheet) == placement_of(built, now)
