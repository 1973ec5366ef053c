"""Parts of a build sheet that do not answer: cards, drives, and drives behind a slot that is not split."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.findings import Evidence, Severity, Verdict
from agent.model.sheet_parts import CardMatch
from agent.rules.rule import Found
from knowledge import pcie
from knowledge.phrasing import some
from probes.unread import Unread

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.expected import Expectations
    from agent.model.judged import Judged
    from agent.model.sheet_parts import DriveMatch, MatchedSheet

SPLIT: Final = 2  # a port with so many times the lanes of its drive could be split
MOST_NAMES: Final = 8
# Steps that fit a card that is missing, or a drive that is, alone.
RESEATED: Final = ("reseat", "reseat-drive")
OF_CARDS: Final = ("reseat", "clean", "try-other-slot", "enable-slot")
OF_DRIVES: Final = ("reseat-drive", "try-drive-elsewhere", "enable-socket", "count-drives", "set-split")


def parts_missing(matched: MatchedSheet, expected: Expectations | None = None) -> Iterator[Found | Unread]:
    """Cards with what should be on them, drives in slots of their own, and drives of cards that answer."""
    for card in matched.cards:
        lost = [drive_match for drive_match in matched.on(card) if drive_match.how == "missing"]
        if card.how == "missing" and (lost or card.card.carrier != "passive"):
            yield _missing(matched, expected, card, lost)
        elif lost and _unsplit(card, lost) is None:
            yield _missing_on(matched, card, lost)
        elif card.how == "untold" and card.card.carrier != "passive":
            yield _untold(matched, card)  # a carrier without a switch and without drives never shows
        if card.lost is not None:
            yield _unseen(matched, card, card.lost)
    for drive in matched.drives:
        if drive.how == "missing" and drive.on is None:
            yield _missing(matched, expected, drive, ())
        elif drive.how == "untold":
            yield _untold(matched, drive)
        if drive.lost is not None:
            yield _unseen(matched, drive, drive.lost)


def _untold(matched: MatchedSheet, match: CardMatch | DriveMatch) -> Unread:
    return Unread(f"{match.words} of {matched.source}", "the sheet says too little of it to tell it from other parts")


# What to say of a part for which a reading is missing; what is not here could not be seen.
DOUBTS: Final = {
    "here": "a part is in its place, but whether it is this one could not be read",
    "unplaced": "it answers, but whether it is in its place could not be read",
}


def _unseen(matched: MatchedSheet, match: CardMatch | DriveMatch, lost: Unread) -> Unread:
    """A part that a reading which failed hides, or lets nobody tell from others; never missing, never in its place."""
    why = f"{DOUBTS.get(match.how, 'it could not be seen')}: {lost.what}: {lost.why}"
    return Unread(f"{match.words} of {matched.source}", why, lost.needs_root, vital=lost.failed)


def _missing(
    matched: MatchedSheet, expected: Expectations | None, match: CardMatch | DriveMatch, drives: Sequence[DriveMatch]
) -> Found:
    """A part of which nothing is to be seen, with the drives that should be on it."""
    part = f"{match.words} with {_names(drives)}" if drives else match.words
    without = OF_DRIVES if isinstance(match, CardMatch) else (*OF_CARDS, "count-drives", "set-split")
    if match.spot is None:
        where = f" in {match.label}" if match.label else ""
        read = "it answers nowhere"
        if match.label:
            read = f"{_no_slot(matched, match.label)}, and it answers in none"
        told = Evidence("parts that answer", read, f"{part}{where} ({matched.source})")
        return Found(
            match.label or "host",
            f"{'should hold' if match.label else 'lacks'} {part} of the sheet; {read}",
            (told,),
            part=match.words,
            place=f"slot {match.label}" if match.label else "the slot where it is",
            without=without,
        )
    judged = match.spot.first
    read = f"{matched.what(judged)} answers"
    source = f"{judged.port_address or judged.link.key} below it"
    evidence = [Evidence(source, read, f"{part} ({matched.source})")]
    if judged.link.device is None:
        evidence += [Evidence(told.source, told.read, "a part that answers") for told in judged.evidence]
    return Found(
        judged.subject,
        f"{_shows(matched, judged)} where the sheet has {part}{_dead(matched, expected, judged)}",
        tuple(evidence),
        severity=Severity.NOTE if any(link.verdict is Verdict.DARK for link in match.spot.links) else None,
        part=f"{match.words} in {match.spot.words}",
        place=match.spot.words,
        without=(*without, *_felt_empty([judged])),
    )


def _felt_empty(places: Sequence[Judged]) -> tuple[str, ...]:
    """Steps that make no sense where every place says that nothing is in it: what is not there is not reseated."""
    empty = all(judged.verdict is Verdict.EMPTY and _is_told(judged) for judged in places)
    return RESEATED if places and empty else ()


def _is_told(judged: Judged) -> bool:
    """Whether an empty place rests on presence that was read; a port without a slot detects none."""
    port = judged.link.port
    implemented = 0 if port is None else port.registers.read(pcie.PCI_EXPRESS_CAPABILITIES, "slot_implemented")
    return judged.link.occupied is False if isinstance(implemented, Unread) else implemented == 1


def _shows(matched: MatchedSheet, judged: Judged) -> str:
    """What answers below a link, as what that link does."""
    return "shows nothing" if judged.link.device is None else f"holds {matched.what(judged)}"


def _dead(matched: MatchedSheet, expected: Expectations | None, judged: Judged) -> str:
    """What to add where the sheet itself leaves the slot no lanes beside what is filled, "" where it leaves some."""
    if expected is None or not expected.lanes:
        return ""
    from agent.model.sheet_lanes import lanes_left

    left = lanes_left(matched, expected, judged)
    return f"; by the sheet {left.words}" if left is not None and not left.lanes else ""


def _no_slot(matched: MatchedSheet, label: str) -> str:
    """What to say of a slot that was not found."""
    lost = matched.slots_lost
    return (
        f"no slot is called {label}" if lost is None else f"which slot is called {label} could not be read ({lost.why})"
    )


def _missing_on(matched: MatchedSheet, card: CardMatch, lost: Sequence[DriveMatch]) -> Found:
    """Drives that do not answer while their card, or others of its drives, do."""
    judged = card.found if card.found is not None else _empty_link(card)
    there = f" in {matched.place_of(judged)}" if judged is not None else ""
    count = len(matched.on(card))
    counted = f"{len(lost)} of the {count} drives" if count > 1 else "the drive"
    headline = f"lacks {counted} that the sheet has on {card.words}: {_names(lost)}"
    return Found(
        judged.subject if judged is not None else card.card.name,
        headline,
        (_answering(matched, card, lost),),
        part=f"{_names(lost)}{_bays(lost)} {card.words}{there}",
        place=matched.place_of(judged) if judged is not None else "",
        without=(
            *OF_CARDS,
            "enable-socket",
            *_no_matter(card, lost, count),
            *_felt_empty(_places(matched, card, lost)),
        ),
    )


def _bays(lost: Sequence[DriveMatch]) -> str:
    """The bays of drives before their carrier, " in bays 2, 3 of", " on" where the sheet does not say."""
    bays = [drive_match.drive.bay for drive_match in lost if drive_match.drive.bay is not None]
    if len(bays) < len(lost) or len(bays) > MOST_NAMES:
        return " on"
    return f" in bay{'s' if len(bays) > 1 else ''} {', '.join(str(bay) for bay in bays)} of"


def _no_matter(card: CardMatch, lost: Sequence[DriveMatch], count: int) -> Iterator[str]:
    """Steps that have nothing to do with what is lost: a count of one, a split of what needs none or is split."""
    if count == 1:
        yield "count-drives"
    ports = len(card.spot.wide) if card.spot is not None else 0
    if card.card.carrier == "switch" or ports >= max(drive_match.drive.bay or count for drive_match in lost):
        yield "set-split"


def _places(matched: MatchedSheet, card: CardMatch, lost: Sequence[DriveMatch]) -> list[Judged]:
    """The links of the bays where drives should be; where the sheet does not say which, all without a drive."""
    ports = matched.bays(card)
    bays = [drive_match.drive.bay for drive_match in lost]
    if all(bay is not None and bay <= len(ports) for bay in bays):
        return [ports[bay - 1] for bay in bays if bay is not None]
    return [port for port in ports if port.link.device is None]


def _empty_link(card: CardMatch) -> Judged | None:
    """A link of a card's slot below which nothing answers, else its first."""
    if card.spot is None:
        return None
    return next((link for link in card.spot.links if link.link.device is None), card.spot.first)


