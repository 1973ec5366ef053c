"""What each slot can be given: a kind of card (alike cards are one kind) or, in a socket, a drive; and with what drives.

Only counting and sorting; what is best is decided elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.planner.problem import READ, Arrangement, Problem, uplinks_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Look = tuple[int, int, int]  # slot, kind of card (today's place aside, -1 for a socket), which of its holders there


class Option(Struct, frozen=True):
    """A kind of card in a slot: one holder number for each of its alike cards; a socket has `kind` -1 and one holder."""

    slot: int
    kind: int
    holders: tuple[int, ...]
    look: Look


class Choices(Struct, frozen=True):
    """`kinds` are the card numbers of each kind; `by_slot` the options of each slot that has any, by number."""

    problem: Problem
    kinds: tuple[tuple[int, ...], ...]
    options: tuple[Option, ...]
    by_slot: tuple[tuple[int, ...], ...]


def choices(problem: Problem, *, fine: bool) -> Choices:
    """The choices; with `fine` cards are alike only if they and their drives are also in the same place today."""
    rough = _kinds(problem, fine=False)
    kinds = _kinds(problem, fine=True) if fine else rough
    rough_of = {card: number for number, cards in enumerate(rough) for card in cards}
    options: list[Option] = []
    for number, cards in enumerate(kinds):
        rows = zip(*(_holders_of(problem, card) for card in cards), strict=True)
        for place, holders in enumerate(rows):
            slot = problem.holders[holders[0]].slot
            options.append(Option(slot, number, holders, (slot, rough_of[cards[0]], place)))
    for number, holder in enumerate(problem.holders):
        if holder.card is None:
            options.append(Option(holder.slot, -1, (number,), (holder.slot, -1, number)))
    slots = sorted({option.slot for option in options})
    by_slot = tuple(tuple(number for number, one in enumerate(options) if one.slot == slot) for slot in slots)
    return Choices(problem, tuple(kinds), tuple(options), by_slot)


def looks(problem: Problem, arrangement: Arrangement) -> frozenset[Look]:
    """Which kind of card is where: the same for arrangements that differ only by exchanging cards of one kind."""
    of_holder = {holder: one.look for one in choices(problem, fine=False).options for holder in one.holders}
    return frozenset(of_holder[number] for number in arrangement.holders)


def _kinds(problem: Problem, *, fine: bool) -> list[tuple[int, ...]]:
    found: dict[object, list[int]] = {}
    for card, wanted in enumerate(problem.must):
        named = tuple(tuple(one for one, _ in need.cards).count(card) for need in problem.needs)
        today = tuple(one.today.get(("card", card), 0) for one in problem.classes)
        features = tuple(_features(problem, number) for number in _holders_of(problem, card))
        key = (wanted, named, features, (problem.card_today[card], today) if fine else None)
        found.setdefault(key, []).append(card)
    return [tuple(cards) for cards in found.values()]


def _holders_of(problem: Problem, card: int) -> list[int]:
    mine = [number for number, holder in enumerate(problem.holders) if holder.card == card]
    return sorted(mine, key=lambda number: (problem.holders[number].slot, repr(_features(problem, number)), number))


def _features(problem: Problem, number: int) -> tuple[object, ...]:
    """All that counts of a holder but the number of its card."""
    one = problem.holders[number]
    roles = tuple(all(number in holders for card, holders in need.cards if card == one.card) for need in problem.needs)
    return (
        (
            one.slot,
            one.bays,
            one.link,
            one.watts,
            one.rates,
            one.split,
            one.switch,
            sorted(one.covers),
            roles,
        ).__str__(),
    )


def fills(problem: Problem) -> list[tuple[int, ...]]:
    """Every number of drives by class that fits into the holder with the most bays, the empty one first."""
    most = max((holder.bays for holder in problem.holders), default=0)
    found: list[tuple[int, ...]] = [(0,) * len(problem.classes)]
    lines = [found]
    for _ in range(most):
        line = []
        for fill in lines[-1]:
            last = max((kind for kind, count in enumerate(fill) if count), default=0)
            for kind in range(last, len(fill)):
                if fill[kind] < problem.classes[kind].count:
                    line.append((*fill[:kind], fill[kind] + 1, *fill[kind + 1 :]))
        lines.append(line)
    return [fill for line in lines for fill in line]


def arranged(choices_: Choices, taken: Iterable[tuple[int, Sequence[int]]]) -> Arrangement:
    """The arrangement of some options with their fills; of alike cards those go where they (or their drives) are today."""
    problem = choices_.problem
    holders: list[int] = []
    drives: list[tuple[int, int, int]] = []
    free = [list(cards) for cards in choices_.kinds]
    pairs = []
    taken = list(taken)
    for place, (number, fill) in enumerate(taken):
        option = choices_.options[number]
        for which, holder in enumerate(option.holders):
            card = problem.holders[holder].card
            stays = 0
            if card is not None:
                stays = (
                    2 * (problem.card_today[card] == option.slot)
                    + 2
                    * sum(
                        min(count, one.today.get(("card", card), 0))
                        for count, one in zip(fill, problem.classes, strict=True)
                    )
                    - (problem.card_today[card] is None)
                )
            pairs.append((-stays, place, which))
    done: set[int] = set()
    for _, place, which in sorted(pairs):
        number, fill = taken[place]
        option = choices_.options[number]
        card = problem.holders[option.holders[which]].card
        if place in done or (card is not None and card not in free[option.kind]):
            continue
        done.add(place)
        if card is not None:
            free[option.kind].remove(card)
        holders.append(option.holders[which])
        drives += [(kind, option.holders[which], count) for kind, count in enumerate(fill) if count]
    return Arrangement(tuple(sorted(holders)), tuple(sorted(drives)))


def carried(problem: Problem, number: int, fill: Sequence[int]) -> int:
    """What drives on a holder read together, as far as its own link carries it."""
    holder = problem.holders[number]
    rate = sum(rates[READ] * count for rates, count in zip(holder.rates, fill, strict=True))
    return rate if holder.link is None else min(rate, holder.link[READ])


def chain(problem: Problem, slot: int) -> tuple[int, ...]:
    """The uplinks from a slot to the processor."""
    return tuple(uplinks_of(problem, slot))
