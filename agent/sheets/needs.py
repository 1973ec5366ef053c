"""Needs of a build sheet: each must ask for something of something, and no two may exclude each other.

Whether a need can be met is the planner's to say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knowledge.phrasing import quoted

if TYPE_CHECKING:
    from agent.model.expected import Need
    from agent.sheets.sheet import CardSpec
    from agent.sheets.wording import Say

_OF_DRIVES: Final = ("read_mbps", "write_mbps", "not_on_split", "not_behind_switch")


def check_needs(say: Say) -> None:
    """Raise BadInput for the first need that cannot be meant."""
    for number, need in enumerate(say.sheet.needs):
        key = f"need[{number}]"
        _check_subject(say, key, need)
        if need.cards:
            _check_cards(say, key, need)
        else:
            _check_drives(say, key, need)
    _check_together(say)


def _check_subject(say: Say, key: str, need: Need) -> None:
    """Refuse a need of nothing, or of more than one kind of thing."""
    given = [name for name in ("stripe", "drives", "cards") if getattr(need, name)]
    if len(given) != 1:
        here = f"{key}.{given[1]}" if given else key
        raise say.wrong(here, "a need is one of either stripe, drives or cards; write one of these three")
    if need.stripe is not None:
        say.known(f"{key}.stripe", need.stripe, "stripe", [stripe.name for stripe in say.sheet.stripes])
    drives = [drive.name for drive in say.sheet.drives]
    for place, name in enumerate(need.drives):
        say.known(f"{key}.drives[{place}]", name, "drive", drives)
    cards = [card.name for card in say.sheet.cards]
    for place, name in enumerate(need.cards):
        say.known(f"{key}.cards[{place}]", name, "card", cards)
    say.listed_once(f"{key}.drives", need.drives)
    say.listed_once(f"{key}.cards", need.cards)


def _check_drives(say: Say, key: str, need: Need) -> None:
    if need.in_slot is not None:
        raise say.wrong(f"{key}.in_slot", "this is for cards; name the drives' card under cards, in a need of its own")
    asked = (need.read_mbps, need.write_mbps, need.not_on_split or None, need.not_behind_switch or None)
    if all(value is None for value in asked):
        raise say.wrong(key, f"the need asks for nothing; write one of {', '.join(_OF_DRIVES)}")
    if not need.not_behind_switch:
        return
    names = need.drives
    if need.stripe is not None:
        names = next(stripe.drives for stripe in say.sheet.stripes if stripe.name == need.stripe)
    switches = {card.name for card in say.sheet.cards if card.carrier == "switch"}
    for drive in say.sheet.drives:
        if drive.name in names and drive.stays and drive.card in switches:
            words = f"{quoted(drive.name)} stays on {quoted(drive.card)}, which is a packet switch"
            raise say.wrong(f"{key}.not_behind_switch", words)


def _check_cards(say: Say, key: str, need: Need) -> None:
    for name in _OF_DRIVES:
        if getattr(need, name) not in {None, False}:
            raise say.wrong(f"{key}.{name}", "this is asked of drives; for a card, write wants_mbps where the card is")
    if need.in_slot is None:
        raise say.wrong(key, "the need asks for nothing; write in_slot, the slot that the card must be in")
    say.known(f"{key}.in_slot", need.in_slot, "slot", [slot_data.label for slot_data in say.sheet.slots])
    slot = next(slot_data for slot_data in say.sheet.slots if slot_data.label == need.in_slot)
    if slot.kind != "card":
        raise say.wrong(f"{key}.in_slot", f"{quoted(slot.label)} takes a drive ({slot.kind}), not a card")
    if len(need.cards) > 1:
        raise say.wrong(f"{key}.cards", f"{len(need.cards)} cards cannot all be in {quoted(need.in_slot)}")


def _check_together(say: Say) -> None:
    """Refuse needs that put a card into two slots or two cards into one, what stays where it is counted in."""
    cards = {card.name: card for card in say.sheet.cards}
    slots: dict[str, tuple[str, str]] = {}  # of each card: its slot, and why
    holds: dict[str, tuple[str, str]] = {}  # of each slot: its card, and why
    for card in say.sheet.cards:
        if card.stays and card.slot is not None:
            slots[card.name] = card.slot, "it stays where it is"
            holds[card.slot] = card.name, "it stays where it is"
    for number, need in enumerate(say.sheet.needs):
        if need.in_slot is None:
            continue
        key, name = f"need[{number}].in_slot", need.cards[0]
        here = f"{quoted(name)} cannot be in {quoted(need.in_slot)}"
        slot, why = slots.setdefault(name, (need.in_slot, f"the need {quoted(need.name)} says so"))
        if slot != need.in_slot:
            raise say.wrong(key, f"{here}, as it must be in {quoted(slot)}: {why}")
        other, why = holds.setdefault(need.in_slot, (name, f"the need {quoted(need.name)} says so"))
        if other != name:
            raise say.wrong(key, f"{here}, as {quoted(other)} must be there: {why}")
        _check_hidden(say, key, cards[name], holds, cards)


def _check_hidden(
    say: Say, key: str, card: CardSpec, holds: dict[str, tuple[str, str]], cards: dict[str, CardSpec]
) -> None:
    """Refuse that a card must be beside a wide one that hides its slot."""
    covers = {slot.label: slot.covers for slot in say.sheet.slots}
    for wide_slot, (wide, _) in holds.items():
        for label in covers[wide_slot] if cards[wide].wide > 1 else ():
            if label in holds and card.name in {wide, holds[label][0]}:
                words = f"{quoted(wide)} must be in {quoted(wide_slot)} and hides {quoted(label)} there"
                raise say.wrong(key, f"{words}, where {quoted(holds[label][0])} must be")
