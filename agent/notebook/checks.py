"""What a note must hold as a whole: conditions that name something, sightings, steps that exist, figures that agree."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.notes import versions
from knowledge.fieldnotes import NOT_ADVISED, SeenThen
from knowledge.parts import nearest
from knowledge.phrasing import quoted
from knowledge.rates import GTPS
from knowledge.steps import STEPS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from knowledge.fieldnotes import Note, Text, Versions, When

    Complaint = tuple[str, str]  # the key below the note, and what is wrong with it

ADVISABLE: Final = tuple(sorted(set(STEPS) - NOT_ADVISED))
UPDATE: Final = "update-firmware"


def complaints(note: Note) -> Iterator[Complaint]:
    """Everything that a note of the right shape cannot mean."""
    yield from _when(note.when)
    yield from _seen(note.seen)
    if note.severity == "limit" and note.confidence != "confirmed":
        words = "only what is confirmed can be a limit; elsewhere it was only heard, and is a note"
        yield "severity", words
    yield from _steps(note)
    for key, listed in _lists(note):
        for number, word in enumerate(listed):
            if word in listed[:number]:
                yield f"{key}[{number}]", f"{quoted(word)} stands here twice"


def _when(when: When) -> Iterator[Complaint]:
    named = (when.card, when.subsystem, when.classes, when.model, when.machine)
    if all(word is None for word in named):
        yield "when", "nothing here names a part, a class or a machine: give card, subsystem, class, model or machine"
    if when.machine is not None:
        if when.machine.maker is None and when.machine.product is None:
            yield "when.machine", "a machine is named by its maker or product: give one of them"
        yield from _text("when.machine.maker", when.machine.maker)
        yield from _text("when.machine.product", when.machine.product)
    yield from _text("when.model", when.model)
    yield from _versions("when.firmware", when.firmware)
    yield from _versions("when.host_firmware", when.host_firmware)


def _text(key: str, text: Text | None) -> Iterator[Complaint]:
    if text is not None and (text.exactly is None) == (text.contains is None):
        yield key, 'give one of these: is = ["..."] or contains = "..."'


def _versions(key: str, wanted: Versions | None) -> Iterator[Complaint]:
    if wanted is None:
        return
    ranged = wanted.at_least is not None or wanted.below is not None
    if ranged == (wanted.exactly is not None):
        yield key, "give is, or a range by at_least, below or both"
    low, high = wanted.at_least, wanted.below
    if low is not None and high is not None and versions.key(low) >= versions.key(high):
        yield f"{key}.below", f"no version is {low} or later and before {high}"


def _seen(seen: SeenThen) -> Iterator[Complaint]:
    if seen == SeenThen():
        yield "seen", "nothing was seen: give verdict, link, rate_mbps, boots, quirk or firmware_needed"
    if seen.link is not None and seen.link.gtps not in GTPS.values():
        rates = ", ".join(f"{rate:g}" for rate in GTPS.values())
        yield "seen.link.gtps", f"{seen.link.gtps:g} is no rate that links have: {rates} GT/s"


def _steps(note: Note) -> Iterator[Complaint]:
    for number, action in enumerate(note.advises):
        if action in NOT_ADVISED:
            yield f"advises[{number}]", f"{quoted(action)} needs what a note cannot know, a place or an order of moves"
        elif action not in STEPS:
            near = nearest(action, ADVISABLE)
            hint = f"did you mean {quoted(near)}" if near else f"steps are {', '.join(ADVISABLE)}"
            yield f"advises[{number}]", f"no step is called {quoted(action)}; {hint}"
    if note.seen.firmware_needed is not None and UPDATE not in note.advises:
        yield "seen.firmware_needed", f'needed firmware is advised with its caution: write advises = ["{UPDATE}"] too'


def _lists(note: Note) -> Iterator[tuple[str, tuple[str, ...]]]:
    when = note.when
    yield "advises", note.advises
    for name, listed in (("card", when.card), ("subsystem", when.subsystem), ("class", when.classes)):
        yield f"when.{name}", listed or ()
    yield "when.platform", when.platform or ()
    yield "when.slot_kind", when.slot_kind or ()
