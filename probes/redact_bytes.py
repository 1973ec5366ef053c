"""Secrets at known places of binary reads. Each function gives the same bytes with tokens in their places.

Nothing moves: a token is as long as what it replaces. The one exception is the firmware's table, from which
whole structures are taken out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.nvme import NVM_SUBSYSTEM_NAME, SERIAL_NUMBER
from knowledge.pcie import ALL_LAYOUTS, DEVICE_SERIAL_NUMBER
from knowledge.smbios import BOARD_TYPE, END_TYPE, FIRMWARE_TYPE, ONBOARD_DEVICE_TYPE, SLOT_TYPE, SYSTEM_TYPE
from probes.decode import Registers
from probes.redact_text import qualified_name
from probes.smbios import structures
from probes.tokens import swap_uuid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from probes.smbios import Structure
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

# Structures that the agent uses. All others (chassis, processors, memory, batteries ...) hold serial numbers too; each
# becomes an inactive structure (type 126) of the same size without content, so that nothing moves.
_KEPT_TYPES: Final = frozenset((FIRMWARE_TYPE, SYSTEM_TYPE, BOARD_TYPE, SLOT_TYPE, ONBOARD_DEVICE_TYPE, END_TYPE))
_INACTIVE: Final = 126
# Of the strings of the system and the board only those at these offsets are kept: maker, product, version, SKU, family.
_KEPT_STRINGS: Final = {SYSTEM_TYPE: (0x04, 0x05, 0x06, 0x19, 0x1A), BOARD_TYPE: (0x04, 0x05, 0x06)}
_SECRET_STRINGS: Final = {SYSTEM_TYPE: (0x07,), BOARD_TYPE: (0x07, 0x08)}
_SYSTEM_UUID: Final = (0x08, 0x18)


def firmware_table(data: bytes, known: Known) -> bytes:
    """The SMBIOS table with tokens for serial numbers, asset tags and the UUID, and nothing in the types not used.

    What stands behind the end mark, or behind a structure that is broken, is left out.
    """
    return b"".join(_hide_structure(structure, data, known) for structure in structures(data))


def _hide_structure(structure: Structure, table: bytes, known: Known) -> bytes:
    strings = structure.texts.split(b"\0")
    if structure.kind not in _KEPT_TYPES:
        fixed = bytes([_INACTIVE]) + structure.data[1:_HEAD] + bytes(len(structure.data) - _HEAD)
        return _written(structure, table, fixed, [b"~" * len(text) for text in strings])
    fixed = structure.data
    if structure.kind == SYSTEM_TYPE:
        start, end = _SYSTEM_UUID
        fixed = fixed[:start] + swap_uuid(known.number(swap_uuid(fixed[start:end]))) + fixed[end:]
    if structure.kind not in _KEPT_STRINGS:
        return _written(structure, table, fixed, strings)
    secret = {fixed[place] for place in _SECRET_STRINGS[structure.kind] if place < len(fixed)}
    kept = {fixed[place] for place in _KEPT_STRINGS[structure.kind] if place < len(fixed)}
    hidden = [
        text if number in kept - secret else field(text, 0, len(text), known, remember=number in secret - kept)
        for number, text in enumerate(strings, 1)
    ]
    return _written(structure, table, fixed, hidden)


def map_strings(table: bytes, change: Callable[[bytes], bytes]) -> bytes:
    """The SMBIOS table with each string changed to another of the same length."""
    return b"".join(
        _written(structure, table, structure.data, [change(text) for text in structure.texts.split(b"\0")])
        for structure in structures(table)
    )


def _written(structure: Structure, table: bytes, fixed: bytes, strings: list[bytes]) -> bytes:
    """A structure as it stands in the table, with another content of the same size."""
    end = structure.start + len(structure.data) + len(structure.texts)
    return fixed + b"\0".join(strings) + (b"" if structure.fault else table[end : end + 2])


PLACES: Final[dict[str, Callable[[bytes, Known], bytes]]] = {
    "config": configuration_space,
    "DMI": firmware_table,
    "identify": identify_controller,
    "vpd": vital_product_data,
    "vpd_pg80": serial_page,
    "vpd_pg83": designators,
}
