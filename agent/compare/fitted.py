"""The parts of one machine as a comparison has them: cards and drives, what tells each from its like, and its place.

A place is told by slots and by positions on the way from the processor, never by bus numbers: these change with every
card that is put in. Says nothing of differences.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.compare.changes import Part
from agent.model.findings import Severity
from agent.model.identity import card_token, drive_token, ids, in_order, position
from agent.model.machine import DOWNSTREAM_FACING, NVME_CLASS, drives_display
from agent.model.upwards import above, behind, upwards
from knowledge.classes import class_words
from knowledge.pcie import SWITCH_DOWNSTREAM_PORT
from probes.unread import readable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.audit import Audit
    from agent.compare.changes import Identity
    from agent.model.drive_rates import DriveSeen
    from agent.model.judged import Judged
    from probes.facts import Drive, PciFunction

    Parts = tuple[tuple[PciFunction, ...], Judged | None, DriveSeen | None]

MOST_LEVELS: Final = 4  # cards behind each other that a place names
LONGEST_NAME: Final = 80  # characters of device text in a sentence

Way = tuple[str, ...]
SlotAt = tuple[str, str, int]


class Thing(Struct, frozen=True, eq=False, kw_only=True):
    """A part of one machine.

    `ids` are maker, model, subsystem (two numbers) and class of its first function, None where not read; `serial` is
    the token of its serial number. `holder` is the number of the part that it sits on, None for the board, and `way`
    the positions from there to it, outermost last. `slot` is the name of its slot, who gave it (names of two
    sources say nothing of each other) and its rank among the ports of that name, `sharing` how many ports bear it.
    `bytes` is a drive's size.
    """

    number: int
    kind: Literal["card", "drive"]
    functions: tuple[PciFunction, ...]
    ids: tuple[int | None, ...]
    judged: Judged | None
    seen: DriveSeen | None
    serial: str | None
    holder: int | None
    way: Way
    slot: SlotAt | None
    sharing: int
    depth: int
    bytes: int | None

    @property
    def drive(self) -> Drive | None:
        """What the system says of the drive, None for a card or a drive that no driver claims."""
        return self.seen.drive if self.seen is not None else None

    @property
    def model(self) -> str | None:
        """The drive's model, None where it is not known."""
        drive = self.drive
        return drive.model.strip() or None if drive is not None and isinstance(drive.model, str) else None

    @property
    def address(self) -> str | None:
        """The address of its first function."""
        return self.functions[0].address if self.functions else None


class Port(Struct, frozen=True, eq=False):
    """A port to which a link leads down, by the part that it sits on, its position there, and its slot."""

    judged: Judged
    holder: int | None
    way: Way
    slot: SlotAt | None


