"""Flows and links of a placement: bays that work with each split, links, hops, and rates worked out by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.model.throughput import Flow, alone, together
from agent.sheets.paths import (
    bay_link,
    bays_of,
    flows,
    key_words,
    links,
    slot_link,
    today,
    uplinks_of,
)
from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, MachineSpec, Placement, Sheet, SlotSpec, Uplink

if TYPE_CHECKING:
    from typing import Any

FOURS: Final = (4, 4, 4, 4)


def slot(generation: int, lanes: int, *splits: tuple[int, ...], label: str = "SLOT1", **more: Any) -> SlotSpec:  # noqa: ANN401 - fields of SlotSpec
    """A card slot."""
    return SlotSpec(label=label, connector=16, lanes=lanes, generation=generation, splits=splits, **more)


def socket(generation: int, lanes: int = 4, label: str = "M2_1", **more: Any) -> SlotSpec:  # noqa: ANN401 - fields of SlotSpec
    """A slot that takes a drive itself."""
    return SlotSpec(label=label, kind="m.2", connector=4, lanes=lanes, generation=generation, **more)


def passive(bays: int = 4, generation: int = 4, lanes: int = 16, **more: Any) -> CardSpec:  # noqa: ANN401 - fields of CardSpec
    """A carrier whose bays take the slot's own lanes."""
    named = {"name": "riser card", "slot": "SLOT1", **more}
    return CardSpec(connector=lanes, lanes=lanes, generation=generation, carrier="passive", bays=bays, **named)


def switch(generation: int, lanes: int, bays: int = 4, **more: Any) -> CardSpec:  # noqa: ANN401 - fields of CardSpec
    """A carrier with a packet switch."""
    named = {"name": "switch card", "slot": "SLOT1", **more}
    return CardSpec(connector=lanes, lanes=lanes, generation=generation, carrier="switch", bays=bays, **named)


def drives(count: int, generation: int, card: str | None = "switch card", **more: Any) -> tuple[DriveSpec, ...]:  # noqa: ANN401 - fields of DriveSpec
    """Drives in the first bays of a card."""
    return tuple(
        DriveSpec(name=f"reel-{number}", generation=generation, card=card, bay=number, **more)
        for number in range(1, count + 1)
    )


def sheet(*slots: SlotSpec, payload: int = 256, **more: Any) -> Sheet:  # noqa: ANN401 - fields of Sheet
    """A build of these slots and whatever else is named."""
    return Sheet(source="bench-1.toml", machine=MachineSpec(payload_bytes=payload), slots=slots, **more)


def rates(build: Sheet) -> tuple[dict[str, float], dict[str, float]]:
    """MB/s of each drive as placed today: alone, and together with all others."""
    found, hops = flows(build, today(build))
    at_once = together(found, hops)
    return (
        {flow.name: round(alone(flow, hops).high, 1) for flow in found},
        {name: round(share.high, 1) for name, share in at_once.items()},
    )


# --- Bays --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lanes", "splits", "bays", "expected"),
    [
        (16, (), 4, {1: 4}),
        (16, (FOURS,), 4, {1: 4, 2: 4, 3: 4, 4: 4}),
        (16, (FOURS,), 2, {1: 4, 2: 4}),
        (16, ((8, 8),), 4, {1: 4, 3: 4}),
        (16, ((8, 4, 4),), 4, {1: 4, 3: 4, 4: 4}),
        (16, ((8, 8), (8, 4, 4), FOURS), 4, {1: 4, 2: 4, 3: 4, 4: 4}),
        (8, ((4, 4),), 4, {1: 4, 2: 4}),
        (8, (), 2, {1: 4}),
        (2, (), 4, {1: 2}),
        (4, (), 1, {1: 4}),
        (16, ((2, 2, 4, 8),), 4, {1: 2, 2: 4, 3: 4}),
        (16, (FOURS,), 1, {1: 4}),
    ],
)
def test_a_passive_carrier_has_a_bay_for_each_group_that_starts_at_it(
    lanes: int, splits: tuple[tuple[int, ...], ...], bays: int, expected: dict[int, int]
) -> None:
    """Bay i works where a group of lanes starts at lane 4 x (i - 1), and the best split counts (worked by hand)."""
    place, card = slot(4, lanes, *splits), passive(bays)
    assert (expected, len(expected) > 1) == bays_of(place, card)


