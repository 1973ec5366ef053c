"""What to ask of a Linux machine, and what its answers mean. Decides nothing; sends nothing; wakes nothing.

Sources: Documentation/ABI/testing/sysfs-bus-pci, sysfs-class-hwmon, sysfs-firmware-dmi-tables and
drivers/pci/pci-sysfs.c of the Linux kernel; what each register means is in `knowledge/`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.rates import WIDTHS, parse_speed
from probes import smbios
from probes.decode import SIZES_FOR_ANYBODY, Registers
from probes.facts import (
    ErrorCounters,
    Facts,
    Host,
    KernelSlot,
    LinkAttributes,
    Look,
    PciFunction,
)
from probes.linux_drives import block_drives, nvme_drives, sensors
from probes.linux_words import ASLEEP, MOST_DIGITS, integer, is_address, last, optional, optional_integer, real, whole
from probes.reads import Recorded, Recording
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from probes.facts import BoardDevice, BoardSlot, Drive, StripeSet
    from probes.reads import Reads

OFFERS: Final = {
    "functions": "PCI functions with their configuration space (past 64 bytes: root)",
    "links": "link width and speed of both ends",
    "slots": "slots by kernel name; by firmware description (root)",
    "presence": "cards detected in slots without a link (root)",
    "errors": "error counters of each function",
    "drives": "NVMe and SATA drives with model and firmware",
    "temperatures": "drive temperatures",
    "limits": "a drive's critical temperature; its warning temperature (root)",
    "health": "a drive's hours, wear, spare, error counts and firmware slots (root)",
    "names": "maker and model names, where udev has them",
    "stripes": "sets of software RAID and the drives in them",
}
WITHOUT: Final[dict[str, str]] = {}

PCI: Final = "/sys/bus/pci/devices"
SHORT_SPACE: Final = (
    "only the first bytes are given to an ordinary user, or in a container; root on the host may read more"
)

# Sizes of configuration space, two of them of single makers. Source: drivers/pci/probe.c pci_cfg_space_size;
# drivers/pci/quirks.c quirk_citrine, quirk_nfp6000.
WHOLE_SIZES: Final = frozenset((256, 4096, 0xA0, 0x600))

# What a later look asks again of a function (the rest does not change while a machine runs).
CHANGING_TEXTS: Final = (
    "power_state",
    "current_link_speed",
    "current_link_width",
    "aer_dev_correctable",
    "aer_dev_nonfatal",
    "aer_dev_fatal",
)


def collect(reads: Reads, looks: Sequence[tuple[float, Recorded]] = (), taken_at: str = "") -> Facts:
    """Ask everything once and give the facts; `looks` are later readings of some functions (seconds, reads)."""
    unread: list[Unread] = []
    addresses = reads.names(PCI)
    if isinstance(addresses, Unread):
        unread.append(addresses)
        addresses = ()
    functions = _functions(reads, addresses, unread)
    table = reads.data("/sys/firmware/dmi/tables/DMI")
    board_slots: tuple[BoardSlot, ...] | Unread
    board_devices: tuple[BoardDevice, ...] = ()
    if isinstance(table, Unread):
        board_slots = Unread("slots described by the firmware (SMBIOS)", table.why, table.needs_root)
    else:
        board_slots = smbios.board_slots(table)
        board_devices = smbios.board_devices(table)
        unread.extend(smbios.problems(table))
    asleep = frozenset(function.address for function in functions if function.power_state == "D3cold")
    drives = (*nvme_drives(reads, asleep, unread), *block_drives(reads, unread))
    stripes = _stripe_sets(reads, drives, unread)
    return Facts(
        platform=reads.platform,
        taken_at=taken_at,
        host=_host(reads, {} if isinstance(table, Unread) else smbios.board_identity(table)),
        functions=functions,
        kernel_slots=_kernel_slots(reads, unread),
        board_slots=board_slots,
        board_devices=board_devices,
        drives=drives,
        sensors=sensors(reads, asleep, unread),
        looks=tuple(_look(offset, recorded) for offset, recorded in looks),
        unread=tuple(unread),
        stripes=stripes,
    )


def _stripe_sets(reads: Reads, drives: Sequence[Drive], unread: list[Unread]) -> tuple[StripeSet, ...]:
    """Sets of software RAID; what asks for them is loaded only where the block devices name one."""
    names = reads.names("/sys/block")
    sets = () if isinstance(names, Unread) else tuple(name for name in names if name.startswith("md"))
    if not sets:
        return ()
    from probes.linux_stripes import stripe_sets

    return stripe_sets(reads, sets, drives, unread)


def look(reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
    """Ask again what can change of the functions `addresses`; all else is answered from the `first` reading."""
    recording = Recording(reads)
    for address in addresses:
        place = f"{PCI}/{address}"
        offered = first.names(place)
        if isinstance(offered, Unread):
            continue
        state = recording.text(f"{place}/power_state") if "power_state" in offered else None
        if (_older_power_state(recording, place, frozenset(offered)) if state is None else state) == "D3cold":
            continue
        for name in CHANGING_TEXTS[1:]:
            if name in offered:
                recording.text(f"{place}/{name}")
        if "config" in offered:
            recording.data(f"{place}/config")
    return Recorded(recording.answers, reads.platform, first)


def _look(offset: float, recorded: Recorded) -> Look:
    prefix = f"{PCI}/"
    addresses = {
        path[len(prefix) :].split("/", 1)[0]
        for path in (key.partition(" ")[2] for key in recorded.answers)
        if path.startswith(prefix)
    }
    return Look(offset, {address: _function(recorded, address, None)[0] for address in sorted(addresses)})


# --- PCI functions ---------------------------------------------------------------------------------------------


def _functions(reads: Reads, addresses: Sequence[str], unread: list[Unread]) -> tuple[PciFunction, ...]:
    named = reads.udev("pci")
    known = frozenset() if isinstance(named, Unread) else frozenset(named.split("\n"))
    found = []
    short = 0
    for address in addresses:
        if not is_address(address):
            unread.append(Unread(f"{PCI}/{address}", "not the address of a PCI function"))
            continue
        function, problems = _function(reads, address, reads.udev(address) if address in known else None)
        found.append(function)
        config = function.registers.config
        if not isinstance(config, Unread) and len(config) in SIZES_FOR_ANYBODY:
            short += 1
        if len(problems) > 1:
            unread.append(Unread(address, _together(problems), all(problem.needs_root for problem in problems)))
        else:
            unread.extend(problems)
    if short:
        what = f"configuration space past the first bytes of {short} function{'s' if short > 1 else ''}"
        unread.append(Unread(what, SHORT_SPACE, needs_root=True))
    return tuple(found)


def _together(problems: Sequence[Unread]) -> str:
    """One sentence for several failed reads of one device."""
    reasons = list(dict.fromkeys(problem.why for problem in problems))
    if all("(ENOENT)" in reason or "(ENODEV)" in reason or "(ENXIO)" in reason for reason in reasons):
        return f"the device went away while it was read: {reasons[0]}"
    return f"{len(problems)} readings failed: {'; '.join(reasons)}"


class _Asked:
    """The files of one function: what it does not offer is not asked, and what fails is kept in `problems`."""

    __slots__ = ("offered", "place", "problems", "reads")

    def __init__(self, reads: Reads, place: str, listed: tuple[str, ...] | Unread) -> None:
        self.reads = reads
        self.place = place
        self.problems: list[Unread] = [listed] if isinstance(listed, Unread) else []
        self.offered = frozenset[str]() if isinstance(listed, Unread) else frozenset(listed)

    def text(self, name: str) -> str | Unread | None:
        if name not in self.offered:
            return None
        answer = self.reads.text(f"{self.place}/{name}")
        if isinstance(answer, Unread):
            self.problems.append(answer)
        return answer

    def number(self, name: str) -> int | Unread:
        answer = self.text(name)
        key = f"text {self.place}/{name}"
        if answer is None:
            return Unread(key, "not offered for this function")
        return answer if isinstance(answer, Unread) else integer(answer, key)

    def target(self, name: str = "") -> str | Unread | None:
        """Where a link leads; without a name, that of the function itself."""
        if name and name not in self.offered:
            return None
        answer = self.reads.target(f"{self.place}/{name}" if name else self.place)
        if isinstance(answer, Unread):
            self.problems.append(answer)
        return answer


def _function(reads: Reads, address: str, names: str | Unread | None) -> tuple[PciFunction, list[Unread]]:
    place = f"{PCI}/{address}"
    listed = reads.names(place)
    asked = _Asked(reads, place, listed)
    text, number, target, problems, offered = asked.text, asked.number, asked.target, asked.problems, asked.offered
    path = target()
    parent, root = _place_of(path) if isinstance(path, str) else (None, "")
    power_state = text("power_state")
    if power_state is None:
        power_state = _older_power_state(reads, place, offered)
    asleep = power_state == "D3cold"
    maker, _, model = names.partition("\n") if isinstance(names, str) else ("", "", "")
    function = PciFunction(
        address=address,
        parent=parent,
        root=root,
        vendor_id=number("vendor"),
        device_id=number("device"),
        subsystem_vendor_id=number("subsystem_vendor"),
        subsystem_id=number("subsystem_device"),
        class_code=number("class"),
        revision=number("revision"),
        registers=_registers(reads, place, asleep=asleep, offered=offered, problems=problems),
        link=_link_attributes(reads, place, asleep=asleep, offered=offered, problems=problems),
        driver=last(target("driver")),
        power_state=power_state,
        numa_node=optional_integer(text("numa_node")),
        label=optional(text("label")),
        removable=optional(text("removable")),
        errors=_errors(reads, place, offered, problems),
        physical_function=last(target("physfn")),
        virtual_functions=tuple(sorted(name for name in offered if name.startswith("virtfn"))),
        vendor_name=maker or None,
        model_name=model or None,
    )
    return function, problems


def _place_of(target: str) -> tuple[str | None, str]:
    """Parent and root bus of a function from where its link leads (".../pci0000:00/0000:00:01.0/0000:01:00.0")."""
    parts = target.split("/")
    above = parts[-2] if len(parts) > 1 else ""
    root = next((part for part in reversed(parts[:-1]) if part.startswith("pci") and ":" in part), "")
    return (above if is_address(above) else None), root


def _older_power_state(reads: Reads, place: str, offered: frozenset[str]) -> str | Unread:
    """Kernels without `power_state`: a suspended device may be in D3cold, so it is left alone."""
    if "power" in offered and reads.text(f"{place}/power/runtime_status") == "suspended":
        return "D3cold"
    return Unread(f"text {place}/power_state", "not offered by this kernel")


def _registers(reads: Reads, place: str, *, asleep: bool, offered: frozenset[str], problems: list[Unread]) -> Registers:
    key = f"bytes {place}/config"
    if asleep:
        return Registers(Unread(key, ASLEEP))
    if "config" not in offered:
        return Registers(Unread(key, "not offered for this function"))
    config = reads.data(f"{place}/config")
    if isinstance(config, Unread):
        problems.append(config)
    elif not config:
        config = Unread(key, "no bytes were given")
        problems.append(config)
    elif config.count(0xFF) == len(config):
        config = Unread(key, "the device does not answer (all bits read 1)")
        problems.append(config)
    elif len(config) not in WHOLE_SIZES and len(config) not in SIZES_FOR_ANYBODY:
        short = Unread(key, f"the read ended after {len(config)} bytes")
        problems.append(short)
        return Registers(config, short.why)
    return Registers(config, SHORT_SPACE)


def _link_attributes(
    reads: Reads, place: str, *, asleep: bool, offered: frozenset[str], problems: list[Unread]
) -> LinkAttributes | None:
    if "current_link_speed" not in offered and "max_link_speed" not in offered:
        return None

    def told(name: str) -> str | Unread:
        key = f"text {place}/{name}"
        if asleep:
            return Unread(key, ASLEEP)
        if name not in offered:
            return Unread(key, "not there")
        answer = reads.text(f"{place}/{name}")
        if isinstance(answer, Unread):
            problems.append(answer)
        return answer

    return LinkAttributes(
        speed=_speed(told("current_link_speed"), f"text {place}/current_link_speed"),
        width=_width(told("current_link_width"), f"text {place}/current_link_width"),
        max_speed=_speed(told("max_link_speed"), f"text {place}/max_link_speed"),
        max_width=_most(_width(told("max_link_width"), f"text {place}/max_link_width")),
    )


def _speed(answer: str | Unread, key: str) -> int | Unread:
    if isinstance(answer, Unread):
        return answer
    found = parse_speed(answer)
    return Unread(key, f'reads "{answer[:40]}"') if found is None else found


def _width(answer: str | Unread, key: str) -> int | Unread:
    if isinstance(answer, Unread):
        return answer
    lanes = integer(answer, key)
    if lanes == UNKNOWN_WIDTH:
        return Unread(key, "reads 255, the kernel's word for an unknown width")
    if isinstance(lanes, Unread) or lanes == 0 or lanes in WIDTHS:
        return lanes
    return Unread(key, f"reads {lanes}, which is no number of lanes")


def _most(lanes: int | Unread) -> int | Unread:
    """A greatest width: none of the trade is 0, so that says "not known"."""
    return Unread("max_link_width", "reads 0") if lanes == 0 else lanes


UNKNOWN_WIDTH: Final = 255  # include/linux/pci.h, enum pcie_link_width


def _errors(reads: Reads, place: str, offered: frozenset[str], problems: list[Unread]) -> ErrorCounters | None:
    if "aer_dev_correctable" not in offered:
        return None

    def counters(name: str) -> dict[str, int] | Unread:
        answer = reads.text(f"{place}/{name}") if name in offered else Unread(f"text {place}/{name}", "not there")
        if isinstance(answer, Unread):
            problems.append(answer)
            return answer
        found = {}
        for line in answer.splitlines():
            label, _, count = line.rpartition(" ")
            if label and count.isascii() and count.isdigit() and len(count) <= MOST_DIGITS:
                found[label.strip()] = int(count)
        return found

    return ErrorCounters(
        correctable=counters("aer_dev_correctable"),
        nonfatal=counters("aer_dev_nonfatal"),
        fatal=counters("aer_dev_fatal"),
    )


# --- Slots and host --------------------------------------------------------------------------------------------


def _kernel_slots(reads: Reads, unread: list[Unread]) -> tuple[KernelSlot, ...]:
    names = reads.names("/sys/bus/pci/slots")
    found = []
    for name in () if isinstance(names, Unread) else names:
        place = f"/sys/bus/pci/slots/{name}"
        address = reads.text(f"{place}/address")
        if isinstance(address, Unread):
            unread.append(address)
            continue
        offered = reads.names(place)
        occupied = None
        if not isinstance(offered, Unread) and "adapter" in offered:
            occupied = {"1": True, "0": False}.get(str(reads.text(f"{place}/adapter")))
        found.append(KernelSlot(name, address, occupied))
    return tuple(found)


_IDENTITY: Final = (
    "sys_vendor",
    "product_name",
    "product_version",
    "board_vendor",
    "board_name",
    "bios_vendor",
    "bios_version",
    "bios_date",
    "bios_release",
)


def _host(reads: Reads, tables: Mapping[str, str]) -> Host:
    """The machine as a whole; what the kernel does not tell of its identity comes from the firmware's own `tables`."""
    place = "/sys/class/dmi/id"
    offered = reads.names(place)
    wanted = () if isinstance(offered, Unread) else tuple(name for name in _IDENTITY if name in offered)
    identity = {name: optional(reads.text(f"{place}/{name}")) for name in wanted}
    processor = reads.text("/proc/cpuinfo")
    uptime = reads.text("/proc/uptime")
    return Host(
        name=reads.text("/proc/sys/kernel/hostname"),
        kernel=reads.text("/proc/sys/kernel/osrelease"),
        maker=identity.get("sys_vendor") or tables.get("maker"),
        product=identity.get("product_name") or tables.get("product"),
        product_version=identity.get("product_version") or tables.get("product_version"),
        board_maker=identity.get("board_vendor") or tables.get("board_maker"),
        board=identity.get("board_name") or tables.get("board"),
        firmware_maker=identity.get("bios_vendor") or tables.get("firmware_maker"),
        firmware_version=identity.get("bios_version") or tables.get("firmware_version"),
        firmware_date=identity.get("bios_date") or tables.get("firmware_date"),
        firmware_release=identity.get("bios_release") or tables.get("firmware_release"),
        virtual=_virtual(processor),
        up_seconds=uptime if isinstance(uptime, Unread) else real(uptime.split(" ")[0], "text /proc/uptime"),
        processors=whole(reads.psutil("cpu_count"), "psutil cpu_count"),
        memory_bytes=whole(reads.psutil("virtual_memory.total"), "psutil virtual_memory.total"),
    )


def _virtual(processor: str | Unread) -> bool | Unread:
    """Whether the processor says that it runs under a hypervisor (x86: CPUID leaf 1, register ECX, bit 31)."""
    if isinstance(processor, Unread):
        return processor
    for line in processor.splitlines():
        if line.startswith("flags"):
            return "hypervisor" in line.split()
    return Unread("text /proc/cpuinfo", "this processor does not tell whether it runs under a hypervisor")
