"""What happened between one sample and the next: links, error counters, limits, time of day.

Reads nothing.
"""

from __future__ import annotations

from math import nan
from typing import TYPE_CHECKING, Final

from agent.soak.samples import Event
from knowledge.rates import GTPS, celsius_text, describe

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.soak.samples import DriveHead, DriveSample, Head, Sample

QUIET: Final = 60.0  # seconds without a new error, after which the next one is told of again
BELOW: Final = 2.0  # degrees below a limit that end a stay at it: a reading that flickers is told of once
JUMP: Final = 2.0  # seconds by which the time of day may run away from the clock between two samples
JUMP_KELVIN: Final = 30.0  # no drive warms or cools by more within JUMP_SECONDS (common practice)
JUMP_SECONDS: Final = 5.0
MOST_ALIKE: Final = 500  # events of one kind and drive; a soak of days stays readable


class Watch:
    """Compares each sample with what came before."""

    def __init__(self, head: Head) -> None:
        """Nothing is known yet but the head."""
        self._drives = [_Drive(drive) for drive in head.drives]
        self._ahead: float | None = None
        self._told: dict[tuple[str, str | None], int] = {}

    def see(self, sample: Sample, wall: float | None) -> list[Event]:
        """What happened since the sample before; `wall` is the time of day in seconds, if it is known."""
        found = list(self._clock(sample.seconds, wall))
        for drive, seen in zip(self._drives, sample.drives, strict=True):
            found += drive.see(sample.seconds, seen)
        return self.worth_telling(found)

    def worth_telling(self, events: list[Event]) -> list[Event]:
        """The events without those of which there have been too many; the last one told says so."""
        kept = []
        for event in events:
            key = (event.kind, event.drive)
            times = self._told[key] = self._told.get(key, 0) + 1
            if times == MOST_ALIKE:
                kept.append(Event(event.seconds, event.kind, event.drive, f"{event.words}; no more of these are noted"))
            elif times < MOST_ALIKE:
                kept.append(event)
        return kept

    def _clock(self, seconds: float, wall: float | None) -> Iterator[Event]:
        if wall is None:
            return
        ahead = wall - seconds
        jumped = 0.0 if self._ahead is None else ahead - self._ahead
        self._ahead = ahead
        if abs(jumped) > JUMP:
            way = "forward" if jumped > 0 else "back"
            words = f"the time of day jumped {way} by {abs(jumped):,.0f} s, or the machine slept; the log counts on"
            yield Event(seconds, "clock", None, words)


class _Drive:
    """What was last known of one drive."""

    def __init__(self, head: DriveHead) -> None:
        self._name = head.name
        self._link = head.link
        self._errors: int | None = None
        self._errors_at = -QUIET
        self._celsius = (nan, 0.0)  # and when
        self._limits = [
            _Limit(f"{word} temperature", celsius)
            for word, celsius in (("warning", head.warning_celsius), ("critical", head.critical_celsius))
            if celsius is not None
        ]

    def see(self, seconds: float, seen: DriveSample) -> Iterator[Event]:
        """What happened to it."""
        if seen.link is not None and seen.link != self._link:
            if self._link is not None:
                words = f"the link went from {_link(self._link)} to {_link(seen.link)}"
                yield Event(seconds, "link", self._name, words)
            self._link = seen.link
        yield from self._count_errors(seconds, seen.errors)
        celsius = seen.celsius[0] if seen.celsius else None
        if celsius is not None:
            (before, at), self._celsius = self._celsius, (celsius, seconds)
            if abs(celsius - before) > JUMP_KELVIN and seconds - at < JUMP_SECONDS:
                return  # a sensor's rubbish, or the way back from it; the next one tells
            for limit in self._limits:
                happened = limit.see(celsius)
                if happened is not None:
                    yield Event(seconds, "limit", self._name, happened)

    def _count_errors(self, seconds: float, errors: int | None) -> Iterator[Event]:
        if errors is None:
            return
        before, self._errors = self._errors, errors
        if before is None or errors <= before:
            return
        new = errors - before
        if seconds - self._errors_at >= QUIET:
            counted = "1 error" if new == 1 else f"{new:,} errors"
            yield Event(seconds, "errors", self._name, f"the link counted {counted} since the sample before")
        self._errors_at = seconds


class _Limit:
    """Whether a temperature is at a limit."""

    def __init__(self, name: str, celsius: float) -> None:
        self._words = f"its {name} of {celsius_text(celsius)}"
        self._celsius = celsius
        self._above = False

    def see(self, celsius: float) -> str | None:
        """A sentence where it was reached or left."""
        if not self._above and celsius >= self._celsius:
            self._above = True
            return f"reached {self._words}: it is at {celsius_text(celsius)}"
        if self._above and celsius < self._celsius - BELOW:
            self._above = False
            return f"fell below {self._words}: it is at {celsius_text(celsius)}"
        return None


def _link(link: tuple[int, int]) -> str:
    """A link for people: "4 lanes at 16 GT/s (Gen 4)"."""
    generation, lanes = link
    speed = describe(generation) if generation in GTPS else f"generation {generation}"
    return f"{lanes} lane{'s' * (lanes != 1)} at {speed}"
