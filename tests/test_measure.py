"""Measuring as its users run it, and what a measurement says beside the prediction."""

from __future__ import annotations

import os
import shutil
import signal
import statistics
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import numpy as np
import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.audit import audit
from agent.measure.judging import HIGHER, OWN_LIMIT, TOO_LITTLE, judge
from agent.measure.loaded import Around
from agent.measure.measured import Measured, MeasureRequest, Spread, Target
from agent.measure.targets import FILE, targets
from agent.measure.timing import measure, spread_of
from agent.model.throughput import expected_mbps
from agent.report import measure_data, schemas
from agent.report.measuring import page
from knowledge.problems import BadInput
from probes import collect
from probes.blocks import ReadLoad, ReadTarget, place
from probes.capture import load_file, recorded
from probes.reads import Live
from tests.build import Machine, build, downstream_port, drive, facts, root_port, switch
from tests.json_schema import problems
from tests.machines import FIXTURES, MACHINES
from tests.test_blocks import MIB, ODD, file_of, loop_device
from tests.test_cli import HERE, PATIENCE, environment, not_named, one_line, run
from tests.test_quiet import calls, offences

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.audit import Audit
    from agent.measure.measured import Measurement
    from probes.blocks import ReadPlan

GEN3: Final = (3, 4)
LINK: Final = "0000:00:01.0"
ORDINARY: Final = "setpriv --reuid 65534 --regid 65534 --clear-groups --inh-caps=-all"


# --- Spread ----------------------------------------------------------------------------------------------------


@given(rates=st.lists(st.floats(0.0, 1e6), min_size=4, max_size=60))
def test_the_spread_is_that_of_numpy(rates: list[float]) -> None:
    """Median, quartiles and tenths are those that NumPy gives by its default method."""
    found = spread_of(rates)
    assert found is not None
    expected = np.percentile(rates, [50, 25, 75, 10, 90, 0, 100])
    told = [found.median, *found.quartiles, *found.tenths, *found.ends]
    assert list(expected) == pytest.approx(told, rel=1e-9, abs=1e-9)
    assert len(rates) == found.intervals


def test_few_intervals_have_no_spread() -> None:
    """Of fewer than four intervals no spread is told."""
    assert spread_of([1.0, 2.0, 3.0]) is None


# --- Beside the prediction -------------------------------------------------------------------------------------


def machine(name: str) -> Audit:
    """One of the machines of `fixtures/`."""
    capture = load_file(str(FIXTURES / name / "capture.json"))
    first, looks = recorded(capture)
    return audit(collect(first, looks, capture.taken_at))


def one_drive(now: tuple[int, int] = GEN3, can: tuple[int, int] = GEN3, **more: Any) -> Audit:  # noqa: ANN401 - parts of the description
    """A machine with one drive below a port."""
    port = root_port("01.0", can, [drive(can, **more)], now=now)
    return audit(facts(build(Machine(name="bench-1", buses={"0000:00": [port]}))))


def two_drives() -> Audit:
    """Two drives behind one uplink that carries no more than one of them."""
    card = switch(GEN3, [downstream_port(GEN3, [drive(GEN3)]), downstream_port(GEN3, [drive(GEN3)])])
    return audit(facts(build(Machine(name="bench-1", buses={"0000:00": [root_port("01.0", GEN3, [card])]}))))


def target(found: Audit, number: int = 0) -> Target:
    """A drive of a machine as what is measured."""
    seen = found.drives[number]
    return Target(
        name=seen.drive.name,
        place=ReadTarget(f"/dev/{seen.drive.name}n1", "block", f"259:{number}"),
        what="drive",
        drive=seen.drive.name,
        whole=f"{seen.drive.name}n1",
        hops=seen.path,
        warning_celsius=70.0,
    )


