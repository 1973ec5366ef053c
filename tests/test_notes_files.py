"""Files of field notes: what is read, what is wrong and in which line, hostile ones, folders and their order."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.notebook import FILE_LIMIT
from agent.notebook.catalogue import catalogue, linted, note_called
from agent.notebook.note_files import MOST_TOLD, examined, parsed, read
from agent.notebook.note_text import written
from agent.notebook.places import folder, loaded
from knowledge.fieldnotes import MOST_NOTES, Note
from knowledge.notes import FILES, shipped, text
from knowledge.problems import BadInput
from tests.hostile import HOSTILE
from tests.notes import GOOD, HEAD, note

if TYPE_CHECKING:
    from pathlib import Path

NOWHERE: Final = {"XDG_DATA_HOME": "/no/such/folder"}


def wrong(content: str) -> list[tuple[int | None, str]]:
    """The line of each complaint, and what it says after the place."""
    return [
        (one.line, one.words.partition(": ")[2] if one.line else one.words) for one in parsed(content, "x.toml").wrong
    ]


def changed(old: str, new: str) -> str:
    """The good file with one thing changed."""
    assert 1 == GOOD.count(old)
    return HEAD + GOOD.replace(old, new)


# --- Reading ---------------------------------------------------------------------------------------------------


def test_a_good_file_gives_its_notes() -> None:
    """A file without fault gives its notes with their lines, and no complaint."""
    found = parsed(HEAD + GOOD, "x.toml")
    assert ([], (4,)) == ([one.words for one in found.wrong], found.lines)
    (one,) = found.notes
    assert ("reel-in-short-socket", "narrow", "note") == (one.id, one.seen.verdict, one.severity)
    assert "2026-03-02" == one.evidence[0].date.isoformat()


@pytest.mark.parametrize("name", FILES)
def test_shipped_files_are_without_fault(name: str) -> None:
    """The files that come with the program pass the same reader as those of users."""
    assert () == parsed(text(name), name).wrong


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('id = "reel-in-short-socket"', 'id = "Reel"', 5, '"Reel" is not a name of small letters'),
        ('id = "reel-in-short-socket"', 'id = "reel\\n"', 5, "holds characters that cannot be shown"),
        ('confidence = "reported"', 'confidence = "sure"', 7, '"sure" is not "confirmed"'),
        ('confidence = "reported"', 'confidense = "reported"', 7, "did you mean confidence"),
        ('"reseat"]', '"reseet"]', 8, 'did you mean "reseat"'),
        ('"reseat"]', '"swap"]', 8, "needs what a note cannot know"),
        ('"reseat"]', '"update-firmware"]', 8, "stands here twice"),
        ('advises = ["update-firmware", "reseat"]', "", 17, "is advised with its caution"),
        ('text = "Seen twice in the studio."', "", 4, "text is missing"),
        ('text = "Seen twice in the studio."', 'text = "a\\u001b[2J"', 9, "cannot be shown"),
        ('card = ["f1c4:4210"]', 'card = ["f1c4:421"]', 12, "does not belong here"),
        ('card = ["f1c4:4210"]', "card = []", 12, "is not a list of 1 to"),
        ('card = ["f1c4:4210"]', 'platform = ["linux"]', 11, "nothing here names a part"),
        ('card = ["f1c4:4210"]', 'class = ["010"]', 12, "class takes"),
        ('card = ["f1c4:4210"]', "model = {}", 12, "give one of these: is"),
        ('card = ["f1c4:4210"]', 'model = { is = ["a"], contains = "b" }', 12, "give one of these: is"),
        ('card = ["f1c4:4210"]', "machine = {}", 12, "named by its maker or product"),
        ('{ below = "RL4B3" }', "{}", 13, "give is, or a range"),
        ('{ below = "RL4B3" }', '{ at_least = "2", below = "1.9" }', 13, "no version is 2 or later and before 1.9"),
        ('{ below = "RL4B3" }', '{ is = ["2"], below = "3" }', 13, "give is, or a range"),
        ('{ below = "RL4B3" }', '{ under = "3" }', 13, "this key is not known"),
        ('{ below = "RL4B3" }', '"RL4B3"', 13, "stands where a table should be"),
        ('verdict = "narrow"', 'verdict = "broken"', 16, "is not a verdict on a link"),
        ('verdict = "narrow"', "link = { gtps = 7, width = 4 }", 16, "7 is no rate that links have"),
        ('verdict = "narrow"', "link = { gtps = 8, width = 3 }", 16, "3 is not a number of lanes"),
        ('verdict = "narrow"', "rate_mbps = -1", 16, "is not a rate above 0"),
        ('verdict = "narrow"', 'boots = "yes"', 16, "is not true or false"),
        ("date = 2026-03-02", 'date = "yesterday"', 21, "is not a date"),
        ('"~0123456789abcdef"', '"SN 12345"', 22, "is not the token of a capture"),
        ('confidence = "reported"', 'confidence = "reported"\nseverity = "fault"', 8, 'is not "note" or "limit"'),
        ('confidence = "reported"', 'confidence = "reported"\nseverity = "limit"', 8, "only what is confirmed"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(old: str, new: str, line: int, words: str) -> None:
    """Each thing that can be wrong with a note is one complaint, in the line where it stands."""
    found = wrong(changed(old, new))
    assert 1 == len([said for one, said in found if one == line and words in said]), found


def test_all_is_told_at_once_and_good_notes_are_kept() -> None:
    """Every fault of every note is told, in the order of the file, and a note without fault is given all the same."""
    bad = GOOD.replace("reel-in-short-socket", "Bad Id").replace('"narrow"', '"broken"').replace("[note.when]", "[x]")
    found = parsed(HEAD + bad + GOOD, "x.toml")
    assert ["reel-in-short-socket"] == [one.id for one in found.notes]
    lines = [one.line or 0 for one in found.wrong]
    assert sorted(lines) == lines
    assert len(lines) >= 3


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", 'begins with format = "lanewright-notes"'),
        ('format = "lanewright-sheet"\nversion = 1', 'is not "lanewright-notes"'),
        ('format = "lanewright-notes"\nversion = 2', "of version 2"),
        (HEAD + "[note]\n", "write [[note]]"),
        (HEAD + "note = 3\n", "write [[note]]"),
        (HEAD + "include = '/etc/passwd'\n", "this key is not known"),
        (HEAD + GOOD + GOOD, "is the id of another note, in line 4"),
        (HEAD + "[[note]]\n" * (MOST_NOTES + 1), "are more than the 500"),
    ],
)
def test_a_file_that_is_none_is_told(content: str, words: str) -> None:
    """A file of another kind, version or shape has one complaint that says so."""
    found = parsed(content, "x.toml").wrong
    assert [] != [one for one in found if words in one.words], found


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("format = ", "line 1"),
        (HEAD + "x = [" * 3000, "this is not TOML"),
        (HEAD + "x = [" * 3000 + "]" * 3000, "more than 2000 characters"),
        (HEAD + "x = " + "[\n" * 3000 + "]\n" * 3000, "too deep"),
        ("\ufeff" + HEAD, "byte order mark"),
        (HEAD + "a = " + "9" * 5000, "more than 2000 characters"),
    ],
)
def test_what_is_no_toml_is_one_sentence(content: str, words: str) -> None:
    """Text that the TOML reader cannot take, or could choke on, is refused in one sentence with the line if known."""
    with pytest.raises(BadInput, match=r"^x\.toml"):
        parsed(content, "x.toml")
    try:
        parsed(content, "x.toml")
    except BadInput as problem:
        assert words in str(problem) or "more than" in str(problem)  # noqa: PT017 - raised above


@given(st.text(max_size=300))
def test_any_text_is_notes_or_complaints(content: str) -> None:
    """Whatever stands in a file, it gives notes, complaints or one problem, and no other error."""
    for whole in (content, HEAD + content, HEAD + "[[note]]\n" + content):
        try:
            found = parsed(whole, "x.toml")
        except BadInput:
            continue
        assert all(one.words.startswith("x.toml") for one in found.wrong)


def test_a_flood_of_faults_ends() -> None:
    """Of a file with thousands of faults some are told, soon, and none of its notes is taken for good."""
    found = parsed(HEAD + "[[note]]\n" + "".join(f"k{number} = 1\n" for number in range(20_000)), "x.toml")
    assert MOST_TOLD == len(found.wrong)
    assert () == found.notes


@pytest.mark.parametrize("kind", sorted(HOSTILE))
def test_hostile_text_is_refused_or_harmless(kind: str) -> None:
    """Text that would do harm where it is shown is refused with its line, or is text that can be shown."""
    value = msgspec.json.encode(HOSTILE[kind].encode("utf-8", "replace").decode()).decode().replace("\x7f", "")
    try:
        found = parsed(changed('title = "it runs at half width in this socket"', f"title = {value}"), "x.toml")
    except BadInput as problem:
        assert str(problem).isprintable()  # noqa: PT017 - either way is right
        return
    for one in found.notes:
        assert one.title.isprintable()
    assert all(one.words.isprintable() for one in found.wrong)


# --- Writing ---------------------------------------------------------------------------------------------------


def test_what_is_written_reads_back_the_same() -> None:
    """Notes written to a file and read again are the same notes, odd letters and every kind of condition included."""
    odd = note(
        id="odd",
        title='quotes " and \\ and \u00fc',
        text="Z" + "\u0301" * 9 + " \U0001f4be",
        advises=["update-firmware", "reseat"],
        when={
            "card": ["f1c4:*"],
            "subsystem": ["f1af:0001"],
            "class": ["0108"],
            "model": {"contains": "Reel"},
            "firmware": {"at_least": "1", "below": "2"},
            "host_firmware": {"is": ["1.0"]},
            "platform": ["linux"],
            "slot_kind": ["m.2"],
            "machine": {"maker": {"is": ["Harrow Lane Archive"]}},
        },
        seen={
            "verdict": "full",
            "link": {"gtps": 2.5, "width": 4},
            "rate_mbps": 123456.7,
            "boots": False,
            "quirk": "odd",
            "firmware_needed": "2",
        },
    )
    made = written([odd, note()], "A remark.")
    assert [odd, note()] == list(parsed(made, "x.toml").notes)
    assert "\u0301" not in made


# --- Folders ---------------------------------------------------------------------------------------------------


def test_the_users_folder_is_where_the_standard_has_it() -> None:
    """The folder follows XDG_DATA_HOME where that is a whole path, else it is below the home folder.

    Source: XDG Base Directory Specification.
    """
    assert "/data/lanewright/notes" == folder({"XDG_DATA_HOME": "/data", "HOME": "/home/reel"})
    assert "/home/reel/.local/share/lanewright/notes" == folder({"XDG_DATA_HOME": "data", "HOME": "/home/reel"})
    assert "/home/reel/.local/share/lanewright/notes" == folder({"HOME": "/home/reel"})


def own(tmp_path: Path, **files: str) -> dict[str, str]:
    """An environment whose own folder of notes holds these files."""
    place = tmp_path / "data" / "lanewright" / "notes"
    place.mkdir(parents=True)
    for name, content in files.items():
        (place / f"{name}.toml").write_text(content, encoding="utf-8")
    return {"XDG_DATA_HOME": str(tmp_path / "data")}


def test_no_folder_is_no_notes() -> None:
    """Who has no folder of notes has no notes, and nothing is wrong with that."""
    assert ((), ()) == (loaded(NOWHERE).notes, loaded(NOWHERE).damaged)


OF_A_KERNEL: Final = ("kernel", "reset", "retrain")


@pytest.mark.parametrize("one", [one for name in FILES for one in shipped(name)], ids=lambda one: one.id)
def test_what_one_kernel_does_is_told_on_its_own_system_alone(one: Note) -> None:
    """What the kernel does to a part, or meets when it resets one, is no matter for people of another system."""
    words = f"{one.title} {one.seen.quirk}".lower()
    if any(word in words for word in OF_A_KERNEL):
        assert ("linux",) == one.when.platform
    else:
        assert one.id in {"nvme-one-limit-for-heat", "nvme-suspend-race-22301111"} or one.when.platform == ("linux",)


def test_a_damaged_file_of_the_users_own_is_told_and_passed_over(tmp_path: Path) -> None:
    """A damaged file in the user's own folder becomes an unread thing with file and line; the others are used."""
    found = loaded(own(tmp_path, a=HEAD + GOOD, b=changed('"narrow"', '"broken"')))
    assert ["reel-in-short-socket"] == [one.id for one in found.notes]
    (damage,) = found.damaged
    assert "b.toml, line 16" in damage.why


