"""Rules about slots: better places, swaps, slots that stay dark, slots that are not split, power and latch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.better_slots import movable
from agent.model.explained import Explained
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.latched import READ_AS_OF, is_history, latched
from agent.model.unseen_parts import TELLS_OF_SLOTS, missed
from agent.rules.rule import CAPABILITIES, Compared, Found, Rule
from knowledge import pcie
from knowledge.phrasing import mbps
from knowledge.steps import CONTACT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from probes.facts import BoardSlot, PciFunction
    from probes.unread import Unread


@Rule(
    id="slot-limited",
    severity=Severity.LIMIT,
    title="A card runs at the best of its slot but could do more in a better one",
    fires_on=("bench-1-slot-limited", "bench-3-swap-wanted"),
    quiet_on=("bench-1-upgraded", "bench-2-worn-riser"),
    steps=("move", "swap", "plan-places"),
    compared=Compared(rests_on="verdict", alike="to change"),
    measured="lowers",
    explained=Explained(
        meaning=(
            "A card could run faster or with more lanes than the slot it sits in has to give. Better slots of "
            "this machine are named, free ones first, with the rate the card would reach there. It is only a "
            "note where nothing would be gained, or where the device is not in a slot."
        ),
        evidence=(
            "The card's own Link Capabilities, those of its port, and the firmware's description of the slots: lanes "
            "wired, connector, kind, and what is in use."
        ),
        causes=(
            "A slot with fewer lanes wired than its connector has",
            "A slot of an older generation",
            "Lanes taken by the slot beside it, or by a split",
        ),
        cannot_tell=(
            "Whether the card fits: the machine does not know length, height, cables or shared lanes. A better "
            "slot that another card needs is not offered. Where neither port nor name shows whether it is in a "
            "slot at all, the report says so."
        ),
        source=(
            "PCI Express Base Specification, Link Capabilities Register; System Management BIOS Reference "
            "Specification, System Slots (type 9)."
        ),
        see_also=("slot-swap", "move", "swap"),
    ),
)
def _slot_limited(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.SLOT_LIMITED):
        move = seen.moves.get(judged.link.key)
        stays = _why_it_stays(seen, judged)
        lost = judged.link.slot_lost if not stays else None
        headline = f"{judged.why}; {stays}" if stays else judged.why
        if lost is not None:
            headline = f"{headline}; whether it sits in a slot could not be read ({lost.why}); {TELLS_OF_SLOTS}"
        if move is not None:
            held = " is free and" if move.swaps_with is None else f", held by {move.swaps_with},"
            headline = f"{headline}; {move.slot}{held} would give {rate_text(move.rate)}"
        ordered = seen.sheet_moves(judged.link.key)
        wiring, taken = _wiring(judged)
        unread = () if lost is None else (Evidence(lost.what, lost.why, "readable"),)
        yield Found(
            judged.subject,
            f"{headline}; {taken}" if taken else headline,
            (*judged.evidence, *wiring, *unread),
            judged=judged,
            move=move,
            gain_mbps=move.gain_mbps if move is not None else None,
            lanes_shared=bool(taken),
            severity=Severity.NOTE if stays else None,
            without=("plan-places",) if stays or lost is not None or move is not None or ordered else (),
        )


def _why_it_stays(seen: JudgedMachine, judged: Judged) -> str:
    """Why a better slot is no matter for this card, "" where it is one."""
    if judged.link.onboard:
        return "it is part of the board and stays where it is"
    key = judged.link.key
    if not movable(judged) and judged.link.slot_lost is None:
        return "it is not in a slot, so it cannot be moved"
    gains_nothing = judged.device_can is not None and seen.gain_mbps(key, judged.device_can) is None
    if gains_nothing and seen.unrated(key) is None:
        return "its drives would gain nothing from more"
    return ""


@Rule(
    id="slot-swap",
    severity=Severity.NOTE,
    title="A card holds a better slot than it needs, and another card of this machine would gain in it",
    fires_on=("bench-3-swap-wanted",),
    quiet_on=("bench-1-upgraded", "bench-1-slot-limited"),
    steps=("swap",),
    compared=Compared(alike="to come or go"),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A card that uses little of its slot keeps a card out that would use more of it. The card in the "
            "better slot would lose nothing, as the other slot does all that it can use; if it would lose "
            "anything, no swap is proposed."
        ),
        evidence="What the port can do, what its present card can use, and what the other card would reach there.",
        causes=("Cards fitted in the order in which they arrived",),
        cannot_tell="Whether both cards fit, and whether their cables reach.",
        source="PCI Express Base Specification, Link Capabilities Register; the throughput model for the gain.",
        see_also=("slot-limited", "swap"),
    ),
)
def _slot_swap(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.SLOT_LIMITED):
        move = seen.moves.get(judged.link.key)
        if move is None or move.swaps_with is None:
            continue
        holder = next(link for link in seen.judged if link.device_address == move.swaps_with)
        assert holder.port_can is not None
        assert holder.device_can is not None
        evidence = (
            Evidence(
                f"{holder.port_address} ability of the port",
                rate_text(holder.port_can),
                f"a card that can use as much; its own can do {rate_text(holder.device_can)}",
            ),
            Evidence(f"{judged.subject} ability of the card", rate_text(move.rate), "a slot that can do as much"),
        )
        headline = (
            f"needs {rate_text(holder.device_can)} of a slot that can do {rate_text(holder.port_can)}; "
            f"{judged.subject} would gain {mbps(move.gain_mbps)} in that slot"
        )
        yield Found(holder.subject, headline, evidence, judged=judged, move=move, gain_mbps=move.gain_mbps)


@Rule(
    id="slot-dark",
    severity=Severity.FAULT,
    title="A slot detects a card that does not answer",
    cause="card not fully seated, slot switched off, or dead card",
    fires_on=("bench-3-dark-slot",),
    quiet_on=("bench-1-upgraded",),
    steps=(*CONTACT, "enable-slot", "replace"),
    of_status=True,
    register="Slot Status",
    shows="the card in the slot answers, with {rate} or what the card can do",
    compared=Compared(rests_on="verdict", alike="to change"),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A slot's contacts say that a card is in it, while no device answers from there. A card that is "
            "not fully seated, or has no power, looks like that as well as a dead one."
        ),
        evidence=(
            "The verdict dark, with the port's own reasons: link disabled, slot powered off, training still "
            "going on or failed."
        ),
        causes=(
            "A card that is almost, but not fully seated",
            "A slot disabled in the firmware setup",
            "A filled slot beside it that takes all of its lanes; see the board's manual",
            "A dead card",
            "A riser that does not carry the link",
        ),
        cannot_tell="Whether card, slot or riser is dead; try another card in this slot, and this card in another.",
        source=(
            "PCI Express Base Specification, Slot Status Register, Presence Detect State; the causes are common "
            "practice."
        ),
        see_also=("dark", "plan-part-missing", "enable-slot"),
    ),
)
def _slot_dark(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.with_verdict(Verdict.DARK):
        yield Found(judged.subject, judged.why, judged.evidence, judged=judged, cause=_why_dark(judged.link.port))


def _why_dark(port: PciFunction | None) -> str | None:
    """The likeliest cause where the slot itself names one; None where it does not."""
    if port is None:
        return None
    if _latch_open(port):
        return "its retention latch is open"
    if _faulted(port):
        return "the power fault that the slot reports"
    return None


@Rule(
    id="slot-unsplit",
    severity=Severity.NOTE,
    title="One drive answers in a slot wide enough for several",
    cause="bifurcation off, or only one drive fitted",
    fires_on=("bench-2-unsplit-slot",),
    quiet_on=("bench-1-upgraded", "bench-1-switch-carrier"),
    steps=("count-drives", "set-split"),
    compared=Compared(depth=CAPABILITIES, by_table=True, alike="to change"),
    measured="explains nothing",
    explained=Explained(
        meaning=(
            "A slot with lanes for several drives shows a single one, on all of them as one link. A passive "
            "carrier shows only its first drive until the firmware splits the slot. A carrier with a single "
            "drive looks the same, so count the drives on the card. It is a note where the firmware says that "
            "the slot can be split, else a remark for the record; a build sheet with several drives on this "
            "card settles it."
        ),
        evidence=(
            "Maximum Link Width (Link Capabilities) of a root port of eight lanes or more, at least twice that of "
            "the one drive below it; and whether the firmware's description of the slot says that it can be split."
        ),
        causes=(
            "A carrier with several drives in a slot that is not split",
            "A carrier with one drive, which is fine",
        ),
        cannot_tell="How many drives the carrier holds.",
        source=(
            "System Management BIOS Reference Specification, System Slots (type 9), slot characteristics; splitting: "
            "common practice."
        ),
        see_also=("split", "count-drives", "plan-drives-unsplit"),
    ),
)
def _slot_unsplit(seen: JudgedMachine) -> Iterator[Found | Unread]:
    told = seen.matched.several() if seen.matched is not None else set()
    for judged in seen.judged:
        if judged.link.key in told:
            continue
        link, board = judged.link, judged.link.board
        if link.port is None or not judged.is_drive or judged.port_can is None or judged.device_can is None:
            continue
        if seen.machine.kinds.get(link.port.address) != pcie.ROOT_PORT or judged.verdict is Verdict.VIRTUAL:
            continue
        port, card = judged.port_can.width, judged.device_can.width
        if port < 8 or port < 2 * card:  # noqa: PLR2004 - a slot of x8 or more can hold several x4 drives
            continue
        if board is None or board.kind == "card":
            yield _unsplit(judged, port, card, _can_split(seen, board))


def _can_split(seen: JudgedMachine, board: BoardSlot | None) -> str:
    """Whether a slot can be split, by the firmware's word."""
    lost = missed(seen.machine.facts.board_slots)
    if lost is not None:
        return f"could not be read: {lost.why}"
    return SUPPORTED if board is not None and board.can_split is True else "not told"


