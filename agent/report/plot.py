"""A soak as a picture: temperatures with limits, rates and events over time, for screens and for print.

Needs matplotlib (the extra `lanewright[plots]`), and nothing else here does. Gives the bytes of the picture and writes
no file. Each drive has its colour and its kind of line, and its name stands at the line's end. Text is drawn as it is:
text of logs passes `plain`, and nothing in it is taken for a formula.

Colours: those that the page has for drives on white paper (page/templates/style.css), so that a drive looks the same
in both; each has a contrast of 3 or more to white. Kinds of line and marks double them.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Any, Final

from agent.report import plot_points as points
from agent.report.plain import machine_named
from agent.report.words import moment
from agent.soak import wording
from knowledge.phrasing import plain
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from agent.soak.analysed import Analysis
    from probes.samples import Event, Soak

COLOURS: Final = ("#0b5f8c", "#a8450a", "#006b4f", "#8b3b74", "#4a5a00", "#5b4bb0", "#333d46")
LINES: Final = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (3, 1, 1, 1, 1, 1)))
MARKS: Final = ("o", "s", "^", "D", "v")  # on the lines of drives whose colours are those of others
MOST_DRIVES: Final = 12
WIDTH: Final = 10.0  # inches
DOTS: Final = 160  # an inch, for .png
SIZE: Final = 9.0  # points, of text
LEFT: Final = 0.08  # of the width, where the panels begin
RIGHT: Final = 0.82
LINE: Final = 0.19  # inches from a line of words to the next
NAME: Final = 0.17  # inches from a name beside a panel to the next
CLOSE: Final = 0.02  # of the width from the number of an event to the next
MISSING: Final = (
    "drawing a soak needs matplotlib, which is not installed; install it with: pip install 'lanewright[plots]'"
)
STYLE: Final[dict[Any, Any]] = {
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": ["DejaVu Sans"],
    "font.size": SIZE,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#d8d8d8",
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "axes.titlesize": SIZE + 1.0,
    "svg.fonttype": "path",
    "svg.hashsalt": "lanewright",
    "path.simplify": True,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}


def ready() -> None:
    """Raise BadInput where matplotlib is not installed; loads nothing."""
    from importlib.util import find_spec

    if find_spec("matplotlib") is None:
        raise BadInput(MISSING)


def drawn(soak: Soak, found: Analysis, form: str) -> bytes:
    """The picture of a soak, in the form "png" or "svg". Raises BadInput without matplotlib."""
    ready()
    import io
    import warnings

    try:
        import matplotlib as mpl
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise BadInput(MISSING) from None
    content = io.BytesIO()
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a letter that the font lacks is drawn as a box
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)
        picture = Figure(dpi=DOTS)
        FigureCanvasAgg(picture)
        _draw(picture, soak, found)
        metadata = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
        picture.savefig(content, format=form, metadata=metadata)
    return content.getvalue()


# --- The whole -------------------------------------------------------------------------------------------------


def _slowed(chosen: Sequence[_Chosen]) -> list[_Chosen]:
    """Those of which times are known in which they throttled, or may have."""
    return [__chosen for __chosen in chosen if __chosen.drive.throttling.spans]


def _draw(picture: Figure, soak: Soak, found: Analysis) -> None:
    """Temperatures above, rates below, between them when drives throttled; under all of it events in words."""
    unit, name, _ = points.time_unit(found.seconds)
    chosen = _drives(soak, found)
    slowed = _slowed(chosen)
    events = list(found.events[: points.MOST_EVENTS])
    words = _lines(events, len(found.events))
    crowd = 0.2 * max(0, len(chosen) - 5)
    heights = [3.1 + crowd, *([0.08 + 0.2 * len(slowed)] if slowed else []), 2.1 + crowd]
    top, bottom, between = 0.8, 0.68 + LINE * len(words), 0.22
    height = top + sum(heights) + between * (len(heights) - 1) + bottom
    picture.set_size_inches(WIDTH, height)
    panels = []
    above = height - top
    for tall in heights:
        above -= tall
        panels.append(picture.add_axes((LEFT, above / height, RIGHT - LEFT, tall / height)))
        above -= between
    end = max(found.seconds, 1.0) / unit
    _temperatures(picture, panels[0], chosen, unit)
    if slowed:
        _slowing(panels[1], slowed, unit)
    _rates(picture, panels[-1], chosen, unit)
    for panel in panels:
        panel.set_xlim(0, end)
        panel.locator_params(axis="x", nbins=10, steps=[1, 2, 5, 10])
        panel.tick_params(labelbottom=panel is panels[-1])
    _marks(panels, events, unit, end)
    panels[-1].set_xlabel(f"time since the start, {name}")
    picture.align_ylabels(panels)
    _title(picture, found, height, len(soak.tracks) - len(chosen))
    for number, line in enumerate(words):
        picture.text(LEFT, (bottom - 0.6 - LINE * number) / height, line, fontsize=SIZE - 1.0, va="top")


def _title(picture: Figure, found: Analysis, height: float, left_out: int) -> None:
    head = found.head
    more = f"; {left_out} drives further below their limits are not drawn" if left_out > 0 else ""
    picture.text(
        LEFT,
        1 - 0.12 / height,
        f"Soak of {machine_named(head.machine)}, started {moment(plain(head.started_at, 40))}",
        fontsize=SIZE + 3,
        va="top",
    )
    command = f"command: {plain(' '.join(head.command), 90)}" if head.command else "no command"
    picture.text(
        LEFT,
        1 - 0.38 / height,
        f"{wording.lasting(found.seconds)}, {command}{more}",
        fontsize=SIZE,
        va="top",
        color="#333333",
    )


class _Chosen(points.DriveDrawn, frozen=True):
    """A drive that is drawn, with its colour and kind of line."""

    colour: str
    line: Any
    mark: str  # on the line of a drive whose colour is that of another

    def look(self, *, marks: bool = True) -> dict[str, Any]:
        """How its lines are drawn."""
        mark = {"marker": self.mark, "markersize": 4.0} if self.mark else {}
        if mark and marks:
            mark["markevery"] = _BETWEEN_MARKS
        return {"color": self.colour, "linestyle": self.line, **mark}


_BETWEEN_MARKS: Final = 0.12  # of the picture's diagonal
WRITTEN: Final[dict[str, Any]] = {"marker": "x", "markersize": 4.5, "markevery": _BETWEEN_MARKS / 2.0}


def _drives(soak: Soak, found: Analysis) -> list[_Chosen]:
    return [
        _Chosen(
            *(drive_drawn.number, drive_drawn.name, drive_drawn.track, drive_drawn.drive, drive_drawn.curve),
            COLOURS[place % len(COLOURS)],
            LINES[place % len(LINES)],
            "" if place < len(COLOURS) else MARKS[(place - len(COLOURS)) % len(MARKS)],
        )
        for place, drive_drawn in enumerate(points.drives_drawn(soak, found, MOST_DRIVES))
    ]


# --- Panels ----------------------------------------------------------------------------------------------------


def _temperatures(picture: Figure, panel: Axes, chosen: Sequence[_Chosen], unit: float) -> None:
    panel.set_ylabel("temperature, C")
    ends = []
    for __chosen in chosen:
        times, values = __chosen.curve
        panel.plot([at / unit for at in times], values, linewidth=1.6, **__chosen.look())
        last = points.last_known(values)
        if last is not None:
            ends.append((last, __chosen.name, __chosen))
    limits = _limits_of(chosen)
    if ends:
        low, high = panel.get_ylim()
        panel.set_ylim(min(low, *limits, low) - 1.0, max(high, *limits, high) + 3.0)
    else:
        panel.set_ylim(20, 90)
        _nothing(panel, "no temperature could be read")
    _limits(panel, chosen)
    _names(picture, panel, ends)


def _limits_of(chosen: Sequence[_Chosen]) -> list[float]:
    return [limit.celsius for __chosen in chosen for limit in __chosen.limits()]


def _limits(panel: Axes, chosen: Sequence[_Chosen]) -> None:
    """A line for each limit; drives with the same limit share it. Words keep off each other, and the curves if may be.

    A critical limit is drawn with dots between its dashes.
    """
    low, high = panel.get_ylim()
    tall = _LIMIT_WORDS * (high - low)
    taken: list[tuple[float, int]] = []
    for (celsius, kind), drives in points.shared_limits(chosen).items():
        colour = drives[0].colour if len(drives) == 1 else "#444444"
        dashes = (0, (8, 3, 1, 3)) if kind == "critical" else (0, (8, 3))
        panel.axhline(celsius, color=colour, linestyle=dashes, linewidth=1.1)
        free = [place for place in range(3) if all(place != at or celsius - below > tall for below, at in taken)]
        crossed = [_crossed(chosen, celsius, tall, place) for place in range(3)]
        column = min(free or range(3), key=lambda place: (crossed[place], place))
        taken.append((celsius, column))
        panel.annotate(
            f"{kind} limit{_whose(drives, chosen)}, {wording.celsius(celsius)}",
            (0.005 + 0.33 * column, celsius),
            xycoords=("axes fraction", "data"),
            xytext=(0, 1.5),
            textcoords="offset points",
            fontsize=SIZE - 1,
            color=colour,
            va="bottom",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6},
        )


_LIMIT_WORDS: Final = 0.075  # of the height, that the words of a limit take


def _crossed(chosen: Sequence[_Chosen], celsius: float, tall: float, column: int) -> int:
    """How many points of curves lie where the words of a limit would stand in that third of the time."""
    end = max((__chosen.track.seconds[-1] for __chosen in chosen if __chosen.track.seconds), default=0.0)
    count = 0
    for __chosen in chosen:
        times, values = __chosen.curve
        first, after = (bisect_left(times, end * part / 3) for part in (column, column + 1))
        count += sum(celsius - tall / 4 < value < celsius + tall for value in values[first:after])
    return count


def _whose(drives: Sequence[_Chosen], chosen: Sequence[_Chosen]) -> str:
    """Whose limit it is: nothing where it is that of all."""
    if len(drives) == len(chosen) > 1:
        return ""
    more = " and others" if len(drives) > _NAMED else ""
    return f" of {', '.join(drive.name for drive in drives[:_NAMED])}{more}"


def _slowing(panel: Axes, slowed: Sequence[_Chosen], unit: float) -> None:
    """A row for each drive that throttled, with the times."""
    panel.set_ylim(-0.6, len(slowed) - 0.4)
    panel.set_yticks([])
    panel.grid(visible=False)
    panel.set_ylabel("throttled", rotation=0, ha="right", va="center")
    sure = {"proved": "proved", "inferred": "inferred"}
    for row, __chosen in enumerate(reversed(slowed)):
        spans = [(start / unit, (end - start) / unit) for start, end in points.slowed_times(__chosen.drive)[:500]]
        panel.broken_barh(spans, (row - 0.35, 0.7), facecolor="white", edgecolor=__chosen.colour, hatch="/////")
        words = f"{__chosen.name}: {sure.get(__chosen.drive.throttling.kind, 'unclear')}"
        panel.annotate(
            words,
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            color=__chosen.colour,
            va="center",
            annotation_clip=False,
        )


def _rates(picture: Figure, panel: Axes, chosen: Sequence[_Chosen], unit: float) -> None:
    """Reading and writing of each drive, writing thinner and with crosses; what a drive never did is not drawn."""
    panel.set_ylabel("rate, MB/s")
    panel.yaxis.set_major_formatter("{x:,.0f}")
    ends = []
    seen = False
    for __chosen in chosen:
        for (way, width), (times, values) in zip((("reads", 1.5), ("writes", 0.8)), __chosen.rates(), strict=True):
            seen = seen or points.last_known(values) is not None
            middle = points.middle_loaded(values)
            if middle is None or not points.rises(values):
                continue
            look = {**__chosen.look(), **(WRITTEN if way == "writes" else {})}
            panel.plot([at / unit for at in times], values, linewidth=width, **look)
            ends.append((middle, f"{__chosen.name} {way}", __chosen))
    panel.set_ylim(bottom=0)
    if not ends:
        panel.set_ylim(0, 100)
        _nothing(panel, "no load" if seen else "no rate could be read")
    _names(picture, panel, ends, joined=False)


_NAMED: Final = 4


def _nothing(panel: Axes, words: str) -> None:
    panel.text(0.5, 0.5, words, transform=panel.transAxes, ha="center", va="center", color="#333333")


def _names(picture: Figure, panel: Axes, ends: Sequence[tuple[float, str, _Chosen]], *, joined: bool = True) -> None:
    """Names right of a panel at the heights of their lines, moved apart where they would cover each other.

    Each is `joined` to the end of its line, or has a piece of it beside itself.
    """
    low, high = panel.get_ylim()
    tall = panel.get_position().height * picture.get_figheight()
    places = points.apart([(value - low) / ((high - low) or 1.0) for value, _, _ in ends], NAME / tall)
    for (value, name, one), place in zip(ends, places, strict=True):
        begin = (value - low) / ((high - low) or 1.0) if joined else place
        panel.plot(
            [1.0 if joined else 1.01, 1.035],
            [begin, place],
            linewidth=0.8 if joined else 1.5,
            **({"color": one.colour} if joined else one.look(marks=False)),
            transform=panel.transAxes,
            clip_on=False,
            scalex=False,
            scaley=False,
        )
        panel.text(1.042, place, name, transform=panel.transAxes, color=one.colour, va="center")


# --- What happened ---------------------------------------------------------------------------------------------


def _lines(events: Sequence[Event], of: int) -> list[str]:
    """Events by their numbers, in words; of very many the first ones."""
    found = []
    for number, event in enumerate(events, 1):
        drive = f"{plain(event.drive, 16)}: " if event.drive else ""
        found.append(f"{number}  at {wording.moment(event.seconds)}  {drive}{plain(event.words, 110)}")
    if of > len(events):
        found.append(f"and {of - len(events):,} more events, which are not drawn")
    return found


def _marks(panels: Sequence[Axes], events: Sequence[Event], unit: float, end: float) -> None:
    """A line through all panels for each event, with its number above, moved aside where another stands there."""
    drawn_at = [(event.seconds / unit, str(number)) for number, event in enumerate(events, 1)]
    drawn_at = [mark for mark in drawn_at if 0 <= mark[0] <= end]
    above = panels[0].transAxes
    for (at, number), place in zip(drawn_at, points.apart([at / end for at, _ in drawn_at], CLOSE), strict=True):
        for panel in panels:
            panel.axvline(at, color="#555555", linewidth=0.8, linestyle=(0, (1, 2)))
        where: dict[str, Any] = {"transform": above, "clip_on": False, "scalex": False, "scaley": False}
        panels[0].plot([at / end, place], [1.0, 1.02], color="#555555", linewidth=0.6, **where)
        panels[0].text(place, 1.025, number, transform=above, fontsize=SIZE - 1, ha="center", va="bottom")
