"""The command `explain`: words, chapters of the manual, man pages, findings of a check; and which form is shown."""

from __future__ import annotations

import contextlib
import copy
from typing import TYPE_CHECKING, Final

import click
from click.core import ParameterSource

from agent import output

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from click.shell_completion import CompletionItem

MOST_DIGITS: Final = 9
OWN: Final = frozenset({"form", "finding"})
WITHOUT_EFFECT: Final = frozenset({"fail_on", "full", "keep_serials"})
AS_FOR_CHECK: Final = "With NUMBER, as for check."
NO_MATTER: Final = "With NUMBER, taken, as check takes it; it changes nothing here."
CONTENTS: Final = "manual"  # the word that lists the chapters alone


def _beginning(_context: click.Context, _argument: click.Parameter, incomplete: str) -> list[str | CompletionItem]:
    """The words that begin so, for shells that complete what is typed; a word of two is one with a hyphen there."""
    from agent.explain import words
    from knowledge.manual import CHAPTERS

    typed = incomplete.lower()
    known = (*(word.word.replace(" ", "-") for word in words()), *CHAPTERS, CONTENTS)
    return [*dict.fromkeys(key for key in known if key.startswith(typed))]


def explaining(check: click.Command) -> click.Command:
    """The command; it takes the options of `check`, by which a finding has its number."""

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
    @click.pass_context
    def explain(context: click.Context, /, words: tuple[str, ...], form: str, **checked: object) -> None:
        """Explain a word that a report shows, a finding, or show a chapter of the manual.

        NUMBER is that of a finding of lanewright check, which is run again: all readings, all steps, and what it means.

        WORD is a rule, verdict, severity, step or term, such as slot-limited, reseat or narrowest hop, in upper or
        lower case, also with its kind (step move). Or it is a chapter, such as planning, or a command that a chapter
        is about. Without WORD all of them are listed; manual lists the chapters.

        Exit status: 0 explained; 2 no such word.
        """
        asked = " ".join(words)
        if asked.isdecimal() and asked.isascii():
            _finding(context, check, int(asked[:MOST_DIGITS]), form, checked)
            return
        typed = (option for option in explain.params if option.name in checked)
        given = [option.opts[0] for option in typed if _is_typed(context, option)]
        if given:
            raise click.UsageError(f"{given[0]} belongs to the NUMBER of a finding.")
        if form == "man":
            from agent.commands.manual_pages import man_page

            output.rows((man_page(context.find_root().command, asked),))
        elif asked.lower() == CONTENTS:
            _contents(form)
        else:
            _explained(context, asked, form)

    explain.params += _options_of(check)
    return explain


def _options_of(check: click.Command) -> Iterator[click.Option]:
    """The options of `check`, but those that say how all of it is shown, or that name one finding."""
    for option in check.params:
        if isinstance(option, click.Option) and option.name not in OWN:
            taken = copy.copy(option)
            taken.help = NO_MATTER if option.name in WITHOUT_EFFECT else AS_FOR_CHECK
            yield taken


def _is_typed(context: click.Context, option: click.Parameter) -> bool:
    """Whether an option stands in the line."""
    return context.get_parameter_source(option.name or "") is ParameterSource.COMMANDLINE


def _finding(
    context: click.Context, check: click.Command, number: int, form: str, checked: Mapping[str, object]
) -> None:
    """A finding of a check by its number."""
    if form != "text":
        raise click.UsageError(
            f"--format {form} and a NUMBER cannot go together; lanewright check --format json has all."
        )
    with contextlib.suppress(SystemExit):  # its status is that of the machine
        context.invoke(check, finding=number, **checked)


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
