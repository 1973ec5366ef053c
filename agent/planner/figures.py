"""What a placement gives: the rates of drives and stripes, the needs it meets, and all that in a few figures.

Every rate comes from the one throughput model over the links of `agent.sheets.paths`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.model.throughput import DIRECTIONS, SAME, alone, ceiling_mbps, stripe, together
from agent.planner.build import arrangement_of, member_mbps
from agent.planner.fits import card_mbps, card_refusal, refusal_words
from agent.planner.phrases import link_words, place_words
from agent.planner.problem import met
from agent.planner.result import DrivePlanned, Figures, NeedSeen, StripePlanned
from agent.sheets.lanes import lanes_words, slots_with
from agent.sheets.paths import bays_of, flows, key_words, slot_link, today
from knowledge.boards import OLD_START
from knowledge.phrasing import listed, mbps_fine, mbps_range, quantity
from knowledge.steps import COPIES_CAUTION, STRIPE_CAUTION

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from agent.model.expected import Need
    from agent.model.throughput import Direction, Flow, Share, StripeShare
    from agent.planner.build import Built
    from agent.sheets.sheet import DriveSpec, Placement, Sheet, StripeSpec

OLD_GENERATION: Final = 3  # boards with faster slots start from NVMe drives (common practice)
ITSELF: Final = "the drive itself"


class Rated:
    """A placement with its flows; everything that is said of rates is asked of it."""

    def __init__(self, sheet: Sheet, placement: Placement) -> None:
        """Work out its flows."""
        self.sheet = sheet
        self.placement = placement
        self.today = today(sheet)
        self.flows, self.hops = flows(sheet, placement)
        self.by_name = {flow.name: flow for flow in self.flows}
        self._shares: dict[Direction, dict[str, Share]] = {}
        self._read_today: dict[str, Share] | None = None

    def shares(self, direction: Direction) -> dict[str, Share]:
        """What each drive that works reaches while all of them do."""
        if direction not in self._shares:
            self._shares[direction] = together(self.flows, self.hops, direction)
        return self._shares[direction]

    def read_today(self, name: str) -> tuple[float, float] | None:
        """What a drive is read with where it is today while all that work there are; None where it does not."""
        if self._read_today is None:
            self._read_today = Rated(self.sheet, self.today).shares("to_host")
        share = self._read_today.get(name)
        return None if share is None else share.span

    def alone(self, name: str, direction: Direction = "to_host") -> tuple[float, float]:
        """What a drive reaches while all others rest."""
        return alone(self.by_name[name], self.hops, direction).span

    def stripe(
        self, raid: int, names: Sequence[str], direction: Direction = "to_host", *, busy: bool = False
    ) -> StripeShare | None:
        """What drives reach as a set, alone or (`busy`) with all others at work; None where one has no place."""
        members = [self.by_name[name] for name in names if name in self.by_name]
        if len(members) < len(names):
            return None
        return stripe(raid, members, self.hops, direction, self.flows if busy else ())

    def narrowest(self, key: str | None, *, of_one: bool = True) -> str:
        """What decides a rate; with `of_one` in words that are the same for drives that are held by the like."""
        if key is None:
            return ITSELF if of_one else "the slowest drive itself"
        if of_one and key.startswith("bay of "):
            hop = self.hops[key]
            return f"its own link, {link_words((hop.speed, hop.width))}"
        return key_words(key, self.sheet, self.placement)


# --- A few figures ---------------------------------------------------------------------------------------------


def figures(rated: Rated, needs: Sequence[NeedSeen], moves: int) -> Figures:
    """What a placement gives in a few figures."""
    sheet, placement = rated.sheet, rated.placement
    shares = [share.high for share in rated.shares("to_host").values()]
    wanted = sum(card.carrier == "none" and card.name in placement.cards for card in sheet.cards)
    sockets = {place.holder for place in placement.drives.values() if place.bay is None}
    return Figures(
        placed=len(shares) + wanted,
        needs_met=sum(need.answer != "not met" for need in needs),
        worst_mbps=min(shares, default=0.0),
        total_mbps=sum(shares),
        moves=moves,
        slots_used=len({*placement.cards.values(), *sockets}),
    )


# --- Drives and stripes ----------------------------------------------------------------------------------------


def drive_planned(rated: Rated, drive: DriveSpec, why: str) -> DrivePlanned:
    """A drive that works, with all its rates."""
    share, written = (rated.shares(direction)[drive.name] for direction in DIRECTIONS)
    place = place_words(rated.placement, drive.name)
    assert place is not None
    return DrivePlanned(
        name=drive.name,
        place=place,
        was=place_words(rated.today, drive.name),
        why=why,
        alone=rated.alone(drive.name),
        together=share.span,
        alone_write=rated.alone(drive.name, "to_drive"),
        together_write=written.span,
        narrowest=rated.narrowest(share.narrowest),
        narrowest_write=rated.narrowest(written.narrowest),
        held_back=share.high < could_mbps(rated.sheet, drive) * (1 - SAME),
        together_today=rated.read_today(drive.name),
    )


def could_mbps(sheet: Sheet, drive: DriveSpec) -> float:
    """What a drive itself could be read with: by its own link at its best, and its own limit."""
    most = ceiling_mbps(drive.generation, drive.lanes, sheet.machine.payload_bytes)
    return most if drive.read_mbps is None else min(most, drive.read_mbps)


def stripes_planned(rated: Rated) -> tuple[StripePlanned, ...]:
    """The sets of the sheet whose members all work."""
    found = []
    for spec in rated.sheet.stripes:
        read = rated.stripe(spec.raid, spec.drives)
        write = rated.stripe(spec.raid, spec.drives, "to_drive")
        busy = rated.stripe(spec.raid, spec.drives, busy=True)
        if read is None or write is None or busy is None:
            continue
        found.append(
            StripePlanned(
                name=spec.name,
                raid=spec.raid,
                drives=spec.drives,
                read=read.span,
                write=write.span,
                read_together=busy.span,
                narrowest=rated.narrowest(read.narrowest, of_one=False),
                narrowest_write=rated.narrowest(write.narrowest, of_one=False),
                cautions=_cautions(rated, spec, read),
            )
        )
    return tuple(found)


def _cautions(rated: Rated, spec: StripeSpec, read: StripeShare) -> tuple[str, ...]:
    """What to know before a set is relied on: the trade's caution, and what this placing adds to it."""
    found = [STRIPE_CAUTION if spec.raid == 0 else COPIES_CAUTION]
    if read.copies_read:
        found.append(f"Its range of reading goes {read.copies_read}: that depends on the software and the load.")
    holders = {rated.placement.drives[name] for name in spec.drives}
    cards = {place.holder for place in holders if place.bay is not None}
    if len(cards) == 1 and all(place.bay is not None for place in holders):
        found.append(f"All its drives are on {cards.pop()}: if that card fails, none of it can be read.")
    rates = [rated.alone(name)[1] for name in spec.drives]
    if min(rates) < max(rates) * (1 - SAME):
        slowest, fastest = mbps_fine(min(rates)), mbps_fine(max(rates))
        found.append(f"All its drives run at the pace of the slowest: {slowest} instead of {fastest}.")
    return tuple(found)


