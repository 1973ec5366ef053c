"""The machine as a small map for terminals: processor, slots, cards, ports of carriers, drives, each below its holder.

Plain characters alone: what belongs to something stands two columns further right. Every text of a device has passed
`plain`. Decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.findings import Severity, Verdict
from agent.model.serving import not_serving
from agent.model.upwards import above
from agent.report import link_names, words
from agent.report.plain import describe, told
from knowledge.phrasing import plain, quantity, slot_words
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from agent.audit import Audit
    from agent.model.drive_rates import DriveSeen
    from agent.model.judged import Judged
    from probes.facts import BoardSlot

STEP: Final = 2  # columns for each level
DEEPEST: Final = 8  # levels that are indented; what hangs deeper stands there too
NAME: Final = 60  # characters


class Place(Struct, frozen=True):
    """A link with how many links are above it."""

    judged: Judged
    depth: int


def machine_map(audit: Audit) -> list[str]:
    """The lines of the map: the processor, what hangs on it, and what is free; "" of a machine without a link."""
    numbers = link_names.shared(audit)
    below = [_line(place, audit, numbers) for place in places(audit) if _is_shown(place.judged)]
    below += [f"{_name(slot)}: {_unmatched(slot)}" for slot in unmatched(audit)]
    below += _disks(audit)
    bare = [words.port(judged) for judged in audit.links if not _is_shown(judged)]
    if bare:
        below.append(f"{quantity(len(bare), 'port')} without a slot, nothing fitted: {', '.join(bare)}")
    return ["Processor", *(f"{' ' * STEP}{line}" for line in below)] if below else []


def places(audit: Audit) -> Iterator[Place]:
    """All links, each after the one that it is behind; what a damaged capture has in a ring stands at the processor."""
    shown = {judged.link.key: judged for judged in audit.links}
    below: dict[str, list[Judged]] = {}
    for judged in audit.links:
        below.setdefault(_holder(judged, audit, shown), []).append(judged)
    left = dict(shown)
    for start in (*below.get("", ()), *audit.links):
        waiting = [Place(start, 0)]
        while waiting:
            place = waiting.pop()
            if left.pop(place.judged.link.key, None) is None:
                continue
            yield place
            behind = below.get(place.judged.link.key, ())
            waiting += (Place(judged, place.depth + 1) for judged in reversed(behind))


def _holder(judged: Judged, audit: Audit, shown: Iterable[str]) -> str:
    """The key of the link that another one is behind, "" where it begins at the processor."""
    end = judged.link.port or judged.link.device
    link = audit.machine.leads_to.get(above(end) or "")
    return link.key if link is not None and link.key in shown and link.key != judged.link.key else ""


def _is_shown(judged: Judged) -> bool:
    """Whether a link has a line of its own: all but ports without a slot in which nothing is."""
    return judged.verdict is not Verdict.EMPTY or judged.link.slot is not None or bool(judged.link.on_card)


def _line(place: Place, audit: Audit, numbers: Mapping[str, int]) -> str:
    judged = place.judged
    if judged.verdict is Verdict.EMPTY:
        there = f" free{_offer(judged)}"
    elif judged.verdict is Verdict.DARK:
        there = f" {vacant(judged)}"
    else:
        there = f": {content(judged, audit)}"
    return f"{' ' * STEP * min(place.depth, DEEPEST)}{where(place, numbers)}{there}"


def where(place: Place, numbers: Mapping[str, int]) -> str:
    """A slot or port by its name, a port of a card by its number below that card.

    `numbers` are those of links that share a slot (`link_names.shared`).
    """
    judged = place.judged
    of_card = judged.link.card_port if place.depth else None
    if of_card is not None:
        return f"port {of_card}"
    number = numbers.get(judged.link.key)
    return words.port(judged) if number is None else f"{words.port(judged)} port {number}"


def content(judged: Judged, audit: Audit) -> str:
    """What is below a port that is not empty, with its rate and a verdict that asks for something."""
    if judged.link.device is None:
        return vacant(judged)
    said = [words.leads_to(judged, audit)]
    if judged.verdict is Verdict.UNKNOWN and judged.now is None:
        said.append("rate not known")
    else:
        said.append(words.rate_now(judged))
        said += [judged.verdict.value] if judged.verdict.severity is not Severity.OK else []
    drive = audit.nvme_at.get(judged.link.device.address)
    if drive is not None and not_serving(drive):
        said.append(f"its controller is {plain(str(drive.state))}")
    return ", ".join(said)


def vacant(judged: Judged) -> str:
    """What there is to say of a port below which nothing answers, and which is not known to be empty."""
    if judged.verdict is Verdict.DARK:
        return plain(judged.brief)
    known = judged.link_up or judged.link.below_lost is not None
    return plain(judged.why) if known else "nothing answers, and whether a card is there is not known"


def _offer(judged: Judged) -> str:
    """What an empty slot or port offers: ": x16 connector, 4 lanes Gen 4"; "" where nobody tells."""
    board, can = judged.link.board, judged.port_can
    lanes = can.width if can is not None else board.wired_lanes if board is not None else 0
    generation = can.speed if can is not None else board.generation if board is not None else 0
    return _built(board, lanes, generation)


def _built(board: BoardSlot | None, lanes: int, generation: int) -> str:
    width = quantity(lanes, "lane") if lanes else ""
    wired = " ".join(filter(None, (width, f"Gen {generation}" if generation else "")))
    connector = f"x{board.connector_lanes} connector" if board is not None and board.connector_lanes else ""
    split = "can be split" if board is not None and board.can_split else ""
    parts = ", ".join(filter(None, (connector, wired, split)))
    return f": {parts}" if parts else ""


def unmatched(audit: Audit) -> list[BoardSlot]:
    """The slots that the firmware describes and no link is known to lead to."""
    matched = {judged.link.board for judged in audit.links}
    return [slot for slot in audit.facts.described if slot not in matched]


def _name(slot: BoardSlot) -> str:
    return slot_words(plain(slot.designation, NAME))


def _unmatched(slot: BoardSlot) -> str:
    said = f"no port found for it; the firmware calls it {plain(slot.usage, NAME)}" if slot.usage else "no port found"
    return f"{said}{_built(slot, slot.wired_lanes, slot.generation).replace(':', ',', 1)}"


def _disks(audit: Audit) -> Iterator[str]:
    """Drives that are at the end of no link, by what they are on."""
    on: dict[str, dict[str, list[str]]] = {}
    for seen, holder in without_link(audit):
        model = told(seen.drive.model, "model not known")
        on.setdefault(holder, {}).setdefault(model, []).append(plain(seen.drive.name, NAME))
    for holder, models in on.items():
        yield f"{holder}: {'; '.join(f'{_row(names)} ({model})' for model, names in models.items())}"


def without_link(audit: Audit) -> Iterator[tuple[DriveSeen, str]]:
    """Drives that are at the end of no link, each with what it is on."""
    for seen in audit.drives:
        address = seen.drive.address
        link = audit.machine.leads_to.get(address) if isinstance(address, str) else None
        if link is not None and not link.integrated and address in audit.nvme_at:
            continue
        function = audit.machine.functions.get(address) if isinstance(address, str) else None
        yield seen, describe(function, audit) if function is not None else _elsewhere(seen.drive.interconnect, address)


def _row(names: list[str]) -> str:
    return ", ".join(names)


def _elsewhere(interconnect: object, address: object) -> str:
    """What a drive without a function is on, as the platform words it."""
    if isinstance(interconnect, str) and interconnect:
        return plain(interconnect, NAME)
    return "place could not be read" if isinstance(address, Unread) else "place not known"


# --- Functions -------------------------------------------------------------------------------------------------


class Fitted(Struct, frozen=True):
    """Functions below what they belong to: its name with its level, and for each its address and what it is."""

    name: str
    depth: int
    functions: tuple[tuple[str, str], ...]


def function_tree(audit: Audit) -> Iterator[Fitted]:
    """All functions but virtual ones: of each slot or port, then what is on the board."""
    left, numbers = dict(words.functions(audit)), link_names.shared(audit)
    last: Fitted | None = None
    for place in places(audit):
        link = place.judged.link
        if not _is_shown(place.judged):
            continue
        found = [function.address for function in (*link.ends[:1], *link.functions) if function.address in left]
        told_here = tuple((address, left.pop(address)) for address in dict.fromkeys(found))
        fitted = Fitted(where(place, numbers), min(place.depth, DEEPEST), told_here)
        if last is not None and (last.name, last.depth) == (fitted.name, fitted.depth):  # the next port of a split slot
            last = Fitted(last.name, last.depth, (*last.functions, *told_here))
            continue
        if last is not None:
            yield last
        last = fitted
    if last is not None:
        yield last
    if left:
        yield Fitted("On the board", 0, tuple(left.items()))
