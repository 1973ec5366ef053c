"""The map of a machine and the table of its inventory: each thing below what it is on, each once, harmless, none lost.

Outside: Python's csv for RFC 4180, markdown-it-py for CommonMark with tables; link rates are published ones.
"""

from __future__ import annotations

import csv
import io
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import pytest
from markdown_it import MarkdownIt
from msgspec.structs import replace

from agent.audit import audit
from agent.model.findings import Verdict
from agent.report import data, inventory_rows, inventory_text, markdown
from agent.report.health import WARNINGS
from agent.report.link_names import names
from agent.report.plain import NOT_READ, without_lanes
from agent.report.tree_text import content, function_tree, machine_map, places, where
from knowledge.phrasing import bytes_text, cell
from probes.facts import Health
from probes.unread import Unread
from tests.boards import bench_1, carrier, reel_3
from tests.build import build, facts
from tests.machines import FIXTURES, MACHINES
from tests.test_cli import HERE, load_facts, run
from tests.test_report import audited

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit

every_machine = pytest.mark.parametrize("name", sorted(MACHINES))
UPGRADED: Final = "bench-1-upgraded"
LOST: Final = Unread("what was asked for", "the device gave an error", vital=True)


def read_csv(found: Audit) -> list[dict[str, str]]:
    """The csv read back by Python's csv."""
    return list(csv.DictReader(io.StringIO("".join(inventory_rows.csv_rows(found)), newline=""), strict=True))


def cells(document: str) -> list[list[str]]:
    """The cells of the only table of a document as markdown-it-py reads them, in rows, the head first."""
    rows: list[list[str]] = []
    tokens: Sequence[Any] = MarkdownIt("commonmark").enable("table").parse(document)
    for before, token in pairwise(tokens):
        if token.type == "tr_open":
            rows.append([])
        if before.type in {"td_open", "th_open"}:
            assert {child.type for child in token.children} <= {"text", "text_special"}
            rows[-1].append("".join(child.content for child in token.children))
    return rows


# --- The map ---------------------------------------------------------------------------------------------------


def test_a_map_leads_from_the_processor_to_what_is_behind_a_card() -> None:
    """Slots stand below the processor, ports of a card below that, and free slots say what they offer."""
    lines = machine_map(audited(UPGRADED))
    assert "Processor" == lines[0]
    card = lines.index("  SLOT3: Packet switch PS-12, 16 GT/s (Gen 4) x4")
    assert ["    port 1: nvme5, Ostrayne Reel 4 2TB, 16 GT/s (Gen 4) x4", "    port 2 free: 4 lanes Gen 4"] == lines[
        card + 1 : card + 3
    ]
    assert "  M2_2 free: x4 connector, 4 lanes Gen 4" in lines
    assert 4 == sum(line.startswith("  SLOT1 port ") and ": nvme" in line for line in lines)


def test_a_map_names_what_falls_short_and_what_gives_no_link() -> None:
    """A link below its best has its verdict beside it, and a slot in which a card is detected is not free."""
    assert any(line.endswith(" x4, narrow") for line in machine_map(audited("bench-2-worn-riser")))
    assert any(" J2 detects a card" in line for line in machine_map(audited("bench-3-dark-slot")))


def test_cards_behind_cards_go_further_right() -> None:
    """Each level of a carrier on a carrier stands two columns further right."""
    inner = carrier((3, 4), [reel_3("A-1")])
    found = audit(facts(build(bench_1({"SLOT1": [carrier((3, 8), [inner])]}))))
    depths = [place.depth for place in places(found) if place.judged.link.device is not None]
    assert [0, 1, 2] == depths[:3]
    indents = [len(line) - len(line.lstrip()) for line in machine_map(found)]
    assert [0, 2, 4, 6] == indents[:4]


@every_machine
def test_every_link_has_one_place(name: str) -> None:
    """No link is left out of the map or told twice, and each comes after the one that it is behind."""
    found = audited(name)
    told = [place.judged.link.key for place in places(found)]
    assert sorted(judged.link.key for judged in found.links) == sorted(told)


@every_machine
def test_every_function_but_virtual_ones_hangs_somewhere_once(name: str) -> None:
    """The functions below slots and on the board are those of the machine, each once."""
    found = audited(name)
    told = [address for fitted in function_tree(found) for address, _ in fitted.functions]
    real = [one.address for one in found.facts.functions if not isinstance(one.physical_function, str)]
    assert sorted(real) == sorted(told)


def test_links_in_a_ring_are_told_once() -> None:
    """Parents that lead in a circle, as only a damaged capture has them, end the walk."""
    whole = audited(UPGRADED)
    card = next(judged for judged in whole.links if judged.link.on_card)
    assert card.link.port is not None
    upper = next(judged for judged in whole.links if judged.link.key != card.link.key and judged.link.port is not None)
    ring = replace(
        whole,
        machine=replace(
            whole.machine, leads_to={**whole.machine.leads_to, **dict.fromkeys(whole.machine.functions, card.link)}
        ),
    )
    assert upper.link.key in {place.judged.link.key for place in places(ring)}
    assert len(whole.links) == len(list(places(ring)))


