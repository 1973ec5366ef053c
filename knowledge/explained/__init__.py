"""What the program's words mean, in texts for people: the TOML files beside this one, read only when asked for.

What the code says itself stands there and is not repeated here: the titles of steps, and all of a rule or a verdict.
Decides nothing; `agent/explain.py` puts the two together.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Mapping


class Doing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The text on a step. `subject` and `slot` are what its words speak of where no machine is meant."""

    meaning: str
    cannot_tell: str
    subject: str = "the card"
    slot: str = "the slot that is named"
    see_also: tuple[str, ...] = ()


class Term(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The text on a severity, or on a word of the trade or of our own. `title` is the word in one line.

    `also` are other names that lead to it. A word may have no `evidence` and no limits: "" then.
    """

    title: str
    also: tuple[str, ...] = ()
    meaning: str
    evidence: str = ""
    causes: tuple[str, ...] = ()
    cannot_tell: str = ""
    source: str
    see_also: tuple[str, ...] = ()


class Texts(Struct, frozen=True):
    """All texts by kind and word."""

    severities: Mapping[str, Term]
    steps: Mapping[str, Doing]
    words: Mapping[str, Term]


SHAPES: Final = {"severities": Term, "steps": Doing, "words": Term}


@cache
def texts() -> Texts:
    """The files as they are, checked against the shapes above (msgspec.ValidationError, a defect of the package)."""
    import tomllib
    from pkgutil import get_data

    import msgspec

    found = {}
    for name, shape in SHAPES.items():
        data = get_data(__name__, f"{name}.toml")
        assert data is not None, f"{name}.toml belongs to the package"
        found[name] = msgspec.convert(tomllib.loads(data.decode()), dict[str, shape])  # type: ignore[valid-type]
    return Texts(**found)
