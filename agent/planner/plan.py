"""The plan of a build sheet: the search's answer turned back into parts and places that people understand.

Decides nothing beyond the search but words. Takes no time: a `Time` says whether there is any left. What there is none
for is left out, and said to be; what people act on comes first, then what convinces them.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.planner.alternatives import BEST, FEWEST, alternatives, gap
from agent.planner.broken import broken
from agent.planner.build import build, needs_met, placement_of
from agent.planner.carriers import carriers
from agent.planner.clock import Telling, always
from agent.planner.figures import Rated, drive_planned, figures, needs_seen, stripes_planned
from agent.planner.fits import limit_from, limit_watts, own_watts
from agent.planner.gains import change, measurable, slower
from agent.planner.instead import Effort, Instead
from agent.planner.moves import steps, to_change
from agent.planner.problem import Arrangement, score
from agent.planner.reasons import unplaced
from agent.planner.refitted import settled
from agent.planner.result import CardPlanned, Plan
from agent.planner.search import search
from agent.planner.taken import lanes_taken
from agent.planner.whys import Whys
from agent.sheets.lanes import slots_with
from agent.sheets.paths import bays_of, drives_on, shifted, slot_link, today
from agent.sheets.reading import drive_watts

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.model.findings import Step
    from agent.planner.build import Built
    from agent.planner.problem import Score
    from agent.planner.result import Alternative, CarrierFound, NeedSeen
    from agent.sheets.sheet import CardSpec, Placement, Sheet

OTHERS: Final = 3  # next best arrangements that are asked for
LOOKS: Final = 500  # looks at the clock that reasons may take beyond those of the search itself
UNKNOWN: Final = "how much better an arrangement could be is not known"
WHY: Final = "why parts are where they are"


def plan(
    sheet: Sheet,
    running: Callable[[], bool] = always,
    others: int = OTHERS,
    like: Placement | None = None,
    *,
    telling: Callable[[], bool] = always,
    suggest: bool = False,
) -> Plan:
    """The place for each part of a sheet that is advised, and as many other arrangements as asked for.

    That is the best one, or the one with the fewest moves where the best gains too little over it to be measured. The
    order of aims stays strict, so that what is proved is proved.

    Of drives that are alike, those have a place first that have it in `like` too. `running` is the time to search,
    `telling` the time for everything. With `suggest`, carriers are looked for that would take what has no place. Where
    that is up before the sheet is laid out, the plan is what is fitted today.
    """
    tell = Telling(telling)
    built = tell.part("all places but today's", lambda: build(sheet, check=tell.check), None, asks=True)
    whole = built is not None
    built = built or build(sheet, now=True)
    effort = Effort(running)
    answer = search(built.problem, effort, also=others)
    proved = whole and answer.proved
    strict = _with_kept(built, answer.best)
    asking = effort.at_most(effort.looks + LOOKS)
    few_moves = None
    if others:
        few_moves = tell.part("the fewest moves", lambda: _fewest_moves(built, strict, effort), None)
    spared = few_moves is not None and not _worth_moving(built, strict, few_moves, like)
    best = few_moves if few_moves is not None and spared else strict
    named = (BEST, strict) if spared else (FEWEST, few_moves)
    worth = score(built.problem, best)
    placement = placement_of(built, best, like)
    rated = Rated(sheet, placement)
    needs = needs_seen(built, rated)
    # What the reasons ask of the search must not take longer than the plan itself.
    instead = Instead(built, asking) if others and proved else None
    whys = Whys(built, best, placement, instead, check=tell.check)
    missing, spares = unplaced(sheet, placement, whys if proved else None, tell, searched=proved)
    moving: tuple[Step, ...] | None = tell.part(
        "the steps", lambda: steps(sheet, placement, _read(rated), needs, missing, tell.check), None
    )
    beside: tuple[Alternative, ...] = tell.part(
        "other arrangements",
        lambda: alternatives(built, best, (rated, needs), answer.others, named, tell.check),
        (),
    )
    offered: tuple[CarrierFound, ...] = ()
    if suggest and missing:
        looks = effort.at_most(effort.looks + LOOKS)
        offered = tell.part(
            "carriers that would take what has no place",
            lambda: carriers(built, best, (rated, needs), looks, tell.check),
            (),
        )
    working = rated.by_name
    cards = tuple(_card(rated, card, whys, tell) for card in sheet.cards if card.name in placement.cards)
    drives = tuple(
        drive_planned(rated, drive, tell.part(WHY, partial(whys.drive, drive), ""))
        for drive in sheet.drives
        if drive.name in working
    )
    now = _today(built)
    moves = shifted(sheet, placement) - worth.moves
    return Plan(
        sheet=sheet,
        placement=placement,
        proved=proved,
        gap=_gap(worth, answer.bound, proved=proved) if whole else UNKNOWN,
        left_out=tell.left_out,
        worth_moving=moves > 0 and not spared,
        moves_spared=worth.moves - score(built.problem, strict).moves if spared else 0,
        figures=figures(rated, needs, moves),
        today=None if now is None else figures(*now, 0),
        cards=cards,
        drives=drives,
        stripes=stripes_planned(rated),
        needs=needs,
        unplaced=missing,
        spares=spares,
        carriers=offered,
        lanes_taken=lanes_taken(rated),
        alternatives=beside,
        steps=() if moving is None else (*to_change(needs, missing, offered, proved=proved), *moving),
        change=None if now is None else change(now, (rated, needs)),
        broken=broken(sheet, placement),
    )


def _read(rated: Rated) -> dict[str, float]:
    """What each drive should read at best with all at work, MB/s."""
    return {name: share.high for name, share in rated.shares("to_host").items()}


def _with_kept(built: Built, arrangement: Arrangement) -> Arrangement:
    """The arrangement with every card that stays: a search that was cut short may have left an empty carrier out."""
    kept = {number for number, card in enumerate(built.sheet.cards) if card.stays and card.slot is not None}
    missing = kept - {built.problem.holders[number].card for number in arrangement.holders}
    more = {holder.card: number for number, holder in enumerate(built.problem.holders) if holder.card in missing}
    if not more:
        return arrangement
    return settled(built.problem, replace(arrangement, holders=tuple(sorted((*arrangement.holders, *more.values())))))


def _gap(worth: Score, bound: Score, *, proved: bool) -> str:
    """How much better an arrangement could be; nothing of one that is known, and stands beside the plan."""
    return "" if proved else gap(worth, bound)


def _fewest_moves(built: Built, best: Arrangement, running: Callable[[], bool]) -> Arrangement | None:
    """The best arrangement in which only new parts are fitted and all others stay; None where the best is that."""
    now, placement = today(built.sheet), placement_of(built, best)
    new = sum(name not in now.cards for name in placement.cards)
    new += sum(name not in now.drives for name in placement.drives)
    if -score(built.problem, best).moves <= new:
        return None
    return _with_kept(built, search(built.problem, running, most_moves=new).best)


def _worth_moving(built: Built, best: Arrangement, few_moves: Arrangement, like: Placement | None) -> bool:
    """Whether the best arrangement takes no more moves, mends what today breaks, gains enough, or saves a drive's rate.

    A drive that is fitted and would be slowed by new ones beside it loses what can be measured.
    """
    if score(built.problem, best).moves >= score(built.problem, few_moves).moves or _gains(built, best, few_moves):
        return True
    there = placement_of(built, best, like)
    if any(limit.mended for limit in broken(built.sheet, there)):
        return True
    now, saved, kept = (
        Rated(built.sheet, one) for one in (today(built.sheet), there, placement_of(built, few_moves, like))
    )
    lost = {one.name for one in slower(now, kept) if measurable(one.after_mbps, one.before_mbps)}
    return not lost <= {one.name for one in slower(now, saved)}


def _gains(built: Built, best: Arrangement, few_moves: Arrangement) -> bool:
    """Whether the best arrangement gains what can be measured over the one with the fewest moves."""
    mine, its = score(built.problem, best), score(built.problem, few_moves)
    if mine.placed != its.placed or needs_met(built, best) != needs_met(built, few_moves):
        return True
    return measurable(its.worst, mine.worst) or measurable(its.total, mine.total)


def _today(built: Built) -> tuple[Rated, tuple[NeedSeen, ...]] | None:
    """What the parts give where they are now, and the needs that are met there; None where nothing is fitted."""
    now = today(built.sheet)
    if not now.cards and not now.drives:
        return None
    rated = Rated(built.sheet, now)
    return rated, needs_seen(built, rated)


def _card(rated: Rated, card: CardSpec, whys: Whys, tell: Telling) -> CardPlanned:
    """A card in its slot, with what it and its drives take there."""
    slot = slots_with(rated.sheet, rated.placement)[rated.placement.cards[card.name]]
    there = drives_on(rated.placement, card.name)
    on = [drive for drive in rated.sheet.drives if drive.name in there]
    known = card.power_watts is not None and all(drive.power_watts is not None for drive in on)
    bays, _ = bays_of(slot, card)
    used = sum(place.bay in bays for place in there.values())
    return CardPlanned(
        name=card.name,
        slot=slot.label,
        was=card.slot,
        link=slot_link(slot, card),
        why=tell.part(WHY, partial(whys.card, card), ""),
        watts=own_watts(card) + sum(drive_watts(drive) for drive in on) if known else None,
        watts_limit=limit_watts(slot, card),
        watts_limit_from=limit_from(slot, card),
        bays_used=used,
        bays_free=len(bays) - used,
    )
