"""The comparer: one link to one verdict, with its evidence. Knows no rule and gives no advice.

Order of questions: do the figures mean lanes at all; does anything answer below; could the readings be read and
do they agree; are all lanes in use; is the speed the best both ends can do, and if not, what explains it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent import machine as topology
from agent.findings import Evidence, Rate, Verdict
from agent.throughput import link_mbps
from knowledge import pcie
from knowledge.rates import GTPS, describe
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.machine import Link, Machine
    from probes.facts import PciFunction

# Vendor numbers kept for emulated devices (docs/specs/pci-ids of the emulator project): their links are not wires.
EMULATED_VENDORS: Final = frozenset({0x1AF4, 0x1B36})
# The widest port an emulator offers by default; no connector of the trade has 32 lanes (common practice).
EMULATED_LANES: Final = 32
# Vendor-specific capability of host controllers that tunnel (drivers/pci/probe.c, set_pcie_thunderbolt).
TUNNEL_CAPABILITY: Final = 0x1234
SLOWEST: Final = 1
LOW_POWER: Final = frozenset({"D1", "D2", "D3hot"})
NOT_ASKED: Final = "no figure was given"


class Ability(Struct, frozen=True):
    """What one end can do. `speeds` are the generations it supports; `problem` says what is wrong or unread."""

    speeds: frozenset[int]
    width: int
    problem: str = ""
    evidence: tuple[Evidence, ...] = ()
    needs_root: bool = False

    @property
    def rate(self) -> Rate | None:
        """The fastest speed at the greatest width, None if either is not known."""
        return Rate(max(self.speeds), self.width) if self.speeds and self.width else None


class Judged(Struct, frozen=True):
    """A link with its verdict.

    `now` is the best of the looks taken; `looks` are all of them, (seconds after the first, rate or None).
    `why` is one sentence for people; `needs_root` tells that the super-user might learn more.
    """

    link: Link
    verdict: Verdict
    why: str
    now: Rate | None = None
    port_can: Rate | None = None
    device_can: Rate | None = None
    best: Rate | None = None
    evidence: tuple[Evidence, ...] = ()
    looks: tuple[tuple[float, Rate | None], ...] = ()
    needs_root: bool = False
    contradicts: bool = False
    port_hidden: bool = False

    @property
    def port_address(self) -> str | None:
        """The port's address, None where it is not visible."""
        return self.link.port.address if self.link.port is not None else None

    @property
    def device_address(self) -> str | None:
        """Function 0 of the component below, None where nothing answers."""
        return self.link.device.address if self.link.device is not None else None

    @property
    def mbps(self) -> float | None:
        """Link rate now, MB/s (10^6 bytes, one direction, after line coding); None where it says nothing."""
        if self.now is None or self.verdict is Verdict.VIRTUAL or self.link.device is None:
            return None
        return link_mbps(self.now.speed, self.now.width)

    @property
    def below_best(self) -> bool:
        """Whether another look could change the verdict: something is lower than both ends can do."""
        return self.verdict in {Verdict.NARROW, Verdict.SLOW, Verdict.SET_SLOW, Verdict.RESTING} or (
            self.verdict is Verdict.UNKNOWN and self.link.device is not None
        )


def judge(machine: Machine) -> tuple[Judged, ...]:
    """A verdict for every link of the machine, in the order of its links."""
    return tuple(_judge(link, machine) for link in machine.links)


def rate_text(rate: Rate) -> str:
    """A rate for people: "8 GT/s (Gen 3) x4"."""
    return f"{describe(rate.speed)} x{rate.width}"


def speed_text(speed: int) -> str:
    """A speed for people: "8 GT/s (Gen 3)"."""
    return describe(speed)


# --- One link --------------------------------------------------------------------------------------------------


def _judge(link: Link, machine: Machine) -> Judged:
    if link.integrated:
        return Judged(link, Verdict.VIRTUAL, "sits inside the root complex; there is no link to judge", evidence=_kind(link))
    if link.device is None:
        assert link.port is not None
        return _nothing_below(link, link.port)
    port_can = ability(link.port) if link.port is not None else None
    device_can = ability(link.device)
    looks = _looks(link, machine)
    made_up = _virtual(link, machine, port_can, device_can, looks[0][1])
    if made_up is not None:
        return Judged(
            link,
            Verdict.VIRTUAL,
            made_up.read,
            now=_rate(looks[0][1]),
            port_can=port_can.rate if port_can else None,
            device_can=device_can.rate,
            evidence=(made_up,),
        )
    return _compare(link, machine, port_can, device_can, looks)


