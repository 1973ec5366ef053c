"""Why a part has no place: each hard limit once, in a sentence that names the slots. Placements are given by hand."""

from __future__ import annotations

import pytest

from agent.planner.reasons import unplaced
from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, Placement, Sheet, SlotSpec
from tests.small_sheets import FOUR_WAYS, card, drive, passive, sheet, slot, socket, switch


def reason(
    one: Sheet, name: str, cards: dict[str, str] | None = None, drives: dict[str, DrivePlace] | None = None
) -> str:
    """The reason of one part that is not in a placement."""
    missing, spares = unplaced(one, Placement(cards or {}, drives or {}))
    return next(part.why for part in (*missing, *spares) if part.name == name)


# --- Cards -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slots", "part", "words"),
    [
        ([], card("net"), "the sheet has no slot for cards"),
        (
            [slot("SLOT1", 8), slot("SLOT2", 4)],
            card("net", 16),
            "its x16 connector does not go into SLOT1 or SLOT2",
        ),
        (
            [slot("SLOT1", 16, height="low"), slot("SLOT2", 16, height="low")],
            card("net"),
            "it is of full height, SLOT1 and SLOT2 take low cards only",
        ),
        ([slot("SLOT1", 16, longest_mm=170)], card("net", length_mm=310), "it is 310 mm long, SLOT1 takes 170 mm"),
        (
            [slot("SLOT4", 8)],
            card("net", 8, power_watts=31.0),
            "it takes 31 W, SLOT4 gives 25 W (the rule for an x8 card)",
        ),
        (
            [slot("SLOT1", 4), slot("SLOT2", 16, longest_mm=99), slot("SLOT3", 16, power_watts=9.0)],
            card("net", 8, power_watts=31.0, length_mm=200),
            (
                "its x8 connector does not go into SLOT1; it is 200 mm long, SLOT2 takes 99 mm; "
                "it takes 31 W, SLOT3 gives 9 W (by the sheet)"
            ),
        ),
    ],
)
def test_a_card_that_fits_nowhere_says_what_does_not_fit(slots: list[SlotSpec], part: CardSpec, words: str) -> None:
    """Connector, height, length and power are given with what the slots offer, slots of one reason together."""
    assert words == reason(sheet(slots, [part]), "net")


def test_a_slot_that_is_kept_is_named_with_its_card() -> None:
    """A card whose only slot is held by a card that stays names both."""
    display = card("display-1", 16, slot="SLOT2", stays=True)
    one = sheet([slot("SLOT1", 4), slot("SLOT2", 16)], [display, card("net", 16)])
    words = "its x16 connector fits SLOT2 only, which is held by display-1, which stays"
    assert words == reason(one, "net", {"display-1": "SLOT2"})


def test_slots_that_are_taken_are_named_with_their_cards() -> None:
    """A card whose slots are given to others names who has them."""
    one = sheet([slot("SLOT1", 16), slot("SLOT2", 16)], [card("one", 16), card("two", 16), card("net")])
    assert "SLOT1 is held by one; SLOT2 is held by two" == reason(one, "net", {"one": "SLOT1", "two": "SLOT2"})


def test_slots_that_are_hidden_are_named_with_the_wide_card() -> None:
    """A slot beside a wide card is hidden by it, for good where it stays."""
    slots = [slot("SLOT1", 16, covers=("SLOT2",)), slot("SLOT2", 4)]
    wide = card("display", 16, wide=2)
    placed = {"display": "SLOT1"}
    assert "SLOT1 is held by display; SLOT2 is hidden by display" == reason(
        sheet(slots, [wide, card("net")]), "net", placed
    )
    fixed = card("display", 16, wide=2, slot="SLOT1", stays=True)
    words = "SLOT1 is held by display, which stays; SLOT2 is hidden by display, which stays"
    assert words == reason(sheet(slots, [fixed, card("net")]), "net", placed)


def test_a_wide_card_names_what_it_would_hide() -> None:
    """A wide card without a place says which neighbour is in its way."""
    slots = [slot("SLOT1", 16, covers=("SLOT2",)), slot("SLOT2", 4)]
    one = sheet(slots, [card("display", 16, wide=2), card("net", slot="SLOT2", stays=True)])
    words = (
        "its x16 connector fits SLOT1 only, which is no place for it, as it would hide SLOT2, which net holds, which "
        "stays"
    )
    assert words == reason(one, "display", {"net": "SLOT2"})


def test_a_carrier_that_nothing_is_lost_without_says_so() -> None:
    """A carrier is not needed where all drives have places, or where none that waits goes into its bays."""
    slots = [slot("SLOT1", 16), socket("M1")]
    one = sheet(slots, [switch("rack")], [drive("a")])
    assert reason(one, "rack", {}, {"a": DrivePlace("M1", None)}).startswith("not needed: without it every drive")
    flat = sheet(slots, [switch("rack")], [drive("a", form="u.2")])
    assert "not needed: no drive that has no place would have one in its bays" == reason(flat, "rack")


