"""The verdict of a comparison in one sentence: what got worse first, then what the work brought, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from agent.compare.naming import alone, counted
from agent.compare.rates import NOT_THERE
from agent.model.findings import Severity, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from agent.compare.changes import Change, FindingChange, Part, PartChange
    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines
    from probes.unread import Unread

NOTHING: Final = "Nothing changed."
MOST_WORSE: Final = 3
MOST_BETTER: Final = 3
MOST_OTHER: Final = 2
LONGEST_HEADLINE: Final = 90  # characters
# Links of which nothing is known yet.
SILENT: Final[dict[Verdict | None, str]] = {Verdict.RESTING: "at rest", Verdict.UNKNOWN: "not known"}
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
        return f"Nothing changed in what both sides tell; {kinds} could not be compared."
    worse, better, rest = list(_worse(found)), list(_better(found)), list(_rest(found))
    new, full = _new_drives(found)
    missed = _missed(found)
    if new is not None:
        (better if full and one_machine else rest).insert(0, new)
    if not one_machine:
        told = (("better", better), ("worse", [*missed, *worse]), ("also", [one for one in rest if one not in missed]))
        return f"The second beside the first: {'; '.join(f'{word}: {_joined(some)}' for word, some in told if some)}."
    if worse or missed:
        also = [("better", better), ("also", [one for one in rest if one not in missed])]
        more = [f"{word}: {_joined(some)}" for word, some in also if some]
        bad = worse or any(one.direction == "worse" for one in found.parts)
        return f"{'Worse than before' if bad else 'Changed'}: {_joined([*missed, *worse, *more])}."
    if new is not None:
        others = [one for one in (*better, *rest) if one != new]
        return f"{'The upgrade delivers' if full else 'The upgrade delivers in part'}: {_joined([new, *others])}."
    return f"{_lead(found) if better else 'Changed'}: {_joined([*better, *rest])}."


def _lead(found: Pieces) -> str:
    return "The upgrade delivers" if any(one.kind != "removed" for one in found.parts) else "Better than before"


def _missed(found: Pieces) -> list[str]:
    """Parts that are gone while nothing took their place, and stripe sets: that comes before any praise."""
    gone = [words for kind in ("drive", "card") for words in _gone(kind, found, worse=True)]
    return gone + [f"{one.subject} no longer there" for one in found.changes if _set_gone(one)]


def _set_gone(one: Change) -> bool:
    return one.topic == "stripe set" and one.after == NOT_THERE


def _joined(words: list[str]) -> str:
    return "; ".join(words)


# --- What got worse ------------------------------------------------------------------------------------------------


def _worse(found: Pieces) -> Iterator[str]:
    """Each thing that got worse once, by its most telling row."""
    rows: dict[str, list[tuple[int, str]]] = {}
    for one in found.changes:
        if one.direction == "worse":
            rows.setdefault(one.subject, []).append((ORDER.index(one.topic), row_words(one)))
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
        yield f"{len(others) - MOST_WORSE} more that got worse"
    yield from slower


def _finding_words(gain: FindingChange) -> str:
    finding = gain.after
    assert finding is not None
    headline = finding.headline
    if len(headline) > LONGEST_HEADLINE:
        headline = f"{headline[: LONGEST_HEADLINE - 3]}..."
    kind = "new" if gain.kind == "gained" else "worse"
    return f"{kind} {finding.severity.value} of {gain.subject} ({headline})"


def row_words(one: Change) -> str:
    """A row in the middle of a sentence."""
    if one.topic in {"rate", "stripe set"} and one.unit == "MB/s":
        verb, _, how = one.what.partition(" ")
        with_others = {"alone": "", "together": " with all drives at work"}[how]
        low, was = f"{one.after_values[0]:,.0f} MB/s or more", f"{one.before_values[0]:,.0f}"
        if one.after_values[0] == one.before_values[0]:
            low, was = f"up to {one.after_values[-1]:,.0f} MB/s", f"{one.before_values[-1]:,.0f}"
        return f"{one.subject} should {verb} {low}{with_others} (was {was})"
    if one.topic == "temperature":
        return f"{one.subject} is at {one.after} (was {one.before})"
    if one.topic == "health" and {one.before, one.after} == {"yes", "no"}:
        return f"{one.subject} {one.what}" if one.after == "yes" else f"no longer so: {one.subject} {one.what}"
    return f"{one.what} of {one.subject} from {one.before} to {one.after}"


# --- What got better -----------------------------------------------------------------------------------------------


def _better(found: Pieces) -> Iterator[str]:
    rows = [one for one in found.changes if one.direction == "better"]
    yield from _sets(rows)
    links = {one.subject: one for one in rows if one.topic == "link" and one.what == "verdict"}
    links |= {one.subject: one for one in rows if one.topic == "link" and one.what != "verdict"}
    yield from _some(list(links.values()), "links better")
    faster = {one.subject: one for one in reversed(rows) if one.topic == "rate" and one.subject not in links}
    yield from _some(list(faster.values()), "drives faster", 1)
    yield from _some([one for one in rows if one.topic in {"health", "temperature"}], "drive readings better", 1)
    for severity in (Severity.FAULT, Severity.LIMIT):
        cleared = [one for one in found.findings if one.direction == "better" and _severity(one) is severity]
        gone = sum(one.kind == "cleared" for one in cleared)
        if gone:
            yield f"{counted(gone, severity.value)} cleared"
        if len(cleared) > gone:
            yield f"{counted(len(cleared) - gone, severity.value)} less bad"


def _sets(rows: Iterable[Change]) -> Iterator[str]:
    """The first better row of each stripe set."""
    first: dict[str, Change] = {}
    for one in rows:
        if one.topic == "stripe set":
            first.setdefault(one.subject, one)
    yield from _some(list(first.values()), "stripe sets better")


def _some(rows: list[Change], many: str, most: int = MOST_BETTER) -> Iterator[str]:
    """Rows in words, or how many there are."""
    if len(rows) > most:
        yield f"{len(rows)} {many}"
    else:
        yield from map(row_words, rows)


def _severity(one: FindingChange) -> Severity:
    finding = one.before if one.before is not None else one.after
    assert finding is not None
    return finding.severity


def _new_drives(found: Pieces) -> tuple[str | None, bool]:
    """How many planned or new drives, and new cards, run at full link; whether none falls short of that."""
    planned = found.matched.after.audit.matched
    told: list[tuple[str, list[Verdict | None]]] = []
    if planned is not None and planned.drives and found.parts:
        verdicts = [one.link.verdict if one.how == "here" and one.link is not None else None for one in planned.drives]
        told.append(("planned drive", verdicts))
    else:
        told.append(("new drive", _verdicts(one for one in found.matched.added() if one.kind == "drive")))
    told.append(("new card", _verdicts(one for one in found.matched.added() if one.kind == "card")))
    words = [_at_full(what, verdicts) for what, verdicts in told if verdicts]
    short = {one for _, verdicts in told for one in verdicts} - {Verdict.FULL, Verdict.RESTING}
    return "; ".join(words) or None, not short


def _verdicts(things: Iterable[Thing]) -> list[Verdict | None]:
    judged = [one.judged for one in things if one.judged is not None]
    return [one.verdict for one in judged if one.verdict is not Verdict.VIRTUAL]


def _at_full(what: str, verdicts: list[Verdict | None]) -> str:
    """How many of these are at full link; one that rests or could not be read is told as that."""
    if len(verdicts) == 1:
        if verdicts[0] in SILENT:
            return f"the link of the {what} {SILENT[verdicts[0]]}"
        return f"the {what} {'at' if verdicts[0] is Verdict.FULL else 'not at'} full link"
    words = [f"{verdicts.count(Verdict.FULL)} of {len(verdicts)} {what}s at full link"]
    for verdict, silent in SILENT.items():
        count = verdicts.count(verdict)
        words += [f"{'one' if count == 1 else count} {silent}"] if count else []
    return ", ".join(words)


# --- The rest ------------------------------------------------------------------------------------------------------


def _rest(found: Pieces) -> Iterator[str]:
    yield from _parts(found)
    for severity in Severity:
        gained = sum(
            one.kind == "gained" and one.direction == "other" and _severity(one) is severity for one in found.findings
        )
        if gained:
            yield _findings_words(gained, severity, new=True)
        gone = sum(
            one.kind == "cleared" and one.direction == "other" and _severity(one) is severity for one in found.findings
        )
        if gone:
            yield _findings_words(gone, severity, new=False)
        left = sum(one.kind == "gone" and _severity(one) is severity for one in found.findings)
        if left:
            yield f"{_findings_words(left, severity, new=False)} with {'its part' if left == 1 else 'their parts'}"
    altered = sum(one.kind == "changed" and one.direction == "other" for one in found.findings)
    if altered:
        yield f"{counted(altered, 'finding')} with other figures"
    others = [one for one in found.changes if one.direction == "other"]
    sets = [one for one in others if one.topic == "stripe set" and NOT_THERE in {one.before, one.after}]
    yield from (
        f"{one.subject} no longer there" if one.after == NOT_THERE else f"new {one.subject} ({one.after})"
        for one in sets
    )
    others = [one for one in others if one not in sets]
    firmware = {one.subject for one in others if one.topic == "firmware"}
    if firmware:
        yield (
            f"other firmware of {next(iter(firmware))}"
            if len(firmware) == 1
            else f"other firmware of {len(firmware)} parts"
        )
    more = [one for one in others if one.topic != "firmware"]
    if len(more) <= MOST_OTHER:
        yield from map(row_words, more)
    else:
        yield counted(len(more), "other change")


def _findings_words(count: int, severity: Severity, *, new: bool) -> str:
    word, many = {Severity.UNKNOWN: ("open question", "open questions")}.get(
        severity, (severity.value, f"{severity.value}s")
    )
    if new:
        return f"one new {word}" if count == 1 else f"{count} new {many}"
    return f"{counted(count, word, many)} gone"


def _parts(found: Pieces) -> Iterator[str]:
    """Parts that came, went and moved, but for what is told with the links of new ones."""
    linked = {
        one.address
        for one in found.matched.added()
        if one.judged is not None and one.judged.verdict is not Verdict.VIRTUAL
    }
    planned = found.matched.after.audit.matched is not None and bool(found.matched.after.audit.matched.drives)
    for kind, words in (("added", "added"), ("removed", "no longer there"), ("moved", "moved")):
        for what in ("drive", "card"):
            some = [
                one for one in found.parts if one.kind == kind and _part(one).kind == what and not _part(one).on_board
            ]
            told = kind == "added" and not (planned and what == "drive")
            count = sum(not (told and one.after is not None and one.after.address in linked) for one in some)
            if kind == "removed":
                yield from _gone(what, found, worse=False)
            elif count:
                yield f"{counted(count, what)} {words}"
    for kind, words in (("added", "more"), ("removed", "fewer")):
        count = sum(one.kind == kind and _part(one).on_board for one in found.parts)
        if count:
            yield f"{counted(count, 'device')} of the board {words}"


def _gone(what: str, found: Pieces, *, worse: bool) -> Iterator[str]:
    """Drives or cards that are no longer there, lost or replaced: one by its name, more by their number."""
    some = [
        one
        for one in found.matched.removed()
        if one.kind == what and not found.matched.before.part(one).on_board and (one.number in found.missed) is worse
    ]
    if len(some) == 1:
        yield f"{alone(found.matched, some[0], 0)} no longer there"
    elif some:
        yield f"{counted(len(some), what)} no longer there"


def _part(one: PartChange) -> Part:
    """The part of a change, as it is after it if it is there."""
    part = one.after if one.after is not None else one.before
    assert part is not None
    return part
