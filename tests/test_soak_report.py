"""What shows a soak: its page, its JSON, the view while it runs. All that is known is there, whatever the names."""

from __future__ import annotations

import io
import platform
import re
import sys
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from agent.commands.session import named_here
from agent.model.findings import Evidence, Rate, Step
from agent.report import data, schemas, soak_data, soaking
from agent.report.live import LiveView
from agent.report.watching import LEVELS, MOST_HISTORY, PLAIN_LEVELS, DriveNow, History, Lines
from agent.soak.analysed import Cooling, Fall, Forecast, Throttling, TimeSpan
from agent.soak.analysis import analyse
from knowledge.phrasing import plain
from probes.redact_text import host_name
from probes.samples import DriveSample, End, Event, Moment
from probes.tokens import Known
from tests import soaks
from tests.json_schema import problems
from tests.shown import HOSTILE, analysis, cool, drive_head, head, hot

if TYPE_CHECKING:
    from agent.report.paper import Page
    from agent.soak.analysed import Analysis, DriveAnalysis
    from probes.samples import Head

WIDTHS: Final = (40, 52, 80, 100, 160)
EVENT_WORDS: Final = "its link went to 2.5 GT/s (Gen 1) x4"
every_width = pytest.mark.parametrize("width", WIDTHS)


def lines(page: Page) -> list[str]:
    """The lines of a page."""
    return [line.plain for line in page.lines]


def words(page: Page) -> str:
    """A page as one line with single spaces, as wrapping does not matter."""
    return re.sub(r"\s+", " ", " ".join(lines(page)))


def shown(found: Analysis, width: int = 80) -> Page:
    """The whole page of an analysis."""
    return soaking.whole(found, width, found.source)


def short(found: Analysis, width: int = 80) -> Page:
    """The short page of an analysis."""
    return soaking.analysis(found, width, found.source)


def form(found: Analysis) -> dict[str, Any]:
    """The JSON of an analysis."""
    decoded: dict[str, Any] = msgspec.json.decode(data.encode(soak_data.soak(found)))
    return decoded


# --- The page ------------------------------------------------------------------------------------------------------


@every_width
def test_the_page_says_all_that_the_analysis_says(width: int) -> None:
    """Every sentence, every reading and every event of the analysis stands on the page, at any width."""
    found = analysis(hot(), cool())
    page = words(shown(found, width))
    drive = found.drives[0]
    for sentence in (
        *(drive.throttling.words, drive.forecast.words, drive.cooling.words, drive.falls[0].words),
        *(drive.link_changes[0].words, drive.error_bursts[0].words, drive.notes[0], EVENT_WORDS),
        *(drive.cooling.steps[0].text, drive.cooling.steps[0].verify, *drive.cooling.steps[0].cautions),
        *(found.drives[1].forecast.words, found.drives[1].cooling.words, "ingest reel-4", "bench-1"),
        *("light thermal management, times: 13 more", "highest temperature: 83 C", "Package id 0: 40 C to 71 C"),
    ):
        assert sentence in page


@every_width
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    """No line of the page is wider than the terminal."""
    for page in (shown(analysis(hot(), cool()), width), short(analysis(hot(), cool()), width)):
        assert [] == [line for line in lines(page) if cell_len(line) > width]


@every_width
def test_the_short_page_keeps_what_failed_and_what_to_do(width: int) -> None:
    """The short page has the answer first, what went wrong, what was not read, and the first steps with cautions."""
    found = analysis(hot(), cool(), structs.replace(idle("nvme2", 40.0), temperatures=None))
    page = short(found, width)
    said, drive = words(page), found.drives[0]
    assert lines(page)[0].startswith("nvme1: dropped out")
    for sentence in (
        *(drive.link_changes[0].words, drive.error_bursts[0].words, drive.falls[0].words, drive.notes[0]),
        *(found.notes[0], "the drive was gone", "temperature could not be read", *drive.cooling.steps[0].cautions),
    ):
        assert sentence[1:] in said
    assert "..." not in said
    assert drive.cooling.steps[0].verify not in said


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_soak_of_one_drive_fits_a_screen(width: int) -> None:
    """The short page of a drive that is well is a few lines, of one that slowed itself one screen, cut nowhere."""
    well, slowed = (soaking.analysis(analyse(soaks.soak(make)), width, "x") for make in (soaks.cool(), soaks.hot()))
    assert len(well.lines) <= (12 if width >= 80 else 14)
    assert len(slowed.lines) <= (36 if width >= 80 else 45)
    assert "Move air" in words(slowed)
    assert [] == [line for line in [*lines(well), *lines(slowed)] if "..." in line or cell_len(line) > width]


