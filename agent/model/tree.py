"""The links of a machine by what is above and below them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.upwards import above, upwards

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.model.judged import Judged
    from agent.model.machine import Machine


class Tree:
    """The links by their way to the processor."""

    def __init__(self, machine: Machine, links: Iterable[Judged]) -> None:
        """Index the links of a machine."""
        self._machine = machine
        self._links = {link.link.key: link for link in links}
        self._above = {key: tuple(self._links_above(link)) for key, link in self._links.items()}
        self._below: dict[str, list[Judged]] = {}
        for link in self._links.values():
            for upper in self.above(link):
                self._below.setdefault(upper.link.key, []).append(link)

    def above(self, judged: Judged) -> tuple[Judged, ...]:
        """The links between this one and the processor, nearest first; none in the loops of a damaged capture."""
        return self._above[judged.link.key]

    def chain(self, judged: Judged) -> tuple[Judged, ...]:
        """The link itself, then those between it and the processor, nearest first."""
        return (judged, *self.above(judged))

    def below(self, judged: Judged) -> tuple[Judged, ...]:
        """The links behind the component of this one, in the order of their ports."""
        return tuple(self._below.get(judged.link.key, ()))

    def next_below(self, judged: Judged) -> list[Judged]:
        """Those of the links below with none between."""
        return [link for link in self.below(judged) if self.above(link)[0] is judged]

    def _links_above(self, judged: Judged) -> Iterator[Judged]:
        functions, link = self._machine.functions, judged.link
        start = link.port or functions.get(above(link.device) or "")
        way = tuple(upwards(start, functions))
        if way and above(way[-1]) in functions:
            return
        for function in way:
            upper = self._machine.leads_to.get(function.address)
            if upper is not None and upper.key in self._links:
                yield self._links[upper.key]
