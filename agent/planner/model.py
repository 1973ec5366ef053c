"""A stage of the search as a whole-number program: each slot takes at most one option, with one fill of drives.

`Model.priced` gives, for any prices of the rows, a bound in whole numbers that no arrangement exceeds: the price of all
rows, and for each slot alone what is worth most to it beyond what it pays.
"""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.planner.fills import reach
from agent.planner.packing import Packing, Room
from agent.planner.problem import READ, Holder, uplinks_of
from agent.planner.rows import Chain, Entries, Rows
from agent.planner.simplex import Column, Constraint

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from agent.planner.choices import Choices
    from agent.planner.fills import Fills
    from agent.planner.packing import Fill
    from agent.planner.wanted import Goal, Wanted

    Top = tuple[int, Fill | None]  # a worth, and the fill that has it

SHIFT: Final = 30  # prices are whole multiples of 2**-SHIFT
ONE: Final = 1 << SHIFT
EMPTY: Final = 1  # the bit of an empty slot; the option at place i of a slot has the bit 2 << i
CLOSED: Final = -1 << 200  # the bound where nothing is left
AGREED: Final = 0.01


class Limits(Struct):
    """A part of the search: the options (bits) that each slot may take, and (least, most) drives by (slot, class)."""

    allowed: list[int]
    counts: dict[tuple[int, int], tuple[int, int]]


class Priced(Struct):
    """At some prices: the bound, each option's worth with its best fill, the best of each slot (times 2**SHIFT).

    No worth is below what it should be; it may be a trifle above.
    """

    bound: int
    worth: list[Top]
    best: list[int]


class Shape(Struct, frozen=True):
    """What options have in common that are alike for drives; for each fill what it reads and how many drives stay.

    `packing` stands for the fills where they are too many to be listed.
    """

    chain: Chain
    fills: Sequence[int] = ()
    carry: Sequence[int] = ()
    stay: Sequence[int] = ()
    packing: Packing | None = None


