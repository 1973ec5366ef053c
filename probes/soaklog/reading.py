"""Reads the log of a soak, which may be half written, cut off, damaged or made to do harm.

Every failure is a `BadInput` of one sentence. Nothing of the file is run: its tables must be those of the version to
the letter, its views are never asked, and every query is bounded by the size of the file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from array import array
from itertools import chain, islice
from math import nan
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar

import msgspec
from msgspec import Meta

from knowledge.phrasing import quoted
from knowledge.problems import BadInput
from probes.files import taken_in
from probes.samples import COUNTERS, ERRORS, LINK, RATES, Counters, DriveSample, End, Event, Head, Moment, Soak
from probes.samples import other as other_word
from probes.samples import sensor as sensor_word
from probes.soaklog.schema import (
    DRIVES,
    FORMAT,
    LONGEST_HEAD,
    LONGEST_WORDS,
    OPTIONAL,
    OTHER_COLUMNS,
    OTHERS,
    PATIENCE,
    SIDE_FILES,
    TABLES,
    VERSION,
    address,
    reason,
)
from probes.soaklog.tracks import LONGEST, MISSING, Columns, Times, missed, temperatures, track
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from probes.samples import Track

MOST_SAMPLES: Final = 4_000_000  # held in memory, drives times ticks; a longer log is thinned
MOST_CHANGES: Final = 200_000  # of links, errors, counters and events, each
LONGEST_CAPTURE: Final = 100 * 1024 * 1024  # bytes
LONGEST_ROW: Final = 64 * 1024  # bytes; three texts of the longest words, four bytes a character
SMALLEST_ROW: Final = 8  # bytes
STEPS_A_BYTE: Final = 40  # of SQLite's machine; a plain scan takes some 2 for each byte of a file
STEPS_AT_ONCE: Final = 100_000
PIECE: Final = 8192  # rows

# What SQLite says where a file is no worse than any other, but its folder is.
_NOT_OPENED: Final = ("unable to open", "readonly", "disk I/O error")

_Found = TypeVar("_Found")


class Log:
    """A log opened for reading, as it stood at that moment."""

    def __init__(self, path: str) -> None:
        """Open it; raises BadInput for what is none, or none that this version reads."""
        self.name = quoted(path)
        self.damaged = BadInput(f"{self.name} is damaged; keep a copy, and run the soak again")
        self._path = path
        self._steps = 0
        self._bytes = _size(path)
        self._file = self._opened()
        try:
            self.guard(self._begin)
        except BaseException:
            self._file.close()
            raise

    def close(self) -> None:
        """Let the file go."""
        self._file.close()

    def guard(self, work: Callable[[], _Found]) -> _Found:
        """Do work on the file; what goes wrong in it becomes BadInput."""
        try:
            return work()
        except (sqlite3.Error, msgspec.MsgspecError, TypeError, ValueError, LookupError, OverflowError) as error:
            raise self._problem(error) from None

    def guarded(self, found: Iterator[_Found]) -> Iterator[_Found]:
        """The same for what is given one by one."""
        while True:
            one = self.guard(lambda: next(found, None))
            if one is None:
                return
            yield one

    def _problem(self, error: Exception) -> BadInput:
        if isinstance(error, sqlite3.OperationalError) and "locked" in str(error):
            return BadInput(f"{self.name} is in use by another program; try again in a moment")
        if isinstance(error, sqlite3.DatabaseError) and "not a database" in str(error):
            return self._no_log()
        return self.damaged

    def _no_log(self) -> BadInput:
        return BadInput(f"{self.name} is not a soak log; give a file that lanewright soak wrote")

    # --- Opening -----------------------------------------------------------------------------------------------

    def _opened(self) -> sqlite3.Connection:
        """Opened for reading; in a folder where nothing may be written, a finished log is read as it lies there."""
        modes = ("mode=ro",) if _exists(f"{self._path}-wal") else ("mode=ro", "mode=ro&immutable=1")
        why = ""
        for mode in modes:
            try:
                return self._connected(mode)
            except sqlite3.OperationalError as error:
                if not any(words in str(error) for words in _NOT_OPENED):
                    raise self._problem(error) from None
                why = reason(error)
            except (sqlite3.Error, ValueError) as error:
                raise self._problem(error) from None
        raise BadInput(
            f"{self.name} cannot be opened ({why}); copy it, and the file of its name that ends in -wal, to a "
            "folder of yours"
        )

    def _connected(self, mode: str) -> sqlite3.Connection:
        """A connection to the file, on which nothing of the file runs, and nothing runs for long."""
        file = sqlite3.connect(address(self._path, mode), uri=True, isolation_level=None, timeout=PATIENCE)
        try:
            file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_ROW)
            file.set_progress_handler(self._too_long, STEPS_AT_ONCE)
            file.execute("PRAGMA trusted_schema = OFF")
            file.execute("PRAGMA cell_size_check = ON")
            file.execute("SELECT count(*) FROM sqlite_master")
        except BaseException:
            file.close()
            raise
        return file

    def _too_long(self) -> bool:
        """Stop what takes far longer than a file of this size can need: its pages lead in circles."""
        self._steps += STEPS_AT_ONCE
        return self._steps > STEPS_A_BYTE * self._bytes + 10 * STEPS_AT_ONCE

    def _begin(self) -> None:
        self._file.execute("BEGIN")  # one moment for all that follows, whatever is written meanwhile
        found = dict(self._file.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table' LIMIT 100"))
        if found.get("meta") != TABLES["meta"] or self._meta("format") != FORMAT:
            raise self._no_log()
        version = self._meta("version")
        if not isinstance(version, int) or version < 1:
            raise self.damaged
        if version > VERSION:
            raise BadInput(
                f"{self.name} was written by a newer lanewright (log version {version}, this one reads {VERSION}); "
                "update lanewright"
            )
        kept = {name: sql for name, sql in OPTIONAL.items() if name in found}
        if {name: found.get(name) for name in (*TABLES, *kept)} != {**TABLES, **kept}:
            raise self.damaged
        self._tables = frozenset(found)
        self.head = msgspec.json.decode(str(self._meta("head", LONGEST_HEAD)), type=Head)
        self.drives = len(self.head.drives)
        if self.drives > DRIVES or len(self.head.others) > OTHERS:
            raise self.damaged
        (last,) = self._file.execute("SELECT max(id) FROM ticks").fetchone()
        self.ticks = 0 if last is None else last + 1
        if not 0 <= self.ticks * SMALLEST_ROW <= self._bytes:
            raise self.damaged

    def _meta(self, key: str, longest: int = LONGEST_ROW) -> object:
        self._file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, longest)
        try:
            row = self._file.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        finally:
            self._file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_ROW)
        return None if row is None else row[0]

    def _rows(self, query: str) -> Iterator[tuple[Any, ...]]:
        """Rows one by one: rows that share what is stored once, or whole pages of them, would be more than the file.

        Each value takes a byte of its row's header, also where it takes no other. Source: sqlite.org/fileformat2.html,
        "Record Format".
        """
        taken = 0
        for row in self._file.execute(query):
            taken += len(row) + sum(len(value) for value in row if isinstance(value, str | bytes))
            if taken > self._bytes:
                raise self.damaged
            yield row

    # --- The whole ---------------------------------------------------------------------------------------------

    def soak(self) -> Soak:
        """All of it, one track a drive; of a log that is too long each so many-th sample."""
        capture = self._meta("capture", LONGEST_CAPTURE)
        if not isinstance(capture, bytes):
            raise self.damaged
        thinned = max(1, -(-self.ticks * max(1, self.drives) // MOST_SAMPLES))
        times, others = self._times(thinned)
        unread = self._by_place("unread", _Turn) if "unread" in self._tables else {}
        return Soak(
            source=self._path,
            head=self.head,
            tracks=tuple(self._tracks(times, thinned, unread)),
            others=tuple(zip(self.head.others, others, strict=True)),
            events=self._events(),
            end=self.end(),
            capture=capture,
            thinned=thinned,
            samples=len(times.seconds),
            seconds=times.seconds[-1] if times.seconds else 0.0,
            unread=missed(unread.get(None, ())),
            moments=times.seconds if "walls" in self._tables else None,
            walls=self._walls(thinned) if "walls" in self._tables else None,
        )

    def _flat(self, query: str, *values: int) -> Iterator[array[float]]:
        """The numbers of all rows, one after the other, some thousand rows at a time."""
        rows = iter(self._file.execute(query, values))
        while piece := array("d", chain.from_iterable(islice(rows, PIECE * max(1, self.drives)))):
            yield piece

    def _times(self, thinned: int) -> tuple[Times, list[array[float]]]:
        names = ("seconds", *OTHER_COLUMNS[: len(self.head.others)])
        columns = [array("d") for _ in names]
        some = f"AND id % {thinned} = 0" if thinned > 1 else ""
        query = f"SELECT {_numbers(names)} FROM ticks WHERE id >= 0 {some} ORDER BY id LIMIT ?"  # noqa: S608
        for flat in self._flat(query, self.ticks):
            for place, column in enumerate(columns):
                column.extend(flat[place :: len(names)])
        if len(columns[0]) != -(-self.ticks // thinned):
            raise self.damaged
        return Times(columns[0], self.damaged), [temperatures(column, self.damaged) for column in columns[1:]]

    def _walls(self, thinned: int) -> array[float]:
        """The time of day of each sample, seconds since 1970 in UTC; nan where there is none."""
        some = f"AND ticks.id % {thinned} = 0" if thinned > 1 else ""
        query = (
            f"SELECT ifnull(walls.unix, {MISSING_IN_SQL}) FROM ticks LEFT JOIN walls ON walls.id = ticks.id "  # noqa: S608
            f"WHERE ticks.id >= 0 {some} ORDER BY ticks.id LIMIT ?"
        )
        found = array("d", chain.from_iterable(self._flat(query, self.ticks)))
        if any(not 0 <= unix <= LONGEST for unix in found if unix != MISSING):
            raise self.damaged
        return array("d", [nan if unix == MISSING else unix for unix in found])

    def _tracks(self, times: Times, thinned: int, unread: dict[int | None, list[_Turn]]) -> Iterator[Track]:
        width = len(Columns.NAMES)
        drives = [Columns() for _ in self.head.drives]
        if drives:
            some = f"AND id / {self.drives} % {thinned} = 0" if thinned > 1 else ""
            query = f"SELECT {_numbers(Columns.NAMES)} FROM samples WHERE id >= 0 {some} ORDER BY id LIMIT ?"  # noqa: S608
            for flat in self._flat(query, self.ticks * self.drives + 1):
                for place, drive in enumerate(drives):
                    drive.extend(flat, place * width, self.drives * width)
        links = self._by_place("links", _Link)
        errors = self._by_place("errors", _Errors)
        counters = self._by_place("counters", _Counters)
        for place, (head, drive) in enumerate(zip(self.head.drives, drives, strict=True)):
            if any(len(column) != len(times.seconds) for column in drive.columns):
                raise self.damaged
            yield track(
                head,
                times,
                drive,
                self.damaged,
                [(at, link, lanes) for at, _, link, lanes in links.get(place, ()) if link is not None and lanes],
                [(at, count) for at, _, count in errors.get(place, ()) if count is not None],
                [(at, Counters(*six)) for at, _, *six in counters.get(place, ())],
                unread=missed(unread.get(place, ())),
            )

    def _by_place(self, table: str, form: Any) -> dict[int | None, list[Any]]:  # noqa: ANN401 - the type of a tuple
        """The rows of one of the tables of changes, told apart by drive in one pass; None for what is no drive's."""
        found: dict[int | None, list[Any]] = {}
        for row in self._changes(table, form):
            found.setdefault(row[1], []).append(row)
        return found

    def _changes(self, table: str, form: Any) -> list[Any]:  # noqa: ANN401 - the type of a tuple
        """The rows of one of the tables of changes, with the seconds of their ticks; each held against its form."""
        query = (
            f"SELECT ticks.seconds, {table}.* FROM {table} JOIN ticks ON ticks.id = {table}.tick "  # noqa: S608
            f"ORDER BY {table}.id LIMIT {MOST_CHANGES}"
        )
        return [msgspec.convert((row[0], *row[3:]), form) for row in self._rows(query)]

    def _events(self) -> tuple[Event, ...]:
        query = f"SELECT seconds, kind, drive, words FROM events ORDER BY id LIMIT {MOST_CHANGES}"  # noqa: S608
        return tuple(Event(*msgspec.convert(row, _Event)) for row in self._rows(query))

    def end(self) -> End | None:
        """How the soak ended, None where it runs or was cut off."""
        row = self._file.execute("SELECT seconds, reason, status FROM ends ORDER BY id LIMIT 1").fetchone()
        return None if row is None else End(*msgspec.convert(row, _End))

    def seconds(self) -> float:
        """How long the log is, by its end or its last sample."""
        end = self.end()
        if end is not None:
            return end.seconds
        row = self._file.execute("SELECT seconds FROM ticks ORDER BY id DESC LIMIT 1").fetchone()
        return 0.0 if row is None else msgspec.convert(row[0], _Seconds)

    # --- One by one --------------------------------------------------------------------------------------------

    def samples(self) -> Iterator[Moment]:
        """Each sample with all that was written down."""
        links: list[tuple[int, int] | None] = [None] * self.drives
        errors: list[int | None] = [None] * self.drives
        changed_links = self._by_tick("links")
        changed_errors = self._by_tick("errors")
        counters = self._by_tick("counters")
        lost = _Lost(self._by_tick("unread") if "unread" in self._tables else lambda _: [])
        rows = iter(self._file.execute("SELECT * FROM samples WHERE id >= 0 ORDER BY id"))
        for tick, seconds, late, *others, wall in self._file.execute(self._all_ticks()):
            for place, *link in changed_links(tick):
                links[place] = None if None in link else (link[0], link[1])
            for place, count in changed_errors(tick):
                errors[place] = count
            asked = {place: Counters(*msgspec.convert(six, _Six)) for place, *six in counters(tick)}
            new = lost.at(tick)
            heads = enumerate(zip(islice(rows, self.drives), self.head.drives, strict=True))
            found = tuple(
                lost.drive(
                    place,
                    ((row[1], *row[8:])[: len(head.sensors)], _counts(row), links[place], errors[place]),
                    asked.get(place) or new.get((place, COUNTERS)),
                )
                for place, (row, head) in heads
            )
            beside = enumerate(msgspec.convert(others[: len(self.head.others)], list[float | None]))
            named = tuple(lost.of(None, other_word(place), value) for place, value in beside)
            times = msgspec.convert((seconds, late, wall), tuple[float, float, _Seconds | None])
            yield Moment(*times[:2], found, named, times[2])

    def _all_ticks(self) -> str:
        """The query for all ticks, each with the time of day after its columns."""
        if "walls" in self._tables:
            return "SELECT ticks.*, walls.unix FROM ticks LEFT JOIN walls ON walls.id = ticks.id ORDER BY ticks.id"
        return "SELECT *, NULL FROM ticks ORDER BY id"

    def _by_tick(self, table: str) -> Callable[[int], list[tuple[Any, ...]]]:
        """The rows of a table of changes for one tick after the other: (drive, values ...)."""
        query = f"SELECT * FROM {table} ORDER BY tick, id LIMIT {MOST_CHANGES}"  # noqa: S608 - one of the tables above
        rows = self._rows(query)
        waiting: list[tuple[Any, ...]] = []

        def of(tick: int) -> list[tuple[Any, ...]]:
            found: list[tuple[Any, ...]] = []
            while True:
                row = waiting.pop() if waiting else next(rows, None)
                if row is None:
                    return found
                if row[1] > tick:
                    waiting.append(row)
                    return found
                found.append(row[2:])

        return of


