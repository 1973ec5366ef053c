"""The firmware's own tables (SMBIOS) to facts: slots, devices on the board, identity. Reads no files.

Any bytes give what can be read of them, never an exception and never a long walk; what is broken is told by
`problems`. A field counts only where its structure says it is long enough to hold it.
"""

from __future__ import annotations

from struct import unpack_from
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge import smbios
from knowledge.layout import Field
from knowledge.rates import WIDTHS
from probes.decode import decode
from probes.facts import BoardDevice, BoardSlot
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from knowledge.layout import Layout

WHAT: Final = "firmware tables (SMBIOS)"
MOST_STRUCTURES: Final = 4096  # a large server has some hundred
MOST_STRINGS: Final = 255  # their numbers are one byte
MOST_PROBLEMS: Final = 20  # told one by one; a table with more is rubbish


class Structure(Struct, frozen=True):
    """One structure: type, handle, the fixed part with its header, and the strings' bytes as they are.

    `start` is its place in the table. `fault` says what is wrong with it, None where nothing is: then `data` or
    `texts` end early.
    """

    start: int
    kind: int
    handle: int
    data: bytes
    texts: bytes
    fault: str | None = None

    def fields(self, layout: Layout, shift: int = 0) -> dict[str, int]:
        """The fields of a layout that this structure is long enough for; `shift` bytes come before it."""
        values = decode(layout, self.data[layout.offset + shift :])
        return {name: value for name, value in values.items() if isinstance(value, int)}

    @property
    def strings(self) -> list[bytes]:
        """The strings behind the fixed part, the first of which is number 1."""
        return self.texts.split(b"\0", MOST_STRINGS)[:MOST_STRINGS] if self.texts else []

    def text(self, number: int) -> str:
        """A string by its number, without the spaces around it; empty for number 0 and for a number too many."""
        return _words(self.strings[number - 1]) if 0 < number <= len(self.strings) else ""


def _words(raw: bytes) -> str:
    """Text of any firmware: UTF-8 where it is that, else one character a byte."""
    try:
        return raw.decode().strip()
    except UnicodeDecodeError:
        return raw.decode("latin-1").strip()


# --- The walk --------------------------------------------------------------------------------------------------


def structures(table: bytes) -> Iterator[Structure]:
    """All structures of a table up to its end mark, the end of the bytes or the first that cannot be stepped over.

    One whose bytes are cut comes last, as far as it goes, and says so in its `fault`.
    """
    place = 0
    for _ in range(MOST_STRUCTURES):
        if place + smbios.HEADER_SIZE > len(table):
            return
        one = _structure(table, place)
        yield one
        if one.fault is not None or one.kind == smbios.END_TYPE:
            return
        place += len(one.data) + len(one.texts) + len(_END)


_END: Final = b"\0\0"


def _structure(table: bytes, start: int) -> Structure:
    kind, length, handle = unpack_from(smbios.HEADER, table, start)
    if length < smbios.HEADER_SIZE:
        data = table[start : start + smbios.HEADER_SIZE]
        return Structure(start, kind, handle, data, b"", f"its length is {length}, less than that of its header")
    data = table[start : start + length]
    end = table.find(_END, start + length)
    if end >= 0:
        return Structure(start, kind, handle, data, table[start + length : end])
    fault = "the table ends within it" if len(data) < length else "its strings do not end"
    return Structure(start, kind, handle, data, table[start + length :], None if kind == smbios.END_TYPE else fault)


def named_strings(structure: Structure) -> set[int]:
    """The numbers of the strings that are read of a structure."""
    layout, names = _STRINGS[structure.kind]
    fields = structure.fields(layout)
    return {fields[name] for name in names if name in fields}


def decoded_places(structure: Structure) -> set[int]:
    """The bytes of a structure that are read: those of fields, in each group of a slot."""
    layout, _ = _STRINGS[structure.kind]
    found = _places(layout, 0)
    if structure.kind == smbios.SLOT_TYPE:
        groups = structure.fields(layout).get("peer_groups", 0)
        for number in range(min(groups, _room(structure))):
            found |= _places(smbios.PEER_GROUP, smbios.PEER_GROUP.size * number)
        found |= _places(smbios.SLOT_AFTER_PEERS, smbios.PEER_GROUP.size * groups)
    return found


