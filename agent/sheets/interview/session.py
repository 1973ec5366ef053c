"""A dialogue with its answers, which can be gone back on, kept in a file's text and taken up again. Reads no file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from agent.sheets.interview.dialogue import END, Interview
from agent.sheets.writing import quoted
from agent.toml.tables import tables
from knowledge.phrasing import quoted as named
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.sheets.interview.questions import Question

Answers = list[tuple[str, str]]

FORMAT: Final = "lanewright-answers"
VERSION: Final = 1
MOST_BYTES: Final = 4 * 1024 * 1024
LONGEST_ANSWER: Final = 300  # characters; with all of them written as escapes a line can still be read


class Session:
    """A dialogue and the answers that were taken. `question` is the one to be answered, None at the end."""

    def __init__(self) -> None:
        """Begin anew."""
        self.answers: Answers = []
        self._begin()

    def _begin(self) -> None:
        self._interview = Interview()
        self._run = self._interview.run()
        self.question: Question | None = next(self._run)

    @property
    def text(self) -> str:
        """The sheet, once there is no more question."""
        return self._interview.text

    def answer(self, text: str) -> bool:
        """Answer the question; whether the answer was taken."""
        asked = self.question
        assert asked is not None, "there is a question until the end"
        text = " ".join(text.split())
        try:
            self.question = self._run.send(text)
        except StopIteration:
            self.question = None
        if self.question is not None and self.question.wrong:
            return False
        self.answers.append((asked.key, text or asked.default))
        return True

    def back(self) -> None:
        """Take the last answer back; its question comes again."""
        self.resume(self.answers[:-1])

    def resume(self, answers: Sequence[tuple[str, str]]) -> int:
        """Begin anew with these answers, as far as they fit the questions; how many did not."""
        self.answers = []
        self._begin()
        for key, text in answers:
            if self.question is None or self.question.key != key or key == END or not self.answer(text):
                break
        return len(answers) - len(self.answers)


# --- The file of kept answers ------------------------------------------------------------------------------------


def kept_text(answers: Sequence[tuple[str, str]], sheet: str) -> str:
    """The text that keeps answers until the sheet of that name is written."""
    head = f"# Answers kept by lanewright plan --new, until the sheet {named(sheet)} is written."
    lines = [head, f"format = {quoted(FORMAT)}", f"version = {VERSION}"]
    for key, text in answers:
        lines += ["", "[[answer]]", f"to = {quoted(key)}", f"is = {quoted(text)}"]
    return "\n".join(lines) + "\n"


def kept_answers(data: bytes | bytearray, source: str) -> Answers:
    """The answers of such a text; BadInput where it is none."""
    refused = BadInput(f"{named(source)} holds no answers that can be taken up; move it away to begin anew")
    if len(data) > MOST_BYTES:
        raise refused
    try:
        found = tables(data.decode(), source, ("answer",))
    except (UnicodeDecodeError, RecursionError, BadInput):
        raise refused from None
    given = found.get("answer", [])
    if found.get("format") != FORMAT or found.get("version") != VERSION or not isinstance(given, list):
        raise refused
    answers = [_answer(entry) for entry in given]
    taken = [answer for answer in answers if answer is not None]
    if len(taken) < len(answers):
        raise refused
    return taken


def _answer(entry: Any) -> tuple[str, str] | None:  # noqa: ANN401 - whatever TOML can hold
    if not isinstance(entry, dict):
        return None
    key, text = entry.get("to"), entry.get("is")
    return (key, text) if isinstance(key, str) and isinstance(text, str) and len(text) <= LONGEST_ANSWER else None
