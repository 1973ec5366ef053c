"""README.md and DEVELOPERS.md say what the program says, and their commands and examples work as they stand."""

from __future__ import annotations

import doctest
import os
import re
import shutil
import subprocess
import tomllib
from typing import TYPE_CHECKING, Final

import click
import pytest

from agent.cli import main as commands
from agent.model.findings import Severity
from tests.docs import BLOCKS, CURE, HERE, PAGES, blocks_in, example

if TYPE_CHECKING:
    from pathlib import Path

EVERY_PAGE: Final = pytest.mark.parametrize("name", PAGES)
IN_BACKTICKS: Final = re.compile(r"`((?:agent|knowledge|probes|tests|fixtures|\.ci)/[^`\s]*)`")
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


@pytest.mark.parametrize("name", BLOCKS)
def test_a_block_says_what_the_program_says(name: str) -> None:
    """Each block that is made from the program stands in the pages once, as the program makes it now."""
    found = [
        (page_name, content) for page_name in PAGES for block, content in blocks_in(page(page_name)) if block == name
    ]
    assert len(found) == 1
    page_name, content = found[0]
    assert content == BLOCKS[name]().strip("\n"), f"{page_name} is out of date; make it anew with: {CURE}"


@EVERY_PAGE
def test_every_block_can_be_made(name: str) -> None:
    """No page has a block that nobody makes, or half of one."""
    assert [block for block, _ in blocks_in(page(name)) if block not in BLOCKS] == []
    assert page(name).count("<!-- ") == 2 * len(blocks_in(page(name)))


def every_command() -> dict[str, click.Command]:
    """All commands by the words that call them."""
    context = click.Context(commands)
    found = {name: commands.get_command(context, name) for name in commands.list_commands(context)}
    return {"lanewright": commands, **{f"lanewright {name}": each for name, each in found.items() if each is not None}}


@pytest.mark.parametrize("words", every_command())
def test_every_command_explains_itself(words: str) -> None:
    """Each command and each of its options has a help text."""
    command = every_command()[words]
    assert command.help
    silent = [one.name for one in command.params if isinstance(one, click.Option) and not one.help]
    assert silent == []


def test_every_severity_is_explained() -> None:
    """README.md has a row for each severity."""
    assert [severity for severity in Severity if f"\n| `{severity}` |" not in page("README.md")] == []


# --- What is written by hand -----------------------------------------------------------------------------------


@EVERY_PAGE
def test_paths_lead_somewhere(name: str) -> None:
    """Every file of the project that a page names is there."""
    paths = [path for path in IN_BACKTICKS.findall(page(name)) if not PLACEHOLDER.search(path)]
    assert [path for path in paths if not (HERE / path).exists()] == []


@EVERY_PAGE
def test_links_lead_somewhere(name: str) -> None:
    """Every link to a file or a heading of the project leads somewhere."""
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", page(name)):
        path, _, anchor = target.partition("#")
        headings = re.findall(r"^#+ (.+)$", page(path or name), re.MULTILINE)
        anchors = {re.sub(r"[^\w\- ]", "", heading).lower().replace(" ", "-") for heading in headings}
        if not (HERE / (path or name)).exists() or (anchor and anchor not in anchors):
            broken.append(target)
    assert broken == []


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
    shown = example().split("\n\n", 1)[1].removesuffix("```\n")
    assert shown == "".join(f"{line.rstrip()}\n" for line in printed.splitlines())


@pytest.mark.fresh
def test_the_tests_run_on_a_fresh_machine(tmp_path: Path) -> None:
    """The second command of README.md sets up all it needs and runs the tests; here one file of them, not all."""
    printed = run_afresh(shell_commands()[1], tmp_path / "copy", PYTEST_ADDOPTS="tests/test_tables.py")
    assert re.search(r"\d+ passed", printed)
