"""What is read again and again of a Linux machine while it is watched: temperatures, links, error counters.

What does not change while a machine runs (which files there are, what they are called) is looked up once. Nothing that
sleeps is woken, and of a drive's sensor only the reading is asked: its `_max` would have the kernel send Get Features.
Sources: drivers/nvme/host/hwmon.c, drivers/pci/pcie/aer.c and Documentation/ABI/testing/sysfs-class-hwmon of the Linux
kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from knowledge.rates import parse_speed
from probes.linux_drives import PLAUSIBLE_CELSIUS, drive_of
from probes.linux_words import MOST_DIGITS, is_address, whole
from probes.samples import Counters
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.reads import Reads

HWMON: Final = "/sys/class/hwmon"
PCI: Final = "/sys/bus/pci/devices"
MOST_LANES: Final = 32
ERROR_FILES: Final = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
ASLEEP: Final = frozenset({"D3cold", "suspended", "suspending"})
# Temperatures of single cores are left out where their chip gives that of the whole processor.
WHOLE_PROCESSOR: Final = "Package"
ONE_CORE: Final = "Core "
UNNAMED: Final = "temp1"


class Named(Struct, frozen=True):
    """A temperature: what it is called, the file to read, and the one that tells whether its device sleeps."""

    label: str
    path: str
    state: str


def drive_folder(name: str) -> str:
    """The folder that is there as long as the drive is."""
    return f"/sys/class/nvme/{name}" if name.startswith("nvme") else f"/sys/block/{name}"


def temperatures(reads: Reads) -> tuple[dict[str, tuple[Named, ...]], tuple[Named, ...]]:
    """All temperatures there are: those of each drive by its name, and those of everything else."""
    names = reads.names(HWMON)
    drives: dict[str, tuple[Named, ...]] = {}
    others: list[Named] = []
    for name in sorted(() if isinstance(names, Unread) else names, key=_number):
        place = f"{HWMON}/{name}"
        target, chip, offered = reads.target(place), reads.text(f"{place}/name"), reads.names(place)
        if isinstance(target, Unread) or isinstance(chip, Unread) or isinstance(offered, Unread):
            continue
        drive = drive_of(reads, chip, place, target)
        found = _of_chip(reads, place, frozenset(offered))
        if isinstance(drive, str):
            drives[drive] = found
        elif chip not in _DRIVE_CHIPS:
            whole_processor = any(one.label.startswith(WHOLE_PROCESSOR) for one in found)
            others += [
                Named(chip if len(found) == 1 and one.label == UNNAMED else f"{chip} {one.label}", one.path, one.state)
                for one in found
                if not (whole_processor and one.label.startswith(ONE_CORE))
            ]
    return drives, _distinct(others)


_DRIVE_CHIPS: Final = frozenset({"nvme", "drivetemp"})


def _number(name: str) -> tuple[int, str]:
    digits = "".join(letter for letter in name if letter in "0123456789")
    return (int(digits) if 0 < len(digits) <= MOST_DIGITS else 0, name)


def _of_chip(reads: Reads, place: str, offered: frozenset[str]) -> tuple[Named, ...]:
    inputs = (name for name in offered if name.startswith("temp") and name.endswith("_input"))
    found = []
    for name in sorted((name.removesuffix("_input") for name in inputs), key=_number):
        label = reads.text(f"{place}/{name}_label") if f"{name}_label" in offered else name
        found.append(
            Named(
                label if isinstance(label, str) and label else name,
                f"{place}/{name}_input",
                f"{place}/device/power/runtime_status",
            )
        )
    return tuple(found)


def _distinct(found: list[Named]) -> tuple[Named, ...]:
    """The same with a number behind a name that was there before."""
    seen: dict[str, int] = {}
    distinct = []
    for one in found:
        seen[one.label] = seen.get(one.label, 0) + 1
        times = seen[one.label]
        distinct.append(one if times == 1 else Named(f"{one.label} ({times})", one.path, one.state))
    return tuple(distinct)


def celsius(reads: Reads, path: str) -> float | Unread | None:
    """A temperature, degrees Celsius; None where the sensor says what is none, Unread where it does not answer.

    What works is no colder than freezing: what is comes from a sensor that has nothing to tell.
    """
    answer = reads.text(path)
    if isinstance(answer, Unread):
        return answer
    number = whole(answer, path)
    if isinstance(number, Unread) or not 0 <= number < PLAUSIBLE_CELSIUS[1] * 1000:
        return None
    return number / 1000


def celsius_if_awake(reads: Reads, one: Named) -> float | Unread | None:
    """The same of a device that may sleep, a display card say; None while it does."""
    return None if reads.text(one.state) in ASLEEP else celsius(reads, one.path)


class Link:
    """The link of one PCI function, as it is now."""

    def __init__(self, reads: Reads, address: str) -> None:
        """Looks up once how this kernel tells that a function sleeps."""
        self._reads = reads
        self._place = f"{PCI}/{address}" if is_address(address) else ""
        new, old = f"{self._place}/power_state", f"{self._place}/power/runtime_status"
        self._state = old if self._place and isinstance(reads.text(new), Unread) else new

    def now(self) -> tuple[int, int] | None:
        """Generation and lanes; None where they cannot be read, or the function would have to be woken for that."""
        if not self._place or self._reads.text(self._state) in ASLEEP:
            return None
        speed = self._reads.text(f"{self._place}/current_link_speed")
        lanes = whole(self._reads.text(f"{self._place}/current_link_width"), "")
        generation = parse_speed(speed) if isinstance(speed, str) else None
        if generation is None or isinstance(lanes, Unread) or not 0 <= lanes <= MOST_LANES:
            return None
        return generation, lanes


class Errors:
    """The error counters of some PCI functions, as one sum."""

    def __init__(self, reads: Reads, addresses: Iterable[str]) -> None:
        """Looks up once which counters there are."""
        paths = [f"{PCI}/{address}/{name}" for address in addresses if is_address(address) for name in ERROR_FILES]
        self._reads = reads
        self._paths = [path for path in paths if self._count(path) is not None]

    def _count(self, path: str) -> int | None:
        """The total that stands in the last line of a file of counters: "TOTAL_ERR_COR 12"."""
        answer = self._reads.text(path)
        label, _, count = answer.rpartition(" ") if isinstance(answer, str) else ("", "", "")
        is_total = label.rpartition("\n")[2].startswith("TOTAL_ERR")
        return int(count) if is_total and count.isascii() and count.isdigit() and len(count) <= MOST_DIGITS else None

    def now(self) -> int | None:
        """The sum; None where there is no counter, or one of them could not be read."""
        counts = [self._count(path) for path in self._paths]
        known = [count for count in counts if count is not None]
        return sum(known) if known and len(known) == len(counts) else None


def counters(reads: Reads, drive: str) -> Counters | None:
    """What an NVMe drive counts of its heat (log 02h); None where it has none or this user may not ask."""
    if not drive.startswith("nvme"):
        return None
    page = reads.nvme(f"log-02 /dev/{drive}")
    if isinstance(page, Unread):
        return None
    from probes.health import health

    found = health(page, drive)
    figures = () if isinstance(found, Unread) else tuple(getattr(found, name) for name in Counters.__struct_fields__)
    return Counters(*figures) if figures and all(isinstance(figure, int) for figure in figures) else None
