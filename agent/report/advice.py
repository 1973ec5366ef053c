"""Findings for a terminal: the readings they rest on, the steps they lead to, the cautions before them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from agent.findings import Severity
from agent.report.paper import HEADING, INDENT, QUIET, STYLES, Page
from agent.report.plain import describe_link, mbps, place, plain, told
from knowledge.steps import FIRMWARE, POWER_OFF, SETUP, SHORT, STEPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.findings import Evidence, Finding, Step


def by_subject(findings: Sequence[Finding]) -> list[list[Finding]]:
    """Findings of one subject together, in the order of the worst of each."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.subject, []).append(finding)
    return list(groups.values())


def add_findings(page: Page, group: Sequence[Finding], audit: Audit) -> None:
    """Findings of one subject with their readings, then all their steps together."""
    page.add()
    for number, finding in enumerate(group):
        line = Text().append(f"{finding.severity.value.upper():<{INDENT}} ", STYLES[finding.severity])
        if number == 0:
            line.append(f"{_subject(finding.subject, audit)} ", HEADING)
        headline = plain(finding.headline, 400)
        line.append(headline if number == 0 else f"{headline[:1].upper()}{headline[1:]}")
        page.add(line, hang=INDENT + 1)
        for one in finding.evidence:
            page.add(_reading(one), indent=INDENT + 1, hang=INDENT + 3, style=QUIET)
    steps = sorted(
        {step.text: step for finding in group for step in finding.steps}.values(),
        key=lambda step: STEPS[step.action].rank,
    )
    gains = {step.gain_mbps for step in steps if step.gain_mbps is not None}
    if steps:
        brings = f"; the step that helps should bring up to {mbps(*gains)} more" if len(gains) == 1 else ""
        page.add(f"What to do, least invasive first{brings}:", indent=INDENT + 1)
    add_steps(page, steps, each_gain=len(gains) > 1)


def add_remarks(page: Page, audit: Audit) -> None:
    """What is no finding, but better said: for the record, with what to look at."""
    remarks = [one for one in audit.findings if one.severity is Severity.OK and one.steps]
    if remarks:
        page.heading("For the record")
    for one in remarks:
        page.add(f"{_subject(one.subject, audit)} {plain(one.headline, 400)}", indent=2, hang=4)


def _reading(evidence: Evidence) -> str:
    """One reading; what was expected is left out where the reading meets it word for word."""
    line = f"{plain(evidence.source)}: {plain(evidence.read)}"
    met = {evidence.read, f"{evidence.read} or more", f"{evidence.read.removeprefix('up to ')} or more"}
    return line if evidence.expected in met else f"{line}; expected {plain(evidence.expected)}"


def _subject(subject: str, audit: Audit) -> str:
    """A subject for people: its slot or name, then its address."""
    for judged in audit.links:
        if subject in {judged.device_address, judged.port_address} and subject:
            what = describe_link(judged.link, audit)
            where = place(judged.link)
            named = f"{where}, {plain(subject)}" if where != subject else plain(subject)
            return f"{named}, {what}:" if judged.link.device is not None else f"{named}:"
    for drive in audit.facts.drives:
        if drive.name == subject:
            return f"{plain(subject)}, {told(drive.model, 'drive')}:"
    return f"{plain(subject)}:"


def add_steps(page: Page, steps: Sequence[Step], *, each_gain: bool, indent: int = INDENT + 1) -> None:
    """Numbered steps; cautions stand before the first step they belong to, in full once a page, then in brief.

    A way to verify that several neighbours share stands once, after the last of them.
    """
    number = 0
    for cautions, together in _runs(steps):
        if cautions:
            _cautions(page, cautions, (number + 1, number + len(together)), indent)
        for index, step in enumerate(together):
            number += 1
            brings = f" Should bring up to {mbps(step.gain_mbps)} more." if step.gain_mbps and each_gain else ""
            page.add(f"{number}. {plain(step.text, 600)}{brings}", indent=indent, hang=indent + 3)
            if index + 1 == len(together) or together[index + 1].verify != step.verify:
                page.add(f"Then: {plain(step.verify, 400)}", indent=indent + 3, style=QUIET)


def _cautions(page: Page, cautions: Sequence[str], steps: tuple[int, int], indent: int) -> None:
    """The cautions before the steps from one number to another."""
    first, last = steps
    which = f"step {first}" if first == last else f"steps {first} to {last}"
    again = [SHORT.get(caution, caution) for caution in cautions if caution in page.said]
    brief = f" as above, {', '.join(again)}." if again else ""
    page.add(f"Before {which}:{brief}", indent=indent, hang=indent + 2, style="bold")
    for caution in cautions:
        if caution not in page.said:
            page.add(f"! {caution}", indent=indent + 2, hang=indent + 4)
    page.said.update(cautions)


def _runs(steps: Sequence[Step]) -> list[tuple[tuple[str, ...], list[Step]]]:
    """Neighbouring steps of a kind (looking, hands inside, settings, firmware) under all cautions any of them needs."""
    runs: list[tuple[tuple[str, ...], list[Step]]] = []
    kinds: list[tuple[bool, ...]] = []
    for step in steps:
        kind = tuple(sign in step.cautions for sign in (POWER_OFF, SETUP, FIRMWARE))
        if kinds and kinds[-1] == kind:
            cautions, together = runs[-1]
            runs[-1] = (tuple(dict.fromkeys((*cautions, *step.cautions))), [*together, step])
        else:
            kinds.append(kind)
            runs.append((step.cautions, [step]))
    return runs
