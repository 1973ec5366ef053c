"""The forms of a plan: all that the planner decided is there, in text of any width and in JSON, whatever the names."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from rich.cells import cell_len
from rich.console import Console

from agent.model.findings import Step
from agent.planner.result import (
    Alternative,
    Candidate,
    CardPlanned,
    CarrierFound,
    DrivePlanned,
    Figures,
    LimitBroken,
    NeedSeen,
    Plan,
    PlanChange,
    Slower,
    StripePlanned,
    Unplaced,
)
from agent.report import candidate_rows, data, plan_data, planning, schemas
from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, MachineSpec, Placement, Sheet, SlotSpec
from knowledge.phrasing import plain
from knowledge.steps import HANDS, SETUP
from tests.json_schema import problems

if TYPE_CHECKING:
    from agent.report.paper import Page

SOURCE: Final = "bench-1-refit.toml"
WIDTHS: Final = (40, 52, 80, 100, 160)
HOSTILE: Final = (
    "[bold red]card[/]",
    "\x1b[2J\x1b]0;owned\x07card",
    "line\nbreak\r\ttab",
    "right\u202eto left",
    "a" * 300,
    "z\u0335\u0335\u0335\u0335\u0335algo",
    "双" * 60,
)
BEFORE: Final = Figures(placed=3, needs_met=1, worst_mbps=890.2, total_mbps=5401.9, moves=0, slots_used=2)
AFTER: Final = Figures(placed=4, needs_met=2, worst_mbps=3300.4, total_mbps=14403.6, moves=3, slots_used=3)


def make_plan(**more: Any) -> Plan:  # noqa: ANN401 - fields of Plan
    """A plan with one of everything, for a tower that gets a carrier; `more` are fields that differ."""
    placement = Placement({"cinch": "SLOT1"}, {"reel-1": DrivePlace("cinch", 1), "reel-2": DrivePlace("M2_1", None)})
    step = Step("move-card", "Put cinch into SLOT1.", HANDS, 2410.3, "lanewright check shows cinch in SLOT1.")
    setting = Step("split-slot", "Split SLOT1 4+4+4+4.", (SETUP,), None, "Four links are seen in SLOT1.")
    fields: dict[str, Any] = {
        "sheet": Sheet(
            source=SOURCE,
            machine=MachineSpec(name="bench-1", product="Editing tower 1", board="WS-7"),
            slots=(SlotSpec(label="SLOT1", connector=16, lanes=16, generation=4),),
            cards=(CardSpec(name="cinch", connector=16, lanes=16, generation=4),),
        ),
        "placement": placement,
        "proved": True,
        "gap": "",
        "worth_moving": True,
        "figures": AFTER,
        "today": BEFORE,
        "cards": (card("cinch"),),
        "drives": (
            drive("reel-1"),
            drive("reel-2", place="M2_1", was="M2_1", held_back=True, together=(3000.0, 3300.4)),
        ),
        "stripes": (
            StripePlanned(
                name="scratch",
                raid=0,
                drives=("reel-1", "reel-2"),
                read=(11816.0, 14403.6),
                write=(9000.0, 10000.0),
                read_together=(6000.0, 6600.8),
                narrowest="the link of cinch in SLOT1",
                narrowest_write="the slowest drive itself",
                cautions=("One failed drive loses the whole stripe.", "The firmware may not start from a stripe."),
            ),
        ),
        "needs": (
            NeedSeen("scratch reads 12,000 MB/s", "at best", "reaches 11,816 to 14,404"),
            NeedSeen("display stays", "met", "it stays in SLOT2"),
            NeedSeen("vault writes 9,000 MB/s", "not met", "reaches 3,300 at most"),
        ),
        "unplaced": (Unplaced("latch", "needs a four-way split; SLOT1 and SLOT3 offer none"),),
        "carriers": (CarrierFound("switch-carrier-2-x8-gen3", "SLOT3", ("latch",), ("old cage",)),),
        "spares": (Unplaced("old rack", "without it every drive has a place as good"),),
        "alternatives": (Alternative("cinch in SLOT3", "the slowest drive reads 1,200 MB/s less", BEFORE, placement),),
        "steps": (step, setting),
        **more,
    }
    return Plan(**fields)


def card(name: str, **more: Any) -> CardPlanned:  # noqa: ANN401 - fields of CardPlanned
    """A carrier that is new in SLOT1; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "slot": "SLOT1",
        "was": None,
        "link": (4, 16),
        "why": "the only slot with sixteen lanes",
        "watts": 41.5,
        "watts_limit": 75.0,
        "bays_used": 1,
        "bays_free": 3,
        **more,
    }
    return CardPlanned(name=name, **fields)


