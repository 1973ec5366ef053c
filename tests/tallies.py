"""Small machines for tallies, and their captures as files. Test help only.

The five captures of three machines are those whose table is worked out by hand in `tests/test_tally.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from agent.tally.gathering import gathered
from knowledge import pcie
from probes.capture import parse
from tests.build import build, capture_bytes
from tests.parts import Function, Machine, Nvme, drive, root_port

if TYPE_CHECKING:
    from pathlib import Path

    from agent.tally.seen import MachineSeen
    from tests.parts import Rate

MODEL: Final = "Ostrayne Reel 4 2TB"
LAN_MODEL: Final = "LN-10 network card"


def reel(serial: str, firmware: str, kelvin: int, **more: Any) -> Function:  # noqa: ANN401 - fields of Function
    """A drive for 16 GT/s x4: f1c4:4210, subsystem f1af:0001."""
    return drive((4, 4), Nvme(model=MODEL, serial=serial, firmware=firmware, kelvin=kelvin), **more)


def lan() -> Function:
    """A network card for 8 GT/s x4: f1d0:1010, subsystem f1af:0001."""
    return Function(kind="network", can=(3, 4), vendor=0xF1D0, device=0x1010, maker="Linnhaven", model=LAN_MODEL)


def port(at: str, card: Function, can: Rate = (4, 4), now: Rate | None = None) -> Function:
    """A port with a card; a link that runs at another rate than it should has retrained."""
    made = root_port(at, can, [card], now=now)
    if now is not None:
        made.registers = {pcie.LINK_STATUS: {"link_bandwidth_management_status": 1}}
    return made


def first_kind(name: str, ports: list[Function], firmware: str = "4.11", **more: Any) -> Machine:  # noqa: ANN401
    """A tower of the newer kind; `more` are fields of Machine."""
    named: dict[str, Any] = {"product": "Editing tower 1", "board": "WS-7", **more}
    return Machine(name=name, buses={"0000:00": ports}, firmware=firmware, **named)


def second_kind(name: str, ports: list[Function], firmware: str = "2.08") -> Machine:
    """A tower of the older kind."""
    return Machine(name=name, buses={"0000:00": ports}, product="Editing tower 2", board="WS-5", firmware=firmware)


def day(number: int) -> str:
    """A moment of that day of March 2026."""
    return f"2026-03-{number:02d}T09:00:00+00:00"


def five() -> dict[str, bytes]:
    """Five captures of three machines."""
    machines = {
        "a.json": (first_kind("bench-1", [port("01.0", reel("R1", "A1", 322), now=(4, 2)), port("02.0", lan())]), 2),
        "b.json": (first_kind("bench-1", [port("01.0", reel("R1", "A2", 315)), port("02.0", lan())], "4.12"), 9),
        "c.json": (first_kind("bench-2", [port("03.0", reel("R2", "A2", 314), can=(3, 4))]), 3),
        "d.json": (
            second_kind(
                "bench-3", [port("01.0", reel("R3", "A1", 313)), port("02.0", reel("R4", "A1", 312), now=(2, 4))]
            ),
            4,
        ),
        "e.json": (second_kind("bench-3", [port("01.0", reel("R3", "A2", 311))]), 5),
    }
    return {name: capture_bytes(build(made), taken_at=day(when)) for name, (made, when) in machines.items()}


def seen(data: bytes) -> MachineSeen:
    """What a tally keeps of a capture."""
    return gathered(parse(data, "a capture"))


def put(folder: Path, files: dict[str, bytes]) -> None:
    """Write files into a folder."""
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
