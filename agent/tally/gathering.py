"""One capture to what a tally keeps of it, by the same audit as every other command. Reads the file it is given.

A machine is told apart by its host name, as the token that captures hold in its place, and its make. One without a
name is known by the serial numbers of its drives (captures that share one are put together when all are read), and
without those each of its captures is a machine of its own. A
link is known by its card's numbers and its drive's serial number, so that it keeps its identity in another slot, or
else by its way from the processor, which does not change with the numbers of buses.
"""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import blake2b
from typing import TYPE_CHECKING, Final, TypeGuard

import msgspec

from agent.audit import audit
from agent.model.findings import Verdict
from agent.model.grouping import grouped
from agent.model.identity import ids, serial_token
from agent.model.upwards import upwards
from agent.tally.seen import Batch, CardNumbers, LinkRun, LinkSeen, MachineKind, MachineSeen
from knowledge import pcie
from knowledge.classes import class_words
from knowledge.phrasing import encodable, printable, quoted
from knowledge.problems import BadInput
from probes import collect
from probes.capture import is_other_json, load_file, recorded
from probes.facts import Health
from probes.redact_text import host_name
from probes.tokens import Known, is_placeholder
from probes.unread import Unread, readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from agent.audit import Audit
    from agent.model.judged import Judged
    from probes.capture import Capture
    from probes.facts import Drive, Facts, PciFunction, Sensor

LONGEST: Final = 80  # characters of a name or a version that are kept
MACHINE_BYTES: Final = 12
LINK_BYTES: Final = 8
EARLIEST: Final = datetime(1, 1, 1, tzinfo=UTC).timestamp()
LATEST: Final = datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC).timestamp()
COLDEST: Final = -273.15  # degrees Celsius; what is below is no temperature
HOTTEST: Final = 1000.0  # nor is what is above
SWITCH_KINDS: Final = frozenset({pcie.SWITCH_UPSTREAM_PORT, pcie.SWITCH_DOWNSTREAM_PORT})


def batch(names: Sequence[str]) -> bytes:
    """A `Batch` of these files in MessagePack; a file that cannot be used is passed over, whatever is wrong."""
    machines = []
    refused = []
    for place, name in enumerate(names):
        try:
            machines.append(machine(name))
        except BadInput as problem:
            refused.append((place, str(problem), is_other_json(name)))
        except Exception as defect:  # noqa: BLE001 - of thousands of files one must not end the others; check shows it
            refused.append((place, _defect(name, defect), False))
    return msgspec.msgpack.encode(Batch(tuple(machines), tuple(refused)))


def _defect(name: str, defect: Exception) -> str:
    """The sentence for a file that the program itself fails on; a check of it alone shows where."""
    words = printable(f"{type(defect).__name__}: {defect}")
    return f"{quoted(name)} brought about an error in lanewright ({words}); see lanewright check --replay of this file"


def machine(path: str) -> MachineSeen:
    """What a tally keeps of the capture in a file. Raises BadInput for a file that says nothing of any machine."""
    capture = load_file(path)
    try:
        return gathered(capture)
    except _NothingThereError as nothing:
        raise BadInput(f"{quoted(path)} says nothing of any card: {nothing}") from None


class _NothingThereError(Exception):
    """Nothing could be read from the machine; the message says why."""


def gathered(capture: Capture) -> MachineSeen:
    """What a tally keeps of a capture."""
    first, looks = recorded(capture)
    facts = collect(first, looks, capture.taken_at)
    if not facts.functions and not facts.drives and facts.unread:
        unread = facts.unread[0]
        raise _NothingThereError(printable(f"{unread.what}: {unread.why}"))
    return of_audit(audit(facts))


def of_audit(found: Audit) -> MachineSeen:
    """What a tally keeps of an audit."""
    facts = found.facts
    host = facts.host
    kind = MachineKind(kept(facts.platform) or "", kept(host.maker), kept(host.product), kept(host.board))
    taken = moment(facts.taken_at)
    links = tuple(sorted(_links(found, taken), key=lambda link: link.key))
    identity, named = _identity(facts, links)
    return MachineSeen(
        key=_digest((identity, kind), MACHINE_BYTES),
        kind=kind,
        named=named,
        taken=taken,
        firmware=kept(host.firmware_version),
        dark=sum(judged.verdict is Verdict.DARK for judged in found.links),
        links=links,
        silent=sum(judged.link.device is None and judged.verdict is Verdict.UNKNOWN for judged in found.links),
        partly=bool(facts.gaps) or any(unread.vital for unread in found.unread),
    )


def moment(text: str) -> float:
    """Seconds of Unix time of an RFC 3339 date and time, within the years that can be written in UTC."""
    seconds = msgspec.convert(text, datetime).timestamp()
    return min(max(seconds, EARLIEST), LATEST)


