"""The drawing of a soak on the page: where lines, limits, throttling and events stand."""

from __future__ import annotations

import re
from itertools import pairwise
from math import nan

import pytest

from agent.report.page.plot import MOST_DRIVES, NARROW, WIDE, plots, steps
from agent.soak.analysed import Limit
from tests import shown
from tests.pages import soaked


def points(path: tuple[str, ...]) -> list[tuple[str, float, float]]:
    """The points of a line with the pen's word before each."""
    found = [re.fullmatch(r"([ML])([0-9.]+) ([0-9.]+)", piece) for piece in path]
    return [(one[1], float(one[2]), float(one[3])) for one in found if one is not None]


def test_a_line_goes_through_its_values() -> None:
    """The first sample stands at the left edge, the last at the right, warmer ones higher, all inside the panel."""
    for plot in plots(*soaked()):
        warm = plot.panels[0]
        line = points(warm.curves[0].path)
        assert len(warm.curves[0].path) == len(line)
        assert (plot.paper.left, plot.right) == (line[0][1], line[-1][1])
        assert line[0][2] > line[-1][2]  # 36 C at first, 83 C at last; heights grow downwards
        assert [] == [one for one in line if not warm.top <= one[2] <= warm.bottom]


def test_the_scale_is_told_by_its_marks() -> None:
    """A value stands where the marks of the axis say: between two marks it stands in proportion."""
    head = shown.drive_head("nvme0", warning_celsius=None, critical_celsius=None)
    track = shown.track(head, [40.0] * 600 + [70.0] * 601, [0.0] * 1201)
    (wide, _) = plots(shown.logged(track), shown.analysis(shown.cool("nvme0", head=head, limit=None)))
    marks = {float(one.words): one.at for one in wide.panels[0].ticks}
    (low, at_low), *_, (high, at_high) = sorted(marks.items())
    line = points(wide.panels[0].curves[0].path)
    for celsius, height in ((40.0, line[0][2]), (70.0, line[-1][2])):
        expected = at_low + (at_high - at_low) * (celsius - low) / (high - low)
        assert pytest.approx(expected, abs=0.2) == height


def test_what_is_not_known_leaves_a_gap() -> None:
    """A line is lifted over times without readings."""
    head = shown.drive_head("nvme0")
    track = shown.track(head, [40.0] * 400 + [nan] * 400 + [50.0] * 401, [0.0] * 1201)
    (wide, _) = plots(shown.logged(track), shown.analysis(shown.cool("nvme0", head=head)))
    pens = [one[0] for one in points(wide.panels[0].curves[0].path)]
    assert 2 == pens.count("M")
    across = [one[1] for one in points(wide.panels[0].curves[0].path)]
    third = (wide.right - WIDE.left) / 3
    assert third - 3 < max(after - before for before, after in pairwise(across)) < third + 3


def test_without_readings_the_drawing_says_so() -> None:
    """A soak in which nothing could be read has no line and says why."""
    head = shown.drive_head("nvme0")
    track = shown.track(head, [nan] * 1201, [nan] * 1201, [nan] * 1201)
    found = shown.analysis(shown.cool("nvme0", head=head, temperatures=None, load=None))
    for plot in plots(shown.logged(track), found):
        assert ["no temperature could be read", "no load, or no rate could be read"] == [
            panel.empty for panel in plot.panels
        ]


def test_limits_throttling_and_events_stand_at_their_places() -> None:
    """Both limits have a line and words, throttling a bar from its first fall on, events numbers at their times."""
    (wide, narrow) = plots(*soaked())
    assert ["warning limit 82 C", "critical limit 85 C"] == [rule.words for rule in wide.panels[0].rules]
    assert [False, True] == [rule.critical for rule in wide.panels[0].rules]
    across = wide.right - WIDE.left
    (left, broad) = wide.slowed[0].spans[0]
    assert pytest.approx(WIDE.left + across * 220 / 1200, abs=0.2) == left  # the span of `shown.hot`: 220 s to 950 s
    assert pytest.approx(across * 730 / 1200, abs=0.2) == broad
    assert [1, 2] == [mark.number for mark in wide.marks]
    assert pytest.approx(WIDE.left + across * 300 / 1200, abs=0.2) == wide.marks[1].at
    assert (WIDE, NARROW) == (wide.paper, narrow.paper)


def test_names_do_not_cover_each_other() -> None:
    """Names beside a panel keep a line's height between them, also where the lines end together."""
    heads = [shown.drive_head(f"nvme{number}") for number in range(6)]
    log = shown.logged(*(shown.track(one, [50.0] * 1201, [100.0] * 1201) for one in heads))
    found = shown.analysis(*(shown.cool(one.name, head=one) for one in heads))
    for plot in plots(log, found):
        for panel in plot.panels:
            heights = sorted(name.at for name in panel.names)
            assert 6 == len(heights)
            assert [] == [1 for one, next_one in pairwise(heights) if next_one - one < 12]


def test_of_many_drives_those_nearest_to_their_limits_are_drawn() -> None:
    """More drives than can be told apart are not drawn: those with the least margin are, in their order."""
    heads = [shown.drive_head(f"nvme{number}") for number in range(MOST_DRIVES + 3)]
    log = shown.logged(*(shown.track(one, [50.0] * 10, [0.0] * 10) for one in heads))
    drives = [
        shown.cool(one.name, head=one, limit=Limit(70.0 + 10 * (number < 3), "warning"))
        for number, one in enumerate(heads)
    ]
    (wide, _) = plots(log, shown.analysis(*drives))
    assert [f"nvme{number}" for number in range(3, MOST_DRIVES + 3)] == [name.words for name in wide.panels[0].names]


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0.0, 20.0, 4, [0, 5, 10, 15, 20]),
        (34.0, 90.0, 5, [40, 60, 80]),
        (0.0, 3132.0, 4, [0, 1000, 2000, 3000]),
        (0.0, 0.9, 4, [0, 0.5]),
        (5.0, 5.0, 4, [5]),
    ],
)
def test_marks_of_an_axis_are_round(low: float, high: float, most: int, expected: list[float]) -> None:
    """Marks are ones, twos or fives of a power of ten, from the least to the greatest value."""
    assert pytest.approx(expected) == steps(low, high, most)


def test_what_is_written_has_crosses() -> None:
    """Reading and writing of one drive are told apart without colour: the line of writing has crosses on it."""
    head = shown.drive_head("nvme0")
    track = shown.track(head, [50.0] * 1201, [900.0] * 1201, [400.0] * 1201)
    for plot in plots(shown.logged(track), shown.analysis(shown.cool("nvme0", head=head))):
        read, written = plot.panels[1].curves
        assert (False, ()) == (read.thin, read.crosses)
        assert written.thin
        assert len(written.crosses) > 5
        heights = {float(piece.split(" ")[1]) for piece in written.path}
        assert {height for _, height in written.crosses} <= heights
