"""The plan as a page and as Markdown: both say what the text and the JSON say, and what to buy and what goes where."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pytest
from click import Choice

from agent.cli import main
from agent.planner.plan import plan as planned
from agent.planner.result import NeedSeen, Unplaced
from agent.report import data, plan_data, plan_parts, planning
from agent.report.page.slot_drawing import drawings
from agent.sheets.sheet import CardSpec, DrivePlace, DriveSpec, MachineSpec, Placement, Sheet, SlotSpec
from knowledge.parts import kinds
from knowledge.phrasing import plain
from tests.forms_marked import blocks
from tests.pages import HOSTILE
from tests.plans import (
    SHEETS,
    PageReader,
    hostile,
    html_of,
    kinds_of,
    large,
    markdown_of,
    of_sheet,
    squeezed,
    words_of_markdown,
)
from tests.test_plan_report import HOSTILE as NAMES
from tests.test_plan_report import SOURCE, card, drive, lines_of, make_candidate, make_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from agent.planner.result import Candidate, Plan

FORMS: Final[dict[str, Callable[[Plan | Sequence[Candidate]], str]]] = {
    "html": lambda found: PageReader(html_of(found, SOURCE)).words,
    "markdown": lambda found: words_of_markdown(markdown_of(found, SOURCE)),
}
every_form = pytest.mark.parametrize("form", FORMS)


def still() -> Plan:
    """A plan in which nothing is to be done: one card with its drive, in the one slot there is."""
    slot = SlotSpec(label="SLOT1", connector=4, lanes=4, generation=3)
    rack = CardSpec(name="rack", connector=4, lanes=4, generation=3, carrier="passive", bays=1, slot="SLOT1")
    reel = DriveSpec(name="reel", generation=3, card="rack", bay=1)
    return planned(Sheet(source="still.toml", machine=MachineSpec(), slots=(slot,), cards=(rack,), drives=(reel,)))


def without_drives() -> Plan:
    """A plan of a card alone, which is to be bought."""
    slot = SlotSpec(label="SLOT1", connector=16, lanes=16, generation=3)
    screen = CardSpec(name="screen", kind="display-x16-gen3", connector=16, lanes=16, generation=3)
    return planned(Sheet(source="screen.toml", machine=MachineSpec(), slots=(slot,), cards=(screen,)))


PLANS: Final[dict[str, Callable[[], Plan]]] = {
    **{name: lambda name=name: of_sheet(name) for name in SHEETS},  # type: ignore[misc] # the name as it is now
    "one of everything": make_plan,
    "not proved": lambda: make_plan(proved=False, gap="the slowest drive could read 200 MB/s more"),
    "not worth it": lambda: make_plan(worth_moving=False, cards=(card("cinch", was="SLOT4"),), drives=()),
    "nothing to do": still,
    "without drives": without_drives,
    "large": large,
}
every_plan = pytest.mark.parametrize("name", PLANS)


def values(form: Any, key: str = "") -> Iterator[tuple[str, str]]:  # noqa: ANN401 - walks through all of a form
    """Each text and figure of a JSON form with its key, written as people are shown it."""
    if isinstance(form, dict):
        for name, inner in form.items():
            yield from values(inner, name)
    elif isinstance(form, list):
        for inner in form:
            yield from values(inner, key)
    elif isinstance(form, str):
        yield key, plain(form, 400)
    elif isinstance(form, int | float) and not isinstance(form, bool):
        yield key, f"{form:,.0f}" if key.endswith("mbps") else f"{form:,g}"


# --- The same in all forms -------------------------------------------------------------------------------------


@every_plan
@every_form
def test_every_form_says_what_the_text_says(name: str, form: str) -> None:
    """Every text and rate of a plan's JSON that its text shows is on its page and in its Markdown."""
    found = PLANS[name]()
    text = squeezed(" ".join(lines_of(planning.plan(found, 200, SOURCE))))
    said = squeezed(FORMS[form](found))
    form_of = msgspec.json.decode(data.encode(plan_data.plan(found)))
    shown = {words for _, words in values(form_of) if squeezed(words) in text}
    assert 12 < len(shown)
    assert [] == sorted(words for words in shown if squeezed(words) not in said)


@every_plan
@every_form
def test_every_form_begins_with_the_same_answer(name: str, form: str) -> None:
    """What is missing, what is gained, what is proved and what is warned of are the same sentences as in the text."""
    found = PLANS[name]()
    lines = lines_of(planning.plan(found, 4000, SOURCE))
    answer = lines[: next(place for place, line in enumerate(lines) if line.endswith(f"; build sheet {SOURCE}"))]
    assert answer
    assert [] == [line for line in answer if line not in FORMS[form](found)]


