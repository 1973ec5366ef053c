"""The plan for terminals: what is gained, what goes where and why, what each drive reaches, what to do in which order.

Shows what the planner decided and decides nothing. All names pass `plain`; rich's own markup is off.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Final

from rich.text import Text

from agent.model.abilities import rate_text
from agent.model.findings import Rate, Severity
from agent.report.advice import add_steps
from agent.report.paper import HEADING, QUIET, STYLES, Page, show
from agent.report.plan_lanes import taken_words
from knowledge.phrasing import begun, mbps, mbps_range, plain, quantity, span

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.planner.result import (
        Alternative,
        Candidate,
        CardPlanned,
        DrivePlanned,
        Figures,
        Plan,
        StripePlanned,
    )
    from agent.sheets.sheet import Sheet
    from knowledge.parts import CardKind, DriveKind

__all__ = ["candidates", "kinds", "plan", "show"]

GOOD: Final = STYLES[Severity.OK]
FAIR: Final = STYLES[Severity.LIMIT]
BAD: Final = STYLES[Severity.FAULT]
ANSWERS: Final = {"not met": BAD, "at best": FAIR, "met": GOOD}  # worst first
SENTENCE: Final = 400  # characters
ROUNDING: Final = 1e-6  # what a float may be off by


def plan(found: Plan, width: int, source: str) -> Page:
    """The page of `plan`; `source` is the sheet's name for people."""
    page = Page(width)
    _head(page, found.sheet, source)
    _answer(page, found)
    _needs(page, found)
    _unplaced(page, found)
    _places(page, found)
    _lanes(page, found)
    _rates(page, found)
    _stripes(page, found.stripes)
    _alternatives(page, found)
    _steps(page, found)
    return page


def candidates(tried: Sequence[Candidate], width: int, source: str) -> Page:
    """The page of `plan --compare`: the kinds side by side, then what each of them leaves undone."""
    page = Page(width)
    _head(page, tried[0].plan.sheet, source)
    page.add(_choice(tried))
    page.add()
    names = [_kind(number, candidate, tried) for number, candidate in enumerate(tried)]
    columns = [[name, *_cells(candidate)] for name, candidate in zip(names, tried, strict=True)]
    page.beside([label for label, _ in _LABELS], columns, [HEADING] * len(tried))
    for name, candidate in zip(names, tried, strict=True):
        _left_undone(page, name, candidate.plan)
    page.add()
    page.add("To see the whole plan with one of them, with its steps, use --add in place of --compare.", style=QUIET)
    return page


def kinds(known: Mapping[str, CardKind | DriveKind], width: int, title: str) -> Page:
    """The page of `plan --kinds`: each kind of part by its name, and what it stands for."""
    page = Page(width)
    page.add(title, style=HEADING)
    page.columns([(name, plain(kind.what, SENTENCE)) for name, kind in known.items()])
    return page


# --- Head and answer -------------------------------------------------------------------------------------------


def _head(page: Page, sheet: Sheet, source: str) -> None:
    machine = sheet.machine
    named = [plain(part) for part in (machine.name, machine.product or machine.board) if part]
    title = Text("Plan for ", HEADING).append(named[0] if named else "a machine without a name", HEADING)
    if len(named) > 1:
        title.append(f" ({named[1]})", "")
    page.add(title)
    page.add(f"{plain(source)} (build sheet)", style=QUIET)
    page.add()


def _answer(page: Page, found: Plan) -> None:
    """What stands in the way, then in one sentence what is gained and whether it is the best there is."""
    short = _shortfall(found)
    if short:
        page.add(f"{begun(short)}.", style=BAD)
    page.add(Text().append(_standing(found), GOOD if found.proved else FAIR).append(_gained(found)))
    if found.figures.moves and not found.worth_moving:
        page.add(_not_worth(found), style=FAIR)
    if not found.proved:
        page.add(f"Not proved best within the time given: {plain(found.gap, SENTENCE)}. More --seconds may settle it.")


def _not_worth(found: Plan) -> str:
    """What to do where moving gains less than can be measured: new parts open the machine all the same."""
    if None in {*(card.was for card in found.cards), *(drive.was for drive in found.drives)}:
        gain = "Moving what is fitted already gains less than can be measured"
        return f"{gain}: leave it where it is and fit the new parts only (below: Fewest moves)."
    return "The gain is less than can be measured: it is not worth opening the machine for. Leave all where it is."


