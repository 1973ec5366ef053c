"""The loop by which a drive keeps itself cool: it slows at one temperature, cools, and goes on at a lower one.

What tells heat from all else is that the pair of temperatures comes back while times and volumes do not: a full cache
comes after a volume, a load has its own rhythm, housekeeping comes at any temperature. So each fall of the speed is
held against the temperature at that moment, against how long the drive had worked while cooler without falling, and
against how long and how much it had worked since it was last slow.
"""

from __future__ import annotations

from math import isnan, nan, prod, sqrt
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.soak.analysed import Loop, TimeSpan
from agent.soak.series import median
from agent.soak.speed import ALONE, FALLEN

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.soak.series import Series
    from agent.soak.speed import Level, SpeedStep

NEAR_SECONDS: Final = 15.0  # so close to the beginning of a fall, a change of the link is why
AROUND: Final = 2  # samples beside a step in which the temperature turns
ALIKE_KELVIN: Final = 1.5  # onsets so close to their middle are one: steps are 1 K, and sensors scatter by as much
FEWEST: Final = 2  # falls at one temperature
ENOUGH: Final = 3  # of them, to be sure
COOL_FALLS: Final = 2.0  # so many falls would have come while it was cooler, if they came at any temperature
COOL_SHARE: Final = 0.15  # of those: so many may have come
APART_SAMPLES: Final = 3  # and by so many samples
APART: Final = 1.4  # the longest work up to a fall by the middle one: then time and volume do not tell when it falls
MOST_CHANCE: Final = 0.04  # that the pair of temperatures came back by chance
STEP_KELVIN: Final = 1.0  # of a sensor: temperatures so close are one
LOOSE_KELVIN: Final = 0.8  # standard deviation of the onsets: a temperature that decides is sharper
TURNS_KELVIN: Final = 0.9  # by which it cools in a fall, in the middle
NARROW_KELVIN: Final = 3.0  # a way that short is some steps of the sensor, by which that cannot be told
REGULAR: Final = 0.3  # of the middle time of work: between the quarters of all of them
STILL_RISING: Final = 0.2  # of its warming comes in the second half of the way to a fall
LONG_WAY: Final = 12  # samples of work, from which on temperatures are means of some
SHORT: Final = 4  # samples of work up to a fall, in which nothing settles
ABOVE_SHARE: Final = 0.1  # of its time at full speed while warm that may lie above the onset


class Dip(Struct, frozen=True, kw_only=True):
    """A fall of the speed: samples [first, last], the levels before and after, the temperatures around it.

    `begin` is the first sample at the speed before and `worked` the seconds since then. `onset` is the temperature of
    the fall, `low` the least one in it, `back` the one at which the speed came back under load (None: it did not),
    `begun_at` the one at the begin of the work before. `late` is the share of its warming that came in the second half
    of that work: little where it had long settled.
    """

    begin: int
    first: int
    last: int
    before: Level
    after: Level
    onset: float
    low: float
    back: float | None
    worked: float
    begun_at: float
    late: float

    @property
    def moved(self) -> float:
        """The work done at the speed before, MB of reading."""
        return self.worked * self.before.speed


def dips(
    of: Series,
    celsius: Sequence[float],
    found: Sequence[Level],
    stepped: Iterable[SpeedStep],
    links: Sequence[tuple[float, float]],
) -> list[Dip]:
    """The falls of the speed that no change of the link explains, by the temperatures of one sensor."""
    place = {level.first: number for number, level in enumerate(found)}
    made, sinks = [], -1
    for step in stepped:
        if step.down and step.before.first == sinks:  # it goes on to fall
            sinks = step.at
            continue
        sinks = step.at if step.down else -1
        when = of.seconds[step.at - 1]
        if step.down and not any(begin - NEAR_SECONDS <= when <= end + NEAR_SECONDS for begin, end in links):
            made.append(_dip(of, celsius, found, place[step.at], step))
    return [dip for dip in made if dip is not None]