def _kind(link: Link) -> tuple[Evidence, ...]:
    address = link.device.address if link.device is not None else ""
    return (Evidence(f"{address} PCI Express Capabilities: Device/Port Type", "integrated endpoint", "no link"),)


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
        looks=tuple((offset, _rate(reading)) for offset, reading in looks),
        port_hidden=bool(hidden),
    )
    agreed = _agreed(looks)
    if not agreed:
        first = looks[0][1]
        assert isinstance(first, _Trouble)
        return replace(
            judged,
            why=first.why,
            evidence=first.evidence,
            needs_root=first.needs_root,
            contradicts=first.contradicts,
        )
    reading = min(agreed, key=lambda one: (-one.rate.width, one.rate.speed))
    judged = replace(judged, now=reading.rate)
    if judged.best is None:
        return _one_end(judged, port_can, device_can, reading)
    for end in (None if hidden else port_can, device_can):
        if end is not None and end.problem and end.rate is not None:
            return replace(judged, why=end.problem, evidence=end.evidence, contradicts=True)
    abilities = (*(port_can.evidence if port_can and not hidden else ()), *device_can.evidence, *hidden)
    return _against_best(judged, machine, reading, looks, abilities)


def _hidden(link: Link, port_can: Ability | None) -> tuple[Evidence, ...]:
    """Evidence that the true port is not visible: none is there, or the one that is there is emulated."""
    if link.port is None:
        address = link.device.address if link.device is not None else ""
        return (Evidence(f"{address}: port above", "not visible from here", "the port's own registers"),)
    if port_can is not None and port_can.width == EMULATED_LANES:
        source = f"{link.port.address} Link Capabilities: Maximum Link Width"
        return (Evidence(source, f"x{EMULATED_LANES}, an emulated port", "the true port's own registers"),)
    return ()


