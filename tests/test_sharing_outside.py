"""Sharing held against outside references: linear programs by SciPy, flows by networkx, the trade's rules of thumb."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.model.throughput import (
    DIRECTIONS,
    OTHER_WAY,
    Flow,
    Hop,
    Transfer,
    alone,
    both,
    busy_bound_mbps,
    busy_ceiling_mbps,
    ceiling_mbps,
    expected_mbps,
    link_mbps,
    shares,
    stripe,
    together,
)
from knowledge.rates import GTPS, PAYLOADS, WIDTHS
from tests.fair_by_lp import fair_rates

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from random import Random

    from agent.model.throughput import Direction, Share

HUNDREDS: Final = settings(max_examples=300)
NEAR: Final = 1e-6  # what a solver of programs may be off by
Made = tuple[list[Transfer], dict[str, Hop]]


# --- Random machines -------------------------------------------------------------------------------------------


@st.composite
def links(draw: st.DrawFn, key: str) -> Hop:
    """A link of any speed, width and sizes, read or not."""
    sizes = st.sampled_from([None, *PAYLOADS])
    speed, width = draw(st.sampled_from(sorted(GTPS))), draw(st.sampled_from(WIDTHS))
    return Hop(key, speed, width, draw(sizes), draw(sizes))


@st.composite
def drives(draw: st.DrawFn, most: int = 10) -> tuple[list[Flow], dict[str, Hop]]:
    """Drives under a tree of up to three levels above their own links, each with or without limits."""
    hops: dict[str, Hop] = {}
    above: list[tuple[str, ...]] = [()]
    for number in range(draw(st.integers(0, 6))):
        key = f"uplink{number}"
        path = draw(st.sampled_from([path for path in above if len(path) < 3]))
        hops[key] = draw(links(key))
        above.append((key, *path))
    limits = st.none() | st.floats(1.0, 20_000.0)
    flows = []
    for number in range(draw(st.integers(1, most))):
        key = f"drive{number}"
        hops[key] = draw(links(key))
        flows.append(Flow(key, (key, *draw(st.sampled_from(above))), draw(limits), draw(limits)))
    return flows, hops


@st.composite
def mixed(draw: st.DrawFn) -> Made:
    """Drives that are read, written, or both at once."""
    flows, hops = draw(drives())
    loads = []
    for flow in flows:
        work: list[tuple[Direction, ...]] = [("to_host",), ("to_drive",), DIRECTIONS]
        loads += [Transfer(flow, way) for way in draw(st.sampled_from(work))]
    return loads, hops


def capacities(loads: Sequence[Transfer], hops: Mapping[str, Hop]) -> dict[tuple[str, Direction], float]:
    """What each used direction of each hop carries at most: less where the other is in use too."""
    used = {(key, load.direction) for load in loads for key in load.flow.hops}
    found = {}
    for key, way in used:
        one = hops[key]
        if (key, OTHER_WAY[way]) in used:
            found[key, way] = busy_bound_mbps(one.speed, one.width, one.payload_bytes, way, one.request_bytes)
        else:
            found[key, way] = ceiling_mbps(one.speed, one.width, one.payload_bytes, way)
    return found


def own_limit(load: Transfer) -> float:
    """The drive's own limit, endless where none is known."""
    limit = load.flow.limit_mbps if load.direction == "to_host" else load.flow.write_limit_mbps
    return float("inf") if limit is None else limit


def highs(found: Sequence[Share]) -> list[float]:
    """Upper ends."""
    return [share.high for share in found]


# --- Linear programs -------------------------------------------------------------------------------------------


@pytest.mark.long
@HUNDREDS
@given(mixed())
def test_shares_are_those_of_linear_programs(made: Made) -> None:
    """Whatever drives read, write or do both, each gets what successive linear programs give it (SciPy, HiGHS)."""
    loads, hops = made
    most = capacities(loads, hops)
    uses = [[float(load.direction == way and key in load.flow.hops) for load in loads] for key, way in most]
    expected = fair_rates(uses, list(most.values()), [own_limit(load) for load in loads])
    assert highs(shares(loads, hops)) == pytest.approx(expected, rel=NEAR)


