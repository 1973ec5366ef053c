"""Bytes and a Layout to values: the one place where registers are taken apart. No input or output here.

Any bytes give numbers or `Unread`, never an exception and never an endless walk; a field or register name
that does not exist is a defect of the caller and raises KeyError.
"""

from __future__ import annotations

from struct import Struct
from typing import TYPE_CHECKING, Final

from knowledge.pcie import (
    CAPABILITIES_POINTER,
    CARDBUS_CAPABILITIES_POINTER,
    HEADER_LAYOUTS,
    HEADER_TYPE,
    LINK_REGISTERS,
    PCI_EXPRESS_CAPABILITIES,
    ROOT_REGISTERS,
    SECOND_GENERATION_REGISTERS,
    SECOND_GENERATION_VERSION,
    SLOT_REGISTERS,
    STATUS,
    TYPES_WITH_LINK,
    TYPES_WITH_ROOT,
    TYPES_WITH_SLOT,
    VENDOR_SPECIFIC_HEADER,
)
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Mapping

    from knowledge.layout import Layout

NOT_OFFERED: Final = "not offered by this device"
NOT_GIVEN: Final = "not given by this platform"
NO_ANSWER: Final = "the device does not answer"
TOO_SHORT: Final = "the bytes end before it"
PAST_THE_END: Final = "it would reach past the end of its configuration space"
NOT_REACHABLE: Final = "the machine gives no extended configuration space for this device"

# Sizes of configuration space. Source: Linux include/uapi/linux/pci_regs.h.
HEADER_SIZE: Final = 64
SPACE_SIZE: Final = 256
EXTENDED_SPACE_SIZE: Final = 4096
# What the kernel gives to an ordinary user: the header, on CardBus bridges twice as much.
# Source: Linux drivers/pci/pci-sysfs.c pci_read_config.
SIZES_FOR_ANYBODY: Final = frozenset((64, 128))
# What a device that does not answer reads as.
ALL_ONES_BYTE: Final = 0xFF
ALL_ONES_DOUBLE_WORD: Final = 0xFFFFFFFF
# At most so many entries fit. Source: Linux drivers/pci/pci.c pci_find_next_ext_capability. The list below 256 bytes
# needs no count: only 48 places are aligned, and no place is visited twice.
EXTENDED_ENTRIES: Final = 480


# --- One register --------------------------------------------------------------------------------------------


def decode(layout: Layout, data: bytes) -> dict[str, int | Unread]:
    """Every field of a register whose first byte is the first of `data`; left-over bytes are ignored."""
    return {name: value(layout, name, data) for name in layout.index}


def value(layout: Layout, field: str, data: bytes, why_short: str = TOO_SHORT) -> int | Unread:
    """One field of a register that begins with `data`; Unread where the bytes end before the field does."""
    place = layout.index[field]
    if place.bit + place.width > 8 * len(data):
        return Unread(f"{_words(layout)}, {field.replace('_', ' ')}", why_short)
    number = int.from_bytes(data[: layout.size], "little")
    return number >> place.bit & (1 << place.width) - 1


def set_bits(number: int, first: int = 0) -> tuple[int, ...]:
    """Places of the bits that are set, lowest first; the least significant bit counts as `first`."""
    return tuple(place for place, bit in enumerate(reversed(f"{number:b}"), first) if bit == "1")


def encode(layout: Layout, values: Mapping[str, int], base: bytes | None = None) -> bytes:
    """The bytes of a register with these fields; what is not named is as in `base`, or 0.

    Raises ValueError where a value does not fit its field.
    """
    number = int.from_bytes((base or b"")[: layout.size], "little")
    for name, given in values.items():
        place = layout.index[name]
        if not 0 <= given < 1 << place.width:
            raise ValueError(f"{given} does not fit the {place.width} bits of {layout.name}.{name}")
        kept = number & ~((1 << place.width) - 1 << place.bit)
        number = kept | given << place.bit
    return number.to_bytes(layout.size, "little")


def text(data: bytes) -> str:
    """A text field of a drive: ASCII, padded with spaces; what is not printable ASCII becomes U+FFFD.

    Source: NVM Express Base, Identify Controller, ASCII strings.
    """
    letters = data.strip(b" \0").decode("latin-1")
    return "".join(letter if " " <= letter <= "~" else "\N{REPLACEMENT CHARACTER}" for letter in letters)


def _words(layout: Layout) -> str:
    return layout.name.replace("_", " ")


# --- Lists of capabilities -----------------------------------------------------------------------------------

