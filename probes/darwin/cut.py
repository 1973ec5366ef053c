"""Cuts the property list of a registry down to what the probe reads, so that parsing takes a fraction of the time.

Nothing is decoded here: what stays is passed on as it was written, and the parser of property lists has the last word
on it. Only the form that the printer writes is cut: elements without attributes, a key before each value, entries in
arrays. A list with anything else in it, a comment or a wanted key whose value has parts of its own, is left whole.

Why this is here at all: parsing 3 MB takes plistlib several times as long as all else that a check does, and nine
tenths of a list are of no use. `tests/test_darwin_cut.py` holds that a list means the same, cut and whole.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_HEAD: Final = re.compile(
    r'\s*(?:<\?xml[^<>]{0,100}\?>\s*)?(?:<!DOCTYPE plist(?: PUBLIC "[^"<>]{0,100}" "[^"<>]{0,100}")?>\s*)?'
    r'<plist(?: version="[\w.]{0,9}")?>'
)
_END: Final = "</plist>"
_TAIL: Final = 64  # letters at the end, among which the last tag has to be
_CHILDREN: Final = "IORegistryEntryChildren"
_IDENT: Final = "<key>IORegistryEntryID</key>"
_VALUE: Final = r"<(?:\w{1,9}/>|dict>\s*</dict>|(?:integer|string|data|real|date)>[^<]*</\w{1,9}>)"
# Dictionaries and arrays; comments and the like, and tags that are written another way. Each choice begins with another
# letter, as nearly all places where this is tried lead nowhere.
_FORM: Final = r"/(?:dict[>\s]|array[>\s]|key\s)|dict(?:/?>|\s)|array[>\s]|[!?]"

# What is open, outside in. An entry is a number from 0 on: where it begins among the parts that are kept.
_TOP: Final = -1
_ARRAY: Final = -2
_TABLE: Final = -3
_BARE: Final = 2  # parts of an entry that has an id and no more
_DEEPER: Final = {"<dict>": 1, "<array>": 1, "</dict>": -1, "</array>": -1}
_NOTHING: Final = "<dict/>"
_OPENING: Final = ("<dict>", "<array>")


class Cutter:
    """Cuts the answers to one question: `keys` are wanted, and of dictionaries those in `tables`, both as patterns."""

    def __init__(self, keys: str, tables: str = "no such key") -> None:
        """Make the one pattern that finds all that matters, so that a list is gone through once."""
        opened = f"(?:{_CHILDREN}</key>\\s*<array>|(?:{tables})</key>\\s*<dict>)"
        pair = f"(?:IORegistryEntryID|{_CHILDREN}|{tables}|{keys})</key>(?:\\s*{_VALUE})?"
        self._pieces = re.compile(f"<(?:key(?:>(?:{opened}|{pair})|\\s)|{_FORM})")

    def cut(self, text: str, idents: frozenset[str] | None = None) -> str:
        """The list without what nobody asks for; with `idents`, only those stay of the entries that say nothing."""
        head = _HEAD.match(text) if text[-_TAIL:].rstrip().endswith(_END) else None
        parts = None if head is None else _kept(self._pieces.findall(text, head.end()), idents)
        return text if head is None or parts is None else f"{text[: head.end()]}{''.join(parts)}{_END}"


def _kept(pieces: Iterable[str], idents: frozenset[str] | None) -> list[str] | None:
    """The parts of a list that stay, None where it is written in a way that is not known here."""
    parts: list[str] = []
    frames = [_TOP]
    within = 0  # how deep in a value that nobody asks for
    for piece in pieces:
        step = _DEEPER.get(piece)
        if step is not None and (within or (step > 0 and frames[-1] >= 0)):  # most pieces are of this kind
            within += step
            continue
        if within:
            within += piece.endswith(_OPENING)
            known = piece == _NOTHING or piece.startswith("<key>")
        elif step is None:
            known, within = _key(piece, frames, parts)
        elif step < 0:
            known = _close(piece, frames, parts, idents)
        else:
            known, within = _open(piece, frames, parts)
        if not known:
            return None
    return parts if parts and frames == [_TOP] and not within else None


def _key(piece: str, frames: list[int], parts: list[str]) -> tuple[bool, int]:
    """A wanted key with its value: whether it is one, and how deep that leads into what nobody asks for."""
    frame = frames[-1]
    if piece == _NOTHING and frame != _TOP:
        if frame == _ARRAY:
            parts.append(piece)  # an entry without an id counts as one
        return True, 0
    if frame in {_TOP, _ARRAY} or piece.endswith("</key>") or not piece.startswith("<key>"):
        return False, 0
    if piece.endswith(_OPENING):
        if frame == _TABLE:
            return True, 1
        frames.append(_ARRAY if piece.endswith("<array>") else _TABLE)
    parts.append(piece)
    return True, 0


def _open(piece: str, frames: list[int], parts: list[str]) -> tuple[bool, int]:
    """The beginning of the whole, of an entry, or of a value that nobody asks for."""
    frame = frames[-1]
    if frame >= 0 or frame == _TABLE:
        return True, 1
    if piece == "<dict>":
        frames.append(len(parts))
    elif frame == _TOP:
        frames.append(_ARRAY)
    else:
        return False, 0
    parts.append(piece)
    return True, 0


def _close(piece: str, frames: list[int], parts: list[str], idents: frozenset[str] | None) -> bool:
    """The end of what was begun last; what holds nothing is taken out again."""
    frame = frames.pop()
    if frame == _TOP or (frame == _ARRAY) is (piece == "</dict>"):
        return False
    if frame >= 0 and len(parts) - frame <= _BARE and _says_nothing(parts[frame + 1 :], idents):
        del parts[frame:]
    elif frame == _ARRAY and parts[-1].endswith("<array>") and len(parts) > 1:
        parts.pop()
    else:
        parts.append(piece)
    return True


def _says_nothing(told: list[str], idents: frozenset[str] | None) -> bool:
    """Whether an entry has no more than an id, and not one of those asked for."""
    if len(told) != 1 or not told[0].startswith(_IDENT):
        return False
    if idents is None:
        return False
    _, found, digits = told[0].removesuffix("</integer>").partition("<integer>")
    return bool(found) and digits not in idents
