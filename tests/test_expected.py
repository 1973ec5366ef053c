"""What a sheet expects of a machine, whose limits are whose, and sheets for another machine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.model.expected import CardExpected, DriveExpected
from agent.sheets.expected import expected, limits, same_machine, same_serial
from agent.sheets.reading import parse
from agent.sheets.writing import from_audit
from knowledge.problems import BadInput
from probes.tokens import Known
from probes.unread import Unread
from tests.test_machines import audited

if TYPE_CHECKING:
    from collections.abc import Mapping

    from agent.audit import Audit
    from agent.sheets.sheet import Sheet

SHEET: Final = """\
format = "lanewright-sheet"
version = 1

[machine]
name = "bench-1"
product = "Editing tower 1"
board = "WS-7"
payload_bytes = 256

[[slot]]
label = "SLOT1"
connector = 16
lanes = 8
generation = 3
port = "0000:00:01.0"

[[slot]]
label = "SLOT2"
connector = 16
lanes = 16
generation = 4

[[slot]]
label = "M2_1"
kind = "m.2"
lanes = 4
generation = 3

[[card]]
name = "carrier"
connector = 8
lanes = 8
generation = 3
carrier = "switch"
bays = 4
bay_generation = 4
slot = "SLOT1"
pci_id = "f1b2:0480"

[[card]]
name = "riser"
connector = 16
lanes = 16
generation = 4
carrier = "passive"
bays = 4
slot = "SLOT2"

[[card]]
name = "spare"
connector = 1
lanes = 1
generation = 1

[[drive]]
name = "reel-1"
generation = 4
card = "carrier"
bay = 1
model = "Reel"
serial = "R-1"

[[drive]]
name = "reel-2"
generation = 4
card = "carrier"
bay = 2
read_mbps = 1500

[[drive]]
name = "reel-3"
generation = 4
card = "riser"
bay = 2

[[drive]]
name = "system"
generation = 4
slot = "M2_1"

