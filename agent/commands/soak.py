"""The command `soak`: its options, what goes to which stream, its exit status. Like agent/cli.py it may take the time.

With a command both streams of the terminal belong to that: what is said beside it goes to standard error, in lines.
"""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.commands.session import SoakEnd, Surroundings, View
    from agent.soak.analysed import Analysis
    from probes.samples import Head, Soak

EVERY: Final = 1.0  # seconds
SHORTEST: Final = 0.1
LONGEST: Final = 3600.0
NARROWEST: Final = 20  # columns; a terminal that says less does not know
LONGEST_SOAK: Final = 60.0 * 86_400.0
UNITS: Final = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


class Duration(click.ParamType):  # type: ignore[type-arg] # generic in newer versions only
    """A length of time such as 90s, 30m, 8h or 1h30m, between two bounds in seconds; a bare number is seconds."""

    name = "time"

    def __init__(self, shortest: float, longest: float) -> None:
        """The bounds."""
        self._shortest = shortest
        self._longest = longest

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:  # noqa: ANN401
        """The seconds of it (UsageError)."""
        import re

        if isinstance(value, float):
            return value
        whole = str(value).strip().lower()
        if not re.fullmatch(r"(\d{1,9}(\.\d{1,9})?(s|m|min|h|d))+|\d{1,9}(\.\d{1,9})?", whole, re.ASCII):
            self.fail(f"{value!r} is not a length of time; say 90s, 30m, 8h or 1h30m.", param, ctx)
        seconds = sum(float(number) * UNITS[unit] for number, unit in re.findall(r"([\d.]+)([a-z]*)", whole))
        if not self._shortest <= seconds <= self._longest:
            self.fail(f"{value!r} is not between {_bound(self._shortest)} and {_bound(self._longest)}.", param, ctx)
        return seconds


def _bound(seconds: float) -> str:
    """A length of time by the largest unit that it is whole in."""
    unit = next((unit for unit in ("d", "h", "m") if seconds >= UNITS[unit] and not seconds % UNITS[unit]), "s")
    return f"{seconds / UNITS[unit]:g}{unit}"


class Picture(click.ParamType):  # type: ignore[type-arg] # generic in newer versions only
    """The name of a picture, whose ending says what is drawn: .png or .svg."""

    name = "file"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:  # noqa: ANN401
        """Refuse another ending (UsageError)."""
        name = str(value)
        if not name.lower().endswith((".png", ".svg")):
            self.fail(f"{name!r} ends in neither .png nor .svg.", param, ctx)
        return name


@click.command(short_help="Log drives while a workload runs.", context_settings={"allow_interspersed_args": False})
@click.argument("command", nargs=-1, type=click.UNPROCESSED, metavar="[-- COMMAND ARGS...]")
@click.option(
    "--for",
    "lasts",
    type=Duration(SHORTEST, LONGEST_SOAK),
    metavar="TIME",
    help="End after this long: 90s, 30m, 8h, 1h30m.",
)
@click.option(
    "--every",
    type=Duration(SHORTEST, LONGEST),
    metavar="TIME",
    help=f"Time between samples: 0.5s, 10s, 1m; {EVERY:g}s by default.",
)
@click.option("--log", metavar="FILE", help="Log to FILE, which must not exist yet, instead of the usual folder.")
@click.option(
    "--view",
    type=click.Choice(["live", "lines", "none"]),
    help=(
        "What to show while it runs: a live view, a line a minute, nothing.  [default: live on a terminal "
        "without a COMMAND, else lines]"
    ),
)
@click.option(
    "--root", metavar="DIR", help=("Read the system's files below DIR, such as a host's mounted in a container.")
)
@click.option("--keep-serials", is_flag=True, help="Keep serial numbers and the host name in the log as they are.")
@click.option(
    "--limits",
    multiple=True,
    metavar="FILE",
    help="Take limits that cannot be read from drives from this capture, log or build sheet, by model and firmware. "
    "Can be repeated; your own latest logs are searched anyway.",
)
@click.option("--list", "listing", is_flag=True, help="List the logs in the usual folder.")
@click.option("--show", metavar="LOG", help="Analyse a log, finished or not: a file, a name of --list, or last.")
@click.option(
    "--export",
    nargs=2,
    type=(click.Choice(["csv", "jsonl"]), str),
    metavar="[csv|jsonl] LOG",
    help="Export all samples and events of a log for other programs.",
)
@click.option(
    "--plot", type=Picture(), metavar="FILE", help="Draw the soak to FILE (.png or .svg): at its end, or with --show."
)
@click.option("--full", is_flag=True, help="In text, show all readings, forecasts and steps too.")
@click.option("--out", metavar="FILE", help="Write the output of --export or --format json to FILE.")
@click.option("--force", is_flag=True, help="Overwrite the file of --plot or --out. A log is never overwritten.")
@click.option(
    "--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True, help="How to show it."
)
@click.pass_context
def soak(context: click.Context, /, **given: Any) -> None:  # noqa: ANN401 - the options, checked below
    """Log temperatures, rates and links of all drives while they work, and say how they did.

    Runs COMMAND, leaves its output and exit status as they are, and ends with it. Without one it watches whatever is
    running, for the time of --for or until Ctrl-C. Then it says which drives slowed down, where their temperatures
    settle under this load, and what cooling they need.

    Reading the temperature of a SATA disk may keep it from spinning down; take a longer --every than its standby time
    where that matters.

    A reading that fails meanwhile is reported with its reason, and nothing good is said without it.

    Exit status: that of COMMAND (127 if it does not exist, 126 if it cannot be run), else 0; 2 bad use or
    unreadable input; 3 nothing could be read: no list of drives, or no temperature and no counter of any of them.
    """
    import gc

    gc.enable()  # a soak may run for days
    options = _Options(given)
    options.check()
    context.exit(_dispatch(options))


