"""The exact search for the best arrangement: stage by stage as `Score` compares, each stage with the earlier ones held.

Takes no time itself: `running` says whether there is any left. What is not proved is said with a bound.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.planner.begin import filled, today
from agent.planner.branch import Closed, Stage
from agent.planner.choices import Look, arranged, choices, looks
from agent.planner.model import Goal, Model, Wanted
from agent.planner.problem import READ, Arrangement, Problem, Score, allowed, met, score

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.planner.branch import Taken

NOTHING: Final = -(1 << 60)  # less than any value
BARE: Final = Arrangement((), ())


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


def always() -> bool:
    """There is always time."""
    return True


def search(
    problem: Problem, running: Callable[[], bool] = always, also: int = 0, most_moves: int | None = None
) -> Answer:
    """The best arrangement, and as many next best ones as asked for.

    Where nothing can be had with `most_moves` moves, the fewest possible moves are the limit.
    """
    clock = _clock(running)
    first = Search(problem, clock, most_moves)
    best, bound = first.run()
    worth = score(problem, best or BARE)
    assert best is not None
    assert bound is not None
    before = [looks(problem, best)]
    others: list[Arrangement] = []
    proved = bound == worth
    for _ in range(also):
        other, most = Search(problem, clock, first.most_moves, tuple(before)).run()
        proved &= most == (None if other is None else score(problem, other))
        if other is None:
            break
        others.append(other)
        before.append(looks(problem, other))
    return Answer(best, worth, bound == worth, bound, tuple(others), proved)


def _clock(running: Callable[[], bool]) -> Callable[[], bool]:
    """The same, but once time is up it stays up."""
    up = False

    def clock() -> bool:
        nonlocal up
        up = up or not running()
        return not up

    return clock


class Search:
    """One search, with a limit of moves and without some sets of holders."""

    def __init__(
        self,
        problem: Problem,
        running: Callable[[], bool],
        most_moves: int | None = None,
        unlike: tuple[frozenset[Look], ...] = (),
    ) -> None:
        """Nothing is looked at yet."""
        self._problem, self._running = problem, running
        self.most_moves = most_moves
        self._unlike = unlike
        self._rough = choices(problem, fine=False)
        self._fine = choices(problem, fine=True)
        self._best: Arrangement | None = None
        self._score = Score(-1, 0, 0, 0, 0, 0)
        self.steps = 0

    def run(self) -> tuple[Arrangement | None, Score | None]:
        """The best arrangement (None: there is none) and a bound (None: nothing is left)."""
        now = today(self._problem)
        for arrangement in (now, filled(self._problem, now), filled(self._problem, BARE), BARE):
            self._offer(arrangement)
        if self._best is None:
            self._fewest_moves()
        if self._best is None:
            return None, None if self._running() else self._top()
        bound = self._stages()
        return self._best, max(bound, self._score)

    def _top(self) -> Score:
        """A score that nothing exceeds."""
        problem = self._problem
        drives = sum(one.count for one in problem.classes)
        fastest = [
            max((holder.rates[kind][READ] for holder in problem.holders), default=0)
            for kind in range(len(problem.classes))
        ]
        return Score(
            placed=drives + sum(problem.must),
            needs=len(problem.needs),
            worst=max(fastest, default=0),
            total=sum(rate * one.count for rate, one in zip(fastest, problem.classes, strict=True)),
            moves=0,
            room=0,
        )

    def _offer(self, arrangement: Arrangement) -> None:
        """Keep an arrangement if it counts and is the best yet."""
        problem = self._problem
        if not allowed(problem, arrangement) or (self._unlike and looks(problem, arrangement) in self._unlike):
            return
        worth = score(problem, arrangement)
        if worth > self._score and (self.most_moves is None or -worth.moves <= self.most_moves):
            self._best, self._score = arrangement, worth

    def _fewest_moves(self) -> None:
        """Find what has the fewest moves where nothing that is known counts, and let it count unless others did."""
        problem, limit, self.most_moves = self._problem, self.most_moves, None
        fewest = (NOTHING, BARE)

        def found(arrangement: Arrangement) -> int:
            nonlocal fewest
            fewest = max(fewest, (score(problem, arrangement).moves, arrangement), key=lambda one: one[0])
            return fewest[0]

        if not self._unlike:
            found(BARE)
        self._stage(Wanted(), "moves", fewest[0], found=found)
        self.most_moves = limit
        if limit is not None and not self._unlike:
            self.most_moves = max(limit, -fewest[0])
        if fewest[0] > NOTHING:
            self._offer(fewest[1])

    # --- Stages -------------------------------------------------------------------------------------------------

    def _stages(self) -> Score:
        """All stages one after another; a bound."""
        top = self._top()
        closed = self._stage(Wanted(), "placed", self._score.placed, top.placed)
        top = replace(top, placed=min(top.placed, closed.bound))
        if not closed.done:
            return top
        numbers = range(len(self._problem.needs))
        for size in range(len(numbers), -1, -1):
            top = replace(top, needs=size)
            possible = []
            for needs in combinations(numbers, size):
                wanted = Wanted(needs=needs, placed=top.placed)
                can = self._can(wanted)
                if can is None:
                    return top
                possible += [wanted] if can else []
            if possible:
                return max(self._after_needs(wanted, top) for wanted in possible)
        return self._score

    def _after_needs(self, wanted: Wanted, top: Score) -> Score:
        """The stages from the worst share on, with one set of needs; a bound."""
        shares = [share for share in self._shares() if share > self._score.worst]
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
        for goal in ("total", "moves", "room"):
            closed = self._stage(wanted, goal, self._floor(wanted, goal))
            if not closed.done:
                return _with(top, goal, closed.bound)
            if closed.bound == NOTHING:
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
            worth.placed >= (wanted.placed or 0)
            and worth.worst >= wanted.worst
            and worth.total >= (wanted.total or 0)
            and (wanted.moves is None or worth.moves >= wanted.moves)
            and all(met(self._problem, arrangement, self._problem.needs[number]) for number in wanted.needs)
        )

    def _shares(self) -> list[int]:
        """Every value that the worst share can have, in order."""
        problem = self._problem
        drives = sum(one.count for one in problem.classes)
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
        enough: int | None = None,
        found: Callable[[Arrangement], int] | None = None,
    ) -> Closed:
        """The best value of a goal beside all that is wanted, if it is more than `floor`."""
        moves = wanted.moves
        if self.most_moves is not None:
            moves = max(-self.most_moves, NOTHING if moves is None else moves)
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

        stage = Stage(Model(taken_from, wanted, goal), take, self._running, floor, enough)
        closed = stage.run()
        self.steps += stage.steps
        return closed


def _with(top: Score, goal: Literal["total", "moves", "room"], bound: int) -> Score:
    """A bound with the bound of one goal."""
    if goal == "total":
        return replace(top, total=min(top.total, bound))
    return replace(top, moves=min(0, bound)) if goal == "moves" else replace(top, room=min(0, bound))