@pytest.mark.long
@given(mixed())
def test_lower_ends_are_those_of_linear_programs(made: Made) -> None:
    """With hops at the rule of thumb the same holds, where the upper end is not the smaller of the two."""
    loads, hops = made
    most = {}
    for (key, way), capacity in capacities(loads, hops).items():
        one = hops[key]
        most[key, way] = min(0.75 * link_mbps(one.speed, one.width), capacity)
        if (key, OTHER_WAY[way]) in capacities(loads, hops):
            busy = busy_ceiling_mbps(one.speed, one.width, one.payload_bytes, way, one.request_bytes)
            most[key, way] = min(most[key, way], busy)
    uses = [[float(load.direction == way and key in load.flow.hops) for load in loads] for key, way in most]
    fair = fair_rates(uses, list(most.values()), [own_limit(load) for load in loads])
    found = shares(loads, hops)
    expected = [min(rate, share.high) for rate, share in zip(fair, found, strict=True)]
    assert [share.low for share in found] == pytest.approx(expected, rel=NEAR)


@pytest.mark.long
@HUNDREDS
@given(drives(), st.sampled_from(DIRECTIONS), st.data())
def test_sets_go_at_the_pace_that_linear_programs_give(
    made: tuple[list[Flow], dict[str, Hop]], direction: Direction, data: st.DataObject
) -> None:
    """Members in step, as one variable of the programs, have the pace of the worst-off, whatever others do."""
    flows, hops = made
    count = data.draw(st.integers(1, len(flows)))
    members, others = flows[:count], flows[count:]
    loads = [Transfer(flow, direction) for flow in flows]
    most = capacities(loads, hops)
    uses = [
        [float(sum(key in flow.hops for flow in members)), *(float(key in flow.hops) for flow in others)]
        for key, _ in most
    ]
    limits = [min(own_limit(load) for load in loads[:count]), *(own_limit(load) for load in loads[count:])]
    expected = fair_rates(uses, list(most.values()), limits)
    if count > 1:
        found = stripe(0, members, hops, direction, others)
        assert found.high / count == pytest.approx(expected[0], rel=NEAR)
    else:
        assert together(flows, hops, direction)[flows[0].name].high == pytest.approx(expected[0], rel=NEAR)


# --- Flows through a network -----------------------------------------------------------------------------------

PARTS: Final = 10**6  # of a MB/s: networkx finds exact flows of whole numbers


@pytest.mark.long
@HUNDREDS
@given(mixed())
def test_all_loads_together_fill_the_tree(made: Made) -> None:
    """On a tree fair shares waste nothing: their sum, each way, is the greatest flow that networkx finds.

    Source: on the way of every load that its own limit does not hold a hop is full; those nearest the processor are
    a cut, and no flow is greater than a cut (Ford and Fulkerson, 1956).
    """
    loads, hops = made
    most = capacities(loads, hops)
    found = highs(shares(loads, hops))
    for way in {load.direction for load in loads}:
        total = sum(rate for load, rate in zip(loads, found, strict=True) if load.direction == way)
        assert total == pytest.approx(greatest_flow(network(loads, most, way)), rel=NEAR)


def network(loads: Sequence[Transfer], most: Mapping[tuple[str, Direction], float], way: Direction) -> nx.DiGraph[str]:
    """All that works in one direction as a network from "drives" to "processor"."""
    made: nx.DiGraph[str] = nx.DiGraph()
    for load in (load for load in loads if load.direction == way):
        itself = load.flow.name + " itself"
        made.add_edge("drives", itself, **_room(own_limit(load)))
        for here, there in itertools.pairwise([itself, *load.flow.hops, "processor"]):
            made.add_edge(here, there, **({} if here == itself else _room(most[here, way])))
    return made


def greatest_flow(made: nx.DiGraph[str]) -> float:
    """The most that can pass a network at once, MB/s."""
    return float(nx.maximum_flow_value(made, "drives", "processor")) / PARTS


def _room(mbps: float) -> dict[str, int]:
    """The capacity of an edge; none where it is endless."""
    return {} if mbps == float("inf") else {"capacity": round(mbps * PARTS)}


# --- Laws ------------------------------------------------------------------------------------------------------


@pytest.mark.long
@HUNDREDS
@given(mixed())
def test_nobody_gains_but_from_those_with_more(made: Made) -> None:
    """Each load has its limit, or a full hop on its way that gives nobody more; no hop carries more than it can.

    Source: Bertsekas and Gallager, Data Networks, section 6.5.2, on bottlenecks.
    """
    loads, hops = made
    most = capacities(loads, hops)
    rates = highs(shares(loads, hops))
    here = {
        (key, way): [
            rate for load, rate in zip(loads, rates, strict=True) if load.direction == way and key in load.flow.hops
        ]
        for key, way in most
    }
    assert [lane for lane, carried in here.items() if sum(carried) > most[lane] * (1 + 1e-9)] == []
    for load, rate in zip(loads, rates, strict=True):
        held = [
            key
            for key in load.flow.hops
            if sum(here[key, load.direction]) >= most[key, load.direction] * (1 - 1e-9)
            and rate >= max(here[key, load.direction]) * (1 - 1e-9)
        ]
        assert held or rate == own_limit(load), load


