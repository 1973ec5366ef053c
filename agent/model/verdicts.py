"""The comparer: one link to one verdict, with its evidence. Knows no rule and gives no advice.

The questions are asked in the order of `QUESTIONS`, each only of links that those before left over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model import machine as topology
from agent.model.abilities import (
    SLOWEST,
    WIRED_LANES,
    Ability,
    Agreed,
    Reading,
    Trouble,
    ability,
    port_ability,
    rate_of,
    rate_text,
    read,
    speed_text,
)
from agent.model.findings import Evidence, Rate, Verdict
from agent.model.judged import Judged
from agent.model.latched import latched
from agent.model.presence import nothing_below
from knowledge import pcie
from knowledge.rates import GTPS
from probes.decode import NOT_GIVEN, NOT_OFFERED
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.machine import Link, Machine
    from probes.facts import PciFunction

# Vendor numbers kept for emulated devices (docs/specs/pci-ids of the emulator project): their links are not wires.
EMULATED_VENDORS: Final = frozenset({0x1AF4, 0x1B36})
# The widest port an emulator offers by default; no connector of the trade has 32 lanes (common practice).
EMULATED_LANES: Final = 32
# Vendor-specific capability of host controllers that tunnel (drivers/pci/probe.c, set_pcie_thunderbolt).
TUNNEL_CAPABILITY: Final = 0x1234
# The property of a function below a tunnel. Source: IOPCIFamily, IOPCIDevice.cpp (Darwin).
TUNNELLED: Final = "IOPCITunnelled"
TUNNEL: Final = "tunnelled through another cable"
# Sound cards have one lane, now and then four (common practice); the audio function of a display card has its link.
MOST_SOUND_LANES: Final = 4
# What is said of a link whose best is that of its card alone.
BY_ONE_END: Final = "; judged by the card's end alone, as its port is not visible from here"
# For people: the manual prints them.
QUESTIONS: Final = (
    "Do the figures mean lanes at all?",
    "Does anything answer below?",
    "Could the readings be read and do they agree?",
    "Are all lanes in use?",
    "Is the speed the best both ends can do, and if not, what explains it?",
)
LOW_POWER: Final = frozenset({"D1", "D2", "D3hot"})


def judge(machine: Machine) -> tuple[Judged, ...]:
    """A verdict for every link of the machine, in the order of its links."""
    return tuple(_judge(link, machine) for link in machine.links)


# --- One link --------------------------------------------------------------------------------------------------


def _judge(link: Link, machine: Machine) -> Judged:
    if link.integrated:
        return Judged(
            link, Verdict.VIRTUAL, "sits inside the root complex; there is no link to judge", evidence=_kind(link)
        )
    if link.device is None:
        assert link.port is not None
        return nothing_below(link, link.port)
    port_can = port_ability(link.port) if link.port is not None else None
    device_can = ability(link.device)
    looks = _looks(link, machine)
    made_up = _virtual(link, machine, port_can, device_can, looks[0][1])
    if made_up is not None:
        return Judged(
            link,
            Verdict.VIRTUAL,
            made_up.read,
            now=rate_of(looks[0][1]),
            port_can=port_can.rate if port_can else None,
            device_can=device_can.rate,
            evidence=(made_up,),
        )
    lost = next((end.tunnelled for end in link.ends if isinstance(end.tunnelled, Unread)), None)
    if lost is not None:
        why = f"whether its figures are those of a tunnel through another cable could not be read: {lost.why}"
        shown = Evidence(lost.what, lost.why, "yes or no")
        port = port_can.rate if port_can else None
        return Judged(link, Verdict.UNKNOWN, why, port_can=port, device_can=device_can.rate, evidence=(shown,))
    return _compare(link, machine, port_can, device_can, looks)


def _kind(link: Link) -> tuple[Evidence, ...]:
    """What shows that a device is integrated: its own register, or its place where that is out of reach."""
    assert link.device is not None
    address = link.device.address
    if isinstance(link.device.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "device_port_type"), int):
        return (Evidence(f"{address} PCI Express Capabilities: Device/Port Type", "integrated endpoint", "no link"),)
    return (Evidence(f"{address} place in the tree", "on a root bus, without figures of a link", "no link"),)


def _compare(
    link: Link,
    machine: Machine,
    port_can: Ability | None,
    device_can: Ability,
    looks: tuple[tuple[float, Reading], ...],
) -> Judged:
    hidden = _hidden(link, port_can)
    judged = Judged(
        link,
        Verdict.UNKNOWN,
        "",
        port_can=port_can.rate if port_can is not None else None,
        device_can=device_can.rate,
        best=device_can.rate if hidden else _best(port_can, device_can),
        looks=tuple((offset, rate_of(reading)) for offset, reading in looks),
        port_hidden=bool(hidden),
    )
    agreed = _agreed(looks)
    if not agreed:
        first = looks[0][1]
        assert isinstance(first, Trouble)
        return replace(
            judged,
            why=first.why,
            evidence=first.evidence,
            needs_root=first.needs_root,
            contradicts=first.contradicts,
        )
    lanes = _lanes(agreed)
    reading = min(
        (agreement for agreement in agreed if agreement.rate.width == lanes), key=lambda agreement: agreement.rate.speed
    )
    judged = replace(judged, now=reading.rate)
    best = judged.best
    if best is None:
        return _one_end(judged, port_can, device_can, reading)
    for end in (None if hidden else port_can, device_can):
        if end is not None and end.problem:
            return replace(judged, why=end.problem, evidence=end.evidence, contradicts=True)
    # At its best, a link falls short of the card alone, if of anything; then its port is held against the card.
    asked = device_can.rate if reading.rate == best and device_can.rate is not None else best
    abilities = (
        *_at_least(port_can.evidence if port_can and not hidden else (), asked),
        *_at_least(device_can.evidence, asked),
        *hidden,
    )
    return _against_best(judged, machine, reading, looks, abilities)


def _lanes(agreed: Sequence[Agreed]) -> int:
    """The lanes that count: those of the last look, or the fewest where lanes come and go while one looks.

    A first look that differs from all later ones (two at least) is a link that settled.
    """
    widths = [agreement.rate.width for agreement in agreed]
    settled = len(set(widths[1:])) == 1 and len(widths) > 2  # noqa: PLR2004 - the first look and two that agree
    return widths[-1] if settled else min(widths)


def _at_least(evidence: tuple[Evidence, ...], asked: Rate) -> tuple[Evidence, ...]:
    """An end's ability beside the rate that is asked of it."""
    return tuple(Evidence(item.source, item.read, f"{rate_text(asked)} or more") for item in evidence)