def _against_best(
    judged: Judged,
    machine: Machine,
    reading: _Agreed,
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
        return _at_best(judged, evidence)
    return _below(judged, machine, (*_expect(reading, best), *_later(looks), *abilities), looks)


def _at_best(judged: Judged, evidence: tuple[Evidence, ...]) -> Judged:
    now, can = judged.now, judged.device_can
    assert now is not None
    if can is not None and (can.speed > now.speed or can.width > now.width):
        why = f"runs at {rate_text(now)}, the best of this slot; the card can do {rate_text(can)}"
        return replace(judged, verdict=Verdict.SLOT_LIMITED, why=why, evidence=evidence)
    why = f"runs at {rate_text(now)}, the best the card can do"
    if judged.port_hidden:
        why = f"{why}; judged by the card's own end alone, its port is not visible from here"
    return replace(judged, verdict=Verdict.FULL, why=why, evidence=evidence)


def _one_end(judged: Judged, port_can: Ability | None, device_can: Ability, reading: _Agreed) -> Judged:
    """An ability could not be read: what still can be said."""
    now = reading.rate
    if device_can.rate == now and not device_can.problem:
        return _at_best(judged, (*_expect(reading, now), *device_can.evidence))
    missing = device_can if device_can.rate is None else port_can
    why = "what both ends can do is not known"
    if missing is None:
        return replace(judged, why=why, evidence=_expect(reading, now))
    if missing.problem:
        why = f"{why}: {missing.problem}"
    return replace(
        judged, why=why, evidence=(*_expect(reading, now), *missing.evidence), needs_root=missing.needs_root
    )


def _below(
    judged: Judged, machine: Machine, evidence: tuple[Evidence, ...], looks: tuple[tuple[float, Reading], ...]
) -> Judged:
    now, best, link = judged.now, judged.best, judged.link
    assert now is not None
    assert best is not None
    can = "the card can do (its port is not visible from here)" if judged.port_hidden else "both ends can do"
    if now.width < best.width:
        also = f", and at {speed_text(now.speed)} of {speed_text(best.speed)}" if now.speed < best.speed else ""
        why = f"runs with {now.width} of the {best.width} lanes {can}{also}"
        return replace(judged, verdict=Verdict.NARROW, why=why, evidence=evidence)
    says = f"runs at {speed_text(now.speed)} of the {speed_text(best.speed)} {can}"
    target = None if judged.port_hidden else _target(link)
    if isinstance(target, Evidence):
        asked = int(target.expected)
        shown = Evidence(target.source, target.read, f"{speed_text(best.speed)} or more")
        evidence = (shown, *evidence)
        if now.speed == asked < best.speed:
            says = f"{says}, because the port is set to that speed"
            return replace(judged, verdict=Verdict.SET_SLOW, why=says, evidence=evidence)
    frozen, calm = _frozen(link), _calm(link, looks, machine)
    if calm and (frozen is None or any(one.rate.speed > _slowest(looks) for one in _agreed(looks))):
        return replace(judged, verdict=Verdict.RESTING, why=f"{says}; {calm[0].expected}", evidence=(*calm, *evidence))
    if frozen is not None:
        says = f"{says}; autonomous speed change is switched off at its own end, so it will stay there"
        evidence = (frozen, *evidence)
    if isinstance(target, Unread) and target.needs_root:
        says = f"{says}; whether a setting, power saving or a fault does that takes registers that root may read"
        shown = Evidence(target.what, target.why, "readable")
        return replace(judged, why=says, evidence=(*evidence, shown), needs_root=True)
    return replace(judged, verdict=Verdict.SLOW, why=says, evidence=evidence)


def _slowest(looks: Sequence[tuple[float, Reading]]) -> int:
    return min((reading.rate.speed for reading in _agreed(looks)), default=SLOWEST)


# --- What explains a low speed ---------------------------------------------------------------------------------


def _target(link: Link) -> Evidence | Unread | None:
    """The port's Target Link Speed; `expected` holds the generation. None where no port or no such register."""
    if link.port is None:
        return None
    told = link.port.registers.read(pcie.LINK_CONTROL_2, "target_link_speed")
    source = f"{link.port.address} Link Control 2: Target Link Speed"
    if isinstance(told, Unread):
        return Unread(source, told.why, told.needs_root)
    return Evidence(source, speed_text(told), str(told)) if told in GTPS else None


def _frozen(link: Link) -> Evidence | None:
    """Evidence that the card's own end may not change its speed by itself."""
    device = link.device
    if device is None:
        return None
    if device.registers.read(pcie.LINK_CONTROL_2, "hardware_autonomous_speed_disable") == 1:
        return Evidence(f"{device.address} Link Control 2: Hardware Autonomous Speed Disable", "1", "0")
    return None


def _calm(link: Link, looks: tuple[tuple[float, Reading], ...], machine: Machine) -> tuple[Evidence, ...]:
    """Evidence of power saving or autonomous speed change; `expected` of the first says it in words."""
    device = link.device
    found = []
    speeds = [(offset, reading.rate.speed) for offset, reading in looks if isinstance(reading, _Agreed)]
    fastest = max(speeds, key=lambda one: one[1])
    if fastest[1] > min(speed for _, speed in speeds):
        said = f"it was seen at {speed_text(fastest[1])} in another look"
        found.append(Evidence(f"look {fastest[0]:.1f} s after the first", speed_text(fastest[1]), said))
    if any(topology.is_display(function) for function in link.functions):
        address = next(function.address for function in link.functions if topology.is_display(function))
        found.append(Evidence(f"{address} class code", "display controller", "display cards lower their speed at idle"))
    if link.port is not None and _ever(link.port, machine, "link_autonomous_bandwidth_status"):
        source = f"{link.port.address} Link Status: Link Autonomous Bandwidth Status"
        found.append(Evidence(source, "1", "the hardware reported that it changed the speed by itself"))
    if device is not None and device.power_state in LOW_POWER:
        state = str(device.power_state)
        found.append(Evidence(f"{device.address} power state", state, f"the device sleeps lightly ({state})"))
    return tuple(found)


def _ever(function: PciFunction, machine: Machine, bit: str) -> bool:
    """Whether a bit of Link Status was set in any look."""
    all_looks = (function, *(look.functions.get(function.address) for look in machine.facts.looks))
    return any(one is not None and one.registers.read(pcie.LINK_STATUS, bit) == 1 for one in all_looks)


# --- Links whose figures are made up ---------------------------------------------------------------------------


def _virtual(
    link: Link, machine: Machine, port_can: Ability | None, device_can: Ability, first: Reading
) -> Evidence | None:
    """Evidence that a link's figures say nothing of lanes: `read` says why."""
    assert link.device is not None
    for end in (link.port, link.device):
        if end is not None and TUNNEL_CAPABILITY in end.registers.vendor_specific:
            return Evidence(f"{end.address} vendor-specific capability", "tunnelled through another cable", "a wired link")
    ends = [end for end in (link.port, link.device) if end is not None]
    slowest_port = port_can is None or not port_can.speeds or max(port_can.speeds) == SLOWEST
    slowest_device = not device_can.speeds or max(device_can.speeds) == SLOWEST
    for end in ends:
        if end.removable == "removable" and slowest_port and slowest_device:
            return Evidence(f"{end.address} removable", "tunnelled through another cable", "a wired link")
    guest = machine.facts.host.virtual is True
    emulated = guest or any(end.vendor_id in EMULATED_VENDORS for end in ends)
    emulated = emulated or (port_can is not None and port_can.width == EMULATED_LANES)
    if not emulated:
        return None
    flat = Rate(SLOWEST, 1)
    if link.device.link is None and _rate(first) is None:
        return Evidence(f"{link.device.address} link attributes", "emulated device without a link", "a wired link")
    if device_can.rate == flat and _rate(first) == flat:
        return Evidence(
            f"{link.device.address} Link Capabilities", "emulated device: its link figures are made up", "a wired link"
        )
    return None


# --- Nothing answers below the port ----------------------------------------------------------------------------


def _nothing_below(link: Link, port: PciFunction) -> Judged:
    can = ability(port).rate
    registers = port.registers
    implemented = registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented")
    active = _active(port)
    if isinstance(implemented, Unread):
        return _presence_by_driver(link, port, implemented, can)
    if active == 1:
        source = f"{port.address} Link Status: Data Link Layer Link Active"
        evidence = (Evidence(source, "1", "a function that answers below"),)
        return Judged(
            link, Verdict.UNKNOWN, "the link is up, but no function answers below it", port_can=can, evidence=evidence
        )
    if not implemented:
        return _no_slot(link, port, can)
    present = registers.read(pcie.SLOT_STATUS, "presence_detect_state")
    source = f"{port.address} Slot Status: Presence Detect State"
    if isinstance(present, Unread):
        evidence = (Evidence(source, present.why, "0 or 1"),)
        return Judged(
            link,
            Verdict.UNKNOWN,
            "whether a card is present could not be read",
            port_can=can,
            evidence=evidence,
            needs_root=present.needs_root,
        )
    if not present:
        return Judged(
            link, Verdict.EMPTY, "nothing is fitted", port_can=can, evidence=(Evidence(source, "0", "0 when empty"),)
        )
    evidence = (Evidence(source, "1 (card present)", "a link and a function that answers"), *_why_dark(port))
    why = "a card is detected, but there is no link"
    if len(evidence) > 1:
        why = f"{why}; {evidence[1].expected}"
    return Judged(link, Verdict.DARK, why, port_can=can, evidence=evidence)


def _active(port: PciFunction) -> int | None:
    """The link-active bit where the port reports it, else None."""
    offered = port.registers.read(pcie.LINK_CAPABILITIES, "data_link_layer_link_active_reporting_capable")
    told = port.registers.read(pcie.LINK_STATUS, "data_link_layer_link_active")
    return told if offered == 1 and isinstance(told, int) else None


def _why_dark(port: PciFunction) -> tuple[Evidence, ...]:
    """What the port says about a missing link; `expected` says it in words."""
    questions = (
        (pcie.LINK_CONTROL, "link_disable", "Link Control: Link Disable", "the link is switched off at the port"),
        (pcie.SLOT_CONTROL, "power_controller_control", "Slot Control: Power Controller Control", "the slot's power is off"),
        (pcie.LINK_STATUS, "link_training", "Link Status: Link Training", "the port is still training"),
        (
            pcie.LINK_STATUS,
            "link_bandwidth_management_status",
            "Link Status: Link Bandwidth Management Status",
            "the port tried to train and failed",
        ),
    )
    power = port.registers.read(pcie.SLOT_CAPABILITIES, "power_controller_present") == 1
    return tuple(
        Evidence(f"{port.address} {source}", "1", words)
        for layout, field, source, words in questions
        if port.registers.read(layout, field) == 1 and (power or field != "power_controller_control")
    )


def _no_slot(link: Link, port: PciFunction, can: Rate | None) -> Judged:
    """A port that leads to no slot: it cannot detect presence, so a failing link shows in the training bits alone."""
    tried = port.registers.read(pcie.LINK_STATUS, "link_bandwidth_management_status")
    if tried == 1 and _active(port) == 0:
        source = f"{port.address} Link Status: Link Bandwidth Management Status"
        evidence = (Evidence(source, "1 with the link down", "0 when nothing is fitted"),)
        why = "the port tried to train a link and failed; it leads to no slot, so presence is not known"
        return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence)
    source = f"{port.address} PCI Express Capabilities: Slot Implemented"
    evidence = (Evidence(source, "0", "no slot, nothing below"),)
    return Judged(link, Verdict.EMPTY, "leads to no slot, and nothing answers below", port_can=can, evidence=evidence)


