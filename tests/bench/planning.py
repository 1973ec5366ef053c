"""Planning: how long the proof of the best arrangement takes, beside SciPy's mixed-integer solver on the same problems.

Three sorts of problems of each size: those of `tests/placing.py`, in which few things fit, the same with half of the
slots losing lanes while others are filled, and roomy ones, in which almost everything fits everywhere, so that there is
much to choose from; then the first and the last with every drive a class of its own, and big backplanes. A problem of
these that is not proved within `PATIENCE` is told with what its bound leaves open. Seconds are processor time (both run
on one processor), so that other work on the machine does not count.
"""

from __future__ import annotations

import statistics
import sys
import time
from random import Random
from typing import TYPE_CHECKING, Final, TypeVar

from agent.model.throughput import ceiling_mbps, link_mbps
from agent.planner.problem import DriveClass, Holder, NeedOf, PlacingProblem
from agent.planner.search import search
from tests.placing import PAYLOAD_BYTES, random_problem, shared_problem
from tests.placing_parts import CARRIERS, KINDS, WANTED, Card, Kind
from tests.placing_unlike import backplane_problem, unlike, with_today

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.planner.problem import Score

GOALS: Final = {(8, 8, 16): 1.0, (12, 12, 24): 10.0}  # slots, cards, drives: seconds
UNLIKE_GOALS: Final = {(8, 8, 16): (0.5, 5.0), (12, 12, 24): (2.0, 20.0)}  # the same: median and worst, seconds
BACKPLANES: Final = (60, 120, 240)  # drives, to be proved in 10 s or with a gap below 1 %
PATIENCE: Final = 20.0  # seconds
SEEDS: Final = 20
OTHERS: Final = 3

Given = TypeVar("Given")


