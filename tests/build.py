"""Makes small or large Linux machines for tests, from a short description.

A machine is a list of root buses, each a list of `Function`s with what hangs below them. `build` gives addresses
to all, makes the bytes of configuration space and puts the tree of `/sys` and `/proc` together; `capture` makes the
capture that a real run would have made. Everything is described by what the hardware is; what a port and the card below it
agree on is worked out, and can be overruled (`now`, `registers`, `attributes`).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct, field, json

from knowledge import pcie
from knowledge.layout import Layout
from probes.reads import Recorded, Recording
from tests.firmware import BoardSlotWords, entry_point, tables
from tests.space import EXTENDED_SIZE, SPACE_SIZE, Space, rewritten
from tests.tree import Directory, Failure, Link, Tree, TreeReads

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from probes.facts import Facts
    from probes.reads import Answer

__all__ = [
    "Disk",
    "Directory",
    "Failure",
    "Function",
    "Link",
    "Machine",
    "Nvme",
    "Slot",
    "Tree",
    "TreeReads",
    "build",
    "capture",
    "capture_bytes",
    "card",
    "downstream_port",
    "drive",
    "edit",
    "facts",
    "find",
    "record",
    "root_port",
    "set_counters",
    "set_link",
    "switch",
]

DEVICES: Final = "/sys/bus/pci/devices"
Rate = tuple[int, int]
Registers = dict[Layout, dict[str, int]]

CONVENTIONAL: Final = -1
# What a function is: class code, kind of port (-1: no PCI Express capability), kernel driver.
# Class codes: PCI Code and ID Assignment Specification, as in the kernel's include/linux/pci_ids.h.
KINDS: Final[dict[str, tuple[int, int, str | None]]] = {
    "host bridge": (0x060000, CONVENTIONAL, None),
    "isa bridge": (0x060100, CONVENTIONAL, None),
    "root port": (0x060400, pcie.ROOT_PORT, "pcieport"),
    "upstream port": (0x060400, pcie.SWITCH_UPSTREAM_PORT, "pcieport"),
    "downstream port": (0x060400, pcie.SWITCH_DOWNSTREAM_PORT, "pcieport"),
    "pci bridge": (0x060400, pcie.BRIDGE_TO_PCI, None),
    "nvme": (0x010802, pcie.ENDPOINT, "nvme"),
    "sata": (0x010601, pcie.LEGACY_ENDPOINT, "ahci"),
    "network": (0x020000, pcie.ENDPOINT, "lh_net"),
    "display": (0x030000, pcie.LEGACY_ENDPOINT, "canvas"),
    "audio": (0x040300, pcie.ENDPOINT, "hda_codec"),
    "capture card": (0x040000, pcie.ENDPOINT, "scanlink"),
    "usb": (0x0C0330, pcie.ENDPOINT, "xhci_hcd"),
    "system bus": (0x0C0500, CONVENTIONAL, "tw_smbus"),
    "serial bus": (0x0C8000, CONVENTIONAL, "tw_spi"),
    "memory": (0x050000, CONVENTIONAL, None),
    "communication": (0x078000, CONVENTIONAL, "tw_mei"),
    "signal processing": (0x118000, pcie.INTEGRATED_ENDPOINT, "tw_thermal"),
    "system peripheral": (0x088000, pcie.INTEGRATED_ENDPOINT, None),
    "integrated display": (0x030000, pcie.INTEGRATED_ENDPOINT, "canvas"),
    "event collector": (0x080700, pcie.EVENT_COLLECTOR, None),
    "encryption": (0x108000, pcie.ENDPOINT, None),
}
BRIDGES: Final = frozenset({"root port", "upstream port", "downstream port", "pci bridge"})
PORTS: Final = frozenset({pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT})
PAYLOAD_CODES: Final = {128: 0, 256: 1, 512: 2, 1024: 3, 2048: 4, 4096: 5}
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


# --- The description -------------------------------------------------------------------------------------------


class Slot(Struct, kw_only=True):
    """A slot below a port: what the port's registers, the firmware and the kernel say of it.

    `name` is the firmware's designation ("" where it describes no such slot), `points_at` what the firmware gives as
    its address: "card", "port" or "nothing". `kernel_name` is a directory of /sys/bus/pci/slots; `adapter` adds the
    files of a hot-plug driver. `watts` is the power limit (0: not stated).
    """

    number: int = 0
    name: str = ""
    kind: str = "card"
    generation: int = 4
    connector: int = 16
    wired: int = 16
    can_split: bool = False
    hot_plug: bool = False
    watts: int = 75
    points_at: str = "card"
    usage: str | None = None
    peers: tuple[tuple[str, int], ...] = ()
    version: int = 34
    kernel_name: str | None = None
    adapter: bool = False
    power_controller: bool = False
    latch: bool = False


class Nvme(Struct, kw_only=True):
    """An NVMe drive. Temperatures are kelvin as the drive gives them; `warning` and `critical` are WCTEMP and CCTEMP."""

    model: str = "Ostrayne Reel 4 2TB"
    serial: str = ""
    firmware: str = "RL4B2.10"
    size: int = 2_000_398_934_016
    kelvin: int = 314
    warning: int = 343
    critical: int = 358
    sensors: tuple[int, ...] = ()
    state: str = "live"
    shared: bool = False
    log: dict[str, int] = field(default_factory=dict)


class Disk(Struct, kw_only=True):
    """A SATA disk. `celsius` is None where no driver gives its temperature; limits are degrees Celsius."""

    model: str = "Holmsey Vault 8TB"
    serial: str = ""
    firmware: str = "HV31"
    size: int = 8_001_563_222_016
    port: int = 1
    celsius: int | None = 34
    warning: int = 55
    critical: int = 60


class Function(Struct, kw_only=True):
    """One PCI function and what hangs below it; `address` is given by `build`.

    `at` is "device.function" on its bus; without it, functions of a bus count up as one component, ports as one
    device each. `can` and `now` are (generation, lanes). `vector` are the supported speeds, if not all up to `can`.
    `payload` is the Max Payload Size supported and `payload_now` the one in use, bytes; `serial` the Device Serial
    Number; `counters` AER counts by the kernel's names; `vendor_specific` the identifier of a vendor-specific
    extended capability. `registers` and `attributes` overrule single fields and sysfs files (None takes one away).
    """

    kind: str
    at: str = ""
    vendor: int = 0xF1A0
    device: int = 0
    subsystem: tuple[int, int] = (0xF1AF, 0x0001)
    maker: str = ""
    model: str = ""
    integrated: bool = False
    conventional: bool = False
    can: Rate | None = None
    now: Rate | None = None
    vector: tuple[int, ...] = ()
    target: int = 0
    payload: int = 512
    payload_now: int = 0
    slot: Slot | None = None
    below: list[Function] = field(default_factory=list)
    buses: int = 0
    removable: str | None = None
    label: str | None = None
    power_state: str = "D0"
    serial: int | None = None
    counters: dict[str, int] | None = field(default_factory=dict)
    vendor_specific: int | None = None
    virtual: int = 0
    version: int = 2
    drive: Nvme | None = None
    disks: list[Disk] = field(default_factory=list)
    registers: Registers = field(default_factory=dict)
    attributes: dict[str, str | None] = field(default_factory=dict)
    address: str = ""
    secondary: int = 0
    subordinate: int = 0

    @property
    def port_type(self) -> int:
        """The Device/Port Type, -1 for a conventional function."""
        if self.conventional:
            return CONVENTIONAL
        return pcie.INTEGRATED_ENDPOINT if self.integrated else KINDS[self.kind][1]

    @property
    def has_link(self) -> bool:
        """Whether the function has link registers."""
        return self.port_type not in {CONVENTIONAL, pcie.INTEGRATED_ENDPOINT, pcie.EVENT_COLLECTOR}


class Machine(Struct, kw_only=True):
    """A machine. `buses` maps a root bus ("0000:00") to its functions. `onboard` are firmware's onboard devices:
    (designation, kind code of SMBIOS type 41, function). `extra_slots` are described by the firmware alone.
    """

    name: str
    buses: dict[str, list[Function]]
    kernel: str = "6.12.30-amd64"
    old_words: bool = False
    maker: str = "Harrow Lane Archive"
    product: str = "Editing tower"
    product_version: str = "2"
    board_maker: str = "Tidewell"
    board: str = "WS-7"
    board_version: str = "Rev B"
    firmware_maker: str = "Tidewell"
    firmware: str = "4.12"
    firmware_date: str = "03/18/2025"
    firmware_release: str = "4.12"
    tables: bool = True
    identity: bool = True
    virtual: bool = False
    processors: int = 16
    memory: int = 68_719_476_736
    up_seconds: float = 412345.67
    udev: bool = True
    onboard: list[tuple[str, int, Function]] = field(default_factory=list)
    extra_slots: list[BoardSlotWords] = field(default_factory=list)


def root_port(at: str, can: Rate, below: list[Function] | None = None, **more: Any) -> Function:  # noqa: ANN401
    """A root port; `more` are fields of `Function`."""
    named = {"vendor": 0xF1A0, "device": 0x0A40, "maker": "Thornwick", "model": "Root port", "payload": 256, **more}
    return Function(kind="root port", at=at, can=can, below=below or [], **named)


def downstream_port(can: Rate, below: list[Function] | None = None, **more: Any) -> Function:  # noqa: ANN401
    """A downstream port of a packet switch."""
    named = {"vendor": 0xF1B2, "device": 0x0481, "maker": "Pendrell", "model": "Packet switch PS-12", **more}
    return Function(kind="downstream port", can=can, below=below or [], **named)


def switch(can: Rate, ports: list[Function], **more: Any) -> Function:  # noqa: ANN401
    """A packet switch: its upstream port with its downstream ports below."""
    named = {"vendor": 0xF1B2, "device": 0x0480, "maker": "Pendrell", "model": "Packet switch PS-12", **more}
    return Function(kind="upstream port", can=can, below=ports, **named)


def drive(can: Rate, nvme: Nvme | None = None, **more: Any) -> Function:  # noqa: ANN401
    """An NVMe drive."""
    named = {"vendor": 0xF1C4, "device": 0x4210, "maker": "Ostrayne", "model": "Reel 4 drive controller", **more}
    return Function(kind="nvme", can=can, drive=nvme or Nvme(), **named)


def card(kind: str, can: Rate | None, **more: Any) -> Function:  # noqa: ANN401
    """Any other function with a link; `kind` is a key of `KINDS`."""
    return Function(kind=kind, can=can, **more)


def find(machine: Machine, address: str) -> Function:
    """The function at `address` of a machine that was built."""
    return next(one for one, _ in _walk(machine) if one.address == address)


# --- Numbers ---------------------------------------------------------------------------------------------------


def _walk(machine: Machine) -> Iterator[tuple[Function, Function | None]]:
    """All functions with the bridge above each, as a scan finds them."""

    def below(functions: list[Function], above: Function | None) -> Iterator[tuple[Function, Function | None]]:
        for function in functions:
            yield function, above
            yield from below(function.below, function)

    for functions in machine.buses.values():
        yield from below(functions, None)


def _number(machine: Machine) -> None:
    """Give every function its address and every bridge its buses, depth first as firmware does."""
    for root, functions in machine.buses.items():
        domain, bus = root.split(":")
        _number_bus(functions, domain, int(bus, 16), int(bus, 16) + 1)


def _number_bus(functions: list[Function], domain: str, bus: int, free: int) -> int:
    for index, function in enumerate(functions):
        alone = function.kind == "downstream port"
        function.at = function.at or (f"{index:02x}.0" if alone else f"00.{index}")
        function.address = f"{domain}:{bus:02x}:{function.at}"
    for function in functions:
        if function.kind in BRIDGES:
            function.secondary = free
            last = _number_bus(function.below, domain, free, free + 1)
            free = max(last, free + 1 + function.buses)
            function.subordinate = free - 1
    return free


def _agree(machine: Machine) -> None:
    """Work out what ports and cards agree on: the rate of each link, the payload size of each hierarchy."""
    for function, above in _walk(machine):
        if function.port_type in PORTS and function.below:
            first = function.below[0]
            if function.now is None:
                assert function.can is not None
                assert first.can is not None
                function.now = (min(function.can[0], first.can[0]), min(function.can[1], first.can[1]))
            for one in function.below:
                one.now = one.now or function.now
        elif function.has_link and function.now is None:
            function.now = (1, 0) if function.port_type in PORTS else function.can
        if above is None and function.kind in BRIDGES:
            everything = list(_hierarchy(function))
            size = min(one.payload for one in everything)
            for one in everything:
                one.payload_now = one.payload_now or size
        function.payload_now = function.payload_now or 128


def _hierarchy(function: Function) -> Iterator[Function]:
    yield function
    for one in function.below:
        yield from _hierarchy(one)


# --- Configuration space ---------------------------------------------------------------------------------------


def config_space(function: Function) -> bytes:
    """The function's configuration space: 4096 bytes, or 256 for a conventional one."""
    express = function.port_type != CONVENTIONAL
    space = Space(EXTENDED_SIZE if express else SPACE_SIZE)
    _header(space, function)
    space.put(space.capability(0x01, 0x40) + 2, "H", 0x0003)
    space.capability(0x05, 0x50)
    if express:
        space.capability(0x10, 0x70)
        _express(space, function)
    if function.kind in BRIDGES:
        space.put(space.capability(0x0D, 0xC0) + 4, "HH", *function.subsystem)
    if express and not function.integrated:
        _extended(space, function)
    for layout, fields in function.registers.items():
        space.set(layout, **fields)
    return bytes(space.data)


