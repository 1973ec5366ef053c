"""The shape of a build sheet's file: its tables and keys, the bounds of each figure, and words for what breaks them.

Looks at each value by itself. Names that mean something elsewhere, and figures that must agree, are for checks.py.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from agent.sheets.sheet import FORMAT, VERSION
from agent.toml.keys import shown, unknown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from knowledge.problems import BadInput

    Fail = Callable[[str, str], BadInput]

# --- Bounds ----------------------------------------------------------------------------------------------------

_Name = Annotated[str, Meta(min_length=1, max_length=100)]
_Words = Annotated[str, Meta(min_length=1, max_length=200)]
Lanes = Literal[1, 2, 4, 8, 12, 16, 32]  # knowledge/rates.py, WIDTHS
Connector = Literal[1, 4, 8, 16]  # knowledge/slots.py, CONNECTORS
_Generation = Annotated[int, Meta(ge=1, le=7)]
Payload = Literal[128, 256, 512, 1024, 2048, 4096]  # knowledge/rates.py, PAYLOADS
Length = Literal["2230", "2242", "2260", "2280", "22110"]  # knowledge/slots.py, LENGTH_CODES
_Lengths = Annotated[tuple[Length, ...], Meta(max_length=5)]
_Watts = Annotated[float, Meta(ge=0, le=1000)]
_SlotWatts = Annotated[float, Meta(gt=0, le=600)]
_DriveWatts = Annotated[float, Meta(gt=0, le=100)]
_Limit = Annotated[float, Meta(gt=0, le=200)]
_Rate = Annotated[float, Meta(gt=0, le=1_000_000)]
_Millimetres = Annotated[int, Meta(ge=10, le=1000)]
_Bay = Annotated[int, Meta(ge=1, le=64)]
_Split = Annotated[str, Meta(pattern=r"\A[0-9]{1,2}(\+[0-9]{1,2}){1,15}\Z")]
_Splits = Annotated[tuple[_Split, ...], Meta(max_length=16)]
# A platform that knows no segment leaves it out, and marks what then collides with the id of its entry.
_ENTRY = r"(?:[0-9a-f]{4,8}:)?[0-9a-f]{2}:[0-9a-f]{2}\.[0-7](?:@[0-9a-f]{1,16})?|entry-[0-9a-f]{1,16}"
_Port = Annotated[str, Meta(pattern=rf"\A(?:{_ENTRY})\Z")]
_PciId = Annotated[str, Meta(pattern=r"\A[0-9a-f]{4}:[0-9a-f]{4}\Z")]
_Form = Literal["m.2", "u.2"]
_Height = Literal["full", "low"]
_Names = Annotated[tuple[_Name, ...], Meta(max_length=256)]


# --- Tables ----------------------------------------------------------------------------------------------------


class MachineEntry(Struct, forbid_unknown_fields=True):
    """[machine]."""

    name: _Words | UnsetType = UNSET
    product: _Words | UnsetType = UNSET
    board: _Words | UnsetType = UNSET
    payload_bytes: Payload | UnsetType = UNSET


class UplinkEntry(Struct, forbid_unknown_fields=True):
    """[[uplink]]."""

    name: _Name
    lanes: Lanes
    generation: _Generation
    above: _Name | UnsetType = UNSET


class LanesWhileEntry(Struct, forbid_unknown_fields=True):
    """One of the lanes_while of a slot."""

    filled: Annotated[tuple[_Name, ...], Meta(min_length=1, max_length=8)]
    lanes: Literal[0, 1, 2, 4, 8, 12, 16, 32]  # knowledge/rates.py, WIDTHS, and none
    splits: _Splits | UnsetType = UNSET


class SlotEntry(Struct, forbid_unknown_fields=True, kw_only=True):
    """[[slot]]. A socket for drives needs no connector: it has the lanes that it has."""

    label: _Name
    kind: Literal["card", "m.2", "u.2"] = "card"
    connector: Connector | UnsetType = UNSET
    open_end: bool | UnsetType = UNSET
    lanes: Lanes
    generation: _Generation
    splits: _Splits | UnsetType = UNSET
    uplink: _Name | UnsetType = UNSET
    power_watts: _SlotWatts | UnsetType = UNSET
    longest_mm: _Millimetres | UnsetType = UNSET
    height: _Height | UnsetType = UNSET
    covers: Annotated[tuple[_Name, ...], Meta(max_length=4)] | UnsetType = UNSET
    lengths: _Lengths | UnsetType = UNSET
    port: _Port | UnsetType = UNSET
    lanes_while: Annotated[tuple[LanesWhileEntry, ...], Meta(max_length=16)] | UnsetType = UNSET


class CardEntry(Struct, forbid_unknown_fields=True):
    """[[card]]. With `kind` every figure has a default."""

    name: _Name
    kind: _Name | UnsetType = UNSET
    connector: Connector | UnsetType = UNSET
    lanes: Lanes | UnsetType = UNSET
    generation: _Generation | UnsetType = UNSET
    carrier: Literal["none", "passive", "switch"] | UnsetType = UNSET
    bays: Annotated[int, Meta(ge=0, le=64)] | UnsetType = UNSET
    bay_lanes: Lanes | UnsetType = UNSET
    bay_generation: _Generation | UnsetType = UNSET
    bay_lengths: _Lengths | UnsetType = UNSET
    bay_form: _Form | UnsetType = UNSET
    power_watts: _Watts | UnsetType = UNSET
    cable_watts: _Watts | UnsetType = UNSET
    height: _Height | UnsetType = UNSET
    length_mm: _Millimetres | UnsetType = UNSET
    wide: Annotated[int, Meta(ge=1, le=4)] | UnsetType = UNSET
    slot: _Name | UnsetType = UNSET
    stays: bool | UnsetType = UNSET
    wants_mbps: _Rate | UnsetType = UNSET
    wants_assumed: bool | UnsetType = UNSET
    pci_id: _PciId | UnsetType = UNSET


class DriveEntry(Struct, forbid_unknown_fields=True):
    """[[drive]]. With `kind` every figure has a default."""

    name: _Name
    kind: _Name | UnsetType = UNSET
    generation: _Generation | UnsetType = UNSET
    lanes: Lanes | UnsetType = UNSET
    read_mbps: _Rate | UnsetType = UNSET
    write_mbps: _Rate | UnsetType = UNSET
    power_watts: _DriveWatts | UnsetType = UNSET
    length: Length | UnsetType = UNSET
    form: _Form | UnsetType = UNSET
    card: _Name | UnsetType = UNSET
    bay: _Bay | UnsetType = UNSET
    slot: _Name | UnsetType = UNSET
    stays: bool | UnsetType = UNSET
    model: _Words | UnsetType = UNSET
    serial: _Words | UnsetType = UNSET
    firmware: _Words | UnsetType = UNSET
    warning_celsius: _Limit | UnsetType = UNSET
    critical_celsius: _Limit | UnsetType = UNSET


class StripeEntry(Struct, forbid_unknown_fields=True):
    """[[stripe]]."""

    name: _Name
    raid: Literal[0, 1, 5, 10]
    drives: _Names


class NeedEntry(Struct, forbid_unknown_fields=True):
    """[[need]]."""

    name: _Name
    stripe: _Name | UnsetType = UNSET
    drives: _Names | UnsetType = UNSET
    cards: _Names | UnsetType = UNSET
    read_mbps: _Rate | UnsetType = UNSET
    write_mbps: _Rate | UnsetType = UNSET
    not_on_split: bool | UnsetType = UNSET
    not_behind_switch: bool | UnsetType = UNSET
    in_slot: _Name | UnsetType = UNSET


class SheetFile(Struct, forbid_unknown_fields=True):
    """The whole file."""

    format: Literal["lanewright-sheet"]
    version: Literal[1]
    machine: MachineEntry = msgspec.field(default_factory=MachineEntry)
    uplink: Annotated[tuple[UplinkEntry, ...], Meta(max_length=64)] = ()
    slot: Annotated[tuple[SlotEntry, ...], Meta(max_length=256)] = ()
    card: Annotated[tuple[CardEntry, ...], Meta(max_length=256)] = ()
    drive: Annotated[tuple[DriveEntry, ...], Meta(max_length=512)] = ()
    stripe: Annotated[tuple[StripeEntry, ...], Meta(max_length=64)] = ()
    need: Annotated[tuple[NeedEntry, ...], Meta(max_length=256)] = ()


TABLES: Final[dict[str, type[Struct]]] = {
    "machine": MachineEntry,
    "uplink": UplinkEntry,
    "slot": SlotEntry,
    "card": CardEntry,
    "drive": DriveEntry,
    "stripe": StripeEntry,
    "need": NeedEntry,
}

# Tables that stand in a list of another table, by their key there.
_INNER: Final[dict[str, type[Struct]]] = {"lanes_while": LanesWhileEntry}

# --- Words -----------------------------------------------------------------------------------------------------

# What each key takes, to follow "is not". A key that means another thing in one table stands there with it.
_TAKES: Final = {
    "name": "a name of 1 to 100 characters in quotes",
    "label": "a slot's label of 1 to 100 characters in quotes",
    "format": f'"{FORMAT}"',
    "version": str(VERSION),
    "machine.name": "words of 1 to 200 characters in quotes",
    "product": "words of 1 to 200 characters in quotes",
    "board": "words of 1 to 200 characters in quotes",
    "model": "words of 1 to 200 characters in quotes",
    "serial": "words of 1 to 200 characters in quotes",
    "firmware": "words of 1 to 200 characters in quotes",
    "warning_celsius": "a temperature above 0 and up to 200 degrees Celsius",
    "critical_celsius": "a temperature above 0 and up to 200 degrees Celsius",
    "payload_bytes": "a size that a packet's data can have: 128, 256, 512, 1024, 2048 or 4096 bytes",
    "lanes": "a number of lanes that a link can have: 1, 2, 4, 8, 12, 16 or 32",
    "generation": "a generation from 1 (2.5 GT/s) to 7 (128 GT/s), a whole number",
    "bay_generation": "a generation from 1 (2.5 GT/s) to 7 (128 GT/s), a whole number",
    "above": "the name of another uplink in quotes",
    "kind": "the name of a part kind in quotes",
    "slot.kind": 'a kind of slot: "card", "m.2" or "u.2"',
    "connector": "the size of a connector in lanes: 1, 4, 8 or 16",
    "open_end": "true or false",
    "stays": "true or false",
    "not_on_split": "true or false",
    "not_behind_switch": "true or false",
    "splits": 'a list of up to 16 ways to split the lanes in quotes, such as ["4+4+4+4", "8+8"]',
    "uplink": "the name of an uplink in quotes",
    "lanes_while": 'a list of up to 16 tables such as {filled = ["SLOT2"], lanes = 8}',
    "filled": "a list of 1 to 8 slot labels in quotes",
    "lanes_while.lanes": "the lanes that are left: 0 (the slot does not work), 1, 2, 4, 8, 12, 16 or 32",
    "slot.power_watts": "a power above 0 and up to 600 W",
    "card.power_watts": "a power from 0 to 1,000 W",
    "drive.power_watts": "a power above 0 and up to 100 W",
    "cable_watts": "a power from 0 to 1,000 W",
    "longest_mm": "a length from 10 to 1,000 mm, a whole number",
    "length_mm": "a length from 10 to 1,000 mm, a whole number",
    "height": '"full" or "low"',
    "covers": "a list of up to 4 slot labels in quotes",
    "lengths": "a list of length codes in quotes: 2230, 2242, 2260, 2280, 22110",
    "bay_lengths": "a list of length codes in quotes: 2230, 2242, 2260, 2280, 22110",
    "length": "a length code in quotes: 2230, 2242, 2260, 2280 or 22110",
    "port": 'an address such as "0000:00:01.0"',
    "pci_id": 'an identifier such as "1b36:0010"',
    "carrier": '"none", "passive" or "switch"',
    "bays": "a number of bays from 0 to 64",
    "bay": "a bay's number from 1 to 64",
    "bay_lanes": "a number of lanes that a link can have: 1, 2, 4, 8, 12, 16 or 32",
    "bay_form": '"m.2" or "u.2"',
    "form": '"m.2" or "u.2"',
    "wide": "a number of slot places from 1 to 4",
    "slot": "a slot's label in quotes",
    "card": "a card's name in quotes",
    "stripe": "a stripe's name in quotes",
    "in_slot": "a slot's label in quotes",
    "raid": "a kind of stripe set: 0, 1, 5 or 10",
    "drives": "a list of up to 256 drive names in quotes",
    "cards": "a list of up to 256 card names in quotes",
    "read_mbps": "a rate above 0 and up to 1,000,000 MB/s",
    "write_mbps": "a rate above 0 and up to 1,000,000 MB/s",
    "wants_assumed": "true or false",
    "wants_mbps": "a rate above 0 and up to 1,000,000 MB/s",
}
_UNCLEAN: Final = "{} holds characters that cannot be shown, or begins or ends with a blank"


def shaped(data: dict[str, Any], fail: Fail) -> SheetFile:
    """The file's tables, each value within its bounds; `fail` makes the error for a key."""
    _head(data, fail)
    _keys(data, fail)
    _texts(data, fail)
    try:
        return msgspec.convert(data, SheetFile)
    except msgspec.ValidationError as error:
        message = str(error)
    # The path comes last, and holds names of ours alone; the words before it may repeat a value of the file.
    place = message.rpartition(" - at `$")[2]
    raise _unfit(data, place.rstrip("`").lstrip("."), fail)


