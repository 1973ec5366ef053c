"""Writes the log of a soak, sample by sample, so that a process that is killed or a full disk never costs the file."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import msgspec

from knowledge.phrasing import quoted
from knowledge.problems import BadInput
from probes.files import Undisturbed, check_place, owners
from probes.samples import COUNTERS, other
from probes.soaklog.schema import (
    COUNTER_COLUMNS,
    DRIVES,
    FORMAT,
    LONGEST_HEAD,
    LONGEST_WORDS,
    OPTIONAL,
    OTHERS,
    PATIENCE,
    SAMPLE_COLUMNS,
    SENSORS,
    SIDE_FILES,
    TABLES,
    VERSION,
    WAL_FILES,
    address,
    reason,
)
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from probes.samples import DriveSample, End, Event, Head, Moment

LARGEST: Final = 2**63 - 1
MOST_TURNS: Final = 500  # of one reading that fails and comes back; a soak of days stays readable
AND_NOW_AND_THEN: Final = ", now and then; no more of these are noted"


_Known = TypeVar("_Known")


class _Way(NamedTuple):
    """How a log is written: its journal, and how its file is opened."""

    journal: str
    mode: str


# A write-ahead log needs memory that processes share through the file, which network and shared file systems do not
# give; some of them have no locks either, and then nobody can read the log while it is written.
# Sources: sqlite.org/wal.html, "Overview"; sqlite.org/uri.html, "nolock".
_WAYS: Final = (_Way("WAL", "mode=rw"), _Way("DELETE", "mode=rw"), _Way("DELETE", "mode=rw&nolock=1"))
_OF_FILE_SYSTEMS: Final = {sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_BUSY}
PRIMARY: Final = 0xFF  # of an error code of SQLite; the rest tells more. Source: sqlite.org/rescode.html


def _insert(table: str, columns: int) -> str:
    return f"INSERT INTO {table} VALUES ({', '.join('?' * columns)})"  # noqa: S608 - of the tables above


_INSERT_TICK: Final = _insert("ticks", 3 + OTHERS)
_INSERT_SAMPLE: Final = _insert("samples", 1 + len(SAMPLE_COLUMNS))
_INSERT_LINK: Final = _insert("links", 5)
_INSERT_ERRORS: Final = _insert("errors", 4)
_INSERT_COUNTERS: Final = _insert("counters", 3 + len(COUNTER_COLUMNS))
_INSERT_UNREAD: Final = _insert("unread", 6)
_INSERT_EVENT: Final = _insert("events", 5)
_INSERT_WALL: Final = _insert("walls", 2)


class Writer:
    """A log that is being written. Calls may come from several threads; each raises BadInput when it cannot write.

    Nothing is on disk for others to see before `commit`; after a failure the file holds what was committed before.
    """

    def __init__(self, path: str, head: Head, capture: bytes, *, private: bool = False) -> None:
        """Make the file, which must not be there yet, and write what is known at the start.

        A `private` one is its owner's alone to read.
        """
        from threading import Lock

        check_place(path, force=False)
        check_folder(path)
        if len(head.drives) > DRIVES:
            raise BadInput(f"this machine has {len(head.drives)} drives, and a log holds {DRIVES} at most")
        self.path = path
        self._rights = 0o600 if private else 0o666
        self._lock = Lock()
        self._tick = 0
        self._fault: BadInput | None = None
        self._drives = len(head.drives)
        self._links: list[tuple[int, ...] | None] = [None] * self._drives
        self._errors: list[tuple[int, ...] | None] = [None] * self._drives
        self._lost = [_Turns(place) for place in range(self._drives)]
        self._others = _Turns(None)
        with Undisturbed():  # a signal finds a whole log, or none
            try:
                _make(path, self._rights, WAL_FILES)
            except (OSError, ValueError) as error:
                raise BadInput(
                    f"the log {quoted(path)} cannot be made ({reason(error)}); name another place with --log"
                ) from None
            try:
                self._file = self._begun(head, capture)
            except BaseException as error:
                _remove(path)
                if isinstance(error, (sqlite3.Error, OSError)):
                    raise self._failed(error) from None
                raise

    def _begun(self, head: Head, capture: bytes) -> sqlite3.Connection:
        """The file with what is known at the start, by the first way of writing that its file system bears."""
        for way in _WAYS[:-1]:
            try:
                return self._connected(way, head, capture)
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & PRIMARY not in _OF_FILE_SYSTEMS:
                    raise
                _remove(self.path)
                _make(self.path, self._rights)
        return self._connected(_WAYS[-1], head, capture)

    def _connected(self, way: _Way, head: Head, capture: bytes) -> sqlite3.Connection:
        file = sqlite3.connect(
            address(self.path, way.mode), uri=True, isolation_level=None, check_same_thread=False, timeout=PATIENCE
        )
        try:
            _begin(file, way.journal, head, capture)
        except BaseException:
            file.close()
            raise
        return file

    def add(self, sample: Moment) -> None:
        """Write one sample: a drive each of the head, in its order."""
        tick, drives = self._tick, self._drives
        assert len(sample.drives) == drives
        others = [_known(value) for value in sample.others[:OTHERS]]
        self._write(
            (_INSERT_TICK, ((tick, sample.seconds, sample.late, *others, *(None,) * (OTHERS - len(others))),)),
            (_INSERT_SAMPLE, [(tick * drives + place, *_row(drive)) for place, drive in enumerate(sample.drives)]),
            (_INSERT_LINK, self._changed(self._links, [_known(drive.link) for drive in sample.drives], 2)),
            (_INSERT_ERRORS, self._changed(self._errors, [_errors(drive) for drive in sample.drives], 1)),
            (
                _INSERT_COUNTERS,
                [
                    (None, tick, place, *msgspec.structs.astuple(drive.counters))
                    for place, drive in enumerate(sample.drives)
                    if drive.counters is not None and not isinstance(drive.counters, Unread)
                ],
            ),
            (_INSERT_UNREAD, list(self._turns(sample))),
            (_INSERT_WALL, () if sample.wall is None else ((tick, sample.wall),)),
        )
        self._tick = tick + 1

    def _turns(self, sample: Moment) -> Iterator[tuple[object, ...]]:
        """Rows for what begins to fail, fails for another reason, or is read again."""
        for turns, drive in zip(self._lost, sample.drives, strict=True):
            yield from turns.rows(self._tick, drive.unread, asked=drive.counters is not None)
        others = enumerate(sample.others[:OTHERS])
        lost = {other(place): value for place, value in others if isinstance(value, Unread)}
        yield from self._others.rows(self._tick, lost, asked=False)

    def _changed(
        self, before: list[tuple[int, ...] | None], now: list[tuple[int, ...] | None], width: int
    ) -> list[tuple[object, ...]]:
        """Rows for what is another than before, which is noted; what is not known has `width` NULLs."""
        rows: list[tuple[object, ...]] = []
        for place, values in enumerate(now):
            if values != before[place]:
                before[place] = values
                rows.append((None, self._tick, place, *(values or (None,) * width)))
        return rows

    def event(self, event: Event) -> None:
        """Write down an event."""
        words = _text(event.words)[:LONGEST_WORDS]
        self._write((_INSERT_EVENT, ((None, event.seconds, event.kind, event.drive, words),)))

    def commit(self) -> None:
        """Put on disk what was added; at most a second should lie between two of these."""
        self._do(lambda file: file.execute("COMMIT") if file.in_transaction else None)

    def close(self, end: End) -> None:
        """Write the end and make one single file of the log, also after a failure: there may be room again."""
        self._fault = None
        try:
            self._write((_insert("ends", 4), ((None, end.seconds, end.reason, end.status),)))
            self.commit()
            self._do(lambda file: file.execute("PRAGMA journal_mode = DELETE"))
        finally:
            self._file.close()

    def discard(self) -> None:
        """Close the log and take it away, as if it had never been."""
        self._file.close()
        _remove(self.path)

    def _write(self, *inserts: tuple[str, Iterable[tuple[object, ...]]]) -> None:
        def insert(file: sqlite3.Connection) -> None:
            if not file.in_transaction:
                file.execute("BEGIN")
            for statement, rows in inserts:
                if rows:
                    file.executemany(statement, rows)

        self._do(insert)

    def _do(self, work: Callable[[sqlite3.Connection], object]) -> None:
        with self._lock:
            if self._fault is not None:
                raise self._fault
            try:
                work(self._file)
            except sqlite3.Error as error:
                self._fault = self._failed(error)
                self._undo()
                raise self._fault from None

    def _undo(self) -> None:
        """Let go what is not committed, so that no half of a sample is ever seen."""
        if self._file.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._file.execute("ROLLBACK")

    def _failed(self, error: Exception) -> BadInput:
        return BadInput(
            f"the log {quoted(self.path)} cannot be written ({reason(error)}); make room, or name another place "
            "with --log"
        )


def _begin(file: sqlite3.Connection, journal: str, head: Head, capture: bytes) -> None:
    """Make the tables of a log in an empty file, and write what is known at the start."""
    file.execute(f"PRAGMA journal_mode = {journal}")
    file.execute("PRAGMA synchronous = NORMAL")
    file.execute("BEGIN")
    for table in (*TABLES.values(), *OPTIONAL.values()):
        file.execute(table)
    file.execute(_view(head))
    meta = (
        *(("format", FORMAT), ("version", VERSION)),
        *(("head", _head(head)), ("capture", capture)),
    )
    file.executemany(_insert("meta", 2), meta)
    file.execute("COMMIT")


class _Turns:
    """What could not be read of one drive, or of what is no drive's, and how often that has changed."""

    def __init__(self, place: int | None) -> None:
        self._place = place
        self._lost: dict[str, Unread] = {}
        self._times: dict[str, int] = {}

    def rows(self, tick: int, now: Mapping[str, Unread], *, asked: bool) -> Iterator[tuple[object, ...]]:
        """Rows for what is another than at the sample before; `asked` tells that counters were asked for."""
        if not self._lost and not now:
            return
        for what in [
            what_lost for what_lost in self._lost if what_lost not in now and (asked or what_lost != COUNTERS)
        ]:
            if self._times[what] < MOST_TURNS:
                del self._lost[what]
                yield (None, tick, self._place, what, None, None)
        for what, unread in now.items():
            before = self._lost.get(what)
            times = self._times.get(what, 0)
            if times >= MOST_TURNS or (before is not None and before.why == unread.why):
                continue
            self._lost[what] = unread
            self._times[what] = times + 1
            why = unread.why if times + 1 < MOST_TURNS else unread.why + AND_NOW_AND_THEN
            yield (None, tick, self._place, what, _text(why)[:LONGEST_WORDS], int(unread.needs_root))


