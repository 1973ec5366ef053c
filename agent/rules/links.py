"""Rules about the rate a link runs at. Each speaks for one verdict or one comparison of links."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model import unseen_parts
from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.machine import leads_to_drive
from agent.model.throughput import ceiling_mbps
from agent.rules.rule import Found, Seen, rule
from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.machine import Path
    from probes.facts import PciFunction


def with_verdict(seen: Seen, verdict: Verdict) -> Iterator[Judged]:
    """The links of one verdict."""
    return (judged for judged in seen.judged if judged.verdict is verdict)


def subject(judged: Judged) -> str:
    """The address a finding about this link goes by: the card's, or the port's where nothing answers."""
    return judged.device_address or judged.port_address or ""


def is_drive(judged: Judged) -> bool:
    """Whether a link leads straight to an NVMe drive, claimed by a driver or not."""
    return leads_to_drive(judged.link)


BELOW_BEST: Final = frozenset({Verdict.NARROW, Verdict.SLOW, Verdict.SET_SLOW, Verdict.RESTING})


def _plainly(seen: Seen, judged: Judged) -> Found:
    """The verdict as a finding, with what the link at its best would bring."""
    if judged.now is None or judged.best is None or judged.verdict not in BELOW_BEST or judged.port_hidden:
        return Found(subject(judged), judged.why, judged.evidence, judged=judged)
    gain = seen.gain_mbps(judged.link.key, judged.best)
    more = "" if gain is not None else f"; {_without_gain(seen, judged.link.key)}"
    return Found(subject(judged), f"{judged.why}{more}", judged.evidence, judged=judged, gain_mbps=gain)


def _without_gain(seen: Seen, key: str) -> str:
    """What there is to say of drives that would gain nothing as far as they are known."""
    unknown = unrated(seen, key)
    if unknown is None:
        return "its drives would gain nothing, another hop holds them back"
    return f"what its drives would gain is not known: {unknown.what}: {unknown.why}"


def unrated(seen: Seen, key: str) -> Unread | None:
    """Why more drives may be behind a link than the rates were worked out of; None where they are all known."""
    rated = {flow.name for flow in seen.flows}
    for path in seen.machine.paths:
        behind = any(hop.key == key for hop in path.hops)
        if path.drive.kind != "nvme" or path.drive.name in rated or not (behind or path.lost is not None):
            continue
        return path.lost or Unread(f"the rate of {path.drive.name}", "a link on its way has none that is known")
    return unseen_parts.drives(seen.machine.facts)


@rule("link-narrow", Severity.FAULT, fires_on=("bench-2-worn-riser",), quiet_on=("bench-1-upgraded", "bench-3-idle"))
def link_narrow(seen: Seen) -> Iterator[Found | Unread]:
    """A link runs with fewer lanes than both of its ends can do.

    Width is hardly ever a matter of power saving.
    """
    for judged in with_verdict(seen, Verdict.NARROW):
        yield _plainly(seen, judged)


@rule("link-slow", Severity.FAULT, fires_on=("bench-2-slow-link",), quiet_on=("bench-1-upgraded", "bench-3-set-slow"))
def link_slow(seen: Seen) -> Iterator[Found | Unread]:
    """A link runs at a lower speed than both of its ends can do, and nothing explains it."""
    for judged in with_verdict(seen, Verdict.SLOW):
        yield _plainly(seen, judged)


@rule(
    "link-set-slow", Severity.LIMIT, fires_on=("bench-3-set-slow",), quiet_on=("bench-1-upgraded", "bench-2-slow-link")
)
def link_set_slow(seen: Seen) -> Iterator[Found | Unread]:
    """A link runs at a lower speed because its port is set to that speed."""
    for judged in with_verdict(seen, Verdict.SET_SLOW):
        yield _plainly(seen, judged)


@rule("link-resting", Severity.NOTE, fires_on=("bench-3-idle",), quiet_on=("bench-1-upgraded", "bench-2-slow-link"))
def link_resting(seen: Seen) -> Iterator[Found | Unread]:
    """A link runs at a lower speed for now, to save power.

    It should rise under load; a look while the card works tells.
    """
    for judged in with_verdict(seen, Verdict.RESTING):
        yield _plainly(seen, judged)


@rule("ends-contradict", Severity.UNKNOWN, fires_on=("bench-3-two-ends",), quiet_on=("bench-1-upgraded",))
def ends_contradict(seen: Seen) -> Iterator[Found | Unread]:
    """The readings of a link contradict each other."""
    for judged in seen.judged:
        if judged.contradicts:
            yield _plainly(seen, judged)


@rule("link-unread", Severity.UNKNOWN, fires_on=("bench-3-asleep",), quiet_on=("bench-1-upgraded",))
def link_unread(seen: Seen) -> Iterator[Found | Unread]:
    """A card answers, but what its link does or could do is not known; or a port acts as if a card were there.

    A port whose link is up with nothing below, or that keeps training without success, is told here as well.
    """
    for judged in with_verdict(seen, Verdict.UNKNOWN):
        port = judged.link.port
        if port is not None and isinstance(port.parent, str) and port.power_state == "D3cold":
            continue  # inside a card that sleeps as a whole; the link above it says so
        if judged.notable or (judged.device_address is not None and not judged.contradicts):
            yield _plainly(seen, judged)


@rule("uplink-shared", Severity.NOTE, fires_on=("bench-1-switch-carrier",), quiet_on=("bench-1-upgraded",))
def uplink_shared(seen: Seen) -> Iterator[Found | Unread]:
    """The drives behind a switch could move more than its uplink carries.

    No fault: the carrier works as built. With several drives the uplink is shared; with one it holds that one back.
    """
    crossing = _crossing(seen)
    for judged in seen.judged:
        carried = judged.mbps
        below = list(crossing.get(judged.link.key, {}).values())
        if carried is None or not below or judged.verdict in BELOW_BEST:
            continue  # below its best it is a finding by itself, and no measure of how the carrier is built
        asked = sum(rate for _, rate in below)
        if asked <= carried * 1.001:
            continue
        names = ", ".join(name for name, _ in below)
        headline = (
            f"{len(below)} drive{'s' if len(below) > 1 else ''} behind it could move {asked:,.0f} MB/s"
            f"{' together' if len(below) > 1 else ''}; it carries {carried:,.0f} MB/s"
        )
        now = judged.now
        assert now is not None
        evidence = (
            Evidence(
                f"{judged.link.key} link rate now",
                f"{rate_text(now)}, {carried:,.0f} MB/s",
                f"{asked:,.0f} MB/s, to hold back none of its drives",
            ),
            Evidence(
                f"own link{'s' if len(below) > 1 else ''} of {names}",
                f"{asked:,.0f} MB/s{' together' if len(below) > 1 else ''}",
                f"{carried:,.0f} MB/s or less; this is {asked / carried:.1f} times as much",
            ),
        )
        yield Found(subject(judged), headline, evidence, judged=judged)


def _crossing(seen: Seen) -> dict[str, dict[str, tuple[str, float]]]:
    """By link: name and own link rate (MB/s) of the drives that reach the processor through it, own links apart."""
    found: dict[str, dict[str, tuple[str, float]]] = {}
    for path in seen.machine.paths:
        own = seen.at(path.hops[0].key) if path.hops and path.drive.kind == "nvme" else None
        if own is None or own.mbps is None:
            continue
        for hop in path.hops[1:]:
            found.setdefault(hop.key, {}).setdefault(own.link.key, (path.drive.name, own.mbps))
    return found


@rule("payload-low", Severity.NOTE, fires_on=("bench-1-payload",), quiet_on=("bench-1-upgraded",))
def payload_low(seen: Seen) -> Iterator[Found | Unread]:
    """A drive's packets are smaller than everything on its path supports.

    Larger payloads spend less of the link on packet headers. On Linux a boot option decides it.
    """
    done = set()
    for path in seen.machine.paths:
        if path.drive.name not in seen.alone or path.lost is not None:
            continue
        sizes = payloads(path)
        hops = [seen.at(hop.key) for hop in path.hops]
        own = hops[0] if hops else None
        if sizes is None or own is None or own.now is None or own.mbps is None or own.link.key in done:
            continue
        if any(hop is None or hop.port_hidden or hop.verdict is Verdict.VIRTUAL for hop in hops):
            continue  # what the whole path supports is not to be seen from here
        done.add(own.link.key)
        in_force, supported = sizes
        if in_force >= supported:
            continue
        narrowest = seen.hops[seen.alone[path.drive.name].narrowest or own.link.key]
        low = ceiling_mbps(narrowest.speed, narrowest.width, in_force)
        high = ceiling_mbps(narrowest.speed, narrowest.width, supported)
        evidence = (
            Evidence(
                f"{subject(own)} path, Device Control: Max_Payload_Size", f"{in_force} bytes", f"{supported} bytes"
            ),
        )
        headline = f"packets carry {in_force} bytes where the whole path supports {supported}"
        yield Found(subject(own), headline, evidence, judged=own, gain_mbps=high - low)


def payloads(path: Path) -> tuple[int, int] | None:
    """Smallest payload in force and smallest supported on a path, bytes; None where one could not be read."""
    in_force, supported = [], []
    for hop in path.hops:
        for end in hop.ends:
            now = _payload(end, "control")
            can = _payload(end, "capabilities")
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


def _payload(function: PciFunction, where: str) -> int | None:
    if where == "control":
        code = function.registers.read(pcie.DEVICE_CONTROL, "max_payload_size")
    else:
        code = function.registers.read(pcie.DEVICE_CAPABILITIES, "max_payload_size_supported")
    return pcie.PAYLOAD_BYTES.get(code) if isinstance(code, int) else None


@rule(
    "payload-mismatch",
    Severity.FAULT,
    fires_on=("bench-1-payload-mismatch",),
    quiet_on=("bench-1-upgraded", "bench-1-payload"),
)
def payload_mismatch(seen: Seen) -> Iterator[Found | Unread]:
    """A card may send larger packets than its port accepts.

    Such packets are malformed to the port and end in errors; the kernel sets both alike unless told otherwise.
    """
    for judged in seen.judged:
        link = judged.link
        if link.port is None or link.device is None or judged.verdict is Verdict.VIRTUAL or judged.port_hidden:
            continue
        sent, accepted = _payload(link.device, "control"), _payload(link.port, "control")
        if sent is not None and accepted is not None and sent > accepted:
            evidence = (
                Evidence(
                    f"{link.device.address} Device Control: Max_Payload_Size", f"{sent} bytes", f"{accepted} bytes"
                ),
                Evidence(
                    f"{link.port.address} Device Control: Max_Payload_Size", f"{accepted} bytes", "the same or more"
                ),
            )
            yield Found(
                subject(judged),
                f"sends packets of up to {sent} bytes to a port set to {accepted}",
                evidence,
                judged=judged,
            )
