"""A person's first sheet: any answers end in a sheet that is read or in the same question; nothing answered is lost."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Final

import click
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.commands import first_sheet
from agent.interrupt import STATUS
from agent.planner.plan import plan
from agent.sheets.interview.dialogue import END
from agent.sheets.interview.questions import count_of, figure, is_yes, one_of, one_or_number
from agent.sheets.interview.session import LONGEST_ANSWER, Session, kept_answers, kept_text
from agent.sheets.reading import parse, read
from agent.sheets.sheet import LanesWhile
from knowledge.boards import board_kinds
from knowledge.problems import BadInput
from tests.test_cli import HERE, PATIENCE, Run, environment, one_line, run, usage_error

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from random import Random

# What lets a dialogue end, whatever it asks: one of these is taken by every question.
WAYS_ON: Final = ("", "none", "no", "yes", "1")

# A two-processor tower with a display card, a new carrier with a switch and four drives in one set, by question.
TOWER: Final = {
    "machine: name": "bench-4",
    "board: kind": "old-workstation-gen2",
    "board: like its kind": "yes",
    "card 1: sort": "display",
    "card 1: slot 1": "slot1",
    "card 1: slot 1, may move": "n",
    "card 2: sort": "3",
    "card 2: name": "reel rack",
    "card 2: lanes": "x16",
    "card 2: generation": "5 GT/s",
    "drives 1: how many": "4",
    "drives 1: name": "reel",
    "set 1: name": "scratch",
    "need: start": "reel-2",
    "need: set 1 reads": "4,000 MB/s",
}

# A board of which each figure is asked for.
BUILT: Final = {
    "board: kind": "desktop-gen4",
    "shared link 1: lanes": "8",
    "card: how many": "2",
    "card 1: label": "PCIE_1",
    "card 1: splits": "8+8, 4+4+4+4",
    "card 1: power": "75 W",
    "card 2: label": "PCIE_2",
    "card 2: connector": "4",
    "card 2: open end": "yes",
    "card 2: generation": "Gen 3",
    "card 2: shared link": "CHIPSET",
    "m.2: how many": "1",
    "m.2 1: lengths": "2280, 22110",
    "lanes taken 1: slot": "pcie_1",
    "lanes taken 1: filled": "PCIE_2, m2_1",
    "lanes taken 1: splits": "4+4",
    "lanes taken 2: slot": "PCIE_2",
    "lanes taken 2: lanes left": "0",
    "lanes taken 2: filled": "M2_1",
    "drives 1: how many": "1",
    "drives 1: name": "system",
    "drives 1: fitted": "yes",
    "drives 1: place 1": "m2_1",
    "drives 1: may move": "no",
}


def answered(answers: dict[str, str]) -> Session:
    """A dialogue with these answers, by the questions' keys, and Enter to all others; each answer is used and taken."""
    session = Session()
    left = dict(answers)
    while session.question is not None:
        key = session.question.key
        assert session.answer(left.pop(key, "")), (key, session.question.wrong)
    assert {} == left
    return session


def finished(session: Session) -> str:
    """The sheet of a dialogue whose other questions are answered somehow."""
    for _ in range(1000):
        if session.question is None:
            return session.text
        assert any(session.answer(way) for way in WAYS_ON), session.question
    raise AssertionError("the dialogue goes on for ever")


# --- What is understood ----------------------------------------------------------------------------------------


def test_the_answers_are_what_the_sheet_says() -> None:
    """A sheet made of answers has these parts, places, sets and needs, and the figures of the kinds that fit them."""
    session = answered(TOWER)
    sheet = parse(session.text, "first.toml")
    assert "bench-4" == sheet.machine.name
    assert [(16, 2), (16, 2), (4, 2), (4, 2)] == [(slot.lanes, slot.generation) for slot in sheet.slots]
    assert ("SLOT1", True) == (sheet.cards[0].slot, sheet.cards[0].stays)
    assert "switch-carrier-4-x16-gen2" == sheet.cards[1].kind
    assert ["reel-1", "reel-2", "reel-3", "reel-4"] == [drive.name for drive in sheet.drives]
    assert {"nvme-gen3"} == {drive.kind for drive in sheet.drives}
    assert [(0, 4)] == [(stripe.raid, len(stripe.drives)) for stripe in sheet.stripes]
    start, reads = sheet.needs
    assert (("reel-2",), True, True) == (start.drives, start.not_on_split, start.not_behind_switch)
    assert ("scratch", 4000) == (reads.stripe, reads.read_mbps)


