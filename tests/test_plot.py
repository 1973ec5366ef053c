"""Pictures of soaks: what is in them, that they are drawn whatever the log says, and what is said without the library.

What is drawn is read from the figure's own objects; the files are held against the PNG and SVG standards.
"""

from __future__ import annotations

import subprocess
import sys
import zlib
from itertools import pairwise
from math import inf, isnan, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from msgspec import structs

from agent.report import plot, plot_points
from agent.soak.analysed import Limit, Loop, Throttling, TimeSpan
from probes.samples import Event
from tests.shown import HOSTILE, analysis, cool, drive_head, head, hot, logged, track
from tests.test_page_style import BLOCKS

if TYPE_CHECKING:
    from matplotlib.lines import Line2D

    from agent.soak.analysed import Analysis, DriveAnalysis
    from probes.samples import Soak

HERE: Final = Path(__file__).resolve().parent.parent
SVG: Final = "{http://www.w3.org/2000/svg}"
MISSING: Final = "lanewright: drawing a soak needs matplotlib"


def made(*drives: DriveAnalysis, count: int = 300, **more: Any) -> tuple[Soak, Analysis]:  # noqa: ANN401 - fields of Analysis
    """A soak with a track for each drive, and the analysis."""
    warm = [36.0 + 40.0 * second / count for second in range(count)]
    tracks = [track(drive.head, warm, [nan, *([2900.0] * (count - 1))]) for drive in drives]
    found = analysis(*drives, seconds=float(count), **more)
    return logged(*tracks, events=found.events, head=found.head), found


def figure(soak: Soak, found: Analysis) -> Figure:
    """The figure before it is written."""
    picture = Figure()
    FigureCanvasAgg(picture)
    plot._draw(picture, soak, found)  # noqa: SLF001 - what is drawn can be read here only
    return picture


def texts(picture: Figure) -> list[str]:
    """All words of a picture but the figures on its axes."""
    found = [one.get_text() for one in picture.texts]
    for panel in picture.axes:
        found += [one.get_text() for one in panel.texts]
        found += [panel.get_ylabel(), panel.get_xlabel()]
    return found


def heights(line: Line2D) -> list[float]:
    """The values of a line."""
    return [float(value) for value in np.asarray(line.get_ydata(), dtype=float)]


def luminance(colour: str) -> float:
    """How light a colour is, 0 to 1. Source: WCAG 2.2, relative luminance."""
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# --- Files ---------------------------------------------------------------------------------------------------------


def test_a_png_is_one() -> None:
    """The bytes are a PNG: its signature, a header, chunks whose sums agree, an end. Source: PNG, 5.2 and 5.3."""
    data = plot.drawn(*made(hot(), cool()), "png")
    assert b"\x89PNG\r\n\x1a\n" == data[:8]
    kinds, place = [], 8
    while place < len(data):
        size = int.from_bytes(data[place : place + 4])
        kind, body = data[place + 4 : place + 8], data[place + 8 : place + 8 + size]
        assert int.from_bytes(data[place + 8 + size : place + 12 + size]) == zlib.crc32(kind + body)
        kinds.append(kind)
        place += 12 + size
    assert (b"IHDR", b"IEND") == (kinds[0], kinds[-1])
    width = int.from_bytes(data[16:20])
    assert plot.WIDTH * plot.DOTS == width


def test_an_svg_is_one() -> None:
    """The bytes are XML whose root is an SVG, without scripts, links to elsewhere or text that a page could run."""
    root = ET.fromstring(plot.drawn(*made(hot(), cool()), "svg"))  # noqa: S314 - made by ourselves
    assert f"{SVG}svg" == root.tag
    assert [] == [one.tag for one in root.iter() if one.tag in {f"{SVG}script", f"{SVG}image", f"{SVG}foreignObject"}]
    links = [value for one in root.iter() for name, value in one.attrib.items() if name.endswith("href")]
    assert all(link.startswith("#") for link in links)


