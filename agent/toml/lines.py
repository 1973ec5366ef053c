"""Where each key of a TOML text stands, so that a complaint about it can name the line. Finds places, judges nothing.

Takes only text that the standard library's TOML reader has accepted: what is a value and whether it is allowed is
settled there. Here the text is cut into its marks (strings, brackets, commas, words) and the keys are followed, in one
pass and without building any value. No TOML library of the project says where a value stands.
"""

from __future__ import annotations

from typing import Final

# One mark of the text. Of the quotes that end a text of several lines, up to two belong to it (TOML 1.0, String).
_MARKS: Final = r"""
    (?P<string>
        \"{3}(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*+"{3,5}
        | '{3}(?:[^']|'{1,2}(?!'))*+'{3,5}
        | "(?:[^"\\\n]|\\.)*+"
        | '[^'\n]*+'
    )
    | (?P<skip>[\ \t\r]++|\#[^\n]*+)
    | (?P<sign>[\[\]{}=,.\n])
    | (?P<word>[^\s\[\]{}=,.\#"']++)
"""


def lines_of(text: str) -> dict[str, int]:
    """The line (from 1) of every key, heading and element, by its path: "slot[2].lanes" counts from 0 as the text does.

    The path of a table or array that headings or dotted keys make in passing has the line of the first of them.
    RecursionError where arrays are nested deeper than the interpreter allows.
    """
    return _Walk(text).lines


class _Walk:
    """One pass over the marks of a text."""

    def __init__(self, text: str) -> None:
        self.lines: dict[str, int] = {}
        self._marks = _marks(text)
        self._at = 0
        self._tables: dict[str, int] = {}  # how many headings each array of tables has had so far
        here = ""
        while self._next() is not None:
            if self._peek("\n"):
                self._at += 1
            elif self._peek("["):
                here = self._heading()
            else:
                self._pair(here)

    # Marks

    def _next(self) -> tuple[str, int] | None:
        """The mark at hand and its line, None at the end."""
        return self._marks[self._at] if self._at < len(self._marks) else None

    def _peek(self, sign: str) -> bool:
        mark = self._next()
        return mark is not None and mark[0] == sign

    def _take(self) -> tuple[str, int]:
        mark = self._marks[self._at]
        self._at += 1
        return mark

    def _skip_line_ends(self) -> None:
        while self._peek("\n"):
            self._at += 1

    # Keys

    def _heading(self) -> str:
        """Read "[a.b]" or "[[a.b]]"; the path that the keys below it belong to."""
        _, line = self._take()
        double = self._peek("[")
        self._at += double
        path = ""
        *before, last = self._key("]")
        self._at += double
        for name in before:
            path = _joined(path, name)
            self._note(path, line)
            if path in self._tables:
                path = f"{path}[{self._tables[path] - 1}]"
        path = _joined(path, last)
        self._note(path, line)
        if double:
            number = self._tables.get(path, 0)
            self._tables[path] = number + 1
            path = f"{path}[{number}]"
        self.lines[path] = line
        return path

    def _key(self, end: str) -> list[str]:
        """The names of a dotted key, up to and with the mark that ends it."""
        names: list[str] = []
        while True:
            mark, _ = self._take()
            if mark == end:
                return names
            if mark != ".":
                names.append(_plain(mark))

    def _note(self, path: str, line: int) -> None:
        self.lines.setdefault(path, line)

    # Values

    def _pair(self, path: str) -> None:
        """A key and its value."""
        _, line = self._marks[self._at]
        for name in self._key("="):
            path = _joined(path, name)
            self._note(path, line)
        self._value(path)

    def _value(self, path: str) -> None:
        if self._peek("["):
            self._array(path)
        elif self._peek("{"):
            self._table(path)
        else:
            while self._next() is not None and self._marks[self._at][0] not in {",", "]", "}", "\n"}:
                self._at += 1

    def _array(self, path: str) -> None:
        self._at += 1
        number = 0
        while True:
            self._skip_line_ends()
            mark, line = self._marks[self._at]
            if mark in {"]", ","}:
                self._at += 1
                if mark == "]":
                    return
                continue
            self._note(f"{path}[{number}]", line)
            self._value(f"{path}[{number}]")
            number += 1

    def _table(self, path: str) -> None:
        self._at += 1
        while True:
            self._skip_line_ends()
            mark, _ = self._marks[self._at]
            if mark in {"}", ","}:
                self._at += 1
                if mark == "}":
                    return
                continue
            self._pair(path)


def _marks(text: str) -> list[tuple[str, int]]:
    """The marks of a text with their lines; blanks and comments left out."""
    import re

    found = []
    line = 1
    for match in re.finditer(_MARKS, text, re.VERBOSE):
        mark = match[0]
        if match.lastgroup != "skip":
            found.append((mark, line))
        if match.lastgroup == "string" or mark == "\n":
            line += mark.count("\n")
    return found


def _joined(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _plain(mark: str) -> str:
    """A name of a key as it is meant: without its quotes, if it has them."""
    if mark[0] not in "\"'":
        return mark
    import tomllib

    return str(tomllib.loads(f"name = {mark}")["name"])
