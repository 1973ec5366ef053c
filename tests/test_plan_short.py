"""Plans as a person reads them in ten seconds: the answer first, few lines, nothing cut, no caution lost."""

from __future__ import annotations

from functools import cache
from statistics import median
from typing import TYPE_CHECKING, Final

import msgspec
import pytest
from msgspec.structs import replace
from rich.cells import cell_len

from agent.model.expected import Need
from agent.planner.moves import ADD_PART, CHANGE_SHEET, MORE_TIME, PROVE
from agent.planner.plan import plan
from agent.planner.whatif import added, compare
from agent.report import candidate_rows, plan_data, plan_rows, planning
from agent.sheets.reading import card_of, drives_of, parse, read
from agent.sheets.writing import from_audit, whole_links
from knowledge.boards import OLD_START
from knowledge.steps import HANDS
from tests.machines import FIXTURES
from tests.pages import audited
from tests.plans import SHEETS, hostile, kinds_of, large, of_sheet
from tests.small_sheets import FOUR_WAYS, card, drive, passive, patience, sheet, slot, socket

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.planner.result import Plan
    from agent.report.paper import Page
    from agent.sheets.sheet import Sheet

WIDTHS: Final = (60, 80, 120)
SOURCE: Final = "sheet.toml"


@cache
def long_names() -> Plan:
    """The plan of a sheet whose parts have the longest names that a sheet can have, and two of them no place."""
    text = (FIXTURES / "sheets" / "bench-3-unmet.toml").read_text(encoding="utf-8")
    for name in ("plain rack", "reel-1", "reel-2", "reel-3"):
        assert f'"{name}"' in text
        text = text.replace(f'"{name}"', f'"{name:x<100}"')
    return plan(parse(text, SOURCE), patience(), suggest=True)


PAGES: Final[dict[str, Callable[[int], Page]]] = {
    **{f"{name}, short": lambda width, name=name: short(of_sheet(name), width) for name in SHEETS},  # type: ignore[misc] # now
    **{f"{name}, full": lambda width, name=name: planning.plan(of_sheet(name), width, SOURCE) for name in SHEETS},  # type: ignore[misc] # now
    **{
        f"{name}, kinds": lambda width, name=name: planning.candidates(kinds_of(name), width, SOURCE)  # type: ignore[misc] # now
        for name in SHEETS
    },
    "large, short": lambda width: short(large(), width),
    "long names, short": lambda width: short(long_names(), width),
    "long names, full": lambda width: planning.plan(long_names(), width, SOURCE),
}


def short(found: Plan, width: int = 80) -> Page:
    """The page of a plan without its reasons."""
    return planning.plan(found, width, SOURCE, short=True)


def lines(page: Page) -> list[str]:
    """The lines of a page without colour."""
    return [line.plain for line in page.lines]


def said(page: Page) -> str:
    """The words of a page with single blanks."""
    return " ".join(" ".join(lines(page)).split())


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_cut_and_no_line_is_too_wide(name: str, width: int) -> None:
    """What does not fit goes on below, on short and whole pages and with kinds side by side; dots stand for nothing."""
    page = PAGES[name](width)
    assert 10 < len(page.lines)
    assert [] == [line for line in lines(page) if cell_len(line) > width]
    assert [] == [line for line in lines(page) if "..." in line or "\u2026" in line]


@pytest.mark.parametrize("width", WIDTHS)
def test_names_that_break_out_make_no_line_too_wide(width: int) -> None:
    """Whatever the parts are called, a line ends where the terminal does, and nothing in it acts."""
    page = short(hostile(), width)
    assert 10 < len(page.lines)
    assert [] == [line for line in lines(page) if cell_len(line) > width or not line.isprintable()]


def test_plans_are_short() -> None:
    """At 80 columns the plans of the sheets of the project take 35 lines in the middle, and none of them 60."""
    counts = [len(short(of_sheet(name)).lines) for name in SHEETS]
    assert 4 <= len(counts)
    assert (True, True) == (median(counts) <= 35, max(counts) < 60)


@pytest.mark.parametrize("name", SHEETS)
def test_a_short_page_loses_no_part_and_no_caution(name: str) -> None:
    """Each part with its place, each rate, each part without a place, each caution before the step it is of."""
    found = of_sheet(name)
    page = said(short(found, 400))
    parts = [(card.name, card.slot) for card in found.cards] + [(drive.name, drive.place) for drive in found.drives]
    assert 1 < len(parts)
    for part, place in parts:
        assert part in page.partition(place)[0], part
    for missing in found.unplaced:
        assert missing.name in page
        assert missing.why in page
    steps = page[page.index("What to do") :]
    first = {caution: number for number, step in reversed([*enumerate(found.steps, 1)]) for caution in step.cautions}
    for caution, number in first.items():
        assert 1 == steps.count(f"! {caution}")
        assert steps.index(caution) < steps.index(f" {number}. ")
    for stripe in found.stripes:
        for caution in stripe.cautions:
            assert caution in page


