"""Drives and their temperatures on a Linux machine: what to ask and what the answers mean.

Sources: Documentation/ABI/testing/sysfs-class-hwmon, Documentation/hwmon/drivetemp.rst, drivers/nvme/host/sysfs.c and
drivers/nvme/host/hwmon.c of the Linux kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.facts import BlockDevice, Drive, Sensor
from probes.linux_words import ASLEEP, is_address, optional, whole
from probes.reads import failed
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from probes.facts import FirmwareSlots, Health
    from probes.reads import Reads

NOT_ASKED: Final = failed("", "ENOTSUP").why
SAID_ONCE: Final = frozenset({ASLEEP, NOT_ASKED})
KELVIN: Final = 273.15
# Unset thresholds of a drive, as the kernel converts FFFFh and 0 kelvin: absent, not hot and not cold.
ABSENT_MILLIDEGREES: Final = frozenset({65261850, -273150})
PLAUSIBLE_CELSIUS: Final = (-60.0, 250.0)


def _function_of(target: str | Unread) -> str | None:
    """The PCI function nearest to the end of a sysfs path, if it passes through one."""
    if isinstance(target, Unread):
        return None
    return next((part for part in reversed(target.split("/")) if is_address(part)), None)


def nvme_drives(reads: Reads, asleep: frozenset[str], unread: list[Unread]) -> list[Drive]:
    """All NVMe controllers; those whose function is `asleep` are not asked for anything that wakes them."""
    names = reads.names("/sys/class/nvme")
    drives = []
    unasked = False
    for name in () if isinstance(names, Unread) else names:
        place = f"/sys/class/nvme/{name}"
        address = _function_of(reads.target(place))
        offered = reads.names(place)
        if isinstance(offered, Unread):
            unread.append(offered)
            continue
        identify, health_page, firmware_page = _own_words(reads, name, asleep=address in asleep)
        drive = Drive(
            name=name,
            kind="nvme",
            address=address,
            model=reads.text(f"{place}/model"),
            firmware=reads.text(f"{place}/firmware_rev"),
            serial=reads.text(f"{place}/serial"),
            state=optional(reads.text(f"{place}/state")) if "state" in offered else None,
            blocks=tuple(_block(reads, f"{place}/{block}", block) for block in offered if _is_namespace(name, block)),
            warning_celsius=_limit(identify, "warning_composite_temperature_threshold"),
            critical_celsius=_limit(identify, "critical_composite_temperature_threshold"),
            max_watts=_max_watts(identify),
            health=_health(health_page, name),
            firmware_slots=_firmware_slots(firmware_page, identify, name),
        )
        drives.append(drive)
        if isinstance(identify, Unread) and identify.why == NOT_ASKED:
            unasked = True
        answers = (drive.model, drive.firmware, drive.serial, *(block.size_bytes for block in drive.blocks))
        unread.extend(_one_line(name, (*answers, identify, drive.health, drive.firmware_slots)))
        unread.extend(_odd_figures(drive))
    if unasked:
        what = "what the drives themselves would answer (their limits of temperature, their health)"
        unread.append(Unread(what, NOT_ASKED))
    return drives


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
    lost = [one for one in answers if isinstance(one, Unread) and not one.needs_root and one.why not in SAID_ONCE]
    if lost:
        reasons = "; ".join(dict.fromkeys(one.why for one in lost))
        count = f"{len(lost)} readings" if len(lost) > 1 else lost[0].what
        yield Unread(name, f"{count} failed: {reasons}")


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


def _block(reads: Reads, place: str, name: str) -> BlockDevice:
    if "c" in name.removeprefix("nvme"):
        head, _, tail = name.partition("c")
        name = f"{head}n{tail.partition('n')[2]}"
    sectors = whole(reads.text(f"{place}/size"), f"text {place}/size")
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


def block_drives(reads: Reads, unread: list[Unread]) -> list[Drive]:
    """SATA and SAS drives behind a PCI controller; USB and virtual disks are not of this trade."""
    names = reads.names("/sys/block")
    drives = []
    for name in () if isinstance(names, Unread) else names:
        if not name.startswith("sd"):
            continue
        place = f"/sys/block/{name}"
        target = reads.target(place)
        address = _function_of(target)
        if isinstance(target, Unread) or address is None or "/usb" in target:
            continue
        serial = reads.data(f"{place}/device/vpd_pg80")
        drive = Drive(
            name=name,
            kind="sata" if "/ata" in target else "scsi",
            address=address,
            model=reads.text(f"{place}/device/model"),
            firmware=reads.text(f"{place}/device/rev"),
            serial=serial if isinstance(serial, Unread) else serial[4:].decode("ascii", "replace").strip("\0 "),
            state=None,
            blocks=(_block(reads, place, name),),
            warning_celsius=None,
            critical_celsius=None,
        )
        drives.append(drive)
        unread.extend(_one_line(name, (drive.model, drive.firmware, drive.blocks[0].size_bytes)))
    return drives


def sensors(reads: Reads, asleep: frozenset[str], unread: list[Unread]) -> tuple[Sensor, ...]:
    """All temperatures of chips that hang on a PCI function and are not `asleep`, each mapped to its device."""
    names = reads.names("/sys/class/hwmon")
    found: list[Sensor] = []
    for name in () if isinstance(names, Unread) else names:
        place = f"/sys/class/hwmon/{name}"
        target = reads.target(place)
        address = _function_of(target)
        if isinstance(target, Unread) or address is None or address in asleep:
            continue
        chip = reads.text(f"{place}/name")
        offered = reads.names(place)
        if isinstance(chip, Unread) or isinstance(offered, Unread):
            unread.extend(_one_line(name, (chip, offered)))
            continue
        drive = drive_of(reads, chip, place, target)
        inputs = (name for name in offered if name.startswith("temp") and name.endswith("_input"))
        found.extend(
            _sensor(reads, chip, place, name.removesuffix("_input"), frozenset(offered), drive, address)
            for name in inputs
        )
    return tuple(found)


def drive_of(reads: Reads, chip: str, place: str, target: str) -> str | None:
    """The drive whose temperature a chip gives: the NVMe controller in its path, or the disk of its SCSI device."""
    parts = target.split("/")
    if chip == "nvme":
        named = next((part for part in reversed(parts) if part.startswith("nvme") and part[4:].isdigit()), None)
        # Before 5.12 the sensor hangs on the PCI function itself, beside the controller.
        return named or _only(reads.names(f"{place}/device/nvme"))
    return _only(reads.names(f"{place}/device/block")) if chip == "drivetemp" else None


def _only(names: tuple[str, ...] | Unread) -> str | None:
    return None if isinstance(names, Unread) or len(names) != 1 else names[0]


def _sensor(
    reads: Reads, chip: str, place: str, name: str, offered: frozenset[str], drive: str | None, address: str
) -> Sensor:
    def celsius(suffix: str) -> float | Unread | None:
        if f"{name}_{suffix}" not in offered:
            return None
        key = f"text {place}/{name}_{suffix}"
        number = whole(reads.text(f"{place}/{name}_{suffix}"), key)
        if isinstance(number, Unread):
            return number
        degrees = number / 1000
        if number in ABSENT_MILLIDEGREES or not PLAUSIBLE_CELSIUS[0] < degrees < PLAUSIBLE_CELSIUS[1]:
            return Unread(key, f"reads {number}, which is no temperature")
        return degrees

    # Reading `_max` of an NVMe drive makes the kernel send Get Features; only Identify and Get Log Page are asked for.
    warning = None if chip == "nvme" else celsius("max")
    critical = celsius("crit")
    label = reads.text(f"{place}/{name}_label") if f"{name}_label" in offered else name
    reading = celsius("input")
    return Sensor(
        chip=chip,
        label=label if isinstance(label, str) else name,
        drive=drive,
        address=address,
        celsius=Unread(f"text {place}/{name}_input", "not there") if reading is None else reading,
        warning_celsius=warning if isinstance(warning, float) else None,
        critical_celsius=critical if isinstance(critical, float) else None,
    )
