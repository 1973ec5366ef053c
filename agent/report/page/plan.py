"""The plan as one HTML file, for the customer or the order: in the shape of the page, with the rows of all forms.

Decides nothing. All names pass `plain`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.findings import Severity
from agent.report import candidate_rows, plan_parts, plan_rows, step_blocks
from agent.report.page import bars, rendered
from agent.report.page.slot_drawing import drawings
from agent.report.words import moment
from knowledge.phrasing import plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.planner.result import Candidate, Plan
    from agent.report.page.bars import Bar
    from agent.report.plan_rows import Pieces, PlanRow, PlanSection

# How bad a look is, worst first; what is none of them is no more than a note.
WORST: Final = tuple(severity.value for severity in Severity)
BESIDE: Final = 4  # candidates in one table


class AnswerShown(Struct, frozen=True):
    """A sentence of the answer, with the look of the worst of it."""

    look: str
    text: str


class RowShown(Struct, frozen=True):
    """A row with its ranges as bars."""

    row: PlanRow
    bars: tuple[Bar, ...]


class SectionShown(Struct, frozen=True):
    """A section with its rows."""

    key: str
    title: str
    rows: tuple[RowShown, ...]


class UndoneShown(Struct, frozen=True):
    """What a candidate leaves undone, and what is not proved of it ("" for all)."""

    name: str
    rows: tuple[RowShown, ...]
    gap: str


class KindsShown(Struct, frozen=True):
    """Some candidates beside each other: their names, then each label with its cells."""

    names: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def plan(found: Plan, source: str, made_at: str) -> str:
    """The page of a plan; `source` is the sheet's name for people."""
    slots = plan_parts.slots(found)
    gains = step_blocks.gains(found.steps)
    name, beside = plan_rows.machine(found.sheet)
    return rendered(
        "plan.html.j2",
        titles=plan_rows,
        name=name,
        beside=beside,
        source=plain(source),
        made_at=moment(plain(made_at, 40)),
        answer=tuple(_answer(plan_rows.answer(found))),
        glance=plan_parts.glance(found),
        first=tuple(_sections(plan_rows.first_sections(found))),
        rest=tuple(_sections(plan_rows.other_sections(found))),
        order=plan_parts.order(found),
        order_note=plan_parts.ORDER_NOTE,
        slots=slots,
        drawings=drawings(slots) if slots else (),
        ranges=plan_parts.RANGES,
        steps=tuple(step_blocks.blocks(found.steps, set(), each_gain=bool(gains))),
        unknown=plan_parts.unknown(found),
    )


def candidates(tried: Sequence[Candidate], source: str, made_at: str) -> str:
    """The page of kinds of cards side by side."""
    name, beside = plan_rows.machine(tried[0].plan.sheet)
    names = [candidate_rows.name(number, candidate, tried) for number, candidate in enumerate(tried)]
    undone = (_undone(name, candidate.plan) for name, candidate in zip(names, tried, strict=True))
    return rendered(
        "candidates.html.j2",
        name=name,
        beside=beside,
        source=plain(source),
        made_at=moment(plain(made_at, 40)),
        answer=tuple(_answer([candidate_rows.choice(tried)])),
        tables=tuple(_tables(names, tried)),
        undone=[one for one in undone if one.rows or one.gap],
        to_see=candidate_rows.TO_SEE,
    )


def _answer(sentences: Iterable[Pieces]) -> Iterator[AnswerShown]:
    for pieces in sentences:
        looks = [look for _, look in pieces if look in WORST]
        yield AnswerShown(min(looks, key=WORST.index, default=""), "".join(text for text, _ in pieces))


def _sections(found: Iterable[PlanSection]) -> Iterator[SectionShown]:
    """The sections, all bars of one section on one scale."""
    for section in found:
        yield SectionShown(section.key, section.title, tuple(_rows(section.rows)))


def _rows(rows: Sequence[PlanRow]) -> Iterator[RowShown]:
    loads = [[bars.RangeBar(label, rates, None) for label, rates in row.figures] for row in rows]
    scale = bars.longest([load for row in loads for load in row])
    for row, shown in zip(rows, loads, strict=True):
        yield RowShown(row, bars.bars(shown, scale))


def _undone(name: str, found: Plan) -> UndoneShown:
    rows, gap = candidate_rows.left_undone(found)
    return UndoneShown(name, tuple(_rows(rows)), "" if gap is None else gap.text)


def _tables(names: Sequence[str], tried: Sequence[Candidate]) -> Iterator[KindsShown]:
    """The kinds side by side, as many as have room beside each other."""
    for first in range(0, len(tried), BESIDE):
        cells = [dict(candidate_rows.cells(candidate)) for candidate in tried[first : first + BESIDE]]
        rows = tuple((label, tuple(found[label] for found in cells)) for label in cells[0])
        yield KindsShown(tuple(names[first : first + BESIDE]), rows)
