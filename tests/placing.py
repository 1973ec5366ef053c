"""Random placing problems of a given size, as varied as real machines are; the same seed gives the same problem.

Nothing here says what is right: the answers come from `tests/brute.py` and `tests/milp.py`. Names are left out, since a
placing problem has none.
"""

from __future__ import annotations

from itertools import product
from random import Random
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model.throughput import DIRECTIONS, expected_mbps, link_mbps
from agent.planner.problem import Arrangement, DriveClass, Holder, NeedOf, PlacingProblem
from tests.placing_parts import CARRIERS, ERAS, KINDS, SHAPES, SPLITS, WANTED, Card, Kind, Slot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.problem import Rates

Link = tuple[int, int]  # generation, lanes
State = tuple[Slot, tuple[int, ...], tuple[int, ...]]  # a slot as it is while some others are empty, and some filled

PAYLOAD_BYTES: Final = 256
LANES_OF_A_BAY: Final = 4


class Made(Struct, frozen=True):
    """A problem and the links that it was made of, so that its figures can be held against the throughput model.

    `card_links` gives each holder's shared link, `bay_links` each holder's and class's own link in a bay, `limits` each
    class's own (read, write) limit in MB/s.
    """

    problem: PlacingProblem
    card_links: tuple[Link | None, ...]
    bay_links: tuple[tuple[Link | None, ...], ...]
    uplink_links: tuple[Link, ...]
    limits: tuple[tuple[float, float], ...]


def random_problem(seed: int, slots: int, cards: int, drives: int) -> PlacingProblem:
    """A placing problem with that many slots for cards, cards and drives, and some sockets for single drives."""
    return random_made(seed, slots, cards, drives).problem


def shared_problem(seed: int, slots: int, cards: int, drives: int) -> PlacingProblem:
    """The same where half of the slots lose lanes, or all of them, while others are filled."""
    return random_made(seed, slots, cards, drives, shared=True).problem


