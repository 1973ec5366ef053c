"""The slots that a build sheet names, found in the machine: by the address of their port, else by their label.

Knows where things are, not what they should be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model.machine import device_place
from knowledge.phrasing import slot_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.expected import Expectations
    from agent.model.judged import Judged


class Spot(Struct, frozen=True, eq=False):
    """A slot with its links: one, or several where it is split.

    `wide` has further ports of the same device that no other slot of the sheet claims: on a machine whose firmware says
    nothing of its slots, they may be parts of this one.
    """

    label: str
    links: tuple[Judged, ...]
    wide: tuple[Judged, ...]

    @property
    def first(self) -> Judged:
        """The first of its links."""
        return self.links[0]

    @property
    def words(self) -> str:
        """The slot in a sentence."""
        return slot_words(self.label)


class Spots:
    """Finds slots by the sheet's labels."""

    def __init__(self, judged: Sequence[Judged], expected: Expectations) -> None:
        """Index the links of a machine."""
        self._judged = judged
        self._ports = {link.port_address: link for link in judged if link.port_address is not None}
        self._expected = expected
        self._found: dict[str, Spot | None] = {}
        labels = [*expected.ports, *(card.slot for card in expected.cards), *(drive.slot for drive in expected.drives)]
        labels += [*(need.in_slot for need in expected.needs), *expected.lanes]
        claimed: dict[str, str] = {}
        for label in dict.fromkeys(label for label in labels if label is not None):
            for link in self._links(label, None):
                claimed.setdefault(link.link.key, label)
        self._claimed = claimed

    def of(self, label: str | None, port: str | None) -> Spot | None:
        """The slot of this label, None where there is none, or it could not be told."""
        if label is None:
            return None
        if label not in self._found:
            links = self._links(label, port)
            self._found[label] = Spot(label, links, (*links, *self._beside(links))) if links else None
        return self._found[label]

    def at(self, judged: Judged) -> str | None:
        """The label of the slot that a link belongs to, None where it is none of the sheet's."""
        return self._claimed.get(judged.link.key)

    def place_of(self, chain: tuple[Judged, ...]) -> str:
        """Where something is, for people: its slot, the one nearest the processor that has a name."""
        for judged in reversed(chain):
            label = self.at(judged)
            if label is not None:
                return slot_words(label)
            if judged.link.slot is not None:
                return judged.link.slot.words
        return chain[-1].link.key if chain else "a place that is not shown"

    def _links(self, label: str, port: str | None) -> tuple[Judged, ...]:
        """The links of a slot: of the port that the sheet gives, else by name, with all parts of a split slot."""
        port = self._expected.ports.get(label, port)
        first = self._ports.get(port) if port is not None else None
        if first is not None:
            slot = first.link.slot
            if slot is None or slot.board is None:
                return (first,)
            return tuple(
                judged
                for judged in self._judged
                if judged.link.slot is not None and judged.link.slot.board is slot.board
            )
        wanted = label.strip().casefold()
        named = [
            judged
            for judged in self._judged
            if judged.link.slot is not None and _folded(judged.link.slot.name) == wanted
        ]
        described = [judged for judged in named if judged.link.board is not None]
        if described or named:
            return tuple(described or named)
        here = self._ports.get(label)
        return (here,) if here is not None else ()

    def _beside(self, links: tuple[Judged, ...]) -> list[Judged]:
        """Ports of the same device as the first of these that lead to no slot that is known by another name."""
        port = links[0].port_address
        if port is None:
            return []
        device = device_place(port)
        keys = {link.link.key for link in links}
        return [
            judged
            for judged in self._judged
            if judged.port_address is not None
            and device_place(judged.port_address) == device
            and judged.link.key not in keys
            and judged.link.key not in self._claimed
            and judged.link.board is None
        ]


def _folded(name: str) -> str:
    return name.strip().casefold()
