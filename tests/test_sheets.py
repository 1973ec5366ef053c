"""Build sheets: what is read from a good one, and what is said of a bad one."""

from __future__ import annotations

import sys
import tomllib
from typing import TYPE_CHECKING, Final, get_args
from unittest.mock import Mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.expected import Need
from agent.sheets import shape
from agent.sheets.interview.questions import one_of
from agent.sheets.reading import LIMIT, card_of, drive_of, drives_of, parse, read
from agent.sheets.sheet import CardSpec, DriveSpec, MachineSpec, Sheet, SlotSpec, StripeSpec, Uplink, fail
from agent.toml.tables import DOTS_LIMIT, LINE_LIMIT
from knowledge import rates, slots
from knowledge.parts import CardKind, kinds
from knowledge.phrasing import sentence
from knowledge.problems import BadInput
from tests.bad_sheets import cases
from tests.sheets import BENCH_1

if TYPE_CHECKING:
    from pathlib import Path

HEAD: Final = 'format = "lanewright-sheet"\nversion = 1\n'
NAME: Final = "bench-1.toml"


def complaint(text: str, source: str = NAME) -> str:
    """What is said of a bad sheet."""
    with pytest.raises(BadInput) as caught:
        parse(text, source)
    return str(caught.value)


def line_with(text: str, mark: str) -> int:
    """The number of the one line that holds a mark, counted without any TOML reader."""
    found = [number for number, line in enumerate(text.splitlines(), 1) if mark in line]
    assert len(found) == 1, found
    return found[0]


# --- Good sheets -----------------------------------------------------------------------------------------------


def test_a_good_sheet_is_read_whole() -> None:
    """Every table of a sheet arrives, with the figures of part kinds where the sheet gives none."""
    sheet = parse(BENCH_1, NAME)
    assert sheet.source == NAME
    assert MachineSpec(name="bench-1", product="Harrow Tower B", board="HL-440") == sheet.machine
    assert (Uplink("chipset", 4, 3),) == sheet.uplinks
    assert ["SLOT1", "SLOT2", "SLOT3", "SLOT4", "M2-A", "M2-B"] == [slot.label for slot in sheet.slots]
    assert sheet.slots[0] == SlotSpec(
        label="SLOT1",
        connector=16,
        lanes=16,
        generation=4,
        splits=((8, 8), (4, 4, 4, 4)),
        power_watts=75.0,
        covers=("SLOT2",),
    )
    assert sheet.slots[5] == SlotSpec(
        label="M2-B", kind="m.2", connector=4, lanes=4, generation=3, uplink="chipset", lengths=("2280", "22110")
    )
    assert [
        ("preview display", "SLOT1", True),
        ("single carrier", "SLOT4", False),
        ("scratch carrier", None, False),
    ] == [(card.name, card.slot, card.stays) for card in sheet.cards]
    assert (8, 8, 4, "switch", 4) == (
        sheet.cards[2].connector,
        sheet.cards[2].lanes,
        sheet.cards[2].generation,
        sheet.cards[2].carrier,
        sheet.cards[2].bays,
    )
    assert [("M2-B", None, None), (None, "single carrier", 1), *[(None, None, None)] * 4] == [
        (drive.slot, drive.card, drive.bay) for drive in sheet.drives
    ]
    assert (StripeSpec("scratch", 0, ("scratch-1", "scratch-2", "scratch-3", "scratch-4")),) == sheet.stripes
    assert sheet.needs[0] == Need(name="scanner to scratch", stripe="scratch", read_mbps=6000, write_mbps=5000)
    assert sheet.needs[1].not_on_split is True
    assert "SLOT1" == sheet.needs[2].in_slot


def test_a_sheet_overrides_the_figures_of_a_kind() -> None:
    """A key in the sheet counts more than the part kind's, and the others of the kind stay."""
    sheet = parse(BENCH_1, NAME)
    kind = drive_of("nvme-gen3", "archive")
    assert 1800.0 == sheet.drives[1].write_mbps != kind.write_mbps
    assert (kind.read_mbps, kind.power_watts, kind.length) == (
        sheet.drives[1].read_mbps,
        sheet.drives[1].power_watts,
        sheet.drives[1].length,
    )