def drive(name: str, **more: Any) -> DrivePlanned:  # noqa: ANN401 - fields of DrivePlanned
    """A drive that moves from SLOT4 into a bay of the carrier; `more` are fields that differ."""
    fields: dict[str, Any] = {
        "place": "bay 1 of cinch in SLOT1",
        "was": "SLOT4",
        "why": "reaches its own limit there",
        "alone": (5908.0, 7201.8),
        "together": (5908.0, 7201.8),
        "alone_write": (5000.0, 5200.0),
        "together_write": (4000.0, 4200.0),
        "narrowest": "its own link",
        "narrowest_write": "its own link",
        "held_back": False,
        **more,
    }
    return DrivePlanned(name=name, **fields)


def make_candidate(kind: str, **more: Any) -> Candidate:  # noqa: ANN401 - fields of Candidate
    """A carrier kind that was tried; `more` are fields that differ."""
    base = make_plan(needs=(), unplaced=())
    tried = CardSpec(name=f"new {kind}", kind=kind, connector=16, lanes=16, generation=4)
    sheet = msgspec.structs.replace(base.sheet, cards=(*base.sheet.cards, tried))
    fields: dict[str, Any] = {
        "alone": (5908.0, 7201.8),
        "together": (11816.0, 14403.6),
        "stripe": (11816.0, 14000.1),
        "slots_used": 1,
        "watts": 48.0,
        "limit": "the link of the carrier",
        "wasted": ("two bays", "eight lanes of SLOT1"),
        "plan": msgspec.structs.replace(base, sheet=sheet, cards=(card(tried.name),)),
        **more,
    }
    return Candidate(kind=kind, **fields)


def lines_of(page: Page) -> list[str]:
    """The lines of a page without colour."""
    return [line.plain for line in page.lines]


def flat(page: Page) -> str:
    """The words of a page with single spaces, as wrapping does not matter."""
    return re.sub(r"\s+", " ", " ".join(lines_of(page)))


def shown(found: Plan, width: int = 100) -> str:
    """The words of the whole page of a plan."""
    return flat(planning.plan(found, width, SOURCE))


# --- The page of a plan --------------------------------------------------------------------------------------------


def test_the_page_says_all_that_the_plan_says() -> None:
    """Parts, places, reasons, rates, needs, cautions, alternatives and steps of a plan all stand on its page."""
    found = make_plan()
    page = shown(found)
    for words in (
        "bench-1 (Editing tower 1)",
        SOURCE,
        *(word for one in found.needs for word in (one.answer, one.name, one.why)),
        *(word for one in (*found.unplaced, *found.spares) for word in (one.name, one.why)),
        *(word for one in found.carriers for word in (one.kind, one.slot, *one.drives, *one.out)),
        *(word for one in found.cards for word in (one.name, one.slot, one.why)),
        *(word for one in found.drives for word in (one.name, one.place, one.why, one.narrowest, one.narrowest_write)),
        *(word for one in found.stripes for word in (one.name, one.narrowest, one.narrowest_write, *one.cautions)),
        *(word for one in found.alternatives for word in (one.what, one.costs)),
        *(word for one in found.steps for word in (one.text, one.verify, *one.cautions)),
        "16 GT/s (Gen 4) x16",
        "at most 41.5 W; 75 W are allowed",
        "3 bays free",
        "reel-1 5,908 to 7,202 5,908 to 7,202 5,000 to 5,200 4,000 to 4,200",
        "reel-2 5,908 to 7,202 3,000 to 3,300 5,000 to 5,200 4,000 to 4,200",
        "scratch 11,816 to 14,404 6,000 to 6,601 9,000 to 10,000",
        "all drives together 5,402 MB/s, the slowest 890 MB/s, 0 moves, 2 slots in use",
    ):
        assert words in page