def test_an_id_twice_in_the_users_folder_is_told(tmp_path: Path) -> None:
    """Of two notes of one id in the user's own folder the first counts, and the other is told."""
    found = loaded(own(tmp_path, a=HEAD + GOOD, b=HEAD + GOOD))
    assert 1 == len(found.notes)
    assert "stands in an earlier file" in found.damaged[0].why


def test_a_damaged_file_that_was_named_ends_it(tmp_path: Path) -> None:
    """A damaged file in a folder that was named is refused in one sentence with file and line."""
    (tmp_path / "n.toml").write_text(changed('"narrow"', '"broken"'), encoding="utf-8")
    with pytest.raises(BadInput, match=r"n\.toml, line 16"):
        loaded(NOWHERE, [str(tmp_path)])


@pytest.mark.parametrize("kind", ["missing", "empty", "fifo", "binary", "large", "dangling"])
def test_what_cannot_be_read_is_one_sentence(kind: str, tmp_path: Path) -> None:
    """No file, an empty folder, a pipe, bytes, a large file and a dead link are refused, and none is waited for."""
    place = tmp_path / "odd.toml"
    match kind:
        case "empty":
            place = tmp_path
        case "fifo":
            os.mkfifo(place)
        case "binary":
            place.write_bytes(HEAD.encode() + b"\xff\xfe")
        case "large":
            place.write_bytes(b"#" * (FILE_LIMIT + 1))
        case "dangling":
            place.symlink_to(tmp_path / "gone")
        case _:
            pass
    with pytest.raises(BadInput) as told:
        loaded(NOWHERE, [str(place)])
    assert str(told.value).isprintable()