def roomy_problem(seed: int, slots: int, cards: int, drives: int) -> PlacingProblem:
    """A machine of long slots and two sockets (counted as slots), carriers for all of them, and shared uplinks."""
    random = Random(seed)  # noqa: S311 - repeatable problems, no secrets
    board = [(random.choice((3, 4, 4, 5)), random.choice((16, 16, 8, 4))) for _ in range(slots - 2)]
    pool = random.sample(CARRIERS, random.randint(3, 6))
    fitted = [random.choice(WANTED) if random.random() < 0.25 else random.choice(pool) for _ in range(cards)]
    kinds = random.choices(KINDS, k=random.randint(2, 5))
    counts = [drives // len(kinds) + (place < drives % len(kinds)) for place in range(len(kinds))]
    above: tuple[int | None, ...] = random.choice(((None,), (None, None), (None, 0), (None, 0, 0)))
    holders = [
        _holder(number, slot, link, card, kinds)
        for number, card in enumerate(fitted)
        for slot, link in enumerate(board)
    ]
    holders += [_socket(slot, kinds) for slot in (slots - 2, slots - 1)]
    problem = PlacingProblem(
        sizes=(*(int(10 * link_mbps(*link)) for link in board), 0, 0),
        above=tuple(random.randrange(len(above)) if random.random() < 0.4 else None for _ in range(slots)),
        uplinks=tuple((_pair(random.choice((3, 4)), random.choice((4, 8))), one) for one in above),
        holders=tuple(holders),
        must=tuple(not card.bays for card in fitted),
        card_today=(None,) * cards,
        classes=tuple(
            DriveClass(count, round(100 * kind.watts), {}) for kind, count in zip(kinds, counts, strict=True)
        ),
        needs=(NeedOf(classes=(0,), each=(17_000, 0)), NeedOf(classes=(1,), no_split=True, no_switch=True)),
    )
    return with_today(random, problem)


def _holder(number: int, slot: int, link: tuple[int, int], card: Card, kinds: list[Kind]) -> Holder:
    generation, lanes = min(link[0], card.generation), min(link[1], card.lanes)
    switch = card.carrier == "switch"
    own = card.generation if switch else generation
    return Holder(
        card=number,
        slot=slot,
        bays=card.bays if switch else min(card.bays, lanes // 4),
        link=_pair(generation, lanes) if switch else None,
        watts=round(100 * (75 - card.watts)),
        rates=tuple(_reached(own, kind) if card.bays else (0, 0) for kind in kinds),
        split=card.bays > 1 and not switch,
        switch=switch,
        covers=(slot + 1,) if card.wide else (),
    )


def _socket(slot: int, kinds: list[Kind]) -> Holder:
    return Holder(None, slot, 1, None, None, tuple(_reached(4, kind) for kind in kinds))


def _pair(generation: int, lanes: int) -> tuple[int, int]:
    read = ceiling_mbps(generation, lanes, PAYLOAD_BYTES, "to_host")
    return int(10 * read), int(10 * ceiling_mbps(generation, lanes, PAYLOAD_BYTES, "to_drive"))


def _reached(generation: int, kind: Kind) -> tuple[int, int]:
    read, write = _pair(min(generation, kind.generation), min(4, kind.lanes))
    return min(read, int(10 * kind.read)), min(write, int(10 * kind.write))


def timed(function: Callable[[PlacingProblem], Given], problem: PlacingProblem) -> tuple[float, Given]:
    """The seconds of processor time that a call takes, and what it gives."""
    start = time.process_time()
    given = function(problem)
    return time.process_time() - start, given


def proof(problem: PlacingProblem) -> Score:
    """The score that the search proves the best."""
    answer = search(problem)
    if not answer.proved:
        raise RuntimeError("not proved")
    return answer.score


def with_others(problem: PlacingProblem) -> None:
    """Prove the best arrangement and the next best ones."""
    if not search(problem, also=OTHERS).others_proved:
        raise RuntimeError("not proved")


def outside() -> Callable[[PlacingProblem], Score | None] | None:
    """The best score by the mixed-integer program, None where there is no solver."""
    try:
        from tests import milp
    except ImportError:
        return None

    def best(problem: PlacingProblem) -> Score | None:
        found = milp.best(problem)
        return None if found is None else found[0]

    return best


def measure(size: tuple[int, int, int], make: Callable[[int, int, int, int], PlacingProblem], seeds: int) -> None:
    """Print the median and worst of one sort and size; both ways take turns and must agree."""
    solver = outside()
    ours: list[float] = []
    more: list[float] = []
    theirs: list[float] = []
    for seed in range(seeds):
        problem = make(seed, *size)
        seconds, score = timed(proof, problem)
        ours.append(seconds)
        more.append(timed(with_others, problem)[0])
        if solver is not None:
            seconds, expected = timed(solver, problem)
            theirs.append(seconds)
            if expected != score:
                raise RuntimeError(f"{make.__name__}({seed}, *{size}): {score}, but the solver has {expected}")
    word = "within" if max(ours) <= GOALS[size] else "ABOVE"
    print(f"{make.__name__}, {size[0]} slots, {size[1]} cards, {size[2]} drives; {seeds} problems:")
    print(f"  best proved: {_words(ours)}; {word} the goal of {GOALS[size]:g} s")
    print(f"  and the {OTHERS} next best: {_words(more)}")
    if theirs:
        ratio = statistics.median(theirs) / statistics.median(ours)
        print(f"  mixed-integer program: {_words(theirs)}; {ratio:.1f} times the median above; the scores agree")
    else:
        print("  mixed-integer program: not there yet")


def limited(words: str, problems: list[PlacingProblem], goal: str, patience: float) -> None:
    """Print the median and worst time of some problems, and what is left open of those that are not proved in time."""
    seconds, left = [], []
    for seed, problem in enumerate(problems):
        end = time.process_time() + patience
        taken, answer = timed(lambda one, end=end: search(one, lambda: time.process_time() < end), problem)  # type: ignore[misc]
        seconds.append(taken)
        if not answer.proved:
            left.append(f"{seed}: {answer.score} of at most {answer.bound}")
    print(f"{words}; {len(problems)} problems: {_words(seconds)}; {len(problems) - len(left)} proved (goal: {goal})")
    for line in left:
        print(f"  not proved, {line}")


def measure_unlike(seeds: int) -> None:
    """Print the figures of unlike drives and of big backplanes."""
    for size, (median, worst) in UNLIKE_GOALS.items():
        for make in (random_problem, roomy_problem):
            problems = [unlike(seed, make(seed, *size)) for seed in range(seeds)]
            words = f"{make.__name__} of {size}, every drive a class of its own"
            limited(words, problems, f"median {median:g} s, worst {worst:g} s", PATIENCE)
    for drives in BACKPLANES:
        problems = [backplane_problem(seed, drives, 3 + seed % 6) for seed in range(seeds)]
        limited(f"{drives} drives of 3 to 8 kinds in carriers of 24 bays", problems, "10 s", PATIENCE / 2)


def _words(seconds: list[float]) -> str:
    return f"median {statistics.median(seconds):.3f} s, worst {max(seconds):.3f} s"


def main() -> None:
    """Measure all sizes and sorts; the number of problems of each is the first argument."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    for size in GOALS:
        for make in (random_problem, shared_problem, roomy_problem):
            measure(size, make, seeds)
    measure_unlike(seeds)


if __name__ == "__main__":
    main()
