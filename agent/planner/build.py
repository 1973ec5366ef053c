"""From a build sheet to a placing problem in whole numbers, and back from its answers to parts and places.

Decides nothing: which arrangement is best is `agent.planner.search`'s to say. What is hard is settled here: connectors,
heights, lengths, splits, power, hidden neighbours, and what stays where it is.

A part that the sheet says stays is left where it is even where the sheet's own figures forbid it: somebody fitted it
there, so the machine is right and a figure is wrong (`agent.planner.plan` says so beside it). A carrier goes only where
its drives that stay with it have their bays and power, if there is such a slot.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from agent.model.throughput import DIRECTIONS, PAIRS, link_mbps
from agent.planner.clock import at_ease
from agent.planner.fits import card_mbps
from agent.planner.holders import (
    NOWHERE,
    ROUNDING,
    DrivesAlike,
    Home,
    card_holders,
    hundredths_taken,
    rates_of,
    slot_holders,
    slot_of,
    slots_of_lanes,
    tenths,
    tenths_asked,
)
from agent.planner.problem import READ, Arrangement, DriveClass, Holder, NeedOf, PlacingProblem, met
from agent.planner.refitted import settled
from agent.sheets.paths import bays_of, today
from agent.sheets.reading import drive_watts
from agent.sheets.sheet import DrivePlace, Placement

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.model.expected import Need
    from agent.model.throughput import Direction
    from agent.sheets.sheet import Sheet, StripeSpec


class Built(Struct, frozen=True):
    """A problem, and what its numbers mean.

    Slots and cards are numbered as in the sheet. `members` are the names of the drives of each class. `needs` names
    the problem's needs: those of the sheet, then the link rates that cards want. They come twice in the problem: all
    as they can be met at best, then all as they are met firmly. What comes after them in the problem only makes sure
    that drives that stay are not left out for others. `by_pair` gives a holder by card and slot: where the slot has
    fewer lanes beside others there are more of them, and `settled` (refitted.py) takes the right one.
    """

    sheet: Sheet
    problem: PlacingProblem
    members: tuple[tuple[str, ...], ...]
    needs: tuple[str, ...]
    by_pair: dict[tuple[int | None, int], int]


def needs_met(built: Built, arrangement: Arrangement) -> tuple[frozenset[int], frozenset[int]]:
    """The needs (by their place in `needs`) that an arrangement meets, at best or firmly, and those met firmly."""
    count = len(built.needs)
    kept = [met(built.problem, arrangement, need) for need in built.problem.needs[: 2 * count]]
    return (
        frozenset(number for number in range(count) if kept[number]),
        frozenset(number for number in range(count) if kept[count + number]),
    )


# --- Sheet to problem ------------------------------------------------------------------------------------------


def build(sheet: Sheet, *, now: bool = False, check: Callable[[], None] = at_ease) -> Built:
    """The placing problem of a sheet; with `now` cards go only where they are today.

    `check` raises where there is no time for more; small sheets ask no clock.
    """
    slots = {slot.label: number for number, slot in enumerate(sheet.slots)}
    cards = {card.name: number for number, card in enumerate(sheet.cards)}
    uplinks = {uplink.name: number for number, uplink in enumerate(sheet.uplinks)}
    classes = _classes(sheet, slots, cards)
    holders = (
        *card_holders(sheet, slots, classes, now=now, check=check),
        *slot_holders(sheet, slots, classes),
    )
    wants = [number for number, card in enumerate(sheet.cards) if card.wants_mbps is not None]
    pairs = [_need(sheet, need, classes, holders, slots, cards) for need in sheet.needs]
    pairs += [(_want(sheet, number, holders),) * 2 for number in wants]
    # One that is met firmly counts twice, so that nothing firm is given away for a lesser aim.
    needs = (*(best for best, _ in pairs), *(firm for _, firm in pairs))
    problem = PlacingProblem(
        sizes=tuple(tenths(link_mbps(slot.generation, slot.lanes)) for slot in sheet.slots),
        above=tuple(uplinks[slot.uplink] if slot.uplink is not None else None for slot in sheet.slots),
        uplinks=tuple(
            (
                rates_of(sheet, (uplink.generation, uplink.lanes)),
                uplinks[uplink.above] if uplink.above is not None else None,
            )
            for uplink in sheet.uplinks
        ),
        holders=holders,
        must=tuple(card.carrier == "none" for card in sheet.cards),
        card_today=tuple(slots[card.slot] if card.slot is not None else None for card in sheet.cards),
        classes=tuple(
            DriveClass(
                len(drives_alike.names),
                hundredths_taken(drive_watts(drives_alike.like)),
                _today(drives_alike, number, holders),
            )
            for number, drives_alike in enumerate(classes)
        ),
        needs=(*needs, *_guards(classes, holders, len(needs))),
    )
    return Built(
        sheet=sheet,
        problem=problem,
        members=tuple(tuple(drives_alike.names) for drives_alike in classes),
        needs=(*(need.name for need in sheet.needs), *(f"link of {sheet.cards[number].name}" for number in wants)),
        by_pair={(holder.card, holder.slot): number for number, holder in enumerate(holders)},
    )


def _classes(sheet: Sheet, slots: dict[str, int], cards: dict[str, int]) -> list[DrivesAlike]:
    """The drives by what counts: their figures, the needs that name them, and the place of those that stay."""
    stripes = {stripe.name: stripe.drives for stripe in sheet.stripes}
    found: dict[object, DrivesAlike] = {}
    for drive in sheet.drives:
        place: Home | None = None
        if drive.card is not None:
            place = ("card", cards[drive.card])
        elif drive.slot is not None:
            place = ("slot", slots[drive.slot])
        home = place if drive.stays else None
        needs = tuple(
            number
            for number, need in enumerate(sheet.needs)
            if drive.name in (need.drives if need.stripe is None else stripes[need.stripe])
        )
        figures = (drive.generation, drive.lanes, drive.read_mbps, drive.write_mbps, drive_watts(drive))
        reached = slots_of_lanes(sheet, drive)
        key = (*figures, drive.length, drive.form, home, needs, reached)
        one = found.setdefault(key, DrivesAlike(drive, home, reached, [], {}))
        one.names.append(drive.name)
        if place is not None:
            one.today[place] = one.today.get(place, 0) + 1
    return list(found.values())


def _today(alike: DrivesAlike, number: int, holders: Sequence[Holder]) -> dict[Home, int]:
    """Today's places of a class; none for drives that stay where they cannot work: they are left there."""
    works = alike.home is None or any(holder.rates[number][READ] for holder in holders)
    return alike.today if works else {}