def random_made(seed: int, slots: int, cards: int, drives: int, *, shared: bool = False) -> Made:
    """The same with the links that it was made of."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    era = random.choice(ERAS)
    board = [_slot(random, era) for _ in range(slots)] + [
        _socket(random, era) for _ in range(random.randint(0, (slots + 1) // 3))
    ]
    fitted = _cards(random, cards)
    kinds = _kinds(random, drives)
    uplink_links, above_uplinks, above = _uplinks(random, board)
    covers = _covers(random, board)
    places = [(None, slot) for slot, one in enumerate(board) if one.socket] + [
        (card, slot)
        for card, part in enumerate(fitted)
        for slot, one in enumerate(board)
        if not one.socket and _goes_in(part, one)
    ]
    states = lane_states(seed, board) if shared else [[(one, (), ())] for one in board]
    made = [
        _beside(_holder(one, slot, None if card is None else fitted[card], card, covers[slot], kinds), empty, filled)
        for card, slot in places
        for one, empty, filled in states[slot]
        if card is None or _goes_in(fitted[card], one)
    ]
    problem = PlacingProblem(
        sizes=tuple(0 if one.socket else int(10 * link_mbps(one.generation, one.lanes)) for one in board),
        above=tuple(above),
        uplinks=tuple((_rates(link), upper) for link, upper in zip(uplink_links, above_uplinks, strict=True)),
        holders=tuple(holder for holder, _, _ in made),
        must=tuple(card.carrier == "none" for card in fitted),
        card_today=(None,) * cards,
        classes=tuple(DriveClass(count, round(100 * kind.watts), {}) for kind, count in kinds),
        needs=(),
    )
    problem, kept = _with_today(random, problem)
    problem = _with_needs(random, problem)
    return Made(
        problem,
        card_links=tuple(made[number][1] for number in kept),
        bay_links=tuple(made[number][2] for number in kept),
        uplink_links=tuple(uplink_links),
        limits=tuple((kind.read, kind.write) for kind, _ in kinds),
    )


# --- The machine -----------------------------------------------------------------------------------------------


def _slot(random: Random, era: Sequence[int]) -> Slot:
    connector, lanes = random.choice(SHAPES)
    splits = random.choice(SPLITS.get(lanes, [()]))
    watts = random.choice([75.0, 75.0, None, 40.0] if connector == 16 else [25.0, 25.0, None])
    return Slot(
        connector=connector,
        lanes=lanes,
        generation=random.choice(era),
        open_end=connector < 16 and random.random() < 0.3,
        splits=splits,
        watts=watts,
        short=random.random() < 0.15,
    )


def _socket(random: Random, era: Sequence[int]) -> Slot:
    return Slot(
        connector=4,
        lanes=random.choice([4, 4, 4, 2]),
        generation=random.choice(era),
        open_end=False,
        splits=(),
        watts=random.choice([None, None, 12.0]),
        short=random.random() < 0.5,
        socket=True,
    )


def _cards(random: Random, cards: int) -> list[Card]:
    """About a third wanted for their own sake; carriers often several of a kind, so that there are ties."""
    pool = random.sample(CARRIERS, random.randint(1, 4))
    return [random.choice(WANTED) if random.random() < 0.35 else random.choice(pool) for _ in range(cards)]


def _kinds(random: Random, drives: int) -> list[tuple[Kind, int]]:
    """Two to five classes (one of one drive), some of the same kind."""
    number = min(drives, random.randint(2, 5))
    cuts = sorted(random.sample(range(1, drives), number - 1)) if drives else []
    counts = [high - low for low, high in zip([0, *cuts], [*cuts, drives], strict=True)] if drives else []
    kinds = random.sample(KINDS, random.randint(1, 3))
    return [(random.choice(kinds), count) for count in counts]


def _uplinks(random: Random, board: Sequence[Slot]) -> tuple[list[Link], list[int | None], list[int | None]]:
    """Links shared by several slots, beside or above each other: (link of each, the one above, that of each slot)."""
    above: list[int | None] = random.choice(
        [[], [None], [None], [None, None], [None, 0], [None, 0, 0], [None, 0, None]]
    )
    links = [(random.choice([2, 3, 3, 4]), random.choice([2, 4, 4, 8])) for _ in above]
    slots: list[int | None] = []
    for one in board:
        shared = above and random.random() < (0.3 if one.lanes > 8 else 0.6)
        slots.append(random.randrange(len(above)) if shared else None)
    return links, above, slots


def _covers(random: Random, board: Sequence[Slot]) -> list[tuple[int, ...]]:
    """What a double-width card hides: the next slot, and now and then a socket."""
    sockets = [number for number, one in enumerate(board) if one.socket]
    slots = len(board) - len(sockets)
    covers: list[tuple[int, ...]] = []
    for number in range(len(board)):
        neighbour = (number + 1,) if number + 1 < slots else ()
        under = (random.choice(sockets),) if sockets and random.random() < 0.15 else ()
        covers.append((*neighbour, *under))
    return covers


def lane_states(seed: int, board: Sequence[Slot]) -> list[list[State]]:
    """For each slot the states that it can be in: as it is then, the slots that are empty, those that are filled.

    Half of the slots lose half of their lanes, or all, to one or two others, now and then to both ways of a pair. A
    state in which no lane is left is none.
    """
    random = Random(f"lanes {seed}")  # noqa: S311 - repeatable problems, no secrets
    loss: dict[int, dict[int, int]] = {}  # what is left of each slot while another is filled
    numbers = range(len(board))
    for slot in random.sample(numbers, (len(board) + 1) // 2) if len(board) > 1 else []:
        beside = [other for other in numbers if other != slot]
        others = random.sample(beside, min(len(beside), random.choice((1, 1, 2))))
        half = board[slot].lanes // 2
        loss[slot] = {
            other: half if slot in loss.get(other, ()) else random.choice((half, half, 0)) for other in others
        }
    found = []
    for slot, one in enumerate(board):
        states: list[State] = []
        others = sorted(loss.get(slot, {}))
        for filled in product((False, True), repeat=len(others)):
            there = tuple(other for other, full in zip(others, filled, strict=True) if full)
            lanes = min([one.lanes, *(loss[slot][other] for other in there)])
            empty = tuple(other for other in others if other not in there)
            splits = tuple(split for split in one.splits if sum(split) <= lanes)
            if lanes:
                states.append((replace(one, lanes=lanes, splits=splits), empty, there))
        found.append(states)
    return found


def _beside(
    made: tuple[Holder, Link | None, tuple[Link | None, ...]], empty: tuple[int, ...], filled: tuple[int, ...]
) -> tuple[Holder, Link | None, tuple[Link | None, ...]]:
    """A holder that asks other slots to be empty or filled."""
    holder, shared, own = made
    return replace(holder, covers=(*holder.covers, *empty), beside=filled), shared, own


# --- Holders ---------------------------------------------------------------------------------------------------


def _goes_in(card: Card, slot: Slot) -> bool:
    fits = card.connector <= slot.connector or slot.open_end
    power = slot.watts is None or card.watts <= slot.watts or card.carrier == "none"  # those have supply cables
    starved = card.carrier == "passive" and slot.lanes < LANES_OF_A_BAY
    return fits and power and not starved


def _holder(
    slot: Slot,
    number: int,
    card: Card | None,
    name: int | None,
    covers: tuple[int, ...],
    kinds: Sequence[tuple[Kind, int]],
) -> tuple[Holder, Link | None, tuple[Link | None, ...]]:
    """A holder with its shared link and the own link of a drive of each class."""
    bays = 1 if card is None else card.bays
    generation, lanes = slot.generation, min(slot.lanes, LANES_OF_A_BAY)
    shared = None
    if card is not None:
        generation = min(generation, card.generation)
        if card.carrier == "switch":
            shared = generation, min(slot.lanes, card.lanes)
            generation, lanes = card.generation, LANES_OF_A_BAY
        elif card.carrier == "passive":
            bays = max([1, *(_bays(split, card.bays) for split in slot.splits)])
    own = [
        (min(generation, kind.generation), min(lanes, kind.lanes)) if bays and not (kind.long and slot.short) else None
        for kind, _ in kinds
    ]
    holder = Holder(
        card=name,
        slot=number,
        bays=bays,
        link=None if shared is None else _rates(shared),
        watts=None if slot.watts is None else max(0, round(100 * (slot.watts - (card.watts if card else 0)))),
        rates=tuple(
            (0,) * 4 if link is None else tuple(map(min, _rates(link), (int(10 * kind.read), int(10 * kind.write)) * 2))
            for link, (kind, _) in zip(own, kinds, strict=True)
        ),
        split=card is not None and card.carrier == "passive" and bays > 1,
        switch=shared is not None,
        covers=covers if card is not None and card.wide else (),
    )
    return holder, shared, tuple(own)


def _bays(split: tuple[int, ...], bays: int) -> int:
    """How many bays of four lanes begin where a group of lanes does."""
    starts = {sum(split[:number]) for number in range(len(split))}
    return sum(LANES_OF_A_BAY * bay in starts for bay in range(bays))


def _rates(link: Link) -> Rates:
    """What a link carries, read and written: at best, then at the lower end of the range."""
    ranges = [expected_mbps(*link, PAYLOAD_BYTES, direction) for direction in DIRECTIONS]
    return (*(int(10 * high) for _, high in ranges), *(int(10 * low) for low, _ in ranges))


# --- Today and the needs ---------------------------------------------------------------------------------------


def _with_today(random: Random, problem: PlacingProblem) -> tuple[PlacingProblem, list[int]]:
    """The problem with today's placing, full, partial or empty; some cards stay. Also the holders that remain."""
    zeal = random.choice([1.0, 1.0, 0.5, 0.5, 0.0])
    today = random_arrangement(random, problem, zeal)
    card_today: list[int | None] = [None] * len(problem.must)
    here: list[dict[tuple[str, int], int]] = [{} for _ in problem.classes]
    for number in today.holders:
        holder = problem.holders[number]
        if holder.card is not None:
            card_today[holder.card] = holder.slot
    for kind, number, count in today.drives:
        holder = problem.holders[number]
        here[kind]["slot" if holder.card is None else "card", holder.slot if holder.card is None else holder.card] = (
            count
        )
    only: dict[int, int] = {}  # cards that have a fixed place: no other holder is possible
    for card, (wanted, slot) in enumerate(zip(problem.must, card_today, strict=True)):
        places = [holder.slot for holder in problem.holders if holder.card == card]
        if slot is not None and random.random() < 0.15:
            only[card] = slot
        elif wanted and places and random.random() < 0.15:
            only[card] = random.choice(places)
    kept = [
        number
        for number, holder in enumerate(problem.holders)
        if holder.card is None or only.get(holder.card, holder.slot) == holder.slot
    ]
    return replace(
        problem,
        holders=tuple(problem.holders[number] for number in kept),
        card_today=tuple(card_today),
        classes=tuple(replace(one, today=now) for one, now in zip(problem.classes, here, strict=True)),
    ), kept


