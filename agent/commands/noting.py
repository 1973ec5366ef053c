"""The command `notes`: its words, what is asked for each, which form is shown. Reads no file itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from agent import output

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from agent.audit import Audit
    from agent.source import Source
    from probes.capture import Capture

LEARNED: Final = "Learned by lanewright notes learn; the words are yours to mend."

form_option = click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True, help="How to show it."
)
notes_option = click.option(
    "--notes", "directories", metavar="DIR", multiple=True, help="Take the notes of this folder too. Can be repeated."
)


def noting(
    source: Callable[[str | None, str | None], Source], environ: Mapping[str, str], group: type[click.Group]
) -> click.Group:
    """The command; `source` makes the source of readings, `environ` says where the user's own notes are.

    `group` is what groups of commands are made of.
    """

    @click.group(cls=group, short_help="Read, make and test field notes.")
    def notes() -> None:
        """Read, make and test field notes: what is known of parts like these, and on what evidence.

        Notes come with the program, from your own folder ($XDG_DATA_HOME/lanewright/notes, else
        ~/.local/share/lanewright/notes), and from folders named with --notes. check applies them all.
        """

    notes.add_command(_list(environ))
    notes.add_command(_show(environ))
    notes.add_command(_test(source, environ))
    notes.add_command(_lint(environ))
    notes.add_command(_learn())
    return notes


def _list(environ: Mapping[str, str]) -> click.Command:
    @click.command("list")
    @notes_option
    @form_option
    def listing(directories: tuple[str, ...], form: str) -> None:
        """List all notes."""
        from agent.notebook.catalogue import catalogue

        found = catalogue(environ, directories)
        if form == "json":
            from agent.report import note_data

            output.form(note_data.listed(found))
        else:
            from agent.report import noting as pages

            output.page(pages.listed, found, "")

    return listing


def _show(environ: Mapping[str, str]) -> click.Command:
    @click.command(short_help="Show one note whole.")
    @click.argument("note")
    @notes_option
    @form_option
    def show(note: str, directories: tuple[str, ...], form: str) -> None:
        """Show one note whole: conditions, what was seen, evidence, steps."""
        from agent.notebook.catalogue import catalogue, note_called

        found = note_called(catalogue(environ, directories), note)
        if form == "json":
            from agent.report import note_data

            output.form(note_data.shown(found))
        else:
            from agent.report import noting as pages

            output.page(pages.shown, found, "")

    return show


def _test(source: Callable[[str | None, str | None], Source], environ: Mapping[str, str]) -> click.Command:
    @click.command(short_help="Test one note on a machine.")
    @click.argument("note")
    @click.option("--replay", metavar="FILE", help="Read a capture in place of this machine; - is standard input.")
    @click.option("--root", metavar="DIR", help="Read the platform's files below DIR: a container's view of its host.")
    @notes_option
    @form_option
    def test(note: str, replay: str | None, root: str | None, directories: tuple[str, ...], form: str) -> None:
        """Test one note on a machine or capture: which condition fits which part, and why not.

        Exit status: 0 whether it fits or not; 2 bad use, unreadable input or no such note; 3 nothing could be read.
        """
        from agent.audit import audit
        from agent.notebook.catalogue import catalogue, note_called
        from agent.notebook.trying import tried

        wanted = note_called(catalogue(environ, directories), note).note
        read_from = source(replay, root)
        found = tried(wanted, audit(read_from.facts(0.0)))
        if form == "json":
            from agent.report import note_data

            output.form(note_data.tested(found, read_from.name))
        else:
            from agent.report import noting as pages

            output.page(pages.tested, found, read_from.name)

    return test


def _lint(environ: Mapping[str, str]) -> click.Command:
    @click.command(short_help="Find mistakes in files of notes.")
    @click.argument("names", metavar="[DIR|FILE]...", nargs=-1)
    @form_option
    @click.pass_context
    def lint(context: click.Context, names: tuple[str, ...], form: str) -> None:
        """Find mistakes in files of notes, each with its line; without a name, in your own folder.

        Exit status: 0 nothing is wrong; 1 something is; 2 bad use.
        """
        from agent.notebook.catalogue import linted
        from agent.notebook.places import folder

        found = linted(names, environ)
        if form == "json":
            from agent.report import note_data

            output.form(note_data.linted(found))
        else:
            from agent.report import noting as pages

            output.page(pages.linted, found, folder(environ))
        context.exit(1 if found.wrong else 0)

    return lint


def _learn() -> click.Command:
    @click.command(short_help="Make notes from captures.")
    @click.argument("captures", metavar="CAPTURE...", nargs=-1, required=True)
    @click.option("--write", "place", metavar="FILE", help="Write the notes to FILE.")
    @click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")
    @form_option
    def learn(*, captures: tuple[str, ...], place: str | None, force: bool, form: str) -> None:
        """Make notes from captures: which card trained at what rate in which slot of which machine, how often.

        Prints a file of notes for you to check and correct. No serial number and no host name is in it;
        captures are named by tokens. The same machine, or capture, counts once.
        """
        from agent.notebook.learning import learned
        from agent.notebook.note_text import written
        from knowledge.phrasing import quoted
        from knowledge.problems import BadInput
        from probes.files import check_place, write_whole

        if place is not None:
            check_place(place, force=force)
        if captures.count("-") > 1:
            raise click.UsageError("Give - only once: standard input can be read only once.")
        found = learned(_audited(captures))
        if not found.notes:
            raise BadInput("no card in these captures has a link that trained, so there is nothing to learn from them")
        text = written(found.notes, LEARNED)
        if place is not None:
            write_whole(place, text.encode(), force=force)
            click.echo(f"Wrote {len(found.notes):,} notes to {quoted(place)}.", err=True)
        if form == "json":
            from agent.report import note_data

            output.form(note_data.learned(found))
        elif place is None:
            output.whole(text.encode())

    return learn


def _audited(names: tuple[str, ...]) -> Iterator[tuple[Capture, Audit]]:
    """Each capture with the audit of its machine."""
    from agent.audit import audit
    from probes import collect
    from probes.capture import load_file, recorded

    for name in names:
        capture = load_file(name)
        first, looks = recorded(capture)
        yield capture, audit(collect(first, looks, capture.taken_at))
