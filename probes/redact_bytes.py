"""Secrets at known places of binary reads. Each function gives the same bytes with tokens in their places.

Nothing moves: a token is as long as what it replaces. The one exception is the firmware's table, from which
whole structures are taken out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.nvme import NVM_SUBSYSTEM_NAME, SERIAL_NUMBER
from knowledge.pcie import ALL_LAYOUTS, DEVICE_SERIAL_NUMBER
from probes.decode import Registers
from probes.redact_text import qualified_name
from probes.tokens import swap_uuid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from probes.tokens import Known

_PADDING: Final = " \0\t\r\n"
_REGISTERS: Final = tuple(layout for layout in ALL_LAYOUTS if layout is not DEVICE_SERIAL_NUMBER)


def field(data: bytes, start: int, size: int, known: Known, *, remember: bool = True) -> bytes:
    """The same bytes with a token in a text field; what pads the field stays."""
    text = data[start : start + size].decode("latin-1")
    secret = text.strip(_PADDING)
    place = start + len(text) - len(text.lstrip(_PADDING))
    token = known.word(secret, remember=remember)[: len(secret)].encode("latin-1")
    return data[:place] + token + data[place + len(secret) :]


# --- PCI functions ---------------------------------------------------------------------------------------------


def configuration_space(data: bytes, known: Known) -> bytes:
    """Configuration space: the Device Serial Number, unless other registers lie over it."""
    place = Registers(data).places.get(DEVICE_SERIAL_NUMBER.home)
    if place is None:
        return data
    start = place + DEVICE_SERIAL_NUMBER.offset
    end = start + DEVICE_SERIAL_NUMBER.size
    serial = data[start:end][::-1]  # an EUI-64; the registers hold it least significant byte first
    if len(serial) < DEVICE_SERIAL_NUMBER.size:
        return data
    found = data[:start] + known.number(serial)[::-1] + data[end:]
    if found == data or not same_registers(data, found):
        return data
    if serial[3:5] == b"\xff\xfe":
        known.number(serial[:3] + serial[5:])  # the MAC address that it was made of (IEEE, EUI-64)
    return found


def same_registers(first: bytes, second: bytes) -> bool:
    """Whether both decode to the same but for the Device Serial Number."""
    one, other = Registers(first), Registers(second)
    return (one.places, one.problems, one.vendor_specific) == (
        other.places,
        other.problems,
        other.vendor_specific,
    ) and all(one.raw(layout) == other.raw(layout) for layout in _REGISTERS)


# Keywords of Vital Product Data that name a kind of card, not one card.
# Source: PCI Local Bus Specification 3.0, appendix I.
_KIND_KEYWORDS: Final = frozenset((b"PN", b"EC", b"FG", b"LC", b"MN", b"PG", b"CP", b"RV", b"RW"))
_READ_ONLY: Final = 0x90
_FIELD_TAGS: Final = (_READ_ONLY, 0x91)
_LARGE: Final = 0x80
_END: Final = 0x78


def vital_product_data(data: bytes, known: Known) -> bytes:
    """Vital Product Data of a card: all fields but those that name a kind of card; the checksum is set anew."""
    found = data
    for tag, start, end in _resources(data):
        if tag not in _FIELD_TAGS:
            continue
        place = start
        while place + 3 <= end:
            keyword, size = data[place : place + 2], data[place + 2]
            if keyword not in _KIND_KEYWORDS and place + 3 + size <= end:
                found = field(found, place + 3, size, known, remember=keyword == b"SN")
            if keyword == b"RV" and size and tag == _READ_ONLY and place + 3 < len(data):
                change = sum(data[:place]) - sum(found[:place])
                found = found[: place + 3] + bytes([found[place + 3] + change & 0xFF]) + found[place + 4 :]
            place += 3 + size
    return found


def _resources(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Tag, start and end of each resource. Source: PCI Local Bus Specification 3.0, appendix I."""
    place = 0
    while place < len(data) and data[place] & ~7 != _END:
        tag = data[place]
        large = bool(tag & _LARGE)
        start = place + (3 if large else 1)
        size = int.from_bytes(data[place + 1 : start], "little") if large else tag & 7
        yield tag, start, min(start + size, len(data))
        place = start + size


# --- Drives ----------------------------------------------------------------------------------------------------

_HEAD: Final = 4  # bytes before the content of a page, a designator, a structure
_UNIQUE_UNIT: Final = (112, 128)  # FRU Globally Unique Identifier. Source: NVM Express Base, Identify Controller


def identify_controller(data: bytes, known: Known) -> bytes:
    """Identify Controller of an NVMe drive: serial number, unique identifier, name of the subsystem."""
    found = field(data, SERIAL_NUMBER.offset, SERIAL_NUMBER.size, known)
    start, end = _UNIQUE_UNIT
    found = found[:start] + known.number(found[start:end]) + found[end:]
    name = found[NVM_SUBSYSTEM_NAME.offset : NVM_SUBSYSTEM_NAME.offset + NVM_SUBSYSTEM_NAME.size]
    hidden = qualified_name(name.partition(b"\0")[0].decode("latin-1"), known).encode("latin-1")
    name = hidden[: len(name)] + name[len(hidden) :]
    return found[: NVM_SUBSYSTEM_NAME.offset] + name + found[NVM_SUBSYSTEM_NAME.offset + NVM_SUBSYSTEM_NAME.size :]


