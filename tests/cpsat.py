"""A placing problem for a constraint solver (CP-SAT): a second judge beside the program of `tests/milp.py`.

States the definition of `agent.planner.problem` once more, all in whole numbers, so that no tolerance can matter; uses
nothing of the planner's search, nor `score`. One model, solved stage by stage, each with those before it held.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from agent.planner.problem import READ, PlacingProblem, Score

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.planner.problem import NeedOf

EFFORT: Final = 60.0  # the solver's own measure of work for one stage, the same on every machine


class Judged:
    """The model of one problem; `solver` is the module of the solver, which is not installed everywhere."""

    def __init__(self, solver: Any, problem: PlacingProblem) -> None:  # noqa: ANN401 - a module without types
        """State what is allowed."""
        self._solver, self._problem = solver, problem
        self._model = solver.CpModel()
        self._holders = range(len(problem.holders))
        self._kinds = range(len(problem.classes))
        self._drives = sum(one.count for one in problem.classes)
        self._used = [self._whole(1) for _ in self._holders]
        self._there = {
            (kind, number): self._whole(min(problem.classes[kind].count, holder.bays))
            for number, holder in enumerate(problem.holders)
            for kind in self._kinds
            if holder.rates[kind][READ]
        }
        self._allow()

    def _whole(self, most: int) -> Any:  # noqa: ANN401 - as above
        return self._model.new_int_var(0, most, "")

    def _on(self, numbers: Sequence[int], kinds: Sequence[int] | None = None) -> Any:  # noqa: ANN401 - as above
        """How many drives of some classes are on some holders."""
        wanted = self._kinds if kinds is None else kinds
        return sum(var for (kind, number), var in self._there.items() if number in numbers and kind in wanted)

    def _allow(self) -> None:
        """One holder in a slot, none where it is covered; one place for a card; what is beside; bays, power, drives."""
        problem, add = self._problem, self._model.add
        for number, holder in enumerate(problem.holders):
            for other in self._holders:
                one = problem.holders[other]
                twice = other > number and (
                    one.slot == holder.slot or (one.card is not None and one.card == holder.card)
                )
                if twice or one.slot in holder.covers:
                    add(self._used[number] + self._used[other] <= 1)
            add(self._on([number]) <= holder.bays * self._used[number])
            if holder.watts is not None:
                each = [one.watts for one in problem.classes]
                add(sum(each[kind] * var for (kind, at), var in self._there.items() if at == number) <= holder.watts)
            if holder.card is None:
                add(self._on([number]) >= self._used[number])
            for slot in holder.beside:
                there = [self._used[other] for other in self._holders if problem.holders[other].slot == slot]
                add(self._used[number] <= sum(there))
        for kind in self._kinds:
            add(self._on(self._holders, [kind]) <= problem.classes[kind].count)

    def _below(self, uplink: int) -> list[int]:
        """The holders behind an uplink."""
        found = []
        for number in self._holders:
            above = self._problem.above[self._problem.holders[number].slot]
            while above is not None and above != uplink:
                above = self._problem.uplinks[above][1]
            found += [number] if above is not None else []
        return found

    def _shared(self) -> list[tuple[Sequence[int], list[int]]]:
        """What each shared link carries, and the holders behind it."""
        links = [
            (holder.link, [number]) for number, holder in enumerate(self._problem.holders) if holder.link is not None
        ]
        return [*links, *((rates, self._below(up)) for up, (rates, _) in enumerate(self._problem.uplinks))]

    # --- What counts --------------------------------------------------------------------------------------------

    def _placed(self) -> Any:  # noqa: ANN401 - as above
        wanted = [number for number in self._holders if self._must(number)]
        return self._on(self._holders) + sum(self._used[number] for number in wanted)

    def _must(self, number: int) -> bool:
        card = self._problem.holders[number].card
        return card is not None and self._problem.must[card]

    def _met(self, need: NeedOf) -> Any:  # noqa: ANN401 - as above
        """A variable that is 1 only where a need is met."""
        problem, add = self._problem, self._model.add
        met = self._model.new_bool_var("")
        for card, numbers in need.cards:
            mine = [self._used[number] for number in numbers if problem.holders[number].card == card]
            add(sum(mine) == 1).only_enforce_if(met)
        for kind in need.classes:
            add(self._on(self._holders, [kind]) == problem.classes[kind].count).only_enforce_if(met)
        for (kind, number), var in self._there.items():
            holder = problem.holders[number]
            short = any(rate < each for rate, each in zip(holder.rates[kind], need.each, strict=True))
            if kind in need.classes and (
                short or (need.no_split and holder.split) or (need.no_switch and holder.switch)
            ):
                add(var == 0).only_enforce_if(met)
        for direction, each in enumerate(need.each):
            for rates, below in self._shared() if each else ():
                add(each * self._on(below, need.classes) <= rates[direction]).only_enforce_if(met)
        return met

    def _worst(self) -> Any:  # noqa: ANN401 - as above
        """A rate that every drive has: as a product with the drives on each link, so that nothing is rounded."""
        problem, model = self._problem, self._model
        most = max((rate[READ] for holder in problem.holders for rate in holder.rates), default=0)
        worst = self._whole(most)
        model.add(worst <= most * self._on(self._holders))
        for (kind, number), var in self._there.items():
            here = model.new_bool_var("")
            model.add(var == 0).only_enforce_if(~here)
            model.add(worst <= problem.holders[number].rates[kind][READ]).only_enforce_if(here)
        for rates, numbers in self._shared():
            count, together = self._whole(self._drives), self._whole(most * self._drives)
            model.add(count == self._on(numbers))
            model.add_multiplication_equality(together, [worst, count])
            model.add(together <= rates[READ])
        return worst

    def _total(self) -> Any:  # noqa: ANN401 - as above
        """What comes from each holder and through each uplink, at most what goes in and what is carried."""
        problem, add = self._problem, self._model.add
        into: dict[int | None, list[Any]] = {}
        for number, holder in enumerate(problem.holders):
            most = sum(holder.rates[kind][READ] * one.count for kind, one in enumerate(problem.classes))
            flow = self._whole(most if holder.link is None else min(most, holder.link[READ]))
            each = {kind: var for (kind, at), var in self._there.items() if at == number}
            add(flow <= sum(holder.rates[kind][READ] * var for kind, var in each.items()))
            into.setdefault(problem.above[holder.slot], []).append(flow)
        flows = [self._whole(rates[READ]) for rates, _ in problem.uplinks]
        for uplink, (_, above) in enumerate(problem.uplinks):
            into.setdefault(above, []).append(flows[uplink])
        for uplink, flow in enumerate(flows):
            add(flow <= sum(into.get(uplink, [])))
        return sum(into.get(None, []))

    def _moves(self) -> Any:  # noqa: ANN401 - as above
        """Minus the parts that change place, are fitted or are taken out."""
        problem, add = self._problem, self._model.add
        stay: list[Any] = []
        moves: list[Any] = []
        for card, today in enumerate(problem.card_today):
            mine = [number for number in self._holders if problem.holders[number].card == card]
            here = sum(self._used[number] for number in mine if problem.holders[number].slot == today)
            moves.append(sum(self._used[number] for number in mine) if today is None else 1 - here)
        for kind, one in enumerate(problem.classes):
            fitted = sum(one.today.values())
            larger = self._whole(max(fitted, one.count))
            add(larger >= fitted)
            add(larger >= self._on(self._holders, [kind]))
            moves.append(larger)
            for home, count in one.today.items():
                kept = self._whole(count)
                at = [number for number in self._holders if problem.holders[number].home == home]
                add(kept <= self._on(at, [kind]))
                stay.append(kept)
        return sum(stay) - sum(moves)

    def _room(self) -> Any:  # noqa: ANN401 - as above
        sizes = self._problem.sizes
        return -sum(sizes[holder.slot] * used for holder, used in zip(self._problem.holders, self._used, strict=True))

    def best(self, most_moves: int | None = None) -> Score | None:
        """The best score, None where the solver does not prove it with so much effort, or nothing is allowed."""
        moves = self._moves()
        if most_moves is not None:
            self._model.add(moves >= -most_moves)
        reached = []
        for aim in (
            self._placed(),
            sum(self._met(need) for need in self._problem.needs),
            self._worst(),
            self._total(),
            moves,
            self._room(),
        ):
            value = self._greatest(aim)
            if value is None:
                return None
            self._model.add(aim == value)
            reached.append(value)
        return Score(*reached)

    def _greatest(self, aim: Any) -> int | None:  # noqa: ANN401 - as above
        self._model.maximize(aim)
        solver = self._solver.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.max_deterministic_time = EFFORT
        if solver.solve(self._model) != self._solver.OPTIMAL:
            return None
        return int(solver.value(aim))
