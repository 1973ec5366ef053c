"""Generic kinds of parts with typical figures, read from `parts.toml` beside this file. No brands, no single products.

The figures are starting points for planning: what a sheet says of a part counts more. Rates are MB/s (10^6 bytes per
second), power watts, lengths millimetres, speeds generation numbers (1 is 2.5 GT/s).
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterable

# How alike two names must be for one to be offered in place of the other, 0 to 1.
ALIKE: Final = 0.5


class FigureSource(Struct, frozen=True, forbid_unknown_fields=True):
    """Where figures come from: `figures` are the keys that it can be the source of."""

    figures: tuple[str, ...]
    text: str


class CardKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind of card. `what` is one line for people, `sources` names entries of the file's list of sources.

    The other keys are those of a card in a build sheet (agent/sheets/sheet.py, CardSpec).
    """

    name: str
    what: str
    sources: tuple[str, ...]
    connector: int
    lanes: int
    generation: int
    carrier: Literal["none", "passive", "switch"] = "none"
    bays: int = 0
    bay_lanes: int = 4
    bay_generation: int | None = None
    bay_lengths: tuple[str, ...] = ()
    bay_form: Literal["m.2", "u.2"] = "m.2"
    power_watts: float
    cable_watts: float = 0.0
    height: Literal["full", "low"] = "full"
    length_mm: int | None = None
    wide: int = 1
    wants_mbps: float | None = None


class DriveKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind of drive; as `CardKind`, with the keys of a drive in a build sheet (DriveSpec)."""

    name: str
    what: str
    sources: tuple[str, ...]
    generation: int
    lanes: int
    read_mbps: float
    write_mbps: float
    power_watts: float
    length: str | None = None
    form: Literal["m.2", "u.2"] = "m.2"


class PartsFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole file: the sources by name, and the kinds."""

    sources: dict[str, FigureSource]
    card: tuple[CardKind, ...]
    drive: tuple[DriveKind, ...]


@cache
def parts() -> PartsFile:
    """The file as it is, checked against the shape above."""
    import tomllib
    from pkgutil import get_data

    import msgspec

    data = get_data(__package__, "parts.toml")
    assert data is not None, "parts.toml belongs to the package"
    return msgspec.convert(tomllib.loads(data.decode()), PartsFile)


@cache
def kinds() -> dict[str, CardKind | DriveKind]:
    """Every kind by its name."""
    found: dict[str, CardKind | DriveKind] = {kind.name: kind for kind in parts().card}
    return found | {kind.name: kind for kind in parts().drive}


@cache
def typical_watts(generation: int) -> float:
    """What a typical drive of four lanes takes at most, watts; older and newer ones count as the nearest there is."""
    known = {kind.generation: kind.power_watts for kind in parts().drive if kind.name == f"nvme-gen{kind.generation}"}
    return known[min(known, key=lambda other: abs(other - generation))]


def nearest(name: str, names: Iterable[str]) -> str | None:
    """The one of `names` that is most like `name`, or None where none is like it."""
    from difflib import get_close_matches

    found = get_close_matches(name, list(names), 1, ALIKE)
    return found[0] if found else None
