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
    line = int(number) if number.isdecimal() else text.rstrip("\n").count("\n") + 1
    if words.startswith(_TWICE):
        for first, content in enumerate(text.split("\n")[:line], 1):
            name = content.partition("#")[0].strip().removeprefix("[").removesuffix("]").strip()
            if name in many and content.lstrip().startswith("["):
                return problem(source, first, f"there can be several of these: write [[{name}]] in place of [{name}]")
    why = next((ours for theirs, ours in _READER_SAYS.items() if words.startswith(theirs)), _MARKS_WRONG)
    return problem(source, line, f"this is not TOML: {why}", f"column {column}" if column else "")


_TWICE: Final = ("Cannot ", "Duplicate")
_MARKS_WRONG: Final = "a quote mark, bracket, comma or value is missing or does not belong here"
# What the TOML reader of the standard library says begins with these words; ours come in their place.
_READER_SAYS: Final = {
    "Cannot overwrite": "the same key stands twice in one table",
    "Duplicate inline": "the same key stands twice in one table",
    "Cannot ": "the same table stands twice, as [name] or as both [name] and [[name]]",
    "Invalid value": "a value is missing, or text stands without its quotes",
    "Invalid date": "this is no date or time; write 2026-03-02 or 09:00:00",
    "Expected newline": "the line should end here; one line takes one key and its value",
    "Expected '='": "an equals sign must follow the key",
    "Expected ']": "a heading must end in ] or ]]",
    "Invalid initial": "a key must stand here: letters, digits, - and _, or text in quotes",
    "Invalid statement": "a line must begin with a key, a heading in brackets or #",
    "Unclosed array": "a list that was begun is not ended with ]",
    "Unclosed inline": "a table that was begun is not ended with }",
    "Unterminated": "text that was begun is not ended with its quote mark",
    "Expected ": "text that was begun is not ended with its quote mark",
    "Unescaped": "a backslash in double quotes needs another before it; or use single quotes",
    "Invalid hex": "a code after \\u or \\U must be hexadecimal digits",
    "Escaped": "a code after \\u or \\U is that of no character",
    "Found invalid": "a control character, or a line that ends within its quotes, cannot stand here",
    "Illegal": "a control character, or a line that ends within its quotes, cannot stand here",
}
