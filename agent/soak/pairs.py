"""Two soaks beside each other, drive by drive: what a heatsink, a fan or another place brought, and how sure that is.

Compared is what was alike: a stretch of steady load that both had, at the same rates. Where both were at rest as well,
it is the rise above rest, as that leaves out how warm the room was. What was not alike is said, and nothing is claimed.
"""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.soak import wording
from knowledge.phrasing import mbps_fine

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.soak.analysed import Analysis, DriveAnalysis, Phase

Direction = Literal["better", "worse", "alike", "unknown"]

ALIKE_SHARE: Final = 0.1  # rates of one load differ by no more from soak to soak (common practice)
ALIKE_MBPS: Final = 20.0  # nor by less than what a system does beside it
MEGA: Final = 1e6  # bytes
SURE: Final = 2.0  # standard deviations that a difference must be greater than
STEP_ERROR: Final = 0.5  # K; of a temperature that is no fit but a mean: sensors have steps of 1 K
MOST_FIGURES: Final = 3  # drives of one direction whose figures are in the verdict
SLOWED_SHARE: Final = 0.05  # of the time under load; less of it more or less is no difference
SLOWED: Final = frozenset({"proved", "inferred"})
NOT_TOLD: Final = frozenset({"unclear", "unknown"})
CHANGED: Final = frozenset({"better", "worse"})

WORDS: Final[dict[Direction, str]] = {  # the worst first
    "worse": "worse",
    "better": "better",
    "alike": "no measurable difference",
    "unknown": "cannot be compared",
}


class Warmth(Struct, frozen=True, kw_only=True):
    """Temperatures of one load in both soaks, degrees Celsius: where they settle.

    `change` is by how many K the second is warmer, below 0 cooler, `error` one standard deviation of it. `over_rest`
    tells that it is the change of the rise above the temperature at rest.
    """

    before: float
    after: float
    change: float
    error: float
    over_rest: bool
    read_mbps: float
    write_mbps: float

    @property
    def sure(self) -> bool:
        """Whether there is a difference that is no chance."""
        return abs(self.change) > SURE * self.error


class Slowing(Struct, frozen=True, kw_only=True):
    """The share of the time under load in which a drive slowed itself by heat, in both soaks; None where not told."""

    before: float | None
    after: float | None


class DrivePair(Struct, frozen=True, kw_only=True):
    """One drive in both soaks. `before_mbps` and `after_mbps` are the mean rates under load.

    `words` are sentences without the drive's name before them, `doubts` what forbids to say more.
    """

    name: str
    before_name: str
    direction: Direction
    words: tuple[str, ...]
    doubts: tuple[str, ...]
    warmth: Warmth | None
    slowing: Slowing
    before_mbps: float | None
    after_mbps: float | None

    @property
    def figure(self) -> str:
        """By how much it is better or worse, in few words; nothing where neither is told."""
        parts = []
        before, after = self.slowing.before, self.slowing.after
        told = before is not None and after is not None and abs(after - before) >= SLOWED_SHARE
        if self.direction in CHANGED and told:
            parts.append(f"slowed itself in {after:.0%} of its time under load, before in {before:.0%}")
        if self.direction in CHANGED and self.warmth is not None and self.warmth.sure:
            way = "warmer" if self.warmth.change > 0 else "cooler"
            error = wording.kelvin(SURE * self.warmth.error)
            parts.append(f"{wording.kelvin(abs(self.warmth.change))} {way}, give or take {error}")
        return "; ".join(parts)