def test_a_carrier_of_eight_lanes_uses_eight_lanes_of_a_long_slot() -> None:
    """A two-bay carrier of x8 works whole in a split slot of 16 lanes, and no bay has lanes the card does not have."""
    assert bays_of(slot(4, 16, FOURS), passive(2, lanes=8)) == ({1: 4, 2: 4}, True)
    assert bays_of(slot(4, 16, FOURS), passive(4, lanes=8)) == ({1: 4, 2: 4}, True)


def test_bays_of_two_lanes_each_take_two_lanes_of_a_group() -> None:
    """A carrier with narrow bays counts them by their own width: of four groups of four, every second bay works."""
    assert bays_of(slot(3, 16, FOURS), passive(8, bay_lanes=2)) == ({1: 2, 3: 2, 5: 2, 7: 2}, True)


@pytest.mark.parametrize("lanes", [1, 4, 16])
def test_a_switch_carrier_has_all_its_bays_in_every_slot(lanes: int) -> None:
    """Behind a packet switch all drives appear, whatever the slot (facts of the trade: nothing needed of firmware)."""
    bays, split = bays_of(slot(3, lanes), switch(4, 16))
    assert (len(bays), split) == (4, False)


def test_a_card_without_bays_has_none() -> None:
    """A network or display card holds no drive, however its slot is split."""
    card = CardSpec(name="network", connector=8, lanes=8, generation=3)
    assert bays_of(slot(4, 16, FOURS), card) == ({}, False)


# --- Links -------------------------------------------------------------------------------------------------------


def test_a_link_is_what_both_ends_can_do() -> None:
    """Speed and lanes are each the lesser of the two ends (PCI Express Base: a link trains to what both support)."""
    card = switch(4, 8, bay_generation=3)
    drive = DriveSpec(name="reel", generation=5)
    assert slot_link(slot(5, 16), card) == (4, 8)
    assert slot_link(slot(3, 4), card) == (3, 4)
    assert bay_link(slot(2, 1), card, drive) == (3, 4)
    assert bay_link(slot(2, 1), switch(4, 8), drive) == (4, 4)
    assert bay_link(slot(5, 16, FOURS), passive(generation=4), drive, 4) == (4, 4)
    assert bay_link(slot(3, 16, FOURS), passive(generation=4), drive, 4) == (3, 4)
    assert slot_link(socket(4, 2), drive) == (4, 2)


def test_without_a_bay_the_narrowest_counts() -> None:
    """Where nobody says which bay, no more lanes are promised than every working bay has."""
    place = slot(4, 16, (2, 2, 4, 8))
    drive = DriveSpec(name="reel", generation=4)
    assert bay_link(place, passive(), drive) == (4, 2)
    assert bay_link(place, passive(), drive, 2) == (4, 4)


def test_a_bay_that_does_not_work_has_no_link() -> None:
    """Asking for a bay that an unsplit slot does not reach is an error of the caller."""
    with pytest.raises(ValueError, match="bay 2 of riser card does not work in SLOT1"):
        bay_link(slot(4, 16), passive(), DriveSpec(name="reel", generation=4), 2)


# --- Rates worked out by hand ------------------------------------------------------------------------------------
# One-way bounds with 256 bytes of payload, MB/s = coded rate x 256 / 280 (Neugebauer et al., SIGCOMM 2018: 24 bytes a
# memory write): Gen3 x4 3600.9, Gen3 x8 7201.8, Gen4 x4 7201.8, Gen2 x4 1828.6, Gen3 x2 1800.4, Gen5 x4 14403.5.