def _header(space: Space, function: Function) -> None:
    code = KINDS[function.kind][0]
    space.put(0x00, "HHHH", function.vendor, function.device, 0x0406, 0x0010)
    space.put(0x08, "I", code << 8 | 0x01)
    bridge = function.kind in BRIDGES
    space.put(0x0E, "B", bridge | (not function.at.endswith(".0")) << 7)
    if bridge:
        bus = int(function.address.split(":")[1], 16)
        space.put(0x18, "BBB", bus, function.secondary, function.subordinate)
    else:
        space.put(0x10, "I", 0xF0000004 | _devfn(function.at) << 16)
        space.put(0x2C, "HH", *function.subsystem)


def _devfn(at: str) -> int:
    """Device and function number in one byte, as registers hold them."""
    device, number = at.split(".")
    return int(device, 16) << 3 | int(number)


def _express(space: Space, function: Function) -> None:
    kind, slot = function.port_type, function.slot
    code = PAYLOAD_CODES[function.payload]
    space.set(
        pcie.PCI_EXPRESS_CAPABILITIES,
        capability_version=function.version,
        device_port_type=kind,
        slot_implemented=int(slot is not None),
    )
    space.set(pcie.DEVICE_CAPABILITIES, max_payload_size_supported=code, role_based_error_reporting=1)
    space.set(
        pcie.DEVICE_CONTROL,
        enable_relaxed_ordering=1,
        enable_no_snoop=1,
        max_payload_size=PAYLOAD_CODES[function.payload_now],
        max_read_request_size=2,
    )
    if function.has_link:
        _link(space, function)
    if kind in PORTS:
        _slot(space, function)