_Seconds = Annotated[float, Meta(ge=0, le=1e12)]
_Place = Annotated[int, Meta(ge=0, lt=DRIVES)]
_Whole = Annotated[int, Meta(ge=0)]
_Words = Annotated[str, Meta(max_length=LONGEST_WORDS)]
_Link = tuple[_Seconds, _Place, Annotated[int, Meta(ge=0, le=99)] | None, Annotated[int, Meta(ge=0, le=99)] | None]
_Errors = tuple[_Seconds, _Place, _Whole | None]
_Counters = tuple[_Seconds, _Place, _Whole, _Whole, _Whole, _Whole, _Whole, _Whole]
_Six = tuple[_Whole, _Whole, _Whole, _Whole, _Whole, _Whole]
_Event = tuple[_Seconds, _Words, _Words | None, _Words]
_End = tuple[_Seconds, _Words, int | None]
_Turn = tuple[_Seconds, _Place | None, _Words, _Words | None, int | None]
_Row = tuple[
    tuple[float | None, ...],
    tuple[int | None, int | None, int | None, int | None, int | None],
    tuple[int, int] | None,
    int | None,
]


class _Lost:
    """What could not be read of each drive at a tick, and why, from the rows in which that changes."""

    def __init__(self, rows: Callable[[int], list[tuple[Any, ...]]]) -> None:
        self._rows = rows
        self._now: dict[tuple[int | None, str], Unread] = {}

    def at(self, tick: int) -> dict[tuple[int | None, str], Unread]:
        """Go on to a tick; what is new with it."""
        new = {}
        for row in self._rows(tick):
            _, place, what, why, needs_root = msgspec.convert((0.0, *row), _Turn)
            self._now.pop((place, what), None)
            if why is not None:
                new[place, what] = self._now[place, what] = Unread(what, why, bool(needs_root))
        return new

    def of(self, place: int | None, what: str, value: _Found | None) -> _Found | Unread | None:
        """A value, or why there is none."""
        return self._now.get((place, what)) if value is None else value

    def drive(self, place: int, row: tuple[object, ...], counters: Counters | Unread | None) -> DriveSample:
        """The sample of a drive from what its columns hold."""
        celsius, counts, link, errors = msgspec.convert(row, _Row)
        read_bytes, write_bytes, reads, writes, busy_ms = (self.of(place, RATES, count) for count in counts)
        return DriveSample(
            tuple(self.of(place, sensor_word(number), value) for number, value in enumerate(celsius)),
            read_bytes,
            write_bytes,
            reads,
            writes,
            busy_ms,
            self.of(place, LINK, link),
            self.of(place, ERRORS, errors),
            counters,
        )


