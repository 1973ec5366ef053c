"""The parts of a build sheet with what they were matched with in the machine. Data and words; decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from agent.model.expected import as_written, named
from agent.model.findings import Rate, Verdict
from agent.model.likeness import is_one, pci_id
from probes.unread import readable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.model.expected import CardExpected, DriveExpected
    from agent.model.judged import Judged
    from agent.model.sheet_slots import Spot, Spots
    from probes.facts import Drive
    from probes.unread import Unread

# "here": in its place; "other": something else is there; "elsewhere": it answers in another place; "unplaced": it
# answers, but where its place is could not be told; "missing": it answers nowhere; "untold": nothing can be said;
# "unseen": a reading failed without which nothing can be said.
How = Literal["here", "other", "elsewhere", "unplaced", "missing", "untold", "unseen"]


class FittedDrive(Struct, frozen=True, eq=False):
    """A drive that answers: its own link (None: it hangs on none), all its links upwards, what it says of itself.

    `lost` is why it is not known which drive it is, or where it hangs.
    """

    own: Judged | None
    chain: tuple[Judged, ...]
    drive: Drive | None
    lost: Unread | None = None

    @property
    def name(self) -> str:
        """The drive's name, or its address where no driver claimed it."""
        if self.drive is not None:
            return self.drive.name
        return (self.own.device_address or "") if self.own is not None else ""

    @property
    def model(self) -> str | None:
        """The model, None where it is not known."""
        return as_written(self.drive.model) if self.drive is not None else None

    @property
    def serial(self) -> str | None:
        """The serial number, None where it is not known or a token stands for it."""
        return named(self.drive.serial) if self.drive is not None else None

    @property
    def off_links(self) -> bool:
        """Whether it hangs on no wired link that the platform shows: on none at all, or on a tunnelled one."""
        if self.own is not None:
            return self.own.verdict is Verdict.VIRTUAL
        return self.drive is not None and self.drive.address is None and isinstance(self.drive.interconnect, str)


class CardMatch(Struct):
    """A card of the sheet, its place (None: not to be found, or anywhere), and the link of what it was matched with.

    `lost` is the reading without which it cannot be told what became of it, or whether it is this card.
    """

    card: CardExpected
    spot: Spot | None
    how: How = "missing"
    found: Judged | None = None
    lost: Unread | None = None

    @property
    def words(self) -> str:
        """The card by the sheet's name for it."""
        return f'the card "{self.card.name}"'

    @property
    def label(self) -> str:
        """The sheet's label of the slot where it should be, "" where it has none."""
        return self.card.slot or ""

    @property
    def link(self) -> Judged | None:
        """The link of what it was matched with."""
        return self.found

    @property
    def planned(self) -> Rate | None:
        """The rate that the sheet expects of its link."""
        return None if self.card.link is None else Rate(*self.card.link)


class DriveMatch(Struct):
    """A drive of the sheet, its place, and what it was matched with. `on` is its card, None in a slot of its own.

    `lost` is as of a card.
    """

    drive: DriveExpected
    spot: Spot | None
    on: CardMatch | None
    how: How = "missing"
    found: FittedDrive | None = None
    lost: Unread | None = None

    @property
    def words(self) -> str:
        """The drive by the sheet's name for it."""
        return f'the drive "{self.drive.name}"'

    @property
    def label(self) -> str:
        """The sheet's label of the slot where it should be, "" where it has none."""
        return self.drive.slot or (self.on.label if self.on is not None else "")

    @property
    def link(self) -> Judged | None:
        """The own link of what it was matched with."""
        return self.found.own if self.found is not None else None

    @property
    def planned(self) -> Rate | None:
        """The rate that the sheet expects of its link."""
        return None if self.drive.link is None else Rate(*self.drive.link)


class MatchedSheet(Struct, frozen=True):
    """All parts of a sheet with what they are, and what is fitted beyond them.

    `source` is what the sheet is called, `places` where each link is, for people, and `models` the model
    of the drive at its end, both by its key. `spots` finds slots, and `behind` has the links below each link;
    `slots_lost` is why a slot may be called what none was seen to be called.
    """

    source: str
    cards: tuple[CardMatch, ...]
    drives: tuple[DriveMatch, ...]
    more_cards: tuple[Judged, ...]
    more_drives: tuple[FittedDrive, ...]
    places: dict[str, str]
    models: dict[str, str]
    spots: Spots
    behind: dict[str, tuple[Judged, ...]]
    slots_lost: Unread | None = None

    def place_of(self, judged: Judged) -> str:
        """Where a link is, for people: its slot, or its own address."""
        return self.places.get(judged.link.key, judged.link.key)

    def parts(self) -> Iterator[CardMatch | DriveMatch]:
        """The cards, then the drives."""
        yield from self.cards
        yield from self.drives

    def on(self, card: CardMatch) -> list[DriveMatch]:
        """The drives that the sheet has on a card."""
        return [drive for drive in self.drives if drive.on is card]

    def several(self) -> set[str]:
        """The links of slots whose card has more than one drive on the sheet."""
        cards = [card for card in self.cards if card.spot is not None and len(self.on(card)) > 1]
        return {link.link.key for card in cards if card.spot is not None for link in card.spot.links}

    def bays(self, card: CardMatch) -> tuple[Judged, ...]:
        """The links of a carrier's bays in the order of their ports, () where it is not where they could be told."""
        if card.card.carrier == "switch":
            found = card.found if card.how != "other" else None
            return self.behind.get(found.link.key, ()) if found is not None else ()
        fixed = card.card.carrier == "passive" and card.how != "elsewhere"
        return card.spot.links if fixed and card.spot is not None else ()

    def unsettled(self) -> set[str]:
        """Links of parts that are in other places than the sheet has them, and of places that parts are still to take.

        Whoever looks for better slots keeps off them: the sheet says what goes there.
        """
        found = self.moving()
        for part in self.parts():
            if part.how in {"missing", "unseen"} and part.spot is not None:
                found |= {link.link.key for link in part.spot.links}
        return found

    def moving(self) -> set[str]:
        """Links of parts that are in other places than the sheet has them, and of the places that they are to take."""
        found = set()
        for part in self.parts():
            if part.how != "elsewhere":
                continue
            found |= {part.link.link.key} if part.link is not None else set()
            found |= {link.link.key for link in part.spot.links} if part.spot is not None else set()
        return found

    def what(self, judged: Judged) -> str:
        """What answers below a link, in a few words."""
        device = judged.link.device
        if device is None:
            return "nothing"
        drive = self.models.get(judged.link.key)
        if drive is not None:
            return f"the drive {drive}"
        return readable(device.model_name) or f"a card ({device.address})"


def identity(judged: Judged) -> str | None:
    """Maker and model number of what answers below a link, "f1c4:3110"; None where they were not read."""
    device = judged.link.device
    return None if device is None else pci_id(device)


def wanted_model(match: DriveMatch) -> str | None:
    """The model that the sheet names, None for none."""
    return as_written(match.drive.model)


def is_wanted(match: DriveMatch, fitted: FittedDrive) -> bool | None:
    """Whether a drive says of itself that it is the sheet's, or of its model; None where nothing tells."""
    return is_one((named(match.drive.serial), fitted.serial), [(wanted_model(match), fitted.model)])