def test_drives_at_rest_are_told_what_to_do_once() -> None:
    """Of many drives without load the short page says once what to do, and has no part of its own for each."""
    page = short(analysis(*(resting(f"nvme{number}") for number in range(8)), events=(), notes=()))
    assert 1 == words(page).count("Run a soak with the real workload")
    assert len(page.lines) < 20


@every_width
@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_are_shown_harmlessly(text: str, width: int) -> None:
    """Names, words and commands of a log act on no terminal, break no line and pass for no markup."""
    drive = hot(head=drive_head(text, model=text, address=text), notes=(text,))
    found = analysis(
        drive,
        head=head(drive.head, machine=text, command=("run", text), started_at=text),
        source=text,
        events=(Event(1.0, text, text, text),),
        notes=(text,),
        end=End(9.0, text, 3),
    )
    for page in (
        shown(found, width),
        short(found, width),
        soaking.logs([(text, found.head, found.end, 9.0)], width, text),
    ):
        shown_lines = lines(page)
        assert all(line.isprintable() for line in shown_lines)
        assert [] == [line for line in shown_lines if cell_len(line) > width]
    squeezed = re.sub(r"\s+", "", words(shown(found, width)))
    assert re.sub(r"\s+", "", plain(text, 100)).removesuffix("...")[:30] in squeezed


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        ("proved", "throttled"),
        ("inferred", "throttled (inferred)"),
        ("unclear", "may have throttled"),
        ("unknown", "throttling not known"),
        ("none", "no throttling"),
    ],
)
def test_the_answer_says_first_what_became_of_a_drive(kind: str, word: str) -> None:
    """Above all else one sentence says of each drive whether it throttled, in words beside the colour."""
    found = analysis(cool(throttling=Throttling(kind, "so it is")), notes=())  # type: ignore[arg-type]
    assert f"nvme0: {word}." in lines(shown(found))


def test_the_worst_drive_comes_first() -> None:
    """A drive that throttled stands above one that did not, and drives with the same answer share it."""
    found = analysis(cool("nvme0"), hot("nvme1"), cool("nvme2"))
    page = shown(found)
    worst = "nvme1: dropped out and came back, link fault, link errors, throttled"
    first = words(page).partition(".")[0]
    assert first.startswith(worst)
    assert first.endswith("; nvme0, nvme2: no throttling")
    heads = [line.split()[0] for line in lines(page) if "(0000:01:00.0)" in line]
    assert ["nvme1", "nvme0", "nvme2"] == heads


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"lost": (TimeSpan(300.0, 1200.0),)}, "dropped out, no throttling until then"),
        ({"lost": (TimeSpan(300.0, 400.0),)}, "dropped out and came back, no throttling"),
        ({"above_critical": 9.0, "above_warning": 20.0}, "above its critical limit, no throttling"),
        ({"above_warning": 20.0}, "above its warning limit, no throttling"),
        ({"near": 20.0}, "close to its limit, no throttling"),
        ({"link_changes": hot().link_changes}, "link fault, no throttling"),
        ({"error_bursts": hot().error_bursts}, "link errors, no throttling"),
    ],
)
def test_the_answer_has_the_worst_that_was_found(more: dict[str, Any], word: str) -> None:
    """Whatever went worst with a drive stands in the first line, before that it did not throttle."""
    seen = cool().temperatures
    assert seen is not None
    own = {key: value for key, value in more.items() if key in seen.__struct_fields__}
    drive = cool(**{key: value for key, value in more.items() if key not in own})
    found = analysis(structs.replace(drive, temperatures=structs.replace(seen, **own)), notes=())
    assert f"nvme0: {word}." in lines(shown(found))


