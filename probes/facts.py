"""What a machine says of itself, as read and free of any platform's habits. No judgement here.

A value is itself or an `Unread` with the reason. `None` means the machine has no such thing (a function
without a driver, a device without a firmware label); it never stands for "could not be read". What a list would have
brought that could not be read, or an entry of it that could not be followed, is a `Gap`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from probes.unread import Unread

if TYPE_CHECKING:
    from probes.decode import Registers


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

    `parent` is the address of the bridge above it, None on a root bus; `root` names the root bus. `physical_function`
    is not None for virtual functions, Unread where nobody knows of which function.
    `link` is None where the platform offers no link attributes (conventional PCI). `registers` decodes
    configuration space on demand. `removable` is "removable", "fixed", "unknown" or None (not told).

    `fresh` tells how current the link status is: "live" (read just now), "refreshed" (when its port last trained or
    told of a change) or "start-up" (when the system started or the device was plugged in). `tunnelled` tells that the
    device sits behind a cable that tunnels PCI Express, `wired_lanes` how many lanes the platform says are wired to
    the slot below this port, `slot_name` what it calls the slot; None where it tells none of this. Where a platform
    names slots at their functions, a `slot_name` of None is that of a port that leads to no slot, or of a device in
    the processor; one that says nothing of its slot, or cannot be read, is Unread.
    """

    address: str
    parent: str | Unread | None
    root: str | Unread
    vendor_id: int | Unread
    device_id: int | Unread
    subsystem_vendor_id: int | Unread
    subsystem_id: int | Unread
    class_code: int | Unread
    revision: int | Unread
    registers: Registers
    link: LinkAttributes | None
    driver: str | Unread | None
    power_state: str | Unread
    numa_node: int | Unread | None
    label: str | Unread | None
    removable: str | Unread | None
    errors: ErrorCounters | None
    physical_function: str | Unread | None
    virtual_functions: tuple[str, ...] | Unread
    vendor_name: str | Unread | None
    model_name: str | Unread | None
    fresh: Literal["live", "refreshed", "start-up"] = "live"
    tunnelled: bool | Unread | None = None
    wired_lanes: int | Unread | None = None
    slot_name: str | Unread | None = None


class KernelSlot(Struct, frozen=True):
    """A slot as the kernel names it. `address` is domain, bus and device ("0000:03:00") or domain and bus.

    `occupied` is what a hot-plug driver says of presence; None where no driver tells.
    """

    name: str
    address: str | Unread
    occupied: bool | Unread | None


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
    maker: str | Unread | None
    product: str | Unread | None
    product_version: str | Unread | None
    board_maker: str | Unread | None
    board: str | Unread | None
    firmware_maker: str | Unread | None
    firmware_version: str | Unread | None
    firmware_date: str | Unread | None
    firmware_release: str | Unread | None
    virtual: bool | Unread
    up_seconds: float | Unread
    processors: int | Unread
    memory_bytes: int | Unread


class BlockDevice(Struct, frozen=True):
    """A block device of a drive; `size_bytes` is Unread where its size could not be read."""

    name: str
    size_bytes: int | Unread


class Health(Struct, frozen=True):
    """What an NVMe drive says of its own health (log page 02h); counts are of its whole life.

    The first six are its critical warnings. Temperatures are degrees Celsius, None where the drive gives none;
    `sensors_celsius` are its sensors 1 to 8. `used_percent` is the share of its life that is used up by its maker's
    estimate: it may pass 100 and stops at 255. `warning_minutes` were spent at or above its warning limit and below
    its critical one, `critical_minutes` at or above the latter; `light_count` and `heavy_count` are the times that it
    began to slow itself down for heat, lightly and heavily. A figure that no drive can mean is Unread.
    """

    spare_low: bool
    temperature_past_threshold: bool
    reliability_degraded: bool
    read_only: bool
    backup_failed: bool
    memory_region_unreliable: bool
    celsius: float | Unread | None
    sensors_celsius: tuple[float | Unread | None, ...]
    spare_percent: int | Unread
    spare_threshold_percent: int | Unread
    used_percent: int | Unread
    read_bytes: int | Unread
    written_bytes: int | Unread
    read_commands: int | Unread
    write_commands: int | Unread
    busy_minutes: int | Unread
    power_cycles: int | Unread
    power_on_hours: int | Unread
    unsafe_shutdowns: int | Unread
    media_errors: int | Unread
    error_entries: int | Unread
    warning_minutes: int | Unread
    critical_minutes: int | Unread
    light_count: int | Unread
    heavy_count: int | Unread
    light_seconds: int | Unread
    heavy_seconds: int | Unread


