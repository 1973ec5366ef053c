"""Markdown of hostile text, read back by a parser of CommonMark and its tables extension (markdown-it-py)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from agent.report.marks import bullets, escaped, heading, numbered, paragraph, table
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from markdown_it.token import Token

PARSER: Final = MarkdownIt("commonmark").enable(["table", "strikethrough"])

# Each would be a mark, a link or HTML somewhere. Source: CommonMark 0.31, chapters 4 and 6; GFM, sections 4.10, 6.9.
HOSTILE: Final = (
    "*a* **b** _c_ __d__ ~~e~~ `f` ``g``",
    "[a](http://example.invalid) ![b](c.png) <http://example.invalid> [d]: e",
    "<script>alert(1)</script> <b> <!-- x --> <?php ?> &amp; &#42; &lt;b&gt;",
    "| a | b |",
    "a | b \\| c \\\\| d",
    "# a #",
    "a #",
    "- a",
    "+ a",
    "1. a",
    "1) a",
    "> a",
    "---",
    "===",
    "- - -",
    "***",
    "___",
    "    code",
    "\tcode",
    "```",
    "~~~",
    "a  ",
    "a\\",
    "a\nb\r\n\n# c",
    "| --- | --- |",
    ":-- | --:",
    "_a_b_ __ a__b _",
    "<a href='x",
    "$x$ {{ y }} {% z %}",
    "http://example.invalid www.example.invalid someone@example.invalid",
)
MARKS: Final = st.text(alphabet="\\`*_{}[]<>()#+-.!|~&;:='\"$@ \t\n019aAbB/wh\u00e9\u6f22\x1b\u202e\u0301", max_size=30)
any_text = st.one_of(st.sampled_from(HOSTILE), MARKS, st.text(max_size=40))
places = pytest.mark.parametrize(
    "place",
    [
        paragraph,
        lambda words: heading(2, words),
        lambda words: bullets([words]),
        lambda words: numbered([words], 7),
        lambda words: table(["a", "b"], [["before", words], [words, "after"]]),
        lambda words: table([words, "b"], [["c", "d"]]),
    ],
    ids=["paragraph", "heading", "bullet", "number", "cell", "head"],
)


def text_of(token: Token) -> str:
    """The text of an inline token that has nothing but text in it."""
    assert [] == [child.type for child in token.children or () if child.type != "text"]
    return "".join(child.content for child in token.children or ())


def inlines(made: str) -> list[str]:
    """The texts of a document, whose structure may be no other than paragraphs, headings, lists and tables."""
    tokens = PARSER.parse(made)
    kinds = ("paragraph", "heading", "bullet_list", "ordered_list", "list_item", "table", "thead", "tbody", "tr", "t")
    allowed = {f"{kind}_{end}" for kind in (*kinds, "th", "td") for end in ("open", "close")} | {"inline"}
    assert [] == [token.type for token in tokens if token.type not in allowed]
    return [text_of(token) for token in tokens if token.type == "inline"]


@places
@given(any_text)
@example("# a #")
@example("a\\|b")
@example("_")
def test_any_text_stays_text(place: Callable[[str], str], text: str) -> None:
    """Whatever a device says comes back letter by letter, wherever it stands, and makes no mark, link or HTML."""
    shown = plain(text).strip()
    found = inlines(place(escaped(text)))
    assert found.count(shown) >= (1 if shown else 0)
    assert [] == [one for one in found if one not in {shown, "a", "b", "c", "d", "before", "after", ""}]


@given(st.lists(st.lists(any_text, min_size=3, max_size=3), min_size=1, max_size=4))
def test_a_table_keeps_its_shape(rows: list[list[str]]) -> None:
    """As many rows and cells come back as went in, each with its own text."""
    made = table(["x", "y", "z"], [[escaped(cell) for cell in row] for row in rows])
    tokens = PARSER.parse(made)
    assert len(rows) + 1 == sum(token.type == "tr_open" for token in tokens)
    assert 3 * len(rows) == sum(token.type == "td_open" for token in tokens)
    assert [plain(cell).strip() for row in rows for cell in row] == inlines(made)[3:]


def acts(text: str) -> bool:
    """Whether text that is not escaped does something where it stands alone, or as a cell."""
    try:
        return [plain(text)] != inlines(text) or [text, "b"] != inlines(f"| x | y |\n| --- | --- |\n| {text} | b |")[2:]
    except AssertionError:
        return True


def test_unescaped_the_same_texts_would_act() -> None:
    """Nearly all do something by themselves, so that the tests above can fail; the rest acts in other places."""
    elsewhere = {"a #", "===", "a\\", "<a href='x", "$x$ {{ y }} {% z %}", HOSTILE[-1]}  # headings, line ends, forums
    assert elsewhere == {text for text in HOSTILE if not acts(text)}


def test_no_address_becomes_a_link_by_itself() -> None:
    """What forums turn into links is broken by a backslash that does not show. Source: GFM, section 6.9."""
    made = escaped("http://example.invalid ftp://a www.example.invalid WWW.b a@example.invalid")
    assert r"http\://example.invalid ftp\://a www\.example.invalid WWW\.b a\@example.invalid" == made


@pytest.mark.parametrize(
    "text",
    [
        "0000:01:00.0",
        "max_link_speed, current_link_width",
        "/sys/bus/pci/devices/0000:01:00.0/max_link_speed",
        "Ostrayne Reel 4 2TB",
        "8 GT/s (Gen 3) x4",
        "2,954 to 3,601 MB/s",
        "drive > narrowest: 8 GT/s (Gen 3) x4 (PCIE2) > processor",
        "it takes x4; expected x8!",
        "a1__b2",
        "C#",
    ],
)
def test_what_marks_nothing_up_stays_readable(text: str) -> None:
    """Addresses, paths, rates and names are written as they are."""
    assert text == escaped(text)


def test_a_long_text_is_cut_before_it_is_escaped() -> None:
    """No escape is cut in two."""
    assert "a" * 16 + r"\*\*..." != escaped("a" * 16 + "*" * 30, 20)
    assert "a" * 16 + r"\*..." == escaped("a" * 16 + "*" * 30, 20)