def _shortfall(found: Plan) -> str:
    """What the plan does not give: needs not met, parts without a place."""
    unmet = sum(need.answer == "not met" for need in found.needs)
    missing = len(found.unplaced)
    needs = f"{unmet} of {len(found.needs)} needs {_is(unmet)} not met" if unmet else ""
    if len(found.needs) == unmet == 1:
        needs = "the need is not met"
    parts = f"{quantity(missing, 'part')} {_has(missing)} no place" if missing else ""
    return "; ".join(words for words in (needs, parts) if words)


def _standing(found: Plan) -> str:
    if not found.figures.moves:
        return "Nothing to move, proved best" if found.proved else "Nothing better found"
    best = "Best that can be had" if _shortfall(found) else "Best place for each part"
    return f"{best}, proved" if found.proved else "Best found so far"


def _gained(found: Plan) -> str:
    """What all drives at once reach in place of what they reach today."""
    after, before = found.figures, found.today
    moves = f", for {quantity(after.moves, 'move')}" if after.moves else ""
    if not found.drives:
        return f": no drive has a place{moves}." if found.sheet.drives else f": no drives on this sheet{moves}."
    today = before if before is not None and before.total_mbps else None
    total = _against(after.total_mbps, today.total_mbps if today is not None else None)
    worst = _against(after.worst_mbps, today.worst_mbps if today is not None else None)
    return f": all drives read at once reach up to {total}, the worst-off of them up to {worst}{moves}."


def _against(rate: float, today: float | None) -> str:
    """A rate, and what it is today."""
    if today is None:
        return mbps(rate)
    return f"{mbps(rate)} as today" if mbps(rate) == mbps(today) else f"{mbps(rate)} in place of {today:,.0f}"


# --- Needs and places ------------------------------------------------------------------------------------------


def _needs(page: Page, found: Plan) -> None:
    if found.needs:
        page.heading("Needs")
        worst_first = sorted(found.needs, key=lambda need: list(ANSWERS).index(need.answer))
        rows = [(need.answer, plain(need.name), plain(need.why, SENTENCE)) for need in worst_first]
        _rows(page, rows, [ANSWERS[need.answer] for need in worst_first])


def _unplaced(page: Page, found: Plan) -> None:
    if found.unplaced:
        page.heading("Parts without a place")
        rows = [("no place", plain(unplaced.name), plain(unplaced.why, SENTENCE)) for unplaced in found.unplaced]
        _rows(page, rows, [BAD] * len(rows))
    if found.spares:
        page.heading("Parts left out")
        rows = [("spare", plain(spare.name), plain(spare.why, SENTENCE)) for spare in found.spares]
        _rows(page, rows, [QUIET] * len(rows))


def _rows(page: Page, rows: Sequence[tuple[str, str, str]], styles: Sequence[str]) -> None:
    """A coloured word, then a name and a sentence: a column for each, or a paragraph a row where names are long."""
    widest = max(len(row[0]) for row in rows)
    for (word, name, why), style in zip(rows, styles, strict=True):
        line = Text().append(f"{word:<{widest}}  ", style).append(name, HEADING)
        page.add(line.append(f": {why}" if why else "", ""), indent=2, hang=widest + 4)


def _places(page: Page, found: Plan) -> None:
    if not found.cards and not found.drives:
        return
    page.heading("Where each part goes")
    rows = [(_word(card.was, card.slot), plain(card.name), _card(card)) for card in found.cards]
    rows += [_drive(drive, found) for drive in found.drives]
    _rows(page, rows, ["" if row[0] == "stays" else STYLES[Severity.NOTE] for row in rows])


def _lanes(page: Page, found: Plan) -> None:
    """The slots whose lanes others take, and what that costs."""
    if found.lanes_taken:
        page.heading("Lanes that slots take from each other")
        rows = [("taken", plain(one.slot), plain(taken_words(one), SENTENCE)) for one in found.lanes_taken]
        _rows(page, rows, [QUIET] * len(rows))


def _word(was: str | None, now: str) -> str:
    if was is None:
        return "new"
    return "stays" if was == now else "moves"


def _card(card: CardPlanned) -> str:
    words = [f"{_from(card.was, card.slot)}, {rate_text(Rate(*card.link))}"]
    if card.watts is not None:
        allowed = f" of {card.watts_limit:,g} W allowed" if card.watts_limit is not None else " W"
        words.append(f"at most {_at_most(card.watts)}{allowed}")
    if card.bays_free:
        words.append(f"{quantity(card.bays_free, 'bay')} free")
    return _why(", ".join(words), card.why)


