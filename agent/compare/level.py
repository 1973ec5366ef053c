"""Two machines made equally blind: what one side could not read is taken from the other as well, and said once.

Only so can what is left be compared: whatever then differs, both sides have read. Readings that the kernel keeps for
the super-user are left as they are: an ordinary user's capture is compared with care elsewhere (`gained`, `lanes`).
Decides nothing about the machines.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from agent.compare.matching import MatchedMachines
from probes.decode import Registers
from probes.facts import ErrorCounters, LinkAttributes
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from agent.audit import Audit
    from agent.compare.doubts import Doubts
    from probes.facts import Drive, Facts, Gap, KernelSlot, Look, PciFunction, Sensor, StripeSet

Record = TypeVar("Record", bound=Struct)
Sides = tuple[Record, Record]
Spaces = tuple[Registers, Registers]

# Lists of a gap without an entry: what goes with them.
DISKS: Final = frozenset({"sata", "scsi"})
FIRMWARE_SLOTS: Final = "slots described by the firmware (SMBIOS)"


def levelled(before: Audit, after: Audit, doubts: Doubts) -> tuple[Audit, Audit]:
    """Both audits without what only one of them could read; what that is becomes a doubt."""
    lost = [[unread for unread in audit.unread if unread.failed] for audit in (before, after)]
    lost[0], lost[1] = ([unread for unread in mine if unread not in theirs] for mine, theirs in (lost, lost[::-1]))
    if not any(lost):
        return before, after
    for side, mine in enumerate(lost):
        read = (before, after)[side].facts.unread
        for unread in mine:
            if unread.small and unread not in read:
                continue  # follows from another one, which is said
            doubts.add(unread.asked, "", side, replace(unread, needs_root=False))
    first, second = _Level(before, after).facts()
    return before.again(first), after.again(second)


def _alike(mine: Record, other: Record, *names: str) -> Sides[Record]:
    """Two records with the fields `names` unread in both where they went wrong in one of them."""
    changes: list[dict[str, Unread]] = [{}, {}]
    for name in names:
        values = getattr(mine, name), getattr(other, name)
        for side, value in enumerate(values):
            if isinstance(value, Unread) and value.failed and not isinstance(values[1 - side], Unread):
                changes[1 - side][name] = value
    first = replace(mine, **changes[0]) if changes[0] else mine
    return first, replace(other, **changes[1]) if changes[1] else other


class _Level:
    """The facts of both sides, made equally blind step by step."""

    def __init__(self, before: Audit, after: Audit) -> None:
        self._sides = before.facts, after.facts
        matched = MatchedMachines(before, after)
        self._drives = _drive_names(matched, before, after)
        self._functions = _addresses(matched, before, after)

    def facts(self) -> tuple[Facts, Facts]:
        """Both, levelled."""
        first, second = self._host(*self._sides)
        first, second = self._listed_functions(first, second)
        first, second = self._listed_drives(first, second)
        first, second = self._slots(first, second)
        first, second = self._sensors(first, second)
        first, second = self._stripes(first, second)
        gaps = tuple(dict.fromkeys((*first.gaps, *second.gaps)))
        return replace(first, gaps=gaps), replace(second, gaps=gaps)

    def _gaps(self, of: str) -> list[Gap]:
        return [gap for facts in self._sides for gap in facts.gaps if gap.of == of]

    def _host(self, facts: Facts, other: Facts) -> Sides[Facts]:
        hosts = _alike(facts.host, other.host, *facts.host.__struct_fields__)
        return replace(facts, host=hosts[0]), replace(other, host=hosts[1])

    # --- Functions -------------------------------------------------------------------------------------------

    def _listed_functions(self, facts: Facts, other: Facts) -> Sides[Facts]:
        if self._gaps("functions"):
            return replace(facts, functions=(), looks=()), replace(other, functions=(), looks=())
        made = _paired(facts.functions, other.functions, "address", self._functions, _function)
        facts, other = replace(facts, functions=made[0]), replace(other, functions=made[1])
        if [look.offset for look in facts.looks] != [look.offset for look in other.looks]:
            return facts, other
        looks = [self._look(*pair) for pair in zip(facts.looks, other.looks, strict=True)]
        return replace(facts, looks=tuple(look for look, _ in looks)), replace(other, looks=tuple(b for _, b in looks))

    def _look(self, look: Look, other: Look) -> Sides[Look]:
        made = _paired(
            tuple(look.functions.values()), tuple(other.functions.values()), "address", self._functions, _function
        )
        first, second = ({function.address: function for function in side} for side in made)
        return replace(look, functions=first), replace(other, functions=second)

    # --- Drives ----------------------------------------------------------------------------------------------

    def _listed_drives(self, facts: Facts, other: Facts) -> Sides[Facts]:
        for gap in self._gaps("drives"):
            facts, other = _without_drives(facts, gap), _without_drives(other, gap)
        made = _paired(facts.drives, other.drives, "name", self._drives, _drive)
        return replace(facts, drives=made[0]), replace(other, drives=made[1])

    # --- The rest --------------------------------------------------------------------------------------------

    def _slots(self, mine: Facts, other: Facts) -> Sides[Facts]:
        if self._gaps("slots"):
            return replace(mine, kernel_slots=()), replace(other, kernel_slots=())
        names = {slot.name: slot.name for slot in mine.kernel_slots}
        made = _paired(mine.kernel_slots, other.kernel_slots, "name", names, _kernel_slot)
        mine, other = replace(mine, kernel_slots=made[0]), replace(other, kernel_slots=made[1])
        broken = [_broken_table(facts) for facts in (mine, other)]
        for side, lost in enumerate(broken):
            if lost is not None and broken[1 - side] is None:
                return _without_table(mine, lost), _without_table(other, lost)
        return mine, other

    def _sensors(self, side: Facts, other: Facts) -> Sides[Facts]:
        gaps = self._gaps("sensors")
        if any(not gap.entry for gap in gaps):
            return replace(side, sensors=()), replace(other, sensors=())
        told = [{sensor.drive for sensor in facts.sensors if isinstance(sensor.drive, str)} for facts in (side, other)]
        if gaps:  # a drive whose sensor may be the one that could not be followed
            both = {name for name in told[0] if self._drives.get(name) in told[1]}
            side = replace(side, sensors=tuple(_of(side.sensors, both)))
            other = replace(other, sensors=tuple(_of(other.sensors, {self._drives[name] for name in both})))
        places = {
            _place(sensor): (self._drives.get(str(sensor.drive), sensor.drive), sensor.label, sensor.chip)
            for sensor in side.sensors
        }
        theirs = {_place(sensor): number for number, sensor in enumerate(other.sensors)}
        first, second = list(side.sensors), list(other.sensors)
        for number, sensor in enumerate(side.sensors):
            match = theirs.get(places[_place(sensor)])
            if match is not None:
                first[number], second[match] = _alike(
                    first[number], second[match], "celsius", "warning_celsius", "critical_celsius"
                )
        return replace(side, sensors=tuple(first)), replace(other, sensors=tuple(second))

    def _stripes(self, side: Facts, other: Facts) -> Sides[Facts]:
        gaps = self._gaps("stripe sets")
        gone = {gap.entry for gap in gaps}
        whole = "" in gone or any(gap.kind == "disk" and not gap.entry for gap in self._gaps("drives"))
        kept = [
            tuple(stripe_set for stripe_set in facts.stripes if not whole and stripe_set.name not in gone)
            for facts in (side, other)
        ]
        made = _paired(kept[0], kept[1], "name", {stripe.name: stripe.name for stripe in kept[0]}, _stripe)
        return replace(side, stripes=made[0]), replace(other, stripes=made[1])


def _paired(
    mine: Sequence[Record],
    theirs: Sequence[Record],
    by: str,
    names: Mapping[str, str],
    alike: Any,  # noqa: ANN401 - what levels two of these
) -> tuple[tuple[Record, ...], tuple[Record, ...]]:
    """All records of both sides, those that are the same one levelled; `names` has the other side's name of each."""
    first, second = list(mine), list(theirs)
    there = {getattr(record, by): number for number, record in enumerate(theirs)}
    for number, record in enumerate(mine):
        match = there.get(names.get(getattr(record, by), ""))
        if match is not None:
            first[number], second[match] = alike(first[number], second[match])
    return tuple(first), tuple(second)


