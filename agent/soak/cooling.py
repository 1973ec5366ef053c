"""What cooling a drive needs for the load it had, in plain words, with the figures behind it and the steps.

A log shows temperatures, not what is screwed to a drive: which of heatsink and moving air is wanted is told from how
fast the drive warms, and the words say so. That a neighbour is to blame is only ever a hint.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.findings import Evidence, Step
from agent.soak import missed, wording
from agent.soak.analysed import Cooling
from agent.soak.neighbours import LIKE
from knowledge.rates import NEAR_LIMIT_CELSIUS
from knowledge.steps import HANDS, StepKind
from probes.samples import RATES, TEMPERATURE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.analysed import (
        CoolingKind,
        DriveLoad,
        DriveTemperatures,
        Forecast,
        Limit,
        Missing,
        Phase,
        Throttling,
    )
    from agent.soak.neighbours import Neighbour

# Seconds to 63 % of the way. Common practice: bare M.2 drives 30 to 120, with a heatsink 120 to 480. Between these two
# it is left open, as fits and drives scatter.
BARE_TAU: Final = 90.0
SINK_TAU: Final = 150.0
EXACT_TAU: Final = 600.0
HEATSINK_KELVIN: Final = 7.0  # what a heatsink took off drives' own sensors in published tests: 5 to 7
COMFORT_KELVIN: Final = NEAR_LIMIT_CELSIUS  # how far below its limit a drive should settle
WARM_REST: Final = 55.0  # degrees Celsius, never cooler: hardly anything cools it, or its sensor errs
SHORTEST_LOAD: Final = 60.0  # seconds of load; less tells nothing of where a temperature goes
LONG_LOAD: Final = 3600.0  # seconds of load, steady or not, after which the highest temperature seen counts

COUNTED: Final = "Run the same soak again: at the same load its own count of slowing no longer rises."
VERIFY: Final = "Run the same soak again: at the same load the drive should stay 5 C or more below its limit."

STEPS: Final[dict[str, StepKind]] = {
    kind.action: kind
    for kind in (
        StepKind(
            "soak-longer",
            0,
            "Run a longer soak with the real workload",
            "Run a soak with the real workload, until the temperature no longer rises or the work is done.",
            "The analysis then says where the temperature settles.",
        ),
        StepKind(
            "try-air",
            0,
            "Run the same soak with a fan at the intakes",
            "Run the same soak with a fan that blows into the intakes of the case: falls that come later then, or not "
            "at all, are of heat.",
            "The falls of the rate came later, fewer, or not at all.",
        ),
        StepKind(
            "clear-air",
            1,
            "Clear the case's intakes and see that its fans turn",
            "See that the intakes of the case are free of dust and cables and that its fans turn, without opening it.",
            VERIFY,
        ),
        StepKind(
            "move-air",
            11,
            "Move air over {subject}",
            "Move air over {subject}: a fan that blows along the slots or at the carrier, and no card or cable in its "
            "way.",
            VERIFY,
            HANDS,
            hardware=True,
        ),
        StepKind(
            "add-heatsink",
            12,
            "Fit a heatsink to {subject}, or refit the one it has",
            "Fit a heatsink with a thermal pad to {subject}, or refit the one it has so that the pad touches all of "
            "it. See first that the slot, the cover and the next card leave room, and whether the maker's warranty "
            "allows taking a label off.",
            VERIFY,
            HANDS,
            hardware=True,
        ),
        StepKind(
            "move-from-neighbour",
            20,
            "Move {subject} away from {other}",
            "If {subject} does sit right beside {other}, move one of them to a place with air between them.",
            "Run the same soak again: the drive should no longer warm as the other one works.",
            HANDS,
            hardware=True,
        ),
    )
}


class Case(Struct, frozen=True, kw_only=True):
    """All that the verdict on one drive stands on.

    `hottest_at_rest` tells that it was hottest while it had no load; `finished` that the user's command came to its
    end, so that the workload is all there. `away` is since when the drive did not answer up to the end. `missing` is
    all that could not be read.
    """

    name: str
    limit: Limit | None
    temperatures: DriveTemperatures | None
    load: DriveLoad | None
    throttling: Throttling
    phases: Sequence[Phase]
    forecast: Forecast
    neighbour: Neighbour | None = None
    hottest_at_rest: bool = False
    finished: bool = False
    away: float | None = None
    missing: Sequence[Missing] = ()


def cooling(case: Case) -> Cooling:
    """The verdict."""
    slowed = case.throttling.kind in {"proved", "inferred"}
    if not slowed and not _over(case):
        why = _unknown(case)
        if why is not None:
            return Cooling("unknown", f"what cooling it needs is open: {why}", _figures(case), _longer(case))
        if _margin(case) >= COMFORT_KELVIN:
            return _enough(case)
    return _needed(case)


def _enough(case: Case) -> Cooling:
    """The verdict on a drive that stayed cool, as far as that could be read."""
    text = f"it needs no more cooling for this load: {_top_words(case)}"
    steps: tuple[Step, ...] = ()
    if _still_warming(case):
        assert case.load is not None
        text = (
            f"for the {wording.lasting(case.load.seconds)} of load that were seen, not known for longer ones: "
            f"{_top_words(case)}, and where it would have settled is not known"
        )
        steps = _longer(case)
    lost = missed.weighing(case.missing)
    if lost:
        text = f"as far as it was read, {text}; but {missed.phrase(lost)}, so whether that is enough is open"
        return Cooling("unknown", text, _figures(case))
    return Cooling("enough", text, _figures(case), steps)


def _still_warming(case: Case) -> bool:
    """Whether a drive that stayed cool was loaded too briefly to say that it stays so."""
    loaded = case.load is not None and case.load.seconds < LONG_LOAD and not case.hottest_at_rest
    return loaded and case.forecast.settled is None


def _over(case: Case) -> bool:
    """Whether it was at its limit or gets there."""
    if case.limit is None or case.temperatures is None:
        return False
    return case.temperatures.most >= case.limit.celsius or case.forecast.kind == "reaches"


def _unknown(case: Case) -> str | None:
    """Why nothing can be said of the cooling of a drive that was not seen hot; None where it can."""
    missing = _missing(case)
    if missing is not None:
        return missing
    if _margin(case) < COMFORT_KELVIN:
        return None
    if case.throttling.kind == "unclear":
        return "its rate fell, which may have been to stay cool"
    return _too_little(case)


def _missing(case: Case) -> str | None:
    """Which reading is missing for any verdict; None where all are there."""
    lost = {missing.what: missing for missing in case.missing if missing.weighs}
    if case.temperatures is None:
        return missed.phrase([lost[TEMPERATURE]]) if TEMPERATURE in lost else "its temperature could not be read"
    if case.away is not None:
        return f"from {wording.moment(case.away)} on it was gone, so where its temperature went is not known"
    if case.limit is None:
        limits = missed.weighing(case.missing, missed.LIMITS)
        why = missed.phrase(limits) if limits else "its limit is not known"
        return f"it was at {wording.celsius(case.temperatures.most)} at most, but {why}"
    if case.load is None and not case.hottest_at_rest:
        return missed.phrase([lost[RATES]]) if RATES in lost else "how hard it worked could not be read"
    return None


def _too_little(case: Case) -> str | None:
    """Why a drive that stayed cool has not shown enough yet; None where it has."""
    assert case.temperatures is not None
    assert case.limit is not None
    if case.load is None or case.load.seconds < SHORTEST_LOAD:
        return "it had no load, or too little to warm it"
    if case.forecast.settled is not None or case.finished or case.load.seconds >= LONG_LOAD:
        return None
    most, below = wording.celsius(case.temperatures.most), wording.below(case.temperatures.most, case.limit)
    return f"it was at {most} at most, {below}, but where it settles is unknown ({case.forecast.words})"


def _top(case: Case, deviations: float = 0.0) -> float:
    """The highest temperature that was seen or is to come, so many standard deviations on the safe side."""
    assert case.temperatures is not None
    if case.forecast.settled is None or case.forecast.kind == "steady":
        return case.temperatures.most
    return max(case.temperatures.most, case.forecast.settled + deviations * (case.forecast.error or 0.0))


def _margin(case: Case) -> float:
    """How far it stays below its limit, on the safe side."""
    assert case.limit is not None
    return case.limit.celsius - _top(case, 2.0)


def _top_words(case: Case) -> str:
    assert case.limit is not None
    assert case.temperatures is not None
    top = _top(case)
    if top > case.temperatures.most + 1.0:
        return f"it settles at {wording.celsius(top)}, {_below(top, case.limit)}"
    return f"it was at {wording.celsius(top)} at most, {_below(top, case.limit)}"


def _below(top: float, limit: Limit) -> str:
    return wording.below(top, limit) if limit.celsius - top >= 1.0 else f"at or above {wording.limit(limit)}"


def _needed(case: Case) -> Cooling:
    """Which cooling a hot drive needs: by how fast it warms, by how much is missing, by what warms it."""
    kind, why = _which(case)
    words = {
        "heatsink": "add a heatsink",
        "air": "move air over it",
        "both": "add a heatsink, or refit the one it has, and move air over it",
        "neighbour": "move it away from a hot neighbour",
    }[kind]
    reason = _reason(case)
    text = f"{words}: {reason}" + (f"; {why}" if why else "")
    neighbour = case.neighbour
    if neighbour is not None and kind != "neighbour":
        while_ = "at rest" if neighbour.at_rest else "at an unchanged load"
        text += f"; it also warmed by {neighbour.rise:.0f} C {while_} as {neighbour.name} was hot: a hint, no proof"
    actions = {
        "heatsink": ("clear-air", "add-heatsink"),
        "air": ("clear-air", "move-air"),
        "both": ("clear-air", "move-air", "add-heatsink"),
        "neighbour": ("clear-air", "move-air", "move-from-neighbour"),
    }[kind]
    if neighbour is not None and kind != "neighbour":
        actions = (*actions, "move-from-neighbour")
    return Cooling(kind, text, _figures(case), _steps(actions, case))


def _which(case: Case) -> tuple[CoolingKind, str]:
    """The kind of cooling, and what it was chosen by."""
    neighbour = case.neighbour
    if neighbour is not None and case.hottest_at_rest:
        why = (
            f"it was hottest at rest and warmed by {neighbour.rise:.0f} C as {neighbour.name} was at "
            f"{wording.celsius(neighbour.most)}, which hints that they sit close together, and does not prove it"
        )
        return "neighbour", why
    if case.temperatures is not None and case.temperatures.least >= WARM_REST:
        least = wording.celsius(case.temperatures.least)
        return "air", (
            f"it was never cooler than {least}{' though it rested' if _rested(case) else ''}: hardly "
            "anything cools it, the air around it is hot, or its sensor errs; a reading of the air "
            "temperature would show which"
        )
    return _which_by_speed(case)


def _rested(case: Case) -> bool:
    """Whether it was seen without work for a while."""
    return any(not phase.loaded for phase in case.phases)


def _which_by_speed(case: Case) -> tuple[CoolingKind, str]:
    """The kind of cooling by how fast the drive warms: bare drives are fast, those with a heatsink slow."""
    tau = _tau(case)
    if tau is None:
        return "both", "how fast it warms could not be seen, so which of the two it needs is open"
    if BARE_TAU < tau < SINK_TAU:
        return "both", f"how fast it warms ({_seconds(tau)} to 63 % of the way) does not show which it needs"
    short = COMFORT_KELVIN - _margin(case) if case.limit is not None and case.temperatures is not None else 0.0
    aim = ""
    if short > 0.0:
        aim = f"; it should be {short:.0f} C cooler to stay {COMFORT_KELVIN:.0f} C below its limit"
    if tau >= SINK_TAU:
        tried = ", and how much moving air helps shows only when it is tried" if aim else ""
        return "air", f"it warms slowly ({_seconds(tau)} to 63 % of the way), as drives with a heatsink do{aim}{tried}"
    fast = f"it warms fast ({_seconds(tau)} to 63 % of the way), as drives without a heatsink do{aim}"
    brings = f", and a heatsink often brings 5 to {HEATSINK_KELVIN:.0f} C" if aim else ""
    return "both" if short > HEATSINK_KELVIN else "heatsink", f"{fast}{brings}"


def _seconds(tau: float) -> str:
    """A time constant, in seconds as far as the figures it is compared with go."""
    return f"{tau:.0f} s" if tau < EXACT_TAU else wording.lasting(tau)


def _tau(case: Case) -> float | None:
    """The time constant of the longest phase that has one, of warming if there is any: cooling has the same."""
    fits = [(phase.fit.rise > 0.0, phase.fit.seconds, phase.fit.tau) for phase in case.phases if phase.fit is not None]
    return max(fits)[2] if fits else None


def _reason(case: Case) -> str:
    """Why it needs any."""
    if case.throttling.kind == "proved":
        return "it slowed itself down to stay cool"
    if case.throttling.kind == "inferred":
        return "it slowed itself down to stay cool, as far as its rate shows"
    assert case.limit is not None
    assert case.temperatures is not None
    if case.temperatures.most >= case.limit.celsius:
        most, held = wording.celsius(case.temperatures.most), wording.limit(case.limit)
        return f"it was at {most}, at or above {held}"
    if case.forecast.settled is not None and case.forecast.kind in {"reaches", "close"}:
        return f"it {case.forecast.words}"
    return f"it may come within {COMFORT_KELVIN:.0f} C of {wording.limit(case.limit)}: {_top_words(case)}"


def _figures(case: Case) -> tuple[Evidence, ...]:
    """The figures behind a verdict."""
    found = []
    below = "not known" if case.limit is None else f"below {wording.celsius(case.limit.celsius)}"
    if case.temperatures is not None:
        found.append(Evidence("highest temperature", wording.celsius(case.temperatures.most), below))
    if case.forecast.settled is not None:
        settled = f"{wording.celsius(case.forecast.settled)}, give or take {2.0 * (case.forecast.error or 0.0):.1f} C"
        found.append(Evidence("settled temperature at this load", settled, below))
    tau = _tau(case)
    if tau is not None:
        found.append(
            Evidence(
                "time to 63 % of its warming",
                f"{_seconds(tau)} (compare: bare drives up to {BARE_TAU:.0f} s, with a heatsink from {SINK_TAU:.0f} s)",
                "",
            )
        )
    if case.neighbour is not None:
        likeness = f"{case.neighbour.likeness:.2f}"
        source = f"correlation with the temperature of {case.neighbour.name}"
        found.append(Evidence(source, likeness, f"below {LIKE:.2f}"))
    return (*found, *case.throttling.evidence)


def _longer(case: Case) -> tuple[Step, ...]:
    """A longer soak helps only where the temperature can be read and held against a limit."""
    if case.away is not None:
        return ()
    action = "try-air" if case.throttling.kind == "unclear" else "soak-longer"
    return _steps((action,), case) if case.temperatures is not None and case.limit is not None else ()


def _steps(actions: Sequence[str], case: Case) -> tuple[Step, ...]:
    other = case.neighbour.name if case.neighbour is not None else "the hot drive"
    words = {"subject": case.name, "other": other}
    counted = any("thermal management" in evidence.source for evidence in case.throttling.evidence)
    return tuple(
        Step(
            action=kind.action,
            text=kind.text.format_map(words),
            cautions=kind.cautions,
            gain_mbps=None,
            verify=COUNTED if counted and kind.verify == VERIFY else kind.verify.format_map(words),
            brief=kind.brief.format_map(words),
        )
        for kind in sorted((STEPS[action] for action in actions), key=lambda kind: kind.rank)
    )