@pytest.mark.parametrize("form", ["png", "svg"])
def test_the_same_soak_gives_the_same_picture(form: str) -> None:
    """Drawn twice, a soak gives the same bytes: no date and no chance is in them."""
    assert plot.drawn(*made(hot()), form) == plot.drawn(*made(hot()), form)


@pytest.mark.long
@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_are_drawn_and_do_nothing(text: str) -> None:
    """Names that look like formulas, markup or commands of a terminal are drawn as they are."""
    drive = hot(head=drive_head(text))
    soak, found = made(
        drive,
        head=head(drive.head, machine=text, command=(text,), started_at=text),
        events=(Event(3.0, "link", text, text),),
    )
    for form in ("png", "svg"):
        assert plot.drawn(soak, found, form)
    assert all(words.isprintable() for words in texts(figure(soak, found)))
    assert b"<script" not in plot.drawn(soak, found, "svg")


# --- What is in it -------------------------------------------------------------------------------------------------


def test_the_picture_has_temperatures_limits_rates_and_events() -> None:
    """Each drive has a line of temperature and of rate under its name, its limit, its throttling, and what happened."""
    soak, found = made(hot("nvme1"), cool("nvme0", limit=Limit(69.85, "critical")))
    picture = figure(soak, found)
    warmth, slow, work = picture.axes
    assert ["temperature, C", "throttled", "rate, MB/s"] == [panel.get_ylabel() for panel in picture.axes]
    said = texts(picture)
    for words in (
        *("nvme1", "nvme0", "nvme1 reads", "nvme0 reads", "nvme1: proved", "time since the start, s"),
        *("warning limit, 82 C", "critical limit, 85 C", "critical limit of nvme0, 70 C"),
        *("1  at 0:05:00  nvme1: its link went to 2.5 GT/s (Gen 1) x4", "1"),
        *("Soak of bench-1, started 2026-03-02 09:00 UTC", "5 min, command: ingest reel-4"),
    ):
        assert words in said
    assert list(soak.tracks[0].celsius) in [heights(line) for line in warmth.get_lines()]
    assert 2900.0 in [max(heights(line)[1:], default=0.0) for line in work.get_lines()]
    assert 1 == len(slow.collections)


def test_a_drive_that_writes_has_a_line_of_its_own() -> None:
    """Writing is drawn beside reading, and what a drive never did is not drawn."""
    drive = cool("sda")
    found = analysis(drive, seconds=100.0)
    soak = logged(track(drive.head, [30.0] * 100, [0.0] * 100, [450.0] * 100))
    picture = figure(soak, found)
    said = texts(picture)
    assert "sda writes" in said
    assert "sda reads" not in said
    assert "x" in {line.get_marker() for line in picture.axes[-1].get_lines()}  # told apart without colour


def test_each_fall_of_a_loop_is_marked() -> None:
    """Where a drive was seen to keep itself cool, each of its falls has a bar of its own."""
    spans = (TimeSpan(10.0, 20.0), TimeSpan(40.0, 50.0))
    loop = Loop(
        onset=70.0,
        scatter=0.3,
        back=67.0,
        times=2,
        returns=2,
        before_mbps=2.0,
        during_mbps=1.0,
        against=(),
        spans=spans,
    )
    drive = hot(throttling=Throttling("inferred", "", (), (TimeSpan(10.0, 50.0),)), loop=loop)
    assert [(10.0, 20.0), (40.0, 50.0)] == plot_points.slowed_times(drive)
    unsure = structs.replace(drive, loop=structs.replace(loop, against=("rhythm",)), falls=())
    assert [(10.0, 50.0)] == plot_points.slowed_times(unsure)


def test_nothing_known_is_said_in_words() -> None:
    """A soak without any reading is drawn as such, and so is one without drives or samples."""
    drive = cool(temperatures=None, load=None, limit=None)
    found = analysis(drive, seconds=100.0, events=())
    said = texts(figure(logged(track(drive.head, [nan] * 100, [nan] * 100, [nan] * 100)), found))
    assert "no temperature could be read" in said
    assert "no rate could be read" in said
    for soak, bare in ((logged(), analysis(seconds=0.0)), (logged(track(drive.head, [], [])), found)):
        assert plot.drawn(soak, bare, "png")


