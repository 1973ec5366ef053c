"""The forms of a tally agree, and what machines say acts in none of them; read back by programs from outside.

Outside: Python's csv for RFC 4180, markdown-it-py for CommonMark with tables. That cells which begin with = + - @ or a
tab are taken for formulas by spreadsheets is common practice of the trade.
"""

from __future__ import annotations

import csv
import io
import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from msgspec import json

from agent.model.findings import Rate, Severity, Verdict
from agent.report import schemas, tally_csv, tally_data, tally_markdown, tally_text, tally_words
from agent.report.data import encode
from agent.tally.merging import Tally
from agent.tally.running import TallyRun
from agent.tally.seen import CardNumbers, LinkRun, LinkSeen, MachineKind, MachineSeen
from agent.tally.table import Choice, Table, table
from knowledge.phrasing import plain
from tests.hostile import HOSTILE
from tests.json_schema import problems
from tests.machines import MACHINES
from tests.tallies import five, seen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.tally.table import TallyLine

REEL: Final = CardNumbers(0xF1C4, 0x4210, 0xF1AF, 0x0001)
ACTS: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")


def small(**choice: Any) -> Table:  # noqa: ANN401 - fields of Choice
    """The table worked out by hand in test_tally.py, with two files that were passed over."""
    refused = (("bad.json", '"bad.json" is empty'), ("\x1b[2J.json", '"\\x1b[2J.json" is empty'))
    return table(TallyRun(Tally([seen(data) for data in five().values()]), 12, refused), Choice(**choice))


def made(text: str | None, verdict: Verdict = Verdict.FULL) -> Table:
    """A table of one line in which a machine says this text wherever it can."""
    link = LinkSeen(b"1", 1.0, 41.25, LinkRun(REEL, "NVMe drive", text, verdict, Rate(3, 4), (text,) if text else ()))
    kind = MachineKind(text or "linux", text, text, text)
    machine = MachineSeen(key=b"m", kind=kind, named=True, taken=1.0, firmware=text, dark=1, links=(link,))
    return table(TallyRun(Tally([machine]), 0, ()), Choice())


def hostile() -> Table:
    """The table of the hostile tower, and of all hostile texts as names."""
    machines = [seen(MACHINES["hostile-names"]().capture())]
    for number, text in enumerate(HOSTILE.values()):
        clean = text.encode("utf-8", "backslashreplace").decode()
        link = LinkSeen(b"1", 1.0, None, LinkRun(REEL, "NVMe drive", clean, Verdict.FULL, None, (clean,)))
        kind = MachineKind("linux", clean, clean, clean)
        machines.append(
            MachineSeen(key=b"%d" % number, kind=kind, named=False, taken=1.0, firmware=clean, dark=0, links=(link,))
        )
    return table(TallyRun(Tally(machines), 1, (("x", HOSTILE["terminal"]),)), Choice())


def read_csv(found: Table) -> list[dict[str, str]]:
    """The csv read back by Python's csv."""
    return list(csv.DictReader(io.StringIO("".join(tally_csv.rows(found)), newline=""), strict=True))


def cells(found: Table) -> list[list[str]]:
    """The cells of the only table of the Markdown form as markdown-it-py reads them, in rows, the head left out."""
    return _rows(MarkdownIt("commonmark").enable("table").parse(tally_markdown.page(found)))[1:]


def _rows(tokens: Sequence[Any]) -> list[list[str]]:
    rows: list[list[str]] = []
    for before, token in pairwise(tokens):
        if token.type == "tr_open":
            rows.append([])
        if before.type in {"td_open", "th_open"}:
            assert {child.type for child in token.children} <= {"text", "text_special"}
            rows[-1].append("".join(child.content for child in token.children))
    return rows


def text(found: Table, width: int = 100) -> str:
    """The page for a terminal."""
    return "\n".join(line.plain for line in tally_text.page(found, width, "").lines)


# --- What each form holds --------------------------------------------------------------------------------------