def serial_page(data: bytes, known: Known) -> bytes:
    """Vital product data page 80h of a SCSI or SATA disk: its serial number. Source: SCSI Primary Commands (T10)."""
    return field(data, _HEAD, len(data) - _HEAD, known) if len(data) > _HEAD else data


_TEXT_CODES: Final = (2, 3)  # code sets ASCII and UTF-8
_LIKENESS_TYPES: Final = (4, 5, 6)  # relative port, port group, logical unit group: the same on any disk


def designators(data: bytes, known: Known) -> bytes:
    """Page 83h of a SCSI or SATA disk: every identity in it. Source: SCSI Primary Commands (T10)."""
    found = data
    place = _HEAD
    while place + _HEAD <= len(data):
        code, kind, size = data[place] & 0xF, data[place + 1] & 0xF, data[place + 3]
        start, end = place + _HEAD, min(place + _HEAD + size, len(data))
        if code in _TEXT_CODES:
            # T10 vendor identification (1) begins with eight letters that name the maker.
            skipped = 8 if kind == 1 else 0
            found = field(found, start + skipped, end - start - skipped, known) if end > start + skipped else found
        elif kind not in _LIKENESS_TYPES:
            found = found[:start] + known.number(found[start:end]) + found[end:]
        place = start + size
    return found


# --- The firmware's table (SMBIOS, DMTF DSP0134) ---------------------------------------------------------------

# Structures that the agent uses; all others (chassis, processors, memory, batteries ...) hold serial numbers too.
# Of the strings of the system and the board only those at these offsets are kept: maker, product, version, SKU, family.
_KEPT_TYPES: Final = frozenset((0, 1, 2, 9, 41, 127))
_KEPT_STRINGS: Final[dict[int, tuple[int, ...]]] = {1: (0x04, 0x05, 0x06, 0x19, 0x1A), 2: (0x04, 0x05, 0x06)}
_SECRET_STRINGS: Final[dict[int, tuple[int, ...]]] = {1: (0x07,), 2: (0x07, 0x08)}
_SYSTEM: Final = 1
_SYSTEM_UUID: Final = (0x08, 0x18)
_END_OF_TABLE: Final = 127


def firmware_table(data: bytes, known: Known) -> bytes:
    """The SMBIOS table with tokens for serial numbers, asset tags and the UUID, and without the types not used."""
    return map_strings(data, lambda kind, fixed, strings: _hide_strings(kind, fixed, strings, known), known)


def map_strings(
    data: bytes, change: Callable[[int, bytes, list[bytes]], list[bytes]], known: Known | None = None
) -> bytes:
    """The table with the strings of each structure changed; without the types not used if `known` is given."""
    found = []
    for kind, fixed, strings, end in _structures(data):
        if kind not in _KEPT_TYPES and known is not None:
            continue
        if kind == _SYSTEM and known is not None:
            start, stop = _SYSTEM_UUID
            uuid = fixed[start:stop]
            token = swap_uuid(known.number(swap_uuid(uuid))) if len(uuid) == stop - start else uuid
            fixed = fixed[:start] + token + fixed[stop:]  # noqa: PLW2901 - the same structure
        found.append(fixed + b"\0".join(change(kind, fixed, strings)) + end)
    return b"".join(found)


def _structures(data: bytes) -> Iterator[tuple[int, bytes, list[bytes], bytes]]:
    """Type, fixed part, strings and what ends the strings of each structure, up to the end of the table."""
    place, kind = 0, -1
    while place + _HEAD <= len(data) and kind != _END_OF_TABLE:
        kind, size = data[place], data[place + 1]
        if size < _HEAD or place + size > len(data):
            return
        end = data.find(b"\0\0", place + size)
        strings = data[place + size : end if end >= 0 else None].split(b"\0")
        yield kind, data[place : place + size], strings, b"\0\0" if end >= 0 else b""
        place = end + 2 if end >= 0 else len(data)


def _hide_strings(kind: int, fixed: bytes, strings: list[bytes], known: Known) -> list[bytes]:
    if kind not in _KEPT_STRINGS:
        return strings
    secret = {fixed[place] for place in _SECRET_STRINGS[kind] if place < len(fixed)}
    kept = {fixed[place] for place in _KEPT_STRINGS[kind] if place < len(fixed)}
    return [
        text if number in kept - secret else field(text, 0, len(text), known, remember=number in secret - kept)
        for number, text in enumerate(strings, 1)
    ]


PLACES: Final[dict[str, Callable[[bytes, Known], bytes]]] = {
    "config": configuration_space,
    "DMI": firmware_table,
    "identify": identify_controller,
    "vpd": vital_product_data,
    "vpd_pg80": serial_page,
    "vpd_pg83": designators,
}
