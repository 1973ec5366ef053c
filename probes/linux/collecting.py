"""What to ask of a Linux machine, and what its answers mean. Decides nothing; sends nothing; wakes nothing.

Sources: Documentation/ABI/testing/sysfs-bus-pci, sysfs-class-hwmon, sysfs-firmware-dmi-tables and
drivers/pci/pci-sysfs.c of the Linux kernel; what each register means is in `knowledge/`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from knowledge.rates import WIDTHS, parse_speed
from probes import smbios
from probes.answers import ASLEEP, GONE, MOST_DIGITS, NOT_RECORDED, NOTHING_GIVEN
from probes.bounds import check_looks
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
from probes.hosts import lost_of_host
from probes.linux.listed import FolderFiles, listed
from probes.linux.storage import block_drives, nvme_drives, sensors
from probes.linux.values import count, integer, is_address, last, named, real, whole
from probes.reads import Recorded, Recording
from probes.unread import NOT_TOLD, Unread, of, together

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from probes.facts import BoardDevice, BoardSlot, Drive, Gap, StripeSet
    from probes.reads import Reads

PCI: Final = "/sys/bus/pci/devices"
SLOTS: Final = "/sys/bus/pci/slots"
BLOCKS: Final = "/sys/block"
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
    gaps: list[Gap] = []
    addresses = listed(reads, PCI, ("functions", "which PCI functions there are"), gaps, needed=True)
    functions = _functions(reads, addresses, unread)
    table = reads.data("/sys/firmware/dmi/tables/DMI")
    board_slots: tuple[BoardSlot, ...] | Unread
    board_devices: tuple[BoardDevice, ...] = ()
    if isinstance(table, Unread):
        board_slots = of("slots described by the firmware (SMBIOS)", table.minor)
    else:
        board_slots = smbios.board_slots(table)
        board_devices = smbios.board_devices(table)
        unread.extend(smbios.problems(table))
    asleep = frozenset(function.address for function in functions if function.power_state == "D3cold")
    blocks = listed(reads, BLOCKS, ("drives", "which disks and software RAID sets there are"), gaps, kind="disk")
    # Past its first bytes configuration space is given to the super-user alone, as are the drives' own answers.
    configs = [function.registers.config for function in functions]
    privileged = any(not isinstance(config, Unread) and len(config) in WHOLE_SIZES for config in configs)
    drives = (
        *nvme_drives(reads, asleep, blocks, unread, gaps, privileged=privileged),
        *block_drives(reads, blocks, unread, gaps),
    )
    stripes = _stripe_sets(reads, blocks, drives, unread, gaps)
    kernel_slots = _kernel_slots(reads, unread, gaps)
    found = sensors(reads, asleep, unread, gaps)
    again = [(offset, recorded, _looked_at(recorded)) for offset, recorded in looks]
    check_looks(sum(len(addresses) for _, _, addresses in again))
    later: dict[str, list[Unread]] = {}
    return Facts(
        platform=reads.platform,
        taken_at=taken_at,
        host=_host(reads, {} if isinstance(table, Unread) else smbios.board_identity(table), unread),
        functions=functions,
        kernel_slots=kernel_slots,
        board_slots=board_slots,
        board_devices=board_devices,
        drives=drives,
        sensors=found,
        looks=tuple(_look(*one, later) for one in again),
        unread=(*(gap.why for gap in gaps), *unread, *_of_looks(later)),
        stripes=stripes,
        gaps=tuple(gaps),
    )


def _stripe_sets(
    reads: Reads, blocks: Iterable[str], drives: Sequence[Drive], unread: list[Unread], gaps: list[Gap]
) -> tuple[StripeSet, ...]:
    """Sets of software RAID; what asks for them is loaded only where the block devices name one."""
    sets = tuple(name for name in blocks if name.startswith("md"))
    if not sets:
        return ()
    from probes.linux.stripes import stripe_sets

    return stripe_sets(reads, sets, drives, unread, gaps)


def look(reads: Reads, first: Recorded, addresses: Iterable[str]) -> Recorded:
    """Ask again what can change of the functions `addresses`; all else is answered from the `first` reading."""
    recording = Recording(reads)
    for address in addresses:
        asked = FolderFiles(first, f"{PCI}/{address}")
        place = asked.place
        state = recording.text(f"{place}/power_state") if asked.offers("power_state") else None
        if not isinstance(state, str) and asked.offers("power"):
            suspended = recording.text(f"{place}/power/runtime_status") == "suspended"
            state = "D3cold" if suspended and (state is None or asked.lost) else state
        if state == "D3cold":
            continue
        for name in CHANGING_TEXTS[1:]:
            if asked.offers(name):
                recording.text(f"{place}/{name}")
        if asked.offers("config"):
            recording.data(f"{place}/config")
    return Recorded(recording.answers, reads.platform, first)


def _of_looks(later: Mapping[str, Sequence[Unread]]) -> Iterator[Unread]:
    """One line for each function that could be read at first and not, or not wholly, when it was looked at again."""
    for address, problems in later.items():
        first = _together(address, problems) if len(problems) > 1 else problems[0]
        yield of(f"{address}, looked at again", first)


def _looked_at(recorded: Recorded) -> list[str]:
    """The addresses of the functions that were asked again in a later look."""
    prefix = f"{PCI}/"
    paths = (key.partition(" ")[2] for key in recorded.answers)
    return sorted({path[len(prefix) :].split("/", 1)[0] for path in paths if path.startswith(prefix)})


def _look(offset: float, recorded: Recorded, addresses: Sequence[str], later: dict[str, list[Unread]]) -> Look:
    """A later look at these functions; what went wrong in it alone is added to `later`."""
    functions = {}
    for address in addresses:
        functions[address], problems = _function(recorded, address, None)
        lost = [problem for problem in problems if problem.what in recorded.answers]
        if lost:
            later.setdefault(address, []).extend(lost)
    return Look(offset, functions)


# --- PCI functions ---------------------------------------------------------------------------------------------


def _functions(reads: Reads, addresses: Sequence[str], unread: list[Unread]) -> tuple[PciFunction, ...]:
    told = reads.udev("pci")
    known = frozenset() if isinstance(told, Unread) else frozenset(told.split("\n"))
    # A system without udev has no names; one whose udev does not answer keeps them to itself.
    lost = told if isinstance(told, Unread) and told.code not in NO_UDEV and told.why != NOT_RECORDED else None
    found, troubles = [], {}
    short = 0
    for address in addresses:
        if not is_address(address):
            unread.append(Unread(f"{PCI}/{address}", "not the address of a PCI function"))
            continue
        words = reads.udev(address) if address in known else lost
        function, problems = _function(reads, address, words)
        found.append(function)
        troubles[address] = problems
        config = function.registers.config
        if not isinstance(config, Unread) and len(config) in SIZES_FOR_ANYBODY:
            short += 1
    if any(not isinstance(pci_function.root, str) for pci_function in found):
        from probes.linux.placing import placed

        found = placed(found, troubles)
    for address, problems in troubles.items():
        if len(problems) > 1:
            unread.append(_together(address, problems))
        else:
            unread.extend(problems)
    unread.extend(_nameless(found))
    if short:
        what = f"configuration space past the first bytes of {short} function{'s' if short > 1 else ''}"
        unread.append(Unread(what, SHORT_SPACE, needs_root=True))
    return tuple(found)


def _nameless(found: Sequence[PciFunction]) -> Iterator[Unread]:
    """One line for names that udev was asked for in vain; a system without udev was not asked."""
    lost = [
        (pci_function.address, pci_function.vendor_name)
        for pci_function in found
        if isinstance(pci_function.vendor_name, Unread)
    ]
    if lost:
        first, why = lost[0]
        yield of(f"maker and model of {first if len(lost) == 1 else f'{len(lost)} functions'}", why.minor)


NO_UDEV: Final = frozenset({"ENOSYS", "ENOTSUP", "ENODATA"})


def _together(address: str, problems: Sequence[Unread]) -> Unread:
    """One line for several failed reads of one device."""
    found = together(address, problems)
    if all(problem.code in GONE for problem in problems):
        return replace(found, why=f"the device went away while it was read: {problems[0].why}")
    return found


def _function(reads: Reads, address: str, names: str | Unread | None) -> tuple[PciFunction, list[Unread]]:
    asked = FolderFiles(reads, f"{PCI}/{address}")
    place, text, number, target = asked.place, asked.text, asked.number, asked.target
    path = target()
    parent, root = _place_of(path, f"link {place}")
    power_state = text("power_state")
    if power_state is None or (isinstance(power_state, Unread) and power_state.why == asked.unlisted):
        power_state = _older_power_state(asked)
    asleep = power_state == "D3cold"
    maker, _, model = names.partition("\n") if isinstance(names, str) else ("", "", "")
    nameless = names.minor if isinstance(names, Unread) else None
    function = PciFunction(
        address=address,
        parent=parent,
        root=root,
        vendor_id=number("vendor", 4),
        device_id=number("device", 4),
        subsystem_vendor_id=number("subsystem_vendor", 4),
        subsystem_id=number("subsystem_device", 4),
        class_code=number("class", 6),
        revision=number("revision", 2),
        registers=_registers(asked, asleep=asleep),
        link=_link_attributes(asked, asleep=asleep),
        driver=last(target("driver"), f"link {place}/driver"),
        power_state=power_state,
        numa_node=count(text("numa_node"), f"text {place}/numa_node"),
        label=named(text("label")),
        removable=named(text("removable")),
        errors=_errors(asked),
        physical_function=last(target("physfn"), f"link {place}/physfn"),
        virtual_functions=asked.beginning("virtfn"),
        vendor_name=maker or nameless,
        model_name=model or nameless,
    )
    return function, asked.all_problems()


def _place_of(target: str | Unread | None, key: str) -> tuple[str | Unread | None, str | Unread]:
    """Parent and root bus of a function from where its link leads (".../pci0000:00/0000:00:01.0/0000:01:00.0")."""
    if not target:
        return (lost := Unread(key, NOTHING_GIVEN, vital=True)), lost
    if isinstance(target, Unread):
        return target, target
    parts = target.split("/")
    above = parts[-2] if len(parts) > 1 else ""
    root = next((part for part in reversed(parts[:-1]) if part.startswith("pci") and ":" in part), "")
    return (above if is_address(above) else None), root


def _older_power_state(asked: FolderFiles) -> str | Unread:
    """Kernels without `power_state`: a suspended device may be in D3cold, so it is left alone."""
    if asked.offers("power") and asked.reads.text(f"{asked.place}/power/runtime_status") == "suspended":
        return "D3cold"
    return Unread(f"text {asked.place}/power_state", "not offered by this kernel")


def _registers(asked: FolderFiles, *, asleep: bool) -> Registers:
    key = f"bytes {asked.place}/config"
    if asleep:
        return Registers(Unread(key, ASLEEP))
    config = asked.data("config")
    if config is None:
        return Registers(Unread(key, "not offered for this function"))
    if isinstance(config, Unread):
        return Registers(config)
    if not config:
        config = asked.problem(Unread(key, "no bytes were given", vital=True))
    elif config.count(0xFF) == len(config):
        config = asked.problem(Unread(key, "the device does not answer (all bits read 1)", vital=True))
    elif len(config) not in WHOLE_SIZES and len(config) not in SIZES_FOR_ANYBODY:
        short = asked.problem(Unread(key, f"the read ended after {len(config)} bytes", vital=True))
        return Registers(config, short.why, cut=True)
    return Registers(config, SHORT_SPACE)


def _link_attributes(asked: FolderFiles, *, asleep: bool) -> LinkAttributes | None:
    if not asked.offers("current_link_speed") and not asked.offers("max_link_speed"):
        return None

    answers = {
        name: Unread(f"text {asked.place}/{name}", ASLEEP) if asleep else asked.text(name) for name in LINK_FILES
    }
    if asked.lost and answers["current_link_speed"] is None and answers["max_link_speed"] is None:
        return None
    speed, width, max_speed, max_width = (
        Unread(f"text {asked.place}/{name}", "not there") if answer is None else answer
        for name, answer in answers.items()
    )
    return LinkAttributes(
        speed=_speed(speed, f"text {asked.place}/current_link_speed"),
        width=_width(width, f"text {asked.place}/current_link_width"),
        max_speed=_speed(max_speed, f"text {asked.place}/max_link_speed"),
        max_width=_most(_width(max_width, f"text {asked.place}/max_link_width")),
    )


LINK_FILES: Final = ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width")


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


def _errors(asked: FolderFiles) -> ErrorCounters | None:
    if not asked.offers("aer_dev_correctable"):
        return None

    def counters(name: str) -> dict[str, int] | Unread | None:
        key, answer = f"text {asked.place}/{name}", asked.text(name)
        if not isinstance(answer, str):
            return answer
        found = {}
        for line in answer.splitlines():
            label, _, count = line.rpartition(" ")
            if label and count.isascii() and count.isdigit() and len(count) <= MOST_DIGITS:
                found[label.strip()] = int(count)
        whole = answer.rpartition("\n")[2].startswith("TOTAL_ERR")
        return found if whole else asked.problem(Unread(key, "the read ended before its last line", vital=True))

    told = [counters(name) for name in ERROR_FILES]
    if told[0] is None:
        return None
    return ErrorCounters(
        *(
            Unread(f"text {asked.place}/{name}", "not there") if value is None else value
            for name, value in zip(ERROR_FILES, told, strict=True)
        )
    )


ERROR_FILES: Final = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")


# --- Slots and host --------------------------------------------------------------------------------------------


def _kernel_slots(reads: Reads, unread: list[Unread], gaps: list[Gap]) -> tuple[KernelSlot, ...]:
    found = []
    for name in listed(reads, SLOTS, ("slots", "which slots the kernel names"), gaps):
        place = f"{SLOTS}/{name}"
        address = reads.text(f"{place}/address") or Unread(f"text {place}/address", NOTHING_GIVEN, vital=True)
        if isinstance(address, Unread):
            unread.append(address)
            if not address.absent:
                found.append(KernelSlot(name, address, address))
            continue
        asked = FolderFiles(reads, place)
        adapter = asked.text("adapter")
        if isinstance(adapter, str):
            key = f"text {place}/adapter"
            occupied = PRESENCE.get(adapter) if adapter in PRESENCE else Unread(key, f'reads "{adapter[:40]}"')
        else:
            occupied = adapter
        found.append(KernelSlot(name, address, occupied))
        problems = asked.all_problems()
        unread.extend([_together(f"slot {name}", problems)] if len(problems) > 1 else problems)
    return tuple(found)


PRESENCE: Final = {"1": True, "0": False}


# The kernel's names of what tells a machine from others, and ours.
_IDENTITY: Final = {
    "sys_vendor": "maker",
    "product_name": "product",
    "product_version": "product_version",
    "board_vendor": "board_maker",
    "board_name": "board",
    "bios_vendor": "firmware_maker",
    "bios_version": "firmware_version",
    "bios_date": "firmware_date",
    "bios_release": "firmware_release",
}


def _host(reads: Reads, tables: Mapping[str, str], unread: list[Unread]) -> Host:
    """The machine as a whole; what the kernel does not tell of its identity comes from the firmware's own `tables`."""
    asked = FolderFiles(reads, "/sys/class/dmi/id")
    identity = {ours: named(asked.text(theirs)) for theirs, ours in _IDENTITY.items()}
    for name, told in identity.items():
        if not isinstance(told, str):
            identity[name] = tables.get(name) or told
    processor = _given(reads, "/proc/cpuinfo")
    uptime = reads.text("/proc/uptime")
    host = Host(
        name=_given(reads, "/proc/sys/kernel/hostname"),
        kernel=_given(reads, "/proc/sys/kernel/osrelease"),
        **identity,
        virtual=_virtual(processor),
        up_seconds=uptime if isinstance(uptime, Unread) else real(uptime.split(" ")[0], "text /proc/uptime"),
        processors=whole(reads.psutil("cpu_count"), "psutil cpu_count"),
        memory_bytes=whole(reads.psutil("virtual_memory.total"), "psutil virtual_memory.total"),
    )
    unread.extend(lost_of_host(host, asked.all_problems()))
    return host


def _given(reads: Reads, path: str) -> str | Unread:
    """A file of the kernel that never is empty."""
    return reads.text(path) or Unread(f"text {path}", NOTHING_GIVEN, small=True)


def _virtual(processor: str | Unread) -> bool | Unread:
    """Whether the processor says that it runs under a hypervisor (x86: CPUID leaf 1, register ECX, bit 31)."""
    if isinstance(processor, Unread):
        return processor
    for line in processor.splitlines():
        if line.startswith("flags"):
            return "hypervisor" in line.split()
    return Unread(
        "text /proc/cpuinfo", "this processor does not tell whether it runs under a hypervisor", code=NOT_TOLD
    )
