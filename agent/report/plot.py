"""A soak as a picture: temperatures with limits, rates and events over time, for screens and for print.

Needs matplotlib (the extra `lanewright[plots]`), and nothing else here does. Gives the bytes of the picture and writes
no file. Each drive has its colour and its kind of line, and its name stands at the line's end. Text is drawn as it is:
text of logs passes `plain`, and nothing in it is taken for a formula.

Colours: the palette of Okabe and Ito, "Color Universal Design" (2008), which people of all kinds of colour vision can
tell apart; its yellow is left out, as it is lost on white paper.
"""

from __future__ import annotations

from math import isfinite, nan
from typing import TYPE_CHECKING, Any, Final

from agent.report.plain import plain
from agent.soak import wording
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from agent.soak.analysed import Analysis, DriveAnalysis
    from agent.soak.samples import Event, Soak, Track

COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
LINES: Final = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (3, 1, 1, 1, 1, 1)))
MOST_POINTS: Final = 1500  # across the picture; more could not be told apart
MOST_DRIVES: Final = 12
MOST_EVENTS: Final = 9
WIDTH: Final = 10.0  # inches
DOTS: Final = 160  # an inch, for .png
SIZE: Final = 9.0  # points, of text
LEFT: Final = 0.08  # of the width, where the panels begin
RIGHT: Final = 0.82
LINE: Final = 0.19  # inches from a line of words to the next
NAME: Final = 0.17  # inches from a name beside a panel to the next
CLOSE: Final = 0.015  # of the width; events closer than that share a mark
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
    return [one for one in chosen if one.drive.throttling.spans]


def _draw(picture: Figure, soak: Soak, found: Analysis) -> None:
    """Temperatures above, rates below, between them when drives throttled; under all of it events in words."""
    unit, name = _unit(found.seconds)
    chosen = _drives(soak, found)
    slowed = _slowed(chosen)
    events = list(found.events[:MOST_EVENTS])
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


def _unit(seconds: float) -> tuple[float, str]:
    if seconds <= 5 * wording.MINUTE:
        return 1.0, "s"
    return (wording.MINUTE, "min") if seconds <= 5 * wording.HOUR else (wording.HOUR, "h")


