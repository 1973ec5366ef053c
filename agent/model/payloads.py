"""Packet sizes on a path: payload in force and supported, and the largest read that a drive may ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knowledge import pcie

if TYPE_CHECKING:
    from agent.model.machine import Path
    from probes.facts import PciFunction


def payloads(path: Path) -> tuple[int, int] | None:
    """Smallest payload in force and smallest supported on a path, bytes; None where one could not be read."""
    in_force, supported = [], []
    for hop in path.hops:
        for end in hop.ends:
            now = payload(end, "control")
            can = payload(end, "capabilities")
            if now is None or can is None:
                return None
            in_force.append(now)
            supported.append(can)
    return (min(in_force), min(supported)) if in_force else None


def request_bytes(path: Path) -> int | None:
    """The largest read that the drive of a path may ask for at once, bytes; None where it could not be read."""
    device = path.hops[0].device if path.hops else None
    code = device.registers.read(pcie.DEVICE_CONTROL, "max_read_request_size") if device is not None else None
    return pcie.PAYLOAD_BYTES.get(code) if isinstance(code, int) else None


def payload(function: PciFunction, where: str) -> int | None:
    """The payload in force ("control") or supported ("capabilities") at one end, bytes; None where it was not read."""
    if where == "control":
        code = function.registers.read(pcie.DEVICE_CONTROL, "max_payload_size")
    else:
        code = function.registers.read(pcie.DEVICE_CAPABILITIES, "max_payload_size_supported")
    return pcie.PAYLOAD_BYTES.get(code) if isinstance(code, int) else None
