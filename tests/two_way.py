"""The two-way model of the SIGCOMM 2018 paper by its formulas, packet by packet: a reference for the product's figures.

Source: Neugebauer et al., Understanding PCIe performance for end host networking, SIGCOMM 2018, and the figures of its
open model (pcie-bench/pcie-model, commit 40703cf). Both directions carry all link-layer traffic, whether the other is
busy or not. For generations 1 to 5 and the widths whose tables are published, x1 to x16. Gb/s are 10^9 bits per second.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from knowledge.rates import PAYLOADS

# Bytes to an acknowledgement (and, alike, to a flow-control update) at 8 GT/s and above, by width and payload size.
ACK_LIMITS: Final = {
    1: (333, 512, 655, 1167, 2191, 4239),
    2: (224, 313, 385, 641, 1153, 2177),
    4: (169, 214, 250, 378, 634, 1146),
    8: (163, 203, 182, 246, 374, 630),
    16: (144, 168, 182, 246, 374, 630),
}
# In the tables for 2.5 and 5 GT/s each cell is so much less.
ACK_LESS: Final = {1: 96, 2: 45, 3: 0, 4: 0, 5: 0}
# Gb/s of a lane after line coding.
LANE_GBPS: Final = {1: 2.0, 2: 4.0, 3: 8 * 128 / 130, 4: 16 * 128 / 130, 5: 32 * 128 / 130}


class Setup(Struct, frozen=True):
    """A link and what its packets are like; `piece_bytes` is what answers are cut into (None: the payload size)."""

    speed: int
    width: int
    payload_bytes: int
    request_bytes: int = 512
    transfer_bytes: int = 4096
    piece_bytes: int | None = None
    check_bytes: int = 0
    long_addresses: bool = True


def raw_gbps(setup: Setup) -> float:
    """The link rate after line coding."""
    return LANE_GBPS[setup.speed] * setup.width


def packets_gbps(setup: Setup) -> float:
    """What acknowledgements, flow-control updates (8 bytes each) and skip sets leave of it for packets."""
    limit = ACK_LIMITS[setup.width][PAYLOADS.index(setup.payload_bytes)] - ACK_LESS[setup.speed]
    return raw_gbps(setup) * (1 - 8 / limit - 8 / limit - 4 / 1538)


def _pieces(size: int, most: int) -> int:
    return -(-size // most)


def _written(setup: Setup) -> int:
    """Bytes on the lanes to the host for one transfer of a device to memory."""
    header = 20 + setup.check_bytes + (4 if setup.long_addresses else 0)
    return setup.transfer_bytes + header * _pieces(setup.transfer_bytes, setup.payload_bytes)


def _asked(setup: Setup) -> int:
    """Bytes on the lanes to the host of the requests for one transfer from memory."""
    header = 20 + setup.check_bytes + (4 if setup.long_addresses else 0)
    return header * _pieces(setup.transfer_bytes, setup.request_bytes)


def _answered(setup: Setup) -> int:
    """Bytes on the lanes to the device for one transfer from memory."""
    piece = setup.piece_bytes or setup.payload_bytes
    return setup.transfer_bytes + (20 + setup.check_bytes) * _pieces(setup.transfer_bytes, piece)


def write_gbps(setup: Setup) -> float:
    """Data of transfers to memory alone (a drive is read)."""
    return packets_gbps(setup) * setup.transfer_bytes / _written(setup)


def read_gbps(setup: Setup) -> float:
    """Data of transfers from memory alone (a drive is written): the direction that fills first decides."""
    return packets_gbps(setup) * setup.transfer_bytes / max(_asked(setup), _answered(setup))


def both_gbps(setup: Setup) -> float:
    """Data each way when as much goes each way: the direction that fills first decides."""
    return packets_gbps(setup) * setup.transfer_bytes / max(_written(setup) + _asked(setup), _answered(setup))