class FirmwareSlots(Struct, frozen=True):
    """The firmware slots of an NVMe drive (log page 03h).

    `active` is the slot in use, `after_reset` the one that the next reset switches to (None: no change is pending);
    `revisions` are of slots 1 to 7, None where a slot is empty or not there. How many slots there are, whether the
    first one cannot be written and whether firmware can change without a reset is from Identify, None where not told.
    """

    active: int | Unread
    after_reset: int | None
    revisions: tuple[str | None, ...]
    count: int | None
    first_read_only: bool | None
    without_reset: bool | None


class Drive(Struct, frozen=True):
    """A drive behind a PCI function.

    `address` is the PCI function it hangs on (None where the platform shows none, Unread where that could not be
    read); `blocks` are its block devices, Unread where they could not be listed; `kind` is "nvme" or
    "sata". `interconnect` is how the platform words what the drive hangs on, None where it does not tell; a drive with
    an `interconnect` and an `address` of None hangs on no PCI function. Limits are degrees Celsius: `warning_celsius`
    (WCTEMP) and `critical_celsius` (CCTEMP), None where the drive gives none. `max_watts` is the most that it takes, by
    its own power state 0. `health` and `firmware_slots` are what an NVMe drive says of itself, None for drives of other
    kinds.
    """

    name: str
    kind: str
    address: str | Unread | None
    model: str | Unread
    firmware: str | Unread
    serial: str | Unread | None
    state: str | Unread | None
    blocks: tuple[BlockDevice, ...] | Unread
    warning_celsius: float | Unread | None
    critical_celsius: float | Unread | None
    max_watts: float | Unread | None = None
    health: Health | Unread | None = None
    firmware_slots: FirmwareSlots | Unread | None = None
    interconnect: str | Unread | None = None


class Sensor(Struct, frozen=True):
    """One temperature, degrees Celsius. `drive` is the name of the drive it sits in, if it sits in one.

    `address` is the PCI function the sensor belongs to, None where it belongs to none; both are Unread where that could
    not be read, as are limits and the name of its `chip`.
    """

    chip: str | Unread
    label: str
    drive: str | Unread | None
    address: str | Unread | None
    celsius: float | Unread
    warning_celsius: float | Unread | None
    critical_celsius: float | Unread | None


class StripeSet(Struct, frozen=True):
    """A set of drives that the system's software RAID runs as one block device.

    `level` is the system's word ("raid0"), "" where the set is not running; `places` how many members it should have,
    `layout` how a raid10 set lays out its copies. `blocks` are the block devices at work in it, in the order of their
    places, and `members` the drives that these belong to, "" where a block device belongs to no known drive. `idle` are
    block devices in the set without a place: spares, failed ones; `unplaced` those whose place could not be read, and
    `not_active` the drives that all of these belong to. `missing` counts the members that are lost, None where the
    level can lose none.
    """

    name: str
    level: str | Unread
    places: int | Unread
    layout: int | Unread | None
    members: tuple[str, ...]
    blocks: tuple[str, ...]
    idle: tuple[str, ...]
    state: str | Unread | None
    missing: int | Unread | None
    size_bytes: int | Unread
    unplaced: tuple[str, ...] = ()
    not_active: tuple[str, ...] = ()


class Look(Struct, frozen=True):
    """Some functions read again, `offset` seconds after the first reading."""

    offset: float
    functions: dict[str, PciFunction]


Listed = Literal["functions", "drives", "slots", "sensors", "stripe sets"]


class Gap(Struct, frozen=True):
    """Things of a kind that may be there unseen: their list could not be read, or one entry of it not be followed.

    `entry` is that entry's name, "" where the whole list is lost. `why` says in its `what`, for people, what is not
    known ("which NVMe drives there are"). Drives on PCI Express and disks have lists of their own: `kind` "nvme" or
    "disk" tells whose, "" for others.
    """

    of: Listed
    why: Unread
    entry: str = ""
    kind: str = ""


class Facts(Struct, frozen=True):
    """Everything read from one machine at one moment; `gaps` tell where more may be than was seen."""

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
    gaps: tuple[Gap, ...] = ()

    @property
    def described(self) -> tuple[BoardSlot, ...]:
        """The slots that the firmware describes, none where its list could not be read."""
        return () if isinstance(self.board_slots, Unread) else self.board_slots

    def gap(self, *kinds: Listed) -> Unread | None:
        """Why there may be more of these kinds than was seen, None where all were."""
        return next((gap.why for gap in self.gaps if gap.of in kinds), None)
