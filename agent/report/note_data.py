"""The JSON forms of `notes`: list, show, test, lint, learn; and their schemas. Keys are added, never renamed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.report.data import VERSION, StepData, UnreadData
from knowledge.fieldnotes import Note  # noqa: TC001 - part of the forms
from knowledge.steps import STEPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.notebook.catalogue import Catalogue, Kept, Linted
    from agent.notebook.learning import Learned
    from agent.notebook.reading import Wrong
    from agent.notebook.trying import Tried
    from agent.notes.matching import Match


class ListedData(Struct, frozen=True):
    """One note in short; `hidden_by` says whose note of the same id goes before it, null where it counts."""

    id: str
    title: str
    confidence: str
    severity: str
    origin: str
    hidden_by: str | None


class ListData(Struct, frozen=True, kw_only=True):
    """All notes, and files of the user's own that could not be used."""

    format: Literal["lanewright-notes-list"] = "lanewright-notes-list"
    version: int = VERSION
    notes: tuple[ListedData, ...]
    damaged: tuple[UnreadData, ...]


class NoteData(Struct, frozen=True, kw_only=True):
    """One note as it is in its file, where it comes from, and the steps that it advises with their cautions."""

    format: Literal["lanewright-note"] = "lanewright-note"
    version: int = VERSION
    origin: str
    note: Note
    steps: tuple[StepData, ...]


class ConditionData(Struct, frozen=True):
    """One condition on one part; `holds` is null where it cannot be told, and `why` says why not."""

    condition: str
    wanted: str
    read: str
    holds: bool | None
    why: str


class PartData(Struct, frozen=True):
    """A part that a note was held against: a drive's name, a function's address or "host"."""

    subject: str
    holds: bool | None
    conditions: tuple[ConditionData, ...]


class TestData(Struct, frozen=True, kw_only=True):
    """A note on a machine: the parts that it holds for, that cannot be told, and that come nearest otherwise.

    `unseen` says why there may be more parts of the kind than were seen, null where there are none.
    """

    format: Literal["lanewright-note-test"] = "lanewright-note-test"
    version: int = VERSION
    id: str
    source: str
    looked_at: int
    holds: tuple[PartData, ...]
    unknown: tuple[PartData, ...]
    nearest: tuple[PartData, ...]
    unseen: UnreadData | None = None


class WrongData(Struct, frozen=True):
    """One thing wrong with a file, with the line where that is known."""

    file: str
    line: int | None
    words: str


class FileData(Struct, frozen=True):
    """A file that was looked at, with the number of its notes that are right."""

    file: str
    notes: int


class LintData(Struct, frozen=True, kw_only=True):
    """What is wrong with files of notes; remarks are nothing wrong."""

    format: Literal["lanewright-notes-lint"] = "lanewright-notes-lint"
    version: int = VERSION
    files: tuple[FileData, ...]
    wrong: tuple[WrongData, ...]
    remarks: tuple[WrongData, ...]


class LearnData(Struct, frozen=True, kw_only=True):
    """What captures taught; `sightings` counts the links that trained."""

    format: Literal["lanewright-notes-learned"] = "lanewright-notes-learned"
    version: int = VERSION
    captures: int
    machines: int
    sightings: int
    notes: tuple[Note, ...]


FORMS: Final[dict[str, type[Struct]]] = {
    "note": NoteData,
    "note-test": TestData,
    "notes": ListData,
    "notes-learned": LearnData,
    "notes-lint": LintData,
}


def listed(found: Catalogue) -> ListData:
    """All notes in short."""
    notes = tuple(
        ListedData(
            one.note.id, one.note.title, one.note.confidence, one.note.severity, one.origin, one.hidden_by or None
        )
        for one in found.notes
    )
    return ListData(notes=notes, damaged=tuple(UnreadData(one.what, one.why) for one in found.damaged))


def shown(kept: Kept) -> NoteData:
    """One note whole."""
    kinds = sorted((STEPS[action] for action in kept.note.advises), key=lambda kind: kind.rank)
    steps = tuple(StepData(kind.action, kind.text, kind.cautions, None, kind.verify) for kind in kinds)
    return NoteData(origin=kept.origin, note=kept.note, steps=steps)


def tested(found: Tried, source: str) -> TestData:
    """A note on a machine."""
    return TestData(
        id=found.note.id,
        source=source,
        looked_at=found.looked_at,
        holds=_parts(found.holds),
        unknown=_parts(found.unknown),
        nearest=_parts(found.nearest),
        unseen=None if found.unseen is None else UnreadData(found.unseen.what, found.unseen.why),
    )


def _parts(matches: Sequence[Match]) -> tuple[PartData, ...]:
    return tuple(
        PartData(
            one.part.subject,
            one.holds,
            tuple(ConditionData(each.name, each.wanted, each.read, each.holds, each.why) for each in one.conditions),
        )
        for one in matches
    )


def linted(found: Linted) -> LintData:
    """What is wrong with files."""
    files = tuple(FileData(name, count) for name, count in found.files)
    return LintData(files=files, wrong=_wrong(found.wrong), remarks=_wrong(found.remarks))


def _wrong(found: Sequence[Wrong]) -> tuple[WrongData, ...]:
    return tuple(WrongData(one.source, one.line, one.words) for one in found)


def learned(found: Learned) -> LearnData:
    """What captures taught."""
    return LearnData(captures=found.captures, machines=found.machines, sightings=found.sightings, notes=found.notes)


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of a form of FORMS."""
    found = msgspec.json.schema(FORMS[name])
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found}
