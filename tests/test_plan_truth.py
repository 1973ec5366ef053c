"""The reasons of plans are true: each is held against every arrangement there is, or against a limit that is lifted.

Outside source: the plain enumeration of `tests/brute.py`, which knows nothing of the search or of reasons.
"""

from __future__ import annotations

from collections import Counter
from itertools import islice
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as some
from msgspec.structs import replace

from agent.planner.build import build, placement_of
from agent.planner.clock import always
from agent.planner.instead import Instead
from agent.planner.problem import READ, allowed, score
from agent.planner.reasons import unplaced
from agent.planner.search import search
from agent.planner.whys import Whys
from tests import brute
from tests.small_sheets import FOUR_WAYS, card, drives, passive, sheet, slot, socket, switch
from tests.test_plan import any_sheet
from tests.test_shared_lanes import random_sheet

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.planner.problem import Arrangement, Score
    from agent.planner.whys import Reason
    from agent.sheets.sheet import CardSpec, DriveSpec, Sheet

MOST: Final = 20_000  # arrangements of one sheet that are looked at one by one


class Enumerated:
    """A sheet with its best arrangement, its reasons, and every arrangement that there is."""

    def __init__(self, one: Sheet) -> None:
        """Find them all."""
        self.sheet = one
        self.built = build(one)
        self.problem = self.built.problem
        self.best = search(self.problem).best
        self.score = score(self.problem, self.best)
        self.placement = placement_of(self.built, self.best)
        self.whys = Whys(self.built, self.best, self.placement, Instead(self.built, always))
        self.all = list(islice(brute.arrangements(self.problem), MOST + 1))

    @property
    def whole(self) -> bool:
        """Whether all arrangements were looked at."""
        return len(self.all) <= MOST

    def slot_of(self, arrangement: Arrangement, number: int) -> int | None:
        """The slot of a card in an arrangement."""
        holders = (self.problem.holders[one] for one in arrangement.holders)
        return next((holder.slot for holder in holders if holder.card == number), None)

    def best_with(self, number: int, slots: Iterable[int | None]) -> Score | None:
        """The best score with a card in one of some slots (None: nowhere), by looking at all."""
        places = set(slots)
        return max((score(self.problem, one) for one in self.all if self.slot_of(one, number) in places), default=None)

    def card_is_true(self, part: CardSpec, reason: Reason) -> None:
        """A card's reason: the best elsewhere is as good as is said, and no better."""
        number = self.sheet.cards.index(part)
        here = self.slot_of(self.best, number)
        elsewhere = {holder.slot for holder in self.problem.holders if holder.card == number} - {here}
        assert (reason.sort == "only") == (not elsewhere and reason.sort != "kept")
        if reason.other is None:
            assert reason.sort in {"kept", "only"}
            return
        was = self.problem.card_today[number]
        moved = was is not None and was != here
        slots = {was} if moved and was in elsewhere else elsewhere
        assert allowed(self.problem, reason.other)
        worth = score(self.problem, reason.other)
        there = self.slot_of(reason.other, number)
        if reason.sort == "one":
            assert there in slots
            assert reason.decides in {"moves", "room", ""}
            self.decides(reason, worth)
            return
        assert set(reason.slots) == slots
        if there is None:
            assert not self.problem.must[number]
            assert worth == self.best_with(number, {None, *reason.slots})
        else:
            assert worth == self.best_with(number, reason.slots)
        self.decides(reason, worth)

    def put_in_is_true(self, part: CardSpec) -> None:
        """A card without a place: put into a slot, the best that is left is as said, and another part is out."""
        number = self.sheet.cards.index(part)
        for place, label in enumerate(self.sheet.slots):
            best = self.best_with(number, {place})
            found = self.whys.with_card(part, label)
            assert (best is None) == (found is None)
            if found is not None:
                assert best == score(self.problem, found)
                assert self.whys.losses.out(found)

    def decides(self, reason: Reason, worth: Score) -> None:
        """What is said to decide is what counts first, and nothing is better than the plan."""
        assert worth <= self.score
        fields = ("placed", "needs", "worst", "total", "moves", "room")
        differ = [field for field in fields if getattr(worth, field) != getattr(self.score, field)]
        assert reason.decides == (differ[0] if differ else "")

    def drive_is_true(self, part: DriveSpec, reason: Reason) -> None:
        """A drive's reason: the exchange can be made and is worth what is said, or none can be made."""
        kind = next(number for number, names in enumerate(self.built.members) if part.name in names)
        if reason.other is not None:
            assert reason.sort == "one"
            assert allowed(self.problem, reason.other)
            assert reason.other != self.best
            self.decides(reason, score(self.problem, reason.other))
        elif reason.sort == "only":
            place = self.placement.drives[part.name]
            homes = {holder.home for holder in self.problem.holders if holder.rates[kind][READ]}
            assert len(homes) == 1, place


@given(some.data())
@settings(max_examples=40, deadline=None)
def test_what_is_said_to_be_lost_elsewhere_is_lost(data: some.DataObject) -> None:
    """A card weighed against the best elsewhere, a drive against an exchange: each is worth exactly what is said."""
    seen = Enumerated(any_sheet(data))
    assume(seen.whole)
    all_reasons_are_true(seen)


def test_each_sort_of_reason_is_met_and_true() -> None:
    """The same on small machines in which parts are in each other's way, whatever is drawn above."""
    met: Counter[str] = Counter()
    for seed in range(60):
        seen = Enumerated(random_sheet(seed))
        assert seen.whole
        met += all_reasons_are_true(seen)
    assert met["best"] >= 20
    assert met["one"] >= 20
    assert met["put in"] >= 1


