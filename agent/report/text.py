"""The form for terminals: the answer first, then findings at a glance, links, and a block for each subject.

Short unless all of it is asked for: cautions always come before the steps that are shown, and whatever is left out is
counted, with the way to it. Fits 80 columns and grows with the terminal. All device text passes `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace
from rich.text import Text

from agent.model.judged import Judged
from agent.report import link_names, link_rows, words
from agent.report.advice import ALL, BRIEF, ONE_STEP, TOLD, TWO_STEPS, add_group, add_remarks
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.sections import drives, functions, head, not_read, stripes, tree, unread
from agent.report.tree_text import machine_map
from agent.report.words import brief, by_subject
from knowledge.phrasing import plain, quantity
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.audit import Audit
    from agent.model.findings import Finding
    from agent.report.advice import Depth

__all__ = ["Page", "check", "one_finding", "show", "whole"]

Groups = list[list["Finding"]]

ONE_SCREEN: Final = 30  # lines; a page that is longer tells its steps in brief
LONGEST: Final = 58  # lines of a page that is not asked for whole
# How much of each is shown, from much to little: depth of a block, blocks, rows of links, lines at a glance.
LEVELS: Final = (
    (TWO_STEPS, 99, 12, 99),
    (BRIEF, 99, 12, 99),
    (TOLD, 99, 12, 99),
    (TOLD, 99, 8, 16),
    (ONE_STEP, 99, 8, 16),
    (ONE_STEP, 6, 8, 12),
    (ONE_STEP, 4, 6, 8),
    (ONE_STEP, 2, 5, 6),
    (ONE_STEP, 1, 4, 4),
)


def check(audit: Audit, width: int, source: str) -> Page:
    """The page of `check`; `source` says where the readings come from ("this machine", a capture's name).

    It has no more lines than a person looks through, at 80 columns.
    """
    alone = len(by_subject(words.findings(audit))) == 1
    page = Page(width)
    for number, (depth, *most) in enumerate(LEVELS):
        if alone and depth.told:
            continue
        found = words.findings(audit)
        answered = not depth.whole and len(found) == 1 and bool(found[0].steps)
        page = _short(audit, width, source, replace(depth, told=depth.told or answered, answered=answered), *most)
        if len(page.lines) <= (LONGEST if number else ONE_SCREEN):
            return page
    return page


def one_finding(audit: Audit, width: int, source: str, *, number: int) -> Page:
    """All of the findings of one number: what they mean, readings and steps (BadInput where there is none)."""
    from agent.explain import explanation

    groups = by_subject(words.findings(audit))
    if not 0 < number <= len(groups):
        known = f"they go from 1 to {len(groups)}" if groups else "the check found nothing"
        raise BadInput(f"there is no finding {number}: {known}")
    page = Page(width)
    add_group(page, number, groups[number - 1], audit, ALL)
    for rule in dict.fromkeys(finding.rule for finding in groups[number - 1]):
        told = explanation(f"rule {rule}")
        page.heading(f"What {rule} means")
        page.add(told.meaning, indent=2)
        page.add(f"Cannot tell: {told.cannot_tell}", indent=2, hang=4)
    page.add()
    head(page, audit, source)
    return page


def whole(audit: Audit, width: int, source: str) -> Page:
    """The page of `check` with all of it."""
    page = Page(width)
    _answer(page, audit, source)
    groups = by_subject(words.findings(audit))
    _glance(page, audit, groups, len(audit.findings))
    link_rows.add(page, audit, full=True)
    _map(page, audit)
    for number, group in enumerate(groups, 1):
        page.add()
        add_group(page, number, group, audit, ALL)
    add_remarks(page, audit)
    drives(page, audit)
    stripes(page, audit)
    if all(judged.link.device is None for judged in audit.links):
        functions(page, audit, "What was seen")
    _firmware(page, audit)
    unread(page, audit)
    meaning = words.explained(audit)
    if meaning:
        page.add()
        page.add(meaning, style=QUIET, hang=2)
    return page


def _short(audit: Audit, width: int, source: str, depth: Depth, blocks: int, links: int, glance: int) -> Page:
    page = Page(width)
    _answer(page, audit, source)
    groups = by_subject(words.findings(audit))
    _glance(page, audit, groups, glance)
    link_rows.add(page, audit, most=links)
    for number, group in enumerate(groups[:blocks], 1):
        if number == 1 or not depth.told:
            page.add()
        add_group(page, number, group, audit, depth)
    add_remarks(page, audit, most=2)
    if all(judged.link.device is None for judged in audit.links):
        functions(page, audit, "What was seen", most=links)
    not_read(page, audit)
    _more(page, groups, len(groups[blocks:]))
    return page


def _answer(page: Page, audit: Audit, source: str) -> None:
    """The answer, what to do first, and whose it is."""
    answer, severity = words.answer(audit)
    page.add(Text(answer, STYLES[severity]))
    first = words.first_step(audit)
    if first:
        page.add(first, style=HEADING)
    for line in words.provisos(audit):
        page.add(line)
    head(page, audit, source)


def _glance(page: Page, audit: Audit, groups: Groups, most: int) -> None:
    """Each finding in one line, where there is more than one subject; `number` is that of the block further down."""
    if len(groups) < 2:  # noqa: PLR2004 - one block says it all
        return
    numbers = {group[0].subject: number for number, group in enumerate(groups, 1)}
    found = words.findings(audit)
    page.heading("Findings at a glance")
    places = link_names.names(audit)
    rows = [
        (finding.severity.value, str(numbers[finding.subject]), _name(finding.subject, audit, places), brief(finding))
        for finding in found[:most]
    ]
    page.table(("", "", "", ""), rows, [STYLES[finding.severity] for finding in found[:most]], right={1})
    if found[most:]:
        page.add(f"and {quantity(len(found[most:]), 'more finding')}: --full shows all", indent=2, style=QUIET)


def _map(page: Page, audit: Audit) -> None:
    """Slots, cards, ports of carriers and drives, each below its holder."""
    lines = machine_map(audit)
    if lines:
        page.heading("Map of the machine")
    tree(page, lines)


def _name(subject: str, audit: Audit, places: Mapping[str, str]) -> str:
    """A subject in a table: the shortest name that people find it by."""
    found = audit.subjects.get(subject)
    return places.get(found.link.key, plain(subject)) if isinstance(found, Judged) else plain(subject, 40)


def _firmware(page: Page, audit: Audit) -> None:
    rows = list(words.firmware(audit))
    if rows:
        page.heading("Firmware on record")
    for part, version in rows:
        page.add(f"{part}: {version}", indent=2, hang=4)


def _more(page: Page, groups: Sequence[object], left_out: int = 0) -> None:
    """Where more of it is."""
    page.add()
    if left_out:
        page.add(f"{quantity(left_out, 'more block')} of steps: --full shows all.", style=QUIET)
    number = "1" if len(groups) == 1 else "NUMBER"
    one = f"; one finding: lanewright explain {number}, with the same options" if groups else ""
    page.add(f"All of it: lanewright check --full{one}.", style=QUIET, hang=2)
