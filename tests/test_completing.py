"""What a shell offers for the word that is being typed, and that nothing offered does anything in a shell."""

from __future__ import annotations

import os
import shutil
import string
import subprocess
from typing import TYPE_CHECKING, Final

import click
import pytest
from click.shell_completion import ShellComplete
from hypothesis import given
from hypothesis import strategies as st

from agent.cli import LATER, main
from agent.commands.completing import MOST, OFFERS, offered
from agent.report.schemas import FORMS
from knowledge.boards import board_kinds
from knowledge.parts import kinds
from probes import platform
from probes.reads import Live
from probes.samples import End
from probes.soaklog import Writer
from tests.boards import bench_2
from tests.build import build
from tests.hostile import HOSTILE
from tests.machines import FIXTURES
from tests.notes import GOOD, HEAD
from tests.test_soak_log import CAPTURE, head
from tests.tree import TreeReads

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

UPGRADED: Final = FIXTURES / "bench-1-upgraded" / "capture.json"
SHELL: Final = shutil.which("sh")
ELSEWHERE: Final = frozenset({"words"})  # completed where the words of `explain` are known


def words(*line: str) -> list[str]:
    """What is offered for the last word of a line, beside files and folders."""
    return [item.value for item in _items(*line) if item.type == "plain"]


def kinds_of_files(*line: str) -> set[str]:
    """Whether files or folders are offered for the last word of a line."""
    return {item.type for item in _items(*line)} - {"plain"}


def _items(*line: str) -> list[click.shell_completion.CompletionItem]:
    shell = ShellComplete(main, {}, "lanewright", "_LANEWRIGHT_COMPLETE")
    return shell.get_completions([*line[:-1]], line[-1])


def commands() -> Iterator[click.Command]:
    """Every command, those below another too."""
    context = click.Context(main)
    waiting = [main.get_command(context, name) for name in main.list_commands(context)]
    while waiting:
        command = waiting.pop()
        assert command is not None
        yield command
        if isinstance(command, click.Group):
            waiting += command.commands.values()


def test_every_word_that_can_be_typed_has_an_offer() -> None:
    """Each option and argument of any command that takes a text offers something, so that none is forgotten."""
    texts = {
        parameter.name or ""
        for command in commands()
        for parameter in command.params
        if parameter.type in (click.STRING, click.UNPROCESSED)
    }
    assert set(LATER) < {command.name for command in commands()}
    assert "replay" in texts
    assert set() == texts - set(OFFERS) - ELSEWHERE


def test_every_offer_is_for_a_word_that_is_there() -> None:
    """No name of an offer is one that no command has any more."""
    names = {parameter.name for command in commands() for parameter in command.params}
    assert set() == set(OFFERS) - names


def test_parts_of_the_capture_are_offered() -> None:
    """--only offers slots, drives and addresses of the capture that --replay names before it, and nothing without."""
    there = words("check", "--replay", str(UPGRADED), "--only", "")
    assert {"SLOT1", "M2_1", "nvme4", "sda", "0000:00:1b.0"} <= set(there)
    assert ["SLOT1", "SLOT2", "SLOT3", "SLOT4"] == words("inventory", "--replay", str(UPGRADED), "--only", "slot")
    assert [] == words("check", "--only", "")
    assert [] == words("check", "--replay", "-", "--only", "")


@pytest.mark.parametrize("content", ["", "{", '{"format": "lanewright-capture"}'])
def test_what_is_no_capture_offers_nothing(content: str, tmp_path: Path) -> None:
    """A file that cannot be read as a capture offers no part, and is no error in the line that is being typed."""
    (tmp_path / "x.json").write_text(content, encoding="utf-8")
    assert [] == words("check", "--replay", str(tmp_path / "x.json"), "--only", "")


def test_a_pipe_is_left_to_the_command(tmp_path: Path) -> None:
    """What is named for --replay is not read where it is a pipe: it would be lost to the command itself."""
    os.mkfifo(tmp_path / "pipe")
    assert [] == words("check", "--replay", str(tmp_path / "pipe"), "--only", "")


def test_kinds_are_offered() -> None:
    """--add and --compare offer kinds of cards, --drives those of drives with a number, --template those of boards."""
    cards = words("plan", "sheet.toml", "--add", "")
    assert cards == words("plan", "sheet.toml", "--compare", "")
    assert {"network-10g", "split-carrier-4-x16-gen4"} <= set(cards) <= set(kinds())
    drives = words("plan", "sheet.toml", "--drives", "12xnv")
    assert "12xnvme-gen4" in drives
    assert [] == [word for word in drives if word.removeprefix("12x") not in kinds()]
    assert ["4xgen4", "4xgen4-x2"] == words("plan", "sheet.toml", "--drives", "4xgen4")
    assert [*board_kinds()] == words("plan", "--new", "a.toml", "--template", "")


