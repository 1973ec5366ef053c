"""The JSON forms of `plan` and `plan --compare`, and their schemas. Keys are added, never renamed, within a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from msgspec import Struct

from agent.report.data import RateData, StepData, rate
from agent.report.form import From, Mbps, MbpsRange, Through, build

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.result import Candidate, Plan

VERSION: Final = 1


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
    worst_mbps: Mbps
    total_mbps: Mbps
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
    """A card in its slot; `was` is its slot today. `watts` is the most that it takes with its drives.

    `watts_limit_from` is whose figure `watts_limit` is: the sheet's for the slot, or the rule for slot or card. What
    supply cables of the card's own bring comes on top.
    """

    name: str
    slot: str
    was: str | None
    link: Annotated[RateData, Through(rate)]
    why: str
    watts: float | None
    watts_limit: float | None
    watts_limit_from: Literal["sheet", "slot rule", "card rule"] | None
    bays_used: int
    bays_free: int


class DrivePlanData(Struct, frozen=True):
    """A drive in its place; rates are MB/s, [low, high].

    `narrowest_hop` decides while all drives are read, `narrowest_hop_write` while all are written.
    `together_today_mbps` is what it is read with where it is today, all drives at once; null where it does not work.
    """

    name: str
    place: str
    was: str | None
    why: str
    alone_mbps: Annotated[MbpsRange, From("alone")]
    together_mbps: Annotated[MbpsRange, From("together")]
    alone_write_mbps: Annotated[MbpsRange, From("alone_write")]
    together_write_mbps: Annotated[MbpsRange, From("together_write")]
    narrowest_hop: Annotated[str, From("narrowest")]
    narrowest_hop_write: Annotated[str, From("narrowest_write")]
    held_back: bool
    together_today_mbps: Annotated[MbpsRange | None, From("together_today")]


class StripeData(Struct, frozen=True):
    """A stripe as a whole; rates are MB/s, [low, high]; read its cautions first."""

    name: str
    raid: int
    drives: tuple[str, ...]
    read_mbps: Annotated[MbpsRange, From("read")]
    write_mbps: Annotated[MbpsRange, From("write")]
    read_together_mbps: Annotated[MbpsRange, From("read_together")]
    narrowest_hop: Annotated[str, From("narrowest")]
    narrowest_hop_write: Annotated[str, From("narrowest_write")]
    cautions: tuple[str, ...]


class NeedData(Struct, frozen=True):
    """A need: "met", "at best" (only the upper end of the range reaches it) or "not met".

    `assumed` is true where nobody has asked for it; read its cautions before relying on it.
    """

    name: str
    answer: str
    why: str
    assumed: bool
    cautions: tuple[str, ...]


class UnplacedData(Struct, frozen=True):
    """A part that has no place, and why; `limits` names what is in the way at each slot or carrier.

    It is "connector", "height", "length", "power", "split", "bays" (all are in use), "held", "hidden" or "no slot".
    """

    name: str
    why: str
    limits: dict[str, str]


class CarrierData(Struct, frozen=True):
    """A kind of carrier that would take drives without a place: its slot, and the cards that come out for it.

    The best comes first; `unmet` are the needs that are not met with it either.
    """

    kind: str
    slot: str
    drives: tuple[str, ...]
    out: tuple[str, ...]
    unmet: tuple[str, ...]


class SlowerData(Struct, frozen=True):
    """A drive that reads less with all drives at work."""

    name: str
    before_mbps: Mbps
    after_mbps: Mbps


class ChangeData(Struct, frozen=True):
    """What an arrangement gains and loses: parts that work, needs, and drives that read less, by name.

    `needs_gained` were not met and are met, firmly or at best; `needs_firmer` were met at best and are met,
    `needs_weaker` the other way round.
    """

    parts_gained: tuple[str, ...]
    parts_lost: tuple[str, ...]
    needs_gained: tuple[str, ...]
    needs_lost: tuple[str, ...]
    needs_firmer: tuple[str, ...]
    needs_weaker: tuple[str, ...]
    slower: tuple[SlowerData, ...]


class BrokenData(Struct, frozen=True):
    """A limit that today's places break: by which part, in which slot or on which card, and how.

    `mended` is true where the plan's places do not break it.
    """

    limit: Literal["power", "lanes", "split", "fit"]
    part: str
    slot: str
    why: str
    mended: bool


class LanesData(Struct, frozen=True):
    """A slot that has `lanes` of its `wired` ones (0: none works), as the slots `by` are filled; what that costs."""

    slot: str
    lanes: int
    wired: int
    by: tuple[str, ...]
    costs: str


class AlternativeData(Struct, frozen=True):
    """A next best arrangement: in what it differs, what it would cost; `change` is against the plan."""

    what: str
    costs: str
    figures: FiguresData
    placement: PlacementData
    change: ChangeData


class PlanData(Struct, frozen=True, kw_only=True):
    """The plan of one build sheet. `proved`: nothing better exists; else `gap` says how much better one could be.

    `left_out` says what there was no time for, "" where nothing is missing; a `why` that is missing is "".

    `worth_moving` is false where nothing moves, or where moving what is fitted would gain less than can be measured: it
    stays then, and the first of `alternatives` is the arrangement that gains it.
    `change` is what the plan gains and loses against today, null where nothing is fitted; `broken` are the limits that
    today's places break.
    """

    format: Literal["lanewright-plan"] = "lanewright-plan"
    version: int = VERSION
    sheet: Annotated[str, From("sheet.source")]
    machine: Annotated[MachineData, From("sheet.machine")]
    proved: bool
    gap: str
    left_out: str
    worth_moving: bool
    figures: FiguresData
    today: FiguresData | None
    change: ChangeData | None
    broken: tuple[BrokenData, ...]
    placement: PlacementData
    cards: tuple[CardPlanData, ...]
    drives: tuple[DrivePlanData, ...]
    stripes: tuple[StripeData, ...]
    needs: tuple[NeedData, ...]
    unplaced: tuple[UnplacedData, ...]
    spares: tuple[UnplacedData, ...]
    carriers: tuple[CarrierData, ...]
    lanes_taken: tuple[LanesData, ...]
    alternatives: tuple[AlternativeData, ...]
    steps: tuple[StepData, ...]


class CandidateData(Struct, frozen=True):
    """A kind of card tried in the machine; rates are MB/s, [low, high], null where its drives have no place."""

    kind: str
    alone_mbps: Annotated[MbpsRange | None, From("alone")]
    together_mbps: Annotated[MbpsRange | None, From("together")]
    stripe_mbps: Annotated[MbpsRange | None, From("stripe")]
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


def plan(found: Plan) -> PlanData:
    """The form of `plan`."""
    return build(PlanData, found)


def candidates(tried: Sequence[Candidate]) -> CandidatesData:
    """The form of `plan --compare`."""
    sheet = tried[0].plan.sheet
    return build(CandidatesData, sheet, sheet=sheet.source, candidates=tried)
