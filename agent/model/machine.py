"""Facts to topology: ports, components, links, slots, and each drive's path to the processor.

Judges nothing. One link is a downstream-facing port and the component below it; between a switch's
upstream port and its downstream ports there is no link.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model import unseen_parts
from agent.model.grouping import grouped
from agent.model.pairing import told_once
from agent.model.upwards import above, upwards
from knowledge import pcie
from knowledge.phrasing import slot_words
from probes.unread import Unread, of, readable

if TYPE_CHECKING:
    from collections.abc import Container, Iterator

    from probes.facts import BoardSlot, Drive, Facts, Look, PciFunction


BRIDGE_CLASS: Final = 0x0604
HOST_BRIDGE_CLASS: Final = 0x0600
DISPLAY_CLASS: Final = 0x03
NVME_CLASS: Final = 0x0108  # class and sub-class. Source: PCI Code and ID Assignment Specification
# Mass storage of another kind, with the interface number of NVMe: some drives on Darwin call themselves so.
NVME_ELSEWHERE: Final = 0x018002
NO_VENDOR: Final = 0xFFFF
AUDIO_CLASS: Final = 0x0403
REGISTRY_NAME: Final = "slot name in the I/O Registry"
MOST_LEVELS: Final = 8  # bridges under each other on one card; ends the walk on a damaged capture
DOWNSTREAM_FACING: Final = frozenset({pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT, pcie.BRIDGE_FROM_PCI})
WITH_LINK: Final = frozenset({pcie.ENDPOINT, pcie.LEGACY_ENDPOINT, pcie.SWITCH_UPSTREAM_PORT, pcie.BRIDGE_TO_PCI})
INTEGRATED: Final = frozenset({pcie.INTEGRATED_ENDPOINT, pcie.EVENT_COLLECTOR})


class Slot(Struct, frozen=True):
    """A slot's name and where the name comes from; `board` is the firmware's description, if it matched.

    `kernel_address` is the address of the kernel's slot that is the same one, if the kernel has one. `shared` is the
    address of the link where the registry calls the slot of another one the same. `on_card` is what people call it
    where it is a port of a card.
    """

    name: str
    source: str
    board: BoardSlot | None = None
    kernel_address: str | None = None
    shared: str = ""
    on_card: str = ""

    @property
    def words(self) -> str:
        """The name in a sentence: "slot 3", "PCIE1", "port 1 of the card in PCIE1"."""
        if self.on_card:
            return self.on_card
        return f"{slot_words(self.name)} ({self.shared})" if self.shared else slot_words(self.name)


class Link(Struct, frozen=True):
    """A downstream-facing port and the component below it.

    `port` is None where it is not visible from here. `device` is function 0 of the component, None where nothing
    answers; `functions` are all its functions but the virtual ones. `integrated` marks a device inside
    the root complex, which has no link at all. `occupied` is what a hot-plug driver says of presence. `onboard` tells
    that the firmware lists the device as part of the board, and no slot of its own matches. `driven` tells that the
    system drives the device as an NVMe drive, where its class could not be read.

    `card_port` is its number, from 1, among the ports of the packet switch of a card that is in a slot, and `on_card`
    the same in words.

    What is None here was told to be so, unless there is a reason why nobody could tell: `port_lost` for the port,
    `below_lost` for what may answer below, `slot_lost` for the slot.
    """

    port: PciFunction | None
    device: PciFunction | None
    functions: tuple[PciFunction, ...]
    slot: Slot | None
    integrated: bool = False
    occupied: bool | Unread | None = None
    onboard: bool = False
    driven: bool = False
    port_lost: Unread | None = None
    below_lost: Unread | None = None
    slot_lost: Unread | None = None
    card_port: int | None = None
    on_card: str = ""

    @property
    def ends(self) -> tuple[PciFunction, ...]:
        """The ends that are visible, the port first."""
        return tuple(end for end in (self.port, self.device) if end is not None)

    @property
    def board(self) -> BoardSlot | None:
        """The firmware's description of its slot, if one matched."""
        return self.slot.board if self.slot is not None else None

    @property
    def leads_to_drive(self) -> bool:
        """Whether it leads straight to an NVMe drive, claimed by a driver or not."""
        return self.device is not None and (self.driven or is_nvme(self.device))

    @property
    def key(self) -> str:
        """What names this link everywhere: the port's address, or the device's where no port is visible."""
        end = self.port or self.device
        return end.address if end is not None else ""


