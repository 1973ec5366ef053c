"""Words and tokens of a comparison: what tells parts apart, lists and counts, and doubts that are said once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from agent.compare.doubts import MOST_NAMED, Doubts
from agent.compare.naming import by_severity, direction
from agent.model.findings import Severity
from agent.model.identity import card_token, drive_token, ids, in_order, position
from knowledge import pcie
from knowledge.phrasing import counted, listed
from probes.decode import Registers
from probes.redact_text import serial_number
from probes.tokens import Known
from probes.unread import Unread
from tests.kept import drive, function

if TYPE_CHECKING:
    from agent.compare.changes import Direction

LOST: Final = Unread("what was asked for", "the device gave an error")
ROOT: Final = Unread("what was asked for", "root may read it", needs_root=True)


# --- What tells a part from its like -------------------------------------------------------------------------------


def test_numbers_of_a_function_are_those_that_were_read() -> None:
    """Maker, model, both numbers of the subsystem and class, None for each that was not read."""
    read = function("01:00.0", 0x010802, subsystem_vendor_id=7, subsystem_id=9)
    assert (0xF1C4, 0x0042, 7, 9, 0x010802) == ids(read)
    lost = function("01:00.0", LOST, vendor_id=LOST, device_id=LOST, subsystem_vendor_id=LOST, subsystem_id=LOST)  # type: ignore[arg-type]
    assert (None,) * 5 == ids(lost)


@pytest.mark.parametrize("serial", ["", "   ", None, LOST, "0000000000", "xxxxxxxx", "None"])
def test_what_is_no_serial_number_tells_no_drive(serial: str | Unread | None) -> None:
    """Nothing, nothing read, and what makers leave in the field instead of a number."""
    assert drive_token(drive(serial=serial)) is None


def test_a_serial_number_goes_by_its_token_in_every_capture() -> None:
    """A capture without serial numbers has the token itself; that of a disk is cut to its field."""
    token = serial_number("HLA0042QX7", Known())
    assert token.casefold() == drive_token(drive(serial=" HLA0042QX7 "))
    short = serial_number("QX7-4", Known()).casefold()
    assert [short, short[:5]] == [drive_token(drive(serial="QX7-4", kind=kind)) for kind in ("nvme", "sata")]
    assert len(short) > len("QX7-4")
    assert drive_token(drive(serial="HLA0042QX8")) != drive_token(drive(serial="HLA0042QX7"))


@pytest.mark.parametrize(
    ("number", "told"), [(0x0240_5CFF_FE00_1207, True), (1, True), (0, False), (2**64 - 1, False), (2**64 - 2, True)]
)
def test_a_card_is_told_by_a_number_that_is_one(number: int, told: bool) -> None:  # noqa: FBT001 - a column of the table
    """All bits clear or set are no Device Serial Number (PCI Express Base, its Extended Capability)."""
    given = Registers.of({pcie.DEVICE_SERIAL_NUMBER: number})
    token = card_token((function("01:00.0", 0x020000, registers=given),))
    assert told == (token is not None)
    if token is not None:
        assert 16 == len(bytes.fromhex(token)) * 2


def test_a_card_without_functions_or_number_has_none() -> None:
    """A disk has no function, and a card whose number was not given has no token."""
    assert [None, None] == [card_token(()), card_token((function("01:00.0", 0x020000),))]


@pytest.mark.parametrize(
    ("address", "place"),
    [("0000:01:00.0", "00.0"), ("01:1f.3", "1f.3"), ("0000:01:00.1@entry", "00.1"), ("entry-77", ""), ("", "")],
)
def test_a_position_is_device_and_function(address: str, place: str) -> None:
    """Bus numbers change with every card; what stays is the last part of an address, where there is one."""
    assert place == position(address)


def test_addresses_are_in_the_order_of_their_places() -> None:
    """What follows the sign of an entry comes after what has none."""
    shuffled = ["0000:02:00.0", "0000:01:00.0@b", "0000:01:00.0", "0000:01:00.0@a"]
    assert ["0000:01:00.0", "0000:01:00.0@a", "0000:01:00.0@b", "0000:02:00.0"] == sorted(shuffled, key=in_order)


# --- Words ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "words"),
    [(0, ""), (1, "a"), (2, "a and b"), (3, "a, b and c"), (4, "a, b, c and d"), (5, "a, b, c, d and 1 more")],
)
def test_a_list_names_four_and_counts_the_rest(count: int, words: str) -> None:
    """The last of a whole list stands behind "and"; past four names the others are counted."""
    assert words == listed(list("abcde")[:count], most=MOST_NAMED)


def test_numbers_have_words() -> None:
    """One is a word, more are figures; an odd plural is given."""
    assert ["one drive", "2 drives", "0 drives", "3 kinds of it"] == [
        counted(1, "drive"),
        counted(2, "drive"),
        counted(0, "drive"),
        counted(3, "kind of it", "kinds of it"),
    ]


@pytest.mark.parametrize(
    ("before", "after", "least", "way"),
    [
        (1.0, 2.0, 0.0, "better"),
        (2.0, 1.0, 0.0, "worse"),
        (1.0, 1.0, 0.0, "other"),
        (1.0, 1.5, 0.5, "other"),
        (1.0, 1.6, 0.5, "better"),
        (1.6, 1.0, 0.5, "worse"),
    ],
)
def test_a_figure_goes_one_way_past_what_may_vary(before: float, after: float, least: float, way: Direction) -> None:
    """More is better; what differs by no more than it may is the same."""
    assert way == direction(before, after, least=least)


def test_only_faults_and_limits_are_bad() -> None:
    """A fault is worse than a limit, a limit than a note; what is not known is no worse than a note."""
    order = (Severity.FAULT, Severity.LIMIT, Severity.NOTE)
    assert ["better", "better"] == [by_severity(*order[:2]), by_severity(*order[1:])]
    assert ["worse", "worse"] == [by_severity(*order[1::-1]), by_severity(*order[:0:-1])]
    assert {"other"} == {by_severity(Severity.NOTE, one) for one in (Severity.OK, Severity.UNKNOWN, Severity.NOTE)}


# --- Doubts --------------------------------------------------------------------------------------------------------


def said(doubts: Doubts) -> list[tuple[str, str, bool]]:
    """All that is said: what, why, and whether root would read it."""
    return [(one.what, one.why, one.needs_root) for one in doubts.result()]


def test_what_root_would_have_read_is_one_line_for_each_side() -> None:
    """Kinds and the number of parts or ports, before what failed, the first side first; one part counted once."""
    doubts = Doubts()
    doubts.add("link rate", "a card", 1, "it was asleep")
    for side in (1, 0):
        doubts.add("health", "nvme0", side, ROOT)
        doubts.add("health", "nvme0", side, ROOT)
    doubts.add("health", "nvme1", 0, ROOT)
    doubts.add("occupancy", "SLOT1", 0, ROOT)
    doubts.add("slots", "", 0, ROOT)
    ordinary = "read as an ordinary user; only root can read these"
    assert [
        ("health of 2 parts, occupancy of one port and slots", f"before: {ordinary}", True),
        ("health of one part", f"after: {ordinary}", True),
        ("link rate of a card", "after: it was asleep", False),
    ] == said(doubts)


def test_parts_with_one_reason_are_one_line() -> None:
    """A reason is said once, with its side, for all parts it holds for; a remark belongs to no side."""
    doubts = Doubts()
    for part in ("nvme0", "nvme1"):
        doubts.add("health", part, 0, LOST)
    doubts.add("health", "nvme0", 1, LOST)
    doubts.add("the list", "", 0, LOST)
    doubts.remark("rates", "nvme2", "a link rested")
    assert [
        ("health of nvme0 and nvme1", f"before: {LOST.why}", False),
        ("health of nvme0", f"after: {LOST.why}", False),
        ("the list", f"before: {LOST.why}", False),
        ("rates of nvme2", "a link rested", False),
    ] == said(doubts)
