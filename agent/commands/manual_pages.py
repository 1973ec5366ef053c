"""Man pages of the program and of each command: their own help, and the chapters of the manual that are about them."""

from __future__ import annotations

import inspect
import re
from typing import TYPE_CHECKING, Final

import click

from agent import __version__
from agent.manual.chapters import body, chapter
from agent.report import roff
from knowledge.manual import CHAPTERS
from knowledge.phrasing import begun
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

STATUS: Final = "Exit status: "
HELP_WIDTH: Final = 78  # columns, as click has it in a terminal of 80
OF_THE_WHOLE: Final = ("answers", "reading", "platforms", "verdicts", "safety", "limits")
FILES: Final = (
    ("~/.local/state/lanewright/soaks", "Logs of soaks; below $XDG_STATE_HOME where that is set."),
    ("~/.local/share/lanewright/notes", "Your own field notes; below $XDG_DATA_HOME where that is set."),
)


def every_command(root: click.Command) -> dict[str, click.Command]:
    """The program and all of its commands by the words that call them, those of a group after it."""
    return {"lanewright": root, **{f"lanewright {words}": command for words, command in _below(root)}}


def _below(group: click.Command) -> Iterator[tuple[str, click.Command]]:
    if not isinstance(group, click.Group):
        return
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if command is not None:
            yield name, command
            yield from ((f"{name} {words}", deeper) for words, deeper in _below(command))


def help_of(root: click.Command, words: str, width: int = HELP_WIDTH) -> str:
    """The help of a command as it prints it, on lines of a width."""
    context = _context(root, words, width)
    return context.command.get_help(context)


def _context(root: click.Command, words: str, width: int | None = None) -> click.Context:
    """The context of a command as it is when its user calls it."""
    whole = click.Context(root, info_name="lanewright", terminal_width=width, **root.context_settings)
    _, _, name = words.partition(" ")
    return click.Context(every_command(root)[words], parent=whole, info_name=name) if name else whole


def all_help(root: click.Command) -> str:
    """The help of every command under headings: the insert of the chapter on commands."""
    pages = (f"### {words}\n\n```text\n{help_of(root, words)}\n```\n" for words in every_command(root))
    return "\n".join(pages)


def inserts(root: click.Command) -> Mapping[str, Callable[[], str]]:
    """What chapters take from the commands."""
    return {"commands": lambda: all_help(root)}


def man_page(root: click.Command, asked: str) -> str:
    """The man page of a command, "" for that of the whole; words that call none raise BadInput."""
    words = " ".join(("lanewright", *asked.split()))
    command = every_command(root).get(words)
    if command is None:
        names = ", ".join(one.removeprefix("lanewright ") for one in every_command(root) if " " in one)
        raise BadInput(f"a man page is made for a command: {names}; or, without a word, for the whole")
    return roff.page(words.replace(" ", "-"), __version__, list(_sections(root, words, command)))


def _sections(root: click.Command, words: str, command: click.Command) -> Iterator[roff.Section]:
    context = _context(root, words)
    told, statuses = _told(command)
    name = roff.escaped(words.replace(" ", "-"))
    yield roff.Section("NAME", (rf"{name} \- {roff.escaped(begun(told[0]).rstrip('.'))}",))
    usage = " ".join(command.collect_usage_pieces(context))
    yield roff.Section("SYNOPSIS", (f"{roff.bold(words)} {roff.escaped(usage)}",))
    told += [" ".join(command.epilog.split())] if command.epilog else []
    described = [part for paragraph in told for part in (".PP", roff.line(paragraph))]
    for name_of in _chapters(words):
        found = chapter(name_of, inserts(root))
        described += [f'.SS "{roff.escaped(found.title)}"', *roff.written(body(found))]
    yield roff.Section("DESCRIPTION", tuple(described))
    if isinstance(command, click.Group):
        yield roff.Section("COMMANDS", tuple(_commands(command)))
    yield roff.Section("OPTIONS", tuple(_options(command, context)))
    yield roff.Section("EXIT STATUS", (roff.line(statuses),) if statuses else tuple(_usual_statuses(root)))
    yield roff.Section("FILES", tuple(part for path, meaning in FILES for part in roff.term(path, meaning)))
    others = [one.replace(" ", "-") for one in every_command(root) if one != words]
    yield roff.Section("SEE ALSO", (", ".join(f"{roff.bold(other)}(1)" for other in others),))


def _told(command: click.Command) -> tuple[list[str], str]:
    """The paragraphs of a command's help, and what it says of its exit status ("" if nothing)."""
    parts = [" ".join(part.split()) for part in inspect.cleandoc(command.help or "").split("\n\n")]
    statuses = [part.removeprefix(STATUS) for part in parts if part.startswith(STATUS)]
    return [part for part in parts if not part.startswith(STATUS)], begun(" ".join(statuses))


def _chapters(words: str) -> Sequence[str]:
    """The chapters that belong on a page: those of the command, or those that are about the whole."""
    command = words.removeprefix("lanewright").strip()
    if not command:
        return OF_THE_WHOLE
    return [
        name for name, commands in CHAPTERS.items() if command in commands and name not in {"commands", *OF_THE_WHOLE}
    ]


def _commands(group: click.Group) -> Iterator[str]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None, f"{name} is listed, so it is there"
        yield from roff.term(name, _told(command)[0][0])


def _options(command: click.Command, context: click.Context) -> Iterator[str]:
    for option in command.get_params(context):
        record = option.get_help_record(context)
        if record is not None and isinstance(option, click.Option):
            yield from roff.term(record[0], re.sub(r"\s+", " ", record[1]))


def _usual_statuses(root: click.Command) -> Iterator[str]:
    yield from roff.written(body(chapter("exit-status", inserts(root))))
