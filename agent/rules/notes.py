"""Field notes as findings: what is known of parts like these, beside what this machine shows. Changes no verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity
from agent.model.unseen_parts import missed
from agent.rules.rule import Compared, Found, Rule
from knowledge.notes import index
from knowledge.phrasing import quantity, some
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.model.judged_machine import JudgedMachine
    from agent.notes.applying import Applied
    from agent.notes.matching import Condition, Match, NotablePart
    from agent.notes.seen import Beside
    from knowledge.fieldnotes import Note, Proof
    from probes.facts import PciFunction

MOST_PARTS: Final = 8  # that are shown one by one
MOST_PROOFS: Final = 4
# Conditions of which it is enough to show what was read: it is one of a list.
LISTED: Final = frozenset({"card", "subsystem", "class", "platform", "slot_kind"})
OF_MACHINE: Final = frozenset({"host_firmware", "machine maker", "machine product", "platform"})
READ_AS: Final = {
    "card": "vendor:device",
    "subsystem": "subsystem vendor:device",
    "class": "class code",
    "slot_kind": "kind of slot",
    "host_firmware": "machine firmware",
}


@Rule(
    id="field-note",
    severity=Severity.NOTE,
    title="A field note holds for a part of this machine: something is known of its kind",
    fires_on=("bench-2-noted-parts",),
    quiet_on=("bench-1-upgraded", "bench-3-idle"),
    steps=(),
    shows="what the field note has seen is gone, or lanewright check no longer names the note",
    compared=Compared(),
    measured="may explain",
    explained=Explained(
        meaning=(
            "Notes come with the program, from published sources, or are the user's own. A note never changes a "
            "verdict: what it has seen stands beside what this machine shows. It is at most a limit, and that only "
            "where it is confirmed, since what was seen on other machines is no fault of this one. Notes that "
            "contradict each other are all shown."
        ),
        evidence=(
            "What the note itself rests on, with its date; then each reading of this machine that the note asks for, "
            "such as numbers, firmware or kind of slot; then what it has seen beside what is seen here."
        ),
        causes=(
            "A part of a kind that somebody has had trouble with, or has proved to work",
            "A firmware in a range that a note names",
        ),
        cannot_tell=(
            "Whether this very part behaves so: likeness is no proof. Where a reading that a note asks for is "
            "missing, that is listed as not read: the note is then neither held to fit nor held not to."
        ),
        source="Each note names its own; those that come with the program are from published sources.",
        see_also=("field note", "update-firmware"),
    ),
)
def _field_note(seen: JudgedMachine) -> Iterator[Found | Unread]:
    own = seen.notes.notes if seen.notes is not None else ()
    if seen.notes is not None:
        yield from seen.notes.damaged
    yield from _nameless(seen.machine.facts.functions)
    taken = {note.id for note in own}
    notes = [*own, *(note for note in _shipped(seen.machine.facts.functions) if note.id not in taken)]
    if not notes:
        return
    from agent.notes.applying import applied

    for told in applied(notes, seen.machine, seen.by_key, seen.alone):
        yield told if isinstance(told, Unread) else _found(told)


def _nameless(functions: Iterable[PciFunction]) -> Iterator[Unread]:
    """One line for functions whose numbers were asked for in vain: any note may hold for them."""
    lost = [(function, first) for function in functions for first in [_lost_number(function)] if first is not None]
    if lost:
        subjects = some((function.address for function, _ in lost), MOST_PARTS)
        yield of(f"which field notes hold for {subjects}", lost[0][1])


def _lost_number(function: PciFunction) -> Unread | None:
    if function.physical_function is not None:
        return None
    return missed(function.vendor_id) or missed(function.device_id)


def _shipped(functions: Iterable[PciFunction]) -> Iterator[Note]:
    """The notes that come with the program, of those files that ask for a part that is here."""
    names: dict[str, None] = {}
    for function in functions:
        vendor, device = function.vendor_id, function.device_id
        if isinstance(vendor, int) and isinstance(device, int):
            names |= dict.fromkeys((*index.CARDS.get(vendor << 16 | device, ()), *index.VENDORS.get(vendor, ())))
    if not names:
        return
    from knowledge.notes import shipped

    for name in names:
        yield from shipped(name)


def _found(applied: Applied) -> Found:
    note, first = applied.note, applied.matches[0].part
    shown = _shown(applied.beside)
    met = any(thing.name == "firmware" and thing.same for thing in applied.beside)
    severity = Severity(note.severity)
    if met or any(thing.same is False and thing.name != "firmware" for thing in applied.beside):
        severity = Severity.NOTE  # this machine is not held back by it
    return Found(
        first.subject,
        f"{note.title}{_others(applied)} (field note {note.id}, {note.confidence}{shown}{_against_words(applied)})",
        tuple(_evidence(applied)),
        severity=severity,
        judged=first.judged,
        drive=first.drive is not None,
        also=tuple(match.part.subject for match in applied.matches[1:MOST_PARTS]),
        part=_part(first),
        advises=tuple(action for action in note.advises if not (met and action == "update-firmware")),
    )


def _part(part: NotablePart) -> str:
    """What a step is to be done with, where no link tells it."""
    if part.judged is not None or part.drive is not None:
        return ""
    return "what the note means" if part.function is None else f"the device {part.subject}"


# --- Words -----------------------------------------------------------------------------------------------------


def _others(applied: Applied) -> str:
    """The other parts that the note holds for."""
    names = [match.part.subject for match in applied.matches[1:]]
    return f"; so for {some(names, MOST_PARTS)}" if names else ""


def _shown(beside: Iterable[Beside]) -> str:
    """How what the note has seen compares with this machine."""
    words = []
    for name, yes, no in (
        ("firmware", "the firmware that it needs is there", "the firmware here is older than the one that it needs"),
        ("", "this machine shows the same", "this machine shows otherwise"),
    ):
        answers = [told.same for told in beside if (told.name == "firmware") == bool(name) and told.same is not None]
        if answers:
            words.append(yes if all(answers) else no)
    return "".join(f"; {word}" for word in words)


def _against_words(applied: Applied) -> str:
    return "".join(f"; field note {other.note.id} contradicts it" for other in applied.against)


# --- Evidence --------------------------------------------------------------------------------------------------


def _evidence(applied: Applied) -> Iterator[Evidence]:
    note = applied.note
    where = f"field note {note.id}, {note.confidence}"
    proofs = sorted(note.evidence, key=lambda proof: proof.date, reverse=True)
    for proof in proofs[:MOST_PROOFS]:
        yield _plainly(where, _proof(proof))
    if len(proofs) > MOST_PROOFS:
        pieces = quantity(len(proofs) - MOST_PROOFS, "more piece")
        yield _plainly(where, f"{pieces} of evidence, see lanewright notes show")
    for condition in applied.matches[0].conditions:
        yield _condition(applied.matches[0], condition)
    for match in applied.matches[1:MOST_PARTS]:
        yield _condition(match, match.conditions[0])  # the rest as with the first
    for thing in applied.beside:
        if thing.now:
            expected = thing.now if thing.same else f"{thing.then}, by field note {note.id}"
            yield Evidence(f"{applied.matches[0].part.subject} {thing.name}", thing.now, expected)
        else:
            yield _plainly(f"field note {note.id} has seen", thing.then)
    for other in applied.against:
        yield Evidence(
            f"field note {other.note.id}, {other.note.confidence}",
            f"contradicts this one in its {', '.join(other.things)} (for {', '.join(other.parts)})",
            "notes that agree",
        )


def _plainly(source: str, read: str) -> Evidence:
    """Evidence that there is nothing to hold against: what is read is what is expected."""
    return Evidence(source, read, read)


def _proof(proof: Proof) -> str:
    capture = "" if proof.capture is None else f", capture {proof.capture}"
    return f"{proof.source}, {proof.date.isoformat()}{capture}"


def _condition(match: Match, condition: Condition) -> Evidence:
    """What was read for a condition that holds."""
    what = READ_AS.get(condition.name, condition.name)
    source = what if condition.name in OF_MACHINE else f"{match.part.subject} {what}"
    return Evidence(source, condition.read, condition.read if condition.name in LISTED else condition.wanted)