# --- Needs -----------------------------------------------------------------------------------------------------


def _need(
    sheet: Sheet,
    need: Need,
    classes: Sequence[DrivesAlike],
    holders: Sequence[Holder],
    slots: dict[str, int],
    cards: dict[str, int],
) -> tuple[NeedOf, NeedOf]:
    """A need of the sheet as met at best, and as met firmly; rates are asked of each drive.

    A need without rates is the same twice, so that all needs weigh alike.
    """
    stripe = next((spec for spec in sheet.stripes if spec.name == need.stripe), None)
    drives = need.drives if stripe is None else stripe.drives
    rates = list(zip((need.read_mbps, need.write_mbps), DIRECTIONS, strict=True))
    each = [
        0
        if asked is None
        else tenths_asked(asked if stripe is None else member_mbps(stripe, asked, direction, firm=firm))
        for firm in (False, True)
        for asked, direction in rates
    ]
    there: tuple[tuple[int, frozenset[int]], ...] = ()
    if need.in_slot is not None:
        place = slots[need.in_slot]
        there = tuple((cards[name], _where(holders, cards[name], {place})) for name in need.cards)
    best = NeedOf(
        classes=tuple(number for number, drives_alike in enumerate(classes) if set(drives_alike.names) & set(drives)),
        each=(*each[:2], 0, 0),
        no_split=need.not_on_split,
        no_switch=need.not_behind_switch,
        cards=there,
    )
    return best, replace(best, each=(0, 0, *each[2:]))


def _want(sheet: Sheet, number: int, holders: Sequence[Holder]) -> NeedOf:
    """The link rate that a card wants, as the holders that give it, shared uplinks above their slots included."""
    card = sheet.cards[number]
    good = frozenset(
        place
        for place, holder in enumerate(holders)
        if holder.card == number
        if card.wants_mbps is not None
        and card_mbps(sheet, slot_of(sheet, holder), card)[0] >= card.wants_mbps - ROUNDING
    )
    return NeedOf(each=NOWHERE, cards=((number, good),))


def _where(holders: Sequence[Holder], card: int, slots: set[int]) -> frozenset[int]:
    return frozenset(number for number, holder in enumerate(holders) if holder.card == card and holder.slot in slots)


def _guards(classes: Sequence[DrivesAlike], holders: Sequence[Holder], needs: int) -> Iterator[NeedOf]:
    """Needs that outweigh all others: that drives which stay are not left out where others could have their bays."""
    for number, drives_alike in enumerate(classes):
        if drives_alike.home is not None and any(
            holder.rates[number][READ] and _contested(classes, holder) for holder in holders
        ):
            for _ in range(needs + 1):
                yield NeedOf(classes=(number,), each=NOWHERE)


def _contested(classes: Sequence[DrivesAlike], holder: Holder) -> bool:
    """Whether more drives could go to a holder than it has bays or power for, and not all of them stay."""
    there = [drives_alike for drives_alike, rates in zip(classes, holder.rates, strict=True) if rates[READ]]
    watts = sum(len(alike.names) * hundredths_taken(drive_watts(alike.like)) for alike in there)
    crowded = sum(len(alike.names) for alike in there) > holder.bays or (
        holder.watts is not None and watts > holder.watts
    )
    return crowded and any(alike.home is None for alike in there)