def test_data_at_risk_comes_before_all_else() -> None:
    """A drive that dropped out is to be backed up: that is the first thing that the page says."""
    step = Step("back-up", "Copy it.", (), None, "It reads back.", "Copy it now")
    drive = hot(cooling=structs.replace(hot().cooling, steps=(step, *hot().cooling.steps)))
    for page in (short(analysis(cool(), drive)), shown(analysis(cool(), drive))):
        assert lines(page)[0].startswith("Copy it now. nvme1: dropped out")


def test_both_limits_are_shown() -> None:
    """Beside the warning limit the critical one is shown."""
    assert "82 C (warning; critical 85 C), 17 C left" in words(shown(analysis(cool())))


@pytest.mark.parametrize("kind", ["enough", "heatsink", "air", "both", "neighbour", "unknown"])
def test_each_verdict_on_cooling_has_a_word(kind: str) -> None:
    """Whatever the verdict on cooling is, the page says it in words and shows what it rests on unless all is well."""
    found = analysis(hot(cooling=Cooling(kind, "as it is", hot().cooling.evidence)))  # type: ignore[arg-type]
    row = next(line for line in lines(shown(found)) if line.startswith("  cooling "))
    assert row.endswith(": as it is")
    assert (kind != "enough") == ("highest temperature: 83 C" in words(shown(found)))


def idle(name: str, celsius: float, *notes: str, steps: bool = True) -> DriveAnalysis:
    """A drive without load, with its own temperature, as all drives of an idle soak are."""
    evidence = (Evidence("highest temperature", f"{celsius:.0f} C", "below 82 C"),)
    step = Step("soak", "Run a soak with the real workload.", (), None, "The analysis tells.")
    found = cool(name)
    assert found.temperatures is not None
    return structs.replace(
        found,
        load=None,
        temperatures=structs.replace(found.temperatures, most=celsius),
        throttling=Throttling("unknown", "its rate is not known"),
        forecast=Forecast(kind="none", words="no forecast: no load was steady for a minute"),
        cooling=Cooling("unknown", "it cannot be told what it needs", evidence, (step,) if steps else ()),
        notes=notes,
    )


def resting(name: str) -> DriveAnalysis:
    """A drive whose load was seen, and was none."""
    found = cool(name)
    assert found.load is not None
    return structs.replace(idle(name, 40.0), load=structs.replace(found.load, seconds=0.0))


@every_width
def test_what_is_so_of_all_drives_is_said_once(width: int) -> None:
    """Sentences and steps that are the same for all drives are said once, what differs stands at each drive."""
    names = [f"nvme{number}" for number in range(8)]
    found = analysis(*(idle(name, 40.0 + place, "short") for place, name in enumerate(names)), events=())
    page = words(shown(found, width))
    first = found.drives[0]
    alike = (first.throttling.words, first.forecast.words, first.cooling.words, first.cooling.steps[0].text, "short")
    assert [1] * 5 == [page.count(sentence) for sentence in alike]
    assert "All 8 drives alike" in page
    for place in range(8):
        assert f"highest temperature: {40 + place} C; expected below 82 C" in page
        assert f"to {40 + place} C (first at" in page
    assert page.index("could not be read") < page.index("nvme0 Ostrayne")


def test_what_is_not_so_of_all_drives_is_said_of_each() -> None:
    """A sentence that one drive of three does not share, or whose steps it does not share, stands at each drive."""
    drives = [idle("nvme0", 40.0, "short"), idle("nvme1", 41.0), idle("nvme2", 42.0, "short", steps=False)]
    page = words(shown(analysis(*drives, events=())))
    assert 2 == page.count("note short")
    assert 3 == page.count("it cannot be told what it needs")
    assert 2 == page.count("Run a soak with the real workload.")
    assert 1 == page.count("its rate is not known")


