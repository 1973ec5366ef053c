"""The falls of a drive that was seen to keep itself cool: those of its loop, and what is left of all others."""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Final

from msgspec import structs

from agent.soak import wording
from agent.soak.analysed import Fall, TimeSpan
from knowledge.phrasing import mbps_fine

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Loop
    from agent.soak.series import Blocks

ONE_SECONDS: Final = 120.0  # falls that are closer together are told as one
PAUSE_BLOCKS: Final = 3  # of rest, after which a cache may have been emptied
NO_CACHE: Final = 1e9  # bytes written, less than which fill no drive's cache visibly (common practice)
OFTEN: Final = 3  # returns as it had cooled, without which an open loop is no more than a cache or a load
COOLER_KELVIN: Final = 5.0
SAME_RATE: Final = 0.15
WEAK: Final = frozenset({"drifts", "as fast"})  # a hold of which that is true does not speak against a full cache
UNTIED: Final = frozenset({"cool", "hotter"})  # what speaks against any temperature at which a drive slows itself
HELD: Final = (
    "as of a drive that slows itself down by a limit of its own, or of a cache or a load that comes to rest at that "
    "temperature by chance; the log does not show which"
)
OPEN: Final = (
    "always at about this temperature, as of a drive that slows itself down by a limit of its own, or of a load with "
    "such a rhythm; the log does not show which"
)


def by_loop(found: Sequence[Fall], cells: Blocks, loop: Loop | None, limits: Sequence[float]) -> list[Fall]:
    """The falls in time, with those of a sure loop in place of all that it explains; of an open one they are unclear.

    Where no limit is known (`limits`), falls that come at any temperature are not of heat.
    """
    if loop is None or not loop.sure:
        if loop is not None and loop.open and not loop.held and loop.returns >= min(OFTEN, loop.times - 1):
            if not any(_meets(fall, loop) for fall in found):  # it comes and goes within blocks
                return sorted((*found, *_falls_open(cells, loop)), key=lambda fall: fall.start)
            return [_left_open(fall) if _meets(fall, loop) else fall for fall in found]
        if loop is not None and loop.open and loop.held and not any(_settles_it(fall, loop) for fall in found):
            rest = [fall for fall in found if fall.kind == "link" or not _meets(fall, loop)]
            return sorted((*rest, *_falls_open(cells, loop)), key=lambda fall: fall.start)
        return list(found) if limits else _untied(found, loop)
    of_loop = [_from_its_first_step(_fall(span, times, cells, loop), found) for span, times in _together(loop.spans)]
    rest = [fall for fall in found if fall.kind == "link" or not _meets(fall, loop)]
    return sorted((*of_loop, *rest), key=lambda fall: fall.start)


def _from_its_first_step(fall: Fall, found: Sequence[Fall]) -> Fall:
    """A fall of a loop; of a drive that slowed itself by a lighter step before, from that on. Reads fill no cache."""
    for other in found:
        lighter = other.start < fall.start < other.end and other.written_bytes < NO_CACHE and other.kind != "link"
        if lighter and other.before_mbps > fall.before_mbps:
            fall = structs.replace(fall, start=other.start, before_mbps=other.before_mbps)
    return fall


def _meets(fall: Fall, loop: Loop) -> bool:
    """Whether a fall is one of the loop's; its spans are in time."""
    place = bisect_left(loop.spans, fall.start, key=lambda span: span.end)
    return place < len(loop.spans) and fall.meets(loop.spans[place])


def _settles_it(fall: Fall, loop: Loop) -> bool:
    """Whether what a fall is said to be stands, although the drive may be held at a temperature then."""
    said = fall.kind in {"heat", "unclear"} or not WEAK.isdisjoint(loop.against)
    return said and _meets(fall, loop)


def _together(spans: Sequence[TimeSpan]) -> Iterator[tuple[TimeSpan, int]]:
    """Spans that are close together as one, with how many they are."""
    begin, end, times = spans[0].start, spans[0].end, 0
    for span in spans:
        if span.start - end > ONE_SECONDS:
            yield TimeSpan(begin, end), times
            begin, times = span.start, 0
        end = max(end, span.end)
        times += 1
    yield TimeSpan(begin, end), times


def _fall(span: TimeSpan, times: int, cells: Blocks, loop: Loop) -> Fall:
    rates = f"from {mbps_fine(loop.before_mbps)} to {mbps_fine(loop.during_mbps)}"
    at = f"at about {wording.celsius(loop.onset)}"
    if loop.held:
        words = f"gave way {rates} (median) and so held it {at}"
    elif loop.back is None:
        words = f"fell {rates} {at}"
    else:
        words = f"fell {rates} {at} and came back at about {wording.celsius(loop.back)}"
    return Fall(
        kind="heat",
        start=span.start,
        end=span.end,
        before_mbps=loop.before_mbps,
        during_mbps=loop.during_mbps,
        celsius=loop.onset,
        celsius_then=loop.back,
        written_bytes=_written(cells, span.start),
        recovered=loop.returns > 0,
        words=words,
        times=times,
    )


def _written(cells: Blocks, seconds: float) -> float:
    """Bytes written from the last pause up to that moment."""
    place, rest, total = bisect_left(cells.end, seconds), 0, 0.0
    while place > 0 and rest < PAUSE_BLOCKS:
        place -= 1
        rest = 0 if cells.loaded(place) else rest + 1
        write = cells.write[place]
        total += write * (cells.end[place] - cells.start[place]) * 1e6 if write > 0.0 else 0.0
    return total


def _falls_open(cells: Blocks, loop: Loop) -> Iterator[Fall]:
    """The falls of a loop or a hold that something else may explain as well."""
    for span, times in _together(loop.spans):
        fall = _fall(span, times, cells, loop)
        yield structs.replace(fall, kind="unclear", words=f"{fall.words}, {HELD if loop.held else OPEN}")


def _left_open(fall: Fall) -> Fall:
    if fall.kind not in {"other", "cache", "unclear"}:
        return fall
    rest = fall.words.partition(";")[0]
    back = " and came back as it cooled" if fall.recovered else ""
    return structs.replace(fall, kind="unclear", words=f"{rest}{back}, {OPEN}")


def _untied(found: Sequence[Fall], loop: Loop | None) -> list[Fall]:
    """The falls; where the drive fell in the same way at other temperatures, it was not heat."""
    anywhere = loop is not None and loop.times >= OFTEN and bool(UNTIED.intersection(loop.against))
    cleared = [fall for fall in found if fall.kind == "other" and fall.celsius is not None]
    return [
        _at_any(fall)
        if fall.kind == "unclear" and (anywhere or any(_likewise(fall, other) for other in cleared))
        else fall
        for fall in found
    ]


def _likewise(fall: Fall, cooler: Fall) -> bool:
    """Whether another fall was between the same rates and well cooler."""
    if fall.celsius is None or cooler.celsius is None or cooler.celsius > fall.celsius - COOLER_KELVIN:
        return False
    pairs = ((fall.before_mbps, cooler.before_mbps), (fall.during_mbps, cooler.during_mbps))
    return all(abs(first - second) <= SAME_RATE * first for first, second in pairs)


def _at_any(fall: Fall) -> Fall:
    words = fall.words.partition(";")[0]
    return structs.replace(fall, kind="other", words=f"{words}; it fell likewise at other temperatures, so not by heat")