def _link(space: Space, function: Function) -> None:
    assert function.can is not None
    assert function.now is not None
    speed, width = function.can
    port = function.port_type in PORTS
    up = bool(function.below) and function.now[1] > 0
    space.set(
        pcie.LINK_CAPABILITIES,
        max_link_speed=speed,
        maximum_link_width=width,
        active_state_power_management_support=2,
        l1_exit_latency=4,
        aspm_optionality_compliance=1,
        data_link_layer_link_active_reporting_capable=int(port),
        link_bandwidth_notification_capability=int(port),
        surprise_down_error_reporting_capable=int(port),
        clock_power_management=int(not port),
        port_number=_devfn(function.at) if port else 0,
    )
    space.set(pcie.LINK_CONTROL, common_clock_configuration=1, active_state_power_management_control=2)
    space.set(
        pcie.LINK_STATUS,
        current_link_speed=function.now[0],
        negotiated_link_width=function.now[1],
        slot_clock_configuration=1,
        data_link_layer_link_active=int(port and up),
    )
    if function.version >= 2:  # noqa: PLR2004 - the second version of the capability added the second registers
        vector = function.vector or tuple(range(1, speed + 1))
        space.set(pcie.LINK_CAPABILITIES_2, supported_link_speeds_vector=sum(1 << one - 1 for one in vector))
        space.set(pcie.LINK_CONTROL_2, target_link_speed=function.target or speed)
        done = int(function.now[0] >= 3)  # noqa: PLR2004 - equalization began with 8 GT/s
        space.set(
            pcie.LINK_STATUS_2,
            equalization_8gt_complete=done,
            equalization_8gt_phase_1_successful=done,
            equalization_8gt_phase_2_successful=done,
            equalization_8gt_phase_3_successful=done,
        )


