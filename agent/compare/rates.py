"""What drives and stripe sets should reach, before and after: read and written, alone and with all at work."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.changes import Change
from agent.compare.lanes import resting
from agent.compare.naming import direction, subject
from agent.model.stripes import RESTING_STATES
from knowledge.phrasing import mbps, mbps_range, quantity
from probes.unread import readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.audit import Audit
    from agent.compare.changes import Direction
    from agent.compare.doubts import Doubts
    from agent.compare.matching import MatchedMachines
    from agent.model.drive_rates import DriveSeen
    from agent.model.stripes import StripeSeen

ALIKE: Final = (0, 0)  # drives beside one that moved: what it has now comes of its place, not of them
NOT_THERE: Final = "not there"
SAME: Final = 0.01  # of a rate; less is no change
# Attribute, what it is, whether all drives are at work, the attribute of the same without them.
RATES: Final = (
    ("alone", "read alone", False, ""),
    ("together", "read together", True, "alone"),
    ("alone_write", "write alone", False, ""),
    ("together_write", "write together", True, "alone_write"),
)

Range = tuple[float, float]


class Both(Struct, frozen=True):
    """Two ranges as they can be compared; `whole` tells whether the upper ends can, too."""

    before: Range
    after: Range
    whole: bool

    @property
    def way(self) -> Direction:
        """Which way the rate went: by what it should reach at least, then by its ceiling."""
        low = direction(self.before[0], self.after[0], least=SAME * max(self.before[0], self.after[0]))
        if low != "other" or not self.whole:
            return low
        return direction(self.before[1], self.after[1], least=SAME * max(self.before[1], self.after[1]))


def rates(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """The rows of all drives that are in both."""
    crowds = _crowds(matched.before.audit), _crowds(matched.after.audit)
    for before, after in matched.pairs():
        if before.seen is None or after.seen is None:
            continue
        words = subject(matched, before, after)
        if _rests(before.seen, matched.before.audit) or _rests(after.seen, matched.after.audit):
            if before.seen.alone != after.seen.alone or before.seen.together != after.seen.together:
                doubts.remark("rates", words, "a link on the way was in a low-power state in one of the two readings")
            continue
        crowd = crowds[0][before.seen.path[-1:]], crowds[1][after.seen.path[-1:]]
        crowd = ALIKE if matched.moved(before, after) else crowd
        whole = (before.seen.payload_bytes is None) == (after.seen.payload_bytes is None)
        yield from _rows("rate", words, (before.seen, after.seen), doubts, whole=whole, crowd=crowd)


def _rests(seen: DriveSeen, audit: Audit) -> bool:
    return any(resting(audit.by_key.get(key)) for key in seen.path)


def _crowds(audit: Audit) -> Counter[tuple[str, ...]]:
    """How many drives with rates share a way into the processor, by the last hop on it."""
    return Counter(drive.path[-1:] for drive in audit.drives if drive.alone is not None)


def _rows(
    topic: str,
    words: str,
    sides: tuple[DriveSeen, DriveSeen] | tuple[StripeSeen, StripeSeen],
    doubts: Doubts,
    *,
    whole: bool,
    crowd: tuple[int, int],
) -> Iterator[Change]:
    ways: dict[str, Direction] = {}
    for attribute, what, shared, own in RATES:
        before, after = (getattr(side, attribute) for side in sides)
        if before is None or after is None:
            if (before is None) != (after is None) and attribute == "alone":
                doubts.add("rates", words, int(after is None), "its rates are not known")
            continue
        both = Both(before, after, whole)
        ways[attribute] = way = both.way
        if way == "other":
            continue
        # With more or fewer drives at work beside it, its share of the same link says nothing good or bad.
        fewer = crowd[1] > crowd[0] if way == "worse" else crowd[1] < crowd[0]
        yield rate_change(topic, words, what, both, "other" if shared and fewer and ways.get(own) == "other" else way)


def rate_change(topic: str, words: str, what: str, both: Both, way: Direction) -> Change:
    """The row of a rate; where the upper ends rest on unlike readings only the lower ones are shown."""
    before, after = (both.before, both.after) if both.whole else (both.before[:1], both.after[:1])
    return Change(
        topic="stripe set" if topic == "stripe set" else "rate",
        subject=words,
        what=what,
        before=range_words(before),
        after=range_words(after),
        direction=way,
        before_values=before,
        after_values=after,
        unit="MB/s",
    )


def range_words(rates: tuple[float, ...]) -> str:
    """A range in words: "2,954 to 3,601 MB/s", or one figure: "2,954 MB/s or more"."""
    return f"{mbps(rates[0])} or more" if len(rates) == 1 else mbps_range((rates[0], rates[-1]))


# --- Stripe sets ---------------------------------------------------------------------------------------------------


def stripe_sets(matched: MatchedMachines, doubts: Doubts) -> Iterator[Change]:
    """The rows of stripe sets: those in both, then those that came or went."""
    pairs, gone, come = _pairs(matched)
    for before, after in pairs:
        yield from _set(matched, before, after, doubts)
    for stripe in gone:
        yield _whole(set_words(stripe), _what(stripe), NOT_THERE)
    for stripe in come:
        yield _whole(set_words(stripe), NOT_THERE, _what(stripe))


def set_words(stripe: StripeSeen) -> str:
    """A set by its name: "stripe set md0"."""
    return f"stripe set {stripe.stripe.name}"


def _what(stripe: StripeSeen) -> str:
    level = stripe.stripe.level if isinstance(stripe.stripe.level, str) and stripe.stripe.level else "an unknown level"
    rate = f", should read {range_words(stripe.alone)}" if stripe.alone is not None else ""
    return f"{level} of {quantity(len(stripe.stripe.members), 'drive')}{rate}"


def _whole(words: str, before: str, after: str) -> Change:
    return Change(
        topic="stripe set", subject=words, what="level and members", before=before, after=after, direction="other"
    )


def _pairs(matched: MatchedMachines) -> tuple[list[tuple[StripeSeen, StripeSeen]], list[StripeSeen], list[StripeSeen]]:
    """Sets that are in both: by their members, then by name, as the system may number them anew."""
    gone, come = list(matched.before.audit.stripes), list(matched.after.audit.stripes)
    pairs = []
    for same in (_same_members, _same_name_and_some, _same_name):
        for stripe in list(gone):
            other = next((other for other in come if same(matched, stripe, other)), None)
            if other is not None:
                pairs.append((stripe, other))
                gone.remove(stripe)
                come.remove(other)
    return pairs, gone, come


def _members(matched: MatchedMachines, stripe: StripeSeen, side: int) -> frozenset[object]:
    """The members of a set, by the numbers of the parts in the first machine, with the partition at work."""
    found: set[object] = set()
    for name, block in zip(stripe.stripe.members, stripe.stripe.blocks, strict=False):
        number = matched.sides[side].by_drive.get(name)
        known = number if side == 0 or number is None else matched.before_of.get(number, ("new", number))
        found.add((known, block.removeprefix(name).rpartition("p")[2] if name else block))
    return frozenset(found)


def _same_members(matched: MatchedMachines, stripe: StripeSeen, other: StripeSeen) -> bool:
    members = _members(matched, stripe, 0)
    return bool(members) and members == _members(matched, other, 1)


def _same_name_and_some(matched: MatchedMachines, stripe: StripeSeen, other: StripeSeen) -> bool:
    shared = _members(matched, stripe, 0) & _members(matched, other, 1)
    return stripe.stripe.name == other.stripe.name and bool(shared)


def _same_name(matched: MatchedMachines, stripe: StripeSeen, other: StripeSeen) -> bool:  # noqa: ARG001 - as the others
    return stripe.stripe.name == other.stripe.name


def _set(matched: MatchedMachines, before: StripeSeen, after: StripeSeen, doubts: Doubts) -> Iterator[Change]:
    words = set_words(after)
    if before.stripe.level != after.stripe.level or len(before.stripe.members) != len(after.stripe.members):
        yield _whole(words, _what(before), _what(after))
    running = _running(before), _running(after)
    if running[0] is not running[1]:
        yield Change(
            topic="stripe set",
            subject=words,
            what="is running",
            before="yes" if running[0] else "no",
            after="yes" if running[1] else "no",
            direction=direction(running[0], running[1]),
        )
    lost = readable(before.stripe.missing) or 0, readable(after.stripe.missing) or 0
    if lost[0] != lost[1]:
        yield Change(
            topic="stripe set",
            subject=words,
            what="missing members",
            before=str(lost[0]),
            after=str(lost[1]),
            direction=direction(-lost[0], -lost[1]),
            before_values=(float(lost[0]),),
            after_values=(float(lost[1]),),
        )
    sides = _seen(before, matched.before.audit), _seen(after, matched.after.audit)
    if any(
        _rests(drive, audit)
        for side, audit in zip(sides, (matched.before.audit, matched.after.audit), strict=True)
        for drive in side
    ):
        doubts.remark("rates", words, "a link of a member was in a low-power state in one of the two readings")
        return
    told = [all(drive.payload_bytes is not None for drive in side) for side in sides]
    crowd = _others(before, sides[0], matched.before.audit), _others(after, sides[1], matched.after.audit)
    crowd = ALIKE if _any_moved(matched, after) else crowd
    yield from _rows("stripe set", words, (before, after), doubts, whole=told[0] == told[1], crowd=crowd)


def _any_moved(matched: MatchedMachines, after: StripeSeen) -> bool:
    """Whether a member of a set has another place than before."""
    numbers = [matched.after.by_drive.get(name) for name in after.stripe.members]
    return any(
        matched.moved(matched.before.things[matched.before_of[number]], matched.after.things[number])
        for number in numbers
        if number is not None and number in matched.before_of
    )


def _running(stripe: StripeSeen) -> bool:
    return stripe.stripe.state not in RESTING_STATES


def _seen(stripe: StripeSeen, audit: Audit) -> list[DriveSeen]:
    return [seen for seen in audit.drives if seen.drive.name in stripe.stripe.members]


def _others(stripe: StripeSeen, members: Iterable[DriveSeen], audit: Audit) -> int:
    """How many other drives share a way into the processor with a set."""
    tops = {seen.path[-1:] for seen in members}
    return sum(
        seen.path[-1:] in tops and seen.drive.name not in stripe.stripe.members
        for seen in audit.drives
        if seen.alone is not None
    )