class Path(Struct, frozen=True):
    """A drive and its hops, from the drive to the processor; `lost` is why there may be more of them."""

    drive: Drive
    hops: tuple[Link, ...]
    lost: Unread | None = None


class Machine(Struct, frozen=True):
    """The topology. `links` are in the order of their ports' addresses, `leads_to` has the one to each function.

    `looked_at` has the numbers of the later looks in which a function was read again, by its address.
    """

    facts: Facts
    functions: dict[str, PciFunction]
    below: dict[str, tuple[PciFunction, ...]]
    kinds: dict[str, int | None]
    links: tuple[Link, ...]
    leads_to: dict[str, Link]
    paths: tuple[Path, ...]
    looked_at: dict[str, list[int]]

    def looks_at(self, *functions: PciFunction | None) -> Iterator[Look]:
        """The later looks in which one of these functions or more was read again, in time."""
        if self.looked_at:
            numbers = {number for one in functions if one is not None for number in self.looked_at.get(one.address, ())}
            yield from (self.facts.looks[number] for number in sorted(numbers))


def build(facts: Facts) -> Machine:
    """The topology of `facts`."""
    facts = _told_apart(facts)
    functions = {function.address: function for function in facts.functions}
    below: dict[str, list[PciFunction]] = {}
    for function in facts.functions:
        parent = above(function)
        if parent is not None and function.physical_function is None:
            below.setdefault(parent, []).append(function)
    children = {address: tuple(sorted(found, key=_by_address)) for address, found in below.items()}
    kinds = _kinds(functions, children)
    slots = _Slots(facts, functions)
    links = _ports_of_cards(_slots_apart(tuple(_links(functions, children, kinds, slots, facts))), functions, kinds)
    leads_to = {function.address: link for link in links for function in link.functions}
    paths = tuple(_paths(facts, functions, leads_to))
    looked_at = grouped((address, number) for number, look in enumerate(facts.looks) for address in look.functions)
    return Machine(facts, functions, children, kinds, links, leads_to, paths, looked_at)


def _told_apart(facts: Facts) -> Facts:
    """The same, with functions that show themselves to be no virtual ones where that link could not be read.

    Only the identifiers of a virtual function read FFFFh. Source: Single Root I/O Virtualization and Sharing, section
    3.4.1, Vendor ID and Device ID (from memory).
    """
    if not any(isinstance(function.physical_function, Unread) for function in facts.functions):
        return facts
    functions = tuple(
        replace(function, physical_function=None) if _is_physical(function) else function
        for function in facts.functions
    )
    return replace(facts, functions=functions)


def _is_physical(function: PciFunction) -> bool:
    vendor = function.registers.read(pcie.VENDOR_ID, "vendor_id")
    return isinstance(function.physical_function, Unread) and isinstance(vendor, int) and vendor != NO_VENDOR


def _by_address(function: PciFunction) -> str:
    return function.address


def device_place(address: str) -> str:
    """What the functions of one device share of their addresses: "0000:01:00" of "0000:01:00.0".

    Where a platform knows no segment, functions that collide have a mark behind "@", and belong together as such; an
    address without a function number stands for itself.
    """
    place, mark, _ = address.partition("@")
    device, dot, _ = place.rpartition(".")
    return f"{device}{mark}" if dot else address


# --- Kinds of port ---------------------------------------------------------------------------------------------


