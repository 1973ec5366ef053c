"""Whole processes: a check of a capture of 60 functions against bare imports of the libraries it shows it with."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tests.bench.measure import LANEWRIGHT, compare, process, side_by_side

CAPTURE: Final = str(Path(__file__).parents[2] / "fixtures" / "bench-1-upgraded" / "capture.json")
TEXT: Final = "check --replay, text"
JSON: Final = "check --replay, JSON"
FOR_TEXT: Final = "import click, rich.console, rich.table"
FOR_JSON: Final = "import click, msgspec"


def main() -> None:
    """Measure and print."""
    medians = side_by_side(
        {
            TEXT: process(*LANEWRIGHT, "check", "--replay", CAPTURE, statuses=(0, 1)),
            FOR_TEXT: process("-c", FOR_TEXT),
            JSON: process(*LANEWRIGHT, "check", "--replay", CAPTURE, "--format", "json", statuses=(0, 1)),
            FOR_JSON: process("-c", FOR_JSON),
        }
    )
    compare(medians, TEXT, FOR_TEXT, 1.6)
    compare(medians, JSON, FOR_JSON, 1.5)


if __name__ == "__main__":
    main()