def test_another_form_drops_the_length_of_the_kind() -> None:
    """A drive or carrier said to be of the U.2 form does not keep the M.2 length codes of its kind."""
    text = HEAD + '[[drive]]\nname = "a"\nkind = "nvme-gen4"\nform = "u.2"\n'
    text += '[[card]]\nname = "c"\nkind = "switch-carrier-2-x8-gen3"\nbay_form = "u.2"\n'
    sheet = parse(text, NAME)
    assert sheet.drives[0].length is None
    assert () == sheet.cards[0].bay_lengths


def test_the_least_sheet_is_a_sheet() -> None:
    """A sheet may be without tables, and a drive needs no more than a name and a generation."""
    assert parse(HEAD, NAME) == Sheet(source=NAME, machine=MachineSpec(), lines={"format": 1, "version": 2})
    sheet = parse(HEAD + '[[drive]]\nname = "a"\ngeneration = 3\n', NAME)
    assert (DriveSpec(name="a", generation=3),) == sheet.drives


def test_a_sheet_is_read_from_a_file(tmp_path: Path) -> None:
    """A file is read as UTF-8 whatever its line ends, and messages name it as it was given."""
    path = tmp_path / "bench-1.toml"
    path.write_bytes(BENCH_1.replace("\n", "\r\n").encode())
    sheet = read(str(path))
    assert parse(BENCH_1, str(path)) == sheet


# --- Part kinds in words ---------------------------------------------------------------------------------------


def test_new_parts_of_a_kind() -> None:
    """A part kind gives a card or a drive that is not fitted."""
    card = card_of("carrier-1-x4-gen3", "new carrier")
    assert isinstance(card, CardSpec)
    assert ("new carrier", "carrier-1-x4-gen3", None, "passive", 1) == (
        card.name,
        card.kind,
        card.slot,
        card.carrier,
        card.bays,
    )
    drive = drive_of("nvme-gen5", "new")
    assert (5, 4, None, None) == (drive.generation, drive.lanes, drive.card, drive.slot)


@pytest.mark.parametrize(
    ("words", "kind", "count"),
    [
        ("4xgen4", "nvme-gen4", 4),
        ("2xnvme-gen3-x4", "nvme-gen3", 2),
        ("2xgen3-x4", "nvme-gen3", 2),
        ("1xnvme-gen3-x2", "nvme-gen3-x2", 1),
        ("3xgen3-x2", "nvme-gen3-x2", 3),
        ("gen5", "nvme-gen5", 1),
        ("2xu2-gen4", "nvme-u2-gen4", 2),
    ],
)
def test_drives_in_words(words: str, kind: str, count: int) -> None:
    """A number and a kind make so many drives, each with a name of its own."""
    drives = drives_of(words)
    assert [kind] * count == [drive.kind for drive in drives]
    assert count == len({drive.name for drive in drives})


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("", "names no drives"),
        ("4x", '"4x" is not known'),
        ("0xgen4", "asks for 0 drives; give a number from 1 to 64"),
        ("65xgen4", "asks for 65 drives"),
        ("99999xgen4", "is not known"),
        ("4xgen44", 'did you mean "nvme-gen4"'),
        ("4xnetwork-1g", "is a kind of card, and a drive is wanted here"),
        ("4x\x1b[31m", r"\x1b[31m"),
    ],
)
def test_drives_in_words_that_are_not_understood(words: str, said: str) -> None:
    """Words that name no drives get one sentence that repeats them harmlessly."""
    with pytest.raises(BadInput) as caught:
        drives_of(words)
    assert said in str(caught.value)
    assert str(caught.value).isprintable()


def test_unknown_card_kinds_name_the_nearest() -> None:
    """A mistyped card kind is answered with a question for the one that is most like it, an odd one with all kinds."""
    with pytest.raises(BadInput, match=r'did you mean "switch-carrier-4-x16-gen4"\?'):
        card_of("switch-carier-4-x16-gen4", "new")
    with pytest.raises(BadInput) as odd:
        card_of("zzz", "new")
    assert "--kinds" in str(odd.value)
    names = [name for name, kind in kinds().items() if isinstance(kind, CardKind)]
    assert 20 < len(names)
    for name in names:
        family, _, generation = name.rpartition("-gen")
        assert (family if generation.isdecimal() else name) in str(odd.value), name
    with pytest.raises(BadInput, match='"nvme-gen3" is a kind of drive, and a card is wanted here'):
        card_of("nvme-gen3", "new")