def member_mbps(stripe: StripeSpec, mbps: float, direction: Direction, *, firm: bool = False) -> float:
    """What each member must do for a set to do `mbps` as a whole, while all work in step.

    Reading uses all members, of copies too at best; firmly it may be one copy alone, of which each member must then do
    as much as where nothing is held twice (asked of all copies at once, a little more than needed on a shared link).
    Writing, a copy (RAID 1, 10) is a second write of the same data,
    and RAID 5 writes one member's worth of parity with each row (common practice).
    """
    count = len(stripe.drives)
    if direction == "to_drive" or (firm and stripe.raid in {1, PAIRS}):
        count = {0: count, 1: 1, 5: count - 1, 10: count // 2}[stripe.raid]
    return mbps / count


# --- Problem to placement --------------------------------------------------------------------------------------


def arrangement_of(built: Built, placement: Placement) -> Arrangement | None:
    """A placement in the problem's numbers; None where the problem does not allow it (a card where it cannot be)."""
    sheet = built.sheet
    cards = {card.name: number for number, card in enumerate(sheet.cards)}
    slots = {slot.label: number for number, slot in enumerate(sheet.slots)}
    pairs: list[tuple[int | None, int]] = [(cards[name], slots[label]) for name, label in placement.cards.items()]
    pairs += [(None, slots[place.holder]) for place in placement.drives.values() if place.bay is None]
    if any(pair not in built.by_pair for pair in pairs):
        return None
    counts: dict[tuple[int, int], int] = {}
    for kind, names in enumerate(built.members):
        for place in (placement.drives[name] for name in names if name in placement.drives):
            pair: tuple[int | None, int] = (None, slots.get(place.holder, -1))
            if place.bay is not None:
                pair = cards[place.holder], slots.get(placement.cards.get(place.holder, ""), -1)
            if pair not in built.by_pair:
                return None
            key = kind, built.by_pair[pair]
            counts[key] = counts.get(key, 0) + 1
    holders = sorted({built.by_pair[pair] for pair in pairs})
    drives = tuple((kind, holder, count) for (kind, holder), count in sorted(counts.items()))
    return settled(built.problem, Arrangement(tuple(holders), drives))


def placement_of(built: Built, arrangement: Arrangement, like: Placement | None = None) -> Placement:
    """The parts in their places. Drives that can stay do so, in their bay; the others fill bays from the first.

    Of drives that are alike, those have a place first that have it in `like` too.
    """
    sheet, problem = built.sheet, built.problem
    cards = {}
    for holder in (problem.holders[number] for number in arrangement.holders):
        if holder.card is not None:
            cards[sheet.cards[holder.card].name] = sheet.slots[holder.slot].label
    now = today(sheet).drives
    then = {} if like is None else like.drives
    chosen: dict[int, list[str]] = {}
    for kind, names in enumerate(built.members):
        free = list(names)
        counts = {number: count for other, number, count in arrangement.drives if other == kind}
        for places in (now, then, None):
            for number in counts:
                here = [name for name in free if _is_at(built, then.get(name), number)]
                here += [name for name in free if name not in here]
                if places is not None:
                    here = [name for name in here if _is_at(built, places.get(name), number)]
                taken = here[: counts[number]]
                free = [name for name in free if name not in taken]
                chosen.setdefault(number, []).extend(taken)
                counts[number] -= len(taken)
    drives = {}
    for number, names_there in chosen.items():
        drives.update(_bays(built, problem.holders[number], names_there, now))
    drives |= _left(sheet, cards, drives, now)
    return Placement(cards, {drive.name: drives[drive.name] for drive in sheet.drives if drive.name in drives})


def _left(
    sheet: Sheet, cards: dict[str, str], drives: dict[str, DrivePlace], now: dict[str, DrivePlace]
) -> Iterator[tuple[str, DrivePlace]]:
    """Drives that stay and do not work where they are: they are left there all the same."""
    taken = set(drives.values())
    for drive in sheet.drives:
        place = now.get(drive.name)
        if place is None or not drive.stays or drive.name in drives or place in taken:
            continue
        if place.bay is None or place.holder in cards:
            yield drive.name, place


def _is_at(built: Built, place: DrivePlace | None, number: int) -> bool:
    """Whether a place is a bay of this holder's card, or its slot."""
    holder = built.problem.holders[number]
    if place is None or (place.bay is None) != (holder.card is None):
        return False
    if holder.card is None:
        return place.holder == built.sheet.slots[holder.slot].label
    return place.holder == built.sheet.cards[holder.card].name


def _bays(built: Built, holder: Holder, names: Sequence[str], now: dict[str, DrivePlace]) -> dict[str, DrivePlace]:
    """Bays for the drives of one holder."""
    slot = slot_of(built.sheet, holder)
    if holder.card is None:
        return {name: DrivePlace(slot.label, None) for name in names}
    card = built.sheet.cards[holder.card]
    free = sorted(bays_of(slot, card)[0])
    found = {}
    for name in names:
        place = now.get(name)
        if place is not None and place.holder == card.name and place.bay in free:
            found[name] = place
            free.remove(place.bay)
    for name in names:
        if name not in found:
            found[name] = DrivePlace(card.name, free.pop(0))
    return found