def is_bridge(function: PciFunction) -> bool:
    """Whether the function is a PCI-to-PCI bridge, by its class."""
    return isinstance(function.class_code, int) and function.class_code >> 8 == BRIDGE_CLASS


def is_host_bridge(function: PciFunction) -> bool:
    """Whether the function is the host bridge, by its class: the processor's own end, whatever type it calls itself."""
    return isinstance(function.class_code, int) and function.class_code >> 8 == HOST_BRIDGE_CLASS


def is_display(function: PciFunction) -> bool:
    """Whether the function drives a display, by its class."""
    return isinstance(function.class_code, int) and function.class_code >> 16 == DISPLAY_CLASS


def is_nvme(function: PciFunction) -> bool:
    """Whether the function is an NVMe drive, by its class, claimed by a driver or not."""
    code = function.class_code
    return isinstance(code, int) and (code >> 8 == NVME_CLASS or code == NVME_ELSEWHERE)


def is_audio(function: PciFunction) -> bool:
    """Whether the function plays sound, by its class."""
    return isinstance(function.class_code, int) and function.class_code >> 8 == AUDIO_CLASS


def drives_display(link: Link, below: dict[str, tuple[PciFunction, ...]]) -> PciFunction | None:
    """The display function of a card, also behind the card's own switch; None if other cards hang there as well.

    Many display cards carry a switch of their own, so the slot's link is one or two levels above the display function.
    """
    return next((function for level in _levels(link, below) for function in level if is_display(function)), None)


def may_drive_display(link: Link, below: dict[str, tuple[PciFunction, ...]]) -> Unread | None:
    """Why a card may be a display card though none was seen on it: a function whose class could not be read."""
    for function in (function for level in _levels(link, below) for function in level):
        if isinstance(function.class_code, Unread):
            return of(f"{function.address} class code", function.class_code)
    return None


def _levels(link: Link, below: dict[str, tuple[PciFunction, ...]]) -> Iterator[tuple[PciFunction, ...]]:
    """The functions of a card, and those behind its own switch level by level, as long as it is one card."""
    here: tuple[PciFunction, ...] = link.functions
    for _ in range(MOST_LEVELS):
        yield here
        if not any(_may_be_bridge(function, below.get(function.address, ())) for function in here):
            return
        components = [below[function.address] for function in here if below.get(function.address)]
        if len(components) != 1:
            return
        here = components[0]


def _may_be_bridge(function: PciFunction, below: tuple[PciFunction, ...]) -> bool:
    """Whether a function is a bridge: by its class or, where that could not be read, by what hangs below it."""
    return is_bridge(function) or (bool(below) and isinstance(function.class_code, Unread))


def _kinds(functions: dict[str, PciFunction], below: dict[str, tuple[PciFunction, ...]]) -> dict[str, int | None]:
    """Device/port type of each function: as its register says, else as its place in the tree implies."""
    kinds: dict[str, int | None] = {}
    for function in functions.values():
        told = function.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "device_port_type")
        if isinstance(told, int):
            kinds[function.address] = told
        elif function.link is None:
            kinds[function.address] = None
    for address in functions:
        _infer(address, functions, below, kinds)
    return kinds


def _infer(
    address: str,
    functions: dict[str, PciFunction],
    below: dict[str, tuple[PciFunction, ...]],
    kinds: dict[str, int | None],
) -> None:
    """Infer the type of one function whose register is out of reach; parents first, each once."""
    waiting: dict[str, None] = {}
    here: str | None = address
    while here in functions and here not in kinds and here not in waiting:
        waiting[here] = None
        here = above(functions[here])
    for name in reversed(waiting):
        function = functions[name]
        parent = above(function)
        kind = kinds.get(parent) if parent is not None else None
        on_root = parent not in functions and not isinstance(function.parent, Unread)
        kinds[name] = _likely_kind(function, kind, below.get(name, ()), on_root=on_root)


