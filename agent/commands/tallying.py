"""The command `tally`: options, progress, which form is shown. Reads no capture itself."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

import click
from msgspec import Struct

from agent import output
from agent.tally.table import SORTS

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.source import Clock
    from agent.tally.running import TallyRun
    from agent.tally.table import Sort, Table
    from probes.folders import Refused

MOST_JOBS: Final = 256
EVERY: Final = 0.2  # seconds between two lines of progress
FORMS: Final = ("text", "json", "csv", "markdown")
FEW: Final = 2  # names of files that are no captures
UNUSABLE: Final = 2  # exit status where a file could not be used


def tallying(clock: Callable[[], Clock], platform: str, *, terminal: bool) -> click.Command:
    """The command; `clock` makes the time, `platform` is the one of this machine.

    `terminal` tells that standard error is a terminal that can go back to the start of a line.
    """

    @click.command(short_help="Count over many captures.")
    @click.argument("names", metavar="CAPTURE...", nargs=-1, required=True)
    @click.option(
        "--jobs",
        type=click.IntRange(1, MOST_JOBS),
        metavar="N",
        help=("Read in N processes; one per processor by default."),
    )
    @click.option(
        "--sort", type=click.Choice(SORTS), default="worst", show_default=True, help="Which lines come first."
    )
    @click.option(
        "--only",
        metavar="WORDS",
        help=("Show only cards of VENDOR:DEVICE, or cards and machines whose names have WORDS."),
    )
    @click.option(
        "--least",
        type=click.IntRange(1),
        default=1,
        metavar="N",
        help="Show only lines that rest on N machines or more.",
    )
    @click.option("--confirmed", is_flag=True, help="Show only lines in which every link is at its best.")
    @click.option("--strict", is_flag=True, help="Exit with 2 if any file was skipped.")
    @click.option(
        "--format", "form", type=click.Choice(FORMS), default="text", show_default=True, help="How to show it."
    )
    @click.pass_context
    def tally(  # noqa: PLR0913 - one for each option
        context: click.Context,
        *,
        names: tuple[str, ...],
        jobs: int | None,
        sort: Sort,
        only: str | None,
        least: int,
        confirmed: bool,
        strict: bool,
        form: str,
    ) -> None:
        """Count over many captures how each card runs in each machine: what works, and what does not.

        CAPTURE is a capture, or a folder to search for *.json and *.json.gz; - reads names from standard input,
        one a line or ended by NUL. Each row says in how many machines it was seen. Damaged captures are named on
        standard error and skipped; so is other JSON in a folder, in one line.

        Exit status: 0 a capture could be read; 2 bad use, none could be read, or with --strict one could not.
        """
        from agent.tally.table import Choice, table

        asked = _asked(names)
        progress = Progress(len(asked.files), clock(), terminal=terminal)
        done = _read(asked, jobs or usable(), progress, platform)
        found = table(done, Choice(sort, only, least, confirmed))
        _complain(found)
        some = found.counts.captures > 0
        if some or form == "json":
            _show(found, form)
        context.exit(UNUSABLE if not some or (strict and found.passed_over) else 0)

    return tally


def usable() -> int:
    """How many processors this process may use."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(MOST_JOBS, count)


class Asked(Struct, frozen=True):
    """The files that names lead to, what leads to none, and the names themselves."""

    files: list[str]
    refused: list[Refused]
    names: frozenset[str]


def _asked(names: tuple[str, ...]) -> Asked:
    """What the names lead to."""
    from probes.folders import captures, listed

    if names.count("-") > 1:
        raise click.UsageError("Give - only once: standard input can be read only once.")
    told = [found for name in names for found in (listed() if name == "-" else (name,))]
    return Asked(*captures(told), frozenset(told))


def _read(asked: Asked, jobs: int, progress: Progress, platform: str) -> TallyRun:
    """Read the files, and say how far that is."""
    from agent.interrupt import raised
    from agent.tally.running import run

    with raised():
        try:
            return run(asked.files, jobs, progress.told, host=platform, refused=asked.refused, named=asked.names)
        finally:
            progress.end()


def _complain(found: Table) -> None:
    """Name the first files that were passed over on standard error, and how many there are in all.

    JSON of another form is in its place beside captures in a folder: it is one line.
    """
    from knowledge.phrasing import listed, plain, printable

    if not found.passed_over:
        if not found.counts.captures:
            click.echo("lanewright: no file was named, so there is nothing to count", err=True)
        return
    if found.other:
        named = [printable(name) for name, _ in found.others[:FEW]]
        rest = found.other - len(named)
        are = "file is not a capture" if found.other == 1 else "files are not captures"
        click.echo(
            f"lanewright: {found.other:,} {are}: {listed([*named, *([f'{rest:,} more'] if rest else [])])}", err=True
        )
    if not found.refused:
        return
    for _, why in found.refused:
        click.echo(f"lanewright: passed over: {plain(why, 600)}", err=True)
    rest = found.passed_over - found.other - len(found.refused)
    total = found.passed_over + found.counts.captures
    if total == 1:  # it is named above
        return
    more = f"; the first {len(found.refused)} are named above" if rest else ""
    click.echo(f"lanewright: {found.passed_over:,} of {total:,} names gave no capture{more}", err=True)


def _show(found: Table, form: str) -> None:
    if form == "json":
        from agent.report import tally_data

        output.form(tally_data.form(found))
    elif form == "csv":
        from agent.report import tally_csv

        output.rows(tally_csv.rows(found))
    elif form == "markdown":
        from agent.report import tally_markdown

        output.whole(tally_markdown.page(found).encode())
    else:
        from agent.report import tally_text

        output.page(tally_text.page, found, "")


class Progress:
    """A line on a terminal that says how many files are done, how fast, and how long the rest takes."""

    def __init__(self, total: int, clock: Clock, *, terminal: bool) -> None:
        """Nothing is said yet; and nothing ever where standard error is no terminal."""
        self._total = total
        self._clock = clock
        self._terminal = terminal
        self._start = clock.running()
        self._said = self._start
        self._length = 0

    def told(self, done: int) -> None:
        """So many files are done."""
        if not self._terminal:
            return
        now = self._clock.running()
        if now - self._said < EVERY:
            return
        self._said = now
        self._write(words(done, self._total, now - self._start))

    def end(self) -> None:
        """Clear the line away."""
        if self._length:
            self._write("")
            click.echo("\r", nl=False, err=True)

    def _write(self, text: str) -> None:
        import contextlib

        with contextlib.suppress(OSError):
            click.echo(f"\r{text.ljust(self._length)}", nl=False, err=True)
        self._length = max(self._length, len(text))


def words(done: int, total: int, seconds: float) -> str:
    """Progress in words: "4,000 of 10,000 files read, 310 a second, 19 s to go"."""
    rate = done / seconds if seconds > 0 else 0.0
    text = f"{done:,} of {total:,} files read"
    if rate <= 0:
        return text
    rest = round((total - done) / rate)
    togo = f"{rest // 60} min {rest % 60} s" if rest >= 60 else f"{rest} s"  # noqa: PLR2004 - a minute
    return f"{text}, {rate:,.0f} a second, {togo} to go"
