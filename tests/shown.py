"""Soaks and analyses made by hand, for the forms that show them: one of everything, in an invented tower."""

from __future__ import annotations

from array import array
from math import nan
from typing import Any, Final

from agent.model.findings import Evidence, Rate, Severity, Step
from agent.soak.analysed import (
    Analysis,
    Cooling,
    DriveAnalysis,
    DriveLoad,
    DriveTemperatures,
    ErrorBurst,
    Fall,
    Forecast,
    Limit,
    LinkChange,
    LoadRates,
    Missing,
    Other,
    Phase,
    Throttling,
    TimeSpan,
)
from agent.soak.thermal import Fit
from knowledge.steps import HANDS
from probes.samples import DriveHead, End, Event, Head, Soak, Track

HOSTILE: Final = (
    "[bold red]drive[/]",
    "\x1b[2J\x1b]0;owned\x07drive",
    "line\nbreak\r\ttab",
    "right\u202eto left",
    "a" * 300,
    "z\u0335\u0335\u0335\u0335\u0335algo",
    "双" * 60,
    r"$\frac{1}{0}$ and $",
    "<script>alert(1)</script> & \"'",
)


def drive_head(name: str = "nvme0", **more: Any) -> DriveHead:  # noqa: ANN401 - fields of DriveHead
    """A drive of the Harrow Lane Archive; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "address": "0000:01:00.0",
        "model": "Ostrayne Reel 4 2TB",
        "firmware": "RL4B2.10",
        "serial": None,
        "sensors": ("Composite", "Sensor 1"),
        "warning_celsius": 81.85,
        "critical_celsius": 84.85,
        "blocks": (f"{name}n1",),
        "link": (4, 4),
        "expected": (5908.0, 7202.0),
        **more,
    }
    return DriveHead(name=name, **fields)


def head(*drives: DriveHead, **more: Any) -> Head:  # noqa: ANN401 - fields of Head
    """A soak of these drives beside a command; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "started_at": "2026-03-02T09:00:00Z",
        "agent": "1.0",
        "platform": "linux",
        "machine": "bench-1",
        "every": 1.0,
        "command": ("ingest", "reel-4"),
        **more,
    }
    return Head(drives=drives, **fields)


def hot(name: str = "nvme1", **more: Any) -> DriveAnalysis:  # noqa: ANN401 - fields of DriveAnalysis
    """A drive that throttled, with one of everything that can be said of one; `more` are fields that differ."""
    rates = LoadRates(2900.0, 1160.0, 2900.0, 2950.0, 900.0)
    forecast = Forecast(
        kind="reaches",
        words="reaches its limit of 82 C after about 3 min at this load",
        settled=94.0,
        error=0.9,
        margin=-12.2,
        after_seconds=(170.0, 190.0),
    )
    fields: dict[str, Any] = {
        "head": drive_head(name),
        "limit": Limit(81.85, "warning"),
        "samples": 1201,
        "temperatures": DriveTemperatures(
            least=36.0,
            most=83.0,
            most_at=226.0,
            mean=69.0,
            hottest=91.0,
            known_seconds=1200.0,
            above_warning=130.0,
            above_critical=0.0,
            near=640.0,
        ),
        "load": DriveLoad(
            read=rates,
            write=None,
            either=rates,
            read_bytes=2.0e12,
            written_bytes=0.0,
            seconds=900.0,
            known_seconds=1200.0,
            busy=0.98,
        ),
        "throttling": Throttling(
            "proved",
            "by its own count it slowed itself 13 times",
            (Evidence("light thermal management, times", "13 more", "no more"),),
            (TimeSpan(220.0, 950.0),),
        ),
        "falls": (
            Fall(
                kind="cache",
                start=100.0,
                end=130.0,
                before_mbps=2900.0,
                during_mbps=900.0,
                celsius=50.0,
                celsius_then=51.0,
                written_bytes=2e11,
                recovered=True,
                words="fell as its cache was full",
            ),
        ),
        "link_changes": (
            LinkChange(
                seconds=300.0,
                before=Rate(4, 4),
                after=Rate(1, 4),
                before_mbps=2900.0,
                after_mbps=None,
                severity=Severity.FAULT,
                words="its link went from 16 GT/s (Gen 4) x4 to 2.5 GT/s (Gen 1) x4",
            ),
        ),
        "error_bursts": (
            ErrorBurst(
                start=400.0,
                end=401.0,
                count=60,
                before_mbps=2900.0,
                during_mbps=2900.0,
                severity=Severity.FAULT,
                words="60 link errors within 1 s",
            ),
        ),
        "errors": 60,
        "phases": (
            Phase(
                start=60.0,
                end=226.0,
                loaded=True,
                read_mbps=2900.0,
                write_mbps=0.0,
                first_celsius=36.0,
                last_celsius=83.0,
                fit=Fit(
                    start=36.0,
                    rise=58.0,
                    tau=120.0,
                    settled=94.0,
                    settled_error=0.9,
                    points=166,
                    quality=0.29,
                    seconds=166.0,
                ),
                fit_start=60.0,
                forecast=forecast,
            ),
        ),
        "forecast": forecast,
        "cooling": Cooling(
            kind="heatsink",
            words="add a heatsink",
            evidence=(Evidence("highest temperature", "83 C", "below 82 C"),),
            steps=(Step("cool", "Fit a heatsink to nvme1.", HANDS, None, "Run the same soak again."),),
        ),
        "gaps": (TimeSpan(700.0, 720.0),),
        "lost": (TimeSpan(800.0, 810.0),),
        "notes": ("2 readings were rubbish",),
        "missing": (
            Missing(
                what="link",
                name="its link",
                why="the device gave an input/output error (EIO)",
                spans=(TimeSpan(510.0, 520.0), TimeSpan(600.0, 1200.0)),
                to_the_end=True,
                whole=False,
                needs_root=False,
                weighs=True,
            ),
        ),
        **more,
    }
    return DriveAnalysis(**fields)