def _likely_kind(
    function: PciFunction, above: int | None, below: tuple[PciFunction, ...], *, on_root: bool
) -> int | None:
    if not _may_be_bridge(function, below):
        lanes = function.registers.read(pcie.LINK_CAPABILITIES, "maximum_link_width")
        unknown = function.link is not None and all(
            isinstance(figure, Unread) for figure in (lanes, function.link.max_speed, function.link.max_width)
        )
        return pcie.INTEGRATED_ENDPOINT if on_root and unknown else pcie.ENDPOINT
    if on_root:
        return pcie.ROOT_PORT
    if isinstance(function.parent, Unread):
        return None  # which way a bridge faces shows in its place alone
    if above == pcie.SWITCH_UPSTREAM_PORT:
        return pcie.SWITCH_DOWNSTREAM_PORT
    if below and all(child.link is None for child in below):
        return pcie.BRIDGE_TO_PCI
    return pcie.SWITCH_UPSTREAM_PORT


# --- Links -----------------------------------------------------------------------------------------------------


def _links(
    functions: dict[str, PciFunction],
    below: dict[str, tuple[PciFunction, ...]],
    kinds: dict[str, int | None],
    slots: _Slots,
    facts: Facts,
) -> Iterator[Link]:
    with_drives = {drive.address for drive in facts.drives}
    nvme = {drive.address for drive in facts.drives if drive.kind == "nvme"}
    placeless = unseen_parts.placeless(facts.functions)
    seen: set[str] = set()
    for address, function in functions.items():
        kind = kinds[address]
        if is_host_bridge(function) and not below.get(address):
            continue
        if kind in DOWNSTREAM_FACING:
            component = below.get(address, ())
            device = component[0] if component else None
            # What a tunnel calls a slot is a place for a cable.
            tunnel = device is None and function.tunnelled is True
            slot = None if tunnel else slots.of_port(function, component)
            onboard = slots.onboard(component) and (slot is None or slot.board is None)
            yield Link(
                function,
                device,
                component,
                slot,
                occupied=slots.occupied(function, device),
                onboard=onboard,
                driven=_is_driven(device, nvme),
                below_lost=unseen_parts.below(function, _bus_below(function, None), placeless, facts)
                if device is None
                else None,
                slot_lost=(unseen_parts.named(function, *component) or unseen_parts.slot(function))
                if slot is None and not onboard and not tunnel
                else None,
            )
        elif function.physical_function is None and address not in seen:
            integrated = kind in INTEGRATED and address in with_drives
            if integrated or (kind in WITH_LINK and kinds.get(above(function) or "") not in DOWNSTREAM_FACING):
                component = _component(function, functions, kinds)
                seen.update(member.address for member in component)
                slot = slots.of_device(component)
                hidden = None if integrated else unseen_parts.port(function, functions, kinds)
                yield Link(
                    None,
                    component[0],
                    component,
                    slot,
                    integrated=integrated,
                    driven=_is_driven(component[0], nvme),
                    port_lost=hidden,
                    slot_lost=None
                    if slot is not None or integrated
                    else unseen_parts.named(*component) or hidden or unseen_parts.HIDDEN,
                )


def _slots_apart(links: tuple[Link, ...]) -> tuple[Link, ...]:
    """The links, with the address of each whose slot the registry calls as it calls that of another."""
    names = Counter(link.slot.name for link in links if link.slot is not None and link.slot.source == REGISTRY_NAME)
    return tuple(
        replace(link, slot=replace(link.slot, shared=link.key))
        if link.slot is not None and link.slot.source == REGISTRY_NAME and names[link.slot.name] > 1
        else link
        for link in links
    )


