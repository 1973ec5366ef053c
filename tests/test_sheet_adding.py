"""Parts added to the user's own sheet: the text stays as it was, and the sheet says the same plus the parts."""

from __future__ import annotations

from typing import Final

import pytest

from agent.sheets.adding import with_parts
from agent.sheets.reading import card_of, drives_of, parse
from tests.machines import FIXTURES

SLOT: Final = """format = "lanewright-sheet"
version = 1
[machine]
[[slot]]
label = "S"
connector = 4
lanes = 4
generation = 3
"""
COMMENTED: Final = f"""{SLOT}
# the cards
[[card]]
name = "a"
kind = "network-1g" # one
# of the board's maker

# ---- drives
[[drive]]
name = "d"
kind = "nvme-gen3"
# fast enough"""
IN_ROWS: Final = f'card = [{{name = "a", kind = "network-1g"}}]\ndrive = [{{name = "d", kind = "nvme-gen3"}}]\n{SLOT}'
TEXTS: Final = {
    "a slot alone": SLOT,
    "without its last line's end": SLOT.rstrip(),
    "with comments": COMMENTED,
    "entries in rows": IN_ROWS,
    **{path.stem: path.read_text(encoding="utf-8") for path in sorted((FIXTURES / "sheets").glob("*.toml"))},
}
every_text = pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)


@every_text
def test_a_sheet_says_the_same_plus_the_parts(text: str) -> None:
    """Read again, the new text has all that the old one had, then the added parts with the figures of their kinds."""
    before = parse(text, "sheet")
    cards, drives = (card_of("network-1g", 'new "x" 1'), card_of("network-10g", "new 2")), drives_of("2xgen4")
    after = parse(with_parts(text, cards, drives), "sheet")
    assert (*before.cards, *cards) == after.cards
    assert (*before.drives, *drives) == after.drives
    assert (before.machine, before.slots, before.needs) == (after.machine, after.slots, after.needs)
    assert (before.uplinks, before.stripes) == (after.uplinks, after.stripes)


@every_text
def test_no_line_of_the_user_is_lost(text: str) -> None:
    """Every line stands in the new text, in the same order, but for entries in a row, which grow."""
    after = iter(with_parts(text, (card_of("network-1g", "n"),), drives_of("gen4")).splitlines())
    kept = [line for line in text.splitlines() if line.strip() and "= [{" not in line]
    assert [line for line in kept if line not in after] == []


@every_text
def test_nothing_added_is_nothing_changed(text: str) -> None:
    """Without parts the text stays as it is, but for empty lines at its end."""
    assert f"{text.rstrip()}\n" == with_parts(text, (), ())


def test_comments_stay_with_what_they_speak_of() -> None:
    """What stands above the next heading stays there, what belongs to the last entry stays with it."""
    after = with_parts(COMMENTED, (card_of("network-1g", "n"),), ())
    lines = [line for line in after.splitlines() if line]
    assert lines.index("# of the board's maker") < lines.index('name = "n"') < lines.index("# ---- drives")
    assert lines.index("[[drive]]") == lines.index("# ---- drives") + 1