@every_form
@pytest.mark.parametrize("sheet", ["bench-3-unmet", "bench-1-refit"])
def test_kinds_side_by_side_say_what_their_text_says(sheet: str, form: str) -> None:
    """Every line of a comparison's text, but for its columns, and each figure of its columns stands in the others."""
    tried = kinds_of(sheet)
    said = squeezed(FORMS[form](tried))
    text = squeezed(" ".join(lines_of(planning.candidates(tried, 200, SOURCE))))
    plans = msgspec.json.decode(data.encode(plan_data.candidates(tried)))["candidates"]
    shown = {words for one in plans for _, words in values(one) if squeezed(words) in text}
    assert 12 < len(shown)
    assert [] == sorted(words for words in shown if squeezed(words) not in said)
    assert "goesinto" in said
    assert squeezed(lines_of(planning.candidates(tried, 4000, SOURCE))[0]) in said


@every_form
def test_a_value_that_a_form_lost_would_be_noticed(form: str) -> None:
    """A plan that differs in a reason, a rate or a need gives other words in both forms."""
    base = make_plan()
    others = (
        make_plan(cards=(card("cinch", why="another reason"),)),
        make_plan(drives=(drive("reel-1", alone=(1.0, 2.0)),)),
        make_plan(needs=(NeedSeen("other", "met", "so it is"),)),
        make_plan(unplaced=(Unplaced("other", "no room"),)),
        make_plan(steps=base.steps[:1]),
    )
    assert [] == [other for other in others if FORMS[form](other) == FORMS[form](base)]


def test_every_form_of_a_plan_is_held_against_its_text() -> None:
    """A form that `plan` learns is one of those here: one that nothing reads back may lose what it likes."""
    (option,) = [found for found in main.commands["plan"].params if found.name == "form"]
    assert isinstance(option.type, Choice)
    assert {"text", "json", *FORMS} == set(option.type.choices)


# --- What to buy -----------------------------------------------------------------------------------------------


def bought(found: Plan) -> list[tuple[int, str, str, str]]:
    """What there is to buy, each line as a tuple."""
    return [(line.count, line.kind, line.what, line.names) for line in plan_parts.order(found)]


def test_what_comes_in_is_counted_by_kind() -> None:
    """Parts that are not fitted today stand by their kind, with the model where the sheet names it; others do not."""
    rack, reels = bought(of_sheet("bench-1-refit"))
    assert (1, "switch-carrier-4-x16-gen4", kinds()["switch-carrier-4-x16-gen4"].what, "reel rack") == rack
    assert (4, "nvme-gen4", "reel-1, reel-2, reel-3, reel-4") == (reels[0], reels[1], reels[3])
    assert f"Ostrayne Reel 4 2TB: {kinds()['nvme-gen4'].what}" == reels[2]
    assert [] == bought(still())


@every_form
def test_what_to_buy_stands_in_both_forms(form: str) -> None:
    """The counts, kinds and names of what to buy are told with their note, and nothing where there is none."""
    found = of_sheet("bench-1-refit")
    said = squeezed(FORMS[form](found))
    for count, kind, what, names in bought(found):
        assert squeezed(f"{count} {kind} {what} {names}") in said
    assert squeezed(plan_parts.ORDER_NOTE) in said
    assert "Whattobuy" not in squeezed(FORMS[form](still()))


def test_a_part_that_differs_from_its_kind_is_told_by_its_own_figures() -> None:
    """Where the sheet says otherwise than the kind, what to buy has the figures of the sheet."""
    kind = "display-x16-gen3"
    assert [(1, kind, kinds()[kind].what, "screen")] != bought(without_drives())
    (line,) = bought(without_drives())
    assert "x16 card, 16 lanes of 8 GT/s (Gen 3)" == line[2]


def test_what_has_no_place_is_not_bought() -> None:
    """A part that is left over is on no list of what to buy."""
    (line,) = bought(make_plan())
    assert (1, "cinch") == (line[0], line[3])


# --- The slots -------------------------------------------------------------------------------------------------


def drawn(found: Plan) -> tuple[list[str], list[str]]:
    """The words of the wide and of the narrow drawing on a page."""
    reader = PageReader(html_of(found))
    return reader.inside("only-wide", "text"), reader.inside("only-narrow", "text")