# --- The table -------------------------------------------------------------------------------------------------


def test_csv_has_the_cells_that_were_worked_out_by_hand() -> None:
    """A drive on a carrier: its place, the card that it is behind, its rate and what it says of itself.

    16 GT/s x4 carries 7,876.9 MB/s after line coding (published link-rate tables).
    """
    (row,) = [row for row in read_csv(audited(UPGRADED)) if row["drive"] == "nvme5"]
    expected = {
        "place": "SLOT3 port 1",
        "behind": "SLOT3",
        "state": "fitted",
        "address": "0000:09:00.0",
        "model": "Ostrayne Reel 4 2TB",
        "now_gtps": "16.0",
        "now_lanes": "4",
        "now_mbps": "7876.9",
        "best_lanes": "4",
        "verdict": "full",
    }
    assert expected == {name: row[name] for name in expected}
    (free,) = [row for row in read_csv(audited(UPGRADED)) if row["place"] == "M2_2"]
    assert ("free", "", "4", "4") == tuple(free[name] for name in ("state", "what", "connector_lanes", "slot_lanes"))


@every_machine
def test_csv_is_as_the_standard_has_it_and_holds_every_drive(name: str) -> None:
    """Lines end in CR LF with as many cells as the head; each drive, card and failed reading has its row."""
    found = audited(name)
    lines = list(inventory_rows.csv_rows(found))
    assert all(line.endswith("\r\n") for line in lines)
    assert {len(inventory_rows.COLUMNS)} == {len(row) for row in csv.reader(lines, strict=True)}
    rows = read_csv(found)
    assert len(found.drives) == len({row["drive"] for row in rows} - {""})
    assert len(found.unread) == sum(row["state"] == "not read" for row in rows)
    cards = {judged.device_address for judged in found.links if judged.device_address}
    assert cards <= {row["address"] for row in rows}
    for value in (value for row in rows for value in row.values()):
        assert not value.lstrip().startswith(("=", "+", "-", "@", "|", "%"))
        assert value.isprintable()


def test_what_could_not_be_read_is_said_in_its_cell() -> None:
    """A reading that failed alone is neither empty nor good news; nor is a port of unknown state."""
    whole = audited(UPGRADED)
    first = whole.drives[0]
    for field, column in (("firmware", "firmware"), ("serial", "serial"), ("blocks", "bytes"), ("model", "model")):
        lost = replace(first, drive=replace(first.drive, **{field: LOST}))
        (row,) = [row for row in read_csv(replace(whole, drives=(lost, *whole.drives[1:]))) if row["drive"] == "nvme0"]
        assert NOT_READ == row[column]
    silent = [judged for judged in audited("bench-1-ordinary-user").links if judged.verdict is Verdict.UNKNOWN]
    rows = {row["address"]: row for row in read_csv(audited("bench-1-ordinary-user"))}
    assert silent
    assert {"not known"} == {rows[judged.subject]["state"] for judged in silent}
    assert all(rows[judged.subject]["note"] for judged in silent)


@every_machine
def test_markdown_has_a_row_for_each_of_the_csv(name: str) -> None:
    """The same rows in the same order; no text of a device marks anything up."""
    found = audited(name)
    head, *rows = cells(inventory_rows.markdown(found, "a|b", serials=True))
    assert list(inventory_rows.SHOWN.values()) == head
    assert {len(head)} == {len(row) for row in rows}
    assert len(read_csv(found)) == len(rows)


def test_the_command_takes_each_form_and_keeps_numbers_to_itself() -> None:
    """Both are printed; Markdown has neither host name nor serial numbers unless these are asked for."""
    capture = FIXTURES / UPGRADED / "capture.json"
    table, short, whole = (
        run("inventory", "--replay", capture, "--format", form, *more)
        for form, more in (("csv", ()), ("markdown", ()), ("markdown", ("--keep-serials",)))
    )
    assert [(0, "")] * 3 == [(done.status, done.errors) for done in (table, short, whole)]
    assert table.output.startswith(",".join(inventory_rows.COLUMNS))
    assert ("RL4-10001" in table.output, "RL4-10001" in whole.output, "RL4-10001" in short.output) == (
        True,
        True,
        False,
    )
    assert ("bench-1 (" in whole.output, "bench-1 (" in short.output) == (True, False)


def test_ports_of_cards_are_named_by_their_number() -> None:
    """A port of a card that hangs below it is "port 1", nothing that a switch makes up."""
    names = [where(place, {}) for place in places(audited(UPGRADED)) if place.depth]
    assert ["port 1", "port 2"] == names


def test_each_column_is_in_the_manual() -> None:
    """The chapter on reports names every column of the CSV."""
    chapter = (HERE / "knowledge" / "manual" / "reporting.md").read_text(encoding="utf-8")
    assert [] == [name for name in inventory_rows.COLUMNS if f"- `{name}`: " not in chapter]


