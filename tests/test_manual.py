"""The manual: every chapter is shown whole by every form, and man pages say nothing to their formatter but text."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING, Any, Final

import click
import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from agent.cli import main as commands
from agent.commands.manual_pages import every_command, help_of, inserts, man_page
from agent.explain import is_word, words
from agent.manual import chapters
from agent.manual.blocks import AsIs, Heading, Paragraph, TextSpan, blocks
from agent.report import manual, roff, schemas
from knowledge import nvme, pcie
from knowledge.manual import CHAPTERS, source
from knowledge.problems import BadInput
from probes import PLATFORMS, platform
from tests.docs import HERE, said
from tests.json_schema import problems
from tests.test_report import printed

if TYPE_CHECKING:
    from agent.manual.blocks import Block
    from agent.manual.chapters import Chapter

every_chapter = pytest.mark.parametrize("name", CHAPTERS)
every_page = pytest.mark.parametrize("words_of", every_command(commands))
GROFF: Final = shutil.which("groff")

# The requests and macros that pages use. Source: man(7) and groff_man(7) (TH SH SS PP IP TP), groff(7) (in nf fi).
REQUESTS: Final = {"TH", "SH", "SS", "PP", "IP", "TP", "in", "nf", "fi"}
# What may follow a backslash. Source: groff_char(7) for (xx and [uXXXX], groff(7) for fB, fR, & and -.
ESCAPES: Final = re.compile(r"\\(?:\((?:rs|aq|ga|ha|ti|dq|bu)|\[u[0-9A-F]{4,6}\]|f[BR]|&|-)")
ANSI: Final = re.compile(r"\x1b\[[0-9;]*m|.\x08")


def filled(name: str) -> Chapter:
    """A chapter as `explain` shows it."""
    return chapters.chapter(name, inserts(commands))


def squeezed(text: str) -> str:
    """The text without spaces."""
    return re.sub(r"\s", "", text)


def texts(block: Block) -> list[str]:
    """What a block says: one text a line where it keeps its lines."""
    if isinstance(block, Heading):
        return [block.text]
    if isinstance(block, AsIs):
        return list(block.lines)
    return ["".join(span.text for span in block.spans)]


# --- Chapters --------------------------------------------------------------------------------------------------


def test_every_file_of_the_manual_is_a_chapter() -> None:
    """The list of chapters and the files in their folder are the same."""
    assert {f"{name}.md" for name in CHAPTERS} == {path.name for path in (HERE / "knowledge" / "manual").glob("*.md")}


def test_every_command_has_a_chapter() -> None:
    """Each command of the program is named by one chapter."""
    named = [command for about in CHAPTERS.values() for command in about]
    assert sorted(named) == sorted(
        words_of for one in every_command(commands) if (words_of := one[11:]) and " " not in words_of
    )


@every_chapter
def test_a_chapter_has_a_title_and_nothing_left_to_fill(name: str) -> None:
    """The first line is the only title, and every place that the program fills is filled."""
    chapter = filled(name)
    assert source(name).startswith(f"# {chapter.title}\n\n")
    body = chapters.body(chapter)
    assert body != ()
    assert [] == [block for block in body if isinstance(block, Heading) and block.level == 1]
    assert "{{" not in chapter.markdown


@every_chapter
def test_a_chapter_is_found_by_its_name_and_its_commands(name: str) -> None:
    """No chapter has the name of a word, so that each can be asked for."""
    assert name == chapters.found(name.upper().replace("-", " "))
    assert not is_word(name)
    assert [] == [command for command in CHAPTERS[name] if name != chapters.found(command)]


@every_chapter
@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_terminal_shows_a_chapter_whole(name: str, width: int) -> None:
    """Nothing is cut; a line that is kept as it is may be longer than the terminal, no other."""
    chapter = filled(name)
    shown = printed(manual.chapter(chapter, width, ""), width)
    said_by_blocks = [text for block in chapters.body(chapter) for text in texts(block)]
    text = squeezed(shown)
    assert [] == [part for part in said_by_blocks if squeezed(part) not in text]
    kept = {f"  {line}" for block in chapters.body(chapter) if isinstance(block, AsIs) for line in block.lines}
    assert [] == [line for line in shown.splitlines() if len(line) > width and line not in kept]


def test_the_help_of_every_command_fits_a_terminal_of_80() -> None:
    """The chapter on commands, whose lines are kept as they are, is no wider than what the commands print."""
    lines = printed(manual.chapter(filled("commands"), 80, ""), 80).splitlines()
    assert len(lines) > 100
    assert [] == [line for line in lines if len(line) > 80]


def test_what_the_program_knows_stands_in_its_chapter() -> None:
    """Every verdict, rule, step, register, platform and command is listed where the manual lists such things."""
    lists = {"reading": {"verdict", "severity"}, "rules": {"rule"}, "steps": {"step"}}
    for name, kinds in lists.items():
        markdown = filled(name).markdown
        asked = [one for one in words() if one.kind in kinds]
        assert asked != []
        assert [] == [one.word for one in asked if f"- **{one.word}**: " not in markdown]
    decoded = [layout.name for layout in (*pcie.ALL_LAYOUTS, *nvme.ALL_LAYOUTS)]
    decoded += [text.name for text in nvme.ALL_TEXTS]
    registers = filled("registers").markdown
    assert [] == [name for name in decoded if f"`{name}` (" not in registers]
    platforms = filled("platforms").markdown
    for name in PLATFORMS:
        assert f"### {name}\n" in platforms
        assert [] == [kind for kind, how in platform(name).offers.items() if f"- **{kind}**: {how}\n" not in platforms]


@pytest.mark.parametrize("words_of", ["lanewright", "lanewright check", "lanewright notes learn"])
def test_the_chapter_on_commands_has_their_help_as_they_print_it(words_of: str) -> None:
    """The help in the manual is the help of the command."""
    printed_help = said(*words_of.split()[1:], "--help").rstrip("\n")
    assert printed_help == "\n".join(line.rstrip() for line in help_of(commands, words_of).splitlines())
    assert help_of(commands, words_of) in filled("commands").markdown


# --- Blocks ----------------------------------------------------------------------------------------------------


def test_markdown_becomes_blocks() -> None:
    """Headings, paragraphs, lists and code keep their words, marks, styles and lines."""
    text = "## One\n\nA *b* `c`\nd **e**.\n\n- f\n- g\n\n1. h\n\n```\ni  j\n```\n"
    assert (
        Heading("One", 2),
        Paragraph(
            (
                TextSpan("A "),
                TextSpan("b", "strong"),
                TextSpan(" "),
                TextSpan("c", "code"),
                TextSpan(" "),
                TextSpan("d "),
                TextSpan("e", "strong"),
                TextSpan("."),
            )
        ),
        Paragraph((TextSpan("f"),), "-"),
        Paragraph((TextSpan("g"),), "-"),
        Paragraph((TextSpan("h"),), "1."),
        AsIs(("i  j",)),
    ) == blocks(text)


@pytest.mark.parametrize("text", ["> quoted", "---", "![a](b)", "[a](b)", "<b>", "<div>\n</div>", "a<b>c</b>"])
def test_markdown_that_no_form_shows_is_refused(text: str) -> None:
    """Nothing of a chapter is dropped in silence."""
    with pytest.raises(ValueError, match="no form of the manual can show"):
        blocks(text)


# --- JSON ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", [["manual"], ["planning"], ["plan"]])
def test_the_json_of_the_manual_fits_the_schema(asked: list[str]) -> None:
    """Chapters have a key of their own, which the explanation of a word does not have."""
    form: Any = msgspec.json.decode(said("explain", *asked, "--format", "json"))
    schema = schemas.schema("explain")
    assert [] == problems(schema, form, schema)
    assert [] == form["explanations"]
    names = [one["name"] for one in form["chapters"]]
    assert names == (list(CHAPTERS) if asked == ["manual"] else ["planning"])
    assert "chapters" not in msgspec.json.decode(said("explain", "narrow", "--format", "json"))


# --- Man pages -------------------------------------------------------------------------------------------------


@every_page
def test_a_man_page_has_the_usual_sections(words_of: str) -> None:
    """Those of man(7), in their order; commands of their own stand where a page has any."""
    page = man_page(commands, words_of[11:])
    sections = re.findall(r'^\.SH "(.+)"$', page, re.MULTILINE)
    several = isinstance(every_command(commands)[words_of], click.Group)
    assert ["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS", "EXIT STATUS", "FILES", "SEE ALSO"] == [
        section for section in sections if section != "COMMANDS"
    ]
    assert ("COMMANDS" in sections) == several


@every_page
def test_a_man_page_gives_its_formatter_text_alone(words_of: str) -> None:
    """Each line is one of the requests that the writer makes, or text without a character that means something else."""
    lines = man_page(commands, words_of[11:]).splitlines()
    requests = {line[1:].split(" ", 1)[0] for line in lines if line.startswith(".")}
    assert requests <= REQUESTS
    assert [] == [line for line in lines if line.startswith("'")]
    assert [] == [line for line in lines if "\\" in ESCAPES.sub("", line)]
    assert [] == [line for line in lines if not (line.isascii() and (line.isprintable() or not line))]


@given(st.text())
@example(".SH owned")
@example("'br")
@example("\\fBbold\\*[x]\\n(.g")
@example("a\n.sy touch /tmp/x")
@example("\x1b[31m")
def test_any_text_is_text_to_the_formatter(text: str) -> None:
    """No text begins a request, holds an escape of its own, or ends its line."""
    for made in (roff.line(text), roff.running((TextSpan(text),)), *roff.term(text, text), *roff.as_is((text,))):
        if made not in {".TP", ".PP", ".in +4n", ".nf", ".fi", ".in"}:
            assert not made.startswith((".", "'"))
        assert made.isascii()
        assert made.isprintable()
        assert "\\" not in ESCAPES.sub("", made)


def rendered(page: str) -> str:
    """A man page as its readers see it, on lines so long that none is broken."""
    command = ["groff", "-man", "-ww", "-Tutf8", "-P-cbou", "-rLL=4000n", "-rHY=0"]
    done = subprocess.run(command, input=page, capture_output=True, text=True, check=True)
    assert "" == done.stderr
    return ANSI.sub("", done.stdout)


@pytest.mark.skipif(GROFF is None, reason="groff is not here; the pages are checked line by line above")
@every_page
def test_a_man_page_shows_all_that_it_holds(words_of: str) -> None:
    """The formatter warns of nothing, and shows the help, the options and the chapters of the page."""
    page = man_page(commands, words_of[11:])
    shown = squeezed(rendered(page).replace("\u2010", "-").replace("\u2022", "-"))
    command = every_command(commands)[words_of]
    told = [line for line in (command.help or "").split("\n") if "Exit status" not in line]
    told += [part for one in command.params for part in one.opts if part.startswith("-")]
    about = [name for name, of in CHAPTERS.items() if words_of[11:] in of and name not in {"commands", "reading"}]
    told += [text for name in about for block in chapters.body(filled(name)) for text in texts(block)]
    assert [] == [part for part in told if squeezed(part) not in shown]


def test_the_command_prints_a_man_page() -> None:
    """`explain --format man` gives the page of the whole, with words that of a command; others end with 2."""
    assert said("explain", "--format", "man").startswith('.TH "LANEWRIGHT" 1 ')
    assert '\n.SH "NAME"\nlanewright\\-notes\\-learn \\- Make notes' in said(
        "explain", "--format", "man", "notes", "learn"
    )
    with pytest.raises(BadInput, match="a man page is made for a command"):
        man_page(commands, "narrow")


def test_an_unknown_word_names_a_chapter_that_is_near() -> None:
    """A slip of the pen is answered with chapters, too."""
    done = subprocess.run(
        [sys.executable, "-m", "agent", "explain", "planing"], cwd=HERE, capture_output=True, text=True, check=False
    )
    assert 2 == done.returncode
    assert "planning" in done.stderr
