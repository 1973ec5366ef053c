"""The whole dialogue in its order, and what comes of it. The same answers lead to the same sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from agent.sheets.commented import commented
from agent.sheets.interview.asked_needs import AskedNeeds
from agent.sheets.interview.asked_parts import AskedParts
from agent.sheets.interview.asking import Asking
from agent.sheets.interview.board import Board
from agent.sheets.interview.questions import Question, is_yes
from agent.sheets.understood import understood
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from agent.sheets.interview.questions import Dialogue

END: Final = "end"  # the key of the last question, whose answer is not kept
_HEAD: Final = "Build sheet, made of answers to lanewright plan --new."
_FIGURES: Final = "The board's manual and the makers' sheets go before the figures of kinds: write what they say."


class Interview:
    """A dialogue; `text` is the sheet once it has ended."""

    def __init__(self) -> None:
        """Begin with nothing said."""
        self._at = Asking()
        self.text = ""

    def run(self) -> Dialogue[None]:
        """Ask for everything, show what was understood, and make the sheet."""
        board, parts = Board(self._at), AskedParts(self._at)
        yield from board.run()
        yield from parts.cards()
        yield from board.hidden()
        yield from parts.drives()
        yield from parts.sets()
        yield from AskedNeeds(self._at).run(old=board.old)
        self._at.tell("", "What was understood", *understood(self._at.draft.sheet()))
        yield from self._at.ask(Question(key=END, words="Write the sheet", default="yes"), _ended)
        self.text = commented(self._at.draft.tables, (_HEAD, _FIGURES), self._at.draft.remarks)


def _ended(text: str) -> None:
    if not is_yes(text):
        raise BadInput("back changes the last answer, later leaves; all answers are kept")
