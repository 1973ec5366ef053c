"""What tells a part from its like, and its place from others, in a form that is the same in every capture.

Serial numbers go by their tokens (probes/tokens.py), so that a capture with them matches one without.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge import pcie
from probes.redact_text import serial_number
from probes.tokens import Known, is_placeholder

if TYPE_CHECKING:
    from probes.facts import Drive, PciFunction


def ids(function: PciFunction) -> tuple[int | None, ...]:
    """Maker, model, subsystem (two numbers) and class of a function, None where one was not read."""
    read = (
        function.vendor_id,
        function.device_id,
        function.subsystem_vendor_id,
        function.subsystem_id,
        function.class_code,
    )
    return tuple(number if isinstance(number, int) else None for number in read)


def serial_token(drive: Drive) -> str | None:
    """The token of a drive's serial number as captures hold it; a placeholder, or none, is None."""
    serial = drive.serial.strip() if isinstance(drive.serial, str) else ""
    return serial_number(serial, Known()) if serial and not is_placeholder(serial) else None


def drive_token(drive: Drive) -> str | None:
    """The token of a drive's serial number, in one case.

    That of a disk is one of a field of bytes, where a token is no longer than what it stands for.
    """
    token = (serial_token(drive) or "").casefold()
    length = len(drive.serial.strip()) if drive.kind == "sata" and isinstance(drive.serial, str) else None
    return token[:length] or None


def card_token(functions: tuple[PciFunction, ...]) -> str | None:
    """The token of a card's own number, None where it was not read or has none."""
    if not functions:
        return None
    number = functions[0].registers.read(pcie.DEVICE_SERIAL_NUMBER, "serial_number")
    if not isinstance(number, int) or number in {0, (1 << 64) - 1}:
        return None
    return Known().number(number.to_bytes(8, "big")).hex()


def position(address: str) -> str:
    """Device and function of an address, which stay what they are when buses are numbered anew; "" where not told."""
    tail = address.partition("@")[0].rpartition(":")[2]
    return tail if "." in tail else ""


def in_order(address: str) -> tuple[str, str]:
    """Addresses in the order of their place: what is not "bb:dd.f" comes after its like."""
    head, _, tail = address.partition("@")
    return head, tail
