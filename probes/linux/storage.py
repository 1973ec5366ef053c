"""Drives and their temperatures on a Linux machine: what to ask and what the answers mean.

Sources: Documentation/ABI/testing/sysfs-class-hwmon, Documentation/hwmon/drivetemp.rst, drivers/nvme/host/sysfs.c and
drivers/nvme/host/hwmon.c of the Linux kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from probes.answers import ASLEEP, NOT_RECORDED, NOTHING_GIVEN, OF_ROOT, failed
from probes.facts import BlockDevice, Drive, Gap, Sensor
from probes.linux.listed import FolderFiles, listed
from probes.linux.values import is_address, named, whole
from probes.unread import NONSENSE, Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from probes.facts import FirmwareSlots, Health
    from probes.reads import Reads

NOT_ASKED: Final = failed("", "ENOTSUP").why
SAID_ONCE: Final = frozenset({ASLEEP, NOT_ASKED})
KELVIN: Final = 273.15
# Unset thresholds of a drive, as the kernel converts FFFFh and 0 kelvin: absent, not hot and not cold.
NVME: Final = "/sys/class/nvme"
BLOCKS: Final = "/sys/block"
HWMON: Final = "/sys/class/hwmon"
DRIVE_CHIPS: Final = frozenset({"nvme", "drivetemp"})
SERIAL_AT: Final = 4  # bytes of a page of product data before the serial number in it
ABSENT_MILLIDEGREES: Final = frozenset({65261850, -273150})
PLAUSIBLE_CELSIUS: Final = (-60.0, 250.0)


def _function_of(target: str | Unread, key: str) -> str | Unread | None:
    """The PCI function nearest to the end of a sysfs path, None where it passes through none."""
    if isinstance(target, Unread):
        return target
    if not target:
        return Unread(key, NOTHING_GIVEN, vital=True)
    return next((part for part in reversed(target.split("/")) if is_address(part)), None)


def nvme_drives(
    reads: Reads,
    asleep: frozenset[str],
    blocks: Sequence[str],
    unread: list[Unread],
    gaps: list[Gap],
    *,
    privileged: bool,
) -> list[Drive]:
    """All NVMe controllers; those whose function is `asleep` are not asked for anything that wakes them.

    A `privileged` user gets what the kernel keeps for the super-user: what is denied to one is no matter of rights.

    `blocks` are the system's block devices: where a controller's own folder cannot be listed, its namespaces have their
    names from there.
    """
    names = listed(reads, NVME, ("drives", "which NVMe drives there are"), gaps, kind="nvme")
    drives = []
    unasked = False
    for name in names:
        asked = FolderFiles(reads, f"{NVME}/{name}")
        if asked.lost and not is_controller(name):
            continue
        if isinstance(asked.listed, Unread) and asked.listed.absent:
            unread.append(asked.listed)
            continue
        address = _address(asked)
        pages = _own_words(reads, name, asleep=address in asleep)
        identify, health_page, firmware_page = map(_denied, pages) if privileged else pages
        drive = Drive(
            name=name,
            kind="nvme",
            address=address,
            model=_needed(asked, "model"),
            firmware=_needed(asked, "firmware_rev"),
            serial=_needed(asked, "serial"),
            state=named(asked.text("state")),
            blocks=_namespaces(asked, name, blocks),
            warning_celsius=_limit(identify, "warning_composite_temperature_threshold"),
            critical_celsius=_limit(identify, "critical_composite_temperature_threshold"),
            max_watts=_max_watts(identify),
            health=_health(health_page, name),
            firmware_slots=_firmware_slots(firmware_page, identify, name),
        )
        drives.append(drive)
        if isinstance(identify, Unread) and identify.why == NOT_ASKED:
            unasked = True
        # What a controller's folder holds cannot all be guessed: a namespace may be missed.
        unlisted = (asked.listed,) if isinstance(asked.listed, Unread) else ()
        unread.extend(_one_line(name, (*unlisted, *asked.problems, *_of_pages(identify, drive))))
        unread.extend(_odd_figures(drive))
    if unasked:
        what = "what the drives themselves would answer (their limits of temperature, their health)"
        unread.append(Unread(what, NOT_ASKED))
    return drives


def _address(asked: FolderFiles) -> str | Unread | None:
    """The PCI function of a controller: its folder's place, else what the controller itself calls its address."""
    key = f"link {asked.place}"
    found = _function_of(asked.reads.target(asked.place), key)
    if isinstance(found, Unread):
        told = asked.reads.text(f"{asked.place}/address")
        if isinstance(told, str) and is_address(told):
            asked.problem(found.minor)
            return told
        asked.problem(found)
    return found


