"""One line for each part on why it is where it is: what would be lost in the best other place, or what holds it there.

Compares by `score` alone, part by part; it neither searches nor changes the plan.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.grouping import grouped
from agent.planner.build import needs_met
from agent.planner.fits import bay_refusal, card_refusal, limit_watts, refusal_words, slot_refusal
from agent.planner.holders import slot_of
from agent.planner.problem import READ, allowed, score
from agent.planner.refitted import counts_of, moved, settled, with_drives, with_holders
from agent.sheets.lanes import filled, slot_with, taken_words
from agent.sheets.paths import drives_on, today
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.planner.build import Built
    from agent.planner.problem import Arrangement, Score
    from agent.sheets.sheet import CardSpec, DriveSpec, Placement, SlotSpec

KEPT: Final = "stays: the sheet says so"
STAYS: Final = "stays where it is: "
KEPT_BAY: Final = "stays in its bay: the sheet says so"


class Whys:
    """A plan, asked for reasons."""

    def __init__(self, built: Built, arrangement: Arrangement, placement: Placement) -> None:
        """Keep what the reasons rest on."""
        used = ((number, built.problem.holders[number]) for number in arrangement.holders)
        in_use = {(holder.card, holder.slot): number for number, holder in used}
        self.built = replace(built, by_pair=built.by_pair | in_use)
        self.problem = built.problem
        self.sheet = built.sheet
        self.arrangement = arrangement
        self.placement = placement
        self.score = score(built.problem, arrangement)
        self.now = today(built.sheet)
        self.slots = {slot.label: slot for slot in built.sheet.slots}
        self._numbers = {slot.label: number for number, slot in enumerate(built.sheet.slots)}

    # --- Cards -------------------------------------------------------------------------------------------------

    def card(self, card: CardSpec) -> str:
        """Why a card is in its slot."""
        slot = self.slots[self.placement.cards[card.name]]
        remarks = self._remarks(card, slot)
        if card.stays and card.slot is not None:
            return "; ".join([KEPT, *remarks])
        return "; ".join([self._card(card, slot), *remarks])

    def _card(self, card: CardSpec, slot: SlotSpec) -> str:
        number = self.sheet.cards.index(card)
        here = self.built.by_pair[number, self._numbers[slot.label]]
        others = [
            other
            for other, holder in enumerate(self.problem.holders)
            if holder.card == number and holder.slot != self._numbers[slot.label]
        ]
        if not others:
            return self._only(card)
        tried = [found for other in others if (found := self._exchanged(here, other)) is not None]
        if not tried:
            return self._all_worse(here, others)
        worth, place, other = max(tried, key=lambda pair: (pair[0], pair[1]))
        return self._loss(worth, other, place, was_here=self.now.cards.get(card.name) == slot.label)

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
            return f"{listed(fits)} would fit too, but for parts that stay"
        words = {"connector": f"its x{card.connector} connector", "height": "its height", "length": "its length"}
        words["power"] = "its power"
        reasons = {refusal.why for refusal in refused.values() if refusal is not None}
        named = [words[why] for why in words if why in reasons]
        return f"the only slot that {listed(named)} {'fits' if len(named) == 1 else 'fit'}"

    def _exchanged(self, here: int, other: int) -> tuple[Score, str, Arrangement] | None:
        """A card in another slot: worth, words and arrangement. What is there goes to the card's slot."""
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
                found.append(f"{label} leaves its drives {holder.watts / 100:g} W, and they take {watts / 100:g} W")
            elif owner is not None:
                found.append(f"{label} is taken by {owner}")
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
            yield f"the power of {listed(silent)} is taken as typical, as the sheet does not say"
        if card.power_watts is None and taken:
            yield f"its own power is not on the sheet and not counted in the {limit_watts(slot, card):g} W"

    # --- Drives ------------------------------------------------------------------------------------------------

    def drive(self, drive: DriveSpec) -> str:
        """Why a drive is where it is."""
        carried = drive.card is not None and self.now.cards.get(drive.card) != self.placement.cards.get(drive.card)
        if drive.stays and (drive.card is not None or drive.slot is not None):
            return "; ".join([KEPT_BAY if carried else KEPT, *self._drive_remarks(drive)])
        kind = next(number for number, names in enumerate(self.built.members) if drive.name in names)
        here = self._holder(drive)
        stays = self.now.drives.get(drive.name)
        was_here = stays is not None and stays.holder == self.placement.drives[drive.name].holder
        tried = list(self._moved(kind, here))
        if not tried:
            return self._no_other(kind, here)
        worth, place, other = max(tried, key=lambda pair: (pair[0], pair[1]))
        return self._loss(worth, other, place, was_here=was_here, carried=carried)

    def _holder(self, drive: DriveSpec) -> int:
        place = self.placement.drives[drive.name]
        if place.bay is None:
            return self.built.by_pair[None, self._numbers[place.holder]]
        number = next(number for number, card in enumerate(self.sheet.cards) if card.name == place.holder)
        return self.built.by_pair[number, self._numbers[self.placement.cards[place.holder]]]

    def _moved(self, kind: int, here: int) -> Iterator[tuple[Score, str, Arrangement]]:
        """A drive of a class in every other place: a free bay or slot, or in exchange with a drive of another class."""
        drives = counts_of(self.arrangement)
        for number, holder in enumerate(self.problem.holders):
            if holder.home == self.problem.holders[here].home or not holder.rates[kind][READ]:
                continue
            if number not in self.arrangement.holders and holder.card is not None:
                continue
            name = self._name(number)
            exchanges: list[int | None] = [None]
            exchanges += [pair for pair, place in drives if place == number and pair != kind]
            for other in exchanges:
                changed = moved(drives, kind, here, number)
                if other is not None:
                    changed = moved(changed, other, number, here)
                found = with_drives(self.problem, self.arrangement, changed)
                if allowed(self.problem, found):
                    words = name if other is None else f"{name} (in exchange with {self._some(other, number)})"
                    at = "in" if holder.card is None else "on"
                    yield score(self.problem, found), f"{at} {words}", found

    def _name(self, number: int) -> str:
        holder = self.problem.holders[number]
        return self.sheet.slots[holder.slot].label if holder.card is None else self.sheet.cards[holder.card].name

    def _some(self, kind: int, number: int) -> str:
        """A drive of a class that is with a holder."""
        drives = self.placement.drives
        return next(
            name for name in self.built.members[kind] if name in drives and drives[name].holder == self._name(number)
        )

    def _no_other(self, kind: int, here: int) -> str:
        """Why a drive could not be elsewhere as things are."""
        others = grouped(  # every holder by the name of its card, or of the slot itself
            (self._name(number), number)
            for number, holder in enumerate(self.problem.holders)
            if holder.rates[kind][READ] and self._name(number) != self._name(here)
        )
        if not others:
            return "nothing else takes it"
        groups = grouped((self._in_the_way(kind, numbers), name) for name, numbers in others.items())
        return "; ".join(f"{listed(names)} would take it, but {words}" for words, names in groups.items())

    def _in_the_way(self, kind: int, numbers: Sequence[int]) -> str:
        """What is in the way of a drive in a slot, or on a card by all of the holders that it could be."""
        number = next((number for number in numbers if number in self.arrangement.holders), numbers[0])
        holder = self.problem.holders[number]
        there = [(pair, count) for pair, place, count in self.arrangement.drives if place == number]
        if number not in self.arrangement.holders:
            return "hidden by a wide card in this plan" if holder.card is None else "without a slot in this plan"
        if sum(count for _, count in there) < holder.bays:
            return "the power there is used up"
        if holder.card is None:
            return "another drive is there"
        alike = all(pair == kind for pair, _ in there)
        return f"all bays there are taken{' by drives like it' if alike else ''}"

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

    # --- Words -------------------------------------------------------------------------------------------------

    def _lost(self, other: Arrangement) -> str:
        """The needs that another arrangement does not meet, or only at best."""
        mine, its = needs_met(self.built, self.arrangement), needs_met(self.built, other)
        for before, after, end in zip(mine, its, ("not be met", "be met at best"), strict=True):
            lost = [f'"{self.built.needs[number]}"' for number in sorted(before - after)]
            if lost:
                return f"{'the need' if len(lost) == 1 else 'the needs'} {listed(lost)} would {end}"
        return "fewer needs would be met"

    def _loss(self, worth: Score, other: Arrangement, place: str, *, was_here: bool, carried: bool = False) -> str:
        """What counts first in what another place would cost; a part that is `carried` stays on what moves."""
        mine = self.score
        if worth.needs < mine.needs:
            return f"{place} {self._lost(other)}"
        if worth.worst != mine.worst:
            return f"{place} the worst-off drive would read {_less(mine.worst, worth.worst)}"
        if worth.total != mine.total:
            return f"{place} all drives together would read {_less(mine.total, worth.total)}"
        if worth.moves != mine.moves and was_here:
            return f"{'' if carried else STAYS}{place} it would do no better"
        if worth.moves != mine.moves:
            return f"{place} it would do as well, with {quantity(mine.moves - worth.moves, 'move')} more"
        room = ""
        if worth.room != mine.room:
            more = len(other.holders) > len(self.arrangement.holders)
            room = f", but take up {'one more' if more else 'a bigger'} slot"
        return f"{place} it would do as well{room}"


def _less(mine: int, other: int) -> str:
    return f"{mbps_fine(abs(mine - other) / 10)} {'less' if other < mine else 'more'}"
