"""Two soaks beside each other: what cooling brought, with its error; nothing is claimed where loads were not alike.

The drives are simulated by Newton's law of cooling (first order), so that what a change of thermal resistance brings is
known beforehand: the rise at a load is resistance times heat, whatever the room.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from msgspec import structs

from agent.report import schemas, soak_pairs, soak_pairs_data
from agent.soak.analysis import analyse
from agent.soak.pairs import Slowing, SoakPair, pair
from probes.samples import End
from probes.soaklog import Writer
from tests.json_schema import problems
from tests.soaks import REST, Make, Work, cool, hot, soak
from tests.test_cli import one_line, run
from tests.test_soak_log import head as log_head
from tests.test_soak_log import sample

if TYPE_CHECKING:
    from pathlib import Path

LATER = "2026-03-09T09:00:00+00:00"


def beside(before: Make, after: Make, **changes: Any) -> SoakPair:  # noqa: ANN401 - fields of the second head
    """Two simulated soaks beside each other; `changes` are of the head of the second drive."""
    first, second = soak(before, seed=1), soak(after, seed=2)
    track = second.tracks[0]
    track = structs.replace(track, head=structs.replace(track.head, **changes))
    second = structs.replace(second, tracks=(track,), head=structs.replace(second.head, started_at=LATER))
    return pair(analyse(first), analyse(second))


def said(found: SoakPair) -> str:
    """The page in one line."""
    return " ".join(" ".join(str(line[0]) for line in _lines(found)).split())


def _lines(found: SoakPair) -> list[tuple[str]]:
    return [(text,) for text in soak_pairs.markdown(found, "a.sqlite", "b.sqlite").splitlines()]


def test_a_heatsink_brings_what_its_resistance_says() -> None:
    """From 18 to 12 K for each 1,000 MB/s at 2,000 MB/s are 12 K less, also in a room that is 4 K warmer.

    Source: Newton's law of cooling: at rest of change the rise is resistance times heat.
    """
    found = beside(cool(kelvin=18.0, scatter=0.3), cool(kelvin=12.0, air=34.0, scatter=0.3))
    (drive,) = found.drives
    assert drive.warmth is not None
    assert drive.warmth.over_rest
    assert pytest.approx(-12.0, abs=1.0) == drive.warmth.change
    assert abs(drive.warmth.change + 12.0) <= 3 * drive.warmth.error
    assert pytest.approx(-8.0, abs=1.0) == drive.warmth.after - drive.warmth.before
    assert ("better", False) == (drive.direction, found.worse)
    assert "the rise above rest is 1" in said(found)
    assert " K less, give or take " in said(found)


def test_dust_in_a_heatsink_is_worse() -> None:
    """The other way round is worse, and the status says so."""
    found = beside(cool(kelvin=12.0), cool(kelvin=18.0))
    assert ("worse", True) == (found.drives[0].direction, found.worse)
    (drive,) = found.drives
    assert drive.warmth is not None
    assert found.verdict.startswith("nvme0: worse, ")
    assert f"{drive.warmth.change:.1f} K warmer" in found.verdict


def test_the_same_again_is_no_difference() -> None:
    """The same drive in a warmer room, and with the chance of its sensor, is no better and no worse."""
    found = beside(cool(scatter=0.3), cool(air=36.0, scatter=0.3))
    (drive,) = found.drives
    assert drive.warmth is not None
    assert not drive.warmth.sure
    assert "alike" == drive.direction
    assert "no measurable difference" in found.verdict


def test_without_a_rest_the_room_counts() -> None:
    """Where a soak has no rest it is the settled temperature that is compared, and the page says what that means."""
    plan = (Work(900.0, read=2000.0),)
    found = beside(cool(kelvin=18.0, plan=plan), cool(kelvin=12.0, plan=plan))
    (drive,) = found.drives
    assert drive.warmth is not None
    assert not drive.warmth.over_rest
    assert pytest.approx(-12.0, abs=1.0) == drive.warmth.change
    assert "the room temperature counts as well" in said(found)


def test_slowing_that_went_away_is_better() -> None:
    """A drive that slowed itself before and does not after is better, and the page has the rates."""
    after = hot(kelvin=12.0)
    found = beside(hot(), after)
    (drive,) = found.drives
    assert "better" == drive.direction
    assert drive.slowing.before is not None
    assert drive.slowing.before > 0.2
    assert 0.0 == drive.slowing.after
    assert drive.before_mbps is not None
    assert drive.after_mbps is not None
    assert drive.before_mbps < drive.after_mbps
    assert f"before in {drive.slowing.before:.0%}" in found.verdict
    assert "% of the time under load before, in 0% after" in said(found)
    assert "worse" == beside(after, hot()).drives[0].direction


def test_loads_that_were_not_alike_are_not_compared() -> None:
    """Half of the load makes a cool drive and no good news."""
    found = beside(cool(kelvin=18.0), cool(kelvin=18.0, plan=(REST, Work(600.0, read=1000.0), Work(300.0))))
    (drive,) = found.drives
    assert ("unknown", None) == (drive.direction, drive.warmth)
    assert "o stretch of steady load at the same rates" in said(found)


def test_what_is_not_the_same_drive_is_told_apart() -> None:
    """A drive with another serial number is another drive; one whose number moved in the list is the same."""
    other = beside(cool(), cool(), serial="serial-2")
    same_place = other.drives
    assert 1 == len(same_place)  # the first log has no serial number to tell by: model and place do
    moved = pair(_serial("nvme0", "serial-1"), _serial("nvme3", "serial-1"))
    assert [("nvme3", "nvme0")] == [(drive.name, drive.before_name) for drive in moved.drives]
    apart = pair(_serial("nvme0", "serial-1"), _serial("nvme0", "serial-2"))
    assert ((), ("nvme0",), ("nvme0",)) == (apart.drives, apart.only_before, apart.only_after)
    assert "No drive was in both" in apart.verdict


def _serial(name: str, serial: str) -> Any:  # noqa: ANN401 - an analysis
    made = soak(cool(name=name, plan=(Work(120.0, read=2000.0),)))
    track = made.tracks[0]
    return analyse(
        structs.replace(made, tracks=(structs.replace(track, head=structs.replace(track.head, serial=serial)),))
    )


@pytest.mark.parametrize("changes", [{"firmware": "H2"}, {"link": (3, 4)}])
def test_what_else_changed_is_said(changes: dict[str, Any]) -> None:
    """Other firmware or another link may be why as well."""
    words = said(beside(cool(), cool(), **changes))
    assert "not the same" in words


def test_the_form_is_as_its_schema_says() -> None:
    """The JSON form fits its schema and has what the page has."""
    found = beside(cool(kelvin=18.0), cool(kelvin=12.0))
    schema = schemas.schema("compare-soaks")
    form = msgspec.json.decode(msgspec.json.encode(soak_pairs_data.pair(found, "a", "b")))
    assert [] == problems(schema, form, schema)
    assert found.verdict == form["verdict"]
    assert form["drives"][0]["warmth"]["sure"]
    assert form["drives"][0]["warmth"]["change"] < -10


@pytest.mark.parametrize("width", [40, 80, 120])
def test_hostile_names_are_shown_harmlessly(width: int) -> None:
    """Names of a log act on no terminal and make no markup."""
    hostile = "[red]\x1b[31m*x*"
    found = beside(cool(), cool())
    drives = (structs.replace(found.drives[0], name=hostile),)
    found = structs.replace(found, drives=drives, only_after=(hostile,), notes=(hostile,))
    page = soak_pairs.page((found, "a\x1b[2J", hostile), width, "b")
    text = "\n".join(line.plain for line in page.lines)
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= width
    assert "\\*x\\*" in soak_pairs.markdown(found, "a", "b")


# --- The command -----------------------------------------------------------------------------------------------


def log(path: Path, started_at: str) -> str:
    """A short log."""
    head = log_head()
    drives = tuple(structs.replace(drive, serial=f"serial of {drive.name}") for drive in head.drives)
    head = structs.replace(head, started_at=started_at, drives=drives)
    writer = Writer(str(path), head, b"{}")
    for second in range(5):
        writer.add(sample(float(second)))
    writer.commit()
    writer.close(End(5.0, "time", None))
    return str(path)


def test_compare_takes_two_logs(tmp_path: Path) -> None:
    """Two logs are compared as soaks in each form; short ones tell nothing, and no good news."""
    before, after = log(tmp_path / "a.sqlite", "2026-03-02T09:00:00Z"), log(tmp_path / "b.sqlite", LATER)
    done = run("compare", before, after)
    assert (3, "") == (done.status, done.errors)
    assert "cannot be compared" in done.output
    assert "# Two soaks" in run("compare", before, after, "--format", "markdown").output
    form = msgspec.json.decode(run("compare", before, after, "--format", "json").output)
    assert "lanewright-compare-soaks" == form["format"]
    assert "unknown" == form["drives"][0]["direction"]
    assert "lanewright-compare-soaks" in run("schema", "compare-soaks").output


def test_logs_the_wrong_way_round_are_refused(tmp_path: Path) -> None:
    """As with captures, unless told to take them as given."""
    before, after = log(tmp_path / "a.sqlite", "2026-03-02T09:00:00Z"), log(tmp_path / "b.sqlite", LATER)
    done = run("compare", after, before)
    assert (2, "") == (done.status, done.output)
    assert one_line(done.errors)
    assert 3 == run("compare", after, before, "--as-given").status


def test_a_log_and_a_capture_are_not_compared(tmp_path: Path) -> None:
    """One sentence, and the status of bad use."""
    capture = "fixtures/bench-1-upgraded/capture.json"
    name = log(tmp_path / "a.sqlite", LATER)
    for words in ((name, capture), (capture, name), (name,), (name, name, "--against", "x")):
        assert 2 == run("compare", *words).status


def test_a_figure_is_told_only_where_it_is_a_change() -> None:
    """Slowing that is much as before is no figure of what got better by its warmth."""
    found = beside(cool(kelvin=18.0), cool(kelvin=12.0)).drives[0]
    alike = structs.replace(found, slowing=Slowing(before=0.051, after=0.052))
    assert "slowed itself" not in alike.figure
    assert " K cooler" in alike.figure
    assert "slowed itself" in structs.replace(found, slowing=Slowing(before=0.4, after=0.1)).figure
