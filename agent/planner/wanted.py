"""What a stage of the search asks for: a goal to be made as great as can be, and all that earlier stages reached."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

Goal = Literal["placed", "total", "moves", "room"]
Look = tuple[int, int, int]  # slot, kind of card (today's place aside, -1 for a socket), which of its holders there


class Wanted(Struct, frozen=True):
    """What an arrangement must reach to count: drives and cards placed, needs met, the worst share, total and moves.

    None, () and 0 ask for nothing. `unlike` are sets of looks that it must not have.
    """

    placed: int | None = None
    needs: tuple[int, ...] = ()
    worst: int = 0
    total: int | None = None
    moves: int | None = None
    unlike: tuple[frozenset[Look], ...] = ()
