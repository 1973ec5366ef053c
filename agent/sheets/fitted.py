"""From an audit to all that goes into a build sheet: machine, uplinks, slots, cards, drives, and what is left out.

What is not known is a remark that says what to look up, never a figure; where a sheet cannot do without a figure, the
remark says where it comes from. Writes no text of a sheet (agent/sheets/writing.py) and judges no link.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.expected import named
from agent.model.findings import Severity, Verdict
from agent.model.throughput import PAIRS, STRIPE_LEAST
from agent.model.unseen_parts import missed
from agent.sheets.contents import LONGEST_NAME, Contents, SheetEntry
from agent.sheets.names import Names
from agent.sheets.places import (
    KINDS,
    MOST_LANES,
    SOCKETS_FOR_RADIO,
    FittedLinks,
    harmless,
    label_of,
    offers,
    places,
    split_now,
    splitting,
    twins,
    watts,
    what,
    why_not,
)
from agent.sheets.sheet import CardSpec, MachineSpec, SlotSpec, StripeSpec, Uplink
from knowledge.phrasing import listed
from knowledge.rates import PAYLOADS
from knowledge.slots import MODULE_LANES, connector_of
from probes.tokens import is_word_token
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.audit import Audit
    from agent.model.findings import Rate
    from agent.model.judged import Judged
    from agent.sheets.places import SlotPlace
    from agent.sheets.sheet import Kind
    from probes.facts import BoardSlot, Drive, StripeSet

MOST_REMARKS: Final = 12  # on readings that failed


class SheetOfMachine(Struct, frozen=True):
    """What a machine holds, ready to be written. `left_out` has a phrase for everything that is not in it."""

    machine: MachineSpec
    remarks: tuple[str, ...]
    payload_told: bool
    uplinks: tuple[SheetEntry, ...]
    slots: tuple[SheetEntry, ...]
    cards: tuple[SheetEntry, ...]
    drives: tuple[SheetEntry, ...]
    stripes: tuple[SheetEntry, ...]
    left_out: tuple[str, ...]


def fitted(audit: Audit) -> SheetOfMachine:
    """The parts of a machine."""
    tree, labels, left_out = FittedLinks(audit), Names(), list[str]()
    contents, uplinks, slots = Contents(tree), dict[str, SheetEntry](), list[SheetEntry]()
    for place in places(tree, labels, left_out):
        part = None
        why = why_not(tree, place)
        if not why:
            part = _slot(tree, place, uplinks)
            why = "what it can do could not be read"
        if part is None:
            left_out.append(_left_out(tree, place, why, contents.told))
            continue
        part = replace(part, remarks=(*part.remarks, *_untold_content(place)))
        assert isinstance(part.spec, SlotSpec)
        before = len(contents.cards)
        contents.add(place, part.spec)
        slots.append(_opened(part, part.spec, contents.cards[before:]))
    slots += _unmatched(tree, labels, left_out)
    left_out += (
        f"slot {harmless(kernel_slot.name, LONGEST_NAME)}: where it is could not be read ({kernel_slot.address.why})"
        for kernel_slot in audit.facts.kernel_slots
        if isinstance(kernel_slot.address, Unread)
    )
    left_out += _other_drives(audit, contents.told)
    stripes = tuple(_stripes(audit, contents.names, left_out))
    return SheetOfMachine(
        _machine(audit),
        tuple(_remarks(audit, tree)),
        bool(_payloads(audit)),
        tuple(uplinks.values()),
        tuple(slots),
        tuple(contents.cards),
        tuple(contents.drives),
        stripes,
        tuple(dict.fromkeys(left_out)),
    )


def faulty(audit: Audit) -> Iterator[str]:
    """Phrases for links that are faulty now, which a sheet takes as whole: by their slot, else by what is there."""
    tree = FittedLinks(audit)
    labels = {link.link.key: place.label for place in places(tree, Names(), []) for link in place.links}
    for judged in audit.links:
        if judged.verdict.severity is Severity.FAULT:
            names = [seen.drive.name for seen in tree.drives.get(judged.link.key, ())]
            name = labels.get(judged.link.key) or listed(names) or judged.subject
            yield f"{harmless(name, LONGEST_NAME)} is {judged.verdict.value}"


def _untold_content(place: SlotPlace) -> Iterator[str]:
    """What to say of a slot in which nothing was seen, where something may be: never that it is empty."""
    if not place.fitted:
        untold = next((link for link in place.links if link.verdict is Verdict.UNKNOWN), None)
        if untold is not None:
            yield f"What is in it is not known: {untold.why}. If a card or drive is there, add it."


# --- Slots -------------------------------------------------------------------------------------------------------


def _slot(tree: FittedLinks, place: SlotPlace, uplinks: dict[str, SheetEntry]) -> SheetEntry | None:
    """A slot's own entry; None where what it can do is not known."""
    remarks: list[str] = []
    rate = offers(place, remarks)
    if rate is None:
        return None
    kind = _kind(tree, place, rate, remarks)
    connector, limit = connector_of(rate.width), None
    if kind == "card":
        told = place.board.connector_lanes if place.board is not None else 0
        if 0 < told <= MOST_LANES:
            connector = max(connector, connector_of(told))
        elif place.board is not None:
            remarks.append("The size of its connector is not known; assumed is what its lanes need. Check it.")
        limit = watts(place)
        remarks += splitting(place, rate, missed(tree.audit.facts.board_slots))
    split = split_now(place)
    spec = SlotSpec(
        label=place.label,
        kind=kind,
        connector=connector,
        lanes=rate.width,
        generation=rate.speed,
        splits=(split,) if kind == "card" and split else (),
        uplink=_uplink(tree, place.links[0], uplinks),
        power_watts=limit,
        port=place.links[0].port_address,
    )
    return SheetEntry(spec, tuple(remarks))


