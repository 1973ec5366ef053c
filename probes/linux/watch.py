"""What is read again and again of a Linux machine while it is watched: temperatures, links, error counters.

What does not change while a machine runs (which files there are, what they are called) is looked up once. Nothing that
sleeps is woken, and of a drive's sensor only the reading is asked: its `_max` would have the kernel send Get Features.
What fails is an `Unread` named by the words of `probes/samples.py`; None is what a machine has none of.
Sources: drivers/nvme/host/hwmon.c, drivers/pci/pcie/aer.c and Documentation/ABI/testing/sysfs-class-hwmon of the Linux
kernel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.rates import parse_speed
from probes.answers import ASLEEP, GONE, MOST_DIGITS
from probes.linux.counts import counted, traffic
from probes.linux.storage import BLOCKS, DRIVE_CHIPS, NVME, PLAUSIBLE_CELSIUS, drive_of
from probes.linux.values import is_address, whole
from probes.samples import COUNTERS, ERRORS, LINK, TEMPERATURE, Counters
from probes.temperatures import LostTemperature, Temperature, Temperatures
from probes.unread import NONSENSE, Unread

if TYPE_CHECKING:
    from collections.abc import Iterable

    from probes.reads import Reads

__all__ = [
    "celsius",
    "celsius_if_awake",
    "counted",
    "counters",
    "did_not_answer",
    "drive_is_gone",
    "drives",
    "errors",
    "host_name",
    "link",
    "temperatures",
    "traffic",
]

HWMON: Final = "/sys/class/hwmon"
PCI: Final = "/sys/bus/pci/devices"
MOST_LANES: Final = 32
ERROR_FILES: Final = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
SLEEPS: Final = frozenset({"D3cold", "suspended", "suspending"})
NOTHING: Final = "nothing was given"
# Temperatures of single cores are left out where their chip gives that of the whole processor.
WHOLE_PROCESSOR: Final = "Package"
ONE_CORE: Final = "Core "
UNNAMED: Final = "temp1"
LONGEST_WORD: Final = 40  # of an answer that makes no sense


def drive_folder(name: str) -> str:
    """The folder that is there as long as the drive is."""
    return f"/sys/class/nvme/{name}" if name.startswith("nvme") else f"/sys/block/{name}"


def drives(reads: Reads) -> tuple[str, ...]:
    """The names of the drives that the system lists; what cannot be listed is left out."""
    lists = ((reads.names(NVME), "nvme"), (reads.names(BLOCKS), "sd"))
    return tuple(
        name for names, kind in lists if not isinstance(names, Unread) for name in names if name.startswith(kind)
    )


def drive_is_gone(reads: Reads, name: str) -> bool:
    """Whether the folder of a drive is not there any more; one that cannot be looked up says nothing."""
    answer = reads.target(drive_folder(name))
    return isinstance(answer, Unread) and answer.code in GONE


def temperatures(reads: Reads) -> Temperatures:
    """All temperatures there are, and those of which it could not be read what they are of."""
    names = reads.names(HWMON)
    if isinstance(names, Unread):
        all_of_them = LostTemperature(None, _of("which temperatures there are", names))
        return Temperatures({}, (), () if names.absent else (all_of_them,))
    drives: dict[str, tuple[Temperature, ...]] = {}
    others: list[Temperature] = []
    lost: list[LostTemperature] = []
    for name in sorted(names, key=_number):
        place = f"{HWMON}/{name}"
        target, chip, offered = reads.target(place), _given(reads.text(f"{place}/name")), reads.names(place)
        drive = _whose(reads, chip, place, target)
        owner = drive if isinstance(drive, str) else None
        if isinstance(chip, Unread) or isinstance(offered, Unread) or isinstance(drive, Unread):
            failure = next(value for value in (offered, chip, drive) if isinstance(value, Unread))
            whose = "the temperatures" if owner is None else f"the temperatures of {owner}"
            lost.append(LostTemperature(owner, _of(f"{whose} at {name}", failure)))
            continue
        found = _of_chip(reads, place, frozenset(offered), owner, lost)
        if owner is not None:
            drives[owner] = found
        else:
            others += _of_another(chip, found)
    return Temperatures(drives, _distinct(others), tuple(lost))


def _of(what: str, lost: Unread) -> Unread:
    """The same reason for something else."""
    return Unread(what, lost.why, lost.needs_root, code=lost.code)


def _given(answer: str | Unread) -> str | Unread:
    """A name; one of no letters is none."""
    return answer or Unread("", NOTHING)


def _whose(reads: Reads, chip: str | Unread, place: str, target: str | Unread) -> str | Unread | None:
    """The drive whose temperature a chip gives; None for a chip of something else."""
    drive = drive_of(reads, chip, place, target)
    return Unread(place, "nothing tells which drive it is of") if drive is None and chip in DRIVE_CHIPS else drive


def _number(name: str) -> tuple[int, str]:
    digits = "".join(letter for letter in name if letter in "0123456789")
    return (int(digits) if 0 < len(digits) <= MOST_DIGITS else 0, name)


def _of_chip(
    reads: Reads, place: str, offered: frozenset[str], drive: str | None, lost: list[LostTemperature]
) -> tuple[Temperature, ...]:
    inputs = (name for name in offered if name.startswith("temp") and name.endswith("_input"))
    found = []
    for name in sorted((name.removesuffix("_input") for name in inputs), key=_number):
        label = _given(reads.text(f"{place}/{name}_label")) if f"{name}_label" in offered else name
        if isinstance(label, Unread):
            unnamed = _of(f"the name of the temperature {place.rpartition('/')[2]}/{name}", label)
            lost.append(LostTemperature(drive, unnamed, is_name=True))
        found.append(
            Temperature(
                label if isinstance(label, str) else name,
                f"{place}/{name}_input",
                f"{place}/device/power/runtime_status",
                name,
            )
        )
    return tuple(found)


def _of_another(chip: str, found: tuple[Temperature, ...]) -> list[Temperature]:
    """The temperatures of a chip that is no drive's, with its name; single cores only where nothing stands for all."""
    whole_processor = any(temperature.label.startswith(WHOLE_PROCESSOR) for temperature in found)
    alone = len(found) == 1

    def called(label: str) -> str:
        return chip if alone and label == UNNAMED else f"{chip} {label}"

    return [
        Temperature(called(temperature.label), temperature.path, temperature.state, called(temperature.alias))
        for temperature in found
        if not (whole_processor and temperature.label.startswith(ONE_CORE))
    ]


