"""What each slot can be given: a kind of card (cards that are alike are one kind) or, in a socket, a drive.

Only sorting; what is best is decided elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from agent.model.grouping import grouped
from agent.planner.problem import Arrangement, PlacingProblem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.planner.wanted import Look

Taken = list[tuple[int, tuple[int, ...]]]  # options, each with its drives by class


class Option(Struct, frozen=True):
    """A kind of card in a slot: one holder for each of its cards. A socket has `kind` -1 and one holder."""

    slot: int
    kind: int
    holders: tuple[int, ...]
    look: Look


class Choices(Struct, frozen=True):
    """`kinds` are the card numbers of each kind, `by_slot` the numbers of the options of each slot that has any."""

    problem: PlacingProblem
    kinds: tuple[tuple[int, ...], ...]
    options: tuple[Option, ...]
    by_slot: tuple[tuple[int, ...], ...]


def choices(problem: PlacingProblem, *, fine: bool, original: PlacingProblem) -> Choices:
    """The choices; with `fine` cards are alike only if they and their drives are also in the same place today.

    What else cards must have in common is judged by `original`: the problem before alike drives became one class.
    """
    rough = _kinds(original)
    rough_of = {card: number for number, cards in enumerate(rough) for card in cards}
    kinds = rough
    if fine:
        kinds = [
            *grouped(((rough_of[card], _today(problem, card)), card) for cards in rough for card in cards).values()
        ]
    options: list[Option] = []
    for number, cards in enumerate(kinds):
        rows = zip(*(_holders_of(original, card) for card in cards), strict=True)
        for place, holders in enumerate(rows):
            slot = problem.holders[holders[0]].slot
            options.append(Option(slot, number, holders, (slot, rough_of[cards[0]], place)))
    options += [
        Option(holder.slot, -1, (number,), (holder.slot, -1, number))
        for number, holder in enumerate(problem.holders)
        if holder.card is None
    ]
    slots = sorted({option.slot for option in options})
    by_slot = tuple(tuple(number for number, option in enumerate(options) if option.slot == slot) for slot in slots)
    return Choices(problem, tuple(map(tuple, kinds)), tuple(options), by_slot)


def looks(choices: Choices) -> dict[int, Look]:
    """The look of each holder; where all looks are the same, only alike cards are exchanged."""
    return {number: option.look for option in choices.options for number in option.holders}


def arranged(choices: Choices, taken: Taken) -> Arrangement:
    """The arrangement of some options; of alike cards those go where they, or their drives, are today."""
    problem = choices.problem
    pairs = sorted(
        (-_stays(problem, choices.options[option].holders[which], counts), place, which)
        for place, (option, counts) in enumerate(taken)
        for which in range(len(choices.options[option].holders))
    )
    holders: dict[int, int] = {}
    cards: set[int] = set()
    for _, place, which in pairs:
        number = choices.options[taken[place][0]].holders[which]
        card = problem.holders[number].card
        if place not in holders and card not in cards:
            holders[place] = number
            cards |= set() if card is None else {card}
    drives = [
        (kind, number, count)
        for place, number in holders.items()
        for kind, count in enumerate(taken[place][1])
        if count
    ]
    return Arrangement(tuple(sorted(holders.values())), tuple(sorted(drives)))


def _stays(problem: PlacingProblem, number: int, counts: Sequence[int]) -> int:
    """How much of a holder with its drives is so today; less for a card that is not fitted."""
    holder = problem.holders[number]
    if holder.card is None:
        return 0
    today = problem.card_today[holder.card]
    kept = sum(
        min(count, drive_class.today.get(("card", holder.card), 0))
        for count, drive_class in zip(counts, problem.classes, strict=True)
    )
    return 2 * (kept + (today == holder.slot)) - (today is None)


def _kinds(problem: PlacingProblem) -> list[list[int]]:
    """Cards that are alike but for today's place, together."""
    pairs = []
    for card, wanted in enumerate(problem.must):
        named = tuple(sum(kind == card for kind, _ in need.cards) for need in problem.needs)
        features = tuple(_features(problem, number) for number in _holders_of(problem, card))
        pairs.append(((wanted, named, features), card))
    return [*grouped(pairs).values()]


def _today(problem: PlacingProblem, card: int) -> tuple[int | None, ...]:
    """Where a card is today, and how many drives of each class are on it."""
    return problem.card_today[card], *(drive_class.today.get(("card", card), 0) for drive_class in problem.classes)


def _holders_of(problem: PlacingProblem, card: int) -> list[int]:
    """A card's holders, in an order that is the same for alike cards."""
    mine = [number for number, holder in enumerate(problem.holders) if holder.card == card]
    if len({problem.holders[number].slot for number in mine}) == len(mine):
        return sorted(mine, key=lambda number: problem.holders[number].slot)
    return sorted(mine, key=lambda number: (problem.holders[number].slot, repr(_features(problem, number)), number))


def _features(problem: PlacingProblem, number: int) -> tuple[object, ...]:
    """All that counts of a holder but the number of its card."""
    one = problem.holders[number]
    roles = tuple(_roles(problem, number))
    others = tuple(sorted(one.covers)), tuple(sorted(one.beside))
    return one.slot, one.bays, one.link, one.watts, one.rates, one.split, one.switch, *others, roles


def _roles(problem: PlacingProblem, number: int) -> Iterator[bool]:
    """Whether each need lets its card be on a holder."""
    for need in problem.needs:
        yield all(number in holders for card, holders in need.cards if card == problem.holders[number].card)
