"""Values of the I/O Registry in all their forms."""

from __future__ import annotations

import pytest

from probes.darwin.values import flag, masked, number, text


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (67, 67),
        (-1071644605, -1071644605),
        (True, 1),
        (False, 0),
        (b"\x43", 67),
        (b"\x43\0\0\0", 67),
        (b"\x00\x04\x06\x00", 0x060400),
        ("67", 67),
        (" 0x43\0", 67),
        ("-5", -5),
        ("", None),
        (b"", None),
        (b"123456789", None),
        ("0x", None),
        ("six", None),
        ("\N{SUPERSCRIPT TWO}", None),
        ("1_0", None),
        ("9" * 25, None),
        (2**64, None),
        (4.0, None),
        ([67], None),
        ({}, None),
        (None, None),
    ],
)
def test_numbers_come_in_many_forms(value: object, expected: int | None) -> None:
    """Integers, booleans, data with the least significant byte first and digits are numbers; nothing else is."""
    assert expected == number(value)


def test_registers_have_no_sign() -> None:
    """Numbers of up to 32 bits are printed with a sign: 0xC0201043 comes as -1071640509 (IOCFSerialize.c)."""
    assert masked(-1071640509, 32) == 0xC0201043
    assert masked(-1, 16) == 0xFFFF


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (b"Slot-1\0", "Slot-1"),
        (b"Slot-1", "Slot-1"),
        ("Slot-1\0\0", "Slot-1"),
        ("  Reel 3  ", "Reel 3"),
        (b"one\0two\0", "one"),
        (b"\xff\0", "\N{REPLACEMENT CHARACTER}"),
        (3, "3"),
        (b"\0", None),
        ("", None),
        ([], None),
        (2**70, None),
        ("x" * 300, "x" * 256),
    ],
)
def test_texts_come_in_many_forms(value: object, expected: str | None) -> None:
    """Strings and data that ends in a zero byte are texts, without padding; neither has more than 256 letters."""
    assert expected == text(value)


@pytest.mark.parametrize("value", [True, 1, "Yes", "true\0", b"\1", b"\0\1"])
def test_yes_comes_in_many_forms(value: object) -> None:
    """True, numbers and words say yes."""
    assert flag(value)


@pytest.mark.parametrize("value", [False, 0, "No", "", b"", b"\0\0", None, 1.0, ["yes"], {}])
def test_no_is_all_else(value: object) -> None:
    """What does not say yes says no."""
    assert not flag(value)