def _presence_by_driver(link: Link, port: PciFunction, unread: Unread, can: Rate | None) -> Judged:
    """The port's registers are out of reach: a hot-plug driver may still tell."""
    name = link.slot.name if link.slot is not None else ""
    source = f"kernel slot {name}: adapter"
    if link.occupied is True:
        evidence = (Evidence(source, "1 (card present)", "a link and a function that answers"),)
        return Judged(link, Verdict.DARK, "a card is detected, but there is no link", port_can=can, evidence=evidence)
    if link.occupied is False:
        evidence = (Evidence(source, "0", "0 when empty"),)
        return Judged(link, Verdict.EMPTY, "nothing is fitted", port_can=can, evidence=evidence)
    evidence = (Evidence(f"{port.address} Slot Status: Presence Detect State", unread.why, "0 or 1"),)
    why = "nothing answers below; whether a card is present could not be read"
    return Judged(link, Verdict.UNKNOWN, why, port_can=can, evidence=evidence, needs_root=unread.needs_root)


# --- What an end can do ----------------------------------------------------------------------------------------


def ability(function: PciFunction) -> Ability:
    """What one end can do, by the supported-speeds vector and by the platform's attributes, which must agree."""
    told = _registered(function)
    attributes = function.link
    by_name = None
    if attributes is not None and isinstance(attributes.max_speed, int) and isinstance(attributes.max_width, int):
        by_name = Ability(
            frozenset(range(SLOWEST, attributes.max_speed + 1)),
            attributes.max_width,
            evidence=_says(f"{function.address} attributes max_link_speed, max_link_width", attributes.max_speed, attributes.max_width),
        )
    if told.rate is None:
        return by_name if by_name is not None and told.needs_root else _without(told, attributes is not None)
    if by_name is not None and by_name.rate != told.rate:
        return Ability(
            told.speeds,
            told.width,
            f"register and attribute of {function.address} contradict each other",
            (*told.evidence, *by_name.evidence),
        )
    return told


