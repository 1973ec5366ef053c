"""What a machine says of itself, as read and free of any platform's habits. No judgement here.

A value is itself or an `Unread` with the reason. `None` means the machine has no such thing (a function
without a driver, a device without a firmware label); it never stands for "could not be read".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from probes.decode import Registers
    from probes.unread import Unread


class LinkAttributes(Struct, frozen=True):
    """The four figures of a link as the platform words them.

    Speeds are generation numbers (1 is 2.5 GT/s, 2 is 5 GT/s ... 7 is 128 GT/s), widths are lanes.
    """

    speed: int | Unread
    width: int | Unread
    max_speed: int | Unread
    max_width: int | Unread


class ErrorCounters(Struct, frozen=True):
    """Advanced Error Reporting counts since start-up, by the kernel's short names ("BadTLP": 3)."""

    correctable: dict[str, int] | Unread
    nonfatal: dict[str, int] | Unread
    fatal: dict[str, int] | Unread


class PciFunction(Struct, frozen=True):
    """One PCI function.

    `parent` is the address of the bridge above it, None on a root bus; `root` names the root bus.
    `link` is None where the platform offers no link attributes (conventional PCI). `registers` decodes
    configuration space on demand. `removable` is "removable", "fixed", "unknown" or None (not told).
    """

    address: str
    parent: str | None
    root: str
    vendor_id: int | Unread
    device_id: int | Unread
    subsystem_vendor_id: int | Unread
    subsystem_id: int | Unread
    class_code: int | Unread
    revision: int | Unread
    registers: Registers
    link: LinkAttributes | None
    driver: str | None
    power_state: str | Unread
    numa_node: int | None
    label: str | None
    removable: str | None
    errors: ErrorCounters | None
    physical_function: str | None
    virtual_functions: tuple[str, ...]
    vendor_name: str | None
    model_name: str | None


class KernelSlot(Struct, frozen=True):
    """A slot as the kernel names it. `address` is domain, bus and device ("0000:03:00") or domain and bus.

    `occupied` is what a hot-plug driver says of presence; None where no driver tells.
    """

    name: str
    address: str
    occupied: bool | None


class BoardSlot(Struct, frozen=True):
    """A slot as the firmware describes it (SMBIOS structure type 9).

    Widths are lanes, 0 where not stated. `generation` is 0 where not stated. `usage` is one of "free", "in use",
    "unavailable", "unknown", "other". `address` is the card in the slot or, on many boards, the port
    above it: a hint. `peers` are further (address, lanes) groups of a split slot. `can_split` is None
    where the structure is too old to say. `kind` is "card", "m.2", "u.2", "edsff", "mini card", "ocp" or "other".
    """

    designation: str
    type_code: int
    kind: str
    generation: int
    wired_lanes: int
    connector_lanes: int
    length: str
    usage: str
    slot_id: int
    can_split: bool | None
    hot_plug: bool | None
    address: str | None
    peers: tuple[tuple[str, int], ...]


class BoardDevice(Struct, frozen=True):
    """A device on the board itself (SMBIOS structure type 41)."""

    designation: str
    kind_code: int
    enabled: bool
    address: str | None


class Host(Struct, frozen=True):
    """The machine as a whole. `virtual` tells whether the processor says it runs under a hypervisor."""

    name: str | Unread
    kernel: str | Unread
    maker: str | None
    product: str | None
    product_version: str | None
    board_maker: str | None
    board: str | None
    firmware_maker: str | None
    firmware_version: str | None
    firmware_date: str | None
    firmware_release: str | None
    virtual: bool | Unread
    up_seconds: float | Unread
    processors: int | Unread
    memory_bytes: int | Unread


class BlockDevice(Struct, frozen=True):
    """A block device of a drive; `size_bytes` is Unread where its size could not be read."""

    name: str
    size_bytes: int | Unread


class Drive(Struct, frozen=True):
    """A drive behind a PCI function.

    `address` is the PCI function it hangs on (None where the platform shows none); `kind` is "nvme" or
    "sata". Limits are degrees Celsius: `warning_celsius` (WCTEMP) and `critical_celsius` (CCTEMP), None
    where the drive gives none. `max_watts` is the most that it takes, by its own power state 0.
    """

    name: str
    kind: str
    address: str | None
    model: str | Unread
    firmware: str | Unread
    serial: str | Unread | None
    state: str | None
    blocks: tuple[BlockDevice, ...]
    warning_celsius: float | Unread | None
    critical_celsius: float | Unread | None
    max_watts: float | Unread | None = None


class Sensor(Struct, frozen=True):
    """One temperature, degrees Celsius. `drive` is the name of the drive it sits in, if it sits in one.

    `address` is the PCI function the sensor belongs to, None where it belongs to none.
    """

    chip: str
    label: str
    drive: str | None
    address: str | None
    celsius: float | Unread
    warning_celsius: float | None
    critical_celsius: float | None


class StripeSet(Struct, frozen=True):
    """A set of drives that the system's software RAID runs as one block device.

    `level` is the system's word ("raid0"), "" where the set is not running; `places` how many members it should have,
    `layout` how a raid10 set lays out its copies. `blocks` are the block devices at work in it, in the order of their
    places, and `members` the drives that these belong to, "" where a block device belongs to no known drive. `idle` are
    block devices in the set without a place: spares, failed ones. `missing` counts the members that are lost, None
    where the level can lose none.
    """

    name: str
    level: str | Unread
    places: int | Unread
    layout: int | None
    members: tuple[str, ...]
    blocks: tuple[str, ...]
    idle: tuple[str, ...]
    state: str | None
    missing: int | None
    size_bytes: int | Unread


class Look(Struct, frozen=True):
    """Some functions read again, `offset` seconds after the first reading."""

    offset: float
    functions: dict[str, PciFunction]


class Facts(Struct, frozen=True):
    """Everything read from one machine at one moment."""

    platform: str
    taken_at: str
    host: Host
    functions: tuple[PciFunction, ...]
    kernel_slots: tuple[KernelSlot, ...]
    board_slots: tuple[BoardSlot, ...] | Unread
    board_devices: tuple[BoardDevice, ...]
    drives: tuple[Drive, ...]
    sensors: tuple[Sensor, ...]
    looks: tuple[Look, ...]
    unread: tuple[Unread, ...]
    stripes: tuple[StripeSet, ...] = ()
