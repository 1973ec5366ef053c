"""The tables of a TOML text, what would keep the reader busy refused, and its complaints in one sentence of ours."""

from __future__ import annotations

from typing import Any, Final

from knowledge.phrasing import printable
from knowledge.problems import BadInput

LINE_LIMIT: Final = 2000  # characters
DOTS_LIMIT: Final = 32  # in one line; the TOML reader takes memory by the square of a dotted key's parts


def problem(source: str, line: int | None, words: str, key: str = "") -> BadInput:
    """One sentence: where, and what is wrong there."""
    where = [printable(source), *([f"line {line}"] if line is not None else []), *([printable(key)] if key else [])]
    return BadInput(f"{', '.join(where)}: {words}", line)


def problem_at(source: str, lines: dict[str, int], key: str, words: str) -> BadInput:
    """The error for a key; where the key is not in the text, the line of the table that should have it."""
    place = key
    while place and place not in lines:
        place = place[: max(place.rfind("."), place.rfind("["), 0)]
    return problem(source, lines.get(place), words, key)


def tables(text: str, source: str, many: tuple[str, ...]) -> dict[str, Any]:
    """What the TOML reader makes of a text, its complaints in our form; `many` are tables that there are several of.

    Raises BadInput; RecursionError where lists stand too deep in each other.
    """
    import tomllib

    _check_lines(text, source)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(text, source, str(error), many) from None
    except ValueError:  # a number of thousands of digits
        raise BadInput(f"{printable(source)}: a number in it is too long to be read") from None


def _check_lines(text: str, source: str) -> None:
    """Refuse what would keep the TOML reader busy for long, and what an editor has put before the text."""
    if text.startswith("\ufeff"):
        raise problem(source, 1, "the text begins with a byte order mark; save it as UTF-8 without one")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LINE_LIMIT:
            raise problem(
                source, number, f"the line has more than {LINE_LIMIT} characters; write lists in several lines"
            )
        if line.count(".") > DOTS_LIMIT and not line.lstrip().startswith("#"):
            raise problem(source, number, f"the line has more than {DOTS_LIMIT} dots; write lists in several lines")


def _not_toml(text: str, source: str, message: str, many: tuple[str, ...]) -> BadInput:
    """A complaint of the TOML reader, which ends in "(at line 3, column 7)" or "(at end of document)"."""
    words, _, place = message.rpartition(" (at ")
    number, _, column = place.removeprefix("line ").removesuffix(")").partition(", column ")
    lines = text.rstrip("\n").count("\n") + 1
    line = int(number) if number.isdecimal() else lines
    at = f" at column {column}" if column else ""
    if words.startswith(("Cannot ", "Duplicate")):
        for first, content in enumerate(text.split("\n")[:line], 1):
            name = content.partition("#")[0].strip().removeprefix("[").removesuffix("]").strip()
            if name in many and content.lstrip().startswith("["):
                return problem(source, first, f"there can be several of these: write [[{name}]] in place of [{name}]")
    return problem(source, line, f"this is not TOML{at}: {_reader_words(words)}")


def _reader_words(words: str) -> str:
    """The TOML reader's complaint in plain words."""
    if words == "Cannot overwrite a value" or words.startswith("Duplicate inline table key"):
        return "the same key stands twice in one table"
    if words.startswith(("Cannot declare", "Cannot mutate", "Cannot redefine")):
        return "the same table stands twice, or a heading for one table where others have been headings for many"
    if words == "Invalid value":
        return "no value stands where one is needed; text needs quotes"
    if words.startswith("Expected newline"):
        return "something follows where the line should end"
    return printable(words[:1].lower() + words[1:])
