"""Which links of a machine lead to slots, and what each slot offers, for a build sheet made from what is fitted.

Knows what was read and what was not; says the second in remarks. Looks at no card (agent/sheets/contents.py).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.findings import Rate, Verdict
from agent.model.grouping import grouped
from agent.model.machine import device_place
from agent.model.tree import Tree
from knowledge import pcie
from knowledge.classes import class_words
from knowledge.phrasing import printable
from knowledge.rates import WIDTHS
from knowledge.slots import CONNECTORS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.model.judged import Judged
    from agent.sheets.names import Names
    from agent.sheets.sheet import Kind
    from probes.facts import BoardSlot, PciFunction
    from probes.unread import Unread

MOST_LANES: Final = CONNECTORS[-1]
FEWEST_TO_SPLIT: Final = 8
LONGEST_LABEL: Final = 60
SOCKETS_FOR_RADIO: Final = frozenset({0x14, 0x15})  # M.2 keys A and E: knowledge/smbios.py SLOT_TYPES
KINDS: Final[dict[str, Kind]] = {"card": "card", "m.2": "m.2", "u.2": "u.2", "edsff": "u.2"}


def harmless(text: str, limit: int) -> str:
    r"""Text of a device in one line, with escapes ("\x1b") for what is not printable, cut at `limit` characters."""
    return printable(text.strip(), limit)


class SlotPlace(Struct):
    """A slot of the machine: its label, the firmware's description if any, its links in the order of their ports."""

    label: str
    board: BoardSlot | None
    links: list[Judged]

    @property
    def fitted(self) -> list[Judged]:
        """The links below which something answers."""
        return [link for link in self.links if link.link.device is not None]


class FittedLinks(Tree):
    """The links of an audit by what is above and below them, and the NVMe drives at each."""

    def __init__(self, audit: Audit) -> None:
        """Index an audit."""
        super().__init__(audit.machine, audit.links)
        self.audit = audit
        self.described = audit.facts.described
        nvme = [seen for seen in audit.drives if seen.drive.kind == "nvme"]
        self.drives = grouped((seen.path[0], seen) for seen in nvme if seen.path)
        self.with_drives = {key for seen in nvme for key in seen.path}


def what(function: PciFunction | None) -> str:
    """A function in a few words."""
    return "nothing" if function is None else class_words(function.class_code)


# --- Which links are slots -------------------------------------------------------------------------------------


def places(tree: FittedLinks, labels: Names, left_out: list[str]) -> list[SlotPlace]:
    """The slots of the machine in the order of its links; what is on a card or on the board is none."""
    links = tree.audit.links
    over_slots = {up.link.key for judged in links if judged.link.board is not None for up in tree.above(judged)}
    found: dict[BoardSlot | str, SlotPlace] = {}
    inside: set[str] = set()
    for judged in links:
        link, board = judged.link, judged.link.board
        if any(up.link.key in inside for up in tree.above(judged)):
            continue
        if board is None and (link.integrated or link.key in over_slots or not _may_be_slot(tree, judged, left_out)):
            continue
        inside.add(link.key)
        key = board if board is not None else link.key
        if key not in found:
            name = link.slot.name if link.slot is not None else ""
            found[key] = SlotPlace(labels.unique(label_of(name or link.key)), board, [])
        found[key].links.append(judged)
    return list(found.values())


def label_of(name: str) -> str:
    """A slot's name as a label."""
    return harmless(name, LONGEST_LABEL) or "slot without a name"


def _may_be_slot(tree: FittedLinks, judged: Judged, left_out: list[str]) -> bool:
    """Whether a link that no slot description names is taken for a slot."""
    link = judged.link
    here = link.key in tree.with_drives or judged.is_drive
    if link.onboard or tree.above(judged) or (link.port is None and not here):
        return False
    if link.device is None and link.slot is None:
        if link.below_lost is not None:
            left_out.append(f"port {link.key}: what answers below it could not be read ({link.below_lost.why})")
        elif judged.verdict is Verdict.UNKNOWN and not tree.described:
            left_out.append(f"port {link.key}: nothing answers below it, and whether it leads to a slot is not told")
        return False
    if here or not tree.described:
        return True
    if link.device is not None:
        left_out.append(f"{what(link.device)} at {link.device.address}: in no slot that the firmware names")
    return False