def test_names_that_begin_with_a_dot_are_left_out(tmp_path: Path) -> None:
    """A hidden file, as editors leave them, is no file of notes."""
    (tmp_path / ".n.toml").write_text("nonsense", encoding="utf-8")
    (tmp_path / "n.toml").write_text(HEAD + GOOD, encoding="utf-8")
    assert 1 == len(loaded(NOWHERE, [str(tmp_path)]).notes)


def test_what_is_named_later_goes_before(tmp_path: Path) -> None:
    """Notes of a named folder go before the user's own, and those before the program's; the list says so."""
    same = GOOD.replace("reel-in-short-socket", "nvme-one-command-at-a-time")
    around = own(tmp_path, a=HEAD + same.replace("half width", "own width"))
    named = tmp_path / "named"
    named.mkdir()
    (named / "b.toml").write_text(HEAD + same.replace("half width", "named width"), encoding="utf-8")
    assert "named width" in loaded(around, [str(named)]).notes[0].title
    found = catalogue(around, [str(named)])
    ranked = [(one.origin, one.hidden_by) for one in found.notes if one.note.id == "nvme-one-command-at-a-time"]
    assert [(str(named), ""), ("your own folder", str(named)), ("the program", str(named))] == ranked
    assert "named width" in note_called(found, "nvme-one-command-at-a-time").note.title


