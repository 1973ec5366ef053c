"""Where notes come from beside those of the program: the user's own folder, and folders or files that are named.

A damaged file that was named ends the command; one in the user's own folder is passed over and told, as it was put
there some other day and must not keep a machine from being checked. What is named later goes before: folders that are
named before the user's own, and those before the notes of the program.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from agent.model.shelf import Shelf
from agent.notebook import FILE_LIMIT
from knowledge.phrasing import quoted
from knowledge.problems import BadInput
from probes.files import names_in
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from knowledge.fieldnotes import Note

SUFFIX: Final = ".toml"
MOST_FILES: Final = 500  # in one folder
MOST_BYTES: Final = 4 * FILE_LIMIT  # of the files of a folder together
MOST_NOTES: Final = 2000  # in all


def folder(environ: Mapping[str, str]) -> str:
    """The user's own folder of notes. Source: XDG Base Directory Specification, XDG_DATA_HOME."""
    data = environ.get("XDG_DATA_HOME", "")
    if not data.startswith("/"):  # the specification has relative paths ignored
        data = os.path.join(environ.get("HOME") or os.path.expanduser("~"), ".local", "share")
    return os.path.join(data, "lanewright", "notes")


def loaded(environ: Mapping[str, str], directories: Sequence[str] = ()) -> Shelf:
    """The notes of the user's own folder and of `directories`, to be handed to `audit`.

    A directory may be a file as well. Raises BadInput for what was named and cannot be used. Costs one look into the
    user's folder where that holds no notes.
    """
    own = folder(environ)
    notes: dict[str, Note] = {}
    damaged: list[Unread] = []
    for path in _own_files(own, damaged):
        _add_own(path, notes, damaged)
    for name in directories:
        notes |= {note.id: note for note in named(name)}
    if len(notes) > MOST_NOTES:
        raise BadInput(f"{len(notes):,} field notes are more than the {MOST_NOTES:,} that are read; name fewer folders")
    return Shelf(tuple(notes.values()), tuple(damaged))


def files(name: str) -> list[str]:
    """The files of notes that a name stands for: itself, or those of the folder. Raises BadInput for an empty one."""
    if name == "-":
        raise BadInput("notes come from a folder or a file with a name, not from standard input")
    if not os.path.isdir(name):
        return [name]
    found = names_in(name, SUFFIX, MOST_FILES, FILE_LIMIT, MOST_BYTES)
    if not found:
        raise BadInput(f"the folder {quoted(name)} holds no file of notes; their names end in {SUFFIX}")
    return found


def _own_files(own: str, damaged: list[Unread]) -> Iterable[str]:
    try:
        return names_in(own, SUFFIX, MOST_FILES, FILE_LIMIT, MOST_BYTES)
    except BadInput as problem:
        damaged.append(Unread("your own field notes", str(problem)))
        return ()


def _add_own(path: str, notes: dict[str, Note], damaged: list[Unread]) -> None:
    """Add the notes of a file of the user's own folder; where one is damaged, none of the file."""
    from agent.notebook.note_files import read

    try:
        found = read(path)
    except BadInput as problem:
        damaged.append(Unread("a file of your own field notes", str(problem)))
        return
    for note in found:
        if notes.setdefault(note.id, note) is not note:
            words = f"{quoted(path)}: the id {quoted(note.id)} stands in an earlier file of the folder; that one counts"
            damaged.append(Unread("one of your own field notes", words))


def named(name: str) -> tuple[Note, ...]:
    """The notes of a folder or file that was named. Raises BadInput for whatever is wrong with one."""
    from agent.notebook.note_files import read

    found: dict[str, tuple[Note, str]] = {}
    for path in files(name):
        for note in read(path):
            if note.id in found:
                words = f"the id {quoted(note.id)} stands in {quoted(found[note.id][1])} as well"
                raise BadInput(f"{quoted(path)}: {words}; give each note an id of its own")
            found[note.id] = note, path
    return tuple(note for note, _ in found.values())
