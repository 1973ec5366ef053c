"""A chapter of the manual by its name, or by that of a command that it is about."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from knowledge.manual import CHAPTERS, source

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from agent.manual.blocks import Block


class Chapter(Struct, frozen=True, kw_only=True):
    """One chapter; `markdown` is its text after the title, filled."""

    name: str
    title: str
    commands: tuple[str, ...]
    markdown: str


def title(name: str) -> str:
    """The title of a chapter: its file's first line."""
    return source(name).partition("\n")[0].removeprefix("# ")


def titles() -> dict[str, str]:
    """The titles of all chapters by their names, in the order of reading."""
    return {name: title(name) for name in CHAPTERS}


def chapter(name: str, more: Mapping[str, Callable[[], str]]) -> Chapter:
    """A chapter whole; `more` makes what this program's own lower modules cannot (the help of commands)."""
    from agent.manual.inserts import filled

    text = source(name).partition("\n")[2].strip("\n")
    return Chapter(name=name, title=title(name), commands=CHAPTERS[name], markdown=f"{filled(text, more)}\n")


def found(asked: str) -> str | None:
    """The name of the chapter that is meant by its own name or a command's; None if there is none."""
    key = "-".join(asked.lower().split())
    by_command = {command: name for name, commands in CHAPTERS.items() for command in commands}
    return key if key in CHAPTERS else by_command.get(key)


def body(of: Chapter) -> tuple[Block, ...]:
    """The blocks of a chapter after its title."""
    from agent.manual.blocks import blocks

    return blocks(of.markdown)
