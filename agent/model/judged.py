"""A link with its verdict: what the comparer gives and everything after it reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from agent.model.findings import Evidence, Rate, Verdict
from agent.model.throughput import link_mbps

if TYPE_CHECKING:
    from agent.model.machine import Link


class Judged(Struct, frozen=True):
    """A link with its verdict.

    `now` has the lanes of the last look, or the fewest where they come and go, and the lowest speed seen with them;
    `looks` are all of them, (seconds after the first, rate or None).
    `why` is one sentence for people, of a dark port `brief` is its first clause; `needs_root` tells that the super-user
    might learn more; `notable` that an unknown link without a card is worth a finding of its own; `link_up` that such
    a link is up all the same.
    """

    link: Link
    verdict: Verdict
    why: str
    now: Rate | None = None
    port_can: Rate | None = None
    device_can: Rate | None = None
    best: Rate | None = None
    evidence: tuple[Evidence, ...] = ()
    looks: tuple[tuple[float, Rate | None], ...] = ()
    needs_root: bool = False
    contradicts: bool = False
    port_hidden: bool = False
    notable: bool = False
    link_up: bool = False
    brief: str = ""

    @property
    def port_address(self) -> str | None:
        """The port's address, None where it is not visible."""
        return self.link.port.address if self.link.port is not None else None

    @property
    def device_address(self) -> str | None:
        """Function 0 of the component below, None where nothing answers."""
        return self.link.device.address if self.link.device is not None else None

    @property
    def subject(self) -> str:
        """The address a finding about this link goes by: the card's, or the port's where nothing answers."""
        return self.device_address or self.port_address or ""

    @property
    def is_drive(self) -> bool:
        """Whether the link leads straight to an NVMe drive, claimed by a driver or not."""
        return self.link.leads_to_drive

    @property
    def fresh(self) -> Literal["live", "refreshed", "start-up"]:
        """How current the link status is (see `PciFunction`): that of the device's end, else of the port's."""
        end = self.link.device or self.link.port
        return "live" if end is None else end.fresh

    @property
    def mbps(self) -> float | None:
        """Link rate now, MB/s (10^6 bytes, one direction, after line coding); None where it says nothing."""
        if self.now is None or self.verdict is Verdict.VIRTUAL or self.link.device is None:
            return None
        return link_mbps(self.now.speed, self.now.width)

    @property
    def below_best(self) -> bool:
        """Whether another look could change the verdict: something is lower than both ends can do."""
        return self.verdict.kind.below_best or (self.verdict is Verdict.UNKNOWN and self.link.device is not None)
