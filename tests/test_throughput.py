"""The throughput model: published figures, the trade's rules of thumb, the laws of fair sharing, brute force, cost."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from agent.model.throughput import (
    STRIPE_LEAST,
    Flow,
    Hop,
    Share,
    StripeShare,
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

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from random import Random

    from agent.model.throughput import Direction

GIGABITS: Final = 1000 / 8  # MB/s
TOLERANCE: Final = 1e-9

# --- One link --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "width", "expected"),
    [(1, 4, 1000.0), (2, 4, 2000.0), (3, 1, 984.6), (3, 2, 1969.2), (3, 4, 3938.5), (3, 8, 7876.9), (5, 4, 15753.8)],
)
def test_a_link_carries_the_published_rate(speed: int, width: int, expected: float) -> None:
    """The link rate is lanes times the coded rate of published link-rate tables."""
    assert round(link_mbps(speed, width), 1) == expected


# MB/s: coded rate x MPS / (MPS + 24) to the host, (MPS + 20) to the drive. Source of the overhead of a packet:
# Neugebauer et al., SIGCOMM 2018 (memory write with 64-bit address 24 bytes, completion with data 20 bytes).
BOUNDS: Final = [
    (1, 4, (842.1, 914.3, 955.2), (864.9, 927.5, 962.4)),
    (2, 4, (1684.2, 1828.6, 1910.4), (1729.7, 1855.1, 1924.8)),
    (3, 1, (829.1, 900.2, 940.5), (851.6, 913.3, 947.6)),
    (3, 2, (1658.3, 1800.4, 1881.1), (1703.1, 1826.5, 1895.2)),
    (3, 4, (3316.6, 3600.9, 3762.1), (3406.2, 3653.1, 3790.4)),
    (3, 8, (6633.2, 7201.8, 7524.2), (6812.5, 7306.1, 7580.8)),
    (4, 4, (6633.2, 7201.8, 7524.2), (6812.5, 7306.1, 7580.8)),
    (5, 4, (13266.4, 14403.5, 15048.5), (13624.9, 14612.3, 15161.6)),
]


@pytest.mark.parametrize(("speed", "width", "to_host", "to_drive"), BOUNDS)
def test_the_ceiling_is_the_one_way_bound(
    speed: int, width: int, to_host: tuple[float, ...], to_drive: tuple[float, ...]
) -> None:
    """What packets leave of a link, at the three payload sizes in use, is the bound computed by hand."""
    sizes = (128, 256, 512)
    assert to_host == tuple(round(ceiling_mbps(speed, width, size), 1) for size in sizes)
    assert to_drive == tuple(round(ceiling_mbps(speed, width, size, "to_drive"), 1) for size in sizes)


def test_the_ceiling_agrees_with_a_published_measurement() -> None:
    """x8 at 8 GT/s with payloads of 256 bytes tops out at 7.19 to 7.2 GB/s (FPGA application note AN 708, 2017)."""
    assert 7190 <= ceiling_mbps(3, 8, 256) < 7205


@pytest.mark.parametrize(("speed", "quoted"), [(3, 3500), (4, 7000), (5, 14000)])
def test_drives_are_quoted_just_below_the_ceiling(speed: int, quoted: int) -> None:
    """Vendor-neutral "up to" rates of x4 drives (a public glossary) are some 97 percent of the bound at 256 bytes."""
    assert 0.965 <= quoted / ceiling_mbps(speed, 4, 256) <= 0.98


def test_a_quoted_rate_proves_a_payload_size() -> None:
    """3,500 MB/s over x4 at 8 GT/s are more than payloads of 128 bytes allow."""
    assert ceiling_mbps(3, 4, 128) < 3500 < ceiling_mbps(3, 4, 256)


# Gb/s that the open model of the SIGCOMM 2018 paper (pcie-bench/pcie-model, commit 40703cf) gives for transfers of
# 4 KiB (512 bytes in the first row) in one direction. It charges both directions with all link-layer traffic.
OPEN_MODEL: Final = [
    (3, 8, 256, 52.9232, 53.6902),
    (1, 4, 128, 5.2428, 5.3844),
    (2, 4, 128, 11.7001, 12.0163),
    (2, 4, 256, 13.2056, 13.3970),
    (3, 1, 256, 6.9580, 7.0588),
    (3, 4, 128, 23.9518, 24.5992),
    (3, 4, 256, 26.5783, 26.9635),
    (3, 4, 512, 28.0924, 28.3036),
    (4, 4, 128, 47.9036, 49.1983),
    (4, 4, 256, 53.1566, 53.9270),
    (5, 4, 512, 112.3697, 113.2146),
]


@pytest.mark.parametrize(("speed", "width", "payload", "write", "read"), OPEN_MODEL)
def test_the_ceiling_is_above_the_two_way_model(
    speed: int, width: int, payload: int, write: float, read: float
) -> None:
    """One-way transfers may exceed what a model of both directions gives, but by less than a third."""
    to_host, to_drive = ceiling_mbps(speed, width, payload), ceiling_mbps(speed, width, payload, "to_drive")
    assert 1.0 < to_host / (write * GIGABITS) < 4 / 3
    assert 1.0 < to_drive / (read * GIGABITS) < 4 / 3


def test_flits_leave_what_is_published() -> None:
    """Of x16 at 64 GT/s packets get about 118 GB/s, 92.2 percent (published notes on PCI Express 6.0 flits)."""
    most = ceiling_mbps(6, 16, 4096)
    assert 0.98 * 118_000 < most < 118_000
    assert ceiling_mbps(6, 16, 256) < most


def test_in_flits_a_packet_costs_its_header_alone() -> None:
    """At 64 GT/s x4 packets have 29,500 MB/s; 256 bytes of data cost 16 on the way to the host, 12 to the drive.

    Where both directions work, the requests for what is written (16 bytes for 512) travel to the host, and
    acknowledgements cost nothing: they have bytes of their own. Source: PCI Express Base 6.0, flit mode; by hand.
    """
    by_hand: dict[Direction, tuple[float, float]] = {"to_host": (27764.7, 26971.4), "to_drive": (28179.1, 28179.1)}
    for way, (alone_mbps, busy_mbps) in by_hand.items():
        assert alone_mbps == round(ceiling_mbps(6, 4, 256, way), 1)
        assert [busy_mbps, busy_mbps] == [
            round(found(6, 4, 256, way), 1) for found in (busy_ceiling_mbps, busy_bound_mbps)
        ]


def test_an_unread_payload_counts_as_the_largest_while_both_directions_work() -> None:
    """The largest Max Payload Size of the specification, 4,096 bytes, gives a figure that holds for all."""
    for found in (busy_ceiling_mbps, busy_bound_mbps):
        assert found(3, 4, 4096) == found(3, 4, None)
        assert found(3, 4, 2048) < found(3, 4, None)


@pytest.mark.parametrize(
    ("speed", "theory", "practice"),
    [(1, (1000, 0.01), (750, 0.01)), (2, (2000, 0.01), (1500, 0.01)), (3, (4000, 0.02), (3000, 0.02))],
)
def test_the_trades_rules_of_thumb_hold(speed: int, theory: tuple[int, float], practice: tuple[int, float]) -> None:
    """Of an x4 link's 1,000, 2,000 or about 4,000 MB/s some 750, 1,500 or 3,000 arrive (common practice)."""
    low, high = expected_mbps(speed, 4, 256)
    assert link_mbps(speed, 4) == pytest.approx(theory[0], rel=theory[1])
    assert low == pytest.approx(practice[0], rel=practice[1])
    assert low < high < link_mbps(speed, 4)