class FittedMachine:
    """All parts and ports of one machine. `at` has the number of the part of each function, by its address."""

    def __init__(self, audit: Audit, roots: dict[str, str] | None = None) -> None:
        """`roots` calls the root buses as the other machine does."""
        self.audit = audit
        self.at: dict[str, int] = {}
        self._roots = roots or {}
        self._functions = audit.machine.functions
        self._slots: dict[str, tuple[SlotAt, int]] = {}
        groups = [*self._components(), *self._others()]
        groups.sort(key=lambda group: in_order(group[0][0].address))
        for number, (functions, _) in enumerate(groups):
            self.at.update((function.address, number) for function in functions)
        self._fold(groups)
        self._slots = self._slot_ranks()
        taken: set[str] = set()
        found: list[tuple[tuple[PciFunction, ...], Judged | None, DriveSeen | None, tuple[int | None, Way]]] = [
            (functions, judged, self._drive_at(functions, taken), self._way(functions[0], judged))
            for functions, judged in groups
        ]
        found += [
            ((), None, drive, self._way_of_disk(drive.drive)) for drive in audit.drives if drive.drive.name not in taken
        ]
        holders, levels = _levels([way[0] for _, _, _, way in found])
        self.things = tuple(
            self._thing(number, (functions, judged, seen), (holder, way[1]), levels[number])
            for number, ((functions, judged, seen, way), holder) in enumerate(zip(found, holders, strict=True))
        )
        self.by_drive = {thing.drive.name: thing.number for thing in self.things if thing.drive is not None}
        self.ports = tuple(self._ports())
        self._told: Counter[tuple[object, ...]] = Counter(map(alike_key, self.things))
        self._told.update((thing.kind, thing.serial) for thing in self.things if thing.serial is not None)

    def subject(self, name: str) -> Thing | None:
        """The part that a finding is about, by the subject of the finding; None where it is about no part."""
        number = self.at.get(name, self.by_drive.get(name))
        return self.things[number] if number is not None else None

    def faulted(self) -> frozenset[int]:
        """The numbers of the parts of which a fault is told, by themselves or by the port above them."""
        found = set()
        for finding in self.audit.findings:
            for name in (finding.subject, *finding.also) if finding.severity is Severity.FAULT else ():
                judged = self.audit.by_key.get(name)
                device = judged.link.device if judged is not None else None
                thing = self.subject(name) or (self.subject(device.address) if device is not None else None)
                if thing is not None:
                    found.add(thing.number)
        return frozenset(found)

    # --- Parts -------------------------------------------------------------------------------------------------

    def _components(self) -> Iterator[tuple[tuple[PciFunction, ...], Judged]]:
        """What hangs below each link."""
        for judged in self.audit.links:
            functions = sorted(judged.link.functions, key=lambda function: in_order(function.address))
            if functions:
                yield tuple(functions), judged

    def _others(self) -> Iterator[tuple[tuple[PciFunction, ...], None]]:
        """What has no link, each function by itself: devices of the board, conventional ones. Ports are no parts."""
        with_link = self.audit.machine.leads_to
        for address, function in self._functions.items():
            if address in with_link or function.physical_function is not None:
                continue
            if self.audit.machine.kinds.get(address) not in DOWNSTREAM_FACING:
                yield (function,), None

    def _fold(self, groups: list[tuple[tuple[PciFunction, ...], Judged | None]]) -> None:
        """A display card with a switch of its own is one part: what hangs below the switch goes with it."""
        below = self.audit.machine.below
        gone: set[int] = set()
        for number, (functions, judged) in enumerate(groups):
            display = drives_display(judged.link, below) if judged is not None else None
            if display is None or number in gone or display.address in {function.address for function in functions}:
                continue
            inner = self.at[display.address]
            for function in (*functions, *behind(functions, below)):
                gone.add(self.at.get(function.address, number))
                self.at[function.address] = number
            groups[number] = (groups[inner][0], judged)
        gone -= {self.at[function.address] for function in self._functions.values() if function.address in self.at}
        if not gone:
            return
        kept = [number for number in range(len(groups)) if number not in gone]
        new = {old: place for place, old in enumerate(kept)}
        self.at = {address: new[number] for address, number in self.at.items()}
        groups[:] = [groups[number] for number in kept]

    def _drive_at(self, functions: tuple[PciFunction, ...], taken: set[str]) -> DriveSeen | None:
        """The NVMe drive of these functions; further ones of the same functions are parts by themselves."""
        here = {function.address for function in functions}
        for drive in self.audit.drives:
            if drive.drive.kind == "nvme" and drive.drive.address in here and drive.drive.name not in taken:
                taken.add(drive.drive.name)
                return drive
        return None

    def _thing(self, number: int, parts: Parts, way: tuple[int | None, Way], depth: int) -> Thing:
        functions, judged, seen = parts
        nvme = any(
            isinstance(function.class_code, int) and function.class_code >> 8 == NVME_CLASS for function in functions
        )
        drive = seen.drive if seen is not None else None
        slot, sharing = self._slots.get(judged.link.key, (None, 0)) if judged is not None else (None, 0)
        sizes = (
            [block.size_bytes for block in readable(drive.blocks) or () if isinstance(block.size_bytes, int)]
            if drive
            else []
        )
        return Thing(
            number=number,
            kind="drive" if nvme or drive is not None else "card",
            functions=functions,
            ids=ids(functions[0]) if functions else (),
            judged=judged,
            seen=seen,
            serial=drive_token(drive) if drive is not None else card_token(functions),
            holder=way[0],
            way=way[1],
            slot=slot,
            sharing=sharing,
            depth=depth,
            bytes=sum(sizes) if sizes else None,
        )

    # --- Places ------------------------------------------------------------------------------------------------

    def _way(self, first: PciFunction, judged: Judged | None) -> tuple[int | None, Way]:
        """The part that holds a part, and the positions on the way up to it, or to the root bus."""
        port = judged.link.port if judged is not None else None
        return self._upwards(port if port is not None else first, self.at.get(first.address))

    def _upwards(self, start: PciFunction, own: int | None) -> tuple[int | None, Way]:
        steps = [position(start.address)]
        for up in upwards(start, self._functions):
            if up is start:
                continue
            if self.at.get(up.address, own) != own:
                return self.at[up.address], tuple(steps)
            steps.append(position(up.address))
        root = readable(start.root) or ""
        return None, (*steps, self._roots.get(root, root))

    def _way_of_disk(self, drive: Drive) -> tuple[int | None, Way]:
        """A disk on a controller: where it is plugged in there is not told."""
        holder = self.at.get(drive.address) if isinstance(drive.address, str) else None
        return holder, () if holder is not None else (readable(drive.interconnect) or "",)

    def _ports(self) -> Iterator[Port]:
        for judged in self.audit.links:
            port = judged.link.port
            if port is not None:
                holder, way = self._upwards(port, None)
                rank = self._slots.get(judged.link.key)
                yield Port(judged, holder, way, rank[0] if rank is not None else None)

    def _slot_ranks(self) -> dict[str, tuple[SlotAt, int]]:
        """By a link's key: its slot with its rank among the ports of that name there, and how many these are."""
        alike: dict[tuple[str, int | None], list[tuple[Way, str, str]]] = {}
        for judged in self.audit.links:
            slot, end = judged.link.slot, judged.link.port or judged.link.device
            if slot is not None and end is not None and slot.name.strip():
                holder, way = self._upwards(end, None if judged.link.port is not None else self.at.get(end.address))
                alike.setdefault((slot.name.strip().casefold(), holder), []).append(
                    (way[::-1], judged.link.key, slot.source)
                )
        return {
            key: ((words, source, rank), len(together))
            for (words, _), together in alike.items()
            for rank, (_, key, source) in enumerate(sorted(together))
        }

    # --- Words -------------------------------------------------------------------------------------------------

    def part(self, thing: Thing) -> Part:
        """A part in the words of a comparison."""
        return Part(
            kind=thing.kind,
            name=name(thing),
            place=self.place(thing),
            address=thing.address,
            identity=self.identity(thing),
            on_board=on_board(thing),
        )

    def identity(self, thing: Thing) -> Identity:
        """By what a part is told from its like on this machine."""
        if thing.serial is not None and self._told[thing.kind, thing.serial] == 1:
            return "serial number"
        return "model" if self._told[alike_key(thing)] == 1 else "place"

    def place(self, thing: Thing) -> str:
        """Where a part is: "SLOT1", "port 1 of the card in SLOT3", "on the board"."""
        own = self._own_place(thing)
        if thing.holder is None:
            return own
        if thing.depth > MOST_LEVELS:
            return f"{own} behind {thing.depth} cards"
        above = self.things[thing.holder]
        there = self.place(above)
        if above.judged is None:
            return f"on the {name(above)}" if not own else f"{own} on the {name(above)}"
        on = "" if not own else f"{own} of "
        return f"{on}the card {there}" if there.startswith(("on ", "at ")) else f"{on}the card in {there}"

    def _own_place(self, thing: Thing) -> str:
        judged = thing.judged
        if judged is None:
            if not thing.functions:
                return "" if thing.holder is not None else (thing.way[0] if thing.way else "") or "place not told"
            return f"on the board, at {thing.address}" if thing.holder is None else f"at {thing.way[0]}"
        link = judged.link
        number = self._card_port(thing)
        if link.slot is not None or number:
            words = f"port {number}" if number or link.slot is None else short(link.slot.words)
            return (
                words
                if thing.sharing == 1 or thing.slot is None
                else f"{words}, port {thing.slot[2] + 1} of {thing.sharing}"
            )
        if link.onboard or link.integrated:
            return f"on the board, at {thing.address}"
        if thing.holder is not None:
            return f"port {thing.way[0]}"
        return f"port {link.key}" if link.port is not None else f"at {thing.address}"

    def _card_port(self, thing: Thing) -> int:
        """The number, from 1, of a part's port on the card that it sits on; 0 for a slot of its own, and elsewhere.

        A card behind other cards may number its slots too: nothing bears these numbers either.
        """
        link = thing.judged.link if thing.judged is not None else None
        if link is None or link.port is None or thing.holder is None:
            return 0
        if link.card_port is not None:
            return link.card_port
        holder = self.things[thing.holder]
        if link.slot is not None and (
            link.board is not None or thing.depth > MOST_LEVELS or not self._card_port(holder)
        ):
            return 0
        machine = self.audit.machine
        beside = machine.below.get(above(link.port) or "", ())
        ports = [port for port in beside if machine.kinds.get(port.address) == SWITCH_DOWNSTREAM_PORT]
        return ports.index(link.port) + 1 if link.port in ports else 0


