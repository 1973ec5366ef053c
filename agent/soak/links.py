"""What the link did over the soak: changes of speed and width, bursts of errors, and the rates around them."""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from agent.model.abilities import rate_text
from agent.model.findings import Rate, Severity
from agent.soak import wording
from agent.soak.analysed import ErrorBurst, LinkChange
from agent.soak.series import LOADED_BUSY, LOADED_MBPS, middle_rate
from knowledge.phrasing import mbps_fine
from knowledge.rates import FEW_ERRORS, GTPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.soak.series import Series

AROUND_SECONDS: Final = 30.0  # before and after a change, whose median rates are told
BURST_SECONDS: Final = 30.0  # errors that come closer after one another are one burst (common practice)
SAME_RATE: Final = 0.1  # rates that differ by less are called the same
MOST_TOLD: Final = 1000  # changes and bursts a drive; a log may hold any number


def changes(of: Series, links: Sequence[tuple[float, int, int]]) -> tuple[LinkChange, ...]:
    """Each change of speed or width, from the state at the start on; what is no link of the standard is left out."""
    before = of.head.link
    found: list[LinkChange] = []
    for seconds, speed, width in links:
        now = (speed, width)
        if now != before and before is not None and len(found) < MOST_TOLD:
            found.append(_change(of, seconds, _rate(before), _rate(now)))
        before = now
    return tuple(found)


def _rate(link: tuple[int, int]) -> Rate | None:
    speed, width = link
    return Rate(speed, width) if speed in GTPS and width > 0 else None


def _change(of: Series, seconds: float, before: Rate | None, after: Rate | None) -> LinkChange:
    rate_before = middle_rate(of, seconds - AROUND_SECONDS, seconds)
    rate_after = middle_rate(of, seconds + 0.001, seconds + AROUND_SECONDS)
    loaded = (rate_before or 0.0) >= LOADED_MBPS or (rate_after or 0.0) >= LOADED_MBPS
    loaded = loaded and not _rests(of, seconds, rate_after)
    text = f"its link went from {_text(before)} to {_text(after)}"
    severity = Severity.NOTE
    if after is None or (before is not None and after.width < before.width):
        severity = Severity.FAULT
    elif before is not None and after.speed < before.speed:
        severity = Severity.FAULT if loaded else Severity.NOTE
        text += "" if loaded else " while it rested, as to save power"
    text += _rates(rate_before, rate_after) if loaded else ""
    return LinkChange(
        seconds=seconds,
        before=before,
        after=after,
        before_mbps=rate_before,
        after_mbps=rate_after,
        severity=severity,
        words=text,
    )


def _rests(of: Series, seconds: float, rate_after: float | None) -> bool:
    """Whether the drive neither worked after that moment nor waited for requests: its load was over."""
    low, high = (bisect_left(of.seconds, when) for when in (seconds + 0.001, seconds + AROUND_SECONDS))
    waiting = any(share >= LOADED_BUSY for share in of.busy[low:high])
    return rate_after is not None and rate_after < LOADED_MBPS and not waiting


def _text(rate: Rate | None) -> str:
    return "none" if rate is None else rate_text(rate)


def _rates(before: float | None, after: float | None) -> str:
    """What became of the rate, as a part of a sentence."""
    if before is None or after is None:
        return "; what became of its rate is not known"
    if abs(after - before) <= SAME_RATE * max(before, after):
        return f", and its rate stayed at {mbps_fine(after)}"
    verb = "fell" if after < before else "rose"
    return f", and its rate {verb} from {mbps_fine(before)} to {mbps_fine(after)}"


def bursts(of: Series, errors: Sequence[tuple[float, int]]) -> tuple[ErrorBurst, ...]:
    """Errors that the link counted, those close after one another together. The first count is where it began."""
    rises = [(end, after - before) for (_, before), (end, after) in pairwise(errors) if after > before]
    groups: list[list[tuple[float, int]]] = []
    for rise in rises:
        if groups and rise[0] - groups[-1][-1][0] <= BURST_SECONDS:
            groups[-1].append(rise)
        else:
            groups.append([rise])
    return tuple(_burst(of, group) for group in groups[:MOST_TOLD])


def counted(errors: Sequence[tuple[float, int]]) -> int | None:
    """All errors of the soak; None where the counters were never read. A count that fell began anew."""
    if not errors:
        return None
    return sum(max(0, after - before) for (_, before), (_, after) in pairwise(errors))


def _burst(of: Series, group: Sequence[tuple[float, int]]) -> ErrorBurst:
    start, end = group[0][0], group[-1][0]
    count = sum(rise for _, rise in group)
    before = middle_rate(of, start - AROUND_SECONDS, start - 0.001)
    during = middle_rate(of, start, max(end, start + of.every) + 0.001)
    many = "1 link error" if count == 1 else f"{count:,} link errors"
    when = "at once" if start == end else f"within {wording.lasting(end - start)}"
    text = f"{many} {when}"
    if (before or 0.0) >= LOADED_MBPS:
        text += _rates(before, during)
    return ErrorBurst(
        start=start,
        end=end,
        count=count,
        before_mbps=before,
        during_mbps=during,
        severity=Severity.FAULT if count > FEW_ERRORS else Severity.NOTE,
        words=text,
    )
