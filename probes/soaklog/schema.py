"""The tables of a soak's log, version 1, and how its file is named to SQLite. Opens nothing."""

from __future__ import annotations

import os
import sqlite3
from typing import Final

from knowledge.phrasing import printable
from probes.samples import Counters

FORMAT: Final = "lanewright-soak"
VERSION: Final = 1
SENSORS: Final = 9  # an NVMe drive's composite temperature and eight sensors
OTHERS: Final = 16
DRIVES: Final = 256

LONGEST_WORDS: Final = 4096  # of an event, and of a reason
LONGEST_HEAD: Final = 4 * 1024 * 1024  # bytes of JSON; a command may have 2 MiB (Linux, Documentation: execve(2))
WAL_FILES: Final = ("-wal", "-shm")  # beside a log that is written ahead; source: sqlite.org/wal.html, "Overview"
SIDE_FILES: Final = (*WAL_FILES, "-journal")  # source: sqlite.org/tempfiles.html
PATIENCE: Final = 5.0  # seconds to wait for another process that has the file


OTHER_COLUMNS: Final = tuple(f"other_{number}" for number in range(1, OTHERS + 1))
SENSOR_COLUMNS: Final = tuple(f"sensor_{number}" for number in range(2, SENSORS + 1))
COUNTER_COLUMNS: Final = Counters.__struct_fields__
_PLAIN_COLUMNS: Final = ("celsius", "hottest", "read_bytes", "write_bytes", "reads", "writes", "busy_ms")
SAMPLE_COLUMNS: Final = (*_PLAIN_COLUMNS, *SENSOR_COLUMNS)

# What a reader finds must be these to the letter: a table that is none, or a clause that computes, is not run.
TABLES: Final = {
    "meta": "CREATE TABLE meta (key TEXT PRIMARY KEY, value)",
    "ticks": "CREATE TABLE ticks (id INTEGER PRIMARY KEY, seconds REAL, late REAL, "
    + ", ".join(f"{name} REAL" for name in OTHER_COLUMNS)
    + ")",
    "samples": "CREATE TABLE samples (id INTEGER PRIMARY KEY, celsius REAL, hottest REAL, read_bytes INTEGER, "
    "write_bytes INTEGER, reads INTEGER, writes INTEGER, busy_ms INTEGER, "
    + ", ".join(f"{name} REAL" for name in SENSOR_COLUMNS)
    + ")",
    "links": "CREATE TABLE links (id INTEGER PRIMARY KEY, tick INTEGER, drive INTEGER, generation INTEGER, "
    "lanes INTEGER)",
    "errors": "CREATE TABLE errors (id INTEGER PRIMARY KEY, tick INTEGER, drive INTEGER, count INTEGER)",
    "counters": "CREATE TABLE counters (id INTEGER PRIMARY KEY, tick INTEGER, drive INTEGER, "
    + ", ".join(f"{name} INTEGER" for name in COUNTER_COLUMNS)
    + ")",
    "events": "CREATE TABLE events (id INTEGER PRIMARY KEY, seconds REAL, kind TEXT, drive TEXT, words TEXT)",
    "ends": "CREATE TABLE ends (id INTEGER PRIMARY KEY, seconds REAL, reason TEXT, status INTEGER)",
}

# Of logs that were begun before this was kept there is none; where there is one it must be this to the letter as well.
OPTIONAL: Final = {
    "unread": "CREATE TABLE unread (id INTEGER PRIMARY KEY, tick INTEGER, drive INTEGER, what TEXT, why TEXT, "
    "needs_root INTEGER)",
    "walls": "CREATE TABLE walls (id INTEGER PRIMARY KEY, unix REAL)",
}


def reason(error: Exception) -> str:
    """Why a file could not be used, in the words of the system or of SQLite."""
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return printable(str(error)) if isinstance(error, sqlite3.Error) else "the name is not one a file can have"


def address(path: str, mode: str) -> str:
    """A path as SQLite takes it, so that no letter of it says anything else. Source: sqlite.org/uri.html."""
    whole = os.path.abspath(path)
    return f"file:{whole.replace('%', '%25').replace('?', '%3f').replace('#', '%23')}?{mode}"
