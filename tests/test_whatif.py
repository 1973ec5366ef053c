"""Parts that are not bought yet: added to a sheet under new names, and kinds of carrier compared in one machine.

Rates by hand as in tests/test_plan.py: x4 at 8 GT/s carries 3,600.88 MB/s of data, x8 twice and x16 four times that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from agent.planner.whatif import added, compare
from agent.sheets.reading import card_of, drive_of, drives_of
from knowledge.problems import BadInput
from tests.small_sheets import FOUR_WAYS, card, drive, patience, sheet, slot, socket, switch

if TYPE_CHECKING:
    from agent.planner.result import Candidate
    from agent.sheets.sheet import Sheet

SWITCH = "switch-carrier-4-x8-gen3"
SPLIT = "split-carrier-4-x16-gen3"
SINGLE = "carrier-1-x4-gen3"
GEN3_X4 = 3600.879


def tried(one: Sheet, kind: str, words: str = "4xgen4") -> Candidate:
    """One kind in the machine of a sheet with new drives."""
    return compare(one, [kind], drives_of(words) if words else (), patience())[0]


# --- Added parts -------------------------------------------------------------------------------------------------


def test_added_parts_have_new_names_and_no_place() -> None:
    """New cards and drives stand behind those of the sheet, each under a name of its own, not fitted."""
    old = sheet([slot("SLOT1", 16)], [switch(f"new {SWITCH}")], [drive("new nvme-gen4 1")])
    new = added(old, [SWITCH, SWITCH], drives_of("2xgen4"))
    assert [f"new {SWITCH}", f"new {SWITCH} 2", f"new {SWITCH} 3"] == [one.name for one in new.cards]
    assert ["new nvme-gen4 1", "new nvme-gen4 1 2", "new nvme-gen4 2"] == [one.name for one in new.drives]
    assert [None, None] == [one.slot for one in new.cards[1:]]
    assert card_of(SWITCH, "x").bays == new.cards[1].bays
    assert drive_of("nvme-gen4", "x").read_mbps == new.drives[1].read_mbps
    assert old.cards == new.cards[:1]


def test_an_unknown_kind_is_refused() -> None:
    """A kind that is not known is bad input that names the nearest."""
    with pytest.raises(BadInput, match="switch-carrier-4-x8-gen3"):
        added(sheet([slot("SLOT1", 16)]), ["switch-carier-4-x8-gen3"], ())


# --- Candidates --------------------------------------------------------------------------------------------------


def test_a_switch_carrier_shares_its_link() -> None:
    """Four drives on eight lanes of 8 GT/s have one drive's rate alone and eight lanes together, and lanes lie idle."""
    found = tried(sheet([slot("SLOT1", 16)]), SWITCH)
    assert (SWITCH, 1) == (found.kind, found.slots_used)
    assert found.alone is not None
    assert found.together is not None
    assert found.stripe is not None
    assert pytest.approx(GEN3_X4, abs=0.01) == found.alone[1]
    assert pytest.approx(2 * GEN3_X4, abs=0.01) == found.together[1]
    assert pytest.approx(2 * GEN3_X4, abs=0.01) == found.stripe[1]
    assert f"the link of new {SWITCH} in SLOT1" == found.limit
    held = 4 * 7000 - 2 * GEN3_X4
    assert ("8 of 16 lanes of SLOT1", f"{held:,.0f} MB/s of what the drives could read") == found.wasted
    own = card_of(SWITCH, "x").power_watts
    each = drive_of("nvme-gen4", "x").power_watts
    assert own is not None
    assert each is not None
    assert own + 4 * each == found.watts
    assert () == found.plan.unplaced