def _hidden(link: Link, port_can: Ability | None) -> tuple[Evidence, ...]:
    """Evidence that the true port is not visible: none is there, or the one that is there is emulated.

    A port that is there, and could not be found as a reading failed, is another matter: then its ability is unread.
    """
    if link.port_lost is not None:
        return ()
    if link.port is None:
        assert link.device is not None
        return (Evidence(f"{link.device.address}: port above", "not visible from here", "the port's own registers"),)
    if port_can is not None and port_can.width == EMULATED_LANES:
        source = f"{link.port.address} Link Capabilities: Maximum Link Width"
        return (Evidence(source, f"x{EMULATED_LANES}, an emulated port", "the true port's own registers"),)
    return ()


def _against_best(
    judged: Judged,
    machine: Machine,
    reading: Agreed,
    looks: tuple[tuple[float, Reading], ...],
    abilities: tuple[Evidence, ...],
) -> Judged:
    now, best = judged.now, judged.best
    assert now is not None
    assert best is not None
    evidence = (*_expect(reading, best), *abilities)
    if now.speed > best.speed or now.width > best.width:
        why = f"runs at {rate_text(now)}, more than both ends say they can do ({rate_text(best)})"
        return replace(judged, why=why, evidence=evidence, contradicts=True)
    if now == best:
        varied = len({rate for _, rate in judged.looks}) > 1
        return _at_best(judged, (*_expect(reading, best), *_later(looks), *abilities) if varied else evidence)
    return _below(judged, machine, (*_expect(reading, best), *_later(looks), *abilities), looks)


def _at_best(judged: Judged, evidence: tuple[Evidence, ...]) -> Judged:
    now, can = judged.now, judged.device_can
    assert now is not None
    if can is not None and (can.speed > now.speed or can.width > now.width):
        place = "this slot" if judged.link.slot is not None else "its port"
        why = f"runs at {rate_text(now)}, the card can do {rate_text(can)}; {place} can do no more"
        return replace(judged, verdict=Verdict.SLOT_LIMITED, why=why, evidence=evidence)
    why = f"runs at {rate_text(now)}, the best the card can do"
    if judged.port_hidden:
        why = f"{why}{BY_ONE_END}"
    return replace(judged, verdict=Verdict.FULL, why=why, evidence=evidence)


