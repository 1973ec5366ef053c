"""Makes a guest's kernel show links that the emulator cannot make: its links do not train.

Copies of a function's configuration space and link attributes, with other values, are bind-mounted over the real files
in a private mount namespace, so that the program reads them on its ordinary path. Offsets and masks are those of the
kernel's include/uapi/linux/pci_regs.h, written out here and not taken from the program's tables.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from tests.lab.boot import ORDINARY

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tests.lab.boot import Guest, Result

DEVICES: Final = "/sys/bus/pci/devices"
ATTRIBUTES: Final = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")
# As much as the kernel gives to an ordinary user (drivers/pci/pci-sysfs.c, pci_read_config).
ORDINARY_BYTES: Final = 64

# Places and bits by linux/pci_regs.h: the capability list, then registers by their offset in PCI Express Capability.
POINTER: Final = 0x34
EXPRESS: Final = 0x10
LINK_CAPABILITIES: Final = 0x0C  # Max Link Speed 0x0000000f, Maximum Link Width 0x000003f0
LINK_STATUS: Final = 0x12  # Current Link Speed 0x000f, Negotiated Link Width 0x03f0
LINK_ACTIVE: Final = 0x2000
AUTONOMOUS: Final = 0x8000
SLOT_STATUS: Final = 0x1A
PRESENT: Final = 0x0040
LINK_CAPABILITIES_2: Final = 0x2C  # Supported Link Speeds Vector 0x000000fe
LINK_CONTROL_2: Final = 0x30  # Target Link Speed 0x000f, Hardware Autonomous Speed Disable 0x0020
SPEED_FROZEN: Final = 0x0020

# drivers/pci/probe.c, pci_speed_string: how the attributes word each speed code.
SPEEDS: Final = {1: "2.5 GT/s PCIe", 2: "5.0 GT/s PCIe", 3: "8.0 GT/s PCIe", 4: "16.0 GT/s PCIe"}

Rate = tuple[int, int]


class End(Struct, frozen=True):
    """One end of a link as it shall look. Rates are (speed code, lanes); None leaves a thing as it is.

    `status` is what the register shows where it differs from the attributes (`now`).
    """

    address: str
    can: Rate | None = None
    now: Rate | None = None
    status: Rate | None = None
    target: int | None = None
    autonomous: bool = False
    frozen: bool = False
    present: bool | None = None


def configurations(guest: Guest) -> dict[str, bytes]:
    """The configuration space of every function of a guest, by address, as root reads it."""
    found = guest.run(f'cd {DEVICES} && for one in *; do cat "$one/config" >"$OLDPWD/$one"; done')
    assert (0, "") == (found.code, found.stderr)
    return found.files


def express(config: bytes) -> int:
    """Where the PCI Express capability begins."""
    place = config[POINTER]
    while config[place] != EXPRESS:
        place = config[place + 1]
        if not place:
            raise ValueError("there is no PCI Express capability")
    return place


def edited(config: bytes, end: End) -> bytes:
    """The configuration space with `end` written into it."""
    space = bytearray(config)
    start = express(config)

    def change(offset: int, form: str, mask: int, value: int) -> None:
        (old,) = struct.unpack_from(form, space, start + offset)
        struct.pack_into(form, space, start + offset, old & ~mask | value)

    if end.can is not None:
        speed, width = end.can
        change(LINK_CAPABILITIES, "<I", 0x3FF, speed | width << 4)
        if config[start + 2] & 0xF > 1:  # the second version of the capability added the second registers
            change(LINK_CAPABILITIES_2, "<I", 0xFE, (1 << speed + 1) - 2)
    status = end.status or end.now
    if status is not None:
        change(LINK_STATUS, "<H", 0x3FF, status[0] | status[1] << 4)
    if end.target is not None:
        change(LINK_CONTROL_2, "<H", 0xF, end.target)
    if end.frozen:
        change(LINK_CONTROL_2, "<H", SPEED_FROZEN, SPEED_FROZEN)
    if end.autonomous:
        change(LINK_STATUS, "<H", AUTONOMOUS, AUTONOMOUS)
    if end.present is not None:
        change(SLOT_STATUS, "<H", PRESENT, PRESENT * end.present)
        change(LINK_STATUS, "<H", LINK_ACTIVE, 0)
    return bytes(space)


def shown(ends: tuple[End, ...], configs: Mapping[str, bytes], *, ordinary: bool = False) -> dict[str, bytes]:
    """The files to show; `configs` are the real configuration spaces by address."""
    files = {}
    for end in ends:
        config = edited(configs[end.address], end)
        files[f"shown/{end.address}/config"] = config[:ORDINARY_BYTES] if ordinary else config
        for prefix, rate in (("max", end.can), ("current", end.now)):
            if rate is not None:
                files[f"shown/{end.address}/{prefix}_link_speed"] = f"{SPEEDS[rate[0]]}\n".encode()
                files[f"shown/{end.address}/{prefix}_link_width"] = f"{rate[1]}\n".encode()
    return files


def run_shown(
    guest: Guest, ends: tuple[End, ...], configs: Mapping[str, bytes], command: str, *, ordinary: bool = False
) -> Result:
    """Run a shell command where the guest's kernel shows `ends`; nothing of it lasts."""
    who = f"{ORDINARY} " if ordinary else ""
    mounts = f'for file in shown/*/*; do [ ! -e "$file" ] || mount --bind "$file" "{DEVICES}/${{file#shown/}}"; done'
    files = {**shown(ends, configs, ordinary=ordinary), "command.sh": command.encode()}
    return guest.run(f"unshare --mount sh -ec '{mounts}; exec {who}sh ./command.sh'", files=files)