# --- Who is who ------------------------------------------------------------------------------------------------


def _drive_names(matched: MatchedMachines, before: Audit, after: Audit) -> dict[str, str]:
    """The second side's name of each drive of the first: by what was matched, else the same name."""
    there = {drive.name: drive for drive in after.facts.drives}
    same = {drive.name: drive.name for drive in before.facts.drives if drive.name in there}
    found = same | {
        thing.drive.name: other.drive.name
        for thing, other in matched.pairs()
        if thing.drive is not None and other.drive is not None
    }
    # Of alike drives the one whose reading failed is told by its name and place, unless its serial number says no.
    return found | {
        drive.name: drive.name
        for drive in before.facts.drives
        if drive.name in same
        and drive.address == there[drive.name].address
        and (drive.serial == there[drive.name].serial or isinstance(drive.serial, Unread))
    }


def _addresses(matched: MatchedMachines, before: Audit, after: Audit) -> dict[str, str]:
    """The second side's address of each function of the first: by what was matched, else the same address."""
    there = {function.address for function in after.facts.functions}
    found = {
        pci_function.address: pci_function.address
        for pci_function in before.facts.functions
        if pci_function.address in there
    }
    found |= matched.ports
    for thing, other in matched.pairs():
        numbers = {function.address.rpartition(".")[2]: function.address for function in other.functions}
        for function in thing.functions:
            match = numbers.get(function.address.rpartition(".")[2])
            if match is not None:
                found[function.address] = match
    return found