def test_one_modern_drive_fills_a_wide_slot_of_an_older_machine() -> None:
    """A drive of 3,500 MB/s nearly saturates x8 at 5 GT/s and exceeds x4 by far (common practice)."""
    assert expected_mbps(2, 8, 256)[0] < 3500 < expected_mbps(2, 8, 256)[1]
    assert expected_mbps(2, 4, 256)[1] < 3500


speeds = st.sampled_from(sorted(GTPS))
widths = st.sampled_from(WIDTHS)
payloads = st.sampled_from([None, *PAYLOADS])
directions: st.SearchStrategy[Direction] = st.sampled_from(["to_host", "to_drive"])


@given(speeds, widths, payloads, directions)
def test_an_expected_range_is_in_order(speed: int, width: int, payload: int | None, direction: Direction) -> None:
    """The lower end is above nothing and not above the upper end, which is below the link rate."""
    low, high = expected_mbps(speed, width, payload, direction)
    assert 0 < low <= high < link_mbps(speed, width)
    assert high == ceiling_mbps(speed, width, payload, direction)


@given(speeds, widths, st.sampled_from(PAYLOADS), directions)
def test_an_unread_payload_gives_a_bound_for_all(speed: int, width: int, payload: int, direction: Direction) -> None:
    """Where the payload size is not known, the ceiling is that of the largest, so no drive can be above it."""
    assert ceiling_mbps(speed, width, payload, direction) <= ceiling_mbps(speed, width, None, direction)


# --- One drive -------------------------------------------------------------------------------------------------


def hop(key: str, speed: int, width: int, payload: int | None = 256) -> Hop:
    """A hop with the payload size most machines use."""
    return Hop(key, speed, width, payload)


def hops_of(*hops: Hop) -> dict[str, Hop]:
    """Hops by their key."""
    return {one.key: one for one in hops}


