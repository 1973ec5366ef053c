"""Generic kinds of boards with their slots, read from `boards.toml` beside this file. No brands, no single products.

They are starting points for a build sheet: what the board's own manual says counts more.
"""

from __future__ import annotations

from functools import cache
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType

from knowledge.parts import FigureSource  # noqa: TC001 - the shape of a file is checked by it

# Boards up to this generation: firmware without a driver for NVMe drives, and no way to split a slot (common practice).
OLD_GENERATION: Final = 2
OLD_START: Final = (
    "Boards of generations 1 and 2 (and early ones of 3) may not start from an NVMe drive: their firmware has no driver"
    " for it (common practice). See in the board's manual first, and keep the system on a drive that it does start"
    " from; as a place for data an NVMe drive works all the same."
)


class UplinkOfBoard(Struct, frozen=True, forbid_unknown_fields=True):
    """A link that slots share, with the keys of [[uplink]] in a build sheet."""

    name: str
    lanes: int
    generation: int


class SlotOfBoard(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A slot, with keys of [[slot]] in a build sheet."""

    label: str
    kind: Literal["card", "m.2", "u.2"] | UnsetType = UNSET
    connector: int | UnsetType = UNSET
    lanes: int
    generation: int
    splits: tuple[str, ...] | UnsetType = UNSET
    uplink: str | UnsetType = UNSET
    lengths: tuple[str, ...] | UnsetType = UNSET


class BoardKind(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind of board. `what` is one line for people, `sources` names entries of the file's list of sources.

    `cards` and `drives` are kinds of parts that show in a template what parts look like.
    """

    name: str
    what: str
    sources: tuple[str, ...]
    starts_from_nvme: bool
    cards: tuple[str, ...]
    drives: tuple[str, ...]
    uplink: tuple[UplinkOfBoard, ...] = ()
    slot: tuple[SlotOfBoard, ...]


class BoardsFile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole file: the sources by name, and the kinds."""

    sources: dict[str, FigureSource]
    board: tuple[BoardKind, ...]


@cache
def boards() -> BoardsFile:
    """The file as it is, checked against the shape above."""
    import tomllib
    from pkgutil import get_data

    import msgspec

    data = get_data(__package__, "boards.toml")
    assert data is not None, "boards.toml belongs to the package"
    return msgspec.convert(tomllib.loads(data.decode()), BoardsFile)


@cache
def board_kinds() -> dict[str, BoardKind]:
    """Every kind by its name, the oldest first."""
    return {kind.name: kind for kind in boards().board}