@pytest.mark.parametrize(("words", "asks"), [("4xgen9", False), ("3xnvme", True)])
def test_unknown_drives_name_all_kinds_of_drives(words: str, asks: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """What there is stands in the sentence, and where a kind is nearly meant, a question for it."""
    with pytest.raises(BadInput) as wrong:
        drives_of(words)
    said = str(wrong.value)
    assert asks == ("did you mean" in said) == ('"? ' in said)
    for there in ("nvme-gen3 to gen5", "nvme-gen4-x2", "nvme-u2-gen3 to gen5", "plan --kinds"):
        assert there in said


def test_a_question_ends_with_its_own_mark() -> None:
    """What asks whether something else was meant gets no full stop behind its question mark; other words get one."""
    with pytest.raises(BadInput) as wrong:
        one_of("desktop-gen44", ("desktop-gen4", "tower-gen3"))
    assert sentence(str(wrong.value)).endswith('"desktop-gen4"?')
    assert "A slot." == sentence("a slot")


# --- Bad sheets ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "key", "said", "line"), [pytest.param(*case, id=case[1]) for case in cases()])
def test_bad_sheets_are_refused_in_one_sentence(text: str, key: str, said: str, line: int) -> None:
    """A sheet with one thing wrong is refused with file, line and key, and what is wrong there."""
    message = complaint(text)
    where, _, words = message.partition(f", {key}: ")
    assert f"{NAME}, line {line}" == where, message
    assert said in words
    assert message.isprintable()
    assert not message.endswith(".")


def test_the_good_sheet_without_its_comments_is_good() -> None:
    """What the bad sheets are made of is good in itself, so that each is refused for its change alone."""
    sheet = parse("\n".join(line for line in BENCH_1.splitlines() if line and line[0] != "#"), NAME)
    assert parse(BENCH_1, NAME).needs == sheet.needs


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", f"{NAME}: this is no build sheet: one begins with format ="),
        ("# nothing but a remark\n", f"{NAME}: this is no build sheet"),
        ("version = 1\n", f"{NAME}: this is no build sheet"),
        ("{}", f"{NAME}, line 1"),
        (f"{HEAD}[[slot]]\nlanes 4\n", "line 4"),
        (f"{HEAD}[machine]\nname = bench-1\n", "line 4"),
        (f"{HEAD}[machine]\nname = 'bench-1\n", "line 4"),
        (f"{HEAD}[machine]\nname = 'a'\nname = 'b'\n", "line 5"),
        (f"{HEAD}version = 1", "line 3"),
        (f"{HEAD}machine = {{name = 'a', name = 'b'}}\n", "line 3"),
        (f"{HEAD}[machine]\n[machine]\n", "line 4"),
        (f"{HEAD}[[slot]]\n[slot]\n", "line 4: "),
        (f"{HEAD}[machine]\nname = 'a' 'b'\n", "line 4"),
        (f"{HEAD}[machine]\nname = 'a\x00b'\n", "line 4"),
        (f"{HEAD}[machine]\nname = 'a\x1b[31mb'\n", "line 4"),
        (f"{HEAD}[machine]\nname = [\n\n\n", "line 4"),
        (f"\ufeff{HEAD}", "line 1: the text begins with a byte order mark; save it as UTF-8 without one"),
        (f"{HEAD}x = {'9' * 1900}\n", "line 3, x: this key is not known"),
        (f"{HEAD}x = {'[' * 1900}\n", f"{NAME}: lists are nested too deeply"),
        (f"{HEAD}x = {'[' * 900}{']' * 900}\n", f"{NAME}: lists are nested too deeply"),
        (f"{HEAD}x = {'[' * 99}{']' * 99}\n", "line 3, x: this key is not known"),
        (f"{HEAD}x{'.x' * 33} = 1\n", f"line 3: the line has more than {DOTS_LIMIT} dots"),
        (f"{HEAD}x = '{'x' * LINE_LIMIT}'\n", f"line 3: the line has more than {LINE_LIMIT} characters"),
        (f"{HEAD}[a.b.c]\n", "line 3, a: this key is not known; known here are format, version, machine"),
        (f"{HEAD}'a\tb' = 1\n", r"line 3, a\tb: this key is not known"),
        (HEAD + "[[slot]]\n" * 257, "line 3, slot: 257 are more than a sheet can have"),
    ],
)
def test_what_is_no_sheet_is_refused_in_one_sentence(text: str, said: str) -> None:
    """Text that is no TOML, or no sheet, is refused with its line where it has one, in words that harm no terminal."""
    message = complaint(text)
    assert message.startswith(NAME)
    assert said in message
    assert message.isprintable()


