"""How two versions are compared, whoever wrote them. Knows no scheme of any maker; takes text, gives an order.

A version is cut into runs of digits and runs of letters; all else only separates them. Runs are compared one by one:

- digits as numbers, of any length ("9" comes before "10", "07" is "7");
- letters by the alphabet, capitals being no different;
- letters come before digits at the same place ("1.rc2" before "1.0");
- where one version ends first, it comes first ("2.3" before "2.3.1" and before "2.3b").

So "2.3.1", "2-3-1" and "02.3.1" are the same. Every two versions can be compared, also those of different schemes,
where the order means nothing: a note with a range therefore names the part as well.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from knowledge.fieldnotes import Versions

_RUNS: Final = re.compile(r"[0-9]+|[^\W\d_]+")
_LETTERS: Final = 0
_DIGITS: Final = 1

# Kind of the run, its length where it is a number, and the run itself.
Key = tuple[tuple[int, int, str], ...]


def key(version: str) -> Key:
    """What sorts a version; equal for versions that are the same."""
    return tuple(_run(run) for run in _RUNS.findall(version))


def _run(run: str) -> tuple[int, int, str]:
    if "0" <= run[0] <= "9":
        digits = run.lstrip("0")
        return _DIGITS, len(digits), digits  # a number with more digits is greater; no number is ever made of it
    return _LETTERS, 0, run.casefold()


def same(version: str, other: str) -> bool:
    """Whether two texts are the same version; texts without a letter or digit are so only to the letter."""
    first, second = key(version), key(other)
    return first == second if first or second else version.strip() == other.strip()


def within(version: str, wanted: Versions) -> bool:
    """Whether a version is one of those wanted."""
    if wanted.exactly is not None and not any(same(version, text) for text in wanted.exactly):
        return False
    if wanted.at_least is not None and key(version) < key(wanted.at_least):
        return False
    return wanted.below is None or key(version) < key(wanted.below)


def words(wanted: Versions) -> str:
    """The versions wanted, for people."""
    found = []
    if wanted.exactly is not None:
        found.append(" or ".join(wanted.exactly))
    if wanted.at_least is not None:
        found.append(f"{wanted.at_least} or later")
    if wanted.below is not None:
        found.append(f"before {wanted.below}")
    return ", ".join(found)