def all_reasons_are_true(seen: Enumerated) -> Counter[str]:
    """Hold every reason of a plan against all arrangements; how many of each sort there were."""
    met: Counter[str] = Counter()
    assert seen.score == max(score(seen.problem, one) for one in seen.all)
    for part in seen.sheet.cards:
        if part.name in seen.placement.cards:
            reason = seen.whys.card_reason(part)
            met[reason.sort] += 1
            seen.card_is_true(part, reason)
    for one in seen.sheet.drives:
        if one.name in seen.placement.drives and one.name not in {part.name for part in unworking(seen)}:
            seen.drive_is_true(one, seen.whys.drive_reason(one))
    for part in seen.sheet.cards:
        if part.carrier == "none" and part.name not in seen.placement.cards:
            met["put in"] += 1
            seen.put_in_is_true(part)
    return met


def unworking(seen: Enumerated) -> list[DriveSpec]:
    """The drives without a place where they work."""
    missing = {part.name for part in unplaced(seen.sheet, seen.placement)[0]}
    return [one for one in seen.sheet.drives if one.name in missing]


# --- Limits that are lifted --------------------------------------------------------------------------------------


def lifted(one: Sheet, place: str, limit: str) -> Sheet:
    """The sheet with what is in the way of a part at one place taken away."""
    free: dict[str, dict[str, object]]
    if limit == "no slot":
        return replace(one, slots=(*one.slots, ROOMY))
    if any(spec.name == place for spec in one.cards):
        if limit == "split":
            return split_up(one, place)
        free = {"power": POWER, "bays": {"bays": 16, "carrier": "switch", **POWER}, "length": {"bay_lengths": ()}}
        return changed(one, "cards", place, **free[limit])
    if limit == "bays":
        return replace(one, slots=(*one.slots, ROOMY))
    if limit in {"held", "hidden"}:
        spec = next(spec for spec in one.slots if spec.label == place)
        return replace(one, slots=(*one.slots, replace(spec, label="SPARE", covers=(), power_watts=1000.0)))
    return changed(one, "slots", place, **LIFTED[limit])


POWER: Final[dict[str, object]] = {"cable_watts": 1000.0}
ROOMY: Final = slot("SPARE", 16, 4, splits=FOUR_WAYS)
LIFTED: Final[dict[str, dict[str, object]]] = {
    "connector": {"open_end": True},
    "height": {"height": "full"},
    "length": {"longest_mm": None, "lengths": ()},
    "power": {"power_watts": 1000.0},
}


def changed(one: Sheet, table: str, name: str, **more: object) -> Sheet:
    """The sheet with other figures for one part or slot."""
    parts = getattr(one, table)
    key = "label" if table == "slots" else "name"
    return replace(
        one, **{table: tuple(replace(part, **more) if getattr(part, key) == name else part for part in parts)}
    )


def split_up(one: Sheet, carrier: str) -> Sheet:
    """The sheet with every slot split for a carrier that has all the power that it may want."""
    slots = tuple(
        replace(spec, lanes=16, splits=((4, 4, 4, 4),)) if spec.kind == "card" else spec for spec in one.slots
    )
    return changed(replace(one, slots=slots), "cards", carrier, cable_watts=1000.0)


@given(some.data())
@settings(max_examples=60, deadline=None)
def test_a_limit_that_is_named_is_what_is_in_the_way(data: some.DataObject) -> None:
    """With what is named at a place taken away, one more part has a place; a form or length no longer refuses it."""
    one = any_sheet(data)
    found = search(build(one).problem)
    placement = placement_of(build(one), found.best)
    for part in unplaced(one, placement)[0]:
        for place, limit in part.limits.items():
            free = lifted(one, place, limit)
            if limit == "length":  # holds whether or not the place is free
                again = {left.name: left.limits for left in unplaced(free, placement)[0]}
                assert "length" != again[part.name].get(place)
            else:
                assert search(build(free).problem).score.placed > found.score.placed, (part, place)


RACK: Final = switch("rack", 4, 8, connector=16)
BOUND: Final = [
    (sheet([slot("SLOT1", 16, power_watts=20.0)], [RACK], drives(3)), "drive-2", "power"),
    (sheet([slot("SLOT1", 8)], [switch("rack", 4, 8)], drives(4)), "drive-3", "power"),
    (sheet([slot("SLOT1", 16)], [passive("rack")], drives(2)), "drive-2", "split"),
    (sheet([slot("SLOT1", 16, splits=FOUR_WAYS)], [passive("rack")], drives(5)), "drive-5", "bays"),
    (sheet([slot("SLOT1", 16)], [switch("rack", 4, 16)], drives(5)), "drive-5", "bays"),
    (sheet([socket("M1", power_watts=7.0)], [], drives(1)), "drive-1", "power"),
    (sheet([slot("SLOT1", 16, power_watts=25.0)], [card("net", 16, power_watts=31.0)]), "net", "power"),
    (sheet([slot("SLOT1", 8)], [card("net", 16)]), "net", "connector"),
    (sheet([slot("SLOT1", 16, height="low")], [card("net")]), "net", "height"),
    (sheet([slot("SLOT1", 16, longest_mm=99)], [card("net", length_mm=200)]), "net", "length"),
]


@pytest.mark.parametrize(("one", "part", "limit"), BOUND)
def test_each_sort_of_limit_is_named_and_binds(one: Sheet, part: str, limit: str) -> None:
    """Power, splits and shapes are named where they are in the way, and with them lifted the part has a place."""
    found = search(build(one).problem)
    missing = {left.name: left for left in unplaced(one, placement_of(build(one), found.best))[0]}
    (place,) = missing[part].limits
    assert {place: limit} == missing[part].limits
    free = lifted(one, place, limit)
    assert search(build(free).problem).score.placed > found.score.placed
