"""Markdown: text of devices that marks nothing up, tables, headings, lists. Used by every Markdown form.

The marks are those that CommonMark 0.31 and its tables extension share. Nothing here decides what is shown.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from knowledge.phrasing import LONGEST, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.report.step_blocks import StepBlock

CAUTIONS: Final = 4_000  # characters
# What CommonMark lets a backslash take the meaning from, section 2.4. What is no mark where it stands stays as it is,
# so that addresses, names and paths remain readable: an underscore between letters or figures (section 6.2), a number
# sign or a hyphen inside a word, "greater than" anywhere but at the begin of a line.
_MARKS: Final = re.compile(
    r"[\\`*{}\[\]<|~&$]"
    r"|(?<![0-9A-Za-z_])_+|_+(?![0-9A-Za-z_])"
    r"|(?<![0-9A-Za-z])#"
    r"|(?<![0-9A-Za-z])[+=-](?=[ +=-]|$)"
    r"|^[>!]|^[0-9]+(?=[.)](?: |$))"
)
# What becomes a link by itself in the extension that forums use (GFM, section 6.9).
_AUTOMATIC: Final = re.compile(r"(?i)(?<=[a-z])(?=://)|(?<=www)(?=\.)|@")


def escaped(text: str, limit: int = LONGEST) -> str:
    """Text made harmless (`plain`) in which nothing is taken for a mark, a link or HTML; no space at its ends."""
    safe = _MARKS.sub(_without_meaning, plain(text, limit).strip())
    return _AUTOMATIC.sub(lambda found: "\\@" if found[0] == "@" else "\\", safe)


def _without_meaning(found: re.Match[str]) -> str:
    marks = found[0]
    return f"{marks}\\" if marks[0].isdigit() else "".join(f"\\{mark}" for mark in marks)


def heading(level: int, words: str) -> str:
    """A heading of words that are escaped already, with an empty line after it."""
    return f"{'#' * level} {words}\n\n"


def paragraph(words: str) -> str:
    """A paragraph of words that are escaped already, with an empty line after it; "" for none."""
    return f"{words}\n\n" if words else ""


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


def numbered(lines: Iterable[str], first: int = 1) -> str:
    """A list of numbered lines that are escaped already, with an empty line after it; "" for none."""
    made = "".join(f"{number}. {line}\n" for number, line in enumerate(lines, first))
    return f"{made}\n" if made else ""


def step_list(blocks: Iterable[StepBlock]) -> Iterator[str]:
    """Steps, their texts escaped already, below the cautions that come before them, which are not."""
    for block in blocks:
        if block.before:
            yield paragraph(f"**{block.before}**{f' {escaped(block.again, CAUTIONS)}' if block.again else ''}")
        yield bullets(escaped(caution, CAUTIONS) for caution in block.cautions)
        yield numbered((f"{step.text} *Then:* {step.verify}" for step in block.steps), block.steps[0].number)