def _kind(tree: FittedLinks, place: SlotPlace, rate: Rate, remarks: list[str]) -> Kind:
    """Whether cards or drives go into a slot: by the firmware's word, or by what is in it."""
    if place.board is not None:
        if place.board.kind not in KINDS or place.board.kind == "edsff":
            remarks.append(f"The firmware calls it {place.board.kind}; here it is a bay that takes a drive itself.")
        return KINDS.get(place.board.kind, "u.2")
    first = place.links[0]
    guess: Kind = "m.2" if first.is_drive and rate.width <= MODULE_LANES else "card"
    if tree.described:
        remarks.append(
            "The firmware does not describe it: kind and connector are taken from what is in it. Check them."
        )
    others = twins(tree, place)
    if others:
        remarks.append(
            f"Ports of the same device: {', '.join(others)}. If they are parts of one split slot, write one."
        )
    return guess


def _uplink(tree: FittedLinks, judged: Judged, uplinks: dict[str, SheetEntry]) -> str | None:
    """The name of the link on the board that a slot shares; it and all above it are added to `uplinks`."""
    name = None
    for up in reversed(tree.above(judged)):
        if up.best is not None:
            over, name = name, f"port {up.link.key}"
            uplinks.setdefault(name, SheetEntry(Uplink(name, up.best.width, up.best.speed, over)))
    return name


def _opened(part: SheetEntry, slot: SlotSpec, cards: Iterable[SheetEntry]) -> SheetEntry:
    """The slot, its end open where its card shows that it must be."""
    if all(not isinstance(card.spec, CardSpec) or card.spec.connector <= slot.connector for card in cards):
        return part
    remark = "The card in it needs a longer connector than is told, so its end must be open. Check it."
    return SheetEntry(replace(slot, open_end=True), (*part.remarks, remark))


def _unmatched(tree: FittedLinks, labels: Names, left_out: list[str]) -> Iterator[SheetEntry]:
    """Slots that the firmware names and no link leads to: its figures are taken where they say enough."""
    matched = {link.link.board for link in tree.audit.links}
    for board in tree.described:
        if board in matched:
            continue
        why = _why_unusable(board)
        if why:
            left_out.append(
                f"slot {harmless(board.designation, LONGEST_NAME)}: no port could be matched to it, and {why}"
            )
            continue
        lanes = board.wired_lanes or board.connector_lanes
        spec = SlotSpec(
            label=labels.unique(label_of(board.designation)),
            kind=KINDS[board.kind],
            connector=connector_of(min(max(board.connector_lanes, lanes), MOST_LANES)),
            lanes=lanes,
            generation=board.generation,
        )
        remarks = ["No port could be matched to it; the figures are the firmware's. Check them."]
        gap = tree.audit.facts.gap("functions")
        if gap is not None:
            remarks.append(f"What is in it could not be seen: {gap.what}: {gap.why}.")
        yield SheetEntry(spec, tuple(remarks))


def _why_unusable(board: BoardSlot) -> str:
    """Why the firmware's word on a slot is not enough, "" where it is."""
    if board.kind not in KINDS or board.type_code in SOCKETS_FOR_RADIO:
        return f"it is for other things than cards and drives ({board.kind})"
    if board.usage in {"unavailable", "in use"}:
        return f"the firmware says that it is {board.usage}"
    if not board.generation or not 0 < (board.wired_lanes or board.connector_lanes) <= MOST_LANES:
        return "the firmware does not say what it can do"
    return ""


# --- What is left out --------------------------------------------------------------------------------------------


def _left_out(tree: FittedLinks, place: SlotPlace, why: str, told: set[str]) -> str:
    """A phrase for a slot that is left out, with what is in it."""
    keys = {link.link.key for link in place.links}
    names = [seen.drive.name for seen in tree.audit.drives if keys.intersection(seen.path)]
    told.update(names)
    holds = names or [what(judged.link.device) for judged in place.fitted]
    return f"slot {place.label}{' with ' if holds else ''}{', '.join(holds)}: {why}"


