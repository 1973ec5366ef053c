"""The shape of a file of field notes, looked at key by key, so that everything wrong with it is found at once.

The bounds are those of knowledge/fieldnotes.py; here are the words for what breaks them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import msgspec

from agent.toml.keys import shown, unknown
from knowledge.fieldnotes import (
    FORMAT,
    MOST_EVIDENCE,
    MOST_LISTED,
    MOST_NOTES,
    VERSION,
    LinkThen,
    MachineIs,
    Note,
    Proof,
    SeenThen,
    Text,
    Versions,
    When,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from msgspec import Struct

    Complaint = tuple[str, str]  # the key, and what is wrong with it

# Keys that hold a table of their own.
_TABLES: Final[dict[str, type[Struct]]] = {
    "when": When,
    "seen": SeenThen,
    "machine": MachineIs,
    "link": LinkThen,
    "model": Text,
    "maker": Text,
    "product": Text,
    "firmware": Versions,
    "host_firmware": Versions,
}
# Texts that may stand in several lines.
_LONG: Final = frozenset({"text", "quirk"})
_LIST: Final = f"a list of 1 to {MOST_LISTED}"

# What each key takes, to follow "is not".
_TAKES: Final = {
    "id": "a name of small letters, digits and hyphens in quotes, up to 80 characters",
    "title": "words of 1 to 120 characters in quotes",
    "text": "words of 1 to 2,000 characters in quotes",
    "confidence": '"confirmed", "reported" or "disputed"',
    "severity": '"note" or "limit"',
    "only": '"passthrough", or nothing at all',
    "advises": "a list of up to 8 steps in quotes",
    "card": f'{_LIST} identifiers in quotes, such as "1b36:0010" or "1b36:*"',
    "subsystem": f'{_LIST} identifiers in quotes, such as "1b36:0010"',
    "class": f'{_LIST} class codes in quotes, such as "0108" or "010802"',
    "platform": 'a list of "linux" and "darwin"',
    "slot_kind": 'a list of kinds of slot: "card", "m.2", "edsff", "mini card", "ocp", "not told"',
    "is": f"{_LIST} texts in quotes",
    "contains": "words of 1 to 200 characters in quotes",
    "at_least": "a version of 1 to 64 characters in quotes",
    "below": "a version of 1 to 64 characters in quotes",
    "verdict": 'a verdict on a link: "full", "slot-limited", "narrow", "slow", "set-slow", "resting" or "dark"',
    "gtps": "a rate in GT/s: 2.5, 5, 8, 16, 32, 64 or 128",
    "width": "a number of lanes that a link can have: 1, 2, 4, 8, 12, 16 or 32",
    "rate_mbps": "a rate above 0 and up to 1,000,000 MB/s",
    "boots": "true or false",
    "quirk": "words of 1 to 2,000 characters in quotes",
    "firmware_needed": "a version of 1 to 64 characters in quotes",
    "source": "words of 1 to 200 characters in quotes",
    "date": "a date such as 2026-03-02",
    "capture": 'the token of a capture, such as "~0123456789abcdef"',
    "evidence": f"1 to {MOST_EVIDENCE} tables, each below a heading [[note.evidence]]",
}


NO_NOTES: Final = f'not a file of notes: one begins with format = "{FORMAT}" and version = {VERSION}'


def complaints(data: dict[str, Any]) -> Iterator[Complaint]:
    """Everything wrong with the file's shape, in the order of the file."""
    wrong_head = list(_head(data))
    yield from wrong_head
    if wrong_head:
        return
    yield from unknown("", data, ("format", "version", "note"))
    notes = data.get("note", [])
    if not isinstance(notes, list):
        yield "note", "there can be several notes: write [[note]]"
        return
    if len(notes) > MOST_NOTES:
        yield "note", f"{len(notes):,} notes are more than the {MOST_NOTES} that a file can have"
        return
    for number, note in enumerate(notes):
        yield from _table(f"note[{number}]", note, Note)


def _head(data: dict[str, Any]) -> Iterator[Complaint]:
    if "format" not in data or "version" not in data:
        yield "", f"this is {NO_NOTES}"
    elif data["format"] != FORMAT:
        yield "format", f'{shown(data["format"])} is not "{FORMAT}"'
    elif type(data["version"]) is not int or data["version"] != VERSION:
        yield "version", f"the file is of version {shown(data['version'])}, and this lanewright reads version {VERSION}"


def _table(key: str, table: object, struct: type[Struct]) -> Iterator[Complaint]:
    """What is wrong with a table and those in it."""
    if not isinstance(table, dict):
        yield key, f"{shown(table)} stands where a table should be"
        return
    fields = {field.encode_name: field for field in msgspec.structs.fields(struct)}
    yield from unknown(key, table, tuple(fields))
    for name, field in fields.items():
        path = f"{key}.{name}"
        if name not in table:
            if field.required:
                yield key, f"{name} is missing: {_takes(name)}"
        elif name in _TABLES:
            yield from _table(path, table[name], _TABLES[name])
        elif name == "evidence":
            yield from _evidence(path, table[name])
        else:
            yield from _value(path, name, table[name], field.type)


def _evidence(key: str, entries: object) -> Iterator[Complaint]:
    if not isinstance(entries, list) or not 1 <= len(entries) <= MOST_EVIDENCE:
        yield key, f"{shown(entries)} is not {_takes('evidence')}"
        return
    for number, entry in enumerate(entries):
        yield from _table(f"{key}[{number}]", entry, Proof)


def _value(key: str, name: str, value: object, kind: Any) -> Iterator[Complaint]:  # noqa: ANN401 - any type of a field
    """What is wrong with a value that is no table: its kind, its bounds, or letters that cannot be shown."""
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        path = str(error).partition("`$")[2].rstrip("`")
        place = f"{key}{path}" if path.startswith("[") else key
        part = value[int(path[1:-1])] if path.startswith("[") and isinstance(value, list) else value
        if part is value:
            yield place, f"{shown(value)} is not {_takes(name)}"
        else:
            yield place, f"{shown(part)} does not belong here; {name} takes {_takes(name)}"
        return
    for number, text in enumerate(value if isinstance(value, list) else [value]):
        if isinstance(text, str) and not _clean(text, several_lines=name in _LONG):
            place = f"{key}[{number}]" if isinstance(value, list) else key
            yield place, f"{shown(text)} holds characters that cannot be shown, or begins or ends with a blank"


def _clean(text: str, *, several_lines: bool) -> bool:
    if several_lines:
        return text.replace("\n", " ").isprintable() and bool(text.strip())
    return text.isprintable() and text == text.strip()


def _takes(name: str) -> str:
    return _TAKES.get(name, "a table of its own")
