"""The page of a report: valid HTML that holds all it needs, runs nothing, and says all that the audit says."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

import html5lib
import pytest

from agent.report.page import page
from agent.report.page.bars import RangeBar, bars
from agent.report.page.machine import machine
from agent.report.step_blocks import steps_of
from agent.report.words import by_subject, findings, remarks
from knowledge.phrasing import mbps, plain
from knowledge.steps import DISCHARGE, SHORT
from tests import plans
from tests.pages import FOLDERS, MADE_AT, audited, hostile_page, page_of, soaked, whole_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from xml.etree.ElementTree import Element

    from agent.audit import Audit
    from agent.model.findings import Finding

every_folder = pytest.mark.parametrize("name", FOLDERS)
SPECIAL: Final = {
    "whole": whole_page,
    "hostile": hostile_page,
    "plan": plans.plan_page,
    "large plan": plans.large_page,
    "hostile plan": plans.hostile_page,
    "kinds": plans.kinds_page,
}
every_page = pytest.mark.parametrize("name", [*FOLDERS, *SPECIAL])
HTML: Final = "{http://www.w3.org/1999/xhtml}"
SVG: Final = "{http://www.w3.org/2000/svg}"
# Elements that load or run something, or send something away: HTML Living Standard, chapters 4.2, 4.8, 4.10 and 4.12.
FORBIDDEN: Final = frozenset(
    {
        *("script", "noscript", "link", "base", "iframe", "frame", "object", "embed", "img", "picture", "video"),
        *("audio", "source", "track", "form", "input", "button", "template", "image", "use", "foreignObject"),
        *("animate", "set", "feImage"),
    }
)


def made(name: str) -> str:
    """The page of a fixture, or a special one."""
    return SPECIAL[name]() if name in SPECIAL else page_of(name)


def parsed(text: str) -> Element:
    """The page as a strict parser of HTML 5 has it: any error of the standard's parser raises."""
    tree: Element = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True).parse(text)
    return tree


def words(element: Element) -> str:
    """The text of an element as people read it, spaces made one."""
    return " ".join("".join(element.itertext()).split())


def local(element: Element) -> str:
    """An element's name without its namespace; "" for comments."""
    tag: object = element.tag  # of comments a function
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


# --- What a page is made of ------------------------------------------------------------------------------------


@pytest.mark.long
@every_page
def test_a_page_is_valid_html(name: str) -> None:
    """Every page passes a strict HTML 5 parser, has no anchor twice, and every link on it leads somewhere on it."""
    tree = parsed(made(name))
    anchors = Counter(one.get("id") for one in tree.iter() if one.get("id"))
    assert [] == [anchor for anchor, count in anchors.items() if count > 1]
    wanted = {(one.get("href") or "")[1:] for one in tree.iter(f"{HTML}a")}
    assert set() == wanted - set(anchors)
    named = {one for element in tree.iter() for one in (element.get("aria-labelledby") or "").split()}
    assert set() == named - set(anchors)


@pytest.mark.long
@every_page
def test_a_page_runs_and_loads_nothing(name: str) -> None:
    """No element or attribute on a page can run a script, load a file or send anything; links stay on the page."""
    tree = parsed(made(name))
    assert set() == {local(one) for one in tree.iter()} & FORBIDDEN
    attributes = {(key, value) for one in tree.iter() for key, value in one.attrib.items()}
    assert [] == [key for key, _ in attributes if key.lower().startswith("on") or key in {"style", "src", "srcset"}]
    assert [] == [value for key, value in attributes if "href" in key and not value.startswith("#")]
    assert [] == [value for key, value in attributes if "url(" in value or "javascript:" in value.lower()]


