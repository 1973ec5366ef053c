"""The same machine after a restart that numbered everything anew: buses, drives, order, uptime. Test help only."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from knowledge import pcie
from probes.decode import Registers
from probes.facts import BoardSlot, Health
from probes.unread import Unread
from tests.space import rewritten

if TYPE_CHECKING:
    from random import Random

    from probes.facts import Drive, Facts, PciFunction, Sensor, StripeSet

ADDRESS: Final = re.compile(r"((?:pci)?(?:[0-9a-f]{4,8}:)?)([0-9a-f]{2})((?::[0-9a-f]{2}(?:\.[0-7])?(?:@[0-9a-f]+)?)?)")
BRIDGE: Final = 0x0604


class Numbers:
    """New numbers of buses and drives, drawn once for a machine."""

    def __init__(self, facts: Facts, draw: Random) -> None:
        """Draw them; `roots` of a machine get new numbers too."""
        self.draw = draw
        self._buses: dict[tuple[str, str], str] = {}
        self._free = [f"{number:02x}" for number in range(1, 256)]
        draw.shuffle(self._free)
        self.drives: dict[str, str] = {}
        for prefix in ("nvme", "sd", "disk"):
            names = [drive.name for drive in facts.drives if drive.name.startswith(prefix)]
            self.drives.update(zip(names, draw.sample(names, len(names)), strict=True))

    def address(self, address: str) -> str:
        """An address, a root or a bus under its new number; bus 00 stays, as the first root bus does."""
        found = ADDRESS.fullmatch(address)
        if found is None or found[2] == "00":
            return address
        key = (found[1].removeprefix("pci"), found[2])
        if key not in self._buses:
            self._buses[key] = self._free.pop()
        return f"{found[1]}{self._buses[key]}{found[3]}"

    def told(self, address: str | Unread | None) -> str | Unread | None:
        """The same of an address that may be missing or unread."""
        return self.address(address) if isinstance(address, str) else address

    def drive(self, text: str) -> str:
        """A drive, or a block device of one, under its new name."""
        whole = next((name for name in sorted(self.drives, key=len, reverse=True) if text.startswith(name)), None)
        return text if whole is None else self.drives[whole] + text.removeprefix(whole)


def restarted(facts: Facts, draw: Random) -> Facts:
    """The facts of the same machine after a restart."""
    new = Numbers(facts, draw)
    functions = [_function(one, new) for one in facts.functions]
    drives = [_drive(one, new) for one in facts.drives]
    draw.shuffle(functions)
    draw.shuffle(drives)
    slots = facts.board_slots
    if not isinstance(slots, Unread):
        slots = tuple(_slot(one, new) for one in slots)
    up = facts.host.up_seconds
    return replace(
        facts,
        taken_at="2026-03-09T18:30:00+00:00",
        host=replace(facts.host, up_seconds=up if isinstance(up, Unread) else up * draw.uniform(1.0, 9.0)),
        functions=tuple(functions),
        drives=tuple(drives),
        kernel_slots=tuple(replace(one, address=new.told(one.address) or "") for one in facts.kernel_slots),
        board_slots=slots,
        board_devices=tuple(
            replace(one, address=new.address(one.address) if one.address is not None else None)
            for one in facts.board_devices
        ),
        sensors=tuple(_sensor(one, facts, new) for one in facts.sensors),
        looks=tuple(
            replace(
                look, functions={new.address(address): _function(one, new) for address, one in look.functions.items()}
            )
            for look in facts.looks
        ),
        stripes=tuple(_stripe(one, new) for one in facts.stripes),
    )


def _function(one: PciFunction, new: Numbers) -> PciFunction:
    registers = one.registers
    config = registers._config  # noqa: SLF001 - the bus below a port is a number in these bytes
    if (
        isinstance(config, bytes)
        and isinstance(one.class_code, int)
        and one.class_code >> 8 == BRIDGE
        and config[0x19:]
    ):
        head = one.address.rpartition(":")[0].rpartition(":")[0]
        below = new.address(f"{head}:{config[0x19]:02x}" if head else f"{config[0x19]:02x}")
        if config[0x19]:
            number = int(below.rpartition(":")[2], 16)
            registers = Registers(
                rewritten(config, pcie.SECONDARY_BUS_NUMBER, secondary_bus_number=number), registers.short_why
            )
    return replace(
        one,
        address=new.address(one.address),
        parent=new.told(one.parent),
        root=one.root if isinstance(one.root, Unread) else new.address(one.root),
        physical_function=new.told(one.physical_function),
        virtual_functions=one.virtual_functions
        if isinstance(one.virtual_functions, Unread)
        else tuple(map(new.address, one.virtual_functions)),
        registers=registers,
    )


def _slot(one: BoardSlot, new: Numbers) -> BoardSlot:
    return replace(
        one,
        address=new.address(one.address) if one.address is not None else None,
        peers=tuple((new.address(address), lanes) for address, lanes in one.peers),
    )


def _drive(one: Drive, new: Numbers) -> Drive:
    """The drive, a little older."""
    health = one.health
    if isinstance(health, Health):
        more = {
            name: getattr(health, name) + new.draw.randrange(1, 90)
            for name in (
                "read_bytes",
                "written_bytes",
                "read_commands",
                "busy_minutes",
                "power_cycles",
                "error_entries",
            )
            if isinstance(getattr(health, name), int)
        }
        health = replace(health, **more)
    return replace(
        one,
        name=new.drive(one.name),
        address=new.told(one.address),
        blocks=one.blocks
        if isinstance(one.blocks, Unread)
        else tuple(replace(block, name=new.drive(block.name)) for block in one.blocks),
        health=health,
    )


def _sensor(one: Sensor, facts: Facts, new: Numbers) -> Sensor:
    """The sensor, a few degrees warmer or cooler, on the same side of every limit that it may have."""
    celsius = one.celsius
    if isinstance(celsius, float | int):
        drive = next((drive for drive in facts.drives if drive.name == one.drive), None)
        limits: list[float | Unread | None] = [one.warning_celsius, one.critical_celsius]
        limits += [drive.warning_celsius, drive.critical_celsius] if drive is not None else []
        other = celsius + new.draw.uniform(-4.0, 4.0)
        same = all(
            (celsius >= limit) == (other >= limit)
            for limit in limits
            if limit is not None and not isinstance(limit, Unread)
        )
        celsius = other if same else celsius
    return replace(
        one,
        drive=new.drive(one.drive) if isinstance(one.drive, str) else one.drive,
        address=new.told(one.address),
        celsius=celsius,
    )


def _stripe(one: StripeSet, new: Numbers) -> StripeSet:
    return replace(
        one,
        members=tuple(map(new.drive, one.members)),
        blocks=tuple(map(new.drive, one.blocks)),
        idle=tuple(map(new.drive, one.idle)),
        state="active" if one.state == "clean" else one.state,
    )
