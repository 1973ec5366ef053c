"""Verdicts of small machines in few words: one port, what hangs below it, what became of the link. Test help only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from agent.model import machine, verdicts
from tests.build import build, facts, root_port, set_link
from tests.parts import Function, Machine, Slot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.judged import Judged
    from tests.parts import Rate
    from tests.tree import Tree

PORT: Final = "0000:00:01.0"
CARD: Final = "0000:01:00.0"
ENDS: Final = (PORT, CARD)


def tower(below: list[Function] | Function, can: Rate = (4, 16), **port: Any) -> Machine:  # noqa: ANN401 - fields of Function
    """A machine with one root port that leads to slot 1, and `below` in it; `port` are fields of the port."""
    fitted = [below] if isinstance(below, Function) else below
    named = {"slot": Slot(number=1), **port}
    return Machine(name="bench-9", buses={"0000:00": [root_port("01.0", can, fitted, **named)]})


def all_judged(
    described: Machine | Tree,
    looks: Sequence[tuple[float, Tree]] = (),
    again: Sequence[str] = ENDS,
    *,
    privileged: bool = True,
) -> dict[str, Judged]:
    """Every judged link of a machine by its key, as the super-user or an ordinary user sees it."""
    tree = build(described) if isinstance(described, Machine) else described
    found = verdicts.judge(machine.build(facts(tree, looks, again, privileged=privileged)))
    return {judged.link.key: judged for judged in found}


def judged_at(
    described: Machine | Tree,
    looks: Sequence[tuple[float, Tree]] = (),
    key: str = PORT,
    *,
    privileged: bool = True,
) -> Judged:
    """The judged link of one port."""
    return all_judged(described, looks, privileged=privileged)[key]


def seen_again(tree: Tree, *rates: Rate, ends: Sequence[str] = ENDS) -> list[tuple[float, Tree]]:
    """Later looks, half a second apart, at which the link between `ends` runs at these rates."""
    looks = []
    for number, rate in enumerate(rates, 1):
        later = tree.copy()
        set_link(later, ends, rate)
        looks.append((0.5 * number, later))
    return looks
