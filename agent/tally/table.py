"""What was met, as the lines of a table: one for each card kind in each machine kind. Decides words of no form.

The same machines give the same table, in whatever order they were met.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final, Literal, get_args

from msgspec import Struct

from agent.model.findings import Rate, Verdict
from agent.model.throughput import link_mbps
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable

    from agent.tally.merging import Counts
    from agent.tally.running import TallyRun
    from agent.tally.seen import CardNumbers, LinkSeen, MachineKind, MachineSeen
    from probes.folders import Refused

Sort = Literal["worst", "machines", "links", "card", "machine", "rate", "hottest"]
SORTS: Final[tuple[Sort, ...]] = get_args(Sort)
HEX: Final = frozenset("0123456789abcdef")
ANY: Final = frozenset({"", "*", "?"})
ID_DIGITS: Final = 4
MOST_IDS: Final = 4

Counted = tuple[tuple[str, int], ...]


class TallyLine(Struct, frozen=True, kw_only=True):
    """A card kind in a machine kind; `machines` and `links` are how many of them stand behind all the rest.

    `what` are words for the class and `names` the models met, the most frequent first, with the links that gave each.
    `verdicts` counts links, worst first. `best` is the highest link rate, `typical` the one that half of the `rated`
    links reach or pass (the lower of the middle two of an even number). `hottest` is degrees Celsius. `firmware` counts
    drives by their version, `host_firmware` machines by theirs. `confirmed` tells that every link is at its best,
    `at_start` how many links were as the system found them at its start, where it tells no more.
    """

    card: CardNumbers
    machine: MachineKind
    what: str
    names: Counted
    machines: int
    links: int
    verdicts: tuple[tuple[Verdict, int], ...]
    best: Rate | None
    typical: Rate | None
    rated: int
    hottest: float | None
    firmware: Counted
    host_firmware: Counted
    confirmed: bool
    at_start: int

    def count(self, verdict: Verdict) -> int:
        """How many links have this verdict."""
        return dict(self.verdicts).get(verdict, 0)

    @property
    def worst(self) -> Verdict:
        """The worst verdict of any link."""
        return self.verdicts[0][0]


class Choice(Struct, frozen=True):
    """What the user wants to see: `only` what fits these words, lines with at `least` so many machines."""

    sort: Sort = "worst"
    only: str | None = None
    least: int = 1
    confirmed: bool = False


class Table(Struct, frozen=True, kw_only=True):
    """The lines that were asked for; `of` is the number of lines in all.

    `dark` counts slots whose card gives no link: what card that is, nobody can tell. `silent` counts slots and ports of
    which it could not be read whether something is there, `partly` machines that were read in part. `refused` are the
    first of the `passed_over` files by their names, each with the reason; but for the `other` ones, which are JSON of
    another form in a folder: the first of these are `others`.
    """

    counts: Counts
    kinds: int
    dark: int
    lines: tuple[TallyLine, ...]
    of: int
    choice: Choice
    passed_over: int
    refused: tuple[Refused, ...]
    silent: int = 0
    partly: int = 0
    other: int = 0
    others: tuple[Refused, ...] = ()


def table(done: TallyRun, choice: Choice) -> Table:
    """The table of what was read. Raises BadInput where nothing fits the words of `choice.only`."""
    tally = done.tally
    groups: dict[tuple[CardNumbers, MachineKind], _Group] = {}
    dark = silent = partly = 0
    kinds = set()
    for machine in tally:
        kinds.add(machine.kind)
        dark += machine.dark
        silent += machine.silent
        partly += machine.partly
        for link in machine.links:
            key = link.seen.card, machine.kind
            group = groups.get(key)
            if group is None:
                group = groups[key] = _Group()
            group.add(machine, link)
    every = [group.line(card, kind) for (card, kind), group in groups.items()]
    return Table(
        counts=tally.counts,
        kinds=len(kinds),
        dark=dark,
        lines=tuple(_chosen(every, choice)),
        of=len(every),
        choice=choice,
        passed_over=done.passed_over,
        refused=done.refused,
        silent=silent,
        partly=partly,
        other=done.other,
        others=done.others,
    )


class _Group:
    """The links of one card kind in one machine kind, counted."""

    def __init__(self) -> None:
        self.machines: dict[bytes, str | None] = {}
        self.links = self.at_start = 0
        self.what: Counter[str] = Counter()
        self.names: Counter[str] = Counter()
        self.verdicts: Counter[Verdict] = Counter()
        self.rates: Counter[Rate] = Counter()
        self.firmware: Counter[str] = Counter()
        self.hottest: float | None = None

    def add(self, machine: MachineSeen, link: LinkSeen) -> None:
        """Count a link of a machine."""
        seen = link.seen
        self.machines[machine.key] = machine.firmware
        self.links += 1
        self.at_start += seen.at_start
        self.what[seen.what] += 1
        if seen.name is not None:
            self.names[seen.name] += 1
        self.verdicts[seen.verdict] += 1
        if seen.rate is not None:
            self.rates[seen.rate] += 1
        self.firmware.update(seen.firmware)
        if link.hottest is not None:
            self.hottest = link.hottest if self.hottest is None else max(self.hottest, link.hottest)

    def line(self, card: CardNumbers, machine: MachineKind) -> TallyLine:
        """The line of the table."""
        rated = sum(self.rates.values())
        ranked = sorted(self.rates, key=_mbps)
        return TallyLine(
            card=card,
            machine=machine,
            what=_ordered(self.what)[0][0],
            names=_ordered(self.names),
            machines=len(self.machines),
            links=self.links,
            verdicts=tuple(sorted(self.verdicts.items(), key=lambda pair: _badness(pair[0]))),
            best=ranked[-1] if ranked else None,
            typical=_lower_middle(ranked, self.rates, rated),
            rated=rated,
            hottest=self.hottest,
            firmware=_ordered(self.firmware),
            host_firmware=_ordered(Counter(found for found in self.machines.values() if found is not None)),
            confirmed=all(verdict.kind.at_best for verdict in self.verdicts),
            at_start=self.at_start,
        )


def _ordered(counts: Counter[str]) -> Counted:
    """The most frequent first, alike ones by their letters."""
    return tuple(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])))


def _mbps(rate: Rate) -> tuple[float, int]:
    return link_mbps(rate.speed, rate.width), rate.speed


def _lower_middle(ranked: list[Rate], counts: Counter[Rate], total: int) -> Rate | None:
    """The lower of the middle ones, from how often each occurs: none of them need be held by itself."""
    passed = 0
    for rate in ranked:
        passed += counts[rate]
        if passed * 2 >= total:
            return rate
    return None


_ORDER: Final = {verdict: place for place, verdict in enumerate(Verdict)}


def _badness(verdict: Verdict) -> tuple[int, bool, int]:
    """The worst severity first; of one severity, what confirms comes last."""
    return verdict.severity.rank, verdict.kind.at_best, _ORDER[verdict]


# --- Which lines, in which order -------------------------------------------------------------------------------


def _chosen(every: list[TallyLine], choice: Choice) -> list[TallyLine]:
    lines = every
    if choice.only is not None:
        fits = fitting(choice.only)
        lines = [line for line in lines if fits(line)]
        if every and not lines:
            raise BadInput(
                f"--only {choice.only}: no card or machine of these captures matches; give VENDOR:DEVICE in hexadecimal"
                " digits, or part of a card's or machine's name"
            )
    lines = [line for line in lines if line.machines >= choice.least and (line.confirmed or not choice.confirmed)]
    order = _ORDERS[choice.sort]
    return sorted(lines, key=lambda line: (order(line), _by_card(line), _by_machine(line)))


def _by_card(line: TallyLine) -> tuple[int, ...]:
    card = line.card
    return tuple(
        -1 if number is None else number for number in (card.vendor, card.device, card.subsystem_vendor, card.subsystem)
    )


def _by_machine(line: TallyLine) -> tuple[str, ...]:
    kind = line.machine
    # What is not told comes first, and is not the same as an empty word.
    told = (kind.maker, kind.product, kind.board, kind.platform)
    return tuple("" if value is None else f"={value}" for value in told)


def _by_severity(line: TallyLine) -> tuple[float, ...]:
    worst = line.worst
    return (line.confirmed, *_badness(worst), -line.count(worst) / line.links, -line.machines, -line.links)


def _by_rate(line: TallyLine) -> tuple[float, ...]:
    """The fastest typical rate first; lines without one last."""
    return (0.0,) if line.typical is None else (-_mbps(line.typical)[0],)


def _by_heat(line: TallyLine) -> tuple[float, ...]:
    return (1.0,) if line.hottest is None else (0.0, -line.hottest)


_ORDERS: Final[dict[Sort, Callable[[TallyLine], tuple[float, ...] | tuple[str, ...]]]] = {
    "worst": _by_severity,
    "machines": lambda line: (-line.machines, -line.links),
    "links": lambda line: (-line.links, -line.machines),
    "card": _by_card,
    "machine": _by_machine,
    "rate": _by_rate,
    "hottest": _by_heat,
}


def fitting(words: str) -> Callable[[TallyLine], bool]:
    """What tells whether a line fits these words.

    Numbers in hexadecimal digits, joined by colons, are those of a card from the vendor on ("f1c4:4210"; what is left
    out, or "*", is any). All else is a part of the words for the card or its machine, in any case of letters.
    """
    wanted = words.strip().lower()
    parts = wanted.split(":")
    if 1 < len(parts) <= MOST_IDS and all(part in ANY or _is_number(part) for part in parts):
        numbers = [None if part in ANY else int(part.removeprefix("0x"), 16) for part in parts]
        return lambda line: all(
            number is None or number == own for number, own in zip(numbers, _by_card(line), strict=False)
        )
    return lambda line: wanted in _all_words(line)


def _is_number(part: str) -> bool:
    digits = part.removeprefix("0x")
    return 0 < len(digits) <= ID_DIGITS and HEX.issuperset(digits)


def _all_words(line: TallyLine) -> str:
    kind = line.machine
    names = (line.what, *(name for name, _ in line.names), kind.maker, kind.product, kind.board, kind.platform)
    return "\n".join(name.lower() for name in names if name)
