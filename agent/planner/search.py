"""The exact search for the best arrangement: stage by stage as `Score` compares, each stage with the earlier ones held.

Takes no time itself: `running` says whether there is any left. What is not proved is said with a bound.
"""

from __future__ import annotations

from copy import copy
from itertools import combinations, product
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.planner.alike import Alike
from agent.planner.begin import filled, today
from agent.planner.branch import ENDLESS, Closed, Stage
from agent.planner.choices import arranged, choices, looks
from agent.planner.climb import climbed
from agent.planner.clock import TimeUp, always, checked, once_up
from agent.planner.fills import Fills
from agent.planner.model import Model
from agent.planner.needs import Needs
from agent.planner.problem import READ, Arrangement, PlacingProblem, Score, allowed, met, score
from agent.planner.wanted import Wanted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from agent.planner.choices import Taken
    from agent.planner.wanted import Goal, Look

NOTHING: Final = -(1 << 60)  # less than any value
BARE: Final = Arrangement((), ())
NO_SCORE: Final = Score(NOTHING, 0, 0, 0, 0, 0)  # less than any arrangement has


class Answer(Struct, frozen=True):
    """The best arrangement found and its score.

    `proved`: nothing scores more. `bound`: nothing scores more than this (the score itself when proved). `others` are
    the next best with other sets of holders, where exchanging cards that are alike but for today's place makes no
    other set; `others_proved`: they are the next best, and all there are where they are fewer than asked for.
    """

    best: Arrangement
    score: Score
    proved: bool
    bound: Score
    others: tuple[Arrangement, ...] = ()
    others_proved: bool = True


def search(
    problem: PlacingProblem, running: Callable[[], bool] = always, also: int = 0, most_moves: int | None = None
) -> Answer:
    """The best arrangement, and as many next best ones as asked for.

    Where nothing can be had with `most_moves` moves, the fewest possible moves are the limit.
    """
    clock = once_up(running)
    if not clock():
        return _unsearched(problem, _begun(problem, clock), also, most_moves)
    alike = Alike(problem)
    begun = _begun(alike.problem, clock)
    try:
        first = Search(alike.problem, clock, most_moves, begun, original=problem)
    except TimeUp:
        answer = _unsearched(alike.problem, begun, also, most_moves)
        return replace(answer, best=alike.apart(answer.best))
    best, bound = first.run()
    worth = score(alike.problem, best or BARE)
    assert best is not None
    assert bound is not None
    others: list[Arrangement] = []
    last, other, proved = first, best, bound == worth
    for _ in range(also):
        last = last.without(other, ceiling=score(alike.problem, other) if proved else None)
        following, most = last.run()
        proved &= most == (None if following is None else score(alike.problem, following))
        if following is None:
            break
        other = following
        others.append(other)
    return Answer(alike.apart(best), worth, bound == worth, bound, tuple(map(alike.apart, others)), proved)


def _begun(problem: PlacingProblem, running: Callable[[], bool]) -> list[Arrangement]:
    """What is known before anything is searched, the empty arrangement last."""
    now = today(problem)
    return [now, filled(problem, now, running), filled(problem, BARE, running), BARE]


def _unsearched(problem: PlacingProblem, begun: list[Arrangement], also: int, most_moves: int | None) -> Answer:
    """The answer where time is up before anything is searched."""
    ranked = [(score(problem, arrangement), number) for number, arrangement in enumerate(begun)]
    limit = min(-worth.moves for worth, _ in ranked)
    if most_moves is not None:
        limit = max(limit, most_moves)
        ranked = [(worth, number) for worth, number in ranked if -worth.moves <= limit]
    worth, number = max(ranked, key=lambda pair: pair[0])
    bound = max(worth, _top(problem))
    return Answer(begun[number], worth, bound == worth, bound, (), not also)


def _top(problem: PlacingProblem) -> Score:
    """A score that nothing exceeds."""
    drives = sum(drive_class.count for drive_class in problem.classes)
    fastest = [
        max((holder.rates[kind][READ] for holder in problem.holders), default=0) for kind in range(len(problem.classes))
    ]
    return Score(
        placed=drives + sum(problem.must),
        needs=len(problem.needs),
        worst=max(fastest, default=0),
        total=sum(rate * drive_class.count for rate, drive_class in zip(fastest, problem.classes, strict=True)),
        moves=0,
        room=0,
    )