def test_the_first_line_is_the_answer() -> None:
    """What cannot be had is named first; else what to do, with what it brings."""
    assert (
        "Not met: scratch reads 9,000 MB/s; reel-2 and reel-3 have no place."
        == lines(short(of_sheet("bench-3-unmet")))[0]
    )
    assert "Fit 5 parts" == lines(short(of_sheet("bench-1-refit")))[0].partition(":")[0]
    assert "Nothing to move" == lines(short(of_sheet("bench-2-shared-lanes")))[0].partition(":")[0]


def test_the_last_step_writes_the_sheet_that_it_is_checked_against() -> None:
    """After moves the sheet is written with its new places first; where nothing moves it stays as it is."""
    moved, still = (of_sheet(name).steps[-1].text for name in ("bench-1-refit", "bench-2-shared-lanes"))
    assert moved.index("lanewright plan with --write NEW") < moved.index("check --against NEW")
    assert "--write" not in still
    assert "check --against SHEET" in still


# --- Carriers for what has no place --------------------------------------------------------------------------------


def two_left_over() -> Sheet:
    """Three drives and a carrier that gives one of them lanes, in the only slot."""
    fitted = [drive("a", card="rack", bay=1), drive("b"), drive("c")]
    return sheet([slot("SLOT1", 16)], [passive("rack", slot="SLOT1")], fitted)


def test_carriers_are_named_that_take_what_is_left_over() -> None:
    """Each of them, added to the sheet and planned anew, has a place for the drives that are named with it."""
    found = plan(two_left_over(), patience(), suggest=True)
    assert {"b", "c"} == {part.name for part in found.unplaced}
    assert found.carriers
    for one in found.carriers:
        assert ({"b", "c"}, "SLOT1", ("rack",)) == (set(one.drives), one.slot, one.out)
        again = plan(added(two_left_over(), [one.kind], ()), patience())
        assert () == again.unplaced
        assert one.kind in said(short(found))
    assert [one.kind for one in found.carriers] == [one.kind for one in plan_data.plan(found).carriers]


def test_the_carrier_that_meets_the_need_comes_first() -> None:
    """Of two that take the drives, the first meets the need at best; the other does not, and slows a fitted drive.

    By hand: three drives of 3,317 MB/s want 9,000 MB/s together. Eight lanes of 8 GT/s carry 7,202 MB/s at most,
    sixteen twice that.
    """
    found = of_sheet("bench-3-unmet")
    wide, narrow = found.carriers
    need = "scratch reads 9,000 MB/s"
    assert ("switch-carrier-4-x16-gen3", (), (need,)) == (wide.kind, wide.unmet, wide.change.needs_at_best)
    assert ("switch-carrier-4-x8-gen3", (need,), ()) == (narrow.kind, narrow.unmet, narrow.change.needs_gained)
    assert ([], ["reel-1"]) == tuple([one.name for one in carrier.change.slower] for carrier in (wide, narrow))
    page = said(short(found))
    assert page.index(f'"{need}" is met at best') < page.index(narrow.kind) < page.index(f'"{need}" is still not met')
    assert page.index(narrow.kind) < page.index("reel-1 reads up to 2,211 MB/s")
    assert [(), (need,)] == [one.unmet for one in plan_data.plan(found).carriers]


def test_the_first_step_is_what_to_change() -> None:
    """Where something is missing the first step adds the best carrier, else it searches longer or changes the sheet."""
    found = of_sheet("bench-3-unmet")
    assert [ADD_PART, PROVE] == [step.action for step in found.steps]
    assert f"lanewright plan SHEET --add {found.carriers[0].kind}" in found.steps[0].text
    assert found.carriers[0].kind in said(short(found)).partition(" 1. ")[2]
    alone = plan(two_left_over(), patience())
    assert CHANGE_SHEET == alone.steps[0].action
    cut = plan(two_left_over(), patience(0))
    assert (False, MORE_TIME) == (cut.proved, cut.steps[0].action)
    assert "--seconds" in cut.steps[0].text
    whole = plan(sheet([socket("M1")], (), [drive("a")]), patience())
    assert {ADD_PART, CHANGE_SHEET, MORE_TIME}.isdisjoint(step.action for step in whole.steps)


def test_a_drive_moves_with_its_card() -> None:
    """The row of a drive whose card changes its slot says so; that it is no move of its own shows in the answer."""
    found = plan(read(str(FIXTURES / "bench-2-lanes-taken" / "sheet.toml")), patience())
    page = said(short(found))
    assert "Move 2 parts:" in page
    assert ["reel", "moves", "bay 1 of carrier in PCIE2 (moves with carrier)"] == next(
        row[:3] for row in plan_rows.brief_places(found) if row[0] == "reel"
    )
    assert "screen card runs with 8 of its 16 lanes" in page


def test_no_caution_stands_beside_another() -> None:
    """On a short page each caution has a line of its own, under the numbers of the steps that it comes before."""
    page = lines(short(of_sheet("bench-1-refit"), 120))
    cautions = [line for line in page if line.strip() in {f"! {words}" for words in HANDS}]
    assert len(HANDS) == len(cautions)
    numbers = [line.split()[2].rstrip(":") for line in page if line.strip().startswith("Before step")]
    assert ["1", "2"] == numbers


