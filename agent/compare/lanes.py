"""What became of links: of each part's own link, of ports without a card, of the lanes of a slot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.changes import Change
from agent.compare.matching import depth
from agent.compare.naming import by_severity, direction, subject
from agent.model.findings import Rate, Severity, Verdict
from agent.model.throughput import link_mbps
from knowledge.rates import GTPS, describe
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.compare.doubts import Doubts
    from agent.compare.fitted import FittedMachine, Thing
    from agent.compare.matching import MatchedMachines
    from agent.model.judged import Judged

LEAST: Final = 0.5  # MB/s; less is a matter of rounding
VACANT: Final = {Verdict.EMPTY: Severity.OK, Verdict.DARK: Severity.FAULT}


class Pair(Struct, frozen=True):
    """One link on both sides, and what is to be said of it: rows, or why it is not compared."""

    before: Judged
    after: Judged
    words: str
    same_depth: bool


def resting(judged: Judged | None) -> bool:
    """Whether a link is below its speed for a moment only, so that its figures are of no matter."""
    return judged is not None and judged.verdict is Verdict.RESTING


def loaded(judged: Judged) -> Rate | None:
    """The rate of a link under load: of one that rests, its best."""
    if resting(judged) and judged.best is not None and judged.now is not None:
        return Rate(judged.best.speed, judged.now.width)
    return judged.now


def explained_by_depth(before: Judged, after: Judged, *, same_depth: bool) -> bool:
    """Whether two verdicts may differ only because one side read more than the other."""
    return not same_depth and before.now == after.now and before.verdict is not after.verdict


def links(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """The rows of all links of parts that are in both, then of ports without a card, then of slots."""
    for before, after in matched.pairs():
        if before.judged is None or after.judged is None:
            continue
        pair = Pair(before.judged, after.judged, subject(matched, before, after), matched.alike_readings(before, after))
        if Verdict.VIRTUAL in {before.judged.verdict, after.judged.verdict}:
            _doubt_hidden(pair, doubts)
            continue
        _doubt_depth(before, after, pair.words, doubts)
        yield from _link(pair, doubts)
    yield from _vacant(matched, doubts)
    yield from _slots(matched)


def _doubt_hidden(pair: Pair, doubts: Doubts) -> None:
    """A link that tells lanes on one side only, as a guest may see it, is not compared."""
    told = [tells_lanes(judged) for judged in (pair.before, pair.after)]
    if told[0] is not told[1]:
        side = told.index(False)
        doubts.add("lanes and speed", pair.words, side, (pair.before, pair.after)[side].why)


def tells_lanes(judged: Judged) -> bool:
    """Whether a link tells its lanes and speed, and they are those of wires."""
    return judged.now is not None and judged.verdict is not Verdict.VIRTUAL


def _doubt_depth(before: Thing, after: Thing, words: str, doubts: Doubts) -> None:
    depths = depth(before), depth(after)
    if depths[0] != depths[1]:
        doubts.add("link registers", words, int(depths[0] > depths[1]), Unread("", "", needs_root=True))


def _link(pair: Pair, doubts: Doubts) -> Iterator[Change]:
    before, after, words = pair.before, pair.after, pair.words
    unknown = [judged.verdict is Verdict.UNKNOWN for judged in (before, after)]
    if any(unknown):
        if not all(unknown) and not explained_by_depth(before, after, same_depth=pair.same_depth):
            silent = (before, after)[unknown.index(True)]
            doubts.add("link", words, unknown.index(True), Unread("", silent.why, needs_root=silent.needs_root))
        return
    if resting(before) != resting(after):
        doubts.remark("rate under load", words, "its link was in a low-power state in one of the two readings")
    rates = loaded(before), loaded(after)
    if rates[0] is not None and rates[1] is not None and rates[0] != rates[1]:
        yield from _figures(words, rates[0], rates[1])
    if before.verdict is after.verdict or (
        (resting(before) or resting(after)) and before.verdict.kind.calm and after.verdict.kind.calm
    ):
        return
    told_by_registers = before.verdict.kind.of_speed and after.verdict.kind.of_speed
    if told_by_registers and explained_by_depth(before, after, same_depth=pair.same_depth):
        doubts.remark("why the speed is low", words, "only one of the two readings has the registers that tell")
        return
    if not explained_by_depth(before, after, same_depth=pair.same_depth):
        yield verdict_change(words, before, after)


def verdict_change(words: str, before: Judged, after: Judged) -> Change:
    """The row of a verdict that differs."""
    return Change(
        topic="link",
        subject=words,
        what="verdict",
        before=before.verdict.value,
        after=after.verdict.value,
        direction=by_severity(before.verdict.severity, after.verdict.severity),
    )


def _figures(words: str, before: Rate, after: Rate) -> Iterator[Change]:
    """Rows of speed and lanes; whether that is better is told by what the link carries."""
    whole = direction(link_mbps(before.speed, before.width), link_mbps(after.speed, after.width), least=LEAST)
    speeds, lanes = (before.speed, after.speed), (before.width, after.width)
    for what, told, values, unit in (
        ("speed", [describe(speed) for speed in speeds], [GTPS[speed] for speed in speeds], "GT/s"),
        ("lanes", [f"x{lane}" for lane in lanes], [float(lane) for lane in lanes], "lanes"),
    ):
        if values[0] != values[1]:
            yield Change(
                topic="link",
                subject=words,
                what=what,
                before=told[0],
                after=told[1],
                direction=whole if whole == direction(values[0], values[1]) else "other",
                before_values=(values[0],),
                after_values=(values[1],),
                unit=unit,
            )


def _vacant(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """Ports below which nothing answers on either side: dark or empty."""
    for key, other in matched.ports.items():
        before, after = matched.before.audit.by_key[key], matched.after.audit.by_key[other]
        if before.link.device is not None or after.link.device is not None or before.verdict is after.verdict:
            continue
        words = port_words(after)
        if before.verdict in VACANT and after.verdict in VACANT:
            yield verdict_change(words, before, after)
            continue
        side = int(after.verdict is Verdict.UNKNOWN)
        silent = (before, after)[side]
        doubts.add("occupancy", words, side, Unread("", silent.why, needs_root=silent.needs_root))


def port_words(judged: Judged) -> str:
    """A port below which nothing answers, in words."""
    return judged.link.slot.words if judged.link.slot is not None else f"port {judged.link.key}"


def _slots(matched: MatchedMachines) -> Iterator[Change]:
    """Slots whose lanes are shared out to other ports than before: split, or made one."""
    before, after = _lanes(matched.before), _lanes(matched.after)
    for name, (lanes, words) in after.items():
        was = before.get(name, ((), ""))[0]
        if was and lanes and was != lanes:
            yield Change(
                topic="machine",
                subject=words,
                what="lanes per port",
                before=", ".join(f"x{lanes_before}" for lanes_before in was),
                after=", ".join(f"x{lane}" for lane in lanes),
                direction="other",
            )


def _lanes(fitted: FittedMachine) -> dict[tuple[str, str], tuple[tuple[int, ...], str]]:
    """By name and source of each slot of the board: the lanes of its ports, () where not all are known; its words."""
    ports: dict[tuple[str, str], list[int | None]] = {}
    words: dict[tuple[str, str], str] = {}
    for port in sorted(fitted.ports, key=lambda port: port.way):
        slot, can = port.judged.link.slot, port.judged.port_can
        if slot is not None and port.holder is None and port.judged.verdict is not Verdict.VIRTUAL:
            ports.setdefault((slot.name.casefold(), slot.source), []).append(can.width if can is not None else None)
            words[slot.name.casefold(), slot.source] = slot.words
    found = {}
    for key, lanes in ports.items():
        known = tuple(lane for lane in lanes if lane is not None)
        found[key] = (known if len(known) == len(lanes) else (), words[key])
    return found