def _needed(asked: FolderFiles, name: str) -> str | Unread:
    """A text that every controller has."""
    told = asked.text(name)
    return Unread(f"text {asked.place}/{name}", "not there") if told is None else told


def _namespaces(asked: FolderFiles, name: str, blocks: Sequence[str]) -> tuple[BlockDevice, ...] | Unread:
    """The namespaces of a controller, Unread where they could not be listed."""
    names = asked.listed
    if isinstance(names, Unread):
        names = tuple(block for block in blocks if _is_namespace(name, block)) or names
    if isinstance(names, Unread):
        return names
    return tuple(
        _block(asked.reads, f"{asked.place}/{block}", block, asked.problems)
        for block in names
        if _is_namespace(name, block)
    )


def _of_pages(identify: bytes | Unread, drive: Drive) -> Iterator[Unread]:
    """What went wrong with what a drive itself was asked; of its firmware slots no verdict rests on it."""
    for page in (identify, drive.health):
        if isinstance(page, Unread):
            yield page
    if isinstance(drive.firmware_slots, Unread):
        yield drive.firmware_slots.minor


def _own_words(reads: Reads, name: str, *, asleep: bool) -> tuple[bytes | Unread, bytes | Unread, bytes | Unread]:
    """Identify Controller and the log pages of health and of firmware slots; nothing is asked of one `asleep`."""
    if asleep:
        sleeping = Unread(f"nvme identify /dev/{name}", ASLEEP)
        return sleeping, sleeping, sleeping
    return (
        reads.nvme(f"identify /dev/{name}"),
        reads.nvme(f"log-02 /dev/{name}"),
        reads.nvme(f"log-03 /dev/{name}"),
    )


def _denied(page: bytes | Unread) -> bytes | Unread:
    """What a drive answered a privileged user: where it was refused, that went wrong."""
    if isinstance(page, Unread) and page.needs_root:
        return replace(page, needs_root=False, vital=True)
    return page


def _health(page: bytes | Unread, name: str) -> Health | Unread:
    if isinstance(page, Unread):
        return page
    from probes.health import health

    return health(page, name)


def _firmware_slots(page: bytes | Unread, identify: bytes | Unread, name: str) -> FirmwareSlots | Unread:
    if isinstance(page, Unread):
        return page
    from probes.health import firmware_slots

    return firmware_slots(page, identify, name)


def _odd_figures(drive: Drive) -> Iterator[Unread]:
    """Figures of the log pages that no drive can mean."""
    for page in (drive.health, drive.firmware_slots):
        if page is not None and not isinstance(page, Unread):
            from probes.health import problems

            yield from problems(page)


def _one_line(name: str, answers: Iterable[object]) -> Iterator[Unread]:
    """One line for all that could not be read of a drive; what root alone may read is said elsewhere, once."""
    lost = [
        answer
        for answer in answers
        if isinstance(answer, Unread) and answer.why not in SAID_ONCE and not _of_root(answer)
    ]
    if lost:
        reasons = "; ".join(dict.fromkeys(unread.why for unread in lost))
        count = f"{len(lost)} readings" if len(lost) > 1 else lost[0].what
        needs_root, vital = all(unread.needs_root for unread in lost), any(unread.vital for unread in lost)
        yield Unread(name, f"{count} failed: {reasons}", needs_root, vital=vital, small=not vital)


def _of_root(lost: Unread) -> bool:
    """Whether this is one of the readings that the kernel gives to the super-user alone."""
    return lost.needs_root and lost.what.startswith(OF_ROOT)


def is_controller(name: str) -> bool:
    """Whether this is what the kernel calls an NVMe controller: "nvme0"."""
    return name.startswith("nvme") and name[4:].isdecimal()


def _is_namespace(controller: str, name: str) -> bool:
    """Whether `name` is a namespace of this controller: nvme0n1, or with several paths nvme0c1n1.

    In the latter the first number is the subsystem's, which may be another than the controller's own.
    Source: drivers/nvme/host/core.c nvme_alloc_ns, drivers/nvme/host/multipath.c.
    """
    before, _, namespace = name.removeprefix("nvme").partition("n")
    subsystem, path, number = before.partition("c")
    if not (name.startswith("nvme") and namespace.isdecimal() and subsystem.isdecimal()):
        return False
    return number.isdecimal() if path else controller == f"nvme{subsystem}"


