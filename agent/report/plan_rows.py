"""What all forms of a plan show: the answer, then sections of rows, in words. A form decides looks only.

Decides nothing itself: it puts into words what the planner decided. All names pass `plain`.
"""

from __future__ import annotations

from itertools import groupby
from math import ceil
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text
from agent.model.findings import Rate
from agent.model.grouping import grouped
from agent.planner.phrases import NAMED, firmly_gained, needs_named
from agent.sheets.paths import links
from agent.sheets.paths import today as fitted
from knowledge.phrasing import begun, listed, mbps, plain, quantity, span

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.model.findings import Step
    from agent.planner.result import (
        CardPlanned,
        CarrierFound,
        DrivePlanned,
        Figures,
        LanesTaken,
        NeedSeen,
        Plan,
        PlanChange,
        StripePlanned,
        Unplaced,
    )
    from agent.sheets.paths import Link
    from agent.sheets.sheet import DrivePlace, Sheet

ANSWERS: Final = {"not met": "fault", "at best": "limit", "met": "ok"}  # worst first, with the look of each
# Headings of what is no section of rows.
STEPS: Final = "What to do, in this order"
ORDER: Final = "What to buy"
SLOTS: Final = "The slots, before and after"
UNKNOWN: Final = "What is not known, and what was taken in its place"
SENTENCE: Final = 2000  # characters; a reason may name many parts, each of up to 100
ROUNDING: Final = 1e-6  # what a float may be off by
TODAY: Final = "read at once today"
READ: Final = ("read alone", "read, all drives at once")
WRITTEN: Final = ("written alone", "written, all drives at once")
SET: Final = ("read", "read, all drives at work", "written")
PLACE_HEADS: Final = ("part", "", "where", "link")
RATE_HEADS: Final = ("MB/s", "reads alone", "all at once", "writes", "limited by")
SAME_HEADS: Final = ("MB/s", "reads", "", "writes", "limited by")  # all at once as alone
FITTING: Final = frozenset({"fit-drive", "fit-card"})
MOST_NAMED: Final = 8  # parts that are named in one step or row

# Words in parts, each with its look: that of a severity, "quiet", or "" for none.
Pieces = tuple[tuple[str, str], ...]


class PlanLine(Struct, frozen=True):
    """A line below a row."""

    text: str
    look: str = ""


class PlanRow(Struct, frozen=True, kw_only=True):
    """A part, a need, a set or another arrangement: a `word` in a `look`, a name, and what there is to say of it.

    `figures` are ranges of MB/s with their labels, `more` lines below, `cautions` what to know before it is relied on.
    """

    name: str
    word: str = ""
    look: str = ""
    words: str = ""
    figures: tuple[tuple[str, tuple[float, float]], ...] = ()
    more: tuple[PlanLine, ...] = ()
    cautions: tuple[str, ...] = ()


class PlanSection(Struct, frozen=True):
    """Rows under their heading; `key` names the section for forms that have anchors."""

    key: str
    title: str
    rows: tuple[PlanRow, ...]


def sections(found: Plan) -> Iterator[PlanSection]:
    """All but the answer and the steps, as far as there is any."""
    yield from first_sections(found)
    yield from other_sections(found)


def other_sections(found: Plan) -> Iterator[PlanSection]:
    """Where each part goes and what it should reach, and what else there is to choose."""
    yield from _made(
        ("places", "Where each part goes", _places(found)),
        ("lanes", "Lanes that slots take from each other", map(_taken, found.lanes_taken)),
        ("rates", "What each drive should reach", _rates(found.drives)),
        ("stripes", "Stripes", map(_stripe, found.stripes)),
        ("alternatives", "Next best, and what it would cost", _alternatives(found)),
    )


def first_sections(found: Plan) -> Iterator[PlanSection]:
    """The needs, and the parts without a place or of no use: on pages these stand before what to buy."""
    yield from _made(
        ("needs", "Needs", _needs(found.needs)),
        ("unplaced", "Parts without a place", _left(found.unplaced, "no place", "fault")),
        ("carriers", "Carriers that would take them, best first (see the plan with --add)", _carriers(found.carriers)),
        ("spares", "Parts left out", _left(found.spares, "spare", "quiet")),
    )


def _made(*sections: tuple[str, str, Iterable[PlanRow]]) -> Iterator[PlanSection]:
    for key, title, rows in sections:
        made = tuple(rows)
        if made:
            yield PlanSection(key, title, made)


# --- Head and answer -------------------------------------------------------------------------------------------


