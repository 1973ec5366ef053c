"""Parts in other places than the build sheet has them: which stand in each other's way, and how hands set them right.

A place is free before something goes in. Where parts go round in a ring, one is laid aside first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.model.abilities import rate_text
from agent.model.findings import Evidence, Severity, Verdict
from agent.model.sheet_parts import CardMatch
from agent.model.turns import connected, in_the_way, turns
from agent.rules.rule import Found, Hand
from agent.rules.sheet_rates import IN_PLACE, falls_below, now_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.findings import Rate
    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.model.sheet_parts import DriveMatch, MatchedSheet

MOST_PARTS: Final = 4  # that are written out in one headline; the evidence has all


class Unit(Struct, frozen=True, eq=False):
    """A card with what is on it, or a drive, that is to go elsewhere: the links it holds now, those that must be free.

    `here` and `there` are its places in words. `below` are its links that give less here than the sheet expects.
    """

    one: CardMatch | DriveMatch
    judged: Judged
    holds: frozenset[str]
    needs: frozenset[str]
    here: str
    there: str
    below: tuple[tuple[Judged, Rate], ...]

    @property
    def part(self) -> str:
        """The part in words, with its model or what goes along."""
        if isinstance(self.one, CardMatch):
            drives = len(self.holds) if self.one.card.carrier == "passive" else self.one.card.bays
            return f"{self.one.words}{' with what is on it' if drives else ''}"
        model = self.one.found.model if self.one.found is not None else None
        return f"{self.one.words} ({model})" if model is not None else self.one.words


class Group(Struct, frozen=True, eq=False):
    """Parts that wait for each other's places, one at least; `in_the_way` are other parts there: what, and where."""

    units: tuple[Unit, ...]
    in_the_way: tuple[tuple[str, str], ...]

    @property
    def first(self) -> Unit:
        """The part that the group is called by: one that runs below plan, if any does."""
        return next((unit for unit in self.units if unit.below), self.units[0])

    @property
    def is_ring(self) -> bool:
        """Whether each is in the place of another."""
        waited_for = [other for unit in self.units for other in in_the_way(unit, self.units)]
        return len(self.units) > 1 and all(in_the_way(unit, self.units) and unit in waited_for for unit in self.units)

    def holds(self, part: CardMatch | DriveMatch) -> bool:
        """Whether a part is one of these, or goes along with one."""
        on = getattr(part, "on", None)
        return any(unit.one is part or (on is not None and unit.one is on) for unit in self.units)


# --- What is to move -------------------------------------------------------------------------------------------


def groups(matched: MatchedSheet) -> list[Group]:
    """All parts that answer elsewhere, those together that want each other's places; drives before cards."""
    units = list(_units(matched))
    waits_for = ((unit, other) for unit in units for other in in_the_way(unit, units))
    return [
        Group(tuple(together), tuple(dict.fromkeys(_in_the_way(matched, together, units))))
        for together in connected(units, waits_for)
    ]


def _units(matched: MatchedSheet) -> Iterator[Unit]:
    parts: list[CardMatch | DriveMatch] = [*matched.drives, *matched.cards]
    for part in parts:
        judged = part.link
        if part.how != "elsewhere" or part.spot is None or judged is None:
            continue
        if isinstance(part, CardMatch):
            yield _card(matched, part, judged)
        elif part.on is None or part.on.card.carrier != "passive" or part.on.how != "elsewhere":
            yield _drive(matched, part, judged)


def _card(matched: MatchedSheet, card: CardMatch, judged: Judged) -> Unit:
    assert card.spot is not None
    pairs: list[tuple[Judged | None, Rate | None]] = [(card.link, card.planned)]
    links = [judged]
    if card.card.carrier == "passive":
        pairs = [(drive_match.link, drive_match.planned) for drive_match in matched.on(card)]
        links = [link for link, _ in pairs if link is not None]
    return Unit(
        card,
        judged,
        frozenset(link.link.key for link in links),
        frozenset(link.link.key for link in card.spot.links),
        matched.place_of(judged),
        card.spot.words,
        tuple(_below(pairs)),
    )


def _drive(matched: MatchedSheet, drive: DriveMatch, judged: Judged) -> Unit:
    needs, there = _target(matched, drive)
    below = tuple(_below([(judged, drive.planned)]))
    return Unit(drive, judged, frozenset({judged.link.key}), needs, place_words(matched, judged), there, below)


def _target(matched: MatchedSheet, drive: DriveMatch) -> tuple[frozenset[str], str]:
    """The links that must be free for a drive, and its place in words."""
    assert drive.spot is not None
    card, bay = drive.on, drive.drive.bay
    if card is None:
        return frozenset(link.link.key for link in drive.spot.links), drive.spot.words
    on_it = f"{card.words} in {drive.spot.words}" if card.how != "elsewhere" else card.words
    ports = matched.bays(card)
    port = ports[bay - 1] if bay is not None and bay <= len(ports) else None
    if port is not None and port.link.key in _staying(matched):
        return frozenset(), f"a free bay of {on_it}"  # its neighbour on the card has it: one bay is as good as another
    where = f"bay {bay} of {on_it}" if bay is not None else f"a free bay of {on_it}"
    return frozenset({port.link.key} if port is not None else ()), where


