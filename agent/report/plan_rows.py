"""What all forms of a plan show: the answer, then sections of rows, in words. A form decides looks only.

Decides nothing itself: it puts into words what the planner decided. All names pass `plain`.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text
from agent.model.findings import Rate
from agent.planner.phrases import NAMED, needs_named
from agent.sheets.paths import today as fitted
from knowledge.phrasing import begun, listed, mbps, mbps_range, plain, quantity, span

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.planner.result import (
        CardPlanned,
        DrivePlanned,
        Figures,
        LanesTaken,
        NeedSeen,
        Plan,
        StripePlanned,
        Unplaced,
    )
    from agent.sheets.sheet import DrivePlace, Sheet

ANSWERS: Final = {"not met": "fault", "at best": "limit", "met": "ok"}  # worst first, with the look of each
# Headings of what is no section of rows.
STEPS: Final = "What to do, in this order"
ORDER: Final = "What to buy"
SLOTS: Final = "The slots, before and after"
UNKNOWN: Final = "What is not known, and what was taken in its place"
SENTENCE: Final = 400  # characters
ROUNDING: Final = 1e-6  # what a float may be off by
TODAY: Final = "read at once today"
READ: Final = ("read alone", "read, all drives at once")
WRITTEN: Final = ("written alone", "written, all drives at once")
SET: Final = ("read", "read, all drives at work", "written")

# Words in parts, each with its look: that of a severity, "quiet", or "" for none.
Pieces = tuple[tuple[str, str], ...]


class PlanLine(Struct, frozen=True):
    """A line below a row."""

    text: str
    look: str = ""


class PlanRow(Struct, frozen=True, kw_only=True):
    """A part, a need, a set or another arrangement: a `word` in a `look`, a name, and what there is to say of it.

    `figures` are ranges of MB/s with their labels; a form without room for tables shows the lines `told` in their
    place. `more` are lines for all forms, `cautions` what to know before it is relied on.
    """

    name: str
    word: str = ""
    look: str = ""
    words: str = ""
    figures: tuple[tuple[str, tuple[float, float]], ...] = ()
    told: tuple[str, ...] = ()
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
    """What stands in the way, what is gained and whether it is the best there is, what is lost, what today breaks."""
    short = shortfall(found)
    if short:
        yield ((f"{begun(short)}.", "fault"),)
    yield ((_standing(found), "ok" if found.proved else "limit"), (_gained(found), ""))
    lost = "; ".join(_lost(found))
    if lost:
        yield (("What is lost: ", "limit"), (f"{lost}.", ""))
    for limit in found.broken:
        mended = "; the plan mends that" if limit.mended else ""
        yield (("As it is today, ", "limit"), (f"{plain(limit.why, SENTENCE)}{mended}.", ""))
    if found.figures.moves and not found.worth_moving:
        yield ((_not_worth(found), "limit"),)
    if not found.proved:
        gap = plain(found.gap, SENTENCE)
        yield ((f"Not proved best within the time given: {gap}. More --seconds may settle it.", ""),)
    if found.left_out:
        yield ((f"{found.left_out} More --seconds may give it.", "limit"),)


def _not_worth(found: Plan) -> str:
    """What to do where moving gains less than can be measured: new parts open the machine all the same."""
    if None in {*(card.was for card in found.cards), *(drive.was for drive in found.drives)}:
        gain = "Moving what is fitted already gains less than can be measured"
        return f"{gain}: leave it where it is and fit the new parts only (below: Fewest moves)."
    return "The gain is less than can be measured: it is not worth opening the machine for. Leave all where it is."


def shortfall(found: Plan) -> str:
    """What the plan does not give: needs not met, parts without a place."""
    unmet = sum(need.answer == "not met" for need in found.needs)
    missing = len(found.unplaced)
    needs = f"{unmet} of {len(found.needs)} needs {_is(unmet)} not met" if unmet else ""
    if len(found.needs) == unmet == 1:
        needs = "the need is not met"
    parts = f"{quantity(missing, 'part')} {_has(missing)} no place" if missing else ""
    return "; ".join(words for words in (needs, parts) if words)


def _standing(found: Plan) -> str:
    """What sort of answer it is; without drives on the sheet there is little to prove, and nothing is called so."""
    proved = ", proved" if found.drives or found.sheet.drives else ""
    if not found.figures.moves and found.proved:
        return "Nothing to move, proved best" if proved else "Nothing to move"
    if not found.figures.moves:
        return "Nothing better found"
    best = "Best that can be had" if shortfall(found) else "Best place for each part"
    return f"{best}{proved}" if found.proved else "Best found so far"


def _gained(found: Plan) -> str:
    """What is gained against today: needs, parts in place, rates; then for how many moves."""
    moves = f", for {quantity(found.figures.moves, 'move')}" if found.figures.moves else ""
    return f": {'; '.join([*_new(found), *_reached(found)])}{moves}."


def _new(found: Plan) -> Iterator[str]:
    """The limits that are kept, the needs that are met and the parts that have a place, and were not or had none."""
    # What no lanes reach today is told among the parts that come to work.
    mended = sum(limit.mended and limit.limit in {"power", "fit"} for limit in found.broken)
    if mended:
        yield f"it keeps {quantity(mended, 'limit')} that today's places break"
    change = found.change
    if change is None:
        return
    if change.needs_gained:
        yield f"it meets {_named(change.needs_gained)}, not met today"
    if change.needs_firmer:
        yield f"it meets {_named(change.needs_firmer)} firmly, today at best only"
    here = fitted(found.sheet)
    dark = [name for name in change.parts_gained if name in here.drives]
    new = [name for name in change.parts_gained if name not in dark]
    if dark:
        yield f"it brings {_parts(dark)} to work"
    if new:
        yield f"it finds {'a place' if len(new) == 1 else 'places'} for {_parts(new)}"


def _reached(found: Plan) -> Iterator[str]:
    """What all drives at once reach in place of what they reach today; words where there are none."""
    after, before = found.figures, found.today
    if not found.drives:
        if found.sheet.drives:
            yield "no drive has a place"
        elif found.change is None or not any(_new(found)):
            yield f"{quantity(after.placed, 'part')} in place, no drives on this sheet"
        return
    today = before if before is not None and before.total_mbps else None
    # A drive that comes in may be the slowest of all, which takes nothing from those that were there.
    newly = found.change is not None and not found.change.slower
    alike = today is not None and not (newly and after.worst_mbps < today.worst_mbps)
    total = _against(after.total_mbps, today.total_mbps if today is not None else None)
    worst = _against(after.worst_mbps, today.worst_mbps if today is not None and alike else None)
    yield f"all drives read at once reach up to {total}, the worst-off of them up to {worst}"


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
        yield f"{_parts(names)} {_has(len(names))} no place any more"
    for slower in change.slower[:NAMED]:
        yield f"{plain(slower.name)} reads up to {mbps(slower.after_mbps)} in place of {slower.before_mbps:,.0f}"
    if len(change.slower) > NAMED:
        yield f"{quantity(len(change.slower) - NAMED, 'more drive')} read less"


def _parts(names: Sequence[str]) -> str:
    return listed(map(plain, names), most=NAMED)


def _named(needs: Sequence[str]) -> str:
    return plain(needs_named([plain(need) for need in needs]), SENTENCE)


def _against(rate: float, today: float | None) -> str:
    """A rate, and what it is today."""
    if today is None:
        return mbps(rate)
    return f"{mbps(rate)} as today" if mbps(rate) == mbps(today) else f"{mbps(rate)} in place of {today:,.0f}"


# --- Needs and places ------------------------------------------------------------------------------------------


def _needs(needs: Sequence[NeedSeen]) -> Iterator[PlanRow]:
    for need in sorted(needs, key=lambda need: list(ANSWERS).index(need.answer)):
        yield PlanRow(
            word=need.answer, look=ANSWERS[need.answer], name=plain(need.name), words=plain(need.why, SENTENCE)
        )


def _left(parts: Iterable[Unplaced], word: str, look: str) -> Iterator[PlanRow]:
    """Parts that have no place in the plan, with the reason."""
    for part in parts:
        yield PlanRow(word=word, look=look, name=plain(part.name), words=plain(part.why, SENTENCE))


def _places(found: Plan) -> Iterator[PlanRow]:
    for card in found.cards:
        yield _placed(_word(card.was, card.slot), card.name, _card(card))
    today = fitted(found.sheet).drives
    for drive in found.drives:
        yield _placed(*_drive(drive, found.placement.drives.get(drive.name), today.get(drive.name)))


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
    if card.watts is not None:
        allowed = f" of {card.watts_limit:,g} W allowed" if card.watts_limit is not None else " W"
        words.append(f"at most {at_most(card.watts)}{allowed}")
    if card.bays_free:
        words.append(f"{quantity(card.bays_free, 'bay')} free")
    return _why(", ".join(words), card.why)


def at_most(watts: float) -> str:
    """Power that is at most taken, rounded up to a tenth of a watt."""
    return f"{ceil(watts * 10 - ROUNDING) / 10:,g}"


def _drive(drive: DrivePlanned, place: DrivePlace | None, today: DrivePlace | None) -> tuple[str, str, str]:
    """Word, name and words of a drive; one that stays in its bay while its card moves stays."""
    in_its_bay = place is not None and place.bay is not None and today == place
    if in_its_bay and drive.was not in {None, drive.place}:
        return "stays", drive.name, _why(f"{plain(drive.place)}, moves with its card", drive.why)
    return _word(drive.was, drive.place), drive.name, _why(_from(drive.was, drive.place), drive.why)


def _from(was: str | None, now: str) -> str:
    return plain(now) if was in {None, now} else f"{plain(now)} (from {plain(was or '')})"


def _why(where: str, why: str) -> str:
    return f"{where}; {plain(why, SENTENCE)}" if why else where


# --- Rates -----------------------------------------------------------------------------------------------------


def _rates(drives: Sequence[DrivePlanned]) -> Iterator[PlanRow]:
    """What each drive should reach; drives with the same figures together."""
    groups: dict[tuple[object, ...], list[DrivePlanned]] = {}
    for drive in drives:
        hops = drive.narrowest, drive.narrowest_write
        figures = (drive.alone, drive.together, drive.alone_write, drive.together_write, hops, drive.held_back)
        groups.setdefault((*figures, drive.together_today), []).append(drive)
    for alike in groups.values():
        first = alike[0]
        each = ", each" if len(alike) > 1 else ""
        held = "held back by" if first.held_back else "narrowest hop"
        read, write = (first.alone, first.together), (first.alone_write, first.together_write)
        today = () if first.together_today is None else ((TODAY, first.together_today),)
        yield PlanRow(
            name=f"{', '.join(plain(planned.name) for planned in alike)}{each}",
            figures=(*today, *zip((*READ, *WRITTEN), (*read, *write), strict=True)),
            told=(f"reads {_both(*read)}{_in_place_of(first)}", f"writes {_both(*write)}"),
            more=(PlanLine(f"{held}: {_hops(first)}", "limit" if first.held_back else "quiet"),),
        )


def _hops(candidate: DrivePlanned | StripePlanned) -> str:
    """What decides reading, and writing where that is something else."""
    read, write = plain(candidate.narrowest, SENTENCE), plain(candidate.narrowest_write, SENTENCE)
    return read if read == write else f"{read} (reading), {write} (writing)"


def _both(alone: tuple[float, float], together: tuple[float, float]) -> str:
    if mbps_range(alone) == mbps_range(together):
        return f"{mbps_range(alone)} alone, and all drives at once"
    return f"{mbps_range(alone)} alone; all drives at once {mbps_range(together)}"


def _in_place_of(drive: DrivePlanned) -> str:
    """What a drive is read with today, where that is something else."""
    if drive.together_today is None or mbps_range(drive.together_today) == mbps_range(drive.together):
        return ""
    return f" in place of {span(drive.together_today)} today"


def _stripe(stripe: StripePlanned) -> PlanRow:
    rates = stripe.read, stripe.read_together, stripe.write
    return PlanRow(
        name=plain(stripe.name),
        words=f"RAID {stripe.raid} of {', '.join(plain(name) for name in stripe.drives)}",
        figures=tuple(zip(SET, rates, strict=True)),
        told=(
            f"reads {mbps_range(stripe.read)}; with all drives at work {mbps_range(stripe.read_together)}",
            f"writes {mbps_range(stripe.write)}",
        ),
        more=(PlanLine(f"narrowest hop: {_hops(stripe)}", "quiet"),),
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
        f"all at once {mbps(figures.total_mbps)}, worst-off {mbps(figures.worst_mbps)}, "
        f"{quantity(figures.moves, 'move')}, {quantity(figures.slots_used, 'slot')} in use"
    )


# --- Words -----------------------------------------------------------------------------------------------------


def _is(number: int) -> str:
    return "is" if number == 1 else "are"


def _has(number: int) -> str:
    return "has" if number == 1 else "have"
