"""The towers of Harrow Lane Archive before any card is fitted, and the cards its people fit. Invented throughout.

Each board takes `fitted`, a mapping from the name of a slot to the functions of the card in it. What differs on
purpose: bench-1 (16 GT/s) has its firmware name the card in a slot, bench-2 (8 GT/s) names the port above
it and the kernel names slots too, bench-3 (8 GT/s, older) names neither, so that only the slot number tells.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from tests.parts import Disk, Function, Machine, Nvme, Slot, card, downstream_port, drive, root_port, switch

if TYPE_CHECKING:
    from tests.parts import Fields, Rate

Fitted = Mapping[str, list[Function]]

REEL_4: Final = "Ostrayne Reel 4 2TB"
REEL_3: Final = "Ostrayne Reel 3 2TB"
FOLIO: Final = "Quillmark Folio 1TB"


# --- Cards -----------------------------------------------------------------------------------------------------


def reel_4(serial: str, **more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A drive for 16 GT/s x4."""
    nvme = Nvme(model=REEL_4, serial=serial, firmware="RL4B2.10", kelvin=316, sensors=(322, 311))
    return drive((4, 4), more.pop("nvme", nvme), **more)


def reel_3(serial: str, **more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A drive for 8 GT/s x4."""
    nvme = Nvme(model=REEL_3, serial=serial, firmware="RL3A1.07", kelvin=313)
    named: Fields = {"device": 0x3110, "model": "Reel 3 drive controller", **more}
    return drive((3, 4), named.pop("nvme", nvme), **named)


def folio(serial: str, can: Rate = (3, 4)) -> Function:
    """The system drive of a tower."""
    nvme = Nvme(
        model=FOLIO,
        serial=serial,
        firmware="QF-2.3.1",
        size=1_000_204_886_016,
        kelvin=310,
        warning=348,
        critical=353,
    )
    return drive(can, nvme, vendor=0xF1C5, device=0x0210, maker="Quillmark", model="Folio drive controller")


def display(can: Rate = (4, 16), **more: Any) -> list[Function]:  # noqa: ANN401 - fields of Function
    """A display card with its audio function."""
    named: Fields = {"vendor": 0xF1E0, "maker": "Vellory", "subsystem": (0xF1E0, 0x0012), "payload": 256, **more}
    return [
        card("display", can, device=0x1200, model="Frescade 12", **named),
        card("audio", can, device=0x1201, model="Frescade 12 audio", **named),
    ]


def ten_gigabit(can: Rate = (3, 4)) -> list[Function]:
    """A network card with two ports, each a function."""
    return [
        card(
            "network",
            can,
            vendor=0xF1D0,
            device=0x1010,
            maker="Linnhaven",
            model="LN-10 network card, two ports",
            serial=0x02A1_B2FF_FE10_0040,
        )
        for _ in range(2)
    ]


def gigabit(can: Rate = (1, 1), **more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A one-lane network card, or the one on the board."""
    return card("network", can, vendor=0xF1D0, device=0x0101, maker="Linnhaven", model="LN-1 network card", **more)


def scanner(can: Rate = (2, 4)) -> Function:
    """The film scanner's interface card."""
    return card(
        "capture card", can, vendor=0xF1E8, device=0x0035, maker="Orrisdale", model="Gate 35 scanner link", payload=256
    )


def carrier(up: Rate, drives: list[Function], *, bays: int = 4, down: Rate = (3, 4)) -> Function:
    """A carrier card with a packet switch; bays without a drive are slots with nothing present."""
    fitted: list[list[Function]] = [[one] for one in drives]
    fitted += [[] for _ in range(bays - len(drives))]
    ports = [
        downstream_port(down, below, slot=Slot(number=101 + bay, connector=4, wired=4, watts=25))
        for bay, below in enumerate(fitted)
    ]
    return switch(up, ports, serial=0x0240_5CFF_FE00_1207)


# --- Boards ----------------------------------------------------------------------------------------------------


def _chipset(device: int, spi: int) -> list[Function]:
    """What every tower has on its first bus: none of it has a link."""
    named: Fields = {"device": device, "maker": "Thornwick"}
    return [
        Function(kind="usb", at="14.0", conventional=True, model="USB host controller", **named),
        Function(kind="memory", at="14.2", conventional=True, model="Shared memory", **named),
        Function(kind="serial bus", at="15.0", model="Serial bus controller", **named),
        Function(kind="communication", at="16.0", model="Management engine link", **named),
        Function(kind="isa bridge", at="1f.0", model="Low pin count bridge", **named),
        Function(kind="audio", at="1f.3", conventional=True, model="Onboard audio", **named),
        Function(kind="system bus", at="1f.4", model="System management bus", **named),
        Function(kind="serial bus", at="1f.5", model="Flash controller", **{**named, "device": spi}),
    ]


def _host_bridge(device: int) -> Function:
    return Function(kind="host bridge", at="00.0", device=device, maker="Thornwick", model="Host bridge")


def _spare_port(at: str, can: Rate) -> Function:
    """A root port that leads nowhere: no slot, presence hardwired to 1, no link."""
    return root_port(at, can)


def _sata(disks: list[Disk]) -> Function:
    return Function(
        kind="sata",
        at="17.0",
        conventional=True,
        device=0x7A62,
        maker="Thornwick",
        model="SATA controller",
        disks=disks,
    )


def _in_order(functions: list[Function]) -> list[Function]:
    return sorted(functions, key=lambda function: function.at)


def bench_1(
    fitted: Fitted, *, name: str = "bench-1", split: bool = False, disks: int = 2, more: list[Function] | None = None
) -> Machine:
    """The newest tower: 16 GT/s. Slots SLOT1 (x16, can be split) ... SLOT4, sockets M2_1 and M2_2.

    With `split`, SLOT1 is four ports and `fitted` names its parts SLOT1, SLOT1b, SLOT1c, SLOT1d.
    """
    lan = gigabit((1, 1), label="Onboard LAN")
    functions = [
        _host_bridge(0x4650),
        *_first_slot(fitted, split=split),
        Function(kind="integrated display", at="02.0", device=0x4680, maker="Thornwick", model="Processor graphics"),
        root_port("05.0", (4, 16), fitted.get("SLOT2"), slot=Slot(number=2, name="SLOT2", wired=16), device=0x0A48),
        root_port("06.0", (4, 4), fitted.get("M2_1"), slot=_m2(5, "M2_1", 4), device=0x0A4D),
        Function(kind="system peripheral", at="08.0", device=0x464F, maker="Thornwick", model="Neural accelerator"),
        Function(kind="signal processing", at="0a.0", device=0x467D, maker="Thornwick", model="Telemetry"),
        *_chipset(0x7A60, 0x7A24),
        _sata([Disk(serial=f"HV8-{name[-1]}{number}", port=number + 1) for number in range(disks)]),
        root_port("1b.0", (4, 4), fitted.get("SLOT3"), slot=Slot(number=3, name="SLOT3", wired=4), device=0x7A40),
        root_port("1b.4", (4, 4), fitted.get("M2_2"), slot=_m2(6, "M2_2", 4), device=0x7A44),
        root_port("1c.0", (3, 1), [lan], device=0x7A38),
        _spare_port("1c.4", (3, 1)),
        root_port(
            *("1d.0", (3, 4), fitted.get("SLOT4")),
            slot=Slot(number=4, name="SLOT4", connector=4, wired=4, generation=3, watts=25),
            device=0x7A30,
        ),
        _spare_port("1d.4", (3, 4)),
        *(more or []),
    ]
    return Machine(
        name=name,
        buses={"0000:00": _in_order(functions), "0000:fe": _uncore()},
        onboard=[("Onboard LAN", 5, lan)],
        product="Editing tower 1",
        board="WS-7",
    )


def _first_slot(fitted: Fitted, *, split: bool) -> list[Function]:
    words: Fields = {"number": 1, "name": "SLOT1", "wired": 16, "can_split": True}
    if not split:
        return [root_port("01.0", (4, 16), fitted.get("SLOT1"), slot=Slot(**words))]
    parts = [fitted.get(f"SLOT1{part}") for part in ("", "b", "c", "d")]
    # The firmware describes one slot; its four ports share the slot number.
    return [
        root_port(f"01.{number}", (4, 4), part, slot=Slot(**{**words, "name": "SLOT1" if number == 0 else ""}))
        for number, part in enumerate(parts)
    ]


def _m2(number: int, name: str, generation: int, **more: Any) -> Slot:  # noqa: ANN401 - fields of Slot
    return Slot(number=number, name=name, kind="m.2", connector=4, wired=4, generation=generation, watts=0, **more)


def _uncore() -> list[Function]:
    """The processor's own functions on a bus of their own, as workstation processors show them: no links."""
    return [
        Function(
            kind="system peripheral",
            at=f"{device:02x}.{number}",
            conventional=True,
            device=0x3250 + device * 8 + number,
            maker="Thornwick",
            model="Memory controller channel" if device < 4 else "Power control unit",
        )
        for device in range(7)
        for number in range(3)
    ]


def bench_2(
    fitted: Fitted,
    *,
    name: str = "bench-2",
    words: Mapping[str, Mapping[str, Any]] | None = None,
    **more: Any,  # noqa: ANN401 - fields of Machine
) -> Machine:
    """The middle tower: 8 GT/s. Slots PCIE1 (x16, can be split), PCIE2 (x8 in a long slot), PCIE3 (x4), socket M2A.

    `words` overrules what is said of single slots, `more` are fields of `Machine`.
    """
    said = words or {}

    def slot(number: int, name: str, lanes: int, connector: int, **extra: Any) -> Slot:  # noqa: ANN401
        named: Fields = {
            "number": number,
            "name": name,
            "wired": lanes,
            "connector": connector,
            "generation": 3,
            "points_at": "port",
            "kernel_name": str(number),
            **extra,
            **said.get(name, {}),
        }
        return Slot(**named)

    lan = gigabit((1, 1), label="LAN 1")
    functions = [
        _host_bridge(0x2020),
        root_port("01.0", (3, 16), fitted.get("PCIE1"), slot=slot(1, "PCIE1", 16, 16, can_split=True), device=0x2030),
        root_port("02.0", (3, 8), fitted.get("PCIE2"), slot=slot(2, "PCIE2", 8, 16), device=0x2032),
        root_port("03.0", (3, 4), fitted.get("PCIE3"), slot=slot(3, "PCIE3", 4, 4, watts=25), device=0x2033),
        Function(kind="system peripheral", at="05.0", device=0x2024, maker="Thornwick", model="Address map"),
        *_chipset(0xA2A0, 0xA2A4),
        _sata([Disk(serial="HV8-20"), Disk(serial="HV8-21", port=3)]),
        root_port(
            *("1b.0", (3, 4), fitted.get("M2A", [folio("QF1-20117")])),
            slot=slot(4, "M2A", 4, 4, kind="m.2", watts=0),
            device=0xA2E7,
        ),
        root_port("1c.0", (3, 1), [lan], device=0xA290),
        _spare_port("1c.5", (3, 1)),
    ]
    named: Fields = {
        "kernel": "6.1.112",
        "board": "WS-5",
        "board_version": "Rev A",
        "product": "Editing tower 2",
        "firmware": "2.08",
        "firmware_date": "07/02/2021",
        "firmware_release": "2.8",
        "onboard": [("LAN 1", 5, lan)],
        **more,
    }
    return Machine(name=name, buses={"0000:00": _in_order(functions)}, **named)


def bench_3(
    fitted: Fitted,
    *,
    name: str = "bench-3",
    ports: Mapping[str, Mapping[str, Any]] | None = None,
    **more: Any,  # noqa: ANN401 - fields of Machine
) -> Machine:
    """The oldest tower: 8 GT/s at the processor, 5 GT/s at the chipset. Slots J1 (x16), J2 (x4), J3 (x1).

    `ports` overrules fields of single ports by the slot's name ("J1", "J2", "J3").
    """
    said = ports or {}

    def port(at: str, can: Rate, number: int, connector: int) -> Function:
        slot = Slot(
            number=number,
            name=f"J{number}",
            wired=can[1],
            connector=connector,
            generation=can[0],
            points_at="nothing",
            kernel_name=str(number),
            watts=75 if connector == 16 else 25,  # a full-length slot
            version=3,
        )
        extra = said.get(f"J{number}", {})
        return root_port(at, can, fitted.get(f"J{number}"), **{"slot": slot, "device": 0x8C00 + number, **extra})

    functions = [
        _host_bridge(0x0C00),
        port("01.0", (3, 16), 1, 16),
        *_chipset(0x8C20, 0x8C24),
        _sata([Disk(serial="HV8-30", celsius=None), Disk(serial="HV8-31", port=2, celsius=36)]),
        port("1c.0", (2, 4), 2, 4),
        root_port("1c.4", (2, 1), [gigabit((1, 1))], device=0x8C18),
        port("1c.6", (2, 1), 3, 1),
        _spare_port("1c.7", (2, 1)),
    ]
    named: Fields = {
        "kernel": "6.1.112",
        "board": "WS-3",
        "board_version": "1.01",
        "product": "Editing tower 3",
        "firmware": "1.90",
        "firmware_date": "11/20/2015",
        "firmware_release": "1.90",
        "processors": 8,
        **more,
    }
    return Machine(name=name, buses={"0000:00": _in_order(functions)}, **named)
