"""What is in the slots of a machine, as cards and drives of a build sheet, for a sheet made from what is fitted.

A sheet says what parts can do, not what they do now. Where that was not read, what is written instead is told in a
remark, and a card of which nothing is known stays where it is.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.expected import as_written
from agent.model.findings import Rate, Verdict
from agent.model.likeness import pci_id
from agent.model.machine import drives_display
from agent.model.throughput import link_mbps
from agent.model.unseen_parts import drives as missing_drives
from agent.sheets.names import Names
from agent.sheets.places import FEWEST_TO_SPLIT, MOST_LANES, harmless, what
from agent.sheets.reading import drive_watts
from agent.sheets.sheet import CardSpec, DriveSpec, SlotSpec, StripeSpec, Uplink
from knowledge import pcie
from knowledge.slots import MODULE_LANES, card_watts, connector_of
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.model.judged import Judged
    from agent.sheets.places import FittedLinks, SlotPlace

LONGEST_NAME: Final = 60
MOST_BAYS: Final = 16
MOST_DRIVE_WATTS: Final = 100  # a drive that claims more was misread, or jests
HOTTEST_LIMIT: Final = 200.0  # degrees Celsius; a limit above it was misread
DRIVE_LANES: Final = (16, 8, 4, 2, 1)
LINK_LANES: Final = (16, 12, 8, 4, 2, 1)


class SheetEntry(Struct, frozen=True):
    """One entry of a sheet and what has to be said beside it."""

    spec: Uplink | SlotSpec | CardSpec | DriveSpec | StripeSpec
    remarks: tuple[str, ...] = ()


class Contents:
    """Cards and drives, collected slot by slot. `told` are the names of all drives that were spoken of."""

    def __init__(self, tree: FittedLinks) -> None:
        """Begin with none."""
        self._tree = tree
        self._card_names, self._drive_names = Names(), Names()
        self.cards: list[SheetEntry] = []
        self.drives: list[SheetEntry] = []
        self.told: set[str] = set()
        self.names: dict[str, str] = {}  # of drives: in the sheet, by what the kernel calls them

    def add(self, place: SlotPlace, slot: SlotSpec) -> None:
        """Add what is in a slot."""
        if not place.fitted:
            if any(link.verdict is Verdict.DARK for link in place.links):
                self._add_silent(slot)
        elif slot.kind != "card":
            self._add_drive(place.fitted[0], slot, slot=slot.label)
        elif len(place.fitted) == 1 and self._is_switch_carrier(place.fitted[0]):
            self._add_switch_carrier(place.fitted[0], slot)
            self._supply_last(slot)
        elif any(judged.is_drive for judged in place.fitted):
            self._add_passive_carrier(place, slot)
            self._supply_last(slot)
        else:
            self._add_plain_card(place, slot)

    def _add_silent(self, slot: SlotSpec) -> None:
        """Something that is detected and does not answer: it takes the slot, and nobody knows what it is."""
        remark = "Something is detected here that does not answer. Its figures are those of the slot. Check them."
        if slot.kind == "card":
            name = self._card_names.unique("unknown card")
            card = CardSpec(
                name=name,
                connector=connector_of(slot.lanes),
                lanes=slot.lanes,
                generation=slot.generation,
                slot=slot.label,
                stays=True,
            )
            self.cards.append(SheetEntry(card, (remark,)))
        else:
            drive = DriveSpec(
                name=self._drive_names.unique("unknown drive"),
                generation=slot.generation,
                lanes=_at_most(slot.lanes, DRIVE_LANES),
                form=slot.kind,
                slot=slot.label,
                stays=True,
            )
            self.drives.append(SheetEntry(drive, (remark,)))

    # --- Cards ---------------------------------------------------------------------------------------------------

    def _is_switch_carrier(self, judged: Judged) -> bool:
        """Whether a card is a switch with bays: drives or nothing at all below it, no display and no tunnel."""
        tree, device = self._tree, judged.link.device
        if device is None or tree.audit.machine.kinds.get(device.address) != pcie.SWITCH_UPSTREAM_PORT:
            return False
        below = tree.below(judged)
        if any(other.verdict is Verdict.VIRTUAL for other in below):
            return False
        if drives_display(judged.link, tree.audit.machine.below) is not None or not bays(below):
            return False
        return any(link.is_drive for link in below) or not any(other.link.device is not None for other in below)

    def _add_switch_carrier(self, judged: Judged, slot: SlotSpec) -> None:
        device, below = judged.link.device, self._tree.below(judged)
        assert device is not None
        remarks = ["A carrier with a packet switch. Power, height and connector: see its maker's sheet."]
        found = bays(below)
        rate = _ability(judged, slot, remarks)
        known = [can for can in (bay.port_can or bay.best or bay.now for bay in found) if can is not None]
        if len(set(known)) > 1:
            remarks.append("Its bays are not alike; the least of them is used.")
        others = [other for other in below if other not in found and other.link.device is not None]
        if others:
            names = ", ".join(dict.fromkeys(what(other.link.device) for other in others))
            remarks.append(f"It also holds what this sheet has no place for: {names}.")
        name = self._card_names.unique(harmless(readable(device.model_name) or "", LONGEST_NAME) or "switch carrier")
        for number, bay in enumerate(found, 1):
            if bay.is_drive:
                self._add_drive(bay, slot, card=name, bay=number)
        card = CardSpec(
            name=name,
            connector=connector_of(rate.width),
            lanes=rate.width,
            generation=rate.speed,
            carrier="switch",
            bays=len(found),
            bay_lanes=_at_most(min((can.width for can in known), default=MODULE_LANES), DRIVE_LANES),
            bay_generation=min((can.speed for can in known), default=rate.speed),
            slot=slot.label,
            pci_id=pci_id(device),
        )
        self.cards.append(SheetEntry(card, tuple(remarks)))

    def _add_passive_carrier(self, place: SlotPlace, slot: SlotSpec) -> None:
        """The carrier of drives that hang on the slot's own lanes: a group of lanes each where the slot is split."""
        holds = [judged for judged in place.fitted if judged.is_drive]
        split = len(place.links) > 1
        widths = [link.port_can.width if link.port_can is not None else MODULE_LANES for link in place.links]
        bay_lanes = min(widths) if split else _ability(holds[0], slot, []).width
        bay_lanes = _at_most(bay_lanes, DRIVE_LANES)
        name = "carrier" if len(holds) > 1 else f"carrier of {self._drive_name(holds[0])}"
        name = self._card_names.unique(name)
        added = {}
        for number, link in enumerate(place.links):
            if link in holds:
                bay = min(sum(widths[:number]) // bay_lanes + 1, MOST_BAYS)
                added[bay] = self._add_drive(link, slot, card=name, bay=bay)
        others = [what(judged.link.device) for judged in place.fitted if judged not in holds]
        lanes = min(max(added) * bay_lanes, MOST_LANES)
        card = CardSpec(
            name=name,
            connector=connector_of(lanes),
            lanes=lanes if lanes in LINK_LANES else connector_of(lanes),
            generation=max(drive.generation for drive in added.values()),
            carrier="passive",
            bays=max(added),
            bay_lanes=bay_lanes,
            slot=slot.label,
            stays=bool(others),
        )
        self.cards.append(SheetEntry(card, tuple(_passive_remarks(slot, len(holds), others))))

    def _supply_last(self, slot: SlotSpec) -> None:
        """Let the carrier added last have the power that its drives may take: as they work, it must have it."""
        part = self.cards[-1]
        card = part.spec
        assert isinstance(card, CardSpec)
        drives = [drive.spec for drive in self.drives if isinstance(drive.spec, DriveSpec)]
        takes = sum(drive_watts(drive) for drive in drives if drive.card == card.name)
        gets = card_watts(card.connector, card.height)
        gets = gets if slot.power_watts is None else min(gets, slot.power_watts)
        if takes > gets:
            remark = (
                f"Its drives may take {takes:g} W, and its edge gives {gets:g} W at most. As they work, the rest comes"
                " another way, such as a supply cable, or the edge is longer than its lanes need. Check it."
            )
            more = ceil(100 * (takes - gets)) / 100
            self.cards[-1] = SheetEntry(replace(card, cable_watts=more), (*part.remarks, remark))

    def _add_plain_card(self, place: SlotPlace, slot: SlotSpec) -> None:
        """A card without bays; it should keep the rate that it has now, or half of it if it drives a display."""
        holds = place.fitted
        one, device = holds[0], holds[0].link.device
        assert device is not None
        remarks: list[str] = []
        if len(holds) > 1:
            parts = ", ".join(what(held.link.device) for held in holds)
            remarks.append(f"It needs the slot split as it is now ({parts}), so it stays.")
            rate = Rate(slot.generation, slot.lanes)
        else:
            rate = _ability(one, slot, remarks)
        known = len(holds) == 1 and one.device_can is not None
        on_board = place.board is None and one.link.slot is None
        if on_board:
            lost = one.link.slot_lost
            told = (
                "No slot is named here" if lost is None else f"Whether it is in a slot could not be read ({lost.why})"
            )
            remarks.append(f"{told}: it may be part of the board, so it stays.")
        wants = _wants(one) if known else None
        if wants is not None and drives_display(one.link, self._tree.audit.machine.below) is not None:
            wants = float(int(wants / 2))
            remarks.append(
                "wants_mbps is assumed: half of its link rate now, as display cards lose little with half the lanes."
            )
        elif wants is not None:
            remarks.append(
                "wants_mbps is assumed: its link rate now. If it needs less, write that, and drop wants_assumed."
            )
        card = CardSpec(
            name=self._card_names.unique(harmless(readable(device.model_name) or "", LONGEST_NAME) or what(device)),
            connector=connector_of(rate.width),
            lanes=rate.width,
            generation=rate.speed,
            slot=slot.label,
            stays=on_board or not known,
            wants_mbps=wants,
            wants_assumed=wants is not None,
            pci_id=pci_id(device),
        )
        self.cards.append(SheetEntry(card, tuple(remarks)))

    # --- Drives --------------------------------------------------------------------------------------------------

    def _drive_name(self, judged: Judged) -> str:
        found = self._tree.drives.get(judged.link.key)
        if found:
            return harmless(found[0].drive.name, LONGEST_NAME)
        return f"drive at {judged.link.device.address if judged.link.device is not None else judged.link.key}"

    def _add_drive(
        self,
        judged: Judged,
        holder: SlotSpec,
        *,
        slot: str | None = None,
        card: str | None = None,
        bay: int | None = None,
    ) -> DriveSpec:
        """Add the drive of a link, in a slot or in a bay."""
        found = self._tree.drives.get(judged.link.key, [])
        drive = found[0].drive if found else None
        self.told.update(seen.drive.name for seen in found)
        remarks = []
        if drive is None:
            lost = missing_drives(self._tree.audit.facts)
            told = (
                "No driver has claimed it"
                if lost is None
                else f"Whether a driver has it could not be read ({lost.why})"
            )
            remarks.append(f"{told}, so what it says of itself is not known.")
        elif len(found) > 1:
            more = ", ".join(seen.drive.name for seen in found[1:])
            remarks.append(f"It also answers as {more}.")
        rate = _ability(judged, holder, remarks)
        watts = drive.max_watts if drive is not None else None
        if isinstance(watts, Unread) and not watts.needs_root:
            remarks.append(f"The most power that it takes could not be read ({watts.why}); see its maker's sheet.")
        spec = DriveSpec(
            name=self._drive_names.unique(self._drive_name(judged)),
            generation=rate.speed,
            lanes=_at_most(rate.width, DRIVE_LANES),
            power_watts=watts if isinstance(watts, float) and 0 < watts <= MOST_DRIVE_WATTS else None,
            form="u.2" if slot is not None and holder.kind == "u.2" else "m.2",
            card=card,
            bay=bay,
            slot=slot,
            model=as_written(drive.model) if drive is not None else None,
            serial=as_written(drive.serial) if drive is not None else None,
            firmware=as_written(drive.firmware) if drive is not None else None,
            warning_celsius=_limit(drive.warning_celsius) if drive is not None else None,
            critical_celsius=_limit(drive.critical_celsius) if drive is not None else None,
        )
        self.names.update((seen.drive.name, spec.name) for seen in found)
        self.drives.append(SheetEntry(spec, tuple(remarks)))
        return spec


def _limit(celsius: float | Unread | None) -> float | None:
    """A limit as a sheet can hold it."""
    return round(celsius, 2) if isinstance(celsius, float) and 0 < celsius <= HOTTEST_LIMIT else None


def bays(below: Iterable[Judged]) -> list[Judged]:
    """Of the links below a switch those that look like bays: those with a drive, and empty ones just like them."""
    inner = list(below)
    drives = [judged for judged in inner if judged.is_drive]
    empty = [judged for judged in inner if judged.link.device is None and judged.port_can is not None]
    widths = {drive.port_can.width for drive in (drives or empty) if drive.port_can is not None}
    found = [
        judged
        for judged in inner
        if judged in drives or (judged in empty and judged.port_can is not None and judged.port_can.width in widths)
    ]
    return found[:MOST_BAYS]


def _ability(judged: Judged, slot: SlotSpec, remarks: list[str]) -> Rate:
    """What a component can do on its own; where that is not known, what runs now, else what its slot can do."""
    if judged.device_can is not None:
        return Rate(judged.device_can.speed, _at_most(judged.device_can.width, LINK_LANES))
    if judged.now is not None:
        remarks.append("What it can do could not be read; used is what runs now. It may do more.")
        return Rate(judged.now.speed, _at_most(judged.now.width, LINK_LANES))
    remarks.append("What it can do could not be read; assumed is what its slot can do. Check it.")
    return Rate(slot.generation, slot.lanes)


def _at_most(lanes: int, sizes: Iterable[int]) -> int:
    """The greatest of `sizes`, which fall, that is not more than `lanes`."""
    return next((size for size in sizes if size <= lanes), 1)


def _wants(judged: Judged) -> float | None:
    """The link rate that a card has now, MB/s, rounded down; a resting link has its best when it works."""
    rate = judged.best if judged.verdict is Verdict.RESTING else judged.now
    return float(int(link_mbps(rate.speed, rate.width))) if rate is not None else None


def _passive_remarks(slot: SlotSpec, drives: int, others: list[str]) -> Iterable[str]:
    """What to say of a passive carrier, of which nothing but its drives can be seen."""
    if drives == 1 and slot.lanes < FEWEST_TO_SPLIT:
        yield "A drive in a card slot sits on a carrier, which cannot be seen: one bay is assumed."
    else:
        seen = "One drive answers" if drives == 1 else f"{drives} drives answer"
        bays = "Count its bays: further drives show only where the slot is split for them."
        yield f"{seen} on a carrier without a switch, which cannot be seen itself. {bays}"
    yield "It is assumed to carry the speed that its drives can do. Check it."
    if others:
        yield f"In the same slot, and without a place in a sheet: {', '.join(others)}. So it stays."
