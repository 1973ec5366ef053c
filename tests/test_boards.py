"""Kinds of boards and the templates of them: laws over every entry, held against published figures; each plans."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final

import msgspec
import pytest

import knowledge
from agent.planner.plan import plan
from agent.proposals import complete
from agent.sheets.commented import USUAL_BOARD, template
from agent.sheets.key_words import KEY_WORDS
from agent.sheets.reading import LIMIT, parse
from agent.sheets.shape import TABLES, shaped
from knowledge.boards import BoardsFile, board_kinds, boards
from knowledge.parts import CardKind, DriveKind, kinds
from knowledge.problems import BadInput
from knowledge.slots import LENGTH_CODES, MODULE_LANES

every_board = pytest.mark.parametrize("name", board_kinds())
FILE: Final = (Path(knowledge.__path__[0]) / "boards.toml").read_text(encoding="utf-8")
ENTRIES: Final[dict[str, dict[str, Any]]] = {entry["name"]: entry for entry in tomllib.loads(FILE)["board"]}
ABOUT: Final = {"name", "what", "sources", "cards", "drives", "label"}  # what is no figure


def figures(entry: dict[str, Any]) -> set[str]:
    """The keys of a board, of its slots and of its shared links that say something of it."""
    found = {key for key in entry if key not in {*ABOUT, "slot", "uplink"}}
    for part in (*entry["slot"], *entry.get("uplink", ())):
        found |= part.keys() - ABOUT
    return found


# --- Every entry -----------------------------------------------------------------------------------------------


@every_board
def test_every_figure_has_one_source(name: str) -> None:
    """Each key of a board comes from exactly one of its sources, and no source is named for nothing."""
    entry = ENTRIES[name]
    sources = [boards().sources[source] for source in entry["sources"]]
    found = figures(entry)
    claimed = sorted(figure for source in sources for figure in source.figures if figure in found)
    assert sorted(found) == claimed
    assert [] == [source.text for source in sources if not found & set(source.figures)]
    assert sorted(entry["sources"]) == entry["sources"]


def test_every_source_is_used_and_says_what_it_is() -> None:
    """No source is left over, and each is a published document or marked as common practice."""
    assert {source for entry in ENTRIES.values() for source in entry["sources"]} == set(boards().sources)
    published = ("common practice:", "PCI Express ", "NVM Express ")
    assert [] == [source.text for source in boards().sources.values() if not source.text.startswith(published)]


def test_an_unknown_key_in_the_file_is_refused() -> None:
    """A mistyped key of a board cannot pass as one that is not given."""
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(tomllib.loads(FILE.replace("splits = []", "split = []", 1)), BoardsFile)


@every_board
def test_a_board_of_a_generation_has_its_speed(name: str) -> None:
    """The fastest slot has the generation of the board's name, and no slot or shared link is faster."""
    board = board_kinds()[name]
    generation = int(name[-1])
    assert f"gen{generation}" == name.rpartition("-")[2]
    assert generation == max(slot.generation for slot in board.slot)
    assert all(1 <= uplink.generation <= generation for uplink in board.uplink)


# Base specifications, by the generation that each brought, and the rate of a lane in it, GT/s. Source: PCI-SIG's
# announcements of PCI Express 1.0, 2.0, 3.0, 4.0 and 5.0 (from memory).
SPECIFICATIONS: Final = {1: ("1.0", "2.5"), 2: ("2.0", "5"), 3: ("3.0", "8"), 4: ("4.0", "16"), 5: ("5.0", "32")}


@every_board
def test_the_source_of_a_generation_is_its_specification(name: str) -> None:
    """The source that a board gives for its speed names the specification that brought it, and its rate."""
    version, rate = SPECIFICATIONS[int(name[-1])]
    source = next(one for one in board_kinds()[name].sources if one.startswith("generation-"))
    assert boards().sources[source].text.startswith(f"PCI Express Base Specification {version}: {rate} GT/s")


@every_board
def test_old_boards_split_nothing_and_start_from_no_drive(name: str) -> None:
    """Boards of generations 1 and 2 split no slot, have no sockets, and do not start from NVMe drives; newer ones do.

    NVM Express 1.0 is of March 2011, the M.2 specification of 2013 (from memory); the rest is common practice.
    """
    board = board_kinds()[name]
    old = name.startswith("old-")
    assert old == (int(name[-1]) <= 2)
    assert old != board.starts_from_nvme
    assert old != any(slot.splits for slot in board.slot)
    assert old != any(slot.kind == "m.2" for slot in board.slot)