def reached(aim: Target, median: float, **more: Any) -> Measured:  # noqa: ANN401 - fields of the result
    """A measurement with this median."""
    spread = Spread(median, (median, median), (median, median), (median, median), 39)
    return Measured(
        target=aim,
        size_bytes=10**12,
        direct=True,
        read_bytes=10**10,
        requests=9537,
        seconds=10.0,
        spread=spread,
        **more,
    )


def alone(found: Audit, median: float, asked: MeasureRequest | None = None, **more: Any) -> Any:  # noqa: ANN401 - as above
    """What is said of one drive that reached this median."""
    return judge(found, [reached(target(found), median, **more)], asked or MeasureRequest(), ()).deliveries[0]


def test_the_range_is_that_of_the_one_model() -> None:
    """What is expected of a drive is what the throughput model expects of its link."""
    found = one_drive()
    expected = found.drives[0].alone
    assert expected is not None
    assert expected == alone(found, 3200.0).expected
    # Rule of thumb: about 3,000 MB/s of x4 at 8 GT/s (common practice); never above the line rate of 3,938 MB/s.
    assert 2900 < expected[0] < 3050
    assert expected[1] < 3938.5


@pytest.mark.parametrize(
    ("part", "verdict", "percent"),
    [(1.0, "delivers", None), (1.2, "delivers", None), (0.9, "short", 10), (0.5, "short", 50)],
)
def test_a_median_within_the_range_delivers(part: float, verdict: str, percent: int | None) -> None:
    """A median at the low end or above delivers; one below it is short by what it lacks to the low end."""
    found = one_drive()
    assert found.drives[0].alone is not None
    said = alone(found, found.drives[0].alone[0] * part)
    assert (verdict, percent) == (said.verdict, said.short_percent)


def test_a_shortfall_that_nothing_explains_says_so() -> None:
    """With a healthy link, no heat and no other load, the drive itself may be slow."""
    assert (OWN_LIMIT,) == alone(one_drive(), 1000.0).reasons


def test_a_finding_explains_what_holds_the_range_down() -> None:
    """A drive that fills a link with too few lanes delivers, and the finding is named that holds its range down."""
    said = alone(one_drive(now=(3, 1)), 800.0)
    assert "delivers" == said.verdict
    assert ("link-narrow",) == said.rules
    assert "link-narrow" in said.reasons[0]


def test_a_finding_explains_a_shortfall() -> None:
    """A drive short of the range names what the audit found on its way."""
    said = alone(one_drive(now=(3, 1)), 300.0)
    assert ("short", ("link-narrow",)) == (said.verdict, said.rules)


def test_heat_explains_a_shortfall() -> None:
    """A drive that came to its warning limit slows itself down."""
    said = alone(one_drive(), 1000.0, celsius=(50.0, 70.0))
    (reason,) = said.reasons
    assert "70.0 C" in reason


def test_load_of_others_explains_a_shortfall() -> None:
    """What others read and write meanwhile is named, on the drive itself and behind a link that it shares."""
    said = alone(two_drives(), 1000.0, others_mbps={"nvme0n1": (500.0, 0.0), "nvme1n1": (0.0, 900.0)})
    assert ["500 MB/s read", "900 MB/s written"] == [
        next(words for words in ("500 MB/s read", "900 MB/s written") if words in reason) for reason in said.reasons
    ]
    assert "which shares a link" in said.reasons[1]


def test_the_range_is_that_of_the_link_under_load() -> None:
    """A link that rested when it was looked at is held against the rate at which it ran under load."""
    found = one_drive(now=(1, 4), can=GEN3)
    key = found.drives[0].path[0]
    said = alone(found, 3000.0, links={key: GEN3})
    assert expected_mbps(3, 4, found.drives[0].payload_bytes) == said.expected
    assert "under load" in said.reasons[0]
    assert HIGHER in alone(found, 3000.0).reasons