def drives_unsplit(matched: MatchedSheet) -> Iterator[Found]:
    """Carriers of which some drives answer, below a port with lanes that are not split off."""
    for card in matched.cards:
        lost = [drive_match for drive_match in matched.on(card) if drive_match.how == "missing"]
        port = _unsplit(card, lost)
        if port is None or port.port_can is None or port.device_can is None:
            continue
        lanes, own, count = port.port_can.width, port.device_can.width, len(matched.on(card))
        evidence = (
            _answering(matched, card, lost),
            Evidence(f"{port.port_address} Link Capabilities: Maximum Link Width", f"x{lanes}", f"x{own} once split"),
        )
        headline = (
            f"shows {count - len(lost)} of the {count} drives that the sheet has on {card.words}; "
            f"its {lanes} lanes are not split ({lanes // own} x{own})"
        )
        yield Found(port.subject, headline, evidence, judged=port)


def _unsplit(card: CardMatch, lost: Sequence[DriveMatch]) -> Judged | None:
    """The port of a carrier's slot that has lanes to split off for the drives that are lost, if there is one."""
    if card.card.carrier != "passive" or card.how != "here" or card.spot is None or not lost:
        return None
    for judged in card.spot.wide:
        if (
            judged.port_can is not None
            and judged.device_can is not None
            and judged.port_can.width >= SPLIT * judged.device_can.width
        ):
            return judged
    return None


def _answering(matched: MatchedSheet, card: CardMatch, lost: Sequence[DriveMatch]) -> Evidence:
    """How many drives of a carrier answer, and how many should."""
    count = len(matched.on(card))
    missing = f"{_names(lost)} {'are' if len(lost) > 1 else 'is'} missing"
    return Evidence(
        f"drives that answer on {card.words}", str(count - len(lost)), f"{count} ({matched.source}); {missing}"
    )


def _names(drives: Sequence[DriveMatch]) -> str:
    """Drives by the sheet's names for them."""
    shown = some((f'"{drive.drive.name}"' for drive in drives), MOST_NAMES)
    return f"the drive{'s' if len(drives) > 1 else ''} {shown}"
