"""The builder of machines itself: trees answer as a disk would, and the bytes stand where the standards put them."""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING

import pytest

from probes.reads import Live
from probes.unread import Unread
from tests.build import (
    DEVICES,
    Disk,
    Failure,
    Function,
    Machine,
    Nvme,
    Slot,
    Tree,
    TreeReads,
    build,
    drive,
    edit,
    find,
    root_port,
    set_link,
    switch,
)
from tests.machines import MACHINES

if TYPE_CHECKING:
    from pathlib import Path

from knowledge import pcie


def small() -> tuple[Machine, Tree]:
    """A port with slot 3 of 25 W, a drive for 16 GT/s x4 that runs at 8 GT/s, and a SATA disk."""
    machine = Machine(
        name="bench-9",
        buses={
            "0000:00": [
                root_port(
                    "01.0", (4, 16), [drive((4, 4), Nvme(kelvin=323))], now=(3, 4), slot=Slot(number=3, watts=25)
                ),
                Function(kind="sata", at="17.0", conventional=True, disks=[Disk()]),
                root_port("1c.0", (3, 1)),
            ]
        },
    )
    return machine, build(machine)


def config(tree: Tree, address: str) -> bytes:
    """The bytes of a function's configuration space."""
    return tree.read(f"{DEVICES}/{address}/config")


def express(tree: Tree, address: str, offset: int, form: str) -> int:
    """A number inside the PCI Express capability, found by walking the list (identifier 10h) by hand."""
    data = config(tree, address)
    place = data[0x34]
    while data[place] != 0x10:
        place = data[place + 1]
    (number,) = struct.unpack_from(f"<{form}", data, place + offset)
    return int(number)


def test_registers_stand_where_the_specification_puts_them() -> None:
    """Offsets are those of include/uapi/linux/pci_regs.h; values are worked out by hand from its masks."""
    _, tree = small()
    port, device, empty = "0000:00:01.0", "0000:01:00.0", "0000:00:1c.0"
    assert express(tree, device, 0x12, "H") == 0x1043  # Link Status: 8 GT/s x4, slot clock
    assert express(tree, port, 0x12, "H") == 0x3043  # and link-active at the port
    assert express(tree, empty, 0x12, "H") == 0x1001  # no lanes, 2.5 GT/s
    assert express(tree, device, 0x0C, "I") & 0x3FF == 0x044  # Link Capabilities: 16 GT/s x4
    assert express(tree, port, 0x0C, "I") & 0x1003FF == 0x100104  # 16 GT/s x16, reports link-active
    assert express(tree, port, 0x14, "I") == 0x00180C80  # Slot Capabilities: slot 3, 25 W
    assert express(tree, port, 0x1A, "H") == 0x0040  # Slot Status: card present
    assert express(tree, empty, 0x1A, "H") == 0x0040  # hardwired to present where there is no slot
    assert express(tree, port, 0x02, "H") == 0x0142  # version 2, root port, slot
    assert express(tree, empty, 0x02, "H") == 0x0042  # version 2, root port, no slot
    assert express(tree, device, 0x2C, "I") == 0x1E  # Link Capabilities 2: 2.5 to 16 GT/s
    assert express(tree, port, 0x30, "H") == 4  # Link Control 2: target 16 GT/s
    assert express(tree, device, 0x08, "H") == 0x2830  # Device Control: 256 bytes, read requests of 512
    assert config(tree, port)[0x18:0x1B] == bytes([0, 1, 1])  # primary, secondary, subordinate bus
    assert len(config(tree, "0000:00:17.0")) == 256


def test_extended_capabilities_form_one_list() -> None:
    """Each header names the next one, all are aligned and inside 4096 bytes, and the last ends the list."""
    _, tree = small()
    data = config(tree, "0000:00:01.0")
    place, found = 0x100, []
    while place:
        (head,) = struct.unpack_from("<I", data, place)
        found.append(head & 0xFFFF)
        assert head >> 20 == 0 or head >> 20 > place
        place = head >> 20
        assert place % 4 == 0
    # Error reporting, access control, containment, L1 substates, secondary, data link, 16 GT/s, lane margining.
    assert found == [0x01, 0x0D, 0x1D, 0x1E, 0x19, 0x25, 0x26, 0x27]


