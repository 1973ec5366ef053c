"""Better slots of the same machine for cards that could do more than their slot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.findings import Verdict
from agent.model.judged_machine import JudgedMachine, Move
from agent.model.split_slots import is_board_slot
from agent.model.throughput import link_mbps
from agent.model.unseen_parts import missed

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Iterator

    from agent.model.findings import Rate
    from agent.model.judged import Judged
    from agent.model.machine import Link
    from probes.facts import BoardSlot

    Where = tuple[BoardSlot | None, str]

DRIVE_SLOTS: Final = frozenset({"m.2", "u.2", "edsff"})


def movable(judged: Judged) -> bool:
    """Whether the card sits in a slot, as far as the machine tells, and is no part of the board."""
    return judged.link.slot is not None and not judged.link.onboard


def moves(seen: JudgedMachine) -> dict[str, Move]:
    """A better slot for each slot-limited card that has one, by the card's link; no slot is given out twice.

    The greatest gain comes first, then free before swapped, then the narrowest that is enough, so that big slots
    stay free. A card whose drives would gain nothing stays where it is. Where a build sheet says what goes where, and
    it is not so yet, that comes first.
    """
    unsettled = seen.matched.unsettled() if seen.matched is not None else set()
    slots = tuple(_slots(seen, unsettled))
    wished = [
        (judged, slot.judged, move)
        for judged in seen.with_verdict(Verdict.SLOT_LIMITED)
        if movable(judged) and judged.link.key not in unsettled
        for slot, move in _Mover(seen, judged).moves(slots)
    ]
    wished.sort(key=lambda one: (-one[2].gain_mbps, one[2].swaps_with is not None, _size(one[1]), one[2].slot))
    found: dict[str, Move] = {}
    taken: set[str] = set()
    for judged, other, move in wished:
        card, place = judged.link.key, other.link.key
        if card in found or card in taken or place in taken:
            continue
        gain = seen.gain_mbps(card, move.rate)
        if gain is None:
            continue
        found[card] = replace(move, gain_mbps=gain)
        taken |= {place} if move.swaps_with is None else {place, card}
    return found


def _size(judged: Judged) -> tuple[int, int]:
    """How big a slot is: lanes, then speed."""
    return (judged.port_can.width, judged.port_can.speed) if judged.port_can is not None else (0, 0)


class _Slot(Struct, frozen=True):
    """A slot of the board: what it can do, its kind where the firmware tells, whether something is in it."""

    judged: Judged
    can: Rate
    kind: str | None
    held: bool
    described: bool | None


def _slots(seen: JudgedMachine, unsettled: Container[str]) -> Iterator[_Slot]:
    """The slots of the board that a card may go to."""
    held = {_slot(judged) for judged in seen.judged if judged.verdict is not Verdict.EMPTY}
    unread = missed(seen.machine.facts.board_slots) is not None
    for judged in seen.judged:
        link, can = judged.link, judged.port_can
        if can is None or link.key in unsettled or not is_board_slot(seen.machine, link):
            continue
        described = True if link.board is not None else None if unread else False
        yield _Slot(judged, can, _kind(link), _slot(judged) in held, described)


class _Mover:
    """A card that its slot limits, held against one slot after the other."""

    def __init__(self, seen: JudgedMachine, judged: Judged) -> None:
        self._judged = judged
        self._kind = _kind(judged.link)
        self._bay = self._kind in DRIVE_SLOTS or not is_board_slot(seen.machine, judged.link)
        self._gains: dict[Rate, tuple[Rate, float]] = {}

    def moves(self, slots: Iterable[_Slot]) -> Iterator[tuple[_Slot, Move]]:
        """The moves into those slots where the card fits, links faster, and costs the card there nothing."""
        judged, card = self._judged, self._judged.device_can
        if card is None:
            return
        for slot in slots:
            if slot.judged is judged or not _fits(slot.judged.link, card):
                continue
            rate, gain = self._gain(card, slot.can)
            carrier = self._needs_carrier(slot.kind)
            if carrier is None or gain <= 0:
                continue
            link = slot.judged.link
            assert link.slot is not None
            if not slot.held:
                yield slot, Move(link.slot.words, rate, gain, needs_carrier=carrier, described=slot.described)
            elif not carrier and not link.onboard and _loses_nothing(slot.judged, judged):
                yield slot, Move(link.slot.words, rate, gain, swaps_with=slot.judged.device_address)

    def _gain(self, card: Rate, can: Rate) -> tuple[Rate, float]:
        """The rate in a slot that can do so much, and how much more that is, MB/s; worked out once."""
        known = self._gains.get(can)
        if known is None:
            rate = card.common(can)
            known = self._gains[can] = rate, link_mbps(rate.speed, rate.width) - (self._judged.mbps or 0.0)
        return known

    def _needs_carrier(self, there: str | None) -> bool | None:
        """Whether a move takes a carrier card, as from the drives' own kind of slot to a card slot. None: no move."""
        if self._bay:
            if there in DRIVE_SLOTS:
                return False if self._kind == there else None
            return True if self._judged.is_drive else None
        if there in DRIVE_SLOTS or (self._kind is not None and there is not None and self._kind != there):
            return None
        return False


def _kind(link: Link) -> str | None:
    """The kind of a link's slot, where the firmware describes it."""
    return link.board.kind if link.board is not None else None


def _slot(judged: Judged) -> Where | None:
    """What names the slot of a link: the same for all parts of a slot that is split."""
    slot = judged.link.slot
    return None if slot is None else (slot.board, slot.name)


def _loses_nothing(holder: Judged, judged: Judged) -> bool:
    """Whether the card that holds the better slot would do as well in the slot of `judged`."""
    card, can = holder.device_can, judged.port_can
    if not holder.verdict.kind.card_at_best or card is None or can is None or holder.mbps is None:
        return False
    there = card.common(can)
    return link_mbps(there.speed, there.width) >= holder.mbps and _fits(judged.link, card)


def _fits(link: Link, card: Rate) -> bool:
    """Whether a card of this width goes into the slot, as far as the firmware describes its connector."""
    board = link.board
    if board is None:
        return True
    if board.usage == "unavailable":
        return False
    return board.connector_lanes == 0 or board.connector_lanes >= card.width
