"""The plan as Markdown, for the customer or the order: the rows of all forms, in tables and lists. Decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.report import candidate_rows, plan_parts, plan_rows, step_blocks
from agent.report.marks import bullets, escaped, heading, numbered, paragraph, step_list, table
from agent.report.words import moment
from knowledge.phrasing import span

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.planner.result import Candidate, Plan
    from agent.report.plan_parts import SlotPart
    from agent.report.plan_rows import Pieces, PlanRow, PlanSection

LINE: Final = 20_000  # characters; a row may name many drives


def plan(found: Plan, source: str, made_at: str) -> str:
    """The whole document; `source` is the sheet's name for people."""
    return f"{''.join(_plan(found, source, made_at)).rstrip()}\n"


def candidates(tried: Sequence[Candidate], source: str, made_at: str) -> str:
    """The document of kinds of cards side by side."""
    return f"{''.join(_candidates(tried, source, made_at)).rstrip()}\n"


def _safe(line: str) -> str:
    return escaped(line, LINE)


def _head(found: Plan, source: str, made_at: str, sentences: Iterable[Pieces]) -> Iterator[str]:
    name, beside = plan_rows.machine(found.sheet)
    yield heading(1, f"Plan for {_safe(f'{name} ({beside})' if beside else name)}")
    yield paragraph(f"{_safe(source)} (build sheet). Made {escaped(moment(made_at), 40)} by lanewright.")
    for pieces in sentences:
        yield paragraph(f"**{_safe(''.join(text for text, _ in pieces))}**")


def _plan(found: Plan, source: str, made_at: str) -> Iterator[str]:
    yield from _head(found, source, made_at, plan_rows.answer(found))
    yield table(
        ("the whole", "today", "as planned"),
        ([_safe(cell) for cell in (one.label, one.today, one.planned)] for one in plan_parts.glance(found)),
    )
    for section in plan_rows.first_sections(found):
        yield from _section(section)
    yield from _order(found)
    yield from _slots(found)
    for section in plan_rows.other_sections(found):
        yield from _section(section)
    yield from _steps(found)
    yield from _unknown(found)


def _order(found: Plan) -> Iterator[str]:
    lines = plan_parts.order(found)
    if lines:
        yield heading(2, plan_rows.ORDER)
        rows = ((f"{line.count}", *map(_safe, (line.kind, line.what, line.names))) for line in lines)
        yield table(("how many", "kind", "what it is", "in this plan"), rows)
        yield paragraph(_safe(plan_parts.ORDER_NOTE))


def _slots(found: Plan) -> Iterator[str]:
    slots = plan_parts.slots(found)
    if slots:
        yield heading(2, plan_rows.SLOTS)
        rows = ((_safe(slot.label), _safe(slot.what), _parts(slot.today), _parts(slot.planned)) for slot in slots)
        yield table(("slot", "what it is", "today", "as planned"), rows)


def _parts(parts: Sequence[SlotPart]) -> str:
    return "; ".join(f"{_safe(part.words)} (**{part.word}**)" if part.word else _safe(part.words) for part in parts)


def _unknown(found: Plan) -> Iterator[str]:
    rows = plan_parts.unknown(found)
    if rows:
        yield heading(2, plan_rows.UNKNOWN)
        yield bullets(f"**{_safe(names)}**: {_safe(words)}" for names, words in rows)


# --- Rows ------------------------------------------------------------------------------------------------------


def _section(section: PlanSection) -> Iterator[str]:
    """A table of figures where rows have some, else a list; cautions come before what they are of."""
    yield heading(2, section.title)
    if any(row.word for row in section.rows):
        yield bullets(map(_row, section.rows))
        return
    if not any(row.figures for row in section.rows):
        yield numbered(map(_row, section.rows))
        return
    for row in section.rows:
        for caution in row.cautions:
            yield paragraph(f"**Caution** ({_safe(row.name)}): {_safe(caution)}")
    heads = list(dict.fromkeys(label for row in section.rows for label, _ in row.figures))
    figures = ((row.name, dict(row.figures)) for row in section.rows)
    yield table(
        ("MB/s", *heads),
        ([_safe(name), *(span(rates[head]) if head in rates else "" for head in heads)] for name, rates in figures),
    )
    yield bullets(map(_below, section.rows))
    if section.key == "rates":
        yield paragraph(_safe(plan_parts.RANGES))


def _row(row: PlanRow) -> str:
    """A row in one line, with all that belongs to it."""
    word = f"**{row.word}** " if row.word else ""
    words = f": {_safe(row.words)}" if row.words else ""
    more = "".join(f"; {_safe(text)}" for text in (line.text for line in row.more))
    cautions = "".join(f" **Caution:** {_safe(caution)}" for caution in row.cautions)
    return f"{word}{_safe(row.name)}{words}{more}{cautions}"


def _below(row: PlanRow) -> str:
    """What a table of figures does not say of a row."""
    words = [row.words, *(line.text for line in row.more)]
    return f"{_safe(row.name)}: {'; '.join(_safe(text) for text in words if text)}"


def _steps(found: Plan) -> Iterator[str]:
    if found.steps:
        yield heading(2, plan_rows.STEPS)
        gains = step_blocks.gains(found.steps)
        yield from step_list(step_blocks.blocks(found.steps, set(), each_gain=bool(gains), escape=escaped))


# --- Candidates ------------------------------------------------------------------------------------------------


def _candidates(tried: Sequence[Candidate], source: str, made_at: str) -> Iterator[str]:
    yield from _head(tried[0].plan, source, made_at, [candidate_rows.choice(tried)])
    names = [candidate_rows.name(number, candidate, tried) for number, candidate in enumerate(tried)]
    cells = [dict(candidate_rows.cells(candidate)) for candidate in tried]
    rows = ([_safe(label), *(_safe(found[label]) for found in cells)] for label in cells[0])
    yield table(("with", *map(_safe, names)), rows)
    for name, candidate in zip(names, tried, strict=True):
        left, gap = candidate_rows.left_undone(candidate.plan)
        if left or gap is not None:
            yield heading(2, f"With {_safe(name)}")
            yield bullets([*map(_row, left), *([] if gap is None else [_safe(gap.text)])])
    yield paragraph(_safe(candidate_rows.TO_SEE))
