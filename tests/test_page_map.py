"""The map of a machine: what stands on it, how broad its lines are, and that it stays readable on any machine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec import structs

from agent.audit import audit
from agent.report.page.drawing import BROAD, NARROW, WIDE, drawings
from agent.report.page.fitting import width, wrapped
from agent.report.page.lettering import LARGE
from agent.report.page.map import MOST_DRAWN, MOST_LEVELS, Chart, MapEntry, chart, folded
from tests.machines import hall_server
from tests.pages import FOLDERS, audited, facts
from tests.test_machines import replayed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from probes.facts import PciFunction


def entries(found: Sequence[MapEntry]) -> Iterator[MapEntry]:
    """All entries of a map."""
    for one in found:
        yield one
        yield from entries(one.below)


def entry(name: str, *below: MapEntry, lanes: int = 4) -> MapEntry:
    """A healthy link."""
    return MapEntry(
        slot=f"slot {name}", rate="8 GT/s (Gen 3) x4", name=name, what="Reel", lanes=lanes, bed=lanes, below=below
    )


# --- What stands on it -----------------------------------------------------------------------------------------


def test_a_map_leads_from_the_processor_to_the_drives() -> None:
    """A carrier stands at the processor with its slot, rate and lanes, and its drives hang on it in their bays."""
    found = chart(audited("bench-1-stripe-set"))
    carrier = found.entries[0]
    assert ("SLOT1", "8 GT/s (Gen 3) x8", "Packet switch PS-12", 8) == (
        carrier.slot,
        carrier.rate,
        carrier.name,
        carrier.lanes,
    )
    assert [("port 1", "nvme0"), ("port 2", "nvme1"), ("port 3", "nvme2"), ("port 4", "nvme3")] == [
        (one.slot, one.name) for one in carrier.below
    ]
    assert "shared: holds back 4 drives" == carrier.mark
    assert ["sda, sdb"] == [one.name for one in found.entries if one.kind == "own"]
    assert {"SLOT3", "M2_2", "SLOT4"} <= {one.slot for one in found.entries if one.kind == "empty"}


@pytest.mark.parametrize(
    ("name", "slot", "mark", "lanes", "bed"),
    [
        ("bench-2-worn-riser", "PCIE1", "narrow: could be x8", 4, 8),
        ("bench-2-slow-link", "PCIE3", "slow: could be 8 GT/s", 4, 4),
        ("bench-1-slot-limited", "SLOT4", "slot-limited: could be 16 GT/s", 4, 4),
        ("bench-3-set-slow", "slot J1", "set-slow: could be 8 GT/s", 8, 8),
    ],
)
def test_what_is_held_back_is_marked(name: str, slot: str, mark: str, lanes: int, bed: int) -> None:
    """A link that runs below what it could bears the verdict and what it could be; its bed is what it could be."""
    (found,) = [one for one in entries(chart(audited(name)).entries) if one.slot == slot]
    assert (mark, lanes, bed) == (found.mark, found.lanes, found.bed)


def test_a_drive_with_a_fault_is_marked_on_a_full_link() -> None:
    """A drive that has a fault bears the word of it on the map, also where its link runs as well as it can."""
    name = "bench-2-failing-drives"
    faulty = {one.subject for one in audited(name).findings if one.severity == "fault"}
    drives = {seen.drive.name for seen in audited(name).drives} & faulty
    assert drives
    found = {one.name: one for one in entries(chart(audited(name)).entries) if one.name in drives}
    assert drives == set(found)
    for one in found.values():
        assert "of the drive" in one.mark or one.severity == "fault"
    assert any("of the drive" in one.mark and one.at_end for one in found.values())
    (drawing, _) = drawings(chart(audited(name)))
    assert "fault" in {severity for _, _, severity in drawing.marks}


def test_a_virtual_link_has_no_bed() -> None:
    """A link without wires has no lanes that could be in use, so no bed lies under it."""
    found = [one for name in FOLDERS for one in entries(chart(audited(name)).entries) if one.kind == "virtual"]
    assert found
    assert {0} == {one.bed for one in found}


def test_a_dark_slot_and_a_hidden_port_are_told() -> None:
    """A slot whose card does not answer is marked dark; a drive whose port is not visible hangs on a hidden one."""
    assert "dark" in {one.mark for one in entries(chart(audited("bench-3-dark-slot")).entries)}
    assert "hidden" in {one.kind for one in entries(chart(audited("guest-passthrough")).entries)}


@pytest.mark.parametrize("name", FOLDERS)
def test_every_drive_is_on_the_map(name: str) -> None:
    """Each drive of a machine that is not folded is named on its map."""
    found = audited(name)
    named = " ".join(one.name for one in entries(chart(found).entries))
    assert [] == [seen.drive.name for seen in found.drives if seen.drive.name not in named]


@pytest.mark.long
def test_alike_neighbours_of_a_large_machine_are_one() -> None:
    """Of 2,000 functions a few entries remain, which say how many they stand for."""
    found = chart(replayed(hall_server(2000).capture()))
    assert 0 == found.left_out
    names = [one.name for one in entries(found.entries)]
    assert ["15 alike", "8 alike", "15 alike"] == names


def test_folding_leaves_what_differs() -> None:
    """Three entries that are alike are one; one that runs at fewer lanes stands by itself."""
    found = folded([entry("a"), entry("b", lanes=2), entry("c"), entry("d")])
    assert [("3 alike", "a, c, d"), ("b", "")] == [(one.name, one.also) for one in found]


def ports(parents: Sequence[str | None]) -> Iterator[PciFunction]:
    """A port for each of these parents, the first one's address being 0000:00:00.0, the next 0001:00:00.0."""
    like = next(one for one in facts("bench-1-stripe-set").functions if one.address == "0000:00:01.0")
    for number, parent in enumerate(parents):
        yield structs.replace(like, address=f"{number:04x}:00:00.0", parent=parent)


