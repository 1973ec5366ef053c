"""Texts of build sheets: one made from what is fitted, and the user's own with the places of a plan written into it.

Makes text only; nothing is read or written here. Whatever a machine says of itself is hostile: it stands in strings
with escapes, and in comments on one line.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec import NODEFAULT
from msgspec.structs import replace

from agent.sheets.places import harmless
from agent.sheets.sheet import FORMAT, VERSION, CardSpec, LanesWhile, SlotSpec
from knowledge.phrasing import listed
from knowledge.problems import BadInput
from knowledge.rates import WIDTHS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from msgspec import Struct

    from agent.audit import Audit
    from agent.sheets.contents import SheetEntry
    from agent.sheets.fitted import SheetOfMachine
    from agent.sheets.sheet import Placement

WIDTH: Final = 100  # of a comment, characters
MOST_FAULTS: Final = 6  # that are named
MOST_DOTS: Final = 8  # in one text; more are written as escapes, as a reader may take dots for deep keys
ALWAYS: Final = frozenset({"kind", "lanes", "payload_bytes"})  # written even where they are what a reader takes anyway

_INTRODUCTION: Final = (
    "It says what each part can do, not what it does now. What a machine does not tell of itself is missing here,"
    " or stands in a comment that says what to check; the manual of the board and the makers' sheets have it:"
)
_TO_LOOK_UP: Final = (
    "uplinks: links that slots share (see the board's block diagram), as [[uplink]], and their name at each slot",
    "slots: lanes_while, the lanes that a slot has left while others are filled (see the manual's table of slots)",
    "slots: open_end, longest_mm, height, covers (what a double-width card in it hides), lengths of M.2 modules",
    "cards: wants_mbps is the link rate that a card must keep, which no plan makes less; write what it really needs",
    "cards: power_watts without drives, cable_watts, height, length_mm, wide, connector where its lanes need less",
    "drives: read_mbps and write_mbps (without them the link is taken for the limit), length, form",
    "needs: what the build is for, as [[need]] and [[stripe]] entries; stays = true for what must not be moved",
)


# --- From what is fitted -----------------------------------------------------------------------------------------


def from_audit(audit: Audit, source: str) -> str:
    """The text of a sheet that says what a machine holds; `source` is what the audit was made from, for people."""
    from agent.sheets.fitted import fitted

    return "\n".join(_lines(fitted(audit), audit.facts.taken_at, source, whole_links(audit))) + "\n"


def whole_links(audit: Audit) -> str:
    """That a sheet is as if every link were whole, with those that are not; "" where all are."""
    from agent.sheets.fitted import faulty

    faults = list(faulty(audit))
    return (
        f"This sheet is as if every link were whole, but {listed(faults, most=MOST_FAULTS)}: see check."
        if faults
        else ""
    )


def _lines(found: SheetOfMachine, taken_at: str, source: str, whole: str) -> Iterator[str]:
    """The lines of a sheet."""
    yield from comment(f"Build sheet made from what is fitted ({source}, read {taken_at or 'at a time not told'}).")
    if whole:
        yield from comment(whole)
    yield from comment(_INTRODUCTION)
    for item in _TO_LOOK_UP:
        yield from comment(item, "- ")
    if found.left_out:
        yield "#"
        yield "# Left out:"
        for item in found.left_out:
            yield from comment(item, "- ")
    yield ""
    yield f"format = {quoted(FORMAT)}"
    yield f"version = {VERSION}"
    yield ""
    yield "[machine]"
    for remark in found.remarks:
        yield from comment(remark)
    yield from _pairs(found.machine, () if found.payload_told else ("payload_bytes",))
    for table, parts in (
        ("uplink", found.uplinks),
        ("slot", tuple(_asked(found.slots))),
        ("card", found.cards),
        ("drive", found.drives),
        ("stripe", found.stripes),
    ):
        yield from _entries(table, parts)


def _asked(slots: Sequence[SheetEntry]) -> Iterator[SheetEntry]:
    """The slots, each with the question which others take its lanes: no machine tells, the board's manual does."""
    specs = [part.spec for part in slots if isinstance(part.spec, SlotSpec)]
    for place, (part, spec) in enumerate(zip(slots, specs, strict=True)):
        others = specs[place + 1 :] + specs[place - 1 : place]
        question = (
            "Does it have fewer lanes, or none (0), while another slot is filled? If the manual says so, write it:"
        )
        half = next((lanes for lanes in reversed(WIDTHS) if 2 * lanes <= spec.lanes), 0)
        taken = (f"lanes_while = {value_text('', (LanesWhile((one.label,), half),))}" for one in others[:1])
        yield replace(part, remarks=(*part.remarks, *([question] if others else []), *taken))


