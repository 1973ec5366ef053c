"""New notes from captures: this card, in this kind of slot, on this kind of machine, trained at this, so often.

Learned is what trained: links that rest, that cannot be judged or that say nothing of lanes teach nothing, and a part
of the board is no card. A machine is told from another by the token of its host name; the same machine counts once,
the same capture is taken once. No serial number and no host name goes into a note.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final, get_args

from msgspec import Struct

from agent.model.findings import Severity, Verdict
from agent.model.likeness import number_pair, pci_id
from agent.model.unseen_parts import missed
from agent.notebook.tokens import token
from agent.notes.matching import NO_KIND
from knowledge.classes import describe_class
from knowledge.fieldnotes import (
    MOST_EVIDENCE,
    OWN_CAPTURE,
    LinkThen,
    MachineIs,
    Note,
    Proof,
    SeenThen,
    SlotKind,
    Text,
    When,
)
from knowledge.pcie import SWITCH_UPSTREAM_PORT
from knowledge.rates import GTPS, describe
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.audit import Audit
    from agent.model.judged import Judged
    from probes.capture import Capture
    from probes.facts import Host

SLOT_KINDS: Final = frozenset(get_args(SlotKind))
UNREAD_KIND: Final = ""  # where the firmware's description of slots was not to be read: of any kind then
SLOTS: Final = {
    "card": "a card slot",
    "m.2": "an M.2 socket",
    "mini card": "a mini card socket",
    "edsff": "an EDSFF bay",
    NO_KIND: "a slot of which no kind is told",
    UNREAD_KIND: "a slot whose kind could not be read",
}
LONGEST: Final = 200  # characters of a machine's maker or product
LONGEST_TITLE: Final = 120
SHORTEST_SECRET: Final = 4  # characters; less is found in every product
ENOUGH: Final = 2  # machines, to call something confirmed


class Kind(Struct, frozen=True, order=True):
    """What a note is of: the card by its numbers and in words, the kind of slot and of machine; "" if not known."""

    card: str
    subsystem: str
    class_code: str
    slot_kind: str
    maker: str
    product: str
    what: str


class Outcome(Struct, frozen=True, order=True):
    """What a link trained at."""

    verdict: str
    speed: int
    width: int


class Sighting(Struct, frozen=True):
    """One card seen in one capture. `machine` tells one machine from another."""

    kind: Kind
    outcome: Outcome
    machine: str
    capture: str
    date: dt.date


class Learned(Struct, frozen=True):
    """What came of some captures: how many, of how many machines, how many links were seen, and the notes."""

    captures: int
    machines: int
    sightings: int
    notes: tuple[Note, ...]


def learned(captures: Iterable[tuple[Capture, Audit]]) -> Learned:
    """The notes that captures teach, by the numbers of the cards."""
    found: list[Sighting] = []
    taken: dict[str, str] = {}
    for capture, audit in captures:
        name = token(capture)
        if name not in taken:
            taken[name] = _machine(audit.facts.host, name)
            found += sightings(audit, name, taken[name], dt.date.fromisoformat(capture.taken_at[:10]))
    by_kind: dict[Kind, dict[Outcome, list[Sighting]]] = {}
    for sighting in found:
        by_kind.setdefault(sighting.kind, {}).setdefault(sighting.outcome, []).append(sighting)
    notes = tuple(note for kind in sorted(by_kind) for note in _notes(kind, by_kind[kind]))
    return Learned(len(taken), len(set(taken.values())), len(found), notes)


def sightings(audit: Audit, capture: str, machine: str, date: dt.date) -> Iterator[Sighting]:
    """Each card of a machine whose link trained."""
    for judged in audit.links:
        outcome = _outcome(judged)
        kind = _kind(judged, audit) if outcome is not None else None
        if outcome is not None and kind is not None:
            yield Sighting(kind, outcome, machine, capture, date)


def _outcome(judged: Judged) -> Outcome | None:
    if not judged.verdict.kind.trained or judged.now is None or judged.link.onboard or judged.link.integrated:
        return None
    return Outcome(str(judged.verdict), judged.now.speed, judged.now.width)


def _kind(judged: Judged, audit: Audit) -> Kind | None:
    device = judged.link.device
    if device is None:
        return None
    card, code = pci_id(device), device.class_code
    if card is None or isinstance(code, Unread):
        return None
    above, below = device.subsystem_vendor_id, device.subsystem_id
    subsystem = number_pair(above, below) if above else None
    board = judged.link.board
    slot = board.kind if board is not None and board.kind in SLOT_KINDS else NO_KIND
    if board is None and missed(audit.facts.board_slots) is not None:
        slot = UNREAD_KIND
    host = audit.facts.host
    secrets = _secrets(audit)
    maker, product = (_told(readable(text), secrets) for text in (host.maker, host.product))
    switch = audit.machine.kinds.get(device.address) == SWITCH_UPSTREAM_PORT
    what = "packet switch" if switch else describe_class(code)
    return Kind(card, subsystem or "", f"{code:06x}", slot, maker, product, what)


# --- Machines --------------------------------------------------------------------------------------------------


def _machine(host: Host, capture: str) -> str:
    """What tells a machine from another: the token of its name; where it has none that says something, its capture."""
    from probes.tokens import Known, is_placeholder, is_word_token

    name = host.name
    if not isinstance(name, str) or not name or is_placeholder(name):
        return capture
    return name if is_word_token(name) else Known().word(name, remember=False)


def _secrets(audit: Audit) -> frozenset[str]:
    """What no note may hold: the host's name and the serial numbers of its drives, in small letters."""
    told = [audit.facts.host.name, *(drive.serial for drive in audit.facts.drives)]
    return frozenset(
        value.casefold().strip() for value in told if isinstance(value, str) and len(value) >= SHORTEST_SECRET
    )


