"""Part kinds and the rules of slots: laws over every entry, held against published figures."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

import msgspec
import pytest

import knowledge
from agent.sheets.reading import card_of, drive_of, parse
from knowledge import slots
from knowledge.parts import CardKind, DriveKind, PartsFile, kinds, nearest, parts
from knowledge.rates import WIDTHS, lane_mbps

CARDS: Final = {card.name: card for card in parts().card}
DRIVES: Final = {drive.name: drive for drive in parts().drive}
CARRIERS: Final = {name: card for name, card in CARDS.items() if card.carrier != "none"}
ENTRIES: Final[dict[str, dict[str, Any]]] = {
    entry["name"]: entry
    for table in ("card", "drive")
    for entry in tomllib.loads((Path(knowledge.__path__[0]) / "parts.toml").read_text(encoding="utf-8"))[table]
}
ABOUT: Final = {"name", "what", "sources"}


# --- Every entry -----------------------------------------------------------------------------------------------


def test_names_are_unique_and_sorted() -> None:
    """Names within each list are in order, and no card has the name of a drive."""
    assert sorted(set(CARDS)) == [card.name for card in parts().card]
    assert sorted(set(DRIVES)) == [drive.name for drive in parts().drive]
    assert [*CARDS, *DRIVES] == list(kinds()) == list(ENTRIES)
    assert set("".join(ENTRIES)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@pytest.mark.parametrize("name", ENTRIES)
def test_every_figure_has_one_source(name: str) -> None:
    """Each figure of an entry comes from exactly one of its sources, and no source is named for nothing."""
    entry = ENTRIES[name]
    claimed = [figure for source in entry["sources"] for figure in parts().sources[source].figures if figure in entry]
    assert sorted(entry.keys() - ABOUT) == sorted(claimed)
    for source in entry["sources"]:
        assert entry.keys() & set(parts().sources[source].figures), source
    assert sorted(entry["sources"]) == entry["sources"]


def test_every_source_is_used_and_says_what_it_is() -> None:
    """No source is left over, and each is a published document, a sum, or marked as common practice."""
    assert {source for entry in ENTRIES.values() for source in entry["sources"]} == set(parts().sources)
    kinds_of_source = ("common practice:", "published ", "PCI Express ", "ATX ", "IEEE ", "half of ")
    assert [] == [source.text for source in parts().sources.values() if not source.text.startswith(kinds_of_source)]
    figures = {*CardKind.__struct_fields__, *DriveKind.__struct_fields__} - ABOUT
    assert set().union(*(source.figures for source in parts().sources.values())) <= figures


def test_an_unknown_key_in_the_file_is_refused() -> None:
    """A mistyped key of an entry cannot pass as one that is not given."""
    entry = {"name": "a", "what": "b", "sources": [], "generation": 3, "lanes": 4, "read_mbps": 1, "write_mbps": 1}
    msgspec.convert({**entry, "power_watts": 1}, DriveKind)
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({**entry, "power_watts": 1, "lenght": "2280"}, DriveKind)
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"sources": {}, "card": [], "drive": [], "drives": []}, PartsFile)


def test_a_sheet_takes_every_kind() -> None:
    """A sheet with one part of every kind is a good sheet, and kinds in words give the same parts."""
    text = 'format = "lanewright-sheet"\nversion = 1\n'
    text += "".join(f'[[card]]\nname = "a {name}"\nkind = "{name}"\n' for name in CARDS)
    text += "".join(f'[[drive]]\nname = "a {name}"\nkind = "{name}"\n' for name in DRIVES)
    sheet = parse(text, "all.toml")
    assert tuple(card_of(name, f"a {name}") for name in CARDS) == sheet.cards
    assert tuple(drive_of(name, f"a {name}") for name in DRIVES) == sheet.drives


def test_the_nearest_name() -> None:
    """A mistyped name finds its like, and a name like no other finds none."""
    assert "nvme-gen4" == nearest("nvme-gne4", kinds())
    assert nearest("zzz", kinds()) is None
    assert nearest("", []) is None


# --- Cards -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_cards_keep_to_the_rules_of_slots(card: CardKind) -> None:
    """A card has lanes that a link can have, the connector they need, and takes no more than slot and cables give."""
    assert card.lanes in WIDTHS
    assert 1 <= card.generation <= 5
    assert slots.connector_of(card.lanes) == card.connector
    assert 0 < card.power_watts <= slots.card_watts(card.connector, card.height) + card.cable_watts
    assert set(card.bay_lengths) <= set(slots.LENGTH_CODES)
    # PCI Express Card Electromechanical Specification: standard cards are up to 312 mm long, low ones up to 167.65.
    assert card.length_mm is not None
    assert 60 <= card.length_mm <= (312 if card.height == "full" else 167.65)


@pytest.mark.parametrize("card", CARRIERS.values(), ids=CARRIERS)
def test_carriers_are_what_their_name_says(card: CardKind) -> None:
    """Bays, lanes and generation of a carrier are those in its name, and its bays are M.2 bays of four lanes."""
    way = {"passive": "carrier" if card.bays == 1 else "split-carrier", "switch": "switch-carrier"}[card.carrier]
    assert f"{way}-{card.bays}-x{card.lanes}-gen{card.generation}" == card.name
    assert (slots.MODULE_LANES, "m.2") == (card.bay_lanes, card.bay_form)
    if card.carrier == "passive":
        assert card.lanes == card.bays * card.bay_lanes
        assert card.bay_generation is None
    else:
        assert card.generation == card.bay_generation
    assert card.wants_mbps is None


# The drive that a carrier of each generation is bought for. Generation 2 carries drives of generation 3.
DRIVE_FOR: Final = {2: "nvme-gen3", 3: "nvme-gen3", 4: "nvme-gen4", 5: "nvme-gen5"}


@pytest.mark.parametrize("card", CARRIERS.values(), ids=CARRIERS)
def test_a_full_carrier_keeps_to_the_power_of_its_slot(card: CardKind) -> None:
    """With a typical drive in each bay a carrier takes no more than its slot gives, and has cables only if it must."""
    full = card.power_watts + card.bays * DRIVES[DRIVE_FOR[card.generation]].power_watts
    slot = slots.card_watts(card.connector, card.height)
    assert full <= slot + card.cable_watts
    assert (full > slot) == (card.cable_watts > 0)
    assert card.cable_watts in {0.0, slots.CABLE_WATTS[6]}


def test_a_switch_takes_more_the_more_it_does() -> None:
    """Of two switches, the one with more bays, more lanes or a higher speed takes no less power."""
    switches = [card for card in CARRIERS.values() if card.carrier == "switch"]
    for one in switches:
        for other in switches:
            if one.bays <= other.bays and one.lanes <= other.lanes and one.generation <= other.generation:
                assert one.power_watts <= other.power_watts, (one.name, other.name)
    assert all(card.power_watts >= 4 for card in switches)
    assert all(card.power_watts <= 4 for card in CARRIERS.values() if card.carrier == "passive")


@pytest.mark.parametrize("generation", [2, 3, 4, 5])
def test_switch_carriers_are_there_in_every_generation(generation: int) -> None:
    """Two and four bays behind a switch are offered in each of the generations 2 to 5."""
    found = {
        (card.bays, card.lanes)
        for card in CARRIERS.values()
        if card.carrier == "switch" and card.generation == generation
    }
    assert {(2, 8), (4, 8), (4, 16)} <= found
    assert f"carrier-1-x4-gen{generation}" in CARRIERS


@pytest.mark.parametrize(("name", "gigabits"), [("1g", 1), ("10g", 10), ("25g", 25), ("100g", 100)])
def test_network_cards_want_their_line_rate(name: str, gigabits: int) -> None:
    """A network card wants its line rate (IEEE 802.3: gigabits are 10^9 bits), and its own link carries that."""
    card = CARDS[f"network-{name}"]
    assert gigabits * 1000 / 8 == card.wants_mbps
    assert card.wants_mbps < lane_mbps(card.generation) * card.lanes


@pytest.mark.parametrize("name", [name for name in CARDS if name.startswith("display")])
def test_display_cards_want_half_of_their_link(name: str) -> None:
    """A display card wants eight of its sixteen lanes; one of two places has supply cables (common practice)."""
    card = CARDS[name]
    # Published rates of x8 at 8, 16 and 32 GT/s, GB/s: 7.877, 15.754, 31.508.
    assert {3: 7.877, 4: 15.754, 5: 31.508}[card.generation] == pytest.approx((card.wants_mbps or 0) / 1000, abs=0.001)
    assert (card.wants_mbps or 0) <= lane_mbps(card.generation) * 8
    assert ("wide" in name) == (card.wide == 2) == (card.cable_watts > 0)


# --- Drives ----------------------------------------------------------------------------------------------------

# Vendor-neutral quoted read rates, MB/s, and the one-way bound at a payload of 256 bytes, both published for x4.
QUOTED: Final = {3: (3500, 3600.9), 4: (7000, 7201.8), 5: (14000, 14403.5)}


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_drives_read_at_the_quoted_rate(drive: DriveKind) -> None:
    """A drive reads at the published quoted rate, 97 percent of the one-way bound, and writes below the bound."""
    quoted, bound = QUOTED[drive.generation]
    share = drive.lanes / 4
    assert quoted * share == drive.read_mbps
    assert 97 == round(100 * drive.read_mbps / (bound * share))
    # Published bound of writing at 256 bytes, x4 at 8 GT/s: 3,653.1 MB/s; doubled by each generation after it.
    assert 0.8 * drive.read_mbps < drive.write_mbps < drive.read_mbps < 3653.1 * 2 ** (drive.generation - 3) * share


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_drives_are_what_their_name_says(drive: DriveKind) -> None:
    """Form, generation and lanes of a drive are those in its name; an M.2 drive has a length code, a U.2 drive none."""
    form = "u2-" if drive.form == "u.2" else ""
    lanes = "" if drive.lanes == slots.MODULE_LANES else f"-x{drive.lanes}"
    assert f"nvme-{form}gen{drive.generation}{lanes}" == drive.name
    assert drive.lanes <= slots.MODULE_LANES
    assert (drive.length in slots.LENGTH_CODES) == (drive.form == "m.2")


def test_drives_take_typical_power() -> None:
    """M.2 drives take the upper end of what is common (3-6, 6-9, 9-12 W); U.2 ones the published target of 25 W."""
    assert {3: 6.0, 4: 9.0, 5: 12.0} == {
        drive.generation: drive.power_watts for drive in DRIVES.values() if drive.form == "m.2" and drive.lanes == 4
    }
    assert {25.0} == {drive.power_watts for drive in DRIVES.values() if drive.form == "u.2"}
    for drive in DRIVES.values():
        if drive.lanes < slots.MODULE_LANES:
            assert drive.power_watts < DRIVES[f"nvme-gen{drive.generation}"].power_watts


# --- Rules of slots --------------------------------------------------------------------------------------------


def test_every_table_of_slots_has_its_source() -> None:
    """Each table and rule of the module names the document behind it."""
    public = {name for name in vars(slots) if name.isupper()} - {"SOURCES"}
    assert public <= set(slots.SOURCES)
    assert {name for name in slots.SOURCES if not name.isupper()} <= set(vars(slots))


def test_connectors_have_the_lanes_they_need() -> None:
    """Cards of two lanes use the x4 size and of twelve the x16 size (Card Electromechanical Specification)."""
    assert {1: 1, 2: 4, 4: 4, 8: 8, 12: 16, 16: 16} == {lanes: slots.connector_of(lanes) for lanes in WIDTHS[:-1]}
    with pytest.raises(ValueError, match="no connector is made for 32 lanes"):
        slots.connector_of(32)


def test_a_card_goes_into_its_size_or_larger() -> None:
    """A card goes into a slot of its size or a longer one, and into a shorter one only if its end is open."""
    sizes = slots.CONNECTORS
    closed = {(card, slot) for card in sizes for slot in sizes if slots.goes_in(card, slot, open_end=False)}
    assert {(1, 1), (1, 4), (1, 8), (1, 16), (4, 4), (4, 8), (4, 16), (8, 8), (8, 16), (16, 16)} == closed
    assert all(slots.goes_in(card, slot, open_end=True) for card in sizes for slot in sizes)


def test_card_power_is_that_of_the_specification() -> None:
    """Limits are the published ones; 75 W are 3 A of 3.3 V and 5.5 A of 12 V, as the specification rounds them."""
    assert {
        (1, "full"): 25,
        (1, "low"): 10,
        (4, "full"): 25,
        (4, "low"): 25,
        (8, "full"): 25,
        (8, "low"): 25,
        (16, "full"): 75,
        (16, "low"): 25,
    } == slots.CARD_WATTS
    assert slots.card_watts(16, "full") == pytest.approx(3.3 * 3 + 12 * 5.5, abs=1)
    assert {(size, height) for size in slots.CONNECTORS for height in ("full", "low")} == set(slots.CARD_WATTS)


def test_length_codes_say_width_and_length() -> None:
    """A code is the width and then the length in millimetres (PCI Express M.2 Specification)."""
    assert {code: f"{width}{length}" for code, (width, length) in slots.LENGTH_CODES.items()} == {
        code: code for code in slots.LENGTH_CODES
    }
    assert {22} == {width for width, _ in slots.LENGTH_CODES.values()}
    assert [30, 42, 60, 80, 110] == [length for _, length in slots.LENGTH_CODES.values()]