class _Options:
    """What was given, by name."""

    def __init__(self, given: dict[str, Any]) -> None:
        self.command: tuple[str, ...] = given["command"]
        self.lasts: float | None = given["lasts"]
        self.every: float | None = given["every"]
        self.log: str | None = given["log"]
        self.view: str | None = given["view"]
        self.root: str | None = given["root"]
        self.keep_serials: bool = given["keep_serials"]
        self.limits: tuple[str, ...] = given["limits"]
        self.listing: bool = given["listing"]
        self.show: str | None = given["show"]
        self.export: tuple[str, str] | None = given["export"]
        self.plot: str | None = given["plot"]
        self.out: str | None = given["out"]
        self.force: bool = given["force"]
        self.full: bool = given["full"]
        self.json: bool = given["form"] == "json"

    @property
    def running(self) -> bool:
        """Whether a soak is to be run."""
        return not self.listing and self.show is None and self.export is None

    def check(self) -> None:
        """Refuse words that do not go together (UsageError), and places where nothing can be written (BadInput)."""
        if sum((self.listing, self.show is not None, self.export is not None)) > 1:
            raise click.UsageError("Give one of these at a time: --list, --show LOG, --export.")
        if not self.running:
            self._check_looking()
        elif self.command and self.lasts is not None:
            raise click.UsageError(
                "--for and a COMMAND cannot go together: a soak ends with its COMMAND. Watch a command that never "
                "ends from a second terminal, with --for alone."
            )
        if self.limits and (self.listing or self.export is not None):
            raise click.UsageError("--limits goes with a new soak, or with --show.")
        if self.plot is not None and (self.listing or self.export is not None):
            raise click.UsageError("--plot draws a soak when it ends, or an old one: --show LOG --plot FILE.")
        if self.force and self.plot is None and self.out is None:
            raise click.UsageError("--force goes with --plot or --out.")
        if self.out is not None and self.export is None and not self.json:
            raise click.UsageError("--out needs --export or --format json.")
        if self.json and self.export is not None:
            raise click.UsageError("--export gives csv or jsonl; --format json goes with --show, --list or a run.")
        if self.json and self.command and self.out is None:
            raise click.UsageError("Standard output belongs to the COMMAND: name a file for --format json with --out.")
        self._check_places()

    def _check_looking(self) -> None:
        given = {
            "a COMMAND": self.command,
            "--for": self.lasts,
            "--every": self.every,
            "--log": self.log,
            "--view": self.view,
            "--root": self.root,
            "--keep-serials": self.keep_serials,
        }
        for name, value in given.items():
            if value:
                raise click.UsageError(f"{name} goes with a new soak, not with an old log.")

    def _check_places(self) -> None:
        if self.root is not None and not os.path.isdir(self.root):
            raise click.UsageError(f"--root {self.root}: there is no such directory.")
        if self.view == "live" and not on_terminal():
            raise click.UsageError("--view live needs a terminal at standard error; use --view lines.")
        places = [place for place in (self.plot, self.out) if place is not None]
        if places:
            from probes.files import check_place

            for place in places:
                check_place(place, force=self.force)
                _check_folder(place)
        if self.plot is not None:
            from agent.report import plot

            plot.ready()


