"""What a build sheet expects of the machine, for the rules that hold the machine against it.

Data, and the form in which a sheet has what was read: whoever writes it and whoever compares it must agree on that.

Rates are (low, high) in MB/s (10^6 bytes per second) of reading; links are (generation, lanes).
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from knowledge.phrasing import printable
from probes.tokens import is_placeholder, is_word_token

LONGEST_TEXT: Final = 150  # characters of a model or serial number in a sheet made from what is fitted


def as_written(text: object) -> str | None:
    r"""A text that was read, as a sheet made of it has it: "\x1b" for what is not printable, cut; None for no text."""
    return (printable(text.strip(), LONGEST_TEXT) or None) if isinstance(text, str) else None


def named(text: object) -> str | None:
    """A text, as above, that names one thing: no token of a redacted capture, no placeholder of a maker."""
    found = as_written(text)
    return None if found is None or is_word_token(found) or is_placeholder(found) else found


class CardExpected(Struct, frozen=True, kw_only=True):
    """A card that should be fitted: in this slot (None: anywhere), with this link there."""

    name: str
    slot: str | None
    port: str | None
    pci_id: str | None
    carrier: str
    bays: int
    link: tuple[int, int] | None


class DriveExpected(Struct, frozen=True, kw_only=True):
    """A drive that should be fitted: on `card` (then in the card's slot), or in a slot of its own, or anywhere."""

    name: str
    card: str | None
    bay: int | None
    slot: str | None
    model: str | None
    serial: str | None
    link: tuple[int, int] | None
    alone: tuple[float, float] | None
    together: tuple[float, float] | None


class Need(Struct, frozen=True, kw_only=True):
    """Something that the build must give. What is not asked for is None, False or ().

    Rates, MB/s, are those of `stripe` as a whole, or else of each of `drives`, while nothing else works. The other
    three hold for every drive named (or of the stripe): not on a card that needs a split slot, not behind a packet
    switch; and for `cards`: `in_slot`, the slot that the card must be in.
    """

    name: str
    stripe: str | None = None
    drives: tuple[str, ...] = ()
    cards: tuple[str, ...] = ()
    read_mbps: float | None = None
    write_mbps: float | None = None
    not_on_split: bool = False
    not_behind_switch: bool = False
    in_slot: str | None = None


class NeedExpected(Need, frozen=True, kw_only=True):
    """A need of a machine: a stripe set with its level, RAID `raid`, and its drives by their names."""

    raid: int | None = None


class LanesExpected(Struct, frozen=True):
    """A slot that loses lanes to others: all that it has, and (slots, lanes left) for each set that takes some."""

    lanes: int
    taken: tuple[tuple[tuple[str, ...], int], ...]


class Expectations(Struct, frozen=True, kw_only=True):
    """All that is expected. `source` is the sheet's name for people; `ports` gives the address of a slot's port.

    `lanes` are the slots that lose lanes while others are filled, `filled` those that the sheet fills.
    """

    source: str
    ports: dict[str, str]
    cards: tuple[CardExpected, ...]
    drives: tuple[DriveExpected, ...]
    needs: tuple[NeedExpected, ...] = ()
    lanes: dict[str, LanesExpected] = {}
    filled: frozenset[str] = frozenset()