def test_the_first_words_tell_what_is_missing_and_what_is_gained() -> None:
    """The page opens with what cannot be had, then what to do and what it brings against today."""
    drives = (drive("reel-1"), drive("reel-2", place="M2_1", was="M2_1"))
    lines = lines_of(planning.plan(make_plan(drives=drives), 200, SOURCE))
    assert lines[0] == "Not met: vault writes 9,000 MB/s; latch has no place."
    assert lines[1].startswith("Fit 1 part and move 1: ")
    for words in ("14,404 MB/s, 9,002 more than today", "3,300 MB/s, 2,410 more than today"):
        assert words in lines[1]


@pytest.mark.parametrize(
    ("more", "first"),
    [
        ({"today": None}, "read up to 14,404 MB/s; the slowest up to 3,300 MB/s."),
        ({"today": AFTER}, "read up to 14,404 MB/s, as today; the slowest up to 3,300 MB/s, as today."),
        (
            {"today": msgspec.structs.replace(BEFORE, total_mbps=20000.0)},
            "read up to 14,404 MB/s, 5,596 less than today; the slowest up to 3,300 MB/s, 2,410 more than today.",
        ),
        ({"drives": ()}, "Fit 1 part: 4 parts in place, no drives on this sheet."),
        ({"drives": (drive("reel-1"),)}, "Fit 1 part and move 1: reel-1 reads up to 14,404 MB/s, 9,002 more than"),
        (
            {"figures": msgspec.structs.replace(BEFORE, moves=0), "steps": ()},
            "Nothing to move: all drives together read up to 5,402 MB/s, as today; the slowest up to 890 MB/s, as",
        ),
    ],
)
def test_the_answer_fits_what_was_found(more: dict[str, Any], first: str) -> None:
    """Nothing fitted today, nothing gained, no drives, nothing to move: each has its own words."""
    assert first in shown(make_plan(**more, needs=(), unplaced=()))


def test_what_is_gained_comes_first_then_what_is_lost() -> None:
    """Needs and parts that are gained open the sentence, losses follow it, and limits that today breaks after them."""
    change = PlanChange(
        parts_gained=("reel-1",),
        parts_lost=("reel-9",),
        needs_gained=("scratch",),
        needs_lost=("quiet",),
        needs_firmer=("near",),
        needs_weaker=("far",),
        slower=(Slower("reel-2", 3500.0, 3300.4),),
    )
    found = make_plan(change=change, broken=(LimitBroken("power", "cinch", "SLOT4", "cinch takes 44 W in SLOT4"),))
    page = shown(found)
    named = ("scratch", "near", "14,404 MB/s", "quiet", "far", "reel-9", "3,300 MB/s, today 3,500")
    places = [page.index(words) for words in (*named, "cinch takes 44 W in SLOT4", "Needs")]
    assert sorted(places) == places
    form = plan_data.plan(found)
    assert form.change is not None
    assert (("scratch",), ("quiet",)) == (form.change.needs_gained, form.change.needs_lost)
    assert [("power", "cinch")] == [(limit.limit, limit.part) for limit in form.broken]


def test_a_new_slow_drive_takes_nothing_from_the_others() -> None:
    """Where no drive reads less than today, the slowest one is not held against that of today."""
    slow = msgspec.structs.replace(AFTER, worst_mbps=500.0)
    assert "up to 500 MB/s." in shown(make_plan(figures=slow, change=PlanChange()))
    change = PlanChange(slower=(Slower("reel-2", 890.2, 500.0),))
    assert "up to 500 MB/s, 390 less than today" in shown(make_plan(figures=slow, change=change))


