"""What a shell offers for the word that is being typed: files, kinds, notes, logs, drives, the parts of a capture.

Shells put what is offered into the line as it is, and names in captures, notes and folders may be hostile: a word is
offered only if no shell reads anything into it. Files are left to the shell, which finds and quotes them itself.
Neither a pipe nor standard input is read, and no drive is asked.
"""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, Any, Final, Literal

from msgspec import Struct

from knowledge.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    import click
    from click.shell_completion import CompletionItem

    from agent.source import Source

LONGEST: Final = 200  # characters of a word that is offered
MOST: Final = 500  # words that are offered
MOST_LOGS: Final = 50  # the latest
# No character that a shell reads anything into (POSIX, Shell Command Language, 2.2 Quoting, 2.6 Word Expansions, 2.13
# Pattern Matching), none that ends a word in what click tells shells (comma, space), and no hyphen to begin with.
HARMLESS: Final = re.compile(rf"[A-Za-z0-9_][A-Za-z0-9_.:@+/-]{{0,{LONGEST - 1}}}", re.ASCII)
NUMBER: Final = re.compile(r"[0-9]{1,3}x", re.ASCII)


class Offering(Struct, frozen=True):
    """The environment, which says where the user's notes and logs are, and what makes a source of readings."""

    environ: Mapping[str, str]
    source: Callable[[str | None, str | None], Source]


class Typed(Struct, frozen=True):
    """The word as far as it is typed, and the options that stand before it, by their names."""

    word: str
    before: Mapping[str, Any]
    around: Offering


def complete(command: click.Command, around: Offering) -> None:
    """Have each option and argument of a command, and of those below it, offer what `OFFERS` has for its name."""
    for inner in getattr(command, "commands", {}).values():
        complete(inner, around)
    for parameter in command.params:
        kind, words = OFFERS.get(parameter.name or "", (None, None))
        if kind is not None or words is not None:
            vars(parameter)["shell_complete"] = _offering(kind, words, around)


def _offering(
    kind: Literal["file", "dir"] | None, words: Callable[[Typed], Iterable[str]] | None, around: Offering
) -> Callable[[click.Context, str], list[CompletionItem]]:
    """What click asks: files or folders first, as some shells take back what was offered before them."""

    def offering(context: click.Context, incomplete: str) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem

        items = [] if kind is None else [CompletionItem(incomplete, type=kind)]
        if words is not None:
            items += map(CompletionItem, offered(words(Typed(incomplete, context.params, around)), incomplete))
        return items

    return offering


def offered(words: Iterable[str], incomplete: str) -> list[str]:
    """Those of the words that begin as what is typed does, in upper or lower case, each once; no harmful one."""
    typed = incomplete.lower()
    return [*dict.fromkeys(word for word in words if word.lower().startswith(typed) and HARMLESS.fullmatch(word))][
        :MOST
    ]


# --- Words -----------------------------------------------------------------------------------------------------


def _cards(_typed: Typed) -> Iterable[str]:
    """Kinds of cards."""
    from knowledge.parts import parts

    return (kind.name for kind in parts().card)


def _boards(_typed: Typed) -> Iterable[str]:
    """Kinds of boards."""
    from knowledge.boards import board_kinds

    return board_kinds()


def _drive_kinds(typed: Typed) -> Iterable[str]:
    """Kinds of drives behind their number, whole and short, as in 4xgen4; one drive where no number is typed yet."""
    from knowledge.parts import parts

    number = NUMBER.match(typed.word)
    before = "1x" if number is None else number.group()
    names = [kind.name for kind in parts().drive]
    return (f"{before}{name}" for name in (*names, *(name.removeprefix("nvme-") for name in names)))


def _parts_of_replay(typed: Typed) -> Iterable[str]:
    """Slots, drives and addresses of the capture that --replay names before it; nothing without one."""
    place = os.path.expanduser(typed.before.get("replay") or "-")
    if not os.path.isfile(place):  # a pipe is there to be read once, by the command itself
        return ()
    from agent.audit import audit

    try:
        found = audit(typed.around.source(place, None).facts(0.0))
    except Problem:
        return ()
    slots = (judged.link.slot.name for judged in found.links if judged.link.slot is not None)
    addresses = (name for judged in found.links for name in (judged.device_address, judged.port_address) if name)
    return (*slots, *(seen.drive.name for seen in found.drives), *addresses)


def _notes(typed: Typed) -> Iterable[str]:
    """Ids of field notes, those of the folders that are named before it too."""
    from agent.notebook.catalogue import catalogue

    try:
        found = catalogue(typed.around.environ, typed.before.get("directories") or ())
    except Problem:
        return ()
    return (kept.note.id for kept in found.notes)


def _logs(typed: Typed) -> Iterable[str]:
    """The user's own logs by their names, latest first."""
    from agent.commands.session import LAST, folder
    from probes.soaklog import SUFFIX, listed

    logs = listed(folder(typed.around.environ), MOST_LOGS)
    return (LAST, *(os.path.basename(path).removesuffix(SUFFIX) for path, *_ in logs))


def _exports(typed: Typed) -> Iterable[str]:
    """The forms of an export, then the logs: click does not tell which of the two words is typed."""
    return ("csv", "jsonl", *_logs(typed))


def _drives_here(typed: Typed) -> Iterable[str]:
    """The names of this machine's drives."""
    from probes import platform
    from probes.reads import Live

    here = typed.around.source(None, None).platform
    return platform(here).watch().drives(Live(None, here))


# By the name of an option or argument in all commands: whether the shell offers files or folders, and what else is.
OFFERS: Final[dict[str, tuple[Literal["file", "dir"] | None, Callable[[Typed], Iterable[str]] | None]]] = {
    "added": (None, _cards),
    "after": ("file", None),
    "against": ("file", None),
    "before": ("file", None),
    "captures": ("file", None),
    "command": ("file", None),
    "directories": ("dir", None),
    "drives": (None, _drive_kinds),
    "export": ("file", _exports),
    "file": ("file", None),
    "files": ("file", None),
    "fresh": ("file", None),
    "limits": ("file", None),
    "log": ("file", None),
    "names": ("file", None),
    "note": (None, _notes),
    "notes": ("dir", None),
    "only": (None, _parts_of_replay),
    "origin": ("file", None),
    "out": ("file", None),
    "place": ("file", None),
    "plot": ("file", None),
    "replay": ("file", None),
    "root": ("dir", None),
    "sheet": ("file", None),
    "show": ("file", _logs),
    "targets": ("file", _drives_here),
    "template": (None, _boards),
    "tried": (None, _cards),
}