def test_slots_are_drawn_before_and_after() -> None:
    """Each slot is drawn twice, today and as planned, with all that is in it and what becomes of it."""
    found = of_sheet("bench-1-refit")
    for words in drawn(found):
        assert {"Today", "As planned"} <= set(words)
        assert [2] * 6 == [words.count(slot.label) for slot in found.sheet.slots]
        assert 1 == words.count("new: reel rack")
        assert [1] * 4 == [words.count(f"new: bay {bay}: reel-{bay}") for bay in range(1, 5)]
        assert 2 == words.count("frescade")


def test_the_drawing_says_what_the_plan_holds() -> None:
    """What is drawn in each slot is what the placement says, and what is not in it is not drawn as planned."""
    found = of_sheet("bench-1-refit")
    for slot in plan_parts.slots(found):
        cards = [name for name, label in found.placement.cards.items() if label == slot.label]
        inside = [name for name, place in found.placement.drives.items() if place.holder in {*cards, slot.label}]
        words = " ".join(part.words for part in slot.planned)
        others = {*found.placement.cards, *found.placement.drives} - {*cards, *inside}
        assert [] == [name for name in (*cards, *inside) if name not in words]
        assert [] == [name for name in others if re.search(rf"\b{re.escape(name)}\b", words)]


def test_a_part_that_moves_or_comes_out_is_told() -> None:
    """Today's side says that a part moves or comes out, the other that it moved."""
    slots = (
        SlotSpec(label="SLOT1", connector=16, lanes=16, generation=4),
        SlotSpec(label="M2_1", kind="m.2", connector=4, lanes=1, generation=1),
    )
    rack = CardSpec(name="rack", connector=16, lanes=16, generation=4, carrier="switch", bays=1)
    old = CardSpec(name="old rack", connector=16, lanes=4, generation=4, carrier="switch", bays=1, slot="SLOT1")
    reel = DriveSpec(name="reel", generation=4, slot="M2_1")
    found = make_plan(
        sheet=Sheet(source="x.toml", machine=MachineSpec(), slots=slots, cards=(rack, old), drives=(reel,)),
        placement=Placement({"rack": "SLOT1"}, {"reel": DrivePlace("rack", 1)}),
        cards=(card("rack"),),
        drives=(drive("reel"),),
    )
    shown = {(part.words, part.word) for slot in plan_parts.slots(found) for part in (*slot.today, *slot.planned)}
    assert {
        *(("old rack", "comes out"), ("1 bay free", ""), ("reel", "moves")),
        *(("rack", "new"), ("bay 1: reel", "moved"), ("empty", "")),
    } == shown


def test_where_nothing_changes_the_slots_are_drawn_once() -> None:
    """A plan with nothing to do has one column, for today and for the plan."""
    wide, _ = drawn(still())
    assert "Today, and as planned" in wide
    assert 1 == wide.count("SLOT1")


def test_many_bays_and_many_empty_slots_are_drawn_together() -> None:
    """Twenty drives on one carrier are one line with the bays that they take, empty slots one box."""
    first, last = plan_parts.slots(large())
    assert ["rack", "bays 1 to 20: 20 drives, reel-01 to reel-20", "4 bays free"] == [
        part.words for part in first.planned
    ]
    assert "7 more slots" == last.label
    wide, narrow = drawings(plan_parts.slots(large()))
    assert 4 == len(wide.boxes) == len(narrow.boxes)


def test_bays_that_do_not_follow_each_other_are_told_apart() -> None:
    """Of many drives on one carrier those in neighbouring bays of which the same becomes are one line, no others."""
    now = {f"reel-{bay}": DrivePlace("rack", bay) for bay in (1, 2, 3, 4, 5, 6)}
    new = {f"tape-{bay}": DrivePlace("rack", bay) for bay in (7, 9, 10)}
    rack = CardSpec(name="rack", connector=16, lanes=16, generation=4, carrier="switch", bays=10, slot="SLOT1")
    reels = [DriveSpec(name=name, generation=4, card="rack", bay=place.bay) for name, place in now.items()]
    tapes = [DriveSpec(name=name, generation=4) for name in new]
    base = make_plan()
    sheet = msgspec.structs.replace(base.sheet, cards=(rack,), drives=(*reels, *tapes))
    found = make_plan(sheet=sheet, placement=Placement({"rack": "SLOT1"}, now | new))
    (slot,) = plan_parts.slots(found)
    assert [
        ("rack", ""),
        ("bays 1 to 6: 6 drives, reel-1 to reel-6", ""),
        ("bay 7: tape-7", "new"),
        ("bays 9 to 10: tape-9, tape-10", "new"),
        ("1 bay free", ""),
    ] == [(part.words, part.word) for part in slot.planned]


