"""What a link gives with both directions busy: published anchors, a reference packet by packet, measurements, laws."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.throughput import (
    DIRECTIONS,
    busy_bound_mbps,
    busy_ceiling_mbps,
    busy_link_mbps,
    ceiling_mbps,
    link_mbps,
)
from knowledge.rates import ACK_DELAYS, GTPS, PAYLOADS, WIDTHS, ack_limit_bytes
from tests import two_way
from tests.two_way import Setup

GIGABITS: Final = 1000 / 8  # MB/s

# Gb/s raw, for packets, written to memory, read from memory, and each way at once. Source: outputs of the open model of
# Neugebauer et al., SIGCOMM 2018 (pcie-bench/pcie-model, commit 40703cf), which the paper's own 57.88 and "about 50"
# Gb/s of x8 at 8 GT/s come from.
PUBLISHED: Final = [
    (Setup(3, 8, 256, transfer_bytes=64), (63.0154, 57.8848, 42.0980, 44.1027, 33.0770)),
    (Setup(3, 8, 256, transfer_bytes=257), (63.0154, 57.8848, 48.7750, 50.0888, 45.2170)),
    (Setup(3, 8, 256, transfer_bytes=512), (63.0154, 57.8848, 52.9232, 53.6902, 50.7483)),
    (Setup(3, 8, 256, piece_bytes=64), (63.0154, 57.8848, 52.9232, 44.1027, 44.1027)),
    (Setup(1, 4, 128), (8.0000, 6.2258, 5.2428, 5.3844, 5.0437)),
    (Setup(2, 4, 128), (16.0000, 13.8939, 11.7001, 12.0163, 11.2558)),
    (Setup(2, 4, 256), (16.0000, 14.4436, 13.2056, 13.3970, 12.6629)),
    (Setup(3, 1, 256), (7.8769, 7.6103, 6.9580, 7.0588, 6.6720)),
    (Setup(3, 4, 128), (31.5077, 28.4428, 23.9518, 24.5992, 23.0422)),
    (Setup(3, 4, 256), (31.5077, 29.0700, 26.5783, 26.9635, 25.4861)),
    (Setup(3, 4, 256, check_bytes=4), (31.5077, 29.0700, 26.2040, 26.5783, 24.9729)),
    (Setup(3, 4, 256, long_addresses=False), (31.5077, 29.0700, 26.9635, 26.9635, 26.0207)),
    (Setup(3, 4, 512), (31.5077, 29.4093, 28.0924, 28.3036, 26.8885)),
    (Setup(4, 4, 128), (63.0154, 56.8855, 47.9036, 49.1983, 46.0845)),
    (Setup(4, 4, 256), (63.0154, 58.1401, 53.1566, 53.9270, 50.9721)),
    (Setup(4, 4, 512), (63.0154, 58.8185, 56.1848, 56.6073, 53.7769)),
    (Setup(5, 4, 256), (126.0308, 116.2801, 106.3133, 107.8540, 101.9442)),
    (Setup(5, 4, 512), (126.0308, 117.6370, 112.3697, 113.2146, 107.5538)),
]
# Rows whose packets are as the product takes them: whole payloads, 64-bit addresses, no end-to-end check.
PLAIN: Final = [
    (setup, figures)
    for setup, figures in PUBLISHED
    if setup == Setup(setup.speed, setup.width, setup.payload_bytes, transfer_bytes=setup.transfer_bytes)
    and setup.transfer_bytes % setup.payload_bytes == 0
]


# --- Published figures -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("setup", "figures"), PUBLISHED)
def test_the_reference_is_the_published_model(setup: Setup, figures: tuple[float, ...]) -> None:
    """The reference by the paper's formulas gives each published output to its last digit."""
    found = (
        two_way.raw_gbps(setup),
        two_way.packets_gbps(setup),
        two_way.write_gbps(setup),
        two_way.read_gbps(setup),
        two_way.both_gbps(setup),
    )
    assert figures == tuple(round(figure, 4) for figure in found)