# --- Needs -----------------------------------------------------------------------------------------------------


def needs_seen(built: Built, rated: Rated) -> tuple[NeedSeen, ...]:
    """Every need of the sheet, then the links that cards want, with the answer and its figures."""
    sheet = built.sheet
    arrangement = arrangement_of(built, rated.placement)
    found = []
    for number, need in enumerate(sheet.needs):
        answer, why = _need_seen(rated, need)
        if arrangement is not None and not met(built.problem, arrangement, built.problem.needs[number]):
            answer = "not met"
        found.append(NeedSeen(need.name, answer, why, cautions=_start_cautions(rated, need)))
    slots = slots_with(sheet, rated.placement)
    for card in sheet.cards:
        if card.wants_mbps is None:
            continue
        name, label = f"link of {card.name}", rated.placement.cards.get(card.name)
        if label is None:
            found.append(NeedSeen(name, "not met", f"{card.name} has no place", card.wants_assumed))
            continue
        if not slots[label].lanes:
            words = f"{label} has {lanes_words(sheet, label, rated.placement)}"
            found.append(NeedSeen(name, "not met", words, card.wants_assumed))
            continue
        rate, uplink = card_mbps(sheet, slots[label], card)
        answer = "met" if rate >= card.wants_mbps * (1 - SAME) else "not met"
        words = f"{link_words(slot_link(slots[label], card))} in {label}, {mbps_fine(rate)}"
        words += f" through the shared uplink {uplink}" if uplink is not None else ""
        words += f"; {mbps_fine(card.wants_mbps)} needed{' (assumed)' if card.wants_assumed else ''}"
        found.append(NeedSeen(name, answer, words, card.wants_assumed))
    return tuple(found)


