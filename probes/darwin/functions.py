"""PCI functions of a Darwin machine, made of the entries of its I/O Registry. Asks nothing and judges nothing.

Sources: IOPCIFamily (IOPCIConfigurator.cpp, IOPCIBridge.cpp, IOPCIDevice.cpp); what a register means is in
`knowledge/`. The names of Link Capabilities 2 and Device Capabilities, which release 26.0 adds, are formed as the
others are and were not seen on a machine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from knowledge import pcie
from knowledge.rates import WIDTHS
from probes.darwin.cut import Cutter
from probes.darwin.values import Told, masked, number, text
from probes.decode import NOT_GIVEN, Registers, value
from probes.facts import LinkAttributes, PciFunction
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Container, Mapping
    from typing import Literal

    from knowledge.layout import Layout
    from probes.darwin.lists import Entries, RegistryEntry

    Fresh = Literal["live", "refreshed", "start-up"]
    Keys = Mapping[str, object]

# What is read of an answer with PCI functions.
CUTTER: Final = Cutter(
    "vendor-id|device-id|class-code|revision-id|subsystem-vendor-id|subsystem-id|reg|pcidebug|model|AAPL,slot-name"
    "|IOPCI(?:Tunnelled|HPType|Express(?:MaxLinkWidthOverride|Capabilities|DeviceCapabilities|Link(?:Status|Capabilities2?)"
    "|Slot(?:Status|Capabilities)))"
)

HOST_BUS: Final = "host bus"
WITHOUT_PLACE: Final = "entry-"
BRIDGE: Final = 0x0604
OFFERED_TO_ALL: Final = frozenset({"vendor-id", "device-id", "class-code", "reg", "pcidebug"})
INTEGRATED: Final = frozenset({pcie.INTEGRATED_ENDPOINT, pcie.EVENT_COLLECTOR})
DOWNSTREAM_FACING: Final = frozenset({pcie.ROOT_PORT, pcie.SWITCH_DOWNSTREAM_PORT, pcie.BRIDGE_FROM_PCI})

STATUS: Final = "IOPCIExpressLinkStatus"
CAPABILITIES: Final = "IOPCIExpressLinkCapabilities"
EXPRESS: Final = "IOPCIExpressCapabilities"
WIRED: Final = "IOPCIExpressMaxLinkWidthOverride"
HOT_PLUG: Final = "IOPCIHPType"
HOT_PLUG_KINDS: Final = 0xF0
OF_TUNNELS: Final = 0x30
# Raw registers by their keys; Link Status has rules of its own.
RAW: Final[dict[str, Layout]] = {
    EXPRESS: pcie.PCI_EXPRESS_CAPABILITIES,
    CAPABILITIES: pcie.LINK_CAPABILITIES,
    "IOPCIExpressLinkCapabilities2": pcie.LINK_CAPABILITIES_2,
    "IOPCIExpressDeviceCapabilities": pcie.DEVICE_CAPABILITIES,
    "IOPCIExpressSlotCapabilities": pcie.SLOT_CAPABILITIES,
    "IOPCIExpressSlotStatus": pcie.SLOT_STATUS,
}
LIVE_KEYS: Final = frozenset({"IOPCIExpressLinkCapabilities2", "IOPCIExpressDeviceCapabilities"})

KEPT_BELOW: Final = "the system keeps it up to date at the device below alone"
NEVER_TRAINED: Final = "reads 0: there was no link when it was read"
NO_ANSWER: Final = "all its bits read 1: the device did not answer"
INACTIVE: Final = "the system says that the link is not active"
NO_PLACE: Final = "is not told in a form that is known"
NO_END: Final = "whether this is a port or a card is not known, as what the function is could not be read"
# Firmware names few slots: that it names none of a function does not tell that there is none.
NAMELESS: Final = Unread("slot name", NOT_GIVEN)

SPEED_CODES: Final = range(1, 7)  # 2.5 to 64 GT/s: no machine of this platform is faster

# Kernel releases (the first figure of the kernel's version): 13.0 has kernel 22, 26.0 has kernel 25.
REFRESHED_FROM: Final = 22
LIVE_FROM: Final = 25


def freshness(kernel: int | None, entries: Entries) -> Fresh:
    """How current a link status is, by the kernel's release; where that is not known, by the keys that are there."""
    if kernel is not None:
        return "live" if kernel >= LIVE_FROM else "refreshed" if kernel >= REFRESHED_FROM else "start-up"
    keys = [entry.keys for entry in entries.values() if is_function(entry)]
    if any(LIVE_KEYS.intersection(key) for key in keys):
        return "live"
    # Since 13.0 every function has Link Capabilities, 0 where there are none (IOPCIFamily, IOPCIConfigurator.cpp).
    return "refreshed" if keys and all(CAPABILITIES in key for key in keys) else "start-up"


