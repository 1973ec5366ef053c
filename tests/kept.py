"""Facts of small machines whose platform gives single registers and a link status that may be old. Test help only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from msgspec.structs import replace

from knowledge import pcie
from probes.decode import Registers, encode
from probes.facts import Drive, Facts, Host, LinkAttributes, PciFunction
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from knowledge.layout import Layout

Rate = tuple[int, int]

PORT: Final = "00:01.0"
CARD: Final = "01:00.0"
NVME: Final = 0x010802
DISPLAY: Final = 0x030000
AUDIO: Final = 0x040300
NETWORK: Final = 0x020000
BRIDGE: Final = 0x060400
OF_THE_PORT: Final = Unread("Link Status", "the system keeps it up to date in the device below only")
NOT_TOLD: Final = Unread("link attribute", "not given by this platform")
_NO_FIGURES: Final = LinkAttributes(NOT_TOLD, NOT_TOLD, NOT_TOLD, NOT_TOLD)


def number(layout: Layout, **fields: int) -> int:
    """A register of these fields as a number."""
    return int.from_bytes(encode(layout, fields), "little")


def registers(
    can: Rate | None,
    now: Rate | Unread | None,
    kind: int | None,
    slot: dict[str, int] | None = None,
    **capabilities: int,
) -> Registers:
    """The registers that such a platform gives; `slot` makes a port with a slot and holds fields of Slot Status."""
    given: dict[Layout, int | Unread] = {}
    if can is not None:
        given[pcie.LINK_CAPABILITIES] = number(
            pcie.LINK_CAPABILITIES, max_link_speed=can[0], maximum_link_width=can[1], **capabilities
        )
    if isinstance(now, tuple):
        given[pcie.LINK_STATUS] = number(pcie.LINK_STATUS, current_link_speed=now[0], negotiated_link_width=now[1])
    elif now is not None:
        given[pcie.LINK_STATUS] = now
    if kind is not None:
        given[pcie.PCI_EXPRESS_CAPABILITIES] = number(
            pcie.PCI_EXPRESS_CAPABILITIES, device_port_type=kind, slot_implemented=0 if slot is None else 1
        )
    if slot is not None:
        given[pcie.SLOT_STATUS] = number(pcie.SLOT_STATUS, **slot)
    return Registers.of(given)


def function(address: str, class_code: int, parent: str | Unread | None = None, **more: Any) -> PciFunction:  # noqa: ANN401 - fields of PciFunction
    """One function; without registers it is a conventional one."""
    return PciFunction(
        **{
            "address": address,
            "parent": parent,
            "root": "host bus",
            "vendor_id": 0xF1C4,
            "device_id": 0x0042,
            "subsystem_vendor_id": 0,
            "subsystem_id": 0,
            "class_code": class_code,
            "revision": 1,
            "registers": Registers.of({}),
            "link": _NO_FIGURES if "registers" in more else None,
            "driver": None,
            "power_state": Unread("power state", "not given by this platform"),
            "numa_node": None,
            "label": None,
            "removable": None,
            "errors": None,
            "physical_function": None,
            "virtual_functions": (),
            "vendor_name": None,
            "model_name": None,
            "fresh": "start-up",
            **more,
        }
    )


def port(
    address: str = PORT,
    can: Rate = (3, 16),
    parent: str | None = None,
    kind: int | None = pcie.ROOT_PORT,
    slot: dict[str, int] | None = None,
    **more: Any,  # noqa: ANN401 - fields of PciFunction
) -> PciFunction:
    """A downstream-facing port, whose own link status such a platform does not give."""
    return function(address, BRIDGE, parent, **{"registers": registers(can, OF_THE_PORT, kind, slot), **more})


def device(
    can: Rate = (3, 4),
    now: Rate | Unread = (3, 4),
    address: str = CARD,
    parent: str | Unread = PORT,
    kind: int | None = pcie.ENDPOINT,
    class_code: int = NVME,
    **more: Any,  # noqa: ANN401 - fields of PciFunction
) -> PciFunction:
    """A card below a port."""
    return function(address, class_code, parent, **{"registers": registers(can, now, kind), **more})


def drive(name: str = "disk0", address: str | None = CARD, **more: Any) -> Drive:  # noqa: ANN401 - fields of Drive
    """An NVMe drive."""
    return Drive(
        **{
            "name": name,
            "kind": "nvme",
            "address": address,
            "model": "Ostrayne Reel 3 1TB",
            "firmware": "RL3A1.07",
            "serial": "HLA0042QX7",
            "state": None,
            "blocks": (),
            "warning_celsius": None,
            "critical_celsius": None,
            "interconnect": "PCI-Express",
            **more,
        }
    )


def facts(
    *functions: PciFunction, drives: Sequence[Drive] = (), unread: Sequence[Unread] = (), platform: str = "darwin"
) -> Facts:
    """A machine of these functions and drives."""
    host = Host("bench-2", "13.6", *(None,) * 9, virtual=False, up_seconds=60.0, processors=8, memory_bytes=2**35)
    return Facts(
        platform=platform,
        taken_at="2026-03-02T09:00:00+00:00",
        host=host,
        functions=functions,
        kernel_slots=(),
        board_slots=Unread("slots by the firmware's description", "not given by this platform"),
        board_devices=(),
        drives=tuple(drives),
        sensors=(),
        looks=(),
        unread=tuple(unread),
    )


def as_of(fresh: str, *functions: PciFunction) -> tuple[PciFunction, ...]:
    """The functions with another word for how current their status is."""
    return tuple(replace(one, fresh=fresh) for one in functions)
