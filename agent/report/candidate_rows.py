"""What all forms of `plan --compare` show: which kind gives most, the kinds side by side, what each leaves undone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.planner.phrases import NAMED, firmly_gained, needs_named
from agent.report.plan_rows import SENTENCE, PlanLine, PlanRow, at_most, first_sections
from knowledge.phrasing import listed, mbps, plain, span

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.planner.result import Candidate, Plan
    from agent.report.plan_rows import Pieces

TO_SEE: Final = "For the whole plan with one of them, and its steps: --add in place of --compare."


def name(number: int, candidate: Candidate, tried: Sequence[Candidate]) -> str:
    """The kind of a candidate; a kind that was given twice is numbered."""
    alike = [place for place, other in enumerate(tried) if other.kind == candidate.kind]
    return plain(candidate.kind) if len(alike) == 1 else f"{plain(candidate.kind)} ({alike.index(number) + 1})"


def choice(tried: Sequence[Candidate]) -> Pieces:
    """Which candidate is best: parts in place first, then needs, then all drives together, then fewer slots.

    Where another one gives more MB/s, the sentence says for which aim it is not the best.
    """
    if all(planned.together is None for planned in tried):
        return (("No drive would be on any of these in this machine.", "fault"),)
    if len(tried) == 1:
        return ((f"What {plain(tried[0].kind)} would give in this machine.", ""),)
    best = max(tried, key=_worth)
    alike = [planned for planned in tried if _worth(planned)[:3] == _worth(best)[:3]]
    if len(alike) == len(tried):
        return (("All give the same with all drives at work; slots, power and price decide.", "ok"),)
    short = "; ".join(_short(best.plan))
    but = f", but {short}" if short else ""
    if len(alike) > 1:
        names = listed(dict.fromkeys(plain(planned.kind) for planned in alike))
        return (names, "ok"), (f" are best, and give the same{but}; slots, power and price decide between them.", "")
    rate = f"its drives read up to {mbps(best.together[1])} together" if best.together else "no drive is on it"
    faster = max(tried, key=_together)
    if _together(faster) <= _together(best):
        return (plain(best.kind), "ok"), (f" is best: {rate}{but}.", "")
    kept, taken = _aims(best.plan, faster.plan)
    against = f"{plain(faster.kind)} gives {mbps(_together(faster))}, but {taken}"
    return (plain(best.kind), "ok"), (f" is best: it {kept}, and {rate}{but}; {against}.", "")


def _together(candidate: Candidate) -> float:
    return candidate.together[1] if candidate.together else 0.0


def _worth(candidate: Candidate) -> tuple[int, int, float, int]:
    """What one candidate is held against another by, in this order."""
    return (
        -len(candidate.plan.unplaced),
        -len(_unmet(candidate.plan)),
        _together(candidate),
        -candidate.slots_used,
    )


def _aims(best: Plan, other: Plan) -> tuple[str, str]:
    """By which aim a plan is better than one with more MB/s: what it does, and what the other one does not."""
    if len(best.unplaced) < len(other.unplaced):
        mine = {part.name for part in best.unplaced}
        lost = [plain(part.name) for part in other.unplaced if part.name not in mine]
        parts = "all parts" if not mine else "more parts"
        return f"has a place for {parts}", f"leaves {listed(lost, most=NAMED)} without a place"
    lost = [need for need in _unmet(other) if need not in _unmet(best)]
    asked = {need.name for need in other.sheet.needs}
    if not asked.isdisjoint(lost):
        named = listed((_need(other, need, f'"{plain(need)}"') for need in lost), most=NAMED)
        at_best = " at best" if not set(_answered(best, "met")).issuperset(lost) else ""
        return f"meets {named}{at_best}", "does not"
    # What is left are the links that cards want.
    return f"keeps the {listed((_need(other, need, plain(need)) for need in lost), most=NAMED)}", "does not"


def _need(found: Plan, name: str, words: str) -> str:
    """A need in words; one that nobody has asked for is called assumed."""
    assumed = any(need.name == name and need.assumed for need in found.needs)
    return f"{words} (assumed)" if assumed else words


def _short(found: Plan) -> Iterator[str]:
    """What a plan does not give, the needs by name."""
    for answer, words in (("not met", "not met"), ("at best", "met at best only")):
        needs = [plain(need) for need in _answered(found, answer)]
        if needs:
            yield f"{needs_named(needs)} {'is' if len(needs) == 1 else 'are'} {words}"
    missing = [plain(part.name) for part in found.unplaced]
    if missing:
        yield f"{listed(missing, most=NAMED)} {'has' if len(missing) == 1 else 'have'} no place"


def _unmet(found: Plan) -> tuple[str, ...]:
    return _answered(found, "not met")


def _answered(found: Plan, answer: str) -> tuple[str, ...]:
    """The needs that are met so, by name."""
    return tuple(need.name for need in found.needs if need.answer == answer)


def left_undone(found: Plan) -> tuple[list[PlanRow], PlanLine | None]:
    """Needs, parts and carriers that a candidate leaves, and what to say of a search that was not finished."""
    rows = {section.key: section.rows for section in first_sections(found)}
    left = [*rows.get("unplaced", ()), *(row for row in rows.get("needs", ()) if row.look == "fault")]
    words = [] if found.proved else [f"not proved best: {plain(found.gap, SENTENCE)}"]
    words += [found.left_out] if found.left_out else []
    gap = PlanLine("; ".join(words), "limit") if words else None
    return [*left, *rows.get("spares", ())], gap


def cells(candidate: Candidate) -> Iterator[tuple[str, str]]:
    """What stands beside each label for a candidate."""
    for label, show in _LABELS:
        yield label, show(candidate)


def _needs(candidate: Candidate) -> str:
    """What becomes of the needs: those not met, and those gained and lost against today."""
    plan = candidate.plan
    change = plan.change
    sorts = [("not met", _answered(plan, "not met")), ("met at best", _answered(plan, "at best"))]
    if change is not None:
        sorts += [("gained", firmly_gained(change)), ("gained, at best", change.needs_at_best)]
        sorts += [("firmly now", change.needs_firmer)]
        sorts += [("lost", change.needs_lost), ("at best now", change.needs_weaker)]
    found = [
        f"{words}: {listed((_need(plan, need, plain(need)) for need in needs), most=NAMED)}"
        for words, needs in sorts
        if needs
    ]
    if plan.needs and len(_answered(plan, "met")) == len(plan.needs):
        found.insert(0, "all met")
    return "; ".join(found) or "none on the sheet"


def _span(rates: tuple[float, float] | None) -> str:
    return "no drive" if rates is None else span(rates)


def _stripe(candidate: Candidate) -> str:
    return "one drive only" if candidate.stripe is None and candidate.together is not None else _span(candidate.stripe)


def _goes(candidate: Candidate) -> str:
    """The slots of the candidate's cards: those of its kind that were added last."""
    kinds_of = {card.name: card.kind for card in candidate.plan.sheet.cards}
    slots = [
        plain(card.slot)
        for card in candidate.plan.cards
        if kinds_of.get(card.name) == candidate.kind and card.was is None
    ]
    return ", ".join(slots[len(slots) - candidate.slots_used :]) if candidate.slots_used else "no slot"


def _power(candidate: Candidate) -> str:
    if not candidate.slots_used:
        return "none"
    return "not known" if candidate.watts is None else f"{at_most(candidate.watts)} W"


_LABELS: Final = (
    ("goes into", _goes),
    ("one alone, MB/s", lambda candidate: _span(candidate.alone)),
    ("together, MB/s", lambda candidate: _span(candidate.together)),
    ("as a stripe, MB/s", _stripe),
    ("slots taken", lambda candidate: str(candidate.slots_used)),
    ("power at most", _power),
    ("needs", _needs),
    ("held back by", lambda candidate: plain(candidate.limit, SENTENCE)),
    ("unused", lambda candidate: "; ".join(plain(words, SENTENCE) for words in candidate.wasted) or "nothing"),
)