def test_a_drive_alone_reaches_what_its_narrowest_hop_allows() -> None:
    """A drive of x4 at 16 GT/s behind an uplink of x4 at 8 GT/s reaches the uplink's range."""
    hops = hops_of(hop("own", 4, 4), hop("uplink", 3, 4))
    assert Share(*expected_mbps(3, 4, 256), "uplink") == alone(Flow("disk", ("own", "uplink"), None), hops)


def test_a_drive_alone_between_equals_is_decided_by_its_own_link() -> None:
    """Of two hops alike, the drive's own is named."""
    hops = hops_of(hop("own", 3, 4), hop("uplink", 3, 4))
    assert alone(Flow("disk", ("own", "uplink"), None), hops).narrowest == "own"


def test_a_drive_with_a_limit_of_its_own_is_decided_by_none() -> None:
    """A drive slower than all its hops gets its limit, and no hop is to blame."""
    assert Share(500.0, 500.0, None) == alone(Flow("disk", ("own",), 500.0), hops_of(hop("own", 3, 4)))


def test_a_hop_that_has_half_a_megabyte_left_decides_nobody() -> None:
    """Full is full to what floating point may differ by: next to a drive's own limit no hop is to blame."""
    hops = hops_of(hop("own", 3, 4))
    most = ceiling_mbps(3, 4, 256)
    found = [together([Flow("disk", ("own",), limit)], hops)["disk"] for limit in (most - 0.5, most, most + 0.5)]
    assert [None, "own", "own"] == [share.narrowest for share in found]


def test_a_limit_between_rule_of_thumb_and_ceiling_cuts_the_upper_end() -> None:
    """A drive of 3,500 MB/s on x4 at 8 GT/s is expected from the rule of thumb up to its limit."""
    share = alone(Flow("disk", ("own",), 3500.0), hops_of(hop("own", 3, 4)))
    assert share == Share(expected_mbps(3, 4, 256)[0], 3500.0, None)


def test_a_write_is_bounded_by_what_it_costs() -> None:
    """Writing costs four bytes a packet less than reading, so its upper end is higher."""
    hops = hops_of(hop("own", 3, 4))
    share = alone(Flow("disk", ("own",), None), hops, "to_drive")
    assert round(share.high, 1) == 3653.1
    assert share == together([Flow("disk", ("own",), None)], hops, "to_drive")["disk"]


def test_a_flow_that_nothing_bounds_is_refused() -> None:
    """A drive without hops and without a limit has no rate to give."""
    with pytest.raises(ValueError, match="disk has neither a hop nor a limit"):
        alone(Flow("disk", (), None), {})
    with pytest.raises(ValueError, match="disk has neither a hop nor a limit"):
        together([Flow("disk", (), None)], {})
    assert together([Flow("disk", (), 500.0)], {}) == {"disk": Share(500.0, 500.0, None)}


# --- Several drives: cases by hand -----------------------------------------------------------------------------


def fleet(count: int, *above: str, limits: Mapping[int, float] | None = None) -> list[Flow]:
    """Drives d0, d1 ... each with a link of its own name below the hops `above`."""
    return [Flow(f"d{one}", (f"d{one}", *above), (limits or {}).get(one)) for one in range(count)]


def test_four_drives_behind_a_narrow_uplink_get_a_quarter_each() -> None:
    """Four x4 drives behind x8 at the same speed: half of what each could do, and the uplink decides."""
    hops = hops_of(*(hop(f"d{one}", 3, 4) for one in range(4)), hop("uplink", 3, 8))
    shares = together(fleet(4, "uplink"), hops)
    low, high = expected_mbps(3, 8, 256)
    assert shares == dict.fromkeys(("d0", "d1", "d2", "d3"), Share(low / 4, high / 4, "uplink"))


def test_an_uplink_as_wide_as_its_drives_holds_nobody_back() -> None:
    """Two x4 drives fill an x8 uplink exactly: each could do no more alone, so its own link is named."""
    hops = hops_of(hop("d0", 3, 4), hop("d1", 3, 4), hop("uplink", 3, 8))
    shares = together(fleet(2, "uplink"), hops)
    assert {"d0", "d1"} == {share.narrowest for share in shares.values()}
    assert shares["d0"].high == pytest.approx(ceiling_mbps(3, 4, 256))


def test_of_shared_hops_alike_the_one_nearest_the_processor_is_named() -> None:
    """Two drives behind a chain of two uplinks of the same rate."""
    hops = hops_of(hop("d0", 3, 4), hop("d1", 3, 4), hop("lower", 3, 4), hop("upper", 3, 4))
    shares = together(fleet(2, "lower", "upper"), hops)
    assert {"upper"} == {share.narrowest for share in shares.values()}


