"""How `measure` finds the size and number of its requests: with a false clock and drives whose rates follow a formula.

The rule (less than 3 % more over two doublings is no rise) is lanewright's own.
"""

from __future__ import annotations

import errno
import io
import re
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from agent.commands.measuring import status
from agent.measure.choosing import MOST_BLOCK, MOST_BYTES
from agent.measure.judging import RISING, judge
from agent.measure.loaded import Around, MeasureProgress
from agent.measure.measured import Chosen, Measured, MeasureRequest, ReadSize, Target
from agent.measure.timing import measure
from agent.report import measure_data
from agent.report.measure_progress import ProgressView, progress_words
from agent.report.measuring import page
from probes.blocks import Failure, ReadPlan, ReadTarget
from tests.test_measure import one_drive, reached, target

if TYPE_CHECKING:
    from collections.abc import Callable


KIB: Final = 1024
MIB: Final = 1024 * KIB
SIZE: Final = 1 << 40


class Bench:
    """A clock that only waiting moves, and loads that read at the rate that a formula gives, MB/s."""

    def __init__(self, rate: Callable[[ReadSize], float], size: int = SIZE) -> None:
        """`rate` is that of one drive by the size and number of its requests."""
        self.now = 0.0
        self.rate, self.size = rate, size
        self.loads: list[StandIn] = []
        self.shown: list[MeasureProgress] = []
        self.celsius = 40.0
        self.heats = 0.0  # degrees a second of reading
        self.fails_at: float | None = None

    def wait(self, _: object, seconds: float) -> None:
        """Let time pass; some always does."""
        seconds = max(seconds, 1e-6)
        self.now += seconds
        self.celsius += self.heats * seconds
        for load in self.loads:
            load.go_on()

    def around(self) -> Around:
        """What a run is told of it."""
        return Around(
            lambda: self.now,
            temperature=lambda _: self.celsius,
            load=self.load,  # type: ignore[arg-type] # what stands in for a load has its face, and is none
            wait=self.wait,
            show=self.shown.append,
        )

    def load(self, place: ReadTarget, plan: ReadPlan) -> StandIn:
        """A load on a drive."""
        made = StandIn(self, place.path, plan)
        self.loads.append(made)
        return made


class StandIn:
    """Stands in for `ReadLoad`: what it has read follows from the time."""

    def __init__(self, bench: Bench, path: str, plan: ReadPlan) -> None:
        """Not running yet."""
        self.bench, self.path, self.plan = bench, path, plan
        self.size, self.direct = bench.size, True
        self.read_bytes = self.requests = 0
        self.failure: Failure | None = None
        self.running = False
        self.closed = False
        self._since = 0.0

    def start(self, _: object) -> None:
        """Begin."""
        assert not self.closed
        self.running, self._since = True, self.bench.now

    def go_on(self) -> None:
        """Read what the time allows."""
        if not self.running:
            return
        rate = self.bench.rate(ReadSize(self.plan.block, self.plan.depth))
        self.read_bytes = int(rate * 1e6 * (self.bench.now - self._since))
        if self.plan.max_bytes is not None and self.read_bytes >= self.plan.max_bytes:
            self.read_bytes, self.running = self.plan.max_bytes, False
        self.requests = self.read_bytes // self.plan.block
        if self.bench.fails_at is not None and self.bench.now >= self.bench.fails_at:
            self.failure, self.running = Failure(errno.errorcode[errno.ENODEV], 0, gone=True), False

    def stop(self) -> None:
        """End."""
        self.running = False

    def finish(self, _: float) -> int:
        """End; all requests come back at once."""
        self.running, self.closed = False, True
        return 0

    def close(self) -> None:
        """Close."""
        self.closed = True


def drive(name: str = "nvme0", **more: Any) -> Target:  # noqa: ANN401 - fields of the target
    """A drive to be measured."""
    return Target(name=name, place=ReadTarget(f"/dev/{name}n1", "block", "259:0"), what="drive", drive=name, **more)


def found(bench: Bench, asked: MeasureRequest | None = None, **more: Any) -> Measured:  # noqa: ANN401 - as above
    """What came of one drive."""
    (one,), _, _ = measure([drive(**more)], asked or MeasureRequest(), bench.around())
    return one


def chosen(one: Measured) -> Chosen:
    """How it was read."""
    assert one.chosen is not None
    return one.chosen


