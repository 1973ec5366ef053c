"""Puts the parts of a described machine into a tree as Linux shows them below /sys and /proc. Test help only."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from knowledge import pcie
from tests.drives import firmware_log, health_log, identify
from tests.firmware import BoardSlotWords, entry_point, tables
from tests.parts import BRIDGES, CONVENTIONAL, KINDS, Disk, Function, Machine, Nvme, walk
from tests.space import config_space

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.tree import Tree

DEVICES: Final = "/sys/bus/pci/devices"
# How sysfs words a speed: kernels since 5.9, and those before. Source: drivers/pci/probe.c pci_speed_string and
# drivers/pci/pci-sysfs.c of either age.
NEW_WORDS: Final = ("Unknown", *(f"{gtps} GT/s PCIe" for gtps in ("2.5", "5.0", "8.0", "16.0", "32.0", "64.0")))
OLD_WORDS: Final = ("Unknown speed", "2.5 GT/s", "5 GT/s", "8 GT/s", "16 GT/s", "32 GT/s", "64 GT/s")
UNKNOWN_WIDTH: Final = 255
KELVIN_MILLIDEGREES: Final = 273150
# Names and their order: drivers/pci/pcie/aer.c aer_correctable_error_string, aer_uncorrectable_error_string.
CORRECTABLE: Final = ("RxErr", "BadTLP", "BadDLLP", "Rollover", "Timeout", "NonFatalErr", "CorrIntErr", "HeaderOF")
UNCORRECTABLE: Final = (
    *("Undefined", "DLP", "SDES", "TLP", "FCP", "CmpltTO", "CmpltAbrt", "UnxCmplt", "RxOF", "MalfTLP", "ECRC"),
    *("UnsupReq", "ACSViol", "UncorrIntErr", "BlockedTLP", "AtomicOpBlocked", "TLPBlockedErr"),
    *("PoisonTLPBlocked", "DMWrReqBlocked", "IDECheck", "MisIDETLP", "PCRC_CHECK", "TLPXlatBlocked"),
)


class Writer:
    """Puts functions, drives and sensors into a tree, counting drives, disks and sensors as the kernel does."""

    def __init__(self, machine: Machine, tree: Tree) -> None:
        """Nothing is written yet."""
        self.machine = machine
        self.tree = tree
        self.words = OLD_WORDS if machine.old_words else NEW_WORDS
        self.drives = self.disks = self.hosts = self.sensors = 0
        self.listed: list[str] = []

    def write(self) -> None:
        """Write everything."""
        self._thermal_zone()
        for root, functions in self.machine.buses.items():
            for function in functions:
                self._function(function, f"/sys/devices/pci{root}")
        if self.tree.udev is not None:
            self.tree.udev["pci"] = "\n".join(sorted(self.listed))

    def _thermal_zone(self) -> None:
        place = "/sys/devices/virtual/thermal/thermal_zone0/hwmon0"
        self.tree.texts(place, name="acpitz", temp1_input=27800)
        self._sensor(place)

    def _sensor(self, place: str) -> None:
        self.tree.link(f"/sys/class/hwmon/hwmon{self.sensors}", place)
        self.sensors += 1

    def _function(self, function: Function, above: str) -> None:
        place = f"{above}/{function.address}"
        self._files(function, place)
        self._links(function, place)
        self._express_files(function, place)
        for name, content in function.attributes.items():
            if content is None:
                self.tree.remove(f"{place}/{name}")
            else:
                self.tree.put(f"{place}/{name}", content)
        if function.drive is not None:
            self._nvme(function, function.drive, place)
        for disk in function.disks:
            self._disk(function, disk, place)
        self._slot_files(function)
        for number in range(function.virtual):
            self._virtual(function, place, number)
        for one in function.below:
            self._function(one, place)

    def _files(self, function: Function, place: str) -> None:
        tree = self.tree
        code = KINDS[function.kind][0]
        tree.texts(
            place,
            vendor=f"0x{function.vendor:04x}",
            device=f"0x{function.device:04x}",
            subsystem_vendor=f"0x{function.subsystem[0]:04x}",
            subsystem_device=f"0x{function.subsystem[1]:04x}",
            **{"class": f"0x{code:06x}"},
            revision="0x01",
            numa_node=-1,
            local_cpulist=f"0-{self.machine.processors - 1}",
            enable=1,
            modalias=f"pci:v{function.vendor:08X}d{function.device:08X}bc{code >> 16:02X}sc{code >> 8 & 255:02X}i00",
        )
        if not self.machine.old_words:
            tree.texts(place, power_state=function.power_state)
        asleep = function.power_state == "D3cold"
        tree.texts(f"{place}/power", control="auto", runtime_status="suspended" if asleep else "active")
        tree.put(f"{place}/config", config_space(function))
        tree.short[f"{place}/config"] = 64
        if function.label is not None:
            tree.texts(place, label=function.label, index=1)
        if function.removable is not None:
            tree.texts(place, removable=function.removable)

    def _links(self, function: Function, place: str) -> None:
        driver = KINDS[function.kind][2]
        self.tree.link(f"{DEVICES}/{function.address}", place)
        self.tree.link(f"{place}/subsystem", "/sys/bus/pci")
        if driver is not None:
            self.tree.directory(f"/sys/bus/pci/drivers/{driver}")
            self.tree.link(f"{place}/driver", f"/sys/bus/pci/drivers/{driver}")
        self.listed.append(function.address)
        if self.tree.udev is not None:
            self.tree.udev[function.address] = f"{function.maker}\n{function.model}"

    def _express_files(self, function: Function, place: str) -> None:
        tree, words = self.tree, self.words
        if function.kind in BRIDGES:
            tree.texts(place, secondary_bus_number=function.secondary, subordinate_bus_number=function.subordinate)
        if function.has_link:
            assert function.can is not None
            assert function.now is not None
            tree.texts(
                place,
                current_link_speed=words[function.now[0]],
                current_link_width=function.now[1],
                max_link_speed=words[max(function.vector or (function.can[0],))],
                max_link_width=function.can[1],
            )
            if function.counters is not None:
                put_counters(tree, place, function)
        elif function.port_type != CONVENTIONAL:
            tree.texts(
                place,
                current_link_speed=words[0],
                current_link_width=0,
                max_link_speed=words[0],
                max_link_width=UNKNOWN_WIDTH,
            )

    def _slot_files(self, function: Function) -> None:
        slot = function.slot
        if slot is None or slot.kernel_name is None:
            return
        assert function.can is not None
        assert function.now is not None
        place = f"/sys/bus/pci/slots/{slot.kernel_name}"
        domain = function.address.split(":")[0]
        self.tree.texts(
            place,
            address=f"{domain}:{function.secondary:02x}:00",
            max_bus_speed=self.words[function.can[0]],
            cur_bus_speed=self.words[function.now[0]] if function.below else self.words[0],
        )
        if slot.adapter:
            present = function.registers.get(pcie.SLOT_STATUS, {}).get("presence_detect_state")
            here = int(bool(function.below)) if present is None else present
            self.tree.texts(place, adapter=here, power=here, attention=0, latch=0)

    def _virtual(self, function: Function, place: str, number: int) -> None:
        """A virtual function beside its physical one. Its own identifiers read FFFFh: PCI Express Base, SR-IOV."""
        bus = function.address.rpartition(":")[0]
        spot = 8 + int(function.at.split(".")[1]) + number
        address = f"{bus}:{spot >> 3:02x}.{spot & 7}"
        one = Function(
            kind=function.kind,
            at=address.rpartition(":")[2],
            vendor=function.vendor,
            device=function.device + 1,
            maker=function.maker,
            model=f"{function.model}, virtual function",
            can=function.can,
            now=(0, 0),
            payload_now=128,
            counters=None,
            registers={pcie.VENDOR_ID: {"vendor_id": 0xFFFF}, pcie.DEVICE_ID: {"device_id": 0xFFFF}},
            address=address,
        )
        beside = f"{place.rpartition('/')[0]}/{address}"
        self._files(one, beside)
        self._links(one, beside)
        self._express_files(one, beside)
        self.tree.link(f"{beside}/physfn", place)
        self.tree.link(f"{place}/virtfn{number}", beside)

    # --- Drives --------------------------------------------------------------------------------------------

    def _nvme(self, function: Function, nvme: Nvme, device: str) -> None:
        tree, number = self.tree, self.drives
        name = f"nvme{number}"
        self.drives += 1
        nvme.serial = nvme.serial or f"HLA{number:02d}{sum(function.address.encode()):05d}"
        place = f"{device}/nvme/{name}"
        tree.texts(
            place,
            address=function.address,
            cntlid=1,
            model=f"{nvme.model:<40.40}" if nvme.model.isascii() else nvme.model,
            serial=f"{nvme.serial:<20}",
            firmware_rev=f"{nvme.firmware:<8}",
            state=nvme.state,
            transport="pcie",
            numa_node=-1,
        )
        tree.link(f"{place}/device", device)
        tree.link(f"{place}/subsystem", "/sys/class/nvme")
        tree.link(f"/sys/class/nvme/{name}", place)
        block = f"{name}n1"
        tree.texts(f"{place}/{block if not nvme.shared else f'{name}c1n1'}", size=nvme.size // 512, nsid=1)
        head = f"{place}/{block}"
        if nvme.shared:
            head = f"/sys/devices/virtual/nvme-subsystem/nvme-subsys{number}/{block}"
            tree.texts(head, size=nvme.size // 512)
        tree.link(f"/sys/block/{block}", head)
        self._nvme_sensor(nvme, place)
        tree.nvme[f"identify /dev/{name}"] = identify(nvme, function)
        tree.nvme[f"log-02 /dev/{name}"] = health_log(nvme)
        tree.nvme[f"log-03 /dev/{name}"] = firmware_log(nvme)

    def _nvme_sensor(self, nvme: Nvme, place: str) -> None:
        """Source: drivers/nvme/host/hwmon.c (composite is temp1, sensor n is temp n + 1, always 150 m°C off)."""
        if not nvme.kelvin or not nvme.sensed:
            return
        here = f"{place}/hwmon{self.sensors}"
        self.tree.texts(here, name="nvme")
        self.tree.link(f"{here}/device", place)
        for number, kelvin in enumerate((nvme.kelvin, *nvme.sensors), 1):
            label = "Composite" if number == 1 else f"Sensor {number - 1}"
            self.tree.texts(here, **{f"temp{number}_label": label})
            self.tree.texts(here, **{f"temp{number}_input": _millidegrees(kelvin)})
            if nvme.warning:
                unset = 0xFFFF if number > 1 else nvme.warning
                self.tree.texts(here, **{f"temp{number}_max": _millidegrees(unset)})
                self.tree.texts(here, **{f"temp{number}_min": _millidegrees(0)})
        self.tree.texts(here, temp1_alarm=int(bool(nvme.warning) and nvme.kelvin >= nvme.warning))
        if nvme.critical:
            self.tree.texts(here, temp1_crit=_millidegrees(nvme.critical))
        self._sensor(here)

    def _disk(self, function: Function, disk: Disk, device: str) -> None:
        tree, number = self.tree, self.disks
        name = f"sd{chr(ord('a') + number)}"
        self.disks += 1
        disk.serial = disk.serial or f"HV{number:03d}{sum(function.address.encode()):05d}"
        host = f"{device}/ata{disk.port}/host{disk.port - 1}"
        place = f"{host}/target{disk.port - 1}:0:0/{disk.port - 1}:0:0:0"
        tree.texts(place, vendor="ATA", model=f"{disk.model:<16.16}", rev=f"{disk.firmware:<4.4}", state="running")
        serial = disk.serial.encode().rjust(20)
        tree.put(f"{place}/vpd_pg80", struct.pack(">BBH", 0, 0x80, len(serial)) + serial)
        block = f"{place}/block/{name}"
        tree.texts(block, size=disk.size // 512, removable=0)
        tree.link(f"{block}/device", place)
        tree.link(f"/sys/block/{name}", block)
        if disk.celsius is not None:
            here = f"{place}/hwmon/hwmon{self.sensors}"
            limits = {"temp1_max": disk.warning * 1000, "temp1_crit": disk.critical * 1000}
            tree.texts(here, name="drivetemp", temp1_input=disk.celsius * 1000, **limits)
            tree.link(f"{here}/device", place)
            self._sensor(here)


def _millidegrees(kelvin: int) -> int:
    """As the kernel converts: kelvin x 1000 - 273150 (include/linux/units.h)."""
    return kelvin * 1000 - KELVIN_MILLIDEGREES


def put_counters(tree: Tree, place: str, function: Function) -> None:
    """The error counters of a function, as the kernel lists them."""
    counts = function.counters or {}
    correctable = [f"{name} {counts.get(name, 0)}" for name in CORRECTABLE]
    total = sum(counts.get(name, 0) for name in CORRECTABLE)
    tree.put(f"{place}/aer_dev_correctable", "\n".join([*correctable, f"TOTAL_ERR_COR {total}"]))
    for kind in ("fatal", "nonfatal"):
        lines = [f"{name} {counts.get(f'{kind} {name}', 0)}" for name in UNCORRECTABLE]
        total = sum(counts.get(f"{kind} {name}", 0) for name in UNCORRECTABLE)
        tree.put(f"{place}/aer_dev_{kind}", "\n".join([*lines, f"TOTAL_ERR_{kind.upper()} {total}"]))
    if function.kind == "root port":
        tree.texts(place, aer_rootport_total_err_cor=0, aer_rootport_total_err_fatal=0)
        tree.texts(place, aer_rootport_total_err_nonfatal=0)


# --- The host --------------------------------------------------------------------------------------------------


def put_host(machine: Machine, tree: Tree) -> None:
    """What /proc and psutil say of the host."""
    tree.texts("/proc/sys/kernel", osrelease=machine.kernel, hostname=machine.name)
    flags = "fpu vme de pse tsc msr pae cx8 apic sep mtrr pge cmov sse sse2 ht syscall nx lm"
    flags = f"{flags} hypervisor" if machine.virtual else flags
    block = f"model name\t: Thornwick T-8 workstation processor\nflags\t\t: {flags}\n"
    processors = (f"processor\t: {number}\nvendor_id\t: Thornwick\n{block}" for number in range(machine.processors))
    tree.put("/proc/cpuinfo", "\n".join(processors))
    tree.put("/proc/uptime", f"{machine.up_seconds:.2f} {machine.up_seconds * machine.processors * 0.9:.2f}")
    tree.psutil = {
        "boot_time": "1772000000.0",
        "virtual_memory.total": str(machine.memory),
        "cpu_count": str(machine.processors),
    }


def put_firmware(machine: Machine, tree: Tree) -> None:
    """The firmware's tables, and the identity that the kernel takes from them."""
    serial = f"HLA-{machine.name.upper()}-0007"
    table = tables(
        firmware=(machine.firmware_maker, machine.firmware, machine.firmware_date, machine.firmware_release),
        system=(machine.maker, machine.product, machine.product_version, serial),
        board=(machine.board_maker, machine.board, machine.board_version, f"TW{len(machine.name):04d}381"),
        slots=[*_board_slots(machine), *machine.extra_slots],
        onboard=[(name, kind, function.address or None) for name, kind, function in machine.onboard],
    )
    place = "/sys/firmware/dmi/tables"
    tree.put(f"{place}/DMI", table)
    tree.put(f"{place}/smbios_entry_point", entry_point(len(table)))
    tree.root_only.update((f"{place}/DMI", f"{place}/smbios_entry_point"))
    if not machine.identity:
        return
    place = "/sys/devices/virtual/dmi/id"
    tree.texts(
        place,
        bios_vendor=machine.firmware_maker,
        bios_version=machine.firmware,
        bios_date=machine.firmware_date,
        bios_release=machine.firmware_release,
        sys_vendor=machine.maker,
        product_name=machine.product,
        product_version=machine.product_version,
        product_serial=serial,
        product_uuid="901e2b6f-d347-5c40-9a11-c0ffee5d2a34",
        board_vendor=machine.board_maker,
        board_name=machine.board,
        board_version=machine.board_version,
        chassis_type=7,
    )
    tree.root_only.update((f"{place}/product_serial", f"{place}/product_uuid"))
    tree.link("/sys/class/dmi/id", place)


def _board_slots(machine: Machine) -> Iterator[BoardSlotWords]:
    for function, _ in walk(machine):
        slot = function.slot
        if slot is None or not slot.name:
            continue
        below = function.below[0].address if function.below else None
        bus = f"{function.address.split(':')[0]}:{function.secondary:02x}:00.0"
        address = {"card": below or bus, "port": function.address, "nothing": None}[slot.points_at]
        yield BoardSlotWords(
            designation=slot.name,
            kind=slot.kind,
            generation=slot.generation,
            connector=slot.connector,
            wired=slot.wired,
            usage=slot.usage or ("in use" if function.below else "free"),
            number=slot.number,
            can_split=slot.can_split,
            hot_plug=slot.hot_plug,
            address=address,
            peers=slot.peers,
            version=slot.version,
        )