# --- Addresses -------------------------------------------------------------------------------------------------


def is_function(entry: RegistryEntry) -> bool:
    """Whether the entry is a PCI function: only those that were asked for come with more than their header."""
    return not OFFERED_TO_ALL.isdisjoint(entry.keys)


def place(keys: Keys) -> tuple[int, int, int] | None:
    """Bus, device and function by `reg`, else by `pcidebug`; None where neither can be used.

    The first word of `reg` is npt000ss bbbbbbbb dddddfff rrrrrrrr (IOPCIFamily, IOPCIDevice.h).
    """
    reg = keys.get("reg")
    short = isinstance(reg, bytes) and len(reg) < 4  # noqa: PLR2004 - one word
    word = masked(reg[:4] if isinstance(reg, bytes) else reg, 32)
    if word is not None and not isinstance(reg, bool) and not short:
        return word >> 16 & 255, word >> 11 & 31, word >> 8 & 7
    parts = (text(keys.get("pcidebug")) or "").partition("(")[0].split(":")
    bus, device, function = (number(part) for part in parts) if len(parts) == 3 else (None, None, None)  # noqa: PLR2004
    if bus is None or device is None or function is None:
        return None
    return (bus, device, function) if 0 <= bus < 256 and 0 <= device < 32 and 0 <= function < 8 else None  # noqa: PLR2004


def addresses(entries: Entries) -> dict[int, str]:
    """The address of each PCI function, by entry id, in the order of the addresses.

    No segment is known, so none is claimed; where two functions collide, all after the first bear their entry id.
    """
    found: dict[int, str] = {}
    placed: list[tuple[tuple[int, int, int], int]] = []
    lost: list[int] = []
    for ident, entry in entries.items():
        if is_function(entry):
            where = place(entry.keys)
            if where is None:
                lost.append(ident)
            else:
                placed.append((where, ident))
    before = None
    for where, ident in sorted(placed):
        bus, device, function = where
        address = f"{bus:02x}:{device:02x}.{function}"
        found[ident] = f"{address}@{ident:x}" if where == before else address
        before = where
    return found | {ident: f"{WITHOUT_PLACE}{ident:x}" for ident in sorted(lost)}


# --- Functions -------------------------------------------------------------------------------------------------


def functions(
    entries: Entries,
    named: Mapping[int, str],
    ups: Mapping[int, int | None],
    fresh: Fresh,
    unread: list[Unread] | None = None,
) -> tuple[PciFunction, ...]:
    """Every PCI function, in the order of `named`; `ups` has the nearest function above each entry.

    What is told of one and cannot be used is added to `unread`.
    """
    faces: dict[int, bool] = {}
    ports = frozenset(ups[ident] for ident in named)
    found = []
    for ident, address in named.items():
        _face(ident, entries, ups, faces, ports)
        up = ups[ident]
        parent = None if up is None else named[up]
        told = Told(entries[ident].keys, address)
        down = None if _is_unsure(told.keys, on_root=up is None, port=ident in ports) else faces[ident]
        made = _function(told, parent, fresh, down=down)
        cable = down and ident not in ports and _is_for_tunnels(told)
        found.append(replace(made, tunnelled=True) if cable else made)
        if unread is not None:
            unread += told.problems()
    return tuple(found)


