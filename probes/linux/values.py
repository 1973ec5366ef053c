"""Answers of a Linux machine to numbers and names: what several questions share. Asks nothing."""

from __future__ import annotations

from typing import Final

from probes.answers import MOST_DIGITS, NOTHING_GIVEN
from probes.unread import NONSENSE, Unread


def is_address(text: str) -> bool:
    """Whether `text` is a PCI address: domain (four or more hexadecimal digits), bus, device, function."""
    domain, _, rest = text.partition(":")
    bus, _, rest = rest.partition(":")
    device, _, function = rest.partition(".")
    return (
        4 <= len(domain) <= 8  # noqa: PLR2004 - digits of a domain; five or more behind some storage controllers
        and len(bus) == 2  # noqa: PLR2004
        and len(device) == 2  # noqa: PLR2004
        and len(function) == 1
        and _HEX.issuperset(domain + bus + device)
        and function in "01234567"
    )


_HEX: Final = frozenset("0123456789abcdef")


MOST: Final = 2**64 - 1
_NOT_THE_KERNELS: Final = frozenset("_+")  # Python takes "1_6" and "+4" for numbers


def integer(text: str, key: str) -> int | Unread:
    """A decimal or 0x number of at most 64 bits, as the kernel writes it."""
    digits = text.strip()
    if len(digits) <= MOST_DIGITS and digits.isascii() and not _NOT_THE_KERNELS.intersection(digits):
        try:
            number = int(digits, 16) if digits.startswith("0x") else int(digits)
        except ValueError:
            number = MOST + 1
        if -MOST <= number <= MOST:
            return number
    return Unread(key, f'reads "{text[:40]}", not a number', code=NONSENSE)


def named(answer: str | Unread | None) -> str | Unread | None:
    """A text that may be missing: None where it is, or where it says nothing."""
    return answer or None if isinstance(answer, str) else answer


def count(answer: str | Unread | None, key: str) -> int | Unread | None:
    """A number that may be missing; the kernel's -1 says that there is none."""
    number = integer(answer, key) if isinstance(answer, str) else answer
    return None if isinstance(number, int) and number < 0 else number


def last(target: str | Unread | None, key: str) -> str | Unread | None:
    """The last name of a link's target; one that leads nowhere could not be read."""
    if not isinstance(target, str):
        return target
    return target.rpartition("/")[2] or Unread(key, NOTHING_GIVEN, vital=True)


def whole(answer: str | Unread, key: str) -> int | Unread:
    """An answer as a whole number, `Unread` passed on."""
    return answer if isinstance(answer, Unread) else integer(answer, key)


def real(text: str, key: str) -> float | Unread:
    """A text as a number of seconds from 0 to 10^12."""
    try:
        number = float(text) if len(text) <= MOST_DIGITS else -1.0
    except ValueError:
        number = -1.0
    return number if 0.0 <= number < 1e12 else Unread(key, f'reads "{text[:40]}"')  # noqa: PLR2004 - 30,000 years
