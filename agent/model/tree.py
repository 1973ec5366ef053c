"""The links of a machine by what is above and below them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.upwards import above

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from agent.model.judged import Judged
    from probes.facts import PciFunction


class Tree:
    """The links by their way to the processor."""

    def __init__(self, functions: Mapping[str, PciFunction], links: Iterable[Judged]) -> None:
        """Index the links of a machine, and its functions by their addresses."""
        links = tuple(links)
        self._functions = functions
        self._leads_to = {function.address: link for link in links for function in link.link.functions}
        self._above = {link.link.key: tuple(self._links_above(link)) for link in links}
        self._below: dict[str, list[Judged]] = {}
        for link in links:
            for upper in self.above(link):
                self._below.setdefault(upper.link.key, []).append(link)

    def above(self, judged: Judged) -> tuple[Judged, ...]:
        """The links between this one and the processor, nearest first."""
        return self._above[judged.link.key]

    def chain(self, judged: Judged) -> tuple[Judged, ...]:
        """The link itself, then those between it and the processor, nearest first."""
        return (judged, *self.above(judged))

    def below(self, judged: Judged) -> tuple[Judged, ...]:
        """The links behind the component of this one, in the order of their ports."""
        return tuple(self._below.get(judged.link.key, ()))

    def _links_above(self, judged: Judged) -> Iterator[Judged]:
        address = above(judged.link.port)
        visited: set[str] = set()
        while address is not None and address not in visited:
            visited.add(address)
            upper = self._leads_to.get(address)
            if upper is not None:
                yield upper
            address = above(self._functions.get(address) if upper is None else upper.link.port)
