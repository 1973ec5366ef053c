"""What a plan says: where each part goes and why, what each drive reaches, what is not met, what to do in which order.

Data only. Rates are (low, high) in MB/s (10^6 bytes per second), power is watts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from agent.model.findings import Step
    from agent.planner.fits import Whose
    from agent.sheets.sheet import Placement, Sheet


class CardPlanned(Struct, frozen=True, kw_only=True):
    """A card in its slot.

    `link` is (generation, lanes) of its link there; `why` one line for people; `was` its slot today (None: not fitted).
    `watts` is the most that card and drives take there, None where a figure is missing;
    `watts_limit` what slot and card rules allow, and `watts_limit_from` whose figure that is.
    """

    name: str
    slot: str
    was: str | None
    link: tuple[int, int]
    why: str
    watts: float | None
    watts_limit: float | None
    watts_limit_from: Whose | None = None
    bays_used: int
    bays_free: int


class DrivePlanned(Struct, frozen=True, kw_only=True):
    """A drive in its place: what it reaches when read or written, alone and with all others at work, and what decides.

    `place` and `was` are words ("bay 2 of carrier-a in SLOT3"). `narrowest` names the hop that decides its share
    while all drives are read, in words, `narrowest_write` the same while all are written; `held_back` tells whether
    what it is read with is less than the drive itself could do. `together_today` is what it is read with where it is
    today, while all drives that work today are read; None where it does not work today.
    """

    name: str
    place: str
    was: str | None
    why: str
    alone: tuple[float, float]
    together: tuple[float, float]
    alone_write: tuple[float, float]
    together_write: tuple[float, float]
    narrowest: str
    narrowest_write: str
    held_back: bool
    together_today: tuple[float, float] | None = None


class StripePlanned(Struct, frozen=True, kw_only=True):
    """A stripe set: what it gives as a whole while only its members work, and with all drives at work.

    `narrowest` and `narrowest_write` name what decides its reading and writing while only its members work.
    """

    name: str
    raid: int
    drives: tuple[str, ...]
    read: tuple[float, float]
    write: tuple[float, float]
    read_together: tuple[float, float]
    narrowest: str
    narrowest_write: str
    cautions: tuple[str, ...]


class NeedSeen(Struct, frozen=True):
    """A need and whether it is met: "met", "at best" (only the upper end of the range reaches it) or "not met".

    `assumed` tells that nobody has asked for it: its figure is that of a kind of part, or of what runs today.
    """

    name: str
    answer: str
    why: str
    assumed: bool = False
    cautions: tuple[str, ...] = ()


class Unplaced(Struct, frozen=True):
    """A part that has no place, and why, in one sentence that names the slots.

    `limits` is what is in the way at each slot or carrier that is looked at: "connector", "height", "length", "power",
    "split", "bays" (all are in use), "held", "hidden" or "no slot" (of a carrier that has no place itself).
    """

    name: str
    why: str
    limits: dict[str, str] = {}


class Slower(Struct, frozen=True):
    """A drive that reads less than before with all drives at work; MB/s."""

    name: str
    before_mbps: float
    after_mbps: float


class PlanChange(Struct, frozen=True, kw_only=True):
    """What one arrangement gains and loses against another: names of parts and of needs.

    Parts are drives that work and cards that are wanted for their own sake. `needs_at_best` are those of `needs_gained`
    that are met at best only. `needs_firmer` were met at best only and are met firmly, `needs_weaker` the other way
    round.
    """

    parts_gained: tuple[str, ...] = ()
    parts_lost: tuple[str, ...] = ()
    needs_gained: tuple[str, ...] = ()
    needs_at_best: tuple[str, ...] = ()
    needs_lost: tuple[str, ...] = ()
    needs_firmer: tuple[str, ...] = ()
    needs_weaker: tuple[str, ...] = ()
    slower: tuple[Slower, ...] = ()


class CarrierFound(Struct, frozen=True):
    """A kind of carrier that takes drives which have no place in a plan: in which slot, and which cards come `out`.

    `change` is what the build with it gains and loses against the plan; `unmet` are the needs that stay unmet.
    """

    kind: str
    slot: str
    drives: tuple[str, ...]
    out: tuple[str, ...] = ()
    change: PlanChange = PlanChange()
    unmet: tuple[str, ...] = ()


class LanesTaken(Struct, frozen=True):
    """A slot that has `lanes` of its `wired` ones (0: none works), as the slots `by` are filled; what that costs."""

    slot: str
    lanes: int
    wired: int
    by: tuple[str, ...]
    costs: str


class Figures(Struct, frozen=True, kw_only=True):
    """What an arrangement gives in a few figures: rates in MB/s (upper ends), all drives reading at once."""

    placed: int
    needs_met: int
    worst_mbps: float
    total_mbps: float
    moves: int
    slots_used: int


class LimitBroken(Struct, frozen=True):
    """A limit that today's places break: what sort of limit, by which part in which slot, and how, in a sentence.

    `mended` tells that the plan's places do not break it.
    """

    limit: Literal["power", "lanes", "split", "fit"]
    part: str
    slot: str
    why: str
    mended: bool = False


class Alternative(Struct, frozen=True):
    """Another arrangement, in what it differs (one line), and what it would cost or spare (one line).

    `change` is what it gains and loses against the plan.
    """

    what: str
    costs: str
    figures: Figures
    placement: Placement
    change: PlanChange = PlanChange()


class Plan(Struct, frozen=True, kw_only=True):
    """The answer. `proved` tells that nothing better exists; else `gap` says in words how much better one could be.

    `left_out` says in one sentence what there was no time for, "" where nothing is missing; a reason that is is "".

    `worth_moving` is False where nothing moves, or where moving what is fitted would gain too little to measure: the
    plan does not move it then, `moves_spared` is how many moves that spares, and the arrangement that gains it is the
    first of `alternatives`.
    `unplaced` are parts that should have a place and have none, `spares` carriers that nothing is lost without;
    `carriers` are kinds that would take drives without a place.
    `lanes_taken` are slots whose lanes others take in this plan.
    `today` is what the parts give where they are now, None where nothing is fitted; `change` is what the plan gains
    and loses against that, `broken` the limits that today's places break. `steps` are in order, each with its cautions.
    """

    sheet: Sheet
    placement: Placement
    proved: bool
    gap: str
    left_out: str = ""
    worth_moving: bool
    moves_spared: int = 0
    figures: Figures
    today: Figures | None
    cards: tuple[CardPlanned, ...]
    drives: tuple[DrivePlanned, ...]
    stripes: tuple[StripePlanned, ...]
    needs: tuple[NeedSeen, ...]
    unplaced: tuple[Unplaced, ...]
    spares: tuple[Unplaced, ...]
    carriers: tuple[CarrierFound, ...] = ()
    lanes_taken: tuple[LanesTaken, ...] = ()
    alternatives: tuple[Alternative, ...]
    steps: tuple[Step, ...]
    change: PlanChange | None = None
    broken: tuple[LimitBroken, ...] = ()


class Candidate(Struct, frozen=True, kw_only=True):
    """One carrier kind tried in the machine, for a comparison side by side.

    `alone` is what the slowest drive on it reads by itself, `together` what its drives read with all drives of the
    machine at work (their sum), `stripe` what they give as one RAID 0 set while the rest waits. `limit` says in words
    what holds them back, `wasted` what would lie idle. `plan` is the whole plan; the rates are None where no drive
    is on it.
    """

    kind: str
    alone: tuple[float, float] | None
    together: tuple[float, float] | None
    stripe: tuple[float, float] | None
    slots_used: int
    watts: float | None
    limit: str
    wasted: tuple[str, ...]
    plan: Plan
