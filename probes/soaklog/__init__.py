"""The log of a soak: one SQLite file, written while the soak runs and read at any time. The only door to SQLite.

A log is in WAL mode while it is written, so that a process that is killed or a disk that is full costs at most what was
not committed yet, and never the file; it can be read meanwhile. When a soak ends it is one single file. What is written
is not forced to the disk each second, as that would disturb the drives at work: a loss of power may cost some seconds.

Version 1 of the file. Times are seconds since the start of the soak, temperatures degrees Celsius, counts as
`probes/samples.py` words them; NULL is what there is none of, and what could not be read.

    meta      key, value: "format" ("lanewright-soak"), "version" (1), "head" (`Head` as JSON), "capture" (the machine's
              capture file, bytes)
    ticks     one row a sample: id (0, 1, 2 ...), seconds, late, other_1 to other_16 (in the order of `Head.others`)
    samples   one row a sample and drive: id (tick * number of drives + place of the drive in the head), celsius (its
              first sensor), hottest (of all its sensors), read_bytes, write_bytes, reads, writes, busy_ms, sensor_2 to
              sensor_9 (its further sensors)
    links     a row where a drive's link is another than at the sample before: id, tick, drive, generation, lanes
    errors    a row where the count of a link's errors is another: id, tick, drive, count
    counters  a row whenever a drive's own counters were asked for: id, tick, drive and the six of `Counters`
    unread    a row where something begins to fail, fails for another reason, or is read again (then why is NULL): id,
              tick, drive (NULL for what is of none), what (a word of `probes/samples.py`), why, needs_root (0 or 1).
              Logs of the first releases do not have this table
    walls     a row a sample: id (that of its tick), unix (the time of day, seconds since 1970 in UTC). Logs of the
              first releases do not have this table
    events    id, seconds, kind, drive, words
    ends      id, seconds, reason, status: no row while a soak runs or where it was cut off
    readings  a view of samples for people: seconds, drive (its name), and the columns of samples
"""

from __future__ import annotations

import contextlib
import os
from itertools import chain
from typing import TYPE_CHECKING, Final, TypeVar

from knowledge.phrasing import quoted
from knowledge.problems import BadInput
from probes.soaklog.reading import Log
from probes.soaklog.schema import reason
from probes.soaklog.writing import Writer, check_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from probes.samples import End, Head, Moment, Soak

__all__ = ["SUFFIX", "Writer", "check_folder", "default_folder", "head_of", "listed", "new_place", "read", "samples"]

SUFFIX: Final = ".sqlite"

_Found = TypeVar("_Found")


# --- Places ----------------------------------------------------------------------------------------------------


def default_folder(environ: Mapping[str, str]) -> str:
    """Where logs go that were given no place. Source: XDG Base Directory Specification, XDG_STATE_HOME."""
    state = environ.get("XDG_STATE_HOME", "")
    if not state.startswith("/"):  # the specification has relative paths ignored
        state = os.path.join(environ.get("HOME") or os.path.expanduser("~"), ".local", "state")
    return os.path.join(state, "lanewright", "soaks")


def new_place(folder: str, started_at: str) -> str:
    """A file name in the folder that is not taken, by the time of the start; makes the folder. Raises BadInput."""
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
        taken = set(os.listdir(folder))
    except (OSError, ValueError) as error:
        raise BadInput(
            f"the folder {quoted(folder)} cannot be used ({reason(error)}); name a file with --log"
        ) from None
    stem = "".join(letter for letter in started_at.replace("T", "-") if letter.isalnum() or letter == "-")
    names = chain((stem,), (f"{stem}-{number}" for number in range(2, len(taken) + 3)))
    return os.path.join(folder, next(f"{name}{SUFFIX}" for name in names if f"{name}{SUFFIX}" not in taken))


def listed(folder: str, most: int | None = None) -> list[tuple[str, Head, End | None, float]]:
    """The logs in a folder, latest first: (path, head, end, seconds logged). What is no log is left out.

    Of more than `most` only the last by name are opened: those with the names of `new_place` are the latest.
    """
    try:
        names = sorted(name for name in os.listdir(folder) if name.endswith(SUFFIX))
    except (OSError, ValueError):
        return []
    found = []
    for name in names if most is None else names[-most:]:
        path = os.path.join(folder, name)
        try:
            found.append((path, *_summary(path)))
        except BadInput:
            continue
    return sorted(found, key=lambda pair: pair[1].started_at, reverse=True)


def read(path: str) -> Soak:
    """A whole log: finished, running or interrupted. Raises BadInput for what is no log that this version can read."""
    return _with(path, lambda log: log.soak())


def head_of(path: str) -> Head:
    """The head of a log. Raises BadInput as `read` does."""
    return _with(path, lambda log: log.head)


def samples(path: str) -> Iterator[Moment]:
    """Each sample of a log with all that was written down, in order. Raises BadInput as `read` does, also later."""
    with contextlib.closing(Log(path)) as log:
        yield from log.guarded(log.samples())


def _summary(path: str) -> tuple[Head, End | None, float]:
    return _with(path, lambda log: (log.head, log.end(), log.seconds()))


def _with(path: str, work: Callable[[Log], _Found]) -> _Found:
    with contextlib.closing(Log(path)) as log:
        return log.guard(lambda: work(log))