def test_candidates_name_the_needs_that_they_gain_and_lose() -> None:
    """Each kind beside the others says which needs it does not meet, gains and loses, by name."""
    change = PlanChange(needs_gained=("scratch",), needs_lost=("quiet",))
    tried = msgspec.structs.replace(make_candidate("a"), plan=make_plan(change=change))
    page = flat(planning.candidates([tried], 200, SOURCE))
    for words in ("not met: vault writes 9,000 MB/s;", "gained: scratch;", "lost: quiet"):
        assert words in page


def test_a_need_that_is_met_at_best_is_never_called_met() -> None:
    """The first line, the table of kinds and other arrangements say of such a need that it is met at best."""
    change = PlanChange(needs_gained=("firm", "loose"), needs_at_best=("loose",))
    seen = (NeedSeen("firm", "met", ""), NeedSeen("loose", "at best", ""))
    found = make_plan(change=change, needs=seen, unplaced=())
    first = shown(found)
    assert 'the need "firm" is met, unlike today' in first
    assert 'the need "loose" is met at best, unlike today' in first
    assert "needs are met" not in first
    cells = dict(candidate_rows.cells(msgspec.structs.replace(make_candidate("a"), plan=found)))
    assert "met at best: loose" in cells["needs"]
    assert "gained: firm;" in f"{cells['needs']};"
    assert "all met" not in cells["needs"]
    whole = msgspec.structs.replace(make_candidate("a"), plan=make_plan(needs=seen[:1]))
    assert "all met" in dict(candidate_rows.cells(whole))["needs"]


def test_one_need_or_one_figure_is_not_told_as_many() -> None:
    """A single need is met by itself, and a range with the same ends is one figure."""
    drives = (drive("reel-1", alone=(5200.0, 5200.2), together=(5200.0, 5200.2)),)
    page = shown(make_plan(needs=(NeedSeen("fast", "met", "fast enough"),), unplaced=(), drives=drives))
    assert "The need is met." in page
    assert "reel-1 5,200 5,200 5,000" in page


def test_a_gain_that_cannot_be_measured_is_told_as_not_worth_it() -> None:
    """The page says to leave all where it is, or to fit the new parts only; JSON has the same as a key."""
    moved = {"cards": (card("cinch", was="SLOT4"),), "drives": (drive("reel-1"),)}
    spared = {"worth_moving": False, "moves_spared": 1, "unplaced": (), "needs": ()}
    assert shown(make_plan(**spared, **moved)).startswith("Leave everything")
    assert shown(make_plan(**spared)).startswith("Fit the new parts only")
    assert "than the first under Next best" in shown(make_plan(**spared))
    assert "Next best" not in shown(make_plan(**spared, alternatives=()))
    assert "Proved" not in shown(make_plan(**spared, alternatives=()))
    assert "too little to measure" not in shown(make_plan())
    still = make_plan(worth_moving=False, figures=msgspec.structs.replace(BEFORE, moves=0), steps=())
    assert "too little to measure" not in shown(still)
    assert [True, False] == [plan_data.plan(make_plan(worth_moving=worth)).worth_moving for worth in (True, False)]


def test_an_answer_that_is_not_proved_says_the_gap() -> None:
    """Where the time ran out, no word claims a proof, and the gap and what would settle it are told."""
    page = shown(make_plan(proved=False, gap="another place could give the slowest drive up to 200 MB/s more"))
    assert "Best found so far" in page
    assert "Not proved best within the time given: another place could give the slowest drive up to 200" in page
    assert "--seconds" in page
    assert "Proved" not in page


def test_cautions_stand_before_their_steps() -> None:
    """Every caution of a step is read before the step itself."""
    page = shown(make_plan())
    for step in make_plan().steps:
        for caution in step.cautions:
            assert page.index(caution) < page.index(step.text)


def test_parts_that_stay_are_told_from_those_that_move() -> None:
    """A part is new, moves from a place that is named, or stays."""
    page = shown(make_plan())
    assert "new cinch: SLOT1, 16 GT/s" in page
    assert "moves reel-1: bay 1 of cinch in SLOT1 (from SLOT4)" in page
    assert "stays reel-2: M2_1;" in page