def _start_cautions(rated: Rated, need: Need) -> tuple[str, ...]:
    """What to know before an old machine is to start from a drive that is not where it is now.

    Such needs are known by what they refuse (agent/sheets/interview/asked_needs.py asks for them so).
    """
    new = any(rated.placement.drives.get(name) != rated.today.drives.get(name) for name in need.drives)
    starts = need.not_on_split or need.not_behind_switch
    old = all(slot.generation <= OLD_GENERATION for slot in rated.sheet.slots)
    return (OLD_START,) if new and starts and old else ()


def _need_seen(rated: Rated, need: Need) -> tuple[str, str]:
    """The answer to one need by its parts, the worst of which counts, and their words."""
    parts = [*_cards_seen(rated, need), *_drives_seen(rated, need)]
    order = ("not met", "at best", "met")
    answer = min((answer for answer, _ in parts), key=order.index, default="met")
    poor = (
        [words for verdict, words in parts if verdict == answer] if answer != "met" else [words for _, words in parts]
    )
    return answer, "; ".join(poor)


def _cards_seen(rated: Rated, need: Need) -> list[tuple[str, str]]:
    found = []
    for name in need.cards:
        slot = rated.placement.cards.get(name)
        if slot is None:
            found.append(("not met", f"{name} has no place{_never_in(rated, name, need.in_slot)}"))
        elif need.in_slot is not None and slot != need.in_slot:
            found.append(
                ("not met", f"{name} is in {slot}, not in {need.in_slot}{_never_in(rated, name, need.in_slot)}")
            )
        elif need.in_slot is not None:
            found.append(("met", f"{name} is in {slot}"))
    return found


def _never_in(rated: Rated, name: str, label: str | None) -> str:
    """Why a card could not be in the slot that a need names, whatever else is done; "" where it could."""
    slot = next((slot for slot in rated.sheet.slots if slot.label == label), None)
    card = next(card for card in rated.sheet.cards if card.name == name)
    refused = None if slot is None else card_refusal(slot, card)
    return f": {refusal_words(slot, card, refused)}" if slot is not None and refused is not None else ""


def _over_limits(rated: Rated, names: Sequence[str], each: float, direction: Direction) -> str:
    """The drives of which more is asked than they do themselves by the sheet, in words; "" where there are none."""
    limits = {name: rated.by_name[name].limit(direction) for name in names}
    over = {name: limit for name, limit in limits.items() if limit is not None and limit < each * (1 - SAME)}
    if not over:
        return ""
    verb = {"to_host": ("reads", "read"), "to_drive": ("writes", "write")}[direction][len(over) > 1]
    return f"; no place gives that, as {listed(over)} {verb} {mbps_fine(max(over.values()))} at most by the sheet"