def test_a_single_drive_is_like_no_other() -> None:
    """The page of one drive says all of it at the drive."""
    page = lines(shown(analysis(idle("nvme0", 40.0), events=())))
    assert [] == [line for line in page if "alike" in line]
    assert 1 == sum("its rate is not known" in line for line in page)


@pytest.mark.parametrize("kind", ["reaches", "close", "settles", "steady", "none"])
def test_each_forecast_is_shown(kind: str) -> None:
    """Whatever the forecast is, its sentence is on the page."""
    found = analysis(cool(forecast=Forecast(kind=kind, words="goes where it goes")))  # type: ignore[arg-type]
    assert "goes where it goes" in words(shown(found))


@pytest.mark.parametrize(
    ("end", "ending"),
    [
        (None, "still running, or cut off"),
        (End(9.0, "command", 7), "the command ended with status 7"),
        (End(9.0, "command", 139), "the command ended with status 139 (killed by signal 11, as shells tell it)"),
        (End(9.0, "command", 255), "the command ended with status 255"),
        (End(9.0, "time", None), "its time was up"),
        (End(9.0, "interrupt", None), "stopped by hand"),
        (End(9.0, "fault", 7), "ended by a fault, the command with status 7"),
    ],
)
def test_the_page_says_how_the_soak_ended(end: End | None, ending: str) -> None:
    """The end of a soak and the status of its command are said; a log without an end says so."""
    assert ending in words(shown(analysis(cool(), end=end)))


def test_what_lasts_no_time_is_told_as_a_moment() -> None:
    """Errors that all came with one sample are told without a length of time; those of a while with it."""
    (burst,) = hot().error_bursts
    bursts = (structs.replace(burst, start=500.0, end=end) for end in (500.0, 530.0))
    at, lasting = (words(shown(analysis(hot(error_bursts=(one,))))) for one in bursts)
    assert "at 0:08:20 " in at
    assert "0:08:20 for" not in at
    assert "at 0:08:20 for 30 s " in lasting


FELL: Final = Fall(
    kind="heat",
    start=0.0,
    end=0.0,
    before_mbps=2900.0,
    during_mbps=900.0,
    celsius=82.0,
    celsius_then=None,
    written_bytes=0.0,
    recovered=False,
    words="",
)


@pytest.mark.parametrize(("kind", "rows"), [("proved", (4, 5)), ("unclear", (4, 5)), ("inferred", ())])
def test_a_fall_is_told_once(kind: Any, rows: tuple[int, ...]) -> None:  # noqa: ANN401 - one of the kinds
    """A fall that the verdict tells of, or has as a reading, has no row of its own, also where it outlasts the times.

    Those beyond the readings have one, unless the verdict sums up all.
    """
    falls = tuple(
        structs.replace(
            FELL,
            kind="unclear" if kind == "unclear" else "heat",
            start=number * 100.0,
            end=number * 100.0 + 60.0,
            words=f"fell for the {number}. time",
        )
        for number in range(1, 6)
    )
    spans = tuple(TimeSpan(fall.start + 20.0, fall.end - 20.0) for fall in falls)
    verdict = Throttling(kind, "its rate fell for the 1. time", (), spans)
    after = structs.replace(FELL, start=800.0, end=860.0, words="fell at another time")
    page = words(shown(analysis(hot(falls=(*falls, after), throttling=verdict))))
    seen = [number for number in range(1, 6) if f"): fell for the {number}. time" in page]
    assert list(rows) == seen
    assert 1 == page.count("fell for the 1. time")
    assert 1 == page.count("fell at another time")


def test_what_is_not_known_is_said() -> None:
    """A drive without temperatures, load or limit is shown as not known, never with figures."""
    bare = cool(temperatures=None, load=None, limit=None)
    page = words(shown(analysis(bare)))
    assert "temperature could not be read" in page
    assert "load could not be read" in page
    assert "0 C" not in page.replace("40 C", "").replace("60 C", "")


