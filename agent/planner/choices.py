"""What each slot can be given: a kind of card (cards that are alike are one kind) or, in a socket, a drive.

Only sorting; what is best is decided elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

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


def choices(problem: PlacingProblem, *, fine: bool) -> Choices:
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
    options += [
        Option(holder.slot, -1, (number,), (holder.slot, -1, number))
        for number, holder in enumerate(problem.holders)
        if holder.card is None
    ]
    slots = sorted({option.slot for option in options})
    by_slot = tuple(tuple(number for number, option in enumerate(options) if option.slot == slot) for slot in slots)
    return Choices(problem, tuple(kinds), tuple(options), by_slot)


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


def _kinds(problem: PlacingProblem, *, fine: bool) -> list[tuple[int, ...]]:
    """Cards that are alike, together."""
    found: dict[object, list[int]] = {}
    for card, wanted in enumerate(problem.must):
        named = tuple(sum(kind == card for kind, _ in need.cards) for need in problem.needs)
        today = (
            problem.card_today[card],
            tuple(drive_class.today.get(("card", card), 0) for drive_class in problem.classes),
        )
        features = tuple(_features(problem, number) for number in _holders_of(problem, card))
        found.setdefault((wanted, named, features, today if fine else None), []).append(card)
    return [tuple(cards) for cards in found.values()]


def _holders_of(problem: PlacingProblem, card: int) -> list[int]:
    """A card's holders, in an order that is the same for alike cards."""
    mine = [number for number, holder in enumerate(problem.holders) if holder.card == card]
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