@every_board
def test_sockets_have_what_modules_have(name: str) -> None:
    """M.2 and U.2 have up to four lanes, and lengths are codes of the PCI Express M.2 Specification."""
    sockets = [slot for slot in board_kinds()[name].slot if slot.kind in {"m.2", "u.2"}]
    for slot in sockets:
        assert slot.lanes <= MODULE_LANES
        assert (slot.kind == "m.2") == (slot.lengths is not msgspec.UNSET)
        assert slot.lengths is msgspec.UNSET or set(slot.lengths) <= set(LENGTH_CODES)
    assert bool(sockets) != name.startswith("old-")


@every_board
def test_example_parts_are_of_their_kinds(name: str) -> None:
    """The parts that a template shows are kinds of cards and drives."""
    board = board_kinds()[name]
    assert {CardKind} == {type(kinds()[kind]) for kind in board.cards}
    assert {DriveKind} == {type(kinds()[kind]) for kind in board.drives}


# --- Templates -------------------------------------------------------------------------------------------------


@every_board
def test_a_template_is_read_and_plans(name: str) -> None:
    """Each template is a good sheet as it stands, and every part in it has a place that is proved best."""
    sheet = parse(template(name), "template")
    board = board_kinds()[name]
    assert [slot.label for slot in board.slot] == [slot.label for slot in sheet.slots]
    found = plan(sheet, lambda: True)
    assert found.proved
    assert complete(found)


@every_board
def test_a_template_shows_every_key(name: str) -> None:
    """Each key of each table stands in a template with words that say what it is, given or behind a #."""
    text = template(name)
    for table, words in KEY_WORDS.items():
        part = re.split(r"^(?:# )?\[", text.partition(f"[{table}]")[2], maxsplit=1, flags=re.MULTILINE)[0]
        for key, word in words.items():
            assert re.search(rf"^(?:# )?{key} = .+# {re.escape(word.says)}$", part, re.MULTILINE), (table, key)
    assert max(map(len, text.splitlines())) <= 120
    assert len(text) < LIMIT


@every_board
def test_an_old_board_has_a_caution_on_starting(name: str) -> None:
    """The template of a board that may not start from NVMe drives says so beside its drives, and no other does."""
    text = " ".join(line.removeprefix("# ") for line in template(name).splitlines())
    assert name.startswith("old-") == ("may not start from an NVMe drive" in text)


def test_no_other_template_is_there() -> None:
    """A name that is no kind of board is refused, with the nearest or with all of them."""
    assert USUAL_BOARD in board_kinds()
    with pytest.raises(BadInput, match='no template is called "desktop-gen44"; did you mean "desktop-gen4"'):
        template("desktop-gen44")
    with pytest.raises(BadInput, match=r"no template is called .+ there are old-tower-gen1, "):
        template("\x1b[31m")


# --- Words of keys ---------------------------------------------------------------------------------------------


def test_every_key_has_its_words() -> None:
    """The words of keys are those of the tables of a sheet, in their order."""
    assert {table: list(struct.__struct_fields__) for table, struct in TABLES.items()} == {
        table: list(words) for table, words in KEY_WORDS.items()
    }


@pytest.mark.parametrize(("table", "key"), [(table, key) for table, words in KEY_WORDS.items() for key in words])
def test_every_example_is_a_value_of_its_key(table: str, key: str) -> None:
    """What stands behind a # has the shape that its key takes."""
    needed = {
        field.name: KEY_WORDS[table][field.name].example
        for field in msgspec.structs.fields(TABLES[table])
        if field.required
    }
    entry = needed | {key: KEY_WORDS[table][key].example}
    heading = "[machine]" if table == "machine" else f"[[{table}]]"
    lines = ["format = 'lanewright-sheet'", "version = 1", heading, *(f"{one} = {entry[one]}" for one in entry)]
    given = getattr(shaped(tomllib.loads("\n".join(lines)), lambda key, words: BadInput(f"{key}: {words}")), table)
    assert msgspec.UNSET is not getattr(given if table == "machine" else given[0], key)
