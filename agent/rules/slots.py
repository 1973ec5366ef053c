"""Rules about slots: better places, swaps, slots that stay dark, slots that are not split, power and latch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.ends import rate_text
from agent.findings import Evidence, Rate, Severity, Verdict
from agent.rules.links import subject, with_verdict
from agent.rules.rule import Found, Move, Seen, rule
from agent.throughput import link_mbps
from knowledge import pcie
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.judged import Judged
    from agent.machine import Link
    from probes.facts import PciFunction

NVME_CLASS: Final = 0x0108
DRIVE_SLOTS: Final = frozenset({"m.2", "u.2", "edsff"})


@rule(
    "slot-limited",
    Severity.LIMIT,
    fires_on=("bench-1-slot-limited", "bench-3-swap-wanted"),
    quiet_on=("bench-1-upgraded", "bench-2-worn-riser"),
)
def slot_limited(seen: Seen) -> Iterator[Found | Unread]:
    """A card runs at the best of its slot but could do more in a better one.

    The better slots of this machine are named, free ones first, with the rate the card would reach there.
    """
    for judged in with_verdict(seen, Verdict.SLOT_LIMITED):
        move = best_move(seen, judged)
        headline = judged.why
        if move is not None:
            place = move.slot if move.swaps_with is None else f"{move.slot}, which {move.swaps_with} holds,"
            headline = f"{headline}; {place} would give {rate_text(move.rate)}"
        elif not movable(judged):
            headline = f"{headline}; it is not in a slot, so it cannot be moved"
        yield Found(
            subject(judged),
            headline,
            (*judged.evidence, *_wiring(judged)),
            judged=judged,
            move=move,
            gain_mbps=move.gain_mbps if move is not None else None,
        )


@rule(
    "slot-swap", Severity.NOTE, fires_on=("bench-3-swap-wanted",), quiet_on=("bench-1-upgraded", "bench-1-slot-limited")
)
def slot_swap(seen: Seen) -> Iterator[Found | Unread]:
    """A card holds a better slot than it needs, and another card of this machine would gain in it."""
    for judged in with_verdict(seen, Verdict.SLOT_LIMITED):
        move = best_move(seen, judged)
        if move is None or move.swaps_with is None:
            continue
        holder = next(one for one in seen.judged if one.device_address == move.swaps_with)
        assert holder.port_can is not None
        assert holder.device_can is not None
        evidence = (
            Evidence(
                f"{holder.port_address} ability of the port", rate_text(holder.port_can), rate_text(holder.device_can)
            ),
            Evidence(f"{subject(judged)} ability of the card", rate_text(move.rate), "a slot that can do as much"),
        )
        headline = (
            f"needs {rate_text(holder.device_can)} of a slot that can do {rate_text(holder.port_can)}; "
            f"{subject(judged)} would gain {move.gain_mbps:,.0f} MB/s there"
        )
        yield Found(subject(holder), headline, evidence, judged=judged, move=move, gain_mbps=move.gain_mbps)


@rule("slot-dark", Severity.FAULT, fires_on=("bench-3-dark-slot",), quiet_on=("bench-1-upgraded",))
def slot_dark(seen: Seen) -> Iterator[Found | Unread]:
    """A card is detected in a slot, but there is no link.

    Usual causes: a card not fully seated, a slot switched off in the firmware setup, a dead card, a riser.
    """
    for judged in with_verdict(seen, Verdict.DARK):
        yield Found(subject(judged), judged.why, judged.evidence, judged=judged)


@rule(
    "slot-unsplit",
    Severity.NOTE,
    fires_on=("bench-2-unsplit-slot",),
    quiet_on=("bench-1-upgraded", "bench-1-switch-carrier"),
)
def slot_unsplit(seen: Seen) -> Iterator[Found | Unread]:
    """One drive answers in a wide slot that could be split.

    A passive carrier with several drives shows only its first drive until the firmware splits the slot. A carrier
    with a single drive looks the same, so this is a note: count the drives on the card.
    """
    for judged in seen.judged:
        link = judged.link
        board = link.slot.board if link.slot is not None else None
        if link.port is None or not _is_drive(link.device) or judged.port_can is None or judged.device_can is None:
            continue
        if seen.machine.kinds.get(link.port.address) != pcie.ROOT_PORT or judged.verdict is Verdict.VIRTUAL:
            continue
        port, card = judged.port_can.width, judged.device_can.width
        if port < 8 or port < 2 * card:  # noqa: PLR2004 - a slot of x8 or more can hold several x4 drives
            continue
        if board is None and isinstance(seen.machine.facts.board_slots, Unread):
            told = seen.machine.facts.board_slots
            if told.needs_root:
                yield Unread(f"whether the slot of {subject(judged)} can be split", told.why, needs_root=True)
        elif board is not None and board.can_split is True:
            yield _unsplit(judged, port, card)


def _unsplit(judged: Judged, port: int, card: int) -> Found:
    evidence = (
        Evidence(f"{judged.port_address} Link Capabilities: Maximum Link Width", f"x{port}", f"x{card} once split"),
        Evidence(f"{judged.device_address} link", f"one drive of x{card}", f"up to {port // card} drives of x{card}"),
        Evidence("firmware slot description: bifurcation", "supported", "split where a passive carrier needs it"),
    )
    headline = (
        f"one x{card} drive answers in a slot of {port} lanes; "
        f"if its carrier holds more drives, the slot is not split ({port // card} x{card})"
    )
    return Found(subject(judged), headline, evidence, judged=judged)


@rule("slot-power-fault", Severity.FAULT, fires_on=("bench-2-power-fault",), quiet_on=("bench-1-upgraded",))
def slot_power_fault(seen: Seen) -> Iterator[Found | Unread]:
    """A slot reports a power fault.

    The slot's own power controller cut or limited the supply of the card.
    """
    for judged in seen.judged:
        port = judged.link.port
        if port is None or port.registers.read(pcie.SLOT_CAPABILITIES, "power_controller_present") != 1:
            continue
        if port.registers.read(pcie.SLOT_STATUS, "power_fault_detected") == 1:
            evidence = (Evidence(f"{port.address} Slot Status: Power Fault Detected", "1", "0"),)
            yield Found(port.address, "the slot's power controller reports a power fault", evidence, judged=judged)


@rule("slot-latch-open", Severity.FAULT, fires_on=("bench-2-power-fault",), quiet_on=("bench-1-upgraded",))
def slot_latch_open(seen: Seen) -> Iterator[Found | Unread]:
    """The retention latch of a slot with a card is open."""
    for judged in seen.judged:
        port = judged.link.port
        if port is None or port.registers.read(pcie.SLOT_CAPABILITIES, "mrl_sensor_present") != 1:
            continue
        present = port.registers.read(pcie.SLOT_STATUS, "presence_detect_state") == 1
        if present and port.registers.read(pcie.SLOT_STATUS, "mrl_sensor_state") == 1:
            evidence = (Evidence(f"{port.address} Slot Status: MRL Sensor State", "1 (open)", "0 (closed)"),)
            yield Found(
                port.address, "the slot's retention latch is open while a card sits in it", evidence, judged=judged
            )


# --- Better places ---------------------------------------------------------------------------------------------


def movable(judged: Judged) -> bool:
    """Whether the card sits in a slot, as far as the machine tells."""
    return judged.link.slot is not None


def best_move(seen: Seen, judged: Judged) -> Move | None:
    """The best other slot of the machine; None if nothing would gain.

    The fastest comes first, then free before swapped, then the narrowest that is enough, so that big slots stay free.
    """
    if not movable(judged) or judged.mbps is None or judged.device_can is None or judged.port_can is None:
        return None
    moves = [(move, other) for other in seen.judged if (move := _move(seen, judged, other)) is not None]
    best = min(
        moves,
        key=lambda pair: (-pair[0].gain_mbps, pair[0].swaps_with is not None, _size(pair[1]), pair[0].slot),
        default=None,
    )
    return best[0] if best is not None else None


def _size(judged: Judged) -> tuple[int, int]:
    """How big a slot is: lanes, then speed."""
    return (judged.port_can.width, judged.port_can.speed) if judged.port_can is not None else (0, 0)


def _move(seen: Seen, judged: Judged, other: Judged) -> Move | None:
    """The move of a card into another slot, if it fits there, gains, and costs the other card nothing."""
    link, can, card = other.link, other.port_can, judged.device_can
    if other is judged or not _is_board_slot(seen, link) or can is None or card is None or not _fits(link, card):
        return None
    carrier = _needs_carrier(seen, judged.link, link)
    rate = Rate(min(card.speed, can.speed), min(card.width, can.width))
    gain = link_mbps(rate.speed, rate.width) - (judged.mbps or 0.0)
    assert link.slot is not None
    if carrier is None or gain <= 0:
        return None
    if other.verdict is Verdict.EMPTY:
        return Move(link.slot.words, rate, gain, needs_carrier=carrier)
    if not carrier and _loses_nothing(other, judged):
        return Move(link.slot.words, rate, gain, swaps_with=other.device_address)
    return None


def _needs_carrier(seen: Seen, here: Link, there: Link) -> bool | None:
    """Whether a move takes a carrier card: a drive from its own kind of slot or bay to a card slot. None: no move."""
    mine, theirs = (
        link.slot.board.kind if link.slot is not None and link.slot.board is not None else None
        for link in (here, there)
    )
    if not _is_board_slot(seen, here) or mine in DRIVE_SLOTS:
        return theirs not in DRIVE_SLOTS if _is_drive(here.device) else None
    if theirs in DRIVE_SLOTS or (mine is not None and theirs is not None and mine != theirs):
        return None
    return False


def _is_board_slot(seen: Seen, link: Link) -> bool:
    """Whether this is a slot of the board, not a bay on a carrier or a device without a slot."""
    if link.port is None or link.slot is None:
        return False
    return seen.machine.kinds.get(link.port.address) == pcie.ROOT_PORT or link.slot.board is not None


def _loses_nothing(holder: Judged, judged: Judged) -> bool:
    """Whether the card that holds the better slot would do as well in the slot of `judged`."""
    card, can = holder.device_can, judged.port_can
    if holder.verdict is not Verdict.FULL or card is None or can is None or holder.mbps is None:
        return False
    there = Rate(min(card.speed, can.speed), min(card.width, can.width))
    return link_mbps(there.speed, there.width) >= holder.mbps and _fits(judged.link, card)


def _fits(link: Link, card: Rate) -> bool:
    """Whether a card of this width goes into the slot, as far as the firmware describes its connector."""
    board = link.slot.board if link.slot is not None else None
    if board is None:
        return True
    if board.usage == "unavailable":
        return False
    return board.connector_lanes == 0 or board.connector_lanes >= card.width


def _wiring(judged: Judged) -> tuple[Evidence, ...]:
    """A long slot wired with fewer lanes, if the firmware describes it."""
    board = judged.link.slot.board if judged.link.slot is not None else None
    if board is None or not board.wired_lanes or board.connector_lanes <= board.wired_lanes:
        return ()
    read = f"x{board.connector_lanes} connector wired with {board.wired_lanes} lanes"
    return (Evidence(f"firmware slot description of {board.designation}", read, "all lanes wired"),)


def _is_drive(function: PciFunction | None) -> bool:
    return function is not None and isinstance(function.class_code, int) and function.class_code >> 8 == NVME_CLASS