def _drives_seen(rated: Rated, need: Need) -> list[tuple[str, str]]:
    """What of a need speaks of drives."""
    stripe_set = next((spec for spec in rated.sheet.stripes if spec.name == need.stripe), None)
    names = need.drives if stripe_set is None else stripe_set.drives
    if not names:
        return []
    missing = [name for name in names if name not in rated.by_name]
    if missing:
        return [("not met", f"{listed(missing)} {'has' if len(missing) == 1 else 'have'} no place")]
    found = [*_ways_seen(rated, need, names)]
    for asked, direction in zip((need.read_mbps, need.write_mbps), DIRECTIONS, strict=True):
        if asked is None:
            continue
        verb = "reads" if direction == "to_host" else "writes"
        if stripe_set is not None:
            share = rated.stripe(stripe_set.raid, names, direction)
            assert share is not None
            seen = _rate_seen(share.span, asked, f"{stripe_set.name} {verb}", share.narrowest, rated)
            each = member_mbps(stripe_set, asked, direction)
        else:
            seen = _each_seen(rated, [rated.by_name[name] for name in names], asked, direction)
            each = asked
        found.append((seen[0], seen[1] + (_over_limits(rated, names, each, direction) if seen[0] == "not met" else "")))
    return found or [("met", f"{listed(names)} {'has its place' if len(names) == 1 else 'have their places'}")]


def _each_seen(rated: Rated, members: Sequence[Flow], asked: float, direction: Direction) -> tuple[str, str]:
    """The rate of each of some drives while only they work: that of the slowest."""
    shares = together(members, rated.hops, direction)
    name = min(shares, key=lambda share: (shares[share].high, shares[share].low))
    verb = "reads" if direction == "to_host" else "writes"
    others = f", the slowest of {quantity(len(members), 'drive')}," if len(members) > 1 else ""
    share = shares[name]
    low = min(share.low for share in shares.values())
    return _rate_seen((low, share.high), asked, f"{name}{others} {verb}", share.narrowest, rated)


def _rate_seen(
    rates: tuple[float, float], asked: float, subject: str, narrowest: str | None, rated: Rated
) -> tuple[str, str]:
    low, high = rates
    if low >= asked * (1 - SAME):
        return "met", f"{subject} {mbps_range(rates)}; {mbps_fine(asked)} needed"
    answer = "at best" if high >= asked * (1 - SAME) else "not met"
    decides = rated.narrowest(narrowest, of_one=False)
    return answer, f"{subject} {mbps_range(rates)}; {mbps_fine(asked)} needed; limited by {decides}"


def _ways_seen(rated: Rated, need: Need, names: Sequence[str]) -> list[tuple[str, str]]:
    """Whether drives hang on a split slot or behind a switch where that is refused."""
    cards = {card.name: card for card in rated.sheet.cards}
    slots = slots_with(rated.sheet, rated.placement)
    on = {name: rated.placement.drives[name] for name in names if rated.placement.drives[name].bay is not None}
    split = [
        name
        for name, place in on.items()
        if bays_of(slots[rated.placement.cards[place.holder]], cards[place.holder])[1]
    ]
    behind = [name for name, place in on.items() if cards[place.holder].carrier == "switch"]
    found = []
    kept = []
    asked: tuple[tuple[bool, list[str], str, Callable[[str], str]], ...] = (
        (need.not_on_split, split, "no split slot", lambda name: f"on {name}, which needs a split slot"),
        (need.not_behind_switch, behind, "no packet switch", lambda name: f"behind the packet switch of {name}"),
    )
    for refused, wrong, good, where in asked:
        if refused and wrong:
            places = {on[name].holder for name in wrong}
            found.append(
                ("not met", f"{listed(wrong)} {'is' if len(wrong) == 1 else 'are'} {where(listed(sorted(places)))}")
            )
        elif refused:
            kept.append(good)
    if kept:
        places_now = listed(dict.fromkeys(place_words(rated.placement, name) or "" for name in names))
        found.append(("met", f"{listed(names)} in {places_now}: {listed(kept)}"))
    return found
