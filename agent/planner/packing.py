"""The best drives for one holder at given prices, found without a list of all the ways to fill it.

Where drives share a link, or power is scarce, rate and power get prices of their own; at those the best drives are
simply the ones worth most, and that gives a bound in whole numbers. Where no such choice reaches the bound, choices are
built up class by class; those are dropped that another beats whatever follows, or that the bound rules out. Nothing
that comes back is less than the truth.
"""

from __future__ import annotations

from itertools import accumulate
from operator import le, mul
from typing import TYPE_CHECKING, Final, NamedTuple

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    Best = tuple[int, "Fill"] | None

Fill = tuple[int, ...]  # drives of each class in one holder

NEAR: Final = 1 << 20  # a bound that is above what was found by less than this (a thousandth of a unit) is near enough
TRIES: Final = 16  # prices tried for a shared link, or for power
MOST_KEPT: Final = 2000  # choices kept at most of one step; where there are more, the bound is what it is


class Room(Struct, frozen=True):
    """What a holder takes: `bays` drives, `most` of each class, so many of some classes (`groups`), power (None: any).

    `watts` is what a drive of each class takes.
    """

    bays: int
    most: tuple[int, ...]
    groups: tuple[tuple[frozenset[int], int], ...]
    budget: int | None
    watts: tuple[int, ...]


class Lot(NamedTuple):
    """So many drives of a class: what each is worth but for what is carried, what it reads, the power that it takes."""

    kind: int
    number: int
    worth: int
    read: int
    watts: int


class Packed(NamedTuple):
    """Some drives: what they are worth but for what is carried, what they read, their power and number.

    `groups` is how many are of each group, `parts` the lots with how many of each.
    """

    worth: int
    read: int
    watts: int
    used: int
    groups: tuple[int, ...]
    parts: tuple[tuple[int, int], ...]  # class, number

    def more(self, lot: Lot, number: int, groups: Iterable[int]) -> Packed:
        """The choice with more drives."""
        held = list(self.groups)
        for group in groups:
            held[group] += number
        return Packed(
            self.worth + number * lot.worth,
            self.read + number * lot.read,
            self.watts + number * lot.watts,
            self.used + number,
            tuple(held),
            (*self.parts, (lot.kind, number)),
        )


