"""Values of the I/O Registry to numbers, texts and flags: what several questions share. Asks nothing.

The same key is an integer on one release and data, a string or a boolean on another, and numbers are printed with a
sign: every key is taken in each of these forms. Sources: IOPCIFamily, IOKitUser (IOCFSerialize.c).
"""

from __future__ import annotations

from typing import Final

MOST_BYTES: Final = 8  # of data that stands for a number
MOST_DIGITS: Final = 24  # of a number in words
MOST_LETTERS: Final = 256
MOST: Final = 2**64
_TRUE: Final = frozenset({"yes", "true", "1"})
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