def test_a_drive_that_moves_with_its_card_stays_in_its_bay() -> None:
    """Of a drive whose card moves it is said with which, not from where, and it is no move of its own."""
    base = make_plan()
    spec = DriveSpec(name="reel-1", generation=4, card="cinch", bay=1)
    found = make_plan(
        sheet=msgspec.structs.replace(base.sheet, drives=(spec,)),
        drives=(drive("reel-1", was="bay 1 of cinch in SLOT4"),),
    )
    page = shown(found)
    assert "moves reel-1: bay 1 of cinch in SLOT1 (moves with cinch)" in page
    assert "(from SLOT4)" not in page
    assert "Fit 1 part:" in page


def test_a_drive_held_back_is_told_from_one_at_its_own_limit() -> None:
    """The hop that holds a drive back is called so; a drive at its own limit is only limited by one."""
    page = shown(make_plan(drives=(drive("reel-1"),)))
    assert "limited by its own link" in page
    assert "held back by" not in page
    held = shown(make_plan(drives=(drive("reel-1", held_back=True, narrowest="the uplink chipset"),)))
    assert "held back by the uplink chipset" in held


def test_what_decides_writing_is_told_where_it_is_not_what_decides_reading() -> None:
    """A drive and a stripe name one hop where it decides both ways, and both hops where they differ."""
    page = shown(make_plan(drives=(drive("reel-1"), drive("reel-2", narrowest_write="the drive itself"))))
    assert "reel-1: limited by its own link reel-2: limited by its own link (reading)" in page
    assert "limited by its own link (reading), the drive itself (writing) Stripes" in page
    assert "limited by the link of cinch in SLOT1 (reading), the slowest drive itself (writing)" in page


def test_drives_with_the_same_figures_are_told_once() -> None:
    """Four drives that reach the same are one paragraph that names them all."""
    names = ["reel-1", "reel-2", "reel-3", "reel-4"]
    page = shown(make_plan(drives=tuple(map(drive, names)), stripes=()), 200)
    assert "reel-1, reel-2, reel-3 and reel-4 5,908 to 7,202 5,908 to 7,202" in page
    assert "reel-1, reel-2, reel-3 and reel-4: each is limited by its own link" in page
    assert 2 == page.count("5,908 to 7,202")


@pytest.mark.parametrize(("watts", "words"), [(0.5, "0.5"), (8.31, "8.4"), (25.0, "25"), (1024.0, "1,024")])
def test_little_power_is_not_shown_as_none(watts: float, words: str) -> None:
    """Power has a tenth of a watt, rounded up, as it is said to be the most."""
    assert f"at most {words} W; 75 W" in shown(make_plan(cards=(card("cinch", watts=watts),)))


def test_what_is_not_known_is_not_shown_as_a_figure() -> None:
    """Power that cannot be told gives no figure, and a limit that is not known none of its own."""
    assert "W" not in shown(make_plan(cards=(card("cinch", watts=None),))).split("cinch:")[1].split(";")[0]
    assert "at most 41.5 W; the only slot" in shown(make_plan(cards=(card("cinch", watts_limit=None),)))


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_fits_its_width(width: int) -> None:
    """No line is wider than the terminal, whatever the names."""
    for name in HOSTILE:
        page = planning.plan(make_plan(cards=(card(name),), drives=(drive(name, place=name),)), width, name)
        assert [] == [line for line in lines_of(page) if cell_len(line) > width]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_do_nothing(name: str) -> None:
    """Markup, terminal escapes, line breaks and marks that turn the writing direction come out as harmless text."""
    machine = MachineSpec(name=name, product=name)
    found = make_plan(
        sheet=Sheet(source=name, machine=machine),
        cards=(card(name, slot=name, was=name, why=name),),
        drives=(drive(name, place=name, was=name, why=name, narrowest=name, narrowest_write=name),),
        needs=(NeedSeen(name, "met", name),),
        unplaced=(Unplaced(name, name),),
        steps=(Step("move-card", name, (), None, name),),
        proved=False,
        gap=name,
        alternatives=(Alternative(name, name, BEFORE, Placement({}, {})),),
        stripes=(msgspec.structs.replace(make_plan().stripes[0], name=name, drives=(name,), cautions=(name,)),),
    )
    tried = [msgspec.structs.replace(make_candidate(name), limit=name, wasted=(name,), plan=found)]
    for page in (planning.plan(found, 80, name), planning.candidates(tried * 2, 80, name)):
        output = io.StringIO()
        console = Console(file=output, width=80, markup=False, highlight=False, emoji=False, no_color=True)
        planning.show(page, console)
        assert output.getvalue().replace("\n", "").isprintable()
        seen = re.sub(r"\s", "", output.getvalue())
        assert re.sub(r"\s", "", plain(name))[:100] in seen


