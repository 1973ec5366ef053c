"""The plan for terminals: what is gained, what goes where and why, what each drive reaches, what to do in which order.

Shows what the planner decided and decides nothing. All names pass `plain`; rich's own markup is off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.report import candidate_rows, plan_rows, step_blocks
from agent.report.advice import add_cautions, add_steps
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plan_rows import SENTENCE
from knowledge.phrasing import plain, span

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.planner.result import Candidate, Plan
    from agent.report.plan_rows import Pieces, PlanRow, PlanSection
    from agent.sheets.sheet import Sheet
    from knowledge.boards import BoardKind
    from knowledge.parts import CardKind, DriveKind

__all__ = ["candidates", "kinds", "plan", "show"]

WHOLE: Final = "Reasons, needs that are met, other arrangements: --full."
LOOKS: Final = {"": "", "quiet": QUIET, **{severity.value: style for severity, style in STYLES.items()}}


def plan(found: Plan, width: int, source: str, *, short: bool = False) -> Page:
    """The page of `plan`; `source` is the sheet's name for people. `short` leaves out reasons and what is as it was."""
    page = Page(width)
    for pieces in plan_rows.answer(found):
        page.add(_coloured(pieces), hang=2)
    _head(page, found.sheet, source)
    for section in plan_rows.sections(found):
        if short:
            _brief_section(page, section, found)
        else:
            page.heading(section.title)
            _section(page, section)
    if short:
        _brief_steps(page, found)
        page.add(WHOLE, style=QUIET)
    else:
        _steps(page, found)
    return page


def candidates(tried: Sequence[Candidate], width: int, source: str) -> Page:
    """The page of `plan --compare`: the kinds side by side, then what each of them leaves undone."""
    page = Page(width)
    page.add(_coloured(candidate_rows.choice(tried)), hang=2)
    _head(page, tried[0].plan.sheet, source)
    page.add()
    names = [candidate_rows.name(number, candidate, tried) for number, candidate in enumerate(tried)]
    cells = [dict(candidate_rows.cells(candidate)) for candidate in tried]
    columns = [[name, *found.values()] for name, found in zip(names, cells, strict=True)]
    page.beside(list(cells[0]), columns, [HEADING] * len(tried))
    for name, candidate in zip(names, tried, strict=True):
        _left_undone(page, name, candidate.plan)
    page.add()
    page.add(candidate_rows.TO_SEE, style=QUIET)
    return page


def kinds(known: Mapping[str, CardKind | DriveKind | BoardKind], width: int, title: str) -> Page:
    """The page of `plan --kinds`: each kind of part, or of board, by its name, and what it stands for."""
    page = Page(width)
    page.add(title, style=HEADING)
    page.columns([(name, plain(kind.what, SENTENCE)) for name, kind in known.items()])
    return page


def _head(page: Page, sheet: Sheet, source: str) -> None:
    """The machine by its name, and the sheet that the plan was made of."""
    name, beside = plan_rows.machine(sheet)
    page.add(f"{name}{f' ({beside})' if beside else ''}; build sheet {plain(source)}", style=QUIET)


def _coloured(pieces: Pieces) -> Text:
    """Words in the colours of their looks."""
    line = Text()
    for words, look in pieces:
        line.append(words, LOOKS[look])
    return line


def _section(page: Page, section: PlanSection) -> None:
    """Rows with a word in one column, figures in a table, others in a paragraph each with what belongs to them."""
    if any(row.word for row in section.rows):
        _rows(page, section.rows)
        return
    if any(row.figures for row in section.rows):
        _figures(page, section)
        return
    for number, row in enumerate(section.rows, 1):
        page.add(f"{number}. {row.name}: {row.words}", indent=2, hang=5)
        _below(page, row, 5, 5)


