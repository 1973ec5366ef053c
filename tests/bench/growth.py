"""How a check grows: 2,000 functions against 60, beyond what a start takes anyway, and the memory in use.

A hall server is held against a small one of the same make, and against a tower, whose functions have fewer bytes.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agent.cli import main as commands
from tests.bench.measure import LANEWRIGHT, compare, python, seconds_of, side_by_side
from tests.machines import MACHINES, hall_server

if TYPE_CHECKING:
    from collections.abc import Callable

LIMIT_BYTES: Final = 150_000_000
GOAL: Final = 40.0
LARGE, SMALL, TOWER, START = (
    "2,000 functions",
    "60 functions of the same make",
    "60 functions of a tower",
    "2 functions",
)


def captures(folder: Path) -> dict[str, str]:
    """The captures as files: hall servers, large and small, and a tower."""
    made = {
        LARGE: hall_server().capture(),
        SMALL: hall_server(60).capture(),
        TOWER: MACHINES["bench-1-upgraded"]().capture(),
    }
    paths: dict[str, str] = {}
    for name, content in made.items():
        path = folder / f"{len(paths)}.json"
        path.write_bytes(content)
        paths[name] = str(path)
    return paths


def command(form: str, path: str) -> Callable[[], None]:
    """A whole `check` in this process, where everything that a start loads is loaded; its output goes nowhere."""

    def run() -> None:
        with Path(os.devnull).open("w", encoding="utf-8") as nowhere, contextlib.redirect_stdout(nowhere):
            commands(["check", "--format", form, "--replay", path], standalone_mode=False)

    def checked() -> None:
        try:
            run()
        except SystemExit as end:
            if end.code not in {0, 1}:
                raise

    return checked


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        paths = captures(Path(folder))
        for form in ("json", "text"):
            print(f"check --format {form}, beyond start-up")
            medians = side_by_side({name: seconds_of(command(form, path)) for name, path in paths.items()})
            compare(medians, LARGE, SMALL, GOAL)
            compare(medians, LARGE, TOWER, GOAL)
            whole = python((*LANEWRIGHT, "check", "--format", form, "--replay", paths[LARGE]))
            word = "within" if whole.memory_bytes <= LIMIT_BYTES else "ABOVE"
            goal = f"{word} the goal of {LIMIT_BYTES / 1e6:.0f} MB"
            print(
                f"  the whole process: {whole.seconds * 1000:.0f} ms, at most {whole.memory_bytes / 1e6:.0f} MB, {goal}"
            )


if __name__ == "__main__":
    main()