def test_lint_tells_what_goes_before_and_what_stands_twice(tmp_path: Path) -> None:
    """Lint remarks on a note of the program that another goes before, and faults an id that a folder has twice."""
    same = HEAD + GOOD.replace("reel-in-short-socket", "nvme-one-command-at-a-time")
    (tmp_path / "a.toml").write_text(same, encoding="utf-8")
    once = linted([str(tmp_path)], NOWHERE)
    assert ((), 1) == (once.wrong, len(once.remarks))
    (tmp_path / "b.toml").write_text(same, encoding="utf-8")
    twice = linted([str(tmp_path)], NOWHERE)
    assert 1 == len(twice.wrong)
    assert "b.toml, line 4" in twice.wrong[0].words


def test_a_file_with_faults_gives_no_notes_to_check(tmp_path: Path) -> None:
    """`read` gives all notes of a file or raises; `examined` gives both."""
    place = tmp_path / "n.toml"
    place.write_text(HEAD + GOOD + GOOD.replace("reel-in-short-socket", "Bad"), encoding="utf-8")
    with pytest.raises(BadInput):
        read(str(place))
    assert (1, 1) == (len(examined(str(place)).notes), len(examined(str(place)).wrong))


def test_the_schema_of_a_note_is_strict() -> None:
    """A key that no note has is refused by its shape as well."""
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({**msgspec.to_builtins(note()), "path": "/etc/passwd"}, Note)
