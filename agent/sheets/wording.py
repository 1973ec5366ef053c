"""Complaints that the checks of a build sheet share: a name twice, a name that nothing has. Words only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.sheets.sheet import fail
from knowledge.parts import nearest
from knowledge.phrasing import quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.sheets.sheet import Sheet
    from knowledge.problems import BadInput

_SOME: Final = 6  # names that a message repeats at most


class Say:
    """A sheet, and what can be wrong with keys of it."""

    def __init__(self, sheet: Sheet) -> None:
        """Hold the sheet; nothing is checked yet."""
        self.sheet = sheet

    def wrong(self, key: str, words: str) -> BadInput:
        """The error for a key."""
        return fail(self.sheet, key, words)

    def has(self, key: str) -> bool:
        """Whether the file itself gives a key (and no part kind)."""
        return key in self.sheet.lines

    def one_of(self, key: str, *names: str) -> str:
        """The first of some keys of a table that the file gives; the first of all if it gives none."""
        return next((f"{key}.{name}" for name in names if self.has(f"{key}.{name}")), f"{key}.{names[0]}")

    def once(self, table: str, key: str, values: Sequence[str | None]) -> None:
        """Refuse a value that two entries of a table have."""
        first: dict[str, int] = {}
        for number, value in enumerate(values):
            if value is None:
                continue
            before = first.setdefault(value, number)
            if before != number:
                line = self.sheet.lines.get(f"{table}[{before}].{key}")
                where = "above" if line is None else f"in line {line}"
                raise self.wrong(
                    f"{table}[{number}].{key}", f"{quoted(value)} is the {key} of another {table}, {where}"
                )

    def listed_once(self, key: str, values: Sequence[str]) -> None:
        """Refuse a value that stands twice in a list."""
        for number, value in enumerate(values):
            if value in values[:number]:
                raise self.wrong(f"{key}[{number}]", f"{quoted(value)} stands here twice")

    def known(self, key: str, name: str | None, what: str, names: Iterable[str]) -> None:
        """Refuse a name that nothing has, and offer the nearest."""
        names = list(names)
        if name is None or name in names:
            return
        near = nearest(name, names)
        some = ", ".join(quoted(name) for name in names[:_SOME]) + (" ..." if len(names) > _SOME else "")
        hint = f"did you mean {quoted(near)}?" if near else f"the sheet has {some or 'none at all'}"
        raise self.wrong(key, f"no {what} is called {quoted(name)}; {hint}")