def _at_most(watts: float) -> str:
    """Power that is at most taken, rounded up to a tenth of a watt."""
    return f"{ceil(watts * 10 - ROUNDING) / 10:,g}"


def _drive(drive: DrivePlanned, found: Plan) -> tuple[str, str, str]:
    """The row of a drive; one that stays in its bay while its card moves stays."""
    spec = next((other_drive for other_drive in found.sheet.drives if other_drive.name == drive.name), None)
    place = found.placement.drives.get(drive.name)
    in_its_bay = spec is not None and place is not None and (spec.card, spec.bay) == (place.holder, place.bay)
    if in_its_bay and drive.was not in {None, drive.place}:
        return "stays", plain(drive.name), _why(f"{plain(drive.place)}, moves with its card", drive.why)
    return _word(drive.was, drive.place), plain(drive.name), _why(_from(drive.was, drive.place), drive.why)


def _from(was: str | None, now: str) -> str:
    return plain(now) if was in {None, now} else f"{plain(now)} (from {plain(was or '')})"


def _why(where: str, why: str) -> str:
    return f"{where}; {plain(why, SENTENCE)}" if why else where


# --- Rates -----------------------------------------------------------------------------------------------------


def _rates(page: Page, found: Plan) -> None:
    """What each drive should reach; drives with the same figures together."""
    if not found.drives:
        return
    page.heading("What each drive should reach")
    groups: dict[tuple[object, ...], list[DrivePlanned]] = {}
    for drive in found.drives:
        hops = drive.narrowest, drive.narrowest_write
        figures = (drive.alone, drive.together, drive.alone_write, drive.together_write, hops, drive.held_back)
        groups.setdefault(figures, []).append(drive)
    for alike in groups.values():
        first = alike[0]
        each = ", each" if len(alike) > 1 else ""
        page.add(f"{', '.join(plain(planned.name) for planned in alike)}{each}", indent=2, hang=4, style=HEADING)
        page.add(f"reads {_both(first.alone, first.together)}", indent=4, hang=6)
        page.add(f"writes {_both(first.alone_write, first.together_write)}", indent=4, hang=6)
        held = "held back by" if first.held_back else "narrowest hop"
        page.add(f"{held}: {_hops(first)}", indent=4, hang=6, style=FAIR if first.held_back else QUIET)


def _hops(candidate: DrivePlanned | StripePlanned) -> str:
    """What decides reading, and writing where that is something else."""
    read, write = plain(candidate.narrowest, SENTENCE), plain(candidate.narrowest_write, SENTENCE)
    return read if read == write else f"{read} (reading), {write} (writing)"


def _both(alone: tuple[float, float], together: tuple[float, float]) -> str:
    if mbps_range(alone) == mbps_range(together):
        return f"{mbps_range(alone)} alone, and all drives at once"
    return f"{mbps_range(alone)} alone; all drives at once {mbps_range(together)}"


def _stripes(page: Page, stripes: Sequence[StripePlanned]) -> None:
    if not stripes:
        return
    page.heading("Stripes")
    for stripe in stripes:
        line = Text().append(plain(stripe.name), HEADING)
        members = ", ".join(plain(name) for name in stripe.drives)
        page.add(line.append(f" (RAID {stripe.raid} of {members})", ""), indent=2, hang=4)
        page.add(
            f"reads {mbps_range(stripe.read)}; with all drives at work {mbps_range(stripe.read_together)}",
            indent=4,
            hang=6,
        )
        page.add(f"writes {mbps_range(stripe.write)}", indent=4, hang=6)
        page.add(f"narrowest hop: {_hops(stripe)}", indent=4, hang=6, style=QUIET)
        for caution in stripe.cautions:
            page.add(f"! {plain(caution, SENTENCE)}", indent=4, hang=6)


# --- Alternatives and steps ------------------------------------------------------------------------------------


def _alternatives(page: Page, found: Plan) -> None:
    if found.alternatives:
        page.heading("Next best, and what it would cost")
    for number, alternative in enumerate(found.alternatives, 1):
        page.add(
            f"{number}. {plain(alternative.what, SENTENCE)}: {plain(alternative.costs, SENTENCE)}", indent=2, hang=5
        )
        page.add(_figures(alternative), indent=5, style=QUIET)