def _distinct(found: list[Temperature]) -> tuple[Temperature, ...]:
    """The same with a number behind a name that was there before."""
    seen: dict[str, int] = {}
    distinct = []
    for temperature in found:
        seen[temperature.label] = seen.get(temperature.label, 0) + 1
        times = seen[temperature.label]
        distinct.append(
            temperature
            if times == 1
            else Temperature(f"{temperature.label} ({times})", temperature.path, temperature.state, temperature.alias)
        )
    return tuple(distinct)


def celsius(reads: Reads, path: str, what: str = TEMPERATURE) -> float | Unread:
    """A temperature, degrees Celsius.

    What works is no colder than freezing: what is comes from a sensor that has nothing to tell.
    """
    number = whole(reads.text(path), path)
    if isinstance(number, Unread):
        return _of(what, number)
    if not 0 <= number < PLAUSIBLE_CELSIUS[1] * 1000:
        return Unread(what, f"reads {number}, which is no temperature", code=NONSENSE)
    return number / 1000


def celsius_if_awake(reads: Reads, temperature: Temperature, what: str = TEMPERATURE) -> float | Unread:
    """The same of a device that may sleep, a display card say, and is not woken for it."""
    left = _left_alone(reads.text(temperature.state), what)
    return celsius(reads, temperature.path, what) if left is None else left


def host_name(reads: Reads) -> str | Unread:
    """The name of the machine."""
    return reads.text("/proc/sys/kernel/hostname")


def did_not_answer(answer: float | Unread) -> bool:
    """Whether a sensor gave no answer; one that made no sense is one, and what a right is missing for may have one."""
    return isinstance(answer, Unread) and not answer.needs_root and answer.code != NONSENSE


def _left_alone(state: str | Unread, what: str) -> Unread | None:
    """Why a device is not asked: it sleeps, or nobody can tell whether it does; None where it may be asked."""
    if isinstance(state, Unread):
        if state.absent:  # without a state of power it never sleeps
            return None
        return Unread(what, f"whether its device sleeps could not be read: {state.why}", state.needs_root)
    if not state:
        return Unread(what, f"whether its device sleeps could not be read: {NOTHING}")
    return Unread(what, ASLEEP) if state in SLEEPS else None


