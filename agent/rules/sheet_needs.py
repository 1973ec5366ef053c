"""Needs of a build sheet that what is fitted breaks: drives on a split slot or behind a switch, cards, rates.

What cannot be told breaks no need. Rates are those of the one throughput model, links that are below their best for
now or by a fault of their own counted at their best: they have findings of their own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from agent.model import throughput
from agent.model.findings import Evidence, Verdict
from agent.rules.rule import Found
from agent.rules.sheet_moving import groups, out_of_place, place_words
from knowledge import pcie
from knowledge.phrasing import mbps, some

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from agent.model.expected import NeedExpected
    from agent.model.judged import Judged
    from agent.model.judged_machine import JudgedMachine
    from agent.model.sheet_parts import CardMatch, DriveMatch, FittedDrive, MatchedSheet
    from agent.model.throughput import Direction, Flow
    from agent.rules.sheet_moving import Group

LEAST_LOSS: Final = 0.001  # of a rate; less is a matter of rounding
FITTED: Final = frozenset({"here", "elsewhere", "unplaced"})  # matches of which it is sure enough what part it is
SHORT_OF_BEST: Final = frozenset({Verdict.NARROW, Verdict.SLOW, Verdict.RESTING, Verdict.UNKNOWN})
MOST_WORDS: Final = 3  # breaches that are written out in one headline; the evidence has all


class Broken(Struct, frozen=True, eq=False):
    """A need that is broken: by which parts, in a few words, with what was read."""

    need: NeedExpected
    parts: tuple[CardMatch | DriveMatch, ...]
    words: tuple[str, ...]
    evidence: tuple[Evidence, ...]


def needs_broken(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[Found]:
    """One finding for each need, or for all that parts in each other's places break."""
    by_group, others = by_place(seen, matched)
    for group, here in by_group:
        if here:
            yield _by_place(out_of_place(seen, matched, group, brief=True), here)
    for other in others:
        yield _alone(other)


def by_place(seen: JudgedMachine, matched: MatchedSheet) -> tuple[list[tuple[Group, list[Broken]]], list[Broken]]:
    """All parts in each other's places, with the needs that they break there; and the other needs that are broken."""
    found = list(broken(seen, matched))
    by_group = []
    for group in groups(matched):
        here = [need for need in found if any(group.holds(part) for part in need.parts)]
        found = [need for need in found if need not in here]
        by_group.append((group, here))
    return by_group, found


def _by_place(place: Found, here: Sequence[Broken]) -> Found:
    """The finding of parts in other places, with the needs that they break there."""
    evidence = [reading for need in here for reading in need.evidence]
    headline = f"{'; '.join(_breaks(need) for need in here)}; {place.headline}"
    judged = here[0].parts[0].link
    return replace(
        place,
        subject=judged.subject if judged is not None else place.subject,
        headline=headline,
        evidence=(*evidence, *place.evidence),
        severity=None,
        without=("plan-anew",),
    )


def _alone(need: Broken) -> Found:
    judged = need.parts[0].link
    if judged is None:
        return Found(need.need.name, f"is not met: {_how(need)}", need.evidence)
    return Found(judged.subject, _breaks(need), need.evidence, judged=judged)


def _breaks(need: Broken) -> str:
    return f'does not meet the need "{need.need.name}": {_how(need)}'


def _how(need: Broken) -> str:
    return some(need.words, MOST_WORDS)


# --- One need --------------------------------------------------------------------------------------------------


def broken(seen: JudgedMachine, matched: MatchedSheet) -> Iterator[Broken]:
    """The needs that are broken."""
    for need in seen.expected.needs if seen.expected is not None else ():
        breaches = [*_cards(matched, need), *_places(seen, matched, need), *_rates(seen, matched, need)]
        if breaches:
            parts = {id(part): part for some, _, _ in breaches for part in some}
            yield Broken(
                need,
                tuple(parts.values()),
                tuple(words for _, words, _ in breaches),
                tuple(evidence for _, _, evidence in breaches),
            )


Breach = tuple[tuple["CardMatch | DriveMatch", ...], str, Evidence]


def _asked(matched: MatchedSheet, need: NeedExpected, what: str) -> str:
    return f'{what} (need "{need.name}", {matched.source})'


def _cards(matched: MatchedSheet, need: NeedExpected) -> Iterator[Breach]:
    spot = matched.spots.of(need.in_slot, None)
    for card in matched.cards if spot is not None else ():
        links = _links_of(matched, card)
        assert spot is not None
        if card.card.name not in need.cards or not links:
            continue
        if {link.link.key for link in links}.isdisjoint(link.link.key for link in spot.wide):
            here = matched.place_of(links[0])
            evidence = Evidence(f"{links[0].subject} place of {card.words}", here, _asked(matched, need, spot.words))
            yield (card,), f"{card.words} is in {here}, not in {spot.words}", evidence


def _links_of(matched: MatchedSheet, card: CardMatch) -> list[Judged]:
    """The links by which a card shows itself, none where it is not sure that it is this card."""
    if card.how not in FITTED:
        return []
    if card.card.carrier == "passive":
        return [
            drive_match.link
            for drive_match in matched.on(card)
            if drive_match.link is not None and drive_match.how == card.how
        ]
    return [card.found] if card.found is not None else []


