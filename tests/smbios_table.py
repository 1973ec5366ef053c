"""Composes firmware tables byte by byte: any length, any code, any lie. Test help only.

Source of all offsets: DMTF DSP0134, System Management BIOS Reference Specification 3.5.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

NOWHERE: Final = (0xFFFF, 0xFF, 0xFF)
END: Final = bytes((127, 4, 0xFF, 0xFE, 0, 0))
SLOT_LENGTH: Final = 0x18  # of a slot without peer groups in 3.5
DEVICE_LENGTH: Final = 0x0B


def structure(kind: int, body: bytes, *strings: bytes, handle: int = 0, length: int | None = None) -> bytes:
    """One structure; `length` is what its length byte claims, and where the fixed part is cut if it is shorter."""
    claimed = 4 + len(body) if length is None else length
    fixed = struct.pack("<BBH", kind, claimed, handle) + body
    texts = b"".join(string + b"\0" for string in strings) or b"\0"
    return fixed[: max(claimed, 4)] + texts + b"\0"


def slot_body(  # noqa: PLR0913 - one argument a field
    *,
    designation: int = 1,
    kind: int = 0xB6,
    width: int = 0x0D,
    usage: int = 3,
    slot_length: int = 4,
    slot_id: int = 1,
    characteristics: tuple[int, int] = (0x0C, 0x01),
    place: tuple[int, int, int] = NOWHERE,
    base_width: int = 16,
    peers: Iterable[tuple[int, int, int, int]] = (),
    peer_count: int | None = None,
    information: int = 3,
    physical_width: int = 0x0D,
    pitch: int = 0,
    height: int = 3,
) -> bytes:
    """The fixed part of a slot (type 9) after its header, all fields of 3.5.

    Places are segment, bus, device and function.
    """
    groups = list(peers)
    count = len(groups) if peer_count is None else peer_count
    head = struct.pack("<BBBBBHBB", designation, kind, width, usage, slot_length, slot_id, *characteristics)
    middle = struct.pack("<HBBBB", *place, base_width, count)
    tail = struct.pack("<BBHB", information, physical_width, pitch, height)
    return head + middle + b"".join(struct.pack("<HBBB", *group) for group in groups) + tail


def slot_structure(body: bytes, *strings: bytes, handle: int = 0x0900, length: int | None = None) -> bytes:
    """A slot (type 9) of a body made by `slot_body`; without strings it is called SLOT1."""
    return structure(9, body, *(strings or (b"SLOT1",)), handle=handle, length=length)


def device_structure(
    *strings: bytes, kind: int = 0x85, place: tuple[int, int, int] = NOWHERE, length: int | None = None
) -> bytes:
    """A device on the board (type 41); the highest bit of `kind` says that it is enabled."""
    return structure(41, struct.pack("<BBBHBB", 1, kind, 1, *place), *strings, handle=0x2900, length=length)


def table(*structures: bytes) -> bytes:
    """A whole table with its end mark."""
    return b"".join(structures) + END
