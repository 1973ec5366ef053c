"""A report as Markdown: its parts under one heading, and nothing in it that a device's text could mark up.

It is read back by markdown-it, a parser of CommonMark of its own.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from markdown_it import MarkdownIt

from agent.audit import audit
from agent.compare.whole import compare
from agent.model.findings import Verdict
from agent.report import step_blocks
from agent.report.page.handover import report
from agent.report.page.roles import WHAT_WAS_TO_DO
from knowledge.phrasing import plain
from tests.pages import HOSTILE, MADE_AT, audited, facts, soaked, tainted, tainted_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from markdown_it.token import Token

PARSER: Final = MarkdownIt("commonmark").enable(["table", "strikethrough"])


def tokens(text: str) -> Iterator[Token]:
    """All that the parser makes of a text, also inside lines."""
    for token in PARSER.parse(text):
        yield token
        yield from token.children or ()


def headings(text: str) -> list[tuple[str, str]]:
    """Level and words of each heading."""
    found = list(PARSER.parse(text))
    return [(one.tag, words(after)) for one, after in pairwise(found) if one.type == "heading_open"]


def words(token: Token) -> str:
    """The words of a line as people read them."""
    return "".join(child.content for child in token.children or ())


def whole() -> str:
    """A report with two captures of a machine, what changed, and a soak."""
    before, after = audited("bench-1-slot-limited"), audited("bench-1-upgraded")
    machines = [("before.json (capture)", before), ("after.json (capture)", after)]
    return report(machines, [("soak.sqlite (log)", *soaked())], compare(before, after), MADE_AT)


def test_parts_stand_under_one_heading() -> None:
    """The report has one first heading; what changed, each machine and each soak are a section of the second level."""
    found = headings(whole())
    assert ("h1", "Slots, links and drives: a survey") == found[0]
    assert 1 == [level for level, _ in found].count("h1")
    second = [name for level, name in found if level == "h2"]
    assert ["All in brief", "Before and a", "bench-1, aft", "bench-1, bef", "Soak of benc", "What the ver"] == [
        name[:12] for name in second
    ]
    assert {"h3", "h4"} <= {level for level, _ in found}


def test_verdicts_that_are_shown_are_explained() -> None:
    """A line says what each verdict of the tables means, and there is none for a verdict that nothing has."""
    found = audited("bench-2-worn-riser")
    legend = report([("x", found)], [], None, MADE_AT).partition("## What the verdicts mean\n\n")[2]
    shown = {judged.verdict for judged in found.links}
    assert {f"- **{verdict.value}**: {verdict.meaning}" for verdict in shown} == set(legend.strip().splitlines())
    assert len(shown) < len(Verdict)


def test_the_lines_of_parts_say_their_order() -> None:
    """Where an earlier reading comes last, whatever it says, the heading tells that; alone it says worst first."""
    assert "## All in brief, worst first; earlier readings last\n" in whole()
    two = [(name, audited(name)) for name in ("bench-1-upgraded", "bench-2-worn-riser")]
    assert "## All in brief, worst first\n" in report(two, [], None, MADE_AT)


def test_dates_have_one_form() -> None:
    """Moments of captures, soaks and the report itself are told alike: none in the form of the files."""
    assert [] == re.findall(r"\d{4}-\d\d-\d\dT\d\d", whole())
    assert re.search(r"^Made 2026-03-02 12:00 UTC", whole(), re.MULTILINE)
    assert re.search(r"^- Before: .*, read \d{4}-\d\d-\d\d \d\d:\d\d UTC$", whole(), re.MULTILINE)


def test_several_parts_begin_with_a_line_each() -> None:
    """Above all else stands a line for each machine and soak, worst first; what is for the record comes last."""
    first = whole().partition("## Before and after")[0]
    lines = [line for line in first.splitlines() if line.startswith("- ")]
    assert 3 == len(lines)
    assert lines[0].startswith("- **FAULT** Soak of bench-1: ")
    assert lines[1].startswith("- **OK** bench-1, after (read ")
    assert " bench-1, before, for the record (read " in lines[2]


def test_steps_of_an_earlier_reading_are_as_of_then() -> None:
    """The steps of the earlier of two readings stand under words that say so; those of the later one do not."""
    after, before = whole().partition("## bench-1, after")[2].split("## bench-1, before")
    assert f"{WHAT_WAS_TO_DO}, least invasive first" in before
    assert "What to do, least" not in before.partition("## Soak")[0]
    assert WHAT_WAS_TO_DO not in after


def test_a_soak_is_told_whole() -> None:
    """Of each drive of a soak its headline, conclusions, cautions before steps, steps and events are told."""
    text = report([], [("soak.sqlite (log)", *soaked())], None, MADE_AT)
    read = "\n".join(words(token) for token in PARSER.parse(text) if token.type == "inline")
    (_, found) = soaked()
    for drive in found.drives:
        for sentence in (drive.throttling.words, drive.forecast.words, drive.cooling.words):
            assert sentence in read
        for block in step_blocks.blocks(drive.cooling.steps, set(), each_gain=True):
            for step in block.steps:
                assert all(read.index(caution) < read.index(step.text) for caution in block.cautions)
    for event in found.events:
        assert event.words in read


def test_hostile_texts_mark_nothing_up() -> None:
    """Hostile texts in captures, comparisons and logs make no HTML, link, picture or code, and stand there as text."""
    before, after = (audit(tainted(facts(name))) for name in ("bench-1-slot-limited", "bench-2-worn-riser"))
    log, found = tainted(soaked())
    text = report([(HOSTILE, before), (HOSTILE, after)], [(HOSTILE, log, found)], tainted_rows(before, after), HOSTILE)
    kinds = {token.type for token in tokens(text)}
    assert set() == kinds & {"html_inline", "html_block", "link_open", "image", "code_block", "fence", "s_open"}
    assert [] == [letter for letter in text if not letter.isprintable() and letter != "\n"]
    assert plain(HOSTILE)[:60] in "\n".join(words(token) for token in PARSER.parse(text) if token.type == "inline")
