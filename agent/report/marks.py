"""Markdown: text of devices that marks nothing up, tables, headings, lists. Used by every Markdown form.

The marks are those that CommonMark 0.31 and its tables extension share. Nothing here decides what is shown.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from agent.report.plain import LONGEST, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# What CommonMark lets a backslash take the meaning from, section 2.4. What stands between letters or figures, and is
# no mark there, stays as it is: addresses and names remain readable.
_MARKS: Final = re.compile(r"[\\`*_{}\[\]<>#|~&!$]|(?<![0-9A-Za-z])[+=-](?=[ +=-]|$)|^[0-9]+(?=[.)])")
_AUTOMATIC: Final = re.compile(r"(?i)(?<=[a-z])(?=://)|(?<=www)(?=\.)|@")


def escaped(text: str, limit: int = LONGEST) -> str:
    """Text made harmless (`plain`) in which nothing is taken for a mark, a link or HTML."""
    safe = _MARKS.sub(_without_meaning, plain(text, limit))
    return _AUTOMATIC.sub(lambda found: "\\@" if found[0] == "@" else "\\", safe)


def _without_meaning(found: re.Match[str]) -> str:
    mark = found[0]
    return f"{mark}\\" if mark[0].isdigit() else f"\\{mark}"


def heading(level: int, words: str) -> str:
    """A heading of words that are escaped already, with an empty line after it."""
    return f"{'#' * level} {words}\n\n"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of cells that are escaped already, with an empty line after it; "" where it has no rows."""
    lines = [f"| {' | '.join(row)} |\n" for row in rows]
    if not lines:
        return ""
    return "".join([f"| {' | '.join(head)} |\n", f"| {' | '.join('---' for _ in head)} |\n", *lines, "\n"])


def bullets(lines: Iterable[str]) -> str:
    """A list of lines that are escaped already, with an empty line after it; "" for none."""
    made = "".join(f"- {line}\n" for line in lines)
    return f"{made}\n" if made else ""
