"""Slots beside a slot, and whether something is in them: boards give lanes of one slot to the next while it is filled.

That boards share sixteen lanes as eight and eight is common practice; no machine says it of itself, the board's manual
does. So what is found here is a likely reason, never a verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model.findings import Verdict
from agent.model.machine import device_place
from agent.model.unseen_parts import missed
from knowledge.phrasing import begun, listed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.judged import Judged
    from probes.facts import BoardSlot, Facts


class Neighbours(Struct, frozen=True):
    """The slots beside a link's own: those that are filled, and those of which it is not known, with the reason."""

    filled: tuple[Judged, ...]
    unread: tuple[tuple[Judged, str], ...]


def neighbours(judged: Judged, links: Sequence[Judged], slots: Sequence[BoardSlot]) -> Neighbours:
    """The slots beside one: on ports of the same device, as parts of one set of lanes are, or next in the board's list.

    What is behind a link of the same slot, or on the board itself, is no neighbour.
    """
    beside = [other for other in links if _is_beside(judged, other, slots)]
    filled = tuple(other for other in beside if is_filled(other))
    return Neighbours(filled, tuple((other, why) for other in beside if other not in filled for why in _unread(other)))


def is_filled(judged: Judged) -> bool | None:
    """Whether something is at a link's end, be it silent; None where that is not known."""
    if judged.link.device is not None or judged.verdict is Verdict.DARK:
        return True
    return None if judged.link.below_lost is not None or judged.verdict is Verdict.UNKNOWN else False


def beside_words(judged: Judged, links: Sequence[Judged], facts: Facts) -> str:
    """Which slots beside a link's own are filled, as a sentence without its end; "" where none is or may be."""
    found = neighbours(judged, links, facts.described)
    if found.filled:
        places = list(dict.fromkeys(_place(other) for other in found.filled))
        return begun(f"{listed(places)} beside it {'is' if len(places) == 1 else 'are'} filled")
    if found.unread:
        places = list(dict.fromkeys(_place(other) for other, _ in found.unread))
        return f"Whether {listed(places, 'or')} beside it is filled could not be read ({found.unread[0][1]})"
    lost = missed(facts.board_slots)
    return f"Which slots are beside it could not be read ({lost.why})" if lost is not None else ""


def halved(judged: Judged) -> bool:
    """Whether a link has half of the lanes that its port offers; both ends may well be able to do more."""
    return judged.now is not None and judged.port_can is not None and 2 * judged.now.width == judged.port_can.width


def _is_beside(judged: Judged, other: Judged, slots: Sequence[BoardSlot]) -> bool:
    if other is judged or other.link.onboard or other.link.integrated or judged.port_address is None:
        return False
    mine, its = judged.link.board, other.link.board
    if mine is not None and mine is its:
        return False
    port = other.port_address
    if port is not None and device_place(port) == device_place(judged.port_address):
        return its is not None or other.link.slot is not None or other.link.device is not None
    if mine is None or its is None:
        return False
    cards = [slot for slot in slots if slot.kind == "card"]
    return mine in cards and its in cards and abs(cards.index(mine) - cards.index(its)) == 1


def _unread(other: Judged) -> Iterator[str]:
    """Why it is not known whether a slot is filled; nothing where it is known to be empty."""
    if is_filled(other) is None:
        yield other.why if other.link.below_lost is None else other.link.below_lost.why


def _place(other: Judged) -> str:
    return other.link.slot.words if other.link.slot is not None else f"the port {other.port_address}"
