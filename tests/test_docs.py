"""The pages say what the program says, keep to their sizes, and their commands and examples work as they stand."""

from __future__ import annotations

import doctest
import os
import re
import shlex
import shutil
import subprocess
import tomllib
from typing import TYPE_CHECKING, Final

import click
import pytest

from agent.cli import main as commands
from agent.commands.explaining import CONTENTS
from agent.commands.manual_pages import every_command, man_page
from agent.explain import explanations
from agent.manual import chapters
from tests.docs import BLOCK, CURE, HERE, PAGES, SIZES, blocks_in, example

if TYPE_CHECKING:
    from pathlib import Path

EVERY_PAGE: Final = pytest.mark.parametrize("name", PAGES)
A_PATH: Final = re.compile(r"(?<![\w/.-])((?:agent|knowledge|probes|tests|fixtures|\.ci)/[\w./*<>-]*\w/?)")
PLACEHOLDER: Final = re.compile(r"[A-Z]{3,}|[<*]")
NO_INDEX: Final = ("No matching distribution", "Could not find a version", "name resolution", "Connection")


def page(name: str) -> str:
    """The text of a page."""
    return (HERE / name).read_text(encoding="utf-8")


def shell_commands() -> list[str]:
    """The lines of README.md's first block of shell commands."""
    block = re.search(r"^```sh\n(.*?)^```$", page("README.md"), re.DOTALL | re.MULTILINE)
    assert block is not None
    return block[1].splitlines()


# --- What is made ----------------------------------------------------------------------------------------------

EXAMPLES: Final = [(name, command) for name in PAGES for command, _ in blocks_in(page(name))]


@pytest.mark.parametrize(("name", "command"), EXAMPLES)
def test_an_example_is_what_the_program_prints(name: str, command: str) -> None:
    """Each example of a page is what its command prints now."""
    shown = dict(blocks_in(page(name)))[command]
    assert example(command).strip("\n") == shown, f"{name} is out of date; make it anew with: {CURE}"


def test_readme_has_five_examples() -> None:
    """README.md opens with the check that its first command runs, and has four more examples."""
    commands_shown = [command for name, command in EXAMPLES if name == "README.md"]
    assert 5 == len(set(commands_shown))
    assert shell_commands()[0].endswith(commands_shown[0])


@EVERY_PAGE
def test_every_block_is_whole(name: str) -> None:
    """No page has half of a block."""
    assert page(name).count("<!-- ") == 2 * len(blocks_in(page(name)))


@pytest.mark.parametrize(("name", "most"), SIZES.items())
def test_a_page_is_no_longer_than_a_person_reads(name: str, most: int) -> None:
    """README.md, DEVELOPERS.md and the page of each folder keep to their sizes."""
    assert (HERE / name).stat().st_size <= most


@pytest.mark.parametrize("words", every_command(commands))
def test_every_command_explains_itself(words: str) -> None:
    """Each command and each of its options has a help text."""
    command = every_command(commands)[words]
    assert command.help
    silent = [one.name for one in command.params if isinstance(one, click.Option) and not one.help]
    assert silent == []


# --- What is written by hand -----------------------------------------------------------------------------------


@EVERY_PAGE
def test_paths_lead_somewhere(name: str) -> None:
    """Every file of the project that a page names is there."""
    paths = [path for path in A_PATH.findall(BLOCK.sub("", page(name))) if not PLACEHOLDER.search(path)]
    assert [path for path in paths if not (HERE / path).exists()] == []


OF_PROGRAM: Final = re.compile(r"^ {4}(lanewright .+)$|`(lanewright [^`]+)`", re.MULTILINE)
ARGUMENTS: Final = re.compile(r"[|>].*")  # what a shell takes for itself


def shown_commands() -> list[tuple[str, str]]:
    """Every line of a page that calls the program, by page; what an example printed is no such line."""
    found = []
    for name in PAGES:
        for line, within in OF_PROGRAM.findall(BLOCK.sub("", page(name))):
            found.append((name, " ".join(ARGUMENTS.sub("", line or within).split())))
    return list(dict.fromkeys(found))


