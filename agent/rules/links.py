"""Rules about the rate a link runs at. Each speaks for one verdict or one comparison of links."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.abilities import rate_text
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.payloads import payload, payloads
from agent.model.throughput import ceiling_mbps
from agent.rules.rule import CAPABILITIES, Compared, Found, Rule
from knowledge.phrasing import mbps
from knowledge.steps import CONTACT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from probes.unread import Unread


SHARED_LANES: Final = "contacts, riser or slot, or lanes shared with the next slot"
CONTRADICT: Final = " contradict each other"  # ends the reason of readings that differ
RATE_LOST: Final = "its rate"  # begins the reason of a rate that could not be read


def _plainly(seen: JudgedMachine, judged: Judged) -> Found:
    """The verdict as a finding, with what the link at its best would bring."""
    if judged.now is None or judged.best is None or not judged.verdict.kind.below_best or judged.port_hidden:
        return Found(judged.subject, _of_subject(judged.why), judged.evidence, judged=judged)
    gain = seen.gain_mbps(judged.link.key, judged.best)
    more = "" if gain is not None else f"; {_without_gain(seen, judged.link.key)}"
    return Found(judged.subject, f"{judged.why}{more}", judged.evidence, judged=judged, gain_mbps=gain)


def _of_subject(why: str) -> str:
    """A reason that goes on where the name of the link's card leaves off."""
    if why.endswith(CONTRADICT):
        return f"gives readings that contradict each other; {why.removesuffix(CONTRADICT)} differ"
    if why.startswith(RATE_LOST):
        return f"has a rate that{why.removeprefix(RATE_LOST)}"
    return why.removeprefix("the device ")


def _without_gain(seen: JudgedMachine, key: str) -> str:
    """What there is to say of drives that would gain nothing as far as they are known."""
    unknown = seen.unrated(key)
    if unknown is None:
        return "its drives would gain nothing, as another link limits them"
    return f"what its drives would gain is not known: {unknown.what}: {unknown.why}"


@Rule(
    id="link-narrow",
    severity=Severity.FAULT,
    title="A link runs with fewer lanes than card and slot both have",
    cause="contacts, riser or slot",
    fires_on=("bench-2-worn-riser",),
    quiet_on=("bench-1-upgraded", "bench-3-idle"),
    steps=(*CONTACT, "update-firmware", "replace"),
    of_status=True,
    host_knows_more=True,
    compared=Compared(rests_on="verdict"),
    measured="lowers",
    explained=Explained(
        meaning=(
            "A link uses fewer lanes than the lesser of its two ends has. A link hardly ever gives up lanes to "
            "save power, so this is a fault at once."
        ),
        evidence=(
            "The verdict narrow and its readings: lanes in use and lanes supported at both ends, all later "
            "looks, and whether the hardware noted that it changed the link to keep it reliable."
        ),
        causes=(
            "Dirty contacts of the card or in the slot",
            "A worn riser or extension",
            "A card that is not fully seated",
            (
                "A filled slot beside it: many boards give it half of this slot's lanes (common practice); see "
                "the board's manual"
            ),
        ),
        cannot_tell=(
            "Which part on the way is bad, and whether the board itself took the lanes: some give lanes to the "
            "slot beside without saying so in the port. Where a build sheet says so, a link with the lanes "
            "left to it is a note, not a fault."
        ),
        source=(
            "PCI Express Base Specification, Link Status Register, Negotiated Link Width; the causes are common "
            "practice."
        ),
        see_also=("narrow", "lane-errors", "link-errors"),
    ),
)
def _link_narrow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.NARROW):
        yield _as_planned(seen, judged) or _perhaps_shared(seen, judged)


def _as_planned(seen: JudgedMachine, judged: Judged) -> Found | None:
    """A note where the build sheet leaves the link just these lanes; None where there is no such sheet."""
    if seen.matched is None or seen.expected is None or not seen.expected.lanes:
        return None
    from agent.rules.sheet_lanes import as_the_sheet_has_it

    return as_the_sheet_has_it(seen.matched, seen.expected, judged)


