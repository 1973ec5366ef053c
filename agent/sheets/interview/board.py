"""What the dialogue asks of the board: its kind, links that slots share, and each slot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.sheets.commented import board_tables
from agent.sheets.interview.asking import CARD
from agent.sheets.interview.questions import NOTHING, Question, count_of, items, meant, nothing, one_of
from agent.sheets.understood import slot_line
from knowledge.boards import OLD_GENERATION, board_kinds
from knowledge.slots import CONNECTORS, card_watts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.sheets.commented import Tables
    from agent.sheets.interview.asking import Asking
    from agent.sheets.interview.questions import Dialogue
    from knowledge.boards import BoardKind

OTHER: Final = "other"
MOST_SLOTS: Final = 32
FEWEST_TO_SPLIT: Final = 8
SPEEDS: Final = "1 is 2.5 GT/s, 2 is 5, 3 is 8, 4 is 16, 5 is 32; manuals also say Gen 3 or 8 GT/s."
UPLINK_LANES: Final = "The chipset's link often has 4 lanes, on boards of today 8; the block diagram writes x4 or x8."
_PLACES: Final = (
    (CARD, "SLOT", "slots for cards", "Count all of them, also those that hold something today."),
    ("m.2", "M2_", "M.2 sockets for drives", "Sockets for radio cards do not count: they take no drive."),
    ("u.2", "U2_", "U.2 connections for drives", "Cable connections on the board that carry PCI Express."),
)
_USUAL_GENERATION: Final = 4


class Board:
    """The questions about the board. `old` tells afterwards whether its firmware may not start from NVMe drives."""

    def __init__(self, at: Asking) -> None:
        """Put answers into the draft of `at`."""
        self._at = at
        self.old = False

    def run(self) -> Dialogue[None]:
        """Ask for machine, kind of board, shared links and slots."""
        yield from self._machine()
        kind = yield from self._kind()
        if kind is None or not (yield from self._as_kind(kind)):
            yield from self._uplinks(kind)
            yield from self._slots(kind)
        yield from self._lanes_taken()
        fastest = max((slot["generation"] for slot in self._at.draft.entries("slot")), default=_USUAL_GENERATION)
        self.old = fastest <= OLD_GENERATION

    def _machine(self) -> Dialogue[None]:
        self._at.tell("The machine")
        more = "With it, lanewright check --against refuses a machine of another name."

        def take(text: str) -> None:
            self._at.draft.put_machine(name=None if nothing(text) else text)

        yield from self._at.ask(
            Question(key="machine: name", words="What is its host name", default=NOTHING, more=more), take
        )

    def _kind(self) -> Dialogue[BoardKind | None]:
        options = (*((kind.name, kind.what) for kind in board_kinds().values()), (OTHER, "none of these"))
        self._at.tell("", "The board")
        question = Question(
            key="board: kind",
            words="Which kind is nearest, by number or name",
            default=OTHER,
            options=options,
            more="Its figures are then offered as answers. Those in the board's manual are the true ones.",
        )
        return board_kinds().get((yield from self._at.choice(question, [name for name, _ in options])))

    def _as_kind(self, kind: BoardKind) -> Dialogue[bool]:
        """Ask whether the slots are those of the kind; they are in the draft then."""
        before = self._at.draft.tables
        for table, entries in board_tables(kind).items():
            self._at.draft.add(table, *entries)
        self._at.tell("", "Such a board has:", *(f"  {slot_line(slot)}" for slot in self._at.draft.sheet().slots))
        more = "Compare each slot with the board's manual. With no, each figure is asked for, and these are offered."
        kept = yield from self._at.yes("board: like its kind", "Is yours just like that", usually=False, more=more)
        if not kept:
            self._at.draft.tables = before
        return kept

    def _uplinks(self, kind: BoardKind | None) -> Dialogue[None]:
        known = kind.uplink if kind is not None else ()
        number = 0
        while True:
            usual = known[number] if number < len(known) else None
            key = f"shared link {number + 1}"
            question = Question(
                key=f"{key}: name",
                words=f"Do {'other ' if number else ''}slots share one link to the processor, and what is it called",
                default=usual.name if usual is not None else NOTHING,
                more="Slots and sockets at the chipset share its one link; the board's block diagram shows it.",
            )
            numbers = yield from self._at.named(
                question, "uplink", lambda text: [{"name": text, "lanes": 1, "generation": 1}]
            )
            if not numbers:
                return
            for name, words, default, more in (
                ("lanes", "How many lanes does that link have", usual.lanes if usual is not None else 4, UPLINK_LANES),
                ("generation", "Which generation is it", usual.generation if usual is not None else 3, SPEEDS),
            ):
                question = Question(key=f"{key}: {name}", words=words, default=str(default), more=more)
                yield from self._at.figure(question, "uplink", numbers, name)
            number += 1

    # --- Slots ---------------------------------------------------------------------------------------------------

    def _slots(self, kind: BoardKind | None) -> Dialogue[None]:
        tables = board_tables(kind)["slot"] if kind is not None else []
        for place, label, words, more in _PLACES:
            usual = [slot for slot in tables if slot.get("kind", CARD) == place]
            question = Question(
                key=f"{place}: how many",
                words=f"How many {words} does the board have",
                default=str(len(usual)),
                more=more,
            )
            count = yield from self._at.ask(question, lambda text: count_of(text, 0, MOST_SLOTS))
            for number in range(1, count + 1):
                yield from self._slot(place, number, label, usual[number - 1] if number <= len(usual) else {})

    def _slot(self, place: str, number: int, label: str, usual: Tables) -> Dialogue[None]:
        """One slot; `usual` are the figures of such a slot where they are known."""
        key = f"{place} {number}"
        begun: Tables = {"connector": 16} if place == CARD else {"kind": place}
        self._at.tell("")
        question = Question(
            key=f"{key}: label",
            words=f"What is {'slot' if place == CARD else f'{place.upper()} place'} {number} called",
            default=usual.get("label", f"{label}{number}"),
            more="The label on the board and in its manual.",
        )
        numbers = yield from self._at.named(
            question, "slot", lambda text: [{"label": text, **begun, "lanes": 1, "generation": 1}], must=True
        )
        if place == CARD:
            yield from self._connector(key, numbers, usual)
        yield from self._link(key, numbers, usual)
        if place == CARD:
            yield from self._splits(key, numbers, usual)
            yield from self._power(key, numbers)
        elif place == "m.2":
            yield from self._lengths(key, numbers, usual)

    def _connector(self, key: str, numbers: Sequence[int], usual: Tables) -> Dialogue[None]:
        question = Question(
            key=f"{key}: connector",
            words="How long is the connector, in lanes",
            default=str(usual.get("connector", 16)),
            more="1, 4, 8 or 16, by what is on the board, whatever is wired to it.",
        )
        yield from self._at.figure(question, "slot", numbers, "connector")
        if self._at.draft.entries("slot")[numbers[0]]["connector"] < CONNECTORS[-1]:
            more = "The end of the connector is notched, so that longer cards go in too."
            if (yield from self._at.yes(f"{key}: open end", "Is its end open", usually=False, more=more)):
                self._at.draft.put("slot", numbers, open_end=True)

    def _link(self, key: str, numbers: Sequence[int], usual: Tables) -> Dialogue[None]:
        slots = self._at.draft.entries("slot")
        lanes = usual.get("lanes", slots[numbers[0]].get("connector", 4))
        generation = usual.get("generation", slots[-2]["generation"] if len(slots) > 1 else _USUAL_GENERATION)
        more = "Long slots often have fewer lanes than they are long: see the manual's list of slots."
        question = Question(key=f"{key}: lanes", words="How many lanes are wired", default=str(lanes), more=more)
        yield from self._at.figure(question, "slot", numbers, "lanes")
        question = Question(
            key=f"{key}: generation", words="Which generation is it", default=str(generation), more=SPEEDS
        )
        yield from self._at.figure(question, "slot", numbers, "generation")
        names = [uplink["name"] for uplink in self._at.draft.entries("uplink")]
        if not names:
            return
        question = Question(
            key=f"{key}: shared link",
            words=f"Behind which shared link is it ({', '.join(names)})",
            default=usual.get("uplink", NOTHING),
            more="none: its lanes go straight to the processor.",
        )
        uplink = yield from self._at.ask(question, lambda text: None if nothing(text) else one_of(text, names))
        self._at.draft.put("slot", numbers, uplink=uplink)

    def _splits(self, key: str, numbers: Sequence[int], usual: Tables) -> Dialogue[None]:
        if self._at.draft.entries("slot")[numbers[0]]["lanes"] < FEWEST_TO_SPLIT:
            return
        more = (
            "Also called bifurcation: a carrier without a packet switch needs it for more than one drive. Write 8+8 or"
            " 4+4+4+4, several ways with commas. Boards of generations 1 and 2 have none (common practice)."
        )
        question = Question(
            key=f"{key}: splits",
            words="How can the firmware setup split it",
            default=", ".join(usual.get("splits", ())) or NOTHING,
            more=more,
        )

        def take(text: str) -> None:
            self._at.draft.put("slot", numbers, splits=None if nothing(text) else items(text))

        yield from self._at.ask(question, take)

    def _power(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        rule = card_watts(self._at.draft.entries("slot")[numbers[0]]["connector"], "full")
        question = Question(
            key=f"{key}: power",
            words="How many watts may a card take from it, if the manual says so",
            default=NOTHING,
            more=f"With none, the {rule:g} W of the PCI Express Card Electromechanical Specification hold.",
        )
        yield from self._at.figure(question, "slot", numbers, "power_watts")

    def _lengths(self, key: str, numbers: Sequence[int], usual: Tables) -> Dialogue[None]:
        question = Question(
            key=f"{key}: lengths",
            words="Which drives does it take, by length code",
            default=", ".join(usual.get("lengths", ())) or NOTHING,
            more="2230, 2242, 2260, 2280 or 22110, several with commas; none: any of them.",
        )

        def take(text: str) -> None:
            self._at.draft.put("slot", numbers, lengths=None if nothing(text) else items(text))

        yield from self._at.ask(question, take)

    # --- Lanes that slots take from each other -------------------------------------------------------------------

    def _lanes_taken(self) -> Dialogue[None]:
        """Ask which slots lose lanes while others are filled, until there are no more."""
        labels = self._at.labels(CARD, "m.2", "u.2")
        if len(labels) < 2:  # noqa: PLR2004 - nothing is there to take lanes from
            return
        self._at.tell("", "Lanes that slots take from each other")
        number = 1
        while True:
            question = Question(
                key=f"lanes taken {number}: slot",
                words=f"Does a{'nother' if number > 1 else ''} slot have fewer lanes, or none, while others are filled",
                default=NOTHING,
                more=f"Its label; the manual's list of slots has it in its remarks. Here are {', '.join(labels)}.",
            )
            label = yield from self._at.ask(question, lambda text: "" if nothing(text) else one_of(text, labels))
            if not label:
                return
            yield from self._lanes_left(f"lanes taken {number}", labels.index(label), labels)
            number += 1

    def _lanes_left(self, key: str, number: int, labels: Sequence[str]) -> Dialogue[None]:
        """Ask how many lanes a slot has left while which others are filled."""
        slot = self._at.draft.entries("slot")[number]
        question = Question(
            key=f"{key}: lanes left",
            words=f"How many lanes does {slot['label']} have then",
            default=str(slot["lanes"] // 2),
            more="0 where it does not work then.",
        )
        left = yield from self._at.ask(question, lambda text: count_of(text, 0, slot["lanes"]))
        question = Question(
            key=f"{key}: filled",
            words="Which slots are filled then",
            default=next(label for label in labels if label != slot["label"]),
            more="One, or several with commas where all of them must be. Each other case is a question of its own.",
        )

        def take(text: str) -> bool:
            if nothing(text):
                return False
            entry = {"filled": [meant(item, labels) for item in items(text)], "lanes": left}
            entries = [*slot.get("lanes_while", []), entry]
            self._at.draft.put("slot", (number,), lanes_while=entries)
            return True

        taken = yield from self._at.ask(question, take)
        if taken and left >= FEWEST_TO_SPLIT and slot.get("kind", CARD) == CARD:
            yield from self._splits_left(key, number)

    def _splits_left(self, key: str, number: int) -> Dialogue[None]:
        """Ask how the lanes that a slot has left, by the last entry, can be split."""
        question = Question(
            key=f"{key}: splits",
            words="How can the firmware setup split what is left",
            default=NOTHING,
            more="Such as 4+4. none: as the slot itself, as far as its lanes are enough.",
        )

        def take(text: str) -> None:
            if not nothing(text):
                *before, last = self._at.draft.entries("slot")[number]["lanes_while"]
                entries = [*before, last | {"splits": items(text)}]
                self._at.draft.put("slot", (number,), lanes_while=entries)

        yield from self._at.ask(question, take)

    # --- What a wide card hides ----------------------------------------------------------------------------------

    def hidden(self) -> Dialogue[None]:
        """Ask what a card of two places hides, if there is such a card."""
        labels = self._at.labels(CARD)
        if not labels or not any(card.wide > 1 for card in self._at.draft.sheet().cards):
            return
        self._at.tell("", "A card of two places hides the slot beside its own")
        for label, below in zip(labels, [*labels[1:], NOTHING], strict=True):
            number = next(at for at, slot in enumerate(self._at.draft.entries("slot")) if slot["label"] == label)
            question = Question(
                key=f"{label}: hides",
                words=f"Which slot does it hide in {label}",
                default=below,
                more="The next slot below, if it is that near; several with commas, or none.",
            )

            def take(text: str, number: int = number) -> None:
                covers = None if nothing(text) else [meant(item, labels) for item in items(text)]
                self._at.draft.put("slot", (number,), covers=covers)

            yield from self._at.ask(question, take)