@pytest.mark.parametrize(("name", "line"), shown_commands())
def test_a_shown_command_is_one_of_the_program(name: str, line: str) -> None:
    """Each command that a page shows is one that the program takes, with these options and so many words."""
    command: click.Command = commands
    context = click.Context(commands, info_name="lanewright", **commands.context_settings)
    words = shlex.split(line)[1:]
    while isinstance(command, click.Group):
        below = command.get_command(context, words[0])
        assert below is not None, f"{name}: {line}"
        command, words = below, words[1:]
    given = command.make_context(line, words, parent=context).params
    known = " ".join(given.get("words", ()))
    if given.get("form") == "man":
        assert man_page(commands, known) != ""
    elif known.islower() and known != CONTENTS:
        assert chapters.found(known) is not None or explanations(known) != ()


@EVERY_PAGE
def test_links_lead_somewhere(name: str) -> None:
    """Every link to a file or a heading of the project leads somewhere."""
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", page(name)):
        path, _, anchor = target.partition("#")
        there = (HERE / name).parent / path if path else HERE / name
        text = there.read_text(encoding="utf-8") if there.is_file() else ""
        headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
        anchors = {re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-") for heading in headings}
        if not there.exists() or (anchor and anchor not in anchors):
            broken.append(target)
    assert broken == []


def test_quoted_source_stands_in_its_file() -> None:
    """What DEVELOPERS.md quotes of the program is there, letter by letter."""
    quoted = re.findall(r"^```python\n(.*?)^```$", page("DEVELOPERS.md"), re.DOTALL | re.MULTILINE)
    sources = [path.read_text(encoding="utf-8") for path in (HERE / "agent").rglob("*.py")]
    assert quoted != []
    assert [text for text in quoted if not any(text in source for source in sources)] == []


@EVERY_PAGE
def test_python_examples_work(name: str) -> None:
    """Every Python example of a page gives what stands below it."""
    failures, _ = doctest.testfile(str(HERE / name), module_relative=False, encoding="utf-8")
    assert failures == 0


def test_every_dependency_has_its_reason() -> None:
    """DEVELOPERS.md gives a reason for each library that the program, its tests or its build need."""
    settings = tomllib.loads(page("pyproject.toml"))
    project = settings["project"]
    needed = [
        *project["dependencies"],
        *(one for extra in project["optional-dependencies"].values() for one in extra),
        *settings["build-system"]["requires"],
    ]
    names = [re.split(r"[^\w-]", one)[0] for one in needed]
    assert [name for name in names if f"\n| `{name}` |" not in page("DEVELOPERS.md")] == []


# --- A fresh machine -------------------------------------------------------------------------------------------


def run_afresh(command: str, folder: Path, **environment: str) -> str:
    """Run a command of README.md in a copy of the project that has never been set up; what it printed."""
    skipped = shutil.ignore_patterns(".git", ".venv", ".*_cache", "__pycache__", ".hypothesis", "*.egg-info")
    shutil.copytree(HERE, folder, ignore=skipped)
    kept = {name: value for name, value in os.environ.items() if name not in {"PYTHONPATH", "VIRTUAL_ENV"}}
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env={**kept, **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode and os.environ.get("LANEWRIGHT_LAB") != "require":
        reason = next((line for line in done.stderr.splitlines() if any(words in line for words in NO_INDEX)), None)
        if reason is not None:
            pytest.skip(f"no package index can be reached: {reason.strip()}")
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_readme_gives_two_commands() -> None:
    """README.md opens with one command for the main job and one for the tests."""
    job, tests = shell_commands()
    assert "lanewright check --replay fixtures/" in job
    assert tests.endswith("&& .venv/bin/pytest -q")


@pytest.mark.fresh
def test_the_main_job_runs_on_a_fresh_machine(tmp_path: Path) -> None:
    """The first command of README.md sets up all it needs and prints the example that the page shows."""
    printed = run_afresh(shell_commands()[0], tmp_path / "copy", COLUMNS="80", NO_COLOR="1", TERM="dumb")
    first = next(command for name, command in EXAMPLES if name == "README.md")
    shown = example(first).split("\n\n", 1)[1].removesuffix("```\n")
    assert shown == "".join(f"{line.rstrip()}\n" for line in printed.splitlines())


@pytest.mark.fresh
def test_the_tests_run_on_a_fresh_machine(tmp_path: Path) -> None:
    """The second command of README.md sets up all it needs and runs the tests; here one file of them, not all."""
    printed = run_afresh(shell_commands()[1], tmp_path / "copy", PYTEST_ADDOPTS="tests/test_tables.py")
    assert re.search(r"\d+ passed", printed)
