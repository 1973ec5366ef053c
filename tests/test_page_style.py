"""The colours of the page: words stand out from their ground on screens, in the dark and on paper.

Contrast is worked out here by the formula of the W3C's Web Content Accessibility Guidelines 2.2 (relative luminance,
contrast ratio); 4.5 is what its criterion 1.4.3 asks of words, 3 what 1.4.11 asks of drawn lines.
"""

from __future__ import annotations

import re
from typing import Final

import pytest

from tests.machines import FIXTURES

SHEET: Final = (FIXTURES.parent / "agent/report/page/templates/style.css").read_text(encoding="utf-8")
WORDS: Final = 4.5
LINES: Final = 3.0
# Which words stand on which grounds.
ON: Final = [
    *((ink, ground) for ink in ("ink", "quiet", "link") for ground in ("paper", "sheet", "wash")),
    *((one, f"{one}-wash") for one in ("fault", "limit", "note", "unknown", "ok", "caution")),
    *((one, ground) for one in ("fault", "limit", "note", "unknown", "ok") for ground in ("sheet", "wash")),
    *((name, "sheet") for name in ("one", "two", "three", "four", "five", "six", "seven", "eight")),
    *(("ink", f"{one}-wash") for one in ("fault", "limit", "note", "unknown", "ok", "caution")),
    ("deep-ink", "deep"),
]


def blocks() -> dict[str, dict[str, str]]:
    """The colours by name, for each medium: each builds on those of light."""
    roots = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
    found = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]+);", root)) for root in roots]
    light, dark, paper = found
    return {"light": light, "dark": {**light, **dark}, "print": {**light, **paper}}


BLOCKS: Final = blocks()


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb" or "#rgb"."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours, 1 to 21."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_the_published_ends() -> None:
    """Black on white is 21, white on white 1, and #767676 on white just above 4.5 (as is well known of it)."""
    assert pytest.approx(21.0) == contrast("#000000", "#fff")
    assert pytest.approx(1.0) == contrast("#ffffff", "#ffffff")
    assert 4.5 < contrast("#767676", "#ffffff") < 4.6


@pytest.mark.parametrize("medium", BLOCKS)
def test_words_stand_out(medium: str) -> None:
    """Words of every kind have a contrast of 4.5 or more on every ground that they stand on."""
    colours = BLOCKS[medium]
    pale = {pair: round(contrast(colours[pair[0]], colours[pair[1]]), 2) for pair in ON}
    assert {} == {pair: ratio for pair, ratio in pale.items() if ratio < WORDS}


@pytest.mark.parametrize("medium", BLOCKS)
def test_lines_stand_out(medium: str) -> None:
    """Lines of maps and plots have a contrast of 3 or more to the sheet, their ground and the bed they lie in."""
    colours = BLOCKS[medium]
    for ground in ("sheet", "bed"):
        assert LINES <= contrast(colours["lane"], colours[ground])
        assert LINES <= contrast(colours["fault"], colours[ground])
    for drive in ("one", "two", "three", "four", "five", "six", "seven", "eight"):  # curves of soaks
        assert LINES <= contrast(colours[drive], colours["wash"])


@pytest.mark.parametrize("medium", BLOCKS)
def test_the_lines_of_drives_stand_out(medium: str) -> None:
    """Lines of drives, of limits and of grids that mean something have a contrast of 3 or more to the sheet."""
    colours = BLOCKS[medium]
    names = ("one", "two", "three", "four", "five", "six", "seven", "eight", "fault", "limit", "quiet", "ink")
    assert {} == {name: colours[name] for name in names if contrast(colours[name], colours["sheet"]) < LINES}


def test_every_medium_names_every_colour() -> None:
    """Dark and print name all colours of light but those they mean to share, so that none is forgotten."""
    assert set(BLOCKS["light"]) == set(BLOCKS["dark"]) == set(BLOCKS["print"])
    used = set(re.findall(r"var\(--([a-z-]+)\)", SHEET))
    assert set() == used - set(BLOCKS["light"])
