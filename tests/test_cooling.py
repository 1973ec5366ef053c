"""What cooling a drive is said to need, on invented drives whose heat is known.

Bare M.2 drives warm to 63 % within 30 to 120 s, those with a heatsink within 2 to 8 min; a heatsink takes 5 to 7 C off
the drive's own sensors (common practice, published tests).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from agent.soak.analysis import analyse
from agent.soak.cooling import STEPS
from knowledge.steps import BACKUP, HANDS, HOT, POWER_OFF
from probes.samples import End, Event
from tests.soaks import READING, REST, Make, Work, cool, hot, one, soak

if TYPE_CHECKING:
    from agent.soak.analysed import DriveAnalysis

TIMED = End(1.0, "time", None)


# --- Cooling ---------------------------------------------------------------------------------------------------------


def test_a_cool_drive_needs_no_heatsink() -> None:
    """A drive that stays well below its limit needs none for this load, with the figures as evidence and no step."""
    found = one(soak(cool())).cooling
    assert "enough" == found.kind
    assert found.words.startswith("it needs no more cooling for this load")
    assert {"highest temperature", "settled temperature at this load"} <= {line.source for line in found.evidence}
    assert () == found.steps


@pytest.mark.parametrize(
    ("tau", "kelvin", "kind", "words"),
    [
        (60.0, 15.0, "heatsink", "add a heatsink"),
        (60.0, 22.0, "both", "add a heatsink, or refit"),
        (120.0, 15.0, "both", "does not show which"),
        (300.0, 15.0, "air", "move air over it"),
    ],
)
def test_cooling_goes_by_how_fast_the_drive_warms(tau: float, kelvin: float, kind: str, words: str) -> None:
    """Fast drives are as bare ones: a heatsink, with air if much is missing; slow ones have one and want air."""
    found = one(soak(cool(plan=(REST, Work(2400.0, read=3000.0)), tau=tau, kelvin=kelvin))).cooling
    assert kind == found.kind
    assert words in found.words


@pytest.mark.parametrize(
    ("tau", "kelvin", "words"),
    [
        (60.0, 18.0, "it should be 14 C cooler to stay 5 C below its limit, and a heatsink often brings 5 to 7 C"),
        (300.0, 15.0, "it should be 5 C cooler to stay 5 C below its limit, and how much moving air helps"),
    ],
)
def test_how_much_cooler_it_should_be_is_said(tau: float, kelvin: float, words: str) -> None:
    """A drive that gets too warm is told by how much, beside what a heatsink is known to bring."""
    found = one(soak(cool(plan=(REST, Work(2400.0, read=3000.0)), tau=tau, kelvin=kelvin))).cooling
    assert words in found.words
    (line,) = [line for line in found.evidence if line.source == "time to 63 % of its warming"]
    assert line.read.endswith(" s (compare: bare drives up to 90 s, with a heatsink from 150 s)")
    assert abs(float(line.read.split()[0]) - tau) < 0.1 * tau


def test_hot_air_wants_air() -> None:
    """A drive that is at 57 C without any load has hot air, no cooling to speak of, or a sensor that errs."""
    found = one(soak(cool(air=50.0, at_rest=7.0, tau=60.0))).cooling
    assert "air" == found.kind
    assert "never cooler than 57 C though it rested: hardly anything cools it, the air around it is hot" in found.words
    assert "or its sensor errs" in found.words


def test_a_drive_that_rests_beside_a_hot_one_is_moved_and_it_stays_a_hint() -> None:
    """A drive that reaches its limit at rest as another works is to be moved away, said as a hint."""
    worker = cool(plan=(REST, READING), kelvin=14.0)
    rests = Make(name="nvme1", plan=(Work(1320.0),), warms=0.9, warning=69.85, tau=150.0)
    found = analyse(soak(worker, rests)).drives[1].cooling
    assert "neighbour" == found.kind
    assert "nvme0" in found.words
    assert "hints" in found.words
    assert "does not prove" in found.words
    assert "move-from-neighbour" == found.steps[-1].action


@pytest.mark.parametrize("quiet", [300.0, 900.0, 1500.0])
def test_a_long_quiet_time_before_hides_no_neighbour(quiet: float) -> None:
    """However long both rested before, a drive that warms at rest as the other works is hinted to sit beside it."""
    rests = Make(name="nvme0", plan=(Work(quiet + 1500.0),), warms=0.75, warning=64.85)
    worker = Make(name="nvme1", plan=(Work(quiet), Work(1500.0, read=3000.0)), kelvin=15.0, warning=89.85)
    assert "neighbour" == analyse(soak(rests, worker)).drives[0].cooling.kind


def test_a_drive_that_warms_at_an_unchanged_load_may_have_a_hot_neighbour() -> None:
    """A drive that had settled under its load and warms once more as another begins to work gets the hint."""
    steady = Make(name="nvme0", plan=(Work(60.0), Work(2400.0, read=500.0)), kelvin=10.0, warms=0.75, warning=69.85)
    worker = Make(name="nvme1", plan=(Work(900.0), Work(1500.0, read=3000.0)), kelvin=15.0, warning=89.85)
    found = analyse(soak(steady, worker)).drives[0].cooling
    assert "at an unchanged load as nvme1 was hot: a hint, no proof" in found.words
    assert "move-from-neighbour" == found.steps[-1].action


@pytest.mark.parametrize("tau", [60.0, 200.0, 480.0])
def test_a_drive_that_warms_of_its_own_load_has_no_neighbour_to_blame(tau: float) -> None:
    """Two drives that do not warm each other and begin one after the other are no neighbours, however slow they are."""
    first = Make(name="nvme0", plan=(Work(60.0), Work(2400.0, read=3000.0)), kelvin=16.0, tau=tau)
    then = Make(name="nvme1", plan=(Work(400.0), Work(2000.0, read=3000.0)), kelvin=20.0, tau=tau, warning=99.85)
    assert "hint" not in analyse(soak(first, then)).drives[0].cooling.words


def test_drives_that_warm_together_are_not_blamed_on_each_other() -> None:
    """Two hot drives that work at the same time and do not warm each other say nothing of each other."""
    pair = [structs.replace(hot(), name=name) for name in ("nvme0", "nvme1")]
    for drive in analyse(soak(*pair)).drives:
        assert "neighbour" != drive.cooling.kind
        assert "hint" not in drive.cooling.words


def test_a_soak_cut_short_while_warming_tells_nothing_of_cooling() -> None:
    """A soak that ends by time while the drive still warms asks for a longer one; one whose work is done counts."""
    plan = (REST, Work(100.0, read=2000.0))
    short = one(soak(cool(plan=plan, tau=500.0), end=TIMED)).cooling
    assert "unknown" == short.kind
    assert ("soak-longer",) == tuple(step.action for step in short.steps)
    assert "enough" == one(soak(cool(plan=plan, tau=500.0))).cooling.kind


def test_every_step_with_hands_has_its_cautions_and_a_way_to_verify() -> None:
    """Steps that touch hardware carry power off and hot parts before them; each says how to see that it helped."""
    for kind in STEPS.values():
        assert kind.hardware == (kind.cautions == HANDS)
        assert kind.verify
        assert kind.hardware == (kind.rank >= 10)
    steps = one(soak(hot())).cooling.steps
    assert [step for step in steps if step.action == "move-air" and {POWER_OFF, HOT} <= set(step.cautions)]
    assert all("{" not in step.text + step.verify for step in steps)


# --- All else that was found -----------------------------------------------------------------------------------------


def actions(found: DriveAnalysis) -> list[str]:
    """The steps of a drive by their names."""
    return [step.action for step in found.cooling.steps]


@pytest.mark.parametrize("told", [True, False])
def test_a_drive_that_stayed_away_gets_no_verdict_on_cooling(told: bool) -> None:  # noqa: FBT001 - a case
    """A drive that answered no more has no verdict beyond that, whether an event tells of it; first comes a backup."""
    events = (Event(300.0, "vanished", "nvme0", "gone"),) if told else ()
    found = one(soak(cool(unread=((300.0, 2000.0),)), events=events))
    assert [(300.0, 1020.0)] == [(span.start, span.end) for span in found.lost]
    assert "unknown" == found.cooling.kind
    assert "from 0:05:00 on it was gone" in found.cooling.words
    assert found.throttling.words.endswith("from 0:05:00 on it was gone, and nothing is known of it")
    assert ["back-up", "reseat-drive", "try-drive-elsewhere"] == actions(found)
    assert BACKUP in found.cooling.steps[1].cautions


def test_a_gap_in_the_readings_is_noted() -> None:
    """Minutes in which nothing was read are noted, also where the drive answered again."""
    found = one(soak(cool(unread=((300.0, 400.0),))))
    assert "its temperature was not read for 2 min of the soak" in found.notes
    assert [(300.0, 400.0)] == [(span.start, span.end) for span in found.lost]


def test_above_its_critical_limit_the_load_is_stopped_first() -> None:
    """A drive that passed its critical limit is first relieved of its load and copied."""
    found = one(soak(cool(plan=(REST, READING), kelvin=18.0, tau=60.0)))
    assert "stop-load" == actions(found)[0]
    assert "stop-load" not in actions(one(soak(cool(plan=(REST, READING), kelvin=15.6, tau=60.0))))


def test_a_drive_that_still_warms_has_enough_for_the_time_seen_only() -> None:
    """A finished load too short to settle under says enough for its own length, and asks for a longer soak."""
    found = one(soak(cool(plan=(REST, Work(400.0, read=3000.0)), kelvin=15.0, tau=600.0)))
    assert "enough" == found.cooling.kind
    assert found.cooling.words.startswith("for the 7 min of load that were seen, not known for longer ones")
    assert ["soak-longer"] == actions(found)


@pytest.mark.parametrize(
    "more", [{"links": ((420.0, 1, 4),)}, {"errors": ((0.0, 0), (300.0, 40), (303.0, 90))}], ids=["speed", "errors"]
)
def test_a_fault_of_the_link_has_steps(more: dict[str, object]) -> None:
    """A link that lost speed under load or counted many errors is to be reseated, cleaned and tried elsewhere."""
    found = one(soak(cool(**more)))
    assert ["reseat-drive", "clean", "try-drive-elsewhere"] == actions(found)
    assert all(HANDS == step.cautions for step in found.cooling.steps)
