"""Things that take each other's places: the order in which they move, and which belong together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import networkx as nx
from hypothesis import given
from hypothesis import strategies as some

from agent.model.turns import Mover, connected, turns

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.turns import Turn


def mover(name: str, holds: str, needs: str) -> Mover:
    """Something whose places are letters."""
    return Mover(name, frozenset(holds), frozenset(needs))


def told(units: Sequence[Mover], *, make_way: bool = False) -> list[tuple[str, Turn]]:
    """Each turn by the name of what moves."""
    return [(unit.name, turn) for unit, turn in turns(units, make_way=make_way)]


def test_a_chain_moves_from_its_free_end() -> None:
    """What waits for another's place goes after it; what is in no place is fitted."""
    units = [mover("new", "", "a"), mover("first", "a", "b"), mover("second", "b", "c")]
    assert [("second", "move"), ("first", "move"), ("new", "fit")] == told(units)


def test_a_ring_is_broken_by_laying_one_aside() -> None:
    """In a ring the first is laid aside and fitted last or, to make way for the first, what is in its way."""
    units = [mover("first", "a", "b"), mover("second", "b", "a")]
    assert [("first", "aside"), ("second", "move"), ("first", "fit")] == told(units)
    assert [("second", "aside"), ("first", "move"), ("second", "fit")] == told(units, make_way=True)


def test_what_is_in_no_place_is_never_laid_aside() -> None:
    """A part that waits outside for a ring stays there until its place is free."""
    units = [mover("new", "", "c"), mover("first", "a", "b"), mover("second", "bc", "a")]
    assert [("first", "aside"), ("second", "move"), ("new", "fit"), ("first", "fit")] == told(units)


@given(some.permutations(range(7)), some.permutations(range(7)), some.booleans())
def test_every_place_is_free_before_something_goes_in(here: list[int], there: list[int], make_way: bool) -> None:  # noqa: FBT001
    """However things change places, nothing goes in where another is, and all of them arrive, one aside a ring."""
    units = [
        Mover(str(number), frozenset({start}), frozenset({end}))
        for number, (start, end) in enumerate(zip(here, there, strict=True))
    ]
    taken = {unit.name: unit.holds for unit in units}
    aside = 0
    for unit, turn in turns(units, make_way=make_way):
        taken.pop(unit.name, None)
        if turn == "aside":
            aside += 1
            continue
        assert all(unit.needs.isdisjoint(held) for held in taken.values())
        taken[unit.name] = unit.needs
    assert {unit.name: unit.needs for unit in units} == taken
    rings = nx.DiGraph(zip(here, there, strict=True))
    assert sum(len(ring) > 1 for ring in nx.strongly_connected_components(rings)) == aside


@given(some.lists(some.tuples(some.integers(0, 9), some.integers(0, 9)), max_size=12))
def test_groups_are_the_connected_components(pairs: list[tuple[int, int]]) -> None:
    """Pairs lead to the groups of a graph's components, in the order of the members."""
    graph = nx.Graph(pairs)
    graph.add_nodes_from(range(10))
    assert sorted(map(sorted, nx.connected_components(graph))) == connected(range(10), pairs)
