"""Makes the blocks of README.md and DEVELOPERS.md that say what the program says. `python -m tests.docs` rewrites them.

A block stands between two comments; what is between them is never edited by hand:

    <!-- made by python -m tests.docs: NAME -->
    <!-- end of NAME -->
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from agent.cli import main as commands
from agent.explain import words
from knowledge import nvme, pcie
from knowledge.problems import BadInput, NothingRead
from knowledge.steps import STEPS
from probes import PLATFORMS, platform

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from probes import Platform

HERE: Final = Path(__file__).resolve().parent.parent
PAGES: Final = ("README.md", "DEVELOPERS.md")
PACKAGES: Final = ("knowledge", "probes", "agent")
EXAMPLE: Final = ("check", "--replay", "fixtures/bench-1-slot-limited/capture.json")
WIDTH: Final = "80"
CURE: Final = "python -m tests.docs"
BLOCK: Final = re.compile(r"(<!-- made by python -m tests\.docs: ([a-z ]+) -->\n)(.*?)(<!-- end of \2 -->)", re.DOTALL)


# --- Helpers ---------------------------------------------------------------------------------------------------


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table; a bar inside a cell is escaped."""
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |\n" for line in lines)


def said(*arguments: str) -> str:
    """What the program prints in a terminal of 80 columns without colour."""
    kept = {name: value for name, value in os.environ.items() if name not in {"FORCE_COLOR", "PYTHONPATH"}}
    done = subprocess.run(
        [sys.executable, "-c", "from agent.cli import main; main(prog_name='lanewright')", *arguments],
        cwd=HERE,
        env={**kept, "COLUMNS": WIDTH, "NO_COLOR": "1", "TERM": "dumb"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.stderr or done.returncode:
        raise RuntimeError(f"lanewright {' '.join(arguments)} ended with {done.returncode}: {done.stderr}")
    return "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines())


def fenced(text: str, kind: str = "text") -> str:
    """A block of text as it is."""
    return f"```{kind}\n{text}```\n"


def docstring(path: Path) -> str:
    """The first paragraph of a module's docstring, on one line."""
    words = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return " ".join(words.split("\n\n")[0].split())


def sentence(words: str) -> str:
    """The words with a capital and a full stop."""
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


# --- Blocks of README.md ---------------------------------------------------------------------------------------


def example() -> str:
    """What a check of a machine prints."""
    return fenced(f"$ lanewright {' '.join(EXAMPLE)}\n\n{said(*EXAMPLE)}")


def command_help() -> str:
    """The help of the program and of each command, the commands of a command after it."""
    pages = [("lanewright", said("--help"))]
    context = click.Context(commands)
    for name in commands.list_commands(context):
        pages.append((f"lanewright {name}", said(name, "--help")))
        command = commands.get_command(context, name)
        if isinstance(command, click.Group):
            pages += [(f"lanewright {name} {one}", said(name, one, "--help")) for one in sorted(command.commands)]
    return "\n".join(f"#### `{name}`\n\n{fenced(page)}" for name, page in pages)


def verdicts() -> str:
    """Each verdict with its severity and meaning."""
    rows = (
        (f"`{one.word}`", one.severity or "", f"{one.title} {one.meaning}") for one in words() if one.kind == "verdict"
    )
    return table(("verdict", "severity", "meaning"), rows)


def exit_statuses() -> str:
    """What the exit status says."""
    rows = (
        ("0", "Nothing at or above `--fail-on` (a fault, unless told otherwise) was found."),
        ("1", "Something at or above `--fail-on` was found."),
        (str(BadInput.exit_status), sentence(_before_bracket(BadInput))),
        (str(NothingRead.exit_status), f"{sentence(_before_bracket(NothingRead))} {NOT_PASSED}"),
    )
    return table(("status", "meaning"), rows)


NOT_PASSED = "`check`: or readings failed that may hide a fault, and nothing at or above `--fail-on` was found."


def _before_bracket(problem: type[Exception]) -> str:
    return (problem.__doc__ or "").split("(", 1)[0].strip()


def seen_where() -> str:
    """What can be seen on each platform, and why what cannot be is not."""
    modules = sorted(map(platform, PLATFORMS), key=lambda module: -len(module.offers))
    names = sorted(PLATFORMS, key=lambda name: modules.index(platform(name)))
    kinds = dict.fromkeys(kind for module in modules for kind in (*module.offers, *module.without))
    floor = platform("any other").without["everything"]
    rows = ((kind, *(_seen(kind, module) for module in modules), "unknown") for kind in kinds)
    return table(("kind", *names, f"any other: {floor}"), rows)


def _seen(kind: str, module: Platform) -> str:
    """How a platform gives a kind of fact, or why it does not."""
    if kind in module.offers:
        return module.offers[kind]
    return f"unknown: {module.without[kind]}" if kind in module.without else "given with other kinds"


# --- Blocks of DEVELOPERS.md -----------------------------------------------------------------------------------


def module_map() -> str:
    """Every module with what it is for, from its docstring."""
    return table(("module", "what it is for"), _modules())


def _modules() -> Iterator[tuple[str, str]]:
    for package in PACKAGES:
        for path in sorted((HERE / package).rglob("*.py")):
            yield f"`{path.relative_to(HERE)}`", docstring(path)


def map_of_tests() -> str:
    """Every module of the tests with what it holds, from its docstring."""
    paths = sorted((HERE / "tests").rglob("*.py"))
    return table(("module", "what it holds"), ((f"`{path.relative_to(HERE)}`", docstring(path)) for path in paths))


def rule_table() -> str:
    """Every rule as `lanewright explain` has it."""
    rows = (
        (
            f"`{one.word}`",
            one.severity or "",
            f"{one.title} {one.meaning}".strip(),
            one.evidence,
            sentence("; ".join(f"{cause[:1].lower()}{cause[1:]}" for cause in one.causes)),
            one.cannot_tell,
            one.source,
            ", ".join(f"`{action}`" for action in one.steps) or "none",
        )
        for one in words()
        if one.kind == "rule"
    )
    head = ("rule", "severity", "what it finds", "rests on", "usual causes", "cannot tell", "source", "steps")
    return table(head, rows)


def step_table() -> str:
    """Every step in the order of rank, as `lanewright explain` has it, but with the places in its words unfilled."""
    rows = (
        (
            f"`{one.word}`",
            STEPS[one.word].text,
            one.meaning,
            one.cannot_tell,
            "yes" if STEPS[one.word].hardware else "no",
            str(len(one.cautions)),
        )
        for one in words()
        if one.kind == "step"
    )
    return table(("step", "words", "why", "cannot tell", "hands inside", "cautions"), rows)


def registers() -> str:
    """Every register and structure that is decoded, by its home, with the source."""
    found: dict[tuple[str, str], list[str]] = {}
    for layout in (*pcie.ALL_LAYOUTS, *nvme.ALL_LAYOUTS):
        words = f"`{layout.name}` ({layout.offset:02X}h)"
        found.setdefault((layout.home, layout.source), []).append(words)
    homes = {layout.source: layout.home for layout in nvme.ALL_LAYOUTS}
    for text in nvme.ALL_TEXTS:
        words = f"`{text.name}` ({text.offset:02X}h)"
        found.setdefault((homes[text.source], text.source), []).append(words)
    return table(
        ("where", "registers (offset there)", "source"),
        ((home, ", ".join(words), source) for (home, source), words in found.items()),
    )


def question_order() -> str:
    """The order in which the comparer asks, from its docstring."""
    words = ast.get_docstring(ast.parse((HERE / "agent" / "verdicts.py").read_text(encoding="utf-8"))) or ""
    order = next(part for part in words.split("\n\n") if part.startswith("Order of questions:"))
    questions = " ".join(order.split()).removeprefix("Order of questions:").rstrip(".").split(";")
    return "".join(f"{number}. {words.strip().capitalize()}?\n" for number, words in enumerate(questions, 1))


BLOCKS: Final[dict[str, Callable[[], str]]] = {
    "example": example,
    "commands": command_help,
    "verdicts": verdicts,
    "exit status": exit_statuses,
    "seen where": seen_where,
    "modules": module_map,
    "tests": map_of_tests,
    "rules": rule_table,
    "steps": step_table,
    "registers": registers,
    "questions": question_order,
}


def blocks_in(page: str) -> list[tuple[str, str]]:
    """The blocks of a page in order: name and content."""
    return [(match[2], match[3].strip("\n")) for match in BLOCK.finditer(page)]


def made_anew(page: str) -> str:
    """The page with every block made anew; a name that nobody makes raises KeyError."""
    return BLOCK.sub(lambda match: f"{match[1]}\n{BLOCKS[match[2]]().strip(chr(10))}\n\n{match[4]}", page)


def main() -> None:
    """Rewrite both pages."""
    for name in PAGES:
        path = HERE / name
        path.write_text(made_anew(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