def test_each_figure_of_a_board_can_be_asked_for() -> None:
    """Slots are what was answered, and what was offered where Enter was the answer."""
    sheet = parse(answered(BUILT).text, "first.toml")
    long, short, socket = sheet.slots
    assert ("PCIE_1", 16, 16, 4, ((8, 8), (4, 4, 4, 4)), 75.0, None) == (
        *(long.label, long.connector, long.lanes, long.generation),
        *(long.splits, long.power_watts, long.uplink),
    )
    assert (4, True, 4, 3, "chipset") == (
        *(short.connector, short.open_end, short.lanes, short.generation),
        short.uplink,
    )
    assert ("M2_1", "m.2", ("2280", "22110")) == (socket.label, socket.kind, socket.lengths)
    assert (LanesWhile(("PCIE_2", "M2_1"), 8, ((4, 4),)),) == long.lanes_while
    assert (LanesWhile(("M2_1",), 0),) == short.lanes_while
    assert [("chipset", 8, 4)] == [(link.name, link.lanes, link.generation) for link in sheet.uplinks]
    assert ("M2_1", True) == (sheet.drives[0].slot, sheet.drives[0].stays)


def test_the_sheet_is_planned() -> None:
    """A sheet of answers goes to the planner as it is, and each of its parts has a place that is proved best."""
    found = plan(parse(answered(TOWER).text, "first.toml"), lambda: True)
    assert found.proved
    assert () == found.unplaced
    assert "SLOT2" == found.placement.cards["reel rack"]


def test_what_was_understood_is_shown_before_the_sheet_is_written() -> None:
    """The last question comes with a line for each slot, card, drive, set and need."""
    session = Session()
    while session.question is not None and session.question.key != END:
        session.answer(TOWER.get(session.question.key, ""))
    assert session.question is not None
    told = "\n".join(session.question.told)
    for words in (
        "SLOT3: x16 connector, 4 lanes of 5 GT/s",
        "reel rack: ",
        "reel-4: ",
        "scratch: RAID 0",
        "4,000 MB/s",
    ):
        assert words in told


def test_a_caution_comes_where_an_old_board_should_start_from_a_drive() -> None:
    """It is told at once and stands in the sheet; a board of today has none."""
    old = answered(TOWER)
    assert "may not start from an NVMe drive" in " ".join(old.text.replace("\n# ", " ").split())
    new = answered({**TOWER, "board: kind": "workstation-gen4", "card 2: generation": "4"})
    assert "The machine starts from it." in new.text
    assert "may not start" not in new.text
    session = Session()
    while session.question is not None and session.question.key != "need: start":
        session.answer(TOWER.get(session.question.key, ""))
    assert session.answer("reel-1")
    assert session.question is not None
    assert any(line.startswith("Caution: ") for line in session.question.told)


def test_names_with_many_dots_are_read_back() -> None:
    """Labels and names full of dots, in lists too, stand in the sheet so that its reader takes them."""
    names = [f"{number}{'.' * 7}x" for number in range(8)]
    answers = {"board: kind": "other", "card: how many": "8"}
    answers |= {f"card {number}: label": name for number, name in enumerate(names, 1)}
    answers |= {"lanes taken 1: slot": names[0], "lanes taken 1: filled": ", ".join(names[1:])}
    answers |= {"drives 1: how many": "9", "drives 1: name": "." * 90, "set 1: name": '\\"' * 40}
    sheet = parse(answered(answers).text, "first.toml")
    assert tuple(names[1:]) == sheet.slots[0].lanes_while[0].filled
    assert 9 == len(sheet.stripes[0].drives)
    assert {90} == {drive.name.count(".") for drive in sheet.drives}


# --- Wrong answers ---------------------------------------------------------------------------------------------

