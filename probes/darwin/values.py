"""Values of the I/O Registry to numbers, texts and flags: what several questions share. Asks nothing.

The same key is an integer on one release and data, a string or a boolean on another, and numbers are printed with a
sign: every key is taken in each of these forms. Sources: IOPCIFamily, IOKitUser (IOCFSerialize.c).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.decode import NOT_GIVEN
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

NO_NUMBER: Final = "is no number"
NO_TEXT: Final = "is no text"
NO_FLAG: Final = "says neither yes nor no"
NO_TABLE: Final = "is no table"

MOST_BYTES: Final = 8  # of data that stands for a number
MOST_DIGITS: Final = 24  # of a number in words
MOST_LETTERS: Final = 256
MOST: Final = 2**64
_TRUE: Final = frozenset({"yes", "true", "1"})
_FALSE: Final = frozenset({"no", "false", "0"})
_DECIMAL: Final = frozenset("0123456789")
_HEX: Final = frozenset("0123456789abcdef")


def number(value: object) -> int | None:
    """An integer, a boolean, data with the least significant byte first, or digits; None for all else."""
    if isinstance(value, int):
        return int(value) if -MOST < value < MOST else None
    if isinstance(value, bytes):
        return int.from_bytes(value, "little") if 0 < len(value) <= MOST_BYTES else None
    return _digits(value) if isinstance(value, str) else None


def _digits(text: str) -> int | None:
    """Decimal digits, or hexadecimal ones behind "0x"; a sign may stand before them."""
    digits = text.rstrip("\0").strip().lower()
    if len(digits) > MOST_DIGITS:
        return None
    sign, digits = (-1, digits[1:]) if digits.startswith("-") else (1, digits)
    if digits.startswith("0x"):
        return sign * int(digits, 16) if digits[2:] and _HEX.issuperset(digits[2:]) else None
    return sign * int(digits) if digits and _DECIMAL.issuperset(digits) else None


def masked(value: object, bits: int) -> int | None:
    """A number without its sign, cut to so many bits, as a register has it."""
    found = number(value)
    return None if found is None else found & (1 << bits) - 1


def text(value: object) -> str | None:
    """A string, or data that ends in a zero byte, without the spaces around it; None where there is none."""
    if isinstance(value, bytes):
        value = value[: 4 * MOST_LETTERS].decode("utf-8", "replace")
    elif isinstance(value, int):
        value = str(int(value)) if -MOST < value < MOST else None
    if not isinstance(value, str):
        return None
    return value.partition("\0")[0].strip()[:MOST_LETTERS] or None


def flag(value: object) -> bool:
    """Whether a value says yes: true, a number other than 0, the word itself."""
    if isinstance(value, str):
        return value.rstrip("\0").strip().lower() in _TRUE
    return any(value) if isinstance(value, bytes) else isinstance(value, int) and value != 0


class Told:
    """What an entry tells of itself, by its keys; what is there and cannot be used is kept, to be said once.

    A text, a flag or a table that is not there was left out by the system: there is none. `name` is what people call
    the thing that the entry is of; where the whole entry is `missing`, all of it is.
    """

    __slots__ = ("_lost", "keys", "missing", "name")

    def __init__(self, keys: Mapping[str, object], name: str, missing: Unread | None = None) -> None:
        """Take an entry's properties."""
        self.keys = keys
        self.name = name
        self.missing = missing
        self._lost: dict[str, Unread] = {}

    def lost(self, key: str, why: str, *, vital: bool = False) -> Unread:
        """Keep that a value is there and cannot be used."""
        found = self._lost[key] = Unread(f"{key} of {self.name}", why, vital=vital)
        return found

    def text(self, key: str, *, vital: bool = False) -> str | Unread | None:
        """A text, None where it is not there or says nothing."""
        value = self.keys.get(key)
        if value is None:
            return self.missing
        found = text(value)
        if found is not None or isinstance(value, str | bytes):
            return found
        return self.lost(key, NO_TEXT, vital=vital)

    def number(self, key: str, bits: int, *, vital: bool = False, needed: bool = False) -> int | Unread:
        """A number of so many bits without its sign; Unread where it is not there, which is kept where it is `needed`.

        The system gives a `needed` number of every such thing.
        """
        value = self.keys.get(key)
        if value is None:
            lost = self.missing or Unread(f"{key} of {self.name}", NOT_GIVEN)
            return self.lost(key, NOT_GIVEN, vital=vital) if needed and self.missing is None else lost
        found = masked(value, bits)
        return self.lost(key, NO_NUMBER, vital=vital) if found is None else found

    def flag(self, key: str) -> bool | Unread:
        """Whether a value says yes; one that is not there says no."""
        value = self.keys.get(key)
        if value is None or isinstance(value, int | bytes):
            return flag(value)
        word = value.rstrip("\0").strip().lower() if isinstance(value, str) else ""
        if word in _TRUE or word in _FALSE:
            return word in _TRUE
        return self.lost(key, NO_FLAG, vital=True)

    def table(self, key: str) -> Told:
        """The values of a table, none where it is not there."""
        value = self.keys.get(key)
        missing = self.missing if value is None or isinstance(value, dict) else self.lost(key, NO_TABLE)
        found = Told(value if isinstance(value, dict) else {}, self.name, missing)
        found._lost = self._lost  # what is wrong in a table is said with all else
        return found

    def problems(self) -> Iterator[Unread]:
        """One line for all that was there and could not be used."""
        if len(self._lost) == 1:
            yield from self._lost.values()
        elif self._lost:
            why = "; ".join(f"{key} {unread.why}" for key, unread in self._lost.items())
            yield Unread(self.name, why, vital=any(unread.vital for unread in self._lost.values()))