def _counts(row: tuple[int | None, ...]) -> tuple[int | None, int | None, int | None, int | None, int | None]:
    """The counts of a row of samples: bytes and operations read and written, milliseconds busy."""
    return row[3], row[4], row[5], row[6], row[7]


def _numbers(names: Iterable[str]) -> str:
    """Columns for a query, what is missing as a number that none can be."""
    return ", ".join(f"ifnull({name}, {MISSING_IN_SQL})" for name in names)


MISSING_IN_SQL: Final = "9e999"  # SQLite reads it as infinity, which is MISSING
assert float(MISSING_IN_SQL) == MISSING


def _size(path: str) -> int:
    """The bytes of a log, with what is not yet moved into it; refuses what is no regular file (BadInput)."""
    import stat

    try:
        found = os.stat(path)
    except (OSError, ValueError) as error:
        raise BadInput(
            f"{quoted(path)} cannot be read ({reason(error)}); check the name and your rights to it"
        ) from None
    if not stat.S_ISREG(found.st_mode):
        raise BadInput(f"{quoted(path)} is not a regular file; give a file that soak wrote")
    for ending in SIDE_FILES:
        with contextlib.suppress(OSError):
            if not stat.S_ISREG(os.stat(f"{path}{ending}").st_mode):
                raise BadInput(f"{quoted(f'{path}{ending}')} is not a regular file; copy the log without it")
    taken_in(found)
    with contextlib.suppress(OSError):
        return found.st_size + os.stat(f"{path}-wal").st_size
    return found.st_size


def _exists(path: str) -> bool:
    try:
        os.stat(path)
    except OSError:
        return False
    return True
