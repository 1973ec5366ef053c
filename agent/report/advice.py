"""Findings for a terminal: what was found, the usual cause, the readings, the steps with the cautions before them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from rich.text import Text

from agent.model.findings import Severity
from agent.report import step_blocks, words
from agent.report.paper import HEADING, INDENT, QUIET, STYLES, Page
from knowledge.phrasing import begun, mbps, plain, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.audit import Audit
    from agent.model.findings import Evidence, Finding, Step
    from agent.report.step_blocks import StepBlock


class Depth(Struct, frozen=True):
    """How much of a block is shown: readings or none, how many steps (None: all), and those whole or in brief.

    `told` is that what was found stands on the page already, `answered` that its cause and cost do so too.
    """

    readings: bool
    steps: int | None
    whole: bool
    told: bool = False
    answered: bool = False


ALL: Final = Depth(readings=True, steps=None, whole=True)
TWO_STEPS: Final = Depth(readings=False, steps=2, whole=True)
BRIEF: Final = Depth(readings=False, steps=2, whole=False)
TOLD: Final = Depth(readings=False, steps=2, whole=False, told=True)
ONE_STEP: Final = Depth(readings=False, steps=1, whole=False, told=True)


def add_group(page: Page, number: int, group: Sequence[Finding], audit: Audit, depth: Depth) -> None:
    """The findings of one subject, then their steps, each once; what is left out is counted.

    Where what was found stands on the page already, and there is nothing to do about it, nothing is added.
    """
    if depth.told and not any(finding.steps or finding.cause for finding in group):
        return
    page.add(Text().append(f"{number}  ", HEADING).append(words.subject(group[0].subject, audit), HEADING), hang=3)
    for finding in () if depth.told else group:
        line = Text().append(f"{finding.severity.value.upper():<{INDENT}} ", STYLES[finding.severity])
        headline = words.headline(finding) if depth.whole else words.brief(finding)
        page.add(line.append(begun(headline)), indent=3, hang=3 + INDENT + 1)
        for evidence in finding.evidence if depth.readings else ():
            page.add(_reading(evidence), indent=3 + INDENT + 1, hang=3 + INDENT + 3, style=QUIET)
    steps = [step for step in step_blocks.steps_of(group) if depth.steps is None or step.text not in page.told]
    if not depth.answered:
        _causes(page, group, steps)
    shown = steps if depth.steps is None else steps[: depth.steps]
    again = [page.told[step.text] for finding in group for step in finding.steps if step.text in page.told]
    if again and depth.steps is not None:
        page.add(f"What {again[0]} says helps here too.", indent=3)
    page.told.update((step.text, number) for step in shown)
    if depth.steps is None and shown:
        page.add("What to do, least invasive first:", indent=3)
    rest = len(steps) - len(shown)
    more = f" Then {quantity(rest, 'more step')}." if rest else ""
    add_steps(page, shown, each_gain=len(step_blocks.gains(steps)) > 1, indent=3, brief=not depth.whole, more=more)


def _causes(page: Page, group: Sequence[Finding], steps: Sequence[Step]) -> None:
    """The usual causes, and what it costs where that is one figure."""
    causes = list(dict.fromkeys(plain(finding.cause) for finding in group if finding.cause))
    gains = step_blocks.gains(steps)
    parts = [f"Usual cause: {'; or '.join(causes)}." if causes else ""]
    costs = "It costs" if group[0].severity in {Severity.FAULT, Severity.LIMIT} else "Worth"
    parts.append(f"{costs} up to {mbps(*gains)}." if len(gains) == 1 else "")
    told = " ".join(filter(None, parts))
    if told:
        page.add(told, indent=3)


def add_remarks(page: Page, audit: Audit, most: int | None = None) -> None:
    """What is no finding, but better said: for the record, with what to look at."""
    remarks = words.remarks(audit)
    shown = remarks if most is None else remarks[:most]
    for number, remark in enumerate(shown):
        if not number:
            page.heading("For the record")
        page.add(f"{words.subject(remark.subject, audit)} {words.headline(remark)}", indent=2, hang=4)
    if remarks[len(shown) :]:
        page.add(f"and {quantity(len(remarks) - len(shown), 'more remark')}: --full shows all", indent=2, style=QUIET)


def _reading(evidence: Evidence) -> str:
    """One reading; what was expected is left out where the reading meets it word for word."""
    line = f"{plain(evidence.source)}: {plain(evidence.read)}"
    return line if words.is_met(evidence) else f"{line}; expected {plain(evidence.expected)}"


def add_cautions(page: Page, block: StepBlock, *, indent: int) -> None:
    """What comes before the steps of a block: a line a caution, those that were told above in brief."""
    if block.before:
        page.add(f"{block.before}{block.again}", indent=indent, hang=indent + 2, style="bold")
    for caution in block.cautions:
        page.add(f"! {caution}", indent=indent + 2, hang=indent + 4)


def add_steps(
    page: Page,
    steps: Sequence[Step],
    *,
    each_gain: bool,
    indent: int = INDENT + 1,
    brief: bool = False,
    more: str = "",
) -> None:
    """Numbered steps; cautions stand before the first step they belong to, in full once a page, then in brief.

    A way to verify that several neighbours share stands once, after the last of them; steps in `brief` have none.
    `more` is what stands behind the last of them.
    """
    last = len(steps)
    for block in step_blocks.blocks(steps, page.said, each_gain=each_gain, brief=brief):
        add_cautions(page, block, indent=indent)
        for step in block.steps:
            page.add(f"{step.number}. {step.text}{more if step.number == last else ''}", indent=indent, hang=indent + 3)
            if not step.shared and step.verify:
                page.add(f"Then: {step.verify}", indent=indent + 3, style=QUIET)
