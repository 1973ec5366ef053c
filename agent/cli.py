"""The commands: options, which form is shown, the time, exit statuses. The only module that takes time or exits.

Each command imports what it needs when it runs: `--format json` never loads the terminal library, a replay
never loads what asks the machine.
"""

from __future__ import annotations

import functools
import gc
import os
import sys
from math import isnan
from typing import TYPE_CHECKING, Any, Final

import click

from agent import __version__, interrupt, output
from knowledge.problems import Problem
from probes.files import begin_run

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.audit import Audit
    from agent.commands.planned import PlanForm
    from agent.model.shelf import Shelf
    from agent.planner.clock import Time
    from agent.proposals import PlanRequest
    from agent.report.paper import Page
    from agent.sheets.sheet import Sheet
    from agent.source import Clock, Source

SETTLE_SECONDS: Final = 2.0
LONGEST_SETTLE: Final = 600.0
SEARCH_SECONDS: Final = 10.0
LONGEST_SEARCH: Final = 86_400.0
ONLY: Final = "Show one slot, port, card, drive or set, as a check calls it, and what belongs to it."
LONGEST_WORDS: Final = 2000  # of a message about what was typed


class WholeHelp(click.Group):
    """A group whose help tells the first sentence of each command whole, where click would cut it with dots."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands; what does not fit on a line goes on below."""
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, found.get_short_help_str(LONGEST_WORDS)) for name, found in commands if found])


class Commands(WholeHelp):
    """Turns a problem that the user can act on into one sentence and its exit status.

    Commands of modules of their own are made when they are asked for.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names."""
        return sorted({*super().list_commands(ctx), *LATER})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, None where there is none."""
        if cmd_name in LATER and cmd_name not in self.commands:
            self.add_command(LATER[cmd_name]())
        command = super().get_command(ctx, cmd_name)
        if command is not None and ctx.resilient_parsing:  # a shell asks what could stand in the line
            from agent.commands.completing import Offering, complete

            complete(command, Offering(os.environ, _source))
        return command

    def make_context(self, *words: Any, **more: Any) -> click.Context:  # noqa: ANN401 - as click has it
        """Take in the options before a command's name."""
        try:
            return super().make_context(*words, **more)
        except click.ClickException as error:
            raise _harmless(error) from None

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - as click has it
        """Run the command."""
        try:
            return super().invoke(ctx)
        except click.ClickException as error:
            raise _harmless(error) from None
        except Problem as problem:
            from knowledge.phrasing import plain

            click.echo(f"lanewright: {plain(str(problem), 600)}", err=True)
            ctx.exit(problem.exit_status)
        except KeyboardInterrupt:
            click.echo(interrupt.WORDS, err=True)
            ctx.exit(interrupt.STATUS)


def _harmless(error: click.ClickException) -> click.ClickException:
    """The same with what the user typed as it can be shown: the library repeats it as it is.

    Help that stands in for a command's missing words keeps its lines.
    """
    from knowledge.phrasing import plain

    if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):  # click 8.2 and later
        vars(error)["message"] = "\n".join(plain(line, LONGEST_WORDS) for line in error.message.split("\n"))
        return error
    vars(error)["message"] = plain(error.message, LONGEST_WORDS)
    return error


