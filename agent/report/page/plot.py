"""A soak as a drawing for the page: where lines, limits, times of throttling and events stand, for a given width.

Gives places and words; a template makes the drawing of them. Needs no library for drawing. Lengths are in units of the
drawing, one of which is a CSS pixel where nothing is scaled.
"""

from __future__ import annotations

from itertools import pairwise
from math import floor, isfinite, log10
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report.page.fitting import BOLD, fitted
from agent.report.plain import plain
from agent.report.plot_points import apart, slowed_times, thinned
from agent.soak import wording
from agent.soak.series import limits_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Analysis, DriveAnalysis, Limit
    from agent.soak.samples import Soak, Track

MOST_DRIVES: Final = 8
MOST_EVENTS: Final = 9
LEAST_RATE: Final = 0.1  # MB/s; a line that never rises above it is not drawn
NAME_SIZE: Final = 12.0
TOP: Final = 42.0
BETWEEN: Final = 22.0
STRIP: Final = 16.0  # a row of times of throttling
FOOT: Final = 40.0


class Paper(Struct, frozen=True):
    """How wide a drawing is, what it keeps free on both sides, and how high its two panels are."""

    kind: str
    width: float
    left: float
    right: float
    warm: float
    rate: float
    ticks: int


WIDE: Final = Paper("wide", 760.0, 56.0, 136.0, 220.0, 150.0, 9)
NARROW: Final = Paper("narrow", 300.0, 38.0, 122.0, 190.0, 130.0, 4)
PAPERS: Final = (WIDE, NARROW)


class Tick(Struct, frozen=True):
    """A mark on an axis with its words."""

    at: float
    words: str


class Curve(Struct, frozen=True):
    """A line, point by point; `number` is that of its drive, which has a colour and a kind of dash.

    `thin` is for what is written.
    """

    path: tuple[str, ...]
    number: int
    thin: bool = False


class Name(Struct, frozen=True):
    """A name beside a panel, and from which height to which its pointer goes."""

    words: str
    begin: float
    at: float
    number: int


class LimitLine(Struct, frozen=True, kw_only=True):
    """A limit across the panel; its words begin at `left` and stand on `foot`."""

    at: float
    words: str
    critical: bool
    left: float
    foot: float


class Panel(Struct, frozen=True, kw_only=True):
    """A panel with its axis; `empty` says why nothing is drawn."""

    title: str
    above: float  # from the panel up to its title
    top: float
    bottom: float
    ticks: tuple[Tick, ...]
    curves: tuple[Curve, ...]
    names: tuple[Name, ...]
    rules: tuple[LimitLine, ...]
    empty: str


class Slowed(Struct, frozen=True):
    """The times in which a drive throttled: a row with (left, width) of each."""

    top: float
    spans: tuple[tuple[float, float], ...]
    words: str
    number: int


class Mark(Struct, frozen=True):
    """An event: where its line stands, where its number stands."""

    at: float
    number: int
    label: float


class Plot(Struct, frozen=True, kw_only=True):
    """The whole drawing for one width."""

    paper: Paper
    height: float
    right: float
    panels: tuple[Panel, ...]
    slowed: tuple[Slowed, ...]
    times: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    axis: str


def plots(soak: Soak, found: Analysis) -> tuple[Plot, ...]:
    """The drawing for wide and for narrow screens."""
    chosen = _chosen(soak, found)
    return tuple(_Drawing(paper, found, chosen).plot() for paper in PAPERS)


def drawn_drives(soak: Soak, found: Analysis) -> tuple[str, ...]:
    """The names of the drives that are drawn."""
    return tuple(one.name for one in _chosen(soak, found))


class _Chosen(Struct, frozen=True):
    """A drive that is drawn."""

    number: int
    name: str
    track: Track
    drive: DriveAnalysis

    def limits(self) -> list[Limit]:
        """The limits that it tells, and the one it was held against."""
        known, held = limits_of(self.drive.head), self.drive.limit
        return [*known, *([held] if held is not None and held not in known else [])]


def _chosen(soak: Soak, found: Analysis) -> list[_Chosen]:
    """The drives that are drawn; of very many those that came nearest to their limits."""
    pairs = list(zip(soak.tracks, found.drives, strict=True))
    places = sorted(range(len(pairs)), key=lambda place: _margin(pairs[place][1]))[:MOST_DRIVES]
    return [
        _Chosen(number, plain(pairs[place][1].head.name, 16), *pairs[place])
        for number, place in enumerate(sorted(places), 1)
    ]


def _margin(drive: DriveAnalysis) -> float:
    if drive.temperatures is None:
        return 1e9
    return (1e6 if drive.limit is None else drive.limit.celsius) - drive.temperatures.most


