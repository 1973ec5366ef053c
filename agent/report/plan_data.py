"""The JSON forms of `plan` and `plan --compare`, and their schemas. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec
from msgspec import Struct

from agent.report.data import RateData, StepData
from knowledge.rates import GTPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.model.findings import Step
    from agent.planner.result import Alternative, Candidate, CardPlanned, DrivePlanned, Figures, Plan, StripePlanned
    from agent.sheets.sheet import Placement, Sheet

VERSION: Final = 1
Range = tuple[float, float]


class MachineData(Struct, frozen=True):
    """The machine as the sheet names it; null where it does not."""

    name: str | None
    product: str | None
    board: str | None
    payload_bytes: int


class FiguresData(Struct, frozen=True):
    """An arrangement in a few figures; rates are MB/s, the upper ends, with all drives reading at once."""

    placed: int
    needs_met: int
    worst_mbps: float
    total_mbps: float
    moves: int
    slots_used: int


class PlaceData(Struct, frozen=True):
    """Where a drive is: the card or slot that holds it, and its bay there, counted from 1 (null in a slot)."""

    holder: str
    bay: int | None


class PlacementData(Struct, frozen=True):
    """Slot by card and place by drive; what is not named is not fitted."""

    cards: dict[str, str]
    drives: dict[str, PlaceData]


class CardPlanData(Struct, frozen=True):
    """A card in its slot; `was` is its slot today. `watts` is the most that it takes with its drives."""

    name: str
    slot: str
    was: str | None
    link: RateData
    why: str
    watts: float | None
    watts_limit: float | None
    bays_used: int
    bays_free: int


class DrivePlanData(Struct, frozen=True):
    """A drive in its place; rates are MB/s, [low, high].

    `narrowest_hop` decides while all drives are read, `narrowest_hop_write` while all are written.
    """

    name: str
    place: str
    was: str | None
    why: str
    alone_mbps: Range
    together_mbps: Range
    alone_write_mbps: Range
    together_write_mbps: Range
    narrowest_hop: str
    narrowest_hop_write: str
    held_back: bool


class StripeData(Struct, frozen=True):
    """A stripe as a whole; rates are MB/s, [low, high]; read its cautions first."""

    name: str
    raid: int
    drives: tuple[str, ...]
    read_mbps: Range
    write_mbps: Range
    read_together_mbps: Range
    narrowest_hop: str
    narrowest_hop_write: str
    cautions: tuple[str, ...]


class NeedData(Struct, frozen=True):
    """A need: "met", "at best" (only the upper end of the range reaches it) or "not met"."""

    name: str
    answer: str
    why: str


class UnplacedData(Struct, frozen=True):
    """A part that has no place, and why."""

    name: str
    why: str


class AlternativeData(Struct, frozen=True):
    """A next best arrangement: in what it differs, what it would cost."""

    what: str
    costs: str
    figures: FiguresData
    placement: PlacementData


class PlanData(Struct, frozen=True, kw_only=True):
    """The plan of one build sheet. `proved`: nothing better exists; else `gap` says how much better one could be.

    `worth_moving` is false where nothing moves, or where moving what is fitted gains less than can be measured.
    """

    format: Literal["lanewright-plan"] = "lanewright-plan"
    version: int = VERSION
    sheet: str
    machine: MachineData
    proved: bool
    gap: str
    worth_moving: bool
    figures: FiguresData
    today: FiguresData | None
    placement: PlacementData
    cards: tuple[CardPlanData, ...]
    drives: tuple[DrivePlanData, ...]
    stripes: tuple[StripeData, ...]
    needs: tuple[NeedData, ...]
    unplaced: tuple[UnplacedData, ...]
    spares: tuple[UnplacedData, ...]
    alternatives: tuple[AlternativeData, ...]
    steps: tuple[StepData, ...]


class CandidateData(Struct, frozen=True):
    """A kind of card tried in the machine; rates are MB/s, [low, high], null where its drives have no place."""

    kind: str
    alone_mbps: Range | None
    together_mbps: Range | None
    stripe_mbps: Range | None
    slots_used: int
    watts: float | None
    limit: str
    wasted: tuple[str, ...]
    plan: PlanData


class CandidatesData(Struct, frozen=True, kw_only=True):
    """Candidates side by side, in the order in which they were named."""

    format: Literal["lanewright-candidates"] = "lanewright-candidates"
    version: int = VERSION
    sheet: str
    machine: MachineData
    candidates: tuple[CandidateData, ...]


FORMS: Final[dict[str, type[Struct]]] = {"plan": PlanData, "candidates": CandidatesData}


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of one form ("plan" or "candidates")."""
    found = msgspec.json.schema(FORMS[name])
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **found}