def test_a_drive_with_the_uplink_to_itself_is_decided_by_its_own_link() -> None:
    """An uplink that nobody else uses is not named where the drive's own link allows no more."""
    hops = hops_of(hop("d0", 3, 4), hop("uplink", 3, 4))
    assert together(fleet(1, "uplink"), hops)["d0"].narrowest == "d0"


def test_what_a_slow_drive_leaves_goes_to_the_fast_ones() -> None:
    """An x1 drive takes what its link gives; the other two share the rest of the uplink."""
    hops = hops_of(hop("d0", 3, 1), hop("d1", 3, 4), hop("d2", 3, 4), hop("uplink", 3, 4))
    shares = together(fleet(3, "uplink"), hops)
    slow = ceiling_mbps(3, 1, 256)
    assert shares["d0"].high == pytest.approx(slow)
    assert shares["d0"].narrowest == "d0"
    rest = (ceiling_mbps(3, 4, 256) - slow) / 2
    assert [shares[name].high for name in ("d1", "d2")] == [pytest.approx(rest)] * 2
    assert {shares[name].narrowest for name in ("d1", "d2")} == {"uplink"}


def test_what_a_limited_drive_leaves_goes_to_the_others() -> None:
    """A drive with a limit of its own below its part of the uplink is decided by no hop."""
    hops = hops_of(hop("d0", 3, 4), hop("d1", 3, 4), hop("uplink", 3, 4))
    shares = together(fleet(2, "uplink", limits={0: 500.0}), hops)
    assert shares["d0"] == Share(500.0, 500.0, None)
    assert shares["d1"].high == pytest.approx(ceiling_mbps(3, 4, 256) - 500.0)
    assert shares["d1"].narrowest == "uplink"


def test_a_share_that_shrinks_at_the_upper_end_is_one_figure() -> None:
    """Neighbours whose own uplink gains more by long payloads leave a drive less at the upper end than at the lower.

    By hand: x8 at 8 GT/s with payloads of 128 bytes gives 5,907.7 to 6,633.2 MB/s, and x4 with 4,096 bytes in it
    2,953.8 to 3,915.5; what is left falls from 2,953.8 to 2,717.7.
    """
    hops = hops_of(*(hop(f"d{one}", 5, 4) for one in range(3)), hop("uplink", 3, 8, 128), hop("inner", 3, 4, 4096))
    inner = [Flow(f"d{one}", (f"d{one}", "inner", "uplink"), None) for one in range(2)]
    found = together([*inner, Flow("d2", ("d2", "uplink"), None)], hops)
    assert [2717.7, 2717.7] == [round(found["d2"].low, 1), round(found["d2"].high, 1)]
    assert [1476.9, 1957.8] == [round(found["d0"].low, 1), round(found["d0"].high, 1)]


def test_no_drives_share_nothing() -> None:
    """A machine without drives has no shares."""
    assert together([], {}) == {}


# --- Reading and writing at once -------------------------------------------------------------------------------


def test_a_limit_holds_in_its_own_direction() -> None:
    """A drive that gives 3,500 and takes 1,200 MB/s is read and written at most so fast; unsaid is unlimited."""
    hops = hops_of(hop("own", 4, 4))
    slow_writer, reader = Flow("disk", ("own",), 3500.0, 1200.0), Flow("disk", ("own",), 3500.0)
    assert [3500.0, 1200.0] == [alone(slow_writer, hops, way).high for way in ("to_host", "to_drive")]
    assert alone(reader, hops, "to_drive").high == ceiling_mbps(4, 4, 256, "to_drive")
    with pytest.raises(ValueError, match="disk has neither a hop nor a limit"):
        alone(Flow("disk", (), 3500.0), {}, "to_drive")


def test_a_drive_read_and_written_at_once_has_the_busy_bounds() -> None:
    """One x8 drive at 8 GT/s reads and writes less each way than one way alone gives, and more than the model's."""
    read, write = both([Flow("disk", ("own",), None)], hops_of(hop("own", 3, 8)))["disk"]
    assert (read.high, write.high) == (busy_bound_mbps(3, 8, 256), busy_bound_mbps(3, 8, 256, "to_drive"))
    assert busy_ceiling_mbps(3, 8, 256) < read.high < ceiling_mbps(3, 8, 256)
    assert {"own"} == {read.narrowest, write.narrowest}
    assert read.low == write.low == 0.75 * link_mbps(3, 8)


def test_a_model_below_the_rule_of_thumb_is_the_lower_end() -> None:
    """x4 at 2.5 GT/s, payloads of 128 bytes: from 5.0437 Gb/s each way (SIGCOMM 2018's open model), not from 6.

    The upper end holds what systems reached: 750 to 800 MB/s each way, both at work (an interconnect maker's notes).
    """
    read, _ = both([Flow("disk", ("own",), None)], hops_of(hop("own", 1, 4, 128)))["disk"]
    assert round(read.low / GIGABITS, 4) == 5.0437
    assert 800 < read.high < ceiling_mbps(1, 4, 128)


