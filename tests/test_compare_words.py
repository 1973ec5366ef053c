"""Rows of a comparison in the middle of a sentence: rates, temperatures, health, and whatever else differs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from agent.compare.changes import Change
from agent.compare.sentence import row_words

if TYPE_CHECKING:
    from agent.compare.changes import Topic

Values = tuple[float, ...]


@pytest.mark.parametrize(
    ("topic", "what", "before", "after", "words"),
    [
        ("rate", "read alone", (2954.0, 3601.0), (5908.0, 7202.0), "it should read 5,908 MB/s or more (was 2,954)"),
        (
            "rate",
            "write together",
            (2954.0, 3653.0),
            (1477.0, 1826.0),
            "it should write 1,477 MB/s or more with all drives busy (was 2,954)",
        ),
        ("rate", "read alone", (5908.0, 6633.0), (5908.0, 7202.0), "it should read up to 7,202 MB/s (was 6,633)"),
        (
            "stripe set",
            "read together",
            (5908.0, 6633.0),
            (5908.0, 7202.0),
            "it should read up to 7,202 MB/s with all drives busy (was 6,633)",
        ),
    ],
)
def test_a_rate_is_told_by_the_end_that_differs(
    topic: Topic, what: str, before: Values, after: Values, words: str
) -> None:
    """What is reached at least, or, where that is the same, at most; with all drives busy where it is so."""
    row = Change(
        topic=topic,
        subject="it",
        what=what,
        before="",
        after="",
        direction="better",
        before_values=before,
        after_values=after,
        unit="MB/s",
    )
    assert words == row_words(row)


@pytest.mark.parametrize(
    ("topic", "what", "before", "after", "words"),
    [
        ("temperature", "temperature", "31.9 C", "70.9 C", "it is at 70.9 C (was 31.9 C)"),
        ("health", "is read-only", "no", "yes", "it is read-only"),
        ("health", "is read-only", "yes", "no", "it is no longer read-only"),
        ("health", "warns of its heat", "yes", "no", "it no longer warns of its heat"),
        ("stripe set", "is running", "yes", "no", "it is no longer running"),
        ("health", "is read-only", "not read", "yes", "it: is read-only from not read to yes"),
        ("health", "available spare", "100 %", "4 %", "it: available spare from 100 % to 4 %"),
        ("link", "lanes", "x8", "x4", "it: lanes from x8 to x4"),
        ("link", "is read-only", "no", "yes", "it: is read-only from no to yes"),
        ("stripe set", "members", "4", "3", "it: members from 4 to 3"),
        ("machine", "kernel", "5.4.284", "6.1.112", "it: kernel from 5.4.284 to 6.1.112"),
    ],
)
def test_what_is_no_rate_is_told_from_before_to_after(
    topic: Topic, what: str, before: str, after: str, words: str
) -> None:
    """A temperature by where it is now, a warning by whether it holds, all else by both of its values."""
    row = Change(topic=topic, subject="it", what=what, before=before, after=after, direction="worse")
    assert words == row_words(row)
