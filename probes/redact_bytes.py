"""Secrets at known places of binary reads. Each function gives the same bytes with tokens in their places.

Nothing moves: a token is as long as what it replaces. What a drive or the firmware writes where the standards have
nothing, or nothing that is decoded, may be anything: it is left out (`left_out`), and only its place is kept.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import groupby
from typing import TYPE_CHECKING, Final

from knowledge import nvme
from knowledge.nvme import NVM_SUBSYSTEM_NAME, SERIAL_NUMBER
from knowledge.pcie import ALL_LAYOUTS, DEVICE_SERIAL_NUMBER
from knowledge.smbios import BOARD_TYPE, END_TYPE, FIRMWARE_TYPE, ONBOARD_DEVICE_TYPE, SLOT_TYPE, SYSTEM_TYPE
from probes.decode import Registers
from probes.redact_text import qualified_name
from probes.smbios import decoded_places, named_strings, structures
from probes.tokens import MARK, swap_uuid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from knowledge.layout import Layout
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


# What stands between the halves of a MAC address where an EUI-64 is made of it. Source: IEEE, Guidelines for EUI-64.
_INSIDE_MAC: Final = (b"\xff\xfe", b"\xff\xff")


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
    if serial[3:5] in _INSIDE_MAC:
        known.number(serial[:3] + serial[5:])  # the MAC address that it was made of
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
    # Behind the name there is nothing by its definition.
    name = hidden[: len(name)].ljust(len(name), b"\0")
    found = found[: NVM_SUBSYSTEM_NAME.offset] + name + found[NVM_SUBSYSTEM_NAME.offset + NVM_SUBSYSTEM_NAME.size :]
    return _without("identify", found)


def health_log(data: bytes, known: Known) -> bytes:  # noqa: ARG001 - as all places are called
    """Log page 02h: only what is decoded."""
    return _without("log-02", data)


def firmware_log(data: bytes, known: Known) -> bytes:  # noqa: ARG001 - as all places are called
    """Log page 03h: only what is decoded."""
    return _without("log-03", data)


# What stands where in the answers of a drive: the layouts of each, its texts, its size.
_HOMES: Final = {"identify": "identify controller", "log-02": "log 02", "log-03": "log 03"}
_SIZES: Final = {"identify": nvme.IDENTIFY_CONTROLLER_SIZE, "log-02": nvme.LOG_SIZE, "log-03": nvme.LOG_SIZE}
_TEXTS: Final = {
    "identify": tuple(text for text in nvme.ALL_TEXTS if text not in nvme.FIRMWARE_SLOT_REVISIONS),
    "log-02": (),
    "log-03": nvme.FIRMWARE_SLOT_REVISIONS,
}


_STATES: Final = range(
    nvme.POWER_STATES_OFFSET, nvme.POWER_STATES_OFFSET + nvme.POWER_STATE_SIZE * nvme.POWER_STATE_COUNT
)


@lru_cache(len(_HOMES))
def left_out(name: str) -> tuple[tuple[int, int], ...]:
    """From where to where an answer of a drive holds what is not decoded: what is reserved, and what makers put in."""
    places = _left_out_beside_states(name)
    if name == "identify":
        places |= {start + place for start in _STATES[:: nvme.POWER_STATE_SIZE] for place in _left_out_of_state()}
    return _runs(places)


def left_out_in_words(name: str) -> str:
    """The same for people."""
    words = f"bytes {_listed(_left_out_beside_states(name))}"
    if name != "identify":
        return words
    return f"{words}, and of each {nvme.POWER_STATE_SIZE} from {_STATES.start} on {_listed(_left_out_of_state())}"


def _left_out_beside_states(name: str) -> set[int]:
    kept = _covered((*(one for one in nvme.ALL_LAYOUTS if one.home == _HOMES[name]), *_TEXTS[name]))
    if name == "identify":
        kept.update(range(*_UNIQUE_UNIT), _STATES)  # a token stands in the one
    return set(range(_SIZES[name])) - kept


def _left_out_of_state() -> set[int]:
    return set(range(nvme.POWER_STATE_SIZE)) - _covered(one for one in nvme.ALL_LAYOUTS if one.home == "power state")


def _covered(entries: Iterable[Layout | nvme.TextField]) -> set[int]:
    return {place for entry in entries for place in range(entry.offset, entry.offset + entry.size)}


def _runs(places: set[int]) -> tuple[tuple[int, int], ...]:
    """Places that follow each other, from one to one behind the last."""
    runs = groupby(enumerate(sorted(places)), key=lambda counted: counted[1] - counted[0])
    return tuple((run[0][1], run[-1][1] + 1) for _, found in runs for run in [list(found)])


def _listed(places: set[int]) -> str:
    return ", ".join(f"{start}-{end - 1}" if end - start > 1 else f"{start}" for start, end in _runs(places))


def _without(name: str, data: bytes) -> bytes:
    """An answer of a drive with nothing where nothing is decoded, and behind its end.

    One that is the same byte throughout stays, and no other one becomes so: it would be told as empty.
    """
    if data.count(data[:1]) == len(data):
        return data
    found = _filled(name, data, b"\0")
    return found if found.count(found[:1]) != len(found) else _filled(name, data, MARK.encode())


def _filled(name: str, data: bytes, fill: bytes) -> bytes:
    found = data[: _SIZES[name]] + fill * (len(data) - _SIZES[name])
    for start, end in left_out(name):
        found = found[:start] + fill * len(found[start:end]) + found[end:]
    return found


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
_KEPT_TYPES: Final = frozenset((FIRMWARE_TYPE, SYSTEM_TYPE, BOARD_TYPE, SLOT_TYPE, ONBOARD_DEVICE_TYPE))
_INACTIVE: Final = 126
# Where the numbers of strings stand that are kept beside those that are decoded: SKU, family. And those of secrets.
_KEPT_STRINGS: Final = {SYSTEM_TYPE: (0x19, 0x1A)}
_SECRET_STRINGS: Final = {SYSTEM_TYPE: (0x07,), BOARD_TYPE: (0x07, 0x08)}
_SYSTEM_UUID: Final = (0x08, 0x18)


def firmware_table(data: bytes, known: Known) -> bytes:
    """The SMBIOS table with tokens for serial numbers, asset tags and the UUID, and nothing in the types not used.

    Of the others what is decoded stays. What stands behind the end mark, or behind a structure that is broken, is left
    out.
    """
    return b"".join(_hide_structure(structure, data, known) for structure in structures(data))


def _hide_structure(structure: Structure, table: bytes, known: Known) -> bytes:
    strings = structure.texts.split(b"\0")
    kind, fixed = structure.kind, structure.data
    if kind not in _KEPT_TYPES:
        new = END_TYPE if kind == END_TYPE else _INACTIVE
        fixed = bytes([new]) + fixed[1:_HEAD] + bytes(len(fixed) - _HEAD)
        return _written(structure, table, fixed, [MARK.encode() * len(text) for text in strings])
    secret = {fixed[place] for place in _SECRET_STRINGS.get(kind, ()) if place < len(fixed)}
    kept = {fixed[place] for place in _KEPT_STRINGS.get(kind, ()) if place < len(fixed)} | named_strings(structure)
    hidden = [
        text if number in kept - secret else field(text, 0, len(text), known, remember=number in secret - kept)
        for number, text in enumerate(strings, 1)
    ]
    start, end = _SYSTEM_UUID if kind == SYSTEM_TYPE else (0, 0)
    places = {*range(_HEAD), *decoded_places(structure), *range(start, end)}
    places.update(_SECRET_STRINGS.get(kind, ()), _KEPT_STRINGS.get(kind, ()))
    number = swap_uuid(known.number(swap_uuid(fixed[start:end])))
    fixed = bytes(byte if place in places else 0 for place, byte in enumerate(fixed))
    return _written(structure, table, fixed[:start] + number[: len(fixed[start:end])] + fixed[end:], hidden)


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
    "log-02": health_log,
    "log-03": firmware_log,
    "vpd": vital_product_data,
    "vpd_pg80": serial_page,
    "vpd_pg83": designators,
}