def test_four_drives_behind_a_switch_of_eight_lanes_share_its_link() -> None:
    """Four Gen4 x4 drives on a Gen3 x8 switch carrier: 7201.8 each alone, a quarter of 7201.8 each together."""
    build = sheet(slot(3, 8), cards=(switch(3, 8, bay_generation=4),), drives=drives(4, 4))
    by_name = {f"reel-{number}": 7201.8 for number in range(1, 5)}
    assert rates(build) == (by_name, dict.fromkeys(by_name, 1800.4))


def test_a_gen3_switch_carrier_gives_each_of_two_drives_its_whole_link() -> None:
    """Two Gen3 x4 drives fill a Gen3 x8 link exactly, so each has 3600.9 alone and together."""
    build = sheet(slot(3, 8), cards=(switch(3, 8, 2),), drives=drives(2, 3))
    expected = {"reel-1": 3600.9, "reel-2": 3600.9}
    assert rates(build) == (expected, expected)


def test_a_split_slot_gives_each_drive_lanes_of_its_own() -> None:
    """Four Gen4 x4 drives on a passive carrier in a split x16 slot have 7201.8 each, alone and together."""
    build = sheet(slot(4, 16, FOURS), cards=(passive(),), drives=drives(4, 4, "riser card"))
    expected = {f"reel-{number}": 7201.8 for number in range(1, 5)}
    assert rates(build) == (expected, expected)


def test_in_a_slot_that_is_not_split_only_the_first_drive_works() -> None:
    """Without a split the other drives of a passive carrier have no flow at all (common practice: one drive only)."""
    build = sheet(slot(4, 16), cards=(passive(),), drives=drives(4, 4, "riser card"))
    assert rates(build) == ({"reel-1": 7201.8}, {"reel-1": 7201.8})


def test_drives_of_different_slots_share_an_uplink() -> None:
    """Two Gen4 sockets behind an uplink of Gen3 x4 share its 3600.9; a drive beside it has its own 7201.8."""
    uplinks = (Uplink("chipset", lanes=4, generation=3),)
    build = sheet(
        socket(4, label="M2_1", uplink="chipset"),
        socket(4, label="M2_2", uplink="chipset"),
        socket(4, label="M2_3"),
        uplinks=uplinks,
        drives=tuple(DriveSpec(name=f"reel-{n}", generation=4, slot=f"M2_{n}") for n in (1, 2, 3)),
    )
    assert rates(build) == (
        {"reel-1": 3600.9, "reel-2": 3600.9, "reel-3": 7201.8},
        {"reel-1": 1800.4, "reel-2": 1800.4, "reel-3": 7201.8},
    )


def test_the_payload_size_of_the_machine_counts() -> None:
    """With 128 bytes of payload a Gen3 x4 drive is bound by 3316.6 (3938.5 x 128 / 152)."""
    build = sheet(socket(3), payload=128, drives=(DriveSpec(name="reel", generation=4, slot="M2_1"),))
    assert rates(build)[0] == {"reel": 3316.6}


def test_a_drive_is_held_to_its_own_limits() -> None:
    """A drive that reads and writes less than its link has those limits in its flow."""
    build = sheet(
        socket(4), drives=(DriveSpec(name="reel", generation=4, slot="M2_1", read_mbps=5000.0, write_mbps=3000.0),)
    )
    found, _ = flows(build, today(build))
    assert found == (Flow("reel", ("bay of reel",), 5000.0, 3000.0),)
    assert rates(build)[0] == {"reel": 5000.0}


# --- Keys and paths ----------------------------------------------------------------------------------------------


def chained() -> Sheet:
    """A slot two uplinks down with a switch carrier, a passive carrier elsewhere, a socket and a card without bays."""
    return sheet(
        slot(4, 8, uplink="second hub"),
        slot(4, 16, FOURS, label="4"),
        socket(4),
        slot(3, 1, label="SLOT3"),
        uplinks=(Uplink("hub", 8, 4), Uplink("second hub", 4, 4, above="hub")),
        cards=(
            switch(4, 8),
            passive(slot="4"),
            CardSpec(name="network", connector=1, lanes=1, generation=3, slot="SLOT3"),
            CardSpec(name="spare", connector=1, lanes=1, generation=3),
        ),
        drives=(
            DriveSpec(name="reel-1", generation=4, card="switch card", bay=2),
            DriveSpec(name="reel-2", generation=3, card="riser card", bay=3),
            DriveSpec(name="reel-3", generation=4, slot="M2_1"),
            DriveSpec(name="boxed", generation=4),
        ),
    )


