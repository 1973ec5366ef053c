"""Limits of drives that an ordinary user cannot read, from what was read elsewhere: which are taken, how that is said.

That the warning temperature takes the super-user on Linux: drivers/nvme/host/hwmon.c gives temp1_crit to everybody, and
temp1_max by Get Features, which this program never sends. That one model with one firmware has one limit is common
practice.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from agent.commands import session
from agent.report.soak_words import limit as limit_words
from agent.sheets.sheet import DriveSpec, MachineSpec, Sheet
from agent.soak.analysis import analyse
from agent.soak.known_limits import KnownLimit, completed, of_facts, of_head, of_sheet, with_limits
from probes import soaklog
from probes.samples import CRITICAL_LIMIT, WARNING_LIMIT, End
from probes.unread import Unread
from tests.soaks import hot, soak
from tests.test_cli import run
from tests.test_reach import CLOCK
from tests.test_rules import facts_of
from tests.test_soak_log import CAPTURE, drive_head, head, sample

if TYPE_CHECKING:
    from probes.samples import Head

SOURCE = "the capture tower.json of 2026-03-02"
RULED = Unread(WARNING_LIMIT, "only root may read it", needs_root=True)


def ordinary(critical: float | None = None) -> Head:
    """The head of a soak by an ordinary user: a drive without a warning limit."""
    drive = structs.replace(drive_head("nvme0"), warning_celsius=None, critical_celsius=critical, unread=(RULED,))
    return structs.replace(head(1), drives=(drive,))


def known(
    warning: float | None = 81.85, firmware: str | None = "RL4B2.10", model: str = "Ostrayne Reel 4"
) -> KnownLimit:
    """A limit that is known of a kind of drive."""
    return KnownLimit(model, firmware, warning, 84.85, SOURCE)


def test_limits_of_the_same_kind_are_taken_and_named() -> None:
    """Model and firmware alike: both limits are taken, with where they were read; the failed reading stays told."""
    (drive,) = completed(ordinary(), [known()]).drives
    assert (81.85, 84.85) == (drive.warning_celsius, drive.critical_celsius)
    assert {WARNING_LIMIT: SOURCE, CRITICAL_LIMIT: SOURCE} == drive.limits_from
    assert (RULED,) == drive.unread


def test_what_was_read_itself_is_kept() -> None:
    """A critical limit that the drive tells is not replaced by one from elsewhere."""
    (drive,) = completed(ordinary(critical=83.0), [known()]).drives
    assert (81.85, 83.0) == (drive.warning_celsius, drive.critical_celsius)
    assert {WARNING_LIMIT: SOURCE} == drive.limits_from


@pytest.mark.parametrize(
    "limits",
    [
        [known(firmware="RL4B3.00")],
        [known(model="Quillmark Folio")],
        [known(), known(warning=70.0)],
        [known(warning=None)],
        [],
    ],
)
def test_another_kind_and_sources_that_differ_tell_nothing(limits: list[KnownLimit]) -> None:
    """Another firmware or model, two sources that disagree, and a source without the limit leave it unknown."""
    (drive,) = completed(ordinary(), limits).drives
    assert drive.warning_celsius is None
    assert WARNING_LIMIT not in drive.limits_from


def test_a_sheet_without_a_firmware_speaks_for_all() -> None:
    """What a person wrote for a model holds for its drives whatever firmware they have."""
    sheet = Sheet(
        source="a.toml",
        machine=MachineSpec(),
        drives=(DriveSpec(name="a", generation=4, model="Ostrayne Reel 4", warning_celsius=77.0),),
    )
    (drive,) = completed(ordinary(), of_sheet(sheet, "the build sheet a.toml")).drives
    assert (77.0, "the build sheet a.toml") == (drive.warning_celsius, drive.limits_from[WARNING_LIMIT])


def test_captures_and_logs_give_what_was_read() -> None:
    """A capture as root and the head of a log give limits; a log's own borrowed ones are no new source."""
    limits = {limit.model: limit.warning for limit in of_facts(facts_of("bench-1-upgraded"), SOURCE)}
    assert 74.85 == pytest.approx(limits["Quillmark Folio 1TB"])
    assert [80.0] == [limit.warning for limit in of_head(head(1), "a log")]
    borrowed = completed(ordinary(), [known()])
    assert [(None, None)] == [(limit.warning, limit.critical) for limit in of_head(borrowed, "a log")]