@pytest.mark.parametrize(
    ("name", "says"),
    [("bench-1", "Soak of bench-1"), ("~2192afd", "kept out of the log (~2192afd)"), (None, "without a name")],
)
def test_a_token_is_not_taken_for_a_name(name: str | None, says: str) -> None:
    """A machine whose name was taken out of its log is not called by the token that stands there."""
    found = analysis(cool())
    assert says in words(shown(structs.replace(found, head=structs.replace(found.head, machine=name))))


def test_a_log_is_called_by_the_name_of_the_machine_that_it_was_made_on() -> None:
    """On the machine itself a name that was taken out of its log is shown; that of another machine stays a token.

    Source of the name: uname(2), by the standard library.
    """
    here, found = platform.node(), analysis(cool())
    for machine, expected in (
        (host_name(here, Known()), here),
        (host_name(f"{here}x", Known()), host_name(f"{here}x", Known())),
        (None, None),
        ("bench-1", "bench-1"),
    ):
        made = structs.replace(found, head=structs.replace(found.head, machine=machine))
        assert expected == named_here(made, sys.platform).head.machine
    assert "~" in host_name(here, Known())


def test_no_drives_are_no_good_news() -> None:
    """A soak that saw no drives says that, and nothing of drives that are well."""
    page = words(shown(analysis(others=(), events=(), notes=())))
    assert "No drives were seen." in page


def test_very_many_events_are_cut_in_the_middle() -> None:
    """Of a thousand events the page shows the first and the last, and says how many it left out and where they are."""
    events = tuple(Event(float(number), "errors", "nvme0", f"burst {number}") for number in range(1000))
    page = shown(analysis(cool(), events=events))
    assert len(lines(page)) < 100
    assert "burst 0" in words(page)
    assert "burst 999" in words(page)
    assert "970 more" in words(page)
    assert len(short(analysis(cool(), events=events)).lines) < 30


@every_width
def test_the_list_names_each_log(width: int) -> None:
    """The list shows each log with its machine, length, drives, end and command; an empty one says how to fill it."""
    found = analysis(hot(), cool())
    page = words(soaking.logs([("/state/soaks/one.sqlite", found.head, None, 75.0)], width, "/state/soaks"))
    for part in ("one.sqlite", "bench-1", "75 s", "2 drives", "still running, or cut off", "ingest reel-4"):
        assert part in page
    assert "None yet." in words(soaking.logs([], width, "/state/soaks"))


# --- JSON ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [None, End(1200.0, "command", 7)])
def test_the_form_is_as_its_schema_says(end: End | None) -> None:
    """The JSON of a soak, full or bare, is held by the schema that the program prints."""
    schema = schemas.schema("soak")
    for found in (
        analysis(hot(), cool(), end=end),
        analysis(cool(temperatures=None, load=None, limit=None, errors=None), end=end),
        analysis(end=end),
    ):
        assert [] == problems(schema, form(found), schema)


def test_the_form_has_all_that_the_analysis_has() -> None:
    """Every field of the analysis and of its parts is in the JSON, under its own name or one that says its unit."""
    named = {
        ("Analysis", "source"): "log",
        ("DriveTemperatures", "above_warning"): "above_warning_seconds",
        ("DriveTemperatures", "above_critical"): "above_critical_seconds",
        ("DriveTemperatures", "near"): "near_seconds",
        ("Analysis", "missing"): "unread",
        ("DriveAnalysis", "missing"): "unread",
    }
    elsewhere = {"head", "fit_start", "to_the_end", "whole", "brief"}  # in keys of their own, the spans, the text
    found = analysis(hot())
    got = form(found)

    def missing(part: Any, there: Any, where: str) -> list[str]:  # noqa: ANN401 - any part of both
        if isinstance(part, Rate):
            return []
        if isinstance(part, msgspec.Struct):
            kind = type(part).__name__
            keys = {name: named.get((kind, name), name) for name in part.__struct_fields__ if name not in elsewhere}
            gone = [f"{where}.{name}" for name, key in keys.items() if key not in there]
            kept = [(getattr(part, name), there[key], name) for name, key in keys.items() if key in there]
            return [*gone, *(one for value, at, name in kept for one in missing(value, at, f"{where}.{name}"))]
        if isinstance(part, tuple) and part and isinstance(part[0], msgspec.Struct):
            return missing(part[0], there[0], where)
        return []

    assert [] == missing(found, got, "")
    assert {"gtps": 16.0, "width": 4} == got["drives"][0]["link_changes"][0]["before"]
    assert 60.0 == got["drives"][0]["phases"][0]["fit"]["from_seconds"]
    for key in ("machine", "command", "started_at", "agent", "platform"):
        assert msgspec.to_builtins(getattr(found.head, key)) == (
            tuple(got[key]) if isinstance(got[key], list) else got[key]
        )


