"""The user's own text of a sheet with parts added to it, by their kinds. Makes text only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.sheets.sheet import CardSpec, DriveSpec


def with_parts(text: str, cards: Sequence[CardSpec], drives: Sequence[DriveSpec]) -> str:
    """A good sheet's text with these parts after those that it has, not fitted; comments and layout stay.

    Name and kind are written; the kind gives all figures.
    """
    import tomlkit

    document = tomlkit.parse(f"{text.rstrip()}\n\n")
    for table, parts in (("card", cards), ("drive", drives)):
        for part in parts:
            _add(document, table, {"name": part.name, "kind": part.kind})
    return f"{tomlkit.dumps(document).rstrip()}\n"


def _add(document: Any, table: str, keys: dict[str, str | None]) -> None:  # noqa: ANN401 - a document of tomlkit
    """One more entry, as a table of its own or, where the user has them in a row, as one more in the row."""
    import tomlkit
    from tomlkit.items import AoT

    given = document.get(table)
    if given is None:
        document[table] = tomlkit.aot()
        given = document[table]
    entry = tomlkit.table() if isinstance(given, AoT) else tomlkit.inline_table()
    for key, value in keys.items():
        if value is not None:
            entry.add(key, value)
    if isinstance(given, AoT):
        entry.value.body.extend(_handed_on(given))
    given.append(entry)


def _handed_on(entries: Any) -> list[tuple[None, Any]]:  # noqa: ANN401 - an array of tables of tomlkit
    """What follows the last entry up to the next heading, and speaks of that: taken from the one, for the new one.

    It begins after the first empty line. Without one an empty line is made.
    """
    import tomlkit
    from tomlkit.items import Whitespace

    if len(entries) == 0:
        return [(None, tomlkit.nl())]
    body = entries[-1].value.body
    first = len(body)
    while first and body[first - 1][0] is None:
        first -= 1
    blank = next((place for place in range(first, len(body)) if isinstance(body[place][1], Whitespace)), None)
    if blank is None:
        body.insert(first, (None, tomlkit.nl()))
        blank = first
    tail = body[blank + 1 :]
    del body[blank + 1 :]
    return [(None, tomlkit.nl()), *tail]
