"""A file of field notes: read within limits, held to its shape, checked note by note. Every fault names file and line.

Notes come from anybody: nothing in one is a name of a file, nothing is run, and no text of one is shown unescaped.
"""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING, Any, Final

import msgspec
from msgspec import Struct

from agent.notebook import FILE_LIMIT, checks, shape
from agent.toml.lines import lines_of
from agent.toml.tables import problem_at, tables
from knowledge.fieldnotes import FORMAT, Note
from knowledge.phrasing import printable, quoted
from knowledge.problems import BadInput
from probes.files import read_whole

if TYPE_CHECKING:
    from collections.abc import Iterator

KIBIBYTE: Final = 1024
SIGNS: Final = (FORMAT, "[[note]]")  # a text with neither was never meant to be notes
MOST_TOLD: Final = 200  # complaints about one file


class Wrong(Struct, frozen=True):
    """One thing wrong with a file: its name, the line where that is known, and the whole sentence."""

    source: str
    line: int | None
    words: str


class Read(Struct, frozen=True):
    """A file as it was read: the notes that are right, the line of each, and what is wrong with the rest."""

    source: str
    notes: tuple[Note, ...]
    lines: tuple[int | None, ...]
    wrong: tuple[Wrong, ...]


def read(path: str) -> tuple[Note, ...]:
    """The notes of a file. Raises BadInput for the first thing that is wrong with it."""
    found = examined(path)
    if found.wrong:
        raise BadInput(found.wrong[0].words)
    return found.notes


def examined(path: str) -> Read:
    """The notes of a file and everything that is wrong with it; a file that cannot be read has that wrong with it."""
    text = ""
    try:
        text = _text(path)
        return parsed(text, path)
    except BadInput as problem:
        foreign = text and not any(sign in text for sign in SIGNS)
        wrong = Wrong(path, None, f"{printable(path)} is {shape.NO_NOTES}") if foreign else _wrong(path, problem)
        return Read(path, (), (), (wrong,))


def parsed(text: str, source: str) -> Read:
    """The notes of a text; `source` says in messages what it was read from. Raises BadInput where it is no TOML."""
    try:
        data = tables(text, source, ("note",))
        lines = lines_of(text)
    except RecursionError:
        raise BadInput(f"{printable(source)}: lists are nested too deeply; notes need three levels") from None
    wrong = dict.fromkeys(islice(shape.complaints(data), MOST_TOLD))
    notes: list[Note] = []
    places: list[int | None] = []
    for number, entry in enumerate(_entries(data) if len(wrong) < MOST_TOLD else ()):
        key = f"note[{number}]"
        if any(_belongs(problem, key) for problem, _ in wrong) or "" in {problem for problem, _ in wrong}:
            continue
        note = msgspec.convert(_tidy(entry), Note)
        further = [(f"{key}.{below}" if below else key, words) for below, words in checks.complaints(note)]
        if note.id in {other.id for other in notes}:
            line = places[[other.id for other in notes].index(note.id)]
            further.append((f"{key}.id", f"{quoted(note.id)} is the id of another note, in line {line}"))
        wrong |= dict.fromkeys(further)
        if not further:
            notes.append(note)
            places.append(lines.get(key))
    told = sorted(
        (_wrong(source, problem_at(source, lines, *complaint)) for complaint in wrong),
        key=lambda problem: problem.line or 0,
    )
    return Read(source, tuple(notes), tuple(places), tuple(told[:MOST_TOLD]))


def _text(path: str) -> str:
    data = read_whole(path, FILE_LIMIT)
    if len(data) > FILE_LIMIT:
        raise BadInput(f"{printable(path)} has more than {FILE_LIMIT // KIBIBYTE} KiB; split them over several files")
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BadInput(f"{printable(path)}, line {line}: this is not UTF-8 text; save it as such", line) from None


def _entries(data: dict[str, Any]) -> Iterator[dict[str, Any]]:
    notes = data.get("note", [])
    if isinstance(notes, list):
        yield from (entry if isinstance(entry, dict) else {} for entry in notes)


def _belongs(key: str, note: str) -> bool:
    """Whether a key is one of this note, or of the file's list of notes as a whole."""
    return key in {note, "note", "format", "version"} or key.startswith(f"{note}.")


def _tidy(entry: dict[str, Any]) -> dict[str, Any]:
    """The note with its text in one line, as the line ends are for the file's sake."""
    return {**entry, "text": " ".join(str(entry["text"]).split())}


def _wrong(source: str, problem: BadInput) -> Wrong:
    return Wrong(source, problem.line, str(problem))
