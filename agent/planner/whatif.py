"""Parts that are not bought yet, tried in the machine: added to a sheet, or kinds of carrier side by side.

Every candidate is planned as a whole build of its own, so its figures are those that it would have in this machine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from agent.planner.build import arrangement_of, build
from agent.planner.clock import Time, always
from agent.planner.figures import Rated, could_mbps
from agent.planner.plan import plan
from agent.planner.reasons import unplaced
from agent.planner.result import Candidate
from agent.planner.whys import Whys
from agent.sheets.lanes import slots_with
from agent.sheets.names import Names
from agent.sheets.paths import bays_of, drives_on, slot_link
from agent.sheets.reading import card_of
from agent.sheets.sheet import DrivePlace, Placement
from knowledge.phrasing import listed, mbps_fine, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.planner.result import Plan
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet


def added(sheet: Sheet, kinds: Sequence[str], drives: Sequence[DriveSpec]) -> Sheet:
    """The sheet with one new card of each kind and with new drives, none of them fitted; their names are new too."""
    taken = {card.name for card in sheet.cards} | {drive.name for drive in sheet.drives}
    taken |= {slot.label for slot in sheet.slots} | {stripe.name for stripe in sheet.stripes}
    names = Names(taken)
    cards = [card_of(kind, names.unique(f"new {kind}")) for kind in kinds]
    more = [
        replace(drive_spec, name=names.unique(drive_spec.name), card=None, bay=None, slot=None) for drive_spec in drives
    ]
    return replace(sheet, cards=(*sheet.cards, *cards), drives=(*sheet.drives, *more))


def compare(
    sheet: Sheet,
    kinds: Sequence[str],
    drives: Sequence[DriveSpec],
    running: Callable[[], bool],
    telling: Callable[[], bool] = always,
) -> tuple[Candidate, ...]:
    """Each kind of carrier in the machine with the given drives, as many of the kind as these need.

    Without drives it is one card of each kind, with those drives of the machine that are best moved to it.
    """
    return tuple(_candidate(sheet, kind, drives, Time(running, telling)) for kind in kinds)


def _candidate(sheet: Sheet, kind: str, drives: Sequence[DriveSpec], time: Time) -> Candidate:
    bays = card_of(kind, kind).bays
    places = sum(slot.kind == "card" for slot in sheet.slots)
    copies = max(1, min(-(-len(drives) // bays), places)) if bays else 1
    tried = added(sheet, [kind] * copies, drives)
    cards, fresh = tried.cards[len(sheet.cards) :], tried.drives[len(sheet.drives) :]
    found = _without_spares(plan(tried, time.searching, like=_spread(cards, fresh), telling=time.telling), cards)
    used = [card for card in cards if card.name in found.placement.cards]
    names = [drive.name for drive in fresh]
    if not names:
        on = {card.name for card in used}
        names = [
            spec.name for spec in tried.drives if (at := found.placement.drives.get(spec.name)) and at.holder in on
        ]
    return Trial(found, used, names).candidate(kind)


def _spread(cards: Sequence[CardSpec], drives: Sequence[DriveSpec]) -> Placement:
    """New drives on the new cards, bay by bay: of drives that are alike, those of the trial are looked for there."""
    bays = [DrivePlace(card.name, bay) for card in cards for bay in range(1, card.bays + 1)]
    return Placement({}, {drive.name: place for drive, place in zip(drives, bays, strict=False)})


def _without_spares(found: Plan, cards: Sequence[CardSpec]) -> Plan:
    """The plan less the copies that it does not use; of a kind that is not used at all one stays, with the reason."""
    spare = [card for card in cards if card.name not in found.placement.cards]
    if len(spare) == len(cards):
        spare = spare[1:]
    names = {card.name for card in spare}
    sheet = replace(found.sheet, cards=tuple(card for card in found.sheet.cards if card.name not in names))
    missing, spares = unplaced(sheet, found.placement, _whys(sheet, found), searched=found.proved)
    return replace(found, sheet=sheet, unplaced=missing, spares=spares)


def _whys(sheet: Sheet, found: Plan) -> Whys | None:
    """What knows of the plan, on a sheet with fewer spare parts, what would be lost otherwise; None if not proved."""
    if not found.proved:
        return None
    built = build(sheet)
    arrangement = arrangement_of(built, found.placement)
    return None if arrangement is None else Whys(built, arrangement, found.placement)


class Trial:
    """A plan with the cards of one kind, and the drives that are looked at."""

    def __init__(self, found: Plan, cards: Sequence[CardSpec], names: Sequence[str]) -> None:
        """Work out its rates."""
        self.plan = found
        self.cards = cards
        self.names = names
        self.rated = Rated(found.sheet, found.placement)
        self.placed = [name for name in names if name in self.rated.by_name]
        self.shares = self.rated.shares("to_host")

    def candidate(self, kind: str) -> Candidate:
        """The kind with its figures."""
        here = [name for name in self.placed if self._on_cards(name)]
        alone = [self.rated.alone(name) for name in here]
        shares = [self.shares[name] for name in self.placed] if here else []
        stripe = self.rated.stripe(0, self.placed) if here and len(self.placed) > 1 else None
        watts = [card.watts for card in self.plan.cards if card.name in {spec.name for spec in self.cards}]
        return Candidate(
            kind=kind,
            alone=min(alone, key=lambda pair: (pair[1], pair[0]), default=None),
            together=(sum(share.low for share in shares), sum(share.high for share in shares)) if shares else None,
            stripe=stripe.span if stripe is not None else None,
            slots_used=len(self.cards),
            watts=None if None in watts else sum(watt for watt in watts if watt is not None),
            limit=self._limit(),
            wasted=tuple(self._wasted()),
            plan=self.plan,
        )

    def _limit(self) -> str:
        """What holds the drives back: places first, then the hop that decides the slowest."""
        found = []
        if len(self.cards) > 1:
            found.append(f"{len(self.cards)} cards of this kind")
        missing = [name for name in self.names if name not in self.placed]
        if missing:
            of = f"{len(missing)} of {quantity(len(self.names), 'drive')}"
            told = (spare.why for spare in (*self.plan.unplaced, *self.plan.spares) if spare.name == missing[0])
            why = next((f": {reason}" for reason in told if reason), "")
            found.append(f"{of} {'has' if len(missing) == 1 else 'have'} no place{why}")
        elsewhere = [name for name in self.placed if not self._on_cards(name)]
        if elsewhere:
            where = dict.fromkeys(self.plan.placement.drives[name].holder for name in elsewhere)
            found.append(f"{quantity(len(elsewhere), 'drive')} better off in {listed(where)}")
        if self.placed:
            worst = min(self.placed, key=lambda name: self.shares[name].high)
            found.append(self.rated.narrowest(self.shares[worst].narrowest))
        return "; ".join(found) or "no drive is on it"

    def _on_cards(self, name: str) -> bool:
        return self.plan.placement.drives[name].holder in {card.name for card in self.cards}

    def _wasted(self) -> Iterator[str]:
        """What would be unused: bays, lanes, and what the drives could read but do not."""
        slots = slots_with(self.plan.sheet, self.plan.placement)
        for card in self.cards:
            slot = slots[self.plan.placement.cards[card.name]]
            there = drives_on(self.plan.placement, card.name).values()
            bays, _ = bays_of(slot, card)
            if len(bays) < card.bays:
                yield f"{quantity(card.bays - len(bays), 'bay')} of {card.name} without lanes in {slot.label}"
            if len(there) < len(bays):
                yield f"{quantity(len(bays) - len(there), 'empty bay')} on {card.name}"
            lanes = slot_link(slot, card)[1]
            if card.carrier == "passive":
                lanes = sum(bays[place.bay] for place in there if place.bay is not None)
            if lanes < slot.lanes:
                yield f"{slot.lanes - lanes} of {quantity(slot.lanes, 'lane')} of {slot.label}"
        drives = [drive for drive in self.plan.sheet.drives if drive.name in self.placed]
        held = sum(could_mbps(self.plan.sheet, drive) - self.shares[drive.name].high for drive in drives)
        if held >= 1:
            yield f"{mbps_fine(held)} of what the drives could read"
