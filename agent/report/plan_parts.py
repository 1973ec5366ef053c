"""What pages of a plan show beside its rows: figures before and after, what to buy, the slots, what is not known.

Decides nothing: it counts and names what stands in the plan and its sheet. All names pass `plain`.
"""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text, speed_text
from agent.model.findings import Rate
from agent.planner.fits import hidden
from agent.sheets.lanes import filled, slot_with, taken_words, taking
from agent.sheets.paths import bays_of, drives_on, today
from agent.sheets.sheet import CardSpec, DriveSpec
from knowledge.parts import kinds
from knowledge.phrasing import mbps, plain, quantity, some
from knowledge.rates import RULE_OF_THUMB

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from agent.planner.result import Figures, Plan
    from agent.sheets.sheet import SlotSpec
    from knowledge.parts import CardKind, DriveKind

NO_KIND: Final = "no kind named"
FEW_BAYS: Final = 8  # drives of a card that are still told one by one
FEW_EMPTY: Final = 2  # empty slots that are still told one by one
NAMED: Final = 4  # names that a drawing has room for
MOST_NAMES: Final = 60
MOST_UNKNOWN: Final = 12
LONG_LIST: Final = 500  # characters of a line that names many slots
ORDER_NOTE: Final = (
    "Parts of the sheet that are not fitted today and have a place; those on the shelf need not be bought. Figures of "
    "a kind are typical ones: hold the maker's sheet against them before ordering."
)
RANGES: Final = (
    f"The lower end of a range is what real transfers reach with ease ({RULE_OF_THUMB:.0%} of the link rate, common "
    "practice), the upper end the ceiling of the links or the drive's own limit by the sheet. 1 MB/s is 10^6 bytes a "
    "second."
)


# --- Before and after ------------------------------------------------------------------------------------------


class Glance(Struct, frozen=True):
    """A figure of the whole, today and as planned."""

    label: str
    today: str
    planned: str


def glance(found: Plan) -> tuple[Glance, ...]:
    """The arrangement in a few figures, beside that of today."""
    after = dict(_figures(found, found.figures))
    before = dict.fromkeys(after, "nothing fitted") if found.today is None else dict(_figures(found, found.today))
    return tuple(Glance(label, before[label], words) for label, words in after.items())


def _figures(found: Plan, figures: Figures) -> Iterator[tuple[str, str]]:
    if found.drives:
        yield "all drives together read, up to", mbps(figures.total_mbps)
        yield "the slowest of them, up to", mbps(figures.worst_mbps)
    if found.needs:
        yield "needs met, or at best met", f"{figures.needs_met:,} of {len(found.needs):,}"
    yield "drives and cards at work", f"{figures.placed:,}"
    yield "slots in use", f"{figures.slots_used:,}"


# --- What to buy -----------------------------------------------------------------------------------------------


class OrderLine(Struct, frozen=True):
    """So many parts of a kind; `what` is the kind in words, or the figures of the sheet."""

    count: int
    kind: str
    what: str
    names: str


def order(found: Plan) -> tuple[OrderLine, ...]:
    """The parts that come in, those of a kind together."""
    new_cards = {card.name for card in found.cards if card.was is None}
    new_drives = {drive.name for drive in found.drives if drive.was is None}
    specs: list[CardSpec | DriveSpec] = [card for card in found.sheet.cards if card.name in new_cards]
    specs += [drive for drive in found.sheet.drives if drive.name in new_drives]
    groups: dict[tuple[str, str], list[str]] = {}
    for spec in specs:
        groups.setdefault((_kind(spec), _what(spec)), []).append(plain(spec.name))
    return tuple(OrderLine(len(names), kind, what, some(names, MOST_NAMES)) for (kind, what), names in groups.items())


def _kind(spec: CardSpec | DriveSpec) -> str:
    return NO_KIND if spec.kind is None else plain(spec.kind)


def _what(spec: CardSpec | DriveSpec) -> str:
    """What to order: the model where it is named, then the kind in words, or the figures where those differ from it."""
    known = kinds().get(spec.kind or "")
    described = _drive(spec) if isinstance(spec, DriveSpec) else _card(spec)
    words = known.what if known is not None and _as_its_kind(spec, known) else described
    model = spec.model if isinstance(spec, DriveSpec) else None
    return f"{plain(model)}: {words}" if model else words


