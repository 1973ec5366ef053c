"""The verdict of a comparison in one sentence: what got worse first, then what the work brought, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.naming import alone
from agent.compare.rates import NOT_THERE
from agent.model.findings import VERDICTS, Severity, Verdict
from knowledge.phrasing import counted, mbps

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.compare.changes import Change, FindingChange, PartChange
    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines
    from probes.unread import Unread

NOTHING: Final = "Nothing changed."
MOST_WORSE: Final = 3
MOST_BETTER: Final = 3
MOST_OTHER: Final = 2
# From the most telling row of a part to the least; a finding comes after the link's rows.
ORDER: Final = ("link", "finding", "health", "temperature", "stripe set", "rate", "firmware", "machine")


class Pieces(Struct, frozen=True, kw_only=True):
    """All that was found to differ; `missed` are the numbers of the parts that are lost."""

    matched: MatchedMachines
    missed: frozenset[int]
    parts: tuple[PartChange, ...]
    changes: tuple[Change, ...]
    findings: tuple[FindingChange, ...]
    doubts: tuple[Unread, ...]


def verdict(found: Pieces, *, one_machine: bool) -> str:
    """One sentence for people; device text in it is as read, and is made harmless where it is shown.

    Of two machines neither is an upgrade of the other: then it says how the second stands beside the first.
    """
    if not (found.parts or found.changes or found.findings):
        if not found.doubts:
            return NOTHING
        kinds = counted(len(found.doubts), "kind of reading", "kinds of reading")
        return f"Nothing changed in what could be compared; {kinds} could not."
    worse, better, rest = list(_worse(found)), list(_better(found)), list(_rest(found))
    new, full = _new_drives(found)
    missed = _missed(found)
    if new is not None:
        (better if full and one_machine else rest).insert(0, new)
    if not one_machine:
        told = (
            ("better", better),
            ("worse", [*missed, *worse]),
            ("also", [words for words in rest if words not in missed]),
        )
        said = "; ".join(f"{word}: {_joined(some)}" for word, some in told if some)
        return f"Two machines, the second against the first: {said}."
    if worse or missed:
        also = [("better", better), ("also", [words for words in rest if words not in missed])]
        more = [f"{word}: {_joined(some)}" for word, some in also if some]
        bad = worse or any(part.direction == "worse" for part in found.parts)
        return f"{'Worse than before' if bad else 'Changed'}: {_joined([*missed, *worse, *more])}."
    if new is not None:
        others = [words for words in (*better, *rest) if words != new]
        return f"{'The upgrade delivers' if full else 'The upgrade falls short'}: {_joined([new, *others])}."
    return f"{_lead(found) if better else 'Changed'}: {_joined([*better, *rest])}."


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


def _worse(found: Pieces) -> Iterator[str]:
    """Each thing that got worse once, by its most telling row."""
    rows: dict[str, list[tuple[int, str]]] = {}
    for change in found.changes:
        if change.direction == "worse":
            rows.setdefault(change.subject, []).append((ORDER.index(change.topic), row_words(change)))
    for gain in found.findings:
        if gain.direction == "worse" and gain.after is not None:
            rows.setdefault(gain.subject, []).append((ORDER.index("finding"), _finding_words(gain)))
    first = sorted((min(told) for told in rows.values()), key=lambda row: row[0])
    slower = [words for place, words in first if ORDER[place] == "rate"]
    others = [words for place, words in first if ORDER[place] != "rate"]
    if len(slower) > 1:
        slower = [f"the rates of {len(slower)} drives fell"]
    yield from others[:MOST_WORSE]
    if len(others) > MOST_WORSE:
        yield f"{len(others) - MOST_WORSE} more got worse"
    yield from slower


def _finding_words(gain: FindingChange) -> str:
    finding = gain.after
    assert finding is not None
    kind = "new" if gain.kind == "gained" else "worse"
    return f"{kind} {finding.severity.value}: {gain.subject} {finding.headline.partition(';')[0]}"


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


def _new_drives(found: Pieces) -> tuple[str | None, bool]:
    """How many planned or new drives, and new cards, run at full link; whether none falls short of that."""
    planned = found.matched.after.audit.matched
    told: list[tuple[str, list[Verdict | None]]] = []
    if planned is not None and planned.drives and found.parts:
        verdicts = [
            drive.link.verdict if drive.how == "here" and drive.link is not None else None for drive in planned.drives
        ]
        told.append(("planned drive", verdicts))
    else:
        told.append(("new drive", _verdicts(thing for thing in found.matched.added() if thing.kind == "drive")))
    told.append(("new card", _verdicts(thing for thing in found.matched.added() if thing.kind == "card")))
    words = [_at_full(what, verdicts) for what, verdicts in told if verdicts]
    short = [
        verdict
        for _, verdicts in told
        for verdict in verdicts
        if verdict is None or verdict is Verdict.UNKNOWN or not (verdict.kind.card_at_best or verdict.kind.open_words)
    ]
    return "; ".join(words) or None, not short


def _verdicts(things: Iterable[Thing]) -> list[Verdict | None]:
    judged = [thing.judged for thing in things if thing.judged is not None]
    return [link.verdict for link in judged if link.verdict is not Verdict.VIRTUAL]


def _at_full(what: str, verdicts: list[Verdict | None]) -> str:
    """How many of these are at full link; one that rests or could not be read is told as that."""
    if len(verdicts) == 1:
        (verdict,) = verdicts
        if verdict is not None and verdict.kind.open_words:
            return f"the link of the {what} {verdict.kind.open_words}"
        return f"the {what} {'at' if verdict is not None and verdict.kind.card_at_best else 'not at'} full link"
    full = sum(verdict is not None and verdict.kind.card_at_best for verdict in verdicts)
    words = [f"{full} of {len(verdicts)} {what}s at full link"]
    for verdict, kind in VERDICTS.items():
        count = verdicts.count(verdict) if kind.open_words else 0
        words += [f"{'one' if count == 1 else count} {kind.open_words}"] if count else []
    return ", ".join(words)


# --- The rest ------------------------------------------------------------------------------------------------------


def _rest(found: Pieces) -> Iterator[str]:
    yield from _parts(found)
    for severity in Severity:
        gained = sum(
            finding.kind == "gained" and finding.direction == "other" and _severity(finding) is severity
            for finding in found.findings
        )
        if gained:
            yield _findings_words(gained, severity, new=True)
        gone = sum(
            finding.kind == "cleared" and finding.direction == "other" and _severity(finding) is severity
            for finding in found.findings
        )
        if gone:
            yield _findings_words(gone, severity, new=False)
        left = sum(finding.kind == "gone" and _severity(finding) is severity for finding in found.findings)
        if left:
            yield f"{_findings_words(left, severity, new=False)} with the {'part' if left == 1 else 'parts'} removed"
    altered = sum(finding.kind == "changed" and finding.direction == "other" for finding in found.findings)
    if altered:
        yield f"{counted(altered, 'finding')} with different figures"
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


def _findings_words(count: int, severity: Severity, *, new: bool) -> str:
    word, many = {Severity.UNKNOWN: ("unknown", "unknowns")}.get(severity, (severity.value, f"{severity.value}s"))
    if new:
        return f"one new {word}" if count == 1 else f"{count} new {many}"
    return f"{counted(count, word, many)} gone"


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
        and (thing.number in found.missed) is worse
    ]
    become = "missing" if worse else "removed"
    if len(some) == 1:
        yield f"{alone(found.matched, some[0], 0)} {'is ' if worse else ''}{become}"
    elif some:
        yield f"{counted(len(some), what)} {become}"