def _dip(of: Series, celsius: Sequence[float], found: Sequence[Level], at: int, step: SpeedStep) -> Dip | None:
    """One fall; `at` is the place of the level after it. None where the temperatures are not known."""
    worked, over = at - 1, at
    while worked and found[worked].goes_on_from(found[worked - 1]) and _as_fast(found[worked - 1], step.before):
        worked -= 1
    middle = sqrt(step.before.speed * step.after.speed)
    while over + 1 < len(found) and found[over + 1].goes_on_from(found[over]) and found[over + 1].speed <= middle:
        over += 1
    begin, last = found[worked].first, found[over].last
    returned = over + 1 < len(found) and found[over + 1].goes_on_from(found[over])
    onset = _most(celsius[max(begin, step.at - AROUND) : step.at + AROUND])
    low = _least(celsius[step.at : last + 1 + AROUND])
    begun_at, halfway, reached = _on_the_way(celsius, begin, step.at)
    if onset is None or low is None or isnan(begun_at) or isnan(halfway):
        return None
    return Dip(
        begin=begin,
        first=step.at,
        last=last,
        before=step.before,
        after=step.after,
        onset=onset,
        low=low,
        back=_least(celsius[max(step.at, last + 1 - AROUND) : last + 1 + AROUND]) if returned else None,
        worked=of.seconds[step.at - 1] - of.seconds[begin] + of.lasted[begin],
        begun_at=min(begun_at, onset),
        late=(reached - halfway) / max(1.0, reached - begun_at) if step.at - begin >= SHORT else 1.0,
    )


def _on_the_way(celsius: Sequence[float], begin: int, after: int) -> tuple[float, float, float]:
    """The temperatures at the begin of a way, in the middle of it and at its end; of a long one means of some."""
    beside = (after - begin) // LONG_WAY
    middle = begin + (after - 1 - begin) // 2
    ends = (
        celsius[begin : begin + beside + 1],
        celsius[middle - beside : middle + beside + 1],
        celsius[after - 1 - beside : after],
    )
    known = [[value for value in part if not isnan(value)] for part in ends]
    return tuple(sum(part) / len(part) if part else nan for part in known)  # type: ignore[return-value]


def _as_fast(level: Level, other: Level) -> bool:
    return level.speed >= FALLEN * other.speed


def _most(values: Sequence[float]) -> float | None:
    return max((value for value in values if not isnan(value)), default=None)


def _least(values: Sequence[float]) -> float | None:
    return min((value for value in values if not isnan(value)), default=None)


def loop(of: Series, celsius: Sequence[float], found: Sequence[Level], fallen: Sequence[Dip]) -> Loop | None:
    """The loop that the falls make together, with what speaks against it; None where too few are at one temperature."""
    alike = _cluster(fallen)
    onset = median(dip.onset for dip in alike)
    if onset is None or len(alike) < FEWEST:
        return None
    alike = sorted(alike, key=lambda dip: dip.first)
    backs = [dip.back for dip in alike if dip.back is not None]
    return Loop(
        onset=onset,
        scatter=sqrt(sum((dip.onset - onset) ** 2 for dip in alike) / len(alike)),
        back=median(backs),
        times=len(alike),
        returns=len(backs),
        before_mbps=_middle([dip.before.rate for dip in alike]),
        during_mbps=_middle([dip.after.rate for dip in alike]),
        against=(*_untied(of, celsius, found, fallen, alike, onset), *_unlike_heat(of, alike, onset)),
        spans=tuple(TimeSpan(of.seconds[dip.first - 1], of.seconds[dip.last]) for dip in alike),
    )


def _cluster(fallen: Sequence[Dip]) -> list[Dip]:
    """The falls that share one onset: the most that lie together; of as many the hotter ones."""
    ordered = sorted(fallen, key=lambda dip: dip.onset)
    most, best, begin = 0, 0, 0
    for end, dip in enumerate(ordered):
        while dip.onset - ordered[begin].onset > 2.0 * ALIKE_KELVIN:
            begin += 1
        if end - begin + 1 >= most:
            most, best = end - begin + 1, begin
    return ordered[best : best + most]