@given(mixed(), st.randoms(use_true_random=False))
def test_the_order_of_loads_does_not_matter(made: Made, chance: Random) -> None:
    """The same loads in any order get the same shares to the last bit, each in its place."""
    loads, hops = made
    order = list(range(len(loads)))
    chance.shuffle(order)
    found = shares(loads, hops)
    assert [found[number] for number in order] == shares([loads[number] for number in order], hops)


@given(mixed(), st.data())
def test_the_worst_off_never_loses_when_a_load_rests(made: Made, data: st.DataObject) -> None:
    """With one load less, the least of all shares, at either end, is no smaller; single loads may well lose."""
    loads, hops = made
    rests = data.draw(st.sampled_from(range(len(loads))))
    before = shares(loads, hops)
    after = shares([load for number, load in enumerate(loads) if number != rests], hops)
    if after:
        assert min(highs(before)) <= min(highs(after)) * (1 + 1e-9)
        assert min(share.low for share in before) <= min(share.low for share in after) * (1 + 1e-9)


@given(drives())
def test_both_at_once_is_no_better_for_the_worst_off(made: tuple[list[Flow], dict[str, Hop]]) -> None:
    """Reading and writing at once, the worst-off drive gets no more either way than with one direction alone."""
    flows, hops = made
    at_once = both(flows, hops)
    for number, way in enumerate(DIRECTIONS):
        one_way = together(flows, hops, way)
        worst = min(pair[number].high for pair in at_once.values())
        assert worst <= min(share.high for share in one_way.values()) * (1 + 1e-9)
        assert all(0 < pair[number].low <= pair[number].high for pair in at_once.values())


# --- Rules of thumb --------------------------------------------------------------------------------------------


def on(*above: Hop, speed: int = 3, limit: float = 3500.0) -> tuple[Flow, dict[str, Hop]]:
    """A drive of x4 at `speed`, quoted at `limit` MB/s, below some hops, all with payloads of 256 bytes."""
    hops = {one.key: one for one in (Hop("own", speed, 4, 256), *above)}
    return Flow("disk", tuple(hops), limit), hops


def test_one_drive_fills_a_slot_of_an_older_machine() -> None:
    """A drive of 3,500 MB/s takes all of x4 at 5 GT/s: 2,000 MB/s in theory, 1,500 and more (common practice)."""
    share = alone(Flow("disk", ("slot",), 3500.0), {"slot": Hop("slot", 2, 4, 256)})
    assert share.narrowest == "slot"
    assert share.low == 1500
    assert 1500 < share.high < 2000
    assert share.high == ceiling_mbps(2, 4, 256)


@pytest.mark.parametrize("width", [8, 16])
def test_a_switch_carrier_in_a_wider_slot_lifts_a_single_drive(width: int) -> None:
    """Behind a packet switch in x8 or x16 at 5 GT/s the same drive passes what x4 can give (common practice)."""
    flow, hops = on(Hop("card", 2, width, 256))
    share = alone(flow, hops)
    assert share.low > 2900 > expected_mbps(2, 4, 256)[1]
    assert (share.high, share.narrowest) == (3500.0, None)


def test_one_modern_drive_saturates_eight_older_lanes() -> None:
    """A drive of 7,000 MB/s behind a switch in x8 at 5 GT/s has all that the slot gives (common practice)."""
    flow, hops = on(Hop("card", 2, 8, 256), speed=4, limit=7000.0)
    share = alone(flow, hops)
    assert (share.high, share.narrowest) == (ceiling_mbps(2, 8, 256), "card")
    assert share.low == 3000


def test_four_drives_behind_a_switch_give_what_its_slot_gives() -> None:
    """A set of four on a switch carrier in x8 at 8 GT/s reads 7.2 GB/s, the published ceiling of that link (AN 708)."""
    hops = {f"d{one}": Hop(f"d{one}", 3, 4, 256) for one in range(4)}
    hops["card"] = Hop("card", 3, 8, 256)
    members = [Flow(f"d{one}", (f"d{one}", "card"), 3500.0) for one in range(4)]
    found = stripe(0, members, hops)
    assert 7190 <= found.high < 7205
    assert found.narrowest == "card"
    assert found.low == pytest.approx(0.75 * 7876.9, rel=1e-4)
