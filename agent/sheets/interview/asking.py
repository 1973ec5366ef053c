"""The ground of the dialogue that asks for a first sheet: a draft, and questions that put what is answered into it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from agent.sheets.draft import Draft
from agent.sheets.interview.questions import Question, figure, is_yes, nothing, one_or_number
from agent.sheets.names import Names
from knowledge.problems import BadInput

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from agent.sheets.commented import Tables
    from agent.sheets.interview.questions import Dialogue, T


CARD: Final = "card"


class Asking:
    """A draft, and what is to be told before the next question."""

    def __init__(self) -> None:
        """Begin with a sheet that says nothing."""
        self.draft = Draft()
        self._told: list[str] = []

    def tell(self, *lines: str) -> None:
        """Say something before the next question; "" is an empty line."""
        self._told.extend(lines)

    def ask(self, question: Question, take: Callable[[str], T]) -> Dialogue[T]:
        """Ask until `take` raises no BadInput; what it gives."""
        told, self._told = tuple(self._told), []
        question = replace(question, told=told)
        while True:
            text = yield question
            try:
                return take(text or question.default)
            except BadInput as wrong:
                question = replace(question, told=(), wrong=str(wrong))

    def figure(self, question: Question, table: str, numbers: Sequence[int], key: str) -> Dialogue[None]:
        """Ask for a figure of entries; "none" leaves the key out."""

        def take(text: str) -> None:
            self.draft.put(table, numbers, **{key: None if nothing(text) else figure(text)})

        yield from self.ask(question, take)

    def yes(self, key: str, words: str, *, usually: bool, more: str = "") -> Dialogue[bool]:
        """Ask what is answered with yes or no."""
        question = Question(key=key, words=words, default="yes" if usually else "no", more=more)
        return (yield from self.ask(question, is_yes))

    def may_move(self, key: str, words: str, table: str, numbers: Sequence[int]) -> Dialogue[None]:
        """Ask whether fitted parts may move; those that may not stay."""
        more = "With yes the plan may find a better place."

        def take(text: str) -> None:
            self.draft.put(table, numbers, stays=None if is_yes(text) else True)

        yield from self.ask(Question(key=key, words=words, default="yes", more=more), take)

    def choice(self, question: Question, names: Sequence[str]) -> Dialogue[str]:
        """Ask for one of some names, by the name or its place among them; "" where "none" is the answer."""
        return (yield from self.ask(question, lambda text: "" if nothing(text) else one_or_number(text, names)))

    def named(
        self, question: Question, table: str, entries: Callable[[str], list[Tables]], *, must: bool = False
    ) -> Dialogue[tuple[int, ...]]:
        """Ask for a name and add what it names; its numbers, () where none is wanted and there need not be one."""

        def take(text: str) -> tuple[int, ...]:
            if not must and nothing(text):
                return ()
            added = entries(text)
            first = self.draft.add(table, *added)
            return tuple(range(first, first + len(added)))

        return (yield from self.ask(question, take))

    def free_names(self, table: str, wanted: Iterable[str]) -> list[str]:
        """Names that no entry of a table has, each as near as can be to one that is wanted."""
        names = Names(entry["name"] for entry in self.draft.entries(table))
        return [names.unique(name) for name in wanted]

    def labels(self, *kinds: str) -> list[str]:
        """The labels of the slots of these kinds."""
        return [slot["label"] for slot in self.draft.entries("slot") if slot.get("kind", CARD) in kinds]
