"""Makes the blocks of the pages that show what the program prints. `python -m tests.docs` rewrites them.

A block stands between two comments; what is between them is never edited by hand. Its name is the command line:

    <!-- made by python -m tests.docs: lanewright explain set-slow -->
    <!-- end of lanewright explain set-slow -->
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from knowledge.manual import CHAPTERS

if TYPE_CHECKING:
    from collections.abc import Mapping

HERE: Final = Path(__file__).resolve().parent.parent
# Each page with the most bytes that it may have: what a person reads in one go.
FOLDER_PAGE: Final = 6_000
SIZES: Final[Mapping[str, int]] = {
    "README.md": 12_000,
    "DEVELOPERS.md": 15_000,
    **{f"{folder}/README.md": FOLDER_PAGE for folder in ("agent", "probes", "knowledge", "fixtures", "tests")},
}
MANUAL: Final = tuple(f"knowledge/manual/{name}.md" for name in CHAPTERS)
PAGES: Final = (*SIZES, *MANUAL)
PROGRAM: Final = "lanewright "
ENDS_WELL: Final = frozenset({0, 1})  # 1: something was found, which is what an example is to show
WIDTH: Final = "80"
CURE: Final = "python -m tests.docs"
BLOCK: Final = re.compile(r"(<!-- made by python -m tests\.docs: (.+?) -->\n)(.*?)(<!-- end of \2 -->)", re.DOTALL)


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
    if done.stderr or done.returncode not in ENDS_WELL:
        raise RuntimeError(f"lanewright {' '.join(arguments)} ended with {done.returncode}: {done.stderr}")
    return "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines())


def example(command: str) -> str:
    """A command and what it prints, as a block of text; a name that is no command raises ValueError."""
    if not command.startswith(PROGRAM):
        raise ValueError(f"nobody makes a block of {command}")
    return f"```text\n$ {command}\n\n{said(*shlex.split(command)[1:])}```\n"


def blocks_in(page: str) -> list[tuple[str, str]]:
    """The blocks of a page in order: command and content."""
    return [(match[2], match[3].strip("\n")) for match in BLOCK.finditer(page)]


def made_anew(page: str) -> str:
    """The page with every block made anew."""
    return BLOCK.sub(lambda match: f"{match[1]}\n{example(match[2]).strip(chr(10))}\n\n{match[4]}", page)


def main() -> None:
    """Rewrite all pages."""
    for name in PAGES:
        path = HERE / name
        path.write_text(made_anew(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
