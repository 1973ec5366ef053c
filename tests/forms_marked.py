"""What the Markdown and the HTML of a check say, read back by independent parsers; see `forms.py`. Test help only."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final
from xml.etree.ElementTree import Element

import html5lib
from markdown_it import MarkdownIt

from agent.report import markdown
from agent.report.page import page
from knowledge.phrasing import plain
from tests.forms import (
    LABELS,
    SEVERITIES,
    Report,
    Told,
    by_subject,
    gains_of,
    normal,
    range_of,
    rate_of,
    subject_of,
    three,
)
from tests.test_report import in_one

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from markdown_it.token import Token

    from agent.audit import Audit
    from tests.forms import Range

MADE_AT: Final = "2026-03-02 12:00"
OWN_GAIN: Final = re.compile(r" Should bring up to [\d,]+ MB/s more\.$")
# A row of the page that holds for two loads, as both have the same rates.
BOTH: Final = {
    "read, alone or all at once": ("read alone", "read, all drives at once"),
    "written, alone or all at once": ("written alone", "written, all drives at once"),
}

# --- Markdown --------------------------------------------------------------------------------------------------

PARSER: Final = MarkdownIt("commonmark").enable("table")


def made_markdown(audit: Audit) -> str:
    """The Markdown of a check."""
    return markdown.check(audit, "this machine")


def text_of(token: Token) -> str:
    """The text of an inline token; marks are taken out, and anything that is neither text nor a mark of ours stays."""
    parts = []
    for child in token.children or ():
        if child.type in {"text", "code_inline"}:
            parts.append(child.content)
        elif child.type not in {"strong_open", "strong_close", "em_open", "em_close"}:
            parts.append(f"<{child.type} {child.content}>")
    return in_one("".join(parts))


def blocks(form: str) -> list[tuple[str, list[str]]]:
    """The blocks of a document: ("h1".."h3" | "p" | "li" | "row", its texts)."""
    found: list[tuple[str, list[str]]] = []
    row: list[str] | None = None
    inside: list[str] = []
    for token in PARSER.parse(form):
        if token.type == "tr_open":
            row = []
        elif token.type == "tr_close":
            found.append(("row", row or []))
            row = None
        elif token.type == "inline" and row is not None:
            row.append(text_of(token))
        elif token.type == "inline":
            kind = next((one for one in reversed(inside) if one != "p"), "p")
            found.append((kind, [text_of(token)]))
        elif token.type.endswith("_open") and token.tag in {"h1", "h2", "h3", "p", "li"}:
            inside.append(token.tag)
        elif token.type.endswith("_close") and token.tag in {"h1", "h2", "h3", "p", "li"}:
            inside.pop()
        elif not token.type.startswith(("table", "thead", "tbody", "th_", "td_", "bullet_list", "ordered_list")):
            found.append((f"unknown {token.type}", [token.content]))
    return found


def read_markdown(form: str, audit: Audit) -> Report:
    """What the Markdown says, by an independent parser."""
    found = blocks(form)
    sections: dict[str, list[tuple[str, list[str]]]] = {}
    title = ""
    for kind, texts in found:
        title = texts[0] if kind == "h2" else title
        sections.setdefault(title.partition(",")[0], []).append((kind, texts))
    told, steps, gains = _findings_of_markdown(sections.get("Findings", []), audit)
    return Report(
        findings=tuple(told),
        steps=_without_cautions(by_subject(steps), audit),
        gains=by_subject(gains),
        links={
            texts[2]: (texts[0], rate_of(texts[3]))
            for kind, texts in sections.get("Links", [])
            if kind == "row" and texts[2] not in {"card", ""}
        },
        drives=dict(_drives_of_markdown(sections.get("Drives", []), audit)),
        words=in_one(" ".join(text for _, texts in found for text in texts)),
    )


Lines = list[tuple[str, str]]


def _findings_of_markdown(
    found: Sequence[tuple[str, list[str]]], audit: Audit
) -> tuple[list[Told], Lines, list[tuple[str, float]]]:
    """The findings, and by subject their steps (and cautions, which are lines of a list as well) and gains."""
    told: list[Told] = []
    steps: Lines = []
    gains: list[tuple[str, float]] = []
    subject = ""
    for kind, texts in found:
        severity, _, rest = texts[0].partition(" (")
        gains += [(subject, gain) for gain in gains_of(texts[0])]
        if kind == "h3":
            subject = subject_of(texts[0], audit)
        elif kind == "p" and severity in SEVERITIES:
            told.append(Told(severity.lower(), subject, normal(rest.partition("): ")[2]), ()))
        elif kind == "row" and texts != ["reading", "read", "expected"]:
            last = told.pop()
            told.append(Told(last.severity, last.subject, last.headline, (*last.evidence, three(texts))))
        elif kind == "li":
            words = re.sub(r" Then: .*$", "", texts[0])
            steps.append((subject, OWN_GAIN.sub("", words)))
    return told, steps, gains


def _drives_of_markdown(found: Sequence[tuple[str, list[str]]], audit: Audit) -> Iterator[tuple[str, dict[str, Range]]]:
    """The drives: each has a line, and a row in the table where rates are told."""
    names = {in_one(plain(one.drive.name)): one.drive.name for one in audit.drives}
    rows = {texts[0]: texts[1:] for kind, texts in found if kind == "row"}
    head = rows.pop("drive", list(LABELS))
    for kind, texts in found:
        if kind == "li":
            name = max((one for one in names if texts[0].startswith(f"{one}: ")), key=len, default=texts[0])
            cells = zip(head, map(range_of, rows.get(name, [])), strict=False)
            yield names.get(name, name), {label: rates for label, rates in cells if rates is not None}


def _without_cautions(steps: dict[str, tuple[str, ...]], audit: Audit) -> dict[str, tuple[str, ...]]:
    """The steps alone, where cautions are lines of a list as well."""
    cautions = {in_one(caution) for one in audit.findings for step in one.steps for caution in step.cautions}
    return {subject: tuple(one for one in lines if one not in cautions) for subject, lines in steps.items()}


# --- HTML ------------------------------------------------------------------------------------------------------


def made_html(audit: Audit) -> str:
    """The page of one machine."""
    return page([("this machine", audit)], [], None, MADE_AT)


def read_html(form: str, audit: Audit) -> Report:
    """What the page says, by an independent parser."""
    root = html5lib.parse(form, treebuilder="etree", namespaceHTMLElements=False)
    groups = [one for one in _all(root, "div", "subject") if list(_all(one, "article", "finding"))]
    findings = [(group, one) for group in groups for one in _all(group, "article", "finding")]
    subjects = {id(group): subject_of(_words(_first(group, "span", "where")), audit) for group in groups}
    steps = [
        (group, _step_of(one)) for group in groups for each in _all(group, "ol", "steps") for one in each.iter("li")
    ]
    return Report(
        findings=tuple(
            Told(
                _words(_first(one, "span", "badge")),
                subjects[id(group)],
                normal(_words(next(one.iter("h4")))),
                tuple(three(cells) for table in _all(one, "table", "evidence") for cells in _rows(table)),
            )
            for group, one in findings
        ),
        steps=by_subject((subjects[id(group)], OWN_GAIN.sub("", words)) for group, words in steps),
        gains=by_subject((subjects[id(group)], gain) for group in groups for gain in gains_of(_words(group))),
        links=dict(_links_of_html(root, audit)),
        drives=dict(_drives_of_html(root, audit)),
        words=in_one("".join(root.itertext())),
    )


def _step_of(item: Element) -> str:
    return _words(next(each for each in item if each.tag == "p" and not each.get("class")))


def _links_of_html(root: Element, audit: Audit) -> Iterator[tuple[str, tuple[str, tuple[float, int] | None]]]:
    addresses = {one.device_address for one in audit.links if one.device_address is not None}
    for row in _section(root, "-links").iter("tr"):
        cells = list(row.iter("td"))
        if not cells:
            continue
        named = [_words(each) for each in cells[0].iter("small")] or [_words(cells[0])]
        if named[0] in addresses:
            yield named[0], (_words(_first(cells[4], "span", "badge")), rate_of(_words(cells[2])))


def _drives_of_html(root: Element, audit: Audit) -> Iterator[tuple[str, dict[str, Range]]]:
    """Drives and their rates, those of several alike for each; a figure that is no range is one that nothing has."""
    names = {in_one(plain(one.drive.name)): one.drive.name for one in audit.drives}
    for drive in _all(_section(root, "-drives"), "article", "drive"):
        rates = {}
        for table in _all(drive, "table", "bars"):
            for row in table.iter("tr"):
                for figure in _all(row, "td", "figure"):
                    label = _words(next(row.iter("th")))
                    for load in BOTH.get(label, (label,)):
                        rates[load] = range_of(_words(figure)) or (-1.0, -1.0)
        alike = [_words(one) for members in _all(drive, "ul", "members") for one in members.iter("b")]
        for name in alike or [in_one(next(drive.iter("h4")).text or "")]:
            yield names.get(name, name), rates


def _all(root: Element, tag: str, name: str) -> Iterator[Element]:
    """All elements below of this tag that have this class."""
    return (one for one in root.iter(tag) if name in (one.get("class") or "").split())


def _first(root: Element, tag: str, name: str) -> Element:
    return next(_all(root, tag, name))


def _section(root: Element, end: str) -> Element:
    """The section under the heading whose name ends so; an empty one where there is none."""
    found = (one for one in root.iter("section") for head in one.findall("h3") if (head.get("id") or "").endswith(end))
    return next(found, Element("section"))


def _rows(table: Element) -> Iterator[list[str]]:
    for row in table.iter("tr"):
        cells = [_words(one) for one in row.iter("td")]
        if cells:
            yield cells


def _words(element: Element) -> str:
    return in_one("".join(element.itertext()))