def _perhaps_shared(seen: JudgedMachine, judged: Judged) -> Found:
    """The verdict as a finding; where half of the lanes are missing, with what is beside the slot."""
    from agent.model.neighbours import beside_words, halved

    found = _plainly(seen, judged)
    beside = beside_words(judged, seen.judged, seen.machine.facts) if halved(judged) else ""
    return replace(found, beside=beside, cause=SHARED_LANES) if beside else found


@Rule(
    id="link-slow",
    severity=Severity.FAULT,
    title="A link runs slower than card and slot both can, and nothing explains it",
    cause="riser, cable or contacts, or an idle link",
    fires_on=("bench-2-slow-link",),
    quiet_on=("bench-1-upgraded", "bench-3-set-slow"),
    steps=("look-under-load", *CONTACT, "lower-speed", "update-firmware", "replace"),
    of_status=True,
    host_knows_more=True,
    compared=Compared(rests_on="verdict"),
    measured="lowers",
    explained=Explained(
        meaning=(
            "A link runs at a lower speed than the slower of its two ends can do; no setting, no power saving "
            "and no other look accounts for it. Where the card may not change its speed by itself, that is "
            "said, as it would then stay slow."
        ),
        evidence=(
            "The verdict slow, with the speed now, the speeds of both ends, later looks, the port's target speed "
            "where it can be read, and Hardware Autonomous Speed Disable of the card."
        ),
        causes=(
            "A riser or cable that cannot carry the speed",
            "A worn or dirty contact",
            "Equalization that failed at the higher speed",
        ),
        cannot_tell=(
            "Whether the link drops at once or only after hours of errors: a soak logs it. An ordinary user "
            "often cannot read the target speed; the verdict is then unknown, not slow, as it is wherever a "
            "reading that might explain the speed failed."
        ),
        source=(
            "PCI Express Base Specification, Link Status and Link Control 2 Registers; Linux "
            "drivers/pci/pcie/bwctrl.c for the best speed of two ends; the causes are common practice."
        ),
        see_also=("slow", "equalization-failed", "link-errors", "link-resting"),
    ),
)
def _link_slow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.SLOW):
        yield _plainly(seen, judged)


@Rule(
    id="link-set-slow",
    severity=Severity.LIMIT,
    title="A link runs at a lower speed because its port is set to that speed",
    cause="a slot speed set in the firmware setup",
    fires_on=("bench-3-set-slow",),
    quiet_on=("bench-1-upgraded", "bench-2-slow-link"),
    steps=("look-under-load", "set-speed", "update-firmware"),
    of_status=True,
    load="a card that manages its speed itself, as display cards do, rises to {rate}; a set speed stays",
    compared=Compared(rests_on="verdict"),
    measured="lowers",
    explained=Explained(
        meaning=(
            "A port holds its link down by its target speed, below what both ends can do. The setting may have "
            "a reason, such as a long riser. If the link drops again once set to automatic, treat it as a slow "
            "link."
        ),
        evidence=(
            "The verdict set-slow: the port's Target Link Speed equals the speed now, and both ends can do more."
        ),
        causes=(
            "A speed set for the slot in the firmware setup",
            "A kernel that fell back to 2.5 GT/s after a failed training, and left it there",
        ),
        cannot_tell="Who lowered the target, when, and why.",
        source=(
            "PCI Express Base Specification, Link Control 2 Register, Target Link Speed; Linux drivers/pci/quirks.c."
        ),
        see_also=("set-slow", "set-speed"),
    ),
)
def _link_set_slow(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.SET_SLOW):
        yield _plainly(seen, judged)


@Rule(
    id="link-resting",
    severity=Severity.NOTE,
    title="A link runs at a lower speed for now, to save power",
    fires_on=("bench-3-idle",),
    quiet_on=("bench-1-upgraded", "bench-2-slow-link"),
    steps=("look-under-load",),
    of_status=True,
    compared=Compared(rests_on="verdict", of_a_moment=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A link has all of its lanes at a lower speed than both ends can do, with signs that it is saving "
            "power. The speed should rise under load; check again while the card is busy."
        ),
        evidence=(
            "The verdict resting, with each sign of power saving that was found, and the looks in which it was faster."
        ),
        causes=(
            "A display card with nothing to draw",
            "A device in light sleep",
            "A link that manages its own speed",
        ),
        cannot_tell="Whether it reaches its best when it has to; only a check under load proves that.",
        source=(
            "PCI Express Base Specification, Link Status Register, Link Autonomous Bandwidth Status; display cards: "
            "common practice."
        ),
        see_also=("resting", "look-under-load", "settle"),
    ),
)
def _link_resting(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.RESTING):
        yield _plainly(seen, judged)


