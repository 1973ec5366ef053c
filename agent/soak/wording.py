"""Figures of a soak in words: temperatures, rates, times, amounts. Text out of numbers only, never of devices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from agent.soak.analysed import Limit

MINUTE: Final = 60.0
HOUR: Final = 3600.0
_SHORT: Final = 100.0  # seconds that are still told in seconds
_BY_SIGNAL: Final = 128
_SIGNALS: Final = 64  # of them: signal(7)
_LONG: Final = 100.0 * MINUTE  # seconds that are told in hours


def celsius(degrees: float) -> str:
    """A temperature or a difference in whole degrees: "82 C". Sensors have steps of 1 K, so no more is known."""
    return f"{degrees:.0f} C" if abs(degrees) >= 0.5 else "0 C"  # noqa: PLR2004 - rounds to 0, without a sign


def tenths(degrees: float) -> str:
    """A temperature that more than one reading tells of, with its tenth: "61.2 C"."""
    return f"{degrees:.1f} C"


def kelvin(change: float) -> str:
    """A difference of temperatures that more than one reading tells of: "11.7 K"."""
    return f"{change:.1f} K"


def lasting(seconds: float) -> str:
    """A length of time: "45 s", "6 min", "3.5 h"."""
    if seconds < _SHORT:
        return f"{seconds:.0f} s"
    if seconds < _LONG:
        return f"{seconds / MINUTE:.0f} min"
    return f"{seconds / HOUR:.1f} h"


def moment(seconds: float) -> str:
    """A moment of the soak, as hours, minutes and seconds since its start: "0:04:10"."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def status(code: int) -> str:
    """The exit status of a command: "status 7"; 128 and more are signals (POSIX Shell Command Language, 2.8.2)."""
    number = code - _BY_SIGNAL
    killed = f" (killed by signal {number}, as shells tell it)" if 0 < number <= _SIGNALS else ""
    return f"status {code}{killed}"


def amount(size: float) -> str:
    """An amount of bytes: "48 GB" (10^9 bytes)."""
    for unit, name in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB")):
        if size >= unit:
            value = size / unit
            return f"{value:.1f} {name}" if value < 10.0 else f"{value:,.0f} {name}"  # noqa: PLR2004 - the tenth tells something
    return f"{size:,.0f} bytes"


def limit(held: Limit) -> str:
    """The limit that a drive is held against: "its limit of 82 C"; one that is no warning limit is named."""
    if held.kind == "observed":
        return f"the {celsius(held.celsius)} at which it slows itself (observed)"
    kind = "critical limit" if held.kind == "critical" else "limit"
    return f"its {kind} of {celsius(held.celsius)}"


def below(degrees: float, held: Limit) -> str:
    """How far a temperature is below the limit: "21 C below its limit"; one that is no warning limit is named."""
    if held.kind == "observed":
        return f"{celsius(held.celsius - degrees)} below where it slows itself"
    kind = "critical limit" if held.kind == "critical" else "limit"
    return f"{celsius(held.celsius - degrees)} below its {kind}"