def _known(value: _Known | Unread | None) -> _Known | None:
    """A value as a column holds it: why there is none stands elsewhere."""
    return None if isinstance(value, Unread) else value


def _text(words: str) -> str:
    """The words as a file can hold them: what stands for broken bytes, in a file's name say, is replaced."""
    return words.encode("utf-8", "replace").decode()


def _head(head: Head) -> str:
    found = msgspec.json.encode(msgspec.structs.replace(head, command=tuple(map(_text, head.command))))
    if len(found) > LONGEST_HEAD:
        raise BadInput("the command is too long for a log; put it into a script and run that")
    return found.decode()


def _row(drive: DriveSample) -> tuple[object, ...]:
    """A drive's columns of `samples`."""
    celsius = [_known(value) for value in drive.celsius[:SENSORS]]
    known = [value for value in celsius if value is not None]
    return (
        *(celsius[0] if celsius else None, max(known, default=None)),
        *(_count(drive.read_bytes), _count(drive.write_bytes), _count(drive.reads), _count(drive.writes)),
        *(_count(drive.busy_ms), *celsius[1:], *(None,) * (SENSORS - max(1, len(celsius)))),
    )


def _errors(drive: DriveSample) -> tuple[int] | None:
    """The count of a link's errors as a row holds it."""
    count = _count(drive.errors)
    return None if count is None else (count,)