def test_a_busy_hop_takes_no_more_from_others_than_it_carries() -> None:
    """Below the rule of thumb too: of 1,500 MB/s a neighbour is left what x4 at 2.5 GT/s cannot carry, not a half."""
    hops = hops_of(*(hop(f"d{one}", 3, 4) for one in range(3)), hop("inner", 1, 4, 128), hop("uplink", 2, 4))
    flows = [Flow(f"d{one}", (f"d{one}", "inner", "uplink"), None) for one in range(2)]
    read, _ = both([*flows, Flow("d2", ("d2", "uplink"), None)], hops)["d2"]
    assert read.low == pytest.approx(1500 - 5.0437 * GIGABITS, rel=1e-5)


def test_the_request_size_of_a_hop_counts_where_both_directions_work() -> None:
    """Requests of 128 bytes cost more than those of 512, which are taken where the size is not known."""
    rates = {}
    for size in (128, 512, None):
        flow, hops = Flow("disk", ("own",), None), hops_of(Hop("own", 3, 4, 256, size))
        rates[size] = both([flow], hops)["disk"][0].high
        assert alone(flow, hops).high == ceiling_mbps(3, 4, 256)
    assert rates[128] < rates[512] == rates[None]


def test_only_hops_with_work_both_ways_are_busy() -> None:
    """While one drive is read and its neighbour written, their own links have one-way rates, the uplink busy ones."""
    hops = hops_of(hop("d0", 3, 4), hop("d1", 3, 4), hop("uplink", 3, 4))
    reader, writer = fleet(2, "uplink")
    found = shares([Transfer(reader, "to_host"), Transfer(writer, "to_drive")], hops)
    assert [share.high for share in found] == [busy_bound_mbps(3, 4, 256), busy_bound_mbps(3, 4, 256, "to_drive")]
    assert [share.narrowest for share in found] == ["uplink", "d1"]  # writing alone can fill the link as well
    apart = shares(
        [Transfer(Flow("d0", ("d0",), None), "to_host"), Transfer(Flow("d1", ("d1",), None), "to_drive")], hops
    )
    assert [share.high for share in apart] == [ceiling_mbps(3, 4, 256), ceiling_mbps(3, 4, 256, "to_drive")]


def test_readers_take_nothing_from_the_part_of_writers() -> None:
    """Three drives read behind an uplink share its one direction; a fourth that is written has the other."""
    hops = hops_of(*(hop(f"d{one}", 4, 4) for one in range(4)), hop("uplink", 3, 4))
    flows = fleet(4, "uplink")
    found = shares([*(Transfer(flow, "to_host") for flow in flows[:3]), Transfer(flows[3], "to_drive")], hops)
    assert [share.high for share in found[:3]] == [pytest.approx(busy_bound_mbps(3, 4, 256) / 3)] * 3
    assert found[3].high == busy_bound_mbps(3, 4, 256, "to_drive")


# --- Stripe sets -----------------------------------------------------------------------------------------------

READ: Final = ceiling_mbps(3, 8, 256)
WRITTEN: Final = ceiling_mbps(3, 8, 256, "to_drive")


def behind_one_uplink() -> tuple[list[Flow], dict[str, Hop]]:
    """Four x4 drives on a switch carrier in x8, all at 8 GT/s: each has a quarter of what the slot gives."""
    return fleet(4, "uplink"), hops_of(*(hop(f"d{one}", 3, 4) for one in range(4)), hop("uplink", 3, 8))


# Source of the multiples for 1 and 5: Patterson, Gibson and Katz, A Case for RAID, SIGMOD 1988, large transfers (reads
# from both copies, writes as one drive; all drives but the one of parity); of those for 0 and 10: common practice.
@pytest.mark.parametrize(
    ("raid", "read", "written"),
    [(0, READ, WRITTEN), (1, READ, WRITTEN / 4), (5, READ * 3 / 4, WRITTEN * 3 / 4), (10, READ, WRITTEN / 2)],
)
def test_a_set_behind_one_uplink_gives_no_more_than_the_uplink(raid: int, read: float, written: float) -> None:
    """Whatever is held more than once takes its part of the uplink when it is written."""
    flows, hops = behind_one_uplink()
    found = [stripe(raid, flows, hops, way) for way in ("to_host", "to_drive")]
    assert [read, written] == pytest.approx([share.high for share in found])
    assert {"uplink"} == {share.narrowest for share in found}