def test_no_carrier_is_named_where_none_would_do() -> None:
    """Where all parts have a place, where nothing may move, or where no slot takes cards, none is named."""
    whole = sheet([socket("M1")], (), [drive("a")])
    stays = replace(two_left_over(), cards=(passive("rack", slot="SLOT1", stays=True),))
    for one in (whole, stays, sheet([socket("M1")], (), [drive("a"), drive("b")])):
        assert () == plan(one, patience(), suggest=True).carriers


# --- Needs that nobody asked for -----------------------------------------------------------------------------------


def test_needs_that_are_assumed_are_called_so() -> None:
    """The figure of a kind is assumed, one that the sheet gives is not, unless it says so."""
    text = """format = "lanewright-sheet"
version = 1
[machine]
[[slot]]
label = "SLOT1"
connector = 16
lanes = 16
generation = 3
[[card]]
name = "screen"
kind = "display-x16-gen3"
"""
    for more, assumed in (
        ("", True),
        ("wants_mbps = 7000\n", False),
        ("wants_mbps = 7000\nwants_assumed = true\n", True),
    ):
        found = plan(parse(text + more, SOURCE))
        assert [assumed] == [need.assumed for need in found.needs]
        assert assumed == ("assumed" in found.needs[0].why)
        assert [assumed] == [need.assumed for need in plan_data.plan(found).needs]
    assert card_of("display-x16-gen3", "screen").wants_assumed
    assert not card_of("switch-carrier-4-x8-gen3", "rack").wants_assumed


def test_a_sheet_of_a_machine_says_which_needs_are_assumed() -> None:
    """Nobody has asked for the link rates that a sheet made of a machine has; each is marked."""
    made = parse(from_audit(audited("bench-1-upgraded"), "x"), SOURCE)
    wants = [one.wants_assumed for one in made.cards if one.wants_mbps is not None]
    assert wants
    assert all(wants)


def test_the_best_of_kinds_says_by_which_aim_it_won() -> None:
    """A kind with fewer MB/s is best where the other one takes the lanes that the display card is assumed to need.

    By hand: the split carrier goes into SLOT1 only, which leaves the card the four lanes of SLOT2 (3,938 MB/s, facts of
    the x4 link); the carrier with a switch works there, and leaves it sixteen.
    """
    slots = [slot("SLOT1", 16, splits=FOUR_WAYS), slot("SLOT2", 4, connector=16, power_watts=75.0)]
    machine = sheet(slots, [card("screen", 16, slot="SLOT1", wants_mbps=7876.0, wants_assumed=True)])
    kinds = ("split-carrier-4-x16-gen3", "switch-carrier-4-x8-gen3")
    tried = compare(machine, kinds, drives_of("4xgen3"), patience(50_000))
    assert tried[0].together is not None
    assert tried[1].together is not None
    assert tried[1].together[1] < tried[0].together[1]
    first = "".join(words for words, _ in candidate_rows.choice(tried))
    assert first.startswith("switch-carrier-4-x8-gen3 is best: it keeps the link of screen (assumed)")
    assert f"split-carrier-4-x16-gen3 gives {tried[0].together[1]:,.0f} MB/s, but does not." in first
    cells = dict(candidate_rows.cells(tried[0]))
    assert "link of screen (assumed)" in cells["needs"]


# --- Cautions ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("generation", "today", "cautioned"), [(2, None, True), (3, None, True), (4, None, False), (2, "M1", False)]
)
def test_an_old_board_may_not_start_from_a_new_drive(generation: int, today: str | None, cautioned: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """A need to start from a drive that comes in has a caution where no slot is of a board that surely can.

    That boards with slots of 16 GT/s do is common practice.
    """
    need = Need(name="starts", drives=("boot",), not_behind_switch=True)
    one = sheet([socket("M1", generation)], (), [drive("boot", slot=today)], needs=(need,))
    found = plan(one, patience())
    page = said(short(found))
    assert cautioned == (OLD_START in page) == (OLD_START in found.needs[0].cautions)
    if cautioned:
        assert page.index(OLD_START) < page.index(found.steps[0].brief)
    assert (
        list(found.needs[0].cautions)
        == msgspec.json.decode(msgspec.json.encode(plan_data.plan(found)))["needs"][0]["cautions"]
    )


def test_a_sheet_of_a_faulty_machine_is_as_if_it_were_whole() -> None:
    """It says so in its head and names the slot of the faulty link; of a machine without a fault it says nothing."""
    text = from_audit(audited("bench-2-worn-riser"), "x")
    head = " ".join(text.partition("format =")[0].replace("#", " ").split())
    assert "as if every link were whole, but PCIE1 is narrow" in head
    assert whole_links(audited("bench-2-worn-riser")) in head
    assert "" == whole_links(audited("bench-1-upgraded"))