def _count(value: int | Unread | None) -> int | None:
    """A count as the file can hold it: larger ones are not of this world."""
    known = _known(value)
    return known if known is not None and 0 <= known <= LARGEST else None


def _view(head: Head) -> str:
    """The samples for people who open the file with other tools; this program never reads it."""
    count = max(1, len(head.drives))
    columns = ", ".join(f"samples.{name}" for name in SAMPLE_COLUMNS)
    return (
        f"CREATE VIEW readings AS SELECT ticks.seconds AS seconds, "  # noqa: S608 - of the names above and a number
        f"json_extract(meta.value, '$.drives[' || (samples.id % {count}) || '].name') AS drive, {columns} "
        f"FROM samples JOIN ticks ON ticks.id = samples.id / {count} JOIN meta ON meta.key = 'head'"
    )


def check_folder(path: str) -> None:
    """Where this is root, refuse a folder for a log that others can change, as SQLite opens files there by their names.

    One that many share is none such where only its owner may take a file away: the log's side files are made first.
    """
    import stat

    if os.geteuid() != 0:
        return
    place = os.path.dirname(os.path.realpath(path))
    ours = owners()
    while True:
        try:
            status = os.stat(place)
        except OSError:
            return  # making the log will say so
        shared = status.st_mode & (stat.S_IWGRP | stat.S_IWOTH) and not status.st_mode & stat.S_ISVTX
        if shared or status.st_uid not in ours:
            raise BadInput(
                f"other users may change what is in {quoted(place)}, so root writes no log there; name a place in a "
                "folder of root's own with --log"
            )
        if place == os.path.dirname(place):
            return
        place = os.path.dirname(place)


def _make(path: str, rights: int, sides: Iterable[str] = ()) -> None:
    """An empty file that was not there, with those `sides` of it that SQLite opens by name. Raises OSError, ValueError.

    So nobody else can have laid them there; SQLite takes them away at the end.
    """
    made = []
    try:
        for name in (path, *(f"{path}{ending}" for ending in sides)):
            os.close(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, rights))
            made.append(name)
    except BaseException:
        for name in made:
            with contextlib.suppress(OSError):
                os.unlink(name)
        raise


def _remove(path: str) -> None:
    for name in (path, *(f"{path}{ending}" for ending in SIDE_FILES)):
        with contextlib.suppress(OSError):
            os.unlink(name)
