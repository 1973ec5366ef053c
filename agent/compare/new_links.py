"""How the links of new parts do, or of those that a build sheet plans: what an upgrade is held to. Reads nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import VERDICTS, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.compare.fitted import Thing
    from agent.compare.matching import MatchedMachines
    from agent.model.sheet_parts import DriveMatch

# Planned drives of which nobody can tell whether they are in their places.
UNTOLD: Final = frozenset({"unplaced", "untold", "unseen"})


def new_drives(matched: MatchedMachines, *, parts: bool) -> tuple[str | None, bool]:
    """How many planned or new drives, and new cards, run at full link; whether none falls short of that.

    A part with a fault that was not there is no gain, whatever its link does: then only the links are told. `parts`
    tells whether any part came, went or moved.
    """
    planned = matched.after.audit.matched
    faulted = matched.after.faulted() - {matched.after_of.get(number) for number in matched.before.faulted()}
    words: list[tuple[bool, str]] = []  # what falls short comes first
    if planned is not None and planned.drives and parts:
        here = _planned_links(matched, [drive for drive in planned.drives if drive.how == "here"])
        if all(drive.how == "here" for drive in planned.drives):
            groups = [("planned drive", here)]
        else:
            groups = []
            words.append((False, _in_places(matched, planned.drives)))
    else:
        groups = [("new drive", _links(thing for thing in matched.added() if thing.kind == "drive"))]
    groups.append(("new card", _links(thing for thing in matched.added() if thing.kind == "card")))
    for what, links in groups:
        verdicts = [verdict for _, verdict in links]
        whole = all(number not in faulted and _is_whole(verdict) for number, verdict in links)
        if links:
            at_best = any(number in faulted and verdict.kind.card_at_best for number, verdict in links)
            words.append((whole, _links_only(what, verdicts) if at_best else _at_full(what, verdicts)))
    words.sort(key=lambda group: group[0])
    return "; ".join(text for _, text in words) or None, all(whole for whole, _ in words)


def _is_whole(verdict: Verdict) -> bool:
    """Whether a link gives its card all that it can use, or rests."""
    return verdict is not Verdict.UNKNOWN and bool(verdict.kind.card_at_best or verdict.kind.open_words)


def _links(things: Iterable[Thing]) -> list[tuple[int, Verdict]]:
    """The verdicts of parts that have a link of their own, with the numbers of the parts."""
    return [
        (thing.number, thing.judged.verdict)
        for thing in things
        if thing.judged is not None and thing.judged.verdict is not Verdict.VIRTUAL
    ]


def _planned_links(matched: MatchedMachines, drives: Iterable[DriveMatch]) -> list[tuple[int, Verdict]]:
    """The same of planned drives that answer."""
    links = [(drive.link, matched.after.subject(drive.link.device_address or "")) for drive in drives if drive.link]
    return [(thing.number if thing is not None else -1, link.verdict) for link, thing in links]


def _in_places(matched: MatchedMachines, drives: Sequence[DriveMatch]) -> str:
    """How many planned drives are in their places, and how their links do where not all are at their best."""
    here = sum(drive.how == "here" for drive in drives)
    untold = sum(drive.how in UNTOLD for drive in drives)
    words = f"{here} of {len(drives)} planned drives in their places"
    if len(drives) == 1:
        words = (
            "the planned drive not in its place" if not untold else "whether the planned drive is in its place not told"
        )
    elif untold:
        words += f", {untold} not told"
    verdicts = [verdict for _, verdict in _planned_links(matched, (drive for drive in drives if drive.how != "other"))]
    if all(map(_is_whole, verdicts)):
        return words
    return f"{words}, {sum(verdict.kind.card_at_best for verdict in verdicts)} of {len(verdicts)} links full"


def _links_only(what: str, verdicts: list[Verdict]) -> str:
    """How the links of parts do, without praise of the parts."""
    full = sum(verdict.kind.card_at_best for verdict in verdicts)
    if len(verdicts) == 1:
        return f"link of the {what}: {'full' if full else 'not full'}"
    return f"links of the {what}s: {'full' if full == len(verdicts) else f'{full} of {len(verdicts)} full'}"


def _at_full(what: str, verdicts: list[Verdict]) -> str:
    """How many of these are at full link; one that rests or could not be read is told as that."""
    if len(verdicts) == 1:
        (verdict,) = verdicts
        if verdict.kind.open_words:
            return f"the link of the {what} {verdict.kind.open_words}"
        return f"the {what} {'at' if verdict.kind.card_at_best else 'not at'} full link"
    full = sum(verdict.kind.card_at_best for verdict in verdicts)
    words = [f"{full} of {len(verdicts)} {what}s at full link"]
    for verdict, kind in VERDICTS.items():
        count = verdicts.count(verdict) if kind.open_words else 0
        words += [f"{'one' if count == 1 else count} {kind.open_words}"] if count else []
    return ", ".join(words)
