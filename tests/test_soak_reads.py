"""A reading that fails in a soak is never silence and never good news, whichever it is, whenever and however it fails.

One drive works and shows one sign of trouble; then the same again with one of its readings failing. What is said of it
may not be better, and why the reading failed stands in each form. Sources of what is read, and of what the kernel and a
drive answer: Documentation/ABI/testing/sysfs-class-hwmon, sysfs-bus-pci and sysfs-bus-pci-devices-aer_stats,
Documentation/admin-guide/iostats.rst; NVM Express Base, Get Log Page 02h.
"""

from __future__ import annotations

import csv
import html
import io
import re
from typing import TYPE_CHECKING, Final

import msgspec
import pytest

from agent.audit import audit
from agent.commands.reach import unlisted
from agent.model.findings import Severity
from agent.report import soak_data, soaking
from agent.report.data import encode
from agent.report.page import handover, page
from agent.soak import sampling
from agent.soak.analysis import analyse
from agent.soak.export import csv_rows
from agent.soak.headline import headline
from agent.soak.running import soak
from probes import collect, soaklog
from probes.answers import failed
from probes.samples import DriveSample, End, Moment
from probes.unread import Unread
from tests.failing import ERRORS, HOWS, LINK, LOG, SENSOR, SHORT, Failing, Fault, Sign
from tests.watched import FIRST, STARTED

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from agent.soak.analysed import Analysis, DriveAnalysis
    from probes.samples import Event, Soak

EVERY: Final = 5.0
LENGTH: Final = 360.0
GOOD: Final = frozenset({Severity.OK, Severity.NOTE})
# When a reading fails, and when the sign of trouble is there that it would have told: seconds. A soak asks for a
# drive's own counters each minute, so that each time holds one such moment at least.
WHENS: Final = {
    "start": ((-1e9, 60.0), (15.0, 50.0)),
    "middle": ((100.0, 200.0), (125.0, 175.0)),
    "end": ((230.0, 1e9), (265.0, 340.0)),
    "for good": ((-1e9, 1e9), (125.0, 275.0)),
}
# What fails, and the sign of trouble that it would have told.
READINGS: Final[dict[str, tuple[str | tuple[str, ...], str]]] = {
    "temperature": (f"text {SENSOR}", "temperature"),
    "list of temperatures": ("list /sys/class/hwmon", "temperature"),
    "what a sensor is": ("text /sys/class/hwmon/hwmon1/name", "temperature"),
    "whose a sensor is": ("link /sys/class/hwmon/hwmon1", "temperature"),
    "name of a temperature": ("text /sys/class/hwmon/hwmon1/temp1_label", "temperature"),
    "folder of the drive": ("list /sys/class/nvme/nvme0", "rates"),
    "where the drive hangs": (("link /sys/class/nvme/nvme0", "text /sys/class/nvme/nvme0/address"), "link"),
    "limits": ("nvme identify /dev/nvme0", "temperature"),
    "rates": ("psutil disk_io_counters", "rates"),
    "paths to a drive": ("list /sys/block", "rates"),
    "whether it is counted": ("text /sys/block/nvme0n1/queue/iostats", "rates"),
    "link": (f"text {LINK}", "link"),
    "whether it sleeps": (f"text {FIRST}/power", "link"),
    "errors": (f"text {ERRORS}", "errors"),
    "counters": (f"nvme {LOG}", "counters"),
}
# Lists never come short from a kernel: a name that is not in one is a thing that is not there.
NEVER_SHORT: Final = ("list ", "link ")


def cases() -> list[tuple[str, str, str]]:
    """Each reading, when it fails and how."""
    return [
        (reading, when, how)
        for reading, (key, _) in READINGS.items()
        for when in WHENS
        for how in HOWS
        if how != SHORT or not (key if isinstance(key, str) else key[0]).startswith(NEVER_SHORT)
    ]


class Soaked(msgspec.Struct):
    """A soak with its analysis, what happened in it, and how often a reading failed."""

    log: Soak
    found: Analysis
    events: list[Event]
    failures: int

    @property
    def drive(self) -> DriveAnalysis:
        """The drive whose readings fail."""
        return self.found.drives[0]


def soaked(path: Path, sign: Sign, fault: Fault, reads: Failing | None = None) -> Soaked:
    """A soak of that machine, logged, read again and analysed."""
    reads = reads or Failing(sign, fault)
    seen = audit(collect(reads, (), STARTED))
    head = sampling.head(
        seen, reads, started_at=STARTED, agent="1.0", every=EVERY, command=("render",), unlisted=unlisted(seen.facts)
    )
    path.unlink(missing_ok=True)
    log = soaklog.Writer(str(path), head, b"{}")
    events: list[Event] = []
    end = soak(
        *(reads, log, head),
        clock=reads.clock,
        sleep=reads.clock.sleep,
        stop=lambda: reads.seconds >= LENGTH,
        on_sample=lambda _: None,
        on_event=events.append,
        deadline=60.0,  # seconds of the real clock: no thread is late, however busy this machine is
    )
    log.close(End(end.seconds, "command", 0))
    whole = soaklog.read(str(path))
    return Soaked(whole, analyse(whole), events, reads.failures)