def test_small_random_and_short_reads_have_no_verdict() -> None:
    """The range is for large reads in sequence, several at once, for long enough."""
    found = one_drive()
    for asked in (MeasureRequest(pattern="random"), MeasureRequest(block=4096), MeasureRequest(depth=1)):
        assert "none" == alone(found, 10.0, asked).verdict
    brief = Measured(target=target(found), requests=5, read_bytes=5 * MIB)
    assert TOO_LITTLE == judge(found, [brief], MeasureRequest(), ()).deliveries[0].why


def together(first: float, second: float) -> Measurement:
    """Two drives behind one uplink, read at once."""
    found = two_drives()
    measured = [reached(target(found, 0), first), reached(target(found, 1), second)]
    return judge(found, measured, MeasureRequest(together=True), [first + second] * 20)


def test_the_sum_is_held_against_the_hop_that_is_shared() -> None:
    """What drives give at once is held against the uplink, of which each should have half."""
    said = together(1600.0, 1600.0)
    uplink = next(one for one in said.shared if one.key == LINK)
    assert 3200.0 == uplink.mbps
    assert said.sum_delivery is not None
    assert ("delivers", LINK) == (said.sum_delivery.verdict, said.sum_delivery.narrowest)
    assert said.sum_delivery.expected == pytest.approx(uplink.expected)
    assert expected_mbps(3, 4, two_drives().drives[0].payload_bytes) == pytest.approx(uplink.expected)
    assert ["delivers", "delivers"] == [one.verdict for one in said.deliveries]


def test_a_sum_below_the_hop_is_short() -> None:
    """Drives that give less at once than the uplink carries are short, and so is their sum."""
    said = together(1000.0, 500.0)
    assert said.sum_delivery is not None
    low = said.shared[0].expected[0]
    assert ("short", round((low - 1500) / low * 100)) == (said.sum_delivery.verdict, said.sum_delivery.short_percent)


def test_a_set_is_held_against_what_its_members_give() -> None:
    """A stripe set is measured as one, beside the range that the audit tells for it."""
    found = machine("bench-1-stripe-set")
    seen = next(one for one in found.stripes if one.alone is not None)
    aim = Target(name="md0", place=ReadTarget("/dev/md0", "block", "9:0"), what="set", whole=seen.stripe.name)
    assert seen.alone is not None
    said = judge(found, [reached(aim, seen.alone[0] / 2)], MeasureRequest(), ()).deliveries[0]
    assert (seen.alone, "short", 50) == (said.expected, said.verdict, said.short_percent)


def test_a_set_that_is_not_in_the_model_says_why() -> None:
    """A set of which no rate can be told has no verdict, for the audit's own reason."""
    found = machine("bench-2-other-sets")
    seen = next(one for one in found.stripes if one.why)
    aim = Target(name="md9", place=ReadTarget("/dev/md9", "block", "9:9"), what="set", whole=seen.stripe.name)
    said = judge(found, [reached(aim, 10.0)], MeasureRequest(), ()).deliveries[0]
    assert "none" == said.verdict
    assert seen.why in said.why


def test_a_cable_decides_and_no_link() -> None:
    """A disk on a cable has no range of ours."""
    found = next(one for one in map(machine, MACHINES) if any(seen.drive.kind == "sata" for seen in one.drives))
    number = next(number for number, seen in enumerate(found.drives) if seen.drive.kind == "sata")
    said = judge(found, [reached(target(found, number), 10.0)], MeasureRequest(), ()).deliveries[0]
    assert ("none", "its own interface decides its rate, not the PCI Express link") == (said.verdict, said.why)


# --- Forms -----------------------------------------------------------------------------------------------------