@pytest.mark.parametrize(("setup", "figures"), PLAIN)
def test_busy_links_give_the_published_figures(setup: Setup, figures: tuple[float, ...]) -> None:
    """A link busy both ways has the published rate for packets, the rate each way to the host, and that of answers."""
    link = setup.speed, setup.width, setup.payload_bytes
    found = (
        link_mbps(setup.speed, setup.width),
        busy_link_mbps(*link),
        busy_link_mbps(*link) * setup.payload_bytes / (setup.payload_bytes + 24),
        busy_ceiling_mbps(*link, "to_drive"),
        busy_ceiling_mbps(*link, "to_host"),
    )
    assert figures == tuple(round(figure / GIGABITS, 4) for figure in found)


def test_the_anchors_of_the_paper_are_met() -> None:
    """x8 at 8 GT/s has 57.88 Gb/s for packets and about 50 each way, payloads being 256, requests 512 bytes.

    Source: SIGCOMM 2018; the open model's further digits.
    """
    assert round(busy_link_mbps(3, 8, 256) / GIGABITS, 2) == 57.88
    assert round(busy_ceiling_mbps(3, 8, 256, "to_host", 512) / GIGABITS, 4) == 50.7483
    assert round(busy_ceiling_mbps(3, 8, 256, "to_drive", 512) / GIGABITS, 4) == 53.6902


@pytest.mark.parametrize("speed", two_way.LANE_GBPS)
@pytest.mark.parametrize("width", two_way.ACK_LIMITS)
@pytest.mark.parametrize("payload", PAYLOADS)
@pytest.mark.parametrize("request_bytes", PAYLOADS)
def test_busy_ceilings_are_the_references(speed: int, width: int, payload: int, request_bytes: int) -> None:
    """At every speed, width and size of published tables the ceilings are those of counting packet by packet.

    An answer is never longer than its request, so the reference cuts answers into pieces of what was asked for.
    """
    setup = Setup(speed, width, payload, request_bytes, piece_bytes=min(payload, request_bytes))
    to_host = busy_ceiling_mbps(speed, width, payload, "to_host", request_bytes)
    to_drive = busy_ceiling_mbps(speed, width, payload, "to_drive", request_bytes)
    assert to_host == pytest.approx(two_way.packets_gbps(setup) * GIGABITS * _to_host_part(setup))
    assert to_drive == pytest.approx(two_way.read_gbps(setup) * GIGABITS)


def _to_host_part(setup: Setup) -> float:
    """The data's part of what travels to the host: the reference's figures, with the answers' direction left out."""
    alone = two_way.packets_gbps(setup) / two_way.write_gbps(setup)
    return 1 / (alone + 24 / setup.request_bytes)


def test_larger_payloads_can_be_slower() -> None:
    """At x8, acknowledgements of payloads of 512 bytes are due so early that packets get less than with 256.

    Source: the open model's figures; 57.88 falls to 57.31 Gb/s at 8 GT/s, and 12.4031 to 12.4004 written at 2.5 GT/s.
    """
    assert [round(busy_link_mbps(3, 8, size) / GIGABITS, 2) for size in (256, 512)] == [57.88, 57.31]
    written = [busy_link_mbps(1, 8, size) * size / (size + 24) / GIGABITS for size in (256, 512)]
    assert [round(rate, 4) for rate in written] == [12.4031, 12.4004]


# --- Measurements ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "achieved"), [(4, (700, 800)), (8, (1400, 1600))])
def test_achieved_rates_lie_between_the_two_models(width: int, achieved: tuple[int, int]) -> None:
    """Rates achieved at 2.5 GT/s lie between two-way and one-way figures (payloads of 128, requests of 512 bytes).

    Source: an interconnect maker's published notes on real systems: 700 to 800 MB/s a direction at x4, 1,400 to 1,600
    at x8.
    """
    for direction in DIRECTIONS:
        assert busy_ceiling_mbps(1, width, 128, direction, 512) < achieved[0]
        assert achieved[1] < busy_bound_mbps(1, width, 128, direction, 512) <= ceiling_mbps(1, width, 128, direction)