def test_a_slot_that_a_wide_card_hides_is_told() -> None:
    """What a card of double width hides is not called empty."""
    slots = (
        SlotSpec(label="SLOT1", connector=16, lanes=16, generation=4, covers=("SLOT2",)),
        SlotSpec(label="SLOT2", connector=1, lanes=1, generation=4),
    )
    screen = CardSpec(name="screen", connector=16, lanes=16, generation=4, wide=2, slot="SLOT1", stays=True)
    found = planned(Sheet(source="x.toml", machine=MachineSpec(), slots=slots, cards=(screen,)))
    assert ["hidden by screen"] == [part.words for part in plan_parts.slots(found)[1].planned]


@every_form
def test_lanes_that_are_taken_are_marked_at_their_slots(form: str) -> None:
    """A slot says what others leave it, in the drawing and in words; bays without lanes are not called free."""
    found = of_sheet("bench-2-shared-lanes")
    first, _, third, _ = plan_parts.slots(found)
    taken = "has 8 of its 16 lanes, as PCIE2 is filled"
    assert [taken, "rack", "bay 1: reel-1", "bay 2: reel-2", "2 bays without lanes"] == [
        part.words for part in first.planned
    ]
    dead = "has no lanes, as M2B is filled"
    assert [dead, "empty"] == [part.words for part in third.planned] == [part.words for part in third.today]
    wide, narrow = drawings(plan_parts.slots(found))
    for drawing in (wide, narrow):
        assert {taken, dead} <= {words.text for words in drawing.words}
    assert squeezed(taken) in squeezed(FORMS[form](found))


def test_a_reader_of_screens_hears_what_is_drawn() -> None:
    """Each drawing is an image with a name and a description; the list in words names each slot with both sides."""
    text = html_of(of_sheet("bench-1-refit"))
    images = re.findall(r'<svg[^>]* role="img" aria-labelledby="([^"]+)"', text)
    assert 2 == len(images)
    assert [] == [one for names in images for one in names.split() if f'id="{one}"' not in text]
    listed = PageReader(text).inside("inwords", "li")[0]
    assert listed.startswith("SLOT1 (16 GT/s (Gen 4) x16): today: empty. As planned: reel rack (new); bay 1: reel-1")


# --- Rates, steps, what is not known ---------------------------------------------------------------------------


@every_form
def test_rates_stand_beside_those_of_today(form: str) -> None:
    """The whole and each drive that works today have their rates of today beside those of the plan."""
    found = make_plan(drives=(drive("reel-1", together_today=(800.0, 890.2)),))
    said = squeezed(FORMS[form](found))
    assert "alldrivestogetherread,upto5,402MB/s14,404MB/s" in said
    assert "theslowestofthem,upto890MB/s3,300MB/s" in said
    assert "readatoncetoday" in said
    assert "800to890" in said
    assert "nothingfitted" in squeezed(FORMS[form](make_plan(today=None)))


def test_rates_of_today_are_those_of_the_model() -> None:
    """A drive behind one lane of 2.5 GT/s reads up to 250 MB/s less overhead today, and more where the plan puts it.

    Source: PCI Express Base, 2.5 GT/s with 8 of 10 bits carrying data give 250 MB/s a lane.
    """
    slots = (
        SlotSpec(label="M2_1", kind="m.2", connector=4, lanes=1, generation=1),
        SlotSpec(label="M2_2", kind="m.2", connector=4, lanes=4, generation=3),
    )
    reel = DriveSpec(name="reel", generation=3, slot="M2_1")
    found = planned(Sheet(source="x.toml", machine=MachineSpec(), slots=slots, drives=(reel,)))
    (one,) = found.drives
    assert one.together_today is not None
    assert 187.0 < one.together_today[0] < one.together_today[1] < 250.0
    assert one.together[1] > 3000.0
    form = msgspec.json.decode(data.encode(plan_data.plan(found)))
    assert [round(rate, 1) for rate in one.together_today] == form["drives"][0]["together_today_mbps"]
    (new,) = without_drives_but_one().drives
    assert new.together_today is None


def without_drives_but_one() -> Plan:
    """A plan of one drive that is new."""
    slots = (SlotSpec(label="M2_1", kind="m.2", connector=4, lanes=4, generation=3),)
    return planned(
        Sheet(source="x.toml", machine=MachineSpec(), slots=slots, drives=(DriveSpec(name="reel", generation=3),))
    )


@every_plan
@every_form
def test_cautions_stand_once_and_before_their_steps(name: str, form: str) -> None:
    """Each caution of the steps is told in full once, before the first step that it belongs to."""
    found = PLANS[name]()
    said = FORMS[form](found)
    said = said[said.rindex("What to do, in this order") :]
    told: set[str] = set()
    for step in found.steps:
        for caution in step.cautions:
            assert 1 == said.count(caution)
            if caution not in told:
                assert said.index(caution) < said.index(plain(step.text, 600))
            told.add(caution)


