"""Commands that a platform has no use for say so before they begin, and leave nothing behind."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from agent.commands import measuring, session
from agent.commands.reach import check_followed
from agent.measure import measured
from agent.source import Clock, Source
from knowledge.problems import NothingRead

if TYPE_CHECKING:
    from pathlib import Path

    from agent.commands.session import View
    from agent.soak.samples import Head

CLOCK = Clock(lambda: "2026-03-02T09:00:00+00:00", lambda: 0.0, lambda _: None)


def no_view(head: Head, place: str) -> View:
    """A view that is never wanted."""
    raise AssertionError((head, place))


def test_a_soak_is_refused_where_drives_cannot_be_followed(tmp_path: Path) -> None:
    """One sentence says why and what works; no command is run and no log is left."""
    log = tmp_path / "soak.log"
    asked = session.Asked(
        command=("touch", str(tmp_path / "ran")), every=5.0, lasts=None, log=str(log), root=None, keep_serials=False
    )
    around = session.Surroundings(platform="darwin", environ={}, clock=lambda: CLOCK, wall=lambda: 0.0)
    with pytest.raises(NothingRead, match="lanewright check and capture work here"):
        session.run(asked, around, no_view)
    assert list(tmp_path.iterdir()) == []


def test_measuring_is_refused_where_drives_cannot_be_followed() -> None:
    """Nothing is read from a drive whose way cannot be watched meanwhile."""
    block, depth = measured.SEQUENTIAL
    asked = measured.Asked(
        seconds=1.0, max_bytes=None, block=block, depth=depth, pattern="sequential", together=False, hot=False
    )
    source = Source(None, None, "darwin", lambda: CLOCK)
    with pytest.raises(NothingRead, match="measure needs to follow drives"):
        measuring.run(("disk0",), asked, source, CLOCK)


@pytest.mark.parametrize("platform", ["linux", "freebsd"])
def test_other_platforms_are_not_refused_here(platform: str) -> None:
    """What nothing is known of says so when it is read."""
    check_followed("soak", platform)