def _places(layout: Layout, shift: int) -> set[int]:
    """The bytes in which a layout has fields."""
    return {
        layout.offset + shift + bit // 8
        for one in layout.fields
        if isinstance(one, Field)
        for bit in range(one.bit, one.bit + one.width)
    }


def problems(table: bytes) -> tuple[Unread, ...]:
    """What is broken in a table, one sentence each; the facts are what could be read beside it."""
    seen = tuple(structures(table))
    found = [
        f"the structure at byte {structure.start} is broken: {why}" for structure in seen for why in _faults(structure)
    ]
    if len(found) > MOST_PROBLEMS:
        found = [*found[:MOST_PROBLEMS], f"{len(found) - MOST_PROBLEMS} more of its structures are broken"]
    if not seen:
        found.append("there is no structure in it")
    if len(seen) == MOST_STRUCTURES:
        found.append(f"no more than {MOST_STRUCTURES:,} of its structures are read")
    return tuple(Unread(WHAT, why, small=True) for why in found)


# The fields of each type that hold the number of a string.
_STRINGS: Final[Mapping[int, tuple[Layout, tuple[str, ...]]]] = {
    smbios.FIRMWARE_TYPE: (smbios.FIRMWARE, ("vendor", "version", "date")),
    smbios.SYSTEM_TYPE: (smbios.SYSTEM, ("manufacturer", "product_name", "version")),
    smbios.BOARD_TYPE: (smbios.BOARD, ("manufacturer", "product", "version")),
    smbios.SLOT_TYPE: (smbios.SLOT, ("designation",)),
    smbios.ONBOARD_DEVICE_TYPE: (smbios.ONBOARD_DEVICE, ("designation",)),
}
# The field of each type without which nothing is made of a structure.
_NEEDED: Final = {smbios.SLOT_TYPE: "slot_type", smbios.ONBOARD_DEVICE_TYPE: "device_type"}


def _faults(structure: Structure) -> Iterator[str]:
    """What is wrong with one structure: where it is cut, and of those that are read, what is missing in it."""
    if structure.fault is not None:
        yield structure.fault
    if structure.kind not in _STRINGS:
        return
    layout, names = _STRINGS[structure.kind]
    fields = structure.fields(layout)
    needed = _NEEDED.get(structure.kind)
    if needed is not None and needed not in fields:
        yield f"it is too short for its {needed.replace('_', ' ')}"
    for name in names:
        if fields.get(name, 0) > len(structure.strings):
            yield f"its {name.replace('_', ' ')} is string {fields[name]}, which it does not have"
    if structure.kind == smbios.SLOT_TYPE and fields.get("peer_groups", 0) > _room(structure):
        yield f"it is too short for its {fields['peer_groups']} peer groups"


# --- Facts -----------------------------------------------------------------------------------------------------


def board_slots(table: bytes) -> tuple[BoardSlot, ...]:
    """The slots as the firmware describes them, in the order of the table."""
    return tuple(
        _slot(structure, fields)
        for structure in structures(table)
        if structure.kind == smbios.SLOT_TYPE and "slot_type" in (fields := structure.fields(smbios.SLOT))
    )


def _slot(structure: Structure, fields: Mapping[str, int]) -> BoardSlot:
    peers = _peers(structure, fields)
    after = structure.fields(smbios.SLOT_AFTER_PEERS, smbios.PEER_GROUP.size * fields.get("peer_groups", 0))
    kind, generation, lanes = smbios.SLOT_TYPES.get(fields["slot_type"], smbios.OTHER_SLOT)
    split = fields.get("bifurcation")
    return BoardSlot(
        designation=structure.text(fields["designation"]),
        type_code=fields["slot_type"],
        kind=kind,
        generation=_generation(after.get("slot_information", 0), generation),
        wired_lanes=_wired(fields, peers),
        connector_lanes=smbios.WIDTH_CODES.get(after.get("physical_width", 0), lanes),
        length=smbios.LENGTHS.get(fields.get("slot_length", 0), "unknown"),
        usage=smbios.USAGES.get(fields.get("current_usage", 0), "unknown"),
        slot_id=fields.get("slot_id", 0),
        # The bit is defined since 3.2, as the number of peer groups is; before, a clear bit says nothing.
        can_split=bool(split) if split or "peer_groups" in fields else None,
        hot_plug=bool(fields["hot_plug"]) if "hot_plug" in fields else None,
        address=_address(fields),
        peers=tuple((address, _lanes(peer)) for peer in peers if (address := _address(peer)) is not None),
    )