@pytest.mark.parametrize(("raid", "read", "written"), [(0, 4, 4), (5, 3, 3), (1, (1, 4), 1), (10, (2, 4), 2)])
def test_a_set_on_links_of_its_own_has_the_multiples(raid: int, read: int | tuple[int, int], written: int) -> None:
    """Four drives with a slot each: the multiples of a member's rate, from one copy to all where copies are held."""
    flows, hops = fleet(4), hops_of(*(hop(f"d{one}", 3, 4) for one in range(4)))
    low, high = expected_mbps(3, 4, 256)
    least, most = read if isinstance(read, tuple) else (read, read)
    found = stripe(raid, flows, hops)
    assert (found.low, found.high) == (least * low, most * high)
    assert bool(found.copies_read) == isinstance(read, tuple)
    low, high = expected_mbps(3, 4, 256, "to_drive")
    assert StripeShare(written * low, written * high, "d0", "") == stripe(raid, flows, hops, "to_drive")


def test_a_set_goes_at_the_pace_of_its_worst_off_member() -> None:
    """Three good drives and one on a single lane: four times the single lane, which is named."""
    flows, hops = fleet(4), hops_of(*(hop(f"d{one}", 3, 4) for one in range(3)), hop("d3", 3, 1))
    found = stripe(0, flows, hops)
    assert found == StripeShare(4 * expected_mbps(3, 1, 256)[0], 4 * ceiling_mbps(3, 1, 256), "d3", "")


def test_each_end_of_a_set_has_its_own_worst_off_member() -> None:
    """An x4 link at 2.5 GT/s (750 to 842 MB/s) decides the lower end, a drive of 800 MB/s the upper."""
    flows, hops = fleet(2, limits={1: 800.0}), hops_of(hop("d0", 1, 4, 128), hop("d1", 3, 4))
    assert stripe(0, flows, hops) == StripeShare(1500.0, 1600.0, None, "")


def test_a_set_held_by_a_drives_own_limit_names_no_hop() -> None:
    """A slow drive among fast ones holds the set back, and no link does."""
    flows, hops = fleet(2, limits={1: 500.0}), hops_of(hop("d0", 3, 4), hop("d1", 3, 4))
    assert stripe(0, flows, hops) == StripeShare(1000.0, 1000.0, None, "")


def test_one_copy_alone_has_the_uplink_to_itself() -> None:
    """Of a mirrored set behind one uplink, reading one copy can give as much as reading all of them at once."""
    flows, hops = behind_one_uplink()
    narrow = {**hops, "uplink": hop("uplink", 3, 2)}
    low, high = expected_mbps(3, 2, 256)
    for raid in (1, 10):
        found = stripe(raid, flows, narrow)
        assert [found.low, found.high] == pytest.approx([low, high])


def test_copies_stand_side_by_side_in_the_list() -> None:
    """A RAID 10 whose second copies are all slow reads at least what those give alone."""
    flows = fleet(4, limits={1: 500.0, 3: 500.0})
    hops = hops_of(*(hop(f"d{one}", 3, 4) for one in range(4)))
    found = stripe(10, flows, hops)
    assert (found.low, found.high) == (1000.0, 2000.0)
    assert found.copies_read == "from one copy of each pair to both at once"
    assert stripe(1, flows, hops).copies_read == "from one copy to all 4 at once"


def test_others_that_work_take_their_part_from_a_set() -> None:
    """Two members and two others behind one uplink: the set has half of it; members named as others count once."""
    flows, hops = behind_one_uplink()
    found = stripe(0, flows[:2], hops, "to_host", flows)
    assert found.high == pytest.approx(READ / 2)
    assert stripe(0, flows[:2], hops).high == pytest.approx(READ)


@pytest.mark.parametrize(
    ("raid", "count", "message"),
    [
        (6, 4, "RAID 6 is not one of 0, 1, 5, 10"),
        (0, 1, "RAID 0 takes at least 2 drives, not 1"),
        (5, 2, "RAID 5 takes at least 3 drives, not 2"),
        (10, 2, "RAID 10 takes at least 4 drives, not 2"),
        (10, 5, "RAID 10 takes an even number of drives, not 5"),
    ],
)
def test_a_set_that_cannot_be_is_refused(raid: int, count: int, message: str) -> None:
    """Another RAID, too few drives, or an odd number in pairs has no rate."""
    hops = hops_of(*(hop(f"d{one}", 3, 4) for one in range(count)))
    with pytest.raises(ValueError, match=message):
        stripe(raid, fleet(count), hops)


def test_a_drive_twice_in_a_set_is_refused() -> None:
    """A drive cannot be two members of one set."""
    with pytest.raises(ValueError, match="a drive is in the set twice"):
        stripe(0, fleet(2) + fleet(1), hops_of(hop("d0", 3, 4), hop("d1", 3, 4)))


# --- Several drives: laws --------------------------------------------------------------------------------------