def saturating(block: int, depth: int, most: float = 3000.0) -> Callable[[ReadSize], float]:
    """A rate that is proportional to size and number up to these, and no higher."""
    return lambda pair: most * min(1.0, pair.block / block) * min(1.0, pair.depth / depth)


@pytest.mark.parametrize("depth", [4, 8, 32])
@pytest.mark.parametrize("block", [128 * KIB, 512 * KIB, 2 * MIB])
def test_growth_ends_where_the_rate_no_longer_rises(block: int, depth: int) -> None:
    """The size and number are those from which on the rate is the same, and it is measured with them."""
    bench = Bench(saturating(block, depth))
    one = found(bench)
    assert (ReadSize(block, depth), "flat", "flat", True) == (
        chosen(one).pair,
        chosen(one).block_why,
        chosen(one).depth_why,
        chosen(one).settled,
    )
    assert ReadSize(block, depth) == ReadSize(bench.loads[-1].plan.block, bench.loads[-1].plan.depth)
    assert one.spread is not None
    assert one.spread.median == pytest.approx(3000.0)


@pytest.mark.parametrize(("rise", "grows"), [(1.02, False), (1.05, True)])
def test_less_than_three_percent_is_no_rise(rise: float, *, grows: bool) -> None:
    """A rate that rises by 2 % over two doublings does not make requests grow; one that rises by 5 % does."""
    first = 128 * KIB
    one = found(Bench(lambda pair: 3000.0 if pair.block == first else 3000.0 * rise))
    assert grows == (chosen(one).pair.block > first)


def test_one_doubling_that_gains_nothing_is_not_the_end() -> None:
    """A rate that rises with the second doubling only is found."""
    rates = {128 * KIB: 1000.0, 256 * KIB: 1000.0, 512 * KIB: 2000.0}
    assert 512 * KIB == chosen(found(Bench(lambda pair: rates.get(pair.block, 2000.0)))).pair.block


def test_a_rate_that_falls_keeps_the_first() -> None:
    """Where larger requests, or more of them, are slower, the first are kept."""
    one = found(Bench(lambda pair: 3e9 / pair.in_flight))
    assert (ReadSize(128 * KIB, 4), True) == (chosen(one).pair, chosen(one).settled)


def test_a_rate_that_never_ends_to_rise_is_bounded() -> None:
    """A rate that always rises ends the search at the bounds of memory or time, and says that it may still rise."""
    one = found(Bench(lambda pair: pair.in_flight / 1e3))
    assert not chosen(one).settled
    assert {chosen(one).block_why, chosen(one).depth_why} <= {"most", "time"}
    assert max(made.mbps for made in chosen(one).tries) == pytest.approx(chosen(one).pair.in_flight / 1e3, rel=1e-3)
    assert chosen(one).pair.in_flight <= MOST_BYTES
    assert chosen(one).pair.block <= MOST_BLOCK


def test_a_slow_drive_is_not_asked_for_more_than_it_can_bring() -> None:
    """A drive of 5 MB/s is not given requests that take longer to come than a try lasts, and its rate is its own."""
    bench = Bench(lambda _: 5.0)
    one = found(bench)
    assert chosen(one).settled
    assert max(load.plan.block * load.plan.depth for load in bench.loads) <= 5e6 * 0.25


@given(
    seconds=st.floats(0.2, 100.0),
    limit=st.none() | st.integers(4096, 10**11),
    rate=st.floats(0.1, 20_000.0),
    depth=st.sampled_from([4, 16, 64]),
)
def test_limits_hold_in_sum(seconds: float, limit: int | None, rate: float, depth: int) -> None:
    """Tries and measurement together take no more time and no more bytes than were asked for."""
    bench = Bench(saturating(MIB, depth, rate))
    asked = MeasureRequest(seconds=seconds, max_bytes=limit)
    one = found(bench, asked)
    assert bench.now <= seconds + 1e-3
    assert one.read_bytes == sum(load.read_bytes for load in bench.loads)
    assert one.read_bytes >= sum(made.read_bytes for made in chosen(one).tries)
    assert limit is None or one.read_bytes <= limit


def test_tries_go_on_where_the_last_one_ended() -> None:
    """No try reads again what one before it read, which a drive may have kept; the measurement neither."""
    bench = Bench(saturating(512 * KIB, 8))
    found(bench)
    assert len(bench.loads) > 4
    read = 0
    for load in bench.loads:
        assert read - 4096 < load.plan.begin <= read
        read += load.read_bytes