def _entries(table: str, parts: Sequence[SheetEntry]) -> Iterator[str]:
    for part in parts:
        yield ""
        yield f"[[{table}]]"
        for remark in part.remarks:
            yield from comment(remark)
        yield from _pairs(part.spec)


def comment(text: str, mark: str = "") -> Iterator[str]:
    """A text as lines of comment, each beginning with the mark of one."""
    line = f"# {mark}"
    begun = False
    for word in harmless(text, 10 * WIDTH).split(" "):
        if begun and len(line) + 1 + len(word) > WIDTH:
            yield line
            line, begun = f"# {' ' * len(mark)}", False
        line, begun = f"{line} {word}" if begun else line + word, True
    yield line.rstrip()


def _pairs(spec: Struct, without: Sequence[str] = ()) -> Iterator[str]:
    """The keys of one entry, but for those that say nothing beyond what a reader takes without them."""
    names = spec.__struct_fields__
    defaults = (NODEFAULT,) * (len(names) - len(spec.__struct_defaults__)) + spec.__struct_defaults__
    always = ALWAYS | {"bay_lanes"} if isinstance(spec, CardSpec) and spec.bays else ALWAYS
    for name, default in zip(names, defaults, strict=True):
        value = getattr(spec, name)
        if value is not None and (name in always or value != default) and name not in without:
            yield f"{name} = {value_text(name, value)}"


def value_text(name: str, value: Any) -> str:  # noqa: ANN401 - whatever a field of a sheet can be
    """A value of the key `name` as TOML."""
    if name == "splits":
        value = tuple("+".join(map(str, split)) for split in value)
    match value:
        case LanesWhile():
            return f"{{{', '.join(_pairs(value))}}}"
        case bool():
            return "true" if value else "false"
        case str():
            return quoted(value)
        case float():
            return f"{value:.4f}".rstrip("0").removesuffix(".")
        case tuple():
            return f"[{', '.join(value_text('', item) for item in value)}]"
        case _:
            return str(value)


def quoted(text: str) -> str:
    """A text as a TOML basic string on one line, with escapes for all that is not printable.

    What no TOML text can hold (half of a surrogate pair) becomes U+FFFD.
    """
    dots = text.count(".") > MOST_DOTS
    return f'"{"".join(_escaped(item, dots=dots) for item in text)}"'


def _escaped(character: str, *, dots: bool) -> str:
    if character in {'"', "\\"}:
        return f"\\{character}"
    if character.isprintable() and not (dots and character == "."):
        return character
    code = ord(character)
    if 0xD800 <= code < 0xE000:  # noqa: PLR2004 - surrogates
        code = 0xFFFD
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"  # noqa: PLR2004 - four hexadecimal digits


# --- The user's own text ---------------------------------------------------------------------------------------


def with_placement(text: str, placement: Placement, source: str) -> str:
    """The user's own sheet with every part where the placement has it; comments and layout stay.

    Parts that the placement does not have are written as not fitted. BadInput where the text is not TOML.
    """
    import tomlkit
    from tomlkit.exceptions import ParseError, TOMLKitError

    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        where = f", line {error.line}" if isinstance(error, ParseError) else ""
        words = "this is not TOML that can be changed, so no places can be written into it"
        raise BadInput(f"{harmless(source, WIDTH)}{where}: {words}") from None
    for card in document.get("card", ()):
        _place(card, {"slot": placement.cards.get(str(card.get("name")))})
    for drive in document.get("drive", ()):
        place = placement.drives.get(str(drive.get("name")))
        in_bay = place is not None and place.bay is not None
        _place(
            drive,
            {
                "card": place.holder if place is not None and in_bay else None,
                "bay": place.bay if place is not None and in_bay else None,
                "slot": place.holder if place is not None and not in_bay else None,
            },
        )
    return tomlkit.dumps(document)


def _place(entry: Any, wanted: dict[str, str | int | None]) -> None:  # noqa: ANN401 - a table, also an inline one
    """Set or remove the keys of an entry's place; a key that is right already stays as it is written."""
    for key, value in wanted.items():
        if value is None:
            if key in entry:
                entry.remove(key)
        elif key in entry:
            if entry[key] != value:
                entry[key] = value
        else:
            _append(entry, key, value)


def _append(entry: Any, key: str, value: str | int) -> None:  # noqa: ANN401 - as above
    """Add a key after the last one of an entry, before the comments that already speak of the next entry."""
    from tomlkit.items import Table

    if not isinstance(entry, Table):
        entry[key] = value
        return
    body = entry.value.body
    tail = []
    while body and body[-1][0] is None:
        tail.append(body.pop())
    entry[key] = value
    body.extend(reversed(tail))