@every_form
def test_cautions_of_a_set_stand_before_its_rates(form: str) -> None:
    """Who reads what a stripe reaches has read what it risks."""
    said = FORMS[form](make_plan())
    said = said[said.rindex("Stripes") :]
    assert len(make_plan().stripes[0].cautions) == 2
    for caution in make_plan().stripes[0].cautions:
        assert said.index(caution) < said.index("11,816 to 14,404")


@every_form
def test_what_the_sheet_does_not_say_is_told(form: str) -> None:
    """Power, limits and lengths that are not told are named with what was taken in their place; else nothing is."""
    said = squeezed(FORMS[form](large()))
    for words in (
        "rack: its power is not told, and was counted as none",
        "its power is not told; that of a typical drive of its generation was counted",
        "its own limit of reading or writing is not told; the rates are those of its links",
        "its length is not told, and was held against no bay and no slot",
    ):
        assert squeezed(words) in said
    assert "What is not known" not in FORMS[form](of_sheet("bench-1-refit"))


# --- Hostile names ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*NAMES, HOSTILE, "| a | b |\n|---|---|\n# x\n![x](http://example.invalid) `y` **z**"])
def test_hostile_names_do_nothing(name: str) -> None:
    """Whatever a sheet calls its parts is text on both pages: no element, no mark, no control character of it acts."""
    found = make_plan(
        sheet=Sheet(
            source=name,
            machine=MachineSpec(name=name, product=name),
            slots=(SlotSpec(label=name, connector=16, lanes=16, generation=4, uplink=name),),
            cards=(CardSpec(name=name, kind=name, connector=16, lanes=16, generation=4),),
        ),
        cards=(card(name, slot=name, why=name),),
        drives=(drive(name, place=name, was=name, why=name, narrowest=name),),
        needs=(NeedSeen(name, "met", name),),
        unplaced=(Unplaced(name, name),),
        proved=False,
        gap=name,
    )
    candidates = [msgspec.structs.replace(make_candidate(name), limit=name, wasted=(name,), plan=found)]
    for shown in (found, candidates):
        made, marked = html_of(shown, name), markdown_of(shown, name)
        assert made.replace("\n", "").isprintable()
        assert marked.replace("\n", "").isprintable()
        assert squeezed(plain(name))[:100] in squeezed(PageReader(made).words)
        assert squeezed(plain(name))[:100] in squeezed(words_of_markdown(marked))
        assert [] == re.findall(r'<(?:script|img|link|iframe|base|a href="[^#])', made.split("</style>")[1])
        assert {kind for kind, _ in blocks(marked)} <= {"h1", "h2", "p", "li", "row"}
        # What is neither text nor a mark of ours stands there as "<link_open ...".
        assert [] == re.findall(r"<[a-z]+_[a-z]+ ", words_of_markdown(marked))


def test_a_hostile_sheet_is_planned_and_shown() -> None:
    """A whole sheet of hostile names goes through the planner, and its pages have the headings of any plan."""
    harmless, bad = (PageReader(html_of(found)) for found in (make_plan(), hostile()))
    for title in ("What to buy", "The slots, before and after", "What each drive should reach", "Stripes"):
        assert title in harmless.inside("h3")
        assert title in bad.inside("h3")


@every_form
def test_names_of_very_many_drives_are_whole(form: str) -> None:
    """Hundreds of drives that reach the same are all named, however long the list."""
    drives = tuple(drive(f"a drive with rather a long name {number:03}") for number in range(240))
    said = FORMS[form](make_plan(drives=drives, stripes=()))
    rates = said[said.rindex("What each drive should reach") :]
    assert [] == [one.name for one in drives if one.name not in rates]


def test_kinds_side_by_side_have_room() -> None:
    """No table of kinds has more than four of them beside each other, and none is left out."""
    tried = [make_candidate(f"kind-{number}") for number in range(9)]
    reader = PageReader(html_of(tried))
    heads = reader.inside("table.stack.kinds", "thead", "th")
    assert [f"kind-{number}" for number in range(9)] == [one for one in heads if one != "With"]
    rows = [len(list(run)) for run in _runs(heads)]
    assert [4, 4, 1] == rows


def _runs(heads: Sequence[str]) -> list[list[str]]:
    """The heads of each table, without its first."""
    starts = [place for place, one in enumerate(heads) if one == "With"]
    return [list(heads[first + 1 : last]) for first, last in pairwise([*starts, len(heads)])]
