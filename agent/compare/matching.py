"""Which part of one machine is which of the other: by serial number, then by place and model. Judges nothing."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from agent.compare.fitted import FittedMachine, Thing, alike_key, on_board
from agent.model.likeness import is_one, same
from agent.model.pairing import paired
from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable

    from agent.audit import Audit
    from agent.compare.fitted import Port
    from probes.facts import PciFunction

COMPANIONS: Final = 2  # drives that tell the card that they sit on; one alone may as well have changed its card

BEFORE, AFTER = 0, 1


class MatchedMachines:
    """Two machines and which parts and ports are the same: `after_of` and `before_of` by the parts' numbers."""

    def __init__(self, before: Audit, after: Audit, *, two_boards: bool = False) -> None:
        """Match all parts, from the surest sign to the least.

        Of `two_boards` a device of the one board is no card of the other.
        """
        self._two_boards = two_boards
        self.before = FittedMachine(before)
        self.after = FittedMachine(after, roots(before, after))
        self.sides = (self.before, self.after)
        self.after_of: dict[int, int] = {}
        self.before_of: dict[int, int] = {}
        self._match()
        self.ports = dict(self._match_ports())
        self.port_before = {after: before for before, after in self.ports.items()}
        self.by_serial = {
            number
            for number, other in self.after_of.items()
            if same(self.before.things[number].serial, self.after.things[other].serial)
        }

    def pairs(self) -> list[tuple[Thing, Thing]]:
        """The parts that are in both, in the order of the second machine."""
        return [
            (self.before.things[self.before_of[thing.number]], thing)
            for thing in self.after.things
            if thing.number in self.before_of
        ]

    def removed(self) -> list[Thing]:
        """The parts that are only in the first machine."""
        return [thing for thing in self.before.things if thing.number not in self.after_of]

    def added(self) -> list[Thing]:
        """The parts that are only in the second machine."""
        return [thing for thing in self.after.things if thing.number not in self.before_of]

    def moved(self, before: Thing, after: Thing) -> bool:
        """Whether a part has another place: another holder, or there another slot and another position.

        What is part of the board stays where it is, whatever the firmware makes of its numbers.
        """
        if fixed(before) and fixed(after):
            return False
        if self._holder(before, BEFORE) != self._holder(after, AFTER):
            return True
        if before.slot is not None and before.slot == after.slot:
            return False
        return before.way != after.way

    def in_first(self, number: int, side: int) -> Hashable:
        """The number of a part, by that which it has in the first machine if it is there."""
        return number if side == BEFORE else self.before_of.get(number, ("new", number))

    def alike_readings(self, before: Thing, after: Thing) -> bool:
        """Whether both show the same depth of configuration space."""
        return depth(before) == depth(after)

    # --- Stages ------------------------------------------------------------------------------------------------

    def _match(self) -> None:
        self._pair("drive", self._serial)
        self._pair("card", self._serial)
        self._by_companions()
        levels = 1 + max((thing.depth for fitted in self.sides for thing in fitted.things), default=0)
        for kind in ("card", "drive"):
            for level in range(levels):
                for key in (self._in_slot, self._on_way, self._likely):
                    self._pair(kind, key, level)
                if kind == "card":
                    self._pair(kind, self._anywhere, level)
            self._pair(kind, self._anywhere)

    def _free(self, kind: str, side: int, level: int | None) -> Iterable[Thing]:
        taken = self.before_of if side else self.after_of
        for thing in self.sides[side].things:
            if thing.kind == kind and thing.number not in taken and (level is None or thing.depth == level):
                yield thing

    def _pair(self, kind: str, key: Callable[[Thing, int], Hashable | None], level: int | None = None) -> None:
        """Bind what has the same key, in the order of the parts; None is no key."""
        before, after = (tuple(self._free(kind, side, level)) for side in (BEFORE, AFTER))
        keys = (lambda thing: key(thing, AFTER)), (lambda thing: key(thing, BEFORE))
        for thing, other in paired(after, before, self._may_be, keys):
            self._bind(other, thing)

    def _may_be(self, thing: Thing, other: Thing) -> bool:
        return may_be(thing, other) and not (self._two_boards and on_board(thing) is not on_board(other))

    def _bind(self, before: Thing, after: Thing) -> None:
        self.after_of[before.number] = after.number
        self.before_of[after.number] = before.number

    def _serial(self, thing: Thing, side: int) -> Hashable | None:
        return thing.serial if self.sides[side].identity(thing) == "serial number" else None

    def _holder(self, thing: Thing | Port, side: int) -> object:
        """The part that holds a part, by the number that it has in the first machine."""
        return "board" if thing.holder is None else self.in_first(thing.holder, side)

    def _in_slot(self, thing: Thing, side: int) -> Hashable | None:
        return None if thing.slot is None else (alike_key(thing), self._holder(thing, side), thing.slot)

    def _on_way(self, thing: Thing, side: int) -> Hashable | None:
        return (alike_key(thing), self._holder(thing, side), thing.way)

    def _anywhere(self, thing: Thing, side: int) -> Hashable | None:  # noqa: ARG002 - as the other keys
        return alike_key(thing)

    def _likely(self, thing: Thing, side: int) -> Hashable | None:
        """What is in the same place, and has the same numbers as far as they were read."""
        return (thing.kind, self._holder(thing, side), thing.way) if thing.functions else None

    def _by_companions(self) -> None:
        """A carrier without a number of its own is known by the drives on it, where there are several."""
        drives: dict[int, list[int]] = {}
        for before, after in self.after_of.items():
            holder, other = self.before.things[before].holder, self.after.things[after].holder
            if holder is not None and other is not None and self.before.things[before].kind == "drive":
                drives.setdefault(holder, []).append(other)
        for holder, others in drives.items():
            first = self.before.things[holder]
            if len(others) < COMPANIONS or len(set(others)) > 1 or holder in self.after_of:
                continue
            second = self.after.things[others[0]]
            if (
                second.number not in self.before_of
                and alike_key(first) == alike_key(second)
                and self._may_be(first, second)
            ):
                self._bind(first, second)

    # --- Ports -------------------------------------------------------------------------------------------------

    def _match_ports(self) -> Iterable[tuple[str, str]]:
        """The ports that are the same, by the keys of their links: by slot, then by position."""
        before, after = list(self.before.ports), list(self.after.ports)[::-1]
        for key in (self._port_slot, self._port_way):
            keys = partial(key, side=BEFORE), partial(key, side=AFTER)
            for port, other in tuple(paired(before, after, lambda *_: True, keys)):
                before.remove(port)
                after.remove(other)
                yield port.judged.link.key, other.judged.link.key

    def _port_slot(self, port: Port, side: int) -> Hashable | None:
        return None if port.slot is None else (self._holder(port, side), port.slot)

    def _port_way(self, port: Port, side: int) -> Hashable:
        return (self._holder(port, side), port.way)