# --- Flits -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed", [6, 7])
def test_in_flits_acknowledgements_cost_packets_nothing(speed: int) -> None:
    """236 of 256 bytes are the packets' own, busy or not; about 118 GB/s of x16 at 64 GT/s (published flit layout)."""
    assert busy_link_mbps(speed, 16, 256) == pytest.approx(GTPS[speed] * 1000 * 16 / 8 * 236 / 256)
    assert round(busy_link_mbps(6, 16, 256), -3) == 118_000


@pytest.mark.parametrize("speed", [6, 7])
def test_in_flits_read_requests_still_count(speed: int) -> None:
    """The header of each request, four double words (PCI Express Base 6.0), takes room from what is read meanwhile."""
    one_way, busy = ceiling_mbps(speed, 4, 256), busy_ceiling_mbps(speed, 4, 256, "to_host", 512)
    packets = busy_link_mbps(speed, 4, 256)
    assert busy * (1 + 16 / 256) + busy * 16 / 512 == pytest.approx(packets)
    assert busy < one_way
    assert busy_ceiling_mbps(speed, 4, 256, "to_drive") == pytest.approx(ceiling_mbps(speed, 4, 256, "to_drive"))


# --- Laws ------------------------------------------------------------------------------------------------------

speeds = st.sampled_from(sorted(GTPS))
widths = st.sampled_from(WIDTHS)
sizes = st.sampled_from(PAYLOADS)
unread_sizes = st.sampled_from([None, *PAYLOADS])


@given(speeds, widths, unread_sizes, unread_sizes)
def test_a_busy_link_never_gives_more(speed: int, width: int, payload: int | None, request: int | None) -> None:
    """With the other direction busy, the ceiling is above nothing and never above that of one-way transfers."""
    for direction in DIRECTIONS:
        busy = busy_ceiling_mbps(speed, width, payload, direction, request)
        assert 0 < busy <= ceiling_mbps(speed, width, payload, direction) * (1 + 1e-12)


@given(speeds, widths, sizes, unread_sizes)
def test_an_unread_payload_gives_a_busy_bound_for_all(
    speed: int, width: int, payload: int, request: int | None
) -> None:
    """Where the payload size is not known, the busy ceiling is above that of every size."""
    for direction in DIRECTIONS:
        most = busy_ceiling_mbps(speed, width, None, direction, request)
        assert busy_ceiling_mbps(speed, width, payload, direction, request) <= most


@given(speeds, widths, sizes, sizes, sizes)
def test_longer_requests_are_never_slower(speed: int, width: int, payload: int, one: int, two: int) -> None:
    """A longer request means fewer of them for the same data."""
    shorter, longer = sorted((one, two))
    for direction in DIRECTIONS:
        slow = busy_ceiling_mbps(speed, width, payload, direction, shorter)
        assert slow <= busy_ceiling_mbps(speed, width, payload, direction, longer)


@given(speeds, widths, sizes, sizes)
def test_both_ceilings_can_nearly_be_had_at_once(speed: int, width: int, payload: int, request: int) -> None:
    """Data at both ceilings at once, with its headers and requests, overfills neither direction by three percent.

    To the host the ceiling counts the requests of as much as is read; the answers alone can bring somewhat more.
    """
    to_host = busy_ceiling_mbps(speed, width, payload, "to_host", request)
    to_drive = busy_ceiling_mbps(speed, width, payload, "to_drive", request)
    header, ask = (16, 16) if speed >= 6 else (24, 24)
    carried = to_host * (1 + header / payload) + to_drive * ask / request
    assert carried <= busy_link_mbps(speed, width, payload) * 1.03


@given(st.sampled_from(sorted(ACK_DELAYS)), widths, sizes)
def test_acknowledgements_leave_most_of_the_link(speed: int, width: int, payload: int) -> None:
    """At every width, those without a published table included, link-layer traffic takes at most half of a link."""
    assert ack_limit_bytes(speed, width, payload) >= 33
    assert 0.5 < busy_link_mbps(speed, width, payload) / link_mbps(speed, width) < 1