def _slot(space: Space, function: Function) -> None:
    slot = function.slot
    if slot is None:
        # Presence is hardwired to 1 on ports that lead to no slot: PCI Express Base, Presence Detect State.
        space.set(pcie.SLOT_STATUS, presence_detect_state=1)
        return
    space.set(
        pcie.SLOT_CAPABILITIES,
        physical_slot_number=slot.number,
        slot_power_limit_value=slot.watts if slot.watts < 0xF0 else 0xF0 + (slot.watts - 250) // 25,  # noqa: PLR2004
        hot_plug_capable=int(slot.hot_plug),
        hot_plug_surprise=int(slot.hot_plug),
        power_controller_present=int(slot.power_controller),
        mrl_sensor_present=int(slot.latch),
    )
    space.set(pcie.SLOT_STATUS, presence_detect_state=int(bool(function.below)))


def _extended(space: Space, function: Function) -> None:
    """The extended capabilities that parts of this speed have."""
    assert function.can is not None
    assert function.now is not None
    port = function.port_type in PORTS
    speed = function.can[0]
    if function.counters is not None:
        space.extended(0x01)
    if function.serial is not None:
        space.extended(0x03)
        space.set(pcie.DEVICE_SERIAL_NUMBER, serial_number=function.serial)
    if port:
        space.extended(0x0D)
    elif not function.kind.endswith("port"):
        space.extended(0x18)
    if function.kind == "root port" and speed >= 3:  # noqa: PLR2004 - containment came with ports of 8 GT/s
        space.extended(0x1D)
    space.extended(0x1E)
    if function.vendor_specific is not None:
        space.extended(0x0B)
        space.set(pcie.VENDOR_SPECIFIC_HEADER, vsec_id=function.vendor_specific, vsec_revision=1, vsec_length=0x10)
    if function.virtual:
        at = space.extended(0x10)
        total = function.virtual
        space.put(at + 0x08, "HHHHHHHHHH", 1, 0, total, total, total, 0, 8, 1, 0, function.device + 1)
    _physical_layers(space, function, speed)