def test_drives_are_told_apart_without_colour() -> None:
    """Twelve drives differ in colour or kind of line, each pair; no colour is lost on white paper."""
    soak, found = made(*(cool(f"nvme{number}") for number in range(12)))
    chosen = plot._drives(soak, found)  # noqa: SLF001 - how drives are drawn
    assert 12 == len({(one.colour, str(one.line), one.mark) for one in chosen})
    assert 12 == len({(one.colour, one.mark) for one in chosen})  # whatever the line
    # WCAG 2.2, success criterion 1.4.11: 3:1 for graphics.
    assert 7 == len(set(plot.COLOURS))
    assert min((1.0 + 0.05) / (luminance(colour) + 0.05) for colour in plot.COLOURS) >= 3.0


def test_the_colours_are_those_of_the_page() -> None:
    """A drive has the same colour in the picture and on the page, as far as the picture has one of its own."""
    names = ("one", "two", "three", "four", "five", "six", "seven")
    assert [BLOCKS["light"][name] for name in names] == list(plot.COLOURS)


def test_of_very_many_drives_the_nearest_to_their_limits_are_drawn() -> None:
    """Of forty drives twelve are drawn, among them the one that passed its limit, and the picture says so."""
    soak, found = made(*(cool(f"nvme{number}") for number in range(39)), hot("nvme39"))
    said = texts(figure(soak, found))
    assert "nvme39" in said
    assert any("28 drives further below their limits are not drawn" in words for words in said)


def test_very_many_events_are_counted() -> None:
    """Of a thousand events the first ones are drawn and the others counted; the numbers of close ones lie apart."""
    events = tuple(Event(number * 0.3, "errors", "nvme0", f"burst {number}") for number in range(1000))
    soak, found = made(cool(), events=events)
    picture = figure(soak, found)
    said = texts(picture)
    assert f"and {1000 - plot_points.MOST_EVENTS} more events, which are not drawn" in said
    canvas = picture.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    canvas.draw()  # type: ignore[no-untyped-call]
    numbers = [one for one in picture.axes[0].texts if one.get_text().isdigit()]
    assert [str(number) for number in range(1, 10)] == [one.get_text() for one in numbers]
    boxes = [one.get_window_extent() for one in numbers]
    assert all(before.x1 < after.x0 for before, after in pairwise(boxes))


def test_the_words_of_a_limit_keep_off_the_curves() -> None:
    """Where a curve runs along a limit for a part of the time, the words stand in another part of it."""
    drive = hot(head=drive_head("nvme0", warning_celsius=76.0, critical_celsius=90.0))
    found = analysis(drive, seconds=300.0)
    at_limit = [77.0 if second < 100 else 60.0 for second in range(300)]
    panel = figure(logged(track(drive.head, at_limit, [2900.0] * 300)), found).axes[0]
    places = {one.get_text(): one.xy[0] for one in panel.texts if isinstance(one, Annotation)}
    assert places["warning limit of nvme0, 76 C"] > 1 / 3
    assert places["critical limit of nvme0, 90 C"] < 1 / 3


def test_the_bar_of_throttling_begins_with_the_fall() -> None:
    """Counters that are asked each minute put the time of throttling in that minute; the rate tells from when on."""
    (fall, *_) = hot().falls
    drive = hot(
        falls=(structs.replace(fall, start=100.0, end=170.0),),
        throttling=Throttling(
            "proved", "", (), (TimeSpan(60.0, 120.0), TimeSpan(120.0, 180.0), TimeSpan(240.0, 300.0))
        ),
    )
    assert [(100.0, 120.0), (120.0, 180.0), (240.0, 300.0)] == plot_points.slowed_times(drive)


def test_every_kind_of_throttling_has_its_words() -> None:
    """The row of a drive that throttled says how sure that is."""
    for kind, words in (("proved", "proved"), ("inferred", "inferred"), ("unclear", "unclear")):
        drive = cool(throttling=Throttling(kind, "", (), (TimeSpan(1.0, 9.0),)))  # type: ignore[arg-type]
        assert f"nvme0: {words}" in texts(figure(*made(drive)))


