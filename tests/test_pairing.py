"""Which part is which: what speaks for and against two being one, and how lists of them are paired."""

from __future__ import annotations

import pytest

from agent.model.likeness import is_one, number_pair, same
from agent.model.pairing import paired, told_once


@pytest.mark.parametrize(
    ("reading", "other", "expected"), [("a", "a", True), ("a", "b", False), (None, "b", None), ("a", None, None)]
)
def test_what_is_not_known_speaks_neither_for_nor_against(
    reading: str | None, other: str | None, expected: object
) -> None:
    """Two readings are the same or not; where one is missing nobody can tell."""
    assert same(reading, other) is expected


@pytest.mark.parametrize(
    ("serials", "models", "sizes", "expected"),
    [
        (("1", "1"), ("a", "b"), (1, 2), True),
        (("1", "2"), ("a", "a"), (1, 1), False),
        (("1", None), ("a", "a"), (1, 1), True),
        ((None, None), ("a", "a"), (1, 2), False),
        ((None, "2"), ("a", "a"), (1, None), True),
        ((None, "2"), (None, "a"), (1, None), None),
    ],
)
def test_a_serial_number_goes_before_all_else(
    serials: tuple[object, object], models: tuple[object, object], sizes: tuple[object, object], expected: object
) -> None:
    """Serial numbers decide where both are told; else one thing that differs is enough to tell two parts apart."""
    assert is_one(serials, [models, sizes]) is expected


def test_numbers_are_written_with_leading_zeros() -> None:
    """A pair of numbers has four digits each, and is none where one was not read."""
    assert number_pair(0x1AF, 2) == "01af:0002"
    assert number_pair(0x1AF, None) is None


def test_each_is_paired_once_and_first_come_first_served() -> None:
    """Who comes first takes the first that fits; what is taken is gone, and None is no key."""
    keys = (lambda word: word[:1] or None, lambda word: word[:1] or None)
    wanted, given = ["a1", "b1", "a2", "a3", ""], ["", "b9", "a8", "a7"]
    found = list(paired(wanted, given, lambda one, other: (one, other) != ("a1", "a8"), keys))
    assert [("a1", "a7"), ("b1", "b9"), ("a2", "a8")] == found


def test_what_fits_may_hang_on_the_pairs_before() -> None:
    """Pairs come one by one, so that who pairs them can say what fits next."""
    bound: list[int] = []
    for one, _ in paired([1, 2, 3], ["x", "y", "z"], lambda one, _: one - 1 not in bound):
        bound.append(one)
    assert [1, 3] == bound


def test_a_key_of_several_tells_nothing() -> None:
    """A key that stands for two is left out, and so is None; the same thing twice is one."""
    thing, other = object(), object()
    pairs = [("a", thing), ("a", thing), ("b", thing), ("b", other), (None, thing)]
    assert told_once(pairs) == {"a": thing}