def _physical_layers(space: Space, function: Function, speed: int) -> None:
    assert function.now is not None
    if speed >= 3:  # noqa: PLR2004 - 8 GT/s
        space.extended(0x19)
    if speed >= 4:  # noqa: PLR2004 - 16 GT/s
        space.extended(0x25)
        space.extended(0x26)
        space.extended(0x27)
        if function.now[0] >= 4:  # noqa: PLR2004 - 16 GT/s
            space.set(pcie.STATUS_16GT, **_EQUALIZED)
    if speed >= 5:  # noqa: PLR2004 - 32 GT/s
        space.extended(0x2A)
        if function.now[0] >= 5:  # noqa: PLR2004 - 32 GT/s
            space.set(pcie.STATUS_32GT, **_EQUALIZED)


_EQUALIZED: Final = {
    "equalization_complete": 1,
    "phase_1_successful": 1,
    "phase_2_successful": 1,
    "phase_3_successful": 1,
}


# --- The tree --------------------------------------------------------------------------------------------------


def build(machine: Machine) -> Tree:
    """The machine's tree; every function of the description knows its address afterwards."""
    _number(machine)
    _agree(machine)
    tree = Tree()
    tree.directory(DEVICES)
    tree.directory("/sys/bus/pci/slots")
    if not machine.udev:
        tree.udev = None
    _Writer(machine, tree).write()
    _host(machine, tree)
    if machine.tables:
        _firmware(machine, tree)
    return tree


