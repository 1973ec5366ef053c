"""A placing problem as a mixed-integer program for SciPy's HiGHS: another way to the best score, for larger problems.

One program a stage: each stage of `Score` is made as good as can be with the stages before it held. All that decides
is whole numbers: counts of drives, holders in use, needs met. Rows are written with small whole numbers (what a link
carries over what each drive asks for, rounded down), so that the solver's tolerances cannot matter; only the
total needs rates, in thousands. Uses nothing of the planner's search, nor `score`; tests hold its answers against that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from agent.planner.problem import READ, Arrangement, NeedOf, PlacingProblem, Rates, Score, uplinks_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    Floats = np.ndarray[tuple[int], np.dtype[np.float64]]

Terms = dict[int, float]  # coefficient of each variable
Row = tuple[Terms, float, float]  # terms, least, most

THOUSANDS: Final = 1000
ENDLESS: Final = float("inf")


class Program:
    """Variables and rows, grown step by step and solved as often as wanted."""

    def __init__(self) -> None:
        """Nothing yet."""
        self._least: list[float] = []
        self._most: list[float] = []
        self._whole: list[int] = []
        self._rows: list[Row] = []

    def variable(self, most: float, *, whole: bool = True) -> int:
        """A new variable from 0 to `most`."""
        self._least.append(0)
        self._most.append(most)
        self._whole.append(int(whole))
        return len(self._least) - 1

    def row(self, terms: Mapping[int, float], least: float = -ENDLESS, most: float = ENDLESS) -> None:
        """Hold a sum between two figures."""
        self._rows.append((dict(terms), least, most))

    def greatest(self, terms: Mapping[int, float], more: Sequence[Row] = ()) -> Floats | None:
        """The variables that make a sum greatest, with some more rows, or None where nothing keeps to all rows."""
        rows = [*self._rows, *more]
        costs = np.zeros(len(self._least))
        for variable, factor in terms.items():
            costs[variable] = -factor
        entries = [(number, column, factor) for number, (row, *_) in enumerate(rows) for column, factor in row.items()]
        table = np.array(entries, float).reshape(-1, 3)
        matrix = csr_array((table[:, 2], (table[:, 0].astype(int), table[:, 1].astype(int))), (len(rows), len(costs)))
        for presolve in (True, False):  # some versions call a program infeasible that is not, where presolve is on
            answer = milp(
                costs,
                integrality=np.array(self._whole),
                bounds=Bounds(np.array(self._least), np.array(self._most)),
                constraints=LinearConstraint(matrix, [row[1] for row in rows], [row[2] for row in rows]),
                options={"mip_rel_gap": 0, "presolve": presolve},
            )
            if answer.status != 2:
                assert answer.status == 0, answer.message
                return np.asarray(answer.x, np.float64)
        return None


class Placing:
    """The variables of a placing problem and the rows that every allowed arrangement keeps to."""

    def __init__(self, problem: PlacingProblem) -> None:
        """Variables for every holder and for every class on it."""
        self.problem = problem
        self.program = Program()
        self.used = [self.program.variable(1) for _ in problem.holders]
        self.drives = {
            (kind, number): self.program.variable(min(one.count, holder.bays))
            for number, holder in enumerate(problem.holders)
            for kind, one in enumerate(problem.classes)
            if holder.rates[kind][READ] and holder.bays
        }
        self.every = sum(one.count for one in problem.classes)
        self.links = self._links()
        self._places()
        self._bays()
        self.met = [self._need(need) for need in problem.needs]

    def _places(self) -> None:
        """A slot holds one holder, hides others and may ask that others are filled; a card is in one slot."""
        problem, row = self.problem, self.program.row
        in_slot = [
            {self.used[number]: 1.0 for number, holder in enumerate(problem.holders) if holder.slot == slot}
            for slot in range(len(problem.sizes))
        ]
        for terms in in_slot:
            row(terms, most=1)
        for number, holder in enumerate(problem.holders):
            for slot in holder.covers:
                row(in_slot[slot] | {self.used[number]: 1.0}, most=1)
            for slot in holder.beside:
                row(in_slot[slot] | {self.used[number]: in_slot[slot].get(self.used[number], 0.0) - 1.0}, least=0)
        for card in range(len(problem.must)):
            row(self.of_card(card), most=1)

    def _bays(self) -> None:
        """Drives go where there are bays and watts, and are as many as there are; a socket in use holds one."""
        problem, row = self.problem, self.program.row
        for number, holder in enumerate(problem.holders):
            mine = {kind: self.drives[kind, one] for kind, one in self.drives if one == number}
            row(dict.fromkeys(mine.values(), 1.0) | {self.used[number]: -holder.bays}, most=0)
            if holder.watts is not None:
                row({variable: problem.classes[kind].watts for kind, variable in mine.items()}, most=holder.watts)
            if holder.card is None:
                row(dict.fromkeys(mine.values(), 1.0) | {self.used[number]: -1}, least=0)
        for kind, one in enumerate(problem.classes):
            row(self.of_class(kind), most=one.count)

    def of_card(self, card: int) -> Terms:
        """Whether a card is in use."""
        return {self.used[number]: 1.0 for number, holder in enumerate(self.problem.holders) if holder.card == card}

    def of_class(self, kind: int) -> Terms:
        """How many drives of a class are in place."""
        return {variable: 1.0 for (other, _), variable in self.drives.items() if other == kind}

    def _links(self) -> list[tuple[Rates, set[int]]]:
        """Each shared link, with the holders whose drives cross it."""
        problem = self.problem
        links = [(holder.link, {number}) for number, holder in enumerate(problem.holders) if holder.link is not None]
        for uplink, (capacity, _) in enumerate(problem.uplinks):
            below = {
                number for number, holder in enumerate(problem.holders) if uplink in uplinks_of(problem, holder.slot)
            }
            links.append((capacity, below))
        return links

    def _need(self, need: NeedOf) -> int:
        """A variable that can be 1 only where a need is met."""
        problem, row = self.problem, self.program.row
        met = self.program.variable(1)
        for card, holders in need.cards:
            mine = {self.used[number]: 1.0 for number in holders if problem.holders[number].card == card}
            row(mine | {met: -1.0}, least=0)
        for kind in need.classes:
            row(self.of_class(kind) | {met: -problem.classes[kind].count}, least=0)
        crossing = {pair: variable for pair, variable in self.drives.items() if pair[0] in need.classes}
        for (kind, number), variable in crossing.items():
            holder = problem.holders[number]
            slow = any(rate < each for rate, each in zip(holder.rates[kind], need.each, strict=True))
            if slow or (need.no_split and holder.split) or (need.no_switch and holder.switch):
                row({variable: 1.0, met: self.every}, most=self.every)
        for direction, each in enumerate(need.each):
            for capacity, below in self.links if each else []:
                most = min(capacity[direction] // each, self.every)
                mine = {variable: 1.0 for (_, number), variable in crossing.items() if number in below}
                row(mine | {met: self.every - most}, most=self.every)
        return met

    # --- The stages ---------------------------------------------------------------------------------------------

    def placed(self) -> Terms:
        """Drives and wanted cards in place."""
        terms = dict.fromkeys(self.drives.values(), 1.0)
        for card, wanted in enumerate(self.problem.must):
            terms |= self.of_card(card) if wanted else {}
        return terms

    def reaching(self, rate: int) -> list[Row]:
        """Rows that hold where there is a drive, and no drive's fair share is less than a rate."""
        problem = self.problem
        rows: list[Row] = [(dict.fromkeys(self.drives.values(), 1.0), 1, ENDLESS)]
        for (kind, number), variable in self.drives.items():
            if problem.holders[number].rates[kind][READ] < rate:
                rows.append(({variable: 1.0}, 0, 0))
        for capacity, holders in self.links:
            mine = {variable: 1.0 for (_, number), variable in self.drives.items() if number in holders}
            rows.append((mine, 0, capacity[READ] // rate))
        return rows

    def rates(self) -> list[int]:
        """Every value that a drive's share can have as the least one, except 0, in order."""
        own = {self.problem.holders[number].rates[kind][READ] for kind, number in self.drives}
        parts = {capacity[READ] // count for capacity, _ in self.links for count in range(1, self.every + 1)}
        return sorted((own | parts) - {0})

    def total(self) -> Terms:
        """What all drives read together, in thousands: a flow for each holder, at most what the links carry."""
        problem, program = self.problem, self.program
        flows: list[int] = []
        for number, holder in enumerate(problem.holders):
            flow = program.variable(ENDLESS, whole=False)
            flows.append(flow)
            mine = {
                variable: -problem.holders[number].rates[kind][READ] / THOUSANDS
                for (kind, one), variable in self.drives.items()
                if one == number
            }
            program.row(mine | {flow: 1.0}, most=0)
            if holder.link is not None:
                program.row({flow: 1.0, self.used[number]: -holder.link[READ] / THOUSANDS}, most=0)
        for capacity, holders in self.links:
            program.row({flows[number]: 1.0 for number in holders}, most=capacity[READ] / THOUSANDS)
        return dict.fromkeys(flows, 1.0)

    def moves(self) -> tuple[Terms, int]:
        """A sum that, with a figure added, is the number of moves where it is as small as can be."""
        problem, program = self.problem, self.program
        terms: Terms = {}
        fixed = 0
        for card, today in enumerate(problem.card_today):
            fixed += today is not None
            for number, holder in enumerate(problem.holders):
                if holder.card == card and (today is None or holder.slot == today):
                    terms[self.used[number]] = 1.0 if today is None else -1.0
        for kind, one in enumerate(problem.classes):
            moved = program.variable(ENDLESS)
            stay: Terms = {}
            for (what, place), count in one.today.items():
                here = program.variable(count)
                there = {
                    self.drives[pair]: -1.0
                    for pair in self.drives
                    if pair[0] == kind and (what, place) == _place(problem, pair[1])
                }
                program.row(there | {here: 1.0}, most=0)
                stay[here] = 1.0
            program.row(stay | {moved: 1.0}, least=sum(one.today.values()))
            program.row(stay | {moved: 1.0} | dict.fromkeys(self.of_class(kind), -1.0), least=0)
            terms[moved] = 1.0
        return terms, fixed

    def room(self) -> Terms:
        """What the slots in use would be worth free."""
        return {
            self.used[number]: self.problem.sizes[holder.slot] for number, holder in enumerate(self.problem.holders)
        }


def _place(problem: PlacingProblem, number: int) -> tuple[str, int]:
    holder = problem.holders[number]
    return ("slot", holder.slot) if holder.card is None else ("card", holder.card)


def best(
    problem: PlacingProblem, without: Iterable[Sequence[tuple[int, ...]]] = (), most_moves: int | None = None
) -> tuple[Score, Arrangement] | None:
    """The best score, by the program's own figures, and an arrangement that has it.

    What looks like one of `without` (for each holder in use, those that count as the same) does not count, nor what
    takes more moves than `most_moves`; None where nothing is left.
    """
    placing = Placing(problem)
    program = placing.program
    for look in without:
        same = {number for twins in look for number in twins}
        program.row(
            {variable: -1.0 if number in same else 1.0 for number, variable in enumerate(placing.used)},
            least=1 - len(look),
        )
    moves, fixed = placing.moves()
    if most_moves is not None:
        program.row(moves, most=most_moves - fixed)
    placed = _stage(placing, placing.placed())
    if placed is None:
        return None
    needs = _stage(placing, dict.fromkeys(placing.met, 1.0))
    worst = _worst(placing)
    total = _stage(placing, placing.total(), THOUSANDS)
    moved = _stage(placing, {variable: -factor for variable, factor in moves.items()})
    room = _stage(placing, {variable: -factor for variable, factor in placing.room().items()})
    assert needs is not None
    assert total is not None
    assert moved is not None
    assert room is not None
    return Score(placed[0], needs[0], worst, total[0], moved[0] - fixed, room[0]), _arrangement(placing, room[1])


def _stage(placing: Placing, terms: Terms, unit: int = 1) -> tuple[int, Floats] | None:
    """The greatest value of a sum, which is held from now on, and the variables; None where nothing keeps to all."""
    values = placing.program.greatest(terms)
    if values is None:
        return None
    reached = unit * sum(factor * values[variable] for variable, factor in terms.items())
    whole = round(reached)
    assert abs(reached - whole) < 0.2, f"{reached} is no whole number"
    placing.program.row(terms, least=(whole - 0.5) / unit)
    return whole, values


def _worst(placing: Placing) -> int:
    """The greatest least share: halving the list of possible values. It is held from now on."""
    rates = placing.rates()
    low, high = 0, len(rates)  # the first `low` can be had, those from `high` on cannot
    while low < high:
        middle = (low + high) // 2
        if placing.program.greatest({}, placing.reaching(rates[middle])) is None:
            high = middle
        else:
            low = middle + 1
    for terms, least, most in placing.reaching(rates[low - 1]) if low else []:
        placing.program.row(terms, least, most)
    return rates[low - 1] if low else 0


def _arrangement(placing: Placing, values: Floats) -> Arrangement:
    return Arrangement(
        tuple(number for number, variable in enumerate(placing.used) if round(values[variable])),
        tuple(
            sorted(
                (*pair, round(values[variable])) for pair, variable in placing.drives.items() if round(values[variable])
            )
        ),
    )
