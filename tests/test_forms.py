"""Every form shows every finding, with the same severity and figures, of every machine of `fixtures/`.

Text, JSON, Markdown and HTML are read back and held against the audit: findings, subjects, headlines, readings, steps,
gains, links and rates. Where a form leaves something out on purpose, that is written down here with its reason, and
nowhere else.
"""

from __future__ import annotations

import re
from functools import cache, partial
from typing import TYPE_CHECKING, Final

import pytest
from msgspec.structs import replace

from agent.model.findings import Rate, Severity, Verdict
from agent.report import words
from agent.report.paper import LONGEST_WORD
from knowledge.phrasing import plain
from tests import forms, forms_marked
from tests.forms import LABELS, Report, Told
from tests.test_machines import FOLDERS, audited
from tests.test_report import in_one

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from agent.audit import Audit
    from agent.model.findings import Finding

# Form: how it is made, how it is read back, and how many characters of a reading it shows.
FORMS: Final[dict[str, tuple[Callable[[Audit], str], Callable[[str, Audit], Report], int]]] = {
    "json": (forms.made_json, forms.read_json, 200),
    "text": (forms.made_text, forms.read_text, 200),
    "markdown": (forms_marked.made_markdown, forms_marked.read_markdown, 200),
    "html": (forms_marked.made_html, forms_marked.read_html, 2000),
}
TOLERANCE: Final = 0.56  # MB/s: figures for people are whole, those of JSON have one decimal
every_folder = pytest.mark.parametrize("name", FOLDERS)
every_form = pytest.mark.parametrize("form", FORMS)


# --- What a form leaves out on purpose ---------------------------------------------------------------------------


def is_aside(finding: Finding) -> bool:
    """Whether the forms for people tell a finding in a place of its own, not among the findings.

    What root would add is said once, at the end; what is ok is for the record, and the firmware has a list of its own.
    Nothing of it is to be acted on, so it would only stand in the way of what is.
    """
    return finding.severity is Severity.OK or finding.rule == "needs-root"


def expected(audit: Audit, form: str) -> Report:
    """What a form should say of an audit."""
    limit = FORMS[form][2]
    if form != "json":
        audit = replace(audit, findings=tuple(one for one in audit.findings if not is_aside(one)))
    report = forms.of_audit(audit, limit)
    if form != "json":  # people are given no rate of a drive whose controller is not at work
        dead = {
            one.drive.name
            for one in audit.drives
            if one.drive.kind == "nvme" and isinstance(one.drive.state, str) and one.drive.state != "live"
        }
        report = replace(report, drives={name: {} if name in dead else rates for name, rates in report.drives.items()})
    if form == "text":  # says what was expected only where the reading does not say it already, word for word
        report = replace(report, findings=tuple(map(_without_what_is_met, report.findings)))
        # keeps to reading, so that a drive has one line; writing stands in the inventory and in all other forms
        drives = {name: {key: one for key, one in rates.items() if key in LABELS[:2]} for name, rates in _rates(report)}
        report = replace(report, drives=drives)
    if form == "markdown":  # does not write out what was expected where it is what was read, letter by letter
        report = replace(report, findings=tuple(map(_with_words_for_the_same, report.findings)))
    if form == "html":  # has words for what cannot be expected, as an empty cell says nothing
        report = replace(report, findings=tuple(map(_with_words_for_nothing, report.findings)))
    return report


def _rates(report: Report) -> list[tuple[str, dict[str, forms.Range]]]:
    return list(report.drives.items())


def _without_what_is_met(told: Told) -> Told:
    met = [{read, f"{read} or more", f"{read.removeprefix('up to ')} or more"} for _, read, _ in told.evidence]
    pairs = zip(told.evidence, met, strict=True)
    return replace(told, evidence=tuple((one[0], one[1], None if one[2] in same else one[2]) for one, same in pairs))


def _with_words_for_the_same(told: Told) -> Told:
    return replace(
        told, evidence=tuple((*one[:2], "the same" if one[1] == one[2] else one[2]) for one in told.evidence)
    )


def _with_words_for_nothing(told: Told) -> Told:
    return replace(told, evidence=tuple((one[0], one[1], one[2] or "no set value") for one in told.evidence))


# --- Holding one against the other -------------------------------------------------------------------------------


def differences(wanted: Report, shown: Report) -> list[str]:
    """What a form says otherwise than it should, in words; nothing where it says the same."""
    found = [f"missing: {one}" for one in _less(wanted.findings, shown.findings)]
    found += [f"too much: {one}" for one in _less(shown.findings, wanted.findings)]
    found += _unlike("steps", wanted.steps, shown.steps)
    found += _unlike("gains", wanted.gains, shown.gains)
    found += _unlike("links", wanted.links, shown.links)
    if wanted.drives.keys() != shown.drives.keys():
        found.append(f"drives: {sorted(wanted.drives)} are {sorted(shown.drives)}")
        return found
    for name, rates in wanted.drives.items():
        others = shown.drives[name]
        if rates.keys() != others.keys():
            found.append(f"rates of {name}: {sorted(rates)} are {sorted(others)}")
            continue
        for label, (low, high) in rates.items():
            if abs(low - others[label][0]) > TOLERANCE or abs(high - others[label][1]) > TOLERANCE:
                found.append(f"{name} {label}: {low:.1f} to {high:.1f} is {others[label]}")
    return found