# A list that could not be followed to its end because the bytes stop; the reason is the owner's to word.
_CUT: Final = "cut"
_double_word: Final = Struct("<I").unpack_from
_home: Final = {"capability": "capability {:02X}".format, "extended": "extended {:04X}".format}


def _walk(config: bytes) -> tuple[dict[int, int], str]:
    """Follow the capability list: place to identifier of each entry, and what is wrong with the list ("" is nothing).

    Source: Linux drivers/pci/pci.c __pci_find_next_cap_ttl.
    """
    found: dict[int, int] = {}
    place, trouble = _first_place(config)
    while place >= HEADER_SIZE and not trouble:
        if place in found:
            trouble = f"it loops at {place:02X}h"
        elif place + 2 > len(config):
            trouble = _CUT
        elif config[place] == ALL_ONES_BYTE:
            trouble = f"its entry at {place:02X}h reads FFh"
        else:
            found[place] = config[place]
            place = config[place + 1] & 0xFC
    if 0 < place < HEADER_SIZE:
        trouble = f"it points into the header, at {place:02X}h"
    return found, trouble


def _first_place(config: bytes) -> tuple[int, str]:
    """Where the capability list begins, 0 for none, by the pointer that belongs to the kind of header."""
    if value(STATUS, "capabilities_list", config[STATUS.offset :]) == 0:
        return 0, ""
    header = value(HEADER_TYPE, "header_layout", config[HEADER_TYPE.offset :])
    if isinstance(header, Unread):
        return 0, _CUT
    for pointer in (CAPABILITIES_POINTER, CARDBUS_CAPABILITIES_POINTER):
        if header in HEADER_LAYOUTS[pointer]:
            first = value(pointer, "capabilities_pointer", config[pointer.offset :])
            return (0, _CUT) if isinstance(first, Unread) else (first & 0xFC, "")
    return 0, f"the header has the unknown layout {header}"


def _walk_extended(config: bytes) -> tuple[dict[int, int], str]:
    """Follow the extended capability list, as `_walk` does the other.

    Sources: Linux drivers/pci/pci.c pci_find_next_ext_capability; drivers/pci/probe.c pci_cfg_space_size_ext
    and pci_ext_cfg_is_aliased.
    """
    found: dict[int, int] = {}
    place = SPACE_SIZE
    trouble = "it only repeats the first 256 bytes" if _repeats(config) else ""
    while place >= SPACE_SIZE and not trouble:
        (head,) = _double_word(config, place) if place + 4 <= len(config) else (None,)
        if place in found:
            trouble = f"it loops at {place:03X}h"
        elif len(found) == EXTENDED_ENTRIES:
            trouble = f"it has more than {EXTENDED_ENTRIES} entries"
        elif head is None:
            trouble = _CUT
        elif head == ALL_ONES_DOUBLE_WORD:
            trouble = f"its entry at {place:03X}h does not answer (all bits read 1)"
        else:
            if head:
                found[place] = head & 0xFFFF
            place = head >> 20 & 0xFFC
    if 0 < place < SPACE_SIZE:
        trouble = f"it points below 100h, at {place:02X}h"
    return found, trouble


def _repeats(config: bytes) -> bool:
    """Whether the extended space only shows the first 256 bytes again, as some bridges make it."""
    first = config[:4]
    if first in {b"\0\0\0\0", b"\xff\xff\xff\xff"} or len(config) < SPACE_SIZE + 4:
        return False
    return all(config[place : place + 4] == first for place in range(SPACE_SIZE, len(config) - 3, SPACE_SIZE))


def _silent(config: bytes) -> bool:
    """Whether all bits of the header read 1: nobody answers.

    A virtual function is no such case: only its vendor and device identifiers read FFFFh.
    """
    return bool(config) and config.count(ALL_ONES_BYTE, 0, HEADER_SIZE) == min(len(config), HEADER_SIZE)


# --- Which registers a function lacks ------------------------------------------------------------------------

_NONE: Final[frozenset[Layout]] = frozenset()
_lacking_by_header: Final[dict[int, frozenset[Layout]]] = {}
_lacking_by_kind: Final[dict[tuple[int, int, int], frozenset[Layout]]] = {}


def _lacking_in_header(header: int) -> frozenset[Layout]:
    """Header registers that a function with this header layout does not have."""
    lacking = _lacking_by_header.get(header)
    if lacking is None:
        lacking = frozenset(layout for layout, headers in HEADER_LAYOUTS.items() if header not in headers)
        _lacking_by_header[header] = lacking
    return lacking