def _ports_of_cards(
    links: tuple[Link, ...], functions: dict[str, PciFunction], kinds: dict[str, int | None]
) -> tuple[Link, ...]:
    """The links, those below the packet switch of a card in a slot with their number among the ports of that switch.

    The numbers that such ports give their slots are made up by the switch: nothing on the card bears them. A slot that
    the firmware describes keeps its name, as its switch is part of the board.
    """
    leads_to = {function.address: link for link in links for function in link.functions}
    found = {link.key: link for link in links}
    counted: Counter[str] = Counter()
    for link in links:  # in the order of addresses, so that a card comes before what is behind it
        upstream = above(link.port) if link.port is not None else None
        if upstream is None or kinds.get(link.key) != pcie.SWITCH_DOWNSTREAM_PORT or upstream not in functions:
            continue
        counted[upstream] += 1
        card = leads_to.get(upstream)
        if card is None or link.board is not None or (card := found[card.key]).slot is None:
            continue
        number = counted[upstream]
        words = f"port {number} of the card in {card.slot.words}"
        slot = None if link.slot is None else replace(link.slot, on_card=words)
        found[link.key] = replace(link, card_port=number, on_card=words, slot=slot)
    return tuple(found.values())


def _is_driven(device: PciFunction | None, nvme: Container[str | Unread | None]) -> bool:
    """Whether the system drives a function as an NVMe drive whose class could not be read."""
    return device is not None and isinstance(device.class_code, Unread) and device.address in nvme


def _component(
    function: PciFunction, functions: dict[str, PciFunction], kinds: dict[str, int | None]
) -> tuple[PciFunction, ...]:
    """All functions that share bus and device number with this one and have a link (or are integrated) as it is."""
    place = device_place(function.address)
    alike = [functions.get(f"{place}.{number}") for number in range(8)]
    if all(other is not function for other in alike):
        return (function,)  # an address of another form, which tells nothing of its neighbours
    return tuple(
        other
        for other in alike
        if other is not None
        and other.physical_function is None
        and other.parent == function.parent
        and kinds[other.address] == kinds[function.address]
    )


# --- Slots -----------------------------------------------------------------------------------------------------


class _Slots:
    """Finds the slot of a port: the firmware's description, the kernel's name, the registry's, the slot number."""

    def __init__(self, facts: Facts, functions: dict[str, PciFunction]) -> None:
        described = facts.described
        self._by_place = told_once((_bus(address), slot) for slot in described for address in _addresses(slot))
        self._by_port = told_once(
            (address, slot) for slot in described for address in _addresses(slot) if address in functions
        )
        self._by_number = told_once((slot.slot_id, slot) for slot in described if slot.slot_id)
        self._kernel = {slot.address: slot for slot in facts.kernel_slots if isinstance(slot.address, str)}
        self._onboard = frozenset(
            board_device.address
            for board_device in facts.board_devices
            if board_device.enabled and board_device.address is not None
        )
        self._functions = functions

    def of_port(self, port: PciFunction, component: tuple[PciFunction, ...]) -> Slot | None:
        """The slot below `port`, which holds the functions `component`."""
        device = component[0] if component else None
        bus = _bus_below(port, device)
        number = port.registers.read(pcie.SLOT_CAPABILITIES, "physical_slot_number")
        board = self._by_port.get(port.address) or (self._by_place.get(bus) if bus else None)
        if board is None and number in self._by_number and not self._on_card(port):
            board = self._by_number[number]
        kernel = self._kernel.get(f"{bus}:00") or self._kernel.get(bus) if bus else None
        address = readable(kernel.address) if kernel is not None else None
        if board is not None and board.designation:
            return Slot(board.designation, "firmware slot description (SMBIOS)", board, address)
        if kernel is not None:
            return Slot(kernel.name, "kernel slot name", board, address)
        named = _named_slot(port, *component)
        if named is not None:
            return named
        if isinstance(number, int) and number:  # 0 is for devices on the board (PCI Express Base, Slot Capabilities)
            return Slot(str(number), "Slot Capabilities register", board)
        return None

    def _on_card(self, port: PciFunction) -> bool:
        """Whether a port above leads to a slot: then this one sits on the card there, which counts its own slots."""
        return any(
            upper.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented") == 1
            for upper in upwards(port, self._functions)
            if upper is not port
        )

    def of_device(self, component: tuple[PciFunction, ...]) -> Slot | None:
        """The slot of a device whose port is not visible."""
        device = component[0]
        board = self._by_port.get(device.address)
        kernel = self._kernel.get(device_place(device.address))
        address = readable(kernel.address) if kernel is not None else None
        if board is not None and board.designation:
            return Slot(board.designation, "firmware slot description (SMBIOS)", board, address)
        if kernel is not None:
            return Slot(kernel.name, "kernel slot name", None, address)
        return _named_slot(*component)

    def onboard(self, component: tuple[PciFunction, ...]) -> bool:
        """Whether the firmware lists a function of this component among the devices on the board."""
        return any(function.address in self._onboard for function in component)

    def occupied(self, port: PciFunction, device: PciFunction | None) -> bool | Unread | None:
        """What a hot-plug driver says of presence, if one tells."""
        bus = _bus_below(port, device)
        kernel = self._kernel.get(f"{bus}:00") if bus else None
        return None if kernel is None else kernel.occupied