def _less(some: tuple[Told, ...], others: tuple[Told, ...]) -> list[Told]:
    """Findings that there are fewer of among the others."""
    left = list(others)
    found = []
    for one in some:
        if one in left:
            left.remove(one)
        else:
            found.append(one)
    return found


def _unlike(what: str, wanted: Mapping[str, object], shown: Mapping[str, object]) -> list[str]:
    keys = dict.fromkeys((*wanted, *shown))
    pairs = ((key, wanted.get(key), shown.get(key)) for key in keys)
    return [f"{what} of {key}: {one} is {other}" for key, one, other in pairs if one != other]


@cache
def made(name: str, form: str) -> Report:
    """What a form says of a machine of `fixtures/`."""
    make, read, _ = FORMS[form]
    return read(make(audited(name)), audited(name))


# --- The law -----------------------------------------------------------------------------------------------------


@every_folder
@every_form
def test_every_form_shows_every_finding_with_the_same_figures(name: str, form: str) -> None:
    """Findings, readings, steps, gains, links and rates are the same in every form, on every machine."""
    assert [] == differences(expected(audited(name), form), made(name, form))


@every_folder
@every_form
def test_the_worst_comes_first(name: str, form: str) -> None:
    """Subjects stand in the order of the worst that was found of each; JSON keeps the audit's own order."""
    ranks: dict[str, int] = {}
    for one in made(name, form).findings:
        ranks.setdefault(one.subject, Severity(one.severity).rank)
    assert sorted(ranks.values()) == list(ranks.values())
    if form == "json":
        assert [one.subject for one in audited(name).findings] == [one.subject for one in made(name, form).findings]


@every_folder
@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_the_first_sentence_is_the_same(name: str, form: str) -> None:
    """What there is to do is summed up in the same words."""
    parts = [in_one(part) for part, _ in words.summary(audited(name))]
    assert parts
    assert [] == [part for part in parts if part not in made(name, form).words]


@every_folder
@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_what_is_told_aside_is_told(name: str, form: str) -> None:
    """A remark has its headline, the firmware its versions, and each reading that root would add its line."""
    said = made(name, form).words
    missing = []
    for finding in filter(is_aside, audited(name).findings):
        if finding.rule == "needs-root":
            parts = [plain(one.source, 300) for one in finding.evidence]
        elif finding.rule == "firmware-listed":
            # What people read has dates as ISO 8601 has them; the evidence has them as the firmware does.
            parts = [plain(re.sub(r"\b(\d\d)/(\d\d)/(\d{4})$", r"\3-\1-\2", one.read)) for one in finding.evidence]
        elif not finding.steps:
            parts = []  # a note of passing through: `inventory` has it
        else:
            parts = [plain(finding.subject), plain(finding.headline, 400)[1:]]  # its first letter may be a capital
        missing += [part for part in parts if in_one(part) not in said]
    assert [] == missing


@every_folder
@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_what_could_not_be_read_is_told(name: str, form: str) -> None:
    """Each reading that failed has its reason; in text and Markdown, what root could read stands apart, once."""
    said = made(name, form).words
    unread = [one for one in audited(name).unread if form == "html" or not one.needs_root]
    shown = [in_one(plain(part)) for one in unread for part in (one.asked, one.why)]
    assert [] == [part for part in shown if part not in said]


@every_folder
@pytest.mark.parametrize("width", [40, 80, 100, 200])
def test_a_narrow_terminal_says_the_same(name: str, width: int) -> None:
    """At every width all lines stand in the same order; what stands in tables is there word by word."""
    page = forms.made_text(audited(name), width)
    narrow = _squeezed(page)
    place, missing = 0, []
    for line, in_table in _lines(forms.made_text(audited(name))):
        if in_table:
            missing += [word for word in line.split() if len(word) <= LONGEST_WORD and word not in page]
            continue
        at = narrow.find(_squeezed(line), place)
        if at < 0:
            missing.append(line)
        else:
            place = at + len(_squeezed(line))
    assert [] == missing


def _squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


def _lines(wide: str) -> Iterator[tuple[str, bool]]:
    """The lines of a page, each with whether it is of a table."""
    inside = False
    for line in wide.splitlines():
        inside = line in {"Links, worst first", "Findings at a glance", "What was seen"} or (inside and bool(line))
        yield line, inside


