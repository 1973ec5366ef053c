"""How a check grows: 2,000 functions against 60, beyond what a start takes anyway, and the memory in use.

A hall server is held against a small one of the same make, and against a tower, whose functions have fewer bytes.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agent.audit import audit
from agent.report import data
from probes import collect
from probes.capture import load_file, recorded
from tests.bench.measure import LANEWRIGHT, compare, process, python, seconds_of, side_by_side
from tests.build import Machine, build, capture_bytes, drive, root_port
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
    """The captures as files: hall servers, large and small, a tower, and the smallest machine that has a drive."""
    smallest = Machine(name="smallest", buses={"0000:00": [root_port("01.0", (4, 4), [drive((4, 4))])]})
    made = {
        LARGE: hall_server().capture(),
        SMALL: hall_server(60).capture(),
        TOWER: MACHINES["bench-1-upgraded"]().capture(),
        START: capture_bytes(build(smallest)),
    }
    paths: dict[str, str] = {}
    for name, content in made.items():
        path = folder / f"{len(paths)}.json"
        path.write_bytes(content)
        paths[name] = str(path)
    return paths


def work(path: str) -> Callable[[], bytes]:
    """All that a check does between start and print, as JSON."""

    def run() -> bytes:
        capture = load_file(path)
        first, looks = recorded(capture)
        return data.encode(data.check(audit(collect(first, looks, capture.taken_at))))

    return run


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        paths = captures(Path(folder))
        for form in ("json", "text"):
            arguments = {
                name: (*LANEWRIGHT, "check", "--format", form, "--replay", path) for name, path in paths.items()
            }
            medians = side_by_side({name: process(*each, statuses=(0, 1)) for name, each in arguments.items()})
            beyond = {name: medians[name] - medians[START] for name in (LARGE, SMALL, TOWER)}
            print(f"check --format {form}, whole process less that of a machine of {START}")
            compare(beyond, LARGE, SMALL, GOAL)
            compare(beyond, LARGE, TOWER, GOAL)
            memory = python(arguments[LARGE]).memory_bytes
            word = "within" if memory <= LIMIT_BYTES else "ABOVE"
            print(f"  most memory {memory / 1e6:.0f} MB, {word} the goal of {LIMIT_BYTES / 1e6:.0f} MB")
        print("in one process: capture to JSON")
        medians = side_by_side({name: seconds_of(work(paths[name])) for name in (LARGE, SMALL, TOWER)})
        compare(medians, LARGE, SMALL, GOAL)
        compare(medians, LARGE, TOWER, GOAL)


if __name__ == "__main__":
    main()