class _Writer:
    """Puts functions, drives and sensors into a tree, counting drives, disks and sensors as the kernel does."""

    def __init__(self, machine: Machine, tree: Tree) -> None:
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
                _counters(tree, place, function)
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
            here = int(bool(function.below))
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
        if not nvme.kelvin:
            return
        here = f"{place}/hwmon{self.sensors}"
        self.tree.texts(here, name="nvme")
        self.tree.link(f"{here}/device", place)
        for number, kelvin in enumerate((nvme.kelvin, *nvme.sensors), 1):
            label = "Composite" if number == 1 else f"Sensor {number - 1}"
            self.tree.texts(here, **{f"temp{number}_input": _millidegrees(kelvin), f"temp{number}_label": label})
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


def _counters(tree: Tree, place: str, function: Function) -> None:
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


def identify(nvme: Nvme, function: Function) -> bytes:
    """Identify Controller. Offsets: include/linux/nvme.h struct nvme_id_ctrl."""
    data = bytearray(4096)
    struct.pack_into("<HH", data, 0, function.vendor, function.subsystem[0])
    for offset, size, text in ((4, 20, nvme.serial), (24, 40, nvme.model), (64, 8, nvme.firmware)):
        data[offset : offset + size] = text.encode("utf-8", "surrogateescape")[:size].ljust(size)
    struct.pack_into("<BHI", data, 77, 7, 1, 0x00010400)
    struct.pack_into("<HH", data, 266, nvme.warning, nvme.critical)
    struct.pack_into("<QQ", data, 280, nvme.size, 0)
    struct.pack_into("<I", data, 516, 1)
    struct.pack_into("<H", data, 2048, 850)
    return bytes(data)


# Where a figure of the health log stands: offset and form. Source: include/linux/nvme.h struct nvme_smart_log.
LOG_PLACES: Final = {
    "critical_warning": (0, "B"),
    "available_spare": (3, "B"),
    "spare_threshold": (4, "B"),
    "percentage_used": (5, "B"),
    "data_units_read": (32, "Q"),
    "data_units_written": (48, "Q"),
    "power_cycles": (112, "Q"),
    "power_on_hours": (128, "Q"),
    "unsafe_shutdowns": (144, "Q"),
    "media_errors": (160, "Q"),
    "error_log_entries": (176, "Q"),
    "warning_minutes": (192, "I"),
    "critical_minutes": (196, "I"),
    "light_throttles": (216, "I"),
    "heavy_throttles": (220, "I"),
    "light_throttle_seconds": (224, "I"),
    "heavy_throttle_seconds": (228, "I"),
}
USUAL_LOG: Final = {
    **{"available_spare": 100, "spare_threshold": 10, "percentage_used": 2, "data_units_read": 41_000_000},
    **{"data_units_written": 23_000_000, "power_cycles": 210, "power_on_hours": 3100, "unsafe_shutdowns": 4},
}


def health_log(nvme: Nvme) -> bytes:
    """SMART / Health Information (log page 02h)."""
    data = bytearray(512)
    struct.pack_into("<H", data, 1, nvme.kelvin)
    for name, figure in (USUAL_LOG | nvme.log).items():
        offset, form = LOG_PLACES[name]
        struct.pack_into(f"<{form}", data, offset, figure)
    for number, kelvin in enumerate(nvme.sensors):
        struct.pack_into("<H", data, 200 + 2 * number, kelvin)
    return bytes(data)