def _head(data: dict[str, Any], fail: Fail) -> None:
    """Tell a file of another kind, or of another version, before its keys are looked at."""
    if "format" not in data or "version" not in data:
        raise fail("", f'this is no build sheet: one begins with format = "{FORMAT}" and version = {VERSION}')
    version = data["version"]
    if data["format"] == FORMAT and type(version) is int and version != VERSION:
        raise fail("version", f"the sheet is of version {shown(version)}, and this lanewright reads version {VERSION}")


def _keys(data: dict[str, Any], fail: Fail) -> None:
    """Refuse a key that no table of that name has."""
    _known("", data, SheetFile.__struct_fields__, fail)
    for table, value in data.items():
        if table not in TABLES:
            continue
        known = TABLES[table].__struct_fields__
        for number, entry in enumerate(value if isinstance(value, list) else [value]):
            if isinstance(entry, dict):
                key = f"{table}[{number}]" if isinstance(value, list) else table
                _known(key, entry, known, fail)
                for place, inner, kind in _inner(key, entry):
                    _known(place, inner, kind.__struct_fields__, fail)


def _inner(key: str, entry: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any], type[Struct]]]:
    """The tables in lists of an entry, with their paths and what they are."""
    for name, kind in _INNER.items():
        listed = entry.get(name)
        for number, inner in enumerate(listed if isinstance(listed, list) else ()):
            if isinstance(inner, dict):
                yield f"{key}.{name}[{number}]", inner, kind


