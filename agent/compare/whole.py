"""Two audits to all that differs between them: the one call behind every form. Reads nothing, prints nothing.

Parts are told by what they are (agent/compare/matching.py). What one side could not read is a doubt and no change:
where a reading went wrong, it is taken from the other side as well (agent/compare/level.py). What differs from one
start to the next, or with a moment's load, is no change either.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.compare import gained, lanes, rates, readings
from agent.compare.changes import Change, Comparison, PartChange
from agent.compare.doubts import Doubts
from agent.compare.fitted import short
from agent.compare.level import levelled
from agent.compare.losses import NONE_LOST, lost
from agent.compare.matching import MatchedMachines
from agent.compare.sentence import Pieces, verdict
from probes.tokens import Known, is_word_token
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.compare.changes import Direction


def compare(before: Audit, after: Audit) -> Comparison:
    """All that differs between two audits, of one machine or of two."""
    doubts = Doubts()
    whole = before, after
    before, after = levelled(before, after, doubts)
    matched = MatchedMachines(before, after)
    other, renamed = _machines(matched)
    if other:
        matched = MatchedMachines(before, after, two_boards=True)
    changes = (
        *renamed,
        *readings.machine(matched, doubts),
        *lanes.links(matched, doubts),
        *rates.stripe_sets(matched, doubts),
        *rates.rates(matched, doubts),
        *readings.drives(matched, doubts),
    )
    _board_slots(matched, doubts)
    losses = NONE_LOST if other else lost(matched, doubts)  # of two machines neither has lost what only one has
    findings = tuple(gained.findings(matched, doubts, losses.missing))
    parts = tuple(_parts(matched, losses.missing))
    told = tuple(doubts.result())
    pieces = Pieces(
        matched=matched, losses=losses, parts=parts, changes=changes, findings=findings, untold=doubts.kinds()
    )
    return Comparison(
        verdict=verdict(pieces, one_machine=not other),
        before=whole[0],
        after=whole[1],
        parts=parts,
        changes=changes,
        findings=findings,
        doubts=told,
        worse="worse" in [name.direction for some in (parts, changes, findings) for name in some],
        other_machine=other,
    )


def _parts(matched: MatchedMachines, missed: frozenset[int]) -> Iterator[PartChange]:
    """Parts added, then moved, then removed."""
    for thing in matched.added():
        yield PartChange(kind="added", before=None, after=matched.after.part(thing))
    for before, after in matched.pairs():
        if matched.moved(before, after):
            yield PartChange(kind="moved", before=matched.before.part(before), after=matched.after.part(after))
    for thing in matched.removed():
        way: Direction = "worse" if thing.number in missed else "other"
        yield PartChange(kind="removed", before=matched.before.part(thing), after=None, direction=way)


def _board_slots(matched: MatchedMachines, doubts: Doubts) -> None:
    """Where one side has no list of slots from the firmware, names and rules about slots rest on less."""
    lists = [fitted.audit.facts.board_slots for fitted in matched.sides]
    for side, mine in enumerate(lists):
        if isinstance(mine, Unread) and not isinstance(lists[1 - side], Unread):
            doubts.add("the firmware's list of slots", "", side, mine)


def _machines(matched: MatchedMachines) -> tuple[str, tuple[Change, ...]]:
    """Why the two may not be one machine, "" where they seem to be; a row for one that has another name."""
    hosts = [fitted.audit.facts.host for fitted in matched.sides]
    for what, values in (("board", [host.board for host in hosts]), ("product", [host.product for host in hosts])):
        told = [value.strip() for value in values if isinstance(value, str) and value.strip()]
        if len(told) > 1 and told[0].casefold() != told[1].casefold():
            names = [f'"{short(name)}"' for name in told]
            return f"the {what} is {names[0]} before and {names[1]} after", ()
    called = [host.name for host in hosts if isinstance(host.name, str) and host.name.strip()]
    if len(called) < len(hosts) or _token(called[0]) == _token(called[1]):
        return "", ()
    words = [_named(name) for name in called]
    if not matched.by_serial:
        why = "no part with a serial number is in both"
        return f"the name is {words[0]} before and {words[1]} after, and {why}", ()
    row = Change(
        topic="machine", subject="the machine", what="name", before=words[0], after=words[1], direction="other"
    )
    return "", (row,)


def _token(name: str) -> str:
    return Known().word(name.strip(), remember=False)


def _named(name: str) -> str:
    """A machine's name; one that was kept out of a capture tells nobody anything but that it differs."""
    return f"kept out of the capture ({short(name)})" if is_word_token(name) else f'"{short(name)}"'
