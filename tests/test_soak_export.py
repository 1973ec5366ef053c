"""A soak as rows of csv and jsonl, read back by Python's own csv and json modules.

Sources: RFC 4180 for csv; that cells which begin with = + - @ or a tab are taken for formulas by spreadsheets is common
practice of the trade.
"""

from __future__ import annotations

import csv
import io
import json
from array import array
from datetime import datetime
from math import nan

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from agent.soak.export import COLUMNS, csv_rows, jsonl_rows
from probes.samples import Counters, Event, Soak
from tests.soaks import Make, Work, soak

FIRST = Counters(1, 2, 3, 4, 5, 6)
NOON = 1_772_452_800.0  # 2026-03-02T12:00:00Z
SET = 8  # the second at which the clock was set


def made(name: str = "nvme0", words: str = "its link went to x2") -> Soak:
    """A short soak of two drives with a board temperature, an event, a link change, errors and counters."""
    plan = (Work(5.0), Work(5.0, read=1000.5, write=10.25))
    whole = soak(
        Make(name=name, plan=plan, links=((3.5, 4, 2),), errors=((0.0, 7), (4.0, 9)), unread=((6.0, 7.0),)),
        Make(name="nvme1", plan=plan),
        events=(Event(3.5, "link", name, words),),
    )
    first = structs.replace(whole.tracks[0], counters=((0.0, FIRST),))
    board = array("d", [30.0, nan, *[31.5] * 9])
    return structs.replace(whole, tracks=(first, whole.tracks[1]), others=(("board", board),))


def table(of: Soak) -> list[dict[str, str]]:
    """The csv read back."""
    return list(csv.DictReader(io.StringIO("".join(csv_rows(of)), newline="")))


def lines(of: Soak) -> list[dict[str, object]]:
    """The jsonl read back."""
    return [json.loads(row) for row in jsonl_rows(of)]


def test_csv_has_every_sample_in_order_of_time() -> None:
    """Each drive and sensor has a row a sample, in time, then the drives' order, and events stand among them."""
    rows = table(made())
    assert list(COLUMNS) == list(rows[0])
    assert 11 * 3 + 1 == len(rows)
    assert ["nvme0", "nvme1", "board"] == [row["name"] for row in rows[:3]]
    times = [float(row["seconds"]) for row in rows]
    assert sorted(times) == times
    assert [("event", "3.5", "nvme0", "link")] == [
        (row["kind"], row["seconds"], row["name"], row["event"]) for row in rows if row["event"]
    ]


def test_each_row_has_the_time_of_day() -> None:
    """UTC as RFC 3339 has it, of events between two samples as well; a clock that was set is followed from then on."""
    moments = array("d", [float(second) for second in range(11)])
    walls = array("d", [NOON + second + (3600.0 if second >= SET else 0.0) for second in range(11)])
    whole = structs.replace(made(), moments=moments, walls=walls)
    rows = {(row["seconds"], row["kind"]): row["time"] for row in table(whole)}
    assert "2026-03-02T12:00:00.000Z" == rows["0.0", "drive"]
    assert "2026-03-02T12:00:03.500Z" == rows["3.5", "event"]
    assert "2026-03-02T13:00:08.000Z" == rows["8.0", "other"]
    assert [row["time"] for row in lines(whole)[1:-1]] == [row["time"] for row in table(whole)]
    assert all(datetime.fromisoformat(told) for told in rows.values())


def test_what_has_no_time_of_day_says_none() -> None:
    """A log that kept none, a sample without one and a time that no calendar has are empty cells."""
    assert {""} == {row["time"] for row in table(made())}
    moments = array("d", [float(second) for second in range(11)])
    odd = structs.replace(made(), moments=moments, walls=array("d", [nan, 1e12, *[NOON] * 9]))
    assert ["", "", "2026-03-02T12:00:00.000Z"] == [
        next(row["time"] for row in table(odd) if row["seconds"] == second) for second in ("0.0", "1.0", "2.0")
    ]


def test_csv_holds_the_readings() -> None:
    """Temperatures, rates, link, errors and counts are those of the log; what was not read is an empty cell."""
    rows = [row for row in table(made()) if row["name"] == "nvme0" and row["kind"] == "drive"]
    assert ("35.85", "", "4", "4", "7") == tuple(
        rows[0][name] for name in ("celsius", "read_mbps", "link_generation", "link_lanes", "link_errors")
    )
    assert ["1", "2", "3", "4", "5", "6"] == [rows[0][name] for name in Counters.__struct_fields__]
    assert ("4", "2", "9", "") == tuple(
        rows[4][name] for name in ("link_generation", "link_lanes", "link_errors", "warning_minutes")
    )
    assert ("", "", "") == tuple(rows[6][name] for name in ("celsius", "read_mbps", "written_bytes"))
    assert ("1000.5", "10.25") == (rows[8]["read_mbps"], rows[8]["write_mbps"])
    assert rows[8]["written_bytes"].isdecimal()
    assert ["30.0", "", "31.5"] == [row["celsius"] for row in table(made()) if row["name"] == "board"][:3]


def test_every_column_is_documented() -> None:
    """Each column says what it holds, and each with a unit names it."""
    assert all(COLUMNS.values())
    units = {"celsius": "degrees Celsius", "mbps": "MB/s", "seconds": " s"}
    for name, text in COLUMNS.items():
        for ending, unit in units.items():
            if name.endswith(ending):
                assert unit in text


def test_jsonl_holds_the_same_with_head_and_end() -> None:
    """The first line is the head, the last the end; the lines between hold what the csv holds, null for unread."""
    first, *rows, last = lines(made())
    assert ("head", "lanewright-soak", 1) == (first["kind"], first["format"], first["version"])
    assert {"kind": "end", "seconds": 10.0, "reason": "command", "status": 0} == last
    assert 11 * 3 + 1 == len(rows)
    assert rows[0]["read_mbps"] is None
    assert 6 == rows[0]["heavy_seconds"]
    for row, read in zip(rows, table(made()), strict=True):
        cells = {name: "" if value is None else str(value) for name, value in row.items()}
        assert {name: value for name, value in read.items() if value} == {n: v for n, v in cells.items() if v}


def test_a_running_soak_has_no_last_line() -> None:
    """The rows of a soak without an end stop with its samples."""
    assert "drive" == lines(structs.replace(made(), end=None, others=()))[-1]["kind"]


@settings(max_examples=200, deadline=None)
@given(name=st.text(), start=st.sampled_from(["=", "+", "-", "@", "\t=", "\r", " =", "|", "%"]))
def test_hostile_names_act_nowhere(name: str, start: str) -> None:
    """No cell begins a formula, and neither form holds a character that acts on a terminal; jsonl keeps the name."""
    hostile = made(start + name, start + name)
    text = "".join(csv_rows(hostile))
    assert all(letter.isprintable() or letter in "\r\n" for letter in text)
    for row in table(hostile):
        for column in ("name", "words"):
            assert not row[column].lstrip().startswith(("=", "+", "-", "@", "|", "%"))
    written = list(jsonl_rows(hostile))
    assert all(row.isascii() and row[:-1].isprintable() and row.endswith("\n") for row in written)
    assert start + name in {json.loads(row).get("name") for row in written[1:]}


def test_an_empty_soak_has_its_head_alone() -> None:
    """A soak without a drive has the names of the columns, or its head and end, and nothing else."""
    assert 1 == len(list(csv_rows(soak())))
    assert ["head", "end"] == [row["kind"] for row in lines(soak())]