def test_schemas_are_offered() -> None:
    """The forms that have a schema are offered as click offers every choice."""
    assert {*FORMS} <= {*words("schema", "")}


def test_notes_are_offered(tmp_path: Path) -> None:
    """Ids of notes are offered, those of a folder named before too, but for one that cannot be read."""
    (tmp_path / "own.toml").write_text(HEAD + GOOD, encoding="utf-8")
    shipped = words("notes", "show", "")
    assert "display-link-rests-deeply" in shipped
    assert "reel-in-short-socket" not in shipped
    assert {*shipped, "reel-in-short-socket"} == set(words("notes", "test", "--notes", str(tmp_path), ""))
    assert [] == words("notes", "show", "--notes", str(tmp_path / "none"), "")


def test_logs_are_offered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--show and --export offer the user's logs by their names, and files; a name that could act is not among them."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    folder = tmp_path / "lanewright" / "soaks"
    folder.mkdir(parents=True)
    assert ["last"] == words("soak", "--show", "")
    for name in ("2026-03-02-090000Z", "$(touch x)", "-a"):
        Writer(str(folder / f"{name}.sqlite"), head(), CAPTURE).close(End(1.0, "command", 0))
    assert ["last", "2026-03-02-090000Z"] == words("soak", "--show", "")
    assert ["csv"] == words("soak", "--export", "c")
    assert ["2026-03-02-090000Z"] == words("soak", "--export", "csv", "20")
    assert {"file"} == kinds_of_files("soak", "--show", "")


def test_drives_of_the_machine_are_offered() -> None:
    """`measure` offers what the system lists as drives; a list that cannot be read takes none of the other with it."""
    tree = build(bench_2({}))
    drives = platform("linux").watch().drives
    assert ("nvme0", "sda", "sdb") == drives(TreeReads(tree))
    tree.fail("/sys/class/nvme", "EACCES")
    assert ("sda", "sdb") == drives(TreeReads(tree))
    assert set(drives(Live(None, "linux"))) == set(words("measure", ""))


def test_files_are_left_to_the_shell() -> None:
    """Where a file or a folder belongs, the shell is told so, and finds and quotes its names itself."""
    assert {"file"} == kinds_of_files("check", "--replay", "fix")
    assert {"file"} == kinds_of_files("compare", "")
    assert {"file"} == kinds_of_files("compare", "a.json", "")
    assert {"file"} == kinds_of_files("report", "a.html", "b")
    assert {"file"} == kinds_of_files("plan", "")
    assert {"dir"} == kinds_of_files("check", "--root", "")
    assert {"dir"} == kinds_of_files("notes", "list", "--notes", "")


# --- Hostile names -------------------------------------------------------------------------------------------------


@pytest.mark.skipif(SHELL is None, reason="no shell on this machine")
@given(
    st.lists(
        st.text(st.characters(max_codepoint=0x250), max_size=12) | st.from_regex(r"[A-Z]{1,4}[\d_:.-]{0,3}\d"),
        max_size=40,
    )
)
def test_a_word_that_is_offered_is_itself_to_a_shell(names: list[str]) -> None:
    """Whatever names there are, a shell reads each that is offered as one word, as it stands, and does nothing else."""
    assert SHELL is not None
    found = offered(names, "")
    done = subprocess.run(
        [SHELL, "-c", f"printf '%s\\n' '' {' '.join(found)}"],
        capture_output=True,
        check=True,
        cwd="/",
        env={"PATH": ""},
    )
    assert ["", *found] == done.stdout.decode("utf-8").splitlines()


def test_harmful_names_are_not_offered() -> None:
    """Commands, expansions, patterns, options, line ends and endless names are left out; harmless ones stay."""
    harmful = ["$(reboot)", "`id`", "a;b", "a b", "a\nb", "a\n", "*", "~", "-rf", "a,b", "a'b", "#a", "=ls", "x" * 300]
    assert ["SLOT-1"] == offered([*harmful, *HOSTILE.values(), "SLOT-1"], "")
    assert MOST == len(offered(map(str, range(MOST + 10)), ""))


def test_a_hostile_capture_offers_nothing_that_acts() -> None:
    """Of a capture with hostile names the parts that have a harmless name are offered, and no other."""
    there = words("check", "--replay", str(FIXTURES / "hostile-names" / "capture.json"), "--only", "")
    assert {"nvme0", "101"} <= set(there)
    assert set("".join(there)) <= set(f"{string.ascii_letters}{string.digits}.:_-")
