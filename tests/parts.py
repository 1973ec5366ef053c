"""The words in which tests describe a machine: functions, slots, drives, and how they hang together. Data only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct, field

from knowledge import pcie
from knowledge.layout import Layout
from tests.firmware import BoardSlotWords  # noqa: TC001 - msgspec looks up the types of fields

if TYPE_CHECKING:
    from collections.abc import Iterator

Rate = tuple[int, int]
Fields = dict[str, Any]  # fields of a description, to be passed on
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
    "display": (0x030000, pcie.LEGACY_ENDPOINT, "frescade"),
    "audio": (0x040300, pcie.ENDPOINT, "hda_codec"),
    "capture card": (0x040000, pcie.ENDPOINT, "scanlink"),
    "usb": (0x0C0330, pcie.ENDPOINT, "xhci_hcd"),
    "system bus": (0x0C0500, CONVENTIONAL, "tw_smbus"),
    "serial bus": (0x0C8000, CONVENTIONAL, "tw_spi"),
    "memory": (0x050000, CONVENTIONAL, None),
    "communication": (0x078000, CONVENTIONAL, "tw_link"),
    "signal processing": (0x118000, pcie.INTEGRATED_ENDPOINT, "tw_thermal"),
    "system peripheral": (0x088000, pcie.INTEGRATED_ENDPOINT, None),
    "integrated display": (0x030000, pcie.INTEGRATED_ENDPOINT, "frescade"),
    "event collector": (0x080700, pcie.EVENT_COLLECTOR, None),
    "encryption": (0x108000, pcie.ENDPOINT, None),
}
BRIDGES: Final = frozenset({"root port", "upstream port", "downstream port", "pci bridge"})
PORTS: Final = frozenset({pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT})


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
    """An NVMe drive. Temperatures are kelvin as the drive gives them; limits are its WCTEMP and CCTEMP.

    `sensed` tells that the kernel shows its temperatures. `slots` are the revisions in its firmware slots, if more than
    the one in use, and `next_slot` the slot that the next reset switches to.
    """

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
    sensed: bool = True
    slots: tuple[str, ...] = ()
    next_slot: int = 0
    log: dict[str, int] = field(default_factory=dict)


class Disk(Struct, kw_only=True):
    """A SATA disk. `celsius` is None where no driver gives its temperature; limits are degrees Celsius."""

    model: str = "Holmsey Vault 8"
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
    """A machine. `buses` maps a root bus ("0000:00") to its functions.

    `onboard` are the devices on the board as the firmware lists them: (designation, kind code of SMBIOS type 41,
    function). `extra_slots` are described by the firmware alone.
    """

    name: str
    buses: dict[str, list[Function]]
    kernel: str = "6.12.30"
    old_words: bool = False
    maker: str = "Harrow Lane Archive"
    product: str = "Editing tower"
    product_version: str = "2"
    board_maker: str = "Tidmarel"
    board: str = "WS-7"
    board_version: str = "Rev B"
    firmware_maker: str = "Tidmarel"
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
    named: Fields = {
        "vendor": 0xF1A0,
        "device": 0x0A40,
        "maker": "Thornwick",
        "model": "Root port",
        "payload": 256,
        **more,
    }
    return Function(kind="root port", at=at, can=can, below=below or [], **named)


def downstream_port(can: Rate, below: list[Function] | None = None, **more: Any) -> Function:  # noqa: ANN401
    """A downstream port of a packet switch."""
    named: Fields = {"vendor": 0xF1B2, "device": 0x0481, "maker": "Pendrell", "model": "Packet switch PS-12", **more}
    return Function(kind="downstream port", can=can, below=below or [], **named)


def switch(can: Rate, ports: list[Function], **more: Any) -> Function:  # noqa: ANN401
    """A packet switch: its upstream port with its downstream ports below."""
    named: Fields = {"vendor": 0xF1B2, "device": 0x0480, "maker": "Pendrell", "model": "Packet switch PS-12", **more}
    return Function(kind="upstream port", can=can, below=ports, **named)


def drive(can: Rate, nvme: Nvme | None = None, **more: Any) -> Function:  # noqa: ANN401
    """An NVMe drive."""
    named: Fields = {
        "vendor": 0xF1C4,
        "device": 0x4210,
        "maker": "Ostrayne",
        "model": "Reel 4 drive controller",
        **more,
    }
    return Function(kind="nvme", can=can, drive=nvme or Nvme(), **named)


def card(kind: str, can: Rate | None, **more: Any) -> Function:  # noqa: ANN401
    """Any other function with a link; `kind` is a key of `KINDS`."""
    return Function(kind=kind, can=can, **more)


def find(machine: Machine, address: str) -> Function:
    """The function at `address` of a machine that was built."""
    return next(one for one, _ in walk(machine) if one.address == address)


def walk(machine: Machine) -> Iterator[tuple[Function, Function | None]]:
    """All functions with the bridge above each, as a scan finds them."""

    def below(functions: list[Function], above: Function | None) -> Iterator[tuple[Function, Function | None]]:
        for function in functions:
            yield function, above
            yield from below(function.below, function)

    for functions in machine.buses.values():
        yield from below(functions, None)


def hierarchy(function: Function) -> Iterator[Function]:
    """A function and all below it."""
    yield function
    for one in function.below:
        yield from hierarchy(one)