# A question of TOWER or BUILT, a wrong answer to it, and what is said: the sheet's own words where the sheet has them.
WRONG: Final = (
    (TOWER, "board: kind", "desktop-gen44", '"desktop-gen44" is none of these; did you mean "desktop-gen4"'),
    (TOWER, "board: like its kind", "perhaps", '"perhaps" is neither yes nor no'),
    (BUILT, "card: how many", "-1", '"-1" is not a number from 0 to 32'),
    (BUILT, "card 1: lanes", "3", "3 is not a number of lanes that a link can have: 1, 2, 4, 8, 12, 16 or 32"),
    (BUILT, "card 1: lanes", "32", "32 lanes cannot be wired to a connector of 16"),
    (BUILT, "card 1: generation", "9", "9 is not a generation from 1 (2.5 GT/s) to 7 (128 GT/s), a whole number"),
    (BUILT, "card 1: splits", "16+16", "the groups have 32 lanes together, and the slot is wired with 16"),
    (BUILT, "card 1: power", "1000", "1000 is not a power above 0 and up to 600 W"),
    (BUILT, "card 2: label", "PCIE_1", '"PCIE_1" is the label of another slot'),
    (BUILT, "card 2: label", "a\x1b[31m", '"a\\x1b[31m" holds characters that cannot be shown'),
    (BUILT, "card 2: label", "L" * 101, "is not a slot's label of 1 to 100 characters"),
    (BUILT, "lanes taken 1: slot", "PCIE", '"PCIE" is none of these; did you mean "PCIE_'),
    (BUILT, "lanes taken 1: filled", "PCIE_1", '"PCIE_1" cannot take lanes from itself'),
    (BUILT, "lanes taken 1: splits", "8+8", "the groups have 16 lanes together, and only 8 are left"),
    (BUILT, "m.2 1: lengths", "2281", '"2281" does not belong here; lengths takes'),
    (BUILT, "drives 1: place 1", "M2_9", 'no slot is called "M2_9"; did you mean "M2_1"'),
    (TOWER, "card 1: slot 1", "SLOT9", 'no slot is called "SLOT9"; did you mean "SLOT'),
    (TOWER, "card 2: bays", "0", "a carrier has at least one bay"),
    (TOWER, "set 1: level", "7", "7 is not a kind of stripe set: 0, 1, 5 or 10"),
    (TOWER, "need: set 1 reads", "fast", '"fast" is not a rate above 0 and up to 1,000,000 MB/s'),
)


@pytest.mark.parametrize(
    ("answers", "key", "wrong", "told"), WRONG, ids=[f"{key} {wrong[:9]!r}" for _, key, wrong, _ in WRONG]
)
def test_a_wrong_answer_is_told_and_asked_again(answers: dict[str, str], key: str, wrong: str, told: str) -> None:
    """One sentence says what is wrong, without file or line; the question comes again and nothing else has changed."""
    session = Session()
    while session.question is not None and session.question.key != key:
        session.answer(answers.get(session.question.key, ""))
    before = list(session.answers)
    asked = session.question
    assert asked is not None
    assert not session.answer(wrong)
    again = session.question
    assert again is not None
    assert (key, asked.default) == (again.key, again.default)
    assert told in again.wrong
    assert not re.search(r"\bline\b|\n", again.wrong)
    assert before == session.answers
    assert session.answer(answers.get(key, ""))


def test_figures_are_read_as_people_write_them() -> None:
    """Marks and units of the trade are taken; what is no figure stays as it is, for the sheet's checks to refuse."""
    assert [16, 8, 4, 3, 1, 4, 75, 7000, 7.5] == [
        figure(text) for text in ("x16", "8 lanes", "gen 4", "Gen3", "2.5 GT/s", "16GT/s", "75 W", "7,000 MB/s", "7.5")
    ]
    for text in ("7,5", "1e9", "-4", "nan", "x", "", "9 GT/s", "1" * 5000):
        assert text == figure(text)
    with pytest.raises(BadInput):
        count_of("1.5", 0, 9)
    with pytest.raises(BadInput):
        is_yes("ja")
    assert "b" == one_or_number("2", ["a", "b"])
    assert "2" == one_or_number("2", ["a", "b", "2"])
    assert "Slot" == one_of("sLOT", ["Slot"])
    with pytest.raises(BadInput, match='"3" is none of these'):
        one_or_number("3", ["a", "b"])


