"""Holds JSON against a JSON Schema: the few keywords that the program's schemas use, and no other. Test help only.

Source: JSON Schema 2020-12, core and validation vocabularies.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Schema = dict[str, Any]

TYPES: Final[dict[str, tuple[type, ...]]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "boolean": (bool,),
    "null": (type(None),),
    "number": (int, float),
    "integer": (int,),
}
SILENT: Final = frozenset({"$schema", "$defs", "title", "description", "default"})


def problems(schema: Schema | bool, value: Any, root: Schema, where: str = "$") -> list[str]:  # noqa: ANN401, FBT001
    """Where `value` is not as `schema` says; `root` holds the definitions. KeyError for a keyword that is not known."""
    if isinstance(schema, bool):
        return [] if schema else [f"{where}: nothing may stand here"]
    checks = dict.fromkeys(CHECKS[keyword] for keyword in schema if keyword not in SILENT)
    return [problem for check in checks for problem in check(schema, value, root, where)]


def _reference(schema: Schema, value: Any, root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    yield from problems(root["$defs"][schema["$ref"].removeprefix("#/$defs/")], value, root, where)


def _any_of(schema: Schema, value: Any, root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    if all(problems(one, value, root, where) for one in schema["anyOf"]):
        yield f"{where}: fits none of several forms"


def _enum(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    if value not in schema.get("enum", [schema.get("const")]):
        yield f"{where}: {value!r} is none of what it may be"


def _type(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    names = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
    fits = (isinstance(value, TYPES[name]) and (name == "boolean" or not isinstance(value, bool)) for name in names)
    if not any(fits):
        yield f"{where}: {value!r} is no {' or '.join(names)}"


def _properties(schema: Schema, value: Any, root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    if not isinstance(value, dict):
        return
    for name in schema.get("required", ()):
        if name not in value:
            yield f"{where}: {name} is missing"
    for name, inner in value.items():
        rule = schema.get("properties", {}).get(name, schema.get("additionalProperties", True))
        yield from problems(rule, inner, root, f"{where}.{name[:60]}")


def _items(schema: Schema, value: Any, root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    if not isinstance(value, list):
        return
    first = schema.get("prefixItems", [])
    for place, inner in enumerate(value):
        rule = first[place] if place < len(first) else schema.get("items", True)
        yield from problems(rule, inner, root, f"{where}[{place}]")


def _size(kind: type, word: str) -> Callable[[Schema, Any, Schema, str], Iterator[str]]:
    def check(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
        least, most = schema.get(f"min{word}", 0), schema.get(f"max{word}", float("inf"))
        if isinstance(value, kind) and not least <= len(value) <= most:  # type: ignore[arg-type]
            yield f"{where}: a size of {len(value)}"  # type: ignore[arg-type]

    return check


def _bounds(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    least, most = schema.get("minimum", float("-inf")), schema.get("maximum", float("inf"))
    above = schema.get("exclusiveMinimum", float("-inf"))
    if isinstance(value, int | float) and not (least <= value <= most and above < value):
        yield f"{where}: {value} is out of bounds"


def _pattern(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    if isinstance(value, str) and re.search(schema["pattern"], value) is None:
        yield f"{where}: {value!r} is not of the pattern"


def _format(schema: Schema, value: Any, _root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    assert "date" == schema["format"]
    try:
        dt.date.fromisoformat(value)
    except (TypeError, ValueError):
        yield f"{where}: {value!r} is no date"


def _names(schema: Schema, value: Any, root: Schema, where: str) -> Iterator[str]:  # noqa: ANN401
    for name in value if isinstance(value, dict) else ():
        yield from problems(schema["propertyNames"], name, root, f"{where} key {name[:60]}")


_LIST_SIZE: Final = _size(list, "Items")
_TEXT_SIZE: Final = _size(str, "Length")
_OBJECT_SIZE: Final = _size(dict, "Properties")
CHECKS: Final[dict[str, Callable[[Schema, Any, Schema, str], Iterator[str]]]] = {
    "$ref": _reference,
    "anyOf": _any_of,
    "enum": _enum,
    "const": _enum,
    "type": _type,
    "properties": _properties,
    "required": _properties,
    "additionalProperties": _properties,
    "propertyNames": _names,
    "items": _items,
    "prefixItems": _items,
    "minItems": _LIST_SIZE,
    "maxItems": _LIST_SIZE,
    "minLength": _TEXT_SIZE,
    "maxLength": _TEXT_SIZE,
    "minProperties": _OBJECT_SIZE,
    "maxProperties": _OBJECT_SIZE,
    "minimum": _bounds,
    "maximum": _bounds,
    "exclusiveMinimum": _bounds,
    "pattern": _pattern,
    "format": _format,
}
