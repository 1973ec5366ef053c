"""The map of a machine: a tree from the processor over ports, cards and switches to the drives, folded to be read.

Says what stands on the map and in which order; `drawing` says where. Devices on the board of which all is well are one
entry; on large machines neighbours that are alike are one entry too. All text of devices passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.findings import Severity, Verdict
from agent.model.tree import Tree
from agent.report import words as shared
from agent.report.drive_words import where
from agent.report.page import words
from agent.report.plain import describe, told
from knowledge.phrasing import plain, quantity, some
from knowledge.rates import GTPS
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.audit import Audit
    from agent.model.findings import Rate
    from agent.model.judged import Judged

MOST_UNFOLDED: Final = 30  # entries; a machine with more has its alike neighbours folded
LEAST_ALIKE: Final = 3
MOST_DRAWN: Final = 120
MOST_LEVELS: Final = 6
SHARED: Final = 0.99  # of what a drive reaches alone; with less than that at once it is held back
OK: Final = Severity.OK.value
# What stands in the box of a port below which nothing was seen.
WITHOUT: Final = {
    Verdict.DARK: ("card detected", "does not answer"),
    Verdict.UNKNOWN: ("not known", "a card may be there"),
}


class MapEntry(Struct, frozen=True, kw_only=True):
    """A link of the map and what is below it.

    `slot` and `rate` stand at the line, `name` and `what` in the box at its end, `also` too where there is room.
    `lanes` are in use, `bed` the lanes that could be; 0 where nothing is known or nothing runs. `held` is the word of
    what holds it back, "" for nothing, and `could` what there is to say of that; `at_end` tells that it is of what is
    in the box, while the link is well.
    `kind` is "link", "empty", "hidden" (its port is not visible), "virtual", "own" (not PCI Express) or "fold".
    """

    slot: str
    rate: str
    name: str
    what: str
    lanes: int = 0
    bed: int = 0
    held: str = ""
    could: str = ""
    also: str = ""
    severity: str = OK
    at_end: bool = False
    kind: str = "link"
    below: tuple[MapEntry, ...] = ()

    @property
    def mark(self) -> str:
        """What holds it back in one line, "" for nothing."""
        return f"{self.held}: {self.could}" if self.could else self.held

    @property
    def size(self) -> int:
        """How many entries it is with all below it."""
        return 1 + sum(map_entry.size for map_entry in self.below)


class Chart(Struct, frozen=True):
    """The entries at the processor, and how many of all could not be drawn."""

    entries: tuple[MapEntry, ...]
    left_out: int


def chart(audit: Audit) -> Chart:
    """The map of an audit."""
    entries = _Mapped(audit).entries()
    if sum(map_entry.size for map_entry in entries) > MOST_UNFOLDED:
        entries = folded(entries)
    kept: list[MapEntry] = []
    room = MOST_DRAWN
    for number, entry in enumerate(entries):
        if entry.size > room:
            return Chart(tuple(kept), sum(map_entry.size for map_entry in entries[number:]))
        kept.append(entry)
        room -= entry.size
    return Chart(tuple(kept), 0)


class _Mapped:
    """The links of a machine as entries of the map."""

    def __init__(self, audit: Audit) -> None:
        self.audit = audit
        self.tree = Tree(audit.machine, audit.links)

    def entries(self) -> list[MapEntry]:
        """What leaves the processor: links with drives and slots first, then drives of other kinds, then the rest."""
        top = [judged for judged in self.audit.links if not self.tree.above(judged)]
        shown = [judged for judged in top if any(map(self._worth, (judged, *self.tree.below(judged))))]
        drawn = {judged.link.key for judged in shown}
        rest = [judged for judged in top if judged.link.key not in drawn]
        entries = [self._entry(judged) for judged in shown]
        entries += self._own_interface()
        entries += self._rest(rest)
        return entries

    def _worth(self, judged: Judged) -> bool:
        """Whether a link has a place of its own on the map: it is held back, or belongs to a slot or a drive."""
        if judged.verdict.severity is not Severity.OK and (judged.link.device is not None or judged.notable):
            return True
        if judged.verdict is Verdict.DARK or judged.link.slot is not None or self._faulty(judged):
            return True
        return any(function.address in self.audit.nvme_at for function in judged.link.functions)

    def _entry(self, judged: Judged, depth: int = 1) -> MapEntry:
        could = shared.best(judged) or judged.port_can
        name, what = self._box(judged)
        held, more = _held(judged, could)
        faulty = "" if held else self._faulty(judged)
        sharing = "" if held or faulty else self._shared(judged)
        return MapEntry(
            slot=_slot(judged, depth),
            rate="" if _kind(judged) == "empty" else words.now(judged),
            name=name,
            what=what,
            lanes=judged.now.width if judged.now is not None and judged.mbps is not None else 0,
            bed=could.width if could is not None and judged.verdict is not Verdict.VIRTUAL else 0,
            held=held or faulty or ("shared" if sharing else ""),
            could=more or sharing,
            also="" if what else judged.device_address or "",
            severity=_severity(judged, faulty, sharing),
            at_end=bool(faulty),
            kind=_kind(judged),
            below=tuple(self._below(judged, depth)),
        )

    def _faulty(self, judged: Judged) -> str:
        """Words for a link that is well itself, but leads to a drive or a card with a fault."""
        addresses = {function.address for function in judged.link.functions}
        drives = {self.audit.nvme_at[address].name for address in addresses if address in self.audit.nvme_at}
        return self._faults(addresses | drives, "drive" if drives else "card")

    def _faults(self, subjects: set[str], what: str) -> str:
        """Words for the faults of these subjects, "" for none."""
        count = sum(
            finding.severity is Severity.FAULT and finding.subject in subjects for finding in self.audit.findings
        )
        return f"{quantity(count, 'fault')} of the {what}" if count else ""

    def _shared(self, judged: Judged) -> str:
        """Words for a link that runs as well as it can and still holds back the drives that share it."""
        held = [
            seen
            for seen in self.audit.drives
            if seen.narrowest == judged.link.key
            and seen.alone is not None
            and seen.together is not None
            and seen.together[1] < seen.alone[1] * SHARED
        ]
        return f"holds back {quantity(len(held), 'drive')}" if held else ""

    def _below(self, judged: Judged, depth: int) -> Iterator[MapEntry]:
        """What hangs on a link; what lies deeper than people nest cards is one entry."""
        more = len(self.tree.below(judged))
        if depth < MOST_LEVELS:
            yield from (self._entry(link, depth + 1) for link in self.tree.next_below(judged))
        elif more:
            yield MapEntry(
                slot="deeper", rate="", name=quantity(more, "more link"), what="see the table of links", kind="fold"
            )

    def _box(self, judged: Judged) -> tuple[str, str]:
        """What a link leads to: a name and more words."""
        device = judged.link.device
        if device is None:
            return WITHOUT.get(judged.verdict, ("empty", shared.offers(judged)))
        drive = next(
            (
                self.audit.nvme_at[function.address]
                for function in judged.link.functions
                if function.address in self.audit.nvme_at
            ),
            None,
        )
        if drive is not None:
            return plain(drive.name, words.SHORT), plain(told(drive.model, "NVMe drive"), words.NAME)
        named = (
            plain(device.model_name, words.NAME) if isinstance(device.model_name, str) else describe(device, self.audit)
        )
        return named, ""

    def _own_interface(self) -> Iterator[MapEntry]:
        """Drives that hang on no link of this map."""
        groups: dict[tuple[str, str], list[str]] = {}
        for seen in self.audit.drives:
            shown = seen.drive.kind == "nvme" and seen.drive.address in self.audit.machine.leads_to
            if not seen.path and not shown:
                rate = "not known" if isinstance(seen.drive.address, Unread) else "own interface"
                groups.setdefault((where(seen.drive), rate), []).append(seen.drive.name)
        for (at, rate), names in groups.items():
            faulty = self._faults(set(names), "drives" if len(names) > 1 else "drive")
            yield MapEntry(
                slot=plain(at, words.SHORT),
                rate=rate,
                name=some((plain(name, words.SHORT) for name in names), 4),
                what="",
                held=faulty,
                severity=Severity.FAULT.value if faulty else OK,
                at_end=bool(faulty),
                kind="own",
            )

    def _rest(self, rest: Sequence[Judged]) -> Iterator[MapEntry]:
        """Devices on the board of which all is well, and ports without a slot and a card, in one entry each."""
        fitted = [judged for judged in rest if judged.link.device is not None]
        empty = [judged for judged in rest if judged.link.device is None]
        if fitted:
            names = some(dict.fromkeys(self._box(judged)[0] for judged in fitted), 3)
            told = all(judged.link.onboard or judged.link.slot_lost is None for judged in fitted)
            yield MapEntry(
                slot="on the board" if told else "no slot known",
                rate="as expected",
                name=quantity(len(fitted), "more link"),
                what=names,
                kind="fold",
            )
        if empty:
            yield MapEntry(
                slot="ports without a slot",
                rate="",
                name=quantity(len(empty), "more port"),
                what="nothing detected",
                kind="empty",
            )


def _slot(judged: Judged, depth: int) -> str:
    """Where an entry is: a port of a card, which the map shows below that card, by its number alone."""
    number = judged.link.card_port
    return f"port {number}" if number is not None and depth > 1 else shared.port(judged)


def _severity(judged: Judged, faulty: str, sharing: str) -> str:
    """How bad what stands at an entry is: its own link, else what it leads to, else that drives share it."""
    if faulty:
        return Severity.FAULT.value
    return Severity.NOTE.value if sharing else judged.verdict.severity.value


def _kind(judged: Judged) -> str:
    if judged.link.device is None:
        return "link" if judged.verdict is Verdict.DARK else "empty"
    if judged.verdict is Verdict.VIRTUAL:
        return "virtual"
    return "hidden" if judged.link.port is None else "link"


def _held(judged: Judged, could: Rate | None) -> tuple[str, str]:
    """The word of what holds a link back, and what it could do where that is more."""
    if judged.verdict.severity is Severity.OK or (judged.link.device is None and judged.verdict is not Verdict.DARK):
        return "", ""
    now = judged.now
    if now is None or could is None or (could.width <= now.width and could.speed <= now.speed):
        return judged.verdict.value, ""
    wider, faster = could.width > now.width, could.speed > now.speed
    return judged.verdict.value, f"could be {' '.join(_parts(could, wider=wider, faster=faster))}"


def _parts(could: Rate, *, wider: bool, faster: bool) -> Iterator[str]:
    """What of a rate is more than what runs."""
    if faster:
        yield f"{GTPS[could.speed]:g} GT/s"
    if wider:
        yield f"x{could.width}"


# --- Folding ---------------------------------------------------------------------------------------------------


def folded(entries: Sequence[MapEntry]) -> list[MapEntry]:
    """Entries in which neighbours that are alike, with all below them, are one."""
    groups: dict[object, list[MapEntry]] = {}
    for entry in entries:
        groups.setdefault(_looks(entry), []).append(entry)
    found = []
    for alike in groups.values():
        if len(alike) >= LEAST_ALIKE:
            found.append(_one_of(alike))
        else:
            found += [_with(entry, tuple(folded(entry.below))) for entry in alike]
    return found


def _looks(entry: MapEntry) -> object:
    """What entries that are alike have in common: all but their names and places."""
    model = entry.what or entry.name
    below = tuple(_looks(map_entry) for map_entry in entry.below)
    return (entry.rate, entry.lanes, entry.bed, entry.mark, entry.severity, entry.kind, model, below)


def _one_of(alike: Sequence[MapEntry]) -> MapEntry:
    first = alike[0]
    names = list(dict.fromkeys(map_entry.name for map_entry in alike))
    return MapEntry(
        slot=f"{first.slot} and {len(alike) - 1} more",
        rate=first.rate,
        name=f"{len(alike)} alike",
        what=first.what if len(names) > 1 and first.what else first.name,
        also=some(names, 4) if len(names) > 1 else "",
        lanes=first.lanes,
        bed=first.bed,
        held=first.held,
        could=first.could,
        severity=first.severity,
        at_end=first.at_end,
        kind=first.kind,
        below=tuple(folded(first.below)),
    )


def _with(entry: MapEntry, below: tuple[MapEntry, ...]) -> MapEntry:
    from msgspec import structs

    return structs.replace(entry, below=below)
