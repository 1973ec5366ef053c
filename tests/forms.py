"""Reads the forms of a check back: text, JSON, Markdown and HTML to what they say of findings, links and drives.

Where a text cannot be taken apart without knowing it, the audit says what to look for: what is recognised comes back as
it is there, what is not stays as it stands and differs. Test help only.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final
from xml.etree.ElementTree import Element

import html5lib
from markdown_it import MarkdownIt
from msgspec import Struct

from agent.findings import Severity
from agent.report import data, markdown, text
from agent.report.page import page
from agent.report.plain import plain
from tests.test_report import in_one, printed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from markdown_it.token import Token

    from agent.audit import Audit
    from agent.findings import Finding, Rate

WIDE: Final = 20_000  # columns; nothing is wrapped or cut
MADE_AT: Final = "2026-03-02 12:00"
SEVERITIES: Final = {severity.value.upper() for severity in Severity}
RATE: Final = re.compile(r"([\d.]+) GT/s \(Gen \d+[^)]*\) x(\d+)")
GAIN: Final = re.compile(r"bring up to ([\d,]+) MB/s more")
RANGE: Final = re.compile(r"([\d,]+)(?: to ([\d,]+))? MB/s")
LABELS: Final = (
    *("read alone", "read, all drives at once", "written alone", "written, all drives at once"),
    *("read (all read and written)", "written (all read and written)"),
)
GTPS: Final = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0, 6: 64.0, 7: 128.0}  # PCI Express Base, speeds by generation

Evidence = tuple[str, str, str | None]
Range = tuple[float, float]


class Told(Struct, frozen=True, order=True):
    """A finding as a form tells it. What was expected is None where the form leaves it out."""

    severity: str
    subject: str
    headline: str
    evidence: tuple[Evidence, ...]


class Report(Struct, frozen=True):
    """What a form says: findings in its order, steps and gains (MB/s) by subject, links by address, drives by name."""

    findings: tuple[Told, ...]
    steps: dict[str, tuple[str, ...]]
    gains: dict[str, tuple[float, ...]]
    links: dict[str, tuple[str, tuple[float, int] | None]]
    drives: dict[str, dict[str, Range]]
    words: str  # the whole form in one line of plain text


# --- What is expected ------------------------------------------------------------------------------------------


def of_audit(audit: Audit, limit: int) -> Report:
    """What a form should say that cuts readings at `limit` characters."""
    return Report(
        findings=tuple(_told(one, limit) for one in audit.findings),
        steps=_by_subject((one.subject, in_one(plain(step.text, 600))) for one in audit.findings for step in one.steps),
        gains=_by_subject(
            (one.subject, float(round(step.gain_mbps)))
            for one in audit.findings
            for step in one.steps
            if step.gain_mbps is not None
        ),
        links={
            one.device_address: (one.verdict.value, _figures(one.now) if one.verdict != "virtual" else None)
            for one in audit.links
            if one.device_address is not None
        },
        drives={one.drive.name: dict(_of_drive(one)) for one in audit.drives},
        words="",
    )


def _told(one: Finding, limit: int) -> Told:
    found = tuple(
        (in_one(plain(e.source, limit)), in_one(plain(e.read, limit)), in_one(plain(e.expected, limit)))
        for e in one.evidence
    )
    return Told(one.severity.value, one.subject, normal(plain(one.headline, 400)), found)


def normal(headline: str) -> str:
    """A headline without what a form may change in it: a capital at its begin, a full stop at its end."""
    words = in_one(headline)
    return f"{words[:1].lower()}{words[1:]}".rstrip(".!? ")


def _figures(rate: Rate | None) -> tuple[float, int] | None:
    return None if rate is None else (GTPS[rate.speed], rate.width)


def _of_drive(seen: Any) -> Iterator[tuple[str, Range]]:  # noqa: ANN401 - a DriveSeen
    both = seen.both or (None, None)
    for label, rates in zip(
        LABELS, (seen.alone, seen.together, seen.alone_write, seen.together_write, *both), strict=True
    ):
        if rates is not None:
            yield label, rates


def _by_subject(pairs: Iterable[tuple[str, Any]]) -> dict[str, tuple[Any, ...]]:
    """All that belongs to one subject, each once and in order."""
    found: dict[str, set[Any]] = {}
    for subject, one in pairs:
        found.setdefault(subject, set()).add(one)
    return {subject: tuple(sorted(some)) for subject, some in found.items()}


# --- Reading back: what forms have in common -------------------------------------------------------------------


def _subject(words: str, audit: Audit) -> str:
    """The subject that is meant by words such as "slot PCIE1, 0000:01:00.0, a drive"; else the words themselves."""
    asked = f", {in_one(words).rstrip(':')}, "
    known = sorted({one.subject for one in audit.findings}, key=len, reverse=True)
    return next((one for one in known if f", {in_one(plain(one))}, " in asked), words)


def _rate(words: str) -> tuple[float, int] | None:
    found = RATE.match(words.strip())
    return None if found is None else (float(found[1]), int(found[2]))


def _range(words: str) -> Range | None:
    found = RANGE.fullmatch(words.strip())
    if found is None:
        return None
    low = float(found[1].replace(",", ""))
    return (low, float(found[2].replace(",", ""))) if found[2] else (low, low)


def _gains(words: str) -> list[float]:
    return [float(found.replace(",", "")) for found in GAIN.findall(words)]


# --- JSON ------------------------------------------------------------------------------------------------------


_READING: Final = ("source", "read", "expected")


def made_json(audit: Audit) -> str:
    """The JSON of a check."""
    return data.encode(data.check(audit)).decode()


def read_json(form: str, _audit: Audit) -> Report:
    """What JSON says; its texts are those of the devices and pass `plain` here."""
    found = json.loads(form)
    findings = found["findings"]
    steps = [(one["subject"], step) for one in findings for step in one["steps"]]
    return Report(
        findings=tuple(
            Told(
                one["severity"],
                one["subject"],
                normal(plain(one["headline"], 400)),
                tuple(_three([in_one(plain(e[key])) for key in _READING]) for e in one["evidence"]),
            )
            for one in findings
        ),
        steps=_by_subject((subject, in_one(plain(step["text"], 600))) for subject, step in steps),
        gains=_by_subject(
            (subject, float(round(step["gain_mbps"]))) for subject, step in steps if step["gain_mbps"] is not None
        ),
        links={
            one["device"]: (
                one["verdict"],
                (one["now"]["gtps"], one["now"]["width"]) if one["now"] and one["verdict"] != "virtual" else None,
            )
            for one in found["links"]
            if one["device"] is not None
        },
        drives={one["name"]: dict(_rates_of_json(one)) for one in found["drives"]},
        words=in_one(form),
    )


def _rates_of_json(drive: dict[str, Any]) -> Iterator[tuple[str, Range]]:
    keys = ("alone", "together", "alone_write", "together_write", "both_read", "both_write")
    for label, key in zip(LABELS, keys, strict=True):
        rates = drive[f"{key}_mbps"]
        if rates is not None:
            yield label, tuple(rates)


# --- Text ------------------------------------------------------------------------------------------------------


def made_text(audit: Audit, width: int = WIDE) -> str:
    """The text of a check at a width."""
    return printed(text.check(audit, width, "this machine"), width)


def read_text(form: str, audit: Audit) -> Report:
    """What the text of a very wide page says."""
    lines = form.splitlines()
    found: list[Told] = []
    steps: list[tuple[str, str]] = []
    gains: list[tuple[str, float]] = []
    subject = ""
    place = 0
    while place < len(lines):
        word, rest = lines[place][:8].strip(), lines[place][8:]
        place += 1
        if word not in SEVERITIES or not rest.strip():
            continue
        headline = _known(rest, audit)
        named = rest[: len(rest) - len(headline)].strip()
        subject = _subject(named, audit) if named else subject
        evidence: list[Evidence] = []
        while (
            place < len(lines) and lines[place].startswith(" " * 8) and not lines[place].startswith("        What to")
        ):
            evidence.append(_evidence(lines[place].strip(), audit))
            place += 1
        found.append(Told(word.lower(), subject, normal(headline), tuple(evidence)))
        if place < len(lines) and lines[place].startswith("        What to"):
            while place < len(lines) and lines[place].startswith(" " * 8):
                gains += [(subject, gain) for gain in _gains(lines[place])]
                numbered = re.match(r"        \d+\. (.*)", lines[place])
                if numbered:
                    steps.append((subject, in_one(re.sub(r" Should bring up to [\d,]+ MB/s more\.$", "", numbered[1]))))
                place += 1
    return Report(
        findings=tuple(found),
        steps=_by_subject(steps),
        gains=_by_subject(gains),
        links=dict(_links_of_text(lines, audit)),
        drives=dict(_drives_of_text(lines, audit)),
        words=in_one(form),
    )


def _known(line: str, audit: Audit) -> str:
    """The headline that a line ends with; the whole line where it ends with none."""
    ends = {plain(one.headline, 400) for one in audit.findings}
    ends |= {f"{one[:1].upper()}{one[1:]}" for one in ends}
    return max((one for one in ends if line.endswith(one.rstrip())), key=len, default=line)


def _evidence(line: str, audit: Audit) -> Evidence:
    """The reading that a line shows: with what was expected, or without; else the line itself."""
    for finding in audit.findings:
        for one in finding.evidence:
            source, read, expected = (in_one(plain(part)) for part in (one.source, one.read, one.expected))
            if in_one(line) == in_one(f"{source}: {read}; expected {expected}"):
                return source, read, expected
            if in_one(line) == in_one(f"{source}: {read}"):
                return source, read, None
    return line, "", ""


def _links_of_text(lines: Sequence[str], audit: Audit) -> Iterator[tuple[str, tuple[str, tuple[float, int] | None]]]:
    """The rows of links; what stands before a row's address is its verdict and its port."""
    addresses = {one.device_address for one in audit.links if one.device_address is not None}
    begin = lines.index("Links, worst first") if "Links, worst first" in lines else len(lines)
    for line in lines[begin + 1 :]:
        if not line.strip():
            return
        for address in addresses:
            before, found, after = line.partition(f"  {address}  ")
            if not found and line.startswith("  ") and f"  {address}  " in line.replace(address, f"{address} ", 1):
                before, found, after = line.partition(address)
            if found:
                yield address, (before.split()[0], _rate(after))
                break