@pytest.mark.long
@every_page
def test_a_page_allows_its_own_style_and_nothing_else(name: str) -> None:
    """The policy of a page names the digest of its one style sheet, which loads nothing either."""
    text = made(name)
    tree = parsed(text)
    styles = list(tree.iter(f"{HTML}style"))
    assert 1 == len(styles)
    sheet = styles[0].text or ""
    digest = base64.b64encode(hashlib.sha256(sheet.encode()).digest()).decode()
    policies = [one.get("content") for one in tree.iter(f"{HTML}meta") if one.get("http-equiv")]
    assert [f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"] == policies
    assert [] == re.findall(r"url\(|@import|expression\(|</", sheet)
    assert text.index("Content-Security-Policy") < text.index("<style>")


@pytest.mark.long
@every_page
def test_headings_are_in_order(name: str) -> None:
    """A page has one first heading, and no heading skips a level."""
    levels = [int(local(one)[1]) for one in parsed(made(name)).iter() if re.fullmatch("h[1-6]", local(one))]
    assert 1 == levels.count(1)
    assert 1 == levels[0]
    assert [] == [(before, after) for before, after in pairwise(levels) if after > before + 1]


def test_hostile_texts_are_shown_and_do_nothing() -> None:
    """Texts that try to break out of a page stand on it as text, their control characters spelt out."""
    text = hostile_page()
    tree = parsed(text)
    shown = words(tree)
    assert "</svg></title></desc></style></textarea></table></article><script>" in shown
    assert r"\x00\x1b[2J\u202e\u2028" in shown
    assert [] == [letter for letter in text if not letter.isprintable() and letter != "\n"]
    assert "{{ 7 * 7 }}{% raw %}" in shown


def test_a_page_is_the_same_each_time() -> None:
    """One audit gives one page, to the letter."""
    name = "bench-1-stripe-set"
    assert page_of(name) == page([(f"{name} (capture)", audited(name))], [], None, MADE_AT)


# --- What a page says ------------------------------------------------------------------------------------------


def of_class(root: Element, tag: str, name: str) -> list[Element]:
    """All elements below of this tag that have this class."""
    return [one for one in root.iter(f"{HTML}{tag}") if name in (one.get("class") or "").split()]


def groups(audit: Audit) -> list[list[Finding]]:
    """Findings and remarks as the page has them: those of one subject together."""
    return [*by_subject(findings(audit)), *by_subject(remarks(audit))]


@pytest.mark.long
@every_folder
def test_every_finding_is_whole(name: str) -> None:
    """Each finding has its severity, headline and readings; all steps of a subject stand below, once, with gains."""
    shown = of_class(parsed(page_of(name)), "div", "subject")
    expected = groups(audited(name))
    assert len(expected) == len(shown)
    for group, element in zip(expected, shown, strict=True):
        articles = list(element.iter(f"{HTML}article"))
        assert len(group) == len(articles)
        for finding, article in zip(group, articles, strict=True):
            assert finding.severity.value in (article.get("class") or "").split()
            text = words(article)
            assert [] == [part for part in parts(finding) if " ".join(plain(part, 600).split()) not in text]
        steps = [words(item) for one in of_class(element, "ol", "steps") for item in one.iter(f"{HTML}li")]
        assert [
            " ".join(plain(step.text, 600).split()) in shown_step
            for step, shown_step in zip(steps_of(group), steps, strict=True)
        ].count(False) == 0
        text = words(element)
        for step in steps_of(group):
            assert " ".join(plain(step.verify, 600).split()) in text
            assert step.gain_mbps is None or f"up to {mbps(step.gain_mbps)} more" in text


def parts(finding: Finding) -> Iterator[str]:
    """All texts that a finding itself consists of, as every form shows them."""
    yield from (finding.severity.value, finding.rule, plain(finding.headline, 400)[1:])
    for reading in finding.evidence:
        yield from (plain(one) for one in (reading.source, reading.read, reading.expected) if one)


@pytest.mark.long
@every_folder
def test_cautions_stand_before_their_steps(name: str) -> None:
    """Each caution stands in full once, before the first step that needs it, and in brief before all other ones."""
    tree = parsed(page_of(name))
    steps = iter([step for group in groups(audited(name)) for step in steps_of(group)])
    told: list[str] = []
    before = ""
    now: tuple[str, ...] = ()
    for one in tree.iter():
        kind = (local(one), one.get("class"))
        if kind == ("div", "cautions"):
            now = tuple(words(item) for item in one.iter(f"{HTML}li"))
            told += now
            before = words(next(one.iter(f"{HTML}p")))
        elif kind == ("p", "again"):
            now, before = (), words(one)
        elif kind == ("ol", "steps"):
            for item in one.iter(f"{HTML}li"):
                step = next(steps)
                assert plain(step.text, 600) in words(item)
                assert [] == [each for each in step.cautions if each not in now and SHORT[each] not in before]
                assert set() == {*step.cautions} - {*told}
            now, before = (), ""
    assert None is next(steps, None)
    assert [] == [caution for caution, count in Counter(told).items() if count > 1]


def test_cautions_and_severities_are_never_hidden() -> None:
    """No rule of the style sheet hides cautions, badges, findings or steps on any medium, and none sits in a fold."""
    tree = parsed(whole_page())
    sheet = next(tree.iter(f"{HTML}style")).text or ""
    hiding = re.findall(r"([^{}]+)\{[^{}]*(?:display:\s*none|visibility:\s*hidden)[^{}]*\}", sheet)
    assert hiding
    assert [] == [one for one in hiding if re.search(r"caution|badge|finding|steps|again|subject|remark|answer", one)]
    folded = [one for fold in tree.iter(f"{HTML}details") for one in fold.iter()]
    assert [] == [one for one in folded if (one.get("class") or "") in {"cautions", "steps", "finding"}]


def test_the_whole_machine_is_told() -> None:
    """Drives, ways, rates, firmware, health, stripe sets and origins of figures stand on the page of a machine."""
    text = words(parsed(page_of("bench-1-stripe-set")))
    for part in (
        "nvme0, nvme1, nvme2, nvme3 Ostrayne Reel 3 2TB, 2.0 TB",
        "2,954 to 3,601 MB/s",  # three quarters of 3,938 MB/s, and 3,938 * 256 / (256 + 24): x4 at 8 GT/s
        "1,477 to 1,800 MB/s",  # half of that, four drives behind x8
        "narrowest 8 GT/s (Gen 3) x8 SLOT1",
        "md0 RAID 0 of nvme0, nvme1, nvme2, nvme3, 8.0 TB",
        "5,908 to 7,202 MB/s",
        "Tidmarel 4.12 of 2025-03-18",
        "1 RL3A1.07 (in use)",
        "Hours on",
        "Top of a range (ceiling)",
        "common practice",
        "shared: holds back 4 drives",
    ):
        assert part in text


def test_what_was_not_read_is_told() -> None:
    """What an ordinary user may not read stands on the page with the reason."""
    name = "bench-1-ordinary-user"
    text = words(parsed(page_of(name)))
    assert "What could not be read, and why" in text
    assert audited(name).unread
    for one in audited(name).unread:
        assert plain(one.why) in text


def test_a_soak_is_told_in_words_beside_its_drawing() -> None:
    """A soak stands on the page with its answer, its limits, its events and its conclusions, each drive's own."""
    log, found = soaked()
    text = words(parsed(page([], [("soak.sqlite (log)", log, found)], None, MADE_AT)))
    for part in (
        "Soak of bench-1",
        "by its own count it slowed itself 13 times",
        "reaches its limit of 82 C after about 3 min at this load",
        "settles at 65 C, 17 C below its limit",
        "at 0:05:00: nvme1: its link went to 2.5 GT/s (Gen 1) x1",
        "36 C to 83 C",
        "Fit a heatsink to nvme1.",
    ):
        assert part in text
    assert text.index(DISCHARGE) < text.index("Fit a heatsink to nvme1.")


def test_what_changed_stands_first() -> None:
    """With two captures of a machine the verdict on the change is the first sentence, and its rows follow."""
    text = words(parsed(whole_page()))
    assert text.index("The upgrade delivers") < text.index("What changed") < text.index("Findings at a glance")
    assert "not there SLOT1, ports 1 to 4 of 4" in text


# --- Bars ------------------------------------------------------------------------------------------------------


def test_bars_are_as_long_as_their_rates() -> None:
    """Bars end at the low and the high rate, their bed at the ceiling, in thousandths of the longest."""
    (bar,) = bars([RangeBar("read alone", (1000.0, 1500.0), 2000.0)], 4000.0)
    assert (250.0, 375.0, 500.0, "1,000 to 1,500 MB/s") == (bar.sure, bar.most, bar.bed, bar.figures)
    (bare,) = bars([RangeBar("read alone", (0.0, 0.0), None)], 0.0)
    assert (0.0, 0.0, None) == (bare.sure, bare.most, bare.bed)


def test_ceilings_of_both_ways_are_told() -> None:
    """The upright mark is told for reading and for writing; bars of a set are on the scale of the drives' bars."""
    text = words(parsed(page_of("bench-1-stripe-set")))
    assert re.search(r"Ceiling \(upright mark\): [0-9,]+ MB/s reading and [0-9,]+ MB/s writing", text)
    shown = machine("x", audited("bench-1-stripe-set"), 1)
    per_drive = {bar.figures: bar.most for bar in shown.drives[0].bars}
    (of_set,) = [bar for one in shown.stripes for bar in one.bars if bar.label.startswith("read")][:1]
    assert of_set.most > max(per_drive.values())


def test_an_empty_slot_shows_what_its_port_could() -> None:
    """An empty slot whose port tells what it can has that figure in the table of links, not "not known"."""
    rows = [row for row in machine("x", audited("bench-1-stripe-set"), 1).links if row.now == "no link"]
    assert [row for row in rows if row.port_could]
    assert "not known port" not in words(parsed(page_of("bench-1-stripe-set")))


def test_each_bar_has_its_figure_beside_it() -> None:
    """No bar on a page stands without its figure in the same row."""
    tree = parsed(page_of("bench-2-worn-riser"))
    rows = [
        row for table in tree.iter(f"{HTML}table") if table.get("class") == "bars" for row in table.iter(f"{HTML}tr")
    ]
    drawn = [row for row in rows if list(row.iter(f"{SVG}svg"))]
    assert drawn
    assert [] == [ET.tostring(row) for row in drawn if "MB/s" not in words(row)]