def better(whole: DriveAnalysis, spoilt: DriveAnalysis) -> list[str]:
    """The verdicts that are good where those of the whole run are not."""
    good: dict[str, Callable[[DriveAnalysis], bool]] = {
        "headline": lambda one: headline(one, LENGTH)[0] in GOOD,
        "throttling": lambda one: one.throttling.kind == "none",
        "cooling": lambda one: one.cooling.kind == "enough",
        "forecast": lambda one: one.forecast.kind in {"settles", "steady"},
    }
    return [name for name, is_good in good.items() if is_good(spoilt) and not is_good(whole)]


def reason(how: str) -> str:
    """Why a reading failed that ended in this error; of one that was cut short, that it was."""
    return failed("", how).why if how != SHORT else ""


def silent(one: Soaked, why: str) -> list[str]:
    """The forms in which the reason why a reading failed is not told."""
    told = [*one.drive.missing, *one.found.missing]
    reasons = {item.why for item in told if why in item.why}
    forms = {
        "json": msgspec.json.decode(encode(soak_data.soak(one.found))),
        "text": flat("\n".join(line.plain for line in soaking.analysis(one.found, 200, "log").lines)),
    }
    missing = [*forms["json"]["unread"], *(lost for drive in forms["json"]["drives"] for lost in drive["unread"])]
    return [
        *(["analysis"] if not reasons else []),
        *(["json"] if not reasons <= {lost["why"] for lost in missing} else []),
        *(["text"] if not all(flat(each) in forms["text"] for each in reasons) else []),
    ]


def flat(text: str) -> str:
    """Words with single spaces."""
    return re.sub(r"\s+", " ", text)


# --- The law -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[Sign, Soaked]:
    """The whole runs, one of each sign."""
    path = tmp_path_factory.mktemp("whole") / "a.sqlite"
    signs = {Sign(what, *there) for _, what in READINGS.values() for _, there in WHENS.values()}
    return {sign: soaked(path, sign, Fault()) for sign in (Sign(), *signs)}


@pytest.mark.long
@pytest.mark.parametrize(("reading", "when", "how"), cases())
def test_a_reading_that_fails_makes_nothing_better(
    tmp_path: Path, whole: dict[Sign, Soaked], reading: str, when: str, how: str
) -> None:
    """With one reading failing no verdict is better than in the whole run, and where it failed the reason is told."""
    key, what = READINGS[reading]
    fails, there = WHENS[when]
    sign = Sign(what, *there)
    spoilt = soaked(tmp_path / "a.sqlite", sign, Fault(key, how, *fails))
    assert spoilt.failures or when != "for good"
    assert [] == better(whole[sign].drive, spoilt.drive)
    assert [] == (silent(spoilt, reason(how)) if spoilt.failures else [])


@pytest.mark.parametrize("sign", sorted({what for _, what in READINGS.values()}))
def test_the_whole_run_sees_the_trouble(whole: dict[Sign, Soaked], sign: str) -> None:
    """Each sign of trouble is bad news where all can be read, and a drive without any is well: the law has teeth."""
    for _, there in WHENS.values():
        assert headline(whole[Sign(sign, *there)].drive, LENGTH)[0] not in GOOD
    calm = whole[Sign()].drive
    assert ((Severity.OK, "no throttling"), "none", "enough") == (
        headline(calm, LENGTH),
        calm.throttling.kind,
        calm.cooling.kind,
    )
    assert () == calm.missing


@pytest.mark.long
@pytest.mark.parametrize("reading", READINGS)
@pytest.mark.parametrize("when", ["start", "for good"])
def test_a_drive_that_is_well_is_no_fault_and_the_reason_stands_in_each_form(
    tmp_path: Path, reading: str, when: str
) -> None:
    """A calm drive of which one reading fails has no fault laid to it, and every form says what failed and why."""
    key, _ = READINGS[reading]
    one = soaked(tmp_path / "a.sqlite", Sign(), Fault(key, "EIO", *WHENS[when][0]))
    why = reason("EIO")
    assert one.failures
    assert Severity.FAULT is not headline(one.drive, LENGTH)[0]
    assert [] == silent(one, why)
    source = ("soak.sqlite (log)", one.log, one.found)
    assert why in flat(html.unescape(page([], [source], None, STARTED)))
    assert why in flat(handover.report([], [source], None, STARTED).replace("\\", ""))


