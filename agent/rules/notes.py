"""Field notes as findings: what is known of parts like these, beside what this machine shows. Changes no verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.unseen_parts import missed
from agent.rules.rule import Compared, Found, Rule
from knowledge.notes import index
from knowledge.phrasing import quantity, some
from knowledge.rates import GTPS
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.notes.applying import Applied
    from agent.notes.matching import Condition, Match, NotablePart
    from agent.notes.seen import Beside
    from knowledge.fieldnotes import Note, Proof
    from probes.facts import PciFunction

MOST_PARTS: Final = 8  # that are shown one by one
MOST_PROOFS: Final = 4
# Hands a function to a virtual machine. Source: Linux Documentation/driver-api/vfio.rst
PASSING_DRIVER: Final = "vfio-pci"
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
            "A piece of knowledge about parts like one of this machine's, with its evidence and how sure it "
            "is. Notes come with the program, from published sources, or are your own. A note never changes a "
            "verdict: what was seen elsewhere stands beside what this machine shows. It is at most a limit, "
            "and only where confirmed, as trouble elsewhere is not a fault here. Contradicting notes are all "
            "shown."
        ),
        evidence=(
            "What the note rests on, with its date; each reading of this machine that it asks for, such as "
            "identifiers, firmware or kind of slot; and what was seen there beside what is seen here."
        ),
        causes=(
            "A part that somebody has had trouble with, or has proved to work",
            "A firmware version in a range that a note names",
        ),
        cannot_tell=(
            "Whether this very part behaves so: likeness is no proof. Where a reading that a note asks for is "
            "missing, it is listed as not read, and whether the note fits stays open."
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
    from agent.notes.applying import Applied, applied

    found = list(applied(notes, seen.machine, seen.by_key, seen.alone))
    virtual = seen.machine.facts.host.virtual
    for told in found:
        if isinstance(told, Unread):
            yield told
        elif not told.note.learned:
            yield _found(told, guest=virtual is True or missed(virtual) is not None)
    yield from _otherwise_than_learned([told for told in found if isinstance(told, Applied) and told.note.learned])


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


def _found(applied: Applied, *, guest: bool) -> Found:
    """A note that holds; one of passing through is for the record where nothing is passed through."""
    note, first = applied.note, applied.matches[0].part
    shown = _shown(applied.beside)
    met = any(thing.name == "firmware" and thing.same for thing in applied.beside)
    severity = Severity(note.severity)
    if met or any(thing.same is False and thing.name != "firmware" for thing in applied.beside):
        severity = Severity.NOTE  # this machine is not held back by it
    idle = note.only is not None and not guest and not any(_passed_through(match.part) for match in applied.matches)
    return Found(
        first.subject,
        f"{note.title}{_others(applied)}; field note {note.id}, {note.confidence}{shown}{_against_words(applied)}",
        tuple(_evidence(applied)),
        severity=Severity.OK if idle else severity,
        judged=first.judged,
        drive=first.drive is not None,
        also=tuple(match.part.subject for match in applied.matches[1:MOST_PARTS]),
        part=_part(first),
        advises=() if idle else tuple(one for one in note.advises if not (met and one == "update-firmware")),
        note=note.id,
        advice=" ".join(note.text.split()),
    )


def _passed_through(part: NotablePart) -> bool:
    """Whether a part is held by the driver that hands it to a virtual machine, or may be for all that was read."""
    driver = None if part.function is None else part.function.driver
    return driver == PASSING_DRIVER or missed(driver) is not None


def _part(part: NotablePart) -> str:
    """What a step is to be done with, where no link tells it."""
    if part.judged is not None or part.drive is not None:
        return ""
    return "what the note means" if part.function is None else f"the device {part.subject}"


# --- What was learned ------------------------------------------------------------------------------------------

SEEN_AS: Final = {"full": "at full link", "set-slow": "set slow"}


def _otherwise_than_learned(learned: Iterable[Applied]) -> Iterator[Found]:
    """One line for each part that is not as its like was in all captures; a link with a fault is no trait of it."""
    by_part: dict[str, tuple[NotablePart, list[Note]]] = {}
    for applied in learned:
        for match in applied.matches:
            by_part.setdefault(match.part.subject, (match.part, []))[1].append(applied.note)
    for part, notes in by_part.values():
        judged = part.judged
        traits = [note for note in notes if Verdict(note.seen.verdict or "full").severity is not Severity.FAULT]
        if judged is None or judged.now is None or not judged.verdict.kind.trained or not traits:
            continue
        if not any(_is_so(note, judged) for note in traits):
            yield _unlike(part, notes, judged)


def _is_so(note: Note, judged: Judged) -> bool:
    """Whether a link is as a learned note has it."""
    link, now = note.seen.link, judged.now
    same = link is None or (now is not None and (GTPS[now.speed], now.width) == (link.gtps, link.width))
    return same and note.seen.verdict in {None, judged.verdict.value}


def _unlike(part: NotablePart, notes: Iterable[Note], judged: Judged) -> Found:
    """How often its like was seen otherwise."""
    from agent.notes.seen import link_words

    times: dict[str, int] = {}
    evidence = []
    assert judged.now is not None
    for note in notes:
        verdict, link = note.seen.verdict or "", note.seen.link
        rate = "" if link is None else link_words(link)
        by_rate = verdict == judged.verdict.value and rate and judged.verdict.severity is not Severity.FAULT
        words = f"at {rate}" if by_rate else SEEN_AS.get(verdict, verdict)
        times[words] = times.get(words, 0) + len(note.evidence)
        last = max(proof.date for proof in note.evidence).isoformat()
        seen = f"{verdict}, {rate}: {_often(len(note.evidence))}, last on {last}, by field note {note.id}"
        evidence.append(Evidence(f"{part.subject} link", f"{judged.verdict}, {rate_text(judged.now)}", seen))
    counted = ", ".join(f"{words} {_often(count)}" for words, count in sorted(times.items(), key=lambda one: -one[1]))
    headline = f"was seen {counted}; by field notes learned from captures"
    return Found(part.subject, headline, tuple(evidence), judged=judged, drive=part.drive is not None)


def _often(count: int) -> str:
    """How often something was seen; a note holds no more than so many pieces of evidence."""
    from knowledge.fieldnotes import MOST_EVIDENCE

    more = " or more" if count >= MOST_EVIDENCE else ""
    return "once" if count == 1 else f"{count} times{more}"


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