def machine(sheet: Sheet) -> tuple[str, str]:
    """The machine's name, and what stands beside it ("" for nothing)."""
    spec = sheet.machine
    named = [plain(part) for part in (spec.name, spec.product or spec.board) if part]
    return (named[0] if named else "a machine without a name"), (named[1] if len(named) > 1 else "")


def answer(found: Plan) -> Iterator[Pieces]:
    """What stands in the way, what to do and what it brings, what is lost, what today breaks, what is proved."""
    short = shortfall(found)
    if short:
        yield ((f"{begun(short)}.", "fault"),)
    if found.moves_spared:
        yield ((_not_worth(found), "limit"),)
    gains = [*_new(found), *_reached(found)]
    yield ((begun(_to_do(found)), "ok" if found.proved else "limit"), (f": {'; '.join(gains)}.", ""))
    lost = "; ".join(_lost(found))
    if lost:
        yield (("Lost: ", "limit"), (f"{lost}.", ""))
    for limit in found.broken:
        mended = "; the plan puts that right" if limit.mended else ""
        yield (("Today ", "limit"), (f"{plain(limit.why, SENTENCE)}{mended}.", ""))
    settled = " ".join(_settled(found))
    if settled:
        yield ((settled, ""),)
    if found.left_out:
        yield ((f"{found.left_out} More --seconds may give it.", "limit"),)


def _settled(found: Plan) -> Iterator[str]:
    """Whether all needs are met, and whether the search knows that nothing is better."""
    if found.needs and all(need.answer == "met" for need in found.needs):
        yield "All needs are met." if len(found.needs) > 1 else "The need is met."
    if not found.proved:
        yield f"Not proved best within the time given: {plain(found.gap, SENTENCE)}. More --seconds may settle it."
    elif (found.drives or found.sheet.drives) and (found.alternatives or not found.moves_spared):
        than = " than the first under Next best" if found.moves_spared else ""
        yield f"Proved: no other arrangement of these parts is better{than}."


def _not_worth(found: Plan) -> str:
    """What to do where moving gains less than can be measured: new parts open the machine all the same."""
    seen = " (see Next best)" if found.alternatives else ""
    if None in {*(card.was for card in found.cards), *(drive.was for drive in found.drives)}:
        gain = "what moving the others would gain is too little to measure"
        return f"Fit the new parts only, and leave the rest where it is: {gain}{seen}."
    gain = "what moving would gain is too little to measure, not worth opening the machine"
    return f"Leave everything where it is: {gain}{seen}."


def shortfall(found: Plan) -> str:
    """What the plan does not give: needs not met, parts without a place, by name."""
    unmet = [plain(need.name) for need in found.needs if need.answer == "not met"]
    missing = [plain(part.name) for part in found.unplaced]
    more = f"; and {len(unmet) - NAMED} more" if len(unmet) > NAMED else ""
    needs = f"not met: {'; '.join(unmet[:NAMED])}{more}" if unmet else ""
    parts = f"{listed(missing, most=NAMED)} {_has(len(missing))} no place" if missing else ""
    return "; ".join(words for words in (needs, parts) if words)


def _to_do(found: Plan) -> str:
    """How many parts are fitted, moved and taken out; of a plan that is not proved, that it is the best so far."""
    if not found.figures.moves:
        return "nothing to move" if found.proved else "nothing better found so far than today"
    words = [row.word for row in _places(found)]
    here = fitted(found.sheet)
    carried = sum(
        _carried(one, found.placement.drives.get(one.name), here.drives.get(one.name)) for one in found.drives
    )
    out = sum(name not in found.placement.cards for name in here.cards)
    out += sum(name not in found.placement.drives for name in here.drives)
    counts = (("fit", words.count("new")), ("move", words.count("moves") - carried), ("take out", out))
    told = [f"{verb} {count:,}" for verb, count in counts if count] or [f"move {found.figures.moves:,}"]
    first, _, number = told[0].rpartition(" ")
    parts = listed([f"{first} {quantity(int(number.replace(',', '')), 'part')}", *told[1:]])
    return parts if found.proved else f"best found so far: {parts}"


def _new(found: Plan) -> Iterator[str]:
    """The limits that are put right, the needs that come to be met and the fitted parts that come to work."""
    # What no lanes reach today is told among the parts that come to work.
    mended = sum(limit.mended and limit.limit in {"power", "fit"} for limit in found.broken)
    if mended:
        yield f"{quantity(mended, 'limit')} broken today {_is(mended)} put right"
    change = found.change
    if change is None:
        return
    for names, words in ((firmly_gained(change), "met"), (change.needs_at_best, "met at best")):
        if names:
            yield f"{_named(names)} {_is(len(names))} {words}, unlike today"
    if change.needs_firmer:
        yield f"{_named(change.needs_firmer)} {_is(len(change.needs_firmer))} met firmly, today at best only"
    here = fitted(found.sheet)
    dark = [name for name in change.parts_gained if name in here.drives]
    if dark:
        yield f"{_parts(dark)} {'works' if len(dark) == 1 else 'work'}, unlike today"


