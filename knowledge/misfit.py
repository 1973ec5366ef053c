"""What is wrong with a JSON text that could not be decoded, and where, in words of our own. Loaded when one failed.

No message of a decoder is passed on: the text is looked at again, and held against the shape that it should have.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct, inspect

from knowledge.phrasing import encodable, listed, printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    Path = tuple[str | int, ...]

LONGEST: Final = 8 * 1024 * 1024  # bytes of a text that is looked at again; it takes some ten times as much memory
_SHOWN: Final = 60  # characters of a value, or of a name in a path
_TOKEN: Final = re.compile(r'"(?:[^"\\]|\\.)*+"|[{}\[\]:,"]|[^\s"{}\[\]:,]++')
UNTOLD: Final = "it is damaged, or something in it is not what should stand there"


class Misfit(Struct, frozen=True):
    """A value that does not fit: where it stands, and what is wrong with it."""

    path: Path
    words: str


def told(data: bytes | bytearray, kind: object) -> str:
    """Why the JSON text `data` could not be decoded as a `kind`, and where, in one sentence without its end."""
    if len(data) > LONGEST:
        return UNTOLD
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        number = data.count(b"\n", 0, error.start) + 1
        return f"line {number}: this is not UTF-8 text"
    return _told(text, kind)


def _told(text: str, kind: object) -> str:
    try:
        found = misfit(json.loads(text), kind)
    except json.JSONDecodeError as error:
        return _malformed(text, error.pos)
    except (RecursionError, MemoryError):
        return "its lists and objects are nested too deeply"
    except ValueError:  # a number of thousands of digits
        return "a number in it is too long to be read"
    return _misfit(text, found) if found is not None else UNTOLD


# --- No JSON at all --------------------------------------------------------------------------------------------


def _malformed(text: str, at: int) -> str:
    """What is wrong with a text that is not JSON from one of its characters on."""
    if text.startswith("\ufeff"):
        return "it begins with a byte order mark; save it as UTF-8 without one"
    if not text.strip():
        return "there is nothing in it"
    if not text[at:].strip():
        return f"{_place(text, len(text.rstrip()))}: it ends too early; the file was cut short"
    if text[at] == '"' and (whole := _TOKEN.match(text, at)) is not None and len(whole[0]) == 1:
        return f"{_place(text, at)}: the text that begins here has no end; the file was cut short"
    return f"{_place(text, at)}: this is not JSON: {_quoted(text[at])} cannot stand here"


def _place(text: str, at: int) -> str:
    """A place in a text, as editors count."""
    line, column = text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)
    return f"line {line}, column {column}"


# --- JSON of another shape -------------------------------------------------------------------------------------


def _misfit(text: str, found: Misfit) -> str:
    at = place_of(text, found.path)
    where = ", ".join(part for part in (_place(text, at) if at is not None else "", _dotted(found.path)) if part)
    return f"{where}: {found.words}" if where else found.words


def _dotted(path: Path) -> str:
    """A path as people write it: `reads["text /a"].hex`."""
    words = ""
    for part in path:
        if isinstance(part, int):
            words += f"[{part}]"
        elif part.isidentifier():
            words += f".{part}" if words else part
        else:
            words += f"[{_quoted(part)}]"
    return words


def misfit(value: object, kind: object) -> Misfit | None:
    """The first part of a decoded value that does not fit a type; None where all do."""
    return next(_misfits(value, inspect.type_info(kind), ()), None)


def _misfits(value: object, kind: inspect.Type, path: Path) -> Iterator[Misfit]:
    match kind:
        case inspect.Metadata():
            yield from _misfits(value, kind.type, path)
        case inspect.UnionType():
            if all(next(_misfits(value, one, path), None) for one in kind.types):
                yield Misfit(path, f"{_shown(value)} is not {_wanted(kind)}")
        case inspect.StructType() if isinstance(value, dict):
            yield from _in_struct(value, kind, path)
        case inspect.DictType() if isinstance(value, dict):
            yield from _in_dict(value, kind, path)
        case inspect.ListType() | inspect.VarTupleType() if isinstance(value, list):
            yield from _in_list(value, kind, path)
        case _ if not _fits(value, kind):
            yield Misfit(path, f"{_shown(value)} is not {_wanted(kind)}")


def _in_dict(value: dict[str, Any], kind: inspect.DictType, path: Path) -> Iterator[Misfit]:
    for key, inner in value.items():
        if not _fits(key, kind.key_type):
            yield Misfit((*path, key), "this name is too long")
        yield from _misfits(inner, kind.value_type, (*path, key))


def _in_list(value: list[Any], kind: inspect.ListType | inspect.VarTupleType, path: Path) -> Iterator[Misfit]:
    if kind.max_length is not None and len(value) > kind.max_length:
        yield Misfit(path, f"{len(value):,} entries are more than the {kind.max_length:,} allowed")
    for number, inner in enumerate(value):
        yield from _misfits(inner, kind.item_type, (*path, number))


def _in_struct(value: dict[str, Any], kind: inspect.StructType, path: Path) -> Iterator[Misfit]:
    fields = {field.encode_name: field for field in kind.fields}
    for name, field in fields.items():
        if name in value:
            yield from _misfits(value[name], field.type, (*path, name))
        elif field.required:
            yield Misfit(path, f'"{name}" is missing; it takes {_wanted(field.type)}')
    for name in value if kind.forbid_unknown_fields else ():
        if name not in fields:
            yield Misfit((*path, name), f"this key is not known here; known are {listed(fields)}")


def _fits(value: object, kind: inspect.Type) -> bool:
    """Whether a value fits a type that holds no others."""
    match kind, value:
        case inspect.StrType(), str():
            fits = (kind.max_length is None or len(value) <= kind.max_length) and value == encodable(value)
        case (inspect.BoolType(), bool()) | (inspect.NoneType(), None) | (inspect.AnyType(), _):
            fits = True
        case inspect.IntType() | inspect.FloatType(), int() | float() if not isinstance(value, bool):
            whole = isinstance(value, int) or isinstance(kind, inspect.FloatType)
            fits = whole and (kind.ge is None or value >= kind.ge) and (kind.le is None or value <= kind.le)
        case inspect.LiteralType(), _:
            fits = any(type(value) is type(one) and value == one for one in kind.values)
        case _:
            fits = False
    return fits


def _wanted(kind: inspect.Type) -> str:
    """What a place takes, in words."""
    match kind:
        case inspect.Metadata():
            words = _wanted(kind.type)
        case inspect.UnionType():
            words = listed(map(_wanted, kind.types), "or")
        case inspect.StrType():
            words = "text" if kind.max_length is None else f"text of at most {kind.max_length:,} characters"
        case inspect.IntType() | inspect.FloatType():
            bounds = f" from {kind.ge:,.0f} to {kind.le:,.0f}" if kind.ge is not None and kind.le is not None else ""
            words = f"a{' whole' if isinstance(kind, inspect.IntType) else ''} number{bounds}"
        case inspect.LiteralType():
            words = listed((f'"{one}"' if isinstance(one, str) else str(one) for one in kind.values), "or")
        case inspect.ListType() | inspect.VarTupleType():
            words = "a list"
        case inspect.BoolType():
            words = "true or false"
        case _:
            words = "null" if isinstance(kind, inspect.NoneType) else "an object"
    return words


def _shown(value: object) -> str:
    """A value for a message, as JSON writes it."""
    match value:
        case str() if len(value) > _SHOWN:
            return f"text of {len(value):,} characters"
        case str():
            return _quoted(value)
        case list():
            return "a list"
        case dict():
            return "an object"
        case _:
            words = json.dumps(value)
            return words if len(words) <= _SHOWN else f"a number of {len(words):,} digits"


def _quoted(text: str) -> str:
    return f'"{printable(text, _SHOWN)}"'


# --- Finding a place -------------------------------------------------------------------------------------------


def place_of(text: str, path: Path) -> int | None:
    """Where in a JSON text the value at a path begins, the last one where a key stands twice; None if nowhere."""
    found: int | None = None
    here: list[str | int | None] = []  # the path to the value that comes next; None before the key of an object
    for token in _TOKEN.finditer(text):
        sign = token[0]
        if sign in "}]":
            here.pop()
        elif sign == ",":
            here[-1] = here[-1] + 1 if isinstance(here[-1], int) else None
        elif here and here[-1] is None:
            here[-1] = str(json.loads(sign))
        elif sign != ":":
            if len(here) == len(path) and tuple(here) == path:
                found = token.start()
            if sign in "{[":
                here.append(None if sign == "{" else 0)
    return found
