"""Words placed in drawings: which look has which size, and long ones in as many lines as they need. Cuts nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.fitting import BOLD, wrapped

if TYPE_CHECKING:
    from collections.abc import Sequence

LARGE: Final = 14.0  # size of letters, CSS pixels where nothing is scaled
SMALL: Final = 12.0
LETTERS: Final = 17.0  # from one line of words to the next
Lines = list[tuple[str, str]]  # each with its look


class Words(Struct, frozen=True):
    """A text with its place; `role` is its look."""

    x: float
    y: float
    text: str
    role: str


class Lettered:
    """The words of a drawing in the making."""

    def __init__(self) -> None:
        """Without words yet."""
        self.words: list[Words] = []

    def lines(self, x: float, y: float, lines: Sequence[tuple[str, str]], apart: float = LETTERS) -> None:
        """Lines below each other, the first one standing on `y`."""
        for number, (text, role) in enumerate(lines):
            self.words.append(Words(round(x, 1), round(y + apart * number, 1), text, role))


def lined(text: str, room: float, role: str) -> Lines:
    """A text in as many lines as it needs in so much room, each with its look; none for ""."""
    return [(line, role) for line in wrapped(text, room, _size(role))] if text else []


def _size(role: str) -> float:
    if role in {"name", "slot"}:
        return LARGE * BOLD
    return SMALL * BOLD if role.startswith("held") else SMALL