def _as_its_kind(spec: CardSpec | DriveSpec, known: CardKind | DriveKind) -> bool:
    """Whether the sheet says nothing of a part that its kind does not say."""
    told = [name for name in known.__struct_fields__ if name not in {"name", "what", "sources"}]
    return all(getattr(spec, name, None) == getattr(known, name) for name in told)


def _card(card: CardSpec) -> str:
    words = [f"x{card.connector} card", f"{quantity(card.lanes, 'lane')} of {speed_text(card.generation)}"]
    if card.carrier != "none":
        behind = "behind a packet switch" if card.carrier == "switch" else "which need a slot that the firmware splits"
        bays = f"{quantity(card.bays, 'bay')} for {card.bay_form.upper()} drives"
        words.append(f"{bays} {behind}" if card.bays > 1 or card.carrier == "switch" else bays)
    if card.height == "low":
        words.append("of low height")
    if card.wide > 1:
        words.append(f"{card.wide} places wide")
    if card.length_mm is not None:
        words.append(f"{card.length_mm} mm long")
    if card.cable_watts:
        words.append(f"supply cables for {card.cable_watts:g} W")
    return ", ".join(words)


def _drive(drive: DriveSpec) -> str:
    words = [f"{drive.form.upper()} drive", f"{quantity(drive.lanes, 'lane')} of {speed_text(drive.generation)}"]
    if drive.length is not None:
        words.append(f"length {plain(drive.length)}")
    for verb, rate in (("reads", drive.read_mbps), ("writes", drive.write_mbps)):
        if rate is not None:
            words.append(f"{verb} {mbps(rate)}")
    return ", ".join(words)


# --- The slots -------------------------------------------------------------------------------------------------


class SlotPart(Struct, frozen=True):
    """What is in a slot or a bay; `word` is what becomes of it, "" for nothing. `inside` tells that it is in a bay."""

    words: str
    word: str = ""
    inside: bool = False


class SlotShown(Struct, frozen=True):
    """A slot of the board with what is in it today and as planned."""

    label: str
    what: str
    today: tuple[SlotPart, ...]
    planned: tuple[SlotPart, ...]


def slots(found: Plan) -> tuple[SlotShown, ...]:
    """The slots in the order of the sheet; many that are empty today and as planned are one at the end."""
    sides = _Side(found, planned=False), _Side(found, planned=True)
    shown = [
        SlotShown(plain(slot.label), slot_what(slot), *(side.parts(slot) for side in sides))
        for slot in found.sheet.slots
    ]
    empty = [slot for slot in shown if slot.today == slot.planned == EMPTY]
    if len(empty) <= FEW_EMPTY:
        return tuple(shown)
    names = some((slot.label for slot in empty), NAMED)
    return (*(slot for slot in shown if slot not in empty), SlotShown(f"{len(empty)} more slots", names, EMPTY, EMPTY))


def slot_what(slot: SlotSpec) -> str:
    """A slot in a few words."""
    kind = "" if slot.kind == "card" else f"{slot.kind.upper()}, "
    connector = f", x{slot.connector} connector" if slot.kind == "card" and slot.connector != slot.lanes else ""
    uplink = f", through {plain(slot.uplink)}" if slot.uplink is not None else ""
    return f"{kind}{rate_text(Rate(slot.generation, slot.lanes))}{connector}{uplink}"


EMPTY: Final = (SlotPart("empty"),)