def _drives_of_text(lines: Sequence[str], audit: Audit) -> Iterator[tuple[str, dict[str, Range]]]:
    """The drives with the two rates that the text has: alone, and with all drives at once where that differs."""
    title = "Drives, and what each should reach when read"
    begin = lines.index(title) if title in lines else len(lines)
    names = {f"  {plain(one.drive.name)}": one.drive.name for one in audit.drives}
    for place, line in enumerate(lines[begin:], begin):
        name = next((names[head] for head in names if line.startswith(f"{head}  ")), None)
        if name is None:
            continue
        rates = lines[place + 1].strip().partition(" (at most")[0]
        alone, _, together = rates.removeprefix("alone ").partition("; all drives at once ")
        one, all_at_once = _range(alone), _range(together or alone)
        yield name, {} if one is None or all_at_once is None else dict(zip(LABELS, (one, all_at_once), strict=False))


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
        steps=_without_cautions(_by_subject(steps), audit),
        gains=_by_subject(gains),
        links={
            texts[2]: (texts[0], _rate(texts[3]))
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
        gains += [(subject, gain) for gain in _gains(texts[0])]
        if kind == "h3":
            subject = _subject(texts[0], audit)
        elif kind == "p" and severity in SEVERITIES:
            told.append(Told(severity.lower(), subject, normal(rest.partition("): ")[2]), ()))
        elif kind == "row" and texts != ["reading", "read", "expected"]:
            last = told.pop()
            told.append(Told(last.severity, last.subject, last.headline, (*last.evidence, _three(texts))))
        elif kind == "li":
            words = re.sub(r" Then: .*$", "", texts[0])
            steps.append((subject, re.sub(r" Should bring up to [\d,]+ MB/s more\.$", "", words)))
    return told, steps, gains


def _drives_of_markdown(found: Sequence[tuple[str, list[str]]], audit: Audit) -> Iterator[tuple[str, dict[str, Range]]]:
    """The drives: each has a line, and a row in the table where rates are told."""
    names = {in_one(plain(one.drive.name)): one.drive.name for one in audit.drives}
    rows = {texts[0]: texts[1:] for kind, texts in found if kind == "row"}
    head = rows.pop("drive", list(LABELS))
    for kind, texts in found:
        if kind == "li":
            name = max((one for one in names if texts[0].startswith(f"{one}: ")), key=len, default=texts[0])
            cells = zip(head, map(_range, rows.get(name, [])), strict=False)
            yield names.get(name, name), {label: rates for label, rates in cells if rates is not None}


def _three(texts: Sequence[str]) -> Evidence:
    source, read, expected = texts
    return source, read, expected


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
    findings = list(_all(root, "article", "finding"))
    subjects = {id(one): _subject(_words(_first(one, "span", "where")), audit) for one in findings}
    return Report(
        findings=tuple(
            Told(
                _words(_first(one, "span", "badge")),
                subjects[id(one)],
                normal(_words(next(one.iter("h4")))),
                tuple(_three(cells) for table in _all(one, "table", "evidence") for cells in _rows(table)),
            )
            for one in findings
        ),
        steps=_by_subject(
            (subjects[id(one)], _words(next(each for each in step if each.tag == "p" and not each.get("class"))))
            for one in findings
            for steps in _all(one, "ol", "steps")
            for step in steps.iter("li")
        ),
        gains=_by_subject(
            (subjects[id(one)], gain)
            for one in findings
            for each in _all(one, "p", "gain")
            for gain in _gains(_words(each))
        ),
        links=dict(_links_of_html(root, audit)),
        drives=dict(_drives_of_html(root, audit)),
        words=in_one("".join(root.itertext())),
    )


def _links_of_html(root: Element, audit: Audit) -> Iterator[tuple[str, tuple[str, tuple[float, int] | None]]]:
    addresses = {one.device_address for one in audit.links if one.device_address is not None}
    for row in _section(root, "-links").iter("tr"):
        cells = list(row.iter("td"))
        if not cells:
            continue
        named = [_words(each) for each in cells[0].iter("small")] or [_words(cells[0])]
        if named[0] in addresses:
            yield named[0], (_words(_first(cells[4], "span", "badge")), _rate(_words(cells[2])))


def _drives_of_html(root: Element, audit: Audit) -> Iterator[tuple[str, dict[str, Range]]]:
    """Drives and their rates, those of several alike for each; a figure that is no range is one that nothing has."""
    names = {in_one(plain(one.drive.name)): one.drive.name for one in audit.drives}
    for drive in _all(_section(root, "-drives"), "article", "drive"):
        rates = {}
        for table in _all(drive, "table", "bars"):
            for row in table.iter("tr"):
                for figure in _all(row, "td", "figure"):
                    rates[_words(next(row.iter("th")))] = _range(_words(figure)) or (-1.0, -1.0)
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