def steps(low: float, high: float, most: int) -> list[float]:
    """Round figures from `low` to `high`, `most` of them or fewer: ones, twos or fives of a power of ten."""
    span = max(high - low, 1e-9)
    power = 10.0 ** floor(log10(span / most))
    step = next(power * factor for factor in (1, 2, 5, 10, 20) if span / (power * factor) <= most)
    first = -floor(-low / step)
    return [number * step for number in range(first, floor(high / step + 1e-9) + 1)]


class _Drawing:
    """One drawing in the making."""

    def __init__(self, paper: Paper, found: Analysis, chosen: Sequence[_Chosen]) -> None:
        self.paper, self.found, self.chosen = paper, found, chosen
        self.end = max(found.seconds, 1.0)
        self.right = paper.width - paper.right

    def x(self, seconds: float) -> float:
        """Where a moment stands."""
        share = min(1.0, max(0.0, seconds / self.end))
        return round(self.paper.left + share * (self.right - self.paper.left), 1)

    def plot(self) -> Plot:
        """Temperatures above, rates below, between them when drives throttled."""
        slowed = [one for one in self.chosen if one.drive.throttling.spans]
        top = TOP
        warm = self._warm(top)
        top += self.paper.warm + (BETWEEN if not slowed else 8.0)
        rows = tuple(self._slowed(one, top + STRIP * row) for row, one in enumerate(slowed))
        top += STRIP * len(slowed) + (BETWEEN if slowed else 0.0)
        rate = self._rate(top)
        unit, name = _unit(self.found.seconds)
        return Plot(
            paper=self.paper,
            height=top + self.paper.rate + FOOT,
            right=self.right,
            panels=(warm, rate),
            slowed=rows,
            times=tuple(Tick(self.x(at * unit), f"{at:g}") for at in steps(0, self.end / unit, self.paper.ticks)),
            marks=tuple(self._marks()),
            axis=f"{name} since the start",
        )

    def _marks(self) -> Iterator[Mark]:
        events = [(number, one) for number, one in enumerate(self.found.events[:MOST_EVENTS], 1)]
        places = [self.x(one.seconds) for _, one in events]
        wide = self.right - self.paper.left
        labels = apart([(at - self.paper.left) / wide for at in places], 14.0 / wide)
        for (number, _), at, label in zip(events, places, labels, strict=True):
            yield Mark(at, number, round(self.paper.left + label * wide, 1))

    def _slowed(self, one: _Chosen, top: float) -> Slowed:
        spans = []
        for start, end in slowed_times(one.drive)[:500]:
            left = self.x(start)
            spans.append((left, max(1.0, round(self.x(end) - left, 1))))
        return Slowed(
            top, tuple(spans), fitted(f"{one.name} slowed", self.paper.right - 20, NAME_SIZE * BOLD), one.number
        )

    # --- Panels ------------------------------------------------------------------------------------------------

    def _warm(self, top: float) -> Panel:
        curves = [(one, one.name, *thinned(one.track.seconds, one.track.celsius, most=True)) for one in self.chosen]
        known = [value for *_, values in curves for value in values if isfinite(value)]
        limits = [limit.celsius for one in self.chosen for limit in one.limits()]
        low, high = (min(known), max(known)) if known else (20.0, 90.0)
        bottom = top + self.paper.warm
        scale = _Scale(min([low, *limits]) - 2.0, max([high, *limits]) + 5.0, top, bottom)
        return Panel(
            title="temperature, degrees C",
            above=24.0,
            top=top,
            bottom=bottom,
            ticks=scale.ticks(5),
            curves=tuple(self._curve(one, times, values, scale, most=True) for one, _, times, values in curves),
            names=self._names([(one, name, _last(values)) for one, name, _, values in curves], scale),
            rules=tuple(self._rules(scale)),
            empty="" if known else "no temperature could be read",
        )

    def _rate(self, top: float) -> Panel:
        bottom = top + self.paper.rate
        curves = []
        for one in self.chosen:
            for rates, way in ((one.track.read_mbps, "read"), (one.track.write_mbps, "written")):
                times, values = thinned(one.track.seconds, rates, most=False)
                if max((value for value in values if isfinite(value)), default=0.0) >= LEAST_RATE:
                    curves.append((one, way, times, values))
        known = [value for *_, values in curves for value in values if isfinite(value)]
        scale = _Scale(0.0, max(known, default=100.0) * 1.08, top, bottom)
        names = [(one, f"{one.name} {way}", _middle(values)) for one, way, _, values in curves]
        return Panel(
            title="rate, MB/s",
            above=9.0,
            top=top,
            bottom=bottom,
            ticks=scale.ticks(4),
            curves=tuple(
                self._curve(one, times, values, scale, most=False, thin=way == "written")
                for one, way, times, values in curves
            ),
            names=self._names(names, scale),
            rules=(),
            empty="" if known else "no load, or no rate could be read",
        )

    def _curve(
        self,
        one: _Chosen,
        times: Sequence[float],
        values: Sequence[float],
        scale: _Scale,
        *,
        most: bool,
        thin: bool = False,
    ) -> Curve:
        """A line, with one point for each unit of the width; what is not known leaves a gap."""
        columns: dict[int, list[float]] = {}
        for at, value in zip(times, values, strict=True):
            columns.setdefault(round(self.x(at)), []).append(value)
        path: list[str] = []
        pen = "M"
        for at, found in columns.items():
            known = [value for value in found if isfinite(value)]
            if not known:
                pen = "M"
                continue
            value = max(known) if most else sum(known) / len(known)
            path.append(f"{pen}{at} {scale.y(value)}")
            pen = "L"
        return Curve(tuple(path), one.number, thin)

    def _names(self, ends: Sequence[tuple[_Chosen, str, float | None]], scale: _Scale) -> tuple[Name, ...]:
        """Names right of a panel at the heights of their lines, moved apart where they would cover each other."""
        shown = [(one, name, scale.y(value)) for one, name, value in ends if value is not None]
        tall = scale.bottom - scale.top
        places = apart([(scale.bottom - at) / tall for _, _, at in shown], (NAME_SIZE + 2) / tall)
        return tuple(
            Name(
                fitted(name, self.paper.right - 17, NAME_SIZE * BOLD),
                at,
                round(scale.bottom - place * tall, 1),
                one.number,
            )
            for (one, name, at), place in zip(shown, places, strict=True)
        )

    def _rules(self, scale: _Scale) -> Iterator[LimitLine]:
        """A line for each limit; drives with the same limit share it.

        Words stand above their line; of two lines that are close the lower one has them below, further ones aside.
        """
        shared: dict[tuple[float, str], list[str]] = {}
        for one in self.chosen:
            for limit in one.limits():
                shared.setdefault((limit.celsius, limit.kind), []).append(one.name)
        wide = self.right - self.paper.left
        drawn = sorted(shared.items())
        heights = [scale.y(celsius) for (celsius, _), _ in drawn]
        close = [before - at < NAME_SIZE + 2 for before, at in pairwise(heights)]
        for number, ((celsius, kind), names) in enumerate(drawn):
            after_close = number > 0 and close[number - 1]
            below = not after_close and number < len(close) and close[number]
            aside = after_close and number > 1 and close[number - 2]
            room = wide - 8 if not any(close[1:]) else wide / 2 - 8
            whose = "" if len(names) == len(self.chosen) else f" of {', '.join(names)}"
            line = f"{kind}{' limit' if self.paper is WIDE else ''} {wording.celsius(celsius)}{whose}"
            yield LimitLine(
                at=heights[number],
                words=fitted(line, room, NAME_SIZE * BOLD),
                critical=kind == "critical",
                left=self.paper.left + 4 + (wide / 2 if aside else 0.0),
                foot=round(heights[number] + (NAME_SIZE + 2 if below else -4.0), 1),
            )


