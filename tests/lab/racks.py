"""The guests of the lab: what is fitted where. Expectations stand in the tests, typed in by hand from these lists.

The arguments are QEMU's own (docs/pcie.txt, docs/system/devices/nvme.rst of QEMU). Bus numbers follow from the order:
the firmware walks each bus by device number and numbers what lies behind a port before it goes on.
"""

from __future__ import annotations

from typing import Final

from tests.firmware import BoardSlotWords, slot_structure
from tests.lab.boot import Rack

GIBIBYTE: Final = 1 << 30

# Hot-plug by the port's own registers, not by the firmware's tables: what workstations with visible ports do.
NATIVE_HOT_PLUG: Final = ("-global", "ICH9-LPC.acpi-pci-hotplug-with-bridge-support=off")

# The first slot's address is that of the card in it, the second's that of the port above it, the third has none: all
# three occur on real boards. Slot numbers are those of the ports.
TOWER_SLOTS: Final = (
    BoardSlotWords(
        designation="M2_1", kind="m.2", connector=4, wired=4, usage="in use", number=1, address="0000:01:00.0"
    ),
    BoardSlotWords(
        designation="PCIE2", generation=3, connector=16, wired=8, usage="free", number=2, address="0000:00:04.0"
    ),
    BoardSlotWords(designation="PCIE3", usage="in use", number=3, can_split=True),
    BoardSlotWords(
        designation="PCIE4", generation=2, connector=1, wired=1, usage="in use", number=4, address="0000:08:00.0"
    ),
)

ONE_VIRTUAL_FUNCTION: Final = "sriov_max_vfs=1,sriov_vq_flexible=2,sriov_vi_flexible=1,msix_qsize=8,max_ioqpairs=4"

TOWER: Final = Rack(
    name="tower",
    devices=(
        # 00:03.0, slot 1: a drive with one virtual function (switched on by the tests), bus 01; 02 is its spare bus.
        "pcie-root-port,id=one,bus=pcie.0,addr=3.0,chassis=1,slot=1,x-speed=16,x-width=4",
        "nvme-subsys,id=pair,nqn=pair",
        f"nvme,id=first,bus=one,serial=HLA-SERIAL-0001,subsys=pair,{ONE_VIRTUAL_FUNCTION}",
        "nvme-ns,drive=disk1,bus=first",
        # 00:04.0, slot 2: empty, and no hot-plug driver tells.
        "pcie-root-port,id=two,bus=pcie.0,addr=4.0,chassis=2,slot=2,x-speed=8,x-width=8,hotplug=off",
        # 00:05.0, slot 3: a switch, 03:00.0, with two drives below 04:00.0 and 04:01.0; nothing below 04:02.0.
        "pcie-root-port,id=three,bus=pcie.0,addr=5.0,chassis=3,slot=3,x-speed=16,x-width=16",
        "x3130-upstream,id=up,bus=three",
        "xio3130-downstream,id=down1,bus=up,addr=0.0,chassis=11,slot=11",
        "xio3130-downstream,id=down2,bus=up,addr=1.0,chassis=12,slot=12",
        "xio3130-downstream,id=down3,bus=up,addr=2.0,chassis=13,slot=13",
        "nvme,bus=down1,drive=disk2,serial=HLA-SERIAL-0002",
        "nvme,bus=down2,drive=disk3,serial=HLA-SERIAL-0003",
        # 00:06.0 slot 4, 00:07.0 slot 5: network cards of two makes, 08:00.0 and 09:00.0.
        "pcie-root-port,id=four,bus=pcie.0,addr=6.0,chassis=4,slot=4,x-speed=5,x-width=1",
        "e1000e,bus=four,romfile=,mac=02:48:4c:41:00:01",
        "pcie-root-port,id=five,bus=pcie.0,addr=7.0,chassis=5,slot=5,x-speed=8,x-width=4",
        "virtio-net-pci,bus=five,romfile=,mac=02:48:4c:41:00:02",
        # 00:08.0, slot 6: a bridge to conventional PCI, 0a:00.0, with a device behind it, 0b:01.0.
        "pcie-root-port,id=six,bus=pcie.0,addr=8.0,chassis=6,slot=6,x-speed=2_5,x-width=1",
        "pcie-pci-bridge,id=bridge,bus=six",
        "virtio-rng-pci,bus=bridge,addr=1.0",
        # 00:09.0, slot 7: empty, as QEMU makes it if nothing is said.
        "pcie-root-port,id=seven,bus=pcie.0,addr=9.0,chassis=7,slot=7",
        # 00:0a.0: a drive inside the root complex.
        "nvme,bus=pcie.0,addr=a.0,drive=disk4,serial=HLA-SERIAL-0004",
    ),
    disks=tuple((f"disk{number}", number * GIBIBYTE) for number in (1, 2, 3, 4)),
    tables=tuple(slot_structure(slot, 0x0900 + number) for number, slot in enumerate(TOWER_SLOTS)),
    identity=("type=1,manufacturer=Harrow Lane Archive,product=Lab tower,serial=HLA-SYSTEM-0001",),
    arguments=NATIVE_HOT_PLUG,
)

