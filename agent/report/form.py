"""Fills a JSON form from a value by the types of the form's fields, which carry where each comes from and its rounding.

A field takes the attribute of its own name, or what its mark says: `Annotated[Figure | None, From("head.speed")]`. A
field with a default and no mark keeps the default. What could not be read becomes null where the type allows it.
"""

from __future__ import annotations

import sys
from functools import cache, partial
from operator import attrgetter
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar, Union, get_args, get_origin

from msgspec import NODEFAULT, Struct

from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    Way = Callable[[Any], Any]

Form = TypeVar("Form", bound=Struct)
UNIONS: Final = (UnionType, Union)
PLAIN: Final[dict[str, Way | None]] = {
    **dict.fromkeys(("bool", "int", "float", "str")),
    **dict.fromkeys(("bool | None", "int | None", "float | None", "str | None"), readable),
}


class From:
    """Where a field comes from: attributes, joined by points; null where one on the way is none or was not read."""

    def __init__(self, path: str) -> None:
        """The path."""
        self.names = path.split(".")

    def take(self, value: Any) -> Any:  # noqa: ANN401 - any value that a form is of
        """What stands there."""
        for name in self.names:
            if value is None or isinstance(value, Unread):
                return None
            value = getattr(value, name)
        return value


class By:
    """What makes a field of the whole value, where no attribute is it."""

    def __init__(self, take: Way) -> None:
        """The function."""
        self.take = take


class Through:
    """What makes the form of a part, where its own fields do not say how."""

    def __init__(self, convert: Way) -> None:
        """The function."""
        self.convert = convert


class Rounded(Through):
    """Digits after the point; None for a whole number."""

    def __init__(self, digits: int | None) -> None:
        """The digits."""
        super().__init__(lambda figure: round(figure, digits))


Seconds = Annotated[float, Rounded(3)]
Mbps = Annotated[float, Rounded(1)]
MbpsRange = tuple[Mbps, Mbps]


def build(form: type[Form], value: object, /, **given: object) -> Form:
    """The form of a value; what is `given` stands in for what the value would give."""
    filled = {}
    for name, take, convert in _ways(form):
        if name in given:
            found = given[name]
        elif take is not None:
            found = take(value)
        else:
            continue
        filled[name] = found if convert is None else convert(found)
    return form(**filled)


@cache
def _ways(form: type[Struct]) -> tuple[tuple[str, Way | None, Way | None], ...]:
    """Of each field: how it is taken from the whole value (None: it keeps its default), how it is converted then."""
    names = form.__struct_fields__
    defaults = (NODEFAULT,) * (len(names) - len(form.__struct_defaults__)) + form.__struct_defaults__
    ways: list[tuple[str, Way | None, Way | None]] = []
    for name, default in zip(names, defaults, strict=True):
        text = form.__annotations__[name]
        if default is not NODEFAULT and not text.startswith("Annotated["):
            ways.append((name, None, None))
            continue
        mark, convert = _read(text, form.__module__)
        ways.append((name, attrgetter(name) if mark is None else mark.take, convert))
    return tuple(ways)


def _read(text: str, module: str) -> tuple[From | By | None, Way | None]:
    """The mark and the conversion of a field's annotation.

    The usual marks are taken from its text: to make an `Annotated` of each shows in the time that a start takes.
    """
    kind, _, mark = text.removeprefix("Annotated[").removesuffix(")]").rpartition(", ")
    if mark.startswith("From('") and "(" not in kind:
        return From(mark[len("From('") : -1]), _typed(kind, module)[1]
    if mark.startswith("By(") and mark[len("By(") :].isidentifier():
        return By(getattr(sys.modules[module], mark[len("By(") :])), _typed(kind, module)[1]
    return _typed(text, module)


@cache
def _typed(text: str, module: str) -> tuple[From | By | None, Way | None]:
    if text in PLAIN or text.startswith("Literal["):
        return None, PLAIN.get(text)
    hint = eval(text, vars(sys.modules[module]))  # noqa: S307 - an annotation of a form of ours
    marks = [mark for mark in getattr(hint, "__metadata__", ()) if isinstance(mark, From | By)]
    return marks[0] if marks else None, _converter(hint)


def _converter(hint: Any) -> Way | None:  # noqa: ANN401 - any type
    """What brings a found value into a type; None where it stays as it is."""
    if get_origin(hint) is Annotated:
        said = [mark.convert for mark in hint.__metadata__ if isinstance(mark, Through)]
        return said[0] if said else _converter(hint.__origin__)
    if isinstance(hint, type) and issubclass(hint, Struct):
        return partial(_formed, hint)
    parts = [part for part in get_args(hint) if part is not NoneType]
    if get_origin(hint) in UNIONS and len(parts) == 1:
        return partial(_optional, _converter(parts[0]))
    return _converter_of_several(get_origin(hint), parts)


def _converter_of_several(kind: Any, parts: Sequence[Any]) -> Way | None:  # noqa: ANN401 - as above
    if kind is dict:
        return partial(_by_name, _converter(parts[1]))
    if kind is tuple and ... in parts:
        return partial(_each, _converter(parts[0]))
    if kind is tuple:
        return partial(_in_turn, [_converter(part) for part in parts])
    return None


def _formed(form: type[Form], value: object) -> Form:
    return value if isinstance(value, form) else build(form, value)


def _optional(convert: Way | None, value: Any) -> Any:  # noqa: ANN401 - any value
    if value is None or isinstance(value, Unread):
        return None
    return value if convert is None else convert(value)


def _each(convert: Way | None, values: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(values) if convert is None else tuple(map(convert, values))


def _by_name(convert: Way | None, values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value if convert is None else convert(value) for name, value in values.items()}


def _in_turn(ways: Sequence[Way | None], values: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(value if way is None else way(value) for way, value in zip(ways, values, strict=True))
