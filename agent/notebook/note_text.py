"""Notes as a file of TOML that reads back as the same notes. Decides nothing of what they say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from unicodedata import combining

import msgspec

from knowledge.fieldnotes import FORMAT, VERSION

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator

    from msgspec import Struct

    from knowledge.fieldnotes import Note

    Value = str | float | bool | dt.date | tuple[str, ...] | Struct

MOST_OF_FOUR: Final = 0xFFFF  # what four hexadecimal digits can tell
_AHEAD: Final = ("id", "title", "confidence", "severity", "only", "advises", "text")  # keys before the tables of a note


def written(notes: Iterable[Note], remark: str = "") -> str:
    """The text of a file; `remark` is a comment at its head."""
    lines = [f"# {remark}\n\n"] if remark else []
    lines.append(f'format = "{FORMAT}"\nversion = {VERSION}\n')
    for note in notes:
        lines.extend(_note(note))
    return "".join(lines)


def _note(note: Note) -> Iterator[str]:
    yield "\n[[note]]\n"
    for name in _AHEAD:
        value = getattr(note, name)
        if value not in ((), None):
            yield f"{name} = {_value(value)}\n"
    yield f"\n[note.when]\n{_keys(note.when)}"
    yield f"\n[note.seen]\n{_keys(note.seen)}"
    for proof in note.evidence:
        yield f"\n[[note.evidence]]\n{_keys(proof)}"


def _keys(table: Struct) -> str:
    return "".join(f"{name} = {_value(value)}\n" for name, value in _given(table))


def _given(table: Struct) -> Iterator[tuple[str, Value]]:
    for field in msgspec.structs.fields(type(table)):
        value = getattr(table, field.name)
        if value is not None:
            yield field.encode_name, value


def _letter(letter: str) -> str:
    """A letter as it is; what stands over another letter, or cannot be shown, is spelt out (TOML 1.0, String)."""
    if letter.isascii() or (letter.isprintable() and not combining(letter)):
        return letter
    return f"\\u{ord(letter):04X}" if ord(letter) <= MOST_OF_FOUR else f"\\U{ord(letter):08X}"


def _value(value: Value) -> str:
    """A value as TOML writes it. What JSON escapes in a text TOML escapes in the same way (TOML 1.0, String)."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return "".join(map(_letter, msgspec.json.encode(value).decode()))
        case int() | float():
            return repr(value)
        case tuple():
            return f"[{', '.join(_value(item) for item in value)}]"
        case msgspec.Struct():
            return f"{{ {', '.join(f'{name} = {_value(inner)}' for name, inner in _given(value))} }}"
        case _:
            return value.isoformat()