class Search:
    """One search, with a limit of moves and without some sets of holders."""

    def __init__(
        self,
        problem: PlacingProblem,
        running: Callable[[], bool],
        most_moves: int | None,
        begun: Sequence[Arrangement],
        original: PlacingProblem,
    ) -> None:
        """Nothing is looked at yet but what is `begun` with; cards that are alike in `original` are alike.

        TimeUp where not even that can be sorted.
        """
        check = checked(running)
        self._problem, self._running = problem, running
        self._most_moves = most_moves
        check()
        self._rough = choices(problem, fine=False, original=original)
        check()
        self._fine = choices(problem, fine=True, original=original)
        self._look_of = looks(self._rough)
        check()
        self._fills = Fills(problem)
        self._needs = Needs(problem)
        self._begun = begun
        self._most = _top(problem)
        self._unlike: tuple[frozenset[Look], ...] = ()
        self._ceiling: Score | None = None
        self._seen: dict[frozenset[Look], tuple[Score, Arrangement]] = {}
        self._best: Arrangement | None = None
        self._score = NO_SCORE
        self.steps = 0

    def without(self, arrangement: Arrangement, ceiling: Score | None) -> Search:
        """A search as this one, but without an arrangement and those that look like it.

        It begins with the best that was seen. `ceiling` is a score that nothing in it exceeds, None where that is not
        known.
        """
        other = copy(self)
        other._unlike = (*self._unlike, self._looks(arrangement))  # noqa: SLF001 - a copy of itself
        other._ceiling = ceiling  # noqa: SLF001 - as above
        other._best, other._score = None, NO_SCORE  # noqa: SLF001 - as above
        return other

    def run(self) -> tuple[Arrangement | None, Score | None]:
        """The best arrangement (None: there is none) and a bound (None: nothing is left)."""
        for arrangement in self._begun:
            self._offer(arrangement)
        for _, arrangement in [*self._seen.values()]:
            self._offer(arrangement)
        if self._best is None:
            self._fewest_moves()
        if self._best is None:
            return None, None if self._running() else self._most
        bound = self._stages()
        return self._best, max(bound, self._score)

    def _looks(self, arrangement: Arrangement) -> frozenset[Look]:
        return frozenset(self._look_of[number] for number in arrangement.holders)

    def _offer(self, arrangement: Arrangement) -> None:
        """Keep an allowed arrangement if it counts and is the best yet."""
        look, worth = self._looks(arrangement), score(self._problem, arrangement)
        if self._most_moves is not None and -worth.moves > self._most_moves:
            return
        if look not in self._seen or worth > self._seen[look][0]:
            self._seen[look] = worth, arrangement
        if worth > self._score and look not in self._unlike:
            self._best, self._score = arrangement, worth

    def _fewest_moves(self) -> None:
        """Find what has the fewest moves where nothing that is known counts, and let it count unless others did."""
        problem, limit, self._most_moves = self._problem, self._most_moves, None
        fewest = (NOTHING, BARE)

        def found(arrangement: Arrangement) -> int:
            nonlocal fewest
            fewest = max(fewest, (score(problem, arrangement).moves, arrangement), key=lambda ranked: ranked[0])
            return fewest[0]

        if not self._unlike:
            found(BARE)
        self._stage(Wanted(), "moves", fewest[0], found=found)
        self._most_moves = limit
        if limit is not None and not self._unlike:
            self._most_moves = max(limit, -fewest[0])
        if fewest[0] > NOTHING:
            self._offer(fewest[1])

    # --- Stages -------------------------------------------------------------------------------------------------

    def _stages(self) -> Score:
        """All stages one after another; a bound."""
        top = self._most
        closed = self._stage(Wanted(), "placed", self._score.placed, self._enough("placed", top.placed))
        top = replace(top, placed=min(top.placed, closed.bound))
        if not closed.done:
            return top
        possible = self._need_sets(top)
        if isinstance(possible, Score):
            return possible
        sets, worth = possible
        top = replace(top, needs=worth, worst=min(top.worst, self._worst_of_all(top.placed)))
        return max(self._after_needs(wanted, top) for wanted in sets)

    def _worst_of_all(self, placed: int) -> int:
        """The most that the slowest drives can have, where so much is placed that all drives are."""
        classes = [kind for kind, drive_class in enumerate(self._problem.classes) if drive_class.count]
        if placed < self._most.placed or not classes:
            return self._most.worst
        return min(max(holder.rates[kind][READ] for holder in self._problem.holders) for kind in classes)

    def _need_sets(self, top: Score) -> tuple[list[Wanted], int] | Score:
        """The greatest sets of needs that can be met together, and their worth; a bound where time is up before."""
        bare = Wanted(placed=top.placed)
        alone = self._those_that_can(bare, [(number,) for number in self._needs.order])
        if alone is None:
            return top
        numbers = [number for (number,) in alone]
        apart: set[tuple[int, int]] | None = None
        for worth in range(self._enough("needs", sum(self._needs.weights[number] for number in numbers)), 0, -1):
            top = replace(top, needs=worth)
            found = self._those_that_can(bare, self._needs.sets(numbers, worth, apart or set(), self._running))
            if found is None or not self._running():
                return top
            if found:
                return [replace(bare, needs=needs) for needs in found], worth
            if apart is None:
                apart = self._pairs_apart(bare, numbers)
                if apart is None:
                    return top
        return [bare], 0

    def _pairs_apart(self, bare: Wanted, numbers: Sequence[int]) -> set[tuple[int, int]] | None:
        """The pairs of needs (both ways) that cannot be met together; None where time is up."""
        below = self._needs.below
        fine: set[tuple[int, int]] = set()
        apart: set[tuple[int, int]] = set()
        for ranked, other in sorted(combinations(numbers, 2), key=lambda pair: -sum(len(below[each]) for each in pair)):
            if (ranked, other) in fine or ranked in below[other] or other in below[ranked]:
                continue
            can = self._can(replace(bare, needs=(ranked, other)))
            if can is None:
                return None
            if can:
                fine |= set(product({ranked, *below[ranked]}, {other, *below[other]}))
                fine |= set(product({other, *below[other]}, {ranked, *below[ranked]}))
            else:
                apart |= {(ranked, other), (other, ranked)}
        return apart

    def _those_that_can(self, bare: Wanted, sets: Iterable[tuple[int, ...]]) -> list[tuple[int, ...]] | None:
        """The sets of needs that can be met with all that is placed; None where time is up."""
        found = []
        for needs in sets:
            can = self._can(replace(bare, needs=needs))
            if can is None:
                return None
            found += [needs] if can else []
        return found

    def _after_needs(self, wanted: Wanted, top: Score) -> Score:
        """The stages from the worst share on, with one set of needs; a bound."""
        shares = [share for share in self._shares() if self._score.worst < share <= self._enough("worst", top.worst)]
        step = 1
        while shares:
            middle = min(step, (len(shares) + 1) // 2) - 1
            can = self._can(replace(wanted, worst=shares[middle]))
            if can is None:
                return replace(top, worst=shares[-1])
            shares = [share for share in shares if share > self._score.worst] if can else shares[:middle]
            step = 4 * step if can else 1
        wanted = replace(wanted, worst=self._score.worst)
        top = replace(top, worst=self._score.worst)
        if self._best is not None and self._score.total < top.total:
            self._offer(climbed(self._problem, self._best, self._running))
        for goal in ("total", "moves", "room"):
            closed = self._stage(wanted, goal, self._floor(wanted, goal), self._enough(goal, getattr(top, goal)))
            if not closed.done:
                return _with(top, goal, closed.bound)
            if closed.bound < self._least(goal):
                break
            top = _with(top, goal, closed.bound)
            wanted = replace(wanted, total=top.total, moves=top.moves if goal != "total" else None)
        return self._score

    def _floor(self, wanted: Wanted, goal: Literal["total", "moves", "room"]) -> int:
        """The best value yet of a goal beside all that is wanted; what has no more is not of interest."""
        reached = (self._score.total, self._score.moves, self._score.room)
        held = (wanted.total, wanted.moves, None)
        for name, value, least in zip(("total", "moves", "room"), reached, held, strict=True):
            if name == goal:
                return value
            if least is None or value < least:
                return NOTHING
        return NOTHING

    def _least(self, goal: str) -> int:
        """A value of a goal that no arrangement falls below."""
        problem = self._problem
        if goal == "moves":
            fitted = sum(sum(drive_class.today.values()) for drive_class in problem.classes)
            return -fitted - sum(drive_class.count for drive_class in problem.classes) - len(problem.must)
        return -sum(problem.sizes) if goal == "room" else 0

    def _enough(self, goal: str, most: int) -> int:
        """What cannot be exceeded of a goal: less than `most` where a better score than the ceiling's would be had."""
        if self._ceiling is not None:
            for name in Score.__struct_fields__:
                if name == goal:
                    return min(most, int(getattr(self._ceiling, name)))
                if getattr(self._score, name) != getattr(self._ceiling, name):
                    break
        return most

    def _can(self, wanted: Wanted) -> bool | None:
        """Whether all that is wanted can be had; None where time is up."""
        assert wanted.placed is not None
        if self._best is not None and self._meets(self._best, self._score, wanted):
            return True
        closed = self._stage(wanted, "placed", wanted.placed - 1, wanted.placed)
        return closed.bound >= wanted.placed if closed.done else None

    def _meets(self, arrangement: Arrangement, worth: Score, wanted: Wanted) -> bool:
        """Whether an arrangement has all that is wanted."""
        return (
            self._looks(arrangement) not in self._unlike
            and worth.placed >= (wanted.placed or 0)
            and worth.worst >= wanted.worst
            and worth.total >= (wanted.total or 0)
            and (wanted.moves is None or worth.moves >= wanted.moves)
            and all(met(self._problem, arrangement, self._problem.needs[number]) for number in wanted.needs)
        )

    def _shares(self) -> list[int]:
        """Every value that the worst share can have, in order."""
        problem = self._problem
        drives = sum(drive_class.count for drive_class in problem.classes)
        found = {rates[READ] for holder in problem.holders for rates in holder.rates}
        links = [(holder.link[READ], holder.bays) for holder in problem.holders if holder.link is not None]
        links += [(capacity[READ], drives) for capacity, _ in problem.uplinks]
        found |= {capacity // count for capacity, most in links for count in range(1, most + 1)}
        return sorted(found - {0})

    def _stage(
        self,
        wanted: Wanted,
        goal: Goal,
        floor: int,
        enough: int = ENDLESS,
        found: Callable[[Arrangement], int] | None = None,
    ) -> Closed:
        """The best value of a goal beside all that is wanted, if it is more than `floor`."""
        moves = wanted.moves
        if self._most_moves is not None:
            moves = max(-self._most_moves, NOTHING if moves is None else moves)
        wanted = replace(wanted, unlike=self._unlike, moves=moves)
        taken_from = self._fine if goal in {"moves", "room"} or moves is not None else self._rough

        def offer(arrangement: Arrangement) -> int:
            self._offer(arrangement)
            worth = score(self._problem, arrangement)
            return int(getattr(worth, goal)) if self._meets(arrangement, worth, wanted) else NOTHING

        keep = found or offer

        def take(taken: Taken) -> int:
            arrangement = arranged(taken_from, taken)
            return keep(arrangement) if allowed(self._problem, arrangement) else NOTHING

        floor = max(floor, self._least(goal) - 1)
        if floor >= enough:
            return Closed(floor, done=True)
        model = Model(taken_from, self._fills, wanted, goal)
        stage = Stage(model, take, self._running, floor=floor, enough=enough)
        closed = stage.run()
        self.steps += stage.steps
        return closed


def _with(top: Score, goal: Literal["total", "moves", "room"], bound: int) -> Score:
    """A bound with the bound of one goal."""
    if goal == "total":
        return replace(top, total=min(top.total, bound))
    return replace(top, moves=min(0, bound)) if goal == "moves" else replace(top, room=min(0, bound))