def test_serial_numbers_are_in_no_form() -> None:
    """A serial number that a log holds is neither on the page nor in the JSON."""
    drive = hot(head=drive_head("nvme1", serial="HARROW-SERIAL-7"))
    found = analysis(drive)
    assert "HARROW-SERIAL-7" not in words(shown(found))
    assert "HARROW-SERIAL-7" not in str(form(found))


def test_a_generation_that_there_is_not_is_null() -> None:
    """A log may claim a link of any generation; the JSON says null of one that no standard knows."""
    assert form(analysis(cool(head=drive_head(link=(99, 4)))))["drives"][0]["link_at_start"] is None


def test_the_list_as_a_form_is_as_its_schema_says() -> None:
    """The JSON of the list is held by its schema."""
    found = analysis(hot(), cool())
    logs = soak_data.logs([("/state/one.sqlite", found.head, found.end, 1200.0)], "/state")
    decoded = msgspec.json.decode(data.encode(logs))
    schema = schemas.schema("soaks")
    assert [] == problems(schema, decoded, schema)
    assert (2, 1200.0, 0) == (
        decoded["logs"][0]["drives"],
        decoded["logs"][0]["seconds"],
        decoded["logs"][0]["end"]["status"],
    )


# --- While it runs -------------------------------------------------------------------------------------------------


def sample(seconds: float, *celsius: float | None, read: int = 0, write: int = 0) -> Moment:
    """A sample of drives with these temperatures; all have read and written so many bytes."""
    return Moment(seconds, 0.0, tuple(DriveSample((value,), read, write) for value in celsius))


def view(of: Head, width: int, height: int = 24, lasts: float | None = None) -> LiveView:
    """A live view on a terminal that nobody sees; its text can be taken out."""
    console = Console(width=width, height=height, file=io.StringIO(), color_system=None)
    return LiveView(of, console, lasts)


def two() -> Head:
    """A soak of two drives without a command."""
    return head(drive_head("nvme0"), drive_head("nvme1", warning_celsius=60.0), command=())


def test_a_line_tells_of_each_minute() -> None:
    """Each minute has one line: the hottest in it, the margin to the limit, the mean rates over it."""
    told: list[str] = []
    watcher = Lines(two(), told.append)
    for second in range(121):
        watcher.sample(sample(float(second), 70.0 if second == 30 else 50.0, 58.0, read=second * 10**8, write=0))
    assert 2 == len(told)
    # 10^8 bytes a second are 100 MB/s; warning limits are 81.85 and 60 C.
    assert (
        "0:01:00  nvme0 70 C (12 C below 82 C), reads 100, writes 0 MB/s; "
        "nvme1 58 C (close, 2 C below 60 C), reads 100, writes 0 MB/s" == told[0]
    )
    assert told[1].startswith("0:02:00  nvme0 50 C (32 C below 82 C)")


def test_slow_samples_have_their_lines_too() -> None:
    """With samples farther apart than a minute each has a line, and none is made up for the minutes in between."""
    told: list[str] = []
    watcher = Lines(two(), told.append)
    for second in (0.0, 600.0, 1200.0):
        watcher.sample(sample(second, 50.0, 50.0))
    assert ["0:10:00", "0:20:00"] == [line.split()[0] for line in told]