@pytest.mark.parametrize(
    ("text", "told", "said"),
    [
        (
            "lanes 4",
            "Expected '=' after a key (at line 3, column 7)",
            "line 3, column 7: this is not TOML: ",
        ),
        (
            "name = bench-1",
            "Invalid value (at line 3, column 8)",
            "line 3, column 8: this is not TOML: ",
        ),
        (
            "x = [\n\n\n",
            "Invalid value (at end of document)",
            "line 3: this is not TOML: ",
        ),
        (
            "version = 1",
            "Cannot overwrite a value (at end of document)",
            "line 3: this is not TOML: ",
        ),
        (
            "x = {a = 1, a = 2}",
            "Duplicate inline table key 'a' (at line 3, column 18)",
            "line 3, column 18: this is not TOML: ",
        ),
        (
            "[machine]\n[machine]",
            "Cannot declare ('machine',) twice (at line 4, column 9)",
            "line 4, column 9: this is not TOML: ",
        ),
        (
            "[[slot]]\n[slot]",
            "Cannot declare ('slot',) twice (at line 4, column 6)",
            "line 4: there can be several of these: write [[slot]] in place of [slot]",
        ),
        (
            "x = 1 2",
            "Expected newline or end of document after a statement (at line 3, column 7)",
            "line 3, column 7: this is not TOML: ",
        ),
        (
            "x = '\x1b'",
            "Found invalid character '\x1b' (at line 3, column 6)",
            r"line 3, column 6: this is not TOML: ",
        ),
    ],
)
def test_what_the_reader_says_is_told_in_plain_words(
    monkeypatch: pytest.MonkeyPatch, text: str, told: str, said: str
) -> None:
    """What the TOML reader of Python 3.11 says is told in words of ours, with its place."""
    monkeypatch.setattr(tomllib, "loads", Mock(side_effect=tomllib.TOMLDecodeError(told)))
    message = complaint(HEAD + text)
    assert message.startswith(f"{NAME}, {said}")
    assert message.isprintable()
    assert told.partition(" (at ")[0].lower() not in message.lower()


def test_words_of_the_reader_that_nobody_knows_are_not_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another release of Python may word it anew: the place is told, and what may be wrong, in our words."""
    monkeypatch.setattr(tomllib, "loads", Mock(side_effect=tomllib.TOMLDecodeError("Bad key (at line 3, column 1)")))
    message = complaint(f"{HEAD}a")
    assert message.startswith(f"{NAME}, line 3, column 1: this is not TOML: ")
    assert "Bad key" not in message


def test_a_number_past_what_can_be_read_is_refused() -> None:
    """A number of more digits than the interpreter reads is refused like any other bad value."""
    before = sys.get_int_max_str_digits()
    sys.set_int_max_str_digits(640)
    try:
        assert f"{NAME}: a number in it is too long to be read" == complaint(f"{HEAD}x = {'9' * 700}\n")
    finally:
        sys.set_int_max_str_digits(before)


def test_comments_may_hold_dots() -> None:
    """A line of dots in a remark is no deep key."""
    assert parse(f"# {'. ' * 60}\n{HEAD}", NAME).machine == MachineSpec()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (HEAD.encode() + b"[machine]\nname = 'B\xe4nk'\n", ", line 4: this is not UTF-8 text; save it as such"),
        (HEAD.encode("utf-16"), ", line 1: this is not UTF-8 text"),
        (
            b'{"format": "lanewright-capture"}',
            ": this is no build sheet, but perhaps a capture",
        ),
        (b"\x1f\x8b\x08\x00", ": this is no build sheet, but perhaps a capture"),
        (HEAD.encode() + b"#" * LIMIT, " has more than 256 KiB, which no build sheet needs"),
    ],
)
def test_bad_files_are_refused_in_one_sentence(data: bytes, said: str, tmp_path: Path) -> None:
    """A file of other letters, or a huge one, is refused by name."""
    path = tmp_path / "bench-1.toml"
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        read(str(path))
    assert f"{path}{said}" == str(caught.value)[: len(f"{path}{said}")]


def test_files_that_are_none_are_refused(tmp_path: Path) -> None:
    """A missing file and a folder are refused by name."""
    with pytest.raises(BadInput, match="cannot be read"):
        read(str(tmp_path / "none.toml"))
    with pytest.raises(BadInput, match="is not a regular file"):
        read(str(tmp_path))


def test_hostile_file_names_harm_no_terminal(tmp_path: Path) -> None:
    """A file's name with control characters is spelt out in messages."""
    path = tmp_path / "a\x1b[31mb.toml"
    path.write_bytes(b"")
    with pytest.raises(BadInput) as caught:
        read(str(path))
    assert r"a\x1b[31mb.toml: this is no build sheet" in str(caught.value)