def test_csv_holds_each_cell() -> None:
    """The csv of the small table has the cells worked out by hand, numbers of cards as no spreadsheet takes for others.

    Link rates, from memory of the standard: 16 GT/s x4 is 7,876.9 MB/s, 5 GT/s x4 is 2,000.
    """
    slow, reels, network = read_csv(small())
    assert {
        "vendor": "0xf1c4",
        "device": "0x4210",
        "subsystem_vendor": "0xf1af",
        "subsystem": "0x0001",
        "what": "NVMe drive",
        "names": "Ostrayne Reel 4 2TB (2)",
        "platform": "linux",
        "maker": "Harrow Lane Archive",
        "product": "Editing tower 2",
        "board": "WS-5",
        "machines": "1",
        "links": "2",
        "confirmed": "no",
        "worst": "slow",
        "full": "1",
        "narrow": "0",
        "slow": "1",
        "other": "0",
        "verdicts": "slow (1); full (1)",
        "best_gtps": "16.0",
        "best_lanes": "4",
        "best_mbps": "7876.9",
        "typical_gtps": "5.0",
        "typical_lanes": "4",
        "typical_mbps": "2000.0",
        "rated_links": "2",
        "hottest_celsius": "39.85",
        "drive_firmware": "A1 (1); A2 (1)",
        "host_firmware": "2.08 (1)",
        "at_start": "0",
    } == slow
    assert ("2", "2", "yes", "1", "1", "48.85") == tuple(
        reels[name] for name in ("machines", "links", "confirmed", "full", "other", "hottest_celsius")
    )
    assert ("", "", "yes") == (network["hottest_celsius"], network["drive_firmware"], network["confirmed"])


def test_csv_is_as_the_standard_has_it() -> None:
    """Lines end in CR LF, each has as many cells as the head, and each column is documented with its unit."""
    lines = list(tally_csv.rows(small()))
    assert all(line.endswith("\r\n") for line in lines)
    assert {len(tally_csv.COLUMNS)} == {len(row) for row in csv.reader(lines, strict=True)}
    units = {"celsius": "degrees Celsius", "mbps": "MB/s", "gtps": "GT/s", "lanes": "lanes"}
    assert all(tally_csv.COLUMNS.values())
    assert all(unit in said for name, said in tally_csv.COLUMNS.items() for end, unit in units.items() if end in name)


def test_json_is_as_its_schema_has_it() -> None:
    """The JSON of small and hostile tables fits the schema, and says what was asked for and what was passed over."""
    schema = schemas.schema("tally")
    for found in (small(sort="card", only="f1c4:", least=1), hostile(), table(TallyRun(Tally(), 0, ()), Choice())):
        assert [] == problems(schema, json.decode(encode(tally_data.form(found))), schema)
    form = json.decode(encode(tally_data.form(small(sort="card", only="f1c4:"))))
    assert ("lanewright-tally", 1, 5, 3, 3) == tuple(
        form[name] for name in ("format", "version", "captures", "machines", "lines_in_all")
    )
    assert {"sort": "card", "only": "f1c4:", "least": 1, "confirmed": False} == form["choice"]
    assert (12, 0) == (form["passed_over"]["count"], form["passed_over"]["other_json"])
    assert {"file": "bad.json", "why": '"bad.json" is empty'} in form["passed_over"]["first"]
    assert ("2026-03-02T09:00:00Z", "2026-03-09T09:00:00Z") == (form["oldest"], form["newest"])


def test_all_forms_show_every_line_with_the_same_figures() -> None:
    """Text, JSON, csv and Markdown have the same lines in the same order with the same counts, rates and states."""
    found = small()
    form = json.decode(encode(tally_data.form(found)))
    page = re.sub(r"\s+", " ", text(found, 900))
    for line, data, row, marked in zip(found.lines, form["lines"], read_csv(found), cells(found), strict=True):
        words = tally_words.card_id(line.card)
        assert words == data["card"]["id"] == marked[-1]
        assert words == ":".join(row[n][2:] for n in ("vendor", "device", "subsystem_vendor", "subsystem"))
        counts = (line.machines, line.links, *map(line.count, (Verdict.FULL, Verdict.NARROW, Verdict.SLOW)))
        names = ("machines", "links", "full", "narrow", "slow")
        assert counts == tuple(data[name] for name in names) == tuple(int(row[name]) for name in names)
        assert [tally_words.verdicts(line), str(line.machines)] == marked[3:5]
        assert (data["best_mbps"], data["typical_mbps"]) == (float(row["best_mbps"]), float(row["typical_mbps"]))
        assert [tally_words.rate_words(line.best), tally_words.typical(line)] == marked[5:7]
        assert tally_words.status(line) == marked[2]
        known = f"{marked[0]} {marked[1]} {tally_words.verdicts(line)}{' (confirmed)' if line.confirmed else ''}"
        best = tally_text.SAME if line.best == line.typical else marked[5]
        assert f"{known} {line.machines} {marked[6]} {best} " in page
        assert data["confirmed"] is (row["confirmed"] == "yes") is (marked[2] == "confirmed")
    order = [page.index(f" {tally_words.card_id(line.card)}") for line in found.lines]
    assert sorted(order) == order


