"""Chapters of the manual for a terminal: their blocks as wrapped lines. Says nothing of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.manual.blocks import AsIs, Heading, Paragraph
from agent.manual.chapters import body
from agent.report.paper import HEADING, Page

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.manual.blocks import Block
    from agent.manual.chapters import Chapter

STYLES: Final = {"plain": "", "strong": "bold", "code": "bold"}


def chapter(found: Chapter, width: int, _name: str) -> Page:
    """The page of a chapter."""
    page = Page(width)
    page.add(found.title, style=HEADING)
    page.add()
    _write(page, body(found))
    return page


def _write(page: Page, blocks: Iterable[Block]) -> None:
    before: Block | None = None
    for block in blocks:
        # The items of one list stand close together; all else has an empty line between.
        if before is not None and not (_is_item(before) and _is_item(block)):
            page.add()
        _block(page, block)
        before = block


def _block(page: Page, block: Block) -> None:
    if isinstance(block, Heading):
        page.add(block.text, style=HEADING)
    elif isinstance(block, AsIs):
        # As it is: a command that was wrapped could not be copied. The help of a command has 78 columns.
        page.lines += [Text(f"  {line}" if line else "") for line in block.lines]
    else:
        text = Text(f"{block.mark} " if block.mark else "")
        for span in block.spans:
            text.append(span.text, STYLES[span.style])
        page.add(text, indent=2, hang=2 + (len(block.mark) + 1 if block.mark else 0))


def _is_item(block: Block) -> bool:
    return isinstance(block, Paragraph) and block.mark != ""