def test_later_checks_name_the_line_too() -> None:
    """A complaint about a key made after reading names its line, or that of the table that should have it."""
    sheet = parse(BENCH_1, NAME)
    line = line_with(BENCH_1, 'label = "SLOT3"')
    assert f"{NAME}, line {line}, slot[2].label: so" == str(fail(sheet, "slot[2].label", "so"))
    assert f"{NAME}, line {line - 1}, slot[2].port: so" == str(fail(sheet, "slot[2].port", "so"))
    assert f"{NAME}, line {line + 4}, slot[2].power_watts[7]: so" == str(fail(sheet, "slot[2].power_watts[7]", "so"))
    assert f"{NAME}, stove.heat: so" == str(fail(sheet, "stove.heat", "so"))
    assert f"{NAME}: so" == str(fail(sheet, "", "so"))


def test_allowed_figures_are_those_of_the_tables() -> None:
    """The figures that a sheet may give are those that the tables of the standards hold."""
    assert rates.WIDTHS == get_args(shape.Lanes)
    assert rates.PAYLOADS == get_args(shape.Payload)
    assert slots.CONNECTORS == get_args(shape.Connector)
    assert tuple(slots.LENGTH_CODES) == get_args(shape.Length)


def test_every_key_has_words() -> None:
    """Every key of every table is described, so that no complaint is left without words."""
    for table, entry in shape.TABLES.items():
        for key in entry.__struct_fields__:
            assert shape.takes(table, key)


def test_tables_have_the_keys_of_the_sheet() -> None:
    """The keys of a file are the fields of the sheet's own parts, by the same names."""
    parts = {
        "machine": MachineSpec,
        "uplink": Uplink,
        "slot": SlotSpec,
        "card": CardSpec,
        "drive": DriveSpec,
        "stripe": StripeSpec,
        "need": Need,
    }
    assert {table: entry.__struct_fields__ for table, entry in shape.TABLES.items()} == {
        table: part.__struct_fields__ for table, part in parts.items()
    }


# --- Hostile text ----------------------------------------------------------------------------------------------


def refused_or_read(text: str) -> None:
    """Hold that a text gives a sheet or one printable sentence that names its source."""
    try:
        sheet = parse(text, NAME)
    except BadInput as error:
        message = str(error)
        assert message.startswith(NAME)
        assert message.isprintable()
        assert len(message) < 1000
    else:
        assert isinstance(sheet, Sheet)


@given(st.text(st.characters(exclude_categories=["Cs"])) | st.text("[]{}=.,'\"#\n\\ a1"))
def test_any_text_is_a_sheet_or_refused(text: str) -> None:
    """Whatever the text, reading ends in a sheet or in one sentence."""
    refused_or_read(text)
    refused_or_read(HEAD + text)


_VALUES: Final = st.recursive(
    st.sampled_from(
        ["1", "4", "16", "-1", "1e9", "nan", "true", '"SLOT1"', '"boot"', '"a`b - at `$.x"', "'4+4'", "1979-05-27"]
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda values: f"[{', '.join(values)}]"),
    max_leaves=4,
)
_KEYS: Final = sorted({key for entry in shape.TABLES.values() for key in entry.__struct_fields__} | {"zz", "'`'"})


@given(
    st.lists(
        st.tuples(
            st.integers(0, len(BENCH_1.splitlines()) - 1),
            st.sampled_from(_KEYS) | st.sampled_from([f"[{name}]" for name in shape.TABLES]),
            _VALUES,
            st.booleans(),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_any_change_of_a_good_sheet_is_a_sheet_or_refused(changes: list[tuple[int, str, str, bool]]) -> None:
    """Lines of a good sheet replaced by other keys and values end in a sheet or in one sentence."""
    lines = BENCH_1.splitlines()
    for number, key, value, keep in changes:
        change = key if key.startswith("[") else f"{key} = {value}"
        lines[number] = f"{lines[number]}\n{change}" if keep else change
    refused_or_read("\n".join(lines))