def test_events_are_told_at_once() -> None:
    """An event is a line of its own when it happens."""
    told: list[str] = []
    Lines(two(), told.append).event(Event(75.0, "link", "nvme1", EVENT_WORDS))
    assert [f"0:01:15  nvme1: {EVENT_WORDS}"] == told


def test_many_drives_make_no_long_line() -> None:
    """Of forty drives a line names the six that are nearest to their limits, and counts the others."""
    told: list[str] = []
    watcher = Lines(head(*(drive_head(f"nvme{number}") for number in range(40))), told.append)
    for second in (0.0, 60.0):
        watcher.sample(sample(second, *(30.0 + number for number in range(40))))
    assert told[0].endswith("34 more")
    assert "nvme39 69 C" in told[0]
    assert "nvme33 " not in told[0]


@pytest.mark.parametrize("width", [*WIDTHS, 20])
@pytest.mark.parametrize("text", ["nvme0", *HOSTILE])
def test_the_view_fits_any_terminal(text: str, width: int) -> None:
    """The view has no line wider than the terminal and no more lines than it, whatever the drives are called."""
    of = head(*(drive_head(text) for _ in range(30)), machine=text, command=(text,))
    shown_view = view(of, width, height=20, lasts=60.0)
    for second in range(5):
        shown_view.sample(sample(float(second), *([80.0] * 30), read=second * 10**9, write=second * 10**9))
    drawn = shown_view.drawn(5.0).plain.split("\n")
    assert [] == [line for line in drawn if cell_len(line) >= width]
    assert len(drawn) < 20
    assert all(line.isprintable() for line in drawn)


@pytest.mark.parametrize("width", [52, 80, 120])
def test_the_view_shows_each_drive(width: int) -> None:
    """The view shows temperature, margin and rates of each drive, words where a colour stands, and the time."""
    shown_view = view(two(), width, lasts=1800.0)
    for second in range(3):
        shown_view.sample(sample(float(second), 50.0, 61.0, read=second * 12 * 10**8, write=second * 10**6))
    drawn = shown_view.drawn(2.0).plain
    for part in ("0:00:02 of 0:30:00", "nvme0", "50 C", "32 C below 82 C", "OVER 60 C", "reads 1,200, writes 1 MB/s"):
        assert part in drawn
    assert "Ctrl-C" in drawn


@pytest.mark.parametrize(("width", "hint"), [(60, "with its command"), (140, "ingest a/long/folder")])
def test_a_command_without_room_is_not_cut(width: int, hint: str) -> None:
    """Where the command does not fit beside the time, words stand in its place, and nothing is cut off."""
    of = head(drive_head("nvme0"), command=("ingest", "a/long/folder/of/reels", "b/long/folder/of/reels"))
    drawn = view(of, width, lasts=1800.0).drawn(2.0).plain.split("\n")[0]
    assert hint in drawn
    assert drawn.endswith(("reels", hint))


def colours_of(shown: Any) -> set[int]:  # noqa: ANN401 - anything that rich prints
    """The codes of colour that something is drawn with on a terminal. Source: ECMA-48, 8.3.117 (SGR)."""
    out = io.StringIO()
    Console(file=out, force_terminal=True, color_system="standard", width=80).print(shown)
    codes = re.findall(r"\x1b\[([\d;]*)m", out.getvalue())
    return {int(code) for run in codes for code in run.split(";") if code}


def test_colours_are_seen_on_dark_and_light_terminals() -> None:
    """Pages and view use no yellow, cyan or white, nor any bright colour, which are lost on some ground."""
    page = shown(analysis(hot(), cool(), idle("nvme2", 40.0)))
    shown_view = view(two(), 80)
    shown_view.sample(sample(0.0, 50.0, 61.0))
    used = colours_of(Text("\n").join(page.lines)) | colours_of(shown_view.drawn(0.0))
    assert {31, 32} <= used  # red and green are: the reader of codes sees them
    assert set() == used & {33, 36, 37, *range(90, 98)}


