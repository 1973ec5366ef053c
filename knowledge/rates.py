"""Speeds, line codes, packet costs and the thresholds that rules go by: data with sources, and plain reading of it.

MB/s are 10^6 bytes per second in one direction. Speeds are generation numbers: 1 is 2.5 GT/s, 7 is 128 GT/s.
"""

from __future__ import annotations

from typing import Final

# The document behind each table and figure below; "common practice" marks what people of the trade go by.
SOURCES: Final = {
    "GTPS": "PCI Express Base, Supported Link Speeds Vector; 128 GT/s: PCI-SIG announcement of PCI Express 7.0",
    "LINE_CODES": "PCI Express Base, physical layer: 8b/10b, 128b/130b, 256-byte flits (242 of them not CRC or FEC)",
    "WIDTHS": "PCI Express Base, Link Status Register; Linux include/linux/pci.h enum pcie_link_width",
    "KERNEL_MBITS": "Linux drivers/pci/pci.h PCIE_SPEED2MBS_ENC (6.12)",
    "PACKET_BYTES": "SIGCOMM 2018, Understanding PCIe performance for end host networking: MWr and CplD overhead",
    "FLIT_PACKET_BYTES": "PCI Express Base 6.0, flit mode: the packet header alone (four or three double words)",
    "FLIT_SHARE": "PCI Express Base 6.0, flit mode: 236 of a flit's 256 bytes carry packets, 242 are not CRC or FEC",
    "FIRST_FLIT_GENERATION": "PCI Express Base 6.0: 64 GT/s runs in flit mode alone",
    "PAYLOADS": "PCI Express Base, Device Control Register, Max_Payload_Size",
    "REQUEST_BYTES": "SIGCOMM 2018, as above: a memory read request with a 64-bit address",
    "FLIT_REQUEST_BYTES": "PCI Express Base 6.0, flit mode: the header of a read request, four double words",
    "REQUEST_SIZE": "PCI Express Base, Device Control Register: 512 bytes are the default of Max_Read_Request_Size",
    "ACK_FACTORS": "PCI Express Base, data link layer, Ack Transmission Latency Limit, as in the open model",
    "ACK_SMALL_PAYLOAD": "as ACK_FACTORS: the columns of the table for 128 and 256 bytes have factors of their own",
    "ACK_DELAYS": "PCI Express Base, data link layer, internal delay; 16 and 32 GT/s as 8 GT/s, as in the open model",
    "ACK_PACKET_BYTES": "PCI Express Base, data link layer: the overhead of a packet in the formula of the limit",
    "LINK_LAYER_BYTES": "SIGCOMM 2018, as above: an acknowledgement or flow-control update on the lanes",
    "SKIP_SHARE": "SIGCOMM 2018, as above: a skip set of 4 symbols every 1,538 symbols",
    "RULE_OF_THUMB": "common practice: three quarters of the link rate reach the application",
    "NEAR_LIMIT_CELSIUS": "common practice",
    "NEAR_CRITICAL_CELSIUS": "common practice",
    "FEW_ERRORS": "common practice; PCI Express Base allows one bit error in 10^12",
}

# Transfer rate of one lane, GT/s, by generation.
GTPS: Final = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0, 6: 64.0, 7: 128.0}

# Bits that carry bytes, of so many bits on the lane. In flits, CRC and error correction count as line code.
LINE_CODES: Final = {1: (8, 10), 2: (8, 10), 3: (128, 130), 4: (128, 130), 5: (128, 130), 6: (242, 256), 7: (242, 256)}

# Numbers of lanes that a link can have.
WIDTHS: Final = (1, 2, 4, 8, 12, 16, 32)

# Mb/s of one lane as the Linux kernel counts them, cut to whole numbers; its log lines are made of these. Generation 7
# is not in it, and generation 6 counts no flit overhead.
KERNEL_MBITS: Final = {1: 2000, 2: 4000, 3: 7876, 4: 15753, 5: 31507, 6: 64000}

