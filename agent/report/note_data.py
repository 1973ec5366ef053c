"""The JSON forms of `notes`: list, show, test, lint, learn; and their schemas. Keys are added, never renamed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import Struct

from agent.report.data import VERSION, StepData, UnreadData
from agent.report.form import By, From, build
from knowledge.fieldnotes import Note  # noqa: TC001 - part of the forms
from knowledge.steps import STEPS

if TYPE_CHECKING:
    from agent.notebook.catalogue import Catalogue, Kept, Linted
    from agent.notebook.learning import Learned
    from agent.notebook.trying import Tried


class ListedData(Struct, frozen=True):
    """One note in short; `hidden_by` says whose note of the same id goes before it, null where it counts."""

    id: Annotated[str, From("note.id")]
    title: Annotated[str, From("note.title")]
    confidence: Annotated[str, From("note.confidence")]
    severity: Annotated[str, From("note.severity")]
    origin: str
    hidden_by: Annotated[str | None, By(_hidden_by)]


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

    condition: Annotated[str, From("name")]
    wanted: str
    read: str
    holds: bool | None
    why: str


class PartData(Struct, frozen=True):
    """A part that a note was held against: a drive's name, a function's address or "host"."""

    subject: Annotated[str, From("part.subject")]
    holds: bool | None
    conditions: tuple[ConditionData, ...]


class TestData(Struct, frozen=True, kw_only=True):
    """A note on a machine: the parts that it holds for, that cannot be told, and that come nearest otherwise.

    `unseen` says why there may be more parts of the kind than were seen, null where there are none.
    """

    format: Literal["lanewright-note-test"] = "lanewright-note-test"
    version: int = VERSION
    id: Annotated[str, From("note.id")]
    source: str
    looked_at: int
    holds: tuple[PartData, ...]
    unknown: tuple[PartData, ...]
    nearest: tuple[PartData, ...]
    unseen: Annotated[UnreadData | None, By(_unseen)] = None


class WrongData(Struct, frozen=True):
    """One thing wrong with a file, with the line where that is known."""

    file: Annotated[str, From("source")]
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


def listed(found: Catalogue) -> ListData:
    """All notes in short."""
    return build(ListData, found)


def _hidden_by(kept: Kept) -> str | None:
    return kept.hidden_by or None


def shown(kept: Kept) -> NoteData:
    """One note whole."""
    kinds = sorted((STEPS[action] for action in kept.note.advises), key=lambda kind: kind.rank)
    return build(NoteData, kept, steps=(build(StepData, kind, gain_mbps=None) for kind in kinds))


def tested(found: Tried, source: str) -> TestData:
    """A note on a machine."""
    return build(TestData, found, source=source)


def _unseen(found: Tried) -> UnreadData | None:
    return None if found.unseen is None else build(UnreadData, found.unseen)


def linted(found: Linted) -> LintData:
    """What is wrong with files."""
    return build(LintData, found, files=(FileData(name, count) for name, count in found.files))


def learned(found: Learned) -> LearnData:
    """What captures taught."""
    return build(LearnData, found)