def _fitted(matched: MatchedSheet, need: NeedExpected) -> list[tuple[DriveMatch, FittedDrive]]:
    drives = [drive for drive in matched.drives if drive.drive.name in need.drives and drive.how in FITTED]
    return [(drive, drive.found) for drive in drives if drive.found is not None]


def _places(seen: JudgedMachine, matched: MatchedSheet, need: NeedExpected) -> Iterator[Breach]:
    for match, found in _fitted(matched, need):
        if need.not_on_split and found.own is not None and _is_split(matched, found.own):
            read = f"{place_words(matched, found.own)}, a slot that is split"
            asked = _asked(matched, need, "a slot that need not be split")
            evidence = Evidence(f"{found.own.subject} place of {match.words}", read, asked)
            yield (match,), f"{match.words} is in {read}", evidence
        switch = _switch_above(seen, matched, found) if need.not_behind_switch else None
        if switch is not None:
            where = matched.place_of(switch)
            evidence = Evidence(
                f"{switch.subject} on the way of {match.words}",
                f"a packet switch in {where}",
                _asked(matched, need, "no packet switch"),
            )
            yield (match,), f"{match.words} is behind the packet switch in {where}", evidence


def _is_split(matched: MatchedSheet, own: Judged) -> bool:
    """Whether a drive's link is one of several that a slot is split into."""
    slot = own.link.slot
    labels = {slot.name} if slot is not None else set()
    labels |= {label} if (label := matched.spots.at(own)) is not None else set()
    for label in labels:
        spot = matched.spots.of(label, None)
        if spot is not None and len(spot.links) > 1 and any(link is own for link in spot.links):
            return True
    # Where no firmware names the parts of a slot, drives that answer side by side on a carrier without a switch tell.
    for card in matched.cards:
        if card.card.carrier == "passive" and card.how == "here" and card.spot is not None:
            keys = {judged.link.key for judged in card.spot.wide}
            beside = {
                drive_match.link.link.key
                for drive_match in matched.on(card)
                if drive_match.link is not None and drive_match.how in FITTED
            }
            if own.link.key in keys and len(keys & (beside | {own.link.key})) > 1:
                return True
    return False


def _switch_above(seen: JudgedMachine, matched: MatchedSheet, found: FittedDrive) -> Judged | None:
    """The card with a packet switch that a drive is behind; a switch that is part of the board is none."""
    cards = {card.found.link.key for card in matched.cards if card.found is not None}
    for link in found.chain[1:]:
        device = link.link.device
        if device is None or seen.machine.kinds.get(device.address) != pcie.SWITCH_UPSTREAM_PORT:
            continue
        in_slot = link.link.slot is not None or matched.spots.at(link) is not None
        if link.link.key in cards or (in_slot and not link.link.onboard):
            return link
    return None


# --- Rates -----------------------------------------------------------------------------------------------------


def _rates(seen: JudgedMachine, matched: MatchedSheet, need: NeedExpected) -> Iterator[Breach]:
    directions: tuple[tuple[Direction, float | None, str], ...] = (
        ("to_host", need.read_mbps, "read"),
        ("to_drive", need.write_mbps, "written"),
    )
    if need.read_mbps is None and need.write_mbps is None:
        return
    fitted, hops = _fitted(matched, need), _at_best(seen)
    flows = {flow.name: flow for flow in seen.flows if hops.keys() >= set(flow.hops)}
    for direction, asked, word in directions:
        if asked is None:
            continue
        for parts, who, most in _reached(need, fitted, flows, hops, direction):
            if most < asked * (1 - LEAST_LOSS):
                evidence = Evidence(
                    f"{who} when {word} alone", f"{mbps(most)} at most", _asked(matched, need, f"{mbps(asked)}")
                )
                yield parts, f"{who} can be {word} at {mbps(most)} at most, not at {asked:,.0f}", evidence


def _reached(
    need: NeedExpected,
    fitted: Sequence[tuple[DriveMatch, FittedDrive]],
    flows: dict[str, Flow],
    hops: dict[str, throughput.Hop],
    direction: Direction,
) -> Iterator[tuple[tuple[DriveMatch, ...], str, float]]:
    """What each drive, or the whole set, reaches at most while all else rests."""
    if need.stripe is None:
        for match, found in fitted:
            if found.name in flows:
                yield (match,), match.words, throughput.alone(flows[found.name], hops, direction).high
        return
    members = {match.drive.name: flows[found.name] for match, found in fitted if found.name in flows}
    if need.raid is not None and members.keys() == set(need.drives):
        share = throughput.stripe(need.raid, [members[name] for name in need.drives], hops, direction)
        yield tuple(match for match, _ in fitted), f'the set "{need.stripe}"', share.high


def _at_best(seen: JudgedMachine) -> dict[str, throughput.Hop]:
    """The hops; those below their best for now, or by their own fault, at their best, or left out."""
    found = {}
    for key, hop in seen.hops.items():
        judged = seen.by_key[key]
        if judged.verdict not in SHORT_OF_BEST:
            found[key] = hop
        elif judged.best is not None:
            found[key] = throughput.Hop(key, judged.best.speed, judged.best.width, hop.payload_bytes, hop.request_bytes)
    return found