@st.composite
def fleets(draw: st.DrawFn, most: int = 12) -> tuple[list[Flow], dict[str, Hop]]:
    """Drives under a tree of up to three levels; some with limits, some payload sizes not read."""
    hops: dict[str, Hop] = {}
    uplinks: list[tuple[str, ...]] = [()]
    for number in range(draw(st.integers(0, 6))):
        key = f"uplink{number}"
        above = draw(st.sampled_from([path for path in uplinks if len(path) < 2]))
        hops[key] = Hop(key, draw(speeds), draw(widths), draw(payloads))
        uplinks.append((key, *above))
    flows = []
    for number in range(draw(st.integers(1, most))):
        key = f"drive{number}"
        hops[key] = Hop(key, draw(speeds), draw(widths), draw(payloads))
        limits = [draw(st.none() | st.floats(1.0, 20_000.0)) for _ in range(2)]
        flows.append(Flow(key, (key, *draw(st.sampled_from(uplinks))), *limits))
    return flows, hops


def rises(
    flow: Flow,
    flows: Sequence[Flow],
    rates: Mapping[str, float],
    most: Mapping[str, float],
    direction: Direction = "to_host",
) -> bool:
    """Whether a flow could gain, at nobody's cost but of those that have more than it."""
    mine = rates[flow.name]
    limit = flow.limit(direction)
    if limit is not None and mine >= limit * (1 - TOLERANCE):
        return False
    for key in flow.hops:
        here = [rates[other.name] for other in flows if key in other.hops]
        room = most[key] - sum(here)
        richer = [rate for rate in here if rate > mine * (1 + TOLERANCE)]
        if room <= most[key] * TOLERANCE and not richer:
            return False
    return True


@given(fleets(), directions)
def test_upper_ends_are_max_min_fair(made: tuple[list[Flow], dict[str, Hop]], direction: Direction) -> None:
    """No hop carries more than it can, and no drive can gain without lowering one that has as little or less.

    Source of the definition: Bertsekas and Gallager, Data Networks, section 6.5.2.
    """
    flows, hops = made
    most = {key: ceiling_mbps(one.speed, one.width, one.payload_bytes, direction) for key, one in hops.items()}
    rates = {name: share.high for name, share in together(flows, hops, direction).items()}
    for key, capacity in most.items():
        assert sum(rates[flow.name] for flow in flows if key in flow.hops) <= capacity * (1 + TOLERANCE), key
    for flow in flows:
        limit = flow.limit(direction)
        assert limit is None or rates[flow.name] <= limit
        assert not rises(flow, flows, rates, most, direction), flow


@given(fleets(), directions)
def test_lower_ends_fit_and_never_pass_upper_ends(
    made: tuple[list[Flow], dict[str, Hop]], direction: Direction
) -> None:
    """The lower ends of all drives together fit every hop at the rule of thumb; each is above nothing."""
    flows, hops = made
    shares = together(flows, hops, direction)
    for key, one in hops.items():
        low, _ = expected_mbps(one.speed, one.width, one.payload_bytes, direction)
        assert sum(shares[flow.name].low for flow in flows if key in flow.hops) <= low * (1 + TOLERANCE), key
    assert all(0 < share.low <= share.high for share in shares.values())


@given(fleets())
def test_lower_ends_are_max_min_fair_where_payloads_are_alike(made: tuple[list[Flow], dict[str, Hop]]) -> None:
    """With one payload size and line code everywhere, lower ends are shared by the same law as upper ends."""
    flows = made[0]
    hops = {key: Hop(key, min(one.speed, 5), one.width, 256) for key, one in made[1].items()}
    most = {key: expected_mbps(one.speed, one.width, 256)[0] for key, one in hops.items()}
    rates = {name: share.low for name, share in together(flows, hops).items()}
    assert [flow for flow in flows if rises(flow, flows, rates, most)] == []


@given(fleets(), st.randoms(use_true_random=False))
def test_the_order_of_drives_does_not_matter(made: tuple[list[Flow], dict[str, Hop]], chance: Random) -> None:
    """The same drives in any order get the same shares, to the last bit."""
    flows, hops = made
    shuffled = list(flows)
    chance.shuffle(shuffled)
    assert together(flows, hops) == together(shuffled, dict(reversed(hops.items())))


@given(fleets(), directions)
def test_a_drive_alone_is_a_fleet_of_one_and_has_no_less(
    made: tuple[list[Flow], dict[str, Hop]], direction: Direction
) -> None:
    """Alone is together without neighbours, who can only take."""
    flows, hops = made
    shares = together(flows, hops, direction)
    for flow in flows:
        single = alone(flow, hops, direction)
        assert single == together([flow], hops, direction)[flow.name]
        assert shares[flow.name].high <= single.high * (1 + TOLERANCE)
        assert shares[flow.name].low <= single.low * (1 + TOLERANCE)