def _staying(matched: MatchedSheet) -> set[str]:
    """The links of parts that have their places already."""
    return {part.link.link.key for part in matched.parts() if part.how in IN_PLACE and part.link is not None}


def place_words(matched: MatchedSheet, judged: Judged) -> str:
    """Where a drive is: the bay of its carrier, counted in the order of ports, else its slot."""
    for card in matched.cards:
        for bay, port in enumerate(matched.bays(card), 1):
            if port is judged and bay <= card.card.bays:
                return f"bay {bay} of {card.words} in {matched.place_of(card.found or judged)}"
    return matched.place_of(judged)


def _below(pairs: Sequence[tuple[Judged | None, Rate | None]]) -> Iterator[tuple[Judged, Rate]]:
    for judged, planned in pairs:
        if judged is not None and planned is not None and falls_below(judged, planned):
            yield judged, planned


def _in_the_way(matched: MatchedSheet, units: Sequence[Unit], every: Sequence[Unit]) -> Iterator[tuple[str, str]]:
    """What is in places that are needed and belongs in none: the sheet does not have it, or not where it could go."""
    moving = {key for unit in every for key in unit.holds}
    stays = _staying(matched)
    links = {link.link.key: link for card in matched.parts() if card.spot is not None for link in card.spot.links}
    links |= {bay.link.key: bay for card in matched.cards for bay in matched.bays(card)}
    for unit in units:
        for key, judged in links.items():
            if key not in unit.needs or key in moving or key in stays:
                continue
            if judged.link.device is not None:
                yield matched.what(judged), place_words(matched, judged)
            elif judged.verdict is Verdict.DARK:
                yield "what does not answer", place_words(matched, judged)


# --- What is said of them ----------------------------------------------------------------------------------------


def out_of_place(seen: JudgedMachine, matched: MatchedSheet, group: Group, *, brief: bool = False) -> Found:
    """What there is to say of parts that are in other places, with all that hands must do, in order.

    With `brief` the headline counts them, and the evidence alone has their places.
    """
    first = group.first
    evidence = [
        Evidence(f"{unit.judged.subject} place of {unit.one.words}", unit.here, f"{unit.there} ({matched.source})")
        for unit in group.units
    ]
    headline = f"is {first.one.words}, which the sheet has in {first.there}, not in {first.here}"
    if len(group.units) > 1:
        places = [f"{unit.one.words} is in {unit.here}, not in {unit.there}" for unit in group.units[:MOST_PARTS]]
        how = "that have changed places" if group.is_ring else "in other places, some in each other's"
        more = f"; {len(group.units) - MOST_PARTS} more" if len(group.units) > MOST_PARTS else ""
        headline = f"is one of {len(group.units)} parts {how}"
        headline += "" if brief else f": {'; '.join(places)}{more}"
    return Found(
        first.judged.subject,
        f"{headline}{_runs(group)}",
        tuple(evidence),
        severity=Severity.FAULT if first.below else None,
        judged=first.judged,
        hands=hands(seen, group),
    )


def _runs(group: Group) -> str:
    """How the first part that is below plan runs where it is."""
    first = group.first
    if not first.below:
        return ""
    judged, planned = first.below[0]
    who = "it" if len(group.units) == 1 else first.one.words
    if isinstance(first.one, CardMatch) and first.one.card.carrier == "passive":
        who = f"a drive on {who}"
    return f"; there {who} runs at {now_text(judged)}, not {rate_text(planned)}"


# --- By hand ---------------------------------------------------------------------------------------------------


def hands(seen: JudgedMachine, group: Group) -> tuple[Hand, ...]:
    """What is to be done, in order."""
    return tuple(_hands(seen, group))


def _hands(seen: JudgedMachine, group: Group) -> Iterator[Hand]:
    for what, where in group.in_the_way:
        yield Hand("make-room", what, where)
    for unit, turn in turns(group.units, make_way=True):
        if turn == "aside":
            yield Hand("lay-aside", unit.part, unit.here)
        else:
            action = "move-as-planned" if turn == "move" else "fit-as-planned"
            yield Hand(action, unit.part, unit.here, unit.there, _gain(seen, unit))


def _gain(seen: JudgedMachine, unit: Unit) -> float | None:
    """What the links that run below plan would bring in their place, MB/s at most."""
    found = [seen.gain_mbps(judged.link.key, planned) for judged, planned in unit.below]
    return sum(gain for gain in found if gain is not None) or None
