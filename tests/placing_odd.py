"""Random placing problems that no machine looks like: small figures, so that everything ties, and limits that bite.

The same seed gives the same problem. Nothing here says what is right.
"""

from __future__ import annotations

from random import Random

from agent.planner.problem import DriveClass, Holder, NeedOf, PlacingProblem


def odd_problem(seed: int, slots: int, cards: int, drives: int) -> PlacingProblem:
    """A placing problem with that many slots and cards, and at most that many drives."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    classes = random.randint(1, 3)
    sockets = {slot for slot in range(slots) if random.random() < 0.25}
    uplinks = random.randint(0, 3)
    holders = [_holder(random, slot, None, slots, classes) for slot in sorted(sockets)] + [
        _holder(random, slot, card, slots, classes)
        for card in range(cards)
        for slot in range(slots)
        if slot not in sockets and random.random() < 0.8
    ]
    random.shuffle(holders)
    card_today = random.choices([None, *(slot for slot in range(slots) if slot not in sockets)], k=cards)
    return PlacingProblem(
        sizes=tuple(0 if slot in sockets else random.choice([1, 1, 2, 4]) for slot in range(slots)),
        above=tuple(random.choice([None, *range(uplinks)]) for _ in range(slots)),
        uplinks=tuple(
            (_pair(random, 12), random.choice([None, *range(number + 1, uplinks)])) for number in range(uplinks)
        ),
        holders=tuple(holders),
        must=tuple(all(not one.bays for one in holders if one.card == card) for card in range(cards)),
        card_today=tuple(card_today),
        classes=tuple(_class(random, slots, cards, drives // classes) for _ in range(classes)),
        needs=tuple(_need(random, holders, classes, cards) for _ in range(random.randint(0, 3))),
    )


def _pair(random: Random, most: int) -> tuple[int, int]:
    return random.randint(1, most), random.randint(1, most)


def _holder(random: Random, slot: int, card: int | None, slots: int, classes: int) -> Holder:
    bays = 1 if card is None else (card + 1) % 4 or random.choice([0, 2])
    switch = card is not None and random.random() < 0.5
    return Holder(
        card=card,
        slot=slot,
        bays=bays,
        link=_pair(random, 12) if switch else None,
        watts=random.choice([None, None, random.randint(0, 9)]),
        rates=tuple(_pair(random, 4) if bays and random.random() < 0.8 else (0, 0) for _ in range(classes)),
        split=not switch and random.random() < 0.4,
        switch=switch,
        covers=tuple(other for other in range(slots) if card is not None and other != slot and random.random() < 0.1),
    )


def _class(random: Random, slots: int, cards: int, most: int) -> DriveClass:
    """Drives that may be anywhere today, even where they cannot go."""
    count = random.randint(0, most)
    today: dict[tuple[str, int], int] = {}
    for _ in range(random.randint(0, count)):
        place = random.choice([*(("slot", slot) for slot in range(slots)), *(("card", card) for card in range(cards))])
        today[place] = today.get(place, 0) + 1
    return DriveClass(count, random.choice([0, 1, 1, 2, 3]), today)


def _need(random: Random, holders: list[Holder], classes: int, cards: int) -> NeedOf:
    card = random.randrange(cards) if cards and random.random() < 0.3 else None
    mine = [number for number, holder in enumerate(holders) if holder.card == card]
    return NeedOf(
        classes=tuple(kind for kind in range(classes) if random.random() < 0.5),
        each=(random.choice([0, random.randint(1, 4)]), random.choice([0, 0, random.randint(1, 4)])),
        no_split=random.random() < 0.3,
        no_switch=random.random() < 0.3,
        cards=() if card is None else ((card, frozenset(one for one in mine if random.random() < 0.6)),),
    )