class Seconds(click.FloatRange):
    """A number of seconds within a range; "nan" is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401
        """Refuse what is not a number (UsageError)."""
        number = super().convert(value, param, ctx)
        if isnan(number):
            self.fail(f"{value!r} is not a number of seconds.", param, ctx)
        return number


def _source(replay: str | None, root: str | None) -> Source:
    """The source of readings that the user named; what cannot be one is refused (UsageError)."""
    from agent.source import Source

    if replay is not None and root is not None:
        raise click.UsageError("--replay and --root cannot go together: a capture already is another machine.")
    if root is not None and not os.path.isdir(root):
        raise click.UsageError(f"--root {root}: there is no such directory.")
    return Source(replay, root, sys.platform, _clock, _tell if sys.stderr is not None and sys.stderr.isatty() else None)


def _clock() -> Clock:
    import time

    from agent.source import Clock

    return Clock(
        now=lambda: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), running=time.monotonic, sleep=time.sleep
    )


def _tell(words: str) -> None:
    click.echo(words, err=True)


def _audited(
    source: Source,
    settle: float,
    only: str | None = None,
    against: Sheet | None = None,
    notes: Shelf | None = None,
    *,
    unnamed: bool = False,
) -> Audit:
    from agent.audit import audit, only_at

    facts = told = source.facts(settle)
    if unnamed:
        from agent.report.unnamed import without_name

        facts = without_name(facts)
    found = audit(facts, notes=notes)
    if against is not None:
        from agent.sheets.expected import expected, limits, same_machine

        same_machine(against, told)
        found = audit(facts, planned=expected(against), limits=limits(against, found), notes=notes)
    if only is None:
        return found
    from agent.report.link_names import called

    return only_at(found, only, called(found))


def _noted(directories: tuple[str, ...]) -> Shelf:
    """The user's own field notes, and those of the folders that were named."""
    from agent.notebook.places import loaded

    return loaded(os.environ, directories)


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command `--replay`, `--root` and a ready `Source`."""

    @click.option("--replay", metavar="FILE", help="Read a capture in place of this machine; - is standard input.")
    @click.option(
        "--root", metavar="DIR", help=("Read the system's files below DIR, such as a host's mounted in a container.")
    )
    @functools.wraps(command)
    def with_source(replay: str | None, root: str | None, **options: object) -> None:
        command(source=_source(replay, root), **options)

    return with_source


format_option = click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True, help="How to show it."
)
settle_option = click.option(
    "--settle",
    type=Seconds(0.0, LONGEST_SETTLE),
    default=SETTLE_SECONDS,
    show_default=True,
    metavar="SECONDS",
    help="Watch links below their best for this long; 0 looks once.",
)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="No command writes to hardware or needs root; what root would add is said once, at the end.",
)
@click.version_option(__version__, message="lanewright %(version)s")
def main() -> None:
    """Check that every card and drive runs at full speed, and find out why not.

    Reads PCI Express links, slots, drives and temperatures, live or from a capture, and says what falls short, why,
    and what to do about it.
    """
    begin_run(os.environ.get("SUDO_UID", ""))
    gc.disable()  # a command lives for a moment and makes no cycles worth collecting; this saves some of its start
    click.get_current_context().call_on_close(gc.enable)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


@main.command(short_help="Check every link, slot and drive.")
@reading_options
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "markdown"]),
    default="text",
    show_default=True,
    help="How to show it; markdown is for forums and tickets.",
)
@settle_option
@click.option(
    "--fail-on",
    type=click.Choice(["fault", "limit", "note", "unknown"]),
    default="fault",
    show_default=True,
    help="Exit with 1 if anything this bad or worse is found.",
)
@click.option("--only", metavar="SLOT|ADDRESS", help=ONLY)
@click.option("--against", metavar="SHEET", help="Check the machine against this build sheet; - is standard input.")
@click.option(
    "--notes", "notes", metavar="DIR", multiple=True, help="Apply the field notes of this folder too. Can be repeated."
)
@click.option("--keep-serials", is_flag=True, help="In markdown, keep the host name and serial numbers as they are.")
@click.option("--full", is_flag=True, help="In text, show all readings, steps, drives and firmware too.")
@click.option("--finding", type=int, metavar="NUMBER", help="In text, show all of the finding of this number alone.")
def check(  # noqa: PLR0913 - one for each option
    *,
    source: Source,
    form: str,
    settle: float,
    fail_on: str,
    only: str | None,
    against: str | None,
    notes: tuple[str, ...],
    keep_serials: bool,
    full: bool,
    finding: int | None,
) -> None:
    """Check every link, slot and drive: what is wrong, what it costs, what to do.

    Exit status: 0 nothing at or above --fail-on; 1 something is; 2 bad use or unreadable input; 3 a reading failed
    that may hide a fault, or nothing at all could be read.
    """
    planned = None
    if against is not None:
        from agent.sheets.reading import read

        if against == source.replay == "-":
            raise click.UsageError("--against - and --replay - cannot go together: standard input is read once.")
        planned = read(against)
    unnamed = form == "markdown" and not keep_serials
    found = _audited(source, settle, only, planned, _noted(notes), unnamed=unnamed)
    if form == "json":
        from agent.report import data

        output.form(data.check(found))
    elif form == "markdown":
        from agent.report import markdown

        document = markdown.check(found, source.name)
        if unnamed:
            from agent.report.unnamed import for_forums

            document = for_forums(document, [found.facts], planned)
        output.whole(document.encode())
    else:
        from agent.report import text

        make: Callable[..., Page] = text.whole if full else text.check
        if finding is not None:
            make = functools.partial(text.one_finding, number=finding)
        output.page(make, found, source.name)
    from agent.model.findings import Severity

    sys.exit(found.status(Severity(fail_on)))


@main.command(short_help="List slots, cards, drives and firmware.")
@reading_options
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "csv", "markdown"]),
    default="text",
    show_default=True,
    help="How to show it.",
)
@click.option("--only", metavar="SLOT|ADDRESS", help=ONLY)
@click.option("--keep-serials", is_flag=True, help="In markdown, keep the host name and serial numbers.")
def inventory(source: Source, form: str, only: str | None, *, keep_serials: bool) -> None:
    """List what is fitted: slots, cards, drives, firmware, and where each sits."""
    unnamed = form == "markdown" and not keep_serials
    found = _audited(source, 0.0, only, unnamed=unnamed)
    if form == "json":
        from agent.report import data

        output.form(data.inventory(found))
    elif form == "csv":
        from agent.report import inventory_rows

        output.rows(inventory_rows.csv_rows(found))
    elif form == "markdown":
        from agent.report import inventory_rows

        document = inventory_rows.markdown(found, source.name, serials=keep_serials)
        if unnamed:
            from agent.report.unnamed import for_forums

            document = for_forums(document, [found.facts], None)
        output.whole(document.encode())
    else:
        from agent.report import inventory_text

        output.page(inventory_text.inventory, found, source.name)


@main.command(short_help="Record this machine in a file.")
@click.argument("file")
@reading_options
@format_option
@settle_option
@click.option("--keep-serials", is_flag=True, help="Keep serial numbers, host name and addresses as they are.")
@click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")
def capture(file: str, source: Source, form: str, settle: float, *, keep_serials: bool, force: bool) -> None:
    """Record this machine in FILE, to replay it anywhere (gzip if it ends in .gz; - is standard output).

    Serial numbers, unique identifiers, host names and network addresses are replaced by stable tokens.
    """
    from probes.capture import encode, write_file
    from probes.files import check_place

    if file != "-":
        check_place(file, force=force)
    facts = source.facts(settle)
    content: Any = {
        "platform": source.platform,
        "taken_at": source.taken_at,
        "agent": __version__,
        "answers": source.answers,
        "samples": source.samples,
        "keep_serials": keep_serials and not source.redacted,
    }
    if file == "-":
        output.whole(encode(**content))
        return
    write_file(file, force=force, **content)
    kept = bool(content["keep_serials"])
    if form == "json":
        from agent.report import data

        output.form(data.written(file, facts, len(source.answers), len(source.samples), redacted=not kept))
        return
    more = f" and {len(source.samples)} later looks" if source.samples else ""
    serials = "kept as they are" if kept else "replaced by tokens"
    message = (
        f"Wrote {len(source.answers):,} readings{more} of {len(facts.functions)} functions; serial numbers {serials}."
    )
    click.echo(message, err=True)


@main.command(short_help="Find the best place for each part.")
@click.argument("sheet", required=False)
@click.option(
    "--sheet-from", "origin", metavar="CAPTURE", help=("Make a build sheet from a capture; - is standard input.")
)
@click.option("--add", "added", metavar="KIND", multiple=True, help="Add a card of this kind. Can be repeated.")
@click.option("--drives", metavar="NxKIND", multiple=True, help="Add drives, such as 4xgen4. Can be repeated.")
@click.option(
    "--compare",
    "tried",
    metavar="KIND",
    multiple=True,
    help="Compare cards of these kinds, each with the drives of --drives. Can be repeated.",
)
@click.option(
    "--seconds",
    type=Seconds(0.0, LONGEST_SEARCH),
    default=SEARCH_SECONDS,
    show_default=True,
    metavar="SECONDS",
    help="Search no longer than this; with --compare, for each kind.",
)
@click.option("--write", "place", metavar="FILE", help="Write the sheet with the planned places to FILE.")
@click.option(
    "--new", "fresh", metavar="FILE", help=("Ask for a first sheet, question by question, and write it to FILE.")
)
@click.option(
    "--template", metavar="KIND", help=("With --new, ask nothing and write the template for this kind of board.")
)
@click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")
@click.option("--kinds", is_flag=True, help="List the kinds of parts and of boards that sheets and options can name.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "markdown", "html"]),
    show_default="text",
    help="How to show it; html and markdown are for the customer or the order.",
)
@click.option("--out", metavar="FILE", help="Write it to FILE, in the form of its ending: .html, .md or .json.")
@click.option("--full", is_flag=True, help="Show all readings, reasons and steps.")
def plan(  # noqa: PLR0913 - one for each option
    *,
    sheet: str | None,
    origin: str | None,
    added: tuple[str, ...],
    drives: tuple[str, ...],
    tried: tuple[str, ...],
    seconds: float,
    place: str | None,
    fresh: str | None,
    template: str | None,
    force: bool,
    kinds: bool,
    form: str | None,
    out: str | None,
    full: bool,
) -> None:
    """Find the best place for each part of a build sheet, before anything is bought or opened.

    SHEET is a TOML file: slots, cards, drives, needs (- is standard input). Says what goes where and why, what each
    drive should reach, and the moves in order. Nothing is done to the machine.

    Exit status: 0 every part has a place and every need is met (with --compare: with one of the kinds); 1 not so; 2
    bad use or unreadable input.
    """
    _check_one(sheet is not None, origin is not None, fresh is not None, kinds, template=template)
    if sheet is None and (added or drives or tried or full or out is not None or form not in {None, "text"}):
        raise click.UsageError("--add, --drives, --compare, --full, --out and --format go with a SHEET.")
    if tried and place is not None:
        raise click.UsageError("--write writes one plan: choose a kind, and give it with --add in place of --compare.")
    _check_new(fresh, place)
    if place is not None:
        from probes.files import check_place

        if kinds or place == "-":
            raise click.UsageError("--write writes a build sheet, to a file; without it --sheet-from prints the sheet.")
        check_place(place, force=force)
    if kinds:
        from agent.report import planning
        from knowledge import boards, parts

        output.page(planning.kinds, parts.kinds(), "kinds of parts")
        click.echo()
        output.page(planning.kinds, boards.board_kinds(), "kinds of boards, for --new FILE --template KIND")
    elif fresh is not None:
        _first_sheet(fresh, template, force=force)
    elif origin is not None:
        _sheet_from(origin, place, force=force)
    elif sheet is not None:
        from agent.proposals import PlanRequest

        asked = PlanRequest(sheet, added, drives, tried)
        from agent.commands.planned import PlanForm, chosen

        found = chosen(form, out, force=force)
        shown = PlanForm(form=found, out=out, force=force, made_at=_clock().now(), full=full)
        sys.exit(_compared(asked, seconds, shown) if tried else _planned(asked, seconds, shown, place, force=force))


def _sheet_from(origin: str, place: str | None, *, force: bool) -> None:
    """Make a build sheet of a capture, and say where its links are not whole."""
    from agent.sheets.writing import from_audit, whole_links

    source = _source(origin, None)
    found = _audited(source, 0.0)
    made = from_audit(found, source.name)
    output.whole(made.encode()) if place is None else _write(made, place, force=force)
    if whole := whole_links(found):
        click.echo(whole, err=True)


def _check_one(sheet: bool, origin: bool, fresh: bool, kinds: bool, *, template: str | None) -> None:  # noqa: FBT001 - four of a sort
    """Refuse none and several of the things that a plan can be made of (UsageError)."""
    if template is not None and not fresh:
        raise click.UsageError("--template goes with --new FILE.")
    if sum((sheet, origin, fresh, kinds)) != 1:
        raise click.UsageError(
            "Give one of these: a build SHEET, --new FILE or --sheet-from CAPTURE to make one, or --kinds."
        )


def _check_new(fresh: str | None, place: str | None) -> None:
    """Refuse words beside --new FILE that have no meaning there, and a file of another form (UsageError)."""
    if fresh is None:
        return
    if fresh == "-" or place is not None:
        raise click.UsageError("--new writes a build sheet to the file that it names, and needs no --write.")
    from agent.commands.planned import ENDINGS

    ending = os.path.splitext(fresh)[1].lower()
    if ending in ENDINGS:
        raise click.UsageError(
            f"--new writes a build sheet, which is TOML: name a file that ends in .toml, not {ending}."
        )


def _first_sheet(place: str, kind: str | None, *, force: bool) -> None:
    """Ask for a first sheet where a person can be asked; otherwise, or with a kind of board, write a template."""
    from agent.commands import first_sheet
    from probes.files import is_terminal

    if kind is None and is_terminal() and sys.stdout is not None and sys.stdout.isatty():
        first_sheet.ask(place, force=force)
    else:
        first_sheet.write_template(place, kind, force=force)


def _planned(asked: PlanRequest, seconds: float, shown: PlanForm, place: str | None, *, force: bool) -> int:
    """Show the plan of a sheet, and write it where that is asked for; the exit status."""
    from agent.proposals import complete, proposed, written

    proposal = proposed(asked, _for_seconds(seconds))
    shown.plan(proposal.plan, proposal.name)
    if place is not None:
        from probes.files import made_anew

        if os.path.realpath(place) == os.path.realpath(asked.sheet):
            made_anew(place)
        _write(written(proposal), place, force=force)
    return 0 if complete(proposal.plan) else 1


def _compared(asked: PlanRequest, seconds: float, shown: PlanForm) -> int:
    """Show kinds of cards side by side in the machine of a sheet; the exit status."""
    from agent.proposals import compared, complete

    tried = compared(asked, lambda: _for_seconds(seconds))
    shown.candidates(tried)
    return 0 if any(complete(candidate.plan) for candidate in tried) else 1


def _for_seconds(seconds: float) -> Time:
    """What tells whether so many seconds from now are still running."""
    import time

    from agent.planner.clock import for_seconds

    return for_seconds(seconds, time.monotonic)


def _write(sheet: str, place: str, *, force: bool) -> None:
    """Write a sheet whole to a file, and say so."""
    from knowledge.phrasing import quoted
    from probes.files import write_whole

    write_whole(place, sheet.encode(), force=force)
    _tell(f"Wrote the build sheet {quoted(place)}.")


# Names of `agent/report/schemas.py`, which is loaded when one is asked for.
SCHEMAS: Final = [
    *("candidates", "capture", "check", "compare", "compare-soaks", "explain", "inventory", "measure"),
    *("note", "note-test", "notes", "notes-learned", "notes-lint", "plan", "soak", "soaks", "tally"),
]


@main.command(short_help="Print the JSON Schema of a form.")
@click.argument("name", type=click.Choice(SCHEMAS))
def schema(name: str) -> None:
    """Print the JSON Schema of a form: candidates is for plan --compare, soaks for soak --list.

    Those of notes are notes (list), note (show), note-test, notes-lint and notes-learned.
    """
    from agent.report import schemas

    output.form(schemas.schema(name))


def _compare() -> click.Command:
    from agent.commands.comparing import comparing

    return comparing(_source, _noted, settle_option)


def _explain() -> click.Command:
    from agent.commands.explaining import explaining

    return explaining(check)


def _measure() -> click.Command:
    from agent.commands.measuring import measuring

    return measuring(_source, _clock)


def _notes() -> click.Command:
    import os

    from agent.commands.noting import noting

    return noting(_source, os.environ, WholeHelp)


def _report() -> click.Command:
    from agent.commands.reporting import reporting

    return reporting(_source, _clock, _noted, SETTLE_SECONDS)


def _soak() -> click.Command:
    from agent.commands.soak import soak

    return soak


def _tally() -> click.Command:
    import os

    from agent.commands.tallying import tallying

    terminal = sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") not in {"dumb", "unknown"}
    return tallying(_clock, sys.platform, terminal=terminal)


LATER: Final[dict[str, Callable[[], click.Command]]] = {
    "compare": _compare,
    "explain": _explain,
    "measure": _measure,
    "notes": _notes,
    "report": _report,
    "soak": _soak,
    "tally": _tally,
}


def start() -> None:
    """Run the program as a process of its own: what is left at the end goes with the process, uncollected."""
    try:
        main()
    finally:
        gc.freeze()  # the interpreter collects once more at its end, for nothing; this takes a tenth off a short run
