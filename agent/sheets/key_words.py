"""What each key of a build sheet says, in a few words for the comment beside it, and an example of its value.

Data only. What a key takes, and which values are refused, is said in shape.py and checks.py.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct


class KeyWords(Struct, frozen=True):
    """A comment, and an example as TOML has it."""

    says: str
    example: str


# In the order of the tables; the keys of a table stand in the order of its struct in shape.py.
KEY_WORDS: Final[dict[str, dict[str, KeyWords]]] = {
    "machine": {
        "name": KeyWords("the host name; check --against refuses a machine of another name", '"bench-1"'),
        "product": KeyWords("as the machine reports it (lanewright inventory)", '"Editing tower 1"'),
        "board": KeyWords("as the machine reports it (lanewright inventory)", '"WS-7"'),
        "payload_bytes": KeyWords("Max Payload Size, bytes", "256"),
    },
    "uplink": {
        "name": KeyWords("a link to the processor that slots share, such as that of the chipset", '"chipset"'),
        "lanes": KeyWords("its lanes", "4"),
        "generation": KeyWords("its speed, as slots have it", "3"),
        "above": KeyWords("the shared link above it, if there is one", '"processor 2"'),
    },
    "slot": {
        "label": KeyWords("the name on the board and in its manual", '"SLOT1"'),
        "kind": KeyWords('"card"; "m.2" or "u.2" for a socket that takes a drive itself', '"card"'),
        "connector": KeyWords("the length of the connector, in lanes: 1, 4, 8 or 16", "16"),
        "open_end": KeyWords("true where the end is open, so that longer cards fit", "true"),
        "lanes": KeyWords("the lanes that are wired, which may be fewer", "16"),
        "generation": KeyWords("1 is 2.5 GT/s, 2 is 5, 3 is 8, 4 is 16, 5 is 32", "4"),
        "splits": KeyWords("how the firmware setup can divide it (bifurcation)", '["8+8", "4+4+4+4"]'),
        "uplink": KeyWords("the shared link that it is behind; none: straight to the processor", '"chipset"'),
        "power_watts": KeyWords("the most that a card may take, where the manual says another figure", "75"),
        "longest_mm": KeyWords("the longest card that there is room for", "280"),
        "height": KeyWords('"low" where only low cards go in', '"full"'),
        "covers": KeyWords("the slots that a card of two places in this one hides", '["SLOT2"]'),
        "lengths": KeyWords("the drives that an M.2 socket takes, by length code", '["2280", "22110"]'),
        "port": KeyWords("the address of the port above it (lanewright check)", '"0000:00:01.0"'),
        "lanes_while": KeyWords(
            "its lanes while all of these slots hold something", '[{filled = ["SLOT2"], lanes = 8}]'
        ),
    },
    "card": {
        "name": KeyWords("what you call it", '"reel rack"'),
        "kind": KeyWords("a kind of part, which gives all figures below (plan --kinds)", '"switch-carrier-4-x16-gen4"'),
        "connector": KeyWords("the length of its edge, in lanes", "16"),
        "lanes": KeyWords("the lanes that it uses", "16"),
        "generation": KeyWords("its speed, as slots have it", "4"),
        "carrier": KeyWords('"passive": its bays split the slot\'s lanes; "switch": they share them', '"switch"'),
        "bays": KeyWords("how many drives it takes", "4"),
        "bay_lanes": KeyWords("the lanes of each bay", "4"),
        "bay_generation": KeyWords("the speed of the bays, where it is another", "4"),
        "bay_lengths": KeyWords("the drives that its bays take, by length code", '["2280", "22110"]'),
        "bay_form": KeyWords('"m.2" or "u.2"', '"m.2"'),
        "power_watts": KeyWords("the most that it takes itself, without drives", "12"),
        "cable_watts": KeyWords("what its own supply cables bring", "75"),
        "height": KeyWords('"low" for a low card', '"full"'),
        "length_mm": KeyWords("its length", "170"),
        "wide": KeyWords("how many slot places it takes", "1"),
        "slot": KeyWords("where it is today; left out: not fitted", '"SLOT1"'),
        "stays": KeyWords("true where it must not be moved", "true"),
        "wants_mbps": KeyWords("the link rate that a card without bays must keep, MB/s", "1250"),
        "wants_assumed": KeyWords("true where that figure is a guess", "true"),
        "pci_id": KeyWords("vendor and device of its function 0 (lanewright check)", '"1b36:0010"'),
    },
    "drive": {
        "name": KeyWords("what you call it", '"reel-1"'),
        "kind": KeyWords("a kind of part, which gives all figures below (plan --kinds)", '"nvme-gen4"'),
        "generation": KeyWords("its speed, as slots have it", "4"),
        "lanes": KeyWords("its lanes", "4"),
        "read_mbps": KeyWords("what it reads by its maker's sheet, MB/s", "7000"),
        "write_mbps": KeyWords("what it writes by its maker's sheet, MB/s", "6000"),
        "power_watts": KeyWords("the most that it takes", "9"),
        "length": KeyWords("its length code", '"2280"'),
        "form": KeyWords('"m.2" or "u.2"', '"m.2"'),
        "card": KeyWords("the carrier that it is on today", '"reel rack"'),
        "bay": KeyWords("its bay there, counted from 1", "1"),
        "slot": KeyWords("or the socket that it is in today", '"M2_1"'),
        "stays": KeyWords("true where it must not be moved", "true"),
        "model": KeyWords("as the drive reports it (lanewright inventory)", '"Ostrayne Reel 4 2TB"'),
        "serial": KeyWords("as the drive reports it", '"R4-0001"'),
        "firmware": KeyWords("the version that the two limits are of", '"RL4B2.10"'),
        "warning_celsius": KeyWords("its limits, for soaks where it does not tell them", "70"),
        "critical_celsius": KeyWords("its limits, for soaks where it does not tell them", "80"),
    },
    "stripe": {
        "name": KeyWords("a set of drives that is used as one", '"scratch"'),
        "raid": KeyWords("0, 1, 5 or 10", "0"),
        "drives": KeyWords("its drives by name", '["reel-1", "reel-2"]'),
    },
    "need": {
        "name": KeyWords("what it is for, in your words", '"scratch reads 6,000 MB/s"'),
        "stripe": KeyWords("of which set,", '"scratch"'),
        "drives": KeyWords("or of which drives,", '["reel-1"]'),
        "cards": KeyWords("or of which card", '["canvas"]'),
        "read_mbps": KeyWords("what the set, or each drive, must read, MB/s", "6000"),
        "write_mbps": KeyWords("what it must write, MB/s", "4000"),
        "not_on_split": KeyWords("true: not on a card that needs a split slot", "true"),
        "not_behind_switch": KeyWords("true: not behind a packet switch", "true"),
        "in_slot": KeyWords("the slot that the card must be in", '"SLOT1"'),
    },
}
