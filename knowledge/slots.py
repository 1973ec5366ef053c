"""Mechanical and power rules of slots, cards and drive modules: data with sources, and plain reading of it.

Connectors are named by their size in lanes, power is watts, lengths and widths are millimetres. What a certain board
or card allows beyond or below this stands in its maker's manual, and in the build sheet.
"""

from __future__ import annotations

from typing import Final, Literal

# The document behind each table and rule below.
SOURCES: Final = {
    "CONNECTORS": "PCI Express Card Electromechanical Specification: connectors of 36, 64, 98 and 164 contacts",
    "connector_of": "PCI Express Card Electromechanical Specification: x2 cards use the x4 size, x12 the x16 size",
    "goes_in": "PCI Express Card Electromechanical Specification; open-ended slots: common practice",
    "CARD_WATTS": "PCI Express Card Electromechanical Specification: power of a card after configuration",
    "LENGTH_CODES": "PCI Express M.2 Specification: module sizes, width and length in the code",
    "MODULE_LANES": "PCI Express M.2 Specification, socket 3: up to four lanes",
    "CABLE_WATTS": "ATX version 3.0 design guide: 6-pin, 8-pin and 16-pin supply cables of a card",
}

# Sizes of card connectors and slots, in lanes.
CONNECTORS: Final = (1, 4, 8, 16)

# The most that a card may take from its slot once it is configured, by size and height. A one-lane card of full height
# may ask for 25 W. Newer texts let x4 and x8 cards ask for 75 W, which older boards do not promise: 25 W is safe.
CARD_WATTS: Final = {
    (1, "full"): 25.0,
    (1, "low"): 10.0,
    (4, "full"): 25.0,
    (4, "low"): 25.0,
    (8, "full"): 25.0,
    (8, "low"): 25.0,
    (16, "full"): 75.0,
    (16, "low"): 25.0,
}

# What one supply cable of a card brings, by its number of pins.
CABLE_WATTS: Final = {6: 75.0, 8: 150.0, 16: 600.0}

# Codes of M.2 modules that drives are made as: (width, length).
LENGTH_CODES: Final = {
    "2230": (22, 30),
    "2242": (22, 42),
    "2260": (22, 60),
    "2280": (22, 80),
    "22110": (22, 110),
}

# Lanes that an M.2 module or a U.2 drive can have at most.
MODULE_LANES: Final = 4


def connector_of(lanes: int) -> int:
    """Size of the connector of a card with so many lanes; ValueError where no size is made for them (32)."""
    for size in CONNECTORS:
        if lanes <= size:
            return size
    raise ValueError(f"no connector is made for {lanes} lanes")


def goes_in(card_connector: int, slot_connector: int, open_end: bool) -> bool:  # noqa: FBT001 - a fact of the slot
    """Whether a card's edge goes into a slot: the same size or a longer slot, or one whose end is open."""
    return card_connector <= slot_connector or open_end


def card_watts(connector: int, height: Literal["full", "low"]) -> float:
    """The most that a card of this size may take from its slot, watts."""
    return CARD_WATTS[connector, height]
