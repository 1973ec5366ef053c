"""What the dialogue asks of what it is all for: where the machine starts from, rates, the display card's slot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.sheets.interview.asking import CARD
from agent.sheets.interview.questions import NOTHING, Question, figure, is_yes, meant, nothing, one_of
from knowledge.boards import OLD_START
from knowledge.phrasing import mbps, slot_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.sheets.interview.asking import Asking
    from agent.sheets.interview.questions import Dialogue

_LONGEST: Final = 90  # of the words of a need, so that a number can follow (agent/sheets/shape.py)


class AskedNeeds:
    """The questions about needs."""

    def __init__(self, at: Asking) -> None:
        """Put answers into the draft of `at`."""
        self._at = at

    def run(self, *, old: bool) -> Dialogue[None]:
        """Ask for needs; `old` says that the board's firmware may not start from NVMe drives."""
        drives = [entry["name"] for entry in self._at.draft.entries("drive")]
        if drives:
            self._at.tell("", "What it is for")
            yield from self._start(drives, old=old)
            yield from self._rates(drives)
        for card in self._at.draft.sheet().cards:
            if card.wants_mbps is not None and "display" in (card.kind or "") and not card.stays:
                yield from self._in_slot(card.name)

    def _start(self, drives: Sequence[str], *, old: bool) -> Dialogue[None]:
        question = Question(
            key="need: start",
            words="Which of the drives does the machine start from",
            default=NOTHING,
            more="none: it starts from another one, such as a SATA drive.",
        )
        name = yield from self._at.ask(question, lambda text: "" if nothing(text) else one_of(text, drives))
        if not name:
            return
        remark = "The machine starts from it."
        if old:
            self._at.tell(f"Caution: {OLD_START}")
            remark = f"{remark} {OLD_START}"
        self._at.draft.remarks[f"drive[{drives.index(name)}]"] = remark
        question = Question(
            key="need: start alone",
            words="Must it have lanes of its own, not behind a packet switch and not on a split slot",
            default="yes",
            more="Firmware starts most surely from such a place (common practice).",
        )

        def take(text: str) -> None:
            if is_yes(text):
                needs = {"drives": [name], "not_on_split": True, "not_behind_switch": True}
                self._add(f"the machine starts from {name}", **needs)

        yield from self._at.ask(question, take)

    def _rates(self, drives: Sequence[str]) -> Dialogue[None]:
        sets = self._at.draft.sheet().stripes
        for number, stripe in enumerate(sets, 1):
            words = f"How many MB/s must {stripe.name} read as a whole"
            rate = yield from self._rate(f"need: set {number} reads", words)
            if rate is not None:
                self._add(f"{stripe.name} reads {mbps(rate)}", stripe=stripe.name, read_mbps=rate)
        within = {name for stripe in sets for name in stripe.drives}
        others = [name for name in drives if name not in within]
        if others:
            words = f"How many MB/s must each of the {'other ' if within else ''}drives read"
            rate = yield from self._rate("need: each reads", words)
            if rate is not None:
                self._add(f"each drive reads {mbps(rate)}", drives=others, read_mbps=rate)

    def _rate(self, key: str, words: str) -> Dialogue[float | None]:
        """Ask for a rate that a need can have."""
        question = Question(key=key, words=words, default=NOTHING, more="none: as much as there is.")
        return (yield from self._at.ask(question, self._possible))

    def _possible(self, text: str) -> float | None:
        """A rate, tried on a need of one drive; None for none."""
        if nothing(text):
            return None
        before = self._at.draft.tables
        rate = figure(text)
        drive = self._at.draft.entries("drive")[0]["name"]
        self._at.draft.add("need", {"name": "rate", "drives": [drive], "read_mbps": rate})
        self._at.draft.tables = before
        return float(rate)

    def _in_slot(self, name: str) -> Dialogue[None]:
        question = Question(
            key=f"need: slot of {name}",
            words=f"Must {name} be in a certain slot ({', '.join(self._at.labels(CARD))})",
            default=NOTHING,
            more="For its cooling or its cables, say. none: the plan finds its slot.",
        )

        def take(text: str) -> None:
            if not nothing(text):
                label = meant(text, self._at.labels(CARD))
                self._add(f"{name} is in {slot_words(label)}", cards=[name], in_slot=label)

        yield from self._at.ask(question, take)

    def _add(self, name: str, **keys: object) -> None:
        """Add a need under a name that no other has."""
        self._at.draft.add("need", {"name": self._at.free_names("need", [name[:_LONGEST].strip()])[0], **keys})