# --- Any answers -----------------------------------------------------------------------------------------------

ODD: Final = (
    "",
    "none",
    "no",
    "0",
    "-1",
    "7,5",
    "9" * 400,
    "x" * 99,
    "a, b",
    "SLOT1",
    "\x1b[2J",
    "\u202e",
    "\\",
    '"',
    "é",
)
# What somebody may well answer, by the last words of a question's key, without figures.
LIKELY: Final = {
    "kind": ("other", "old-tower-gen1", "tower-gen3", "desktop-gen5", "workstation-gen4"),
    "like its kind": ("yes", "no"),
    "how many": ("0", "1", "2", "3"),
    "name": ("a", "drive", "carrier", "x.y.z", "none"),
    "label": ("SLOT1", "A", "a b", "none", "1"),
    "connector": ("1", "4", "8", "x16"),
    "lanes": ("1", "2", "4", "8", "16"),
    "lanes left": ("0", "4", "8"),
    "filled": ("SLOT1", "SLOT2", "M2_1", "SLOT2, M2_1", "yes"),
    "generation": ("1", "3", "gen 4", "5"),
    "shared link": ("chipset", "none"),
    "splits": ("8+8", "4+4", "8+4+4, 4+4+4+4"),
    "sort": ("display", "network", "carrier", "other", "none"),
    "wide": ("yes", "no"),
    "hides": ("SLOT2", "SLOT3", "none"),
    "bays": ("1", "2", "4", "8"),
    "form": ("m.2", "u.2"),
    "switch": ("yes", "no"),
    "slot": ("SLOT1", "SLOT2", "SLOT3", "M2_1", "none"),
    "may move": ("yes", "no"),
    "place": ("M2_1", "M2_2", "carrier", "carrier 1", "carrier 2", "none"),
    "drives": ("all", "drive-1, drive-2", "drive"),
    "level": ("0", "1", "5", "10"),
    "start": ("drive", "drive-1", "none"),
    "start alone": ("yes", "no"),
    "reads": ("100", "5000", "none"),
    "each reads": ("100", "5000", "none"),
}


class Person:
    """Somebody who answers well, or oddly, or just with Enter."""

    def __init__(self, random: Random) -> None:
        """Answer by these throws."""
        self._random = random

    def answers(self, key: str) -> str:
        """An answer to a question."""
        words = re.sub(r" ?[0-9]+", "", key.rpartition(": ")[2]).rpartition(", ")[2]
        throw = self._random.random()
        if throw < 0.6 and words in LIKELY:
            return self._random.choice(LIKELY[words])
        return self._random.choice(ODD) if throw > 0.9 else ""

    def dialogue(self, most: int) -> Session:
        """A dialogue up to its last question, or to so many answers."""
        session = Session()
        for _ in range(most):
            asked, before = session.question, len(session.answers)
            if asked is None or asked.key == END:
                break
            taken = session.answer(self.answers(asked.key))
            assert before + taken == len(session.answers)
            if not taken:
                assert session.question is not None
                assert asked.key == session.question.key
                assert session.question.wrong
        return session


PEOPLE: Final = st.builds(Person, st.randoms(use_true_random=False))


@settings(max_examples=60, deadline=None)
@given(PEOPLE, st.integers(1, 200))
def test_any_answers_end_in_a_sheet_or_in_the_same_question(person: Person, most: int) -> None:
    """An answer is taken, or its question comes again with a reason; the sheet at the end is read as it stands."""
    session = person.dialogue(most)
    named = [text for key, text in session.answers if re.fullmatch("card [0-9]+: sort", key)]
    sheet = parse(finished(session), "first.toml")
    assert len(sheet.cards) >= sum(text != "none" for text in named)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=30), max_size=30))
def test_any_text_is_an_answer(answers: Sequence[str]) -> None:
    """Whatever is typed, the dialogue goes on and ends in a sheet that is read."""
    session = Session()
    for text in answers:
        if session.question is not None:
            session.answer(text)
    name = dict(session.answers)["machine: name"] if session.answers else "none"
    assert (None if name.casefold() == "none" else name) == parse(finished(session), "first.toml").machine.name


