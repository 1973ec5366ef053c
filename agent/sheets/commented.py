"""Texts of build sheets with a comment at each key: a first sheet from its tables, or a template of a kind of board.

Makes text only. A table is the keys and values of one entry, as TOML has them; lists of entries stand by their name.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from agent.sheets.key_words import KEY_WORDS
from agent.sheets.names import Names
from agent.sheets.sheet import FORMAT, VERSION
from agent.sheets.writing import WIDTH, comment, quoted, value_text
from knowledge.boards import OLD_START, board_kinds
from knowledge.parts import CardKind, kinds, nearest
from knowledge.phrasing import listed
from knowledge.phrasing import quoted as named
from knowledge.problems import BadInput
from knowledge.rates import lane_mbps

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from knowledge.boards import BoardKind

Tables = dict[str, Any]

USUAL_BOARD: Final = "desktop-gen4"  # of which a template is written where nobody chose
_COLUMN: Final = 30  # where comments beside keys begin
_MOST_DOTS: Final = 8  # in a list on one line; a reader may take dots for deep keys
_EXAMPLES: Final = "What stands behind a # is not in force: remove the # in front of a key to use it."


# --- A sheet from its tables -------------------------------------------------------------------------------------


def commented(tables: Tables, head: Sequence[str], remarks: Mapping[str, str]) -> str:
    """The text of a sheet that says of each key what it is; `remarks` stand below headings ("slot[2]").

    The first entry of a table shows all keys, those that are not given as comments; a table that is not there is
    shown as a comment.
    """
    lines = [line for words in (*head, _EXAMPLES) for line in comment(words)]
    return "\n".join([*lines, "", *_lines(tables, remarks)]) + "\n"


def _lines(tables: Tables, remarks: Mapping[str, str]) -> Iterator[str]:
    yield f"format = {quoted(FORMAT)}"
    yield f"version = {VERSION}"
    for table, words in KEY_WORDS.items():
        given = tables.get(table, [])
        entries = given if isinstance(given, list) else [given]
        heading = f"[{table}]" if table == "machine" else f"[[{table}]]"
        for number, entry in enumerate(entries):
            remark = remarks.get(f"{table}[{number}]")
            yield ""
            yield heading
            yield from comment(remark) if remark is not None else ()
            yield from _with_words(table, entry, every=number == 0)
        if not entries:
            yield ""
            yield f"# {heading}"
            yield from (_beside(f"# {key} = {word.example}", word.says) for key, word in words.items())


def _with_words(table: str, entry: Tables, *, every: bool) -> Iterator[str]:
    """The keys of an entry; with `every`, each with its words, and those that it does without as comments."""
    for key, word in KEY_WORDS[table].items():
        if key in entry:
            yield _beside(_pair(key, entry[key]), word.says) if every else _pair(key, entry[key])
        elif every:
            yield _beside(f"# {key} = {word.example}", word.says)


def _pair(key: str, value: Any) -> str:  # noqa: ANN401 - whatever a key of a sheet can have
    """A key with its value; a long list takes a line for each of its items."""
    if not isinstance(value, list):
        return f"{key} = {value_text('', value)}"
    return f"{key} = {_list_text(value, '')}"


def _list_text(values: list[Any], before: str) -> str:
    """A list, on one line or, where that would be long or hold many dots, with a line for each of its items."""
    items = [_table_text(one, before) if isinstance(one, dict) else value_text("", one) for one in values]
    line = f"[{', '.join(items)}]"
    if len(line) <= WIDTH and line.count(".") <= _MOST_DOTS and "\n" not in line:
        return line
    return "\n".join(["[", *(f"{before}    {item}," for item in items), f"{before}]"])


def _table_text(table: Tables, before: str) -> str:
    """A table in a list; only the lists in it may take several lines (TOML 1.0, Inline Table)."""
    pairs = []
    for key, value in table.items():
        text = _list_text(value, f"{before}    ") if isinstance(value, list) else value_text("", value)
        pairs.append(f"{key} = {text}")
    return f"{{{', '.join(pairs)}}}"


def _beside(pair: str, words: str) -> str:
    """A pair with its comment: beside it, or above where that is too long."""
    line = f"{pair.ljust(_COLUMN)} # {words}"
    return line if "\n" not in pair and len(line) <= WIDTH + 20 else f"# {words}:\n{pair}"


# --- Templates ---------------------------------------------------------------------------------------------------


def template(name: str) -> str:
    """The template of a kind of board; BadInput where there is no such kind."""
    board = board_kinds().get(name)
    if board is None:
        near = nearest(name, board_kinds())
        meant = f"did you mean {named(near)}? There" if near else "there"
        raise BadInput(f"no template is called {named(name)}; {meant} are {listed(board_kinds())}")
    head = (
        f"Template of a build sheet: {board.what} ({name}).",
        "Typical figures: replace them by those of your board's manual and your parts, then run: lanewright plan FILE",
    )
    remarks = {
        "slot[0]": "Slots and sockets, in the order of the board. Only the first one shows all keys.",
        "card[0]": "Cards of today and those to buy. These are examples.",
        "drive[0]": "Drives of today and those to buy. These are examples.",
    }
    if not board.starts_from_nvme:
        remarks["drive[0]"] += f" {OLD_START}"
    return commented(board_tables(board) | _examples(board), head, remarks)


def board_tables(board: BoardKind) -> Tables:
    """The shared links and slots of a kind of board."""
    from msgspec import to_builtins

    found: Tables = to_builtins({"uplink": board.uplink, "slot": board.slot})
    return {table: [_listed(entry) for entry in entries] for table, entries in found.items()}


def _listed(entry: Tables) -> Tables:
    return {key: list(value) if isinstance(value, tuple) else value for key, value in entry.items()}


def _examples(board: BoardKind) -> Tables:
    """The parts that a template shows: the first card is fitted, all else is to buy."""
    names = Names()
    cards: list[Tables] = [{"name": names.unique(_called(kind)), "kind": kind} for kind in board.cards]
    cards[0] |= less_wanted(board.cards[0], board_tables(board)["slot"])
    cards[0] |= {"slot": board.slot[0].label, "stays": True}
    drives = [{"name": f"drive {number}", "kind": kind} for number, kind in enumerate(board.drives, 1)]
    return {"machine": {}, "card": cards, "drive": drives, "stripe": [], "need": []}


def less_wanted(kind: str, slots: Sequence[Tables]) -> Tables:
    """What a card should want where its kind wants more than any slot for cards carries: half of the best of them.

    That display cards lose little with half of their link is common practice (knowledge/parts.toml); {} where the
    kind's own figure can be met.
    """
    known = kinds()[kind]
    rates = [lane_mbps(slot["generation"]) * slot["lanes"] for slot in slots if slot.get("kind", "card") == "card"]
    wants = known.wants_mbps if isinstance(known, CardKind) else None
    return (
        {"wants_mbps": int(max(rates) / 2), "wants_assumed": True}
        if wants is not None and rates and wants > max(rates)
        else {}
    )


def _called(kind: str) -> str:
    """What a card of a kind is called where nobody has named it: "display", "carrier"."""
    assert kind in kinds(), kind
    return re.split(r"-(?=[0-9x]|wide)", kind)[0].rpartition("-")[2]