def _reached(found: Plan) -> Iterator[str]:
    """What all drives together reach, and the slowest of them, against today; words where there are none."""
    after, before = found.figures, found.today
    if not found.drives:
        if found.sheet.drives:
            yield "no drive has a place"
        elif found.change is None or not any(_new(found)):
            yield f"{quantity(after.placed, 'part')} in place, no drives on this sheet"
        return
    today = before if before is not None and before.total_mbps else None
    who = "all drives together read" if len(found.drives) > 1 else f"{plain(found.drives[0].name)} reads"
    yield f"{who} up to {_against(after.total_mbps, today.total_mbps if today is not None else None)}"
    if len(found.drives) == 1:
        return
    # A drive that comes in may be the slowest of all, which takes nothing from those that were there.
    newly = found.change is not None and not found.change.slower
    alike = today is not None and not (newly and after.worst_mbps < today.worst_mbps)
    yield f"the slowest up to {_against(after.worst_mbps, today.worst_mbps if today is not None and alike else None)}"


def _lost(found: Plan) -> Iterator[str]:
    """The needs, parts and rates that today has and the plan has not."""
    change = found.change
    if change is None:
        return
    for names, words in ((change.needs_lost, "no longer met"), (change.needs_weaker, "met at best only")):
        if names:
            yield f"{_named(names)} {_is(len(names))} {words}"
    if change.parts_lost:
        names = change.parts_lost
        yield f"{_parts(names)} no longer {_has(len(names))} a place"
    yield from _slower(change, "today")


def _slower(change: PlanChange, before: str) -> Iterator[str]:
    """The drives that read less than `before`."""
    for slower in change.slower[:NAMED]:
        yield f"{plain(slower.name)} reads up to {mbps(slower.after_mbps)}, {before} {slower.before_mbps:,.0f}"
    if len(change.slower) > NAMED:
        yield f"{quantity(len(change.slower) - NAMED, 'more drive')} {_reads(len(change.slower) - NAMED)} less"


def _parts(names: Sequence[str]) -> str:
    return listed(map(plain, names), most=NAMED)


def _named(needs: Sequence[str]) -> str:
    return plain(needs_named([plain(need) for need in needs]), SENTENCE)


def _against(rate: float, today: float | None) -> str:
    """A rate, and how much more or less than today it is, by the figures as they are shown."""
    if today is None:
        return mbps(rate)
    more = float(f"{rate:.0f}") - float(f"{today:.0f}")
    if not more:
        return f"{mbps(rate)}, as today"
    return f"{mbps(rate)}, {abs(more):,.0f} {'more' if more > 0 else 'less'} than today"


# --- Needs and places ------------------------------------------------------------------------------------------


def _needs(needs: Sequence[NeedSeen]) -> Iterator[PlanRow]:
    for need in sorted(needs, key=lambda need: list(ANSWERS).index(need.answer)):
        yield PlanRow(
            word=need.answer,
            look=ANSWERS[need.answer],
            name=plain(need.name),
            words=plain(need.why, SENTENCE),
            cautions=need.cautions,
        )


def _left(parts: Iterable[Unplaced], word: str, look: str) -> Iterator[PlanRow]:
    """Parts that have no place in the plan, with the reason; those of one reason together."""
    for why, alike in grouped((part.why, part.name) for part in parts).items():
        yield PlanRow(word=word, look=look, name=listed(map(plain, alike)), words=plain(why, SENTENCE))


def _carriers(found: Iterable[CarrierFound]) -> Iterator[PlanRow]:
    """Kinds of carriers for drives without a place: where they go, what comes out; those that do the same as one."""
    for words, kinds in grouped((_carrier(one), one.kind) for one in found).items():
        yield PlanRow(word="add", look="note", name=listed(map(plain, kinds), "or"), words=words)


def _carrier(found: CarrierFound) -> str:
    """What a carrier takes, the needs that are met with it and those that are not, and what reads less."""
    instead = f", in place of {_parts(found.out)}," if found.out else ""
    words = [f"in {plain(found.slot)}{instead} it takes {_parts(found.drives)}"]
    needs = (
        (firmly_gained(found.change), "met"),
        (found.change.needs_at_best, "met at best"),
        (found.unmet, "still not met"),
    )
    words += [f"{_named(names)} {_is(len(names))} {state}" for names, state in needs if names]
    words += _slower(found.change, "without it")
    return "; ".join(words)


