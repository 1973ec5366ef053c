"""A watch of a platform that shows no files: what psutil tells on every system, and None for all else.

Not for Linux, where psutil would read the limits of each drive's sensor too, which sends Get Features to the drive, and
wait for a drive that hangs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from probes.counts import counts
from probes.samples import TEMPERATURE
from probes.temperatures import LostTemperature, Temperature, Temperatures
from probes.unread import NOT_TOLD, Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from probes.facts import Drive
    from probes.reads import Reads

NO_SENSOR: Final = "its sensor is not there any more"


def _of_psutil(reads: Reads) -> dict[str, float] | Unread:
    """What psutil tells of temperatures, by name."""
    from msgspec import MsgspecError, json

    answer = reads.psutil("sensors_temperatures")
    if isinstance(answer, Unread):
        return answer
    try:
        chips = json.decode(answer, type=dict[str, list[tuple[str, float]]])
    except MsgspecError:
        return Unread("psutil sensors_temperatures", "the table of temperatures has another form")
    return {f"{chip} {label}".strip(): celsius for chip, found in chips.items() for label, celsius in found}


def host_name(reads: Reads) -> str | Unread:  # noqa: ARG001 - as all platforms are called
    """The name of the machine, which is not asked for here."""
    return Unread("the name of the machine", NOT_TOLD)


def drives(reads: Reads) -> tuple[str, ...]:
    """No names: nothing lists drives without asking a program of the system."""
    del reads
    return ()


def temperatures(reads: Reads) -> Temperatures:
    """All temperatures, none of which is known to be a drive's."""
    found = _of_psutil(reads)
    if isinstance(found, Unread):
        lost = LostTemperature(None, Unread("which temperatures there are", found.why, found.needs_root))
        return Temperatures({}, (), (lost,))
    return Temperatures({}, tuple(Temperature(label, label, "") for label in found))


def celsius(reads: Reads, path: str, what: str = TEMPERATURE) -> float | Unread:
    """A temperature by its name."""
    found = _of_psutil(reads)
    if isinstance(found, Unread):
        return Unread(what, found.why, found.needs_root)
    return found[path] if path in found else Unread(what, NO_SENSOR)


def celsius_if_awake(reads: Reads, temperature: Temperature, what: str = TEMPERATURE) -> float | Unread:
    """The same: nothing tells which device sleeps."""
    return celsius(reads, temperature.path, what)


def did_not_answer(answer: float | Unread) -> bool:
    """Whether a sensor gave no answer."""
    return isinstance(answer, Unread) and not answer.needs_root


def drive_is_gone(reads: Reads, name: str) -> bool:
    """Nothing tells that a drive went away."""
    del reads, name
    return False


class _Nothing:
    """Reads nothing, as there is nothing to read here."""

    def now(self) -> None:
        """None, always."""


def link(reads: Reads, address: str, *, known: bool = False) -> _Nothing:
    """No link."""
    del reads, address, known
    return _Nothing()


def errors(reads: Reads, addresses: Iterable[str]) -> _Nothing:
    """No error counter."""
    del reads, addresses
    return _Nothing()


def counters(reads: Reads, drive: str) -> None:
    """No counter of a drive's heat."""
    del reads, drive


def counted(reads: Reads, drive: str, blocks: Iterable[str]) -> tuple[str, ...]:
    """A block device is counted under its own name."""
    del reads, drive
    return tuple(dict.fromkeys(blocks))


def traffic(reads: Reads, drives: Iterable[Drive]) -> Callable[[], dict[str, tuple[int, int] | Unread] | Unread]:
    """What tells the bytes (read, written) of each block device since the system started."""
    del drives

    def now() -> dict[str, tuple[int, int] | Unread] | Unread:
        table = counts(reads)
        if isinstance(table, Unread):
            return table
        return {
            name: (read, written)
            for name, device in table.items()
            if (read := device.get("read_bytes")) is not None and (written := device.get("write_bytes")) is not None
        }

    return now