@pytest.mark.parametrize("reading", ["temperature", "rates", "link", "errors", "counters"])
def test_a_row_says_what_could_not_be_read_at_its_time(tmp_path: Path, reading: str) -> None:
    """In csv the cell of what failed is empty, and the reason stands in the row, at that time and at no other."""
    key, _ = READINGS[reading]
    one = soaked(tmp_path / "a.sqlite", Sign(), Fault(key, "EIO", 100.0, 200.0))
    rows = [row for row in table(one.log) if (row["kind"], row["name"]) == ("drive", "nvme0")]
    spoilt = [float(row["seconds"]) for row in rows if row["unread"]]
    # Of counters nothing is known until they are asked for again.
    first, after = (120.0, 240.0) if reading == "counters" else (100.0, 200.0)
    assert [at for at in map(float, (row["seconds"] for row in rows)) if first <= at < after] == spoilt
    assert {f"{reading}: {reason('EIO')}"} == {row["unread"] for row in rows if row["unread"]}
    columns = {"temperature": "celsius", "rates": "read_mbps", "link": "link_lanes", "errors": "link_errors"}
    cells = {row[columns.get(reading, "warning_minutes")] for row in rows if row["unread"]}
    assert {""} == cells


def table(log: Soak) -> list[dict[str, str]]:
    """The csv of a log, read back."""
    return list(csv.DictReader(io.StringIO("".join(csv_rows(log)), newline="")))


def test_what_fails_and_comes_back_is_told_when_it_happens(tmp_path: Path) -> None:
    """A reading that fails is told of once as that begins, with the reason, and once as it can be read again."""
    one = soaked(tmp_path / "a.sqlite", Sign(), Fault(f"text {LINK}", "EIO", 100.0, 200.0))
    told = [(event.seconds, event.kind, event.drive, event.words) for event in one.events]
    assert [
        (100.0, "unread", "nvme0", f"its link could not be read: {reason('EIO')}"),
        (200.0, "unread", "nvme0", "its link can be read again"),
    ] == told
    assert tuple(one.events) == one.log.events


def test_a_temperature_beside_the_drives_that_fails_is_told(tmp_path: Path) -> None:
    """What could not be read of the board stands among the notes of each form, and in the rows of its sensor."""
    one = soaked(tmp_path / "a.sqlite", Sign(), Fault("text /sys/class/hwmon/hwmon0/temp1_input", "EIO", 100.0))
    words = f"the temperature of acpitz could not be read from 0:01:40 on: {reason('EIO')}"
    assert words in one.found.notes
    assert (Severity.OK, "no throttling") == headline(one.drive, LENGTH)
    assert [] == silent(one, reason("EIO"))
    rows = [row for row in table(one.log) if row["kind"] == "other"]
    assert [""] * 20 + [f"other_1: {reason('EIO')}"] * (len(rows) - 20) == [row["unread"] for row in rows]
    assert [(100.0, None, f"the temperature of acpitz could not be read: {reason('EIO')}")] == [
        (event.seconds, event.drive, event.words) for event in one.events
    ]


def test_an_ordinary_user_is_told_what_root_would_add(tmp_path: Path) -> None:
    """Without root temperatures, rates and links are as they are; what only root may read is told, and left open."""
    reads = Failing(Sign(), Fault(), privileged=False)
    one = soaked(tmp_path / "a.sqlite", Sign(), Fault(), reads)
    assert ["warning limit", "counters"] == [lost.what for lost in one.drive.missing]
    assert {(True, reason("EACCES"))} == {(lost.needs_root, lost.why) for lost in one.drive.missing}
    assert ((Severity.UNKNOWN, "throttling not known"), "unknown") == (
        headline(one.drive, LENGTH),
        one.drive.cooling.kind,
    )
    assert one.drive.cooling.words.startswith("as far as it was read, for the 6 min of load that were seen, not known ")
    assert "the super-user may read it" in one.drive.cooling.words
    assert one.drive.temperatures is not None
    assert one.drive.load is not None


# --- The law itself is tried ----------------------------------------------------------------------------------------


def without_reasons(drive: DriveSample) -> DriveSample:
    """The sample of a drive with nothing in the place of each reason."""
    lost = {name: None for name in drive.__struct_fields__ if isinstance(getattr(drive, name), Unread)}
    celsius = tuple(None if isinstance(value, Unread) else value for value in drive.celsius)
    return msgspec.structs.replace(drive, celsius=celsius, **lost)


@pytest.mark.parametrize("reading", ["temperature", "rates", "link", "errors", "counters"])
def test_the_law_finds_a_sampler_that_drops_the_reasons(
    tmp_path: Path, whole: dict[Sign, Soaked], monkeypatch: pytest.MonkeyPatch, reading: str
) -> None:
    """A sampler that has None where a reading failed breaks the law twice: news is better, and nothing says why."""
    take = sampling.Sampler.take

    def dropping(self: sampling.Sampler, seconds: float, late: float, **more: bool) -> tuple[Moment, list[Event]]:
        sample, events = take(self, seconds, late, **more)
        return Moment(sample.seconds, sample.late, tuple(map(without_reasons, sample.drives)), sample.others), events

    monkeypatch.setattr(sampling.Sampler, "take", dropping)
    key, what = READINGS[reading]
    fails, there = WHENS["end"]
    sign = Sign(what, *there)
    spoilt = soaked(tmp_path / "a.sqlite", sign, Fault(key, "EIO", *fails))
    assert spoilt.failures
    assert silent(spoilt, reason("EIO"))
    assert better(whole[sign].drive, spoilt.drive)
