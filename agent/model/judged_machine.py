"""A machine, built and judged once: its links with their verdicts, its drives with their rates, its slots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model import machine as topology
from agent.model import unseen_parts, verdicts
from agent.model.drive_rates import DriveRates, paths_of_drives
from agent.model.stripes import stripe_sets
from agent.model.throughput import Hop, link_mbps, together
from agent.model.throughput import alone as alone_with
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from agent.model.expected import Expectations
    from agent.model.findings import Rate, Verdict
    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.model.sheet_parts import MatchedSheet
    from agent.model.shelf import Shelf
    from agent.model.stripes import StripeSeen
    from agent.model.throughput import Flow, Share
    from probes.facts import Facts

LEAST_GAIN: Final = 0.5  # MB/s; less is a matter of rounding


class JudgedMachine(Struct, frozen=True):
    """A machine with its verdicts, all that a rule may see: the machine, its judged links, and what its drives reach.

    `flows` are the drives whose paths are made of rated hops, `hops` those hops by key; the shares `alone` and
    `together` are by the drive's name, for reading. `expected` is what a build sheet expects, if one was given, and
    `matched` which part of the machine each of its parts is (None too where the machine could not be listed). `moves`
    are better slots for cards, by the card's link. `notes` are field notes of the user's own.
    """

    machine: Machine
    judged: tuple[Judged, ...]
    by_key: dict[str, Judged]
    flows: tuple[Flow, ...]
    hops: dict[str, Hop]
    alone: dict[str, Share]
    together: dict[str, Share]
    stripes: tuple[StripeSeen, ...] = ()
    expected: Expectations | None = None
    matched: MatchedSheet | None = None
    moves: dict[str, Move] = {}
    notes: Shelf | None = None

    def at(self, key: str) -> Judged | None:
        """The judged link of this key (`Link.key`)."""
        return self.by_key.get(key)

    def gain_mbps(self, key: str, rate: Rate) -> float | None:
        """What a link at another rate would bring, MB/s at most; None if nothing.

        With drives behind it, it is what these would gain by the one throughput model: with every drive reading, or,
        where that is nothing, one of them alone. What drives beside them then get is no matter of this link. For other
        cards it is the gain in link rate.
        """
        judged = self.by_key[key]
        hop = self.hops.get(key)
        if hop is None:
            gain = link_mbps(rate.speed, rate.width) - (judged.mbps or 0.0)
        else:
            tops = {flow.hops[-1] for flow in self.flows if key in flow.hops}
            flows = [flow for flow in self.flows if flow.hops[-1] in tops]
            better = {**self.hops, key: Hop(key, rate.speed, rate.width, hop.payload_bytes, hop.request_bytes)}
            after = together(flows, better)
            behind = [flow for flow in flows if key in flow.hops]
            gain = sum(after[flow.name].high - self.together[flow.name].high for flow in behind)
            if gain <= LEAST_GAIN:
                gain = max(alone_with(flow, better).high - self.alone[flow.name].high for flow in behind)
        return gain if gain > LEAST_GAIN else None

    def unrated(self, key: str) -> Unread | None:
        """Why more drives may be behind a link than the rates were worked out of; None where they are all known."""
        rated = {flow.name for flow in self.flows}
        for path in self.machine.paths:
            behind = any(hop.key == key for hop in path.hops)
            if path.drive.kind != "nvme" or path.drive.name in rated or not (behind or path.lost is not None):
                continue
            return path.lost or Unread(f"the rate of {path.drive.name}", "a link on its way has none that is known")
        return unseen_parts.drives(self.machine.facts)

    def with_verdict(self, verdict: Verdict) -> Iterator[Judged]:
        """The links of one verdict."""
        return (judged for judged in self.judged if judged.verdict is verdict)

    def sheet_moves(self, key: str | None) -> bool:
        """Whether a build sheet has this link's card in another place, or another card in its place."""
        return self.matched is not None and key in self.matched.moving()

    def own_links(self) -> dict[str, Judged | None]:
        """The own link of each NVMe drive, by its name; a disk on a cable sits in no slot of its own."""
        return {
            path.drive.name: self.at(path.hops[0].key)
            for path in self.machine.paths
            if path.hops and path.drive.kind == "nvme"
        }


class Move(Struct, frozen=True):
    """A better place for a card: the slot in words, the rate there, and whose card is there now (None: free).

    `described` tells that the firmware describes the slot, so that a connector is known to be there; None where its
    description could not be read.
    """

    slot: str
    rate: Rate
    gain_mbps: float
    swaps_with: str | None = None
    needs_carrier: bool = False
    described: bool | None = True


def judge(
    facts: Facts, expected: Expectations | None, limits: Mapping[str, tuple[float | None, float | None]]
) -> tuple[JudgedMachine, DriveRates]:
    """Build the machine of these facts, give every link its verdict, work out what its drives reach.

    `expected` is what a build sheet expects, `limits` what drives can give and take themselves (see `agent.audit`).
    """
    built = topology.build(facts)
    judged = verdicts.judge(built)
    by_key = {link.link.key: link for link in judged}
    flows, hops = paths_of_drives(built, by_key, limits)
    rates = DriveRates(flows, hops)
    sets = tuple(stripe_sets(built, flows, hops)) if facts.stripes else ()
    matched = None
    if expected is not None and built.functions:
        from agent.model.sheet_matching import match_parts

        matched = match_parts(built, judged, expected)
    seen = JudgedMachine(
        built, judged, by_key, flows, hops, rates.alone, rates.together, sets, expected=expected, matched=matched
    )
    return seen, rates
