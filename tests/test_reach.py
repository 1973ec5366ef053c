"""Commands that a platform has no use for say so before they begin, and leave nothing behind."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from agent.commands import measuring, session
from agent.commands.reach import check_followed
from agent.measure import measured
from agent.source import Clock, Source
from knowledge.problems import BadInput, NothingRead
from probes import PLATFORMS
from probes import platform as platform_of
from tests.watched import two_drives

if TYPE_CHECKING:
    from pathlib import Path

    from agent.commands.session import View
    from probes.samples import Head

CLOCK = Clock(lambda: "2026-03-02T09:00:00+00:00", lambda: 0.0, lambda _: None)


def no_view(head: Head, place: str) -> View:
    """A view that is never wanted."""
    raise AssertionError((head, place))


def test_a_soak_is_refused_where_drives_cannot_be_followed(tmp_path: Path) -> None:
    """One sentence says why and what works; no command is run and no log is left."""
    log = tmp_path / "soak.log"
    asked = session.SoakRequest(
        command=("touch", str(tmp_path / "ran")), every=5.0, lasts=None, log=str(log), root=None, keep_serials=False
    )
    around = session.Surroundings(platform="darwin", environ={}, clock=lambda: CLOCK, wall=lambda: 0.0)
    with pytest.raises(NothingRead, match="lanewright check and capture work here"):
        session.run(asked, around, no_view)
    assert list(tmp_path.iterdir()) == []


def machine(folder: Path, *unlisted: str) -> Source:
    """A machine of files with one drive, of which these folders cannot be listed."""
    two_drives().write_below(folder)
    for path in unlisted:
        shutil.rmtree(folder / path)
        (folder / path).write_text("")
    return Source(None, str(folder), "linux", lambda: CLOCK)


def wanted() -> measured.MeasureRequest:
    """A measurement as short as can be."""
    return measured.MeasureRequest(seconds=0.2)


@pytest.mark.parametrize("name", ["nvme77", "/dev/nvme77", "nvme77n1"])
def test_a_drive_that_cannot_be_looked_for_is_no_bad_word(tmp_path: Path, name: str) -> None:
    """Where the list of drives could not be read, a name that leads nowhere is not said to be that of no drive."""
    source = machine(tmp_path, "sys/class/nvme")
    with pytest.raises(NothingRead) as problem:
        measuring.run((name,), wanted(), source, CLOCK)
    reason = "which NVMe drives there are (/sys/class/nvme) could not be read: not a directory (ENOTDIR)"
    assert f'"{name}" cannot be found, as {reason}' == str(problem.value)


@pytest.mark.parametrize("unlisted", [(), ("sys/class/nvme",)])
def test_what_is_no_drive_stays_a_bad_word(tmp_path: Path, unlisted: tuple[str, ...]) -> None:
    """What is there and is no drive is refused as such, whatever the lists say; so is a drive that is not there."""
    source = machine(tmp_path / "machine", *unlisted)
    names = ("/dev/null", str(tmp_path), *(() if unlisted else ("nvme77",)))
    for name in names:
        with pytest.raises(BadInput):
            measuring.run((name,), wanted(), source, CLOCK)


def test_measuring_is_refused_where_drives_cannot_be_followed() -> None:
    """Nothing is read from a drive whose way cannot be watched meanwhile."""
    asked = measured.MeasureRequest(seconds=1.0)
    source = Source(None, None, "darwin", lambda: CLOCK)
    with pytest.raises(NothingRead, match="measure needs to follow drives"):
        measuring.run(("disk0",), asked, source, CLOCK)


@pytest.mark.parametrize("platform", ["linux", "freebsd"])
def test_other_platforms_are_not_refused_here(platform: str) -> None:
    """What nothing is known of says so when it is read."""
    check_followed("soak", platform)


def test_every_platform_says_of_each_kind_of_fact_what_it_gives() -> None:
    """No kind that one platform names is passed over by another; the configuration space is its registers elsewhere."""
    told = {name: {*platform_of(name).offers, *platform_of(name).without} for name in PLATFORMS}
    kinds = set().union(*told.values()) - {"configuration space"}
    assert len(kinds) > 5
    assert {name: set() for name in PLATFORMS} == {name: kinds - found for name, found in told.items()}
