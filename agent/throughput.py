"""The one throughput model: what a link carries, what a drive should reach alone, and together with its neighbours.

Arithmetic only: no machine, no reading, no words for people. MB/s are 10^6 bytes per second, one way. Speeds are
generation numbers (1 is 2.5 GT/s), widths are lanes. Direction "to_host" is a drive being read, "to_drive" a drive
being written.

Sources: the bound is the link rate less the overhead of each packet (Neugebauer et al., SIGCOMM 2018); in one-way
traffic the acknowledgements travel the other way and cost it almost nothing. The lower end of a range is the trade's
rule of thumb (common practice). Sharing is max-min fair: nobody can get more without taking it from somebody who has
as little or less (Bertsekas and Gallager, Data Networks, section 6.5.2).
"""

from __future__ import annotations

from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from knowledge.rates import (
    FIRST_FLIT_GENERATION,
    FLIT_PACKET_BYTES,
    FLIT_SHARE,
    PACKET_BYTES,
    PAYLOADS,
    RULE_OF_THUMB,
    lane_mbps,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

Direction = Literal["to_host", "to_drive"]

# Rates closer than this share of themselves are equal: what floating point may differ by, and no more.
SAME: Final = 1e-9


class Hop(Struct, frozen=True):
    """One link on the way from a drive to the processor; `payload_bytes` is None where it could not be read."""

    key: str
    speed: int
    width: int
    payload_bytes: int | None


class Flow(Struct, frozen=True):
    """A drive at work: the keys of its hops from the drive to the processor, and its own limit if one is known."""

    name: str
    hops: tuple[str, ...]
    limit_mbps: float | None


class Share(Struct, frozen=True):
    """What a drive should reach, MB/s, and the key of the hop that decides it (None: the drive's own limit does).

    Which one decides is told by the upper end: that is where physics binds.
    """

    low: float
    high: float
    narrowest: str | None


# --- One link --------------------------------------------------------------------------------------------------


def link_mbps(speed: int, width: int) -> float:
    """Link rate: all lanes, after line coding."""
    return lane_mbps(speed) * width


def ceiling_mbps(speed: int, width: int, payload_bytes: int | None, direction: Direction = "to_host") -> float:
    """The most that the data of one-way transfers can reach at this Max Payload Size.

    Where the payload size is not known, the largest one of the specification gives a bound that holds for all.
    """
    payload = PAYLOADS[-1] if payload_bytes is None else payload_bytes
    rate = link_mbps(speed, width)
    if speed < FIRST_FLIT_GENERATION:
        return rate * payload / (payload + PACKET_BYTES[direction])
    packets, whole = FLIT_SHARE
    return rate * packets / whole * payload / (payload + FLIT_PACKET_BYTES[direction])


def expected_mbps(
    speed: int, width: int, payload_bytes: int | None, direction: Direction = "to_host"
) -> tuple[float, float]:
    """The range that transfers over one link should reach: from the rule of thumb to the ceiling."""
    ceiling = ceiling_mbps(speed, width, payload_bytes, direction)
    return min(RULE_OF_THUMB * link_mbps(speed, width), ceiling), ceiling


# --- One drive -------------------------------------------------------------------------------------------------


def alone(flow: Flow, hops: Mapping[str, Hop], direction: Direction = "to_host") -> Share:
    """What a drive reaches while all others rest: the least of its hops and its own limit.

    Of hops that allow the same, the one nearest the drive counts. ValueError where neither hop nor limit is known.
    """
    _check(flow)
    ranges = [_range(hops[key], direction) for key in flow.hops]
    own = [] if flow.limit_mbps is None else [flow.limit_mbps]
    low, high = min([*own, *(low for low, _ in ranges)]), min([*own, *(high for _, high in ranges)])
    binding = (key for key, (_, most) in zip(flow.hops, ranges, strict=True) if most * (1 - SAME) <= high)
    return Share(low, high, next(binding, None))


def _range(hop: Hop, direction: Direction) -> tuple[float, float]:
    return expected_mbps(hop.speed, hop.width, hop.payload_bytes, direction)


def _check(flow: Flow) -> None:
    """Refuse a flow that nothing bounds (ValueError)."""
    if not flow.hops and flow.limit_mbps is None:
        raise ValueError(f"{flow.name} has neither a hop nor a limit")


# --- All drives at once ----------------------------------------------------------------------------------------


def together(flows: Sequence[Flow], hops: Mapping[str, Hop], direction: Direction = "to_host") -> dict[str, Share]:
    """What each drive reaches, by its name, while all of `flows` run in one direction.

    Low and high ends are shared out on their own. With unlike payload sizes on the way, a drive's part of the high end
    can be the smaller of the two, as its neighbours gain more than the hop does; then it is both.
    ValueError where a flow has neither hop nor limit.
    """
    for flow in flows:
        _check(flow)
    ranges = {key: _range(hops[key], direction) for key in {key for flow in flows for key in flow.hops}}
    lows = _fair(flows, {key: low for key, (low, _) in ranges.items()})
    capacities = {key: high for key, (_, high) in ranges.items()}
    highs = _fair(flows, capacities)
    decided = _deciding(flows, capacities, highs)
    return {
        flow.name: Share(min(low, high), high, hop)
        for flow, low, high, hop in zip(flows, lows, highs, decided, strict=True)
    }


def _fair(flows: Sequence[Flow], capacities: Mapping[str, float]) -> list[float]:
    """The max-min fair rate of each flow, by filling all alike until a hop is full, then the others, and so on.

    A hop's level (its room over the flows that still rise in it) never falls while flows settle at lower levels. So
    a heap of levels, renewed as they come up, is enough, and the work grows with the number of hops of all flows.
    """
    rates = [float("inf") if flow.limit_mbps is None else flow.limit_mbps for flow in flows]
    filling = _Filling(flows, capacities)
    limited = sorted(
        ((flow.limit_mbps, number) for number, flow in enumerate(flows) if flow.limit_mbps is not None), reverse=True
    )
    levels = [(filling.level(key), key) for key in filling.rising]
    heapify(levels)
    while levels:
        level, key = levels[0]
        if limited and limited[-1][0] <= level:
            limit, number = limited.pop()
            filling.settle({number}, limit)
            continue
        heappop(levels)
        members = filling.rising[key]
        if not members:
            continue
        now = filling.level(key)
        if now > level:
            heappush(levels, (now, key))
            continue
        for number in members:
            rates[number] = now
        filling.settle(set(members), now)
    return rates


class _Filling:
    """The state of one filling: which flows still rise in each hop, and what room it has left for them."""

    def __init__(self, flows: Sequence[Flow], capacities: Mapping[str, float]) -> None:
        self._flows = flows
        self._room = dict(capacities)
        self.rising: dict[str, set[int]] = {key: set() for key in capacities}
        for number, flow in enumerate(flows):
            for key in flow.hops:
                self.rising[key].add(number)

    def level(self, key: str) -> float:
        """What each of the flows that still rise in a hop can have of it."""
        return self._room[key] / len(self.rising[key])

    def settle(self, numbers: set[int], rate: float) -> None:
        """Give these flows their final rate, where they do not have one yet."""
        for key in {key for number in numbers for key in self._flows[number].hops}:
            settled = self.rising[key] & numbers
            self.rising[key] -= settled
            self._room[key] = max(0.0, self._room[key] - rate * len(settled))


def _deciding(flows: Sequence[Flow], capacities: Mapping[str, float], rates: Sequence[float]) -> Iterator[str | None]:
    """The hop that decides each flow: one that is full and gives no flow more than this one.

    Of several, one that carries this flow alone comes first, since no neighbour holds it back there; of shared ones
    that nearest the processor counts.
    """
    used = dict.fromkeys(capacities, 0.0)
    most = dict.fromkeys(capacities, 0.0)
    sharing = dict.fromkeys(capacities, 0)
    for flow, rate in zip(flows, rates, strict=True):
        for key in dict.fromkeys(flow.hops):
            used[key] += rate
            most[key] = max(most[key], rate)
            sharing[key] += 1
    for flow, rate in zip(flows, rates, strict=True):
        binding = [
            key for key in flow.hops if used[key] >= capacities[key] * (1 - SAME) and rate >= most[key] * (1 - SAME)
        ]
        own = [key for key in binding if sharing[key] == 1]
        yield own[0] if own else binding[-1] if binding else None