def _places(found: Plan) -> Iterator[PlanRow]:
    for card in found.cards:
        yield _placed(_word(card.was, card.slot), card.name, _card(card))
    today = fitted(found.sheet).drives
    for drive in found.drives:
        where = _where(drive, found.placement.drives.get(drive.name), today.get(drive.name))
        yield _placed(_word(drive.was, drive.place), drive.name, _why(where, drive.why))


def brief_places(found: Plan) -> list[list[str]]:
    """Each part in a row: what becomes of it, where it goes and from where, and the link that it has there."""
    rows = [
        _brief(card.name, _word(card.was, card.slot), _from(card.was, card.slot), card.link) for card in found.cards
    ]
    has, today = links(found.sheet, found.placement), fitted(found.sheet).drives
    for drive in found.drives:
        there = _where(drive, found.placement.drives.get(drive.name), today.get(drive.name))
        rows.append(_brief(drive.name, _word(drive.was, drive.place), there, has.get(f"bay of {drive.name}")))
    return rows


def _brief(name: str, word: str, there: str, link: Link | None) -> list[str]:
    """A part in the cells of a row."""
    return [plain(name), word, there, "" if link is None else rate_text(Rate(*link))]


def _taken(one: LanesTaken) -> PlanRow:
    """A slot whose lanes others take: what is left, why, and what that costs."""
    left = f"{one.lanes} of {quantity(one.wired, 'lane')}" if one.lanes else f"none of {quantity(one.wired, 'lane')}"
    are = "is" if len(one.by) == 1 else "are"
    words = f"{left} left, as {listed(one.by)} {are} filled; {one.costs}"
    return PlanRow(name=plain(one.slot), word="taken", look="quiet", words=plain(words, SENTENCE))


def _placed(word: str, name: str, words: str) -> PlanRow:
    return PlanRow(word=word, look="" if word == "stays" else "note", name=plain(name), words=words)


def _word(was: str | None, now: str) -> str:
    if was is None:
        return "new"
    return "stays" if was == now else "moves"


def _card(card: CardPlanned) -> str:
    words = [f"{_from(card.was, card.slot)}, {rate_text(Rate(*card.link))}"]
    if card.bays_free:
        words.append(f"{quantity(card.bays_free, 'bay')} free")
    if card.watts is not None:
        allowed = f"; {card.watts_limit:,g} W are allowed" if card.watts_limit is not None else ""
        words.append(f"takes at most {at_most(card.watts)} W{allowed}")
    return _why(", ".join(words), card.why)


def at_most(watts: float) -> str:
    """Power that is at most taken, rounded up to a tenth of a watt."""
    return f"{ceil(watts * 10 - ROUNDING) / 10:,g}"


def _where(drive: DrivePlanned, place: DrivePlace | None, today: DrivePlace | None) -> str:
    """Where a drive goes and from where; of one that stays in its bay while its card moves, with which card."""
    if place is not None and _carried(drive, place, today):
        return f"{plain(drive.place)} (moves with {plain(place.holder)})"
    return _from(drive.was, drive.place)


def _carried(drive: DrivePlanned, place: DrivePlace | None, today: DrivePlace | None) -> bool:
    """Whether a drive stays in its bay while its card moves: nobody has to move it."""
    return place is not None and place.bay is not None and today == place and drive.was not in {None, drive.place}


def _from(was: str | None, now: str) -> str:
    return plain(now) if was in {None, now} else f"{plain(now)} (from {plain(was or '')})"


def _why(where: str, why: str) -> str:
    return f"{where}; {plain(why, SENTENCE)}" if why else where


# --- Steps -----------------------------------------------------------------------------------------------------


def brief_steps(steps: Sequence[Step], start: int = 1) -> Iterator[tuple[str, str]]:
    """The steps in brief, numbered from `start`; neighbours that fit parts are one, without where each goes."""
    for _, run in groupby(
        enumerate(steps, start), key=lambda one: one[1].action if one[1].action in FITTING else one[0]
    ):
        together = list(run)
        (first, step), (last, _) = together[0], together[-1]
        brings = f"; should bring up to {mbps(step.gain_mbps)} more" if step.gain_mbps else ""
        if len(together) > 1:
            verb, _, name = step.brief.partition(" ")
            names = [name, *(other.brief.partition(" ")[2] for _, other in together[1:])]
            yield (
                f"{first} {'and' if last == first + 1 else 'to'} {last}",
                f"{verb} {listed(map(plain, names), most=MOST_NAMED)}.",
            )
        elif step.brief and step.action not in FITTING:
            yield f"{first}", f"{plain(step.brief, SENTENCE)}{brings}."
        else:
            yield (
                f"{first}",
                plain(step.text, SENTENCE)
                if not brings
                else f"{plain(step.text.removesuffix('.'), SENTENCE)}{brings}.",
            )