@pytest.mark.parametrize("form", ["markdown", "html"])
@every_folder
def test_a_link_carries_the_same_in_figures(name: str, form: str) -> None:
    """The rate of each link in MB/s stands in the forms that have room for it; in text, lanes and speed alone do."""
    said = made(name, form).words
    assert [] == [one for one in audited(name).links if one.mbps is not None and not _holds(said, f"{one.mbps:,.0f}")]


def _holds(said: str, figure: str) -> bool:
    """Whether a figure stands in a form that names its unit beside it, or above it in the table."""
    return f"{figure} MB/s" in said or (
        "link MB/s" in said and re.search(rf"(?<![\d,]){figure}(?![\d,])", said) is not None
    )


# --- The test of the test ----------------------------------------------------------------------------------------

WORN: Final = "bench-2-worn-riser"


def _without_a_finding(audit: Audit) -> Audit:
    return replace(audit, findings=audit.findings[1:])


def _with_another(audit: Audit, **changes: object) -> Audit:
    first, *rest = audit.findings
    return replace(audit, findings=(replace(first, **changes), *rest))


def _other_reading(audit: Audit, **changes: str) -> Audit:
    first, *rest = audit.findings[0].evidence
    return _with_another(audit, evidence=(replace(first, **changes), *rest))


def _other_step(audit: Audit, **changes: object) -> Audit:
    return _with_another(audit, steps=tuple(replace(one, **changes) for one in audit.findings[0].steps))


def _other_link(audit: Audit) -> Audit:
    links = [replace(one, now=Rate(1, 1)) if one.verdict == "narrow" else one for one in audit.links]
    return replace(audit, links=tuple(links))


def _other_drive(audit: Audit, label: str) -> Audit:
    first, *rest = audit.drives
    assert first.both is not None
    changed = ((1.0, 2.0), first.both[1]) if label == "both" else (1.0, 2.0)
    return replace(audit, drives=(replace(first, **{label: changed}), *rest))


CHANGES: Final[dict[str, Callable[[Audit], Audit]]] = {
    "a finding is lost": _without_a_finding,
    "a severity differs": lambda audit: _with_another(audit, severity=Severity.NOTE),
    "a subject differs": lambda audit: _with_another(audit, subject="nvme2"),
    "a headline differs": lambda audit: _with_another(audit, headline="runs with 5 of 8 lanes"),
    "a reading differs": lambda audit: _other_reading(audit, read="8 GT/s (Gen 3) x5"),
    "an expectation differs": lambda audit: _other_reading(audit, expected="8 GT/s (Gen 3) x5"),
    "a source differs": lambda audit: _other_reading(audit, source="0000:01:00.1 Link Status"),
    "a reading is lost": lambda audit: _with_another(audit, evidence=audit.findings[0].evidence[1:]),
    "a gain differs": lambda audit: _other_step(audit, gain_mbps=1234.0),
    "a step differs": lambda audit: _other_step(audit, text="Do something else."),
    "a link's rate differs": _other_link,
    "a link's verdict differs": lambda audit: replace(
        audit,
        links=tuple(replace(one, verdict=Verdict.SLOW) if one.verdict == "narrow" else one for one in audit.links),
    ),
    "a drive is lost": lambda audit: replace(audit, drives=audit.drives[1:]),
    **{
        f"a rate differs ({label})": partial(_other_drive, label=label)
        for label in ("alone", "together", "alone_write", "together_write", "both")
    },
}


# The text has no rates of writing, on purpose: see `expected`.
OF_WRITING: Final = {f"a rate differs ({label})" for label in ("alone_write", "together_write", "both")}


@pytest.mark.long
@pytest.mark.parametrize(
    ("form", "change"),
    [(form, change) for form in FORMS for change in CHANGES if form != "text" or change not in OF_WRITING],
)
def test_a_form_that_said_otherwise_would_be_noticed(form: str, change: str) -> None:
    """A form of a machine that differs in one thing alone differs from what it should say of the true one."""
    audit = audited(WORN)
    make, read, _ = FORMS[form]
    assert [] == differences(expected(audit, form), made(WORN, form))
    assert [] != differences(expected(audit, form), read(make(CHANGES[change](audit)), audit))


def test_the_machines_have_something_of_everything() -> None:
    """Over all machines there are findings of every severity, gains, rates, and links without a rate."""
    severities, gains, rates, dark = set(), 0, 0, 0
    for name in FOLDERS:
        report = forms.of_audit(audited(name), 200)
        severities |= {one.severity for one in report.findings}
        gains += len(report.gains)
        rates += sum(len(one) for one in report.drives.values())
        dark += sum(rate is None for _, rate in report.links.values())
    assert set(Severity) == severities
    assert min(gains, rates, dark) >= 3


def test_every_form_of_check_is_held_against_the_findings() -> None:
    """A form that `check` learns is one of those above: a form that nothing reads back may lose what it likes."""
    from click import Choice

    from agent.cli import main

    (option,) = [found for found in main.commands["check"].params if found.name == "form"]
    assert isinstance(option.type, Choice)
    assert {"text", "json"} < set(option.type.choices) <= set(FORMS)