def _face(
    ident: int, entries: Entries, ups: Mapping[int, int | None], faces: dict[int, bool], ports: Container[int | None]
) -> None:
    """Tell of a function, and of all above it, whether it is a downstream-facing port; `ports` have others below.

    Where a release tells no types: a bridge on a host bus is a root port, and below it upstream and downstream ports
    take turns.
    """
    waiting = []
    here: int | None = ident
    while here is not None and here not in faces:
        waiting.append(here)
        here = ups[here]
    for entry in reversed(waiting):
        keys = entries[entry].keys
        kind = _kind(keys)
        up = ups[entry]
        if kind is not None:
            faces[entry] = kind in DOWNSTREAM_FACING
        else:
            bridge = is_express(keys) and (_is_bridge(keys) or (entry in ports and not _has_class(keys)))
            faces[entry] = bridge and (up is None or _faces_up(up, entries, faces))


def _faces_up(ident: int, entries: Entries, faces: Mapping[int, bool]) -> bool:
    """Whether a function with others below it is the upstream port of a switch."""
    keys = entries[ident].keys
    bridge = _is_bridge(keys) or not _has_class(keys)
    return is_express(keys) and bridge and not faces.get(ident, True)


def _has_class(keys: Keys) -> bool:
    """Whether a function tells what it is."""
    return number(keys.get("class-code")) is not None


def _is_unsure(keys: Keys, *, on_root: bool, port: bool) -> bool:
    """Whether nobody knows which end of a link this is: its type is not told, and what it is could not be read."""
    if _kind(keys) is not None or port:
        return False
    return not _has_class(keys) or (on_root and EXPRESS in keys and not _is_bridge(keys))


def _is_bridge(keys: Keys) -> bool:
    return is_bridge(masked(keys.get("class-code"), 24))


def is_bridge(class_code: object) -> bool:
    """Whether a class code is that of a PCI-to-PCI bridge."""
    return isinstance(class_code, int) and class_code >> 8 == BRIDGE


def _kind(keys: Keys) -> int | None:
    """The device/port type, None where it is not told."""
    express = masked(keys.get(EXPRESS), 16)
    if express is None or express in {0, 0xFFFF}:
        return None
    kind = value(pcie.PCI_EXPRESS_CAPABILITIES, "device_port_type", express.to_bytes(2, "little"))
    return kind if isinstance(kind, int) else None


def is_express(keys: Keys) -> bool:
    """Whether the function has a PCI Express capability: Link Capabilities of 0 say that there is none.

    Integrated endpoints have no link and read 0 there as well, but tell their type.
    """
    kind = _kind(keys)
    capabilities = number(keys.get(CAPABILITIES))
    if capabilities == 0:
        return kind in INTEGRATED
    return capabilities is not None or kind is not None or STATUS in keys or CAPABILITIES in keys


def _is_without_link(keys: Keys, *, on_root: bool) -> bool:
    """Whether a function is integrated in the root complex, by its place and its figures, where no type is told.

    A device on a host bus that answers with a link of no speed and no lanes has none; a port may be without a card.
    """
    if not on_root or EXPRESS in keys or not _has_class(keys) or _is_bridge(keys):
        return False
    status, can = masked(keys.get(STATUS), 16), masked(keys.get(CAPABILITIES), 32)
    register, layout = (can, pcie.LINK_CAPABILITIES) if STATUS not in keys else (status, pcie.LINK_STATUS)
    if register is None:
        return False
    data = register.to_bytes(layout.size, "little")
    return all(value(layout, figure, data) == 0 for figure in OF_RATE[layout.name])


# The figures of a rate in each register.
OF_RATE: Final = {
    pcie.LINK_CAPABILITIES.name: ("max_link_speed", "maximum_link_width"),
    pcie.LINK_STATUS.name: ("current_link_speed", "negotiated_link_width"),
}


