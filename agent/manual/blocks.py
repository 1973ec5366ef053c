"""Markdown to blocks: headings, paragraphs, items of lists, text as it is. What else Markdown can do is refused.

The manual keeps to what a terminal and a man page can show alike, so no form drops anything in silence.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from markdown_it.token import Token

Style = Literal["plain", "strong", "code"]
STRUCTURE: Final = frozenset(
    {"paragraph_close", "heading_close", "bullet_list_open", "ordered_list_open", "list_item_close"}
)


class TextSpan(Struct, frozen=True):
    """A piece of text in one style."""

    text: str
    style: Style = "plain"


class Heading(Struct, frozen=True):
    """A heading; `level` 1 is the title of a chapter."""

    text: str
    level: int


class Paragraph(Struct, frozen=True):
    """Running text; with a `mark` ("-", "1.") the item of a list."""

    spans: tuple[TextSpan, ...]
    mark: str = ""


class AsIs(Struct, frozen=True):
    """Lines that keep their spaces and ends: commands, files, what the program prints."""

    lines: tuple[str, ...]


Block = Heading | Paragraph | AsIs


def blocks(markdown: str) -> tuple[Block, ...]:
    """The blocks of a text; Markdown that no form could show raises ValueError."""
    from markdown_it import MarkdownIt

    return tuple(_blocks(MarkdownIt("commonmark").parse(markdown)))


def _blocks(tokens: Sequence[Token]) -> Iterator[Block]:
    mark, level = "", 0
    for token in tokens:
        if token.type == "heading_open":
            level = int(token.tag[1:])
        elif token.type == "list_item_open":
            mark = f"{token.info}." if token.info else "-"
        elif token.type == "paragraph_open":
            level = 0
        elif token.type in {"bullet_list_close", "ordered_list_close"}:
            mark = ""
        elif token.type == "inline":
            spans = tuple(_spans(token.children or ()))
            yield Heading("".join(span.text for span in spans), level) if level else Paragraph(spans, mark)
        elif token.type in {"fence", "code_block"}:
            yield AsIs(tuple(token.content.rstrip("\n").split("\n")))
        elif token.type not in STRUCTURE:
            raise ValueError(f"no form of the manual can show {token.type}: {token.content}")


def _spans(tokens: Sequence[Token]) -> Iterator[TextSpan]:
    style: Style = "plain"
    for token in tokens:
        if token.type in {"strong_open", "em_open"}:
            style = "strong"
        elif token.type in {"strong_close", "em_close"}:
            style = "plain"
        elif token.type == "code_inline":
            yield TextSpan(token.content, "code")
        elif token.type == "softbreak":
            yield TextSpan(" ", style)
        elif token.type == "text":
            yield TextSpan(token.content, style)
        else:
            raise ValueError(f"no form of the manual can show {token.type}: {token.content}")