def test_a_known_limit_carries_the_verdict_and_is_named() -> None:
    """A drive that slows at a limit that only another source knows is held against it, and the page says whose."""
    made = soak(hot(warning=None, critical=None))
    heads = tuple(structs.replace(drive, unread=(RULED,)) for drive in made.head.drives)
    tracks = tuple(structs.replace(track, head=drive) for track, drive in zip(made.tracks, heads, strict=True))
    made = structs.replace(made, head=structs.replace(made.head, drives=heads), tracks=tracks)
    same = KnownLimit("Harrow Lane test drive", "H1", 81.85, 84.85, SOURCE)
    (found,) = analyse(with_limits(made, [same])).drives
    assert found.limit is not None
    assert (81.85, SOURCE) == (found.limit.celsius, found.limit.source)
    assert f"as {SOURCE} has it" in limit_words(found)[0]
    assert any(missing.what == WARNING_LIMIT and not missing.weighs for missing in found.missing)


def test_an_earlier_log_is_found_by_itself_and_files_are_taken(tmp_path: Path) -> None:
    """`--limits` takes a log, a capture or a build sheet; what is none of them is refused in one sentence."""
    path = tmp_path / "blind.sqlite"
    log = soaklog.Writer(str(path), ordinary(), CAPTURE)
    log.add(structs.replace(sample(0.0), drives=sample(0.0).drives[:1]))
    log.commit()
    log.close(End(1.0, "time", None))
    rooted = tmp_path / "root.sqlite"
    log = soaklog.Writer(str(rooted), head(1), CAPTURE)
    log.add(structs.replace(sample(0.0), drives=sample(0.0).drives[:1]))
    log.commit()
    log.close(End(1.0, "time", None))
    sheet = tmp_path / "a.toml"
    sheet.write_text(
        'format = "lanewright-sheet"\nversion = 1\n[[drive]]\nname = "a"\ngeneration = 4\nmodel = "Ostrayne Reel 4"\n'
        "warning_celsius = 80.0\n"
    )
    assert "limit" in run("soak", "--show", str(path)).output
    assert "80 C" not in run("soak", "--show", str(path)).output
    for file in (rooted, sheet):
        done = run("soak", "--show", str(path), "--limits", str(file))
        assert (0, "") == (done.status, done.errors)
        assert "80 C (warning, as the" in " ".join(done.output.split())
    done = run("soak", "--show", str(path), "--limits", str(tmp_path / "none"))
    assert (2, "") == (done.status, done.output)
    capture = run("soak", "--show", str(path), "--limits", "fixtures/bench-1-upgraded/capture.json")
    assert 0 == capture.status


def test_a_source_is_named_without_its_folders(tmp_path: Path) -> None:
    """A log is handed on: the folders of the one that lent a limit, which name the user, and broken bytes stay out."""
    path = tmp_path / "alice" / os.fsdecode(b"root\xff.sqlite")
    path.parent.mkdir()
    log = soaklog.Writer(str(path), head(1), CAPTURE)
    log.commit()
    log.close(End(1.0, "time", None))
    around = session.Surroundings(platform="linux", environ={}, clock=lambda: CLOCK, wall=lambda: 0.0)
    sources = {limit.source for limit in session.known_limits((str(path),), around)}
    assert {"the log root\\udcff.sqlite of 2026-03-02T08:30:00Z"} == sources


def test_only_the_latest_logs_are_opened_for_limits(tmp_path: Path) -> None:
    """Of many logs the last by name are read: a folder of years holds no soak up."""
    for number in range(4):
        log = soaklog.Writer(str(tmp_path / f"{number}.sqlite"), head(1), CAPTURE)
        log.commit()
        log.close(End(1.0, "time", None))
    (tmp_path / "9.txt").write_text("no log")
    assert {"2.sqlite", "3.sqlite"} == {Path(path).name for path, *_ in soaklog.listed(str(tmp_path), 2)}
    assert 4 == len(soaklog.listed(str(tmp_path)))