def _named_slot(*functions: PciFunction) -> Slot | None:
    """The slot as the platform names it at a port or at a card's functions, if it does."""
    names = (readable(function.slot_name) for function in functions)
    name = next(filter(None, names), None)
    return None if name is None else Slot(name, REGISTRY_NAME)


def _addresses(slot: BoardSlot) -> set[str]:
    """Where the firmware says the slot's card is: one address, or several where the slot is split."""
    return {address for address in (slot.address, *(peer for peer, _ in slot.peers)) if address}


def _bus(address: str) -> str:
    """Domain and bus of an address: "0000:03" of "0000:03:00.0"."""
    return address.rpartition(":")[0]


def _bus_below(port: PciFunction, device: PciFunction | None) -> str:
    """Domain and number of the bus below a port, "" where it is not known."""
    if device is not None:
        return _bus(device.address)
    number = port.registers.read(pcie.SECONDARY_BUS_NUMBER, "secondary_bus_number")
    return f"{port.address.split(':')[0]}:{number:02x}" if isinstance(number, int) and number else ""


# --- Paths -----------------------------------------------------------------------------------------------------


def _paths(facts: Facts, functions: dict[str, PciFunction], leads_to: dict[str, Link]) -> Iterator[Path]:
    for drive in facts.drives:
        walk = _Walk(functions, leads_to)
        hops = tuple(walk.up(drive.address))
        yield Path(drive, hops, walk.lost or (facts.gap("functions") if walk.astray else None))


class _Walk:
    """One way from a function to the processor. `lost` is why it ended early, `astray` that it left what was listed."""

    def __init__(self, functions: dict[str, PciFunction], leads_to: dict[str, Link]) -> None:
        self._functions = functions
        self._leads_to = leads_to
        self.lost: Unread | None = None
        self.astray = False

    def up(self, begin: str | Unread | None) -> Iterator[Link]:
        """The links on the way; ends at a loop of parents, which only a damaged capture has."""
        seen: set[str] = set()
        address = self._told(begin)
        while address is not None and address not in seen:
            seen.add(address)
            function = self._functions.get(address)
            if function is None:
                self.astray = True
                return
            if function.physical_function is not None:
                address = self._told(function.physical_function)
                continue
            link = self._leads_to.get(address)
            if link is None:
                address = self._told(function.parent)
                continue
            if not link.integrated:
                yield link
            address = self._told(link.port.parent) if link.port is not None else self._told(link.port_lost)

    def _told(self, address: str | Unread | None) -> str | None:
        """An address, None for none; that it could not be read is kept."""
        self.lost = address if isinstance(address, Unread) else self.lost
        return readable(address)
