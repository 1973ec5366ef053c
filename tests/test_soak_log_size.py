"""Logs that are small for what they make a reader do, and what lies beside them: work and memory stay in bounds."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tracemalloc
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from msgspec.structs import replace

from knowledge.problems import BadInput
from probes import soaklog
from probes.samples import End, Event
from probes.soaklog.reading import Log
from tests.test_soak_log import CAPTURE, HERE, head, sample

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# Characters of words of which a page of 512 bytes keeps the least; the rest has pages of its own.
LONG: Final = 3576


def closed(path: Path) -> Path:
    """A log that is finished, with one event."""
    log = soaklog.Writer(str(path), head(), CAPTURE)
    log.add(sample(0.0))
    log.event(Event(0.5, "note", None, "begun"))
    log.close(End(1.0, "time", None))
    return path


def changed(path: Path, *statements: str) -> Path:
    """A log after these statements, packed anew into small pages."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        for statement in (*statements, "PRAGMA page_size = 512", "VACUUM"):
            file.execute(statement)
    return path


def sharing(path: Path, copies: int) -> Path:
    """A log whose events all have the words of one, which are in the file once: their rows name the same pages.

    Source of the layout: sqlite.org/fileformat2.html, "B-tree Pages" and "Cell Payload Overflow Pages".
    """
    changed(closed(path), "UPDATE events SET words = printf('%.3576c', 'x')")
    with closing(sqlite3.connect(path)) as file:
        (number,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'events'").fetchone()
    data = bytearray(path.read_bytes())
    page = data[(number - 1) * 512 : number * 512]
    assert (13, 1) == (page[0], int.from_bytes(page[3:5], "big"))
    cell = page[int.from_bytes(page[8:10], "big") :]
    ends = [512 - (place + 1) * len(cell) for place in range(copies)]
    for place, start in enumerate(ends):
        page[start : start + len(cell)] = cell[:2] + bytes([place + 1]) + cell[3:]  # two bytes of size, then the id
    page[3:7] = copies.to_bytes(2, "big") + ends[-1].to_bytes(2, "big")
    page[8 : 8 + 2 * copies] = b"".join(start.to_bytes(2, "big") for start in ends)
    data[(number - 1) * 512 : number * 512] = page
    path.write_bytes(data)
    return path


def test_rows_that_share_what_is_stored_once_are_no_log(tmp_path: Path) -> None:
    """Words of all rows together are no more than the file; one row that has them is read."""
    soak = soaklog.read(str(sharing(tmp_path / "one.sqlite", 1)))
    assert [LONG] == [len(event.words) for event in soak.events]
    many = sharing(tmp_path / "many.sqlite", 10)
    assert many.stat().st_size < 10 * LONG
    with pytest.raises(BadInput, match="is damaged"):
        soaklog.read(str(many))


def pages_of_pages(path: Path, children: int) -> Path:
    """A log whose table of links has so many pages, all of which are one: an inner page that names it so often.

    Source of the layout: sqlite.org/fileformat2.html, "B-tree Pages".
    """
    numbers = "WITH RECURSIVE numbers(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers WHERE n < 30)"
    rows = "INSERT INTO links SELECT n, 0, 0, 4, 4 FROM numbers"
    changed(closed(path), "DELETE FROM links", f"{numbers} {rows}")
    with closing(sqlite3.connect(path)) as file:
        (root,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'links'").fetchone()
    data = path.read_bytes()
    leaf = data[(root - 1) * 512 : root * 512]
    assert (13, 30) == (leaf[0], int.from_bytes(leaf[3:5], "big"))
    here = (len(data) // 512 + 1).to_bytes(4, "big")
    starts = [512 - 5 * (place + 1) for place in range(children - 1)]
    inner = bytes([5, 0, 0]) + len(starts).to_bytes(2, "big") + starts[-1].to_bytes(2, "big") + bytes(1) + here
    inner += b"".join(start.to_bytes(2, "big") for start in starts)
    inner = inner.ljust(starts[-1], bytes(1)) + (here + bytes([30])) * len(starts)
    pages = (len(data) // 512 + 1).to_bytes(4, "big")
    begin = data[:28] + pages + data[32:]  # the size of the database in pages
    path.write_bytes(begin[: (root - 1) * 512] + inner + begin[root * 512 :] + leaf)
    return path


@pytest.mark.parametrize("read", [soaklog.read, lambda path: list(soaklog.samples(path))], ids=["all", "each"])
def test_pages_that_are_one_are_no_log(read: Callable[[str], object], tmp_path: Path) -> None:
    """Rows of numbers alone are no more than the file has room for either."""
    read(str(pages_of_pages(tmp_path / "few.sqlite", 3)))
    many = pages_of_pages(tmp_path / "many.sqlite", 70)
    assert many.stat().st_size < 70 * 30 * 6
    with pytest.raises(BadInput, match="is damaged"):
        read(str(many))


def test_changes_are_gone_through_once_for_all_drives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not once for each drive: a log of many drives takes no more for each change."""
    passes: list[int] = []

    class Counted(list[Any]):
        """Rows that count how often they are gone through."""

        def __iter__(self) -> Iterator[Any]:
            passes.append(len(self))
            return super().__iter__()

    whole = Log._changes  # noqa: SLF001 - what a log holds is gone through by the one who reads it
    monkeypatch.setattr(Log, "_changes", lambda log, table, form: Counted(whole(log, table, form)))
    for drives in (1, 40):
        passes.clear()
        log = soaklog.Writer(str(tmp_path / f"{drives}.sqlite"), head(drives), CAPTURE)
        log.add(replace(sample(0.0), drives=(sample(0.0).drives[0],) * drives))
        log.close(End(1.0, "time", None))
        soaklog.read(str(tmp_path / f"{drives}.sqlite"))
        assert [drives, drives, 0, 0] == sorted(passes, reverse=True)


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO events SELECT NULL, 0.5, 'note', NULL, hex(zeroblob(500000)) FROM numbers",
        "INSERT INTO links SELECT NULL, 0, zeroblob(1000000), 4, 4 FROM numbers",
        "INSERT INTO errors SELECT NULL, 0, 0, zeroblob(1000000) FROM numbers",
        "INSERT INTO counters SELECT NULL, 0, 0, 1, 1, 1, 1, 1, zeroblob(1000000) FROM numbers",
        "INSERT INTO unread SELECT NULL, 0, 0, 'rates', hex(zeroblob(500000)), 0 FROM numbers",
        "UPDATE meta SET value = replace(value, '--all', hex(zeroblob(10000000))) WHERE key = 'head'",
    ],
    ids=["events", "links", "errors", "counters", "unread", "head"],
)
def test_long_values_are_not_fetched(statement: str, tmp_path: Path) -> None:
    """A value that is longer than any that a log has ends the reading before it takes memory."""
    numbers = "WITH RECURSIVE numbers(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers WHERE n < 20)"
    first, _, rest = statement.partition(" SELECT ")
    path = changed(closed(tmp_path / "a.sqlite"), f"{numbers} {first} SELECT {rest}" if rest else statement)
    assert path.stat().st_size > 19_000_000
    tracemalloc.start()
    try:
        with pytest.raises(BadInput, match="is damaged"):
            soaklog.read(str(path))
        assert tracemalloc.get_traced_memory()[1] < 3_000_000
    finally:
        tracemalloc.stop()


def test_a_command_that_no_log_can_hold_is_refused(tmp_path: Path) -> None:
    """A head that could not be read back is not written, and no file is left."""
    long = replace(head(), command=("render", "x" * (5 * 1024 * 1024)))
    with pytest.raises(BadInput, match="put it into a script"):
        soaklog.Writer(str(tmp_path / "a.sqlite"), long, CAPTURE)
    assert [] == list(tmp_path.iterdir())


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
@pytest.mark.parametrize("kind", ["pipe", "folder", "link to a pipe"])
def test_what_lies_beside_a_log_must_be_a_file(ending: str, kind: str, tmp_path: Path) -> None:
    """A pipe named like a side file of a log is not waited for: the log is refused in one sentence."""
    path = closed(tmp_path / "a.sqlite")
    beside = Path(f"{path}{ending}")
    if kind == "folder":
        beside.mkdir()
    elif kind == "pipe":
        os.mkfifo(beside)
    else:
        os.mkfifo(tmp_path / "pipe")
        beside.symlink_to(tmp_path / "pipe")
    program = f"from probes import soaklog\nsoaklog.read({str(path)!r})"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=HERE, capture_output=True, text=True, check=False, timeout=60
    )
    assert f'BadInput: "{beside}" is not a regular file' in done.stderr
