"""The command `measure`: options, what a run is told by its surroundings, which form is shown. Reads no data itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import click

from agent import interrupt, output
from agent.commands.reach import check_followed, unlisted
from agent.commands.soak import Duration, on_terminal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from agent.audit import Audit
    from agent.measure.loaded import Around, MeasureProgress
    from agent.measure.measured import Measurement, MeasureRequest
    from agent.source import Clock, Source
    from probes.reads import Reads
    from probes.unread import Unread

LONGEST: Final = 3600.0
SHORTEST: Final = 0.2
UNITS: Final = {"": 1, "k": 1024, "m": 1024**2, "g": 1024**3, "t": 1024**4}
MOST_DIGITS: Final = 15


class Bytes(click.ParamType):  # type: ignore[type-arg] # generic in newer versions only
    """A number of bytes: "4096", "64K", "2G" (1,024s), "2GB" (1,000s)."""

    name = "bytes"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401 - as click has it
        """Refuse what is no number of bytes (UsageError)."""
        if isinstance(value, int):
            return value
        words = str(value).strip().lower()
        digits = words.rstrip("kmgtib")
        unit = words[len(digits) :]
        known = UNITS.get(unit.removesuffix("ib") if len(unit) == 3 else unit)  # noqa: PLR2004 - "kib"
        if unit == "b":
            known = 1
        elif known is None and unit.endswith("b") and unit[:-1] in UNITS:
            known = 1000 ** list(UNITS).index(unit[:-1])
        if known is None or not (digits.isascii() and digits.isdigit()) or not 0 < len(digits) <= MOST_DIGITS:
            self.fail(f"{value!r} is not a number of bytes, such as 4096, 64K, 1M or 2G.", param, ctx)
        return int(digits) * known


def measuring(source: Callable[[str | None, str | None], Source], clock: Callable[[], Clock]) -> click.Command:
    """The command; `source` makes the source of readings, `clock` the time."""

    @click.command(short_help="Measure drives by reading from them.")
    @click.argument("targets", metavar="DRIVE...", nargs=-1, required=True)
    @click.option(
        "--together", is_flag=True, help="Read from all at once, and judge the sum by the links that they share."
    )
    @click.option("--random", is_flag=True, help="Read 4 KiB at random places instead of large pieces in sequence.")
    @click.option(
        "--for",
        "seconds",
        type=Duration(SHORTEST, LONGEST),
        default="10s",
        show_default=True,
        metavar="TIME",
        help="Read from each for this long, tries included.",
    )
    @click.option(
        "--max-bytes",
        type=Bytes(),
        metavar="SIZE",
        help="Read at most this much from each, tries included, such as 2G.",
    )
    @click.option("--block", type=Bytes(), metavar="SIZE", help="Bytes of one request; found by trying unless given.")
    @click.option("--depth", type=click.IntRange(1, 256), help="Requests in flight; found by trying unless given.")
    @click.option("--hot", is_flag=True, help="Measure a drive even if it is close to its warning limit.")
    @click.option(
        "--format",
        "form",
        type=click.Choice(["text", "json"]),
        default="text",
        show_default=True,
        help="How to show it.",
    )
    @click.pass_context
    def measure(  # noqa: PLR0913 - one for each option
        context: click.Context,
        *,
        targets: tuple[str, ...],
        together: bool,
        random: bool,
        seconds: float,
        max_bytes: int | None,
        block: int | None,
        depth: int | None,
        hot: bool,
        form: str,
    ) -> None:
        """Measure what drives deliver by reading from them; nothing is ever written.

        DRIVE is a drive as in check (nvme0, sda), a block device (nvme0n1, /dev/md0) or an ordinary file. Requests
        grow in size and number until the rate no longer rises. Rates are shown as median and spread, beside the range
        that the links on the way should carry.

        Exit status: 0 every drive delivers, or there is nothing to compare it with; 1 one is slower than predicted, was
        not measured to the end, or could not be judged because a reading failed; 2 bad use or missing permission; 3
        nothing could be read, or not the list that DRIVE should be on; 130 stopped by you.
        """
        from agent.measure import measured

        asked = measured.MeasureRequest(
            seconds=seconds,
            max_bytes=max_bytes,
            block=block,
            depth=depth,
            pattern="random" if random else "sequential",
            together=together,
            hot=hot,
        )
        _check(asked, len(targets) if together else 1)
        found, audit = _shown(targets, asked, source(None, None), clock())
        if form == "json":
            from agent.report import measure_data

            output.form(measure_data.form(found, audit))
        else:
            from agent.report import measuring as report

            output.page(report.page, (found, audit), "this machine")
        context.exit(status(found))

    return measure


def _check(asked: MeasureRequest, at_once: int) -> None:
    """Refuse requests that no drive takes, or that would take too much memory (UsageError)."""
    from agent.measure.choosing import first
    from probes.blocks import ALIGNED, MOST_MEMORY

    if asked.block is not None and (asked.block % ALIGNED or not asked.block):
        raise click.UsageError(f"--block {asked.block}: give a multiple of {ALIGNED:,} bytes, which suits every drive.")
    if asked.max_bytes is not None and asked.max_bytes < ALIGNED:
        raise click.UsageError(f"--max-bytes {asked.max_bytes}: give {ALIGNED:,} bytes or more.")
    if first(asked, at_once).in_flight * at_once > MOST_MEMORY:
        raise click.UsageError("--block times --depth takes more than 1 GiB of memory; make one of them smaller.")


def _shown(names: Sequence[str], asked: MeasureRequest, source: Source, clock: Clock) -> tuple[Measurement, Audit]:
    """Run it; where standard error is a terminal, how far it is is shown there."""
    if not on_terminal():
        return run(names, asked, source, clock)
    from agent.report import measure_progress

    with measure_progress.on_terminal().shown() as view:
        return run(names, asked, source, clock, view.show)


def run(
    names: Sequence[str],
    asked: MeasureRequest,
    source: Source,
    clock: Clock,
    show: Callable[[MeasureProgress], None] = lambda _: None,
) -> tuple[Measurement, Audit]:
    """Audit this machine, measure, and hold one against the other."""
    from msgspec.structs import replace

    from agent.audit import audit
    from agent.measure.judging import judge
    from agent.measure.targets import targets
    from agent.measure.timing import measure
    from probes.reads import Live

    check_followed("measure", source.platform)
    found = audit(source.facts(0.0))
    reads = Live(None, source.platform)
    chosen = targets(names, found, reads, unlisted(found.facts))
    seeded = replace(asked, seed=int(clock.running() * 1e9))
    measured, sums, interrupted = measure(chosen, seeded, surroundings(reads, found, clock.running, show))
    return judge(found, measured, seeded, sums, interrupted=interrupted), found


def surroundings(
    reads: Reads, found: Audit, running: Callable[[], float], show: Callable[[MeasureProgress], None] = lambda _: None
) -> Around:
    """What a run is told of the machine behind `reads`; `running` counts seconds, `show` is told what is done."""
    from agent.measure.loaded import Around
    from probes import platform

    return Around(
        running,
        _temperature(reads),
        lambda keys: _links(keys, found, reads),
        platform(reads.platform).watch().traffic(reads, found.facts.drives),
        show=show,
    )


def _temperature(reads: Reads) -> Callable[[str], float | Unread | None]:
    """What tells the temperature of a drive by its name; its first sensor is that of the drive as a whole."""
    from probes import platform

    watch = platform(reads.platform).watch()
    found = watch.temperatures(reads)

    def celsius(drive: str) -> float | Unread | None:
        named = found.drives.get(drive, ())
        return watch.celsius(reads, named[0].path) if named else found.why(drive)

    return celsius


def _links(keys: Sequence[str], found: Audit, reads: Reads) -> Mapping[str, tuple[int, int] | Unread]:
    """Generation and lanes of links by their keys, as they are now."""
    from probes import platform

    watch = platform(reads.platform).watch()
    links = {}
    for key in keys:
        judged = found.by_key.get(key)
        if judged is None or judged.device_address is None:
            continue
        now = watch.link(reads, judged.device_address, known=judged.now is not None).now()
        if now is not None:
            links[key] = now
    return links


def status(found: Measurement) -> int:
    """The exit status of a measurement."""
    if found.interrupted:
        return interrupt.STATUS
    whole = all(measured.ended in {"time", "bytes"} for measured in found.measured)
    total = found.sum_delivery
    short = any(delivery.verdict == "short" for delivery in found.deliveries) or (
        total is not None and total.verdict == "short"
    )
    deliveries = (*found.deliveries, *(() if total is None else (total,)))
    lost = any(delivery.unread for delivery in deliveries)
    return 0 if whole and not short and not lost else 1