def test_a_carrier_that_drives_wait_for_says_what_is_in_its_way() -> None:
    """A carrier without a slot is missed where a drive has no place that its bays take."""
    one = sheet([slot("SLOT1", 16)], [card("net", slot="SLOT1", stays=True), switch("rack")], [drive("a")])
    words = "SLOT1 is held by net, which stays"
    assert words == reason(one, "rack", {"net": "SLOT1"})
    assert "rack has no place either" == reason(one, "a", {"net": "SLOT1"})


# --- Drives ------------------------------------------------------------------------------------------------------


def test_a_drive_that_nothing_takes_says_so() -> None:
    """A drive of a form for which there is neither slot nor bay says so."""
    assert "nothing on the sheet takes U.2 drives" == reason(sheet([socket("M1")], [], [drive("a", form="u.2")]), "a")


def test_a_drive_that_is_too_long_names_the_places() -> None:
    """A drive whose length no place takes names them all; else the places by what they take."""
    slots = [socket("M1", lengths=("2280",)), socket("M2", lengths=("2230", "2280"))]
    long = drive("a", length="22110")
    assert "no bay or slot of M1 and M2 takes a 22110 drive" == reason(sheet(slots, [], [long]), "a")
    more = sheet([*slots, socket("M3")], [], [long, drive("b")])
    words = "M1 takes 2280 drives, not 22110; M2 takes 2230 or 2280 drives, not 22110; M3 is held by b"
    assert words == reason(more, "a", {}, {"b": DrivePlace("M3", None)})


def test_a_missing_split_is_named_with_the_slots_that_offer_none() -> None:
    """A drive that waits for a bay of a passive carrier says which slots do not split."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 4), slot("SLOT3", 16, splits=((8, 8),))]
    one = sheet(slots, [passive("rack")], [drive("a"), drive("b")])
    words = "rack needs a four-way split for all bays; SLOT1 and SLOT3 offer none"
    assert words == reason(one, "b", {"rack": "SLOT1"}, {"a": DrivePlace("rack", 1)})


def test_a_split_that_another_card_has_is_named() -> None:
    """Where a slot would split but is held, the sentence says by whom."""
    slots = [slot("SLOT1", 16), slot("SLOT2", 16, splits=FOUR_WAYS)]
    one = sheet(slots, [passive("rack"), card("display", 16, slot="SLOT2", stays=True)], [drive("a"), drive("b")])
    words = (
        "rack needs a four-way split for all bays; SLOT1 offers none; SLOT2 offers it, which is held by display, which"
        " stays"
    )
    assert words == reason(one, "b", {"rack": "SLOT1", "display": "SLOT2"}, {"a": DrivePlace("rack", 1)})


def test_full_carriers_and_sockets_are_named() -> None:
    """A drive that would fit where others are names those places."""
    one = sheet([slot("SLOT1", 16), socket("M1")], [switch("rack", 1)], [drive("a"), drive("b"), drive("c")])
    words = "M1 is held by b; no bay of rack is free"
    assert words == reason(one, "c", {"rack": "SLOT1"}, {"a": DrivePlace("rack", 1), "b": DrivePlace("M1", None)})


def test_power_that_is_not_left_is_given_in_watts() -> None:
    """A drive that would fit but for power says what is left and what it takes."""
    one = sheet(
        [slot("SLOT4", 8)], [switch("rack", 4, 8)], [drive("a", power_watts=11.0), drive("b", power_watts=11.5)]
    )
    words = "rack has 9 W left of 25 W (the rule for an x8 card) in SLOT4, it takes 11.5 W"
    assert words == reason(one, "b", {"rack": "SLOT4"}, {"a": DrivePlace("rack", 1)})
    hot = sheet([socket("M1", power_watts=8.0)], [], [drive("a", power_watts=9.0)])
    assert "M1 gives 8 W (by the sheet), it takes 9 W" == reason(hot, "a")


def test_sockets_that_are_hidden_or_kept_are_named() -> None:
    """A socket under a wide card, or with a drive that stays, is no place for another drive."""
    slots = [slot("SLOT1", 16, covers=("M1",)), socket("M1"), socket("M2")]
    fitted: list[DriveSpec] = [drive("boot", slot="M2", stays=True), drive("a")]
    one = sheet(slots, [card("display", 16, wide=2)], fitted)
    words = "M1 is hidden by display; M2 is held by boot, which stays"
    assert words == reason(one, "a", {"display": "SLOT1"}, {"boot": DrivePlace("M2", None)})


def test_a_drive_that_stays_where_nothing_works_says_so() -> None:
    """A drive that stays in a bay without lanes, or on a card without a place, says which."""
    one = sheet([slot("SLOT1", 16)], [passive("rack", slot="SLOT1")], [drive("a", card="rack", bay=2, stays=True)])
    words = (
        "it stays in bay 2 of rack, which SLOT1 has no lanes for: rack needs a four-way split for all bays; "
        "SLOT1 offers none; if the firmware can split SLOT1, write that into its splits"
    )
    assert words == reason(one, "a", {"rack": "SLOT1"})
    assert "it stays on rack, which has no place" == reason(one, "a")
