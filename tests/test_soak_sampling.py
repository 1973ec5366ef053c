"""What is sampled of the drives, when, and what is done about drives that hang, vanish or talk nonsense."""

from __future__ import annotations

import itertools
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import json

from agent.soak import sampling
from agent.soak.events import MOST_ALIKE, QUIET, Watch
from agent.soak.sampling import Sampler, head
from agent.soak.schedule import Schedule
from probes.linux import watch as linux_watch
from probes.reads import NVME_QUESTIONS, Live
from probes.samples import Counters, DriveSample, Event, Moment
from probes.unread import Unread
from tests.watched import (
    FIRST,
    HANG_LIMIT,
    HEAT,
    SECOND,
    SECOND_SENSOR,
    FakeClock,
    Queues,
    WatchedReads,
    head_of,
    sampler_of,
    set_counts,
    two_drives,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.tree import Tree


@pytest.fixture
def reads() -> Iterator[WatchedReads]:
    """A machine of two drives; whatever hangs is let go at the end."""
    found = WatchedReads(two_drives())
    yield found
    found.release.set()


@pytest.fixture
def sampler(reads: WatchedReads) -> Iterator[Sampler]:
    """What samples that machine."""
    found = sampler_of(reads)
    yield found
    reads.release.set()
    found.close()


# --- What is asked ---------------------------------------------------------------------------------------------


def test_a_head_names_what_is_sampled() -> None:
    """The head of a soak holds each drive with its sensors, limits, link, both ends of it, and what it should reach."""
    found = head_of(two_drives(), command=("render",))
    assert ["nvme0", "nvme1"] == [drive.name for drive in found.drives]
    first = found.drives[0]
    assert ("Composite", "Sensor 1") == first.sensors
    # 343 K and 358 K less 273.15 (include/linux/units.h).
    assert (69.85, 84.85) == (first.warning_celsius, first.critical_celsius)
    assert ((4, 4), ("0000:00:01.0", "0000:01:00.0")) == (first.link, first.ports)
    assert ("nvme0n1",) == first.blocks
    assert first.expected is not None
    assert 0 < first.expected[0] < first.expected[1] < 7876.9  # x4 at 16 GT/s: 4 x 16 x 128/130 / 8 GB/s
    assert (("acpitz",), ("render",), "linux") == (found.others, found.command, found.platform)


def test_a_sample_holds_what_every_drive_says(sampler: Sampler) -> None:
    """A sample holds temperatures of all sensors, counts, link, errors, the board's temperature, and no more."""
    sample, events = sampler.take(3.0, 0.25)
    # 314 K and 321 K, 323 K and 330 K less 273.15, as drivers/nvme/host/hwmon.c converts.
    expected = (
        DriveSample((40.85, 47.85), 1000, 2000, 10, 20, 5, (4, 4), 0, None),
        DriveSample((49.85, 56.85), 0, 0, 0, 0, 0, (4, 4), 0, None),
    )
    assert Moment(3.0, 0.25, expected, (27.8,)) == sample
    assert [] == events


def test_a_drives_own_counters_are_asked_only_where_wanted(reads: WatchedReads, sampler: Sampler) -> None:
    """Log 02h is asked for with its counters of heat when they are wanted, with RAE set, and never else."""
    plain, _ = sampler.take(0.0, 0.0)
    assert [] == [asked for asked in reads.asked if asked.startswith("nvme ")]
    full, _ = sampler.take(1.0, 0.0, counters=True)
    assert ["nvme log-02 /dev/nvme0", "nvme log-02 /dev/nvme1"] == [ask for ask in reads.asked if ask[:5] == "nvme "]
    assert [None, Counters(*HEAT.values())] == [sample.drives[0].counters for sample in (plain, full)]
    # NVM Express Base, Get Log Page, command dword 10: bit 15 is Retain Asynchronous Event, bits 7:0 the log.
    assert (1, 0x02) == (NVME_QUESTIONS["log-02"][1] >> 15 & 1, NVME_QUESTIONS["log-02"][1] & 0xFF)


def lost(code: str = "", **reasons: str) -> dict[str, Unread]:
    """What could not be read, by the word for it, with the reasons and the error that it ended in."""
    return {what: Unread(what, why, code=code) for what, why in reasons.items()}


def test_an_ordinary_user_gets_all_but_the_counters() -> None:
    """Without root a sample has temperatures, counts and links; why the drive's own counters are lacking is told."""
    tree = two_drives()
    sampler = sampler_of(WatchedReads(tree, privileged=False))
    sample, events = sampler.take(0.0, 0.0, counters=True)
    sampler.close()
    assert [40.85, 49.85] == [drive.celsius[0] for drive in sample.drives]
    why = "permission denied; the super-user may read it (EACCES)"
    refused = {"counters": Unread("counters", why, needs_root=True, code="EACCES")}
    assert [refused, refused] == [drive.unread for drive in sample.drives]
    assert [] == events


def test_the_limits_of_a_sensor_are_never_read(reads: WatchedReads, sampler: Sampler) -> None:
    """No sample reads a sensor's `_max` or `_min`, which would make the kernel send Get Features to the drive."""
    for second in range(3):
        sampler.take(float(second), 0.0)
    assert [] == [path for path in reads.asked if path.endswith(("_max", "_min", "_alarm", "_crit"))]


def test_nothing_that_sleeps_is_woken(reads: WatchedReads, sampler: Sampler) -> None:
    """The link of a function in D3cold and the sensor of a suspended device are not read, and said to sleep."""
    reads.tree.texts("/sys/devices/virtual/thermal/thermal_zone0/power", runtime_status="suspended")
    reads.tree.link(
        "/sys/devices/virtual/thermal/thermal_zone0/hwmon0/device", "/sys/devices/virtual/thermal/thermal_zone0"
    )
    reads.tree.texts(reads.tree.resolve(SECOND), power_state="D3cold")
    sampler.take(0.0, 0.0)
    sample, _ = sampler.take(1.0, 0.0)
    asleep = "the device is asleep (D3cold) and was not woken"
    assert [(4, 4), Unread("link", asleep)] == [drive.link for drive in sample.drives]
    assert (Unread("other_1", asleep),) == sample.others
    assert f"{FIRST}/current_link_speed" in reads.asked
    assert f"{SECOND}/current_link_speed" not in reads.asked
    assert "/sys/class/hwmon/hwmon0/temp1_input" not in reads.asked


@pytest.mark.parametrize(
    "rubbish",
    ["65261850", "-273150", "", "hot", "-80000", "-5000", "-1", "250000", "9" * 23, "1e3", "\x00\x1b[2J", "4_0"],
)
def test_rubbish_is_no_temperature(reads: WatchedReads, sampler: Sampler, rubbish: str) -> None:
    """A sensor that says what is no temperature gives what it said instead, no event, and hinders nothing else."""
    reads.tree.put(reads.tree.resolve(SECOND_SENSOR), rubbish)
    sample, events = sampler.take(0.0, 0.0)
    first, second = (drive.celsius for drive in sample.drives)
    assert ((40.85, 47.85), 56.85) == (first, second[1])
    assert isinstance(second[0], Unread)
    assert second[0].why.startswith(f'reads "{rubbish[:40]}"' if not rubbish.lstrip("-").isdigit() else "reads ")
    assert rubbish[:20] in second[0].why
    assert [] == events


def test_counts_of_several_block_devices_are_summed() -> None:
    """A drive of two namespaces counts the bytes of both, and those of no partition."""
    tree = two_drives()
    set_counts(tree, nvme0n1=(1, 20, 3, 4, 5), nvme0n2=(100, 200, 30, 40, 50), nvme0n1p1=(9, 9, 9, 9, 9))
    found = head_of(tree)
    import msgspec

    both = msgspec.structs.replace(found.drives[0], blocks=("nvme0n1", "nvme0n2"))
    sampler = Sampler(WatchedReads(tree), msgspec.structs.replace(found, drives=(both,)), time.monotonic)
    sample, _ = sampler.take(0.0, 0.0)
    sampler.close()
    assert [(101, 220, 33, 44, 55)] == [
        (one.read_bytes, one.write_bytes, one.reads, one.writes, one.busy_ms) for one in sample.drives
    ]


@pytest.mark.parametrize("answer", ["", "[]", '{"nvme0n1": 3}', '{"nvme0n1": {"read_bytes": "x"}}', "\x00"])
def test_counts_of_another_form_are_none(answer: str) -> None:
    """What psutil is recorded to have said in no known form gives that for counts, and temperatures all the same."""
    tree = two_drives()
    tree.psutil["disk_io_counters"] = answer
    sampler = sampler_of(WatchedReads(tree))
    sample, _ = sampler.take(0.0, 0.0)
    sampler.close()
    rates = lost(rates="the table of what is counted of block devices has another form")
    assert [(rates, 40.85), (rates, 49.85)] == [(one.unread, one.celsius[0]) for one in sample.drives]


def test_elsewhere_psutil_tells_the_boards_temperatures() -> None:
    """Off Linux the board's temperatures are those that psutil has; on Linux psutil is not asked for any."""
    from agent.audit import audit
    from probes import collect

    tree = two_drives()
    tree.psutil["sensors_temperatures"] = json.encode({"cpu": [["package", 51.5]], "ambient": [["", 22.0]]}).decode()
    elsewhere = WatchedReads(tree, platform="freebsd14")
    found = head(audit(collect(elsewhere)), elsewhere, started_at="", agent="1.0", every=1.0, command=())
    sampler = Sampler(elsewhere, found, time.monotonic)
    sample, _ = sampler.take(0.0, 0.0)
    sampler.close()
    assert (("cpu package", "ambient"), (51.5, 22.0)) == (found.others, sample.others)
    assert ("acpitz",) == head_of(tree).others


def test_psutil_counts_what_the_kernel_counts() -> None:
    """The table of psutil agrees with /proc/diskstats: sectors of 512 bytes, operations, milliseconds at work.

    Source: Documentation/admin-guide/iostats.rst of the Linux kernel, fields 1, 3, 5, 7 and 10.
    """
    answer = Live().psutil("disk_io_counters")
    assert isinstance(answer, str)
    table = json.decode(answer, type=dict[str, dict[str, int]])
    found = 0
    for line in Path("/proc/diskstats").read_text(encoding="ascii").splitlines():
        name, *fields = line.split()[2:]
        reads, _, sectors_read, _, writes, _, sectors_written, _, _, busy = map(int, fields[:10])
        # Read a moment later: what came in between is little.
        assert 0 <= sectors_read * 512 - table[name]["read_bytes"] <= 2**30
        assert 0 <= sectors_written * 512 - table[name]["write_bytes"] <= 2**30
        assert 0 <= reads - table[name]["read_count"] <= 100_000
        assert 0 <= writes - table[name]["write_count"] <= 100_000
        assert 0 <= busy - table[name]["busy_time"] <= 60_000
        found += 1
    if not found:
        pytest.skip("this machine has no block devices")
    assert sorted(table) == list(table)
    assert isinstance(Live().psutil("sensors_temperatures"), str | Unread)


# --- Drives that vanish, come back, hang -----------------------------------------------------------------------


def vanish(tree: Tree) -> Tree:
    """Take the second drive away; what it was before is given back."""
    before = tree.copy()
    place = tree.resolve("/sys/class/nvme/nvme1")
    for path in ("/sys/class/nvme/nvme1", "/sys/class/hwmon/hwmon2", "/sys/bus/pci/devices/0000:02:00.0", place):
        tree.remove(path)
    set_counts(tree, nvme0n1=(1000, 2000, 10, 20, 5))
    return before


def test_a_drive_that_vanishes_is_told_once_and_the_rest_goes_on(reads: WatchedReads, sampler: Sampler) -> None:
    """A drive that is gone says so in all places, in one event; its neighbour goes on; its return is one event too."""
    sampler.take(0.0, 0.0)
    before = vanish(reads.tree)
    told = []
    for second in (1.0, 2.0, 3.0):
        sample, events = sampler.take(second, 0.0)
        told += events
        assert DriveSample((40.85, 47.85), 1000, 2000, 10, 20, 5, (4, 4), 0) == sample.drives[0]
        gone = dict.fromkeys(("temperature", "sensor_2", "rates", "link", "errors"), "the drive is gone")
        assert lost(**gone) == sample.drives[1].unread
    assert [Event(1.0, "vanished", "nvme1", "the drive is gone")] == told
    reads.tree = before
    sample, events = sampler.take(4.0, 0.0)
    assert [Event(4.0, "returned", "nvme1", "the drive is back")] == events
    assert (49.85, 56.85) == sample.drives[1].celsius


def test_a_drive_that_returns_with_other_numbers_is_found(reads: WatchedReads, sampler: Sampler) -> None:
    """A drive whose sensor has another number after its return is read there."""
    sampler.take(0.0, 0.0)
    before = vanish(reads.tree)
    sampler.take(1.0, 0.0)
    place = before.resolve("/sys/class/hwmon/hwmon2")
    before.remove("/sys/class/hwmon/hwmon2")
    before.link("/sys/class/hwmon/hwmon7", place)
    reads.tree = before
    sample, _ = sampler.take(2.0, 0.0)
    assert (49.85, 56.85) == sample.drives[1].celsius


def test_a_drive_whose_sensors_fail_is_told_once(reads: WatchedReads, sampler: Sampler) -> None:
    """A drive that is there and whose sensors all fail is told of once, keeps its counts, and returns."""
    sampler.take(0.0, 0.0)
    healthy = reads.tree.copy()
    for number in (1, 2):
        reads.tree.fail(reads.tree.resolve(f"/sys/class/hwmon/hwmon2/temp{number}_input"), "EIO")
    found = [sampler.take(second, 0.0) for second in (1.0, 2.0)]
    assert [1.0] == [event.seconds for _, events in found for event in events if event.kind == "vanished"]
    second = found[1][0].drives[1]
    why = "the device gave an input/output error (EIO)"
    assert (lost("EIO", temperature=why, sensor_2=why), 0, (4, 4), 0) == (
        second.unread,
        second.read_bytes,
        second.link,
        second.errors,
    )
    reads.tree = healthy
    _, events = sampler.take(3.0, 0.0)
    assert ["returned"] == [event.kind for event in events]


@pytest.fixture
def queues(reads: WatchedReads, monkeypatch: pytest.MonkeyPatch) -> Queues:
    """Waits that end when all that is waited for hangs, and are counted then."""
    found = Queues(reads)
    monkeypatch.setattr(sampling, "SimpleQueue", found)
    return found


def samples_until(
    sampler: Sampler, begin: int, wanted: Callable[[Moment, list[Event]], bool]
) -> list[tuple[Moment, list[Event]]]:
    """Samples with their events, the last of them the first that is as wanted; fails where none is for minutes."""
    end = time.monotonic() + HANG_LIMIT
    found: list[tuple[Moment, list[Event]]] = []
    while time.monotonic() < end:
        found.append(sampler.take(float(begin + len(found)), 0.0))
        if wanted(*found[-1]):
            return found
        time.sleep(0.01)
    pytest.fail("no sample was as wanted")


def test_a_drive_that_hangs_is_left_out_and_not_asked_again(reads: WatchedReads, queues: Queues) -> None:
    """A drive that does not answer is one event, said in each place, costs no later sample time, and may come back."""
    sampler = sampler_of(reads)
    sampler.take(0.0, 0.0)
    reads.hangs = SECOND_SENSOR
    sample, events = sampler.take(1.0, 0.0)
    assert (40.85, 47.85) == sample.drives[0].celsius
    hangs = "the drive does not answer in time; it is skipped until it does"
    assert lost(**dict.fromkeys(("temperature", "sensor_2", "link", "errors"), hangs)) == sample.drives[1].unread
    assert (27.8,) == sample.others
    assert [("vanished", "nvme1")] == [(event.kind, event.drive) for event in events]
    assert 0 == sample.drives[1].read_bytes  # counted without the drive's help
    asked = reads.asked.count(SECOND_SENSOR)
    given_up = queues.given_up
    later = [sampler.take(float(second), 0.0) for second in range(2, 12)]
    assert [] == [event for _, events in later for event in events]
    assert asked == reads.asked.count(SECOND_SENSOR)
    assert given_up == queues.given_up > 0  # ten samples, none of which waits for it
    assert 1 == reads.hanging
    reads.hangs = ""
    reads.release.set()
    sample, events = samples_until(sampler, 12, lambda _, events: bool(events))[-1]
    sampler.close()
    assert [("returned", "nvme1")] == [(event.kind, event.drive) for event in events]
    assert (49.85, 56.85) == sample.drives[1].celsius


@pytest.mark.usefixtures("queues")
def test_counters_that_were_missed_come_in_a_later_sample(reads: WatchedReads) -> None:
    """Counters that come too late for their sample are in the next one, once, and are not asked for again."""
    reads.hangs = "nvme log-02"
    sampler = sampler_of(reads)
    found = [sampler.take(0.0, 0.0, counters=True)[0], sampler.take(1.0, 0.0)[0]]
    assert [None] * 4 == [drive.counters for sample in found for drive in sample.drives]
    assert 2 == reads.hanging
    reads.release.set()
    later = samples_until(sampler, 2, lambda sample, _: sample.drives[0].counters is not None)
    later += [sampler.take(float(len(later) + second), 0.0) for second in (2, 3)]
    sampler.close()
    given = [sample.drives[0].counters for sample, _ in later]
    assert [Counters(*HEAT.values())] == [one for one in given if one is not None]
    assert 2 == len([asked for asked in reads.asked if asked.startswith("nvme ")])


@pytest.mark.usefixtures("queues")
def test_counters_that_could_not_be_asked_for_are_asked_for_later(reads: WatchedReads) -> None:
    """A drive that hangs while counters are wanted is asked for them as soon as it answers again."""
    sampler = sampler_of(reads)
    reads.hangs = "/sys/class/hwmon/hwmon1/temp1_input"
    sampler.take(0.0, 0.0)
    sampler.take(1.0, 0.0, counters=True)
    assert "nvme log-02 /dev/nvme0" not in reads.asked
    reads.hangs = ""
    reads.release.set()
    seen, _ = samples_until(sampler, 2, lambda sample, _: sample.drives[0].counters is not None)[-1]
    sampler.close()
    assert Counters(*HEAT.values()) == seen.drives[0].counters
    assert ["nvme log-02 /dev/nvme0"] == [asked for asked in reads.asked if asked.startswith("nvme log-02 /dev/nvme0")]


def test_an_ordinary_user_is_refused_counters_once(reads: WatchedReads) -> None:
    """A drive that refuses its counters is not asked for them at every sample."""
    ordinary = WatchedReads(reads.tree, privileged=False)
    sampler = sampler_of(ordinary)
    for second in range(4):
        sampler.take(float(second), 0.0, counters=second == 0)
    sampler.close()
    assert 2 == len([asked for asked in ordinary.asked if asked.startswith("nvme ")])


@pytest.mark.parametrize(
    ("page", "why"),
    [
        (b"\xff" * 512, "all of its bytes read FFh"),
        (bytes(512), "all of its bytes read 00h"),
        (bytes([1] * 200), "only 200 of 512 bytes were given"),
    ],
    ids=["ones", "zeros", "cut"],
)
def test_a_health_log_that_says_nothing_has_no_counters(reads: WatchedReads, page: bytes, why: str) -> None:
    """A log of one byte throughout, as of a drive that fell off the bus, or that was cut, is not taken for counts."""
    assert Counters(*HEAT.values()) == linux_watch.counters(reads, "nvme0")
    reads.tree.nvme["log-02 /dev/nvme0"] = page
    assert Unread("counters", why) == linux_watch.counters(reads, "nvme0")


def test_a_counter_that_no_drive_can_mean_is_none(reads: WatchedReads) -> None:
    """A counter of which every bit is 1 takes the other counters with it, and says which it is.

    Source: NVM Express Base, SMART / Health Information, Total Time For Thermal Management Temperature 2, bytes
    231:228.
    """
    page = reads.tree.nvme["log-02 /dev/nvme0"]
    assert isinstance(page, bytes)
    reads.tree.nvme["log-02 /dev/nvme0"] = page[:228] + b"\xff" * 4 + page[232:]
    answer = linux_watch.counters(reads, "nvme0")
    assert isinstance(answer, Unread)
    assert "total time for thermal management temperature 2 reads 4294967295" in answer.why


def test_a_disk_has_no_counters_of_heat(reads: WatchedReads) -> None:
    """A drive that is no NVMe drive has no log page 02h: that is no reading that failed."""
    assert linux_watch.counters(reads, "sda") is None


def test_a_patient_sample_waits_for_slow_drives(monkeypatch: pytest.MonkeyPatch) -> None:
    """A patient sample has what a slow drive says, also where it was still at an earlier question."""
    monkeypatch.setattr(sampling, "PATIENCE", HANG_LIMIT)
    reads = WatchedReads(two_drives())
    sampler = sampler_of(reads, deadline=0.05)
    for busy_before in (False, True):
        reads.hangs = SECOND_SENSOR
        reads.release.clear()
        if busy_before:
            assert isinstance(sampler.take(1.0, 0.0)[0].drives[1].celsius[0], Unread)
        timer = threading.Timer(0.3, reads.release.set)
        timer.start()
        sample, _ = sampler.take(2.0, 0.0, counters=True, patient=True)
        timer.join()
        assert (49.85, 56.85) == sample.drives[1].celsius
        assert Counters(*HEAT.values()) == sample.drives[0].counters
    sampler.close()


def test_a_drive_that_hangs_does_not_hold_the_end_up() -> None:
    """A sampler closes while a drive hangs."""
    reads = WatchedReads(two_drives())
    sampler = sampler_of(reads, deadline=0.05)
    reads.hangs = SECOND_SENSOR
    sampler.take(0.0, 0.0)
    sampler.close()
    assert 1 == reads.hanging
    reads.release.set()


def test_a_defect_is_not_hidden_in_a_thread() -> None:
    """An error that no reading may raise comes out where the sample is taken."""

    class Broken(WatchedReads):
        def text(self, path: str) -> str | Unread:
            if path == SECOND_SENSOR:
                raise AssertionError("a defect")
            return super().text(path)

    reads = Broken(two_drives())
    sampler = sampler_of(reads)
    with pytest.raises(AssertionError, match="a defect"):
        sampler.take(0.0, 0.0)
    sampler.close()


# --- Events ----------------------------------------------------------------------------------------------------


def seen(
    *steps: tuple[float, DriveSample],
    wall: tuple[float | None, ...] = (),
    asleep: tuple[float, ...] = (),
    others: int = 1,
) -> list[tuple[float, str, str | None]]:
    """What a watch says of samples of the first drive, the second one being quiet: (seconds, kind, drive)."""
    watch = Watch(head_of(two_drives()))
    quiet = DriveSample((45.0, 45.0), link=(4, 4), errors=0)
    told = []
    for place, (seconds, drive) in enumerate(steps):
        at = wall[place] if wall else None
        sample = Moment(seconds, 0.0, (drive, quiet), (None,) * others, at)
        told += watch.see(sample, asleep[place] if asleep else None)
    return [(event.seconds, event.kind, event.drive) for event in told]


def test_a_link_that_changes_is_told() -> None:
    """A link that is another than before is told once, also where it could not be read in between."""
    steps = [(4, 4), (4, 4), (1, 4), (1, 4), None, (1, 4), (4, 2)]
    found = seen(*((float(second), DriveSample((40.0,), link=link)) for second, link in enumerate(steps)))
    assert [(2.0, "link", "nvme0"), (6.0, "link", "nvme0")] == found
    watch = Watch(head_of(two_drives()))
    told = watch.see(Moment(0.0, 0.0, (DriveSample((40.0,), link=(1, 1)), DriveSample(()))), None)
    assert ["the link went from 4 lanes at 16 GT/s (Gen 4) to 1 lane at 2.5 GT/s (Gen 1)"] == [
        one.words for one in told
    ]


def test_errors_are_told_once_a_burst() -> None:
    """Error counters that rise are told when a burst begins, and again after a quiet time; a fall is no error."""
    counts = [(0.0, 5), (1.0, 5), (2.0, 8), (3.0, 9), (3.0 + QUIET, 9), (4.0 + QUIET, 10), (5.0 + QUIET, 2)]
    found = seen(*((seconds, DriveSample((40.0,), errors=count)) for seconds, count in counts))
    assert [(2.0, "errors", "nvme0"), (4.0 + QUIET, "errors", "nvme0")] == found


def test_a_limit_is_told_when_it_is_reached_and_left() -> None:
    """Limits of 69.85 C and 84.85 C are told when reached and when left by two degrees, not at each flicker."""
    degrees = [68.85, 69.85, 68.85, 69.85, 85.85, 83.85, 82.0, 68.0, 67.0, 70.85]
    found = seen(*((float(second), DriveSample((value,))) for second, value in enumerate(degrees)))
    assert [(second, "limit", "nvme0") for second in (1.0, 4.0, 6.0, 8.0, 9.0)] == found


def test_a_temperature_that_jumps_reaches_no_limit() -> None:
    """A lone reading that no drive can have gives no event; one that stays gives its event a sample later."""
    degrees = [41.0, 131.0, 42.0, 43.0, 84.0, 84.0]
    found = seen(*((float(second), DriveSample((value,))) for second, value in enumerate(degrees)))
    assert [(5.0, "limit", "nvme0")] == found
    slow = seen(*((60.0 * minute, DriveSample((value,))) for minute, value in enumerate((35.0, 71.0))))
    assert [(60.0, "limit", "nvme0")] == slow


def test_a_time_of_day_that_jumps_is_told() -> None:
    """A time of day that runs away from the clock by more than two seconds between samples is told, either way."""
    drive = DriveSample((40.0,))
    steps = [(float(second), drive) for second in range(6)]
    wall = (1e9, 1e9 + 1.5, 1e9 + 3602, 1e9 + 3603, 1e9 + 4, None)
    assert [(2.0, "clock", None), (4.0, "clock", None)] == seen(*steps, wall=wall)


def test_sleep_is_told_apart_from_a_clock_that_was_set() -> None:
    """Where the system counts its sleep that is what is told, and a jump only where the clock was set besides."""
    drive = DriveSample((40.0,))
    steps = [(float(second), drive) for second in range(4)]
    slept = (0.0, 600.0, 600.0, 1200.0)
    wall = (1e9, 1e9 + 601, 1e9 + 602, 1e9 + 3)
    assert [(1.0, "clock", None), (3.0, "clock", None), (3.0, "clock", None)] == seen(*steps, wall=wall, asleep=slept)
    watch = Watch(head_of(two_drives()))
    told = []
    for place, (seconds, _) in enumerate(steps):
        told += watch.see(Moment(seconds, 0.0, (drive, DriveSample(())), (), wall[place]), slept[place])
    assert [
        "the machine was suspended for 600 s; the seconds of the log leave them out",
        "the machine was suspended for 600 s; the seconds of the log leave them out",
        "the time of day jumped back by 1,200 s; the log counts on",
    ] == [event.words for event in told]


def test_events_without_end_are_cut_off() -> None:
    """A link that flickers for days gives a bounded number of events, the last of which says so."""
    watch = Watch(head_of(two_drives()))
    told = []
    for second in range(3 * MOST_ALIKE):
        drive = DriveSample((40.0,), link=(1 + second % 4, 4))
        told += watch.see(Moment(float(second), 0.0, (drive, DriveSample(()))), None)
    assert MOST_ALIKE == len(told)
    assert told[-1].words.endswith("further ones are not logged")


# --- Moments ---------------------------------------------------------------------------------------------------


def moments(clock: FakeClock, every: float, costs: list[float]) -> list[tuple[float, float]]:
    """The moments of a schedule whose samples cost so many seconds each."""
    found: list[tuple[float, float]] = []
    schedule = Schedule(every, clock, clock.sleep, lambda: len(found) >= len(costs))
    for moment in schedule:
        clock.time += costs[len(found)]
        found.append(moment)
    return found


def test_samples_do_not_drift() -> None:
    """Whatever a sample costs within its time, the next one comes at its own moment."""
    found = moments(FakeClock(), 1.0, [0.3, 0.7, 0.01, 0.99] * 2500)
    assert 10_000 == len(found)
    assert 9999.0 == pytest.approx(found[-1][0], abs=1e-6)
    assert max(late for _, late in found) < 1e-6


def test_a_moment_that_was_missed_is_left_out() -> None:
    """After a sample that took 3.4 s the one that was due at 3 s is taken late, then all is as planned."""
    found = moments(FakeClock(), 1.0, [0.0, 3.4, 0.0, 0.0])
    assert [0.0, 1.0, 4.4, 5.0] == pytest.approx([seconds for seconds, _ in found])
    assert [0.0, 0.0, 0.4, 0.0] == pytest.approx([late for _, late in found], abs=1e-9)


def test_a_stop_is_seen_soon() -> None:
    """A schedule of one sample an hour looks at least four times a second whether to stop."""
    clock = FakeClock()
    found = list(Schedule(3600.0, clock, clock.sleep, lambda: clock.time >= 1007.0))
    assert [(0.0, 0.0)] == found
    assert max(clock.slept) <= 0.25
    assert 1007.0 <= clock.time < 1007.3


@given(
    st.floats(0.01, 100.0),
    st.lists(st.floats(-5000.0, 5000.0, allow_nan=False), min_size=1, max_size=30),
)
def test_seconds_rise_whatever_the_clock_does(every: float, jumps: list[float]) -> None:
    """On a clock that jumps forth and back the seconds of samples rise, start at 0, and are never late before time."""
    found = moments(FakeClock(), every, jumps)
    seconds = [moment for moment, _ in found]
    assert len(jumps) == len(found)
    assert 0.0 == seconds[0]
    assert all(later > earlier for earlier, later in itertools.pairwise(seconds))
    assert all(late >= 0 for _, late in found)
    assert sum(abs(jump) for jump in jumps if jump > 0) + every * len(jumps) >= seconds[-1] - 1e-3
