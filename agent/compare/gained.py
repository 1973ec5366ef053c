"""Findings gained, cleared and changed: matched by their rule and by the part they are about, never by address."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.changes import FindingChange
from agent.compare.lanes import port_words
from agent.compare.matching import depth, depth_of, ends
from agent.compare.naming import alone, by_severity, subject
from agent.model.findings import Severity, Verdict
from agent.rules import RULES
from agent.rules.rule import CAPABILITIES
from knowledge.rates import NEAR_LIMIT_CELSIUS
from probes.facts import FirmwareSlots, Health
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator

    from agent.compare.changes import Direction
    from agent.compare.doubts import Doubts
    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines
    from agent.model.findings import Finding
    from agent.rules.rule import Compared

BAD: Final = frozenset({Severity.FAULT, Severity.LIMIT})
ADDRESS: Final = re.compile(
    r"(?<![0-9a-zA-Z])[0-9a-f]{2,8}(?::[0-9a-f]{2})?[:.][0-9a-f]{2}\.[0-7](?:@[0-9a-f]+)?(?![0-9a-zA-Z])"
    r"|(?<![0-9a-zA-Z])(?:entry-[0-9a-f]+|nvme\d+|sd[a-z]+|disk\d+)(?![0-9a-zA-Z])"
)


class _One(Struct, frozen=True, eq=False):
    """A finding of one side (0 or 1), the part that it is about (None: none), and what tells it from others."""

    finding: Finding
    side: int
    thing: Thing | None
    key: Hashable
    text: str

    @property
    def compared(self) -> Compared:
        """How findings of its rule are compared."""
        return RULES[self.finding.rule].compared


def findings(matched: MatchedMachines, doubts: Doubts, missed: frozenset[int] = frozenset()) -> Iterator[FindingChange]:
    """Those gained, then changed, then cleared; in each the worst first. `missed` are the parts that are lost."""
    gone, come = _ones(matched, 0), _ones(matched, 1)
    changed = []
    for exactly in (True, False):
        for sided in list(gone):
            other = next((other for other in come if _same(sided, other, exactly=exactly)), None)
            if other is not None:
                gone.remove(sided)
                come.remove(other)
                changed.append((sided, other))
    for sided in come:
        if _tellable(matched, sided, doubts):
            yield _single(matched, sided, missed)
    for sided, other in changed:
        yield from _changed(matched, sided, other)
    for sided in gone:
        if _tellable(matched, sided, doubts):
            yield _single(matched, sided, missed)


def _ones(matched: MatchedMachines, side: int) -> list[_One]:
    fitted = matched.sides[side]
    found = []
    for finding in fitted.audit.findings:
        if finding.severity is Severity.OK or RULES[finding.rule].compared.left_out:
            continue
        thing = fitted.subject(finding.subject)
        found.append(_One(finding, side, thing, _key(matched, finding, thing, side), _text(matched, finding, side)))
    return found


def _key(matched: MatchedMachines, finding: Finding, thing: Thing | None, side: int) -> Hashable:
    """What a finding is about, by what it is called in the first machine."""
    rule = RULES[finding.rule].compared.told_as or finding.rule
    if thing is not None:
        return (rule, "part", matched.in_first(thing.number, side))
    ports = matched.port_before if side else {}
    return (rule, "place", ports.get(finding.subject, finding.subject))


def _text(matched: MatchedMachines, finding: Finding, side: int) -> str:
    """A headline in which parts go by what they are called in the first machine, so that a new number is no news."""
    fitted = matched.sides[side]
    ports = matched.port_before if side else {}

    def same(found: re.Match[str]) -> str:
        number = fitted.at.get(found[0], fitted.by_drive.get(found[0]))
        if number is None:
            return ports.get(found[0], found[0])
        return f"part {number if side == 0 else matched.before_of.get(number, found[0])}"

    return ADDRESS.sub(same, finding.headline)


def _same(sided: _One, other: _One, *, exactly: bool) -> bool:
    return sided.key == other.key and (not exactly or sided.text == other.text)


# --- What is to be said --------------------------------------------------------------------------------------------


def _single(matched: MatchedMachines, sided: _One, missed: frozenset[int]) -> FindingChange:
    """A finding gained or cleared. A limit of a part that came or went with it is how that part works: no change.

    A fault that went with its part is no cure either.
    """
    severity, alone = sided.finding.severity, _alone(matched, sided)
    way: Direction = "other"
    if severity is Severity.FAULT or (severity is Severity.LIMIT and not alone):
        way = "worse" if sided.side else "other" if alone else "better"
    return FindingChange(
        kind="gained" if sided.side else "gone" if alone else "cleared",
        subject=_subject(matched, sided),
        before=None if sided.side else sided.finding,
        after=sided.finding if sided.side else None,
        direction=way,
        missed=not sided.side and sided.thing is not None and sided.thing.number in missed,
    )


def _alone(matched: MatchedMachines, sided: _One) -> bool:
    """Whether the part, or the stripe set, that a finding is about is on its side only."""
    if sided.thing is None:
        sets = [{seen.stripe.name for seen in fitted.audit.stripes} for fitted in matched.sides]
        return sided.finding.subject in sets[sided.side] - sets[1 - sided.side]
    return sided.thing.number not in (matched.before_of if sided.side else matched.after_of)


def _changed(matched: MatchedMachines, sided: _One, other: _One) -> Iterator[FindingChange]:
    severities = sided.finding.severity, other.finding.severity
    alike = _alike_depth(matched, sided.thing, other.thing)
    if not alike and sided.compared.alike:
        return  # which slots there are, and what is better, was not read alike
    told = not sided.compared.own_rows and severities[0] is not Severity.UNKNOWN
    figures = told and sided.text != other.text and alike
    if severities[0] is not severities[1] or figures:
        yield FindingChange(
            kind="changed",
            subject=_subject(matched, other),
            before=sided.finding,
            after=other.finding,
            direction=by_severity(*severities),
        )


def _alike_depth(matched: MatchedMachines, thing: Thing | None, other: Thing | None) -> bool:
    """Whether both sides read as much: what slots are called, and which are better, rests on that."""
    lists = [isinstance(fitted.audit.facts.board_slots, Unread) for fitted in matched.sides]
    return lists[0] == lists[1] and (thing is None or other is None or depth(thing) == depth(other))


def _subject(matched: MatchedMachines, sided: _One) -> str:
    if sided.thing is None:
        judged = matched.sides[sided.side].audit.by_key.get(sided.finding.subject)
        if judged is not None:
            return port_words(judged)
        return "the machine" if sided.finding.subject == "host" else sided.finding.subject
    other = _other(matched, sided)
    if other is None:
        return alone(matched, sided.thing, sided.side)
    return subject(matched, *((other, sided.thing) if sided.side else (sided.thing, other)))


def _other(matched: MatchedMachines, sided: _One) -> Thing | None:
    """The same part on the other side."""
    if sided.thing is None:
        return None
    number = (matched.before_of if sided.side else matched.after_of).get(sided.thing.number)
    return None if number is None else matched.sides[1 - sided.side].things[number]


# --- Whether the other side could have told ------------------------------------------------------------------------


def _tellable(matched: MatchedMachines, sided: _One, doubts: Doubts) -> bool:
    """Whether the other side would have had this finding, too, if it were so; else that is a doubt."""
    other, compared = _other(matched, sided), sided.compared
    lists = [isinstance(fitted.audit.facts.board_slots, Unread) for fitted in matched.sides]
    if (compared.by_table and lists[0] != lists[1]) or (compared.of_a_moment and other is not None):
        return False  # said with the firmware's list of slots; of a moment, the link's rows say what is to be said
    if other is None or sided.thing is None:
        return sided.thing is not None or _port_tellable(matched, sided)
    if compared.rests_on == "counters":
        return _counted(matched, sided, other, doubts)
    if compared.rests_on == "limits":
        return _knows_limits(other) and (sided.finding.severity in BAD or _warmer(sided.thing, other))
    if compared.alike == "to come or go" and not _alike_depth(matched, sided.thing, other):
        return False
    return _read_as_deep(compared, sided.thing, other)


def _read_as_deep(compared: Compared, thing: Thing, other: Thing) -> bool:
    """Whether the other side read what a rule goes by; where not, the rows of health and links say so."""
    if compared.rests_on == "firmware record":
        return other.drive is None or isinstance(other.drive.firmware_slots, FirmwareSlots)
    if compared.rests_on == "health log":
        return other.drive is None or isinstance(other.drive.health, Health)
    if depth(other) < min(compared.depth, depth(thing)):
        return False
    if compared.rests_on == "verdict" and other.judged is not None and thing.judged is not None:
        return _verdict_tellable(thing, other)
    return True


def _verdict_tellable(thing: Thing, other: Thing) -> bool:
    """Whether the verdicts of both sides rest on the same readings; where one is not known, the link's row says so."""
    assert thing.judged is not None
    assert other.judged is not None
    if Verdict.UNKNOWN in {thing.judged.verdict, other.judged.verdict}:
        return thing.judged.contradicts and other.judged.verdict is not Verdict.UNKNOWN
    return depth(thing) == depth(other) or thing.judged.now != other.judged.now