# One port, one drive. Everything that names the emulator and can be worded otherwise is: its captures are kept.
BENCH: Final = Rack(
    name="bench",
    devices=(
        "pcie-root-port,id=one,bus=pcie.0,addr=4.0,chassis=1,slot=1,x-speed=16,x-width=4",
        "nvme,id=first,bus=one,drive=disk,serial=HLA-SERIAL-0005",
    ),
    disks=(("disk", 64 * GIBIBYTE),),
    tables=(
        slot_structure(
            BoardSlotWords(
                designation="PCIE1", connector=16, wired=4, usage="in use", number=1, address="0000:01:00.0"
            ),
            0x0900,
        ),
    ),
    identity=(
        "type=0,vendor=Harrow Lane Archive,version=1.0,date=03/02/2026,release=1.0",
        "type=1,manufacturer=Harrow Lane Archive,product=Lab bench,version=1,serial=HLA-SYSTEM-0002",
        "type=2,manufacturer=Harrow Lane Archive,product=Lab board,version=1,serial=HLA-BOARD-0002",
    ),
    processor="max,model-id=Lab processor",
    arguments=NATIVE_HOT_PLUG,
)

# A drive passed through to a guest: it has a link of its own, but no port above it is visible.
PASSED: Final = Rack(
    name="passed",
    machine="pc",
    devices=("nvme,addr=5.0,drive=disk,serial=HLA-SERIAL-0006",),
    disks=(("disk", GIBIBYTE),),
)

# The plainest virtual machine: conventional PCI, paravirtual devices, no link anywhere.
PLAIN: Final = Rack(
    name="plain",
    machine="pc",
    devices=("virtio-net-pci,romfile=,mac=02:48:4c:41:00:03", "virtio-blk-pci,drive=disk"),
    disks=(("disk", GIBIBYTE),),
)

# A drive whose health is changed from outside while the guest runs.
PATIENT: Final = Rack(
    name="patient",
    devices=(
        "pcie-root-port,id=one,bus=pcie.0,addr=4.0,chassis=1,slot=1,x-speed=16,x-width=4",
        "nvme,id=first,bus=one,drive=disk,serial=HLA-SERIAL-0007",
    ),
    disks=(("disk", 64 * GIBIBYTE),),
    arguments=NATIVE_HOT_PLUG,
)

# One of everything that the program asks for: two drives that become a set (see `STRIPED`), a disk on a cable, an empty
# port. 00:04.0 holds 01:00.0, 00:05.0 holds 02:00.0, 00:06.0 nothing; the disk hangs on 00:1f.2.
SPOILT: Final = Rack(
    name="spoilt",
    devices=(
        "pcie-root-port,id=one,bus=pcie.0,addr=4.0,chassis=1,slot=1,x-speed=16,x-width=4",
        "pcie-root-port,id=two,bus=pcie.0,addr=5.0,chassis=2,slot=2,x-speed=16,x-width=4",
        "pcie-root-port,id=three,bus=pcie.0,addr=6.0,chassis=3,slot=3,x-speed=16,x-width=4",
        "nvme,id=first,bus=one,drive=disk1,serial=HLA-SERIAL-0008",
        "nvme,id=second,bus=two,drive=disk2,serial=HLA-SERIAL-0009",
        "ide-hd,bus=ide.0,drive=disk3,serial=HLA-SERIAL-0010,model=Lab disk",
    ),
    disks=tuple((f"disk{number}", GIBIBYTE) for number in (1, 2, 3)),
    tables=(
        slot_structure(
            BoardSlotWords(
                designation="PCIE1", connector=16, wired=4, usage="in use", number=1, address="0000:01:00.0"
            ),
            0x0900,
        ),
    ),
    identity=("type=1,manufacturer=Harrow Lane Archive,product=Lab rack,serial=HLA-SYSTEM-0003",),
    arguments=NATIVE_HOT_PLUG,
)

# Makes a set of the two drives by the attributes of Documentation/admin-guide/md.rst; sizes are in blocks of 1 KiB.
STRIPED: Final = """\
set -e
echo md127 >/sys/module/md_mod/parameters/new_array
cd /sys/block/md127/md
echo raid0 >level
echo 2 >raid_disks
echo 65536 >chunk_size
echo 2 >/sys/module/raid0/parameters/default_layout
place=0
for drive in nvme0n1 nvme1n1; do
    cat /sys/block/$drive/dev >new_dev
    echo 1000000 >dev-$drive/size
    echo $place >dev-$drive/slot
    place=$((place + 1))
done
echo active >array_state
"""