# --- Rates -----------------------------------------------------------------------------------------------------


def _rates(drives: Sequence[DrivePlanned]) -> Iterator[PlanRow]:
    """What each drive should reach; drives with the same figures together."""
    for names, alike in _alike(drives):
        first = alike[0]
        held = "held back by" if first.held_back else "limited by"
        each = "each is " if len(alike) > 1 else ""
        read, write = (first.alone, first.together), (first.alone_write, first.together_write)
        today = () if first.together_today is None else ((TODAY, first.together_today),)
        yield PlanRow(
            name=listed(map(plain, names)),
            figures=(*today, *zip((*READ, *WRITTEN), (*read, *write), strict=True)),
            more=(PlanLine(f"{each}{held} {_hops(first)}", "limit" if first.held_back else "quiet"),),
        )


def brief_rates(found: Plan) -> tuple[tuple[str, ...], list[list[str]]]:
    """Heads and rows: what drives that are alike, and sets, are read with alone and all at once, written, and by what.

    Where all at once are read as they are alone, it is told once.
    """
    rows = [
        (listed(map(plain, names), most=MOST_NAMED), (one.alone, one.together, one.together_write), one.narrowest)
        for names, (one, *_) in _alike(found.drives)
    ]
    rows += [
        (f"{plain(one.name)} (RAID {one.raid})", (one.read, one.read_together, one.write), one.narrowest)
        for one in found.stripes
    ]
    cells = [[name, *map(span, rates), plain(hop, SENTENCE)] for name, rates, hop in rows]
    if any(row[1] != row[2] for row in cells):
        return RATE_HEADS, cells
    return SAME_HEADS, [[name, read, "", *rest] for name, read, _, *rest in cells]


def _alike(drives: Sequence[DrivePlanned]) -> Iterator[tuple[list[str], list[DrivePlanned]]]:
    """Drives with the same figures and limits, and their names."""
    groups: dict[tuple[object, ...], list[DrivePlanned]] = {}
    for drive in drives:
        hops = drive.narrowest, drive.narrowest_write
        figures = (drive.alone, drive.together, drive.alone_write, drive.together_write, hops, drive.held_back)
        groups.setdefault((*figures, drive.together_today), []).append(drive)
    for alike in groups.values():
        yield [drive.name for drive in alike], alike


def _hops(candidate: DrivePlanned | StripePlanned) -> str:
    """What decides reading, and writing where that is something else."""
    read, write = plain(candidate.narrowest, SENTENCE), plain(candidate.narrowest_write, SENTENCE)
    return read if read == write else f"{read} (reading), {write} (writing)"


def _stripe(stripe: StripePlanned) -> PlanRow:
    rates = stripe.read, stripe.read_together, stripe.write
    return PlanRow(
        name=plain(stripe.name),
        words=f"RAID {stripe.raid} of {', '.join(plain(name) for name in stripe.drives)}",
        figures=tuple(zip(SET, rates, strict=True)),
        more=(PlanLine(f"limited by {_hops(stripe)}", "quiet"),),
        cautions=tuple(plain(caution, SENTENCE) for caution in stripe.cautions),
    )


# --- Alternatives ----------------------------------------------------------------------------------------------


def _alternatives(found: Plan) -> Iterator[PlanRow]:
    for alternative in found.alternatives:
        yield PlanRow(
            name=plain(alternative.what, SENTENCE),
            words=plain(alternative.costs, SENTENCE),
            more=(PlanLine(_figures(alternative.figures), "quiet"),),
        )


def _figures(figures: Figures) -> str:
    return (
        f"all drives together {mbps(figures.total_mbps)}, the slowest {mbps(figures.worst_mbps)}, "
        f"{quantity(figures.moves, 'move')}, {quantity(figures.slots_used, 'slot')} in use"
    )


# --- Words -----------------------------------------------------------------------------------------------------


def _is(number: int) -> str:
    return "is" if number == 1 else "are"


def _has(number: int) -> str:
    return "has" if number == 1 else "have"


def _reads(number: int) -> str:
    return "reads" if number == 1 else "read"