def may_be(thing: Thing, other: Thing) -> bool:
    """Whether nothing that was read speaks against two parts being one."""
    told = [(thing.model, other.model), (thing.bytes, other.bytes)]
    if is_one((thing.serial, other.serial), told) is False:
        return False
    return all(same(*pair) is not False for pair in zip(thing.ids, other.ids, strict=False))


def fixed(thing: Thing) -> bool:
    """Whether a part belongs to the board: it has no link, or the firmware lists it as such."""
    judged = thing.judged
    return thing.holder is None and bool(thing.functions) and (judged is None or judged.link.onboard)


def depth(thing: Thing) -> int:
    """How much of the configuration space of a part's link was read; see `depth_of`."""
    return depth_of(ends(thing))


def depth_of(functions: tuple[PciFunction, ...]) -> int:
    """How much of configuration space was read: 1 the beginning, 2 with its capabilities, 3 all; the least of these."""
    found = 3
    for function in functions:
        registers = function.registers
        link = registers.read(pcie.LINK_STATUS, "current_link_speed")
        if isinstance(link, Unread) and link.needs_root:
            found = min(found, 1)
        extended = registers.read(pcie.LANE_ERROR_STATUS, "lanes")
        if isinstance(extended, Unread) and extended.needs_root:
            found = min(found, 2)
    return found


def ends(thing: Thing) -> tuple[PciFunction, ...]:
    """The ends of a part's link that are visible."""
    return thing.judged.link.ends if thing.judged is not None else ()


def roots(before: Audit, after: Audit) -> dict[str, str]:
    """The root buses of the second machine by what the same ones are called in the first.

    Told by what sits on them, then by their names: a firmware may number them anew.
    """
    first, second = _on_roots(before), _on_roots(after)
    ranked = sorted(
        (
            (-_likeness(mine, theirs), thing != other, thing, other)
            for thing, mine in first.items()
            for other, theirs in second.items()
        )
    )
    found: dict[str, str] = {}
    for likeness, _, thing, other in ranked:
        if likeness < 0 and other not in found and thing not in found.values():
            found[other] = thing
    return found


def _on_roots(audit: Audit) -> dict[str, frozenset[tuple[object, ...]]]:
    found: dict[str, set[tuple[object, ...]]] = {}
    for function in audit.facts.functions:
        if function.parent is None and isinstance(function.root, str):
            what = (function.address.rpartition(":")[2], function.vendor_id, function.device_id)
            found.setdefault(function.root, set()).add(what)
    return {root: frozenset(what) for root, what in found.items()}


def _likeness(thing: frozenset[tuple[object, ...]], other: frozenset[tuple[object, ...]]) -> float:
    return len(thing & other) / len(thing | other)
