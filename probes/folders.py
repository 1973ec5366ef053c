"""Finds captures by the names that the user gives: files, folders that are walked, lists of names. Opens none of them.

Of a folder, every file whose name ends as a capture's does is taken, below it at any depth; a link to a folder is not
followed, so that a walk ends.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from knowledge.phrasing import quoted
from probes.files import read_standard_input

if TYPE_CHECKING:
    from collections.abc import Iterable

ENDINGS: Final = (".json", ".json.gz")
LIST_LIMIT: Final = 64 * 1024 * 1024  # bytes of a list of names

MOST_NAMES: Final = 200_000  # in a list

Refused = tuple[str, str]  # a name, and one sentence that says why nothing comes of it


def listed() -> list[str]:
    """The names that standard input lists, one a line or, where there is a NUL, each ended by one (BadInput).

    A file that is called "-" is named as such here: standard input is read once.
    """
    from knowledge.problems import BadInput

    data = bytes(read_standard_input(LIST_LIMIT))
    end = b"\0" if b"\0" in data else b"\n"
    if len(data) > LIST_LIMIT or data.count(end) > MOST_NAMES:
        raise BadInput("standard input lists more names than can be read at once; name a folder instead")
    parts = data.split(end)
    if end == b"\n":
        parts = [line.removesuffix(b"\r") for line in parts]
    return ["./-" if part == b"-" else os.fsdecode(part) for part in parts if part]


def captures(names: Iterable[str]) -> tuple[list[str], list[Refused]]:
    """The files behind the names, in order of their names, each once; and what could not be walked, and why."""
    files: set[str] = set()
    refused: dict[str, str] = {}
    for name in names:
        if not os.path.isdir(name):
            files.add(name)  # also what is not there at all: reading it says so
            continue
        found = _below(name, refused)
        if not found and name not in refused:
            refused[name] = f"{quoted(name)} holds no file whose name ends in {' or '.join(ENDINGS)}"
        files.update(found)
    return sorted(files), sorted(refused.items())


def _below(folder: str, refused: dict[str, str]) -> list[str]:
    """The captures below a folder, at any depth."""
    found: list[str] = []
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(here) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(entry.path)
                    elif entry.name.endswith(ENDINGS) and entry.is_file():
                        found.append(entry.path)
        except OSError as error:
            why = os.strerror(error.errno).lower() if error.errno else "it failed"
            refused[here] = f"the folder {quoted(here)} cannot be read ({why}); check your rights to it"
    return found