@settings(max_examples=30, deadline=None)
@given(PEOPLE, st.integers(1, 100))
def test_a_dialogue_is_taken_up_where_it_was_left(person: Person, most: int) -> None:
    """The kept answers of any dialogue lead to the same question when read back; back leads to the one before."""
    session = person.dialogue(most)
    kept = kept_answers(kept_text(session.answers, "first.toml").encode(), "kept")
    assert session.answers == kept
    again = Session()
    assert 0 == again.resume(kept)
    assert session.question is not None
    assert again.question is not None
    assert (session.question.key, session.question.words) == (again.question.key, again.question.words)
    if kept:
        again.back()
        assert again.question is not None
        assert kept[-1][0] == again.question.key
    assert kept[:-1] == again.answers


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_as_kept_answers(data: bytes) -> None:
    """What is no file of kept answers is refused in a sentence."""
    with pytest.raises(BadInput, match="holds no answers that can be taken up"):
        kept_answers(data, "kept")


def test_kept_answers_that_no_longer_fit_are_asked_again() -> None:
    """Answers are taken up to the first that its question does not take; the others are counted."""
    session = Session()
    kept = [("machine: name", "bench-4"), ("board: kind", "desktop-gen4"), ("board: colour", "green"), ("end", "yes")]
    assert 2 == session.resume(kept)
    assert kept[:2] == session.answers


# --- On a terminal ---------------------------------------------------------------------------------------------


def talk(place: Path, typed: bytes, *, force: bool = False) -> Run:
    """Let a person type this when asked for a sheet, up to the end of input."""

    @click.command()
    def asking() -> None:
        first_sheet.ask(str(place), force=force)

    done = CliRunner().invoke(asking, input=typed)
    if isinstance(done.exception, BadInput):
        return Run(done.exception.exit_status, done.stdout, f"lanewright: {done.exception}")
    assert done.exception is None, done.exception
    return Run(done.exit_code, done.stdout, done.stderr)


def typed(answers: dict[str, str]) -> bytes:
    """The lines that answer the questions so."""
    return "".join(f"{text}\n" for _, text in answered(answers).answers).encode()


def test_a_sheet_is_written_and_its_answers_go(tmp_path: Path) -> None:
    """At the end the sheet stands under its name, nothing else is left, and the command to plan it is shown."""
    place = tmp_path / "first.toml"
    done = talk(place, typed(TOWER))
    assert (0, "") == (done.status, done.errors)
    assert ["first.toml"] == os.listdir(tmp_path)
    assert 4 == len(read(str(place)).drives)
    assert f"lanewright plan {place}" in done.output
    assert "RAID 0" in done.output


@pytest.mark.parametrize("end", [b"later\n", b"LATER\n", b""], ids=["later", "capitals", "end of input"])
def test_what_was_answered_is_kept_and_taken_up(tmp_path: Path, end: bytes) -> None:
    """A dialogue that is left says where its answers are; the same command asks for the rest and writes one sheet."""
    place = tmp_path / "first.toml"
    lines = typed(TOWER).splitlines(keepends=True)
    done = talk(place, b"".join(lines[:7]) + end)
    assert 0 == done.status
    assert f'Kept 7 answers in "{place}.answers"' in done.errors
    assert f"lanewright plan --new {place}" in done.errors
    assert ["first.toml.answers"] == os.listdir(tmp_path)
    done = talk(place, b"".join(lines[7:]))
    assert "7 answers taken up" in done.output
    assert ["first.toml"] == os.listdir(tmp_path)
    assert answered(TOWER).text == place.read_text(encoding="utf-8")


def test_nothing_is_left_where_nothing_was_answered(tmp_path: Path) -> None:
    """Leaving at the first question leaves no file."""
    assert "nothing is kept" in talk(tmp_path / "first.toml", b"?\nback\nlater\n").errors
    assert [] == os.listdir(tmp_path)


def test_answers_of_another_version_are_not_lost_by_a_look(tmp_path: Path) -> None:
    """Kept answers that fit no question stay in their file until something is answered."""
    place, kept = tmp_path / "first.toml", tmp_path / "first.toml.answers"
    before = kept_text([("machine: colour", "green")], "first.toml")
    kept.write_text(before, encoding="utf-8")
    done = talk(place, b"later\n")
    assert "one answer fits no question any more" in " ".join(done.output.split())
    assert "is as it was" in done.errors
    assert before == kept.read_text(encoding="utf-8")