def _known(key: str, table: dict[str, Any], known: tuple[str, ...], fail: Fail) -> None:
    for place, words in unknown(key, table, known):
        raise fail(place, words)


def _texts(data: dict[str, Any], fail: Fail) -> None:
    """Refuse text that cannot be shown as it is: control characters, line ends, invisible letters."""
    for table, value in data.items():
        for number, entry in enumerate(value if isinstance(value, list) else [value]):
            if isinstance(entry, dict):
                path = f"{table}[{number}]" if isinstance(value, list) else table
                for key, text in _texts_of(path, entry):
                    if not (text.isprintable() and text == text.strip()):
                        raise fail(key, _UNCLEAN.format(shown(text)))


def _texts_of(path: str, entry: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Every text of a table with its path, those in lists and in tables in lists too."""
    for key, words in entry.items():
        for place, text in enumerate(words if isinstance(words, list) else [words]):
            if isinstance(text, str):
                yield f"{path}.{key}[{place}]" if isinstance(words, list) else f"{path}.{key}", text
    for inside, inner, _ in _inner(path, entry):
        yield from _texts_of(inside, inner)


def _unfit(data: dict[str, Any], key: str, fail: Fail) -> BadInput:
    """The error for the value at a path that does not fit."""
    value = _at(data, key)
    outer, _, rest = key.partition(".")
    table = next((name for name in _INNER if f".{name}[" in key), outer.partition("[")[0])
    heading = rest.partition("[")[0] == table if "." in key else key.endswith("]")  # of an entry, not of a key of it
    missing = _missing(table, value) if heading and "." not in rest else ""
    if missing:
        return fail(key, f"{missing} is missing: {takes(table, missing)}")
    if key in TABLES or (key.endswith("]") and "." not in key):
        return _not_a_table(key, value, fail)
    if key.endswith("]"):
        return fail(key, f"{shown(value)} does not belong here; {_last(key)} takes {takes(table, _last(key))}")
    return fail(key, f"{shown(value)} is not {takes(table, _last(key))}")


def _missing(table: str, entry: object) -> str:
    """The first key that an entry of a list of tables must have and has not, "" where it has all."""
    if not isinstance(entry, dict):
        return ""
    fields = msgspec.structs.fields((TABLES | _INNER)[table])
    return next((field.name for field in fields if field.required and field.name not in entry), "")


def _not_a_table(key: str, value: object, fail: Fail) -> BadInput:
    """The error for something that should be a table, or a list of tables."""
    table = key.partition("[")[0]
    if isinstance(value, list) and key == table != "machine":
        return fail(key, f"{len(value)} are more than a sheet can have")
    written = "[machine]" if table == "machine" else f"[[{table}]]"
    return fail(key, f"{shown(value)} stands where a heading {written} should be")


def takes(table: str, key: str) -> str:
    """What a key of a table takes, in words."""
    return _TAKES.get(f"{table}.{key}") or _TAKES[key]


def _last(key: str) -> str:
    """The name at the end of a path: "covers" of "slot[2].covers[1]"."""
    return key.rpartition(".")[2].partition("[")[0]


def _at(data: Any, key: str) -> Any:  # noqa: ANN401 - whatever TOML can hold
    """The value at a path that the checker gave: of names and numbers only."""
    for part in key.replace("[", ".[").split("."):
        if part.startswith("["):
            data = data[int(part[1:-1])]
        elif part:
            data = data[part]
    return data
