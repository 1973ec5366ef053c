"""Blocks as the source of a man page: roff with the macros of man(7). Says nothing of its own.

Every text passes `escaped`, so that nothing of it is taken for a request or an escape of the formatter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.manual.blocks import AsIs, Heading

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.manual.blocks import Block, TextSpan

# Source: groff_char(7), "Special character escape forms": what keeps its ASCII shape in every output.
SHAPES: Final = {"\\": r"\(rs", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti", '"': r"\(dq"}
BOLD: Final = frozenset({"strong", "code"})


class Section(Struct, frozen=True):
    """A section of a man page."""

    title: str
    lines: tuple[str, ...]


def escaped(text: str) -> str:
    """One line of text that means itself wherever in a line it stands."""
    return "".join(_character(character) for character in text)


def _character(character: str) -> str:
    if character in SHAPES:
        return SHAPES[character]
    if character.isascii():
        return character if character.isprintable() else " "
    return rf"\[u{ord(character):04X}]"


def line(text: str) -> str:
    """A whole line: also one that begins with a full stop is text."""
    shown = escaped(text)
    return rf"\&{shown}" if shown.startswith(".") else shown


def bold(text: str) -> str:
    """Text in bold, as part of a line."""
    return rf"\fB{escaped(text)}\fR"


def page(name: str, version: str, sections: Sequence[Section]) -> str:
    """The man page of a command."""
    head = f'.TH "{escaped(name.upper())}" 1 "" "lanewright {escaped(version)}" "User Commands"'
    body = [part for section in sections for part in (f'.SH "{escaped(section.title)}"', *section.lines)]
    return "".join(f"{part}\n" for part in (head, *body))


def written(blocks: Iterable[Block]) -> Iterator[str]:
    """The lines of blocks."""
    for block in blocks:
        if isinstance(block, Heading):
            yield f'.SS "{escaped(block.text)}"'
        elif isinstance(block, AsIs):
            yield from as_is(block.lines)
        elif block.mark == "-":
            yield r".IP \(bu 2"
            yield running(block.spans)
        elif block.mark:
            yield f'.IP "{escaped(block.mark)}" 4'
            yield running(block.spans)
        else:
            yield ".PP"
            yield running(block.spans)


def running(spans: Iterable[TextSpan]) -> str:
    """Spans as one line; the formatter breaks it."""
    whole = "".join(bold(span.text) if span.style in BOLD else escaped(span.text) for span in spans)
    return rf"\&{whole}" if whole.startswith(".") else whole


def as_is(lines: Iterable[str]) -> Iterator[str]:
    """Lines that keep their spaces and ends."""
    yield from (".PP", ".in +4n", ".nf")
    yield from (line(table_line) for table_line in lines)
    yield from (".fi", ".in")


def term(words: str, meaning: str) -> Iterator[str]:
    """An option or a command with what it means."""
    yield ".TP"
    yield bold(words)
    yield line(meaning)
