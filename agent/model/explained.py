"""The text on a rule or a verdict, as its own object has it."""

from __future__ import annotations

from msgspec import Struct


class Explained(Struct, frozen=True, kw_only=True):
    """The text on a rule or a verdict for people; that on a rule stands by itself, a plain definition first.

    `evidence` tells what it rests on, `causes` what usually leads to it, `cannot_tell` what it leaves open, `source`
    where this is from, and `see_also` names other words.
    """

    meaning: str = ""
    evidence: str
    causes: tuple[str, ...]
    cannot_tell: str
    source: str
    see_also: tuple[str, ...] = ()