def test_every_form_says_the_same() -> None:
    """Text and JSON give the same medians and verdicts, and the JSON is as its schema says."""
    found, said = two_drives(), together(1700.0, 1000.0)
    data = measure_data.form(said, found)
    sent = msgspec.json.decode(msgspec.json.encode(data))
    schema = schemas.schema("measure")
    assert [] == problems(schema, sent, schema)
    assert ("lanewright-measure", 1) == (sent["format"], sent["version"])
    text = " ".join(" ".join(line.plain.split()) for line in page((said, found), 80, "this machine").lines)
    for one in sent["measured"]:
        assert f"median {one['spread_mbps']['median']:,.0f} MB/s" in text
    assert ["delivers", "short"] == [one["delivery"]["verdict"] for one in sent["measured"]]
    assert f"{sent['measured'][1]['delivery']['short_percent']} %" in text


def test_hostile_names_stay_harmless() -> None:
    """A file's name acts on no terminal."""
    aim = Target(name="reel\x1b[31m", place=ReadTarget("/x", "file", "8:1"), what="file", remarks=("a file",))
    found = one_drive()
    said = judge(found, [reached(aim, 10.0)], MeasureRequest(), ())
    assert "\x1b" not in "".join(line.plain for line in page((said, found), 80, "this machine").lines)


@pytest.mark.parametrize("width", [40, 80, 200])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    """Lines fit the width."""
    said = together(1700.0, 1000.0)
    assert max(len(line.plain) for line in page((said, two_drives()), width, "this machine").lines) <= width


def test_a_hot_drive_is_shown_with_the_reason() -> None:
    """What was not measured stands on the page with the reason, and without figures."""
    found = one_drive()
    aim = target(found)
    said = judge(
        found,
        [Measured(target=aim, celsius=(66.0, 66.0), ended="hot", words="not measured: hot")],
        MeasureRequest(),
        (),
    )
    lines = [line.plain for line in page((said, found), 80, "this machine").lines]
    assert "not measured: hot" in lines[0]
    assert not any("MB/s" in line for line in lines)


@pytest.mark.parametrize(("lost", "words"), [(1, "1 request did not come back."), (2, "2 requests did not come back.")])
def test_requests_that_hang_are_counted(lost: int, words: str) -> None:
    """How many requests never came back stands on the page."""
    found = one_drive()
    said = judge(found, [msgspec.structs.replace(reached(target(found), 10.0), lost=lost)], MeasureRequest(), ())
    assert f"  {words}" in [line.plain for line in page((said, found), 80, "this machine").lines]


# --- A run -----------------------------------------------------------------------------------------------------


def on_a_drive(path: Path, **more: Any) -> Target:  # noqa: ANN401 - fields of the target
    """A file, taken for a drive that tells its temperature."""
    return Target(name="nvme0", place=place(str(path)), what="drive", drive="nvme0", warning_celsius=70.0, **more)


def warm(*degrees: float) -> Around:
    """Surroundings with these temperatures, one after another, the last for ever."""
    left = list(degrees)
    return Around(time.monotonic, lambda _: left.pop(0) if len(left) > 1 else left[0])


def loading(read: Callable[[int, Sequence[memoryview], int], int]) -> Callable[[ReadTarget, ReadPlan], ReadLoad]:
    """Loads that are read by something else than the system."""
    return lambda there, plan: ReadLoad(there, plan, read)


@pytest.mark.parametrize(("celsius", "measured"), [(64.9, True), (65.0, False), (70.0, False), (75.0, False)])
def test_a_drive_near_its_limit_is_not_measured(tmp_path: Path, celsius: float, *, measured: bool) -> None:
    """A drive less than 5 C below its warning limit is not loaded; the sentence says what to do."""
    found, _, _ = measure([on_a_drive(file_of(tmp_path))], MeasureRequest(seconds=0.2), warm(celsius))
    assert measured == (found[0].requests > 0)
    assert measured == ("--hot" not in found[0].words)
    assert ("time" if measured else "hot") == found[0].ended


