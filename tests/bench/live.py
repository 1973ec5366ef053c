"""A live scan against a bare loop that opens and reads the same files: of a tree on disk, and of this machine."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from probes.linux.collecting import collect
from probes.reads import Live, Recording
from probes.unread import Unread
from tests.bench.measure import compare, seconds_of, side_by_side
from tests.machines import MACHINES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from probes.reads import Answer

FILES: Final = frozenset({"text", "bytes", "list", "link"})
PIECE: Final = 65536


def answered(root: str | None) -> dict[str, Answer]:
    """What a scan asks, with its answers."""
    recording = Recording(Live(root))
    collect(recording)
    return recording.answers


def bare_loop(answers: Mapping[str, Answer], root: str, *, only_files: bool) -> Callable[[], None]:
    """A loop that reads every file that the scan reads, as plainly as Python can; lists and links too if asked."""
    asked = [key.partition(" ")[::2] for key, answer in answers.items() if not isinstance(answer, Unread)]
    files = [root + path for kind, path in asked if kind in {"text", "bytes"}]
    lists = [] if only_files else [root + path for kind, path in asked if kind == "list"]
    links = [] if only_files else [root + path for kind, path in asked if kind == "link"]

    def loop() -> None:
        for path in files:
            handle = os.open(path, os.O_RDONLY)
            os.read(handle, PIECE)
            os.close(handle)
        for path in lists:
            os.listdir(path)
        for path in links:
            os.readlink(path)

    return loop


def report(title: str, root: str | None) -> None:
    """Measure one machine and print."""
    answers = answered(root)
    kinds = [key.partition(" ")[0] for key in answers]
    counts = ", ".join(f"{kinds.count(kind)} {kind}" for kind in sorted(set(kinds)))
    print(f"{title}: {len(answers)} readings ({counts})")
    where = root or ""
    scan, same, files = "live scan", "bare loop, the same files, lists and links", "bare loop, files alone"
    medians = side_by_side(
        {
            scan: seconds_of(lambda: collect(Live(root))),
            same: seconds_of(bare_loop(answers, where, only_files=False)),
            files: seconds_of(bare_loop(answers, where, only_files=True)),
        }
    )
    compare(medians, scan, same, 2.0)
    compare(medians, scan, files, 2.0)


def main() -> None:
    """Measure a tower's tree on disk, then this machine."""
    with tempfile.TemporaryDirectory() as folder:
        MACHINES["bench-1-upgraded"]().tree.write_below(Path(folder))
        report("bench-1-upgraded as files below a directory", folder)
    report("this machine", None)


if __name__ == "__main__":
    main()
