"""What a register is: its place, its fields, its source. Data only; `probes/decode.py` is the engine."""

from __future__ import annotations

from msgspec import Struct


class Field(Struct, frozen=True):
    """Bits `bit` .. `bit + width - 1` of a register, counted from the least significant bit."""

    name: str
    bit: int
    width: int = 1


class Reserved(Struct, frozen=True):
    """Bits that the specification reserves, or that nothing here decodes; `why` says which."""

    bit: int
    width: int = 1
    why: str = "reserved"


class Layout:
    """One little-endian register.

    `home` says what `offset` (bytes) counts from: "header" is the start of configuration space,
    "capability 10" and "extended 0001" a capability by its identifier (hexadecimal), and
    "identify controller", "log 02" and their like a structure that a drive returns.
    `size` is in bytes. `source` names the document that defines the register. Every bit is claimed
    exactly once, by a field or as reserved (tests/test_tables.py).
    """

    __slots__ = ("fields", "home", "index", "name", "offset", "size", "source")

    def __init__(
        self, name: str, *, home: str, offset: int, size: int, source: str, fields: tuple[Field | Reserved, ...]
    ) -> None:
        """Make the index of fields by name; overlapping fields are found by the tests, not here."""
        self.name = name
        self.home = home
        self.offset = offset
        self.size = size
        self.source = source
        self.fields = fields
        self.index = {field.name: field for field in fields if isinstance(field, Field)}

    def __repr__(self) -> str:
        """Name and place, for messages of failed tests."""
        return f"Layout({self.name!r}, {self.home!r}+{self.offset:#x})"
