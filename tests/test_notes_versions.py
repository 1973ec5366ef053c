"""The order of versions: a total one, by numbers and letters, whatever the versions look like."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.notes.versions import key, same, within, words
from knowledge.fieldnotes import Versions

VERSIONS = st.one_of(
    st.from_regex(r"\A[A-Z]{0,3}[0-9]{1,4}([.-][0-9a-z]{1,4}){0,4}\Z"), st.text(max_size=20), st.just("9" * 5000)
)


@given(VERSIONS, VERSIONS, VERSIONS)
def test_the_order_is_total(one: str, two: str, three: str) -> None:
    """Every version equals itself, two are always ordered one way, and the order carries over from one to the next."""
    first, second, third = key(one), key(two), key(three)
    assert first <= first  # noqa: PLR0124 - reflexive
    assert (first <= second) or (second <= first)
    if first <= second <= first:
        assert first == second
    if first <= second <= third:
        assert first <= third


@given(VERSIONS)
def test_signs_capitals_and_leading_zeros_make_no_difference(version: str) -> None:
    """A version with other signs between its runs is the same version."""
    assert key(version) == key(f" {version}.")
    assert key("2.3.1") == key("02-3_1")
    assert same("QF-2.3.1", "qf 2.3.01")


@given(st.integers(0, 10**30), st.integers(0, 10**30))
def test_runs_of_digits_are_ordered_as_numbers(one: int, other: int) -> None:
    """Runs of digits come in the order of their numbers, of any length."""
    assert (one < other) == (key(f"FW{one}") < key(f"FW{other}"))


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("1.9", "1.10"),
        ("2.3", "2.3.1"),
        ("2.3", "2.3b"),
        ("1.0.rc2", "1.0.1"),
        ("RL4B2.10", "RL4B3"),
        ("", "0"),
        ("A9", "B1"),
    ],
)
def test_the_order_is_the_documented_one(earlier: str, later: str) -> None:
    """Numbers by value, letters before numbers, and the shorter of two first."""
    assert key(earlier) < key(later)


@given(VERSIONS, VERSIONS, VERSIONS)
def test_a_range_holds_from_its_lower_end_to_before_its_upper(low: str, high: str, version: str) -> None:
    """A version is within a range just where it is neither below its lower nor at or above its upper end."""
    wanted = Versions(at_least=low, below=high)
    assert within(version, wanted) == (key(low) <= key(version) < key(high))
    assert within(version, Versions(exactly=(version,)))


def test_texts_without_letters_or_digits_are_the_same_only_to_the_letter() -> None:
    """Signs alone are no version: "--" is not "..", though neither has a run that differs."""
    assert not same("--", "..")
    assert same(" --", "-- ")


def test_a_range_in_words() -> None:
    """What is wanted is said in words."""
    assert "1.2 or later, before 2" == words(Versions(at_least="1.2", below="2"))
    assert "1 or 2" == words(Versions(exactly=("1", "2")))