class Model:
    """The rows, options and fills of one stage."""

    def __init__(self, choices: Choices, fills: Fills, wanted: Wanted, goal: Goal) -> None:
        """Set up the rows, and what fills each option may take."""
        self.choices, self.goal = choices, goal
        self.fills = fills
        self.problem = choices.problem
        self._wanted = wanted
        self._rows = Rows(choices, wanted, goal)
        self._worths = [self._own_worth(number) for number in range(len(choices.options))]
        self.possible = [self._rows.possible(number) for number in range(len(choices.options))]
        self.reach = [reach(self._rows.holder(number)) for number in range(len(choices.options))]
        self._scale = 1  # worth of 1 in the linear program
        if goal in {"total", "room"}:
            self._scale = self._rows.fastest if goal == "total" else max([1, *self.problem.sizes])
        self._shapes: list[Shape] = []
        self._shape_of: list[int] = []
        self._set_shapes()
        self.packs = any(shape.packing is not None for shape in self._shapes)  # their worth can be more or less sure
        self._columns: dict[tuple[int, Fill], Column] = {}
        self.place_of: list[tuple[int, int]] = [(0, 0)] * len(choices.options)  # slot (by place) and bit
        for place, numbers in enumerate(choices.by_slot):
            for which, number in enumerate(numbers):
                self.place_of[number] = place, 2 << which

    @property
    def base(self) -> int:
        """What the goal counts where nothing is placed."""
        return self._rows.bare_moves if self.goal == "moves" else 0

    def every(self) -> Limits:
        """All of the search."""
        allowed = [EMPTY] * len(self.choices.by_slot)
        for number, (place, bit) in enumerate(self.place_of):
            allowed[place] |= bit if self.possible[number] else 0
        return Limits(allowed, {})

    def _own_worth(self, option: int) -> int:
        """What a card or socket counts for the goal, its drives aside."""
        if self.goal == "placed":
            return self._rows.must(option)
        if self.goal == "moves":
            return self._rows.kept(option)
        return -self.problem.sizes[self.choices.options[option].slot] if self.goal == "room" else 0

    def _set_shapes(self) -> None:
        numbers: dict[object, int] = {}
        for number, option in enumerate(self.choices.options):
            holder = self._rows.holder(number)
            fills = self.fills.wanted(holder, self._wanted)
            today = self._today(holder)
            chain = tuple(uplinks_of(self.problem, option.slot))
            listed = not isinstance(fills, Room)
            carries = (holder.rates, holder.link) if listed or self._rows.carries else None
            sort = id(fills) if listed else fills, carries, today, chain
            if sort not in numbers:
                numbers[sort] = len(numbers)
                self._shapes.append(self._shape(chain, holder, fills, today))
            self._shape_of.append(numbers[sort])
            self.possible[number] = self.possible[number] and fills != []

    def _today(self, holder: Holder) -> tuple[int, ...]:
        return tuple(
            drive_class.today.get(holder.home, 0) if self._rows.stays else 0 for drive_class in self.problem.classes
        )

    def _shape(self, chain: Chain, holder: Holder, fills: list[int] | Room, today: tuple[int, ...]) -> Shape:
        if isinstance(fills, Room):
            rates = [rates[READ] for rates in holder.rates]
            link = None if holder.link is None else holder.link[READ]
            return Shape(chain, packing=Packing(fills, rates, link, today))
        counts = [self.fills.all[fill] for fill in fills]
        return Shape(
            chain,
            fills,
            [self._carried(holder, fill) for fill in counts],
            [sum(map(min, fill, today)) if any(today) else 0 for fill in counts],
        )

    def _carried(self, holder: Holder, fill: Fill) -> int:
        """What the drives of a fill read together, as far as the holder's own link carries it."""
        if not self._rows.carries:
            return 0
        share = sum(count * rates[READ] for count, rates in zip(fill, holder.rates, strict=True))
        return share if holder.link is None else min(share, holder.link[READ])

    # --- The linear program -------------------------------------------------------------------------------------

    def rows(self) -> list[Constraint]:
        """The rows for the simplex method, in its units."""
        rows = self._rows
        return [
            Constraint(most / unit, exact, 1 / unit)
            for most, exact, unit in zip(rows.most, rows.exact, rows.unit, strict=True)
        ]

    def extras(self) -> list[Column]:
        """The extra variables."""
        return [self._column(entries, worth, -1, None) for _, entries, worth in self._rows.extras]

    def column(self, option: int, fill: Fill) -> Column:
        """The variable of an option with a fill."""
        known = self._columns.get((option, fill))
        if known is not None:
            return known
        rows, chain, holder = self._rows, self._shapes[self._shape_of[option]].chain, self._rows.holder(option)
        carry, stay = self._carried(holder, fill), sum(map(min, fill, self._today(holder)))
        parts = [(rows.own[option], 1), (rows.by_carry[chain], carry), (rows.by_stay, stay)]
        parts += zip(rows.by_class[chain], fill, strict=True)
        entries: dict[int, int] = {}
        for terms, factor in parts:
            for row, entry in terms if factor else ():
                entries[row] = entries.get(row, 0) + entry * factor
        gain = {"placed": sum(fill), "total": carry, "moves": stay, "room": 0}[self.goal]
        column = self._columns[option, fill] = self._column(entries, self._worths[option] + gain, option, fill)
        return column

    def _column(self, entries: dict[int, int], worth: int, option: int, fill: Fill | None) -> Column:
        scaled = tuple((row, entry / self._rows.unit[row]) for row, entry in entries.items() if entry)
        return Column(scaled, worth / self._scale, option, fill)

    # --- Bounds -------------------------------------------------------------------------------------------------

    def _whole(self, prices: Sequence[float]) -> list[int]:
        """Prices as whole numbers with which the bound holds: none below 0 for a limit, no gain from extra variables.

        What an option pays for its slot's row is what the slot gives back in the bound: those prices are left out.
        """
        rows = self._rows
        found = []
        for price, exact, unit in zip(prices, rows.exact, rows.unit, strict=True):
            whole = round(price * self._scale / unit * ONE)
            found.append(whole if exact else max(0, whole))
        found[: len(self.choices.by_slot)] = [0] * len(self.choices.by_slot)
        for row, entries, worth in rows.extras:
            paid = sum(entry * found[other] for other, entry in entries.items() if other != row)
            found[row] = max(0, min(found[row], paid - worth * ONE))
        return found

    def priced(self, prices: Sequence[float], limits: Limits, *, sure: bool = False) -> Priced:
        """The bound at some prices within some limits, and what options are worth there.

        Without `sure` what a packing is worth may be above what its drives are.
        """
        found = self._whole(prices)
        tops = self._tops(found, sure=sure)
        bound = self.base * ONE + sum(map(mul, found, self._rows.most))
        worth: list[Top] = [(0, None)] * len(self.choices.options)
        best: list[int] = []
        for place, numbers in enumerate(self.choices.by_slot):
            allowed = limits.allowed[place]
            counts = {kind: pair for (slot, kind), pair in limits.counts.items() if slot == place}
            for number in numbers:
                if allowed & self.place_of[number][1]:
                    shape = self._shape_of[number]
                    top = self._top_within(found, shape, counts, sure=sure) if counts else tops[shape]
                    worth[number] = self._with_own(found, number, top)
            values = [worth[number][0] for number in numbers if worth[number][1] is not None]
            values += [0] if allowed & EMPTY else []
            if not values:
                return Priced(CLOSED, worth, [])
            best.append(max(values))
            bound += best[-1]
        return Priced(bound, worth, best)

    def _with_own(self, found: Sequence[int], number: int, top: Top) -> Top:
        """What an option is worth with its drives."""
        value, fill = top
        if fill is None:
            return top
        return value + self._worths[number] * ONE - _paid(found, self._rows.own[number]), fill

    def agrees(self, priced: Priced, worth: float) -> bool:
        """Whether a bound is about what the linear program's answer is worth, as it is when all is well."""
        return priced.bound / ONE - self.base < (worth + AGREED) * self._scale

    def _each(self, found: Sequence[int], chain: Chain) -> tuple[list[int], int, int]:
        """What is gained beyond what is paid: for a drive of each class, a unit carried, a drive that stays."""
        rows, goal = self._rows, self.goal
        drive = ONE * (goal == "placed")
        drives = [drive - _paid(found, entries) for entries in rows.by_class[chain]]
        carry = ONE * (goal == "total") - _paid(found, rows.by_carry[chain])
        return drives, carry, ONE * (goal == "moves") - _paid(found, rows.by_stay)

    def _tops(self, found: Sequence[int], *, sure: bool) -> list[Top]:
        """The worth of the best fill of each shape, and the fill."""
        each = {chain: self._each(found, chain) for chain in self._rows.chains}
        listed = {shape.chain for shape in self._shapes if shape.fills}
        sums = {chain: self.fills.sums(each[chain][0]) for chain in listed}
        tops: list[Top] = []
        for shape in self._shapes:
            drives, carry, stay = each[shape.chain]
            if shape.packing is not None:
                tops.append(shape.packing.best(drives, carry, stay, {}, sure=sure) or (0, None))
                continue
            if not shape.fills:
                tops.append((0, None))
                continue
            worths = sums[shape.chain]
            values = [worths[fill] for fill in shape.fills]
            if self._rows.carries:
                values = [value + carry * rate for value, rate in zip(values, shape.carry, strict=True)]
            if self._rows.stays:
                values = [value + stay * kept for value, kept in zip(values, shape.stay, strict=True)]
            most = max(values)
            tops.append((most, self.fills.all[shape.fills[values.index(most)]]))
        return tops

    def _top_within(
        self, found: Sequence[int], number: int, counts: Mapping[int, tuple[int, int]], *, sure: bool
    ) -> Top:
        """The same for one shape with limits on how many drives of some classes."""
        shape = self._shapes[number]
        drives, carry, stay = self._each(found, shape.chain)
        if shape.packing is not None:
            return shape.packing.best(drives, carry, stay, counts, sure=sure) or (0, None)
        best: Top = 0, None
        for fill, rate, kept in zip(shape.fills, shape.carry, shape.stay, strict=True):
            taken = self.fills.all[fill]
            if all(least <= taken[kind] <= most for kind, (least, most) in counts.items()):
                value = sum(map(mul, drives, taken)) + carry * rate + stay * kept
                if best[1] is None or value > best[0]:
                    best = value, taken
        return best


def _paid(found: Sequence[int], entries: Entries) -> int:
    return sum(found[row] * factor for row, factor in entries)
