"""What a rule is, and what it may see. Rules hold no state and change nothing they see."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.throughput import Hop, link_mbps, together
from agent.model.throughput import alone as alone_with

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from agent.model.expected import Planned
    from agent.model.findings import Evidence, Rate, Severity
    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from agent.model.throughput import Flow, Share
    from agent.notes.shelf import Shelf
    from agent.rules.plan.parts import Matched
    from probes.facts import StripeSet
    from probes.unread import Unread


LEAST_GAIN: Final = 0.5  # MB/s; less is a matter of rounding


class StripeSeen(Struct, frozen=True, kw_only=True):
    """A stripe set with what it should reach, (low, high) in MB/s, alone and while all other drives work as well.

    Where no rate can be told, `why` says so and the rates are None. `raid` is None for what is no RAID of the model.
    `narrowest` is the key of the hop that decides while all drives are read, `narrowest_alone` that of the set alone.
    """

    stripe: StripeSet
    raid: int | None
    why: str = ""
    alone: tuple[float, float] | None = None
    together: tuple[float, float] | None = None
    alone_write: tuple[float, float] | None = None
    together_write: tuple[float, float] | None = None
    narrowest: str | None = None
    narrowest_alone: str | None = None
    copies_read: str = ""


class Seen(Struct, frozen=True):
    """All that a rule may see: the machine, its judged links, and what its drives reach.

    `flows` are the drives whose paths are made of rated hops, `hops` those hops by key; the shares `alone` and
    `together` are by the drive's name, for reading. `planned` is what a build sheet expects, if one was given, and
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
    planned: Planned | None = None
    matched: Matched | None = None
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


class Hand(Struct, frozen=True):
    """One thing to do by hand with one part, in its place in an order that matters.

    `action` is the kind of step; `part`, `here` and `there` are words for the part, its place now and its place after.
    """

    action: str
    part: str
    here: str = ""
    there: str = ""
    gain_mbps: float | None = None


class Found(Struct, frozen=True):
    """What one rule saw on one subject. The runner makes it a finding with id, severity and steps.

    `severity` overrides the rule's own; `judged`, `move` and `lanes_shared` (a slot offers fewer lanes than are wired)
    feed the steps. `drive` tells that `subject` is the name of a drive, and `judged` its own link. `part` and `place`
    are words for what hands go to and for its slot, where these do not follow from `judged`; `without` are steps of the
    rule that do not fit what was found. `hands` are what is to be done with several parts, in order; `advises` are
    steps beyond those of the rule.
    """

    subject: str
    headline: str
    evidence: tuple[Evidence, ...]
    severity: Severity | None = None
    judged: Judged | None = None
    move: Move | None = None
    gain_mbps: float | None = None
    lanes_shared: bool = False
    drive: bool = False
    part: str = ""
    place: str = ""
    without: tuple[str, ...] = ()
    hands: tuple[Hand, ...] = ()
    advises: tuple[str, ...] = ()


class Rule(Struct, frozen=True):
    """A registered rule: its id, the severity it gives, machines of `fixtures/` it must and must not fire on."""

    id: str
    severity: Severity
    fires_on: tuple[str, ...]
    quiet_on: tuple[str, ...]
    run: Callable[[Seen], Iterator[Found | Unread]]

    @property
    def title(self) -> str:
        """The first line of the rule's docstring, without its full stop."""
        return (self.run.__doc__ or "").strip().split("\n", 1)[0].rstrip(".")


RULES: Final[dict[str, Rule]] = {}


def rule(
    name: str, severity: Severity, *, fires_on: tuple[str, ...], quiet_on: tuple[str, ...]
) -> Callable[[Callable[[Seen], Iterator[Found | Unread]]], Callable[[Seen], Iterator[Found | Unread]]]:
    """Register a rule under a name that nobody else has (ValueError)."""

    def register(run: Callable[[Seen], Iterator[Found | Unread]]) -> Callable[[Seen], Iterator[Found | Unread]]:
        if name in RULES:
            raise ValueError(f"two rules are called {name}")
        RULES[name] = Rule(name, severity, fires_on, quiet_on, run)
        return run

    return register