def _check_folder(place: str) -> None:
    """Refuse a file whose folder is not there or may not be written, before hours are spent on it (BadInput)."""
    from knowledge.phrasing import quoted
    from knowledge.problems import BadInput

    folder = os.path.dirname(place) or "."
    if not os.path.isdir(folder) or not os.access(folder, os.W_OK | os.X_OK):
        raise BadInput(f"the folder of {quoted(place)} cannot be written to; choose another folder or name")


def _dispatch(options: _Options) -> int:
    from agent.commands import session

    if options.listing:
        _listed(options)
        return 0
    if options.export is not None:
        _exported(options, *options.export)
        return 0
    if options.show is not None:
        path = session.found(options.show, os.environ)
        known = session.known_limits(options.limits, _around())
        _shown(options, *session.analysed(path, known=known), path)
        return 0
    return _ran(options)


# --- Looking at logs -------------------------------------------------------------------------------------------


def _listed(options: _Options) -> None:
    from agent import output
    from agent.commands import session
    from probes.soaklog import listed

    folder = session.folder(os.environ)
    found = listed(folder)
    if options.json:
        from agent.report import soak_data

        _form(options, soak_data.logs(found, folder))
    else:
        from msgspec import structs

        from agent.report import soaking

        named = [
            (path, structs.replace(head, machine=session.name_here(head.machine, sys.platform)), end, seconds)
            for path, head, end, seconds in found
        ]
        output.page(soaking.logs, named, folder)


def _exported(options: _Options, form: str, name: str) -> None:
    from agent import output
    from agent.commands import session
    from agent.soak import export
    from probes.soaklog import read

    soak = read(session.found(name, os.environ))
    rows: Iterator[str] = export.csv_rows(soak) if form == "csv" else export.jsonl_rows(soak)
    if options.out is None:
        output.rows(rows)
        return
    from probes.files import write_whole

    write_whole(options.out, b"".join(row.encode() for row in rows), force=options.force)
    _wrote("the export", options.out)


def _shown(options: _Options, soak: Soak, found: Analysis, name: str) -> None:
    """The analysis in the form that is wanted, and the picture; beside a command all but JSON goes to its stderr."""
    from agent import output

    if options.json:
        from agent.report import soak_data

        _form(options, soak_data.soak(found))
    if not options.json or options.plot is not None:
        from agent.commands.session import named_here

        found = named_here(found, sys.platform)
    if not options.json:
        from agent.report import soaking

        make = soaking.whole if options.full else soaking.analysis
        output.page(make, found, name, aside=bool(options.command))
    if options.plot is not None:
        from agent.report import plot
        from probes.files import write_whole

        os.environ.pop("MPLBACKEND", None)  # how another program shows pictures, which here no window needs
        write_whole(options.plot, plot.drawn(soak, found, options.plot.rpartition(".")[2].lower()), force=options.force)
        _wrote("the picture", options.plot)


def _form(options: _Options, data: Any) -> None:  # noqa: ANN401 - one of the JSON forms
    from agent import output

    if options.out is None:
        output.form(data)
        return
    from agent.report.data import encode
    from probes.files import write_whole

    write_whole(options.out, encode(data), force=options.force)
    _wrote("the analysis" if options.running or options.show else "the list", options.out)


def _wrote(what: str, place: str) -> None:
    from knowledge.phrasing import quoted

    click.echo(f"Wrote {what} to {quoted(place)}.", err=True)


# --- Running one -----------------------------------------------------------------------------------------------