def test_hops_go_from_the_drive_to_the_processor() -> None:
    """A drive behind a switch crosses its bay, the card's link and each uplink; on a passive carrier only its bay."""
    build = chained()
    found, hops = flows(build, today(build))
    assert {flow.name: flow.hops for flow in found} == {
        "reel-1": ("bay of reel-1", "card switch card", "uplink second hub", "uplink hub"),
        "reel-2": ("bay of reel-2",),
        "reel-3": ("bay of reel-3",),
    }
    assert {key for flow in found for key in flow.hops} <= set(hops)
    assert [uplink.name for uplink in uplinks_of(build, build.slots[0])] == ["second hub", "hub"]


def test_links_name_every_link_of_the_build() -> None:
    """Links hold the uplinks, each placed card that has a link of its own, and each drive that works."""
    build = chained()
    assert links(build, today(build)) == {
        "uplink hub": (4, 8),
        "uplink second hub": (4, 4),
        "card switch card": (4, 8),
        "card network": (3, 1),
        "bay of reel-1": (4, 4),
        "bay of reel-2": (3, 4),
        "bay of reel-3": (4, 4),
    }


def test_hops_have_words_for_people() -> None:
    """Each key reads as part of a sentence, with the slot where that tells something."""
    build = chained()
    place = today(build)
    assert {key: key_words(key, build, place) for key in links(build, place)} == {
        "uplink hub": "the shared uplink hub",
        "uplink second hub": "the shared uplink second hub",
        "card switch card": "the link of switch card in SLOT1",
        "card network": "the link of network in SLOT3",
        "bay of reel-1": "the link of reel-1 in bay 2 of switch card",
        "bay of reel-2": "the link of reel-2 in bay 3 of riser card in slot 4",
        "bay of reel-3": "the link of reel-3 in M2_1",
    }


def test_today_is_what_the_sheet_says() -> None:
    """Cards are in their slots and drives in their bays or slots; what names no place is not fitted."""
    assert today(chained()) == Placement(
        {"switch card": "SLOT1", "riser card": "4", "network": "SLOT3"},
        {
            "reel-1": DrivePlace("switch card", 2),
            "reel-2": DrivePlace("riser card", 3),
            "reel-3": DrivePlace("M2_1", None),
        },
    )


def test_drives_of_a_card_without_a_bay_take_the_free_ones() -> None:
    """Where only the card is named, drives fill the bays that no other drive names, in the order of the sheet."""
    named = (None, 1, None, 3)
    build = sheet(
        slot(3, 8),
        cards=(switch(3, 8),),
        drives=tuple(
            DriveSpec(name=f"reel-{n}", generation=3, card="switch card", bay=bay) for n, bay in enumerate(named)
        ),
    )
    assert {name: place.bay for name, place in today(build).drives.items()} == {
        "reel-0": 2,
        "reel-1": 1,
        "reel-2": 4,
        "reel-3": 3,
    }


def test_a_drive_on_a_card_in_the_box_has_no_flow() -> None:
    """A drive stays on its card when that is not fitted, but reaches nothing there."""
    build = sheet(slot(3, 8), cards=(switch(3, 8, slot=None),), drives=drives(1, 3))
    assert today(build).drives == {"reel-1": DrivePlace("switch card", 1)}
    assert flows(build, today(build)) == ((), {})


def test_uplinks_in_a_ring_end() -> None:
    """A sheet whose uplinks name each other does not hang the walk."""
    build = sheet(slot(3, 8, uplink="a"), uplinks=(Uplink("a", 4, 3, "b"), Uplink("b", 4, 3, "a")))
    assert [uplink.name for uplink in uplinks_of(build, build.slots[0])] == ["a", "b"]
