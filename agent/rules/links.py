"""Rules about the rate a link runs at. Each speaks for one verdict or one comparison of links."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.judged import BELOW_BEST
from agent.model.payloads import payload, payloads
from agent.model.throughput import ceiling_mbps
from agent.rules.rule import Found, rule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from probes.unread import Unread


def _plainly(seen: JudgedMachine, judged: Judged) -> Found:
    """The verdict as a finding, with what the link at its best would bring."""
    if judged.now is None or judged.best is None or judged.verdict not in BELOW_BEST or judged.port_hidden:
        return Found(judged.subject, judged.why, judged.evidence, judged=judged)
    gain = seen.gain_mbps(judged.link.key, judged.best)
    more = "" if gain is not None else f"; {_without_gain(seen, judged.link.key)}"
    return Found(judged.subject, f"{judged.why}{more}", judged.evidence, judged=judged, gain_mbps=gain)


def _without_gain(seen: JudgedMachine, key: str) -> str:
    """What there is to say of drives that would gain nothing as far as they are known."""
    unknown = seen.unrated(key)
    if unknown is None:
        return "its drives would gain nothing, another hop holds them back"
    return f"what its drives would gain is not known: {unknown.what}: {unknown.why}"


@rule("link-narrow", Severity.FAULT, fires_on=("bench-2-worn-riser",), quiet_on=("bench-1-upgraded", "bench-3-idle"))
def link_narrow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A link runs with fewer lanes than both of its ends can do.

    Width is hardly ever a matter of power saving.
    """
    for judged in seen.with_verdict(Verdict.NARROW):
        yield _plainly(seen, judged)


@rule("link-slow", Severity.FAULT, fires_on=("bench-2-slow-link",), quiet_on=("bench-1-upgraded", "bench-3-set-slow"))
def link_slow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A link runs at a lower speed than both of its ends can do, and nothing explains it."""
    for judged in seen.with_verdict(Verdict.SLOW):
        yield _plainly(seen, judged)


@rule(
    "link-set-slow", Severity.LIMIT, fires_on=("bench-3-set-slow",), quiet_on=("bench-1-upgraded", "bench-2-slow-link")
)
def link_set_slow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A link runs at a lower speed because its port is set to that speed."""
    for judged in seen.with_verdict(Verdict.SET_SLOW):
        yield _plainly(seen, judged)


@rule("link-resting", Severity.NOTE, fires_on=("bench-3-idle",), quiet_on=("bench-1-upgraded", "bench-2-slow-link"))
def link_resting(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A link runs at a lower speed for now, to save power.

    It should rise under load; a look while the card works tells.
    """
    for judged in seen.with_verdict(Verdict.RESTING):
        yield _plainly(seen, judged)


@rule("ends-contradict", Severity.UNKNOWN, fires_on=("bench-3-two-ends",), quiet_on=("bench-1-upgraded",))
def ends_contradict(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """The readings of a link contradict each other."""
    for judged in seen.judged:
        if judged.contradicts:
            yield _plainly(seen, judged)


@rule("link-unread", Severity.UNKNOWN, fires_on=("bench-3-asleep",), quiet_on=("bench-1-upgraded",))
def link_unread(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A card answers, but what its link does or could do is not known; or a port acts as if a card were there.

    A port whose link is up with nothing below, or that keeps training without success, is told here as well.
    """
    for judged in seen.with_verdict(Verdict.UNKNOWN):
        port = judged.link.port
        if port is not None and isinstance(port.parent, str) and port.power_state == "D3cold":
            continue  # inside a card that sleeps as a whole; the link above it says so
        if judged.notable or (judged.device_address is not None and not judged.contradicts):
            yield _plainly(seen, judged)


@rule("uplink-shared", Severity.NOTE, fires_on=("bench-1-switch-carrier",), quiet_on=("bench-1-upgraded",))
def uplink_shared(seen: JudgedMachine) -> Iterator[Found | Unread]:
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
        yield Found(judged.subject, headline, evidence, judged=judged)


def _crossing(seen: JudgedMachine) -> dict[str, dict[str, tuple[str, float]]]:
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
def payload_low(seen: JudgedMachine) -> Iterator[Found | Unread]:
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
                f"{own.subject} path, Device Control: Max_Payload_Size", f"{in_force} bytes", f"{supported} bytes"
            ),
        )
        headline = f"packets carry {in_force} bytes where the whole path supports {supported}"
        yield Found(own.subject, headline, evidence, judged=own, gain_mbps=high - low)


@rule(
    "payload-mismatch",
    Severity.FAULT,
    fires_on=("bench-1-payload-mismatch",),
    quiet_on=("bench-1-upgraded", "bench-1-payload"),
)
def payload_mismatch(seen: JudgedMachine) -> Iterator[Found | Unread]:
    """A card may send larger packets than its port accepts.

    Such packets are malformed to the port and end in errors; the kernel sets both alike unless told otherwise.
    """
    for judged in seen.judged:
        link = judged.link
        if link.port is None or link.device is None or judged.verdict is Verdict.VIRTUAL or judged.port_hidden:
            continue
        sent, accepted = payload(link.device, "control"), payload(link.port, "control")
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
                judged.subject,
                f"sends packets of up to {sent} bytes to a port set to {accepted}",
                evidence,
                judged=judged,
            )
