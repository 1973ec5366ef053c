"""The commands: options, what is printed, the time, exit statuses. The only module that prints or exits.

Each command imports what it needs when it runs: `--format json` never loads the terminal library, a replay
never loads what asks the machine.
"""

from __future__ import annotations

import functools
import gc
import sys
from typing import TYPE_CHECKING, Any, Final

import click

from agent import __version__
from knowledge.problems import BadInput, Problem

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.audit import Audit
    from agent.source import Clock, Source

NARROWEST: Final = 40  # columns; no page is made for less
USUAL_WIDTH: Final = 80  # where the width is told as 0
INTERRUPTED: Final = 130  # as shells have it: 128 and the number of the signal
SETTLE_SECONDS: Final = 2.0
LONGEST_SETTLE: Final = 600.0


class Commands(click.Group):
    """Turns a problem that the user can act on into one sentence and its exit status."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - as click has it
        """Run the command."""
        try:
            return super().invoke(ctx)
        except Problem as problem:
            from agent.report.plain import plain

            click.echo(f"lanewright: {plain(str(problem), 600)}", err=True)
            ctx.exit(problem.exit_status)
        except KeyboardInterrupt:
            click.echo("lanewright: stopped before it was done", err=True)
            ctx.exit(INTERRUPTED)


class Seconds(click.FloatRange):
    """A number of seconds within a range; "nan" is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401
        """Refuse what is not a number (UsageError)."""
        number = super().convert(value, param, ctx)
        if number != number:  # noqa: PLR0124 - only what is not a number differs from itself
            self.fail(f"{value!r} is not a number of seconds.", param, ctx)
        return number


def _source(replay: str | None, root: str | None) -> Source:
    """The source of readings that the user named; what cannot be one is refused (UsageError)."""
    from agent.source import Source

    if replay is not None and root is not None:
        raise click.UsageError("--replay and --root cannot go together: a capture already is another machine.")
    if root is not None:
        import os

        if not os.path.isdir(root):
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


def _audited(source: Source, settle: float, only: str | None = None) -> Audit:
    from agent.audit import audit, only_at

    found = audit(source.facts(settle))
    return found if only is None else only_at(found, only)


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command `--replay`, `--root` and a ready `Source`."""

    @click.option("--replay", metavar="FILE", help="Read a capture in place of this machine; - is standard input.")
    @click.option("--root", metavar="DIR", help="Read the platform's files below DIR: a container's view of its host.")
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
    help="Look again at links below their best for this long; 0 looks once.",
)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="No command writes to hardware or needs root; what root would add is said once, at the end.",
)
@click.version_option(__version__, message="lanewright %(version)s")
def main() -> None:
    """Prove that every card and drive runs at what both ends of its link can do.

    Reads PCI Express links, slots, drives and temperatures, live or from a capture, and says what falls short, why,
    and what to do about it.
    """
    gc.disable()  # a command lives for a moment and makes no cycles worth collecting; this saves some of its start
    click.get_current_context().call_on_close(gc.enable)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


@main.command()
@reading_options
@format_option
@settle_option
@click.option(
    "--fail-on",
    type=click.Choice(["fault", "limit", "note", "unknown"]),
    default="fault",
    show_default=True,
    help="Exit with 1 if anything this bad, or worse, was found.",
)
@click.option("--only", metavar="SLOT|ADDRESS", help="Show one slot, port, card or drive and what belongs to it.")
def check(source: Source, form: str, settle: float, fail_on: str, only: str | None) -> None:
    """Audit every link, slot and drive: verdicts, findings, steps.

    Exit status: 0 nothing at or above --fail-on; 1 something is; 2 bad use or unreadable input; 3 nothing could be
    read.
    """
    found = _audited(source, settle, only)
    if form == "json":
        from agent.report import data

        _print_bytes(data.encode(data.check(found)))
    else:
        from agent.report import text

        _print_page(text.check, found, source)
    from agent.findings import Severity

    sys.exit(1 if found.worst.rank <= Severity(fail_on).rank else 0)


@main.command()
@reading_options
@format_option
@click.option("--only", metavar="SLOT|ADDRESS", help="Show one slot, port, card or drive and what belongs to it.")
def inventory(source: Source, form: str, only: str | None) -> None:
    """List what is fitted: slots, cards, drives, firmware, and where each sits."""
    found = _audited(source, 0.0, only)
    if form == "json":
        from agent.report import data

        _print_bytes(data.encode(data.inventory(found)))
    else:
        from agent.report import text

        _print_page(text.inventory, found, source)


@main.command()
@click.argument("file")
@reading_options
@format_option
@settle_option
@click.option("--keep-serials", is_flag=True, help="Keep serial numbers, host name and addresses as they are.")
@click.option("--force", is_flag=True, help="Overwrite FILE if it is there.")
def capture(file: str, source: Source, form: str, settle: float, *, keep_serials: bool, force: bool) -> None:
    """Record this machine to FILE, to be replayed anywhere (gzip if it ends in .gz; - is standard output).

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
        _print_bytes(encode(**content))
        return
    write_file(file, force=force, **content)
    kept = bool(content["keep_serials"])
    if form == "json":
        from agent.report import data

        _print_bytes(
            data.encode(data.written(file, facts, len(source.answers), len(source.samples), redacted=not kept))
        )
        return
    more = f" and {len(source.samples)} later looks" if source.samples else ""
    serials = "kept as they are" if kept else "replaced by tokens"
    message = (
        f"Wrote {len(source.answers):,} readings{more} of {len(facts.functions)} functions; serial numbers {serials}."
    )
    click.echo(message, err=True)


@main.command()
@click.argument("name", type=click.Choice(["capture", "check", "inventory"]))
def schema(name: str) -> None:
    """Print the JSON Schema of a form: capture, check or inventory."""
    from agent.report import data

    if name == "capture":
        from probes import capture as capture_file

        _print_bytes(data.encode(capture_file.schema()))
    else:
        _print_bytes(data.encode(data.schema(name)))


def _print_bytes(data: bytes) -> None:
    _print(lambda: sys.stdout.buffer.write(data))


def _print(write: Callable[[], object]) -> None:
    """Write to standard output. What goes wrong there is for the user to mend; a reader who left is click's matter."""
    if sys.stdout is None:
        raise BadInput("standard output is closed, so nothing can be shown; leave it open, or send it to a file")
    try:
        write()
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        import contextlib

        with contextlib.suppress(OSError):
            sys.stdout.close()  # what is left in it would fail once more at the end
        reason = (error.strerror or "it failed").lower()
        raise BadInput(f"standard output cannot be written ({reason}); send it to another place") from None


def _print_page(form: Callable[..., Any], found: Audit, source: Source) -> None:
    from rich.console import Console

    from agent.report import text

    console = Console(markup=False, highlight=False, emoji=False, soft_wrap=True)
    if console.width < NARROWEST:
        console.width = NARROWEST if console.width > 0 else USUAL_WIDTH
    page = form(found, console.width, source.name)
    _print(lambda: text.show(page, console))


def start() -> None:
    """Run the program as a process of its own: what is left at the end goes with the process, uncollected."""
    try:
        main()
    finally:
        gc.freeze()  # the interpreter collects once more at its end, for nothing; this takes a tenth off a short run