def cool(name: str = "nvme0", **more: Any) -> DriveAnalysis:  # noqa: ANN401 - fields of DriveAnalysis
    """A drive of which all is well; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "throttling": Throttling("none", "no sign of it"),
        "falls": (),
        "link_changes": (),
        "error_bursts": (),
        "errors": 0,
        "phases": (),
        "forecast": Forecast(kind="settles", words="settles at 65 C, 17 C below its limit"),
        "cooling": Cooling("enough", "no heatsink needed for this load"),
        "gaps": (),
        "lost": (),
        "notes": (),
        "missing": (),
        "temperatures": DriveTemperatures(
            least=36.0,
            most=65.0,
            most_at=560.0,
            mean=57.0,
            hottest=None,
            known_seconds=1200.0,
            above_warning=0.0,
            above_critical=0.0,
            near=0.0,
        ),
        **more,
    }
    return hot(name, **fields)


def analysis(*drives: DriveAnalysis, **more: Any) -> Analysis:  # noqa: ANN401 - fields of Analysis
    """The analysis of a soak of 20 minutes; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "source": "/state/soaks/2026-03-02-090000Z.sqlite",
        "head": head(*(drive.head for drive in drives)),
        "end": End(1200.0, "command", 0),
        "seconds": 1200.0,
        "samples": 1201,
        "others": (Other("Package id 0", 40.0, 71.0, 60.2),),
        "events": (Event(300.0, "link", "nvme1", "its link went to 2.5 GT/s (Gen 1) x4"),),
        "notes": ("the clock of the machine jumped once",),
        **more,
    }
    return Analysis(drives=drives, **fields)


def track(of: DriveHead, celsius: list[float], read: list[float], write: list[float] | None = None) -> Track:
    """A track with a sample a second."""
    count = len(celsius)
    unread = array("d", [nan] * count)
    return Track(
        head=of,
        seconds=array("d", map(float, range(count))),
        celsius=array("d", celsius),
        hottest=array("d", celsius),
        read_mbps=array("d", read),
        write_mbps=array("d", write if write is not None else [0.0] * count),
        busy=unread,
        written_bytes=unread,
    )


def logged(*tracks: Track, **more: Any) -> Soak:  # noqa: ANN401 - fields of Soak
    """A soak of these tracks; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "source": "/state/soaks/2026-03-02-090000Z.sqlite",
        "head": head(*(one.head for one in tracks)),
        "others": (),
        "events": (),
        "end": End(1200.0, "command", 0),
        "capture": b"",
        **more,
    }
    return Soak(tracks=tracks, **fields)