def _untied(
    of: Series,
    celsius: Sequence[float],
    found: Sequence[Level],
    fallen: Sequence[Dip],
    alike: Sequence[Dip],
    onset: float,
) -> Iterator[str]:
    """What speaks against falls that are tied to one temperature, or leaves it open."""
    cooler, about, hotter = _at_full_speed(of, celsius, found, _middle([dip.before.speed for dip in alike]), onset)
    comes_back = any(dip.back is not None for dip in alike)
    cool = sum(
        dip.onset < onset - 2.0 * ALIKE_KELVIN and (not comes_back or dip.back is not None) for dip in fallen
    )  # where its falls end under load, one that does not is of another kind
    expected = (len(alike) + cool) * cooler / max(of.every, cooler + about)
    if cool > COOL_SHARE * expected:
        yield "cool"
    if hotter > ABOVE_SHARE * (hotter + about):
        yield "hotter"
    if _chance(alike) > MOST_CHANCE:
        if expected < COOL_FALLS:
            yield "warm"
        if len(alike) < ENOUGH:
            yield "few"


def _unlike_heat(of: Series, alike: Sequence[Dip], onset: float) -> Iterator[str]:
    """What in the falls themselves speaks against heat, or leaves another reason open."""
    if sqrt(sum((dip.onset - onset) ** 2 for dip in alike) / len(alike)) > LOOSE_KELVIN:
        yield "loose"
    if all(dip.back is None for dip in alike) and _middle([dip.after.share for dip in alike]) > ALONE:
        yield "cache"
    if _has_rhythm(of, alike):
        yield "rhythm"
    if _middle([dip.onset - dip.low for dip in alike]) < TURNS_KELVIN:
        yield "no turn"
    if _settles(alike):
        yield "settled"


def _has_rhythm(of: Series, alike: Sequence[Dip]) -> bool:
    """Whether the falls come after equal times or equal volumes of work."""
    whole = [dip for dip in alike if dip.begin > AROUND]  # one that had begun before took longer than is known
    least = APART_SAMPLES * of.every
    longer = _apart([dip.worked for dip in alike], least)[0] and _apart([dip.moved for dip in alike])[0]
    shorter = (
        bool(whole) and _apart([dip.worked for dip in whole], least)[1] and _apart([dip.moved for dip in whole])[1]
    )
    return not longer and not shorter


def _chance(alike: Sequence[Dip]) -> float:
    """How likely the pair of temperatures would come back so often if any on the way were as likely."""
    ways = [max(1.0, (dip.onset - dip.begun_at) / STEP_KELVIN) for dip in alike[1:]]
    backs = [max(1.0, (dip.onset - dip.low) / STEP_KELVIN) for dip in alike if dip.back is not None][1:]
    return 1.0 / prod((*ways, *backs))


def _settles(alike: Sequence[Dip]) -> bool:
    """Whether it had long reached that temperature when it fell.

    Where the way to it is some steps of the sensor only, falls that come in a rhythm of their own are taken for such
    that come as soon as it is there.
    """
    if _middle([dip.late for dip in alike]) >= STILL_RISING:
        return False
    times = sorted(dip.worked for dip in alike)
    regular = times[3 * len(times) // 4] - times[len(times) // 4] <= REGULAR * times[len(times) // 2]
    return not (regular and _middle([dip.onset - dip.begun_at for dip in alike]) <= NARROW_KELVIN)


def _at_full_speed(
    of: Series, celsius: Sequence[float], found: Sequence[Level], usual: float, onset: float
) -> tuple[float, float, float]:
    """Seconds at the speed from which it falls: well below the onset, about it, and well above it."""
    low = high = known = 0
    for level in found:
        if level.speed >= FALLEN * usual:
            values = celsius[level.first : level.last + 1]
            low += sum(map((onset - ALIKE_KELVIN).__gt__, values))
            high += sum(map((onset + ALIKE_KELVIN).__lt__, values))
            known += len(values)
    return low * of.every, (known - low - high) * of.every, high * of.every


def _apart(values: Sequence[float], least: float = 0.0) -> tuple[bool, bool]:
    """Whether the greatest is well beyond the middle one, and whether the middle one is well beyond the least."""
    ordered = sorted(values)
    lower, upper = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]

    def beyond(greater: float, smaller: float) -> bool:
        return greater >= max(APART * smaller, smaller + least)

    return beyond(ordered[-1], lower), beyond(upper, ordered[0])


def _middle(values: Sequence[float]) -> float:
    found = median(values)
    assert found is not None
    return found
