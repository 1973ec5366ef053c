"""Things that take each other's places: which belong together, and in which order they move. Knows no cards or drives.

A place is free before something goes in. Where things go round in a ring, one is laid aside first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol, TypeVar

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Iterator, Sequence

Turn = Literal["move", "fit", "aside"]
Member = TypeVar("Member", bound="Hashable")


class Moving(Protocol):
    """What is to move: the places that it takes up now, none where it is in none, and those that it needs."""

    @property
    def holds(self) -> frozenset[Hashable]:
        """The places that it takes up now."""
        ...

    @property
    def needs(self) -> frozenset[Hashable]:
        """The places that must be free of all others before it goes in."""
        ...


Unit = TypeVar("Unit", bound=Moving)


class Mover(Struct, frozen=True):
    """Something that moves, by its name."""

    name: str
    holds: frozenset[Hashable]
    needs: frozenset[Hashable]


def turns(units: Iterable[Unit], *, make_way: bool = False) -> Iterator[tuple[Unit, Turn]]:
    """What is done to each in turn: "move" from its place, "fit" from outside or the table, or lay "aside" on it.

    The first goes that can. In a ring the first that is in a place is laid aside or, with `make_way`, what is in the
    way of the first that waits.
    """
    waiting = list(units)
    in_place = [unit for unit in waiting if unit.holds]
    while waiting:
        free = next((unit for unit in waiting if not in_the_way(unit, in_place)), None)
        if free is not None:
            waiting.remove(free)
            yield free, "move" if free in in_place else "fit"
        else:
            free = in_the_way(waiting[0], in_place)[0] if make_way else in_place[0]
            yield free, "aside"
        in_place = [unit for unit in in_place if unit is not free]


def in_the_way(unit: Unit, others: Iterable[Unit]) -> list[Unit]:
    """Those of the others that take up a place that this one needs."""
    return [other for other in others if other is not unit and other.holds & unit.needs]


def connected(members: Sequence[Member], pairs: Iterable[tuple[Member, Member]]) -> list[list[Member]]:
    """The members in groups, those together between whom pairs lead; groups and members in the order given."""
    groups = {member: [member] for member in members}
    for pair in pairs:
        small, large = sorted((groups[member] for member in pair), key=len)
        if small is not large:
            large += small
            groups.update(dict.fromkeys(small, large))
    found: dict[int, list[Member]] = {}
    for member in members:
        found.setdefault(id(groups[member]), []).append(member)
    return list(found.values())