def firmware_log(nvme: Nvme) -> bytes:
    """Firmware Slot Information (log page 03h): slot 1 active."""
    data = bytearray(512)
    data[0] = 1
    data[8:16] = nvme.firmware.encode("utf-8", "surrogateescape")[:8].ljust(8)
    return bytes(data)


# --- The host --------------------------------------------------------------------------------------------------


def _host(machine: Machine, tree: Tree) -> None:
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


def _firmware(machine: Machine, tree: Tree) -> None:
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
    for function, _ in _walk(machine):
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


# --- Changing a tree that was built ----------------------------------------------------------------------------


def edit(tree: Tree, address: str, layout: Layout, **fields: int) -> None:
    """Set fields of one register of a function in a built tree."""
    place = tree.resolve(f"{DEVICES}/{address}/config")
    tree.put(place, rewritten(tree.read(place), layout, **fields))


def set_link(tree: Tree, ends: Sequence[str], now: Rate, *, old_words: bool = False) -> None:
    """Let a link run at another rate: registers and attributes of the functions at its `ends`."""
    words = OLD_WORDS if old_words else NEW_WORDS
    for address in ends:
        edit(tree, address, pcie.LINK_STATUS, current_link_speed=now[0], negotiated_link_width=now[1])
        place = tree.resolve(f"{DEVICES}/{address}")
        tree.texts(place, current_link_speed=words[now[0]], current_link_width=now[1])


def set_counters(tree: Tree, address: str, counts: dict[str, int]) -> None:
    """Let a function have counted these errors (by the kernel's names) since start-up."""
    place = tree.resolve(f"{DEVICES}/{address}")
    _counters(tree, place, Function(kind="nvme", counters=counts))


# --- Captures --------------------------------------------------------------------------------------------------

AGENT: Final = "0.1.0"
MOMENT: Final = "2026-03-02T09:00:00+00:00"
Looks = "Sequence[tuple[float, Tree]]"


def record(
    tree: Tree, looks: Looks = (), again: Sequence[str] = (), *, privileged: bool = True
) -> tuple[dict[str, Answer], list[tuple[float, dict[str, Answer]]]]:
    """Every question that a run asks of `tree`, with its answer, and those asked again of the functions `again`.

    `looks` are what the machine has become so many seconds later.
    """
    from probes import linux

    recording = Recording(TreeReads(tree, privileged=privileged))
    linux.collect(recording)
    first = Recorded(recording.answers, recording.platform)
    later = [
        (offset, dict(linux.look(TreeReads(other, privileged=privileged), first, again).answers))
        for offset, other in looks
    ]
    return recording.answers, later


def facts(tree: Tree, looks: Looks = (), again: Sequence[str] = (), *, privileged: bool = True) -> Facts:
    """The facts of a machine, read as a live run would read them."""
    from probes import linux

    answers, later = record(tree, looks, again, privileged=privileged)
    first = Recorded(answers, "linux")
    return linux.collect(first, [(offset, Recorded(found, "linux", first)) for offset, found in later], MOMENT)


def capture_bytes(
    tree: Tree,
    looks: Looks = (),
    again: Sequence[str] = (),
    *,
    taken_at: str = MOMENT,
    privileged: bool = True,
    redact: bool = False,
) -> bytes:
    """A capture file of `tree`, one answer a line."""
    from probes.capture import encode

    answers, samples = record(tree, looks, again, privileged=privileged)
    return encode(
        platform="linux",
        taken_at=taken_at,
        agent=AGENT,
        answers=answers,
        samples=samples,
        keep_serials=not redact,
    )


def capture(
    tree: Tree,
    looks: Looks = (),
    again: Sequence[str] = (),
    *,
    taken_at: str = MOMENT,
    privileged: bool = True,
    redact: bool = False,
) -> dict[str, Any]:
    """The same as `capture_bytes`, as a mapping that tests may change before they write it."""
    data = capture_bytes(tree, looks, again, taken_at=taken_at, privileged=privileged, redact=redact)
    made: dict[str, Any] = json.decode(data)
    return made