def test_sysfs_shows_what_the_registers_say() -> None:
    """Attributes are worded as the kernel words them (drivers/pci/probe.c pci_speed_string, pci-sysfs.c)."""
    _, tree = small()
    reads = TreeReads(tree)
    place = f"{DEVICES}/0000:01:00.0"
    assert reads.text(f"{place}/current_link_speed") == "8.0 GT/s PCIe"
    assert reads.text(f"{place}/max_link_speed") == "16.0 GT/s PCIe"
    assert reads.text(f"{place}/current_link_width") == "4"
    assert reads.text(f"{place}/class") == "0x010802"
    assert reads.target(place) == "../../../devices/pci0000:00/0000:00:01.0/0000:01:00.0"
    assert reads.target("/sys/class/nvme/nvme0") == ("../../devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0")
    assert reads.text("/sys/class/nvme/nvme0/nvme0n1/size") == str(2_000_398_934_016 // 512)
    # 323 K is 49.85 degrees: drivers/nvme/host/hwmon.c.
    assert reads.text("/sys/class/hwmon/hwmon1/temp1_input") == "49850"
    assert reads.names("/sys/block/sda/device/block") == ("sda",)


def test_an_ordinary_user_gets_less() -> None:
    """64 bytes of configuration space, no firmware tables, no answer of a drive (drivers/pci/pci-sysfs.c)."""
    _, tree = small()
    reads = TreeReads(tree, privileged=False)
    short = reads.data(f"{DEVICES}/0000:01:00.0/config")
    table = reads.data("/sys/firmware/dmi/tables/DMI")
    assert config(tree, "0000:01:00.0")[:64] == short
    assert isinstance(table, Unread)
    assert table.needs_root
    assert isinstance(reads.nvme("identify /dev/nvme0"), Unread)
    assert reads.text("/sys/class/dmi/id/board_name") == "WS-7"


def test_firmware_tables_follow_the_standard() -> None:
    """Structures, strings and the slot's fields stand where DMTF DSP0134 puts them; read here by hand."""
    port = root_port(
        *("01.0", (4, 16), [drive((4, 4))]),
        slot=Slot(number=3, name="SLOT3", wired=8, can_split=True, peers=(("0000:02:00.0", 4),)),
    )
    data = build(Machine(name="bench-9", buses={"0000:00": [port]})).read("/sys/firmware/dmi/tables/DMI")
    found: dict[int, tuple[bytes, list[bytes]]] = {}
    place = 0
    while place < len(data):
        kind, length = data[place], data[place + 1]
        end = data.index(b"\0\0", place + length)
        found[kind] = data[place : place + length], data[place + length : end].split(b"\0")
        place = end + 2
    assert list(found) == [0, 1, 2, 9, 127]
    body, texts = found[9]
    assert texts == [b"SLOT3"]
    # Type x16 of generation 4, eight lanes, in use, long, number 3.
    assert body[0x05:0x0B] == bytes([0xBD, 0x0B, 4, 4, 3, 0])
    assert body[0x0C] & 0x08  # bifurcation
    assert body[0x0D:0x11] == bytes([0, 0, 1, 0])  # the card's address
    assert body[0x11:0x18] == bytes([8, 1, 0, 0, 2, 0, 4])  # lanes, one peer: segment, bus, device, lanes
    assert body[0x18:0x1C] == bytes([4, 0x0D, 0, 0])  # generation, connector of x16, pitch not told
    assert found[0][1][:2] == [b"Tidmarel", b"4.12"]
    entry = build(Machine(name="x", buses={})).read("/sys/firmware/dmi/tables/smbios_entry_point")
    assert entry[:5] == b"_SM3_"
    assert sum(entry) % 256 == 0


def test_buses_are_numbered_depth_first_and_room_is_kept() -> None:
    """A bridge spans all buses below it, and those kept for hot-plug (PCI Local Bus, bus numbering)."""
    up = switch((3, 4), [Function(kind="downstream port", can=(3, 4), buses=4), root_port("05.0", (3, 4))])
    machine = Machine(name="x", buses={"0000:00": [root_port("01.0", (3, 16), [up]), root_port("02.0", (3, 1))]})
    tree = build(machine)
    assert find(machine, "0000:02:00.0").address == "0000:02:00.0"
    assert tree.listed(DEVICES) == ("0000:00:01.0", "0000:00:02.0", "0000:01:00.0", "0000:02:00.0", "0000:02:05.0")
    spans = {one: config(tree, one)[0x19:0x1B] for one in tree.listed(DEVICES)}
    assert spans["0000:00:01.0"] == bytes([1, 8])
    assert spans["0000:01:00.0"] == bytes([2, 8])
    assert spans["0000:02:00.0"] == bytes([3, 7])
    assert spans["0000:00:02.0"] == bytes([9, 9])


def test_an_edit_changes_one_register_and_nothing_else() -> None:
    """A built tree can be changed register by register; the other bytes stay."""
    _, tree = small()
    before = config(tree, "0000:00:01.0")
    edit(tree, "0000:00:01.0", pcie.LINK_STATUS, link_autonomous_bandwidth_status=1)
    after = config(tree, "0000:00:01.0")
    assert [place for place in range(4096) if before[place] != after[place]] == [0x70 + 0x13]
    set_link(tree, ("0000:00:01.0", "0000:01:00.0"), (4, 2))
    assert express(tree, "0000:01:00.0", 0x12, "H") == 0x1024
    assert TreeReads(tree).text(f"{DEVICES}/0000:00:01.0/current_link_speed") == "16.0 GT/s PCIe"


@pytest.mark.parametrize("name", ["bench-1-upgraded", "bench-2-noisy-link", "bench-3-set-slow", "guest-passthrough"])
@pytest.mark.parametrize("privileged", [True, False])
def test_a_tree_answers_as_the_same_tree_on_a_disk(name: str, privileged: bool, tmp_path: Path) -> None:  # noqa: FBT001
    """Every file, directory and link reads alike from memory and below a root directory."""
    tree = MACHINES[name]().tree
    assert (set() if privileged else tree.root_only) == set(tree.write_below(tmp_path, privileged=privileged))
    memory, disk = TreeReads(tree, privileged=privileged), Live(str(tmp_path))
    hidden = set() if privileged else tree.root_only
    for path in tree.nodes.keys() - hidden:
        for ask in ("text", "data", "names", "target"):
            expected = getattr(disk, ask)(path)
            actual = getattr(memory, ask)(path)
            if isinstance(actual, tuple):
                actual = tuple(name for name in actual if f"{tree.resolve(path)}/{name}" not in hidden)
            if isinstance(expected, Unread):
                assert isinstance(actual, Unread), f"{ask} {path}"
            else:
                assert expected == actual, f"{ask} {path}"


def test_what_fails_in_a_tree_fails_with_its_errno() -> None:
    """A file can be made to fail, a directory to vanish, a link to loop; none raises."""
    tree = build(small()[0])
    place = tree.resolve(f"{DEVICES}/0000:01:00.0")
    tree.fail(f"{place}/current_link_speed", "EIO")
    tree.put("/sys/loop", Failure("ENODEV"))
    tree.link("/sys/one", "/sys/two")
    tree.link("/sys/two", "/sys/one")
    reads = TreeReads(tree)
    whys = [
        reads.text(f"{DEVICES}/0000:01:00.0/current_link_speed"),
        reads.names("/sys/loop"),
        reads.text("/sys/one"),
        reads.text("/sys/nowhere"),
        reads.names(f"{DEVICES}/0000:01:00.0/vendor"),
        reads.target("/sys/bus"),
    ]
    errnos = [why.why.rpartition("(")[2].rstrip(")") for why in whys if isinstance(why, Unread)]
    assert errnos == ["EIO", "ENODEV", "ELOOP", "ENOENT", "ENOTDIR", "EINVAL"]
    tree.remove(place)
    assert isinstance(reads.names(f"{DEVICES}/0000:01:00.0"), Unread)
    assert os.path.basename(place) in tree.listed(DEVICES)