# --- One pair --------------------------------------------------------------------------------------------------


def _function(function: PciFunction, other: PciFunction) -> Sides[PciFunction]:
    names = [name for name in function.__struct_fields__ if name not in {"address", "registers", "link", "errors"}]
    function, other = _alike(function, other, *names)
    links = _maybe(function.link, other.link, LinkAttributes)
    errors = _maybe(function.errors, other.errors, ErrorCounters)
    registers = _registers(function.registers, other.registers)
    return (
        replace(function, link=links[0], errors=errors[0], registers=registers[0]),
        replace(other, link=links[1], errors=errors[1], registers=registers[1]),
    )


def _maybe(mine: Record | None, other: Record | None, kind: type[Record]) -> tuple[Record | None, Record | None]:
    """Two records of which a side may have none; where one may have it unread, the other has none to tell either."""
    if mine is None or other is None:
        known = mine if mine is not None else other
        lost = known is not None and any(
            isinstance(value := getattr(known, name), Unread) and value.failed for name in kind.__struct_fields__
        )
        return (known, known) if lost else (mine, other)
    return _alike(mine, other, *kind.__struct_fields__)


def _registers(registers: Registers, other: Registers) -> Spaces:
    """Configuration space to the depth that both have read, where a read of it went wrong."""
    sides = [registers, other]
    for side, (mine, theirs) in enumerate(((registers, other), (other, registers))):
        config = mine.config
        if isinstance(config, Unread):
            if config.failed:
                sides[1 - side] = mine
        elif mine.cut and isinstance(theirs.config, bytes) and len(theirs.config) > len(config):
            sides[1 - side] = Registers(theirs.config[: len(config)], mine.short_why, cut=True)
    return sides[0], sides[1]


def _drive(mine: Drive, other: Drive) -> Sides[Drive]:
    sizes = [
        [block.size_bytes for block in (() if isinstance(drive.blocks, Unread) else drive.blocks)]
        for drive in (mine, other)
    ]
    lost = [next((size for size in side if isinstance(size, Unread)), None) for side in sizes]
    if (lost[0] is None) != (lost[1] is None):
        unsized = lost[0] or lost[1]
        assert unsized is not None
        mine, other = replace(mine, blocks=unsized), replace(other, blocks=unsized)
    return _alike(mine, other, *(name for name in mine.__struct_fields__ if name not in {"name", "kind"}))


def _without_drives(facts: Facts, gap: Gap) -> Facts:
    """A machine without the drives that a gap may hide."""
    kinds = {"nvme"} if gap.kind == "nvme" else DISKS
    drives = tuple(
        drive for drive in facts.drives if drive.kind not in kinds or (gap.entry and drive.name != gap.entry)
    )
    names = {drive.name for drive in facts.drives} - {drive.name for drive in drives}
    return replace(facts, drives=drives, sensors=tuple(sensor for sensor in facts.sensors if sensor.drive not in names))


def _kernel_slot(slot: KernelSlot, other: KernelSlot) -> Sides[KernelSlot]:
    return _alike(slot, other, "address", "occupied")


def _broken_table(facts: Facts) -> Unread | None:
    """What is wrong with the firmware's table of slots; None where it is whole, or kept for the super-user."""
    slots = facts.board_slots
    if isinstance(slots, Unread):
        return slots if slots.failed else None
    from probes.smbios import WHAT

    return next((unread for unread in facts.unread if unread.what == WHAT), None)


def _without_table(facts: Facts, lost: Unread) -> Facts:
    return replace(facts, board_slots=replace(lost, what=FIRMWARE_SLOTS), board_devices=())


def _of(sensors: Iterable[Sensor], drives: set[str]) -> Iterable[Sensor]:
    """The sensors of these drives, and those of no drive."""
    return (sensor for sensor in sensors if sensor.drive is None or sensor.drive in drives)


def _place(sensor: Sensor) -> tuple[object, ...]:
    return sensor.drive, sensor.label, sensor.chip


def _stripe(stripe: StripeSet, other: StripeSet) -> Sides[StripeSet]:
    stripe, other = _alike(stripe, other, "level", "places", "layout", "state", "missing", "size_bytes")
    unplaced = (*stripe.unplaced, *other.unplaced)
    return _unplaced(stripe, unplaced), _unplaced(other, unplaced)


def _unplaced(stripe: StripeSet, unplaced: tuple[str, ...]) -> StripeSet:
    """A set in which the places of these block devices are not known."""
    kept = [(block, name) for block, name in zip(stripe.blocks, stripe.members, strict=True) if block not in unplaced]
    return replace(
        stripe,
        blocks=tuple(block for block, _ in kept),
        members=tuple(name for _, name in kept),
        idle=tuple(block for block in stripe.idle if block not in unplaced),
        unplaced=tuple(dict.fromkeys(unplaced)),
    )