def _port_tellable(matched: MatchedMachines, sided: _One) -> bool:
    """Whether the other side read what a finding about a port without a card rests on; its row says if not."""
    mine = matched.port_before if sided.side else matched.ports
    judged = matched.sides[1 - sided.side].audit.by_key.get(mine.get(sided.finding.subject, ""))
    if judged is None or judged.link.device is not None:
        return True
    return not judged.needs_root and not (
        sided.compared.depth == CAPABILITIES and depth_of(judged.link.ends) < CAPABILITIES
    )


def _counted(matched: MatchedMachines, sided: _One, other: Thing, doubts: Doubts) -> bool:
    """Whether the other side counts errors of this link, and did so for as long."""
    side, words = 1 - sided.side, _subject(matched, sided)
    told = [end.errors for end in ends(other) if end.errors is not None]
    if not any(not isinstance(errors.correctable, Unread) for errors in told):
        doubts.add("error counters", words, side, "neither end of the link reports any")
        return False
    up = [fitted.audit.facts.host.up_seconds for fitted in (matched.sides[sided.side], matched.sides[side])]
    if sided.finding.severity in BAD or isinstance(up[0], Unread) or isinstance(up[1], Unread) or up[1] >= up[0]:
        return True
    doubts.remark(
        "link errors", words, "they start again at zero with each start-up, and one of the two had run for less time"
    )
    return False


def _knows_limits(thing: Thing) -> bool:
    """Whether a side knows a drive's limits, or knows that it has none; the drive tells them to the super-user."""
    seen = thing.seen
    if seen is None or seen.warning_celsius is not None:
        return True
    return not isinstance(seen.drive.warning_celsius, Unread)


def _warmer(thing: Thing, other: Thing) -> bool:
    """Whether the temperatures differ by more than a drive's do from one reading to the next."""
    degrees = [sided.seen.celsius if sided.seen is not None else None for sided in (thing, other)]
    if not isinstance(degrees[0], float) or not isinstance(degrees[1], float):
        return False  # said with the temperature
    return abs(degrees[0] - degrees[1]) >= NEAR_LIMIT_CELSIUS