def _other_drives(audit: Audit, told: set[str]) -> Iterator[str]:
    """Phrases for the drives that no slot holds, so that none is lost in silence."""
    others = [seen.drive for seen in audit.drives if seen.drive.name not in told]
    paths = {seen.drive.name: seen.path for seen in audit.drives}
    lost = {path.drive.name: path.lost for path in audit.machine.paths}
    for drive in others:
        if drive.kind == "nvme":
            tunnelled = any(audit.by_key[key].verdict is Verdict.VIRTUAL for key in paths[drive.name])
            why, unread = _why_nowhere(drive, tunnelled=tunnelled), lost.get(drive.name)
            why = why if unread is None else f"where it is attached could not be read ({unread.why})"
            yield f"drive {drive.name}: {why}"
    disks = [drive.name for drive in others if drive.kind != "nvme"]
    if disks:
        yield f"{', '.join(disks)}: behind a controller, without lanes of their own"


def _why_nowhere(drive: Drive, *, tunnelled: bool) -> str:
    if drive.address is None:
        return "it belongs to no PCI function of this machine"
    if tunnelled:
        return "a link on its way is tunnelled or emulated, so its figures say nothing of lanes"
    return f"its function {drive.address} is in no place that a sheet can describe"


# --- The machine -------------------------------------------------------------------------------------------------


def _stripes(audit: Audit, names: dict[str, str], left_out: list[str]) -> Iterator[SheetEntry]:
    """The sets of software RAID that a sheet can hold: of drives that it has, each once."""
    labels = Names()
    for stripe in audit.stripes:
        drives = [names.get(member, "") for member in stripe.stripe.members]
        raid = stripe.raid
        unread = _unread_of_set(stripe.stripe)
        if unread is not None:
            left_out.append(f"{stripe.stripe.name}, a set of software RAID: {unread}")
        elif raid is None or not all(drives) or len(set(drives)) < max(len(drives), STRIPE_LEAST[raid]):
            why = stripe.why or "not all of its members are drives of this sheet"
            left_out.append(f"{stripe.stripe.name}, a set of software RAID: {why}")
        elif raid == PAIRS and len(drives) % 2:
            left_out.append(f"{stripe.stripe.name}, a RAID {PAIRS} of an odd number of drives")
        else:
            spec = StripeSpec(labels.unique(harmless(stripe.stripe.name, LONGEST_NAME)), raid, tuple(drives))
            yield SheetEntry(spec, ())


def _unread_of_set(stripe: StripeSet) -> str | None:
    """Why it is not known of which members a set is made, None where it is."""
    for words, told in (("level", stripe.level), ("number of members", stripe.places), ("state", stripe.state)):
        if isinstance(told, Unread):
            return f"its {words} could not be read ({told.why})"
    return f"the place of {', '.join(stripe.unplaced)} in it could not be read" if stripe.unplaced else None


def _machine(audit: Audit) -> MachineSpec:
    host = audit.facts.host
    spec = MachineSpec(name=named(host.name), product=named(host.product), board=named(host.board))
    sizes = _payloads(audit)
    return replace(spec, payload_bytes=min(sizes)) if sizes else spec


def _payloads(audit: Audit) -> set[int]:
    """The Max Payload Sizes in force on the drives' paths, as far as they are known."""
    return {seen.payload_bytes for seen in audit.drives if seen.payload_bytes in PAYLOADS and seen.payload_bytes}


def _not_read(audit: Audit) -> Iterator[str]:
    """What could not be read of the machine: parts may be missing from the sheet for it, and are not left out."""
    gaps = [gap.why for gap in audit.facts.gaps]
    failed = [unread for unread in audit.facts.unread if unread.failed and unread not in gaps]
    for unread in gaps[:MOST_REMARKS]:
        yield f"Could not be read: {unread.what} ({unread.why}). What it would have shown is missing here: add it."
    for unread in failed[:MOST_REMARKS]:
        yield f"Could not be read: {unread.what} ({unread.why}). Check what rests on it."
    more = max(0, len(gaps) - MOST_REMARKS) + max(0, len(failed) - MOST_REMARKS)
    if more:
        yield f"{more} more readings failed; lanewright check names them all."


def _remarks(audit: Audit, tree: FittedLinks) -> Iterator[str]:
    """What has to be said of the machine as a whole."""
    host, sizes = audit.facts.host, _payloads(audit)
    if host.virtual is True:
        yield "This is a virtual machine: the slots that it shows may not be real."
    if isinstance(host.name, str) and is_word_token(host.name):
        yield "The machine's name was taken out of the capture."
    yield from _not_read(audit)
    if not tree.described:
        unread = isinstance(audit.facts.board_slots, Unread)
        yield (
            f"{'No description of its slots could be read' if unread else 'The firmware describes no slots'}: labels"
            " are what else names a slot, or addresses of ports; kinds and connectors are taken from what is in them."
            " Check them; some may be part of the board."
        )
    if any(isinstance(seen.drive.max_watts, Unread) and seen.drive.max_watts.needs_root for seen in audit.drives):
        yield "What slots may give and drives take, in watts, could not be read; the super-user may read it."
    if not sizes:
        yield f"The Max Payload Size is not known; without payload_bytes {MachineSpec().payload_bytes} is taken."
    elif len(sizes) > 1:
        yield "The drives' paths have different Max Payload Sizes; the smallest is used."