def _one_end(judged: Judged, port_can: Ability | None, device_can: Ability, reading: Agreed) -> Judged:
    """An ability could not be read: what still can be said."""
    now = reading.rate
    if device_can.rate == now and not device_can.problem:
        return _at_best(judged, (*_expect(reading, now), *_at_least(device_can.evidence, now)))
    missing = device_can if device_can.rate is None else port_can
    why = f"runs at {rate_text(now)}"
    can = device_can.rate
    if can is not None:
        why = f"{why}, the card alone can do {rate_text(can)}"
    why = f"{why}; what both ends can do is not known"
    if missing is None:
        return _without_port(replace(judged, why=why, evidence=_expect(reading, can or now)))
    why = f"{why}: {missing.problem}"
    known = _at_least(device_can.evidence, can) if can is not None else ()
    evidence = (*_expect(reading, can or now), *known, *missing.evidence)
    return replace(judged, why=why, evidence=evidence, needs_root=missing.needs_root)


def _without_port(judged: Judged) -> Judged:
    """With the reason why the port could not be found."""
    lost = judged.link.port_lost
    assert lost is not None
    shown = Evidence(lost.what, lost.why, "readable")
    why = f"{judged.why}: {lost.what} could not be read"
    return replace(judged, why=why, evidence=(*judged.evidence, shown), needs_root=lost.needs_root)


def _below(
    judged: Judged, machine: Machine, evidence: tuple[Evidence, ...], looks: tuple[tuple[float, Reading], ...]
) -> Judged:
    now, best, link = judged.now, judged.best, judged.link
    assert now is not None
    assert best is not None
    one_end = BY_ONE_END if judged.port_hidden else ""
    if now.width < best.width:
        also = f", at {speed_text(now.speed)} instead of {speed_text(best.speed)}" if now.speed < best.speed else ""
        why = f"runs with {now.width} of {best.width} lanes{also}{one_end}"
        if len({agreed.rate.width for agreed in _agreed(looks)}) > 1:
            why = f"{why}; its lanes come and go from look to look"
        # Width first, also where the speed is low: lost lanes point at contacts, and what cures them often cures both.
        return _narrow(replace(judged, why=why, evidence=evidence), machine)
    says = f"runs at {speed_text(now.speed)} instead of {speed_text(best.speed)}{one_end}"
    target = None if judged.port_hidden else _target(link)
    if isinstance(target, Evidence):
        asked = int(target.expected)
        shown = Evidence(target.source, target.read, f"{speed_text(best.speed)} or more")
        evidence = (shown, *evidence)
        if now.speed == asked:
            says = f"is set to {speed_text(now.speed)} at its port, can do {speed_text(best.speed)}"
            if asked == SLOWEST:
                says = f"{says}; set by the firmware, or by the kernel after link training failed"
            return replace(judged, verdict=Verdict.SET_SLOW, why=says, evidence=evidence)
    frozen, calm = _frozen(link), _calm(link, looks, machine)
    if calm and (frozen is None or any(agreed.rate.speed > _slowest(looks) for agreed in _agreed(looks))):
        why = f"rests at {speed_text(now.speed)}, can do {speed_text(best.speed)}{one_end}; {calm[0][1]}"
        return replace(judged, verdict=Verdict.RESTING, why=why, evidence=(*(item for item, _ in calm), *evidence))
    if frozen is not None:
        says = f"{says}; its own end may not change its speed by itself, so it may stay slow"
        evidence = (frozen, *evidence)
    lost = _unexplained(link, machine, target)
    if lost is not None:
        shown = Evidence(lost.what, lost.why, "readable")
        what = "whether a setting, power saving or a fault does that"
        takes = "takes registers that root may read" if lost.needs_root else f"could not be read: {lost.why}"
        return replace(judged, why=f"{says}; {what} {takes}", evidence=(*evidence, shown), needs_root=lost.needs_root)
    if isinstance(target, Unread) and target.why == NOT_GIVEN:
        says = f"{says}; whether it is set so at its port is not given by this platform"
        evidence = (*evidence, Evidence(target.what, target.why, f"{speed_text(best.speed)} or more"))
    return replace(judged, verdict=Verdict.SLOW, why=says, evidence=(*evidence, *_corrected(link, machine)))


def _narrow(judged: Judged, machine: Machine) -> Judged:
    """Lanes are missing; `unknown` where the slot may have no more, as nobody could read how many are wired to it."""
    corrected = _corrected(judged.link, machine)
    wired = None if judged.link.port is None or judged.port_hidden else judged.link.port.wired_lanes
    if not isinstance(wired, Unread):
        return replace(judged, verdict=Verdict.NARROW, evidence=(*judged.evidence, *corrected))
    shown = Evidence(wired.what, wired.why, "readable")
    why = f"{judged.why}; how many are wired to its slot ({WIRED_LANES}) could not be read: {wired.why}"
    return replace(judged, verdict=Verdict.UNKNOWN, why=why, evidence=(*judged.evidence, shown, *corrected))