def random_arrangement(random: Random, problem: PlacingProblem, zeal: float = 1.0) -> Arrangement:
    """An allowed arrangement: holders in random order, each part placed with probability `zeal` where it can be."""
    taken: set[int] = set()
    full: set[int] = set()
    cards: set[int] = set()
    left = [one.count for one in problem.classes]
    holders: list[int] = []
    drives: list[tuple[int, int, int]] = []
    for number in random.sample(range(len(problem.holders)), len(problem.holders)):
        holder = problem.holders[number]
        if holder.card in cards or not full.issuperset(holder.beside):
            continue
        if not taken.isdisjoint((holder.slot, *holder.covers)) or random.random() >= zeal:
            continue
        filled = _filled(random, problem, holder, left, zeal)
        if holder.card is None and not filled:
            continue
        taken |= {holder.slot, *holder.covers}
        full.add(holder.slot)
        cards |= set() if holder.card is None else {holder.card}
        holders.append(number)
        for kind, count in filled.items():
            left[kind] -= count
            drives.append((kind, number, count))
    return Arrangement(tuple(sorted(holders)), tuple(sorted(drives)))


def _filled(
    random: Random, problem: PlacingProblem, holder: Holder, left: Sequence[int], zeal: float
) -> dict[int, int]:
    """Drives for a holder, by class."""
    filled: dict[int, int] = {}
    watts = holder.watts
    for _ in range(holder.bays):
        fitting = [
            kind
            for kind, one in enumerate(problem.classes)
            if left[kind] > filled.get(kind, 0) and holder.rates[kind][0] and (watts is None or one.watts <= watts)
        ]
        if fitting and random.random() < zeal:
            kind = random.choice(fitting)
            filled[kind] = filled.get(kind, 0) + 1
            watts = None if watts is None else watts - problem.classes[kind].watts
    return filled


