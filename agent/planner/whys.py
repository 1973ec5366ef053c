"""One line for each part on why it is where it is: what would be lost in the best other place, or what holds it there.

A part that moves is held against its place of today. Cards are weighed against the best arrangement that is left with
them elsewhere, as far as the search can settle it; drives against single moves and exchanges. The plan is not changed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.model.grouping import grouped
from agent.planner.build import placement_of
from agent.planner.clock import at_ease
from agent.planner.fits import (
    bay_refusal,
    card_refusal,
    hidden,
    hidden_slots,
    limit_watts,
    limit_words,
    own_watts,
    refusal_words,
    slot_refusal,
)
from agent.planner.holders import hundredths, slot_of
from agent.planner.lost import Losses
from agent.planner.phrases import NAMED
from agent.planner.problem import READ, allowed, score
from agent.planner.refitted import counts_of, moved, settled, with_drives, with_holders
from agent.sheets.lanes import filled, kept_slots, robbing_words, slot_with, taken_words
from agent.sheets.paths import drives_on, today
from agent.sheets.reading import drive_watts
from knowledge.phrasing import listed, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

    from agent.planner.build import Built
    from agent.planner.instead import Instead
    from agent.planner.lost import Decides
    from agent.planner.problem import Arrangement, Score
    from agent.sheets.sheet import CardSpec, DriveSpec, Placement, SlotSpec

KEPT: Final = "the sheet says that it stays"
KEPT_BAY: Final = "the sheet says that it stays in its bay"

PLURALS: Final = {"takes": "take", "holds": "each hold", "is": "are", "has": "have"}
IDLE: Final = ("moves", "room", "")  # what counts least: no need, part or rate is gained or lost
TOLD: Final = ("needs", "worst", "total")  # losses that are worth a word beside a part that is left out

Sort = Literal["kept", "only", "best", "one", "blocked"]


class Reason(Struct, frozen=True, kw_only=True):
    """Why a part is where it is, in words, and what they rest on.

    `sort`: it is "kept" there by the sheet; "only" that place takes it; `other` is the "best" arrangement with it in
    none but `slots` (numbers), or "one" arrangement with it elsewhere; or it is "blocked" from everywhere else as
    things are. `decides` is the part of the score that `other` loses first.
    """

    words: str
    sort: Sort
    other: Arrangement | None = None
    decides: Decides = ""
    slots: tuple[int, ...] = ()


class Whys:
    """A plan, asked for reasons."""

    def __init__(
        self,
        built: Built,
        arrangement: Arrangement,
        placement: Placement,
        instead: Instead | None = None,
        *,
        check: Callable[[], None] = at_ease,
    ) -> None:
        """Keep what the reasons rest on; without `instead` nothing is searched for.

        `check` raises where there is no time for more.
        """
        self._check = check
        used = ((number, built.problem.holders[number]) for number in arrangement.holders)
        in_use = {(holder.card, holder.slot): number for number, holder in used}
        self.built = replace(built, by_pair=built.by_pair | in_use)
        self.problem = built.problem
        self.sheet = built.sheet
        self.arrangement = arrangement
        self.placement = placement
        self.losses = Losses(built, arrangement, placement)
        self.now = today(built.sheet)
        self.slots = {slot.label: slot for slot in built.sheet.slots}
        self._instead = instead
        self._numbers = {slot.label: number for number, slot in enumerate(built.sheet.slots)}

    # --- Cards -------------------------------------------------------------------------------------------------

    def card(self, card: CardSpec) -> str:
        """Why a card is in its slot, and what the sheet leaves open about it there."""
        return "; ".join([self.card_reason(card).words, *self._remarks(card, self._slot_of(card))])

    def card_reason(self, card: CardSpec) -> Reason:
        """Why a card is in its slot."""
        if card.stays and card.slot is not None:
            return Reason(words=KEPT, sort="kept")
        number, here = self.sheet.cards.index(card), self._numbers[self.placement.cards[card.name]]
        others = {holder.slot for holder in self.problem.holders if holder.card == number} - {here}
        if not others:
            return Reason(words=self._only(card), sort="only")
        was = self.problem.card_today[number]
        if was is None or was == here:
            return self._weighed(number, others, was_here=was == here)
        if was in others:
            return self._weighed(number, {was}, was_here=False)
        found = self._weighed(number, others, was_here=False)
        return replace(found, words=f"{self._not_there(card, self.sheet.slots[was])}; {found.words}")

    def _slot_of(self, card: CardSpec) -> SlotSpec:
        return self.slots[self.placement.cards[card.name]]

    def _not_there(self, card: CardSpec, slot: SlotSpec) -> str:
        """Why a card cannot stay where it is today."""
        refused = card_refusal(slot, card)
        if refused is None:
            return f"it cannot stay in {slot.label} because of parts that stay"
        return f"it cannot be left in {slot.label}, as {refusal_words(slot, card, refused)}"

    def _weighed(self, card: int, slots: Collection[int], *, was_here: bool) -> Reason:
        """A card against an exchange that loses next to nothing, else against the best that is left with it elsewhere.

        Where that is not known, an exchange that loses more has to do.
        """
        here = next(number for number in self.arrangement.holders if self.problem.holders[number].card == card)
        others = [
            number for number, holder in enumerate(self.problem.holders) if holder.card == card and holder.slot in slots
        ]
        tried = [found for other in others if (found := self._exchanged(here, other)) is not None]
        exchange = None
        if tried:
            _, place, other = max(tried, key=lambda pair: (pair[0], pair[1]))
            exchange = self._reason(other, place, "one", (), was_here=was_here)
        if exchange is not None and exchange.decides in IDLE:
            return exchange
        best = self._best_elsewhere(card, tuple(sorted(slots)), was_here=was_here)
        return best or exchange or Reason(words=self._all_worse(here, others), sort="blocked")

    def _best_elsewhere(self, card: int, slots: tuple[int, ...], *, was_here: bool) -> Reason | None:
        """A card against the best that is left with it in other slots; None where that is not known."""
        other = None if self._instead is None else self._instead.card(card, slots)
        if other is None:
            return None
        place = self._place_of(card, other)
        if place is not None:
            return self._reason(other, place, "best", slots, was_here=was_here)
        if not self.problem.must[card]:
            lost, where = self.losses.of(other), listed((self.sheet.slots[slot].label for slot in slots), "or")
            words = "leaving it out gains nothing" if lost.decides in IDLE else f"without it {lost.words}"
            words = f"in {where} it would be of no use, and {words}"
            return Reason(words=words, sort="best", other=other, decides=lost.decides, slots=slots)
        given = [found for slot in slots if (found := self._given(card, slot)) is not None]
        if len(given) < len(slots):
            return None
        best = max(given, key=lambda found: score(self.problem, found))
        return self._reason(best, self._place_of(card, best) or "", "best", slots, was_here=was_here)

    def _place_of(self, card: int, other: Arrangement) -> str | None:
        """Where a card is in another arrangement, and where that puts what is there in the plan; None where nowhere."""
        name = self.sheet.cards[card].name
        there = placement_of(self.built, other, self.placement)
        label = there.cards.get(name)
        if label is None:
            return None
        short = self._short(card, self._numbers[label])
        place = f"in {label}"
        holder = self._owner(label)
        goes = None if holder is None else there.cards.get(holder)
        if holder is None or (goes is None and holder in self.losses.out(other)):
            beside = ""
        elif goes is None:
            beside = f"with {holder} left out"
        else:
            exchanged = goes == self.placement.cards[name]
            beside = f"in exchange with {holder}" if exchanged else f"with {holder} in {goes}"
        notes = "; ".join(filter(None, (beside, short)))
        return f"{place} ({notes})" if notes else place

    def _short(self, card: int, slot: int) -> str:
        """What a slot lacks for the drives that a carrier has in the plan; "" where it is enough."""
        there = [
            (kind, count)
            for kind, number, count in self.arrangement.drives
            if self.problem.holders[number].card == card
        ]
        used = sum(count for _, count in there)
        watts = sum(self.problem.classes[kind].watts * count for kind, count in there)
        spec, place = self.sheet.cards[card], self.sheet.slots[slot]
        most = max(holder.bays for holder in self.problem.holders if (holder.card, holder.slot) == (card, slot))
        if most < used:
            return f"where only {quantity(most, 'bay')} of {spec.name} {'has' if most == 1 else 'have'} lanes"
        if watts > hundredths(limit_watts(place, spec) - own_watts(spec)):
            return f"which gives {limit_words(place, spec)}"
        return ""

    def _only(self, card: CardSpec) -> str:
        """What leaves a card one slot only."""
        places = [slot for slot in self.sheet.slots if slot.kind == "card"]
        if len(places) == 1:
            return "the only slot for cards"
        refused = {slot.label: card_refusal(slot, card) for slot in places}
        fits = [
            label for label, refusal in refused.items() if refusal is None and label != self.placement.cards[card.name]
        ]
        if fits:
            owners = {**hidden_slots(self.sheet), **kept_slots(self.sheet)}
            stay = dict.fromkeys(owners[label] for label in fits if label in owners)
            return f"{listed(fits)} would fit too, but {listed(stay) or 'what it would hide'} may not move"
        words = {"connector": f"its x{card.connector} connector", "height": "its height", "length": "its length"}
        words["power"] = f"its power of {own_watts(card):g} W"
        reasons = {refusal.why for refusal in refused.values() if refusal is not None}
        named = [words[why] for why in words if why in reasons]
        gives = [
            f"{slot} gives {refusal.offers}" for slot, refusal in refused.items() if refusal and refusal.why == "power"
        ]
        only = f"the only slot that {listed(named)} {'fits' if len(named) == 1 else 'fit'}"
        return f"{only}: {listed(gives)}" if gives else only

    def _exchanged(self, here: int, other: int) -> tuple[Score, str, Arrangement] | None:
        """A card in another slot: worth, words and arrangement. What is there goes to the card's slot."""
        self._check()
        slot = self.problem.holders[other].slot
        changes = {here: other}
        name = self.sheet.slots[slot].label
        for number in self.arrangement.holders:
            holder = self.problem.holders[number]
            if holder.slot == slot:
                back = self.built.by_pair.get((holder.card, self.problem.holders[here].slot))
                if back is None or holder.card is None:
                    return None
                changes[number] = back
                name = f"{name} (in exchange with {self.sheet.cards[holder.card].name})"
        changed = settled(self.problem, with_holders(self.arrangement, changes))
        if not allowed(self.problem, changed):
            return None
        return score(self.problem, changed), f"in {name}", changed

    def _all_worse(self, here: int, others: list[int]) -> str:
        """Why none of the other slots of a card will do as things are."""
        there = [(kind, count) for kind, number, count in self.arrangement.drives if number == here]
        used = sum(count for _, count in there)
        watts = sum(self.problem.classes[kind].watts * count for kind, count in there)
        found = []
        beside = filled(self.placement) - {self.sheet.slots[self.problem.holders[here].slot].label}
        for number in self._one_a_slot(others, beside):
            holder = self.problem.holders[number]
            slot = self.sheet.slots[holder.slot]
            label, owner = slot.label, self._owner(slot.label)
            if not slot_with(slot, beside).lanes:
                found.append(f"{label} has {taken_words(slot, beside)}")
            elif holder.bays < used:
                found.append(f"{label} gives lanes to {quantity(holder.bays, 'bay')} of it only, and {used} are wanted")
            elif holder.watts is not None and holder.watts < watts:
                limit = limit_words(self.sheet.slots[holder.slot], self.sheet.cards[holder.card or 0])
                left = f"{label} leaves its drives {holder.watts / 100:g} W of {limit}"
                found.append(f"{left}, and they take {watts / 100:g} W")
            elif owner is not None:
                found.append(f"{label} holds {owner} in this plan")
            else:
                found.append(f"in {label} a wide card and another part would be in each other's way")
        return "; ".join(found)

    def _one_a_slot(self, numbers: Iterable[int], beside: frozenset[str]) -> Iterator[int]:
        """Of a card's holders one for each slot, where there are several the one with the lanes that it has now."""
        for slot, here in grouped((self.problem.holders[number].slot, number) for number in numbers).items():
            spec = slot_with(self.sheet.slots[slot], beside)
            now = (number for number in here if slot_of(self.sheet, self.problem.holders[number]).lanes == spec.lanes)
            yield next(now, here[0])

    def _owner(self, label: str) -> str | None:
        """The card in a slot of the plan."""
        return next((name for name, slot in self.placement.cards.items() if slot == label), None)

    def _remarks(self, card: CardSpec, slot: SlotSpec) -> Iterator[str]:
        """What the sheet's figures leave open about a card in its slot."""
        refused = card_refusal(slot, card)
        if refused is not None:
            yield f"by the sheet's figures {refusal_words(slot, card, refused)}: one of them is wrong"
        if card.wide > 1 and not slot.covers:
            yield f"the sheet does not say what a wide card in {slot.label} hides, so nothing is counted as hidden"
        there = drives_on(self.placement, card.name)
        taken = [drive for drive in self.sheet.drives if drive.name in there]
        silent = [drive.name for drive in taken if drive.power_watts is None]
        if silent:
            yield f"the sheet gives no power for {listed(silent)}, so a typical figure is used"
        if card.power_watts is None and taken:
            yield f"its own power is not on the sheet, so it is not counted in the {limit_watts(slot, card):g} W"

    # --- Drives ------------------------------------------------------------------------------------------------

    def drive(self, drive: DriveSpec) -> str:
        """Why a drive is where it is, and what the sheet's figures say against it."""
        return "; ".join([self.drive_reason(drive).words, *(self._drive_remarks(drive) if self._kept(drive) else ())])

    def _kept(self, drive: DriveSpec) -> bool:
        return drive.stays and (drive.card is not None or drive.slot is not None)

    def drive_reason(self, drive: DriveSpec) -> Reason:
        """Why a drive is where it is."""
        carried = drive.card is not None and self.now.cards.get(drive.card) != self.placement.cards.get(drive.card)
        if self._kept(drive):
            return Reason(words=KEPT_BAY if carried else KEPT, sort="kept")
        kind = next(number for number, names in enumerate(self.built.members) if drive.name in names)
        here = self._holder(drive)
        was, now = self.now.drives.get(drive.name), self.placement.drives[drive.name]
        stays = was is not None and (was.holder, was.bay is None) == (now.holder, now.bay is None)
        tried = list(self._moved(kind, here))
        if was is not None and not stays:
            back = [one for one in tried if self._is_with(one[3], was.holder, card=was.bay is not None)]
            if not back:
                words = f"{was.holder}, where it is today, {self._not_back(kind, was.holder, card=was.bay is not None)}"
                return Reason(words=words, sort="blocked")
            tried = back
        if not tried:
            return self._no_other(kind, here)
        _, place, other, _ = max(tried, key=lambda one: (one[0], one[1]))
        return self._reason(other, place, "one", (), was_here=stays)

    def _is_with(self, number: int, name: str, *, card: bool) -> bool:
        return self._name(number) == name and (self.problem.holders[number].card is not None) == card

    def _not_back(self, kind: int, name: str, *, card: bool) -> str:
        """Why a drive cannot be left where it is today, as things are in the plan."""
        numbers = [
            number
            for number, holder in enumerate(self.problem.holders)
            if self._is_with(number, name, card=card) and holder.rates[kind][READ]
        ]
        if numbers:
            return self._in_the_way(kind, numbers)
        one = next(drive for drive in self.sheet.drives if drive.name == self.built.members[kind][0])
        spec = next((spec for spec in self.sheet.cards if card and spec.name == name), None)
        refused = slot_refusal(self.slots[name], one) if spec is None else bay_refusal(spec, one)
        if refused is not None and refused.why == "length":
            return f"takes {refused.offers} drives, not {one.length}"
        return "lacks room or power for it, by the sheet's figures"

    def _holder(self, drive: DriveSpec) -> int:
        place = self.placement.drives[drive.name]
        if place.bay is None:
            return self.built.by_pair[None, self._numbers[place.holder]]
        number = next(number for number, card in enumerate(self.sheet.cards) if card.name == place.holder)
        return self.built.by_pair[number, self._numbers[self.placement.cards[place.holder]]]

    def _moved(self, kind: int, here: int) -> Iterator[tuple[Score, str, Arrangement, int]]:
        """A drive of a class in every other place: a free bay or slot, or in exchange with a drive of another class.

        A carrier that the plan leaves out is tried in each slot that is free.
        """
        drives = counts_of(self.arrangement)
        used = {self.problem.holders[number].card for number in self.arrangement.holders}
        for number, holder in enumerate(self.problem.holders):
            if holder.home == self.problem.holders[here].home or not holder.rates[kind][READ]:
                continue
            without = self.arrangement
            name = self._name(number)
            if number not in self.arrangement.holders and holder.card is not None:
                if holder.card in used:
                    continue
                without = replace(without, holders=tuple(sorted((*without.holders, number))))
                name = f"{name} in {self.sheet.slots[holder.slot].label}"
            exchanges: list[int | None] = [None]
            exchanges += [pair for pair, place in drives if place == number and pair != kind]
            for other in exchanges:
                self._check()
                changed = moved(drives, kind, here, number)
                if other is not None:
                    changed = moved(changed, other, number, here)
                found = with_drives(self.problem, without, changed)
                if allowed(self.problem, found):
                    words = name if other is None else f"{name} (in exchange with {self._some(other, number)})"
                    at = "in" if holder.card is None else "on"
                    yield score(self.problem, found), f"{at} {words}", found, number

    def _name(self, number: int) -> str:
        holder = self.problem.holders[number]
        return self.sheet.slots[holder.slot].label if holder.card is None else self.sheet.cards[holder.card].name

    def _some(self, kind: int, number: int) -> str:
        """A drive of a class that is with a holder."""
        drives = self.placement.drives
        return next(
            name for name in self.built.members[kind] if name in drives and drives[name].holder == self._name(number)
        )

    def _no_other(self, kind: int, here: int) -> Reason:
        """Why a drive could not be elsewhere as things are."""
        others = grouped(  # every holder by the name of its card, or of the slot itself
            (self._name(number), number)
            for number, holder in enumerate(self.problem.holders)
            if holder.rates[kind][READ] and self._name(number) != self._name(here)
        )
        if not others:
            return Reason(words="nothing else takes it", sort="only")
        groups = grouped((self._in_the_way(kind, numbers), name) for name, numbers in others.items())
        words = (f"{listed(names)} would take it, but {_said_of(names, what)}" for what, names in groups.items())
        return Reason(words="; ".join(words), sort="blocked")

    def _in_the_way(self, kind: int, numbers: Sequence[int]) -> str:
        """What is in the way of a drive in a slot, or on a card by all of the holders that it could be."""
        number = next((number for number in numbers if number in self.arrangement.holders), numbers[0])
        holder = self.problem.holders[number]
        there = [(pair, count) for pair, place, count in self.arrangement.drives if place == number]
        if number not in self.arrangement.holders:
            return "has no slot in this plan" if holder.card is not None else self._closed(holder.slot)
        if sum(count for _, count in there) < holder.bays:
            return self._spent(number, kind)
        if all(pair == kind for pair, _ in there):
            return "holds a drive like it" if holder.card is None else "is full of drives like it"
        return f"{'holds a drive' if holder.card is None else 'is full of drives'} that could not change places with it"

    def _closed(self, number: int) -> str:
        """What keeps a slot of drives out of the plan: a wide card hides it, or lanes that slots take from others."""
        slot = self.sheet.slots[number]
        cards = [card for card in self.sheet.cards if card.name in self.placement.cards]
        over = next((card.name for card in cards if slot.label in hidden(self._slot_of(card), card)), None)
        if over is not None:
            return f"is hidden by {over} in this plan"
        beside = filled(self.placement)
        if not slot_with(slot, beside).lanes:
            return f"has {taken_words(slot, beside)}"
        words = robbing_words(self.sheet, slot.label, self.placement)
        return f"takes lanes of {words}" if words else "is not free in this plan"

    def _spent(self, number: int, kind: int) -> str:
        """The power that is left on a card with free bays, and whose limit it is."""
        holder = self.problem.holders[number]
        assert holder.card is not None
        card, slot = self.sheet.cards[holder.card], self.sheet.slots[holder.slot]
        there = drives_on(self.placement, card.name)
        taken = own_watts(card) + sum(drive_watts(drive) for drive in self.sheet.drives if drive.name in there)
        left = max(0.0, limit_watts(slot, card) - taken)
        one = self.built.members[kind][0]
        takes = next(drive_watts(drive) for drive in self.sheet.drives if drive.name == one)
        return f"has {left:g} W left of {limit_words(slot, card)} in {slot.label}, and it takes {takes:g} W"

    def _drive_remarks(self, drive: DriveSpec) -> Iterator[str]:
        """What the sheet's figures say against the place of a drive that stays."""
        cards = {card.name: card for card in self.sheet.cards}
        place = self.placement.drives[drive.name]
        if place.bay is None:
            refused = slot_refusal(self.slots[place.holder], drive)
        else:
            refused = bay_refusal(cards[place.holder], drive)
        if refused is not None:
            what = f"a {drive.length} drive" if refused.why == "length" else f"a {drive.form.upper()} drive"
            yield f"by the sheet's figures {place.holder} takes {refused.offers}, not {what}: one of them is wrong"

    # --- Parts without a place --------------------------------------------------------------------------------

    def card_in(self, card: CardSpec, slot: SlotSpec, owner: str) -> str:
        """What giving a slot to a card would cost, after the name of the part that has the slot."""
        found = self.with_card(card, slot)
        if found is None:
            end = "another part would have no place" if card.carrier == "none" else "no more parts would have a place"
            return f": with {card.name} there {end}"
        out = self.losses.out(found)
        lost = self.losses.of(found)
        if lost.decides == "placed" or not out:
            return f": with {card.name} there {lost.words}"
        instead = ", which would have no place instead" if out == [owner] else ""
        words = instead or f": with {card.name} there {listed(out, most=NAMED)} would have no place instead"
        return f"{words}, and {lost.words}" if lost.decides in TOLD else words

    def with_card(self, card: CardSpec, slot: SlotSpec) -> Arrangement | None:
        """The best arrangement with a card in a slot; None where that is not known."""
        return self._given(self.sheet.cards.index(card), self._numbers[slot.label])

    def _given(self, card: int, slot: int) -> Arrangement | None:
        found = None if self._instead is None else self._instead.given(card, slot)
        if found is None:
            return None
        holders = (self.problem.holders[number] for number in found.holders)
        return found if any((holder.card, holder.slot) == (card, slot) for holder in holders) else None

    def drive_in(self, drive: DriveSpec, name: str, *, card: bool, full: bool = True) -> str:
        """What giving a bay or slot to a drive would cost, after a word on what has it; "" where it is not known.

        `full` tells whether the bays of a card are the reason (else it is the power).
        """
        kind = next(number for number, names in enumerate(self.built.members) if drive.name in names)
        number = next((one for one in self.arrangement.holders if self._is_with(one, name, card=card)), None)
        drives = counts_of(self.arrangement)
        there = [pair for pair, place in drives if place == number]
        if number is None or not there:
            return ""
        if there == [kind]:
            alike = f" of drives like {drive.name}" if full else ""
            return alike if card else f", which is like {drive.name}"
        tried = []
        for pair in there:
            changed = {**drives, (pair, number): drives[pair, number] - 1}
            changed[kind, number] = changed.get((kind, number), 0) + 1
            found = with_drives(self.problem, self.arrangement, changed)
            if pair != kind and allowed(self.problem, found):
                tried.append((score(self.problem, found), self._some(pair, number), found))
        if not tried:
            return ""
        _, other, found = max(tried, key=lambda one: (one[0], one[1]))
        lost = self.losses.of(found)
        words = "nothing would be gained" if lost.decides in IDLE else lost.words
        return f": with {drive.name} there in place of {other} {words}"

    # --- Words -------------------------------------------------------------------------------------------------

    def _reason(
        self,
        other: Arrangement,
        place: str,
        sort: Sort,
        slots: tuple[int, ...],
        *,
        was_here: bool,
    ) -> Reason:
        """What counts first in what another place would cost."""
        lost = self.losses.of(other)
        words = f"{place} {lost.words}"
        if lost.decides == "moves" and was_here:
            words = f"{place} it would do no better"
        return Reason(words=words, sort=sort, other=other, decides=lost.decides, slots=slots)


def _said_of(places: Sequence[str], words: str) -> str:
    """Words that begin with a verb, said of one place or of several."""
    verb, _, rest = words.partition(" ")
    return words if len(places) == 1 else f"{PLURALS[verb]} {rest}"
