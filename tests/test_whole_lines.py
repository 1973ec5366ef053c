"""Nothing is cut with dots and no line is wider than the terminal: every command, every machine, three widths."""

from __future__ import annotations

import itertools
import re
from functools import cache
from typing import TYPE_CHECKING, Final

import click
import pytest
from click.testing import CliRunner
from rich.cells import cell_len

from agent.cli import main
from agent.explain import words
from knowledge.manual import CHAPTERS
from tests.against import SHEET
from tests.machines import FIXTURES

if TYPE_CHECKING:
    from collections.abc import Iterator

WIDTHS: Final = (60, 80, 120)
MACHINES: Final = sorted(place.parent.name for place in FIXTURES.glob("*/capture.json"))
SHEETS: Final = sorted(
    str(place.relative_to(FIXTURES)) for place in (*FIXTURES.glob("sheets/*"), *FIXTURES.glob("*/sheet.toml"))
)
UNENDING: Final = "hostile-names"  # some of its names have 4,000 characters, which nobody would want to see whole
# Dots at the end of a line, or of a cell: before the space between columns or a stroke.
CUT: Final = re.compile(r"(\.\.\.|\u2026)(?=\s*$|\s{2,}|\s*[|\u2502])")


def wrong(*line: str) -> list[str]:
    """What is cut or too wide in what a command prints, by width; a command that fails is wrong as well."""
    found = []
    for width in WIDTHS:
        shown = printed(line, width)
        if not shown:
            found.append(f"{width}: nothing was printed")
        for told in shown:
            if CUT.search(told) and not any(UNENDING in word for word in line):
                found.append(f"{width}: cut: {told}")
            if cell_len(told) > width:
                found.append(f"{width}: {cell_len(told)} columns: {told}")
    return found


@cache
def printed(line: tuple[str, ...], width: int) -> list[str]:
    """The lines that a command prints on standard output in a terminal of so many columns."""
    done = CliRunner().invoke(main, [*line], env={"COLUMNS": str(width), "NO_COLOR": "1", "TERM": "dumb"})
    assert done.exception is None or isinstance(done.exception, SystemExit)
    assert done.exit_code in {0, 1, 3}
    return [told.rstrip() for told in done.stdout.splitlines()]


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Names of files are as short as a user's: what is made of them is not wider for where the tests stand."""
    monkeypatch.chdir(FIXTURES)


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize("command", ["check", "check --full", "inventory", "notes test display-link-rests-deeply"])
def test_nothing_of_a_machine_is_cut(command: str, name: str) -> None:
    """What is shown of a machine stands there whole, at any width."""
    assert [] == wrong(*command.split(), "--replay", f"{name}/capture.json")


@pytest.mark.parametrize(("before", "after"), [*itertools.pairwise(MACHINES)])
def test_nothing_of_a_comparison_is_cut(before: str, after: str) -> None:
    """What changed from each machine to the next in order of their names stands there whole."""
    assert [] == wrong("compare", "--as-given", f"{before}/capture.json", f"{after}/capture.json")


@pytest.mark.parametrize("sheet", SHEETS)
def test_nothing_of_a_plan_is_cut(sheet: str) -> None:
    """The plan of every sheet stands there whole."""
    assert [] == wrong("plan", sheet, "--seconds", "2")


@pytest.mark.parametrize("name", [name for name in MACHINES if (FIXTURES / name / SHEET).is_file()])
def test_nothing_of_a_machine_held_against_its_sheet_is_cut(name: str) -> None:
    """What a build sheet adds to a check stands there whole."""
    assert [] == wrong("check", "--replay", f"{name}/capture.json", "--against", f"{name}/{SHEET}")


@pytest.mark.parametrize(
    "command",
    [
        "plan sheets/bench-1-refit.toml --drives 2xgen4 --compare split-carrier-4-x16-gen4 --seconds 1",
        "plan --kinds",
        "notes list",
        "notes lint",
        "explain",
        "explain manual",
        "soak --list",
    ],
)
def test_nothing_of_a_list_is_cut(command: str) -> None:
    """Lists and tables over all machines, kinds, notes and words stand there whole."""
    assert [] == wrong(*command.split())


@pytest.mark.parametrize("sort", ["worst", "machines"])
def test_nothing_of_a_tally_is_cut(sort: str) -> None:
    """One table over all machines stands there whole."""
    assert [] == wrong("tally", "--sort", sort, *(f"{name}/capture.json" for name in MACHINES if name != UNENDING))


@pytest.mark.parametrize("word", [word.word for word in words()])
def test_nothing_of_an_explanation_is_cut(word: str) -> None:
    """Each word is explained whole."""
    assert [] == wrong("explain", *word.split())


@pytest.mark.parametrize("chapter", sorted({*CHAPTERS} - {"commands"}))
def test_nothing_of_the_manual_is_cut(chapter: str) -> None:
    """Each chapter stands there whole; lines to be copied may be wide, and help pages are looked at on their own."""
    assert [] == [told for told in wrong("explain", chapter) if ": cut: " in told]


def help_pages(command: click.Command, *line: str) -> Iterator[tuple[str, ...]]:
    """The words that ask for the help of a command, and of those below it."""
    yield (*line, "--help")
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from help_pages(below, *line, name)


@pytest.mark.parametrize("line", [*help_pages(main)], ids=" ".join)
def test_nothing_of_a_help_page_is_cut(line: tuple[str, ...]) -> None:
    """Each help page stands there whole; dots in how a command is used mean that a word can be repeated."""
    for width in WIDTHS:
        done = CliRunner().invoke(main, [*line], terminal_width=width)
        told = done.stdout.split("\n\n", 1)[1].splitlines()
        assert told
        assert [] == [f"{width}: {one}" for one in told if CUT.search(one) or cell_len(one) > width]


def test_a_cut_and_a_wide_line_would_be_found() -> None:
    """Dots at the end of a line or a cell are a cut; dots within a sentence, and a path upwards, are none."""
    assert CUT.search("SLOT4  of Gen 4: nv...  8 GT/s")
    assert CUT.search("Capture of\u2026")
    assert CUT.search("| a... | b |")
    assert not CUT.search("../../etc and 0, 1, 2 ... 7 of them")