@given(fleets())
def test_the_narrowest_hop_is_full_and_on_the_way(made: tuple[list[Flow], dict[str, Hop]]) -> None:
    """The named hop is one of the drive's own and carries all it can; none is named only where a limit decides."""
    flows, hops = made
    shares = together(flows, hops)
    for flow in flows:
        share = shares[flow.name]
        if share.narrowest is None:
            assert share.high == flow.limit_mbps
            continue
        assert share.narrowest in flow.hops
        one = hops[share.narrowest]
        carried = sum(shares[other.name].high for other in flows if share.narrowest in other.hops)
        assert carried == pytest.approx(ceiling_mbps(one.speed, one.width, one.payload_bytes))


@given(fleets(), st.sampled_from(sorted(STRIPE_LEAST)), directions, st.data())
def test_a_set_is_in_order_and_never_above_its_members(
    made: tuple[list[Flow], dict[str, Hop]], raid: int, direction: Direction, data: st.DataObject
) -> None:
    """A set has a range in order, no more than all of its members together, and no more while others work."""
    flows, hops = made
    counts = range(STRIPE_LEAST[raid], len(flows) + 1, 2 if raid == 10 else 1)
    assume(counts)
    members = flows[: data.draw(st.sampled_from(counts))]
    quiet = stripe(raid, members, hops, direction)
    assert 0 < quiet.low <= quiet.high
    found = together(members, hops, direction)
    assert quiet.high <= sum(share.high for share in found.values()) * (1 + TOLERANCE)
    assert quiet.narrowest in {None, *(key for flow in members for key in flow.hops)}
    with_others = stripe(raid, members, hops, direction, flows)
    assert 0 < with_others.low <= with_others.high <= quiet.high * (1 + TOLERANCE)


# --- Several drives: brute force -------------------------------------------------------------------------------

UNIT: Final = ceiling_mbps(1, 1, 256) / 12  # all shares of up to three drives are multiples of this


def by_trying(flows: Sequence[Flow], most: Mapping[str, int]) -> list[int]:
    """The best of all ways to share in whole units: the worst-off gets the most, then the next, and so on."""
    choices = [range(min(most[key] for key in flow.hops) + 1) for flow in flows]
    fitting = (
        rates
        for rates in itertools.product(*choices)
        if all(
            sum(rate for rate, flow in zip(rates, flows, strict=True) if key in flow.hops) <= capacity
            for key, capacity in most.items()
        )
    )
    return list(max(fitting, key=sorted))


@pytest.mark.long
@given(
    st.lists(st.sampled_from([1, 2]), min_size=1, max_size=3),
    st.sampled_from([1, 2]),
    st.sampled_from([1, 2, 4]),
    st.lists(st.booleans(), min_size=3, max_size=3),
)
def test_shares_are_the_best_of_all_ways_to_share(
    own: list[int], lower: int, upper: int, under_lower: list[bool]
) -> None:
    """On small trees of x1, x2 and x4 links at 2.5 GT/s, fair shares are those found by trying everything."""
    widths_by_key = {"lower": lower, "upper": upper, **{f"d{one}": width for one, width in enumerate(own)}}
    flows = [
        Flow(f"d{one}", (f"d{one}", "lower", "upper") if under_lower[one] else (f"d{one}", "upper"), None)
        for one in range(len(own))
    ]
    shares = together(flows, {key: hop(key, 1, width) for key, width in widths_by_key.items()})
    expected = by_trying(flows, {key: width * 12 for key, width in widths_by_key.items()})
    assert [shares[flow.name].high / UNIT for flow in flows] == pytest.approx(expected)


# --- Cost ------------------------------------------------------------------------------------------------------


def hall(drives_a_switch: int) -> tuple[list[Flow], dict[str, Hop]]:
    """Drives of mixed speed and limit under four root ports with eight switches each."""
    hops = {}
    flows = []
    for root in range(4):
        hops[f"r{root}"] = hop(f"r{root}", 5, 16)
        for switch in range(8):
            above = (f"s{root}.{switch}", f"r{root}")
            hops[above[0]] = hop(above[0], 4, 4 + 4 * (switch % 2))
            for drive in range(drives_a_switch):
                key = f"d{root}.{switch}.{drive}"
                hops[key] = hop(key, 3 + drive % 2, 1 << drive % 4)
                flows.append(Flow(key, (key, *above), None if drive % 3 else 300.0 + 37 * drive + switch))
    return flows, hops


def test_every_drive_of_a_large_hall_gets_a_share() -> None:
    """In a three-level tree of 256 drives each drive gets more than nothing, and no hop carries more than it can."""
    flows, hops = hall(8)
    shares = together(flows, hops)
    assert len(shares) == 256
    assert min(share.low for share in shares.values()) > 0
    for key, one in hops.items():
        carried = sum(shares[flow.name].high for flow in flows if key in flow.hops)
        assert carried <= ceiling_mbps(one.speed, one.width, one.payload_bytes) * (1 + 1e-9)