SUPPORTED: Final = "supported"


def _unsplit(judged: Judged, port: int, card: int, told: str) -> Found:
    """A note where the firmware says that the slot can be split; else a remark for the record."""
    evidence = (
        Evidence(f"{judged.port_address} Link Capabilities: Maximum Link Width", f"x{port}", f"x{card} once split"),
        Evidence(f"{judged.device_address} link", f"one drive of x{card}", f"up to {port // card} drives of x{card}"),
        Evidence("firmware slot description: bifurcation", told, "supported, where a passive carrier needs it"),
    )
    headline = (
        f"has one x{card} drive in a slot of {port} lanes; "
        f"if its carrier holds more drives, the slot is not split ({port // card} x{card})"
    )
    severity = None if told == SUPPORTED else Severity.OK
    return Found(judged.subject, headline, evidence, severity=severity, judged=judged)


@Rule(
    id="slot-power-fault",
    severity=Severity.FAULT,
    title="A slot reports a power fault, or has noted one that may be long over",
    cause="too much current drawn, or a weak supply",
    fires_on=("bench-2-power-fault", "tower-2-latched-slot"),
    quiet_on=("bench-1-upgraded",),
    steps=("read-event-again", "check-supply", "reseat", "replace"),
    shows="the slot reports no power fault",
    compared=Compared(depth=CAPABILITIES, alike="to change"),
    measured="may explain",
    explained=Explained(
        meaning=(
            "A slot with a power controller of its own has its power fault bit set. The slot's power "
            "controller cut or limited the card's power. Most workstation slots have no such controller. It is "
            "a fault where the reading is fresh and the card is missing or its link below best. With the link "
            "at its best or at rest, nothing fitted, or a reading as of start-up, it is history and a note."
        ),
        evidence=(
            "Power Fault Detected of the Slot Status Register, where Slot Capabilities names a power controller. The "
            "bit is latched: set by an event, and cleared by writing 1 or by a reset."
        ),
        causes=(
            "A card that draws too much",
            "A short circuit on the card or riser",
            "A power supply that fails under load",
        ),
        cannot_tell=(
            "Whether card, slot or supply is at fault, and when it happened: the bit stays set until cleared, "
            "and may be from long ago."
        ),
        source="PCI Express Base Specification, Slot Capabilities and Slot Status Registers.",
        see_also=("check-supply", "slot-dark"),
    ),
)
def _slot_power_fault(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.judged:
        port = judged.link.port
        if port is not None and _faulted(port):
            yield _power_fault(judged, port)


def _faulted(port: PciFunction) -> bool:
    """Whether a slot with a power controller has its power fault bit set."""
    has = port.registers.read(pcie.SLOT_CAPABILITIES, "power_controller_present") == 1
    return has and port.registers.read(pcie.SLOT_STATUS, "power_fault_detected") == 1


def _power_fault(judged: Judged, port: PciFunction) -> Found:
    """A fault where the event may last; a note where all that is known of it is that it was."""
    evidence = (Evidence(f"{port.address} Slot Status: Power Fault Detected", latched(port), "0"),)
    if is_history(judged, port):
        when = READ_AS_OF.get(port.fresh, "")
        headline = f"has a power fault on record that may be long over{when}; {judged.why}"
        return Found(port.address, headline, evidence, severity=Severity.NOTE, judged=judged)
    return Found(port.address, "reports a power fault", evidence, judged=judged, without=("read-event-again",))


@Rule(
    id="slot-latch-open",
    severity=Severity.FAULT,
    title="The retention latch of a slot with a card is open",
    cause="latch left open after fitting",
    fires_on=("bench-2-power-fault",),
    quiet_on=("bench-1-upgraded",),
    steps=("close-latch",),
    of_status=True,
    compared=Compared(depth=CAPABILITIES, alike="to change"),
    measured="may explain",
    register="Slot Status",
    explained=Explained(
        meaning=(
            "A slot has a lever that holds its card, and the sensor at the lever says that it is open. With "
            "the latch open, such a slot keeps its card without power, or may cut it without warning."
        ),
        evidence="MRL Sensor State of the Slot Status Register, in a slot that has the sensor and feels a card.",
        causes=(
            "A latch left open after fitting",
            "A bent sensor or lever",
        ),
        cannot_tell="Whether the latch is really open, or only its sensor says so.",
        source=(
            "PCI Express Base Specification, Slot Status Register, MRL Sensor State; what the slot does then is from "
            "memory."
        ),
        see_also=("close-latch", "slot-dark"),
    ),
)
def _slot_latch_open(seen: JudgedMachine) -> Iterator[Found | Unread]:
    for judged in seen.judged:
        port = judged.link.port
        if port is not None and _latch_open(port):
            evidence = (Evidence(f"{port.address} Slot Status: MRL Sensor State", "1 (open)", "0 (closed)"),)
            yield Found(port.address, "has a card in it, but its retention latch is open", evidence, judged=judged)


def _latch_open(port: PciFunction) -> bool:
    """Whether a slot with a sensor at its latch detects a card, and has the latch open."""
    has = port.registers.read(pcie.SLOT_CAPABILITIES, "mrl_sensor_present") == 1
    present = port.registers.read(pcie.SLOT_STATUS, "presence_detect_state") == 1
    return has and present and port.registers.read(pcie.SLOT_STATUS, "mrl_sensor_state") == 1


def _wiring(judged: Judged) -> tuple[tuple[Evidence, ...], str]:
    """What the firmware says of the slot's lanes, and in words if the port offers fewer now than are wired."""
    board = judged.link.board
    if board is None or not board.wired_lanes or judged.port_can is None:
        return (), ""
    source = f"firmware slot description of {board.designation}"
    found = []
    if board.connector_lanes > board.wired_lanes:
        read = f"x{board.connector_lanes} connector wired with {board.wired_lanes} lanes"
        found.append(Evidence(source, read, "all lanes wired"))
    if judged.port_can.width >= board.wired_lanes:
        return tuple(found), ""
    found.append(
        Evidence(source, f"{board.wired_lanes} lanes wired", f"{judged.port_can.width} that the port offers now")
    )
    words = f"{board.wired_lanes} lanes are wired to the slot; a neighbour or a split may have taken some"
    return tuple(found), words
