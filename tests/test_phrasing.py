"""Foreign text made harmless, held against the Unicode Character Database by way of a library of patterns."""

from __future__ import annotations

import json
import sys
import unicodedata
from typing import Final

import msgspec
import pytest
import regex  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from agent.report.data import encode
from knowledge.phrasing import MOST_MARKS, encodable, no_formula, plain, printable

# Source: Unicode Character Database, DerivedCoreProperties, Default_Ignorable_Code_Point, by `regex`.
UNSEEN: Final = regex.compile(r"[\p{Default_Ignorable_Code_Point}\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}]")
# What U+2800 is called in the same database; it is a symbol there, and is drawn as nothing.
BLANK: Final = unicodedata.lookup("BRAILLE PATTERN BLANK")
ALL: Final = [chr(code) for code in range(sys.maxunicode + 1)]


@pytest.mark.parametrize("made", [plain, printable])
def test_what_nobody_sees_is_spelt_out(made: object) -> None:
    """Each such letter of the whole database comes out in letters that are seen."""
    assert callable(made)
    hidden = [letter for letter in (*filter(UNSEEN.match, ALL), BLANK) if not made(f"a{letter}b").isascii()]
    assert [] == hidden


@pytest.mark.parametrize("text", ["Nabe Süd", "日本語", "дом", "ひらがな", "हिन्दी", "a\u0301"])
def test_the_writing_of_people_stays_as_it_is(text: str) -> None:
    """Letters, and the marks that belong to them, are no matter."""
    assert text == plain(text) == printable(text)


@pytest.mark.parametrize("mark", ["\u0301", "\u20dd", "\u0e31", "\ufe0f"])
def test_heaps_of_marks_are_spelt_out(mark: str) -> None:
    """Also of marks that do not combine by class (Unicode Standard, section 3.6): they would run over other lines."""
    shown = plain(f"a{mark * 40}")
    assert MOST_MARKS >= shown.count(mark)
    assert shown.count("\\u") >= 38


@pytest.mark.parametrize(
    "sign",
    [
        "=",
        "+",
        "-",
        "@",
        "\uff1d",
        "\uff0b",
        "\uff0d",
        "\uff20",
        "\ufe66",
        "\ufe62",
        "\ufe63",
        "\ufe6b",
        "\t=",
        " \uff1d",
        "\u3000\uff1d",
    ],
)
def test_a_cell_is_no_formula(sign: str) -> None:
    """Nor in the wide and small forms that some spreadsheets take for the same sign."""
    assert no_formula(f"{sign}1+1").startswith("'")


@pytest.mark.parametrize("text", ["1=1", "nvme0", "日本", "", "\uff0d".join("ab")])
def test_other_cells_stay_as_they_are(text: str) -> None:
    """Signs within a text begin nothing."""
    assert text == no_formula(text)


def test_names_that_are_no_utf_8_come_out_in_json() -> None:
    """As their bytes spelt out, at any depth, also as keys."""
    name = b"n\xff".decode("utf-8", "surrogateescape")
    made = json.loads(encode({name: [{"file": name}, 1, None], "fine": "é"}))
    assert {"n\\udcff": [{"file": "n\\udcff"}, 1, None], "fine": "é"} == made


LETTERS: Final = st.one_of(st.characters(), st.characters(categories=["Cs"]))  # those that stand for broken bytes too


@given(st.lists(LETTERS, max_size=20).map("".join))
def test_any_text_can_be_encoded(text: str) -> None:
    """What UTF-8 can hold stays as it is, and that alone."""
    made = encodable(text)
    assert (made == text) is not any(unicodedata.category(letter) == "Cs" for letter in text)
    assert made == msgspec.json.decode(msgspec.json.encode(made))
