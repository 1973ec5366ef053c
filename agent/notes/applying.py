"""Notes on a machine, gathered: what holds for which parts, what cannot be told, and who contradicts whom."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.grouping import grouped
from agent.notes.matching import HOST, NAMING, Match, NotablePart, Parts, match
from agent.notes.seen import Beside, beside, contradictions
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.model.throughput import Share
    from knowledge.fieldnotes import Note

NUMBERS: Final = frozenset({"card", "subsystem", "class"})
UNDECIDED: Final = 3  # parts that are named where nothing can be told
MOST_AGAINST: Final = 8  # notes that are named as contradicting one


class Against(Struct, frozen=True):
    """Another note that contradicts one, in what, and on which parts."""

    note: Note
    things: tuple[str, ...]
    parts: tuple[str, ...]


class Applied(Struct, frozen=True):
    """A note that holds for some parts of a machine that show the same beside it; the first part goes first."""

    note: Note
    matches: tuple[Match, ...]
    beside: tuple[Beside, ...]
    against: tuple[Against, ...]


def applied(
    notes: Iterable[Note], machine: Machine, judged: Mapping[str, Judged], alone: Mapping[str, Share]
) -> Iterator[Applied | Unread]:
    """Every note that holds, with the parts that it holds for; `Unread` where it cannot be told."""
    found = Parts(machine, judged)
    holding: list[Match] = []
    unknown: list[Match] = []
    for note in notes:
        for held in _matches(note, found, machine):
            (holding if held.holds else unknown).append(held)
    at = grouped((_place(matched.part), matched) for matched in holding)
    for group in _grouped(holding, machine, alone):
        yield _with_contradictions(group, at)
    yield from _untold(unknown)


def _matches(note: Note, found: Parts, machine: Machine) -> Iterable[Match]:
    """The parts that a note holds for, or may hold for; of one component's functions the first that it holds for."""
    facts = machine.facts
    best: dict[str, Match] = {}
    for part in found.of(note):
        one = match(note, part, facts.platform, facts.host)
        if one.holds is not False:
            before = best.setdefault(_place(part), one)
            if (bool(one.holds), one.named) > (bool(before.holds), before.named):
                best[_place(part)] = one
    return best.values()


def _grouped(
    holding: Iterable[Match], machine: Machine, alone: Mapping[str, Share]
) -> Iterator[tuple[Note, list[Match], tuple[Beside, ...]]]:
    """One entry for each note and each thing that its parts show beside it."""
    groups: dict[tuple[str, tuple[Beside, ...]], tuple[Note, list[Match], tuple[Beside, ...]]] = {}
    for held in holding:
        rate = alone.get(held.part.drive.name) if held.part.drive is not None else None
        shown = beside(held.note, held.part, rate, readable(machine.facts.host.firmware_version))
        groups.setdefault((held.note.id, shown), (held.note, [], shown))[1].append(held)
    yield from groups.values()


def _with_contradictions(
    group: tuple[Note, list[Match], tuple[Beside, ...]], at: Mapping[str, Sequence[Match]]
) -> Applied:
    """The group with the notes that contradict its note; `at` are all that hold, by the part."""
    note, matches, shown = group
    others: dict[str, tuple[Note, tuple[str, ...], list[str]]] = {}
    for other in (other for held in matches for other in at[_place(held.part)]):
        if other.note.id == note.id or (len(others) >= MOST_AGAINST and other.note.id not in others):
            continue
        things = contradictions(note, other.note)
        if things:
            others.setdefault(other.note.id, (other.note, things, []))[2].append(other.part.subject)
    against = tuple(Against(other, things, tuple(subjects)) for other, things, subjects in others.values())
    return Applied(note, tuple(matches), shown, against)


def _place(part: NotablePart) -> str:
    """What tells one part from another: all functions of a card are one."""
    return part.judged.link.key if part.judged is not None else part.subject


def _untold(unknown: Iterable[Match]) -> Iterator[Unread]:
    """One sentence for each note that may hold, naming the first parts and what is missing.

    Of a part that could not even be named any note may hold: of such parts there is one sentence each.
    """
    by_note: dict[str, list[Match]] = {}
    for matched in unknown:
        if matched.named:
            by_note.setdefault(matched.note.id, []).append(matched)
        else:
            yield from _nameless(matched)
    for name, matches in by_note.items():
        subjects = [held.part.subject for held in matches[:UNDECIDED]]
        more = f" and {len(matches) - UNDECIDED} more" if len(matches) > UNDECIDED else ""
        missing = [condition for condition in matches[0].conditions if condition.holds is None]
        why = "; ".join(
            dict.fromkeys(f"its {words(condition.name)} could not be read ({condition.why})" for condition in missing)
        )
        where = "" if subjects == [HOST] else f" for {' and '.join(subjects)}{more}"
        yield Unread(f"field note {name}{where}", f"cannot tell whether it holds: {why}")


def _nameless(held: Match) -> Iterator[Unread]:
    """What to say of a part of which a reading that names it was missed; of its numbers the rule tells itself."""
    missed = [condition for condition in held.conditions if condition.missed and condition.name in NAMING]
    if missed and not any(condition.name in NUMBERS for condition in missed):
        why = "; ".join(f"its {words(condition.name)} could not be read ({condition.why})" for condition in missed)
        yield Unread(f"which field notes hold for {held.part.subject}", why, vital=True)


def words(condition: str) -> str:
    """A condition's name in a sentence."""
    return {"host_firmware": "machine's firmware", "slot_kind": "kind of slot"}.get(condition, condition)