class LinkReader:
    """The link of one PCI function, as it is now."""

    def __init__(self, reads: Reads, address: str, *, known: bool = False) -> None:
        """Looks up once how this kernel tells that a function sleeps; `known` tells that it has a link."""
        self._reads = reads
        self._known = known
        self._place = f"{PCI}/{address}" if is_address(address) else ""
        new, old = f"{self._place}/power_state", f"{self._place}/power/runtime_status"
        state = reads.text(new) if self._place else ""
        self._state = old if isinstance(state, Unread) and state.absent else new

    def now(self) -> tuple[int, int] | Unread | None:
        """Generation and lanes; None where it has none, Unread also where it would have to be woken."""
        if not self._place:
            return None
        left = _left_alone(self._reads.text(self._state), LINK)
        if left is not None:
            return left
        speed, width = (self._reads.text(f"{self._place}/current_link_{name}") for name in ("speed", "width"))
        lost = [value for value in (speed, width) if isinstance(value, Unread)]
        if lost and not self._known and all(unread.absent for unread in lost):
            return None
        if isinstance(speed, Unread) or isinstance(width, Unread):
            return _of(LINK, lost[0])
        found = _rate(speed, width)
        self._known = self._known or not isinstance(found, Unread)
        return found


def _rate(speed: str, width: str) -> tuple[int, int] | Unread:
    generation, lanes = parse_speed(speed), whole(width, LINK)
    if generation is None:
        return Unread(LINK, f'reads "{speed[:LONGEST_WORD]}", which is no speed of a link')
    if isinstance(lanes, Unread):
        return lanes
    return (generation, lanes) if 0 <= lanes <= MOST_LANES else Unread(LINK, f"reads {lanes} lanes")


class ErrorReader:
    """The error counters of some PCI functions, as one sum."""

    def __init__(self, reads: Reads, addresses: Iterable[str]) -> None:
        """A counter that is not there belongs to no sum; one that was there once does."""
        paths = [f"{PCI}/{address}/{name}" for address in addresses if is_address(address) for name in ERROR_FILES]
        self._reads = reads
        self._counted: set[str] = set()
        self._paths = [path for path in paths if self._count(path) is not None]

    def _count(self, path: str) -> int | Unread | None:
        """The total in the last line of a file of counters, "TOTAL_ERR_COR 12"; None where there is no such file."""
        answer = self._reads.text(path)
        if isinstance(answer, Unread):
            return None if answer.absent and path not in self._counted else _of(ERRORS, answer)
        label, _, count = answer.rpartition(" ")
        is_total = label.rpartition("\n")[2].startswith("TOTAL_ERR")
        if not (is_total and count.isascii() and count.isdigit() and len(count) <= MOST_DIGITS):
            last = answer.rpartition("\n")[2]
            return Unread(ERRORS, f'reads "{last[:LONGEST_WORD]}", which is no total of errors')
        self._counted.add(path)
        return int(count)

    def now(self) -> int | Unread | None:
        """The sum; None where there is no counter, Unread where one of them could not be read."""
        counts = [self._count(path) for path in self._paths]
        lost = next((count for count in counts if isinstance(count, Unread)), None)
        if lost is not None:
            return lost
        known = [count for count in counts if isinstance(count, int)]
        return sum(known) if known else None


def counters(reads: Reads, drive: str) -> Counters | Unread | None:
    """What an NVMe drive counts of its heat (log 02h); None for another, which has none."""
    if not drive.startswith("nvme"):
        return None
    page = reads.nvme(f"log-02 /dev/{drive}")
    if isinstance(page, Unread):
        return _of(COUNTERS, page)
    from probes.health import health

    found = health(page, drive)
    if isinstance(found, Unread):
        return _of(COUNTERS, found)
    figures = tuple(getattr(found, name) for name in Counters.__struct_fields__)
    lost = next((figure for figure in figures if isinstance(figure, Unread)), None)
    return Counters(*figures) if lost is None else Unread(COUNTERS, f"{lost.what} {lost.why}")


# What a watch offers by these names: see `probes/platforms.py`.
link = LinkReader
errors = ErrorReader
