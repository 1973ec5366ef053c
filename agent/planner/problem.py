"""A placing problem in whole numbers, and what an arrangement is worth: one definition for search and tests.

Nothing here knows of sheets, words or time. Rates are tenths of MB/s, power hundredths of a watt, so that all is exact.
Slots, cards, uplinks, holders and classes of drives are numbered from 0. Rates come as (read, write), or as
(read, write, read, write) where the last two are the lower ends of what can be expected: needs may ask for those too,
which is how a need that is met firmly counts more than one met at best. All rates of a problem are of one sort.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterator

READ, WRITE = 0, 1

Rates = tuple[int, ...]


class Holder(Struct, frozen=True):
    """One card in one slot that it fits, or (`card` None) a slot that takes a drive itself.

    `bays` is how many drives work there, 0 for cards without bays. `link` is what the card's own link carries for all
    of its drives together, None where each bay has lanes of its own. `watts` is what drives may take together, None
    for no limit. `rates` is what one drive of each class reaches in a bay, all 0 where it cannot go there. `split`
    and `switch` tell what the drives hang on. `covers` are the slots that must stay empty beside it, `beside` those
    that must hold something: where a slot has fewer lanes while another is filled, it has a holder for either.
    """

    card: int | None
    slot: int
    bays: int
    link: Rates | None
    watts: int | None
    rates: tuple[Rates, ...]
    split: bool = False
    switch: bool = False
    covers: tuple[int, ...] = ()
    beside: tuple[int, ...] = ()

    @property
    def home(self) -> tuple[str, int]:
        """Its card or its slot, as `DriveClass.today` names them."""
        return ("slot", self.slot) if self.card is None else ("card", self.card)


class DriveClass(Struct, frozen=True):
    """Drives that are alike in every way that counts, needs and today's place included in so far as they count.

    `today` gives how many of them are now on each card or in each slot, by ("card", number) or ("slot", number).
    """

    count: int
    watts: int
    today: dict[tuple[str, int], int]


class NeedOf(Struct, frozen=True):
    """A need.

    Every drive of `classes` is placed and reaches `each` (rates; 0: not asked) while only they work, all at the same
    rate; none is on a holder that is split or behind a switch where that is refused; and each card of
    `cards` is on one of the holders given with it.
    """

    classes: tuple[int, ...] = ()
    each: Rates = (0, 0)
    no_split: bool = False
    no_switch: bool = False
    cards: tuple[tuple[int, frozenset[int]], ...] = ()


class PlacingProblem(Struct, frozen=True):
    """Everything that decides.

    `sizes` is what each slot is worth free, `above` its uplink or None; `uplinks` are
    (rates that it carries, the uplink above or None). `must` tells which cards are wanted in the machine for their
    own sake (cards without bays); a carrier may be left out. `card_today` is each card's slot now. `holders` holds
    only what is possible: connectors, splits, lengths, fixed cards and power of the bare card are settled before.
    """

    sizes: tuple[int, ...]
    above: tuple[int | None, ...]
    uplinks: tuple[tuple[Rates, int | None], ...]
    holders: tuple[Holder, ...]
    must: tuple[bool, ...]
    card_today: tuple[int | None, ...]
    classes: tuple[DriveClass, ...]
    needs: tuple[NeedOf, ...]


class Arrangement(Struct, frozen=True):
    """Holders in use, sorted (slots of drives only where they hold one), and drives: (class, holder, count), sorted."""

    holders: tuple[int, ...]
    drives: tuple[tuple[int, int, int], ...]


class Score(Struct, frozen=True, order=True):
    """What an arrangement is worth; greater is better, compared in this order.

    `placed`: drives and wanted cards in place. `needs`: needs met. `worst`: what the slowest placed drive reads while
    all read at once. `total`: what all placed drives read together. `moves`: minus the number of cards and drives
    that change place, are fitted or are taken out. `room`: minus what the slots in use would be worth free.
    """

    placed: int  # first: nobody wants a card quietly left in its box so that a figure looks better
    needs: int
    worst: int
    total: int
    moves: int
    room: int


def allowed(problem: PlacingProblem, arrangement: Arrangement) -> bool:
    """Whether an arrangement keeps to every hard limit."""
    holders = [problem.holders[number] for number in arrangement.holders]
    slots = [holder.slot for holder in holders]
    cards = [holder.card for holder in holders if holder.card is not None]
    covered = [slot for holder in holders for slot in holder.covers]
    beside = {slot for holder in holders for slot in holder.beside}
    if len(set(slots)) < len(slots) or len(set(cards)) < len(cards):
        return False
    if not set(covered).isdisjoint(slots) or not beside.issubset(slots):
        return False
    here: dict[int, list[tuple[int, int]]] = {}
    used = [0] * len(problem.classes)
    for kind, number, count in arrangement.drives:
        if number not in arrangement.holders or count < 1 or not problem.holders[number].rates[kind][READ]:
            return False
        here.setdefault(number, []).append((kind, count))
        used[kind] += count
    if any(count > drive_class.count for count, drive_class in zip(used, problem.classes, strict=True)):
        return False
    for number, drives in here.items():
        holder = problem.holders[number]
        watts = sum(problem.classes[kind].watts * count for kind, count in drives)
        if sum(count for _, count in drives) > holder.bays or (holder.watts is not None and watts > holder.watts):
            return False
    return all(problem.holders[number].card is not None or number in here for number in arrangement.holders)


def score(problem: PlacingProblem, arrangement: Arrangement) -> Score:
    """What an allowed arrangement is worth."""
    flows = [
        (problem.holders[number], problem.holders[number].rates[kind][READ], count)
        for kind, number, count in arrangement.drives
    ]
    drives = sum(count for _, _, count in flows)
    cards = {problem.holders[number].card for number in arrangement.holders}
    placed = drives + sum(wanted and card in cards for card, wanted in enumerate(problem.must))
    return Score(
        placed=placed,
        needs=sum(met(problem, arrangement, need) for need in problem.needs),
        worst=_worst(problem, flows),
        total=_total(problem, flows),
        moves=-_moves(problem, arrangement),
        room=-sum(problem.sizes[problem.holders[number].slot] for number in arrangement.holders),
    )


def met(problem: PlacingProblem, arrangement: Arrangement, need: NeedOf) -> bool:
    """Whether an arrangement gives what a need asks for."""
    on = {problem.holders[number].card: number for number in arrangement.holders}
    if any(on.get(card) not in holders for card, holders in need.cards):
        return False
    mine = [(kind, number, count) for kind, number, count in arrangement.drives if kind in need.classes]
    if sum(count for _, _, count in mine) < sum(problem.classes[kind].count for kind in need.classes):
        return False
    for _, number, _ in mine:
        holder = problem.holders[number]
        if (need.no_split and holder.split) or (need.no_switch and holder.switch):
            return False
    for direction, each in enumerate(need.each):
        flows = [
            (problem.holders[number], problem.holders[number].rates[kind][direction], n) for kind, number, n in mine
        ]
        if each and any(rate < each for _, rate, _ in flows):
            return False
        if each and any(capacity < each * count for capacity, count in _loads(problem, flows, direction)):
            return False
    return True


def _loads(problem: PlacingProblem, flows: list[tuple[Holder, int, int]], direction: int) -> Iterator[tuple[int, int]]:
    """The capacity of each shared link that these drives cross, and how many of them cross it."""
    links: dict[Holder, int] = {}
    uplinks: dict[int, int] = {}
    for holder, _, count in flows:
        links[holder] = links.get(holder, 0) + count
        for uplink in uplinks_of(problem, holder.slot):
            uplinks[uplink] = uplinks.get(uplink, 0) + count
    for holder, count in links.items():
        if holder.link is not None:
            yield holder.link[direction], count
    for uplink, count in uplinks.items():
        yield problem.uplinks[uplink][0][direction], count


def uplinks_of(problem: PlacingProblem, slot: int) -> Iterator[int]:
    """The uplinks from a slot to the processor, nearest first."""
    uplink = problem.above[slot]
    while uplink is not None:
        yield uplink
        uplink = problem.uplinks[uplink][1]


def _worst(problem: PlacingProblem, flows: list[tuple[Holder, int, int]]) -> int:
    """The least max-min fair share.

    In a tree it is the least of each link's rate over its drives (and each drive's own rate), as filling all drives
    alike stops first there.
    """
    rates = [rate for _, rate, _ in flows]
    return min([*rates, *(capacity // count for capacity, count in _loads(problem, flows, READ))], default=0)


def _total(problem: PlacingProblem, flows: list[tuple[Holder, int, int]]) -> int:
    """The sum of max-min fair shares: in a tree it is the greatest flow, since fair filling leaves no room unused."""
    links: dict[Holder, int] = {}
    for holder, rate, count in flows:
        links[holder] = links.get(holder, 0) + rate * count
    below = [0] * len(problem.uplinks)
    total = 0
    for holder, rate in links.items():
        carried = rate if holder.link is None else min(rate, holder.link[READ])
        uplink = problem.above[holder.slot]
        if uplink is None:
            total += carried
        else:
            below[uplink] += carried
    for uplink in _bottom_up(problem):
        rates, above = problem.uplinks[uplink]
        carried = min(below[uplink], rates[READ])
        if above is None:
            total += carried
        else:
            below[above] += carried
    return total


def _bottom_up(problem: PlacingProblem) -> list[int]:
    """Uplinks in an order in which each comes before the one above it."""

    def depth(uplink: int) -> int:
        above = problem.uplinks[uplink][1]
        return 0 if above is None else depth(above) + 1

    return sorted(range(len(problem.uplinks)), key=depth, reverse=True)


def _moves(problem: PlacingProblem, arrangement: Arrangement) -> int:
    """Cards and drives that change place, are fitted, or are taken out. A drive that moves with its card stays."""
    slots: dict[int, int] = {}
    for number in arrangement.holders:
        card = problem.holders[number].card
        if card is not None:
            slots[card] = problem.holders[number].slot
    moves = sum(slots.get(card) != today for card, today in enumerate(problem.card_today))
    for kind, drive_class in enumerate(problem.classes):
        placed: dict[tuple[str, int], int] = {}
        for other, number, count in arrangement.drives:
            if other == kind:
                key = problem.holders[number].home
                placed[key] = placed.get(key, 0) + count
        stay = sum(min(count, placed.get(key, 0)) for key, count in drive_class.today.items())
        moves += max(sum(placed.values()), sum(drive_class.today.values())) - stay
    return moves
