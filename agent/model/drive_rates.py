"""What each drive should reach, alone and together, and how warm it is beside its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model import throughput
from agent.model.findings import Verdict
from agent.model.payloads import payloads, request_bytes
from agent.model.temperature_limits import by_drive, limits
from agent.model.throughput import Flow, Hop, Share
from probes.decode import NOT_GIVEN
from probes.facts import Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from probes.facts import Drive, Sensor


class DriveSeen(Struct, frozen=True):
    """A drive with what it should reach. Rates are (low, high) in MB/s, None where its path says nothing of rates.

    `alone` and `together` are of reading, `alone_write` and `together_write` of writing; `both` are reading and writing
    while all drives are read and written at once.

    `path` is made of link keys from the drive to the processor; `narrowest` is the key of the hop that
    decides its share when all drives read at once. Temperatures are degrees Celsius. `payload_bytes` is the payload
    size that the upper figures rest on, None where it could not be read and the largest is taken for a bound.
    `verdict` is that of the drive's own link, `Verdict.VIRTUAL` where it hangs on no PCI function, None where it has
    no link of its own or none that is known.

    What is None here was told to be so, unless there is a reason why nobody could tell: `way_lost` why there may be
    more hops, `celsius_lost` why there may be a temperature, `limit_lost` why there may be a limit.
    """

    drive: Drive
    path: tuple[str, ...]
    celsius: float | Unread | None
    warning_celsius: float | None
    critical_celsius: float | None
    alone: tuple[float, float] | None
    together: tuple[float, float] | None
    narrowest: str | None
    narrowest_alone: str | None
    payload_bytes: int | None
    alone_write: tuple[float, float] | None = None
    together_write: tuple[float, float] | None = None
    both: tuple[tuple[float, float], tuple[float, float]] | None = None
    verdict: Verdict | None = None
    way_lost: Unread | None = None
    celsius_lost: Unread | None = None
    limit_lost: Unread | None = None


def paths_of_drives(
    built: Machine, by_key: dict[str, Judged], limits: Mapping[str, tuple[float | None, float | None]]
) -> tuple[tuple[Flow, ...], dict[str, Hop]]:
    """The drives as flows, and the hops they cross, for the throughput model.

    A drive on a path with a hop whose rate is not known, or says nothing of lanes, is left out; so is a SATA or SAS
    drive, whose own interface decides.
    """
    hops: dict[str, Hop] = {}
    flows = []
    for path in built.paths:
        found = [by_key[hop.key] for hop in path.hops]
        if path.drive.kind != "nvme" or not found or any(judged.now is None or judged.mbps is None for judged in found):
            continue
        sizes = payloads(path)
        asked = request_bytes(path)
        for judged in found:
            assert judged.now is not None
            key, payload, request = judged.link.key, sizes[0] if sizes else None, asked
            known = hops.get(key)
            if known is not None:  # a shared hop carries the packets of all its drives: the smallest counts
                payload = None if payload is None or known.payload_bytes is None else min(payload, known.payload_bytes)
                request = None if request is None or known.request_bytes is None else min(request, known.request_bytes)
            hops[key] = Hop(key, judged.now.speed, judged.now.width, payload, request)
        flows.append(
            Flow(
                path.drive.name, tuple(judged.link.key for judged in found), *limits.get(path.drive.name, (None, None))
            )
        )
    return tuple(flows), hops


class DriveRates:
    """What each drive should reach, by its name: read and written, alone and together, and both ways at once."""

    def __init__(self, flows: tuple[Flow, ...], hops: dict[str, Hop]) -> None:
        """Work them out."""
        self.hops = hops
        self.alone = {flow.name: throughput.alone(flow, hops) for flow in flows}
        self.together = throughput.together(flows, hops)
        self.alone_write = {flow.name: throughput.alone(flow, hops, "to_drive") for flow in flows}
        self.together_write = throughput.together(flows, hops, "to_drive")
        self.both = throughput.both(flows, hops)


def drives(built: Machine, by_key: dict[str, Judged], rates: DriveRates) -> Iterator[DriveSeen]:
    """Every drive with what it should reach and how warm it is."""
    sensors = by_drive(built.facts.sensors)
    never = any(unread.what == "temperatures" for unread in built.facts.unread)
    unseen = built.facts.gap("sensors") or _first_unread(sensor.drive for sensor in built.facts.sensors)
    for path in built.paths:
        name = path.drive.name
        mine = sensors.get(name, [])
        main = next((sensor for sensor in mine if sensor.label.lower() == "composite"), mine[0] if mine else None)
        warning, critical = limits(path.drive, main)
        one, all_at_once, both = rates.alone.get(name), rates.together.get(name), rates.both.get(name)
        own = rates.hops.get(path.hops[0].key) if path.hops else None
        celsius = main.celsius if main is not None else _by_health_log(path.drive, never=never)
        told: tuple[Drive | Sensor, ...] = (path.drive, *mine)
        yield DriveSeen(
            drive=path.drive,
            path=tuple(hop.key for hop in path.hops),
            celsius=celsius,
            warning_celsius=warning,
            critical_celsius=critical,
            alone=_span(one),
            together=_span(all_at_once),
            narrowest=all_at_once.narrowest if all_at_once else None,
            narrowest_alone=one.narrowest if one else None,
            payload_bytes=own.payload_bytes if own is not None and one is not None else None,
            alone_write=_span(rates.alone_write.get(name)),
            together_write=_span(rates.together_write.get(name)),
            both=(both[0].span, both[1].span) if both else None,
            verdict=_own_verdict(path.drive, built, by_key),
            way_lost=path.lost,
            celsius_lost=_lost_temperature(path.drive, celsius, unseen),
            limit_lost=_first_unread(limit for one in told for limit in (one.warning_celsius, one.critical_celsius)),
        )


def _own_verdict(drive: Drive, built: Machine, by_key: dict[str, Judged]) -> Verdict | None:
    """The verdict of the link that leads straight to a drive; a disk on a cable has none of its own."""
    if drive.address is None:
        return Verdict.VIRTUAL if isinstance(drive.interconnect, str) else None
    own = built.leads_to.get(drive.address) if isinstance(drive.address, str) else None
    return None if own is None or drive.kind != "nvme" else by_key[own.key].verdict


def _span(share: Share | None) -> tuple[float, float] | None:
    return None if share is None else share.span


def _first_unread(values: Iterable[object]) -> Unread | None:
    return next((value for value in values if isinstance(value, Unread)), None)


def _lost_temperature(drive: Drive, celsius: float | Unread | None, unseen: Unread | None) -> Unread | None:
    """Why a temperature may be there though none was read: by a sensor (`unseen`) or by the drive's own log."""
    if celsius is not None:
        return celsius if isinstance(celsius, Unread) else None
    return unseen or (drive.health if isinstance(drive.health, Unread) else None)


def _by_health_log(drive: Drive, *, never: bool) -> float | Unread | None:
    """The composite temperature that the drive's own log gives, where no sensor gives one.

    Unread where none could: `never` tells that this platform gives no temperatures.
    """
    if isinstance(drive.health, Health):
        return drive.health.celsius
    return Unread(f"temperature of {drive.name}", NOT_GIVEN) if never else None