[[drive]]
name = "boxed"
generation = 4
"""


def sheet() -> Sheet:
    """The sheet above."""
    return parse(SHEET, "bench-1.toml")


def rounded(rates: tuple[float, float] | None) -> tuple[float, float] | None:
    """A range in tenths."""
    return None if rates is None else (round(rates[0], 1), round(rates[1], 1))


# --- What is expected --------------------------------------------------------------------------------------------


def test_cards_are_expected_in_their_slots_with_their_links() -> None:
    """A card has the link of both ends in its slot, a passive carrier none; a card in the box is not asked."""
    found = expected(sheet())
    assert found.source == "bench-1.toml"
    assert found.ports == {"SLOT1": "0000:00:01.0"}
    assert found.cards == (
        CardExpected(
            name="carrier",
            slot="SLOT1",
            port="0000:00:01.0",
            pci_id="f1b2:0480",
            carrier="switch",
            bays=4,
            link=(3, 8),
        ),
        CardExpected(name="riser", slot="SLOT2", port=None, pci_id=None, carrier="passive", bays=4, link=None),
    )


def test_drives_are_expected_with_their_rates() -> None:
    """Rates are those of the model, by hand: a Gen3 x8 link of 7876.9 MB/s carries 7201.8 at 256 bytes of payload.

    Two drives share it, one of which reads 1500 MB/s at most; the low end is three quarters (common practice).
    """
    found = {drive.name: drive for drive in expected(sheet()).drives}
    assert list(found) == ["reel-1", "reel-2", "reel-3", "system"]
    assert (found["reel-1"].link, found["system"].link) == ((4, 4), (3, 4))
    assert rounded(found["reel-1"].alone) == (5907.7, 7201.8)
    assert rounded(found["reel-1"].together) == (4407.7, 5701.8)
    assert rounded(found["reel-2"].together) == (1500.0, 1500.0)
    assert rounded(found["system"].alone) == (2953.8, 3600.9)
    assert (found["reel-1"].card, found["reel-1"].bay, found["reel-1"].slot) == ("carrier", 1, None)
    assert (found["reel-1"].model, found["reel-1"].serial) == ("Reel", "R-1")
    assert (found["system"].card, found["system"].slot) == (None, "M2_1")


def test_a_drive_that_the_slot_does_not_reach_is_expected_without_rates() -> None:
    """The second bay of a passive carrier in a slot that does not split is a place, but no link is promised there."""
    found = {drive.name: drive for drive in expected(sheet()).drives}
    assert found["reel-3"] == DriveExpected(
        name="reel-3",
        card="riser",
        bay=2,
        slot=None,
        model=None,
        serial=None,
        link=None,
        alone=None,
        together=None,
    )


def test_a_sheet_that_places_nothing_expects_its_parts_anywhere() -> None:
    """Where no part has a place, the sheet is a list of what should be fitted."""
    bare = sheet()
    bare = replace(
        bare,
        cards=tuple(replace(card, slot=None) for card in bare.cards),
        drives=tuple(replace(drive, card=None, bay=None, slot=None) for drive in bare.drives),
    )
    found = expected(bare)
    assert [(card.name, card.slot) for card in found.cards] == [("carrier", None), ("riser", None), ("spare", None)]
    assert [drive.name for drive in found.drives] == ["reel-1", "reel-2", "reel-3", "system", "boxed"]
    assert {(drive.card, drive.slot, drive.link, drive.alone) for drive in found.drives} == {(None, None, None, None)}


def test_a_drive_on_a_card_in_the_box_is_not_expected() -> None:
    """What sits on a card that is not fitted is not fitted either."""
    bare = sheet()
    boxed = replace(bare, cards=tuple(replace(card, slot=None) if card.bays else card for card in bare.cards))
    assert [drive.name for drive in expected(boxed).drives] == ["system"]


@pytest.mark.parametrize("name", ["bench-1-upgraded", "bench-1-switch-carrier", "bench-1-stripe-set"])
def test_a_healthy_machine_reaches_what_its_own_sheet_expects(name: str) -> None:
    """A sheet made from a machine without faults expects the links and rates that the audit finds there."""
    seen = audited(name)
    found = {drive.name: drive for drive in expected(parse(from_audit(seen, name), name)).drives}
    for one in seen.drives:
        if one.drive.kind == "nvme":
            assert rounded(one.alone) == rounded(found[one.drive.name].alone)
            assert rounded(one.together) == rounded(found[one.drive.name].together)


# --- Limits --------------------------------------------------------------------------------------------------------


def fitted(name: str) -> tuple[Audit, Sheet]:
    """A fixture machine and the sheet made from it."""
    seen = audited(name)
    return seen, parse(from_audit(seen, name), name)


def changed(found: Sheet, **drives: Mapping[str, object]) -> Sheet:
    """The sheet with fields of single drives changed."""
    return replace(found, drives=tuple(replace(one, **drives.get(one.name, {})) for one in found.drives))


def test_limits_follow_the_serial_number() -> None:
    """A drive is known by its serial number wherever it is now, whatever its name was when the sheet was made."""
    seen, found = fitted("bench-1-upgraded")
    moved = changed(found, nvme5={"name": "reel", "read_mbps": 5000.0, "write_mbps": 4000.0, "card": None, "bay": None})
    assert limits(moved, seen) == {"nvme5": (5000.0, 4000.0)}


def test_limits_follow_the_place_where_there_is_no_serial_number() -> None:
    """Without serial numbers, drives of one carrier have their limits if they are all the same."""
    seen, found = fitted("bench-1-upgraded")
    same: dict[str, dict[str, object]] = {
        one.name: {"serial": None, "read_mbps": 5000.0 if one.card == "carrier" else None} for one in found.drives
    }
    expected_limits = {f"nvme{n}": (5000.0, None) for n in range(4)}
    assert limits(changed(found, **same), seen) == expected_limits
    other: dict[str, dict[str, object]] = {**same, "nvme1": {"serial": None, "read_mbps": 4000.0}}
    assert limits(changed(found, **other), seen) == {}


def test_limits_follow_the_model_where_there_is_nothing_else() -> None:
    """A drive whose place and serial number say nothing has the limits that all drives of its model have."""
    seen, found = fitted("bench-1-upgraded")
    bare: dict[str, dict[str, object]] = {
        one.name: {"serial": None, "card": None, "bay": None, "slot": None} for one in found.drives
    }
    bare["nvme4"]["read_mbps"] = 3000.0
    assert limits(changed(found, **bare), seen) == {"nvme4": (3000.0, None)}


def test_another_drive_in_the_same_place_has_no_limits_of_the_old_one() -> None:
    """A drive with another serial number is another drive."""
    seen, found = fitted("bench-1-upgraded")
    other = changed(found, nvme4={"serial": "another", "read_mbps": 3000.0})
    assert limits(other, seen) == {}


def test_serial_numbers_are_compared_with_their_tokens() -> None:
    """A serial number and its token are the same drive; two of which one is missing tell nothing."""
    token = Known().word("RL4-10001")
    assert same_serial("RL4-10001", "RL4-10001") is True
    assert same_serial(token, "RL4-10001") is True
    assert same_serial("RL4-10001", token) is True
    assert same_serial(token, "RL4-10002") is False
    assert same_serial("RL4-10002", "RL4-10001") is False
    assert same_serial(None, "RL4-10001") is None
    assert same_serial("RL4-10001", None) is None


# --- The same machine ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value", "line"), [("name", "bench-2", 5), ("product", "Editing tower 2", 6), ("board", "WS-5", 7)]
)
def test_a_sheet_for_another_machine_is_refused(key: str, value: str, line: int) -> None:
    """Where sheet and machine tell different names, products or boards, one sentence names file, line and key."""
    lines = [
        f'{key} = "{value}"' if one.startswith(f"{key} = ") and n < 9 else one
        for n, one in enumerate(SHEET.splitlines())
    ]
    with pytest.raises(BadInput) as caught:
        same_machine(parse("\n".join(lines), "bench-1.toml"), audited("bench-1-upgraded").facts)
    assert str(caught.value).startswith(f"bench-1.toml, line {line}, machine.{key}: the sheet is for ")
    assert f'"{value}"' in str(caught.value)


def test_what_only_one_side_tells_is_no_difference() -> None:
    """A sheet without names fits any machine, and a machine whose names are tokens or unread fits any sheet."""
    facts = audited("bench-1-upgraded").facts
    same_machine(sheet(), facts)
    same_machine(parse('format = "lanewright-sheet"\nversion = 1\n', "any.toml"), facts)
    host = replace(facts.host, name="~0123456789", product=None, board="To be filled by O.E.M.")
    same_machine(sheet(), replace(facts, host=host))
    host = replace(facts.host, name=Unread("hostname", "not there"), product="EDITING TOWER 1")
    same_machine(sheet(), replace(facts, host=host))


@pytest.mark.parametrize("name", ["hostile-names", "bench-1-upgraded", "lab-narrowed", "guest-plain"])
def test_a_sheet_fits_the_machine_that_it_was_made_from(name: str) -> None:
    """A machine is never refused its own sheet, whatever it is called."""
    seen, found = fitted(name)
    same_machine(found, seen.facts)