def test_hot_measures_it_all_the_same(tmp_path: Path) -> None:
    """With --hot the warning limit holds nothing up, but the critical one does."""
    aim = on_a_drive(file_of(tmp_path), critical_celsius=85.0)
    found, _, _ = measure([aim], MeasureRequest(seconds=0.2, hot=True), warm(75.0))
    assert ("time", (75.0, 75.0)) == (found[0].ended, found[0].celsius)
    found, _, _ = measure([aim], MeasureRequest(seconds=0.2, hot=True), warm(80.0))
    assert ("hot", 0) == (found[0].ended, found[0].requests)


@pytest.mark.long
def test_a_run_stops_close_to_the_limit(tmp_path: Path) -> None:
    """A drive that comes within 2 C of its warning limit is left alone, long before the time is up."""
    found, _, _ = measure([on_a_drive(file_of(tmp_path))], MeasureRequest(seconds=600.0), warm(50.0, 60.0, 67.9, 68.0))
    assert ("hot", (50.0, 68.0)) == (found[0].ended, found[0].celsius)
    assert "stopped at 68.0 C" in found[0].words
    assert found[0].seconds < 300.0


@pytest.mark.long
def test_a_drive_that_vanishes_leaves_what_was_measured(tmp_path: Path) -> None:
    """When a drive goes away, what was read until then is told, with one line that says it; the next is measured."""
    start = time.monotonic()

    def read(handle: int, buffers: Sequence[memoryview], offset: int) -> int:
        if first.stat().st_ino == os.fstat(handle).st_ino and time.monotonic() > start + 3.0:
            raise OSError(19, "no such device")  # ENODEV (errno(3))
        return os.preadv(handle, buffers, offset)

    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first = file_of(tmp_path / "a")
    aims = [
        Target(name=name, place=place(str(path)), what="device")
        for name, path in (("x", first), ("y", file_of(tmp_path / "b")))
    ]
    found, _, _ = measure(aims, MeasureRequest(seconds=4.0), Around(time.monotonic, load=loading(read)))
    assert ["gone", "time"] == [one.ended for one in found]
    assert "went away" in found[0].words
    assert found[0].spread is not None
    assert found[0].read_bytes > 0


