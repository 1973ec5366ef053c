"""Parts that are in another place than the build sheet has them, other parts than it names, and parts beyond it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.expected import as_written
from agent.model.findings import Evidence
from agent.model.sheet_parts import identity, is_wanted
from agent.model.sheet_unseen import hidden, numbers
from agent.rules.rule import Found
from agent.rules.sheet_moving import out_of_place
from agent.rules.sheet_needs import by_place
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.model.sheet_parts import DriveMatch, FittedDrive, MatchedSheet


def other_places(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[Found]:
    """Parts that answer elsewhere, together where they want each other's places; a broken need tells of its own."""
    for group, needs in by_place(seen, matched)[0]:
        if not needs:
            yield out_of_place(seen, matched, group)


def other_parts(matched: MatchedSheet) -> Iterator[Found]:
    """Cards and drives that say of themselves that they are others than the sheet's."""
    for card in matched.cards:
        if card.how != "other" or card.found is None:
            continue
        wanted = card.card.pci_id.lower() if card.card.pci_id is not None else "a packet switch"
        source = f"{card.found.subject} maker and model number"
        yield Found(
            card.found.subject,
            f"is {matched.what(card.found)}, where the sheet has {card.words}",
            (Evidence(source, identity(card.found) or "not read", f"{wanted} ({matched.source})"),),
            judged=card.found,
        )
    for drive in matched.drives:
        if drive.how == "other" and drive.found is not None:
            yield _other_drive(matched, drive)


def _other_drive(matched: MatchedSheet, match: DriveMatch) -> Found:
    assert match.found is not None
    found, model = match.found, match.drive.model
    if model is not None and found.model is not None and as_written(model) != found.model:
        words, evidence = "another drive", Evidence(f"{found.name} model", found.model, f"{model} ({matched.source})")
    else:
        words = "another drive of the same model"
        expected = f"{match.drive.serial} ({matched.source})"
        evidence = Evidence(f"{found.name} serial number", found.serial or "not read", expected)
    headline = f"is {words} than {match.words} of the sheet"
    return Found(found.name, headline, (evidence,), judged=found.own, drive=found.drive is not None)


def unplanned(matched: MatchedSheet) -> Iterator[Found | Unread]:
    """Cards with the drives behind them, and other drives, that the sheet does not have.

    What could not be told from the parts that it has may be one of them.
    """
    cards = {more_card.link.key for more_card in matched.more_cards}
    for judged in matched.more_cards:
        on_it = [
            more_drive.name for more_drive in matched.more_drives if any(link is judged for link in more_drive.chain)
        ]
        drives = f" with {', '.join(on_it)}" if on_it else ""
        what = matched.what(judged)
        unread = numbers(judged) or hidden([judged]) or _may_be_card(matched, judged)
        if unread is not None:
            yield _doubtful(f"{what} in {matched.place_of(judged)}", matched, unread)
            continue
        source = f"{judged.subject} in {matched.place_of(judged)}"
        evidence = (Evidence(source, f"{what}{drives}", f"no such card ({matched.source})"),)
        yield Found(judged.subject, f"is {what}{drives}, which the sheet does not have", evidence, judged=judged)
    for more_drive in matched.more_drives:
        if cards.isdisjoint(link.link.key for link in more_drive.chain):
            where = matched.place_of(more_drive.own) if more_drive.own is not None else "a place that is not shown"
            unread = more_drive.lost or _may_be_drive(matched, more_drive)
            if unread is not None:
                yield _doubtful(more_drive.name, matched, unread)
                continue
            evidence = (
                Evidence(
                    f"{more_drive.name} in {where}", more_drive.model or "a drive", f"no such drive ({matched.source})"
                ),
            )
            headline = f"is a drive in {where} that the sheet does not have"
            yield Found(more_drive.name, headline, evidence, judged=more_drive.own, drive=more_drive.drive is not None)


def _may_be_card(matched: MatchedSheet, judged: Judged) -> Unread | None:
    """Why a card may be one of the sheet's: one that could not be seen, and of which nothing says otherwise."""
    for card in matched.cards:
        wanted = card.card.pci_id
        if card.lost is not None and (wanted is None or wanted.lower() == identity(judged)):
            return card.lost
    return None


def _may_be_drive(matched: MatchedSheet, found: FittedDrive) -> Unread | None:
    """Why a drive may be one of the sheet's, as with cards."""
    for drive in matched.drives:
        if drive.lost is not None and is_wanted(drive, found) is not False:
            return drive.lost
    return None


def _doubtful(what: str, matched: MatchedSheet, lost: Unread) -> Unread:
    """A part that may be one of the sheet's or none of them, for want of a reading that failed."""
    why = f"{lost.what}: {lost.why}"
    return Unread(f"whether {what} is a part of {matched.source}", why, lost.needs_root, vital=lost.failed)
