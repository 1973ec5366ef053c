"""The one throughput model: what a link carries, what a drive should reach, alone and together with its neighbours.

Arithmetic only: no machine, no reading, no words for people. MB/s are 10^6 bytes per second, one way. Speeds are
generation numbers (1 is 2.5 GT/s), widths are lanes. Direction "to_host" is a drive being read, "to_drive" a drive
being written.

Sources: the bound is the link rate less the overhead of each packet (Neugebauer et al., SIGCOMM 2018); in one-way
traffic the acknowledgements travel the other way and cost it almost nothing. Where both directions work, the model of
that paper counts them, and the read requests of what is written. The lower end of a range is the trade's rule of thumb
(common practice). Sharing is max-min fair: nobody can get more without taking it from somebody who has as little or
less (Bertsekas and Gallager, Data Networks, section 6.5.2).
"""

from __future__ import annotations

from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from knowledge.rates import (
    FIRST_FLIT_GENERATION,
    FLIT_PACKET_BYTES,
    FLIT_REQUEST_BYTES,
    FLIT_SHARE,
    LINK_LAYER_BYTES,
    PACKET_BYTES,
    PAYLOADS,
    REQUEST_BYTES,
    REQUEST_SIZE,
    RULE_OF_THUMB,
    SKIP_SHARE,
    ack_limit_bytes,
    lane_mbps,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

Direction = Literal["to_host", "to_drive"]
DIRECTIONS: Final[tuple[Direction, Direction]] = ("to_host", "to_drive")
OTHER_WAY: Final[dict[Direction, Direction]] = {"to_host": "to_drive", "to_drive": "to_host"}
INFINITE: Final = float("inf")

# Rates closer than this share of themselves are equal: what floating point may differ by, and no more.
SAME: Final = 1e-9

# Fewest drives of a stripe set. Sources of what sets give: Patterson, Gibson and Katz, A Case for Redundant Arrays of
# Inexpensive Disks, SIGMOD 1988, large transfers (1: reading from all copies, writing as one drive; 5: as many as hold
# data); 0, 10 and these numbers: common practice.
STRIPE_LEAST: Final = {0: 2, 1: 2, 5: 3, 10: 4}
PAIRS: Final = 10


class Hop(Struct, frozen=True):
    """One link on the way from a drive to the processor.

    `payload_bytes` is Max Payload Size, `request_bytes` Max Read Request Size; None where it could not be read.
    """

    key: str
    speed: int
    width: int
    payload_bytes: int | None
    request_bytes: int | None = None


class Flow(Struct, frozen=True):
    """A drive at work: the keys of its hops from the drive to the processor, and its own limits where known.

    `limit_mbps` is the most that it gives when read, `write_limit_mbps` the most that it takes when written.
    """

    name: str
    hops: tuple[str, ...]
    limit_mbps: float | None
    write_limit_mbps: float | None = None

    def limit(self, direction: Direction) -> float | None:
        """The drive's own limit in this direction."""
        return self.limit_mbps if direction == "to_host" else self.write_limit_mbps


class Transfer(Struct, frozen=True):
    """Work that a drive does: it is read, or it is written. A drive that does both at once has two loads."""

    flow: Flow
    direction: Direction


class Share(Struct, frozen=True):
    """What a drive should reach, MB/s, and the key of the hop that decides it (None: the drive's own limit does).

    Which one decides is told by the upper end: that is where physics binds.
    """

    low: float
    high: float
    narrowest: str | None

    @property
    def span(self) -> tuple[float, float]:
        """Both ends."""
        return self.low, self.high


class StripeShare(Share, frozen=True):
    """What a set of drives should reach as one, MB/s, and the hop that decides its worst-off member.

    `copies_read` says in words what the ends of the range differ in, beyond those of a drive: where copies of the data
    are held, one copy alone or all of them can be read. "" where there is no such choice.
    """

    copies_read: str


# --- One link --------------------------------------------------------------------------------------------------


def link_mbps(speed: int, width: int) -> float:
    """Link rate: all lanes, after line coding."""
    return lane_mbps(speed) * width


def _packets_mbps(speed: int, width: int) -> float:
    """What of the link rate can carry packets: all of it; in flits (generations 6 and 7) the packets' share."""
    rate = link_mbps(speed, width)
    if speed < FIRST_FLIT_GENERATION:
        return rate
    packets, whole = FLIT_SHARE
    return rate * packets / whole


def ceiling_mbps(speed: int, width: int, payload_bytes: int | None, direction: Direction = "to_host") -> float:
    """The most that the data of one-way transfers can reach at this Max Payload Size.

    Where the payload size is not known, the largest one of the specification gives a bound that holds for all.
    """
    payload = PAYLOADS[-1] if payload_bytes is None else payload_bytes
    packet = (PACKET_BYTES if speed < FIRST_FLIT_GENERATION else FLIT_PACKET_BYTES)[direction]
    return _packets_mbps(speed, width) * payload / (payload + packet)


def busy_link_mbps(speed: int, width: int, payload_bytes: int) -> float:
    """What a link has for packets while both of its directions are busy: link rate less link-layer traffic.

    Acknowledgements and flow-control updates for the other direction are counted as often as the specification wants
    them. In flits (generations 6 and 7) they have bytes of their own, which the packets' share leaves out already.
    """
    rate = _packets_mbps(speed, width)
    if speed >= FIRST_FLIT_GENERATION:
        return rate
    skipped, symbols = SKIP_SHARE
    return rate * (1 - 2 * LINK_LAYER_BYTES / ack_limit_bytes(speed, width, payload_bytes) - skipped / symbols)


def busy_ceiling_mbps(
    speed: int,
    width: int,
    payload_bytes: int | None,
    direction: Direction = "to_host",
    request_bytes: int | None = None,
) -> float:
    """What data can reach in one direction while the other is as busy, by the published model.

    Acknowledgements can be fewer than the model's, so this is no bound of physics: at 2.5 GT/s systems were measured
    above it (700 to 800 MB/s of x4 with payloads of 128 bytes, where it gives 630), below `busy_bound_mbps`.
    Where the payload size is not known, the largest gives a figure that holds for all (of two others, the larger need
    not: acknowledgements can be due earlier). Where the request size is not known, the default is taken.
    """
    payload = PAYLOADS[-1] if payload_bytes is None else payload_bytes
    return _less_packets(busy_link_mbps(speed, width, payload), speed, payload, direction, request_bytes)


def busy_bound_mbps(
    speed: int,
    width: int,
    payload_bytes: int | None,
    direction: Direction = "to_host",
    request_bytes: int | None = None,
) -> float:
    """The most that data can reach in one direction while as much goes the other way: no acknowledgement is counted.

    Sizes that are not known are taken as for `busy_ceiling_mbps`.
    """
    payload = PAYLOADS[-1] if payload_bytes is None else payload_bytes
    return _less_packets(_packets_mbps(speed, width), speed, payload, direction, request_bytes)


def _less_packets(rate: float, speed: int, payload: int, direction: Direction, request_bytes: int | None) -> float:
    """What is left of a rate when headers are paid for, and on the way to the host the requests for what is written.

    The read requests of what is written travel to the host: with as much written as read, they take their part there.
    """
    flits = speed >= FIRST_FLIT_GENERATION
    packet = (FLIT_PACKET_BYTES if flits else PACKET_BYTES)[direction]
    size = REQUEST_SIZE if request_bytes is None else request_bytes
    if direction == "to_drive":  # an answer is no longer than what was asked for
        return rate / (1 + packet / min(payload, size))
    return rate / (1 + packet / payload + (FLIT_REQUEST_BYTES if flits else REQUEST_BYTES) / size)


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
    limit = _limit(Transfer(flow, direction))
    ranges = [_range(hops[key], direction, busy=False) for key in flow.hops]
    low, high = min([limit, *(low for low, _ in ranges)]), min([limit, *(high for _, high in ranges)])
    binding = (key for key, (_, most) in zip(flow.hops, ranges, strict=True) if most * (1 - SAME) <= high)
    return Share(low, high, next(binding, None))


def _range(hop: Hop, direction: Direction, *, busy: bool) -> tuple[float, float]:
    """What a hop should carry in one direction, alone or while the other is busy too."""
    if not busy:
        return expected_mbps(hop.speed, hop.width, hop.payload_bytes, direction)
    sizes = (hop.speed, hop.width, hop.payload_bytes, direction, hop.request_bytes)
    return min(RULE_OF_THUMB * link_mbps(hop.speed, hop.width), busy_ceiling_mbps(*sizes)), busy_bound_mbps(*sizes)


def _limit(load: Transfer) -> float:
    """The drive's own limit, infinite where none is known; refuses a load that nothing bounds (ValueError)."""
    limit = load.flow.limit(load.direction)
    if limit is None:
        if not load.flow.hops:
            raise ValueError(f"{load.flow.name} has neither a hop nor a limit")
        return INFINITE
    return limit


# --- Several drives at once ------------------------------------------------------------------------------------


def together(flows: Sequence[Flow], hops: Mapping[str, Hop], direction: Direction = "to_host") -> dict[str, Share]:
    """What each drive reaches, by its name, while all of `flows` run in one direction. As `shares`."""
    found = shares([Transfer(flow, direction) for flow in flows], hops)
    return {flow.name: share for flow, share in zip(flows, found, strict=True)}


def both(flows: Sequence[Flow], hops: Mapping[str, Hop]) -> dict[str, tuple[Share, Share]]:
    """What each drive reaches, by its name, while all are read and written at once: (read, write). As `shares`."""
    found = shares([Transfer(flow, way) for way in DIRECTIONS for flow in flows], hops)
    count = len(flows)
    return {flow.name: (found[number], found[number + count]) for number, flow in enumerate(flows)}


def shares(loads: Sequence[Transfer], hops: Mapping[str, Hop]) -> list[Share]:
    """What each load reaches while all of them run, in the order given.

    The directions of a hop are shared out apart. A hop that has loads in both counts what they cost each other, from
    the published model's figure to `busy_bound_mbps`, as if as much went each way.
    Low and high ends are shared out on their own. With unlike payload sizes on the way, a drive's part of the high end
    can be the smaller of the two, as its neighbours gain more than the hop does; then it is both.
    ValueError where a load has neither hop nor limit.
    """
    limits = [_limit(load) for load in loads]
    lanes = list(dict.fromkeys((key, load.direction) for load in loads for key in load.flow.hops))
    numbers = {lane: number for number, lane in enumerate(lanes)}
    paths = [tuple([numbers[key, load.direction] for key in load.flow.hops]) for load in loads]
    ranges = [_range(hops[key], way, busy=(key, OTHER_WAY[way]) in numbers) for key, way in lanes]
    capacities = [high for _, high in ranges]
    lows = _fair(paths, limits, [low for low, _ in ranges])
    highs = _fair(paths, limits, capacities)
    decided = _deciding(paths, capacities, highs)
    return [
        Share(min(low, high), high, None if number is None else lanes[number][0])
        for low, high, number in zip(lows, highs, decided, strict=True)
    ]


def _fair(paths: Sequence[tuple[int, ...]], limits: Sequence[float], capacities: Sequence[float]) -> list[float]:
    """The max-min fair rate of each load, by filling all alike until a hop is full, then the others, and so on.

    A path is the hops (by number) that a load crosses. A hop's level (its room over the loads that still rise in it)
    never falls while loads settle at lower levels. So a heap of levels, renewed as they come up, is enough, and the
    work grows with the number of hops of all loads.
    """
    filling = _Filling(paths, limits, capacities)
    limited = sorted(((limit, number) for number, limit in enumerate(limits) if limit < INFINITE), reverse=True)
    levels = [(filling.level(hop), hop) for hop in range(len(capacities))]
    heapify(levels)
    while levels:
        level, hop = levels[0]
        if limited and limited[-1][0] <= level:
            limit, number = limited.pop()
            filling.settle([number], limit)
            continue
        heappop(levels)
        if not filling.rising[hop]:
            continue
        now = filling.level(hop)
        if now > level:
            heappush(levels, (now, hop))
        else:
            filling.settle(filling.members[hop], now)
    return filling.rates


class _Filling:
    """The state of one filling: the loads of each hop, how many of them still rise, and what room is left for those."""

    def __init__(self, paths: Sequence[tuple[int, ...]], limits: Sequence[float], capacities: Sequence[float]) -> None:
        self.rates = list(limits)
        self.members: list[list[int]] = [[] for _ in capacities]
        for number, path in enumerate(paths):
            for hop in path:
                self.members[hop].append(number)
        self.rising = [len(here) for here in self.members]
        self._paths, self._room, self._settled = paths, list(capacities), [False] * len(paths)

    def level(self, hop: int) -> float:
        """What each of the loads that still rise in a hop can have of it."""
        return self._room[hop] / self.rising[hop]

    def settle(self, numbers: Sequence[int], rate: float) -> None:
        """Give these loads their final rate, where they do not have one yet."""
        for number in numbers:
            if self._settled[number]:
                continue
            self.rates[number], self._settled[number] = rate, True
            for hop in self._paths[number]:
                self._room[hop] -= rate
                self.rising[hop] -= 1


def _deciding(
    paths: Sequence[tuple[int, ...]], capacities: Sequence[float], rates: Sequence[float]
) -> Iterator[int | None]:
    """The hop that decides each load: one that is full and gives no load more than this one.

    Of several, one that carries this load alone comes first, since no neighbour holds it back there; of shared ones
    that nearest the processor counts.
    """
    used, most, sharing = [0.0] * len(capacities), [0.0] * len(capacities), [0] * len(capacities)
    for path, rate in zip(paths, rates, strict=True):
        for hop in path:
            used[hop] += rate
            most[hop] = max(most[hop], rate)
            sharing[hop] += 1
    full = [carried >= capacity * (1 - SAME) for carried, capacity in zip(used, capacities, strict=True)]
    for path, rate in zip(paths, rates, strict=True):
        binding = [hop for hop in path if full[hop] and rate >= most[hop] * (1 - SAME)]
        own = [hop for hop in binding if sharing[hop] == 1]
        yield own[0] if own else binding[-1] if binding else None


# --- Stripe sets -----------------------------------------------------------------------------------------------


def stripe(
    raid: int,
    members: Sequence[Flow],
    hops: Mapping[str, Hop],
    direction: Direction = "to_host",
    others: Sequence[Flow] = (),
) -> StripeShare:
    """What a stripe set (RAID 0, 1, 5 or 10) reaches; `others` (members among them do not count) work meanwhile.

    Members go in step: a set has some multiple of the rate of its worst-off member. That multiple is for n members,
    whole stripes: RAID 0 n; RAID 5 n - 1, one of n pieces being parity; written, RAID 1 has 1 and RAID 10 n / 2, as
    every copy is written; read, they have as much from one copy alone and twice (RAID 1: n times) that from all.
    Of a RAID 10, neighbours in the list are copies of each other. Sources: STRIPE_LEAST.
    ValueError for another RAID, too few members, an odd RAID 10 or a member twice.
    """
    _check(raid, members)
    count = len(members)
    written = {0: count, 1: 1, 5: count - 1, PAIRS: count // 2}[raid]
    whole = _in_step(members, hops, direction, others, members)
    if raid not in {1, PAIRS} or direction == "to_drive":
        return StripeShare(whole.low * written, whole.high * written, whole.narrowest, "")
    copies = [members[first::2] for first in (0, 1)] if raid == PAIRS else [[member] for member in members]
    least = min(_in_step(copy, hops, direction, others, members).low for copy in copies) * written
    words = "from one copy of each pair to both at once" if raid == PAIRS else f"from one copy to all {count} at once"
    return StripeShare(least, whole.high * count, whole.narrowest, words)


def _in_step(
    working: Sequence[Flow],
    hops: Mapping[str, Hop],
    direction: Direction,
    others: Sequence[Flow],
    members: Sequence[Flow],
) -> Share:
    """The share of the worst-off of some members, all of which go at its pace.

    What the faster ones leave is nothing to it: no hop that holds it back gives any of them more.
    """
    names = {flow.name for flow in members}
    found = together([*working, *(flow for flow in others if flow.name not in names)], hops, direction)
    mine = [found[flow.name] for flow in working]
    worst = min(mine, key=lambda share: share.high)
    return Share(min(share.low for share in mine), worst.high, worst.narrowest)


def _check(raid: int, members: Sequence[Flow]) -> None:
    """Refuse a set that cannot be (ValueError)."""
    least = STRIPE_LEAST.get(raid)
    if least is None:
        raise ValueError(f"RAID {raid} is not one of {', '.join(str(level) for level in STRIPE_LEAST)}")
    if len(members) < least:
        raise ValueError(f"RAID {raid} takes at least {least} drives, not {len(members)}")
    if raid == PAIRS and len(members) % 2:
        raise ValueError(f"RAID 10 takes an even number of drives, not {len(members)}")
    if len({flow.name for flow in members}) < len(members):
        raise ValueError("a drive is in the set twice")