def test_at_once_means_at_once(tmp_path: Path) -> None:
    """Together, all are read during the same intervals, and the sum is that of the parts."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    aims = [
        Target(name=name, place=place(str(file_of(tmp_path / name, 8 * MIB))), what="device") for name in ("a", "b")
    ]
    asked = MeasureRequest(seconds=1.0, together=True, block=MIB, depth=4)
    found, sums, interrupted = measure(aims, asked, Around(time.monotonic))
    assert not interrupted
    assert len(found[0].rates) == len(found[1].rates) == len(sums) >= 1  # a busy machine has fewer intervals
    assert list(sums) == pytest.approx([one + other for one, other in zip(found[0].rates, found[1].rates, strict=True)])
    assert found[0].seconds >= 0.9


@pytest.mark.long
def test_intervals_add_up_to_what_was_read(tmp_path: Path) -> None:
    """Rates times their intervals are the bytes that were read, but for the first interval and what ends the run."""
    found, _, _ = measure(
        [Target(name="x", place=place(str(file_of(tmp_path, 8 * MIB))), what="device")],
        MeasureRequest(seconds=2.0),
        Around(time.monotonic),
    )
    assert found[0].mean is not None
    told = statistics.mean(found[0].rates)
    assert 0.7 < told / found[0].mean < 1.4
    assert 0.15 < found[0].left_out < 1.0  # an interval of 0.2 s, or what became of it on a busy machine


# --- Names -----------------------------------------------------------------------------------------------------


def test_names_lead_to_what_is_measured(tmp_path: Path) -> None:
    """A file goes by its path, a block device by its name or path; the same twice is refused."""
    found = one_drive()
    reads = Live()
    path = file_of(tmp_path)
    (made,) = targets([str(path)], found, reads)
    assert ("file", ()) == (made.what, made.hops)
    link = tmp_path / "link"
    link.symlink_to(path)
    with pytest.raises(BadInput, match="the same"):
        targets([str(path), str(link)], found, reads)
    with pytest.raises(BadInput, match="not a drive, block device or file here; the drives are nvme0"):
        targets(["nvme7"], found, reads)
    with loop_device(path) as device:
        (made,) = targets([Path(device).name], found, reads)
        assert ("device", Path(device).name, None) == (made.what, made.whole, made.drive)
        # Documentation/ABI/testing/sysfs-block-loop: whether the loop device bypasses the page cache for its file.
        bypasses = Path(f"/sys/block/{made.whole}/loop/dio").read_text(encoding="ascii").strip() == "1"
        assert bypasses != made.cached


def test_a_file_in_memory_is_said_to_be_one() -> None:
    """A file on a file system in memory is told apart: no drive is read for it."""
    folder = Path("/dev/shm")  # noqa: S108 - the place itself is what is tested
    if not folder.is_dir():
        pytest.skip("no file system in memory here")
    path = folder / f"lanewright-{os.getpid()}"
    try:
        path.write_bytes(b"x" * 4096)
        (made,) = targets([str(path)], one_drive(), Live())
    finally:
        path.unlink(missing_ok=True)
    assert made.cached
    assert any("in memory" in remark for remark in made.remarks)


# --- As its users run it ---------------------------------------------------------------------------------------


def measured(*words: str | Path, status: int = 0) -> dict[str, Any]:
    """The JSON form of a run."""
    done = run("measure", *words, "--format", "json")
    assert status == done.status, done.errors
    sent = msgspec.json.decode(done.output)
    schema = schemas.schema("measure")
    assert [] == problems(schema, sent, schema)
    assert isinstance(sent, dict)
    return sent


def test_a_file_is_measured(tmp_path: Path) -> None:
    """A run on a file gives its rates without a verdict, and says that a file tells nothing of links."""
    done = run("measure", file_of(tmp_path, 16 * MIB), "--for", "1")
    assert (0, "") == (done.status, done.errors)
    words = " ".join(done.output.split())
    assert "median" in words
    assert FILE in words
    assert "page cache was bypassed" in words or "page cache could not be bypassed" in words
    assert "Nothing was written." in words


def test_a_limit_in_bytes_is_kept_to_the_byte(tmp_path: Path) -> None:
    """With --max-bytes as large as the file, exactly the file is read."""
    path = file_of(tmp_path)
    one = measured(path, "--max-bytes", str(ODD))["measured"][0]
    assert (ODD, ODD, "bytes") == (one["bytes"], one["read_bytes"], one["ended"])


def test_the_schema_is_printed() -> None:
    """The schema of the form can be had from the program."""
    done = run("schema", "measure")
    assert (0, schemas.schema("measure")) == (done.status, msgspec.json.decode(done.output))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--block", "1000"), "--block 1000"),
        (("--block", "0"), "--block 0"),
        (("--max-bytes", "1"), "--max-bytes 1"),
        (("--max-bytes", "many"), "--max-bytes many"),
        (("--max-bytes", "²"), "--max-bytes ²"),
        (("--for", "nan"), "--for nan"),
        (("--for", "0"), "--for 0"),
        (("--for", "2d"), "--for 2d"),
        (("--depth", "0"), "--depth 0"),
        (("--block", "1G", "--depth", "2"), "--block --depth"),
    ],
)
def test_bad_words_are_refused(tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    """Sizes and times that are none, and too much memory, are bad use that is named in one sentence."""
    done = run("measure", file_of(tmp_path), *words)
    assert (2, "") == (done.status, done.output)
    assert [] == not_named(told, done.errors)


def test_no_target_is_bad_use() -> None:
    """Without a drive or file there is nothing to measure: one sentence says what is missing."""
    done = run("measure")
    assert (2, "") == (done.status, done.output)
    assert [] == not_named("DRIVE", done.errors)


def test_what_cannot_be_measured_is_one_sentence(tmp_path: Path) -> None:
    """What is no drive and no file is refused in one sentence, exit 2, and nothing is shown."""
    for name in (str(tmp_path), "/dev/tty", "/dev/null", "no-such-drive"):
        done = run("measure", name)
        assert (2, "") == (done.status, done.output)
        assert one_line(done.errors)


def test_a_file_smaller_than_a_request_is_not_measured(tmp_path: Path) -> None:
    """A file that one request reads whole tells nothing: one sentence, exit 2, no figure; one of a request is read."""
    path = file_of(tmp_path, 128 * 1024)
    done = run("measure", str(path), "--for", "0.2", "--block", "1M")
    assert (2, "") == (done.status, done.output)
    words = one_line(done.errors)
    assert ["131,072", "1,048,576", "--block"] == [
        part for part in ("131,072", "1,048,576", "--block") if part in words
    ]
    assert run("measure", str(path), "--for", "0.2").output


def test_an_ordinary_user_is_told_which_right_is_missing(tmp_path: Path) -> None:
    """Without the right to a block device one sentence says which right that is, exit 2."""
    if shutil.which("setpriv") is None:
        pytest.skip("setpriv, to become an ordinary user, is not there")
    with loop_device(file_of(tmp_path)) as device:
        done = subprocess.run(
            [*ORDINARY.split(), sys.executable, "-m", "agent", "measure", device],
            cwd=HERE,
            env=environment(),
            capture_output=True,
            text=True,
            check=False,
        )
    # 126 and 127: a command that cannot be run, or is not found (POSIX Shell Command Language, 2.8.2).
    if "No module named" in done.stderr or done.returncode in {126, 127}:
        pytest.skip("an ordinary user cannot read the program here")
    assert (2, "") == (done.returncode, done.stdout)
    assert "only root may read the whole device" in one_line(done.stderr)


@pytest.mark.long
def test_an_interrupt_shows_what_was_measured(tmp_path: Path) -> None:
    """Ctrl-C ends the run; what was measured so far is shown, exit 130."""
    path = file_of(tmp_path, 16 * MIB)
    child = subprocess.Popen(
        [sys.executable, "-m", "agent", "measure", str(path), "--for", "600", "--block", "1M", "--depth", "4"],
        cwd=HERE,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + PATIENCE
    while str(path) not in {one.path for one in psutil.Process(child.pid).open_files()} and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(2.0)
    child.send_signal(signal.SIGINT)
    output, errors = child.communicate(timeout=PATIENCE)
    assert (130, "") == (child.returncode, errors)
    assert "Stopped before it was done" in output
    assert "median" in output


def test_nothing_is_opened_for_writing(tmp_path: Path) -> None:
    """By its system calls a measurement writes nothing, commands no device and starts no program."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not there")
    from tests.test_quiet import STRACE

    path, trace = file_of(tmp_path), tmp_path / "trace"
    done = subprocess.run(
        [*STRACE.split(), "-o", str(trace), sys.executable, "-m", "agent", "measure", str(path), "--for", "1"],
        cwd=HERE,
        env=environment(PYTHONDONTWRITEBYTECODE="1"),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode and "ptrace" in done.stderr:
        pytest.skip("strace may not trace here")
    assert 0 == done.returncode, done.stderr
    made = calls(trace.read_text(encoding="utf-8"))
    opened = [call for call in made if call.name == "openat" and f'"{path}"' in call.arguments]
    assert opened
    assert all("O_RDONLY" in call.arguments for call in opened)
    assert [] == offences(made)


# --- Outside references ----------------------------------------------------------------------------------------


def dd(path: str | Path, block: int) -> float:
    """What `dd` reads of a file or device past the page cache, MB/s, one request at a time."""
    start = time.monotonic()
    done = subprocess.run(
        ["dd", f"if={path}", "of=/dev/null", f"bs={block}", "iflag=direct", "status=none"],
        check=False,
        capture_output=True,
    )
    if done.returncode:
        pytest.skip("dd cannot read past the page cache here")
    return os.path.getsize(path) / (time.monotonic() - start) / 1e6


def test_the_rate_is_that_of_dd(tmp_path: Path) -> None:
    """With one request at a time a file is measured at the rate that dd reads it at.

    Source: dd of GNU coreutils in turn with the measurement, same block, five rounds, medians. The bound is loose, as
    other work on the machine comes and goes between the two; tests/bench/measuring.py prints the ratio.
    """
    path, block = file_of(tmp_path, 128 * MIB), MIB
    os.sync()
    aim = Target(name="x", place=place(str(path)), what="device")
    asked = MeasureRequest(seconds=30.0, max_bytes=128 * MIB, block=block, depth=1)
    ratio = 0.0
    for _ in range(3):
        pairs = []
        for _ in range(5):
            reference = dd(path, block)
            (one,), _, _ = measure([aim], asked, Around(time.monotonic))
            assert 128 * MIB == one.read_bytes
            assert one.mean is not None
            pairs.append(one.mean / reference)
        ratio = statistics.median(pairs)
        if 0.7 < ratio < 1.6:
            return
    pytest.fail(f"measured {ratio:.2f} times what dd reads")


@contextmanager
def capped(device: str, bytes_per_second: int) -> Iterator[Path]:
    """A control group whose reads of a device are capped; gives the file that takes members, or skips.

    Source: Documentation/admin-guide/cgroup-v1/blkio-controller.rst, and cgroup-v2.rst for io.max (Linux kernel).
    """
    number = place(device)
    numbers = number.number
    name = f"lanewright-{os.getpid()}"
    old, new = Path("/sys/fs/cgroup/blkio"), Path("/sys/fs/cgroup")
    if os.geteuid() != 0:
        pytest.skip("a control group takes the super-user")
    if (old / "blkio.throttle.read_bps_device").exists():
        folder, file, words = old / name, "blkio.throttle.read_bps_device", f"{numbers} {bytes_per_second}"
    elif "io" in (new / "cgroup.subtree_control").read_text(encoding="ascii").split():
        folder, file, words = new / name, "io.max", f"{numbers} rbps={bytes_per_second}"
    else:
        pytest.skip("no control group caps reading here")
    try:
        folder.mkdir()
        (folder / file).write_text(words, encoding="ascii")
    except OSError as error:
        if folder.is_dir():
            folder.rmdir()
        pytest.skip(f"no control group can be made: {error.strerror}")
    try:
        yield folder / "cgroup.procs"
    finally:
        folder.rmdir()


PYTHON: Final = (sys.executable, "-c")
INSIDE: Final = """
import os, sys
with open(sys.argv[1], "w") as members:
    members.write(str(os.getpid()))
from agent.cli import main
main(sys.argv[2:])
"""


@pytest.mark.long
@pytest.mark.parametrize("cap", [20_000_000, 60_000_000])
def test_a_capped_rate_is_measured_as_capped(tmp_path: Path, cap: int) -> None:
    """A device whose reads the kernel caps is measured within 10 % of the cap: as a median, and on the whole."""
    with loop_device(file_of(tmp_path, 64 * MIB)) as device, capped(device, cap) as members:
        done = subprocess.run(
            [*PYTHON, INSIDE, str(members), "measure", device, "--for", "5", "--block", "128K", "--format", "json"],
            cwd=HERE,
            env=environment(),
            capture_output=True,
            check=False,
        )
    assert 0 == done.returncode, done.stderr
    one = msgspec.json.decode(done.stdout)["measured"][0]
    assert cap / 1e6 == pytest.approx(one["spread_mbps"]["median"], rel=0.1)
    assert cap / 1e6 == pytest.approx(one["mean_mbps"], rel=0.1)
