"""The command `explain`: its words, chapters of the manual, man pages, and which form is shown. Reads no machine."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

import click

from agent import output

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

MOST_DIGITS: Final = 9
CONTENTS: Final = "manual"  # the word that lists the chapters alone


def _beginning(_context: click.Context, _argument: click.Parameter, incomplete: str) -> list[str | CompletionItem]:
    """The words that begin so, for shells that complete what is typed; a word of two is one with a hyphen there."""
    from agent.explain import words
    from knowledge.manual import CHAPTERS

    typed = incomplete.lower()
    known = (*(word.word.replace(" ", "-") for word in words()), *CHAPTERS, CONTENTS)
    return [*dict.fromkeys(key for key in known if key.startswith(typed))]


@click.command(short_help="Explain a word, finding or chapter.")
@click.argument("words", metavar="[WORD|NUMBER]", nargs=-1, shell_complete=_beginning)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "man"]),
    default="text",
    show_default=True,
    help="How to show it; man is the man page of the command WORD, or of the whole.",
)
@click.option("--replay", metavar="FILE", help="With NUMBER, the capture that was checked; - is standard input.")
@click.option("--root", metavar="DIR", help="With NUMBER, as for check.")
@click.option("--against", metavar="SHEET", help="With NUMBER, as for check.")
@click.option("--only", metavar="SLOT|ADDRESS", help="With NUMBER, as for check.")
@click.pass_context
def explain(context: click.Context, /, words: tuple[str, ...], form: str, **checked: str | None) -> None:
    """Explain a word that a report shows, a finding, or show a chapter of the manual.

    NUMBER is that of a finding of lanewright check, which is run again: all readings, all steps, and what it means.

    WORD is a rule, verdict, severity, step or term, such as slot-limited, reseat or narrowest hop, in upper or lower
    case, also with its kind (step move). Or it is a chapter, such as planning, or a command that a chapter is about.
    Without WORD all of them are listed; manual lists the chapters.

    Exit status: 0 explained; 2 no such word.
    """
    asked = " ".join(words)
    if asked.isdecimal() and asked.isascii():
        _finding(context, int(asked[:MOST_DIGITS]), form, checked)
        return
    given = [name for name, value in checked.items() if value is not None]
    if given:
        raise click.UsageError(f"--{given[0]} belongs to the NUMBER of a finding.")
    if form == "man":
        from agent.commands.manual_pages import man_page

        output.rows((man_page(context.find_root().command, asked),))
    elif asked.lower() == CONTENTS:
        _contents(form)
    else:
        _explained(context, asked, form)


def _finding(context: click.Context, number: int, form: str, checked: dict[str, str | None]) -> None:
    """A finding of a check by its number."""
    if form != "text":
        raise click.UsageError(
            f"--format {form} and a NUMBER cannot go together; lanewright check --format json has all."
        )
    check = context.find_root().command
    assert isinstance(check, click.Group)
    command = check.get_command(context, "check")
    assert command is not None
    with contextlib.suppress(SystemExit):  # its status is that of the machine
        context.invoke(command, finding=number, **checked)


def _contents(form: str) -> None:
    """The list of the chapters."""
    from agent.manual.chapters import titles

    if form == "json":
        from agent.report import explain_data

        output.form(explain_data.contents(titles()))
    else:
        from agent.report import explaining

        output.page(explaining.contents, titles(), "")


def _explained(context: click.Context, asked: str, form: str) -> None:
    """A word, the chapter of that name, or all that there are."""
    from agent import explain as known
    from agent.manual import chapters

    # A word goes before a command: `explain capture` says what a capture is, `explain captures` is the chapter.
    name = chapters.found(asked) if asked and not known.is_word(asked) else None
    if name is not None:
        _chapter(context, name, form)
        return
    found = known.explanations(asked) if asked else known.words()
    if form == "json":
        from agent.report import explain_data

        output.form(explain_data.form(found))
    else:
        from agent.report import explaining

        output.page(explaining.explained if asked else explaining.listed, found, "")


def _chapter(context: click.Context, name: str, form: str) -> None:
    """One chapter of the manual."""
    from agent.commands.manual_pages import inserts
    from agent.manual.chapters import chapter

    found = chapter(name, inserts(context.find_root().command))
    if form == "json":
        from agent.report import explain_data

        output.form(explain_data.chapter(found))
    else:
        from agent.report import manual

        output.page(manual.chapter, found, "")