def with_functions(functions: Sequence[PciFunction]) -> Audit:
    """The audit of a machine with these functions and a drive at the last of them."""
    whole = facts("bench-1-stripe-set")
    drives = (structs.replace(whole.drives[0], address=functions[-1].address),)
    return audit(structs.replace(whole, functions=tuple(functions), drives=drives, stripes=(), looks=()))


def test_ports_nested_without_end_are_told_by_their_number() -> None:
    """In a capture whose ports are nested a thousand deep, which no machine has, the map ends after a few levels."""
    chain = tuple(ports([None, *(f"{number:04x}:00:00.0" for number in range(999))]))
    found = list(entries(chart(with_functions(chain)).entries))
    assert MOST_LEVELS + 1 == len(found)
    assert f"{999 - MOST_LEVELS + 1:,} more links" == found[-1].name


def test_ports_in_a_ring_make_a_map() -> None:
    """In a damaged capture whose ports are each other's parents the map still comes to an end."""
    ring = tuple(ports(["0001:00:00.0", "0000:00:00.0"]))
    assert 2 >= len(list(entries(chart(with_functions(ring)).entries)))


def test_more_unlike_cards_than_a_page_can_show_are_counted() -> None:
    """Of very many cards that are all unlike, as many as can be read are drawn, and the others are told by number."""
    above = tuple(ports([None] * 200))
    like = next(one for one in facts("bench-1-stripe-set").functions if one.address == "0000:07:00.0")
    cards = tuple(
        structs.replace(like, address=f"{number:04x}:01:00.0", parent=port.address, model_name=f"Card {number}")
        for number, port in enumerate(above)
    )
    found = chart(with_functions((*above, *cards)))
    assert MOST_DRAWN == len(found.entries)
    assert 200 - MOST_DRAWN == found.left_out


# --- Where it stands -------------------------------------------------------------------------------------------


def test_lines_grow_with_lanes() -> None:
    """More lanes make a broader line, in both forms of the map, and the bed is never narrower than the line."""
    assert sorted(BROAD.values()) == [BROAD[lanes] for lanes in sorted(BROAD)]
    for drawing in drawings(Chart((entry("a", lanes=1), entry("b", lanes=16)), 0)):
        one, sixteen = (line.broad for line in drawing.lines)
        assert (3.0, 22.0) == (one, sixteen)
    untold = structs.replace(entry("c", lanes=8), bed=0)
    for drawing in drawings(Chart((untold,), 0)):
        assert [(14.0, 14.0)] == [(line.broad, line.bed) for line in drawing.lines]


@pytest.mark.parametrize("name", FOLDERS)
def test_nothing_lies_outside_or_on_each_other(name: str) -> None:
    """All boxes lie inside the drawing, and no box of the wide form covers a part of another."""
    wide, narrow = drawings(chart(audited(name)))
    assert (WIDE.kind, NARROW.kind) == (wide.kind, narrow.kind)
    for drawing in (wide, narrow):
        for box in (*drawing.boxes, drawing.trunk):
            assert 0 <= box.x <= box.x + box.width <= drawing.width
            assert 0 <= box.y <= box.y + box.height <= drawing.height
    for place, one in enumerate(wide.boxes):
        for other in wide.boxes[place + 1 :]:
            beside = one.x + one.width <= other.x or other.x + other.width <= one.x
            assert beside or one.y + one.height <= other.y or other.y + other.height <= one.y


def test_deep_machines_are_drawn_wider() -> None:
    """A map with more levels is wider, so that words keep their room; the levels of a map are limited."""
    nested = entry("leaf")
    for level in range(MOST_LEVELS - 1):
        nested = entry(f"switch {level}", nested)
    (wide, narrow) = drawings(Chart((nested,), 0))
    assert WIDE.width < wide.width
    assert NARROW.width == narrow.width


def test_wide_letters_take_more_room() -> None:
    """Letters of East Asian scripts, and capitals, are broader than small letters."""
    assert width("漢字", 12.0) > width("AB", 12.0) > width("ab", 12.0)


@given(st.text(alphabet="iW漢-:. x", max_size=300), st.floats(20.0, 400.0))
@example("W" * 300, 20.0)
@example("", 20.0)
@example("Packet switch PS-12", 120.0)
def test_long_names_take_as_many_lines_as_they_need(text: str, room: float) -> None:
    """Nothing of a name is lost, no line is broader than its room, and no word is torn that a line has room for."""
    lines = wrapped(text, room, LARGE)
    assert text.replace(" ", "") == "".join(lines).replace(" ", "")
    assert [] == [line for line in lines if width(line, LARGE) > room]
    whole = [word for word in text.split(" ") if width(word, LARGE) <= room]
    assert [] == [word for word in whole if not any(word in line for line in lines)]


def test_a_map_cuts_no_name() -> None:
    """The words of very long slots, cards and rates stand on both forms of the map, letter by letter."""
    names = ("S" * 80, "8 GT/s (Gen 3) x4 and so forth", "card " * 12 + "end", "made of " * 6 + "steel")
    long = MapEntry(slot=names[0], rate=names[1], name=names[2], what=names[3], lanes=4, bed=4, held="narrow")
    for drawing in drawings(Chart((structs.replace(long, below=(long,)),), 0)):
        shown = "".join(words.text for words in drawing.words).replace(" ", "")
        assert [2] * 4 == [shown.count(name.replace(" ", "")) for name in names]
