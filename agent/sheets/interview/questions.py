"""Questions of a dialogue and what an answer to one can be. Asks nobody: whoever talks to a person sends the answers.

A dialogue is a generator: it yields a question, is sent an answer, and yields the same question again, with a sentence
in `wrong`, where the answer cannot be taken.
"""

from __future__ import annotations

import re
from collections.abc import Generator
from typing import TYPE_CHECKING, Final, TypeVar

from msgspec import Struct

from knowledge.parts import nearest
from knowledge.phrasing import listed, quoted
from knowledge.problems import BadInput
from knowledge.rates import parse_speed

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

T = TypeVar("T")

NOTHING: Final = "none"
_FIGURE: Final = re.compile(
    r"(?:x|gen(?:eration)?)? ?([0-9]{1,9}|[0-9]{1,3}(?:,[0-9]{3})+)(\.[0-9]{1,4})?(?: ?[a-z/]+)?"
)


class Question(Struct, frozen=True, kw_only=True):
    """A question. `key` names it in the file of kept answers; `default` is what an empty answer means.

    `more` explains it, `options` are names that can be answered, with what they are; `told` is said before it.
    """

    key: str
    words: str
    default: str = ""
    more: str = ""
    options: tuple[tuple[str, str], ...] = ()
    told: tuple[str, ...] = ()
    wrong: str = ""


Dialogue = Generator[Question, str, T]


# --- Answers -----------------------------------------------------------------------------------------------------


def nothing(text: str) -> bool:
    """Whether an answer says that there is none."""
    return text.casefold() in {"", NOTHING}


def figure(text: str) -> int | float | str:
    """A figure as people write it ("x16", "Gen 3", "8 GT/s", "75 W", "7,000"); other words stay what they are."""
    speed = parse_speed(re.sub(r"(?i)(?<=[0-9]) ?gt/s", " GT/s", text))
    if speed is not None:
        return speed
    found = _FIGURE.fullmatch(text.casefold())
    if found is None or "gt/s" in text.casefold():
        return text
    number = float(found[1].replace(",", "") + (found[2] or ""))
    return int(number) if number.is_integer() else number


def is_yes(text: str) -> bool:
    """Yes or no; BadInput for any other word."""
    word = text.casefold()
    if word not in {"y", "yes", "n", "no"}:
        raise BadInput(f"{quoted(text)} is neither yes nor no")
    return word.startswith("y")


def count_of(text: str, least: int, most: int) -> int:
    """A count; BadInput beyond its bounds."""
    number = figure(text)
    if not isinstance(number, int) or not least <= number <= most:
        raise BadInput(f"{quoted(text)} is not a number from {least} to {most}")
    return number


def items(text: str) -> list[str]:
    """The items of a list that commas part."""
    return [item.strip() for item in text.split(",") if item.strip()]


def one_of(text: str, names: Sequence[str]) -> str:
    """The name that is meant; BadInput where there is none such."""
    found = meant(text, names)
    if found not in names:
        near = nearest(text, names)
        raise BadInput(
            f"{quoted(text)} is none of these; " + (f"did you mean {quoted(near)}?" if near else some(names))
        )
    return found


def one_or_number(text: str, names: Sequence[str]) -> str:
    """As `one_of`, or a name by its place in the list, from 1."""
    place = int(text) if re.fullmatch("[0-9]{1,3}", text) and text not in names else 0
    return names[place - 1] if 1 <= place <= len(names) else one_of(text, names)


def meant(text: str, names: Sequence[str]) -> str:
    """The name that is meant, whatever its capitals; other words as they are, for the sheet's checks to refuse."""
    return text if text in names else next((name for name in names if name.casefold() == text.casefold()), text)


def some(names: Iterable[str]) -> str:
    """What can be said, in a sentence."""
    return f"say {listed((quoted(name) for name in names), 'or', most=6)}"