@Rule(
    id="ends-contradict",
    severity=Severity.UNKNOWN,
    title="The readings of a link contradict each other",
    cause="a link that changed while it was read",
    fires_on=("bench-3-two-ends",),
    quiet_on=("bench-1-upgraded",),
    steps=("look-again",),
    of_status=True,
    compared=Compared(rests_on="verdict"),
    measured="may explain",
    explained=Explained(
        meaning=(
            "Two readings that should agree, as those of the two ends of one link, differ. One of them is "
            "wrong, or each was right at a different moment; no verdict is based on them."
        ),
        evidence=(
            "Speed and width by the Link Status Register and by the system's attributes, each from both ends of the "
            "link; and both ways to learn what an end can do. All must agree."
        ),
        causes=(
            "A link that changed while it was being read",
            "An old value kept by the system",
            "A card that answers wrongly",
        ),
        cannot_tell="Which reading is right.",
        source="The project's own rule: where sources of one value differ, none is believed.",
        see_also=("unknown", "look-again"),
    ),
)
def _ends_contradict(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.judged:
        if judged.contradicts:
            yield _plainly(seen, judged)


@Rule(
    id="link-unread",
    severity=Severity.UNKNOWN,
    title="A card answers, but the rate of its link is not known; or a port acts as if a card were there",
    fires_on=("bench-3-asleep",),
    quiet_on=("bench-1-upgraded",),
    steps=("look-again",),
    of_status=True,
    host_knows_more=True,
    compared=Compared(rests_on="verdict"),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A link has something at its end, and a reading without which its rate or its best cannot be told "
            "is missing. A port whose link is up with nothing below it, or that keeps training without "
            "success, is reported here too."
        ),
        evidence=(
            "The reading of Link Capabilities or Link Status that is missing, and why; for a port without a "
            "card, Data Link Layer Link Active or the training bits, which say that something is there."
        ),
        causes=(
            "A card asleep without power",
            "An attribute that gives an error, or a speed that is not in the table",
            "A card so badly seated that it never stops training",
        ),
        cannot_tell=("The link's rate; and below a port without a visible card, whether there is a card at all."),
        source=(
            "PCI Express Base Specification, Link Status Register; Linux drivers/pci/quirks.c, "
            "pcie_failed_link_retrain."
        ),
        see_also=("unknown", "wake", "look-as-root"),
    ),
)
def _link_unread(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.UNKNOWN):
        port = judged.link.port
        if port is not None and isinstance(port.parent, str) and port.power_state == "D3cold":
            continue  # inside a card that sleeps as a whole; the link above it says so
        if judged.notable or (judged.device_address is not None and not judged.contradicts):
            yield _plainly(seen, judged)


