"""What a soak says while it runs: the state of each drive from its samples, and lines for a log or a terminal in use.

Draws nothing and prints nothing: the lines go to whoever is to tell them. Text of devices passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.soak import wording
from agent.soak.series import limit_of, near_of
from knowledge.phrasing import plain
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from probes.samples import DriveHead, DriveSample, Event, Head, Moment

MEGA: Final = 1e6  # bytes
MOST_HISTORY: Final = 128
MOST_DRIVES: Final = 6  # in one line
LEVELS: Final = "▁▂▃▄▅▆▇█"
PLAIN_LEVELS: Final = "_.-:=+*#"
LEAST_RANGE: Final = 8.0  # K from the foot to the top of a history line, so that a flicker of 1 K stays one
WORDS: Final = 300  # characters


class History:
    """The temperatures of the whole soak in a few values, each the greatest of a stretch; nan where none is known."""

    def __init__(self) -> None:
        """Nothing yet."""
        self.values: list[float] = []
        self._stretch = 1
        self._waiting: list[float] = []

    def add(self, celsius: float | None) -> None:
        """One more; when there are too many, neighbours become one."""
        self._waiting.append(float("nan") if celsius is None else celsius)
        if len(self._waiting) < self._stretch:
            return
        self.values.append(_greatest(self._waiting))
        self._waiting.clear()
        if len(self.values) >= MOST_HISTORY:
            self.values = [_greatest(self.values[place : place + 2]) for place in range(0, MOST_HISTORY, 2)]
            self._stretch *= 2

    def line(self, room: int, limit: float | None, levels: str) -> str:
        """The history in at most `room` characters of `levels`; the top is the limit, where there is one."""
        group = -(-len(self.values) // max(1, room))
        shown = [_greatest(self.values[place : place + group]) for place in range(0, len(self.values), max(1, group))]
        known = [value for value in shown if value == value]  # noqa: PLR0124 - nan
        if not known:
            return ""
        top = max(known) if limit is None else limit
        foot = min(*known, top - LEAST_RANGE)
        most = len(levels) - 1
        return "".join(
            levels[max(0, min(most, int((value - foot) / (top - foot) * most)))] if value == value else " "  # noqa: PLR0124 - nan
            for value in shown
        )


def _greatest(values: Sequence[float]) -> float:
    return max((value for value in values if value == value), default=float("nan"))  # noqa: PLR0124 - nan


class DriveNow:
    """One drive as it is now: its temperature, its rates in MB/s since the last sample, how near it is to a limit."""

    def __init__(self, head: DriveHead) -> None:
        """Nothing is known yet but the head."""
        self.head = head
        self.name = plain(head.name, 24)
        held = limit_of(head)
        self.limit = None if held is None else held.celsius
        self.near = 0.0 if held is None else near_of(held)
        self.celsius: float | None = None
        self.read: float | None = None
        self.write: float | None = None
        self.history = History()
        self._before: tuple[float, DriveSample] | None = None

    def see(self, seconds: float, sample: DriveSample) -> None:
        """Take in a sample."""
        self.celsius = _known(sample.celsius[0]) if sample.celsius else None
        self.history.add(self.celsius)
        if self._before is not None:
            then, before = self._before
            self.read = rate(before.read_bytes, sample.read_bytes, seconds - then)
            self.write = rate(before.write_bytes, sample.write_bytes, seconds - then)
        self._before = seconds, sample

    @property
    def margin(self) -> float | None:
        """Degrees up to the limit, below 0 above it; None where one of both is not known."""
        return None if self.celsius is None or self.limit is None else self.limit - self.celsius

    @property
    def state(self) -> str:
        """One of "over", "close", "below" (its limit) and "unknown"."""
        margin = self.margin
        if margin is None:
            return "unknown"
        return "over" if margin <= 0 else "close" if margin <= self.near else "below"

    @property
    def margin_words(self) -> str:
        """How far it is from its limit, in words."""
        margin = self.margin
        if margin is None or self.limit is None:
            return "" if self.celsius is None else "no limit known"
        if margin <= 0:
            return f"OVER {wording.celsius(self.limit)}" if margin else f"AT {wording.celsius(self.limit)}"
        close = "close, " if margin <= self.near else ""
        return f"{close}{wording.celsius(margin)} below {wording.celsius(self.limit)}"

    @property
    def temperature(self) -> str:
        """Its temperature, in words."""
        return "no reading" if self.celsius is None else wording.celsius(self.celsius)


def _known(celsius: float | Unread | None) -> float | None:
    """A temperature, None where there is none to show: why not is an event of its own."""
    return None if isinstance(celsius, Unread) else celsius


def rate(before: int | Unread | None, now: int | Unread | None, seconds: float) -> float | None:
    """A rate in MB/s; None where a count is not known or fell."""
    if not isinstance(before, int) or not isinstance(now, int) or now < before or seconds <= 0:
        return None
    return (now - before) / seconds / MEGA


def rate_words(read: float | None, write: float | None) -> str:
    """Rates in words; what is not known is a question mark."""
    if read is None and write is None:
        return "rate not known"
    return f"reads {_figure(read)}, writes {_figure(write)} MB/s"


def _figure(mbps: float | None) -> str:
    return "?" if mbps is None else f"{mbps:,.0f}"


def event_words(event: Event) -> str:
    """What happened, on one line."""
    drive = f"{plain(event.drive, 40)}: " if event.drive else ""
    return f"{wording.moment(event.seconds)}  {drive}{plain(event.words, WORDS)}"


def hottest(drives: Sequence[DriveNow], count: int) -> list[DriveNow]:
    """As many drives as asked for, those nearest to their limits, in the order in which they were."""
    if len(drives) <= count:
        return list(drives)
    nearest = sorted(drives, key=lambda drive: (drive.margin is None, drive.margin or 0.0, -(drive.celsius or 0.0)))[
        :count
    ]
    return [drive for drive in drives if drive in nearest]


class Lines:
    """A line a minute: the hottest that each drive was in it, and its mean rates; and one for each event at once."""

    def __init__(self, head: Head, tell: Callable[[str], None], every: float = wording.MINUTE) -> None:
        """`tell` is given each line; `every` seconds lie between two of them."""
        self._tell = tell
        self._every = every
        self._drives = [DriveNow(drive) for drive in head.drives]
        self._most: list[float | None] = [None] * len(self._drives)
        self._start: Moment | None = None
        self._due = every

    def sample(self, sample: Moment) -> None:
        """Take in a sample; tell of the minute when it is over."""
        for place, (seen, drive) in enumerate(zip(self._drives, sample.drives, strict=True)):
            seen.see(sample.seconds, drive)
            warmest = [value for value in (self._most[place], seen.celsius) if value is not None]
            self._most[place] = max(warmest, default=None)
        if self._start is None:
            self._start = sample
        elif sample.seconds >= self._due:
            self._tell(self._line(self._start, sample))
            self._start = sample
            self._most = [None] * len(self._drives)
            self._due = (sample.seconds // self._every + 1) * self._every

    def event(self, event: Event) -> None:
        """Tell of it."""
        self._tell(event_words(event))

    def close(self) -> None:
        """Nothing is left to do."""

    def _line(self, first: Moment, last: Moment) -> str:
        time = last.seconds - first.seconds
        parts = []
        for seen in hottest(self._drives, MOST_DRIVES):
            place = self._drives.index(seen)
            before, now = first.drives[place], last.drives[place]
            seen.celsius = self._most[place]
            margin = f" ({seen.margin_words})" if seen.margin_words else ""
            rates = rate_words(
                rate(before.read_bytes, now.read_bytes, time), rate(before.write_bytes, now.write_bytes, time)
            )
            parts.append(f"{seen.name} {seen.temperature}{margin}, {rates}")
        left = len(self._drives) - len(parts)
        if left > 0:
            parts.append(f"{left} more")
        return f"{wording.moment(last.seconds)}  {'; '.join(parts) if parts else 'no drives'}"
