"""Rows of captures to one state, the same in whatever order they come. Reads nothing, shows nothing.

What is kept of a machine or a link is the newest, and the hottest temperature of all: of two moments the later, so
that adding is associative, commutative and indifferent to repetition. Where two captures bear the same moment but say
different things, the one whose bytes come later in order counts; that is arbitrary, and the same every time.
"""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING

from msgspec import Struct, msgpack, structs

from agent.model.turns import connected
from agent.tally.seen import LinkSeen, MachineSeen

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.tally.seen import LinkRun, MachineKind


class Counts(Struct, frozen=True):
    """What was read: captures, machines, and the oldest and newest moment (Unix time; None where nothing was read)."""

    captures: int
    machines: int
    nameless: int
    oldest: float | None
    newest: float | None


class Tally:
    """All machines met so far. It holds some hundred bytes a link, and each different way that links run once."""

    def __init__(self, machines: Iterable[MachineSeen] = ()) -> None:
        """Begin with these."""
        self._machines: dict[bytes, MachineSeen] = {}
        self._alike: dict[LinkRun, LinkRun] = {}
        self._kinds: dict[MachineKind, MachineKind] = {}
        self._captures = 0
        self._oldest: float | None = None
        self._newest: float | None = None
        for machine in machines:
            self.add(machine)

    def add(self, machine: MachineSeen) -> None:
        """Add what one capture said of a machine."""
        self._captures += 1
        self._span(machine.taken, machine.taken)
        self._put(machine)

    def merge(self, other: Tally) -> None:
        """Add all that another tally holds."""
        self._captures += other._captures
        if other._oldest is not None and other._newest is not None:
            self._span(other._oldest, other._newest)
        for machine in other._machines.values():
            self._put(machine)

    @property
    def counts(self) -> Counts:
        """What was read."""
        machines = joined(self._machines.values())
        nameless = sum(not machine.named for machine in machines)
        return Counts(self._captures, len(machines), nameless, self._oldest, self._newest)

    def __iter__(self) -> Iterator[MachineSeen]:
        """The machines, in order of their keys."""
        return iter(joined(self._machines.values()))

    def _span(self, oldest: float, newest: float) -> None:
        self._oldest = oldest if self._oldest is None else min(self._oldest, oldest)
        self._newest = newest if self._newest is None else max(self._newest, newest)

    def _put(self, machine: MachineSeen) -> None:
        known = self._machines.get(machine.key)
        whole = machine if known is None else merged(known, machine)
        if whole is not known:
            self._machines[machine.key] = self._small(whole)

    def _small(self, machine: MachineSeen) -> MachineSeen:
        """The same, with one object for all that is alike."""
        alike = self._alike.setdefault
        links = tuple(
            LinkSeen(link.key, link.taken, link.hottest, alike(link.seen, link.seen), link.by_serial)
            for link in machine.links
        )
        kind = self._kinds.setdefault(machine.kind, machine.kind)
        return structs.replace(machine, kind=kind, links=links)


def merged(machine_seen: MachineSeen, other: MachineSeen) -> MachineSeen:
    """What two captures together say of the same machine."""
    links = {link.key: link for link in machine_seen.links}
    for link in other.links:
        known = links.get(link.key)
        links[link.key] = link if known is None else _merged_link(known, link)
    newest = max(machine_seen, other, key=_age)
    return structs.replace(newest, links=tuple(links[key] for key in sorted(links)))


def _merged_link(link_seen: LinkSeen, other: LinkSeen) -> LinkSeen:
    newest = (
        link_seen
        if link_seen.seen == other.seen and link_seen.taken >= other.taken
        else max(link_seen, other, key=_link_age)
    )
    readings = [link.hottest for link in (link_seen, other) if link.hottest is not None]
    by_serial = link_seen.by_serial or other.by_serial
    return LinkSeen(newest.key, newest.taken, max(readings, default=None), newest.seen, by_serial)


def _age(machine: MachineSeen) -> tuple[float, bytes]:
    return machine.taken, msgpack.encode(
        (machine.named, machine.firmware, machine.dark, machine.silent, machine.partly)
    )


def _link_age(link: LinkSeen) -> tuple[float, bytes]:
    return link.taken, msgpack.encode(link.seen)


# --- Machines without a name -----------------------------------------------------------------------------------


def joined(machines: Iterable[MachineSeen]) -> list[MachineSeen]:
    """The machines in order of their keys, those without a name put together where they share a drive.

    Such a machine is known by its drives alone, and an upgrade adds some: machines of one make of which one has a drive
    that the other had are one, through as many steps as there are. A drive that moved from one machine to another of
    its make makes one of the two.
    """
    ordered = sorted(machines, key=lambda machine: machine.key)
    whole = []
    for group in connected(range(len(ordered)), _sharing(ordered)):
        first, *others = (ordered[number] for number in group)
        whole.append(structs.replace(reduce(merged, others, first), key=first.key))
    return whole


def _sharing(machines: Sequence[MachineSeen]) -> Iterator[tuple[int, int]]:
    """Pairs of machines without a name, by their numbers, that are of one make and share a drive."""
    owners: dict[tuple[MachineKind, bytes], int] = {}
    for number, machine in enumerate(machines):
        for link in machine.links:
            if link.by_serial and not machine.named:
                yield owners.setdefault((machine.kind, link.key), number), number