class SoakPair(Struct, frozen=True, kw_only=True):
    """Two soaks, the drives that were in both, and the names of those that were in one alone."""

    before: Analysis
    after: Analysis
    drives: tuple[DrivePair, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def worse(self) -> bool:
        """Whether a drive got worse."""
        return any(drive.direction == "worse" for drive in self.drives)

    @property
    def nothing(self) -> bool:
        """Whether nothing could be compared."""
        return all(drive.direction == "unknown" for drive in self.drives)

    @property
    def verdict(self) -> str:
        """In one sentence what the second soak is beside the first."""
        if not self.drives:
            return "No drive was in both soaks, so nothing can be compared."
        parts = []
        for direction, word in WORDS.items():
            drives = [drive for drive in self.drives if drive.direction == direction]
            figures = [f", {drive.figure}" if drive.figure else "" for drive in drives]
            if len(drives) > MOST_FIGURES or not any(figures):
                parts += [f"{', '.join(drive.name for drive in drives)}: {word}"] if drives else []
            else:
                parts += [f"{drive.name}: {word}{figure}" for drive, figure in zip(drives, figures, strict=True)]
        return f"{'; '.join(parts)}."


def pair(before: Analysis, after: Analysis) -> SoakPair:
    """The two beside each other; drives are told by serial number, else by model and place."""
    left = list(before.drives)
    found = []
    only_after = []
    for drive in after.drives:
        match = _match(drive, left)
        if match is None:
            only_after.append(drive.head.name)
            continue
        left.remove(match)
        found.append(_compared(match, drive))
    return SoakPair(
        before=before,
        after=after,
        drives=tuple(found),
        only_before=tuple(drive.head.name for drive in left),
        only_after=tuple(only_after),
        notes=tuple(_notes(before, after)),
    )


def _match(drive: DriveAnalysis, left: Sequence[DriveAnalysis]) -> DriveAnalysis | None:
    """The same drive in the other soak, None where that cannot be told."""
    if drive.head.serial is not None:
        same = [other for other in left if other.head.serial == drive.head.serial]
        here = [other for other in same if other.head.address == drive.head.address]
        for found in (same, here):  # a number that several drives share tells nothing alone
            if len(found) == 1:
                return found[0]
    kind = drive.head.model, drive.head.address
    alike = [
        other
        for other in left
        if (other.head.model, other.head.address) == kind and None in {other.head.serial, drive.head.serial}
    ]
    return alike[0] if len(alike) == 1 and None not in kind else None


def _notes(before: Analysis, after: Analysis) -> Iterator[str]:
    """What was not alike around the drives."""
    if before.head.machine is not None and after.head.machine not in {None, before.head.machine}:
        yield "the two soaks are of different machines, by their names"
    if before.head.command != after.head.command:
        yield "the two soaks ran different commands, so their loads may differ"
    warmth = {other.name: other.mean for other in before.others}
    for other in after.others:
        change = other.mean - warmth.get(other.name, other.mean)
        if abs(change) >= 1.0:
            way = "warmer" if change > 0 else "cooler"
            yield f"{other.name} was {wording.kelvin(abs(change))} {way} in the second soak, on average"


# --- One drive -------------------------------------------------------------------------------------------------


def _compared(before: DriveAnalysis, after: DriveAnalysis) -> DrivePair:
    warmth = _warmth(before, after)
    slowing = Slowing(before=_slowed(before), after=_slowed(after))
    rates = _mean(before), _mean(after)
    found = [*_of_slowing(slowing, *rates), *([_of_warmth(warmth)] if warmth is not None else [])]
    directions = [direction for direction, _ in found]
    direction: Direction = next((way for way in ("worse", "better", "alike") if way in directions), "unknown")
    return DrivePair(
        name=after.head.name,
        before_name=before.head.name,
        direction=direction,
        words=tuple(words for _, words in found),
        doubts=tuple(_doubts(before, after, warmth)),
        warmth=warmth,
        slowing=slowing,
        before_mbps=rates[0],
        after_mbps=rates[1],
    )


def _mean(drive: DriveAnalysis) -> float | None:
    """The mean rate while it had a load, MB/s: what it moved, slowed times included."""
    if drive.load is None or not drive.load.seconds:
        return None
    return (drive.load.read_bytes + drive.load.written_bytes) / drive.load.seconds / MEGA


def _slowed(drive: DriveAnalysis) -> float | None:
    """The share of its time under load in which it slowed itself; None where that cannot be told or nothing ran."""
    if drive.load is None or not drive.load.seconds or drive.throttling.kind in NOT_TOLD:
        return None
    if drive.throttling.kind not in SLOWED:
        return 0.0
    return min(1.0, sum(span.seconds for span in drive.throttling.spans) / drive.load.seconds)


def _of_slowing(
    slowing: Slowing, before_mbps: float | None, after_mbps: float | None
) -> Iterator[tuple[Direction, str]]:
    """What became of its slowing itself, with the rates."""
    before, after = slowing.before, slowing.after
    if before is None or after is None or not (before or after):
        return
    change = after - before
    way: Direction = "alike" if abs(change) < SLOWED_SHARE else "worse" if change > 0 else "better"
    words = f"it slowed itself to stay cool in {before:.0%} of the time under load before, in {after:.0%} after"
    if before_mbps is not None and after_mbps is not None:
        words += f"; its mean rate under load went from {mbps_fine(before_mbps)} to {mbps_fine(after_mbps)}"
    yield way, words


def _of_warmth(warmth: Warmth) -> tuple[Direction, str]:
    load = " and ".join(
        f"{mbps_fine(rate)} of {what}"
        for rate, what in ((warmth.read_mbps, "reading"), (warmth.write_mbps, "writing"))
        if rate >= ALIKE_MBPS
    )
    figures = f"at {load} it settles at {wording.tenths(warmth.after)}, before at {wording.tenths(warmth.before)}"
    above = "the rise above rest is " if warmth.over_rest else "that is "
    if not warmth.sure:
        change = f"{wording.kelvin(abs(warmth.change))}, give or take {wording.kelvin(SURE * warmth.error)}"
        return "alike", f"{figures}: {above}no measurable difference ({change})"
    way: Direction = "worse" if warmth.change > 0 else "better"
    more = "more" if warmth.change > 0 else "less"
    change = f"{wording.kelvin(abs(warmth.change))} {more}, give or take {wording.kelvin(SURE * warmth.error)}"
    return way, f"{figures}: {above}{change}"


def _warmth(before: DriveAnalysis, after: DriveAnalysis) -> Warmth | None:
    """Where both settle under the heaviest load that both had."""
    shared = [
        (first, second)
        for first in _settled(before, loaded=True)
        for second in _settled(after, loaded=True)
        if _alike(first.read_mbps, second.read_mbps) and _alike(first.write_mbps, second.write_mbps)
    ]
    if not shared:
        return None
    first, second = max(shared, key=lambda phases: phases[1].read_mbps + phases[1].write_mbps)
    ends, error = (_end(first), _end(second)), hypot(_error(first), _error(second))
    rests = [next(iter(_settled(drive, loaded=False)), None) for drive in (before, after)]
    at_rest = [phase for phase in rests if phase is not None]
    over_rest = len(at_rest) == len(rests)
    change = ends[1] - ends[0]
    if over_rest:
        change -= _end(at_rest[1]) - _end(at_rest[0])
        error = hypot(error, *map(_error, at_rest))
    return Warmth(
        before=ends[0],
        after=ends[1],
        change=change,
        error=error,
        over_rest=over_rest,
        read_mbps=second.read_mbps,
        write_mbps=second.write_mbps,
    )


def _settled(drive: DriveAnalysis, *, loaded: bool) -> list[Phase]:
    """Its stretches of load, or of rest, of which it is known where they settle, the longest first."""
    known = [phase for phase in drive.phases if phase.loaded is loaded and phase.forecast.settled is not None]
    return sorted(known, key=lambda phase: phase.start - phase.end)


def _end(phase: Phase) -> float:
    assert phase.forecast.settled is not None
    return phase.forecast.settled


def _error(phase: Phase) -> float:
    return phase.forecast.error if phase.forecast.error is not None else STEP_ERROR


def _alike(first: float, second: float) -> bool:
    return abs(first - second) <= max(ALIKE_MBPS, ALIKE_SHARE * max(first, second))


def _doubts(before: DriveAnalysis, after: DriveAnalysis, warmth: Warmth | None) -> Iterator[str]:
    """Why more cannot be said."""
    for which, drive in (("first", before), ("second", after)):
        if drive.load is None or not drive.load.seconds:
            yield f"in the {which} soak it had no load"
        elif drive.throttling.kind in NOT_TOLD:
            yield f"throttling in the {which} soak is unknown: {drive.throttling.words}"
    if warmth is None:
        yield (
            "no stretch of steady load at the same rates in both shows where the temperature settles: "
            f"{_phases('first', before)}, {_phases('second', after)}"
        )
    elif not warmth.over_rest:
        yield ("they have no rest of a minute or more in common, so the room temperature counts as well")
    if before.head.firmware != after.head.firmware:
        yield "its firmware is not the same in both, which may change its heat and its rates too"
    if before.head.link != after.head.link:
        yield "its link was not the same in both at the start"


def _phases(which: str, drive: DriveAnalysis) -> str:
    loads = _settled(drive, loaded=True)
    if not loads:
        return f"none in the {which}"
    return f"in the {which} {_rates(loads)}"


def _rates(phases: Iterable[Phase]) -> str:
    return ", ".join(mbps_fine(phase.read_mbps + phase.write_mbps) for phase in phases)