def _without(told: Ability, offered: bool) -> Ability:  # noqa: FBT001 - one caller
    if told.problem or offered:
        return told
    return Ability(frozenset(), 0, "this device has no link figures")


def _registered(function: PciFunction) -> Ability:
    source = f"{function.address} Link Capabilities"
    code = function.registers.read(pcie.LINK_CAPABILITIES, "max_link_speed")
    width = function.registers.read(pcie.LINK_CAPABILITIES, "maximum_link_width")
    for figure in (code, width):
        if isinstance(figure, Unread):
            evidence = (Evidence(source, figure.why, "readable"),)
            return Ability(frozenset(), 0, f"Link Capabilities of {function.address}: {figure.why}", evidence, figure.needs_root)
    assert isinstance(code, int)
    assert isinstance(width, int)
    if code not in GTPS or not width:
        read = f"speed code {code}, width {width}"
        return Ability(
            frozenset(), 0, f"Link Capabilities of {function.address} read {read}", (Evidence(source, read, "a speed and a width"),)
        )
    vector = function.registers.read(pcie.LINK_CAPABILITIES_2, "supported_link_speeds_vector")
    speeds = frozenset(range(SLOWEST, code + 1))
    if isinstance(vector, int) and vector:
        named = frozenset(speed for speed in GTPS if vector >> (speed - 1) & 1 and speed <= code)
        speeds = named or speeds
    return Ability(speeds, width, evidence=_says(f"{source} (with the supported-speeds vector)", max(speeds), width))


def _says(source: str, speed: int, width: int) -> tuple[Evidence, ...]:
    return (Evidence(source, f"up to {describe(speed)} x{width}", "its ability"),)


