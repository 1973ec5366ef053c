"""From today's places to the plan's, step by step: what comes out, what goes where, what the firmware must split.

A place is free before something goes into it. Where parts go round in a ring, one comes out first. Cautions are those
of `knowledge.steps`; the order is final.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.model.findings import Step
from agent.model.turns import Mover, turns
from agent.planner.clock import at_ease
from agent.planner.fits import hidden
from agent.planner.phrases import NAMED, few, needs_named, place_words
from agent.sheets.lanes import slots_with
from agent.sheets.paths import bays_of, drives_on, today
from knowledge.phrasing import begun, listed, quantity, sentence
from knowledge.steps import BACKUP, HANDS, LICENSED, MANUAL, SETUP

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from agent.planner.result import CarrierFound, NeedSeen, Unplaced
    from agent.sheets.sheet import CardSpec, DrivePlace, Placement, Sheet, SlotSpec

NOTE_PLACES: Final = "note-places"
OPEN: Final = "open-machine"
TAKE_CARD: Final = "take-card-out"
TAKE_DRIVE: Final = "take-drive-out"
MOVE_DRIVE: Final = "move-drive"
FIT_DRIVE: Final = "fit-drive"
MOVE_CARD: Final = "move-card"
FIT_CARD: Final = "fit-card"
UNPLUG: Final = "disconnect-cables"
CABLE: Final = "connect-cables"
CLOSE: Final = "close-machine"
SPLIT: Final = "split-slot"
JOIN: Final = "join-slot"
PROVE: Final = "prove-plan"
MORE_TIME: Final = "search-longer"
ADD_PART: Final = "add-part"
CHANGE_SHEET: Final = "change-sheet"
PLACES: Final = 12  # places that are written out in one step

WRITE: Final = "the same lanewright plan with --write NEW"
AGAINST: Final = "lanewright check --against"

ASIDE: Final = " and put it aside"
AS_PLANNED: Final = "Every part is where the plan has it, and every link and rate is as planned."
SEATED: Final = "The card is straight and fully seated, and its bracket is fastened."
FLAT: Final = "The drive is fully seated and lies flat under its screw or clip."


def steps(
    sheet: Sheet,
    after: Placement,
    rates: Mapping[str, float],
    needs: Sequence[NeedSeen] = (),
    unplaced: Sequence[Unplaced] = (),
    check: Callable[[], None] = at_ease,
) -> tuple[Step, ...]:
    """The steps from today to a placement; `rates` is what each drive should then read, MB/s.

    `needs` and `unplaced` are what the placement gives and leaves out: the last step promises no more. `check` raises
    where there is no time for more.
    """
    moves = Moves(sheet, after)
    hands = []
    for step in moves.hands():
        check()
        hands.append(step)
    setup = list(moves.setup(rates))
    before = [
        moves.note(),
        _hand(
            OPEN,
            "Shut the machine down, unplug it and open it.",
            "The mains plug is out and nothing turns or glows inside.",
        ),
    ]
    last = (
        [moves.prove(_open(needs, unplaced), changed=bool(hands), setup=bool(setup))]
        if after.cards or after.drives
        else []
    )
    closing = [moves.close(setup=bool(setup))]
    return (*(before if hands else []), *hands, *(closing if hands else []), *setup, *last)


def _open(needs: Sequence[NeedSeen], unplaced: Sequence[Unplaced]) -> str:
    """What a plan does not give, or not firmly, as a sentence for its last step; "" where it gives all."""
    lacks = _lacks(needs, unplaced)
    return sentence(f"the plan {lacks}") if lacks else ""


def to_change(
    needs: Sequence[NeedSeen], unplaced: Sequence[Unplaced], carriers: Sequence[CarrierFound], *, proved: bool
) -> Iterator[Step]:
    """What comes before all moves where a need is not met or a part has no place: more time, a part, another sheet."""
    unmet = [need for need in needs if need.answer == "not met"]
    if not unmet and not unplaced:
        return
    if not proved:
        text = "Run the same lanewright plan with more --seconds: the search had not ended, and may still find it."
        yield Step(MORE_TIME, text, (), None, "The plan says that it is proved.")
    if carriers:
        best = carriers[0]
        takes = f"in {best.slot} it takes {listed(best.drives, most=NAMED)}"
        text = f"Run lanewright plan SHEET --add {best.kind}, with all else as in this command: {takes}."
        left = f"It does not meet {needs_named(best.unmet)}." if best.unmet else "Every need is met, or met at best."
        yield Step(ADD_PART, text, (), None, left)
    elif proved:
        text = "Change what stands in the way by the reasons above, or try another part with --add (--kinds lists them)"
        missing = f"no arrangement of these parts does better; this one {_lacks(needs, unplaced)}"
        yield Step(CHANGE_SHEET, f"{text}: {missing}.", (), None, "Nothing is missing in the plan any more.", text)


def _lacks(needs: Sequence[NeedSeen], unplaced: Sequence[Unplaced]) -> str:
    """What a plan does not give, or not firmly, as verbs of a sentence; "" where it gives all."""
    unmet = [need.name for need in needs if need.answer == "not met"]
    at_best = [need.name for need in needs if need.answer == "at best"]
    found = []
    if unmet:
        found.append(f"does not meet {needs_named(unmet)}")
    if at_best:
        found.append(f"meets {needs_named(at_best)} at best only")
    if unplaced:
        found.append(f"has no place for {listed((part.name for part in unplaced), most=NAMED)}")
    return listed(found)


def _hand(action: str, text: str, verify: str, *more: str, brief: str = "") -> Step:
    """A step with hands inside the machine; `more` are cautions beside those of all such steps."""
    return Step(action, text, (*HANDS, *more), None, verify, brief)


class Moves:
    """A machine whose parts are moved one at a time; `cards` and `drives` say where everything is by now."""

    def __init__(self, sheet: Sheet, after: Placement) -> None:
        """Begin with today."""
        now = today(sheet)
        self.sheet = sheet
        self.now = now
        self.after = after
        self.slots = {slot.label: slot for slot in sheet.slots}
        self.specs = {card.name: card for card in sheet.cards}
        self.cards = dict(now.cards)
        self.drives = dict(now.drives)

    # --- Before and after --------------------------------------------------------------------------------------

    def note(self) -> Step:
        """Backups, and a record of where everything is."""
        places = [f"{card} in {slot}" for card, slot in self.now.cards.items()]
        places += [f"{drive} in {place_words(self.now, drive)}" for drive in self.now.drives]
        text = "Back up every drive, and note where each part sits"
        text += f" (or take photos): {few(places, PLACES)}." if places else "."
        sets = [f"{stripe.name} ({listed(stripe.drives)})" for stripe in self.sheet.stripes]
        if sets:
            text += f" Label the drives that belong together: {listed(sets)}."
        text += " Note the boot order too: the firmware may begin with another drive after this."
        brief = f"Back up every drive; note where each part sits{', which drives belong together' if sets else ''}"
        labels = "every drive that belongs with others has a label" if sets else "every place is written down"
        verify = f"The backups restore, and {labels}."
        return Step(NOTE_PLACES, text, (BACKUP,), None, verify, f"{brief} and the boot order")

    def close(self, *, setup: bool) -> Step:
        """The end of all that is done inside the machine; the firmware setup comes after it."""
        there = " into its firmware setup" if setup else ""
        return Step(
            CLOSE,
            f"Close the machine, plug it in and start it{there}.",
            (),
            None,
            "The firmware setup opens." if setup else "It starts as before; if not, set the boot order.",
        )

    def prove(self, left_open: str, *, changed: bool, setup: bool) -> Step:
        """The proof, by the sheet with the new places; `left_open` says what the plan does not hold."""
        check = f"run {AGAINST} SHEET"
        brief = check
        if changed:
            check = f"run {WRITE} to write the planned places into a sheet, then {AGAINST} NEW"
            brief = f"run {WRITE}, then {AGAINST} NEW"
        saved = "save the setup and start the machine; then " if setup else ""
        verify = f"{AS_PLANNED} {left_open}" if left_open else AS_PLANNED
        return Step(PROVE, sentence(f"{saved}{check}"), (), None, verify, begun(f"{saved}{brief}"))

    # --- Hands -------------------------------------------------------------------------------------------------

    def hands(self) -> Iterator[Step]:
        """All that is done inside the machine."""
        yield from self._clear()
        yield from self._drives()
        yield from self._cards()

    def _clear(self) -> Iterator[Step]:
        """Take out cards that leave, and cards that are in the way of drives: in their bays or in slots they hide.

        The bays of a card for M.2 drives are reached with the card on the table only (common practice); drives of
        other forms hang on cables of their own.
        """
        changed = {name for name in {*self.drives, *self.after.drives} if self._differs(name)}
        touched = [
            place
            for name in changed
            for places in (self.drives, self.after.drives)
            if (place := places.get(name)) is not None
        ]
        carriers = {place.holder for place in touched if place.bay is not None}
        sockets = {place.holder for place in touched if place.bay is None}
        for name, slot in list(self.cards.items()):
            target, card = self.after.cards.get(name), self.specs[name]
            if target is None:
                yield from self._take_card(name, remark="it is not needed in this build")
            elif name in carriers and card.bay_form == "m.2":
                yield from self._take_card(name, aim="to get at its bays")
            elif not sockets.isdisjoint(hidden(self.slots[slot], card)):
                yield from self._take_card(name, aim="to get at what it hides")

    def _differs(self, drive: str) -> bool:
        return self.drives.get(drive) != self.after.drives.get(drive)

    def _take_card(self, name: str, *, aim: str = "", remark: str = "") -> Iterator[Step]:
        yield from self._disconnect(name)
        slot = self.cards.pop(name)
        there = [drive for drive, place in self.drives.items() if place.holder == name and place.bay is not None]
        drives = f", with {'its drive' if len(there) == 1 else 'its drives'}" if there else ""
        comma = "," if drives and aim else ""
        why = f"{comma} {aim}" if aim else f"; {remark}"
        yield _hand(TAKE_CARD, f"Take {name} out of {slot}{drives}{why}.", f"{slot} is empty.")

    def _disconnect(self, name: str) -> Iterator[Step]:
        """The supply cables of a card come off before it leaves its slot."""
        if self.specs[name].cable_watts:
            text = f"Disconnect the supply cables of {name}: press each catch and pull the plug, never the wires."
            yield _hand(UNPLUG, text, f"No cable holds {name} any more.", LICENSED)

    def _drives(self) -> Iterator[Step]:
        """Take out drives that leave, then move and fit the others as places come free."""
        for name in [drive for drive in self.drives if drive not in self.after.drives]:
            yield self._take_drive(name, "; it has no place in this build")
        differing = [name for name in self.after.drives if self._differs(name)]
        units = [Mover(name, _spot(self.drives.get(name)), _spot(self.after.drives[name])) for name in differing]
        for unit, turn in turns(units):
            yield self._take_drive(unit.name, ASIDE) if turn == "aside" else self._put_drive(unit.name)

    def _take_drive(self, name: str, why: str) -> Step:
        place = self._where(name)
        del self.drives[name]
        return _hand(TAKE_DRIVE, f"Take {name} out of {place}{why}.", "It is safe from static.")

    def _put_drive(self, name: str) -> Step:
        target = self.after.drives[name]
        where = f"bay {target.bay} of {target.holder}" if target.bay is not None else target.holder
        start = self._where(name) if name in self.drives else None
        self.drives[name] = target
        if start is None:
            return _hand(FIT_DRIVE, f"Fit {name} into {where}.", FLAT, brief=f"Fit {name}")
        return _hand(MOVE_DRIVE, f"Move {name} from {start} to {where}.", FLAT)

    def _where(self, name: str) -> str:
        """Where a drive is by now."""
        place = self.drives[name]
        return place.holder if place.bay is None else f"bay {place.bay} of {place.holder}"

    def _cards(self) -> Iterator[Step]:
        """Move and fit cards as slots come free; in a ring one comes out first."""
        units = [
            Mover(name, self._slots_of(name, self.cards.get(name)), self._slots_of(name, slot))
            for name, slot in self.after.cards.items()
            if self.cards.get(name) != slot
        ]
        for unit, turn in turns(units):
            if turn == "aside":
                yield from self._take_card(unit.name, aim="and put it aside")
            else:
                yield from self._put_card(unit.name)

    def _slots_of(self, name: str, label: str | None) -> frozenset[str]:
        """A card's slot with what it hides there, none for None."""
        return frozenset() if label is None else frozenset({label, *hidden(self.slots[label], self.specs[name])})

    def _put_card(self, name: str) -> Iterator[Step]:
        start, label = self.cards.get(name), self.after.cards[name]
        if start is not None:
            yield from self._disconnect(name)
        self.cards[name] = label
        if start is None:
            yield _hand(FIT_CARD, f"Fit {name} into {label}.", SEATED, brief=f"Fit {name}")
        else:
            yield _hand(MOVE_CARD, f"Move {name} from {start} to {label}.", SEATED)
        watts = self.specs[name].cable_watts
        if watts:
            text = f"Connect the supply cables of {name} ({watts:g} W); use only cables that came with the supply."
            yield _hand(CABLE, text, "The cables click in and touch no fan.", LICENSED)

    # --- Firmware setup ----------------------------------------------------------------------------------------

    def setup(self, rates: Mapping[str, float]) -> Iterator[Step]:
        """The slots that the firmware must split, or join again."""
        for slot in self.sheet.slots:
            before, after = self._split(slot, self.now), self._split(slot, self.after)
            if after == before:
                continue
            if after:
                yield self._split_step(slot, after, rates)
            elif slot.label in self.after.cards.values():
                name = next(name for name, label in self.after.cards.items() if label == slot.label)
                yield Step(
                    JOIN,
                    f"In the firmware setup, set {slot.label} back to one link of all its lanes: while it stays split, "
                    f"{name} has {quantity(before[0], 'lane')} at most.",
                    (SETUP, MANUAL),
                    None,
                    f"After the next start lanewright check shows {name} with all lanes that it can have.",
                )

    def _split_step(self, slot: SlotSpec, groups: tuple[int, ...], rates: Mapping[str, float]) -> Step:
        card = self._passive_in(slot, self.after)
        assert card is not None
        ways = "+".join(str(group) for group in groups)
        dark = [name for name, place in drives_on(self.after, card.name).items() if place.bay != 1]
        return Step(
            SPLIT,
            f"In the firmware setup, split the lanes of {slot.label} into {ways} (bifurcation).",
            (SETUP, BACKUP, MANUAL),
            round(sum(rates.get(name, 0.0) for name in dark), 1) or None,
            f"After the next start every drive on {card.name} answers; without the split only the first one does.",
            f"In the firmware setup, split {slot.label} into {ways} (bifurcation)",
        )

    def _split(self, slot: SlotSpec, placement: Placement) -> tuple[int, ...]:
        """How a slot must be split for the drives of its passive carrier, () where it need not be."""
        slot = slots_with(self.sheet, placement)[slot.label]
        card = self._passive_in(slot, placement)
        if card is None or all(place.bay == 1 for place in drives_on(placement, card.name).values()):
            return ()
        bays, _ = bays_of(slot, card)
        for groups in slot.splits:
            if bays_of(replace(slot, splits=(groups,)), card)[0] == bays and len(bays) > 1:
                return groups
        return ()

    def _passive_in(self, slot: SlotSpec, placement: Placement) -> CardSpec | None:
        names = [name for name, label in placement.cards.items() if label == slot.label]
        return next((self.specs[name] for name in names if self.specs[name].carrier == "passive"), None)


def _spot(place: DrivePlace | None) -> frozenset[tuple[str, int | None]]:
    """The place of a drive, none for None."""
    return frozenset() if place is None else frozenset({(place.holder, place.bay)})
