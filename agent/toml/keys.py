"""Values and keys of a TOML file in words, for whoever checks its shape."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from knowledge.parts import nearest
from knowledge.phrasing import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_SHOWN: Final = 40  # characters of a value that a message repeats


def shown(value: object) -> str:
    """A value for a message, as TOML writes it, cut where it is long."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{printable(value, _SHOWN)}"'
        case int() | float():
            return printable(str(value), _SHOWN)
        case list():
            return "a list of " + str(len(value))
        case dict():
            return "a table"
        case _:
            return "a date or time"


def unknown(key: str, table: dict[str, Any], known: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Each key of the table at `key` that it cannot have, and what to say of it."""
    for name in table:
        if name not in known:
            near = nearest(name, known)
            hint = f"did you mean {near}?" if near else f"known here are {', '.join(known)}"
            yield f"{key}.{name}" if key else name, f"this key is not known; {hint}"