class Packing:
    """What can be put into one holder. `rates` and `today`: what a drive of each class reads, how many are there."""

    def __init__(self, limits: Room, rates: Sequence[int], link: int | None, today: Sequence[int]) -> None:
        """Leave out the limits that cannot bind."""
        self.rates, self.link, self._today = rates, link, today
        self.watts, self.most, self.budget = limits.watts, limits.most, limits.budget
        self.kinds = [kind for kind, most in enumerate(limits.most) if most]
        self.bays = limits.bays
        each = {self.watts[kind] for kind in self.kinds}
        if self.budget is not None and len(each) == 1 and (one := each.pop()):
            self.bays, self.budget = min(self.bays, self.budget // one), None
        for group, most in limits.groups:
            if group.issuperset(self.kinds):
                self.bays = min(self.bays, most)
        groups = [pair for pair in limits.groups if self._binds(*pair)]
        self.group_most = [most for _, most in groups]
        self.groups_of = [
            tuple(number for number, (group, _) in enumerate(groups) if kind in group) for kind in range(len(self.most))
        ]
        self.nested = all(
            one <= other or other <= one or one.isdisjoint(other) for one, _ in groups for other, _ in groups
        )
        self._groups = groups
        self._plain = not groups and self.budget is None
        self._tops = [(kind, min(self.most[kind], self.bays), rates[kind]) for kind in self.kinds]
        self._fitted = [one for one in self._tops if today[one[0]]]
        self.nothing = Packed(0, 0, 0, 0, (0,) * len(groups), ())

    def _binds(self, group: frozenset[int], most: int) -> bool:
        return most < min(self.bays, sum(self.most[kind] for kind in group))

    def best(
        self, drives: Sequence[int], carry: int, stay: int, ranges: Mapping[int, tuple[int, int]], *, sure: bool
    ) -> Best:
        """A bound of what the best drives are worth, and good drives: `sure` ones are worth that but for `NEAR`.

        `drives` is what a drive of each class is worth, `carry` a unit of rate read, `stay` a drive that stays where
        it is; the last two are never below 0. `ranges` are the least and the most drives of some classes. None where
        nothing can be there.
        """
        if not ranges:
            quick = self._quick(drives, carry, stay)
            if quick is not None:
                return quick
        return self._packed(drives, carry, stay, ranges, sure=sure)

    def _quick(self, drives: Sequence[int], carry: int, stay: int) -> Best:
        """The drives worth most; None where they are too much for the link, the power or a group."""
        worths = [
            (worth, kind, most, rate) for kind, most, rate in self._tops if (worth := drives[kind] + carry * rate) > 0
        ]
        if stay and self._fitted:
            worths = [*self._split(drives, carry, stay), *(one for one in worths if not self._today[one[1]])]
        worths.sort(reverse=True)
        left, value, read = self.bays, 0, 0
        counts = [0] * len(self.most)
        for worth, kind, most, rate in worths:
            number = min(left, most)
            counts[kind] += number
            value += number * worth
            read += number * rate
            left -= number
            if not left:
                break
        if (carry and self.link is not None and read > self.link) or not (self._plain or self._holds(counts)):
            return None
        return value, tuple(counts)

    def _split(self, drives: Sequence[int], carry: int, stay: int) -> Iterator[tuple[int, int, int, int]]:
        """The drives of classes that are there today, those that stay apart from the others."""
        for kind, most, rate in self._fitted:
            worth, kept = drives[kind] + carry * rate, min(most, self._today[kind])
            if worth + stay > 0:
                yield worth + stay, kind, kept, rate
            if worth > 0 and most > kept:
                yield worth, kind, most - kept, rate

    def _holds(self, counts: Sequence[int]) -> bool:
        """Whether there is power for some drives, and no group has too many of them."""
        return (self.budget is None or sum(map(mul, counts, self.watts)) <= self.budget) and all(
            sum(counts[kind] for kind in group) <= most for group, most in self._groups
        )

    def _packed(
        self, drives: Sequence[int], carry: int, stay: int, ranges: Mapping[int, tuple[int, int]], *, sure: bool
    ) -> Best:
        forced = self.nothing
        lots: list[Lot] = []
        if any(least > self.most[kind] for kind, (least, _) in ranges.items()):
            return None
        for kind in self.kinds:
            least, most = ranges.get(kind, (0, self.most[kind]))
            most = min(most, self.most[kind])
            kept = min(most, self._today[kind]) if stay else 0
            for number, worth in ((kept, drives[kind] + stay), (most - kept, drives[kind])):
                first = min(least, number)
                least -= first
                lot = Lot(kind, number - first, worth, self.rates[kind], self.watts[kind])
                if first:
                    forced = forced.more(lot, first, self.groups_of[kind])
                if lot.number and worth + carry * lot.read > 0:
                    lots.append(lot)
        if not self.fits(forced):
            return None
        return Packer(self, forced, lots, carry).best(sure=sure)

    def fits(self, choice: Packed) -> bool:
        """Whether a choice keeps to all limits."""
        return (
            choice.used <= self.bays
            and (self.budget is None or choice.watts <= self.budget)
            and all(map(le, choice.groups, self.group_most))
        )


class Packer:
    """The search for the best drives of one holder at some prices."""

    def __init__(self, packing: Packing, forced: Packed, lots: list[Lot], carry: int) -> None:
        """`forced` are there in any case, `lots` may be."""
        self._packing, self._forced, self._lots, self._carry = packing, forced, lots, carry
        self._link = packing.link if carry else None
        self._bound: int | None = None
        self._rate, self._watt = carry, 0  # prices of the best bound
        self._found, self._best = self._value(forced), forced

    def best(self, *, sure: bool) -> Best:
        """A bound, and what was found."""
        self._price()
        assert self._bound is not None
        if sure and self._bound - self._found > NEAR and self._built():
            self._bound = min(self._bound, self._found + NEAR)
        counts = [0] * len(self._packing.most)
        for kind, number in self._best.parts:
            counts[kind] += number
        return max(self._bound, self._found), tuple(counts)

    def _value(self, choice: Packed) -> int:
        """What a choice is worth with what its drives carry."""
        return choice.worth + self._carry * (choice.read if self._link is None else min(choice.read, self._link))

    def _keep(self, choice: Packed) -> None:
        value = self._value(choice)
        if value > self._found:
            self._found, self._best = value, choice

    # --- Prices for what is shared ------------------------------------------------------------------------------

    def _price(self) -> None:
        """Look for the prices of rate and power at which the bound is least."""
        _, full, over = self._at(self._carry, 0)
        if full > 0:
            self._turn(lambda rate: self._at(rate, self._watt)[:2], 0, self._carry)
            _, _, over = self._at(self._rate, 0)
        if over < 0:
            most = max((lot.worth + self._carry * lot.read) // max(1, lot.watts) + 1 for lot in self._lots if lot.watts)
            self._turn(lambda watt: self._at(self._rate, watt)[::2], 0, most)
            if self._link is not None and self._found < (self._bound or 0) - NEAR:
                self._turn(lambda rate: self._at(rate, self._watt)[:2], 0, self._carry)

    def _turn(self, at: Callable[[int], tuple[int, int]], low: int, high: int) -> None:
        """Look between two prices for the one where the bound turns from falling to rising."""
        (low_bound, low_slope), (high_bound, high_slope) = at(low), at(high)
        for _ in range(TRIES):
            if low_slope >= 0 or high_slope <= 0 or high - low <= 1:
                return
            meet = (high_bound - low_bound + low_slope * low - high_slope * high) // (low_slope - high_slope)
            meet = min(max(meet, low + 1), high - 1)
            bound, slope = at(meet)
            if slope == 0 or bound >= low_bound + low_slope * (meet - low):
                return
            if slope < 0:
                low, low_bound, low_slope = meet, bound, slope
            else:
                high, high_bound, high_slope = meet, bound, slope

    def _at(self, rate: int, watt: int) -> tuple[int, int, int]:
        """The bound at prices of rate and power, and how it changes with each."""
        packing = self._packing
        lots = self._sorted(rate, watt)
        bound = self._taken(lots, groups=packing.nested, budget=False)
        value = bound.worth + rate * bound.read - watt * bound.watts
        by_rate, by_watt = 0, 0  # slopes
        if self._link is not None:
            value += (self._carry - rate) * self._link
            by_rate = bound.read - self._link
        if packing.budget is not None:
            value += watt * packing.budget
            by_watt = packing.budget - bound.watts
        if self._bound is None or value < self._bound:
            self._bound, self._rate, self._watt = value, rate, watt
        self._keep(bound if packing.fits(bound) else self._taken(lots, groups=True, budget=True))
        return value, by_rate, by_watt

    def _sorted(self, rate: int, watt: int) -> list[tuple[int, Lot]]:
        """The lots with their worth at prices of rate and power, best first."""
        priced = [(lot.worth + rate * lot.read - watt * lot.watts, lot) for lot in self._lots]
        priced.sort(reverse=True)
        return priced

    def _taken(self, lots: list[tuple[int, Lot]], *, groups: bool, budget: bool) -> Packed:
        """The drives worth most that fit, one lot after another."""
        packing, forced = self._packing, self._forced
        value, read, watts, used = forced.worth, forced.read, forced.watts, forced.used
        held, parts = list(forced.groups), list(forced.parts)
        left = None if packing.budget is None or not budget else packing.budget - watts
        for worth, lot in lots:
            if worth <= 0 or used == packing.bays:
                break
            number = min(lot.number, packing.bays - used)
            mine = packing.groups_of[lot.kind]
            if groups and mine:
                number = min(number, *(packing.group_most[group] - held[group] for group in mine))
            if left is not None and lot.watts:
                number = min(number, left // lot.watts)
                left -= number * lot.watts
            if number <= 0:
                continue
            for group in mine:
                held[group] += number
            value += number * lot.worth
            read += number * lot.read
            watts += number * lot.watts
            used += number
            parts.append((lot.kind, number))
        return Packed(value, read, watts, used, tuple(held), tuple(parts))

    # --- Built up -----------------------------------------------------------------------------------------------

    def _built(self) -> bool:
        """Build up all choices that the bound does not rule out, and keep the best; False where they are too many."""
        rate, watt, packing = self._rate, self._watt, self._packing
        rest = 0 if self._link is None else (self._carry - rate) * self._link
        rest += 0 if packing.budget is None else watt * packing.budget
        lots = self._sorted(rate, watt)
        sums = [0, *accumulate(worth for worth, lot in lots for _ in range(lot.number) if worth > 0)]
        sums += [sums[-1]] * (packing.bays + sum(lot.number for _, lot in lots))  # nothing is gained by the others
        line, end = [self._forced], 0
        ahead = [max((lot.watts for _, lot in lots[place + 1 :]), default=0) for place in range(len(lots))]
        for place, (worth, lot) in enumerate(lots):
            end += lot.number
            longer: list[Packed] = []
            for choice in line:
                left = packing.bays - choice.used
                most = choice.worth + rate * choice.read - watt * choice.watts + rest - sums[end]
                longer += [
                    choice.more(lot, number, packing.groups_of[lot.kind]) if number else choice
                    for number in range(min(lot.number, left) + 1)
                    if most + number * worth + sums[end + left - number] > self._found
                ]
            line = self._undominated(longer, ahead[place])
            if len(line) > MOST_KEPT:
                return False
        return True

    def _undominated(self, choices: list[Packed], watts: int) -> list[Packed]:
        """Those that fit and that no other is as good as in every way, whatever follows: at most `watts` a drive."""
        packing = self._packing
        valued = sorted(((self._value(one), one) for one in choices if packing.fits(one)), reverse=True)
        if valued and valued[0][0] > self._found:
            self._found, self._best = valued[0]
        kept: dict[object, list[tuple[int, int]]] = {}
        found = []
        for _, choice in valued:
            others = kept.setdefault((choice.used, choice.groups), [])
            power = 0
            if packing.budget is not None:
                power = max(choice.watts, packing.budget - watts * (packing.bays - choice.used))
            if not any(worth >= choice.worth and least <= power for worth, least in others):
                others.append((choice.worth, power))
                found.append(choice)
        return found