def test_small_random_requests_grow_in_number_alone() -> None:
    """Random reads stay as small as every drive takes them; only how many are in flight is found."""
    one = found(Bench(saturating(4096, 32, 1000.0)), MeasureRequest(pattern="random"))
    assert (ReadSize(4096, 32), "smallest", "flat") == (chosen(one).pair, chosen(one).block_why, chosen(one).depth_why)


@pytest.mark.parametrize(
    ("set_by_hand", "expected"),
    [
        ({"block": 256 * KIB}, ReadSize(256 * KIB, 8)),
        ({"depth": 2}, ReadSize(512 * KIB, 2)),
        ({"block": MIB, "depth": 3}, ReadSize(MIB, 3)),
    ],
)
def test_what_is_set_by_hand_stays(set_by_hand: dict[str, int], expected: ReadSize) -> None:
    """A size or number that the user set is read with; only the other is found, and nothing where both are set."""
    one = found(Bench(saturating(512 * KIB, 8)), MeasureRequest(**set_by_hand))  # type: ignore[arg-type] # two of its numbers
    assert expected == chosen(one).pair
    assert ("block" in set_by_hand) == (chosen(one).block_why == "set")
    assert ("depth" in set_by_hand) == (chosen(one).depth_why == "set")
    assert (len(set_by_hand) == 2) == (chosen(one).tries == ())


def test_where_nothing_is_to_be_found_one_load_reads_all() -> None:
    """With size and number set, or one of them where reads are small, all bytes and all time go to one load."""
    for asked in (
        MeasureRequest(block=MIB, depth=2, max_bytes=64 * MIB),
        MeasureRequest(pattern="random", depth=2, max_bytes=64 * MIB),
    ):
        bench = Bench(lambda _: 100.0)
        one = found(bench, asked)
        assert ([64 * MIB], 64 * MIB, "bytes") == (
            [load.plan.max_bytes for load in bench.loads],
            one.read_bytes,
            one.ended,
        )
        assert chosen(one).tries == ()


def test_a_drive_that_goes_away_in_a_try_is_told() -> None:
    """A drive that fails in the middle of the tries ends its run; the next one is found and measured."""
    bench = Bench(saturating(512 * KIB, 8))
    bench.fails_at = 0.6
    asked = MeasureRequest()

    def healed(doing: MeasureProgress) -> None:
        if doing.number == 2:
            bench.fails_at = None

    bench.shown = type("Shown", (list,), {"append": lambda _, doing: healed(doing)})()
    measured, _, _ = measure([drive(), drive("nvme1")], asked, bench.around())
    assert ["gone", "time"] == [one.ended for one in measured]
    assert measured[0].read_bytes > 0
    assert measured[0].spread is None
    assert "failed" in {chosen(measured[0]).block_why, chosen(measured[0]).depth_why}
    assert chosen(measured[1]).settled
    audit = one_drive()
    said = judge(audit, measured, asked, ())
    assert 1 == status(said)
    assert "went away" in page((said, audit), 80, "this machine").lines[0].plain


def test_heat_ends_the_tries_too() -> None:
    """A drive that comes close to its warning limit during the tries is left alone."""
    bench = Bench(saturating(MIB, 8))
    bench.heats = 20.0
    one = found(bench, warning_celsius=70.0)
    assert "hot" == one.ended
    assert bench.now < 3.0
    assert all(load.closed for load in bench.loads)


def test_drives_at_once_are_tried_at_once() -> None:
    """Together, one size and number are found for all by the sum of their rates, within the memory for all."""
    bench = Bench(saturating(512 * KIB, 16))
    asked = MeasureRequest(together=True)
    measured, sums, _ = measure([drive("nvme0"), drive("nvme1"), drive("nvme2")], asked, bench.around())
    assert [ReadSize(512 * KIB, 16)] * 3 == [chosen(one).pair for one in measured]
    assert sums == pytest.approx([9000.0] * len(sums))
    assert len(sums) > 4
    assert max(made.mbps for made in chosen(measured[0]).tries) == pytest.approx(9000.0)


def test_too_little_for_tries_has_none() -> None:
    """A run without the time or the bytes for tries begins at once with the first size, and says why."""
    for asked, why in ((MeasureRequest(seconds=0.3), "time"), (MeasureRequest(max_bytes=2 * MIB), "bytes")):
        one = found(Bench(saturating(MIB, 8)), asked)
        assert ((), why, ReadSize(128 * KIB, 4)) == (chosen(one).tries, chosen(one).depth_why, chosen(one).pair)