def _slowest(looks: Sequence[tuple[float, Reading]]) -> int:
    return min((reading.rate.speed for reading in _agreed(looks)), default=SLOWEST)


# --- What explains a low speed ---------------------------------------------------------------------------------


def _target(link: Link) -> Evidence | Unread | None:
    """The port's Target Link Speed; `expected` holds the generation. None where the register names no speed."""
    assert link.port is not None
    told = link.port.registers.read(pcie.LINK_CONTROL_2, "target_link_speed")
    source = f"{link.port.address} Link Control 2: Target Link Speed"
    if isinstance(told, Unread):
        return of(source, told)
    return Evidence(source, speed_text(told), str(told)) if told in GTPS else None


def _unexplained(link: Link, machine: Machine, target: Evidence | Unread | None) -> Unread | None:
    """A reading that might have explained a low speed, and could not be taken; None where all of them were.

    What a device does not have, and what the system never gives, was not missed.
    """
    if isinstance(target, Unread) and target.why not in {NOT_OFFERED, NOT_GIVEN}:
        # It stands past the bytes that every user may read, and may be set on purpose: to call the link slow could have
        # a good card pulled.
        return target
    assert link.device is not None
    state = link.device.power_state
    if isinstance(state, Unread) and (state.failed or state.needs_root):
        return of(f"{link.device.address} power state", state)
    return topology.may_drive_display(link, machine.below)


def _frozen(link: Link) -> Evidence | None:
    """Evidence that the card's own end may not change its speed by itself."""
    device = link.device
    assert device is not None
    if device.registers.read(pcie.LINK_CONTROL_2, "hardware_autonomous_speed_disable") == 1:
        return Evidence(f"{device.address} Link Control 2: Hardware Autonomous Speed Disable", "1", "0")
    return None


def _corrected(link: Link, machine: Machine) -> tuple[Evidence, ...]:
    """Evidence that the hardware changed the link to keep it reliable. Clear bits prove nothing and say nothing."""
    if link.port is None or not _ever(link.port, machine, "link_bandwidth_management_status"):
        return ()
    source = f"{link.port.address} Link Status: Link Bandwidth Management Status"
    changed = latched(link.port, "1, changed to keep it reliable or trained anew")
    return (Evidence(source, changed, "0"),)


def _calm(link: Link, looks: tuple[tuple[float, Reading], ...], machine: Machine) -> tuple[tuple[Evidence, str], ...]:
    """Evidence of power saving or autonomous speed change, each with the same in words."""
    found = []
    device = link.device
    assert device is not None
    speeds = [(offset, reading.rate.speed) for offset, reading in looks if isinstance(reading, Agreed)]
    slowest, fastest = min(speed for _, speed in speeds), max(speeds, key=lambda speed: speed[1])
    if fastest[1] > slowest:
        seen = speed_text(fastest[1])
        words = f"it was seen at {seen} {fastest[0]:.1f} s later" if fastest[0] else f"it was seen at {seen} at first"
        found.append((Evidence(f"look {fastest[0]:.1f} s after the first", seen, f"{seen} or more at times"), words))
    display = topology.drives_display(link, machine.below)
    if display is not None:
        evidence = Evidence(f"{display.address} class code", "display controller", "its best speed only at work")
        found.append((evidence, "display cards slow down when idle"))
    elif read := _display_sound(device):
        evidence = Evidence(f"{device.address} class code, Link Capabilities", read, "its best speed only at work")
        found.append((evidence, "it is part of a display card, by its lanes, and those slow down when idle"))
    if link.port is not None and _ever(link.port, machine, "link_autonomous_bandwidth_status"):
        source = f"{link.port.address} Link Status: Link Autonomous Bandwidth Status"
        words = "the hardware reported that it changed the speed by itself"
        found.append((Evidence(source, latched(link.port), "0"), words))
    if device.power_state in LOW_POWER:
        state = str(device.power_state)
        found.append(
            (Evidence(f"{device.address} power state", state, "D0"), f"the device is in light sleep ({state})")
        )
    return tuple(found)


def _display_sound(device: PciFunction) -> str:
    """What shows that an audio function is that of a display card, where the status may be one of start-up; "" else."""
    lanes = ability(device).width
    if device.fresh == "live" or not topology.is_audio(device) or lanes <= MOST_SOUND_LANES:
        return ""
    return f"audio function on a link of {lanes} lanes"