class _Scale:
    """Values to heights."""

    def __init__(self, low: float, high: float, top: float, bottom: float) -> None:
        self.low, self.high, self.top, self.bottom = low, high, top, bottom

    def y(self, value: float) -> float:
        """Where a value stands."""
        share = (min(self.high, max(self.low, value)) - self.low) / ((self.high - self.low) or 1.0)
        return round(self.bottom - share * (self.bottom - self.top), 1)

    def ticks(self, most: int) -> tuple[Tick, ...]:
        """Marks of the axis."""
        return tuple(Tick(self.y(value), f"{value:,.0f}") for value in steps(self.low, self.high, most))


def _unit(seconds: float) -> tuple[float, str]:
    if seconds <= 5 * wording.MINUTE:
        return 1.0, "seconds"
    return (wording.MINUTE, "minutes") if seconds <= 5 * wording.HOUR else (wording.HOUR, "hours")


def _last(values: Sequence[float]) -> float | None:
    return next((value for value in reversed(values) if isfinite(value)), None)


def _middle(values: Sequence[float]) -> float | None:
    """The middle of what a line shows under load."""
    known = [value for value in values if isfinite(value)]
    loaded = sorted(value for value in known if value >= max(known) / 10)
    return loaded[len(loaded) // 2] if loaded else None