@Rule(
    id="uplink-shared",
    severity=Severity.NOTE,
    title="The drives behind a switch could move more than its uplink carries",
    fires_on=("bench-1-switch-carrier",),
    quiet_on=("bench-1-upgraded",),
    steps=("spread-drives",),
    compared=Compared(depth=CAPABILITIES),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A packet switch, or a chipset, reaches the processor by a link that carries less than the links "
            "of the drives behind it together. Not a fault: the carrier works as built. Several drives share "
            "the uplink; a single one is held back by it."
        ),
        evidence=("The uplink's rate now, and the sum of the link rates of all NVMe drives behind it."),
        causes=(
            "A carrier with a packet switch and more drives than its uplink can feed at once",
            "A chipset with many drives on its one link",
        ),
        cannot_tell=(
            "Whether they ever work at once: one drive alone has the whole uplink. The drives' own limits are "
            "left out, as most are not known."
        ),
        source="Arithmetic on published link rates (lanes x transfer rate x line code).",
        see_also=("narrowest hop", "stripe-held-back", "together"),
    ),
)
def _uplink_shared(seen: JudgedMachine) -> Iterator[Found | Unread]:
    crossing = _crossing(seen)
    for judged in seen.judged:
        carried = judged.mbps
        below = list(crossing.get(judged.link.key, {}).values())
        if carried is None or not below or judged.verdict.kind.below_best:
            continue  # below its best it is a finding by itself, and no measure of how the carrier is built
        asked = sum(rate for _, rate in below)
        if asked <= carried * 1.001:
            continue
        names = ", ".join(name for name, _ in below)
        several = len(below) > 1
        drives = f"{len(below)} drives whose own links carry" if several else "a drive whose own link carries"
        headline = f"passes no more than {mbps(carried)} for {drives} {mbps(asked)}{' together' if several else ''}"
        now = judged.now
        assert now is not None
        evidence = (
            Evidence(
                f"{judged.link.key} link rate now",
                f"{rate_text(now)}, {mbps(carried)}",
                f"{mbps(asked)}, to hold back none of its drives",
            ),
            Evidence(
                f"own link{'s' if several else ''} of {names}",
                f"{mbps(asked)}{' together' if several else ''}",
                f"{mbps(carried)} or less; this is {asked / carried:.1f} times as much",
            ),
        )
        # One drive shares with nobody, and where a sheet orders the moves, they come before any other plan.
        without = () if several and not seen.sheet_moves(judged.link.key) else ("spread-drives",)
        yield Found(judged.subject, headline, evidence, judged=judged, without=without)


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


@Rule(
    id="payload-low",
    severity=Severity.NOTE,
    title="A drive's packets are smaller than everything on its path supports",
    cause="the firmware's setting",
    fires_on=("bench-1-payload",),
    quiet_on=("bench-1-upgraded",),
    steps=("free-payload", "set-payload"),
    compared=Compared(depth=CAPABILITIES),
    measured="lowers",
    explained=Explained(
        meaning=(
            "A drive sends its data in smaller packets than every device on the way to the processor can take. "
            "Larger payloads spend less of the link on packet headers. On Linux a boot option sets them."
        ),
        evidence=(
            "Max_Payload_Size in force and supported, from Device Control and Device Capabilities of every end on "
            "the path; the gain is the difference of the ceilings."
        ),
        causes=(
            "A kernel that keeps what the firmware set, as Linux does by default",
            ("A part elsewhere in the machine that takes small packets only, so that all were set to its size"),
        ),
        cannot_tell=(
            "Whether a larger payload is safe on this machine: traffic between devices and parts plugged in "
            "later need all ends to agree."
        ),
        source=(
            "PCI Express Base Specification, Device Control Register; Linux "
            "Documentation/admin-guide/kernel-parameters.txt, pci=pcie_bus_safe."
        ),
        see_also=("ceiling", "payload", "payload-mismatch", "set-payload", "free-payload"),
    ),
)
def _payload_low(seen: JudgedMachine) -> Iterator[Found | Unread]:
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
        headline = f"sends packets of {in_force} bytes where the whole path supports {supported}"
        yield Found(own.subject, headline, evidence, judged=own, gain_mbps=high - low)


@Rule(
    id="payload-mismatch",
    severity=Severity.FAULT,
    title="A card may send larger packets than its port accepts",
    cause="a payload that was set by hand",
    fires_on=("bench-1-payload-mismatch",),
    quiet_on=("bench-1-upgraded", "bench-1-payload"),
    steps=("match-payload",),
    compared=Compared(depth=CAPABILITIES),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A card is set to larger packets than the port above it is set to take. The port rejects such "
            "packets as malformed. The kernel sets both ends alike by default."
        ),
        evidence=(
            "Max_Payload_Size in force in the Device Control Register of the card, larger than that of its port."
        ),
        causes=(
            "A boot option or tool that set the payload by hand",
            "Firmware that set one end and forgot the other",
        ),
        cannot_tell="Whether such a packet has been sent. Malformed TLP errors would show it.",
        source=(
            "PCI Express Base Specification, Device Control Register; Linux drivers/pci/probe.c, pci_configure_mps."
        ),
        see_also=("payload", "link-errors", "match-payload"),
    ),
)
def _payload_mismatch(seen: JudgedMachine) -> Iterator[Found | Unread]:
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
                f"is set to send packets of {sent} bytes, more than the {accepted} that its port accepts",
                evidence,
                judged=judged,
            )