def _peers(structure: Structure, fields: Mapping[str, int]) -> list[dict[str, int]]:
    """The further groups of a split slot that are there whole."""
    count = min(fields.get("peer_groups", 0), _room(structure))
    return [structure.fields(smbios.PEER_GROUP, smbios.PEER_GROUP.size * number) for number in range(count)]


def _room(structure: Structure) -> int:
    """So many peer groups fit into a slot's structure."""
    return max(0, len(structure.data) - smbios.PEER_GROUP.offset) // smbios.PEER_GROUP.size


def _lanes(group: Mapping[str, int]) -> int:
    """Lanes of a group, which are written as a plain number; 0 where it is no width."""
    return group["width"] if group["width"] in WIDTHS else 0


def _wired(fields: Mapping[str, int], peers: list[dict[str, int]]) -> int:
    """Lanes of the whole slot: by its width code, else all groups of a split slot together."""
    by_code = smbios.WIDTH_CODES.get(fields.get("data_bus_width", 0), 0)
    together = fields.get("base_width", 0) + sum(_lanes(peer) for peer in peers)
    return by_code or (together if together in WIDTHS else 0)


def _generation(stated: int, by_type: int) -> int:
    """Generation by the slot information; by the slot type where there is none, or where 1 is a known slip."""
    slip = stated == smbios.GENERATIONS[0] and by_type > stated
    return stated if stated in smbios.GENERATIONS and not slip else by_type


def board_devices(table: bytes) -> tuple[BoardDevice, ...]:
    """The devices on the board itself, in the order of the table."""
    return tuple(
        BoardDevice(
            designation=structure.text(fields["designation"]),
            kind_code=fields["device_type"],
            enabled=bool(fields["enabled"]),
            address=_address(fields),
        )
        for structure in structures(table)
        if structure.kind == smbios.ONBOARD_DEVICE_TYPE
        and "device_type" in (fields := structure.fields(smbios.ONBOARD_DEVICE))
    )


def _address(fields: Mapping[str, int]) -> str | None:
    """An address as "0000:03:00.0"; None where it is not stated or names nothing."""
    if "device" not in fields:
        return None
    segment, bus, device, function = (fields[name] for name in ("segment", "bus", "device", "function"))
    if segment == smbios.NO_SEGMENT or (bus == smbios.NO_BUS and (device, function) == smbios.NO_PLACE):
        return None
    return f"{segment:04x}:{bus:02x}:{device:02x}.{function}"


def board_identity(table: bytes) -> dict[str, str]:
    """What the firmware says of itself, the machine and its board, by the names of `probes.facts.Host`.

    Only what is stated is in it; dates are as the firmware writes them. Of several structures of a type, the first
    that states a thing counts, as in the Linux kernel.
    """
    found: dict[str, str] = {}
    for structure in structures(table):
        for name, text in _identity(structure):
            if text:
                found.setdefault(name, text)
    return found


# Fields of the structures to the names of `probes.facts.Host`.
_IDENTITY: Final = {
    smbios.FIRMWARE_TYPE: (("vendor", "firmware_maker"), ("version", "firmware_version"), ("date", "firmware_date")),
    smbios.SYSTEM_TYPE: (("manufacturer", "maker"), ("product_name", "product"), ("version", "product_version")),
    smbios.BOARD_TYPE: (("manufacturer", "board_maker"), ("product", "board")),
}


def _identity(structure: Structure) -> Iterator[tuple[str, str]]:
    if structure.kind not in _IDENTITY:
        return
    fields = structure.fields(_STRINGS[structure.kind][0])
    for field, name in _IDENTITY[structure.kind]:
        yield name, structure.text(fields.get(field, 0))
    major, minor = fields.get("release_major"), fields.get("release_minor")
    if major is not None and minor is not None and (major, minor) != (smbios.NO_RELEASE, smbios.NO_RELEASE):
        yield "firmware_release", f"{major}.{minor}"
