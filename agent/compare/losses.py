"""Parts that are gone: lost, or replaced by what came into their place. Reads nothing and words nothing.

Nobody notices a drive that no longer answers where the rest of the machine is well. So a part that was there and whose
place is empty counts as a loss, unless a build sheet says what belongs where: then its rules speak of what is missing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.naming import alone
from probes.unread import Unread

if TYPE_CHECKING:
    from agent.compare.doubts import Doubts
    from agent.compare.fitted import FittedMachine, Thing
    from agent.compare.matching import MatchedMachines


class GoneParts(Struct, frozen=True):
    """Numbers of parts that are gone: those that nothing replaced, and those of which that cannot be told."""

    missing: frozenset[int] = frozenset()
    untold: frozenset[int] = frozenset()


NONE_LOST: Final = GoneParts()


def lost(matched: MatchedMachines, doubts: Doubts) -> GoneParts:
    """The parts of the first machine that are gone and that nothing replaced, or may not have replaced.

    A carrier whose drives all went to other places is no loss. What came into the very place of a part replaces it. A
    drive on a carrier, or a disk on a controller, is replaced as well by any drive that came into the same slot of the
    board, each for one. Where only one side tells the names of slots, and a place is not to be found on the other by
    its port, what came into a place without a name may have replaced it: that is a doubt.
    """
    if matched.after.audit.against is not None:
        return NONE_LOST
    came = [thing for thing in matched.after.things if _new_here(matched, thing)]
    gone = [
        thing for thing in matched.removed() if not matched.before.part(thing).on_board and not _emptied(matched, thing)
    ]
    left = []
    for thing in gone:
        match = next((other for other in came if _same_place(matched, thing, other)), None)
        if match is None:
            left.append(thing)
        else:
            came.remove(match)
    found = []
    for thing in left:
        match = next((other for other in came if _stands_for(matched, thing, other)), None)
        if match is None:
            found.append(thing)
        else:
            came.remove(match)
    untold = frozenset(thing.number for thing in found if _untold(matched, thing, came, doubts))
    return GoneParts(missing=frozenset(thing.number for thing in found) - untold, untold=untold)


def _untold(matched: MatchedMachines, gone: Thing, came: list[Thing], doubts: Doubts) -> bool:
    """Whether it cannot be told that nothing took the place of a part; then that is a doubt."""
    lists = [fitted.audit.facts.board_slots for fitted in matched.sides]
    silent = [isinstance(slots, Unread) for slots in lists]
    key = _port(_outermost(matched.before, gone))
    if silent[0] is silent[1] or key in matched.ports:
        return False
    if all(_port(_outermost(matched.after, other)) in matched.port_before for other in came):
        return False
    side = silent.index(True)
    why = lists[side]
    assert isinstance(why, Unread)
    doubts.add("what took the place", alone(matched, gone, 0), side, f"the slots' names: {why.why}")
    return True


def _port(thing: Thing) -> str | None:
    """The key of a part's link, None where no port is seen."""
    link = thing.judged.link if thing.judged is not None else None
    return link.key if link is not None and link.port is not None else None


def _same_place(matched: MatchedMachines, gone: Thing, came: Thing) -> bool:
    """Whether a part of the second machine is where one of the first was: at the same port, or in the same place."""
    was, key = _port(gone), _port(came)
    if was is not None and key is not None and matched.ports.get(was) == key:
        return True
    return _own_place(matched, gone, 0) == _own_place(matched, came, 1)


def _emptied(matched: MatchedMachines, card: Thing) -> bool:
    """Whether a card held parts that are all still there, elsewhere: then nothing is lost with it."""
    held = [thing.number for thing in matched.before.things if thing.holder == card.number]
    return bool(held) and all(number in matched.after_of for number in held)


def _new_here(matched: MatchedMachines, thing: Thing) -> bool:
    """Whether a part of the second machine is new, or new in its place."""
    before = matched.before_of.get(thing.number)
    return before is None or matched.moved(matched.before.things[before], thing)


def _own_place(matched: MatchedMachines, thing: Thing, side: int) -> tuple[object, ...]:
    """What names the place of a part on both sides: what holds it, and the slot or the position there."""
    holder: object = thing.holder
    if side and thing.holder is not None:
        holder = matched.before_of.get(thing.holder, ("new", thing.holder))
    return (holder, thing.slot if thing.slot is not None else thing.way)


def _stands_for(matched: MatchedMachines, gone: Thing, came: Thing) -> bool:
    """Whether a drive came where another was, if not into the very same place."""
    if gone.kind != "drive" or came.kind != "drive":
        return False
    return _same_place(matched, _outermost(matched.before, gone), _outermost(matched.after, came))


def _outermost(fitted: FittedMachine, thing: Thing) -> Thing:
    """The part on the board that holds a part, at whatever remove; that part itself where it sits on the board."""
    for _ in fitted.things:
        if thing.holder is None:
            break
        thing = fitted.things[thing.holder]
    return thing