def plan(found: Plan) -> PlanData:
    """The form of `plan`."""
    return PlanData(
        sheet=found.sheet.source,
        machine=_machine(found.sheet),
        proved=found.proved,
        gap=found.gap,
        worth_moving=found.worth_moving,
        figures=_figures(found.figures),
        today=None if found.today is None else _figures(found.today),
        placement=_placement(found.placement),
        cards=tuple(map(_card, found.cards)),
        drives=tuple(map(_drive, found.drives)),
        stripes=tuple(map(_stripe, found.stripes)),
        needs=tuple(NeedData(one.name, one.answer, one.why) for one in found.needs),
        unplaced=tuple(UnplacedData(one.name, one.why) for one in found.unplaced),
        spares=tuple(UnplacedData(one.name, one.why) for one in found.spares),
        alternatives=tuple(map(_alternative, found.alternatives)),
        steps=tuple(map(_step, found.steps)),
    )


def candidates(tried: Sequence[Candidate]) -> CandidatesData:
    """The form of `plan --compare`."""
    sheet = tried[0].plan.sheet
    return CandidatesData(sheet=sheet.source, machine=_machine(sheet), candidates=tuple(map(_candidate, tried)))


def _machine(sheet: Sheet) -> MachineData:
    machine = sheet.machine
    return MachineData(machine.name, machine.product, machine.board, machine.payload_bytes)


def _figures(figures: Figures) -> FiguresData:
    return FiguresData(
        placed=figures.placed,
        needs_met=figures.needs_met,
        worst_mbps=round(figures.worst_mbps, 1),
        total_mbps=round(figures.total_mbps, 1),
        moves=figures.moves,
        slots_used=figures.slots_used,
    )


def _placement(placement: Placement) -> PlacementData:
    drives = {name: PlaceData(place.holder, place.bay) for name, place in placement.drives.items()}
    return PlacementData(dict(placement.cards), drives)


def _range(rates: Range) -> Range:
    return round(rates[0], 1), round(rates[1], 1)


def _range_or_none(rates: Range | None) -> Range | None:
    return None if rates is None else _range(rates)


def _card(card: CardPlanned) -> CardPlanData:
    generation, lanes = card.link
    return CardPlanData(
        name=card.name,
        slot=card.slot,
        was=card.was,
        link=RateData(GTPS[generation], lanes),
        why=card.why,
        watts=card.watts,
        watts_limit=card.watts_limit,
        bays_used=card.bays_used,
        bays_free=card.bays_free,
    )


def _drive(drive: DrivePlanned) -> DrivePlanData:
    return DrivePlanData(
        name=drive.name,
        place=drive.place,
        was=drive.was,
        why=drive.why,
        alone_mbps=_range(drive.alone),
        together_mbps=_range(drive.together),
        alone_write_mbps=_range(drive.alone_write),
        together_write_mbps=_range(drive.together_write),
        narrowest_hop=drive.narrowest,
        narrowest_hop_write=drive.narrowest_write,
        held_back=drive.held_back,
    )


def _stripe(stripe: StripePlanned) -> StripeData:
    return StripeData(
        name=stripe.name,
        raid=stripe.raid,
        drives=stripe.drives,
        read_mbps=_range(stripe.read),
        write_mbps=_range(stripe.write),
        read_together_mbps=_range(stripe.read_together),
        narrowest_hop=stripe.narrowest,
        narrowest_hop_write=stripe.narrowest_write,
        cautions=stripe.cautions,
    )


def _alternative(one: Alternative) -> AlternativeData:
    return AlternativeData(one.what, one.costs, _figures(one.figures), _placement(one.placement))


def _step(step: Step) -> StepData:
    return StepData(step.action, step.text, step.cautions, step.gain_mbps, step.verify)


def _candidate(one: Candidate) -> CandidateData:
    return CandidateData(
        kind=one.kind,
        alone_mbps=_range_or_none(one.alone),
        together_mbps=_range_or_none(one.together),
        stripe_mbps=_range_or_none(one.stripe),
        slots_used=one.slots_used,
        watts=one.watts,
        limit=one.limit,
        wasted=one.wasted,
        plan=plan(one.plan),
    )