def on_board(thing: Thing) -> bool:
    """Whether this is a device of the board itself: without a link, or on the firmware's list of such devices."""
    if thing.kind != "card" or thing.holder is not None:
        return False
    if thing.judged is None:
        return bool(thing.functions)
    return thing.judged.link.slot is None and (thing.judged.link.onboard or thing.judged.link.integrated)


def alike_key(thing: Thing) -> tuple[object, ...]:
    """What parts have in common that cannot be told from each other: kind, model and size, or numbers."""
    if thing.kind == "drive" and thing.model is not None:
        return ("drive", thing.model, thing.bytes)
    return (thing.kind, *thing.ids)


def name(thing: Thing) -> str:
    """Words for a part: the drive's model, else what the system calls it, else its kind and numbers."""
    if thing.model is not None:
        return short(thing.model)
    if not thing.functions:
        return "drive whose model is not known"
    first = thing.functions[0]
    kind = class_words(first.class_code)
    if thing.judged is not None and kind == "PCI bridge":
        kind = "packet switch"
    if isinstance(first.model_name, str):
        told = short(first.model_name)
        return told if kind.lower() in told.lower() else f"{kind} {told}"
    maker, model = thing.ids[:2]
    if maker is None or model is None:
        return kind
    return f"{kind} (maker {maker:04x}, model {model:04x})"


def short(text: str) -> str:
    """Device text cut to what a sentence can bear; it is made harmless where it is shown."""
    return text if len(text) <= LONGEST_NAME else f"{text[: LONGEST_NAME - 3]}..."


def _levels(holders: list[int | None]) -> tuple[list[int | None], dict[int, int]]:
    """Holders of parts, and how many hold each other above a part; a ring, which only a damaged capture has, is cut."""
    found = list(holders)
    levels: dict[int, int] = {}
    for start in range(len(found)):
        way: dict[int, None] = {}
        here: int | None = start
        while here is not None and here not in levels:
            if here in way:
                found[next(reversed(way))] = None
                here = None
                break
            way[here] = None
            here = found[here]
        level = -1 if here is None else levels[here]
        for number in reversed(way):
            levels[number] = level = level + 1
    return found, levels
