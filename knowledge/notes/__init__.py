"""The field notes that come with the program: which files there are, what they ask for, and the notes of a file.

`index.py` beside this says which numbers each file asks for, so that a machine without such parts reads none of them
(made by `python -m tests.notes_index`). No note here names a brand: parts are numbers, and each source is published.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from knowledge.fieldnotes import Note

FILES: Final = ("drives", "links")


@cache
def shipped(name: str) -> tuple[Note, ...]:
    """The notes of one of FILES, checked against their shape."""
    import tomllib

    import msgspec

    from knowledge.fieldnotes import NotesFile

    return msgspec.convert(tomllib.loads(text(name)), NotesFile).note


def text(name: str) -> str:
    """One of FILES as it is."""
    from pkgutil import get_data

    data = get_data(__package__, f"{name}.toml")
    assert data is not None, f"{name}.toml belongs to the package"
    return data.decode()
