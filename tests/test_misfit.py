"""What is said of JSON that cannot be decoded: the place, what stands there and what should; no decoder's words."""

from __future__ import annotations

import json
import re
from typing import Annotated, Any, Final, Literal

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec import UNSET, Meta, Struct, UnsetType

from knowledge.misfit import UNTOLD, misfit, place_of, told


class Inner(Struct, forbid_unknown_fields=True):
    """A table in a list, with each kind of value."""

    rate: Annotated[float, Meta(ge=0, le=100)]
    count: int = 0
    name: Annotated[str, Meta(max_length=5)] | UnsetType = UNSET


class Outer(Struct, forbid_unknown_fields=True):
    """A file."""

    format: Literal["ours"]
    parts: dict[Annotated[str, Meta(max_length=8)], Inner]
    rows: Annotated[list[Inner], Meta(max_length=2)] = msgspec.field(default_factory=list)
    on: bool = False
    nothing: str | None = None


GOOD: Final[dict[str, Any]] = {"format": "ours", "parts": {"a b": {"rate": 1.5}}, "rows": [{"rate": 2}]}
PART: Final = 'parts["a b"]'


def with_part(**inner: object) -> dict[str, Any]:
    """The good file with other values in its part."""
    return {**GOOD, "parts": {"a b": {"rate": 1, **inner}}}


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({**GOOD, "format": "theirs"}, 'format: "theirs" is not "ours"'),
        ({"parts": {}}, '"format" is missing; it takes "ours"'),
        ({**GOOD, "form": 1}, "form: this key is not known here; known are format, parts, rows, on and nothing"),
        (with_part(rate="x"), f'{PART}.rate: "x" is not a number from 0 to 100'),
        (with_part(rate=-1), f"{PART}.rate: -1 is not a number from 0 to 100"),
        (with_part(rate=True), f"{PART}.rate: true is not a number from 0 to 100"),
        (with_part(count=1.5), f"{PART}.count: 1.5 is not a whole number"),
        (with_part(name="longer"), f'{PART}.name: "longer" is not text of at most 5 characters'),
        (with_part(name=None), f"{PART}.name: null is not text of at most 5 characters"),
        (with_part(name="x" * 99), f"{PART}.name: text of 99 characters is not text of at most 5 characters"),
        ({**GOOD, "parts": {"a b": {}}}, f'{PART}: "rate" is missing; it takes a number from 0 to 100'),
        ({**GOOD, "parts": {"a long name": {"rate": 1}}}, 'parts["a long name"]: this name is too long'),
        ({**GOOD, "parts": []}, "parts: a list is not an object"),
        ({**GOOD, "rows": {}}, "rows: an object is not a list"),
        ({**GOOD, "rows": [{"rate": 1}, {"rate": []}]}, "rows[1].rate: a list is not a number from 0 to 100"),
        ({**GOOD, "rows": [{"rate": 1}] * 3}, "rows: 3 entries are more than the 2 allowed"),
        ({**GOOD, "on": "yes"}, 'on: "yes" is not true or false'),
        ({**GOOD, "nothing": 1}, "nothing: 1 is not text or null"),
        ([], "a list is not an object"),
    ],
)
def test_a_value_of_another_shape_is_told_with_its_place(value: object, said: str) -> None:
    """Line, column and path of the value, what it is and what should stand there; the decoder refuses it too."""
    data = json.dumps(value, indent=1).encode()
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(data, type=Outer)
    assert re.fullmatch(rf"line \d+, column \d+(?:, |: ){re.escape(said)}", told(data, Outer))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "there is nothing in it"),
        (" \n ", "there is nothing in it"),
        ('\ufeff{"format": "ours"}', "it begins with a byte order mark"),
        ('{\n "format": "ours",\n', "line 2, column 19: it ends too early"),
        ('{\n "format": "ou', "line 2, column 12: the text that begins here has no end"),
        ('{"format": ours}', 'line 1, column 12: this is not JSON: "o" cannot stand here'),
        ("{}\n{}", 'line 2, column 1: this is not JSON: "{" cannot stand here'),
        ('{"format": "a\tb"}', r'line 1, column 14: this is not JSON: "\t" cannot stand here'),
        ("[" * 100_000, "its lists and objects are nested too deeply"),
        ('{"format": ' + "9" * 5000 + "}", "a number in it is too long to be read"),
    ],
)
def test_what_is_no_json_is_told_with_its_place(text: str, said: str) -> None:
    """Where it stops being JSON, and what stands there."""
    assert told(text.encode(), Outer).startswith(said)


def test_bytes_that_are_no_text_are_told_by_their_line() -> None:
    """A byte that is not UTF-8, by the line that it stands in."""
    assert told(b'{\n"a": "\xff"}', Outer).startswith("line 2: this is not UTF-8")


def test_what_fits_is_not_complained_of() -> None:
    """Where the second look finds nothing, no place is made up."""
    assert misfit(GOOD, Outer) is None
    assert UNTOLD == told(json.dumps(GOOD).encode(), Outer)


def test_the_last_of_two_alike_is_the_one_that_counts() -> None:
    """The decoder takes the last value of a key that stands twice, and so does the place."""
    text = '{"a": 1, "a": 2}'
    assert text.index("2") == place_of(text, ("a",))


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
    max_leaves=12,
)


def places(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], object]]:
    """Every value of a value, with its path."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [(path, value), *(one for key, part in inner for one in places(part, (*path, key)))]


@given(VALUES, st.sampled_from([None, 1]))
@example({"a": [{"b": '"]}', "": [[], {}]}], "\u2028": "\\"}, None)
def test_every_value_is_found_where_it_stands(value: object, indent: int | None) -> None:
    """The value that begins at the place that is found is the one at that path, as the standard library reads it."""
    text = json.dumps(value, indent=indent)
    for path, inner in places(value):
        at = place_of(text, path)
        assert at is not None
        assert json.JSONDecoder().raw_decode(text, at)[0] == inner


@given(VALUES)
@example({"format": "ours", "parts": {}, "rows": [], "on": True})
def test_what_the_decoder_refuses_is_told(value: object) -> None:
    """Any JSON value is decoded, or something in it is said to be wrong: one sentence that harms no terminal."""
    data = json.dumps(value).encode()
    try:
        msgspec.json.decode(data, type=Outer)
    except msgspec.ValidationError:
        assert told(data, Outer) != UNTOLD
        assert told(data, Outer).isprintable()
    else:
        assert misfit(value, Outer) is None
