"""The user's manual: one Markdown file a chapter, beside this one. Read only when asked for; fills in nothing.

A line `{{ name }}` stands for something that the program itself knows; `agent/manual/inserts.py` puts it there.
"""

from __future__ import annotations

from typing import Final

# Every chapter in the order of reading, with the commands that it is about.
CHAPTERS: Final[dict[str, tuple[str, ...]]] = {
    "answers": (),
    "reading": ("check", "inventory"),
    "exit-status": (),
    "verdicts": (),
    "platforms": (),
    "safety": (),
    "protection": (),
    "captures": ("capture",),
    "planning": ("plan",),
    "soaking": ("soak",),
    "measuring": ("measure",),
    "comparing": ("compare",),
    "reporting": ("report",),
    "field-notes": ("notes",),
    "tallying": ("tally",),
    "explaining": ("explain",),
    "commands": ("schema",),
    "rules": (),
    "steps": (),
    "registers": (),
    "limits": (),
    "changes": (),
}


def source(name: str) -> str:
    """The Markdown of a chapter as it stands in its file."""
    from pkgutil import get_data

    data = get_data(__name__, f"{name}.md")
    assert data is not None, f"{name}.md belongs to the package"
    return data.decode()