def test_help_and_the_way_back(tmp_path: Path) -> None:
    """A question mark explains a question and asks it again; back asks the one before again."""
    place = tmp_path / "first.toml"
    done = talk(place, b"bench-3\n?\nback\nbench-4\nother\nlater\n")
    assert "Those in the board's manual are the true ones." in " ".join(done.output.split())
    kept = kept_answers(place.with_name("first.toml.answers").read_bytes(), "kept")
    assert [("machine: name", "bench-4"), ("board: kind", "other")] == kept


def test_help_on_lanes_of_a_shared_link_speaks_of_lanes(tmp_path: Path) -> None:
    """Each of the two figures of a shared link has help of its own."""
    done = talk(tmp_path / "first.toml", b"bench-3\nother\nchipset\n?\n4\n?\n3\nlater\n")
    said = " ".join(done.output.split())
    assert ["lanes", "generation"] == [
        "lanes" if "block diagram" in part.split("[")[0] else "generation" if "GT/s" in part.split("[")[0] else ""
        for part in (said.partition("does that link have? [4]")[2], said.partition("generation is it? [3]")[2])
    ]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"caf\xe9\n", "That is not UTF-8 text"),
        (b"n" * (LONGEST_ANSWER + 1) + b"\n", f"An answer has at most {LONGEST_ANSWER} characters."),
        (b"n" * 100_000 + b"\n", f"An answer has at most {LONGEST_ANSWER} characters."),
        (b"\x1b[2J\n", r'"\x1b[2J" holds'),
        (b"a\x00b\n", r'"a\x00b" holds characters that cannot be shown'),
        ("a\u202eb\n".encode(), r'"a\u202eb" holds characters that cannot be shown'),
    ],
    ids=["not UTF-8", "long", "very long", "escape", "zero", "turned writing"],
)
def test_odd_answers_do_no_harm(tmp_path: Path, line: bytes, told: str) -> None:
    """They are refused in a sentence that shows no control character, and the question comes again."""
    place = tmp_path / "first.toml"
    done = talk(place, line + b"bench-4\nlater\n")
    assert told in " ".join(done.output.split())
    assert 2 == done.output.count("What is its host name?")
    assert done.output.replace("\n", "").isprintable()
    assert [("machine: name", "bench-4")] == kept_answers(place.with_name("first.toml.answers").read_bytes(), "kept")


def test_a_sheet_that_is_there_stays(tmp_path: Path) -> None:
    """A finished sheet, or a link, is overwritten only with --force, and what a link leads to never is."""
    place, other = tmp_path / "first.toml", tmp_path / "other.toml"
    other.write_text("mine", encoding="utf-8")
    place.symlink_to(other)
    assert "exists; choose another name" in talk(place, typed(TOWER)).errors
    assert ["first.toml", "other.toml"] == sorted(os.listdir(tmp_path))
    assert 0 == talk(place, typed(TOWER), force=True).status
    assert not place.is_symlink()
    assert answered(TOWER).text == place.read_text(encoding="utf-8")
    assert "mine" == other.read_text(encoding="utf-8")


def test_answers_of_somebody_else_stay(tmp_path: Path) -> None:
    """A file beside the sheet that holds no answers is refused and left as it is."""
    place, kept = tmp_path / "first.toml", tmp_path / "first.toml.answers"
    kept.write_bytes(b"\x00mine")
    done = talk(place, typed(TOWER))
    assert 2 == done.status
    assert "holds no answers that can be taken up" in done.errors
    assert b"\x00mine" == kept.read_bytes()
    kept.unlink()
    kept.mkdir()
    assert "is not a regular file" in talk(place, typed(TOWER)).errors


def test_a_folder_that_is_not_there_is_told_before_anything_is_answered(tmp_path: Path) -> None:
    """Nothing is asked for that could not be kept."""
    done = talk(tmp_path / "missing" / "first.toml", typed(TOWER))
    assert 2 == done.status
    assert "cannot be written" in done.errors
    assert "host name" not in done.output