# --- Candidates side by side ---------------------------------------------------------------------------------------


def test_candidates_stand_side_by_side_while_they_fit() -> None:
    """Two kinds are columns at 80 columns; figures of one row stand on one line."""
    tried = [
        make_candidate("switch-carrier-4-x16-gen4"),
        make_candidate("split-carrier-4-x16-gen3", together=(6000.0, 7000.0), stripe=None, watts=None, wasted=()),
    ]
    page = planning.candidates(tried, 80, SOURCE)
    lines = [re.split(r"\s{2,}", line.strip()) for line in lines_of(page)]
    assert ["switch-carrier-4-x16-gen4", "split-carrier-4-x16-gen3"] in lines
    assert ["together, MB/s", "11,816 to 14,404", "6,000 to 7,000"] in lines
    assert ["as a stripe, MB/s", "11,816 to 14,000", "one drive only"] in lines
    assert ["power at most", "48 W", "not known"] in lines
    assert ["goes into", "SLOT1", "SLOT1"] in lines
    assert flat(page).startswith("switch-carrier-4-x16-gen4 is best: its drives read up to 14,404 MB/s together.")


@pytest.mark.parametrize("width", WIDTHS)
def test_candidates_say_the_same_at_any_width(width: int) -> None:
    """Beside or below each other, every figure and word of each candidate is there and no line is too wide."""
    tried = [make_candidate(f"switch-carrier-4-x16-gen{number}", limit=f"limit {number}") for number in range(2, 6)]
    page = planning.candidates(tried, width, SOURCE)
    assert [] == [line for line in lines_of(page) if cell_len(line) > width]
    words = flat(page)
    for one in tried:
        assert one.kind in words
        assert one.limit in words
    assert 4 == words.count("11,816 to 14,404")
    assert 4 == words.count("eight lanes")


def test_a_candidate_with_needs_unmet_is_not_praised() -> None:
    """More MB/s do not win over a need that is not met or a part without a place, and both are told."""
    short = make_candidate("fast", together=(20000.0, 24000.0))
    short = msgspec.structs.replace(short, plan=make_plan())
    page = flat(planning.candidates([short, make_candidate("sound")], 100, SOURCE))
    assert page.startswith("sound is best: it has a place for all parts, and its drives read up to 14,404 MB/s")
    assert "fast gives 24,000 MB/s, but leaves latch without a place" in page
    assert "With fast no place latch: needs a four-way split; SLOT1 and SLOT3 offer none" in page
    assert "not met vault writes 9,000 MB/s: reaches 3,300 at most" in page


def test_the_best_candidate_is_praised_with_its_faults() -> None:
    """Where even the best of the kinds leaves something undone, the first sentence says so."""
    tried = [make_candidate("a"), make_candidate("b", together=(1000.0, 1200.0))]
    tried = [msgspec.structs.replace(one, plan=make_plan()) for one in tried]
    page = flat(planning.candidates(tried, 100, SOURCE))
    said = page.partition(", but ")[2].partition(". ")[0].split("; ")
    assert ['the need "vault writes 9,000 MB/s" is not met', "latch has no place"] == [said[0], said[-1]]
    assert 'the need "scratch reads 12,000 MB/s" is met at best only' in said


def test_a_spare_is_told_and_is_no_lack() -> None:
    """A carrier that nothing is lost without is named with its reason on both pages, and nothing is called missing."""
    found = make_plan(needs=(), unplaced=())
    tried = msgspec.structs.replace(make_candidate("a"), plan=found)
    for page in (shown(found), flat(planning.candidates([tried], 100, SOURCE))):
        assert "spare old rack: without it every drive has a place as good" in page
        assert "no place" not in page
    assert "Proved" in shown(found)


