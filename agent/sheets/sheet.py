"""What a build sheet says, checked and with part kinds filled in. Data only: nothing is read or decided here.

Speeds are generation numbers (1 is 2.5 GT/s), widths are lanes, rates MB/s (10^6 bytes per second), power watts,
lengths millimetres. `None` means that the sheet does not say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.toml.tables import problem_at

if TYPE_CHECKING:
    from agent.model.expected import Need
    from knowledge.problems import BadInput

FORMAT: Final = "lanewright-sheet"
VERSION: Final = 1

Kind = Literal["card", "m.2", "u.2"]
Height = Literal["full", "low"]
Carrier = Literal["none", "passive", "switch"]


class Uplink(Struct, frozen=True):
    """A link that several slots share on their way to the processor (of a chipset); `above` names the next one."""

    name: str
    lanes: int
    generation: int
    above: str | None = None


class LanesWhile(Struct, frozen=True):
    """What a slot has while all slots of `filled` hold something: so many lanes (0: it does not work), and splits.

    `splits` are the ways to divide these lanes, None for those of the slot that they are enough for.
    """

    filled: tuple[str, ...]
    lanes: int
    splits: tuple[tuple[int, ...], ...] | None = None


class SlotSpec(Struct, frozen=True, kw_only=True):
    """A slot of the board: one for cards, or (`kind` "m.2", "u.2") one that takes a drive itself.

    `connector` is its size in lanes, `lanes` those that are wired. `splits` are the ways in which the firmware can
    divide them, each a row of lanes ((4, 4, 4, 4)). `covers` are the slots that a double-width card in this one hides.
    `lengths` are the codes of drives that an M.2 socket takes, () for any. `port` is the address of the port above it.
    `lanes_while` says when the slot has fewer lanes, as others take them; of all that apply the fewest lanes count.
    """

    label: str
    kind: Kind = "card"
    connector: int
    open_end: bool = False
    lanes: int
    generation: int
    splits: tuple[tuple[int, ...], ...] = ()
    uplink: str | None = None
    power_watts: float | None = None
    longest_mm: int | None = None
    height: Height = "full"
    covers: tuple[str, ...] = ()
    lengths: tuple[str, ...] = ()
    port: str | None = None
    lanes_while: tuple[LanesWhile, ...] = ()


class CardSpec(Struct, frozen=True, kw_only=True):
    """A card.

    With `carrier` "passive" its bays take lanes of the slot, `bay_lanes` each, in order; with "switch" they share its
    link. `power_watts` is the most that the card itself takes, without drives; `cable_watts` what its own supply cables
    bring. `wide` is how many slot places it takes. `slot` is where it is today (None: not fitted). `wants_mbps` is the
    link rate that a card without bays should have, `wants_assumed` tells that nobody has asked for it. `pci_id` is
    "vendor:device" of its function 0, as fitted.
    """

    name: str
    kind: str | None = None
    connector: int
    lanes: int
    generation: int
    carrier: Carrier = "none"
    bays: int = 0
    bay_lanes: int = 4
    bay_generation: int | None = None
    bay_lengths: tuple[str, ...] = ()
    bay_form: Literal["m.2", "u.2"] = "m.2"
    power_watts: float | None = None
    cable_watts: float = 0.0
    height: Height = "full"
    length_mm: int | None = None
    wide: int = 1
    slot: str | None = None
    stays: bool = False
    wants_mbps: float | None = None
    wants_assumed: bool = False
    pci_id: str | None = None


class DriveSpec(Struct, frozen=True, kw_only=True):
    """A drive. `read_mbps` and `write_mbps` are its own limits; without them its link is the limit.

    It is today in bay `bay` (counted from 1) of the card `card`, or in the slot `slot`, or (neither) not fitted.
    `warning_celsius` and `critical_celsius` are its limits with this `firmware`: a soak takes them where it cannot read
    them.
    """

    name: str
    kind: str | None = None
    generation: int
    lanes: int = 4
    read_mbps: float | None = None
    write_mbps: float | None = None
    power_watts: float | None = None
    length: str | None = None
    form: Literal["m.2", "u.2"] = "m.2"
    card: str | None = None
    bay: int | None = None
    slot: str | None = None
    stays: bool = False
    model: str | None = None
    serial: str | None = None
    firmware: str | None = None
    warning_celsius: float | None = None
    critical_celsius: float | None = None


class StripeSpec(Struct, frozen=True):
    """A set of drives used as one: `raid` is 0, 1, 5 or 10."""

    name: str
    raid: int
    drives: tuple[str, ...]


class MachineSpec(Struct, frozen=True, kw_only=True):
    """The machine as a whole; names as the machine itself reports them. `payload_bytes` is the Max Payload Size."""

    name: str | None = None
    product: str | None = None
    board: str | None = None
    payload_bytes: int = 256


class Sheet(Struct, frozen=True, kw_only=True):
    """A whole build sheet. `source` is the file's name for messages; `lines` gives the line of a key by its path.

    A path is written as "slot[2].lanes", counted from 0 as in the file; "slot[2]" is the line of the heading.
    """

    source: str
    machine: MachineSpec
    uplinks: tuple[Uplink, ...] = ()
    slots: tuple[SlotSpec, ...] = ()
    cards: tuple[CardSpec, ...] = ()
    drives: tuple[DriveSpec, ...] = ()
    stripes: tuple[StripeSpec, ...] = ()
    needs: tuple[Need, ...] = ()
    lines: dict[str, int] = {}


class DrivePlace(Struct, frozen=True):
    """Where a drive is: a bay (from 1) of a card, or a slot of its own (`bay` is None then)."""

    holder: str
    bay: int | None


class Placement(Struct, frozen=True):
    """Where everything is: slot label by card, place by drive. What is not in them is not fitted."""

    cards: dict[str, str]
    drives: dict[str, DrivePlace]


def fail(sheet: Sheet, key: str, words: str) -> BadInput:
    """The error for a key of a sheet ("slot[2].lanes"), with file and line. `words` are a sentence without its end."""
    return problem_at(sheet.source, sheet.lines, key, words)