def _best(port: Ability | None, device: Ability) -> Rate | None:
    """The fastest speed and greatest width that both ends can do; None where an end is not known.

    Source: drivers/pci/pcie/bwctrl.c (speed is the highest bit set in both vectors, 2.5 GT/s if there is none).
    """
    if port is None or port.rate is None or device.rate is None:
        return None
    common = port.speeds & device.speeds
    return Rate(max(common) if common else SLOWEST, min(port.width, device.width))


# --- What the link runs at -------------------------------------------------------------------------------------


class _Agreed(Struct, frozen=True):
    """All readings of a link say the same rate."""

    rate: Rate
    sources: tuple[str, ...]


class _Trouble(Struct, frozen=True):
    """No rate: nothing could be read, or the readings contradict each other."""

    why: str
    evidence: tuple[Evidence, ...]
    needs_root: bool = False
    contradicts: bool = False


Reading = _Agreed | _Trouble


def _rate(reading: Reading) -> Rate | None:
    return reading.rate if isinstance(reading, _Agreed) else None


def _agreed(looks: Sequence[tuple[float, Reading]]) -> tuple[_Agreed, ...]:
    return tuple(reading for _, reading in looks if isinstance(reading, _Agreed))


def _looks(link: Link, machine: Machine) -> tuple[tuple[float, Reading], ...]:
    found = [(0.0, _read(link.port, link.device))]
    for look in machine.facts.looks:
        port = look.functions.get(link.port.address) if link.port is not None else None
        device = look.functions.get(link.device.address) if link.device is not None else None
        if port is not None or device is not None:
            found.append((look.offset, _read(port, device)))
    return tuple(found)


def _read(port: PciFunction | None, device: PciFunction | None) -> Reading:
    """The rate that every reading of both ends agrees on; the device's end is asked first."""
    rates: list[tuple[str, Rate]] = []
    silent: list[Unread] = []
    for function in (device, port):
        if function is None:
            continue
        for source, speed, width in _sources(function):
            if isinstance(speed, int) and isinstance(width, int) and speed in GTPS and width:
                rates.append((source, Rate(speed, width)))
            else:
                problem = next((one for one in (speed, width) if isinstance(one, Unread)), None)
                zero = Unread(source, f"reads speed code {speed}, width {width}")
                silent.append(Unread(source, problem.why, problem.needs_root) if problem is not None else zero)
    if not rates:
        evidence = tuple(Evidence(one.what, one.why, "a speed and a width") for one in silent)
        nothing = Evidence("link status", NOT_ASKED, "a speed and a width")
        why = f"its rate could not be read: {silent[0].why}" if silent else f"its rate could not be read: {NOT_ASKED}"
        return _Trouble(why, evidence or (nothing,), any(one.needs_root for one in silent))
    if len({rate for _, rate in rates}) > 1:
        evidence = tuple(Evidence(source, rate_text(rate), "the same at both ends") for source, rate in rates)
        return _Trouble("the readings of its two ends contradict each other", evidence, contradicts=True)
    return _Agreed(rates[0][1], tuple(source for source, _ in rates))


def _sources(function: PciFunction) -> tuple[tuple[str, int | Unread, int | Unread], ...]:
    registers = function.registers
    found = [
        (
            f"{function.address} Link Status",
            registers.read(pcie.LINK_STATUS, "current_link_speed"),
            registers.read(pcie.LINK_STATUS, "negotiated_link_width"),
        )
    ]
    if function.link is not None:
        source = f"{function.address} attributes current_link_speed, current_link_width"
        found.append((source, function.link.speed, function.link.width))
    return tuple(found)


def _expect(reading: _Agreed, best: Rate) -> tuple[Evidence, ...]:
    return (Evidence(reading.sources[0], rate_text(reading.rate), rate_text(best)),)


def _later(looks: Sequence[tuple[float, Reading]]) -> tuple[Evidence, ...]:
    """One line for all later looks."""
    if len(looks) < 2:  # noqa: PLR2004 - the first look and at least one more
        return ()
    seen = list(dict.fromkeys(rate_text(reading.rate) for reading in _agreed(looks[1:])))
    last = looks[-1][0]
    text = ", then ".join(seen) if seen else "no figure that both ends agree on"
    return (Evidence(f"{len(looks) - 1} more looks within {last:.1f} s", text, "the same or better"),)
