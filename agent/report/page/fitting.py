"""Words cut to a width in drawings, where nothing wraps. An estimate, as no font is known: it errs on the safe side."""

from __future__ import annotations

from typing import Final
from unicodedata import east_asian_width

# Widths of letters in parts of the size of the font, for common fonts without serifs (measured by eye, from memory).
_NARROW: Final = frozenset("iljtfr.,:;'|!()[] ")
BOLD: Final = 1.17  # how much broader bold letters are
_BROAD: Final = frozenset("mwMW@%<>=+~#&")


def width(text: str, size: float) -> float:
    """About how wide a text is, in the unit of `size`."""
    return sum(map(_letter, text)) * size


def _letter(letter: str) -> float:
    if letter in _NARROW:
        return 0.34
    if letter in _BROAD:
        return 0.92
    if east_asian_width(letter) in {"W", "F"}:
        return 1.05
    return 0.72 if letter.isupper() else 0.615


def fitted(text: str, room: float, size: float) -> str:
    """The text, or as much of its beginning as there is room for."""
    if width(text, size) <= room:
        return text
    room -= 3 * _letter(".") * size
    kept = []
    for letter in text:
        room -= _letter(letter) * size
        if room < 0:
            break
        kept.append(letter)
    return f"{''.join(kept).rstrip()}..."


def wrapped(text: str, room: float, size: float) -> list[str]:
    """The text in one line or two, cut where even two have no room for it; no word is torn apart."""
    first: list[str] = []
    rest = text.split(" ")
    while rest and width(" ".join([*first, rest[0]]), size) <= room:
        first.append(rest.pop(0))
    if not first or not rest:
        return [fitted(text, room, size)]
    return [" ".join(first), fitted(" ".join(rest), room, size)]