def test_a_split_carrier_needs_its_slot_split() -> None:
    """Where the slot splits, four drives run side by side; where it does not, one works and the rest has no place."""
    good = tried(sheet([slot("SLOT1", 16, splits=FOUR_WAYS)]), SPLIT)
    assert good.together is not None
    assert pytest.approx(4 * GEN3_X4, abs=0.01) == good.together[1]
    assert "its own link, 8 GT/s (Gen 3) x4" == good.limit
    poor = tried(sheet([slot("SLOT1", 16)]), SPLIT)
    assert poor.together is not None
    assert pytest.approx(GEN3_X4, abs=0.01) == poor.together[1]
    assert poor.stripe is None
    assert poor.limit.startswith(f"3 of 4 drives have no place: new {SPLIT} needs a four-way split for all bays; SLOT1")
    assert f"3 bays of new {SPLIT} without lanes in SLOT1" in poor.wasted
    assert "12 of 16 lanes of SLOT1" in poor.wasted


def test_as_many_cards_are_tried_as_the_drives_need() -> None:
    """Four drives take four single-bay carriers where there are slots, and only those that are used count."""
    wide = tried(sheet([slot(f"SLOT{number}") for number in range(1, 6)]), SINGLE)
    assert (4, "4 cards of this kind; its own link, 8 GT/s (Gen 3) x4") == (wide.slots_used, wide.limit)
    assert 4 == len(wide.plan.sheet.cards)
    tight = tried(sheet([slot("SLOT1"), slot("SLOT2")], [card("net", slot="SLOT2", stays=True)]), SINGLE)
    assert (1, 2) == (tight.slots_used, len(tight.plan.sheet.cards))
    assert 3 == sum(one.name.startswith("new nvme") for one in tight.plan.unplaced)
    assert not any("have no place either" in one.why for one in tight.plan.unplaced)


def test_a_carrier_that_fits_nowhere_has_no_rates() -> None:
    """A kind without a slot is told with the reason, and its drives have no rates."""
    found = tried(sheet([slot("SLOT1", 4)]), SWITCH)
    assert (None, None, None, 0, 0) == (found.alone, found.together, found.stripe, found.slots_used, found.watts)
    assert found.limit.startswith("4 of 4 drives have no place: ")
    reasons = {one.name: one.why for one in found.plan.unplaced}
    assert "its x8 connector does not go into SLOT1" == reasons[f"new {SWITCH}"]


def test_drives_that_do_better_elsewhere_are_told() -> None:
    """Where the board's own socket serves a drive best, the comparison says so."""
    found = tried(sheet([slot("SLOT1", 16), socket("M1", 4)]), SWITCH, "1xgen4")
    assert "1 drive better off in M1; the drive itself" == found.limit
    assert 0 == found.slots_used


def test_empty_bays_are_told() -> None:
    """A carrier with more bays than drives says how many stay empty."""
    assert f"2 empty bays on new {SWITCH}" in tried(sheet([slot("SLOT1", 8)]), SWITCH, "2xgen3").wasted


def test_without_drives_those_of_the_machine_are_looked_at() -> None:
    """Compared without new drives, a carrier is held to what it does for the drives that move to it."""
    old = sheet([slot("SLOT1", 16), socket("M1", 1)], [], [drive("a", slot="M1")])
    found = tried(old, SWITCH, "")
    assert found.alone is not None
    assert pytest.approx(GEN3_X4, abs=0.01) == found.alone[1]
    assert 1 == found.slots_used


def test_candidates_come_in_the_order_asked_for() -> None:
    """Several kinds are tried one by one in the same machine."""
    one = sheet([slot("SLOT1", 16, splits=FOUR_WAYS)])
    found = compare(one, [SPLIT, SWITCH], drives_of("4xgen3"), patience())
    assert [SPLIT, SWITCH] == [candidate.kind for candidate in found]
    assert found[0].together is not None
    assert found[1].together is not None
    assert found[0].together > found[1].together


def test_a_candidate_that_was_not_searched_to_the_end_is_not_said_to_be_of_no_use() -> None:
    """Where time ran out it is not known whether anything is gained with it, as in a plan."""
    one = sheet([slot("SLOT1", 16)])
    (found,) = compare(one, [SWITCH], drives_of("4xgen4"), patience(3))
    assert not found.plan.proved
    assert found.plan.unplaced or found.plan.spares
    assert not [part for part in found.plan.spares if "not needed" in part.why]
