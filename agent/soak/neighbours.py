"""Whether another drive of the soak may heat this one: it warmed without cause of its own as the other worked.

A drive that rests cools down, and one under an unchanged load stays where it has settled; one that warms then is warmed
by something. Where both begin to work at once nothing can be told, and what stands where is not known: it is a hint,
never more.
"""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Final

from msgspec import Struct, structs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.series import Blocks

LIKE: Final = 0.8  # correlation of the two temperatures (common practice for "alike")
OWN_RISE: Final = 5.0  # kelvin that the drive warms of no cause of its own: five steps of its sensor
FLAT_KELVIN: Final = 0.5  # above the least: the rise has not begun
SAME_LOAD: Final = 0.1  # share by which an unchanged load may waver
SETTLING_BLOCKS: Final = 30  # five minutes under its own load in which a drive warms of itself
LEVEL_BLOCKS: Final = 12  # two minutes before the rise in which it stood still, to LEVEL_KELVIN
LEVEL_KELVIN: Final = 1.0
OTHER_RISE: Final = 5.0
FEWEST_BLOCKS: Final = 12  # two minutes
WORKING_SHARE: Final = 0.5  # of the time, the other one works


class Neighbour(Struct, frozen=True):
    """A drive that may heat another: how alike their temperatures ran, by how much that one warmed, how hot it was.

    `at_rest` tells that the drive that was warmed rested; else its load was unchanged.
    """

    name: str
    likeness: float
    rise: float
    most: float
    at_rest: bool = True


def hottest_neighbour(own: Blocks, others: Sequence[tuple[str, Blocks]]) -> Neighbour | None:
    """The drive whose temperature ran most like this one's while this one had no cause to warm; None where none did.

    Times at rest are looked at first: they are the surer sign.
    """
    for rests in (True, False):
        runs = [run for run in (_rests(own) if rests else _unchanged(own)) if _rise(own, run) >= OWN_RISE]
        if not runs:
            continue
        ends = _ends(own, max(runs, key=lambda run: _rise(own, run)))
        found = [hint for name, cells in others if (hint := _hint(own, ends, name, cells)) is not None]
        if found:
            return structs.replace(max(found, key=lambda hint: hint.likeness), at_rest=rests)
    return None


def _unchanged(own: Blocks) -> Iterator[tuple[int, int]]:
    """First and last block of each time under one load in which the drive had settled before it warmed once more."""
    begin = 0
    count = len(own.celsius)
    for place in range(1, count + 1):
        if place < count and _same_load(own, begin, place):
            continue
        first = begin + SETTLING_BLOCKS
        if own.loaded(begin) and first < place:
            low, _ = _ends(own, (first, place - 1))
            before = own.celsius[low - LEVEL_BLOCKS : low + 1]
            if max(before) - min(before) <= LEVEL_KELVIN:
                yield low, place - 1
        begin = place


def _same_load(own: Blocks, first: int, place: int) -> bool:
    """Whether a block has the load of another, read and written alike, with its temperature known."""
    degrees = own.celsius[place]
    level = own.rate[first]
    apart = abs(own.read[place] - own.read[first]) + abs(own.write[place] - own.write[first])
    known = degrees == degrees and own.celsius[first] == own.celsius[first]  # noqa: PLR0124 - nan
    return known and apart <= SAME_LOAD * level


def _rests(own: Blocks) -> Iterator[tuple[int, int]]:
    """First and last block of each time at rest with known temperatures."""
    begin: int | None = None
    for place, degrees in enumerate(own.celsius):
        resting = own.rate[place] == own.rate[place] and not own.loaded(place) and degrees == degrees  # noqa: PLR0124
        if resting and begin is None:
            begin = place
        elif not resting and begin is not None:
            yield begin, place - 1
            begin = None
    if begin is not None:
        yield begin, len(own.celsius) - 1


def _ends(own: Blocks, run: tuple[int, int]) -> tuple[int, int]:
    """Where the greatest rise within a time begins, as the drive was last about as cool, and ends."""
    low = best_low = best_high = run[0]
    for place in range(run[0], run[1] + 1):
        if own.celsius[place] < own.celsius[low]:
            low = place
        if own.celsius[place] - own.celsius[low] > own.celsius[best_high] - own.celsius[best_low]:
            best_low, best_high = low, place
    least = own.celsius[best_low] + FLAT_KELVIN
    return max(place for place in range(best_low, best_high + 1) if own.celsius[place] <= least), best_high


def _rise(own: Blocks, run: tuple[int, int]) -> float:
    low, high = _ends(own, run)
    return own.celsius[high] - own.celsius[low]


def _hint(own: Blocks, span: tuple[int, int], name: str, other: Blocks) -> Neighbour | None:
    """What another drive did in that time, if it worked, warmed as well, was hotter and ran alike."""
    at = {int(end // other.length): place for place, end in enumerate(other.end)}
    pairs = []
    working = 0
    for place in range(span[0], span[1] + 1):
        match = at.get(int(own.end[place] // own.length))
        if match is None or other.celsius[match] != other.celsius[match]:
            continue
        pairs.append((own.celsius[place], other.celsius[match]))
        working += other.loaded(match)
    if len(pairs) < FEWEST_BLOCKS or working < WORKING_SHARE * len(pairs):
        return None
    most, least = max(value for _, value in pairs), min(value for _, value in pairs)
    likeness = correlation(pairs)
    if most - least < OTHER_RISE or most <= max(value for value, _ in pairs) or likeness < LIKE:
        return None
    return Neighbour(name, likeness, own.celsius[span[1]] - own.celsius[span[0]], most)


def correlation(pairs: Sequence[tuple[float, float]]) -> float:
    """How alike two things run, -1 to 1 (Pearson); 0 where one of them does not move."""
    count = len(pairs)
    mean_x, mean_y = sum(x for x, _ in pairs) / count, sum(y for _, y in pairs) / count
    both = sum((x - mean_x) * (y - mean_y) for x, y in pairs)
    spread = sqrt(sum((x - mean_x) ** 2 for x, _ in pairs) * sum((y - mean_y) ** 2 for _, y in pairs))
    return both / spread if spread > 0.0 else 0.0
