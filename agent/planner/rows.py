"""The rows of a stage's program: what ties slots together.

Cards and drives that there are, shared uplinks, needs, what earlier stages reached. Figures are whole numbers here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.grouping import grouped
from agent.planner.problem import READ, Holder, uplinks_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agent.planner.choices import Choices
    from agent.planner.wanted import Goal, Wanted

Chain = tuple[int, ...]  # the uplinks from a slot to the processor
Entries = list[tuple[int, int]]  # rows, each with a factor


class Rows:
    """The rows of a program whose variables are options with their drives, and some extra ones.

    Row number i holds a sum to `most[i]`, or makes it equal where `exact[i]`; the first rows are those of the slots
    in `choices.by_slot`. What an option adds to the rows is `own` of the option, `by_class` for each drive, `by_carry`
    for each unit of rate that its drives read together, and `by_stay` for each drive that stays on its card or in its
    slot. `extras` are (own row, entries by row, worth): each lowers the sum of its own row by one a unit.
    """

    def __init__(self, choices: Choices, wanted: Wanted, goal: Goal) -> None:
        """Set up all rows."""
        self._choices, self._wanted, self._goal = choices, wanted, goal
        self.problem = problem = choices.problem
        self.most: list[int] = []
        self.exact: list[bool] = []
        self.unit: list[int] = []
        self.extras: list[tuple[int, dict[int, int], int]] = []
        self.chains: list[Chain] = sorted({tuple(uplinks_of(problem, option.slot)) for option in choices.options})
        self.own: list[Entries] = [[] for _ in choices.options]
        self._classes = range(len(problem.classes))
        self.by_class: dict[Chain, list[Entries]] = {chain: [[] for _ in self._classes] for chain in self.chains}
        self.by_carry: dict[Chain, Entries] = {chain: [] for chain in self.chains}
        self.by_stay: Entries = []
        self.carries = goal == "total" or wanted.total is not None
        self.stays = goal == "moves" or wanted.moves is not None
        self.fastest = max([1, *(rates[READ] for holder in problem.holders for rates in holder.rates)])
        self._needs = [problem.needs[number] for number in wanted.needs]
        every = sum(drive_class.count for drive_class in problem.classes) + sum(problem.must)
        self._everything = wanted.placed == every
        self._place_rows()
        self._card_rows()
        self._class_rows()
        self._uplink_rows()
        if self.carries:
            self._flow_rows()
        self._reached_rows()
        if self.stays:
            self._move_rows()

    def holder(self, option: int) -> Holder:
        """The first holder of an option, for what all of them have in common."""
        return self.problem.holders[self._choices.options[option].holders[0]]

    def must(self, option: int) -> int:
        """1 for a card that is wanted for its own sake."""
        card = self.holder(option).card
        return int(card is not None and self.problem.must[card])

    def kept(self, option: int) -> int:
        """What placing this card does to the moves score, beside leaving it out."""
        holder = self.holder(option)
        if holder.card is None:
            return 0
        today = self.problem.card_today[holder.card]
        return int(today == holder.slot) - int(today is None)

    def possible(self, option: int) -> bool:
        """Whether an option keeps to what needs ask of its card, and does not cover its own slot."""
        holder = self.holder(option)
        first = self._choices.options[option].holders[0]
        refused = any(card == holder.card and first not in ok for need in self._needs for card, ok in need.cards)
        return not refused and holder.slot not in holder.covers

    @property
    def bare_moves(self) -> int:
        """The moves score where nothing is placed: all that is fitted is taken out."""
        drives = sum(sum(drive_class.today.values()) for drive_class in self.problem.classes)
        return -drives - sum(slot is not None for slot in self.problem.card_today)

    def _row(self, most: int, *, exact: bool = False, unit: int = 1) -> int:
        self.most.append(most)
        self.exact.append(exact)
        self.unit.append(unit)
        return len(self.most) - 1

    def _for_drives(self, row: int, kinds: Iterable[int], *, uplink: int | None = None, factor: int = 1) -> None:
        for chain, entries in self.by_class.items():
            for kind in set(kinds) if uplink is None or uplink in chain else ():
                entries[kind].append((row, factor))

    def _place_rows(self) -> None:
        """A slot holds one thing; one that is covered holds nothing, and one that must be filled holds something."""
        options = self._choices.options
        for numbers in self._choices.by_slot:
            row = self._row(1)
            for number in numbers:
                self.own[number].append((row, 1))
        covering = grouped(  # options by own slot and slot that they cover
            ((option.slot, slot), number)
            for number, option in enumerate(options)
            for slot in sorted(set(self.holder(number).covers) - {option.slot})
        )
        for (_, slot), covers in covering.items():
            row = self._row(1)
            for number in [
                *covers,
                *(other for other, option in enumerate(options) if option.slot == slot),
            ]:
                self.own[number].append((row, 1))
        leaning = grouped(  # options by own slot and slot that must hold something beside them
            ((option.slot, slot), number)
            for number, option in enumerate(options)
            for slot in sorted(set(self.holder(number).beside))
        )
        for (_, slot), leans in leaning.items():
            row = self._row(0)
            for number in leans:
                self.own[number].append((row, 1))
            for number, option in enumerate(options):
                if option.slot == slot:
                    self.own[number].append((row, -1))

    def _card_rows(self) -> None:
        """So many cards of each kind; all are placed where everything is, and where a need names them."""
        for kind, cards in enumerate(self._choices.kinds):
            named = any(card in cards for need in self._needs for card, _ in need.cards)
            row = self._row(len(cards), exact=named or (self._everything and self.problem.must[cards[0]]))
            for number, option in enumerate(self._choices.options):
                if option.kind == kind:
                    self.own[number].append((row, 1))

    def _class_rows(self) -> None:
        """So many drives of each class; all are placed where everything is, and where a need names them."""
        for kind, drive_class in enumerate(self.problem.classes):
            named = any(kind in need.classes for need in self._needs)
            self._for_drives(self._row(drive_class.count, exact=self._everything or named), (kind,))

    def _uplink_rows(self) -> None:
        """Not more drives behind an uplink than leave each the worst share, or what a need asks for."""
        for uplink, (capacity, _) in enumerate(self.problem.uplinks):
            if self._wanted.worst:
                self._for_drives(self._row(capacity[READ] // self._wanted.worst), self._classes, uplink=uplink)
            for need in self._needs:
                for direction, each in enumerate(need.each):
                    if each:
                        self._for_drives(self._row(capacity[direction] // each), need.classes, uplink=uplink)

    def _flow_rows(self) -> None:
        """What comes from below an uplink beyond what it carries is lost: an extra variable, top uplinks first."""
        ways: dict[int, list[int]] = {}
        for uplink, (_, above) in enumerate(self.problem.uplinks):
            ways[uplink] = [uplink]
            while above is not None:
                ways[uplink].append(above)
                above = self.problem.uplinks[above][1]  # noqa: PLW2901 - the way up
        rows: dict[int, int] = {}
        for uplink in sorted(ways, key=lambda way: (len(ways[way]), way)):
            rows[uplink] = self._row(self.problem.uplinks[uplink][0][READ], unit=self.fastest)
            entries = {rows[way]: -1 for way in ways[uplink]}
            self.extras.append((rows[uplink], entries, -1 if self._goal == "total" else 0))
            for chain in self.chains:
                if uplink in chain:
                    self.by_carry[chain].append((rows[uplink], 1))

    def _reached_rows(self) -> None:
        """As much placed and carried as earlier stages reached, and other sets of holders; a share needs a drive."""
        wanted = self._wanted
        if wanted.total is not None:
            row = self._row(-wanted.total, unit=self.fastest)
            for _, entries, _ in self.extras:
                entries[row] = 1
            for chain in self.chains:
                self.by_carry[chain].append((row, -1))
        if wanted.placed is not None and not self._everything:
            row = self._row(-wanted.placed)
            self._for_drives(row, self._classes, factor=-1)
            for number, own in enumerate(self.own):
                own.append((row, -self.must(number)))
        if wanted.worst:
            self._for_drives(self._row(-1), self._classes, factor=-1)
        for unlike in wanted.unlike:
            row = self._row(len(unlike) - 1)
            for own, option in zip(self.own, self._choices.options, strict=True):
                own.append((row, 1 if option.look in unlike else -1))

    def _move_rows(self) -> None:
        """Not more moves than wanted; drives placed beyond those fitted today move too: an extra variable each."""
        first = len(self.extras)
        for kind, drive_class in enumerate(self.problem.classes):
            fitted = sum(drive_class.today.values())
            if fitted < drive_class.count:
                row = self._row(fitted)
                self._for_drives(row, (kind,))
                self.extras.append((row, {row: -1}, -1 if self._goal == "moves" else 0))
        if self._wanted.moves is not None:
            row = self._row(self.bare_moves - self._wanted.moves)
            for number, own in enumerate(self.own):
                own.append((row, -self.kept(number)))
            self.by_stay.append((row, -1))
            for _, entries, _ in self.extras[first:]:
                entries[row] = 1
