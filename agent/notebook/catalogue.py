"""All notes there are, each with where it comes from and which goes before it; and what is wrong with files of them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.grouping import grouped
from agent.notebook.note_files import Wrong, examined
from agent.notebook.places import files, folder, loaded, named
from knowledge.notes import FILES, shipped
from knowledge.parts import nearest
from knowledge.phrasing import quoted
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from agent.notebook.note_files import Read
    from knowledge.fieldnotes import Note
    from probes.unread import Unread

PROGRAM: Final = "the program"
OWN: Final = "your own folder"


class Kept(Struct, frozen=True):
    """A note and where it comes from; `hidden_by` says whose note of the same id goes before it, "" for none."""

    note: Note
    origin: str
    hidden_by: str = ""


class Catalogue(Struct, frozen=True):
    """All notes, by id, and files of the user's own that could not be used."""

    notes: tuple[Kept, ...]
    damaged: tuple[Unread, ...]


class Linted(Struct, frozen=True):
    """What was looked at: the files with the number of notes in each, and what is wrong with them.

    A remark is nothing wrong: a note that another of the same id goes before.
    """

    files: tuple[tuple[str, int], ...]
    wrong: tuple[Wrong, ...]
    remarks: tuple[Wrong, ...]


def catalogue(environ: Mapping[str, str], directories: Sequence[str] = ()) -> Catalogue:
    """Every note, those that another goes before as well. Raises BadInput for a damaged file that was named."""
    own = loaded(environ)
    every = [(note, PROGRAM) for name in FILES for note in shipped(name)]
    every += [(note, OWN) for note in own.notes]
    every += [(note, directory) for directory in directories for note in named(directory)]
    kept = grouped((note.id, (note, where)) for note, where in every)
    notes = tuple(one for name in sorted(kept) for one in _ranked(kept[name]))
    return Catalogue(notes, own.damaged)


def _ranked(same: list[tuple[Note, str]]) -> Iterator[Kept]:
    """Notes of one id, the one that counts first."""
    *before, (last, origin) = same
    yield Kept(last, origin)
    for note, other in reversed(before):
        yield Kept(note, other, origin)


def note_called(found: Catalogue, name: str) -> Kept:
    """The note of an id that counts (BadInput names the nearest where there is none)."""
    for note in found.notes:
        if note.note.id == name and not note.hidden_by:
            return note
    near = nearest(name, [note.note.id for note in found.notes])
    hint = f"did you mean {quoted(near)}" if near else "lanewright notes list names them all"
    raise BadInput(f"no field note is called {quoted(name)}; {hint}")


# --- Lint ------------------------------------------------------------------------------------------------------


def linted(names: Sequence[str], environ: Mapping[str, str]) -> Linted:
    """Everything wrong with files and folders of notes; without names, with the user's own folder."""
    own = folder(environ)
    places = [files(name) for name in names] if names else [_own_files(own)]
    known = {note.id: PROGRAM for name in FILES for note in shipped(name)}
    seen: list[Read] = []
    wrong: list[Wrong] = []
    remarks: list[Wrong] = []
    for paths in places:
        here: dict[str, str] = {}
        for path in paths:
            read = examined(path)
            seen.append(read)
            wrong += read.wrong
            for note, line in zip(read.notes, read.lines, strict=True):
                at = f"{path}, line {line}"
                if note.id in here:
                    words = f"the id {quoted(note.id)} stands in {here[note.id]} as well; give each an id of its own"
                    wrong.append(Wrong(path, line, f"{at}: {words}"))
                elif note.id in known:
                    words = f"{quoted(note.id)} is a note of {known[note.id]} too, and goes before that one"
                    remarks.append(Wrong(path, line, f"{at}: {words}"))
                here[note.id] = at
        known |= here
    counted = tuple((read.source, len(read.notes)) for read in seen)
    return Linted(counted, tuple(wrong), tuple(remarks))


def _own_files(own: str) -> list[str]:
    return files(own) if os.path.isdir(own) else []