def _told(text: str | None, secrets: frozenset[str]) -> str:
    """A maker or product as a note may have it, "" for none: what cannot be shown or holds a secret is left out."""
    words = " ".join((text or "").split())
    if not words.isprintable() or len(words) > LONGEST or any(secret in words.casefold() for secret in secrets):
        return ""
    return words


# --- Notes -----------------------------------------------------------------------------------------------------


def _notes(kind: Kind, outcomes: dict[Outcome, list[Sighting]]) -> Iterator[Note]:
    for outcome in sorted(outcomes):
        others = [other for other in sorted(outcomes) if other != outcome]
        yield _note(kind, outcome, outcomes[outcome], {other: outcomes[other] for other in others})


def _note(kind: Kind, outcome: Outcome, seen: Sequence[Sighting], others: dict[Outcome, list[Sighting]]) -> Note:
    machines = len({sighting.machine for sighting in seen})
    what = f"{kind.what} {kind.card}"
    where = SLOTS.get(kind.slot_kind, f"a slot of kind {kind.slot_kind}")
    ran = f"{describe(outcome.speed)} x{outcome.width}"
    proofs = {sighting.capture: Proof(OWN_CAPTURE, sighting.date, sighting.capture) for sighting in seen}
    newest = sorted(proofs.values(), key=lambda proof: (proof.date, proof.capture or ""), reverse=True)
    machine = MachineIs(_exactly(kind.maker), _exactly(kind.product)) if kind.maker or kind.product else None
    return Note(
        id=_id(kind, outcome),
        title=f"{what} in {where}: {outcome.verdict}, {ran}"[:LONGEST_TITLE],
        when=When(
            card=(kind.card,),
            subsystem=(kind.subsystem,) if kind.subsystem else None,
            classes=(kind.class_code,),
            slot_kind=(kind.slot_kind,) if kind.slot_kind else None,  # type: ignore[arg-type] # one of SLOT_KINDS
            machine=machine,
        ),
        seen=SeenThen(
            verdict=outcome.verdict,  # type: ignore[arg-type] # one of those that are trained
            link=LinkThen(GTPS[outcome.speed], outcome.width),  # type: ignore[arg-type] # a width that links have
        ),
        evidence=tuple(newest[:MOST_EVIDENCE]),
        confidence="disputed" if _disputed(outcome, others) else "confirmed" if machines >= ENOUGH else "reported",
        text=_text(kind, ran, outcome, (len(seen), machines), others),
    )


def _disputed(outcome: Outcome, others: Iterable[Outcome]) -> bool:
    """Whether the same was seen otherwise; a link with a fault speaks against no other, as it is no trait of a card."""
    return any(_is_fault(outcome) or not _is_fault(other) for other in others)


def _is_fault(outcome: Outcome) -> bool:
    return Verdict(outcome.verdict).severity is Severity.FAULT


def _text(kind: Kind, ran: str, outcome: Outcome, count: tuple[int, int], others: dict[Outcome, list[Sighting]]) -> str:
    """How often it was seen, where, and what else was seen of the same."""
    on = f" ({' '.join(part for part in (kind.maker, kind.product) if part)})" if kind.maker or kind.product else ""
    meaning = Verdict(outcome.verdict).meaning
    words = f"Learned from captures: seen {_count(*count)} of one kind{on} at {ran}: it {meaning}."
    if _is_fault(outcome):
        words += " That is a fault of those links, not a trait of the card."
    for other, seen in others.items():
        machines = len({sighting.machine for sighting in seen})
        words += f" Also seen {_count(len(seen), machines)} of that kind as {other.verdict} at "
        words += f"{describe(other.speed)} x{other.width}."
    return words[:2000]


def _count(times: int, machines: int) -> str:
    often = "once" if times == 1 else f"{times:,} times"
    return f"{often} in {'one machine' if machines == 1 else f'{machines:,} machines'}"


def _exactly(words: str) -> Text | None:
    return Text(exactly=(words,)) if words else None


def _id(kind: Kind, outcome: Outcome) -> str:
    """A name that the same card, place and outcome always get."""
    import hashlib

    import msgspec

    digest = hashlib.sha256(msgspec.json.encode((kind, outcome))).hexdigest()[:8]
    return f"seen-{kind.card.replace(':', '-')}-{outcome.verdict}-{digest}"
