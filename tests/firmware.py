"""A firmware's SMBIOS tables, made from a few words. Test help only.

Source of all offsets and codes: DMTF DSP0134, System Management BIOS Reference Specification 3.5.
"""

from __future__ import annotations

import struct
from typing import Final

from msgspec import Struct

WIDTH_CODES: Final = {0: 0x02, 1: 0x08, 2: 0x09, 4: 0x0A, 8: 0x0B, 12: 0x0C, 16: 0x0D, 32: 0x0E}
USAGE_CODES: Final = {"other": 1, "unknown": 2, "free": 3, "in use": 4, "unavailable": 5}
# First code of each generation ("PCI Express Gen 2"); the codes for x1, x2, x4, x8 and x16 follow it.
CARD_CODES: Final = {1: 0xA5, 2: 0xAB, 3: 0xB1, 4: 0xB8, 5: 0xBE}
KIND_CODES: Final = {"m.2": 0x17, "u.2": 0x20, "edsff": 0xC5, "mini card": 0x21, "ocp": 0x26, "other": 0x01}
LANES_OF_CODE: Final = (1, 2, 4, 8, 16)
NO_ADDRESS: Final = (0xFFFF, 0xFF, 0xFF)
SHORT: Final = 3
LONG: Final = 4


class BoardSlotWords(Struct, kw_only=True):
    """What a type 9 structure says of one slot. `address` None writes "no address".

    `version` decides how far the structure goes: 2 ends before the address, 3 after it, 32 has the lane count and
    peers (SMBIOS 3.2), 34 all.
    """

    designation: str
    kind: str = "card"
    generation: int = 4
    connector: int = 16
    wired: int = 16
    usage: str = "free"
    number: int = 0
    can_split: bool = False
    hot_plug: bool = False
    address: str | None = None
    peers: tuple[tuple[str, int], ...] = ()
    version: int = 34
    long: bool = True


def _structure(kind: int, handle: int, body: bytes, strings: list[str]) -> bytes:
    # An empty string would end the list of strings; a space stands for it, as firmware often has it.
    texts = b"".join((text or " ").encode("utf-8", "surrogateescape") + b"\0" for text in strings)
    return struct.pack("<BBH", kind, 4 + len(body), handle) + body + (texts or b"\0") + b"\0"


def place(address: str | None) -> tuple[int, int, int]:
    """Segment, bus and device/function of an address, as the structures hold them."""
    if address is None:
        return NO_ADDRESS
    domain, bus, rest = address.split(":")
    device, function = rest.split(".")
    return int(domain, 16), int(bus, 16), int(device, 16) << 3 | int(function)


def _type_code(slot: BoardSlotWords) -> int:
    if slot.kind != "card":
        return KIND_CODES[slot.kind]
    return CARD_CODES[slot.generation] + 1 + LANES_OF_CODE.index(slot.connector)


def slot_structure(slot: BoardSlotWords, handle: int) -> bytes:
    """Type 9, System Slot."""
    second = 1 | slot.hot_plug << 1 | slot.can_split << 3
    body = struct.pack(
        "<BBBBBHBB",
        *(1, _type_code(slot), WIDTH_CODES[slot.wired], USAGE_CODES[slot.usage]),
        *(LONG if slot.long else SHORT, slot.number, 0x0C, second),
    )
    if slot.version >= 3:  # see `version`
        body += struct.pack("<HBB", *place(slot.address))
    if slot.version >= 32:  # see `version`
        body += struct.pack("<BB", slot.wired, len(slot.peers))
        for address, lanes in slot.peers:
            body += struct.pack("<HBBB", *place(address), lanes)
    if slot.version >= 34:  # see `version`
        body += struct.pack("<BBH", slot.generation, WIDTH_CODES[slot.connector], 0)
    return _structure(9, handle, body, [slot.designation])


def tables(
    *,
    firmware: tuple[str, str, str, str],
    system: tuple[str, str, str, str],
    board: tuple[str, str, str, str],
    slots: list[BoardSlotWords],
    onboard: list[tuple[str, int, str | None]],
) -> bytes:
    """The whole table: types 0, 1, 2, 9, 41 and 127.

    `firmware` is maker, version, date and release ("4.12"); `system` and `board` are maker, product, version and
    serial number; `onboard` are designation, kind code and address.
    """
    major, minor = (int(part) for part in firmware[3].split("."))
    bios = struct.pack("<BBHBBQ2sBBBB", 1, 2, 0xF000, 3, 0xFF, 0x08, b"\3\r", major, minor, 0xFF, 0xFF)
    uuid = bytes.fromhex("6f2b1e9047d3405c9a11c0ffee5d2a34")
    found = [
        _structure(0, 0, bios, list(firmware[:3])),
        _structure(1, 1, struct.pack("<BBBB16sBBB", 1, 2, 3, 4, uuid, 6, 0, 0), list(system)),
        _structure(2, 2, struct.pack("<BBBBBBBHB", 1, 2, 3, 4, 0, 9, 0, 0, 10), list(board)),
    ]
    found.extend(slot_structure(slot, 0x0900 + number) for number, slot in enumerate(slots))
    for number, (designation, kind, address) in enumerate(onboard):
        body = struct.pack("<BBBHBB", 1, 0x80 | kind, number + 1, *place(address))
        found.append(_structure(41, 0x2900 + number, body, [designation]))
    found.append(_structure(127, 0xFEFF, b"", []))
    return b"".join(found)


def entry_point(size: int) -> bytes:
    """The 64-bit entry point of SMBIOS 3.5 for a table of `size` bytes."""
    head = struct.pack("<5sBBBBBBBIQ", b"_SM3_", 0, 24, 3, 5, 0, 1, 0, size, 0x7A000000)
    return head[:5] + bytes([-sum(head) & 0xFF]) + head[6:]
