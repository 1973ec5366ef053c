"""Times in which nothing could be read from a drive although samples were taken."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

from agent.soak.analysed import TimeSpan
from agent.soak.series import STANDS_FOR, all_known, count_known

if TYPE_CHECKING:
    from agent.soak.series import Series


def unread(of: Series, *, rates: bool = True) -> tuple[TimeSpan, ...]:
    """Times in which a temperature that is read otherwise was not, nor a rate; with `rates` off, whatever the rate.

    Each is from the first sample without to the next one with it, or to the last; shorter than a late sample: none.
    """
    if all_known(of.celsius) or not count_known(of.celsius):
        return ()
    found: list[TimeSpan] = []
    begin: int | None = None
    last = len(of.seconds) - 1
    for place, degrees in enumerate(of.celsius):
        rate = of.read[place] + of.write[place]
        silent = isnan(degrees) and (not rates or isnan(rate))
        if silent and begin is None:
            begin = place
        if begin is not None and (not silent or place == last):
            found.append(TimeSpan(of.seconds[begin], of.seconds[place]))
            begin = None
    return tuple(span for span in found if span.seconds > STANDS_FOR * of.every)
