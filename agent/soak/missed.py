"""What could not be read during a soak: what it is called, when and why, and which of it leaves a verdict open."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.soak import wording
from agent.soak.analysed import Missing, TimeSpan
from agent.soak.called import names_of, names_of_others
from agent.soak.series import BLOCK_SECONDS, STANDS_FOR
from knowledge.phrasing import listed
from probes.answers import ASLEEP
from probes.samples import (
    COUNTERS,
    CRITICAL_LIMIT,
    ERRORS,
    LINK,
    RATES,
    TEMPERATURE,
    WARNING_LIMIT,
    Missed,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from probes.samples import Soak, Track

LIMITS: Final = frozenset({WARNING_LIMIT, CRITICAL_LIMIT})
OF_HEAT: Final = frozenset({COUNTERS, TEMPERATURE, RATES, *LIMITS})  # without these nobody knows whether it slowed down


def of_drive(track: Track, every: float) -> tuple[Missing, ...]:
    """All that could not be read of a drive; samples lie `every` seconds apart."""
    first, last = (track.seconds[0], track.seconds[-1]) if track.seconds else (0.0, 0.0)
    missed = (*_from_the_start(track, first), *track.unread)
    open_ = {what for what in {gap.what for gap in missed} if _weighs(what, missed, track, every)}
    return tuple(_grouped(missed, names_of(track.head), first, last, open_))


def of_others(soak: Soak) -> tuple[Missing, ...]:
    """The temperatures beside the drives' own that could not be read, and what could not be looked up at the start."""
    whole = [Missed(unread.what, unread.why, 0.0, None, unread.needs_root) for unread in soak.head.unread]
    names = {**names_of_others(soak.head), **{missed.what: missed.what for missed in whole}}
    return tuple(_grouped((*whole, *soak.unread), names, 0.0, soak.seconds, frozenset()))


def said(missing: Missing) -> str:
    """It as a sentence with its reason."""
    return f"{missing.name} could not be read{_when(missing)}: {missing.why}"


def phrase(missing: Sequence[Missing]) -> str:
    """Several as a part of a sentence, with their reasons; what failed alike is told in one."""
    alike: dict[tuple[str, str], list[str]] = {}
    for part in missing:
        alike.setdefault((_when(part), _inner(part.why)), []).append(part.name)
    return ", and ".join(f"{listed(names)} could not be read{when} ({why})" for (when, why), names in alike.items())


def weighing(missing: Iterable[Missing], what: frozenset[str] = OF_HEAT) -> tuple[Missing, ...]:
    """Those among them that leave a verdict open."""
    return tuple(part for part in missing if part.weighs and part.what in what)


def _from_the_start(track: Track, first: float) -> Iterator[Missed]:
    """What could not be looked up at the start; of a link only until it was read for the first time."""
    for unread in track.head.unread:
        end = track.links[0][0] if unread.what == LINK and track.links else None
        if end is None or end > first:
            yield Missed(unread.what, unread.why, first, end, unread.needs_root)


def _weighs(what: str, missed: Sequence[Missed], track: Track, every: float) -> bool:
    """Whether a verdict may hang on what could not be read.

    Counts that only grow are held against each other from the first to the last; of all else a moment is bridged by
    what was read before and after it. The drive's own counters may be lost with a reset, whenever they cannot be read.
    """
    spans = _stretches([gap for gap in missed if gap.what == what and gap.why != ASLEEP])
    if not spans:
        return False
    begins, ends = spans[0][0] <= min(track.seconds, default=0.0), spans[-1][1] is None
    longest = max((end - start for start, end in spans if end is not None), default=0.0)
    if what == ERRORS:
        return begins or ends
    if what == CRITICAL_LIMIT:
        return track.head.warning_celsius is None
    if what == WARNING_LIMIT:
        return WARNING_LIMIT not in track.head.limits_from
    if what == COUNTERS:
        return True
    return what in {TEMPERATURE, RATES, LINK} and (ends or longest > max(BLOCK_SECONDS, STANDS_FOR * every))


def _stretches(missed: Sequence[Missed]) -> list[tuple[float, float | None]]:
    """The times in which one thing could not be read, whatever the reason, in order."""
    found: list[tuple[float, float | None]] = []
    for gap in sorted(missed, key=lambda gap: gap.start):
        before = found[-1] if found else None
        if before is not None and (before[1] is None or before[1] >= gap.start):
            end = None if before[1] is None or gap.end is None else max(before[1], gap.end)
            found[-1] = (before[0], end)
        else:
            found.append((gap.start, gap.end))
    return found


def _grouped(
    missed: Sequence[Missed],
    names: Mapping[str, str],
    first: float,
    last: float,
    weighing: frozenset[str] | set[str],
) -> Iterator[Missing]:
    """One for each thing and reason, with all the times."""
    groups: dict[tuple[str, str], list[Missed]] = {}
    for gap in missed:
        if gap.what in names:
            groups.setdefault((gap.what, gap.why), []).append(gap)
    for (what, why), group in groups.items():
        spans = _stretches(group)
        to_the_end = spans[-1][1] is None
        yield Missing(
            what=what,
            name=names[what],
            why=why,
            spans=tuple(TimeSpan(start, max(start, last) if end is None else end) for start, end in spans),
            to_the_end=to_the_end,
            whole=to_the_end and len(spans) == 1 and spans[0][0] <= first,
            needs_root=all(gap.needs_root for gap in group),
            weighs=what in weighing and why != ASLEEP,
        )


_MOST_TIMES: Final = 3


def _when(missing: Missing) -> str:
    """When it could not be read, as words behind "could not be read"."""
    if missing.whole:
        return ""
    times = [_span(span) for span in missing.spans]
    if missing.to_the_end:
        times[-1] = f"from {wording.moment(missing.spans[-1].start)} on"
    more = f" and {len(times) - _MOST_TIMES} more times" if len(times) > _MOST_TIMES else ""
    return f" {', '.join(times[:_MOST_TIMES])}{more}"


def _span(span: TimeSpan) -> str:
    return f"at {wording.moment(span.start)} for {wording.lasting(span.seconds)}"


def _inner(why: str) -> str:
    """A reason within brackets: its own brackets at the end become a comma."""
    before, _, code = why.rpartition(" (")
    return f"{before}, {code[:-1]}" if before and code.endswith(")") else why
