"""A soak as a drawing for the page: where lines, limits, times of throttling and events stand, for a given width.

Gives places and words; a template makes the drawing of them. Needs no library for drawing. Lengths are in units of the
drawing, one of which is a CSS pixel where nothing is scaled.
"""

from __future__ import annotations

from itertools import pairwise
from math import floor, isfinite, log10
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.report import plot_points as points
from agent.report.page.fitting import BOLD, fitted
from agent.soak import wording

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.soak.analysed import Analysis
    from probes.samples import Soak

BETWEEN_CROSSES: Final = 28  # on the lines of what is written
MOST_DRIVES: Final = 8
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

    `thin` is for what is written; it has `crosses`, each the middle of one.
    """

    path: tuple[str, ...]
    number: int
    thin: bool = False
    crosses: tuple[tuple[int, float], ...] = ()


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
    chosen = points.drives_drawn(soak, found, MOST_DRIVES)
    return tuple(_Drawing(paper, found, chosen).plot() for paper in PAPERS)


def drawn_drives(soak: Soak, found: Analysis) -> tuple[str, ...]:
    """The names of the drives that are drawn."""
    return tuple(drive_drawn.name for drive_drawn in points.drives_drawn(soak, found, MOST_DRIVES))


def steps(low: float, high: float, most: int) -> list[float]:
    """Round figures from `low` to `high`, `most` of them or fewer: ones, twos or fives of a power of ten."""
    span = max(high - low, 1e-9)
    power = 10.0 ** floor(log10(span / most))
    step = next(power * factor for factor in (1, 2, 5, 10, 20) if span / (power * factor) <= most)
    first = -floor(-low / step)
    return [number * step for number in range(first, floor(high / step + 1e-9) + 1)]


class _Drawing:
    """One drawing in the making."""

    def __init__(self, paper: Paper, found: Analysis, chosen: Sequence[points.DriveDrawn]) -> None:
        self.paper, self.found, self.chosen = paper, found, chosen
        self.end = max(found.seconds, 1.0)
        self.right = paper.width - paper.right

    def x(self, seconds: float) -> float:
        """Where a moment stands."""
        share = min(1.0, max(0.0, seconds / self.end))
        return round(self.paper.left + share * (self.right - self.paper.left), 1)

    def plot(self) -> Plot:
        """Temperatures above, rates below, between them when drives throttled."""
        slowed = [drawn for drawn in self.chosen if drawn.drive.throttling.spans]
        top = TOP
        warm = self._warm(top)
        top += self.paper.warm + (BETWEEN if not slowed else 8.0)
        rows = tuple(self._slowed(drawn, top + STRIP * row) for row, drawn in enumerate(slowed))
        top += STRIP * len(slowed) + (BETWEEN if slowed else 0.0)
        rate = self._rate(top)
        unit, _, name = points.time_unit(self.found.seconds)
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
        events = [(number, event) for number, event in enumerate(self.found.events[: points.MOST_EVENTS], 1)]
        places = [self.x(event.seconds) for _, event in events]
        wide = self.right - self.paper.left
        labels = points.apart([(at - self.paper.left) / wide for at in places], 14.0 / wide)
        for (number, _), at, label in zip(events, places, labels, strict=True):
            yield Mark(at, number, round(self.paper.left + label * wide, 1))

    def _slowed(self, drawn: points.DriveDrawn, top: float) -> Slowed:
        spans = []
        for start, end in points.slowed_times(drawn.drive)[:500]:
            left = self.x(start)
            spans.append((left, max(1.0, round(self.x(end) - left, 1))))
        return Slowed(
            top, tuple(spans), fitted(f"{drawn.name} slowed", self.paper.right - 20, NAME_SIZE * BOLD), drawn.number
        )

    # --- Panels ------------------------------------------------------------------------------------------------

    def _warm(self, top: float) -> Panel:
        known = [value for drawn in self.chosen for value in drawn.curve[1] if isfinite(value)]
        limits = [limit.celsius for drawn in self.chosen for limit in drawn.limits()]
        low, high = (min(known), max(known)) if known else (20.0, 90.0)
        bottom = top + self.paper.warm
        scale = _Scale(min([low, *limits]) - 2.0, max([high, *limits]) + 5.0, top, bottom)
        return Panel(
            title="temperature, degrees C",
            above=24.0,
            top=top,
            bottom=bottom,
            ticks=scale.ticks(5),
            curves=tuple(self._curve(drawn, *drawn.curve, scale, most=True) for drawn in self.chosen),
            names=self._names([(drawn, drawn.name, points.last_known(drawn.curve[1])) for drawn in self.chosen], scale),
            rules=tuple(self._rules(scale)),
            empty="" if known else "no temperature could be read",
        )

    def _rate(self, top: float) -> Panel:
        bottom = top + self.paper.rate
        curves = []
        for drawn in self.chosen:
            for way, (times, values) in zip(("read", "written"), drawn.rates(), strict=True):
                if points.rises(values):
                    curves.append((drawn, way, times, values))
        known = [value for *_, values in curves for value in values if isfinite(value)]
        scale = _Scale(0.0, max(known, default=100.0) * 1.08, top, bottom)
        names = [(drawn, f"{drawn.name} {way}", points.middle_loaded(values)) for drawn, way, _, values in curves]
        return Panel(
            title="rate, MB/s",
            above=9.0,
            top=top,
            bottom=bottom,
            ticks=scale.ticks(4),
            curves=tuple(
                self._curve(drawn, times, values, scale, most=False, thin=way == "written")
                for drawn, way, times, values in curves
            ),
            names=self._names(names, scale),
            rules=(),
            empty="" if known else "no load, or no rate could be read",
        )

    def _curve(
        self,
        drawn: points.DriveDrawn,
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
        crosses: list[tuple[int, float]] = []
        pen = "M"
        for at, found in columns.items():
            known = [value for value in found if isfinite(value)]
            if not known:
                pen = "M"
                continue
            value = max(known) if most else sum(known) / len(known)
            path.append(f"{pen}{at} {scale.y(value)}")
            pen = "L"
            if thin and (not crosses or at - crosses[-1][0] >= BETWEEN_CROSSES):
                crosses.append((at, scale.y(value)))
        return Curve(tuple(path), drawn.number, thin, tuple(crosses))

    def _names(self, ends: Sequence[tuple[points.DriveDrawn, str, float | None]], scale: _Scale) -> tuple[Name, ...]:
        """Names right of a panel at the heights of their lines, moved apart where they would cover each other."""
        shown = [(drawn, name, scale.y(value)) for drawn, name, value in ends if value is not None]
        tall = scale.bottom - scale.top
        places = points.apart([(scale.bottom - at) / tall for _, _, at in shown], (NAME_SIZE + 2) / tall)
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
        wide = self.right - self.paper.left
        drawn = points.shared_limits(self.chosen)
        heights = [scale.y(celsius) for celsius, _ in drawn]
        close = [before - at < NAME_SIZE + 2 for before, at in pairwise(heights)]
        for number, ((celsius, kind), drives) in enumerate(drawn.items()):
            after_close = number > 0 and close[number - 1]
            below = not after_close and number < len(close) and close[number]
            aside = after_close and number > 1 and close[number - 2]
            room = wide - 8 if not any(close[1:]) else wide / 2 - 8
            whose = "" if len(drives) == len(self.chosen) else f" of {', '.join(drive.name for drive in drives)}"
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