def kept(text: object) -> str | None:
    """Text as read, cut to what is kept of it; None for what is no text, or blank."""
    if not isinstance(text, str):
        return None
    text = text.strip()
    if len(text) > LONGEST:
        text = f"{text[: LONGEST - 3]}..."
    return encodable(text) or None


def _digest(identity: object, size: int) -> bytes:
    return blake2b(msgspec.msgpack.encode(identity), digest_size=size).digest()


# --- Who is who ------------------------------------------------------------------------------------------------


def _identity(facts: Facts, links: tuple[LinkSeen, ...]) -> tuple[tuple[object, ...], bool]:
    """What tells a machine from others of its make, and whether that is its name."""
    name = facts.host.name
    if isinstance(name, str) and not is_placeholder(name):
        return ("name", encodable(host_name(name, Known()))), True
    serials = sorted(filter(None, map(_serial, facts.drives)))
    if serials:
        return ("drives", *serials), False
    return ("capture", links, *(encodable(function.address) for function in facts.functions)), False


def _serial(drive: Drive) -> str:
    """The serial number of a drive as the token that captures hold in its place; "" where it says none."""
    return encodable(serial_token(drive) or "")


def _way(function: PciFunction, functions: Mapping[str, PciFunction]) -> tuple[str, ...]:
    """Device and function numbers on the way from the root bus down to a function."""
    way = tuple(upwards(function, functions))
    return (encodable(readable(way[-1].root) or ""), *(_step(device.address) for device in reversed(way)))


def _step(address: str) -> str:
    """Device and function of an address, without what only tells entries of one start of the system apart."""
    if address.startswith("entry-"):
        return "entry"
    return encodable(address.rpartition(":")[2].partition("@")[0])


# --- Links -----------------------------------------------------------------------------------------------------


def _links(found: Audit, taken: float) -> Iterator[LinkSeen]:
    """The links with a card. What sits in the root complex has none; drives of a card are those of its functions."""
    functions = found.machine.functions
    drives = grouped((drive.address, drive) for drive in found.facts.drives)
    heat = _Heat(found.facts.sensors)
    twins: dict[bytes, int] = {}
    for judged in found.links:
        link = judged.link
        if link.device is None or link.integrated:
            continue
        own = [drive for function in link.functions for drive in drives.get(function.address, ())]
        seen = _seen(judged, link.device, own, found)
        serial = _serial(own[0]) if len(own) == 1 else ""
        key = _digest((seen.card, serial or _way(link.device, functions)), LINK_BYTES)
        count = twins[key] = twins.get(key, -1) + 1  # two drives may give one serial number
        key = _digest((key, count), LINK_BYTES) if count else key
        hottest = heat.of(own, [function.address for function in link.functions])
        yield LinkSeen(key, taken, hottest, seen, by_serial=bool(serial) and not count)


def _seen(judged: Judged, device: PciFunction, own: Sequence[Drive], found: Audit) -> LinkRun:
    named = found.nvme_at.get(device.address)
    model = kept(named.model) if named is not None else None
    return LinkRun(
        card=CardNumbers(*ids(device)[:4]),
        what=_what(device, found),
        name=model or kept(device.model_name),
        verdict=judged.verdict,
        rate=judged.now if judged.mbps is not None else None,
        firmware=tuple(sorted(filter(None, (kept(drive.firmware) for drive in own)))),
        at_start=judged.fresh == "start-up",
    )


def _what(device: PciFunction, found: Audit) -> str:
    if found.machine.kinds.get(device.address) in SWITCH_KINDS:
        return "packet switch"
    return class_words(device.class_code)


class _Heat:
    """The temperatures of a machine by drive and by function."""

    def __init__(self, sensors: Sequence[Sensor]) -> None:
        self._found: dict[tuple[str, str], float] = {}
        for sensor in sensors:
            for name in (("drive", sensor.drive), ("function", sensor.address)):
                if isinstance(name[1], str) and _is_temperature(sensor.celsius):
                    key = (name[0], name[1])
                    self._found[key] = max(sensor.celsius, self._found.get(key, COLDEST))

    def of(self, drives: Sequence[Drive], addresses: Sequence[str]) -> float | None:
        """The hottest reading of a card: of its own sensors, its drives' sensors and their own logs."""
        names = [*(("drive", drive.name) for drive in drives), *(("function", address) for address in addresses)]
        readings = [self._found[name] for name in names if name in self._found]
        for drive in drives:
            if isinstance(drive.health, Health):
                readings += filter(_is_temperature, (drive.health.celsius, *drive.health.sensors_celsius))
        return round(max(readings), 2) if readings else None


def _is_temperature(value: float | Unread | None) -> TypeGuard[float]:
    return isinstance(value, int | float) and COLDEST <= value <= HOTTEST