def _ran(options: _Options) -> int:
    """Run a soak, then show what came of it; the exit status."""
    from agent.commands import session
    from agent.commands.aside import Aside
    from knowledge.problems import BadInput

    asked = session.SoakRequest(
        command=options.command,
        every=EVERY if options.every is None else options.every,
        lasts=options.lasts,
        log=options.log,
        root=options.root,
        keep_serials=options.keep_serials,
        limits=options.limits,
    )
    views: list[View] = []

    def begun(head: Head, path: str) -> View:
        views.append(_aside(options, head, path))
        return views[0]

    done = session.run(asked, _around(), begun)
    for fault in (view.fault for view in views if isinstance(view, Aside) and view.fault is not None):
        _say(f"lanewright: the view ended with an error and the soak went on ({type(fault).__name__})")
    try:
        _shown(options, *session.analysed(done.path, done.end), done.path)
    except BadInput as problem:
        if done.end.status is None:
            raise
        # The command has ended, and its status stays its own whatever became of the log.
        if done.fault is None:
            _say(f"lanewright: {problem}")
    finally:
        _told(done)
    if done.end.status is not None:
        return done.end.status
    return BadInput.exit_status if done.fault is not None else 0


def _around() -> Surroundings:
    import time

    from agent.commands.session import Surroundings
    from agent.source import Clock

    def clock() -> Clock:
        return Clock(
            now=lambda: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), running=time.monotonic, sleep=time.sleep
        )

    return Surroundings(
        platform=sys.platform, environ=os.environ, clock=clock, wall=time.time, asleep=_count_of_sleep()
    )


def _count_of_sleep() -> Callable[[], float] | None:
    """What counts the seconds that the machine was suspended. Source: clock_gettime(2), CLOCK_BOOTTIME."""
    import time

    boot = getattr(time, "CLOCK_BOOTTIME", None)  # of Linux alone
    if boot is None:
        return None
    return lambda: time.clock_gettime(boot) - time.clock_gettime(time.CLOCK_MONOTONIC)


def on_terminal() -> bool:
    """Whether standard error is a terminal on which something can be redrawn."""
    return sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") not in {"dumb", "unknown"}


def _aside(options: _Options, head: Head, path: str) -> View:
    """The view that was asked for."""
    kind = options.view or ("live" if on_terminal() and not options.command else "lines")
    if kind == "none":
        from agent.commands.session import Silent

        return Silent()
    from agent.commands.aside import Aside

    return Aside(lambda: _begun(options, head, path, live=kind == "live"))


def _begun(options: _Options, head: Head, path: str, *, live: bool) -> View:
    """Say what is logged where, and begin the view."""
    from agent.report.watching import Lines
    from agent.soak import wording
    from knowledge.phrasing import plain

    count = len(head.drives)
    drives = f"{count} drive{'' if count == 1 else 's'}" if count else "no drives (none can be seen here)"
    ends = "when the command does" if options.command else "with Ctrl-C"
    if options.lasts is not None:
        ends = f"after {wording.lasting(options.lasts)}, or {ends}"
    _say(f"Logging {drives} every {head.every:g} s to {plain(path, 300)}; the soak ends {ends}.")
    if live:
        from agent.report import live as view

        return view.on_terminal(head, options.lasts)
    return Lines(head, _say_folded)


def _told(done: SoakEnd) -> None:
    """Say at the end where the log is, how the command ended, and what went wrong."""
    import shlex

    from agent.soak import wording
    from knowledge.phrasing import plain

    if done.fault is not None:
        _say(f"lanewright: {plain(done.fault, 600)}")
    ended = "" if done.end.status is None else f"The command ended with {wording.status(done.end.status)}. "
    _say(f"{ended}The log is {plain(done.path, 300)}")
    _say(f"To see it again: lanewright soak --show {plain(shlex.quote(done.path), 400)}")


def _say_folded(words: str) -> None:
    """A line of the running soak; on a terminal it is broken between words alone, so that names stay whole."""
    if on_terminal():
        import contextlib
        from textwrap import fill

        with contextlib.suppress(OSError):
            columns = max(NARROWEST, os.get_terminal_size(sys.stderr.fileno()).columns)
            words = fill(words, columns, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
    _say(words)


def _say(words: str) -> None:
    """A line on standard error; a terminal that is gone ends no soak."""
    import contextlib

    with contextlib.suppress(OSError):
        click.echo(words, err=True)