def _with_needs(random: Random, problem: PlacingProblem) -> PlacingProblem:
    """The problem with up to three needs of every sort, from easy to impossible; most are asked for firmly too."""
    needs = [_need(random, problem) for _ in range(random.choice([0, 1, 1, 2, 3]))]
    firm = [replace(need, each=(0, 0, *need.each[:2])) for need in needs if random.random() < 0.8]
    return replace(problem, needs=(*needs, *firm))


def _need(random: Random, problem: PlacingProblem) -> NeedOf:
    classes: tuple[int, ...] = ()
    each = [0, 0]
    cards: tuple[tuple[int, frozenset[int]], ...] = ()
    if problem.classes and random.random() < 0.8:
        numbers = range(len(problem.classes))
        classes = tuple(sorted(random.sample(numbers, min(len(numbers), random.choice([1, 1, 2])))))
        level = random.choice([0.0, 0.25, 0.5, 0.75, 1.0, 1.0, 1.1])
        for direction in random.choice([(0,), (0,), (1,), (0, 1)]):
            best = [max([holder.rates[kind][direction] for holder in problem.holders], default=0) for kind in classes]
            each[direction] = int(level * min(best))
    if problem.must and (not classes or random.random() < 0.2):
        card = random.randrange(len(problem.must))
        mine = [number for number, holder in enumerate(problem.holders) if holder.card == card]
        cards = ((card, frozenset(random.sample(mine, random.randint(min(1, len(mine)), len(mine))))),)
    return NeedOf(
        classes=classes,
        each=(*each, 0, 0),
        no_split=bool(classes) and random.random() < 0.25,
        no_switch=bool(classes) and random.random() < 0.25,
        cards=cards,
    )