def _figures(page: Page, section: PlanSection) -> None:
    """Ranges of MB/s under their heads, then what else is to be said of each row."""
    heads = list(dict.fromkeys(label for row in section.rows for label, _ in row.figures))
    rows = [
        [row.name, *(span(rates[head]) if head in rates else "" for head in heads)]
        for row, rates in ((row, dict(row.figures)) for row in section.rows)
    ]
    page.table(["MB/s", *heads], rows, [HEADING] * len(rows))
    for row in section.rows:
        if not row.words and not row.cautions:
            for line in row.more:
                page.add(f"{row.name}: {line.text}", indent=2, hang=4, style=LOOKS[line.look])
        else:
            page.add(Text(row.name, HEADING).append(f" ({row.words})" if row.words else "", ""), indent=2, hang=4)
            _below(page, row, 4, 6)


def _brief_section(page: Page, section: PlanSection, found: Plan) -> None:
    """What a short page has of a section: rows that ask for something, places and rates as tables."""
    if section.key == "places":
        page.add()
        rows = plan_rows.brief_places(found)
        page.table(plan_rows.PLACE_HEADS, rows, [HEADING] * len(rows))
    elif section.key == "rates":
        page.add()
        heads, rows = plan_rows.brief_rates(found)
        page.table(heads, rows, [HEADING] * len(rows), right={1, 2, 3})
    elif section.key == "stripes":
        for row in section.rows:
            for caution in row.cautions:
                _caution(page, caution, 2)
    elif section.key == "alternatives":
        if found.moves_spared:
            page.heading(section.title)
            _section(page, section)
    else:
        told = plan_rows.shortfall(found)
        rows_to_act_on = [row for row in section.rows if row.cautions or (row.look != "ok" and row.words not in told)]
        if rows_to_act_on:
            page.heading(section.title)
            _rows(page, rows_to_act_on)


def _rows(page: Page, rows: Sequence[PlanRow]) -> None:
    """A coloured word, then a name and a sentence: a column for each, or a paragraph a row where names are long."""
    widest = max(len(row.word) for row in rows)
    for row in rows:
        line = Text().append(f"{row.word:<{widest}}  ", LOOKS[row.look]).append(row.name, HEADING)
        page.add(line.append(f": {row.words}" if row.words else "", ""), indent=2, hang=widest + 4)
        _below(page, row, widest + 4, widest + 6)


def _below(page: Page, row: PlanRow, indent: int, hang: int) -> None:
    """What belongs to a row, line by line."""
    for line in row.more:
        page.add(line.text, indent=indent, hang=hang, style=LOOKS[line.look])
    for caution in row.cautions:
        _caution(page, caution, indent)


def _caution(page: Page, caution: str, indent: int) -> None:
    """A caution, once a page."""
    if caution not in page.said:
        page.add(f"! {caution}", indent=indent, hang=indent + 2)
        page.said.add(caution)


def _steps(page: Page, found: Plan) -> None:
    if found.steps:
        page.heading(plan_rows.STEPS)
        add_steps(page, found.steps, each_gain=bool(step_blocks.gains(found.steps)), indent=2)


def _brief_steps(page: Page, found: Plan) -> None:
    """Steps below their cautions; neighbours that fit parts are one, as the table above says where."""
    if not found.steps:
        return
    page.heading(plan_rows.STEPS)
    for block in step_blocks.blocks(found.steps, page.said, each_gain=False, brief=True):
        add_cautions(page, block, indent=2)
        first, last = block.steps[0].number, block.steps[-1].number
        for numbers, text in plan_rows.brief_steps(found.steps[first - 1 : last], first):
            page.add(f"{numbers}. {text}", indent=2, hang=5)


def _left_undone(page: Page, name: str, found: Plan) -> None:
    """Needs, parts and carriers that a candidate leaves, and a search that was not finished."""
    rows, gap = candidate_rows.left_undone(found)
    if not rows and gap is None:
        return
    page.heading(f"With {name}")
    if rows:
        _rows(page, rows)
    if gap is not None:
        page.add(gap.text, indent=2, hang=4, style=LOOKS[gap.look])
