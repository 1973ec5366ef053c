"""How wide words are in drawings, where nothing wraps by itself. Estimates: no font is known."""

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
        return 0.96
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
    """The text in as many lines as it needs; a word is broken only where a line has no room for all of it."""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if width(longer, size) <= room:
            lines[-1] = longer
            continue
        pieces = _broken(word, room, size)
        lines[-1:] = [lines[-1], *pieces] if lines[-1] else pieces
    return lines


def _broken(word: str, room: float, size: float) -> list[str]:
    """A word in pieces that have room, each with one letter at least."""
    pieces = [""]
    for letter in word:
        if pieces[-1] and width(pieces[-1] + letter, size) > room:
            pieces.append("")
        pieces[-1] += letter
    return pieces
