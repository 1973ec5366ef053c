"""The verdict of a comparison in one sentence: what got worse first, then what the work brought, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.changes import FindingChange
from agent.compare.fitted import short as shortened
from agent.compare.lanes import tells_lanes
from agent.compare.naming import alone
from agent.compare.new_links import new_drives
from agent.compare.rates import NOT_THERE
from agent.model.findings import Severity, Verdict
from agent.rules import RULES
from knowledge.phrasing import counted, mbps

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from agent.compare.changes import Change, PartChange
    from agent.compare.losses import GoneParts
    from agent.compare.matching import MatchedMachines

NOTHING: Final = "Nothing changed."
MOST_WORSE: Final = 3
MOST_BETTER: Final = 3
MOST_OTHER: Final = 2
# From the most telling row of a part to the least: what its link does stands before a finding, its verdict after it.
FINDING: Final = "finding"
ORDER: Final = ("link", FINDING, "verdict", "health", "temperature", "stripe set", "rate", "firmware", "machine")


class Pieces(Struct, frozen=True, kw_only=True):
    """All that was found to differ; `losses` are the parts that are gone without what came in their place.

    `untold` is how many kinds of reading could not be compared.
    """

    matched: MatchedMachines
    losses: GoneParts
    parts: tuple[PartChange, ...]
    changes: tuple[Change, ...]
    findings: tuple[FindingChange, ...]
    untold: int


def verdict(found: Pieces, *, one_machine: bool) -> str:
    """One sentence for people; device text in it is as read, and is made harmless where it is shown.

    Of two machines neither is an upgrade of the other: then it says how the second stands beside the first.
    """
    if not (found.parts or found.changes or found.findings):
        return _nothing(found)
    new, full = new_drives(found.matched, parts=bool(found.parts))
    worse, better, missed = list(_worse(found)), list(_better(found)), _missed(found)
    short = [] if full or not one_machine or worse or missed else _short(found)
    rest = list(_rest(found, short))
    if new is not None:
        (better if full and one_machine else rest).insert(0, new)
    if not one_machine:
        return _of_two_machines(better, worse, missed, rest)
    untold = _untold_places(found)
    rest = [*untold, *rest]
    if worse or missed:
        also = [("better", better), ("also", [words for words in rest if words not in missed])]
        more = [f"{word}: {_joined(some)}" for word, some in also if some]
        bad = worse or any(part.direction == "worse" for part in found.parts)
        return f"{'Worse than before' if bad else 'Changed'}: {_joined([*missed, *worse, *more])}."
    if untold:
        return f"Changed: {_joined([*rest, *better])}."
    if new is not None:
        others = [words for words in (*better, *rest) if words != new]
        bad = [_finding_words(change, first=not number) for number, change in enumerate(short[:MOST_WORSE])]
        return f"{'The upgrade delivers' if full else 'The upgrade falls short'}: {_joined([*bad, new, *others])}."
    return f"{_lead(found) if better else 'Changed'}: {_joined([*better, *rest])}."


def _nothing(found: Pieces) -> str:
    """That nothing changed, as far as that could be told."""
    if not found.untold:
        return NOTHING
    kinds = counted(found.untold, "kind of reading", "kinds of reading")
    return f"Nothing changed in what could be compared; {kinds} could not."


def _of_two_machines(better: list[str], worse: list[str], missed: list[str], rest: list[str]) -> str:
    """How the second machine stands beside the first; what is neither good nor bad has a word only beside such."""
    also = [words for words in rest if words not in missed]
    parts = [(word, some) for word, some in (("better", better), ("worse", [*missed, *worse])) if some]
    said = [f"{word}: {_joined(some)}" for word, some in parts]
    if also:
        said.append(f"also: {_joined(also)}" if parts else _joined(also))
    return f"Two machines, the second against the first: {_joined(said)}."


def _untold_places(found: Pieces) -> list[str]:
    """Parts that are gone, of which nobody can tell whether anything took their place."""
    return [
        f"whether anything took the place of {alone(found.matched, thing, 0)} was not told"
        for thing in found.matched.removed()
        if thing.number in found.losses.untold
    ]


def _lead(found: Pieces) -> str:
    return "The upgrade delivers" if any(part.kind != "removed" for part in found.parts) else "Better than before"


def _missed(found: Pieces) -> list[str]:
    """Parts that are gone while nothing took their place, and stripe sets: that comes before any praise."""
    gone = [words for kind in ("drive", "card") for words in _gone(kind, found, worse=True)]
    return gone + [f"{change.subject} is gone" for change in found.changes if _set_gone(change)]


def _set_gone(change: Change) -> bool:
    return change.topic == "stripe set" and change.after == NOT_THERE


def _joined(words: list[str]) -> str:
    return "; ".join(words)


# --- What got worse ------------------------------------------------------------------------------------------------


class _Worse(Struct, frozen=True, kw_only=True):
    """What got worse of one part: a row or a finding that tells the most, and the findings beside that are new."""

    place: str
    told: Change | FindingChange
    beside: tuple[Severity, ...]

    @property
    def severities(self) -> tuple[Severity, ...]:
        """The severities of all findings that are new here, those not counted that its row tells of."""
        own = [self.told] if isinstance(self.told, FindingChange) and self.told.kind == "gained" else []
        return (*map(_severity, own), *self.beside)


def _worse(found: Pieces) -> Iterator[str]:
    """Each thing that got worse once, by its most telling row; of the rest how many there are."""
    first = _by_part(found)
    others = [one for one in first if one.place != "rate"]
    slower = [one for one in first if one.place == "rate"]
    for number, one in enumerate(others[:MOST_WORSE]):
        yield _most_telling(found, one, first=not number)
    hidden = others[MOST_WORSE:]
    left = [severity for one in others[:MOST_WORSE] for severity in one.beside]
    left += [severity for one in hidden for severity in one.severities]
    for severity in (Severity.FAULT, Severity.LIMIT):
        if severity in left:
            yield counted(left.count(severity), f"more new {severity.value}")
    unnamed = sum(not one.severities for one in hidden)
    if unnamed:
        yield f"{unnamed} more got worse"
    if len(slower) > 1:
        yield f"the rates of {len(slower)} drives fell"
    else:
        yield from (_most_telling(found, one, first=False) for one in slower)


def _most_telling(found: Pieces, one: _Worse, *, first: bool) -> str:
    """What got worse of a part, in words."""
    if isinstance(one.told, FindingChange):
        return _new_words(found, one.told, first=first)
    return row_words(one.told)


def _by_part(found: Pieces) -> list[_Worse]:
    """What got worse, by part, from the most telling to the least."""
    rows: dict[str, list[tuple[str, Change | FindingChange]]] = {}
    for change in found.changes:
        if change.direction == "worse":
            place = "verdict" if change.what == "verdict" else change.topic
            rows.setdefault(change.subject, []).append((place, change))
    for gain in found.findings:
        if gain.direction == "worse" and gain.after is not None:
            rows.setdefault(gain.subject, []).append((FINDING, gain))
    told = []
    for some in rows.values():
        first, most = min(some, key=lambda row: ORDER.index(row[0]))
        beside = [
            _severity(one)
            for _, one in some
            if isinstance(one, FindingChange) and one is not most and one.kind == "gained" and not _tells(first, one)
        ]
        told.append(_Worse(place=first, told=most, beside=tuple(beside)))
    return sorted(told, key=lambda one: ORDER.index(one.place))


def _tells(place: str, gain: FindingChange) -> bool:
    """Whether a row of this place tells what a finding says: that of a link, what its verdict rests on."""
    return place == "link" and gain.after is not None and RULES[gain.after.rule].compared.rests_on == "verdict"


def _new_words(found: Pieces, gain: FindingChange, *, first: bool) -> str:
    """A finding that is new, or worse than it was; what was not told before is not called new."""
    untold = _untold_before(found, gain)
    kind = "" if untold else "new " if gain.kind == "gained" else "worse "
    after = "; what its link did before was not told" if untold else ""
    return f"{kind}{_severity(gain).value}: {_finding_words(gain, first=first)}{after}"


def _finding_words(gain: FindingChange, *, first: bool) -> str:
    """A finding by its part; the `first` one with its usual cause and what it costs."""
    finding = gain.after
    assert finding is not None
    words = f"{gain.subject} {finding.headline.partition(';')[0]}"
    if not first:
        return words
    cause = f" ({shortened(finding.cause)})" if finding.cause else ""
    return f"{words}{cause}{f', which costs up to {mbps(finding.costs_mbps)}' if finding.costs_mbps else ''}"


def _untold_before(found: Pieces, gain: FindingChange) -> bool:
    """Whether a finding rests on the lanes and speed of a link that told neither before."""
    if gain.after is None or RULES[gain.after.rule].compared.rests_on != "verdict":
        return False
    thing = found.matched.after.subject(gain.after.subject)
    before = found.matched.before_of.get(thing.number) if thing is not None else None
    judged = found.matched.before.things[before].judged if before is not None else None
    return judged is not None and not tells_lanes(judged)


# What is said of each rate that a row can be about.
RATES: Final = {
    "read alone": ("read", ""),
    "read together": ("read", " with all drives busy"),
    "write alone": ("write", ""),
    "write together": ("write", " with all drives busy"),
}


def row_words(change: Change) -> str:
    """A row in the middle of a sentence."""
    if change.what in RATES:
        verb, with_others = RATES[change.what]
        low, was = f"{mbps(change.after_values[0])} or more", f"{change.before_values[0]:,.0f}"
        if change.after_values[0] == change.before_values[0]:
            low, was = f"up to {change.after_values[-1]:,.0f} MB/s", f"{change.before_values[-1]:,.0f}"
        return f"{change.subject} should {verb} {low}{with_others} (was {was})"
    if change.topic == "temperature":
        return f"{change.subject} is at {change.after} (was {change.before})"
    if change.topic in {"health", "stripe set"} and {change.before, change.after} == {"yes", "no"}:
        return f"{change.subject} {change.what if change.after == 'yes' else _no_longer(change.what)}"
    return f"{change.subject}: {change.what} from {change.before} to {change.after}"


def _no_longer(what: str) -> str:
    """That something is so no longer: "is no longer read-only", "no longer warns of its temperature"."""
    rest = what.removeprefix("is ")
    return f"no longer {what}" if rest == what else f"is no longer {rest}"


# --- What got better -----------------------------------------------------------------------------------------------


def _better(found: Pieces) -> Iterator[str]:
    rows = [change for change in found.changes if change.direction == "better"]
    yield from _sets(rows)
    links = {row.subject: row for row in rows if row.topic == "link" and row.what == "verdict"}
    links |= {row.subject: row for row in rows if row.topic == "link" and row.what != "verdict"}
    yield from _some(list(links.values()), "links improved")
    faster = {row.subject: row for row in reversed(rows) if row.topic == "rate" and row.subject not in links}
    yield from _some(list(faster.values()), "drives faster", 1)
    yield from _some([row for row in rows if row.topic in {"health", "temperature"}], "drive readings improved", 1)
    for severity in (Severity.FAULT, Severity.LIMIT):
        cleared = [
            finding for finding in found.findings if finding.direction == "better" and _severity(finding) is severity
        ]
        gone = sum(change.kind == "cleared" for change in cleared)
        if gone:
            yield f"{counted(gone, severity.value)} cleared"
        if len(cleared) > gone:
            yield f"{counted(len(cleared) - gone, severity.value)} less severe"


def _sets(rows: Iterable[Change]) -> Iterator[str]:
    """The first better row of each stripe set."""
    first: dict[str, Change] = {}
    for row in rows:
        if row.topic == "stripe set":
            first.setdefault(row.subject, row)
    yield from _some(list(first.values()), "stripe sets faster or sounder")


def _some(rows: list[Change], many: str, most: int = MOST_BETTER) -> Iterator[str]:
    """Rows in words, or how many there are."""
    if len(rows) > most:
        yield f"{len(rows)} {many}"
    else:
        yield from map(row_words, rows)


def _severity(change: FindingChange) -> Severity:
    finding = change.before if change.before is not None else change.after
    assert finding is not None
    return finding.severity


def _short(found: Pieces) -> list[FindingChange]:
    """The limits that new parts brought, which the verdict names where an upgrade falls short."""
    added = {thing.number for thing in found.matched.added()}
    parts = [
        (gain, found.matched.after.subject(gain.after.subject)) for gain in found.findings if gain.after is not None
    ]
    return [
        gain
        for gain, thing in parts
        if _severity(gain) is Severity.LIMIT and gain.kind == "gained" and thing is not None and thing.number in added
    ]


# --- The rest ------------------------------------------------------------------------------------------------------


def _rest(found: Pieces, named: Sequence[FindingChange]) -> Iterator[str]:
    """All that is neither good nor bad; of the findings `named` elsewhere the first ones are left out."""
    yield from _parts(found)
    yield from _rest_of_findings(found, named)
    others = [change for change in found.changes if change.direction == "other"]
    sets = [other for other in others if other.topic == "stripe set" and NOT_THERE in {other.before, other.after}]
    yield from (
        f"{change.subject} is gone" if change.after == NOT_THERE else f"new {change.subject} ({change.after})"
        for change in sets
    )
    others = [other for other in others if other not in sets]
    firmware = {other.subject for other in others if other.topic == "firmware"}
    if firmware:
        yield (
            f"{next(iter(firmware))} has different firmware"
            if len(firmware) == 1
            else f"{len(firmware)} parts have different firmware"
        )
    more = [other for other in others if other.topic != "firmware"]
    if len(more) <= MOST_OTHER:
        yield from map(row_words, more)
    else:
        yield counted(len(more), "other change")


def _rest_of_findings(found: Pieces, named: Sequence[FindingChange]) -> Iterator[str]:
    """Findings that came, went or differ, and are neither good nor bad, by their number."""
    for severity in Severity:
        gained = sum(
            finding.kind == "gained"
            and finding.direction == "other"
            and _severity(finding) is severity
            and finding not in named[:MOST_WORSE]
            for finding in found.findings
        )
        if gained:
            beside = any(_severity(finding) is severity for finding in named)
            yield _findings_words(gained, severity, "more new" if beside else "new")
        gone = sum(
            finding.kind == "cleared" and finding.direction == "other" and _severity(finding) is severity
            for finding in found.findings
        )
        if gone:
            yield f"{_findings_words(gone, severity)} gone"
        left = [finding for finding in found.findings if finding.kind == "gone" and _severity(finding) is severity]
        lost = sum(finding.missed for finding in left)
        if lost:
            why = "its part is missing" if lost == 1 else "their parts are missing"
            yield f"{_findings_words(lost, severity)} no longer seen, as {why}"
        taken = len(left) - lost
        if taken:
            yield f"{_findings_words(taken, severity)} gone with the {'part' if taken == 1 else 'parts'} removed"
    altered = sum(finding.kind == "changed" and finding.direction == "other" for finding in found.findings)
    if altered:
        yield f"{counted(altered, 'finding')} with different figures"


def _findings_words(count: int, severity: Severity, new: str = "") -> str:
    """A count of findings, which are `new` or not: "one new limit", "2 faults"."""
    return counted(count, f"{new} {severity.value}".lstrip())


def _parts(found: Pieces) -> Iterator[str]:
    """Parts that came, went and moved, but for what is told with the links of new ones."""
    linked = {
        thing.address
        for thing in found.matched.added()
        if thing.judged is not None and thing.judged.verdict is not Verdict.VIRTUAL
    }
    planned = found.matched.after.audit.matched is not None and bool(found.matched.after.audit.matched.drives)
    for kind, words in (("added", "added"), ("removed", "removed"), ("moved", "moved")):
        for what in ("drive", "card"):
            some = [
                part for part in found.parts if part.kind == kind and part.part.kind == what and not part.part.on_board
            ]
            told = kind == "added" and not (planned and what == "drive")
            count = sum(not (told and change.after is not None and change.after.address in linked) for change in some)
            if kind == "removed":
                yield from _gone(what, found, worse=False)
            elif count:
                yield f"{counted(count, what)} {words}"
    for kind, words in (("added", "more"), ("removed", "fewer")):
        count = sum(part.kind == kind and part.part.on_board for part in found.parts)
        if count:
            yield f"{counted(count, 'on-board device')} {words}"


def _gone(what: str, found: Pieces, *, worse: bool) -> Iterator[str]:
    """Drives or cards that are missing or, not `worse`, were removed: one by its name, more by their number."""
    some = [
        thing
        for thing in found.matched.removed()
        if thing.kind == what
        and not found.matched.before.part(thing).on_board
        and (thing.number in found.losses.missing) is worse
    ]
    become = "missing" if worse else "removed"
    if len(some) == 1:
        yield f"{alone(found.matched, some[0], 0)} {'is ' if worse else ''}{become}"
    elif some:
        yield f"{counted(len(some), what)} {become}"