def test_no_two_names_cover_each_other() -> None:
    """Twelve drives of one temperature and rate have names that lie apart, none outside the picture."""
    soak, found = made(*(cool(f"nvme{number}") for number in range(12)))
    picture = figure(soak, found)
    canvas = picture.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    canvas.draw()  # type: ignore[no-untyped-call]
    for panel in picture.axes:
        boxes = [one.get_window_extent() for one in panel.texts if one.get_text().startswith("nvme")]
        assert 12 == len(boxes)
        ordered = sorted(boxes, key=lambda box: box.y0)
        overlaps = [above.y0 - below.y1 for below, above in pairwise(ordered)]
        assert min(overlaps) > -1.0
        assert all(box.x1 <= picture.bbox.x1 for box in boxes)


# --- Points --------------------------------------------------------------------------------------------------------


@given(st.lists(st.floats(0, 1), max_size=30), st.floats(0.001, 0.2))
def test_places_are_moved_apart_and_stay_inside(places: list[float], gap: float) -> None:
    """Names keep their order, stay within the panel, and lie the gap apart, or evenly where there is no room for it."""
    moved = plot_points.apart(places, gap)
    assert len(places) == len(moved)
    order = sorted(range(len(places)), key=lambda place: (places[place], place))
    kept = min(gap, 1.0 / max(1, len(places) - 1)) - 1e-9
    assert all(moved[after] - moved[before] >= kept for before, after in pairwise(order))
    assert all(-1e-9 <= place <= 1.0 + 1e-9 for place in moved)


@given(st.lists(st.one_of(st.floats(-50, 120), st.just(nan), st.just(inf)), max_size=5000))
def test_a_thinned_line_keeps_the_peak(values: list[float]) -> None:
    """However long a soak is, a line has a bounded number of points, and the hottest moment is one of them."""
    times = [float(number) for number in range(len(values))]
    shown_times, shown = plot_points.thinned(times, values, most=True)
    assert len(shown) == len(shown_times) <= plot_points.MOST_POINTS
    known = [value for value in values if value not in {inf, -inf} and not isnan(value)]
    assert max(known, default=None) == max((value for value in shown if not isnan(value)), default=None)


def test_thinned_rates_keep_the_amount() -> None:
    """A thinned line of rates shows means, so that the area below it stays what was read."""
    values = [float(number % 7) for number in range(6000)]
    _, shown = plot_points.thinned([float(number) for number in range(6000)], values, most=False)
    assert sum(values) / len(values) == pytest.approx(sum(shown) / len(shown), rel=1e-6)


# --- Without the library -------------------------------------------------------------------------------------------


def test_without_matplotlib_one_sentence_says_what_to_install(tmp_path: Path) -> None:
    """A picture that cannot be drawn is refused before anything is logged, in one sentence with the cure."""
    hide = tmp_path / "hide.py"
    hide.write_text(
        "import sys\n"
        "class Hide:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.split('.')[0] == 'matplotlib':\n"
        "            raise ModuleNotFoundError(name)\n"
        "import importlib.util\n"
        "find = importlib.util.find_spec\n"
        "importlib.util.find_spec = lambda name, package=None: None if name == 'matplotlib' else find(name, package)\n"
        "sys.meta_path.insert(0, Hide())\n"
        "from agent.cli import main\n"
        "main(sys.argv[1:], prog_name='lanewright')\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, str(hide), "soak", "--for", "1s", "--plot", str(tmp_path / "soak.png")],
        cwd=HERE,
        env={"PYTHONPATH": str(HERE), "XDG_STATE_HOME": str(tmp_path / "state"), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    assert (2, "") == (done.returncode, done.stdout)
    assert 1 == len(done.stderr.splitlines())
    assert done.stderr.startswith(MISSING)
    assert "pip install 'lanewright[plots]'" in done.stderr
    assert [] == [one.name for one in tmp_path.iterdir() if one.name != "hide.py"]
