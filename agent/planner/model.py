"""A stage of the search as a whole-number program: each slot takes at most one option with one fill.

The rows are what ties slots together: cards and drives that there are, shared uplinks, needs, what earlier stages reached.
`Model.priced` gives, for any prices of rows, a bound in whole numbers that no arrangement exceeds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct

from agent.planner.choices import Choices, Look, carried, chain, fills
from agent.planner.problem import READ, Holder, Problem
from agent.planner.simplex import Column, Row

if TYPE_CHECKING:
    from collections.abc import Sequence

Goal = Literal["placed", "total", "moves", "room"]
SHIFT: Final = 30  # prices are whole multiples of 2**-SHIFT
EMPTY: Final = 1  # the bit of an empty slot; option number i of a slot has the bit 2 << i


class Wanted(Struct, frozen=True):
    """What an arrangement must reach to count: needs met, drives and cards placed, the worst share, total and moves.

    None, () and 0 ask for nothing. `unlike` are sets of looks that it must not have.
    """

    needs: tuple[int, ...] = ()
    placed: int | None = None
    worst: int = 0
    total: int | None = None
    moves: int | None = None
    unlike: tuple[frozenset[Look], ...] = ()


class Limits(Struct):
    """A part of the search: which options each slot may take (bits), and how many drives of a class (by slot, class)."""

    allowed: list[int]
    counts: dict[tuple[int, int], tuple[int, int]]


class Priced(Struct):
    """The bound, what each option is worth at the prices with its best fill, and the best of each slot."""

    bound: int
    worth: list[tuple[int, int]]
    best: list[int]


class Terms(Struct, frozen=True):
    """Where a part of an option or fill stands in the rows, and what it is worth to the goal."""

    rows: tuple[tuple[int, int], ...]
    worth: int


class Shape(Struct, frozen=True):
    """What options have in common that take the same drives at the same rates behind the same uplinks."""

    chain: tuple[int, ...]
    fills: tuple[int, ...]
    carry: tuple[int, ...]
    stay: tuple[int, ...]


class Model:
    """The rows, options and fills of one stage."""

    def __init__(self, choices: Choices, wanted: Wanted, goal: Goal) -> None:
        """Set up all rows; see the methods for what each says."""
        self.choices, self.wanted, self.goal = choices, wanted, goal
        self.problem: Problem = choices.problem
        self.fills = fills(self.problem)
        self.numbers = {fill: number for number, fill in enumerate(self.fills)}
        self.every = sum(one.count for one in self.problem.classes) + sum(self.problem.must)
        self._most: list[int] = []
        self._exact: list[bool] = []
        self._unit: list[int] = []
        self._extra: list[tuple[int, dict[int, int], int]] = []  # own row, entries, worth
        self._chains = sorted({chain(self.problem, option.slot) for option in choices.options})
        self._needs = [self.problem.needs[number] for number in wanted.needs]
        self._own: list[list[tuple[int, int]]] = [[] for _ in choices.options]
        self._by_class: dict[tuple[tuple[int, ...], int], list[tuple[int, int]]] = {
            (line, kind): [] for line in self._chains for kind in range(len(self.problem.classes))
        }
        self._by_carry: dict[tuple[int, ...], list[tuple[int, int]]] = {line: [] for line in self._chains}
        self._by_stay: list[tuple[int, int]] = []
        rates = [rates[READ] for holder in self.problem.holders for rates in holder.rates]
        self.unit = max([1, *rates]) if goal == "total" else max([1, *self.problem.sizes]) if goal == "room" else 1
        self._rate_unit = max([1, *rates])
        self.possible = [self._possible(number) for number in range(len(choices.options))]
        self._place_rows()
        self._card_rows()
        self._class_rows()
        self._uplink_rows()
        self._reached_rows()
        self._unlike_rows()
        self._parents = [self._parent(fill) for fill in self.fills[1:]]
        self.shapes: list[Shape] = []
        self._shape_of: list[int] = []
        self._shape_all()
        self._columns: dict[tuple[int, int], Column] = {}

    # --- Rows ---------------------------------------------------------------------------------------------------

    def _row(self, most: int, *, exact: bool = False, unit: int = 1) -> int:
        self._most.append(most)
        self._exact.append(exact)
        self._unit.append(unit)
        return len(self._most) - 1

    def _place_rows(self) -> None:
        """A slot holds one thing; a slot that is covered holds nothing."""
        options = self.choices.options
        for numbers in self.choices.by_slot:
            row = self._row(1)
            for number in numbers:
                self._own[number].append((row, 1))
        covered: dict[tuple[int, int], list[int]] = {}
        for number, option in enumerate(options):
            for slot in set(self._holder(number).covers):
                covered.setdefault((option.slot, slot), []).append(number)
        for (_, slot), numbers in covered.items():
            row = self._row(1)
            for number in [*numbers, *(other for other, one in enumerate(options) if one.slot == slot)]:
                self._own[number].append((row, 1))

    def _card_rows(self) -> None:
        """There are so many cards of each kind; all are placed where everything is, or where a need names them."""
        everything = self.wanted.placed == self.every
        for kind, cards in enumerate(self.choices.kinds):
            named = any(card in cards for need in self._needs for card, _ in need.cards)
            row = self._row(len(cards), exact=named or (everything and self.problem.must[cards[0]]))
            for number, option in enumerate(self.choices.options):
                if option.kind == kind:
                    self._own[number].append((row, 1))

    def _class_rows(self) -> None:
        """There are so many drives of each class; all are placed where everything is, or where a need names them."""
        everything = self.wanted.placed == self.every
        for kind, one in enumerate(self.problem.classes):
            named = any(kind in need.classes for need in self._needs)
            row = self._row(one.count, exact=everything or named)
            self._for_drives((kind,), row)

    def _uplink_rows(self) -> None:
        """Not more drives behind an uplink than leave each the worst share, or what a need asks for."""
        kinds = tuple(range(len(self.problem.classes)))
        for uplink, (capacity, _) in enumerate(self.problem.uplinks):
            if self.wanted.worst:
                self._for_drives(kinds, self._row(capacity[READ] // self.wanted.worst), uplink)
            for need in self._needs:
                for direction, each in enumerate(need.each):
                    if each and need.classes:
                        self._for_drives(need.classes, self._row(capacity[direction] // each), uplink)
        if self.goal == "total" or self.wanted.total is not None:
            self._flow_rows()

    def _flow_rows(self) -> None:
        """What comes from below an uplink beyond what it carries is lost: an extra column, top uplinks first."""
        depth = {uplink: len(self._upwards(uplink)) for uplink in range(len(self.problem.uplinks))}
        rows: dict[int, int] = {}
        for uplink in sorted(depth, key=lambda one: (depth[one], one)):
            rows[uplink] = self._row(self.problem.uplinks[uplink][0][READ], unit=self._rate_unit)
            entries = {rows[one]: -1 for one in self._upwards(uplink)}
            self._extra.append((rows[uplink], entries, -1 if self.goal == "total" else 0))
            for line in self._chains:
                if uplink in line:
                    self._by_carry[line].append((rows[uplink], 1))

    def _reached_rows(self) -> None:
        """Not less placed, carried or kept in place than earlier stages reached; a worst share is that of some drive."""
        wanted = self.wanted
        if wanted.total is not None:
            row = self._row(-wanted.total, unit=self._rate_unit)
            for _, entries, _ in self._extra:
                entries[row] = 1
            for line in self._chains:
                self._by_carry[line].append((row, -1))
        if wanted.placed is not None and wanted.placed < self.every:
            row = self._row(-wanted.placed)
            self._for_drives(tuple(range(len(self.problem.classes))), row, factor=-1)
            for number in range(len(self._own)):
                self._own[number].append((row, -self._must(number)))
        if wanted.worst:
            self._for_drives(tuple(range(len(self.problem.classes))), self._row(-1), factor=-1)
        if wanted.moves is not None or self.goal == "moves":
            self._move_rows()

    def _move_rows(self) -> None:
        """Moves are at most those wanted; drives fitted beyond those that were move too: an extra column each."""
        problem = self.problem
        extras = []
        for kind, one in enumerate(problem.classes):
            were = sum(one.today.values())
            if were < one.count:
                row = self._row(were)
                self._for_drives((kind,), row)
                extras.append((row, {row: -1}, -1 if self.goal == "moves" else 0))
        if self.wanted.moves is not None:
            row = self._row(self.moved_at_least - self.wanted.moves)
            for number in range(len(self._own)):
                self._own[number].append((row, -self._kept(number)))
            self._by_stay.append((row, -1))
            for _, entries, _ in extras:
                entries[row] = 1
        self._extra += extras

    @property
    def moved_at_least(self) -> int:
        """The moves score of the empty arrangement: minus all that is fitted."""
        today = sum(sum(one.today.values()) for one in self.problem.classes)
        return -today - sum(slot is not None for slot in self.problem.card_today)

    def _unlike_rows(self) -> None:
        """Another set of holders than each of some."""
        for unlike in self.wanted.unlike:
            row = self._row(len(unlike) - 1)
            for number, option in enumerate(self.choices.options):
                self._own[number].append((row, 1 if option.look in unlike else -1))

    def _for_drives(self, kinds: Sequence[int], row: int, uplink: int | None = None, factor: int = 1) -> None:
        for (line, kind), entries in self._by_class.items():
            if kind in kinds and (uplink is None or uplink in line):
                entries.append((row, factor))

    def _upwards(self, uplink: int) -> list[int]:
        found = []
        one: int | None = uplink
        while one is not None:
            found.append(one)
            one = self.problem.uplinks[one][1]
        return found

    # --- Options and fills --------------------------------------------------------------------------------------

    def _holder(self, option: int) -> Holder:
        return self.problem.holders[self.choices.options[option].holders[0]]

    def _must(self, option: int) -> int:
        card = self._holder(option).card
        return int(card is not None and self.problem.must[card])

    def _kept(self, option: int) -> int:
        """What placing this card does to the moves score, beside leaving it out."""
        holder = self._holder(option)
        today = None if holder.card is None else self.problem.card_today[holder.card]
        return 0 if holder.card is None else int(today == holder.slot) - int(today is None)

    def _possible(self, option: int) -> bool:
        """Whether an option keeps to what needs ask of its card, and does not cover its own slot."""
        holder = self._holder(option)
        first = self.choices.options[option].holders[0]
        refused = any(card == holder.card and first not in ok for need in self._needs for card, ok in need.cards)
        return not refused and holder.slot not in holder.covers

    def _filled(self, option: int) -> list[int]:
        """The fills that an option takes, by number."""
        problem, holder = self.problem, self._holder(option)
        least = max(1, self.wanted.worst)
        ok = [
            rates[READ] >= least and all(self._suits(kind, holder) for _ in (0,))
            for kind, rates in enumerate(holder.rates)
        ]
        most = holder.bays
        if holder.link is not None and self.wanted.worst:
            most = min(most, holder.link[READ] // self.wanted.worst)
        groups = [
            (need.classes, holder.link[direction] // each)
            for need in self._needs
            for direction, each in enumerate(need.each)
            if each and holder.link is not None
        ]
        found = []
        for number, fill in enumerate(self.fills):
            drives = sum(fill)
            if drives > most or (not drives and holder.card is None):
                continue
            if any(count and not fits for count, fits in zip(fill, ok, strict=True)):
                continue
            if holder.watts is not None and drives:
                if sum(one.watts * count for one, count in zip(problem.classes, fill, strict=True)) > holder.watts:
                    continue
            if all(sum(fill[kind] for kind in set(kinds)) <= limit for kinds, limit in groups):
                found.append(number)
        return found

    def _suits(self, kind: int, holder: Holder) -> bool:
        """Whether needs let a drive of a class go on a holder."""
        return all(
            kind not in need.classes
            or (
                not (need.no_split and holder.split)
                and not (need.no_switch and holder.switch)
                and all(rate >= each for rate, each in zip(holder.rates[kind], need.each, strict=True))
            )
            for need in self._needs
        )

    def _shape_all(self) -> None:
        numbers: dict[Shape, int] = {}
        carries = self.goal == "total" or self.wanted.total is not None
        stays = self.goal == "moves" or self.wanted.moves is not None
        for number, option in enumerate(self.choices.options):
            holder = self._holder(number)
            taken = self._filled(number) if self.possible[number] else []
            key = ("slot", holder.slot) if holder.card is None else ("card", holder.card)
            today = [one.today.get(key, 0) for one in self.problem.classes]
            shape = Shape(
                chain(self.problem, option.slot),
                tuple(taken),
                tuple(carried(self.problem, option.holders[0], self.fills[one]) if carries else 0 for one in taken),
                tuple(sum(map(min, self.fills[one], today)) if stays else 0 for one in taken),
            )
            if shape not in numbers:
                numbers[shape] = len(numbers)
                self.shapes.append(shape)
            self._shape_of.append(numbers[shape])
            if not taken:
                self.possible[number] = False

    def _parent(self, fill: tuple[int, ...]) -> tuple[int, int]:
        """The fill with one drive less, by number, and the class of that drive."""
        kind = max(one for one, count in enumerate(fill) if count)
        return self.numbers[(*fill[:kind], fill[kind] - 1, *fill[kind + 1 :])], kind

    # --- The linear program -------------------------------------------------------------------------------------

    def rows(self) -> list[Row]:
        """The rows for the simplex method, in its units."""
        return [Row(most / unit, exact) for most, exact, unit in zip(self._most, self._exact, self._unit, strict=True)]

    def extras(self) -> list[Column]:
        """The extra columns."""
        return [self._column(entries | {row: -1}, worth) for row, entries, worth in self._extra]

    def column(self, option: int, fill: int) -> Column:
        """The column of an option with a fill."""
        known = self._columns.get((option, fill))
        if known is None:
            shape = self.shapes[self._shape_of[option]]
            place = shape.fills.index(fill)
            carry, stay = shape.carry[place], shape.stay[place]
            entries: dict[int, int] = {}
            worth = self._own_worth(option)
            parts = [(self._own[option], 1), (self._by_carry[shape.chain], carry), (self._by_stay, stay)]
            for kind, count in enumerate(self.fills[fill]):
                parts.append((self._by_class[shape.chain, kind], count))
                worth += count if self.goal == "placed" else 0
            worth += carry if self.goal == "total" else stay if self.goal == "moves" else 0
            for rows, factor in parts:
                for row, entry in rows if factor else ():
                    entries[row] = entries.get(row, 0) + entry * factor
            known = self._columns[option, fill] = self._column(entries, worth, option, fill)
        return known

    def _column(self, entries: dict[int, int], worth: int, option: int = -1, fill: int = -1) -> Column:
        scaled = tuple((row, entry / self._unit[row]) for row, entry in entries.items() if entry)
        return Column(scaled, worth / self.unit, option, fill)

    def _own_worth(self, option: int) -> int:
        if self.goal == "placed":
            return self._must(option)
        if self.goal == "moves":
            return self._kept(option)
        return -self.problem.sizes[self.choices.options[option].slot] if self.goal == "room" else 0

    @property
    def base(self) -> int:
        """What the goal counts without any option."""
        return self.moved_at_least if self.goal == "moves" else 0

    # --- Bounds -------------------------------------------------------------------------------------------------

    def whole(self, prices: Sequence[float]) -> list[int]:
        """Prices as whole numbers, made such that the bound holds: none below 0 for a limit, no gain from extras."""
        found = []
        for price, exact, unit in zip(prices, self._exact, self._unit, strict=True):
            one = round(price * self.unit / unit * (1 << SHIFT))
            found.append(one if exact else max(0, one))
        for row, entries, worth in self._extra:
            gain = (worth << SHIFT) - sum(entry * found[other] for other, entry in entries.items() if other != row)
            found[row] = max(0, min(found[row], -gain))
        return found

    def priced(self, prices: Sequence[float], limits: Limits) -> Priced:
        """The bound at some prices within some limits: each slot alone takes what is worth most to it."""
        found = self.whole(prices)
        for row in range(len(self.choices.by_slot)):
            found[row] = 0
        tops = self._tops(found, limits)
        bound = (self.base << SHIFT) + sum(price * most for price, most in zip(found, self._most, strict=True))
        worth: list[tuple[int, int]] = [(0, -1)] * len(self._own)
        best = []
        for place, numbers in enumerate(self.choices.by_slot):
            allowed = limits.allowed[place]
            most = 0 if allowed & EMPTY else None
            bit = EMPTY
            special = any(slot == place for slot, _ in limits.counts)
            for number in numbers:
                bit <<= 1
                if not allowed & bit:
                    continue
                value, fill = self._limited(found, limits, place, number) if special else tops[self._shape_of[number]]
                if fill < 0:
                    continue
                value += self._own_worth(number) << SHIFT
                for row, factor in self._own[number]:
                    value -= factor * found[row]
                worth[number] = value, fill
                if most is None or value > most:
                    most = value
            if most is None:
                return Priced(-1 << 200, worth, [])
            best.append(most)
            bound += most
        return Priced(bound, worth, best)

    def _drive_prices(self, found: Sequence[int], line: tuple[int, ...]) -> list[int]:
        each = (1 << SHIFT) if self.goal == "placed" else 0
        return [
            each - sum(factor * found[row] for row, factor in self._by_class[line, kind])
            for kind in range(len(self.problem.classes))
        ]

    def _rates(self, found: Sequence[int], line: tuple[int, ...]) -> tuple[int, int]:
        """What a unit carried and a drive that stays are worth."""
        carry = ((1 << SHIFT) if self.goal == "total" else 0) - sum(
            factor * found[row] for row, factor in self._by_carry[line]
        )
        stay = ((1 << SHIFT) if self.goal == "moves" else 0) - sum(factor * found[row] for row, factor in self._by_stay)
        return carry, stay

    def _tops(self, found: Sequence[int], limits: Limits) -> list[tuple[int, int]]:
        """The best fill of each shape, and what it is worth."""
        del limits
        sums: dict[tuple[int, ...], list[int]] = {}
        for line in self._chains:
            each = self._drive_prices(found, line)
            mine = sums[line] = [0]
            for parent, kind in self._parents:
                mine.append(mine[parent] + each[kind])
        tops = []
        for shape in self.shapes:
            if not shape.fills:
                tops.append((0, -1))
                continue
            mine = sums[shape.chain]
            carry, stay = self._rates(found, shape.chain)
            values = [
                mine[fill] + carry * rate + stay * kept
                for fill, rate, kept in zip(shape.fills, shape.carry, shape.stay, strict=True)
            ]
            most = max(values)
            tops.append((most, shape.fills[values.index(most)]))
        return tops

    def _limited(self, found: Sequence[int], limits: Limits, place: int, option: int) -> tuple[int, int]:
        """The best fill of an option within limits of counts."""
        shape = self.shapes[self._shape_of[option]]
        each = self._drive_prices(found, shape.chain)
        carry, stay = self._rates(found, shape.chain)
        mine = [(kind, *limit) for (slot, kind), limit in limits.counts.items() if slot == place]
        best = (0, -1)
        for fill, rate, kept in zip(shape.fills, shape.carry, shape.stay, strict=True):
            counts = self.fills[fill]
            if all(low <= counts[kind] <= high for kind, low, high in mine):
                value = sum(map(int.__mul__, each, counts)) + carry * rate + stay * kept
                if best[1] < 0 or value > best[0]:
                    best = value, fill
        return best