def test_the_number_of_machines_is_told_with_each_row() -> None:
    """The text names machines and links of each row, and above all the machines, captures and rows there are."""
    page = re.sub(r"\s+", " ", text(small(least=2), 900))
    assert page.startswith(
        "3 machines of 2 kinds, in 5 captures of 2026-03-02 09:00 UTC to 2026-03-09 09:00 UTC: 1 of 3 rows shown, 1"
        " confirmed."
    )
    assert "1 slot-limited, 1 full (confirmed) 2 " in page
    assert "16 GT/s (Gen 4) x4, 7,877 MB/s 48.9 C A2 (2) 4.11 (1), 4.12 (1) f1c4:" in page
    assert "12 files gave no capture" in page


def test_a_narrow_terminal_shows_what_is_compared_and_where_the_rest_is() -> None:
    """A narrow page has cards, machines, links and the typical rate, and a word of where the rest is."""
    narrow, wide = text(small(), 80), text(small(), 300)
    assert ("Typical MB/s" in narrow, "Host firmware" in narrow, "--format" in narrow) == (True, False, True)
    assert ("Typical MB/s" in wide, "Host firmware" in wide, "--format" in wide) == (False, True, False)
    assert re.search(r"1 slow, 1 full +1 +2,000\n", narrow)


def test_a_narrow_terminal_shows_what_it_is_sorted_by() -> None:
    """The column that decides the order is there on 80 columns too, whichever that is."""
    assert "48.9 C" not in text(small(), 80)
    hottest = text(small(sort="hottest"), 80)
    assert hottest.index("48.9 C") < hottest.index("39.9 C") < hottest.index("not known")
    by_card = text(small(sort="card"), 80)
    assert by_card.index("f1c4:4210:f1af:0001") < by_card.index("f1d0:1010:f1af:0001")
    assert "Typical MB/s" in text(small(sort="rate"), 80)


def test_a_name_of_escapes_stays_a_name_on_a_narrow_terminal() -> None:
    """A name that is all control characters takes a few lines of its cell, and on a wide terminal is whole."""
    found = made("\x1b" * 80)
    assert len(text(found, 80).splitlines()) < len(text(made("Reel"), 80).splitlines()) + 8
    assert "\\x1b" * 80 in text(found, 4000)


def test_links_as_of_start_up_are_explained_where_they_stand() -> None:
    """What "as of start-up" means stands below a table that has it, and below no other."""
    link = LinkSeen(b"1", 1.0, None, LinkRun(REEL, "NVMe drive", "Reel", Verdict.FULL, Rate(3, 4), (), at_start=True))
    machine = MachineSeen(
        key=b"m",
        kind=MachineKind("linux", "Vellory", "Tower", "WS"),
        named=True,
        taken=1.0,
        firmware=None,
        dark=0,
        links=(link,),
    )
    found = table(TallyRun(Tally([machine]), 0, ()), Choice())
    assert tally_words.AT_START in tally_words.remarks(found)
    assert tally_words.AT_START not in tally_words.remarks(small())


def test_machines_of_one_product_keep_their_makers() -> None:
    """On a narrow terminal a machine goes by product and board; where two makers have the same, by all it tells."""
    link = LinkSeen(b"1", 1.0, None, LinkRun(REEL, "NVMe drive", "Reel", Verdict.FULL, Rate(3, 4), ()))
    kinds = [MachineKind("linux", maker, "Tower", "WS") for maker in ("Vellory", "Pendrell")]
    machines = [
        MachineSeen(key=b"%d" % number, kind=kind, named=True, taken=1.0, firmware=None, dark=0, links=(link,))
        for number, kind in enumerate(kinds)
    ]
    one, both = (table(TallyRun(Tally(some), 0, ()), Choice()) for some in (machines[:1], machines))
    assert "Vellory" not in text(one)
    assert ("Vellory Tower" in text(both), "Pendrell Tower" in text(both)) == (True, True)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_cell_is_cut_with_dots(width: int) -> None:
    """What does not fit wraps in its cell."""
    assert "..." not in text(small(), width)


def test_every_verdict_has_its_severity_in_every_form() -> None:
    """A line's worst verdict is its state with the verdict's severity, unless it is confirmed."""
    for verdict in Verdict:
        found = made("Reel", verdict)
        line = found.lines[0]
        assert (Severity.OK if line.confirmed else verdict.severity) == tally_words.severity(line)
        state = "confirmed" if line.confirmed else verdict.value
        assert re.search(rf"\b1 {verdict.value}{' .confirmed.' if line.confirmed else ''} +1 ", text(found))
        assert state == cells(found)[0][2]
        assert verdict.value == read_csv(found)[0]["worst"] == tally_data.form(found).lines[0].worst


