"""Rows of captures to one state, the same in whatever order they come. Reads nothing, shows nothing.

What is kept of a machine or a link is the newest, and the hottest temperature of all: of two moments the later, so
that adding is associative, commutative and indifferent to repetition. Where two captures bear the same moment but say
different things, the one whose bytes come later in order counts; that is arbitrary, and the same every time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct, msgpack, structs

from agent.tally.seen import LinkSeen, MachineSeen

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

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
    groups = _Groups()
    for machine in ordered:
        if not machine.named:
            for link in machine.links:
                if link.by_serial:
                    groups.join((machine.kind, link.key), machine.key)
    whole: dict[bytes, MachineSeen] = {}
    for machine in ordered:
        key = groups.first(machine.key)
        known = whole.get(key)
        whole[key] = machine if known is None else structs.replace(merged(known, machine), key=key)
    return list(whole.values())


class _Groups:
    """Which keys of machines belong together; each group goes by its least."""

    def __init__(self) -> None:
        self._above: dict[bytes, bytes] = {}
        self._owners: dict[tuple[MachineKind, bytes], bytes] = {}

    def join(self, drive: tuple[MachineKind, bytes], key: bytes) -> None:
        """A machine has this drive: it belongs to the others that have it."""
        one, other = self.first(self._owners.setdefault(drive, key)), self.first(key)
        if one != other:
            self._above[max(one, other)] = min(one, other)

    def first(self, key: bytes) -> bytes:
        """The least key of a group."""
        while key in self._above:
            key = self._above[key]
        return key