def _lacking_in_capability(version: int, kind: int, slot: int) -> frozenset[Layout]:
    """Registers of the PCI Express capability that a function of this version and port type does not have."""
    key = (version, kind, slot)
    lacking = _lacking_by_kind.get(key)
    if lacking is None:
        lacking = frozenset().union(
            SECOND_GENERATION_REGISTERS if version < SECOND_GENERATION_VERSION else (),
            () if kind in TYPES_WITH_LINK else LINK_REGISTERS,
            () if slot and kind in TYPES_WITH_SLOT else SLOT_REGISTERS,
            () if kind in TYPES_WITH_ROOT else ROOT_REGISTERS,
        )
        _lacking_by_kind[key] = lacking
    return lacking


# --- Configuration space -------------------------------------------------------------------------------------


class Registers:
    """The registers of one PCI function, taken from its configuration space when they are first asked for.

    A register that the function does not have reads as Unread with the reason `NOT_OFFERED`; one that lies
    past the bytes at hand has the reason `short_why`, and asks for root where the bytes are as many as the
    kernel gives to anybody.
    """

    __slots__ = (
        "_bytes",
        "_config",
        "_given",
        "_homes",
        "_lacking",
        "_looked",
        "_numbers",
        "_problems",
        "_vendor_specific",
        "_without",
        "cut",
        "short_why",
    )

    def __init__(self, config: bytes | Unread, short_why: str = TOO_SHORT, *, cut: bool = False) -> None:
        """`config` begins at byte 0 of configuration space and may be of any length; `cut`: more should have come."""
        self.short_why = short_why
        self.cut = cut
        self._config = config
        self._bytes = b"" if isinstance(config, Unread) else config[:EXTENDED_SPACE_SIZE]
        self._given: dict[Layout, int | Unread] | None = None
        # A register as a number, as the bytes there are of it where the space ends within it, or unread.
        self._numbers: dict[Layout, int | bytes | Unread] = {}
        self._looked = False
        self._homes: dict[str, int] = {}
        self._lacking: frozenset[Layout] = frozenset()
        self._problems: list[Unread] = []
        self._vendor_specific: list[int] = []
        # Why a home is not in `_homes`, by the first word of its name: (reason, whether root may see it).
        self._without = {"capability": (NOT_OFFERED, False), "extended": (NOT_OFFERED, False)}

    @classmethod
    def of(cls, values: Mapping[Layout, int | Unread]) -> Registers:
        """Take single registers from a platform that gives no more; all others read as `NOT_GIVEN`."""
        made = cls(Unread("configuration space", NOT_GIVEN))
        made._given = given = {}
        for layout, number in values.items():
            fits = isinstance(number, Unread) or 0 <= number < 1 << 8 * layout.size
            given[layout] = number if fits else Unread(_words(layout), "the figure given does not fit the register")
        made._numbers.update(given)
        return made

    def __eq__(self, other: object) -> bool:
        """Tell whether both were made of the same bytes or figures."""
        if not isinstance(other, Registers):
            return NotImplemented
        return (self._config, self.short_why, self._given) == (other._config, other.short_why, other._given)

    def __hash__(self) -> int:
        """Hash the bytes given."""
        return hash((self._config, self.short_why))

    def __repr__(self) -> str:
        """Say how many bytes or which figures there are, for messages of failed tests."""
        if self._given is not None:
            return f"Registers.of({self._given!r})"
        return f"Registers({self._config if isinstance(self._config, Unread) else f'{len(self._config)} bytes'})"

    @property
    def config(self) -> bytes | Unread:
        """Configuration space as given."""
        return self._config

    @property
    def places(self) -> dict[str, int]:
        """Where each capability was found: "capability 10" or "extended 0001" to the offset of its first entry."""
        self._look_around()
        return {home: place for home, place in self._homes.items() if home != "header"}

    @property
    def problems(self) -> tuple[Unread, ...]:
        """What is wrong with the lists of capabilities: loops, cut lists, pointers to nowhere, a repeated space."""
        self._look_around()
        return tuple(self._problems)

    @property
    def vendor_specific(self) -> tuple[int, ...]:
        """The identifiers of all vendor-specific extended capabilities, in their order."""
        self._look_around()
        return tuple(self._vendor_specific)

    def read(self, layout: Layout, field: str) -> int | Unread:
        """One field of one register."""
        place = layout.index[field]
        number = self._numbers.get(layout)
        if number is None:
            number = self._find(layout)
        if isinstance(number, int):
            return number >> place.bit & (1 << place.width) - 1
        if isinstance(number, Unread):
            return number
        found = value(layout, field, number)
        return self._short(layout) if isinstance(found, Unread) else found

    def has(self, layout: Layout) -> bool | Unread:
        """Whether the function has this register; Unread where that cannot be told."""
        number = self._find(layout)
        if not isinstance(number, Unread):
            return True
        return False if number.why == NOT_OFFERED else number

    def raw(self, layout: Layout) -> bytes | Unread:
        """All bytes of one register, the least significant first."""
        number = self._find(layout)
        if isinstance(number, int):
            return number.to_bytes(layout.size, "little")
        return number if isinstance(number, Unread) else self._short(layout)

    def _find(self, layout: Layout) -> int | bytes | Unread:
        """The register as a number, the bytes there are of it, or why there is nothing; found once, then kept."""
        number = self._numbers.get(layout)
        if number is None:
            number = self._numbers[layout] = self._look_up(layout)
        return number

    def _look_up(self, layout: Layout) -> int | bytes | Unread:
        if self._given is not None:
            return Unread(_words(layout), NOT_GIVEN)
        if isinstance(self._config, Unread):
            return self._config
        self._look_around()
        place = self._homes.get(layout.home)
        if place is None:
            return Unread(_words(layout), *self._without[layout.home.partition(" ")[0]])
        if layout in self._lacking:
            return Unread(_words(layout), NOT_OFFERED)
        start = place + layout.offset
        end = start + layout.size
        if end > (SPACE_SIZE if place < SPACE_SIZE else EXTENDED_SPACE_SIZE):
            return Unread(_words(layout), PAST_THE_END)
        found = self._bytes[start:end]
        return int.from_bytes(found, "little") if len(found) == layout.size else found or self._short(layout)

    def _short(self, layout: Layout) -> Unread:
        return Unread(_words(layout), *self._shortness())

    def _shortness(self) -> tuple[str, bool]:
        return self.short_why, len(self._bytes) in SIZES_FOR_ANYBODY

    def _look_around(self) -> None:
        """Walk both lists, once; keep what was found, what is wrong, and which registers the function lacks."""
        if self._looked:
            return
        self._looked = True
        if isinstance(self._config, Unread):
            return
        config = self._bytes
        if _silent(config):
            self._without = dict.fromkeys(("header", "capability", "extended"), (NO_ANSWER, False))
            return
        self._homes["header"] = 0
        entries, trouble = _walk(config)
        self._keep("capability", entries, trouble)
        if len(config) > SPACE_SIZE:
            entries, trouble = _walk_extended(config)
            self._keep("extended", entries, trouble)
        elif trouble or PCI_EXPRESS_CAPABILITIES.home in self._homes:
            self._without["extended"] = (NOT_REACHABLE, False) if len(config) == SPACE_SIZE else self._shortness()
        self._lacking = self._lacks()

    def _keep(self, space: str, entries: dict[int, int], trouble: str) -> None:
        home_of = _home[space]
        for place, identifier in entries.items():
            home = home_of(identifier)
            self._homes.setdefault(home, place)
            if home == VENDOR_SPECIFIC_HEADER.home:
                found = value(VENDOR_SPECIFIC_HEADER, "vsec_id", self._bytes[place + VENDOR_SPECIFIC_HEADER.offset :])
                if not isinstance(found, Unread):
                    self._vendor_specific.append(found)
        if trouble:
            what = "capability list" if space == "capability" else "extended capability list"
            broken = (f"the {what} is broken: {trouble}", False)
            self._without[space] = self._shortness() if trouble == _CUT else broken
            self._problems.append(Unread(what, *self._without[space]))

    def _lacks(self) -> frozenset[Layout]:
        header = value(HEADER_TYPE, "header_layout", self._bytes[HEADER_TYPE.offset :])
        lacking = _NONE if isinstance(header, Unread) else _lacking_in_header(header)
        place = self._homes.get(PCI_EXPRESS_CAPABILITIES.home)
        if place is None:
            return lacking
        data = self._bytes[place + PCI_EXPRESS_CAPABILITIES.offset :]
        version = value(PCI_EXPRESS_CAPABILITIES, "capability_version", data)
        kind = value(PCI_EXPRESS_CAPABILITIES, "device_port_type", data)
        slot = value(PCI_EXPRESS_CAPABILITIES, "slot_implemented", data)
        if isinstance(version, Unread) or isinstance(kind, Unread) or isinstance(slot, Unread):
            return lacking
        return lacking | _lacking_in_capability(version, kind, slot)