# What is started in the background, as tests may be, would ignore the signal.
AS_BY_A_PERSON: Final = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)
from agent.__main__ import start
start()
"""


def until(master: int, words: bytes, seen: bytes = b"") -> bytes:
    """What a program shows on its terminal until these words come."""
    while words not in seen:
        ready, _, _ = select.select([master], [], [], PATIENCE)
        assert ready, f"nothing more is shown after {seen[-200:]!r}"
        seen += os.read(master, 4096)
    return seen


def test_a_person_is_asked_on_a_real_terminal_and_may_interrupt(tmp_path: Path) -> None:
    """On a terminal the program asks; interrupted, it ends with 130 and keeps what was answered."""
    place = tmp_path / "first.toml"
    master, slave = pty.openpty()
    words = [sys.executable, "-c", AS_BY_A_PERSON, "plan", "--new", str(place)]
    with subprocess.Popen(words, cwd=HERE, env=environment(), stdin=slave, stdout=slave, stderr=slave) as program:
        try:
            os.close(slave)
            until(master, b"host name? [none] ")
            os.write(master, b"bench-4\n")
            until(master, b"by number or name? [other] ")
            program.send_signal(signal.SIGINT)
            until(master, b"stopped before it was done")
            assert STATUS == program.wait(PATIENCE)
        finally:
            program.kill()
            os.close(master)
    kept = kept_answers(place.with_name("first.toml.answers").read_bytes(), "kept")
    assert [("machine: name", "bench-4")] == kept


# --- Without a terminal ----------------------------------------------------------------------------------------


def test_without_a_terminal_a_template_is_written(tmp_path: Path) -> None:
    """The usual template is written, the others are named, and it is not overwritten without --force."""
    place = tmp_path / "first.toml"
    done = run("plan", "--new", place)
    assert (0, "") == (done.status, done.output)
    assert 5 == len(read(str(place)).slots)
    assert [] == [name for name in board_kinds() if name not in done.errors]
    assert "exists; choose another name" in one_line(run("plan", "--new", place).errors)
    assert 0 == run("plan", "--new", place, "--template", "old-tower-gen1", "--force").status
    assert 3 == len(read(str(place)).slots)
    assert ["first.toml"] == os.listdir(tmp_path)


def test_a_template_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A name that is no template ends with 2 and one sentence, and writes nothing."""
    done = run("plan", "--new", tmp_path / "first.toml", "--template", "old-tower-gen11")
    assert 2 == done.status
    assert 'did you mean "old-tower-gen' in one_line(done.errors)
    assert [] == os.listdir(tmp_path)


@pytest.mark.parametrize(
    "words",
    [
        ("--template", "tower-gen3", "x.toml"),
        ("--template", "tower-gen3"),
        ("--new", "-"),
        ("--new", "x.json"),
        ("--new", "x.HTML", "--template", "tower-gen3"),
        ("--new", "x.toml", "--write", "y.toml"),
        ("--new", "x.toml", "y.toml"),
        ("--new", "x.toml", "--drives", "4xgen4"),
    ],
    ids=" ".join,
)
def test_words_that_do_not_go_together_are_refused(words: tuple[str, ...]) -> None:
    """They end with 2 and one sentence that names the option."""
    done = run("plan", *words)
    assert 2 == done.status
    assert "--" in usage_error(done.errors)


def test_what_is_wrong_beside_a_new_sheet_is_named(tmp_path: Path) -> None:
    """A template without a file says what it goes with; a name of another form says which is right, and is not made."""
    assert "--template goes with --new FILE" in usage_error(run("plan", "--template", "tower-gen3").errors)
    place = tmp_path / "first.json"
    done = run("plan", "--new", place, "--template", "tower-gen3")
    assert 2 == done.status
    assert ".toml, not .json" in usage_error(done.errors)
    assert not place.exists()


def test_closed_streams_are_no_terminal(tmp_path: Path) -> None:
    """With standard input closed nobody is asked and a template is written."""
    place = tmp_path / "first.toml"
    done = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m agent plan --new "{place}" <&-'],
        cwd=HERE,
        env=environment(),
        capture_output=True,
        check=False,
        timeout=PATIENCE,
    )
    assert (0, b"") == (done.returncode, done.stdout)
    assert place.exists()