def _block(reads: Reads, place: str, name: str, problems: list[Unread]) -> BlockDevice:
    """A block device, by the folder with its size in sectors; what is wrong with that is added to `problems`."""
    sectors = whole(reads.text(f"{place}/size"), f"text {place}/size")
    if isinstance(sectors, Unread):
        problems.append(sectors)
    if "c" in name.removeprefix("nvme"):
        head, _, tail = name.partition("c")
        name = f"{head}n{tail.partition('n')[2]}"
    return BlockDevice(name, sectors if isinstance(sectors, Unread) else sectors * 512)


def _limit(identify: bytes | Unread, name: str) -> float | Unread | None:
    """A temperature limit of Identify Controller, degrees Celsius; None where the drive gives none."""
    if isinstance(identify, Unread):
        return identify
    from knowledge.nvme import CRITICAL_TEMPERATURE, WARNING_TEMPERATURE
    from probes.decode import value

    layout = WARNING_TEMPERATURE if name in WARNING_TEMPERATURE.index else CRITICAL_TEMPERATURE
    kelvin = value(layout, name, identify[layout.offset :])
    if isinstance(kelvin, Unread):
        return kelvin
    return None if kelvin in {0, 0xFFFF} else round(kelvin - KELVIN, 2)


def _max_watts(identify: bytes | Unread) -> float | Unread | None:
    """The most that a drive takes, watts: power state 0 of Identify Controller; None where the drive gives none.

    Source: NVM Express Base, power states are numbered from the one that takes most.
    """
    if isinstance(identify, Unread):
        return identify
    from knowledge.nvme import MAXIMUM_POWER, POWER_STATE_FLAGS, POWER_STATES_OFFSET, max_power_watts
    from probes.decode import value

    state = identify[POWER_STATES_OFFSET:]
    power = value(MAXIMUM_POWER, "maximum_power", state[MAXIMUM_POWER.offset :])
    scale = value(POWER_STATE_FLAGS, "max_power_scale", state[POWER_STATE_FLAGS.offset :])
    if isinstance(power, Unread) or isinstance(scale, Unread):
        return power if isinstance(power, Unread) else scale
    return max_power_watts(power, scale)


def block_drives(reads: Reads, blocks: Sequence[str], unread: list[Unread], gaps: list[Gap]) -> list[Drive]:
    """SATA and SAS drives behind a PCI controller; USB and virtual disks are not of this trade."""
    drives = []
    for name in blocks:
        if not name.startswith("sd"):
            continue
        place = f"{BLOCKS}/{name}"
        target = reads.target(place)
        address = _function_of(target, f"link {place}")
        if isinstance(address, Unread) or not isinstance(target, str):
            lost = address if isinstance(address, Unread) else Unread(f"link {place}", NOTHING_GIVEN, vital=True)
            gaps.append(Gap("drives", of(f"what kind of disk {name} is ({place})", lost), name, "disk"))
            continue
        if address is None or "/usb" in target:
            continue
        problems: list[Unread] = []
        serial = reads.data(f"{place}/device/vpd_pg80")
        drive = Drive(
            name=name,
            kind="sata" if "/ata" in target else "scsi",
            address=address,
            model=reads.text(f"{place}/device/model"),
            firmware=reads.text(f"{place}/device/rev"),
            serial=_serial(serial, f"bytes {place}/device/vpd_pg80"),
            state=None,
            blocks=(_block(reads, place, name, problems),),
            warning_celsius=None,
            critical_celsius=None,
        )
        drives.append(drive)
        answers = (drive.model, drive.firmware, *problems, *_lost_serial(drive.serial))
        unread.extend(_one_line(name, answers))
    return drives


def _serial(page: bytes | Unread, key: str) -> str | Unread | None:
    """The serial number in a disk's page of product data, None where the disk has no such page.

    Source: SCSI Primary Commands, Unit Serial Number page: its length stands in its fourth byte.
    """
    if isinstance(page, Unread):
        return None if page.absent else page
    if len(page) < SERIAL_AT or len(page) < SERIAL_AT + page[SERIAL_AT - 1]:
        return Unread(key, f"the read ended after {len(page)} bytes", vital=True)
    return page[SERIAL_AT:].decode("ascii", "replace").strip("\0 ")


def _lost_serial(serial: str | Unread | None) -> Iterator[Unread]:
    """A serial number that was asked for in vain, of which no verdict rests on it."""
    if isinstance(serial, Unread) and serial.why != NOT_RECORDED:
        yield serial.minor