def why_not(tree: FittedLinks, place: SlotPlace) -> str:
    """Why a slot has no place in a sheet, "" where it has one."""
    board = place.board
    above = [up for link in place.links for up in (link, *tree.above(link))]
    if any(judged.verdict is Verdict.VIRTUAL for judged in above):
        return "its link is tunnelled, emulated or integrated, so its figures say nothing of lanes"
    if tree.audit.facts.host.virtual is True and not place.fitted:
        return "an empty port of a virtual machine, which leads to no slot of a board"
    if board is None:
        return ""
    if board.usage == "unavailable":
        return "the firmware says that it cannot be used"
    return _why_no_drive(tree, place, board)


def _why_no_drive(tree: FittedLinks, place: SlotPlace, board: BoardSlot) -> str:
    """Why a slot that is not for cards has no place in a sheet, "" where it is one for drives."""
    if board.kind == "card" or any(link.link.key in tree.with_drives or link.is_drive for link in place.links):
        return ""
    if board.kind not in KINDS:
        return f"a slot for other things than cards and drives ({board.kind})"
    if place.fitted:
        return "it holds no NVMe drive"
    return "a socket for radio cards" if board.type_code in SOCKETS_FOR_RADIO else ""


# --- What a slot offers ------------------------------------------------------------------------------------------


def offers(place: SlotPlace, remarks: list[str]) -> Rate | None:
    """What a slot offers: its ports, the firmware's word on wiring, and what runs there now, which proves the least."""
    known = [link.port_can for link in place.links if link.port_can is not None]
    now = [judged.now for judged in place.fitted if judged.now is not None]
    wired = place.board.wired_lanes if place.board is not None else 0
    if len(known) < len(place.links):
        if not now:
            return None
        remarks.append("What its port can do could not be read; used is what runs there now. It may do more.")
        lanes, speed = sum(one.width for one in now), max(one.speed for one in now)
    else:
        offered = sum(rate.width for rate in known)
        lanes = min(offered, wired) if wired and len(known) == 1 else offered
        lanes = max([lanes, *(one.width for one in now)])
        speed = min(rate.speed for rate in known)
        if wired > offered:
            fewer = f"The firmware says that {wired} lanes are wired, but the port offers {offered}"
            remarks.append(f"{fewer}: a neighbour or a split may have taken them. See the manual.")
    if not 0 < lanes <= MOST_LANES:
        return None
    if lanes not in WIDTHS:
        remarks.append(f"Its ports show {lanes} lanes; used is the next number that a slot can have. Check it.")
    return Rate(speed, next(width for width in WIDTHS if width >= lanes))


def split_now(place: SlotPlace) -> tuple[int, ...]:
    """The groups of lanes of the ports of a split slot, in order; () for a slot of one port, or of unknown ports."""
    widths = [link.port_can.width for link in place.links if link.port_can is not None]
    if len(widths) < max(2, len(place.links)):
        return ()
    return tuple(group for width in widths for group in ((8, 4) if width == 12 else (width,)))  # noqa: PLR2004


def splitting(place: SlotPlace, rate: Rate, unread: Unread | None) -> Iterator[str]:
    """What is known of the ways to split a card slot; `unread` is why the firmware's word on it was not to be had."""
    if len(place.links) > 1:
        yield "It is split in this way now. The manual may name more ways; add them to splits."
    elif rate.width >= FEWEST_TO_SPLIT:
        if place.board is not None and place.board.can_split is True:
            yield "The firmware says that it can be split, but not how. See the manual, and write its ways:"
        else:
            told = "is not told" if unread is None else f"could not be read ({unread.why})"
            yield f"Whether it can be split {told}. If the manual says so, write its ways:"
        yield 'splits = ["4+4+4+4", "8+8"]' if rate.width > FEWEST_TO_SPLIT else 'splits = ["4+4"]'


def watts(place: SlotPlace) -> float | None:
    """The power limit that a port states for its slot; None where none is stated or could be read."""
    for link in place.links:
        if link.link.port is None:
            continue
        value = link.link.port.registers.read(pcie.SLOT_CAPABILITIES, "slot_power_limit_value")
        scale = link.link.port.registers.read(pcie.SLOT_CAPABILITIES, "slot_power_limit_scale")
        if isinstance(value, int) and isinstance(scale, int):
            found = pcie.slot_power_watts(value, scale)
            if found is not None:
                return found
    return None


def twins(tree: FittedLinks, place: SlotPlace) -> list[str]:
    """Other ports of the same device that lead to drives as this one does: they may be parts of one split slot."""
    own = place.links[0]
    if own.port_address is None or not own.is_drive:
        return []
    device = device_place(own.port_address)
    return [
        link.port_address
        for link in tree.audit.links
        if link is not own
        and link.port_address is not None
        and device_place(link.port_address) == device
        and link.is_drive
        and link.port_can == own.port_can
    ]