# Bytes that a packet costs on the lanes beyond its data (framing, sequence number, header, link check). "to_host": a
# drive is read, it writes to memory with 64-bit addresses. "to_drive": a drive is written, memory answers it.
PACKET_BYTES: Final = {"to_host": 24, "to_drive": 20}

# The same in flits (generations 6 and 7): no framing, sequence number or check of a packet's own.
FLIT_PACKET_BYTES: Final = {"to_host": 16, "to_drive": 12}
FLIT_SHARE: Final = (236, 242)
FIRST_FLIT_GENERATION: Final = 6

# Max Payload Size that the specification allows, bytes.
PAYLOADS: Final = (128, 256, 512, 1024, 2048, 4096)

# Bytes on the lanes of a read request, which a drive that is written sends to the host; in flits the header alone. A
# request asks for so many bytes (Max Read Request Size) where nothing else is known.
REQUEST_BYTES: Final = 24
FLIT_REQUEST_BYTES: Final = 16
REQUEST_SIZE: Final = 512

# With both directions busy, a link acknowledges the other direction's packets, and grants it new room, once in so many
# bytes: (payload + ACK_PACKET_BYTES) * factor / width + delay. Factors of links of up to so many lanes, for payloads of
# up to 256 bytes and for longer ones. The tables of x12 and x32 follow from the same formula.
ACK_FACTORS: Final = {4: (1.4, 1.0), 8: (2.5, 1.0), 32: (3.0, 2.0)}
ACK_SMALL_PAYLOAD: Final = 256
ACK_DELAYS: Final = {1: 19, 2: 70, 3: 115, 4: 115, 5: 115}
ACK_PACKET_BYTES: Final = 28
LINK_LAYER_BYTES: Final = 8
SKIP_SHARE: Final = (4, 1538)

# Share of the link rate that real transfers reach with ease (common practice).
RULE_OF_THUMB: Final = 0.75

# Closer than this below its warning limit, a drive is called near it; below its critical limit the margin is wider,
# for a drive that gives no warning limit (common practice).
NEAR_LIMIT_CELSIUS: Final = 5.0
NEAR_CRITICAL_CELSIUS: Final = 10.0

# Up to so many errors of a link since start-up are no fault: links that train or wake count some (common practice).
FEW_ERRORS: Final = 20

_BITS_PER_BYTE: Final = 8
_SPEED_WORDS: Final = {
    f"{words} GT/s{ending}": generation
    for generation, rate in GTPS.items()
    for words in (f"{rate:.1f}", f"{rate:g}")
    for ending in ("", " PCIe")
}


def lane_mbps(generation: int) -> float:
    """MB/s of one lane after line coding, as near as a float can be."""
    data, bits = LINE_CODES[generation]
    return GTPS[generation] * 1000 * data / (_BITS_PER_BYTE * bits)


def ack_limit_bytes(generation: int, width: int, payload_bytes: int) -> int:
    """Bytes that a link of up to generation 5 carries one way for one acknowledgement the other way, by the table."""
    lanes = next(most for most in ACK_FACTORS if width <= most)
    factor = ACK_FACTORS[lanes][payload_bytes > ACK_SMALL_PAYLOAD]
    return int((payload_bytes + ACK_PACKET_BYTES) * factor / width + ACK_DELAYS[generation])


def describe(generation: int) -> str:
    """Words for people: "8 GT/s (Gen 3)", "64 GT/s (Gen 6, flit mode)"."""
    flits = ", flit mode" if generation >= FIRST_FLIT_GENERATION else ""
    return f"{GTPS[generation]:g} GT/s (Gen {generation}{flits})"


def parse_speed(text: str) -> int | None:
    """Generation of a speed as Linux words it ("8.0 GT/s PCIe", before 5.8 "8 GT/s"); None for all other words.

    "Unknown", "Unknown speed" and the speeds of conventional PCI ("66 MHz PCI-X") are other words.
    """
    return _SPEED_WORDS.get(text.strip())
