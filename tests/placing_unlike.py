"""Random placing problems with many classes of drives, or many bays: where the ways to fill a carrier are countless.

As in `tests/placing.py` nothing here says what is right.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.throughput import DIRECTIONS, expected_mbps, link_mbps
from agent.planner.problem import DriveClass, Holder, NeedOf, PlacingProblem
from tests.placing import PAYLOAD_BYTES, random_arrangement
from tests.placing_parts import KINDS

if TYPE_CHECKING:
    from agent.planner.problem import Rates
    from tests.placing_parts import Kind

BAYS: Final = 24
LEAST: Final = 0.5  # the slowest drive of a class reads this share of what the class does


def unlike(seed: int, problem: PlacingProblem) -> PlacingProblem:
    """The problem with every drive a class of its own: each reads and writes something less than its class did."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    single = [kind for kind, one in enumerate(problem.classes) for _ in range(one.count)]
    shares = [random.uniform(LEAST, 1) for _ in single]
    fastest = [max((holder.rates[kind] for holder in problem.holders), default=()) for kind in single]
    limits = [tuple(int(rate * share) for rate in rates) for rates, share in zip(fastest, shares, strict=True)]
    places = [_each_today(one) for one in problem.classes]
    return replace(
        problem,
        holders=tuple(
            replace(
                holder,
                rates=tuple(
                    tuple(map(min, holder.rates[kind], limit)) for kind, limit in zip(single, limits, strict=True)
                ),
            )
            for holder in problem.holders
        ),
        classes=tuple(DriveClass(1, problem.classes[kind].watts, places[kind].pop()) for kind in single),
        needs=tuple(
            replace(need, classes=tuple(number for number, kind in enumerate(single) if kind in need.classes))
            for need in problem.needs
        ),
    )


def _each_today(one: DriveClass) -> list[dict[tuple[str, int], int]]:
    """Today's place of each drive of a class."""
    places = [{place: 1} for place, count in one.today.items() for _ in range(count)]
    return [*places, *({} for _ in range(one.count - len(places)))]


def backplane_problem(seed: int, drives: int, kinds: int) -> PlacingProblem:
    """Drives of some kinds for switch carriers of 24 bays, some bays more than drives, in slots of all sorts."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    carriers = -(-drives // BAYS) + random.randint(0, 2)
    board = [(random.choice((3, 4, 4, 5)), random.choice((16, 16, 8))) for _ in range(carriers + random.randint(0, 2))]
    made = [random.choice((3, 4, 4)) for _ in range(carriers)]
    budgets = [random.choice((None, None, 20_000)) for _ in range(carriers)]
    sorts = random.sample(KINDS, min(kinds, len(KINDS)))
    sorts += [_slower(random, random.choice(sorts)) for _ in range(kinds - len(sorts))]
    cuts = sorted(random.sample(range(1, drives), kinds - 1))
    counts = [high - low for low, high in zip([0, *cuts], [*cuts, drives], strict=True)]
    above: tuple[int | None, ...] = random.choice(((), (None,), (None, 0)))
    problem = PlacingProblem(
        sizes=tuple(int(10 * link_mbps(*link)) for link in board),
        above=tuple(random.randrange(len(above)) if above and random.random() < 0.4 else None for _ in board),
        uplinks=tuple((_rates(random.choice((4, 5)), random.choice((8, 16))), one) for one in above),
        holders=tuple(
            Holder(
                card=card,
                slot=slot,
                bays=BAYS,
                link=_rates(min(generation, link[0]), link[1]),
                watts=budgets[card],
                rates=tuple(_reached(generation, kind) for kind in sorts),
                switch=True,
            )
            for card, generation in enumerate(made)
            for slot, link in enumerate(board)
        ),
        must=(False,) * carriers,
        card_today=(None,) * carriers,
        classes=tuple(
            DriveClass(count, round(100 * kind.watts), {}) for kind, count in zip(sorts, counts, strict=True)
        ),
        needs=tuple(_need(random, kind) for kind in random.sample(range(kinds), 2)),
    )
    return with_today(random, problem)


def with_today(random: Random, problem: PlacingProblem) -> PlacingProblem:
    """The problem with some arrangement, full, partial or empty, as today's."""
    today = random_arrangement(random, problem, zeal=random.choice((1.0, 0.5, 0.0)))
    slots: list[int | None] = [None] * len(problem.must)
    places: list[dict[tuple[str, int], int]] = [{} for _ in problem.classes]
    for number in today.holders:
        holder = problem.holders[number]
        if holder.card is not None:
            slots[holder.card] = holder.slot
    for kind, number, count in today.drives:
        places[kind][problem.holders[number].home] = count
    classes = tuple(replace(one, today=place) for one, place in zip(problem.classes, places, strict=True))
    return replace(problem, card_today=tuple(slots), classes=classes)


def _need(random: Random, kind: int) -> NeedOf:
    """A need for a rate of each drive of a kind, at best or firmly."""
    rate = random.choice((2_000, 5_000, 10_000))
    return NeedOf((kind,), (rate, 0, 0, 0) if random.random() < 0.5 else (0, 0, rate, 0))


def _slower(random: Random, kind: Kind) -> Kind:
    return replace(kind, read=kind.read * random.uniform(LEAST, 1), write=kind.write * random.uniform(LEAST, 1))


def _rates(generation: int, lanes: int) -> Rates:
    """What a link carries, read and written: at best, then at the lower end of the range."""
    ranges = [expected_mbps(generation, lanes, PAYLOAD_BYTES, direction) for direction in DIRECTIONS]
    return (*(int(10 * high) for _, high in ranges), *(int(10 * low) for low, _ in ranges))


def _reached(generation: int, kind: Kind) -> Rates:
    link = _rates(min(generation, kind.generation), min(4, kind.lanes))
    return tuple(map(min, link, (int(10 * kind.read), int(10 * kind.write)) * 2))