def _title(picture: Figure, found: Analysis, height: float, left_out: int) -> None:
    head = found.head
    machine = plain(head.machine, 60) if head.machine else "a machine without a name"
    more = f"; {left_out} drives farther from their limits are not drawn" if left_out > 0 else ""
    picture.text(
        LEFT, 1 - 0.12 / height, f"Soak of {machine}, begun {plain(head.started_at, 40)}", fontsize=SIZE + 3, va="top"
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


class _Chosen:
    """A drive that is drawn: what is known of it, its colour and kind of line."""

    def __init__(self, track: Track, drive: DriveAnalysis, number: int) -> None:
        self.track = track
        self.drive = drive
        self.name = plain(drive.head.name, 16)
        self.colour = COLOURS[number % len(COLOURS)]
        self.line: Any = LINES[number % len(LINES)]


def _drives(soak: Soak, found: Analysis) -> list[_Chosen]:
    """The drives that are drawn; of very many those that came nearest to their limits."""
    pairs = list(zip(soak.tracks, found.drives, strict=True))
    if len(pairs) > MOST_DRIVES:
        nearest = sorted(range(len(pairs)), key=lambda place: _margin(pairs[place][1]))[:MOST_DRIVES]
        pairs = [pairs[place] for place in sorted(nearest)]
    return [_Chosen(track, drive, number) for number, (track, drive) in enumerate(pairs)]


def _margin(drive: DriveAnalysis) -> float:
    if drive.temperatures is None:
        return 1e9
    return (1e6 if drive.limit is None else drive.limit.celsius) - drive.temperatures.most


# --- Panels ----------------------------------------------------------------------------------------------------


def _temperatures(picture: Figure, panel: Axes, chosen: Sequence[_Chosen], unit: float) -> None:
    panel.set_ylabel("temperature, C")
    ends = []
    for one in chosen:
        times, values = thinned(one.track.seconds, one.track.celsius, most=True)
        panel.plot([at / unit for at in times], values, color=one.colour, linestyle=one.line, linewidth=1.6)
        last = next((value for value in reversed(values) if isfinite(value)), None)
        if last is not None:
            ends.append((last, one.name, one))
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
    return [one.drive.limit.celsius for one in chosen if one.drive.limit is not None]


def _limits(panel: Axes, chosen: Sequence[_Chosen]) -> None:
    """A line for each limit; drives with the same limit share it. Words that would cover others stand further on."""
    shared: dict[tuple[float, str], list[_Chosen]] = {}
    for one in chosen:
        if one.drive.limit is not None:
            shared.setdefault((one.drive.limit.celsius, one.drive.limit.kind), []).append(one)
    low, high = panel.get_ylim()
    before, column = -1e9, 0
    for (celsius, kind), drives in sorted(shared.items()):
        colour = drives[0].colour if len(drives) == 1 else "#444444"
        panel.axhline(celsius, color=colour, linestyle=(0, (8, 3)), linewidth=1.1)
        column = (column + 1) % 3 if celsius - before < 0.07 * (high - low) else 0
        before = celsius
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


def _whose(drives: Sequence[_Chosen], chosen: Sequence[_Chosen]) -> str:
    """Whose limit it is: nothing where it is that of all."""
    if len(drives) == len(chosen) > 1:
        return ""
    more = " and others" if len(drives) > _NAMED else ""
    return f" of {', '.join(one.name for one in drives[:_NAMED])}{more}"


def _slowing(panel: Axes, slowed: Sequence[_Chosen], unit: float) -> None:
    """A row for each drive that throttled, with the times."""
    panel.set_ylim(-0.6, len(slowed) - 0.4)
    panel.set_yticks([])
    panel.grid(visible=False)
    panel.set_ylabel("throttled", rotation=0, ha="right", va="center")
    sure = {"proved": "proved", "inferred": "by all signs"}
    for row, one in enumerate(reversed(slowed)):
        spans = [(span.start / unit, (span.end - span.start) / unit) for span in one.drive.throttling.spans[:500]]
        panel.broken_barh(spans, (row - 0.35, 0.7), facecolor="white", edgecolor=one.colour, hatch="/////")
        words = f"{one.name}: {sure.get(one.drive.throttling.kind, 'unclear')}"
        panel.annotate(
            words,
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            color=one.colour,
            va="center",
            annotation_clip=False,
        )


def _rates(picture: Figure, panel: Axes, chosen: Sequence[_Chosen], unit: float) -> None:
    """Reading and writing of each drive, writing thinner; what a drive never did is not drawn."""
    panel.set_ylabel("rate, MB/s")
    panel.yaxis.set_major_formatter("{x:,.0f}")
    ends = []
    seen = False
    for one in chosen:
        for values, way, width in ((one.track.read_mbps, "reads", 1.5), (one.track.write_mbps, "writes", 0.8)):
            times, shown = thinned(one.track.seconds, values, most=False)
            known = [value for value in shown if isfinite(value)]
            seen = seen or bool(known)
            if not known or max(known) < _LEAST_RATE:
                continue
            panel.plot([at / unit for at in times], shown, color=one.colour, linestyle=one.line, linewidth=width)
            loaded = sorted(value for value in known if value >= max(known) / 10)
            ends.append((loaded[len(loaded) // 2], f"{one.name} {way}", one))
    panel.set_ylim(bottom=0)
    if not ends:
        panel.set_ylim(0, 100)
        _nothing(panel, "no load" if seen else "no rate could be read")
    _names(picture, panel, ends, joined=False)


_LEAST_RATE: Final = 0.1  # MB/s
_NAMED: Final = 4


def _nothing(panel: Axes, words: str) -> None:
    panel.text(0.5, 0.5, words, transform=panel.transAxes, ha="center", va="center", color="#333333")


def _names(picture: Figure, panel: Axes, ends: Sequence[tuple[float, str, _Chosen]], *, joined: bool = True) -> None:
    """Names right of a panel at the heights of their lines, moved apart where they would cover each other.

    Each is `joined` to the end of its line, or has a piece of it beside itself.
    """
    low, high = panel.get_ylim()
    tall = panel.get_position().height * picture.get_figheight()
    places = apart([(value - low) / ((high - low) or 1.0) for value, _, _ in ends], NAME / tall)
    for (value, name, one), place in zip(ends, places, strict=True):
        begin = (value - low) / ((high - low) or 1.0) if joined else place
        panel.plot(
            [1.0 if joined else 1.01, 1.035],
            [begin, place],
            color=one.colour,
            linewidth=0.8 if joined else 1.5,
            linestyle="-" if joined else one.line,
            transform=panel.transAxes,
            clip_on=False,
            scalex=False,
            scaley=False,
        )
        panel.text(1.042, place, name, transform=panel.transAxes, color=one.colour, va="center")


def apart(places: Sequence[float], gap: float) -> list[float]:
    """Places from 0 to 1 moved as little as need be so that `gap` lies between neighbours, order kept.

    Where they cannot all keep the gap they are spread evenly.
    """
    count = len(places)
    gap = min(gap, 1.0 / max(1, count - 1))
    order = sorted(range(count), key=lambda place: (places[place], place))
    moved = [min(1.0, max(0.0, places[place])) for place in order]
    for place in range(1, count):
        moved[place] = max(moved[place], moved[place - 1] + gap)
    if moved and moved[-1] > 1.0:
        moved[-1] = 1.0
        for place in range(count - 2, -1, -1):
            moved[place] = min(moved[place], moved[place + 1] - gap)
    found = [0.0] * count
    for place, value in zip(order, moved, strict=True):
        found[place] = value
    return found


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
    """A line through all panels for each event, with its number on top; numbers that are close stand together."""
    groups: list[tuple[float, list[int]]] = []
    for number, event in sorted(enumerate(events, 1), key=lambda one: one[1].seconds):
        at = event.seconds / unit
        if not 0 <= at <= end:
            continue
        for panel in panels:
            panel.axvline(at, color="#555555", linewidth=0.8, linestyle=(0, (1, 2)))
        if groups and at - groups[-1][0] < CLOSE * end:
            groups[-1][1].append(number)
        else:
            groups.append((at, [number]))
    for at, numbers in groups:
        panels[0].annotate(
            ", ".join(map(str, numbers)),
            (at, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            fontsize=SIZE - 1,
            ha="center",
            va="bottom",
        )


# --- Points ----------------------------------------------------------------------------------------------------


def thinned(times: Sequence[float], values: Sequence[float], *, most: bool) -> tuple[list[float], list[float]]:
    """As many points as a picture can show: of each stretch the greatest value (`most`) or the mean, nan for none."""
    count = len(times)
    if count <= MOST_POINTS:
        return list(times), [value if isfinite(value) else nan for value in values]
    size = -(-count // MOST_POINTS)
    shown_times, shown = [], []
    for start in range(0, count, size):
        known = [value for value in values[start : start + size] if isfinite(value)]
        shown_times.append(times[start])
        shown.append(nan if not known else max(known) if most else sum(known) / len(known))
    return shown_times, shown
