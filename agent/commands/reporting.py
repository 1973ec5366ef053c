"""The command `report`: its options, and how files are told apart. Like agent/cli.py it may take the time.

What a file is tells its content, not its name: a soak's log is an SQLite file, everything else is read as a capture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from agent.audit import Audit
    from agent.compare.changes import Comparison
    from agent.model.shelf import Shelf
    from agent.soak.analysed import Analysis
    from agent.source import Clock, Source
    from probes.samples import Soak

PAGE: Final = (".html", ".htm")
MARKDOWN: Final = (".md", ".markdown")
MOST_FILES: Final = 64

Machines = list[tuple[str, "Audit"]]
Soaks = list[tuple[str, "Soak", "Analysis"]]


def reporting(
    source: Callable[[str | None, str | None], Source],
    clock: Callable[[], Clock],
    noted: Callable[[tuple[str, ...]], Shelf],
    settle: float,
) -> click.Command:
    """The command, with what gives it readings, the time and the user's notes, which it takes folders for.

    Links of this machine that are below their best are looked at again for `settle` seconds.
    """

    @click.command("report", short_help="Write a report to hand over.")
    @click.argument("out", metavar="OUT")
    @click.argument("files", nargs=-1, metavar="[CAPTURE|SOAK]...")
    @click.option(
        "--root", metavar="DIR", help=("Read the system's files below DIR, such as a host's mounted in a container.")
    )
    @click.option(
        "--notes", metavar="DIR", multiple=True, help="Apply the field notes of this folder too. Can be repeated."
    )
    @click.option("--force", is_flag=True, help="Overwrite OUT if it exists.")
    def command(out: str, files: tuple[str, ...], root: str | None, notes: tuple[str, ...], *, force: bool) -> None:
        """Write a report to hand over: one file with map, findings, steps, rates and soaks.

        OUT ends in .html for one page that loads nothing else, or in .md for Markdown. Captures and soak logs can be
        given in any order; of several captures of one machine the first and the last are also compared. Without any
        file the report is on this machine; with soak logs only, on those.

        Exit status: 0 it is written; 2 bad use or unreadable input; 3 nothing could be read.
        """
        form = _form(out)
        _check(files, root)
        from knowledge.phrasing import quoted
        from probes.files import check_place, write_whole

        check_place(out, force=force)
        from agent.commands.session import is_log

        captures = [name for name in files if not is_log(name)]
        logs = [name for name in files if name not in captures]
        sources = [source(name, None) for name in captures]
        if not sources and (root is not None or not logs):
            sources = [source(None, root)]
        shelf = noted(notes) if sources else None
        called = called_apart(captures)
        machines = [(_without_folder(source, called), _audit(source, settle, shelf)) for source in sources]
        made = _made(form, machines, [_soak(name, source(None, None).platform) for name in logs], clock().now())
        write_whole(out, made.encode("utf-8", "backslashreplace"), force=force)
        click.echo(f"Wrote the report to {quoted(out)}.", err=True)

    return command


def _form(out: str) -> str:
    """What OUT is to be, by its name (UsageError)."""
    name = out.lower()
    if name.endswith(PAGE):
        return "page"
    if name.endswith(MARKDOWN):
        return "markdown"
    raise click.UsageError(f"{out!r} ends in neither .html nor .md; the ending says which form the report takes.")


def _check(files: Sequence[str], root: str | None) -> None:
    """Refuse words that do not go together (UsageError)."""
    import os

    if len(files) > MOST_FILES:
        raise click.UsageError(f"A report takes {MOST_FILES} files at most; tally counts over more captures.")
    if root is not None and not os.path.isdir(root):
        raise click.UsageError(f"--root {root}: there is no such directory.")
    if files.count("-") > 1:
        raise click.UsageError("Give - only once: standard input can be read only once.")


def _audit(source: Source, settle: float, shelf: Shelf | None) -> Audit:
    from agent.audit import audit

    return audit(source.facts(settle), notes=shelf)


def _soak(name: str, platform: str) -> tuple[str, Soak, Analysis]:
    from agent.commands import session

    log, found = session.analysed(name)
    return f"{own_name(name)} (log)", log, session.named_here(found, platform)


def own_name(name: str) -> str:
    """A file's own name: where it lies says something of whoever made the report, and nothing of the machine."""
    import os

    return os.path.basename(name) or name


def called_apart(names: Sequence[str]) -> dict[str, str]:
    """What each file is called: by its own name, and by the folder it lies in where another has that name too."""
    import os

    own = [own_name(name) for name in names]
    folder = {name: os.path.basename(os.path.dirname(name)) for name in names}
    return {
        name: f"{folder[name]}/{called}" if own.count(called) > 1 and folder[name] not in {"", ".", ".."} else called
        for name, called in zip(names, own, strict=True)
    }


def _without_folder(source: Source, called: dict[str, str]) -> str:
    """The source for people, a capture by what it is called."""
    if source.replay is None or source.replay == "-":
        return source.name
    return source.name.replace(source.replay, called[source.replay], 1)


def _made(form: str, machines: Machines, soaks: Soaks, made_at: str) -> str:
    """The report in its form; of captures of one machine the first and the last are compared as well."""
    comparison = _comparison([audit for _, audit in machines])
    if form == "page":
        from agent.report.page import page

        return page(machines, soaks, comparison, made_at)
    from agent.report.page.handover import report

    return report(machines, soaks, comparison, made_at)


def _comparison(audits: Sequence[Audit]) -> Comparison | None:
    """What changed from the first capture to the last; None where they are not all of one machine."""
    if len(audits) < 2:  # noqa: PLR2004 - before and after
        return None
    from agent.compare.whole import compare

    before, *between, after = sorted(audits, key=lambda audit: audit.facts.taken_at)
    found = compare(before, after)
    if found.other_machine or any(compare(before, facts).other_machine for facts in between):
        return None
    return found
