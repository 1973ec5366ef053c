"""A build sheet while it is being asked for: its tables so far, each change held against the sheet's own checks.

What is in a draft is always a good sheet: a change that the checks refuse is not made, so their complaint is about it.
"""

from __future__ import annotations

import re
from copy import deepcopy
from typing import TYPE_CHECKING, Any, Final

from agent.sheets.reading import MANY, sheet_of
from agent.sheets.sheet import FORMAT, VERSION
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.sheets.commented import Tables
    from agent.sheets.sheet import Sheet

_SOURCE: Final = "answer"


class Draft:
    """The tables of a sheet, and the remarks that go with its entries ("drive[0]")."""

    def __init__(self) -> None:
        """Begin with a sheet that says nothing."""
        self.tables: Tables = {"machine": {}, **{table: [] for table in MANY}}
        self.remarks: dict[str, str] = {}

    def sheet(self) -> Sheet:
        """The sheet so far."""
        return _sheet(self.tables)

    def entries(self, table: str) -> list[Tables]:
        """The entries of a table, to be read only."""
        found: list[Tables] = self.tables[table]
        return found

    def add(self, table: str, *entries: Tables) -> int:
        """Add entries; the number of the first of them. BadInput, with the words alone, where the checks refuse one."""
        tried = deepcopy(self.tables)
        tried[table].extend(entries)
        self._take(tried)
        return len(tried[table]) - len(entries)

    def put(self, table: str, numbers: Iterable[int], **keys: Any) -> None:  # noqa: ANN401 - whatever a key can have
        """Set keys of entries, alike; None takes a key away. BadInput as above."""
        tried = deepcopy(self.tables)
        for number in numbers:
            _set(tried[table][number], keys)
        self._take(tried)

    def put_machine(self, **keys: Any) -> None:  # noqa: ANN401 - as above
        """Set keys of [machine]."""
        tried = deepcopy(self.tables)
        _set(tried["machine"], keys)
        self._take(tried)

    def _take(self, tried: Tables) -> None:
        try:
            _sheet(tried)
        except BadInput as wrong:
            raise BadInput(_words(str(wrong))) from None
        self.tables = tried


def _sheet(tables: Tables) -> Sheet:
    """The sheet of these tables, as if they had been read: without their text, as each answer is held against it."""
    lines: dict[str, int] = {}
    for table, value in tables.items():
        for number, entry in enumerate(value if isinstance(value, list) else [value]):
            here = f"{table}[{number}]" if isinstance(value, list) else table
            lines |= dict.fromkeys([here, *(f"{here}.{key}" for key in entry)], 0)
    return sheet_of({"format": FORMAT, "version": VERSION, **tables}, _SOURCE, lines)


def _set(entry: Tables, keys: Tables) -> None:
    for key, value in keys.items():
        if value is None:
            entry.pop(key, None)
        else:
            entry[key] = value


def _words(message: str) -> str:
    """A complaint without file, line and key, and without the quotes that only a file needs."""
    return re.sub(r" in quotes|, in line [0-9]+", "", message.partition(": ")[2])
