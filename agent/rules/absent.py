"""Rules about places that may hold a drive and do not answer: parts of a split slot, switches without a drive.

A place that is meant to be empty looks the same, so both are notes; where presence was not read, nothing is claimed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model import split_slots
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.machine import DOWNSTREAM_FACING, is_bridge
from agent.model.upwards import behind
from agent.model.verdicts import EMULATED_LANES, EMULATED_VENDORS, tunnel
from agent.rules.rule import CAPABILITIES, Compared, Found, Rule
from knowledge import pcie
from knowledge.phrasing import listed
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.model.split_slots import Parts
    from probes.facts import PciFunction

    Untold = Sequence[tuple[Judged, Unread]]  # ports, and why it is not known if something is there

STORAGE: Final = 0x01  # base class of drives and of what drives hang on (PCI Code and ID Assignment Specification)
# What a packet switch may have beside its ports, to copy, watch or manage: memory controller, other bridge, peripheral.
OF_SWITCHES: Final = frozenset({0x0580, 0x0680, 0x0880})
MOST_NAMES: Final = 8
PORTS: Final = DOWNSTREAM_FACING | {pcie.SWITCH_UPSTREAM_PORT, pcie.BRIDGE_TO_PCI}


# --- Parts of a split slot -------------------------------------------------------------------------------------


@Rule(
    id="slot-part-silent",
    severity=Severity.NOTE,
    title="Drives answer in some parts of a split slot, and nothing answers in the others",
    cause="free bays, or drives not seated",
    fires_on=("bench-1-half-carrier",),
    quiet_on=("bench-1-upgraded", "bench-1-parts-missing", "bench-1-ordinary-user", "bench-2-unsplit-slot"),
    steps=("count-drives", "reseat-drive", "try-drive-elsewhere"),
    shows="the drive answers, and lanewright check counts its part of the slot with the others",
    counted="As many as answer: nothing to do. More: go on with the next step.",
    compared=Compared(depth=CAPABILITIES, by_table=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A slot that the firmware splits into parts has at least one drive that answers and at least one "
            "part that stays silent. Each part of a split slot is a port of its own. A silent part may be an "
            "empty bay of the carrier or a drive without contact; both look the same, so count the drives. "
            "Reported only where firmware or registers say which ports belong to the slot, and not where a "
            "dark part or a build sheet already says it."
        ),
        evidence=(
            "Which ports carry the slot's description (System Slots with its peer groups), its name or its "
            "Physical Slot Number, and whether their lanes add up to the slot's; Presence Detect State (Slot "
            "Status) of each port with nothing below, or the word of a hot-plug driver."
        ),
        causes=(
            "A carrier with fewer drives than bays, which is fine",
            "A drive that is not fully seated",
            "A drive that is dead",
            "A slot that is split differently from how the carrier is wired",
        ),
        cannot_tell=(
            "Whether a silent part is an empty bay. Ports that the firmware hides while nothing is behind them "
            "are not seen, nor is a split that neither firmware nor registers show."
        ),
        source=(
            "System Management BIOS Reference Specification, System Slots (type 9), peer groups; PCI Express Base "
            "Specification, Slot Capabilities and Slot Status Registers; splitting: common practice."
        ),
        see_also=("split", "count-drives", "slot-unsplit", "plan-part-missing"),
    ),
)
def _slot_part_silent(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.machine.facts.host.virtual is True:
        return
    maybe_ports = split_slots.maybe_ports(seen.machine)
    for parts in split_slots.alike(seen.machine, seen.judged):
        answering = [part for part in parts if part.link.device is not None]
        if not answering or _straddled(answering) or _on_sheet(seen, parts) or any(_made_up(part) for part in parts):
            continue
        yield from _of_slot(seen, parts, answering, maybe_ports)


def _of_slot(
    seen: JudgedMachine, parts: Parts, answering: Parts, maybe_ports: Mapping[str, Sequence[PciFunction]]
) -> Iterator[Found | Unread]:
    """What is to be said of ports that are named as one slot, if anything."""
    functions = [
        function
        for part in answering
        for function in (*part.link.functions, *behind(part.link.functions, seen.machine.below))
    ]
    holds = _drive_among(seen, functions)
    unread = [(judged, told) for judged in parts if (told := _not_told(judged)) is not None]
    silent = [judged for judged in parts if judged.verdict is Verdict.EMPTY]
    more, why = split_slots.further(seen.machine, parts, maybe_ports)
    nothing_below = silent or unread or any(function.address not in seen.machine.below for function in more)
    if holds is False or not nothing_below:
        return
    if why is not None:
        yield _further_unread(parts, more, why)
    elif split_slots.is_one_slot(seen.machine, parts):
        if holds is None:
            yield _nature_unread(f"drives in {_slot_words(parts)}", functions)
        elif silent:
            yield _silent(parts, answering, silent, unread)
        else:
            yield _parts_unread(parts, answering, unread)


def _silent(parts: Parts, answering: Parts, silent: Parts, unread: Untold) -> Found:
    slot, count, one_is = _slot_words(parts), len(parts), len(silent) == 1
    headline = (
        f"is split into {len(parts)} and shows drives in {len(answering)} of them; "
        f"if {'a drive is' if one_is else 'drives are'} fitted at {_ports(silent)}, "
        f"{'it does' if one_is else 'they do'} not answer"
    )
    if unread:
        others = _ports([judged for judged, _ in unread])
        headline = f"{headline}; whether {others} {'holds' if len(unread) == 1 else 'hold'} one is not known"
    verb = "answers" if len(answering) == 1 else "answer"
    evidence = (
        Evidence(split_slots.source(parts), f"{slot} at {_ports(parts)}", f"one slot, split into {count}"),
        Evidence(f"parts of {slot}", f"{_ports(answering)} {verb}", f"all {count}, where each holds a drive"),
        *_absence(silent),
        *(Evidence(f"presence at {_ports((judged,))}", told.why, "readable") for judged, told in unread[:MOST_NAMES]),
    )
    # Places are filled in their order, so that the last one is the finding's subject for longest.
    subject = silent[-1].port_address or ""
    return Found(subject, headline, evidence, part=f"a drive that does not answer in {slot}", place=slot)


def _parts_unread(parts: Parts, answering: Parts, unread: Untold) -> Unread:
    """Parts of which it is not known whether they hold a drive, where no other is known to hold none."""
    if len(answering) + len(unread) == len(parts):
        rest = f"the other {len(unread)} hold drives" if len(unread) > 1 else "the other one holds a drive"
    else:
        rest = f"{len(unread)} of the others {'hold drives' if len(unread) > 1 else 'holds a drive'}"
    what = f"{_ports([judged for judged, _ in unread])} of {_slot_words(parts)}"
    return _because(
        what, f"{_counted(answering, parts)}; whether {rest} could not be read", [silence for _, silence in unread]
    )


def _further_unread(parts: Parts, more: Sequence[PciFunction], why: Unread) -> Unread:
    """How many parts the slot has is not known, and so not which of them answer."""
    ports = listed((function.address for function in more), most=MOST_NAMES)
    belong = "belongs" if len(more) == 1 else "belong"
    return _because(f"parts of {_slot_words(parts)}", f"whether {ports} {belong} to it could not be read", [why])


def _counted(answering: Parts, parts: Parts) -> str:
    verb = "answers" if len(answering) == 1 else "answer"
    return f"{len(answering)} of the {len(parts)} parts of {_slot_words(parts)} {verb}"


def _straddled(answering: Parts) -> bool:
    """Whether the one card that answers is wider than its part: it may sit across the slot, with no part left to it."""
    return len(answering) == 1 and any(
        judged.device_can is not None
        and judged.port_can is not None
        and judged.device_can.width > judged.port_can.width
        for judged in answering
    )


# --- Switches --------------------------------------------------------------------------------------------------


@Rule(
    id="switch-without-drive",
    severity=Severity.NOTE,
    title="A packet switch on a card in a slot has no drive, and nothing else, behind any of its ports",
    cause="no drives yet, or a power cable not connected",
    fires_on=("bench-2-bare-switch",),
    quiet_on=("bench-1-upgraded", "bench-1-switch-carrier", "bench-1-tunnelled-dock", "bench-1-parts-missing"),
    steps=("count-drives", "reseat-drive", "check-supply", "try-drive-elsewhere"),
    shows="the drive answers, and lanewright check shows it behind the switch",
    counted="None: nothing to do. One or more: go on with the next step.",
    compared=Compared(depth=CAPABILITIES, by_table=True),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A carrier card's packet switch answers, while none of its ports has anything behind it. A carrier "
            "without drives yet looks the same, so count the drives on it. The switch takes its power from the "
            "slot and shows up even when its drives have no power. Switches with hot-plug ports are left out, "
            "as those may be empty on purpose, and so is what a dark port or a build sheet already says."
        ),
        evidence=(
            "Device/Port Type of the switch's ports (PCI Express Capabilities), the functions listed below them, and "
            "Presence Detect State (Slot Status) of each port."
        ),
        causes=(
            "A carrier that has no drives yet, which is fine",
            "A power cable of the carrier that is not plugged in",
            "Drives that are not fully seated",
            "A loose cable between the card and its drives",
        ),
        cannot_tell=(
            "Whether drives were ever fitted. Ports that lead to no slot have no presence detect, and a switch "
            "below a port whose slot could not be read may belong to the board; nothing is claimed of either."
        ),
        source=(
            "PCI Express Base Specification, PCI Express Capabilities, Slot Capabilities and Slot Status Registers; "
            "the causes are common practice."
        ),
        see_also=("carrier", "count-drives", "check-supply", "plan-part-missing"),
    ),
)
def _switch_without_drive(seen: JudgedMachine) -> Iterator[Found | Unread]:
    if seen.machine.facts.host.virtual is True:
        return
    for judged in seen.judged:
        if not _is_switch_card(seen, judged) or _on_sheet(seen, (judged,)):
            continue
        inner = behind(judged.link.functions, seen.machine.below)
        others = [pci_function for pci_function in inner if not _is_port(seen, pci_function)]
        ports = _ports_at_end(seen, inner)
        if any(_known_device(seen, other) for other in others) or any(_elsewhere(port) for port in ports):
            continue
        what = f"drives behind the packet switch {judged.device_address} in {_slot_words((judged,))}"
        if others:
            yield _nature_unread(what, others)
        elif ports:
            yield _of_switch(judged, ports, what)


def _is_switch_card(seen: JudgedMachine, judged: Judged) -> bool:
    """Whether the link leads to a packet switch on a card, and to nothing beside it."""
    link, kinds = judged.link, seen.machine.kinds
    below = seen.machine.below.get(link.device.address, ()) if link.device is not None else ()
    if not any(kinds.get(function.address) == pcie.SWITCH_DOWNSTREAM_PORT for function in below):
        return False
    if link.onboard or not split_slots.is_board_slot(seen.machine, link) or _made_up(judged):
        return False
    beside = [function.class_code for function in link.functions if function is not link.device]
    return all(isinstance(code, int) and code >> 8 in OF_SWITCHES for code in beside)


def _ports_at_end(seen: JudgedMachine, functions: Iterable[PciFunction]) -> list[Judged]:
    """The ports among these functions below which nothing answers, by address."""
    addresses = {function.address for function in functions}
    found = [judged for judged in seen.judged if judged.port_address in addresses and judged.link.device is None]
    return sorted(found, key=split_slots.by_port)


def _is_port(seen: JudgedMachine, function: PciFunction) -> bool:
    """Whether a function is a port of a switch or another bridge, by its class or its register."""
    return is_bridge(function) or seen.machine.kinds.get(function.address) in PORTS


def _known_device(seen: JudgedMachine, function: PciFunction) -> bool:
    """Whether a function that is no port is known to be a device of some kind."""
    return isinstance(function.class_code, int) or any(
        drive.address == function.address for drive in seen.machine.facts.drives
    )


def _elsewhere(judged: Judged) -> bool:
    """Whether a port of a switch is no place for a drive on a card, or has a finding of its own.

    Ports for hot-plug may lead outside; a slot that the firmware describes makes it a switch of the board.
    """
    port, slot = judged.link.port, judged.link.slot
    assert port is not None
    plugged = port.registers.read(pcie.SLOT_CAPABILITIES, "hot_plug_capable") == 1
    if plugged or _made_up(judged) or (slot is not None and slot.board is not None):
        return True
    return judged.verdict is Verdict.DARK or judged.notable


def _of_switch(judged: Judged, ports: Parts, what: str) -> Found | Unread:
    """A switch behind which nothing answers: a note where all its ports feel nothing, else why that is not known."""
    unread = [(port, told) for port in ports if (told := _not_told(port)) is not None]
    if unread:
        which = f"{_ports([link for link, _ in unread])} {'holds a drive' if len(unread) == 1 else 'hold drives'}"
        return _because(what, f"nothing answers; whether {which} could not be read", [told for _, told in unread])
    bays = [port for port in ports if not _leads_to_no_slot(port)]
    if not bays:
        return Unread(what, "nothing answers, and its ports lead to no slot, so that they detect no presence either")
    slot, count = _slot_words((judged,)), len(bays)
    at_ports = f"one of its {count} ports" if count > 1 else "its port"
    return Found(
        judged.device_address or "",
        f"shows no drive behind its packet switch; if one is fitted at {at_ports}, it does not answer",
        (
            Evidence(f"{judged.device_address} ports", f"nothing behind {_ports(bays)}", "a drive behind one of them"),
            *_absence(bays),
        ),
        part=f"a drive that does not answer on the carrier in {slot}",
        place=slot,
    )


# --- What both ask ---------------------------------------------------------------------------------------------


def _drive_among(seen: JudgedMachine, functions: Sequence[PciFunction]) -> bool | None:
    """Whether one of these is a drive, or what drives hang on; None where a class code could not be read."""
    drives = {drive.address for drive in seen.machine.facts.drives}
    codes = [function.class_code for function in functions]
    if any(function.address in drives for function in functions):
        return True
    if any(isinstance(code, int) and code >> 16 == STORAGE for code in codes):
        return True
    return None if any(isinstance(code, Unread) for code in codes) else False


def _nature_unread(what: str, functions: Sequence[PciFunction]) -> Unread:
    """Why it is not known whether something that answers is a drive."""
    one, told = next(
        (function, function.class_code) for function in functions if isinstance(function.class_code, Unread)
    )
    return _because(what, f"what {one.address} is could not be read", [told])


def _because(what: str, why: str, lost: Sequence[Unread]) -> Unread:
    """What could not be told, for want of these readings."""
    told = of(what, lost[0])
    root, vital = all(unread.needs_root for unread in lost), any(unread.vital for unread in lost)
    return replace(told, why=f"{why}: {told.why}", needs_root=root, vital=vital)


def _made_up(judged: Judged) -> bool:
    """Whether a link or its port is emulated or tunnelled, so that what hangs there is no matter of a slot."""
    ends, can = judged.link.ends, judged.port_can
    if judged.verdict is Verdict.VIRTUAL or tunnel(ends, slowest=True) is not None:
        return True
    return any(end.vendor_id in EMULATED_VENDORS for end in ends) or (can is not None and can.width == EMULATED_LANES)


def _leads_to_no_slot(judged: Judged) -> bool:
    """Whether a port says that it leads to no slot: then it detects no presence."""
    port = judged.link.port
    return port is not None and port.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented") == 0


def _not_told(judged: Judged) -> Unread | None:
    """Why it is not known if something is at a port; None where it is, or where a finding of its own tells."""
    port = judged.link.port
    if port is None or judged.link.device is not None or judged.notable or judged.verdict is not Verdict.UNKNOWN:
        return None
    implemented = port.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented")
    present = port.registers.read(pcie.SLOT_STATUS, "presence_detect_state")
    readings = (implemented, judged.link.below_lost, present)
    return next((reading for reading in readings if isinstance(reading, Unread)), None)


def _on_sheet(seen: JudgedMachine, links: Iterable[Judged]) -> bool:
    """Whether a build sheet has a part at one of these links: then it tells what should answer there."""
    if seen.matched is None:
        return False
    told: set[str] = set()
    for part in seen.matched.parts():
        told |= {judged.link.key for judged in (part.spot.wide if part.spot is not None else ())}
        told |= {part.link.link.key} if part.link is not None else set()
    return any(link.link.key in told for link in links)


def _absence(ports: Parts) -> Iterator[Evidence]:
    """What shows that nothing is at each of these ports."""
    for port in ports[:MOST_NAMES]:
        for told in port.evidence:
            yield Evidence(told.source, told.read, "a drive, where one is fitted")


def _ports(links: Parts) -> str:
    return listed((link.port_address or link.link.key for link in links), most=MOST_NAMES)


def _slot_words(links: Parts) -> str:
    slot = links[0].link.slot
    assert slot is not None
    return slot.words