def test_what_is_not_told_is_said_or_left_empty() -> None:
    """A machine that tells no make, and a card without names, are shown as such."""
    found = made(None)
    assert "maker and product unknown (linux)" in re.sub(r"\s+", " ", text(found, 300))
    assert ("", "", "", "") == tuple(read_csv(found)[0][name] for name in ("maker", "product", "board", "names"))
    kind = tally_data.form(found).lines[0].machine
    assert (None, None, None) == (kind.maker, kind.product, kind.board)
    assert "1 slot with a card detected but no link" in text(found).replace("\n", " ")


def test_an_empty_table_says_so() -> None:
    """A table without a line is told in words, and is a head alone in csv."""
    empty = table(TallyRun(Tally(), 0, ()), Choice())
    assert "No link with a card was found." in text(empty)
    none = small(least=9)
    for page in (text(none), tally_markdown.page(none)):
        assert "No row fits what was asked for; what could not be read may hide one." in page.replace("\n", " ")
        assert "Confirmed" not in page
    assert "Confirmed" in text(small())
    assert [] == tally_words.remarks(none)
    whole = table(TallyRun(Tally([seen(data) for data in five().values()]), 0, ()), Choice(least=9))
    assert "No row fits what was asked for." in text(whole)
    assert "No link with a card was found." in tally_markdown.page(empty)
    assert 1 == len(list(tally_csv.rows(empty)))
    assert [] == cells(empty)


@pytest.mark.parametrize("width", [40, 80, 132])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    """The page fits its width, whatever names machines give."""
    from rich.cells import cell_len

    for found in (small(), hostile()):
        assert max(cell_len(line) for line in text(found, width).splitlines()) <= width


# --- What machines say -----------------------------------------------------------------------------------------


def test_hostile_names_act_in_no_form() -> None:
    """No form of hostile captures holds a character that acts, and the Markdown has no mark of theirs."""
    found = hostile()
    pages = (text(found), encode(tally_data.form(found)).decode(), "".join(tally_csv.rows(found)).replace("\r\n", ""))
    for page in (*pages, tally_markdown.page(found)):
        assert [] == ACTS.findall(page)
    assert len(found.lines) == len(cells(found))
    assert {len(tally_markdown.HEAD)} == {len(row) for row in cells(found)}
    html = MarkdownIt("commonmark").enable("table").render(tally_markdown.page(found))
    assert {"h1", "p", "table", "thead", "tbody", "tr", "th", "td", "ul", "li"} >= set(
        re.findall(r"<([a-z0-9]+)", html)
    )
    assert HOSTILE["page"].replace("<", "&lt;").replace(">", "&gt;")[:10].replace('"', "&quot;") in html


texts = st.text(
    st.characters(exclude_categories=["Cs"]) | st.sampled_from("|\\`*_[]<>&#=+-@%'\"\r\n\t;,"), min_size=1, max_size=60
)


@settings(max_examples=300, deadline=None)
@given(name=texts, start=st.sampled_from(["", "=", "+", "-", "@", "\t=", "\r", " =", "|", "%"]))
def test_no_cell_begins_a_formula(name: str, start: str) -> None:
    """No cell of the csv begins a formula or holds what acts; the JSON keeps the text as it was read."""
    found = made(start + name)
    row = read_csv(found)[0]
    for cell in row.values():
        assert not cell.lstrip().startswith(("=", "+", "-", "@", "|", "%"))
        assert cell.isprintable()
    data = json.decode(encode(tally_data.form(found)))
    assert start + name == data["lines"][0]["machine"]["board"] == data["lines"][0]["names"][0]["text"]


@settings(max_examples=300, deadline=None)
@given(name=texts)
def test_no_name_marks_the_table_up(name: str) -> None:
    """A name in Markdown is one piece of text in its cell, and is the text shown to a terminal."""
    found = made(name)
    (row,) = cells(found)
    assert len(tally_markdown.HEAD) == len(row)
    shown = tally_words.card_words(found.lines[0], plain)
    assert shown.split() == row[0].split()


def test_a_cell_of_many_versions_stays_readable() -> None:
    """For people a dozen versions are named and the rest counted; csv and JSON hold all."""
    links = tuple(
        LinkSeen(b"%d" % number, 1.0, None, LinkRun(REEL, "NVMe drive", None, Verdict.FULL, None, (f"V{number:02d}",)))
        for number in range(20)
    )
    kind = MachineKind("linux", None, None, None)
    machine = MachineSeen(key=b"m", kind=kind, named=True, taken=1.0, firmware=None, dark=0, links=links)
    found = table(TallyRun(Tally([machine]), 0, ()), Choice())
    line: TallyLine = found.lines[0]
    assert "V11 (1), 8 more" in text(found, 900)
    assert 20 == len(tally_data.form(found).lines[0].drive_firmware) == len(line.firmware)
    assert 20 == len(read_csv(found)[0]["drive_firmware"].split("; "))