def test_what_cannot_be_read_is_not_drawn_as_cold() -> None:
    """A drive that gives no temperature and no counts any more is shown as unread."""
    shown_view = view(two(), 100)
    shown_view.sample(sample(0.0, 50.0, 50.0))
    shown_view.sample(Moment(1.0, 0.0, (DriveSample((None,)), DriveSample((50.0,), 0, 0))))
    row = next(line for line in shown_view.drawn(1.0).plain.split("\n") if "nvme0" in line)
    assert "no reading" in row
    assert "rate not known" in row
    assert "0 C" not in row


@pytest.mark.parametrize(
    ("warning", "critical", "said"),
    [
        (65261.85, None, "no limit known"),  # FFFFh kelvin, which stands for a limit that is not set
        (65261.85, 85.0, "35 C below 85 C"),
        (-10.0, 65261.85, "no limit known"),
        (75.0, 85.0, "25 C below 75 C"),
    ],
)
def test_a_limit_that_no_drive_means_is_none_in_the_view(warning: float, critical: float | None, said: str) -> None:
    """While it runs a drive is held against the same limit as in the analysis: the first that it can mean."""
    seen = DriveNow(structs.replace(drive_head(), warning_celsius=warning, critical_celsius=critical))
    seen.see(0.0, sample(0.0, 50.0).drives[0])
    assert said == seen.margin_words


def test_events_stay_above_the_view() -> None:
    """An event is printed when it happens."""
    console = Console(width=80, height=24, file=io.StringIO(), color_system=None)
    shown_view = LiveView(two(), console, None)
    shown_view.event(Event(75.0, "link", "nvme1", EVENT_WORDS))
    shown_view.close()
    assert isinstance(console.file, io.StringIO)
    assert f"0:01:15  nvme1: {EVENT_WORDS}\n" in console.file.getvalue()


def test_a_terminal_that_is_gone_ends_no_soak() -> None:
    """Samples and events go on when the terminal can no longer be written."""

    class Gone(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(5, "Input/output error")

    shown_view = view(two(), 80)
    shown_view._console.file = Gone()  # noqa: SLF001 - the terminal goes away under the view
    shown_view.sample(sample(0.0, 50.0, 50.0))
    shown_view.event(Event(0.0, "link", None, "x"))
    shown_view.close()
    assert "nvme0" in shown_view.drawn(0.0).plain


@given(st.lists(st.one_of(st.none(), st.floats(-50, 120)), max_size=2000), st.integers(1, 200))
def test_a_history_fits_and_keeps_the_peak(values: list[float | None], room: int) -> None:
    """The history line fits its room however long the soak is, and its highest step is that of the hottest stretch."""
    history = History()
    for value in values:
        history.add(value)
    assert len(history.values) <= MOST_HISTORY
    line = history.line(room, None, LEVELS)
    assert len(line) <= room
    kept = [value for value in history.values if value == value]  # noqa: PLR0124 - nan
    if kept:
        assert LEVELS[-1] in line
    assert history.line(room, 80.0, PLAIN_LEVELS).isascii()


def test_a_history_without_readings_is_empty() -> None:
    """Nothing known gives no line; a hole in the middle stays a hole."""
    history = History()
    assert "" == history.line(20, 80.0, LEVELS)
    for value in (50.0, None, 80.0):
        history.add(value)
    assert 3 == len(history.line(20, 80.0, LEVELS))
    assert " " == history.line(20, 80.0, LEVELS)[1]
    assert "█" == history.line(20, 80.0, LEVELS)[2]


def test_a_count_that_fell_is_no_rate() -> None:
    """After a drive's return its counts start anew: the rate is not known then, and never negative."""
    seen = DriveNow(drive_head())
    seen.see(0.0, DriveSample((50.0,), 10**9, 0))
    seen.see(1.0, DriveSample((50.0,), 0, 0))
    assert (None, 0.0) == (seen.read, seen.write)
