"""Better slots of the same machine for cards that could do more than their slot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.findings import Rate, Verdict
from agent.model.judged_machine import JudgedMachine, Move
from agent.model.split_slots import is_board_slot
from agent.model.throughput import link_mbps
from agent.model.unseen_parts import missed

if TYPE_CHECKING:
    from collections.abc import Container

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
    held = {_slot(link) for link in seen.judged if link.verdict is not Verdict.EMPTY}
    wished = [
        (judged, other, move)
        for judged in seen.with_verdict(Verdict.SLOT_LIMITED)
        if movable(judged) and judged.link.key not in unsettled
        for other in seen.judged
        if other.link.key not in unsettled and (move := _move(seen, judged, other, held)) is not None
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


def _move(seen: JudgedMachine, judged: Judged, other: Judged, held: Container[Where | None]) -> Move | None:
    """The move of a card into another slot, if it fits, links faster there, and costs the other card nothing.

    `held` are the slots with something in them.
    """
    link, can, card = other.link, other.port_can, judged.device_can
    if other is judged or not is_board_slot(seen.machine, link) or can is None or card is None or not _fits(link, card):
        return None
    carrier = _needs_carrier(seen, judged, link)
    rate = card.common(can)
    gain = link_mbps(rate.speed, rate.width) - (judged.mbps or 0.0)
    assert link.slot is not None
    if carrier is None or gain <= 0:
        return None
    if _slot(other) not in held:
        unread = missed(seen.machine.facts.board_slots) is not None
        described = True if link.slot.board is not None else None if unread else False
        return Move(link.slot.words, rate, gain, needs_carrier=carrier, described=described)
    if not carrier and not link.onboard and _loses_nothing(other, judged):
        return Move(link.slot.words, rate, gain, swaps_with=other.device_address)
    return None


def _needs_carrier(seen: JudgedMachine, judged: Judged, there: Link) -> bool | None:
    """Whether a move takes a carrier card: a drive from its own kind of slot or bay to a card slot. None: no move."""
    here = judged.link
    mine, theirs = _kind(here), _kind(there)
    if mine in DRIVE_SLOTS or not is_board_slot(seen.machine, here):
        if theirs in DRIVE_SLOTS:
            return False if mine == theirs else None
        return True if judged.is_drive else None
    if theirs in DRIVE_SLOTS or (mine is not None and theirs is not None and mine != theirs):
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