class _Side:
    """All places today, or (`planned`) as the plan has them."""

    def __init__(self, found: Plan, *, planned: bool) -> None:
        self.before, self.after = today(found.sheet), found.placement
        self.now = self.after if planned else self.before
        self.planned = planned
        self.filled = filled(self.now)
        self.cards = {card.name: card for card in found.sheet.cards}
        self.slots = {slot.label: slot for slot in found.sheet.slots}

    def parts(self, slot: SlotSpec) -> tuple[SlotPart, ...]:
        """What is in a slot, after the lanes that others leave it."""
        told = f"has {plain(taken_words(slot, self.filled), LONG_LIST)}"
        lanes = () if taking(slot, self.filled) is None else (SlotPart(told),)
        found = [part for name in self._cards_in(slot.label) for part in self._card(self.cards[name], slot)]
        found += [
            SlotPart(plain(name), self._drive_word(name))
            for name, place in self.now.drives.items()
            if place.bay is None and place.holder == slot.label
        ]
        return (*lanes, *(found or self._without(slot)))

    def _cards_in(self, label: str) -> list[str]:
        return [name for name, slot in self.now.cards.items() if slot == label]

    def _card(self, card: CardSpec, slot: SlotSpec) -> Iterator[SlotPart]:
        yield SlotPart(plain(card.name), self._card_word(card.name))
        there = {place.bay: name for name, place in drives_on(self.now, card.name).items() if place.bay}
        yield from self._bays(there)
        bays, _ = bays_of(slot_with(slot, self.filled), card)
        free = len(bays.keys() - there.keys())
        dark = card.bays - len(bays.keys() | there.keys())
        for count, what in ((free, "free"), (dark, "without lanes")):
            if count:
                yield SlotPart(f"{quantity(count, 'bay')} {what}", inside=True)

    def _bays(self, there: Mapping[int, str]) -> Iterator[SlotPart]:
        """Drives bay by bay; of many, neighbours of which the same becomes are one."""
        told = [(bay, plain(there[bay]), self._drive_word(there[bay])) for bay in sorted(there)]
        if len(told) <= FEW_BAYS:
            yield from (SlotPart(f"bay {bay}: {name}", word, inside=True) for bay, name, word in told)
            return
        # Bays that follow each other have the same difference of number and place.
        for (_, word), run in groupby(enumerate(told), key=lambda one: (one[1][0] - one[0], one[1][2])):
            alike = [drive for _, drive in run]
            first, last = alike[0][0], alike[-1][0]
            names = [name for _, name, _ in alike]
            bays = f"bay {first}" if first == last else f"bays {first} to {last}"
            drives = f"{len(names)} drives, {names[0]} to {names[-1]}" if len(names) > NAMED else ", ".join(names)
            yield SlotPart(f"{bays}: {drives}", word, inside=True)

    def _without(self, slot: SlotSpec) -> tuple[SlotPart, ...]:
        """What to say of a slot with nothing in it."""
        for name, label in self.now.cards.items():
            if label in self.slots and slot.label in hidden(self.slots[label], self.cards[name]):
                return (SlotPart(f"hidden by {plain(name)}"),)
        return EMPTY

    def _card_word(self, name: str) -> str:
        return self._word(self.before.cards.get(name), self.after.cards.get(name))

    def _drive_word(self, name: str) -> str:
        return self._word(self.before.drives.get(name), self.after.drives.get(name))

    def _word(self, before: object, after: object) -> str:
        """What becomes of a part that is in one place and then in another, None being none."""
        if before == after:
            return ""
        if self.planned:
            return "new" if before is None else "moved"
        return "comes out" if after is None else "moves"


# --- What is not known -----------------------------------------------------------------------------------------


def unknown(found: Plan) -> tuple[tuple[str, str], ...]:
    """What the sheet does not say of parts and slots of the plan, and what was taken in its place: names, words."""
    cards = {card.name: card for card in found.sheet.cards}
    used = [cards[card.name] for card in found.cards]
    drives = {drive.name for drive in found.drives}
    placed = [drive for drive in found.sheet.drives if drive.name in drives]
    in_slots = {card.slot for card in found.cards}
    filled = [slot for slot in found.sheet.slots if slot.label in in_slots]
    short = {slot.label for slot in filled if slot.longest_mm is not None}
    unmeasured = [card for card in found.cards if cards[card.name].length_mm is None and card.slot in short]
    rows = (
        (
            (drive.name for drive in placed if drive.read_mbps is None or drive.write_mbps is None),
            "its own limit of reading or writing is not told; the rates are those of its links",
        ),
        ((card.name for card in used if card.power_watts is None), "its power is not told, and was counted as none"),
        (
            (drive.name for drive in placed if drive.power_watts is None),
            "its power is not told; that of a typical drive of its generation was counted",
        ),
        (
            (slot.label for slot in filled if slot.power_watts is None),
            "what it gives is not told; what the standard lets a card of its size take was assumed",
        ),
        (
            (drive.name for drive in placed if drive.form == "m.2" and drive.length is None),
            "its length is not told, and was held against no bay and no slot",
        ),
        ((card.name for card in unmeasured), "its length is not told, and was not held against the room of its slot"),
    )
    return tuple((_named(names), words) for names, words in ((list(names), words) for names, words in rows) if names)


def _named(names: Iterable[str]) -> str:
    return some(map(plain, names), MOST_UNKNOWN)