def test_candidates_without_a_place_are_told() -> None:
    """Where no candidate has a place, the page says so instead of naming a best one."""
    nothing = {"alone": None, "together": None, "stripe": None, "slots_used": 0, "watts": 0.0}
    page = flat(planning.candidates([make_candidate("a", **nothing), make_candidate("b", **nothing)], 80, SOURCE))
    assert "No drive would be on any" in page
    assert "power at most none none" in page
    assert "is best" not in page


def test_candidates_that_give_the_same_are_called_equal() -> None:
    """No candidate is praised over one that gives as much."""
    page = flat(planning.candidates([make_candidate("a"), make_candidate("a")], 80, SOURCE))
    assert page.startswith("All give the same")
    assert "a (1)" in page
    assert "a (2)" in page


# --- JSON ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("proved", [True, False])
def test_the_json_of_a_plan_fits_its_schema(proved: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """The JSON form of a plan holds to the schema that the program prints."""
    schema = schemas.schema("plan")
    for found in (
        make_plan(proved=proved, gap="" if proved else "200 MB/s"),
        make_plan(today=None, drives=(), steps=()),
    ):
        assert [] == problems(schema, msgspec.json.decode(data.encode(plan_data.plan(found))), schema)


def test_the_json_of_candidates_fits_its_schema() -> None:
    """The JSON form of a comparison holds to the schema that the program prints, rates or none."""
    schema = schemas.schema("candidates")
    tried = [make_candidate("a"), make_candidate("b", alone=None, together=None, stripe=None, watts=None)]
    found = msgspec.json.decode(data.encode(plan_data.candidates(tried)))
    assert [] == problems(schema, found, schema)
    assert ["a", "b"] == [one["kind"] for one in found["candidates"]]
    assert [[5908.0, 7201.8], None] == [one["alone_mbps"] for one in found["candidates"]]


def test_the_json_of_a_plan_says_all_that_the_plan_says() -> None:
    """Every name, figure, reason and step of a plan is in its JSON, rates rounded to a tenth."""
    found = make_plan()
    form: dict[str, Any] = msgspec.json.decode(data.encode(plan_data.plan(found)))
    assert ("lanewright-plan", 1, SOURCE) == (form["format"], form["version"], form["sheet"])
    places = {"reel-1": {"holder": "cinch", "bay": 1}, "reel-2": {"holder": "M2_1", "bay": None}}
    assert {"cards": {"cinch": "SLOT1"}, "drives": places} == form["placement"]
    assert {"gtps": 16.0, "width": 16} == form["cards"][0]["link"]
    for kind, planned in (("cards", found.cards), ("drives", found.drives), ("stripes", found.stripes)):
        assert [one.name for one in planned] == [one["name"] for one in form[kind]]
    assert [5000.0, 5200.0] == form["drives"][0]["alone_write_mbps"]
    assert list(found.stripes[0].cautions) == form["stripes"][0]["cautions"]
    assert [one.answer for one in found.needs] == [one["answer"] for one in form["needs"]]
    assert [one.why for one in found.unplaced] == [one["why"] for one in form["unplaced"]]
    assert [one.why for one in found.spares] == [one["why"] for one in form["spares"]]
    assert [list(one.cautions) for one in found.steps] == [one["cautions"] for one in form["steps"]]
    assert [5401.9, 14403.6] == [form["today"]["total_mbps"], form["figures"]["total_mbps"]]


@pytest.mark.parametrize("name", HOSTILE)
def test_json_holds_hostile_names_as_escapes(name: str) -> None:
    """A name comes back from the JSON as it was, while nothing in the JSON itself can act on a terminal."""
    encoded = data.encode(plan_data.plan(make_plan(cards=(card(name),))))
    assert encoded.decode().replace("\n", "").isprintable()
    assert name == msgspec.json.decode(encoded)["cards"][0]["name"]