def _figures(alternative: Alternative) -> str:
    figures: Figures = alternative.figures
    return (
        f"all at once {mbps(figures.total_mbps)}, worst-off {mbps(figures.worst_mbps)}, "
        f"{quantity(figures.moves, 'move')}, {quantity(figures.slots_used, 'slot')} in use"
    )


def _steps(page: Page, found: Plan) -> None:
    if found.steps:
        page.heading("What to do, in this order")
        gains = {step.gain_mbps for step in found.steps if step.gain_mbps is not None}
        add_steps(page, found.steps, each_gain=bool(gains), indent=2)


# --- Candidates side by side -----------------------------------------------------------------------------------


def _kind(number: int, candidate: Candidate, tried: Sequence[Candidate]) -> str:
    """The kind of a candidate; a kind that was given twice is numbered."""
    alike = [place for place, other in enumerate(tried) if other.kind == candidate.kind]
    return plain(candidate.kind) if len(alike) == 1 else f"{plain(candidate.kind)} ({alike.index(number) + 1})"


def _choice(tried: Sequence[Candidate]) -> Text:
    """Which candidate gives most: needs and places first, then all drives at work, then fewer slots."""

    def worth(candidate: Candidate) -> tuple[int, int, float, int]:
        unmet = sum(need.answer == "not met" for need in candidate.plan.needs)
        return (
            -len(candidate.plan.unplaced),
            -unmet,
            candidate.together[1] if candidate.together else 0.0,
            -candidate.slots_used,
        )

    if all(planned.together is None for planned in tried):
        return Text("No drive would be on any of the candidates in this machine.", BAD)
    if len(tried) == 1:
        return Text(f"What {plain(tried[0].kind)} would give in this machine.")
    best = max(tried, key=worth)
    alike = [planned for planned in tried if worth(planned)[:3] == worth(best)[:3]]
    if len(alike) == len(tried):
        return Text("The candidates give the same with all drives at work; slots, power and price decide.", GOOD)
    if len(alike) > 1:
        names = " and ".join(plain(planned.kind) for planned in alike)
        words = " give most, and the same with all drives at work; slots, power and price decide between them."
        return Text(f"Of {len(tried)} candidates ").append(names, GOOD).append(words)
    rate = f": its drives read up to {mbps(best.together[1])} with all drives at work" if best.together else ""
    short = _shortfall(best.plan)
    but = f", but {short}" if short else ""
    return Text(f"Of {len(tried)} candidates ").append(plain(best.kind), GOOD).append(f" gives most{rate}{but}.")


def _left_undone(page: Page, name: str, found: Plan) -> None:
    """Needs, parts and carriers that a candidate leaves, and a search that was not finished."""
    unmet = [need for need in found.needs if need.answer == "not met"]
    if not unmet and not found.unplaced and not found.spares and found.proved:
        return
    page.heading(f"With {name}")
    rows = [("no place", plain(unplaced.name), plain(unplaced.why, SENTENCE)) for unplaced in found.unplaced]
    rows += [("not met", plain(need.name), plain(need.why, SENTENCE)) for need in unmet]
    styles = [BAD] * len(rows) + [QUIET] * len(found.spares)
    rows += [("spare", plain(spare.name), plain(spare.why, SENTENCE)) for spare in found.spares]
    if rows:
        _rows(page, rows, styles)
    if not found.proved:
        page.add(f"not proved best: {plain(found.gap, SENTENCE)}", indent=2, hang=4, style=FAIR)


def _cells(candidate: Candidate) -> list[str]:
    return [show_cell(candidate) for _, show_cell in _LABELS]


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
    return "not known" if candidate.watts is None else f"{_at_most(candidate.watts)} W"


_LABELS: Final = (
    ("goes into", _goes),
    ("one alone, MB/s", lambda candidate: _span(candidate.alone)),
    ("all at work, MB/s", lambda candidate: _span(candidate.together)),
    ("as a stripe, MB/s", _stripe),
    ("slots taken", lambda candidate: str(candidate.slots_used)),
    ("power at most", _power),
    ("held back by", lambda candidate: plain(candidate.limit, SENTENCE)),
    ("would lie idle", lambda candidate: "; ".join(plain(words, SENTENCE) for words in candidate.wasted) or "nothing"),
)


# --- Words -----------------------------------------------------------------------------------------------------


def _is(number: int) -> str:
    return "is" if number == 1 else "are"


def _has(number: int) -> str:
    return "has" if number == 1 else "have"