def _function(told: Told, parent: str | None, fresh: Fresh, *, down: bool | None) -> PciFunction:
    """One function; `down` tells whether it is a downstream-facing port, None where nobody knows."""
    keys, address = told.keys, told.name

    def or_zero(key: str) -> int | Unread:
        return told.number(key, 16) if key in keys else 0  # left out where it is 0

    if address.startswith(WITHOUT_PLACE):
        told.lost("address", NO_PLACE)
    express = is_express(keys)
    return PciFunction(
        address=address,
        parent=parent,
        root=HOST_BUS,
        vendor_id=told.number("vendor-id", 16, needed=True),
        device_id=told.number("device-id", 16, needed=True),
        subsystem_vendor_id=or_zero("subsystem-vendor-id"),
        subsystem_id=or_zero("subsystem-id"),
        class_code=told.number("class-code", 24, vital=True, needed=True),
        revision=told.number("revision-id", 8),
        registers=Registers.of(_registers(told, down=down, on_root=parent is None) if express else {}),
        link=NO_ATTRIBUTES if express else None,
        driver=None,
        power_state=Unread("power state", NOT_GIVEN),
        numa_node=None,
        label=None,
        removable=None,
        errors=None,
        physical_function=None,
        virtual_functions=(),
        vendor_name=None,
        model_name=told.text("model"),
        fresh=fresh,
        tunnelled=told.flag("IOPCITunnelled"),
        wired_lanes=_wired(told),
        slot_name=_slot_name(told, down=down),
    )


def _is_for_tunnels(told: Told) -> bool:
    """Whether a port is one for the cable of a tunnel: hot-plug of kind 30h (IOPCIFamily, IOPCIConfigurator.h)."""
    kind = masked(told.keys.get(HOT_PLUG), 32)
    return kind is not None and kind & HOT_PLUG_KINDS == OF_TUNNELS


def _slot_name(told: Told, *, down: bool | None) -> str | Unread | None:
    """What the firmware calls a function's slot, None where a port says that it leads to none."""
    name = told.text("AAPL,slot-name")
    if name is not None:
        return name
    express = masked(told.keys.get(EXPRESS), 16)
    if express is None or _kind(told.keys) is None or not down:
        return None if _kind(told.keys) in INTEGRATED else NAMELESS
    slot = value(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented", express.to_bytes(2, "little"))
    return NAMELESS if slot else None


# The registry has registers, and no words of the system's own for a link.
NO_ATTRIBUTES: Final = LinkAttributes(*(Unread("link attributes", NOT_GIVEN),) * 4)


def _registers(told: Told, *, down: bool | None, on_root: bool) -> dict[Layout, int | Unread]:
    keys, address = told.keys, told.name
    found: dict[Layout, int | Unread] = {}
    integrated = _kind(keys) in INTEGRATED or _is_without_link(keys, on_root=on_root)
    for key, layout in RAW.items():
        if key in keys and not (integrated and layout in pcie.LINK_REGISTERS):
            found[layout] = _register(told, key, 8 * layout.size)
    if integrated:
        return found
    if down is not False:
        # The system keeps the status current in the device below; a port's own is left from start-up.
        found[pcie.LINK_STATUS] = Unread(f"{STATUS} of {address}", KEPT_BELOW if down else NO_END)
    elif STATUS in keys:
        found[pcie.LINK_STATUS] = _status(told)
    return found


def _register(told: Told, key: str, bits: int) -> int | Unread:
    register = told.number(key, bits, vital=True)
    return Unread(f"{key} of {told.name}", NO_ANSWER) if register == (1 << bits) - 1 else register


def _status(told: Told) -> int | Unread:
    """Link Status, or why it does not tell how the link runs."""
    what = f"{STATUS} of {told.name}"
    if isinstance(told.keys[STATUS], dict):
        return Unread(what, INACTIVE)
    status = told.number(STATUS, 16, vital=True)
    if isinstance(status, Unread):
        return status
    if status in {0, 0xFFFF}:
        return Unread(what, NO_ANSWER if status else NEVER_TRAINED)
    data = status.to_bytes(2, "little")
    speed = value(pcie.LINK_STATUS, "current_link_speed", data)
    lanes = value(pcie.LINK_STATUS, "negotiated_link_width", data)
    if speed not in SPEED_CODES or lanes not in WIDTHS:
        return Unread(what, f"reads {status:04X}h: speed code {speed}, {lanes} lanes, which no link can have")
    return status


def _wired(told: Told) -> int | Unread | None:
    """How many lanes are wired to the slot below a port, None where all of the port's are."""
    if WIRED not in told.keys:
        return None
    lanes = told.number(WIRED, 32, vital=True)
    if isinstance(lanes, Unread) or lanes in WIDTHS:
        return lanes
    return told.lost(WIRED, f"reads {lanes}, which is no number of lanes", vital=True)
