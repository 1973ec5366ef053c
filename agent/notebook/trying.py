"""A note held against a machine, part by part and condition by condition, for whoever writes one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.notes.matching import NAMING, concerns, match, parts

if TYPE_CHECKING:
    from agent.audit import Audit
    from agent.notes.matching import Match
    from knowledge.fieldnotes import Note
    from probes.facts import Facts
    from probes.unread import Unread

PLATFORM: Final = "platform"  # the condition that is met by all parts of a machine or by none
MOST: Final = 8  # parts that are shown where the note holds for none


class Tried(Struct, frozen=True):
    """A note on a machine: parts that it holds for, that cannot be told, and that come nearest where there are neither.

    `looked_at` is how many parts of the kind the machine has, `unseen` why it may have more.
    """

    note: Note
    holds: tuple[Match, ...]
    unknown: tuple[Match, ...]
    nearest: tuple[Match, ...]
    looked_at: int
    unseen: Unread | None = None


def tried(note: Note, audit: Audit) -> Tried:
    """Hold a note against every part of the machine that it can be of."""
    facts = audit.facts
    found = [
        match(note, part, facts.platform, facts.host)
        for part in parts(audit.machine, audit.by_key)
        if concerns(note, part)
    ]
    holds = tuple(one for one in found if one.holds)
    unknown = tuple(one for one in found if one.holds is None)
    ranked = sorted((one for one in found if _held(one)), key=_held, reverse=True)
    nearest = () if holds or unknown else tuple(ranked[:MOST])
    return Tried(note, holds, unknown, nearest, len(found), _unseen(note, facts))


def _unseen(note: Note, facts: Facts) -> Unread | None:
    """Why a machine may have more parts of the kind that a note is of than were seen."""
    when = note.when
    if any(part is not None for part in (when.card, when.subsystem, when.classes)):
        return facts.gap("functions")
    return facts.gap("functions", "drives") if when.model is not None or when.firmware is not None else None


def _held(part: Match) -> int:
    """How many conditions of the part hold, those that name it counting most; the system is no part's."""
    held = [condition.name for condition in part.conditions if condition.holds and condition.name != PLATFORM]
    return sum(10 if name in NAMING else 1 for name in held)
