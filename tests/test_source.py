"""Where readings come from: when a link is looked at again, and when that would show nothing new."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from agent.source import LOOKS, Clock, Source
from probes import collect
from tests.plists import BRIDGE, ENDPOINT, GEN_3_X4, NVME, ROOT_PORT, express, function, reads, root

if TYPE_CHECKING:
    from probes.reads import Recorded


def slow_link(kernel: str, status: int = 0x1041) -> Recorded:
    """A Darwin machine with a drive whose link is below its best (2.5 GT/s of 8 GT/s), on this kernel."""
    card = function(0x202, (1, 0, 0), NVME, more=express(ENDPOINT, GEN_3_X4, status))
    return reads(pci=[function(0x201, (0, 1, 0), BRIDGE, card, more=express(ROOT_PORT))], host=root(kernel))


class Time:
    """A clock that goes on only while one sleeps."""

    def __init__(self) -> None:
        """Begin at 0."""
        self.seconds = 0.0

    def sleep(self, seconds: float) -> None:
        """Go on."""
        self.seconds += seconds

    def clock(self) -> Clock:
        """The clock."""
        return Clock(lambda: "2026-03-02T09:00:00+00:00", lambda: self.seconds, self.sleep)


@pytest.mark.parametrize(("kernel", "count"), [("16.7.0", 0), ("22.6.0", 0), ("25.0.0", len(LOOKS))])
def test_a_link_is_looked_at_again_only_where_its_status_is_live(kernel: str, count: int) -> None:
    """A status that the system keeps as it once was is not waited for: no time passes, and nobody is told of a wait."""
    first, later, time = slow_link(kernel), slow_link(kernel, 0x1043), Time()
    told: list[str] = []
    source = Source(None, None, "darwin", time.clock, told.append)
    looks = source.look_again(later, first, collect(first), 3.0, time.clock())
    assert [offset for offset, _ in looks] == [round(part * 3.0, 3) for part in LOOKS][:count]
    assert all(list(look.answers) == ["registry pci"] for _, look in looks)
    assert (time.seconds, len(told)) == ((3.0, 1) if count else (0.0, 0))
