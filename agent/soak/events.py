"""What happened between one sample and the next: links, error counters, limits, readings that fail, time of day.

Reads nothing.
"""

from __future__ import annotations

from math import nan
from typing import TYPE_CHECKING, Final

from agent.soak import called
from knowledge.phrasing import celsius_text, listed
from knowledge.rates import GTPS, describe
from probes.answers import ASLEEP
from probes.samples import COUNTERS, Event, other
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from probes.samples import DriveHead, DriveSample, Head, Moment

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
        self._others = _Turns(called.names_of_others(head))
        self._ahead: float | None = None
        self._asleep: float | None = None
        self._told: dict[tuple[str, str | None], int] = {}

    def see(self, sample: Moment, asleep: float | None = None) -> list[Event]:
        """What happened since the last sample; `asleep` counts the seconds that the machine slept."""
        found = list(self._clock(sample.seconds, sample.wall, asleep))
        for drive, seen in zip(self._drives, sample.drives, strict=True):
            found += drive.see(sample.seconds, seen)
        lost = {other(place): value for place, value in enumerate(sample.others) if isinstance(value, Unread)}
        found += [Event(sample.seconds, "unread", None, words) for words in self._others.see(lost, asked=False)]
        return self.worth_telling(found)

    def worth_telling(self, events: list[Event]) -> list[Event]:
        """The events without those of which there have been too many; the last one told says so."""
        kept = []
        for event in events:
            key = (event.kind, event.drive)
            times = self._told[key] = self._told.get(key, 0) + 1
            if times == MOST_ALIKE:
                kept.append(
                    Event(event.seconds, event.kind, event.drive, f"{event.words}; further ones are not logged")
                )
            elif times < MOST_ALIKE:
                kept.append(event)
        return kept

    def _clock(self, seconds: float, wall: float | None, asleep: float | None) -> Iterator[Event]:
        """Whether the machine slept, and whether its clock was set; where sleep is not counted, that it was either."""
        slept = 0.0 if asleep is None or self._asleep is None else asleep - self._asleep
        self._asleep = asleep
        if slept > JUMP:
            words = f"the machine was suspended for {slept:,.0f} s; the seconds of the log leave them out"
            yield Event(seconds, "clock", None, words)
        if wall is None:
            return
        ahead = wall - seconds
        jumped = 0.0 if self._ahead is None else ahead - self._ahead - slept
        self._ahead = ahead
        if abs(jumped) > JUMP:
            way = "forward" if jumped > 0 else "back"
            why = ", or the machine slept; the log counts on" if asleep is None else "; the log counts on"
            yield Event(seconds, "clock", None, f"the time of day jumped {way} by {abs(jumped):,.0f} s{why}")


class _Drive:
    """What was last known of one drive."""

    def __init__(self, head: DriveHead) -> None:
        self._name = head.name
        self._link = head.link
        self._errors: int | None = None
        self._errors_at = -QUIET
        self._turns = _Turns(called.names_of(head))
        self._celsius = (nan, 0.0)  # and when
        self._limits = [
            _Limit(f"{word} temperature", celsius)
            for word, celsius in (("warning", head.warning_celsius), ("critical", head.critical_celsius))
            if celsius is not None
        ]

    def see(self, seconds: float, seen: DriveSample) -> Iterator[Event]:
        """What happened to it."""
        for words in self._turns.see(seen.unread, asked=seen.counters is not None):
            yield Event(seconds, "unread", self._name, words)
        link = None if isinstance(seen.link, Unread) else seen.link
        if link is not None and link != self._link:
            if self._link is not None:
                yield Event(seconds, "link", self._name, f"the link went from {_link(self._link)} to {_link(link)}")
            self._link = link
        yield from self._count_errors(seconds, None if isinstance(seen.errors, Unread) else seen.errors)
        celsius = seen.celsius[0] if seen.celsius else None
        if celsius is not None and not isinstance(celsius, Unread):
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
            yield Event(seconds, "errors", self._name, f"the link counted {counted} since the last sample")
        self._errors_at = seconds


class _Turns:
    """What begins to fail and what is there again from one sample to the next, in words."""

    def __init__(self, names: Mapping[str, str]) -> None:
        """`names` are the words for people; what has none is not told."""
        self._names = names
        self._lost: dict[str, str] = {}

    def see(self, unread: Mapping[str, Unread], *, asked: bool) -> Iterator[str]:
        """The sentences; `asked` tells that counters were asked for, which are not at each sample."""
        kept = {what for what, silence in unread.items() if silence.why in called.TOLD_ELSEWHERE}
        kept |= set() if asked else {COUNTERS}
        back = [what for what in self._lost if what not in unread and what not in kept]
        for what in [*back, *(what for what, silence in unread.items() if silence.why == ASLEEP)]:
            self._lost.pop(what, None)
        if back:
            yield f"{self._listed(back)} can be read again"
        new: dict[str, list[str]] = {}
        for what, silence in unread.items():
            if (
                what not in kept
                and silence.why != ASLEEP
                and self._lost.get(what) != silence.why
                and what in self._names
            ):
                new.setdefault(silence.why, []).append(what)
                self._lost[what] = silence.why
        for why, lost in new.items():
            yield f"{self._listed(lost)} could not be read: {why}"

    def _listed(self, words: Sequence[str]) -> str:
        return listed([self._names[word] for word in words])


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