def test_requests_are_no_larger_than_the_file() -> None:
    """A small file is not asked for more than it holds."""
    bench = Bench(lambda pair: float(pair.in_flight), size=300 * KIB)
    found(bench)
    assert 256 * KIB == max(load.plan.block for load in bench.loads)


def test_a_rate_that_may_still_rise_is_not_called_short() -> None:
    """A rate below its range has no verdict while it may still rise, and one within it delivers all the same."""
    audit = one_drive()
    assert audit.drives[0].alone is not None
    low = audit.drives[0].alone[0]
    for why, part, verdict in (("time", 0.5, "none"), ("flat", 0.5, "short"), ("most", 1.0, "delivers")):
        aim = reached(target(audit), low * part, chosen=Chosen(ReadSize(MIB, 4), "flat", why))  # type: ignore[arg-type] # one of the reasons
        said = judge(audit, [aim], MeasureRequest(), ()).deliveries[0]
        assert (verdict, verdict == "none") == (said.verdict, said.why == RISING)


def test_what_was_chosen_is_in_every_form() -> None:
    """Text and JSON tell the size, the number, how many tries there were and what each gave."""
    audit, bench = one_drive(), Bench(saturating(512 * KIB, 8))
    one = found(bench)
    said = judge(audit, [one], MeasureRequest(), ())
    (sent,) = measure_data.form(said, audit).measured
    assert sent.chosen is not None
    assert (512 * KIB, 8, "flat", "flat", True) == (
        sent.chosen.block_bytes,
        sent.chosen.depth,
        sent.chosen.block_why,
        sent.chosen.depth_why,
        sent.chosen.settled,
    )
    assert [(made.pair.block, made.pair.depth) for made in chosen(one).tries] == [
        (made.block_bytes, made.depth) for made in sent.chosen.tries
    ]
    text = " ".join(" ".join(line.plain.split()) for line in page((said, audit), 80, "this machine").lines)
    assert f"requests of 512 KiB, 8 in flight, found in {len(sent.chosen.tries)} tries" in text


def drawn(view: ProgressView, *doings: MeasureProgress) -> None:
    """Draw these, one after another."""
    with view.shown():
        for doing in doings:
            view.show(doing)


def test_progress_is_drawn_harmlessly() -> None:
    """On a terminal the line has the drive and what is tried, in no colour that is lost, whatever the name."""
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, color_system="standard", width=100, markup=False)
    drawn(ProgressView(console), MeasureProgress(("[red]reel\x07",), 2, 3, 0.5, ReadSize(512 * KIB, 8)))
    said = re.sub(r"\x1b\[[\d;?]*[a-zA-Z]", "", out.getvalue())
    assert "Drive 2 of 3: [red]reel\\x07, trying 512 KiB, 8 in flight" in said
    codes = {code for run in re.findall(r"\x1b\[([\d;]*)m", out.getvalue()) for code in run.split(";")}
    assert set() == codes & {"33", "36", "37", *(str(code) for code in range(90, 98))}


def test_a_terminal_that_is_gone_ends_no_measurement() -> None:
    """Where nothing can be drawn any more, nothing is raised."""

    class Gone(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(errno.EIO, "gone")

    console = Console(file=Gone(), force_terminal=True, width=70)
    drawn(ProgressView(console), MeasureProgress(("nvme0",), 1, 1, 0.5), MeasureProgress(("nvme0",), 1, 1, 1.0))


def test_progress_tells_which_drive_and_what_is_tried() -> None:
    """Each try and each interval is told, with the number of the drive, and never more than all of the time."""
    bench = Bench(saturating(512 * KIB, 8))
    measure([drive("nvme0"), drive("nvme1")], MeasureRequest(), bench.around())
    assert [1, 2] == sorted({doing.number for doing in bench.shown})
    assert {2} == {doing.of for doing in bench.shown}
    assert all(0.0 <= doing.part <= 1.0 for doing in bench.shown)
    assert {("nvme0",), ("nvme1",)} == {doing.names for doing in bench.shown}
    tried = next(doing for doing in bench.shown if doing.trying is not None)
    assert ["Drive 1 of 2: nvme0", "128 KiB"] == [
        part for part in ("Drive 1 of 2: nvme0", "128 KiB") if part in progress_words(tried)
    ]
    assert "\x1b" not in progress_words(MeasureProgress(("reel\x1b[31m",), 1, 1, 0.5))