def sensors(reads: Reads, asleep: frozenset[str], unread: list[Unread], gaps: list[Gap]) -> tuple[Sensor, ...]:
    """All temperatures of chips that hang on a PCI function and are not `asleep`, each mapped to its device.

    A chip that cannot be followed to where it hangs may be of any drive, as far as its name lets it.
    """
    found: list[Sensor] = []
    for name in listed(reads, HWMON, ("sensors", "which temperature sensors there are"), gaps):
        place = f"{HWMON}/{name}"
        target = reads.target(place)
        address = _function_of(target, f"link {place}")
        if address is None or address in asleep:
            continue
        asked = FolderFiles(reads, place)
        chip = asked.text("name")
        if chip is None:
            chip = asked.problem(Unread(f"text {place}/name", "not there"))
        drive = drive_of(reads, chip, place, target)
        of_chip = [_sensor(asked, chip, temperature, drive, address) for temperature in _temperatures(asked)]
        found += of_chip
        if isinstance(address, Unread):
            asked.problem(address if drive is not None else address.minor)
        elif isinstance(drive, Unread):
            asked.problem(drive)
        # That a drive's temperature could not be read is said by the rule that holds it against its limits.
        told = (
            {f"text {place}/{temperature}_input" for temperature in _temperatures(asked)}
            if isinstance(drive, str)
            else set[str]()
        )
        problems = [all_problem for all_problem in asked.all_problems() if all_problem.what not in told]
        unread.extend(_one_line(name, problems if drive is not None else [problem.minor for problem in problems]))
        if isinstance(drive, Unread) or (asked.lost and drive is not None):
            lost = drive if isinstance(drive, Unread) else asked.listed
            assert isinstance(lost, Unread)
            gaps.append(Gap("sensors", replace(of(f"what {name} measures", lost), vital=True), name))
    return tuple(found)


def _temperatures(asked: FolderFiles) -> list[str]:
    """What the temperatures of a chip are called; of one that could not be listed, what its first would be."""
    if isinstance(asked.listed, Unread):
        return ["temp1"] if not asked.listed.absent else []
    return [name.removesuffix("_input") for name in asked.listed if name.startswith("temp") and name.endswith("_input")]


def drive_of(reads: Reads, chip: str | Unread, place: str, target: str | Unread) -> str | Unread | None:
    """The drive whose temperature a chip gives: the NVMe controller in its path, or the disk of its SCSI device.

    None for a chip that is no drive's; Unread where that could not be told.
    """
    if isinstance(chip, str) and chip not in DRIVE_CHIPS:
        return None
    parts = target.split("/") if isinstance(target, str) else []
    controller = next((part for part in reversed(parts) if is_controller(part)), None)
    if controller is not None and chip != "drivetemp":
        return controller
    if chip != "nvme":
        disk = _only(reads.names(f"{place}/device/block"))
        if chip == "drivetemp" or isinstance(disk, str):
            return disk
    # Before 5.12 the sensor of a controller hangs on the PCI function itself, beside the controller.
    beside = _only(reads.names(f"{place}/device/nvme"))
    return (
        target
        if isinstance(target, Unread) and not isinstance(beside, str)
        else chip
        if isinstance(chip, Unread) and beside is None
        else beside
    )


def _only(names: tuple[str, ...] | Unread) -> str | Unread | None:
    if isinstance(names, Unread):
        return None if names.absent or names.why == NOT_RECORDED else names
    return names[0] if len(names) == 1 else None


def _sensor(
    asked: FolderFiles, chip: str | Unread, name: str, drive: str | Unread | None, address: str | Unread | None
) -> Sensor:
    def celsius(suffix: str) -> float | Unread | None:
        key, told = f"text {asked.place}/{name}_{suffix}", asked.text(f"{name}_{suffix}")
        if told is None:
            return None
        number = whole(told, key)
        if isinstance(number, Unread):
            return number
        degrees = number / 1000
        if number in ABSENT_MILLIDEGREES or not PLAUSIBLE_CELSIUS[0] < degrees < PLAUSIBLE_CELSIUS[1]:
            return Unread(key, f"reads {number}, which is no temperature", code=NONSENSE)
        return degrees

    # Reading `_max` of an NVMe drive makes the kernel send Get Features; only Identify and Get Log Page are asked for.
    warning = celsius("max") if isinstance(chip, str) and chip != "nvme" else None
    critical = celsius("crit")
    label = asked.text(f"{name}_label")
    reading = celsius("input")
    return Sensor(
        chip=chip,
        label=label if isinstance(label, str) and label else name,
        drive=drive,
        address=address,
        celsius=Unread(f"text {asked.place}/{name}_input", "not there") if reading is None else reading,
        warning_celsius=_given(warning),
        critical_celsius=_given(critical),
    )


def _given(limit: float | Unread | None) -> float | Unread | None:
    """A limit; what the kernel makes of one that is not set is none."""
    return None if isinstance(limit, Unread) and limit.code == NONSENSE else limit
