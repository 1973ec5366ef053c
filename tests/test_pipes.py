"""What a shell lays to a command as a pipe, as in `compare <(a) <(b)`, is read as the file would be."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from threading import Thread
from typing import TYPE_CHECKING, Final

import pytest

from tests.machines import FIXTURES
from tests.test_cli import HERE, PATIENCE, Run, environment, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LIMITED: Final = FIXTURES / "bench-1-slot-limited" / "capture.json"
UPGRADED: Final = FIXTURES / "bench-1-upgraded" / "capture.json"
SHEET: Final = FIXTURES / "sheets" / "bench-1-refit.toml"


@contextlib.contextmanager
def piped(content: bytes) -> Iterator[int]:
    """The end to read of a pipe into which this content is written."""
    begin, end = os.pipe()

    def write() -> None:
        with contextlib.suppress(BrokenPipeError), os.fdopen(end, "wb") as writing:
            writing.write(content)

    thread = Thread(target=write)
    thread.start()
    try:
        yield begin
    finally:
        os.close(begin)
        thread.join()


def run(*words: str | Path, pipes: bool) -> Run:
    """Run the program; with `pipes` each file among the words comes through a pipe of its own."""
    from pathlib import Path

    with contextlib.ExitStack() as stack:
        ends = {
            word: stack.enter_context(piped(word.read_bytes())) for word in words if pipes and isinstance(word, Path)
        }
        line = [f"/dev/fd/{ends[word]}" if word in ends else str(word) for word in words]
        done = subprocess.run(
            [sys.executable, "-m", "agent", *line],
            cwd=HERE,
            env=environment(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            pass_fds=tuple(ends.values()),
            check=False,
            timeout=PATIENCE,
        )
    return Run(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))


@pytest.mark.parametrize(
    "words",
    [
        ("check", "--replay", UPGRADED, "--format", "json"),
        ("check", "--replay", UPGRADED, "--against", SHEET, "--format", "markdown"),
        ("inventory", "--replay", UPGRADED, "--format", "json"),
        ("notes", "learn", UPGRADED, LIMITED),
        ("plan", "--sheet-from", LIMITED),
        ("tally", LIMITED, UPGRADED, "--format", "csv"),
    ],
    ids=lambda words: f"{words[0]} {words[1]}" if isinstance(words[1], str) else words[0],
)
def test_pipes_are_read_as_files_are(words: tuple[str | Path, ...]) -> None:
    """What a command shows of files and how it ends is the same where pipes bring them."""
    files = run(*words, pipes=False)
    pipes = run(*words, pipes=True)
    assert files.output
    assert (files.status, without_names(files, words)) == (pipes.status, without_names(pipes, words))
    assert "" == pipes.errors


def without_names(done: Run, words: tuple[str | Path, ...]) -> list[str]:
    """The lines of an output that do not tell where it is from; those of a sheet tell it in comments."""
    told = ("# ", "/dev/fd/", "pipe ", *(str(word) for word in words if not isinstance(word, str)))
    return [line for line in done.output.splitlines() if not any(name in line for name in told)]


def test_two_pipes_are_compared() -> None:
    """Both sides of a comparison may be pipes; looking whether they are logs takes nothing from them."""
    done = run("compare", LIMITED, UPGRADED, pipes=True)
    expected = run("compare", LIMITED, UPGRADED, pipes=False)
    assert (expected.status, "") == (done.status, done.errors)
    assert expected.output.split("\n\n")[0] == done.output.split("\n\n")[0]


def test_a_report_of_a_pipe(tmp_path: Path) -> None:
    """A report is written of what comes through a pipe, and does not name it by a number alone."""
    place = tmp_path / "out.md"
    done = run("report", str(place), UPGRADED, pipes=True)
    assert 0 == done.status
    written = place.read_text(encoding="utf-8")
    assert "bench-1" in written
    assert "pipe " in written


def test_a_pipe_that_holds_a_log_is_one_sentence(tmp_path: Path) -> None:
    """The log of a soak is a database and no stream: one sentence says that a file is wanted."""
    log = tmp_path / "log"
    log.write_bytes(b"SQLite format 3\x00" + bytes(4096))
    done = run("compare", log, log, pipes=True)
    assert 2 == done.status
    assert "regular file" in one_line(done.errors)