def _ever(function: PciFunction, machine: Machine, bit: str) -> bool:
    """Whether a bit of Link Status was set in any look."""
    all_looks = (function, *(look.functions[function.address] for look in machine.looks_at(function)))
    return any(all_look.registers.read(pcie.LINK_STATUS, bit) == 1 for all_look in all_looks)


# --- Links whose figures are made up ---------------------------------------------------------------------------


def _virtual(
    link: Link, machine: Machine, port_can: Ability | None, device_can: Ability, first: Reading
) -> Evidence | None:
    """Evidence that a link's figures say nothing of lanes: `read` says why."""
    assert link.device is not None
    ends = link.ends
    # The port speaks for the link where it says anything: behind it a card may well be able to do more.
    speeds = (port_can.speeds if port_can is not None else None) or device_can.speeds
    tunnelled = tunnel(ends, slowest=bool(speeds) and max(speeds) == SLOWEST)
    if tunnelled is not None:
        return tunnelled
    guest = machine.facts.host.virtual is True
    emulated = guest or any(end.vendor_id in EMULATED_VENDORS for end in ends)
    emulated = emulated or (port_can is not None and port_can.width == EMULATED_LANES)
    if not emulated:
        return None
    flat = Rate(SLOWEST, 1)
    if link.device.link is None and rate_of(first) is None:
        return Evidence(f"{link.device.address} link attributes", "emulated device without a link", "a wired link")
    if device_can.rate == flat and rate_of(first) == flat:
        sure = any(end.vendor_id in EMULATED_VENDORS for end in ends)
        words = "emulated device: its link figures are made up" if sure else "link figures that an emulator makes up"
        return Evidence(f"{link.device.address} Link Capabilities", words, "a wired link")
    return None


def tunnel(ends: tuple[PciFunction, ...], *, slowest: bool) -> Evidence | None:
    """Evidence that a link is carried by another cable, as the platform says or an end shows.

    A tunnel calls itself 2.5 GT/s (`slowest`); faster ports of its controllers are wired.
    """
    for end in ends:
        if end.tunnelled is True:
            return Evidence(f"{end.address} {TUNNELLED}", TUNNEL, "a wired link")
        if slowest and TUNNEL_CAPABILITY in end.registers.vendor_specific:
            source = f"{end.address} vendor-specific capability"
            return Evidence(source, TUNNEL, "a wired link")
        if slowest and end.removable == "removable":
            return Evidence(f"{end.address} removable", TUNNEL, "a wired link")
    return None


# --- Readings and best -------------------------------------------------------------------------------------------


def _looks(link: Link, machine: Machine) -> tuple[tuple[float, Reading], ...]:
    assert link.device is not None
    found = [(0.0, read(link.port, link.device))]
    for look in machine.looks_at(*link.ends):
        port = look.functions.get(link.port.address) if link.port is not None else None
        found.append((look.offset, read(port, look.functions.get(link.device.address))))
    return tuple(found)


def _agreed(looks: Sequence[tuple[float, Reading]]) -> tuple[Agreed, ...]:
    return tuple(reading for _, reading in looks if isinstance(reading, Agreed))


def _best(port: Ability | None, device: Ability) -> Rate | None:
    """The fastest speed and greatest width that both ends can do; None where an end is not known.

    Source: drivers/pci/pcie/bwctrl.c (speed is the highest bit set in both vectors, 2.5 GT/s if there is none).
    """
    if port is None or port.rate is None or device.rate is None:
        return None
    common = port.speeds & device.speeds
    return Rate(max(common) if common else SLOWEST, min(port.width, device.width))


def _expect(reading: Agreed, best: Rate) -> tuple[Evidence, ...]:
    return (Evidence(reading.sources[0], rate_text(reading.rate), rate_text(best)),)


def _later(looks: Sequence[tuple[float, Reading]]) -> tuple[Evidence, ...]:
    """One line for all later looks, in their order; the same rate several times in a row stands once."""
    if len(looks) < 2:  # noqa: PLR2004 - the first look and at least one more
        return ()
    said: list[str] = []
    for _, reading in looks[1:]:
        words = rate_text(reading.rate) if isinstance(reading, Agreed) else "not read"
        if isinstance(reading, Trouble) and reading.contradicts:
            words = "ends that contradict each other"
        if not said or said[-1] != words:
            said.append(words)
    source = f"{len(looks) - 1} more look{'s' if len(looks) > 2 else ''} within {looks[-1][0]:.1f} s"  # noqa: PLR2004
    return (Evidence(source, ", then ".join(said), "the same or better"),)