def test_each_column_with_a_figure_names_its_unit() -> None:
    """Columns of temperatures, rates, speeds, lanes and sizes say in which unit they are."""
    units = {"celsius": "degrees Celsius", "mbps": "MB/s", "gtps": "GT/s", "lanes": "lanes", "bytes": "bytes"}
    said = inventory_rows.COLUMNS
    assert all(unit in said[name] for name in said for end, unit in units.items() if name.endswith(end))
    assert set(units) == {end for end in units for name in said if name.endswith(end)}


# --- What a reader must be able to tell ------------------------------------------------------------------------


@every_machine
def test_no_two_links_have_one_place(name: str) -> None:
    """Each port has a row of its own name, as a check calls it, with the lanes that it offers."""
    found = audited(name)
    rows = {row["address"]: row for row in read_csv(found) if row["address"]}
    seen = [rows[judged.subject]["place"] for judged in found.links if not judged.port_hidden]
    assert len(seen) == len(set(seen))
    for judged in found.links:
        lanes = "" if judged.port_can is None or judged.verdict is Verdict.VIRTUAL else str(judged.port_can.width)
        assert (cell(names(found)[judged.link.key]), lanes) == (
            rows[judged.subject]["place"],
            rows[judged.subject]["port_lanes"],
        )


def test_a_free_part_of_a_split_slot_can_be_told_from_the_others() -> None:
    """Of four parts of a slot the free one is known by its port, in tables, in the map and in a check's Markdown."""
    found = audited("bench-1-parts-missing")
    (free,) = [row for row in read_csv(found) if row["place"].startswith("SLOT1") and row["state"] == "free"]
    assert ("0000:00:01.2", "4") == (free["address"], free["port_lanes"])
    assert 1 == sum(line.strip().startswith(f"{free['place']} free") for line in machine_map(found))
    head, *rows = cells(markdown.check(found, "x").split("Links, worst first", 1)[1].split("\n#", 1)[0])
    places_told = [row[head.index("slot or port")] for row in rows]
    assert len(places_told) == len(set(places_told))
    rate = head.index("link MB/s")
    assert "7,877" == next(row[rate] for row in rows if row[rate - 2] == "16 GT/s (Gen 4) x4")


def inventories(found: Audit) -> dict[str, str]:
    """All forms of an inventory."""
    return {
        "text": " ".join(" ".join(line.plain for line in inventory_text.inventory(found, 100, "x").lines).split()),
        "csv": "".join(inventory_rows.csv_rows(found)),
        "markdown": inventory_rows.markdown(found, "x", serials=False),
        "json": data.encode(data.inventory(found)).decode(),
    }


def test_a_drive_that_serves_nothing_says_so_in_all_forms() -> None:
    """A dead drive is not one of many, and one whose state could not be read is not taken for a good one."""
    dead = audited("bench-2-dead-drive")
    assert [] == [form for form, told in inventories(dead).items() if "dead" not in told]
    assert any("dead" in line for line in machine_map(dead))
    assert {"nvme0": "dead", "nvme1": "live"} == {
        one.name: one.state for one in data.inventory(dead).drives if one.kind == "nvme"
    }
    alive = audited(UPGRADED)
    assert [] == [form for form, told in inventories(alive).items() if "dead" in told]
    first = alive.drives[0]
    lost = replace(alive, drives=(replace(first, drive=replace(first.drive, state=LOST)), *alive.drives[1:]))
    told = inventories(lost)
    assert [] == [form for form in ("text", "csv", "markdown") if LOST.why not in told[form]]
    assert data.inventory(lost).drives[0].state is None


def test_an_unknown_link_is_called_unknown_once() -> None:
    """A link of which nothing is known has one word for it in the map."""
    found = audited(UPGRADED)
    link = next(judged for judged in found.links if judged.link.device is not None)
    told = content(replace(link, verdict=Verdict.UNKNOWN, now=None), found)
    assert 1 == told.count("know")


def test_only_a_tunnel_is_called_one() -> None:
    """A link through another cable is told from what an emulator makes up and from what sits inside the chip."""
    tunnelled, made_up = (
        next(one for one in audit(load_facts(name)).links if one.verdict is Verdict.VIRTUAL)
        for name in ("tower-3-tunnelled-dock", "guest-passthrough")
    )
    inside = replace(tunnelled, link=replace(tunnelled.link, integrated=True))
    told = [without_lanes(one) for one in (tunnelled, made_up, inside)]
    assert [True, False, False] == [words.startswith("tunnelled") for words in told]
    assert 3 == len(set(told))


def test_sizes_have_one_form() -> None:
    """Thousands are set apart in terabytes as they are in all other figures."""
    assert ("1,228.8 TB", "999 GB") == (bytes_text(1_228_800_000_000_000), bytes_text(999_000_000_000))


def test_a_warning_is_told_by_what_is_lost() -> None:
    """Each critical warning has words of its own; what failed is the protection, not somebody's backup."""
    assert {name for name in WARNINGS if name in Health.__struct_fields__} == set(WARNINGS)
    assert len(set(WARNINGS.values())) == len(WARNINGS)
    assert "backup" not in WARNINGS["backup_failed"]
