"""What a form of a check should say of findings, links and drives, and what JSON and text say, read back.

Where a text cannot be taken apart without knowing it, the audit says what to look for: what is recognised comes back as
it is there, what is not stays as it stands and differs. Markdown and HTML: `forms_marked.py`. Test help only.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.findings import Severity, Verdict
from agent.report import data, text
from knowledge.phrasing import plain
from tests.test_report import in_one, printed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.audit import Audit
    from agent.model.findings import Finding, Rate

WIDE: Final = 20_000  # columns; nothing is wrapped or cut
SEVERITIES: Final = {severity.value.upper() for severity in Severity}
RATE: Final = re.compile(r"([\d.]+) GT/s \(Gen \d+[^)]*\) x(\d+)")
GAIN: Final = re.compile(r"(?:bring|costs|Worth) up to ([\d,]+) MB/s")
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
        steps=by_subject((one.subject, in_one(plain(step.text, 600))) for one in audit.findings for step in one.steps),
        gains=by_subject(
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


def by_subject(pairs: Iterable[tuple[str, Any]]) -> dict[str, tuple[Any, ...]]:
    """All that belongs to one subject, each once and in order."""
    found: dict[str, set[Any]] = {}
    for subject, one in pairs:
        found.setdefault(subject, set()).add(one)
    return {subject: tuple(sorted(some)) for subject, some in found.items()}


# --- Reading back: what forms have in common -------------------------------------------------------------------


def subject_of(words: str, audit: Audit) -> str:
    """The subject that is meant by words such as "PCIE1, 0000:01:00.0, a drive"; else the words themselves."""
    asked = f", {in_one(words).rstrip(':')}, "
    known = sorted({one.subject for one in audit.findings}, key=len, reverse=True)
    return next((one for one in known if f", {in_one(plain(one))}, " in asked), words)


def rate_of(words: str) -> tuple[float, int] | None:
    """GT/s and lanes at the begin of words, None where there are none."""
    found = RATE.match(words.strip())
    return None if found is None else (float(found[1]), int(found[2]))


def range_of(words: str) -> Range | None:
    """Words that are a rate or a range, MB/s; None where they are neither."""
    found = RANGE.fullmatch(words.strip())
    if found is None:
        return None
    low = float(found[1].replace(",", ""))
    return (low, float(found[2].replace(",", ""))) if found[2] else (low, low)


def gains_of(words: str) -> list[float]:
    """What words say that steps should bring, MB/s."""
    return [float(found.replace(",", "")) for found in GAIN.findall(words)]


def three(texts: Sequence[str]) -> Evidence:
    """A reading of three texts: source, read, expected."""
    source, read, expected = texts
    return source, read, expected


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
                tuple(three([in_one(plain(e[key])) for key in _READING]) for e in one["evidence"]),
            )
            for one in findings
        ),
        steps=by_subject((subject, in_one(plain(step["text"], 600))) for subject, step in steps),
        gains=by_subject(
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
    return printed(text.whole(audit, width, "this machine"), width)


def read_text(form: str, audit: Audit) -> Report:
    """What the text of a very wide page says."""
    lines = form.splitlines()
    found: list[Told] = []
    steps: list[tuple[str, str]] = []
    gains: list[tuple[str, float]] = []
    subject = ""
    for line in lines:
        titled = re.match(r"\d+  (\S.*):$", line)
        if titled:
            subject = subject_of(titled[1], audit)
        elif not line.startswith(" " * 3):
            subject = ""
        elif subject and line[3:11].strip() in SEVERITIES:
            found.append(Told(line[3:11].strip().lower(), subject, normal(_known(line[11:], audit)), ()))
        elif subject and line.startswith(" " * 11):
            told = found.pop()
            found.append(replace(told, evidence=(*told.evidence, _evidence(line.strip(), audit))))
        elif subject:
            gains += [(subject, gain) for gain in gains_of(line)]
            numbered = re.match(r"   \d+\. (.*)", line)
            if numbered:
                steps.append((subject, in_one(re.sub(r" Should bring up to [\d,]+ MB/s more\.$", "", numbered[1]))))
    return Report(
        findings=tuple(found),
        steps=by_subject(steps),
        gains=by_subject(gains),
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
    short = all(one.address.startswith("0000:") for one in audit.facts.functions)
    addresses = {
        one.device_address.removeprefix("0000:") if short else one.device_address: one.device_address
        for one in audit.links
        if one.device_address is not None
    }
    begin = lines.index("Links, worst first") if "Links, worst first" in lines else len(lines)
    for line in lines[begin + 1 :]:
        if not line.strip():
            return
        for shown, address in addresses.items():
            before, found, after = line.partition(f"  {shown}  ")
            if found and before.split()[0] in set(Verdict):
                yield address, (before.split()[0], generation_of(after))
                break


def generation_of(words: str) -> tuple[float, int] | None:
    """GT/s and lanes of a rate that is told by its generation at the begin of words, None where there is none."""
    found = re.match(r"Gen (\d) x(\d+)", words.strip())
    return None if found is None else (GTPS[int(found[1])], int(found[2]))


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
        one, all_at_once = range_of(alone), range_of(together or alone)
        yield name, {} if one is None or all_at_once is None else dict(zip(LABELS, (one, all_at_once), strict=False))
