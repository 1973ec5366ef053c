"""Slots, cards and drives that random placing problems draw from: plain kinds, with figures as such parts have them."""

from __future__ import annotations

from typing import Final

from msgspec import Struct


class Slot(Struct, frozen=True):
    """A place of the board: one for cards, or (`socket`) one that takes a drive itself."""

    connector: int
    lanes: int
    generation: int
    open_end: bool
    splits: tuple[tuple[int, ...], ...]
    watts: float | None
    short: bool  # long drives, or cards on which they lie, have no room
    socket: bool = False


class Card(Struct, frozen=True):
    """A card: without bays it is wanted for its own sake. `carrier` is "none", "passive" or "switch"."""

    connector: int
    lanes: int
    generation: int
    carrier: str
    bays: int
    watts: float
    wide: bool = False


class Kind(Struct, frozen=True):
    """Drives of one kind: own limits in MB/s, power in watts."""

    generation: int
    lanes: int
    read: float
    write: float
    watts: float
    long: bool = False


ERAS: Final = ((2, 3), (3, 3, 4), (3, 4, 5), (1, 2, 3, 4, 5))
SHAPES: Final = ((16, 16), (16, 16), (16, 8), (16, 4), (8, 8), (8, 4), (4, 4), (4, 1), (1, 1))  # connector, wired
SPLITS: Final[dict[int, list[tuple[tuple[int, ...], ...]]]] = {
    16: [(), (), ((8, 8),), ((4, 4, 4, 4),), ((8, 8), (8, 4, 4), (4, 4, 4, 4))],
    8: [(), (), ((4, 4),)],
}
CARRIERS: Final = (
    Card(4, 4, 3, "passive", 1, 0.5),
    Card(4, 4, 5, "passive", 1, 0.5),
    Card(8, 8, 4, "passive", 2, 1.0),
    Card(16, 16, 3, "passive", 4, 2.0),
    Card(16, 16, 5, "passive", 4, 6.0),
    Card(8, 8, 2, "switch", 2, 7.0),
    Card(8, 8, 3, "switch", 2, 8.0),
    Card(8, 8, 3, "switch", 4, 9.5),
    Card(16, 16, 3, "switch", 4, 12.0),
    Card(16, 16, 4, "switch", 4, 18.0),
    Card(16, 16, 4, "switch", 8, 24.0, wide=True),
)
WANTED: Final = (
    Card(16, 16, 3, "none", 0, 60.0, wide=True),
    Card(16, 16, 4, "none", 0, 70.0, wide=True),
    Card(16, 8, 4, "none", 0, 40.0),
    Card(8, 8, 3, "none", 0, 15.0),
    Card(4, 4, 3, "none", 0, 9.0),
    Card(4, 4, 2, "none", 0, 12.5),
    Card(1, 1, 2, "none", 0, 4.0),
)
KINDS: Final = (
    Kind(3, 4, 3500, 3300, 8.5),
    Kind(3, 4, 3100, 1500, 6.0),
    Kind(3, 2, 1700, 1200, 4.5),
    Kind(4, 4, 7100, 6300, 9.0),
    Kind(4, 4, 5000, 4200, 7.25),
    Kind(4, 4, 6800, 4000, 20.0, long=True),
    Kind(5, 4, 13500, 11800, 11.5),
    Kind(5, 4, 12000, 6500, 25.0, long=True),
)
