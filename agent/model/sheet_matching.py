"""What is fitted against what a build sheet expects: which card and which drive of the sheet each part is.

A card is known by its place, then by its identifiers; a drive by its serial number, then by place and model. What
cannot be told (a token of a redacted capture, a value that was not read) never speaks against a match. Says nothing of
faults: the rules do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.model.expected import named
from agent.model.findings import Verdict
from agent.model.likeness import same
from agent.model.pairing import paired, told_once
from agent.model.sheet_parts import (
    CardMatch,
    DriveMatch,
    FittedDrive,
    How,
    MatchedSheet,
    identity,
    is_wanted,
    wanted_model,
)
from agent.model.sheet_slots import Spots
from agent.model.sheet_unseen import Unseen, hidden, numbers, of_card, of_drive
from agent.model.tree import Tree
from knowledge import pcie
from probes.unread import Unread, of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from agent.model.expected import Expectations
    from agent.model.judged import Judged
    from agent.model.machine import Machine
    from probes.facts import Drive


def match_parts(machine: Machine, judged: Sequence[Judged], expected: Expectations) -> MatchedSheet:
    """Match all parts of a sheet with those of the machine."""
    return _Matching(machine, judged, expected).result()


class _Matching:
    """The state of one matching: what of the machine is still free."""

    def __init__(self, machine: Machine, judged: Sequence[Judged], expected: Expectations) -> None:
        self.machine = machine
        self.judged = judged
        self.source = expected.source
        self.spots = Spots(judged, expected)
        self.tree = Tree(machine, judged)
        self.unseen = Unseen(machine, judged)
        self.fitted = tuple(self._fitted())
        self.free = list(self.fitted)
        # A card is what answers first on the way from the processor.
        self.tops = [link for link in judged if self._may_be_card(link)]
        self.cards = [CardMatch(card, self.spots.of(card.slot, card.port)) for card in expected.cards]
        by_name = {match.card.name: match for match in self.cards}
        self.drives = []
        for drive in expected.drives:
            on = by_name.get(drive.card) if drive.card is not None else None
            spot = on.spot if on is not None else self.spots.of(drive.slot, None)
            self.drives.append(DriveMatch(drive, spot, on))

    def _fitted(self) -> Iterable[FittedDrive]:
        """Every NVMe drive that answers, claimed by a driver or not; one that answers twice counts once."""
        drives: dict[str, Drive] = {}
        lost = []
        for path in self.machine.paths:
            if path.drive.kind == "nvme":
                if path.hops:
                    drives.setdefault(path.hops[0].key, path.drive)
                else:
                    lost.append(path.drive)
        for judged in self.judged:
            if judged.is_drive or judged.link.key in drives:
                drive = drives.get(judged.link.key)
                yield FittedDrive(judged, self.tree.chain(judged), drive, self.unseen.drive(drive))
        for drive in lost:
            if drive.address not in self.machine.leads_to:
                yield FittedDrive(None, (), drive, self.unseen.drive(drive))

    def _may_be_card(self, judged: Judged) -> bool:
        if judged.link.device is None or judged.verdict is Verdict.VIRTUAL or judged.is_drive:
            return False
        above = self.tree.above(judged)
        return not any(self.spots.at(link) is not None or link.link.slot is not None for link in above)

    def result(self) -> MatchedSheet:
        self._by_serial()
        self._cards()
        self._drives()
        self._unseen()
        self._passive_cards()
        return MatchedSheet(
            self.source,
            tuple(self.cards),
            tuple(self.drives),
            tuple(top for top in self._free_tops() if self._is_fitted(top)),
            tuple(fitted for fitted in self.free if not fitted.off_links),
            {judged.link.key: self.spots.place_of(self.tree.chain(judged)) for judged in self.judged},
            {
                judged.own.link.key: judged.model
                for judged in self.fitted
                if judged.own is not None and judged.model is not None
            },
            self.spots,
            {judged.link.key: self.tree.below(judged) for judged in self.judged},
            self.unseen.slots,
        )

    def _is_fitted(self, judged: Judged) -> bool:
        """Whether a card was put in by somebody: it is in a slot, and no part of the board."""
        return not judged.link.onboard and (judged.link.slot is not None or self.spots.at(judged) is not None)

    # --- Cards -------------------------------------------------------------------------------------------------

    def _cards(self) -> None:
        """From the surest sign to the least; a card of the sheet is bound once, and so is one of the machine."""
        for fits in (self._same_here, self._has_its_drives, self._is_same, self._likely_here, self._may_have_moved):
            for card, top in paired(self._open_cards(), self._free_tops(), fits):
                card.found, card.how = top, self._how(card, top)
        for card in self._open_cards():
            there = next((top for top in self._free_tops() if self._here(card, top)), None)
            if there is not None:
                card.found, card.how = there, "other"
            elif card.spot is None and self._may_be_any(card):
                card.how = "untold"

    def _may_be_any(self, card: CardMatch) -> bool:
        """Whether a card without a known place may be one that answers, for lack of identifiers here or there."""
        if card.card.pci_id is None:
            return bool(card.label) or card.card.carrier == "none"
        return any(identity(top) is None for top in self._free_tops())

    def _how(self, card: CardMatch, top: Judged) -> How:
        if card.card.slot is None or self._here(card, top):
            return "here"
        placed = card.spot is not None and self.unseen.way(self.tree.chain(top)) is None
        return "elsewhere" if placed else "unplaced"

    def _open_cards(self) -> list[CardMatch]:
        return [card for card in self.cards if card.found is None and card.card.carrier != "passive"]

    def _free_tops(self) -> list[Judged]:
        taken = {card.found.link.key for card in self.cards if card.found is not None}
        return [top for top in self.tops if top.link.key not in taken]

    @staticmethod
    def _here(card: CardMatch, top: Judged) -> bool:
        return card.spot is not None and any(top.link.key == link.link.key for link in card.spot.links)

    def _same_here(self, card: CardMatch, top: Judged) -> bool:
        return self._here(card, top) and _same(card, top) is True

    @staticmethod
    def _is_same(card: CardMatch, top: Judged) -> bool:
        return _same(card, top) is True

    def _likely_here(self, card: CardMatch, top: Judged) -> bool:
        """Whether what is in the card's place may be it: nothing speaks against it."""
        return self._here(card, top) and _same(card, top) is None and self._alike(card, top)

    def _alike(self, card: CardMatch, top: Judged) -> bool:
        """Whether what answers may be this card, by what it is: a carrier with a switch is one."""
        assert top.link.device is not None
        is_switch = self.machine.kinds.get(top.link.device.address) == pcie.SWITCH_UPSTREAM_PORT
        return is_switch or card.card.carrier == "none"

    def _has_its_drives(self, card: CardMatch, top: Judged) -> bool:
        """Whether drives that are known by their serial numbers, and belong on this card, are behind that one."""
        if card.card.carrier != "switch" or _same(card, top) is False:
            return False
        behind = [drive.found for drive in self.drives if drive.on is card and drive.found is not None]
        return bool(behind) and all(top.link.key in {link.link.key for link in fitted.chain} for fitted in behind)

    def _may_have_moved(self, card: CardMatch, top: Judged) -> bool:
        """Whether a carrier of which no identifier is known may be one that answers where the sheet has none."""
        if card.card.carrier != "switch" or _same(card, top) is not None or not self._alike(card, top):
            return False
        expected = any(self._here(other, top) for other in self.cards if other is not card)
        return not expected and any(top in judged.chain for judged in self.fitted)

    # --- Drives ------------------------------------------------------------------------------------------------

    def _take(self, match: DriveMatch, fitted: FittedDrive, how: How) -> None:
        match.found, match.how = fitted, how
        self.free.remove(fitted)

    def _open_drives(self) -> list[DriveMatch]:
        return [drive for drive in self.drives if drive.found is None]

    def _by_serial(self) -> None:
        given = told_once((fitted.serial, fitted) for fitted in self.fitted)
        for serial, match in told_once((named(match.drive.serial), match) for match in self.drives).items():
            if serial in given:
                self._take(match, given[serial], "here")

    def _drives(self) -> None:
        """In its place and of its model; elsewhere and of its model; in its place whatever it is."""
        for match in self.drives:
            if match.found is not None:
                match.how = self._where(match, match.found)
        for fits in (self._in_bay, self._same_in_place, self._likely_in_place, self._same_anywhere, self._in_place):
            for match, fitted in paired(self._open_drives(), self.free, fits):
                self._take(match, fitted, self._where(match, fitted))
        unknown = any(fitted.model is None for fitted in self.free)
        for match in self._open_drives():
            if match.spot is None and (match.label or match.on is not None or unknown):
                match.how = "untold" if wanted_model(match) is None or unknown else "missing"

    def _in_bay(self, match: DriveMatch, fitted: FittedDrive) -> bool:
        """Whether a drive is in the very bay, counted in the order of ports, and nothing speaks against it."""
        card, bay = match.on, match.drive.bay
        if card is None or bay is None or fitted.own is None or is_wanted(match, fitted) is False:
            return False
        if hidden(self._places(match)) is not None:
            return False  # which port is which bay is not known
        ports: Sequence[Judged] = card.spot.links if card.spot is not None else ()
        if card.card.carrier == "switch":
            ports = self.tree.below(card.found) if card.found is not None and card.how != "other" else ()
        return len(ports) > 1 and any(port is fitted.own for port in ports[bay - 1 : bay])

    def _same_in_place(self, match: DriveMatch, fitted: FittedDrive) -> bool:
        return same(wanted_model(match), fitted.model) is True and self._in_place(match, fitted)

    def _likely_in_place(self, match: DriveMatch, fitted: FittedDrive) -> bool:
        """Whether a drive in the place may be the one: nothing is known that speaks against it."""
        untold = same(wanted_model(match), fitted.model) is None
        return untold and self._in_place(match, fitted) and hidden(self._places(match)) is None

    def _same_anywhere(self, match: DriveMatch, fitted: FittedDrive) -> bool:
        """Whether a drive of the model answers elsewhere, and none can be in the place unseen."""
        return same(wanted_model(match), fitted.model) is True and hidden(self._places(match)) is None

    def _where(self, match: DriveMatch, fitted: FittedDrive) -> How:
        if self._in_place(match, fitted):
            return "other" if is_wanted(match, fitted) is False else "here"
        return "elsewhere" if match.spot is not None and self._lost_place(fitted) is None else "unplaced"

    def _lost_place(self, fitted: FittedDrive) -> Unread | None:
        """Why it is not known where a drive is."""
        return fitted.lost if fitted.own is None else self.unseen.way(fitted.chain)

    def _places(self, match: DriveMatch) -> Sequence[Judged]:
        """The links at which a drive should be: those of its slot, or those behind its carrier."""
        card = match.on
        if card is not None and card.card.carrier == "switch" and card.found is not None and card.how != "other":
            return self.tree.below(card.found)
        return match.spot.wide if match.spot is not None else ()

    def _in_place(self, match: DriveMatch, fitted: FittedDrive) -> bool:
        """Whether a drive is where the sheet has it; with a card that has moved, it is on that card."""
        if match.on is None and match.drive.slot is None:
            return True
        links = {link.link.key for link in fitted.chain}
        if match.on is not None and match.on.found is not None and match.on.how != "other":
            return match.on.found.link.key in links
        return match.spot is not None and any(link.link.key in links for link in match.spot.wide)

    # --- What a reading that failed hides --------------------------------------------------------------------------

    def _unseen(self) -> None:
        """Call unseen what is not matched, or not told from other parts, for want of a reading that failed."""
        for card in self.cards:
            if card.card.carrier != "passive":
                card.lost = self._lost_card(card)
                if card.lost is not None and card.how in {"missing", "untold", "other"}:
                    card.how = "unseen"
        for match in self.drives:
            match.lost = self._lost_drive(match)
            if match.lost is not None and match.how in {"missing", "untold"}:
                match.how = "unseen"

    def _lost_card(self, card: CardMatch) -> Unread | None:
        if card.how == "unplaced" and card.found is not None:
            return self.unseen.way(self.tree.chain(card.found)) or self._no_spot(card)
        if card.how in {"here", "other"}:
            return of_card(card)
        if card.found is not None:
            return None
        if self._hidden_spot(card):
            return self._no_spot(card)
        here = [link.link.below_lost for link in card.spot.links] if card.spot is not None else [self.unseen.functions]
        unknown = (*here, *(numbers(top) for top in self._free_tops()))
        return next((unread for unread in unknown if unread is not None), None)

    def _lost_drive(self, match: DriveMatch) -> Unread | None:
        found = match.found
        if found is not None and match.how == "unplaced":
            return self._lost_place(found) or self._no_spot(match)
        if found is not None:
            if match.how != "here":
                return None
            return of_drive(match, found) or (None if is_wanted(match, found) else hidden(self._places(match)))
        if self._hidden_spot(match):
            return self._no_spot(match)
        places = self._places(match)
        here = (hidden(places),) if places else (self.unseen.functions, self.unseen.drives)
        unknown = (*here, *(fitted.lost for fitted in self.free))
        return next((match for match in unknown if match is not None), None)

    def _hidden_spot(self, match: CardMatch | DriveMatch) -> bool:
        """Whether the slot of a part was not found as a reading failed, or what tells the part is its slot alone.

        What names itself and answers nowhere is missing also where an ordinary user is not told what slots are called.
        """
        slots = self.unseen.slots
        named_by_slot = match.how == "untold" or (slots is not None and slots.failed)
        return match.spot is None and bool(match.label) and slots is not None and named_by_slot

    def _no_spot(self, match: CardMatch | DriveMatch) -> Unread | None:
        """Why the slot that the sheet names for a part was not found."""
        if match.spot is not None or not match.label:
            return None
        what = f"which slot is called {match.label}"
        slots = self.unseen.slots
        return Unread(what, "none that was seen is") if slots is None else of(what, slots)

    def _passive_cards(self) -> None:
        """A carrier without a switch shows itself by its drives alone."""
        for card in self.cards:
            if card.card.carrier != "passive":
                continue
            mine = [drive for drive in self.drives if drive.on is card]
            hows = {match.how for match in mine}
            if hows & {"here", "other"}:
                card.how = "here"
            elif "elsewhere" in hows and hows <= {"elsewhere", "missing"}:
                places = {self.spots.place_of(match.found.chain) for match in mine if match.found is not None}
                card.how = "elsewhere" if len(places) == 1 else "untold"
                card.found = next(match.link for match in mine if match.found is not None)
            elif not mine or hows & {"untold", "unplaced"}:
                card.how = "untold"
            elif "unseen" in hows:
                card.how = "unseen"


def _same(card: CardMatch, top: Judged) -> bool | None:
    """Whether the identifiers are those of the card; None where either is not known."""
    wanted = card.card.pci_id
    return same(wanted and wanted.lower(), identity(top))
